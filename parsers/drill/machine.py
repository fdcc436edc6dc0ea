"""The drilling machine: carries out a program line by line and notes the holes that it makes."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from math import atan2, hypot, pi, sqrt
from typing import Any, NamedTuple

import numpy as np

from parsers.assembly.diagnostics import Diagnostics
from parsers.board import PLATED, PLATING_UNKNOWN, UNPLATED
from parsers.drill.formats import DEFAULT_DIGITS, INCH, MILLIMETRE, NumberFormat
from parsers.primitives import ARC_TOLERANCE, Floats, arc_points
from parsers.trouble import FormatError, Place

MAX_HITS = 500_000  # holes of one file; a repeat count beyond it is a bomb, not a board
# mm; a tool given without decimal point and larger than this was hardly meant so
ODD_DIAMETER = 10.0


class Hit(NamedTuple):
    """One stroke of a tool."""

    x0: float
    y0: float
    x1: float
    y1: float
    tool: int
    line: int
    swell: float = 0.0  # how far an arc's chord strays from it
    attributes: int = 0


@dataclass(slots=True)
class Tool:
    """What the program says of a tool; diameter in mm."""

    diameter: float | None = None
    plated: int = PLATING_UNKNOWN
    function: str = ""
    quantity: int | None = None


_NUMBER = r"[-+]?\d{0,12}\.?\d{0,12}"  # longer ones are no coordinates
_BROKEN_NUMBER = re.compile(r"[\d.]\s+[\d.]")
_WORD = re.compile(rf"([A-Z])({_NUMBER})", re.ASCII)
_PLAIN = re.compile(rf"(?:[A-Z]{_NUMBER})+", re.ASCII)
# a plain hole, nearly all lines of a program
_HIT = re.compile(rf"(?=.)(?:X({_NUMBER}))?(?:Y({_NUMBER}))?", re.ASCII)
_COMMENT_FORMAT = re.compile(
    r"FORMAT=\{(?:(\d):(\d)|-:-)/\s*(absolute|incremental)\s*/\s*(inch|metric)\s*/\s*([a-z ]+)\}",
    re.ASCII,
)
_COMMENT_TOOL = re.compile(
    r"(?:T(\d{1,6})\s+)?Holesize\s+(\d{1,6})\.?\s*=\s*([\d.]{1,15})\s+Tolerance\s*=\s*\S+\s+"
    r"(PLATED|NON_PLATED|OPTIONAL)\s+(MILS|MM|MILLIMETERS|INCHES|MICRONS)\s+Quantity\s*=\s*(\d{1,9})",
    re.IGNORECASE | re.ASCII,
)
_TOOL_UNITS = {"MILS": 0.0254, "MM": 1.0, "MILLIMETERS": 1.0, "INCHES": 25.4, "MICRONS": 0.001}
PLATING = {"Plated": PLATED, "NonPlated": UNPLATED, "PTH": PLATED, "NPTH": UNPLATED}
# tool change, stop for inspection, plunge, message, end of header
_SILENT_M = {"M06", "M09", "M14", "M47", "M95"}
TOOL_FIELDS = frozenset("CFSBHZXYGM")
_SILENT_G = {"G40"}
_SILENT_KEYWORDS = (
    "VER",
    "DETECT",
    "ATC",
    "BLKD",
    "SBK",
    "TCST",
    "OSTOP",
    "UP",
    "AFS",
    "OM48",
    "R,T",
    "R,C",
    "R,D",
    "R,H",
)


class Machine:
    """A drilling machine that runs a program and notes the holes it makes."""

    def __init__(self, name: str, assume: NumberFormat, told: NumberFormat | None = None) -> None:
        self.name, self.assume, self.told = name, assume, told
        self.stated = told or NumberFormat()
        self.assumed: set[str] = set()
        self.line = 0
        self._scale: tuple[float, int, int | None] | None = None
        self.tools: dict[int, Tool] = {}
        self.tool = 0
        self.hits: list[Hit] = []
        self.diagnostics = Diagnostics(name)
        self.file_attributes: dict[str, tuple[str, ...]] = {}
        self.plating = PLATING_UNKNOWN  # from TYPE or TF
        self.attribute_sets: list[tuple[tuple[str, tuple[str, ...]], ...]] = [()]
        self._objects: dict[str, tuple[str, ...]] = {}
        self._aperture: tuple[str, ...] = ()
        self._x = self._y = 0.0
        self._incremental = False
        self._route = False
        self._down = False
        self._motion = 0
        self._header = False
        self._pattern: int | None = None
        self._patterns = 0
        self._shape: list[Hit] = []
        self._shift = (0.0, 0.0)

    # -------------------------------------------------------------------------------------- results

    def centres(self) -> Floats:
        """Middles of the holes, shape (n, 2)."""
        ends = np.array([hit[:4] for hit in self.hits]).reshape(-1, 2, 2)
        middles: Floats = ends.mean(axis=1) if len(ends) else np.empty((0, 2))
        return middles

    def table(self) -> Floats:
        """Ends and radii, shape (n, 5)."""
        return np.array([(*hit[:4], self._diameter(hit.tool) / 2) for hit in self.hits]).reshape(
            -1, 5
        )

    def _diameter(self, tool: int) -> float:
        return (self.tools[tool].diameter or 0.0) if tool in self.tools else 0.0

    def doubt(self, what: str, why: str) -> None:
        """Note a doubt at the current line."""
        self.diagnostics.add(f"{self.name} {what}", why, self.line)

    # ---------------------------------------------------------------------------------------- lines

    def execute(self, line: str) -> bool:
        """Carry out one line; True at the end of the program."""
        hit = _HIT.fullmatch(line)
        if hit and not self._route and not self._incremental:
            self._x = self._x if hit[1] is None else self.length(hit[1])
            self._y = self._y if hit[2] is None else self.length(hit[2])
            self._make(self._x, self._y, self._x, self._y)
            return False
        code, _, comment = line.partition(";")
        if comment:
            self._comment(comment.strip())
        code = code.strip().upper().lstrip("/")
        if not code or code == "%":
            self._header = self._header and code != "%"
            return False
        if code.startswith("M47") or (code.startswith("(") and code.endswith(")")):
            return False
        fields = code.split(",")
        if fields[0] in _KEYWORDS:
            _KEYWORDS[fields[0]](self, fields)
            return False
        if self._header and code.startswith(_SILENT_KEYWORDS):
            return False
        return self._words(code)

    def _words(self, spaced: str) -> bool:
        if _BROKEN_NUMBER.search(spaced):
            self.doubt(
                "has a blank inside a number",
                f"'{spaced[:40]}' is not read; a digit may be lost there",
            )
            return False
        code = spaced.replace(" ", "")
        if not _PLAIN.fullmatch(code):
            self.doubt(
                "has a line that is not understood",
                f"'{code[:40]}' is no known command; holes may be missing",
            )
            return False
        words = _WORD.findall(code)
        while words and (words[0][0] == "N" or (words[0][0] in "FS" and len(words) > 1)):
            words = words[1:]
        if not words:
            return False
        letter, number = words[0]
        key = f"{letter}{int(number):02d}" if letter in "GM" and number.isdigit() else letter
        if key in ("M30", "M00"):
            return True
        handler = _WORDS.get(key)
        if handler is not None:
            handler(self, words)
        elif key not in _SILENT_M and key not in _SILENT_G and letter not in "FS":
            self.doubt(
                f"uses {key}",
                f"'{code[:40]}' is not interpreted; holes may be missing or elsewhere",
            )
        return False

    # ---------------------------------------------------------------------------------------- units

    def set_unit(self, unit: float) -> None:
        """Take the unit of all numbers that follow."""
        if self.stated.unit not in (None, unit) and self.hits:
            self.doubt(
                "changes its unit", "holes before and after the change are read in different units"
            )
        self._state(unit=unit)

    def _state(self, **told: Any) -> None:
        self.stated = replace(self.stated, **told)
        self._scale = None

    def set_digits(self, integers: int, decimals: int) -> None:
        """Take the number of digits of coordinates without decimal point."""
        self._state(integers=integers, decimals=decimals)

    def keyword_unit(self, fields: list[str]) -> None:
        """METRIC or INCH with LZ or TZ and a digit pattern such as 000.000."""
        self.set_unit(MILLIMETRE if fields[0] == "METRIC" else INCH)
        for part in (f.strip() for f in fields[1:]):
            if part in ("LZ", "TZ"):
                self._state(trailing=part == "TZ")
            elif re.fullmatch(r"0+\.0+", part):
                whole, _, rest = part.partition(".")
                self.set_digits(len(whole), len(rest))
            elif part:
                self.doubt(
                    "has an unknown number format", f"'{part}' after {fields[0]} is not understood"
                )

    def keyword_format(self, fields: list[str]) -> None:
        """FMAT,1 has other codes for routing."""
        if fields[1:] != ["2"]:
            self.doubt(
                "is written in format 1", "codes of the old format are read as those of format 2"
            )

    def keyword_increments(self, fields: list[str]) -> None:
        """ICI: incremental coordinates on or off."""
        self._incremental = fields[1:] != ["OFF"]

    def keyword_header(self, _: list[str]) -> None:
        """M48 opens the header."""
        self._header = True

    def _unit(self) -> float:
        if self.stated.unit is None:
            self.assumed.add("unit")
            return self.assume.unit or MILLIMETRE
        return self.stated.unit

    def length(self, text: str) -> float:
        """A coordinate in mm."""
        digits = text.lstrip("+-")
        if digits in ("", "."):
            self.doubt("has a coordinate without a number", "it is read as 0")
            return 0.0
        if "." in text:
            return float(text) * self._unit()
        if self._scale is None:
            self._scale = self._reading()
        unit, integers, decimals = self._scale
        places = decimals if decimals is not None else len(digits) - integers
        value = int(digits) * unit / 10.0**places
        return -value if text[0] == "-" else value

    def _reading(self) -> tuple[float, int, int | None]:
        """Unit, integer digits, and decimals if they count from the right; noted as assumed where
        not stated.
        """
        unit = self._unit()
        if self.stated.decimals is None:
            self.assumed.add("digits")
        if self.stated.trailing is None:
            self.assumed.add("zeros")
        told = self.stated.filled(self.assume).filled(
            NumberFormat(unit, *DEFAULT_DIGITS[unit], True)
        )
        return unit, told.integers or 0, (told.decimals or 0) if told.trailing else None

    # ---------------------------------------------------------------------------------------- tools

    def word_tool(self, words: list[tuple[str, str]]) -> None:
        """T: define a tool if a diameter follows, else load it."""
        number = int(words[0][1]) if words[0][1].isdigit() else 0
        given = dict(words[1:])
        if given.keys() - TOOL_FIELDS:
            self.doubt(
                "has a tool that is not understood", f"tool {number} has fields of unknown meaning"
            )
        if "C" in given:
            self._define(number, given["C"])
        elif self._header:
            self.tools.setdefault(number, self._fresh_tool())
        if not self._header:
            self.tool = number
        if "X" in given or "Y" in given:
            self._hit(given)

    def _define(self, number: int, text: str) -> None:
        diameter = _number(text) * self._unit()
        if "." not in text and diameter > ODD_DIAMETER:
            self.doubt(
                f"gives tool {number} {diameter:g} mm",
                "a diameter without decimal point; is its unit right?",
            )
        old = self.tools.get(number)
        if old and old.diameter is not None and abs(old.diameter - diameter) > 0.01:
            self.doubt(
                f"gives tool {number} two diameters",
                f"{old.diameter:g} mm and {diameter:g} mm; the second is used",
            )
        fresh = self._fresh_tool()
        if old and fresh.plated == PLATING_UNKNOWN:
            fresh.plated = old.plated
        if old:
            fresh.quantity = old.quantity
        fresh.diameter = diameter
        self.tools[number] = fresh

    def _fresh_tool(self) -> Tool:
        plated, function = _function(self._aperture)
        return Tool(None, self.plating if plated == PLATING_UNKNOWN else plated, function)

    # ---------------------------------------------------------------------------------------- moves

    def word_coordinate(self, words: list[tuple[str, str]]) -> None:
        """X, Y: a hole, a slot with G85, a move or a cut."""
        split = next((i for i, w in enumerate(words) if w[0] == "G"), None)
        if split is None:
            self._go(dict(words), told=False)
        elif words[split] == ("G", "85"):
            start = self._target(dict(words[:split]))
            self._x, self._y = start
            end = self._target(dict(words[split + 1 :]))
            self._x, self._y = end
            self._make(*start, *end)
        else:
            self.doubt(
                f"uses G{words[split][1]}",
                "a code between coordinates is not interpreted; holes may be missing",
            )

    def word_motion(self, words: list[tuple[str, str]]) -> None:
        """G00 to G03: move or cut."""
        self._motion = int(words[0][1])
        if self._motion == 0:
            self._route = True
        if len(words) > 1:
            self._go(dict(words[1:]))

    def word_drill(self, words: list[tuple[str, str]]) -> None:
        """G05, G81: drilling."""
        self._route = self._down = False
        self._motion = 0
        if len(words) > 1:
            self._go(dict(words[1:]))

    def word_down(self, _: list[tuple[str, str]]) -> None:
        """M15: tool down."""
        self._route = self._down = True

    def word_up(self, _: list[tuple[str, str]]) -> None:
        """M16, M17: tool up."""
        self._down = False

    def word_absolute(self, words: list[tuple[str, str]]) -> None:
        """G90, G91: absolute or incremental coordinates."""
        self._incremental = words[0][1] == "91"
        if len(words) > 1:
            self._go(dict(words[1:]))

    def word_metric(self, _: list[tuple[str, str]]) -> None:
        """M71: millimetres."""
        self.set_unit(MILLIMETRE)

    def word_inch(self, _: list[tuple[str, str]]) -> None:
        """M72: inches."""
        self.set_unit(INCH)

    def word_zero(self, words: list[tuple[str, str]]) -> None:
        """G92, G93: zero set; without effect if zero."""
        if any(self.length(v) != 0 for k, v in words[1:] if k in "XY"):
            self.doubt(
                "moves its zero point",
                "G92 and G93 are not applied; all holes after it may be elsewhere",
            )

    def _target(self, given: Mapping[str, str]) -> tuple[float, float]:
        x = self.length(given["X"]) if "X" in given else None
        y = self.length(given["Y"]) if "Y" in given else None
        if self._incremental:
            return self._x + (x or 0.0), self._y + (y or 0.0)
        return self._x if x is None else x, self._y if y is None else y

    def _go(self, given: Mapping[str, str], *, told: bool = True) -> None:
        if not self._route:
            if self._motion:
                self.doubt(
                    "cuts without a routing mode", f"G0{self._motion} before M15 is read as a hole"
                )
            self._hit(given)
            return
        target = self._target(given)
        if self._down:
            self._cut(target, given)
        elif not told:
            self.doubt(
                "moves on in routing mode",
                "coordinates without G00 or G05 after a cut are no holes here",
            )
        elif self._motion:
            self.doubt(
                "cuts with the tool up", "a cut before M15 is not a slot; slots may be missing"
            )
        self._x, self._y = target

    def _hit(self, given: Mapping[str, str]) -> None:
        self._x, self._y = self._target(given)
        self._make(self._x, self._y, self._x, self._y)

    def _cut(self, target: tuple[float, float], given: Mapping[str, str]) -> None:
        if self._motion in (2, 3):
            points = self._arc(target, given)
            for start, end in pairwise(points.tolist()):
                self._make(start[0], start[1], end[0], end[1], ARC_TOLERANCE)
            return
        self._make(self._x, self._y, *target)

    def _arc(self, target: tuple[float, float], given: Mapping[str, str]) -> Floats:
        start = (self._x, self._y)
        clockwise = self._motion == 2
        if "A" in given:
            centre = _centre(start, target, abs(self.length(given["A"])), clockwise=clockwise)
        elif "I" in given or "J" in given:
            centre = (start[0] + self._part(given, "I"), start[1] + self._part(given, "J"))
        else:
            centre = None
        if centre is None or hypot(start[0] - centre[0], start[1] - centre[1]) == 0:
            self.doubt("has an arc without a centre", "it is read as a straight cut")
            return np.array([start, target])
        return _arc_chords(start, target, centre, clockwise=clockwise)

    def _part(self, given: Mapping[str, str], axis: str) -> float:
        return self.length(given[axis]) if axis in given else 0.0

    def _make(self, x0: float, y0: float, x1: float, y1: float, swell: float = 0.0) -> None:
        if self.tool not in self.tools:
            self.tools[self.tool] = self._fresh_tool()
        if len(self.hits) >= MAX_HITS:
            raise FormatError(
                f"more than {MAX_HITS} holes; is a repeat count wrong?", Place(self.name, self.line)
            )
        self.hits.append(
            Hit(x0, y0, x1, y1, self.tool, self.line, swell, len(self.attribute_sets) - 1)
        )

    # -------------------------------------------------------------------------------------- repeats

    def word_repeat(self, words: list[tuple[str, str]]) -> None:
        """R: repeat the last hole (or, with M02, the pattern) at a step."""
        count = int(words[0][1]) if words[0][1].isdigit() else 0
        if count > MAX_HITS:
            what = f"more than {MAX_HITS} holes; is a repeat count wrong?"
            raise FormatError(what, Place(self.name, self.line))
        if ("M", "02") in words[1:] or ("M", "2") in words[1:]:
            for _ in range(count):
                self.word_offset([w for w in words[1:] if w[0] in "XY"])
            return
        given = dict(words[1:])
        x, y = self._part(given, "X"), self._part(given, "Y")
        if not self.hits:
            why = "R is not interpreted; holes may be missing"
            self.doubt("repeats a hole before there is one", why)
            return
        last = self.hits[-1]
        for i in range(1, count + 1):
            ends = last.x0 + i * x, last.y0 + i * y, last.x1 + i * x, last.y1 + i * y
            self._make(*ends, last.swell)
        self._x, self._y = self._x + count * x, self._y + count * y

    def word_pattern(self, _: list[tuple[str, str]]) -> None:
        """M25: a pattern begins."""
        self._pattern, self._patterns = len(self.hits), 0

    def word_pattern_end(self, _: list[tuple[str, str]]) -> None:
        """M01: a pattern ends; M08: its repeats end."""
        self._shape = self.hits[self._pattern :] if self._pattern is not None else []
        self._shift = (0.0, 0.0)

    def word_offset(self, words: list[tuple[str, str]]) -> None:
        """M02: the pattern again, moved."""
        if self._pattern is None:
            self.doubt(
                "repeats a pattern before there is one",
                "M02 is not interpreted; holes may be missing",
            )
            return
        if any(w[0] == "M" and w[1] in ("70", "80", "90") for w in words):
            self.doubt(
                "turns or mirrors a pattern",
                "M70, M80 and M90 are not interpreted; holes may be elsewhere",
            )
        given = dict(w for w in words if w[0] in "XY")
        self._patterns += 1
        if self._patterns == 2:
            self.doubt(
                "repeats a pattern more than once",
                "each offset is taken from the copy before it; check the holes",
            )
        dx, dy = self._shift[0] + self._part(given, "X"), self._shift[1] + self._part(given, "Y")
        self._shift = (dx, dy)
        tool = self.tool
        for hit in self._shape:
            self.tool = hit.tool
            self._make(hit.x0 + dx, hit.y0 + dy, hit.x1 + dx, hit.y1 + dy, hit.swell)
        self.tool = tool

    # ------------------------------------------------------------------------------------- comments

    def _comment(self, text: str) -> None:
        if text.startswith("#@!"):
            self._attribute(text[3:].strip().rstrip("*"))
        elif text.upper().startswith("TYPE="):
            self.plating = {"PLATED": PLATED, "NON_PLATED": UNPLATED}.get(
                text[5:].strip().upper(), PLATING_UNKNOWN
            )
        elif (digits := re.fullmatch(r"FILE_FORMAT=(\d):(\d)", text, re.ASCII)) is not None:
            self.set_digits(int(digits[1]), int(digits[2]))
        elif (told := _COMMENT_FORMAT.match(text)) is not None:
            self._told_format(told)
        elif (tool := _COMMENT_TOOL.search(text)) is not None:
            self._tool_comment(tool)

    def _told_format(self, told: re.Match[str]) -> None:
        if told[1] and self.stated.decimals is None:
            self.set_digits(int(told[1]), int(told[2]))
        zeros = {"suppress leading zeros": True, "suppress trailing zeros": False}.get(
            told[5].strip()
        )
        if zeros is not None and self.stated.trailing is None:
            self._state(trailing=zeros)

    def _tool_comment(self, told: re.Match[str]) -> None:
        tool = self.tools.setdefault(int(told[1] or told[2]), self._fresh_tool())
        if tool.diameter is None:
            tool.diameter = _number(told[3]) * _TOOL_UNITS[told[5].upper()]
        tool.plated = {"PLATED": PLATED, "NON_PLATED": UNPLATED}.get(
            told[4].upper(), PLATING_UNKNOWN
        )
        tool.quantity = int(told[6])

    def _attribute(self, text: str) -> None:
        name, *values = text.split(",")
        if name.startswith("TF."):
            self.file_attributes.setdefault(name[2:], tuple(values))
            if name == "TF.FileFunction" and values:
                self.plating = PLATING.get(values[0], PLATING_UNKNOWN)
        elif name == "TA.AperFunction":
            self._aperture = tuple(values)
        elif name.startswith("TO."):
            self._object(name[2:], tuple(values))
        elif name.startswith("TD"):
            self._delete(name[2:])

    def _object(self, name: str, values: tuple[str, ...]) -> None:
        self._objects[name] = values
        self.attribute_sets.append(tuple(sorted(self._objects.items())))

    def _delete(self, name: str) -> None:
        if name in ("", ".AperFunction"):
            self._aperture = ()
        self._objects = {k: v for k, v in self._objects.items() if name and k != name}
        self.attribute_sets.append(tuple(sorted(self._objects.items())))


_KEYWORDS: dict[str, Callable[[Machine, list[str]], None]] = {
    "METRIC": Machine.keyword_unit,
    "INCH": Machine.keyword_unit,
    "FMAT": Machine.keyword_format,
    "ICI": Machine.keyword_increments,
    "M48": Machine.keyword_header,
}
_WORDS: dict[str, Callable[[Machine, list[tuple[str, str]]], None]] = {
    "T": Machine.word_tool,
    "X": Machine.word_coordinate,
    "Y": Machine.word_coordinate,
    "R": Machine.word_repeat,
    **dict.fromkeys(("G00", "G01", "G02", "G03"), Machine.word_motion),
    **dict.fromkeys(("G05", "G81"), Machine.word_drill),
    **dict.fromkeys(("G90", "G91"), Machine.word_absolute),
    **dict.fromkeys(("G92", "G93"), Machine.word_zero),
    "M15": Machine.word_down,
    **dict.fromkeys(("M16", "M17"), Machine.word_up),
    "M71": Machine.word_metric,
    "M72": Machine.word_inch,
    "M25": Machine.word_pattern,
    **dict.fromkeys(("M01", "M08"), Machine.word_pattern_end),
    "M02": Machine.word_offset,
}


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return 0.0


def _function(fields: tuple[str, ...]) -> tuple[int, str]:
    """Plating and function of `TA.AperFunction` fields such as Plated,PTH,ViaDrill.

    Examples
    --------
    >>> _function(("NonPlated", "NPTH", "MechanicalDrill"))
    (0, 'MechanicalDrill')
    >>> _function(("ViaDrill",))
    (-1, 'ViaDrill')
    """
    plated = next((PLATING[f] for f in fields if f in PLATING), PLATING_UNKNOWN)
    rest = [f for f in fields if f not in PLATING and f not in ("Blind", "Buried")]
    return plated, ",".join(rest)


def _centre(
    start: tuple[float, float], end: tuple[float, float], radius: float, *, clockwise: bool
) -> tuple[float, float] | None:
    """Centre of an arc of at most 180 degrees with this radius."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    chord = hypot(dx, dy)
    if chord == 0 or radius <= 0:
        return None
    height = sqrt(max(radius * radius - chord * chord / 4, 0.0))
    side = -1.0 if clockwise else 1.0
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    return middle[0] - side * height * dy / chord, middle[1] + side * height * dx / chord


def _arc_chords(
    start: tuple[float, float],
    end: tuple[float, float],
    centre: tuple[float, float],
    *,
    clockwise: bool,
) -> Floats:
    """Points along an arc, ends as given."""
    first = atan2(start[1] - centre[1], start[0] - centre[0])
    sweep = (atan2(end[1] - centre[1], end[0] - centre[0]) - first) % (2 * pi)
    if clockwise:
        sweep -= 2 * pi
    if abs(sweep) < 1e-9 or start == end:
        sweep = -2 * pi if clockwise else 2 * pi
    radius = hypot(start[0] - centre[0], start[1] - centre[1])
    points = arc_points(centre, radius, first, sweep)
    points[0], points[-1] = start, end
    return points
