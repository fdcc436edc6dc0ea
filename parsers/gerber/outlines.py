"""Closed outlines: contours filled by their winding, circles and regular polygons.

The Gerber Layer Format Specification 2023.08, 4.10.3: a valid contour is simple, or has cut-ins,
pairs of fully coincident segments run in opposite direction. In a valid contour every point is run
round once or not at all, so filling by non-zero winding gives the right area; for an invalid one it
is the largest of the possible readings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely

from parsers.primitives import Bools, Floats, Shapes, stadiums

# of a contour's segment with others, on average; itself and its neighbours make three
MAX_MEETINGS = 40
MAX_MEETINGS_IN_ALL = 20_000
MAX_TESTS = 200_000_000  # of faces against segments
EXACT = 1e-9  # relative; area and length of a valid contour agree with its filled shape to rounding


@dataclass(frozen=True, slots=True)
class Filled:
    """The filled shape of a contour, and whether the contour was valid (its area in no doubt)."""

    shape: shapely.Geometry  # Polygon or MultiPolygon, maybe empty
    valid: bool


@dataclass(frozen=True, slots=True)
class Round:
    """How round parts become polygons: inscribed or circumscribed, and how many mm the unit of
    length has.
    """

    inside: bool = False
    unit: float = 1.0

    def circle(self, x: float, y: float, radius: float) -> shapely.Geometry:
        """Give a circle as a polygon; empty for radius 0."""
        if radius <= 0:
            return shapely.Polygon()
        ends, size = np.array([[x, y, x, y]]) * self.unit, np.array([radius]) * self.unit
        shape = stadiums(ends, size, inside=self.inside)[0]
        return (
            shape if self.unit == 1 else shapely.transform(shape, lambda points: points / self.unit)
        )

    def reverse(self) -> Round:
        """Give the rounding for what is taken away."""
        return replace(self, inside=not self.inside)


def regular(x: float, y: float, radius: float, corners: int, turn: float = 0.0) -> shapely.Geometry:
    """Give a regular polygon by its corner circle; the first corner lies on +x, turned by `turn`
    degrees.
    """
    if radius <= 0:
        return shapely.Polygon()
    angles = math.radians(turn) + 2 * np.pi * np.arange(corners) / corners
    return shapely.Polygon(
        np.column_stack((x + radius * np.cos(angles), y + radius * np.sin(angles)))
    )


def polygons_of(shape: shapely.Geometry) -> list[shapely.Polygon]:
    """Give the polygons with area in any geometry."""
    if shape.geom_type == "GeometryCollection":
        return [polygon for part in shape.geoms for polygon in polygons_of(part)]
    return [
        part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and part.area > 0
    ]


def fill(points: Floats) -> Filled:
    """Fill one closed contour, points of shape (n, 2) with the first repeated at the end."""
    ring = points[np.concatenate(([True], (np.diff(points, axis=0) != 0).any(axis=1)))]
    if len(ring) < 4:
        return Filled(shapely.Polygon(), valid=len(ring) < 2)
    polygon = shapely.Polygon(ring)
    if shapely.is_valid(polygon):
        return Filled(polygon, valid=True)
    if not _tame(ring):
        return Filled(shapely.convex_hull(polygon), valid=False)
    shape = _joined(polygons_of(shapely.make_valid(polygon)))
    if _same(shape.area, abs(_signed_area(ring))) and _same(shape.length, _open_length(ring)):
        return Filled(shape, valid=True)
    return Filled(_by_winding(ring), valid=False)


def _tame(ring: Floats) -> bool:
    """Tell whether a contour meets itself so seldom that its faces can be made in bounded time."""
    segments = shapely.linestrings(np.stack((ring[:-1], ring[1:]), axis=1))
    tree = shapely.STRtree(segments)
    meetings = 0
    for part in np.array_split(segments, len(segments) // 500 + 1):
        meetings += len(tree.query(part, predicate="intersects")[0])
        if meetings > MAX_MEETINGS * len(segments) + MAX_MEETINGS_IN_ALL:
            return False
    return True


def _joined(parts: list[shapely.Polygon]) -> shapely.Geometry:
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def _same(a: float, b: float) -> bool:
    return abs(a - b) <= EXACT * max(a, b)


def _signed_area(ring: Floats) -> float:
    x, y = (ring - ring[0]).T
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) / 2)


def _open_length(ring: Floats) -> float:
    """Length of a contour without its cut-ins, which are run once in each direction."""
    ends = np.concatenate((ring[:-1], ring[1:]), axis=1)
    forward = (ends[:, 0] < ends[:, 2]) | ((ends[:, 0] == ends[:, 2]) & (ends[:, 1] < ends[:, 3]))
    ends[~forward] = ends[~forward][:, [2, 3, 0, 1]]
    edges, edge = np.unique(ends, axis=0, return_inverse=True)
    surplus = np.abs(
        np.bincount(edge.ravel(), weights=np.where(forward, 1, -1), minlength=len(edges))
    )
    return float(np.sum(surplus * np.hypot(edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1])))


def _by_winding(ring: Floats) -> shapely.Geometry:
    """Unite the faces round which a contour runs more often one way than the other."""
    faces = shapely.get_parts(shapely.polygonize([shapely.node(shapely.LineString(ring))]))
    if len(faces) * len(ring) > MAX_TESTS:
        return shapely.convex_hull(shapely.LineString(ring))
    inner = shapely.get_coordinates(shapely.point_on_surface(faces))
    kept = [face for face, point in zip(faces, inner, strict=True) if _winding(ring, point)]
    return shapely.union_all(kept)


def _winding(ring: Floats, point: Floats) -> int:
    """How often a closed ring runs round a point, counterclockwise positive."""
    x, y = (ring - point).T
    up: Bools = (y[:-1] <= 0) & (y[1:] > 0)
    down: Bools = (y[:-1] > 0) & (y[1:] <= 0)
    side = x[:-1] * y[1:] - x[1:] * y[:-1]
    return int(np.sum(up & (side > 0)) - np.sum(down & (side < 0)))


def shifted(shapes: Shapes, offsets: Floats) -> Shapes:
    """Copy polygons to each of some offsets, all at the first one first, shape (len(offsets) *
    len(shapes),).
    """
    kind, points, (rings, polygons) = shapely.to_ragged_array(shapes)
    copies = np.arange(len(offsets))[:, None]
    points = (points + offsets[:, None, :]).reshape(-1, 2)
    ring_ends = np.concatenate(([0], (rings[1:] + copies * rings[-1]).ravel()))
    polygon_ends = np.concatenate(([0], (polygons[1:] + copies * polygons[-1]).ravel()))
    moved: Shapes = shapely.from_ragged_array(kind, points, (ring_ends, polygon_ends))
    return moved
