"""Reading a whole Gerber file: words, commands, state, objects, and the doubts about them.

The Gerber Layer Format Specification 2023.08; chapter 8 and older revisions for what is deprecated.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from parsers.assembly.diagnostics import Diagnostics
from parsers.assembly.image import Image
from parsers.gerber.apertures import ApertureDictionary
from parsers.gerber.blocks import Scopes, find_scopes
from parsers.gerber.bounds import TooMuchError
from parsers.gerber.checks import check_operations, check_words
from parsers.gerber.commands import Command, Format, read_command
from parsers.gerber.definitions import read_definitions, read_macros
from parsers.gerber.drawing import draw_file, used_definitions
from parsers.gerber.old_image import check_image, image_scale, on_image
from parsers.gerber.plotter import Operations
from parsers.gerber.state import (
    CLOCKWISE,
    COUNTERCLOCKWISE,
    CommandStream,
    GraphicsState,
    Names,
    graphics_state,
)
from parsers.gerber.syntax import Longs, Words, tokenise
from parsers.primitives import Floats
from parsers.trouble import FormatError, Place, line_for

MM, INCH = 1.0, 25.4  # mm per file unit
MAX_REACH = 10_000.0  # mm; no board is larger
# key of the old image polarity among the file attributes, where it is negative
IMAGE_POLARITY = "IP"
# file attributes that say what the image means
DECISIVE = (".FileFunction", ".FilePolarity", ".Part")
_SIGNS = re.compile(
    rb"%\s*(?:FS|MO(?:MM|IN)|AD[D0-9]|TF\.|AM|LP[DC])|^\s*G0?4[^*]*\*|D0?[123]\*", re.MULTILINE
)
_MARK = b"\xef\xbb\xbf"  # a byte order mark


@dataclass(frozen=True, slots=True)
class Setting:
    """What holds for a whole file."""

    name: str
    file: int
    unit: float  # mm per file unit
    negative: bool  # it shows where copper is missing
    diagnostics: Diagnostics


def looks_like_gerber(data: bytes) -> bool:
    """Tell cheaply whether a file may be Gerber; files that are but cannot be read count too.

    Examples
    --------
    >>> looks_like_gerber(b"G04 top copper*\\n%FSLAX46Y46*%")
    True
    >>> looks_like_gerber(b"M48\\nMETRIC\\nT1C0.3")
    False
    """
    head = data[:65536]
    return b"*" in head and b"\0" not in head and _SIGNS.search(head) is not None


def read_gerber(data: bytes, name: str, file: int = 0) -> Image:
    """Read a Gerber file into exact objects with nets and attributes.

    Parameters
    ----------
    data : the whole file
    name : its name, for places
    file : number that stands in the column `file` of the objects

    Raises
    ------
    FormatError
        if the file as a whole cannot be read: it is something else, or names no format or unit

    Examples
    --------
    >>> image = read_gerber(b"%FSLAX46Y46*%%MOMM*%%ADD10C,1*%D10*X2000000Y0D03*M02*", "top.gbr")
    >>> image.objects.geometry[0, :2].tolist(), image.objects.radius.tolist()
    ([2.0, 0.0], [0.5])
    """
    words, stated = _words(data.removeprefix(_MARK), name)
    diagnostics = Diagnostics(name, words.line)
    commands = [read_command(text) for text in words.texts]
    stream = CommandStream(_before_end(words, commands, diagnostics), commands)
    check_words(stream, diagnostics)
    check_image(stream, diagnostics)
    stated_attributes = _file_attributes(stream, diagnostics)
    negative = (
        stated_attributes.get(".FilePolarity") == ("Negative",)
        or IMAGE_POLARITY in stated_attributes
    )
    setting = Setting(name, file, _unit(stream, name, diagnostics), negative, diagnostics)
    names = Names()
    state = graphics_state(stream, names, stated.incremental, diagnostics)
    scopes = find_scopes(stream, diagnostics)
    apertures = ApertureDictionary(
        read_definitions(stream, names), read_macros(stream, diagnostics), setting.unit, diagnostics
    )
    operations = _operations(state, stated, apertures, scopes, stream, setting)
    check_operations(operations, stream, names)
    try:
        drawn = on_image(draw_file(operations, scopes, setting.unit), stream, setting.unit)
    except TooMuchError as trouble:
        raise FormatError(f"{trouble}; split the layer", Place(name)) from trouble
    return Image(
        objects=drawn.objects,
        dark=drawn.dark,
        nets=names.nets.values(),
        components=names.components.values(),
        pins=tuple((pin[0], "".join(pin[1:])) for pin in names.pins.values()),
        functions=names.functions.values(),
        attributes=stated_attributes,
        doubts=diagnostics.doubts_by_place(),
    )


def _words(data: bytes, name: str) -> tuple[Words, Format]:
    """Cut a file into words by its coordinate format; without one there is nothing to read."""
    if b"\0" in data or b"*" not in data:
        raise FormatError(
            f"not a Gerber file; leave it out, or {line_for(name, 'not needed')}", Place(name)
        )
    words = tokenise(data)
    formats = [read_command(text) for text in words.texts if text[:2] == "FS"]
    stated: Format | None = next(
        (command.value[0] for command in formats if command.code == "FS"), None
    )
    if stated is None:
        message = "no coordinate format (FS): RS-274-D or no Gerber at all; export as Gerber X2"
        raise FormatError(message, Place(name))
    if stated.trailing:
        words = tokenise(data, stated.integers + stated.decimals)
    return words, stated


def _before_end(words: Words, commands: Sequence[Command], diagnostics: Diagnostics) -> Words:
    """Leave out what follows the end mark, and report that or a missing mark."""
    ends = [number for number, command in enumerate(commands) if command.code == "M02"]
    rows = np.flatnonzero(np.isin(words.command_text, ends))
    total = len(words.lines)
    if not len(rows):
        diagnostics.add(
            "no end mark (M02)", "the file may be cut short; export it again", max(total - 1, 0)
        )
        return words
    end = int(words.command_word[rows[0]])
    if words.tail:
        diagnostics.add(
            "text after the end mark", "it was not read; two files may have been joined", end
        )
    if end == total - 1:
        return words
    diagnostics.add(
        "text after the end mark", "it was not read; two files may have been joined", end + 1
    )
    return words.until(end)


def _unit(stream: CommandStream, name: str, diagnostics: Diagnostics) -> float:
    """Mm per file unit."""
    stated = [(stream.command(row), row) for row in stream.rows("MO", "G70", "G71").tolist()]
    first = [c for c, _ in stated if c.code == "MO"] or [c for c, _ in stated]
    if not first:
        raise FormatError("no unit (MO); export as Gerber X2", Place(name))
    units = {"MM": MM, "IN": INCH}
    chosen = _unit_of(first[0])
    for command, row in stated:
        if _unit_of(command) != chosen:
            why = f"{units[chosen]:g} mm per unit was taken throughout"
            diagnostics.add(
                "two different units in one file", why, int(stream.at(np.array([row]))[0])
            )
    return units[chosen]


def _unit_of(command: Command) -> str:
    return {"G70": "IN", "G71": "MM"}.get(command.code) or str(command.value[0])


def _file_attributes(stream: CommandStream, diagnostics: Diagnostics) -> dict[str, tuple[str, ...]]:
    """File attributes by name, the first value of each; and the old image polarity under "IP"."""
    found: dict[str, tuple[str, ...]] = {}
    for row in stream.rows(*stream.attribute_codes("TF")).tolist():
        code, values = stream.command(row)
        name = code[2:]
        if found.setdefault(name, values) != values and name in DECISIVE:
            why = "it must not change; the first value was taken"
            diagnostics.add(
                f"file attribute {name} stated twice", why, int(stream.words.command_word[row])
            )
    if any(not stream.command(row).value[0] for row in stream.rows("IP").tolist()):
        found[IMAGE_POLARITY] = ("NEG",)
    return found


def _operations(
    state: GraphicsState,
    stated: Format,
    apertures: ApertureDictionary,
    scopes: Scopes,
    stream: CommandStream,
    setting: Setting,
) -> Operations:
    """Bring the operations into mm."""
    mirror_x, mirror_y = image_scale(stream)
    if mirror_x * mirror_y < 0:
        swapped = np.where(
            state.mode >= CLOCKWISE, CLOCKWISE + COUNTERCLOCKWISE - state.mode, state.mode
        )
        state = replace(state, mode=swapped)
    x, y = (
        _mm(state.x, stated, setting.unit) * mirror_x,
        _mm(state.y, stated, setting.unit) * mirror_y,
    )
    i, j = (
        _mm(state.i, stated, setting.unit) * mirror_x,
        _mm(state.j, stated, setting.unit) * mirror_y,
    )
    if len(x) and max(np.abs(column).max() for column in (x, y, i, j)) > MAX_REACH:
        raise FormatError(
            "coordinates beyond 10 m; the file is damaged or no board", Place(setting.name)
        )
    from_x, from_y = (np.concatenate((column[:1] * 0, column[:-1])) for column in (x, y))
    return Operations(
        state=state,
        ends=np.column_stack((from_x, from_y, x, y)),
        offset=np.column_stack((i, j)),
        resolution=setting.unit / 10**stated.decimals,
        lines=stream.words.lines[state.word],
        file=setting.file,
        used=used_definitions(state, apertures.definitions, scopes, setting.diagnostics),
        apertures=apertures,
        negative=setting.negative,
        diagnostics=setting.diagnostics,
    )


def _mm(values: Longs, stated: Format, unit: float) -> Floats:
    """Coordinates in mm, rounded once."""
    exact = values * 254 if unit == INCH else values
    return np.asarray(exact / 10.0 ** (stated.decimals + (unit == INCH)))
