"""Creepages against independent witnesses: boards kept for their names, a few of fixed seeds, and a
long run of new.
"""

from __future__ import annotations

import secrets
from pathlib import Path

import numpy as np
import pytest
import shapely

from checker.insulation.surface.geodesics import BOTTOM, TOP
from tests.insulation.linked import any_link, must_link
from tests.insulation.mesh_witness import mesh_length
from tests.insulation.oracle import Board, Metal, measure
from tests.laws.witnesses import KEPT, KINDS, read, run, solved, written

WIDE = shapely.box(-20, -20, 20, 20)
SMALL = shapely.box(-4.5, -6, 4.5, 3)


def pads(one: tuple[float, float], two: tuple[float, float], face: int = TOP) -> tuple[Metal, ...]:
    return (Metal(0, TOP, shapely.Point(one), 0.5), Metal(1, face, shapely.Point(two), 0.5))


@pytest.mark.parametrize(
    ("region", "face", "length"),
    [
        (WIDE, TOP, 5.0),
        (WIDE.difference(shapely.box(-0.5, -4, 0.5, 4)), TOP, 2 * np.hypot(2.5, 4) + 1 - 1),
        (shapely.box(-20, -20, 5, 20), BOTTOM, 2 + 1.6 + 8 - 1),  # over the edge x = 5
    ],
)
def test_the_mesh_measures_what_is_plain(
    region: shapely.Geometry, face: int, length: float
) -> None:
    """Pads of radius 0.5 at x = -3 and 3: straight, round a slot of 1 by 8 mm, over an edge."""
    board = Board(region, region, 1.6, pads((-3, 0), (3, 0), face))
    assert mesh_length(board) == pytest.approx(length, abs=1e-6)


def test_between_parts_of_a_board_there_is_no_path() -> None:
    region = WIDE.difference(shapely.box(-1, -30, 1, 30))
    assert mesh_length(Board(region, region, 1.6, pads((-3, 0), (3, 0)))) == np.inf


@pytest.mark.parametrize(
    ("void", "least", "most"),
    [
        (
            shapely.Polygon([(-1.5, 4), (0, -1), (1.5, 4)]),
            5.0,
            5.0,
        ),  # a V: at y = 0 it is 0.6 mm wide
        (shapely.box(-0.4, -5, 0.4, 4), 5.0, 5.0),  # narrower than X
        (
            shapely.box(-0.75, -1, 0.75, 4),
            5.0,
            2 * np.hypot(2.25, 1) - 1 + 1.5,
        ),  # a floor wider than X
    ],
)
def test_links_that_must_be_and_that_can_be(
    void: shapely.Geometry, least: float, most: float
) -> None:
    """Pads of radius 0.5 at x = -3 and 3, X = 1: across a tip, across a narrow notch, round a wide
    one.
    """
    region = SMALL.difference(void)
    board = Board(region, region, 1.6, pads((-3, 0), (3, 0)), 1.0)
    assert measure(must_link(board), 0.6) == pytest.approx(most, abs=0.003)
    assert least - 0.001 <= measure(any_link(board), 0.6) <= measure(must_link(board), 0.6) + 1e-9


NARROW = SMALL.difference(shapely.box(-0.45, -5, 0.45, 4))  # a notch of 0.9 mm
ACROSS = (Metal(0, TOP, shapely.Point(-3, -2.5), 0.5), Metal(1, TOP, shapely.Point(3, 0.5), 0.5))


def in_wall(island: int, x: float, depth: float) -> Metal:
    return Metal(island, None, shapely.LineString([(x, -2), (x, -1)]), 0.0, depth, depth)


@pytest.mark.parametrize(
    ("metals", "length"),
    [
        # over the notch aslant, 0.9 * hypot(6, 3) / 6 = 1.006 mm: it is as if it were board
        (ACROSS, np.hypot(6, 3) - 1),
        # between its walls, 0.4 mm deeper in one than in the other: hypot(0.9, 0.4) = 0.985
        ((in_wall(0, -0.45, 0.5), in_wall(1, 0.45, 0.9)), np.hypot(0.9, 0.4)),
    ],
)
def test_what_is_narrower_than_x_is_crossed_aslant(
    metals: tuple[Metal, ...], length: float
) -> None:
    board = Board(NARROW, NARROW, 1.6, metals, 1.0)
    assert measure(any_link(board), 0.6) == pytest.approx(length, abs=0.003)
    found, doubted = solved(board, 9.0)
    assert not doubted
    assert found is not None
    assert found.length == pytest.approx(length, abs=0.001)


@pytest.mark.parametrize("path", sorted(KEPT.glob("*.json")), ids=lambda path: path.stem)
def test_boards_that_were_once_measured_wrong_and_agree_now(path: Path) -> None:
    board, told = read(path.read_text(encoding="utf-8"))
    answer, numbers = KINDS[told["kind"]][1](board)
    assert answer == told.get("answer", "agreed"), numbers


@pytest.mark.parametrize(("kind", "seed", "count"), [("mesh", 1, 6), ("links", 2, 1)])
def test_a_few_boards_agree_with_their_witnesses(
    kind: str, seed: int, count: int, tmp_path: Path
) -> None:
    counts = run([kind], seed, 60.0, tmp_path, most=count)
    assert counts[kind, "agreed"] + counts[kind, "doubted"] == count, counts
    assert counts[kind, "agreed"] > count / 2


def test_a_length_that_is_wrong_is_found_and_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tests.laws.witnesses.mesh_length", lambda board: mesh_length(board) - 0.01)
    counts = run(["mesh"], 1, 60.0, tmp_path, most=2)
    assert counts == {("mesh", "long"): 2}
    board, _ = read(next(iter(tmp_path.glob("*.json"))).read_text(encoding="utf-8"))
    assert written(board, "mesh", "") == written(read(written(board, "mesh", ""))[0], "mesh", "")


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS)
def test_new_boards_agree_with_their_witnesses(kind: str, tmp_path: Path) -> None:
    """New boards each time, for five minutes; the seed stands in what is printed."""
    seed = secrets.randbits(32)
    counts = run([kind], seed, 5.0, tmp_path)
    assert not {answer for _, answer in counts} & {"long", "short"}, f"seed {seed}: {counts}"
