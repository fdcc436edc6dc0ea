"""Shortest paths on random boards against an independent, slow measure (see oracle.py)."""

from __future__ import annotations

import numpy as np
import pytest

from checker.insulation.surface.geodesics import (
    HOP,
    SOURCE,
    TARGET,
    Geodesic,
    Surface,
    copper,
    exposed,
)
from tests.insulation.oracle import (
    Board,
    bare_board,
    knotted_board,
    measure,
    necked_board,
    over_neck,
    random_board,
    slanting,
    walked,
)

PROMISED = 0.001  # mm, README
SPACING = 0.6  # mm, of the first samples
CONVERGED = 0.002  # mm; how near the samples must come, at last with six times as many
ROUNDING = 1e-6


def solved(board: Board, limit: float = 60.0) -> Geodesic:
    """The product's answer."""
    faces = [m for m in board.metals if m.face is not None]
    bare = [m for m in board.metals if m.face is None]
    metal = copper(
        [m.skeleton for m in faces],
        [m.radius for m in faces],
        [m.face for m in faces],
        [m.island for m in faces],
    )
    laid_bare = exposed(
        [m.skeleton for m in bare],
        [m.above for m in bare],
        [m.below for m in bare],
        [m.island for m in bare],
    )
    roles = [SOURCE, TARGET] + [HOP] * (board.islands() - 2)
    surface = Surface(board.region, board.thickness, x=board.x)
    # legs below X are free
    found = surface.legs(metal, roles, max(limit, board.x), laid_bare).best(0, 1, board.x)
    assert found is not None
    return found


def check(seed: int, *, curved: bool) -> None:
    rng = np.random.default_rng(seed)
    hold(random_board(rng, x=float(rng.choice([0.0, 0.25, 1.0])), curved=curved))


def hold(board: Board) -> None:
    """Never longer than a sampled path, no shorter than the bound lets it be, and walked on the
    board itself.
    """
    sampled = measure(board, SPACING)
    found = solved(board, sampled + 1.0)
    assert found.length <= sampled + ROUNDING
    assert walked(board, found, PROMISED) == pytest.approx(found.length, abs=PROMISED)
    spare = CONVERGED + slanting(board) * sum(leg.on == "wall" for leg in found.legs)
    for finer in (SPACING / 2, SPACING / 6):
        if sampled - found.length > spare:
            sampled = measure(board, finer)
    assert found.length >= sampled - spare


@pytest.mark.parametrize("seed", range(10))
def test_no_path_is_longer_than_a_sampled_one_and_every_path_is_real(seed: int) -> None:
    """Ten times nineteen boards with straight rims."""
    for number in range(19):
        check(19 * seed + number, curved=False)


@pytest.mark.parametrize("seed", [2136, 2369, 2631, 3240, 2497, 4454])
def test_boards_that_were_once_measured_wrong(seed: int) -> None:
    """Straight over a bridged slot on one face, then over its far wall; in a wall round a corner of
    the board.
    """
    check(seed, curved=False)


@pytest.mark.parametrize("seed", range(10))
def test_the_same_holds_with_round_slots(seed: int) -> None:
    check(seed, curved=True)


def between_walls(seed: int) -> None:
    """Copper in walls; over bridged voids, whose links at depth are not sampled, only that nothing
    is told too long.
    """
    rng = np.random.default_rng(seed)
    board = bare_board(
        rng, x=float(rng.choice([0.0, 0.0, 0.6, 1.0])), curved=bool(rng.integers(0, 2))
    )
    if board.x == 0:
        hold(board)
    else:
        sampled = measure(board, SPACING)
        assert solved(board, sampled + 1.0).length <= sampled + ROUNDING


@pytest.mark.parametrize("seed", [*range(20), 157])
def test_the_same_holds_between_copper_in_walls(seed: int) -> None:
    between_walls(seed)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1000, 1400))
def test_the_same_holds_between_copper_in_walls_on_four_hundred_boards(seed: int) -> None:
    between_walls(seed)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1000, 2000))
def test_the_same_holds_on_a_thousand_boards(seed: int) -> None:
    check(seed, curved=False)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1000, 1200))
def test_the_same_holds_on_two_hundred_boards_with_round_slots(seed: int) -> None:
    check(seed, curved=True)


@pytest.mark.parametrize("seed", [0, 15, 22])
def test_the_same_holds_with_necks(seed: int) -> None:
    hold(necked_board(np.random.default_rng(seed)))


def over_a_neck(seed: int) -> None:
    """No longer than sampled, and a real path; a bound from below would need finer samples than
    pay.

    A path over two links may come out too short for both.
    """
    board = over_neck(np.random.default_rng(seed))
    sampled = measure(board, SPACING / 2)
    found = solved(board, sampled + 1.0)
    assert found.length <= sampled + ROUNDING
    assert walked(board, found, PROMISED) == pytest.approx(found.length, abs=2 * PROMISED)


@pytest.mark.parametrize("seed", [0, 2, 5, 1059, 1160, 1172, 1287, 3098, 3103, 3728])
def test_over_a_neck_no_path_is_longer_than_a_sampled_one_and_every_path_is_real(seed: int) -> None:
    over_a_neck(seed)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1000, 1300))
def test_over_three_hundred_necks_no_path_is_longer_than_a_sampled_one_and_every_path_is_real(
    seed: int,
) -> None:
    over_a_neck(seed)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(200))
def test_over_voids_of_any_shape_no_path_is_longer_than_a_sampled_one(seed: int) -> None:
    """Rooms and arms strung together; what is filled or cut off is not sampled, so no bound from
    below.
    """
    board = knotted_board(np.random.default_rng(seed))
    sampled = measure(board, SPACING / 2)
    assert solved(board, sampled + 1.0).length <= sampled + ROUNDING


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1000, 1300))
def test_the_same_holds_on_three_hundred_boards_with_necks(seed: int) -> None:
    hold(necked_board(np.random.default_rng(seed)))
