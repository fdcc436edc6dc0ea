"""What a finding is known by: its id and its group."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from checker.findings import Finding, Level, grouped, identified


def finding(**told: Any) -> Finding:
    return Finding(
        **({"rule": "creepage", "level": Level.ERROR, "message": "short", "at": (0.0, 0.0)} | told)
    )


def test_a_finding_whose_rule_names_no_group_is_a_group_of_its_own() -> None:
    first, second = identified([finding(nets=("A",)), finding(nets=("B",))])
    assert (first.group, second.group) == (first.id, second.id)
    assert first.group != second.group


def test_a_group_is_told_by_what_falls_short_and_not_by_what_is_exactly_as_far() -> None:
    """Exactly 3 of 3 mm is no shortage: 0.1 V of allowed 0.05 says more, at the same level."""
    exact = finding(measured=3.0, required=3.0, at=(0.0, 0.0), group="one")
    over = finding(rule="shared-return", measured=0.1, required=0.05, at=(9.0, 9.0), group="one")
    (group,) = grouped([exact, over])
    assert group.worst.rule == "shared-return"


def test_findings_of_one_cause_share_a_group_across_rules_and_each_keeps_its_id() -> None:
    found = identified(
        [
            finding(rule="region-escape", nets=("A",), group="overlap a b"),
            finding(rule="pour-overlap", group="overlap a b"),
            finding(nets=("A",), group="barrier a b"),
        ]
    )
    assert len({f.id for f in found}) == 3
    by_rule = {f.rule: f.group for f in found}
    assert by_rule["region-escape"] == by_rule["pour-overlap"] != by_rule["creepage"]


def test_an_id_survives_regions_and_parts_with_other_names_and_the_order_of_nets() -> None:
    one = finding(nets=("A", "B"), regions=("probe",), components=("U1",))
    other = finding(nets=("B", "A"), regions=("electrodes",), components=("U2",))
    assert identified([one])[0].id == identified([other])[0].id


def test_a_group_does_not_change_an_id() -> None:
    alone = finding(nets=("A",))
    assert identified([alone])[0].id == identified([replace(alone, group="barrier a b")])[0].id


def test_alike_findings_are_numbered_by_place_whatever_order_they_come_in() -> None:
    """Two of the same nets on the same layer: the one farther left is the first, though its harm is
    less.
    """
    left, right = (
        finding(nets=("A",), at=(1.0, 9.0), harm=1.0),
        finding(nets=("A",), at=(2.0, 3.0), harm=5.0),
    )
    ids = [{f.at: f.id for f in identified(both)} for both in ([left, right], [right, left])]
    assert ids[0] == ids[1]
    assert ids[0][1.0, 9.0] == identified([left])[0].id != ids[0][2.0, 3.0]
