"""Sets: the objects that a layer draws, read while the Set that holds them is still open.

A Set may hold one trace or all copper of a layer. Its children are read and removed whenever the
parser is about to take in more of the file, so that memory does not depend on how an exporter
groups its objects.
"""

from __future__ import annotations

from collections.abc import Callable

from parsers.ipc2581.features import PRIMITIVES, Pen, number, path_of
from parsers.ipc2581.layers import NO_COPPER
from parsers.ipc2581.raw import ABSENT, EMPTY, FROM_FEATURES, FROM_PADSTACKS, Document
from parsers.ipc2581.sketch import FIDUCIAL, NOTHING
from parsers.ipc2581.stream import Element, Names, line_at, stray_text

PLATED_STATES = {"PLATED": 1, "VIA": 1, "VIA_CAPPED": 1, "NONPLATED": 0}
FIDUCIALS = ("BadBoardMark", "GlobalFiducial", "GoodPanelMark", "LocalFiducial")
LOOSE_SHAPES = PRIMITIVES | {
    "Line",
    "Arc",
    "Polyline",
    "Contour",
    "Outline",
    "Polygon",
    "UserSpecial",
    "Text",
}
IGNORED = frozenset(
    {
        "NonstandardAttribute",
        "SpecRef",
        "ColorRef",
        "Color",
        "ColorTerm",
        "BooleanAttribute",
        "TextAttribute",
    }
    | {"IntegerAttribute", "DoubleAttribute", "OptionAttribute"}
)
TEXT = "the format has no text, so the mark of an element is damaged; export the board again"


class SetReader:
    """Reads one Set after the other into a document."""

    def __init__(self, document: Document, names: Names) -> None:
        self.document = document
        self.names = names
        self.pen = Pen(document.copper, document.tables, names, document.doubts)
        self._opening = Pen(document.openings, document.tables, names, document.doubts)
        self._opening.opening = True
        self._open: Element | None = None
        self._row = NOTHING  # of the open Set; NOTHING if it is of no concern
        self._part = NOTHING  # componentRef of the open Set
        self._handlers: dict[str, Callable[[Element, int], None]] = {
            "Features": self.pen.features,
            "Pad": self._pad,
            "Hole": self._hole,
            "Slot": self._slot,
            "SlotCavity": self._slot,
            "LineDesc": self._override,
            "LineDescRef": self._override,
            "NetShort": self._net_short,
        }
        self._handlers.update(dict.fromkeys(FIDUCIALS, self._fiducial))

    def begin(self, group: Element) -> None:
        """A Set has begun."""
        self._open = group
        self._row = self._row_of(group)

    def between(self) -> bool:
        """Read what is complete of the open Set: all its children but the last, which may still
        grow.

        Returns whether that has freed memory.
        """
        if self._open is None or len(self._open) < 2:
            return False
        self._read(list(self._open)[:-1])
        del self._open[:-1]
        return True

    def end(self, group: Element) -> None:
        """A Set is complete."""
        self._read(list(group))
        self._open = None
        group.clear()

    def look_for_text(self, element: Element) -> None:
        """A doubt about text inside an element."""
        found = stray_text(element)
        if found is not None:
            self.pen.doubt(found, f"text in or after {self.names[found.tag]}", TEXT)

    def _read(self, children: list[Element]) -> None:
        row, names, handlers = self._row, self.names, self._handlers
        if row == NOTHING or self._open is None:
            return
        self.look_for_text(self._open)
        for child in children:
            name = names[child.tag]
            try:
                if name in handlers:
                    handlers[name](child, row)
                else:
                    self._read_odd(child, name)
            except (ValueError, TypeError, OverflowError) as error:
                self.unreadable(child, error)

    def _read_odd(self, child: Element, name: str) -> None:
        if name in LOOSE_SHAPES:
            self.pen.doubt(
                child, f"a {name} outside Features", "no revision has it; it is drawn as it stands"
            )
            self.pen.draw(child, self.pen.sketch.owner(self._row, line_at(child)), NOTHING)
        elif name not in IGNORED:
            self.pen.doubt(
                child, f"{name} inside a Set", "it is not known and may draw or remove copper"
            )

    def unreadable(self, element: Element, error: Exception) -> None:
        """A doubt about an element with a value that makes no sense."""
        what = f"a {self.names[element.tag]} that cannot be read"
        self.document.doubts.add(
            what,
            f"{error}; it is left out, export the board again",
            line_at(element),
            path_of(element, self.names),
        )

    def _row_of(self, group: Element) -> int:
        """Row of a Set, or NOTHING if its layer is known to be no concern."""
        above = group.getparent()
        if above is not None and self.names[above.tag] in ("Set", "Features", "Pad"):
            self.pen.doubt(
                group, f"a Set inside a {self.names[above.tag]}", "what it belongs to is not known"
            )
        while above is not None and self.names[above.tag] not in ("LayerFeature", "IPC-2581"):
            above = above.getparent()
        layer = above.get("layerRef") if above is not None else None
        self.pen.override = NOTHING
        if layer is None:
            self.pen.doubt(
                group,
                "a Set outside a LayerFeature",
                "its layer is not known, its copper is left out",
            )
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
        return self.add_row(
            group, self.pen.layer, net, FROM_PADSTACKS if in_route else FROM_FEATURES
        )

    def add_row(self, group: Element, layer: int, net: str | None, origin: int) -> int:
        """Row of a Set, or of a padstack that stands for one."""
        document = self.document
        get = group.get
        part = get("componentRef")
        polarity = (get("polarity") or "").upper()
        if polarity not in ("", "POSITIVE", "NEGATIVE"):
            self.pen.doubt(group, f"a Set of polarity {polarity}", "it is taken as POSITIVE")
        usage = (
            "TESTPOINT"
            if (get("testPoint") or "").lower() in ("true", "1")
            else (get("padUsage") or "").upper()
        )
        document.sets.add(
            document.tables.steps[self._step_name(group)],
            layer,
            (
                ABSENT
                if net is None
                else EMPTY
                if not net.strip()
                else document.net(net, line_at(group))
            ),
            int(polarity == "NEGATIVE"),
            document.usages[usage],
            document.usages[(get("geometryUsage") or "").upper()],
            NOTHING if part is None else document.tables.components[part],
            line_at(group),
            origin,
        )
        self._part = NOTHING if part is None else document.tables.components[part]
        return len(document.sets) - 1

    def _step_name(self, element: Element) -> str:
        node: Element | None = element
        while node is not None and self.names[node.tag] != "Step":
            node = node.getparent()
        return "" if node is None else node.get("name") or ""

    def _pad(self, element: Element, row: int) -> None:
        self.pen.pad(element, row, self._part)

    def _fiducial(self, element: Element, row: int) -> None:
        self.pen.pad(element, row, self._part, FIDUCIAL)

    def _override(self, element: Element, row: int) -> None:
        self.pen.override = self.pen.line_of(element)

    def _hole(self, element: Element, row: int) -> None:
        x, y = number(element, "x"), number(element, "y")
        for child in element:
            if self.names[child.tag] == "Xform" and (child.get("xOffset") or child.get("yOffset")):
                self.pen.doubt(
                    child, "a hole with an offset", "its meaning is open; it is left out"
                )
        self.add_hole(element, row, x, y)

    def add_hole(self, element: Element, row: int, x: float, y: float) -> None:
        """A drilled hole at a place."""
        status = (element.get("platingStatus") or "").upper()
        plating = PLATED_STATES.get(status, -1)
        if plating < 0:
            self.pen.doubt(
                element,
                "a hole without a known plating status",
                "whether it joins layers is not known",
            )
        square = int((element.get("type") or "").upper() == "SQUARE")
        diameter = number(element, "diameter")
        via = float(status.startswith("VIA"))
        self.document.holes.add(x, y, diameter, plating, row, line_at(element), square, via)

    def _slot(self, element: Element, row: int) -> None:
        status = (element.get("platingStatus") or "").upper()
        plating = PLATED_STATES.get(status, -1)
        if plating < 0:
            self.pen.doubt(
                element,
                "a slot without a known plating status",
                "whether it joins layers is not known",
            )
        self._opening.slot(element, row, plating)

    def _net_short(self, element: Element, row: int) -> None:
        names = tuple(c.get("name") or "" for c in element if self.names[c.tag] == "NetRef")
        self.document.shorts.append((row, names, line_at(element)))
