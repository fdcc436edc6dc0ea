"""What a file defines before it draws: aperture macros and apertures.

The Gerber Layer Format Specification 2023.08, 4.3 and 4.5.
"""

from __future__ import annotations

import numpy as np

from parsers.assembly.diagnostics import Diagnostics
from parsers.gerber.apertures import Definition
from parsers.gerber.commands import BODY
from parsers.gerber.macros import Macro, MacroError, expression_size, read_macro
from parsers.gerber.state import CommandStream, Names, functions

MAX_EXPRESSIONS = 50_000  # characters of expressions in the macros of a file


def read_definitions(stream: CommandStream, names: Names) -> list[Definition]:
    """Aperture definitions, each with the function that the attribute dictionary held then."""
    rows = stream.rows("AD")
    at = stream.at(rows)
    stated_functions = functions(stream, stream.moments(at), names).tolist()
    stated = (stream.command(row).value for row in rows.tolist())
    return [
        Definition(number, word, template, sizes, function)
        for (number, template, sizes), word, function in zip(
            stated, at.tolist(), stated_functions, strict=True
        )
    ]


def read_macros(stream: CommandStream, diagnostics: Diagnostics) -> dict[str, Macro]:
    """Read the macros of a file; words that look like parts of one but belong to none are
    reported.
    """
    macros: dict[str, Macro] = {}
    grammar = 0
    stray = set(stream.rows(BODY).tolist())
    for row in stream.rows("AM").tolist():
        word = int(stream.words.command_word[row])
        name = str(stream.command(row).value[0])
        rows = _body(stream, row)
        stray.difference_update(rows)
        body = [stream.text(k) for k in rows]
        grammar += expression_size(body)
        if name in macros:
            diagnostics.add("macro defined twice", "the later definition was taken", word)
        try:
            if grammar > MAX_EXPRESSIONS:
                raise MacroError("more expressions in this file than any board has")
            macros[name] = read_macro(body)
        except MacroError as trouble:
            why = f"{trouble}; apertures made from it are missing"
            diagnostics.add(f"macro {name} cannot be read", why, word)
    lost = stream.at(np.array(sorted(stray), dtype=np.int64))
    diagnostics.add_rows(
        "a number that belongs to no command", "a letter may be missing before it", lost
    )
    return macros


def _body(stream: CommandStream, row: int) -> range:
    """Rows of the body of a macro: what follows up to the closing %."""
    words = stream.words
    end = row + 1
    while (
        end < len(words.command_word)
        and not words.command_first[end]
        and words.command_extended[end]
    ):
        end += 1
    return range(row + 1, end)
