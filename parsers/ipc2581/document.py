"""The whole file read into raw tables: one pass, handlers by element name.

Read are the dictionaries, CadHeader, Layer, Stackup and, per Step, pad stacks, routes, profile,
repeats, packages, parts, nets and layer features. Left out, because it can hold no copper of the
finished board: bill of material, approved vendors, logistics, history, colours, fonts, land
patterns and drawings of packages (design data that LayerFeature repeats), models, design-for-test
data.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from parsers.assembly.diagnostics import Diagnostics
from parsers.ipc2581.dictionaries import LOOSE_UNITS, UNITS, Entry
from parsers.ipc2581.features import Pen, number
from parsers.ipc2581.layers import (
    COPPER,
    RawLayer,
    RawStackLayer,
    RawStackup,
)
from parsers.ipc2581.raw import FROM_PADSTACKS, Document, RawPart, RawPin, RawStep
from parsers.ipc2581.sets import TEXT, SetReader
from parsers.ipc2581.sketch import LARGEST, NOTHING, Sketch
from parsers.ipc2581.stream import (
    Element,
    Limits,
    Names,
    Source,
    drop_before,
    elements,
    line_at,
    words,
)

IN_STEP = words(
    "Datum Profile StepRepeat Package Component LogicalNet PhyNetGroup LayerFeature PadStack"
    " PadStackDef Route NonstandardAttribute BendArea StackupZone Port Model Dfx DfxMeasurementList"
    " VplPackage VplComponent BooleanAttribute TextAttribute IntegerAttribute DoubleAttribute"
    " OptionAttribute"
)
IN_NET = words(
    "PinRef PortRef NonstandardAttribute TextAttribute BooleanAttribute IntegerAttribute"
    " DoubleAttribute"
)
CLEARED = (
    "BomItem",
    "AvlItem",
    "EntryFirmware",
    "EntryFont",
    "EntryColor",
    "ChangeRec",
    "Dfx",
    "DfxMeasurementList",
)


def read_document(path: Path, doubts: Diagnostics, limits: Limits | None = None) -> Document:
    """Read a file into raw tables.

    Raises
    ------
    FormatError : see `stream.elements`
    """
    reader = _Reader(Document(doubts))
    source = Source(path, limits or Limits(), reader.sets.between)
    for event, element in elements(source, (*HANDLERS, "Set")):
        reader.take(event, element)
        if event == "end":
            source.release()
    reader.document.dictionaries.cad_unit = reader.unit()
    return reader.document


class _Reader:
    """Takes elements, fills the document and empties the elements."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.names = Names()
        self.sets = SetReader(document, self.names)
        self.pen = self.sets.pen
        self.frame = self._pen(document.frames, document.doubts)
        self._rooted = False

    def _pen(self, sketch: Sketch, doubts: Diagnostics) -> Pen:
        return Pen(sketch, self.document.tables, self.names, doubts)

    def take(self, event: str, element: Element) -> None:
        """Read an element that has begun (Sets only) or is complete."""
        if not self._rooted:
            self._look_at_root(element)
        name = self.names[element.tag]
        if event == "start":
            if name == "Set":
                self.sets.begin(element)
        elif name == "Set":
            self.sets.end(element)
            self._drop_before(element)
        elif (handler := HANDLERS.get(name)) is not None:
            if name not in CLEARED:
                self.sets.look_for_text(element)
            self._handle(handler, element)
            if name not in KEPT:
                element.clear()
                self._drop_before(element)

    def _drop_before(self, element: Element) -> None:
        """Free what stands before an element; unknown neighbours are told where they might hold
        copper.
        """
        parent = element.getparent()
        known = None if parent is None else KNOWN.get(self.names[parent.tag])
        for strange in drop_before(element, known, self.names):
            if strange is element:
                self.pen.doubt(element, f"text before {self.names[element.tag]}", TEXT)
                continue
            self.pen.doubt(
                element,
                f"{self.names[strange.tag]} beside {self.names[element.tag]}",
                "it is not known and may hold copper",
            )

    def _handle(self, handler: Callable[[_Reader, Element], None], element: Element) -> None:
        try:
            handler(self, element)
        except (ValueError, TypeError, OverflowError) as error:
            self.sets.unreadable(element, error)

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
            self.document.doubts.add(
                f"CadHeader has units {name!r}", "the standard spells it otherwise; compare sizes"
            )
            return LOOSE_UNITS[name]
        self.document.doubts.add(
            f"CadHeader has units {name!r}", "MILLIMETER is taken; every distance may be wrong"
        )
        return 1.0

    # ---- dictionaries ------------------------------------------------------------------------------------------

    def _dictionary_unit(self, element: Element) -> str:
        parent = element.getparent()
        unit = "" if parent is None else parent.get("units") or ""
        unit = unit.upper()
        if unit:
            self.document.dictionary_units.setdefault(unit, line_at(element))
        if unit and unit not in UNITS:
            self.pen.doubt(
                element,
                f"a dictionary with units {unit!r}",
                "no unit of the standard; compare sizes",
            )
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
                self.document.dictionaries.fills[element.get("id") or ""] = (
                    child.get("fillProperty") or ""
                )

    def _standard_entry(self, element: Element) -> None:
        self._shape_entry(element, self.document.dictionaries.standard)

    def _user_entry(self, element: Element) -> None:
        self._shape_entry(element, self.document.dictionaries.user)

    def _shape_entry(self, element: Element, entries: dict[str, Entry]) -> None:
        name = element.get("id") or ""
        doubts = Diagnostics(self.document.doubts.file)
        pen = self._pen(Sketch(self._dictionary_unit(element)), doubts)
        owner = pen.sketch.owner(NOTHING, line_at(element))
        if name in entries:
            pen.doubt(element, f"two entries {name} in a dictionary", "the last one is taken")
        entries[name] = Entry(pen.sketch, doubts)
        if not len(element):
            doubts.add(
                f"entry {name} of a dictionary is empty",
                "what it should draw is missing",
                line_at(element),
            )
        for child in element:
            if self.names[child.tag].endswith("Ref"):
                pen.doubt(
                    child,
                    "a dictionary entry that refers to another",
                    "no revision has it; compare the shape",
                )
            try:
                pen.draw(child, owner, NOTHING)
            except (ValueError, TypeError, OverflowError) as error:
                doubts.add(
                    f"a {self.names[child.tag]} that cannot be read",
                    f"{error}; it is left out",
                    line_at(child),
                )

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
            self.pen.doubt(
                element, f"layer {name} has polarity {polarity}", "it is taken as POSITIVE"
            )
        if limited and function in COPPER:
            self.pen.doubt(
                element, f"copper layer {name} has a profile of its own", "it is not read"
            )
        self.document.layers[name] = RawLayer(
            name,
            function,
            (get("side") or "").upper(),
            polarity == "NEGATIVE",
            span,
            line_at(element),
            tuple(specs),
            polarity != "",
        )

    def _stackup(self, element: Element) -> None:
        whole = self._thickness(element, "overallThickness")
        if whole == 0:
            self.pen.doubt(
                element, "an overallThickness of 0", "it is taken as not stated; mend the stackup"
            )
        stackup = RawStackup(element.get("name") or "", whole, line_at(element))
        for group in element:
            if self.names[group.tag] == "StackupGroup":
                rows = [
                    self._stack_layer(row) for row in group if self.names[row.tag] == "StackupLayer"
                ]
                stackup.groups.append((group.get("name") or "", rows))
        self.document.stackups.append(stackup)

    def _thickness(self, element: Element, name: str) -> float | None:
        """A thickness; one that is no thickness is a doubt."""
        text = element.get(name)
        value = _length(text)
        if text is not None and value is None:
            self.pen.doubt(
                element, f"{name} is {text[:40]}", "it is no thickness; mend the stackup"
            )
        return value

    def _stack_layer(self, element: Element) -> RawStackLayer:
        specs = [child.get("id") or "" for child in element if self.names[child.tag] == "SpecRef"]
        return RawStackLayer(
            element.get("layerOrGroupRef") or "",
            self._thickness(element, "thickness"),
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
        step = self.step(element)
        if step.complete:
            self.pen.doubt(
                element, f"two steps named {step.name}", "they are read as one; rename one"
            )
        step.complete = True
        for child in element:
            if self.names[child.tag] not in IN_STEP:
                self.pen.doubt(
                    child,
                    f"{self.names[child.tag]} inside a Step",
                    "it is not known and may hold copper",
                )

    def _end_layer_feature(self, element: Element) -> None:
        self.step(element)
        for child in element:
            if self.names[child.tag] != "Set":
                self.pen.doubt(
                    child,
                    f"{self.names[child.tag]} beside a Set",
                    "it is not known and may draw copper",
                )

    def _profile(self, element: Element) -> None:
        parent = element.getparent()
        if parent is None or self.names[parent.tag] != "Step":
            return
        step = self.step(element)
        pen = self._pen(Sketch(), Diagnostics(self.document.doubts.file))
        owner = pen.sketch.owner(NOTHING, line_at(element))
        step.profile = Entry(pen.sketch, pen.doubts)
        try:
            pen.contour(element, owner)
        except (ValueError, TypeError, OverflowError) as error:
            step.profile = None
            self.sets.unreadable(element, error)

    def _datum(self, element: Element) -> None:
        self.step(element)

    def _repeat(self, element: Element) -> None:
        self.step(element).repeats.append((element.get("stepRef") or "", line_at(element)))

    def _zone(self, element: Element) -> None:
        self.step(element).zones += 1

    def _wire(self, element: Element) -> None:
        self.pen.doubt(
            element, "a bond wire", "it conducts above the board and is not read; check it by hand"
        )

    def _package(self, element: Element) -> None:
        pins: list[RawPin] = []
        for child in element.iter("{*}Pin"):
            get = child.get
            if get("number") is None:
                continue
            self._check_package_pin(child)
            parts = {self.names[c.tag]: c for c in child}
            location = parts.get("Location", child if get("x") is not None else None)
            place = self.frame.place(parts.get("Xform"), location, NOTHING)
            mechanical = (get("electricalType") or "").upper() == "MECHANICAL"
            _ = self.document.tables.pins[get("number") or ""]
            pins.append(RawPin(get("number") or "", get("name") or "", place, mechanical))
        self.document.packages[self._step_index(element), element.get("name") or ""] = pins

    def _check_package_pin(self, element: Element) -> None:
        if not element.get("number"):
            self.pen.doubt(
                element, "a pin without a number", "its pad cannot be told; export the board again"
            )
        if any(self.names[child.tag] == "PinRef" for child in element):
            self.pen.doubt(
                element,
                "a PinRef in the pin of a package",
                "it belongs to a pad; export the board again",
            )

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
        if not refdes:
            self.pen.doubt(
                element,
                "a component without a refDes",
                "its pins are joined to no part; export it again",
            )
        if location is None:
            self.pen.doubt(
                element, "a component without a Location", f"{refdes} is taken to lie at 0, 0"
            )
        place = self.frame.place(xform, location, NOTHING)
        _ = self.document.tables.components[refdes]
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
        net = self.document.net(element.get("name") or "", line_at(element))
        self.document.declared.add(net)
        step = self._step_index(element)
        for child in element:
            kind = self.names[child.tag]
            if kind and kind not in IN_NET:
                self.pen.doubt(
                    child,
                    f"{kind} in a LogicalNet",
                    "it is not known; a pin may be missing from the net",
                )
            if kind == "PinRef":
                self.pen.check_pin(child)
                part, pin = (
                    tables.components[child.get("componentRef") or ""],
                    tables.pins[child.get("pin") or ""],
                )
                self.document.pin_nets.append((step, net, part, pin, line_at(child)))

    def _phy_net(self, element: Element) -> None:
        tables = self.document.tables
        net = self.document.net(element.get("name") or "", line_at(element))
        self.document.declared.add(net)
        step = self._step_index(element)
        for child in element:
            if self.names[child.tag] == "PhyNetPoint":
                layer = tables.layers[child.get("layerRef") or ""]
                self.document.points.append(
                    (step, net, layer, number(child, "x"), number(child, "y"))
                )

    # ---- padstacks ---------------------------------------------------------------------------------------------

    def _padstack(self, element: Element) -> None:
        """An instance of a padstack (A, B, B1): design data, copper only where no LayerFeature
        describes the layer.
        """
        net = element.get("net")
        for child in element:
            name = self.names[child.tag]
            if name == "LayerPad":
                self.pen.layer = self.document.tables.layers[child.get("layerRef") or ""]
                self.pen.override = NOTHING
                row = self.sets.add_row(element, self.pen.layer, net, FROM_PADSTACKS)
                self.pen.pad(child, row, NOTHING)
            elif name == "LayerHole":
                row = self.sets.add_row(element, NOTHING, net, FROM_PADSTACKS)
                self.sets.add_hole(child, row, number(child, "x"), number(child, "y"))
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
                pen = self._pen(Sketch(), Diagnostics(document.doubts.file))
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
    "WireBond": _Reader._wire,
    "Package": _Reader._package,
    "Component": _Reader._component,
    "LogicalNet": _Reader._logical_net,
    "PhyNet": _Reader._phy_net,
    "PadStack": _Reader._padstack,
    "PadStackDef": _Reader._padstack_definition,
}
HANDLERS.update(dict.fromkeys(CLEARED, _Reader._clear))
KEPT = frozenset({"Spec", "Profile"})  # may stand in a larger element that is read as a whole
KNOWN = {
    "Step": IN_STEP,
    "LayerFeature": frozenset({"Set"}),
    "CadData": frozenset({"Layer", "Stackup", "Step"}),
}
