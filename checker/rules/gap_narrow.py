"""The copper of both sides stays as far apart as the isolators' own pads.

Why: an isolator is bought for the distance between its rows of pads. Pours that come closer than
that, on any layer, or a track beneath the part, make the barrier narrower than the part that was
paid for.

Measured: the narrowest distance, pad edge to pad edge, between the two sides' pads of each
isolator, seen from above; the least of these is what the barrier's pours are held to, any layer to
any layer. Supply planes count as tracks here. Beneath each isolator (the hull of its pads) all
other copper is held to the same, pours that are told already apart: copper of one side by its
distance from the other side's copper there, copper of other nets by the sum of its distances from
both; one finding per isolator, at its narrowest. The required clearance and creepage are other
rules' business.

Fix: pull the pours back to the isolator's rows of pads, keep the layers beneath it empty.

Source: `moatcheck explain words`; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from checker.findings import XY, Finding, Level, Path
from checker.geometry.nearest import Judged, Nearest, between, closest, pieces
from checker.insulation.conductors import ROUNDING, Bodies, bodies_of
from checker.insulation.separations import Separation, separations_of
from checker.insulation.shortfalls import down
from checker.layout.layout import Layout
from checker.layout.regions import Pour
from checker.rules import Rule
from checker.wording import plain
from parsers.primitives import Bools, Conductors, Floats, Kind, Rows, Shapes, conductors

# mm; by how much two circumscribed shapes may be closer than the copper that they stand for
SAME = 0.0015

RULE = Rule("gap-narrow", title="Gap narrower than its isolators", level=Level.WARNING)


@dataclass(frozen=True, slots=True)
class Part:
    """An isolator's pads on both sides and the distance that they keep."""

    refdes: str
    pads: Rows
    gap: float
    path: tuple[XY, XY]


@dataclass(frozen=True, slots=True)
class Narrow:
    """What makes the barrier narrower than its isolators."""

    gap: float
    path: Path
    nets: tuple[str, ...]
    layers: tuple[int, ...]
    to: tuple[str, ...] = ()  # of copper beneath an isolator: the nets that it comes close to


@dataclass(frozen=True, slots=True)
class Inside:
    """Bodies that reach inside a hull, and the part of each that does."""

    rows: Rows
    shapes: Shapes


def find(layout: Layout) -> Iterator[Finding]:
    """Pours, and copper beneath isolators, that are closer than the narrowest isolator."""
    bodies = bodies_of(layout)[0]
    boxes = bodies.shapes.bounds()
    for separation in separations_of(layout):
        parts = [
            p
            for refdes in separation.isolators
            if (p := _part(layout, bodies, separation, refdes)) is not None
        ]
        if not parts:
            continue
        least = min(parts, key=lambda part: (part.gap, part.refdes))
        narrow = _pours(layout, separation, least.gap)
        if narrow is not None:
            yield _finding(layout, separation, least, narrow, None)
        for part in sorted(parts, key=lambda part: part.refdes):
            beneath = _beneath(
                layout, separation, part, _inside(bodies, boxes, part.pads), least.gap, narrow
            )
            worst = min(beneath, key=_order, default=None)
            if worst is not None:
                yield _finding(layout, separation, least, worst, part.refdes)


def why_not(layout: Layout) -> str | None:
    """Why there is nothing to compare."""
    return (
        None if any(b.isolators for b in layout.rules.barriers) else "no barrier names an isolator"
    )


def _part(layout: Layout, bodies: Bodies, separation: Separation, refdes: str) -> Part | None:
    """An isolator measured, None if it has no pads on one of the sides."""
    pads = np.asarray(layout.pads_of(refdes), dtype=np.intp)
    first, second = (pads[np.isin(bodies.shapes.net[pads], list(nets))] for nets in separation.nets)
    near = _nearest(bodies.shapes, first, bodies.shapes, second, np.inf)
    if not len(near):
        return None
    return Part(refdes, pads, float(near.length[0]), (_xy(near.start[0]), _xy(near.end[0])))


def _nearest(
    a: Conductors,
    rows_a: Rows,
    b: Conductors,
    rows_b: Rows,
    limit: float,
    *,
    each_pair: bool = False,
) -> Nearest:
    """The closest pair of two groups, or the closest places of each pair, seen from above."""

    def judge(one: Rows, two: Rows) -> Judged:
        n = len(one)
        key = one.astype(np.int64) * len(b) + two if each_pair else np.zeros(n, dtype=np.int64)
        return Judged(key, np.zeros(n), np.full(n, limit))

    first, second = pieces(a, rows_a), pieces(b, rows_b)
    spread = np.concatenate((first.box, second.box))
    reach = min(limit, float(np.ptp(spread)) + 1.0) if len(spread) else 0.0
    return closest(first, second, reach, judge)


def _pours(layout: Layout, separation: Separation, least: float) -> Narrow | None:
    """The two sides' pours at their closest, if that is closer than the isolators."""
    sides = [_pours_of(layout, names) for names in separation.split]
    first, second = (_as_conductors([p.copper for p in side]) for side in sides)
    rows = np.arange(len(first)), np.arange(len(second))
    near = _nearest(first, rows[0], second, rows[1], least - ROUNDING, each_pair=True)
    found = []
    for row in range(len(near)):
        pours = sides[0][int(near.first[row])], sides[1][int(near.second[row])]
        names = tuple(layout.board.nets[pour.net].name for pour in pours)
        line = _xy(near.start[row]), _xy(near.end[row])
        layers = tuple(pour.layer for pour in pours)
        found.append(Narrow(float(near.length[row]), (line,), names, layers))
    return min(found, key=_order, default=None)


def _pours_of(layout: Layout, names: Iterable[str]) -> list[Pour]:
    """Pours of the reference copper of some regions."""
    regions = {layout.region_named(name).index for name in names}
    return [pour for pour in layout.pours if pour.region in regions and not pour.plane]


def _order(narrow: Narrow) -> tuple[float, bool, tuple[str, ...], tuple[int, ...]]:
    """Of equally narrow places one on a single layer, by name, then the highest; the last digit
    decides nothing.

    Names go before layers: two pieces of copper that narrow one gap from two layers are told by the
    same name when the board is turned over.
    """
    return round(narrow.gap, 6), len(set(narrow.layers)) > 1, narrow.nets, narrow.layers


def _as_conductors(polygons: list[shapely.Polygon]) -> Conductors:
    return conductors(len(polygons), kind=Kind.AREA, area=np.arange(len(polygons)), areas=polygons)


def _beneath(
    layout: Layout,
    separation: Separation,
    part: Part,
    here: Inside,
    least: float,
    told: Narrow | None,
) -> Iterator[Narrow]:
    """Copper beneath an isolator, other than its pads, that is too close; by net and layer.

    The two pours that were told are told again only where they come closer here.
    """
    bodies, rows = bodies_of(layout)[0], here.rows
    sides = [np.isin(bodies.shapes.net[rows], list(nets)) for nets in separation.nets]
    judged = ~np.isin(rows, part.pads) & ~np.isin(rows, separation.earthed)
    poured = _poured(layout, bodies, here, told)
    groups = np.stack((bodies.node[rows], bodies.shapes.layer[rows]), axis=1)
    for group in np.unique(groups[judged], axis=0):
        members = np.flatnonzero(judged & (groups == group).all(axis=1))
        narrow = _between_sides(bodies, here, members, sides)
        known = told is not None and bool(poured[members].all()) and narrow.gap >= told.gap - SAME
        if narrow.gap < least - ROUNDING and not known:
            yield narrow


def _between_sides(bodies: Bodies, here: Inside, members: Rows, sides: Sequence[Bools]) -> Narrow:
    """What some copper of one net and layer leaves of the gap: the ways to the sides that it does
    not belong to.
    """
    others = [np.flatnonzero(side) for side in sides if not side[members].all()]
    found = [_line_between(bodies, here, members, other) for other in others]
    lines = tuple(line for line, _ in found)
    own = int(here.rows[members[0]])
    to = tuple(bodies.net_name(int(here.rows[row])) for _, row in found)
    layers = (int(bodies.shapes.layer[own]),)
    return Narrow(sum(map(_length, lines)), lines, (bodies.net_name(own),), layers, to)


def _inside(bodies: Bodies, boxes: Floats, pads: Rows) -> Inside:
    """What reaches beneath a part: into the hull of its pads."""
    hull = shapely.convex_hull(shapely.union_all(bodies.shapes.shapes(pads)))
    x0, y0, x1, y1 = hull.bounds
    rows = np.flatnonzero(
        (boxes[:, 0] < x1) & (boxes[:, 2] > x0) & (boxes[:, 1] < y1) & (boxes[:, 3] > y0)
    )
    shapes = shapely.intersection(bodies.shapes.shapes(rows), hull)
    kept = shapely.area(shapes) > 0
    return Inside(rows[kept], shapes[kept])


def _line_between(
    bodies: Bodies, here: Inside, members: Rows, others: Rows
) -> tuple[tuple[XY, ...], int]:
    """The shortest line inside a hull, and which of the others it ends on.

    It is that of the whole bodies, which is exact, where that is the same.
    """
    gaps = shapely.distance(here.shapes[members][:, None], here.shapes[others][None, :])
    m, o = np.unravel_index(int(gaps.argmin()), gaps.shape)
    one, two = members[m], others[o]
    gap, start, end = between(bodies.shapes, here.rows[[one]], bodies.shapes, here.rows[[two]])
    if abs(gap[0] - gaps[m, o]) <= SAME:
        return (_xy(start[0]), _xy(end[0])), int(two)
    cut = shapely.get_coordinates(shapely.shortest_line(here.shapes[one], here.shapes[two]))
    return (_xy(cut[0]), _xy(cut[1])), int(two)


def _length(line: tuple[XY, ...]) -> float:
    return float(np.hypot(line[1][0] - line[0][0], line[1][1] - line[0][1]))


def _poured(layout: Layout, bodies: Bodies, here: Inside, told: Narrow | None) -> Bools:
    """Mask of bodies that belong to pours of nets and layers that were told."""
    rows, shapes = here.rows, here.shapes
    mask = np.zeros(len(rows), dtype=np.bool_)
    known = set(zip(told.nets, told.layers, strict=True)) if told is not None else set()
    for pour in layout.pours:
        if pour.plane or (layout.board.nets[pour.net].name, pour.layer) not in known:
            continue
        own = (bodies.shapes.net[rows] == pour.net) & (bodies.shapes.layer[rows] == pour.layer)
        mask |= own & shapely.intersects(pour.copper, shapes)
    return mask


def _finding(
    layout: Layout, separation: Separation, least: Part, narrow: Narrow, beneath: str | None
) -> Finding:
    layers = tuple(dict.fromkeys(narrow.layers))
    ids = [layout.layer_id(layer) for layer in layers]
    line = narrow.path[0]
    finding = layout.finding(
        RULE,
        message=_message(least, narrow, ids, beneath),
        at=((line[0][0] + line[-1][0]) / 2, (line[0][1] + line[-1][1]) / 2),
        layer=layers[0] if len(layers) == 1 else None,
        net_layers=narrow.layers,
        components=(beneath,) if beneath else (),
        path=narrow.path,
        measured=narrow.gap,
        required=least.gap,
        harm=1 - narrow.gap / least.gap,
        hint="Pull the copper back to the isolator's rows of pads, on every layer.",
        detail={
            "isolator": least.refdes,
            "isolator_path": [list(p) for p in least.path],
            "layers": ids,
        },
    )
    return replace(finding, nets=narrow.nets, regions=separation.regions)


def _message(least: Part, narrow: Narrow, layers: Sequence[str], beneath: str | None) -> str:
    what = " and ".join(dict.fromkeys(narrow.nets)) + f" on {' and '.join(layers)}"
    to = " and ".join(dict.fromkeys(narrow.to))
    how = f"narrows the gap to {to} beneath {beneath} to" if beneath else "come as close as"
    return f"{what} {how} {down(narrow.gap)} mm; {least.refdes} keeps {plain(least.gap)} mm"


def _xy(point: Floats) -> XY:
    return float(point[0]), float(point[1])
