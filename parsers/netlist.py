"""Bare-board test netlists, IPC-D-356 and 356A: which net each land and hole belongs to.

Records are lines of at most 80 columns. Read are test records (317 through hole, 327 land, their continuations), the
unit, names longer than 14 columns, whose aliases stand in `P  NNAMEx name` or, from some exporters, in comments, and
conductor segments (378 and its continuations), each chain of which names the copper beneath it. Tooling and unplated
features (337, 347, 367), adjacency and outlines (379, 389) and data of passive parts give no name to copper and are
skipped; record types that are not known are a doubt.

    378  columns 4-17 net, 19-21 layer (L01 is the top), from 23 the width, then places; `*` ends a chain

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

UNITS = {"CUST": 0.00254, "CUST 0": 0.00254, "CUST 1": 0.001, "CUST 2": 0.00254, "SI": 0.001}  # mm per count
DOUBTED_UNITS = {"SI": "the older millimetre form is read as 0.001 mm; check that the points meet the pads"}
_SKIPPED = re.compile(r"3[34]7|367|0[34]7|067|[03]7[0-79]|[03]8[89]|[03]9\d")
_CONDUCTOR = re.compile(r"([03])78")
_PLACE = re.compile(r"(?:X([-+]?\d+))?(?:Y([-+]?\d+))?", re.ASCII)
_TEST = re.compile(r"([03])([012])7")
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


@dataclass(frozen=True, slots=True)
class Netlist:
    """Test points in the order of the file."""

    name: str
    points: tuple[Point, ...]
    resolution: float  # mm per count
    doubts: tuple[Doubt, ...] = ()

    def places(self) -> Floats:
        """Places of the points, shape (n, 2)."""
        return np.array([(p.x, p.y) for p in self.points], dtype=np.float64).reshape(-1, 2)

    def access(self, layers: int) -> Ints:
        """Layer of each point by its access code, from 1 at the top, or ALL_LAYERS; shape (n,).

        Where no code is above 2 on a board of more layers, 2 is the other face (exporters' habit, no source).

        Parameters
        ----------
        layers : number of copper layers
        """
        codes = np.array([p.access for p in self.points], dtype=np.int32)
        faces = layers > FACES and codes.max(initial=0) == FACES
        return np.where(codes == FACES, layers, codes).astype(np.int32) if faces else codes


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
    return bool(re.search(r"^P  (UNITS|JOB)\b", head, re.M) or re.search(r"^3[12]7\S.{16}", head, re.M))


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
    return Netlist(name, tuple(state.named()), state.unit or 0.0, state.diagnostics.doubts())


@dataclass(slots=True)
class _Chain:
    """A chain of conductor segments so far: its net and layer, and where it is."""

    net: str
    layer: int
    x: int | None = None
    y: int | None = None
    named: bool = False


class _State:
    """What has been read so far."""

    def __init__(self, name: str) -> None:
        self.name, self.line = name, 0
        self.unit: float | None = None
        self.aliases: dict[str, str] = {}
        self.points: list[Point] = []
        self.diagnostics = Diagnostics(name)
        self._section = ""
        self._chain: _Chain | None = None

    def doubt(self, what: str, why: str) -> None:
        """Note a doubt at this line."""
        self.diagnostics.add(f"{self.name} {what}", why, self.line)

    def decoded(self, raw: bytes) -> str:
        """A line as text; one with bytes that are no UTF-8 is a doubt, unless it is a comment."""
        try:
            return raw.decode()
        except UnicodeDecodeError:
            if not raw.startswith(b"C"):
                self.doubt("has records that are no UTF-8", "names of nets may be cut or changed; export it again")
            return raw.decode("latin-1")

    def read(self, line: str) -> None:
        """Take one line, padded to 80 columns."""
        alias = _ALIAS.match(line)
        if alias:
            self._alias(alias[1], alias[2].strip())
        elif line[0] == "P":
            self._parameter(line[1:].split())
        elif (test := _TEST.match(line)) is not None:
            self._test(line, continued=test[1] == "0")
        elif (conductor := _CONDUCTOR.match(line)) is not None:
            self._conductor(line.rstrip(), continued=conductor[1] == "0")
        elif line.strip() and line[0] != "C" and not _SKIPPED.match(line):
            self.doubt(f"has records of unknown type {line[:3].strip()!r}", "they are not read; a net may be missing")

    def named(self) -> Iterator[Point]:
        """Points with aliases replaced by the names they stand for; some exporters leave out the prefix in records."""
        prefix = _PREFIX if any(p.net.startswith(_PREFIX) for p in self.points) else ""
        for point in self.points:
            key = point.net.removeprefix(prefix) if point.net.startswith(prefix) else ""
            yield point._replace(net=self.aliases.get(key, point.net))

    def _alias(self, key: str, value: str) -> None:
        self.aliases[key] = value.removeprefix(f"{_PREFIX}{key}").strip() or value

    def _parameter(self, words: list[str]) -> None:
        if words[:1] == ["UNITS"]:
            text = " ".join(words[1:])
            if text not in UNITS:
                raise FormatError(f"unit {text!r} is not known; export with CUST 0 or CUST 1", self._place())
            if self.unit not in (None, UNITS[text]) and self.points:
                raise FormatError("the unit changes between records; export one board per netlist", self._place())
            self.unit = UNITS[text]
            if text in DOUBTED_UNITS:
                self.doubt(f"uses unit {text}", DOUBTED_UNITS[text])
        elif words[:1] == ["IMAGE"]:
            self._image(" ".join(words[1:]))

    def _image(self, image: str) -> None:
        if self._section and image != self._section:
            self.doubt("holds several images", "points of a panel are read as they stand; export one board")
        self._section = image

    def _place(self) -> Place:
        return Place(self.name, self.line)

    def _test(self, line: str, *, continued: bool) -> None:
        if self.unit is None:
            raise FormatError("no UNITS before the first record; add `P  UNITS CUST 0` or export again", self._place())
        x, y = self._number(line, 41, "X", 7), self._number(line, 49, "Y", 7)
        if x is None or y is None:
            if not continued:
                self.doubt(
                    "has records without a place", "a point without X and Y names no copper; a net may be missing"
                )
            return
        net, part, pin = line[3:17].strip(), line[20:26].strip(), line[27:31].strip()
        before = self.points[-1] if continued and self.points else None
        if before is not None and not net:
            net, part, pin = before.net, before.part, before.pin
        self.points.append(
            Point(
                net=net,
                part=part,
                pin=pin,
                kind=SURFACE if line[1] == "2" else THROUGH,
                access=int(self._number(line, 38, "A", 2) or ALL_LAYERS),
                x=x * self.unit,
                y=y * self.unit,
                hole=(self._number(line, 32, "D", 4) or 0) * self.unit,
                plated={"P": PLATED, "U": UNPLATED}.get(line[37], PLATING_UNKNOWN),
                line=self.line,
            )
        )

    def _conductor(self, line: str, *, continued: bool) -> None:
        """A chain of segments: a point in the middle of the first one of each chain names the copper there."""
        if self.unit is None:
            raise FormatError("no UNITS before the first record; add `P  UNITS CUST 0` or export again", self._place())
        if continued and self._chain is not None:
            words = line[3:].split()
        else:
            layer = re.fullmatch(r"L(\d{2})", line[18:21])
            if layer is None:
                self.doubt("has conductors without a layer", "they name no copper; a net may be missing")
                self._chain = None
                return
            self._chain = _Chain(line[3:17].strip(), int(layer[1]))
            words = line[22:].split()[1:]
        for word in words:
            self._step(self._chain, word)

    def _step(self, chain: _Chain, word: str) -> None:
        """One place of a chain, or its end."""
        found = _PLACE.fullmatch(word)
        if word == "*":
            chain.x = chain.y = None
            chain.named = False
            return
        if found is None or not word:
            self.doubt("has conductors that are not readable", f"'{word[:40]}' is left out; a net may be missing")
            return
        before = chain.x, chain.y
        chain.x = chain.x if found[1] is None else int(found[1])
        chain.y = chain.y if found[2] is None else int(found[2])
        if None not in (*before, chain.x, chain.y) and not chain.named:
            chain.named = True
            unit = (self.unit or 0.0) / 2
            x, y = ((before[0] or 0) + (chain.x or 0)) * unit, ((before[1] or 0) + (chain.y or 0)) * unit
            point = Point(chain.net, "", "", SURFACE, chain.layer, x, y, 0.0, PLATING_UNKNOWN, self.line)
            self.points.append(point)

    def _number(self, line: str, column: int, letter: str, width: int) -> int | None:
        """The number behind a letter that must stand in this column; blanks pad it."""
        if line[column] != letter:
            return None
        text = line[column + 1 : column + 1 + width].strip()
        if re.fullmatch(r"[-+]? *\d+", text, re.ASCII) is None:
            self.doubt("has numbers that are not readable", f"'{line[:60].rstrip()}' is left out; a net may be missing")
            return None
        return int(text.replace(" ", ""))
