"""The rasterised picture, pixel by pixel where it matters."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from PIL import Image

from checker.drawing.png import rasterise
from checker.drawing.svg import draw
from tests.drawing.test_svg import on_picture
from tests.reports import sample

SVG = draw(sample.scene(), sample.outcome(), "L1")


def pixels(data: bytes) -> Any:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)


@pytest.fixture(scope="module")
def picture() -> Any:
    return pixels(rasterise(SVG, 1600))


def near(pixel: Any, colour: str) -> bool:
    return bool(np.abs(pixel - [int(colour[i : i + 2], 16) for i in (1, 3, 5)]).max() <= 12)


@pytest.mark.parametrize("width", [400, 1600])
def test_the_picture_has_the_width_asked_for(width: int) -> None:
    image = Image.open(io.BytesIO(rasterise(SVG, width)))
    assert image.format == "PNG"
    assert image.width == width


def test_the_witness_path_the_trace_and_the_pours_are_where_they_should_be(picture: Any) -> None:
    """PH_2: path at (40.5, 24), trace at (10, 25); the gap at (41, 60) is bare board; both pours
    are tinted.
    """

    def at(x: float, y: float) -> Any:
        px, py = on_picture(SVG, x, y)
        return picture[round(py), round(px)]

    assert near(at(40.5, 24.0), "#A34400")
    assert near(at(10.0, 25.0), "#1A1A1A")
    assert near(at(10.0, 20.0), "#6F6F6F")
    assert near(at(41.0, 60.0), "#F4F2EC")
    probe, system = at(10.3, 10.2), at(55.3, 70.2)
    assert probe[0] > probe[2] + 20
    assert system[2] > system[0] + 20


def test_text_is_drawn_without_the_machines_fonts(picture: Any) -> None:
    """The rasteriser is told to load no font but the bundled ones: the title's line has ink."""
    title = picture[24:50, 300:800]
    assert (title.max(axis=2) < 100).sum() > 300


def test_same_picture_same_bytes() -> None:
    assert rasterise(SVG, 800) == rasterise(SVG, 800)
