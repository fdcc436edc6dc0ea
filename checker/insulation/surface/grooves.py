"""Links: straight ways of at most X over the narrow places of a void that is wide elsewhere.

A narrow place (`free_edges.narrow_places`) is filled as far as a disc of diameter X does not pass.
A link is a chord of the void, no longer than X, that lies farther out: over a neck, it has rooms
for such a disc on both sides; at a narrow end, it cuts the end off. A chord over a corner of a wide
void is none. A path crosses a void on a link in one straight line, in three ways:
- in passing: a line of sight whose stretches in the void are all links (`LinkedSight`);
- bent at both ends of a link that holds: it is as long as X, or touches a corner of the board
  (`link_search`);
- touching a wall between two links: a landing.
Links of the second kind form curves; they are sampled, and taken SHORTER than they are. So are
landings.

Error of the second kind: ends of the best link lie within STEP / 2 of a sample's. Near the least
length, a path that comes from a distance d to the end grows by at most STEP^2 / (8 d), for d over
CLOSE by less than half of SHORTER. Next to corners, which a path may bend round just before, the
samples lie so close that the same holds there. Copper nearer than CLOSE to an end is taken as much
nearer as may lie between samples: `unsampled`.

References: IEC 60664-1 (2007), 6.2: an insulating link of length X is placed in the most
unfavourable position.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from checker.geometry.board_edges import PUSH, Corners, Narrow, Sight, linked_length
from checker.geometry.segments import cross
from checker.insulation.surface.groove_bridges import (
    CLOSE,
    STEP,
    Accepted,
    held,
    landings,
    pieces_of,
)
from parsers.primitives import Bools, Floats, Ints, Rows, Shapes

SHORTER = 0.0005  # mm; what a sampled link is taken shorter: more than what lies between samples
REACH = 2.0  # of X; links end no farther from a narrow place than this
_EXACT = 1e-5  # mm; lengths and places of chords cut out of lines
_ODD = 0.7361  # radians; a direction that rims hardly have
_AT_RIM = 0.003  # mm; what is filled may end that far from the rim that it touches


@dataclass(frozen=True, slots=True)
class Links:
    """Sampled links that hold, and landings between links: links without length; columns."""

    ends: Floats  # (n, 4) x0, y0, x1, y1
    board: (
        Floats  # (n, 4) vectors square to the rim at both ends, to the side that a path comes from
    )
    length: Floats  # what they count, mm
    place: Ints  # number of the narrow place; -1 where more than two walls meet

    def __len__(self) -> int:
        return len(self.length)

    def corners(self) -> Corners:
        """First ends, then second ends, as points that a path may bend at in any direction."""
        one, two = self.ends[:, :2], self.ends[:, 2:]
        other = np.concatenate((two, one))
        return Corners(np.concatenate((one, two)), other, other)

    def lands(self) -> Bools:
        """Which are landings."""
        mask: Bools = (self.ends[:, :2] == self.ends[:, 2:]).all(axis=1)
        return mask

    def board_sides(self, end: Rows) -> Floats:
        """Vectors to the side that a path comes from, 0 where `end` is negative; (n, 2)."""
        sides = np.concatenate((self.board[:, :2], self.board[:, 2:], np.zeros((1, 2))))
        chosen: Floats = sides[np.maximum(end, -1)]
        return chosen

    def from_board(self, end: Rows, points: Floats) -> Bools:
        """Whether a path may come from each point to an end, or `end` is negative."""
        at = np.concatenate((self.ends[:, :2], self.ends[:, 2:], np.zeros((1, 2))))[
            np.maximum(end, -1)
        ]
        mask: Bools = np.einsum("ij,ij->i", points - at, self.board_sides(end)) >= -_EXACT
        return mask


class LinkedSight(Sight):
    """Sight over a board with its narrow places filled that also passes voids on links.

    Parameters
    ----------
    passable : the board, narrow places filled
    places : voids with narrow places
    x : mm
    """

    def __init__(self, passable: shapely.Geometry, places: Sequence[Narrow], x: float) -> None:
        super().__init__(passable)
        self._chords = [_Chords(place) for place in places]
        self._length = linked_length(x)
        self._filled = shapely.buffer(passable, _EXACT, join_style="mitre")
        shapely.prepare(self._filled)
        open_ = [place.void for place in places]
        self._others = Sight(shapely.union_all([passable, *open_]))
        self._voids = [shapely.buffer(void, -PUSH, join_style="mitre") for void in open_]
        self._near = around(places, x)
        shapely.prepare(self._near)

    def clear(self, start: Floats, end: Floats) -> Bools:
        """Mask of the lines from start to end, both (n, 2), that no void blocks or that pass it on
        links.
        """
        mask = super().clear(start, end)
        rows = np.flatnonzero(~mask)
        lines = shapely.linestrings(np.stack((start[rows], end[rows]), axis=1))
        near = shapely.intersects(self._near, lines)
        rows, lines = rows[near], lines[near]
        kept = self._others.clear(start[rows], end[rows])
        for void, chords in zip(self._voids, self._chords, strict=True):
            kept[kept] = self._passed(lines[kept], void, chords)
        mask[rows] = kept
        return mask

    def _passed(self, lines: Shapes, void: shapely.Geometry, chords: _Chords) -> Bools:
        """Which lines have nothing in a void but links and what is filled."""
        parts, owner = shapely.get_parts(shapely.intersection(lines, void), return_index=True)
        real = shapely.length(parts) > _EXACT
        parts, owner = parts[real], owner[real]
        good = shapely.covers(self._filled, parts)
        asked = np.flatnonzero(~good & (shapely.length(parts) <= self._length + _EXACT))
        ends = shapely.get_coordinates(parts[asked]).reshape(len(asked), 2, 2)
        good[asked] = chords.count(ends[:, 0], ends[:, 1]) & chords.from_rim_to_rim(ends)
        passed = np.ones(len(lines), dtype=bool)
        passed[owner[~good]] = False
        return passed


def unsampled(length: Floats) -> Floats:
    """What the way to an end of a link from so far off may exceed the one to the best link's end,
    mm.
    """
    off = STEP / 2
    more: Floats = np.where(
        length < CLOSE, np.minimum(off, off**2 / np.maximum(2 * length, off)), 0.0
    )
    return more


def around(places: Sequence[Narrow], x: float) -> shapely.Geometry:
    """Where the ends of links may lie."""
    return shapely.union_all([part.buffer(REACH * x) for place in places for part in place.parts])


def links_of(places: Sequence[Narrow], passable: shapely.Geometry, x: float) -> Links:
    """Sampled links of length X of all narrow places.

    Parameters
    ----------
    places : voids with narrow places
    passable : the board, narrow places filled: links within it are left out
    x : mm
    """
    filled = shapely.buffer(passable, _EXACT, join_style="mitre")
    shapely.prepare(filled)
    none = np.empty((0, 4))
    ends, sides, numbers, done = [none], [none], [np.empty(0, dtype=np.intp)], 0
    for place in places:
        near = shapely.union_all(place.parts).buffer(REACH * x)
        chords = _Chords(place)
        accepted, pieces = _accepted(place, chords, filled), pieces_of(place.void, near, filled)
        found, beside = held(pieces, place.void, linked_length(x), accepted)
        at, inwards = landings(pieces, place.void, linked_length(x), accepted, chords.parting)
        ends += [found, np.tile(at, 2)]
        sides += [_away(found, beside), np.tile(inwards, 2)]
        nearest = shapely.STRtree(place.parts).nearest(
            shapely.linestrings(np.vstack(ends[-2:]).reshape(-1, 2, 2))
        )
        numbers.append(np.where(np.array(place.walls)[nearest] > 2, -1, done + nearest))
        done += len(place.parts)
    all_ends = np.concatenate(ends)
    length = np.hypot(*(all_ends[:, 2:] - all_ends[:, :2]).T) - SHORTER
    return Links(
        all_ends,
        np.concatenate(sides),
        np.maximum(length, 0.0),
        np.concatenate(numbers).astype(np.int32),
    )


def _accepted(place: Narrow, chords: _Chords, filled: shapely.Geometry) -> Accepted:
    """Tells links of a void from chords that leave it, lie within what is filled or cut off no part
    of it.
    """
    roomy = shapely.buffer(place.void, PUSH, join_style="mitre")
    shapely.prepare(roomy)

    def accepted(ends: Floats) -> Bools:
        lines = shapely.linestrings(ends.reshape(-1, 2, 2))
        mask: Bools = shapely.covers(roomy, lines)
        mask[mask] = ~shapely.covers(filled, lines[mask])
        mask[mask] = chords.count(ends[mask, :2], ends[mask, 2:])
        return mask

    return accepted


@dataclass(frozen=True, slots=True)
class _Ring:
    """One rim of a void as a closed polyline."""

    xy: Floats  # (n + 1, 2)
    at: Floats  # (n + 1,) distance of each point along it
    board: shapely.Point | None  # a point of the board within; none within the outer rim
    tips: Floats  # (m, 2) what a link cuts off of each end: between these places

    @property
    def length(self) -> float:
        """Perimeter, mm."""
        return float(self.at[-1])

    def on_one_piece(self, s: Floats) -> Bools:
        """Whether both ends of chords lie on one straight piece: those cut nothing off."""
        first = np.searchsorted(self.at[:-1], s[:, 0], side="right")
        mask: Bools = np.searchsorted(self.at[:-1], s[:, 1], side="left") <= first
        return mask


@dataclass(frozen=True, slots=True)
class _Ray:
    """A long straight line from a point, and where along one ring it crosses that."""

    start: Floats
    end: Floats
    at: Floats  # ascending

    def starts_within(self, s: Floats, ends: Floats) -> Bools:
        """Whether the point lies in what chords cut off of the stretches of ring between their ends.

        Parameters
        ----------
        s : (n, 2) where the ends lie, ascending
        ends : (n, 2, 2)
        """
        along = self.end - self.start
        side = np.sign(cross(along, ends[:, 0] - self.start)) != np.sign(
            cross(along, ends[:, 1] - self.start)
        )
        run = ends[:, 1] - ends[:, 0]
        apart = np.sign(cross(run, self.start - ends[:, 0])) != np.sign(
            cross(run, self.end - ends[:, 0])
        )
        first, last = (np.searchsorted(self.at, s[:, k]) for k in (0, 1))
        mask: Bools = (last - first + (side & apart)) % 2 == 1
        return mask


def _ray(point: Floats, ring: _Ring) -> _Ray:
    """A ray in a direction that is no board's."""
    end = point + (float(np.abs(ring.xy - point).max()) + 1) * 2 * np.array(
        [np.cos(_ODD), np.sin(_ODD)]
    )
    run, along = np.diff(ring.xy, axis=0), end - point
    sides = np.sign(cross(along, ring.xy - point))
    crossed = np.flatnonzero(sides[1:] != sides[:-1])
    start, run = ring.xy[crossed], run[crossed]
    part = cross(point - start, along) / cross(run, along)
    at = ring.at[crossed] + part * np.hypot(*run.T)
    ahead = (start + part[:, None] * run - point) @ along > 0
    return _Ray(point, end, np.sort(at[ahead]))


class _Chords:
    """Tells which chords of one void are links."""

    def __init__(self, place: Narrow) -> None:
        lines = [shapely.LineString(r.coords) for r in (place.void.exterior, *place.void.interiors)]
        boards = [None, *(shapely.Polygon(r).representative_point() for r in place.void.interiors)]
        self._rooms = shapely.get_coordinates([room.representative_point() for room in place.rooms])
        tips = np.array(place.tips, dtype=object).reshape(-1, 2)
        of_ring = _nearest(lines, tips[:, 0])
        self._rings = [
            _Ring(*_measured(line), board, shapely.line_locate_point(line, tips[of_ring == k]))
            for k, (line, board) in enumerate(zip(lines, boards, strict=True))
        ]
        self._rays = [[_ray(room, ring) for room in self._rooms] for ring in self._rings]
        self._solid = [
            None if ring.board is None else _ray(shapely.get_coordinates(ring.board)[0], ring)
            for ring in self._rings
        ]
        self._start = np.concatenate([ring.xy[:-1] for ring in self._rings])
        self._run = np.concatenate([np.diff(ring.xy, axis=0) for ring in self._rings])
        self._ring = np.repeat(np.arange(len(lines)), [len(ring.xy) - 1 for ring in self._rings])
        self._at = np.concatenate([ring.at[:-1] for ring in self._rings])
        self._size = np.hypot(*self._run.T)
        pieces = np.stack((self._start, self._start + self._run), axis=1)
        self._tree = shapely.STRtree(shapely.linestrings(pieces))

    def count(self, p: Floats, q: Floats) -> Bools:
        """Whether each chord, between two places on rims and within the void, is a link; p, q of
        shape (n, 2).
        """
        if not len(p):
            return np.zeros(0, dtype=bool)
        (ring_p, s_p), (ring_q, s_q) = self._located(p), self._located(q)
        return self.parting(
            np.column_stack((ring_p, ring_q)), np.column_stack((s_p, s_q)), np.hstack((p, q))
        )

    def parting(self, rings: Rows | Ints, s: Floats, ends: Floats) -> Bools:
        """Whether chords, (n, 4), between places (n, 2) of rings (n, 2) part the void so that they may be links."""
        mask: Bools = rings[:, 0] != rings[:, 1]
        both = ends.reshape(-1, 2, 2)
        both = np.where((s[:, 0] > s[:, 1])[:, None, None], both[:, ::-1], both)
        s = np.sort(s, axis=1)
        for k in range(len(self._rings)):
            rows = np.flatnonzero((rings == k).all(axis=1))
            mask[rows] = self._on_one_ring(k, s[rows], both[rows])
        return mask

    def from_rim_to_rim(self, ends: Floats) -> Bools:
        """Whether chords, (n, 2, 2), end on rims, and not at a bend inside the void beside what is
        filled.
        """
        if not len(ends):
            return np.zeros(0, dtype=bool)
        points = shapely.points(ends.reshape(-1, 2))
        apart = shapely.distance(points, self._tree.geometries[self._tree.nearest(points)])
        mask: Bools = (apart.reshape(-1, 2) <= _AT_RIM).all(axis=1)
        return mask

    def _located(self, points: Floats) -> tuple[Rows, Floats]:
        """The ring that each point lies on, and where along it."""
        piece = self._tree.nearest(shapely.points(points))
        run, size = self._run[piece], np.maximum(self._size[piece], _EXACT)
        along = np.einsum("ij,ij->i", points - self._start[piece], run) / size
        return self._ring[piece], self._at[piece] + np.clip(along, 0.0, self._size[piece])

    def _on_one_ring(self, k: int, s: Floats, ends: Floats) -> Bools:
        """Which chords of one ring part rooms from rooms, or cut an end off."""
        inside = np.zeros((len(s), len(self._rooms)), dtype=bool)
        for room, ray in enumerate(self._rays[k]):
            inside[:, room] = ray.starts_within(s, ends)
        some, solid = inside.any(axis=1), self._solid[k]
        here: Bools = np.logical_not(
            some
        )  # whether the stretch from first to second end is the one without rooms
        if solid is not None:
            here &= ~solid.starts_within(s, ends)
        mask: Bools = (some & ~inside.all(axis=1)) | _cuts_end(self._rings[k], s, here)
        return mask & ~self._rings[k].on_one_piece(s)


def _cuts_end(ring: _Ring, s: Floats, here: Bools) -> Bools:
    """Whether an end of the void lies in what each chord cuts off: between its ends, or else beyond
    them.
    """
    start, stop = s.T
    begin = np.where(here, start, stop)[:, None]
    size = np.where(here, stop - start, ring.length - stop + start)[:, None]
    first, last = ((ring.tips[:, n] - begin) % ring.length for n in (0, 1))
    mask: Bools = ((first <= last) & (last <= size)).any(axis=1)
    return mask


def _measured(line: shapely.LineString) -> tuple[Floats, Floats]:
    """Points of a polyline and how far along it they are."""
    xy = shapely.get_coordinates(line)
    return xy, np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))))


def _nearest(rings: Sequence[shapely.LineString], points: Shapes) -> Rows:
    """Ring that each point lies on."""
    if not len(points):
        return np.empty(0, dtype=np.intp)
    number: Rows = np.argmin(np.stack([shapely.distance(ring, points) for ring in rings]), axis=0)
    return number


def _away(ends: Floats, walls: Floats) -> Floats:
    """Vectors square to the rims at both ends of links, away from the link."""
    way = ends[:, 2:] - ends[:, :2]
    out = []
    for k, onwards in ((0, way), (2, -way)):
        square = np.column_stack((walls[:, k + 1], -walls[:, k]))
        out.append(-np.sign(np.einsum("ij,ij->i", square, onwards))[:, None] * square)
    return np.hstack(out)
