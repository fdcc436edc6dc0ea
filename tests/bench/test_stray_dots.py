"""Time of creepage over a field of stray copper: `pytest tests/bench/test_stray_dots.py -m bench -s`.

1,500 dots less than X apart join all 176 nets of one side with all 176 of the other.
"""

from __future__ import annotations

import time
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from checker.demo.sketch import Pad, Sketch, box
from checker.insulation.creepage import creepages
from tests.bench.test_barrier import RULES
from tests.boards import built_directly, layout_of

NETS, ROWS, COLUMNS = 176, 250, 6
PITCH = 0.8  # mm


def strewn() -> Sketch:
    """Pads of both sides on either edge of a field of dots; 0.4 mm between all of them."""
    high = ROWS * PITCH
    at = np.linspace(PITCH, high, NETS)
    dots = [
        Pad(net="", layer="L1", at=(10 + PITCH * i, PITCH * (1 + j)), size=(0.4, 0.4))
        for i, j in product(range(COLUMNS), range(ROWS))
    ]
    pads = [
        Pad(net=f"{side}{n}", layer="L1", at=(x, float(y)), size=(0.4, 0.4))
        for side, x in (("A", 10 - PITCH), ("B", 10 + PITCH * COLUMNS))
        for n, y in enumerate(at)
    ]
    outline = box(0, 0, 30, high + PITCH)
    return Sketch(title="strewn", layers=2, outline=outline, pads=(*pads, *dots))


@pytest.mark.bench
def test_a_field_of_stray_dots_takes_seconds(tmp_path: Path) -> None:
    """Every pair of nets is too near over the dots, and is found."""
    (tmp_path / "spacing.csv").write_text("voltage,creepage\n250,8.0\n")
    layout = layout_of(built_directly(strewn()), RULES, tmp_path)
    begin = time.process_time()
    found = len(creepages(layout))
    took = time.process_time() - begin
    print(f"\n{ROWS * COLUMNS} dots, {found} pairs of nets: {took:.2f} s", end="")
    assert found == NETS**2
