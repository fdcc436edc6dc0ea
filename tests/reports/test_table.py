"""The spreadsheet."""

from __future__ import annotations

import csv
from dataclasses import replace
from io import StringIO

import pytest

from checker.results.outcome import Outcome
from tests.reports import hostile, sample
from tests.reports.test_every_format import written


def rows(outcome: Outcome) -> list[dict[str, str]]:
    return list(csv.DictReader(StringIO(written("csv", outcome), newline="")))


def test_each_finding_and_each_doubt_is_a_row() -> None:
    kinds = [row["kind"] for row in rows(sample.outcome())]
    assert kinds == ["verdict", *["finding"] * 9, *["doubt"] * 2, "caution"]


def test_numbers_are_numbers() -> None:
    told = [row for row in rows(sample.outcome()) if row["kind"] == "finding"]
    listed = [finding for group in sample.outcome().groups for finding in group.members]
    for finding, row in zip(listed, told, strict=True):
        assert (float(row["x_mm"]), float(row["y_mm"])) == pytest.approx(finding.at, abs=1e-6)
        assert (float(row["measured"]) if row["measured"] else None) == pytest.approx(
            finding.measured, abs=1e-6
        )


def test_no_cell_is_taken_for_a_formula() -> None:
    cells = [
        cell
        for row in rows(hostile.outcome())
        for name, cell in row.items()
        if name not in ("x_mm", "y_mm")
    ]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@", "-", "\t"))]
    assert "'+5V" in cells


@pytest.mark.parametrize(
    "net",
    ["=1+1", "+5V", "-12V", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "＝1", "＋1", "－1", "＠1"],
)
def test_names_that_begin_like_a_formula_are_text(net: str) -> None:
    """Source: OWASP, CSV Injection: the signs with which spreadsheets begin a formula, wide forms
    included.
    """
    finding = replace(sample.findings()[0], nets=(net, "GND"), message=f"{net} crosses", hint=net)
    told = next(
        row for row in rows(sample.outcome(findings=(finding,))) if row["kind"] == "finding"
    )
    assert [told[name][0] for name in ("nets", "message", "hint")] == ["'"] * 3


def test_lines_end_as_rfc_4180_wants() -> None:
    text = written("csv", sample.outcome())
    assert text.endswith("\r\n")
    assert text.count("\r\n") == len(rows(sample.outcome())) + 1
