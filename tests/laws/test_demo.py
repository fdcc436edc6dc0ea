"""The demo boards give the findings that their drawings promise, all of them and no others, in
every format.
"""

from __future__ import annotations

import filecmp
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from checker.app import run
from checker.demo import TABLE, Written, boards, write
from checker.demo.__main__ import main
from checker.rules import registry
from parsers import read_board
from parsers.board import Board
from tests.boards import FIXTURES, built_directly, differences

DEMO = FIXTURES / "demo"
EXPECTED = FIXTURES / "expected-findings"


Way = Callable[[str, Written], Board]


def directly(name: str, _: Written) -> Board:
    return built_directly(boards()[name].draw())


def from_gerber(_: str, written: Written) -> Board:
    return read_board(written.board)


def from_revision_c(_: str, written: Written) -> Board:
    return read_board(written.ipc2581[0])


def from_revision_b1(_: str, written: Written) -> Board:
    return read_board(written.ipc2581[1])


def expected(name: str) -> dict[str, Any]:
    with (EXPECTED / f"{name}.toml").open("rb") as file:
        told = tomllib.load(file)
    findings = [{k: v for k, v in f.items() if k != "because"} for f in told["findings"]]
    return told | {"findings": findings}


@pytest.mark.parametrize("way", [directly, from_gerber, from_revision_c, from_revision_b1])
@pytest.mark.parametrize("name", boards())
def test_a_demo_board_gives_exactly_its_findings(name: str, way: Way, tmp_path: Path) -> None:
    written = write(name, tmp_path)
    rules, promise = run.load_rules(written.rules), expected(name)
    outcome = run.check_board(way(name, written), rules, run.Options()).outcome
    assert [str(d.doubt) for d in outcome.doubts] == []
    assert differences(outcome.findings, promise["findings"]) == []
    assert outcome.verdict == promise["verdict"]


def test_the_faulty_controller_shows_every_rule() -> None:
    """At least one true instance of each finding stands on one board."""
    assert {f["rule"] for f in expected("greenhouse-faulty")["findings"]} == set(registry())


@pytest.mark.parametrize("name", [n for n in boards() if not n.endswith("-faulty")])
def test_sound_revisions_have_nothing_above_a_note(name: str) -> None:
    assert {f["level"] for f in expected(name)["findings"]} <= {"note"}


def test_fixtures_are_what_the_demo_writes(tmp_path: Path) -> None:
    """fixtures/demo is made by `python -m checker.demo fixtures/demo`, byte for byte."""
    assert main([str(tmp_path)]) == 0
    written = sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*") if p.is_file())
    kept = sorted(p.relative_to(DEMO) for p in DEMO.rglob("*") if p.is_file())
    assert written == kept
    _, differing, unreadable = filecmp.cmpfiles(
        tmp_path, DEMO, [str(p) for p in written], shallow=False
    )
    assert (differing, unreadable) == ([], [])


def test_the_script_tells_its_usage(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "usage" in capsys.readouterr().err


def test_the_example_table_says_that_it_is_to_be_replaced(tmp_path: Path) -> None:
    write("battery", tmp_path)
    assert (
        (tmp_path / TABLE)
        .read_text(encoding="utf-8")
        .startswith("# EXAMPLE ONLY - REPLACE THIS TABLE.")
    )


def test_the_fixtures_stay_small() -> None:
    """They are in the package of every release: under 3 MB."""
    assert sum(p.stat().st_size for p in DEMO.rglob("*") if p.is_file()) < 3e6
