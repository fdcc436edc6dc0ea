"""Different rows by one number each: the rows that comparing them finds, in that order."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from checker.geometry.rows import distinct_rows

BIG = st.sampled_from([-(2**40), 0, 2**40])


@pytest.mark.parametrize("elements", [st.integers(-3, 3), BIG], ids=["near", "beyond one number"])
@given(data=st.data())
def test_rows_are_those_of_comparing(elements: st.SearchStrategy[int], data: st.DataObject) -> None:
    """Also where numbers are so far apart that no one number can stand for a row."""
    shape = st.tuples(st.integers(0, 12), st.just(3))
    table: npt.NDArray[np.int64] = data.draw(hnp.arrays(np.int64, shape, elements=elements))
    assert distinct_rows(*table.T).tolist() == np.unique(table, axis=0).tolist()
