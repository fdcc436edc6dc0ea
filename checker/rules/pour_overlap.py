"""Pours of two regions do not lie over each other.

Why: two pours over each other form a capacitor that carries noise from one region into the other
past every isolator, and across a barrier it makes the distance between the layers part of the
insulation.

Measured: area in which reference pours of two regions on different layers lie over each other,
antipads filled, seen from above; one finding per connected place. An error if a barrier is declared
between the regions, else a warning. Places nearer to each other than 2 mm are one group, and what
region-escape and region-intrusion find inside is in it.

Fix: pull one pour back so that both end at the same line on all layers.

Source: `moatcheck explain words`; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely

from checker.findings import Finding, Level
from checker.layout.layout import Layout
from checker.layout.overlaps import Overlap, OverlapGroup
from checker.rules import Rule
from checker.wording import length as said

RULE = Rule(
    "pour-overlap", title="Pours of two regions overlap", level=Level.ERROR, unit="mm2", own=()
)
SKETCH = 0.01  # mm; how far a witness outline may stray


def find(layout: Layout) -> Iterator[Finding]:
    """Tell every place where pours of two regions lie over each other."""
    for group in layout.overlaps:
        for place in group.places:
            yield _finding(layout, group, place)


def _finding(layout: Layout, group: OverlapGroup, place: Overlap) -> Finding:
    a, b = (layout.pours[i] for i in place.pours)
    held = layout.barrier_between(a.region, b.region) is not None
    outline = np.round(shapely.get_coordinates(shapely.simplify(place.shape, SKETCH).exterior), 6)
    area = float(place.shape.area)
    first, second = (
        f"{layout.regions[p.region].name} on {layout.layer_id(p.layer)}" for p in (a, b)
    )
    return layout.finding(
        RULE,
        level=RULE.level if held else Level.WARNING,
        message=f"pours of {first} and {second} overlap by {said(area, 'mm2')}",
        at=shapely.point_on_surface(place.shape),
        layer=a.layer,
        pours=place.pours,
        nets=(a.net, b.net),
        net_layers=(a.layer, b.layer),
        regions=(a.region, b.region),
        path=(tuple((float(x), float(y)) for x, y in outline),),
        measured=area,
        required=0.0,
        harm=area,
        detail={"barrier": held},
        group=layout.overlap_key(group),
    )
