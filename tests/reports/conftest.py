"""An invented set of rules, so that a report's golden file does not change with the wording of a
real rule.
"""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from checker.findings import Finding, Level
from checker.rules import Manual, Rule, RuleModule
from tests.reports import sample

MANUAL = Manual(
    "Every net keeps one region's pour beneath it.",
    "a return current that must go round makes noise.",
    "along the centre line, pads left away.",
    "route round the gap, or cross it in a declared isolator.",
    "common practice, no source.",
)


def _nothing(*_: object) -> Iterable[Finding]:
    return ()


def _invented() -> dict[str, RuleModule]:
    names = sorted({finding.rule for finding in sample.findings()} | {"return-handover"})
    safety = ("clearance", "creepage", "galvanic-bridge")
    return {
        name: RuleModule(
            Rule(name, name.replace("-", " ").capitalize(), Level.ERROR, safety=name in safety),
            MANUAL,
            find=_nothing,
            why_not=lambda _: None,
            doubts=lambda _: (),
        )
        for name in names
    }


@pytest.fixture
def invented_rules(monkeypatch: pytest.MonkeyPatch) -> dict[str, RuleModule]:
    """Put the invented rules in the place of the real ones, for reports only."""
    made = _invented()
    for module in ("actions", "text", "sarif", "page_list"):
        monkeypatch.setattr(f"checker.reports.{module}.rules", lambda: made)
    monkeypatch.setattr("checker.results.outcome.registry", lambda: made)
    return made
