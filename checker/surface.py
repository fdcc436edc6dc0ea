"""The surface of a board: two faces joined by the walls of all free edges, and exact shortest paths on it.

A path on a face is a chain of straight lines that bends only where the board reaches round a corner of a void. Over
a free edge it crosses the wall in the direction that makes it straight once face, wall and other face are unfolded
into one plane. A shortest path between copper of one face never leaves that face: folded onto it at half thickness, the
rest would be no longer. So a leg has at most one crossing, and all legs come from one graph: copper and corners are its
nodes, lines in sight and wall crossings its edges.

Error: a length is never more than true, and less by no more than 0.001 mm for boards whose path turns less than a full
circle round curved rims (chords: a third of EDGE_TOLERANCE per radian; a curved rim: its `slack` at each end of a wall
crossing, an arc of copper: ARC_TOLERANCE). Straight rims and straight or round copper are exact.

References: IEC 60664-1 (2007), 6.2, for what is measured. Visibility graphs and unfolding are textbook geometry.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from checker.free_edges import Rims, Sight, bridged, corners_of, has_curves, inscribed_slots, rims_of
from checker.unfolding import (
    along,
    closest,
    cross,
    distance_to,
    nearest_part,
    parallel,
    through_windows,
    touching_lines,
)
from parsers.primitives import ARC_TOLERANCE, Bools, Floats, Ints, Rows, Shapes

TOP, BOTTOM = 0, 1
SOURCE, TARGET, HOP = 0, 1, 2  # roles of islands
ON = ("top", "bottom")

_ROUND = 64  # chords per quarter turn of copper that is cut to the board
_BLOCK = 1024  # rows of a join done at once: bounds memory
_TIE = 1e-9  # mm; lengths closer than this are the same
_ZERO = 1e-12  # mm; what stands for no length in a sparse graph, where 0 means no edge
_DIRECT, _WALL = 0, 1


@dataclass(frozen=True, slots=True)
class Copper:
    """Copper on the faces as columns: skeleton less radius, as in `parsers.primitives`.

    It must lie on the board: `Surface.placed` cuts off what does not.
    """

    island: Ints  # connected copper, also through plated holes; the node of the search
    face: Ints  # TOP | BOTTOM
    skeleton: Shapes
    radius: Floats
    slack: Floats

    def __len__(self) -> int:
        return len(self.island)


@dataclass(frozen=True, slots=True)
class Exposed:
    """Copper in the walls as columns: inner layers that reach a free edge, plated edges."""

    island: Ints
    line: Shapes  # LineStrings that follow a rim
    above: Floats  # depth below the top face where it begins
    below: Floats  # depth where it ends


@dataclass(frozen=True, slots=True)
class Leg:
    """One stretch of a path, seen from above."""

    on: str  # top | bottom | wall | copper
    points: tuple[tuple[float, float], ...]
    length: float
    island: int | None = None  # for copper: what is hopped over


@dataclass(frozen=True, slots=True)
class Geodesic:
    """A shortest path; `length` counts what the rules count, `raw` every stretch off copper."""

    length: float
    raw: float
    legs: tuple[Leg, ...]
    source: int
    target: int


def copper(
    skeletons: object, radius: object = 0.0, face: object = TOP, island: object = 0, slack: object = 0.0
) -> Copper:
    """Make a table of copper; scalars are repeated.

    Examples
    --------
    >>> pads = copper([shapely.Point(0, 0), shapely.Point(9, 0)], radius=1.0, island=[0, 1])
    >>> len(pads)
    2
    """
    shapes: Shapes = np.atleast_1d(np.asarray(skeletons, dtype=object))
    n = len(shapes)
    return Copper(
        island=np.broadcast_to(np.asarray(island, np.int32), (n,)).copy(),
        face=np.broadcast_to(np.asarray(face, np.int32), (n,)).copy(),
        skeleton=shapes,
        radius=np.broadcast_to(np.asarray(radius, float), (n,)).copy(),
        slack=np.broadcast_to(np.asarray(slack, float), (n,)).copy(),
    )


def nothing_exposed() -> Exposed:
    """No copper in any wall."""
    none = np.empty(0)
    return Exposed(np.empty(0, np.int32), np.empty(0, object), none, none)


class Surface:
    """The two faces and the walls of one board.

    Parameters
    ----------
    outline : Polygon or MultiPolygon with cutouts as its holes; None for faces without end
    thickness : mm, height of every wall
    slots, radius : unplated holes and slots as strokes of the tool, shapes (n, 4) and (n,)
    x : voids narrower than this do not block a path (their walls still lead to the other face)
    """

    def __init__(
        self,
        outline: shapely.Geometry | None,
        thickness: float,
        slots: Floats | None = None,
        radius: Floats | None = None,
        x: float = 0.0,
    ) -> None:
        self.thickness = thickness
        self.outline = outline
        self._ends = np.empty((0, 4)) if slots is None else np.asarray(slots, float).reshape(-1, 4)
        self._radius = np.empty(0) if radius is None else np.asarray(radius, float)
        self._cuts = inscribed_slots(self._ends, self._radius)
        whole = outline if outline is not None else self._endless()
        self.region = whole.difference(shapely.union_all(self._cuts)) if len(self._cuts) else whole
        self.rims = rims_of(self.region)
        passable = bridged(self._generous(whole), x)
        self.corners = corners_of(passable)
        self.sight = Sight(passable)

    def legs(self, metal: Copper, roles: Ints, limit: float, exposed: Exposed | None = None) -> Legs:
        """Shortest paths over insulation alone between islands, as far as they are at most `limit` long.

        Parameters
        ----------
        metal : copper on both faces, on the board
        roles : SOURCE, TARGET or HOP of each island; two sources, or two targets, are not measured to each other
        limit : mm
        exposed : copper in the walls
        """
        return Legs(_Survey(self, metal, np.asarray(roles, np.int32), limit, exposed or nothing_exposed()))

    def shortest(
        self,
        sources: Copper,
        targets: Copper,
        hops: Copper | None = None,
        limit: float = np.inf,
        x: float = 0.0,
    ) -> Geodesic | None:
        """Shortest way from any source to any target, over hop copper at no cost, or None beyond the limit.

        Legs shorter than x before or after hop copper count as nothing.
        """
        parts = [_renamed(sources, 0), _renamed(targets, 1)]
        if hops is not None and len(hops):
            parts.append(_renamed(hops, 2))
        metal = Copper(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Copper)))
        roles = np.full(int(metal.island.max()) + 1, HOP, np.int32)
        roles[:2] = SOURCE, TARGET
        if not np.isfinite(limit):
            limit = self._span(metal)
        return self.legs(metal, roles, limit).best(0, 1, x)

    def placed(self, metal: Copper) -> tuple[Copper, Rows]:
        """Copper cut to the board, and the row that each remaining row came from.

        Copper that meets no free edge stays exact; the rest becomes areas, circumscribed by at most SHAPE_TOLERANCE.
        """
        rims = shapely.STRtree(shapely.linestrings(self.rims.ends.reshape(-1, 2, 2)))
        cut = np.unique(rims.query(metal.skeleton, predicate="dwithin", distance=metal.radius + metal.slack)[0])
        whole = np.ones(len(metal), dtype=bool)
        whole[cut] = False
        shapely.prepare(self.region)
        whole &= shapely.contains(self.region, shapely.point_on_surface(metal.skeleton))
        reach = (metal.radius[cut] + metal.slack[cut]) / np.cos(np.pi / 4 / _ROUND)
        shapes = shapely.buffer(metal.skeleton[cut], reach, quad_segs=_ROUND)
        trimmed = shapely.intersection(shapes, self.region)
        parts, owner = shapely.get_parts(trimmed, return_index=True)
        kept = shapely.area(parts) > 0
        rows = np.concatenate((np.flatnonzero(whole), cut[owner[kept]]))
        skeleton = np.concatenate((metal.skeleton[whole], parts[kept]))
        n = int(whole.sum())
        radius, slack = metal.radius[rows], metal.slack[rows]
        radius[n:] = 0.0
        return Copper(metal.island[rows], metal.face[rows], skeleton, radius, slack), rows

    def _endless(self) -> shapely.Geometry:
        """A board so large that no path reaches its edge."""
        return shapely.box(-1e5, -1e5, 1e5, 1e5)

    def _generous(self, whole: shapely.Geometry) -> shapely.Geometry:
        """The board less its voids, with curved outlines drawn so that they never block more than they do."""
        if has_curves(whole):
            whole = whole.buffer(ARC_TOLERANCE, join_style="mitre")
        return whole.difference(shapely.union_all(self._cuts)) if len(self._cuts) else whole

    def _span(self, metal: Copper) -> float:
        x0, y0, x1, y1 = shapely.total_bounds(metal.skeleton)
        rims = float(self.rims.perimeter[1:].sum()) if self.outline is None else float(self.rims.perimeter.sum())
        return 2 * float(np.hypot(x1 - x0, y1 - y0)) + rims + 2 * self.thickness


@dataclass(frozen=True, slots=True)
class _Pieces:
    """Copper as straight pieces: every skeleton is a chain of them."""

    ends: Floats
    reach: Floats  # radius and slack: what the copper lies nearer than its piece
    island: Ints
    face: Ints

    def boxes(self) -> Floats:
        return _boxes(self.ends, self.reach)


@dataclass(frozen=True, slots=True)
class _Edges:
    """Edges of the search graph as columns; nodes are islands, then corners on top, then corners below."""

    tail: Ints
    head: Ints
    cost: Floats
    kind: Ints  # _DIRECT | _WALL
    face: Ints  # of the tail
    points: Floats  # (n, 4, 2): line start and end; for a wall start, leaving the face, entering the other, end
    reach: Floats  # (n, 2): what copper at either end lies nearer
    loop: Ints  # of a wall crossing
    s: Floats  # (n, 2): where along the loop it leaves and enters


@dataclass(frozen=True, slots=True)
class _Approaches:
    """Ways from copper or a corner on one face to a piece of rim, unfolded: x runs along the loop, y into the face."""

    node: Ints
    island: Ints  # -1 for corners
    world: Floats  # (n, 4) the piece as it lies on the board
    piece: Floats  # (n, 4) the same, unfolded
    rim: Ints  # row of Rims; -1 in a wall
    window: Floats  # (n, 2) from, to along the loop
    loop: Ints
    reach: Floats  # copper's radius and all slack
    behind: Floats  # least length of the path before this piece (corners), 0 for copper
    lower: Floats  # least length up to the rim, `behind` included
    angle: Floats  # (n, 2) directions, from straight across, in which a shortest path can leave through the window
    depth: Floats  # how far from the rim of the face that looks at it: wall height for the other face

    def take(self, rows: Rows | Bools) -> _Approaches:
        return _Approaches(*(getattr(self, f.name)[rows] for f in fields(self)))


class _Survey:
    """The search graph of one set of copper: built stage by stage, each kept within the limit."""

    def __init__(self, surface: Surface, metal: Copper, roles: Ints, limit: float, exposed: Exposed) -> None:
        self.surface, self.roles, self.limit, self.metal = surface, roles, limit, metal
        self.islands = len(roles)
        self.corners = len(surface.corners)
        self.size = self.islands + 2 * self.corners
        self.pieces = _pieces(metal)
        self.behind = np.full((2, self.corners), np.inf)  # least distance of each corner from copper of a face
        self.exposed = _exposed_rims(surface.rims, exposed)
        found = [self._contacts(face) for face in (TOP, BOTTOM)] + [self._direct(face) for face in (TOP, BOTTOM)]
        if self.corners:
            found += self._round_corners()
        if len(surface.rims):
            found += self._over_edges()
        self.edges = _shortest_edges(_joined(found), self.size)

    def meet(self, a: Ints, b: Ints) -> Bools:
        """Whether the distance between two islands is wanted."""
        role_a, role_b = self.roles[a], self.roles[b]
        mask: Bools = (a != b) & ((role_a != role_b) | (role_a == HOP))
        return mask

    def _contacts(self, face: int) -> _Edges:
        """Copper of two islands that lies within copper of the other: no distance."""
        rows = np.flatnonzero(self.metal.face == face)
        shapes = self.metal.skeleton[rows]
        areas = np.flatnonzero(shapely.get_dimensions(shapes) == 2) if len(rows) else np.empty(0, np.intp)
        a, b = shapely.STRtree(shapes).query(shapes[areas], predicate="intersects")
        island_a, island_b = self.metal.island[rows[areas[a]]], self.metal.island[rows[b]]
        wanted = self.meet(island_a, island_b)
        points = shapely.get_coordinates(shapely.point_on_surface(shapes[b[wanted]]))
        return _lines(island_a[wanted], island_b[wanted], np.zeros(len(points)), face, points, points)

    def _direct(self, face: int) -> _Edges:
        """Straight lines from copper to copper on one face."""
        here, roles = self.pieces.face == face, self.roles[self.pieces.island]
        left, right = np.flatnonzero(here & (roles != TARGET)), np.flatnonzero(here & (roles != SOURCE))
        boxes = self.pieces.boxes()
        found = [
            self._direct_lines(left[a], right[b])
            for a, b in _joins(boxes[left], boxes[right], np.full(len(left), self.limit))
        ]
        a, b, length, part_a, part_b = (np.concatenate(c) for c in zip(*found, strict=True)) if found else _none(5)
        a, b = a.astype(np.intp), b.astype(np.intp)
        p, q = along(self.pieces.ends[a], part_a), along(self.pieces.ends[b], part_b)
        island_a, island_b = self.pieces.island[a], self.pieces.island[b]
        key = island_a.astype(np.int64) * self.islands + island_b
        kept = _first_clear(key, length, lambda rows: self.surface.sight.clear(p[rows], q[rows]))
        reach = np.column_stack((self.pieces.reach[a], self.pieces.reach[b]))[kept]
        return _lines(island_a[kept], island_b[kept], length[kept], face, p[kept], q[kept], reach)

    def _direct_lines(self, a: Rows, b: Rows) -> tuple[Floats, ...]:
        """Shortest lines of wanted pairs of pieces; all of them where two pieces are parallel."""
        island_a, island_b = self.pieces.island[a], self.pieces.island[b]
        both_hop = (self.roles[island_a] == HOP) & (self.roles[island_b] == HOP)
        wanted = self.meet(island_a, island_b) & ((island_a < island_b) | ~both_hop)
        a, b = a[wanted], b[wanted]
        ends_a, ends_b = self.pieces.ends[a], self.pieces.ends[b]
        reach = self.pieces.reach[a] + self.pieces.reach[b]
        length, part_a, part_b = closest(ends_a, ends_b)
        near = length - reach <= self.limit
        more = np.flatnonzero(near & parallel(ends_a, ends_b))
        ties, ties_a, ties_b = touching_lines(ends_a[more], ends_b[more])
        row, which = np.nonzero(ties <= length[more, None] + _TIE)
        rows = np.concatenate((np.flatnonzero(near), more[row]))
        return (
            a[rows],
            b[rows],
            np.maximum(np.concatenate((length[near], ties[row, which])) - reach[rows], 0.0),
            np.concatenate((part_a[near], ties_a[row, which])),
            np.concatenate((part_b[near], ties_b[row, which])),
        )

    def _round_corners(self) -> list[_Edges]:
        """Lines from copper to corners and from corner to corner; marks how far corners are from copper."""
        corners, walls = self.surface.corners, self.exposed
        here = np.hstack((corners.at, corners.at))
        piece, corner = _all_joins(self.pieces.boxes(), here, self.limit)
        part = nearest_part(self.pieces.ends[piece], corners.at[corner])
        points = along(self.pieces.ends[piece], part)
        length = np.maximum(_norm(points - corners.at[corner]) - self.pieces.reach[piece], 0.0)
        wall, at_wall = _all_joins(_boxes(walls.ends, walls.slack), here, self.limit)
        wall_length = np.maximum(distance_to(walls.ends[wall], corners.at[at_wall]) - walls.slack[wall], 0.0)
        nearest = np.full((2, 3, self.corners), np.inf)  # by face and role; copper in walls counts for both faces
        np.minimum.at(nearest, (self.pieces.face[piece], self.roles[self.pieces.island[piece]], corner), length)
        for face in (TOP, BOTTOM):
            np.minimum.at(nearest[face], (self.roles[walls.island[wall]], at_wall), wall_length)
        onwards = _onwards(nearest.min(axis=0))
        useful = (nearest + onwards).min(axis=1) <= self.limit
        self.behind = np.where(useful, nearest.min(axis=1), np.inf)
        rest = onwards[self.roles[self.pieces.island[piece]], corner]
        kept = (length + rest <= self.limit) & corners.taut(corner, points)
        return [
            *self._to_corners(piece[kept], corner[kept], points[kept], length[kept]),
            *self._between_corners(),
        ]

    def _to_corners(self, piece: Rows, corner: Rows, points: Floats, length: Floats) -> Iterator[_Edges]:
        at = self.surface.corners.at
        for face in (TOP, BOTTOM):
            rows = np.flatnonzero(self.pieces.face[piece] == face)
            p, c, start, cost = piece[rows], corner[rows], points[rows], length[rows]
            key = self.pieces.island[p].astype(np.int64) * self.corners + c
            kept = _first_clear(key, cost, _sees(self.surface.sight, start, at[c]))
            reach = np.column_stack((self.pieces.reach[p], np.zeros(len(p))))[kept]
            heads = self.islands + face * self.corners + c[kept]
            yield _lines(self.pieces.island[p][kept], heads, cost[kept], face, start[kept], at[c][kept], reach)

    def _between_corners(self) -> Iterator[_Edges]:
        corners, behind = self.surface.corners, self.behind.min(axis=0)
        useful = np.flatnonzero(np.isfinite(behind))
        boxes = np.hstack((corners.at, corners.at))[useful]
        for a, b in _joins(boxes, boxes, self.limit - behind[useful]):
            u, w = useful[a], useful[b]
            kept = (u < w) & (_norm(corners.at[u] - corners.at[w]) + behind[u] + behind[w] <= self.limit)
            u, w = u[kept], w[kept]
            kept = corners.taut(u, corners.at[w]) & corners.taut(w, corners.at[u])
            u, w = u[kept], w[kept]
            kept = self.surface.sight.clear(corners.at[u], corners.at[w])
            yield from self._corner_lines(u[kept], w[kept])

    def _corner_lines(self, u: Rows, w: Rows) -> Iterator[_Edges]:
        """Lines between corners, on each face where copper is near enough to both."""
        at = self.surface.corners.at
        for face in (TOP, BOTTOM):
            length, behind = _norm(at[u] - at[w]), self.behind[face]
            kept = length + behind[u] + behind[w] <= self.limit
            base = self.islands + face * self.corners
            yield _lines(base + u[kept], base + w[kept], length[kept], face, at[u[kept]], at[w[kept]])

    def _over_edges(self) -> list[_Edges]:
        """Ways over walls: face to face, and between faces and copper in the walls."""
        top, bottom = self._approaches(TOP), self._approaches(BOTTOM)
        found = list(self._crossings(top, bottom, TOP))
        for face, near in ((TOP, top), (BOTTOM, bottom)):
            found += self._crossings(near, self._in_walls(face), face)
        return [*found, self._along_walls()]

    def _approaches(self, face: int) -> _Approaches:
        """All ways from copper and useful corners of a face to the rims within reach."""
        rims, room = self.surface.rims, self.limit
        boxes = _boxes(rims.ends, np.zeros(len(rims)))
        mine = np.flatnonzero(self.pieces.face == face)
        parts = [
            self._approach(self.pieces.ends[mine[a]], self.pieces.island[mine[a]], self.pieces.reach[mine[a]], None, b)
            for a, b in _joins(self.pieces.boxes()[mine], boxes, np.full(len(mine), room))
        ]
        useful = np.flatnonzero(np.isfinite(self.behind[face]))
        points = np.hstack((self.surface.corners.at, self.surface.corners.at))
        base = self.islands + face * self.corners
        for a, b in _joins(points[useful], boxes, room - self.behind[face, useful]):
            corner = useful[a]
            taut = self.surface.corners.taut_towards(corner, rims.ends[b])
            corner, rim = corner[taut], b[taut]
            parts.append(
                self._approach(points[corner], base + corner, np.zeros(len(rim)), self.behind[face, corner], rim)
            )
        return _stacked(parts)

    def _approach(self, ends: Floats, node: Ints, reach: Floats, behind: Floats | None, rim: Rows) -> _Approaches:
        """Unfold pieces beside their rims; those that lie behind the rim, or too far away, drop out."""
        rims = self.surface.rims
        front, ends, piece = _unfolded(ends, rims, rim)
        node, reach, rim = node[front], reach[front] + rims.slack[rim[front]], rim[front]
        before = np.zeros(len(rim)) if behind is None else behind[front]
        window = np.column_stack((rims.s[rim], rims.s[rim] + rims.length[rim]))
        at_rim = np.column_stack((window[:, 0], np.zeros(len(rim)), window[:, 1], np.zeros(len(rim))))
        lower = np.maximum(touching_lines(piece, at_rim)[0].min(axis=1) - reach, 0.0) + before
        angle = _angles(piece, window, rims.bend_before[rim], rims.bend_after[rim], node >= self.islands)
        out = _Approaches(
            node=node.astype(np.int32),
            island=np.where(node < self.islands, node, -1).astype(np.int32),
            world=ends,
            piece=piece,
            rim=rim.astype(np.int32),
            window=window,
            loop=rims.loop[rim],
            reach=reach,
            behind=before,
            lower=lower,
            angle=angle,
            depth=np.full(len(rim), self.surface.thickness),
        )
        return out.take(lower <= self.limit)

    def _in_walls(self, face: int) -> _Approaches:
        """Copper in the walls as seen over the rim of one face."""
        walls = self.exposed
        n = len(walls.island)
        depth = walls.above if face == TOP else self.surface.thickness - walls.below
        flat = np.zeros(n)
        return _Approaches(
            node=walls.island,
            island=walls.island,
            world=np.zeros((n, 4)),
            piece=np.column_stack((walls.s[:, 0], flat, walls.s[:, 1], flat)),
            rim=np.full(n, -1, np.int32),
            window=walls.s,
            loop=walls.loop,
            reach=walls.slack,
            behind=flat,
            lower=flat,
            angle=np.tile([-np.pi / 2, np.pi / 2], (n, 1)),
            depth=depth,
        )

    def _crossings(self, near: _Approaches, far: _Approaches, face: int) -> Iterator[_Edges]:
        """Shortest wall crossings of each pair of nodes, those in sight."""
        found = [part for part in self._crossing_blocks(near, far, face) if len(part.tail)]
        if found:
            edges = _joined(found)
            key = edges.tail.astype(np.int64) * self.size + edges.head
            in_wall = np.isnan(edges.points[:, 3, 0])

            def clear(rows: Rows) -> Bools:
                p = edges.points[rows]
                last = np.where(in_wall[rows, None], p[:, 2], p[:, 3])
                sight = self.surface.sight
                return sight.clear(p[:, 0], p[:, 1]) & sight.clear(p[:, 2], last)

            yield _taken(edges, _first_clear(key, edges.cost, clear))

    def _crossing_blocks(self, near: _Approaches, far: _Approaches, face: int) -> Iterator[_Edges]:
        rims = self.surface.rims
        reach = 3 * self.limit
        shift = np.cumsum(3 * (rims.perimeter + 2 * reach)) if len(rims) else np.empty(0)
        for turn in (-1, 0, 1):
            offset = turn * rims.perimeter[far.loop]
            boxes_near = _angle_boxes(near.angle, near.piece, shift[near.loop])
            boxes_far = _angle_boxes(-far.angle[:, ::-1], far.piece, shift[far.loop] + offset)
            boxes_near[:, [1, 3]] += np.array([-self.limit, self.limit])
            for a, b in _joins(boxes_near, boxes_far, np.zeros(len(boxes_near))):
                kept = near.lower[a] + far.lower[b] + far.depth[b] <= self.limit
                kept &= self._wanted(near.node[a], far.node[b]) & _may_cross(near, far, a, b, offset[b])
                yield self._cross(near.take(a[kept]), far.take(b[kept]), offset[b[kept]], face)

    def _wanted(self, a: Ints, b: Ints) -> Bools:
        """Whether two nodes, islands or corners, may be neighbours."""
        both = (a < self.islands) & (b < self.islands)
        mask = np.ones(len(a), dtype=bool)
        mask[both] = self.meet(a[both], b[both])
        return mask

    def _cross(self, near: _Approaches, far: _Approaches, offset: Floats, face: int) -> _Edges:
        """Unfold both faces beside the wall and go straight through the two windows."""
        n, flat = len(near.node), np.zeros(len(near.node))
        first = np.column_stack((near.window[:, 0], flat, near.window[:, 1], flat))
        second = np.column_stack((far.window[:, 0] + offset, -far.depth, far.window[:, 1] + offset, -far.depth))
        piece = far.piece * np.array([1.0, -1.0, 1.0, -1.0])
        piece[:, [0, 2]] += offset[:, None]
        piece[:, [1, 3]] -= far.depth[:, None]
        way = through_windows(near.piece, first, second, piece)
        cost = np.maximum(way.length - near.reach - far.reach, 0.0)
        points = np.empty((n, 4, 2))
        points[:, 0], points[:, 3] = along(near.world, way.start), along(far.world, way.end)
        points[:, 1] = along(self.surface.rims.ends[near.rim], way.first)
        points[:, 2] = along(self.surface.rims.ends[far.rim], way.second)
        s = np.column_stack((along(first, way.first)[:, 0], along(second, way.second)[:, 0]))
        for row in np.flatnonzero(far.rim < 0):
            points[row, 2], points[row, 3] = self.surface.rims.at(int(near.loop[row]), float(s[row, 1])), np.nan
        reach = np.column_stack((near.reach, far.reach))
        edges = _Edges(near.node, far.node, cost, np.full(n, _WALL), np.full(n, face), points, reach, near.loop, s)
        return _taken(edges, np.flatnonzero(cost + near.behind + far.behind <= self.limit))

    def _along_walls(self) -> _Edges:
        """Between copper in the same wall."""
        walls = self.exposed
        a, b = np.triu_indices(len(walls.island), 1)
        kept = (walls.loop[a] == walls.loop[b]) & self.meet(walls.island[a], walls.island[b])
        a, b = a[kept], b[kept]
        round_ = self.surface.rims.perimeter[walls.loop[a]]
        best, s = np.full(len(a), np.inf), np.zeros((len(a), 2))
        for turn in (-1, 0, 1):
            low, high = walls.s[b] + turn * round_[:, None], walls.s[a]
            gap = np.maximum(np.maximum(low[:, 0] - high[:, 1], high[:, 0] - low[:, 1]), 0.0)
            start = np.clip(low[:, 0], high[:, 0], high[:, 1])
            end = np.clip(start, low[:, 0], low[:, 1])
            better = gap < best
            best[better], s[better] = gap[better], np.column_stack((start, end))[better]
        depth = np.maximum(np.maximum(walls.above[b] - walls.below[a], walls.above[a] - walls.below[b]), 0.0)
        cost = np.maximum(np.hypot(best, depth) - walls.slack[a] - walls.slack[b], 0.0)
        kept = cost <= self.limit
        a, b, s = a[kept], b[kept], s[kept]
        n = len(a)
        points = np.full((n, 4, 2), np.nan)
        for row in range(n):
            points[row, 1] = self.surface.rims.at(int(walls.loop[a[row]]), float(s[row, 0]))
            points[row, 2] = self.surface.rims.at(int(walls.loop[a[row]]), float(s[row, 1]))
        none = np.zeros((n, 2))
        kind, face = np.full(n, _WALL), np.full(n, TOP)
        return _Edges(walls.island[a], walls.island[b], cost[kept], kind, face, points, none, walls.loop[a], s)


class Legs:
    """Paths over insulation alone between islands, and what is made of them by hopping over copper.

    Columns `start`, `end` (islands) and `length`, every leg once in each direction in which it may be walked: away from
    sources, towards targets.
    """

    def __init__(self, survey: _Survey) -> None:
        self._survey = survey
        self.roles = survey.roles
        self.limit = survey.limit
        self._graph, self._edge = _directed(survey)
        self.start, self.end, self.length = self._measured()

    def table(self, x: float = 0.0) -> tuple[Ints, Ints, Floats]:
        """Sources, targets and counted lengths of all pairs that are no further apart than the limit."""
        graph = self._hops(x)
        sources, targets = np.flatnonzero(self.roles == SOURCE), np.flatnonzero(self.roles == TARGET)
        found: list[tuple[Ints, Ints, Floats]] = []
        for block in _blocks(sources):
            reached = dijkstra(graph, indices=block, limit=self.limit)[:, targets]
            row, column = np.nonzero(np.isfinite(reached))
            found.append((block[row], targets[column], _unzeroed(reached[row, column])))
        a, b, length = (np.concatenate(c) for c in zip(*found, strict=True)) if found else _none(3)
        return a.astype(np.int32), b.astype(np.int32), length

    def best(self, source: int, target: int, x: float = 0.0) -> Geodesic | None:
        """The shortest path between two islands, over hops at no cost; None beyond the limit."""
        reached, came_from = dijkstra(self._hops(x), indices=source, limit=self.limit, return_predecessors=True)
        if not np.isfinite(reached[target]):
            return None
        chain = _walked(came_from, source, target)
        legs: list[Leg] = []
        counted = raw = 0.0
        for a, b in pairwise(chain):
            length, part = self.leg(a, b)
            if legs:
                legs.append(Leg("copper", (legs[-1].points[-1], part[0].points[0]), 0.0, a))
            legs += part
            raw += length
            counted += length if length >= x or len(chain) == 2 else 0.0
        return Geodesic(counted, raw, tuple(legs), source, target)

    def leg(self, start: int, end: int) -> tuple[float, list[Leg]]:
        """Length and course of one leg."""
        size = self._survey.size
        reached, came_from = dijkstra(self._graph, indices=start, limit=self.limit, return_predecessors=True)
        nodes = _walked(came_from, start, size + end)
        course: list[Leg] = []
        for a, b in pairwise(nodes):
            course += self._drawn(a, b % size if b >= size else b)
        return float(_unzeroed(reached[size + end])), _merged(course)

    def _measured(self) -> tuple[Ints, Ints, Floats]:
        """All legs: an edge where that is all there is, else the shortest way through corners and walls."""
        survey = self._survey
        starts = np.unique(survey.edges.tail[survey.edges.tail < survey.islands])
        heads = np.unique(survey.edges.head[survey.edges.head < survey.islands])
        starts = np.union1d(starts, heads)
        starts = starts[self.roles[starts] != TARGET]
        found: list[tuple[Ints, Ints, Floats]] = []
        for block in _blocks(starts):
            reached = dijkstra(self._graph, indices=block, limit=self.limit)[:, survey.size :]
            row, end = np.nonzero(np.isfinite(reached))
            wanted = survey.meet(block[row], end) & (self.roles[end] != SOURCE)
            row, end = row[wanted], end[wanted]
            found.append((block[row], end, _unzeroed(reached[row, end])))
        start, end, length = (np.concatenate(c) for c in zip(*found, strict=True)) if found else _none(3)
        return start.astype(np.int32), end.astype(np.int32), length

    def _hops(self, x: float) -> csr_array:
        """Islands and legs as a graph; legs shorter than x beside hop copper are free."""
        hop = (self.roles[self.start] == HOP) | (self.roles[self.end] == HOP)
        counted = np.where(hop & (self.length < x), 0.0, self.length)
        n = len(self.roles)
        return csr_array((np.maximum(counted, _ZERO), (self.start, self.end)), shape=(n, n))

    def _drawn(self, tail: int, head: int) -> list[Leg]:
        """One edge as legs, in the direction it is walked."""
        edges, row = self._survey.edges, self._edge[(min(tail, head), max(tail, head))]
        points = edges.points[row]
        if edges.kind[row] == _DIRECT:
            line = _shortened(points[0], points[1], *edges.reach[row])
            legs = [Leg(ON[edges.face[row]], line, float(edges.cost[row]))]
        else:
            legs = self._drawn_crossing(row)
        return legs if edges.tail[row] == tail else _reversed(legs)

    def _drawn_crossing(self, row: int) -> list[Leg]:
        edges, rims = self._survey.edges, self._survey.surface.rims
        p, face = edges.points[row], int(edges.face[row])
        wall = tuple(rims.between(int(edges.loop[row]), *edges.s[row].tolist()))
        before, after = _line(ON[face], p[0], p[1], edges.reach[row, 0]), []
        if not np.isnan(p[3, 0]):
            after = _reversed(_line(ON[1 - face], p[3], p[2], edges.reach[row, 1]))
        rest = float(edges.cost[row]) - sum(leg.length for leg in before + after)
        return [*before, Leg("wall", wall, max(rest, 0.0)), *after]


def _pieces(metal: Copper) -> _Pieces:
    """Cut skeletons into straight pieces; a point is a piece without length."""
    parts, owner = shapely.get_parts(metal.skeleton, return_index=True)
    dimension = shapely.get_dimensions(parts)
    rings, ring_owner = shapely.get_rings(parts[dimension == 2], return_index=True)
    chains = np.concatenate((parts[dimension < 2], rings))
    chain_owner = np.concatenate((owner[dimension < 2], owner[dimension == 2][ring_owner]))
    xy, chain = shapely.get_coordinates(chains, return_index=True)
    points = shapely.get_type_id(chains) == 0
    follows = np.flatnonzero(chain[1:] == chain[:-1])
    single = np.flatnonzero(points[chain]) if len(chain) else np.empty(0, np.intp)
    ends = np.concatenate((np.hstack((xy[follows], xy[follows + 1])), np.hstack((xy[single], xy[single]))))
    rows = chain_owner[np.concatenate((chain[follows], chain[single]))]
    reach = metal.radius[rows] + metal.slack[rows]
    return _Pieces(ends, reach, metal.island[rows], metal.face[rows])


@dataclass(frozen=True, slots=True)
class _InWalls:
    """Exposed copper as pieces along loops."""

    island: Ints
    ends: Floats  # (n, 4) on the board
    loop: Ints
    s: Floats  # (n, 2) from, to
    above: Floats
    below: Floats
    slack: Floats


def _exposed_rims(rims: Rims, exposed: Exposed) -> _InWalls:
    """Lay exposed copper along the rims it lies on; each piece takes the rim nearest to its middle."""
    if not len(exposed.island) or not len(rims):
        none, pairs, rows = np.empty(0), np.empty((0, 2)), np.empty(0, np.int32)
        return _InWalls(rows, np.empty((0, 4)), rows, pairs, none, none, none)
    pieces = _pieces(copper(exposed.line, island=np.arange(len(exposed.island))))
    rows, ends = pieces.island, pieces.ends
    tree = shapely.STRtree(shapely.linestrings(rims.ends.reshape(-1, 2, 2)))
    rim = tree.nearest(shapely.points((ends[:, 0:2] + ends[:, 2:4]) / 2))
    parts = np.column_stack([nearest_part(rims.ends[rim], ends[:, k : k + 2]) for k in (0, 2)])
    s = np.sort(rims.s[rim][:, None] + parts * rims.length[rim][:, None], axis=1)
    above, below = exposed.above[rows], exposed.below[rows]
    return _InWalls(exposed.island[rows], ends, rims.loop[rim], s, above, below, rims.slack[rim])


def _unfolded(ends: Floats, rims: Rims, rim: Rows) -> tuple[Bools, Floats, Floats]:
    """Lay pieces beside their rims: x along the loop, y into the board; what is behind the rim is cut off.

    Returns
    -------
    mask of the pieces that remain, their ends on the board, their ends unfolded
    """
    start = rims.ends[rim, 0:2]
    unit = (rims.ends[rim, 2:4] - start) / rims.length[rim, None]
    depth = np.column_stack([cross(unit, ends[:, k : k + 2] - start) for k in (0, 2)])
    allowed = -2 * rims.slack[rim] - 1e-9
    front = depth.max(axis=1) >= allowed
    ends, depth, unit, start, allowed = ends[front], depth[front], unit[front], start[front], allowed[front]
    drop = depth[:, 0] - depth[:, 1]
    part = np.clip(np.divide(depth[:, 0] - allowed, drop, out=np.zeros(len(drop)), where=drop != 0), 0.0, 1.0)
    middle = along(ends, part)
    cut_start, cut_end = depth[:, 0] < allowed, depth[:, 1] < allowed
    ends = np.hstack(
        (np.where(cut_start[:, None], middle, ends[:, 0:2]), np.where(cut_end[:, None], middle, ends[:, 2:4]))
    )
    depth = np.maximum(np.column_stack([cross(unit, ends[:, k : k + 2] - start) for k in (0, 2)]), 0.0)
    at = rims.s[rim][front]
    x = np.column_stack([at + np.einsum("ij,ij->i", unit, ends[:, k : k + 2] - start) for k in (0, 2)])
    return front, ends, np.column_stack((x[:, 0], depth[:, 0], x[:, 1], depth[:, 1]))


def _angles(piece: Floats, window: Floats, bend_before: Floats, bend_after: Floats, corner: Bools) -> Floats:
    """Directions in which straight lines from unfolded pieces leave through their windows, widened by the bends.

    A path that comes round a corner at the end of its window leaves at most by the corner's bend off the rim: else
    it could be shortened on the other side.
    """
    x, y = piece[:, [0, 2]], piece[:, [1, 3]]
    low = np.arctan2(window[:, :1] - x, y).min(axis=1) - bend_before
    high = np.arctan2(window[:, 1:] - x, y).max(axis=1) + bend_after
    at_rim = y.min(axis=1) <= 1e-6
    low, high = np.where(at_rim, -np.pi / 2, low), np.where(at_rim, np.pi / 2, high)
    starts, ends = np.abs(x[:, 0] - window[:, 0]) <= 1e-6, np.abs(x[:, 0] - window[:, 1]) <= 1e-6
    low = np.where(at_rim & corner & starts, np.pi / 2 - bend_before, low)
    high = np.where(at_rim & corner & ends, -np.pi / 2 + bend_after, high)
    angles: Floats = np.column_stack((low, high))
    return angles


def _may_cross(near: _Approaches, far: _Approaches, a: Rows, b: Rows, offset: Floats) -> Bools:
    """Whether the straight line between two unfolded pieces has a direction that their windows let pass."""
    x_near, x_far = near.piece[a][:, [0, 2]], far.piece[b][:, [0, 2]] + offset[:, None]
    y_near, y_far = near.piece[a][:, [1, 3]], far.piece[b][:, [1, 3]] + far.depth[b][:, None]
    across = (x_far[:, None, :] - x_near[:, :, None]).reshape(-1, 4)
    down = (y_far[:, None, :] + y_near[:, :, None]).reshape(-1, 4)
    angle = np.arctan2(across, down)
    low = np.minimum(near.angle[a, 0], -far.angle[b, 1]) - 1e-6
    high = np.maximum(near.angle[a, 1], -far.angle[b, 0]) + 1e-6
    mask: Bools = (angle.max(axis=1) >= low) & (angle.min(axis=1) <= high)
    return mask


def _angle_boxes(angle: Floats, piece: Floats, shift: Floats) -> Floats:
    x = piece[:, [0, 2]]
    boxes: Floats = np.column_stack(
        (angle[:, 0] - 1e-6, x.min(axis=1) + shift, angle[:, 1] + 1e-6, x.max(axis=1) + shift)
    )
    return boxes


def _boxes(ends: Floats, reach: Floats) -> Floats:
    x, y = ends[:, [0, 2]], ends[:, [1, 3]]
    boxes: Floats = np.column_stack(
        (x.min(axis=1) - reach, y.min(axis=1) - reach, x.max(axis=1) + reach, y.max(axis=1) + reach)
    )
    return boxes


def _joins(left: Floats, right: Floats, reach: Floats) -> Iterator[tuple[Rows, Rows]]:
    """Pairs of rows whose boxes, the left ones widened by their reach, meet; block by block."""
    tree = shapely.STRtree(shapely.box(*right.T))
    wide = left + reach[:, None] * np.array([-1.0, -1.0, 1.0, 1.0])
    for start in range(0, len(left), _BLOCK):
        a, b = tree.query(shapely.box(*wide[start : start + _BLOCK].T))
        if len(a):
            yield a + start, b


def _all_joins(left: Floats, right: Floats, reach: float) -> tuple[Rows, Rows]:
    """The same at once, with one reach for all."""
    pairs = list(_joins(left, right, np.full(len(left), reach)))
    none = [(np.empty(0, np.intp), np.empty(0, np.intp))]
    a, b = (np.concatenate(c) for c in zip(*(pairs or none), strict=True))
    return a, b


def _onwards(nearest: Floats) -> Floats:
    """Least distance to copper that copper of each role is measured to, given the nearest of each role, (3, n)."""
    return np.stack(
        (np.minimum(nearest[TARGET], nearest[HOP]), np.minimum(nearest[SOURCE], nearest[HOP]), nearest.min(axis=0))
    )


def _first_clear(key: npt.NDArray[np.int64], cost: Floats, clear: Callable[[Rows], Bools]) -> Rows:
    """For each key the row of least cost that is clear; keys without one drop out.

    Candidates are asked for in growing bundles, so that the usual case, the first is clear, costs one question.
    """
    order = np.lexsort((cost, key))
    _, first, group = np.unique(key[order], return_index=True, return_inverse=True)
    rank = np.arange(len(order)) - first[group]
    open_ = np.ones(len(first), dtype=bool)
    found: list[Rows] = []
    done, bundle = 0, 1
    while True:
        asked = np.flatnonzero(open_[group] & (rank >= done) & (rank < done + bundle))
        if not len(asked):
            break
        asked = asked[clear(order[asked])]
        groups, leaders = np.unique(group[asked], return_index=True)
        found.append(order[asked[leaders]])
        open_[groups] = False
        done, bundle = done + bundle, bundle * 4
    return np.sort(np.concatenate(found)) if found else np.empty(0, np.intp)


def _sees(sight: Sight, start: Floats, end: Floats) -> Callable[[Rows], Bools]:
    return lambda rows: sight.clear(start[rows], end[rows])


def _lines(
    tail: Ints | Rows,
    head: Ints | Rows,
    cost: Floats,
    face: int,
    start: Floats,
    end: Floats,
    reach: Floats | None = None,
) -> _Edges:
    """Edges that are straight lines on one face."""
    n = len(tail)
    points = np.full((n, 4, 2), np.nan)
    points[:, 0], points[:, 1] = start, end
    return _Edges(
        tail=np.asarray(tail, np.int32),
        head=np.asarray(head, np.int32),
        cost=cost,
        kind=np.full(n, _DIRECT, np.int32),
        face=np.full(n, face, np.int32),
        points=points,
        reach=np.zeros((n, 2)) if reach is None else reach,
        loop=np.full(n, -1, np.int32),
        s=np.zeros((n, 2)),
    )


def _joined(parts: list[_Edges]) -> _Edges:
    return _Edges(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(_Edges)))


def _taken(edges: _Edges, rows: Rows) -> _Edges:
    return _Edges(*(getattr(edges, f.name)[rows] for f in fields(_Edges)))


def _stacked(parts: list[_Approaches]) -> _Approaches:
    if parts:
        return _Approaches(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(_Approaches)))
    none, pairs, rows = np.empty(0), np.empty((0, 2)), np.empty(0, np.int32)
    quads = np.empty((0, 4))
    return _Approaches(rows, rows, quads, quads, rows, pairs, rows, none, none, none, pairs, none)


def _shortest_edges(edges: _Edges, size: int) -> _Edges:
    """The cheapest edge of each pair of nodes."""
    low, high = np.minimum(edges.tail, edges.head).astype(np.int64), np.maximum(edges.tail, edges.head)
    order = np.lexsort((edges.cost, low * size + high))
    _, first = np.unique((low * size + high)[order], return_index=True)
    return _taken(edges, order[first])


def _directed(survey: _Survey) -> tuple[csr_array, dict[tuple[int, int], int]]:
    """The search graph: a path may start and end at an island but not pass through; and edge rows by their nodes."""
    edges, size, islands = survey.edges, survey.size, survey.islands
    tail, head = np.concatenate((edges.tail, edges.head)), np.concatenate((edges.head, edges.tail))
    cost = np.maximum(np.concatenate((edges.cost, edges.cost)), _ZERO)
    into = np.where(head < islands, head + size, head)
    graph = csr_array((cost, (tail, into)), shape=(size + islands, size + islands))
    low, high = np.minimum(edges.tail, edges.head), np.maximum(edges.tail, edges.head)
    return graph, {pair: row for row, pair in enumerate(zip(low.tolist(), high.tolist(), strict=True))}


def _walked(came_from: Ints, start: int, end: int) -> list[int]:
    """Nodes from start to end."""
    nodes = [end]
    while nodes[-1] != start:
        nodes.append(int(came_from[nodes[-1]]))
    return nodes[::-1]


def _blocks(rows: Rows, size: int = 64) -> Iterator[Rows]:
    for start in range(0, len(rows), size):
        yield rows[start : start + size]


def _unzeroed(lengths: Floats) -> Floats:
    """Lengths without the trace that a sparse graph needs for zero."""
    return np.where(lengths < 1e-9, 0.0, lengths)


def _none(columns: int) -> list[Floats]:
    return [np.empty(0)] * columns


def _shortened(start: Floats, end: Floats, at_start: float, at_end: float) -> tuple[tuple[float, float], ...]:
    """A line less the copper at its ends."""
    length = float(np.hypot(*(end - start)))
    if length <= at_start + at_end:
        middle = start + (end - start) * (at_start / max(at_start + at_end, _ZERO))
        return (_xy(middle), _xy(middle))
    unit = (end - start) / length
    return _xy(start + unit * at_start), _xy(end - unit * at_end)


def _line(on: str, start: Floats, end: Floats, at_start: float) -> list[Leg]:
    """A stretch of face before or after a wall; nothing if copper reaches the rim."""
    length = float(np.hypot(*(end - start)) - at_start)
    return [Leg(on, _shortened(start, end, at_start, 0.0), length)] if length > 1e-9 else []


def _reversed(legs: list[Leg]) -> list[Leg]:
    return [Leg(leg.on, leg.points[::-1], leg.length, leg.island) for leg in reversed(legs)]


def _merged(course: list[Leg]) -> list[Leg]:
    """Join lines on one face that meet at corners."""
    out: list[Leg] = []
    for leg in course:
        if out and out[-1].on == leg.on != "wall":
            last = out.pop()
            out.append(Leg(leg.on, last.points + leg.points[1:], last.length + leg.length))
        else:
            out.append(leg)
    return out


def _norm(vectors: Floats) -> Floats:
    length: Floats = np.hypot(vectors[:, 0], vectors[:, 1])
    return length


def _xy(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _renamed(metal: Copper, first: int) -> Copper:
    """Sources and targets become one island; hops keep theirs, numbered from `first`."""
    if first < 2:
        island = np.full(len(metal), first, np.int32)
    else:
        island = (first + np.unique(metal.island, return_inverse=True)[1]).astype(np.int32)
    return Copper(island, metal.face, metal.skeleton, metal.radius, metal.slack)
