"""Many boxes against one large shape: inside it, beside it, or near its edge, told without making shapes of most boxes.

The plane is cut into tiles, and the tiles that the shape's edges touch are marked. A box on unmarked tiles alone meets
no edge: it is wholly inside or wholly outside, as its middle is. Only the others are handed to the geometry library.
"""

from __future__ import annotations

import numpy as np
import shapely

from checker.geometry.corridor import FINE, marked, spans_of, touching
from checker.geometry.edge_index import ring_segments
from parsers.primitives import Bools, Floats, Rows

TILES = 1024  # along the longer side, at most
FEWEST = 200  # boxes; fewer are handed over at once


def inside(shape: shapely.Geometry, boxes: Floats) -> Bools:
    """Which boxes lie in the interior of a prepared shape, touching its edge nowhere, (n,).

    Parameters
    ----------
    boxes : x0, y0, x1, y1 in mm, (n, 4)

    Examples
    --------
    >>> import numpy as np
    >>> boxes = np.array([[1.0, 1, 2, 2], [8, 8, 10, 9], [20, 20, 21, 21]])
    >>> inside(shapely.box(0, 0, 10, 10), boxes).tolist(), meeting(shapely.box(0, 0, 10, 10), boxes).tolist()
    ([True, False, False], [True, True, False])
    """
    answer, open_ = _sorted_out(shape, boxes)
    answer[open_] = shapely.contains_properly(shape, shapely.box(*boxes[open_].T))
    return answer


def meeting(shape: shapely.Geometry, boxes: Floats) -> Bools:
    """Which boxes meet a prepared shape, touching included, (n,)."""
    answer, open_ = _sorted_out(shape, boxes)
    answer[open_] = shapely.intersects(shape, shapely.box(*boxes[open_].T))
    return answer


def inside_and_meeting(shape: shapely.Geometry, boxes: Floats) -> tuple[Bools, Bools]:
    """Both answers of the two above, in one go."""
    inner, open_ = _sorted_out(shape, boxes)
    met = inner.copy()
    polygons = shapely.box(*boxes[open_].T)
    inner[open_] = shapely.contains_properly(shape, polygons)
    met[open_] = shapely.intersects(shape, polygons)
    return inner, met


def _sorted_out(shape: shapely.Geometry, boxes: Floats) -> tuple[Bools, Rows]:
    """Which boxes lie inside for certain, and the rows of those that are near an edge."""
    certain = np.zeros(len(boxes), dtype=np.bool_)
    if len(boxes) < FEWEST or shapely.is_empty(shape):
        return certain, np.arange(len(boxes))
    near = _near_edges(shape, boxes)
    clear = np.flatnonzero(~near)
    middle = (boxes[clear, :2] + boxes[clear, 2:]) / 2
    certain[clear] = shapely.contains_xy(shape, middle)
    return certain, np.flatnonzero(near)


def _near_edges(shape: shapely.Geometry, boxes: Floats) -> Bools:
    """Which boxes share a tile with an edge of the shape."""
    ends = ring_segments(np.array([shape], dtype=object))
    edges = np.hstack((np.minimum(ends[:, :2], ends[:, 2:]), np.maximum(ends[:, :2], ends[:, 2:])))
    every = np.vstack((edges, boxes))
    origin = every[:, :2].min(axis=0)
    extent = every[:, 2:].max(axis=0) - origin
    tiles = min(FINE * int(np.sqrt(len(every))) + FINE, TILES)
    pitch = max(float(extent.max()) / (tiles - 2), 1e-9)
    size = (int(extent[0] / pitch) + 2, int(extent[1] / pitch) + 2)
    taken = marked(spans_of(edges, origin, pitch, size), size)
    near: Bools = touching(spans_of(boxes, origin, pitch, size), taken)
    return near
