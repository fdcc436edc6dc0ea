"""Crossings against a picture: pours drawn on a fine grid by an imaging library, traces walked
pixel by pixel.

The witness knows no geometry of ours: a pixel is of region a, of region b, or bare. Wherever the
walk along a trace comes from pixels of one region to those of the other by way of bare ones is a
crossing, as long as the bare stretch.
"""

from __future__ import annotations

import math
import random
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, ImageDraw

from tests.boards import WAYS, case, found

PIXELS = 20  # a mm
CELL = 2  # mm; pours are made of cells, so no gap between them is as small as an antipad
WIDE, HIGH = 30, 24  # cells
NAMES = {1: "a", 2: "b"}
Box = tuple[int, int, int, int]
XY = tuple[float, float]


def split_pours(dice: random.Random) -> list[tuple[int, Box]]:
    """Boxes of both regions, in mm: those of different regions are at least a cell apart."""
    boxes: list[tuple[int, Box]] = []
    for _ in range(40):
        x, y, w, h = (
            dice.randint(0, WIDE - 4),
            dice.randint(0, HIGH - 4),
            dice.randint(3, 9),
            dice.randint(3, 9),
        )
        new, region = (x, y, min(x + w, WIDE), min(y + h, HIGH)), dice.choice((1, 2))
        if all(other == region or apart(new, box) for other, box in boxes):
            boxes.append((region, new))
    return [
        (region, (x0 * CELL, y0 * CELL, x1 * CELL, y1 * CELL)) for region, (x0, y0, x1, y1) in boxes
    ]


def apart(one: Box, other: Box) -> bool:
    return one[2] < other[0] or other[2] < one[0] or one[3] < other[1] or other[3] < one[1]


def wandering(dice: random.Random, low: float, high: float) -> list[XY]:
    """A trace from left to right that stays in its band and never meets itself; off the edges of
    all cells.
    """
    xs = sorted(dice.sample(range(1, WIDE * CELL - 1), dice.randint(3, 9)))
    return [(x + 0.37, low + dice.uniform(0.3, high - low - 0.3)) for x in xs]


def walked(trace: list[XY], picture: Image.Image) -> list[float]:
    """Lengths of the bare stretches between pixels of different regions, along the trace."""
    step = 0.5 / PIXELS
    seen = []
    for (x0, y0), (x1, y1) in pairwise(trace):
        count = math.ceil(math.hypot(x1 - x0, y1 - y0) / step)
        for i in range(count):
            x, y = x0 + (x1 - x0) * i / count, y0 + (y1 - y0) * i / count
            seen.append(
                (
                    picture.getpixel((int(x * PIXELS), int(y * PIXELS))),
                    math.hypot(x1 - x0, y1 - y0) / count,
                )
            )
    runs = [
        (label, sum(length for _, length in run))
        for label, run in groupby(seen, key=lambda s: s[0])
    ]
    return [
        length
        for (before, _), (label, length), (after, _) in zip(runs, runs[1:], runs[2:], strict=False)
        if label == 0 and before != after
    ]


@pytest.mark.parametrize("seed", range(24))
def test_crossings_are_those_of_the_picture(seed: int, tmp_path: Path) -> None:
    dice = random.Random(seed)
    pours = split_pours(dice)
    picture = Image.new("L", (WIDE * CELL * PIXELS, HIGH * CELL * PIXELS))
    draw = ImageDraw.Draw(picture)
    for region, (x0, y0, x1, y1) in pours:
        draw.rectangle((x0 * PIXELS, y0 * PIXELS, x1 * PIXELS - 1, y1 * PIXELS - 1), fill=region)
    bands = HIGH * CELL // 6
    traces = {f"N{n}": wandering(dice, 6 * n, 6 * n + 6) for n in range(bands)}
    table: dict[str, Any] = {
        "because": "",
        "expect": [],
        "pours": [
            {"region": NAMES[region], "layer": "L2", "box": list(box)} for region, box in pours
        ],
        "draws": [
            {"net": n, "layer": "L1", "width": 0.2, "points": [list(p) for p in t]}
            for n, t in traces.items()
        ],
    }
    made = case("picture", table)
    told = found(WAYS[seed % len(WAYS)](made.sketch, tmp_path), made.rules, "gap-crossing")
    for net, trace in traces.items():
        lengths = sorted(f.measured for f in told if f.nets == (net,) and str(f.level) == "error")
        assert lengths == pytest.approx(sorted(walked(trace, picture)), abs=3 / PIXELS)
