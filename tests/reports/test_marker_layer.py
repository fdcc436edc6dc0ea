"""The marker layer is a Gerber file that others can read, with marks where the findings are."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from gerbonara import GerberFile
from hypothesis import given, settings
from hypothesis import strategies as st

from checker.drawing.scene import callouts_of
from checker.findings import Finding, Level, identified
from checker.reports.marker_layer import DIGITS, _number_places
from checker.results.outcome import Outcome
from tests.reports import hostile, sample
from tests.reports.test_every_format import written

STATEMENT = re.compile(r"%[^%]*%|[^%*]*\*")


@pytest.mark.parametrize("make", [sample.outcome, sample.clean, hostile.outcome])
def test_every_statement_is_well_formed(make: Callable[[], Outcome]) -> None:
    """Source: The Gerber Layer Format Specification, revision 2023.08, 3.2 to 3.5 (characters,
    commands, escapes).
    """
    text = written("gerber", make())
    assert text.isascii()
    assert all(STATEMENT.fullmatch(line) for line in text.splitlines())
    assert text.splitlines()[-1] == "M02*"
    for line in re.findall(r"^%(?:TF|TO)(.*)\*%$", text, re.M):
        assert "%" not in line
        assert "*" not in line


def test_another_reader_finds_the_marks_where_the_findings_are(tmp_path: Path) -> None:
    file = tmp_path / "report.gbr"
    file.write_text(written("gerber", sample.outcome()))
    layer = GerberFile.open(file)
    (x0, y0), (x1, y1) = layer.bounding_box(unit="mm")
    for finding in sample.findings():
        assert x0 <= finding.at[0] <= x1
        assert y0 <= finding.at[1] <= y1
    legs = sum(len(line) - 1 for finding in sample.findings() for line in finding.path)
    assert len(layer.objects) > legs


def test_witness_paths_are_drawn_exactly() -> None:
    text = written("gerber", sample.outcome())
    for finding in sample.findings():
        for line in finding.path:
            for place, (x, y) in enumerate(line):
                assert f"X{round(x * 1e6)}Y{round(y * 1e6)}D0{1 if place else 2}*" in text


def test_a_finding_without_path_gets_a_ring() -> None:
    bare = replace(sample.findings()[0], path=(), at=(10.0, 20.0))
    text = written("gerber", sample.outcome(findings=(bare,)))
    assert "X11000000Y20000000D02*\nG03*\nX11000000Y20000000I-1000000J0D01*" in text


def test_it_says_what_it_is() -> None:
    assert "%TF.FileFunction,Other,Findings*%" in written("gerber", sample.outcome())


@settings(max_examples=30)
@given(st.lists(st.tuples(st.floats(0, 30), st.floats(0, 30)), min_size=2, max_size=12))
def test_numbers_do_not_stand_on_each_other(places: list[tuple[float, float]]) -> None:
    found = [
        Finding(rule="x", level=Level.NOTE, message="m", at=at, nets=(str(i),))
        for i, at in enumerate(places)
    ]
    spots = list(_number_places(callouts_of(identified(found))).values())
    pairs = [(a, b) for i, a in enumerate(spots) for b in spots[:i]]
    assert all(abs(a[0] - b[0]) >= 1.2 or abs(a[1] - b[1]) >= 1.4 for a, b in pairs)


def test_each_digit_has_its_own_strokes() -> None:
    assert sorted(DIGITS) == list("0123456789")
    assert len(set(DIGITS.values())) == 10
    for strokes in DIGITS.values():
        xs, ys = zip(*(point for stroke in strokes for point in stroke), strict=True)
        assert set(xs) <= {0, 1, 2}
        assert (min(ys), max(ys)) == (0, 4)
