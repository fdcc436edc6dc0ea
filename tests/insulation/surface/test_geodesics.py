"""The surface of a board and shortest paths on it, against closed forms and published measuring
figures.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.optimize import minimize

from checker.insulation.surface.geodesics import (
    BOTTOM,
    SOURCE,
    TARGET,
    TOP,
    Copper,
    Geodesic,
    Surface,
    copper,
    exposed,
)

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


def way(
    surface: Surface, a: Copper, b: Copper, hops: Copper | None = None, x: float = 0.0
) -> Geodesic:
    found = surface.shortest(a, b, hops, limit=60.0, x=x)
    assert found is not None
    return found


# Measuring examples of IEC 60664-1 (2007), 6.2, and cases worked from them for slots through the
# board.
def test_square_ended_slot_as_wide_as_x_is_walked_round() -> None:
    """Slot 1.0 wide at X = 1.0, ends 4 from the middle: round the end, over the end's whole
    width.
    """
    found = way(Surface(WIDE_BOARD.difference(SQUARE_SLOT), 1.6, x=1.0), point(-3, 0), point(3, 0))
    assert found.length == pytest.approx(2 * np.hypot(2.5, 4) + 1, abs=EXACT)
    assert [leg.on for leg in found.legs] == ["top"]


def test_slot_narrower_than_x_is_bridged() -> None:
    """Example 1: a groove narrower than X is measured straight across, however deep."""
    found = way(Surface(WIDE_BOARD.difference(NARROW_SLOT), 1.6, x=1.0), point(-3, 0), point(3, 0))
    assert found.length == pytest.approx(6.0, abs=EXACT)


def test_slot_is_not_bridged_when_x_is_reduced_below_its_width() -> None:
    """Required clearance 2.1 gives X = 0.7 where the reduction is turned on: 0.8 is no longer
    narrower.
    """
    found = way(Surface(WIDE_BOARD.difference(NARROW_SLOT), 1.6, x=0.7), point(-3, 0), point(3, 0))
    assert found.length == pytest.approx(2 * np.hypot(2.6, 4) + 0.8, abs=EXACT)


def test_round_ended_slot_is_walked_along_its_curve() -> None:
    """Tool radius 0.5, total length 8: two tangents and the arc between them; not longer than
    that.
    """
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
def test_over_the_board_edge_the_path_is_straight_when_unfolded(
    apart: float, expected: float
) -> None:
    """Top copper 2 mm from the edge, bottom copper 3 mm, board 1.6 thick, also 4 mm apart along the
    edge.
    """
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
def test_floating_copper_on_the_way_costs_nothing(
    gap: float, strip: float, expected: float
) -> None:
    """Example 11: partial distances add up, those below X are zero, the metal's own extent is
    nothing.
    """
    found = way(Surface(None, 1.6), bar(0), bar(6), bar(gap, gap + strip), x=1.0)
    assert found.length == pytest.approx(expected, abs=EXACT)
    assert found.raw == pytest.approx(6 - strip, abs=EXACT)
    assert [leg.on for leg in found.legs] == ["top", "copper", "top"]


def test_a_distance_below_x_counts_as_it_is_with_nothing_in_between() -> None:
    found = way(Surface(None, 1.6), bar(0), bar(0.6), x=1.0)
    assert found.length == pytest.approx(0.6, abs=EXACT)


def test_the_tip_of_a_pointed_notch_is_crossed_on_a_link_of_length_x() -> None:
    """Example 3 laid into the board's plane: notch 3 wide and 2 deep, X = 1.0, between points on
    the edge.
    """
    notch = shapely.Polygon([(-1.5, 0), (0, -2), (1.5, 0)])
    board = shapely.box(-20, -20, 20, 0).difference(notch)
    linked = way(Surface(board, 1.6, x=1.0), point(-2.5, 0), point(2.5, 0))
    assert linked.length == pytest.approx(2 * np.hypot(2, 4 / 3) + 1, abs=CURVED)
    whole = way(Surface(board, 1.6), point(-2.5, 0), point(2.5, 0))
    assert whole.length == pytest.approx(2 * np.hypot(2.5, 2), abs=EXACT)


def test_between_two_slots_there_is_a_way() -> None:
    slots = shapely.union_all([shapely.box(-0.5, -9, 0.5, -1), shapely.box(-0.5, 1, 0.5, 9)])
    found = way(Surface(WIDE_BOARD.difference(slots), 1.6, x=1.0), point(-3, 2), point(3, 2))
    assert found.length == pytest.approx(2 * np.hypot(2.5, 1) + 1, abs=EXACT)


def test_parallel_strokes_find_the_one_gap_between_two_slots() -> None:
    """Every shortest line between them is equally long; only those through the gap are free."""
    slots = shapely.union_all([shapely.box(-0.5, -9, 0.5, -1), shapely.box(-0.5, 1, 0.5, 9)])
    left, right = (copper(shapely.LineString([(x, -8), (x, 8)]), 0.5) for x in (-3, 3))
    assert way(Surface(WIDE_BOARD.difference(slots), 1.6), left, right).length == pytest.approx(
        5.0, abs=EXACT
    )


@pytest.mark.parametrize("angle", [0.0, 30.0, 90.0, 170.0, 180.0])
def test_round_a_hole_to_the_other_face_the_path_is_a_helix(angle: float) -> None:
    """Unrolled, a hole's wall is a strip: straight to the rim, straight over the strip, straight on
    from the rim.

    Pads 2 mm and 1 mm from the hole; all places on the rim that each of them sees are tried.
    """
    radius, height = 1.5, 1.6
    rim = np.linspace(0, np.pi, 3001)
    turn = np.radians(angle)
    # from (3.5, 0) to the rim, where in sight
    near = np.hypot(3.5 - radius * np.cos(rim), radius * np.sin(rim))
    near[np.cos(rim) < radius / 3.5] = np.inf
    far = np.hypot(
        2.5 * np.cos(turn) - radius * np.cos(rim), 2.5 * np.sin(turn) - radius * np.sin(rim)
    )
    far[np.cos(rim - turn) < radius / 2.5] = np.inf
    wall = np.hypot(radius * (rim[:, None] - rim[None]), height)
    closed = float((near[:, None] + wall + far[None]).min())
    surface = Surface(WIDE_BOARD, height, np.array([[0, 0, 0, 0]]), np.array([radius]))
    found = way(surface, point(3.5, 0), point(2.5 * np.cos(turn), 2.5 * np.sin(turn), BOTTOM))
    assert closed - CURVED <= found.length <= closed + 1e-5


def test_inner_copper_in_a_wall_is_reached_over_either_rim() -> None:
    """Open 0.5 mm below the top of a board of 1.6 mm: 0.5 + 2 from the top, 1.1 + 1 from the
    bottom.
    """
    surface = Surface(shapely.box(-20, -20, 0, 20), 1.6)
    bare = exposed(shapely.LineString([(0, -3), (0, 3)]), 0.5, 0.5, island=1)
    for face, x, expected in ((TOP, -2, 2.5), (BOTTOM, -1, 2.1)):
        found = surface.legs(point(x, 0, face), [SOURCE, TARGET], 9.0, bare).best(0, 1)
        assert found is not None
        assert found.length == pytest.approx(expected, abs=EXACT)


def test_copper_in_two_walls_meets_straight_over_the_face_between() -> None:
    """Open 0.5 mm deep 3 mm from a corner of the board, and 0.9 mm deep 4 mm from it on the other
    side.

    With both walls laid into the plane of the face: (0.5, -3) to (-4, 0.9); along the walls it
    would be 7.0114 mm.
    """
    surface = Surface(shapely.box(-20, -20, 0, 0), 3.2)
    lines = [shapely.LineString([(0, -9), (0, -3)]), shapely.LineString([(-9, 0), (-4, 0)])]
    bare = exposed(lines, [0.5, 0.9], [0.5, 0.9], island=[0, 1])
    found = surface.legs(copper([]), [SOURCE, TARGET], 20.0, bare).best(0, 1)
    assert found is not None
    assert found.length == pytest.approx(np.hypot(4.5, 3.9), abs=EXACT)
    assert [leg.on for leg in found.legs] == ["wall", "top", "wall"]


def test_copper_over_the_edge_is_cut_off_and_copper_beside_the_board_drops_out() -> None:
    surface = Surface(shapely.box(-10, -10, 0, 10), 1.6)
    metal = copper(
        [shapely.Point(-3, 0), shapely.Point(0, 5), shapely.Point(4, 0)], 1.0, island=[0, 1, 2]
    )
    placed, rows = surface.placed(metal)
    assert rows.tolist() == [0, 1]
    assert placed.radius.tolist() == [1.0, 0.0]
    half = placed.skeleton[1]
    assert half.bounds[2] == pytest.approx(0.0)
    assert np.pi / 2 <= half.area <= np.pi / 2 + 0.001


def test_nothing_is_found_beyond_the_limit() -> None:
    assert Surface(None, 1.6).shortest(point(0, 0), point(9, 0), limit=8.9) is None


def test_touching_copper_has_no_distance() -> None:
    """A pad within the other side's area, and two that overlap."""
    area = copper(shapely.box(-5, -5, 5, 5))
    for other in (point(1, 1, radius=0.2), copper(shapely.box(4, 4, 9, 9))):
        assert way(Surface(None, 1.6), area, other).length == 0.0


@pytest.mark.parametrize("x", [0.0, 1.0])
@pytest.mark.parametrize("y", [0.0, -3.9, 4.6])
def test_a_plated_wall_of_a_slot_is_open_over_all_its_length(x: float, y: float) -> None:
    """1 mm straight to the wall, also within X of the slot's end, where its rim is cut."""
    surface = Surface(
        shapely.box(-20, -20, 20, 20).difference(shapely.box(-0.4, -5, 0.4, 5)), 1.6, x=x
    )
    plated = exposed(shapely.LineString([(-0.4, -5), (-0.4, 5)]), 0.0, 1.6, island=1)
    found = surface.legs(copper(shapely.Point(-1.4, y)), [SOURCE, TARGET], 9.0, plated).best(
        0, 1, x
    )
    assert found is not None
    assert found.length == pytest.approx(1.0, abs=1e-6)


def test_inner_copper_near_the_bottom_reaches_the_top_round_a_cutout_below() -> None:
    """Down the outer wall, past a corner of the cutout below, up its far wall; by an independent
    search: 14.6227.
    """
    board = shapely.box(-7, -10, 20, 10).difference(shapely.box(-5, -1, 5, 1))
    inner = exposed(shapely.LineString([(-7, -0.05), (-7, 0.05)]), 1.5, 1.55, island=0)
    top = copper(shapely.Point(7, 0), island=1)
    found = Surface(board, 1.6).legs(top, [SOURCE, TARGET], 30.0, inner).best(0, 1)
    assert found is not None
    assert found.length == pytest.approx(14.6227, abs=1e-3)


def test_a_hole_is_cut_out_wherever_it_is() -> None:
    surface = Surface(shapely.box(-10, -10, 10, 0), 1.6, [[3.65, -7.37, 3.65, -7.37]], [0.8])
    assert surface.region.area == pytest.approx(200 - np.pi * 0.64, abs=0.001)


# Copper in walls that leads over a face and a further wall.
def between(
    surface: Surface, bare: list[tuple[shapely.LineString, float, float]], *others: Copper
) -> Geodesic:
    """From the first copper to the last: those in walls are told first."""
    laid = exposed(
        [b[0] for b in bare], [b[1] for b in bare], [b[2] for b in bare], np.arange(len(bare))
    )
    metal = copper(
        [o.skeleton[0] for o in others], face=[o.face[0] for o in others], island=len(bare)
    )
    found = surface.legs(metal, [SOURCE, TARGET], 60.0, laid).best(0, 1)
    assert found is not None
    return found


LONG_SLOT = shapely.box(-0.5, -5, 11, 5).difference(shapely.box(0, -1.2, 10, 0))
LOW_IN_THE_EDGE = shapely.LineString([(-0.5, 0.2), (-0.5, 0.25)]), 1.5, 1.55


def test_copper_in_a_wall_leads_over_the_near_face_and_another_wall() -> None:
    """Down 0.05, over the bottom, up the slot's long wall, over the top: unfolded beside it one
    straight line.

    Seen along the slot it runs from 0.55 before its left end to 0.5 beyond its right one, and
    across it comes 0.2 up to the wall, 1.6 over it and 0.2 from it.
    """
    found = between(Surface(LONG_SLOT, 1.6), [LOW_IN_THE_EDGE], point(10.5, 0.2))
    assert found.length == pytest.approx(np.hypot(0.55 + 10 + 0.5, 0.2 + 1.6 + 0.2), abs=EXACT)
    assert [leg.on for leg in found.legs] == ["wall", "bottom", "wall", "top"]


def test_so_it_does_between_two_walls() -> None:
    """As before, to copper 0.05 below the top in the edge beyond the far end."""
    edge = shapely.LineString([(11, 0.2), (11, 0.25)]), 0.05, 0.1
    found = between(Surface(LONG_SLOT, 1.6), [LOW_IN_THE_EDGE, edge])
    assert found.length == pytest.approx(np.hypot(0.55 + 11 + 0.05, 0.2 + 1.6 + 0.2), abs=EXACT)
    assert [leg.on for leg in found.legs] == ["wall", "bottom", "wall", "top", "wall"]


def test_two_parts_of_a_board_nearer_than_x_are_joined_in_their_walls() -> None:
    parts = shapely.union(shapely.box(0, 0, 5, 5), shapely.box(5.5, 0, 10, 5))
    bare = [
        (shapely.LineString([(x, 1), (x, 2)]), above, above + 0.2)
        for x, above in ((5, 0.2), (5.5, 0.8))
    ]
    assert between(Surface(parts, 1.6, x=0.6), bare).length == pytest.approx(
        np.hypot(0.5, 0.4), abs=EXACT
    )
    laid = exposed([b[0] for b in bare], [0.2, 0.8], [0.4, 1.0], [0, 1])
    assert (
        Surface(parts, 1.6, x=0.4).legs(copper([]), [SOURCE, TARGET], 60.0, laid).best(0, 1) is None
    )


def test_corners_of_a_square_cutout_lead_into_its_walls_on_a_board_with_round_corners() -> None:
    """Copper in the left wall, 0.02 above the bottom, 0.2 from the corner; target far to the right
    on the bottom.
    """
    board = shapely.box(0, 0, 12, 9).buffer(1, quad_segs=64).difference(shapely.box(2, 2, 3, 6))
    low = shapely.LineString([(2, 2.2), (2, 2.25)]), 0.36, 0.38
    found = between(Surface(board, 0.4), [low], point(8, 2.5, BOTTOM))
    assert found.length == pytest.approx(np.hypot(0.2 + 1, 0.02) + np.hypot(5, 0.5), abs=CURVED)


def test_a_plated_edge_round_a_corner_of_the_board_is_as_near_as_its_nearest_place() -> None:
    """From the rim to the depth of 0.3: the nearest place is the corner that sticks into the board,
    3 and 1 away.
    """
    stair = shapely.Polygon([(0, 0), (9, 0), (9, 2), (6, 2), (6, 4), (0, 4)])
    edge = shapely.LineString([(9, 0), (9, 2), (6, 2), (6, 4)]), 0.0, 0.3
    assert between(Surface(stair, 1.6), [edge], point(3, 1)).length == pytest.approx(
        np.hypot(3, 1), abs=EXACT
    )


def test_a_plated_edge_all_round_is_not_taken_for_the_wall_of_a_hole() -> None:
    """Outline plated to 0.1 below the top, copper in the wall of a hole 2 from it, from 0.2 down:
    over the face.
    """
    outline = shapely.box(0, 0, 40, 10)
    ring, wall = (
        shapely.LineString(outline.exterior.coords),
        shapely.LineString([(2, 4.8), (2, 5.2)]),
    )
    surface = Surface(outline.difference(shapely.box(2, 4.5, 3, 5.5)), 0.4)
    laid = exposed([ring, wall], [0.0, 0.2], [0.1, 0.4], [0, 1])
    found = surface.legs(copper([]), [SOURCE, TARGET], 2.5, laid).best(0, 1)
    assert found is not None
    assert found.length == pytest.approx(2 + 0.2, abs=EXACT)


def test_two_plated_edges_are_as_near_as_their_ends_over_the_face() -> None:
    board = shapely.Polygon([(0, 0), (8, 0), (9, 6), (1, 7)])
    bare = [
        (shapely.LineString(ends), 0.0, 0.7) for ends in ([(2, 0), (4, 0)], [(5, 6.5), (7, 6.25)])
    ]
    assert between(Surface(board, 1.6), bare).length == pytest.approx(np.hypot(1, 6.5), abs=EXACT)


def test_copper_beside_a_corner_of_a_cutout_leaves_the_wall_head_on() -> None:
    """Up both sides of a diamond's corner at once, then away from it: in sight of neither wall.

    0.2 down the wall, 1.5 over the bottom to the hole, 1.6 through its wall, and 0.5 over the top:
    all in one line.
    """
    hole = np.array([[0.0, 3.5, 0.0, 3.5]])
    diamond = shapely.Polygon([(0, 1), (-1.5, -0.5), (0, -2), (1.5, -0.5)])
    around = shapely.LineString([(-0.2, 0.8), (0, 1), (0.2, 0.8)])
    surface = Surface(shapely.box(-9, -9, 9, 9).difference(diamond), 1.6, hole, np.array([1.0]))
    found = between(surface, [(around, 1.35, 1.4)], point(0.0, 5.0))
    assert found.length < 0.2 + 1.5 + np.pi + 1.6 + 0.5
    assert found.length == pytest.approx(head_on(), abs=2 * CURVED)


def head_on() -> float:
    """The same by the angle at which the hole is met: from (0, 1) to its rim, over its wall as a
    helix, to (0, 5).
    """

    def way(angles: np.ndarray) -> float:
        below, above = (
            np.array([np.sin(a), 3.5 + side * np.cos(a)])
            for a, side in zip(angles, (-1, 1), strict=True)
        )
        turned = abs(np.pi - angles[0] - angles[1])
        near, far = np.hypot(below[0], below[1] - 1), np.hypot(above[0], above[1] - 5)
        return float(0.2 + near + np.hypot(1.6, turned) + far)

    grid = np.linspace(0, np.pi / 2, 181)
    start = min(((a, b) for a in grid for b in grid), key=lambda ab: way(np.array(ab)))
    return float(
        minimize(
            lambda ab: way(np.array(ab)),
            start,
            method="Nelder-Mead",
            options={"xatol": 1e-9, "fatol": 1e-9},
        ).fun
    )
