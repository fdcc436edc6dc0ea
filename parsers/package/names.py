"""Name tables of the whole board, into which the tables of single files are translated in bulk."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from parsers.assembly.diagnostics import clean
from parsers.assembly.image import Image
from parsers.assembly.pins import is_numbered
from parsers.board import Holes, Net
from parsers.drill import Drilled
from parsers.primitives import NO_NET, UNKNOWN_NET, Bools, Conductors, Floats, Ints, Rows

Places = Callable[[Rows], Floats]

NOT_CONNECTED = "N/C"

# Copper that belongs to no net unless a net is stated (The Gerber Layer Format Specification
# 2023.08, 5.6.10).
WITHOUT_NET = ("NonConductor", "CopperBalancing", "Border", "FiducialPad", "WasherPad")
TRACKS = ("Conductor", "EtchedComponent")  # no pads, even where they are flashed (same clause)
NO_COPPER = ("Profile", "NonMaterial")  # drawn in a copper layer, but no copper by meaning


@dataclass(frozen=True, slots=True)
class Columns:
    """Columns of one file in the numbers of the board; `several` indexes Tables.choices, -1 =
    none.
    """

    net: Ints
    component: Ints
    pin: Ints
    function: Ints
    several: Ints


@dataclass(slots=True)
class Tables:
    """All names of a board, numbered in the order of their first use."""

    nets: list[Net] = field(default_factory=list)
    refdes: dict[str, int] = field(default_factory=dict)
    pins: dict[str, int] = field(default_factory=dict)
    functions: dict[str, int] = field(default_factory=dict)
    # (component, pin) -> function of the pin
    pin_names: dict[tuple[int, int], str] = field(default_factory=dict)
    # nets that one object falls apart into
    choices: list[tuple[int, ...]] = field(default_factory=list)
    _net_numbers: dict[str, int] = field(default_factory=dict)

    def net(self, name: str) -> int:
        """Number of a net; NO_NET for an empty name."""
        return self._net(name, single=False) if name else NO_NET

    def single(self, refdes: str, pin: str, at: tuple[float, float] | None = None) -> int:
        """Number of the net of a pad that is connected to nothing: one per pin, none for copper
        without a pin.

        A designator that stands for many parts tells no pin: there each place `at` has a net of its
        own.
        """
        if not refdes or not pin:
            return NO_NET
        name = (
            f"{refdes}.{pin}"
            if at is None or is_numbered(refdes)
            else f"{refdes} at {at[0]:.2f}, {at[1]:.2f}"
        )
        return self._net(f"{NOT_CONNECTED} ({name})", single=True)

    def _net(self, name: str, *, single: bool) -> int:
        number = self._net_numbers.setdefault(name, len(self.nets))
        if number == len(self.nets):
            self.nets.append(Net(clean(name), single))
        return number

    def net_name(self, net: int) -> str:
        """Name of a net that copper has or is stated to be without."""
        return self.nets[net].name if net >= 0 else "no net"

    def names(self) -> dict[str, Any]:
        """The names of a board, as it keeps them."""
        return {
            "nets": tuple(self.nets),
            "refdes": tuple(self.refdes),
            "pins": tuple(self.pins),
            "functions": tuple(self.functions),
        }

    def translate(
        self, names: Image | Drilled, table: Conductors | Holes, places: Places
    ) -> Columns:
        """Columns of a file in the numbers of the board.

        Parameters
        ----------
        places : gives the middle of each of some rows, shape (rows, 2)

        Several nets on one object leave it UNKNOWN_NET with its choices; copper without a net by
        its function, and copper whose net is stated to be empty, becomes NO_NET.
        """
        part = _mapped([number_of(self.refdes, name) for name in names.components], table.component)
        number = _mapped([number_of(self.pins, text) for text, _ in names.pins], table.pin)
        told = _mapped(
            [number_of(self.functions, name) for name in names.functions], table.function
        )
        self._note_pin_names(names, part, number, table.pin)
        several = _mapped([self._choice(fields) for fields in names.nets], table.net)
        net = self._numbered(names, table)
        self._number_singles(names, table.net, part, number, net, places)
        net = np.where(_without_net(names, table), NO_NET, net)
        return Columns(net.astype(np.int32), part, number, told, several)

    def _numbered(self, names: Image | Drilled, table: Conductors | Holes) -> Ints:
        """The net of each object that has one name; the others keep UNKNOWN_NET and NO_NET."""
        plain = [self.net(n[0]) if self._plain(n) else UNKNOWN_NET for n in names.nets]
        return _mapped(plain, table.net, keep_negative=True)

    @staticmethod
    def _plain(fields: Sequence[str]) -> bool:
        return len(fields) == 1 and fields[0] != NOT_CONNECTED

    def _choice(self, fields: tuple[str, ...]) -> int:
        if len(fields) < 2:
            return -1
        self.choices.append(tuple(self.net(name) for name in fields))
        return len(self.choices) - 1

    def _note_pin_names(self, names: Image | Drilled, part: Ints, number: Ints, pin: Ints) -> None:
        rows = np.flatnonzero((part >= 0) & (pin >= 0))
        for row in rows[_firsts(part[rows], pin[rows])]:
            name = clean(names.pins[pin[row]][1])
            if name or (int(part[row]), int(number[row])) not in self.pin_names:
                self.pin_names[int(part[row]), int(number[row])] = name

    def _number_singles(
        self,
        names: Image | Drilled,
        net: Ints,
        part: Ints,
        number: Ints,
        numbered: Ints,
        places: Places,
    ) -> None:
        """Give each pad that is stated to be connected to nothing the net of its pin."""
        single = np.array([fields == (NOT_CONNECTED,) for fields in names.nets] + [False])
        rows = np.flatnonzero(single[np.maximum(net, -1)])
        parts, pins = (*self.refdes, ""), (*self.pins, "")  # -1 is the empty name at the end
        for row, (x, y) in zip(rows.tolist(), places(rows).tolist(), strict=True):
            numbered[row] = self.single(parts[part[row]], pins[number[row]], (x, y))


def number_of(table: dict[str, int], name: str) -> int:
    """Number of a name in a table, which may be a new one; -1 for an empty name."""
    return table.setdefault(clean(name), len(table)) if name else -1


def _mapped(numbers: Sequence[int], column: Ints, *, keep_negative: bool = False) -> Ints:
    """Translate a column; negative entries become -1, or stay what they are."""
    table = np.array([*numbers, -1], dtype=np.int32)
    out: Ints = table[np.maximum(column, -1)]
    return np.where(column < 0, column, out).astype(np.int32) if keep_negative else out


def _without_net(names: Image | Drilled, table: Conductors | Holes) -> Bools:
    """Objects without a net whose function is that of copper without one."""
    without = [name.split(",")[0] in WITHOUT_NET for name in names.functions]
    out: Bools = (table.net == UNKNOWN_NET) & np.array([*without, False])[table.function]
    return out


def _firsts(*columns: npt.NDArray[np.integer]) -> npt.NDArray[np.intp]:
    """First row of each combination of values."""
    _, first = np.unique(np.column_stack(columns), axis=0, return_index=True)
    return np.sort(first)
