"""Nearest points of a shape's edges against shapely's own distance, one by one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from checker.geometry.edge_index import EdgeIndex

RING = shapely.Polygon(
    [(0, 0), (20, 0), (20, 20), (0, 20)],
    [[(4, 4), (9, 5), (7, 12)], [(12, 12), (12, 18), (18, 18), (18, 12)]],
)
TWO = shapely.MultiPolygon([RING, shapely.box(25, 3, 31, 9)])


@given(
    st.lists(st.tuples(st.floats(-5, 35), st.floats(-5, 25)), min_size=1, max_size=20),
    st.booleans(),
)
def test_distances_are_those_of_the_whole_shape(
    places: list[tuple[float, float]], solid: bool
) -> None:
    feet, away = EdgeIndex(TWO, solid=solid).nearest(np.array(places))
    whole = TWO if solid else shapely.boundary(TWO)
    for place, foot, distance in zip(places, feet, away, strict=True):
        assert distance == pytest.approx(shapely.distance(whole, shapely.Point(place)), abs=1e-9)
        assert shapely.distance(whole, shapely.Point(foot)) < 1e-9
        assert np.hypot(*(foot - place)) == pytest.approx(distance, abs=1e-12)
