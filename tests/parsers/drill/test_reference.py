"""The same drill programs through an independent reader, the library gerbonara: places, sizes,
slots and plating.

The reference knows no slots by two ends (G85) and no routed arcs; the worked lines beside this file
hold those. What a file does not say of its digits it refuses to guess, so all programs here say it.
"""

from __future__ import annotations

import random
import warnings
from collections.abc import Iterable
from typing import Any

import numpy as np
import pytest
from gerbonara import ExcellonFile
from gerbonara.graphic_objects import Flash
from gerbonara.utils import MM

from checker.demo import boards
from checker.demo.gerber_writer import gerber_package
from parsers.drill import read_drill

WITHIN = 1e-4  # mm
Stroke = tuple[float, float, float, float, float]  # ends and diameter, mm

PROGRAMS = {
    "metric with points": (
        "METRIC,TZ\nT1C0.8\nT2C1.2\n%\nT1\nX1.5Y2.5\nX-3.25Y4.\nT2\nX0.0Y10.125\n"
    ),
    "inch with leading zeros kept": "INCH,LZ\nT1C0.0315\n%\nT1\nX0125Y02\nX-01Y0005\nX00005Y1\n",
    "inch with trailing zeros kept": "INCH,TZ\nT01C0.0400\n%\nT01\nX12500Y20000\nX-5000Y1\n",
    "metric with trailing zeros kept": (
        "METRIC,TZ,000.000\nT1C1.000\n%\nT1\nX12500Y20000\nX-5000Y1\n"
    ),
    "coordinates that stay": "METRIC,TZ\nT1C0.5\n%\nT1\nX1.0Y2.0\nX3.0\nY5.5\nX4.0\n",
    "metric with leading zeros kept": (
        "METRIC,LZ,000.000\nT1C1.000\n%\nT1\nX0125Y02\nX-005Y000001\n"
    ),
    "digits told in a comment": ";FILE_FORMAT=4:4\nMETRIC,TZ\nT1C1.000\n%\nT1\nX15000Y-25000\n",
    "steps from place to place": (
        "METRIC,TZ,000.000\nICI,ON\nT1C1.0\n%\nT1\nX1000Y1000\nX500\nY-250\nX1Y1\n"
    ),
    "routed lines": (
        "METRIC,TZ\nT1C1.0\n%\nT1\nG00X1.0Y1.0\nM15\nG01X5.0Y1.0\nG01X5.0Y4.0\nM16\nG05\nX9.0Y9.0\n"
    ),
    "tools of the same size": (
        "METRIC,TZ\nT1C0.3\nT3C0.3\nT12C3.2\n%\nT1\nX1.0Y1.0\nT3\nX2.0Y2.0\nT12\nX3.0Y3.0\n"
    ),
}


def program(text: str) -> bytes:
    return f"M48\n{text}M30\n".encode()


def ours(data: bytes) -> list[Stroke]:
    holes = read_drill(data, "x.drl").holes
    return sorted(
        (*_ordered(ends), 2 * radius) for ends, radius in zip(holes.ends, holes.radius, strict=True)
    )


def theirs(data: bytes) -> list[Stroke]:
    return sorted(
        (*_ordered(_ends(o)), float(MM(o.tool.diameter, o.tool.unit))) for o in objects(data)
    )


def _ends(o: Any) -> tuple[float, float, float, float]:
    return (o.x, o.y, o.x, o.y) if isinstance(o, Flash) else (o.x1, o.y1, o.x2, o.y2)


def objects(data: bytes) -> list[Any]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = ExcellonFile.from_string(data.decode()).objects
    return [o.converted(MM) for o in found]


def _ordered(ends: Iterable[float]) -> tuple[float, float, float, float]:
    """A stroke has no direction."""
    x0, y0, x1, y1 = (round(float(v), 6) + 0.0 for v in ends)
    return min((x0, y0, x1, y1), (x1, y1, x0, y0))


def agree(data: bytes) -> None:
    found, expected = ours(data), theirs(data)
    assert len(found) == len(expected)
    assert np.allclose(found, expected, atol=WITHIN, rtol=0)


@pytest.mark.parametrize("name", PROGRAMS)
def test_program(name: str) -> None:
    """Holes and slots lie where the reference sees them, as wide."""
    agree(program(PROGRAMS[name]))


@pytest.mark.parametrize("unit", ["MM", "IN"])
def test_drill_files_of_the_demo(unit: str) -> None:
    """What the demo writes for drilling machines is read by both as the same holes."""
    packages = [gerber_package(board.draw(), unit=unit, drills="nc") for board in boards().values()]
    tapes = [
        text for package in packages for name, text in package.items() if name.endswith(".drl")
    ]
    plain = [text for text in tapes if "G85" not in text]
    for text in plain:
        agree(text.encode())
    assert len(plain) > 10


@pytest.mark.parametrize("zeros", ["TZ", "LZ"])
@pytest.mark.parametrize("seed", range(4))
def test_random_programs(seed: int, zeros: str) -> None:
    """Hits and routed lines of several tools at random places, by digits or by points."""
    dice = random.Random(seed)
    tools = {n: round(dice.uniform(0.2, 3), 3) for n in range(1, 5)}
    lines = [f"METRIC,{zeros},000.000", *(f"T{n}C{size:.3f}" for n, size in tools.items()), "%"]
    for n in tools:
        lines.append(f"T{n}")
        for _ in range(dice.randint(1, 30)):
            start, end = (_coded(dice, zeros, points=bool(seed % 2)) for _ in range(2))
            slot = [f"G00{start}", "M15", f"G01{end}", "M16", "G05"]
            lines += slot if dice.random() < 0.3 else [start]
    agree(program("\n".join(lines) + "\n"))


def _coded(dice: random.Random, zeros: str, *, points: bool) -> str:
    """A place as a program of three digits before and three behind the point writes it."""
    words = ""
    for axis in "XY":
        value = dice.randint(-99_999, 99_999)
        sign, digits = "-" if value < 0 else "", f"{abs(value):06d}"
        kept = (digits.lstrip("0") if zeros == "TZ" else digits.rstrip("0")) or "0"
        words += axis + (f"{value / 1000:.3f}" if points else sign + kept)
    return words
