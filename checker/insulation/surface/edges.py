"""What a search over the surface of a board is made of: copper cut into straight pieces, edges,
joins by box.

Nodes of the search are islands (connected copper), then corners on the top face, then corners on
the bottom face. An edge is a course of up to five stretches over insulation, each on a face or on a
wall. Everything is in columns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from parsers.primitives import Bools, Floats, Ints, Rows, Shapes, each

TOP, BOTTOM, WALL = 0, 1, 2  # what a stretch runs on
NOTHING = -1  # a stretch that an edge does not have
SOURCE, TARGET, HOP = 0, 1, 2  # roles of islands
STRETCHES = 5  # of an edge, at most
NEAR, MIDDLE, FAR = 1, 2, 3  # the stretch on the first face, over a wall, on the second face
Keys = npt.NDArray[np.int64]

_CELLS = 1000  # of a grid, in each direction
_SIDE = _CELLS + 8
_BLOCK = 1024  # rows of a join done at once: bounds memory


@dataclass(frozen=True, slots=True)
class Copper:
    """Copper on the faces as columns: skeleton less radius, as in `parsers.primitives`.

    It must lie on the board: `Surface.placed` cuts off what does not.
    """

    island: Ints  # connected copper, also through plated holes: a node of the search
    face: Ints  # TOP | BOTTOM
    skeleton: Shapes
    radius: Floats
    slack: Floats

    def __len__(self) -> int:
        return len(self.island)

    def take(self, rows: Rows | Bools) -> Copper:
        """Some of the rows."""
        return Copper(*(getattr(self, f.name)[rows] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Exposed:
    """Copper in the walls as columns: inner layers that reach a free edge, plated edges."""

    island: Ints
    line: Shapes  # LineStrings that follow a rim
    above: Floats  # depth below the top face where it begins
    below: Floats  # depth where it ends

    def take(self, rows: Rows | Bools) -> Exposed:
        """Some of the rows."""
        return Exposed(*(getattr(self, f.name)[rows] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Pieces:
    """Copper as straight pieces: every skeleton is a chain of them."""

    ends: Floats  # (n, 4) x0, y0, x1, y1
    reach: Floats  # radius and slack: what the copper lies nearer than its piece
    row: Rows  # of the copper

    def boxes(self) -> Floats:
        """Boxes around the copper, (n, 4)."""
        return boxes_of(self.ends, self.reach)


@dataclass(frozen=True, slots=True)
class Edges:
    """Edges of the search, each between two nodes in one of both directions.

    Of its stretches the first and the last lead up walls from copper that lies in them, those next
    to them run on faces, the middle one over a wall.
    """

    tail: Ints
    head: Ints
    cost: Floats
    # (n, STRETCHES): what the stretches between the points run on; NOTHING where there is none
    on: Ints
    points: Floats  # (n, STRETCHES + 1, 2): the ends of the stretches, NaN where there is none
    # (n, STRETCHES): copper's reach taken off; their sum may exceed the cost by slack
    lengths: Floats
    reach: Floats  # (n, 2): what copper at both ends of the stretches on faces lies nearer
    loop: Ints  # the rim along which a middle stretch on a wall is drawn
    s: Floats  # (n, 2): where along it

    def __len__(self) -> int:
        return len(self.tail)

    def take(self, rows: Rows | Bools) -> Edges:
        """Some of the rows."""
        return Edges(*(getattr(self, f.name)[rows] for f in fields(self)))


def copper(
    skeletons: Any, radius: Any = 0.0, face: Any = TOP, island: Any = 0, slack: Any = 0.0
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
    islands, faces = (np.broadcast_to(np.asarray(c, np.int32), (n,)).copy() for c in (island, face))
    radii, slacks = (
        np.broadcast_to(np.asarray(c, np.float64), (n,)).copy() for c in (radius, slack)
    )
    return Copper(islands, faces, shapes, radii, slacks)


def exposed(lines: Any = (), above: Any = 0.0, below: Any = 0.0, island: Any = 0) -> Exposed:
    """Make a table of copper in the walls; scalars are repeated."""
    shapes: Shapes = np.atleast_1d(np.asarray(lines, dtype=object))
    n = len(shapes)
    depths = (np.broadcast_to(np.asarray(c, np.float64), (n,)).copy() for c in (above, below))
    return Exposed(np.broadcast_to(np.asarray(island, np.int32), (n,)).copy(), shapes, *depths)


def stacked(parts: Sequence[Copper]) -> Copper:
    """Tables one below the other."""
    return Copper(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Copper)))


def pieces_of(skeletons: Shapes, reach: Floats) -> Pieces:
    """Cut skeletons into straight pieces; a point is a piece without length."""
    parts, owner = shapely.get_parts(skeletons, return_index=True)
    dimension = shapely.get_dimensions(parts)
    rings, ring_owner = shapely.get_rings(parts[dimension == 2], return_index=True)
    chains = np.concatenate((parts[dimension < 2], rings))
    chain_owner = np.concatenate((owner[dimension < 2], owner[dimension == 2][ring_owner]))
    xy, chain = shapely.get_coordinates(chains, return_index=True)
    follows = np.flatnonzero(chain[1:] == chain[:-1])
    single = np.flatnonzero((shapely.get_type_id(chains) == shapely.GeometryType.POINT)[chain])
    ends = np.concatenate(
        (np.hstack((xy[follows], xy[follows + 1])), np.hstack((xy[single], xy[single])))
    )
    row = chain_owner[np.concatenate((chain[follows], chain[single]))]
    return Pieces(ends, reach[row], row)


def boxes_of(ends: Floats, reach: Floats | float = 0.0) -> Floats:
    """Boxes around straight pieces, widened by their reach, (n, 4)."""
    x, y = ends[:, [0, 2]], ends[:, [1, 3]]
    low, high = (
        np.column_stack((x.min(axis=1), y.min(axis=1))),
        np.column_stack((x.max(axis=1), y.max(axis=1))),
    )
    wide = np.broadcast_to(reach, (len(ends),))[:, None]
    boxes: Floats = np.hstack((low - wide, high + wide))
    return boxes


def joins(left: Floats, right: Floats, reach: Floats | float) -> Iterator[tuple[Rows, Rows]]:
    """Pairs of rows whose boxes, the left ones widened by their reach, meet; block by block."""
    tree = shapely.STRtree(shapely.box(*right.T))
    wide = left + np.broadcast_to(reach, (len(left),))[:, None] * np.array([-1.0, -1.0, 1.0, 1.0])
    for rows in each(np.arange(len(left)), _BLOCK):
        a, b = tree.query(shapely.box(*wide[rows].T))
        if len(a):
            yield rows[a], b


def all_joins(left: Floats, right: Floats, reach: Floats | float) -> tuple[Rows, Rows]:
    """The same at once."""
    pairs = [*joins(left, right, reach), (no_rows(), no_rows())]
    return np.concatenate([a for a, _ in pairs]), np.concatenate([b for _, b in pairs])


def contested(boxes: Floats, label: Ints, limit: float) -> Bools:
    """Which boxes may have a box of another label within the limit; may say yes too often.

    Notes
    -----
    Linear in the number of boxes: they mark the cells of a grid that they reach, and look into
    those that they touch.
    """
    if not len(boxes):
        return np.zeros(0, dtype=bool)
    origin, span = boxes[:, :2].min(axis=0), np.ptp(boxes, axis=0).max() + 1e-9
    size = max(limit, float(span) / _CELLS, 1e-6)
    own, cell = _cells(boxes, origin, size, 0.0)
    row, reached = _cells(boxes, origin, size, limit)
    least, most = np.full(_SIDE**2, np.iinfo(np.int32).max), np.full(_SIDE**2, -1)
    np.minimum.at(least, reached, label[row])
    np.maximum.at(most, reached, label[row])
    mask = np.zeros(len(boxes), dtype=bool)
    mask[own[(least[cell] != label[own]) | (most[cell] != label[own])]] = True
    return mask


def _cells(boxes: Floats, origin: Floats, size: float, reach: float) -> tuple[Rows, Rows]:
    """Every box with every cell that it touches once widened by the reach."""
    low = np.floor((boxes[:, :2] - reach - origin) / size).astype(np.int64) + 2
    high = np.floor((boxes[:, 2:] + reach - origin) / size).astype(np.int64) + 2
    count = high - low + 1
    row = np.repeat(np.arange(len(boxes)), count[:, 0] * count[:, 1])
    first = np.cumsum(count[:, 0] * count[:, 1]) - count[:, 0] * count[:, 1]
    step = np.arange(len(row)) - first[row]
    x, y = low[row, 0] + step % count[row, 0], low[row, 1] + step // count[row, 0]
    return row, x * _SIDE + y


def first_clear(key: Keys, cost: Floats, clear: Callable[[Rows], Bools]) -> Rows:
    """For each key the row of least cost that is clear; keys without one drop out.

    Candidates are asked for in growing bundles, so that the usual case, the first is clear, costs
    one question.
    """
    order = np.lexsort((cost, key))
    _, first, group = np.unique(key[order], return_index=True, return_inverse=True)
    rank = np.arange(len(order)) - first[group]
    wanted = np.ones(len(first), dtype=bool)
    found = [no_rows()]
    done, bundle = 0, 1
    while len(asked := np.flatnonzero(wanted[group] & (rank >= done) & (rank < done + bundle))):
        asked = asked[clear(order[asked])]
        groups, leaders = np.unique(group[asked], return_index=True)
        found.append(order[asked[leaders]])
        wanted[groups] = False
        done, bundle = done + bundle, bundle * 4
    return np.sort(np.concatenate(found))


def lines(
    tail: Any, head: Any, cost: Floats, face: int, ends: tuple[Floats, Floats], reach: Floats | None
) -> Edges:
    """Edges that are straight lines on one face."""
    n = len(cost)
    on, points, lengths = no_stretches(n)
    on[:, NEAR], points[:, NEAR], points[:, NEAR + 1], lengths[:, NEAR] = face, *ends, cost
    return Edges(
        tail=np.asarray(tail, np.int32),
        head=np.asarray(head, np.int32),
        cost=cost,
        on=on,
        points=points,
        lengths=lengths,
        reach=np.zeros((n, 2)) if reach is None else reach,
        loop=np.full(n, NOTHING, np.int32),
        s=np.zeros((n, 2)),
    )


def no_stretches(n: int) -> tuple[Ints, Floats, Floats]:
    """What n edges run on, the ends of their stretches, their lengths: to be filled in."""
    points = np.full((n, STRETCHES + 1, 2), np.nan)
    return np.full((n, STRETCHES), NOTHING, np.int32), points, np.zeros((n, STRETCHES))


def joined(parts: Sequence[Edges]) -> Edges:
    """Tables one below the other."""
    none = np.empty(0)
    parts = [*parts, lines(none, none, none, TOP, (np.empty((0, 2)), np.empty((0, 2))), None)]
    return Edges(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Edges)))


def cheapest(edges: Edges, nodes: int) -> Edges:
    """The cheapest edge of each pair of nodes, in the order of `pair_keys`."""
    key = pair_keys(edges, nodes)
    order = np.lexsort((edges.cost, key))
    return edges.take(order[np.unique(key[order], return_index=True)[1]])


def pair_keys(edges: Edges, nodes: int) -> Keys:
    """One number per edge for the pair of nodes that it joins."""
    low, high = np.minimum(edges.tail, edges.head), np.maximum(edges.tail, edges.head)
    keys: Keys = low.astype(np.int64) * nodes + high
    return keys


def meet(roles: Ints, a: Ints, b: Ints) -> Bools:
    """Whether the distance between two islands is wanted: not between two sources, nor between two
    targets.
    """
    mask: Bools = (a != b) & ((roles[a] != roles[b]) | (roles[a] == HOP))
    return mask


def onwards(nearest: Floats) -> Floats:
    """Least distance to copper that copper of each role is measured to, given that to each role;
    (n, 3) both.
    """
    source, target, hop = nearest.T
    either = np.minimum(target, hop)
    ways: Floats = np.column_stack((either, np.minimum(source, hop), np.minimum(source, either)))
    return ways


def row_min(table: Floats) -> Floats:
    """Least of each row of a table of few columns: faster than `min(axis=1)`, which is made for
    many.
    """
    least: Floats = table[:, 0]
    for column in table.T[1:]:
        least = np.minimum(least, column)
    return least


def row_max(table: Floats) -> Floats:
    """Greatest of each row of a table of few columns."""
    return -row_min(-table)


def no_rows() -> Rows:
    """No rows."""
    return np.empty(0, dtype=np.intp)


def norm(vectors: Floats) -> Floats:
    """Lengths of plane vectors."""
    length: Floats = np.hypot(vectors[..., 0], vectors[..., 1])
    return length
