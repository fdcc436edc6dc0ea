"""A net that changes layer takes its return current along: its references are joined right beside
the via.

Why: the return current flows in the copper next to the trace. Where the trace dives to a layer with
another reference, the current must change sheets too; without a via or capacitor close by it
spreads between the planes, radiates, and couples into every other via.

Measured: at each plated hole where traces of one net meet on different layers, the references of
those traces (the nearest pour above and below, pours of one net on two layers being two
references). Each reference that is new on one side must be joined to one of the other side by a
plated hole that touches pours of that net on both layers, or by a `nets.stitching` capacitor
between both nets, within `limits.stitch`, centre to centre. `measured` is the distance to the
nearest such joint, none if there is none. Inside a crossing nothing is told again. Holes between
the same references are one group where one joint could serve them, or where nothing joins these
references at all.

Fix: put a stitching via (same net) or a capacitor (two nets) beside the via, or change layers over
one reference.

Source: common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf

import numpy as np
import shapely

from checker import wording
from checker.findings import XY, Finding, Level
from checker.geometry.boxes import widened
from checker.layout.causes import clusters
from checker.layout.fragments import judged_by_line
from checker.layout.layout import Layout, of_layout
from checker.layout.regions import Kind as Run
from checker.rules import Limit, Rule
from checker.wording import length as mm
from parsers.board import PLATED
from parsers.boxes import meeting
from parsers.primitives import TOUCH, Bools, Floats, Rows, Shapes, gaps

STITCH = Limit(
    "stitch",
    3.0,
    "mm",
    "a stitching via or capacitor nearer than this hands the return current over",
)
RULE = Rule(
    "return-handover",
    title="Return current is not handed over",
    level=Level.WARNING,
    limits=(STITCH,),
    shares="off_reference_runs",
    own=("stitch",),
)

Sheet = tuple[int, int]  # a reference: net and layer


@dataclass(frozen=True, slots=True)
class _Change:
    """A hole at which a net changes layer, with the references of each layer that its traces use
    there.
    """

    hole: int
    at: XY
    references: Mapping[int, frozenset[Sheet]]  # by layer
    nets: frozenset[int]  # of all these


@dataclass(frozen=True, slots=True)
class _Joint:
    """Something that joins two references, and how far away it is."""

    name: str
    distance: float
    at: XY


@dataclass(frozen=True, slots=True)
class _Handover:
    """A change of layer with the references before and after that nothing joins closely enough."""

    change: _Change
    old: Sheet
    new: Sheet
    joint: _Joint | None

    @property
    def sheets(self) -> frozenset[Sheet]:
        """Both references."""
        return frozenset((self.old, self.new))


_Find = Callable[[_Change], _Joint | None]
References = tuple[tuple[int, frozenset[Sheet]], ...]  # by layer, ascending


def find(layout: Layout) -> Iterator[Finding]:
    """Yield one finding per hole: its worst handover."""
    told = []
    for change in _changes(layout):
        worst = max(_handovers(layout, change), key=lambda pair: _distance(pair[2]), default=None)
        if worst is not None and not _in_crossing(layout, change):
            told.append(_Handover(change, *worst))
    for handover, group in zip(told, _groups(layout, told), strict=True):
        yield _finding(layout, handover, group)


def _groups(layout: Layout, told: Sequence[_Handover]) -> list[str]:
    """The group of each handover: those between the same references that one joint could serve, or
    that have none.
    """
    holes = shapely.points(np.array([handover.change.at for handover in told]).reshape(-1, 2))
    sheets = [handover.sheets for handover in told]
    owners = [() if handover.joint else ("not joined",) for handover in told]
    nets = [
        layout.board.net_name(int(layout.board.holes.net[handover.change.hole]))
        for handover in told
    ]
    keys = [""] * len(told)
    for members in clusters(holes, layout.limits[STITCH.name], sheets, owners):
        names = sorted(_name(layout, sheet) for sheet in sheets[members[0]])
        place = (
            min(told[i].change.at for i in members) if all(told[i].joint for i in members) else None
        )
        for i in members:
            keys[i] = repr((RULE.id, names, sorted({nets[i] for i in members}), place))
    return keys


def _handovers(layout: Layout, change: _Change) -> Iterator[tuple[Sheet, Sheet, _Joint | None]]:
    """Pairs of references before and after that are not joined closely enough, with the nearest
    joint.
    """
    for question in _questions(layout, tuple(change.references.items())):
        choices = [(find(change), sheet) for find, sheet in question.choices]
        joint, sheet = min(choices, key=lambda choice: _distance(choice[0]))
        if _distance(joint) > layout.limits[STITCH.name]:
            yield (sheet, question.new, joint) if question.after else (question.new, sheet, joint)


@dataclass(frozen=True, slots=True)
class _Question:
    """A reference that is new on one of two layers: what joins it nearest to those of the other?"""

    new: Sheet
    after: bool  # it is one of the lower layer's
    choices: tuple[tuple[_Find, Sheet], ...]  # the nearest joint, for each reference of the other


@of_layout
def _asked(_: Layout) -> dict[References, tuple[_Question, ...]]:
    """What `_questions` has made: most holes of a board change between the same references."""
    return {}


def _questions(layout: Layout, references: References) -> tuple[_Question, ...]:
    """What is to be asked at a hole with these references, layer by layer."""
    made = _asked(layout)
    if references not in made:
        made[references] = tuple(_new_questions(layout, references))
    return made[references]


def _new_questions(layout: Layout, references: References) -> Iterator[_Question]:
    for i, (_, before) in enumerate(references):
        for _, after in references[i + 1 :]:
            for new in sorted((after - before) | (before - after)):
                known = before if new in after else after
                choices = ((_joint_finder(layout, sheet, new), sheet) for sheet in sorted(known))
                yield _Question(new, new in after, tuple(choices))


def _joint_finder(layout: Layout, a: Sheet, b: Sheet) -> _Find:
    """What finds the joint of two references that is nearest to a hole."""
    if a[0] == b[0]:
        vias = _nearest_vias(layout, a[0], min(a[1], b[1]), max(a[1], b[1]))
        return lambda change: vias.get(change.hole)
    return lambda change: _nearest_capacitor(layout, change.at, a[0], b[0])


@of_layout
def _found_vias(_: Layout) -> dict[tuple[int, int, int], dict[int, _Joint]]:
    """What `_nearest_vias` has found, by net and layers."""
    return {}


def _nearest_vias(layout: Layout, net: int, first: int, last: int) -> dict[int, _Joint]:
    """By hole that refers to a net: the nearest plated hole of that net that joins its pours on two
    layers.
    """
    found = _found_vias(layout)
    if (net, first, last) not in found:
        found[net, first, last] = _vias_between(layout, net, first, last)
    return found[net, first, last]


def _vias_between(layout: Layout, net: int, first: int, last: int) -> dict[int, _Joint]:
    joins = np.intersect1d(_stitches_on(layout, net, first), _stitches_on(layout, net, last))
    if not len(joins):
        return {}
    from scipy.spatial import cKDTree

    holes = [change.hole for change in _changes(layout) if net in change.nets]
    away, best = cKDTree(_centres(layout)[joins]).query(_centres(layout)[holes])
    places = _centres(layout)[joins[best]].tolist()
    return {
        hole: _Joint("via", distance, (x, y))
        for hole, distance, (x, y) in zip(holes, np.atleast_1d(away).tolist(), places, strict=True)
    }


def _stitches_on(layout: Layout, net: int, layer: int) -> Rows:
    """Plated holes that touch a pour of a net on a layer."""
    found = [
        rows
        for pour, rows in zip(layout.pours, layout.stitches, strict=True)
        if (pour.net, pour.layer) == (net, layer)
    ]
    return np.unique(np.concatenate([np.empty(0, dtype=np.intp), *found]))


def _nearest_capacitor(layout: Layout, at: XY, a: int, b: int) -> _Joint | None:
    """The stitching capacitor whose farther pin is nearest."""
    named = set(layout.rules.nets.stitching)
    best: _Joint | None = None
    for component in layout.board.components:
        pins = [pin for pin in component.pins if pin.net in (a, b)]
        if component.refdes in named and {pin.net for pin in pins} == {a, b}:
            pin = max(pins, key=lambda pin: hypot(pin.at[0] - at[0], pin.at[1] - at[1]))
            joint = _Joint(component.refdes, hypot(pin.at[0] - at[0], pin.at[1] - at[1]), pin.at)
            best = min((joint, best), key=_distance)
    return best


def _distance(joint: _Joint | None) -> float:
    return inf if joint is None else joint.distance


@of_layout
def _changes(layout: Layout) -> tuple[_Change, ...]:
    """Plated holes at which traces of one net meet on two layers or more."""
    used: dict[int, set[int]] = defaultdict(set)
    holes, traces = _meetings(layout)
    for hole, layer in zip(holes.tolist(), layout.board.copper.layer[traces].tolist(), strict=True):
        used[hole].add(layer)
    several = sorted(hole for hole, layers in used.items() if len(layers) > 1)
    references = _references(layout, several)
    out = []
    for hole in several:
        found = {
            layer: references[layer][hole]
            for layer in sorted(used[hole])
            if references[layer][hole]
        }
        if len(found) > 1:
            nets = frozenset(net for sheets in found.values() for net, _ in sheets)
            out.append(_Change(hole, _xy(_centres(layout)[hole]), found, nets))
    return tuple(out)


def _meetings(layout: Layout) -> tuple[Rows, Rows]:
    """Pairs of a hole and a trace of the same net that reaches it, for nets that are no reference
    and no plane.
    """
    board, copper = layout.board, layout.board.copper
    carriers = [net for region in layout.regions for net in region.reference | region.planes]
    signal = (board.holes.net >= 0) & ~np.isin(board.holes.net, carriers)
    holes = np.flatnonzero(signal & (board.holes.plated == PLATED))
    lines: Bools = judged_by_line(copper) & (copper.net >= 0) & ~np.isin(copper.net, carriers)
    traces = np.flatnonzero(lines)
    if not len(holes) or not len(traces):
        return holes[:0], traces[:0]
    boxes = widened(board.holes.bounds()[holes], TOUCH)
    found = [
        _reaching(layout, traces[a], holes[b]) for a, b in meeting(layout.boxes[traces], boxes)
    ]
    none = (holes[:0], traces[:0])
    hole, trace = (np.concatenate(column) for column in zip(none, *found, strict=True))
    return hole, trace


def _reaching(layout: Layout, trace: Rows, hole: Rows) -> tuple[Rows, Rows]:
    """Those of some pairs whose trace reaches the wall of the hole, on a layer that it passes."""
    copper, holes = layout.board.copper, layout.board.holes
    layer = copper.layer[trace]
    fits = holes.net[hole] == copper.net[trace]
    fits &= (holes.first[hole] <= layer) & (holes.last[hole] >= layer)
    trace, hole = trace[fits], hole[fits]
    lines = shapely.linestrings(holes.ends[hole].reshape(-1, 2, 2))
    apart = gaps(copper.skeletons(trace), copper.radius[trace], lines, holes.radius[hole])
    near = apart <= TOUCH
    return hole[near], trace[near]


def _references(layout: Layout, holes: list[int]) -> list[dict[int, frozenset[Sheet]]]:
    """Per layer: the references that a trace finds above and below each hole."""
    points = _centres(layout)[holes]
    out = []
    for views in layout.reference_maps:
        sides = {id(view): view for view in (views.first, views.second)}.values()
        labels = np.column_stack([view.label_points(points) for view in sides])
        kinds, kind = np.unique(labels, axis=0, return_inverse=True)
        sheets = [_sheets(layout, row) for row in kinds.tolist()]
        out.append({hole: sheets[k] for hole, k in zip(holes, kind.tolist(), strict=True)})
    return out


def _sheets(layout: Layout, labels: Iterable[int]) -> frozenset[Sheet]:
    """The references that labels of a reference map stand for."""
    pours = (layout.pours[label] for label in labels if 0 <= label < len(layout.pours))
    return frozenset((pour.net, pour.layer) for pour in pours)


@of_layout
def _centres(layout: Layout) -> Floats:
    ends = layout.board.holes.ends
    middle: Floats = (ends[:, :2] + ends[:, 2:]) / 2
    return middle


def _in_crossing(layout: Layout, change: _Change) -> bool:
    """Whether the hole lies in a crossing of its net."""
    net, radius = (
        int(layout.board.holes.net[change.hole]),
        float(layout.board.holes.radius[change.hole]),
    )
    lines = _crossings(layout).get(net)
    return lines is not None and bool(
        shapely.dwithin(lines, shapely.Point(change.at), radius + TOUCH).any()
    )


@of_layout
def _crossings(layout: Layout) -> dict[int, Shapes]:
    """Per net: the lines of its crossings, or where it changes pours directly."""
    found: dict[int, list[shapely.Geometry]] = defaultdict(list)
    for run in layout.off_reference_runs:
        if run.kind is not Run.BARE:
            lines = [shapely.LineString(line) for line in run.path] or [
                shapely.Point(end) for end in run.ends
            ]
            found[run.net] += lines
    return {net: np.array(lines) for net, lines in found.items() if lines}


def _xy(point: Floats) -> XY:
    return float(point[0]), float(point[1])


def _name(layout: Layout, sheet: Sheet) -> str:
    return f"{layout.board.net_name(sheet[0])} on {layout.layer_id(sheet[1])}"


def _finding(layout: Layout, handover: _Handover, group: str) -> Finding:
    change, old, new, joint = handover.change, handover.old, handover.new, handover.joint
    net, limit = int(layout.board.holes.net[change.hole]), layout.limits[STITCH.name]
    names = [_name(layout, sheet) for sheet in (old, new)]
    region = int(layout.region_of_net[net])
    what = "a stitching via" if old[0] == new[0] else "a capacitor between both nets"
    finding = layout.finding(
        RULE,
        level=Level.NOTE if layout.is_slow(net) else RULE.level,
        message=_message(layout, handover, net, names),
        at=change.at,
        layer=next(iter(change.references)),
        nets=(net,),
        regions=(region,) if region >= 0 else (),
        path=((change.at, joint.at),) if joint else (),
        measured=None if joint is None else joint.distance,
        required=limit,
        harm=1000.0 if joint is None else joint.distance,
        hint=f"put {what} within {mm(limit)} of {wording.place(change.at)}",
        detail={
            "layers": [layout.layer_id(layer) for layer in change.references],
            "references": names,
            "joint": joint.name if joint else None,
        },
        group=group,
    )
    return replace(finding, reference_layers=tuple(layout.layer_id(s[1]) for s in (old, new)))


def _message(layout: Layout, handover: _Handover, net: int, names: Sequence[str]) -> str:
    references, joint = handover.change.references, handover.joint
    near = "no stitching via or capacitor joins them"
    if joint is not None:
        near = f"the nearest joint ({joint.name}) is {mm(joint.distance)} away"
    goes = f"{layout.board.net_name(net)} goes from {' to '.join(map(layout.layer_id, references))}"
    kept = handover.old in references[max(references)] & references[min(references)]
    return f"{goes}, its return from {names[0]} {'also ' if kept else ''}to {names[1]}: {near}"
