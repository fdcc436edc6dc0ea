"""Writes a sketch as an IPC-2581 file, revision C or B1, valid by the published schema of that
revision.

Copper stands in LayerFeature/Set with its net; pads refer to dictionary shapes and name their pin;
parts have packages with pins; holes and slots stand on a drill layer per span. The two dates that
the schema demands are a constant, so the same sketch gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path

from lxml import etree

from checker.demo.sketch import (
    COPPER,
    NOT_CONNECTED,
    OVAL,
    RECTANGLE,
    XY,
    Contour,
    Draw,
    Hole,
    Pad,
    Part,
    Pour,
    Sketch,
    Step,
    legs,
)

NAMESPACE = "http://webstds.ipc.org/2581"
REVISIONS = ("C", "B1")
MILLIMETRE, INCH = "MILLIMETER", "INCH"
PERMITTIVITY = 4.5  # of the laminate that every sketch is made of
_FACTOR = {MILLIMETRE: 1.0, INCH: 25.4}
# demanded by the schema; a real one would make the bytes differ from run to run
_DATE = "2000-01-01T00:00:00Z"


def write_ipc2581(
    sketch: Sketch, path: Path, revision: str = "C", *, unit: str = MILLIMETRE
) -> Path:
    """Write the file; see `ipc2581_text`."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(ipc2581_text(sketch, revision, unit=unit))
    return path


def ipc2581_text(sketch: Sketch, revision: str = "C", *, unit: str = MILLIMETRE) -> bytes:
    """The whole file, UTF-8."""
    if revision not in REVISIONS:
        raise ValueError(f"revision {revision} is not written; one of {', '.join(REVISIONS)} is")
    plan = _Plan(sketch, revision, unit)
    ecad = _ecad(plan)  # fills the plan's dictionary of shapes, which stands before it in the file
    # names below have no namespace of their own: on paper they stand in the default one of the root
    root = etree.Element("IPC-2581", {"revision": revision}, nsmap={None: NAMESPACE})  # type: ignore[dict-item]
    root.append(_content(plan))
    root.extend(_history(plan))
    root.extend(_part_list(plan, ecad))
    root.append(ecad)
    etree.indent(root, " ")
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8") + b"\n"


@dataclass(slots=True)
class _Plan:
    """What the parts of the file must agree on: unit, names of layers, dictionary of shapes."""

    sketch: Sketch
    revision: str
    unit: str
    shapes: dict[tuple[str, float, float], str] = field(default_factory=dict)

    @property
    def step(self) -> str:
        return self.sketch.title.replace(" ", "-")

    def layer(self, layer: str) -> str:
        number = int(layer[1:])
        return {1: "TOP", self.sketch.layers: "BOTTOM"}.get(number, f"INNER{number}")

    def copper(self) -> list[str]:
        return [self.layer(f"L{n}") for n in range(1, self.sketch.layers + 1)]

    def dielectrics(self) -> list[str]:
        return [f"LAMINATE{n}" for n in range(1, len(self.sketch.gaps) + 1)]

    def drill_layer(self, hole: Hole) -> str:
        top, bottom = hole.span or ("L1", f"L{self.sketch.layers}")
        return f"DRILL_{top[1:]}_{bottom[1:]}"

    def drill_layers(self) -> dict[str, tuple[str, str]]:
        whole = ("L1", f"L{self.sketch.layers}")
        return {self.drill_layer(h): h.span or whole for h in self.sketch.holes}

    def length(self, value: float) -> str:
        return f"{value / _FACTOR[self.unit]:.8f}".rstrip("0").rstrip(".")

    def xy(self, point: Iterable[float], x: str = "x", y: str = "y") -> dict[str, str]:
        first, second, *_ = point
        return {x: self.length(first), y: self.length(second)}

    def shape(self, shape: str, size: XY) -> str:
        """The dictionary id of a pad shape; tall ovals are stored lying."""
        width, height = (size[0], size[0]) if shape not in (RECTANGLE, OVAL) else size
        if shape == OVAL:
            width, height = max(size), min(size)
        return self.shapes.setdefault(
            (shape, width, height), f"{shape.upper()}_{len(self.shapes) + 1}"
        )


def _element(
    name: str, attributes: dict[str, str] | None = None, *children: etree._Element
) -> etree._Element:
    node = etree.Element(name, attributes or {})
    node.extend(children)
    return node


# --------------------------------------------------------------------------------- head of the file


def _content(plan: _Plan) -> etree._Element:
    mode = (
        {"mode": "FABRICATION"} if plan.revision == "C" else {"mode": "FABRICATION", "level": "1"}
    )
    layers = [*plan.copper(), *plan.dielectrics(), *plan.drill_layers()]
    return _element(
        "Content",
        {"roleRef": "designer"},
        _element("FunctionMode", mode),
        _element("StepRef", {"name": plan.step}),
        *(_element("LayerRef", {"name": name}) for name in layers),
        _dictionary(plan),
    )


def _dictionary(plan: _Plan) -> etree._Element:
    entries = []
    for (shape, width, height), name in plan.shapes.items():
        if shape in (RECTANGLE, OVAL):
            size = {"width": plan.length(width), "height": plan.length(height)}
            primitive = _element("RectCenter" if shape == RECTANGLE else "Oval", size)
        else:
            primitive = _element("Circle", {"diameter": plan.length(width)})
        entries.append(_element("EntryStandard", {"id": name}, primitive))
    return _element("DictionaryStandard", {"units": plan.unit}, *entries)


def _history(plan: _Plan) -> list[etree._Element]:
    person = {"name": "board designer", "enterpriseRef": "workshop", "roleRef": "designer"}
    package = {"name": "moatcheck demo", "vendor": "moatcheck", "revision": "1"}
    certified = _element("Certification", {"certificationStatus": "SELFTEST"})
    revision = _element(
        "FileRevision",
        {"fileRevisionId": "1", "comment": plan.sketch.title},
        _element("SoftwarePackage", package, certified),
    )
    return [
        _element(
            "LogisticHeader",
            None,
            _element("Role", {"id": "designer", "roleFunction": "DESIGNER"}),
            _element("Enterprise", {"id": "workshop", "code": "NONE"}),
            _element("Person", person),
        ),
        _element(
            "HistoryRecord",
            {
                "number": "1",
                "origination": _DATE,
                "software": "moatcheck demo",
                "lastChange": _DATE,
            },
            revision,
        ),
    ]


def _part_list(plan: _Plan, ecad: etree._Element) -> list[etree._Element]:
    """Revision C wants every part that is placed in a parts list."""
    placed = [str(node.get("refDes")) for node in ecad.iter("Component")]
    if plan.revision != "C" or not placed:
        return []
    items = [
        _element(
            "BomItem",
            {"OEMDesignNumberRef": f"PART-{refdes}", "quantity": "1", "category": "ELECTRICAL"},
            _element("RefDes", {"name": refdes}),
            _element("Characteristics", {"category": "ELECTRICAL"}),
        )
        for refdes in placed
    ]
    header = _element(
        "BomHeader",
        {"assembly": plan.step, "revision": "A"},
        _element("StepRef", {"name": plan.step}),
    )
    return [_element("Bom", {"name": "PARTS"}, header, *items)]


# --------------------------------------------------------------------------------- layers and board


def _ecad(plan: _Plan) -> etree._Element:
    value = _element("Property", {"value": f"{PERMITTIVITY}"})
    laminate = _element(
        "Spec", {"name": "LAMINATE"}, _element("Dielectric", {"type": "DIELECTRIC_CONSTANT"}, value)
    )
    stackups = [_stackup(plan)] if plan.sketch.thickness is not None else []
    data = _element("CadData", None, *_layers(plan), *stackups, _step(plan))
    return _element(
        "Ecad", {"name": plan.step}, _element("CadHeader", {"units": plan.unit}, laminate), data
    )


def _layers(plan: _Plan) -> list[etree._Element]:
    out = []
    for name in plan.copper():
        side = name if name in ("TOP", "BOTTOM") else "INTERNAL"
        out.append(_layer(name, "CONDUCTOR", side))
    laminate = {"id": "LAMINATE"}
    out += [
        _layer(name, "DIELCORE", "INTERNAL", _element("SpecRef", laminate))
        for name in plan.dielectrics()
    ]
    for name, (top, bottom) in plan.drill_layers().items():
        span = _element("Span", {"fromLayer": plan.layer(top), "toLayer": plan.layer(bottom)})
        out.append(_layer(name, "DRILL", "ALL", span))
    return out


def _layer(name: str, function: str, side: str, *children: etree._Element) -> etree._Element:
    attributes = {"name": name, "layerFunction": function, "side": side, "polarity": "POSITIVE"}
    return _element("Layer", attributes, *children)


def _stackup(plan: _Plan) -> etree._Element:
    stack: list[tuple[str, float]] = []
    for number, copper in enumerate(plan.copper()):
        stack.append((copper, COPPER))
        if number < len(plan.sketch.gaps):
            stack.append((plan.dielectrics()[number], plan.sketch.gaps[number]))
    exact = {"tolPlus": "0", "tolMinus": "0"}
    rows = [
        _element(
            "StackupLayer",
            {
                "layerOrGroupRef": name,
                "thickness": plan.length(thickness),
                **exact,
                "sequence": str(place),
            },
        )
        for place, (name, thickness) in enumerate(stack, 1)
    ]
    whole = {"thickness": plan.length(sum(thickness for _, thickness in stack)), **exact}
    group = _element("StackupGroup", {"name": "BOARD", **whole}, *rows)
    attributes = {
        "name": "STACKUP",
        "overallThickness": plan.length(plan.sketch.thickness or 0),
        **exact,
    }
    attributes |= {"whereMeasured": "METAL"}
    if plan.revision == "C":
        attributes["stackupStatus"] = "PROPOSED"
    return _element("Stackup", attributes, group)


def _step(plan: _Plan) -> etree._Element:
    attributes = {"name": plan.step}
    if plan.revision == "C":
        attributes |= {"type": "BOARD"} | (
            {"stackupRef": "STACKUP"} if plan.sketch.thickness is not None else {}
        )
    packages, components = _parts(plan)
    features = [_features(plan, f"L{n}") for n in range(1, plan.sketch.layers + 1)]
    return _element(
        "Step",
        attributes,
        _element("Datum", {"x": "0", "y": "0"}),
        _contour(plan, "Profile", plan.sketch.outline, plan.sketch.cutouts),
        *packages,
        *components,
        *_logical_nets(plan),
        *(f for f in features if f is not None),
        *_drills(plan),
    )


def _contour(plan: _Plan, name: str, outer: Contour, holes: Iterable[Contour]) -> etree._Element:
    return _element(
        name,
        None,
        _polygon(plan, "Polygon", outer),
        *(_polygon(plan, "Cutout", contour) for contour in holes),
    )


def _polygon(plan: _Plan, name: str, contour: Contour) -> etree._Element:
    return _element(name, None, *_steps(plan, contour, closed=True))


def _steps(plan: _Plan, contour: Contour, *, closed: bool) -> list[etree._Element]:
    begin = _element("PolyBegin", plan.xy(contour[0]))
    return [begin, *(_poly_step(plan, step) for _, step in legs(contour, closed=closed))]


def _poly_step(plan: _Plan, step: Step) -> etree._Element:
    if len(step) == 2:
        return _element("PolyStepSegment", plan.xy(step))
    turn = {"clockwise": "true" if step[4] < 0 else "false"}
    return _element("PolyStepCurve", plan.xy(step) | plan.xy(step[2:], "centerX", "centerY") | turn)


# ----------------------------------------------------------------------------------- parts and nets


def _parts(plan: _Plan) -> tuple[list[etree._Element], list[etree._Element]]:
    known = {p.refdes: p for p in plan.sketch.parts}
    packages: dict[bytes, tuple[str, etree._Element]] = {}
    components = []
    for refdes in plan.sketch.refdes():
        pads = list(_one_per_pin(p for p in plan.sketch.pads if p.refdes == refdes))
        if not pads:
            continue
        bottom = all(p.layer != "L1" for p in pads)
        part = known.get(refdes) or Part(refdes=refdes, side="bottom" if bottom else "top")
        centre = _middle(pads)
        content = _package_content(plan, pads, centre, mirrored=part.side == "bottom")
        key = etree.tostring(content) + part.package.encode()
        if key not in packages:
            packages[key] = _named_package(
                content, part.package or refdes, [n for n, _ in packages.values()]
            )
        components.append(_component(plan, part, packages[key][0], centre, pads))
    return [package for _, package in packages.values()], components


def _one_per_pin(pads: Iterable[Pad]) -> Iterable[Pad]:
    seen: dict[str, Pad] = {}
    for pad in pads:
        if pad.pin is not None:
            seen.setdefault(pad.pin, pad)
    return seen.values()


def _middle(pads: list[Pad]) -> XY:
    xs, ys = [p.at[0] for p in pads], [p.at[1] for p in pads]
    return round((min(xs) + max(xs)) / 2, 6), round((min(ys) + max(ys)) / 2, 6)


def _package_content(plan: _Plan, pads: list[Pad], centre: XY, *, mirrored: bool) -> etree._Element:
    """A package without its name; pins of parts at the bottom are stored as seen from there."""
    sign = -1 if mirrored else 1
    places = [(round(sign * (p.at[0] - centre[0]), 6), round(p.at[1] - centre[1], 6)) for p in pads]
    reach_x = max(abs(x) for x, _ in places) + 1.0
    reach_y = max(abs(y) for _, y in places) + 1.0
    body = ((-reach_x, -reach_y), (reach_x, -reach_y), (reach_x, reach_y), (-reach_x, reach_y))
    line = _line_desc(plan, 0.1)
    outline = _element("Outline", None, _polygon(plan, "Polygon", body), line)
    pins = [_package_pin(plan, pad, place) for pad, place in zip(pads, places, strict=True)]
    return _element("Package", {"type": "OTHER", "pinOne": pads[0].pin or "1"}, outline, *pins)


def _named_package(
    content: etree._Element, wanted: str, taken: list[str]
) -> tuple[str, etree._Element]:
    name, number = wanted, 2
    while name in taken:
        name, number = f"{wanted}_{number}", number + 1
    content.set("name", name)
    content.set("pinOneOrientation", "OTHER")
    return name, content


def _package_pin(plan: _Plan, pad: Pad, place: XY) -> etree._Element:
    surface = _is_surface(pad)
    attributes = {
        "number": pad.pin or "",
        "type": "SURFACE" if surface else "THRU",
        "electricalType": "ELECTRICAL",
    }
    if pad.pin_name:
        attributes["name"] = pad.pin_name
    return _element("Pin", attributes, *_placed(plan, pad.shape, pad.size, place))


def _component(
    plan: _Plan, part: Part, package: str, centre: XY, pads: list[Pad]
) -> etree._Element:
    attributes = {
        "refDes": part.refdes,
        "packageRef": package,
        "part": part.package or part.refdes,
        "layerRef": plan.layer("L1" if part.side == "top" else f"L{plan.sketch.layers}"),
        "mountType": "SMT" if all(_is_surface(p) for p in pads) else "THMT",
    }
    mirror = [_element("Xform", {"mirror": "true"})] if part.side == "bottom" else []
    return _element("Component", attributes, *mirror, _element("Location", plan.xy(centre)))


def _is_surface(pad: Pad) -> bool:
    return pad.function.startswith(("SMDPad", "BGAPad", "ConnectorPad"))


def _logical_nets(plan: _Plan) -> list[etree._Element]:
    out = []
    for net in plan.sketch.nets():
        pins = dict.fromkeys(
            (p.refdes, p.pin) for p in plan.sketch.pads if p.net == net and p.refdes and p.pin
        )
        if pins:
            refs = [_pin_ref(refdes or "", pin or "") for refdes, pin in pins]
            out.append(_element("LogicalNet", {"name": net}, *refs))
    return out


def _pin_ref(refdes: str, pin: str) -> etree._Element:
    return _element("PinRef", {"componentRef": refdes, "pin": pin})


# ------------------------------------------------------------------------------------------- copper


def _features(plan: _Plan, layer: str) -> etree._Element | None:
    sketch = plan.sketch
    copper: list[Pour | Draw | Pad] = [
        *(p for p in sketch.pours if p.layer == layer),
        *(d for d in sketch.draws if d.layer == layer),
        *(p for p in sketch.pads if p.layer == layer),
    ]
    sets = []
    for key, things in groupby(copper, _set_attributes):
        sets.append(_element("Set", dict(key), *(_feature(plan, thing) for thing in things)))
    return _element("LayerFeature", {"layerRef": plan.layer(layer)}, *sets) if sets else None


def _set_attributes(thing: Pour | Draw | Pad) -> tuple[tuple[str, str], ...]:
    out = [] if not thing.net or thing.net == NOT_CONNECTED else [("net", thing.net)]
    if isinstance(thing, Pad):
        usage = {"ViaPad": "VIA", "FiducialPad": "FIDUCIAL"}.get(
            thing.function.split(",")[0], "TERMINATION"
        )
        out.append(("padUsage", usage))
    elif thing.function == "CopperBalancing":
        out.append(("geometryUsage", "THIEVING"))
    return tuple(out)


def _feature(plan: _Plan, thing: Pour | Draw | Pad) -> etree._Element:
    if isinstance(thing, Pour):
        return _element("Features", None, _contour(plan, "Contour", thing.contour, thing.holes))
    if isinstance(thing, Draw):
        return _element("Features", None, _stroke(plan, thing))
    if thing.function.startswith("FiducialPad"):
        return _element("GlobalFiducial", None, *_placed(plan, thing.shape, thing.size, thing.at))
    pin = [_pin_ref(thing.refdes, thing.pin)] if thing.refdes and thing.pin else []
    return _element("Pad", None, *_placed(plan, thing.shape, thing.size, thing.at), *pin)


def _placed(plan: _Plan, shape: str, size: XY, at: XY) -> list[etree._Element]:
    turned = [_element("Xform", {"rotation": "90"})] if shape == OVAL and size[1] > size[0] else []
    reference = _element("StandardPrimitiveRef", {"id": plan.shape(shape, size)})
    return [*turned, _element("Location", plan.xy(at)), reference]


def _stroke(plan: _Plan, draw: Draw) -> etree._Element:
    line = _line_desc(plan, draw.width)
    steps = list(legs(draw.points))
    if len(steps) > 1:
        return _element("Polyline", None, *_steps(plan, draw.points, closed=False), line)
    ((start, step),) = steps
    ends = plan.xy(start, "startX", "startY") | plan.xy(step, "endX", "endY")
    if len(step) == 2:
        return _element("Line", ends, line)
    turn = {"clockwise": "true" if step[4] < 0 else "false"}
    return _element("Arc", ends | plan.xy(step[2:], "centerX", "centerY") | turn, line)


def _line_desc(plan: _Plan, width: float) -> etree._Element:
    return _element("LineDesc", {"lineEnd": "ROUND", "lineWidth": plan.length(width)})


def _drills(plan: _Plan) -> list[etree._Element]:
    out = []
    for layer in plan.drill_layers():
        rows = [h for h in plan.sketch.holes if plan.drill_layer(h) == layer]
        sets = [
            _element("Set", {"net": net} if net else {}, *(_drill(plan, h) for h in group))
            for net, group in groupby(
                rows, lambda h: h.net if h.plated and h.net != NOT_CONNECTED else None
            )
        ]
        for number, node in enumerate(n for s in sets for n in s):
            node.set("name", f"{layer}_{number + 1}")
        out.append(_element("LayerFeature", {"layerRef": layer}, *sets))
    return out


def _drill(plan: _Plan, hole: Hole) -> etree._Element:
    status = ("VIA" if hole.function == "ViaDrill" else "PLATED") if hole.plated else "NONPLATED"
    attributes = {"platingStatus": status, "plusTol": "0", "minusTol": "0"}
    if hole.to is None:
        return _element(
            "Hole", {"diameter": plan.length(hole.diameter), **attributes, **plan.xy(hole.at)}
        )
    cutter = _line_desc(plan, hole.diameter)
    if plan.revision == "C":
        run = (hole.to[0] - hole.at[0], hole.to[1] - hole.at[1])
        line = _element(
            "Line", {"startX": "0", "startY": "0", **plan.xy(run, "endX", "endY")}, cutter
        )
        return _element("SlotCavity", attributes, _element("Location", plan.xy(hole.at)), line)
    line = _element(
        "Line", plan.xy(hole.at, "startX", "startY") | plan.xy(hole.to, "endX", "endY"), cutter
    )
    return _element("SlotCavity", attributes, line)
