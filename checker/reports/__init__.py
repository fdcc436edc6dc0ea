"""Report formats: every module of this folder that holds a FORMAT is one. Reports see outcomes, never boards."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TextIO

from checker.drawing import Pictures
from checker.results.outcome import Outcome

__all__ = ["Format", "Pictures", "registry"]


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
    for info in sorted(pkgutil.iter_modules(__path__), key=lambda i: i.name):
        module = importlib.import_module(f"{__name__}.{info.name}")
        if hasattr(module, "FORMAT"):
            form: Format = module.FORMAT
            found[form.name] = form
    return found
