"""Different rows of tables of whole numbers, told by one number a row: far sooner than by comparing rows."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.int64]
MOST = 2**62  # different rows that one number can stand for


def distinct_rows(*columns: npt.NDArray[np.integer]) -> Numbers:
    """The different rows of columns of whole numbers, shape (m, columns), ascending.

    Examples
    --------
    >>> import numpy as np
    >>> distinct_rows(np.array([2, -1, 2]), np.array([5, 7, 5])).tolist()
    [[-1, 7], [2, 5]]
    """
    if not len(columns[0]):
        return np.empty((0, len(columns)), dtype=np.int64)
    lows = [int(column.min()) for column in columns]
    spans = [int(column.max()) - low + 1 for column, low in zip(columns, lows, strict=True)]
    if math.prod(spans) >= MOST:
        return np.unique(np.column_stack(columns), axis=0).astype(np.int64)
    key = np.zeros(len(columns[0]), dtype=np.int64)
    for column, low, span in zip(columns, lows, spans, strict=True):
        key = key * span + (column - low)
    key = np.unique(key)
    rows = np.empty((len(key), len(columns)), dtype=np.int64)
    for place in reversed(range(len(columns))):
        key, rest = np.divmod(key, spans[place])
        rows[:, place] = rest + lows[place]
    return rows
