"""Search for links that hold: chords of a void, of length X or touching a corner of the board, that
cannot be bettered.

A path that bends at both ends of a link is a shortest one only if the link cannot give way: it is
as long as X, or a corner of the board reaches into the void and touches it. Such links form curves,
one for each two straight pieces of rim. Each curve is sampled by places of one end, no further
apart than STEP where the other end moves slower, and where it begins or stops being a link, to
`_FINE`.

References: plane geometry.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
import shapely

from checker.geometry.board_edges import PUSH, corners_of, turns_of
from checker.geometry.segments import cross
from checker.insulation.surface.edges import first_clear
from parsers.primitives import Bools, Floats, Ints, Rows, each, repeated

STEP = 0.01  # mm; between the ends of sampled links
LANDING = 0.02  # mm; between landings
CLOSE = 0.06  # mm; ends of links nearer than this to a sharp corner are sampled closer
SHARP = np.radians(10.0)  # less is a joint of chords that stand for an arc
# mm; where they are, besides STEP
_BESIDE = (0.0005, 0.0015, 0.003, 0.0055, 0.009, 0.014, 0.021, 0.029, 0.038)
_FINE = 1e-5  # mm
_BLOCK = 1000  # curves sampled at once: bounds memory

Accepted = Callable[[Floats], Bools]  # which chords, (n, 4), are links
Parting = Callable[
    [Ints, Floats, Floats], Bools
]  # which, given the rings and places of their ends, may be links


@dataclass(frozen=True, slots=True)
class Pieces:
    """The straight pieces of a void's rim as far as links may end there; columns."""

    ends: Floats  # (n, 4)
    sharp: Bools  # (n, 2) whether the ends are sharp corners
    ring: Ints  # 0 for the outer rim of the void, then its inner ones
    at: Floats  # (n, 2) where along the ring the ends lie
    filled: Bools  # whether a path may cross the void along the piece
    passable: shapely.Geometry  # what it may cross

    def __len__(self) -> int:
        return len(self.ring)

    def near_pairs(self, length: float) -> tuple[Rows, Rows]:
        """Each two pieces that a link of some length may join, both ways round."""
        lines = shapely.linestrings(self.ends.reshape(-1, 2, 2))
        i, j = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=length)
        return self.with_links(i[i != j], j[i != j])

    def with_links(self, i: Rows, j: Rows) -> tuple[Rows, Rows]:
        """Those of some pairs between which not every chord lies within what is filled."""
        rows = np.flatnonzero(self.filled[i] & self.filled[j] & (i < j))
        hulls = shapely.convex_hull(
            shapely.multipoints(
                np.hstack((self.ends[i[rows]], self.ends[j[rows]])).reshape(-1, 4, 2)
            )
        )
        shut = rows[shapely.covers(self.passable, hulls)]
        key, size = np.minimum(i, j) * len(self) + np.maximum(i, j), len(self)
        kept = ~np.isin(key, i[shut] * size + j[shut])
        return i[kept], j[kept]

    def places(self, piece: Rows, part: Floats) -> Floats:
        """Where along their rings points of pieces lie, given their distances from the starts of those."""
        first, last = self.at[piece].T
        at: Floats = first + (last - first) * part / _sizes(self.ends)[piece]
        return at


def held(
    pieces: Pieces, void: shapely.Polygon, length: float, accepted: Accepted
) -> tuple[Floats, Floats]:
    """Links of a void that hold.

    Parameters
    ----------
    pieces : what they end on
    length : mm, X
    accepted : tells links from other chords

    Returns
    -------
    ends (n, 4) x0, y0, x1, y1; directions (n, 4) of the rim at both
    """
    none = np.empty((0, 4))
    found = [(none, none)]
    for curves in (_of_one_length(pieces, length), _touching(pieces, void, length)):
        found += [
            curves.take(rows).sampled(accepted)
            for rows in each(np.arange(len(curves.first)), _BLOCK)
        ]
    ends, walls = zip(*found, strict=True)
    return np.concatenate(ends), np.concatenate(walls)


def landings(
    pieces: Pieces, void: shapely.Polygon, length: float, accepted: Accepted, parting: Parting
) -> tuple[Floats, Floats]:
    """Places on straight rims, no further apart than LANDING, where links may end.

    A path over two links in a row that lands on a wall between them touches it where it is
    reflected.

    Returns
    -------
    places (n, 2); vectors (n, 2) square to the rim, into the void
    """
    i, j = pieces.near_pairs(length)
    size, units = _sizes(pieces.ends), _units(pieces.ends)
    # a round wall has many short pieces: no path lands on one, and some of them tell whether a link
    # ends there
    thin = np.maximum(np.ceil(length / 8 / size), 1).astype(np.intp)
    kept = (size[i] >= LANDING) & (
        (size[j] >= LANDING) | (np.arange(len(pieces))[j] % thin[j] == 0)
    )
    i, j = i[kept], j[kept]
    j = j[np.argsort(i, kind="stable")]
    first = np.searchsorted(np.sort(i), np.arange(len(pieces) + 1))
    row, place = _places(size, LANDING, np.ones((len(size), 2), dtype=bool))
    at, unit, count = (
        pieces.ends[row, :2] + place[:, None] * units[row],
        units[row],
        np.diff(first)[row],
    )
    found = np.zeros(len(at), dtype=bool)
    for block in each(np.arange(len(at)), _BLOCK):
        owner, step = repeated(block, count[block])
        chords = _chords_from(
            pieces,
            at[owner],
            row[owner],
            place[owner],
            j[first[row[owner]] + step],
            length,
            parting,
        )
        owner, ends = owner[chords[0]], chords[1]
        long = np.hypot(*(ends[:, 2:] - ends[:, :2]).T)
        # one link is enough to tell that some end there; long chords are most likely to be links
        ask = partial(_accepted_of, accepted, ends)
        found[owner[first_clear(owner.astype(np.int64), -long, ask)]] = True
    return at[found], np.column_stack((unit[found, 1], -unit[found, 0])) * _void_side(
        void, at[found], unit[found]
    )


def _chords_from(
    pieces: Pieces,
    at: Floats,
    own: Rows,
    place: Floats,
    other: Rows,
    length: float,
    parting: Parting,
) -> tuple[Rows, Floats]:
    """Chords no longer than a length that may be links: rows of their first ends, both ends (m, 4)."""
    rows, chords = [np.empty(0, dtype=np.intp)], [np.empty((0, 4))]
    here = pieces.places(own, place)
    for part, ends in _ends_on(pieces.ends[other], at, length):
        long = np.hypot(*(ends - at).T)
        kept = np.flatnonzero((long > _FINE) & (long <= length + PUSH))
        far = other[kept]
        rings = np.column_stack((pieces.ring[own[kept]], pieces.ring[far]))
        both = np.hstack((at[kept], ends[kept]))
        along = np.column_stack((here[kept], pieces.places(far, part[kept])))
        some = parting(rings, along, both)
        rows.append(kept[some])
        chords.append(both[some])
    return np.concatenate(rows), np.concatenate(chords)


def _accepted_of(accepted: Accepted, chords: Floats, rows: Rows) -> Bools:
    return accepted(chords[rows])


def _void_side(void: shapely.Polygon, at: Floats, unit: Floats) -> Floats:
    """1 where the void is on the right of a rim, -1 where it is on the left; (n, 1)."""
    beside = at + 10 * PUSH * np.column_stack((unit[:, 1], -unit[:, 0]))
    shapely.prepare(void)
    side: Floats = np.where(shapely.contains_xy(void, beside), 1.0, -1.0)[:, None]
    return side


def _ends_on(pieces: Floats, p: Floats, length: float) -> Iterator[tuple[Floats, Floats]]:
    """Points of pieces that chords from given points may end at: the nearest one, and those a
    length away, with their distances from the starts of the pieces.
    """
    unit, size = _units(pieces), _sizes(pieces)
    gap = p - pieces[:, :2]
    foot, aside = np.einsum("ij,ij->i", gap, unit), length**2 - cross(unit, gap) ** 2
    for side in (0.0, 1.0, -1.0):
        t = np.clip(foot + side * np.sqrt(np.maximum(aside, 0.0)), 0.0, size)
        yield t, pieces[:, :2] + t[:, None] * unit


@dataclass(frozen=True, slots=True)
class _Curves:
    """Families of chords, told by the place of their first end; columns."""

    first: Floats  # (n, 4) pieces that the first end lies on
    sharp: Bools  # (n, 2) whether their ends are sharp corners
    second: Floats  # (n, 4) pieces that the second end lies on
    side: Floats  # which of two chords of full length, 1 or -1; 0 for chords through a corner
    corner: Floats  # (n, 2)
    length: float

    def take(self, rows: Rows) -> _Curves:
        """Some of the rows."""
        first, sharp, second = self.first[rows], self.sharp[rows], self.second[rows]
        return _Curves(first, sharp, second, self.side[rows], self.corner[rows], self.length)

    def sampled(self, accepted: Accepted) -> tuple[Floats, Floats]:
        """Links of these families, and directions of the rim at their ends."""
        size = _sizes(self.first)
        row, place = _places(size, STEP, self.sharp)
        ends, real, slower = self._chords(row, place)
        real[real] = accepted(ends[real])
        row_limit, place_limit = self._limits(row, place, real, accepted)
        close = (
            np.where(self.sharp[row], np.column_stack((place, size[row] - place)), np.inf).min(
                axis=1
            )
            < CLOSE
        )
        kept = real & (slower | close)
        limits, exists, _ = self._chords(row_limit, place_limit)
        ends = np.concatenate((ends[kept], limits[exists]))
        rows = np.concatenate((row[kept], row_limit[exists]))
        return ends, np.hstack((_units(self.first), _units(self.second)))[rows]

    def _limits(
        self, row: Rows, place: Floats, real: Bools, accepted: Accepted
    ) -> tuple[Rows, Floats]:
        """Last places, to `_FINE`, between one that has a link and a neighbour that has none."""
        change = np.flatnonzero((row[1:] == row[:-1]) & (real[1:] != real[:-1]))
        rows = row[change]
        good = np.where(real[change], place[change], place[change + 1])
        bad = np.where(real[change], place[change + 1], place[change])
        while np.abs(good - bad).max(initial=0.0) > _FINE:
            middle = (good + bad) / 2
            ends, here, _ = self._chords(rows, middle)
            here[here] = accepted(ends[here])
            good, bad = np.where(here, middle, good), np.where(here, bad, middle)
        return rows, good

    def _chords(self, row: Rows, place: Floats) -> tuple[Floats, Bools, Bools]:
        """Chords by family and place of the first end; which exist; which have a second end that
        moves no faster.
        """
        u, v = _units(self.first)[row], _units(self.second)[row]
        p, start, size = (
            self.first[row, :2] + place[:, None] * u,
            self.second[row, :2],
            _sizes(self.second)[row],
        )
        gap, side = p - start, self.side[row]
        through = side == 0
        aside = self.length**2 - cross(v, gap) ** 2
        t = np.einsum("ij,ij->i", gap, v) + side * np.sqrt(np.maximum(aside, 0.0))
        ray = self.corner[row] - p
        turn = cross(v, ray)
        t = np.where(
            through,
            np.divide(cross(gap, ray), turn, out=np.full(len(t), np.inf), where=turn != 0),
            t,
        )
        exists = (t >= -PUSH) & (t <= size + PUSH)
        q = start + np.where(exists, np.clip(t, 0.0, size), 0.0)[:, None] * v
        way = q - p
        long, before = np.hypot(*way.T), np.hypot(*ray.T)
        exists &= np.where(
            through,
            (long <= self.length) & (np.einsum("ij,ij->i", way, ray) > before**2),
            aside >= 0,
        )
        along_u, along_v = (
            np.abs(np.einsum("ij,ij->i", way, u)),
            np.abs(np.einsum("ij,ij->i", way, v)),
        )
        over_u, over_v = np.abs(cross(way, u)), np.abs(cross(way, v))
        slower = np.where(
            through, over_u * (long - before) <= over_v * before, along_u <= along_v + PUSH
        )
        return np.hstack((p, q)), exists, slower


def _of_one_length(pieces: Pieces, length: float) -> _Curves:
    """Chords of full length between each two pieces."""
    i, j = pieces.near_pairs(length)
    side = np.repeat([1.0, -1.0], len(i))
    i, j = np.tile(i, 2), np.tile(j, 2)
    return _Curves(
        pieces.ends[i], pieces.sharp[i], pieces.ends[j], side, np.zeros((len(i), 2)), length
    )


def _touching(pieces: Pieces, void: shapely.Polygon, length: float) -> _Curves:
    """Chords through each corner of the board between two pieces on both sides of it."""
    lines = shapely.linestrings(pieces.ends.reshape(-1, 2, 2))
    corners = corners_of(void).at
    c, i = shapely.STRtree(lines).query(
        shapely.points(corners), predicate="dwithin", distance=length
    )
    apart = shapely.distance(lines[i], shapely.points(corners[c])) > PUSH
    c, i = c[apart], i[apart]
    pairs = [
        pieces.with_links(*_opposite(corners[k], pieces.ends, i[c == k])) for k in np.unique(c)
    ]
    none = np.empty(0, dtype=np.intp)
    a, b = (np.concatenate([*(pair[n] for pair in pairs), none]) for n in (0, 1))
    at = (
        np.repeat(corners[np.unique(c)], [len(pair[0]) for pair in pairs], axis=0)
        if pairs
        else np.empty((0, 2))
    )
    return _Curves(pieces.ends[a], pieces.sharp[a], pieces.ends[b], np.zeros(len(a)), at, length)


def _opposite(corner: Floats, pieces: Floats, rows: Rows) -> tuple[Rows, Rows]:
    """Pairs of pieces that some line through a corner meets on both sides of it; may be too
    many.
    """
    rays = (pieces[rows].reshape(-1, 2, 2) - corner).reshape(-1, 4)
    a, b = (
        k.ravel() for k in np.meshgrid(np.arange(len(rows)), np.arange(len(rows)), indexing="ij")
    )
    turned = [
        (cross(rays[a, :2], rays[b, k : k + 2]), cross(rays[a, 2:], rays[b, k : k + 2]))
        for k in (0, 2)
    ]
    signs = np.sign(np.column_stack([*turned[0], *turned[1]]))
    kept = (signs.min(axis=1) <= 0) & (signs.max(axis=1) >= 0) & (a != b)
    return rows[a[kept]], rows[b[kept]]


def pieces_of(void: shapely.Polygon, near: shapely.Geometry, passable: shapely.Geometry) -> Pieces:
    """The straight pieces of a void's rim as far as they lie within an area, given what a path may
    cross.
    """
    rings = [shapely.get_coordinates(r)[:-1] for r in (void.exterior, *void.interiors)]
    turned = [np.abs(turns_of(r)) > SHARP for r in rings]
    whole = np.concatenate([np.hstack((r, np.roll(r, -1, axis=0))) for r in rings])
    sharp = np.concatenate([np.column_stack((t, np.roll(t, -1))) for t in turned])
    ring = np.repeat(np.arange(len(rings), dtype=np.int32), [len(r) for r in rings])
    begins = np.concatenate(
        [
            np.cumsum(_sizes(part)) - _sizes(part)
            for part in np.split(whole, np.cumsum(np.bincount(ring))[:-1])
        ]
    )
    lines = shapely.linestrings(whole.reshape(-1, 2, 2))
    parts, owner = shapely.get_parts(shapely.intersection(lines, near), return_index=True)
    long = shapely.length(parts) > PUSH
    parts, owner = parts[long], owner[long]
    xy = shapely.get_coordinates(parts).reshape(len(parts), -1, 2)
    ends = np.hstack((xy[:, 0], xy[:, -1]))
    corner = np.column_stack(
        [np.hypot(*(ends[:, k : k + 2] - whole[owner, k : k + 2]).T) < PUSH for k in (0, 2)]
    )
    off = np.column_stack([np.hypot(*(ends[:, k : k + 2] - whole[owner, :2]).T) for k in (0, 2)])
    filled = shapely.covers(passable, shapely.linestrings(ends.reshape(-1, 2, 2)))
    return Pieces(
        ends, sharp[owner] & corner, ring[owner], begins[owner, None] + off, filled, passable
    )


def _places(size: Floats, step: float, sharp: Bools) -> tuple[Rows, Floats]:
    """Places along pieces of some lengths, both ends included: at most a step apart, and closer
    near sharp ends.

    Returns
    -------
    row of the piece, distance of the place from its start; in this order
    """
    count = np.ceil(size / step).astype(np.intp) + 1
    rows, number = repeated(np.arange(len(size)), count)
    beside = np.array(_BESIDE)
    short = beside < size[:, None] / 2
    (near, k), (far, m) = (np.nonzero(short & sharp[:, n, None]) for n in (0, 1))
    place = np.concatenate(
        (number / (count[rows] - 1) * size[rows], beside[k], size[far] - beside[m])
    )
    rows = np.concatenate((rows, near, far))
    order = np.lexsort((place, rows))
    return rows[order], place[order]


def _sizes(pieces: Floats) -> Floats:
    size: Floats = np.hypot(pieces[:, 2] - pieces[:, 0], pieces[:, 3] - pieces[:, 1])
    return size


def _units(pieces: Floats) -> Floats:
    unit: Floats = (pieces[:, 2:] - pieces[:, :2]) / _sizes(pieces)[:, None]
    return unit
