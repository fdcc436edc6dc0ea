"""Exact copper primitives as columns of numbers, with shapely forms made in bulk.

Every conductor is a *skeleton* inflated by a *radius*: a disc is a point, a stroke is a segment, an
arc stroke is an arc, an area is a polygon with radius 0. Distances are therefore skeleton distance
less both radii, exact for straight and round copper. An arc skeleton is handed to shapely as a
polyline that strays at most `ARC_TOLERANCE` from it; the distance functions subtract that, so a
distance is never too large.

Shapes (polygons) are circumscribed: they contain the true copper and exceed it by at most
`shape_tolerance(radius)`.
Units: mm, radians, y up.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from enum import IntEnum
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]
Shapes = npt.NDArray[np.object_]  # of shapely geometries
Rows = npt.NDArray[np.intp]

ARC_TOLERANCE = 0.0002  # mm; how far the polyline of an arc skeleton may stray from the arc
SHAPE_TOLERANCE = (
    0.0005  # mm; how far a circumscribed shape may exceed the true copper, and no more than ...
)
SHAPE_RATIO = 0.001  # ... this part of its radius, so that areas of thin strokes stay right too
TOUCH = 0.001  # mm; contact within this is contact (design, chapter 3)

NO_NET = -1  # stated to belong to no net (empty net name, thieving, text, fiducials)
UNKNOWN_NET = -2  # the data does not say


class Kind(IntEnum):
    """What the five numbers in a row of `Conductors.geometry` mean."""

    STROKE = 0  # x0, y0, x1, y1, unused
    # centre x, centre y, radius, start angle, sweep (counterclockwise positive; a full circle is 2
    # pi)
    ARC = 1
    DISC = 2  # x, y, unused
    AREA = 3  # unused; the polygon is `areas[area[row]]`


@dataclass(frozen=True, slots=True)
class Conductors:
    """Copper objects as columns; row i of every column is one connected piece of copper on one
    layer.

    A stroke that clear objects cut is an AREA that keeps its remaining centre line in `centres`;
    its pieces are rows of their own. Columns of length n unless said.
    """

    kind: npt.NDArray[np.uint8]
    layer: Ints  # index of the copper layer, 0 = top
    net: Ints  # index into Board.nets, or NO_NET, or UNKNOWN_NET
    geometry: Floats  # (n, 5), see Kind
    radius: Floats  # half the stroke width, the disc's radius; 0 for areas
    # flashed or stated to be a pad (land, via pad): it is judged as an area, not by a centre line
    pad: Bools
    component: Ints  # index into Board.refdes, or -1
    pin: Ints  # index into Board.pins, or -1
    function: Ints  # index into Board.functions, or -1
    area: Ints  # index into areas, or -1
    centre: Ints  # index into centres, or -1
    file: Ints  # index into Board.files
    line: Ints  # 1-based line in that file, 0 = unknown
    areas: Shapes  # Polygons, any length
    centres: Shapes  # LineStrings or MultiLineStrings, any length

    def __len__(self) -> int:
        return len(self.kind)

    def take(self, rows: Any) -> Conductors:
        """Give the named rows (index or mask); `areas` and `centres` are shared, not copied."""
        columns = {
            f.name: getattr(self, f.name)[rows]
            for f in fields(self)
            if f.name not in ("areas", "centres")
        }
        return replace(self, **columns)

    def skeletons(self, rows: Rows | None = None) -> Shapes:
        """Skeletons as shapely Points, LineStrings and Polygons, made in bulk, shape
        (len(rows),).
        """
        part = self if rows is None else self.take(rows)
        out: Shapes = np.empty(len(part), dtype=object)
        kind, g = part.kind, part.geometry
        points = (kind == Kind.DISC) | (
            (kind == Kind.STROKE) & (g[:, 0] == g[:, 2]) & (g[:, 1] == g[:, 3])
        )
        lines = (kind == Kind.STROKE) & ~points
        if points.any():
            out[points] = shapely.points(g[points, :2])
        if lines.any():
            out[lines] = shapely.linestrings(g[lines, :4].reshape(-1, 2, 2))
        arcs = np.flatnonzero(kind == Kind.ARC)
        if len(arcs):
            out[arcs] = arc_lines(g[arcs])
        areas = kind == Kind.AREA
        out[areas] = part.areas[part.area[areas]]
        return out

    def slack(self) -> Floats:
        """How far each skeleton's shapely form may stray from the true skeleton, shape (n,)."""
        return np.where(self.kind == Kind.ARC, ARC_TOLERANCE, 0.0)

    def shapes(self, rows: Rows | None = None, *, inside: bool = False) -> Shapes:
        """Copper as Polygons, circumscribed or (`inside`) inscribed (see `shape_tolerance`), shape
        (len(rows),).
        """
        part = self if rows is None else self.take(rows)
        out: Shapes = np.empty(len(part), dtype=object)
        round_ended = (part.kind == Kind.DISC) | (part.kind == Kind.STROKE)
        if round_ended.any():
            ends = part.geometry[round_ended, :4].copy()
            discs = part.kind[round_ended] == Kind.DISC
            ends[discs, 2:4] = ends[discs, 0:2]
            out[round_ended] = stadiums(ends, part.radius[round_ended], inside=inside)
        arcs = np.flatnonzero(part.kind == Kind.ARC)
        if len(arcs):
            out[arcs] = arc_shapes(part.geometry[arcs], part.radius[arcs], inside=inside)
        areas = part.kind == Kind.AREA
        out[areas] = part.areas[part.area[areas]]
        return out

    def bounds(self) -> Floats:
        """Bounding boxes x0, y0, x1, y1 that contain each conductor, shape (n, 4)."""
        g, kind = self.geometry, self.kind
        out = np.empty((len(self), 4))
        out[:, 0:2] = np.minimum(g[:, 0:2], g[:, 2:4])
        out[:, 2:4] = np.maximum(g[:, 0:2], g[:, 2:4])
        discs = kind == Kind.DISC
        out[discs] = g[discs][:, [0, 1, 0, 1]]
        arcs = np.flatnonzero(kind == Kind.ARC)
        if len(arcs):
            out[arcs] = (
                shapely.bounds(arc_lines(g[arcs])) + np.array([-1, -1, 1, 1]) * ARC_TOLERANCE
            )
        areas = kind == Kind.AREA
        out[areas] = shapely.bounds(self.areas[self.area[areas]])
        out[:, 0:2] -= self.radius[:, None]
        out[:, 2:4] += self.radius[:, None]
        return out


def middles(copper: Conductors, rows: Rows) -> Floats:
    """Middles of the boxes of some conductors, shape (rows, 2)."""
    boxes = copper.take(rows).bounds()
    return (boxes[:, :2] + boxes[:, 2:]) / 2


def gaps(
    a: Shapes, radius_a: Floats, b: Shapes, radius_b: Floats, slack: Floats | float = 0.0
) -> Floats:
    """Distances between conductors given as skeletons and radii, pairwise; 0 where they overlap.

    Exact for points, segments and polygons; `slack` is the sum of both skeletons' `slack()`, so
    that arcs come out at most that much too small and never too large.
    """
    result: Floats = np.maximum(shapely.distance(a, b) - radius_a - radius_b - slack, 0.0)
    return result


def concatenate(parts: Sequence[Conductors]) -> Conductors:
    """Join tables one below the other; indices into `areas` and `centres` are shifted."""
    parts = [p for p in parts if len(p)] or list(parts[:1])
    if not parts:
        return conductors()
    columns = {
        f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Conductors)
    }
    for index, pool in (("area", "areas"), ("centre", "centres")):
        shifts = np.cumsum([0] + [len(getattr(p, pool)) for p in parts[:-1]])
        columns[index] = np.concatenate(
            [
                np.where(getattr(p, index) >= 0, getattr(p, index) + s, -1)
                for p, s in zip(parts, shifts, strict=True)
            ]
        ).astype(np.int32)
    return Conductors(**columns)


def conductors(n: int = 0, **columns: Any) -> Conductors:
    """Make a table of n rows from some columns; the others get their neutral value.

    Parameters
    ----------
    n : number of rows
    columns : any field of Conductors; scalars are repeated

    Examples
    --------
    >>> import numpy as np
    >>> disc = conductors(1, kind=Kind.DISC, geometry=np.array([[1.0, 2, 0, 0, 0]]), radius=0.5)
    >>> disc.bounds().tolist()
    [[0.5, 1.5, 1.5, 2.5]]
    """
    defaults: dict[str, tuple[Any, Any]] = {
        "kind": (Kind.STROKE, np.uint8),
        "layer": (0, np.int32),
        "net": (UNKNOWN_NET, np.int32),
        "radius": (0.0, np.float64),
        "pad": (False, np.bool_),
        "component": (-1, np.int32),
        "pin": (-1, np.int32),
        "function": (-1, np.int32),
        "area": (-1, np.int32),
        "centre": (-1, np.int32),
        "file": (0, np.int32),
        "line": (0, np.int32),
    }
    filled: dict[str, Any] = {}
    for name, (value, dtype) in defaults.items():
        column = np.asarray(columns.pop(name, value), dtype=dtype)
        filled[name] = np.broadcast_to(column, (n,)).copy() if column.ndim == 0 else column
    filled["geometry"] = np.asarray(
        columns.pop("geometry", np.zeros((n, 5))), dtype=np.float64
    ).reshape(n, 5)
    for pool in ("areas", "centres"):
        given = columns.pop(pool, ())
        column = np.empty(len(given), dtype=object)
        column[:] = list(given)
        filled[pool] = column
    if columns:
        raise TypeError(f"no such columns: {', '.join(columns)}")
    return Conductors(**filled)


def arc_steps(radius: Floats, sweep: Floats, tolerance: float = ARC_TOLERANCE) -> Ints:
    """Number of equal steps that keep a chord within `tolerance` of its arc, at least one per
    eighth turn.
    """
    ratio = np.clip(
        tolerance / np.maximum(radius, 1e-12), 1e-12, 0.07
    )  # never coarser than eighths
    step = 2 * np.arccos(1 - ratio)
    counts: Ints = np.maximum(np.ceil(np.abs(sweep) / step), 1).astype(np.int32)
    return counts


def arc_points(
    centre: tuple[float, float],
    radius: float,
    start: float,
    sweep: float,
    side: int = 0,
    tolerance: float = ARC_TOLERANCE,
) -> Floats:
    """Points of a polyline along an arc, ends included exactly, shape (k, 2).

    Parameters
    ----------
    side : 0 = on the arc (chords, inside the circle), 1 = circumscribed (nowhere inside the circle)
    """
    steps = int(arc_steps(np.array(radius), np.array(sweep), tolerance))
    delta = sweep / steps
    if side == 0:
        angles = start + delta * np.arange(steps + 1)
        r = np.full(steps + 1, radius)
    else:
        angles = np.concatenate(
            ([start], start + delta * (np.arange(steps) + 0.5), [start + sweep])
        )
        r = np.concatenate(([radius], np.full(steps, radius / np.cos(delta / 2)), [radius]))
    points: Floats = np.column_stack(
        (centre[0] + r * np.cos(angles), centre[1] + r * np.sin(angles))
    )
    return points


def arc_lines(geometry: Floats) -> Shapes:
    """Polylines of arcs given as rows of Kind.ARC geometry, within ARC_TOLERANCE of them, made in
    bulk.
    """
    radius, start, sweep = geometry[:, 2], geometry[:, 3], geometry[:, 4]
    steps = arc_steps(radius, sweep)
    counts = steps + 1
    owner = np.repeat(np.arange(len(geometry)), counts)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    angle = start[owner] + sweep[owner] * place / steps[owner]
    xy = geometry[owner, 0:2] + radius[owner, None] * np.column_stack(
        (np.cos(angle), np.sin(angle))
    )
    lines: Shapes = shapely.linestrings(xy, indices=owner)
    return lines


def shape_tolerance(radius: Floats) -> Floats:
    """How far the circumscribed shape of round copper of these radii may exceed it, mm."""
    return np.minimum(SHAPE_TOLERANCE, SHAPE_RATIO * radius)


def stadiums(ends: Floats, radius: Floats, *, inside: bool = False) -> Shapes:
    """Circumscribed polygons of strokes with round ends (discs where both ends agree), made in
    bulk.

    The straight sides are exact; the ends exceed the half circle by at most `shape_tolerance`, or
    (`inside`) stay below it by at most that.
    """
    out: Shapes = np.empty(len(ends), dtype=object)
    radius = np.maximum(radius, 1e-9)  # a line of width 0 still needs a shape
    half = np.arccos(radius / (radius + shape_tolerance(radius)))
    steps = np.maximum(np.ceil(np.pi / (2 * half)), 2).astype(np.int64)  # per half circle
    for count in np.unique(steps):
        rows = steps == count
        out[rows] = _stadiums_of(ends[rows], radius[rows], int(count), inside)
    return out


def _stadiums_of(ends: Floats, radius: Floats, steps: int, inside: bool) -> Shapes:
    """Stadiums whose round ends have the same number of steps."""
    delta = np.pi / steps
    if inside:
        angle, reach = -np.pi / 2 + delta * np.arange(steps + 1), np.ones(steps + 1)
    else:
        angle = np.concatenate(
            ([-np.pi / 2], -np.pi / 2 + delta * (np.arange(steps) + 0.5), [np.pi / 2])
        )
        reach = np.concatenate(([1.0], np.full(steps, 1 / np.cos(delta / 2)), [1.0]))
    cap_x, cap_y = reach * np.cos(angle), reach * np.sin(angle)
    cap_x[[0, -1]] = 0.0  # both caps of a disc end in the very same points
    along = ends[:, 2:4] - ends[:, 0:2]
    length = np.hypot(along[:, 0], along[:, 1])
    safe = np.where(length > 0, length, 1.0)
    rx = (radius * np.where(length > 0, along[:, 0] / safe, 1.0))[:, None]
    ry = (radius * np.where(length > 0, along[:, 1] / safe, 0.0))[:, None]
    reach_x, reach_y = rx * cap_x - ry * cap_y, ry * cap_x + rx * cap_y
    size = len(cap_x)
    ring = np.empty((len(ends), 2 * size + 1, 2))
    np.add(ends[:, 2:3], reach_x, out=ring[:, :size, 0])
    np.add(ends[:, 3:4], reach_y, out=ring[:, :size, 1])
    np.subtract(ends[:, 0:1], reach_x, out=ring[:, size:-1, 0])
    np.subtract(ends[:, 1:2], reach_y, out=ring[:, size:-1, 1])
    ring[:, -1] = ring[:, 0]
    return ring_polygons(ring.reshape(-1, 2), np.full(len(ring), ring.shape[1]))


def ring_polygons(points: Floats, lengths: npt.NDArray[np.integer[Any]]) -> Shapes:
    """Polygons without holes from closed rings that stand one after the other, made in bulk.

    Parameters
    ----------
    points : shape (sum of lengths, 2); the last point of each ring repeats its first
    lengths : points of each ring
    """
    rings = np.concatenate(([0], np.cumsum(lengths)))
    polygons: Shapes = shapely.from_ragged_array(
        shapely.GeometryType.POLYGON, points, (rings, np.arange(len(lengths) + 1))
    )
    return polygons


def arc_shapes(geometry: Floats, radius: Floats, *, inside: bool = False) -> Shapes:
    """Circumscribed or (`inside`) inscribed polygons of arc strokes, in bulk where both round ends
    keep apart.

    Parameters
    ----------
    geometry : rows of Kind.ARC geometry, shape (n, 5)
    radius : half the stroke width, shape (n,)
    """
    out: Shapes = np.empty(len(geometry), dtype=object)
    reach, sweep = geometry[:, 2], np.abs(geometry[:, 4])
    apart = (sweep <= np.pi / 2) | (reach * np.sin(sweep / 2) > 1.01 * radius)
    plain = apart & (sweep < 2 * np.pi - 1e-9) & (reach > 1.01 * radius) & (radius > 1e-9)
    if plain.any():
        out[plain] = _plain_arcs(geometry[plain], radius[plain], inside)
    for row in np.flatnonzero(~plain):
        out[row] = _arc_shape(geometry[row], float(radius[row]), inside=inside)
    return out


def _plain_arcs(geometry: Floats, radius: Floats, inside: bool) -> Shapes:
    """Arc strokes as single rings: outer arc, round end, inner arc back, round end."""
    centre, reach, start, sweep = geometry[:, :2], geometry[:, 2], geometry[:, 3], geometry[:, 4]
    tolerance = shape_tolerance(radius)
    end = start + sweep
    half = np.pi * np.sign(sweep)
    ends = [centre + reach[:, None] * np.column_stack((np.cos(a), np.sin(a))) for a in (start, end)]
    pieces = [
        _arc_run(centre, reach + radius, start, sweep, tolerance, outside=not inside),
        _arc_run(ends[1], radius, end, half, tolerance, outside=not inside),
        _arc_run(centre, reach - radius, end, -sweep, tolerance, outside=inside),
        _arc_run(ends[0], radius, start + np.pi, half, tolerance, outside=not inside),
    ]
    counts = np.column_stack([count for _, count in pieces])
    lengths = counts.sum(axis=1) + 1
    begins = np.cumsum(lengths) - lengths
    ring = np.empty((int(lengths.sum()), 2))
    places = begins[:, None] + np.cumsum(counts, axis=1) - counts
    for (points, count), place in zip(pieces, places.T, strict=True):
        ring[np.repeat(place - np.cumsum(count) + count, count) + np.arange(len(points))] = points
    ring[begins + lengths - 1] = ring[begins]
    return ring_polygons(ring, lengths)


def _arc_run(
    centre: Floats,
    radius: Floats,
    start: Floats,
    sweep: Floats,
    tolerance: Floats,
    *,
    outside: bool,
) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Points of arcs one after the other, the last of each left out, and how many belong to each.

    On the arc, or (`outside`) its start followed by the corners of tangents, nowhere inside the
    circle.
    """
    ratio = np.clip(tolerance / radius, 1e-12, 0.07)
    steps = np.maximum(np.ceil(np.abs(sweep) / (2 * np.arccos(1 / (1 + ratio)))), 1).astype(
        np.int64
    )
    counts = steps + outside
    owner = np.repeat(np.arange(len(counts)), counts)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    corner = outside & (place > 0)
    angle = start[owner] + sweep[owner] * (place - 0.5 * corner) / steps[owner]
    stretched = radius[owner] * np.where(corner, 1 / np.cos(sweep / steps / 2)[owner], 1.0)
    points: Floats = centre[owner] + stretched[:, None] * np.column_stack(
        (np.cos(angle), np.sin(angle))
    )
    return points, counts


def _arc_shape(geometry: Floats, radius: float, *, inside: bool) -> shapely.Geometry:
    """A circumscribed or inscribed polygon of one arc stroke: ring sector and two round ends."""
    x, y, reach, start, sweep = (float(v) for v in geometry)
    radius = max(radius, 1e-9)
    tolerance = float(shape_tolerance(np.array(radius)))
    outside, hole = (0, 1) if inside else (1, 0)
    outer = arc_points((x, y), reach + radius, start, sweep, side=outside, tolerance=tolerance)
    hollow = reach > radius
    inner = np.array([[x, y]])
    if hollow:
        inner = arc_points((x, y), reach - radius, start, sweep, side=hole, tolerance=tolerance)
    if abs(sweep) >= 2 * np.pi - 1e-9:
        outer[-1], inner[-1] = outer[0], inner[0]  # closed exactly, whatever the sines say
        return shapely.Polygon(outer, [inner] if hollow else None)
    ends = np.array(
        [[x + reach * np.cos(a), y + reach * np.sin(a)] * 2 for a in (start, start + sweep)]
    )
    sector = shapely.make_valid(shapely.Polygon(np.concatenate((outer, inner[::-1]))))
    return shapely.union_all([sector, *stadiums(ends, np.full(2, radius), inside=inside)])


def repeated(rows: Rows, count: Rows) -> tuple[Rows, Rows]:
    """Each row as often as counted, and how often it was there before.

    Examples
    --------
    >>> [column.tolist() for column in repeated(np.array([7, 8]), np.array([2, 3]))]
    [[7, 7, 8, 8, 8], [0, 1, 0, 1, 2]]
    """
    before = np.cumsum(count) - count
    return np.repeat(rows, count), np.arange(count.sum()) - np.repeat(before, count)


def each(rows: Rows, size: int) -> Iterator[Rows]:
    """Split row numbers into runs of at most `size`, so that bulk work has bounded memory."""
    for start in range(0, len(rows), size):
        yield rows[start : start + size]


def components(count: int, pairs: Any) -> list[list[int]]:
    """Numbers 0..count - 1 in groups that pairs join, ascending, the group of the least number
    first.

    Parameters
    ----------
    pairs : numbers, (n, 2)

    Examples
    --------
    >>> components(5, [(4, 2), (1, 1), (2, 0)])
    [[0, 2, 4], [1], [3]]
    """
    ends = np.asarray(pairs, dtype=np.intp).reshape(-1, 2)
    graph = coo_array((np.ones(len(ends), np.int8), (ends[:, 0], ends[:, 1])), shape=(count, count))
    label = connected_components(graph, directed=False)[1]
    order = np.argsort(label, kind="stable")
    return sorted(
        part.tolist()
        for part in np.split(order, np.flatnonzero(np.diff(label[order])) + 1)
        if len(part)
    )
