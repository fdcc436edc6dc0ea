"""What a rule is, and the registry: every module of this folder that holds a RULE and a `find` is a rule.

A rule module's docstring is its manual: one line of obligation, then paragraphs that start with `Why:`, `Measured:`,
`Fix:` and `Source:`. A module may also hold `why_not(layout)` and `doubts(layout)`. The rule id is the file name with
hyphens; it is a promise once released.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

from checker.findings import Finding, Level
from parsers.trouble import Doubt

if TYPE_CHECKING:
    from checker.layout.layout import Layout

HEADINGS = ("Why", "Measured", "Fix", "Source")


@dataclass(frozen=True, slots=True)
class Limit:
    """A number of `[limits]` that a rule or a definition uses."""

    name: str
    default: float
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Rule:
    """What a rule module declares about itself."""

    id: str
    title: str
    level: Level
    limits: tuple[Limit, ...] = ()
    unit: str = "mm"
    safety: bool = False  # a baseline never silences it
    shares: str = ""  # name of something large that it computes; rules that share it run in one process


@dataclass(frozen=True, slots=True)
class Manual:
    """A rule's docstring, taken apart."""

    obligation: str
    why: str
    measured: str
    fix: str
    source: str


@dataclass(frozen=True, slots=True)
class RuleModule:
    """A rule with its manual and its function.

    `find` yields findings; `why_not` says why the rule cannot run on this layout, or None; `doubts` tells what it could
    not judge (a table without rows for inner layers on a board that has them).
    """

    rule: Rule
    manual: Manual
    find: Callable[[Layout], Iterable[Finding]] = field(compare=False)
    why_not: Callable[[Layout], str | None] = field(compare=False)
    doubts: Callable[[Layout], Iterable[Doubt]] = field(compare=False)


@lru_cache(maxsize=1)
def registry() -> dict[str, RuleModule]:
    """All rules by id, in alphabetical order: found by walking this folder."""
    found: dict[str, RuleModule] = {}
    for info in sorted(pkgutil.iter_modules(__path__), key=lambda i: i.name):
        module = importlib.import_module(f"{__name__}.{info.name}")
        if hasattr(module, "RULE"):
            rule: Rule = module.RULE
            manual = manual_of(inspect.getdoc(module) or "")
            why_not = getattr(module, "why_not", _always)
            found[rule.id] = RuleModule(rule, manual, module.find, why_not, getattr(module, "doubts", _none))
    return found


def known_limits() -> dict[str, Limit]:
    """Every limit that some rule declares, by name."""
    return {limit.name: limit for module in registry().values() for limit in module.rule.limits}


def manual_of(text: str) -> Manual:
    """Take a rule's docstring apart; a heading that is missing gives an empty string."""
    obligation = " ".join(text.split("\n\n", 1)[0].split())
    parts: dict[str, str] = {}
    for heading in HEADINGS:
        others = "|".join(HEADINGS)
        match = re.search(rf"^{heading}:(.*?)(?=^(?:{others}):|\Z)", text, re.M | re.S)
        parts[heading.lower()] = " ".join(match[1].split()) if match else ""
    return Manual(obligation, **parts)


def _always(_: Layout) -> str | None:
    return None


def _none(_: Layout) -> Iterable[Doubt]:
    return ()
