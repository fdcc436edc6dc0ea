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

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from enum import IntEnum
from functools import partial
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from parsers.columns import Columns

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]
Shapes = npt.NDArray[np.object_]  # of shapely geometries
Rows = npt.NDArray[np.intp]

ARC_TOLERANCE = 0.0002  # mm; how far the polyline of an arc skeleton may stray from the arc
# mm; how far a circumscribed shape may exceed the true copper, and no more than ...
SHAPE_TOLERANCE = 0.0005
SHAPE_RATIO = 0.001  # ... this part of its radius, so that areas of thin strokes stay right too
TOUCH = 0.001  # mm; contact within this is contact

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
class Conductors(Columns):
    """Copper objects as columns; row i of every column is one connected piece of copper on one
    layer.

    A stroke that clear objects cut is an AREA that keeps its remaining centre line in `centres`;
    its pieces are rows of their own. Columns of length n unless said.
    """

    POOLS: ClassVar[tuple[str, ...]] = ("areas", "centres")

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

    def skeletons(self, rows: Rows | None = None) -> Shapes:
        """Skeletons as shapely Points, LineStrings and Polygons, made in bulk, shape (len(rows),)."""
        part = self if rows is None else self.take(rows)
        out: Shapes = np.empty(len(part), dtype=object)
        g, strokes = part.geometry, part.kind == Kind.STROKE
        dots = strokes & (g[:, 0] == g[:, 2]) & (g[:, 1] == g[:, 3])
        points, lines = dots | (part.kind == Kind.DISC), strokes & ~dots
        out[points] = shapely.points(g[points, :2])
        out[lines] = shapely.linestrings(g[lines, :4].reshape(-1, 2, 2))
        part._put(Kind.ARC, out, lambda arcs: arc_lines(g[arcs]))
        part._put(Kind.AREA, out, lambda areas: part.areas[part.area[areas]])
        return out

    def _put(self, kind: Kind, out: Any, made: Callable[[Rows], Any]) -> None:
        """Put what is made of the rows of one kind into their places."""
        rows = np.flatnonzero(self.kind == kind)
        if len(rows):
            out[rows] = made(rows)

    def slack(self) -> Floats:
        """How far each skeleton's shapely form may stray from the true skeleton, shape (n,)."""
        return np.where(self.kind == Kind.ARC, ARC_TOLERANCE, 0.0)

    def shapes(self, rows: Rows | None = None, *, inside: bool = False) -> Shapes:
        """Copper as Polygons, circumscribed or (`inside`) inscribed (see `shape_tolerance`), shape
        (len(rows),).
        """
        part = self if rows is None else self.take(rows)
        out: Shapes = np.empty(len(part), dtype=object)
        g, radius = part.geometry, part.radius
        round_ended = (part.kind == Kind.DISC) | (part.kind == Kind.STROKE)
        if round_ended.any():
            out[round_ended] = stadiums(
                part._ends()[round_ended], radius[round_ended], inside=inside
            )
        part._put(Kind.ARC, out, lambda arcs: arc_shapes(g[arcs], radius[arcs], inside=inside))
        part._put(Kind.AREA, out, lambda areas: part.areas[part.area[areas]])
        return out

    def _ends(self) -> Floats:
        """Both ends of strokes, and twice the centre of discs, (n, 4); meaningless for others."""
        discs = (self.kind == Kind.DISC)[:, None]
        begin, end = self.geometry[:, :2], self.geometry[:, 2:4]
        return np.hstack((begin, np.where(discs, begin, end)))

    def bounds(self) -> Floats:
        """Bounding boxes x0, y0, x1, y1 that contain each conductor, shape (n, 4)."""
        begin, end = self._ends()[:, :2], self._ends()[:, 2:]
        out = np.hstack((np.minimum(begin, end), np.maximum(begin, end)))
        self._put(Kind.ARC, out, lambda arcs: arc_bounds(self.geometry[arcs]))
        self._put(Kind.AREA, out, lambda areas: shapely.bounds(self.areas[self.area[areas]]))
        out[:, :2] -= self.radius[:, None]
        out[:, 2:] += self.radius[:, None]
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

    Parameters
    ----------
    a, b : skeletons in mm, (n,)
    radius_a, radius_b : half the widths in mm, (n,)
    slack : how far arcs may stray, mm

    Returns
    -------
    mm, (n,)
    """
    result: Floats = np.maximum(shapely.distance(a, b) - radius_a - radius_b - slack, 0.0)
    return result


def concatenate(parts: Sequence[Conductors]) -> Conductors:
    """Join tables one below the other; indices into `areas` and `centres` are shifted.

    Parameters
    ----------
    parts : tables of one board, in the order wanted
    """
    parts = [p for p in parts if len(p)] or list(parts[:1])
    if not parts:
        return conductors()
    columns = {
        f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Conductors)
    }
    columns["area"] = _shifted([(p.area, len(p.areas)) for p in parts])
    columns["centre"] = _shifted([(p.centre, len(p.centres)) for p in parts])
    return Conductors(**columns)


def _shifted(indices: Sequence[tuple[Ints, int]]) -> Ints:
    """Indices into pools, each with the size of its pool, as indices into the pools joined."""
    shifts = np.cumsum([0, *(size for _, size in indices[:-1])])
    joined = [np.where(i >= 0, i + s, -1) for (i, _), s in zip(indices, shifts, strict=True)]
    return np.concatenate(joined).astype(np.int32)


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
    pools: dict[str, Any] = {pool: _objects(columns.pop(pool, ())) for pool in ("areas", "centres")}
    return Conductors(**filled(n, NEUTRAL, columns, geometry=5), **pools)


NEUTRAL: Mapping[str, tuple[Any, Any]] = {
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


def filled(
    n: int, neutral: Mapping[str, tuple[Any, Any]], columns: dict[str, Any], **widths: int
) -> dict[str, Any]:
    """All columns of a table of n rows, those that are not given neutral; scalars are repeated.

    Parameters
    ----------
    neutral : neutral value and type of each plain column
    columns : what is given; it is emptied
    widths : numbers in a row of each wide column; these are neutral at 0

    Raises
    ------
    TypeError : a column is given that the table does not have
    """
    out: dict[str, Any] = {}
    for name, (value, dtype) in neutral.items():
        column = np.asarray(columns.pop(name, value), dtype=dtype)
        out[name] = np.broadcast_to(column, (n,)).copy() if column.ndim == 0 else column
    for name, width in widths.items():
        wide = np.asarray(columns.pop(name, np.zeros((n, width))), dtype=np.float64)
        out[name] = wide.reshape(n, width)
    if columns:
        raise TypeError(f"no such columns: {', '.join(columns)}")
    return out


def _objects(given: Sequence[Any]) -> Shapes:
    column = np.empty(len(given), dtype=object)
    column[:] = list(given)
    return column


def directions(angle: npt.NDArray[np.floating[Any]]) -> Floats:
    """Unit vectors at some angles (radians), shape (n, 2)."""
    return np.column_stack((np.cos(angle), np.sin(angle)))


def arc_steps(radius: Floats, sweep: Floats, tolerance: float = ARC_TOLERANCE) -> Ints:
    """Number of equal steps that keep a chord within `tolerance` of its arc, at least one per
    eighth turn.

    Parameters
    ----------
    radius : mm, (n,)
    sweep : rad, (n,)
    tolerance : mm

    Returns
    -------
    steps, (n,)
    """
    # never coarser than eighths
    ratio = np.clip(tolerance / np.maximum(radius, 1e-12), 1e-12, 0.07)
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
        return centre + radius * directions(start + delta * np.arange(steps + 1))
    turned = (np.arange(steps) + 0.5) * delta
    angles = np.concatenate(([start], start + turned, [start + sweep]))
    reach = np.concatenate(([radius], np.full(steps, radius / np.cos(delta / 2)), [radius]))
    points: Floats = centre + reach[:, None] * directions(angles)
    return points


def arc_lines(geometry: Floats) -> Shapes:
    """Polylines of arcs given as rows of Kind.ARC geometry, within ARC_TOLERANCE of them, made in
    bulk.

    Parameters
    ----------
    geometry : shape (n, 5)

    Returns
    -------
    LineStrings, shape (n,)
    """
    radius, start, sweep = geometry[:, 2], geometry[:, 3], geometry[:, 4]
    steps = arc_steps(radius, sweep)
    arc, place = repeated(np.arange(len(geometry)), steps + 1)
    angle = start[arc] + sweep[arc] * place / steps[arc]
    xy = geometry[arc, 0:2] + radius[arc, None] * directions(angle)
    lines: Shapes = shapely.linestrings(xy, indices=arc)
    return lines


def arc_bounds(geometry: Floats) -> Floats:
    """Boxes that contain arcs given as rows of Kind.ARC geometry, shape (n, 4)."""
    boxes: Floats = shapely.bounds(arc_lines(geometry))
    return boxes + np.array([-1, -1, 1, 1]) * ARC_TOLERANCE


def shape_tolerance(radius: Floats) -> Floats:
    """How far the circumscribed shape of round copper of these radii may exceed it, mm.

    Parameters
    ----------
    radius : mm, (n,)

    Returns
    -------
    mm, (n,)
    """
    return np.minimum(SHAPE_TOLERANCE, SHAPE_RATIO * radius)


def stadiums(ends: Floats, radius: Floats, *, inside: bool = False) -> Shapes:
    """Circumscribed polygons of strokes with round ends (discs where both ends agree), made in
    bulk.

    The straight sides are exact; the ends exceed the half circle by at most `shape_tolerance`, or
    (`inside`) stay below it by at most that.

    Parameters
    ----------
    ends : x0, y0, x1, y1 of each centre line, shape (n, 4)
    radius : half the widths, shape (n,)

    Returns
    -------
    Polygons, shape (n,)
    """
    out: Shapes = np.empty(len(ends), dtype=object)
    radius = np.maximum(radius, 1e-9)  # a line of width 0 still needs a shape
    half = np.arccos(radius / (radius + shape_tolerance(radius)))
    steps = np.maximum(np.ceil(np.pi / (2 * half)), 2).astype(np.int64)  # per half circle
    for count in np.unique(steps):
        rows = steps == count
        out[rows] = _stadiums_of(ends[rows], radius[rows], _cap(int(count), inside))
    return out


def _cap(steps: int, inside: bool) -> Floats:
    """The round end of a stroke of radius 1 that runs along x, from below to above, (k, 2)."""
    delta = np.pi / steps
    if inside:
        cap = directions(-np.pi / 2 + delta * np.arange(steps + 1))
    else:
        turned = -np.pi / 2 + delta * (np.arange(steps) + 0.5)
        reach = np.concatenate(([1.0], np.full(steps, 1 / np.cos(delta / 2)), [1.0]))
        cap = reach[:, None] * directions(np.concatenate(([-np.pi / 2], turned, [np.pi / 2])))
    cap[[0, -1], 0] = 0.0  # both caps of a disc end in the very same points
    return cap


def _stadiums_of(ends: Floats, radius: Floats, cap: Floats) -> Shapes:
    """Stadiums whose round ends are turned and scaled copies of one cap."""
    heading = radius[:, None] * _headings(ends)
    x, y = heading[:, 0:1], heading[:, 1:2]
    reach = np.dstack((x * cap[:, 0] - y * cap[:, 1], y * cap[:, 0] + x * cap[:, 1]))
    ring = np.empty((len(ends), 2 * len(cap) + 1, 2))
    np.add(ends[:, None, 2:4], reach, out=ring[:, : len(cap)])
    np.subtract(ends[:, None, 0:2], reach, out=ring[:, len(cap) : -1])
    ring[:, -1] = ring[:, 0]
    return ring_polygons(ring.reshape(-1, 2), np.full(len(ring), ring.shape[1]))


def _headings(ends: Floats) -> Floats:
    """Unit vectors from the first end to the second, along x where both agree, (n, 2)."""
    along = ends[:, 2:4] - ends[:, 0:2]
    length = np.hypot(along[:, 0], along[:, 1])[:, None]
    return np.where(length > 0, along / np.where(length > 0, length, 1.0), [1.0, 0.0])


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
    run = partial(_arc_run, tolerance=shape_tolerance(radius))
    end, half = start + sweep, np.pi * np.sign(sweep)
    first, last = (centre + reach[:, None] * directions(angle) for angle in (start, end))
    return _rings_of_runs(
        [
            run(centre, reach + radius, start, sweep, outside=not inside),
            run(last, radius, end, half, outside=not inside),
            run(centre, reach - radius, end, -sweep, outside=inside),
            run(first, radius, start + np.pi, half, outside=not inside),
        ]
    )


def _rings_of_runs(runs: Sequence[tuple[Floats, Rows]]) -> Shapes:
    """Polygons whose ring is one piece of each run in turn, closed.

    Parameters
    ----------
    runs : points of the pieces one after the other, and how many belong to each
    """
    counts = np.column_stack([count for _, count in runs])
    lengths = counts.sum(axis=1) + 1
    begins = np.cumsum(lengths) - lengths
    ring = np.empty((int(lengths.sum()), 2))
    places = begins[:, None] + np.cumsum(counts, axis=1) - counts
    for (points, count), place in zip(runs, places.T, strict=True):
        at, step = repeated(place, count)
        ring[at + step] = points
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
) -> tuple[Floats, Rows]:
    """Points of arcs one after the other, the last of each left out, and how many belong to each.

    On the arc, or (`outside`) its start followed by the corners of tangents, nowhere inside the
    circle.
    """
    ratio = np.clip(tolerance / radius, 1e-12, 0.07)
    chords = np.ceil(np.abs(sweep) / (2 * np.arccos(1 / (1 + ratio))))
    steps = np.maximum(chords, 1).astype(np.int64)
    counts = steps + outside
    arc, place = repeated(np.arange(len(counts)), counts)
    corner = outside & (place > 0)
    angle = start[arc] + sweep[arc] * (place - 0.5 * corner) / steps[arc]
    stretched = radius[arc] * np.where(corner, 1 / np.cos(sweep / steps / 2)[arc], 1.0)
    points: Floats = centre[arc] + stretched[:, None] * directions(angle)
    return points, counts


def _arc_shape(geometry: Floats, radius: float, *, inside: bool) -> shapely.Geometry:
    """A circumscribed or inscribed polygon of one arc stroke: ring sector and two round ends."""
    x, y, reach, start, sweep = (float(v) for v in geometry)
    radius = max(radius, 1e-9)
    run = partial(arc_points, tolerance=float(shape_tolerance(np.array(radius))))
    outer = run((x, y), reach + radius, start, sweep, side=int(not inside))
    hollow = reach > radius
    inner = np.array([[x, y]])
    if hollow:
        inner = run((x, y), reach - radius, start, sweep, side=int(inside))
    if abs(sweep) >= 2 * np.pi - 1e-9:
        outer[-1], inner[-1] = outer[0], inner[0]  # closed exactly, whatever the sines say
        return shapely.Polygon(outer, [inner] if hollow else None)
    tips = np.array([x, y]) + reach * directions(np.array([start, start + sweep]))
    caps = stadiums(np.hstack((tips, tips)), np.full(2, radius), inside=inside)
    sector = shapely.make_valid(shapely.Polygon(np.concatenate((outer, inner[::-1]))))
    return shapely.union_all([sector, *caps])


def repeated(rows: Rows, count: npt.NDArray[np.integer[Any]]) -> tuple[Rows, Rows]:
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
    parts = np.split(order, np.flatnonzero(np.diff(label[order])) + 1)
    return sorted(part.tolist() for part in parts if len(part))
