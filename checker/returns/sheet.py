"""Direct currents in the reference copper of several layers that plated holes, ties and contacts
join.

Each layer's copper is a sheet of resistance rho / t on a square grid (`cells`); barrels and ties
are resistors between contacts (`contacts`). A pin's pad spreads its current evenly over its area,
and its potential is the mean over it.

One solve with 1 A through a pair of pins gives the potential everywhere; by reciprocity, the
difference of that potential between any two other places is also the voltage that 1 A between them
puts on the pair.

Literature, from memory: finite volumes on a square grid; nodal analysis of resistor networks;
algebraic multigrid; reciprocity of networks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import ceil
from typing import Any

import numpy as np
import shapely
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import LinearOperator, cg, splu

from checker.returns.cells import Cells, Grid, grid_over
from checker.returns.contacts import FINE, RHO, Chain, Contact, Throats, rims, throats_of
from parsers.primitives import Bools, Floats, Rows, Shapes

FLAT = 200  # unknowns for each resistor between layers that make a network nearly planar
LEAST = 0.05  # part of a branch's resistance that the correction at a wide contact leaves at least
# unknowns; from here on multigrid is faster than a direct solver (tests/bench/test_sheet.py)
MULTIGRID = 30_000
# unknowns up to which factors of a nearly planar network are faster still, and take below 1 GB
PLANAR = 400_000
PRECISION = 1e-12  # of a solution, relative
ROUNDS = 400  # of the iterative solver; it needs a tenth, and a direct solver does the rest
SAMPLES = 6  # points across a pad, each way


@dataclass(frozen=True, slots=True)
class Spread:
    """Nodes with weights that add up to 1: where a current enters, or over what a potential is
    averaged.
    """

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
        self,
        layers: Sequence[Shapes],
        thickness: Sequence[float],
        chains: Sequence[Chain],
        cell: float,
    ) -> None:
        every = np.concatenate([np.asarray(shapes, dtype=object) for shapes in layers])
        x0, y0, x1, y1 = (float(v) for v in shapely.total_bounds(every))
        self.grid: Grid = grid_over((x0, y0, x1, y1), cell)
        self.layers = [Cells(shapes, self.grid) for shapes in layers]
        self.begins = np.cumsum([0, *(len(cells) for cells in self.layers)])
        self.thickness = thickness
        contacts = list(dict.fromkeys(contact for chain in chains for contact in chain.contacts))
        self.throats, self._ends, shorts = self._placed(contacts)
        self._join(chains, shorts)

    # ----------------------------------------------------------------------------- where things are

    def layer_nodes(self, layer: int) -> slice:
        """The nodes of a layer."""
        return slice(int(self.begins[layer]), int(self.begins[layer + 1]))

    @cached_property
    def middles(self) -> Floats:
        """Middle of the cell of each node, mm, shape (nodes, 2)."""
        return np.concatenate((self.middles_of_layers, self.throats.at))

    @cached_property
    def middles_of_layers(self) -> Floats:
        """The same without the contacts."""
        return np.concatenate([self.grid.middles(cells.cell) for cells in self.layers])

    @cached_property
    def spots(self) -> Floats:
        """A place on the copper of each node, mm, shape (nodes, 2)."""
        spots = np.concatenate([cells.spots for cells in self.layers])
        return np.concatenate((spots, self.throats.at))

    def nodes_at(self, layer: int, at: Floats) -> Rows:
        """The node under each place, -1 off copper."""
        found = self.layers[layer].nodes_at(at)
        return np.where(found >= 0, found + self.begins[layer], -1)

    def spread_over(self, layer: int, shapes: Shapes) -> Spread | None:
        """A pad: an even spread over its area, None where it touches no copper of the sheet."""
        points = np.concatenate(
            [np.empty((0, 2)), *(_points_in(shape, self.grid.cell / 2) for shape in shapes)]
        )
        nodes = self.nodes_at(layer, points)
        points, nodes = points[nodes >= 0], nodes[nodes >= 0]
        return self._interpolated(nodes, points) if len(nodes) else None

    def spread_at(self, contact: Contact) -> Spread | None:
        """A round contact of the chains, such as a plated hole; None if it touches no copper."""
        end = self._ends.get(contact)
        return None if end is None else Spread(np.array([end]), np.ones(1))

    def _interpolated(self, nodes: Rows, points: Floats) -> Spread:
        """Points as a spread over the nodes around them."""
        _, every, weight = self._around(nodes, points)
        used, place = np.unique(every, return_inverse=True)
        return Spread(used, np.bincount(place, weight).astype(np.float64) / len(nodes))

    def _around(self, nodes: Rows, points: Floats) -> tuple[Rows, Rows, Floats]:
        """Spread each point over the four nodes around it, as far as copper joins them to its own.

        Returns
        -------
        number of the point, node, weight: the weights of each point add up to 1
        """
        off = self.grid.places(points) - self.grid.places(self.middles_of_layers[nodes])
        above = 2 + (off[:, 1] > 0)
        beside = self._neighbours[(off[:, 0] > 0).astype(np.intp), nodes]
        across = self._neighbours[above, nodes]
        joined = (beside >= 0) & (across >= 0)
        far = np.where(joined, self._neighbours[above, beside], -1)
        x, y = (
            np.where(other >= 0, np.abs(off[:, axis]), 0.0)
            for axis, other in enumerate((beside, across))
        )
        whole = far >= 0
        own = np.where(whole, (1 - x) * (1 - y), 1 - x - y)
        sides = np.where(whole, x * (1 - y), x), np.where(whole, y * (1 - x), y)
        weight = np.concatenate((own, *sides, np.where(whole, x * y, 0.0)))
        point = np.tile(np.arange(len(nodes)), 4)
        node = np.concatenate((nodes, beside, across, far))
        used = weight != 0
        return point[used], node[used], weight[used]

    @cached_property
    def _neighbours(self) -> Rows:
        """Per node its neighbour to the left, right, below, above, over the widest edge; -1 for
        none; (4, nodes).
        """
        out = np.full((4, int(self.begins[-1])), -1, dtype=np.intp)
        for cells, begin in zip(self.layers, self.begins, strict=False):
            order = np.argsort(cells.branches.width, kind="stable")
            first, second = (
                cells.branches.first[order] + begin,
                cells.branches.second[order] + begin,
            )
            upward = cells.branches.upward[order]
            for up in (0, 1):
                here = upward == bool(up)
                out[2 * up + 1, first[here]] = second[here]
                out[2 * up, second[here]] = first[here]
        return out

    # ---------------------------------------------------------------------------------- the network

    def _placed(
        self, contacts: Sequence[Contact]
    ) -> tuple[Throats, dict[Contact, int], list[tuple[int, int]]]:
        """Attach contacts: fine ones by throats, wide ones as nodes in short circuit; and the node
        that each one is.
        """
        fine = [contact for contact in contacts if contact.radius <= FINE * self.grid.cell]
        rims = [self._on_rim(fine, layer) for layer in range(len(self.layers))]
        numbers, nodes, weights = (np.concatenate(columns) for columns in zip(*rims, strict=True))
        throats = throats_of(
            fine, self.middles_of_layers, (numbers, nodes, weights), self.grid.cell, self.thickness
        )
        first = int(self.begins[-1])
        ends = {
            fine[number]: first + place for place, number in enumerate(throats.contact.tolist())
        }
        shorts: list[tuple[int, int]] = []
        self._wide: dict[Contact, Rows] = {}
        for contact in contacts:
            under = self._within(contact)
            if len(under):
                self._wide[contact] = under
                ends[contact] = int(under[0])
                shorts += [(int(under[0]), int(node)) for node in under[1:]]
        return throats, ends, shorts

    def _on_rim(self, contacts: Sequence[Contact], layer: int) -> tuple[Rows, Rows, Floats]:
        """For contacts on a layer, the nodes around their rims: number of the contact, node,
        weight.
        """
        here = np.array(
            [n for n, contact in enumerate(contacts) if contact.layer == layer], dtype=np.intp
        )
        points = rims([contacts[n] for n in here])
        owner = np.repeat(here, len(points) // max(len(here), 1))
        nodes = self.nodes_at(layer, points)
        kept = nodes >= 0
        point, node, weight = self._around(nodes[kept], points[kept])
        return owner[kept][point], node, weight

    def _within(self, contact: Contact) -> Rows:
        """Nodes within a wide contact, or under its rim where it is a ring of copper; none for a
        fine one.
        """
        if contact.radius <= FINE * self.grid.cell:
            return np.empty(0, dtype=np.intp)
        cells, begin = self.layers[contact.layer], self.begins[contact.layer]
        nodes = cells.nodes_within(contact.at, contact.radius) + begin
        if not len(nodes):
            nodes = self.nodes_at(contact.layer, rims([contact]))
        found: Rows = np.unique(nodes[nodes >= 0])
        return found

    def _join(self, chains: Sequence[Chain], shorts: list[tuple[int, int]]) -> None:
        """Lay out branches: those of the layers, then the chains; shorts become one node."""
        resistors: list[tuple[int, int, float]] = []
        for chain in chains:
            for first, second, ohms in self._steps(chain):
                if ohms > 0:
                    resistors.append((first, second, 1 / ohms))
                else:
                    shorts.append((first, second))
        self.label = _merged(int(self.begins[-1]) + len(self.throats.at), shorts)
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
        touching = [
            (self._ends[c], ohms)
            for c, ohms in zip(chain.contacts, along, strict=True)
            if c in self._ends
        ]
        for (first, before), (second, after) in pairwise(touching):
            yield first, second, float(after - before)

    def _sheet_branches(self) -> tuple[Rows, Rows, Floats]:
        """Branches of all layers: nodes, and conductances in siemens."""
        first = np.concatenate(
            [c.branches.first + b for c, b in zip(self.layers, self.begins, strict=False)]
        )
        second = np.concatenate(
            [c.branches.second + b for c, b in zip(self.layers, self.begins, strict=False)]
        )
        sheets = [
            c.branches.width * t / RHO for c, t in zip(self.layers, self.thickness, strict=True)
        ]
        return first, second, np.concatenate(sheets) / self._stretched(first, second)

    def _stretched(self, first: Rows, second: Rows) -> Floats:
        """What contacts make of the resistance of branches, as a factor.

        Around a contact the potential grows with the logarithm of the distance from its middle, and
        starts at its rim.
        """
        owner = np.full(int(self.begins[-1]), -1, dtype=np.intp)
        for number, nodes in enumerate(self._wide.values()):
            owner[nodes] = number
        rim = np.array([contact.radius for contact in self._wide])
        middle = np.array([contact.at for contact in self._wide], dtype=np.float64).reshape(-1, 2)
        factor = np.ones(len(first))
        for near, far in ((first, second), (second, first)):
            here = np.flatnonzero((owner[near] >= 0) & (owner[near] != owner[far]))
            which = owner[near[here]]
            inner, outer = (
                np.hypot(*(self.middles_of_layers[side[here]] - middle[which]).T)
                for side in (near, far)
            )
            outer = np.maximum(outer, 1.01 * inner)
            factor[here] = np.log(outer / rim[which]) / np.log(outer / inner)
        return np.maximum(factor, LEAST)

    @cached_property
    def matrix(self) -> csr_array[Any]:
        """Conductance matrix over merged nodes."""
        first, second = self.label[self.first], self.label[self.second]
        ends = (
            np.concatenate((first, second, first, second)),
            np.concatenate((first, second, second, first)),
        )
        values = np.concatenate(
            (self.conductance, self.conductance, -self.conductance, -self.conductance)
        )
        branches = csr_array(coo_array((values, ends), shape=(self.size, self.size)))
        return csr_array(branches + self._throat_matrix)

    @property
    def _throat_matrix(self) -> csr_array[Any]:
        """What throats add: each its conductance times the square of contact less mean over its
        nodes.
        """
        throats, count = self.throats, len(self.throats.at)
        rows = np.concatenate((throats.owner, np.arange(count)))
        nodes = np.concatenate((throats.node, int(self.begins[-1]) + np.arange(count)))
        values = np.concatenate((-throats.weight, np.ones(count)))
        step = csr_array(coo_array((values, (rows, self.label[nodes])), shape=(count, self.size)))
        return csr_array(step.T @ (step * throats.conductance[:, None]))

    @cached_property
    def piece(self) -> Rows:
        """Number of the connected piece of each node, shape (nodes,)."""
        _, label = connected_components(self.matrix, directed=False)
        return label[self.label].astype(np.intp)

    # ------------------------------------------------------------------------------------ solutions

    def joined(self, one: Spread, other: Spread) -> bool:
        """Whether copper joins two places."""
        return int(self.piece[one.nodes[0]]) == int(self.piece[other.nodes[0]])

    def potential(self, source: Spread, sink: Spread) -> Floats:
        """Potential of every node in V, while 1 A enters at the source and leaves at the sink; NaN
        off their piece.

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
        solved[1:] = _solve(
            self._reduced(int(self.piece[source.nodes[0]]), inside), current[inside][1:]
        )
        out = np.full(len(self.label), np.nan)
        out[whole] = solved[number]
        return out

    def _reduced(self, piece: int, inside: Rows) -> _Solver:
        """The matrix of a piece without its first node, with what a solver keeps of it."""
        if piece not in self._solvers:
            matrix = csr_array(self.matrix[inside[1:]][:, inside[1:]])
            self._solvers[piece] = _Solver(matrix, direct=self._factors_pay(len(inside)))
        return self._solvers[piece]

    def _factors_pay(self, unknowns: int) -> bool:
        """Whether factors are faster than multigrid: they fill up where many barrels join the
        layers.
        """
        between = len(self.first) - self.flat
        return unknowns < MULTIGRID or (unknowns < PLANAR and between * FLAT < unknowns)

    @cached_property
    def _solvers(self) -> dict[int, _Solver]:
        return {}

    def flows(self, potential: Floats) -> Floats:
        """Current of each branch from its first to its second node, A, for a potential; shape
        (branches,).
        """
        step = potential[self.first] - potential[self.second]
        return np.where(np.isnan(step), 0.0, self.conductance * step)

    def every_flow(self, potential: Floats) -> tuple[Rows, Rows, Floats]:
        """Flows of branches and of throats: from node, to node, A."""
        throats, ends = self.throats, int(self.begins[-1]) + np.arange(len(self.throats.at))
        mean = np.bincount(throats.owner, throats.weight * potential[throats.node], len(ends))
        through = np.nan_to_num(throats.conductance * (mean - potential[ends]))
        first = np.concatenate((self.first, throats.node))
        second = np.concatenate((self.second, ends[throats.owner]))
        return (
            first,
            second,
            np.concatenate((self.flows(potential), throats.weight * through[throats.owner])),
        )

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
        return mask


class _Solver:
    """A symmetric positive definite matrix, factorised or with its multigrid, made once and used
    for many currents.
    """

    def __init__(self, matrix: csr_array[Any], *, direct: bool) -> None:
        self.matrix = matrix
        self.direct = direct

    @cached_property
    def factors(self) -> Any:
        """Sparse factors, for small systems."""
        options = {"SymmetricMode": True}
        return splu(
            self.matrix.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options=options
        )

    @cached_property
    def multigrid(self) -> LinearOperator:
        """Algebraic multigrid as a preconditioner, for large ones."""
        import pyamg  # noqa: PLC0415 - takes a while to load, and most checks never need it
        from scipy.sparse import csr_matrix  # noqa: PLC0415

        sweeps = ("gauss_seidel", {"sweep": "forward"}), ("gauss_seidel", {"sweep": "backward"})
        solver = pyamg.smoothed_aggregation_solver(
            csr_matrix(self.matrix),
            smooth=(
                "jacobi",
                {"weighting": "local"},
            ),  # the other weightings begin with random numbers
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
    if solver.direct:
        direct: Floats = solver.factors.solve(current)
        return direct
    found, left = cg(
        solver.matrix, current, rtol=PRECISION, atol=0.0, maxiter=ROUNDS, M=solver.multigrid
    )
    if left:
        exact: Floats = solver.factors.solve(current)
        return exact
    return np.asarray(found, dtype=np.float64)


def _merged(size: int, shorts: Sequence[tuple[Any, Any]]) -> Rows:
    """Number of the merged node of each node."""
    pairs = np.array(shorts, dtype=np.intp).reshape(-1, 2)
    graph = coo_array(
        (np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(size, size)
    )
    return connected_components(graph, directed=False)[1].astype(np.intp)


def _points_in(shape: shapely.Geometry, apart: float) -> Floats:
    """Points spread evenly over a shape, at least one, at most `apart` from each other, shape (n,
    2).
    """
    x0, y0, x1, y1 = shapely.bounds(shape)
    steps = [max(SAMPLES, ceil(size / apart)) for size in (x1 - x0, y1 - y0)]
    across, along = ((np.arange(count) + 0.5) / count for count in steps)
    x, y = np.meshgrid(x0 + across * (x1 - x0), y0 + along * (y1 - y0))
    points = np.column_stack((x.ravel(), y.ravel()))
    inside = points[shapely.contains_xy(shape, *points.T)]
    spread: Floats = (
        inside if len(inside) else shapely.get_coordinates(shapely.point_on_surface(shape))
    )
    return spread
