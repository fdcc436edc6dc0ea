"""Gerber layers in a few words, and the copper that they give."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest
import shapely

from parsers.assembly.image import Image, compose
from parsers.gerber import read_gerber

# mm, and of the radius: how far round copper may be drawn too large; half the contract's
STRAY, PART = (0.0005, 0.001)
BOARDS = Path(__file__).parents[4] / "shared" / "boards"
BOARD_FILES = sorted([*BOARDS.glob("*/*.art"), *BOARDS.glob("*/*.gbr")])
needs_boards = pytest.mark.needs("boards")

_NUMBER = re.compile(r"([XYIJ])([+-]?[0-9]*\.?[0-9]+)")


def layer(*words: str, unit: str = "MM", end: bool = True) -> bytes:
    """Write a layer of format 4.6: coordinates in `words` are given in the unit, as decimals."""
    head = ["%FSLAX46Y46*%", f"%MO{unit}*%", "G75*", "G01*"]
    body = [
        word if word.startswith("%") else _NUMBER.sub(_coded, word)
        for text in words
        for word in text.split()
    ]
    lines = [word if word.startswith("%") else f"{word}*" for word in body]
    return "\n".join([*head, *lines, *(["M02*"] if end else []), ""]).encode()


def _coded(match: re.Match[str]) -> str:
    return f"{match[1]}{round(float(match[2]) * 1_000_000)}"


def image(*words: str, unit: str = "MM", doubts: Iterable[str] = ()) -> Image:
    """Read such a layer; its doubts must be exactly the given ones."""
    found = read_gerber(layer(*words, unit=unit), "layer.gbr")
    assert {re.sub(r" \(\d+ \w+\)$", "", doubt.what) for doubt in found.doubts} == set(doubts)
    return found


def copper(found: Image) -> shapely.Geometry:
    """All copper of an image in one shape."""
    return shapely.union_all(compose(found).shapes())


def pieces_and_holes(shape: shapely.Geometry) -> tuple[int, int]:
    """How many polygons a shape has, and how many holes in all."""
    polygons = [p for p in shapely.get_parts(shape) if p.area > 0]
    return len(polygons), int(sum(shapely.get_num_interior_rings(p) for p in polygons))


def excess(shape: shapely.Geometry) -> float:
    """Area by which a circumscribed shape may exceed the true copper: the tolerance of its rounds
    along its outline.
    """
    if shape.is_empty:
        return 0.0
    x0, y0, x1, y1 = shape.bounds
    return min(STRAY, PART * float(np.hypot(x1 - x0, y1 - y0)) / 2) * float(shape.length)


def assert_area(shape: shapely.Geometry, expected: float, *, digits: float = 1e-6) -> None:
    """The area is the expected one, known to some relative error, and no more than the tolerance
    above it.
    """
    slack = digits * expected
    assert expected - slack <= shape.area <= expected + excess(shape) + slack
