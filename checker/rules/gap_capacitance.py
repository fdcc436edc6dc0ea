"""Every barrier's own capacitance is on record: what crosses it without any conductor.

Why: a gap isolates direct current, but an edge on one side drives a current through the capacitance
of gap, overlap and isolators, and that current returns somewhere; the sum decides how much
isolation is left at high frequency.
Measured: for each barrier the capacitance over the gap between the reference pours of its sides on
each layer (coplanar strips), where they overlap (plates), and of its isolators (`isolator_pf`).
Dielectric constant from the data or [stackup] er, else 4.3. An estimate: layers are added as if
each were alone, traces, parts, cables and the surroundings are not in it. Where the rules file
gives edge times, the current of the fastest edge of either side, 3.3 V high, is told. A note; a
warning above `limits.gap_pf` if that is set.
Fix: widen the gap, shorten the rim along it, keep the sides' pours from lying over each other,
choose isolators of less capacitance, or give the current a short way back with a capacitor made for
barriers.
Source: `moatcheck explain words`; conformal mapping of coplanar strips and the plate formula, from
memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import shapely

from checker import wording
from checker.config.rules_file import Barrier
from checker.findings import XY, Finding, Level
from checker.layout.layout import Layout
from checker.returns.capacitance import (
    USUAL_ER,
    Plate,
    over_gaps,
    over_overlaps,
    permittivity,
    plates,
)
from checker.rules import Limit, Rule

RULE = Rule(
    "gap-capacitance",
    title="Capacitance over a barrier",
    level=Level.NOTE,
    limits=(
        Limit("gap_pf", 0.0, "pF", "capacitance across a barrier that is a warning; 0: none is"),
    ),
    unit="pF",
)
SWING = 3.3  # V; height of an edge whose time is given


def why_not(layout: Layout) -> str | None:
    """It needs a barrier."""
    return None if layout.rules.barriers else "no [[barrier]] is declared"


def find(layout: Layout) -> Iterator[Finding]:
    """One finding per barrier both sides of which have reference pours."""
    limit = layout.limits["gap_pf"]
    for barrier in layout.rules.barriers:
        one, other = (plates(layout, side) for side in barrier.between)
        if not one or not other:
            continue
        er, known = permittivity(layout)
        parts = {
            "gap_pf": over_gaps(one, other, float(sum(er) / len(er))),
            "overlap_pf": over_overlaps(one, other, er),
            "isolators_pf": sum(barrier.isolator_pf.values()),
        }
        total = sum(parts.values())
        yield layout.finding(
            RULE,
            level=Level.WARNING if 0 < limit < total else Level.NOTE,
            message=_message(layout, barrier, parts, known),
            at=_middle(one, other),
            regions=[layout.region_named(name).index for side in barrier.between for name in side],
            measured=total,
            required=limit or None,
            harm=total,
            detail=_detail(layout, barrier, parts, er),
        )


def _message(layout: Layout, barrier: Barrier, parts: dict[str, float], known: bool) -> str:
    sides = " and ".join("/".join(side) for side in barrier.between)
    words = (
        ("gap", parts["gap_pf"]),
        ("overlap", parts["overlap_pf"]),
        ("isolators", parts["isolators_pf"]),
    )
    told = ", ".join(f"{word} {wording.length(value, 'pF')}" for word, value in words if value)
    missing = _unstated(barrier)
    left = f"; without {', '.join(missing)}, whose capacitance is not stated" if missing else ""
    assumed = "" if known else f"; dielectric constant {USUAL_ER:g} assumed"
    driven = _driven(layout, barrier, sum(parts.values()))
    edge = f"; the fastest edge drives {wording.plain(driven, 2)} mA" if driven else ""
    return (
        f"{wording.length(sum(parts.values()), 'pF')} between {sides}"
        f" ({told or 'none found'}){left}{assumed}{edge}"
    )


def _unstated(barrier: Barrier) -> list[str]:
    return [part for part in barrier.isolators if part not in barrier.isolator_pf]


def _driven(layout: Layout, barrier: Barrier, farads: float) -> float | None:
    """Current in mA that the fastest declared edge of either side drives through some pF: C
    dV/dt.
    """
    regions = {layout.region_named(name).index for side in barrier.between for name in side}
    times = [
        time
        for pattern, time in layout.rules.nets.edge_ns.items()
        if any(
            int(layout.region_of_net[net]) in regions
            for net in layout.matching((pattern,)).tolist()
        )
    ]
    return farads * SWING / min(times) if times else None


def _detail(
    layout: Layout, barrier: Barrier, parts: dict[str, float], er: list[float]
) -> dict[str, Any]:
    driven = _driven(layout, barrier, sum(parts.values()))
    edge = {"edge_ma": driven, "edge_v": SWING} if driven is not None else {}
    return {
        **parts,
        "er": er,
        "without_parts": _unstated(barrier),
        "ua_per_v_us": sum(parts.values()),
        **edge,
    }


def _middle(one: list[Plate], other: list[Plate]) -> XY:
    """The middle of both sides' pours, seen from above."""
    middle = shapely.centroid(shapely.union_all([plate.shape for plate in (*one, *other)]))
    return round(float(middle.x), 6), round(float(middle.y), 6)
