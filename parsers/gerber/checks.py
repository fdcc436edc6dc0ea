"""What in a Gerber file cannot be understood, contradicts itself or may be read in another way: all of it is a doubt.

Chapters refer to The Gerber Layer Format Specification 2023.08. What only breaks a rule of style is no doubt: the
copper must be missing, uncertain or open to another reading.
"""

from __future__ import annotations

import numpy as np

from parsers.gerber.commands import EXTENDED_CODES, UNKNOWN
from parsers.gerber.plotter import Sheet
from parsers.gerber.state import DRAW, FLASH, MOVE, UNSET, Complaints, Names, Timeline, inside_regions
from parsers.gerber.syntax import FIRST_APERTURE, Words

MAX_SHOWN = 40  # characters of one
MAX_NAMED = 20  # unknown commands that are told one by one
STANDARD = {  # attributes of apertures and objects, chapter 5.6; spelling of the C group varies in its case
    *(".n", ".p", ".c", ".crot", ".cmfr", ".cmpn", ".cpkg", ".cmnt", ".cftp", ".cpgn", ".cpgd", ".chgt"),
    *(".clbn", ".clbd", ".cval", ".csup", ".aperfunction", ".drilltolerance", ".flashtext"),
}
NO_CONDUCTOR = ("NonMaterial", "Profile", "NonConductor", "CopperBalancing", "Border", "EtchedComponent", "OtherCopper")
OUTSIDE_REGIONS = ("LP", "LM", "LR", "LS", "AB", "SR")


def check_words(timeline: Timeline, complaints: Complaints) -> None:
    """Report words that are not understood, contradict each other or stand where they must not."""
    _check_syntax(timeline.words, complaints)
    _check_unknown(timeline, complaints)
    attributes = timeline.attribute_codes("TF", "TA", "TO", "TD")
    wrong = timeline.bare_rows(*EXTENDED_CODES, *attributes)
    complaints.add_rows("an extended command outside %", "a % may be missing before it", timeline.at(wrong))
    formats = timeline.rows("FS")
    odd = [timeline.command(row) != timeline.command(formats[0]) for row in formats.tolist()]
    complaints.add_rows("two different formats in one file", "the first one was taken", timeline.at(formats[odd]))


def _check_unknown(timeline: Timeline, complaints: Complaints) -> None:
    """Report commands and standard attributes without a known meaning."""
    unknown = timeline.rows(UNKNOWN)
    for row in unknown[:MAX_NAMED].tolist():
        what = f"unknown command {timeline.text(row)[:MAX_SHOWN]}"
        complaints.add(what, "its effect on the copper is unknown", int(timeline.words.command_word[row]))
    complaints.add_rows("further unknown commands", "their effect is unknown", timeline.at(unknown[MAX_NAMED:]))
    for code in timeline.attribute_codes("TA", "TO", "TD"):
        if code[2:3] == "." and code[2:].lower() not in STANDARD:
            why = "what it says of nets, parts or pads was not used"
            complaints.add_rows(f"unknown standard attribute {code}", why, timeline.at(timeline.rows(code)))


def _check_syntax(words: Words, complaints: Complaints) -> None:
    """Report words whose ends are in doubt."""
    if words.tail:
        complaints.add("the last word has no end", "the file may be cut short; export it again", len(words.lines))
    complaints.add_rows("a % in the middle of a word", "a * or a % may be missing before it", words.stray)
    why = "the end of the comment may be missing, and commands with it"
    complaints.add_rows("a comment over several lines that look like commands", why, words.swallowed)
    if words.unbalanced:
        complaints.add("an extended command without its closing %", "the file may be damaged", len(words.lines))


def check_operations(sheet: Sheet, timeline: Timeline, names: Names) -> None:
    """Report operations that give no object although they should, and those that may be drawn in another way."""
    _check_lost(sheet)
    _check_order(sheet)
    _check_regions(sheet, timeline, names)


def _check_lost(sheet: Sheet) -> None:
    """Report objects that are missing, and straight lines that may have been arcs."""
    state, complaints = sheet.strokes, sheet.complaints
    outside = (state.statement == 0) & (state.code != MOVE)
    why = "these objects are missing from the copper; export the layer again"
    complaints.add_rows("aperture used before it is defined", why, state.word[outside & (sheet.used == -1)])
    drawn = outside & (sheet.used < -1) & (state.code == DRAW)
    complaints.add_rows("draw with a block aperture", why, state.word[drawn])
    flashed = (state.statement > 0) & (state.code == FLASH)
    complaints.add_rows("flash inside a region", why, state.word[flashed])
    round_ = (state.i != 0) | (state.j != 0)  # without a centre it is a straight line, whatever the mode
    unset = (state.code == DRAW) & (state.mode == UNSET) & round_
    complaints.add_rows("arc before G02 or G03", "a straight line was taken", state.word[unset])


def _check_order(sheet: Sheet) -> None:
    """Report apertures whose image depends on whether they are mirrored or turned first (4.9.1)."""
    state = sheet.strokes
    rows = np.flatnonzero(state.mirror_x != state.mirror_y)
    rows = rows[np.mod(state.turn[rows], 180) != 0]
    rows = rows[(state.statement[rows] == 0) & (state.code[rows] != MOVE) & (sheet.used[rows] != -1)]
    symmetric = sheet.shelf.symmetric(sheet.used, rows)
    depends = ~sheet.shelf.circles(sheet.used, rows) & ~(symmetric & (np.mod(state.turn[rows], 90) == 0))
    why = "older revisions leave open which comes first; mirrored first was taken, as revision 2023.08 says"
    sheet.complaints.add_rows("aperture both mirrored and turned", why, state.word[rows[depends]])


def _check_regions(sheet: Sheet, timeline: Timeline, names: Names) -> None:
    """Report what has no place in a region (4.10.1, 5.1), and regions whose function is uncertain (5.3.1)."""
    state, complaints = sheet.strokes, sheet.complaints
    if not (state.statement > 0).any():
        return
    operations = timeline.words.operations
    codes = (*OUTSIDE_REGIONS, *timeline.attribute_codes("TA", "TO", "TD"))
    selects = operations.word[operations.d >= FIRST_APERTURE]
    words = np.sort(np.concatenate((timeline.at(timeline.rows(*codes)), selects)))
    why = "the end of the region (G37) may be missing"
    complaints.add_rows("command that has no place in a region", why, words[inside_regions(timeline, words)])
    odd = [number for name, number in names.functions.numbers.items() if name.split(",")[0] in NO_CONDUCTOR]
    bare = np.flatnonzero((state.statement > 0) & (state.attributes.function < 0))
    open_ = bare[np.isin(sheet.shelf.functions[np.maximum(sheet.used[bare], -1)], odd)]
    why = "the current aperture has one that is no conductor's, and older revisions took that; the region has none now"
    complaints.add_rows("region without an aperture function", why, state.word[open_])
