"""Lines among what an overlay leaves: an intersection of a line with an area may hold points and lines at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from parsers.primitives import Rows, Shapes

LINES = (1, 2)  # shapely's type numbers: LineString, LinearRing


def line_parts(shapes: Shapes | Sequence[shapely.Geometry]) -> tuple[Shapes, Rows]:
    """The lines among the parts of shapes, however these are nested, and the positions that they come from.

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
    """The point halfway along each line."""
    points: Shapes = shapely.line_interpolate_point(lines, 0.5, normalized=True)
    return points
