"""Paths across a separation that are shorter than required, and the findings that rules make of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely

from checker.config.rules_file import Insulation
from checker.config.spacing_table import CLEARANCE, Required
from checker.findings import XY, Finding, Level
from checker.insulation.separations import Separation
from checker.layout.layout import Layout

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

    separation: Separation
    required: Required
    measured: float  # mm, as the rules count, less tolerance
    raw: float  # mm, every stretch off copper in full
    nets: tuple[str, str]
    place: str  # a layer id, THROUGH, EDGE or SEVERAL
    layer: int | None  # None: on several
    parts: tuple[Part, ...]

    @property
    def worst(self) -> tuple[float, float]:
        """Order of shortfalls between the same nets: the least share of its requirement first."""
        return self.measured / self.required.value, self.raw


def tell(layout: Layout, short: Shortfall, rule: str, hint: str = HINT) -> Finding:
    """The finding that a rule makes of a shortfall."""
    bound, required = short.separation, short.required
    held = bound.insulation
    over = [part.net for part in short.parts if part.on == COPPER and part.net]
    board_nets = {net.name for net in layout.board.nets}
    where = layout.layer_id(short.layer) if short.layer is not None else _way(short)
    told = ("copper without a net" if net == "no net" else net for net in dict.fromkeys(over))
    by_way = f" by way of {', '.join(told)}" if over else ""
    return Finding(
        rule=rule,
        level=Level.ERROR,
        message=f"{short.nets[0]} to {short.nets[1]} {down(short.measured)} mm{_in_full(short)} on {where}{by_way}, "
        f"{required.value:.3f} mm {required.measure} required",
        at=_middle(short),
        layer=layout.layer_id(short.layer) if short.layer is not None else None,
        nets=short.nets,
        regions=bound.regions,
        path=tuple(part.points for part in short.parts),
        measured=short.measured,
        required=required.value,
        harm=SAFETY_HARM * (1 - short.measured / required.value),
        hint=" ".join((hint, *_more_hints(short, [net for net in over if net in board_nets]))),
        detail={
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
            "legs": [_leg(part) for part in short.parts],
        },
    )


def _voltage_key(held: Insulation, required: Required) -> str:
    """The key of the rules file that the voltage comes from: without one of its own, clearance takes the other."""
    own = required.measure == CLEARANCE and held.clearance_voltage is not None
    return "clearance_voltage" if own else "working_voltage"


def down(length: float) -> str:
    """A length to the micrometre, never rounded up to the limit that it breaks."""
    return f"{np.floor(length * 1000 + 1e-6) / 1000:.3f}"


def _in_full(short: Shortfall) -> str:
    """How long a way is whose legs do not all count."""
    return "" if _all_count(short) else f" ({down(short.raw)} mm in full)"


def _all_count(short: Shortfall) -> bool:
    return all(part.counts for part in short.parts if part.on != COPPER)


def _more_hints(short: Shortfall, over: list[str]) -> Iterator[str]:
    """Why a length is less than what the picture shows, and what else may be done about it."""
    if not _all_count(short):
        yield f"Legs shorter than X = {short.separation.x:g} mm beside other copper count as nothing."
    if over:
        yield f"If {over[0]} is earthed, list it as earthed and hold it to both sides by a [[spacing]]."


def _way(short: Shortfall) -> str:
    """What a path on several layers runs on."""
    return ", ".join(dict.fromkeys(part.on for part in short.parts if part.on != COPPER))


def _middle(short: Shortfall) -> XY:
    """The place halfway along the longest leg."""
    longest = max((part for part in short.parts if part.on != COPPER), key=lambda part: part.length)
    middle = shapely.line_interpolate_point(shapely.LineString(longest.points), 0.5, normalized=True)
    return float(middle.x), float(middle.y)


def _leg(part: Part) -> dict[str, object]:
    told: dict[str, object] = {"on": part.on, "length_mm": round(part.length, 6), "counts": part.counts}
    return told | ({"net": part.net} if part.on == COPPER else {})
