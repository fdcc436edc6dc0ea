"""Boxes against a large shape: what the geometry library says of each box, edges and empty boxes included."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from checker.geometry import against

STEPS = st.integers(-6, 6)
BOXES = hnp.arrays(np.int64, st.tuples(st.integers(1, 20), st.just(4)), elements=STEPS)
SHAPES = {
    "frame": shapely.box(-4, -4, 4, 4).difference(shapely.box(-1, -1, 2, 1)),
    "two": shapely.MultiPolygon([shapely.box(-5, -5, -2, 5), shapely.Point(2, 0).buffer(2)]),
    "none": shapely.Polygon(),
}


@pytest.mark.parametrize("name", SHAPES)
@given(BOXES)
def test_the_answer_is_the_librarys(name: str, corners: npt.NDArray[np.int64]) -> None:
    """Boxes inside, beside, on edges, in holes, without width: as if each had been made a polygon."""
    shape = SHAPES[name]
    shapely.prepare(shape)
    low, high = (
        np.minimum(corners[:, :2], corners[:, 2:]),
        np.maximum(corners[:, :2], corners[:, 2:]),
    )
    boxes = np.hstack((low, high)) / 2.0
    polygons = shapely.box(*boxes.T)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(against, "FEWEST", 0)
        assert (
            against.inside(shape, boxes).tolist()
            == shapely.contains_properly(shape, polygons).tolist()
        )
        assert (
            against.meeting(shape, boxes).tolist() == shapely.intersects(shape, polygons).tolist()
        )
        both = against.inside(shape, boxes), against.meeting(shape, boxes)
        assert np.array_equal(both, against.inside_and_meeting(shape, boxes))
