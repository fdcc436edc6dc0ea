"""The layout: a board seen through a rules file. What several rules need is computed once, here,
and lazily.

Everything is in mm and in index terms of the board (nets, layers, conductor rows); a rule turns
indices into names when it makes a finding.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import cached_property, wraps
from typing import Any, Protocol, TypedDict, TypeVar, Unpack

import numpy as np
import shapely

from checker.config.rules_file import Barrier, Rules, Tie
from checker.findings import XY, Finding, Level, Path
from checker.geometry.boxes import grouped
from checker.geometry.rows import distinct_rows
from checker.layout.foreign_pours import foreign_pours, wide_areas
from checker.layout.fragments import Fragments, Judged, contacts, cut_up, involved, judge
from checker.layout.lengths import Measures
from checker.layout.named_twice import named_twice
from checker.layout.off_reference import Finder
from checker.layout.outlook import Graph, Labels
from checker.layout.overlaps import OverlapGroup, overlap_groups
from checker.layout.plane_holes import LOOK
from checker.layout.pours import PourLimits, find_pours, wide_rows
from checker.layout.reference_map import ReferenceMap, Sheets, plane_layers, reference_map_of
from checker.layout.regions import (
    Binding,
    NetNames,
    OffReferenceRun,
    Pour,
    Region,
    bind,
    floating_rows,
    shared_by_ties,
)
from parsers.board import PLATED, Board
from parsers.primitives import TOUCH, Bools, Floats, Ints, Kind, Rows
from parsers.trouble import Doubt

STEPS = 32  # of a buffer's quarter turn: strays 0.0003 of its reach
FEW = 3  # names that stand for many where the work is told

T = TypeVar("T")


def unheard(_: str) -> None:
    """What a layout says of its work where nobody listens."""


class Declared(Protocol):
    """What a finding takes from the rule that makes it."""

    @property
    def id(self) -> str:
        """The rule's id."""

    @property
    def level(self) -> Level:
        """The rule's usual level."""

    @property
    def unit(self) -> str:
        """Unit of `measured` and `required`."""


class Measured(TypedDict, total=False):
    """What a rule adds to its finding in plain values; the fields of `Finding` of the same
    names.
    """

    path: Path
    bounds: tuple[float, float, float, float] | None
    components: tuple[str, ...]
    measured: float | None
    required: float | None
    harm: float
    hint: str | None
    group: str
    detail: dict[str, object]


class Layout:
    """Board + rules: regions, pours, territories, runs off the reference, parts. Build with
    `Layout(board, rules)`.

    Attributes that rules use:
      board, rules
      doubts            what binding rules to board left open (patterns without net, parts not on the board, ...)
      regions           tuple[Region], in the order of the rules file
      region_of_net     (nets,) index of the region that claims each net, -1 = none or floating
      floating          (nets,) mask of nets that float (single pad, N/C, thieving)
      row_region        (conductors,) region of each conductor's net, -1 = none
      pours             tuple[Pour], all regions and layers, reference and planes
      off_reference_runs  tuple[OffReferenceRun]
    """

    def __init__(self, board: Board, rules: Rules) -> None:
        self.board = board
        self.rules = rules
        self.limits = rules.limits
        self.names = NetNames([net.name for net in board.nets])
        self._computed: dict[Callable[[Layout], Any], Any] = {}
        # long work says what it is at, and for which nets
        self.tell: Callable[[str], None] = unheard

    def once(self, compute: Callable[[Layout], T]) -> T:
        """What a function above this room computes from this layout: computed once, and gone with
        the layout.
        """
        if compute not in self._computed:
            self._computed[compute] = compute(self)
        value: T = self._computed[compute]
        return value

    def know(self, compute: Callable[[Layout], T], value: T) -> None:
        """Keep what a function has computed from this layout elsewhere."""
        self._computed[compute] = value

    # ----------------------------------------------------------------------------- regions and nets

    @cached_property
    def _binding(self) -> Binding:
        return bind(self.board, self.rules, self.names)

    @cached_property
    def doubts(self) -> tuple[Doubt, ...]:
        """What binding the rules to the board left open; complete once the layout is built."""
        return (
            *self._draft(),
            *self._binding.doubts,
            *self._without_territory(),
            *self._without_reference(),
            *self._astray(),
            *named_twice(self.board, self.rules, self.region_of_net),
        )

    @property
    def regions(self) -> tuple[Region, ...]:
        """Regions bound to nets."""
        return self._binding.regions

    @property
    def region_of_net(self) -> Ints:
        """Region index of each net, -1 for none, shape (nets,). A net that a tie shares has its own
        region here.
        """
        return self._binding.region_of_net

    @property
    def floating(self) -> Bools:
        """Nets that float (stated to be single, or with one pad), shape (nets,)."""
        return self._binding.floating

    @property
    def lone(self) -> Bools:
        """Nets that float because they have one pad, not because the data says so, shape
        (nets,).
        """
        return self._binding.lone

    @cached_property
    def is_reference(self) -> Bools:
        """Nets that are a region's reference, shape (nets,)."""
        mask = np.zeros(len(self.board.nets), dtype=bool)
        mask[[net for region in self.regions for net in region.reference]] = True
        return mask

    @cached_property
    def is_unplaced(self) -> Bools:
        """Nets of regions that state to have neither reference nor area, and so no territory;
        (nets,).
        """
        nowhere = [not region.spec.reference and not region.spec.area for region in self.regions]
        mask: Bools = np.array([*nowhere, False])[self.region_of_net]
        return mask

    @cached_property
    def row_region(self) -> Ints:
        """Region index of each conductor, -1 for none, shape (conductors,).

        Copper stated to be thieving, text or fiducial has none, unless its net is a reference.
        """
        net = self.board.copper.net
        named = np.where(
            net >= 0, np.append(self.region_of_net, -1)[np.maximum(net, -1)], -1
        ).astype(np.int32)
        reference = np.append(self.is_reference, False)[np.maximum(net, -1)] & (net >= 0)
        named[floating_rows(self.board) & ~reference] = -1
        return named

    def some_nets(self, nets: Rows | Ints) -> str:
        """A few of some nets by name, and how many more there are."""
        shown = ", ".join(self.board.net_name(net) for net in nets[:FEW].tolist())
        return f"{shown} and {len(nets) - FEW} more" if len(nets) > FEW else shown

    def matching(self, patterns: tuple[str, ...]) -> Ints:
        """Net indices that match any of the glob patterns, ascending."""
        return self.names.matching(patterns)

    def region_named(self, name: str) -> Region:
        """The region of that name."""
        return next(region for region in self.regions if region.name == name)

    @cached_property
    def _slow(self) -> frozenset[int]:
        return frozenset(self.matching(self.rules.nets.slow).tolist())

    def is_slow(self, net: int) -> bool:
        """Whether the rules list the net as slow."""
        return net in self._slow

    # --------------------------------------------------------------------------------------- copper

    @cached_property
    def boxes(self) -> Floats:
        """Bounding boxes of all conductors, shape (conductors, 4)."""
        return self.board.copper.bounds()

    @cached_property
    def pours(self) -> tuple[Pour, ...]:
        """All pours, ordered by region, layer, then place."""
        limits = PourLimits(self.limits["hole"], self.limits["pour"])
        return find_pours(self.board, self.regions, limits, self.tell)

    @cached_property
    def stitches(self) -> tuple[Rows, ...]:
        """Per pour: the plated holes of its net that its copper touches; one inside an antipad
        joins nothing.
        """
        holes = self.board.holes
        out = []
        for pour in self.pours:
            passing = (
                (holes.first <= pour.layer) & (holes.last >= pour.layer) & (holes.plated == PLATED)
            )
            rows = np.flatnonzero(passing & (holes.net == pour.net))
            shapely.prepare(pour.copper)
            lines = shapely.linestrings(holes.ends[rows].reshape(-1, 2, 2))
            out.append(rows[shapely.dwithin(pour.copper, lines, holes.radius[rows] + TOUCH)])
        return tuple(out)

    @cached_property
    def _territories(self) -> tuple[shapely.Geometry, ...]:
        out = []
        for region in self.regions:
            shapes = [
                pour.shape for pour in self.pours if pour.region == region.index and not pour.plane
            ]
            if not shapes and region.spec.area:
                shapes = [shapely.Polygon(region.spec.area)]
            out.append(shapely.union_all(shapes))
        for shape in out:
            shapely.prepare(shape)
        return tuple(out)

    def territory(self, region: int) -> shapely.Geometry:
        """A region's reference pours (no planes) on all layers, from above; its area if it has
        none.
        """
        return self._territories[region]

    def lacks_pours(self, region: int) -> bool:
        """Whether a region names a reference, but has no territory: where its nets belong is a
        doubt.
        """
        return bool(self.regions[region].spec.reference) and bool(
            shapely.is_empty(self.territory(region))
        )

    @cached_property
    def overlaps(self) -> tuple[OverlapGroup, ...]:
        """Where reference pours of two regions lie over each other, by cause."""
        return overlap_groups(self.pours)

    def overlap_key(self, group: OverlapGroup) -> str:
        """The key of the findings that an overlap causes."""
        return repr(
            ("pour-overlap", sorted(self.regions[i].name for i in group.regions), group.number)
        )

    def pads_of(self, refdes: str) -> Rows:
        """Conductor rows that are pads of a part."""
        return self._pads_by_part.get(refdes, nothing())

    @cached_property
    def _pads_by_part(self) -> dict[str, Rows]:
        copper = self.board.copper
        rows = np.flatnonzero(copper.pad & (copper.component >= 0))
        groups = grouped(rows, copper.component[rows])
        return {self.board.refdes[part]: group for part, group in groups.items()}

    def finding(  # noqa: PLR0913 - one keyword for each kind of index that is to be named
        self,
        rule: Declared,
        *,
        message: str,
        at: XY | shapely.Point,
        level: Level | None = None,
        nets: Iterable[int] = (),
        layer: int | None = None,
        pours: Iterable[int] = (),
        regions: Iterable[int] = (),
        net_layers: Iterable[int] = (),
        **measured: Unpack[Measured],
    ) -> Finding:
        """A finding of a rule, indices turned into names.

        Parameters
        ----------
        at : place in mm; it must follow the board when that is moved, turned or mirrored, and so
            must the layer
        level : of this finding; None = the rule's
        nets, layer, net_layers, regions : indices of the board and of the layout
        pours : indices of the pours that the finding's copper refers to; their layers are told once
            each
        measured : fields of the finding in plain values, lengths in mm
        """
        place = at if isinstance(at, tuple) else (round(at.x, 6), round(at.y, 6))
        return Finding(
            rule=rule.id,
            level=rule.level if level is None else level,
            message=message,
            at=place,
            layer=None if layer is None else self.layer_id(layer),
            reference_layers=self._layers_of(self.pours[i].layer for i in pours),
            nets=tuple(self.board.net_name(net) for net in nets),
            net_layers=tuple(self.layer_id(i) for i in net_layers),
            regions=tuple(dict.fromkeys(self.regions[i].name for i in regions)),
            unit=rule.unit,
            **measured,
        )

    def _layers_of(self, layers: Iterable[int]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(map(self.layer_id, layers)))

    def layer_id(self, layer: int) -> str:
        """`L1` and so on."""
        return self.board.layers[layer].id

    # ------------------------------------------------------------------------------- barriers, ties

    def barrier_between(self, a: int, b: int) -> Barrier | None:
        """The barrier declared between two regions, by index."""
        one, other = self.regions[a].name, self.regions[b].name
        return next(
            (barrier for barrier in self.rules.barriers if barrier.separates(one, other)), None
        )

    def tie_between(self, a: int, b: int) -> Tie | None:
        """The tie declared between two regions, by index."""
        return next(iter(self.ties_between(a, b)), None)

    def ties_between(self, a: int, b: int) -> tuple[Tie, ...]:
        """All ties declared between two regions, by index."""
        names = {self.regions[a].name, self.regions[b].name}
        return tuple(tie for tie in self.rules.ties if set(tie.between) == names)

    @cached_property
    def _ties_of_net(self) -> dict[int, tuple[Tie, ...]]:
        return dict(shared_by_ties(self.rules, self.names))

    def ties_of_net(self, net: int) -> tuple[Tie, ...]:
        """Ties that share a net."""
        return self._ties_of_net.get(net, ())

    def is_shared(self, net: int, a: int, b: int) -> bool:
        """Whether a tie between two regions lets a net be in both."""
        return any(tie in self.ties_between(a, b) for tie in self.ties_of_net(net))

    def tie_copper(self, tie: Tie) -> shapely.Geometry:
        """Copper of a declared tie, seen from above: it counts as both regions' pours. Empty if
        there is none.

        At a part: its pads. Otherwise the places where copper of both reference nets touches, with
        the traces and lands that touch there.
        """
        return self._tie_copper[self.rules.ties.index(tie)]

    @cached_property
    def _tie_copper(self) -> tuple[shapely.Geometry, ...]:
        return tuple(
            shapely.union_all(
                self.board.copper.shapes(self.pads_of(tie.at)) if tie.at else list(self._seams(tie))
            )
            for tie in self.rules.ties
        )

    def _seams(self, tie: Tie) -> Iterator[shapely.Geometry]:
        """Where copper of both references of a tie touches."""
        first, second = (self.region_named(name).reference for name in tie.between)
        copper = self.board.copper
        for contact in self.board.connectivity.contacts:
            a, b = contact.nets
            if not ((a in first and b in second) or (a in second and b in first)):
                continue
            shapes = copper.shapes(np.array(contact.rows, dtype=np.intp))
            yield shapely.intersection(*shapely.buffer(shapes, TOUCH))
            yield from (
                shape
                for shape, row in zip(shapes, contact.rows, strict=True)
                if copper.kind[row] != Kind.AREA
            )

    @cached_property
    def near_isolators(self) -> dict[int, shapely.Geometry]:
        """Per net: its isolator pads on their own side, widened by limits.fanout (exempt area).

        A pad is on its own side if it lies no farther from the territory of its net's region than
        from that of the barrier's other side.
        """
        out: dict[int, list[shapely.Geometry]] = {}
        for barrier in self.rules.barriers:
            sides = [[self.region_named(name).index for name in side] for side in barrier.between]
            for refdes in barrier.isolators:
                for net, shape in self._own_side(self.pads_of(refdes), sides):
                    out.setdefault(net, []).append(shape)
        reach = self.limits["fanout"]
        return {
            net: shapely.buffer(shapely.union_all(shapes), reach, quad_segs=STEPS)
            for net, shapes in out.items()
        }

    def _own_side(
        self, pads: Rows, sides: list[list[int]]
    ) -> Iterator[tuple[int, shapely.Geometry]]:
        shapes = self.board.copper.shapes(pads)
        for row, shape in zip(pads, shapes, strict=True):
            net, own = int(self.board.copper.net[row]), int(self.row_region[row])
            opposite = next((b for a, b in (sides, sides[::-1]) if own in a), None)
            if opposite is None:
                continue
            middle = shapely.centroid(shape)
            there = min(_distance(self.territory(region), middle) for region in opposite)
            if _distance(self.territory(own), middle) <= there:
                yield net, shape

    # ------------------------------------------------------------------------------------ reference

    @cached_property
    def cells(self) -> Labels:
        """What the labels of reference maps mean: pours, then ties."""
        ties = [
            frozenset(self.region_named(name).index for name in tie.between)
            for tie in self.rules.ties
        ]
        return Labels.of_pours(self.pours, ties)

    @cached_property
    def reference_maps(self) -> tuple[ReferenceMap, ...]:
        """What the traces of each layer refer to, above and below."""
        first = len(self.pours)
        ties = {
            first + i: shape
            for i, shape in enumerate(self._tie_copper)
            if not shapely.is_empty(shape)
        }
        sheets = Sheets(
            self.pours, plane_layers(self.pours, self._territories, self.limits["plane_share"])
        )
        return tuple(
            reference_map_of(
                layer, sheets, self._stated_reference(layer), self.limits["coplanar"], ties
            )
            for layer in range(len(self.board.layers))
        )

    def _stated_reference(self, layer: int) -> list[int] | None:
        """Layers that the rules name as reference of a layer; None if they name none."""
        ids = {layer.id: i for i, layer in enumerate(self.board.layers)}
        stated = self.rules.stackup.reference.get(self.layer_id(layer))
        return None if stated is None else [ids[name] for name in stated if name in ids]

    def height(self, layer: int, other: int) -> tuple[float, str]:
        """Distance between two layers with its unit: in mm where the stackup tells it, else in
        layers.
        """
        dielectric = self.board.stackup.dielectric
        low, high = min(layer, other), max(layer, other)
        return (sum(dielectric[low:high]), "mm") if dielectric else (float(high - low), "layers")

    @cached_property
    def judged(self) -> Judged:
        """All conductors of nets that are no reference and have a territory or may have one, with
        their cells.
        """
        net = self.board.copper.net
        signal = (net >= 0) & ~np.append(self.is_reference | self.is_unplaced, True)[
            np.maximum(net, -1)
        ]
        return judge(self.board, np.flatnonzero(signal), self.reference_maps)

    @cached_property
    def fragments(self) -> Fragments:
        """Conductors that leave the reference somewhere, or change it, cut along its cells."""
        self.tell(f"what traces run over: {self.some_nets(np.flatnonzero(self._changing))}")
        where = involved(self.board, self.judged, self._changing)
        return cut_up(self.board, self.judged, where, self.reference_maps)

    @cached_property
    def _changing(self) -> Bools:
        """Nets whose conductors lie on cells of different regions, or of separate pieces on one
        layer; (nets,).
        """
        net = self.board.copper.net[self.judged.rows]
        changing = np.zeros(len(self.board.nets), dtype=bool)
        region, layer = (
            np.array(self.cells.region, dtype=np.int64),
            np.array(self.cells.layer, dtype=np.int64),
        )
        labels = self.judged.labels.T.reshape(-1)
        owner, cell = distinct_rows(np.tile(net, 2)[labels >= 0], labels[labels >= 0]).T
        changing[owner[cell >= len(region)]] = True  # over a tie
        owner, cell = owner[cell < len(region)], cell[cell < len(region)]
        regions = distinct_rows(owner, region[cell])
        changing |= np.bincount(regions[:, 0], minlength=len(changing)) > 1
        places, pieces = np.unique(
            np.column_stack((owner, region[cell], layer[cell])), axis=0, return_counts=True
        )
        changing[places[pieces > 1, 0]] = True
        return changing

    @cached_property
    def off_reference_runs(self) -> tuple[OffReferenceRun, ...]:
        """Runs off the reference: gaps, turns of a side, moats, and bare runs above
        limits.unreferenced_run.
        """
        parts = self.fragments
        self.tell(f"runs off the reference: {self.some_nets(np.unique(parts.net))}")
        graph = Graph(self.board, parts, contacts(self.board, parts, self._telling(parts)))
        finder = Finder(
            graph,
            self.reference_maps,
            self.cells,
            regions=len(self.regions),
            measures=Measures(self.board, self.reference_maps, parts, self.near_isolators),
            least=self.limits["unreferenced_run"],
            wide=self._wide_areas(),
        )
        return finder.runs()

    def _telling(self, parts: Fragments) -> Bools:
        """Fragments whose connections matter whatever they lie on: over several regions, or
        short.
        """
        several = self.cells.shown(parts.labels, len(self.regions)).sum(axis=1) > 1
        telling: Bools = several | (
            shapely.length(parts.shape) < LOOK * self.limits["unreferenced_run"]
        )
        return telling

    def _wide_areas(self) -> Rows:
        """Areas that are exempt from unreferenced-run."""
        rows = np.unique(self.fragments.row[~self.fragments.line & ~self.fragments.pad])
        return wide_rows(self.board, rows, PourLimits(self.limits["hole"], self.limits["pour"]))

    def reference_share(self, net: int) -> float | None:
        """Part of a net's centre line (0..1) with its own region's pours on one side at least; None
        without line.
        """
        total, own = self._lengths
        return float(own[net] / total[net]) if total[net] > 0 else None

    @cached_property
    def _lengths(self) -> tuple[Floats, Floats]:
        """Length of each net's centre lines, and of the part over pours of its own region."""
        size, copper = len(self.board.nets), self.board.copper
        region = np.array([pour.region for pour in self.pours] + [-1] * (1 + len(self.rules.ties)))
        total, own = np.zeros(size), np.zeros(size)
        parts = self.fragments
        whole = ~np.isin(self.judged.rows, parts.row) & self.judged.line
        rows = self.judged.rows[whole]
        for net, labels, length in (
            (copper.net[rows], self.judged.labels[whole], shapely.length(copper.skeletons(rows))),
            (
                parts.net[parts.line],
                parts.labels[parts.line],
                shapely.length(parts.shape[parts.line]),
            ),
        ):
            over = ((labels >= 0) & (region[labels] == self.region_of_net[net][:, None])).any(
                axis=1
            )
            total += np.bincount(net, length, size)
            own += np.bincount(net[over], length[over], size)
        return total, own

    # --------------------------------------------------------------------------- remarks and doubts

    @cached_property
    def remarks(self) -> tuple[Doubt, ...]:
        """What the rules look through: pours of other nets between traces and their reference."""
        carriers = self.is_reference.copy()
        carriers[[net for region in self.regions for net in region.planes]] = True
        areas = wide_areas(self.board, carriers, self.limits["pour"])
        if not areas:
            return ()
        traces = self.judged.rows[self.judged.line], self.judged.boxes[self.judged.line]
        found = foreign_pours(self.board, areas, traces, self.reference_maps, self.pours)
        return tuple(
            Doubt(
                f'pour of "{self.board.net_name(pour.net)}" on {self.layer_id(pour.layer)} lies'
                " between traces on "
                f"{' and '.join(map(self.layer_id, pour.traces))} and their reference on "
                f"{' and '.join(map(self.layer_id, pour.references))}",
                "its net is no reference and no plane of a region, so it is looked through; name it"
                " in the planes of its region if it carries return current",
            )
            for pour in found
        )

    def _draft(self) -> Iterator[Doubt]:
        """A rules file that nobody has looked through yet."""
        if self.rules.draft:
            what = "the rules file is a draft"
            why = (
                "its regions, isolators and ties are guesses; look through each, then remove the"
                " line draft = true"
            )
            yield Doubt(what, why, self.rules.place("draft"))

    def _without_territory(self) -> Iterator[Doubt]:
        for region in self.regions:
            if region.spec.reference and shapely.is_empty(self.territory(region.index)):
                what = f"region {region.name} has no pour"
                why = (
                    "no copper of its reference holds a disc of limits.pour, so its nets are not held against any "
                    "territory; name its reference nets, give its area, or accept this if tracks are all that it has"
                )
                yield Doubt(what, why, self.rules.place(f"region.{region.name}"))

    def _without_reference(self) -> Iterator[Doubt]:
        """Layers whose stated reference layers carry no pour: no crossing can be seen on them."""
        poured = {self.layer_id(pour.layer) for pour in self.pours}
        known = {layer.id for layer in self.board.layers}
        for layer, named in self.rules.stackup.reference.items():
            if not poured & set(named) and known.issuperset(named):
                what = f"the stated reference of {layer} has no pour"
                why = (
                    f"no crossing can be found on {layer}; name layers that carry pours, or leave"
                    " the key out"
                )
                yield Doubt(what, why, self.rules.place(f"stackup.reference.{layer}"))

    def _astray(self) -> Iterator[Doubt]:
        """Nets that only `*` claims and that lie wholly inside another region's territory, not over
        their own.
        """
        net = self.board.copper.net
        rows = np.flatnonzero(
            (net >= 0) & np.append(self._binding.catch_all, False)[np.maximum(net, -1)]
        )
        for region in self.regions:
            if len(rows) and len(self.regions) > 1:
                yield from self._astray_in(region, rows[self.row_region[rows] != region.index])

    def _astray_in(self, region: Region, rows: Rows) -> Iterator[Doubt]:
        territory, net = self.territory(region.index), self.board.copper.net
        kind = self.board.copper.kind[rows]
        straight = rows[(kind == Kind.STROKE) | (kind == Kind.DISC)]
        outside = ~shapely.contains_xy(territory, self.board.copper.geometry[straight, :2])
        rows = rows[~np.isin(net[rows], net[straight[outside]])]
        shapes = self.board.copper.shapes(rows)
        out = ~shapely.covers(territory, shapes)
        for owner in np.unique(self.row_region[rows]):
            mine = self.row_region[rows] == owner
            out[mine] |= shapely.intersects(self.territory(int(owner)), shapes[mine])
        for index in np.setdiff1d(net[rows], net[rows[out]]).tolist():
            what = (
                f'net "{self.board.net_name(index)}" lies wholly inside the territory of region'
                f" {region.name}"
            )
            why = f"only * claims it; name it in the nets of {region.name} or of its own region"
            yield Doubt(what, why)


def of_layout(compute: Callable[[Layout], T]) -> Callable[[Layout], T]:
    """Keep what a function computes from a layout on that layout: computed once, and gone with
    it.
    """

    @wraps(compute)
    def kept(layout: Layout) -> T:
        return layout.once(compute)

    return kept


def nothing() -> Rows:
    """No rows."""
    return np.empty(0, dtype=np.intp)


def _distance(territory: shapely.Geometry, point: shapely.Geometry) -> float:
    """Distance in mm, infinite to an empty territory."""
    return (
        float("inf") if shapely.is_empty(territory) else float(shapely.distance(territory, point))
    )
