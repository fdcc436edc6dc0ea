"""What a rule is, and the registry: every module of this folder that holds a RULE and a `find` is a
rule.

A rule module's docstring is its manual: one line of obligation, then paragraphs that start with
`Why:`, `Measured:`, `Fix:` and `Source:`. A module may also hold `why_not(layout)` and
`doubts(layout)`. The rule id is the file name with hyphens; it is a promise once released.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

from checker.declared import declared
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
    # limits that it alone reads; stating them promises: no voltages, no tables
    own: tuple[str, ...] | None = None
    # name of something large that it computes; rules that share it run in one process
    shares: str = ""


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

    `find` yields findings; `why_not` says why the rule cannot run on this layout, or None; `doubts`
    tells what it could not judge (a table without rows for inner layers on a board that has them).
    """

    rule: Rule
    manual: Manual
    find: Callable[[Layout], Iterable[Finding]] = field(compare=False)
    why_not: Callable[[Layout], str | None] = field(compare=False)
    doubts: Callable[[Layout], Iterable[Doubt]] = field(compare=False)


@lru_cache(maxsize=1)
def registry() -> dict[str, RuleModule]:
    """All rules by id, in alphabetical order: found by walking this folder; a rule is imported when
    it is run.
    """
    found: dict[str, RuleModule] = {}
    for entry in declared(
        __name__, __path__, "RULE", {"Rule": Rule, "Limit": Limit, "Level": Level}
    ):
        functions = (
            entry.later("find"),
            entry.later("why_not", _always),
            entry.later("doubts", _none),
        )
        found[entry.value.id] = RuleModule(entry.value, manual_of(entry.docstring), *functions)
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
