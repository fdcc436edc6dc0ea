"""Exact distances between conductors, with the points where they are taken, and the closest pairs
among many.

Every conductor is a skeleton inflated by a radius (see parsers.primitives): its distance from
another is that of the skeletons less both radii. Points, segments and polygons go through shapely,
which is exact for them; arcs are solved in closed form. For searching, conductors are cut into
small *pieces*: large polygons into runs of a few edges, so that a bounding box tells something.
Arcs are searched as polylines that are taken closer than they are (`slack`), and the pairs that may
be the closest are then measured in closed form.

Units: mm, radians.

Literature, from memory: branch and bound over a tree of boxes; a distance of boxes bounds that of
what they hold.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from checker.geometry.boxes import box_gaps, box_spans
from checker.geometry.corridor import corridor
from parsers.columns import Columns
from parsers.primitives import (
    ARC_TOLERANCE,
    Bools,
    Conductors,
    Floats,
    Kind,
    Rows,
    Shapes,
    each,
    repeated,
)

Keys = npt.NDArray[np.int64]

RUN = 16  # edges of a large polygon in one piece
BLOCK = 1500  # pieces of the first side searched at once: bounds the memory of candidate pairs
# mm; lengths that differ by less are equal, so that rounding does not choose between them
SAME = 1e-9
MOST_SLACK = 2 * ARC_TOLERANCE  # mm; how much closer than it is a pair may be taken
FULL = 2 * np.pi - 1e-9  # sweep of a full circle


@dataclass(frozen=True, slots=True)
class Pieces(Columns):
    """Conductors cut for searching; columns of length n."""

    shape: Shapes  # Points, LineStrings, small Polygons; a large polygon whole where `solid`
    row: Rows  # of the conductor
    radius: Floats
    slack: Floats
    arc: Floats  # (n, 5) exact arc, NaN for everything else
    solid: Bools  # a large polygon: only asked whether it contains something
    box: Floats  # (n, 4) of the copper

    def __len__(self) -> int:
        return len(self.row)


@dataclass(frozen=True, slots=True)
class Nearest:
    """The closest pair of each group; columns of length m, ordered by key."""

    key: Keys
    length: Floats
    first: Rows  # conductor of the first side
    second: Rows
    start: Floats  # (m, 2) on the first conductor's surface
    end: Floats  # (m, 2) on the second's

    def __len__(self) -> int:
        return len(self.key)


@dataclass(frozen=True, slots=True)
class Judged:
    """What the asker says of candidate pairs: which group, how far apart in height, and how close
    is of interest.
    """

    key: Keys
    rise: Floats  # mm
    limit: Floats  # mm; pairs not below it are left out


Judge = Callable[[Rows, Rows], Judged]  # conductor rows of both sides


def pieces(copper: Conductors, rows: Rows) -> Pieces:
    """Cut conductors for searching.

    Parameters
    ----------
    copper : conductors in mm
    rows : those of them that are wanted, (n,)

    Notes
    -----
    Linear in the number of edges. A polygon of more than RUN edges becomes runs of its edges and
    one solid piece.
    """
    part = copper.take(rows)
    shapes = part.skeletons()
    large = (part.kind == Kind.AREA) & (shapely.get_num_coordinates(shapes) > RUN + 1)
    runs, owner = _runs(shapes[large])
    shape = np.concatenate((shapes, runs))
    place = np.concatenate((np.arange(len(rows)), np.flatnonzero(large)[owner]))
    arc = np.where((part.kind == Kind.ARC)[:, None], part.geometry, np.nan)[place]
    radius = part.radius[place]
    solid = np.concatenate((large, np.zeros(len(runs), dtype=np.bool_)))
    slack = part.slack()[place]
    box = shapely.bounds(shape) + (radius + slack)[:, None] * np.array([-1.0, -1.0, 1.0, 1.0])
    return Pieces(shape, rows[place], radius, slack, arc, solid, box.reshape(-1, 4))


def _runs(polygons: Shapes) -> tuple[Shapes, Rows]:
    """LineStrings of up to RUN edges along every ring, and the polygon that each belongs to."""
    if not len(polygons):
        return np.empty(0, dtype=object), np.empty(0, dtype=np.intp)
    rings, polygon_of = shapely.get_rings(polygons, return_index=True)
    xy, ring_of = shapely.get_coordinates(rings, return_index=True)
    points = np.bincount(ring_of, minlength=len(rings))
    first = np.cumsum(points) - points
    ring, number = repeated(np.arange(len(rings)), -(-(points - 1) // RUN))
    size = np.minimum(points[ring] - number * RUN, RUN + 1)
    run, step = repeated(np.arange(len(ring)), size)
    lines: Shapes = shapely.linestrings(xy[(first[ring] + number * RUN)[run] + step], indices=run)
    return lines, polygon_of[ring]


def closest_of(
    copper: Conductors, first: Rows, second: Rows, reach: float, judge: Judge
) -> Nearest:
    """As `closest`, of conductors: those out of reach of all of the other side are never cut."""
    boxes = copper.take(first).bounds(), copper.take(second).bounds()
    one, other, _ = corridor(*boxes, np.empty((0, 4)), reach)
    return closest(pieces(copper, first[one]), pieces(copper, second[other]), reach, judge)


def closest(a: Pieces, b: Pieces, reach: float, judge: Judge) -> Nearest:
    """Find the closest pair of every group of pairs.

    Parameters
    ----------
    reach : no limit that `judge` gives is greater, mm
    judge : puts pairs of conductors into groups; see Judged

    Notes
    -----
    Candidates come from an index over bounding boxes. Within a group the pairs are measured in the
    order of the distance of their boxes until that exceeds the best, so pairs that cannot win cost
    no geometry.
    """
    found: list[_Candidates] = []
    if len(a) and len(b) and reach > 0:
        boxes = shapely.STRtree(shapely.box(*b.box.T))
        points = shapely.STRtree(_first_points(b.shape))
        for block in each(np.arange(len(a)), BLOCK):
            part = a.take(block)
            found.append(_best_of(_pairs(part, b, boxes, points, reach), part, b, judge, block))
        own = shapely.STRtree(_first_points(a.shape))
        found.append(_best_of(_around(a, b, own), a, b, judge, np.arange(len(a))))
    return _measured(_joined(found), a, b)


@dataclass(frozen=True, slots=True)
class _Candidates(Columns):
    i: Rows
    j: Rows
    key: Keys
    rise: Floats
    value: Floats  # never above the true distance


def _first_points(shapes: Shapes) -> Shapes:
    """One point of each shape."""
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    first = np.searchsorted(owner, np.arange(len(shapes)))
    points: Shapes = shapely.points(xy[first])
    return points


def _pairs(
    a: Pieces, b: Pieces, boxes: shapely.STRtree, points: shapely.STRtree, reach: float
) -> tuple[Rows, Rows]:
    """Pairs of pieces whose boxes are within reach, and pairs of a solid of `a` with what begins
    inside it.
    """
    grown = a.box + reach * np.array([-1.0, -1.0, 1.0, 1.0])
    i, j = boxes.query(shapely.box(*grown.T))
    outlines = ~a.solid[i] & ~b.solid[j]
    solid = np.flatnonzero(a.solid)
    s, t = points.query(a.shape[solid], predicate="intersects")
    return np.concatenate((i[outlines], solid[s])), np.concatenate((j[outlines], t))


def _around(a: Pieces, b: Pieces, own: shapely.STRtree) -> tuple[Rows, Rows]:
    """Pairs of a piece of `a` with the solid of `b` that it begins in."""
    solid = np.flatnonzero(b.solid)
    s, i = own.query(b.shape[solid], predicate="intersects")
    return i, solid[s]


def _best_of(
    pair: tuple[Rows, Rows], a: Pieces, b: Pieces, judge: Judge, names: Rows
) -> _Candidates:
    """Pairs that may be the closest of their group, measured; `names` numbers the pieces of `a`."""
    i, j = pair
    judged = judge(a.row[i], b.row[j])
    bound = np.hypot(box_gaps(a.box[i], b.box[j]), judged.rise)
    near = np.flatnonzero(bound < judged.limit)
    near = near[_in_the_running(box_spans(a.box[i[near]], b.box[j[near]]), judged, bound, near)]
    # order of rows tells nothing
    corner = (a.box[i[near], 0], a.box[i[near], 1], b.box[j[near], 0], b.box[j[near], 1])
    order = near[np.lexsort((*corner, bound[near], judged.key[near]))]
    pairs = _Candidates(i, j, judged.key, judged.rise, bound).take(order)
    won = _by_rounds(pairs, judged.limit[order], a, b)
    return replace(won, i=names[won.i])


def _in_the_running(span: Floats, judged: Judged, bound: Floats, near: Rows) -> Bools:
    """Which of some pairs no other pair of their group beats for certain: most need not be sorted
    at all.
    """
    if not len(near):
        return np.zeros(0, dtype=np.bool_)
    group = _groups(judged.key[near])
    most = np.hypot(span, judged.rise[near]) + 2 * MOST_SLACK
    cap = np.full(int(group.max()) + 1, np.inf)
    np.minimum.at(cap, group, np.where(most < judged.limit[near], most, np.inf))
    running: Bools = bound[near] <= cap[group] + 2 * SAME
    return running


def _groups(keys: Keys) -> Keys:
    """Numbers from 0 that are equal where keys are, few more than there are keys."""
    group: Keys = keys - keys.min()
    if group.max() > len(keys):
        group = np.unique(keys, return_inverse=True)[1].astype(np.int64)
    return group


def _by_rounds(pairs: _Candidates, limit: Floats, a: Pieces, b: Pieces) -> _Candidates:
    """Measure pairs (sorted by key, then bound), most promising first; keep those that may be the
    closest.
    """
    if not len(pairs.key):
        return pairs
    starts = np.flatnonzero(np.concatenate(([True], pairs.key[1:] != pairs.key[:-1])))
    group, place = repeated(np.arange(len(starts)), np.diff(np.append(starts, len(pairs.key))))
    best = np.full(len(starts), np.inf)
    value = np.full(len(group), np.inf)
    done, upto = 0, 1
    while done <= place.max():
        open_ = (pairs.value <= best[group] + SAME) & (best[group] > pairs.rise)
        at = np.flatnonzero((place >= done) & (place < upto) & open_)
        value[at], surely = _bounds(pairs.take(at), a, b)
        surely[value[at] >= limit[at]] = np.inf
        np.minimum.at(best, group[at], surely)
        done, upto = upto, upto * 4
    kept = np.flatnonzero((value < limit) & (value <= best[group] + SAME))
    return replace(pairs, value=value).take(kept)


def _bounds(pairs: _Candidates, a: Pieces, b: Pieces) -> tuple[Floats, Floats]:
    """No more than the length of each pair, and no less than it."""
    low = _measure(a, pairs.i, b, pairs.j, pairs.rise)
    return low, low + (a.slack[pairs.i] + b.slack[pairs.j])


def _measure(a: Pieces, i: Rows, b: Pieces, j: Rows, rise: Floats) -> Floats:
    """Distances of pieces, arcs closer than they are by up to twice their slack; a solid holds what
    it is asked for.
    """
    apart = np.zeros(len(i))
    lines = np.flatnonzero(~a.solid[i] & ~b.solid[j])
    apart[lines] = shapely.distance(a.shape[i[lines]], b.shape[j[lines]])
    inflated = a.radius[i] + b.radius[j] + a.slack[i] + b.slack[j]
    lengths: Floats = np.hypot(np.maximum(apart - inflated, 0.0), rise)
    return lengths


def _joined(parts: list[_Candidates]) -> _Candidates:
    """Candidates of all blocks, less those that another block beats."""
    if not parts:
        none = np.empty(0, dtype=np.intp)
        return _Candidates(none, none, none.astype(np.int64), np.empty(0), np.empty(0))
    names = ("i", "j", "key", "rise", "value")
    every = _Candidates(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))
    keys, group = np.unique(every.key, return_inverse=True)
    best = np.full(len(keys), np.inf)
    np.minimum.at(best, group, every.value)
    return every.take(every.value <= best[group] + 2 * MOST_SLACK + SAME)


def _measured(found: _Candidates, a: Pieces, b: Pieces) -> Nearest:
    """The closest pair of each group in closed form; of equal ones the leftmost, lowest."""
    gap, start, end = exact(a.take(found.i), b.take(found.j))
    length = np.hypot(gap, found.rise)
    keys, group = np.unique(found.key, return_inverse=True)
    best = np.full(len(keys), np.inf)
    np.minimum.at(best, group, length)
    level = length > best[group] + SAME
    order = np.lexsort((end[:, 1], end[:, 0], start[:, 1], start[:, 0], level, group))
    first = order[np.searchsorted(group[order], np.arange(len(keys)))]
    i, j = found.i[first], found.j[first]
    start, end = _at_the_middle(a.take(i), b.take(j), start[first], end[first])
    return Nearest(keys, best, a.row[i], b.row[j], start, end)


def _at_the_middle(a: Pieces, b: Pieces, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Points of shortest distance, pair by pair, moved to the middle of edges that face each
    other.
    """
    moves = [
        _to_the_middle(((a.shape[n], -a.radius[n], start[n]), (b.shape[n], b.radius[n], end[n])))
        for n in range(len(a))
    ]
    shift = np.array(moves).reshape(-1, 2)
    return start + shift, end + shift


def _to_the_middle(skeletons: tuple[tuple[shapely.Geometry, float, Floats], ...]) -> Floats:
    """How far to move the points where a distance is taken to the middle of two straight edges that
    face each other.

    Parameters
    ----------
    skeletons : of both sides: the shape, how far it lies behind (negative) or beyond the point, and
        the point
    """
    line = skeletons[1][2] - skeletons[0][2]
    gap = float(np.hypot(line[0], line[1]))
    if gap <= SAME:
        return np.zeros(2)
    normal = line / gap
    along = np.array([-normal[1], normal[0]])
    facing = [_facing_edges(*skeleton, normal, along) for skeleton in skeletons]
    if not all(map(len, facing)):
        return np.zeros(2)
    low = max(place[:, 0].min() for place in facing)
    high = min(place[:, 1].max() for place in facing)
    shift: Floats = along * (low + high) / 2
    return shift


def _facing_edges(
    shape: shapely.Geometry, offset: float, point: Floats, normal: Floats, along: Floats
) -> Floats:
    """From where to where, seen from the point, the edges under it run that are square to the
    normal; (n, 2).
    """
    edges = edges_of(shape).reshape(-1, 2, 2) - point
    place = np.sort(edges @ along, axis=1)
    facing = (np.abs(edges @ normal - offset) <= SAME).all(axis=1)
    facing &= (place[:, 0] <= SAME) & (place[:, 1] >= -SAME)
    return place[facing]


# -------------------------------------------------------------------------------------- exact pairs


def between(
    a: Conductors, rows_a: Rows, b: Conductors, rows_b: Rows
) -> tuple[Floats, Floats, Floats]:
    """Exact distances of conductors, pair by pair, seen from above, with the points where they are
    taken.

    Returns
    -------
    gap : (n,) mm, 0 where they touch or overlap
    start, end : (n, 2) on the surfaces of the conductors

    Examples
    --------
    >>> import numpy as np
    >>> from parsers.primitives import Kind, conductors
    >>> dots = conductors(2, kind=Kind.DISC, geometry=[[0, 0, 0, 0, 0], [5, 0, 0, 0, 0]], radius=1.0)
    >>> gap, start, end = between(dots, np.array([0]), dots, np.array([1]))
    >>> gap.tolist(), start.tolist(), end.tolist()
    ([3.0], [[1.0, 0.0]], [[4.0, 0.0]])
    """
    return exact(_whole(a, rows_a), _whole(b, rows_b))


def _whole(copper: Conductors, rows: Rows) -> Pieces:
    """One piece per conductor."""
    part = copper.take(rows)
    arc = np.where((part.kind == Kind.ARC)[:, None], part.geometry, np.nan)
    none = np.zeros(len(rows), dtype=np.bool_)
    return Pieces(
        part.skeletons(), rows, part.radius, part.slack(), arc, none, np.empty((len(rows), 4))
    )


def exact(a: Pieces, b: Pieces) -> tuple[Floats, Floats, Floats]:
    """Exact distances of pieces, pair by pair; see `between`.

    Parameters
    ----------
    a, b : pieces of one length n

    Returns
    -------
    lengths in mm, (n,), and points on the first and on the second, (n, 2)
    """
    start, end = np.empty((len(a), 2)), np.empty((len(a), 2))
    curved = ~np.isnan(a.arc[:, 0]) | ~np.isnan(b.arc[:, 0])
    straight = np.flatnonzero(~curved)
    lines = shapely.shortest_line(a.shape[straight], b.shape[straight])
    if len(straight):
        ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
        start[straight], end[straight] = ends[:, 0], ends[:, 1]
    for row in np.flatnonzero(curved):
        start[row], end[row] = _curved(a, b, int(row))
    return _off_skeleton(start, end, a.radius, b.radius)


def _off_skeleton(
    start: Floats, end: Floats, ra: Floats, rb: Floats
) -> tuple[Floats, Floats, Floats]:
    """Move the nearest points of two skeletons to the surfaces; overlapping copper meets in one
    point.
    """
    along = end - start
    apart = np.hypot(along[:, 0], along[:, 1])
    unit = along / np.where(apart > 0, apart, 1.0)[:, None]
    gap = np.maximum(apart - ra - rb, 0.0)
    out_a = np.minimum(ra, apart)
    start = start + unit * out_a[:, None]
    return gap, start, start + unit * gap[:, None]


def _curved(a: Pieces, b: Pieces, row: int) -> tuple[Floats, Floats]:
    """Nearest points of two skeletons of which at least one is an arc."""
    if np.isnan(a.arc[row, 0]):
        end, start = _curved(b, a, row)
        return start, end
    arc = a.arc[row : row + 1]
    if not np.isnan(b.arc[row, 0]):
        start, end = arc_to_arc(arc, b.arc[row : row + 1])
        return start[0], end[0]
    edges = edges_of(b.shape[row])
    if b.shape[row].geom_type == "Polygon":
        tip: Floats = _tips(arc)[0][0]
        if shapely.intersects_xy(b.shape[row], *tip):
            return tip, tip.copy()
    end, start = segment_to_arc(edges, np.repeat(arc, len(edges), axis=0))
    best = int(np.argmin(np.hypot(*(end - start).T)))
    return start[best], end[best]


def edges_of(shape: shapely.Geometry) -> Floats:
    """Edges of a Point, LineString or Polygon as segments, shape (k, 4).

    Parameters
    ----------
    shape : in mm
    """
    if shape.geom_type == "Point":
        return np.array([[shape.x, shape.y, shape.x, shape.y]])
    rings = shapely.get_rings(shape) if shape.geom_type == "Polygon" else np.array([shape])
    xy = [shapely.get_coordinates(ring) for ring in rings]
    edges: Floats = np.concatenate([np.hstack((p[:-1], p[1:])) for p in xy])
    return edges


def point_to_arc(point: Floats, arc: Floats) -> Floats:
    """Nearest points on arcs, pair by pair.

    Parameters
    ----------
    point : (..., 2)
    arc : (..., 5) centre x, centre y, radius, start angle, sweep
    """
    centre, radius, start, sweep = arc[..., 0:2], arc[..., 2], arc[..., 3], arc[..., 4]
    away = point - centre
    angle = np.arctan2(away[..., 1], away[..., 0])
    turned = np.mod((angle - start) * np.sign(sweep), 2 * np.pi)
    within = (turned <= np.abs(sweep)) | (np.abs(sweep) >= FULL)
    tips = [_on_arc(centre, radius, a) for a in (start, start + sweep)]
    nearer = _gap(point, tips[0]) <= _gap(point, tips[1])
    tip = np.where(nearer[..., None], tips[0], tips[1])
    nearest: Floats = np.where(within[..., None], _on_arc(centre, radius, angle), tip)
    return nearest


def segment_to_arc(segment: Floats, arc: Floats) -> tuple[Floats, Floats]:
    """Nearest points of segments and arcs, pair by pair: on the segments, on the arcs, both (n, 2).

    Parameters
    ----------
    segment : x0, y0, x1, y1 in mm, (n, 4)
    arc : centre x, centre y, radius, start angle, sweep, (n, 5)

    Notes
    -----
    The nearest point of the segment is one of its ends, the foot of the perpendicular from the
    arc's centre, a point where it meets the circle, or the foot of the perpendicular from an end of
    the arc.
    """
    start, along = segment[:, 0:2], segment[:, 2:4] - segment[:, 0:2]
    share = _shares_near(start, along, arc)
    on_segment = start + np.clip(share, 0.0, 1.0)[..., None] * along
    each_arc = np.broadcast_to(arc, (len(share), *arc.shape))
    return _least(on_segment, point_to_arc(on_segment, each_arc))


def _shares_near(start: Floats, along: Floats, arc: Floats) -> Floats:
    """Where on lines the nearest point of an arc may be, as shares of their length, (7, n)."""
    centre, radius = arc[:, 0:2], arc[:, 2]
    square = np.maximum((along**2).sum(axis=1), 1e-300)

    def foot(point: Floats) -> Floats:
        share: Floats = ((point - start) * along).sum(axis=1) / square
        return share

    middle = foot(centre)
    height = _gap(centre, start + middle[:, None] * along)
    reach = np.sqrt(np.maximum(radius**2 - height**2, 0.0) / square)
    tips = [foot(_on_arc(centre, radius, arc[:, 3] + turn)) for turn in (0.0, arc[:, 4])]
    ends = np.zeros(len(start)), np.ones(len(start))
    return np.stack([*ends, middle, middle - reach, middle + reach, *tips])


def arc_to_arc(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Nearest points of arcs, pair by pair: on the first, on the second, both (n, 2).

    Parameters
    ----------
    a, b : centre x, centre y, radius, start angle, sweep; mm and rad, (n, 5)

    Notes
    -----
    The nearest point of an arc is one of its ends, the one nearest to an end of the other, one on
    the line of centres, or one where the circles meet.
    """
    on_a = np.stack([*_tips(a), *_facing(a, b), *(point_to_arc(tip, a) for tip in _tips(b))])
    on_a = point_to_arc(on_a, np.broadcast_to(a, (len(on_a), *a.shape)))
    return _least(on_a, point_to_arc(on_a, np.broadcast_to(b, (len(on_a), *b.shape))))


def _tips(arc: Floats) -> tuple[Floats, Floats]:
    centre, radius = arc[:, 0:2], arc[:, 2]
    return _on_arc(centre, radius, arc[:, 3]), _on_arc(centre, radius, arc[:, 3] + arc[:, 4])


def _facing(a: Floats, b: Floats) -> list[Floats]:
    """Points of the first circles on the line of centres, and where the circles meet."""
    away = b[:, 0:2] - a[:, 0:2]
    apart = np.hypot(away[:, 0], away[:, 1])
    unit = away / np.where(apart > 0, apart, 1.0)[:, None]
    along = (apart**2 + a[:, 2] ** 2 - b[:, 2] ** 2) / np.where(apart > 0, 2 * apart, 1.0)
    along = np.clip(along, -a[:, 2], a[:, 2])
    across = np.sqrt(np.maximum(a[:, 2] ** 2 - along**2, 0.0))
    normal = np.column_stack((-unit[:, 1], unit[:, 0]))
    centre, reach = a[:, 0:2], a[:, 2:3]
    base = centre + along[:, None] * unit
    lift = across[:, None] * normal
    return [centre + reach * unit, centre - reach * unit, base + lift, base - lift]


def _on_arc(centre: Floats, radius: Floats, angle: Floats) -> Floats:
    points: Floats = centre + radius[..., None] * np.stack((np.cos(angle), np.sin(angle)), axis=-1)
    return points


def _gap(a: Floats, b: Floats) -> Floats:
    gap: Floats = np.hypot(a[..., 0] - b[..., 0], a[..., 1] - b[..., 1])
    return gap


def _least(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """The nearest of stacked pairs of points, (k, n, 2) to (n, 2)."""
    best = np.argmin(_gap(a, b), axis=0)
    pick = (best, np.arange(a.shape[1]))
    return a[pick], b[pick]
