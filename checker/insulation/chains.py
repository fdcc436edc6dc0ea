"""Paths from conductor to conductor by way of other copper: shortest chains of legs over a graph of
nodes.

A *leg* is a stretch of insulation between two conductors. Copper on the way is crossed at no cost,
and a leg beside floating copper that is shorter than X counts as nothing. A chain may therefore
pass many pieces for nothing; pieces joined by such legs form a *cluster*, and between clusters the
shortest leg of each kind is enough. Sides are where chains begin and end; none passes through them,
since the path from there on is a path of its own.

Legs in different kinds of place have different requirements. Each weighs the part of its own
requirement that it holds, and a chain falls short if its parts add up to less than one. Within one
kind of place that is the sum of the lengths against the requirement.

References: IEC 60664-1 (2007), 6.2, example with a floating part: partial distances add up, one
below X is zero.

Literature, from memory: shortest paths on a graph with contracted nodes (clusters as one node).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, dijkstra

from parsers.primitives import Floats, Ints, Rows

# weight per mm of bare length: of equal chains the one with the shortest bare length is told
RAW_SHARE = 1e-9
MARGIN = 1e-6  # what RAW_SHARE and LEAST may add to the weight of a chain
LEAST = 1e-12  # weight of a leg that counts as nothing; a sparse graph takes 0 for no leg


@dataclass(frozen=True, slots=True)
class Legs:
    """Stretches of insulation between nodes; columns of length n."""

    first: Rows  # node
    second: Rows
    length: Floats  # mm
    place: Ints  # what it runs on, in the caller's numbers
    body: Ints  # (n, 2) conductors at its ends
    ends: Floats  # (n, 4) x0, y0, x1, y1
    bends: npt.NDArray[np.object_]  # points between, (k, 2), or None
    spare: Floats  # mm; how much longer it may be in truth, where a search was given up

    def __len__(self) -> int:
        return len(self.first)

    def take(self, at: npt.NDArray[np.generic]) -> Legs:
        """Some of the legs."""
        return Legs(*(getattr(self, f.name)[at] for f in fields(self)))

    def turned(self) -> Legs:
        """The same legs the other way."""
        bends = np.empty(len(self), dtype=object)
        bends[:] = [None if b is None else b[::-1] for b in self.bends]
        ends = self.ends[:, [2, 3, 0, 1]]
        body = self.body[:, ::-1]
        return Legs(self.second, self.first, self.length, self.place, body, ends, bends, self.spare)


def joined(parts: Sequence[Legs]) -> Legs:
    """Tables one below the other."""
    return Legs(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Legs)))


@dataclass(frozen=True, slots=True)
class Chain:
    """A path by way of third copper."""

    source: int  # node
    target: int
    legs: Legs  # in order, each from where the one before ended
    weight: float  # parts of the requirement, below 1


def clusters(hops: Legs, nodes: int) -> Ints:
    """Number of the cluster of each node, given the legs between third copper that count as
    nothing.
    """
    shape = (nodes, nodes)
    graph = coo_array((np.ones(len(hops)), (hops.first, hops.second)), shape=shape)
    numbers: Ints = connected_components(graph, directed=False)[1].astype(np.int32)
    return numbers


def chains(
    out: Legs, across: Legs, into: Legs, weights: tuple[Floats, Floats, Floats], nodes: int
) -> list[Chain]:
    """Find the shortest chain of every source and other target that holds less than its
    requirement.

    Parameters
    ----------
    out, across, into : legs from sources to third copper, between third copper, from third copper
        to targets
    weights : of those legs: the part of its requirement that each holds, 0 where it counts as
        nothing
    nodes : number of nodes

    Notes
    -----
    One Dijkstra search per source; of equal chains the one with the shortest bare length is taken.
    """
    if not len(out) or not len(into):
        return []
    legs = joined([out, across, across.turned(), into])
    weight = np.concatenate([weights[0], weights[1], weights[1], weights[2]])
    role = np.repeat([0, 1, 1, 2], [len(out), len(across), len(across), len(into)])
    u = legs.first + nodes * (role > 0)  # vertices: sources, then third copper, then targets
    v = legs.second + nodes * np.where(role == 2, 2, 1)
    edges = _Edges(u, v, weight + RAW_SHARE * legs.length + LEAST, 3 * nodes)
    sources, targets = np.unique(out.first), np.unique(into.second)
    far, before = dijkstra(
        edges.graph, indices=sources, limit=1.0 + MARGIN, return_predecessors=True
    )
    found = []
    for s, t in np.argwhere(far[:, targets + 2 * nodes] < np.inf):
        rows = edges.walk(before[s], int(sources[s]), int(targets[t]) + 2 * nodes)
        total = float(weight[rows].sum())
        if total < 1.0 and sources[s] != targets[t]:
            found.append(Chain(int(sources[s]), int(targets[t]), legs.take(rows), total))
    return found


class _Edges:
    """The lightest leg between each two vertices."""

    def __init__(self, u: Rows, v: Rows, weight: Floats, vertices: int) -> None:
        key = u.astype(np.int64) * vertices + v
        order = np.lexsort((weight, key))
        self.key, first = np.unique(key[order], return_index=True)
        self.row = order[first]
        self.vertices = vertices
        shape = (vertices, vertices)
        self.graph: Any = coo_array(
            (weight[self.row], (u[self.row], v[self.row])), shape=shape
        ).tocsr()

    def walk(self, before: Ints, source: int, target: int) -> Rows:
        """Rows of the legs on the way that a search found."""
        path = [target]
        while path[-1] != source:
            path.append(int(before[path[-1]]))
        way = np.array(path[::-1], dtype=np.int64)
        rows: Rows = self.row[np.searchsorted(self.key, way[:-1] * self.vertices + way[1:])]
        return rows
