"""Raw tables to a Board: choose the step, order the layers, draw the copper, name it, connect it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
from shapely.errors import ShapelyError

from parsers.board import PLATED, Board, BoardFile, Hints
from parsers.connectivity import connect, unknown_net_doubts
from parsers.image import Image, compose
from parsers.ipc2581.columns import Owners, anchors, nearest, owners_of, sets_of
from parsers.ipc2581.components import check_number_of_pins, components_of, doubt_missing_pins, located_pins, pad_spots
from parsers.ipc2581.document import read_document
from parsers.ipc2581.doubting import Doubts
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
from parsers.ipc2581.nets import named_by_points, net_list, nets_of, said_nets
from parsers.ipc2581.openings import FUNCTIONS as HOLE_FUNCTIONS
from parsers.ipc2581.openings import doubt_missing_holes, holes_table, inside_only, openings_of
from parsers.ipc2581.outline import board_outline, with_openings
from parsers.ipc2581.parts import Parts
from parsers.ipc2581.raw import FROM_FEATURES, FROM_PADSTACKS, Document, RawStep
from parsers.ipc2581.resolve import Resolver
from parsers.ipc2581.sketch import FIDUCIAL
from parsers.ipc2581.stream import Limits
from parsers.primitives import Bools, Conductors, Floats, Ints, concatenate, conductors
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
    BoardError : the file is unreadable, refused, or holds no board; every lesser trouble is a doubt of the board
    """
    doubts = Doubts(path.name)
    document = read_document(path, doubts, limits)
    try:
        return _Assembly(document, path, hints, doubts).board()
    except ShapelyError as error:
        said = " ".join(str(error).split())[:200]
        raise BoardError(f"has shapes that cannot be computed ({said}), export it again", Place(path.name)) from error


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

    def __init__(self, document: Document, path: Path, hints: Hints, doubts: Doubts) -> None:
        self.document = document
        self.path = path
        self.hints = hints
        self.doubts = doubts
        self.remarks: list[Doubt] = []
        self.sets = sets_of(document)
        self.layer_names = [str(name) for name in document.tables.layers]

    def board(self) -> Board:
        """The board."""
        document, doubts = self.document, self.doubts
        step = self._choose_step()
        number = document.tables.steps[step.name]
        plan = self._plan(step)
        self._doubt_layers(plan, number)
        resolver = Resolver(document.dictionaries, doubts)
        resolver.doubt_overlaid_lines()
        material = board_outline(document, self.sets, step, resolver, doubts)
        check_number_of_pins(document, number)
        names = net_list(document, self.sets, number, doubts)
        drawn = self._drawn(plan, number)
        lands = drawn.keep & drawn.pad
        said = said_nets(self.sets, drawn.owners, names)
        drawn.owners = located_pins(document, number, names, drawn.owners, lands, drawn.places, said)
        drawn.nets = nets_of(document, self.sets, drawn.owners, names, drawn.keep, doubts)
        cuts, cutouts = openings_of(document, self.sets, plan, number, resolver, doubts)
        outline = with_openings(material, cutouts, document, self.sets, step, resolver, doubts)
        cuts = inside_only(cuts, material, doubts)
        doubt_missing_holes(document, drawn.owners, lands, drawn.places, cuts, doubts)
        pads = drawn.owners, np.where(drawn.keep[:, None], drawn.places, np.nan)
        holes = holes_table(cuts, document, self.sets, plan, names.numbers, pads, doubts)
        holes = replace(holes, function=(holes.function + len(FUNCTIONS) - len(HOLE_FUNCTIONS)).astype(np.int32))
        through = holes.ends[holes.plated == PLATED]
        functions = self._functions(drawn, (through[:, 0:2] + through[:, 2:4]) / 2)
        copper = self._copper(resolver, plan, drawn, functions, outline.shape if outline else None)
        loose = (number, document.tables.steps.get("", number))
        copper = named_by_points(copper, document, names, plan, loose, document.dictionaries.cad_unit)
        spots = pad_spots(drawn.owners, drawn.places, drawn.keep)
        doubt_missing_pins(names, spots, doubts)
        components = components_of(document, plan, number, names, spots, doubts)
        joined = connect(copper, holes, names.nets, len(plan.layers))
        files = (self.path.name,)
        return Board(
            path=str(self.path),
            format="ipc-2581",
            title=step.name,
            files=(BoardFile(self.path.name, _digest(self.path), None, "board"),),
            layers=plan.layers,
            stackup=plan.stackup,
            nets=tuple(names.nets),
            refdes=tuple(str(name) for name in document.tables.components),
            pins=tuple(str(name) for name in document.tables.pins),
            functions=FUNCTIONS,
            copper=joined.copper,
            holes=joined.holes,
            outline=outline,
            components=components,
            connectivity=joined.connectivity,
            doubts=(*doubts.all(), *joined.doubts, *unknown_net_doubts(joined.copper, plan.layers, files)),
            remarks=(*self._foreign_units(), *self.remarks, *joined.remarks, *self._shorts(number)),
        )

    # ---- step and layers ---------------------------------------------------------------------------------------

    def _choose_step(self) -> RawStep:
        """The step that the user names, else the one that is a board."""
        steps = {name: step for name, step in self.document.steps.items() if name}
        place = Place(self.path.name)
        if not steps:
            raise BoardError("holds no Step, so no board; export layout data", place)
        if self.hints.step is not None:
            if self.hints.step not in steps:
                raise BoardError(f"has no step {self.hints.step!r}; it has {', '.join(sorted(steps))}", place)
            chosen = steps[self.hints.step]
        else:
            chosen = self._board_step(steps)
        self._doubt_repeats(chosen)
        return chosen

    def _with_copper(self, steps: dict[str, RawStep]) -> list[RawStep]:
        copper = [
            self.document.tables.layers.get(n, -1) for n, raw in self.document.layers.items() if raw.function in COPPER
        ]
        drawn = set(self.sets.step[np.isin(self.sets.layer, copper)].tolist())
        return [step for step in steps.values() if self.document.tables.steps[step.name] in drawn]

    def _board_step(self, steps: dict[str, RawStep]) -> RawStep:
        candidates = self._with_copper(steps) or list(steps.values())
        everything = candidates
        repeated = {name for step in steps.values() for name, _ in step.repeats}
        for wanted in (
            lambda step: step.kind != "PALLET",
            lambda step: step.kind == "BOARD",
            lambda step: step.name in repeated,
            lambda step: not step.repeats,
        ):
            candidates = [step for step in candidates if wanted(step)] or candidates
        for step in everything:
            if step in candidates[1:]:
                self.doubts.add(f"step {step.name} is not checked", "name the step that is the board", step.line)
            elif step is not candidates[0]:
                what = f"step {step.name} has copper of its own that is not checked"
                self.remarks.append(Doubt(what, "it is a panel round the board", Place(self.path.name, step.line)))
        return candidates[0]

    def _doubt_repeats(self, chosen: RawStep) -> None:
        for name, line in chosen.repeats:
            self.doubts.add(
                f"step {chosen.name} repeats step {name}, which is not drawn", "name the step that is the board", line
            )
        if chosen.zones:
            self.doubts.add(f"step {chosen.name} has zones of other stackups", "one stackup is taken", chosen.line)

    def _plan(self, step: RawStep) -> LayerPlan:
        document = self.document
        plan = plan_layers(
            list(document.layers.values()),
            self._stackup(step),
            document.permittivity,
            document.dictionaries.cad_unit,
            self.hints,
            self.doubts,
        )
        if not plan.layers:
            raise BoardError("declares no copper layer, export layout data", Place(self.path.name))
        return plan

    def _stackup(self, step: RawStep) -> RawStackup | None:
        stackups = self.document.stackups
        for stackup in stackups:
            if step.stackup and stackup.name == step.stackup:
                return stackup
        if step.stackup and stackups:
            self.doubts.add(f"no stackup {step.stackup}", "the first one is taken", step.line)
        elif len(stackups) > 1:
            self.doubts.add("several stackups", "the first one is taken", stackups[1].line)
        return stackups[0] if stackups else None

    def _doubt_layers(self, plan: LayerPlan, step: int) -> None:
        """Doubts about layers that draw and are not read, and about copper layers that draw nothing."""
        mine = self.sets.step == step
        drawn = np.unique(self.sets.layer[mine & (self.sets.layer >= 0)])
        known = COPPER | DRILLED | ROUTED | EDGE_LINES | PLATED_EDGES | NO_COPPER
        for number in drawn.tolist():
            name = self.layer_names[number]
            raw = self.document.layers.get(name)
            line = int(self.sets.line[mine & (self.sets.layer == number)][0])
            if raw is None:
                if name not in plan.places:
                    self.doubts.add(f"features on {name}, which is not declared", "they are left out", line)
            elif raw.function in CUT_IN_PART:
                self.doubts.add(f"layer {name} cuts the board in part ({raw.function})", "it is not read", line)
            elif raw.function not in known:
                self.doubts.add(f"layer {name} has function {raw.function or 'missing'}", PERHAPS_COPPER, line)
        groups = owners_of(self.document.copper).group
        there = set(self.sets.layer[groups[mine[groups]]].tolist())
        for layer in plan.layers:
            number = self.document.tables.layers.get(layer.name, -1)
            if number not in there:
                line = self.document.layers[layer.name].line
                self.doubts.add(f"copper layer {layer.name} has no features", "its copper is missing", line)

    # ---- copper ------------------------------------------------------------------------------------------------

    def _drawn(self, plan: LayerPlan, step: int) -> _Copper:
        """Which drawn objects are copper: those of LayerFeatures, else those of padstacks and routes."""
        owners = owners_of(self.document.copper)
        of_layer = np.full(len(self.layer_names) + 1, -1, dtype=np.int32)
        for name, index in plan.copper.items():
            if name in self.document.tables.layers:
                of_layer[self.document.tables.layers[name]] = index
        group = owners.group
        layer = of_layer[self.sets.layer[group]]
        mine = (self.sets.step[group] == step) & (layer >= 0)
        features = mine & (self.sets.origin[group] == FROM_FEATURES)
        design = mine & (self.sets.origin[group] == FROM_PADSTACKS) & ~np.isin(layer, np.unique(layer[features]))
        for index in np.unique(layer[design]).tolist():
            row = int(np.flatnonzero(design & (layer == index))[0])
            self.doubts.add(
                f"copper layer {plan.layers[index].name} is drawn by padstacks and routes only",
                "they are design data, given for reference; export layer features",
                int(owners.line[row]),
            )
        places = anchors(self.document.copper, self.document.dictionaries)
        flashed = np.zeros(len(owners), dtype=np.bool_)
        flashed[self.document.copper.flashes.ints[:, 1]] = True
        of_pads = np.array([usage in PAD_USAGES for usage in self.document.usages], dtype=np.bool_)
        pad = owners.pad | (flashed & of_pads[self.sets.usage[group]]) if len(group) else owners.pad
        return _Copper(owners, features | design, places, pad, layer, np.empty(0, dtype=np.int32))

    def _functions(self, drawn: _Copper, plated: Floats) -> Ints:
        """Function of each drawn object, in the words of Gerber's .AperFunction; shape (owners,)."""
        index = {name: i for i, name in enumerate(FUNCTIONS)}
        owners, group = drawn.owners, drawn.owners.group
        in_hole = nearest(drawn.places, plated) >= 0
        plain = np.where(owners.pin >= 0, np.where(in_hole, index["ComponentPad"], index["SMDPad"]), index["OtherPad"])
        plain = np.where(owners.kind == FIDUCIAL, index["FiducialPad"], plain)
        out = np.where(drawn.pad, plain, index["Conductor"]).astype(np.int32)
        by_usage = np.array([index.get(USAGES.get(str(u), ""), -1) for u in self.document.usages] or [-1])
        by_geometry = np.array([index.get(GEOMETRIES.get(str(u), ""), -1) for u in self.document.usages] or [-1])
        termination = self.document.usages.get("TERMINATION", -1)
        lands = drawn.pad & (self.sets.usage[group] == termination)
        out[lands] = np.where(in_hole, index["ComponentPad"], index["SMDPad"])[lands]
        for table, column in ((by_usage, self.sets.usage), (by_geometry, self.sets.geometry)):
            said = table[column[group]]
            out = np.where(said >= 0, said, out)
        return out.astype(np.int32)

    def _copper(
        self, resolver: Resolver, plan: LayerPlan, drawn: _Copper, functions: Ints, profile: shapely.Geometry | None
    ) -> Conductors:
        """Copper of all layers, clear objects applied."""
        dark = ~self.sets.negative[drawn.owners.group]
        negative = np.array(plan.negative, dtype=np.bool_)
        grow = dark != negative[drawn.layer]
        parts = resolver.parts(self.document.copper, drawn.keep, grow)
        objects = self._labelled(parts, drawn, functions)
        is_dark = parts.dark & dark[parts.owner]
        out: list[Conductors] = []
        for index, layer in enumerate(plan.layers):
            rows = np.flatnonzero(objects.layer == index)
            if plan.negative[index] and profile is None:
                self.doubts.add(f"negative layer {layer.name} without a profile", "its copper has no edge; left out")
                continue
            if rows.size or plan.negative[index]:
                image = Image(objects.take(rows), is_dark[rows])
                part = compose(image, profile=profile, negative=plan.negative[index])
                out.append(replace(part, layer=np.full(len(part), index, dtype=np.int32)))
        return concatenate(out) if out else conductors()

    def _labelled(self, parts: Parts, drawn: _Copper, functions: Ints) -> Conductors:
        """Objects with layer, net, part, pin, function and line."""
        owner, owners = parts.owner, drawn.owners
        component = np.where(owners.component >= 0, owners.component, self.sets.component[owners.group])
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
            Doubt(f"a dictionary in {unit}, board data in {cad}", "converted", Place(self.path.name, line))
            for unit, line in self.document.dictionary_units.items()
            if unit != cad
        ]

    def _shorts(self, step: int) -> Sequence[Doubt]:
        return [
            Doubt(f"the file wants nets {', '.join(names)} joined", "NetShort", Place(self.path.name, line))
            for group, names, line in self.document.shorts
            if self.sets.step[group] == step
        ]


def _digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
