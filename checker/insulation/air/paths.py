"""Ways through the air from one face of the board to the other: over its outer edge, through
cutouts, slots and holes.

Such a way leaves the first conductor in a straight line on its face, bends over the rim of a void,
crosses the void to a place on the rim of the other face, and ends in a straight line there. Seen
from above, the middle stretch is the shortest line within the void; it is as steep as it needs to
be. So the length is

    |p u| + hypot(L(u, v), height) + |v q|,     u and v on rims, L the shortest way from u to v within the void,

and it is minimised over u and v by branch and bound: rims are cut into pieces, pairs of pieces that
cannot beat the best way found are dropped, the rest are halved. Straight lines on a face pass over
voids at no loss, since they are air too. For L see `voids`, for the branch and bound `search`.

Inner copper that reaches a rim is exposed there, at its own depth, and a way may begin or end at
it.

Error: a length is never more than true and less by at most `TOLERANCE`; curved rims add the
tolerance of their chords. Where a search is given up, lengths are what no way can be shorter than,
and `Ways.spare` says by how much they may be short.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import shapely

from checker.geometry.nearest import Pieces
from checker.insulation.air.search import Keys, Search, Ways, no_ways
from checker.insulation.air.sides import Near, Side
from checker.insulation.air.voids import Voids, counted
from parsers.primitives import Floats, Ints, Rows

# conductors of both sides: the number of their group, negative to leave them out
Ask = Callable[[Rows, Rows], Keys]

BLOCK = 400_000  # pairs looked at at once: bounds memory


@dataclass(frozen=True, slots=True)
class Reach:
    """Conductors prepared for ways over edges."""

    side: Side
    near: Near


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
        tree = self.voids.tree
        side = Side(part.take(self._within(part, limit)), layer, len(self.depth), tree)
        return Reach(side, side.near_runs(self.voids.stretches, tree, node, limit))

    def ways(self, a: Reach, b: Reach, limit: float, ask: Ask) -> Ways:
        """Find the shortest way of every group of pairs of conductors.

        Parameters
        ----------
        limit : mm, no greater than the one that `a` and `b` were prepared for; ways that are not
            shorter are left out
        ask : puts pairs of conductors into groups
        """
        if not len(a.near) or not len(b.near) or limit <= self._least_height():
            return no_ways()
        search = Search(self.voids, self.depth, (a.side, b.side), (a.near, b.near), limit)
        for i, j in self._run_pairs(a.near, b.near, limit):
            joined = _joined(a.near, b.near, i, j)
            p, q = search.pieces(joined)
            search.add(joined, ask(a.side.row[p], b.side.row[q]))
        return search.found()

    def _within(self, part: Pieces, limit: float) -> Rows:
        """Pieces within the limit of a rim."""
        reach = limit + part.radius + part.slack
        found = self.voids.tree.query(part.shape, predicate="dwithin", distance=reach)
        near: Rows = np.unique(found[0])
        return near

    def _run_pairs(self, a: Near, b: Near, limit: float) -> Iterator[tuple[Rows, Rows]]:
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
            np.bincount(a.stretch, minlength=len(runs))[i]
            * np.bincount(b.stretch, minlength=len(runs))[j]
        )
        last = int(total[-1]) if len(total) else 0
        for block in np.split(
            np.arange(len(i)), np.searchsorted(total, np.arange(BLOCK, last, BLOCK))
        ):
            if len(block):
                yield i[block], j[block]

    def _least_height(self) -> float:
        """Between copper that inner layers expose a wall may have no height at all."""
        return float(self.depth[-1]) if len(self.depth) == 2 else 0.0


def _least_of(near: Near, runs: int) -> Floats:
    """The smallest distance of anything from each run."""
    least = np.full(runs, np.inf)
    np.minimum.at(least, near.stretch, near.least)
    return least


def _joined(a: Near, b: Near, i: Rows, j: Rows) -> tuple[Rows, Rows]:
    """Every entry at run i with every entry at run j; entries are sorted by run."""
    first_a, first_b = np.searchsorted(a.stretch, i), np.searchsorted(b.stretch, j)
    count_a, count_b = (np.searchsorted(n.stretch, k, side="right") for n, k in ((a, i), (b, j)))
    count_a, count_b = count_a - first_a, count_b - first_b
    row, step = np.repeat(np.arange(len(i)), count_a * count_b), counted(count_a * count_b)
    return first_a[row] + step // count_b[row], first_b[row] + step % count_b[row]
