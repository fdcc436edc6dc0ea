"""Meaning of the commands of a Gerber file, one text at a time.

The Gerber Layer Format Specification 2023.08, chapters 4, 5 and 8. Commands are regular expressions
in all but the expressions of macros (see `macros`):

    FS  = FS (L|T|D)? (A|I)? (N,G,D,M digits)? X digit digit Y digit digit
    MO  = MO (MM|IN)
    AD  = AD D number name [, parameters separated by X]
    AM  = AM name                              the body is the words up to the closing %
    AB  = AB [D number]                        SR = SR [X n Y n I step J step]
    LP  = LP (D|C)    LM = LM (N|X|Y|XY)       LR = LR degrees       LS = LS factor
    TF, TA, TO = name {, value}                TD = TD [name]
    G and M codes = letter number              IP IR MI SF OF AS = deprecated image parameters

A command with another text, or with a meaning that changes the image in a way not built here, is
unknown.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

from parsers.gerber.attributes import COMPONENT, FUNCTION, NET, PIN, split_fields
from parsers.gerber.syntax import is_comment

# codes of commands beside the letters of the format
IGNORED, UNKNOWN, BODY = ("ignored", "unknown", "body")

LEAST_FACTOR = 1e-6  # of LS; nothing smaller or, inverted, larger is meant
EXTENDED_CODES = (
    *("FS", "MO", "AD", "AM", "AB", "SR", "LP", "LM", "LR", "LS"),
    *("IP", "IR", "MI", "SF", "OF", "AS"),
)

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
_CODE = re.compile(r"([GMDgmd])0*([0-9]{1,10})")
_FORMAT = re.compile(
    r"FS([LTD]?)([AI]?)((?:[NGDM][0-9])*)X([0-9])([0-9])Y([0-9])([0-9])((?:[NGDM][0-9])*)"
)
_APERTURE = re.compile(r"ADD([0-9]{1,10})([._a-zA-Z$][^,]*)(?:,(.*))?", re.DOTALL)
_BLOCK = re.compile(r"ABD([0-9]{1,10})")
_REPEAT = re.compile(
    rf"SR(?:X([0-9]{{1,10}}))?(?:Y([0-9]{{1,10}}))?(?:I({_NUMBER}))?(?:J({_NUMBER}))?"
)
_AXES = re.compile(rf"(?:A({_NUMBER}))?(?:B({_NUMBER}))?")
_REMARK_ATTRIBUTE = re.compile(r"[Gg]0*4\s*#@!\s*(T[FAOD].*)", re.DOTALL)
_REAL = re.compile(_NUMBER)
_BLANK = re.compile(r"(?<![0-9.]) +| +(?![0-9.])")  # blanks that stand in no number


class Command(NamedTuple):
    """What a command says: its code (letters of the format, with the name for attributes) and its
    values.
    """

    code: str
    value: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class Format:
    """The coordinate format (FS)."""

    integers: int
    decimals: int
    trailing: bool = False  # trailing zeros are omitted
    incremental: bool = False


def read_command(text: str) -> Command:
    """Tell what a command means.

    Examples
    --------
    >>> read_command("LPC")
    Command(code='LP', value=(False,))
    >>> read_command("TO.N,GND")
    Command(code='TO.N', value=('GND',))
    >>> read_command("XYZ")
    Command(code='unknown', value=())
    """
    if text[:2] in _ATTRIBUTES:
        return _attribute(text)
    if not text:
        return Command(IGNORED)
    if is_comment(text):
        match = _REMARK_ATTRIBUTE.fullmatch(text)
        return read_command(match[1]) if match else Command(IGNORED)
    if text[0] in "0123456789$":
        return Command(BODY)
    reader = _READERS.get(text[:2])
    found = reader(text.rstrip()) if reader else None
    return found or _code(text) or Command(UNKNOWN)


_ATTRIBUTES = ("TF", "TA", "TO", "TD")
# values that must be there
_LEAST = {f"TO{NET}": 1, f"TO{PIN}": 2, f"TO{COMPONENT}": 1, f"TA{FUNCTION}": 1}


def _attribute(text: str) -> Command:
    fields = split_fields(text)
    code, count = fields[0].strip(), len(fields) - 1
    if (
        count < _LEAST.get(code, 0)
        or (count and code[1] == "D")
        or (len(code) == 2 and code != "TD")
    ):
        return Command(UNKNOWN)
    return Command(code, tuple(fields[1:]))


def _code(text: str) -> Command | None:
    """Give a G, M or D code, in any spelling."""
    match = _CODE.fullmatch(_BLANK.sub("", text))
    if not match:
        return None
    code = match[1].upper() + match[2].zfill(2)
    return Command(_SAME_AS.get(code, code)) if code in _CODES or code in _SAME_AS else None


_CODES = ("G36", "G37", "G70", "G71", "G74", "G75", "G90", "G91", "M02")
_SAME_AS = {"M00": "M02", "M01": IGNORED, "G54": IGNORED, "G55": IGNORED}


def _format(text: str) -> Command | None:
    match = _FORMAT.fullmatch(text)
    if not match or match.group(4, 5) != match.group(6, 7) or match[1] == "D":
        return None
    return Command("FS", (Format(int(match[4]), int(match[5]), match[1] == "T", match[2] == "I"),))


def _unit(text: str) -> Command | None:
    return Command("MO", (text[2:],)) if text in ("MOMM", "MOIN") else None


def _aperture(text: str) -> Command | None:
    match = _APERTURE.fullmatch(text)
    if not match:
        return None
    parameters = tuple(part.strip() for part in re.split("[Xx]", match[3])) if match[3] else ()
    if not all(_REAL.fullmatch(p) for p in parameters):
        return None
    return Command("AD", (int(match[1]), match[2], tuple(float(p) for p in parameters)))


def _macro(text: str) -> Command | None:
    return Command("AM", (text[2:].strip(),)) if len(text) > 2 else None


def _block(text: str) -> Command | None:
    if text == "AB":
        return Command("AB", (None,))
    match = _BLOCK.fullmatch(text)
    return Command("AB", (int(match[1]),)) if match else None


def _repeat(text: str) -> Command | None:
    match = _REPEAT.fullmatch(text)
    if not match:
        return None
    return Command(
        "SR", (int(match[1] or 1), int(match[2] or 1), float(match[3] or 0), float(match[4] or 0))
    )


def _polarity(text: str) -> Command | None:
    return Command("LP", (text == "LPD",)) if text in ("LPD", "LPC") else None


def _mirror(text: str) -> Command | None:
    return Command("LM", (text[2:],)) if text in ("LMN", "LMX", "LMY", "LMXY") else None


def _angle(text: str) -> Command | None:
    return Command("LR", (float(text[2:]),)) if _REAL.fullmatch(text[2:]) else None


def _factor(text: str) -> Command | None:
    factor = float(text[2:]) if _REAL.fullmatch(text[2:]) else 0.0
    return Command("LS", (factor,)) if LEAST_FACTOR <= factor <= 1 / LEAST_FACTOR else None


def _ignored(_: str) -> Command:
    return Command(IGNORED)


def _image_polarity(text: str) -> Command | None:
    return Command("IP", (text == "IPPOS",)) if text in ("IPPOS", "IPNEG") else None


def _image_rotation(text: str) -> Command | None:
    return Command("IR", (int(text[2:]),)) if re.fullmatch("IR0*(0|90|180|270)", text) else None


def _image_axes(text: str) -> Command | None:
    match = _AXES.fullmatch(text[2:])
    if not match:
        return None
    neutral = 1.0 if text[:2] == "SF" else 0.0
    values = tuple(neutral if v is None else float(v) for v in match.groups())
    allowed = {"SF": min(values) > 0, "MI": set(values) <= {0.0, 1.0}}.get(text[:2], True)
    return Command(text[:2], values) if allowed else None


def _axis_select(text: str) -> Command | None:
    return Command("AS", (text == "ASAYBX",)) if text in ("ASAXBY", "ASAYBX") else None


_READERS: dict[str, Callable[[str], Command | None]] = {
    "FS": _format,
    "MO": _unit,
    "AD": _aperture,
    "AM": _macro,
    "AB": _block,
    "SR": _repeat,
    "LP": _polarity,
    "LM": _mirror,
    "LR": _angle,
    "LS": _factor,
    "LN": _ignored,
    "IN": _ignored,
    "IP": _image_polarity,
    "IR": _image_rotation,
    "MI": _image_axes,
    "SF": _image_axes,
    "OF": _image_axes,
    "AS": _axis_select,
}
