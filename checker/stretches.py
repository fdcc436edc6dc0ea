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

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from checker.findings import XY, Path
from checker.fragments import Contacts, Fragments
from checker.index import BoxIndex, grouped, widened
from checker.partition import EPSILON, OFF, Views, ring_segments
from checker.regions import Pour, Stretch
from parsers.board import Board
from parsers.primitives import TOUCH, Bools, Floats, Ints, Rows, Shapes

FRAGMENT, CHANGE, HOLE = "fragment", "change", "hole"
Token = tuple[str, int]


@dataclass(frozen=True, slots=True)
class Grounds:
    """What the labels of cells mean."""

    pours: tuple[Pour, ...]
    ties: tuple[frozenset[int], ...]  # pairs of regions; the labels after the pours

    def regions(self, labels: Iterable[int]) -> tuple[int, ...]:
        """Regions of some labels, ascending; a tie adds one only where neither of its regions is there already."""
        named = {self.pours[i].region for i in labels if 0 <= i < len(self.pours)}
        for i in sorted(labels):
            if i >= len(self.pours) and not named & self.ties[i - len(self.pours)]:
                named.add(min(self.ties[i - len(self.pours)]))
        return tuple(sorted(named))

    def is_moat(self, labels: Iterable[int]) -> bool:
        """Whether two of the labels are separate pieces of one region's pours on one layer."""
        places = [(self.pours[i].region, self.pours[i].layer) for i in labels if 0 <= i < len(self.pours)]
        return len(places) > len(set(places))

    def differ(self, a: Ints, b: Ints) -> Bools:
        """Pairs of labels whose direct contact is a change of region, or of pieces on one layer."""
        size = len(self.pours) + len(self.ties)
        table = np.zeros((size + 1, size + 1), dtype=bool)
        for i in range(size):
            for j in range(i):
                table[i, j] = table[j, i] = len(self.regions((i, j))) > 1 or self.is_moat((i, j))
        result: Bools = table[a, b] & (a >= 0) & (b >= 0)
        return result


@dataclass(frozen=True, slots=True)
class Part:
    """A connected part of a net off the reference in one view."""

    view: int
    fragments: Rows
    changes: Rows  # positions in the list of changes
    holes: Rows  # holes that join it
    labels: tuple[int, ...]
    line: bool  # it has more than lands

    def tokens(self) -> set[Token]:
        """What two parts have in common if they overlap."""
        named = ((FRAGMENT, self.fragments), (CHANGE, self.changes), (HOLE, self.holes))
        return {(kind, int(i)) for kind, items in named for i in items}


@dataclass(frozen=True, slots=True)
class Changes:
    """Direct contacts of traces over different pours, in either view."""

    first: Rows
    second: Rows
    link: Shapes  # shortest line between them

    def ends(self, rows: Rows) -> Rows:
        """Fragments at both ends of some changes."""
        return np.concatenate((self.first[rows], self.second[rows]))


class Network:
    """The graph of fragments, and the stretches found in it.

    Parameters
    ----------
    exempt : per net an area in which leaving the reference is no matter (pads of isolators and their fan-out)
    least : bare runs not longer than this are left out, mm
    wide : areas wider than this are never bare, mm
    """

    def __init__(
        self,
        board: Board,
        views: Sequence[Views],
        grounds: Grounds,
        parts: Fragments,
        touching: Contacts,
        exempt: Mapping[int, shapely.Geometry],
        least: float,
        wide: Rows,
    ) -> None:
        self.board = board
        self.views = views
        self.grounds = grounds
        self.parts = parts
        self.touching = touching
        self.exempt = exempt
        self.least = least
        self.wide = np.isin(parts.row, wide)

    # ------------------------------------------------------------------------------------------------- one view

    def view_parts(self, view: int) -> list[Part]:
        """Connected parts off the reference in one view that touch pours of two regions, or separate pieces."""
        off = self.parts.labels[:, view] == OFF
        changes = self._changes_in(view)
        alive = self._alive(view)
        node = self._joined(off, self._free_links(view), changes)
        labels = self._labels_of(view, off, alive, node, changes)
        return list(self._telling(view, off, node, changes, labels))

    def _joined(self, off: Bools, free: Bools, changes: Rows) -> Ints:
        """Component of each fragment, then of each change, then of each hole; meaningless for fragments not off."""
        size, extra, touch = len(self.parts), len(self.changes.first), self.touching
        both = off[touch.first] & off[touch.second] & free
        at_hole = off[touch.at_hole]
        near_change, change = self._beside_changes(off, changes)
        source = np.concatenate((touch.first[both], touch.at_hole[at_hole], near_change))
        target = np.concatenate((touch.second[both], size + extra + touch.hole[at_hole], change))
        total = size + extra + len(self.board.holes)
        graph = coo_array((np.ones(len(source), dtype=bool), (source, target)), shape=(total, total))
        component: Ints = connected_components(graph, directed=False)[1].astype(np.int32)
        return component

    def _free_links(self, view: int) -> Bools:
        """Contacts whose shortest link leads over no other cells than those of the two fragments themselves."""
        touch, free = self.touching, np.ones(len(self.touching.first), dtype=bool)
        apart = np.flatnonzero(touch.distance > TOUCH)
        links = _shrunk(self._links(touch.first[apart], touch.second[apart]))
        labels = self.parts.labels[:, view]
        layer = self.parts.layer[touch.first[apart]]
        for number, seen in enumerate(self.views):
            for cell in (seen.first, seen.second)[view].cells:
                foreign = (labels[touch.first[apart]] != cell.label) & (labels[touch.second[apart]] != cell.label)
                here = np.flatnonzero((layer == number) & foreign)
                over = shapely.crosses(cell.shape, links[here]) | shapely.contains(cell.shape, links[here])
                free[apart[here[over]]] = False
        return free

    def _links(self, first: Rows, second: Rows) -> Shapes:
        links: Shapes = shapely.shortest_line(self.parts.shape[first], self.parts.shape[second])
        return links

    @cached_property
    def changes(self) -> Changes:
        """All contacts between fragments on different cells where that is a change, in either view."""
        first, second = self.touching.first, self.touching.second
        mask = self._change_at(0) | self._change_at(1)
        return Changes(first[mask], second[mask], self._links(first[mask], second[mask]))

    def _change_at(self, view: int) -> Bools:
        """Contacts where traces over different pours meet directly, in one view; parallel to the contacts."""
        labels, alive = self.parts.labels[:, view], self._alive(view)
        first, second = self.touching.first, self.touching.second
        differ = self.grounds.differ(labels[first], labels[second])
        return differ & alive[first] & alive[second] & self._free_links(view)

    def _changes_in(self, view: int) -> Rows:
        """Changes of one view."""
        both = self._change_at(0) | self._change_at(1)
        return np.flatnonzero(self._change_at(view)[both])

    def _beside_changes(self, off: Bools, changes: Rows) -> tuple[Rows, Rows]:
        """Edges between changes and the fragments off the reference or other changes that their copper touches."""
        links = self.changes.link[changes]
        ends = self.changes.first[changes]
        radius = np.maximum(self.parts.radius[ends], self.parts.radius[self.changes.second[changes]])
        boxes = widened(shapely.bounds(links), radius + TOUCH)
        loose = np.flatnonzero(off)
        asked, found = BoxIndex(self.parts.boxes()[loose]).meeting(boxes)
        found = loose[found]
        gap = shapely.distance(links[asked], self.parts.shape[found]) - radius[asked] - self.parts.radius[found]
        fits = (gap <= TOUCH) & self._same_place(ends[asked], found)
        one, other = BoxIndex(boxes).meeting(boxes)
        apart = shapely.distance(links[one], links[other]) - radius[one] - radius[other]
        joined = (apart <= TOUCH) & self._same_place(ends[one], ends[other])
        size, extra = len(self.parts), len(self.changes.first)
        hole, at_hole = self._holes_of(changes)
        return (
            np.concatenate((found[fits], size + changes[one[joined]], size + at_hole)),
            np.concatenate((size + changes[asked[fits]], size + changes[other[joined]], size + extra + hole)),
        )

    def _holes_of(self, changes: Rows) -> tuple[Rows, Rows]:
        """Holes that both ends of a change touch, with the change."""
        touch = self.touching
        found = [np.empty((0, 2), dtype=np.intp)]
        for change in changes:
            ends = (self.changes.first[change], self.changes.second[change])
            first, second = (touch.hole[touch.at_hole == end] for end in ends)
            found.append(np.array([(hole, change) for hole in np.intersect1d(first, second)]).reshape(-1, 2))
        table = np.concatenate(found).astype(np.intp)
        return table[:, 0], table[:, 1]

    def _same_place(self, a: Rows, b: Rows) -> Bools:
        same: Bools = (self.parts.net[a] == self.parts.net[b]) & (self.parts.layer[a] == self.parts.layer[b])
        return same

    def _alive(self, view: int) -> Bools:
        """Fragments that tell what a trace refers to: traces, areas, and lands that a trace meets on the same cell."""
        labels, pad = self.parts.labels[:, view], self.parts.pad
        first, second = self.touching.first, self.touching.second
        alive = ~pad
        meet = (labels[first] == labels[second]) & (pad[first] != pad[second])
        alive[first[meet]] = alive[second[meet]] = True
        return alive

    def _labels_of(
        self, view: int, off: Bools, alive: Bools, node: Ints, changes: Rows
    ) -> dict[int, tuple[set[int], set[int], bool]]:
        """Per component: labels that traces bring, labels that lie beside it, and whether it is more than lands."""
        labels, touch = self.parts.labels[:, view], self.touching
        size, extra = len(self.parts), len(self.changes.first)
        brought = [(node[size + changes], labels[ends[changes]]) for ends in (self.changes.first, self.changes.second)]
        free = self._free_links(view)
        for one, other in ((touch.first, touch.second), (touch.second, touch.first)):
            meet = off[one] & (labels[other] != OFF) & alive[other] & free
            brought.append((node[one[meet]], labels[other[meet]]))
        holes = (labels[touch.at_hole] != OFF) & alive[touch.at_hole]
        brought.append((node[size + extra + touch.hole[holes]], labels[touch.at_hole[holes]]))
        found: dict[int, tuple[set[int], set[int], bool]] = {}
        lines = set(node[:size][off & ~self.parts.pad].tolist()) | set(node[size + changes].tolist())
        for which, pairs in enumerate((_distinct(brought), _distinct([self._beside(view, off, node)]))):
            for component, label in pairs:
                entry = found.setdefault(component, (set(), set(), component in lines))
                entry[which].add(label)
        return found

    def _beside(self, view: int, off: Bools, node: Ints) -> tuple[Ints, Ints]:
        """Cells within TOUCH of fragments off the reference: component and label."""
        components, labels = [], []
        for number, seen in enumerate(self.views):
            here = np.flatnonzero(off & (self.parts.layer == number))
            for cell in (seen.first, seen.second)[view].cells:
                near = here[shapely.dwithin(cell.shape, self.parts.shape[here], TOUCH)]
                components.append(node[near])
                labels.append(np.full(len(near), cell.label, dtype=np.int32))
        none = [np.empty(0, dtype=np.int32)]
        return np.concatenate(components or none), np.concatenate(labels or none)

    def _telling(
        self,
        view: int,
        off: Bools,
        node: Ints,
        changes: Rows,
        labels: Mapping[int, tuple[set[int], set[int], bool]],
    ) -> Iterator[Part]:
        size, extra = len(self.parts), len(self.changes.first)
        telling = {}
        for component, (brought, beside, line) in labels.items():
            known = brought | beside if line else brought
            if len(self.grounds.regions(known)) > 1 or self.grounds.is_moat(known):
                telling[component] = (tuple(sorted(known)), line)
        fragments = _members(np.flatnonzero(off), node, telling)
        changed = _members(size + changes, node, telling)
        holes = _members(size + extra + np.unique(self.touching.hole), node, telling)
        none = np.empty(0, dtype=np.intp)
        for component, (known, line) in sorted(telling.items()):
            walls = holes.get(component, none) - size - extra
            yield Part(view, fragments.get(component, none), changed.get(component, none) - size, walls, known, line)

    # ------------------------------------------------------------------------------------------------- together

    def stretches(self) -> tuple[Stretch, ...]:
        """Crossings first, then moats, then bare runs; each in order of net and place."""
        alike = bool((self.parts.labels[:, 0] == self.parts.labels[:, 1]).all())
        found = self.view_parts(0) + ([] if alike else self.view_parts(1))
        crossing = [part for part in found if len(self.grounds.regions(part.labels)) > 1]
        moats = [part for part in found if len(self.grounds.regions(part.labels)) <= 1]
        told = [self._stretch(group) for group in self._overlapping(crossing)]
        taken = {token for part in crossing for token in self._reach(part)}
        apart = [group for group in self._overlapping(moats) if not any(self._reach(p) & taken for p in group)]
        told += [self._stretch(group) for group in apart]
        used = np.concatenate([np.empty(0, dtype=np.intp), *(part.fragments for part in found)])
        runs = list(self._bare_runs(used))
        return (*sorted(told, key=_order), *sorted(runs, key=_order))

    def _reach(self, part: Part) -> set[Token]:
        """Tokens of a part, and those of the fragments that meet at its changes."""
        ends = self.changes.ends(part.changes)
        return part.tokens() | {(FRAGMENT, int(i)) for i in ends}

    def _overlapping(self, parts: Sequence[Part]) -> list[list[Part]]:
        """Group parts of both views that overlap."""
        groups: list[tuple[set[Token], set[Token], list[Part]]] = []
        for part in parts:
            own, reach, members = part.tokens(), self._reach(part), [part]
            apart = []
            for group in groups:
                if own & group[1] or reach & group[0]:
                    own, reach, members = own | group[0], reach | group[1], [*group[2], *members]
                else:
                    apart.append(group)
            groups = [*apart, (own, reach, members)]
        return [members for _, _, members in groups]

    def _stretch(self, group: Sequence[Part]) -> Stretch:
        """One stretch of the parts that overlap; told as the view sees it where it is longest."""
        measured = [(self._measure(part), part) for part in group]
        (path, length), part = max(measured, key=lambda entry: (entry[0][1], -entry[1].view))
        labels = {label for one in group for label in one.labels}
        pours = tuple(sorted(i for i in labels if i < len(self.grounds.pours)))
        members = np.unique(np.concatenate([self._members_of(one) for one in group]))
        ends = self._ends(part)
        bare = (self.parts.labels[part.fragments] == OFF).all(axis=1)
        bare_path, bare_length = self._path(part.fragments[bare], part.labels, outside=True)
        return Stretch(
            net=int(self.parts.net[members[0]]),
            layers=tuple(np.unique(self.parts.layer[members]).tolist()),
            rows=np.unique(self.parts.row[members]),
            path=path,
            length=length,
            regions=self.grounds.regions(labels),
            pours=pours,
            ends=ends,
            carried_elsewhere=len({one.view for one in group}) == 1 and all(self._carried(one) for one in group),
            bare_length=bare_length,
            bare_path=bare_path,
            bounds=_bounds_of(path, ends),
            only_pads=not part.line,
            widest=0.0,
            moat=self.grounds.is_moat(labels),
        )

    def _members_of(self, part: Part) -> Rows:
        """Fragments of a part, and those that meet at its changes and holes."""
        at_holes = self.touching.at_hole[np.isin(self.touching.hole, part.holes)]
        return np.concatenate((part.fragments, self.changes.ends(part.changes), at_holes))

    def _carried(self, part: Part) -> bool:
        """Whether the other view has one continuous pour along the whole part."""
        labels = np.unique(self.parts.labels[self._members_of(part), 1 - part.view])
        return len(labels) == 1 and 0 <= labels[0] < len(self.grounds.pours)

    def _ends(self, part: Part) -> tuple[XY, ...]:
        """Where a part meets the pours, one point per contact."""
        points: list[XY] = []
        for change in part.changes:
            points += [_xy(point) for point in shapely.get_coordinates(self.changes.link[change])]
        for i in part.fragments:
            seen = self.views[self.parts.layer[i]]
            for cell in (seen.first, seen.second)[part.view].cells:
                if cell.label in part.labels and shapely.dwithin(cell.shape, self.parts.shape[i], TOUCH):
                    line = shapely.shortest_line(cell.shape, self.parts.shape[i])
                    points.append(_xy(shapely.get_coordinates(line)[1]))
        if not points:
            middles = (self.board.holes.ends[part.holes, :2] + self.board.holes.ends[part.holes, 2:]) / 2
            points = [_xy(point) for point in middles]
        return tuple(sorted(dict.fromkeys(points)))

    # -------------------------------------------------------------------------------------------------- lengths

    def _measure(self, part: Part) -> tuple[Path, float]:
        path, length = self._path(part.fragments, part.labels)
        links = [link for link in self.changes.link[part.changes] if link.length > TOUCH]
        if path or not links:
            return path, length
        return _as_path(links), max(link.length for link in links)

    def _path(self, fragments: Rows, labels: Sequence[int], *, outside: bool = False) -> tuple[Path, float]:
        """Centre lines of fragments, the net's lands cut away, and their length; areas by their own middle line.

        Parameters
        ----------
        labels : cells that the part touches, between which the length of an area runs
        outside : cut away also what lies in the net's exempt area
        """
        parts = self.parts
        keep = fragments[~parts.pad[fragments]]
        if not len(keep):
            return (), 0.0
        net = int(parts.net[keep[0]])
        lines: list[shapely.Geometry] = []
        length = 0.0
        for layer in np.unique(parts.layer[keep]):
            here = keep[parts.layer[keep] == layer]
            cut = self._lands(net, int(layer), shapely.total_bounds(parts.shape[here]))
            if outside and net in self.exempt:
                cut = [*cut, self.exempt[net]]
            traces, areas = parts.shape[here[parts.line[here]]], parts.shape[here[~parts.line[here]]]
            own = _less(shapely.union_all(traces), cut)
            lines += [own]
            length += float(own.length)
            for area in areas:
                for piece in shapely.get_parts(_less(area, cut)):
                    middle, along = self._along(piece, int(layer), labels)
                    lines.append(middle)
                    length += along
        return _as_path(lines), length

    def _lands(self, net: int, layer: int, bounds: Floats) -> list[shapely.Geometry]:
        """Copper of a net's lands on a layer within some bounds."""
        rows, boxes = self._pads_by_net.get(net, (np.empty(0, dtype=np.intp), np.empty((0, 4))))
        near = (boxes[:, 0] <= bounds[2]) & (boxes[:, 2] >= bounds[0])
        near &= (boxes[:, 1] <= bounds[3]) & (boxes[:, 3] >= bounds[1])
        rows = rows[near & (self.board.copper.layer[rows] == layer)]
        return list(self.board.copper.shapes(rows))

    @cached_property
    def _pads_by_net(self) -> dict[int, tuple[Rows, Floats]]:
        copper = self.board.copper
        rows = np.flatnonzero(copper.pad & np.isin(copper.net, np.unique(self.parts.net)))
        boxes = copper.take(rows).bounds()
        groups = grouped(np.arange(len(rows)), copper.net[rows])
        return {net: (rows[group], boxes[group]) for net, group in groups.items()}

    def _along(self, area: shapely.Geometry, layer: int, labels: Sequence[int]) -> tuple[shapely.Geometry, float]:
        """Witness line and length of a piece of an area.

        Between pours the length is the area over the mean width of its contacts; it is never more than the longer side
        of the rectangle with the same area and perimeter, which is the length where nothing is touched.
        """
        if area.geom_type != "Polygon":
            return shapely.LineString(), 0.0
        half = area.length / 2
        longest = float((half + np.sqrt(max(half * half - 4 * area.area, 0.0))) / 2)
        seen = self.views[layer]
        cells = [cell.shape for view in (seen.first, seen.second) for cell in view.cells if cell.label in labels]
        touched = [contact for contact in (_contact(area, cell) for cell in cells) if contact.length > EPSILON]
        if len(touched) < 2:
            return shapely.boundary(area), longest
        mean = sum(contact.length for contact in touched) / len(touched)
        return _between(area, touched[0], touched[1]), min(float(area.area) / mean, longest)

    # ------------------------------------------------------------------------------------------------ bare runs

    def _bare_runs(self, told: Rows) -> Iterator[Stretch]:
        """Connected parts off the reference in both views that are no part of a crossing or moat."""
        parts, touch = self.parts, self.touching
        off = (parts.labels == OFF).all(axis=1) & ~self.wide
        off[told] = False
        free = self._free_links(0) & self._free_links(1)
        node = self._joined(off, free, np.empty(0, dtype=np.intp))
        size = int(node.max(initial=0)) + 1
        bound = np.bincount(node[: len(parts)][off], shapely.length(parts.shape[off]), size)
        for fragments in _members(np.flatnonzero(off), node, np.flatnonzero(bound > self.least)).values():
            run = self._bare_run(fragments, touch)
            if run.bare_length > self.least:
                yield run

    def _bare_run(self, fragments: Rows, _: Contacts) -> Stretch:
        parts = self.parts
        labels = self._touched(fragments)
        path, length = self._path(fragments, labels, outside=True)
        areas = parts.shape[fragments[~parts.line[fragments] & ~parts.pad[fragments]]]
        pours = tuple(i for i in labels if i < len(self.grounds.pours))
        part = Part(0, fragments, fragments[:0], fragments[:0], tuple(labels), True)
        ends = self._ends(part)
        return Stretch(
            net=int(parts.net[fragments[0]]),
            layers=tuple(np.unique(parts.layer[fragments]).tolist()),
            rows=np.unique(parts.row[fragments]),
            path=path,
            length=length,
            regions=self.grounds.regions(labels),
            pours=pours,
            ends=ends,
            carried_elsewhere=False,
            bare_length=length,
            bare_path=path,
            bounds=_bounds_of(path, ends),
            only_pads=bool(parts.pad[fragments].all()),
            widest=max((_width(area) for area in areas), default=0.0),
        )

    def _touched(self, fragments: Rows) -> list[int]:
        found: set[int] = set()
        for number in np.unique(self.parts.layer[fragments]):
            here = self.parts.shape[fragments[self.parts.layer[fragments] == number]]
            for view in (self.views[number].first, self.views[number].second):
                found |= {cell.label for cell in view.cells if shapely.dwithin(cell.shape, here, TOUCH).any()}
        return sorted(found)


def _order(stretch: Stretch) -> tuple[Any, ...]:
    return stretch.net, stretch.layers, stretch.bounds


def _members(rows: Rows, node: Ints, wanted: Iterable[int]) -> dict[int, Rows]:
    """Rows by component, only the wanted ones."""
    rows = rows[np.isin(node[rows], list(wanted))]
    return grouped(rows, node[rows])


def _distinct(pairs: Sequence[tuple[Ints, Ints]]) -> list[tuple[int, int]]:
    table = np.vstack([np.empty((0, 2), dtype=np.int64), *(np.column_stack(pair) for pair in pairs)])
    return [(int(c), int(label)) for c, label in np.unique(table, axis=0)]


def _shrunk(links: Shapes) -> Shapes:
    """Links less TOUCH at either end, so that they do not reach what they join."""
    ends = shapely.get_coordinates(links).reshape(-1, 2, 2)
    step = ends[:, 1] - ends[:, 0]
    part = np.minimum(TOUCH / np.maximum(np.hypot(*step.T), 1e-12), 0.49)[:, None] * step
    out: Shapes = shapely.linestrings(np.stack((ends[:, 0] + part, ends[:, 1] - part), axis=1))
    return out


def _less(shape: shapely.Geometry, cut: Sequence[shapely.Geometry]) -> shapely.Geometry:
    return shapely.difference(shape, shapely.union_all(list(cut))) if len(cut) else shape


def _as_path(lines: Iterable[shapely.Geometry]) -> Path:
    """Polylines of some lines, merged where they meet, in a fixed order."""
    linework = [part for line in lines for part in shapely.get_parts(line) if part.length > EPSILON]
    if not linework:
        return ()
    merged = shapely.get_parts(shapely.line_merge(shapely.union_all(linework)))
    out = []
    for line in merged:
        points = tuple(_xy(p) for p in shapely.get_coordinates(line))
        out.append(min(points, points[::-1]))
    return tuple(sorted(out))


def _contact(area: shapely.Geometry, cell: shapely.Geometry) -> shapely.Geometry:
    """The part of an area's boundary that touches a cell."""
    edges = ring_segments(np.array([area], dtype=object))
    middles = shapely.points((edges[:, :2] + edges[:, 2:]) / 2)
    return shapely.multilinestrings(list(edges[shapely.dwithin(cell, middles, TOUCH)].reshape(-1, 2, 2)))


def _between(area: shapely.Geometry, a: shapely.Geometry, b: shapely.Geometry) -> shapely.Geometry:
    """A line through an area from one contact to another: from middle to middle where that stays inside."""
    longest = [max(shapely.get_parts(contact), key=lambda part: part.length) for contact in (a, b)]
    line = shapely.LineString(shapely.line_interpolate_point(longest, 0.5, normalized=True))
    return line if area.buffer(TOUCH).covers(line) else shapely.shortest_line(a, b)


def _xy(point: Floats) -> XY:
    return (round(float(point[0]), 6) + 0.0, round(float(point[1]), 6) + 0.0)


def _bounds_of(path: Path, ends: Sequence[XY]) -> tuple[float, float, float, float]:
    points = [*ends, *(point for line in path for point in line)] or [(0.0, 0.0)]
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return min(xs), min(ys), max(xs), max(ys)


def _width(area: shapely.Geometry) -> float:
    """Diameter of the largest disc in an area, mm, to a hundredth of its extent."""
    x0, y0, x1, y1 = area.bounds
    return 2 * float(shapely.maximum_inscribed_circle(area, tolerance=max(x1 - x0, y1 - y0) / 100).length)
