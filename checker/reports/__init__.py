"""Report formats: every module of this folder that holds a FORMAT is one. Reports see outcomes,
never boards.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, TextIO

from checker.declared import declared

if TYPE_CHECKING:
    from checker.drawing import Pictures
    from checker.results.outcome import Outcome


@dataclass(frozen=True, slots=True)
class Format:
    """What a report module declares about itself.

    `write(outcome, pictures, stream)` writes the whole report; the same input gives the same text.
    """

    name: str  # as in --format
    file_name: str
    write: Callable[[Outcome, Pictures, TextIO], None] = field(compare=False)
    pictures: bool = False  # whether it shows the scene


@lru_cache(maxsize=1)
def registry() -> dict[str, Format]:
    """All formats by name, in alphabetical order of their modules: found by walking this folder."""
    found: dict[str, Format] = {}
    for entry in declared(__name__, __path__, "FORMAT", {"Format": Format, "write": None}):
        found[entry.value.name] = replace(entry.value, write=entry.later("write"))
    return found
