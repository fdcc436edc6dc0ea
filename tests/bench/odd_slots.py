"""Processor times of creepage on small boards with slots of odd shapes, fixed seeds.

    python -m tests.bench.odd_slots --boards 200

Prints the times of each shape, how many searches were given up (those end in a doubt), and the
seeds of the slowest boards.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from checker.insulation.surface.geodesics import HOP, SOURCE, TARGET, Surface, copper
from tests.insulation.odd_boards import SHAPES, odd_board

REQUIRED = 8.0  # mm
BOARDS = 1000
SLOWEST = 10  # seeds that are printed


@dataclass(frozen=True, slots=True)
class Timed:
    """One board: processor seconds, and whether its search was given up."""

    seed: int
    took: float
    stopped: bool


def timed(seed: int) -> Timed:
    """Lay out one board and search it."""
    board = odd_board(seed)
    columns = zip(*((m.skeleton, m.radius, m.face, m.island) for m in board.metals), strict=True)
    begin = time.process_time()
    roles = [SOURCE, TARGET] + [HOP] * (board.islands() - 2)
    surface = Surface(board.region, board.thickness, x=board.x)
    legs = surface.legs(copper(*map(list, columns)), roles, REQUIRED, x=board.x)
    legs.best(0, 1, board.x)
    return Timed(seed, time.process_time() - begin, legs.stopped)


def told(found: Sequence[Timed]) -> str:
    """The times of each shape, of all, and the slowest seeds."""
    lines = []
    for number, shape in enumerate(SHAPES):
        mine = [one for one in found if one.seed % len(SHAPES) == number]
        lines.append(f"{shape.__name__:14} {_spread(mine)}")
    slowest = sorted(found, key=lambda one: -one.took)[:SLOWEST]
    worst = ", ".join(f"{one.seed} ({one.took:.2f} s)" for one in slowest)
    return "\n".join([*lines, f"{'all':14} {_spread(found)}", f"slowest seeds: {worst}"])


def _spread(found: Sequence[Timed]) -> str:
    """Median, 99 of 100, worst and how many were given up."""
    took = np.array([one.took for one in found] or [0.0])
    numbers = f"median {np.median(took):.2f} s, 99 of 100 below {np.quantile(took, 0.99):.2f} s"
    late = sum(one.stopped for one in found)
    return f"{numbers}, worst {took.max():.2f} s, given up {late} of {len(found)}"


def main() -> None:
    """Run some boards and print their times."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--boards", type=int, default=BOARDS)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    args = parser.parse_args()
    seeds = range(args.first, args.first + args.boards)
    sys.stdout.write(told([timed(seed) for seed in seeds]) + "\n")


if __name__ == "__main__":
    main()
