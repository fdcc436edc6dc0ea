"""Waivers and accepted doubts mark, never remove; what matches nothing or has ended is told."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from checker.config.rules_file import AcceptedDoubt, Rules, WaiverSpec
from checker.findings import Finding, Level
from checker.results.waivers import accept, uses_dates, waive
from parsers.trouble import Doubt

TODAY = date(2027, 3, 31)


def finding(
    net: str = "SHIELD", at: tuple[float, float] = (12.5, 40.0), rule: str = "gap-crossing"
) -> Finding:
    return Finding(rule=rule, level=Level.ERROR, message="", at=at, nets=(net,))


def waiver(**keys: object) -> Rules:
    return Rules(waivers=(WaiverSpec(**{"rule": "gap-crossing", "reason": "reviewed", **keys}),))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("keys", "covered"),
    [
        ({}, True),
        ({"net": "SHIELD"}, True),
        ({"net": "SH*"}, True),
        ({"net": "shield"}, False),
        ({"rule": "clearance"}, False),
        ({"near": (13.4, 40.0)}, True),
        ({"near": (13.6, 40.0)}, False),
        ({"near": (13.6, 40.0), "radius": 1.2}, True),
        ({"until": date(2027, 3, 31)}, True),
        ({"until": date(2027, 3, 30)}, False),
    ],
)
def test_a_waiver_covers_what_it_names_on_its_last_day_too(
    keys: dict[str, object], covered: bool
) -> None:
    found, remarks = waive([finding()], waiver(**keys), TODAY)
    assert (found[0].waived is not None) == covered
    assert bool(remarks) == (not covered)


@pytest.mark.parametrize(
    ("net", "covered"), [("SPI_CLK", True), ("SHIELD", True), ("S*D", True), ("SPI", False)]
)
def test_a_waiver_may_name_any_net_of_a_finding(net: str, covered: bool) -> None:
    """A clearance is one of two nets; it is waived by the name of either."""
    pair = replace(finding(), nets=("SPI_CLK", "SHIELD"))
    found, _ = waive([pair], waiver(net=net), TODAY)
    assert (found[0].waived is not None) == covered


def test_an_expired_waiver_says_when_it_ended() -> None:
    _, remarks = waive([finding()], waiver(until=date(2026, 1, 1)), TODAY)
    assert "2026-01-01" in remarks[0].why


def test_a_waived_finding_stays_with_its_reason() -> None:
    found, _ = waive([finding(), finding(net="OTHER")], waiver(net="SHIELD"), TODAY)
    assert [f.waived.reason if f.waived else None for f in found] == ["reviewed", None]


def test_a_doubt_is_accepted_by_its_exact_words() -> None:
    doubts = [
        Doubt("no netlist for layer L3", "because"),
        Doubt("no netlist for layer L2", "because"),
    ]
    rules = Rules(accepted_doubts=(AcceptedDoubt("no netlist for layer L3", "compared by hand"),))
    stated, remarks = accept(doubts, rules, TODAY)
    assert [entry.accepted is not None for entry in stated] == [True, False]
    assert remarks == []


def test_an_acceptance_that_matches_nothing_or_has_ended_is_told() -> None:
    rules = Rules(
        accepted_doubts=(
            AcceptedDoubt("nothing like it", "x"),
            AcceptedDoubt("a", "x", date(2026, 1, 1)),
        ),
    )
    stated, remarks = accept([Doubt("a", "b")], rules, TODAY)
    assert stated[0].accepted is None
    assert [r.what for r in remarks] == [
        'accepted doubt "nothing like it" matches nothing',
        'accepted doubt "a" has expired',
    ]


def test_the_day_matters_only_where_something_ends() -> None:
    assert not uses_dates(waiver())
    assert uses_dates(waiver(until=TODAY))
