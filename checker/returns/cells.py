"""Copper of one layer cut into the cells of a square grid, for currents that flow in it.

A node is a connected piece of copper within a cell; a branch is a stretch of copper on the edge
between two cells, and its conductance, in sheets, is its length over the cell. So a slot is never
bridged and a neck never cut, however narrow against the cell, and a uniform current beside a
straight rim of any direction is exact: the rim's cells lose just the edge length that they lack.
What lies within a cell and touches no edge (a small void, the end of a slot) is not seen.

Everything is found where the rims cross the grid's lines, in bulk: crossings sorted along a line
bound its stretches of copper, crossings sorted along a rim tell which stretches it joins within a
cell, and stretches that meet in a corner of the grid are joined there.

Literature, from memory: cut cells (embedded boundaries) of finite-volume methods.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from parsers.primitives import Bools, Floats, Rows, Shapes, repeated

Whole = npt.NDArray[np.int64]
# cells; no coordinate that people write lies on a line that is shifted by this
OFFSET = 0.3819660112501051
MARGIN = 1  # cells of bare board around the copper: nothing crosses the outermost lines


@dataclass(frozen=True, slots=True)
class Grid:
    """A square grid: where its first cell begins, how wide a cell is, how many there are; mm."""

    origin: tuple[float, float]
    cell: float
    shape: tuple[int, int]

    def places(self, at: Floats) -> Floats:
        """Points in mm as fractions of cells, shape (n, 2)."""
        places: Floats = (np.asarray(at, dtype=np.float64).reshape(-1, 2) - self.origin) / self.cell
        return places

    def middles(self, cells: Rows) -> Floats:
        """Middles of cells given by number, mm, shape (n, 2)."""
        x, y = np.divmod(cells, self.shape[1])
        return np.column_stack((x + 0.5, y + 0.5)) * self.cell + self.origin


def grid_over(bounds: tuple[float, float, float, float], cell: float) -> Grid:
    """The grid that covers a bounding box (x0, y0, x1, y1)."""
    origin = bounds[0] - (MARGIN + OFFSET) * cell, bounds[1] - (MARGIN + OFFSET) * cell
    size = [int((bounds[2 + k] - origin[k]) / cell) + 1 + MARGIN for k in (0, 1)]
    return Grid(origin, cell, (size[0], size[1]))


@dataclass(frozen=True, slots=True)
class Branches:
    """Connections of nodes; columns of length n."""

    first: Rows  # node to the left, or below
    second: Rows  # node to the right, or above
    width: Floats  # cells of copper on the common edge: squares are 1 / width
    upward: Bools  # whether the second lies above


class Cells:
    """A layer's copper as nodes and branches.

    Parameters
    ----------
    polygons : the layer's copper, Polygons that do not overlap
    grid : must cover them

    Attributes
    ----------
    cell : number of the cell of each node, shape (n,)
    branches : between nodes

    Examples
    --------
    >>> strip = Cells([shapely.box(0, 0, 4, 1)], Grid((-0.5, -0.5), 1.0, (6, 3)))
    >>> len(strip.cell), strip.branches.width.tolist()
    (10, [0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 1.0, 1.0, 1.0, 0.5])
    """

    def __init__(self, polygons: Sequence[shapely.Polygon] | Shapes, grid: Grid) -> None:
        self.grid = grid
        self.polygons: Shapes = np.array([*polygons, None], dtype=object)[:-1]
        edges = _Edges(self.polygons, grid)
        across = [_crossings(edges, axis) for axis in (0, 1)]
        cuts = [_cut(crossings) for crossings in across]
        count = len(cuts[0].line)
        first = np.concatenate((_corners(cuts, grid), _along_rims(edges, across, cuts)))
        lonely = edges.without(across)
        node, self.cell = _nodes(cuts, first, grid, edges.cells(lonely))
        width = np.concatenate([cut.high - cut.low for cut in cuts])
        self.branches = Branches(node[0::2], node[1::2], width, np.arange(len(width)) >= count)
        self._middle = _middles(cuts)

    def __len__(self) -> int:
        return len(self.cell)

    @cached_property
    def spots(self) -> Floats:
        """The middle of the edges of each node's copper, mm, shape (n, 2)."""
        ends = np.concatenate((self.branches.first, self.branches.second))
        width = np.tile(self.branches.width, 2)
        whole = np.bincount(ends, width, len(self.cell))
        edges = np.tile(self._middle, (2, 1)) * width[:, None]
        sums = np.column_stack(
            [np.bincount(ends, edges[:, axis], len(self.cell)) for axis in (0, 1)]
        )
        middles = (
            sums / np.where(whole > 0, whole, 1.0)[:, None] * self.grid.cell + self.grid.origin
        )
        return np.where(whole[:, None] > 0, middles, self.grid.middles(self.cell))

    @cached_property
    def _order(self) -> tuple[Rows, Whole]:
        """Nodes by cell, and where each cell begins among them."""
        order = np.argsort(self.cell, kind="stable")
        cells = self.grid.shape[0] * self.grid.shape[1]
        return order, np.searchsorted(self.cell[order], np.arange(cells + 1))

    def nodes_at(self, at: Floats) -> Rows:
        """The node whose copper covers each point (mm), -1 for points off copper; shape (n,)."""
        places = self.grid.places(at)
        index = np.floor(places).astype(np.int64)
        inside = ((index >= 0) & (index < self.grid.shape)).all(axis=1)
        out = np.full(len(places), -1, dtype=np.intp)
        covered = np.flatnonzero(inside & self._covered(at))
        order, begins = self._order
        number = index[covered, 0] * self.grid.shape[1] + index[covered, 1]
        count = begins[number + 1] - begins[number]
        out[covered[count > 0]] = order[begins[number[count > 0]]]
        for row, which in zip(covered[count > 1].tolist(), number[count > 1].tolist(), strict=True):
            out[row] = self._one_of(
                order[begins[which] : begins[which + 1]], np.asarray(at).reshape(-1, 2)[row]
            )
        return out

    def nodes_within(self, at: tuple[float, float], radius: float) -> Rows:
        """Nodes whose cell has its middle within a distance of a place, mm."""
        low, high = (
            np.floor(self.grid.places(np.array(at) + off)[0]).astype(np.int64)
            for off in (-radius, radius)
        )
        low, high = np.maximum(low, 0), np.minimum(high, np.array(self.grid.shape) - 1)
        x, y = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
        cells = (x * self.grid.shape[1] + y).ravel()
        cells = cells[np.hypot(*(self.grid.middles(cells) - at).T) < radius]
        order, begins = self._order
        rows, step = repeated(begins[cells], begins[cells + 1] - begins[cells])
        nodes: Rows = order[rows + step]
        return nodes

    def _covered(self, at: Floats) -> Bools:
        """Whether points lie on copper."""
        points = shapely.points(np.asarray(at, dtype=np.float64).reshape(-1, 2))
        covered = np.zeros(len(points), dtype=np.bool_)
        covered[self._tree.query(points, predicate="intersects")[0]] = True
        return covered

    @cached_property
    def _tree(self) -> shapely.STRtree:
        shapely.prepare(self.polygons)
        return shapely.STRtree(self.polygons)

    def _one_of(self, nodes: Rows, at: Floats) -> int:
        """Of several nodes of one cell, the one whose copper covers a point."""
        x, y = np.floor(self.grid.places(at)[0]) * self.grid.cell + self.grid.origin
        box = (float(x), float(y), float(x) + self.grid.cell, float(y) + self.grid.cell)
        point = shapely.Point(*at)
        owners = self._tree.query(point, predicate="intersects")
        parts = [
            p
            for owner in owners
            for p in shapely.get_parts(shapely.clip_by_rect(self.polygons[owner], *box))
        ]
        parts = [part for part in parts if part.area > 0]
        if not parts:
            return int(nodes[0])
        best = min(parts, key=lambda part: float(shapely.distance(part, point)))
        away = [
            shapely.distance(best, self._edges_of(node)).min(initial=np.inf)
            for node in nodes.tolist()
        ]
        return int(nodes[int(np.argmin(away))])

    def _edges_of(self, node: int) -> Shapes:
        """Middles of the stretches that bound a node, as Points in mm."""
        owner, branch = self._incident
        here = branch[np.searchsorted(owner, node) : np.searchsorted(owner, node, "right")]
        points: Shapes = shapely.points(self._middle[here] * self.grid.cell + self.grid.origin)
        return points

    @cached_property
    def _incident(self) -> tuple[Rows, Rows]:
        """Ends of branches sorted by node, and their branches."""
        ends = np.concatenate((self.branches.first, self.branches.second))
        order = np.argsort(ends, kind="stable")
        return ends[order], order % len(self.branches.first)


class _Edges:
    """Straight edges of all rims in order, copper on the left; coordinates in cells."""

    def __init__(self, polygons: Shapes, grid: Grid) -> None:
        oriented = shapely.orient_polygons(polygons) if len(polygons) else polygons
        rings, owner = shapely.get_rings(oriented, return_index=True)
        points, ring = shapely.get_coordinates(rings, return_index=True)
        inner = np.flatnonzero(ring[1:] == ring[:-1]) if len(ring) else np.empty(0, dtype=np.intp)
        places = grid.places(points)
        self.grid = grid
        self.start, self.end = places[inner], places[inner + 1]
        self.ring = ring[inner]
        outer = np.append(True, owner[1:] != owner[:-1])[: len(owner)]
        self.outer = np.flatnonzero(outer)  # rings that bound copper from outside

    def without(self, across: Sequence[_Crossings]) -> Rows:
        """Outer rings that cross no line: copper within one cell."""
        crossed = np.unique(np.concatenate([self.ring[c.edge] for c in across]))
        return np.setdiff1d(self.outer, crossed)

    def cells(self, rings: Rows) -> Rows:
        """Number of the cell that each of some rings begins in."""
        first = np.searchsorted(self.ring, rings)
        index = np.floor(self.start[first]).astype(np.int64)
        numbers: Rows = index[:, 0] * self.grid.shape[1] + index[:, 1]
        return numbers


@dataclass(frozen=True, slots=True)
class _Crossings:
    """Places where rims cross the lines of one direction, sorted by line and by place along it."""

    edge: Rows  # of the rims
    along: Floats  # part of that edge before the crossing
    line: Whole  # number of the line
    place: Floats  # on the line, in cells
    onward: Bools  # towards higher coordinates


def _crossings(edges: _Edges, axis: int) -> _Crossings:
    """Crossings with lines of constant coordinate `axis`; a point on a line counts as beyond it."""
    begin, stop = edges.start[:, axis], edges.end[:, axis]
    low = np.floor(np.minimum(begin, stop)).astype(np.int64)
    high = np.floor(np.maximum(begin, stop)).astype(np.int64)
    edge, step = repeated(np.arange(len(low)), high - low)
    line = low[edge] + 1 + step
    along = np.clip((line - begin[edge]) / (stop[edge] - begin[edge]), 0.0, 1.0)
    start, end = edges.start[edge, 1 - axis], edges.end[edge, 1 - axis]
    place = start + along * (end - start)
    order = np.lexsort((place, line))
    onward = stop[edge] > begin[edge]
    return _Crossings(edge[order], along[order], line[order], place[order], onward[order])


@dataclass(frozen=True, slots=True)
class _Cut:
    """Stretches of copper on the lines of one direction, cut at the other lines."""

    line: Whole
    place: Whole  # number of the cell along the line
    low: Floats
    high: Floats
    first: Bools  # whether a rim, not a line of the grid, ends it below
    last: Bools  # ... and above
    of_crossing: Rows  # per crossing, the stretch that it ends


def _cut(crossings: _Crossings) -> _Cut:
    """Pair crossings into stretches of copper and cut them at the lines of the other direction."""
    low, high = crossings.place[0::2], crossings.place[1::2]
    begin, end = np.floor(low).astype(np.int64), np.floor(high).astype(np.int64)
    count = end - begin + 1
    owner, step = repeated(np.arange(len(low)), count)
    place = begin[owner] + step
    starts = np.cumsum(count) - count
    of_crossing = np.empty(len(crossings.place), dtype=np.intp)
    of_crossing[0::2], of_crossing[1::2] = starts, starts + count - 1
    return _Cut(
        line=crossings.line[0::2][owner],
        place=place,
        low=np.maximum(low[owner], place),
        high=np.minimum(high[owner], place + 1),
        first=step == 0,
        last=step == count[owner] - 1,
        of_crossing=of_crossing,
    )


def _corners(cuts: Sequence[_Cut], grid: Grid) -> npt.NDArray[np.intp]:
    """Pairs of half stretches (see `_nodes`) that meet in a corner of the grid, shape (m, 2)."""
    up, right = cuts
    corner = partial(_at_corners, (grid.shape[0] + 2, grid.shape[1] + 2))
    shift = len(up.line)
    below = corner(~up.last, up.line, up.place + 1, 0)
    above = corner(~up.first, up.line, up.place, 0)
    left = corner(~right.last, right.place + 1, right.line, shift)
    beyond = corner(~right.first, right.place, right.line, shift)
    pairs = []
    for vertical, side in ((below, 0), (above, 1)):
        for level, where in ((left, 0), (beyond, 1)):
            met = np.flatnonzero((vertical >= 0) & (level >= 0))
            pairs.append(np.column_stack((2 * vertical[met] + where, 2 * level[met] + side)))
    return np.concatenate(pairs)


def _at_corners(shape: tuple[int, int], keep: Bools, x: Whole, y: Whole, first: int) -> Rows:
    """For each corner of the grid, row by row, the stretch that is to be kept there, counted from
    `first`; -1 where there is none.
    """
    out = np.full(shape[0] * shape[1], -1, dtype=np.intp)
    out[(x * shape[1] + y)[keep]] = np.flatnonzero(keep) + first
    return out


def _along_rims(
    edges: _Edges, across: Sequence[_Crossings], cuts: Sequence[_Cut]
) -> npt.NDArray[np.intp]:
    """Pairs of half stretches that a rim joins within a cell, shape (m, 2)."""
    shift = len(cuts[0].line)
    stretch = np.concatenate((cuts[0].of_crossing, cuts[1].of_crossing + shift))
    edge = np.concatenate([c.edge for c in across])
    along = np.concatenate([c.along for c in across])
    onward = np.concatenate([c.onward for c in across]).astype(np.intp)
    order = np.lexsort((along, edge))
    leaves = 2 * stretch[order] + onward[order]
    enters = 2 * stretch[order] + 1 - onward[order]
    return np.column_stack((leaves, enters[_followers(edges.ring[edge[order]])]))


def _followers(ring: Rows) -> Rows:
    """The next one round its ring of each of some places, ring by ring."""
    begins = np.flatnonzero(np.append(True, ring[1:] != ring[:-1])[: len(ring)])
    follows = np.arange(1, len(ring) + 1)
    follows[np.append(begins, len(ring))[1:] - 1] = begins
    return follows


def _nodes(
    cuts: Sequence[_Cut], pairs: npt.NDArray[np.intp], grid: Grid, lonely: Rows
) -> tuple[Rows, Rows]:
    """Number of the node on either side of each stretch, and the cell of each node.

    Half stretch 2 p lies on the lower side of stretch p, 2 p + 1 on the upper side.
    """
    up, right = cuts
    rows = grid.shape[1]
    lower = np.concatenate(((up.line - 1) * rows + up.place, right.place * rows + right.line - 1))
    upper = np.concatenate((up.line * rows + up.place, right.place * rows + right.line))
    halves = np.column_stack((lower, upper)).ravel()
    count, label = _connected(len(halves), pairs)
    cell = np.empty(count, dtype=np.intp)
    cell[label] = halves
    return label, np.concatenate((cell, lonely)).astype(np.intp)


def _connected(size: int, pairs: npt.NDArray[np.intp]) -> tuple[int, Rows]:
    """How many groups pairs make of some numbers, and the group of each."""
    if not size:
        return 0, np.empty(0, dtype=np.intp)
    joined = np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])
    count, label = connected_components(coo_array(joined, shape=(size, size)), directed=False)
    return count, label.astype(np.intp)


def _middles(cuts: Sequence[_Cut]) -> Floats:
    """Middle of each stretch, in cells, shape (n, 2)."""
    up, right = cuts
    return np.concatenate(
        (
            np.column_stack((up.line, (up.low + up.high) / 2)),
            np.column_stack(((right.low + right.high) / 2, right.line)),
        )
    )
