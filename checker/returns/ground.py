"""Reference copper as a network for direct currents: whose copper it is, how thick, what joins its
layers; its pins.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import pi, sqrt

import numpy as np
import shapely

from checker.config.rules_file import PinName, Tie
from checker.layout.layout import Layout
from checker.layout.pours import united
from checker.returns.contacts import RHO, Chain, Contact
from checker.returns.sheet import Sheet, Spread
from parsers.board import BOTTOM, PLATED, UNPLATED, Board, Pin
from parsers.primitives import Rows, Shapes

# mm; copper of a layer whose thickness is not known: half an ounce per square foot, the safe side
THIN = 0.017
PLATING = 0.020  # mm; least wall of a plated hole in usual orders (from memory: IPC-6012, class 2)
THICK = 1.6  # mm; a board whose thickness is not known
LEAD = 0.2  # mm; half of the place that a pin without copper of its own is taken to touch


@dataclass(frozen=True, slots=True)
class PinPlace:
    """Where a pin touches copper."""

    name: PinName
    nets: frozenset[int]
    rows: Rows  # its pads
    at: tuple[float, float]  # middle of the first pad
    layers: tuple[int, ...]
    holes: Rows  # plated holes that its lead fills: it has pads on several layers


@dataclass(frozen=True, slots=True)
class Ground:
    """The copper of reference nets that currents may flow in.

    Attributes
    ----------
    nets : whose copper it is
    layers : layers of the board that have some of it, from the top
    shapes : copper of each of them
    thickness : of each of them, mm
    chains : barrels and ties
    unknown : layers whose copper thickness nobody states
    assumed : what else was taken for granted, in words
    """

    nets: frozenset[int]
    layers: tuple[int, ...]
    shapes: tuple[Shapes, ...]
    thickness: tuple[float, ...]
    chains: tuple[Chain, ...]
    unknown: tuple[int, ...]
    assumed: tuple[str, ...]

    @property
    def area(self) -> float:
        """Of all layers together, mm2."""
        return float(sum(shapely.area(shapes).sum() for shapes in self.shapes))

    def sheet(self, cell: float) -> Sheet:
        """The network on a grid of cells of that width, mm."""
        return Sheet(self.shapes, self.thickness, self.chains, cell)

    def spread(self, layout: Layout, sheet: Sheet, pin: PinPlace) -> Spread | None:
        """Where a pin's current enters the network; None where the pin touches none of it."""
        for hole in pin.holes.tolist():
            for contact in _barrel(layout, self.layers, hole).contacts:
                found = sheet.spread_at(contact)
                if found is not None:
                    return found
        for layer in pin.layers:
            if layer in self.layers:
                found = sheet.spread_over(self.layers.index(layer), _pads(layout, pin, layer))
                if found is not None:
                    return found
        return None


def ground_of(layout: Layout) -> Ground:
    """The copper that declared currents return through: all reference nets, and what their pins lie
    on.
    """
    nets = _grounds(layout)
    copper = layout.board.copper
    rows = np.flatnonzero(np.isin(copper.net, list(nets)))
    layers = tuple(np.unique(copper.layer[rows]).tolist())
    shapes = tuple(_copper_on(layout, rows[copper.layer[rows] == layer], layer) for layer in layers)
    stated = layout.board.stackup.copper or (None,) * len(layout.board.layers)
    return Ground(
        nets=frozenset(nets),
        layers=layers,
        shapes=shapes,
        thickness=tuple(stated[layer] or THIN for layer in layers),
        chains=(*_barrels(layout, layers, nets, _leads(layout)), *_ties(layout, layers, nets)),
        unknown=tuple(layer for layer in layers if stated[layer] is None),
        assumed=tuple(_assumed(layout)),
    )


def _grounds(layout: Layout) -> set[int]:
    """All reference nets, and the nets that the pins of declared returns lie on."""
    rules = layout.rules
    pins = [pin for current in rules.currents for pin in current.back]
    pins += [pin for quiet in rules.quiet_inputs for pin in quiet.ground]
    nets = {net for region in layout.regions for net in region.reference}
    places = (pin_place(layout, pin) for pin in pins)
    return nets.union(*(place.nets for place in places if place is not None))


def pin_place(layout: Layout, pin: PinName) -> PinPlace | None:
    """Where a pin lies; None if the board does not have it."""
    board = layout.board
    if pin.part in board.refdes and pin.pin in board.pins:
        part, number = board.refdes.index(pin.part), board.pins.index(pin.pin)
        rows = np.flatnonzero((board.copper.component == part) & (board.copper.pin == number))
        if len(rows):
            return _placed(layout, pin, rows)
    for component in board.components:
        for told in component.pins:
            if (component.refdes, told.number) == (pin.part, pin.pin):
                return _told(layout, pin, told, component.side)
    return None


def _placed(layout: Layout, pin: PinName, rows: Rows) -> PinPlace:
    copper, holes = layout.board.copper, layout.board.holes
    layers = tuple(np.unique(copper.layer[rows]).tolist())
    middle = shapely.centroid(copper.shapes(rows[:1])[0])
    under: Rows = np.empty(0, dtype=np.intp)
    if len(layers) > 1:
        at = (holes.ends[:, :2] + holes.ends[:, 2:]) / 2
        pads = shapely.union_all(copper.shapes(rows))
        under = np.flatnonzero((holes.plated == PLATED) & shapely.intersects_xy(pads, *at.T))
    nets = frozenset(net for net in copper.net[rows].tolist() if net >= 0)
    return PinPlace(pin, nets, rows, (float(middle.x), float(middle.y)), layers, under)


def _told(layout: Layout, pin: PinName, told: Pin, side: str | None) -> PinPlace:
    """A pin that only the list of parts tells: the copper at its place."""
    layer = len(layout.board.layers) - 1 if side == BOTTOM else 0
    none: Rows = np.empty(0, dtype=np.intp)
    return PinPlace(
        pin, frozenset({told.net} if told.net >= 0 else ()), none, told.at, (layer,), none
    )


def _pads(layout: Layout, pin: PinPlace, layer: int) -> Shapes:
    copper = layout.board.copper
    rows = pin.rows[copper.layer[pin.rows] == layer]
    return copper.shapes(rows) if len(rows) else shapely.buffer([shapely.Point(pin.at)], LEAD)


def _copper_on(layout: Layout, rows: Rows, layer: int) -> Shapes:
    """The copper of some conductors of one layer, less what is drilled away without being
    plated.
    """
    board = layout.board
    shapes = united(board.copper.shapes(rows))
    bare = np.flatnonzero(
        (board.holes.plated == UNPLATED)
        & (board.holes.first <= layer)
        & (board.holes.last >= layer)
    )
    cut = board.holes.shapes()[bare] if len(bare) else np.empty(0, dtype=object)
    hit, _ = shapely.STRtree(shapes).query(cut, predicate="intersects")
    if len(hit):
        left = shapely.get_parts(shapely.difference(shapes, shapely.union_all(cut[np.unique(hit)])))
        shapes = left[shapely.area(left) > 0]
    return shapes


# -------------------------------------------------------------------------------- what joins layers


def _leads(layout: Layout) -> frozenset[int]:
    """Plated holes that a lead of a part fills: their pin has pads on several layers."""
    copper, holes = layout.board.copper, layout.board.holes
    rows = np.flatnonzero((copper.component >= 0) & (copper.pin >= 0) & copper.pad)
    pin = (
        copper.component[rows].astype(np.int64) * max(len(layout.board.pins), 1) + copper.pin[rows]
    )
    spans = np.unique(np.column_stack((pin, copper.layer[rows])), axis=0)[:, 0]
    owners, count = np.unique(spans, return_counts=True)
    rows = rows[np.isin(pin, owners[count > 1])]
    if not len(rows) or not len(holes):
        return frozenset()
    points = shapely.points((holes.ends[:, :2] + holes.ends[:, 2:]) / 2)
    hit, _ = shapely.STRtree(copper.shapes(rows)).query(points, predicate="intersects")
    return frozenset(np.unique(hit).tolist())


def plated_holes(board: Board, nets: Sequence[int]) -> Rows:
    """Holes of some nets that have a conducting wall, as far as anybody knows, (n,)."""
    walls = (board.holes.plated == PLATED) | (board.connectivity.hole_piece >= 0)
    return np.flatnonzero(walls & np.isin(board.holes.net, nets))


def _barrels(
    layout: Layout, layers: tuple[int, ...], nets: set[int], leads: frozenset[int]
) -> Iterator[Chain]:
    """Plated holes of the nets, as chains through the layers that they pass."""
    for hole in plated_holes(layout.board, list(nets)).tolist():
        chain = _barrel(layout, layers, hole)
        if len(chain.contacts) > 1:
            yield Chain(chain.contacts, (0.0,) * len(chain.ohms)) if hole in leads else chain


def _barrel(layout: Layout, layers: tuple[int, ...], hole: int) -> Chain:
    holes = layout.board.holes
    passed = [layer for layer in layers if holes.first[hole] <= layer <= holes.last[hole]]
    x0, y0, x1, y1 = holes.ends[hole].tolist()
    at, radius = ((x0 + x1) / 2, (y0 + y1) / 2), float(holes.radius[hole])
    wall = layout.board.stackup.plating or PLATING
    outline = 2 * pi * radius + 2 * float(np.hypot(x1 - x0, y1 - y0))
    section = outline * wall + pi * wall * wall
    depth = depths(layout)
    ohms = tuple(RHO * (depth[b] - depth[a]) / section for a, b in pairwise(passed))
    return Chain(tuple(Contact(layers.index(layer), at, radius) for layer in passed), ohms)


def depths(layout: Layout) -> list[float]:
    """Depth of each copper layer below the first, mm; shared out evenly where only the whole is
    known, or nothing.
    """
    stackup, count = layout.board.stackup, len(layout.board.layers)
    if count > 1 and len(stackup.dielectric) == count - 1:
        return [0.0, *np.cumsum(stackup.dielectric).tolist()]
    each = (stackup.thickness or THICK) / max(count - 1, 1)
    return [each * layer for layer in range(count)]


def _ties(layout: Layout, layers: tuple[int, ...], nets: set[int]) -> Iterator[Chain]:
    """Parts that tie two references; ties of copper are copper."""
    for tie in layout.rules.ties:
        if tie.at is not None:
            pads = list(_tie_pads(layout, tie, layers, nets))
            pairs = [(a, b) for n, a in enumerate(pads) for b in pads[n + 1 :] if a[0] != b[0]]
            yield from (Chain((a[1], b[1]), (tie.ohms,)) for a, b in pairs[:1])


def _tie_pads(
    layout: Layout, tie: Tie, layers: Sequence[int], nets: set[int]
) -> Iterator[tuple[int, Contact]]:
    """Pads of a tie's part on the nets, as round contacts of the same area."""
    copper = layout.board.copper
    for row in layout.pads_of(tie.at or "").tolist():
        net, layer = int(copper.net[row]), int(copper.layer[row])
        if net in nets and layer in layers:
            shape = copper.shapes(np.array([row]))[0]
            at = shapely.centroid(shape)
            yield (
                net,
                Contact(layers.index(layer), (float(at.x), float(at.y)), sqrt(shape.area / pi)),
            )


def _assumed(layout: Layout) -> Iterator[str]:
    stackup, count = layout.board.stackup, len(layout.board.layers)
    if stackup.plating is None:
        yield f"plating {PLATING:g} mm"
    if count > 1 and len(stackup.dielectric) != count - 1:
        known = stackup.thickness is not None
        yield (
            "layers spaced evenly" if known else f"a board {THICK:g} mm thick, layers spaced evenly"
        )


def quiet_copper(layout: Layout, ground: Ground, region: int) -> list[tuple[int, shapely.Geometry]]:
    """Reference pours of a region, each with its layer in the network."""
    pours = [
        p for p in layout.pours if p.region == region and not p.plane and p.layer in ground.layers
    ]
    return [(ground.layers.index(pour.layer), pour.shape) for pour in pours]
