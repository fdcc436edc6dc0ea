"""The pull-request comment: it fits, its table holds, and nothing in it is formatted or linked by a
name.
"""

from __future__ import annotations

import re

import pytest

from checker.drawing import Pictures
from checker.findings import Finding, Level, identified
from checker.reports.markdown import code, plain
from checker.results.outcome import Doubt, Outcome, StatedDoubt
from tests.reports import hostile, sample
from tests.reports.test_every_format import written

UNESCAPED_PIPE = re.compile(r"(?<!\\)\|")


def many(number: int) -> Outcome:
    words = "long words " * 40
    found = [
        Finding(
            rule="clearance",
            level=Level.ERROR,
            message=words,
            hint=words,
            at=(float(i), 0.0),
            nets=(f"N{i}" * 9,),
        )
        for i in range(number)
    ]
    doubts = tuple(StatedDoubt(Doubt(f"{i} {words}", words)) for i in range(number))
    return sample.outcome(findings=tuple(identified(found)), doubts=doubts, remarks=())


@pytest.mark.parametrize("outcome", [sample.outcome(), hostile.outcome(), many(2000)])
def test_it_is_under_60_kb(outcome: Outcome) -> None:
    files = tuple(f"image-L{i}.png" for i in range(1, 33))
    assert len(written("markdown", outcome, Pictures(files=files)).encode()) < 60_000


def test_what_does_not_fit_is_counted() -> None:
    text = written("markdown", many(2000))
    rows = len(re.findall(r"^\| \d+ \|", text, re.M))
    assert 0 < rows < 2000
    assert f"and {2000 - rows} more, all in report.json" in text


@pytest.mark.parametrize("outcome", [sample.outcome(), hostile.outcome(), many(50)])
def test_every_row_of_the_table_has_all_its_cells(outcome: Outcome) -> None:
    rows = [line for line in written("markdown", outcome).splitlines() if line.startswith("|")]
    assert rows
    assert {len(UNESCAPED_PIPE.findall(row)) for row in rows} == {9}


def test_names_are_not_taken_for_markup_links_or_mentions() -> None:
    text = re.sub(r"`[^`]*`", "", written("markdown", hostile.outcome()))
    assert not re.search(r"(?<!\\)<", text)
    assert not re.search(r"(?<!\\)@", text)
    assert not re.search(r"(?<!\\)\[(?!image)", text)


def test_pictures_are_named_and_not_linked() -> None:
    """A link to a file beside the report leads nowhere from a comment or a summary."""
    text = written("markdown", sample.outcome(), Pictures(files=("image-L1.png", "image-L4.png")))
    assert "`image-L1.png`, `image-L4.png`" in text
    assert "](" not in text


def test_each_net_of_a_place_is_told_once() -> None:
    row = next(
        line
        for line in written("markdown", sample.outcome()).splitlines()
        if line.startswith("| 6 |")
    )
    assert row.count("DRIVE") == 1


def test_the_verdict_is_the_heading() -> None:
    assert written("markdown", sample.clean()).startswith("## PASS: ")


def test_a_cell_holds_four_hundred_characters() -> None:
    """One more is cut, and the cut is shown."""
    assert plain("x" * 400) == "x" * 400
    assert plain("x" * 401) == "x" * 400 + "..."
    assert code("x" * 400) == "`" + "x" * 400 + "`"
    assert code("x" * 401) == "`" + "x" * 400 + "...`"


def test_no_more_than_thirty_two_pictures_are_named() -> None:
    text = written(
        "markdown", sample.outcome(), Pictures(files=tuple(f"image-L{i}.png" for i in range(1, 40)))
    )
    assert "image-L32.png" in text
    assert "image-L33.png" not in text
