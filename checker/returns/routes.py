"""Where a net carries a current: the path of least length through its copper, from pin to pin.

Conductors of the net are joined where their copper touches and by its plated holes; along a trace
the path follows its centre line, through an area it is straight. It is returned as filaments at the
depths of its layers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations, pairwise

import networkx as nx
import numpy as np
import shapely
from shapely.ops import substring

from checker.layout.layout import Layout
from checker.returns.estimates import strip_radius
from checker.returns.filaments import XYZ, Filaments, filaments
from checker.returns.ground import PinPlace, depths, plated_holes
from parsers.primitives import TOUCH, Rows, Shapes

MANY = 40  # places in one area between which straight ways are tried; of more, ways by its middle
WIDTH = 0.2  # mm; of a trace that is drawn as an area

Node = tuple[int, float, float]  # conductor (or hole, negative), x, y


def route(layout: Layout, nets: Sequence[int], start: PinPlace, end: PinPlace) -> Filaments | None:
    """The conductor between two pins on some nets, from the first to the second; None if no copper
    leads there.
    """
    copper = _Copper(layout, nets)
    first, last = copper.attach(start), copper.attach(end)
    copper.link()
    if not nx.has_path(copper.graph, first, last):
        return None
    way = nx.shortest_path(copper.graph, first, last, weight="length")
    return filaments(list(copper.places(way)), strip_radius(copper.width(way)))


class _Copper:
    """The conductors of nets as a graph of the places where they meet."""

    def __init__(self, layout: Layout, nets: Sequence[int]) -> None:
        copper = layout.board.copper
        self.layout, self.nets = layout, nets
        self.rows: Rows = np.flatnonzero(np.isin(copper.net, nets))
        self.layer = copper.layer[self.rows].tolist()
        self.depth = depths(layout)
        self.lines, self.shapes = self._skeletons(), copper.shapes(self.rows)
        self.tree = shapely.STRtree(self.shapes)
        self.graph: nx.Graph[Node] = nx.Graph()
        self.stops: dict[int, set[Node]] = {}
        self.at: dict[Node, XYZ] = {}
        self._meet()
        self._drill()

    def _skeletons(self) -> Shapes:
        """Centre lines of traces, also of cleared ones, and areas."""
        copper = self.layout.board.copper
        lines, cut = copper.skeletons(self.rows), copper.centre[self.rows] >= 0
        lines[cut] = copper.centres[copper.centre[self.rows[cut]]]
        return lines

    def _stop(self, row: int, near: shapely.Geometry) -> Node:
        """A place on a conductor, as near as can be to a shape."""
        x, y = shapely.shortest_line(self.lines[row], near).coords[0]
        node = row, round(x, 6), round(y, 6)
        self.stops.setdefault(row, set()).add(node)
        self.at[node] = node[1], node[2], self.depth[self.layer[row]]
        return node

    def _join(self, one: Node, other: Node) -> None:
        self.graph.add_edge(
            one, other, length=float(np.linalg.norm(np.subtract(self.at[one], self.at[other])))
        )

    def _meet(self) -> None:
        """Contacts of conductors on a layer."""
        first, second = self.tree.query(self.shapes, predicate="dwithin", distance=TOUCH)
        for a, b in zip(first.tolist(), second.tolist(), strict=True):
            if a < b and self.layer[a] == self.layer[b]:
                self._join(self._stop(a, self.lines[b]), self._stop(b, self.lines[a]))

    def _drill(self) -> None:
        """Plated holes."""
        board = self.layout.board
        for hole in plated_holes(board, self.nets).tolist():
            middle = shapely.Point(board.holes.middles(np.array([hole]))[0])
            levels: dict[int, Node] = {}
            opening = shapely.buffer(middle, float(board.holes.radius[hole]))
            for row in self.tree.query(opening, predicate="intersects").tolist():
                layer = self.layer[row]
                if board.holes.first[hole] <= layer <= board.holes.last[hole]:
                    node = levels.setdefault(
                        layer, (-1 - hole * len(self.depth) - layer, middle.x, middle.y)
                    )
                    self.at[node] = middle.x, middle.y, self.depth[layer]
                    self._join(self._stop(row, middle), node)
            for upper, lower in pairwise(sorted(levels)):
                self._join(levels[upper], levels[lower])

    def attach(self, pin: PinPlace) -> Node:
        """A pin, joined to its pads, or to what lies under it."""
        node: Node = len(self.rows), *pin.at
        self.at[node] = *pin.at, self.depth[pin.layers[0]]
        self.graph.add_node(node)
        place = shapely.Point(pin.at)
        pads = np.flatnonzero(np.isin(self.rows, pin.rows))
        for row in (
            pads if len(pin.rows) else self.tree.query(place, predicate="intersects")
        ).tolist():
            self._join(self._stop(row, place), node)
        return node

    def link(self) -> None:
        """Join the places on each conductor along it."""
        for row, stops in self.stops.items():
            line = self.lines[row]
            if line.geom_type == "LineString":
                order = sorted(
                    (float(line.project(shapely.Point(node[1:]))), node) for node in stops
                )
                for (before, one), (after, other) in pairwise(order):
                    self.graph.add_edge(
                        one, other, length=after - before, row=row, part=(before, after)
                    )
            else:
                self._across(row, sorted(stops))

    def _across(self, row: int, stops: list[Node]) -> None:
        if len(stops) > MANY:
            middle = self._stop(row, shapely.centroid(self.lines[row]))
            pairs: Iterator[tuple[Node, Node]] = (
                (middle, node) for node in stops if node != middle
            )
        else:
            pairs = combinations(stops, 2)
        for one, other in pairs:
            self._join(one, other)

    def places(self, way: Sequence[Node]) -> Iterator[XYZ]:
        """A way as a polyline."""
        yield self.at[way[0]]
        for one, other in pairwise(way):
            edge = self.graph.edges[one, other]
            if "row" in edge:
                piece = list(substring(self.lines[edge["row"]], *edge["part"]).coords)
                onward = np.hypot(*np.subtract(piece[0], one[1:])) <= np.hypot(
                    *np.subtract(piece[-1], one[1:])
                )
                for x, y in (piece if onward else piece[::-1])[1:-1]:
                    yield x, y, self.depth[self.layer[edge["row"]]]
            yield self.at[other]

    def width(self, way: Sequence[Node]) -> float:
        """Usual width of the traces along a way, mm."""
        copper = self.layout.board.copper
        rows = [
            self.graph.edges[pair]["row"]
            for pair in pairwise(way)
            if "row" in self.graph.edges[pair]
        ]
        widths = 2 * copper.radius[self.rows[rows]] if rows else np.array([WIDTH])
        return float(np.median(np.where(widths > 0, widths, WIDTH)))
