"""Ways through the air from one face of the board to the other: over its outer edge, through cutouts, slots and holes.

Such a way leaves the first conductor in a straight line on its face, bends over the rim of a void, crosses the void to
a place on the rim of the other face, and ends in a straight line there. Seen from above, the middle stretch is the
shortest line within the void; it is as steep as it needs to be. So the length is

    |p u| + hypot(L(u, v), height) + |v q|,     u and v on rims, L the shortest way from u to v within the void,

and it is minimised over u and v by branch and bound: rims are cut into pieces, pairs of pieces that cannot beat the
best way found are dropped, the rest are halved. Straight lines on a face pass over voids at no loss, since they are
air too. L is the straight line where that stays within the void; round the corners of the board it is the hull of the
rim between, which is exact unless other parts of the board stand in the way, and else too short.

Inner copper that reaches a rim is exposed there, at its own depth, and a way may begin or end at it.

Error: a length is never more than true and less by at most `TOLERANCE`; curved rims add the tolerance of their chords.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt
import shapely
from scipy.optimize import minimize
from shapely.geometry.polygon import orient

from checker.distances import Pieces
from checker.free_edges import Rims, rims_of
from parsers.primitives import TOUCH, Bools, Floats, Ints, Rows, Shapes

Keys = npt.NDArray[np.int64]
Ask = Callable[[Rows, Rows], Keys]  # conductors of both sides: the number of their group, negative to leave them out

RUN = 2.0  # mm; length of the runs that rims are first looked at in
TOLERANCE = 0.0002  # mm; how close to the shortest way a search stops
GRAZE = 1e-6  # mm; a line that runs along a rim does not cross the board
BLOCK = 400_000  # pairs looked at at once: bounds memory


@dataclass(frozen=True, slots=True)
class Ways:
    """The shortest way of each group; columns of length m, ordered by key."""

    key: Keys
    length: Floats
    first: Rows  # conductor
    second: Rows
    points: npt.NDArray[np.object_]  # (k, 2) each: on the first conductor, u, ..., v, on the second


@dataclass(frozen=True, slots=True)
class _Near:
    """Pieces of conductors near the rims, sorted by run of rim."""

    piece: Rows
    least: Floats  # (runs,) the smallest distance from each run, infinite where nothing is near
    start: Rows  # (runs,) where each run's rows begin
    count: Rows  # (runs,)


@dataclass(frozen=True, slots=True)
class _Cells:
    """Two straight pieces of rim, one for each end of a way, with the conductors that it joins; columns."""

    group: Rows
    p: Rows  # piece of the first side
    q: Rows  # piece of the second
    height: Floats
    u: Floats  # (n, 4)
    v: Floats
    at: Floats  # (n, 4) where u and v begin and end along their loops
    rim: Rows  # (n, 2) pieces of rim that u and v are part of
    slack: Floats

    def __len__(self) -> int:
        return len(self.group)

    def take(self, at: Rows | Bools) -> _Cells:
        return _Cells(*(getattr(self, f.name)[at] for f in fields(self)))

    @property
    def size(self) -> Floats:
        """Length of both pieces of rim together."""
        return _lengths(self.u) + _lengths(self.v)

    @property
    def middle(self) -> Floats:
        """Middles of u and v along their loops, (n, 2)."""
        return np.column_stack((self.at[:, :2].mean(axis=1), self.at[:, 2:].mean(axis=1)))


class _Side:
    """The conductors at one end of the ways."""

    def __init__(self, part: Pieces, layer: Ints, layers: int) -> None:
        self.row, self.shape, self.solid = part.row, part.shape, part.solid
        self.inflate = part.radius + part.slack
        self.layer = layer[part.row]
        self.inner = (self.layer > 0) & (self.layer < layers - 1)

    def gap(self, piece: Rows, shapes: Shapes) -> Floats:
        """Distance on the face; inner copper must touch."""
        gap: Floats = np.maximum(shapely.distance(self.shape[piece], shapes) - self.inflate[piece], 0.0)
        return np.where(self.inner[piece], np.where(gap <= TOUCH, 0.0, np.inf), gap)

    def foot(self, piece: int, point: Floats) -> Floats:
        """The nearest place on a conductor's surface."""
        line = shapely.get_coordinates(shapely.shortest_line(self.shape[piece], shapely.Point(point)))
        apart = float(np.hypot(*(line[1] - line[0])))
        foot: Floats = line[0] + (line[1] - line[0]) * min(self.inflate[piece] / apart if apart else 0.0, 1.0)
        return foot


class Air:
    """The voids of a board, ready for ways through them.

    Parameters
    ----------
    board : board material, voids cut out
    depth : (layers,) of each copper layer below the top face, mm; NaN where unknown
    """

    def __init__(self, board: shapely.Geometry, depth: Floats) -> None:
        self.depth = depth
        self.rims = _cut(rims_of(board))
        self.inside = shapely.buffer(board, -GRAZE, join_style="mitre")
        shapely.prepare(self.inside)
        reflex = self.rims.bend_before > 0  # corners where the board reaches round: no string is pulled tight on them
        self.bends = np.cumsum(reflex)  # up to and with the start of each piece of rim
        self.all_bends = np.bincount(self.rims.loop, reflex).astype(np.int64)
        self.outmost, self.outmost_at = _outmost(self.rims)
        place = np.column_stack((self.rims.loop, self.rims.s // RUN))
        _, run = np.unique(place, axis=0, return_inverse=True)
        self.count = np.bincount(run)
        self.first = np.cumsum(self.count) - self.count
        points = _counted(self.count + 1) - (_counted(self.count + 1) == np.repeat(self.count, self.count + 1))
        at = np.repeat(self.first, self.count + 1) + points
        tip = _counted(self.count + 1) == np.repeat(self.count, self.count + 1)
        xy = np.where(tip[:, None], self.rims.ends[at, 2:4], self.rims.ends[at, 0:2])
        owner = np.repeat(np.arange(len(self.count)), self.count + 1)
        self.lines: Shapes = shapely.linestrings(xy, indices=owner) if len(owner) else np.empty(0, dtype=object)
        self.tree = shapely.STRtree(self.lines)

    def ways(self, a: Pieces, b: Pieces, layer: Ints, limit: float, ask: Ask) -> Ways:
        """Find the shortest way of every group of pairs of conductors.

        Parameters
        ----------
        layer : of every conductor
        limit : mm; ways that are not shorter are left out
        ask : puts pairs of conductors into groups
        """
        if not len(a) or not len(b) or not len(self.lines) or limit <= self._least_height():
            return _no_ways()
        sides = [_Side(part, layer, len(self.depth)) for part in (a, b)]
        near = [self._near(side, limit) for side in sides]
        search = _Search(self, sides[0], sides[1], limit)
        for i, j in self._run_pairs(near[0], near[1], limit):
            search.add(_joined(near[0], near[1], i, j), ask)
        return search.found() if search.cells else _no_ways()

    def _near(self, side: _Side, limit: float) -> _Near:
        """Pieces that reach a rim: on the faces within the limit, on inner layers where they touch it."""
        reach = np.where(side.inner, TOUCH, limit) + side.inflate
        lines, solid = np.flatnonzero(~side.solid), np.flatnonzero(side.solid)
        i, run = self.tree.query(side.shape[lines], predicate="dwithin", distance=reach[lines])
        k, over = self.tree.query(side.shape[solid], predicate="intersects")
        piece, run = np.concatenate((lines[i], solid[k])), np.concatenate((run, over))
        gap = side.gap(piece, self.lines[run])
        order = np.lexsort((piece, run))
        least = np.full(len(self.lines), np.inf)
        np.minimum.at(least, run, gap)
        count = np.bincount(run, minlength=len(self.lines))
        return _Near(piece[order], least, np.cumsum(count) - count, count)

    def _run_pairs(self, a: _Near, b: _Near, limit: float) -> Iterator[tuple[Rows, Rows]]:
        """Pairs of runs that a way may bend over, in blocks."""
        i, j = self.tree.query(self.lines, predicate="dwithin", distance=limit)
        rise = np.hypot(shapely.distance(self.lines[i], self.lines[j]), self._least_height())
        kept = np.flatnonzero(a.least[i] + rise + b.least[j] < limit)
        i, j = i[kept], j[kept]
        total = np.cumsum(a.count[i] * b.count[j])
        last = int(total[-1]) if len(total) else 0
        for block in np.split(np.arange(len(i)), np.searchsorted(total, np.arange(BLOCK, last, BLOCK))):
            if len(block):
                yield i[block], j[block]

    def _least_height(self) -> float:
        """Between copper that inner layers expose a wall may have no height at all."""
        return float(self.depth[-1]) if len(self.depth) == 2 else 0.0

    def around(self, cells: _Cells) -> Floats:
        """Shortest ways within the void between the middles of blocked cells, round the rim between them.

        A stretch of rim that only sticks out is its own shortest way; any other is pulled tight.
        """
        u, v, (s, t) = _middles(cells.u), _middles(cells.v), cells.middle.T
        straight = np.hypot(*(u - v).T)
        i, j = cells.rim.T
        loop = self.rims.loop[i]
        same = loop == self.rims.loop[j]
        forth = np.mod(t - s, self.rims.perimeter[loop])
        bends = self.bends[j] - self.bends[i]
        bends += self.all_bends[loop] * ((j < i) | ((j == i) & (t < s)))
        ways = np.where(same, [forth, self.rims.perimeter[loop] - forth], straight)
        round_ = np.stack((bends == 0, self.all_bends[loop] - bends == 0)) | ~same
        best: Floats = np.where(round_, ways, np.inf).min(axis=0)
        least = np.where(round_, np.inf, self._least_around(cells, u, v, forth))
        for row in np.flatnonzero(least.min(axis=0) < best):
            best[row] = min(best[row], _length_of(self.within(cells.take(np.array([row])))))
        return best

    def _least_around(self, cells: _Cells, u: Floats, v: Floats, forth: Floats) -> Floats:
        """What the ways round both stretches of rim cannot be shorter than, (2, n): they pass its outermost corners."""
        loop = self.rims.loop[cells.rim[:, 0]]
        w = self.outmost[loop]
        detour = np.hypot(*(w - u[:, None]).T).T + np.hypot(*(w - v[:, None]).T).T
        along, away = (v - u)[:, None], w - u[:, None]
        side = along[..., 0] * away[..., 1] - along[..., 1] * away[..., 0]
        ahead = np.mod(self.outmost_at[loop] - cells.middle[:, 0][:, None], self.rims.perimeter[loop][:, None])
        forward = ahead < forth[:, None]
        passed = np.stack((forward & (side < 0), ~forward & (side > 0)))
        least: Floats = np.where(passed, detour, np.hypot(*(u - v).T)[:, None]).max(axis=2)
        return least

    def within(self, cell: _Cells) -> Floats:
        """The shortest way within the void between the middles of one blocked cell, as points."""
        u, v = _middles(cell.u)[0], _middles(cell.v)[0]
        one, two = (int(loop) for loop in self.rims.loop[cell.rim[0]])
        if one != two:
            return np.stack((u, v))
        s, t = (float(place) for place in cell.middle[0])
        round_ = float(self.rims.perimeter[one])
        forth = np.array([u, *self.rims.between(one, s, t + round_ * (t < s))[1:-1], v])
        back = np.array([v, *self.rims.between(one, t, s + round_ * (s < t))[1:-1], u])
        return min(_taut(forth), _taut(back)[::-1], key=_length_of)


def _joined(a: _Near, b: _Near, i: Rows, j: Rows) -> tuple[Rows, Rows, Rows, Rows]:
    """Every piece near run i with every piece near run j: runs and pieces of both."""
    row = np.repeat(np.arange(len(i)), a.count[i] * b.count[j])
    step = _counted(a.count[i] * b.count[j])
    i, j = i[row], j[row]
    return i, a.piece[a.start[i] + step // b.count[j]], j, b.piece[b.start[j] + step % b.count[j]]


class _Search:
    """Branch and bound over pairs of pieces of rim."""

    def __init__(self, air: Air, a: _Side, b: _Side, limit: float) -> None:
        self.air, self.a, self.b, self.limit = air, a, b, limit
        self.keys: list[Keys] = []
        self.cells: list[_Cells] = []

    def add(self, joined: tuple[Rows, Rows, Rows, Rows], ask: Ask) -> None:
        """Take up candidates run by run, and cut them into straight pieces of rim."""
        i, p, j, q = joined
        key = ask(self.a.row[p], self.b.row[q])
        height = np.abs(self.air.depth[self.a.layer[p]] - self.air.depth[self.b.layer[q]])
        wanted = (key >= 0) & ((self.a.layer[p] != self.b.layer[q]) | self.a.inner[p]) & np.isfinite(height)
        i, p, j, q, height, key = (column[wanted] for column in (i, p, j, q, height, key))
        u, v = self.air.lines[i], self.air.lines[j]
        bound = self.a.gap(p, u) + np.hypot(shapely.distance(u, v), height) + self.b.gap(q, v)
        kept = bound < self.limit
        self._cut_up(*(column[kept] for column in (i, p, j, q, height, key)))

    def _cut_up(self, i: Rows, p: Rows, j: Rows, q: Rows, height: Floats, key: Keys) -> None:
        """Every straight piece of run i with every one of run j."""
        first, count, rims = self.air.first, self.air.count, self.air.rims
        row = np.repeat(np.arange(len(i)), count[i] * count[j])
        step = _counted(count[i] * count[j])
        u, v = first[i][row] + step // count[j][row], first[j][row] + step % count[j][row]
        at = np.column_stack((rims.s[u], rims.s[u] + rims.length[u], rims.s[v], rims.s[v] + rims.length[v]))
        rim, slack = np.column_stack((u, v)), rims.slack[u] + rims.slack[v]
        cells = _Cells(row, p[row], q[row], height[row], rims.ends[u], rims.ends[v], at, rim, slack)
        kept = self._bounds(cells, self._flat(cells)) < self.limit
        self.cells.append(cells.take(kept))
        self.keys.append(key[row[kept]])

    def found(self) -> Ways:
        """The shortest way of each group."""
        cells = _Cells(*(np.concatenate([getattr(c, f.name) for c in self.cells]) for f in fields(_Cells)))
        keys, group = np.unique(np.concatenate(self.keys), return_inverse=True)
        cells = replace(cells, group=group)
        best = np.full(len(keys), self.limit + TOLERANCE)  # the shortest way found so far
        floor = np.full(len(keys), np.inf)  # nothing that was dropped is shorter than this
        won: dict[int, _Cells] = {}
        while len(cells):
            flat, tiny = self._flat(cells), cells.size <= TOLERANCE / 2
            bound, length = self._bounds(cells, flat), self._lengths(cells, flat)
            length = np.where(np.isinf(length) & tiny, bound, length)
            for row in _improving(cells.group, length, best):
                won[int(cells.group[row])] = cells.take(np.array([row]))
            open_ = (bound < best[cells.group] - TOLERANCE) & ~tiny
            np.minimum.at(floor, cells.group[~open_], bound[~open_])
            cells = _halved(cells.take(open_))
        return self._told(keys, np.minimum(best, floor), won)

    def _bounds(self, cells: _Cells, flat: Floats) -> Floats:
        """What no way over these pieces of rim can be shorter than: L changes no faster than its ends move."""
        u, v = _segments(cells.u), _segments(cells.v)
        flat = np.maximum(shapely.distance(u, v), flat - cells.size / 2)
        bounds: Floats = self.a.gap(cells.p, u) + np.hypot(flat, cells.height) + self.b.gap(cells.q, v) - cells.slack
        return bounds

    def _lengths(self, cells: _Cells, flat: Floats) -> Floats:
        """Length of the way over the middles of both pieces of rim; infinite where inner copper is not there."""
        u, v = shapely.points(_middles(cells.u)), shapely.points(_middles(cells.v))
        rise = np.hypot(flat, cells.height)
        lengths: Floats = self.a.gap(cells.p, u) + rise + self.b.gap(cells.q, v) - cells.slack
        return lengths

    def _flat(self, cells: _Cells) -> Floats:
        """L between the middles of both pieces of rim."""
        line = shapely.linestrings(np.stack((_middles(cells.u), _middles(cells.v)), axis=1))
        flat: Floats = shapely.length(line)
        blocked = np.flatnonzero((flat > 0) & shapely.intersects(self.air.inside, line))
        flat[blocked] = self.air.around(cells.take(blocked))
        return flat

    def _told(self, keys: Keys, floor: Floats, won: dict[int, _Cells]) -> Ways:
        numbers = np.array([n for n in sorted(won) if floor[n] < self.limit], dtype=np.intp)
        cells = [won[number] for number in numbers.tolist()]
        points = np.empty(len(cells), dtype=object)
        points[:] = [self._points(cell) for cell in cells]
        rows = np.array([(self.a.row[c.p[0]], self.b.row[c.q[0]]) for c in cells], dtype=np.intp).reshape(-1, 2)
        return Ways(keys[numbers], np.maximum(floor[numbers], 0.0), rows[:, 0], rows[:, 1], points)

    def _points(self, cell: _Cells) -> Floats:
        """The way over one cell, bent where it is shortest on the straight pieces of rim that the cell is part of."""
        u, v = _middles(cell.u)[0], _middles(cell.v)[0]
        if shapely.intersects(self.air.inside, shapely.LineString((u, v))):
            line = self.air.within(cell)
        else:
            line = self._settled(cell, u, v)
        start, end = self.a.foot(int(cell.p[0]), line[0]), self.b.foot(int(cell.q[0]), line[-1])
        return np.concatenate((start[None], line, end[None]))

    def _settled(self, cell: _Cells, u: Floats, v: Floats) -> Floats:
        """Move u and v, nearly the best already, to the best places nearby."""
        ends = self.air.rims.ends[cell.rim[0]]
        size = np.maximum(_lengths(ends), GRAZE)[:, None]
        along = (ends[:, 2:] - ends[:, :2]) / size
        at = np.einsum("ij,ij->i", np.stack((u, v)) - ends[:, :2], along)

        def place(parts: Floats) -> Floats:
            places: Floats = ends[:, :2] + np.clip(parts, 0.0, size[:, 0])[:, None] * along
            return places

        def length(parts: Floats) -> float:
            one, two = place(parts)
            gaps = self.a.gap(cell.p, shapely.points(one[None])) + self.b.gap(cell.q, shapely.points(two[None]))
            return float(gaps[0] + np.hypot(np.hypot(*(one - two)), cell.height[0]))

        found = minimize(length, at, method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-12})
        return place(found.x if found.fun <= length(at) else at)


def _cut(rims: Rims) -> Rims:
    """Rims whose straight pieces are no longer than RUN."""
    count = np.maximum(np.ceil(rims.length / RUN), 1).astype(np.intp)
    row, step = np.repeat(np.arange(len(rims)), count), _counted(count)
    size = (rims.length / count)[row]
    part = np.stack((step / count[row], (step + 1) / count[row]), axis=1)
    a, b = rims.ends[row, 0:2], rims.ends[row, 2:4]
    ends = np.hstack([a + part[:, k : k + 1] * (b - a) for k in (0, 1)])
    bend = np.where(step == 0, rims.bend_before[row], 0.0)
    s, loop, slack = rims.s[row] + step * size, rims.loop[row], rims.slack[row]
    return Rims(ends, s, size, loop, slack, bend, np.zeros(len(row)), rims.perimeter)


def _outmost(rims: Rims) -> tuple[Floats, Floats]:
    """The corners of each loop that lie farthest in eight directions, (loops, 8, 2), and where along it they are."""
    angle = np.arange(8) * np.pi / 4
    reach = rims.ends[:, :2] @ np.stack((np.cos(angle), np.sin(angle)))
    corners = [np.flatnonzero(rims.loop == loop) for loop in range(len(rims.perimeter))]
    rows = np.array([own[reach[own].argmax(axis=0)] for own in corners], dtype=np.intp).reshape(-1, 8)
    return rims.ends[rows, :2], rims.s[rows]


def _counted(counts: Rows) -> Rows:
    """0 .. n-1 for each count, one after the other."""
    steps: Rows = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    return steps


def _improving(group: Rows, length: Floats, best: Floats) -> list[int]:
    """Rows that are the best of their group so far; lowers `best` to them."""
    rows = np.flatnonzero(length < best[group])
    rows = rows[np.lexsort((length[rows], group[rows]))]
    rows = rows[np.concatenate(([True], group[rows][1:] != group[rows][:-1]))[: len(rows)]]
    best[group[rows]] = length[rows]
    return [int(row) for row in rows]


def _halved(cells: _Cells) -> _Cells:
    """Four cells of each: both pieces of rim halved."""
    parts = []
    for one in (0, 1):
        for two in (0, 1):
            at = np.hstack((_half(cells.at[:, :2], one, 1), _half(cells.at[:, 2:], two, 1)))
            parts.append(replace(cells, u=_half(cells.u, one, 2), v=_half(cells.v, two, 2), at=at))
    return _Cells(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(_Cells)))


def _half(ends: Floats, which: int, width: int) -> Floats:
    """First or second half of stretches given by their ends."""
    a, b = ends[:, :width], ends[:, width:]
    middle = (a + b) / 2
    return np.hstack((middle, b) if which else (a, middle))


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


def _segments(ends: Floats) -> Shapes:
    lines: Shapes = shapely.linestrings(ends.reshape(-1, 2, 2))
    return lines


def _middles(ends: Floats) -> Floats:
    middles: Floats = (ends[:, 0:2] + ends[:, 2:4]) / 2
    return middles


def _lengths(ends: Floats) -> Floats:
    lengths: Floats = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    return lengths


def _length_of(points: Floats) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def _no_ways() -> Ways:
    none = np.empty(0, dtype=np.intp)
    return Ways(none.astype(np.int64), np.empty(0), none, none, np.empty(0, dtype=object))
