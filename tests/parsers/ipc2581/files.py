"""Small IPC-2581 files for tests, valid by the published schemas where the test does not want
otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import shapely

from parsers.board import Board, Hints
from parsers.ipc2581 import read_ipc2581
from parsers.ipc2581.stream import words

SCHEMAS = Path(__file__).parents[4] / "shared" / "schemas"
BOARDS = Path(__file__).parents[4] / "shared" / "boards"
NAMESPACE = "http://webstds.ipc.org/2581"
DICTIONARIES = {  # order in Content
    "A": ("Standard", "User", "Font", "LineDesc", "Color"),
    "B": ("Standard", "User", "Font", "LineDesc", "FillDesc", "Color"),
    "B1": ("Standard", "User", "Font", "LineDesc", "FillDesc", "Color"),
    "C": ("Color", "LineDesc", "FillDesc", "Font", "Standard", "User"),
}
MODES = {
    "A": '<FunctionMode mode="FABRICATION" level="1"/>',
    "B": '<FunctionMode mode="FABRICATION" level="1" comment=""/>',
    "B1": '<FunctionMode mode="USERDEF" level="1"/>',
    "C": '<FunctionMode mode="FABRICATION"/>',
}
CENTRED = words(
    "Butterfly Circle Diamond Donut Ellipse Hexagon Moire Octagon Oval RectCenter RectCham"
    " RectRound Thermal Triangle StandardPrimitiveRef"
)
SQUARE_BOARD = (  # 20 x 20 mm
    '<Profile><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="20" y="0"/><PolyStepSegment'
    ' x="20" y="20"/><PolyStepSegment x="0" y="20"/><PolyStepSegment x="0"'
    ' y="0"/></Polygon></Profile>'
)


def layer(
    name: str,
    function: str = "SIGNAL",
    side: str = "TOP",
    polarity: str = "POSITIVE",
    inside: str = "",
) -> str:
    """A Layer element."""
    return (
        f'<Layer name="{name}" layerFunction="{function}" side="{side}"'
        f' polarity="{polarity}">{inside}</Layer>'
    )


TWO_LAYERS = (layer("TOP"), layer("BOTTOM", side="BOTTOM"), layer("DRILL", "DRILL", "ALL"))


@dataclass(slots=True)
class File:
    """What a test says of a file; the rest is boiler plate."""

    revision: str = "C"
    units: str = "MILLIMETER"
    dictionaries: dict[str, str] = field(default_factory=dict)  # "Standard" -> entries
    dictionary_units: dict[str, str] = field(default_factory=dict)
    header: str = ""  # in CadHeader
    layers: tuple[str, ...] = TWO_LAYERS
    stackup: str = ""
    profile: str = SQUARE_BOARD
    before: str = ""  # in Step, before Datum: padstack definitions
    repeats: str = ""
    parts: str = ""  # packages, components
    nets: str = ""  # LogicalNet, PhyNetGroup
    features: dict[str, str] = field(default_factory=dict)  # layer -> Sets
    more_steps: str = ""
    bom: tuple[str, ...] = ()  # revision C wants every part that is named in a parts list

    def text(self) -> str:
        """The XML text."""
        step_type = ' type="BOARD"' if self.revision == "C" else ""
        drawn = "".join(
            f'<LayerFeature layerRef="{name}">{sets}</LayerFeature>'
            for name, sets in self.features.items()
        )
        step = (
            f'<Step name="board"{step_type}>{self.before}<Datum x="0"'
            f' y="0"/>{self.profile}{self.repeats}{self.parts}'
            f"{self.nets}{drawn}</Step>{self.more_steps}"
        )
        return (
            f'<?xml version="1.0" encoding="UTF-8"?>\n<IPC-2581 revision="{self.revision}"'
            f' xmlns="{NAMESPACE}">\n'
            f'<Content roleRef="owner">{MODES[self.revision]}<StepRef name="board"/><LayerRef'
            ' name="TOP"/>'
            f"{self._dictionaries()}</Content>\n{PAPERS}\n{self._bom()}"
            f'<Ecad name="board"><CadHeader units="{self.units}">{self.header}</CadHeader>'
            f"<CadData>{''.join(self.layers)}{self.stackup}{step}</CadData></Ecad>\n</IPC-2581>\n"
        )

    def _bom(self) -> str:
        items = "".join(
            f'<BomItem OEMDesignNumberRef="{name}" quantity="1" category="ELECTRICAL"><RefDes'
            f' name="{name}"/><Characteristics category="ELECTRICAL"/></BomItem>'
            for name in self.bom
        )
        return (
            f'<Bom name="B"><BomHeader assembly="board" revision="1"/>{items}</Bom>'
            if items
            else ""
        )

    def _dictionaries(self) -> str:
        out = ""
        for kind in DICTIONARIES[self.revision]:
            if kind in self.dictionaries:
                units = self.dictionary_units.get(kind, self.units)
                attribute = "" if kind == "Color" else f' units="{units}"'
                out += f"<Dictionary{kind}{attribute}>{self.dictionaries[kind]}</Dictionary{kind}>"
        return out


PAPERS = """<LogisticHeader><Role id="owner" roleFunction="DESIGNER"/><Enterprise id="shop" code="NONE"/>
<Person name="designer" enterpriseRef="shop" roleRef="owner"/></LogisticHeader>
<HistoryRecord number="1" origination="2026-01-01T00:00:00" software="none" lastChange="2026-01-01T00:00:00">
<FileRevision fileRevisionId="1" comment="" label=""><SoftwarePackage name="none" vendor="none" revision="1">
<Certification certificationStatus="SELFTEST"/></SoftwarePackage></FileRevision></HistoryRecord>"""


def read(
    file: File | str | bytes, folder: Path, hints: Hints | None = None, name: str = "board.xml"
) -> Board:
    """The board that a file holds."""
    path = folder / name
    text = file.text() if isinstance(file, File) else file
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_ipc2581(path, hints or Hints())


def features(shape: str, place: str = "") -> str:
    """A Features element; shapes that tell no place themselves lie at the origin unless said."""
    if not place and shape[1:].split(" ", maxsplit=1)[0] in CENTRED:
        place = '<Location x="0" y="0"/>'
    return f"<Features>{place}{shape}</Features>"


def one_set(inside: str, attributes: str = 'net="A"') -> str:
    """A Set element."""
    return f"<Set {attributes}>{inside}</Set>"


def polygon(points: str, name: str = "Polygon", more: str = "") -> str:
    """A Polygon of straight steps from `x,y x,y ...`, closed."""
    xy = [point.split(",") for point in points.split()]
    steps = "".join(f'<PolyStepSegment x="{x}" y="{y}"/>' for x, y in (*xy[1:], xy[0]))
    return f'<{name}><PolyBegin x="{xy[0][0]}" y="{xy[0][1]}"/>{steps}{more}</{name}>'


def copper_of(shape: str, folder: Path, *, attributes: str = 'net="A"', **more: object) -> Board:
    """A board whose top layer holds one feature."""
    file = File(features={"TOP": one_set(features(shape), attributes)}, **more)  # type: ignore[arg-type]
    file.profile = f"<Profile>{polygon('-99,-99 99,-99 99,99 -99,99')}</Profile>"
    return read(file, folder)


def shape_on(board: Board, layer_index: int = 0) -> shapely.Geometry:
    """All copper of a layer as one shape."""
    rows = np.flatnonzero(board.copper.layer == layer_index)
    return shapely.union_all(board.copper.shapes(rows))


def sentences(board: Board) -> list[str]:
    """What the board's doubts say, without those about layers that the file leaves empty."""
    return [d.what for d in board.doubts if not d.what.endswith("has no features")]
