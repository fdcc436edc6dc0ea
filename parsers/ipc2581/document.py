"""The whole file as raw tables: one pass, handlers by element name, nothing interpreted yet.

Read are the dictionaries, CadHeader, Layer, Stackup and, per Step, pad stacks, routes, profile, repeats, packages,
parts, nets and layer features. Left out, because it can hold no copper of the finished board: bill of material,
approved vendors, logistics, history, colours, fonts, land patterns and drawings of packages (design data that
LayerFeature repeats), models, design-for-test data.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from parsers.ipc2581.dictionaries import LOOSE_UNITS, UNITS, Dictionaries, Entry
from parsers.ipc2581.doubting import Doubts
from parsers.ipc2581.features import LARGEST, PRIMITIVES, Pen, number, path_of, truth
from parsers.ipc2581.layers import (
    COPPER,
    NO_COPPER,
    RawLayer,
    RawStackLayer,
    RawStackup,
)
from parsers.ipc2581.sketch import FIDUCIAL, NOTHING, Index, Sketch, Tables
from parsers.ipc2581.stream import Element, Limits, Names, Source, drop_before, elements, line_at, words

PLATED_STATES = {"PLATED": 1, "VIA": 1, "VIA_CAPPED": 1, "NONPLATED": 0}
DRAIN = 256  # objects of a Set that are kept in memory before they are read
FIDUCIALS = frozenset({"BadBoardMark", "GlobalFiducial", "GoodPanelMark", "LocalFiducial"})
HOLE, SET = 8, 9  # numbers per row
FROM_FEATURES, FROM_PADSTACKS = 0, 1  # where a Set comes from: LayerFeature, or design data that repeats it
ABSENT, EMPTY = -1, -2  # net of a Set: no attribute, empty attribute
SQUARE_HOLE = 1
DRAWN = frozenset({"Pad", "Features", "Hole", "Slot", "SlotCavity"}) | FIDUCIALS
IGNORED_IN_SET = frozenset(
    {"NonstandardAttribute", "SpecRef", "ColorRef", "Color", "ColorTerm", "BooleanAttribute", "TextAttribute"}
    | {"IntegerAttribute", "DoubleAttribute", "OptionAttribute"}
)
IN_STEP = words(
    "Datum Profile StepRepeat Package Component LogicalNet PhyNetGroup LayerFeature PadStack PadStackDef Route"
    " NonstandardAttribute BendArea StackupZone Port Model Dfx DfxMeasurementList VplPackage VplComponent"
    " BooleanAttribute TextAttribute IntegerAttribute DoubleAttribute OptionAttribute"
)
CLEARED = ("BomItem", "AvlItem", "EntryFirmware", "EntryFont", "EntryColor", "ChangeRec", "Dfx", "DfxMeasurementList")


@dataclass(slots=True)
class RawStep:
    """What a Step element holds besides its copper."""

    name: str
    kind: str = ""
    line: int = 0
    stackup: str | None = None
    profile: Entry | None = None
    repeats: list[tuple[str, int]] = field(default_factory=list)  # step repeated, line
    zones: int = 0


@dataclass(frozen=True, slots=True)
class RawPart:
    """A Component element."""

    step: int
    refdes: str
    package: str
    layer: str
    place: int
    line: int


@dataclass(frozen=True, slots=True)
class RawPin:
    """A Pin of a Package."""

    number: str
    name: str
    place: int
    mechanical: bool


@dataclass(slots=True)
class Document:
    """Raw tables of the whole file."""

    doubts: Doubts
    tables: Tables = field(default_factory=Tables)
    dictionaries: Dictionaries = field(init=False)
    unit: str = ""
    revision: str = ""
    title: str = ""
    layers: dict[str, RawLayer] = field(default_factory=dict)
    stackups: list[RawStackup] = field(default_factory=list)
    permittivity: dict[str, float] = field(default_factory=dict)
    steps: dict[str, RawStep] = field(default_factory=dict)
    copper: Sketch = field(default_factory=Sketch)
    openings: Sketch = field(default_factory=Sketch)  # slots and cavities; the kind of an owner is its plating
    frames: Sketch = field(default_factory=Sketch)  # places of parts and pins
    sets: array[int] = field(default_factory=lambda: array("q"))
    # step, layer, net, negative, pad usage, geometry usage, component, line, origin
    usages: Index = field(default_factory=Index)
    holes: array[float] = field(default_factory=lambda: array("d"))  # x, y, diameter, plating, set, line, square, via
    spans: dict[int, tuple[str | None, str | None]] = field(default_factory=dict)  # set of a PadStack -> its hole's
    pin_nets: list[tuple[int, int, int, int, int]] = field(default_factory=list)  # step, net, component, pin, line
    points: list[tuple[int, int, int, float, float]] = field(default_factory=list)  # step, net, layer, x, y
    parts: list[RawPart] = field(default_factory=list)
    packages: dict[tuple[int, str], list[RawPin]] = field(default_factory=dict)
    drilled_padstacks: set[str] = field(default_factory=set)
    shorts: list[tuple[int, tuple[str, ...], int]] = field(default_factory=list)  # step, nets, line
    edge_plating: int = 0  # line of a specification of edge plating

    def __post_init__(self) -> None:
        self.dictionaries = Dictionaries(self.tables)


def read_document(path: Path, doubts: Doubts, limits: Limits | None = None) -> Document:
    """Read a file into raw tables.

    Raises
    ------
    FormatError : see `stream.elements`
    """
    reader = _Reader(Document(doubts))
    for element, source in elements(path, (*HANDLERS, *DRAWN, "Set"), limits):
        reader.take(element, source)
    reader.document.dictionaries.cad_unit = reader.unit()
    return reader.document


class _Reader:
    """Takes complete elements, fills the document and empties the elements."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.names = Names()
        self.pen = self._pen(document.copper, document.doubts)
        self.opening = self._pen(document.openings, document.doubts)
        self.opening.opening = True
        self.frame = self._pen(document.frames, document.doubts)
        self._waiting = 0  # objects of the open Set that have not been read
        self._done: Element | None = None  # last object of the open Set that has been read
        self._group = NOTHING  # row of the open Set
        self._rooted = False

    def _pen(self, sketch: Sketch, doubts: Doubts) -> Pen:
        return Pen(sketch, self.document.tables, self.names, doubts)

    def take(self, element: Element, source: Source) -> None:
        """Read one complete element."""
        if not self._rooted:
            self._look_at_root(element)
        name = self.names[element.tag]
        if name in DRAWN:
            group = element.getparent()
            if group is None or self.names[group.tag] != "Set":
                return  # the Pad of a land pattern: goes with its package
            self._waiting += 1
            if self._waiting < DRAIN:
                return
            self._drain(group, element)
        elif name == "Set":
            self._drain(element, None)
            self._end_set(element)
        elif (handler := HANDLERS.get(name)) is not None:
            self._handle(handler, element)
            if name in KEPT:
                return
            element.clear()
            self._drop_before(element)
        source.release()

    def _drop_before(self, element: Element) -> None:
        """Free what stands before an element; unknown neighbours are told where they might hold copper."""
        parent = element.getparent()
        known = None if parent is None else KNOWN.get(self.names[parent.tag])
        for strange in drop_before(element, known, self.names):
            self.pen.doubt(
                element,
                f"{self.names[strange.tag]} beside {self.names[element.tag]}",
                "it is not known and may hold copper",
            )

    def _handle(self, handler: Callable[[_Reader, Element], None], element: Element) -> None:
        try:
            handler(self, element)
        except (ValueError, TypeError, OverflowError) as error:
            self.unreadable(element, error)

    def unreadable(self, element: Element, error: Exception) -> None:
        """A doubt about an element with a value that makes no sense."""
        what = f"a {self.names[element.tag]} that cannot be read"
        self.document.doubts.add(
            what, f"{error}; it is left out, export the board again", line_at(element), path_of(element, self.names)
        )

    def _look_at_root(self, element: Element) -> None:
        root = element.getroottree().getroot()
        self.names.spaces.add(root.tag.rpartition("}")[0].lstrip("{"))
        self.document.revision = root.get("revision") or ""
        self._rooted = True

    def unit(self) -> float:
        """Length of one unit of the CAD data in mm."""
        name = self.document.unit
        if name in UNITS:
            return UNITS[name]
        if name in LOOSE_UNITS:
            self.document.doubts.add(f"CadHeader has units {name!r}", "the standard spells it otherwise; compare sizes")
            return LOOSE_UNITS[name]
        self.document.doubts.add(f"CadHeader has units {name!r}", "MILLIMETER is taken; every distance may be wrong")
        return 1.0

    # ---- sets --------------------------------------------------------------------------------------------------

    def _drain(self, group: Element, last: Element | None) -> None:
        """Read the objects of a Set up to `last` (all if None) and remove them."""
        if self._group == NOTHING:
            self._group = self._begin_set(group)
        row = self._group
        reads = row != NOTHING
        for child in group:
            if child is self._done:
                continue
            if reads:
                self._draw(child, row)
            if child is last:
                break
        self._waiting = 0
        if last is not None:
            last.clear()
            drop_before(last, None, self.names)
            self._done = last

    def _begin_set(self, group: Element) -> int:
        """Row of a Set, or NOTHING if its layer is known to be no concern."""
        above = group.getparent()
        while above is not None and self.names[above.tag] not in ("LayerFeature", "IPC-2581"):
            above = above.getparent()
        layer = above.get("layerRef") if above is not None else None
        self.pen.override = NOTHING
        if layer is None:
            self.pen.doubt(group, "a Set outside a LayerFeature", "its layer is not known, its copper is left out")
            return NOTHING
        raw = self.document.layers.get(layer)
        if raw is not None and raw.function in NO_COPPER:
            return NOTHING
        route = above.getparent() if above is not None else None
        in_route = route is not None and self.names[route.tag] == "Route"
        net = group.get("net")
        if net is None and in_route and route is not None:
            net = route.get("net")
        self.pen.layer = self.document.tables.layers[layer]
        return self._add_set(group, self.pen.layer, net, FROM_PADSTACKS if in_route else FROM_FEATURES)

    def _add_set(self, group: Element, layer: int, net: str | None, origin: int) -> int:
        document = self.document
        get = group.get
        part = get("componentRef")
        usage = "TESTPOINT" if truth(get("testPoint")) else (get("padUsage") or "").upper()
        document.sets.extend(
            (
                document.tables.steps[self._step_name(group)],
                layer,
                ABSENT if net is None else EMPTY if not net.strip() else document.tables.nets[net],
                int((get("polarity") or "").upper() == "NEGATIVE"),
                document.usages[usage],
                document.usages[(get("geometryUsage") or "").upper()],
                NOTHING if part is None else document.tables.components[part],
                line_at(group),
                origin,
            )
        )
        return len(document.sets) // SET - 1

    def _step_name(self, element: Element) -> str:
        node: Element | None = element
        while node is not None and self.names[node.tag] != "Step":
            node = node.getparent()
        return "" if node is None else node.get("name") or ""

    def _draw(self, child: Element, row: int) -> None:
        name = self.names[child.tag]
        try:
            if name in SET_CHILDREN:
                SET_CHILDREN[name](self, child, row)
            elif name in LOOSE_SHAPES:
                self.pen.doubt(child, f"a {name} outside Features", "no revision has it; it is drawn as it stands")
                owner = self.pen.sketch.owner(row, line_at(child))
                self.pen.draw(child, owner, NOTHING)
            elif name not in IGNORED_IN_SET:
                self.pen.doubt(child, f"{name} inside a Set", "it is not known and may draw or remove copper")
        except (ValueError, TypeError, OverflowError) as error:
            self.unreadable(child, error)

    def _end_set(self, group: Element) -> None:
        self._group, self._done = NOTHING, None
        group.clear()
        self._drop_before(group)

    def _set_component(self, row: int) -> int:
        return self.document.sets[row * SET + 6]

    def _pad(self, element: Element, row: int) -> None:
        self.pen.pad(element, row, self._set_component(row))

    def _fiducial(self, element: Element, row: int) -> None:
        self.pen.pad(element, row, self._set_component(row), FIDUCIAL)

    def _features(self, element: Element, row: int) -> None:
        self.pen.features(element, row)

    def _override(self, element: Element, row: int) -> None:
        self.pen.override = self.pen.line_of(element)

    def _hole(self, element: Element, row: int) -> None:
        x, y = number(element, "x"), number(element, "y")
        for child in element:
            if self.names[child.tag] == "Xform" and (child.get("xOffset") or child.get("yOffset")):
                self.pen.doubt(child, "a hole with an offset", "its meaning is open; it is left out")
        self._add_hole(element, row, x, y)

    def _add_hole(self, element: Element, row: int, x: float, y: float) -> None:
        status = (element.get("platingStatus") or "").upper()
        plating = PLATED_STATES.get(status, -1)
        if plating < 0:
            self.pen.doubt(element, "a hole without a known plating status", "whether it joins layers is not known")
        square = int((element.get("type") or "").upper() == "SQUARE")
        diameter = number(element, "diameter")
        via = float(status.startswith("VIA"))
        self.document.holes.extend((x, y, diameter, plating, row, line_at(element), square, via))

    def _slot(self, element: Element, row: int) -> None:
        status = (element.get("platingStatus") or "").upper()
        plating = PLATED_STATES.get(status, -1)
        if plating < 0:
            self.pen.doubt(element, "a slot without a known plating status", "whether it joins layers is not known")
        self.opening.slot(element, row, plating)

    def _net_short(self, element: Element, row: int) -> None:
        names = tuple(c.get("name") or "" for c in element if self.names[c.tag] == "NetRef")
        self.document.shorts.append((self.document.sets[row * SET], names, line_at(element)))

    # ---- dictionaries ------------------------------------------------------------------------------------------

    def _dictionary_unit(self, element: Element) -> str:
        parent = element.getparent()
        unit = "" if parent is None else parent.get("units") or ""
        if unit and unit not in UNITS:
            self.pen.doubt(element, f"a dictionary with units {unit!r}", "no unit of the standard; compare sizes")
        return unit

    def _line_entry(self, element: Element) -> None:
        unit = self._dictionary_unit(element)
        for child in element:
            if self.names[child.tag] == "LineDesc":
                get = child.get
                self.document.dictionaries.lines[element.get("id") or ""] = (
                    unit,
                    get("lineEnd"),
                    get("lineWidth"),
                    get("lineProperty"),
                )

    def _fill_entry(self, element: Element) -> None:
        for child in element:
            if self.names[child.tag] == "FillDesc":
                self.document.dictionaries.fills[element.get("id") or ""] = child.get("fillProperty") or ""

    def _standard_entry(self, element: Element) -> None:
        self._shape_entry(element, self.document.dictionaries.standard)

    def _user_entry(self, element: Element) -> None:
        self._shape_entry(element, self.document.dictionaries.user)

    def _shape_entry(self, element: Element, entries: dict[str, Entry]) -> None:
        name = element.get("id") or ""
        doubts = Doubts(self.document.doubts.file)
        pen = self._pen(Sketch(self._dictionary_unit(element)), doubts)
        owner = pen.sketch.owner(NOTHING, line_at(element))
        if name in entries:
            pen.doubt(element, f"two entries {name} in a dictionary", "the last one is taken")
        entries[name] = Entry(pen.sketch, doubts)
        for child in element:
            try:
                pen.draw(child, owner, NOTHING)
            except (ValueError, TypeError, OverflowError) as error:
                doubts.add(f"a {self.names[child.tag]} that cannot be read", f"{error}; it is left out", line_at(child))

    # ---- CAD data ----------------------------------------------------------------------------------------------

    def _header(self, element: Element) -> None:
        self.document.unit = (element.get("units") or "").upper()

    def _spec(self, element: Element) -> None:
        name = element.get("name") or ""
        for child in element:
            kind = (child.get("type") or "").upper()
            if self.names[child.tag] == "Dielectric" and kind == "DIELECTRIC_CONSTANT":
                for value in child:
                    if value.get("value") is not None:
                        self.document.permittivity[name] = number(value, "value")
            if self.names[child.tag] == "EdgePlating":
                self.document.edge_plating = line_at(child)

    def _layer(self, element: Element) -> None:
        name, get = element.get("name") or "", element.get
        span = limited = None
        specs = [child.get("id") or "" for child in element if self.names[child.tag] == "SpecRef"]
        for child in element:
            kind = self.names[child.tag]
            if kind == "Span":
                span = child.get("fromLayer"), child.get("toLayer")
            limited = limited or kind == "Profile"
        function = (get("layerFunction") or "").upper()
        if name in self.document.layers:
            self.pen.doubt(element, f"two layers named {name}", "the last one is taken")
        polarity = (get("polarity") or "").upper()
        if polarity not in ("POSITIVE", "NEGATIVE", "") and function in COPPER:
            self.pen.doubt(element, f"layer {name} has polarity {polarity}", "it is taken as POSITIVE")
        if limited and function in COPPER:
            self.pen.doubt(element, f"copper layer {name} has a profile of its own", "it is not read")
        self.document.layers[name] = RawLayer(
            name,
            function,
            (get("side") or "").upper(),
            polarity == "NEGATIVE",
            span,
            line_at(element),
            tuple(specs),
        )

    def _stackup(self, element: Element) -> None:
        stackup = RawStackup(element.get("name") or "", _length(element.get("overallThickness")), line_at(element))
        for group in element:
            if self.names[group.tag] == "StackupGroup":
                rows = [self._stack_layer(row) for row in group if self.names[row.tag] == "StackupLayer"]
                stackup.groups.append((group.get("name") or "", rows))
        self.document.stackups.append(stackup)

    def _stack_layer(self, element: Element) -> RawStackLayer:
        specs = [child.get("id") or "" for child in element if self.names[child.tag] == "SpecRef"]
        return RawStackLayer(
            element.get("layerOrGroupRef") or "",
            _length(element.get("thickness")),
            _length(element.get("sequence")),
            tuple(specs),
        )

    # ---- step --------------------------------------------------------------------------------------------------

    def step(self, element: Element) -> RawStep:
        """The step that an element stands in."""
        node: Element | None = element
        while node is not None and self.names[node.tag] != "Step":
            node = node.getparent()
        name = "" if node is None else node.get("name") or ""
        if name not in self.document.steps:
            _ = self.document.tables.steps[name]
            self.document.steps[name] = RawStep(name)
        step = self.document.steps[name]
        if node is not None and not step.line:
            step.line = line_at(node)
            step.kind, step.stackup = (node.get("type") or "").upper(), node.get("stackupRef")
        return step

    def _step_index(self, element: Element) -> int:
        return self.document.tables.steps[self.step(element).name]

    def _end_step(self, element: Element) -> None:
        self.step(element)
        for child in element:
            if self.names[child.tag] not in IN_STEP:
                self.pen.doubt(child, f"{self.names[child.tag]} inside a Step", "it is not known and may hold copper")

    def _end_layer_feature(self, element: Element) -> None:
        self.step(element)
        for child in element:
            if self.names[child.tag] != "Set":
                self.pen.doubt(child, f"{self.names[child.tag]} beside a Set", "it is not known and may draw copper")

    def _profile(self, element: Element) -> None:
        parent = element.getparent()
        if parent is None or self.names[parent.tag] != "Step":
            return
        step = self.step(element)
        pen = self._pen(Sketch(), Doubts(self.document.doubts.file))
        owner = pen.sketch.owner(NOTHING, line_at(element))
        step.profile = Entry(pen.sketch, pen.doubts)
        try:
            pen.contour(element, owner)
        except (ValueError, TypeError, OverflowError) as error:
            step.profile = None
            self.unreadable(element, error)

    def _datum(self, element: Element) -> None:
        self.step(element)

    def _repeat(self, element: Element) -> None:
        self.step(element).repeats.append((element.get("stepRef") or "", line_at(element)))

    def _zone(self, element: Element) -> None:
        self.step(element).zones += 1

    def _package(self, element: Element) -> None:
        pins: list[RawPin] = []
        for child in element.iter("{*}Pin"):
            get = child.get
            if get("number") is None:
                continue
            parts = {self.names[c.tag]: c for c in child}
            location = parts.get("Location", child if get("x") is not None else None)
            place = self.frame.place(parts.get("Xform"), location, NOTHING)
            mechanical = (get("electricalType") or "").upper() == "MECHANICAL"
            pins.append(RawPin(get("number") or "", get("name") or "", place, mechanical))
        self.document.packages[self._step_index(element), element.get("name") or ""] = pins

    def _component(self, element: Element) -> None:
        get = element.get
        refdes = get("refDes") or get("matDes") or ""
        xform = location = None
        for child in element:
            kind = self.names[child.tag]
            xform = child if kind == "Xform" else xform
            location = child if kind == "Location" else location
        if location is None and xform is not None and xform.get("x") is not None:
            location = xform
        if location is None:
            self.pen.doubt(element, "a component without a Location", f"{refdes} is taken to lie at 0, 0")
        place = self.frame.place(xform, location, NOTHING)
        self.document.parts.append(
            RawPart(
                self._step_index(element),
                refdes,
                get("packageRef") or "",
                get("layerRef") or "",
                place,
                line_at(element),
            )
        )

    def _logical_net(self, element: Element) -> None:
        tables = self.document.tables
        net = tables.nets[element.get("name") or ""]
        step = self._step_index(element)
        for child in element:
            if self.names[child.tag] == "PinRef":
                part, pin = tables.components[child.get("componentRef") or ""], tables.pins[child.get("pin") or ""]
                self.document.pin_nets.append((step, net, part, pin, line_at(child)))

    def _phy_net(self, element: Element) -> None:
        tables = self.document.tables
        net = tables.nets[element.get("name") or ""]
        step = self._step_index(element)
        for child in element:
            if self.names[child.tag] == "PhyNetPoint":
                layer = tables.layers[child.get("layerRef") or ""]
                self.document.points.append((step, net, layer, number(child, "x"), number(child, "y")))

    # ---- padstacks ---------------------------------------------------------------------------------------------

    def _padstack(self, element: Element) -> None:
        """An instance of a padstack (A, B, B1): design data, copper only where no LayerFeature describes the layer."""
        net = element.get("net")
        for child in element:
            name = self.names[child.tag]
            if name == "LayerPad":
                self.pen.layer = self.document.tables.layers[child.get("layerRef") or ""]
                self.pen.override = NOTHING
                row = self._add_set(element, self.pen.layer, net, FROM_PADSTACKS)
                self.pen.pad(child, row, NOTHING)
            elif name == "LayerHole":
                row = self._add_set(element, NOTHING, net, FROM_PADSTACKS)
                self._add_hole(child, row, number(child, "x"), number(child, "y"))
                for span in child:
                    if self.names[span.tag] == "Span":
                        self.document.spans[row] = span.get("fromLayer"), span.get("toLayer")

    def _padstack_definition(self, element: Element) -> None:
        name = element.get("name") or ""
        document = self.document
        document.dictionaries.padstacks.add(name)
        for child in element:
            kind = self.names[child.tag]
            if kind == "PadstackPadDef" and (child.get("padUse") or "REGULAR").upper() == "REGULAR":
                layer = document.tables.layers[child.get("layerRef") or ""]
                pen = self._pen(Sketch(), Doubts(document.doubts.file))
                pen.layer = layer
                pen.pad(child, NOTHING, NOTHING)
                document.dictionaries.lands[name, layer] = Entry(pen.sketch, pen.doubts)
            elif kind == "PadstackHoleDef":
                document.drilled_padstacks.add(name)

    def _clear(self, element: Element) -> None:
        """Nothing to read: the element only leaves memory."""


def _length(text: str | None) -> float | None:
    """An optional number that is not negative."""
    try:
        value = float(text or "nan")
    except ValueError:
        return None
    return value if 0 <= value < LARGEST else None


Handler = Callable[["_Reader", Element], None]
SetHandler = Callable[["_Reader", Element, int], None]
HANDLERS: dict[str, Handler] = {
    "CadHeader": _Reader._header,
    "Spec": _Reader._spec,
    "EntryLineDesc": _Reader._line_entry,
    "EntryFillDesc": _Reader._fill_entry,
    "EntryStandard": _Reader._standard_entry,
    "EntryUser": _Reader._user_entry,
    "Layer": _Reader._layer,
    "Stackup": _Reader._stackup,
    "Step": _Reader._end_step,
    "LayerFeature": _Reader._end_layer_feature,
    "Profile": _Reader._profile,
    "Datum": _Reader._datum,
    "StepRepeat": _Reader._repeat,
    "StackupZone": _Reader._zone,
    "Package": _Reader._package,
    "Component": _Reader._component,
    "LogicalNet": _Reader._logical_net,
    "PhyNet": _Reader._phy_net,
    "PadStack": _Reader._padstack,
    "PadStackDef": _Reader._padstack_definition,
}
HANDLERS.update(dict.fromkeys(CLEARED, _Reader._clear))
KEPT = frozenset({"Spec", "Profile"})  # may stand in a larger element that is read as a whole
SET_CHILDREN: dict[str, SetHandler] = {
    "Pad": _Reader._pad,
    "Features": _Reader._features,
    "Hole": _Reader._hole,
    "Slot": _Reader._slot,
    "SlotCavity": _Reader._slot,
    "LineDesc": _Reader._override,
    "LineDescRef": _Reader._override,
    "NetShort": _Reader._net_short,
}
SET_CHILDREN.update(dict.fromkeys(FIDUCIALS, _Reader._fiducial))
LOOSE_SHAPES = PRIMITIVES | {"Line", "Arc", "Polyline", "Contour", "Outline", "Polygon", "UserSpecial", "Text"}
KNOWN = {"Step": IN_STEP, "LayerFeature": frozenset({"Set"}), "CadData": frozenset({"Layer", "Stackup", "Step"})}
