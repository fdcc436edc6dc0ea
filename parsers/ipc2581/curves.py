"""Curved steps to arcs, rings with curves to polygons, in bulk."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from parsers.ipc2581.sketch import RIGHT, STRAIGHT, Longs
from parsers.primitives import Bools, Floats, Ints, Rows, Shapes, arc_steps, directions, repeated

TURN = 2 * np.pi
SAME_POINT = 1e-9  # mm; ends closer than this are one point: the curve is a full circle
# pairs of edges with overlapping boxes, beyond which a ring is not taken apart
MAX_CROSSINGS = 20_000
MAX_WINDINGS = 50_000_000  # faces times edges, beyond which winding numbers are not worked out
# mm; how far the radii at both ends may differ by rounding (4 decimals of an inch twice)
RADIUS_SLACK = 0.005


@dataclass(frozen=True, slots=True)
class Arcs:
    """Arcs as columns: centre (n, 2), radius, start angle, sweep (counterclockwise positive),
    radius mismatch.
    """

    centre: Floats
    radius: Floats
    start: Floats
    sweep: Floats
    mismatch: Floats


def arcs(start: Floats, end: Floats, centre: Floats, turn: Floats) -> Arcs:
    """Arcs through their exact ends; the centre is moved along the chord where rounding has spoilt
    it.

    Parameters
    ----------
    start, end, centre : points in mm, (n, 2)
    turn : RIGHT or LEFT, (n,)

    Examples
    --------
    >>> quarter = arcs(*(np.array([v]) for v in ([1.0, 0], [0.0, 1], [0.0, 0])), np.array([1.0]))
    >>> float(quarter.radius[0]), round(float(quarter.sweep[0]), 4)
    (1.0, 1.5708)
    """
    chord = end - start
    length = np.hypot(chord[:, 0], chord[:, 1])
    full = length <= SAME_POINT
    deviation = np.abs(np.hypot(*(start - centre).T) - np.hypot(*(end - centre).T))
    along = chord / np.where(full, 1.0, length)[:, None]
    off = ((centre - start) * along).sum(axis=1) - length / 2
    centre = centre - np.where(full, 0.0, off)[:, None] * along
    first, last = _bearings(start - centre), _bearings(end - centre)
    sweep = np.where(turn == RIGHT, -((first - last) % TURN), (last - first) % TURN)
    sweep = np.where(full, np.where(turn == RIGHT, -TURN, TURN), sweep)
    return Arcs(centre, np.hypot(*(start - centre).T), first, sweep, deviation)


def _bearings(vectors: Floats) -> Floats:
    """Angles of vectors against the x axis, rad."""
    return np.arctan2(vectors[:, 1], vectors[:, 0])


@dataclass(frozen=True, slots=True)
class Rings:
    """Closed paths, flat: vertex i is the end of a step with a centre and a turn; ring tells which
    ring it is in.

    The step of a ring's first vertex is straight; if the last vertex is not the first, a straight
    step closes it.
    """

    xy: Floats  # (n, 2)
    centre: Floats  # (n, 2)
    turn: Floats  # (n,)
    ring: Ints  # (n,), ascending

    def lines(self, grow: Bools) -> Shapes:
        """Linear rings that contain (grow) or are contained in the true rings, shape (rings,); None
        if degenerate.

        Curves that bulge outward get circumscribed polylines if the ring is to grow, and chords if
        it is not; curves that bulge inward the other way round. `grow` is per ring.
        """
        count = int(self.ring[-1]) + 1 if len(self.ring) else 0
        curved = np.flatnonzero(self.turn != STRAIGHT)
        curved = curved[curved > 0]
        if curved.size == 0:
            return _linear_rings(self.xy, self.ring, count)
        arc = arcs(self.xy[curved - 1], self.xy[curved], self.centre[curved], self.turn[curved])
        left = _areas(self, curved, arc, count) >= 0
        outward = (arc.sweep > 0) == left[self.ring[curved]]
        points, owner = _expanded(self, curved, arc, outward == grow[self.ring[curved]])
        return _linear_rings(points, owner, count)


def _areas(rings: Rings, curved: Rows, arc: Arcs, count: int) -> Floats:
    """Signed areas: shoelace over the vertices plus the segments between chords and arcs."""
    following = np.roll(np.arange(len(rings.ring)), -1)
    last = np.flatnonzero(np.diff(rings.ring, append=-1))
    first = np.concatenate(([0], last[:-1] + 1))
    following[last] = first
    x, y = rings.xy.T
    area = np.zeros(count)
    np.add.at(area, rings.ring, (x * y[following] - x[following] * y) / 2)
    np.add.at(area, rings.ring[curved], arc.radius**2 * (arc.sweep - np.sin(arc.sweep)) / 2)
    return area


def _expanded(rings: Rings, curved: Rows, arc: Arcs, outside: Bools) -> tuple[Floats, Ints]:
    """Vertices with each curve's end replaced by the points of a polyline, and their rings."""
    steps = arc_steps(arc.radius, arc.sweep)
    counts = np.ones(len(rings.ring), dtype=np.int64)
    counts[curved] = np.where(outside, steps + 1, steps)
    owner, nth = repeated(np.arange(len(counts)), counts)
    which = np.full(len(counts), -1)
    which[curved] = np.arange(len(curved))
    # the last point is the given end, exactly
    at = np.flatnonzero((which[owner] >= 0) & (nth < counts[owner] - 1))
    k, nth = which[owner[at]], nth[at]
    delta = arc.sweep[k] / steps[k]
    angle = arc.start[k] + delta * np.where(outside[k], nth + 0.5, nth + 1.0)
    reach = arc.radius[k] * np.where(outside[k], 1 / np.cos(delta / 2), 1.0)
    points = rings.xy[owner]
    points[at] = arc.centre[k] + reach[:, None] * directions(angle)
    return points, rings.ring[owner]


def _linear_rings(points: Floats, owner: Ints, count: int) -> Shapes:
    out: Shapes = np.full(count, None, dtype=object)
    sizes = np.bincount(owner, minlength=count)
    enough = sizes >= 3
    number = np.cumsum(enough) - 1
    keep = enough[owner]
    if keep.any():
        out[enough] = shapely.linearrings(points[keep], indices=number[owner[keep]])
    return out


def repaired(
    polygon: shapely.Polygon, grow: bool, *, thorough: bool = True
) -> tuple[list[shapely.Polygon], bool]:
    """Valid polygons of an area whose rings touch or cross themselves, and whether that was
    ambiguous.

    Faces of the outline count by winding number, as the pen went round them. A slit or a touching
    corner leaves every face wound once; crossing edges leave faces wound twice or against each
    other: then all faces (grow) or only those wound once are taken. A ring that crosses itself too
    often to be taken apart is taken as its convex hull, or as nothing if it is not to grow; so is
    every ring if the work is not to be `thorough`.
    """
    if not thorough:
        hull = polygon.convex_hull if grow else shapely.Polygon()
        return ([hull] if hull.area > 0 else []), False
    shell, sure = _faces(np.asarray(polygon.exterior.coords), grow)
    holes = []
    for ring in polygon.interiors:
        hole, hole_sure = _faces(np.asarray(ring.coords), not grow)
        holes.append(hole)
        sure = sure and hole_sure
    shape = shapely.difference(shell, shapely.union_all(holes)) if holes else shell
    return [
        part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and part.area > 0
    ], sure


def _faces(ring: Floats, grow: bool) -> tuple[shapely.Geometry, bool]:
    """Union of the faces that a ring winds round, and whether it winds round all of them once in
    one sense.
    """
    if _is_tangle(ring):
        return shapely.LineString(ring).convex_hull if grow else shapely.Polygon(), False
    faces = shapely.get_parts(shapely.polygonize([shapely.node(shapely.LineString(ring))]))
    if len(faces) == 0:
        return shapely.Polygon(), True
    if len(faces) * len(ring) > MAX_WINDINGS:
        return shapely.union_all(faces) if grow else shapely.Polygon(), False
    winding = _windings(ring, shapely.get_coordinates(shapely.point_on_surface(faces)))
    wound = winding != 0
    sure = bool(np.all(winding[wound] == 1) or np.all(winding[wound] == -1))
    return shapely.union_all(faces[wound if grow else np.abs(winding) == 1]), sure


def _is_tangle(ring: Floats) -> bool:
    """Whether so many edges lie across each other that taking the ring apart would take unbounded
    time.
    """
    ends = np.stack((ring[:-1], ring[1:]), axis=1)
    boxes = shapely.box(*ends.min(axis=1).T, *ends.max(axis=1).T)
    tree = shapely.STRtree(boxes)
    allowed = MAX_CROSSINGS + 3 * len(boxes)  # each edge meets itself and its neighbours
    for start in range(0, len(boxes), 64):
        allowed -= tree.query(boxes[start : start + 64]).shape[1]
        if allowed < 0:
            return True
    return False


def _windings(ring: Floats, points: Floats) -> Longs:
    """How often a closed ring goes round each point, counterclockwise positive."""
    out = np.zeros(len(points), dtype=np.int64)
    rows = max(1, 1_000_000 // len(ring))
    for start in range(0, len(points), rows):
        x, y = (points[start : start + rows, i, None] for i in (0, 1))
        (x0, y0), (x1, y1) = ring[:-1].T, ring[1:].T
        side = (x0 - x) * (y1 - y) - (x1 - x) * (y0 - y)
        up, down = (y0 <= y) & (y1 > y) & (side > 0), (y0 > y) & (y1 <= y) & (side < 0)
        out[start : start + rows] = up.sum(axis=1) - down.sum(axis=1)
    return out
