"""Region statements: contours, cut-ins, what is valid and what is doubted.

Rules: The Gerber Layer Format Specification 2023.08, 4.10; older revisions 2013 and 2016 where
said.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.gerber import read_gerber
from parsers.gerber.outlines import fill
from parsers.primitives import Kind
from tests.parsers.gerber.layers import assert_area, copper, image, layer, pieces_and_holes

SQUARE = "X0Y0D02 X10D01 Y10D01 X0D01 Y0D01"


def test_region_is_an_area_and_no_pad() -> None:
    """Each contour of a statement is an object of its own, with the net of the statement."""
    found = image(f"%TO.N,A*% G36 {SQUARE} X20Y0D02 X30D01 Y10D01 X20Y0D01 G37").objects
    assert found.kind.tolist() == [Kind.AREA, Kind.AREA]
    assert found.pad.tolist() == [False, False]
    assert found.net.tolist() == [0, 0]


def test_transforms_do_not_touch_regions() -> None:
    """LM, LR and LS have no effect on regions, the aperture neither (4.10.1)."""
    words = f"%ADD10C,1*% D10 %LMX*% %LR30*% %LS2*% G36 {SQUARE} G37"
    assert copper(image(words)).equals(shapely.box(0, 0, 10, 10))


def test_empty_contours() -> None:
    """Moves without draws, and contours without area, give nothing and are no doubt."""
    assert len(image("G36 X0Y0D02 X1Y1D02 G37").objects) == 0
    assert len(image("G36 X0Y0D02 X1D01 X0D01 G37").objects) == 0
    assert len(image("G36 G37").objects) == 0


def test_repeated_points_are_harmless() -> None:
    """Segments of no length change nothing (2016, 2.6)."""
    words = "G36 X0Y0D02 X0Y0D01 X10D01 X10D01 Y10D01 X0D01 Y0D01 Y0D01 G37"
    assert copper(image(words)).equals(shapely.box(0, 0, 10, 10))


def test_contour_without_a_move_starts_at_the_current_point() -> None:
    """A region may begin with D01 in older files (2016, 4.6.1)."""
    assert_area(copper(image("X0Y0D02 G36 X10D01 Y10D01 X0D01 Y0D01 G37")), 100)


def test_open_contour_is_closed_with_a_doubt() -> None:
    """A contour whose end is missing is closed by a straight line (2013, 7.2)."""
    assert_area(
        copper(image("G36 X0Y0D02 X10D01 Y10D01 X0D01 G37", doubts={"contour that is not closed"})),
        100,
    )


def test_open_contours_among_others() -> None:
    """Closing one contour leaves the others as they are."""
    words = f"G36 X20Y0D02 X30D01 Y10D01 {SQUARE} X40Y0D02 G03 X40Y2I0J1D01 G01 G37"
    shape = copper(image(words, doubts={"contour that is not closed"}))
    assert_area(shape, 50 + 100 + np.pi / 2)


@pytest.mark.parametrize("words", ["%LPC*%", "%TO.N,A*%", "D11", "%SRX2Y1I5J0*%", "%TD*%"])
def test_commands_that_have_no_place_in_a_region(words: str) -> None:
    """A state command inside a region suggests that its end is missing (4.10.1, 5.1)."""
    data = layer(f"%ADD11C,1*% G36 X0Y0D02 X10D01 {words} Y10D01 X0D01 Y0D01 G37")
    assert "command that has no place in a region" in {
        doubt.what for doubt in read_gerber(data, "layer.gbr").doubts
    }


def test_comments_and_quadrant_mode_may_stand_in_a_region() -> None:
    """G04 and G75 stand inside regions in the specification's own examples (4.10.4.6)."""
    image(f"G36 G04 here G75 {SQUARE} G37".replace("G04 here", "G04_here"))


def test_flash_in_a_region() -> None:
    """A flash inside a region is invalid; it is left out with a doubt."""
    words = f"%ADD10C,1*% D10 G36 {SQUARE} X5Y5D03 G37"
    assert len(image(words, doubts={"flash inside a region"}).objects) == 1


CONTOURS = {
    "cut-in to a hole": (
        [
            (0, 0),
            (10, 0),
            (10, 10),
            (0, 10),
            (0, 5),
            (3, 5),
            (3, 7),
            (7, 7),
            (7, 3),
            (3, 3),
            (3, 5),
            (0, 5),
            (0, 0),
        ],
        84,
        (1, 1),
        True,
    ),
    "two holes on one cut-in": (
        [
            *(
                (0, 0),
                (9, 0),
                (9, 9),
                (0, 9),
                (0, 5),
                (1, 5),
                (1, 6),
                (3, 6),
                (3, 5),
                (5, 5),
                (5, 6),
                (7, 6),
                (7, 4),
            ),
            *((5, 4), (5, 5), (3, 5), (3, 4), (1, 4), (1, 5), (0, 5), (0, 0)),
        ],
        81 - 4 - 4,
        (1, 2),
        True,
    ),
    "diagonal cut-in": (
        [
            (0, 0),
            (10, 0),
            (10, 10),
            (0, 10),
            (0, 0),
            (3, 3),
            (3, 7),
            (7, 7),
            (7, 3),
            (3, 3),
            (0, 0),
        ],
        84,
        (1, 1),
        True,
    ),
    "bridge between two": (
        [
            (0, 0),
            (2, 0),
            (2, 1),
            (5, 1),
            (5, 0),
            (7, 0),
            (7, 2),
            (5, 2),
            (5, 1),
            (2, 1),
            (2, 2),
            (0, 2),
            (0, 0),
        ],
        8,
        (2, 0),
        True,
    ),
    "spur": (
        [(0, 0), (10, 0), (10, 5), (15, 5), (10, 5), (10, 10), (0, 10), (0, 0)],
        100,
        (1, 0),
        True,
    ),
    "touching itself in a point": (
        [(0, 0), (4, 0), (4, 4), (2, 2), (0, 4), (0, 0), (-4, 0), (-4, -4), (0, -4), (0, 0)],
        12 + 16,
        None,
        True,
    ),
    "figure of eight": ([(0, 0), (4, 4), (4, 0), (0, 4), (0, 0)], 8, None, False),
    "twice covered part": (
        [
            (0, 0),
            (8, 0),
            (8, 4),
            (2, 4),
            (2, 0),
            (4, 0),
            (4, -2),
            (10, -2),
            (10, 6),
            (0, 6),
            (0, 0),
        ],
        None,
        None,
        False,
    ),
    "overlapping return": (
        [
            *(
                (0, 0),
                (-2, 0),
                (-2, 15),
                (6, 15),
                (6, 0),
                (0, 0),
                (0, 3),
                (3, 3),
                (3, 7),
                (0, 7),
                (0, 10),
                (3, 10),
            ),
            *((3, 13), (0, 13), (0, 0)),
        ],
        None,
        None,
        False,
    ),
}


@pytest.mark.parametrize("name", CONTOURS)
def test_filled_contour(name: str) -> None:
    """Cut-ins make holes without a doubt; a contour whose area is open to dispute is told,
    whichever way it runs.
    """
    corners, area, count, valid = CONTOURS[name]
    for points in (np.array(corners, dtype=float), np.array(corners[::-1], dtype=float)):
        found = fill(points)
        assert found.valid is valid
        if area is not None:
            assert found.shape.area == pytest.approx(area)
        if count is not None:
            assert pieces_and_holes(found.shape) == count


def test_twice_covered_part_counts_once() -> None:
    """Where a contour runs round a part twice in the same direction, the part is filled, not
    emptied.
    """
    twice = [(0, 0), (8, 0), (8, 4), (2, 4), (2, 2), (6, 2), (6, 6), (0, 6), (0, 0)]
    found = fill(np.array(twice, dtype=float))
    assert not found.valid
    assert shapely.is_valid(found.shape)
    assert found.shape.contains(shapely.Point(5, 3))


def test_hopeless_contour_is_bounded() -> None:
    """A contour of thousands of segments that all cross each other is not worked out: its hull is
    taken.
    """
    points = np.random.default_rng(3).uniform(0, 100, (4000, 2))
    found = fill(np.vstack((points, points[:1])))
    assert not found.valid
    assert found.shape.area == pytest.approx(shapely.MultiPoint(points).convex_hull.area)


corner = st.tuples(st.integers(0, 9), st.integers(0, 9))


@given(st.lists(corner, min_size=3, max_size=12))
@settings(deadline=None)
def test_filling_is_by_winding(corners: list[tuple[int, int]]) -> None:
    """The filled shape holds exactly the points round which the contour runs, whatever the
    contour.
    """
    ring = np.array([*corners, corners[0]], dtype=float)
    found = fill(ring).shape
    grid = np.stack(np.meshgrid(np.arange(0, 9) + 0.37, np.arange(0, 9) + 0.41), axis=-1).reshape(
        -1, 2
    )
    line = shapely.LineString(ring)
    for point in grid[::7]:
        if line.distance(shapely.Point(point)) > 1e-3:
            assert found.contains(shapely.Point(point)) == (_winding_by_angle(ring, point) != 0)


def _winding_by_angle(ring: np.ndarray, point: np.ndarray) -> int:
    """Winding number as the sum of the angles that the ring is seen under."""
    angles = np.unwrap(np.arctan2(*(ring - point).T[::-1]))
    return round(float(angles[-1] - angles[0]) / (2 * np.pi))
