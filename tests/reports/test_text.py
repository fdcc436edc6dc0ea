"""The report for a terminal."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace

import pytest

from checker.drawing import Pictures
from checker.drawing.scene import leads
from checker.findings import Finding, Level, identified
from checker.results.outcome import Doubt, Outcome, StatedDoubt
from tests.reports import hostile, sample
from tests.reports.test_every_format import written


def lines(outcome: Outcome, *, colour: bool = False) -> list[str]:
    return written("text", outcome, Pictures(colour=colour)).splitlines()


@pytest.mark.parametrize("outcome", [sample.outcome(), sample.clean()])
def test_no_line_is_wider_than_80_columns(outcome: Outcome) -> None:
    assert max(map(len, lines(outcome))) <= 80


def test_only_a_word_that_is_longer_itself_is_wider_than_80_columns() -> None:
    wide = [line for line in lines(hostile.outcome()) if len(line) > 80]
    assert all("N" * 300 in line for line in wide)


@pytest.mark.parametrize("verdict", ["pass", "fail", "incomplete"])
def test_the_verdict_is_the_first_word(verdict: str) -> None:
    assert lines(sample.outcome(verdict=verdict))[0].startswith(f"{verdict.upper()}: ")


def test_the_verdict_line_counts_places_findings_doubts_and_idle_checks() -> None:
    text = " ".join(" ".join(lines(sample.outcome())[:2]).split())
    assert (
        "INCOMPLETE: 7 places (8 findings), 1 waived; 1 doubt not accepted; 1 check did not run"
        in text
    )
    assert lines(sample.clean())[0] == "PASS: no findings; 1 check did not run"


def test_places_are_told_worst_first_each_by_its_worst_finding() -> None:
    text = "\n".join(lines(sample.outcome()))
    told = re.findall(r"^  (\d+)\. (\w+) ([a-z-]+)", text, re.M)
    groups = [group for group in sample.outcome().groups if not group.waived]
    assert told == [(str(group.number), str(group.level), group.worst.rule) for group in groups]


def test_the_other_findings_of_a_place_are_told_below_it() -> None:
    text = "\n".join(lines(sample.outcome()))
    assert (
        "     with 1 more finding of one cause (1 clearance)\n     - clearance (known) PH_DATA /"
        " SYS_DATA" in text
    )


@pytest.mark.usefixtures("invented_rules")
def test_what_a_broken_rule_asks_for_is_told_once() -> None:
    text = "\n".join(lines(sample.outcome()))
    asked = text.split("What these rules ask for")[1]
    assert all(
        asked.count(f"\n  {rule}: ") == 1
        for rule in {f.rule for f in sample.findings() if not f.waived}
    )


def test_numbers_of_places_are_those_of_the_pictures() -> None:
    found = dict(
        re.findall(
            r"^  (\d+)\. .*?\n(?:     .*\n)*?     id (\w+)",
            "\n".join(lines(sample.outcome())),
            re.M,
        )
    )
    assert found == {str(c.number): c.id for c in leads(sample.scene().callouts) if not c.waived}


def test_colour_only_where_asked() -> None:
    assert not any("\x1b" in line for line in lines(sample.outcome()))
    coloured = lines(sample.outcome(), colour=True)
    assert coloured[0].startswith("\x1b[1;35mINCOMPLETE\x1b[0m: ")
    assert [re.sub(r"\x1b\[[\d;]*m", "", line) for line in coloured] == lines(sample.outcome())


def test_many_places_are_cut_with_a_count() -> None:
    many = [
        Finding(
            rule="clearance",
            level=Level.ERROR,
            message="short",
            at=(float(i), 0.0),
            nets=(f"N{i}",),
        )
        for i in range(57)
    ]
    text = "\n".join(lines(sample.outcome(findings=tuple(identified(many)))))
    assert "and 17 more, all in report.json" in text
    assert text.count("     id ") == 40
    assert "37 more places in brief" in text
    assert (
        text.index("57 places")
        < text.index("20. error")
        < text.index("in brief")
        < text.index("21. error")
    )


def test_the_worst_finding_has_its_waiver_and_the_same_to_do_stands_once() -> None:
    said = {"rule": "clearance", "level": Level.ERROR, "message": "short", "hint": "move it"}
    found = [Finding(at=(float(i), 0.0), nets=(f"N{i}",), **said) for i in range(3)]
    shown = lines(sample.outcome(findings=tuple(identified(found))))
    start = shown.index("    [[waiver]]")
    assert tomllib.loads("\n".join(shown[start : start + 6]))["waiver"][0]["net"] == "N0"
    assert [line.strip() for line in shown if line.startswith("     To do")] == [
        "To do: Move it.",
        "To do: As for 1.",
        "To do: As for 1.",
    ]
    note = [Finding(**{**said, "level": Level.NOTE}, at=(0.0, 0.0))]
    assert "[[waiver]]" not in "\n".join(
        lines(sample.outcome(findings=tuple(identified(note)), doubts=()))
    )


def test_a_large_place_is_told_by_its_worst_finding_and_the_count() -> None:
    many = [
        Finding(
            rule="clearance", level=Level.ERROR, message=f"short {i}", at=(float(i), 0.0), nets=(f"N{i}",),
            measured=1.0 + i, required=60.0, group="one cause",
        )
        for i in range(57)
    ]  # fmt: skip
    text = "\n".join(lines(sample.outcome(findings=tuple(identified(many)), doubts=())))
    assert "1 place (57 findings)" in text.splitlines()[0]
    assert re.search(r"  1\. error clearance N0 .*\n     short 0\n", text)
    assert "with 56 more findings of one cause" in text
    assert "and 53 more, all in report.json" in text


def test_numbers_that_the_message_has_are_not_told_again() -> None:
    said = {
        "rule": "creepage",
        "level": Level.ERROR,
        "at": (0.0, 0.0),
        "measured": 7.9996,
        "required": 8.0,
    }
    both = Finding(message="A to B 7.999 mm on L1, 8 mm creepage required", nets=("A", "B"), **said)
    one = Finding(message="A to B 7.999 mm on L1", nets=("A", "C"), **said)
    text = "\n".join(lines(sample.outcome(findings=tuple(identified([both, one])))))
    assert text.count("measured 7.999 mm, at least 8 mm required") == 1


@pytest.mark.parametrize("what", ['a "quoted" \\ path', "no netlist for layer L3"])
def test_the_words_that_accept_a_doubt_can_be_pasted_into_a_rules_file(what: str) -> None:
    outcome = sample.outcome(doubts=(StatedDoubt(Doubt(what, "why")),))
    shown = lines(outcome)
    start = next(i for i, line in enumerate(shown) if "[[accepted_doubt]]" in line)
    pasted = tomllib.loads("\n".join(shown[start : start + 3]))
    assert pasted["accepted_doubt"][0]["what"] == what


def test_every_check_is_listed_with_the_reason_where_it_did_not_run() -> None:
    text = " ".join(" ".join(lines(sample.outcome())).split())
    assert "return-handover did not run: no stitching capacitors are named" in text
    ran = text.split("ran: ")[1]
    assert all(check.rule in ran for check in sample.outcome().checks if check.ran)


def test_the_date_is_told_only_if_one_was_used() -> None:
    with_date, without = lines(sample.outcome()), lines(replace(sample.outcome(), today=None))
    assert any("2026-11-25" in line for line in with_date)
    assert not any("2026-11-25" in line for line in without)
