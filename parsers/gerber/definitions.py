"""What a file defines before it draws: aperture macros and apertures.

The Gerber Layer Format Specification 2023.08, 4.3 and 4.5.
"""

from __future__ import annotations

import numpy as np

from parsers.gerber.apertures import Definition
from parsers.gerber.commands import BODY
from parsers.gerber.macros import Macro, MacroError, expression_size, read_macro
from parsers.gerber.state import Complaints, Names, Timeline, functions

MAX_EXPRESSIONS = 50_000  # characters of expressions in the macros of a file


def read_definitions(timeline: Timeline, names: Names) -> list[Definition]:
    """Aperture definitions, each with the function that the attribute dictionary held then."""
    rows = timeline.rows("AD")
    at = timeline.at(rows)
    stated_functions = functions(timeline, timeline.moments(at), names).tolist()
    stated = (timeline.command(row).value for row in rows.tolist())
    return [
        Definition(number, word, template, sizes, function)
        for (number, template, sizes), word, function in zip(stated, at.tolist(), stated_functions, strict=True)
    ]


def read_macros(timeline: Timeline, complaints: Complaints) -> dict[str, Macro]:
    """Read the macros of a file; words that look like parts of one but belong to none are reported."""
    macros: dict[str, Macro] = {}
    grammar = 0
    stray = set(timeline.rows(BODY).tolist())
    for row in timeline.rows("AM").tolist():
        word = int(timeline.words.command_word[row])
        name = str(timeline.command(row).value[0])
        rows = _body(timeline, row)
        stray.difference_update(rows)
        body = [timeline.text(k) for k in rows]
        grammar += expression_size(body)
        if name in macros:
            complaints.add("macro defined twice", "the later definition was taken", word)
        try:
            if grammar > MAX_EXPRESSIONS:
                raise MacroError("more expressions in this file than any board has")
            macros[name] = read_macro(body)
        except MacroError as trouble:
            why = f"{trouble}; apertures made from it are missing"
            complaints.add(f"macro {name} cannot be read", why, word)
    lost = timeline.at(np.array(sorted(stray), dtype=np.int64))
    complaints.add_rows("a number that belongs to no command", "a letter may be missing before it", lost)
    return macros


def _body(timeline: Timeline, row: int) -> range:
    """Rows of the body of a macro: what follows up to the closing %."""
    words = timeline.words
    end = row + 1
    while end < len(words.command_word) and not words.command_first[end] and words.command_extended[end]:
        end += 1
    return range(row + 1, end)
