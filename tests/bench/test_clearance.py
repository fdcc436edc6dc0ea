"""Time of clearance on a crowded barrier: `pytest tests/bench/test_clearance.py -m bench -s` prints
it.
"""

from __future__ import annotations

import math
import time
from pathlib import Path

import pytest

from checker.config.rules_file import parse_rules
from checker.insulation.clearance import shortfalls
from checker.layout.layout import Layout
from checker.rules import known_limits
from parsers.board import Board
from tests.bench.test_barrier import RULES, crowded_board

# mm; what some, and nearly all, pairs of nets beside the gap fall short of
SOME, NEARLY_ALL = (6.6, 9.0)


def seconds(board: Board, folder: Path, clearance: float) -> tuple[float, int]:
    """Processor time to find all clearances that fall short, and how many."""
    (folder / "spacing.csv").write_text(f"voltage,clearance\n250,{clearance}\n")
    limits = {name: limit.default for name, limit in known_limits().items()}
    layout = Layout(board, parse_rules(RULES, str(folder / "rules.toml"), limits))
    begin = time.process_time()
    found = len(shortfalls(layout))
    return time.process_time() - begin, found


@pytest.mark.bench
def test_a_crowded_barrier_takes_seconds_and_grows_almost_linearly(tmp_path: Path) -> None:
    """2000 conductors a side and 20 slots in under 10 s; four times the board in little more than
    four times that.
    """
    sizes = [1, 2, 4]
    times = [seconds(crowded_board(n), tmp_path, SOME) for n in sizes]
    exponent = math.log(times[-1][0] / times[0][0]) / math.log(sizes[-1] / sizes[0])
    for n, (took, found) in zip(sizes, times, strict=True):
        print(
            f"\n{2000 * n:6} conductors a side, {20 * n:3} slots: {took:6.2f} s, {found} findings",
            end="",
        )
    print(f"\ngrowth exponent {exponent:.2f}")
    assert times[0][0] < 10
    assert exponent < 1.4


@pytest.mark.bench
def test_thousands_of_findings_take_seconds_too(tmp_path: Path) -> None:
    """The same barrier, its gap far too narrow: every pair of neighbouring nets, on each face and
    through slots.
    """
    took, found = seconds(crowded_board(1), tmp_path, NEARLY_ALL)
    print(f"\n  2000 conductors a side,  20 slots: {took:6.2f} s, {found} findings")
    assert found > 1000
    assert took < 10
