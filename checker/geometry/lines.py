"""Lines among what an overlay leaves: an intersection of a line with an area may hold points and
lines at once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from checker.geometry.boxes import widened
from checker.geometry.overlay import intersections
from parsers.primitives import TOUCH, Floats, Rows, Shapes

LINES = (1, 2)  # shapely's type numbers: LineString, LinearRing


def line_parts(shapes: Shapes | Sequence[shapely.Geometry]) -> tuple[Shapes, Rows]:
    """The lines among the parts of shapes, however these are nested, and the positions that they
    come from.

    Points, areas, empty and missing shapes are left out.

    Examples
    --------
    >>> import shapely
    >>> mixed = shapely.from_wkt("GEOMETRYCOLLECTION (POINT (9 9), MULTILINESTRING ((0 0, 1 0), (2 0, 3 0)))")
    >>> [part.tolist() for part in line_parts([shapely.Point(0, 0), mixed])]
    [[<LINESTRING (0 0, 1 0)>, <LINESTRING (2 0, 3 0)>], [1, 1]]
    """
    parts: Shapes = np.asarray(shapes, dtype=object).reshape(-1)
    source = np.arange(len(parts))
    while (nested := shapely.get_type_id(parts) > max(LINES) + 1).any():
        inner, at = shapely.get_parts(parts[nested], return_index=True)
        parts = np.concatenate((parts[~nested], inner))
        source = np.concatenate((source[~nested], source[nested][at]))
    keep = np.isin(shapely.get_type_id(parts), LINES) & (shapely.length(parts) > 0)
    order = np.argsort(source[keep], kind="stable")
    return parts[keep][order], source[keep][order]


def middles(lines: Shapes) -> Shapes:
    """The point halfway along each line.

    Parameters
    ----------
    lines : LineStrings in mm, (n,)

    Returns
    -------
    Points, (n,)
    """
    points: Shapes = shapely.line_interpolate_point(lines, 0.5, normalized=True)
    return points


def places_beside(shapes: Shapes, other: shapely.Geometry) -> Floats:
    """Where shapes touch another one, shape (n, 2), mm.

    Of an area it is the middle of the boundary that both share, so that it moves with the board: of
    equally near points the nearest one of an overlay is any.

    Parameters
    ----------
    shapes : geometries in mm, (n,)
    other : a geometry in mm
    """
    places: Floats = shapely.get_coordinates(shapely.shortest_line(shapes, other))[::2]
    areas = np.flatnonzero(shapely.get_dimensions(shapes) == 2)
    boxes = widened(shapely.bounds(shapes[areas]), 2 * TOUCH)
    grown = shapely.buffer(intersections(shapely.box(*boxes.T), other), TOUCH)
    shared = shapely.intersection(shapely.boundary(shapes[areas]), grown)
    along = shapely.length(shared) > 0
    places[areas[along]] = shapely.get_coordinates(shapely.centroid(shared[along]))
    return places
