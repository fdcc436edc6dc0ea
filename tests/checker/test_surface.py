"""The surface of a board and shortest paths on it, against closed forms and published measuring figures."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from checker.surface import BOTTOM, TOP, Copper, Geodesic, Surface, copper

EXACT = 1e-9
CURVED = 0.001  # mm; what the product promises where a rim is curved
SQUARE_SLOT = shapely.box(-0.5, -4, 0.5, 4)
NARROW_SLOT = shapely.box(-0.4, -4, 0.4, 4)
WIDE_BOARD = shapely.box(-50, -50, 50, 50)


def point(x: float, y: float, face: int = TOP, radius: float = 0.0) -> Copper:
    return copper(shapely.Point(x, y), radius, face)


def bar(x0: float, x1: float | None = None) -> Copper:
    """Copper across the picture, between two abscissae, or a mere line."""
    return copper(shapely.box(x0, -5, x1, 5) if x1 else shapely.LineString([(x0, -5), (x0, 5)]))


def way(surface: Surface, a: Copper, b: Copper, hops: Copper | None = None, x: float = 0.0) -> Geodesic:
    found = surface.shortest(a, b, hops, limit=60.0, x=x)
    assert found is not None
    return found


# Measuring examples of IEC 60664-1 (2007), 6.2, and cases worked from them for slots through the board.
def test_square_ended_slot_as_wide_as_x_is_walked_round() -> None:
    """Slot 1.0 wide at X = 1.0, ends 4 from the middle: round the end, over the end's whole width."""
    found = way(Surface(WIDE_BOARD.difference(SQUARE_SLOT), 1.6, x=1.0), point(-3, 0), point(3, 0))
    assert found.length == pytest.approx(2 * np.hypot(2.5, 4) + 1, abs=EXACT)
    assert [leg.on for leg in found.legs] == ["top"]


def test_slot_narrower_than_x_is_bridged() -> None:
    """Example 1: a groove narrower than X is measured straight across, however deep."""
    found = way(Surface(WIDE_BOARD.difference(NARROW_SLOT), 1.6, x=1.0), point(-3, 0), point(3, 0))
    assert found.length == pytest.approx(6.0, abs=EXACT)


def test_slot_is_not_bridged_when_x_is_reduced_below_its_width() -> None:
    """Required clearance 2.1 gives X = 0.7 where the reduction is turned on: 0.8 is no longer narrower."""
    found = way(Surface(WIDE_BOARD.difference(NARROW_SLOT), 1.6, x=0.7), point(-3, 0), point(3, 0))
    assert found.length == pytest.approx(2 * np.hypot(2.6, 4) + 0.8, abs=EXACT)


def test_round_ended_slot_is_walked_along_its_curve() -> None:
    """Tool radius 0.5, total length 8: two tangents and the arc between them; not longer than that."""
    surface = Surface(WIDE_BOARD, 1.6, np.array([[0, -3.5, 0, 3.5]]), np.array([0.5]), x=1.0)
    distance = np.hypot(3, 3.5)
    tangent = np.sqrt(distance**2 - 0.25)
    turned = np.pi - np.arctan2(3, 3.5) - np.arccos(0.5 / distance)
    assert tangent == pytest.approx(4.5826, abs=1e-4)
    assert np.degrees(turned) == pytest.approx(55.6256, abs=1e-4)
    expected = 2 * tangent + 2 * 0.5 * turned
    found = way(surface, point(-3, 0), point(3, 0))
    assert expected - CURVED <= found.length <= expected


def test_unequal_ways_round_a_slot_take_the_shorter_one_from_round_pads() -> None:
    """Pads of radius 1 at (-5, -1) and (5, 2): by the upper end 10.6512, by the lower 11.9083."""
    surface = Surface(WIDE_BOARD.difference(SQUARE_SLOT), 1.6, x=1.0)
    found = way(surface, point(-5, -1, radius=1), point(5, 2, radius=1))
    upper = np.hypot(4.5, 5) + 1 + np.hypot(4.5, 2) - 2
    assert upper == pytest.approx(10.6512, abs=1e-4)
    assert found.length == pytest.approx(upper, abs=EXACT)


@pytest.mark.parametrize(("apart", "expected"), [(0.0, 6.6), (4.0, float(np.hypot(6.6, 4)))])
def test_over_the_board_edge_the_path_is_straight_when_unfolded(apart: float, expected: float) -> None:
    """Top copper 2 mm from the edge, bottom copper 3 mm, board 1.6 thick, also 4 mm apart along the edge."""
    surface = Surface(shapely.box(-50, -50, 0, 50), 1.6)
    found = way(surface, point(-2, 0), point(-3, apart, BOTTOM))
    assert found.length == pytest.approx(expected, abs=EXACT)
    assert [leg.on for leg in found.legs] == ["top", "wall", "bottom"]
    assert sum(leg.length for leg in found.legs) == pytest.approx(expected, abs=EXACT)


@pytest.mark.parametrize(
    ("gap", "strip", "expected"),
    [(1.5, 2.0, 4.0), (0.5, 2.0, 3.5), (1.0, 2.0, 4.0)],
    ids=["both gaps count", "one gap below X", "a gap of X counts"],
)
def test_floating_copper_on_the_way_costs_nothing(gap: float, strip: float, expected: float) -> None:
    """Example 11: partial distances add up, those below X are zero, the metal's own extent is nothing."""
    found = way(Surface(None, 1.6), bar(0), bar(6), bar(gap, gap + strip), x=1.0)
    assert found.length == pytest.approx(expected, abs=EXACT)
    assert found.raw == pytest.approx(6 - strip, abs=EXACT)
    assert [leg.on for leg in found.legs] == ["top", "copper", "top"]


def test_a_distance_below_x_counts_as_it_is_with_nothing_in_between() -> None:
    found = way(Surface(None, 1.6), bar(0), bar(0.6), x=1.0)
    assert found.length == pytest.approx(0.6, abs=EXACT)
