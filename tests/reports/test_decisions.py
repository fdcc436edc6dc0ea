"""Text to paste into a rules file covers exactly what it was offered for, and nothing until a
reason is given.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checker import wording
from checker.config.rules_file import Rules, RulesFileError, parse_rules
from checker.findings import Finding, Level, grouped, identified
from checker.reports import actions, decisions, details
from checker.results import waivers
from checker.results.outcome import Doubt, Outcome
from checker.rules import registry
from tests.reports import hostile, sample
from tests.reports.test_every_format import written

HEAD = 'schema = 1\n[region.a]\nreference = ["GND"]\n'
NAMES = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=12)
PLACES = st.tuples(st.floats(-300, 300), st.floats(-300, 300))


def read(text: str, reason: str = "seen") -> Rules:
    return parse_rules(HEAD + text.replace('reason = ""', f'reason = "{reason}"'), "rules.toml", {})


def finding(net: str, at: tuple[float, float] = (3.0, 4.0)) -> Finding:
    return Finding(rule="creepage", level=Level.ERROR, message="short", at=at, nets=(net, "GND"))


@given(NAMES, PLACES)
def test_a_waiver_covers_its_finding_and_no_other(net: str, at: tuple[float, float]) -> None:
    made = identified([finding(net, at), finding(net + "x", at), finding(net, (at[0] + 1, at[1]))])
    wanted = next(f for f in made if f.nets[0] == net and f.at == at)
    covered, remarks = waivers.waive(made, read(decisions.waiver(wanted)), date(2026, 1, 1))
    assert [f.id for f in covered if f.waived] == [wanted.id]
    assert remarks == []


@pytest.mark.parametrize(
    "net", [name for name in hostile.NAMES if name] + ["A[0]", "*", "a?b", '"', "\\"]
)
def test_hostile_names_can_be_waived(net: str) -> None:
    made = identified([finding(net), finding("OTHER")])
    wanted = next(f for f in made if f.nets[0] == net)
    covered, _ = waivers.waive(made, read(decisions.waiver(wanted)), date(2026, 1, 1))
    assert [f.id for f in covered if f.waived] == [wanted.id]


def test_a_waiver_without_a_reason_is_refused() -> None:
    with pytest.raises(RulesFileError, match="reason"):
        parse_rules(HEAD + decisions.waiver(finding("A")), "rules.toml", {})


def test_a_group_gives_a_waiver_for_each_member_that_has_none() -> None:
    first, second = identified([replace(finding("A"), group="g"), replace(finding("B"), group="g")])
    (group,) = grouped([first, second])
    assert len(read(decisions.waivers(group)).waivers) == 2


@pytest.mark.parametrize("outcome", [sample.outcome(), hostile.outcome()])
def test_the_text_for_everything_covers_every_finding_and_doubt_once_reasons_are_filled_in(
    outcome: Outcome,
) -> None:
    text = written("waivers", outcome)
    with pytest.raises(RulesFileError, match="reason"):
        parse_rules(HEAD + text, "rules.toml", {})
    rules = read(text)
    covered, remarks = waivers.waive(outcome.findings, rules, date(2026, 1, 1))
    assert all(f.waived for f in covered)
    accepted, more = waivers.accept(
        [d.doubt for d in outcome.doubts if d.accepted is None], rules, date(2026, 1, 1)
    )
    assert all(d.accepted for d in accepted)
    assert [*remarks, *more] == []


def test_a_finding_without_a_hint_is_told_what_its_rule_says() -> None:
    short = finding("A")
    assert actions.action(short) == wording.sentence(registry()["creepage"].manual.fix) != ""
    assert actions.action(replace(short, hint="move it")) == "Move it."
    assert actions.action(replace(short, level=Level.NOTE)) == ""


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1))
def test_an_acceptance_means_its_doubt(what: str) -> None:
    assert (
        tomllib.loads(decisions.acceptance(Doubt(what, "why")))["accepted_doubt"][0]["what"] == what
    )


def test_details_are_words_with_units() -> None:
    told = {
        "detour_mm": 12.5, "loop_nh": None, "earthed": False, "voltage": 250.0, "insulation": "none",
        "currents": [{"name": "boost", "dc_v": 0.001}], "x_mm": float("nan"),
    }  # fmt: skip
    rows = dict(details.rows(replace(finding("A"), detail=told)))
    assert rows == {
        "return detour": "12.5 mm",
        "earthed": "no",
        "voltage": "250 V",
        "insulation": "none",
        "currents": "name boost; dc 0.001 V",
    }
