"""No copper of another region's nets lies over a quiet region's territory.

Why: what a foreign trace carries couples into the quiet reference beneath it, and its return
current flows there.

Measured: copper of the net over the quiet territory and not over its own, seen from above, less
pads of isolators on their own side and their fan-out; one finding per net, layer and connected
place. `measured` is how far the copper reaches into the quiet territory. Inside an overlap of two
territories findings are in its group (pour-overlap); the others of one net and the same regions are
one. Nets of a region whose reference has no pour are a doubt instead.

Fix: route the net round the quiet region, or take it into the region's nets if it belongs there.

Source: `moatcheck explain words`; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

from checker.findings import Finding, Level
from checker.layout.excursions import Place, copper_of, depths_in, group_of, intrusions
from checker.layout.layout import Layout
from checker.layout.moves import move_over
from checker.layout.regions import Region
from checker.rules import Limit, Rule
from checker.wording import length as mm

RULE = Rule(
    "region-intrusion",
    title="Foreign net in a quiet region",
    level=Level.ERROR,
    limits=(
        Limit(
            "fanout",
            2.0,
            "mm",
            "first part of a trace from the pad of an isolator, which is exempt",
        ),
    ),
    own=(),
)


def find(layout: Layout) -> Iterator[Finding]:
    """Tell every connected place where a foreign net is over a quiet territory."""
    for region in layout.regions:
        if region.quiet:
            places = list(intrusions(layout, region))
            depths = depths_in(layout, places, region.index)
            for place, depth, copper in zip(places, depths, copper_of(layout, places), strict=True):
                home = layout.territory(int(layout.region_of_net[place.net]))
                yield _finding(layout, region, place, depth, move_over(copper, home))


def why_not(layout: Layout) -> str | None:
    """Without a quiet region there is nothing to protect."""
    return None if any(region.quiet for region in layout.regions) else "no region is declared quiet"


def _finding(
    layout: Layout, region: Region, place: Place, depth: float, hint: str | None
) -> Finding:
    net, layer = layout.board.net_name(place.net), layout.layer_id(place.layer)
    home = int(layout.region_of_net[place.net])
    own = layout.regions[home].name
    return Finding(
        rule=RULE.id,
        level=RULE.level,
        message=(
            f"{net} of region {own} lies over the quiet territory of {region.name} on {layer},"
            f" {mm(depth)} deep"
        ),
        at=place.at,
        layer=layer,
        nets=(net,),
        regions=(region.name, own),
        path=place.outline,
        measured=depth,
        required=0.0,
        harm=depth,
        hint=f"{hint} to lie over {own}" if hint else None,
        detail={"area_mm2": round(float(place.shape.area), 6)},
        group=group_of(layout, region, place),
    )
