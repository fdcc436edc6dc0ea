"""Copper of a quiet region's nets stays over its own territory.

Why: a quiet net that leaves its reference picks up what flows in the other region's copper; outside
any pour it has no reference at all.

Measured: copper of the net against territories, seen from above: over another region's territory it
is an error, outside its own by more than `limits.margin` a warning; one finding per net, layer and
connected place. `measured` is how far the copper reaches away from its own territory. Inside an
overlap of two territories findings are in its group (pour-overlap); the others of one net and the
same regions are one. Where a net is over its own territory too, nothing is told here.

Fix: move the trace or the part back over its own pour, or declare the connection as an isolator or
a tie.

Source: `moatcheck explain words`; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

from checker.findings import Finding, Level
from checker.layout.excursions import Place, copper_of, escapes, group_of, reaches_from
from checker.layout.layout import Layout
from checker.layout.moves import move_over
from checker.layout.regions import Region
from checker.rules import Limit, Rule
from checker.wording import length as mm

RULE = Rule(
    "region-escape",
    title="Quiet net leaves its region",
    level=Level.ERROR,
    limits=(
        Limit(
            "margin",
            0.1,
            "mm",
            "how far copper of a quiet region's nets may reach past its territory",
        ),
        Limit(
            "fanout",
            2.0,
            "mm",
            "first part of a trace from the pad of an isolator, which is exempt",
        ),
    ),
    own=("margin",),
)


def find(layout: Layout) -> Iterator[Finding]:
    """Tell every connected place where a quiet net is outside its territory."""
    for region in layout.regions:
        if region.quiet:
            places = list(escapes(layout, region, layout.limits["margin"]))
            reaches = reaches_from(layout, places, region.index)
            for place, reach, copper in zip(
                places, reaches, copper_of(layout, places), strict=True
            ):
                yield _finding(
                    layout, region, place, reach, move_over(copper, layout.territory(region.index))
                )


def why_not(layout: Layout) -> str | None:
    """Without a quiet region there is nothing to protect."""
    return None if any(region.quiet for region in layout.regions) else "no region is declared quiet"


def _finding(
    layout: Layout, region: Region, place: Place, reach: float, hint: str | None
) -> Finding:
    net, layer = layout.board.net_name(place.net), layout.layer_id(place.layer)
    others = [layout.regions[i].name for i in place.regions]
    if others:
        where = f"lies over the territory of {' and '.join(others)}"
    else:
        where = f"reaches {mm(reach)} out of the territory of {region.name}"
    return Finding(
        rule=RULE.id,
        level=RULE.level if others else Level.WARNING,
        message=f"{net} of the quiet region {region.name} {where} on {layer}",
        at=place.at,
        layer=layer,
        nets=(net,),
        regions=(region.name, *others),
        path=place.outline,
        measured=reach,
        required=0.0 if others else layout.limits["margin"],
        harm=reach,
        hint=f"{hint} to lie over {region.name}" if hint else None,
        detail={"area_mm2": round(float(place.shape.area), 6)},
        group=group_of(layout, region, place),
    )
