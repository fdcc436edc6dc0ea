"""Ways over the walls of free edges: from face to face, and to copper that lies in a wall.

A way leaves a face through one straight piece of rim (a window), crosses the wall and enters the
other face through another window of the same rim. Unfolded beside the wall, it is straight but for
bends at the ends of windows. What can be an end of such a way, seen from one face through one
window, is an *approach*. Two approaches from both sides of a wall belong together only if some
direction lets a line pass both windows; so a round hole with hundreds of windows is paired by a
join over directions and not window by window.

A way over a bridged groove and down its far wall may take a link from the rim down to that wall. It
is measured across and down, less the most that such a link saves: exact for a way square to a
groove of one width, further than X from its ends; else too short, by at most 0.41 X.

Literature, from memory: unfolding of polyhedra; joins of intervals in sorted order (plane sweep).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from checker.geometry.board_edges import Corners, Rims, leans_of, saved
from checker.geometry.segments import (
    ROUNDING,
    along,
    nearest_part,
    passing,
    through_windows,
    touching_lines,
)
from checker.insulation.surface.edges import (
    BOTTOM,
    FAR,
    HOP,
    MIDDLE,
    NEAR,
    NOTHING,
    TOP,
    WALL,
    Edges,
    boxes_of,
    first_clear,
    joins,
    no_rows,
    no_stretches,
    norm,
    onwards,
    row_max,
    row_min,
)
from checker.insulation.surface.known import Known
from checker.insulation.surface.wall_copper import BareWalls
from checker.insulation.surface.wall_search import Bundle, Search, Windows, windows_of
from checker.insulation.surface.wall_windows import (
    AT_RIM,
    BOARD,
    SLIGHT,
    VOID,
    Approaches,
    Starts,
    angle_from,
    level,
    stacked_approaches,
    stacked_starts,
    unfolded_beside,
    window_angles,
)
from parsers.primitives import Bools, Floats, Ints, Rows, repeated

CORNER = HOP + 1  # kind of a node that is no island

_RUN = 16  # rims in a row that corners are first joined with
_GATE = 1e-5  # mm; a way may miss a gate by so much: gates side by side leave no gap


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Approaches from both sides of a wall that may belong together; columns of length n."""

    near: Rows
    far: Rows
    offset: Floats  # how far along the loop the far side is moved: a round of the loop, or none
    least: Floats  # mm; what the way between them cannot be shorter than


@dataclass(frozen=True, slots=True)
class _FaceEnds:
    """Where ways run on one face, and where they come up a wall from copper before that; columns of
    length n.
    """

    foot: Floats  # (n, 2) on copper in a wall, NaN for what comes from the face
    at: Floats  # (n, 2) where they begin on the face; NaN for what stays in the wall
    rim: Floats  # (n, 2) where they leave it
    passes: Bools  # whether they come by their gate
    rise: Floats  # mm up the wall

    def take(self, rows: Rows) -> _FaceEnds:
        """Some of the rows."""
        return _FaceEnds(*(getattr(self, f.name)[rows] for f in fields(self)))

    def parted(self, length: Floats, reach: Floats) -> tuple[Floats, Floats]:
        """Lengths, copper's reach and slack taken off, on the wall and on the face."""
        on_face = np.isnan(self.foot[:, 0])
        rise = np.where(on_face, 0.0, self.rise)
        face = np.maximum(length - rise - np.where(on_face, reach, 0.0), 0.0)
        return np.where(on_face, 0.0, np.maximum(rise - reach, 0.0)), face


@dataclass(frozen=True, slots=True)
class Walls:
    """What ways over walls need to know; the first nodes are the islands, whose roles are given.

    `kind` numbers nodes: two of the same number are not joined unless it is HOP or CORNER.
    """

    bare: BareWalls
    corners: Corners
    nodes: int
    kind: Ints

    @property
    def rims(self) -> Rims:
        """All rims."""
        return self.bare.rims

    @property
    def limit(self) -> float:
        """No path is longer, mm."""
        return self.bare.limit

    def to_copper(self, starts: Sequence[Starts]) -> list[Edges]:
        """Ways over one wall, or none, to copper in walls and between such copper.

        Parameters
        ----------
        starts : of both faces, from where they lead to copper in walls: they may have come over a
            wall before
        """
        if not len(self.bare):
            return []
        found: list[Edges] = []
        for face, some in zip((TOP, BOTTOM), starts, strict=True):
            found += self._cheapest_in_sight(
                self._approaches(some), self.bare.approaches(face), face
            )
            found += self.bare.by_face(self.bare.laid_beside(face), face)
        return [*found, self.bare.along()]

    def between_faces(self, starts: Sequence[Starts], known: Known) -> tuple[list[Edges], Search]:
        """Ways over walls from face to face that beat what is known between their conductors.

        Parameters
        ----------
        starts : of both faces
        known : what faces, and walls with copper, have shown

        Returns
        -------
        the ways, and what they made of the shortest paths
        """
        if len(self.bare):
            laid = [self.bare.starts(self.bare.laid_beside(face)) for face in (TOP, BOTTOM)]
            starts = [stacked_starts(pair) for pair in zip(starts, laid, strict=True)]
        over, under = (self._approaches(some) for some in starts)
        near, far = self._hopeful(over, under, under.depth), self._hopeful(under, over, over.depth)
        search = Search(known, self.bare.thickness, self.limit, self.rims.perimeter)
        one, two = self._windows(near, known), self._windows(far, known)
        found: list[Edges] = []
        for bundle in search.bundles(one, two):
            if self.bare.sight.spent():
                break
            kept = bundle.take(self._apart(near, far, one, two, bundle))
            found += self._best_of(near, far, kept, (one, two), search)
        return found, search

    def _apart(
        self, near: Approaches, far: Approaches, one: Windows, two: Windows, bundle: Bundle
    ) -> Bools:
        """Pairs of approaches that are not from two links of one place: nothing is won by those."""
        first, second = (
            self.kind[side.node[windows.row[rows]]]
            for side, windows, rows in ((near, one, bundle.near), (far, two, bundle.far))
        )
        mask: Bools = (first != second) | (first == CORNER)
        return mask

    def _best_of(
        self,
        near: Approaches,
        far: Approaches,
        bundle: Bundle,
        windows: tuple[Windows, Windows],
        search: Search,
    ) -> Iterator[Edges]:
        """The ways of a bundle that beat the best path of their conductors."""
        one, two = windows
        pairs = _Pairs(
            one.row[bundle.near], two.row[bundle.far], bundle.offset, np.zeros(len(bundle.near))
        )
        before = one.before[bundle.near] + two.before[bundle.far]
        yield from self._best_first(near, far, pairs, TOP, (bundle.key, before, search.best))

    def _windows(self, some: Approaches, known: Known) -> Windows:
        """Approaches by island and window, those that another is nearer than everywhere left
        out.
        """
        row, entry = known.entries(some.node)
        before, island = known.length[entry], known.island[entry]
        far = before + some.apart[row] < self.limit - self.bare.thickness
        row, before, island = row[far], before[far], island[far]
        window = self.rims.ends[some.rim]
        middle = (window[:, :2] + window[:, 2:]) / 2
        point = along(some.world, nearest_part(some.world, middle))
        most = np.maximum(norm(point - window[:, :2]), norm(point - window[:, 2:])) - some.reach
        most[some.gate[:, 0] >= 0] = np.inf
        corners = np.stack((point, window[:, :2], window[:, 2:]), axis=1)
        key = island.astype(np.int64) * len(self.rims) + some.rim[row]
        order = np.lexsort((before + most[row], key))
        _, first, group = np.unique(key[order], return_index=True, return_inverse=True)
        bound = np.full(len(first), np.inf)
        leader = order[first]
        several = np.flatnonzero(np.diff(np.append(first, len(order))) > 1)
        clear = several[self.bare.sight.all_clear(corners[row[leader[several]]])]
        bound[clear] = (before[leader] + most[row[leader]])[clear]
        kept = order[(before + some.apart[row])[order] <= bound[group] + ROUNDING]
        return windows_of(island[kept], some, row[kept], before[kept])

    def _approaches(self, starts: Starts) -> Approaches:
        """All ways from copper and corners of a face up to rims within reach."""
        copper, corners = np.flatnonzero(starts.corner < 0), np.flatnonzero(starts.corner >= 0)
        boxes = boxes_of(starts.ends, np.maximum(starts.reach, 0.0))
        room = self.limit - row_min(starts.behind)
        pairs = []
        for a, b in joins(boxes[copper], boxes_of(self.rims.ends), room[copper]):
            kept = starts.leaves(copper[a], self.rims, b)
            pairs.append((copper[a[kept]], b[kept]))
        runs, first, count = self._runs()
        for a, b in joins(boxes[corners], runs, room[corners]):
            kept = self.corners.taut_towards(starts.corner[corners[a]], runs[b])
            pairs.append(_each_of(corners[a[kept]], first[b[kept]], count[b[kept]]))
        return stacked_approaches(
            [part for a, b in pairs for part in self._from_both_sides(starts, a, b)]
        )

    def _runs(self) -> tuple[Floats, Rows, Rows]:
        """Boxes around some rims in a row each, the first of them, and their number."""
        place = np.arange(len(self.rims))
        begins = np.flatnonzero(np.diff(self.rims.loop, prepend=-1))
        along_loop = place - begins[self.rims.loop - self.rims.loop[0]]
        first = np.flatnonzero(along_loop % _RUN == 0)
        boxes = boxes_of(self.rims.ends)
        low, high = (
            np.minimum.reduceat(boxes[:, :2], first),
            np.maximum.reduceat(boxes[:, 2:], first),
        )
        return np.hstack((low, high)), first, np.diff(np.append(first, len(place)))

    def _from_both_sides(self, starts: Starts, start: Rows, rim: Rows) -> Iterator[Approaches]:
        """Approaches from the board, and over bridged voids."""
        yield from self._approach(starts, start, rim, BOARD)
        over = self.bare.bridged[rim]
        if over.any():
            yield from self._approach(starts, start[over], rim[over], VOID)

    def _approach(self, starts: Starts, start: Rows, rim: Rows, side: int) -> Iterator[Approaches]:
        """Unfold pieces beside their rims; those on the other side of the rim or too far away drop
        out.
        """
        front, world, piece = unfolded_beside(starts.ends[start], self.rims, rim, side)
        start, rim = start[front], rim[front]
        window = np.column_stack((self.rims.s[rim], self.rims.s[rim] + self.rims.length[rim]))
        reach = starts.reach[start] + self.rims.slack[rim]
        # a link comes from no farther than the way does
        behind = row_max(piece[:, [1, 3]]) + np.maximum(starts.reach[start], 0.0)
        wide = (
            np.minimum(self.bare.widths[rim], behind[:, None])
            if side == VOID
            else np.zeros((len(rim), 2))
        )
        apart = row_min(touching_lines(piece, level(window, 0.0))[0])
        lower = np.maximum(apart - reach - saved(wide, self.bare.thickness, self.bare.x), 0.0)
        out = Approaches(
            node=starts.node[start],
            world=world,
            piece=piece,
            rim=rim.astype(np.int32),
            window=window,
            loop=self.rims.loop[rim],
            reach=reach,
            behind=starts.behind[start],
            apart=lower,
            angle=window_angles(piece, window),
            depth=np.full(len(rim), self.bare.thickness),
            wide=wide,
            gate=starts.gate[start],
        )
        near, corner = row_min(out.lower) <= self.limit, starts.corner[start]
        yield self._widened(out.take(near & (corner < 0)), side)
        for cone in (1.0, -1.0):
            yield self._from_corners(
                out.take(near & (corner >= 0)), corner[near & (corner >= 0)], cone, side
            )

    def _from_corners(self, out: Approaches, corner: Rows, cone: float, side: int) -> Approaches:
        """Approaches from corners, kept to the directions in which a shortest path can leave after
        its bend there.

        A path that comes round a corner at the end of its own window leaves at most by the corner's
        bend off the rim: else it could be shortened on the other side.
        """
        rims, corners = self.rims, self.corners
        unit = (rims.ends[out.rim, 2:4] - rims.ends[out.rim, 0:2]) / rims.length[out.rim, None]
        before, after = (
            corners.at[corner] - corners.before[corner],
            corners.after[corner] - corners.at[corner],
        )
        turned = np.column_stack([angle_from(unit, cone * way, side) for way in (before, after)])
        low, high = row_min(turned), row_max(turned)
        wraps = high - low > np.pi
        low, high = np.where(wraps, -np.pi, low), np.where(wraps, np.pi, high)
        low, high = np.maximum(low, out.angle[:, 0]), np.minimum(high, out.angle[:, 1])
        at_rim = out.piece[:, 1] <= AT_RIM
        starts, ends = np.abs(out.piece[:, :1] - out.window).T <= AT_RIM
        own = at_rim & (starts | ends)
        low, high = np.where(own, out.angle[:, 0], low), np.where(own, out.angle[:, 1], high)
        wide = self._widened(replace(out, angle=np.column_stack((low, high))), side, out.angle)
        low, high = wide.angle.T
        low = np.where(own & starts, np.pi / 2 - rims.bend_before[out.rim], low)
        high = np.where(own & ends, -np.pi / 2 + rims.bend_after[out.rim], high)
        possible = np.where(own, cone > 0, low <= high + 2 * SLIGHT)
        return replace(wide, angle=np.column_stack((low, high))).take(possible)

    def _widened(self, out: Approaches, side: int, windows: Floats | None = None) -> Approaches:
        """Approaches with the directions that a path may take on the wall after a bend at an end of
        its window.

        It bends there only where the side that it comes from reaches round, and only if it may pass
        that end at all.
        """
        bends = (
            (self.rims.bend_before, self.rims.bend_after) if side == BOARD else leans_of(self.rims)
        )
        low, high = out.angle.T
        first, last = (out.angle if windows is None else windows).T
        low = np.where(low <= first + SLIGHT, low - bends[0][out.rim], low)
        high = np.where(high >= last - SLIGHT, high + bends[1][out.rim], high)
        return replace(out, angle=np.column_stack((low, high)))

    def _cheapest_in_sight(self, near: Approaches, far: Approaches, face: int) -> Iterator[Edges]:
        near, far = self._hopeful(near, far, far.depth), self._hopeful(far, near, far.depth)
        near, far = self._best_pieces(near), self._best_pieces(far)
        for one, two in self._by_role(near, far):
            yield from self._best_first(one, two, self._pairs(one, two), face)

    def _best_first(
        self,
        near: Approaches,
        far: Approaches,
        pairs: _Pairs,
        face: int,
        known: tuple[Rows, Floats, Floats] | None = None,
    ) -> Iterator[Edges]:
        """The shortest way in sight of each pair of nodes, or those that beat what is known.

        Candidates are tried in the order of what they cannot be shorter than, in growing bundles,
        until that exceeds the best way found.

        Parameters
        ----------
        known : what each pair is for, the length of its path on the faces, the best length of each
            (changed in place)
        """
        if known is None:
            nodes = near.node[pairs.near].astype(np.int64) * self.nodes + far.node[pairs.far]
            key = np.unique(nodes, return_inverse=True)[1]
            before, best = np.zeros(len(key)), np.full(int(key.max(initial=-1)) + 1, np.inf)
        else:
            pairs, kept = self._possible(near, far, pairs)
            key, before, best = known[0][kept], known[1][kept], known[2]
        least = pairs.least + before
        hope = np.flatnonzero(least < best[key])
        order = hope[np.lexsort((least[hope], key[hope]))]
        first = np.flatnonzero(np.diff(key[order], prepend=-1))
        rank = np.arange(len(order)) - np.repeat(first, np.diff(np.append(first, len(order))))
        group, least = key[order], least[order]
        done, bundle = 0, 1
        while len(
            tried := np.flatnonzero((rank >= done) & (rank < done + bundle) & (least < best[group]))
        ):
            if self.bare.sight.spent():
                break
            rows = order[tried]
            edges, kept = self._cross(
                near.take(pairs.near[rows]), far.take(pairs.far[rows]), pairs.offset[rows], face
            )
            cost, groups = edges.cost + before[rows[kept]], group[tried[kept]]
            seen = first_clear(
                groups, np.where(cost < best[groups], cost, np.inf), self._sees(edges.points)
            )
            seen = seen[cost[seen] < best[groups[seen]]]
            best[groups[seen]] = cost[seen]
            yield edges.take(seen)
            done, bundle = done + bundle, bundle * 4

    def _hopeful(self, some: Approaches, others: Approaches, depth: Floats) -> Approaches:
        """Approaches that could meet the nearest of the others on their loop within the limit."""
        nearest = np.full((len(self.rims.perimeter), 3), np.inf)
        np.minimum.at(nearest, others.loop, others.lower)
        rest = self.limit - depth.min(initial=np.inf)
        return some.take(_least(some.lower, nearest[some.loop]) <= rest)

    def _best_pieces(self, some: Approaches) -> Approaches:
        """Of the copper of each island before one window, the pieces that some other is not nearer
        than everywhere.

        A piece is dropped if all of the window is in sight of another, and nearer to it than the
        piece is to any of it.
        """
        copper = np.flatnonzero(
            (some.node < len(self.bare.roles)) & (some.rim >= 0) & (some.gate[:, 0] < 0)
        )
        if not len(copper):
            return some
        window = self.rims.ends[some.rim[copper]]
        middle = (window[:, :2] + window[:, 2:]) / 2
        point = along(some.world[copper], nearest_part(some.world[copper], middle))
        most = (
            np.maximum(norm(point - window[:, :2]), norm(point - window[:, 2:]))
            - some.reach[copper]
        )
        key = some.node[copper].astype(np.int64) * len(self.rims) + some.rim[copper]
        order = np.lexsort((most, key))
        _, first, group = np.unique(key[order], return_index=True, return_inverse=True)
        leader = order[first]
        corners = np.stack((point[leader], window[leader, :2], window[leader, 2:]), axis=1)
        bound = np.where(self.bare.sight.all_clear(corners), most[leader], np.inf)[group]
        beaten = row_min(some.lower[copper[order]]) > bound
        kept = np.ones(len(some.node), dtype=bool)
        kept[copper[order[beaten]]] = False
        return some.take(kept)

    def _by_role(
        self, near: Approaches, far: Approaches
    ) -> Iterator[tuple[Approaches, Approaches]]:
        """The same by kinds, so that approaches of two sources or of two targets are not paired."""
        one, two = self.kind[near.node], self.kind[far.node]
        for kind in np.unique(one):
            others = (two != kind) | (kind in {HOP, CORNER})
            yield near.take(one == kind), far.take(others)

    def _sees(self, points: Floats) -> Callable[[Rows], Bools]:
        """Tells for some rows whether the first and the last stretch, on faces, stay on the
        board.
        """

        def clear(rows: Rows) -> Bools:
            p = points[rows]
            last = np.where(np.isnan(p[:, FAR + 1]), p[:, FAR], p[:, FAR + 1])
            mask = self.bare.sight.clear(p[:, NEAR], p[:, MIDDLE])
            mask[mask] = self.bare.sight.clear(p[mask, FAR], last[mask])
            return mask

        return clear

    def _pairs(self, near: Approaches, far: Approaches) -> _Pairs:
        """All pairs of windows that some direction passes; a loop may be walked round either
        way.
        """
        place = np.cumsum(3 * (self.rims.perimeter + 6 * self.limit))  # keeps most loops apart
        boxes_near = self._landings(near, far.depth)
        boxes_near[:, [1, 3]] += place[near.loop, None]
        found = [_Pairs(no_rows(), no_rows(), np.empty(0), np.empty(0))]
        for turn in (-1, 0, 1):
            offset = turn * self.rims.perimeter[far.loop]
            windows = far.window + (place[far.loop] + offset)[:, None]
            boxes_far = np.column_stack(
                (-far.angle[:, 1], windows[:, 0], -far.angle[:, 0], windows[:, 1])
            )
            for a, b in joins(boxes_near, boxes_far, 0.0):
                found.append(
                    self._possible(near, far, _Pairs(a, b, offset[b], np.zeros(len(a))))[0]
                )
        return _Pairs(
            *(np.concatenate([getattr(p, f.name) for p in found]) for f in fields(_Pairs))
        )

    def _landings(self, near: Approaches, depth: Floats) -> Floats:
        """Boxes of the directions in which approaches leave, and where along the loop these lead to
        at some depth.
        """
        flat, deep = depth.min(initial=np.inf), depth.max(initial=0.0)
        low, high = (np.clip(np.tan(np.clip(a, -1.57, 1.57)), -1e9, 1e9) for a in near.angle.T)
        before = np.maximum(np.where(low < 0, deep, min(flat, deep)) * low, -self.limit)
        after = np.minimum(np.where(high > 0, deep, min(flat, deep)) * high, self.limit)
        first, last = near.window.T
        edges = near.angle + np.array([-SLIGHT, SLIGHT])
        return np.column_stack(
            (edges[:, 0], first + before - AT_RIM, edges[:, 1], last + after + AT_RIM)
        )

    def _possible(self, near: Approaches, far: Approaches, pairs: _Pairs) -> tuple[_Pairs, Rows]:
        """Those that may be part of a shortest path within the limit, what their ways cannot be
        shorter than; rows.
        """
        a, b = pairs.near, pairs.far
        mask = self._shorter_way_round(
            near.window[a], far.window[b] + pairs.offset[:, None], near.loop[a]
        )
        mask &= (
            (near.loop[a] == far.loop[b])
            & (near.node[a] != far.node[b])
            & _share_direction(near, far, pairs)
        )
        mask[mask] = (
            _least(near.lower[a[mask]], far.lower[b[mask]]) + far.depth[b[mask]] <= self.limit
        )
        kept = np.flatnonzero(mask)
        a, b, offset = a[kept], b[kept], pairs.offset[kept]
        passes, straight = _straight_lines(near, far, a, b, offset)
        less = self._saved(near.wide[a], far.wide[b], far.depth[b])
        least = np.maximum(straight - near.reach[a] - far.reach[b] - less, 0.0)
        mask = passes & (least + _least(near.behind[a], far.behind[b]) <= self.limit)
        return _Pairs(a[mask], b[mask], offset[mask], least[mask]), kept[mask]

    def _shorter_way_round(self, first: Floats, second: Floats, loop: Ints) -> Bools:
        """Whether some way between two windows is no longer than half the loop: else the other way
        round is shorter.
        """
        gap = np.maximum(second[:, 0] - first[:, 1], first[:, 0] - second[:, 1])
        mask: Bools = gap <= self.rims.perimeter[loop] / 2
        return mask

    def _cross(
        self, near: Approaches, far: Approaches, offset: Floats, face: int
    ) -> tuple[Edges, Rows]:
        """Go through both windows on the shortest way; also the rows of those that are within the
        limit.
        """
        first, second = level(near.window, 0.0), level(far.window + offset[:, None], -far.depth)
        piece = far.piece * np.array([1.0, -1.0, 1.0, -1.0])
        piece[:, [0, 2]] += offset[:, None]
        piece[:, [1, 3]] -= far.depth[:, None]
        way = through_windows(near.piece, first, second, piece)
        less = self._saved(near.wide, far.wide, far.depth)
        cost = np.maximum(way.length - near.reach - far.reach - less, 0.0)
        kept = cost + _least(near.behind, far.behind) <= self.limit
        ends = self._face_ends(near, way.start, along(self.rims.ends[near.rim], way.first))
        others = self._face_ends(far, way.end, along(self.rims.ends[far.rim], way.second))
        rows = np.flatnonzero(kept & ends.passes & others.passes)
        near, far, way, cost, less = (
            near.take(rows),
            far.take(rows),
            way.take(rows),
            cost[rows],
            less[rows],
        )
        ends, others = ends.take(rows), others.take(rows)
        out, into = along(first[rows], way.first), along(second[rows], way.second)
        s = np.column_stack((out[:, 0], into[:, 0]))
        on, points, lengths = no_stretches(len(rows))
        on[:, NEAR], on[:, MIDDLE], on[:, FAR] = (
            face,
            WALL,
            np.where(far.rim < 0, NOTHING, 1 - face),
        )
        on[near.gate[:, 0] >= 0, 0] = on[far.gate[:, 0] >= 0, -1] = WALL
        points[:, 0], points[:, NEAR], points[:, MIDDLE] = ends.foot, ends.at, ends.rim
        points[:, FAR], points[:, FAR + 1], points[:, -1] = others.rim, others.at, others.foot
        inside = far.rim < 0
        points[inside, FAR] = self.rims.points(near.loop[inside], s[inside, 1])
        before, after = (
            norm(along(near.piece, way.start) - out),
            norm(along(piece[rows], way.end) - into),
        )
        lengths[:, 0], lengths[:, NEAR] = ends.parted(before, near.reach)
        lengths[:, MIDDLE] = np.maximum(norm(out - into) - less, 0.0)
        lengths[:, -1], lengths[:, FAR] = others.parted(after, far.reach)
        reach = np.column_stack([np.where(e.gate[:, 0] < 0, e.reach, 0.0) for e in (near, far)])
        return Edges(near.node, far.node, cost, on, points, lengths, reach, near.loop, s), rows

    def _face_ends(self, some: Approaches, part: Floats, rim: Floats) -> _FaceEnds:
        """Where ways run on a face between their beginnings and points of rims."""
        start = along(some.world, part)
        at, foot, passes = start.copy(), np.full_like(start, np.nan), np.ones(len(part), dtype=bool)
        at[some.rim < 0] = np.nan
        rows = np.flatnonzero(some.gate[:, 0] >= 0)
        gate, bare = some.gate[rows].T
        passes[rows], at[rows] = passing(
            start[rows], rim[rows], self.rims.ends[gate], self.rims.slack[gate] + _GATE
        )
        foot[rows] = self.bare.foot(bare, gate, start[rows])
        return _FaceEnds(foot, at, rim, passes, norm(start - at))

    def _saved(self, near: Floats, far: Floats, depth: Floats) -> Floats:
        """What links over grooves and down their walls save at most."""
        less: Floats = saved(near, depth, self.bare.x) + saved(far, depth, self.bare.x)
        return less


def _each_of(start: Rows, first: Rows, count: Rows) -> tuple[Rows, Rows]:
    """Each start with every row of its run, which begins with `first` and is `count` long."""
    starts, step = repeated(start, count)
    return starts, np.repeat(first, count) + step


def _share_direction(near: Approaches, far: Approaches, pairs: _Pairs) -> Bools:
    """Whether some direction across the wall leads from window to window and suits both
    approaches.
    """
    a, b = pairs.near, pairs.far
    first, second, depth = near.window[a], far.window[b] + pairs.offset[:, None], far.depth[b]
    low, high = (
        np.arctan2(second[:, 0] - first[:, 1], depth),
        np.arctan2(second[:, 1] - first[:, 0], depth),
    )
    low = np.maximum(np.maximum(near.angle[a, 0], -far.angle[b, 1]), low)
    high = np.minimum(np.minimum(near.angle[a, 1], -far.angle[b, 0]), high)
    mask: Bools = low <= high + 2 * SLIGHT
    return mask


def _straight_lines(
    near: Approaches, far: Approaches, a: Rows, b: Rows, offset: Floats
) -> tuple[Bools, Floats]:
    """Straight lines between unfolded pieces: may their windows let them pass, and their least
    length.
    """
    left_near, right_near, left_far, right_far = (
        near.piece[a, 0],
        near.piece[a, 2],
        far.piece[b, 0],
        far.piece[b, 2],
    )
    high_near, low_near, high_far, low_far = (
        near.piece[a, 1],
        near.piece[a, 3],
        far.piece[b, 1],
        far.piece[b, 3],
    )
    across = np.column_stack(
        (left_far - left_near, right_far - left_near, left_far - right_near, right_far - right_near)
    )
    down = np.column_stack(
        (high_far + high_near, low_far + high_near, high_far + low_near, low_far + low_near)
    )
    across, down = across + offset[:, None], down + far.depth[b, None]
    angle = np.arctan2(across, down)
    low = np.minimum(near.angle[a, 0], -far.angle[b, 1]) - SLIGHT
    high = np.maximum(near.angle[a, 1], -far.angle[b, 0]) + SLIGHT
    passes = (row_max(angle) >= low) & (row_min(angle) <= high)
    aside = np.maximum(np.maximum(row_min(across), -row_max(across)), 0.0)
    return passes, np.hypot(aside, row_min(down))


def _least(one: Floats, two: Floats) -> Floats:
    """Least sum of two lengths by role over roles that are measured to each other, (n,)."""
    return row_min(one + onwards(two))
