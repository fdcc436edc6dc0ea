"""What fragments lie on as seen from one side, or from both sides together, and which contacts
change that.

Labels are numbers: on a side those of cells (pours, then ties), together those of owners (regions,
then ties). OFF is what shows none; together it stands for fragments that are not *only over* one
region: over no pour, or over several.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from checker.geometry.boxes import grouped
from checker.geometry.lines import line_parts, middles, places_beside
from checker.layout.fragments import Contacts, Fragments
from checker.layout.reference_map import EPSILON, OFF, ReferenceMap, SideMap
from checker.layout.regions import Pour
from parsers.board import Board
from parsers.primitives import TOUCH, Bools, Floats, Ints, Rows, Shapes

Edges = tuple[Rows, Rows]
ABOVE, BELOW, TOGETHER = 0, 1, 2


@dataclass(frozen=True)
class Labels:
    """What labels mean: the region and layer of each, then the two regions of each tie."""

    region: tuple[int, ...]
    layer: tuple[int, ...]
    ties: tuple[frozenset[int], ...]

    @classmethod
    def of_pours(cls, pours: Sequence[Pour], ties: Sequence[frozenset[int]]) -> Labels:
        """Labels of the cells of one side."""
        return cls(tuple(p.region for p in pours), tuple(p.layer for p in pours), tuple(ties))

    @property
    def first_tie(self) -> int:
        """The label of the first tie."""
        return len(self.region)

    def regions(self, labels: Iterable[int]) -> tuple[int, ...]:
        """Regions of some labels, ascending; a tie adds one only where neither of its regions is
        there already.
        """
        known = sorted(label for label in labels if label >= 0)
        named = {self.region[label] for label in known if label < self.first_tie}
        for label in known:
            if label >= self.first_tie and not named & self.ties[label - self.first_tie]:
                named.add(min(self.ties[label - self.first_tie]))
        return tuple(sorted(named))

    def is_moat(self, labels: Iterable[int]) -> bool:
        """Whether two of the labels are separate pieces of one region's pours on one layer."""
        known = [label for label in labels if 0 <= label < self.first_tie]
        return len(known) > len({(self.region[label], self.layer[label]) for label in known})

    def tells(self, labels: Iterable[int]) -> bool:
        """Whether a connected part that touches these changes the region, or spans a moat."""
        known = list(labels)
        return len(self.regions(known)) > 1 or self.is_moat(known)

    @cached_property
    def _table(self) -> Bools:
        """Whether two labels tell, for each pair; the last row and column stand for OFF."""
        solid, size = self.first_tie, self.first_tie + len(self.ties)
        table = np.zeros((size + 1, size + 1), dtype=bool)
        region, layer = np.array(self.region, dtype=np.int64), np.array(self.layer, dtype=np.int64)
        alike = (region[:, None] == region) & (layer[:, None] != layer)
        table[:solid, :solid] = ~alike & ~np.eye(solid, dtype=bool)
        for tie in range(solid, size):
            for other in range(size):
                table[tie, other] = table[other, tie] = len(self.regions({tie, other})) > 1
        return table

    def differ(self, a: Ints, b: Ints) -> Bools:
        """Pairs of labels whose direct contact is a change of region, or of pieces on one layer."""
        result: Bools = self._table[a, b] & (a >= 0) & (b >= 0)
        return result

    def shown(self, labels: Ints, regions: int) -> Bools:
        """Which regions fragments with these labels (k, 2) lie over, shape (k, regions); a tie is
        both of its own.
        """
        table = np.zeros((self.first_tie + len(self.ties) + 1, regions), dtype=bool)
        table[np.arange(self.first_tie), np.array(self.region, dtype=np.intp)] = True
        for number, pair in enumerate(self.ties):
            table[self.first_tie + number, sorted(pair)] = True
        over: Bools = table[labels[:, 0]] | table[labels[:, 1]]
        return over


@dataclass(frozen=True, slots=True)
class Graph:
    """Fragments and what joins them, whatever they lie on."""

    board: Board
    parts: Fragments
    touching: Contacts

    def links(self, contacts: Rows) -> Shapes:
        """Shortest line between the two fragments of some contacts."""
        first, second = self.touching.first[contacts], self.touching.second[contacts]
        lines: Shapes = shapely.shortest_line(self.parts.shape[first], self.parts.shape[second])
        return lines

    def components(self, edges: Sequence[Edges], changes: int, joints: int) -> Ints:
        """Component of each fragment, then of each change, then of each joint, from pairs of such
        nodes.
        """
        total = len(self.parts) + changes + joints
        first, second = (np.concatenate(side) for side in zip(*edges, strict=True))
        graph = coo_array((np.ones(len(first), dtype=bool), (first, second)), shape=(total, total))
        component: Ints = connected_components(graph, directed=False)[1].astype(np.int32)
        return component


@dataclass(frozen=True, slots=True)
class LedOver:
    """Contacts whose shortest link leads over a cell on which neither fragment lies."""

    contacts: Rows
    cell: int
    label: int  # of the outlook


@dataclass(frozen=True, slots=True)
class Beside:
    """Fragments of one layer that are OFF and touch a cell."""

    fragments: Rows
    at: Floats  # (k, 2): where
    layer: int
    cell: int
    label: int  # of the outlook


class Outlook:
    """Labels of the fragments of a graph, and what they make of its contacts.

    Parameters
    ----------
    led_over : contacts whose shortest link leads over what neither fragment lies on, with its label
    beside : fragments that are OFF within TOUCH of what is not, with its label
    faces : per layer a number; plated holes join layers with the same one
    """

    def __init__(
        self,
        graph: Graph,
        number: int,
        meaning: Labels,
        labels: Ints,
        led_over: Sequence[LedOver],
        beside: Sequence[Beside],
        faces: Ints,
    ) -> None:
        self.graph = graph
        self.number = number
        self.meaning = meaning
        self.labels = labels
        self.led_over = led_over
        self.beside = beside
        self.off: Bools = labels == OFF
        holes = len(graph.board.holes)
        self.joints = holes * (int(faces.max(initial=0)) + 1)
        self._joint_of_layer = faces.astype(np.int64) * holes

    @cached_property
    def free(self) -> Bools:
        """Contacts whose shortest link leads over nothing but what the two fragments themselves lie
        on.
        """
        free = np.ones(len(self.graph.touching.first), dtype=bool)
        for led in self.led_over:
            free[led.contacts] = False
        return free

    @cached_property
    def alive(self) -> Bools:
        """Fragments that tell what a trace refers to: traces, areas, and lands that a trace meets
        on the same label.
        """
        pad = self.graph.parts.pad
        first, second = self.graph.touching.first, self.graph.touching.second
        alive = ~pad
        meet = (self.labels[first] == self.labels[second]) & (pad[first] != pad[second])
        alive[first[meet]] = alive[second[meet]] = True
        return alive

    @cached_property
    def changing(self) -> Bools:
        """Contacts where traces on different labels meet directly, and not over a tie."""
        first, second = self.graph.touching.first, self.graph.touching.second
        differ = self.meaning.differ(self.labels[first], self.labels[second])
        for led in self.led_over:
            if led.label >= self.meaning.first_tie:
                differ[led.contacts] = False
        changing: Bools = differ & self.alive[first] & self.alive[second]
        return changing

    @cached_property
    def joint(self) -> Rows:
        """Number of the joint where each fragment touches a hole, parallel to `Contacts.hole`."""
        touching = self.graph.touching
        numbers: Rows = (
            touching.hole + self._joint_of_layer[self.graph.parts.layer[touching.at_hole]]
        )
        return numbers

    def holes_of(self, joints: Rows) -> Rows:
        """Holes of some joints."""
        return np.unique(joints % max(len(self.graph.board.holes), 1))

    def off_edges(self, off: Bools) -> Edges:
        """Edges between some fragments that touch."""
        touching = self.graph.touching
        both = off[touching.first] & off[touching.second] & self.free
        return touching.first[both], touching.second[both]

    def hole_edges(self, off: Bools, changes: int) -> Edges:
        """Edges between joints and those of some fragments that touch their holes."""
        at_hole = off[self.graph.touching.at_hole]
        return self.graph.touching.at_hole[at_hole], len(off) + changes + self.joint[at_hole]


def side_outlook(graph: Graph, maps: Sequence[ReferenceMap], side: int, meaning: Labels) -> Outlook:
    """What one side shows.

    Parameters
    ----------
    maps : per layer
    side : ABOVE or BELOW
    """
    cells = [(seen.first, seen.second)[side] for seen in maps]
    labels = _known(graph.parts, cells, side)
    led_over = list(_led_over(graph, cells, labels))
    beside = list(_beside(graph.parts, cells, labels))
    return Outlook(graph, side, meaning, labels, led_over, beside, _faces(cells, meaning))


def _known(parts: Fragments, cells: Sequence[SideMap], side: int) -> Ints:
    """Labels of fragments on one side, as far as its maps have these cells."""
    labels = parts.labels[:, side].copy()
    for layer, shown in enumerate(cells):
        known = [cell.label for cell in shown.cells]
        labels[(parts.layer == layer) & ~np.isin(labels, known)] = OFF
    return labels


def _led_over(graph: Graph, cells: Sequence[SideMap], labels: Ints) -> Iterator[LedOver]:
    """Contacts of traces that touch by their width alone, over a cell between them."""
    touching = graph.touching
    apart = np.flatnonzero(touching.distance > TOUCH)
    links = _shrunk(graph.links(apart))
    ends = labels[touching.first[apart]], labels[touching.second[apart]]
    layers = graph.parts.layer[touching.first[apart]]
    for layer, here in grouped(np.arange(len(apart)), layers).items():
        for cell, near in cells[layer].near(shapely.bounds(links[here])):
            foreign = here[near]
            foreign = foreign[(ends[0][foreign] != cell.label) & (ends[1][foreign] != cell.label)]
            over = apart[foreign[_leads_over(cell.shape, links[foreign])]]
            yield LedOver(over, cell.label, cell.label)


def _beside(parts: Fragments, cells: Sequence[SideMap], labels: Ints) -> Iterator[Beside]:
    """Fragments that are OFF and touch a cell."""
    rows = np.flatnonzero(labels == OFF)
    for layer, here in grouped(rows, parts.layer[rows]).items():
        for cell, close in cells[layer].near(shapely.bounds(parts.shape[here])):
            near = here[close]
            near = near[shapely.dwithin(cell.shape, parts.shape[near], TOUCH)]
            yield Beside(
                near, places_beside(parts.shape[near], cell.shape), layer, cell.label, cell.label
            )


def _faces(cells: Sequence[SideMap], meaning: Labels) -> Ints:
    """A number for each layer, the same one for layers that look at the same pours from either
    side.
    """
    known: dict[frozenset[int], int] = {}
    shown = [
        frozenset(
            meaning.layer[cell.label] for cell in side.cells if cell.label < meaning.first_tie
        )
        - {layer}
        for layer, side in enumerate(cells)
    ]
    return np.array([known.setdefault(layers, len(known)) for layers in shown], dtype=np.int32)


def joint_outlook(
    graph: Graph,
    maps: Sequence[ReferenceMap],
    sides: Sequence[Outlook],
    regions: int,
    dropped: Bools | None = None,
) -> Outlook:
    """What both sides together show: the one region that a fragment is only over, or a tie.

    Parameters
    ----------
    regions : how many there are
    dropped : fragments that are only over one region and shall not count as such, shape (k,)
    """
    cells = sides[ABOVE].meaning
    meaning = Labels(tuple(range(regions)), tuple(range(regions)), cells.ties)
    over = cells.shown(graph.parts.labels, regions)
    labels = _only_over(cells, graph.parts.labels, over)
    if dropped is not None:
        labels[dropped] = OFF
    led_over = [
        LedOver(
            led.contacts[_over_that_alone(graph, cells, led, over)],
            led.cell,
            _owner(cells, led.cell, regions),
        )
        for side in sides
        for led in side.led_over
    ]
    bare = np.logical_not(over.any(axis=1))
    beside = [
        _beside_alone(
            mark,
            bare,
            (maps[mark.layer].second, maps[mark.layer].first)[side.number],
            (cells, regions),
        )
        for side in sides
        for mark in side.beside
    ]
    faces = np.zeros(len(maps), dtype=np.int32)
    return Outlook(graph, TOGETHER, meaning, labels, led_over, beside, faces)


def _only_over(cells: Labels, labels: Ints, over: Bools) -> Ints:
    """The region that each fragment is only over, or its tie; OFF where it is over none or
    several.
    """
    regions = over.shape[1]
    only = np.where(over.sum(axis=1) == 1, over.argmax(axis=1), OFF).astype(np.int32)
    tie = labels.max(axis=1) - cells.first_tie
    only[tie >= 0] = regions + tie[tie >= 0]
    return only


def _owner(cells: Labels, label: int, regions: int) -> int:
    """The label together of a cell's label."""
    return cells.region[label] if label < cells.first_tie else regions + label - cells.first_tie


def _over_that_alone(graph: Graph, cells: Labels, led: LedOver, over: Bools) -> Bools:
    """Whether contacts that lead over a cell come from nothing or go to nothing, and know its
    region at neither end.
    """
    if led.cell >= cells.first_tie:
        return np.ones(len(led.contacts), dtype=bool)
    first, second = graph.touching.first[led.contacts], graph.touching.second[led.contacts]
    region = cells.region[led.cell]
    ends = over[first], over[second]
    some = np.logical_and(ends[0].any(axis=1), ends[1].any(axis=1))
    known = np.logical_or(ends[0][:, region], ends[1][:, region])
    return np.logical_not(np.logical_or(some, known))


def _beside_alone(mark: Beside, bare: Bools, other: SideMap, meaning: tuple[Labels, int]) -> Beside:
    """Those of some fragments beside a cell that are over nothing, and where the other side shows
    no other region.
    """
    cells, regions = meaning
    labels = other.label_points(mark.at).tolist()
    same = [len(cells.regions((mark.cell, label))) < 2 for label in labels]
    alone = bare[mark.fragments] & np.array(same, dtype=bool)
    owner = _owner(cells, mark.cell, regions)
    return Beside(mark.fragments[alone], mark.at[alone], mark.layer, mark.cell, owner)


def _leads_over(cell: shapely.Geometry, links: Shapes) -> Bools:
    """Whether links lead over a cell; running along its edge is not over it."""
    over: Bools = shapely.crosses(cell, links) | shapely.contains(cell, links)
    hits = np.flatnonzero(over)
    lines, of = line_parts(shapely.intersection(links[hits], cell))
    deep = shapely.distance(middles(lines), shapely.boundary(cell)) > EPSILON
    over[hits] = np.isin(np.arange(len(hits)), of[deep])
    return over


def _shrunk(links: Shapes) -> Shapes:
    """Links less TOUCH at either end, so that they do not reach what they join."""
    ends = shapely.get_coordinates(links).reshape(-1, 2, 2)
    step = ends[:, 1] - ends[:, 0]
    part = np.minimum(TOUCH / np.maximum(np.hypot(*step.T), 1e-12), 0.49)[:, None] * step
    out: Shapes = shapely.linestrings(np.stack((ends[:, 0] + part, ends[:, 1] - part), axis=1))
    return out
