"""Estimates against the worked examples of handbooks."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checker.returns import estimates as rp


def test_the_loop_between_a_trace_and_its_detour_has_the_enclosed_area() -> None:
    """Gap of 1 mm, bridge 15 mm aside: detour 31 mm, area 15 mm2. Own definition, derived by
    hand.
    """
    detour = [(0.0, 0.0), (0.0, 15.0), (1.0, 15.0), (1.0, 0.0)]
    assert rp.loop_area([[(0.0, 0.0), (1.0, 0.0)]], detour) == pytest.approx(15)


@pytest.mark.parametrize(
    ("a", "b", "radius", "expected"),
    [(20, 5, 0.1, 36.382), (10, 10, 0.1, 30.649), (5, 20, 0.1, 36.382)],
)
def test_rectangular_loops(a: float, b: float, radius: float, expected: float) -> None:
    """Inductance Calculations (1946), rectangle of round wire, computed in double precision;
    formula from memory.
    """
    assert rp.rectangle_inductance(a, b, radius) == pytest.approx(expected, abs=0.001)


def test_a_loop_with_a_rectangles_perimeter_and_area_has_its_inductance() -> None:
    same = rp.rectangle_inductance(20, 5, rp.strip_radius(0.2))
    assert rp.loop_inductance(area=100, length=20, detour=30, width=0.2) == pytest.approx(same)


@pytest.mark.parametrize(
    ("frequency", "area", "current", "microvolt", "decibel"),
    [
        (50e6, 400, 0.025, 109.67, 40.80),
        (30e6, 1000, 0.025, 98.70, 39.89),
        (100e6, 10, 0.005, 2.193, 6.82),
    ],
)
def test_small_loops_radiate(
    frequency: float, area: float, current: float, microvolt: float, decibel: float
) -> None:
    """Electromagnetic Compatibility Engineering (2009), chapter 12, free space (printed constant
    131.6e-16).
    """
    field = rp.loop_field(frequency, area, current)
    assert field * 1e6 == pytest.approx(microvolt, rel=0.001)
    assert rp.decibel_microvolt(field) == pytest.approx(decibel, abs=0.01)


def test_the_field_scales_by_the_square_of_frequency() -> None:
    ratio = rp.loop_field(2e8, 10) / rp.loop_field(1e8, 10)
    assert 20 * math.log10(ratio) == pytest.approx(12.04, abs=0.01)


@pytest.mark.parametrize(("edge", "knee"), [(1.0, 500e6), (2.0, 250e6)])
def test_the_knee_of_an_edge(edge: float, knee: float) -> None:
    """High-Speed Digital Design (1993), chapter 1; from memory."""
    assert rp.knee_frequency(edge) == pytest.approx(knee)


@pytest.mark.parametrize(
    ("distance", "height", "expected"),
    [(0.5, 0.2, 0.13793), (0.6, 0.2, 0.1), (0.2, 0.2, 0.5), (0.6, 1.0, 0.7353)],
)
def test_coupling_of_parallel_traces(distance: float, height: float, expected: float) -> None:
    """High-Speed Digital Design (1993), chapter 5: the rule that three heights give ten per cent;
    from memory.
    """
    assert rp.crosstalk(distance, height) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    ("frequency", "area", "current", "distance"),
    [(2, 1, 1, 1), (1, 2, 1, 1), (1, 1, 2, 1), (1, 1, 1, 2)],
)
def test_the_field_scales_as_the_formula_says(
    frequency: float, area: float, current: float, distance: float
) -> None:
    """Electromagnetic Compatibility Engineering (2009), chapter 12: f^2 A I / r; +12.04, +6.02,
    +6.02, -6.02 dB.
    """
    ratio = rp.loop_field(
        1e8 * frequency, 10 * area, 0.005 * current, 3 * distance
    ) / rp.loop_field(1e8, 10, 0.005, 3)
    assert ratio == pytest.approx(frequency**2 * area * current / distance)


def test_the_printed_constant_is_that_of_maxwells_equations() -> None:
    """131.6e-16 in the book, mu0 pi / c = 131.686e-16; within 0.07 %."""
    assert rp.loop_field(1.0, 1e6, 1.0, 1.0) == pytest.approx(131.686e-16, rel=1e-5)
    assert rp.loop_field(1.0, 1e6, 1.0, 1.0) == pytest.approx(131.6e-16, rel=7e-4)


@settings(deadline=None)
@given(
    gap=st.floats(0.2, 5),
    reach=st.floats(0.5, 60),
    more=st.floats(0.01, 40),
    width=st.floats(0.1, 0.5),
)
def test_a_longer_way_round_a_slot_has_no_less_inductance(
    gap: float, reach: float, more: float, width: float
) -> None:
    """Straight up, across and down: the loop is the rectangle gap x reach, which only grows."""
    loops = [rp.loop_inductance(gap * r, gap, 2 * r + gap, width) for r in (reach, reach + more)]
    assert loops[0] <= loops[1] + 1e-9


@pytest.mark.parametrize(
    ("diverted", "width", "printed"), [(25.4, 0.2032, 24.1416), (10.0, 0.2, 7.7008)]
)
@pytest.mark.parametrize("gap", [0.5, 1.0, 2.0])
def test_the_loop_round_a_slot_agrees_with_the_diversion_formula(
    diverted: float, width: float, printed: float, gap: float
) -> None:
    """High-Speed Digital Design (1993), chapter 5: L = 5 D ln(D / W) nH, D and W in inches; from
    memory.

    Its 5 nH an inch is one conductor's mu0 / 2 pi, with the return spread out in the plane; the
    rectangle has thin wires to and fro, mu0 / pi, but its logarithm is of gap by wire, which is
    less than that of D by W. So it is between 0.9 times (long, narrow slots) and 2.2 times (short,
    wide ones) the formula, which knows no gap.
    """
    assert 5 * (diverted / 25.4) * math.log(diverted / width) == pytest.approx(printed, abs=1e-3)
    loop = rp.loop_inductance(
        area=diverted * gap, length=gap, detour=2 * diverted + gap, width=width
    )
    assert 0.9 * printed < loop < 2.2 * printed


def test_a_long_loop_grows_as_a_pair_of_wires() -> None:
    """mu0 / pi ln(s / r) per length: 10 mm of a pair of wires, radius 0.1, 1 mm apart, is 9.2103
    nH.
    """
    grown = rp.rectangle_inductance(1010, 1, 0.1) - rp.rectangle_inductance(1000, 1, 0.1)
    assert grown == pytest.approx(9.2103, abs=0.001)


# nH; mu0 R (ln(8 R / r) - 2), R = 5 mm, r = 0.1 mm (Inductance Calculations, 1946; from memory)
CIRCLE = 25.079
WIRE = 0.412427  # mm; width of the strip of 0.035 mm that is a wire of 0.1 mm: 0.2235 x 0.447427


def test_a_square_of_a_circles_area_has_its_inductance_but_for_the_longer_perimeter() -> None:
    """Both are mu0 / 2 pi P (ln(P / r) - k), k = 2 - ln(4 / pi) = 1.758 for the circle and 2.160
    for the square.

    The square of equal area has P 2 / sqrt(pi) = 1.128 times as long: 1.1284 (ln 354.5 - 2.160) /
    (ln 314.2 - 1.758).
    """
    side = 5 * math.sqrt(math.pi)
    assert rp.rectangle_inductance(side, side, 0.1) / CIRCLE == pytest.approx(1.0489, abs=0.0005)


def test_a_round_loop_is_taken_for_the_square_of_its_perimeter_and_bounded_ten_per_cent_below() -> (
    None
):
    """Area 25 pi, perimeter 10 pi: no rectangle has both; the square has (ln 314.2 - 2.160) / (ln
    314.2 - 1.758).
    """
    loop = rp.loop_inductance(area=25 * math.pi, length=10, detour=10 * math.pi - 10, width=WIRE)
    assert loop / CIRCLE == pytest.approx(0.8993, abs=0.0005)
