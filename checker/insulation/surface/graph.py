"""The search graph on the surface of a board: copper and corners, joined by lines in sight and by
ways over walls.

Built stage by stage, each kept within a limit that no path of interest exceeds:
1. straight lines from copper to copper of one face,
2. lines from copper to corners that a shortest path can bend round, and between such corners,
3. ways over walls.

Literature, from memory: visibility graphs, thinned out to lines that touch both corners (tangents);
Dijkstra's method on the graph that is left.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.sparse import csr_array

from checker.geometry.board_edges import Corners, CountedSight, Rims, Sight
from checker.geometry.boxes import box_gaps
from checker.geometry.segments import (
    along,
    closest,
    distance_to,
    nearest_part,
    parallel,
    touching_lines,
)
from checker.insulation.surface.edges import (
    BOTTOM,
    HOP,
    SOURCE,
    TARGET,
    TOP,
    Copper,
    Edges,
    Exposed,
    Pieces,
    all_joins,
    boxes_of,
    cheapest,
    contested,
    first_clear,
    joined,
    joins,
    lines,
    meet,
    no_rows,
    norm,
    onwards,
    pieces_of,
    row_min,
)
from checker.insulation.surface.grooves import Links, unsampled
from checker.insulation.surface.known import (
    Around,
    Known,
    Reach,
    Shortest,
    around_of,
    beating,
    known_from,
    no_paths,
    nothing_around,
    reach_of,
    shortest_of,
)
from checker.insulation.surface.wall_copper import BareWalls
from checker.insulation.surface.wall_paths import CORNER, Walls
from checker.insulation.surface.wall_windows import Starts, in_walls, no_gate
from parsers.primitives import Bools, Floats, Ints, Rows

ZERO = 1e-12  # mm; what stands for no length in a sparse graph, where 0 means no edge
# lines of sight that one search looks along for links, per _MANY pieces of copper: some 4 seconds
MOST_LINES = 40_000
_MANY = 1000
_STRIDES = (64, 16, 4)  # of the samples of links that are laid out first
_TIE = 1e-9  # mm; lengths closer than this are the same


@dataclass(frozen=True, slots=True)
class Ground:
    """What a surface is made of."""

    rims: Rims
    bridged: Bools  # rims of voids that a path may cross
    widths: Floats  # (n, 2) least and greatest of the voids at these, square to the rim
    x: float
    corners: Corners  # of the board, then ends of links
    links: Links
    sight: Sight
    thickness: float

    def solid_corners(self) -> int:
        """How many corners are of the board."""
        return len(self.corners) - 2 * len(self.links)


@dataclass(frozen=True, slots=True)
class _Found:
    """Ways over walls found so far, and the shortest paths between conductors that are known with
    them.
    """

    shortest: Shortest
    edges: list[Edges]


class Graph:
    """Nodes and edges of one search.

    Attributes
    ----------
    roles : SOURCE, TARGET or HOP of each island
    islands, nodes : their numbers; islands come first
    edges : the cheapest of each pair of nodes, in the order of `pair_keys`
    """

    def __init__(
        self,
        ground: Ground,
        metal: Copper,
        roles: Ints,
        limit: float,
        bare: Exposed,
        conductor: Ints,
        most: int,
        free: tuple[Bools, float] | None,
    ) -> None:
        self._conductor = conductor
        self._ground, self._metal, self.roles, self._limit = ground, metal, roles, limit
        self.islands = len(roles)
        self._corners = len(ground.corners)
        self.nodes = self.islands + 2 * self._corners
        pieces = pieces_of(metal.skeleton, metal.radius + metal.slack)
        near = self._near_others(pieces, metal.island[pieces.row], bare)
        self._pieces = Pieces(pieces.ends[near], pieces.reach[near], pieces.row[near])
        self._sight = CountedSight(ground.sight)
        self._island = metal.island[self._pieces.row]
        self._face = metal.face[self._pieces.row]
        self._in_walls = in_walls(ground.rims, ground.bridged, bare)
        around = self._all_around(*free) if free is not None else nothing_around(self.islands)
        self._around = around, around.by(conductor)
        # least lengths of paths that come to corners, and to ends of links over their links; by
        # face and role
        self._behind = np.full((2, self._corners, 3), np.inf)
        self._beside = self._behind  # the same, but to ends of links from the board
        found = [step(face) for step in (self._contacts, self._direct) for face in (TOP, BOTTOM)]
        self.edges = cheapest(joined(found), self.nodes)
        self._found = _Found(no_paths(), [])
        if self._corners:
            self._look_round_corners()
        self._over_walls(no_rows())
        if len(ground.links):
            self._sight.allow(most * max(1, len(self._pieces.row) // _MANY))
            self._over_links()
        self._add(self._found.edges)

    def _near_others(self, pieces: Pieces, island: Ints, bare: Exposed) -> Bools:
        """Pieces that may lie within the limit of something they are measured to, seen from
        above.
        """
        walls = shapely.bounds(bare.line).reshape(-1, 4)
        owner = np.concatenate((island, bare.island))
        role = self.roles[owner]
        label = np.where(role == HOP, 2 + owner, np.where(role == SOURCE, 0, 1)).astype(np.int32)
        return contested(np.concatenate((pieces.boxes(), walls)), label, self._limit)[: len(island)]

    @property
    def stopped(self) -> bool:
        """Whether it was given up."""
        return self._sight.given_up

    def _all_around(self, soft: Bools, x: float) -> Around:
        """What paths count at least before and behind legs: straight lines seen from above, from
        copper to copper.
        """
        pieces, walls = self._pieces, self._in_walls
        ends = np.concatenate((pieces.ends, walls.ends))
        reach, island = (
            np.concatenate((pieces.reach, walls.slack)),
            np.concatenate((self._island, walls.island)),
        )
        boxes, found = boxes_of(ends, reach), no_paths()
        for left, right in joins(boxes, boxes, self._limit):
            kept = (island[left] < island[right]) & self.meet(island[left], island[right])
            a, b = left[kept], right[kept]
            pair = island[a].astype(np.int64) * self.islands + island[b]
            near = np.flatnonzero(
                box_gaps(boxes[a], boxes[b]) <= found.of(pair)
            )  # the rest is no shorter
            a, b = a[near], b[near]
            length = np.maximum(closest(ends[a], ends[b])[0] - reach[a] - reach[b], 0.0)
            found = found.with_shorter(shortest_of(pair[near], length))
        one, two = (column.astype(np.int32) for column in np.divmod(found.pair, self.islands))
        return around_of(one, two, found.length, self.roles, soft, x)

    def meet(self, a: Ints, b: Ints) -> Bools:
        """Whether the distance between two islands is wanted."""
        return meet(self.roles, a, b)

    # ----------------------------------------------------------------------------- copper to copper

    def _contacts(self, face: int) -> Edges:
        """Copper of two islands that lies within copper of the other: no distance."""
        rows = np.flatnonzero(self._metal.face == face)
        shapes = self._metal.skeleton[rows]
        areas = np.flatnonzero(shapely.get_dimensions(shapes) == 2)
        a, b = shapely.STRtree(shapes).query(shapes[areas], predicate="intersects")
        tail, head = self._metal.island[rows[areas[a]]], self._metal.island[rows[b]]
        wanted = self.meet(tail, head)
        at = shapely.get_coordinates(shapely.point_on_surface(shapes[b[wanted]]))
        return lines(tail[wanted], head[wanted], np.zeros(len(at)), face, (at, at), None)

    def _direct(self, face: int) -> Edges:
        """Straight lines from copper to copper."""
        role = self.roles[self._island]
        left = np.flatnonzero((self._face == face) & (role != TARGET))
        right = np.flatnonzero((self._face == face) & (role != SOURCE))
        boxes = self._pieces.boxes()
        found = [
            self._touching(left[a], right[b])
            for a, b in joins(boxes[left], boxes[right], self._limit)
        ]
        a, b, length, part_a, part_b = _columns(found)
        p, q = along(self._pieces.ends[a], part_a), along(self._pieces.ends[b], part_b)
        key = self._island[a].astype(np.int64) * self.islands + self._island[b]
        rows = first_clear(key, length, self._sees(p, q))
        a, b = a[rows], b[rows]
        reach = np.column_stack((self._pieces.reach[a], self._pieces.reach[b]))
        return lines(
            self._island[a], self._island[b], length[rows], face, (p[rows], q[rows]), reach
        )

    def _touching(self, a: Rows, b: Rows) -> tuple[Rows, Rows, Floats, Floats, Floats]:
        """Shortest lines of wanted pairs of pieces, both ends of the stretch where two pieces are
        parallel.

        Returns
        -------
        rows of both pieces, lengths less the copper's reach, parts of both pieces
        """
        one, two = self._island[a], self._island[b]
        twice = (self.roles[one] == HOP) & (self.roles[two] == HOP) & (one > two)
        wanted = self.meet(one, two) & ~twice
        a, b = a[wanted], b[wanted]
        ends_a, ends_b = self._pieces.ends[a], self._pieces.ends[b]
        reach = self._pieces.reach[a] + self._pieces.reach[b]
        length, part_a, part_b = closest(ends_a, ends_b)
        near = np.flatnonzero(length - reach <= self._limit)
        side_by_side = near[parallel(ends_a[near], ends_b[near])]
        ties, ties_a, ties_b = touching_lines(ends_a[side_by_side], ends_b[side_by_side])
        row, which = np.nonzero(ties <= length[side_by_side, None] + _TIE)
        rows = np.concatenate((near, side_by_side[row]))
        length = np.concatenate((length[near], ties[row, which]))
        parts_a, parts_b = (
            np.concatenate(c)
            for c in ((part_a[near], ties_a[row, which]), (part_b[near], ties_b[row, which]))
        )
        return a[rows], b[rows], np.maximum(length - reach[rows], 0.0), parts_a, parts_b

    def _sees(self, start: Floats, end: Floats) -> Callable[[Rows], Bools]:
        """Tells for some rows whether their lines stay on the board."""
        return lambda rows: self._sight.clear(start[rows], end[rows])

    # -------------------------------------------------------------------------------------- corners

    def _look_round_corners(self) -> None:
        """Lines from copper to corners of the board and between those; how far all corners are from
        copper.
        """
        self._to_see = self._seen_from_above()
        piece, corner, _, length = self._to_see
        nearest = self._nearest(piece, corner, length)
        self._reach = self._reach_of(piece, corner, length)
        over = self._behind_links(nearest)
        useful = (nearest + onwards(over.min(axis=0))).min(axis=2) <= self._limit
        self._beside, self._behind = (
            np.where(useful[..., None], least, np.inf) for least in (nearest, over)
        )
        self._ways = onwards(over.min(axis=0))
        solid = self._useful_corners()
        solid = solid[solid < self._ground.solid_corners()]
        self._add([*self._from_copper(solid), *self._lines_between(solid, solid)])

    def _seen_from_above(self) -> tuple[Rows, Rows, Floats, Floats]:
        """Pieces of copper and corners within the limit: rows of both, nearest points, lengths less
        copper's reach.
        """
        at = self._ground.corners.at
        piece, corner = all_joins(self._pieces.boxes(), boxes_of(np.hstack((at, at))), self._limit)
        points = along(self._pieces.ends[piece], nearest_part(self._pieces.ends[piece], at[corner]))
        length = np.maximum(norm(points - at[corner]) - self._pieces.reach[piece], 0.0)
        near = length <= self._limit
        return piece[near], corner[near], points[near], length[near]

    def _from_copper(self, wanted: Rows) -> Iterator[Edges]:
        """Lines from copper to some of the corners."""
        mine = np.zeros(self._corners, dtype=bool)
        mine[wanted] = True
        piece, corner, points, length = self._to_see
        rows = np.flatnonzero(mine[corner])
        piece, corner, points, length = piece[rows], corner[rows], points[rows], length[rows]
        rest = self._ways[corner, self.roles[self._island[piece]]]
        length = np.where(
            corner < self._ground.solid_corners(),
            length,
            np.maximum(length - unsampled(length), 0.0),
        )
        kept = (length + rest <= self._limit) & self._bends(corner, points)
        yield from self._to_corners(piece[kept], corner[kept], points[kept], length[kept])

    def _bends(self, corner: Rows, points: Floats) -> Bools:
        """Whether a shortest path from each point may bend at its corner or end of a link."""
        ground = self._ground
        return ground.corners.taut(corner, points) & ground.links.from_board(
            corner - ground.solid_corners(), points
        )

    def _nearest(self, piece: Rows, corner: Rows, length: Floats) -> Floats:
        """Distance of each corner from the nearest copper, seen from above; (faces, corners,
        roles).

        Copper in walls counts for both faces. What a path counts beyond floating copper is added.
        """
        at, walls, beyond = self._ground.corners.at, self._in_walls, self._beyond()
        length = length + beyond[self._island[piece]]
        nearest = np.full((2, self._corners, 3), np.inf)
        np.minimum.at(nearest, (self._face[piece], corner, self.roles[self._island[piece]]), length)
        wall, seen = all_joins(
            boxes_of(walls.ends, walls.slack), boxes_of(np.hstack((at, at))), self._limit
        )
        apart = np.maximum(distance_to(walls.ends[wall], at[seen]) - walls.slack[wall], 0.0)
        apart += beyond[walls.island[wall]]
        for face in (TOP, BOTTOM):
            np.minimum.at(nearest[face], (seen, self.roles[walls.island[wall]]), apart)
        return nearest

    def _beyond(self) -> Floats:
        """What a path counts at least beyond each island, mm; nothing beyond those that it starts
        or ends at.
        """
        return np.where(self.roles == HOP, self._around[0].beyond(), 0.0)

    def _reach_of(self, piece: Rows, corner: Rows, length: Floats) -> Reach:
        """Distance of corners from each island, seen from above; copper in walls is near both
        faces.
        """
        at, walls = self._ground.corners.at, self._in_walls
        wall, seen = all_joins(
            boxes_of(walls.ends, walls.slack), boxes_of(np.hstack((at, at))), self._limit
        )
        apart = np.maximum(distance_to(walls.ends[wall], at[seen]) - walls.slack[wall], 0.0)
        islands = np.concatenate((self._island[piece], walls.island[wall], walls.island[wall]))
        face = np.concatenate((self._face[piece], np.repeat([TOP, BOTTOM], len(wall)))).astype(
            np.int32
        )
        corner, length = (
            np.concatenate((corner, seen, seen)),
            np.concatenate((length, apart, apart)),
        )
        return reach_of(corner, islands, face, length, self._corners)

    def _behind_links(self, nearest: Floats) -> Floats:
        """The same for paths that come to ends of links over their links."""
        solid, links = self._ground.solid_corners(), self._ground.links
        over = nearest.copy()
        first, second = slice(solid, solid + len(links)), slice(solid + len(links), None)
        over[:, first] = nearest[:, second] + links.length[:, None]
        over[:, second] = nearest[:, first] + links.length[:, None]
        return over

    def _to_corners(
        self, piece: Rows, corner: Rows, points: Floats, length: Floats
    ) -> Iterator[Edges]:
        at = self._ground.corners.at
        for face in (TOP, BOTTOM):
            rows = np.flatnonzero(self._face[piece] == face)
            key = self._island[piece[rows]].astype(np.int64) * self._corners + corner[rows]
            seen = self._sees(points[rows], at[corner[rows]])
            rows = rows[first_clear(key, length[rows], seen)]
            reach = np.column_stack((self._pieces.reach[piece[rows]], np.zeros(len(rows))))
            ends = points[rows], at[corner[rows]]
            heads = self._corner_nodes(corner[rows], face)
            yield lines(self._island[piece[rows]], heads, length[rows], face, ends, reach)

    def _useful_corners(self) -> Rows:
        """Corners that are near enough to copper on both their sides, seen from above."""
        useful: Rows = np.flatnonzero(np.isfinite(self._behind).any(axis=(0, 2)))
        return useful

    def _lines_between(self, some: Rows, others: Rows) -> Iterator[Edges]:
        """Lines between corners, each pair once."""
        corners, by_role = self._ground.corners, self._behind.min(axis=0)
        behind, onward = row_min(by_role), onwards(by_role)
        place, lands = self._places()
        both = np.zeros(len(corners), dtype=bool)
        both[some] = True
        boxes = [boxes_of(np.hstack((corners.at, corners.at))[rows]) for rows in (some, others)]
        for a, b in joins(boxes[0], boxes[1], self._limit - behind[some]):
            if len(self._ground.links) and self._sight.spent():
                break
            u, w = some[a], others[b]
            kept = (u < w) | ~both[w]
            # nothing is won by two links of one place, nor by landing twice in a row
            kept &= ((place[u] != place[w]) | (place[u] < 0)) & ~(lands[u] & lands[w])
            u, w = u[kept], w[kept]
            kept = (
                norm(corners.at[u] - corners.at[w]) + row_min(by_role[u] + onward[w]) <= self._limit
            )
            u, w = u[kept], w[kept]
            kept = self._bends(u, corners.at[w]) & self._bends(w, corners.at[u])
            u, w = u[kept], w[kept]
            kept = self._sight.clear(corners.at[u], corners.at[w])
            u, w = u[kept], w[kept]
            yield from self._corner_lines(u, w, norm(corners.at[u] - corners.at[w]), self._behind)

    def _places(self) -> tuple[Ints, Bools]:
        """The narrow place of each corner, -1 for those of the board, and which are landings."""
        links, solid = self._ground.links, self._ground.solid_corners()
        place = np.concatenate((np.full(solid, -1, np.int32), links.place, links.place))
        return place, np.concatenate((np.zeros(solid, dtype=bool), links.lands(), links.lands()))

    # ---------------------------------------------------------------------------------------- links

    def _over_links(self) -> None:
        """Links that may beat what is known without them, and their lines to all that may go on
        from them.

        Samples are taken coarse ones first: what those bring bounds the next, so that few of the
        others are laid out.
        """
        solid, count = self._ground.solid_corners(), len(self._ground.links)
        useful = np.zeros(self._corners, dtype=bool)
        useful[self._useful_corners()] = True
        rows = np.flatnonzero(useful[solid : solid + count] & useful[solid + count :])
        laid = opened = no_rows()
        walled = 0  # how many links were open when walls were last looked at
        for stride in (*_STRIDES, 1) if not len(self._in_walls.island) else (1,):
            rows = rows[self._beat(rows, self._reach, self._known())]
            if self._stops(len(rows) > 0):
                break
            batch, rows = rows[rows % stride == 0], rows[rows % stride != 0]
            if len(batch):
                laid = np.concatenate((laid, batch))
                opened = self._lay_out(batch, laid, opened)
                if len(opened) and not walled:
                    walled = len(opened)
                    self._over_walls(opened)
        if len(opened) > walled:
            self._over_walls(opened)

    def _stops(self, more: bool) -> bool:
        """Whether to stop since too many lines were asked for, though there is more to look at."""
        return more and self._sight.spent()

    def _lay_out(self, batch: Rows, laid: Rows, opened: Rows) -> Rows:
        """Lines to and over more links, as far as some conductor comes near enough to one of their
        ends.

        A path over links comes to the first of them without any. So those are taken first that some
        conductor comes to like that, then those that it comes to over these, and so on: mostly
        there are few, or none.

        Parameters
        ----------
        batch : the links
        laid : these and those before them
        opened : those whose lines to others are known

        Returns
        -------
        the latter, more of them
        """
        corners = self._useful_corners()
        corners = corners[corners < self._ground.solid_corners()]
        ends = self._ends_of(batch)
        self._add(
            [
                *self._from_copper(ends),
                *self._lines_between(np.concatenate((corners, self._ends_of(opened))), ends),
            ]
        )
        rest = np.setdiff1d(laid, opened)
        while len(rest):
            known = self._known()
            fresh = self._beat(rest, self._walked(known), known) | (len(self._in_walls.island) > 0)
            if not fresh.any() or self._stops(more=True):
                break
            new, rest = rest[fresh], rest[~fresh]
            one, two = np.split(self._ends_of(new), 2)
            own = self._corner_lines(one, two, self._ground.links.length[new], self._beside)
            self._add([*own, *self._lines_between(self._ends_of(new), self._ends_of(laid))])
            opened = np.concatenate((opened, new))
        return opened

    def _ends_of(self, links: Rows) -> Rows:
        """Corners at both ends of links: all first ends, then all second ones."""
        first = self._ground.solid_corners() + links
        return np.concatenate((first, first + len(self._ground.links)))

    def _beat(self, links: Rows, reach: Reach, known: Known) -> Bools:
        """Which links may be part of a path that beats what is known, given how conductors come to
        one end.
        """
        solid, ground = self._ground.solid_corners(), self._ground
        one, two = solid + links, solid + len(ground.links) + links
        length, height = ground.links.length[links], ground.thickness
        mask: Bools = beating(reach, self._reach, (one, two), length, known, height)
        mask |= beating(reach, self._reach, (two, one), length, known, height)
        return mask

    def _walked(self, known: Known) -> Reach:
        """How far corners are from islands on paths found so far."""
        node = np.repeat(np.arange(self.nodes), np.diff(known.first)) - self.islands
        rows = np.flatnonzero(node >= 0)
        face, corner = np.divmod(node[rows], self._corners)
        return reach_of(
            corner, known.island[rows], face.astype(np.int32), known.length[rows], self._corners
        )

    def _behind_with(self, opened: Rows) -> Floats:
        """Least lengths of paths that come to corners, infinite for ends of links that are not opened; (corners, 3)."""
        least: Floats = self._behind.min(axis=0)
        shut = np.arange(self._corners) >= self._ground.solid_corners()
        shut[self._ends_of(opened)] = False
        least[shut] = np.inf
        return least

    def _known(self) -> Known:
        """What paths found so far tell; those over walls are shorter than what joins the same
        conductors on faces.
        """
        known = known_from(
            directed(self), self.roles, self._conductor, self.nodes, self._limit, self._around
        )
        return known.with_shorter(self._found.shortest)

    def _corner_lines(self, u: Rows, w: Rows, length: Floats, behind: Floats) -> Iterator[Edges]:
        """Lines between corners, on each face where copper is near enough to both."""
        at = self._ground.corners.at
        for face in (TOP, BOTTOM):
            here = behind[face]
            anywhere = onwards(behind.min(axis=0))  # at one end a path may go on over a wall
            least = np.minimum(row_min(here[u] + anywhere[w]), row_min(here[w] + anywhere[u]))
            kept = length + least <= self._limit
            a, b = u[kept], w[kept]
            ends = at[a], at[b]
            yield lines(
                self._corner_nodes(a, face),
                self._corner_nodes(b, face),
                length[kept],
                face,
                ends,
                None,
            )

    def _corner_nodes(self, corner: Rows, face: int) -> Rows:
        return self.islands + face * self._corners + corner

    # ---------------------------------------------------------------------------------------- walls

    def _over_walls(self, opened: Rows) -> None:
        """Ways over walls that beat what is known, from the board or links; first those to copper in walls."""
        ground = self._ground
        if not len(ground.rims):
            return
        place = np.tile(ground.links.place, 2)
        linked = np.where(place < 0, CORNER, CORNER + 1 + place)
        kinds = np.concatenate((np.full(ground.solid_corners(), CORNER), linked)).astype(np.int32)
        bare = BareWalls(
            self._in_walls,
            self._in_walls.strips(),
            ground.rims,
            ground.bridged,
            ground.widths,
            ground.x,
            self._sight,
            ground.thickness,
            self._limit,
            self.roles,
        )
        walls = Walls(bare, ground.corners, self.nodes, np.concatenate((self.roles, kinds, kinds)))
        if len(bare):
            behind = self._behind_with(opened)
            self._add(walls.to_copper([self._starts(face, behind) for face in (TOP, BOTTOM)]))
        known = self._known()
        behind = known.by_role()[self.islands :].reshape(2, self._corners, 3)
        edges, search = walls.between_faces(
            [self._starts(face, behind[face]) for face in (TOP, BOTTOM)], known
        )
        shortest = self._found.shortest.with_shorter(search.found())
        self._found = _Found(shortest, [*self._found.edges, *edges])

    def _add(self, more: Iterable[Edges]) -> None:
        """Further edges; of each pair of nodes the cheapest stays."""
        self.edges = cheapest(joined([self.edges, *more]), self.nodes)

    def _starts(self, face: int, behind: Floats) -> Starts:
        """Copper of a face and those of its corners that paths come to, given least lengths by role
        of their source.
        """
        mine = np.flatnonzero(self._face == face)
        useful = np.flatnonzero(np.isfinite(behind).any(axis=1))
        at = self._ground.corners.at[useful]
        first = self._ground.solid_corners()
        solid = np.where(useful < first, useful, -1)  # a path leaves a link in any direction
        own = np.where(self.roles[self._island[mine]][:, None] == np.arange(3), 0.0, np.inf)
        return Starts(
            node=np.concatenate((self._island[mine], self._corner_nodes(useful, face))).astype(
                np.int32
            ),
            ends=np.concatenate((self._pieces.ends[mine], np.hstack((at, at)))),
            reach=np.concatenate((self._pieces.reach[mine], np.zeros(len(useful)))),
            behind=np.concatenate((own, behind[useful])),
            corner=np.concatenate((np.full(len(mine), -1), solid)),
            board=np.concatenate(
                (np.zeros((len(mine), 2)), self._ground.links.board_sides(useful - first))
            ),
            gate=no_gate(len(mine) + len(useful)),
        )


def _columns(
    found: list[tuple[Rows, Rows, Floats, Floats, Floats]],
) -> tuple[Rows, Rows, Floats, Floats, Floats]:
    none = np.empty(0)
    rows_a, rows_b, *real = zip(*found, (no_rows(), no_rows(), none, none, none), strict=True)
    a, b, (length, part_a, part_b) = (
        np.concatenate(rows_a),
        np.concatenate(rows_b),
        map(np.concatenate, real),
    )
    return a, b, length, part_a, part_b


def directed(graph: Graph) -> Any:
    """The search graph as a matrix: a path may start and end at an island but not pass through.

    Islands as ends are nodes of their own, after all others.
    """
    edges, n = graph.edges, graph.nodes
    tail, head = np.concatenate((edges.tail, edges.head)), np.concatenate((edges.head, edges.tail))
    cost = np.maximum(np.concatenate((edges.cost, edges.cost)), ZERO)
    into = np.where(head < graph.islands, head + n, head)
    return csr_array((cost, (tail, into)), shape=(n + graph.islands, n + graph.islands))
