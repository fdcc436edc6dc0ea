"""Every net keeps one region's reference pour beside it on its way across the board.

Why: over a gap the return current cannot follow the trace; it takes a detour round the gap, or has
no way at all where the regions are isolated. Loop, noise and emission grow with the detour, and the
trace carries the noise of one region into the other.

Measured: what a net's centre lines and areas lie over, above and below, joined through copper
contact and plated holes. It is an error where a connected run that is not only over one region
joins parts that are only over two: nothing carries the return current all the way. It is a warning
where one side alone changes from one region to another, or to a separate piece of one region's
pours on the same layer (a moat); a note where the other side shows one pour along all of such a
moat, no farther than three times the side that changes, and for nets that a tie shares, near that
tie. A part over one region that is shorter than `limits.unreferenced_run` and lies between places
over both is a hole in one of two sound planes and does not count. `measured` is the length over no
pour (of warnings and notes, without pour on the side that changes), without the net's lands.
`detail` has the detour of the return current (none if the regions are isolated, which is the
worst), the loop's area and inductance and, where the rules file gives the net's edge time, knee
frequency and estimated field; findings are ordered by that harm. On boards with many crossings the
worst ones are searched; `detour_at_least_mm` of the others is a length that their detour does not
fall below. Crossings of one net, or side by side, are one group.

Fix: route round the gap, cross it in a declared isolator, or bridge the reference beside the trace.

Source: `moatcheck explain words`; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from checker import wording
from checker.findings import Finding, Level
from checker.layout.causes import clusters
from checker.layout.layout import Layout
from checker.layout.lengths import middle_of
from checker.layout.regions import Kind, OffReferenceRun
from checker.returns.harm import Harm, harm_of_crossings
from checker.rules import Limit, Rule
from checker.wording import length as mm
from parsers.primitives import TOUCH

RULE = Rule(
    "gap-crossing",
    title="Trace crosses a gap",
    level=Level.ERROR,
    limits=(
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
        Limit(
            "plane_share",
            0.5,
            "share",
            "part of a region's territory that its pours on a layer cover to be its plane",
        ),
        Limit("unreferenced_run", 1.0, "mm", "longest run without reference on either side"),
    ),
    shares="off_reference_runs",
    own=(),
)
TOGETHER = 2.0  # mm; nets that cross nearer to each other than this cross together
# times as far as the side that changes: farther pours carry too little (common practice, no source)
FARTHER = 3.0


@dataclass(frozen=True, slots=True)
class _Crossing:
    """Stretches that are told as one: of one net, or of both nets of a pair."""

    runs: tuple[OffReferenceRun, ...]
    level: Level

    @property
    def longest(self) -> OffReferenceRun:
        """The run that is measured."""
        return max(self.runs, key=lambda s: s.length)

    @property
    def cause(self) -> tuple[Kind, tuple[int, ...]]:
        """What crossings of one group have in common."""
        return self.longest.kind, self.longest.regions


def find(layout: Layout) -> Iterator[Finding]:
    """Tell every crossing; nets of a pair that cross together are told once."""
    crossings = list(
        _paired(layout, [s for s in layout.off_reference_runs if s.kind is not Kind.BARE])
    )
    harms = harm_of_crossings(layout, [crossing.longest for crossing in crossings])
    for crossing, group, harm in zip(crossings, _groups(layout, crossings), harms, strict=True):
        yield _finding(layout, crossing, group, harm)


def _level(layout: Layout, run: OffReferenceRun) -> Level:
    if len(run.regions) > 1 and _near_its_tie(layout, run):
        return Level.NOTE
    if run.kind is Kind.MOAT and _carried_near(layout, run):
        return Level.NOTE
    return RULE.level if run.kind is Kind.GAP else Level.WARNING


def _carried_near(layout: Layout, run: OffReferenceRun) -> bool:
    """Whether the other side shows one pour all the way, not much farther than the side that
    changes.
    """
    if len(run.carriers) != 1:
        return False
    carrier = layout.pours[run.carriers[0]].layer
    changing = {layout.pours[i].layer for i in run.pours}
    return all(
        layout.height(layer, carrier)[0] <= FARTHER * layout.height(layer, other)[0] + TOUCH
        for layer in run.layers
        for other in changing
    )


def _near_its_tie(layout: Layout, run: OffReferenceRun) -> bool:
    """Whether a tie between all of its regions shares the net, and is within reach."""
    regions = {layout.regions[i].name for i in run.regions}
    where = _shape(run)
    return any(
        regions <= set(tie.between) and shapely.dwithin(layout.tie_copper(tie), where, tie.reach)
        for tie in layout.ties_of_net(run.net)
    )


def _shape(run: OffReferenceRun) -> shapely.Geometry:
    """Path and ends of a run as one geometry."""
    lines = [shapely.LineString(line) for line in run.path]
    return shapely.union_all([*lines, *shapely.points(np.array(run.ends or [run.bounds[:2]]))])


def _paired(layout: Layout, told: Sequence[OffReferenceRun]) -> Iterator[_Crossing]:
    """Crossings, those of declared pairs put together where both nets cross at one place."""
    partner = _partners(layout)
    left = list(told)
    while left:
        first = left.pop(0)
        mates = [s for s in left if s.net in partner.get(first.net, ()) and _together(first, s)]
        group = [
            first,
            *sorted(mates, key=lambda s: shapely.distance(_shape(first), _shape(s)))[:1],
        ]
        left = [s for s in left if all(s is not mate for mate in group)]
        yield _Crossing(tuple(group), max(_level(layout, s) for s in group))


def _partners(layout: Layout) -> dict[int, set[int]]:
    out: dict[int, set[int]] = {}
    for pair in layout.rules.nets.pairs:
        first, second = (set(layout.matching((name,)).tolist()) for name in pair)
        for one, other in ((first, second), (second, first)):
            for net in one:
                out.setdefault(net, set()).update(other - {net})
    return out


def _together(a: OffReferenceRun, b: OffReferenceRun) -> bool:
    alike = (a.kind, a.regions, a.layers) == (b.kind, b.regions, b.layers)
    return alike and bool(shapely.dwithin(_shape(a), _shape(b), max(TOGETHER, a.length, b.length)))


def _groups(layout: Layout, crossings: Sequence[_Crossing]) -> list[str]:
    """The group of each crossing: those of one kind between the same regions, of one net or side by
    side.
    """
    shapes = [shapely.union_all([_shape(s) for s in crossing.runs]) for crossing in crossings]
    causes = [crossing.cause for crossing in crossings]
    nets = [[s.net for s in crossing.runs] for crossing in crossings]
    keys = [""] * len(crossings)
    for members in clusters(shapes, TOGETHER, causes, nets):
        kind, regions = causes[members[0]]
        between = [layout.regions[i].name for i in regions]
        names = sorted({layout.board.net_name(net) for i in members for net in nets[i]})
        for i in members:
            keys[i] = repr((RULE.id, kind.value, between, names))
    return keys


def _finding(layout: Layout, crossing: _Crossing, group: str, harm: Harm) -> Finding:
    run = crossing.longest
    shapes = np.array([_shape(s) for s in crossing.runs])
    finding = layout.finding(
        RULE,
        level=crossing.level,
        message=_message(layout, crossing),
        at=middle_of(run),
        layer=run.layers[0],
        pours=run.pours,
        regions=run.regions,
        path=tuple(line for s in crossing.runs for line in s.path),
        bounds=tuple(shapely.total_bounds(shapes).tolist()),
        measured=run.length,
        required=0.0,
        harm=harm.number,
        hint="; ".join(filter(None, (_hint(layout, run), harm.hint))) or None,
        detail=_detail(layout, crossing) | harm.detail,
        group=group,
    )
    nets = sorted(layout.board.net_name(s.net) for s in crossing.runs)
    return replace(finding, nets=tuple(nets))


def _message(layout: Layout, crossing: _Crossing) -> str:
    run = crossing.longest
    nets = " and ".join(sorted(layout.board.net_name(s.net) for s in crossing.runs))
    layers = " and ".join(layout.layer_id(i) for i in run.layers)
    does = "cross" if len(crossing.runs) > 1 else "crosses"
    what = _crossed(layout, run)
    return f"{nets} on {layers} {does} {what}{_skewed(layout, crossing)}{_carried(layout, run)}"


def _crossed(layout: Layout, run: OffReferenceRun) -> str:
    """What a run crosses, from where to where, on which side if the other side is another
    matter.
    """
    names = [layout.regions[i].name for i in run.regions]
    over = " and ".join(_layers(layout, run.pours))
    if run.kind is Kind.MOAT:
        return f"a moat of {mm(run.length)} between {_pieces(layout, run, names[0])} on {over}"
    between = f"from {names[0]} to {' and '.join(names[1:])}"
    side = f" on {over}" if run.kind is Kind.TURN else ""
    if run.length > 0:
        return f"a gap of {mm(run.length)} {between}{side}"
    if run.path and run.kind is Kind.GAP:
        return f"{between} where it lies over both"
    return f"directly {between}{side}"


def _pieces(layout: Layout, run: OffReferenceRun, region: str) -> str:
    """The pours on both sides of a moat: pieces of one net, or of two nets of the region."""
    nets = sorted({layout.board.net_name(layout.pours[i].net) for i in run.pours})
    return (
        f"separate pieces of the {region} pour"
        if len(nets) < 2
        else f"the {' and '.join(nets)} pours of {region}"
    )


def _carried(layout: Layout, run: OffReferenceRun) -> str:
    """Which side carries the return current, where one side alone changes."""
    if run.kind is Kind.GAP:
        return ""
    if not run.carriers:
        return "; the other side has no pour along all of it" if run.kind is Kind.MOAT else ""
    names = dict.fromkeys(layout.regions[layout.pours[i].region].name for i in run.carriers)
    pour = f"the {' and '.join(names)} pour on {' and '.join(_layers(layout, run.carriers))}"
    if len(run.carriers) == 1 and (run.kind is Kind.TURN or _carried_near(layout, run)):
        return f"; {pour} carries the return current"
    if len(run.carriers) > 1:
        return f"; the other side has separate pieces of {pour}"
    return f"; {pour} is more than {FARTHER:g} times as far"


def _layers(layout: Layout, pours: Sequence[int]) -> list[str]:
    return list(dict.fromkeys(layout.layer_id(layout.pours[i].layer) for i in pours))


def _skewed(layout: Layout, crossing: _Crossing) -> str:
    """Which net of a pair is over no pour for longer, and by how much; nothing where both are
    alike.
    """
    shortest = min(crossing.runs, key=lambda s: s.length)
    skew = crossing.longest.length - shortest.length
    if skew <= TOUCH:
        return ""
    return f", skewed: {mm(skew)} more under {layout.board.net_name(crossing.longest.net)}"


def _detail(layout: Layout, crossing: _Crossing) -> dict[str, object]:
    run = crossing.longest
    detail: dict[str, object] = {
        "layers": [layout.layer_id(i) for i in run.layers],
        "ends_mm": [list(point) for point in run.ends],
        "kind": run.kind.value,
        "carried_by": [layout.layer_id(layout.pours[i].layer) for i in run.carriers],
    }
    if len(crossing.runs) > 1:
        lengths = {layout.board.net_name(s.net): round(s.length, 6) for s in crossing.runs}
        detail["pair_mm"] = lengths
        detail["skew_mm"] = round(max(lengths.values()) - min(lengths.values()), 6)
    return detail


def _hint(layout: Layout, run: OffReferenceRun) -> str | None:
    """The nearest declared tie between the regions, else the nearest isolator of their barrier, if
    there is one.
    """
    if len(run.regions) != 2:
        return None
    found = [
        ("tie between the regions,", layout.tie_copper(tie))
        for tie in layout.ties_between(*run.regions)
    ]
    barrier = layout.barrier_between(*run.regions)
    if not found and barrier is not None:
        found = [(f"isolator, {refdes},", _pads(layout, refdes)) for refdes in barrier.isolators]
    where = _shape(run)
    ways = [
        (shapely.shortest_line(where, copper), name)
        for name, copper in found
        if not shapely.is_empty(copper)
    ]
    if not ways:
        return None
    line, name = min(ways, key=lambda way: float(way[0].length))
    return (
        f"lead it across at the nearest {name} {mm(line.length)} away at"
        f" {wording.place(line.coords[-1])}"
    )


def _pads(layout: Layout, refdes: str) -> shapely.Geometry:
    return shapely.union_all(layout.board.copper.shapes(layout.pads_of(refdes)))
