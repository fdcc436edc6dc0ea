"""What the ripple of declared currents puts in series with quiet inputs, by copper and by fields.

Each loop is its routed conductor, closed by straight pieces between the pins of its parts, and any
reference copper back. The grid's cells are as wide as the least height of a loop over the copper
and half as wide as the narrowest moat that it crosses, or finer where that costs little. The grid
of twice the cells is solved, too; the difference is the stated error, and never less than `CLAIM`
of the answer. Where the cells would be too many, nothing is told. Measured on a supply trace 1.53
mm over a moat 1 mm wide: 76, 70 and 68 uV with cells of 1, 0.5 and 0.25 mm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from checker.config.rules_file import Current, PinName, QuietInput
from checker.layout.layout import Layout
from checker.returns.alternating import Alternating, Flow, Loop, UnsolvedError
from checker.returns.cells import grid_over
from checker.returns.filaments import Filaments, filaments
from checker.returns.ground import Ground, PinPlace, depths
from checker.wording import length, plain
from parsers.primitives import Floats
from parsers.trouble import Doubt

# Hz; below, direct currents tell as much; above, skin and dielectric do
SLOWEST, FASTEST = 1e4, 1e7
# Part of an answer that its error is at least: two cells across a narrow slot told 12 % too little.
CLAIM = 0.15
CELLS = (1.0, 0.5, 0.25, 0.125, 0.0625)  # mm; widths that are tried
MOST = 250_000  # cells of the grid on all layers together: some 10 s and 1 GB
EASY = 20_000  # cells up to which four are taken across the height
OVER = 4  # of them
ACROSS = 2  # cells across a moat that a loop crosses, at least
STEP = 0.25  # mm between places at which the height is taken
LOW = 10  # % of a route that may run nearer to the copper than the height that counts
LEAST_GAP = 0.02  # mm of a route over no pour that is a moat

Pins = tuple[PinPlace, PinPlace]


@dataclass(frozen=True, slots=True)
class Ripple:
    """What one current's ripple puts in series with one input."""

    volts: float  # amplitude
    error: float


@dataclass(frozen=True, slots=True)
class Ripples:
    """All of them, by the numbers of input and current in the rules file, and why others are not
    among them.
    """

    found: Mapping[tuple[int, int], Ripple]
    doubts: tuple[Doubt, ...]
    cell: float | None  # of the finer grid, mm


@dataclass(frozen=True, slots=True)
class _Wire:
    """A loop before it is laid on a grid."""

    conductor: Filaments
    enters: PinPlace
    leaves: PinPlace
    cell: float  # the widest that tells it, mm


def ripples(
    layout: Layout,
    ground: Ground,
    places: Mapping[PinName, PinPlace],
    inputs: Iterable[tuple[int, QuietInput, Pins]],
    currents: Iterable[tuple[int, Current, Pins]],
) -> Ripples:
    """Ripple of currents in inputs.

    Parameters
    ----------
    places : of pins
    inputs : numbers in the rules file, with their ground pins at the source and at the converter
    currents : the same, with the pins that they enter and leave the copper by
    """
    return _Ripples(layout, ground, places).run(list(inputs), list(currents))


class _Ripples:
    def __init__(self, layout: Layout, ground: Ground, places: Mapping[PinName, PinPlace]) -> None:
        self.layout, self.ground, self.places = layout, ground, places
        self.doubts: list[Doubt] = []
        self.depths = [depths(layout)[layer] for layer in ground.layers]
        self.finest = min((cell for cell in CELLS if self._count(cell) <= MOST), default=None)

    def run(
        self,
        inputs: Sequence[tuple[int, QuietInput, Pins]],
        currents: Sequence[tuple[int, Current, Pins]],
    ) -> Ripples:
        """All pairs on two grids."""
        noisy = dict(self._noisy(currents))
        quiet = dict(self._quiet(inputs)) if noisy else {}
        if not noisy or not quiet:
            return Ripples({}, tuple(self.doubts), None)
        cell = self._cell([*noisy.values(), *quiet.values()])
        rules = self.layout.rules
        told = [self._volts(size, quiet, noisy) for size in (2 * cell, cell)]
        found = {
            pair: _ripple(told[0].get(pair, 0.0), volts, rules.currents[pair[1]].ripple)
            for pair, volts in told[1].items()
        }
        for number in noisy:
            if any((row, number) not in found for row in quiet):
                open_question = self._doubting(
                    f"current[{number}].ripple", f"the ripple of {rules.currents[number].name}"
                )
                open_question("no solution was found")
        return Ripples(found, tuple(dict.fromkeys(self.doubts)), cell)

    # ---------------------------------------------------------------------------------------- loops

    def _noisy(self, currents: Sequence[tuple[int, Current, Pins]]) -> Iterator[tuple[int, _Wire]]:
        for number, current, (enters, leaves) in currents:
            if current.ripple and current.frequency:
                open_question = self._doubting(
                    f"current[{number}].ripple", f"the ripple of {current.name}"
                )
                if not SLOWEST <= current.frequency <= FASTEST:
                    open_question(f"{plain(current.frequency, 0)} Hz lie outside 10 kHz to 10 MHz")
                else:
                    wire = self._wire(current, enters, leaves, open_question)
                    yield from [(number, wire)] if wire is not None else []

    def _quiet(self, inputs: Sequence[tuple[int, QuietInput, Pins]]) -> Iterator[tuple[int, _Wire]]:
        for number, spec, (source, converter) in inputs:
            open_question = self._doubting(
                f"quiet_input[{number}].net", f"ripple in input {spec.net}"
            )
            wire = self._wire(spec, converter, source, open_question)
            yield from [(number, wire)] if wire is not None else []

    def _doubting(self, key: str, what: str) -> Callable[[str], None]:
        def open_question(why: str) -> None:
            told = f"{why}; only direct current is in the numbers, judge the ripple by other means"
            self.doubts.append(
                Doubt(f"{what} was not computed", told, self.layout.rules.place(key))
            )

        return open_question

    def _wire(
        self,
        entry: Current | QuietInput,
        enters: PinPlace,
        leaves: PinPlace,
        open_question: Callable[[str], None],
    ) -> _Wire | None:
        """The loop of an entry; None and a doubt where it is unknown, or asks for too many cells."""
        from checker.returns.routes import route

        start, end = self.places.get(entry.start), self.places.get(entry.end)
        nets = self.layout.matching((entry.net,)).tolist()
        routed = (
            route(self.layout, nets, start, end) if start is not None and end is not None else None
        )
        if routed is None or not len(routed.ends):
            open_question(f"no copper of {entry.net} leads from {entry.start} to {entry.end}")
            return None
        cell = min(self._height(routed), self._narrowest_moat(routed) / ACROSS)
        if self.finest is None or cell < self.finest:
            limit = (
                ""
                if self.finest is None
                else f", {length(self.finest)} are the finest for this much copper"
            )
            open_question(f"cells of {length(cell)} would be needed along {entry.net}{limit}")
            return None
        return _Wire(self._closed(routed, leaves, enters), enters, leaves, cell)

    def _closed(self, routed: Filaments, first: PinPlace, last: PinPlace) -> Filaments:
        """A route with straight pieces from and to the reference pins of the parts at its ends."""
        points = [
            self._at(first),
            *routed.ends[:, 0].tolist(),
            routed.ends[-1, 1].tolist(),
            self._at(last),
        ]
        return filaments(points, float(routed.radius[0]))

    def _at(self, pin: PinPlace) -> tuple[float, float, float]:
        return *pin.at, depths(self.layout)[pin.layers[0]]

    # ---------------------------------------------------------------------------------------- cells

    def _height(self, routed: Filaments) -> float:
        """Distance to the nearest reference copper that all but `LOW` of a route keeps, mm."""
        along = np.concatenate([_stepped(start, end) for start, end in routed.ends])
        points = shapely.points(along[:, :2])
        beside = [
            tree.query_nearest(points, return_distance=True, all_matches=False)[1]
            for tree in self._trees
        ]
        away = np.hypot(beside, (along[:, 2, None] - self.depths).T)
        return float(np.percentile(away.min(axis=0), LOW))

    def _narrowest_moat(self, routed: Filaments) -> float:
        """Shortest part of a route between pours of the nearest plane, mm; infinite where it
        crosses no moat.
        """
        ends = shapely.linestrings(routed.ends[:, :, :2])
        way = shapely.line_merge(shapely.union_all(ends[shapely.length(ends) > 0]))
        planes = [
            (self._apart(layer, routed), shape) for layer, shape in self._pours if shape.area > 0
        ]
        under = [(apart, shape) for apart, shape in planes if _covered(way, shape) > 0.5]
        if not under:
            return float("inf")
        apart = shapely.get_parts(
            shapely.difference(way, min(under, key=lambda plane: plane[0])[1])
        )
        rims = shapely.union_all(shapely.get_point(shapely.get_parts(way), [[0], [-1]]).ravel())
        moats = shapely.length(apart[shapely.disjoint(apart, rims)])
        return float(moats[moats > LEAST_GAP].min(initial=float("inf")))

    def _apart(self, layer: int, routed: Filaments) -> float:
        return abs(depths(self.layout)[layer] - float(np.median(routed.ends[:, 0, 2])))

    @cached_property
    def _trees(self) -> list[shapely.STRtree]:
        """Reference copper of each layer, indexed."""
        return [shapely.STRtree(shapes) for shapes in self.ground.shapes]

    @cached_property
    def _pours(self) -> list[tuple[int, shapely.Geometry]]:
        """Layers with all their reference pours."""
        pours = [pour for pour in self.layout.pours if not pour.plane]
        return [
            (layer, shapely.union_all([pour.shape for pour in pours if pour.layer == layer]))
            for layer in self.ground.layers
        ]

    def _cell(self, wires: Sequence[_Wire]) -> float:
        """As wide as all loops allow, and finer where that costs little."""
        widest = min(wire.cell for wire in wires)
        fit = [cell for cell in CELLS if cell <= widest]
        easy = [cell for cell in fit if self._count(cell) <= EASY and cell > widest / OVER / 2]
        return min(easy, default=fit[0])

    def _count(self, cell: float) -> int:
        bounds = shapely.total_bounds(np.concatenate(self.ground.shapes))
        rows, columns = grid_over((bounds[0], bounds[1], bounds[2], bounds[3]), cell).shape
        return rows * columns * len(self.ground.layers)

    # -------------------------------------------------------------------------------------- solving

    def _volts(
        self, cell: float, quiet: Mapping[int, _Wire], noisy: Mapping[int, _Wire]
    ) -> dict[tuple[int, int], float]:
        """V in each input for 1 A of each current."""
        copper = Alternating(self.ground.sheet(cell), self.depths)
        inputs = {number: self._laid(copper, wire) for number, wire in quiet.items()}
        found: dict[tuple[int, int], float] = {}
        for number, wire in noisy.items():
            flow = self._flow(copper, number, wire)
            if flow is not None:
                told = {
                    (row, number): copper.voltage(flow, loop)
                    for row, loop in inputs.items()
                    if loop is not None
                }
                found |= {pair: abs(volts) for pair, volts in told.items()}
        return found

    def _flow(self, copper: Alternating, number: int, wire: _Wire) -> Flow | None:
        """1 A of a current; None where no solution was found."""
        current = self.layout.rules.currents[number]
        self.layout.tell(f"ripple of {current.name}")
        loop = self._laid(copper, wire)
        try:
            return None if loop is None else copper.flow(loop, current.frequency or 0.0)
        except UnsolvedError:
            return None

    def _laid(self, copper: Alternating, wire: _Wire) -> Loop | None:
        """A loop on a grid; None where its cells do not tell that copper joins its pins."""
        enters, leaves = (
            self.ground.spread(self.layout, copper.sheet, pin) for pin in (wire.enters, wire.leaves)
        )
        if enters is None or leaves is None or not copper.sheet.joined(enters, leaves):
            return None
        return Loop(wire.conductor, enters, leaves)


def _ripple(coarse: float, fine: float, amperes: float) -> Ripple:
    return Ripple(fine * amperes, max(abs(fine - coarse), CLAIM * fine) * amperes)


def _stepped(start: Floats, end: Floats) -> Floats:
    """Places along a filament, shape (n, 3)."""
    count = int(np.linalg.norm(end - start) / STEP) + 2
    steps: Floats = np.linspace(start, end, count)
    return steps


def _covered(way: shapely.Geometry, shape: shapely.Geometry) -> float:
    """Part of a way that lies over a shape."""
    return float(shapely.intersection(way, shape).length / way.length) if way.length > 0 else 0.0
