"""What may lie on a way between two sides, told from bounding boxes alone and in linear time.

A large board has a million conductors, and a few thousand of them near the gap between two regions.
This coarse sieve comes before every search by geometry: it may let through too much, never too
little.

Literature, from memory: uniform grids as a broad phase; summed-area tables; connected components
of an image.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from parsers.primitives import Bools, Floats, Ints

CELLS = 2048  # of the grid, at most, along the board's longer side
# as many times the square root of the number of boxes do: a finer grid costs more than it sieves
# out
FINE = 4


def corridor(
    first: Floats, second: Floats, third: Floats, reach: float, node: Ints | None = None
) -> tuple[Bools, Bools, Bools]:
    """Which boxes may be part of a way from the first to the second, directly or over boxes of the
    third.

    Parameters
    ----------
    first, second, third : boxes in mm, (n, 4), (m, 4), (k, 4)
    reach : no step of a way is longer, seen from above, mm
    node : (k,) third boxes of one number are one conductor, wherever they lie; None if each is its
        own

    Returns
    -------
    one mask for each

    Notes
    -----
    Boxes mark the cells of a grid whose pitch is the reach or more, so whatever is within reach
    lies in the same or in adjacent cells. Third boxes count where a connected patch of their cells,
    or several that conductors join, is within reach of both sides.
    """
    parts = (first, second, third)
    if not len(first) or not len(second) or reach <= 0:
        return np.zeros(len(first), bool), np.zeros(len(second), bool), np.zeros(len(third), bool)
    spans, size = _on_a_grid(parts, reach)
    one, two, over = (marked(span, size) for span in spans)
    near_one, near_two = (_with_neighbours(cells) for cells in (one, two))
    nodes = np.arange(len(third), dtype=np.int32) if node is None else node
    bridging = _of_both(over, near_one, near_two, spans[2], nodes)
    around = _with_neighbours(bridging)
    return (
        touching(spans[0], near_two | around),
        touching(spans[1], near_one | around),
        touching(spans[2], bridging),
    )


def _on_a_grid(parts: Sequence[Floats], reach: float) -> tuple[list[Ints], tuple[int, int]]:
    """Cells of each box on a grid that holds them all, and the size of the grid."""
    spread = np.vstack(parts)
    origin = spread[:, :2].min(axis=0)
    extent = spread[:, 2:].max(axis=0) - origin
    cells = min(FINE * math.isqrt(len(spread)) + FINE, CELLS)
    pitch = max(reach, float(extent.max()) / (cells - 2))
    size = (int(extent[0] / pitch) + 2, int(extent[1] / pitch) + 2)
    return [spans_of(part, origin, pitch, size) for part in parts], size


def spans_of(boxes: Floats, origin: Floats, pitch: float, size: tuple[int, int]) -> Ints:
    """First and last cell of each box along both axes: (n, 4) of x0, y0, x1, y1.

    Parameters
    ----------
    boxes : x0, y0, x1, y1 in mm, (n, 4)
    origin : lower left corner of the grid, mm, (2,)
    pitch : side of a cell, mm
    size : cells along x and y
    """
    cells = np.floor((boxes - np.tile(origin, 2)) / pitch).astype(np.int32)
    last = np.array([*size, *size]) - 1
    spans: Ints = np.clip(cells, 0, last).astype(np.int32)
    return spans


def marked(spans: Ints, size: tuple[int, int]) -> Bools:
    """The cells that any box touches: corners of all boxes, summed up along both axes.

    Parameters
    ----------
    spans : cells of each box, (n, 4)
    size : cells along x and y

    Returns
    -------
    mask of the grid, of shape `size`
    """
    width, height = size[0] + 1, size[1] + 1
    x0, y0, x1, y1 = spans.astype(np.intp).T
    corners = np.concatenate(
        (x0 * height + y0, (x1 + 1) * height + y1 + 1, x0 * height + y1 + 1, (x1 + 1) * height + y0)
    )
    sign = np.repeat([1.0, 1.0, -1.0, -1.0], len(spans))
    steps = np.bincount(corners, sign, width * height).reshape(width, height)
    marked: Bools = steps.cumsum(axis=0).cumsum(axis=1)[:-1, :-1] > 0.5
    return marked


def _with_neighbours(cells: Bools) -> Bools:
    """Marked cells and the eight around each."""
    wide = cells.copy()
    wide[1:] |= cells[:-1]
    wide[:-1] |= cells[1:]
    both: Bools = wide.copy()
    both[:, 1:] |= wide[:, :-1]
    both[:, :-1] |= wide[:, 1:]
    return both


def touching(spans: Ints, cells: Bools) -> Bools:
    """Which boxes touch any of some cells.

    Parameters
    ----------
    spans : cells of each box, (n, 4)
    cells : mask of the grid

    Returns
    -------
    mask of the boxes, (n,)
    """
    total = np.zeros((cells.shape[0] + 1, cells.shape[1] + 1), dtype=np.int64)
    total[1:, 1:] = cells.cumsum(axis=0, dtype=np.int64).cumsum(axis=1)
    x0, y0, x1, y1 = spans.astype(np.intp).T
    inside = total[x1 + 1, y1 + 1] - total[x0, y1 + 1] - total[x1 + 1, y0] + total[x0, y0]
    touching: Bools = inside > 0
    return touching


def _patches(over: Bools) -> tuple[Ints, int]:
    """Numbers of connected patches of cells, diagonals included, from 1; 0 outside; how many.

    `scipy.ndimage` takes longer to load than this takes.
    """
    cell = np.zeros(over.shape, dtype=np.int32)
    cell[over] = np.arange(1, np.count_nonzero(over) + 1)
    sides = (
        (cell[1:], cell[:-1]),
        (cell[:, 1:], cell[:, :-1]),
        (cell[1:, 1:], cell[:-1, :-1]),
        (cell[1:, :-1], cell[:-1, 1:]),
    )
    first, second = (
        np.concatenate([pair[side][(pair[0] > 0) & (pair[1] > 0)] for pair in sides])
        for side in (0, 1)
    )
    size = np.count_nonzero(over) + 1
    graph = coo_array((np.ones(len(first), dtype=bool), (first, second)), shape=(size, size))
    count, label = connected_components(graph, directed=False)
    return label[cell].astype(np.int32), int(count) - 1


def _of_both(over: Bools, one: Bools, two: Bools, spans: Ints, node: Ints) -> Bools:
    """Cells of the connected patches that, with those that conductors join them to, meet both of
    two others.
    """
    patch, count = _patches(over)
    number, conductor = patch[spans[:, 0], spans[:, 1]], np.unique(node, return_inverse=True)[1]
    size = count + 1 + len(node)
    joins = coo_array((np.ones(len(node)), (number, count + 1 + conductor)), shape=(size, size))
    group = connected_components(joins, directed=False)[1][: count + 1]
    group[0] = -1  # no patch
    joined = group[patch]
    met = [np.bincount(joined[over & side], minlength=size) > 0 for side in (one, two)]
    both: Bools = (met[0] & met[1])[joined] & over
    return both
