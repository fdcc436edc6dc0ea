"""Approaches to walls: what leads up to a free edge from one face, or lies in its wall, unfolded
beside it.

A piece of rim is a window. Unfolded, x runs along the loop of the rim and y into the face, so that
what comes from a face lies before its window, and a way that passes it goes on down the wall in one
line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import shapely

from checker.geometry.board_edges import Rims
from checker.geometry.segments import along, cross, nearest_part
from checker.insulation.surface.edges import TOP, Exposed, norm, pieces_of, row_max, row_min
from parsers.primitives import Bools, Floats, Ints, Rows

BOARD, VOID = 1, -1  # sides of a rim
AT_RIM = 1e-6  # mm; what lies so near to a rim may leave it in any direction
SLIGHT = 1e-6  # radians; directions that differ by less may be the same
_FOLLOWS = 1e-4  # mm; copper in a wall lies no farther off its rim
_AT_BOARD = 1e-5  # mm; the same for ends of links


@dataclass(frozen=True, slots=True)
class InWalls:
    """Copper in walls as pieces along rims; columns of length n."""

    island: Ints
    ends: Floats  # (n, 4) on the board
    loop: Ints
    s: Floats  # (n, 2) from, to
    above: Floats
    below: Floats
    slack: Floats
    bridged: Bools  # whether a path may cross the void before it

    def strips(self) -> Strips:
        """The same without regard to where rims bend: pieces of one island that go on side by side
        are one strip.
        """
        island, loop, above, below, slack = (
            self.island,
            self.loop,
            self.above,
            self.below,
            self.slack,
        )
        order = np.lexsort((self.s[:, 0], slack, below, above, loop, island))
        keys = np.column_stack((island, loop, above, below, slack))[order]
        kind = np.cumsum(np.r_[False, (np.diff(keys, axis=0) != 0).any(axis=1)])
        apart = kind * (2 * float(np.abs(self.s).max(initial=0.0)) + 1)  # keeps kinds apart
        first, last = self.s[order].T + apart
        reached = np.maximum.accumulate(last)
        begins = (
            np.flatnonzero(np.r_[True, first[1:] > reached[:-1] + AT_RIM]) if len(order) else order
        )
        ends = np.append(begins[1:], len(order))[: len(begins)] - 1
        s = np.column_stack((first[begins], reached[ends])) - apart[begins, None]
        rows = order[begins]
        return Strips(island[rows], loop[rows], s, above[rows], below[rows], slack[rows])


@dataclass(frozen=True, slots=True)
class Strips:
    """Copper in walls unrolled; columns of length n."""

    island: Ints
    loop: Ints
    s: Floats  # (n, 2) from, to
    above: Floats
    below: Floats
    slack: Floats

    def depth(self, face: int, thickness: float) -> Floats:
        """How far below the rim of a face it begins."""
        return self.above if face == TOP else thickness - self.below


@dataclass(frozen=True, slots=True)
class Starts:
    """Copper pieces, corners and ends of links of one face, from which ways over walls begin;
    columns of length n.
    """

    node: Ints
    ends: Floats  # (n, 4)
    reach: Floats
    # (n, 3) least length of a path before it by role of its source: 0 for copper of that role
    behind: Floats
    corner: Rows  # of Corners, -1 for copper and ends of links
    board: Floats  # (n, 2) for ends of links: a way leaves to that side; else 0
    # (n, 2) for copper in walls: row of Rims by which it comes to the face, row of Strips; else -1
    gate: Rows

    def leaves(self, start: Rows, rims: Rims, rim: Rows) -> Bools:
        """Whether ways may lead from starts to rims."""
        pieces = rims.ends[rim]
        at, board = self.ends[start, :2], self.board[start]
        sides = [np.einsum("ij,ij->i", pieces[:, k : k + 2] - at, board) for k in (0, 2)]
        mask: Bools = np.maximum(*sides) >= -_AT_BOARD
        gate = self.gate[start, 0]
        rows = np.flatnonzero(gate >= 0)
        mask[rows] = seen_through(self.ends[start[rows]], rims, gate[rows], pieces[rows]) & (
            gate[rows] != rim[rows]
        )
        return mask


@dataclass(frozen=True, slots=True)
class Approaches:
    """Ways up to a window, unfolded: x runs along the loop, y into the face; columns of length
    n.
    """

    node: Ints
    world: Floats  # (n, 4) the piece as it lies on the board
    piece: Floats  # (n, 4) the same, unfolded
    rim: Ints  # row of Rims; -1 for copper in a wall
    window: Floats  # (n, 2) from, to along the loop
    loop: Ints
    reach: Floats  # copper's radius and all slack
    behind: Floats  # (n, 3) as in Starts
    apart: Floats  # least length up to the rim
    angle: Floats  # (n, 2) directions, from straight across, that the window lets pass
    # how far below the rim of the face that looks at it: wall height for the other face
    depth: Floats
    wide: Floats  # (n, 2) least and greatest width of a groove that it comes over, 0 for none
    gate: Rows  # (n, 2) as in Starts

    @property
    def lower(self) -> Floats:
        """Least length of a path up to the rim by role of its source, (n, 3)."""
        least: Floats = self.apart[:, None] + self.behind
        return least

    def take(self, rows: Rows | Bools) -> Approaches:
        """Some of the rows."""
        return Approaches(*(getattr(self, f.name)[rows] for f in fields(self)))


def in_walls(rims: Rims, bridged: Bools, copper: Exposed) -> InWalls:
    """Lay exposed copper along all rims that it follows; what follows none takes the one nearest to
    its middle.
    """
    if not len(copper.island) or not len(rims):
        none, pairs, rows = np.empty(0), np.empty((0, 2)), np.empty(0, np.int32)
        return InWalls(
            rows, np.empty((0, 4)), rows, pairs, none, none, none, np.empty(0, dtype=bool)
        )
    pieces = pieces_of(copper.line, np.zeros(len(copper.line)))
    lines = pieces.ends.reshape(-1, 2, 2)
    tree = shapely.STRtree(shapely.linestrings(rims.ends.reshape(-1, 2, 2)))
    piece, rim = tree.query(shapely.linestrings(lines), predicate="dwithin", distance=_FOLLOWS)
    parts = _parts_of(rims, rim, pieces.ends[piece])
    laid = along(rims.ends[rim], parts[:, 0]), along(rims.ends[rim], parts[:, 1])
    off = [norm(along(pieces.ends[piece], nearest_part(pieces.ends[piece], p)) - p) for p in laid]
    follows = (np.maximum(*off) <= _FOLLOWS) & (
        (parts[:, 1] - parts[:, 0]) * rims.length[rim] > AT_RIM
    )
    rest = np.setdiff1d(np.arange(len(lines)), piece[follows])
    nearest = tree.nearest(shapely.points(lines[rest].mean(axis=1)))
    piece, rim = np.concatenate((piece[follows], rest)), np.concatenate((rim[follows], nearest))
    parts = _parts_of(rims, rim, pieces.ends[piece])
    ends = np.hstack((along(rims.ends[rim], parts[:, 0]), along(rims.ends[rim], parts[:, 1])))
    s = rims.s[rim][:, None] + parts * rims.length[rim][:, None]
    row = pieces.row[piece]
    depths = copper.above[row], copper.below[row]
    return InWalls(
        copper.island[row], ends, rims.loop[rim], s, *depths, rims.slack[rim], bridged[rim]
    )


def _parts_of(rims: Rims, rim: Rows, ends: Floats) -> Floats:
    """Parts of rims that pieces lie along, from and to."""
    parts: Floats = np.sort(
        np.column_stack([nearest_part(rims.ends[rim], ends[:, k : k + 2]) for k in (0, 2)]), axis=1
    )
    return parts


def unfolded_beside(ends: Floats, rims: Rims, rim: Rows, side: int) -> tuple[Bools, Floats, Floats]:
    """Lay pieces beside their rims: x along the loop, y away from it; what is on the other side is
    cut off.

    Returns
    -------
    mask of the pieces that remain, their ends on the board, their ends unfolded
    """
    start = rims.ends[rim, 0:2]
    unit = (rims.ends[rim, 2:4] - start) / rims.length[rim, None]
    depth = side * _depths(ends, start, unit)
    # corners of curved outlines may lie a little behind the rim
    allowed = -2 * rims.slack[rim] - 1e-9
    front = row_max(depth) >= allowed
    ends, depth, unit, start, allowed = (
        ends[front],
        depth[front],
        unit[front],
        start[front],
        allowed[front],
    )
    drop = depth[:, 0] - depth[:, 1]
    part = np.clip(
        np.divide(depth[:, 0] - allowed, drop, out=np.zeros(len(drop)), where=drop != 0), 0.0, 1.0
    )
    middle = along(ends, part)
    cut = depth < allowed[:, None]
    ends = np.hstack(
        [np.where(cut[:, k : k + 1], middle, ends[:, 2 * k : 2 * k + 2]) for k in (0, 1)]
    )
    y = np.maximum(side * _depths(ends, start, unit), 0.0)
    at = rims.s[rim][front]
    x = [at + np.einsum("ij,ij->i", unit, ends[:, k : k + 2] - start) for k in (0, 2)]
    return front, ends, np.column_stack((x[0], y[:, 0], x[1], y[:, 1]))


def _depths(ends: Floats, start: Floats, unit: Floats) -> Floats:
    depths: Floats = np.column_stack([cross(unit, ends[:, k : k + 2] - start) for k in (0, 2)])
    return depths


def seen_through(laid: Floats, rims: Rims, gate: Rows, windows: Floats) -> Bools:
    """Whether a straight line from copper laid beside a gate may pass it and reach a window; may
    say yes too often.
    """
    start, size = rims.ends[gate, 0:2], rims.length[gate, None]
    unit = (rims.ends[gate, 2:4] - start) / size

    def framed(ends: Floats) -> tuple[Floats, Floats]:
        ways = ends.reshape(-1, 2, 2) - start[:, None]
        return np.einsum("ij,ikj->ik", unit, ways), cross(unit[:, None], ways)

    (at, off), (x, y) = framed(laid), framed(windows)
    rise, beyond = np.abs(off[:, :1]), np.where(off[:, :1] > 0, -y, y)
    spare = (2 * rims.slack[gate] + AT_RIM)[:, None] * (1 + rise + np.abs(beyond))
    right = x * rise + row_max(at)[:, None] * beyond >= -spare
    left = (size - x) * rise + (size - row_min(at)[:, None]) * beyond >= -spare
    mask: Bools = (beyond >= -spare).any(axis=1) & right.any(axis=1) & left.any(axis=1)
    mask |= rise[:, 0] <= AT_RIM  # at the rim itself neither side can be told from the other
    return mask


def window_angles(piece: Floats, window: Floats) -> Floats:
    """Directions, from straight across, in which straight lines from unfolded pieces pass their
    windows, (n, 2).
    """
    x, y = piece[:, [0, 2]], piece[:, [1, 3]]
    low = row_min(np.arctan2(window[:, :1] - x, y))
    high = row_max(np.arctan2(window[:, 1:] - x, y))
    at_rim = row_min(y) <= AT_RIM
    return np.column_stack((np.where(at_rim, -np.pi / 2, low), np.where(at_rim, np.pi / 2, high)))


def angle_from(unit: Floats, way: Floats, side: int) -> Floats:
    """Direction of a way on one side of a rim of direction `unit`, from straight across it."""
    angle: Floats = np.arctan2(np.einsum("ij,ij->i", unit, way), -side * cross(unit, way))
    return angle


def level(window: Floats, y: Floats | float) -> Floats:
    """Windows as pieces at one height of the unfolded wall."""
    height = np.broadcast_to(y, (len(window),))
    pieces: Floats = np.column_stack((window[:, 0], height, window[:, 1], height))
    return pieces


def of_role(role: Ints) -> Floats:
    """No length for copper of its own role, none at all for the others; (n, 3)."""
    lengths: Floats = np.where(role[:, None] == np.arange(3), 0.0, np.inf)
    return lengths


def no_gate(n: int) -> Rows:
    """The gates of what comes from a face."""
    gates: Rows = np.full((n, 2), -1, dtype=np.intp)
    return gates


def stacked_starts(parts: Sequence[Starts]) -> Starts:
    """Tables one below the other."""
    return Starts(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Starts)))


def stacked_approaches(parts: Sequence[Approaches]) -> Approaches:
    """Tables one below the other."""
    none, pairs, quads, rows = (
        np.empty(0),
        np.empty((0, 2)),
        np.empty((0, 4)),
        np.empty(0, np.int32),
    )
    empty = Approaches(
        rows,
        quads,
        quads,
        rows,
        pairs,
        rows,
        none,
        np.empty((0, 3)),
        none,
        pairs,
        none,
        pairs,
        no_gate(0),
    )
    return Approaches(
        *(np.concatenate([getattr(p, f.name) for p in (*parts, empty)]) for f in fields(Approaches))
    )
