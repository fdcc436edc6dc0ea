"""Holes in sound planes: short parts of a net over one region alone, between places where the
return current goes on.

A short part over one region between places over both is a hole in one of two planes. A short part
over a pour of its own layer, which shows only where neither side shows anything, between places
that share another region, is a hole in the plane of that region.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from checker.geometry.boxes import grouped
from checker.layout.lengths import GRID, Measures
from checker.layout.outlook import Graph, Outlook
from checker.layout.reference_map import OFF
from parsers.primitives import TOUCH, Bools, Ints, Rows

# parts whose outlines are longer than this many times a short part's length are not measured
LOOK = 10


@dataclass(frozen=True, slots=True)
class PlaneHoles:
    """What tells a hole in a plane.

    Parameters
    ----------
    joint : outlook of both sides together
    over : regions that each fragment lies over, shape (k, regions)
    layer_of : layer of each cell, by label; ties left out
    least : parts shorter than this are short, mm
    """

    joint: Outlook
    over: Bools
    layer_of: tuple[int, ...]
    measures: Measures
    least: float

    @property
    def _graph(self) -> Graph:
        return self.joint.graph

    def fragments(self) -> Bools:
        """Mask of the fragments that make up such parts, shape (k,)."""
        only = (self.joint.labels >= 0) & (self.joint.labels < self.joint.meaning.first_tie)
        node = self._components(only)
        candidates = self._short_outlines(only, node)
        holes = np.zeros(len(only), dtype=bool)
        around = self._neighbours(node, candidates) if len(candidates) else {}
        for component, members in grouped(candidates, node[candidates]).items():
            near = np.unique(around.get(component, candidates[:0]))
            if self._is_between(members, near) and self._is_short(members):
                holes[members] = True
        return holes

    def _components(self, only: Bools) -> Ints:
        """Components of fragments that are only over the same region, then of holes."""
        touching, labels = self._graph.touching, self.joint.labels
        same = only[touching.first] & (labels[touching.first] == labels[touching.second])
        edges = [(touching.first[same], touching.second[same]), self.joint.hole_edges(only, 0)]
        return self._graph.components(edges, 0, self.joint.joints)

    def _short_outlines(self, only: Bools, node: Ints) -> Rows:
        """Fragments of components that may be short."""
        outline = np.where(only, shapely.length(self._graph.parts.shape), 0.0)
        total = np.bincount(node[: len(only)], outline, int(node.max(initial=0)) + 1)
        return np.flatnonzero(only & (total[node[: len(only)]] < LOOK * max(self.least, TOUCH)))

    def _neighbours(self, node: Ints, candidates: Rows) -> dict[int, Rows]:
        """Fragments that touch those of each component of some candidates, directly or at a
        hole.
        """
        touching, size = self._graph.touching, len(self.over)
        mine = np.zeros(size, dtype=bool)
        mine[candidates] = True
        found = []
        for one, other in ((touching.first, touching.second), (touching.second, touching.first)):
            meet = mine[one] & (node[one] != node[other])
            found.append((other[meet], node[one[meet]]))
        here = node[size + touching.hole]
        meet = np.isin(here, node[candidates]) & (node[touching.at_hole] != here)
        found.append((touching.at_hole[meet], here[meet]))
        fragments, owner = (np.concatenate(column) for column in zip(*found, strict=True))
        return grouped(fragments, owner)

    def _is_between(self, members: Rows, near: Rows) -> bool:
        """Whether a part lies between two places or more where the return current goes on; lands
        alone bar none.
        """
        region = int(self.joint.labels[members[0]])
        if (self.joint.labels[members] != region).any():
            return False
        over, drawn = self.over[near], ~self._graph.parts.pad[near]
        if self._beside_own_layer(members):
            others = np.delete(over, region, axis=1)
            return bool(others[drawn].all(axis=0).any() and others.any(axis=1).sum() > 1)
        several = over.sum(axis=1) > 1
        return bool(several[drawn].all() and several.sum() > 1)

    def _beside_own_layer(self, members: Rows) -> bool:
        """Whether all fragments lie over pours of their own layer."""
        parts = self._graph.parts
        cell = parts.labels[members].max(axis=1)
        pour = cell < len(self.layer_of)
        layer = np.array([*self.layer_of, OFF])[np.where(pour, cell, -1)]
        return bool((pour & (layer == parts.layer[members])).all())

    def _is_short(self, members: Rows) -> bool:
        parts = self._graph.parts
        drawn = members[~parts.pad[members]]
        traces = parts.shape[drawn]
        if parts.line[drawn].all():  # at most their sum: lands and what is drawn twice come off it
            rounding = 2 * GRID * int(shapely.get_num_coordinates(traces).sum())
            if float(shapely.length(traces).sum()) + rounding < self.least:
                return True
        cells = np.unique(parts.labels[members])
        return self.measures.of(members, cells[cells >= 0].tolist())[1] < self.least
