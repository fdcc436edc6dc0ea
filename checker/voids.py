"""The voids of a board seen from its rims: stretches of rim by halves, and shortest lines within a void.

A line within a void goes from a place on a rim to another, straight where no board stands between. Otherwise it runs
round the rim between them, forwards or backwards, pulled tight: a stretch that only sticks out is its own shortest way;
any other is the hull of its corners on the void's side, which is exact unless other parts of the board stand in the
way, and else too short.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.polygon import orient

from checker.free_edges import Rims, rims_of
from parsers.primitives import Floats, Rows, Shapes

PIECE = 0.25  # mm; longest piece of rim that is not looked at by halves
RUN = 2.0  # mm; longest stretch of rim
GRAZE = 1e-6  # mm; a line that runs along a rim does not cross the board


@dataclass(frozen=True, slots=True)
class Stretches:
    """Stretches of rim: the runs first, then their halves and so on down to single straight pieces; columns."""

    runs: int  # how many of them are runs
    first: Rows  # straight piece of rim that it begins with
    count: Rows  # straight pieces
    half: Rows  # stretch that is its first half, the other follows; -1 for a single piece
    line: Shapes
    length: Floats
    slack: Floats  # how far the true rim may lie off


class Voids:
    """The voids of a board.

    Parameters
    ----------
    board : board material, voids cut out
    """

    def __init__(self, board: shapely.Geometry) -> None:
        self.rims = _cut(rims_of(board))
        self.inside = shapely.buffer(board, -GRAZE, join_style="mitre")
        shapely.prepare(self.inside)
        self.stretches = _stretches(self.rims)
        self.tree = shapely.STRtree(self.stretches.line[: self.stretches.runs])
        reflex = self.rims.bend_before > 0  # corners where the board reaches round: no string is pulled tight on them
        self.bends = np.cumsum(reflex)  # up to and with the start of each piece of rim
        self.all_bends = np.bincount(self.rims.loop, reflex).astype(np.int64)
        self.outmost, self.outmost_at = _outmost(self.rims)

    def distances(self, u: Floats, v: Floats, rim: Rows, at: Floats) -> Floats:
        """Length of the shortest line within a void between places on its rim, pair by pair.

        Parameters
        ----------
        u, v : (n, 2)
        rim : (n, 2) straight pieces of rim that they lie on
        at : (n, 2) where they are along their loops
        """
        line = shapely.linestrings(np.stack((u, v), axis=1))
        flat: Floats = shapely.length(line)
        blocked = np.flatnonzero((flat > 0) & shapely.intersects(self.inside, line))
        flat[blocked] = self._around(u[blocked], v[blocked], rim[blocked], at[blocked])
        return flat

    def line(self, u: Floats, v: Floats, rim: Rows, at: Floats) -> Floats:
        """The shortest line within a void between two places on its rim, as points; see `distances`."""
        if not shapely.intersects(self.inside, shapely.LineString((u, v))):
            return np.stack((u, v))
        return self._taut_line(u, v, rim, at)

    def _around(self, u: Floats, v: Floats, rim: Rows, at: Floats) -> Floats:
        """Shortest lines between places that do not see each other."""
        straight = np.hypot(*(u - v).T)
        i, j = rim.T
        loop = self.rims.loop[i]
        same = loop == self.rims.loop[j]
        forth = np.mod(at[:, 1] - at[:, 0], self.rims.perimeter[loop])
        bends = self.bends[j] - self.bends[i]
        bends += self.all_bends[loop] * ((j < i) | ((j == i) & (at[:, 1] < at[:, 0])))
        ways = np.where(same, [forth, self.rims.perimeter[loop] - forth], straight)
        round_ = np.stack((bends == 0, self.all_bends[loop] - bends == 0)) | ~same
        best: Floats = np.where(round_, ways, np.inf).min(axis=0)
        least = np.where(round_, np.inf, self._least_around(u, v, loop, at[:, 0], forth))
        for row in np.flatnonzero(least.min(axis=0) < best):
            best[row] = min(best[row], length_of(self._taut_line(u[row], v[row], rim[row], at[row])))
        return best

    def _least_around(self, u: Floats, v: Floats, loop: Rows, at: Floats, forth: Floats) -> Floats:
        """What the ways round both stretches of rim cannot be shorter than, (2, n): they pass its outermost corners."""
        w = self.outmost[loop]
        detour = np.hypot(*(w - u[:, None]).T).T + np.hypot(*(w - v[:, None]).T).T
        along, away = (v - u)[:, None], w - u[:, None]
        side = along[..., 0] * away[..., 1] - along[..., 1] * away[..., 0]
        ahead = np.mod(self.outmost_at[loop] - at[:, None], self.rims.perimeter[loop][:, None])
        forward = ahead < forth[:, None]
        passed = np.stack((forward & (side < 0), ~forward & (side > 0)))
        least: Floats = np.where(passed, detour, np.hypot(*(u - v).T)[:, None]).max(axis=2)
        return least

    def _taut_line(self, u: Floats, v: Floats, rim: Rows, at: Floats) -> Floats:
        """The shorter of the ways round a rim, pulled tight."""
        one, two = (int(loop) for loop in self.rims.loop[rim])
        if one != two:
            return np.stack((u, v))
        s, t = float(at[0]), float(at[1])
        round_ = float(self.rims.perimeter[one])
        forth = np.array([u, *self.rims.between(one, s, t + round_ * (t < s))[1:-1], v])
        back = np.array([v, *self.rims.between(one, t, s + round_ * (s < t))[1:-1], u])
        return min(_taut(forth), _taut(back)[::-1], key=length_of)


def _cut(rims: Rims) -> Rims:
    """Rims whose straight pieces are no longer than PIECE."""
    count = np.maximum(np.ceil(rims.length / PIECE), 1).astype(np.intp)
    row, step = np.repeat(np.arange(len(rims)), count), counted(count)
    size = (rims.length / count)[row]
    part = np.stack((step / count[row], (step + 1) / count[row]), axis=1)
    a, b = rims.ends[row, 0:2], rims.ends[row, 2:4]
    ends = np.hstack([a + part[:, k : k + 1] * (b - a) for k in (0, 1)])
    bend = np.where(step == 0, rims.bend_before[row], 0.0)
    s, loop, slack = rims.s[row] + step * size, rims.loop[row], rims.slack[row]
    return Rims(ends, s, size, loop, slack, bend, np.zeros(len(row)), rims.perimeter)


def _stretches(rims: Rims) -> Stretches:
    """Runs of at most RUN and all their halves."""
    place = np.column_stack((rims.loop, rims.s // RUN))
    count = np.bincount(np.unique(place, axis=0, return_inverse=True)[1]) if len(rims) else np.empty(0, dtype=np.intp)
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
        level = np.column_stack((parts[:, 0], front, parts[:, 0] + front, parts[:, 1] - front)).reshape(-1, 2)
    if not runs:
        none = np.empty(0, dtype=np.intp)
        return Stretches(0, none, none, none, np.empty(0, dtype=object), np.empty(0), np.empty(0))
    first, count = np.concatenate(levels).T
    owner, step = np.repeat(np.arange(len(first)), count + 1), counted(count + 1)
    tip = step == count[owner]
    at = first[owner] + step - tip
    xy = np.where(tip[:, None], rims.ends[at, 2:4], rims.ends[at, 0:2])
    slack = np.maximum.reduceat(rims.slack[at], np.flatnonzero(step == 0))
    line = shapely.linestrings(xy, indices=owner)
    return Stretches(runs, first, count, np.concatenate(halves), line, shapely.length(line), slack)


def _outmost(rims: Rims) -> tuple[Floats, Floats]:
    """The corners of each loop that lie farthest in eight directions, (loops, 8, 2), and where along it they are."""
    angle = np.arange(8) * np.pi / 4
    reach = rims.ends[:, :2] @ np.stack((np.cos(angle), np.sin(angle)))
    corners = [np.flatnonzero(rims.loop == loop) for loop in range(len(rims.perimeter))]
    rows = np.array([own[reach[own].argmax(axis=0)] for own in corners], dtype=np.intp).reshape(-1, 8)
    return rims.ends[rows, :2], rims.s[rows]


def counted(counts: Rows) -> Rows:
    """0 .. n-1 for each count, one after the other."""
    steps: Rows = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    return steps


def _taut(points: Floats) -> Floats:
    """A string along a rim with the board on its left, pulled tight on the right."""
    u, v = points[0], points[-1]
    along, away = v - u, points - u
    right = points[along[0] * away[:, 1] - along[1] * away[:, 0] < 0]
    hull = shapely.convex_hull(shapely.MultiPoint([u, v, *right]))
    if hull.geom_type != "Polygon":
        return np.stack((u, v))
    ring: Floats = shapely.get_coordinates(orient(hull))[:-1]
    start = int(np.argmin(np.hypot(*(ring - u).T)))
    ring = np.roll(ring, -start, axis=0)
    end = int(np.argmin(np.hypot(*(ring - v).T)))
    return ring[: end + 1]


def length_of(points: Floats) -> float:
    """Length of a polyline, mm."""
    return float(np.hypot(*np.diff(points, axis=0).T).sum())
