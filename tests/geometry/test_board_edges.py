"""Rims of a board, what narrow voids are bridged, and what stays in sight."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from checker.geometry.board_edges import (
    Sight,
    bridged,
    corners_of,
    filled_behind,
    has_curves,
    inscribed_slots,
    leans_of,
    rims_of,
    widened,
)

STRAY = 0.0002  # mm; how far chords of an arc may lie from it

BOARD = shapely.box(-20, -20, 20, 20)
ROUNDING = 1e-6
law = settings(max_examples=40, deadline=None)


def crossed(void: shapely.Geometry, x: float, y: float = 0.0, at: float = 0.0) -> bool:
    """Whether a line along the given ordinate stays on the board once narrow voids are bridged."""
    sight = Sight(bridged(BOARD.difference(void), x).passable)
    return bool(sight.clear(np.array([[at - 8, y]]), np.array([[at + 8, y]]))[0])


@pytest.mark.parametrize(
    ("width", "x", "passable"),
    [
        (0.8, 1.0, True),
        (1.0, 1.0, False),
        (1.2, 1.0, False),
        (0.8, 0.7, False),
        (0.24, 0.25, True),
        (1.49, 1.5, True),
    ],
)
def test_slots_narrower_than_x_are_bridged(width: float, x: float, passable: bool) -> None:
    """IEC 60664-1 (2007), 6.2: a groove as wide as X counts as a groove."""
    square, routed = shapely.box(-width / 2, -4, width / 2, 4), np.array([[0, -4, 0, 4]])
    round_ = inscribed_slots(routed, np.array([width / 2]))[0]
    assert crossed(square, x) == passable
    assert crossed(round_, x) == passable


def test_a_narrow_arm_of_a_wide_void_is_bridged_and_the_rest_is_not() -> None:
    keyhole = shapely.union_all([shapely.box(-2, -2, 2, 2), shapely.box(-0.3, 2, 0.3, 8)])
    assert crossed(keyhole, 1.0, y=5)
    assert not crossed(keyhole, 1.0, y=0)


def test_a_neck_between_two_wide_rooms_is_bridged() -> None:
    rooms = shapely.union_all(
        [shapely.box(-2, -8, 2, -2), shapely.box(-0.4, -2, 0.4, 2), shapely.box(-2, 2, 2, 8)]
    )
    assert crossed(rooms, 1.0)
    assert not crossed(rooms, 1.0, y=5)
    assert not crossed(rooms, 0.7)


@pytest.mark.parametrize(("width", "passable"), [(0.8, True), (1.2, False)])
def test_notches_of_the_outline_are_bridged_alike(width: float, passable: bool) -> None:
    assert crossed(shapely.box(-width / 2, 0, width / 2, 21), 1.0, y=10) == passable


def test_wide_corners_of_a_wide_void_keep_their_shape() -> None:
    """A disc does not reach into a square corner; that bridges nothing."""
    region = BOARD.difference(shapely.box(-0.5, -4, 0.5, 4))
    assert bridged(region, 1.0).passable.symmetric_difference(region).area == pytest.approx(
        0, abs=ROUNDING
    )


def test_the_tip_of_a_pointed_notch_is_cut_by_a_link_of_length_x() -> None:
    """IEC 60664-1 (2007), 6.2, example 3, laid into the board's plane: sides x = 0.75 (y + 2), so 1
    mm wide at -4/3.
    """
    notch = shapely.Polygon([(-1.5, 0), (0, -2), (1.5, 0)])
    filled = bridged(shapely.box(-20, -20, 20, 0).difference(notch), 1.0).passable
    left = notch.difference(filled)
    assert left.bounds[1] == pytest.approx(-4 / 3, abs=0.003)
    assert shapely.box(-0.49, -20, 0.49, -4 / 3).difference(filled).area == pytest.approx(
        0, abs=0.001
    )


@pytest.mark.parametrize("angle", [5.0, 20.0, 79.0, 81.0, 90.0, 120.0, 160.0])
def test_the_tip_of_a_notch_is_cut_at_any_angle(angle: float) -> None:
    """IEC 60664-1 (2007), 6.2, example 3 names no angle: 1 mm wide at 0.5 / tan(angle / 2) from the
    tip.
    """
    slope = np.tan(np.radians(angle / 2))
    deep = min(3.0, 15 / slope) if slope > 0.1 else 0.75 / slope
    notch = shapely.Polygon([(-slope * deep, 0), (0, -deep), (slope * deep, 0)])
    region = shapely.box(-20, -20, 20, 0).difference(notch)
    tip = shapely.Polygon(
        [(-0.499, 0.499 / slope - deep), (0, -deep), (0.499, 0.499 / slope - deep)]
    )
    filled = bridged(region, 1.0).passable
    assert tip.difference(filled).area == pytest.approx(0, abs=0.001)
    assert not filled.contains(shapely.Point(0, 0.6 / slope - deep))


BOTTOMS = {
    "an upright groove": [(-1, 0), (-1, -2), (1, -2), (1, 0)],
    "an upright groove somewhat askew": [(-1.01, 0), (-1, -2), (1, -2), (1.02, 0)],
    "a trough": [(-3, 0), (-1, -2), (1, -2), (3, 0)],
    "a shallow trough": [(-9, 0), (-0.5, -2), (0.5, -2), (9, 0)],
    "a groove with corners cut off": [
        (-2, 0),
        (-2, -2),
        (-1.7, -2.3),
        (1.7, -2.3),
        (2, -2),
        (2, 0),
    ],
}


@pytest.mark.parametrize("name", BOTTOMS)
def test_corners_of_a_bottom_at_least_as_wide_as_x_are_not_cut(name: str) -> None:
    """IEC 60664-1 (2007), 6.2, example 2: the contour of a wide groove is followed, its corners
    included.
    """
    region = shapely.box(-20, -20, 20, 0).difference(shapely.Polygon(BOTTOMS[name]))
    assert bridged(region, 1.0).passable.symmetric_difference(region).area == pytest.approx(
        0, abs=ROUNDING
    )


TIPS = {
    "a pointed end of a slot": [(-2, 0), (-2, -2), (0, -4), (2, -2), (2, 0)],
    "a wall that bends a little": [(-3.1, 0), (-2, -1), (0, -3), (3, 0)],
    "an undercut bottom": [(-1, 0), (-3, -3), (3, -3), (1, 0)],
}


@pytest.mark.parametrize("name", TIPS)
def test_a_tip_beside_a_blunter_corner_or_an_undercut_one_is_cut(name: str) -> None:
    """A wall between a tip and a bend that is blunter is no bottom: opposite walls come within X at
    the tip.
    """
    ring = TIPS[name]
    lowest = min(ring, key=lambda p: (p[1], p[0]))
    region = shapely.box(-20, -20, 20, 0).difference(shapely.Polygon(ring))
    inside = shapely.Point(lowest).buffer(0.2).difference(region)
    assert bridged(region, 1.0).passable.intersection(inside).area == pytest.approx(
        inside.area, rel=0.01
    )


@law
@given(
    x=st.floats(-5, 5),
    length=st.floats(0, 8),
    radius=st.floats(0.2, 3),
    angle=st.floats(0, 3.14),
    seed=st.integers(0, 99),
)
def test_slots_are_drawn_inside_by_no_more_than_the_tolerance(
    x: float, length: float, radius: float, angle: float, seed: int
) -> None:
    end = (x + length * np.cos(angle), length * np.sin(angle))
    drawn = inscribed_slots(np.array([[x, 0, *end]]), np.array([radius]))[0]
    skeleton = shapely.LineString([(x, 0), end]) if length > 1e-9 else shapely.Point(x, 0)
    ring = shapely.get_coordinates(shapely.segmentize(drawn.exterior, 0.05))
    off = radius - shapely.distance(skeleton, shapely.points(ring))
    assert off.min() >= -1e-9
    assert off.max() <= 1.001e-4  # mm; a tenth of what is promised


def test_rims_run_round_every_void_with_the_board_on_their_left() -> None:
    region = BOARD.difference(shapely.box(-1, -1, 1, 1))
    rims = rims_of(region)
    middle = (rims.ends[:, :2] + rims.ends[:, 2:]) / 2
    run = rims.ends[:, 2:] - rims.ends[:, :2]
    left = middle + 0.1 * np.column_stack((-run[:, 1], run[:, 0])) / rims.length[:, None]
    assert shapely.contains_xy(region, left).all()
    assert sorted(rims.perimeter.tolist()) == [8.0, 160.0]
    assert rims.at(1, 8.0 + 0.5) == rims.at(1, 0.5)
    assert len(corners_of(region)) == 4
    assert not has_curves(region)
    assert not rims.slack.any()


def test_a_stretch_of_rim_goes_by_the_corners_between() -> None:
    rims = rims_of(shapely.box(0, 0, 4, 2))
    points = rims.between(0, 1.0, 7.0)
    assert shapely.LineString(points).length == pytest.approx(6.0)
    assert rims.between(0, 7.0, 1.0) == points[::-1]
    assert shapely.LineString(rims.between(0, -1.0, 1.0)).length == pytest.approx(2.0)


def test_curved_outlines_have_slack() -> None:
    rounded = shapely.box(0, 0, 10, 10).buffer(2, quad_segs=64)
    assert has_curves(rounded)
    assert rims_of(rounded).slack.max() > 0


def test_only_curves_are_widened_and_by_as_much_as_their_chords_may_stray() -> None:
    """Corners of straight rims stay; arcs of radius 2 drawn inside and outside their circle lie
    within.
    """
    square, arch = (
        shapely.box(4, 4, 6, 6),
        shapely.box(2, 7, 3, 8).union(shapely.Point(2.5, 8).buffer(0.5, quad_segs=8)),
    )
    drawn = (
        shapely.box(2, 2, 10, 10)
        .buffer(2, quad_segs=64)
        .difference(shapely.union_all([square, arch]))
    )
    wide = widened(drawn)
    assert wide.covers(drawn)
    assert drawn.boundary.hausdorff_distance(wide.boundary) == pytest.approx(STRAY, rel=0.01)
    at = corners_of(wide).at
    assert {(4.0, 4.0), (6.0, 4.0), (6.0, 6.0), (4.0, 6.0)} <= {
        (x, y) for x, y in at.round(9).tolist()
    }
    rims = rims_of(drawn)
    curved = shapely.linestrings(
        rims.ends[(rims.slack > 0) & (rims.length < 0.2)].reshape(-1, 2, 2)
    )
    middle = shapely.line_interpolate_point(curved, 0.5, normalized=True)
    assert shapely.distance(middle, wide.boundary).min() >= STRAY * 0.999
    assert widened(shapely.box(0, 0, 4, 2)).equals_exact(shapely.box(0, 0, 4, 2))


def test_sight_runs_along_rims_and_through_corners_but_not_through_voids() -> None:
    sight = Sight(BOARD.difference(shapely.box(-1, -1, 1, 1)))
    lines = {
        ((-5, 1), (5, 1)): True,  # along a side
        ((-2, 0), (0, 2)): True,  # past a corner
        ((-1, 1), (1, -1)): False,  # from corner to corner, inside
        ((-5, 0.999), (5, 0.999)): False,
        (
            (0, 21),
            (5, 21),
        ): True,  # beside the board: nothing crosses; copper there is cut off before
        ((0, 15), (0, 25)): False,  # over the outline
    }
    starts, ends = (np.array([line[k] for line in lines], dtype=float) for k in (0, 1))
    assert sight.clear(starts, ends).tolist() == list(lines.values())


def test_rims_of_bridged_voids_are_open_from_behind_and_those_of_curved_outlines_are_not() -> None:
    board = shapely.box(0, 0, 20, 20).buffer(2, quad_segs=64)
    region = board.difference(
        shapely.union_all([shapely.box(5, 5, 5.5, 9), shapely.box(12, 5, 14, 9)])
    )
    widened = region.buffer(STRAY, join_style="mitre")
    rims = rims_of(region)
    behind = filled_behind(rims, bridged(widened, 1.0).passable)
    middle = (rims.ends[:, 0] + rims.ends[:, 2]) / 2
    assert (
        behind.tolist()
        == ((middle >= 5) & (middle <= 5.5) & (rims.length <= 4) & (rims.loop > 0)).tolist()
    )


def test_leans_are_the_bends_of_the_other_side() -> None:
    """A square void and a square board: right angles, seen from the void or from the board."""
    rims = rims_of(BOARD.difference(shapely.box(-1, -1, 1, 1)))
    before, after = leans_of(rims)
    outline = rims.loop == 0
    assert np.allclose(before, np.where(outline, np.pi / 2, 0))
    assert np.allclose(after, np.where(outline, np.pi / 2, 0))
    assert np.allclose(rims.bend_before, np.where(outline, 0, np.pi / 2))


@pytest.mark.parametrize("radius", [0.2, 0.5, 0.725, 0.8, 1.7, 2.0])
def test_holes_are_valid_wherever_they_are(radius: float) -> None:
    """Both arcs of a hole end where the other begins, to the last digit or not: that depends on
    place and size.
    """
    at = np.array([(x / 100, y / 7) for x in range(-300, 300, 7) for y in range(-3, 4)])
    shapes = inscribed_slots(np.hstack((at, at)), np.full(len(at), radius))
    assert shapely.is_valid(shapes).all()
    assert shapely.area(shapes) == pytest.approx(np.pi * radius**2, rel=1e-3)


@pytest.mark.parametrize("width", [0.9996, 0.9998])
def test_a_slot_that_is_hardly_narrower_than_x_is_bridged(width: float) -> None:
    assert crossed(shapely.box(-width / 2, -4, width / 2, 4), 1.0)
    assert crossed(inscribed_slots(np.array([[0, -4, 0, 4]]), np.array([width / 2]))[0], 1.0)
