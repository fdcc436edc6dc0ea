"""Boxes that meet: by sorting, by the tree that is asked where sorting proposes too much, and what is refused."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

import parsers.boxes
from parsers.boxes import CrowdedError, meeting, meeting_each_other

Floats = npt.NDArray[np.float64]
CORNERS = hnp.arrays(
    np.int64, st.tuples(st.integers(0, 25), st.just(4)), elements=st.integers(-8, 8)
)
WAYS = {"sorting": 24, "tree": -1_000_000}  # DENSE: proposals beyond it are asked of a tree


def boxes(corners: npt.NDArray[np.int64]) -> Floats:
    low, high = (
        np.minimum(corners[:, :2], corners[:, 2:]),
        np.maximum(corners[:, :2], corners[:, 2:]),
    )
    return np.hstack((low, high)) / 7


def found(pairs: object) -> list[tuple[int, int]]:
    return sorted(
        (i, j) for one, other in pairs for i, j in zip(one.tolist(), other.tolist(), strict=True)
    )  # type: ignore[attr-defined]


def meeting_by_definition(a: Floats, b: Floats) -> list[tuple[int, int]]:
    apart = (a[:, None, :2] > b[None, :, 2:]) | (b[None, :, :2] > a[:, None, 2:])
    return [(i, j) for i, j in np.argwhere(~apart.any(axis=2)).tolist()]


@pytest.mark.parametrize("way", WAYS)
@given(CORNERS, CORNERS)
def test_each_pair_is_told_once(
    way: str, asked: npt.NDArray[np.int64], entries: npt.NDArray[np.int64]
) -> None:
    """Exactly the pairs that meet, touching included, whatever way they are looked for and however they are cut."""
    a, b = boxes(asked), boxes(entries)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parsers.boxes, "DENSE", WAYS[way])
        patch.setattr(parsers.boxes, "PORTION", 3)
        assert found(meeting(a, b)) == meeting_by_definition(a, b)
        assert found(meeting_each_other(a)) == [
            (i, j) for i, j in meeting_by_definition(a, a) if i < j
        ]


def test_one_box_over_many_small_ones() -> None:
    """A pour over a row of pads far apart, and coordinates far from the origin."""
    x = 1e4 + np.arange(500) * 3.0
    pads = np.column_stack((x, np.zeros(500), x + 1, np.ones(500)))
    pour = np.array([[x[0], -5.0, x[-1], 5.0]])
    assert found(meeting(pads, pour)) == [(i, 0) for i in range(500)]


def test_a_heap_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """More pairs than can be looked at are not begun; the error holds how dense the heap is."""
    monkeypatch.setattr(parsers.boxes, "PORTION", 100)
    with pytest.raises(CrowdedError) as caught:
        list(meeting_each_other(np.zeros((200, 4)), most=10_000))
    assert caught.value.density == 200
