"""Attributes: names and values of TF, TA, TO and TD, and the tables that number nets, parts, pins
and functions.

The Gerber Layer Format Specification 2023.08, chapter 5; escapes 3.4.3. An attribute command may
also stand in a comment, `G04 #@! TF.FileFunction,Copper,L1,Top*`, for readers that know no
attributes (common practice, no source: the specification only reserves the spelling).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Generic, TypeVar

T = TypeVar("T")

NET, PIN, COMPONENT, FUNCTION = ".N", ".P", ".C", ".AperFunction"

_ESCAPE = re.compile(r"\\u([0-9A-Fa-f]{4})|\\U([0-9A-Fa-f]{8})")
_FILE_ATTRIBUTE = re.compile(rb"(?:%|\*|#@!)\s*TF([._$A-Za-z][^*%]*)(?=\*)")
_LAST_CHARACTER = 0x10FFFF
_SURROGATES = range(0xD800, 0xE000)  # no characters; a name that held one could not be written down


def unescape(text: str) -> str:
    r"""Replace `\uXXXX` and `\UXXXXXXXX` by their characters.

    Examples
    --------
    >>> unescape(r"3V3\u002Ca")
    '3V3,a'
    """
    return _ESCAPE.sub(_character, text)


def _character(match: re.Match[str]) -> str:
    code = int(match[1] or match[2], 16)
    return chr(code) if code <= _LAST_CHARACTER and code not in _SURROGATES else match[0]


def split_fields(text: str) -> list[str]:
    """Split an attribute at its commas and unescape each field."""
    fields = text.split(",")
    return [unescape(field) for field in fields] if "\\" in text else fields


def file_attributes(data: bytes) -> dict[str, tuple[str, ...]]:
    """Give the file attributes of a Gerber file by a quick search, without reading the file.

    Examples
    --------
    >>> file_attributes(b"%TF.FileFunction,Copper,L1,Top*%G04 #@! TF.Part,Single*")
    {'.FileFunction': ('Copper', 'L1', 'Top'), '.Part': ('Single',)}
    """
    found: dict[str, tuple[str, ...]] = {}
    for match in _FILE_ATTRIBUTE.finditer(data):
        name, *values = split_fields(match[1].translate(None, b"\r\n").decode(errors="replace"))
        found.setdefault(name.strip(), tuple(values))
    return found


@dataclass(slots=True)
class Numbered(Generic[T]):
    """Values in the order of their first use, each with its number."""

    numbers: dict[T, int] = field(default_factory=dict)

    def number_all(self, values: Iterable[T]) -> list[int]:
        """Give the number of each value."""
        numbers = self.numbers
        return [numbers.setdefault(value, len(numbers)) for value in values]

    def values(self) -> tuple[T, ...]:
        """All values, by number."""
        return tuple(self.numbers)
