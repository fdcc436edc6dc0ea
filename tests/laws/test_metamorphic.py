"""However a board is placed, ordered or drawn, and whichever format carries it, its findings stay
the same.

No result is written down here: each law compares the check with itself on two boards that must mean
the same.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import cycle
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from checker import demo
from checker.app import run
from checker.config.rules_file import Rules, parse_rules
from checker.demo.gerber_writer import INCH, gerber_package
from checker.demo.ipc2581_writer import ipc2581_text
from checker.demo.sketch import Sketch
from checker.findings import Finding
from checker.rules import known_limits, registry
from parsers import read_board
from parsers.board import Board
from tests.boards import RULE_CASES, Case, built_directly, cases, differences
from tests.laws.moves import Move, told_of_all
from tests.strategies import (
    RULES,
    fewer,
    moves,
    shuffled,
    split_boards,
    with_cut_ins,
    with_draws_split,
    with_pours_in_two,
)

few = settings(max_examples=fewer(25), deadline=None, suppress_health_check=list(HealthCheck))
seeds = st.integers(0, 2**16)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the example table, for rules that name it."""
    path = tmp_path_factory.mktemp("laws")
    demo.write("battery", path)
    return path


def rules_of(text: str, folder: Path) -> Rules:
    limits = {name: limit.default for name, limit in known_limits().items()}
    return parse_rules(text, str(folder / "rules.toml"), limits, registry())


def findings_of(board: Board, rules: Rules) -> list[Finding]:
    return list(run.check_board(board, rules, run.Options()).outcome.findings)


def read_gerber(sketch: Sketch, folder: Path, **style: str) -> Board:
    target = folder / "package"
    for old in target.glob("*"):
        old.unlink()
    target.mkdir(exist_ok=True)
    for name, text in gerber_package(sketch, **style).items():
        (target / name).write_text(text, encoding="utf-8")
    return read_board(target)


def read_ipc2581(sketch: Sketch, folder: Path, **style: str) -> Board:
    target = folder / "board.xml"
    target.write_bytes(ipc2581_text(sketch, **style))
    return read_board(target)


def compare(sketch: Sketch, other: Board, folder: Path) -> None:
    """Another board must give the findings of the sketch, as built directly."""
    rules = rules_of(RULES, folder)
    first = findings_of(built_directly(sketch), rules)
    assert differences(findings_of(other, rules), told_of_all(first)) == []


# ------------------------------------------------------------------------------------------ placing


def compare_moved(sketch: Sketch, rules: Rules, move: Move) -> None:
    first = findings_of(built_directly(sketch), rules)
    second = findings_of(built_directly(move.sketch(sketch)), move.rules(rules, sketch.layers))
    assert differences(second, [move.expected(f, sketch.layers) for f in first]) == []


@few
@given(sketch=split_boards(), move=moves())
def test_moving_a_board_moves_its_findings_and_nothing_else(
    folder: Path, sketch: Sketch, move: Move
) -> None:
    compare_moved(sketch, rules_of(RULES, folder), move)


ALL_MOVES = [
    Move(quarters=1, shift=(3.25, -7.5)),
    Move(quarters=2, mirror=True),
    Move(flip=True, shift=(-100.0, 250.0)),
]


# Cases whose trace runs exactly along a seam: which side it is taken for is rounding, and not
# promised.
ON_A_SEAM = ("crossing_from_a_tie_to_a_third_region_is_a_crossing",)


def all_cases() -> list[Case]:
    read = [case for path in sorted(RULE_CASES.glob("*.toml")) for case in cases(path.stem)]
    return [case for case in read if case.name not in ON_A_SEAM]


@pytest.mark.parametrize(
    ("case", "move"),
    [(case, move) for case, move in zip(all_cases(), cycle(ALL_MOVES), strict=False)],
    ids=str,
)
def test_moving_a_case_moves_its_findings(case: Case, move: Move) -> None:
    """Every hand-derived case of every rule, turned, mirrored or seen from below in turns."""
    compare_moved(case.sketch, rules_of(case.rules, case.folder), move)


@pytest.mark.parametrize(
    ("name", "move"), list(zip(demo.boards(), cycle(ALL_MOVES), strict=False)), ids=str
)
def test_moving_a_demo_board_moves_its_findings(name: str, move: Move, folder: Path) -> None:
    board = demo.boards()[name]
    compare_moved(board.draw(), rules_of(board.rules, folder), move)


@few
@given(sketch=split_boards(), shift=st.tuples(st.integers(-500, 500), st.integers(-500, 500)))
def test_ids_survive_a_shift(folder: Path, sketch: Sketch, shift: tuple[int, int]) -> None:
    rules = rules_of(RULES, folder)
    moved = Move(shift=(shift[0] / 10, shift[1] / 10)).sketch(sketch)
    first, second = (
        findings_of(built_directly(sketch), rules),
        findings_of(built_directly(moved), rules),
    )
    assert {f.id for f in first} == {f.id for f in second}


# ------------------------------------------------------------------------------------------ drawing


@few
@given(sketch=split_boards(), seed=seeds)
def test_the_order_of_objects_means_nothing(folder: Path, sketch: Sketch, seed: int) -> None:
    rules = rules_of(RULES, folder)
    first = findings_of(built_directly(sketch), rules)
    second = findings_of(built_directly(shuffled(sketch, seed)), rules)
    assert differences(second, told_of_all(first)) == []
    assert {f.id for f in first} == {f.id for f in second}


@few
@given(sketch=split_boards(), seed=seeds)
def test_a_draw_in_two_halves_is_the_same_draw(folder: Path, sketch: Sketch, seed: int) -> None:
    compare(sketch, built_directly(with_draws_split(sketch, seed)), folder)


@few
@given(sketch=split_boards())
def test_a_pour_of_two_overlapping_areas_is_the_same_pour(folder: Path, sketch: Sketch) -> None:
    compare(sketch, built_directly(with_pours_in_two(sketch)), folder)


@few
@given(sketch=split_boards())
def test_holes_may_be_cleared_or_hang_on_cut_ins(folder: Path, sketch: Sketch) -> None:
    """Dark, clear, dark and one contour with cut-ins are the same copper."""
    compare(sketch, read_gerber(sketch, folder), folder)
    compare(sketch, read_gerber(with_cut_ins(sketch), folder), folder)


@few
@given(sketch=split_boards())
def test_drawing_everything_twice_adds_nothing(folder: Path, sketch: Sketch) -> None:
    twice = sketch.with_(draws=sketch.draws, pours=sketch.pours, pads=sketch.pads)
    compare(sketch, built_directly(twice), folder)


# ------------------------------------------------------------------------------------------ formats


@few
@given(sketch=split_boards())
def test_inch_files_give_the_findings_of_mm_files(folder: Path, sketch: Sketch) -> None:
    compare(sketch, read_gerber(sketch, folder, unit=INCH), folder)
    compare(sketch, read_ipc2581(sketch, folder, unit="INCH"), folder)


@few
@given(sketch=split_boards())
def test_drill_machine_files_give_the_findings_of_drill_layers(
    folder: Path, sketch: Sketch
) -> None:
    compare(sketch, read_gerber(sketch, folder, drills="nc"), folder)


@few
@given(sketch=split_boards(), revision=st.sampled_from(("C", "B1")))
def test_both_formats_give_the_same_findings(folder: Path, sketch: Sketch, revision: str) -> None:
    compare(sketch, read_ipc2581(sketch, folder, revision=revision), folder)


def copper_areas(board: Board) -> dict[tuple[str, str], float]:
    """Copper area by layer and net, mm2."""
    shapes = board.copper.shapes()
    keys = np.column_stack((board.copper.layer, board.copper.net))
    return {
        (board.layers[layer].id, board.net_name(net)): float(
            shapely.union_all(shapes[(keys == (layer, net)).all(axis=1)]).area
        )
        for layer, net in np.unique(keys, axis=0).tolist()
        if net >= 0 and not board.nets[net].single
    }


def test_areas_are_the_same_in_every_format(folder: Path) -> None:
    """Per layer and net within 0.01 %, on every demo board."""
    ways: tuple[Callable[[Sketch, Path], Board], ...] = (read_gerber, read_ipc2581)
    for board in demo.boards().values():
        sketch = board.draw()
        wanted = copper_areas(built_directly(sketch))
        for way in ways:
            assert copper_areas(way(sketch, folder)) == pytest.approx(wanted, rel=1e-4)
