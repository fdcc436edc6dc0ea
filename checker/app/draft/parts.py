"""Parts as the draft sees them: pads with nets, and how far apart they lie.

A part that is written up as a connector (by its designator or its pins' names) conducts nothing
between its pins.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from checker.app.draft import names
from checker.geometry.boxes import grouped
from parsers.board import Board, Component
from parsers.primitives import Bools, Floats, Ints, Rows, Shapes

PAD = 0.25  # mm; half size of a pad whose copper the data does not tie to its pin


@dataclass(frozen=True, slots=True)
class Part:
    """A part with its live pins; columns of length n, in the order of pins.

    `nets` holds net indices; `boxes` (n, 4) the bounds of each pin's pads.
    """

    refdes: str
    nets: Ints
    boxes: Floats
    connector: bool
    package: str = ""

    @property
    def distinct(self) -> tuple[int, ...]:
        """Its nets, each once, ascending."""
        return tuple(np.unique(self.nets).tolist())

    @property
    def is_capacitor(self) -> bool:
        """Whether its package says so; designators say nothing here."""
        return bool(names.CAPACITOR_PACKAGE.search(self.package))

    @property
    def called(self) -> str:
        """Its designator, and in brackets what that says: evidence for a reader."""
        kind = names.called(self.refdes)
        return f"{self.refdes} (called {kind})" if kind else self.refdes

    @property
    def at(self) -> tuple[float, ...]:
        """Middle of its pads, mm, rounded."""
        low, high = self.boxes[:, :2].min(axis=0), self.boxes[:, 2:].max(axis=0)
        return tuple(np.round((low + high) / 2, 2).tolist())

    @property
    def size(self) -> tuple[float, ...]:
        """Lengths and widths of its pads and their extent, mm, rounded, whichever way it is
        turned.
        """
        pads = np.sort(np.sort(self.boxes[:, 2:] - self.boxes[:, :2], axis=1), axis=0)
        extent = np.sort(self.boxes[:, 2:].max(axis=0) - self.boxes[:, :2].min(axis=0))
        return tuple(np.round(np.append(pads.ravel(), extent), 1).tolist())

    def facing(self, first: Iterable[int], second: Iterable[int]) -> tuple[tuple[int, int], ...]:
        """Nets of pins that face each other, if each pin of the one group has one of its own in the
        other; or none.
        """
        a, b = (np.flatnonzero(np.isin(self.nets, list(group))) for group in (first, second))
        if len(a) != len(b) or len(a) + len(b) != len(self.distinct):
            return ()
        middles = (self.boxes[:, :2] + self.boxes[:, 2:]) / 2
        across = np.linalg.norm(middles[a][:, None] - middles[b][None], axis=2)
        nearest = across.argmin(axis=1)
        if len(np.unique(nearest)) < len(b) or len(np.unique(across.argmin(axis=0))) < len(a):
            return ()
        return tuple(zip(self.nets[a].tolist(), self.nets[b][nearest].tolist(), strict=True))

    def gap(self, first: Iterable[int], second: Iterable[int]) -> float:
        """Shortest distance between the pads of two groups of nets, mm; infinite if one has
        none.
        """
        a, b = (
            shapely.union_all(self._pads(np.isin(self.nets, list(group))))
            for group in (first, second)
        )
        return np.inf if a.is_empty or b.is_empty else float(shapely.distance(a, b))

    def cells(self, near: float) -> Iterator[list[int]]:
        """Nets of pins that lie nearer to each other than `near`, in groups."""
        pads = self._pads(np.ones(len(self.nets), dtype=bool))
        pairs = shapely.STRtree(pads).query(pads, "dwithin", near)
        close = coo_array((np.ones(pairs.shape[1], dtype=bool), pairs), shape=(len(pads),) * 2)
        for rows in grouped(
            np.arange(len(pads)), connected_components(close, directed=False)[1]
        ).values():
            yield np.unique(self.nets[rows]).tolist()

    def _pads(self, mask: Bools) -> Shapes:
        pads: Shapes = shapely.box(*self.boxes[mask].T)
        return pads


def parts_of(board: Board, floating: Bools) -> tuple[Part, ...]:
    """Parts of a board that have live pins; nets that float (`floating`, one entry per net) are
    left out.
    """
    pads = _pads(board)
    number = {refdes: i for i, refdes in enumerate(board.refdes)}
    found = (
        _part(board, c, pads.get(number.get(c.refdes, -1), {}), floating) for c in board.components
    )
    return tuple(part for part in found if len(part.nets))


def parts_on_nets(parts: Iterable[Part]) -> dict[int, set[str]]:
    """The parts that have a pin on each net."""
    on: dict[int, set[str]] = defaultdict(set)
    for part in parts:
        for net in part.distinct:
            on[net].add(part.refdes)
    return on


def _pads(board: Board) -> dict[int, dict[str, Rows]]:
    """Rows of the pads of each component's pins, by component number and pin number as text."""
    copper = board.copper
    rows = np.flatnonzero(copper.pad & (copper.component >= 0) & (copper.pin >= 0))
    out: dict[int, dict[str, Rows]] = defaultdict(dict)
    if len(rows):
        key = copper.component[rows].astype(np.int64) * (len(board.pins) + 1) + copper.pin[rows]
        for members in grouped(rows, np.unique(key, return_inverse=True)[1]).values():
            out[int(copper.component[members[0]])][board.pins[int(copper.pin[members[0]])]] = (
                members
            )
    return out


def _part(board: Board, component: Component, pads: dict[str, Rows], floating: Bools) -> Part:
    pins = [pin for pin in component.pins if pin.net >= 0 and not floating[pin.net]]
    boxes = [_box(board, pads.get(pin.number), pin.at) for pin in pins]
    named = sum(bool(names.CONNECTOR_PIN.match(pin.name)) for pin in component.pins)
    connector = names.prefix(component.refdes) in names.CONNECTORS or 2 * named > len(
        component.pins
    )
    nets = np.array([pin.net for pin in pins], dtype=np.int32)
    return Part(
        component.refdes, nets, np.array(boxes).reshape(-1, 4), connector, component.package
    )


def _box(board: Board, rows: Rows | None, at: tuple[float, float]) -> Floats:
    if rows is None:
        return np.array([at[0] - PAD, at[1] - PAD, at[0] + PAD, at[1] + PAD])
    boxes = board.copper.take(rows).bounds()
    return np.concatenate((boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)))
