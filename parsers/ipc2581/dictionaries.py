"""Dictionaries: line and fill descriptions, standard and user primitives, lands of padstacks.

Each dictionary has its own unit. An entry stays a raw sketch until copper refers to it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import cast

import numpy as np

from parsers.assembly.diagnostics import Diagnostics
from parsers.ipc2581.sketch import LARGEST, Sketch, Tables
from parsers.primitives import Bools, Floats, Ints

UNITS = {"MILLIMETER": 1.0, "MICRON": 0.001, "INCH": 25.4}
LOOSE_UNITS = {
    "MM": 1.0,
    "MILS": 0.0254,
    "MIL": 0.0254,
    "MILLIMETERS": 1.0,
    "INCHES": 25.4,
    "MICRONS": 0.001,
}
ROUND_END, FLAT_END, SQUARE_END = 0, 1, 2
ENDS = {"ROUND": ROUND_END, "NONE": FLAT_END, "SQUARE": SQUARE_END}
FILLED, HOLLOW, VOID, UNSURE_FILL = 0, 1, 2, 3
RawLine = tuple[str, str | None, str | None, str | None]  # unit, lineEnd, lineWidth, lineProperty
FILLS = {"FILL": FILLED, "HOLLOW": HOLLOW, "VOID": VOID}


@dataclass(slots=True)
class Entry:
    """A shape of a dictionary, and what was doubtful when it was read (told only if copper refers
    to it).
    """

    sketch: Sketch
    doubts: Diagnostics


@dataclass(frozen=True, slots=True)
class Lines:
    """Line descriptions by index, with the missing one as an extra last row."""

    width: Floats  # mm; NaN = not defined
    end: Ints  # ROUND_END, FLAT_END, SQUARE_END
    dark: Bools  # False: erases
    plain: Bools  # solid, with an end that the standard has


@dataclass(slots=True)
class Dictionaries:
    """Everything that shapes may refer to by id."""

    tables: Tables
    lines: dict[str, RawLine] = field(default_factory=dict)
    fills: dict[str, str] = field(default_factory=dict)
    standard: dict[str, Entry] = field(default_factory=dict)
    user: dict[str, Entry] = field(default_factory=dict)
    # (padstack, layer) -> its regular land
    lands: dict[tuple[str, int], Entry] = field(default_factory=dict)
    padstacks: set[str] = field(default_factory=set)
    cad_unit: float = 1.0  # mm

    def unit(self, name: str) -> float:
        """Length of one unit in mm; the empty name is that of the CAD data."""
        return (
            (UNITS.get(name) or LOOSE_UNITS.get(name) or self.cad_unit) if name else self.cad_unit
        )

    def entry(self, kind: str, name: str, layer: int) -> Entry | None:
        """The entry that a reference means, None if it dangles."""
        if kind == "StandardPrimitiveRef":
            return self.standard.get(name)
        if kind == "UserPrimitiveRef":
            return self.user.get(name)
        return self.lands.get((name, layer))

    def shape_named_as_padstack(self, name: str) -> Entry | None:
        """A shape of the dictionaries that a pad names where a padstack belongs."""
        return self.standard.get(name) or self.user.get(name)

    def line_table(self) -> Lines:
        """All line descriptions that the file uses, resolved."""
        count = len(self.tables.lines)
        width, end = np.full(count + 1, np.nan), np.zeros(count + 1, dtype=np.int32)
        dark, plain = np.ones(count + 1, dtype=np.bool_), np.ones(count + 1, dtype=np.bool_)
        for key, i in self.tables.lines.items():
            found = self.lines.get(key) if isinstance(key, str) else cast("RawLine", key)
            if found is None:
                continue
            unit, ending, wide, drawn = found
            width[i] = _width(wide) * self.unit(unit)
            end[i] = ENDS.get((ending or "ROUND").upper(), ROUND_END)
            dark[i] = (drawn or "SOLID").upper() != "ERASE"
            plain[i] = (drawn or "SOLID").upper() in ("SOLID", "ERASE") and (
                ending or "ROUND"
            ).upper() in ENDS
        return Lines(width, end, dark, plain)

    def fill_table(self) -> Ints:
        """All fill descriptions by index, with that of shapes without one (filled) as an extra last
        row.
        """
        out = np.full(len(self.tables.fills) + 1, FILLED, dtype=np.int32)
        for key, i in self.tables.fills.items():
            found = (
                self.fills.get(key) if isinstance(key, str) else cast("tuple[str | None]", key)[0]
            )
            out[i] = FILLS.get((found or "").upper(), UNSURE_FILL)
        return out


def _width(text: str | None) -> float:
    try:
        value = float(text or "nan")
    except ValueError:
        return float("nan")
    return value if 0 <= value < LARGEST else float("nan")
