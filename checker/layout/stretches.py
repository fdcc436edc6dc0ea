"""Stretches: connected parts of one net's conductors that lie off the reference. Definitions: README, "Geometry".

The fragments of all nets form a graph: fragments off the reference are joined where their copper touches or a plated
hole joins them. What a connected part touches (pours beside it, traces over pours that it meets, traces over pours at
its holes) are its pours. Where two traces over different pours meet directly, a *change* of length 0 stands between.
This is done in both views of the layers; parts that overlap are one stretch.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import networkx as nx
import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from checker.findings import XY
from checker.geometry.boxes import BoxIndex, grouped, widened
from checker.layout.fragments import Contacts, Fragments
from checker.layout.lengths import Measures, as_path, bounds_of, contact_points, width_of, xy
from checker.layout.regions import Pour, Stretch
from checker.layout.views import EPSILON, OFF, View, Views
from parsers.board import Board
from parsers.primitives import TOUCH, Bools, Ints, Rows, Shapes

Edges = tuple[Rows, Rows]
FRAGMENT, CHANGE, HOLE = "fragment", "change", "hole"
Token = tuple[str, int]


@dataclass(frozen=True)
class Grounds:
    """What the labels of cells mean: pours, then ties."""

    pours: tuple[Pour, ...]
    ties: tuple[frozenset[int], ...]  # the two regions of each

    def regions(self, labels: Iterable[int]) -> tuple[int, ...]:
        """Regions of some labels, ascending; a tie adds one only where neither of its regions is there already."""
        known = sorted(label for label in labels if label >= 0)
        named = {self.pours[label].region for label in known if label < len(self.pours)}
        for label in known:
            if label >= len(self.pours) and not named & self.ties[label - len(self.pours)]:
                named.add(min(self.ties[label - len(self.pours)]))
        return tuple(sorted(named))

    def is_moat(self, labels: Iterable[int]) -> bool:
        """Whether two of the labels are separate pieces of one region's pours on one layer."""
        known = [self.pours[label] for label in labels if 0 <= label < len(self.pours)]
        return len(known) > len({(pour.region, pour.layer) for pour in known})

    def tells(self, labels: Iterable[int]) -> bool:
        """Whether a stretch that touches these is a crossing or spans a moat."""
        known = list(labels)
        return len(self.regions(known)) > 1 or self.is_moat(known)

    @cached_property
    def _table(self) -> Bools:
        """Whether two labels tell, for each pair; the last row and column stand for OFF."""
        pours, size = len(self.pours), len(self.pours) + len(self.ties)
        table = np.zeros((size + 1, size + 1), dtype=bool)
        region, layer = np.array([(p.region, p.layer) for p in self.pours], dtype=np.int64).reshape(-1, 2).T
        alike = (region[:, None] == region) & (layer[:, None] != layer)
        table[:pours, :pours] = ~alike & ~np.eye(pours, dtype=bool)
        for tie in range(pours, size):
            for other in range(size):
                table[tie, other] = table[other, tie] = len(self.regions({tie, other})) > 1
        return table

    def differ(self, a: Ints, b: Ints) -> Bools:
        """Pairs of labels whose direct contact is a change of region, or of pieces on one layer."""
        result: Bools = self._table[a, b] & (a >= 0) & (b >= 0)
        return result


@dataclass(frozen=True, slots=True)
class Part:
    """A connected part of a net off the reference in one view."""

    view: int
    fragments: Rows
    changes: Rows
    holes: Rows  # that join it
    labels: tuple[int, ...]
    traced: bool  # it has more than lands

    @property
    def tokens(self) -> set[Token]:
        """What two parts have in common if they overlap."""
        named = ((FRAGMENT, self.fragments), (CHANGE, self.changes), (HOLE, self.holes))
        return {(kind, int(i)) for kind, items in named for i in items}


@dataclass(frozen=True, slots=True)
class Graph:
    """Fragments and what joins them, independent of the view."""

    board: Board
    parts: Fragments
    touching: Contacts
    grounds: Grounds

    def links(self, contacts: Rows) -> Shapes:
        """Shortest line between the two fragments of some contacts."""
        first, second = self.touching.first[contacts], self.touching.second[contacts]
        lines: Shapes = shapely.shortest_line(self.parts.shape[first], self.parts.shape[second])
        return lines

    def components(self, edges: Sequence[Edges], changes: int) -> Ints:
        """Component of each fragment, then of each change, then of each hole, from pairs of such nodes."""
        total = len(self.parts) + changes + len(self.board.holes)
        first, second = (np.concatenate(side) for side in zip(*edges, strict=True))
        graph = coo_array((np.ones(len(first), dtype=bool), (first, second)), shape=(total, total))
        component: Ints = connected_components(graph, directed=False)[1].astype(np.int32)
        return component

    def hole_edges(self, off: Bools, changes: int) -> Edges:
        """Edges between holes and the fragments off the reference that touch them."""
        at_hole = off[self.touching.at_hole]
        return self.touching.at_hole[at_hole], len(self.parts) + changes + self.touching.hole[at_hole]


class Side:
    """What one view tells of a graph."""

    def __init__(self, graph: Graph, cells: Sequence[View], view: int) -> None:
        self.graph = graph
        self.cells = cells  # per layer
        self.view = view
        self.labels: Ints = graph.parts.labels[:, view]
        self.off: Bools = self.labels == OFF

    @cached_property
    def led_over(self) -> list[tuple[Rows, int]]:
        """Contacts whose shortest link leads over a cell that neither fragment lies on, with that cell's label."""
        touching, labels = self.graph.touching, self.labels
        apart = np.flatnonzero(touching.distance > TOUCH)
        links = _shrunk(self.graph.links(apart))
        one, other = touching.first[apart], touching.second[apart]
        found = []
        for layer, here in grouped(np.arange(len(apart)), self.graph.parts.layer[one]).items():
            for cell, near in self.cells[layer].near(shapely.bounds(links[here])):
                foreign = here[near]
                foreign = foreign[(labels[one[foreign]] != cell.label) & (labels[other[foreign]] != cell.label)]
                found.append((apart[foreign[_leads_over(cell.shape, links[foreign])]], cell.label))
        return found

    @cached_property
    def free(self) -> Bools:
        """Contacts whose shortest link leads over no other cells than those of the two fragments themselves."""
        free = np.ones(len(self.graph.touching.first), dtype=bool)
        for contacts, _ in self.led_over:
            free[contacts] = False
        return free

    @cached_property
    def alive(self) -> Bools:
        """Fragments that tell what a trace refers to: traces, areas, and lands that a trace meets on the same cell."""
        pad = self.graph.parts.pad
        first, second = self.graph.touching.first, self.graph.touching.second
        alive = ~pad
        meet = (self.labels[first] == self.labels[second]) & (pad[first] != pad[second])
        alive[first[meet]] = alive[second[meet]] = True
        return alive

    @cached_property
    def changing(self) -> Bools:
        """Contacts where traces over different pours meet directly, and not over a tie."""
        first, second = self.graph.touching.first, self.graph.touching.second
        differ = self.graph.grounds.differ(self.labels[first], self.labels[second])
        for contacts, label in self.led_over:
            if label >= len(self.graph.grounds.pours):
                differ[contacts] = False
        changing: Bools = differ & self.alive[first] & self.alive[second]
        return changing

    def off_edges(self, off: Bools) -> Edges:
        """Edges between fragments off the reference that touch."""
        touching = self.graph.touching
        both = off[touching.first] & off[touching.second] & self.free
        return touching.first[both], touching.second[both]

    def beside(self) -> Iterator[tuple[Rows, int]]:
        """Fragments off the reference within TOUCH of a cell, with its label."""
        parts = self.graph.parts
        rows = np.flatnonzero(self.off)
        for layer, here in grouped(rows, parts.layer[rows]).items():
            for cell, close in self.cells[layer].near(shapely.bounds(parts.shape[here])):
                near = here[close]
                yield near[shapely.dwithin(cell.shape, parts.shape[near], TOUCH)], cell.label


class Changes:
    """Direct contacts of traces over different pours, in either view.

    `link` is the shortest line between the two fragments, `zone` the copper that both share: what touches it belongs
    to the same stretch.
    """

    def __init__(self, graph: Graph, sides: Sequence[Side]) -> None:
        self.contact = np.flatnonzero(np.any([side.changing for side in sides], axis=0))
        self.first = graph.touching.first[self.contact]
        self.second = graph.touching.second[self.contact]
        self.zone = shapely.intersection(_copper(graph.parts, self.first), _copper(graph.parts, self.second))
        self.link = self._links(graph)
        self.length = np.where(graph.touching.distance[self.contact] > TOUCH, shapely.length(self.link), 0.0)
        self._graph = graph

    def __len__(self) -> int:
        return len(self.contact)

    def _links(self, graph: Graph) -> Shapes:
        """Shortest lines; where an area touches, a point in the middle of what both share."""
        links = graph.links(self.contact)
        line = graph.parts.line
        areas = np.flatnonzero(
            ~(line[self.first] & line[self.second]) & (graph.touching.distance[self.contact] <= TOUCH)
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

    def edges(self, changes: Rows, off: Bools) -> list[Edges]:
        """Edges between changes and the fragments off the reference, changes and holes that their copper touches."""
        parts, size = self._graph.parts, len(self._graph.parts)
        boxes = widened(shapely.bounds(self.zone[changes]), TOUCH)
        loose = np.flatnonzero(off)
        asked, found = BoxIndex(parts.boxes()[loose]).meeting(boxes)
        change, fragment = changes[asked], loose[found]
        near = shapely.dwithin(self.zone[change], parts.shape[fragment], parts.radius[fragment] + TOUCH)
        near &= self._same_place(self.first[change], fragment)
        asked, found = BoxIndex(boxes).meeting(boxes)
        one, other = changes[asked], changes[found]
        both = shapely.dwithin(self.zone[one], self.zone[other], TOUCH)
        both &= self._same_place(self.first[one], self.first[other])
        return [
            (fragment[near], size + change[near]),
            (size + one[both], size + other[both]),
            self._hole_edges(changes),
        ]

    def _same_place(self, a: Rows, b: Rows) -> Bools:
        parts = self._graph.parts
        same: Bools = (parts.net[a] == parts.net[b]) & (parts.layer[a] == parts.layer[b])
        return same

    def _hole_edges(self, changes: Rows) -> Edges:
        """Edges between changes and the holes that both of their ends touch."""
        touching, size = self._graph.touching, len(self._graph.parts)
        holes = grouped(touching.hole, touching.at_hole)
        none = touching.hole[:0]
        pairs = [
            (size + change, size + len(self) + hole)
            for change in changes.tolist()
            for hole in np.intersect1d(
                holes.get(int(self.first[change]), none), holes.get(int(self.second[change]), none)
            ).tolist()
        ]
        table = np.array(pairs, dtype=np.intp).reshape(-1, 2)
        return table[:, 0], table[:, 1]


class StretchFinder:
    """Finds the stretches of a graph in both views.

    Parameters
    ----------
    views : per layer
    measures : paths and lengths, exempt areas included
    least : bare runs not longer than this are left out, mm
    wide : conductors (rows) that are never bare: wide areas
    """

    def __init__(self, graph: Graph, views: Sequence[Views], measures: Measures, least: float, wide: Rows) -> None:
        self.graph = graph
        self.parts = graph.parts
        self.grounds = graph.grounds
        self.views = views
        self.measures = measures
        self.least = least
        self.wide: Bools = np.isin(graph.parts.row, wide)
        self.sides = (Side(graph, [seen.first for seen in views], 0), Side(graph, [seen.second for seen in views], 1))
        self.changes = Changes(graph, self.sides)

    def stretches(self) -> tuple[Stretch, ...]:
        """Crossings and moats first, then bare runs; each in order of net and place."""
        alike = bool((self.parts.labels[:, 0] == self.parts.labels[:, 1]).all())
        found = [part for side in (self.sides[:1] if alike else self.sides) for part in self._parts_of(side)]
        crossing = [part for part in found if len(self.grounds.regions(part.labels)) > 1]
        moats = [part for part in found if len(self.grounds.regions(part.labels)) <= 1]
        own = {token for part in crossing for token in part.tokens}
        reach = {token for part in crossing for token in self._reach(part)}
        groups = self._overlapping(crossing)
        groups += [
            group
            for group in self._overlapping(moats)
            if not any(part.tokens & reach or self._reach(part) & own for part in group)
        ]
        used = np.concatenate([np.empty(0, dtype=np.intp), *(part.fragments for part in found)])
        told = [self._stretch(group) for group in groups]
        return (*sorted(told, key=_order), *sorted(self._bare_runs(used), key=_order))

    # ------------------------------------------------------------------------------------------------- one view

    def _parts_of(self, side: Side) -> Iterator[Part]:
        """Connected parts off the reference in one view that touch pours of two regions, or separate pieces."""
        graph, size, extra = self.graph, len(self.parts), len(self.changes)
        changes = np.flatnonzero(side.changing[self.changes.contact])
        edges = [side.off_edges(side.off), graph.hole_edges(side.off, extra), *self.changes.edges(changes, side.off)]
        node = graph.components(edges, extra)
        traced = set(node[:size][side.off & ~self.parts.pad].tolist()) | set(node[size + changes].tolist())
        telling = self._telling(self._brought(side, node, changes), self._beside(side, node), traced)
        fragments = _members(np.flatnonzero(side.off), node, telling)
        changed = _members(size + changes, node, telling)
        holes = _members(size + extra + np.unique(graph.touching.hole), node, telling)
        none = np.empty(0, dtype=np.intp)
        for component, labels in sorted(telling.items()):
            yield Part(
                side.view,
                fragments.get(component, none),
                changed.get(component, none) - size,
                holes.get(component, none) - size - extra,
                labels,
                component in traced,
            )

    def _brought(self, side: Side, node: Ints, changes: Rows) -> dict[int, set[int]]:
        """Labels that traces bring to each component: at its changes, where they touch it, and at its holes."""
        touching, labels = self.graph.touching, side.labels
        size, extra = len(self.parts), len(self.changes)
        pairs = [(node[size + changes], labels[ends[changes]]) for ends in (self.changes.first, self.changes.second)]
        for one, other in ((touching.first, touching.second), (touching.second, touching.first)):
            meet = side.off[one] & ~side.off[other] & side.alive[other] & side.free
            pairs.append((node[one[meet]], labels[other[meet]]))
        for contacts, label in side.led_over:  # copper that bridges a pour reaches it
            for end in (touching.first[contacts], touching.second[contacts]):
                loose = end[side.off[end]]
                pairs.append((node[loose], np.full(len(loose), label, dtype=np.int32)))
        at_hole = ~side.off[touching.at_hole] & side.alive[touching.at_hole]
        pairs.append((node[size + extra + touching.hole[at_hole]], labels[touching.at_hole[at_hole]]))
        return _sets(pairs)

    def _beside(self, side: Side, node: Ints) -> dict[int, set[int]]:
        """Labels of the cells beside each component."""
        return _sets([(node[near], np.full(len(near), label, dtype=np.int32)) for near, label in side.beside()])

    def _telling(
        self, brought: Mapping[int, set[int]], beside: Mapping[int, set[int]], traced: set[int]
    ) -> dict[int, tuple[int, ...]]:
        """Components that are crossings or span a moat, with their labels; lands alone reach no further than traces."""
        telling = {}
        for component in brought.keys() | beside.keys():
            labels = set(brought.get(component, ()))
            if component in traced:
                labels |= beside.get(component, set())
            if self.grounds.tells(labels):
                telling[component] = tuple(sorted(labels))
        return telling

    # ----------------------------------------------------------------------------------------------- both views

    def _reach(self, part: Part) -> set[Token]:
        """Tokens of a part, and those of the fragments that meet at its changes."""
        return part.tokens | {(FRAGMENT, int(i)) for i in self.changes.ends(part.changes)}

    def _overlapping(self, parts: Sequence[Part]) -> list[list[Part]]:
        """Group parts of both views that overlap."""
        owners: dict[Token, list[int]] = {}
        for number, part in enumerate(parts):
            for token in part.tokens:
                owners.setdefault(token, []).append(number)
        graph: nx.Graph[int] = nx.Graph()
        graph.add_nodes_from(range(len(parts)))
        for number, part in enumerate(parts):
            graph.add_edges_from((number, other) for token in self._reach(part) for other in owners.get(token, ()))
        return [[parts[i] for i in sorted(group)] for group in nx.connected_components(graph)]

    def _stretch(self, group: Sequence[Part]) -> Stretch:
        """One stretch of the parts that overlap; measured in the view where it is longest."""
        measured = [(*self._measure(part), part) for part in group]
        path, length, part = max(measured, key=lambda entry: (entry[1], -entry[2].view))
        labels = {label for one in group for label in one.labels}
        members = np.unique(np.concatenate([self._members_of(one) for one in group]))
        ends = self._ends(part)
        bare = part.fragments[(self.parts.labels[part.fragments] == OFF).all(axis=1)]
        bare_path, bare_length = self.measures.of(bare, part.labels, exempting=True)
        return Stretch(
            net=int(self.parts.net[members[0]]),
            layers=self._layers(members),
            rows=np.unique(self.parts.row[members]),
            path=path,
            length=length,
            regions=self.grounds.regions(labels),
            pours=tuple(sorted(label for label in labels if label < len(self.grounds.pours))),
            ends=ends,
            carried_elsewhere=len({one.view for one in group}) == 1 and all(self._is_carried(one) for one in group),
            bare_length=bare_length,
            bare_path=bare_path,
            bounds=bounds_of(path, ends),
            only_pads=not part.traced,
            widest=0.0,
            moat=self.grounds.is_moat(labels),
        )

    def _measure(self, part: Part) -> tuple[Any, float]:
        """Path and length of a part; where there are only changes, those of the links across them."""
        path, length = self.measures.of(part.fragments, part.labels)
        if path or not len(part.changes):
            return path, length
        shortest = self.changes.shortest(part.changes)
        links = self.changes.link[shortest[self.changes.length[shortest] > 0]]
        return as_path(links), float(self.changes.length[shortest].max())

    def _members_of(self, part: Part) -> Rows:
        """Fragments of a part, and those that meet at its changes and, where it has no others, at its holes."""
        members = np.concatenate((part.fragments, self.changes.ends(part.changes)))
        at_hole = self.graph.touching.at_hole[np.isin(self.graph.touching.hole, part.holes)]
        return members if len(members) else at_hole[self.sides[part.view].alive[at_hole]]

    def _layers(self, members: Rows) -> tuple[int, ...]:
        """Layers of traces and areas; of lands if there are no others."""
        lines = members[~self.parts.pad[members]]
        found = np.unique(self.parts.layer[lines if len(lines) else members])
        return tuple(int(layer) for layer in found)

    def _is_carried(self, part: Part) -> bool:
        """Whether the other view has one continuous pour along the whole part."""
        labels = np.unique(self.parts.labels[self._members_of(part), 1 - part.view])
        return len(labels) == 1 and 0 <= labels[0] < len(self.grounds.pours)

    def _ends(self, part: Part) -> tuple[XY, ...]:
        """Where a part meets the pours, one point per contact."""
        direct = self.changes.shortest(part.changes)
        if len(part.fragments):
            direct = direct[self.changes.length[direct] == 0]
        points = [xy(point) for point in shapely.get_coordinates(self.changes.link[direct])]
        met = self._contacts(part.fragments, part.labels, (part.view,))
        if len(part.fragments):
            met |= {label: self._met_by_copper(part, label) for label in part.labels if label not in met}
        points += [point for found in met.values() for point in found]
        if not points:
            points = self._centres_of(part.holes)
        return tuple(sorted(dict.fromkeys(points)))

    def _contacts(self, fragments: Rows, labels: Sequence[int], views: Sequence[int]) -> dict[int, list[XY]]:
        """Points where fragments touch cells of some labels, by label."""
        points: dict[int, list[XY]] = {}
        for view in views:
            for layer, here in grouped(fragments, self.parts.layer[fragments]).items():
                shapes = self.parts.shape[here]
                for cell, near in self.sides[view].cells[layer].near(shapely.bounds(shapes)):
                    if cell.label in labels:
                        for shape in shapes[near[shapely.dwithin(cell.shape, shapes[near], TOUCH)]]:
                            points.setdefault(cell.label, []).extend(contact_points(shape, cell.shape))
        return points

    def _met_by_copper(self, part: Part, label: int) -> list[XY]:
        """Where a part whose centre lines stop short of a cell meets a trace over it: by its width, or at a hole."""
        touching, side = self.graph.touching, self.sides[part.view]
        own = np.zeros(len(self.parts), dtype=bool)
        own[part.fragments] = True
        over = (side.labels == label) & side.alive
        here, there = over[touching.first], over[touching.second]
        meet = np.flatnonzero(side.free & ((own[touching.first] & there) | (own[touching.second] & here)))
        if not len(meet):
            at_hole = np.isin(touching.hole, part.holes) & over[touching.at_hole]
            return self._centres_of(np.unique(touching.hole[at_hole]))
        best = meet[[np.argmin(touching.distance[meet])]]
        return [xy(shapely.get_coordinates(self.graph.links(best))[-1 if there[best[0]] else 0])]

    def _centres_of(self, holes: Rows) -> list[XY]:
        ends = self.graph.board.holes.ends[holes]
        return [xy(point) for point in (ends[:, :2] + ends[:, 2:]) / 2]

    # ------------------------------------------------------------------------------------------------ bare runs

    def _bare_runs(self, told: Rows) -> Iterator[Stretch]:
        """Connected parts off the reference in both views that are no part of a crossing or moat."""
        off = self.sides[0].off & self.sides[1].off & ~self.wide
        off[told] = False
        first, second = self.sides[0].off_edges(off)
        free = self.sides[1].free[self._free_in_first(off)]
        node = self.graph.components([(first[free], second[free]), self.graph.hole_edges(off, 0)], 0)
        rows = np.flatnonzero(off)
        bound = np.bincount(node[rows], shapely.length(self.parts.shape[rows]), int(node.max(initial=0)) + 1)
        for fragments in _members(rows, node, np.flatnonzero(bound > self.least).tolist()).values():
            run = self._bare_run(fragments)
            if run.bare_length > self.least:
                yield run

    def _free_in_first(self, off: Bools) -> Bools:
        touching = self.graph.touching
        return off[touching.first] & off[touching.second] & self.sides[0].free

    def _bare_run(self, fragments: Rows) -> Stretch:
        labels = self._touched(fragments)
        path, length = self.measures.of(fragments, labels, exempting=True)
        areas = self.parts.shape[fragments[~self.parts.line[fragments] & ~self.parts.pad[fragments]]]
        met = self._contacts(fragments, labels, (0, 1)).values()
        ends = tuple(sorted(dict.fromkeys(point for points in met for point in points)))
        return Stretch(
            net=int(self.parts.net[fragments[0]]),
            layers=self._layers(fragments),
            rows=np.unique(self.parts.row[fragments]),
            path=path,
            length=length,
            regions=self.grounds.regions(labels),
            pours=tuple(label for label in labels if label < len(self.grounds.pours)),
            ends=ends,
            carried_elsewhere=False,
            bare_length=length,
            bare_path=path,
            bounds=bounds_of(path, ends),
            only_pads=bool(self.parts.pad[fragments].all()),
            widest=max((width_of(area) for area in areas), default=0.0),
        )

    def _touched(self, fragments: Rows) -> list[int]:
        """Labels of the cells that fragments touch in the first view, or else in the second."""
        return self._touched_in(0, fragments) or self._touched_in(1, fragments)

    def _touched_in(self, view: int, fragments: Rows) -> list[int]:
        found: set[int] = set()
        for layer, here in grouped(fragments, self.parts.layer[fragments]).items():
            shapes = self.parts.shape[here]
            for cell, near in self.sides[view].cells[layer].near(shapely.bounds(shapes)):
                if shapely.dwithin(cell.shape, shapes[near], TOUCH).any():
                    found.add(cell.label)
        return sorted(found)


def _copper(parts: Fragments, rows: Rows) -> Shapes:
    """Copper of fragments, a little more than half of TOUCH wider than it is, so that what touches overlaps."""
    shapes: Shapes = shapely.buffer(parts.shape[rows], parts.radius[rows] + 0.6 * TOUCH)
    return shapes


def _order(stretch: Stretch) -> tuple[Any, ...]:
    return stretch.net, stretch.layers, stretch.bounds


def _members(rows: Rows, node: Ints, wanted: Iterable[int]) -> dict[int, Rows]:
    """Rows by component, only the wanted ones."""
    rows = rows[np.isin(node[rows], list(wanted))]
    return grouped(rows, node[rows])


def _sets(pairs: Sequence[tuple[Ints, Ints]]) -> dict[int, set[int]]:
    """Labels by component."""
    table = np.vstack([np.empty((0, 2), dtype=np.int64), *(np.column_stack(pair) for pair in pairs)])
    found: dict[int, set[int]] = {}
    for component, label in np.unique(table, axis=0).tolist():
        found.setdefault(component, set()).add(label)
    return found


def _leads_over(cell: shapely.Geometry, links: Shapes) -> Bools:
    """Whether links lead over a cell; running along its edge is not over it."""
    over: Bools = shapely.crosses(cell, links) | shapely.contains(cell, links)
    hits = np.flatnonzero(over)
    parts, of = shapely.get_parts(shapely.intersection(links[hits], cell), return_index=True)
    middles = shapely.line_interpolate_point(parts, 0.5, normalized=True)
    deep = shapely.distance(middles, shapely.boundary(cell)) > EPSILON
    over[hits] = np.isin(np.arange(len(hits)), of[deep])
    return over


def _shrunk(links: Shapes) -> Shapes:
    """Links less TOUCH at either end, so that they do not reach what they join."""
    ends = shapely.get_coordinates(links).reshape(-1, 2, 2)
    step = ends[:, 1] - ends[:, 0]
    part = np.minimum(TOUCH / np.maximum(np.hypot(*step.T), 1e-12), 0.49)[:, None] * step
    out: Shapes = shapely.linestrings(np.stack((ends[:, 0] + part, ends[:, 1] - part), axis=1))
    return out
