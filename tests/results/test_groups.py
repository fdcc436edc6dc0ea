"""What has one cause is one place, told by its worst member."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from checker.findings import Finding, Level, Waived, grouped, identified


def finding(**told: Any) -> Finding:
    common = {
        "rule": "creepage",
        "level": Level.ERROR,
        "message": "short",
        "at": (0.0, 0.0),
        "group": "one",
    }
    return Finding(**(common | told))


def only(*findings: Finding) -> Any:
    (group,) = grouped(identified(findings))
    return group


def test_the_largest_share_of_the_requirement_that_is_missing_tells_a_group() -> None:
    """Required / measured: 8 / 2 = 4 against 3 / 1 = 3, although 1 mm is the shorter."""
    group = only(
        finding(nets=("A",), measured=1.0, required=3.0),
        finding(nets=("B",), measured=2.0, required=8.0),
    )
    assert group.worst.nets == ("B",)


def test_nothing_at_all_is_worse_than_anything() -> None:
    group = only(
        finding(nets=("A",), measured=0.001, required=8.0),
        finding(nets=("B",), measured=0.0, required=0.5),
    )
    assert group.worst.nets == ("B",)


def test_level_tells_where_no_share_is_missing() -> None:
    group = only(
        finding(nets=("A",), measured=40.0, required=0.0, level=Level.WARNING),
        finding(nets=("B",), measured=3.0, required=0.0),
    )
    assert group.worst.nets == ("B",)


def test_the_longest_of_several_runs_tells_them() -> None:
    runs = [
        finding(level=Level.WARNING, at=(x, 0.0), measured=x, required=1.0) for x in (3.0, 9.0, 5.0)
    ]
    assert only(*runs).worst.measured == 9.0


def test_a_waived_member_does_not_tell_a_group_that_has_another() -> None:
    group = only(
        finding(nets=("A",), measured=1.0, required=8.0, waived=Waived("seen")),
        finding(nets=("B",), measured=7.0, required=8.0, level=Level.WARNING),
    )
    assert group.worst.nets == ("B",)
    assert group.level == Level.WARNING
    assert not group.waived
    assert len(group.open) == 1


def test_groups_come_worst_first_and_waived_ones_last() -> None:
    found = identified(
        [
            finding(group="note", level=Level.NOTE),
            finding(group="waived", nets=("W",), waived=Waived("seen")),
            finding(group="mild", nets=("M",), harm=1.0),
            finding(group="bad", nets=("B",), harm=5.0),
        ]
    )
    told = [group.worst.nets for group in grouped(found)]
    assert told == [("B",), ("M",), (), ("W",)]
    assert [group.number for group in grouped(found)] == [1, 2, 3, 4]


def test_a_waiver_of_one_member_leaves_the_others() -> None:
    found = identified([finding(nets=("A",)), finding(nets=("B",))])
    group = only(replace(found[0], waived=Waived("seen"), id=""), replace(found[1], id=""))
    assert len(group.members) == 2
    assert len(group.open) == 1


@given(
    st.lists(
        st.tuples(st.sampled_from("abc"), st.floats(0, 9), st.sampled_from(list(Level))),
        max_size=12,
    )
)
def test_every_finding_is_in_one_group_whatever_the_order(
    made: list[tuple[str, float, Level]],
) -> None:
    found = identified(
        [
            finding(group=key, nets=(str(i),), measured=v, required=9.0, level=n)
            for i, (key, v, n) in enumerate(made)
        ]
    )
    forward, backward = grouped(found), grouped(found[::-1])
    assert forward == backward
    assert sorted(f.id for group in forward for f in group.members) == sorted(f.id for f in found)
    assert len(forward) == len({key for key, _, _ in made})
