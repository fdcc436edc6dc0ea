"""Free edges of a board: the rims of its outline, cutouts, unplated holes and slots, and what they
block.

Three views of them, each erring towards shorter paths:
- `Rims`: straight pieces of every rim, board on the left, where a path may leave the face for the
  wall;
- `Corners`: the points that a path on a face can bend round;
- `Sight`: whether a straight line on a face stays on the board.

Round ends and holes are drawn with chords that lie inside them by at most `EDGE_TOLERANCE` (the
hole is never too large), so a way round an end is never too long, and short by at most a third of
that tolerance per radian turned. A curved rim may lie `slack` off its piece; whoever measures to it
subtracts that.

References: IEC 60664-1 (2007), 6.2: grooves narrower than X are bridged by a link of length X.

Literature, from memory: morphological opening (a shape rolled through by a disc: image analysis,
any textbook), of which bridged grooves are the complement; reflex vertices and visibility
(computational geometry, any textbook).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import NamedTuple

import numpy as np
import shapely
from shapely.geometry.polygon import orient

from checker.geometry.segments import cross
from parsers.primitives import (
    ARC_TOLERANCE,
    Bools,
    Floats,
    Ints,
    Rows,
    Shapes,
    arc_points,
    repeated,
)

EDGE_TOLERANCE = 0.0001  # mm; sagitta of the chords of round slot ends and holes
# mm; a slot as wide as X but for this counts as wide as X (IEC 60664-1, 6.2: the limit is a groove)
NARROW = 1e-6
# mm; what remains of a void after rolling a disc through it is noise if thinner than twice this
SLIVER = 0.001
STEPS = 64  # chords per quarter turn of the rolled disc
SMOOTH = np.radians(46.0)  # chords of an arc turn by no more than an eighth of a circle
_STRIP = 5e-5  # mm; half the width of the thinnest strip that shrinking a void leaves for certain
# chords of a round hole are about as long as their median, and more than a few
_LONG, _FEW = (3.0, 8)
# radians; turns that differ no more are equal, and walls that lean so little are upright
_ROUNDED = 0.03
_STRAIGHT = 1e-4  # radians; a vertex that turns less is none
# a tip that turns more may lie 3 SLIVER off what is left of its corner shrunk by SLIVER
_SHARP = np.radians(100.0)
PUSH = 1e-6  # mm; sight is blocked that far inside a void, so that a path may run along its rim


@dataclass(frozen=True, slots=True)
class Rims:
    """Straight pieces of all rims as columns, board on the left; loops are closed."""

    ends: Floats  # (n, 4) x0, y0, x1, y1
    s: Floats  # distance of the start along the loop
    length: Floats
    loop: Ints
    slack: Floats  # how far the true rim may lie off this piece
    # angle by which the board reaches round the start (0 for a corner that sticks out)
    bend_before: Floats
    bend_after: Floats  # the same at the end
    perimeter: Floats  # per loop

    def __len__(self) -> int:
        return len(self.s)

    def within(self, area: shapely.Geometry) -> Bools:
        """Which pieces reach into an area."""
        mask: Bools = shapely.intersects(area, shapely.linestrings(self.ends.reshape(-1, 2, 2)))
        return mask

    def at(self, loop: int, s: float) -> tuple[float, float]:
        """The point at distance s (of any size or sign) along a loop."""
        x, y = self.points(np.array([loop]), np.array([s]))[0].tolist()
        return x, y

    def points(self, loop: Rows | Ints, s: Floats) -> Floats:
        """The same for many, (n, 2)."""
        begins = np.cumsum(self.perimeter) - self.perimeter
        first = np.searchsorted(self.loop, loop)
        s = s % self.perimeter[loop]
        row = np.searchsorted(begins[self.loop] + self.s, begins[loop] + s, side="right") - 1
        row = np.clip(row, first, np.searchsorted(self.loop, loop, side="right") - 1)
        part = np.clip((s - self.s[row]) / self.length[row], 0.0, 1.0)[:, None]
        points: Floats = self.ends[row, 0:2] + part * (self.ends[row, 2:4] - self.ends[row, 0:2])
        return points

    def between(self, loop: int, s0: float, s1: float) -> list[tuple[float, float]]:
        """Points of a loop from s0 to s1, ends and the corners between included; s1 < s0 runs
        backwards.
        """
        low, high = min(s0, s1), max(s0, s1)
        starts, round_ = self.s[self.loop == loop], float(self.perimeter[loop])
        turns = np.arange(np.floor(low / round_), np.floor(high / round_) + 1)
        corners = np.sort((starts[:, None] + turns * round_).ravel())
        inner = corners[(corners > low) & (corners < high)]
        places = [low, *inner.tolist(), high]
        points = [self.at(loop, s) for s in places]
        return points if s0 <= s1 else points[::-1]


@dataclass(frozen=True, slots=True)
class Corners:
    """Points where the board reaches round a corner, with their neighbours on the rim."""

    at: Floats  # (n, 2)
    before: Floats  # (n, 2)
    after: Floats  # (n, 2)

    def __len__(self) -> int:
        return len(self.at)

    def taut(self, corner: Rows, points: Floats) -> Bools:
        """Whether a path from each point can bend round its corner and be a shortest one.

        It can if both neighbours of the corner lie on one side of the line through point and
        corner.
        """
        at = self.at[corner]
        line = at - points
        a, b = cross(line, self.before[corner] - at), cross(line, self.after[corner] - at)
        tiny = 1e-12 + 1e-9 * np.hypot(line[:, 0], line[:, 1])
        mask: Bools = ((a >= -tiny) & (b >= -tiny)) | ((a <= tiny) & (b <= tiny))
        return mask

    def taut_towards(self, corner: Rows, boxes: Floats) -> Bools:
        """Whether a path from some point of each box can bend round its corner; may say yes too
        often.
        """
        at = self.at[corner]
        before, after = self.before[corner] - at, self.after[corner] - at
        sides = np.empty((2, 4, len(corner)))
        for k, (i, j) in enumerate(((0, 1), (2, 1), (0, 3), (2, 3))):
            point = boxes[:, [i, j]] - at
            sides[:, k] = cross(point, before), cross(point, after)
        sides[np.abs(sides) <= 1e-9] = 0.0
        apart = (sides[0] * sides[1] < 0).all(axis=0)
        same = (sides[0] > 0).all(axis=0) | (sides[0] < 0).all(axis=0)
        mask: Bools = ~(apart & same)
        return mask


class Sight:
    """Answers whether straight lines on a face stay on the board."""

    def __init__(self, region: shapely.Geometry) -> None:
        pieces = [pushed for ring in rings_of(region) if (pushed := _pushed(ring)) is not None]
        ends = np.concatenate(pieces) if pieces else np.empty((0, 4))
        self._tree = shapely.STRtree(shapely.linestrings(ends.reshape(-1, 2, 2)))

    def clear(self, start: Floats, end: Floats) -> Bools:
        """Mask of the lines from start to end, both (n, 2), that no void blocks."""
        mask: Bools = np.ones(len(start), dtype=bool)
        if len(self._tree) and len(start):
            lines = shapely.linestrings(np.stack((start, end), axis=1))
            mask[np.unique(self._tree.query(lines, predicate="intersects")[0])] = False
        return mask

    def all_clear(self, triangles: Floats) -> Bools:
        """Mask of the triangles, (n, 3, 2), that lie on the board all over; may say no too
        often.
        """
        mask: Bools = np.ones(len(triangles), dtype=bool)
        if len(self._tree) and len(triangles):
            shapes = shapely.polygons(np.concatenate((triangles, triangles[:, :1]), axis=1))
            mask[np.unique(self._tree.query(shapes, predicate="intersects")[0])] = False
        return mask


class CountedSight:
    """Sight for one search, which counts the lines that it looks along: a measure of work that no
    machine changes.

    Ways over walls mostly bend at the same corners and ends of rims, so one line is asked for again
    and again. What is known of a line, whichever way it runs, is kept and not counted again.

    Attributes
    ----------
    asked : different lines, and triangles, so far
    most : after which a search should stop; never, unless told
    given_up : whether a search has stopped
    """

    def __init__(self, sight: Sight) -> None:
        self._sight, self.asked, self.given_up = sight, 0, False
        self.most = float("inf")
        self._known: dict[bytes, bool] = {}

    def clear(self, start: Floats, end: Floats) -> Bools:
        """As of Sight."""
        ends = _one_way(start, end)
        names, known = ends.view("S32").ravel().tolist(), self._known
        fresh = list({name: row for row, name in enumerate(names) if name not in known}.values())
        if fresh:
            self.asked += len(fresh)
            clear = self._sight.clear(ends[fresh, :2], ends[fresh, 2:])
            known.update(zip([names[row] for row in fresh], clear.tolist(), strict=True))
        return np.fromiter((known[name] for name in names), bool, len(names))

    def all_clear(self, triangles: Floats) -> Bools:
        """As of Sight."""
        self.asked += len(triangles)
        return self._sight.all_clear(triangles)

    def allow(self, more: int) -> None:
        """From now on so many more lines."""
        self.most = self.asked + more

    def spent(self) -> bool:
        """Whether it was asked too often: then whoever has more to look at stops."""
        self.given_up |= self.asked >= self.most
        return self.given_up


def _one_way(start: Floats, end: Floats) -> Floats:
    """Lines from left to right, or upwards: one and the same whichever way they are asked for; (n,
    4).
    """
    back = (start[:, 0] > end[:, 0]) | ((start[:, 0] == end[:, 0]) & (start[:, 1] > end[:, 1]))
    ends = np.hstack((start, end)) + 0.0  # there is no -0
    ends[back] = ends[back][:, [2, 3, 0, 1]]
    return ends


def inscribed_slots(ends: Floats, radius: Floats, tolerance: float = EDGE_TOLERANCE) -> Shapes:
    """Holes and slots as Polygons that lie inside them, straight sides exact, shape (n,).

    Parameters
    ----------
    ends : x0, y0, x1, y1 of each centre line in mm, (n, 4)
    radius : half the widths in mm, (n,)
    tolerance : how far round ends may lie inside, mm
    """
    out: Shapes = np.empty(len(ends), dtype=object)
    for row, ((x0, y0, x1, y1), r) in enumerate(zip(ends, radius, strict=True)):
        towards = float(np.arctan2(y1 - y0, x1 - x0))
        near = arc_points((x0, y0), r, towards + np.pi / 2, np.pi, tolerance=tolerance)
        far = arc_points((x1, y1), r, towards - np.pi / 2, np.pi, tolerance=tolerance)
        # both arcs of a hole end where the other begins, but for rounding: a ring that crosses
        # itself there is none
        out[row] = shapely.Polygon(
            np.concatenate((far, near))
            if (x0, y0) != (x1, y1)
            else np.concatenate((far, near[1:-1]))
        )
    return out


@dataclass(frozen=True, slots=True)
class Narrow:
    """A void that is narrow in places and holds a disc of diameter x in others."""

    void: shapely.Polygon
    solid: list[shapely.Geometry]  # where a disc does not come
    # these, and where discs come from both of two rooms over the neck between
    parts: list[shapely.Geometry]
    walls: list[int]  # how many walls each part lies between
    # what a link cuts off of each end: between these, along the rim
    tips: list[tuple[shapely.Point, shapely.Point]]
    rooms: list[shapely.Geometry]  # places for the middle of a disc
    ends: list[shapely.Geometry]  # what links square to the middle of parts with one wall cut off

    def fills(self) -> list[shapely.Geometry]:
        """What a disc does not pass."""
        return [*(part.buffer(2 * SLIVER) for part in self.solid), *self.ends]


@dataclass(frozen=True, slots=True)
class Bridging:
    """The board with what is narrower than x filled, and the voids that are so in places only."""

    passable: shapely.Geometry
    places: list[Narrow]


def bridged(region: shapely.Geometry, x: float) -> Bridging:
    """The board with every void filled that, or every part of a void filled where it, is narrower
    than x.

    A disc of diameter x is rolled through each void. What it cannot reach is filled if it lies
    between two walls, ends a narrow arm, or is the tip of a notch, at any angle; corners of a
    bottom at least x wide keep their shape. An end or a tip is filled up to the link of length x
    that lies square to its middle. A link may lie farther out than that: see `links`.

    Parameters
    ----------
    region : the board in mm
    x : width that is bridged, mm

    Returns
    -------
    Polygon or MultiPolygon; it contains the region
    """
    if x <= 2 * NARROW or region.is_empty:
        return Bridging(region, [])
    fills, places = [], []
    for void in shapely.get_parts(_frame(region, 4 * x).difference(region)):
        place = _narrow(void, linked_length(x))
        if place is None:
            fills.append(void.buffer(SLIVER, join_style="mitre"))
        elif place.parts:
            places.append(place)
            fills += place.fills()
    return Bridging(shapely.union_all([region, *fills]) if fills else region, places)


def linked_length(x: float) -> float:
    """Length of a link: as good as x, but shorter than what is as wide as x.

    Parameters
    ----------
    x : width that is bridged, mm

    Returns
    -------
    mm
    """
    return x - 2 * NARROW


def rims_of(region: shapely.Geometry) -> Rims:
    """All rims of a board region, cut into straight pieces.

    Parameters
    ----------
    region : Polygon or MultiPolygon in mm

    Returns
    -------
    straight pieces, ring by ring in the order of the region, board on the left
    """
    # a region without rings has none of length 0
    rings = rings_of(region) or [np.empty((0, 2))]
    lengths = [_lengths(r) for r in rings]
    turns = [turns_of(r) for r in rings]
    after = [np.roll(t, -1) for t in turns]
    bent = np.minimum(np.abs(np.concatenate(turns)), np.abs(np.concatenate(after)))
    return Rims(
        ends=np.concatenate([np.hstack((r, np.roll(r, -1, axis=0))) for r in rings]),
        s=np.concatenate([np.cumsum(d) - d for d in lengths]),
        length=np.concatenate(lengths),
        loop=np.repeat(np.arange(len(rings), dtype=np.int32), [len(r) for r in rings]),
        slack=np.where(bent < SMOOTH, max(EDGE_TOLERANCE, ARC_TOLERANCE), 0.0),
        bend_before=np.maximum(-np.concatenate(turns), 0.0),
        bend_after=np.maximum(-np.concatenate(after), 0.0),
        perimeter=np.array([d.sum() for d in lengths if len(d)]),
    )


def leans_of(rims: Rims) -> tuple[Floats, Floats]:
    """Angles by which the void reaches round the start and the end of each rim: bends as the void's
    side sees them.

    Parameters
    ----------
    rims : all rims of a board

    Returns
    -------
    rad, (n, 2); 0 where the void does not reach round
    """
    run = rims.ends[:, 2:4] - rims.ends[:, 0:2]
    first = np.flatnonzero(np.diff(rims.loop, prepend=-1))
    before = np.arange(len(rims)) - 1
    before[first] = np.append(first[1:], len(rims)) - 1
    turn = np.maximum(
        np.arctan2(cross(run[before], run), np.einsum("ij,ij->i", run[before], run)), 0.0
    )
    after = np.empty(len(rims))
    after[before] = turn
    return turn, after


def filled_behind(rims: Rims, passable: shapely.Geometry) -> Bools:
    """Mask of the rims whose void is bridged, so that a path may come to them from there too.

    Looked up farther inside the void than curved outlines are widened in `passable`.

    Parameters
    ----------
    rims : pieces of rim, n of them
    passable : the board with its narrow voids filled

    Returns
    -------
    mask, (n,)
    """
    run = (rims.ends[:, 2:4] - rims.ends[:, 0:2]) / rims.length[:, None]
    middle = (rims.ends[:, 0:2] + rims.ends[:, 2:4]) / 2
    shapely.prepare(passable)
    mask: Bools = shapely.contains_xy(
        passable, middle + SLIVER * np.column_stack((run[:, 1], -run[:, 0]))
    )
    return mask


def parted(rims: Rims, rows: Bools, x: float) -> Rims:
    """The rims with some of them cut at a distance x from both ends, as far as they are longer than
    that.

    Parameters
    ----------
    rows : which rims are cut, (n,)
    x : mm from each end

    Returns
    -------
    the rims in the same order, a cut one as three
    """
    long = np.flatnonzero(rows & (rims.length > 2 * x))
    count = np.ones(len(rims), dtype=np.intp)
    count[long] = 3
    row, part = repeated(np.arange(len(rims)), count)
    first, last = part == 0, part == count[row] - 1
    length = rims.length[row]
    begin = np.where(first, 0.0, np.where(last, length - x, x))
    end = np.where(last, length, np.where(first, x, length - x))
    start, stop = rims.ends[row, 0:2], rims.ends[row, 2:4]
    unit = (stop - start) / length[:, None]
    from_ = np.where(first[:, None], start, start + begin[:, None] * unit)
    to = np.where(last[:, None], stop, start + end[:, None] * unit)
    return Rims(
        ends=np.hstack((from_, to)),
        s=rims.s[row] + begin,
        length=end - begin,
        loop=rims.loop[row],
        slack=rims.slack[row],
        bend_before=np.where(first, rims.bend_before[row], 0.0),
        bend_after=np.where(last, rims.bend_after[row], 0.0),
        perimeter=rims.perimeter,
    )


def widths_behind(rims: Rims, open_: Bools, x: float) -> Floats:
    """From how near at least and how far at most a link of length x may come to each rim: square to
    the rim, (n, 2).

    A wall as a whole counts as one rim here: no link joins its own pieces. Both are 0 where none
    crosses.

    Parameters
    ----------
    open_ : rims that a link may start from, (n,)
    x : length of a link, mm

    Returns
    -------
    least and most, mm, (n, 2)
    """
    least, most = np.full(len(rims), np.inf), np.zeros(len(rims))
    i, away = _square_to(rims, np.flatnonzero(open_), x)
    others = np.abs(away).max(axis=1) > PUSH
    np.minimum.at(least, i[others], away[others].min(axis=1))
    np.maximum.at(most, i[others], away[others].max(axis=1))
    most = np.minimum(most, x)
    return np.column_stack((np.clip(least, 0.0, most), most))


def _square_to(rims: Rims, rows: Rows, x: float) -> tuple[Rows, Floats]:
    """Rims near some of the rims: for each pair the latter, and how far square to it both ends of
    the former lie, (n, 2).
    """
    lines = shapely.linestrings(rims.ends.reshape(-1, 2, 2))
    i, j = shapely.STRtree(lines).query(lines[rows], predicate="dwithin", distance=x)
    i = rows[i]
    start = rims.ends[i, 0:2]
    unit = (rims.ends[i, 2:4] - start) / rims.length[i, None]
    away = np.column_stack([-cross(unit, rims.ends[j, k : k + 2] - start) for k in (0, 2)])
    return i, away


def saved(wide: Floats, depth: Floats | float, x: float) -> Floats:
    """What a link over a groove and down its wall is at most shorter than the way across and down.

    A link that is as long as w square to the wall and h along its depth saves w + h - hypot(w, h),
    however much it slants; that grows with both, and hypot(w, h) is at most x.

    Parameters
    ----------
    wide : (n, 2) least and greatest w
    depth : greatest h
    """
    deep = np.minimum(depth, x)
    w = np.clip(np.maximum(x / np.sqrt(2), np.sqrt(x**2 - deep**2)), wide[:, 0], wide[:, 1])
    h = np.minimum(deep, np.sqrt(np.maximum(x**2 - w**2, 0.0)))
    less: Floats = w + h - np.hypot(w, h)
    return less


def corners_of(region: shapely.Geometry) -> Corners:
    """All points where the board reaches round a corner of a void.

    Parameters
    ----------
    region : Polygon or MultiPolygon in mm
    """
    at, before, after = [np.empty((0, 2))], [np.empty((0, 2))], [np.empty((0, 2))]
    for ring in rings_of(region):
        round_ = turns_of(ring) < 0
        at.append(ring[round_])
        before.append(np.roll(ring, 1, axis=0)[round_])
        after.append(np.roll(ring, -1, axis=0)[round_])
    return Corners(np.concatenate(at), np.concatenate(before), np.concatenate(after))


def stacked_corners(one: Corners, two: Corners) -> Corners:
    """Corners, then further ones."""
    columns = zip((one.at, one.before, one.after), (two.at, two.before, two.after), strict=True)
    return Corners(*(np.concatenate(pair) for pair in columns))


def rings_of(region: shapely.Geometry) -> list[Floats]:
    """Rings of a region without their closing point, board on the left, no point twice; each of
    shape (k, 2).

    Parameters
    ----------
    region : Polygon or MultiPolygon in mm

    Returns
    -------
    rings, each (k, 2)
    """
    polygons = [
        orient(p) for p in shapely.get_parts(region) if p.geom_type == "Polygon" and not p.is_empty
    ]
    rings = [
        shapely.get_coordinates(ring)[:-1] for p in polygons for ring in (p.exterior, *p.interiors)
    ]
    tidy = [ring[_lengths(ring) > 1e-9] for ring in rings]
    return [ring for ring in tidy if len(ring) >= 3]


def widened(region: shapely.Geometry) -> shapely.Geometry:
    """A region with every polyline that may be drawn for an arc moved ARC_TOLERANCE into the void.

    Corners that straight rims meet at stay where they are: ways over walls begin there. Where an
    arc ends at such a corner, a chord leaves its arc no faster than it is moved off: a quarter of
    it takes the whole step.

    Parameters
    ----------
    region : Polygon or MultiPolygon in mm

    Returns
    -------
    a region that contains the given one
    """
    if not has_curves(region):
        return region
    polygons = [p for p in shapely.get_parts(region) if p.geom_type == "Polygon" and not p.is_empty]
    moved = [
        shapely.Polygon(_moved(p.exterior), [_moved(r) for r in p.interiors])
        for p in map(orient, polygons)
    ]
    return shapely.union_all([shapely.make_valid(p) for p in moved])


def _moved(line: shapely.LinearRing) -> Floats:
    """A ring, board on its left, with its curved stretches moved to the right."""
    ring = shapely.get_coordinates(line)[:-1]
    ring = ring[_lengths(ring) > 1e-9]
    turns = turns_of(ring)
    smooth = np.abs(turns) < SMOOTH
    onwards = np.roll(ring, -1, axis=0) - ring
    right = np.column_stack((onwards[:, 1], -onwards[:, 0])) / _lengths(ring)[:, None]
    first = ring + onwards / 4 + ARC_TOLERANCE * right
    last = ring + onwards * 3 / 4 + ARC_TOLERANCE * right
    points = np.stack((ring + _steps_off(right, turns, smooth), first, last), axis=1)
    after = np.roll(smooth, -1)
    kept = np.column_stack((np.ones(len(ring), dtype=bool), ~smooth & after, smooth & ~after))
    moved: Floats = points[kept]
    return moved


def _steps_off(right: Floats, turns: Floats, smooth: Bools) -> Floats:
    """How far each smooth vertex is moved, so that both its edges lie `ARC_TOLERANCE` further."""
    both = right + np.roll(right, 1, axis=0)
    middle = both / np.where(smooth, 1 + np.cos(turns), 1.0)[:, None]
    return np.where(smooth[:, None], ARC_TOLERANCE * middle, 0.0)


def has_curves(region: shapely.Geometry) -> bool:
    """Whether any rim may be a polyline drawn for an arc.

    Parameters
    ----------
    region : Polygon or MultiPolygon in mm
    """
    return any(bool((np.abs(turns_of(ring)) < SMOOTH).any()) for ring in rings_of(region))


def _lengths(ring: Floats) -> Floats:
    step = np.roll(ring, -1, axis=0) - ring
    length: Floats = np.hypot(step[:, 0], step[:, 1])
    return length


def turns_of(ring: Floats) -> Floats:
    """Angle turned at each point, positive to the left.

    Parameters
    ----------
    ring : points without the closing one, mm, (k, 2)

    Returns
    -------
    rad, (k,)
    """
    onwards = np.roll(ring, -1, axis=0) - ring
    before = np.roll(onwards, 1, axis=0)
    turn: Floats = np.arctan2(cross(before, onwards), np.einsum("ij,ij->i", before, onwards))
    return turn


def _pushed(ring: Floats) -> Floats | None:
    """Pieces of a ring moved to the right, into the void, by PUSH."""
    onwards = np.roll(ring, -1, axis=0) - ring
    unit = onwards / np.hypot(onwards[:, 0], onwards[:, 1])[:, None]
    right = np.column_stack((unit[:, 1], -unit[:, 0]))
    before = np.roll(right, 1, axis=0)
    mitre = (right + before) / np.maximum(1 + np.einsum("ij,ij->i", right, before), 0.1)[:, None]
    moved = ring + PUSH * mitre
    pieces: Floats = np.hstack((moved, np.roll(moved, -1, axis=0)))
    return pieces


def _frame(region: shapely.Geometry, margin: float) -> shapely.Geometry:
    x0, y0, x1, y1 = region.bounds
    return shapely.box(x0 - margin, y0 - margin, x1 + margin, y1 + margin)


def _narrow(void: shapely.Polygon, x: float) -> Narrow | None:
    """Where a disc of diameter x cannot reach, corners of wide bottoms excepted; None if it cannot
    anywhere.
    """
    # a round end drawn inside must still hold the disc
    roomy = void.buffer(1.5 * EDGE_TOLERANCE, join_style="mitre")
    rooms = roomy.buffer(-x / 2, quad_segs=STEPS)
    reached = rooms.buffer(x / 2, quad_segs=STEPS)
    if reached.is_empty or (_has_straight_walls(void) and void.buffer(_STRIP - x / 2).is_empty):
        return None
    place, bends = Narrow(void, [], [], [], [], list(shapely.get_parts(rooms)), []), _bends(void, x)
    wrapped = []
    for part in shapely.get_parts(void.difference(reached).buffer(-SLIVER)):
        walls = _walls(void, part, bends) if not part.is_empty else []
        if len(walls) > 1:
            _fill(place, part, len(walls))
        elif len(walls) == 1 and _wraps(walls[0], part):
            wrapped.append((walls[0], part))
    _fill_tips(place, wrapped, bends, x)
    _fill_lenses(place, x)
    return place


def _fill_lenses(place: Narrow, x: float) -> None:
    """Fill what lies between two rooms that all but meet."""
    # a little more than a disc's own reach: where two discs all but meet, what is between them was
    # a sliver above
    reach = [room.buffer(x / 2 + 2 * SLIVER, quad_segs=STEPS) for room in place.rooms]
    shared = (one.intersection(two) for one, two in combinations(reach, 2))
    lenses = [lens for lens in shared if lens.area > 0]
    place.parts.extend(lenses)
    place.walls.extend([2] * len(lenses))


def _fill(place: Narrow, part: shapely.Geometry, walls: int) -> None:
    place.solid.append(part)
    place.parts.append(part)
    place.walls.append(walls)


def _fill_tips(
    place: Narrow,
    wrapped: Sequence[tuple[shapely.LineString, shapely.Geometry]],
    bends: _Bends,
    x: float,
) -> None:
    """Fill those of the parts that wrap round one wall that lie at the tip of a notch."""
    is_tip = bends.tips()
    for bend, corners in _by_bend(wrapped, bends).items():
        if bend >= 0 and not is_tip[bend]:
            continue
        # the link over a flat bottom cuts off both corners; three and more may stand for anything:
        # over each alone
        sharpest = max(corner.turned for corner in corners)
        if bend >= 0 and len(corners) == 2 and sharpest <= np.pi / 2 + _ROUNDED:
            one, other = corners
            place.tips.append(_in_order(place.void, one.tip, other.tip))
            place.parts.append(shapely.union_all([one.part, other.part]))
            place.walls.append(1)
            continue
        for corner in corners:
            _fill(place, corner.part, 1)
            place.tips.append((corner.tip, corner.tip))
            place.ends.append(_linked(place.void, corner.tip, x))


class _Corner(NamedTuple):
    """A part of a void that wraps round one bend of its wall."""

    tip: shapely.Point  # the middle of the wall round it
    turned: float  # rad
    part: shapely.Geometry


def _by_bend(
    wrapped: Sequence[tuple[shapely.LineString, shapely.Geometry]], bends: _Bends
) -> dict[int, list[_Corner]]:
    """Parts by the bends that they wrap round; -1 for those that wrap round none."""
    found: dict[int, list[_Corner]] = defaultdict(list)
    for wall, part in wrapped:
        vertices = bends.along(wall)
        tip = wall.interpolate(0.5, normalized=True)
        for bend in np.unique(bends.of[vertices]).tolist() or [-1]:
            turned = float(bends.turn[vertices][bends.of[vertices] == bend].sum())
            found[bend].append(_Corner(tip, turned, part))
    return found


def _has_straight_walls(void: shapely.Polygon) -> bool:
    """Whether a void is more than a hole: its outline is no mere polyline of about equal chords."""
    length = _lengths(shapely.get_coordinates(void.exterior)[:-1])
    return bool(length.max() > _LONG * np.median(length)) or len(length) <= _FEW


def _walls(
    void: shapely.Geometry, part: shapely.Geometry, bends: _Bends
) -> list[shapely.LineString]:
    """Stretches of a void's rim along a part of it; those that meet in a tip that the part fell
    short of are one.
    """
    near = shapely.union_all([part.buffer(3 * SLIVER), *bends.tongues(part)])
    walls = shapely.line_merge(void.boundary.intersection(near))
    return [piece for piece in shapely.get_parts(walls) if piece.length > 4 * SLIVER]


def _wraps(wall: shapely.LineString, part: shapely.Geometry) -> bool:
    """Whether a part lies in the bend of a wall."""
    bent = len(wall.coords) > 2
    return bent and bool(
        shapely.Polygon(wall.coords).buffer(0).intersects(part.representative_point())
    )


@dataclass(frozen=True, slots=True)
class _Bends:
    """Stretches of a void's rims that turn into the void's hollow: corners no more than x apart are
    one.
    """

    tree: shapely.STRtree  # of n vertices of all rims
    turn: Floats  # (n,) by which the void's rim turns there, positive in a hollow
    of: Rows  # (n,) number of the bend, -1 where the board sticks out
    sum: Floats  # (m,) turn of each bend
    beside: Rows  # (k, 2) bends that one straight wall at least x long joins

    def along(self, wall: shapely.LineString) -> Rows:
        """Vertices of hollows on a stretch of rim."""
        rows: Rows = self.tree.query(wall, predicate="dwithin", distance=SLIVER)
        return rows[self.of[rows] >= 0]

    def tongues(self, part: shapely.Geometry) -> list[shapely.Geometry]:
        """What lies between a part, shrunk by `SLIVER`, and the tips that it fell short of, so
        sharp are they.
        """
        short = 2 * SLIVER / np.maximum(np.sin((np.pi - self.turn) / 2), SLIVER)
        tips = self.tree.geometries[self.turn > _SHARP]
        near = tips[shapely.distance(tips, part) <= short[self.turn > _SHARP]]
        return [line.buffer(3 * SLIVER) for line in shapely.shortest_line(near, part)]

    def tips(self) -> Bools:
        """Which bends are tips of notches.

        The others are corners of a bottom: a straight wall at least x long between them and a bend
        that turns no less, so that this one is not the deeper of both, and walls beyond both that
        do not lean towards each other.
        """
        mask = np.ones(len(self.sum), dtype=bool)
        for one, two in (self.beside.T, self.beside[:, ::-1].T):
            open_ = self.sum[one] + self.sum[two] <= np.pi + _ROUNDED
            mask[one[open_ & (self.sum[one] <= self.sum[two] + _ROUNDED)]] = False
        return mask


def _bends(void: shapely.Polygon, x: float) -> _Bends:
    """The bends of all rims of a void."""
    at, turn, of, beside, done = (
        [np.empty((0, 2))],
        [np.empty(0)],
        [np.empty(0, int)],
        [np.empty((0, 2), int)],
        0,
    )
    for ring in map(_without_straight, rings_of(void.simplify(2 * SLIVER))):
        turns, number, joined = _bends_of(ring, x)
        at.append(ring)
        turn.append(turns)
        of.append(np.where(number < 0, -1, number + done))
        beside.append(joined + done)
        done += int(number.max(initial=-1)) + 1
    turn_, of_ = np.concatenate(turn), np.concatenate(of)
    sums = np.zeros(done)
    np.add.at(sums, of_[of_ >= 0], turn_[of_ >= 0])
    return _Bends(
        shapely.STRtree(shapely.points(np.concatenate(at))),
        turn_,
        of_,
        sums,
        np.concatenate(beside),
    )


def _bends_of(ring: Floats, x: float) -> tuple[Floats, Rows, Rows]:
    """Turns of one ring, the bend of each vertex, and pairs of bends that a long wall joins."""
    turns = turns_of(ring)
    hollow, long = turns > 0, _lengths(ring) >= x - NARROW
    after = np.roll(hollow, -1)
    begins = hollow & ~(np.roll(hollow, 1) & ~np.roll(long, 1))
    number = np.where(hollow, np.cumsum(begins) - 1, -1)
    count = int(begins.sum())
    if count:
        # the last bend runs on over the ring's first point
        number[hollow & (number < 0)] = count - 1
    elif hollow.any():
        number[hollow] = 0
    walls = np.flatnonzero(hollow & after & long)
    return turns, number, np.column_stack((number[walls], np.roll(number, -1)[walls]))


def _without_straight(ring: Floats) -> Floats:
    """A ring without the vertices that it hardly turns at."""
    kept = ring[np.abs(turns_of(ring)) > _STRAIGHT]
    return kept if len(kept) >= 3 else ring


def _in_order(
    void: shapely.Polygon, one: shapely.Point, two: shapely.Point
) -> tuple[shapely.Point, shapely.Point]:
    """Both corners of a bottom, as they come along the rim."""
    rings = [shapely.LineString(ring.coords) for ring in (void.exterior, *void.interiors)]
    ring = min(rings, key=lambda r: r.distance(one))
    onwards = (ring.project(two) - ring.project(one)) % ring.length
    return (one, two) if onwards <= ring.length / 2 else (two, one)


def _linked(void: shapely.Geometry, tip: shapely.Point, x: float) -> shapely.Geometry:
    """The end of a void between its tip and the link of length x whose ends are as far from the tip
    along the rim.
    """
    rings = [shapely.LineString(ring.coords) for ring in (void.exterior, *void.interiors)]
    ring = min(rings, key=lambda r: r.distance(tip))
    middle = ring.project(tip)
    way = _way_to_link(ring, middle, x)
    if way is None:
        return shapely.Polygon()
    corners = np.array([ring.project(shapely.Point(p)) for p in ring.coords[:-1]])
    away = np.mod(corners - middle + ring.length / 2, ring.length) - ring.length / 2
    round_tip = np.sort(np.concatenate((away[np.abs(away) < way], [-way, way])))
    places = np.mod(middle + round_tip, ring.length)
    if len(places) < 3:  # the middle of a wall that turns elsewhere
        return shapely.Polygon()
    end = shapely.Polygon(shapely.get_coordinates(shapely.line_interpolate_point(ring, places)))
    return shapely.make_valid(end).intersection(void).buffer(NARROW)


def _way_to_link(ring: shapely.LineString, middle: float, x: float) -> float | None:
    """How far along a ring from a place to both ends of the first chord of length x; None if there
    is none, or a longer one at once.
    """

    def chords(way: Floats) -> Floats:
        places = np.mod(np.concatenate((middle - way, middle + way)), ring.length)
        ends = shapely.get_coordinates(shapely.line_interpolate_point(ring, places))
        length: Floats = np.hypot(*(ends[: len(way)] - ends[len(way) :]).T)
        return length

    ways = np.arange(x / 2, ring.length / 2, x / STEPS)
    beyond = np.flatnonzero(chords(ways) > x)
    if not len(beyond) or not beyond[0]:
        return None
    low, high = ways[beyond[0] - 1], ways[beyond[0]]
    while high - low > NARROW:
        half = (low + high) / 2
        low, high = (low, half) if chords(np.array([half]))[0] > x else (half, high)
    return float(low)
