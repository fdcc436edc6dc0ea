"""Bare-board test netlists, IPC-D-356 and 356A: which net each land and hole belongs to.

Records are lines of at most 80 columns; a first column of 0 continues the record before. Names
longer than 14 columns
have aliases in `P  NNAMEx name` or, from some exporters, in comments.

    317, 327, 307  points of nets: through hole, land, buried via
    347, 367       tooling and unplated holes; 337, tooling features, say nothing of copper or holes
    378            columns 4-17 net, 19-21 layer (L01 is the top), from 23 the width, then places; `*` ends a chain:
                   the middle of a chain's first segment names the copper there
    379            a net and those beside it, each of which another record must name
    389            columns 4-17 what is drawn, from 23 places as in 378: the board's edge is held against the profile

All other types, those of passive parts and of further test data among them, are a doubt.

Source: IPC-D-356 record layout as described publicly and found in the files of several exporters.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from parsers.assembly.diagnostics import Diagnostics
from parsers.board import PLATED, PLATING_UNKNOWN, UNPLATED
from parsers.primitives import Floats, Ints
from parsers.trouble import Doubt, FormatError, Place

_PREFIX = "NNAME"
NOT_CONNECTED = "N/C"
VIA = "VIA"
THROUGH, SURFACE = 1, 2
ALL_LAYERS = 0
FACES = 2  # of a board

BOARD_EDGE, PANEL_EDGE = "BOARD_EDGE", "PANEL_EDGE"

# mm per count
UNITS = {"CUST": 0.00254, "CUST 0": 0.00254, "CUST 1": 0.001, "CUST 2": 0.00254, "SI": 0.001}
DOUBTED_UNITS = {
    "SI": "the older millimetre form is read as 0.001 mm; check that the points meet the pads"
}
_DRAWN = re.compile(r"([03])([78])([89])")
_ADJACENT = re.compile(r"[03]79")
_PLACE = re.compile(r"\*|X([-+]?\d+)(?:Y([-+]?\d+))?|Y([-+]?\d+)", re.ASCII)
_TEST = re.compile(r"([03])([0123467])7")
_HOLES = ("4", "6")  # second digits of holes that belong to no net
_TOOLING = "3"
_ALIAS = re.compile(r"[PC]\s+NNAME(\S+)\s+(\S.*)")


class Point(NamedTuple):
    """A test record: a place, in mm, with its net and pin."""

    net: str
    part: str  # "" for none, VIA for vias
    pin: str
    kind: int  # THROUGH | SURFACE
    access: int  # ALL_LAYERS, or the layer's number from the top
    x: float
    y: float
    hole: float  # diameter, 0 for none
    plated: int
    line: int
    exact: bool = False  # `access` is the number of a layer, whatever other points call the bottom


@dataclass(frozen=True, slots=True)
class Netlist:
    """Test points in the order of the file."""

    name: str
    points: tuple[Point, ...]
    resolution: float  # mm per count
    doubts: tuple[Doubt, ...] = ()
    holes: tuple[Point, ...] = ()  # tooling and unplated ones
    edge: tuple[tuple[float, float], ...] = ()  # places of the board's edge, mm

    def places(self) -> Floats:
        """Places of the points, shape (n, 2)."""
        return np.array([(p.x, p.y) for p in self.points], dtype=np.float64).reshape(-1, 2)

    def access(self, layers: int) -> Ints:
        """Layer of each point by its access code, from 1 at the top, or ALL_LAYERS; shape (n,).

        Where no code is above 2 on a board of more layers, 2 is the other face (exporters' habit,
        no source).

        Parameters
        ----------
        layers : number of copper layers
        """
        codes = np.array([p.access for p in self.points], dtype=np.int32)
        exact = np.array([p.exact for p in self.points], dtype=np.bool_)
        faces = layers > FACES and codes[~exact].max(initial=0) == FACES
        bottom = faces & ~exact & (codes == FACES)
        return np.where(bottom, layers, codes).astype(np.int32)


def looks_like_netlist(data: bytes) -> bool:
    """Tell a netlist by its first lines.

    Examples
    --------
    >>> looks_like_netlist(b"P  UNITS CUST 0\\n317GND              VIA        D0100PA00X+0Y+0")
    True
    >>> looks_like_netlist(b"C comment\\n")
    False
    """
    head = data[:20_000].decode("latin-1")
    return bool(
        re.search(r"^P  (UNITS|JOB)\b", head, re.M) or re.search(r"^3[12]7\S.{16}", head, re.M)
    )


def read_netlist(data: bytes, name: str) -> Netlist:
    """Read a netlist.

    Raises
    ------
    FormatError : no unit before the first record, or one that is not known
    """
    state = _State(name)
    for state.line, raw in enumerate(data.splitlines(), 1):
        line = state.decoded(raw)
        if line.startswith("9"):
            break
        state.read(line.ljust(80))
    else:
        state.doubt("has no end mark (999)", "the file may be cut off; export it again")
    points = tuple(state.named())
    state.check_adjacent({point.net for point in points})
    doubts = state.diagnostics.doubts()
    return Netlist(name, points, state.unit or 0.0, doubts, tuple(state.holes), tuple(state.edge))


@dataclass(slots=True)
class _Drawn:
    """A record of places, and where its chain is."""

    code: str  # 78 conductor, 89 outline
    label: str  # net, or what is drawn
    layer: int
    x: int | None = None
    y: int | None = None
    named: bool = False  # the chain has named its copper


class _State:
    """What has been read so far."""

    def __init__(self, name: str) -> None:
        self.name, self.line = name, 0
        self.unit: float | None = None
        self.aliases: dict[str, str] = {}
        self.points: list[Point] = []
        self.holes: list[Point] = []
        self.edge: list[tuple[float, float]] = []
        self.diagnostics = Diagnostics(name)
        self._adjacent: dict[str, int] = {}  # net -> line
        self._section = ""
        self._drawn: _Drawn | None = None
        self._before: Point | None = None

    def doubt(self, what: str, why: str) -> None:
        """Note a doubt at this line."""
        self.diagnostics.add(f"{self.name} {what}", why, self.line)

    def decoded(self, raw: bytes) -> str:
        """A line as text; one with bytes that are no UTF-8 is a doubt, unless it is a comment."""
        try:
            return raw.decode()
        except UnicodeDecodeError:
            if not raw.startswith(b"C"):
                self.doubt(
                    "has records that are no UTF-8",
                    "names of nets may be cut or changed; export it again",
                )
            return raw.decode("latin-1")

    def read(self, line: str) -> None:
        """Take one line, padded to 80 columns."""
        alias = _ALIAS.match(line)
        if alias:
            self._alias(alias[1], alias[2].strip())
        elif line[0] == "P":
            self._parameter(line[1:].split())
        elif (test := _TEST.match(line)) is not None:
            self._test(line, test[2], continued=test[1] == "0")
        elif (drawn := _DRAWN.match(line)) is not None and drawn[2] + drawn[3] in ("78", "89"):
            self._drawing(line.rstrip(), drawn[2] + drawn[3], continued=drawn[1] == "0")
        elif _ADJACENT.match(line):
            self._adjacent |= {
                net: self.line for net in line[3:].split() if net not in self._adjacent
            }
        elif line.strip() and line[0] != "C":
            self.doubt(
                f"has records of type {line[:3].strip()!r}",
                "they are not read; a net may be missing",
            )

    def check_adjacent(self, known: set[str]) -> None:
        """A doubt if nets stand beside others and nowhere else."""
        spelled = {net: self.aliases.get(net.removeprefix(_PREFIX), net) for net in self._adjacent}
        lost = [
            net
            for net in self._adjacent
            if known.isdisjoint((net, spelled[net])) and net != NOT_CONNECTED
        ]
        if lost:
            why = f"for example {spelled[lost[0]]}; records are missing: export it again"
            what = f"{self.name} names {len(lost)} nets that have no record"
            self.diagnostics.add(what, why, self._adjacent[lost[0]])

    def named(self) -> Iterator[Point]:
        """Points with aliases replaced by the names they stand for; some exporters leave out the
        prefix in records.
        """
        prefix = _PREFIX if any(p.net.startswith(_PREFIX) for p in self.points) else ""
        for point in self.points:
            key = point.net.removeprefix(prefix) if point.net.startswith(prefix) else ""
            yield point._replace(net=self.aliases.get(key, point.net))

    def _alias(self, key: str, value: str) -> None:
        if re.search(r"\s\s|\s\W$", value):
            self.doubt(
                "has names with gaps in them",
                f"'{value[:40]}' is taken as it stands; export it again",
            )
        self.aliases[key] = value.removeprefix(f"{_PREFIX}{key}").strip() or value

    def _parameter(self, words: list[str]) -> None:
        if words[:1] == ["UNITS"]:
            text = " ".join(words[1:])
            if text not in UNITS:
                raise FormatError(
                    f"unit {text!r} is not known; export with CUST 0 or CUST 1", self._place()
                )
            if self.unit not in (None, UNITS[text]) and self.points:
                raise FormatError(
                    "the unit changes between records; export one board per netlist", self._place()
                )
            self.unit = UNITS[text]
            if text in DOUBTED_UNITS:
                self.doubt(f"uses unit {text}", DOUBTED_UNITS[text])
        elif words[:1] == ["IMAGE"]:
            self._image(" ".join(words[1:]))

    def _image(self, image: str) -> None:
        if self._section and image != self._section:
            self.doubt(
                "holds several images", "points of a panel are read as they stand; export one board"
            )
        self._section = image

    def _place(self) -> Place:
        return Place(self.name, self.line)

    def _checked_unit(self) -> float:
        if self.unit is None:
            raise FormatError(
                "no UNITS before the first record; add `P  UNITS CUST 0` or export again",
                self._place(),
            )
        return self.unit

    def _test(self, line: str, digit: str, *, continued: bool) -> None:
        """A point of a net, or a hole of none."""
        unit = self._checked_unit()
        x, y = self._number(line, 41, "X", 7), self._number(line, 49, "Y", 7)
        if x is None or y is None:
            if not continued:
                why = "a point without X and Y names no copper; a net may be missing"
                self.doubt("has records without a place", why)
                self._before = None
            return
        point = self._point(line, digit, (x * unit, y * unit), self._before if continued else None)
        self._before = point
        if digit in _HOLES:
            self.holes.append(point)
        elif digit != _TOOLING:
            self.points.append(point)

    def _point(self, line: str, digit: str, at: tuple[float, float], before: Point | None) -> Point:
        net, part, pin = line[3:17].strip(), line[20:26].strip(), line[27:31].strip()
        if before is not None and not net:
            net, part, pin = before.net, before.part, before.pin
        default = UNPLATED if digit in _HOLES else PLATING_UNKNOWN
        return Point(
            net=net,
            part=part,
            pin=pin,
            kind=SURFACE if digit == "2" else THROUGH,
            access=int(self._number(line, 38, "A", 2) or ALL_LAYERS),
            x=at[0],
            y=at[1],
            hole=(self._number(line, 32, "D", 4) or 0) * (self.unit or 0.0),
            plated={"P": PLATED, "U": UNPLATED}.get(line[37], default),
            line=self.line,
        )

    def _drawing(self, line: str, code: str, *, continued: bool) -> None:
        """Chains of places: conductors, or outlines."""
        self._checked_unit()
        if not continued:
            self._drawn = self._begun(line, code)
        elif self._drawn is None or self._drawn.code != code:
            self.doubt(
                f"has records of type '0{code}' that continue nothing",
                "they are not read; export it again",
            )
            return
        if self._drawn is None:
            return
        text = line[3:] if continued else line[22:]
        if code == "78" and not continued:
            text = text.lstrip().partition(" ")[2]  # behind the width
        if left := _PLACE.sub(" ", text).strip():
            self.doubt(
                "has places that are not readable",
                f"'{left[:40]}' is left out; a net or an edge may be missing",
            )
        for found in _PLACE.finditer(text):
            self._step(self._drawn, found)

    def _begun(self, line: str, code: str) -> _Drawn | None:
        """A record of places from its first columns; None where it cannot be used."""
        label = line[3:17].strip()
        if code == "78":
            layer = re.fullmatch(r"L(\d{2})", line[18:21])
            if layer is None:
                self.doubt(
                    "has conductors without a layer", "they name no copper; a net may be missing"
                )
            return _Drawn(code, label, int(layer[1])) if layer else None
        if label == PANEL_EDGE:
            self.doubt(
                "shows a panel", "points of a panel are read as they stand; export one board"
            )
        elif label != BOARD_EDGE:
            why = (
                "it is no part of the board that is checked; what is an edge must be in the profile"
                " or a drill file"
            )
            self.doubt(f"draws {label or 'an outline of no kind'}", why)
        return _Drawn(code, label, 0)

    def _step(self, drawn: _Drawn, found: re.Match[str]) -> None:
        """One place of a chain, or its end."""
        if found[0] == "*":
            drawn.x = drawn.y = None
            drawn.named = False
            return
        before = drawn.x, drawn.y
        drawn.x = int(found[1]) if found[1] else drawn.x
        drawn.y = int(found[2] or found[3]) if found[2] or found[3] else drawn.y
        if drawn.x is None or drawn.y is None:
            return
        unit = self.unit or 0.0
        if drawn.label == BOARD_EDGE and drawn.code == "89":
            self.edge.append((drawn.x * unit, drawn.y * unit))
        elif drawn.code == "78" and None not in before and not drawn.named:
            drawn.named = True
            x, y = ((before[0] or 0) + drawn.x) * unit / 2, ((before[1] or 0) + drawn.y) * unit / 2
            plated = PLATING_UNKNOWN
            at = Point(
                drawn.label, "", "", SURFACE, drawn.layer, x, y, 0.0, plated, self.line, exact=True
            )
            self.points.append(at)

    def _number(self, line: str, column: int, letter: str, width: int) -> int | None:
        """The number behind a letter that must stand in this column; blanks pad it."""
        if line[column] != letter:
            return None
        text = line[column + 1 : column + 1 + width].strip()
        if re.fullmatch(r"[-+]? *\d+", text, re.ASCII) is None:
            self.doubt(
                "has numbers that are not readable",
                f"'{line[:60].rstrip()}' is left out; a net may be missing",
            )
            return None
        return int(text.replace(" ", ""))
