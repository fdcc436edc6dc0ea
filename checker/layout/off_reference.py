"""Runs off the reference: where nothing, or not one region all the way, carries a net's return current.

The fragments of all nets form a graph, joined where their copper touches or a plated hole joins them. In each outlook
(above, below, both together) the connected parts that are OFF are found with the labels that they touch: of what lies
beside them, of traces that they meet, of traces at their holes. Where two traces on different labels meet directly, a
*change* of length 0 stands between. Together, OFF is what is not only over one region: a part that touches two is a
gap that nothing carries. On one side it is a change of that side's view, or a moat. What both sides leave bare, and
touches one piece or none, is a bare run.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import networkx as nx
import numpy as np
import shapely

from checker.findings import XY
from checker.geometry.boxes import BoxIndex, grouped, widened
from checker.layout.fragments import Fragments
from checker.layout.lengths import Measures, as_path, bounds_of, contact_points, xy
from checker.layout.outlook import (
    ABOVE,
    BELOW,
    TOGETHER,
    Edges,
    Graph,
    Labels,
    Outlook,
    joint_outlook,
    side_outlook,
)
from checker.layout.reference_map import OFF, ReferenceMap, without_own_layer
from checker.layout.regions import Kind, OffReferenceRun
from parsers.primitives import TOUCH, Bools, Ints, Rows, Shapes

FRAGMENT, CHANGE, HOLE = "fragment", "change", "hole"
Token = tuple[str, int]
LOOK = 10  # parts whose outlines are longer than this many times a short part's length are not measured


@dataclass(frozen=True, slots=True)
class Part:
    """A connected part of a net that is OFF in one outlook, and what it touches."""

    outlook: int
    fragments: Rows
    changes: Rows
    holes: Rows  # that join it
    labels: tuple[int, ...]  # of the outlook

    @property
    def tokens(self) -> set[Token]:
        """What two parts have in common if they overlap."""
        named = ((FRAGMENT, self.fragments), (CHANGE, self.changes), (HOLE, self.holes))
        return {(kind, int(i)) for kind, items in named for i in items}


@dataclass(frozen=True, slots=True)
class Met:
    """What a part touches."""

    cells: set[int]
    points: dict[int, list[XY]]  # by label of its outlook; under OFF those of direct changes

    @property
    def ends(self) -> tuple[XY, ...]:
        """All places, each once."""
        return tuple(sorted({point for points in self.points.values() for point in points}))


class Changes:
    """Direct contacts of traces on different labels, in any outlook.

    `link` is the shortest line between the two fragments, `zone` the copper that both share: what touches it belongs
    to the same part.
    """

    def __init__(self, graph: Graph, outlooks: Sequence[Outlook]) -> None:
        self.contact = np.flatnonzero(np.any([outlook.changing for outlook in outlooks], axis=0))
        self.first = graph.touching.first[self.contact]
        self.second = graph.touching.second[self.contact]
        self.zone = shapely.intersection(_copper(graph.parts, self.first), _copper(graph.parts, self.second))
        apart = shapely.is_empty(self.zone)  # wide round ends that touch by their polygons' corners only
        self.zone[apart] = graph.links(self.contact[apart])
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

    def edges(self, changes: Rows, outlook: Outlook) -> list[Edges]:
        """Edges between changes and the fragments that are OFF, changes and joints that their copper touches."""
        parts, size = self._graph.parts, len(self._graph.parts)
        boxes = widened(shapely.bounds(self.zone[changes]), TOUCH)
        loose = np.flatnonzero(outlook.off)
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


class Finder:
    """Finds the runs of a graph.

    Parameters
    ----------
    maps : what traces see, per layer
    cells : what the labels of these maps mean
    regions : how many there are
    measures : paths and lengths, exempt areas included
    least : bare runs not longer than this are left out, and parts over one region alone that are shorter and lie
        between places over several do not count, mm
    wide : conductors (rows) that are never bare: wide areas
    """

    def __init__(
        self,
        graph: Graph,
        maps: Sequence[ReferenceMap],
        cells: Labels,
        *,
        regions: int,
        measures: Measures,
        least: float,
        wide: Rows,
    ) -> None:
        self.graph = graph
        self.parts = graph.parts
        self.cells = cells
        self.measures = measures
        self.least = least
        self.wide: Bools = np.isin(graph.parts.row, wide)
        self.over = cells.shown(graph.parts.labels, regions)
        sides = [side_outlook(graph, maps, side, cells) for side in (ABOVE, BELOW)]
        dropped = self._in_holes_of_planes(joint_outlook(graph, maps, sides, regions))
        self.joint = joint_outlook(graph, maps, sides, regions, dropped)
        strict = [without_own_layer(seen, layer, cells.layer) for layer, seen in enumerate(maps)]
        self.sides = tuple(side_outlook(graph, strict, side, cells) for side in (ABOVE, BELOW))
        self.outlooks = (*self.sides, self.joint)
        self.changes = Changes(graph, self.outlooks)

    def runs(self) -> tuple[OffReferenceRun, ...]:
        """Gaps, changes of a side and moats first, then bare runs; each in order of net and place."""
        gaps = list(self._parts_of(self.joint))
        alike = bool((self.parts.labels[:, ABOVE] == self.parts.labels[:, BELOW]).all())
        found = [part for side in (self.sides[:1] if alike else self.sides) for part in self._parts_of(side)]
        turns = [part for part in found if len(self.cells.regions(part.labels)) > 1]
        moats = [part for part in found if len(self.cells.regions(part.labels)) <= 1]
        turns = self._apart_from(turns, gaps, touching=True)
        moats = self._apart_from(moats, [*gaps, *turns], touching=False)
        reported = [self._gap(part) for part in gaps]
        reported += [self._turn(group, Kind.TURN) for group in self._overlapping(turns)]
        reported += [self._turn(group, Kind.MOAT) for group in self._overlapping(moats)]
        used = np.concatenate([np.empty(0, dtype=np.intp), *(part.fragments for part in (*gaps, *found))])
        return (*sorted(reported, key=_order), *sorted(self._bare_runs(used), key=_order))

    # ------------------------------------------------------------------------------------------------ one outlook

    def _parts_of(self, outlook: Outlook) -> Iterator[Part]:
        """Connected parts that are OFF and touch two regions, or separate pieces."""
        graph, size, extra = self.graph, len(self.parts), len(self.changes)
        changes = np.flatnonzero(outlook.changing[self.changes.contact])
        edges = [outlook.off_edges(outlook.off), outlook.hole_edges(outlook.off, extra)]
        node = graph.components([*edges, *self.changes.edges(changes, outlook)], extra, outlook.joints)
        traced = set(node[:size][outlook.off & ~self.parts.pad].tolist()) | set(node[size + changes].tolist())
        telling = self._telling(outlook, node, changes, traced)
        fragments = _members(np.flatnonzero(outlook.off), node, telling)
        changed = _members(size + changes, node, telling)
        joints = _members(size + extra + np.unique(outlook.joint), node, telling)
        none = np.empty(0, dtype=np.intp)
        for component, labels in sorted(telling.items()):
            yield Part(
                outlook.number,
                fragments.get(component, none),
                changed.get(component, none) - size,
                outlook.holes_of(joints[component] - size - extra) if component in joints else none,
                labels,
            )

    def _telling(self, outlook: Outlook, node: Ints, changes: Rows, traced: set[int]) -> dict[int, tuple[int, ...]]:
        """Components that touch what tells, with their labels; lands alone reach no further than traces."""
        brought = self._brought(outlook, node, changes)
        beside = _sets([_labelled(node[mark.fragments], mark.label) for mark in outlook.beside])
        telling = {}
        for component in brought.keys() | beside.keys():
            labels = set(brought.get(component, ()))
            if component in traced:
                labels |= beside.get(component, set())
            if outlook.meaning.tells(labels):
                telling[component] = tuple(sorted(labels))
        return telling

    def _brought(self, outlook: Outlook, node: Ints, changes: Rows) -> dict[int, set[int]]:
        """Labels that traces bring to each component: at its changes, where they touch it, and at its holes."""
        touching, labels = self.graph.touching, outlook.labels
        size, extra = len(self.parts), len(self.changes)
        pairs = [(node[size + changes], labels[ends[changes]]) for ends in (self.changes.first, self.changes.second)]
        for one, other in ((touching.first, touching.second), (touching.second, touching.first)):
            meet = outlook.off[one] & ~outlook.off[other] & outlook.alive[other] & outlook.free
            pairs.append((node[one[meet]], labels[other[meet]]))
        for led in outlook.led_over:  # copper that bridges a pour reaches it
            ends = np.concatenate((touching.first[led.contacts], touching.second[led.contacts]))
            pairs.append(_labelled(node[ends[outlook.off[ends]]], led.label))
        at_hole = ~outlook.off[touching.at_hole] & outlook.alive[touching.at_hole]
        pairs.append((node[size + extra + outlook.joint[at_hole]], labels[touching.at_hole[at_hole]]))
        return _sets(pairs)

    # ---------------------------------------------------------------------------------------- holes in sound planes

    def _in_holes_of_planes(self, joint: Outlook) -> Bools:
        """Fragments of short parts over one region alone between places that are over several: holes in a plane.

        So is a short part over a pour on its own layer, which shows nowhere but in a hole, between places that share
        another region.
        """
        only = (joint.labels >= 0) & (joint.labels < joint.meaning.first_tie)
        touching = self.graph.touching
        same = only[touching.first] & (joint.labels[touching.first] == joint.labels[touching.second])
        edges = [(touching.first[same], touching.second[same]), joint.hole_edges(only, 0)]
        node = self.graph.components(edges, 0, joint.joints)
        outline = shapely.length(self.parts.shape)
        total = np.bincount(node[: len(outline)], np.where(only, outline, 0.0))
        candidates = np.flatnonzero(only & (total[node[: len(outline)]] < LOOK * max(self.least, TOUCH)))
        dropped = np.zeros(len(self.parts), dtype=bool)
        if not len(candidates):
            return dropped
        around = self._neighbours(node, candidates)
        for component, members in grouped(candidates, node[candidates]).items():
            near = np.unique(around.get(component, candidates[:0]))
            if self._between_several(joint, members, near) and self._is_short(members):
                dropped[members] = True
        return dropped

    def _neighbours(self, node: Ints, candidates: Rows) -> dict[int, Rows]:
        """Fragments that touch those of each component of some candidates, directly or at a hole."""
        touching, size = self.graph.touching, len(self.parts)
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

    def _between_several(self, joint: Outlook, members: Rows, near: Rows) -> bool:
        """Whether a part over one region lies between two places or more that carry on the return current."""
        region = int(joint.labels[members[0]])
        if (joint.labels[members] != region).any():
            return False
        over, drawn = self.over[near], ~self.parts.pad[near]
        if self._beside(members).all():
            over = np.delete(over, region, axis=1)
            return bool(over[drawn].all(axis=0).any() and over.any(axis=1).sum() > 1)
        several = over.sum(axis=1) > 1
        return bool(several[drawn].all() and several.sum() > 1)

    def _beside(self, members: Rows) -> Bools:
        """Whether fragments lie over pours of their own layer."""
        layers = np.array([*self.cells.layer, *[-1] * len(self.cells.ties), -1])
        beside: Bools = layers[self.parts.labels[members].max(axis=1)] == self.parts.layer[members]
        return beside

    def _is_short(self, members: Rows) -> bool:
        labels = np.unique(self.parts.labels[members])
        return self.measures.of(members, labels[labels >= 0].tolist())[1] < self.least

    # ----------------------------------------------------------------------------------------------- several parts

    def _reach(self, part: Part) -> set[Token]:
        """Tokens of a part, and those of the fragments that meet at its changes."""
        return part.tokens | {(FRAGMENT, int(i)) for i in self.changes.ends(part.changes)}

    def _apart_from(self, parts: Sequence[Part], others: Sequence[Part], *, touching: bool) -> list[Part]:
        """Parts that overlap none of some others, nor touch them if that is asked for."""
        own = {token for part in others for token in part.tokens}
        reach = {token for part in others for token in self._reach(part)}
        if touching and parts:
            inside = np.zeros(len(self.parts), dtype=bool)
            inside[[i for kind, i in reach if kind == FRAGMENT]] = True
            first, second = self.graph.touching.first, self.graph.touching.second
            near = np.concatenate((second[inside[first]], first[inside[second]]))
            reach |= {(FRAGMENT, i) for i in near.tolist()}
        return [part for part in parts if not (part.tokens & reach or self._reach(part) & own)]

    def _overlapping(self, parts: Sequence[Part]) -> list[list[Part]]:
        """Group parts of both sides that overlap."""
        owners: dict[Token, list[int]] = {}
        for number, part in enumerate(parts):
            for token in part.tokens:
                owners.setdefault(token, []).append(number)
        graph: nx.Graph[int] = nx.Graph()
        graph.add_nodes_from(range(len(parts)))
        for number, part in enumerate(parts):
            graph.add_edges_from((number, other) for token in self._reach(part) for other in owners.get(token, ()))
        return [[parts[i] for i in sorted(group)] for group in nx.connected_components(graph)]

    # ------------------------------------------------------------------------------------------------------ records

    def _gap(self, part: Part) -> OffReferenceRun:
        """A part that nothing carries all the way; measured where it lies over no pour."""
        met = self._met(part)
        path, length = self._measure(part, met)
        if len(part.fragments):
            bare = part.fragments[(self.parts.labels[part.fragments] == OFF).all(axis=1)]
            length = self.measures.of(bare, sorted(met.cells))[1] if len(bare) or path else length
        regions = self.joint.meaning.regions(part.labels)
        return self._record(Kind.GAP, [part], met, path, length, regions, ())

    def _turn(self, group: Sequence[Part], kind: Kind) -> OffReferenceRun:
        """What changes on one side, or on both where parts overlap; measured on the side where it is longest."""
        mets = [self._met(part) for part in group]
        measured = [(*self._measure(part, met), part, met) for part, met in zip(group, mets, strict=True)]
        path, length, _, met = max(measured, key=lambda entry: (entry[1], -entry[2].outlook))
        met = Met({cell for one in mets for cell in one.cells}, met.points)
        regions = self.cells.regions(label for one in group for label in one.labels)
        one_side = len({one.outlook for one in group}) == 1
        carriers = self._carriers(group) if one_side else ()
        return self._record(kind, group, met, path, length, regions, carriers)

    def _record(
        self,
        kind: Kind,
        group: Sequence[Part],
        met: Met,
        path: Any,
        length: float,
        regions: tuple[int, ...],
        carriers: tuple[int, ...],
    ) -> OffReferenceRun:
        members = np.unique(np.concatenate([self._members_of(one) for one in group]))
        return OffReferenceRun(
            kind=kind,
            net=int(self.parts.net[members[0]]),
            layers=self._layers(members),
            rows=np.unique(self.parts.row[members]),
            path=path,
            length=length,
            regions=regions,
            pours=tuple(sorted(cell for cell in met.cells if cell < self.cells.first_tie)),
            ends=met.ends,
            carriers=carriers,
            bounds=bounds_of(path, met.ends),
        )

    def _measure(self, part: Part, met: Met) -> tuple[Any, float]:
        """Path and length of a part; where there are only changes, those of the links across them."""
        path, length = self.measures.of(part.fragments, sorted(met.cells))
        if path or not len(part.changes):
            return path, length
        shortest = self.changes.shortest(part.changes)
        links = self.changes.link[shortest[self.changes.length[shortest] > 0]]
        return as_path(links), float(self.changes.length[shortest].max())

    def _members_of(self, part: Part) -> Rows:
        """Fragments of a part, and those that meet at its changes and, where it has no others, at its holes."""
        members = np.concatenate((part.fragments, self.changes.ends(part.changes)))
        at_hole = self.graph.touching.at_hole[np.isin(self.graph.touching.hole, part.holes)]
        return members if len(members) else at_hole[self.outlooks[part.outlook].alive[at_hole]]

    def _layers(self, members: Rows) -> tuple[int, ...]:
        """Layers of traces and areas; of lands if there are no others."""
        lines = members[~self.parts.pad[members]]
        found = np.unique(self.parts.layer[lines if len(lines) else members])
        return tuple(int(layer) for layer in found)

    def _carriers(self, group: Sequence[Part]) -> tuple[int, ...]:
        """Pours that the other side shows along parts of one side; none where it shows nothing somewhere."""
        labels: set[int] = set()
        for part in group:
            other = self.parts.labels[self._members_of(part), BELOW if part.outlook == ABOVE else ABOVE]
            labels |= set(other.tolist())
        return tuple(sorted(labels)) if all(0 <= label < self.cells.first_tie for label in labels) else ()

    # ---------------------------------------------------------------------------------------- what a part touches

    def _met(self, part: Part) -> Met:
        """The cells that a part touches, and where: by centre lines and areas, else by its copper, else at holes."""
        met = Met(set(), {})
        self._meet_traces(part, met)
        self._meet_edges(part, met)
        self._meet_at_holes(part, met)
        self._meet_at_changes(part, met)
        return met

    def _meet_traces(self, part: Part, met: Met) -> None:
        """What lies on something and touches the part."""
        touching, outlook = self.graph.touching, self.outlooks[part.outlook]
        mine = np.zeros(len(self.parts), dtype=bool)
        mine[part.fragments] = True
        known = np.isin(outlook.labels, part.labels) & outlook.alive
        for one, other, end in ((touching.first, touching.second, -1), (touching.second, touching.first, 0)):
            contacts = np.flatnonzero(mine[one] & known[other] & outlook.free)
            met.cells.update(self._cells_of(other[contacts], part))
            labels, close = outlook.labels[other[contacts]], touching.distance[contacts] <= TOUCH
            for label, here in grouped(np.flatnonzero(close), labels[close]).items():
                pairs = zip(self.parts.shape[one[contacts[here]]], self.parts.shape[other[contacts[here]]], strict=True)
                met.points.setdefault(label, []).extend(p for a, b in pairs for p in contact_points(a, b))
            for label, here in grouped(np.arange(len(contacts)), labels).items():
                if label not in met.points:
                    best = contacts[here[[np.argmin(touching.distance[contacts[here]])]]]
                    met.points[label] = [xy(shapely.get_coordinates(self.graph.links(best))[end])]

    def _meet_edges(self, part: Part, met: Met) -> None:
        """Cells that the part ends at, and those that its copper bridges."""
        touching, outlook = self.graph.touching, self.outlooks[part.outlook]
        for mark in outlook.beside:
            near = np.isin(mark.fragments, part.fragments)
            if mark.label in part.labels and near.any():
                met.cells.add(mark.cell)
                met.points.setdefault(mark.label, [xy(point) for point in mark.at[near]])
        for led in outlook.led_over:
            ends = np.concatenate((touching.first[led.contacts], touching.second[led.contacts]))
            if led.label in part.labels and np.isin(ends, part.fragments).any():
                met.cells.add(led.cell)

    def _meet_at_holes(self, part: Part, met: Met) -> None:
        """What lies on something at the part's holes."""
        touching, outlook = self.graph.touching, self.outlooks[part.outlook]
        known = np.isin(outlook.labels, part.labels) & outlook.alive
        at = np.flatnonzero(np.isin(touching.hole, part.holes) & known[touching.at_hole])
        met.cells.update(self._cells_of(touching.at_hole[at], part))
        for label, here in grouped(touching.hole[at], outlook.labels[touching.at_hole[at]]).items():
            met.points.setdefault(label, self._centres_of(np.unique(here)))

    def _meet_at_changes(self, part: Part, met: Met) -> None:
        """Where traces on different labels meet, nearest to each other; only directly where the part is longer."""
        direct = self.changes.shortest(part.changes)
        if len(part.fragments):
            direct = direct[self.changes.length[direct] == 0]
        met.cells.update(self._cells_of(self.changes.ends(part.changes), part))
        points = [xy(point) for point in shapely.get_coordinates(self.changes.link[direct])]
        if points and not len(part.fragments):
            met.points.clear()
        met.points.setdefault(OFF, []).extend(points)

    def _cells_of(self, fragments: Rows, part: Part) -> set[int]:
        """Cells that fragments lie on, as far as the part's outlook shows them."""
        shown = self.parts.labels[fragments]
        labels = shown if part.outlook == TOGETHER else shown[:, part.outlook]
        return {label for label in np.unique(labels).tolist() if label >= 0}

    def _centres_of(self, holes: Rows) -> list[XY]:
        ends = self.graph.board.holes.ends[holes]
        return [xy(point) for point in (ends[:, :2] + ends[:, 2:]) / 2]

    # ------------------------------------------------------------------------------------------------ bare runs

    def _bare_runs(self, told: Rows) -> Iterator[OffReferenceRun]:
        """Connected parts off the reference on both sides that are no part of a gap or moat."""
        off = (self.parts.labels == OFF).all(axis=1) & ~self.wide
        off[told] = False
        first, second = self.sides[ABOVE].off_edges(off)
        below = self.sides[BELOW].free[self._free_above(off)]
        edges = [(first[below], second[below]), self.joint.hole_edges(off, 0)]
        node = self.graph.components(edges, 0, self.joint.joints)
        rows = np.flatnonzero(off)
        bound = np.bincount(node[rows], shapely.length(self.parts.shape[rows]), int(node.max(initial=0)) + 1)
        for fragments in _members(rows, node, np.flatnonzero(bound > self.least).tolist()).values():
            run = self._bare_run(fragments)
            if run.length > self.least:
                yield run

    def _free_above(self, off: Bools) -> Bools:
        touching = self.graph.touching
        return off[touching.first] & off[touching.second] & self.sides[ABOVE].free

    def _bare_run(self, fragments: Rows) -> OffReferenceRun:
        """A run that touches one piece of a pour at most."""
        marks = [mark for mark in self.sides[ABOVE].beside if np.isin(mark.fragments, fragments).any()]
        marks = marks or [mark for mark in self.sides[BELOW].beside if np.isin(mark.fragments, fragments).any()]
        cells = sorted({mark.cell for mark in marks})
        path, length = self.measures.of(fragments, cells, exempting=True)
        points = [xy(point) for mark in marks for point in mark.at[np.isin(mark.fragments, fragments)]]
        ends = tuple(sorted(dict.fromkeys(points)))
        return OffReferenceRun(
            kind=Kind.BARE,
            net=int(self.parts.net[fragments[0]]),
            layers=self._layers(fragments),
            rows=np.unique(self.parts.row[fragments]),
            path=path,
            length=length,
            regions=self.cells.regions(cells),
            pours=tuple(cell for cell in cells if cell < self.cells.first_tie),
            ends=ends,
            carriers=(),
            bounds=bounds_of(path, ends),
        )


def _copper(parts: Fragments, rows: Rows) -> Shapes:
    """Copper of fragments, a little more than half of TOUCH wider than it is, so that what touches overlaps."""
    shapes: Shapes = shapely.buffer(parts.shape[rows], parts.radius[rows] + 0.6 * TOUCH)
    return shapes


def _order(run: OffReferenceRun) -> tuple[Any, ...]:
    return run.net, run.layers, run.bounds


def _members(rows: Rows, node: Ints, wanted: Iterable[int]) -> dict[int, Rows]:
    """Rows by component, only the wanted ones."""
    rows = rows[np.isin(node[rows], list(wanted))]
    return grouped(rows, node[rows])


def _labelled(component: Ints, label: int) -> tuple[Ints, Ints]:
    """Components with one label."""
    return component, np.full(len(component), label, dtype=np.int32)


def _sets(pairs: Sequence[tuple[Ints, Ints]]) -> dict[int, set[int]]:
    """Labels by component."""
    table = np.vstack([np.empty((0, 2), dtype=np.int64), *(np.column_stack(pair) for pair in pairs)])
    found: dict[int, set[int]] = {}
    for component, label in np.unique(table, axis=0).tolist():
        found.setdefault(component, set()).add(label)
    return found
