"""Overlays of many small shapes with one large one: the large one is cut to tiles first.

An overlay costs as much as the larger shape has vertices; a pour has up to a million, a land
twenty.

So small shapes are gathered by the tile that they lie in, and each tile meets only the part of the
large shape in its window: the result is the same but for vertices on straight edges.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import shapely

from checker.geometry.boxes import grouped, widened
from parsers.primitives import Floats, Rows, Shapes

TILE = 10.0  # mm
LARGE = 2 * TILE  # mm; shapes that extend farther are overlaid as they are
FEW = 8  # shapes, and ...
SMALL = 1000  # ... vertices, below which tiles do not pay
ROOM = 1.0  # mm around the shapes of a tile, so that its own border touches none of them


def intersections(shapes: Shapes, large: shapely.Geometry) -> Shapes:
    """What each shape has in common with the large one, shape (n,).

    Parameters
    ----------
    shapes : Polygons or lines in mm, (n,)
    large : one geometry in mm, of any size
    """
    return _overlaid(shapely.intersection, shapes, large)


def differences(shapes: Shapes, large: shapely.Geometry) -> Shapes:
    """What the large one leaves of each shape, shape (n,).

    Parameters
    ----------
    shapes : Polygons or lines in mm, (n,)
    large : one geometry in mm, of any size
    """
    return _overlaid(shapely.difference, shapes, large)


def _overlaid(operation: Callable[..., Shapes], shapes: Shapes, large: shapely.Geometry) -> Shapes:
    if len(shapes) < FEW or shapely.get_num_coordinates(large) < SMALL:
        return operation(shapes, large)
    boxes = shapely.bounds(shapes)
    wide = ~((boxes[:, 2:] - boxes[:, :2]).max(axis=1) <= LARGE)  # of an empty shape, too
    out: Shapes = np.empty(len(shapes), dtype=object)
    out[wide] = operation(shapes[wide], large)
    for members in _by_tile(boxes, np.flatnonzero(~wide)):
        x0, y0, x1, y1 = widened(boxes[members], ROOM).T
        window = shapely.box(x0.min(), y0.min(), x1.max(), y1.max())
        out[members] = operation(shapes[members], shapely.intersection(large, window))
    return out


def _by_tile(boxes: Floats, rows: Rows) -> Iterable[Rows]:
    """Some boxes by the tile that their middle lies in."""
    tile = np.floor((boxes[rows, :2] + boxes[rows, 2:]) / (2 * TILE)).astype(np.int64)
    key = (tile[:, 0] - tile[:, 0].min(initial=0)) * 1_000_003 + tile[:, 1]
    return grouped(rows, key).values()
