"""Pours of two regions do not lie over each other.

Why: two pours over each other form a capacitor that carries noise from one region into the other past every isolator,
and across a barrier it makes the distance between the layers part of the insulation.

Measured: area in which reference pours of two regions on different layers lie over each other, antipads filled, seen
from above; one finding per connected place. An error if a barrier is declared between the regions, else a warning.

Fix: pull one pour back so that both end at the same line on all layers.

Source: README, words and geometry; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
import shapely

from checker.findings import Finding, Level
from checker.layout.layout import Layout
from checker.layout.regions import Pour
from checker.rules import Rule
from checker.wording import length as said
from parsers.primitives import TOUCH

RULE = Rule("pour-overlap", title="Pours of two regions overlap", level=Level.ERROR, unit="mm2")
SKETCH = 0.01  # mm; how far a witness outline may stray


def find(layout: Layout) -> Iterator[Finding]:
    """Tell every place where pours of two regions lie over each other."""
    pours = [pour for pour in layout.pours if not pour.plane]
    for a, b in combinations(pours, 2):
        if a.region != b.region and a.layer != b.layer and shapely.intersects(a.shape, b.shape):
            for place in shapely.get_parts(shapely.intersection(a.shape, b.shape)):
                if not shapely.is_empty(shapely.buffer(place, -TOUCH / 2)):
                    yield _finding(layout, a, b, place)


def _finding(layout: Layout, a: Pour, b: Pour, place: shapely.Polygon) -> Finding:
    names = [layout.regions[pour.region].name for pour in (a, b)]
    layers = [layout.layer_id(pour.layer) for pour in (a, b)]
    held = layout.barrier_between(a.region, b.region) is not None
    at = shapely.point_on_surface(place)
    outline = np.round(shapely.get_coordinates(shapely.simplify(place, SKETCH).exterior), 6)
    area = float(place.area)
    return Finding(
        rule=RULE.id,
        level=RULE.level if held else Level.WARNING,
        message=f"pours of {names[0]} on {layers[0]} and {names[1]} on {layers[1]} overlap by {said(area, 'mm2')}",
        at=(round(at.x, 6), round(at.y, 6)),
        layer=layers[0],
        reference_layers=tuple(layers),
        nets=tuple(layout.board.net_name(pour.net) for pour in (a, b)),
        net_layers=tuple(layers),
        regions=tuple(names),
        path=(tuple((float(x), float(y)) for x, y in outline),),
        measured=area,
        required=0.0,
        unit=RULE.unit,
        harm=area,
        detail={"barrier": held},
    )
