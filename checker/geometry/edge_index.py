"""The straight edges of a large shape, indexed: which point of them is nearest to many places.

A boundary of many vertices is asked from many places: its edges go into a tree of boxes once, and
each place then looks at the few edges whose boxes may be nearest. Literature, from memory: R-trees.
"""

from __future__ import annotations

import numpy as np
import shapely

from parsers.primitives import Bools, Floats, Rows, Shapes


class EdgeIndex:
    """All edges of the rings of a shape, each found by its box.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
    solid : whether places inside the shape lie on it; else only its edges count

    Examples
    --------
    >>> square = shapely.box(0, 0, 10, 10)
    >>> feet, away = EdgeIndex(square, solid=True).nearest(np.array([[12.0, 5.0], [5.0, 9.0]]))
    >>> feet.tolist(), away.tolist()
    ([[10.0, 5.0], [5.0, 9.0]], [2.0, 0.0])
    >>> EdgeIndex(square, solid=False).nearest(np.array([[5.0, 9.0]]))[1].tolist()
    [1.0]
    """

    def __init__(self, shape: shapely.Geometry, *, solid: bool) -> None:
        self.shape = shape if solid else None
        self.edges = ring_segments(np.array([shape], dtype=object))
        self.tree = shapely.STRtree(shapely.linestrings(self.edges.reshape(-1, 2, 2)))
        if solid:
            shapely.prepare(shape)

    def nearest(self, places: Floats) -> tuple[Floats, Floats]:
        """The nearest point of the shape to each place, shape (n, 2), and its distance in mm,
        (n,).
        """
        places, again = _once(places)
        feet, ask = places.copy(), np.arange(len(places))
        if self.shape is not None:
            inside: Bools = shapely.intersects_xy(self.shape, places[:, 0], places[:, 1])
            ask = np.flatnonzero(~inside)
        asked, found = self.tree.query_nearest(shapely.points(places[ask]), all_matches=False)
        feet[ask[asked]] = _feet(places[ask[asked]], self.edges[found])
        away: Floats = np.hypot(*(feet - places).T)
        return feet[again], away[again]


def _once(places: Floats) -> tuple[Floats, Rows]:
    """The different ones of some places, shape (k, 2), and which of them each is, (n,)."""
    keys, again = np.unique(places[:, 0] + 1j * places[:, 1], return_inverse=True)
    return np.column_stack((keys.real, keys.imag)), again


def ring_segments(shapes: Shapes) -> Floats:
    """Straight pieces of polygons' boundaries, x0, y0, x1, y1, shape (k, 4).

    Parameters
    ----------
    shapes : Polygons in mm, (n,)
    """
    return owned_segments(shapes)[0]


def owned_segments(shapes: Shapes) -> tuple[Floats, Rows]:
    """Straight pieces of polygons' boundaries in order of the polygons, (k, 4), and the polygon of
    each, (k,).

    Parameters
    ----------
    shapes : Polygons in mm, (n,)
    """
    parts, shape_of = shapely.get_parts(shapes, return_index=True)
    rings, part_of = shapely.get_rings(parts, return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    if not len(points):
        return np.empty((0, 4)), np.empty(0, dtype=np.intp)
    follows = ring[1:] == ring[:-1]
    segments: Floats = np.hstack((points[:-1][follows], points[1:][follows]))
    return segments, shape_of[part_of[ring[1:][follows]]]


def _feet(places: Floats, edges: Floats) -> Floats:
    """The point of each edge that is nearest to its place."""
    along = edges[:, 2:] - edges[:, :2]
    length = np.maximum((along**2).sum(axis=1), 1e-300)
    part = np.clip(((places - edges[:, :2]) * along).sum(axis=1) / length, 0.0, 1.0)
    feet: Floats = edges[:, :2] + part[:, None] * along
    return feet
