"""No trace hugs the edge of the pour that it refers to.

Why: the return current spreads some trace heights to both sides; beside an edge it crowds there,
the impedance rises and the field leaves the board at the edge.

Measured: centre lines over a pour, nearer than `limits.edge_margin` to the edge of every pour that
they refer to, for longer than twice that (a trace that merely crosses the edge does not run along
it). Off unless the limit is set.

Fix: move the trace inwards, or extend the pour.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

import shapely

from checker.findings import Finding, Level
from checker.layout.edge_runs import EdgeRun, edge_runs
from checker.layout.layout import Layout
from checker.rules import Limit, Rule
from checker.wording import length as mm
from checker.wording import rounded_down

RULE = Rule(
    "pour-edge",
    title="Trace hugs the edge of its pour",
    level=Level.NOTE,
    limits=(
        Limit(
            "edge_margin",
            0.0,
            "mm",
            "least distance of traces from the edge of their pour; 0 = not checked",
        ),
    ),
    own=("edge_margin",),
)


def find(layout: Layout) -> Iterator[Finding]:
    """Tell every run along an edge."""
    margin = layout.limits["edge_margin"]
    if margin > 0:
        for run in edge_runs(layout, margin):
            yield _finding(layout, run, margin)


def why_not(layout: Layout) -> str | None:
    """Off by default."""
    return None if layout.limits["edge_margin"] > 0 else "limits.edge_margin is 0"


def _finding(layout: Layout, run: EdgeRun, margin: float) -> Finding:
    net, layer = layout.board.net_name(run.net), layout.layer_id(run.layer)
    line = max((shapely.LineString(line) for line in run.path), key=lambda line: line.length)
    apart = mm(rounded_down(run.distance))
    return layout.finding(
        RULE,
        message=(
            f"{net} on {layer} runs {mm(run.length)} along the edge of its pour, {apart} from it"
        ),
        at=line.interpolate(0.5, normalized=True),
        layer=run.layer,
        nets=(run.net,),
        pours=run.pours,
        regions=(layout.pours[i].region for i in run.pours),
        path=run.path,
        measured=run.distance,
        required=margin,
        harm=run.length,
        detail={"length_mm": round(run.length, 6)},
    )
