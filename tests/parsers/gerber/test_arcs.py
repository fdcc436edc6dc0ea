"""Circular moves in draws and contours.

Rules: The Gerber Layer Format Specification 2023.08, 4.7.2; single quadrant 8.1.10. Values worked
by hand.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.gerber import read_gerber
from parsers.primitives import Kind
from tests.parsers.gerber.layers import assert_area, copper, image, layer

PEN = "%ADD10C,0.2*% D10"
DIFFERENT = "arc with different distances from its centre to both ends"


@pytest.mark.parametrize(
    ("words", "centre", "radius", "sweep"),
    [
        ("X5Y0D02 G03 X0Y5I-5J0D01", (0, 0), 5, 90),
        ("X5Y0D02 G02 X0Y5I-5J0D01", (0, 0), 5, -270),
        ("X5Y0D02 G03 X5Y0I-5J0D01", (0, 0), 5, 360),
        ("X5Y0D02 G02 X5Y0I-5J0D01", (0, 0), 5, -360),
        ("X5Y0D02 G03 I-5D01", (0, 0), 5, 360),
        ("X5Y0D02 G03 X-5I-5D01", (0, 0), 5, 180),
        ("G74 X5Y0D02 G03 X0Y5I5J0D01", (0, 0), 5, 90),
        ("G74 X5Y0D02 G02 X0Y-5I5J0D01", (0, 0), 5, -90),
        ("G74 X0Y5D02 G02 X3Y4I0J5D01", (0, 0), 5, -math.degrees(math.atan2(3, 4))),
        (
            "G74 X-3Y4D02 G03 X-4Y3I3J4D01",
            (0, 0),
            5,
            math.degrees(math.atan2(4, 3) - math.atan2(3, 4)),
        ),
    ],
)
def test_arc(words: str, centre: tuple[float, float], radius: float, sweep: float) -> None:
    """Centre, radius and sweep are exact; a missing I or J is 0."""
    objects = image(f"{PEN} {words}").objects
    assert objects.kind.tolist() == [Kind.ARC]
    x, y, reach, _, turned = objects.geometry[0]
    assert (x, y) == pytest.approx(centre, abs=1e-9)
    assert reach == pytest.approx(radius)
    assert math.degrees(turned) == pytest.approx(sweep)


def test_single_quadrant_arc_without_length_is_a_dot() -> None:
    """In G74, equal ends make a dot, in G75 a full circle (8.1.10)."""
    objects = image(f"{PEN} G74 X5Y0D02 G03 X5Y0I5J0D01").objects
    assert objects.kind.tolist() == [Kind.STROKE]
    assert objects.geometry[0].tolist() == [5, 0, 5, 0, 0]
    assert objects.pad.tolist() == [False]


def test_arc_of_radius_zero_is_a_dot() -> None:
    """A full circle without radius is a dot."""
    assert image(f"{PEN} X5Y0D02 G03 X5Y0I0J0D01").objects.kind.tolist() == [Kind.STROKE]


def test_arc_before_the_quadrant_mode() -> None:
    """Before G74 or G75, an arc that both read differently is a doubt; one that both read alike is
    none (4.7.2).
    """
    for words, doubts in (
        ("X5Y0D02*G02*X0Y5I-5J0D01", {"arc before G74 or G75"}),
        ("X5Y0D02*G03*X0Y5I-5J0D01", set()),
    ):
        data = b"%FSLAX30Y30*%%MOMM*%%ADD10C,0.2*%D10*" + words.encode() + b"*M02*"
        assert {doubt.what for doubt in read_gerber(data, "layer.gbr").doubts} == doubts


@pytest.mark.parametrize("polarity", ["D", "C"])
def test_rounded_ends_are_no_doubt(polarity: str) -> None:
    """Ends that differ by the rounding of a coarse format keep the arc exact; its stroke covers
    what it may be off.
    """
    data = f"%FSLAX22Y22*%%MOMM*%%ADD10C,0.2*%%LP{polarity}*%D10*G75*X500Y0D02*G03*X355Y352I-500J0D01*M02*"
    found = read_gerber(data.encode(), "layer.gbr")
    assert found.doubts == ()
    assert found.objects.kind.tolist() == [Kind.ARC]
    off = abs(math.hypot(3.55, 3.52) - 5) / 2
    assert found.objects.geometry[0, 2] == pytest.approx((math.hypot(3.55, 3.52) + 5) / 2)
    assert found.objects.radius[0] == pytest.approx(0.1 + (off if polarity == "D" else -off))


def test_contradictory_arc_is_doubted_and_drawn_from_end_to_end() -> None:
    """Where the distances to the centre differ, the arc runs from the one radius to the other, with
    a doubt.
    """
    found = image(f"{PEN} X5Y0D02 G03 X0Y6I-5J0D01", doubts={DIFFERENT})
    shape = copper(found)
    assert shape.geom_type == "Polygon"
    assert shape.bounds == pytest.approx((-0.1, -0.1, 5.1, 6.1), abs=0.1)


def test_arc_from_its_centre() -> None:
    """An arc that starts at its own centre is a line with a doubt."""
    shape = copper(image(f"{PEN} X5Y0D02 G03 X8Y0I0J0D01", doubts={DIFFERENT}))
    assert shape.bounds[2] == pytest.approx(8.1, abs=1e-3)


def test_dot_or_circle() -> None:
    """Ends closer than 1 um may be read as a dot or as a circle (4.14.2)."""
    words = f"{PEN} X5Y0D02 G02 X5Y0.0005I-5J0D01"
    image(words, doubts={"arc that is either a dot or a full circle"})


@given(
    st.integers(-5000, 5000),
    st.integers(-5000, 5000),
    st.integers(0, 5000),
    st.integers(0, 359),
    st.integers(1, 359),
    st.booleans(),
)
@settings(deadline=None)
def test_arcs_end_where_they_should(
    cx: int, cy: int, reach: int, start: int, sweep: int, clockwise: bool
) -> None:
    """An arc made from centre, radius and angles has these again, to the rounding of its
    coordinates.
    """
    reach += 10
    turn = -sweep if clockwise else sweep
    a, b = math.radians(start), math.radians(start + turn)
    x0, y0 = cx / 100 + reach / 100 * math.cos(a), cy / 100 + reach / 100 * math.sin(a)
    x1, y1 = cx / 100 + reach / 100 * math.cos(b), cy / 100 + reach / 100 * math.sin(b)
    words = f"X{x0:.6f}Y{y0:.6f}D02 G0{2 if clockwise else 3} X{x1:.6f}Y{y1:.6f}"
    words += f"I{cx / 100 - x0:.6f}J{cy / 100 - y0:.6f}D01"
    objects = read_gerber(layer(PEN, words), "layer.gbr").objects
    assert objects.kind.tolist() == [Kind.ARC]
    found = objects.geometry[0]
    assert found[:3] == pytest.approx([cx / 100, cy / 100, reach / 100], abs=3e-6)
    assert math.degrees(found[4]) == pytest.approx(turn, abs=1e-3)


@pytest.mark.parametrize("polarity", ["dark", "clear"])
def test_arcs_in_contours_err_on_the_safe_side(polarity: str) -> None:
    """A dark area with round ends is no smaller than the true one, a clear one takes no more than
    the true one.
    """
    contour = "X0Y0D02 X10D01 G03 X10Y4I0J2D01 G01 X0D01 G03 X0Y0I0J-2D01 G01"
    dark = polarity == "dark"
    before = "" if dark else "G36 X-20Y-20D02 X20D01 Y20D01 X-20D01 Y-20D01 G37 %LPC*%"
    shape = copper(image(f"{before} G36 {contour} G37"))
    true = 40 + math.pi * 4  # a half disc of radius 2 at either end
    assert_area(shape, true if dark else 1600 - true, digits=1e-12)


def test_contour_with_a_round_dent() -> None:
    """A contour that runs clockwise or has dents is treated by which side its copper lies on."""
    for turn in ("G02", "G03"):
        words = {
            "G03": "X0Y0D02 X10D01 Y4D01 X7D01 G02 X3Y4I-2J0D01 G01 X0D01 Y0D01",
            "G02": "X0Y0D02 Y4D01 X3D01 G03 X7Y4I2J0D01 G01 X10D01 Y0D01 X0D01",
        }[turn]
        assert_area(copper(image(f"G36 {words} G37")), 40 - math.pi * 2, digits=1e-12)
