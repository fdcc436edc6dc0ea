"""A sheet of copper cut into triangles, so that ways inside it are found by walking from edge to
edge.

Idea: a constrained Delaunay triangulation of the sheet; each triangle has three half-edges,
counter-clockwise, and each half-edge knows its twin in the triangle beyond. What can be seen from a
place is then a walk through the triangles that the view crosses, with no test against the rest of
the sheet. A way may bend only at vertices whose copper spans more than a half turn. Where two holes
touch at a point, the copper on either side has a vertex of its own there: no way leads through a
point. Literature, from memory: half-edge structures (computational geometry, any textbook).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from checker.findings import XY
from parsers.primitives import Bools, Floats, Rows

NEAR = 1e-6  # mm; a place this near to a triangle lies in it
STRAIGHT = 1e-9  # rad; a corner must span this much more than a half turn to bend a way


@dataclass(frozen=True, slots=True)
class Mesh:
    """Triangles of one sheet; half-edge h is edge h % 3 of triangle h // 3. Lists, since they are
    read one by one.

    Attributes
    ----------
    places : vertices, mm
    bends : whether a way may bend at each vertex
    start, end : vertices at which each half-edge begins and ends
    twin : the half-edge on the other side; -1 at the rim of the sheet
    """

    places: list[XY]
    bends: list[bool]
    start: list[int]
    end: list[int]
    twin: list[int]
    tree: shapely.STRtree

    def triangles_at(self, at: XY) -> list[int]:
        """Triangles that a place lies in: several on an edge or a vertex, the nearest where it
        grazes the sheet.
        """
        point = shapely.Point(at)
        found = self.tree.query(point, predicate="dwithin", distance=NEAR)
        if not len(found):
            found = self.tree.query_nearest(point)
        return sorted(found.tolist())


def triangulated(sheet: shapely.Polygon) -> Mesh:
    """The mesh of a polygon, holes included.

    Examples
    --------
    >>> mesh = triangulated(shapely.Polygon([(0, 0), (4, 0), (4, 1), (1, 1), (1, 4), (0, 4)]))
    >>> len(mesh.start) // 3, [at for at, bends in zip(mesh.places, mesh.bends) if bends]
    (4, [(1.0, 1.0)])
    """
    parts = shapely.get_parts(shapely.constrained_delaunay_triangles(sheet))
    parts = shapely.orient_polygons(parts)
    xy = shapely.get_coordinates(parts).reshape(-1, 4, 2)[:, :3]
    places, spot = np.unique(xy.reshape(-1, 2), axis=0, return_inverse=True)
    twin = _twins(spot.reshape(-1), len(places))
    start, first = _fans(twin)
    return Mesh(
        [(x, y) for x, y in xy.reshape(-1, 2)[first].tolist()],
        _bends(xy, start, len(first)).tolist(),
        start.tolist(),
        start.reshape(-1, 3)[:, [1, 2, 0]].reshape(-1).tolist(),
        twin.tolist(),
        shapely.STRtree(parts),
    )


def _fans(twin: Rows) -> tuple[Rows, Rows]:
    """Vertex of each half-edge, and a half-edge of each: those that edges join around one place are
    one vertex.
    """
    edges = np.arange(len(twin))
    inner = edges[twin >= 0]
    back = twin[inner]
    turned = np.where(back % 3 == 2, back - 2, back + 1)  # begins where `inner` begins
    joined = coo_array(
        (np.ones(len(inner), np.int8), (inner, turned)), shape=(len(twin), len(twin))
    )
    start: Rows = connected_components(joined, directed=False)[1].astype(np.int64)
    return start, np.unique(start, return_index=True)[1]


def _twins(start: Rows, count: int) -> Rows:
    """The half-edge that runs the other way, -1 where there is none."""
    end = start.reshape(-1, 3)[:, [1, 2, 0]].reshape(-1)
    there, back = start * count + end, end * count + start
    order = np.argsort(there, kind="stable")
    at = np.minimum(np.searchsorted(there[order], back), len(order) - 1)
    return np.where(there[order][at] == back, order[at], -1)


def _bends(xy: Floats, start: Rows, count: int) -> Bools:
    """Whether the triangles around each vertex span more than a half turn."""
    after, before = np.roll(xy, -1, axis=1) - xy, np.roll(xy, 1, axis=1) - xy
    cross = after[..., 0] * before[..., 1] - after[..., 1] * before[..., 0]
    angle = np.arctan2(np.abs(cross), (after * before).sum(axis=-1))
    spanned: Bools = np.bincount(start, angle.reshape(-1), count) > np.pi + STRAIGHT
    return spanned
