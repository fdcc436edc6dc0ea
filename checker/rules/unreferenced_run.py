"""No trace runs farther than allowed where neither side has reference copper.

Why: over a slot, a void or past the edge of its pour, a trace has no return path beside it; it
radiates and picks up noise like an antenna, and its impedance is undefined.

Measured: the centre line off the pours on both sides, joined through copper contact and plated
holes, without the net's own lands and without the fan-out of isolators. Areas wider than
`limits.pour`, their antipads filled, are exempt. Runs of one net, and of nets side by side over the
same void, are one group.

Fix: move the trace over its own pour, or close the void beneath it.

Source: `moatcheck explain words`; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import shapely

from checker.findings import Finding, Level
from checker.layout.causes import clusters
from checker.layout.layout import Layout
from checker.layout.lengths import middle_of
from checker.layout.moves import move_over
from checker.layout.regions import Kind, OffReferenceRun
from checker.returns.harm import harm_of_run
from checker.rules import Limit, Rule
from checker.wording import length as mm

RULE = Rule(
    "unreferenced-run",
    title="Trace without reference",
    level=Level.WARNING,
    limits=(
        Limit("unreferenced_run", 1.0, "mm", "longest run without reference on either side"),
        Limit(
            "fanout",
            2.0,
            "mm",
            "first part of a trace from the pad of an isolator, which is exempt",
        ),
        Limit(
            "hole",
            1.5,
            "mm",
            "holes in a pour shorter than this, or reaching less beyond drilled pads, are antipads",
        ),
        Limit("pour", 5.0, "mm", "diameter of the disc that copper must hold to be a pour"),
        Limit(
            "coplanar", 1.0, "mm", "how far pours on the trace's own layer serve as its reference"
        ),
    ),
    shares="off_reference_runs",
    own=(),
)
# mm between centre lines; the lines of a bus are nearer than this (common practice, no source)
SIDE_BY_SIDE = 0.5


def find(layout: Layout) -> Iterator[Finding]:
    """Tell every run that is longer than the limit."""
    runs = [run for run in layout.off_reference_runs if run.kind is Kind.BARE]
    for run, group in zip(runs, _groups(layout, runs), strict=True):
        yield _finding(layout, run, group)


def _groups(layout: Layout, runs: Sequence[OffReferenceRun]) -> list[str]:
    """The group of each run: those of one net, and those of a bus that runs side by side."""
    shapes = [shapely.MultiLineString([list(line) for line in run.path]) for run in runs]
    keys = [""] * len(runs)
    for members in clusters(
        shapes, SIDE_BY_SIDE, [RULE.id] * len(runs), [(run.net,) for run in runs]
    ):
        nets = sorted({layout.board.net_name(runs[i].net) for i in members})
        for i in members:
            keys[i] = repr((RULE.id, nets))
    return keys


def _finding(layout: Layout, run: OffReferenceRun, group: str) -> Finding:
    net = layout.board.net_name(run.net)
    layers = [layout.layer_id(i) for i in run.layers]
    harm = harm_of_run(layout, run)
    return layout.finding(
        RULE,
        level=Level.NOTE if layout.is_slow(run.net) else RULE.level,
        message=f"{net} on {' and '.join(layers)} runs {mm(run.length)} {_beside(layout, run)}",
        at=middle_of(run),
        layer=run.layers[0],
        pours=run.pours,
        nets=(run.net,),
        regions=run.regions,
        path=run.path,
        measured=run.length,
        required=layout.limits["unreferenced_run"],
        harm=harm.number,
        hint="; ".join(filter(None, (_hint(layout, run), harm.hint))) or None,
        detail={"layers": layers, "ends_mm": [list(point) for point in run.ends]} | harm.detail,
        group=group,
    )


def _beside(layout: Layout, run: OffReferenceRun) -> str:
    """What is true of the place: a pour behind the plane that serves as reference there is not
    nothing.
    """
    line = shapely.MultiLineString([list(at) for at in run.path])
    far = [
        pour for pour in layout.pours if pour.layer not in run.layers and pour.shape.covers(line)
    ]
    if line.is_empty or not far:
        return "without reference on either side"
    pour = min(far, key=lambda pour: min(abs(pour.layer - layer) for layer in run.layers))
    region, layer = layout.regions[pour.region].name, layout.layer_id(pour.layer)
    return (
        f"beside no pour of its nearest reference layers; the {region} pour on {layer} lies behind"
        " them"
    )


def _hint(layout: Layout, run: OffReferenceRun) -> str | None:
    """The shortest straight move that brings the whole run over the one pour that it touches; None
    if not proven.
    """
    if len(run.pours) != 1 or len(run.layers) != 1:
        return None
    pour = layout.pours[run.pours[0]]
    line = shapely.MultiLineString([list(line) for line in run.path])
    move = move_over(line, pour.shape)
    region = layout.regions[pour.region].name
    return (
        f"{move} to have the {region} pour on {layout.layer_id(pour.layer)} beside all of it"
        if move
        else None
    )
