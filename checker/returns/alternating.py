"""Alternating currents in copper beneath a conductor, and what they induce in another loop.

The network is that of direct currents (`sheet`); each branch of a layer is also a tape with partial
inductances (`inductance`), and the conductors are filaments (`filaments`). Solved is

    (R + j w L) i - B' v = -j w m,   B i = s

with m the inductance between the filaments and each tape, averaged over the tape, and s what enters
and leaves by pins. Solutions start from the direct current and stay free of sources: each step is
projected by the factors of the direct-current network, and preconditioned by a sheet without end.
The matrix is symmetric, not Hermitian, so that conjugate orthogonal conjugate gradients (1990, from
memory) do. Since the inductances are averaged, not sampled, a trace need not be many cells above
the copper: with one cell over its height, what it induces beyond 5 heights is within 2 % of eight
times finer cells (tests/returns/test_alternating.py).

Left out: inductance of barrels and of what lies upright, skin effect, dielectric, copper of other
nets.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import pi, sqrt
from typing import Any

import numpy as np
from scipy.sparse import coo_array, csr_array, diags_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from checker.returns.contacts import RHO
from checker.returns.filaments import PER_MM, Filaments, mutual
from checker.returns.inductance import Complexes, Inductances
from checker.returns.sheet import Sheet, Spread
from parsers.primitives import Floats, Rows

PRECISION = 1e-6  # of the currents, relative
ROUNDS = 200  # of the iteration; it needs 10 to 50
NARROWEST = 1e-3  # cells; copper on an edge that the self-inductance of a tape still tells apart


class UnsolvedError(ValueError):
    """The iteration found no end."""


@dataclass(frozen=True, slots=True)
class Loop:
    """A conductor out, and the places where its current enters and leaves the copper that it
    returns by.
    """

    conductor: Filaments
    enters: Spread
    leaves: Spread


@dataclass(frozen=True, slots=True)
class Flow:
    """What 1 A in a loop does at one frequency."""

    loop: Loop
    omega: float
    currents: Complexes  # of each branch, then of each throat, A
    potential: Complexes  # of each merged node, V


class Alternating:
    """A network of copper for alternating currents.

    Parameters
    ----------
    sheet : the network
    depths : of its layers, mm
    """

    def __init__(self, sheet: Sheet, depths: Sequence[float]) -> None:
        self.sheet, self.depths = sheet, np.array(depths)
        self.inductances = Inductances(sheet.grid.shape, sheet.grid.cell, depths)
        self._lay_out()
        self._connect()

    def _lay_out(self) -> None:
        """Where the tapes lie."""
        layers, grid = self.sheet.layers, self.sheet.grid
        self.layer = np.repeat(
            np.arange(len(layers)), [len(cells.branches.width) for cells in layers]
        )
        self.upward = np.concatenate([cells.branches.upward for cells in layers])
        first = np.concatenate([cells.cell[cells.branches.first] for cells in layers])
        self.middle = grid.middles(first)
        self.middle[np.arange(len(first)), self.upward.astype(np.intp)] += grid.cell / 2
        self.place: Rows = (2 * self.layer + self.upward) * (grid.shape[0] * grid.shape[1]) + first
        width = np.concatenate([cells.branches.width for cells in layers])
        self.narrow = (
            -2 * PER_MM * grid.cell * np.log(np.maximum(width, NARROWEST))
        )  # H more than a whole tape

    def _connect(self) -> None:
        """Which nodes each branch and each throat leads from and to."""
        sheet, throats = self.sheet, self.sheet.throats
        count, more = len(sheet.first), len(throats.at)
        ends = int(sheet.begins[-1]) + np.arange(more)
        rows = sheet.label[np.concatenate((sheet.first, sheet.second, throats.node, ends))]
        flat = np.arange(count)
        columns = np.concatenate((flat, flat, count + throats.owner, count + np.arange(more)))
        values = np.concatenate((np.ones(count), -np.ones(count), throats.weight, -np.ones(more)))
        self.conductance = np.concatenate((sheet.conductance, throats.conductance))
        self.incidence = csr_array(
            coo_array((values, (rows, columns)), shape=(sheet.size, count + more))
        )
        self.steps = csr_array(self.incidence.T)

    # -------------------------------------------------------------------------------------- solving

    def flow(self, loop: Loop, frequency: float) -> Flow:
        """Currents and potentials while 1 A of a frequency in Hz flows in a loop.

        Raises
        ------
        UnsolvedError : the iteration found no end
        """
        omega = 2 * pi * frequency
        induced = -1j * omega * self._padded(self.linkage(loop.conductor))
        start: Complexes = self._direct(loop).astype(np.complex128)
        right = self._without_gradient(induced - self._drop(start, omega))
        currents = start + self._iterated(right, omega)
        across = self.conductance * (self._drop(currents, omega) - induced)
        return Flow(loop, omega, currents, self._potential(self.incidence @ across))

    def voltage(self, flow: Flow, loop: Loop) -> complex:
        """What that flow puts in series with another loop, V."""
        sheet = self.sheet
        enters, leaves = (
            spread.weights @ flow.potential[sheet.label[spread.nodes]]
            for spread in (loop.enters, loop.leaves)
        )
        linked = self.linkage(loop.conductor) @ flow.currents[: sheet.flat]
        field = linked + mutual(flow.loop.conductor, loop.conductor)
        return complex(1j * flow.omega * field + enters - leaves)

    def linkage(self, conductor: Filaments) -> Floats:
        """Mutual inductance of a conductor with each tape, averaged over the tape, H; shape
        (tapes,).
        """
        cell, off = self.sheet.grid.cell, 0.5 / sqrt(3)  # Gauss, two points each way
        total = np.zeros(len(self.layer))
        for x, y in ((-off, -off), (-off, off), (off, -off), (off, off)):
            at = np.column_stack((self.middle + np.array([x, y]) * cell, self.depths[self.layer]))
            potential = conductor.potential(at)
            total += np.where(self.upward, potential[:, 1], potential[:, 0]) / 4
        return PER_MM * cell * total

    def _direct(self, loop: Loop) -> Floats:
        """The direct current of 1 A in a loop."""
        current = np.zeros(self.sheet.size)
        np.add.at(current, self.sheet.label[loop.enters.nodes], loop.enters.weights)
        np.add.at(current, self.sheet.label[loop.leaves.nodes], -loop.leaves.weights)
        direct: Floats = self.conductance * (self.steps @ self._potential(current))
        return direct

    def _drop(self, currents: Complexes, omega: float) -> Complexes:
        """(R + j w L) i."""
        flat = self.sheet.flat
        drop: Complexes = currents / self.conductance
        flux = (
            self._on_grid(currents[:flat], self.inductances.product) + self.narrow * currents[:flat]
        )
        drop[:flat] += 1j * omega * flux
        return drop

    def _iterated(self, right: Complexes, omega: float) -> Complexes:
        """Currents without sources, by conjugate orthogonal conjugate gradients."""
        spread = self._preconditioner(omega)
        found, rest = np.zeros_like(right), right.copy()
        step = turned = spread(rest)
        norm, product = float(np.linalg.norm(turned)), rest @ turned
        for _ in range(ROUNDS):
            if np.linalg.norm(turned) <= PRECISION * norm:
                return found
            drop = self._without_gradient(self._drop(step, omega))
            length = product / (step @ drop)
            found, rest = found + length * step, rest - length * drop
            turned, before = spread(rest), product
            product = rest @ turned
            step = turned + product / before * step
        raise UnsolvedError

    def _preconditioner(self, omega: float) -> Callable[[Complexes], Complexes]:
        """From voltages to currents without sources, about as the copper would."""
        inverse = self.inductances.inverse(omega, [RHO / t for t in self.sheet.thickness])
        flat = self.sheet.flat

        def spread(voltages: Complexes) -> Complexes:
            clean = self._without_gradient(voltages)
            currents: Complexes = self.conductance * clean
            currents[:flat] = self._on_grid(
                clean[:flat], lambda grid: self.inductances.spread(grid, inverse)
            )
            return self._without_sources(currents)

        return spread

    def _on_grid(self, values: Complexes, work: Callable[[Complexes], Complexes]) -> Complexes:
        """Work on values of tapes as they lie on the grid; those on one place count together."""
        shape = (len(self.depths), 2, *self.sheet.grid.shape)
        size = int(np.prod(shape))
        real, imaginary = (
            np.bincount(self.place, part, size) for part in (values.real, values.imag)
        )
        return work((real + 1j * imaginary).reshape(shape)).reshape(-1)[self.place]

    def _without_sources(self, currents: Complexes) -> Complexes:
        """Take away what makes currents begin or end in nodes."""
        rest: Complexes = currents - self.conductance * (
            self.steps @ self._potential(self.incidence @ currents)
        )
        return rest

    def _without_gradient(self, voltages: Complexes) -> Complexes:
        """Take away the part of voltages that potentials balance."""
        rest: Complexes = voltages - self.steps @ self._potential(
            self.incidence @ (self.conductance * voltages)
        )
        return rest

    def _padded(self, tapes: Floats) -> Floats:
        """Values of tapes with zeros for barrels, ties and throats."""
        return np.concatenate((tapes, np.zeros(len(self.conductance) - len(tapes))))

    def _potential(self, current: Any) -> Any:
        """Potential of the nodes for currents into them, one node of each piece at 0."""
        inside, factors = self._factors
        out = np.zeros_like(current)
        if np.iscomplexobj(current):
            out.real[inside] = factors.solve(np.ascontiguousarray(current.real[inside]))
            out.imag[inside] = factors.solve(np.ascontiguousarray(current.imag[inside]))
        else:
            out[inside] = factors.solve(current[inside])
        return out

    @cached_property
    def _factors(self) -> tuple[Rows, Any]:
        """The direct-current network without one node of each piece, factorised."""
        matrix = csr_array(self.incidence @ diags_array(self.conductance) @ self.steps)
        _, piece = connected_components(matrix, directed=False)
        inside = np.setdiff1d(np.arange(self.sheet.size), np.unique(piece, return_index=True)[1])
        options = {"SymmetricMode": True}
        part = matrix[inside][:, inside].tocsc()
        return inside, splu(
            part, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options=options
        )
