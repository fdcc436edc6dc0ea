"""Shortest lines between straight pieces, directly and through two windows."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from checker.geometry.segments import (
    along,
    closest,
    nearest_part,
    parallel,
    through_windows,
    touching_lines,
)

law = settings(max_examples=200, deadline=None)
places = st.floats(-5, 5).map(lambda v: round(v, 3))
pieces = st.tuples(places, places, places, places)


def rows(*piece: tuple[float, ...]) -> np.ndarray:
    return np.array(piece, dtype=float)


@law
@given(a=pieces, b=pieces)
def test_closest_agrees_with_shapely(a: tuple[float, ...], b: tuple[float, ...]) -> None:
    length, part_a, part_b = closest(rows(a), rows(b))
    lines = shapely.linestrings(rows(a, b).reshape(2, 2, 2))
    assert length[0] == pytest.approx(shapely.distance(*lines), abs=1e-9)
    ends = np.concatenate((along(rows(a), part_a), along(rows(b), part_b)))
    assert np.hypot(*(ends[0] - ends[1])) == pytest.approx(length[0], abs=1e-9)


def test_pieces_in_one_line_are_as_far_apart_as_their_ends() -> None:
    """On a slanting line only rounding tells where the lines cross: places of one decimal."""
    rng = np.random.default_rng(7)
    start, way = rng.integers(0, 20, (20_000, 2)), rng.integers(1, 8, (20_000, 2))
    steps = np.cumsum(rng.integers(1, 6, (20_000, 4)), axis=1)
    spots = np.round((start[:, None] + way[:, None] * steps[..., None]) * 0.1, 1)
    a, b = spots[:, :2].reshape(-1, 4), spots[:, 2:].reshape(-1, 4)
    gap = np.hypot(*(spots[:, 2] - spots[:, 1]).T)
    assert closest(a, b)[0] == pytest.approx(gap, abs=1e-9)
    # one that reaches back to the middle of the other lies on it
    assert closest(a, np.hstack(((a[:, :2] + a[:, 2:]) / 2, b[:, 2:])))[0] == pytest.approx(
        0, abs=1e-9
    )


@law
@given(a=pieces, part=st.floats(0, 1), lean=st.sampled_from((0, 1e-15, 1e-12, 1e-9, 1e-6)))
def test_pieces_that_nearly_run_along_each_other_still_cross(
    a: tuple[float, ...], part: float, lean: float
) -> None:
    """One turned by next to nothing about a place on the other is no distance from it."""
    one = rows(a)
    at, run = along(one, np.array([part])), one[:, 2:4] - one[:, 0:2]
    turned = run + lean * run[:, ::-1] * (-1, 1)
    assert closest(one, np.hstack((at - turned, at + turned)))[0][0] == pytest.approx(0, abs=1e-9)


def test_parallel_pieces_touch_at_both_ends_of_the_stretch_where_they_face_each_other() -> None:
    a, b = rows((0, 0, 4, 0)), rows((1, 2, 9, 2))
    assert parallel(a, b)[0]
    assert not parallel(a, rows((1, 2, 9, 3)))[0]
    assert not parallel(a, rows((1, 2, 1, 2)))[0]
    lengths, parts, _ = touching_lines(a, b)
    shortest = np.flatnonzero(lengths[0] <= 2 + 1e-9)
    assert sorted(parts[0, shortest] * 4) == [1.0, 4.0]


def test_nearest_part_of_a_point_is_its_start() -> None:
    assert nearest_part(rows((1, 1, 1, 1)), np.array([[5.0, 5.0]])).tolist() == [0.0]


def sampled(a: np.ndarray, first: np.ndarray, second: np.ndarray, b: np.ndarray) -> float:
    """Best of many crossing points: never below the true minimum, above it by less than half a step
    per window.
    """
    parts = np.linspace(0, 1, 201)
    out, into = along(np.repeat(first, 201, 0), parts), along(np.repeat(second, 201, 0), parts)
    near = shapely.distance(shapely.LineString(a.reshape(2, 2)), shapely.points(out))
    far = shapely.distance(shapely.LineString(b.reshape(2, 2)), shapely.points(into))
    across = np.hypot(*np.moveaxis(out[:, None] - into[None], -1, 0))
    return float((near[:, None] + across + far[None]).min())


@law
@given(
    a=st.tuples(places, st.floats(0, 3), places, st.floats(0, 3)),
    b=st.tuples(places, st.floats(0, 3), places, st.floats(0, 3)),
    first=st.tuples(places, st.floats(0.01, 4)),
    second=st.tuples(places, st.floats(0.01, 4)),
    height=st.floats(0.1, 3),
)
def test_through_windows_is_the_shortest_way(
    a: tuple[float, ...],
    b: tuple[float, ...],
    first: tuple[float, ...],
    second: tuple[float, ...],
    height: float,
) -> None:
    """Piece a above the upper window, piece b below the lower: no sampled way is shorter, and it is
    a way itself.
    """
    upper = rows((first[0], 0, first[0] + first[1], 0))
    lower = rows((second[0], -height, second[0] + second[1], -height))
    above, below = rows(a), rows((b[0], -height - b[1], b[2], -height - b[3]))
    way = through_windows(above, upper, lower, below)
    points = [
        along(above, way.start),
        along(upper, way.first),
        along(lower, way.second),
        along(below, way.end),
    ]
    walked = sum(np.hypot(*(q - p)[0]) for p, q in pairwise(points))
    best = sampled(above, upper, lower, below)
    assert walked == pytest.approx(way.length[0], abs=1e-7)
    assert way.length[0] <= best + 1e-9
    assert way.length[0] >= best - (first[1] + second[1]) / 200


def test_a_straight_way_through_both_windows_is_a_straight_line() -> None:
    way = through_windows(
        rows((0, 2, 0, 2)), rows((0, 0, 5, 0)), rows((0, -1, 5, -1)), rows((4, -3, 4, -3))
    )
    assert way.length[0] == pytest.approx(np.hypot(4, 5))
    assert (way.first[0] * 5, way.second[0] * 5) == (pytest.approx(1.6), pytest.approx(2.4))


def test_a_way_that_misses_a_window_bends_at_its_end() -> None:
    way = through_windows(
        rows((0, 2, 0, 2)), rows((3, 0, 5, 0)), rows((-5, -1, 5, -1)), rows((0, -3, 0, -3))
    )
    assert way.length[0] == pytest.approx(np.hypot(3, 2) + np.hypot(3, 3))
    assert way.first[0] == 0.0
