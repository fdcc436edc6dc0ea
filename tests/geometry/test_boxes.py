"""The box index: exactly the pairs that meet, in order."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from checker.geometry.boxes import BoxIndex, grouped, widened

CORNERS = hnp.arrays(
    np.int64, st.tuples(st.integers(0, 40), st.just(4)), elements=st.integers(-8, 8)
)


def boxes(corners: np.ndarray) -> np.ndarray:
    low, high = (
        np.minimum(corners[:, :2], corners[:, 2:]),
        np.maximum(corners[:, :2], corners[:, 2:]),
    )
    return np.hstack((low, high)).astype(float)


@given(CORNERS, CORNERS)
def test_it_finds_exactly_the_boxes_that_meet(entries: np.ndarray, asked: np.ndarray) -> None:
    """Touching counts; pairs come in order of the asked box, then of the entry."""
    a, b = boxes(asked), boxes(entries)
    meet = (a[:, None, 0] <= b[None, :, 2]) & (a[:, None, 2] >= b[None, :, 0])
    meet &= (a[:, None, 1] <= b[None, :, 3]) & (a[:, None, 3] >= b[None, :, 1])
    first, second = BoxIndex(b).meeting(a)
    assert np.array_equal(np.column_stack((first, second)), np.argwhere(meet))


def test_many_answers_per_question_are_all_given() -> None:
    """The answer may be far longer than the question."""
    same = np.zeros((300, 4))
    first, second = BoxIndex(same).meeting(same)
    assert len(first) == len(second) == 300 * 300


def test_widening_reaches_every_side() -> None:
    """One reach for all, or one for each."""
    box = np.array([[0.0, 1.0, 2.0, 3.0]])
    assert widened(box, 0.5).tolist() == [[-0.5, 0.5, 2.5, 3.5]]
    assert widened(np.vstack((box, box)), np.array([0.0, 1.0])).tolist() == [
        [0, 1, 2, 3],
        [-1, 0, 3, 4],
    ]


def test_groups_keep_the_order_of_their_rows() -> None:
    """Rows of a key stay in their order; no rows, no groups."""
    rows, keys = np.array([5, 1, 4, 2]), np.array([1, 0, 1, 0])
    assert {k: v.tolist() for k, v in grouped(rows, keys).items()} == {0: [1, 2], 1: [5, 4]}
    assert grouped(rows[:0], keys[:0]) == {}
