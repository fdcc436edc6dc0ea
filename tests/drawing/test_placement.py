"""Badges: beside their place, inside the frame, never on each other while there is room."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checker.drawing.placement import Badge, Grid, along, place_badges

FRAME = (40.0, 110.0, 1560.0, 1310.0)
HALF = (14.0, 14.0)
PLACES = st.tuples(st.floats(FRAME[0], FRAME[2]), st.floats(FRAME[1], FRAME[3]))


def overlap(a: Badge, b: Badge) -> bool:
    return (
        a.box[0] < b.box[2] and b.box[0] < a.box[2] and a.box[1] < b.box[3] and b.box[1] < a.box[3]
    )


@settings(max_examples=30)
@given(st.lists(PLACES, max_size=25))
def test_badges_keep_off_each_other_and_inside_the_frame(places: list[tuple[float, float]]) -> None:
    badges = place_badges(FRAME, [(place, HALF) for place in places], Grid(FRAME), ())
    assert not [(a, b) for i, a in enumerate(badges) for b in badges[:i] if overlap(a, b)]
    for badge in badges:
        assert FRAME[0] <= badge.box[0]
        assert FRAME[1] <= badge.box[1]
        assert badge.box[2] <= FRAME[2]
        assert badge.box[3] <= FRAME[3]


@pytest.mark.parametrize("count", [20, 60])
def test_many_findings_at_one_place_still_get_badges_apart(count: int) -> None:
    badges = place_badges(FRAME, [((800.0, 700.0), HALF)] * count, Grid(FRAME), ())
    assert not [(a, b) for i, a in enumerate(badges) for b in badges[:i] if overlap(a, b)]


@settings(max_examples=30)
@given(PLACES)
def test_a_badge_keeps_off_what_is_taken(place: tuple[float, float]) -> None:
    taken = (place[0] - 60, place[1] - 10, place[0] + 60, place[1] + 10)
    (badge,) = place_badges(FRAME, [(place, HALF)], Grid(FRAME), [taken])
    x0, y0, x1, y1 = badge.box
    assert not (x0 < taken[2] and taken[0] < x1 and y0 < taken[3] and taken[1] < y1)


def test_a_badge_prefers_board_without_copper() -> None:
    """Copper fills the half plane left of the place; the badge goes right."""
    copper = Grid(FRAME)
    copper.mark_box((FRAME[0], FRAME[1], 800.0, FRAME[3]))
    (badge,) = place_badges(FRAME, [((800.0, 700.0), HALF)], copper, ())
    assert badge.box[0] >= 800.0


def test_points_along_a_leg_are_at_most_a_step_apart() -> None:
    points = along(np.array([[0.0, 0.0], [5.0, 5.0]]), np.array([[10.0, 0.0], [5.0, 5.0]]), 3.0)
    assert points[0].tolist() == [0.0, 0.0]
    assert points[-1].tolist() == [5.0, 5.0]
    first = points[points[:, 1] == 0.0]
    assert first[-1].tolist() == [10.0, 0.0]
    assert np.diff(first[:, 0]).max() <= 3.0


def test_a_grid_tells_the_share_of_a_box_that_is_marked() -> None:
    grid = Grid((0.0, 0.0, 400.0, 400.0))
    grid.mark_box((0.0, 0.0, 199.0, 399.0))
    assert grid.share(np.array([[0.0, 0.0, 399.0, 399.0]]))[0] == pytest.approx(0.5, abs=0.01)
    assert grid.share(np.array([[240.0, 0.0, 300.0, 300.0]]))[0] == 0.0
