"""The shortest ways over edges: branch and bound over pairs of stretches, then of straight pieces,
of rim.

Work is counted in pairs looked at, for each group. A group that has used up its share is told by
what its ways cannot be shorter than, with how much longer the way known is: on the safe side, and
nothing that a machine's speed changes. Memory is bounded since pairs are refined in blocks.

Literature, from memory: branch and bound; interval subdivision.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from checker.insulation.air.cells import (
    Cells,
    Spans,
    lengths,
    middles,
    segments,
    stacked,
    units,
)
from checker.insulation.air.sides import Near, Side
from checker.insulation.air.voids import GRAZE, PIECE, Voids, Within, counted
from parsers.primitives import Bools, Floats, Rows

Keys = npt.NDArray[np.int64]

TOLERANCE = 0.00005  # mm; how close to the shortest way a search stops
SETTLED = 1e-6  # mm; how close to its best place a witness is moved
MOST_PAIRS = 20_000  # pairs looked at for each group, beyond those that it begins with
AT_ONCE = 10_000  # pairs refined at once: bounds memory
FEW = 4  # pairs of stretches whose middles are tried at each step, for every group
FEW_PIECES = 4  # pairs of pieces of conductors up to which a straight stretch is not halved first
_MOVES = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1) if a or b])
HALF, OTHER, WHOLE = 0, 1, 2  # what becomes of a stretch in the next step


@dataclass(frozen=True, slots=True)
class Ways:
    """The shortest way of each group; columns of length m, ordered by key."""

    key: Keys
    length: Floats
    spare: Floats  # mm; how much longer the way known is, infinite if none is; 0: as short as told
    first: Rows  # conductor
    second: Rows
    points: npt.NDArray[np.object_]  # (k, 2) each: on the first conductor, u, ..., v, on the second


class Search:
    """One search: candidates are added, then refined together.

    Attributes
    ----------
    best : of each group, the shortest way found so far
    floor : of each group, nothing that was dropped is shorter than this
    used, most : of each group, pairs looked at, and how many may be
    won : of groups, the cell that the best way runs over
    """

    def __init__(
        self,
        voids: Voids,
        depth: Floats,
        sides: tuple[Side, Side],
        near: tuple[Near, Near],
        limit: float,
    ) -> None:
        self.voids, self.depth, self.limit, self.near = voids, depth, limit, near
        self.a, self.b = sides
        self.keys: list[Keys] = []
        self.spans: list[Spans] = []
        self.best = self.floor = np.empty(0)
        self.used = self.most = np.empty(0, dtype=np.intp)
        self.won: dict[int, Cells] = {}

    # ----------------------------------------------------------------------------------- candidates

    def pieces(self, joined: tuple[Rows, Rows]) -> tuple[Rows, Rows]:
        """The pieces nearest to the stretches of entries of both sides."""
        p, q = (near.nearest(at) for near, at in zip(self.near, joined, strict=True))
        return p, q

    def add(self, joined: tuple[Rows, Rows], key: Keys) -> None:
        """Take up candidates, run by run, given the number of their group, negative to leave them
        out.
        """
        p, q = self.pieces(joined)
        here, there = self.a.layer[p], self.b.layer[q]
        height = np.abs(self.depth[here] - self.depth[there])
        apart = (here != there) | self.a.inner[p]
        spans = Spans(key, height, *joined).take((key >= 0) & apart & np.isfinite(height))
        spans = spans.take(self._span_bounds(spans) < self.limit)
        self.keys.append(spans.group)
        self.spans.append(spans)

    def found(self) -> Ways:
        """The shortest way of each group."""
        if not self.keys:
            return no_ways()
        keys, group = np.unique(np.concatenate(self.keys), return_inverse=True)
        self._begin(group, len(keys))
        self._refine(self._to_cells(replace(stacked(self.spans), group=group)))
        return self._ways(keys)

    def _begin(self, group: Rows, groups: int) -> None:
        self.best = np.full(groups, self.limit + TOLERANCE)
        self.floor = np.full(groups, np.inf)
        self.used = np.zeros(groups, dtype=np.intp)
        self.most = MOST_PAIRS + 8 * np.bincount(group, minlength=groups)

    # --------------------------------------------------------------------------- pairs of stretches

    def _to_cells(self, spans: Spans) -> Cells:
        """Halve stretches until they are straight and have few pieces of conductors near them."""
        cells = [self._straight(spans.take(np.empty(0, dtype=np.intp)))]
        while len(spans):
            bound = self._span_bounds(spans)
            self._try_middles(spans.take(_most_promising(spans.group, bound)))
            kept = self._open(spans.group, bound) & self._affordable(spans, bound)
            spans = spans.take(kept)
            ready = self._ready(spans)
            cells.append(self._cells(spans.take(ready)))
            spans = self._split(spans.take(~ready))
        return stacked(cells)

    def _ready(self, spans: Spans) -> Bools:
        """Which pairs are looked at as cells: single pieces of rim, and straight ones with few
        conductors.
        """
        (one, two), straight = self._stretches(spans), self.voids.stretches.straight
        pieces = self.near[0].count[spans.u] * self.near[1].count[spans.v]
        single = self._counts(spans, 0) + self._counts(spans, 1) == 2
        ready: Bools = single | (straight[one] & straight[two] & (pieces <= FEW_PIECES))
        return ready

    def _stretches(self, spans: Spans) -> tuple[Rows, Rows]:
        return self.near[0].stretch[spans.u], self.near[1].stretch[spans.v]

    def _counts(self, spans: Spans, side: int) -> Rows:
        """Straight pieces in the stretches of one side."""
        counts: Rows = self.voids.stretches.count[self._stretches(spans)[side]]
        return counts

    def _span_bounds(self, spans: Spans) -> Floats:
        """What no way over these stretches can be shorter than."""
        stretches, (one, two) = self.voids.stretches, self._stretches(spans)
        pairs, inverse = np.unique(one * len(stretches.line) + two, return_inverse=True)
        i, j = np.divmod(pairs, len(stretches.line))
        flat = shapely.distance(stretches.line[i], stretches.line[j])[inverse]
        apart = self.near[0].least[spans.u] + self.near[1].least[spans.v]
        slack = stretches.slack[one] + stretches.slack[two]
        bounds: Floats = apart + np.hypot(flat, spans.height) - slack
        return bounds

    def _try_middles(self, spans: Spans) -> None:
        """Take the middles of stretches, from the nearest conductor of each, as a first guess."""
        cells = self._middle_cells(spans)
        self._improve(cells, self._lengths(cells, self._within(cells)))

    def _middle_cells(self, spans: Spans) -> Cells:
        """The single piece of rim in the middle of each stretch, with the nearest piece of
        conductor.
        """
        stretches, rims = self.voids.stretches, self.voids.rims
        both = self._stretches(spans)
        u, v = (stretches.first[side] + stretches.count[side] // 2 for side in both)
        return self._joining(spans, rims.ends[u], rims.ends[v], rims.slack[u] + rims.slack[v])

    def _straight(self, spans: Spans) -> Cells:
        """Straight stretches as they are, with the nearest piece of conductor."""
        stretches, (one, two) = self.voids.stretches, self._stretches(spans)
        slack = stretches.slack[one] + stretches.slack[two]
        return self._joining(spans, stretches.ends[one], stretches.ends[two], slack)

    def _joining(self, spans: Spans, u: Floats, v: Floats, slack: Floats) -> Cells:
        rim = np.stack((u, v), axis=1)
        return Cells(spans.group, spans.height, *self.pieces((spans.u, spans.v)), u, v, rim, slack)

    def _cells(self, spans: Spans) -> Cells:
        """Every piece near one straight stretch with every piece near the other."""
        one, two = self.near
        pairs = one.count[spans.u] * two.count[spans.v]
        step, spans = counted(pairs), spans.take(np.repeat(np.arange(len(spans)), pairs))
        p = one.piece[one.start[spans.u] + step // two.count[spans.v]]
        q = two.piece[two.start[spans.v] + step % two.count[spans.v]]
        return replace(self._straight(spans), p=p, q=q)

    def _split(self, spans: Spans) -> Spans:
        """Halve the stretch of each pair that has more pieces."""
        first = self._counts(spans, 0) >= self._counts(spans, 1)
        parts = [
            (np.where(first, half, WHOLE), np.where(first, WHOLE, half)) for half in (HALF, OTHER)
        ]
        become_u, become_v = (np.concatenate(columns) for columns in zip(*parts, strict=True))
        spans = stacked([spans, spans])
        near_a, u = self._descend(0, self.a, spans.u, become_u)
        near_b, v = self._descend(1, self.b, spans.v, become_v)
        self.near = near_a, near_b
        return replace(spans, u=u, v=v)

    def _descend(self, which: int, side: Side, entry: Rows, become: Rows) -> tuple[Near, Rows]:
        """Entries for halves of stretches, or the same stretches, and which of them each row asked
        for.
        """
        near, stretches = self.near[which], self.voids.stretches
        places = np.column_stack((entry, become))
        asked, inverse = np.unique(places, axis=0, return_inverse=True)
        entry, become = asked.T
        whole = near.stretch[entry]
        stretch = np.where(become == WHOLE, whole, stretches.half[whole] + become)
        owner = np.repeat(np.arange(len(entry)), near.count[entry])
        piece = near.piece[near.start[entry][owner] + counted(near.count[entry])]
        return side.nearest(stretches, stretch, owner, piece), inverse

    # ---------------------------------------------------------------------------- what remains open

    def _open(self, group: Rows, bound: Floats) -> Bools:
        """Which may still beat the best of their group; remembers how short the others could have
        been.
        """
        open_: Bools = bound < self.best[group] - TOLERANCE
        self._drop(group[~open_], bound[~open_])
        return open_

    def _drop(self, group: Rows, bound: Floats) -> None:
        np.minimum.at(self.floor, group, bound)

    def _affordable(self, table: Spans | Cells, bound: Floats) -> Bools:
        """Which pairs belong to groups that may look at more; of the others the lowest bound is
        remembered.
        """
        open_ = bound < self.best[table.group] - TOLERANCE
        self.used += np.bincount(table.group[open_], minlength=len(self.used))
        spent: Bools = open_ & (self.used > self.most)[table.group]
        self._drop(table.group[spent], bound[spent])
        self._show(table, np.flatnonzero(spent), bound)
        return ~spent

    def _show(self, table: Spans | Cells, rows: Rows, bound: Floats) -> None:
        """Of groups without any way found, the pair with the lowest bound stands for it."""
        rows = rows[np.lexsort((bound[rows], table.group[rows]))]
        for row in rows[np.unique(table.group[rows], return_index=True)[1]].tolist():
            one = table.take(np.array([row]))
            cell = self._middle_cells(one) if isinstance(one, Spans) else one
            self.won.setdefault(int(table.group[row]), cell)

    def _improve(self, cells: Cells, length: Floats) -> None:
        """Remember cells whose middles give the shortest way of their group so far."""
        for row in _improving(cells.group, length, self.best):
            self.won[int(cells.group[row])] = cells.take(np.array([row]))

    # ----------------------------------------------------------------------- straight pieces of rim

    def _refine(self, cells: Cells) -> None:
        """Halve straight pieces until none can beat the best of its group by more than TOLERANCE,
        block by block.
        """
        blocks = [cells.take(np.argsort(cells.group, kind="stable"))]
        while blocks:
            cells = blocks.pop()
            if len(cells) > AT_ONCE:
                half = np.arange(len(cells)) < len(cells) // 2
                blocks += [cells.take(~half), cells.take(half)]
            elif len(cells):
                blocks.append(self._narrowed(cells).halved())

    def _narrowed(self, cells: Cells) -> Cells:
        """Those cells that are worth halving."""
        line, tiny = self._within(cells), cells.size <= TOLERANCE / 2
        bound, length = self._bounds(cells, line), self._lengths(cells, line)
        self._improve(cells, np.where(np.isinf(length) & tiny, bound, length))
        bound = np.where(tiny, np.maximum(bound, self.best[cells.group]), bound)
        return cells.take(self._open(cells.group, bound) & self._affordable(cells, bound))

    def _bounds(self, cells: Cells, line: Within) -> Floats:
        """What no way over these pieces of rim can be shorter than.

        The line within the void changes no faster than its ends move; so does one that runs the
        other way round a part of the board, which with the shortest one makes a closed line.
        """
        u, v = segments(cells.u), segments(cells.v)
        flat = np.maximum(shapely.distance(u, v), line.length - cells.size / 2)
        gaps = self.a.gap(cells.p, u) + self.b.gap(cells.q, v) - cells.slack
        other = self.voids.loops(*cells.middles()) - line.length - cells.size / 2
        around = gaps + np.hypot(np.maximum(other, 0.0), cells.height)
        bounds: Floats = gaps + np.hypot(flat, cells.height)
        return np.maximum(bounds, np.minimum(around, self._tangents(cells, line)))

    def _tangents(self, cells: Cells, line: Within) -> Floats:
        """Bounds from the slope in the middle: the length is a convex function of the places on
        both rims.

        It is so for lines that keep to one way round the parts of the board: a void is a space in
        which shortest lines that can be shifted into each other don't spread faster than straight
        ones.
        """
        rise = np.hypot(line.length, cells.height)
        share = line.length / np.where(rise > 0, rise, 1.0)
        bounds = rise - cells.slack
        for side, piece, ends, lean in (
            (self.a, cells.p, cells.u, line.lean_u),
            (self.b, cells.q, cells.v, line.lean_v),
        ):
            along, at = units(ends), middles(ends)
            slope = side.slope(piece, at, along) + share * (lean * along).sum(axis=1)
            bounds += side.convex_gap(piece, side.gap(piece, shapely.points(at)))
            bounds -= np.abs(slope) * lengths(ends) / 2
        return bounds

    def _lengths(self, cells: Cells, line: Within) -> Floats:
        """Length of the way over the middles of both pieces of rim; infinite where copper has to
        touch and does not.
        """
        u, v = map(shapely.points, cells.middles())
        gaps = self.a.gap(cells.p, u) + self.b.gap(cells.q, v)
        found: Floats = gaps + np.hypot(line.length, cells.height) - cells.slack
        return found

    def _within(self, cells: Cells) -> Within:
        """Lines within the void between the middles of both pieces of rim."""
        return self.voids.within(*cells.middles())

    # -------------------------------------------------------------------------------------- results

    def _ways(self, keys: Keys) -> Ways:
        least = np.minimum(self.best, self.floor)
        known = self.best < self.limit + TOLERANCE
        spare = np.where(known, self.best - least, np.inf)
        spare = np.where(spare > 2 * TOLERANCE, spare, 0.0)
        numbers = np.array([n for n in sorted(self.won) if least[n] < self.limit], dtype=np.intp)
        if not len(numbers):
            return no_ways()
        cells = stacked([self.won[number] for number in numbers.tolist()])
        points = np.empty(len(cells), dtype=object)
        points[:] = self._points(cells)
        length, ends = np.maximum(least[numbers], 0.0), (self.a.row[cells.p], self.b.row[cells.q])
        return Ways(keys[numbers], length, spare[numbers], *ends, points)

    def _points(self, cells: Cells) -> list[Floats]:
        """Ways over the middles of cells, or over the best places nearby where the void is open
        between them.
        """
        lines = [self.voids.line(*row) for row in zip(*cells.middles(), strict=True)]
        settled = self._settled(cells)
        lines = [two if len(line) == 2 else line for line, two in zip(lines, settled, strict=True)]
        start = self.a.feet(cells.p, np.array([line[0] for line in lines]))
        end = self.b.feet(cells.q, np.array([line[-1] for line in lines]))
        ways = zip(start, lines, end, strict=True)
        return [np.concatenate((s[None], line, e[None])) for s, line, e in ways]

    def _settled(self, cells: Cells) -> Floats:
        """Middles of u and v moved to where the way is shortest along their pieces of rim, (n, 2,
        2).
        """
        ends = cells.rim
        size = np.maximum(np.hypot(*(ends[..., 2:] - ends[..., :2]).T).T, GRAZE)
        along = (ends[..., 2:] - ends[..., :2]) / size[..., None]
        at = ((np.stack(cells.middles(), axis=1) - ends[..., :2]) * along).sum(axis=2)

        def places(parts: Floats) -> Floats:
            where: Floats = ends[..., :2] + parts[..., None] * along
            return where

        low, high = np.maximum(at - PIECE, 0.0), np.minimum(at + PIECE, size)
        step, best = np.full(len(cells), PIECE / 8), self._straight_lengths(cells, places(at))
        while step.max() > SETTLED:
            tried = [np.clip(at + step[:, None] * move, low, high) for move in _MOVES]
            found = np.stack([self._straight_lengths(cells, places(parts)) for parts in tried])
            better = found.min(axis=0) < best
            best = np.where(better, found.min(axis=0), best)
            moved = np.stack(tried)[found.argmin(axis=0), np.arange(len(at))]
            at, step = np.where(better[:, None], moved, at), np.where(better, step, step / 2)
        return places(at)

    def _straight_lengths(self, cells: Cells, places: Floats) -> Floats:
        """Lengths of ways over places on both rims, (n, 2, 2), straight between them."""
        u, v = np.moveaxis(places, 1, 0)
        gaps = self.a.gap(cells.p, shapely.points(u)) + self.b.gap(cells.q, shapely.points(v))
        found: Floats = gaps + np.hypot(np.hypot(*(u - v).T), cells.height)
        return found


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


def no_ways() -> Ways:
    """Nothing found."""
    none = np.empty(0, dtype=np.intp)
    empty = np.empty(0)
    return Ways(none.astype(np.int64), empty, empty, none, none, np.empty(0, dtype=object))
