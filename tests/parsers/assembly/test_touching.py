"""Straight copper measured as numbers: what the geometry library says of the same segments."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from parsers.assembly.touching import within

SEGMENTS = hnp.arrays(np.int64, (8, 4), elements=st.integers(-3, 3) | st.integers(-6000, 6000)).map(
    lambda um: um / 500
)


@given(SEGMENTS, SEGMENTS, st.integers(1, 8000))
def test_within_is_what_the_library_says(
    a: npt.NDArray[np.float64], b: npt.NDArray[np.float64], limit: float
) -> None:
    """Points, parallels, crossings: the same answer for every pair that is not left to the library."""
    limits = np.full(len(a), limit / 1000)
    near, verge = within(a, b, limits)
    one, other = (shapely.linestrings(ends.reshape(-1, 2, 2)) for ends in (a, b))
    told = np.delete(np.arange(len(a)), verge)
    assert near[told].tolist() == (shapely.distance(one, other) <= limits)[told].tolist()


def test_a_gap_of_just_the_limit_is_left_to_the_library() -> None:
    """On the verge neither way is sure of the last digit."""
    a, b = np.array([[0.0, 0, 1, 0]] * 2), np.array([[0.5, 0.3, 0.5, 2], [0.5, 0.31, 0.5, 2]])
    assert within(a, b, np.full(2, 0.3))[1].tolist() == [0]
