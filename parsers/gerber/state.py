"""The graphics state at each operation: coordinates, codes, aperture, polarity, transform, attributes, regions.

State is modal (The Gerber Layer Format Specification 2023.08, 2.7): a value holds until the next command that sets it.
Here each part of it is a column over all operations, filled forward in bulk from the few commands that set it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from parsers.gerber.attributes import COMPONENT, FUNCTION, NET, PIN, Numbered
from parsers.gerber.commands import Command
from parsers.gerber.syntax import ABSENT, FIRST_APERTURE, Longs, Words
from parsers.primitives import NO_NET, UNKNOWN_NET, Bools, Floats
from parsers.trouble import Doubt, Place

DRAW, MOVE, FLASH = 1, 2, 3  # D01, D02, D03
UNSET, LINEAR, CLOCKWISE, COUNTERCLOCKWISE = 0, 1, 2, 3  # G01, G02, G03
NO_QUADRANT, SINGLE, MULTI = 0, 1, 2  # neither, G74, G75

Setting = Callable[[Command], Any]  # what a command sets a column to, None = nothing


@dataclass(slots=True)
class Complaints:
    """Doubts of one file: one for each kind, at its first place, with how often it occurs."""

    file: str
    words: Words
    first: dict[str, tuple[str, int, int]] = field(default_factory=dict)

    def add(self, what: str, why: str, word: int, times: int = 1) -> None:
        """Note a doubt about a word."""
        known = self.first.get(what)
        if known:
            why, word, times = known[0], min(word, known[1]), known[2] + times
        self.first[what] = (why, word, times)

    def add_rows(self, what: str, why: str, words: Longs) -> None:
        """Note a doubt about some words, if there are any."""
        if len(words):
            self.add(what, why, int(words.min()), len(words))

    def doubts(self) -> tuple[Doubt, ...]:
        """All doubts, by place."""
        ordered = sorted(self.first.items(), key=lambda item: (item[1][1], item[0]))
        return tuple(
            Doubt(what, f"{why} ({times} times, first here)" if times > 1 else why, self._place(word))
            for what, (why, word, times) in ordered
        )

    def _place(self, word: int) -> Place:
        return Place(self.file, self.words.line(word) or None)


@dataclass(frozen=True, slots=True)
class Names:
    """Tables of names that the attribute columns point into."""

    nets: Numbered[tuple[str, ...]] = field(default_factory=Numbered)
    components: Numbered[str] = field(default_factory=Numbered)
    pins: Numbered[tuple[str, str]] = field(default_factory=Numbered)
    functions: Numbered[str] = field(default_factory=Numbered)


@dataclass(frozen=True, slots=True)
class Attributes:
    """Attribute dictionary at some words, columns of numbers in `Names`."""

    net: Longs
    component: Longs
    pin: Longs
    function: Longs


@dataclass(frozen=True, slots=True)
class Strokes:
    """Operations D01, D02, D03 with all that was modal when they were carried out, columns of length n."""

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


class Timeline:
    """The commands of a file, by word, as something that columns can be filled from."""

    def __init__(self, words: Words, commands: Sequence[Command]) -> None:
        self.words = words
        self.commands = commands
        self._by_code: dict[str, list[int]] = {}
        for number, command in enumerate(commands):
            self._by_code.setdefault(command.code, []).append(number)

    def rows(self, *codes: str) -> Longs:
        """Rows of the command stream that hold one of some codes."""
        wanted = [number for code in codes for number in self._by_code.get(code, ())]
        if not wanted:
            return np.empty(0, dtype=np.int64)
        mask = np.zeros(len(self.commands), dtype=np.bool_)
        mask[wanted] = True
        return np.flatnonzero(mask[self.words.command_text])

    def at(self, rows: Longs) -> Longs:
        """Words of rows of the command stream."""
        return self.words.command_word[rows]

    def command(self, row: int) -> Command:
        """Give the command of a row."""
        return self.commands[self.words.command_text[row]]

    def text(self, row: int) -> str:
        """Text of a row, for a message or a macro."""
        return self.words.texts[self.words.command_text[row]].decode("latin-1")

    def column(self, at: Longs, start: Any, settings: Mapping[str, Setting], dtype: npt.DTypeLike) -> npt.NDArray[Any]:
        """Fill a column: at each word of `at`, the value of the latest command whose code is in `settings`."""
        table = np.full(len(self.commands), start, dtype=dtype)
        sets = np.zeros(len(self.commands), dtype=np.bool_)
        for code, setting in settings.items():
            for number in self._by_code.get(code, ()):
                value = setting(self.commands[number])
                if value is not None:
                    table[number], sets[number] = value, True
        if not sets.any():
            return np.full(len(at), start, dtype=dtype)
        rows = np.flatnonzero(sets[self.words.command_text])
        values = np.concatenate((np.array([start], dtype=dtype), table[self.words.command_text[rows]]))
        first = np.searchsorted(at, self.at(rows))
        return np.repeat(values, np.diff(np.concatenate(([0], first, [len(at)]))))


def strokes(timeline: Timeline, names: Names, incremental: bool, complaints: Complaints) -> Strokes:
    """Work out the state at every operation of a file.

    Parameters
    ----------
    incremental : coordinates start as differences (deprecated notation)
    """
    words = timeline.words.operations
    coded = (words.d >= DRAW) & (words.d <= FLASH)
    rows = np.flatnonzero(words.has.any(axis=0) | coded)
    at = words.word[rows]
    code = _codes(words.d, rows, at, complaints)
    x, y = _positions(timeline, at, words.xyij[:2, rows], words.has[:2, rows], incremental)
    _undefined_points(timeline, at, code, words.has[:2, rows].all(axis=0), complaints)
    return Strokes(
        word=at,
        code=code,
        x=x,
        y=y,
        i=words.xyij[2, rows],
        j=words.xyij[3, rows],
        mode=forward(words.g, (words.g >= LINEAR) & (words.g <= COUNTERCLOCKWISE), UNSET)[rows],
        quadrant=timeline.column(at, NO_QUADRANT, {"G74": lambda _: SINGLE, "G75": lambda _: MULTI}, np.int64),
        aperture=forward(words.d, words.d >= FIRST_APERTURE, ABSENT)[rows],
        dark=timeline.column(at, True, {"LP": _first}, np.bool_),
        mirror_x=timeline.column(at, False, {"LM": lambda c: "X" in c.value[0]}, np.bool_),
        mirror_y=timeline.column(at, False, {"LM": lambda c: "Y" in c.value[0]}, np.bool_),
        turn=timeline.column(at, 0.0, {"LR": _first}, np.float64),
        scale=timeline.column(at, 1.0, {"LS": _first}, np.float64),
        statement=_statements(timeline, at, complaints),
        attributes=attributes(timeline, at, names),
    )


def forward(column: Longs, known: Bools, start: int) -> Longs:
    """Fill gaps of a column with the last known value."""
    latest = np.maximum.accumulate(np.where(known, np.arange(len(column)), -1))
    return np.where(latest >= 0, column[latest], start)


def attributes(timeline: Timeline, at: Longs, names: Names) -> Attributes:
    """Attributes in the dictionary at some words."""

    def entry(name: str, number: Callable[[tuple[str, ...]], int], none: int) -> Longs:
        """One attribute's column; TD with its name or without any deletes it."""

        def assigned(command: Command) -> int | None:
            return number(command.value[1]) if command.value[0] == name and command.value[1] else None

        def deleted(command: Command) -> int | None:
            return none if command.value[0] in ("", name) else None

        return timeline.column(at, none, {"TO": assigned, "TA": assigned, "TD": deleted}, np.int64)

    pin_owner = entry(PIN, lambda fields: names.components.number(fields[0]), -1)
    part = entry(COMPONENT, lambda fields: names.components.number(fields[0]), -1)
    return Attributes(
        net=entry(NET, lambda fields: NO_NET if fields == ("",) else names.nets.number(fields), UNKNOWN_NET),
        component=np.where(pin_owner >= 0, pin_owner, part),
        pin=entry(PIN, lambda fields: names.pins.number(_pin(fields)) if len(fields) > 1 else -1, -1),
        function=entry(FUNCTION, lambda fields: names.functions.number(",".join(fields)), -1),
    )


def _pin(fields: tuple[str, ...]) -> tuple[str, str]:
    return fields[1], fields[2] if len(fields) > 2 else ""


def _first(command: Command) -> Any:
    return command.value[0]


def _codes(d: Longs, rows: Longs, at: Longs, complaints: Complaints) -> Longs:
    """Operation codes; coordinates without one repeat the last."""
    coded = (d >= DRAW) & (d <= FLASH)
    odd = np.flatnonzero((d >= 0) & (d < FIRST_APERTURE) & ~coded)
    if len(odd):
        why = "its effect on the copper is unknown; export the layer again"
        complaints.add_rows("unknown D code", why, np.asarray(complaints.words.operations.word[odd]))
    missing = ~coded[rows]
    if not missing.any():
        return d[rows]
    last = forward(d, d >= 0, ABSENT)[rows]
    complaints.add_rows(
        "coordinates without an operation code after something else than D01",
        "the format leaves open what they do; they were read as a repetition of the last operation",
        at[missing & (last != DRAW)],
    )
    return forward(d, coded, MOVE)[rows]


def _positions(timeline: Timeline, at: Longs, given: Longs, has: Bools, incremental: bool) -> tuple[Longs, Longs]:
    """Absolute end points of operations, omitted coordinates filled in."""
    settings = {"G90": lambda _: False, "G91": lambda _: True}
    step = timeline.column(at, incremental, settings, np.bool_)
    result = []
    for values, known in zip(given, has, strict=True):
        if step.any():
            moved = np.cumsum(np.where(known & step, values, 0))
            base = forward(values - moved, known & ~step, 0)
            result.append(base + moved)
        else:
            result.append(forward(values, known, 0))
    return result[0], result[1]


def _undefined_points(timeline: Timeline, at: Longs, code: Longs, complete: Bools, complaints: Complaints) -> None:
    """Report operations that use the current point where it is undefined: at the start, after blocks and repeats."""
    resets = np.searchsorted(at, np.concatenate(([0], timeline.at(timeline.rows("AB", "SR")))))
    resets = np.unique(resets[resets < len(at)])
    complaints.add_rows(
        "current point used before it is set",
        "the last known point, or (0, 0) at the start, was taken",
        at[resets[(code[resets] == DRAW) | ~complete[resets]]],
    )


def _statements(timeline: Timeline, at: Longs, complaints: Complaints) -> Longs:
    """Number of the region statement (G36 to G37) that each operation is in, 0 = none."""
    starts, ends = timeline.rows("G36"), timeline.rows("G37")
    if not len(starts) and not len(ends):
        return np.zeros(len(at), dtype=np.int64)
    both = np.sort(np.concatenate((starts, ends)))
    opens = np.isin(both, starts)
    odd = opens == np.concatenate(([False], opens[:-1]))
    words = timeline.at(both)
    why = "which contours belong to the region is uncertain"
    complaints.add_rows("G36 and G37 do not alternate", why, words[odd])
    if opens[-1]:
        complaints.add("region without its end (G37)", "the file may be cut short", int(words[-1]))
    inside = timeline.column(at, False, {"G36": lambda _: True, "G37": lambda _: False}, np.bool_)
    return np.where(inside, np.searchsorted(words[opens], at), 0)
