"""Declared currents keep out of the reference copper of quiet regions.

Why: what flows through a quiet region's copper drops voltage there and couples into what lies above
it; a region that is kept free of geometry's mistakes may still be the shortest way back.
Measured: the part of each declared direct current that enters a quiet region's reference pours,
from the same solution as shared-return (see there what is not modelled), against
`limits.quiet_share`; ripple has no part in it. A current whose own pins lie on a quiet region's
copper flows there by all its amperes.
Fix: give the current a shorter way back outside the region, move its source or load, or narrow the
region's bridge to one place beside the converter.
Source: `moatcheck explain words`; Kirchhoff's laws.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from checker import wording
from checker.findings import Finding, Level, Path
from checker.layout.layout import Layout
from checker.layout.regions import Region
from checker.returns.ground import quiet_copper
from checker.returns.quiet_inputs import Currents, Declared, Pair, currents_of
from checker.returns.streams import entering, stream
from checker.rules import Limit, Rule
from parsers.primitives import Bools, Floats

RULE = Rule(
    "return-in-quiet",
    title="Return current in a quiet region",
    level=Level.WARNING,
    limits=(
        Limit(
            "quiet_share",
            5.0,
            "%",
            "part of a declared current that may flow through a quiet region's copper",
        ),
    ),
    unit="%",
    shares="currents of references",
)


def why_not(layout: Layout) -> str | None:
    """It needs currents, and regions to keep them out of."""
    if not layout.rules.currents:
        return "no [[current]] is declared"
    return None if any(region.quiet for region in layout.regions) else "no region is quiet"


def find(layout: Layout) -> Iterator[Finding]:
    """One finding per current and quiet region."""
    currents = layout.once(currents_of)
    regions = [region for region in layout.regions if region.quiet]
    for declared in currents.currents:
        _, current, pins = declared
        if current.dc:
            potential = _potential(currents, pins)
            for region in regions:
                yield from _through(layout, currents, declared, region, potential)


def _potential(currents: Currents, pins: Pair) -> Floats:
    assert currents.sheet is not None
    return currents.sheet.potential(*(currents.spreads[place.name] for place in pins))


def _through(
    layout: Layout, currents: Currents, declared: Declared, region: Region, potential: Floats
) -> Iterator[Finding]:
    _, current, pins = declared
    inside = _inside(layout, currents, region)
    assert currents.sheet is not None
    share = 100 * entering(currents.sheet, potential, inside)
    limit = layout.limits["quiet_share"]
    if share > limit:
        share = round(share, 1)  # no grid tells more
        amperes = round(share / 100 * current.dc, 6)
        yield layout.finding(
            RULE,
            message=(
                f"{wording.plain(share, 1)} % of {current.name} ({amperes:.3g} A) flows through"
                f" {region.name}"
            ),
            at=currents.at.get(current.end, pins[0].at),
            nets=layout.matching((current.net,)).tolist(),
            components=tuple(dict.fromkeys(pin.part for pin in current.back)),
            regions=(region.index,),
            path=_path(currents, potential, inside),
            measured=share,
            required=limit,
            harm=amperes,
            detail={"current": current.name, "amperes": amperes},
        )


def _inside(layout: Layout, currents: Currents, region: Region) -> Bools:
    """Nodes on a region's reference pours."""
    assert currents.sheet is not None
    mask = np.zeros(len(currents.sheet.label), dtype=np.bool_)
    for layer, shape in quiet_copper(layout, currents.ground, region.index):
        mask |= currents.sheet.covered(layer, shape)
    return mask


def _path(currents: Currents, potential: Floats, inside: Bools) -> Path:
    """The way of most of what enters."""
    assert currents.sheet is not None
    return stream(currents.sheet, potential, inside)
