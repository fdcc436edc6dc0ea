"""Detours against closed forms and a grid; estimates against the worked examples of handbooks."""

from __future__ import annotations

import math

import networkx as nx
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from checker.returns import detour as rp

U_SHAPE = shapely.Polygon([(0, 0), (10, 0), (10, 10), (6, 10), (6, 2), (4, 2), (4, 10), (0, 10)])
LEFT, RIGHT = shapely.box(0, 0, 10, 20), shapely.box(12, 0, 30, 20)


def test_a_rectangular_slot_is_walked_round_its_nearer_end() -> None:
    """Slot x 9.5..10.5, y 2..20 in a board y 0..30, trace at y 15: round the upper end, 5 up, 1 across, 5 down."""
    board = shapely.box(0, 0, 20, 30) - shapely.box(9.5, 2, 10.5, 20)
    way = rp.Network([board], []).detour([(0, (9.5, 15))], [(0, (10.5, 15))])
    assert way is not None
    assert way.length == pytest.approx(5 + 1 + 5, abs=1e-6)


def test_an_l_shaped_pour_is_walked_round_its_inner_corner() -> None:
    pour = shapely.Polygon([(0, 0), (10, 0), (10, 3), (3, 3), (3, 10), (0, 10)])
    way = rp.Network([pour], []).detour([(0, (2, 9))], [(0, (9, 2))])
    assert way is not None
    assert way.length == pytest.approx(2 * math.hypot(1, 6), abs=1e-6)
    assert way.path[1] == (3.0, 3.0)


def test_two_isolated_pours_have_no_detour() -> None:
    assert rp.Network([LEFT, RIGHT], []).detour([(0, (10, 5))], [(1, (12, 5))]) is None


def test_a_tie_carries_the_detour_and_is_named() -> None:
    """Tie at y 15, trace at y 5: 10 up, 2 across the tie, 10 down."""
    tie = rp.Link((0, 1), ((10.0, 15.0), (12.0, 15.0)), "R40")
    way = rp.Network([LEFT, RIGHT], [tie]).detour([(0, (10, 5))], [(1, (12, 5))])
    assert way is not None
    assert (way.length, way.links) == (pytest.approx(22), ("R40",))


def test_a_plane_on_another_layer_is_reached_through_vias() -> None:
    """Two pours joined by vias at y 15 to a sheet below: the way leads down and up again."""
    below = shapely.box(0, 0, 30, 20)
    links = [rp.Link((0, 2), ((9.0, 15.0),) * 2, "via"), rp.Link((1, 2), ((13.0, 15.0),) * 2, "via")]
    way = rp.Network([LEFT, RIGHT, below], links).detour([(0, (10, 5))], [(1, (12, 5))])
    assert way is not None
    assert way.length == pytest.approx(2 * math.hypot(1, 10) + 4, abs=1e-6)


@given(reach=st.floats(1, 8), more=st.floats(0.1, 5))
def test_a_longer_slot_never_shortens_the_detour(reach: float, more: float) -> None:
    ways = []
    for top in (reach, reach + more):
        board = shapely.box(0, -20, 20, 20) - shapely.box(9.5, -20, 10.5, top)
        way = rp.Network([board], []).detour([(0, (9.5, 0))], [(0, (10.5, 0))])
        assert way is not None
        ways.append(way.length)
    assert ways[0] <= ways[1] + 1e-9


@given(at=st.floats(-18, 18), other=st.floats(-18, 18))
def test_more_stitching_never_lengthens_the_detour(at: float, other: float) -> None:
    sheets = [shapely.box(0, -20, 10, 20), shapely.box(12, -20, 30, 20)]
    links = [rp.Link((0, 1), ((10.0, y), (12.0, y)), "C") for y in (at, other)]
    start, end = [(0, (10.0, 0.0))], [(1, (12.0, 0.0))]
    one, two = rp.Network(sheets, links[:1]).detour(start, end), rp.Network(sheets, links).detour(start, end)
    assert one is not None
    assert two is not None
    assert two.length <= one.length + 1e-9


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 16), st.integers(1, 16), st.integers(1, 5), st.integers(1, 5)), max_size=6))
def test_the_detour_agrees_with_a_fine_grid(blocks: list[tuple[int, int, int, int]]) -> None:
    """A grid of step s with 8 neighbours is never shorter than the truth, and at most 8.24 % and two cells longer."""
    pour = shapely.box(0, 0, 20, 20) - shapely.union_all([shapely.box(x, y, x + w, y + h) for x, y, w, h in blocks])
    parts = [p for p in shapely.get_parts(pour) if p.covers(shapely.Point(0, 0))]
    if not parts or not parts[0].covers(shapely.Point(20, 20)):
        return
    way = rp.Network([parts[0]], []).detour([(0, (0, 0))], [(0, (20, 20))])
    assert way is not None
    grid = _grid_way(parts[0], 0.5)
    assert way.length <= grid + 1e-6
    assert grid <= way.length * 1.0824 + 1.0


def _grid_way(pour: shapely.Polygon, step: float) -> float:
    count = round(20 / step) + 1
    grown = shapely.buffer(pour, 1e-6)
    shapely.prepare(grown)
    graph = nx.Graph()
    for dx, dy in ((1, 0), (0, 1), (1, 1), (1, -1)):
        i, j = (a.ravel() for a in np.meshgrid(np.arange(count), np.arange(count), indexing="ij"))
        keep = (i + dx < count) & (j + dy < count) & (j + dy >= 0)
        i, j = i[keep], j[keep]
        ends = np.stack((np.column_stack((i, j)), np.column_stack((i + dx, j + dy))), axis=1) * step
        inside = shapely.covers(grown, shapely.linestrings(ends))
        graph.add_weighted_edges_from(
            ((a, b), (a + dx, b + dy), step * math.hypot(dx, dy)) for a, b in zip(i[inside], j[inside], strict=True)
        )
    return float(nx.dijkstra_path_length(graph, (0, 0), (count - 1, count - 1)))


def test_the_loop_between_a_trace_and_its_detour_has_the_enclosed_area() -> None:
    """Gap of 1 mm, bridge 15 mm aside: detour 31 mm, area 15 mm2. Own definition, derived by hand."""
    detour = [(0.0, 0.0), (0.0, 15.0), (1.0, 15.0), (1.0, 0.0)]
    assert rp.loop_area([[(0.0, 0.0), (1.0, 0.0)]], detour) == pytest.approx(15)


@pytest.mark.parametrize(
    ("a", "b", "radius", "expected"),
    [(20, 5, 0.1, 36.382), (10, 10, 0.1, 30.649), (5, 20, 0.1, 36.382)],
)
def test_rectangular_loops(a: float, b: float, radius: float, expected: float) -> None:
    """Inductance Calculations (1946), rectangle of round wire, computed in double precision; formula from memory."""
    assert rp.rectangle_inductance(a, b, radius) == pytest.approx(expected, abs=0.001)


def test_a_loop_with_a_rectangles_perimeter_and_area_has_its_inductance() -> None:
    same = rp.rectangle_inductance(20, 5, rp.strip_radius(0.2))
    assert rp.loop_inductance(area=100, length=20, detour=30, width=0.2) == pytest.approx(same)


@pytest.mark.parametrize(
    ("frequency", "area", "current", "microvolt", "decibel"),
    [(50e6, 400, 0.025, 109.67, 40.80), (30e6, 1000, 0.025, 98.70, 39.89), (100e6, 10, 0.005, 2.193, 6.82)],
)
def test_small_loops_radiate(frequency: float, area: float, current: float, microvolt: float, decibel: float) -> None:
    """Electromagnetic Compatibility Engineering (2009), chapter 12, free space (printed constant 131.6e-16)."""
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
    ("distance", "height", "expected"), [(0.5, 0.2, 0.13793), (0.6, 0.2, 0.1), (0.2, 0.2, 0.5), (0.6, 1.0, 0.7353)]
)
def test_coupling_of_parallel_traces(distance: float, height: float, expected: float) -> None:
    """High-Speed Digital Design (1993), chapter 5: the rule that three heights give ten per cent; from memory."""
    assert rp.crosstalk(distance, height) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    ("frequency", "area", "current", "distance"), [(2, 1, 1, 1), (1, 2, 1, 1), (1, 1, 2, 1), (1, 1, 1, 2)]
)
def test_the_field_scales_as_the_formula_says(frequency: float, area: float, current: float, distance: float) -> None:
    """Electromagnetic Compatibility Engineering (2009), chapter 12: f^2 A I / r; +12.04, +6.02, +6.02, -6.02 dB."""
    ratio = rp.loop_field(1e8 * frequency, 10 * area, 0.005 * current, 3 * distance) / rp.loop_field(1e8, 10, 0.005, 3)
    assert ratio == pytest.approx(frequency**2 * area * current / distance)


def test_the_printed_constant_is_that_of_maxwells_equations() -> None:
    """131.6e-16 in the book, mu0 pi / c = 131.686e-16; within 0.07 %."""
    assert rp.loop_field(1.0, 1e6, 1.0, 1.0) == pytest.approx(131.686e-16, rel=1e-5)
    assert rp.loop_field(1.0, 1e6, 1.0, 1.0) == pytest.approx(131.6e-16, rel=7e-4)


def test_two_slots_and_a_corner_are_walked_as_drawn() -> None:
    """From (2, 2) round the corner (10, 10) of a block to a tie at (18, 18) and 2 mm across it to the other pour."""
    pour = shapely.box(0, 0, 20, 20) - shapely.box(10, 0, 20, 10)
    other = shapely.box(22, 0, 40, 40)
    tie = rp.Link((0, 1), ((18.0, 18.0), (22.0, 18.0)), "R1")
    way = rp.Network([pour, other], [tie]).detour([(0, (2, 2))], [(1, (22, 18))])
    assert way is not None
    assert way.length == pytest.approx(math.hypot(16, 16) + 4, abs=1e-6)


@settings(deadline=None)
@given(gap=st.floats(0.2, 5), reach=st.floats(0.5, 60), more=st.floats(0.01, 40), width=st.floats(0.1, 0.5))
def test_a_longer_way_round_a_slot_has_no_less_inductance(gap: float, reach: float, more: float, width: float) -> None:
    """Straight up, across and down: the loop is the rectangle gap x reach, which only grows."""
    loops = [rp.loop_inductance(gap * r, gap, 2 * r + gap, width) for r in (reach, reach + more)]
    assert loops[0] <= loops[1] + 1e-9
