"""Copper that lies bare in the walls of free edges: how ways come to it, leave it, and run between
two such pieces.

A way that leaves a wall for a face passes one straight piece of its rim, the *gate*. Unfolded into
the plane of that face, the copper lies beside its gate as far off the board as it lies deep, and
the way is a straight line through it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from checker.geometry.board_edges import CountedSight, Rims, saved
from checker.geometry.segments import along, closest, through_windows
from checker.insulation.surface.edges import (
    FAR,
    MIDDLE,
    NOTHING,
    WALL,
    Edges,
    boxes_of,
    joins,
    meet,
    no_rows,
    no_stretches,
    norm,
)
from checker.insulation.surface.wall_windows import (
    AT_RIM,
    BOARD,
    VOID,
    Approaches,
    InWalls,
    Starts,
    Strips,
    level,
    no_gate,
    of_role,
    seen_through,
)
from parsers.primitives import Bools, Floats, Ints, Rows


@dataclass(frozen=True, slots=True)
class Laid:
    """Copper in walls unfolded into the plane of a face beside each gate; columns."""

    row: Rows  # of Strips
    gate: Rows  # of Rims
    piece: Floats  # (n, 4) in the plane of the face
    # mm; what links over a groove that it lies in save at most; the way up to a corner, negative
    less: Floats
    slack: Floats  # what it may lie nearer, that included


@dataclass(frozen=True, slots=True)
class BareWalls:
    """Copper in walls, and the walls."""

    copper: InWalls
    strips: Strips  # of it
    rims: Rims
    bridged: Bools
    widths: Floats  # (n, 2) of grooves, by rim
    x: float
    sight: CountedSight
    thickness: float
    limit: float
    roles: Ints

    def __len__(self) -> int:
        return len(self.copper.island)

    def approaches(self, face: int) -> Approaches:
        """The copper as seen over the rim of one face."""
        walls = self.strips
        flat = np.zeros(len(walls.island))
        return Approaches(
            node=walls.island,
            world=np.zeros((len(flat), 4)),
            piece=level(walls.s, 0.0),
            rim=np.full(len(flat), -1, np.int32),
            window=walls.s,
            loop=walls.loop,
            reach=walls.slack,
            behind=of_role(self.roles[walls.island]),
            apart=np.zeros(len(flat)),
            angle=np.tile([-np.pi / 2, np.pi / 2], (len(flat), 1)),
            depth=walls.depth(face, self.thickness),
            wide=np.zeros((len(flat), 2)),
            gate=no_gate(len(flat)),
        )

    def starts(self, laid: Laid) -> Starts:
        """From where ways begin that come up to a face and go on over another wall."""
        n = len(laid.row)
        return Starts(
            node=self.strips.island[laid.row],
            ends=laid.piece,
            reach=laid.slack,
            behind=of_role(self.roles[self.strips.island[laid.row]]),
            corner=np.full(n, -1, np.intp),
            board=np.zeros((n, 2)),
            gate=np.column_stack((laid.gate, laid.row)),
        )

    def along(self) -> Edges:
        """Straight ways between copper in the same wall, and in walls that face each other over a
        bridged void.
        """
        walls = self.copper
        a, b = np.triu_indices(len(walls.island), 1)
        kept = meet(self.roles, walls.island[a], walls.island[b])
        a, b = a[kept], b[kept]
        gap, s = _gaps(walls.s[a], walls.s[b], self.rims.perimeter[walls.loop[a]])
        gap[walls.loop[a] != walls.loop[b]] = np.inf
        over, start, end = self._across(a, b)
        across = over < gap
        gap = np.minimum(gap, over)
        drop = np.maximum(
            np.maximum(walls.above[b] - walls.below[a], walls.above[a] - walls.below[b]), 0.0
        )
        cost = np.maximum(np.hypot(gap, drop) - walls.slack[a] - walls.slack[b], 0.0)
        kept = cost <= self.limit
        a, b, across = a[kept], b[kept], across[kept]
        s, start, end = s[kept], start[kept], end[kept]
        loop = np.where(across, NOTHING, walls.loop[a]).astype(np.int32)
        on, points, lengths = no_stretches(len(a))
        points[:, MIDDLE], points[:, FAR] = start, end
        points[~across, MIDDLE], points[~across, FAR] = (
            self.rims.points(loop[~across], s[~across, k]) for k in (0, 1)
        )
        on[:, MIDDLE], lengths[:, MIDDLE] = WALL, cost[kept]
        none = np.zeros((len(a), 2))
        return Edges(
            walls.island[a], walls.island[b], cost[kept], on, points, lengths, none, loop, s
        )

    def _across(self, a: Rows, b: Rows) -> tuple[Floats, Floats, Floats]:
        """Distance of copper in walls across a bridged void, infinite where none is between, and
        where it is taken.
        """
        walls = self.copper
        length, part_a, part_b = closest(walls.ends[a], walls.ends[b])
        start, end = along(walls.ends[a], part_a), along(walls.ends[b], part_b)
        over = walls.bridged[a] & walls.bridged[b] & (length <= self.limit)
        over[over] = self.sight.clear(start[over], end[over])
        return np.where(over, length, np.inf), start, end

    def by_face(self, laid: Laid, face: int) -> Iterator[Edges]:
        """Ways between copper in walls by a face: up one wall, straight over the face, down
        another.
        """
        rims = self.rims
        boxes = boxes_of(rims.ends[laid.gate])
        for pair in joins(boxes, boxes, self.limit):
            a, b = self._facing(laid, *pair)
            way = through_windows(
                laid.piece[a], rims.ends[laid.gate[a]], rims.ends[laid.gate[b]], laid.piece[b]
            )
            cost = np.maximum(way.length - laid.slack[a] - laid.slack[b], 0.0)
            kept = np.flatnonzero(cost <= self.limit)
            out = along(rims.ends[laid.gate[a[kept]]], way.first[kept])
            into = along(rims.ends[laid.gate[b[kept]]], way.second[kept])
            seen = self.sight.clear(out, into)
            kept = kept[seen]
            out, into = out[seen], into[seen]
            up = norm(along(laid.piece[a], way.start)[kept] - out) - laid.less[a[kept]]
            down = norm(along(laid.piece[b], way.end)[kept] - into) - laid.less[b[kept]]
            one, two = laid.row[a[kept]], laid.row[b[kept]]
            on, points, lengths = no_stretches(len(kept))
            on[:, : MIDDLE + 1] = WALL, face, WALL
            feet = [
                self.foot(laid.row[n], laid.gate[n], along(laid.piece[n], part))
                for n, part in ((a[kept], way.start[kept]), (b[kept], way.end[kept]))
            ]
            points[:, : FAR + 1] = np.stack((feet[0], out, into, feet[1]), axis=1)
            lengths[:, : MIDDLE + 1] = np.column_stack(
                (np.maximum(up, 0), norm(out - into), np.maximum(down, 0))
            )
            yield Edges(
                tail=self.strips.island[one],
                head=self.strips.island[two],
                cost=cost[kept],
                on=on,
                points=points,
                lengths=lengths,
                reach=np.zeros((len(kept), 2)),
                loop=np.full(len(kept), NOTHING, np.int32),
                s=np.zeros((len(kept), 2)),
            )

    def _facing(self, laid: Laid, a: Rows, b: Rows) -> tuple[Rows, Rows]:
        """Pairs that are measured to each other and whose gates may let a straight line pass, each
        once.
        """
        wanted = (a < b) & (laid.gate[a] != laid.gate[b])
        wanted &= meet(self.roles, self.strips.island[laid.row[a]], self.strips.island[laid.row[b]])
        a, b = a[wanted], b[wanted]
        gates = self.rims.ends[laid.gate]
        seen = seen_through(laid.piece[a], self.rims, laid.gate[a], gates[b])
        a, b = a[seen], b[seen]
        seen = seen_through(laid.piece[b], self.rims, laid.gate[b], gates[a])
        return a[seen], b[seen]

    def foot(self, row: Rows, gate: Rows, points: Floats) -> Floats:
        """Where points of strips laid beside gates are on the board; for corners, where strips are
        nearest to them.
        """
        start, unit = (
            self.rims.ends[gate, 0:2],
            self.rims.ends[gate, 2:4] - self.rims.ends[gate, 0:2],
        )
        s = self.rims.s[gate] + np.einsum("ij,ij->i", points - start, unit) / self.rims.length[gate]
        loop = self.strips.loop[row]
        _, places = _gaps(self.strips.s[row], np.column_stack((s, s)), self.rims.perimeter[loop])
        return self.rims.points(loop, places[:, 0])

    def laid_beside(self, face: int) -> Laid:
        """Copper in walls beside every gate through which it may come to a face."""
        walls, rims = self.strips, self.rims
        deep = walls.depth(face, self.thickness)
        near = [
            self._rims_near(loop, turn, deep)
            for loop in np.unique(walls.loop)
            for turn in (-1, 0, 1)
        ]
        none = (no_rows(), no_rows(), np.empty((0, 2)))
        row, gate, s = (np.concatenate(c) for c in zip(*near, none, strict=True))
        over = self.bridged[gate]
        side = np.concatenate((np.full(len(gate), BOARD), np.full(int(over.sum()), VOID)))
        row, gate, s = (np.concatenate((c, c[over])) for c in (row, gate, s))
        start = rims.ends[gate, 0:2]
        unit = (rims.ends[gate, 2:4] - start) / rims.length[gate, None]
        out = np.column_stack((unit[:, 1], -unit[:, 0])) * (side * deep[row])[:, None]
        piece = np.hstack(
            [start + unit * (s[:, k : k + 1] - rims.s[gate, None]) + out for k in (0, 1)]
        )
        less = saved(np.where(side[:, None] == VOID, self.widths[gate], 0.0), deep[row], self.x)
        at_corners, corner, up = self._up_to_corners(deep)
        row, gate = np.concatenate((row, at_corners)), np.concatenate((gate, corner))
        piece = np.vstack((piece, np.tile(rims.ends[corner, 0:2], 2)))
        less = np.concatenate((less, -up))
        return Laid(row, gate, piece, less, walls.slack[row] + rims.slack[gate] + less)

    def _up_to_corners(self, deep: Floats) -> tuple[Rows, Rows, Floats]:
        """Strips with the corners of the board that they may come up at, to leave where no gate
        lets them pass.

        Returns
        -------
        rows of strips, rims that begin at the corners, lengths up the wall
        """
        walls, rims = self.strips, self.rims
        corners = np.flatnonzero(rims.bend_before > 0)
        i, j = np.nonzero(walls.loop[:, None] == rims.loop[corners])
        corner = corners[j]
        at = np.column_stack((rims.s[corner], rims.s[corner]))
        gap, _ = _gaps(walls.s[i], at, rims.perimeter[rims.loop[corner]])
        up = np.hypot(gap, deep[i])
        near = up <= self.limit
        return i[near], corner[near], up[near]

    def _rims_near(self, loop: int, turn: int, deep: Floats) -> tuple[Rows, Rows, Floats]:
        """Copper in walls with the rims of its loop within the limit; where along the loop it lies,
        moved by turns.

        What lies at the rim itself leaves by no other.
        """
        walls, rims = self.strips, self.rims
        a, b = np.flatnonzero(walls.loop == loop), np.flatnonzero(rims.loop == loop)
        s = walls.s[a] + turn * rims.perimeter[loop]
        reach = np.where(deep[a] > 0, self.limit, AT_RIM)[:, None]
        near = s[:, None, 0] <= (rims.s + rims.length)[b] + reach
        near &= s[:, None, 1] >= rims.s[b] - reach
        i, j = np.nonzero(near)
        return a[i], b[j], s[i]


def _gaps(a: Floats, b: Floats, perimeter: Floats) -> tuple[Floats, Floats]:
    """Shortest distances of stretches of closed loops, and where they are taken (n, 2)."""
    best, places = np.full(len(a), np.inf), np.zeros((len(a), 2))
    for turn in (-1, 0, 1):
        moved = b + turn * perimeter[:, None]
        gap = np.maximum(np.maximum(moved[:, 0] - a[:, 1], a[:, 0] - moved[:, 1]), 0.0)
        start = np.clip(moved[:, 0], a[:, 0], a[:, 1])
        better = gap < best
        best = np.where(better, gap, best)
        here = np.column_stack((start, np.clip(start, moved[:, 0], moved[:, 1])))
        places = np.where(better[:, None], here, places)
    return best, places
