"""The graphics state at each operation: coordinates, codes, aperture, polarity, transform,
attributes, regions.

State is modal (The Gerber Layer Format Specification 2023.08, 2.7): a value holds until the next
command that sets it. Here each part of it is a column over all operations, filled forward in bulk
from the few commands that set it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from parsers.assembly.diagnostics import Diagnostics
from parsers.gerber.attributes import COMPONENT, FUNCTION, NET, PIN, Numbered
from parsers.gerber.commands import Command
from parsers.gerber.syntax import ABSENT, FIRST_APERTURE, Longs, OperationWords, Words, is_comment
from parsers.primitives import NO_NET, UNKNOWN_NET, Bools, Floats

DRAW, MOVE, FLASH = 1, 2, 3  # D01, D02, D03
UNSET, LINEAR, CLOCKWISE, COUNTERCLOCKWISE = 0, 1, 2, 3  # G01, G02, G03
NO_QUADRANT, SINGLE, MULTI = 0, 1, 2  # neither, G74, G75

FEW = 0.1  # share of operations without a code that is no habit of the exporter

Values = list[tuple[Any, ...]]  # of commands with the same code
Setting = Callable[[Values], Sequence[Any]]  # what each of them sets a column to


@dataclass(frozen=True, slots=True)
class Names:
    """Tables of names that the attribute columns point into."""

    nets: Numbered[tuple[str, ...]] = field(default_factory=Numbered)
    components: Numbered[str] = field(default_factory=Numbered)
    # number and, where stated, name
    pins: Numbered[tuple[str, ...]] = field(default_factory=Numbered)
    functions: Numbered[str] = field(default_factory=Numbered)


@dataclass(frozen=True, slots=True)
class Attributes:
    """Attribute dictionary at some words, columns of numbers in `Names`."""

    net: Longs
    component: Longs
    pin: Longs
    function: Longs


@dataclass(frozen=True, slots=True)
class GraphicsState:
    """Operations D01, D02, D03 with all that was modal when they were carried out, columns of
    length n.
    """

    word: Longs
    code: Longs  # DRAW, MOVE, FLASH
    x: Longs  # where the operation ends, in units of the coordinate format
    y: Longs
    i: Longs
    j: Longs
    mode: Longs  # UNSET, LINEAR, CLOCKWISE, COUNTERCLOCKWISE
    quadrant: Longs
    aperture: Longs  # number, or ABSENT
    dark: Bools
    mirror_x: Bools  # x becomes -x
    mirror_y: Bools
    turn: Floats  # degrees
    scale: Floats
    statement: Longs  # number of the region statement from 1, 0 outside
    attributes: Attributes

    def __len__(self) -> int:
        return len(self.word)


@dataclass(frozen=True, slots=True)
class Moments:
    """Words at which columns are wanted: how many, and the first of them after each command."""

    size: int
    first: Longs


class CommandStream:
    """The commands of a file, by word, as something that columns can be filled from."""

    def __init__(self, words: Words, commands: Sequence[Command]) -> None:
        self.words = words
        self.commands = commands
        self._by_code: dict[str, list[int]] = {}
        for number, command in enumerate(commands):
            self._by_code.setdefault(command.code, []).append(number)

    def rows(self, *codes: str) -> Longs:
        """Rows of the command stream that hold one of some codes."""
        return self._rows([number for code in codes for number in self._by_code.get(code, ())])

    def bare_rows(self, *codes: str) -> Longs:
        """Rows outside % that hold one of some codes, comments left out."""
        rows = self.rows(*codes)
        rows = rows[~self.words.command_extended[rows]]
        numbers = np.unique(self.words.command_text[rows])
        bare = [number for number in numbers.tolist() if not is_comment(self.words.texts[number])]
        return rows[np.isin(self.words.command_text[rows], bare)]

    def _rows(self, numbers: Sequence[int]) -> Longs:
        if not numbers:
            return np.empty(0, dtype=np.int64)
        mask = np.zeros(len(self.commands), dtype=np.bool_)
        mask[numbers] = True
        return np.flatnonzero(mask[self.words.command_text])

    def at(self, rows: Longs) -> Longs:
        """Words of rows of the command stream."""
        return self.words.command_word[rows]

    def command(self, row: int) -> Command:
        """Give the command of a row."""
        found: Command = self.commands[int(self.words.command_text[row])]
        return found

    def text(self, row: int) -> str:
        """Text of a row, for a message or a macro."""
        return self.words.texts[int(self.words.command_text[row])]

    def attribute_codes(self, *kinds: str) -> tuple[str, ...]:
        """Codes of the attribute commands of some kinds (TF, TA, TO, TD) that occur."""
        return tuple(code for code in self._by_code if code[:2] in kinds)

    def moments(self, at: Longs) -> Moments:
        """Prepare columns over some words, ascending."""
        return Moments(len(at), np.searchsorted(at, self.words.command_word))

    def column(
        self, moments: Moments, start: Any, settings: Mapping[str, Setting], dtype: npt.DTypeLike
    ) -> npt.NDArray[Any]:
        """Fill a column: at each moment, the value of the latest command whose code is in
        `settings`.
        """
        table = np.full(len(self.commands), start, dtype=dtype)
        sets = np.zeros(len(self.commands), dtype=np.bool_)
        for code in settings.keys() & self._by_code.keys():
            numbers = self._by_code[code]
            table[numbers] = settings[code]([self.commands[number].value for number in numbers])
            sets[numbers] = True
        if not sets.any():
            return np.full(moments.size, start, dtype=dtype)
        rows = np.flatnonzero(sets[self.words.command_text])
        values = np.concatenate(
            (np.array([start], dtype=dtype), table[self.words.command_text[rows]])
        )
        first = moments.first[rows]
        return np.repeat(values, np.diff(np.concatenate(([0], first, [moments.size]))))


def graphics_state(
    stream: CommandStream, names: Names, incremental: bool, diagnostics: Diagnostics
) -> GraphicsState:
    """Work out the state at every operation of a file.

    Parameters
    ----------
    incremental : coordinates start as differences (deprecated notation)
    """
    words = stream.words.operations
    coded = (words.d >= DRAW) & (words.d <= FLASH)
    rows = np.flatnonzero(words.has.any(axis=0) | coded)
    at = words.word[rows]
    moments = stream.moments(at)
    code = _codes(words, rows, at, diagnostics)
    x, y = _positions(stream, moments, words.xyij[:2, rows], words.has[:2, rows], incremental)
    _undefined_points(stream, at, code, words.has[0, rows] & words.has[1, rows], diagnostics)
    return GraphicsState(
        word=at,
        code=code,
        x=x,
        y=y,
        i=words.xyij[2, rows],
        j=words.xyij[3, rows],
        mode=forward(words.g, (words.g >= LINEAR) & (words.g <= COUNTERCLOCKWISE), UNSET)[rows],
        quadrant=stream.column(
            moments, NO_QUADRANT, {"G74": _always(SINGLE), "G75": _always(MULTI)}, np.int64
        ),
        aperture=forward(words.d, words.d >= FIRST_APERTURE, ABSENT)[rows],
        dark=stream.column(moments, True, {"LP": _first}, np.bool_),
        mirror_x=stream.column(
            moments, False, {"LM": lambda values: ["X" in v[0] for v in values]}, np.bool_
        ),
        mirror_y=stream.column(
            moments, False, {"LM": lambda values: ["Y" in v[0] for v in values]}, np.bool_
        ),
        turn=stream.column(moments, 0.0, {"LR": _first}, np.float64),
        scale=stream.column(moments, 1.0, {"LS": _first}, np.float64),
        statement=_statements(stream, at, moments, diagnostics),
        attributes=attributes(stream, moments, names),
    )


def forward(column: Longs, known: Bools, start: int) -> Longs:
    """Fill gaps of a column with the last known value."""
    latest = np.maximum.accumulate(np.where(known, np.arange(len(column)), -1))
    return np.where(latest >= 0, column[latest], start)


def attributes(stream: CommandStream, moments: Moments, names: Names) -> Attributes:
    """Attributes in the dictionary at some words."""
    owner = _entry(
        stream, moments, PIN, lambda values: names.components.number_all([v[0] for v in values])
    )
    part = _entry(
        stream,
        moments,
        COMPONENT,
        lambda values: names.components.number_all([v[0] for v in values]),
    )
    return Attributes(
        net=_entry(stream, moments, NET, lambda values: _nets(values, names), UNKNOWN_NET),
        component=np.where(owner >= 0, owner, part),
        pin=_entry(
            stream, moments, PIN, lambda values: names.pins.number_all([v[1:3] for v in values])
        ),
        function=functions(stream, moments, names),
    )


def functions(stream: CommandStream, moments: Moments, names: Names) -> Longs:
    """Aperture function in the dictionary at some words."""
    return _entry(
        stream, moments, FUNCTION, lambda values: names.functions.number_all(map(",".join, values))
    )


def _entry(
    stream: CommandStream, moments: Moments, name: str, numbers: Setting, none: int = -1
) -> Longs:
    """One attribute's column; TD with its name or without any deletes it."""
    deleted = _always(none)
    settings = {f"TO{name}": numbers, f"TA{name}": numbers, f"TD{name}": deleted, "TD": deleted}
    return stream.column(moments, none, settings, np.int64)


def _nets(values: Values, names: Names) -> list[int]:
    numbers = names.nets.number_all(value for value in values if value != ("",))
    following = iter(numbers)
    return [NO_NET if value == ("",) else next(following) for value in values]


def _first(values: Values) -> list[Any]:
    return [value[0] for value in values]


def _always(value: Any) -> Setting:
    return lambda values: [value] * len(values)


_REGION = {"G36": _always(True), "G37": _always(False)}


def _codes(words: OperationWords, rows: Longs, at: Longs, diagnostics: Diagnostics) -> Longs:
    """Operation codes; coordinates without one repeat the last, those with an unknown one only
    move.
    """
    d = words.d
    coded = (d >= DRAW) & (d <= FLASH)
    odd = (d != ABSENT) & (d < FIRST_APERTURE) & ~coded
    why = "its effect on the copper is unknown; export the layer again"
    diagnostics.add_rows("unknown D code", why, words.word[odd])
    missing = ~coded[rows]
    if not missing.any():
        return d[rows]
    repeated = missing & ~odd[rows]
    if repeated.sum() < FEW * len(rows):
        why = (
            "others have one: a code may be lost; they were read as a repetition of the last"
            " operation"
        )
        diagnostics.add_rows("a few coordinates without an operation code", why, at[repeated])
    diagnostics.add_rows(
        "coordinates without an operation code after something else than D01",
        "the format leaves open what they do; they were read as a repetition of the last operation",
        at[missing & ~odd[rows] & (forward(d, d != ABSENT, ABSENT)[rows] != DRAW)],
    )
    return np.where(odd[rows], MOVE, forward(d, coded, MOVE)[rows])


def _positions(
    stream: CommandStream, moments: Moments, given: Longs, has: Bools, incremental: bool
) -> tuple[Longs, Longs]:
    """Absolute end points of operations, omitted coordinates filled in."""
    settings = {"G90": _always(False), "G91": _always(True)}
    step = stream.column(moments, incremental, settings, np.bool_)
    result = []
    for values, known in zip(given, has, strict=True):
        if step.any():
            moved = np.cumsum(np.where(known & step, values, 0))
            base = forward(values - moved, known & ~step, 0)
            result.append(base + moved)
        else:
            result.append(forward(values, known, 0))
    return result[0], result[1]


def _undefined_points(
    stream: CommandStream, at: Longs, code: Longs, complete: Bools, diagnostics: Diagnostics
) -> None:
    """Report operations that use the current point where it is undefined: at the start, after
    blocks and repeats.
    """
    resets = np.searchsorted(at, np.concatenate(([0], stream.at(stream.rows("AB", "SR")))))
    resets = np.unique(resets[resets < len(at)])
    diagnostics.add_rows(
        "current point used before it is set",
        "the last known point, or (0, 0) at the start, was taken",
        at[resets[(code[resets] == DRAW) | ~complete[resets]]],
    )


def _statements(
    stream: CommandStream, at: Longs, moments: Moments, diagnostics: Diagnostics
) -> Longs:
    """Number of the region statement (G36 to G37) that each operation is in, 0 = none."""
    starts, ends = stream.rows("G36"), stream.rows("G37")
    if not len(starts) and not len(ends):
        return np.zeros(len(at), dtype=np.int64)
    both = np.sort(np.concatenate((starts, ends)))
    opens = np.isin(both, starts)
    odd = opens == np.concatenate(([False], opens[:-1]))
    words = stream.at(both)
    why = "which contours belong to the region is uncertain"
    diagnostics.add_rows("G36 and G37 do not alternate", why, words[odd])
    if opens[-1]:
        diagnostics.add("region without its end (G37)", "the file may be cut short", int(words[-1]))
    inside = stream.column(moments, False, _REGION, np.bool_)
    return np.where(inside, np.searchsorted(words[opens], at), 0)


def inside_regions(stream: CommandStream, at: Longs) -> Bools:
    """Tell which words stand between G36 and G37."""
    inside: Bools = stream.column(stream.moments(at), False, _REGION, np.bool_)
    return inside
