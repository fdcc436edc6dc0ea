"""What is known of a search before its next stage: how far nodes are from conductors, and what a
path must beat.

A way over a wall between two conductors is of use only if it is shorter than what a face already
joins them by. So the faces are searched first; the lengths from every conductor to every corner
bound what is laid out over walls (branch and bound; see any textbook on algorithms).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from checker.insulation.surface.edges import HOP, SOURCE, TARGET, Keys, no_rows
from parsers.primitives import Bools, Floats, Ints, Rows, each, repeated

# mm; what sampled links, slack of copper and curved rims make lengths shorter than they are, and
# more
SLACK = 0.05
_NOTHING = 1e-12  # mm; what stands for no length in a sparse graph
_RUN = 64  # searches done at once: bounds memory
_MOST = 2_000_000  # pairs of entries looked at at once: bounds memory


@dataclass(frozen=True, slots=True)
class Around:
    """What a path from a source to a target counts at least before and behind a leg; columns, by
    island or conductor.

    Attributes
    ----------
    before, behind : mm; from any source to what a leg begins at, from what it ends at to any target
    soft : beside which legs shorter than x count as nothing
    """

    before: Floats
    behind: Floats
    soft: Bools
    x: float

    def most(self, one: Ints | Keys, two: Ints | Keys, limit: float) -> Floats:
        """How long legs can be, in either direction, that belong to paths within a limit, mm."""
        either = self.before[one] + self.behind[two], self.before[two] + self.behind[one]
        rest = limit - np.minimum(*either) + SLACK
        free = (self.soft[one] | self.soft[two]) & (rest >= 0)
        most: Floats = np.where(free, np.maximum(rest, self.x + SLACK), rest)
        return most

    def beyond(self) -> Floats:
        """Less than what is counted beyond one end of a leg and not for the leg itself, if that is
        free, mm.
        """
        least = np.minimum(self.before, self.behind)
        beyond: Floats = np.maximum(least - np.where(self.soft, self.x, 0.0) - SLACK, 0.0)
        return beyond

    def by(self, conductor: Ints) -> Around:
        """The same by conductor, given that of each island."""
        n = len(conductor)
        before, behind, soft = np.full(n, np.inf), np.full(n, np.inf), np.zeros(n, dtype=bool)
        np.minimum.at(before, conductor, self.before)
        np.minimum.at(behind, conductor, self.behind)
        np.logical_or.at(soft, conductor, self.soft)
        return Around(before, behind, soft, self.x)


def around_of(one: Ints, two: Ints, length: Floats, roles: Ints, soft: Bools, x: float) -> Around:
    """What lies around legs, given what those between some islands cannot be shorter than; each
    pair once.
    """
    n, free = len(roles), (soft[one] | soft[two]) & (length < x + SLACK)
    tail, head = np.concatenate((one, two)), np.concatenate((two, one))
    cost = np.tile(np.where(free, 0.0, np.maximum(length - SLACK, 0.0)), 2)
    cost = np.maximum(cost, _NOTHING)
    reached = []
    for role, other in ((SOURCE, TARGET), (TARGET, SOURCE)):
        # a path ends at the first island that is no HOP
        kept = (roles[head] == HOP) & (roles[tail] != other)
        matrix = csr_array((cost[kept], (tail[kept], head[kept])), shape=(n, n))
        starts = np.flatnonzero(roles == role)
        least = (
            dijkstra(matrix, indices=starts, min_only=True) if len(starts) else np.full(n, np.inf)
        )
        reached.append(least)
    return Around(reached[0], reached[1], soft, x)


def nothing_around(islands: int) -> Around:
    """Every leg is wanted for itself."""
    return Around(np.zeros(islands), np.zeros(islands), np.zeros(islands, dtype=bool), 0.0)


@dataclass(frozen=True, slots=True)
class Known:
    """Lengths of paths found so far; one entry for each node and island within the limit, ordered
    by node.

    Attributes
    ----------
    first : (nodes + 1,) where the entries of each node begin
    island : of each entry
    length : mm, of each entry
    roles : of each island
    conductor : of each island: on a face a path must beat those of its own islands, over a wall all
        of its conductors
    limit : mm; no path of interest is longer
    around : what lies before and behind legs between islands, and between conductors
    on_faces : shortest paths between islands
    anywhere : shortest paths between conductors
    """

    first: Rows
    island: Ints
    length: Floats
    roles: Ints
    conductor: Ints
    limit: float
    around: tuple[Around, Around]
    on_faces: Shortest
    anywhere: Shortest

    def by_role(self) -> Floats:
        """Least length to each node from copper of each role, (nodes, 3)."""
        node = np.repeat(np.arange(len(self.first) - 1), np.diff(self.first))
        least = np.full((len(self.first) - 1, 3), np.inf)
        np.minimum.at(least, (node, self.roles[self.island]), self.length)
        return least

    def entries(self, node: Rows | Ints) -> tuple[Rows, Rows]:
        """Rows of the given nodes, each with every entry of its node."""
        count = self.first[node + 1] - self.first[node]
        row, step = repeated(np.arange(len(node)), count)
        return row, self.first[node][row] + step

    def wanted(self, one: Ints, two: Ints) -> Bools:
        """Which two islands are measured to each other."""
        mask: Bools = (one != two) & (
            (self.roles[one] != self.roles[two]) | (self.roles[one] == HOP)
        )
        return mask

    def pairs(self, one: Ints, two: Ints) -> Keys:
        """One number per pair of islands for their conductors, whichever comes first."""
        return _keys(self.conductor[one], self.conductor[two], len(self.roles))

    def to_beat(self, pair: Keys) -> Floats:
        """What a further path over a wall between the conductors of each pair must be shorter than,
        mm.
        """
        one, two = np.divmod(pair, len(self.roles))
        return np.minimum(self.anywhere.of(pair), self.around[1].most(one, two, self.limit))

    def to_beat_on_face(self, one: Ints, two: Ints) -> Floats:
        """What a further path on one face between each two islands must be shorter than, mm."""
        most = self.around[0].most(one, two, self.limit)
        return np.minimum(self.on_faces.of(_keys(one, two, len(self.roles))), most)

    def with_shorter(self, more: Shortest) -> Known:
        """The same with further paths between conductors; of each pair the shortest counts."""
        return replace(self, anywhere=self.anywhere.with_shorter(more))


@dataclass(frozen=True, slots=True)
class Shortest:
    """Lengths of the shortest paths of some pairs; columns, ordered by pair."""

    pair: Keys
    length: Floats  # mm

    def of(self, pair: Keys) -> Floats:
        """The lengths of some pairs, infinite for those that no path joins."""
        if not len(self.pair):
            return np.full(len(pair), np.inf)
        place = np.minimum(np.searchsorted(self.pair, pair), len(self.pair) - 1)
        return np.where(self.pair[place] == pair, self.length[place], np.inf)

    def with_shorter(self, more: Shortest) -> Shortest:
        """Both together."""
        return shortest_of(
            np.concatenate((self.pair, more.pair)), np.concatenate((self.length, more.length))
        )


def shortest_of(pair: Keys, length: Floats) -> Shortest:
    """The least length of each pair."""
    order = np.lexsort((length, pair))
    pairs, first = np.unique(pair[order], return_index=True)
    return Shortest(pairs, length[order][first])


def no_paths() -> Shortest:
    """No pair is joined."""
    return Shortest(np.empty(0, np.int64), np.empty(0))


def _keys(one: Ints, two: Ints, count: int) -> Keys:
    keys: Keys = np.minimum(one, two).astype(np.int64) * count + np.maximum(one, two)
    return keys


@dataclass(frozen=True, slots=True)
class Reach:
    """How near islands are to corners; entries ordered by corner.

    Attributes
    ----------
    first : (corners + 1,) where the entries of each corner begin
    island, face : of each entry
    length : mm
    """

    first: Rows
    island: Ints
    face: Ints
    length: Floats


def reach_of(corner: Rows | Ints, island: Ints, face: Ints, length: Floats, corners: int) -> Reach:
    """A table of the least lengths; any order."""
    order = np.lexsort((length, face, island, corner))
    keys = np.column_stack((corner, island, face))[order]
    kept = order[np.append(True, (np.diff(keys, axis=0) != 0).any(axis=1))[: len(order)]]
    first = np.searchsorted(corner[kept], np.arange(corners + 1))
    return Reach(first, island[kept], face[kept], length[kept])


def beating(
    one: Reach, two: Reach, at: tuple[Rows, Rows], between: Floats, known: Known, height: float
) -> Bools:
    """Which pairs of corners may lie on a path that beats what is known between any two islands.

    Parameters
    ----------
    one, two : no path comes to the first corner from the first island, or to the second, in less
    at : the corners
    between : mm, from the first to the second
    height : mm; a path from face to face is at least as long as its course seen from above, and so
        much down
    """
    count = (one.first[at[0] + 1] - one.first[at[0]]) * (two.first[at[1] + 1] - two.first[at[1]])
    block = np.cumsum(count) // _MOST
    mask = np.zeros(len(between), dtype=bool)
    for number in np.unique(block):
        rows = np.flatnonzero(block == number)
        row, step = repeated(rows, count[rows])
        wide = (two.first[at[1] + 1] - two.first[at[1]])[row]
        a, b = one.first[at[0][row]] + step // wide, two.first[at[1][row]] + step % wide
        wanted = known.wanted(one.island[a], two.island[b])
        row, a, b = row[wanted], a[wanted], b[wanted]
        length = one.length[a] + between[row] + two.length[b]
        across = one.face[a] != two.face[b]
        islands = one.island[a], two.island[b]
        shorter = length < known.to_beat_on_face(*islands)
        shorter[across] = (np.hypot(length, height) < known.to_beat(known.pairs(*islands)))[across]
        mask[row[shorter]] = True
    return mask


def known_from(
    matrix: Any,
    roles: Ints,
    conductor: Ints,
    nodes: int,
    limit: float,
    around: tuple[Around, Around],
) -> Known:
    """Search a graph from all its islands.

    Parameters
    ----------
    matrix : the graph; islands are the first nodes, and once more, as ends of paths, the last
    roles, conductor : of each island
    around : legs, of islands and of conductors
    """
    node, island, length = _shortest(matrix, len(roles), limit)
    first = np.searchsorted(node, np.arange(nodes + 1))
    cut = first[-1]
    none = no_paths()
    known = Known(first, island[:cut], length[:cut], roles, conductor, limit, around, none, none)
    one, two, least = (node[cut:] - nodes).astype(np.int32), island[cut:], length[cut:]
    wanted = known.wanted(one, two)
    one, two, least = one[wanted], two[wanted], least[wanted]
    on_faces = shortest_of(_keys(one, two, len(roles)), least)
    return replace(known, on_faces=on_faces, anywhere=shortest_of(known.pairs(one, two), least))


def _shortest(matrix: Any, islands: int, limit: float) -> tuple[Rows, Ints, Floats]:
    """The shortest path from each island to each node within the limit: nodes, islands, lengths; by
    node.
    """
    found = [(no_rows(), no_rows(), np.empty(0))]
    for block in each(np.arange(islands), _RUN):
        reached = dijkstra(matrix, indices=block, limit=limit)
        row, node = np.nonzero(np.isfinite(reached))
        found.append((node, block[row], reached[row, node]))
    node, island, length = (np.concatenate(c) for c in zip(*found, strict=True))
    order = np.lexsort((length, island, node))
    return node[order], island[order].astype(np.int32), length[order]
