"""Paths across a separation that are shorter than required, and the findings that rules make of
them.

A path's *stops* are the conductors that it touches and that are at a potential of their own: both
ends, and third regions that it crosses. Its *spans* run from stop to stop, over floating copper if
need be.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import shapely

from checker import wording
from checker.config.rules_file import Insulation
from checker.config.spacing_table import CLEARANCE, Required
from checker.findings import XY, Finding, Level
from checker.insulation.conductors import ROUNDING
from checker.insulation.requirements import Bound
from checker.layout.layout import Layout
from parsers.primitives import Bools, Rows

EDGE, SEVERAL = "edge", "several"  # places beside layers and THROUGH
COPPER = "copper"  # what a part of a path hops over
SAFETY_HARM = 1e6  # what falls short of a barrier stands before whatever only makes noise
HINT = "Move the copper apart, remove what bridges the way, or use a wider isolator."


@dataclass(frozen=True, slots=True)
class Part:
    """One stretch of a path, seen from above."""

    on: str  # top | bottom | an inner layer's id | "L1 to L3" | edge | copper
    points: tuple[XY, ...]
    length: float  # mm; of copper: the distance hopped over
    counts: bool
    net: str | None = None  # of copper


@dataclass(frozen=True, slots=True)
class Shortfall:
    """A path that is shorter than required, between two nets of a separation."""

    bound: Bound
    required: Required
    measured: float  # mm, as the rules count, less tolerance
    raw: float  # mm, every stretch off copper in full
    nets: tuple[str, str]
    place: str  # a layer id, THROUGH, EDGE or SEVERAL
    layer: int | None  # None: on several
    parts: tuple[Part, ...]
    ends: tuple[int, int]  # bodies
    crossed: tuple[int, ...]  # bodies of other copper on the way
    spans: tuple[tuple[int, int], ...]  # bodies at both ends of each span that counts
    spare: float = 0.0  # mm; how much longer it may be in truth, where a search was given up

    @property
    def sure(self) -> bool:
        """Whether it falls short in truth."""
        return self.measured + self.spare < self.required.value

    @property
    def worst(self) -> tuple[float, float]:
        """Order of shortfalls between the same nets: the least share of its requirement first."""
        return self.measured / self.required.value, self.raw


def told_once(shortfalls: Iterable[Shortfall]) -> list[Shortfall]:
    """The worst of each pair of nets and place, less those that are told on one layer already.

    A path over several places that is no shorter than one of the same nets on a single layer, held
    to the same rows, is not told beside it.
    """
    worst: dict[tuple[frozenset[str], str], Shortfall] = {}
    on_layers: dict[tuple[frozenset[str], str], float] = {}
    for short in shortfalls:
        nets = frozenset(short.nets)
        if (nets, short.place) not in worst or short.worst < worst[nets, short.place].worst:
            worst[nets, short.place] = short
        if short.layer is not None:
            key = nets, short.required.where
            on_layers[key] = min(short.measured, on_layers.get(key, np.inf))
    return [
        short
        for (nets, _), short in worst.items()
        if short.layer is not None
        or short.measured < on_layers.get((nets, short.required.where), np.inf) - ROUNDING
    ]


def spans_of(legs: Iterable[tuple[int, int, bool]], soft: Bools) -> tuple[tuple[int, int], ...]:
    """The spans of a path that count.

    Parameters
    ----------
    legs : bodies at both ends of each leg, in order, and whether it counts
    soft : per body: whether it floats

    Examples
    --------
    >>> spans_of([(0, 5, True), (5, 6, False), (7, 1, True)], np.array([0, 0, 0, 0, 0, 1, 0, 0], dtype=bool))
    ((0, 6), (7, 1))
    """
    legs = list(legs)
    spans: list[tuple[int, int]] = []
    start, counts = None, False
    for number, (first, second, counted) in enumerate(legs):
        start, counts = first if start is None else start, counts or counted
        if not soft[second] or number == len(legs) - 1:
            spans += [(start, second)] if counts else []
            start, counts = None, False
    return tuple(spans)


@dataclass(frozen=True, slots=True)
class Judged:
    """A shortfall with what it has in common with others, and what stands beside it."""

    short: Shortfall
    thirds: tuple[str, ...] = ()  # third regions that it crosses or ends at
    # mm; where copper on the way shortens the path: the straight distance
    direct: float | None = None
    also: tuple[Mapping[str, object], ...] = ()  # wider requirements that the same lack breaks
    group: str = ""


def tell(layout: Layout, judged: Judged, rule: str, hint: str = HINT) -> Finding:
    """The finding that a rule makes of a shortfall."""
    short, required = judged.short, judged.short.required
    return Finding(
        rule=rule,
        level=Level.ERROR,
        message=_message(layout, judged),
        at=_middle(short),
        layer=layout.layer_id(short.layer) if short.layer is not None else None,
        nets=short.nets,
        regions=_regions(layout, short),
        path=tuple(part.points for part in short.parts),
        measured=short.measured,
        required=required.value,
        harm=SAFETY_HARM * (1 - short.measured / required.value),
        hint=" ".join((hint, *_more_hints(layout, short))),
        detail=_detail(judged),
        group=judged.group,
    )


def _regions(layout: Layout, short: Shortfall) -> tuple[str, ...]:
    """The regions of both ends of a path across a barrier; where an end is of none, those of its
    side.
    """
    separation = short.bound.separation
    if not separation.regions:
        return ()
    names = [net.name for net in layout.board.nets]
    out: list[str] = []
    for net, side in zip(short.nets, separation.split, strict=True):
        own = int(layout.region_of_net[names.index(net)]) if net in names else -1
        out += [layout.regions[own].name] if own >= 0 else side
    return tuple(dict.fromkeys(out))


def _message(layout: Layout, judged: Judged) -> str:
    """Who comes how close to whom, where, by way of what, and what is required."""
    short, required = judged.short, judged.short.required
    where = layout.layer_id(short.layer) if short.layer is not None else _way(short)
    over = dict.fromkeys(part.net for part in short.parts if part.on == COPPER and part.net)
    told = ["copper without a net" if net == "no net" else net for net in over]
    by_way = f" by way of {', '.join(told)}" if told else ""
    straight = f" ({down(judged.direct)} mm straight)" if judged.direct is not None else ""
    stands = _standing(short) + _uncounted(short)
    return (
        f"{short.nets[0]} to {short.nets[1]} {down(short.measured)} mm{straight} on"
        f" {where}{by_way}{stands}, {wording.plain(required.value)} mm {required.measure} required"
    )


def _uncounted(short: Shortfall) -> str:
    """Why a length is less than what the picture shows."""
    if _all_count(short):
        return ""
    return f"; parts shorter than X = {short.bound.x:g} mm beside floating copper count as nothing"


def _standing(short: Shortfall) -> str:
    """Which side an end stands on though it belongs to none: nothing holds it apart from there."""
    separation, out = short.bound.separation, ""
    for body, name, side in zip(short.ends, separation.names, separation.sides, strict=True):
        third = next(
            (t for t in separation.thirds if t.side is not None and _holds(t.rows, body)), None
        )
        if third is not None and not _holds(side, body):
            out += f"; nothing holds {third.name} apart from {name}"
    return out


def _holds(rows: Rows, row: int) -> bool:
    """Whether a row is among some rows, which ascend."""
    at = int(np.searchsorted(rows, row))
    return at < len(rows) and int(rows[at]) == row


def _detail(judged: Judged) -> dict[str, object]:
    short, bound = judged.short, judged.short.bound
    held, required = bound.insulation, short.required
    direct = {} if judged.direct is None else {"direct_mm": round(judged.direct, 6)}
    also = {"also": [dict(one) for one in judged.also]} if judged.also else {}
    spare = {"spare_mm": round(short.spare, 6)} if 0 < short.spare < np.inf else {}
    return {
        "between": bound.title,
        "where": required.where,
        "voltage": required.voltage,
        "voltage_given_as": _voltage_key(held, required),
        "table_row": required.rows,
        "insulation": held.insulation,
        "pollution_degree": held.pollution_degree,
        "material_group": held.material_group,
        "x_mm": bound.x,
        "tolerance_mm": bound.tolerance,
        "raw_mm": round(short.raw, 6),
        **direct,
        **spare,
        **({"third": list(judged.thirds)} if judged.thirds else {}),
        **also,
        "legs": [_leg(part) for part in short.parts],
    }


def _voltage_key(held: Insulation, required: Required) -> str:
    """The key of the rules file that the voltage comes from: without one of its own, clearance
    takes the other.
    """
    own = required.measure == CLEARANCE and held.clearance_voltage is not None
    return "clearance_voltage" if own else "working_voltage"


def down(length: float) -> str:
    """A length to the micrometre, never rounded up to the limit that it breaks."""
    return wording.plain(wording.rounded_down(length))


def _all_count(short: Shortfall) -> bool:
    return all(part.counts for part in short.parts if part.on != COPPER)


def _more_hints(layout: Layout, short: Shortfall) -> Iterator[str]:
    """What else may be done about copper on the way."""
    named = {net.name for net in layout.board.nets}
    over = [part.net for part in short.parts if part.on == COPPER and part.net in named]
    if over:
        yield (
            f"If {over[0]} is earthed, list it as earthed and hold the hazardous side to it by a"
            " [[spacing]]."
        )


def _way(short: Shortfall) -> str:
    """What a path on several layers runs on."""
    return ", ".join(dict.fromkeys(part.on for part in short.parts if part.on != COPPER))


def _middle(short: Shortfall) -> XY:
    """The place halfway along the longest leg."""
    longest = max((part for part in short.parts if part.on != COPPER), key=lambda part: part.length)
    middle = shapely.line_interpolate_point(
        shapely.LineString(longest.points), 0.5, normalized=True
    )
    return float(middle.x), float(middle.y)


def _leg(part: Part) -> dict[str, object]:
    told: dict[str, object] = {
        "on": part.on,
        "length_mm": round(part.length, 6),
        "counts": part.counts,
    }
    return told | ({"net": part.net} if part.on == COPPER else {})
