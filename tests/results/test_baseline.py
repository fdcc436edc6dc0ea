"""Findings of two checks are paired by what they are about and where, the board's own move taken
out.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checker.findings import Finding, Level, identified
from checker.results.baseline import Past, mark_known, match, past, read_report
from checker.results.compare import as_text, compare
from parsers.trouble import InputError


def finding(net: str, x: float, y: float = 0.0, rule: str = "gap-crossing") -> Finding:
    return Finding(
        rule=rule, level=Level.ERROR, message=f"{net} crosses", at=(x, y), nets=(net,), layer="L1"
    )


def pasts(*findings: Finding) -> list[Past]:
    return [past(f) for f in identified(findings)]


OLD = [finding("A", 1), finding("B", 2), finding("C", 3), finding("C", 40)]


@given(st.floats(-100, 100), st.floats(-100, 100), st.permutations(range(4)))
def test_a_board_that_moves_as_a_whole_renews_nothing(
    dx: float, dy: float, order: list[int]
) -> None:
    new = [replace(OLD[i], at=(OLD[i].at[0] + dx, OLD[i].at[1] + dy)) for i in order]
    result = compare(pasts(*OLD), pasts(*new))
    assert (len(result.unchanged), result.fixed, result.new, result.moved) == (4, (), (), ())


def test_one_of_two_crossings_of_a_net_fixed_leaves_the_other_known() -> None:
    result = compare(pasts(*OLD), pasts(finding("A", 1), finding("B", 2), finding("C", 40)))
    assert [p.at for p in result.fixed] == [(3.0, 0.0)]
    assert not result.new


def test_a_new_crossing_elsewhere_is_not_hidden_by_a_fixed_one_of_the_same_net() -> None:
    result = compare(
        pasts(finding("A", 1), finding("C", 3)), pasts(finding("A", 1), finding("C", 80))
    )
    assert [p.at[0] for p in result.fixed] == [3]
    assert [p.at[0] for p in result.new] == [80]


def test_another_name_of_a_region_or_a_part_renews_nothing() -> None:
    old = replace(finding("A", 1), regions=("probe",), components=("U1",), nets=("A", "B"))
    new = replace(old, regions=("electrodes",), components=("U7",), nets=("B", "A"))
    result = compare(pasts(old), pasts(new))
    assert (len(result.unchanged), result.new, result.fixed) == (1, (), ())
    assert [f.known for f in mark_known([new], pasts(old))] == [True]


def test_a_finding_that_moved_alone_is_moved() -> None:
    new = [finding("A", 1), finding("B", 3), finding("C", 3), finding("C", 40)]
    assert [(a.at[0], b.at[0]) for a, b in compare(pasts(*OLD), pasts(*new)).moved] == [(2, 3)]


def test_the_text_names_each_finding_once_with_what_became_of_it() -> None:
    text = as_text(
        compare(pasts(finding("A", 1), finding("B", 2)), pasts(finding("A", 1), finding("D", 9)))
    )
    assert text.splitlines()[0] == "1 fixed, 1 new, 0 moved, 1 unchanged"
    assert ["fixed" in line for line in text.splitlines()[1:]] == [True, False, False]


def test_known_findings_are_marked_and_stay() -> None:
    marked = mark_known([finding("A", 1), finding("X", 5)], pasts(*OLD))
    assert [f.known for f in marked] == [True, False]


def test_matching_nothing_with_something_works() -> None:
    assert match([], pasts(*OLD)).pairs == ()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is no JSON"),
        (b"[]", "is no report"),
        (b'{"schema": 2, "findings": []}', "is no report"),
        (b'{"schema": 1, "findings": [{"id": "x"}]}', "not whole"),
        (b"[" * 100_000, "is no JSON"),
    ],
)
def test_a_file_that_is_no_report_is_one_line(tmp_path: Path, content: bytes, said: str) -> None:
    (tmp_path / "old.json").write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_report(tmp_path / "old.json")
    assert said in str(caught.value)


def test_a_missing_report_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot read it"):
        read_report(tmp_path / "none.json")


def test_findings_of_a_report_are_read_back_as_they_were(tmp_path: Path) -> None:
    entry = {
        "id": "i",
        "rule": "r",
        "level": "error",
        "nets": ["A"],
        "components": [],
        "regions": ["p"],
        "layer": None,
    }
    report = {"schema": 1, "findings": [{**entry, "at_mm": [1, 2], "message": "m"}]}
    (tmp_path / "old.json").write_text(json.dumps(report))
    assert read_report(tmp_path / "old.json") == [
        Past("i", "r", "error", ("A",), (), ("p",), None, (1.0, 2.0), "m")
    ]
