"""Runs off the reference: where nothing, or not one region all the way, carries a net's return
current.

The fragments of all nets form a graph, joined where their copper touches or a plated hole joins
them. In each outlook (above, below, both together) the connected parts that are OFF are found with
the labels that they touch: of what lies beside them, of traces that they meet, of traces at their
holes. Where two traces on different labels meet directly, a
*change* of length 0 stands between.

Together, OFF is what is not only over one region: a part that touches two is a gap that nothing
carries. On one side it is a change of that side's view, or a moat. What both sides leave bare, and
touches one piece or none, is a bare run.

Literature, from memory: connected components of a graph whose nodes carry labels.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from checker.findings import XY
from checker.geometry.boxes import grouped
from checker.layout.changes import Changes
from checker.layout.lengths import Measures, as_path, bounds_of, contact_points, xy
from checker.layout.outlook import (
    ABOVE,
    BELOW,
    TOGETHER,
    Graph,
    Labels,
    Outlook,
    joint_outlook,
    side_outlook,
)
from checker.layout.plane_holes import PlaneHoles
from checker.layout.reference_map import OFF, ReferenceMap, without_own_layer
from checker.layout.regions import Kind, OffReferenceRun
from parsers.primitives import TOUCH, Bools, Ints, Rows, components

FRAGMENT, CHANGE, HOLE = "fragment", "change", "hole"
Token = tuple[str, int]


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


class Finder:
    """Finds the runs of a graph.

    Parameters
    ----------
    maps : what traces see, per layer
    cells : what the labels of these maps mean
    regions : how many there are
    measures : paths and lengths, exempt areas included
    least : bare runs not longer than this are left out, and parts over one region alone that are
        shorter and lie between places over several do not count, mm
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
        sides = [side_outlook(graph, maps, side, cells) for side in (ABOVE, BELOW)]
        over = cells.shown(graph.parts.labels, regions)
        plain = joint_outlook(graph, maps, sides, regions)
        holes = PlaneHoles(plain, over, cells.layer, measures, least).fragments()
        self.joint = joint_outlook(graph, maps, sides, regions, holes)
        strict = [without_own_layer(seen, layer, cells.layer) for layer, seen in enumerate(maps)]
        self.sides = tuple(side_outlook(graph, strict, side, cells) for side in (ABOVE, BELOW))
        self.outlooks = (*self.sides, self.joint)
        self.changes = Changes(graph, self.outlooks)

    def runs(self) -> tuple[OffReferenceRun, ...]:
        """Gaps, turns of a side and moats first, then bare runs; each in order of net and place."""
        gaps = list(self._parts_of(self.joint))
        on_sides = [part for side in self._different_sides() for part in self._parts_of(side)]
        turning = [len(self.cells.regions(part.labels)) > 1 for part in on_sides]
        turns = [part for part, turns in zip(on_sides, turning, strict=True) if turns]
        moats = [part for part, turns in zip(on_sides, turning, strict=True) if not turns]
        turns = self._apart_from(turns, gaps, touching=True)
        moats = self._apart_from(moats, [*gaps, *turns], touching=False)
        reported = [self._gap(part) for part in gaps]
        reported += [self._turn(group, Kind.TURN) for group in self._overlapping(turns)]
        reported += [self._turn(group, Kind.MOAT) for group in self._overlapping(moats)]
        bare = self._bare_runs([*gaps, *on_sides])
        return (*sorted(reported, key=_order), *sorted(bare, key=_order))

    def _different_sides(self) -> Sequence[Outlook]:
        """Both sides, or one where they show the same everywhere."""
        alike = (self.parts.labels[:, ABOVE] == self.parts.labels[:, BELOW]).all()
        return self.sides[:1] if alike else self.sides

    # ---------------------------------------------------------------------------------- one outlook

    def _parts_of(self, outlook: Outlook) -> Iterator[Part]:
        """Connected parts that are OFF and touch two regions, or separate pieces."""
        graph, size, extra = self.graph, len(self.parts), len(self.changes)
        changes = np.flatnonzero(outlook.changing[self.changes.contact])
        edges = [outlook.off_edges(outlook.off), outlook.hole_edges(outlook.off, extra)]
        node = graph.components(
            [*edges, *self.changes.edges(changes, outlook)], extra, outlook.joints
        )
        traced = set(node[:size][outlook.off & ~self.parts.pad].tolist()) | set(
            node[size + changes].tolist()
        )
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

    def _telling(
        self, outlook: Outlook, node: Ints, changes: Rows, traced: set[int]
    ) -> dict[int, tuple[int, ...]]:
        """Components that touch what tells, with their labels; lands alone reach no further than
        traces.
        """
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
        """Labels that traces bring to each component: at its changes, where they touch it, and at
        its holes.
        """
        touching, labels = self.graph.touching, outlook.labels
        size, extra = len(self.parts), len(self.changes)
        pairs = [
            (node[size + changes], labels[ends[changes]])
            for ends in (self.changes.first, self.changes.second)
        ]
        for one, other in ((touching.first, touching.second), (touching.second, touching.first)):
            meet = outlook.off[one] & ~outlook.off[other] & outlook.alive[other] & outlook.free
            pairs.append((node[one[meet]], labels[other[meet]]))
        for led in outlook.led_over:  # copper that bridges a pour reaches it
            ends = np.concatenate((touching.first[led.contacts], touching.second[led.contacts]))
            pairs.append(_labelled(node[ends[outlook.off[ends]]], led.label))
        at_hole = ~outlook.off[touching.at_hole] & outlook.alive[touching.at_hole]
        pairs.append(
            (node[size + extra + outlook.joint[at_hole]], labels[touching.at_hole[at_hole]])
        )
        return _sets(pairs)

    # -------------------------------------------------------------------------------- several parts

    def _reach(self, part: Part) -> set[Token]:
        """Tokens of a part, and those of the fragments that meet at its changes."""
        return part.tokens | {(FRAGMENT, int(i)) for i in self.changes.ends(part.changes)}

    def _apart_from(
        self, parts: Sequence[Part], others: Sequence[Part], *, touching: bool
    ) -> list[Part]:
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
        joined: list[tuple[int, int]] = []
        for number, part in enumerate(parts):
            joined += (
                (number, other) for token in self._reach(part) for other in owners.get(token, ())
            )
        return [[parts[i] for i in group] for group in components(len(parts), joined)]

    # -------------------------------------------------------------------------------------- records

    def _gap(self, part: Part) -> OffReferenceRun:
        """A part that nothing carries all the way; measured where it lies over no pour."""
        met = self._met(part)
        path, length = self._measure(part, met)
        if len(part.fragments):
            bare = part.fragments[(self.parts.labels[part.fragments] == OFF).all(axis=1)]
            measured_so = len(bare) == len(part.fragments) and (path or not len(part.changes))
            if not measured_so and (len(bare) or path):
                length = self.measures.of(bare, sorted(met.cells))[1]
        regions = self.joint.meaning.regions(part.labels)
        return self._record(Kind.GAP, [part], met, path, length, regions, ())

    def _turn(self, group: Sequence[Part], kind: Kind) -> OffReferenceRun:
        """What changes on one side, or on both where parts overlap; measured on the side where it
        is longest.
        """
        mets = [self._met(part) for part in group]
        measured = [
            (*self._measure(part, met), part, met) for part, met in zip(group, mets, strict=True)
        ]
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
        """Path and length of a part; where there are only changes, those of the links across
        them.
        """
        path, length = self.measures.of(part.fragments, sorted(met.cells))
        if path or not len(part.changes):
            return path, length
        shortest = self.changes.shortest(part.changes)
        links = self.changes.link[shortest[self.changes.length[shortest] > 0]]
        return as_path(links), float(self.changes.length[shortest].max())

    def _members_of(self, part: Part) -> Rows:
        """Fragments of a part, and those that meet at its changes and, where it has no others, at
        its holes.
        """
        members = np.concatenate((part.fragments, self.changes.ends(part.changes)))
        at_hole = self.graph.touching.at_hole[np.isin(self.graph.touching.hole, part.holes)]
        return members if len(members) else at_hole[self.outlooks[part.outlook].alive[at_hole]]

    def _layers(self, members: Rows) -> tuple[int, ...]:
        """Layers of traces and areas; of lands if there are no others."""
        lines = members[~self.parts.pad[members]]
        found = np.unique(self.parts.layer[lines if len(lines) else members])
        return tuple(int(layer) for layer in found)

    def _carriers(self, group: Sequence[Part]) -> tuple[int, ...]:
        """Pours that the other side shows along parts of one side; none where it shows nothing
        somewhere.
        """
        labels: set[int] = set()
        for part in group:
            other = self.parts.labels[
                self._members_of(part), BELOW if part.outlook == ABOVE else ABOVE
            ]
            labels |= set(other.tolist())
        return (
            tuple(sorted(labels))
            if all(0 <= label < self.cells.first_tie for label in labels)
            else ()
        )

    # -------------------------------------------------------------------------- what a part touches

    def _met(self, part: Part) -> Met:
        """The cells that a part touches, and where: by centre lines and areas, else by its copper,
        else at holes.
        """
        met = Met(set(), {})
        self._meet_traces(part, met)
        self._meet_edges(part, met)
        self._meet_at_holes(part, met)
        self._meet_at_changes(part, met)
        return met

    def _meet_traces(self, part: Part, met: Met) -> None:
        """What lies on something and touches the part."""
        touching = self.graph.touching
        for one, other, end in (
            (touching.first, touching.second, -1),
            (touching.second, touching.first, 0),
        ):
            contacts = self._contacts_of(part, one, other)
            met.cells.update(self._cells_of(other[contacts], part))
            labels = self.outlooks[part.outlook].labels[other[contacts]]
            for label, here in grouped(contacts, labels).items():
                close = here[touching.distance[here] <= TOUCH]
                pairs = zip(
                    self.parts.shape[one[close]], self.parts.shape[other[close]], strict=True
                )
                points = [point for a, b in pairs for point in contact_points(a, b)]
                if points:
                    met.points.setdefault(label, []).extend(points)
                elif label not in met.points:
                    nearest = here[[np.argmin(touching.distance[here])]]
                    met.points[label] = [
                        xy(shapely.get_coordinates(self.graph.links(nearest))[end])
                    ]

    def _contacts_of(self, part: Part, one: Rows, other: Rows) -> Rows:
        """Contacts between a part's fragments at one end, and traces on its labels at the other."""
        outlook = self.outlooks[part.outlook]
        mine = np.zeros(len(self.parts), dtype=bool)
        mine[part.fragments] = True
        known = np.isin(outlook.labels, part.labels) & outlook.alive
        return np.flatnonzero(mine[one] & known[other] & outlook.free)

    def _meet_edges(self, part: Part, met: Met) -> None:
        """Cells that the part ends at, and those that its copper bridges."""
        touching, outlook = self.graph.touching, self.outlooks[part.outlook]
        mine = np.zeros(len(self.parts), dtype=bool)
        mine[part.fragments] = True
        for mark in outlook.beside:
            near = mine[mark.fragments]
            if mark.label in part.labels and near.any():
                met.cells.add(mark.cell)
                met.points.setdefault(mark.label, [xy(point) for point in mark.at[near]])
        for led in outlook.led_over:
            if led.label not in part.labels:
                continue
            if (
                mine[touching.first[led.contacts]].any()
                or mine[touching.second[led.contacts]].any()
            ):
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
        """Where traces on different labels meet, nearest to each other; only directly where the
        part is longer.
        """
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

    # ------------------------------------------------------------------------------------ bare runs

    def _bare_runs(self, told: Sequence[Part]) -> Iterator[OffReferenceRun]:
        """Connected parts off the reference on both sides that are no part of a gap, a turn or a
        moat.
        """
        off = (self.parts.labels == OFF).all(axis=1) & ~self.wide
        for part in told:
            off[part.fragments] = False
        node = self._bare_components(off)
        rows = np.flatnonzero(off)
        bound = np.bincount(
            node[rows], shapely.length(self.parts.shape[rows]), int(node.max(initial=0)) + 1
        )
        for fragments in _members(rows, node, np.flatnonzero(bound > self.least).tolist()).values():
            run = self._bare_run(fragments)
            if run.length > self.least:
                yield run

    def _bare_components(self, off: Bools) -> Ints:
        """Components of some fragments, where neither side shows anything between them."""
        touching = self.graph.touching
        both = (
            off[touching.first]
            & off[touching.second]
            & self.sides[ABOVE].free
            & self.sides[BELOW].free
        )
        edges = [(touching.first[both], touching.second[both]), self.joint.hole_edges(off, 0)]
        return self.graph.components(edges, 0, self.joint.joints)

    def _bare_run(self, fragments: Rows) -> OffReferenceRun:
        """A run that touches one piece of a pour at most."""
        marks = self._marks_of(ABOVE, fragments) or self._marks_of(BELOW, fragments)
        cells = sorted({cell for cell, _ in marks})
        path, length = self.measures.of(fragments, cells, exempting=True)
        ends = tuple(sorted({point for _, points in marks for point in points}))
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

    def _marks_of(self, side: int, fragments: Rows) -> list[tuple[int, list[XY]]]:
        """Cells of a side beside some fragments, and where they touch."""
        found = [(mark, np.isin(mark.fragments, fragments)) for mark in self.sides[side].beside]
        return [
            (mark.cell, [xy(point) for point in mark.at[mine]])
            for mark, mine in found
            if mine.any()
        ]


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
    table = np.vstack(
        [np.empty((0, 2), dtype=np.int64), *(np.column_stack(pair) for pair in pairs)]
    )
    found: dict[int, set[int]] = {}
    for component, label in np.unique(table, axis=0).tolist():
        found.setdefault(component, set()).add(label)
    return found
