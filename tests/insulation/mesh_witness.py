"""Creepage without links and floating copper by exact polyhedral geodesics on a triangulated board.

Nothing here is the product's: the two faces and the walls of all free edges become triangles
(constrained Delaunay triangulation of shapely), and a geodesic library (pygeodesic, the algorithm
of Mitchell, Mount and Papadimitriou) finds the shortest way over them. Arcs are the chords of the
given region.

Error: round pads that lie free on a face are measured from their middles, which is exact. Other
copper is a hole in its face, or points in a wall, with vertices along its edge; a path can only end
at a vertex, so that a length is never below the true one. Vertices are set ever closer where the
path was found to end; of two ends of nearly equal length it may be the wrong one (0.01 mm once in
1,500 boards).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import shapely
from pygeodesic import geodesic
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from checker.insulation.surface.geodesics import BOTTOM, TOP
from tests.insulation.oracle import Board, Metal

SPACING = 0.15  # mm, of vertices along copper at first
FINER, ROUNDS = 8, 3  # how many times closer each time, near where a path ends
NO_PATH = 1e50  # mm; the library tells of a vertex that cannot be reached by a larger number
CHORDS = 24  # per quarter turn of strokes: short of the circle by less than 0.0006 of the radius
SAME = 7  # decimals of mm; vertices closer than that are one


@dataclass
class Mesh:
    """Vertices and triangles as they come; vertices at one place are one."""

    places: list[tuple[float, float, float]] = field(default_factory=list)
    triangles: list[tuple[int, int, int]] = field(default_factory=list)
    _known: dict[tuple[float, ...], int] = field(default_factory=dict)

    def vertex(self, x: float, y: float, z: float) -> int:
        """Number of the vertex at a place."""
        key = (round(x, SAME) + 0.0, round(y, SAME) + 0.0, round(z, SAME) + 0.0)
        if key not in self._known:
            self._known[key] = len(self.places)
            self.places.append((x, y, z))
        return self._known[key]

    def add(self, corners: Sequence[tuple[float, float, float]]) -> None:
        """A triangle, unless two of its corners are one."""
        numbers = [self.vertex(*corner) for corner in corners]
        if len(set(numbers)) == 3:
            self.triangles.append((numbers[0], numbers[1], numbers[2]))


@dataclass(frozen=True)
class Ends:
    """Vertices where paths of one side may begin or end, and what each path is too long by."""

    numbers: list[int]
    less: float


def mesh_length(board: Board) -> float:
    """Length of the shortest path from island 0 to island 1, infinite if there is none; links and
    the rest are not.

    Raises
    ------
    ValueError : two free edges touch in a point: no mesh has that
    """
    if pinched(board.region):
        raise ValueError("free edges touch in a point")
    metals = [metal for metal in board.metals if metal.island < 2]
    near: list[tuple[shapely.Point, float]] = []
    best = np.inf
    for step in range(ROUNDS):
        length, ends = _shortest(board, metals, near)
        best = min(best, length)
        if not np.isfinite(length):
            break
        near += [(shapely.Point(end), SPACING / FINER**step) for end in ends]
    return float(best)


def pinched(region: shapely.Geometry) -> bool:
    """Whether two free edges of a region, or two stretches of one, touch in a point."""
    places = [_key(place) for ring in _rings(region) for place in ring[:-1]]
    return len(set(places)) < len(places)


def _shortest(
    board: Board, metals: Sequence[Metal], near: list[tuple[shapely.Point, float]]
) -> tuple[float, list]:
    """Least length on one mesh, and where that path ends."""
    mesh, sides = _meshed(board, metals, near)
    places, best, chosen = np.array(mesh.places), np.inf, (0, 0)
    for triangles in _pieces(np.array(mesh.triangles)):
        corners, rows = np.unique(triangles, return_inverse=True)
        solver = geodesic.PyGeodesicAlgorithmExact(
            places[corners], rows.reshape(-1, 3).astype(np.int32)
        )
        starts, ends = ([_within(end, corners) for end in side] for side in sides)
        numbers = np.concatenate([numbers for numbers, _ in ends])
        less = np.concatenate([np.full(len(numbers), less) for numbers, less in ends])
        for start, shorter in starts if len(numbers) else ():
            if not len(start):
                continue
            found, first = solver.geodesicDistances(start, numbers)
            counted = np.asarray(found) - less - shorter
            k = int(np.argmin(counted))
            if counted[k] < min(best, NO_PATH):
                best, chosen = (
                    float(counted[k]),
                    (corners[start[int(first[k])]], corners[numbers[k]]),
                )
    return best, [places[number, :2] for number in chosen]


def _pieces(triangles: np.ndarray) -> list[np.ndarray]:
    """Triangles by the piece of board that they belong to."""
    edges = np.concatenate((triangles[:, :2], triangles[:, 1:]))
    ones = np.ones(len(edges), np.int8)
    size = int(triangles.max()) + 1
    piece = connected_components(
        coo_array((ones, tuple(edges.T)), shape=(size, size)), directed=False
    )[1]
    of_triangle = piece[triangles[:, 0]]
    return [triangles[of_triangle == number] for number in np.unique(of_triangle)]


def _within(ends: Ends, corners: np.ndarray) -> tuple[np.ndarray, float]:
    """The ends on one piece of board, by their places among its vertices."""
    return np.flatnonzero(np.isin(corners, ends.numbers)).astype(np.int32), ends.less


# ---------------------------------------------------------------------------------------- triangles


def _meshed(
    board: Board, metals: Sequence[Metal], near: list[tuple[shapely.Point, float]]
) -> tuple[Mesh, tuple[list[Ends], list[Ends]]]:
    """The board as triangles, and the ends of paths for each of both islands."""
    mesh, t = Mesh(), board.thickness
    edges = {id(m): _vertices(m, near) for m in metals if not _is_free(m, board.region, metals)}
    region = _with_points(board.region, [p for m in metals if m.face is None for p in edges[id(m)]])
    faces = {face: _bare_face(region, face, metals, board.region, edges) for face in (TOP, BOTTOM)}
    for face, polygon in faces.items():
        middles = [m.skeleton.coords[0] for m in metals if m.face == face and id(m) not in edges]
        for triangle in triangulated(polygon, middles):
            mesh.add([(x, y, 0.0 if face == TOP else -t) for x, y in triangle])
    depths: dict[tuple[float, float], set[float]] = defaultdict(set)
    for metal in (m for m in metals if m.face is None):
        for place in edges[id(metal)]:
            depths[_key(place)] |= {metal.above, metal.below} - {0.0, t}
    for a, b in (pair for ring in _rings(region) for pair in pairwise(ring)):
        _wall(mesh, a, b, [_on(faces[face], a, b) for face in (TOP, BOTTOM)], t, depths)
    sides: tuple[list[Ends], list[Ends]] = ([], [])
    for metal in metals:
        sides[metal.island].append(_ends(mesh, metal, edges.get(id(metal)), t))
    assert all(any(ends.numbers for ends in side) for side in sides), (
        "copper of a side without an edge"
    )
    return mesh, sides


def _is_free(metal: Metal, region: shapely.Geometry, metals: Sequence[Metal]) -> bool:
    """Whether it is a round pad whose disc lies on the board and touches no other copper."""
    if metal.face is None or metal.skeleton.geom_type != "Point":
        return False
    disc = metal.skeleton.buffer(metal.radius * 1.001, quad_segs=CHORDS)
    others = [other for other in metals if other is not metal and other.face == metal.face]
    return region.contains(disc) and not any(disc.intersects(_area(other)) for other in others)


def _vertices(metal: Metal, near: list[tuple[shapely.Point, float]]) -> list[tuple[float, float]]:
    """Places along the edge of copper, closer near those given."""
    line = metal.skeleton if metal.face is None else _area(metal).exterior
    points = np.asarray(line.coords)
    places = [0.0, *np.cumsum(np.hypot(*np.diff(points, axis=0).T))]
    steps = [np.linspace(p, q, int(np.ceil((q - p) / SPACING)) + 1) for p, q in pairwise(places)]
    for place, reach in near:
        if line.distance(place) < 2 * SPACING:
            at = line.project(place)
            steps.append(np.clip(at + np.linspace(-reach, reach, 2 * FINER + 1), 0, line.length))
    chosen = np.unique(np.concatenate([*steps, places]).round(SAME))
    return [tuple(p) for p in shapely.get_coordinates(shapely.line_interpolate_point(line, chosen))]


def _area(metal: Metal) -> shapely.Polygon:
    return metal.skeleton.buffer(metal.radius, quad_segs=CHORDS) if metal.radius else metal.skeleton


def _bare_face(
    region: shapely.Geometry,
    face: int,
    metals: Sequence[Metal],
    board: shapely.Geometry,
    edges: dict[int, list[tuple[float, float]]],
) -> shapely.Geometry:
    """A face without the copper on it, free pads apart."""
    areas = [
        shapely.Polygon(edges[id(m)]).buffer(0) for m in metals if m.face == face and id(m) in edges
    ]
    return shapely.difference(region, shapely.union_all(areas)) if areas else region


def _with_points(
    region: shapely.Geometry, points: Iterable[tuple[float, float]]
) -> shapely.Geometry:
    """A region with more vertices on its rings."""
    marks = list(points)
    if not marks:
        return region
    polygons = []
    for part in shapely.get_parts(region):
        rings = [_marked(ring, marks) for ring in (part.exterior, *part.interiors)]
        polygons.append(shapely.Polygon(rings[0], rings[1:]))
    return shapely.union_all(polygons) if len(polygons) > 1 else polygons[0]


def _marked(
    ring: shapely.LinearRing, marks: list[tuple[float, float]]
) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for a, b in pairwise(ring.coords):
        out += [a[:2], *_between(np.array(marks), a, b)]
    return out


def _rings(region: shapely.Geometry) -> Iterable[list[tuple[float, float]]]:
    for part in shapely.get_parts(region):
        yield from (list(ring.coords) for ring in (part.exterior, *part.interiors))


def _on(
    face: shapely.Geometry, a: tuple[float, float], b: tuple[float, float]
) -> list[tuple[float, float]]:
    return _between(shapely.get_coordinates(face), a, b)


def _between(
    points: np.ndarray, a: Sequence[float], b: Sequence[float]
) -> list[tuple[float, float]]:
    """Those points that lie on the line from a to b, in order, its ends left out."""
    along = np.subtract(b, a)[:2]
    length = float(np.hypot(*along))
    towards = along / length
    away = points - np.array(a)[:2]
    place, off = away @ towards, np.abs(away[:, 0] * towards[1] - away[:, 1] * towards[0])
    inside = (off < 1e-8) & (place > 1e-7) & (place < length - 1e-7)
    order = np.argsort(place[inside])
    return [tuple(p) for p in points[inside][order]]


def _wall(
    mesh: Mesh,
    a: tuple[float, float],
    b: tuple[float, float],
    rims: Sequence[list[tuple[float, float]]],
    thickness: float,
    depths: dict[tuple[float, float], set[float]],
) -> None:
    """The wall below one stretch of a ring; unrolled, x runs along it and y is the depth."""
    length = float(np.hypot(*np.subtract(b, a)))
    upper, lower = ([(float(np.hypot(*np.subtract(p, a))), p) for p in rim] for rim in rims)
    at_b, at_a = (sorted(depths.get(_key(p), ())) for p in (b, a))
    rows = [
        (0.0, 0.0, a),
        *((s, 0.0, p) for s, p in upper),
        (length, 0.0, b),
        *((length, d, b) for d in at_b),
    ]
    rows += [
        (length, thickness, b),
        *((s, thickness, p) for s, p in reversed(lower)),
        (0.0, thickness, a),
    ]
    rows += [(0.0, d, a) for d in reversed(at_a)]
    flat = {(s, depth): (*place, -depth) for s, depth, place in rows}
    for triangle in triangulated(shapely.Polygon(list(flat))):
        mesh.add([flat[corner] for corner in triangle])


def _key(place: Sequence[float]) -> tuple[float, float]:
    return round(place[0], SAME) + 0.0, round(place[1], SAME) + 0.0


def _ends(
    mesh: Mesh, metal: Metal, edge: list[tuple[float, float]] | None, thickness: float
) -> Ends:
    """The vertices that a path may end at on a piece of copper."""
    if edge is None:
        x, y = metal.skeleton.coords[0]
        return Ends([mesh.vertex(x, y, 0.0 if metal.face == TOP else -thickness)], metal.radius)
    depths = (
        {metal.above, metal.below}
        if metal.face is None
        else {0.0 if metal.face == TOP else thickness}
    )
    known = len(mesh.places)
    numbers = [mesh.vertex(x, y, -depth) for x, y in edge for depth in depths]
    del mesh.places[known:]  # the corners of copper that lie off the board, or where two walls meet
    mesh._known = {key: number for key, number in mesh._known.items() if number < known}
    return Ends([number for number in numbers if number < known], 0.0)


Triangle = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]


def triangulated(
    area: shapely.Geometry, inside: Sequence[tuple[float, float]] = ()
) -> list[Triangle]:
    """Triangles of an area whose corners are its vertices and the points inside."""
    out: list[Triangle] = []
    for part in shapely.get_parts(shapely.constrained_delaunay_triangles(area)):
        corners = part.exterior.coords
        out.append((corners[0][:2], corners[1][:2], corners[2][:2]))
    for point in inside:
        out = _split(out, point)
    return out


def _split(triangles: list[Triangle], point: tuple[float, float]) -> list[Triangle]:
    """Triangles with one more corner: those that hold it, or have it on their edge, are parted."""
    out: list[Triangle] = []
    corners = np.array(triangles)
    sides = np.stack(
        [_left(corners[:, k], corners[:, (k + 1) % 3], point) for k in range(3)], axis=1
    )
    turned = np.sign(_left(corners[:, 0], corners[:, 1], corners[:, 2]))[:, None]
    holds = (sides * turned >= -1e-12).all(axis=1)
    for triangle, held, side in zip(triangles, holds, sides, strict=True):
        if not held or point in triangle:
            out.append(triangle)
            continue
        out += [
            (triangle[k], triangle[(k + 1) % 3], point) for k in range(3) if abs(side[k]) > 1e-12
        ]
    return out


def _left(a: np.ndarray, b: np.ndarray, point: np.ndarray | tuple[float, float]) -> np.ndarray:
    """Twice the area from a to b to the point, positive to the left."""
    p = np.asarray(point)
    u, v = b - a, p - a
    return u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
