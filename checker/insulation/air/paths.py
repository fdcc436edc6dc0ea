"""Ways through the air from one face of the board to the other: over its outer edge, through cutouts, slots and holes.

Such a way leaves the first conductor in a straight line on its face, bends over the rim of a void, crosses the void to
a place on the rim of the other face, and ends in a straight line there. Seen from above, the middle stretch is the
shortest line within the void; it is as steep as it needs to be. So the length is

    |p u| + hypot(L(u, v), height) + |v q|,     u and v on rims, L the shortest way from u to v within the void,

and it is minimised over u and v by branch and bound: rims are cut into pieces, pairs of pieces that cannot beat the
best way found are dropped, the rest are halved. Straight lines on a face pass over voids at no loss, since they are
air too. For L see checker.voids.

Inner copper that reaches a rim is exposed there, at its own depth, and a way may begin or end at it.

Error: a length is never more than true and less by at most `TOLERANCE`; curved rims add the tolerance of their chords.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import shapely

from checker.geometry.nearest import Pieces, edges_of
from checker.insulation.air.voids import GRAZE, PIECE, Voids, Within, counted
from parsers.primitives import TOUCH, Bools, Floats, Ints, Rows, Shapes

Keys = npt.NDArray[np.int64]
Ask = Callable[[Rows, Rows], Keys]  # conductors of both sides: the number of their group, negative to leave them out

TOLERANCE = 0.00005  # mm; how close to the shortest way a search stops
SETTLED = 1e-6  # mm; how close to its best place a witness is moved
_MOVES = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1) if a or b])
FEW = 4  # pairs of stretches whose middles are tried at each step, for every group
BLOCK = 400_000  # pairs looked at at once: bounds memory
HALF, OTHER, WHOLE = 0, 1, 2  # what becomes of a stretch in the next step


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
    """Which pieces of a node's conductors on a layer are near a stretch of rim; one entry each, columns."""

    stretch: Rows
    start: Rows  # where its pieces begin
    count: Rows
    least: Floats  # the smallest distance
    piece: Rows  # of all entries, nearest first within each

    def __len__(self) -> int:
        return len(self.stretch)


@dataclass(frozen=True, slots=True)
class _Spans:
    """Two stretches of rim, one for each end of a way, with the conductors near them; columns."""

    group: Rows
    height: Floats
    u: Rows  # entry of the first side's _Near
    v: Rows  # entry of the second's

    def __len__(self) -> int:
        return len(self.group)

    def take(self, at: Rows | Bools) -> _Spans:
        return _Spans(*(getattr(self, f.name)[at] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class _Cells:
    """Two straight pieces of rim, one for each end of a way, with the pieces of conductors that it joins; columns."""

    group: Rows
    height: Floats
    p: Rows  # piece of the first side
    q: Rows  # piece of the second
    u: Floats  # (n, 4)
    v: Floats
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


Table = TypeVar("Table", _Cells, _Spans)


class _Side:
    """The conductors at one end of the ways, cut into convex pieces but for solid areas."""

    def __init__(self, part: Pieces, layer: Ints, layers: int, rims: shapely.STRtree) -> None:
        self.shape, owner = _convex(part.shape, part.solid)
        self.row, self.solid = part.row[owner], part.solid[owner]
        self.inflate = (part.radius + part.slack)[owner]
        self.layer = layer[self.row]
        self.inner = (self.layer > 0) & (self.layer < layers - 1)
        self.convex = shapely.get_dimensions(self.shape) < 2
        self.lack = np.zeros(len(self.row))  # how far inner copper that touches stays from the nearest rim
        inner = np.flatnonzero(self.inner)
        (which, _), gap = rims.query_nearest(self.shape[inner], all_matches=False, return_distance=True)
        self.lack[inner[which]] = np.maximum(gap - self.inflate[inner[which]], 0.0)

    def gap(self, piece: Rows, shapes: Shapes) -> Floats:
        """Distance on the face; inner copper must touch, and what it lacks to the rim counts as nothing."""
        gap = np.maximum(shapely.distance(self.shape[piece], shapes) - self.inflate[piece], 0.0)
        gap = np.maximum(gap - self.lack[piece], 0.0)
        gaps: Floats = np.where(self.inner[piece] & (gap + self.lack[piece] > TOUCH), np.inf, gap)
        return gaps

    def slope(self, piece: Rows, points: Floats, along: Floats) -> Floats:
        """How fast the distance grows as points move along unit vectors."""
        lines = shapely.shortest_line(self.shape[piece], shapely.points(points))
        away = np.diff(shapely.get_coordinates(lines).reshape(-1, 2, 2), axis=1)[:, 0]
        far = np.hypot(away[:, 0], away[:, 1])
        outside = far > self.inflate[piece] + self.lack[piece]
        slope: Floats = np.where(outside, (away * along).sum(axis=1) / np.where(far > 0, far, 1.0), 0.0)
        return slope

    def feet(self, piece: Rows, points: Floats) -> Floats:
        """The nearest places on conductors' surfaces."""
        lines = shapely.shortest_line(self.shape[piece], shapely.points(points))
        ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
        away = ends[:, 1] - ends[:, 0]
        apart = np.hypot(away[:, 0], away[:, 1])
        share = np.minimum(self.inflate[piece] / np.where(apart > 0, apart, 1.0), 1.0)
        feet: Floats = ends[:, 0] + away * share[:, None]
        return feet


def _convex(shapes: Shapes, solid: Bools) -> tuple[Shapes, Rows]:
    """Points and single edges that shapes are made of, solid areas whole; and the shape that each belongs to.

    An area of few edges is its edges and itself, since what begins inside it touches it.
    """
    kind, count = shapely.get_type_id(shapes), shapely.get_num_coordinates(shapes)
    bent = np.flatnonzero(~solid & (count > 2))
    kept = np.flatnonzero(solid | (count <= 2) | (kind == shapely.GeometryType.POLYGON))
    edges = [edges_of(shape) for shape in shapes[bent]]
    ends = np.concatenate(edges) if edges else np.empty((0, 4))
    owner = np.concatenate((kept, np.repeat(bent, [len(e) for e in edges]).astype(np.intp)))
    return np.concatenate((shapes[kept], _segments(ends))), owner


@dataclass(frozen=True, slots=True)
class Reach:
    """Conductors prepared for ways over edges."""

    side: _Side
    near: _Near


class Air:
    """The voids of a board, ready for ways through them.

    Parameters
    ----------
    board : board material, voids cut out
    depth : (layers,) of each copper layer below the top face, mm; NaN where unknown
    """

    def __init__(self, board: shapely.Geometry, depth: Floats) -> None:
        self.depth = depth
        self.voids = Voids(board)

    def reach(self, part: Pieces, layer: Ints, node: Ints, limit: float) -> Reach:
        """Prepare conductors for ways up to a limit.

        Parameters
        ----------
        layer, node : of every conductor; conductors of one node are always of one group
        """
        side = _Side(part.take(self._within(part, limit)), layer, len(self.depth), self.voids.tree)
        return Reach(side, self._near_runs(side, node, limit))

    def ways(self, a: Reach, b: Reach, limit: float, ask: Ask) -> Ways:
        """Find the shortest way of every group of pairs of conductors.

        Parameters
        ----------
        limit : mm, no greater than the one that `a` and `b` were prepared for; ways that are not shorter are left out
        ask : puts pairs of conductors into groups
        """
        if not len(a.near) or not len(b.near) or limit <= self._least_height():
            return _no_ways()
        search = _Search(self, (a.side, b.side), (a.near, b.near), limit)
        for i, j in self._run_pairs(a.near, b.near, limit):
            search.add(_joined(a.near, b.near, i, j), ask)
        return search.found() if search.keys else _no_ways()

    def _within(self, part: Pieces, limit: float) -> Rows:
        """Pieces within the limit of a rim."""
        reach = limit + part.radius + part.slack
        near: Rows = np.unique(self.voids.tree.query(part.shape, predicate="dwithin", distance=reach)[0])
        return near

    def _near_runs(self, side: _Side, node: Ints, limit: float) -> _Near:
        """What reaches the runs of the rims: on the faces within the limit, on inner layers where it touches them."""
        tree = self.voids.tree
        reach = np.where(side.inner, TOUCH, limit) + side.inflate
        lines, solid = np.flatnonzero(~side.solid), np.flatnonzero(side.solid)
        i, run = tree.query(side.shape[lines], predicate="dwithin", distance=reach[lines])
        k, over = tree.query(side.shape[solid], predicate="intersects")
        piece, run = np.concatenate((lines[i], solid[k])), np.concatenate((run, over))
        place = np.column_stack((run, node[side.row[piece]], side.layer[piece]))
        entries, owner = np.unique(place, axis=0, return_inverse=True)
        return self.nearest(side, entries[:, 0], owner, piece)

    def nearest(self, side: _Side, stretch: Rows, owner: Rows, piece: Rows) -> _Near:
        """Entries for stretches, with those pieces that can be the nearest somewhere on them.

        Parameters
        ----------
        stretch : of each entry
        owner, piece : candidates: entry and piece
        """
        stretches = self.voids.stretches
        gap = side.gap(piece, stretches.line[stretch[owner]])
        least = np.full(len(stretch), np.inf)
        np.minimum.at(least, owner, gap)
        kept = np.flatnonzero(gap <= (least + stretches.length[stretch])[owner])
        kept = kept[np.lexsort((piece[kept], gap[kept], owner[kept]))]
        count = np.bincount(owner[kept], minlength=len(stretch))
        return _Near(stretch, np.cumsum(count) - count, count, least, piece[kept])

    def _run_pairs(self, a: _Near, b: _Near, limit: float) -> Iterator[tuple[Rows, Rows]]:
        """Pairs of runs that a way may bend over, in blocks."""
        runs = self.voids.stretches.line[: self.voids.stretches.runs]
        i, j = self.voids.tree.query(runs, predicate="dwithin", distance=limit)
        void = self.voids.of_runs()
        i, j = i[void[i] == void[j]], j[void[i] == void[j]]
        rise = np.hypot(shapely.distance(runs[i], runs[j]), self._least_height())
        least = [_least_of(near, len(runs)) for near in (a, b)]
        kept = np.flatnonzero(least[0][i] + rise + least[1][j] < limit)
        i, j = i[kept], j[kept]
        total = np.cumsum(
            np.bincount(a.stretch, minlength=len(runs))[i] * np.bincount(b.stretch, minlength=len(runs))[j]
        )
        last = int(total[-1]) if len(total) else 0
        for block in np.split(np.arange(len(i)), np.searchsorted(total, np.arange(BLOCK, last, BLOCK))):
            if len(block):
                yield i[block], j[block]

    def _least_height(self) -> float:
        """Between copper that inner layers expose a wall may have no height at all."""
        return float(self.depth[-1]) if len(self.depth) == 2 else 0.0


def _least_of(near: _Near, runs: int) -> Floats:
    """The smallest distance of anything from each run."""
    least = np.full(runs, np.inf)
    np.minimum.at(least, near.stretch, near.least)
    return least


def _joined(a: _Near, b: _Near, i: Rows, j: Rows) -> tuple[Rows, Rows]:
    """Every entry at run i with every entry at run j; entries are sorted by run."""
    first_a, first_b = np.searchsorted(a.stretch, i), np.searchsorted(b.stretch, j)
    count_a, count_b = (np.searchsorted(n.stretch, k, side="right") for n, k in ((a, i), (b, j)))
    count_a, count_b = count_a - first_a, count_b - first_b
    row, step = np.repeat(np.arange(len(i)), count_a * count_b), counted(count_a * count_b)
    return first_a[row] + step // count_b[row], first_b[row] + step % count_b[row]


class _Search:
    """Branch and bound over pairs of stretches, then of straight pieces, of rim."""

    def __init__(self, air: Air, sides: tuple[_Side, _Side], near: tuple[_Near, _Near], limit: float) -> None:
        self.air, self.voids, self.limit = air, air.voids, limit
        self.a, self.b = sides
        self.near = near
        self.keys: list[Keys] = []
        self.spans: list[_Spans] = []
        self.best = np.empty(0)  # of each group: the shortest way found so far
        self.floor = np.empty(0)  # nothing that was dropped is shorter than this
        self.won: dict[int, _Cells] = {}

    def add(self, joined: tuple[Rows, Rows], ask: Ask) -> None:
        """Take up candidates, run by run."""
        u, v = joined
        p, q = (near.piece[near.start[at]] for near, at in zip(self.near, joined, strict=True))
        key = ask(self.a.row[p], self.b.row[q])
        here, there = self.a.layer[p], self.b.layer[q]
        height = np.abs(self.air.depth[here] - self.air.depth[there])
        spans = _Spans(key, height, u, v).take((key >= 0) & ((here != there) | self.a.inner[p]) & np.isfinite(height))
        spans = spans.take(self._span_bounds(spans) < self.limit)
        self.keys.append(spans.group)
        self.spans.append(spans)

    def found(self) -> Ways:
        """The shortest way of each group."""
        keys, group = np.unique(np.concatenate(self.keys), return_inverse=True)
        spans = replace(_stacked(self.spans), group=group)
        self.best, self.floor = np.full(len(keys), self.limit + TOLERANCE), np.full(len(keys), np.inf)
        cells = []
        while len(spans):
            bound = self._span_bounds(spans)
            self._try_middles(spans.take(_most_promising(spans.group, bound)))
            spans = spans.take(self._open(spans.group, bound))
            single = self._counts(0, spans.u) + self._counts(1, spans.v) == 2
            cells.append(self._cells(spans.take(single)))
            spans = self._split(spans.take(~single))
        if cells:
            self._refine(_stacked(cells))
        return self._told(keys, np.minimum(self.best, self.floor))

    def _counts(self, side: int, entry: Rows) -> Rows:
        """Straight pieces in the stretches of entries."""
        counts: Rows = self.voids.stretches.count[self.near[side].stretch[entry]]
        return counts

    def _open(self, group: Rows, bound: Floats) -> Bools:
        """Which may still beat the best of their group; remembers how short the others could have been."""
        open_: Bools = bound < self.best[group] - TOLERANCE
        np.minimum.at(self.floor, group[~open_], bound[~open_])
        return open_

    def _span_bounds(self, spans: _Spans) -> Floats:
        """What no way over these stretches can be shorter than."""
        stretches = self.voids.stretches
        one, two = self.near[0].stretch[spans.u], self.near[1].stretch[spans.v]
        pairs, inverse = np.unique(one * len(stretches.line) + two, return_inverse=True)
        i, j = np.divmod(pairs, len(stretches.line))
        flat = np.hypot(shapely.distance(stretches.line[i], stretches.line[j])[inverse], spans.height)
        apart = self.near[0].least[spans.u] + self.near[1].least[spans.v]
        bounds: Floats = apart + flat - stretches.slack[one] - stretches.slack[two]
        return bounds

    def _try_middles(self, spans: _Spans) -> None:
        """Take the middles of stretches, from the nearest conductor of each, as a first guess."""
        p, q = (near.piece[near.start[at]] for near, at in zip(self.near, (spans.u, spans.v), strict=True))
        cells = self._straight(spans, p, q)
        self._improve(cells, self._lengths(cells, self._within(cells)))

    def _cells(self, spans: _Spans) -> _Cells:
        """Every piece near one straight piece of rim with every piece near the other."""
        one, two = self.near
        row = np.repeat(np.arange(len(spans)), one.count[spans.u] * two.count[spans.v])
        step, spans = counted(one.count[spans.u] * two.count[spans.v]), spans.take(row)
        p = one.piece[one.start[spans.u] + step // two.count[spans.v]]
        return self._straight(spans, p, two.piece[two.start[spans.v] + step % two.count[spans.v]])

    def _straight(self, spans: _Spans, p: Rows, q: Rows) -> _Cells:
        """The straight pieces in the middle of stretches."""
        rims, stretches = self.voids.rims, self.voids.stretches
        both = self.near[0].stretch[spans.u], self.near[1].stretch[spans.v]
        u, v = (stretches.first[side] + stretches.count[side] // 2 for side in both)
        rim, slack = np.column_stack((u, v)), rims.slack[u] + rims.slack[v]
        return _Cells(spans.group, spans.height, p, q, rims.ends[u], rims.ends[v], rim, slack)

    def _split(self, spans: _Spans) -> _Spans:
        """Halve the stretch of each pair that has more pieces."""
        first = self._counts(0, spans.u) >= self._counts(1, spans.v)
        parts = [(np.where(first, half, WHOLE), np.where(first, WHOLE, half)) for half in (HALF, OTHER)]
        become_u, become_v = (np.concatenate(columns) for columns in zip(*parts, strict=True))
        spans = _stacked([spans, spans])
        near_a, u = self._descend(0, self.a, spans.u, become_u)
        near_b, v = self._descend(1, self.b, spans.v, become_v)
        self.near = near_a, near_b
        return replace(spans, u=u, v=v)

    def _descend(self, which: int, side: _Side, entry: Rows, become: Rows) -> tuple[_Near, Rows]:
        """Entries for halves of stretches, or the same stretches, and which of them each row asked for."""
        near, stretches = self.near[which], self.voids.stretches
        asked, inverse = np.unique(np.column_stack((entry, become)), axis=0, return_inverse=True)
        entry, become = asked.T
        whole = near.stretch[entry]
        stretch = np.where(become == WHOLE, whole, stretches.half[whole] + become)
        owner = np.repeat(np.arange(len(entry)), near.count[entry])
        piece = near.piece[near.start[entry][owner] + counted(near.count[entry])]
        return self.air.nearest(side, stretch, owner, piece), inverse

    def _improve(self, cells: _Cells, length: Floats) -> None:
        """Remember cells whose middles give the shortest way of their group so far."""
        for row in _improving(cells.group, length, self.best):
            self.won[int(cells.group[row])] = cells.take(np.array([row]))

    def _refine(self, cells: _Cells) -> None:
        """Halve pairs of straight pieces of rim until none can beat the best of its group by more than TOLERANCE."""
        while len(cells):
            line, tiny = self._within(cells), cells.size <= TOLERANCE / 2
            bound, length = self._bounds(cells, line), self._lengths(cells, line)
            self._improve(cells, np.where(np.isinf(length) & tiny, bound, length))
            cells = cells.take(
                self._open(cells.group, np.where(tiny, np.maximum(bound, self.best[cells.group]), bound))
            )
            cells = _halved(cells)

    def _bounds(self, cells: _Cells, line: Within) -> Floats:
        """What no way over these pieces of rim can be shorter than: L changes no faster than its ends move."""
        u, v = _segments(cells.u), _segments(cells.v)
        flat = np.maximum(shapely.distance(u, v), line.length - cells.size / 2)
        bounds: Floats = self.a.gap(cells.p, u) + np.hypot(flat, cells.height) + self.b.gap(cells.q, v) - cells.slack
        return np.maximum(bounds, self._tangents(cells, line))

    def _tangents(self, cells: _Cells, line: Within) -> Floats:
        """Bounds from the slope in the middle, where the length is a convex function of the places on both rims.

        It is for convex conductors and as long as the line within the void keeps to one way round the board: a void
        is a space in which shortest lines that can be shifted into each other don't spread faster than straight ones.
        """
        rise = np.hypot(line.length, cells.height)
        share = line.length / np.where(rise > 0, rise, 1.0)
        slope = np.zeros(len(cells))
        for side, piece, ends, lean in (
            (self.a, cells.p, cells.u, line.lean_u),
            (self.b, cells.q, cells.v, line.lean_v),
        ):
            along = _units(ends)
            own = side.slope(piece, _middles(ends), along) + share * (lean * along).sum(axis=1)
            slope += np.abs(own) * _lengths(ends) / 2
        length = self._lengths(cells, line)
        convex = self.a.convex[cells.p] & self.b.convex[cells.q] & np.isfinite(length)
        convex &= line.length + cells.size < self.voids.girth / 2
        bounds: Floats = np.where(convex, np.where(convex, length, 0.0) - slope, 0.0)
        return bounds

    def _lengths(self, cells: _Cells, line: Within) -> Floats:
        """Length of the way over the middles of both pieces of rim; infinite where inner copper is not there."""
        u, v = shapely.points(_middles(cells.u)), shapely.points(_middles(cells.v))
        rise = np.hypot(line.length, cells.height)
        lengths: Floats = self.a.gap(cells.p, u) + rise + self.b.gap(cells.q, v) - cells.slack
        return lengths

    def _within(self, cells: _Cells) -> Within:
        """Lines within the void between the middles of both pieces of rim."""
        return self.voids.within(_middles(cells.u), _middles(cells.v))

    def _told(self, keys: Keys, floor: Floats) -> Ways:
        numbers = np.array([n for n in sorted(self.won) if floor[n] < self.limit], dtype=np.intp)
        if not len(numbers):
            return _no_ways()
        cells = _stacked([self.won[number] for number in numbers.tolist()])
        points = np.empty(len(cells), dtype=object)
        points[:] = self._points(cells)
        first, second = self.a.row[cells.p], self.b.row[cells.q]
        return Ways(keys[numbers], np.maximum(floor[numbers], 0.0), first, second, points)

    def _points(self, cells: _Cells) -> list[Floats]:
        """Ways over the middles of cells, or over the best places nearby where the void is open between them."""
        u, v = _middles(cells.u), _middles(cells.v)
        lines = [self.voids.line(*row) for row in zip(u, v, strict=True)]
        settled = self._settled(cells)
        lines = [two if len(line) == 2 else line for line, two in zip(lines, settled, strict=True)]
        start = self.a.feet(cells.p, np.array([line[0] for line in lines]))
        end = self.b.feet(cells.q, np.array([line[-1] for line in lines]))
        return [np.concatenate((s[None], line, e[None])) for s, line, e in zip(start, lines, end, strict=True)]

    def _settled(self, cells: _Cells) -> Floats:
        """Middles of u and v moved to where the way is shortest along their pieces of rim, (n, 2, 2)."""
        ends = self.voids.rims.ends[cells.rim]
        size = np.maximum(np.hypot(*(ends[..., 2:] - ends[..., :2]).T).T, GRAZE)
        along = (ends[..., 2:] - ends[..., :2]) / size[..., None]
        at = ((np.stack((_middles(cells.u), _middles(cells.v)), axis=1) - ends[..., :2]) * along).sum(axis=2)

        def length(parts: Floats) -> Floats:
            u, v = np.moveaxis(ends[..., :2] + parts[..., None] * along, 1, 0)
            flat = np.hypot(*(u - v).T)
            gaps = self.a.gap(cells.p, shapely.points(u)) + self.b.gap(cells.q, shapely.points(v))
            lengths: Floats = gaps + np.hypot(flat, cells.height)
            return lengths

        step, best = np.full(len(cells), PIECE / 8), length(at)
        while step.max() > SETTLED:
            tried = [np.clip(at + step[:, None] * move, 0.0, size) for move in _MOVES]
            lengths = np.stack([length(parts) for parts in tried])
            which = lengths.argmin(axis=0)
            better = lengths.min(axis=0) < best
            best = np.where(better, lengths.min(axis=0), best)
            at = np.where(better[:, None], np.stack(tried)[which, np.arange(len(at))], at)
            step = np.where(better, step, step / 2)
        places: Floats = ends[..., :2] + at[..., None] * along
        return places


def _stacked(parts: Sequence[Table]) -> Table:
    """Tables one below the other."""
    kind = type(parts[0])
    return kind(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(kind)))


def _most_promising(group: Rows, bound: Floats) -> Rows:
    """The FEW rows of each group with the lowest bounds."""
    order = np.lexsort((bound, group))
    starts = np.flatnonzero(np.concatenate(([True], np.diff(group[order]) != 0)))
    place = np.arange(len(order)) - np.repeat(starts, np.diff(np.append(starts, len(order))))
    return order[place < FEW]


def _improving(group: Rows, length: Floats, best: Floats) -> list[int]:
    """Rows that are the best of their group so far; lowers `best` to them."""
    rows = np.flatnonzero(length < best[group])
    rows = rows[np.lexsort((length[rows], group[rows]))]
    rows = rows[np.concatenate(([True], group[rows][1:] != group[rows][:-1]))[: len(rows)]]
    best[group[rows]] = length[rows]
    return [int(row) for row in rows]


def _halved(cells: _Cells) -> _Cells:
    """Four cells of each: both pieces of rim halved."""
    halves = [[_half(side, which) for which in (0, 1)] for side in (cells.u, cells.v)]
    return _stacked([replace(cells, u=u, v=v) for u in halves[0] for v in halves[1]])


def _half(ends: Floats, which: int) -> Floats:
    """First or second half of segments."""
    middle = _middles(ends)
    return np.hstack((middle, ends[:, 2:4]) if which else (ends[:, 0:2], middle))


def _segments(ends: Floats) -> Shapes:
    lines: Shapes = shapely.linestrings(ends.reshape(-1, 2, 2))
    return lines


def _units(ends: Floats) -> Floats:
    units: Floats = (ends[:, 2:4] - ends[:, 0:2]) / np.maximum(_lengths(ends), 1e-300)[:, None]
    return units


def _middles(ends: Floats) -> Floats:
    middles: Floats = (ends[:, 0:2] + ends[:, 2:4]) / 2
    return middles


def _lengths(ends: Floats) -> Floats:
    lengths: Floats = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    return lengths


def _no_ways() -> Ways:
    none = np.empty(0, dtype=np.intp)
    return Ways(none.astype(np.int64), np.empty(0), none, none, np.empty(0, dtype=object))
