"""Callouts on the team's own picture land where the pins say."""

from __future__ import annotations

import io
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from PIL import Image

from checker.drawing.overlay import draw_over, fitted
from checker.drawing.png import rasterise
from parsers.trouble import InputError
from tests.drawing.test_svg import words
from tests.reports import sample
from tests.reports.sample import SAFETY

coordinates = st.floats(-200, 200)
points = st.tuples(coordinates, coordinates)


def similar(
    point: tuple[float, float],
    scale: float,
    turn: float,
    shift: tuple[float, float],
    mirrored: bool,
) -> tuple[float, float]:
    """The map by hand: mirror about y if seen from below, turn, scale, flip y to the picture's
    downward y, shift.
    """
    x, y = (-point[0] if mirrored else point[0]), point[1]
    u, v = x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)
    return shift[0] + scale * u, shift[1] - scale * v


@given(points, points, points, st.floats(0.5, 50), st.floats(-3.1, 3.1), points, st.booleans())
def test_two_pins_settle_shift_scale_and_turn(
    a: tuple[float, float],
    b: tuple[float, float],
    probe: tuple[float, float],
    scale: float,
    turn: float,
    shift: tuple[float, float],
    mirrored: bool,
) -> None:
    assume(math.dist(a, b) > 1)
    pins = [(*p, *similar(p, scale, turn, shift, mirrored)) for p in (a, b)]
    wanted = similar(probe, scale, turn, shift, mirrored)
    assert fitted(pins, mirrored=mirrored).at(probe) == pytest.approx(wanted, abs=1e-4 * scale)


@given(
    st.lists(points, min_size=3, max_size=6),
    points,
    st.lists(st.floats(-20, 20), min_size=4, max_size=4),
    points,
)
def test_three_pins_settle_every_affine_map_mirror_included(
    places: list[tuple[float, float]],
    probe: tuple[float, float],
    entries: list[float],
    shift: tuple[float, float],
) -> None:
    matrix = np.array(entries).reshape(2, 2)
    spread = np.array(places) - np.mean(places, axis=0)
    assume(np.linalg.svd(spread, compute_uv=False)[1] > 5)
    assume(np.linalg.svd(matrix, compute_uv=False)[1] > 0.1)
    pins = [(*p, *(matrix @ p + shift)) for p in places]
    fit = fitted(pins)
    assert fit.at(probe) == pytest.approx(tuple(matrix @ probe + shift), abs=1e-3)
    assert fit.misfit < 1e-6


@pytest.mark.parametrize("wrong", range(5))
def test_of_five_pins_a_wrong_one_is_named_and_of_four_none(wrong: int) -> None:
    """The map is 10 px/mm along x and 20 along y, with a tenth of x in y: 5.7 degrees from
    square.
    """
    places = [(0.0, 0.0), (80.0, 3.0), (5.0, 60.0), (90.0, 70.0), (40.0, 35.0)]
    pins = [(x, y, 10 * x + 2 * y, 900 - 20 * y) for x, y in places]
    sound = fitted(pins)
    assert sound.astray is None
    assert "10.00 px/mm along x" in sound.words
    assert "20.10 along y, 5.7° from square" in sound.words
    x, y, u, v = pins[wrong]
    pins[wrong] = (x, y, u + 40, v - 30)
    assert fitted(pins).astray == wrong + 1
    assert f"pin {wrong + 1} is off" in fitted(pins).words
    assert fitted(pins[:4]).astray is None


def test_three_pins_claim_nothing() -> None:
    words = fitted([(0, 0, 0, 0), (10, 0, 100, 0), (0, 10, 50, 300)]).words
    assert "prove nothing; give a fourth" in words
    assert "agree" not in words


def test_a_wrong_pin_shows_as_misfit() -> None:
    pins = [(0, 0, 0, 800), (100, 0, 1000, 800), (0, 80, 0, 0), (100, 80, 1000, 40)]
    assert fitted(pins).misfit == pytest.approx(10.0)


@pytest.mark.parametrize(
    "pins",
    [
        [],
        [(0, 0, 1, 1)],
        [(5, 5, 1, 1), (5, 5, 9, 9)],
        [(0, 0, 1, 1), (5, 5, 1, 1)],
        [(0, 0, 0, 0), (1, 1, 9, 4), (2, 2, 5, 7)],
        [(0, 0, 0, 0), (1, 0, 5, 5), (0, 1, 9, 9)],
    ],
)
def test_pins_that_settle_nothing_are_refused(
    pins: list[tuple[float, float, float, float]],
) -> None:
    with pytest.raises(InputError):
        fitted(pins)


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    file = tmp_path / "bench.png"
    Image.new("RGB", (1000, 800), (20, 60, 30)).save(file)
    return file


PINS = [(0.0, 0.0, 0.0, 800.0), (100.0, 80.0, 1000.0, 0.0)]


def test_the_witness_path_is_drawn_on_the_picture(photo: Path) -> None:
    """One pixel of the picture is 0.1 mm; (41, 24) lies on the path of PH_2; (70, 40) is untouched
    picture.
    """
    svg = draw_over(sample.outcome(), photo, PINS, "L1")
    image = np.asarray(Image.open(io.BytesIO(rasterise(svg, 1600))).convert("RGB")).astype(int)

    def at(x: float, y: float) -> list[int]:
        return [int(v) for v in image[round(112 + (800 - 10 * y) * 1.6), round(10 * x * 1.6)]]

    assert at(41.0, 24.0) == pytest.approx([0xA3, 0x44, 0x00], abs=10)
    assert at(70.0, 40.0) == pytest.approx([20, 60, 30], abs=3)


def test_it_says_what_every_picture_says_and_how_well_the_pins_agree(photo: Path) -> None:
    text = words(draw_over(sample.outcome(), photo, [*PINS, (100.0, 0.0, 1000.0, 800.0)], "L1"))
    assert SAFETY in text
    assert "INCOMPLETE" in text
    assert "layer L1 on bench.png" in text
    assert "three pins fit any picture and prove nothing" in text


def test_a_layer_shows_its_own_findings_and_those_of_no_layer(photo: Path) -> None:
    text = words(draw_over(sample.outcome(), photo, PINS, "L4"))
    assert "EC_DRIVE gap-crossing" in text
    assert "galvanic-bridge" in text
    assert "creepage" not in text
    assert "creepage" in words(draw_over(sample.outcome(), photo, PINS))


def test_findings_outside_the_picture_are_counted(photo: Path) -> None:
    corner = [(60.0, 0.0, 0.0, 800.0), (100.0, 32.0, 1000.0, 0.0)]
    outside = sum(not (60 <= f.at[0] <= 100 and 0 <= f.at[1] <= 32) for f in sample.findings())
    assert f"{outside} of 9 findings lie outside the picture" in words(
        draw_over(sample.outcome(), photo, corner)
    )


@pytest.mark.parametrize("content", [b"", b"GIF89a", b"\x89PNG\r\n\x1a\n" + b"\0" * 40])
def test_what_is_no_png_is_refused_with_its_name(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "odd.png"
    file.write_bytes(content)
    with pytest.raises(InputError, match=r"odd\.png"):
        draw_over(sample.outcome(), file, PINS)


def test_the_header_of_a_png_is_enough_to_draw_over_it(photo: Path, tmp_path: Path) -> None:
    """8 bytes of signature and 25 of the first chunk (PNG, third edition, 5.2 and 11.2.1); a byte
    less is none.
    """
    file = tmp_path / "head.png"
    file.write_bytes(photo.read_bytes()[:33])
    assert "<image" in draw_over(sample.outcome(), file, PINS)
    file.write_bytes(photo.read_bytes()[:32])
    with pytest.raises(InputError, match=r"head\.png"):
        draw_over(sample.outcome(), file, PINS)


def test_a_picture_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none\.png"):
        draw_over(sample.outcome(), tmp_path / "none.png", PINS)


def test_a_layer_that_is_not_there_is_refused(photo: Path) -> None:
    with pytest.raises(InputError, match="L9"):
        draw_over(sample.outcome(), photo, PINS, "L9")


def test_a_picture_of_the_bottom_is_mirrored(photo: Path) -> None:
    """Seen from below, board x runs to the left: (40, 10) is 600 px from the left."""
    below = [(0.0, 0.0, 1000.0, 800.0), (100.0, 80.0, 0.0, 0.0)]
    svg = draw_over(sample.outcome(), photo, below, "L1", mirrored=True)
    assert f'cx="{(1000 - 400) * 1.6:g}" cy="{112 + 700 * 1.6:g}"' in svg
