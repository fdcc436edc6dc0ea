"""Features, pads and shapes: XML elements to the raw columns of a sketch.

Substitution groups of the schema: Feature is a StandardPrimitive(Ref) or a UserPrimitive(Ref); a
UserPrimitive is Text, UserSpecial (which holds Features again), or one of Line, Arc, Polyline,
Outline. Contour is the one standard primitive that is drawn here; the others are kept as keys of
`Tables.shapes`:

    (name, unit, attributes, line description, fill)    a standard primitive, or the box of a Text
    ("StandardPrimitiveRef" | "UserPrimitiveRef", id)   an entry of a dictionary
    ("PadStackDef", id, layer)                          the land that a padstack has on a layer
"""

from __future__ import annotations

from array import array
from collections.abc import Callable

from parsers.assembly.diagnostics import Diagnostics
from parsers.ipc2581.sketch import (
    CAP_END,
    CAP_START,
    CONTOUR,
    LARGEST,
    LEFT,
    NOTHING,
    OUTLINE,
    PAD,
    RIGHT,
    STRAIGHT,
    UNSAID,
    Sketch,
    Tables,
)
from parsers.ipc2581.stream import Element, Names, line_at, words

SMALLEST_SCALE, LARGEST_SCALE = 1e-6, 1e6
MAX_COPIES = 1_000_000  # objects that the locations of one feature may multiply to
MAX_NESTING = 64  # of features in features; boards have two or three levels

PRIMITIVES = words(
    "Butterfly Circle Diamond Donut Ellipse Hexagon Moire Octagon Oval RectCenter RectCham"
    " RectCorner RectRound Thermal Triangle"
)
CENTRED = (PRIMITIVES - {"RectCorner"}) | {"StandardPrimitiveRef"}  # tell no place themselves
REFERENCES = frozenset({"StandardPrimitiveRef", "UserPrimitiveRef"})
STYLES = frozenset(
    {
        "LineDesc",
        "LineDescRef",
        "FillDesc",
        "FillDescRef",
        "Xform",
        "Color",
        "ColorRef",
        "ColorTerm",
    }
)


def truth(text: str | None) -> bool:
    """A boolean attribute, in any case of letters; absent is false.

    Raises
    ------
    ValueError : it is neither true nor false
    """
    word = (text or "").strip().lower()
    if word not in ("", "true", "1", "false", "0"):
        raise ValueError(f"{text!r} is neither true nor false")
    return word in ("true", "1")


def number(element: Element, name: str) -> float:
    """A required number.

    Raises
    ------
    ValueError : it is missing or no number
    """
    text = element.get(name)
    if text is None:
        raise ValueError(f"{name} is missing")
    return plausible(float(text))


def plausible(value: float) -> float:
    """The number itself.

    Raises
    ------
    ValueError : it is no number, or beyond all that a board may have in any unit
    """
    if not -LARGEST < value < LARGEST:
        raise ValueError(f"{value} is out of range")
    return value


def path_of(element: Element, names: Names) -> str:
    """Where an element stands, for people: `Step[board]/LayerFeature[TOP]/Set/Pad`."""
    parts: list[str] = []
    node: Element | None = element
    while node is not None and names[node.tag] not in ("IPC-2581", "Ecad", "CadData", "Content"):
        mark = (
            node.get("name")
            or node.get("layerRef")
            or node.get("id")
            or node.get("net")
            or node.get("refDes")
        )
        parts.append(names[node.tag] + (f"[{mark}]" if mark else ""))
        node = node.getparent()
    return "/".join(reversed(parts))


class Pen:
    """Draws elements into one sketch.

    Attributes
    ----------
    override : line description that a Set lays over predefined shapes, or NOTHING
    layer : index of the layer drawn on, for the lands of padstacks
    """

    def __init__(self, sketch: Sketch, tables: Tables, names: Names, doubts: Diagnostics) -> None:
        self.sketch = sketch
        self.tables = tables
        self.names = names
        self.doubts = doubts
        self.override = NOTHING
        self.layer = NOTHING
        # draws the edges of slots: cutters are round, outlines are what they enclose
        self.opening = False
        self._nesting = 0

    def doubt(self, element: Element, what: str, why: str) -> None:
        """Note a doubt at an element."""
        self.doubts.add(what, why, line_at(element), path_of(element, self.names))

    # ---- whole objects -----------------------------------------------------------------------------------------

    def features(self, element: Element, group: int) -> None:
        """Features: one Feature, drawn at each Location."""
        if len(element) == 1:  # nearly always
            self._lone_shape(element, group)
            return
        kind = 0
        xform: Element | None = None
        locations: list[Element] = []
        shapes: list[Element] = []
        for child in element:
            name = self.names[child.tag]
            if name == "Location":
                locations.append(child)
            elif name == "Xform":
                xform = child
            else:
                kind = PAD if name == "Circle" else kind
                shapes.append(child)
        owner = self.sketch.owner(group, line_at(element), kind=kind)
        if xform is None and not locations:
            for shape in shapes:
                self.draw(shape, owner, NOTHING)
        else:
            self._repeated(shapes, owner, xform, locations)

    def _lone_shape(self, element: Element, group: int) -> None:
        """A feature that is a shape and nothing else."""
        name = self.names[element[0].tag]
        if name in CENTRED:
            why = "it is taken to lie at 0, 0; export the board again"
            self.doubt(element, "a shape without a Location", why)
        kind = PAD if name == "Circle" else 0
        self.draw(element[0], self.sketch.owner(group, line_at(element), kind=kind), NOTHING)

    def _repeated(
        self, shapes: list[Element], owner: int, xform: Element | None, locations: list[Element]
    ) -> None:
        """Draw shapes at each Location."""
        before = self.sketch.sequence
        for location in locations or (None,):
            place = self.place(xform, location, NOTHING)
            for shape in shapes:
                self.draw(shape, owner, place)
            if self.sketch.sequence - before > MAX_COPIES and location is not locations[-1]:
                raise ValueError(f"one feature draws more than {MAX_COPIES} objects")

    def pad(self, element: Element, group: int, component: int, kind: int = PAD) -> None:
        """Pad, Fiducial, LayerPad: a shape at a Location, with the pin that it serves."""
        xform = location = shape = None
        pin = NOTHING
        for child in element:
            name = self.names[child.tag]
            if name == "Location":
                if location is not None:
                    self.doubt(
                        child,
                        "a pad with two Locations",
                        "which one is meant is open; export the board again",
                    )
                location = child
            elif name == "Xform":
                xform = child
            elif name == "PinRef":
                part = child.get("componentRef")
                component = component if part is None else self.tables.components[part]
                pin = self.tables.pins[child.get("pin") or ""]
                self.check_pin(child)
            elif shape is None:
                shape = child
            else:
                self.doubt(
                    child, f"a pad with more than one shape ({name})", "only the first is read"
                )
        padstack = element.get("padstackDefRef")
        stack = NOTHING if padstack is None else self.tables.padstacks[padstack]
        owner = self.sketch.owner(group, line_at(element), component, pin, kind, stack)
        if location is None:
            location = self._location_of_attributes(element)
        place = self.place(xform, location, NOTHING)
        if shape is not None:
            self.draw(shape, owner, place)
        else:
            self._padstack(element, owner, place)

    def check_pin(self, element: Element) -> None:
        """A doubt about a PinRef that names no pin."""
        if not element.get("pin"):
            self.doubt(
                element,
                "a PinRef without a pin",
                "which pin is meant is not known; export the board again",
            )

    def _padstack(self, element: Element, owner: int, place: int) -> None:
        name = element.get("padstackDefRef")
        if name is None:
            self.doubt(
                element, "a pad without a shape", "its copper is not known; export the board again"
            )
            return
        shape = self.tables.shapes["PadStackDef", name, self.layer]
        self._flash(owner, place, shape, self.override)

    def _location_of_attributes(self, element: Element) -> Element | None:
        """The pad itself if it carries x and y, which no revision allows but whose sense is
        plain.
        """
        if element.get("x") is None:
            self.doubt(
                element,
                "a pad without a Location",
                "it is taken to lie at 0, 0; export the board again",
            )
            return None
        self.doubt(
            element,
            "a pad with x and y instead of a Location",
            "they are taken as its place; compare it",
        )
        return element

    def contour(self, element: Element, owner: int) -> None:
        """Profile: a Polygon with Cutouts."""
        self._area(element, owner, NOTHING, CONTOUR)

    def slot(self, element: Element, group: int, plating: int) -> None:
        """Slot, SlotCavity: the opening, at a Location in revision C."""
        parts = {self.names[child.tag]: child for child in element}
        if "MaterialCut" in parts or "MaterialLeft" in parts:
            self.doubt(
                element,
                "a cavity of limited depth",
                "what it removes is not read; check it by hand",
            )
            return
        owner = self.sketch.owner(group, line_at(element), kind=plating)
        place = self.place(parts.get("Xform"), parts.get("Location"), NOTHING)
        shapes = [
            child
            for child in element
            if self.names[child.tag] not in ("Xform", "Location", "Fill", "SpecRef")
        ]
        for shape in shapes:
            self.draw(shape, owner, place)
        if not shapes:
            self.doubt(
                element,
                "a slot without a shape",
                "its opening is not known; export the board again",
            )

    # ---- places and descriptions -------------------------------------------------------------------------------

    def place(self, xform: Element | None, location: Element | None, parent: int) -> int:
        """Row of the place made of an Xform and a Location; the parent itself where both do
        nothing.
        """
        x = y = 0.0
        if location is not None:
            x, y = number(location, "x"), number(location, "y")
        if xform is None:
            if x == 0.0 and y == 0.0:
                return parent
            transform = (0.0, 0.0, 0.0, 0.0, 1.0)
        else:
            transform = self._transform(xform)
        line = location if xform is None else xform
        self.sketch.places.add(*transform, x, y, parent, line_at(line) if line is not None else 0)
        return len(self.sketch.places) - 1

    def _transform(self, xform: Element) -> tuple[float, float, float, float, float]:
        get = xform.get
        if truth(get("faceUp")):
            self.doubt(xform, "a transform with faceUp", "its meaning is open; it is left out")
        if get("x") is not None or get("y") is not None:
            self.doubt(
                xform, "a transform with x and y", "no revision has them; compare where things lie"
            )
        scale = float(get("scale") or 1.0)
        if not SMALLEST_SCALE <= scale <= LARGEST_SCALE:
            raise ValueError(f"scale {scale} is out of range")
        x, y, turn = (
            plausible(float(get(name) or 0.0)) for name in ("xOffset", "yOffset", "rotation")
        )
        return x, y, turn, float(truth(get("mirror"))), scale

    def line_of(self, element: Element) -> int:
        """Index of a LineDesc or LineDescRef."""
        if self.names[element.tag] == "LineDescRef":
            return self.tables.lines[element.get("id") or ""]
        get = element.get
        return self.tables.lines[
            self.sketch.unit, get("lineEnd"), get("lineWidth"), get("lineProperty")
        ]

    def fill_of(self, element: Element) -> int:
        """Index of a FillDesc or FillDescRef."""
        if self.names[element.tag] == "FillDescRef":
            return self.tables.fills[element.get("id") or ""]
        return self.tables.fills[(element.get("fillProperty"),)]

    def _style(self, element: Element, place: int) -> tuple[int, int, int]:
        """Line description, fill and place that the children of a shape give it."""
        line = fill = NOTHING
        for child in element:
            name = self.names[child.tag]
            if name in ("LineDescRef", "LineDesc"):
                line = self.line_of(child)
            elif name in ("FillDescRef", "FillDesc"):
                fill = self.fill_of(child)
            elif name == "Xform":
                place = self.place(child, None, place)
            elif name not in STYLES:
                self.doubt(
                    child,
                    f"{name} inside {self.names[element.tag]}",
                    "it is not known and may draw or remove copper",
                )
        return line, fill, place

    def _line_style(self, element: Element) -> int:
        """Line description of a stroked shape: its own, else that of the Set."""
        for child in element:
            name = self.names[child.tag]
            if name in ("LineDescRef", "LineDesc"):
                own = self.line_of(child)
                if self.override not in (NOTHING, own):
                    self.tables.overlaid.setdefault((own, self.override), line_at(element))
                return own
        width = element.get("lineWidth")
        if width is not None:
            self.doubt(
                element,
                "a line that carries its width itself",
                "taken as a solid line with round ends",
            )
            return self.tables.lines[self.sketch.unit, "ROUND", width, None]
        return self.override

    # ---- shapes ------------------------------------------------------------------------------------------------

    def draw(self, element: Element, owner: int, place: int) -> None:
        """Draw any Feature at a place."""
        name = self.names[element.tag]
        if name in REFERENCES:
            self._flash(
                owner, place, self.tables.shapes[name, element.get("id") or ""], self.override
            )
        elif name in PRIMITIVES:
            self._primitive(name, element, owner, place)
        elif name in SHAPES:
            SHAPES[name](self, element, owner, place)
        else:
            self.doubt(
                element,
                f"{name} in place of a shape",
                "it is not known and may draw or remove copper",
            )

    def _flash(self, owner: int, place: int, shape: int, line: int) -> None:
        sketch = self.sketch
        sketch.sequence += 1
        sketch.flashes.add(sketch.sequence, owner, place, shape, line)

    def _primitive(self, name: str, element: Element, owner: int, place: int) -> None:
        line = fill = NOTHING
        if len(element):
            line, fill, place = self._style(element, place)
        key = (name, self.sketch.unit, tuple(sorted(element.attrib.items())), line, fill)
        self._flash(owner, place, self.tables.shapes[key], NOTHING)

    def _line(self, element: Element, owner: int, place: int) -> None:
        get = element.get
        x0, y0, x1, y1 = get("startX"), get("startY"), get("endX"), get("endY")
        if x0 is None or y0 is None or x1 is None or y1 is None:
            raise ValueError("a coordinate is missing")
        sketch = self.sketch
        sketch.sequence += 1
        style = sketch.sequence, owner, place, self._line_style(element), self._caps()
        paths = sketch.paths
        paths.data += paths.pack(
            float(x0), float(y0), float(x1), float(y1), 0.0, 0.0, STRAIGHT, *style
        )

    def _arc(self, element: Element, owner: int, place: int) -> None:
        ends = [
            number(element, name)
            for name in ("startX", "startY", "endX", "endY", "centerX", "centerY")
        ]
        self.sketch.sequence += 1
        style = self.sketch.sequence, owner, place, self._line_style(element), self._caps()
        self.sketch.paths.add(*ends, _turn(element), *style)

    def _caps(self) -> int:
        return 0 if self.opening else CAP_START | CAP_END

    def _polyline(self, element: Element, owner: int, place: int) -> None:
        steps = self._steps(element)
        line = self._line_style(element)
        sketch = self.sketch
        last = len(steps) // 5 - 1
        for i in range(1, last + 1):
            sketch.sequence += 1
            caps = (CAP_START * (i == 1) | CAP_END * (i == last)) & self._caps()
            here = 5 * i
            start, step = steps[here - 5 : here - 3], steps[here : here + 5]
            sketch.paths.add(*start, *step, sketch.sequence, owner, place, line, caps)
        if last < 1:
            self.doubt(
                element,
                "a polyline without steps",
                "its copper is not known; export the board again",
            )

    def _steps(self, element: Element) -> list[float]:
        """Begin and steps of a path: end, centre and turn of each, flat."""
        steps: list[float] = []
        styled = False
        begins = [
            number for number, child in enumerate(element) if self.names[child.tag] == "PolyBegin"
        ]
        if begins != [0]:
            self.doubt(
                element,
                "a path without its beginning",
                "a PolyBegin is missing, or not the first; compare it",
            )
        for child in element:
            name = self.names[child.tag]
            if styled and name not in STYLES:
                why = "a step may be missing there; export the board again"
                self.doubt(child, "a path with a description between its steps", why)
            styled = name in STYLES
            if name in ("PolyStepSegment", "PolyBegin"):
                x, y = child.get("x"), child.get("y")
                if x is None or y is None:
                    raise ValueError("a coordinate is missing")
                steps += (float(x), float(y), 0.0, 0.0, STRAIGHT)
            elif name == "PolyStepCurve":
                centre = number(child, "centerX"), number(child, "centerY")
                steps += (number(child, "x"), number(child, "y"), *centre, _turn(child))
            elif name not in STYLES:
                self.doubt(
                    child,
                    f"{name} as a step of a path",
                    "it is not known; the path may run elsewhere",
                )
        return steps

    def _contour(self, element: Element, owner: int, place: int) -> None:
        self._area(element, owner, place, CONTOUR)

    def _outline(self, element: Element, owner: int, place: int) -> None:
        self._area(element, owner, place, OUTLINE)

    def _bare_polygon(self, element: Element, owner: int, place: int) -> None:
        self.doubt(
            element,
            "a Polygon outside a Contour",
            "no revision has it; it is taken as a filled area",
        )
        line, fill, xform = self._style_of_polygon(element)
        self._begin_area(owner, place, line, fill, CONTOUR)
        self._ring(element, xform, place)

    def _area(self, element: Element, owner: int, place: int, kind: int) -> None:
        """Contour or Outline: one Polygon, and the Cutouts of a Contour."""
        line = fill = NOTHING
        rings: list[tuple[Element, Element | None]] = []
        for child in element:
            name = self.names[child.tag]
            if name == "Polygon":
                own, fill, xform = self._style_of_polygon(child)
                line = own if line == NOTHING else line
                rings.insert(0, (child, xform))
            elif name == "Cutout":
                own, _, xform = self._style_of_polygon(child)
                rings.append((child, xform))
                if own != NOTHING:
                    self.doubt(
                        child,
                        "a Cutout with a line description",
                        "whether it is copper is open; left out",
                    )
            elif name in ("LineDesc", "LineDescRef"):
                line = self.line_of(child)
            elif name not in STYLES:
                self.doubt(
                    child,
                    f"{name} inside {self.names[element.tag]}",
                    "it is not known and may draw copper",
                )
        if not rings or self.names[rings[0][0].tag] != "Polygon":
            self.doubt(
                element, f"{self.names[element.tag]} without a Polygon", "its copper is not known"
            )
            return
        if kind == OUTLINE and self.opening:
            kind, line = CONTOUR, NOTHING
        elif kind == OUTLINE and line == NOTHING:
            line = self.override
        self._begin_area(owner, place, line, fill, kind)
        for ring, xform in rings:
            self._ring(ring, xform, place)

    def _begin_area(self, owner: int, place: int, line: int, fill: int, kind: int) -> None:
        sketch = self.sketch
        sketch.sequence += 1
        sketch.areas.add(sketch.sequence, owner, place, line, fill, kind)

    def _style_of_polygon(self, element: Element) -> tuple[int, int, Element | None]:
        """Line description, fill and Xform of a Polygon, which stand behind its steps."""
        line = fill = NOTHING
        xform = None
        for child in element.iterchildren(reversed=True):
            name = self.names[child.tag]
            if name in ("PolyStepSegment", "PolyStepCurve", "PolyBegin"):
                break
            if name in ("LineDesc", "LineDescRef"):
                line = self.line_of(child)
            elif name in ("FillDesc", "FillDescRef"):
                fill = self.fill_of(child)
            elif name == "Xform":
                xform = child
        return line, fill, xform

    def _ring(self, element: Element, xform: Element | None, place: int) -> None:
        """Add a Polygon or Cutout as a ring of the area begun last."""
        sketch = self.sketch
        steps = self._steps(element)
        if xform is not None:
            place = self.place(xform, None, place)
        sketch.vertices.data += array("d", steps).tobytes()
        sketch.rings.add(len(sketch.areas) - 1, len(steps) // 5, place)

    def _special(self, element: Element, owner: int, place: int) -> None:
        self._nesting += 1
        if self._nesting > MAX_NESTING:
            self._nesting -= 1
            raise ValueError(f"shapes nested more than {MAX_NESTING} deep")
        for child in element:
            self.draw(child, owner, place)
        self._nesting -= 1

    def _text(self, element: Element, owner: int, place: int) -> None:
        box = None
        for child in element:
            name = self.names[child.tag]
            if name == "Xform":
                place = self.place(child, None, place)
            elif name == "BoundingBox":
                box = child
        if box is None:
            self.doubt(element, "text without a bounding box", "its copper is not known")
            return
        self._primitive("Text", box, owner, place)


def _turn(element: Element) -> float:
    said = element.get("clockwise")
    if said is None:
        return UNSAID
    return RIGHT if truth(said) else LEFT


SHAPES: dict[str, Callable[[Pen, Element, int, int], None]] = {
    "Line": Pen._line,
    "Arc": Pen._arc,
    "Polyline": Pen._polyline,
    "Contour": Pen._contour,
    "Outline": Pen._outline,
    "Polygon": Pen._bare_polygon,
    "UserSpecial": Pen._special,
    "Text": Pen._text,
}
