"""Boxes that are asked which others they meet, gaps between boxes, and rows by key."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from rtree.index import Index, Property

from parsers.boxes import sorted_pairs, widened
from parsers.primitives import Floats, Rows

__all__ = ["BoxIndex", "box_gaps", "box_spans", "grouped", "widened"]

FEW = 0.02  # of the boxes: so few are asked of a tree that is kept, more are told by sorting all of them at once
FILL = 0.9  # of a node: the tree is loaded once and never changes
NODE = 16  # entries per node, the fastest of 8 to 128 at 1e5 boxes


class BoxIndex:
    """Boxes x0, y0, x1, y1, shape (n, 4), in mm; which of them meet other boxes.

    Examples
    --------
    >>> import numpy as np
    >>> index = BoxIndex(np.array([[0.0, 0, 1, 1], [5, 5, 6, 6]]))
    >>> [part.tolist() for part in index.meeting(np.array([[0.5, 0.5, 5.0, 5.0], [9, 9, 9, 9]]))]
    [[0, 0], [0, 1]]
    """

    def __init__(self, boxes: Floats) -> None:
        self._boxes = np.ascontiguousarray(boxes, dtype=np.float64).reshape(-1, 4)

    def __len__(self) -> int:
        return len(self._boxes)

    def meeting(self, boxes: Floats) -> tuple[Rows, Rows]:
        """Pairs (asked, found) of positions whose boxes meet, touching included; ordered by asked,
        then found.
        """
        boxes = np.ascontiguousarray(boxes, dtype=np.float64).reshape(-1, 4)
        if len(boxes) >= FEW * len(self):
            return sorted_pairs(boxes, self._boxes)
        found, counts = self._tree.intersection_v(boxes[:, :2], boxes[:, 2:])  # type: ignore[no-untyped-call]
        asked = np.repeat(np.arange(len(boxes)), counts.astype(np.intp))
        order = np.lexsort((found, asked))
        return asked[order].astype(np.intp), found[order].astype(np.intp)

    @cached_property
    def _tree(self) -> Index:
        traits = Property()
        traits.dimension = 2
        traits.leaf_capacity = traits.index_capacity = NODE
        traits.fill_factor = FILL
        traits.near_minimum_overlap_factor = NODE // 2
        entries = np.arange(len(self._boxes)), self._boxes[:, :2], self._boxes[:, 2:]
        return Index(entries, properties=traits)


def box_gaps(a: Floats, b: Floats) -> Floats:
    """Distances of boxes, row by row, 0 where they meet, (n,).

    Parameters
    ----------
    a, b : boxes x0, y0, x1, y1 in mm, (n, 4)

    Returns
    -------
    mm, (n,)
    """
    apart = np.maximum(np.maximum(a[:, :2] - b[:, 2:], b[:, :2] - a[:, 2:]), 0.0)
    gaps: Floats = np.hypot(apart[:, 0], apart[:, 1])
    return gaps


def box_spans(a: Floats, b: Floats) -> Floats:
    """Greatest distances between places of two boxes, row by row, (n,)."""
    across = np.maximum(a[:, 2:] - b[:, :2], b[:, 2:] - a[:, :2])
    spans: Floats = np.hypot(across[:, 0], across[:, 1])
    return spans


def grouped(rows: Rows, keys: npt.NDArray[Any]) -> dict[int, Rows]:
    """Rows by key, in ascending order of keys; `keys` is parallel to `rows`.

    Examples
    --------
    >>> import numpy as np
    >>> {key: rows.tolist() for key, rows in grouped(np.array([7, 8, 9]), np.array([2, 1, 2])).items()}
    {1: [8], 2: [7, 9]}
    """
    if not len(rows):
        return {}
    order = np.argsort(keys, kind="stable")
    found, start = np.unique(keys[order], return_index=True)
    return dict(zip(found.tolist(), np.split(rows[order], start[1:]), strict=True))
