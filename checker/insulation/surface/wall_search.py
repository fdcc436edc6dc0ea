"""Which approaches from both faces of a wall may belong to a path that beats what is known between
two conductors.

Branch and bound: approaches are gathered by island and window, with the least length of a path up
to it. Two windows of one rim and two conductors are a candidate if those lengths and the way down
the wall between them beat the best path of that pair. Candidates come nearest first, in growing
bundles; what the caller finds for one bundle bounds the next.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from checker.insulation.surface.edges import Keys, joins, no_rows
from checker.insulation.surface.known import Known, Shortest
from checker.insulation.surface.wall_windows import Approaches
from parsers.primitives import Bools, Floats, Ints, Rows, repeated

_MOST = 2_000_000  # pairs of approaches laid out at once: bounds memory
_FIRST = 4  # candidates of each pair of conductors in the first bundle


@dataclass(frozen=True, slots=True)
class Windows:
    """Approaches by island and window; the columns of a window come first, then those of its
    approaches.
    """

    island: Ints
    loop: Ints
    s: Floats  # (m, 2) from, to
    least: Floats  # mm; no path from the island up to the window is shorter
    first: Rows  # (m + 1,) where its approaches begin
    row: Rows  # of Approaches; nearest first within each window
    before: Floats  # mm; what lies behind each approach
    lower: Floats  # mm; the same with the way up to the window
    place: Floats  # `lower`, moved so that all are in order

    def up_to(self, window: Rows, most: Floats) -> Rows:
        """How many approaches of each window are no longer than a length."""
        apart = _spread(window, np.clip(most, 0.0, _FAR))
        count: Rows = np.searchsorted(self.place, apart, side="right") - self.first[window]
        return np.maximum(count, 0)


_FAR = 1e5  # mm; farther than any limit


def _spread(window: Rows, length: Floats) -> Floats:
    return window * (2 * _FAR) + length


@dataclass(frozen=True, slots=True)
class Bundle:
    """Pairs of approaches; columns of length n."""

    near: Rows  # place in the near Windows' columns of approaches
    far: Rows
    offset: Floats  # how far along the loop the far side is moved
    key: Rows  # of `Search.best`

    def take(self, rows: Rows | Bools) -> Bundle:
        """Some of the rows."""
        return Bundle(*(getattr(self, f.name)[rows] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class _Candidates:
    """Pairs of windows; columns of length n, nearest first."""

    near: Rows
    far: Rows
    offset: Floats
    across: Floats  # mm; way between the windows
    least: Floats  # mm; of a whole path
    key: Rows

    def take(self, rows: Rows | Bools) -> _Candidates:
        """Some of the rows."""
        return _Candidates(*(getattr(self, f.name)[rows] for f in fields(self)))


def windows_of(island: Ints, some: Approaches, row: Rows, before: Floats) -> Windows:
    """Gather approaches by island and window."""
    lower = before + some.apart[row]
    key = island.astype(np.int64) * (int(some.rim.max(initial=0)) + 1) + some.rim[row]
    order = np.lexsort((lower, key))
    row, before, lower, island, key = (
        row[order],
        before[order],
        lower[order],
        island[order],
        key[order],
    )
    begins = np.flatnonzero(np.diff(key, prepend=-1))
    window = np.repeat(np.arange(len(begins)), np.diff(np.append(begins, len(row))))
    return Windows(
        island=island[begins],
        loop=some.loop[row[begins]],
        s=some.window[row[begins]],
        least=lower[begins],
        first=np.append(begins, len(row)),
        row=row,
        before=before,
        lower=lower,
        place=_spread(window, lower),
    )


class Search:
    """One search over the walls.

    Attributes
    ----------
    pairs : keys of those pairs of conductors that have candidates
    best : mm, of each of these: what a path must be shorter than; callers lower it
    """

    def __init__(self, known: Known, height: float, limit: float, perimeter: Floats) -> None:
        self.known, self.height, self.limit, self.perimeter = known, height, limit, perimeter
        self.pairs: Keys = np.empty(0, np.int64)
        self.best: Floats = np.empty(0)

    def found(self) -> Shortest:
        """Shortest paths between conductors, with what has been found so far."""
        return Shortest(self.pairs, self.best)

    def bundles(self, near: Windows, far: Windows) -> Iterator[Bundle]:
        """Pairs of approaches that may beat the best path of their conductors when they are asked
        for.
        """
        found = self._candidates(near, far)
        first = np.flatnonzero(np.diff(found.key, prepend=-1))
        rank = np.arange(len(found.key)) - np.repeat(
            first, np.diff(np.append(first, len(found.key)))
        )
        done, bundle = 0, _FIRST
        while len(
            rows := np.flatnonzero((rank >= done) & (rank < done + bundle) & self._hopes(found))
        ):
            yield from self._spread_out(near, far, found.take(rows))
            done, bundle = done + bundle, bundle * 4

    def _hopes(self, found: _Candidates) -> Bools:
        mask: Bools = found.least < self.best[found.key]
        return mask

    def _candidates(self, near: Windows, far: Windows) -> _Candidates:
        """Pairs of windows of one loop that may be part of a path between two conductors, ordered
        by those.
        """
        place = np.cumsum(3 * (self.perimeter + 6 * self.limit))  # keeps most loops apart
        flat = np.zeros(len(near.loop))
        left = np.column_stack(
            (near.s[:, 0] + place[near.loop], flat, near.s[:, 1] + place[near.loop], flat)
        )
        rest = self.limit - near.least - far.least.min(initial=np.inf)
        reach = np.sqrt(
            np.maximum(np.where(np.isfinite(rest), rest, 0.0) ** 2 - self.height**2, 0.0)
        )
        none, keys = np.empty(0), np.empty(0, np.int64)
        found = [(no_rows(), no_rows(), none, none, none, keys)]
        usable = rest > self.height
        for turn in (-1, 0, 1):
            offset = turn * self.perimeter[far.loop]
            s = far.s + (place[far.loop] + offset)[:, None]
            flat = np.zeros(len(s))
            right = np.column_stack((s[:, 0], flat, s[:, 1], flat))
            for a, b in joins(left[usable], right, reach[usable]):
                found.append(self._joined(near, far, np.flatnonzero(usable)[a], b, offset[b]))
        a, b, offset, across, least, key = (np.concatenate(c) for c in zip(*found, strict=True))
        self.pairs, number = np.unique(key, return_inverse=True)
        self.best = self.known.to_beat(self.pairs)
        order = np.lexsort((least, number))
        return _Candidates(a, b, offset, across, least, number).take(order)

    def _joined(
        self, near: Windows, far: Windows, a: Rows, b: Rows, offset: Floats
    ) -> tuple[Rows, Rows, Floats, Floats, Floats, Keys]:
        """Those of some pairs of windows that may be part of a path."""
        kept = (near.loop[a] == far.loop[b]) & self.known.wanted(near.island[a], far.island[b])
        a, b, offset = a[kept], b[kept], offset[kept]
        gap = np.maximum(near.s[a, 0] - far.s[b, 1] - offset, far.s[b, 0] + offset - near.s[a, 1])
        across = np.hypot(np.maximum(gap, 0.0), self.height)
        least = near.least[a] + across + far.least[b]
        key = self.known.pairs(near.island[a], far.island[b])
        kept = (least < self.known.to_beat(key)) & (gap <= self.perimeter[near.loop[a]] / 2)
        return a[kept], b[kept], offset[kept], across[kept], least[kept], key[kept]

    def _spread_out(self, near: Windows, far: Windows, some: _Candidates) -> Iterator[Bundle]:
        """The approaches of pairs of windows, a limited number at a time."""
        rest = self.best[some.key] - some.across
        one = near.up_to(some.near, rest - far.least[some.far])
        two = far.up_to(some.far, rest - near.least[some.near])
        count = one * two
        block = np.cumsum(count) // _MOST
        for number in np.unique(block):
            mine = np.flatnonzero(block == number)
            row, step = repeated(mine, count[mine])
            a = near.first[some.near[row]] + step // two[row]
            b = far.first[some.far[row]] + step % two[row]
            kept = near.lower[a] + far.lower[b] + some.across[row] < self.best[some.key[row]]
            row = row[kept]
            yield Bundle(a[kept], b[kept], some.offset[row], some.key[row])
