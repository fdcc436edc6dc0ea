"""What declared currents put in series with quiet inputs: through shared copper, and by ripple.

For each quiet input one solve with 1 A through its two ground pins prices every place of the
copper; a current that enters at one pin and leaves at another puts the difference of that potential
in series with the input (reciprocity). The grid is halved until the answer stands still within
`STEADY`, or no more nodes are to be had; nearer than `NEAR` to what is allowed it is halved as long
as it can be, since one small step may be luck. The larger of the last two steps is the stated
error, and never less than `STEADY` of the answer: on a board of 200 mm with 3,500 holes the steps
from 2 mm on were 0.1, 0.9 and 0.2 %. What a pin's own contact drops is never part of an answer: it
depends on the grid.

Cells are of one size everywhere. Measured on two real boards with two grounds: 80 % of what a
halving changes lies in 1 to 13 % of the copper, yet only 2 to 54 % of it within 4 mm of the pins
that matter; the rest lies at necks and rows of antipads all over the board. A graded grid (cells up
to 16 times as wide away from every rim and contact) saved 27 to 59 % of the unknowns at 0.25 and
0.125 mm and was off by 0.1 to 2.6 %, where the uniform grid of twice the cell, with fewer unknowns,
was off by 0.04 to 0.6 %: at equal error it is the dearer one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from checker.config.rules_file import Current, PinName, QuietInput, nearest
from checker.layout.layout import Layout
from checker.returns.ground import Ground, PinPlace, ground_of, pin_place
from checker.returns.ripple import Ripple, Ripples, ripples
from checker.returns.sheet import Sheet, Spread
from parsers.primitives import Floats
from parsers.trouble import Doubt

COARSE = 12_000  # nodes that the first grid has at least
MOST = 700_000  # nodes that the last grid may have
CELLS = (4.0, 2.0, 1.0, 0.5, 0.25, 0.125)  # mm; widths that are tried
STEADY = 0.01  # part of an answer, or of what is allowed, that another halving may change
# part of what is allowed; answers nearer to it than this are computed as finely as can be
NEAR = 0.05


Pair = tuple[PinPlace, PinPlace]
# with its place in the rules file, and the pins that it enters and leaves the copper by
Declared = tuple[int, Current, Pair]
Input = tuple[int, QuietInput, Pair]  # its number in the rules file, and its ground pins


@dataclass(frozen=True, slots=True)
class Share:
    """What one current puts in series with one input."""

    current: Current
    ohms: float  # d.c.: V per A, with its sign
    # of that: how much the last halvings of the grid changed it, and no less than STEADY of it
    error: float
    ripple: Ripple | None = None  # None: not declared, or not computed

    @property
    def dc(self) -> float:
        """Amplitude of the d.c. part, V."""
        return abs(self.ohms) * self.current.dc

    @property
    def volts(self) -> float:
        """Sum of both amplitudes, V."""
        return self.dc + (self.ripple.volts if self.ripple else 0.0)

    @property
    def uncertain(self) -> float:
        """How far a finer grid may move that, V."""
        return self.error * self.current.dc + (self.ripple.error if self.ripple else 0.0)

    @property
    def whole(self) -> bool:
        """Whether its ripple is in it, if it has one."""
        return self.ripple is not None or not self.current.ripple

    @property
    def allowed(self) -> float | None:
        """A of d.c.: what the input allows if nothing else disturbs it is this many volts / |ohms|;
        None: any."""
        return None if self.ohms == 0 else 1 / abs(self.ohms)


@dataclass(frozen=True, slots=True)
class Answer:
    """A quiet input, and what all declared currents put in series with it."""

    number: int  # in the rules file
    spec: QuietInput
    at: tuple[float, float]  # its pin at the converter, mm
    ground: tuple[PinPlace, PinPlace]
    shares: tuple[Share, ...]
    cells: tuple[float, float]  # widths of the last two grids, mm
    ripple_cell: float | None = None  # of the finer grid for ripple, mm

    @property
    def volts(self) -> float:
        """Worst sum of amplitudes, V."""
        return sum(share.volts for share in self.shares)

    @property
    def error(self) -> float:
        """How far a finer grid may move that sum, V."""
        return sum(share.uncertain for share in self.shares)

    @property
    def dc(self) -> float:
        """Of that sum, what direct currents put there, V."""
        return sum(share.dc for share in self.shares)

    @property
    def ripple(self) -> float | None:
        """Of that sum, what ripple puts there, V; None where none was computed."""
        told = [share.ripple.volts for share in self.shares if share.ripple is not None]
        return sum(told) if told else None

    @property
    def whole(self) -> bool:
        """Whether every declared ripple is in it."""
        return all(share.whole for share in self.shares)

    @property
    def exceeds(self) -> bool:
        """Whether it is more than allowed."""
        return self.volts > self.spec.allowed

    @property
    def decided(self) -> bool:
        """Whether a finer grid could not turn the answer."""
        return abs(self.volts - self.spec.allowed) >= self.error


@dataclass(frozen=True, slots=True)
class Currents:
    """Everything that is known of declared currents and quiet inputs on a layout."""

    ground: Ground
    answers: tuple[Answer, ...]
    currents: tuple[Declared, ...]  # whose two pins copper joins
    doubts: tuple[Doubt, ...]
    sheet: Sheet | None  # the finest that was solved; None: there is no reference copper
    spreads: dict[PinName, Spread]  # of pins on that sheet
    at: dict[PinName, tuple[float, float]]  # middle of each pin's first pad, mm


def currents_of(layout: Layout) -> Currents:
    """Bind pins to copper and solve; use as `layout.once(currents_of)`."""
    ground = ground_of(layout)
    places = dict(_places(layout))
    doubts = list(_pin_doubts(layout, places))
    if not ground.layers:
        return Currents(ground, (), (), tuple(doubts), None, {}, {})
    return _Solving(layout, ground, places, doubts).run()


def _places(layout: Layout) -> Iterator[tuple[PinName, PinPlace]]:
    for pin in _pins(layout):
        place = pin_place(layout, pin)
        if place is not None:
            yield pin, place


def _pins(layout: Layout) -> Iterator[PinName]:
    for current in layout.rules.currents:
        yield from (current.start, current.end, *current.back)
    for quiet in layout.rules.quiet_inputs:
        yield from (quiet.start, quiet.end, *quiet.ground)


# ------------------------------------------------------------------------------------------- doubts


def _pin_doubts(layout: Layout, places: dict[PinName, PinPlace]) -> Iterator[Doubt]:
    """Pins that are not on the net that is named for them. (Pins and nets that do not exist are
    told elsewhere.)
    """
    entries: list[tuple[str, Current | QuietInput]] = [
        (f"current[{n}]", c) for n, c in enumerate(layout.rules.currents)
    ]
    entries += [(f"quiet_input[{n}]", q) for n, q in enumerate(layout.rules.quiet_inputs)]
    for key, entry in entries:
        nets = set(layout.matching((entry.net,)).tolist())
        for name, pin in (("from", entry.start), ("to", entry.end)):
            if nets and pin in places and not nets & places[pin].nets:
                yield _off_net(layout, f"{key}.{name}", places[pin], entry.net)


def _off_net(layout: Layout, key: str, place: PinPlace, net: str) -> Doubt:
    lies = _nets(layout, place.nets) or "no net"
    on = [str(other) for other in _pins_on(layout, net, place.name.part)]
    what = f"pin {place.name} is on {lies}, not on {net}"
    why = f"correct the pin or the net of {key}{nearest(str(place.name), on)}"
    return Doubt(what, why, layout.rules.place(key))


def _untied(layout: Layout, key: str, pair: Pair) -> Iterator[Doubt]:
    """Two reference pins whose copper meets, although no [[tie]] says that their two nets do."""
    import networkx as nx

    tied: nx.Graph[str] = nx.Graph(tie.between for tie in layout.rules.ties)
    tied.add_nodes_from(region.name for region in layout.regions)
    one, other = ([layout.region_of_net[net] for net in sorted(place.nets)] for place in pair)
    regions = [
        (layout.regions[a].name, layout.regions[b].name)
        for a in one
        for b in other
        if min(a, b) >= 0
    ]
    if pair[0].nets & pair[1].nets or any(nx.has_path(tied, a, b) for a, b in regions):
        return
    nets = [_nets(layout, place.nets) for place in pair]
    what = (
        f"{pair[0].name} is on {nets[0]}, {pair[1].name} on {nets[1]}: two nets that no [[tie]]"
        " joins"
    )
    yield Doubt(what, f"correct {key}, or declare the [[tie]]", layout.rules.place(key))


def _pins_on(layout: Layout, net: str, part: str) -> list[str]:
    """Pins of a part on a net."""
    return [
        f"{part}.{pin.number}"
        for component in layout.board.components
        if component.refdes == part
        for pin in component.pins
        if layout.board.net_name(pin.net) == net
    ]


def _nets(layout: Layout, nets: Iterable[int]) -> str:
    return " and ".join(layout.board.net_name(net) for net in sorted(nets))


# ------------------------------------------------------------------------------------------ solving


class _Solving:
    """One layout's currents and inputs on grids that are halved until they agree."""

    def __init__(
        self, layout: Layout, ground: Ground, places: dict[PinName, PinPlace], doubts: list[Doubt]
    ) -> None:
        self.layout, self.ground, self.places, self.doubts = layout, ground, places, doubts
        self.spreads: dict[PinName, Spread] = {}

    def run(self) -> Currents:
        cell = before = first_cell(self.ground.area)
        sheet = self._on(cell)
        inputs, currents = list(self._inputs(sheet)), list(self._currents(sheet))
        told = [self._ohms(sheet, inputs, currents)]
        while inputs and currents:
            before, cell = cell, cell / 2
            sheet = self._on(cell)
            told.append(self._ohms(sheet, inputs, currents))
            if _settled(inputs, currents, *told[-2:]) or 4 * sheet.size > MOST:
                break
        at = {name: place.at for name, place in self.places.items()}
        ripple = self._ripples(inputs, currents)
        shares = [_shares(currents, [rows[row] for rows in told]) for row in range(len(inputs))]
        answers = tuple(
            Answer(
                number,
                spec,
                self._at(spec),
                pair,
                _rippling(number, currents, of, ripple),
                (before, cell),
                ripple.cell,
            )
            for (number, spec, pair), of in zip(inputs, shares, strict=True)
        )
        return Currents(
            self.ground, answers, tuple(currents), tuple(self.doubts), sheet, self.spreads, at
        )

    def _ripples(self, inputs: Sequence[Input], currents: Sequence[Declared]) -> Ripples:
        """Ripple of the currents that copper joins."""
        found = ripples(self.layout, self.ground, self.places, inputs, currents)
        self.doubts.extend(found.doubts)
        return found

    def _at(self, spec: QuietInput) -> tuple[float, float]:
        """Where an input ends; where its ground at the converter is, if that pin is not on the
        board.
        """
        return self.places.get(spec.end, self.places[spec.ground[1]]).at

    def _on(self, cell: float) -> Sheet:
        sheet = self.ground.sheet(cell)
        pins = [pin for current in self.layout.rules.currents for pin in current.back]
        pins += [pin for quiet in self.layout.rules.quiet_inputs for pin in quiet.ground]
        self.spreads = {}
        for pin in dict.fromkeys(pins):
            if pin in self.places:
                spread = self.ground.spread(self.layout, sheet, self.places[pin])
                if spread is not None:
                    self.spreads[pin] = spread
        return sheet

    def _inputs(self, sheet: Sheet) -> Iterator[Input]:
        """Quiet inputs whose grounds copper joins; the others are doubts."""
        for number, spec in enumerate(self.layout.rules.quiet_inputs):
            self.layout.tell(f"currents in the reference of {spec.net}")
            pair = self._pair(
                sheet, spec.ground, f"quiet_input[{number}].ground", f"input {spec.net}"
            )
            if pair is not None:
                yield number, spec, pair

    def _currents(self, sheet: Sheet) -> Iterator[Declared]:
        for number, current in enumerate(self.layout.rules.currents):
            key = f"current[{number}].back"
            pair = self._pair(sheet, current.back, key, f"current {current.name}")
            if pair is not None:
                self.doubts.extend(_untied(self.layout, key, pair))
                yield number, current, pair

    def _pair(
        self, sheet: Sheet, pins: tuple[PinName, PinName], key: str, what: str
    ) -> Pair | None:
        """Two pins that copper joins; else None and a doubt."""
        if not all(pin in self.places for pin in pins):
            return None  # told where pins are bound
        for pin in pins:
            if pin not in self.spreads:
                why = f"no copper was found under it; correct {key}, or the pads in the data"
                self.doubts.append(
                    Doubt(
                        f"pin {pin} of {what} touches no reference copper",
                        why,
                        self.layout.rules.place(key),
                    )
                )
                return None
        first, second = (self.places[pin] for pin in pins)
        if not sheet.joined(self.spreads[pins[0]], self.spreads[pins[1]]):
            nets = [_nets(self.layout, place.nets) for place in (first, second)]
            on = (
                f"{pins[0]} is on {nets[0]}, {pins[1]} on {nets[1]}"
                if nets[0] != nets[1]
                else f"both are on {nets[0]}"
            )
            why = (
                f"the copper ends between {pins[0]} and {pins[1]} ({on}); correct {key}, or declare"
                " the [[tie]]"
            )
            self.doubts.append(
                Doubt(
                    f"no copper joins {pins[0]} and {pins[1]} of {what}",
                    why,
                    self.layout.rules.place(key),
                )
            )
            return None
        return first, second

    def _ohms(
        self, sheet: Sheet, inputs: Sequence[Input], currents: Sequence[Declared]
    ) -> list[list[float]]:
        """V in series with each input per A of each current."""
        rows = []
        for _, spec, pair in inputs:
            self.layout.tell(f"voltage in series with {spec.net}")
            rows.append(self._row(self._potential(sheet, pair), currents))
        return rows

    def _potential(self, sheet: Sheet, pair: Pair) -> Floats:
        return sheet.potential(*(self.spreads[place.name] for place in pair))

    def _row(self, potential: Floats, currents: Sequence[Declared]) -> list[float]:
        steps = (
            self.spreads[first.name].mean(potential) - self.spreads[second.name].mean(potential)
            for _, _, (first, second) in currents
        )
        return [0.0 if np.isnan(step) else step for step in steps]  # NaN: copper of its own


def first_cell(area: float) -> float:
    """Width of the first grid's cells, mm, for an area of copper in mm2."""
    return next((cell for cell in CELLS if area / cell**2 >= COARSE), CELLS[-1])


def _shares(currents: Sequence[Declared], told: Sequence[Sequence[float]]) -> tuple[Share, ...]:
    """What each current puts in series with one input, from what grids told, the finest last."""
    ohms = np.array(told)
    steps = np.abs(np.diff(ohms[-3:], axis=0)).max(axis=0, initial=0.0)
    errors = np.maximum(steps, STEADY * np.abs(ohms[-1]))
    rows = zip(currents, ohms[-1].tolist(), errors.tolist(), strict=True)
    return tuple(Share(current, told, error) for (_, current, _), told, error in rows)


def _rippling(
    number: int, currents: Sequence[Declared], shares: Sequence[Share], found: Ripples
) -> tuple[Share, ...]:
    """The shares in one input with their ripple."""
    rows = zip(currents, shares, strict=True)
    return tuple(replace(share, ripple=found.found.get((number, of))) for (of, _, _), share in rows)


def _settled(
    inputs: Sequence[Input],
    currents: Sequence[Declared],
    before: list[list[float]],
    after: list[list[float]],
) -> bool:
    """Whether no input needs a finer grid.

    Halving it has changed no sum by more than `STEADY` of it, or of a tenth of what is allowed, and
    none is `NEAR`.
    """
    amperes = np.array([current.dc for _, current, _ in currents])
    for (_, spec, _), old, new in zip(inputs, before, after, strict=True):
        volts, moved = np.abs(new) @ amperes, np.abs(np.subtract(new, old)) @ amperes
        if (
            moved > STEADY * max(volts, spec.allowed / 10)
            or abs(volts - spec.allowed) < NEAR * spec.allowed
        ):
            return False
    return True
