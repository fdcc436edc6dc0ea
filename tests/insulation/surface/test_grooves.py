"""Links over narrow places of voids against closed forms.

References: IEC 60664-1 (2007), 6.2: X is 1.0 mm for pollution degree 2; an insulating link of
length X is placed in the most unfavourable position.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.optimize import minimize, minimize_scalar

from checker.insulation.surface.geodesics import BOTTOM, SOURCE, TARGET, Surface, copper, exposed

# mm; what a link may be told too short, on the safe side: two are the 0.001 mm that is promised
SHORTER = 0.0005

X = 1.0
BOARD = shapely.box(-20, -20, 20, 20)
# half widths: 0.25 in the middle, growing by 0.5 per mm, up to 6 mm away
THROAT, SLOPE, ROOM = (0.25, 0.5, 6.0)


def hourglass() -> shapely.Polygon:
    """A void that tapers from both sides to a throat 0.5 wide at y = 0."""
    wide = THROAT + SLOPE * ROOM
    return shapely.Polygon(
        [(-wide, -ROOM), (-THROAT, 0), (-wide, ROOM), (wide, ROOM), (THROAT, 0), (wide, -ROOM)]
    )


def length(
    void: shapely.Polygon, a: tuple[float, float], b: tuple[float, float], limit: float = 12.0
) -> float:
    surface = Surface(BOARD.difference(void), 1.6, x=X)
    found = surface.shortest(copper(shapely.Point(a)), copper(shapely.Point(b)), limit=limit)
    assert found is not None
    return found.length


def over_walls(a: tuple[float, float], b: tuple[float, float], x: float = X) -> float:
    """The best link of length at most x between both upper walls of the hourglass, by numerical
    search.
    """

    def ends(v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.array([-THROAT - SLOPE * v[0], v[0]]), np.array([THROAT + SLOPE * v[1], v[1]])

    def way(v: np.ndarray) -> float:
        p, q = ends(v)
        return float(np.hypot(*(p - a)) + np.hypot(*(q - p)) + np.hypot(*(q - b)))

    limit = {"type": "ineq", "fun": lambda v: x - np.hypot(*np.subtract(*ends(v)))}
    starts = ([0.1, 0.1], [0.4, 0.1], [0.1, 0.4])
    found = [
        minimize(way, s, bounds=[(0, ROOM)] * 2, constraints=limit, method="SLSQP", tol=1e-12)
        for s in starts
    ]
    return min(float(f.fun) for f in found if f.success)


def test_a_tapered_neck_is_crossed_where_it_is_as_wide_as_x() -> None:
    """Equal heights: the level link, at half width 0.5, that is at y = 0.5."""
    expected = 2 * np.hypot(4.5, 2.5) + X
    assert over_walls((-5, 3), (5, 3)) == pytest.approx(expected, abs=1e-6)
    assert expected - 2 * SHORTER <= length(hourglass(), (-5, 3), (5, 3)) <= expected


@pytest.mark.parametrize(
    ("a", "b"), [((-3, 2), (5, 1)), ((-2, 3), (6, 2.5)), ((-1.5, 1.5), (3, 4)), ((-4, 0.9), (1, 1))]
)
def test_a_slanting_link_is_taken_where_it_is_best(
    a: tuple[float, float], b: tuple[float, float]
) -> None:
    expected = over_walls(a, b)
    assert expected - 2 * SHORTER <= length(hourglass(), a, b) <= expected + 1e-6


def test_a_straight_line_passes_the_neck_where_its_part_in_the_void_is_shorter_than_x() -> None:
    """At y = 0.45 the neck is 0.95 wide: above what a disc of diameter 1 leaves, below a link."""
    assert length(hourglass(), (-5, 0.45), (5, 0.45)) == pytest.approx(10.0, abs=1e-6)


@pytest.mark.parametrize("b", [(1.5, 0.0), (2.5, -0.5)])
def test_links_of_a_pointed_notch_may_slant(b: tuple[float, float]) -> None:
    """Notch 3 wide and 2 deep: a point deep on one side, another on the edge; a link slants from
    wall to wall.
    """
    notch = shapely.Polygon([(-1.5, 0), (0, -2), (1.5, 0)])
    board = shapely.box(-20, -20, 20, 0).difference(notch)
    a = (-2.5, -1.6)

    def ends(v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.array([-0.75 * v[0], v[0] - 2]), np.array([0.75 * v[1], v[1] - 2])

    def way(v: np.ndarray) -> float:
        p, q = ends(v)
        return float(np.hypot(*(p - a)) + np.hypot(*(q - p)) + np.hypot(*(q - b)))

    limit = {"type": "ineq", "fun": lambda v: X - np.hypot(*np.subtract(*ends(v)))}
    expected = min(
        float(
            minimize(way, s, bounds=[(0, 2)] * 2, constraints=limit, method="SLSQP", tol=1e-12).fun
        )
        for s in ([0.5, 0.5], [0.2, 0.8])
    )
    found = Surface(board, 1.6, x=X).shortest(
        copper(shapely.Point(a)), copper(shapely.Point(b)), limit=8.0
    )
    assert found is not None
    assert expected - 2 * SHORTER <= found.length <= expected + 1e-6


@pytest.mark.parametrize("over", [0.0, 0.002])
def test_a_neck_as_wide_as_x_is_no_link(over: float) -> None:
    """IEC 60664-1 (2007), 6.2: as wide as X counts as a groove; between two rooms 4 wide there is a
    channel.
    """
    channel = shapely.box(-0.5 - over, -3, 0.5 + over, 3)
    void = shapely.union_all([channel, shapely.box(-2, 3, 2, 6), shapely.box(-2, -6, 2, -3)])
    assert length(void, (-5, 0), (5, 0), limit=20.0) == pytest.approx(
        2 * np.hypot(3, 6) + 4, abs=1e-6
    )


def test_links_do_not_cut_wide_corners_beside_a_neck() -> None:
    """A slot 0.8 wide runs into a room 4 wide: the room's square corners keep their shape."""
    void = shapely.union_all([shapely.box(-0.4, 0, 0.4, 3), shapely.box(-2, 3, 2, 7)])
    expected = 2 * np.hypot(1, 0.5) + 4
    assert length(void, (-3, 6.5), (3, 6.5)) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("width", "thickness"),
    [
        (0.5, 1.6),
        (0.7, 0.4),
        (0.6, 0.8),
        (0.3, 1.6),
        (0.72, 1.6),
        (0.8, 0.8),
        (0.8, 0.3),
        (0.95, 1.6),
    ],
)
def test_a_link_leads_from_a_rim_down_to_the_far_wall(width: float, thickness: float) -> None:
    """A slot narrower than X across the way from the top to the bottom: the link slants down as far
    as X lets it.
    """
    surface = Surface(BOARD.difference(shapely.box(-width / 2, -15, width / 2, 15)), thickness, x=X)
    found = surface.shortest(
        copper(shapely.Point(-2, 0)), copper(shapely.Point(3, 0), face=BOTTOM), limit=9.0
    )
    down = min(thickness, np.sqrt(X**2 - width**2))
    expected = (2 - width / 2) + np.hypot(width, down) + (thickness - down) + (3 - width / 2)
    assert found is not None
    assert found.length == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("depth", [0.2, 0.6, 1.2])
@pytest.mark.parametrize("width", [0.6, 0.8, 0.95])
def test_a_link_leads_to_inner_copper_in_the_far_wall(width: float, depth: float) -> None:
    surface = Surface(BOARD.difference(shapely.box(-width / 2, -15, width / 2, 15)), 1.6, x=X)
    bare = exposed(
        shapely.LineString([(width / 2, -1), (width / 2, 1)]), depth, depth + 0.035, island=1
    )
    top = copper(shapely.Point(-2, 0))
    found = surface.legs(top, [SOURCE, TARGET], 9.0, bare).best(0, 1, X)
    down = min(depth, np.sqrt(X**2 - width**2))
    assert found is not None
    assert found.length == pytest.approx(
        2 - width / 2 + np.hypot(width, down) + depth - down, abs=1e-6
    )


@pytest.mark.parametrize("y", [14.5, 14.95])
def test_near_the_end_of_a_groove_a_way_over_it_and_down_is_never_longer_than_the_best_link(
    y: float,
) -> None:
    """There a link may come from the end as well: the saving is bounded, not exact."""
    width, down = 0.9, np.sqrt(X**2 - 0.9**2)
    surface = Surface(BOARD.difference(shapely.box(-width / 2, -15, width / 2, 15)), 1.6, x=X)
    found = surface.shortest(
        copper(shapely.Point(-2, y)), copper(shapely.Point(3, y), face=BOTTOM), limit=9.0
    )
    square = 5 - width + X + 1.6 - down
    assert found is not None
    assert square - (2 - np.sqrt(2)) * X / np.sqrt(2) <= found.length <= square + 1e-6


def test_a_groove_as_wide_as_x_saves_nothing() -> None:
    surface = Surface(BOARD.difference(shapely.box(-0.5, -15, 0.5, 15)), 1.6, x=X)
    found = surface.shortest(
        copper(shapely.Point(-2, 0)), copper(shapely.Point(-3, 0), face=BOTTOM), limit=9.0
    )
    assert found is not None
    assert found.length == pytest.approx(1.5 + 1.6 + 2.5, abs=1e-6)


def test_a_short_neck_that_discs_reach_over_from_both_rooms_is_crossed() -> None:
    """Two bores of 3 mm whose middles lie 2.9 apart: the gap between the points of the board is
    0.768 wide.
    """
    gap = 2 * np.sqrt(1.5**2 - 1.45**2)
    assert gap < X
    bores = shapely.union_all(
        [shapely.Point(0, y).buffer(1.5, quad_segs=16) for y in (1.45, -1.45)]
    )
    assert length(bores, (-3, 0), (3, 0), limit=7.0) == pytest.approx(6.0, abs=1e-6)


def test_a_link_may_touch_a_corner_of_the_board_on_its_way() -> None:
    """Shorter than X, between walls at x = 0.4 and x = 1.2; it turns about the corner of the board
    at (0.5, 0).

    Bent there, it would be two chords, and the second one cuts off no more than a corner of the
    upper room.
    """
    points = [
        (0.4, -3),
        (3, -3),
        (3, -1.5),
        (0.5, 0),
        (1.2, 0),
        (1.2, 3),
        (-1, 3),
        (-1, 0.05),
        (0.4, 0.05),
    ]
    a, b = (-0.2, -0.55), (1.6, 0.7)

    def way(slope: float) -> float:
        p, q = np.array([0.4, -0.1 * slope]), np.array([1.2, 0.7 * slope])
        return float(np.hypot(*(p - a)) + np.hypot(*(q - p)) + np.hypot(*(q - b)))

    steepest = np.sqrt(X**2 / 0.8**2 - 1)
    expected = minimize_scalar(
        way, bounds=(0, steepest), method="bounded", options={"xatol": 1e-9}
    ).fun
    assert expected < np.hypot(1.4, 0.55) + np.hypot(0.4, 0.7) - 0.1  # round the corner of the room
    assert expected - 2 * SHORTER <= length(shapely.Polygon(points), a, b) <= expected + 1e-6


@pytest.mark.parametrize("floor", [0.0, 0.5, 0.7, 0.9, 0.999])
def test_a_flat_bottomed_notch_is_cut_where_it_is_as_wide_as_x(floor: float) -> None:
    """Walls 55 degrees apart; a disc of diameter X reaches floors wider than 0.6 mm.

    IEC 60664-1 (2007), 6.2, example 3, with a blunt tip: the link of length X lies in the most
    unfavourable position.
    """
    slope, depth = 0.525, 2.0
    mouth = floor / 2 + slope * depth
    notch = shapely.Polygon([(-mouth, 0), (-floor / 2, -depth), (floor / 2, -depth), (mouth, 0)])
    surface = Surface(shapely.box(-20, -20, 20, 0).difference(notch), 1.6, x=X)
    a, b = (-mouth - 0.5, 0.0), (mouth + 0.5, 0.0)
    found = surface.shortest(copper(shapely.Point(a)), copper(shapely.Point(b)), limit=12.0)
    level = -depth + (X - floor) / 2 / slope
    expected = 2 * np.hypot(b[0] - X / 2, level) + X
    assert found is not None
    assert expected - 2 * SHORTER <= found.length <= expected + 1e-6


@pytest.mark.parametrize("slope", [0.525, 1.0, 2.0])
def test_a_notch_whose_floor_is_as_wide_as_x_is_followed(slope: float) -> None:
    """IEC 60664-1 (2007), 6.2, example 2: round both corners of a floor of 1.001 mm."""
    floor, depth = 1.001, 2.0
    mouth = floor / 2 + slope * depth
    notch = shapely.Polygon([(-mouth, 0), (-floor / 2, -depth), (floor / 2, -depth), (mouth, 0)])
    a, b = (-mouth - 0.5, 0.0), (mouth + 0.5, 0.0)
    expected = 2 * np.hypot(b[0] - floor / 2, depth) + floor
    assert over_notch(notch, a, b) == pytest.approx(expected, abs=2 * SHORTER)


def over_notch(notch: shapely.Polygon, a: tuple[float, float], b: tuple[float, float]) -> float:
    """Creepage over a notch in the upper edge of a board."""
    surface = Surface(shapely.box(-20, -20, 20, 0).difference(notch), 1.6, x=X)
    found = surface.shortest(copper(shapely.Point(a)), copper(shapely.Point(b)), limit=40.0)
    assert found is not None
    return found.length


@pytest.mark.parametrize("floor", [0.0, 0.6, 0.9])
@pytest.mark.parametrize("angle", [15.0, 30.0, 79.0, 81.0, 90.0, 120.0, 150.0])
def test_a_notch_is_cut_where_it_is_as_wide_as_x_at_any_angle(angle: float, floor: float) -> None:
    """IEC 60664-1 (2007), 6.2, example 3, which names no angle, with a sharp or a blunt tip.

    90 degrees without floor, 3 mm deep: the link lies 0.5 mm above the tip, 2 hypot(3, 2.5) + 1 =
    8.810 mm.
    """
    slope, depth = np.tan(np.radians(angle / 2)), 3.0
    mouth = floor / 2 + slope * depth
    if mouth < 0.6:  # narrower than X all over
        mouth, depth = 0.8, (0.8 - floor / 2) / slope
    notch = shapely.Polygon(
        [(-mouth, 0), (-floor / 2, -depth), (floor / 2, -depth), (mouth, 0)]
    ).buffer(0)
    a, b = (-mouth - 0.5, 0.0), (mouth + 0.5, 0.0)
    expected = 2 * np.hypot(b[0] - X / 2, -depth + (X - floor) / 2 / slope) + X
    assert expected - 3 * SHORTER <= over_notch(notch, a, b) <= expected + 2e-5


@pytest.mark.parametrize("corners", [3, 4, 5, 7])
@pytest.mark.parametrize("angle", [50.0, 90.0, 120.0])
def test_over_a_bottom_of_many_corners_nothing_is_told_longer_than_over_the_link(
    angle: float, corners: int
) -> None:
    """The bottom lies below the level where both walls are 0.9 mm apart: the link of length X lies
    above it.
    """
    slope, depth = np.tan(np.radians(angle / 2)), 3.0
    turned = np.linspace(-1, 1, corners)
    bottom = [(0.45 * t, -depth - 0.3 * (1 - t * t)) for t in turned]
    mouth = 0.45 + slope * depth
    a, b = (-mouth - 0.5, 0.0), (mouth + 0.5, 0.0)
    expected = 2 * np.hypot(b[0] - X / 2, -depth + 0.05 / slope) + X
    found = over_notch(shapely.Polygon([(-mouth, 0), *bottom, (mouth, 0)]), a, b)
    assert expected - 0.15 <= found <= expected + 2e-5


def over_two_links(
    a: np.ndarray, b: np.ndarray, tip: float, level: float, pole: tuple[float, float]
) -> float:
    """The best way from a by p on the left wedge to u, along the end of the peninsula to v, and by
    q on the right.
    """

    def points(t: np.ndarray) -> list[np.ndarray]:
        slope = 1.2 / (5 - tip)
        p, q = (
            np.array([side * (tip + t[n]), level - slope * t[n]]) for side, n in ((-1, 0), (1, 3))
        )
        return [a, p, np.array([t[1], 0.0]), np.array([t[2], 0.0]), q, b]

    def legs(t: np.ndarray) -> np.ndarray:
        return np.hypot(*np.diff(points(t), axis=0).T)

    held = [
        {"type": "ineq", "fun": lambda t: X - legs(t)[1]},
        {"type": "ineq", "fun": lambda t: X - legs(t)[3]},
        {"type": "ineq", "fun": lambda t: t[2] - t[1]},
    ]
    starts = [
        np.array([p, u, v, q])
        for p in (0.01, 0.3)
        for q in (0.01, 0.3)
        for u, v in (pole, np.array(pole) / 2)
    ]
    bounds = [(0, 3), pole, pole, (0, 3)]
    found = [
        minimize(
            lambda t: legs(t).sum(),
            start,
            bounds=bounds,
            constraints=held,
            method="SLSQP",
            tol=1e-13,
        )
        for start in starts
    ]
    return min(float(f.fun) for f in found if all(c["fun"](f.x) > -1e-8 for c in held))


@pytest.mark.parametrize(
    ("a", "b", "tip", "level", "middle"),
    [
        (
            (-1.175, 0.2894),
            (0.9953, 0.3805),
            0.712,
            0.345,
            -0.146,
        ),  # reflected at one place, held by no length
        ((-1.0023, 0.2415), (1.1451, 0.3394), 0.666, 0.308, -0.198),
    ],
)
def test_a_path_over_two_links_may_land_on_a_flat_tip_between_them(
    a: tuple[float, float], b: tuple[float, float], tip: float, level: float, middle: float
) -> None:
    """Two tips of the board at x = -tip and tip, the end of a peninsula 0.8 mm wide at y = 0, wide
    rooms all round.
    """
    wedge = shapely.Polygon([(-5, level + 1.2), (-tip, level), (-5, level - 1.2)])
    other = shapely.Polygon([(5, level + 1.2), (tip, level), (5, level - 1.2)])
    pole = shapely.box(middle - 0.4, -5, middle + 0.4, 0)
    void = shapely.box(-4, -4, 4, 4).difference(shapely.union_all([wedge, other, pole]))
    expected = over_two_links(np.array(a), np.array(b), tip, level, (middle - 0.4, middle + 0.4))
    assert expected - 3 * SHORTER <= length(void, a, b) <= expected + 1e-6
