"""Time of creepage on a crowded barrier: `pytest tests/bench/test_barrier.py -m bench -s` prints it
with its growth.

A board of 100 x 80 mm with a gap down its middle, slots along the gap, and conductors on both faces
of both sides; one in ten lies too near. Bigger boards are the same thing continued upwards.
"""

from __future__ import annotations

import math
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from checker.config.rules_file import parse_rules
from checker.insulation.creepage import creepages
from checker.layout.layout import Layout
from checker.rules import known_limits
from parsers.assembly.connectivity import connect
from parsers.board import UNPLATED, Board, Net, Outline, Stackup, empty_board, holes
from parsers.primitives import Kind, conductors

WIDTH, HEIGHT, GAP = 100.0, 80.0, 7.0
NETS = 100  # per side
RULES = """
schema = 1
[region.a]
reference = ["A0"]
nets = ["A*"]
[region.b]
reference = ["B0"]
nets = ["B*"]
[[barrier]]
between = ["a", "b"]
working_voltage = 250
table = "spacing.csv"
"""


def crowded_board(times: int, *, a_side: int = 2000, slots: int = 20, seed: int = 1) -> Board:
    """The board, `times` as tall, with as many times the conductors and slots."""
    rng = np.random.default_rng(seed)
    height = HEIGHT * times
    sides = [_side(rng, a_side * times, height, mirror=m) for m in (False, True)]
    geometry, net = np.concatenate([g for g, _ in sides]), np.concatenate([n for _, n in sides])
    n = len(net)
    copper = conductors(
        n,
        kind=Kind.STROKE,
        layer=np.arange(n) % 2,
        net=net,
        geometry=geometry,
        radius=0.15,
    )
    middle = np.linspace(2, height - 2, slots * times)
    ends = np.column_stack(
        (np.full(len(middle), 50.0), middle - 0.9, np.full(len(middle), 50.0), middle + 0.9)
    )
    routed = holes(len(ends), ends=ends, radius=0.5, plated=UNPLATED, first=0, last=1)
    names = [Net(f"{side}{i}") for side in "AB" for i in range(NETS)]
    joined = connect(copper, routed, names, 2)
    return replace(
        empty_board("crowded"),
        stackup=Stackup(1.6, (1.6,), (None,)),
        nets=tuple(names),
        copper=joined.copper,
        holes=joined.holes,
        outline=Outline(shapely.box(0, 0, WIDTH, height)),
        connectivity=joined.connectivity,
    )


def _side(
    rng: np.random.Generator, count: int, height: float, *, mirror: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Short strokes on one side of the gap, a net to each band of the board's height; one in ten
    reaches into it.
    """
    edge = WIDTH / 2 - GAP / 2 - np.where(rng.random(count) < 0.1, -0.3, 0.2)
    x = np.minimum(rng.uniform(1, 46, count), edge - 2.2)
    near = rng.random(count) < 0.1
    x = np.where(near, edge - 2.2, x)
    y = rng.uniform(1, height - 1, count)
    ends = np.column_stack((x, y, x + 2, y, np.zeros(count)))
    if mirror:
        ends[:, [0, 2]] = WIDTH - ends[:, [0, 2]]
    return ends, (NETS * mirror + (y / height * NETS).astype(int)).astype(np.int32)


def seconds(board: Board, folder: Path) -> tuple[float, int]:
    """Processor time to find all creepages, and how many."""
    (folder / "spacing.csv").write_text("voltage,creepage\n250,8.0\n")
    limits = {name: limit.default for name, limit in known_limits().items()}
    layout = Layout(board, parse_rules(RULES, str(folder / "rules.toml"), limits))
    begin = time.process_time()
    found = len(creepages(layout))
    return time.process_time() - begin, found


@pytest.mark.bench
def test_a_crowded_barrier_takes_seconds_and_grows_almost_linearly(tmp_path: Path) -> None:
    """2000 conductors a side and 20 slots in under 10 s; four times the board in little more than
    four times that.
    """
    sizes = [1, 2, 4]
    times = [seconds(crowded_board(n), tmp_path) for n in sizes]
    exponent = math.log(times[-1][0] / times[0][0]) / math.log(sizes[-1] / sizes[0])
    for n, (took, found) in zip(sizes, times, strict=True):
        print(
            f"\n{2000 * n:6} conductors a side, {20 * n:3} slots: {took:6.2f} s, {found} findings",
            end="",
        )
    print(f"\ngrowth exponent {exponent:.2f}")
    assert times[0][0] < 10
    assert exponent < 1.4
