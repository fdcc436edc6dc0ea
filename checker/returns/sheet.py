"""Direct currents in the reference copper of several layers that plated holes, ties and contacts join.

Each layer's copper is a sheet of resistance rho / t on a square grid (`cells`); barrels and ties are resistors between
contacts. A round contact finer than what a node stands for hangs on its node by the exact logarithm; around a larger
one the nodes' branches are corrected by it, so that its resistance does not depend on the grid. A pin's pad spreads its
current evenly over its area, and its potential is the mean over it.

One solve with 1 A through a pair of pins gives the potential everywhere; by reciprocity, the difference of that
potential between any two other places is also the voltage that 1 A between them puts on the pair.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import ceil, exp, log, pi
from typing import Any

import numpy as np
import shapely
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import LinearOperator, cg, splu

from checker.returns.cells import Cells, Grid, grid_over
from parsers.primitives import Bools, Floats, Rows, Shapes

RHO = 1.724e-5  # ohm mm; copper at 20 C, from memory (IEC 60028)
POINT = 0.1985  # cells; radius of the disc that a node stands for (well-block radius, reservoir simulation, 1978)
LONE = exp(-pi / 2)  # cells; the same disc, were the potential of the next nodes exactly logarithmic
WIDE = 0.7  # cells; contacts of this radius and more short-circuit the nodes within their rim
LEAST = 0.05  # part of a branch's resistance that a contact's correction leaves at least
MULTIGRID = 30_000  # unknowns; from here on multigrid is faster than a direct solver (tests/bench/test_sheet.py)
PRECISION = 1e-12  # of a solution, relative
ROUNDS = 400  # of the iterative solver; it needs a tenth, and a direct solver does the rest
RIM_POINTS = 24  # round a wide contact
SAMPLES = 6  # points across a pad, each way


@dataclass(frozen=True, slots=True)
class Contact:
    """A round place on a layer that is one conductor with what reaches it; mm."""

    layer: int
    at: tuple[float, float]
    radius: float


@dataclass(frozen=True, slots=True)
class Chain:
    """Contacts one after the other, as a barrel or a tie has them, and the resistance from each to the next, ohm.

    A contact that touches no copper is passed by; a resistance of 0 is a short.
    """

    contacts: tuple[Contact, ...]
    ohms: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Spread:
    """Nodes with weights that add up to 1: where a current enters, or over what a potential is averaged."""

    nodes: Rows
    weights: Floats

    def mean(self, potential: Floats) -> float:
        """The weighted mean of a potential."""
        return float(self.weights @ potential[self.nodes])


class UnjoinedError(ValueError):
    """Two places that no copper joins."""


class Sheet:
    """A network of copper.

    Parameters
    ----------
    layers : each layer's copper, Polygons that do not overlap
    thickness : of each layer's copper, mm
    chains : barrels and ties
    cell : width of a cell, mm
    """

    def __init__(
        self, layers: Sequence[Shapes], thickness: Sequence[float], chains: Sequence[Chain], cell: float
    ) -> None:
        every = np.concatenate([np.asarray(shapes, dtype=object) for shapes in layers])
        x0, y0, x1, y1 = (float(v) for v in shapely.total_bounds(every))
        self.grid: Grid = grid_over((x0, y0, x1, y1), cell)
        self.layers = [Cells(shapes, self.grid) for shapes in layers]
        self.begins = np.cumsum([0, *(len(cells) for cells in self.layers)])
        self.thickness = thickness
        self._contacts = self._placed(chains)
        fine = [c for c, nodes in self._contacts.items() if len(nodes) == 1 and 0 < c.radius < POINT * cell]
        self._base = np.array([self._contacts[contact][0] for contact in fine], dtype=np.intp)
        self._ends = dict(zip(fine, range(int(self.begins[-1]), int(self.begins[-1]) + len(fine)), strict=True))
        self._join(chains)

    # ------------------------------------------------------------------------------------------------ where things are

    def layer_nodes(self, layer: int) -> slice:
        """The nodes of a layer."""
        return slice(int(self.begins[layer]), int(self.begins[layer + 1]))

    @cached_property
    def middles(self) -> Floats:
        """Middle of the cell of each node, mm, shape (nodes, 2)."""
        middles = np.concatenate([self.grid.middles(cells.cell) for cells in self.layers])
        return np.concatenate((middles, middles[self._base]))

    @cached_property
    def spots(self) -> Floats:
        """A place on the copper of each node, mm, shape (nodes, 2)."""
        spots = np.concatenate([cells.spots for cells in self.layers])
        return np.concatenate((spots, spots[self._base]))

    def nodes_at(self, layer: int, at: Floats) -> Rows:
        """The node under each place, -1 off copper."""
        found = self.layers[layer].nodes_at(at)
        return np.where(found >= 0, found + self.begins[layer], -1)

    def spread_over(self, layer: int, shapes: Shapes) -> Spread | None:
        """A pad: an even spread over its area, None where it touches no copper of the sheet."""
        points = np.concatenate([np.empty((0, 2)), *(_points_in(shape, self.grid.cell / 2) for shape in shapes)])
        nodes = self.nodes_at(layer, points)
        points, nodes = points[nodes >= 0], nodes[nodes >= 0]
        return self._interpolated(nodes, points) if len(nodes) else None

    def spread_at(self, contact: Contact) -> Spread | None:
        """A round contact, such as a plated hole with its lead."""
        if contact in self._ends:
            return Spread(np.array([self._ends[contact]]), np.ones(1))
        nodes = self._contacts[contact] if contact in self._contacts else self._under(contact)
        return Spread(nodes[:1], np.ones(1)) if len(nodes) else None

    def _interpolated(self, nodes: Rows, points: Floats) -> Spread:
        """Spread each point over the four nodes around it, as far as copper joins them to its own."""
        off = self.grid.places(points) - self.grid.places(self.middles[nodes])
        ahead = [self._neighbours[2 * axis + (off[:, axis] > 0), nodes] for axis in (0, 1)]
        share = [np.where(ahead[axis] >= 0, np.abs(off[:, axis]), 0.0) for axis in (0, 1)]
        far = np.where(
            (ahead[0] >= 0) & (ahead[1] >= 0), self._neighbours[2 + (off[:, 1] > 0), np.maximum(ahead[0], 0)], -1
        )
        lost = far < 0
        weights = [
            (1 - share[0]) * (1 - share[1]),
            share[0] * (1 - share[1]),
            share[1] * (1 - share[0]),
            np.where(lost, 0.0, share[0] * share[1]),
        ]
        weights[0] = weights[0] + np.where(lost, share[0] * share[1], 0.0)
        every = np.concatenate((nodes, ahead[0], ahead[1], far))
        weight = np.concatenate(weights) / len(nodes)
        used, place = np.unique(every[weight > 0], return_inverse=True)
        return Spread(used, np.bincount(place, weight[weight > 0]).astype(np.float64))

    @cached_property
    def _neighbours(self) -> Rows:
        """Per node its neighbour to the left, right, below, above, over the widest edge; -1 for none; (4, nodes)."""
        out = np.full((4, int(self.begins[-1])), -1, dtype=np.intp)
        for cells, begin in zip(self.layers, self.begins, strict=False):
            order = np.argsort(cells.branches.width, kind="stable")
            first, second = cells.branches.first[order] + begin, cells.branches.second[order] + begin
            upward = cells.branches.upward[order]
            for up in (0, 1):
                here = upward == bool(up)
                out[2 * up + 1, first[here]] = second[here]
                out[2 * up, second[here]] = first[here]
        return out

    # --------------------------------------------------------------------------------------------------- the network

    def _placed(self, chains: Sequence[Chain]) -> dict[Contact, Rows]:
        """Nodes of every contact of the chains; those off the copper have none."""
        contacts = list(dict.fromkeys(contact for chain in chains for contact in chain.contacts))
        out: dict[Contact, Rows] = {}
        for layer in {contact.layer for contact in contacts}:
            here = [contact for contact in contacts if contact.layer == layer]
            small = [contact for contact in here if contact.radius < WIDE * self.grid.cell]
            at = self.nodes_at(layer, np.array([contact.at for contact in small]).reshape(-1, 2))
            out |= {c: np.array([node]) for c, node in zip(small, at.tolist(), strict=True) if node >= 0}
            out |= {contact: self._under(contact) for contact in here if contact not in out}
        return out

    def _under(self, contact: Contact) -> Rows:
        """Nodes within a contact: the one in its middle where it is small, those at its rim where it is a ring."""
        if contact.radius < WIDE * self.grid.cell:
            node = self.nodes_at(contact.layer, np.array([contact.at]))
            if node[0] >= 0:
                return node
        else:
            nodes = self.layers[contact.layer].nodes_within(contact.at, contact.radius) + self.begins[contact.layer]
            if len(nodes):
                return np.asarray(nodes, dtype=np.intp)
        turn = 2 * pi * np.arange(RIM_POINTS) / RIM_POINTS
        rim = contact.at + (contact.radius + 0.01) * np.column_stack((np.cos(turn), np.sin(turn)))
        nodes = self.nodes_at(contact.layer, rim)
        found: Rows = np.unique(nodes[nodes >= 0])
        return found

    def _join(self, chains: Sequence[Chain]) -> None:
        """Lay out branches: those of the layers with contacts corrected, then the chains; shorts become one node."""
        shorts = [(nodes[0], other) for nodes in self._contacts.values() for other in nodes[1:].tolist()]
        resistors = [
            (node, end, self._throat(c)) for node, (c, end) in zip(self._base, self._ends.items(), strict=True)
        ]
        for chain in chains:
            for first, second, ohms in self._steps(chain):
                if ohms > 0:
                    resistors.append((first, second, 1 / ohms))
                else:
                    shorts.append((first, second))
        self.label = _merged(int(self.begins[-1]) + len(self._base), shorts)
        self.size = int(self.label.max(initial=-1)) + 1
        left, right, conductance = self._sheet_branches()
        more = np.array(resistors).reshape(-1, 3)
        self.first = np.concatenate((left, more[:, 0].astype(np.intp)))
        self.second = np.concatenate((right, more[:, 1].astype(np.intp)))
        self.conductance = np.concatenate((conductance, more[:, 2]))
        self.flat = len(left)  # branches below this number lie in a layer

    def _steps(self, chain: Chain) -> Iterator[tuple[int, int, float]]:
        """Resistors of a chain between the nodes of those contacts that touch copper."""
        along = np.concatenate(([0.0], np.cumsum(chain.ohms)))
        ends = [(self.spread_at(contact), ohms) for contact, ohms in zip(chain.contacts, along, strict=True)]
        touching = [(int(end.nodes[0]), ohms) for end, ohms in ends if end is not None]
        for (first, before), (second, after) in pairwise(touching):
            yield first, second, float(after - before)

    def _throat(self, contact: Contact) -> float:
        """Conductance from a node to the rim of a contact that is finer than what the node stands for, siemens."""
        squares = log(POINT * self.grid.cell / contact.radius) / (2 * pi)
        return self.thickness[contact.layer] / RHO / squares

    def _sheet_branches(self) -> tuple[Rows, Rows, Floats]:
        """Branches of all layers: nodes, and conductances in siemens."""
        first = np.concatenate([c.branches.first + b for c, b in zip(self.layers, self.begins, strict=False)])
        second = np.concatenate([c.branches.second + b for c, b in zip(self.layers, self.begins, strict=False)])
        sheets = [c.branches.width * t / RHO for c, t in zip(self.layers, self.thickness, strict=True)]
        return first, second, np.concatenate(sheets) / self._stretched(first, second)

    def _stretched(self, first: Rows, second: Rows) -> Floats:
        """What contacts make of the resistance of branches, as a factor.

        Around a contact the potential grows with the logarithm of the distance from its middle, and starts at its rim.
        """
        owner = np.full(int(self.begins[-1]), -1, dtype=np.intp)
        point = POINT * self.grid.cell
        rim = np.array([contact.radius or point for contact in self._contacts] or [point])
        middle = np.array([contact.at for contact in self._contacts] or [(0, 0)], dtype=np.float64)
        for number, (contact, nodes) in enumerate(self._contacts.items()):
            if contact in self._ends:
                continue
            owner[nodes] = number
            if len(nodes) == 1:
                middle[number] = self.middles[nodes[0]]
                rim[number] *= LONE / POINT
        factor = np.ones(len(first))
        for near, far in ((first, second), (second, first)):
            here = np.flatnonzero((owner[near] >= 0) & (owner[near] != owner[far]))
            which = owner[near[here]]
            inner = np.hypot(*(self.middles[near[here]] - middle[which]).T)
            outer = np.hypot(*(self.middles[far[here]] - middle[which]).T)
            inner = np.maximum(inner, LONE * self.grid.cell)
            outer = np.maximum(outer, 1.01 * inner)
            grown = np.log(outer / rim[which]) / np.log(outer / inner)
            factor[here] += grown - 1
        return np.maximum(factor, LEAST)

    @cached_property
    def matrix(self) -> csr_array[Any]:
        """Conductance matrix over merged nodes."""
        first, second = self.label[self.first], self.label[self.second]
        ends = np.concatenate((first, second, first, second)), np.concatenate((first, second, second, first))
        values = np.concatenate((self.conductance, self.conductance, -self.conductance, -self.conductance))
        return csr_array(coo_array((values, ends), shape=(self.size, self.size)))

    @cached_property
    def piece(self) -> Rows:
        """Number of the connected piece of each node, shape (nodes,)."""
        _, label = connected_components(self.matrix, directed=False)
        return label[self.label].astype(np.intp)

    # ------------------------------------------------------------------------------------------------------ solutions

    def joined(self, one: Spread, other: Spread) -> bool:
        """Whether copper joins two places."""
        return int(self.piece[one.nodes[0]]) == int(self.piece[other.nodes[0]])

    def potential(self, source: Spread, sink: Spread) -> Floats:
        """Potential of every node in V, while 1 A enters at the source and leaves at the sink; NaN off their piece.

        Raises
        ------
        UnjoinedError : no copper joins them
        """
        if not self.joined(source, sink):
            raise UnjoinedError
        whole = np.flatnonzero(self.piece == self.piece[source.nodes[0]])
        inside, number = np.unique(self.label[whole], return_inverse=True)
        current = np.zeros(self.size)
        np.add.at(current, self.label[source.nodes], source.weights)
        np.add.at(current, self.label[sink.nodes], -sink.weights)
        solved = np.zeros(len(inside))
        solved[1:] = _solve(self._reduced(int(self.piece[source.nodes[0]]), inside), current[inside][1:])
        out = np.full(len(self.label), np.nan)
        out[whole] = solved[number]
        return out

    def _reduced(self, piece: int, inside: Rows) -> _Solver:
        """The matrix of a piece without its first node, with what a solver keeps of it."""
        if piece not in self._solvers:
            self._solvers[piece] = _Solver(csr_array(self.matrix[inside[1:]][:, inside[1:]]))
        return self._solvers[piece]

    @cached_property
    def _solvers(self) -> dict[int, _Solver]:
        return {}

    def flows(self, potential: Floats) -> Floats:
        """Current of each branch from its first to its second node, A, for a potential; shape (branches,)."""
        step = potential[self.first] - potential[self.second]
        return np.where(np.isnan(step), 0.0, self.conductance * step)

    def density(self, potential: Floats) -> Floats:
        """Current per mm of width at each node, A/mm, for a potential; shape (nodes,)."""
        flow = self.flows(potential)[: self.flat]
        upward = np.concatenate([cells.branches.upward for cells in self.layers])
        parts = []
        for up in (False, True):
            here = upward == up
            ends = np.concatenate((self.first[: self.flat][here], self.second[: self.flat][here]))
            parts.append(np.bincount(ends, np.tile(flow[here], 2) / 2, len(self.label)))
        density: Floats = np.hypot(*parts) / self.grid.cell
        return density

    def covered(self, layer: int, shape: shapely.Geometry) -> Bools:
        """Nodes of one layer whose copper lies in a shape, as a mask over all nodes."""
        mask = np.zeros(len(self.label), dtype=np.bool_)
        if shapely.is_empty(shape):
            return mask
        shapely.prepare(shape)
        nodes = self.layer_nodes(layer)
        mask[nodes] = shapely.intersects_xy(shape, *self.layers[layer].spots.T)
        mask[int(self.begins[-1]) :] = mask[self._base]
        return mask


class _Solver:
    """A symmetric positive definite matrix, factorised or with its multigrid, made once and used for many currents."""

    def __init__(self, matrix: csr_array[Any]) -> None:
        self.matrix = matrix

    @cached_property
    def factors(self) -> Any:
        """Sparse factors, for small systems."""
        options = {"SymmetricMode": True}
        return splu(self.matrix.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options=options)

    @cached_property
    def multigrid(self) -> LinearOperator:
        """Algebraic multigrid as a preconditioner, for large ones."""
        import pyamg  # noqa: PLC0415 - takes a while to load, and most checks never need it
        from scipy.sparse import csr_matrix  # noqa: PLC0415

        sweeps = ("gauss_seidel", {"sweep": "forward"}), ("gauss_seidel", {"sweep": "backward"})
        solver = pyamg.smoothed_aggregation_solver(
            csr_matrix(self.matrix),
            smooth=("jacobi", {"weighting": "local"}),  # the other weightings begin with random numbers
            presmoother=sweeps[0],
            postsmoother=sweeps[1],
            improve_candidates=None,
            max_coarse=500,
        )
        preconditioner: LinearOperator = solver.aspreconditioner()
        return preconditioner


def _solve(solver: _Solver, current: Floats) -> Floats:
    """Potentials for currents into the nodes."""
    if not len(current):
        return current
    if len(current) < MULTIGRID:
        direct: Floats = solver.factors.solve(current)
        return direct
    found, left = cg(solver.matrix, current, rtol=PRECISION, atol=0.0, maxiter=ROUNDS, M=solver.multigrid)
    if left:
        exact: Floats = solver.factors.solve(current)
        return exact
    return np.asarray(found, dtype=np.float64)


def _merged(size: int, shorts: Sequence[tuple[Any, Any]]) -> Rows:
    """Number of the merged node of each node."""
    pairs = np.array(shorts, dtype=np.intp).reshape(-1, 2)
    graph = coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(size, size))
    return connected_components(graph, directed=False)[1].astype(np.intp)


def _points_in(shape: shapely.Geometry, apart: float) -> Floats:
    """Points spread evenly over a shape, at least one, at most `apart` from each other, shape (n, 2)."""
    x0, y0, x1, y1 = shapely.bounds(shape)
    steps = [max(SAMPLES, ceil(size / apart)) for size in (x1 - x0, y1 - y0)]
    across, along = ((np.arange(count) + 0.5) / count for count in steps)
    x, y = np.meshgrid(x0 + across * (x1 - x0), y0 + along * (y1 - y0))
    points = np.column_stack((x.ravel(), y.ravel()))
    inside = points[shapely.contains_xy(shape, *points.T)]
    spread: Floats = inside if len(inside) else shapely.get_coordinates(shapely.point_on_surface(shape))
    return spread
