"""What must hold for every rule, whichever it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from checker import rules
from checker.rules import RuleModule, known_limits, registry
from tests.boards import cases

FOLDER = Path(rules.__file__).parent


@pytest.mark.parametrize("module", registry().values(), ids=registry().keys())
def test_a_rule_is_complete(module: RuleModule) -> None:
    """Id as the file is named, a manual with every heading, limits with default, unit and
    meaning.
    """
    rule, manual = module.rule, module.manual
    assert (FOLDER / f"{rule.id.replace('-', '_')}.py").is_file()
    assert rule.title
    assert all((manual.obligation, manual.why, manual.measured, manual.fix, manual.source))
    assert manual.obligation.endswith(".")
    assert all(limit.unit and limit.meaning and limit.default >= 0 for limit in rule.limits)


@pytest.mark.parametrize("rule", registry())
def test_a_rule_has_cases_that_pass_and_cases_that_fail(rule: str) -> None:
    """A missing fixture is a failure."""
    expected = [case.expect for case in cases(rule.replace("-", "_"))]
    assert any(expected), "no case gives a finding"
    assert not all(expected), "no case passes"


def test_rules_that_share_a_limit_agree_on_it() -> None:
    for module in registry().values():
        for limit in module.rule.limits:
            assert known_limits()[limit.name] == limit


def test_the_promised_rules_are_there() -> None:
    """A rule id is a promise once released: this list only grows."""
    promised = {
        "gap-crossing",
        "unreferenced-run",
        "region-escape",
        "region-intrusion",
        "clearance",
        "creepage",
        "gap-narrow",
        "galvanic-bridge",
        "return-handover",
        "noisy-neighbour",
        "pour-overlap",
        "pour-edge",
    }
    assert promised <= set(registry())


def test_a_baseline_never_silences_safety() -> None:
    assert all(
        registry()[name].rule.safety for name in ("clearance", "creepage", "galvanic-bridge")
    )
