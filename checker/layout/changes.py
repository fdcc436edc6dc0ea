"""Changes: where traces that lie on different labels meet directly, without anything off the
reference between them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from checker.geometry.boxes import BoxIndex, grouped, widened
from checker.layout.fragments import Fragments
from checker.layout.outlook import Edges, Graph, Outlook
from parsers.primitives import TOUCH, Bools, Rows, Shapes


class Changes:
    """Direct contacts of traces on different labels, in any outlook.

    `link` is the shortest line between the two fragments, `zone` the copper that both share: what
    touches it belongs to the same part.
    """

    def __init__(self, graph: Graph, outlooks: Sequence[Outlook]) -> None:
        self.contact = np.flatnonzero(np.any([outlook.changing for outlook in outlooks], axis=0))
        self.first = graph.touching.first[self.contact]
        self.second = graph.touching.second[self.contact]
        self.zone = shapely.intersection(
            _copper(graph.parts, self.first), _copper(graph.parts, self.second)
        )
        # wide round ends that touch by their polygons' corners only
        apart = shapely.is_empty(self.zone)
        self.zone[apart] = graph.links(self.contact[apart])
        self.link = self._links(graph)
        self.length = np.where(
            graph.touching.distance[self.contact] > TOUCH, shapely.length(self.link), 0.0
        )
        self._graph = graph

    def __len__(self) -> int:
        return len(self.contact)

    def _links(self, graph: Graph) -> Shapes:
        """Shortest lines; where an area touches, a point in the middle of what both share."""
        links = graph.links(self.contact)
        line = graph.parts.line
        areas = np.flatnonzero(
            ~(line[self.first] & line[self.second])
            & (graph.touching.distance[self.contact] <= TOUCH)
        )
        middle = shapely.get_coordinates(shapely.centroid(self.zone[areas]))
        if len(areas):
            links[areas] = shapely.linestrings(np.stack((middle, middle), axis=1))
        return links

    def shortest(self, changes: Rows) -> Rows:
        """Those of some changes whose ends are nearest to each other."""
        length = self.length[changes]
        kept: Rows = changes[length <= length.min(initial=np.inf) + TOUCH]
        return kept

    def ends(self, changes: Rows) -> Rows:
        """Fragments at both ends of some changes."""
        return np.concatenate((self.first[changes], self.second[changes]))

    def edges(self, changes: Rows, outlook: Outlook) -> list[Edges]:
        """Edges between changes and the fragments that are OFF, changes and joints that their
        copper touches.
        """
        parts, size = self._graph.parts, len(self._graph.parts)
        boxes = widened(shapely.bounds(self.zone[changes]), TOUCH)
        loose = np.flatnonzero(outlook.off)
        asked, found = BoxIndex(parts.boxes()[loose]).meeting(boxes)
        change, fragment = changes[asked], loose[found]
        near = shapely.dwithin(
            self.zone[change], parts.shape[fragment], parts.radius[fragment] + TOUCH
        )
        near &= self._same_place(self.first[change], fragment)
        asked, found = BoxIndex(boxes).meeting(boxes)
        one, other = changes[asked], changes[found]
        both = shapely.dwithin(self.zone[one], self.zone[other], TOUCH)
        both &= self._same_place(self.first[one], self.first[other])
        return [
            (fragment[near], size + change[near]),
            (size + one[both], size + other[both]),
            self._hole_edges(changes, outlook),
        ]

    def _same_place(self, a: Rows, b: Rows) -> Bools:
        parts = self._graph.parts
        same: Bools = (parts.net[a] == parts.net[b]) & (parts.layer[a] == parts.layer[b])
        return same

    def _hole_edges(self, changes: Rows, outlook: Outlook) -> Edges:
        """Edges between changes and the joints that both of their ends touch."""
        touching, size = self._graph.touching, len(self._graph.parts)
        holes = grouped(outlook.joint, touching.at_hole)
        none = outlook.joint[:0]
        pairs = [
            (size + change, size + len(self) + hole)
            for change in changes.tolist()
            for hole in np.intersect1d(
                holes.get(int(self.first[change]), none), holes.get(int(self.second[change]), none)
            ).tolist()
        ]
        table = np.array(pairs, dtype=np.intp).reshape(-1, 2)
        return table[:, 0], table[:, 1]


def _copper(parts: Fragments, rows: Rows) -> Shapes:
    """Copper of fragments, a little more than half of TOUCH wider than it is, so that what touches
    overlaps.
    """
    shapes: Shapes = shapely.buffer(parts.shape[rows], parts.radius[rows] + 0.6 * TOUCH)
    return shapes
