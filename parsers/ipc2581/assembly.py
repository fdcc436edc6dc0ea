"""Raw tables to a Board: choose the step, order the layers, draw the copper, name it, connect
it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from shapely.errors import ShapelyError

from parsers.assembly.connectivity import Connected, connect, unknown_net_doubts
from parsers.assembly.diagnostics import Diagnostics
from parsers.assembly.image import Image, compose
from parsers.assembly.named_places import with_names
from parsers.assembly.pins import doubts_on_pins, pads_of_pins, without_merged_nets
from parsers.assembly.plausibility import trimmed
from parsers.assembly.profile import told_outline
from parsers.assembly.thicknesses import settled
from parsers.board import PLATED, Board, BoardFile, Component, Hints, Holes, Outline
from parsers.ipc2581.columns import Owners, anchors, nearest, owners_of, sets_of
from parsers.ipc2581.components import (
    as_their_pads,
    check_number_of_pins,
    components_of,
    doubt_missing_pins,
    doubt_unknown_parts,
    located_pins,
    pad_spots,
)
from parsers.ipc2581.document import read_document
from parsers.ipc2581.fit import doubt_bare_holes, doubt_missing_holes, doubt_polarity
from parsers.ipc2581.layers import (
    COPPER,
    CUT_IN_PART,
    DRILLED,
    EDGE_LINES,
    NO_COPPER,
    PERHAPS_COPPER,
    PLATED_EDGES,
    ROUTED,
    LayerPlan,
    RawStackup,
    plan_layers,
)
from parsers.ipc2581.nets import (
    doubt_clashes,
    doubt_undeclared,
    named_by_points,
    net_list,
    nets_of,
    said_nets,
    undeclared,
)
from parsers.ipc2581.openings import FUNCTIONS as HOLE_FUNCTIONS
from parsers.ipc2581.openings import holes_table, inside_only, openings_of
from parsers.ipc2581.outline import board_outline, with_openings
from parsers.ipc2581.parts import Parts
from parsers.ipc2581.raw import FROM_FEATURES, FROM_PADSTACKS, Document
from parsers.ipc2581.resolve import Resolver
from parsers.ipc2581.sketch import FIDUCIAL
from parsers.ipc2581.steps import choose_step
from parsers.ipc2581.stream import Limits
from parsers.primitives import Bools, Conductors, Floats, Ints, concatenate
from parsers.trouble import BoardError, Doubt, Place

USAGES = {
    "VIA": "ViaPad",
    "TESTPOINT": "TestPad",
    "FIDUCIAL": "FiducialPad",
    "THIEVING": "CopperBalancing",
    "THERMAL_RELIEF": "ThermalReliefPad",
    "TOOLING_HOLE": "WasherPad",
}
PAD_USAGES = frozenset({"TERMINATION", *USAGES}) - {"THIEVING", "THERMAL_RELIEF"}
GEOMETRIES = {
    "THIEVING": "CopperBalancing",
    "THERMAL_RELIEF": "ThermalReliefPad",
    "TEXT": "NonConductor",
    "GRAPHIC": "NonConductor",
}
FUNCTIONS = (
    *dict.fromkeys((*USAGES.values(), *GEOMETRIES.values())),
    "ComponentPad",
    "SMDPad",
    "OtherPad",
    "Conductor",
    *HOLE_FUNCTIONS,
)


def read_ipc2581(path: Path, hints: Hints, limits: Limits | None = None) -> Board:
    """Read an IPC-2581 file (revisions A, B, B1, C; plain or gzip).

    Raises
    ------
    BoardError : the file is unreadable, refused, or holds no board; every lesser trouble is a doubt
        of the board
    """
    doubts = Diagnostics(path.name)
    document = read_document(path, doubts, limits)
    try:
        return _Assembly(document, path, hints, doubts).board()
    except ShapelyError as error:
        said = " ".join(str(error).split())[:200]
        raise BoardError(
            f"has shapes that cannot be computed ({said}), export it again", Place(path.name)
        ) from error


@dataclass(slots=True)
class _Copper:
    """Drawn objects of the copper layers with what their rows say."""

    owners: Owners
    keep: Bools
    places: Floats
    pad: Bools  # pads, and predefined shapes in a Set of pads
    layer: Ints  # per owner
    nets: Ints  # per owner


class _Assembly:
    """One document on its way to a board; the order of the steps stands in `board`."""

    def __init__(self, document: Document, path: Path, hints: Hints, doubts: Diagnostics) -> None:
        self.document = document
        self.path = path
        self.hints = hints
        self.doubts = doubts
        self.remarks: list[Doubt] = []
        self.sets = sets_of(document)
        self.layer_names = [str(name) for name in document.tables.layers]
        self.step = choose_step(document, self.sets, hints.step, doubts, self.remarks)
        self.number = document.tables.steps[self.step.name]
        self.plan = self._plan()
        self.resolver = Resolver(document.dictionaries, doubts)
        self.names = net_list(document, self.sets, self.number)
        # nets that only copper without pins names, and a line of each
        self.loose: dict[int, int] = {}

    def board(self) -> Board:
        """The board."""
        self._doubt_layers()
        self.resolver.doubt_overlaid_lines()
        check_number_of_pins(self.document, self.number)
        drawn = self._named(self._drawn())
        holes, outline = self._openings(drawn)
        copper = self._on_board(self._copper(drawn, holes, outline), holes, outline)
        components = self._components(drawn)
        joined = self._connected(copper, holes)
        components = self._settled(components, copper, joined)
        doubt_undeclared(self.names, self.loose, joined.connectivity.contacts, self.doubts)
        doubt_bare_holes(joined, self.doubts)
        doubt_polarity(self.document, self.plan.layers, joined, self.doubts)
        return without_merged_nets(self._result(joined, outline, components))

    def _connected(self, copper: Conductors, holes: Holes) -> Connected:
        """Copper connected, with the names that the rules give to places."""
        names, layers = self.names, self.plan.layers

        def joined(copper: Conductors, holes: Holes) -> Connected:
            return connect(copper, holes, names.nets, len(layers), FUNCTIONS, names.labels[0])

        return with_names(
            joined(copper, holes), self.hints.nets, layers, names.nets, names.number, joined
        )

    def _result(
        self, joined: Connected, outline: Outline | None, components: tuple[Component, ...]
    ) -> Board:
        files, layers = (self.path.name,), self.plan.layers
        return Board(
            path=str(self.path),
            format="ipc-2581",
            title=self.step.name,
            files=(BoardFile(self.path.name, _digest(self.path), None, "board"),),
            layers=layers,
            stackup=self.plan.stackup,
            nets=tuple(self.names.nets),
            refdes=tuple(self.document.tables.components.names()),
            pins=tuple(self.document.tables.pins.names()),
            functions=FUNCTIONS,
            copper=joined.copper,
            holes=joined.holes,
            outline=outline,
            components=components,
            connectivity=joined.connectivity,
            doubts=(
                *self.doubts.doubts(),
                *joined.doubts,
                *unknown_net_doubts(joined.copper, layers, files),
            ),
            remarks=(*self._foreign_units(), *self.remarks, *joined.remarks, *self._shorts()),
        )

    def _named(self, drawn: _Copper) -> _Copper:
        """Drawn copper with pins and nets."""
        said = said_nets(self.sets, drawn.owners, self.names)
        lands = drawn.keep & drawn.pad
        doubt_unknown_parts(self.document, drawn.owners, self.doubts)
        drawn.owners = located_pins(
            self.document, self.number, self.names, drawn.owners, lands, drawn.places, said
        )
        drawn.nets = nets_of(self.document, self.sets, drawn.owners, self.names, drawn.keep)
        self.loose = undeclared(self.document, self.names, drawn.owners, drawn.nets, drawn.keep)
        return drawn

    def _openings(self, drawn: _Copper) -> tuple[Holes, Outline | None]:
        """Holes and outline, each without what belongs to the other."""
        document, sets, doubts = self.document, self.sets, self.doubts
        material = board_outline(document, sets, self.step, self.resolver, doubts)
        cuts, cutouts = openings_of(document, sets, self.plan, self.number, self.resolver, doubts)
        outline = with_openings(material, cutouts, document, sets, self.step, self.resolver, doubts)
        outline = self._told_outline(outline)
        cuts = inside_only(cuts, material, doubts)
        pads = drawn.owners, np.where(drawn.keep[:, None], drawn.places, np.nan)
        holes = holes_table(cuts, document, sets, self.plan, self.names.numbers, pads, doubts)
        function = holes.function + len(FUNCTIONS) - len(HOLE_FUNCTIONS)
        holes = replace(holes, function=function.astype(np.int32))
        vias = sets.usage[drawn.owners.group] == document.usages.get("VIA", -1)
        spots = drawn.keep & drawn.pad, vias, drawn.places
        doubt_missing_holes(document, drawn.owners, spots, holes, doubts)
        return holes, outline

    def _told_outline(self, outline: Outline | None) -> Outline | None:
        """The outline, or that of the rules file where the data has none."""
        told = told_outline(outline, self.hints.outline, self.path.name)
        for doubt in told.doubts:
            self.doubts.add(doubt.what, doubt.why)
        if told.outline is None:
            why = "the step has no profile; where edges are measured, that is a doubt"
            place = Place(self.path.name, self.step.line or None)
            self.remarks.append(Doubt("no board profile", why, place))
        return told.outline

    def _on_board(self, copper: Conductors, holes: Holes, outline: Outline | None) -> Conductors:
        """Copper of the finished board, named by the points of physical nets where nothing else
        names it.
        """
        steps = (self.number, self.document.tables.steps.get("", self.number))
        unit = self.document.dictionaries.cad_unit
        copper = named_by_points(copper, self.document, self.names, self.plan, steps, unit)
        kept = trimmed(copper, holes, outline, self.plan.layers, self.names.nets)
        for doubt in kept.doubts:
            self.doubts.add(doubt.what, doubt.why)
        self.remarks.extend(kept.remarks)
        return copper if kept.kept.all() else copper.take(kept.kept)

    def _components(self, drawn: _Copper) -> tuple[Component, ...]:
        spots = pad_spots(drawn.owners, drawn.places, drawn.keep)
        doubt_missing_pins(self.names, spots, self.doubts)
        return components_of(self.document, self.plan, self.number, self.names, spots, self.doubts)

    def _settled(
        self, components: tuple[Component, ...], copper: Conductors, joined: Connected
    ) -> tuple[Component, ...]:
        """Parts with the nets that their pins have on connected copper; doubts on pins that have
        several.
        """
        names = self.names
        served = pads_of_pins(joined.copper)
        told = doubt_clashes(names, copper.net, joined.copper.net, self.doubts)
        silent = [pads for pads in served if (pads.component, pads.pin) not in told]
        self.doubts.doubt(*doubts_on_pins(silent, *names.labels, names.nets))
        return as_their_pads(components, self.document, (copper, joined.copper), served)

    # ---- layers ------------------------------------------------------------------------------------------------

    def _plan(self) -> LayerPlan:
        document = self.document
        plan = plan_layers(
            list(document.layers.values()),
            self._stackup(),
            document.permittivity,
            document.dictionaries.cad_unit,
            self.doubts,
        )
        if not plan.layers:
            raise BoardError("declares no copper layer, export layout data", Place(self.path.name))
        stackup, trouble = settled(plan.stackup, self.hints, len(plan.layers), self.path.name)
        for doubt in trouble:
            self.doubts.add(doubt.what, doubt.why)
        return replace(plan, stackup=stackup)

    def _stackup(self) -> RawStackup | None:
        step, stackups = self.step, self.document.stackups
        for stackup in stackups:
            if step.stackup and stackup.name == step.stackup:
                return stackup
        if step.stackup and stackups:
            self.doubts.add(f"no stackup {step.stackup}", "the first one is taken", step.line)
        elif len(stackups) > 1:
            self.doubts.add("several stackups", "the first one is taken", stackups[1].line)
        return stackups[0] if stackups else None

    def _doubt_layers(self) -> None:
        """Diagnostics about layers that draw and are not read, and about copper layers that draw
        nothing.
        """
        mine = self.sets.step == self.number
        groups = owners_of(self.document.copper).group
        there = set(self.sets.layer[groups[mine[groups]]].tolist())
        for number in np.unique(self.sets.layer[mine & (self.sets.layer >= 0)]).tolist():
            unread = self._unread(self.layer_names[number], number in there)
            if unread:
                line = int(self.sets.line[mine & (self.sets.layer == number)][0])
                self.doubts.add(*unread, line)
        for layer in self.plan.layers:
            if self.document.tables.layers.get(layer.name, -1) not in there:
                line = self.document.layers[layer.name].line
                what = f"copper layer {layer.name} has no features"
                self.doubts.add(what, "its copper is missing", line)

    def _unread(self, name: str, draws_copper: bool) -> tuple[str, str] | None:
        """What is doubtful about a layer that draws and is not read, and why; None if nothing is."""
        raw = self.document.layers.get(name)
        if raw is None:
            if name in self.plan.places and not draws_copper:
                return None
            return f"features on {name}, which is not declared", "they are left out"
        if raw.function in CUT_IN_PART:
            return f"layer {name} cuts the board in part ({raw.function})", "it is not read"
        if raw.function not in COPPER | DRILLED | ROUTED | EDGE_LINES | PLATED_EDGES | NO_COPPER:
            return f"layer {name} has function {raw.function or 'missing'}", PERHAPS_COPPER
        return None

    # ---- copper ------------------------------------------------------------------------------------------------

    def _drawn(self) -> _Copper:
        """Which drawn objects are copper: those of LayerFeatures, else those of padstacks and
        routes.
        """
        copper, sets = self.document.copper, self.sets
        owners = owners_of(copper)
        group = owners.group
        layer = self._copper_index()[sets.layer[group]]
        mine = (sets.step[group] == self.number) & (layer >= 0)
        features = mine & (sets.origin[group] == FROM_FEATURES)
        unfeatured = ~np.isin(layer, np.unique(layer[features]))
        design = mine & (sets.origin[group] == FROM_PADSTACKS) & unfeatured
        self._doubt_design(owners, layer, design)
        flashed = np.zeros(len(owners), dtype=np.bool_)
        flashed[copper.flashes.ints[:, 1]] = True
        of_pads = np.array([usage in PAD_USAGES for usage in self.document.usages], dtype=np.bool_)
        pad = owners.pad | (flashed & of_pads[sets.usage[group]]) if len(group) else owners.pad
        places = anchors(copper, self.document.dictionaries)
        return _Copper(owners, features | design, places, pad, layer, np.empty(0, dtype=np.int32))

    def _copper_index(self) -> Ints:
        """Copper layer, counted from the top, of each layer of the file; -1 where it is none."""
        index = np.full(len(self.layer_names) + 1, -1, dtype=np.int32)
        numbers = self.document.tables.layers
        for name, place in self.plan.copper.items():
            if name in numbers:
                index[numbers[name]] = place
        return index

    def _doubt_design(self, owners: Owners, layer: Ints, design: Bools) -> None:
        why = "they are design data, given for reference; export layer features"
        for index in np.unique(layer[design]).tolist():
            row = int(np.flatnonzero(design & (layer == index))[0])
            name = self.plan.layers[index].name
            what = f"copper layer {name} is drawn by padstacks and routes only"
            self.doubts.add(what, why, int(owners.line[row]))

    def _functions(self, drawn: _Copper, plated: Floats) -> Ints:
        """Function of each drawn object, in the words of Gerber's .AperFunction; shape
        (owners,).
        """
        index = {name: i for i, name in enumerate(FUNCTIONS)}
        owners, group = drawn.owners, drawn.owners.group
        of_pin = np.where(
            nearest(drawn.places, plated) >= 0, index["ComponentPad"], index["SMDPad"]
        )
        plain = np.where(owners.pin >= 0, of_pin, index["OtherPad"])
        plain = np.where(owners.kind == FIDUCIAL, index["FiducialPad"], plain)
        out = np.where(drawn.pad, plain, index["Conductor"]).astype(np.int32)
        termination = self.document.usages.get("TERMINATION", -1)
        lands = drawn.pad & (self.sets.usage[group] == termination)
        out[lands] = of_pin[lands]
        for words, column in ((USAGES, self.sets.usage), (GEOMETRIES, self.sets.geometry)):
            by_word = [index.get(words.get(str(u), ""), -1) for u in self.document.usages] or [-1]
            said = np.array(by_word)[column[group]]
            out = np.where(said >= 0, said, out)
        return out.astype(np.int32)

    def _copper(self, drawn: _Copper, holes: Holes, outline: Outline | None) -> Conductors:
        """Copper of all layers, clear objects applied."""
        plan, profile = self.plan, outline.shape if outline else None
        through = np.flatnonzero(holes.plated == PLATED)
        functions = self._functions(drawn, holes.middles(through))
        dark = ~self.sets.negative[drawn.owners.group]
        negative = np.array(plan.negative, dtype=np.bool_)
        parts = self.resolver.parts(self.document.copper, drawn.keep, dark != negative[drawn.layer])
        whole = Image(self._labelled(parts, drawn, functions), parts.dark & dark[parts.owner])
        out: list[Conductors] = []
        for index, layer in enumerate(plan.layers):
            rows = np.flatnonzero(whole.objects.layer == index)
            if plan.negative[index] and profile is None:
                what = f"negative layer {layer.name} without a profile"
                self.doubts.add(what, "its copper has no edge; left out")
            elif rows.size or plan.negative[index]:
                image = Image(whole.objects.take(rows), whole.dark[rows])
                part = compose(image, profile=profile, negative=plan.negative[index])
                out.append(replace(part, layer=np.full(len(part), index, dtype=np.int32)))
        return concatenate(out)

    def _labelled(self, parts: Parts, drawn: _Copper, functions: Ints) -> Conductors:
        """Objects with layer, net, part, pin, function and line."""
        owner, owners = parts.owner, drawn.owners
        component = np.where(
            owners.component >= 0, owners.component, self.sets.component[owners.group]
        )
        return replace(
            parts.objects,
            layer=drawn.layer[owner].astype(np.int32),
            net=drawn.nets[owner].astype(np.int32),
            pad=drawn.pad[owner],
            component=component[owner].astype(np.int32),
            pin=owners.pin[owner].astype(np.int32),
            function=functions[owner].astype(np.int32),
            line=owners.line[owner].astype(np.int32),
        )

    def _foreign_units(self) -> list[Doubt]:
        cad = self.document.unit
        return [
            Doubt(
                f"a dictionary in {unit}, board data in {cad}",
                "converted",
                Place(self.path.name, line),
            )
            for unit, line in self.document.dictionary_units.items()
            if unit != cad
        ]

    def _shorts(self) -> Sequence[Doubt]:
        return [
            Doubt(
                f"the file wants nets {', '.join(names)} joined",
                "NetShort",
                Place(self.path.name, line),
            )
            for group, names, line in self.document.shorts
            if self.sets.step[group] == self.number
        ]


def _digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
