"""Strokes whose free ends are flat or square."""

from __future__ import annotations

import numpy as np
import shapely

from parsers.ipc2581.dictionaries import FLAT_END, SQUARE_END
from parsers.ipc2581.parts import Parts
from parsers.ipc2581.sketch import CAP_END, CAP_START, Longs
from parsers.primitives import (
    Conductors,
    Floats,
    Ints,
    Kind,
    Rows,
    Shapes,
    arc_points,
    concatenate,
    conductors,
)


def capped(parts: Parts, end: Ints, caps: Longs) -> Parts:
    """Strokes whose free ends are flat or square: areas that keep their centre line, and discs at
    joints.
    """
    objects, index = parts.objects, np.arange(len(parts))
    polygons = _flat_ended(objects, end, caps)
    shaped = conductors(
        len(parts),
        kind=Kind.AREA,
        area=index,
        areas=polygons,
        centre=index,
        centres=_centre_lines(objects),
    )
    joints, at = _joints(objects, caps)
    discs = conductors(len(at), kind=Kind.DISC, geometry=joints, radius=objects.radius[at])
    solid = shapely.area(polygons) > 0
    rows = np.concatenate((index[solid], at))
    table = concatenate([shaped.take(solid), discs])
    return Parts(table, parts.dark[rows], parts.owner[rows], parts.order[rows])


def _flat_ended(objects: Conductors, end: Ints, caps: Longs) -> Shapes:
    """The shape of each stroke, its free ends flat or square."""
    geometry, radius = objects.geometry, objects.radius
    polygons: Shapes = np.empty(len(objects), dtype=object)
    straight = objects.kind != Kind.ARC
    sides = (column[straight] for column in (geometry, radius, end, caps))
    polygons[straight] = _flat_strokes(*sides)
    for row in np.flatnonzero(~straight):
        polygons[row] = _flat_arc(geometry[row], float(radius[row]), int(end[row]), int(caps[row]))
    return polygons


def _centre_lines(objects: Conductors) -> Shapes:
    """The centre line of each stroke, of one without length too."""
    centres = objects.skeletons()
    single = np.array([line.geom_type != "LineString" for line in centres], dtype=np.bool_)
    centres[single] = [shapely.LineString([point.coords[0]] * 2) for point in centres[single]]
    return centres


def _flat_strokes(geometry: Floats, radius: Floats, end: Ints, caps: Longs) -> Shapes:
    """Rectangles, longer by the half width at square free ends."""
    along = geometry[:, 2:4] - geometry[:, 0:2]
    length = np.hypot(*along.T)
    along = np.where(
        length[:, None] > 0,
        along / np.where(length > 0, length, 1.0)[:, None],
        np.array([1.0, 0.0]),
    )
    aside = np.column_stack((-along[:, 1], along[:, 0])) * radius[:, None]
    more = np.where(end == SQUARE_END, radius, 0.0)
    start = geometry[:, 0:2] - along * np.where(caps & CAP_START, more, 0.0)[:, None]
    stop = geometry[:, 2:4] + along * np.where(caps & CAP_END, more, 0.0)[:, None]
    rings = np.stack(
        (start - aside, stop - aside, stop + aside, start + aside, start - aside), axis=1
    )
    result: Shapes = shapely.polygons(rings)
    return result


def _flat_arc(geometry: Floats, radius: float, end: int, caps: int) -> shapely.Geometry:
    """A ring sector, longer by the half width at square free ends."""
    x, y, reach, start, sweep = geometry.tolist()
    outer = arc_points((x, y), reach + radius, start, sweep, side=1)
    inner = np.array([[x, y]])
    if reach > radius:
        inner = arc_points((x, y), reach - radius, start, sweep)
    parts = [shapely.make_valid(shapely.Polygon(np.concatenate((outer, inner[::-1]))))]
    if end != FLAT_END:
        sense = 1.0 if sweep > 0 else -1.0
        for cap, angle, way in ((CAP_START, start, -sense), (CAP_END, start + sweep, sense)):
            if caps & cap:
                parts.append(_square_end(np.array([x, y]), reach, angle, radius, way))
    return shapely.union_all(parts)


def _square_end(
    centre: Floats, reach: float, angle: float, radius: float, way: float
) -> shapely.Polygon:
    """What a square end adds to an arc that ends at an angle; `way` is 1 if it runs on
    counterclockwise.
    """
    across = np.array([np.cos(angle), np.sin(angle)])
    ahead = np.array([-across[1], across[0]]) * way * radius
    low, high = centre + across * (reach - radius), centre + across * (reach + radius)
    return shapely.Polygon([low, high, high + ahead, low + ahead])


def _joints(objects: Conductors, caps: Longs) -> tuple[Floats, Rows]:
    """Where strokes with one free end meet the next one: points as disc geometry, and the row of
    each.
    """
    arc = objects.kind == Kind.ARC
    g = objects.geometry
    first, last = g[:, 0:2].copy(), g[:, 2:4].copy()
    for ends, angle in ((first, g[:, 3]), (last, g[:, 3] + g[:, 4])):
        ends[arc] = g[arc, 0:2] + g[arc, 2:3] * np.column_stack(
            (np.cos(angle[arc]), np.sin(angle[arc]))
        )
    at_first, at_last = np.flatnonzero(~caps & CAP_START), np.flatnonzero(~caps & CAP_END)
    points = np.zeros((len(at_first) + len(at_last), 5))
    points[:, 0:2] = np.concatenate((first[at_first], last[at_last]))
    return points, np.concatenate((at_first, at_last))
