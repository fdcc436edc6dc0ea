"""What in a Gerber file cannot be understood, contradicts itself or may be read in another way: all
of it is a doubt.

Chapters refer to The Gerber Layer Format Specification 2023.08. What only breaks a rule of style is
no doubt: the copper must be missing, uncertain or open to another reading.
"""

from __future__ import annotations

import numpy as np

from parsers.assembly.diagnostics import Diagnostics
from parsers.gerber.commands import EXTENDED_CODES, UNKNOWN
from parsers.gerber.plotter import Operations
from parsers.gerber.state import DRAW, FLASH, MOVE, UNSET, CommandStream, Names, inside_regions
from parsers.gerber.syntax import FIRST_APERTURE, Words

REPLACED = "\ufffd"  # stands where bytes are no UTF-8
MANY = 0.5  # share of operations with blanks that makes them a habit of the exporter
MAX_SHOWN = 40  # characters of one
MAX_NAMED = 20  # unknown commands that are told one by one
# attributes of apertures and objects, chapter 5.6; spelling of the C group varies in its case
STANDARD = {
    *(
        ".n",
        ".p",
        ".c",
        ".crot",
        ".cmfr",
        ".cmpn",
        ".cpkg",
        ".cmnt",
        ".cftp",
        ".cpgn",
        ".cpgd",
        ".chgt",
    ),
    *(".clbn", ".clbd", ".cval", ".csup", ".aperfunction", ".drilltolerance", ".flashtext"),
}
NO_CONDUCTOR = (
    "NonMaterial",
    "Profile",
    "NonConductor",
    "CopperBalancing",
    "Border",
    "EtchedComponent",
    "OtherCopper",
)
OUTSIDE_REGIONS = ("LP", "LM", "LR", "LS", "AB", "SR")


def check_words(stream: CommandStream, diagnostics: Diagnostics) -> None:
    """Report words that are not understood, contradict each other or stand where they must not."""
    _check_syntax(stream.words, diagnostics)
    _check_unknown(stream, diagnostics)
    attributes = stream.attribute_codes("TF", "TA", "TO", "TD")
    wrong = stream.bare_rows(*EXTENDED_CODES, *attributes)
    diagnostics.add_rows(
        "an extended command outside %", "a % may be missing before it", stream.at(wrong)
    )
    formats = stream.rows("FS")
    odd = [stream.command(row) != stream.command(formats[0]) for row in formats.tolist()]
    diagnostics.add_rows(
        "two different formats in one file", "the first one was taken", stream.at(formats[odd])
    )


def _check_unknown(stream: CommandStream, diagnostics: Diagnostics) -> None:
    """Report commands and standard attributes without a known meaning."""
    unknown = stream.rows(UNKNOWN)
    for row in unknown[:MAX_NAMED].tolist():
        what = f"unknown command {stream.text(row)[:MAX_SHOWN]}"
        diagnostics.add(
            what, "its effect on the copper is unknown", int(stream.words.command_word[row])
        )
    diagnostics.add_rows(
        "further unknown commands", "their effect is unknown", stream.at(unknown[MAX_NAMED:])
    )
    for code in stream.attribute_codes("TA", "TO", "TD"):
        if code[2:3] == "." and code[2:].lower() not in STANDARD:
            why = "what it says of nets, parts or pads was not used"
            diagnostics.add_rows(
                f"unknown standard attribute {code}", why, stream.at(stream.rows(code))
            )


def _check_syntax(words: Words, diagnostics: Diagnostics) -> None:
    """Report words whose ends are in doubt."""
    broken = [text for text in words.texts if text[:2] in ("TF", "TA", "TO") and REPLACED in text]
    for text in broken:
        rows = np.flatnonzero(words.command_text == words.texts.index(text))
        why = "its bytes are no UTF-8: names may be cut or changed"
        diagnostics.add_rows("an attribute that cannot be decoded", why, words.command_word[rows])
    if 0 < len(words.blanks) < MANY * len(words.operations.word):
        why = "other operations have none: a digit may be lost before them"
        diagnostics.add_rows(
            "blanks inside an operation", why, np.minimum(words.blanks, len(words.lines) - 1)
        )
    if words.tail:
        diagnostics.add(
            "the last word has no end",
            "the file may be cut short; export it again",
            len(words.lines),
        )
    diagnostics.add_rows(
        "a % in the middle of a word", "a * or a % may be missing before it", words.stray
    )
    why = "the end of the comment may be missing, and commands with it"
    diagnostics.add_rows(
        "a comment over several lines that look like commands", why, words.swallowed
    )
    why = "a character may be lost there: names may be cut or changed"
    diagnostics.add_rows("an attribute over several lines", why, words.wrapped)
    if words.unbalanced:
        diagnostics.add(
            "an extended command without its closing %", "the file may be damaged", len(words.lines)
        )


def check_operations(operations: Operations, stream: CommandStream, names: Names) -> None:
    """Report operations that give no object although they should, and those that may be drawn in
    another way.
    """
    _check_lost(operations)
    _check_order(operations)
    _check_regions(operations, stream, names)


def _check_lost(operations: Operations) -> None:
    """Report objects that are missing, and straight lines that may have been arcs."""
    state, diagnostics = operations.state, operations.diagnostics
    outside = (state.statement == 0) & (state.code != MOVE)
    why = "these objects are missing from the copper; export the layer again"
    diagnostics.add_rows(
        "aperture used before it is defined", why, state.word[outside & (operations.used == -1)]
    )
    drawn = outside & (operations.used < -1) & (state.code == DRAW)
    diagnostics.add_rows("draw with a block aperture", why, state.word[drawn])
    flashed = (state.statement > 0) & (state.code == FLASH)
    diagnostics.add_rows("flash inside a region", why, state.word[flashed])
    # without a centre it is a straight line, whatever the mode
    round_ = (state.i != 0) | (state.j != 0)
    unset = (state.code == DRAW) & (state.mode == UNSET) & round_
    diagnostics.add_rows("arc before G02 or G03", "a straight line was taken", state.word[unset])


def _check_order(operations: Operations) -> None:
    """Report apertures whose image depends on whether they are mirrored or turned first (4.9.1)."""
    state = operations.state
    rows = np.flatnonzero(state.mirror_x != state.mirror_y)
    rows = rows[np.mod(state.turn[rows], 180) != 0]
    rows = rows[
        (state.statement[rows] == 0) & (state.code[rows] != MOVE) & (operations.used[rows] != -1)
    ]
    symmetric = operations.apertures.symmetric(operations.used, rows)
    depends = ~operations.apertures.circles(operations.used, rows) & ~(
        symmetric & (np.mod(state.turn[rows], 90) == 0)
    )
    why = (
        "older revisions leave open which comes first; mirrored first was taken, as revision"
        " 2023.08 says"
    )
    operations.diagnostics.add_rows(
        "aperture both mirrored and turned", why, state.word[rows[depends]]
    )


def _check_regions(operations: Operations, stream: CommandStream, names: Names) -> None:
    """Report what has no place in a region (4.10.1, 5.1), and regions whose function is uncertain
    (5.3.1).
    """
    state, diagnostics = operations.state, operations.diagnostics
    if not (state.statement > 0).any():
        return
    numbers = stream.words.operations
    codes = (*OUTSIDE_REGIONS, *stream.attribute_codes("TA", "TO", "TD"))
    selects = numbers.word[numbers.d >= FIRST_APERTURE]
    words = np.sort(np.concatenate((stream.at(stream.rows(*codes)), selects)))
    why = "the end of the region (G37) may be missing"
    diagnostics.add_rows(
        "command that has no place in a region", why, words[inside_regions(stream, words)]
    )
    odd = [
        number
        for name, number in names.functions.numbers.items()
        if name.split(",")[0] in NO_CONDUCTOR
    ]
    bare = np.flatnonzero((state.statement > 0) & (state.attributes.function < 0))
    open_ = bare[
        np.isin(operations.apertures.functions[np.maximum(operations.used[bare], -1)], odd)
    ]
    why = (
        "the current aperture has one that is no conductor's, and older revisions took that; the"
        " region has none now"
    )
    diagnostics.add_rows("region without an aperture function", why, state.word[open_])
