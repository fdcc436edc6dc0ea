"""What is known of a search before its next stage: how far nodes are from conductors, and what a path must beat.

A way over a wall between two conductors is of use only if it is shorter than what a face already joins them by. So
the faces are searched first; the lengths from every conductor to every corner bound what is laid out over walls
(branch and bound; see any textbook on algorithms).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.sparse.csgraph import dijkstra

from checker.insulation.surface.edges import HOP, Keys, no_rows
from parsers.primitives import Bools, Floats, Ints, Rows, each, repeated

_RUN = 64  # searches done at once: bounds memory
_MOST = 2_000_000  # pairs of entries looked at at once: bounds memory


@dataclass(frozen=True, slots=True)
class Known:
    """Lengths of paths found so far; one entry for each node and conductor within the limit, ordered by node.

    Attributes
    ----------
    first : (nodes + 1,) where the entries of each node begin
    conductor : of each entry
    length : mm, of each entry
    roles : of each conductor
    limit : mm; no path of interest is longer
    pairs : keys of conductors that a path joins, in order
    shortest : mm, by pair
    """

    first: Rows
    conductor: Ints
    length: Floats
    roles: Ints
    limit: float
    pairs: Keys
    shortest: Floats

    def by_role(self) -> Floats:
        """Least length to each node from copper of each role, (nodes, 3)."""
        node = np.repeat(np.arange(len(self.first) - 1), np.diff(self.first))
        least = np.full((len(self.first) - 1, 3), np.inf)
        np.minimum.at(least, (node, self.roles[self.conductor]), self.length)
        return least

    def entries(self, node: Rows | Ints) -> tuple[Rows, Rows]:
        """Rows of the given nodes, each with every entry of its node."""
        count = self.first[node + 1] - self.first[node]
        row, step = repeated(np.arange(len(node)), count)
        return row, self.first[node][row] + step

    def wanted(self, one: Ints, two: Ints) -> Bools:
        """Which two conductors are measured to each other."""
        mask: Bools = (one != two) & ((self.roles[one] != self.roles[two]) | (self.roles[one] == HOP))
        return mask

    def keys(self, one: Ints, two: Ints) -> Keys:
        """One number per pair of conductors, whichever comes first."""
        keys: Keys = np.minimum(one, two).astype(np.int64) * len(self.roles) + np.maximum(one, two)
        return keys

    def to_beat(self, key: Keys) -> Floats:
        """What a further path between each pair must be shorter than, mm."""
        if not len(self.pairs):
            return np.full(len(key), self.limit)
        place = np.minimum(np.searchsorted(self.pairs, key), len(self.pairs) - 1)
        return np.where(self.pairs[place] == key, self.shortest[place], self.limit)


@dataclass(frozen=True, slots=True)
class Reach:
    """How near conductors are to corners; entries ordered by corner.

    Attributes
    ----------
    first : (corners + 1,) where the entries of each corner begin
    conductor, face : of each entry
    length : mm
    """

    first: Rows
    conductor: Ints
    face: Ints
    length: Floats


def reach_of(corner: Rows | Ints, conductor: Ints, face: Ints, length: Floats, corners: int) -> Reach:
    """A table of the least lengths; any order."""
    order = np.lexsort((length, face, conductor, corner))
    keys = np.column_stack((corner, conductor, face))[order]
    kept = order[np.append(True, (np.diff(keys, axis=0) != 0).any(axis=1))[: len(order)]]
    first = np.searchsorted(corner[kept], np.arange(corners + 1))
    return Reach(first, conductor[kept], face[kept], length[kept])


def beating(one: Reach, two: Reach, at: tuple[Rows, Rows], between: Floats, known: Known, height: float) -> Bools:
    """Which pairs of corners may lie on a path that beats what is known between any two conductors.

    Parameters
    ----------
    one, two : no path comes to the first corner from the first conductor, or to the second, in less
    at : the corners
    between : mm, from the first to the second
    height : mm; a path from face to face is at least as long as its course seen from above, and so much down
    """
    count = (one.first[at[0] + 1] - one.first[at[0]]) * (two.first[at[1] + 1] - two.first[at[1]])
    block = np.cumsum(count) // _MOST
    mask = np.zeros(len(between), dtype=bool)
    for number in np.unique(block):
        rows = np.flatnonzero(block == number)
        row, step = repeated(rows, count[rows])
        wide = (two.first[at[1] + 1] - two.first[at[1]])[row]
        a, b = one.first[at[0][row]] + step // wide, two.first[at[1][row]] + step % wide
        wanted = known.wanted(one.conductor[a], two.conductor[b])
        row, a, b = row[wanted], a[wanted], b[wanted]
        length = one.length[a] + between[row] + two.length[b]
        length = np.where(one.face[a] != two.face[b], np.hypot(length, height), length)
        mask[row[length < known.to_beat(known.keys(one.conductor[a], two.conductor[b]))]] = True
    return mask


def known_from(matrix: Any, roles: Ints, conductor: Ints, nodes: int, limit: float) -> Known:
    """Search a graph from all its islands.

    Parameters
    ----------
    matrix : the graph; islands are the first nodes, and once more, as ends of paths, the last
    roles, conductor : of each island
    """
    at, of, least = _shortest(matrix, conductor, limit)
    role_of = np.zeros(int(conductor.max(initial=-1)) + 1, np.int32)
    role_of[conductor] = roles
    first = np.searchsorted(at, np.arange(nodes + 1))
    cut = first[-1]
    known = Known(first, of[:cut], least[:cut], role_of, limit, np.empty(0, np.int64), np.empty(0))
    return replace(known, **_between(known, conductor[at[cut:] - nodes], of[cut:], least[cut:]))


def _shortest(matrix: Any, conductor: Ints, limit: float) -> tuple[Rows, Ints, Floats]:
    """The shortest path from each conductor to each node within the limit: nodes, conductors, lengths; by node."""
    found = [(no_rows(), np.empty(0, np.int32), np.empty(0))]
    for block in each(np.arange(len(conductor)), _RUN):
        reached = dijkstra(matrix, indices=block, limit=limit)
        row, node = np.nonzero(np.isfinite(reached))
        found.append((node, conductor[block[row]], reached[row, node]))
    node, of, length = (np.concatenate(c) for c in zip(*found, strict=True))
    order = np.lexsort((length, of, node))
    node, of, length = node[order], of[order], length[order]
    shortest = np.append(True, (np.diff(node) != 0) | (np.diff(of) != 0))[: len(node)]
    return node[shortest], of[shortest], length[shortest]


def _between(known: Known, one: Ints, two: Ints, length: Floats) -> dict[str, Any]:
    """The shortest paths between conductors that are measured to each other, as fields of Known."""
    key, wanted = known.keys(one, two), known.wanted(one, two)
    key, length = key[wanted], length[wanted]
    order = np.lexsort((length, key))
    pairs, place = np.unique(key[order], return_index=True)
    return {"pairs": pairs, "shortest": length[order][place]}
