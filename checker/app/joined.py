"""What if: the same board as if the moats between two regions' reference pours were filled.

On each layer where both have pours, what lies between them becomes copper of one net, as far as the
gap is at most twice as wide as along half of its length; other copper keeps `KEPT` around it. Both
regions become one, and barriers and ties between them go. The board that was read stays as it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import shapely

from checker.config.rules_file import Barrier, RegionSpec, Rules, Tie, nearest
from checker.findings import Finding
from checker.layout.layout import Layout
from checker.results.answers import RULE
from checker.returns.capacitance import facing, over_gaps, over_overlaps, permittivity, plates
from checker.returns.quiet_inputs import currents_of
from parsers.assembly.connectivity import connect
from parsers.board import Board
from parsers.primitives import TOUCH, Conductors, Ints, Kind, concatenate, conductors
from parsers.trouble import InputError

KEPT = 0.2  # mm around other copper; common practice, no source
GRIP = 2 * TOUCH  # how far a filling reaches into the copper on both sides

Pair = tuple[str, str]


def compared(layout: Layout, findings: Sequence[Finding], pair: Pair) -> list[Finding]:
    """Findings of quiet inputs with what one unbroken reference, and isolated sides, would make of
    them.
    """
    joined = Layout(*join(layout, pair))
    volts = {
        answer.number: answer.volts for answer in joined.once(currents_of).answers if answer.whole
    }
    one, other = (plates(layout, (name,)) for name in pair)
    er = permittivity(layout)[0]
    between = [b for b in layout.rules.barriers if b.separates(*pair)]
    told = {
        "regions": list(pair),
        "isolated_pf": (
            over_gaps(one, other, float(np.mean(er)))
            + over_overlaps(one, other, er)
            + sum(sum(barrier.isolator_pf.values()) for barrier in between)
        ),
        "without_parts": [p for b in between for p in b.isolators if p not in b.isolator_pf],
    }
    return [
        _with(finding, told, volts) if finding.rule == RULE else finding for finding in findings
    ]


def _with(finding: Finding, told: dict[str, object], volts: dict[int, float]) -> Finding:
    found = volts.get(finding.detail["input"])
    more = told | {"joined_uv": None if found is None else found * 1e6}
    return replace(finding, detail=finding.detail | {"what_if": more})


def join(layout: Layout, pair: Pair) -> tuple[Board, Rules]:
    """The board with filled moats, and the rules for it.

    Raises
    ------
    InputError : no such regions, or no layer has pours of both
    """
    names = [region.name for region in layout.regions]
    for name in pair:
        if name not in names:
            raise InputError(f'there is no region "{name}"{nearest(name, names)}')
    if pair[0] == pair[1]:
        raise InputError("--join needs two different regions, such as --join system,probe")
    fillings = list(_fillings(layout, pair))
    if not fillings:
        raise InputError(
            f"{pair[0]} and {pair[1]} have no pours on a common layer: there is no moat to fill"
        )
    return _filled(layout, pair, fillings), _united(layout.rules, pair)


def _fillings(layout: Layout, pair: Pair) -> Iterator[tuple[int, shapely.Geometry]]:
    """Layer and copper of each filling."""
    one, other = ({plate.layer: plate.shape for plate in plates(layout, (name,))} for name in pair)
    nets = _references(layout, pair)
    for layer in sorted(one.keys() & other.keys()):
        yield layer, _between(layout, (one[layer], other[layer]), layer, nets)


def _between(
    layout: Layout, sides: tuple[shapely.Geometry, shapely.Geometry], layer: int, nets: Ints
) -> shapely.Geometry:
    """What lies between two sides' pours, less other copper."""
    reach = _usual_gap(sides) + GRIP
    whole = _closed(shapely.union(*sides), reach)
    filled = shapely.difference(
        whole, shapely.union_all([*sides, *(_closed(side, reach) for side in sides)])
    )
    filled = shapely.intersection(shapely.buffer(filled, GRIP, join_style="mitre"), whole)
    copper = layout.board.copper
    rows = np.flatnonzero((copper.layer == layer) & ~np.isin(copper.net, nets))
    near = rows[shapely.intersects(copper.shapes(rows), shapely.buffer(filled, KEPT))]
    return shapely.difference(filled, shapely.buffer(shapely.union_all(copper.shapes(near)), KEPT))


def _usual_gap(sides: tuple[shapely.Geometry, shapely.Geometry]) -> float:
    """How wide a moat is along half of its length, mm; where a bridge joins its sides it has no
    least width.
    """
    gap, length = facing(*sides)
    order = np.argsort(gap)
    half = np.searchsorted(np.cumsum(length[order]), length.sum() / 2)
    return float(gap[order][half]) if len(gap) else 0.0


def _closed(shape: shapely.Geometry, reach: float) -> shapely.Geometry:
    """A shape with what is narrower than twice the reach filled."""
    return shapely.buffer(
        shapely.buffer(shape, reach, join_style="mitre"), -reach, join_style="mitre"
    )


def _references(layout: Layout, pair: Pair) -> Ints:
    nets = [sorted(layout.region_named(name).reference) for name in pair]
    return np.array([*nets[0], *nets[1]], dtype=np.int32)


def _filled(layout: Layout, pair: Pair, fillings: Sequence[tuple[int, shapely.Geometry]]) -> Board:
    """The board with fillings, both regions' references one net."""
    board, nets = layout.board, _references(layout, pair)
    copper = concatenate([board.copper, _copper_of(fillings, int(nets[0]))])
    copper = replace(copper, net=_one_net(copper.net, nets))
    holes = replace(board.holes, net=_one_net(board.holes.net, nets))
    joined = connect(copper, holes, board.nets, len(board.layers))
    return replace(
        board, copper=joined.copper, holes=joined.holes, connectivity=joined.connectivity
    )


def _copper_of(fillings: Sequence[tuple[int, shapely.Geometry]], net: int) -> Conductors:
    """Fillings as copper of one net."""
    pieces = [(layer, part) for layer, shape in fillings for part in shapely.get_parts(shape)]
    parts = [(layer, part) for layer, part in pieces if part.area > 0]
    return conductors(
        len(parts),
        kind=Kind.AREA,
        net=net,
        layer=np.array([layer for layer, _ in parts], dtype=np.int32),
        area=np.arange(len(parts)),
        areas=[part for _, part in parts],
    )


def _one_net(net: Ints, nets: Ints) -> Ints:
    """A column of nets with all of some nets as the first of them."""
    return np.where(np.isin(net, nets), nets[0], net)


def _united(rules: Rules, pair: Pair) -> Rules:
    """The rules with both regions as one, under the first one's name."""
    specs = {spec.name: spec for spec in rules.regions}
    first, second = (specs[name] for name in pair)
    one = RegionSpec(
        name=first.name,
        reference=(*first.reference, *second.reference),
        nets=("*",) if "*" in (*first.nets, *second.nets) else (*first.nets, *second.nets),
        quiet=first.quiet and second.quiet,
        planes=(*first.planes, *second.planes),
    )
    regions = tuple(
        one if spec.name == pair[0] else spec for spec in rules.regions if spec.name != pair[1]
    )
    said = f"as if {pair[0]} and {pair[1]} had one unbroken reference"
    return replace(
        rules,
        title=f"{rules.title} ({said})" if rules.title else said,
        regions=regions,
        barriers=tuple(_renamed(b, pair) for b in rules.barriers if not b.separates(*pair)),
        ties=tuple(_moved(tie, pair) for tie in rules.ties if set(tie.between) != set(pair)),
    )


def _renamed(barrier: Barrier, pair: Pair) -> Barrier:
    """A barrier with the second region under the first one's name."""
    one, other = (
        tuple(dict.fromkeys(pair[0] if name == pair[1] else name for name in side))
        for side in barrier.between
    )
    return replace(barrier, between=(one, other))


def _moved(tie: Tie, pair: Pair) -> Tie:
    """A tie with the second region under the first one's name."""
    one, other = (pair[0] if name == pair[1] else name for name in tie.between)
    return replace(tie, between=(one, other))
