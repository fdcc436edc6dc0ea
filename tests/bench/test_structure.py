"""A check of boards with real structure, as a multiple of their reading: `pytest tests/bench -m
bench -s`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.board_of_structure import write_board
from tests.bench.test_whole_check import measured

TIMES_READING = 5  # check over reading: 2.5 measured at 20, 1.9 at 40; twice that, for noise


@pytest.mark.bench
@pytest.mark.parametrize("side", [20, 40])
def test_a_check_takes_a_few_readings_of_its_board(side: int, tmp_path: Path) -> None:
    write_board(tmp_path, side)
    times = measured("stages", tmp_path)
    print(f"\n{side * side} vias, {times['objects']} objects, {times['mb']} MB: {times}")
    print(f"check / reading = {times['total'] / times['read']:.1f}")
    assert times["total"] <= TIMES_READING * times["read"]
