"""Time of creepage on small boards with slots of odd shapes: `pytest tests/bench/test_odd_slots.py
-m bench -s`.

A thousand fixed seeds; a search that was given up counts as one that took long, since it ends in a
doubt.
"""

from __future__ import annotations

import time

import numpy as np
import pytest

from checker.insulation.surface.geodesics import HOP, SOURCE, TARGET, Surface, copper
from tests.insulation.odd_boards import SHAPES, odd_board

REQUIRED = 8.0  # mm
BOARDS = 1000


def searched(seed: int) -> tuple[float, bool]:
    """Processor time of one search, and whether it was given up."""
    board = odd_board(seed)
    columns = zip(*((m.skeleton, m.radius, m.face, m.island) for m in board.metals), strict=True)
    begin = time.process_time()
    roles = [SOURCE, TARGET] + [HOP] * (board.islands() - 2)
    surface = Surface(board.region, board.thickness, x=board.x)
    legs = surface.legs(copper(*map(list, columns)), roles, REQUIRED, x=board.x)
    legs.best(0, 1, board.x)
    return time.process_time() - begin, legs.stopped


@pytest.mark.bench
def test_boards_with_odd_slots_take_seconds_at_most() -> None:
    """Prints the times of each shape; fewer than one in five is given up."""
    found = [searched(seed) for seed in range(BOARDS)]
    times, stopped = np.array([t for t, _ in found]), np.array([s for _, s in found])
    for number, shape in enumerate(SHAPES):
        mine, late = times[number :: len(SHAPES)], stopped[number :: len(SHAPES)]
        took = f"median {np.median(mine):6.2f} s, worst {mine.max():6.2f} s"
        print(f"\n{shape.__name__:14} {took}, given up {late.sum()}", end="")
    print(f"\n99 of 100 below {np.quantile(times, 0.99):.2f} s, worst {times.max():.2f} s")
    assert stopped.mean() < 0.2
