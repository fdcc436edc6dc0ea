"""The voids of a board seen from its rims: stretches of rim by halves, and shortest lines within a
void.

A line within a void goes from a place on a rim to another, straight where no board stands between.
Otherwise it bends round corners of the board like a string pulled tight; such lines are found on
the graph of corners that see each other. A board with more than MOST_CORNERS of them gets straight
lines throughout, which are too short, never too long.

Literature, from memory: visibility graphs; taut strings (shortest paths among obstacles in the
plane bend at reflex vertices only).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from checker.geometry.board_edges import Corners, Rims, rims_of
from checker.geometry.segments import cross
from parsers.primitives import Bools, Floats, Ints, Rows, Shapes, each

PIECE = 0.25  # mm; longest piece of rim that is not looked at by halves
RUN = 2.0  # mm; longest stretch of rim
MOST_CORNERS = 2000  # beyond that a table of all pairs no longer pays
MOST_PARTS = 32  # parts of a board that lines are told to run round one by one
MOST_LINES = 2_000_000  # from places to corners, looked along at once: bounds memory
GRAZE = 1e-6  # mm; a line that runs along a rim does not cross the board
# mm; a stretch is straight if its ends are no closer than it is long, but for rounding
STRAIGHT = 1e-12


@dataclass(frozen=True, slots=True)
class Stretches:
    """Stretches of rim: the runs first, then their halves and so on down to single straight pieces;
    columns.
    """

    runs: int  # how many of them are runs
    first: Rows  # straight piece of rim that it begins with
    count: Rows  # straight pieces
    half: Rows  # stretch that is its first half, the other follows; -1 for a single piece
    line: Shapes
    length: Floats
    slack: Floats  # how far the true rim may lie off
    ends: Floats  # (n, 4) first and last point
    straight: Bools


@dataclass(frozen=True, slots=True)
class Within:
    """Shortest lines within a void between places u and v; columns."""

    length: Floats
    lean_u: Floats  # (n, 2) unit vectors: where u must go for the line to grow fastest
    lean_v: Floats  # the same for v


class Voids:
    """The voids of a board.

    Parameters
    ----------
    board : board material, voids cut out
    """

    def __init__(self, board: shapely.Geometry) -> None:
        rims = rims_of(board)
        self._girths, self._extremes = _girths(board)
        self.corners = _corners(rims)
        self.rims = _cut(rims)
        self.inside = shapely.buffer(board, -GRAZE, join_style="mitre")
        shapely.prepare(self.inside)
        self.stretches = _stretches(self.rims)
        self.tree = shapely.STRtree(self.stretches.line[: self.stretches.runs])
        self.void = _void_of(self.rims, board)

    def of_runs(self) -> Rows:
        """Number of the void that each run is a rim of: no line leads from one void into
        another.
        """
        first = self.stretches.first[: self.stretches.runs]
        voids: Rows = self.void[self.rims.loop[first]]
        return voids

    def within(self, u: Floats, v: Floats) -> Within:
        """The shortest lines within a void between places on its rims, pair by pair.

        Parameters
        ----------
        u, v : (n, 2), of one void
        """
        to_u, to_v = v.copy(), u.copy()  # what the line runs to from u, and from v
        length: Floats = np.hypot(*(u - v).T)
        blocked = np.flatnonzero(~self._sees(u, v))
        if len(self.corners) > MOST_CORNERS:
            blocked = blocked[:0]
        for block in each(blocked, max(MOST_LINES // max(len(self.corners), 1), 1)):
            length[block], first, last = self._bent(u[block], v[block])
            to_u[block], to_v[block] = self.corners.at[first], self.corners.at[last]
        return Within(length, _unit(u - to_u), _unit(v - to_v))

    def loops(self, u: Floats, v: Floats) -> Floats:
        """No closed line through both of two places and round a part of the board is shorter, pair
        by pair.

        Parameters
        ----------
        u, v : (n, 2)
        """
        if len(self._girths) > MOST_PARTS:
            return np.full(len(u), self._girths.min())
        flat, least = np.hypot(*(u - v).T), np.full(len(u), np.inf)
        for girth, extremes in zip(self._girths, self._extremes, strict=True):
            past = np.zeros(len(u))
            for at in extremes:
                np.maximum(past, np.hypot(*(u - at).T) + np.hypot(*(v - at).T), out=past)
            np.minimum(least, np.maximum(girth, past + flat), out=least)
        return least

    def line(self, u: Floats, v: Floats) -> Floats:
        """The shortest line within a void between two places on its rims, as points; see
        `within`.
        """
        if len(self.corners) > MOST_CORNERS or self._sees(u[None], v[None])[0]:
            return np.stack((u, v))
        _, first, last = self._bent(u[None], v[None])
        way = [int(last[0])]
        while way[-1] != first[0]:
            way.append(int(self._web[1][first[0], way[-1]]))
        return np.concatenate((u[None], self.corners.at[way[::-1]], v[None]))

    def _sees(self, u: Floats, v: Floats) -> Bools:
        """Which places see each other through the void."""
        lines = shapely.linestrings(np.stack((u, v), axis=1))
        sees: Bools = (u == v).all(axis=1) | ~shapely.intersects(self.inside, lines)
        return sees

    def _bent(self, u: Floats, v: Floats) -> tuple[Floats, Rows, Rows]:
        """Shortest lines that bend round corners: lengths, and the first and last corner of
        each.
        """
        place, which = np.unique(np.concatenate((u, v)), axis=0, return_inverse=True)
        point, corner = self._seen_corners(place)
        count = np.bincount(point, minlength=len(place))
        start = np.cumsum(count) - count
        i, j = which[: len(u)], which[len(u) :]
        row, step = np.repeat(np.arange(len(u)), count[i] * count[j]), counted(count[i] * count[j])
        one, two = (
            corner[start[i][row] + step // count[j][row]],
            corner[start[j][row] + step % count[j][row]],
        )
        at = self.corners.at
        length = (
            np.hypot(*(u[row] - at[one]).T)
            + self._web[0][one, two]
            + np.hypot(*(v[row] - at[two]).T)
        )
        best = np.full(len(u), np.inf)
        np.minimum.at(best, row, length)
        order = np.lexsort((length, row))
        first = order[
            np.searchsorted(row[order], np.arange(len(u))).clip(max=max(len(order) - 1, 0))
        ]
        return best, one[first], two[first]

    def _seen_corners(self, place: Floats) -> tuple[Rows, Rows]:
        """Corners that a string from each place can bend round: places and corners, sorted by
        place.
        """
        point, corner = np.divmod(
            np.arange(len(place) * len(self.corners)), max(len(self.corners), 1)
        )
        kept = self.corners.taut(corner, place[point])
        point, corner = point[kept], corner[kept]
        kept = self._sees(place[point], self.corners.at[corner])
        return point[kept], corner[kept]

    @cached_property
    def _web(self) -> tuple[Floats, Ints]:
        """Lengths between all corners within the voids, and for each pair the corner before the
        second.
        """
        at, n = self.corners.at, len(self.corners)
        i, j = np.triu_indices(n, 1)
        kept = self.corners.taut(j, at[i]) & self.corners.taut(i, at[j])
        i, j = i[kept], j[kept]
        kept = self._sees(at[i], at[j])
        i, j = i[kept], j[kept]
        graph = csr_array((np.hypot(*(at[i] - at[j]).T), (i, j)), shape=(n, n))
        lengths, before = dijkstra(graph, directed=False, return_predecessors=True)
        return lengths, before


def _corners(rims: Rims) -> Corners:
    """Corners of the board that stick out into a void: what a string can be pulled tight on."""
    at, before, after = [np.empty((0, 2))], [np.empty((0, 2))], [np.empty((0, 2))]
    for loop in range(len(rims.perimeter)):
        ring = rims.ends[rims.loop == loop, 0:2]
        onwards = np.roll(ring, -1, axis=0) - ring
        out = cross(np.roll(onwards, 1, axis=0), onwards) > 0
        at.append(ring[out])
        before.append(np.roll(ring, 1, axis=0)[out])
        after.append(np.roll(ring, -1, axis=0)[out])
    return Corners(np.concatenate(at), np.concatenate(before), np.concatenate(after))


def _cut(rims: Rims) -> Rims:
    """Rims whose straight pieces are no longer than PIECE."""
    count = np.maximum(np.ceil(rims.length / PIECE), 1).astype(np.intp)
    row, step = np.repeat(np.arange(len(rims)), count), counted(count)
    size = (rims.length / count)[row]
    part = np.stack((step / count[row], (step + 1) / count[row]), axis=1)
    a, b = rims.ends[row, 0:2], rims.ends[row, 2:4]
    ends = np.hstack([a + part[:, k : k + 1] * (b - a) for k in (0, 1)])
    none = np.zeros(len(row))
    return Rims(
        ends,
        rims.s[row] + step * size,
        size,
        rims.loop[row],
        rims.slack[row],
        none,
        none,
        rims.perimeter,
    )


def _stretches(rims: Rims) -> Stretches:
    """Runs of at most RUN and all their halves."""
    place = np.column_stack((rims.loop, rims.s // RUN))
    count = (
        np.bincount(np.unique(place, axis=0, return_inverse=True)[1])
        if len(rims)
        else np.empty(0, dtype=np.intp)
    )
    level = np.column_stack((np.cumsum(count) - count, count))
    runs, levels, halves, done = len(level), [], [], 0
    while len(level):
        done += len(level)
        parts = level[level[:, 1] > 1]
        half = np.full(len(level), -1)
        half[level[:, 1] > 1] = done + 2 * np.arange(len(parts))
        levels.append(level)
        halves.append(half)
        front = parts[:, 1] // 2
        level = np.column_stack(
            (parts[:, 0], front, parts[:, 0] + front, parts[:, 1] - front)
        ).reshape(-1, 2)
    if not runs:
        none = np.empty(0, dtype=np.intp)
        no_lines = np.empty(0, dtype=object), np.empty(0), np.empty(0)
        return Stretches(0, none, none, none, *no_lines, np.empty((0, 4)), none.astype(np.bool_))
    first, count = np.concatenate(levels).T
    owner, step = np.repeat(np.arange(len(first)), count + 1), counted(count + 1)
    tip = step == count[owner]
    at = first[owner] + step - tip
    xy = np.where(tip[:, None], rims.ends[at, 2:4], rims.ends[at, 0:2])
    slack = np.maximum.reduceat(rims.slack[at], np.flatnonzero(step == 0))
    line = shapely.linestrings(xy, indices=owner)
    length, ends = shapely.length(line), np.hstack((xy[step == 0], xy[tip]))
    straight = length - np.hypot(*(ends[:, 2:] - ends[:, :2]).T) <= STRAIGHT
    half = np.concatenate(halves)
    return Stretches(runs, first, count, half, line, length, slack, ends, straight)


def _girths(board: shapely.Geometry) -> tuple[Floats, Floats]:
    """Of each part of a board the shortest closed line round it, and the places farthest in 4
    directions, (n, 4, 2).
    """
    hulls = shapely.convex_hull(shapely.get_parts(board))
    extremes = [_extremes(shapely.get_coordinates(hull)) for hull in hulls]
    return shapely.length(hulls), np.array(extremes).reshape(-1, 4, 2)


def _extremes(points: Floats) -> Floats:
    """The leftmost, rightmost, lowest and highest of some points."""
    extremes: Floats = points[np.concatenate((points.argmin(axis=0), points.argmax(axis=0)))]
    return extremes


def _unit(vectors: Floats) -> Floats:
    size = np.hypot(vectors[:, 0], vectors[:, 1])
    units: Floats = vectors / np.where(size > 0, size, 1.0)[:, None]
    return units


def _void_of(rims: Rims, board: shapely.Geometry) -> Rows:
    """Number of the void on the right of each loop."""
    if not len(rims):
        return np.empty(0, dtype=np.intp)
    x0, y0, x1, y1 = board.bounds
    voids = shapely.get_parts(shapely.box(x0 - 1, y0 - 1, x1 + 1, y1 + 1).difference(board))
    _, first = np.unique(rims.loop, return_index=True)
    a, b = rims.ends[first, 0:2], rims.ends[first, 2:4]
    right = np.column_stack((b[:, 1] - a[:, 1], a[:, 0] - b[:, 0])) / rims.length[first, None]
    number: Rows = shapely.STRtree(voids).nearest(shapely.points((a + b) / 2 + GRAZE * right))
    return number


def counted(counts: Rows) -> Rows:
    """0 .. n-1 for each count, one after the other."""
    steps: Rows = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    return steps
