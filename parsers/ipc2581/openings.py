"""Holes and slots: round openings to strokes of the tool, all others to cutouts of the board."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np
import shapely

from parsers.assembly.diagnostics import Diagnostics
from parsers.board import PLATED, UNPLATED, Holes, holes
from parsers.columns import Columns, joined
from parsers.ipc2581.columns import Owners, Sets, hole_rows, nearest, owners_of
from parsers.ipc2581.layers import COPPER, DRILLED, ROUTED, LayerPlan
from parsers.ipc2581.parts import Parts, nothing
from parsers.ipc2581.raw import FROM_FEATURES, FROM_PADSTACKS, Document
from parsers.ipc2581.resolve import Resolver
from parsers.ipc2581.sketch import Longs
from parsers.primitives import NO_NET, UNKNOWN_NET, Bools, Floats, Ints, Kind, arc_points

ROUND_SLACK = 0.002  # mm; how far an outline may stray from a slot with round ends and still be one
CHORD = 0.0005  # mm; how far the straight strokes of a curved slot may stray from it


@dataclass(frozen=True, slots=True)
class Cuts(Columns):
    """Tool strokes as columns, before nets."""

    ends: Floats
    radius: Floats
    plated: Longs
    group: Longs  # set
    line: Longs
    function: Longs  # index into FUNCTIONS


FUNCTIONS = ("MechanicalDrill", "ComponentDrill", "ViaDrill")


def openings_of(
    document: Document,
    sets: Sets,
    plan: LayerPlan,
    step: int,
    resolver: Resolver,
    doubts: Diagnostics,
) -> tuple[Cuts, list[tuple[shapely.Geometry, bool]]]:
    """All drilled and routed openings of a step, as tool strokes and as shapes that no stroke
    makes.
    """
    unit = document.dictionaries.cad_unit
    drilled = _drilled(document, sets, step, unit, doubts)
    routed, cutouts = _slots(document, sets, step, resolver, doubts)
    drawn = _routed_lines(document, sets, step, resolver, doubts)
    return joined([drilled, routed, drawn]), cutouts


def _drilled(document: Document, sets: Sets, step: int, unit: float, doubts: Diagnostics) -> Cuts:
    rows = _usable(_own_rows(document, sets, step, unit, doubts), doubts)
    at = rows[:, 0:2] * unit
    function = np.where(rows[:, 7] > 0, 2, np.where(rows[:, 3] == UNPLATED, 0, 1))
    plated, group, line = rows[:, 3:6].astype(np.int64).T
    radius = rows[:, 2] * unit / 2 * np.where(rows[:, 6] > 0, math.sqrt(2), 1.0)
    return Cuts(np.hstack((at, at)), radius, plated, group, line, function)


def _own_rows(
    document: Document, sets: Sets, step: int, unit: float, doubts: Diagnostics
) -> Floats:
    """Holes of the step; those of padstacks where the features have none."""
    rows = hole_rows(document)
    group = rows[:, 4].astype(np.int64)
    mine, origin = sets.step[group] == step, sets.origin[group]
    mine &= (origin == FROM_FEATURES) | _only_in_padstacks(rows, mine, origin, unit, doubts)
    own: Floats = rows[mine]
    return own


def _usable(rows: Floats, doubts: Diagnostics) -> Floats:
    """Holes with a size and a place; square ones are told."""
    square = rows[rows[:, 6] > 0]
    if len(square):
        why = "it is taken as the circle round it"
        doubts.add("a square hole", why, int(square[0, 5]), count=len(square))
    good = np.isfinite(rows[:, 0:3]).all(axis=1) & (rows[:, 2] > 0)
    good &= (np.abs(rows[:, 0:2]) < 1e6).all(axis=1)
    if not good.all():
        line = int(rows[~good][0, 5])
        doubts.add("a hole without a usable size or place", "it is left out", line)
    return rows[good]


def _only_in_padstacks(
    rows: Floats, mine: Bools, origin: Longs, unit: float, doubts: Diagnostics
) -> Bools:
    """Holes that only the padstacks know: read, and doubtful if other holes are drawn in drill
    layers.
    """
    design = mine & (origin == FROM_PADSTACKS)
    drawn = mine & (origin == FROM_FEATURES)
    alone: Bools = design & (
        nearest(rows[:, 0:2] * unit, np.where(drawn[:, None], rows[:, 0:2] * unit, np.nan)) < 0
    )
    if drawn.any() and alone.any():
        doubts.add(
            "a hole of a padstack that no drill layer has",
            "it is taken as drilled; compare padstacks and drill layers",
            int(rows[alone][0, 5]),
            count=int(alone.sum()),
        )
    return alone


def _slots(
    document: Document, sets: Sets, step: int, resolver: Resolver, doubts: Diagnostics
) -> tuple[Cuts, list[tuple[shapely.Geometry, bool]]]:
    owners = owners_of(document.openings)
    keep = sets.step[owners.group] == step
    parts = resolver.parts(document.openings, keep, np.zeros(len(owners), dtype=np.bool_))
    plated = owners.kind[parts.owner]
    strokes, cutouts = _tool_strokes(parts)
    cuts = _cuts(strokes, owners, parts, plated)
    for row, _ in cutouts:
        if plated[row] == PLATED:
            why = "its wall is taken as plated edge, not as a joint"
            line = int(owners.line[parts.owner[row]])
            doubts.add("a plated opening that is no slot", why, line)
    cuts = replace(cuts, function=np.where(cuts.plated == UNPLATED, 0, 1))
    return cuts, [(shape, bool(plated[row] == PLATED)) for row, shape in cutouts]


def _cuts(strokes: list[Stroke], owners: Owners, parts: Parts, plated: Longs) -> Cuts:
    """Strokes of a tool as columns; mechanical drills until it is said what they are."""
    rows = np.array([row for row, *_ in strokes], dtype=np.intp)
    return Cuts(
        np.array([ends for _, ends, _ in strokes]).reshape(-1, 4),
        np.array([radius for *_, radius in strokes]),
        plated[rows],
        owners.group[parts.owner[rows]],
        owners.line[parts.owner[rows]],
        np.zeros(len(rows), dtype=np.int64),
    )


Stroke = tuple[int, tuple[float, float, float, float], float]  # row, ends, radius


def _tool_strokes(parts: Parts) -> tuple[list[Stroke], list[tuple[int, shapely.Geometry]]]:
    """Openings as strokes of a round tool, and those that are none."""
    strokes: list[Stroke] = []
    cutouts: list[tuple[int, shapely.Geometry]] = []
    objects = parts.objects
    for row, kind in enumerate(objects.kind.tolist()):
        x0, y0, x1, y1, sweep = objects.geometry[row].tolist()
        radius = float(objects.radius[row])
        if kind == Kind.DISC:
            strokes.append((row, (x0, y0, x0, y0), radius))
        elif kind == Kind.STROKE:
            strokes.append((row, (x0, y0, x1, y1), radius))
        elif kind == Kind.ARC:
            points = arc_points((x0, y0), x1, y1, sweep, tolerance=CHORD)
            strokes.extend((row, (*a, *b), radius) for a, b in itertools.pairwise(points))
        elif stroke := rounded_slot(shape := objects.areas[objects.area[row]]):
            strokes.append((row, *stroke))
        else:
            cutouts.append((row, shape))
    return strokes, cutouts


def rounded_slot(shape: shapely.Geometry) -> tuple[tuple[float, float, float, float], float] | None:
    """Ends and radius of the tool stroke that makes this opening, None if none does.

    Examples
    --------
    >>> stroke = rounded_slot(shapely.LineString([(0, 0), (3, 0)]).buffer(0.5, quad_segs=64))
    >>> [round(abs(value), 3) for value in (*stroke[0], stroke[1])]
    [0.0, 0.0, 3.0, 0.0, 0.5]
    >>> rounded_slot(shapely.box(0, 0, 3, 1)) is None
    True
    """
    if len(shape.interiors):
        return None
    box = np.asarray(shape.minimum_rotated_rectangle.exterior.coords)[:4]
    sides = box[1] - box[0], box[2] - box[1]
    long, short = sorted(sides, key=lambda side: -float(np.hypot(*side)))
    radius, length = float(np.hypot(*short)) / 2, float(np.hypot(*long))
    along = long / length if length else long
    half = max(length / 2 - radius, 0.0)
    ends = np.concatenate((box.mean(axis=0) - along * half, box.mean(axis=0) + along * half))
    if _strays(shape, shapely.LineString(ends.reshape(2, 2)), radius) > ROUND_SLACK:
        return None
    x0, y0, x1, y1 = ends.tolist()
    return (x0, y0, x1, y1), radius


def _strays(shape: shapely.Geometry, spine: shapely.Geometry, radius: float) -> float:
    """How far corners and middles of an opening's edges stray from a stroke."""
    corners = np.asarray(shape.exterior.coords)
    edges = shapely.linestrings(np.stack((corners[:-1], corners[1:]), axis=1))
    middles = shapely.line_interpolate_point(edges, 0.5, normalized=True)
    away = shapely.distance(spine, np.concatenate((shapely.points(corners), middles)))
    return float(np.abs(away - radius).max())


def _routed_lines(
    document: Document, sets: Sets, step: int, resolver: Resolver, doubts: Diagnostics
) -> Cuts:
    """Lines drawn on routing layers: cutter paths, taken where they lie inside the board (see
    `outline`).
    """
    routed = [name for name, layer in document.layers.items() if layer.function in ROUTED]
    numbers = [document.tables.layers[name] for name in routed if name in document.tables.layers]
    owners = owners_of(document.copper)
    keep = (sets.step[owners.group] == step) & np.isin(sets.layer[owners.group], numbers)
    if not keep.any():
        parts = nothing()
    else:
        parts = resolver.parts(document.copper, keep, np.zeros(len(owners), dtype=np.bool_))
    strokes, cutouts = _tool_strokes(parts)
    if cutouts:
        line = int(owners.line[parts.owner[cutouts[0][0]]])
        what, why = "an area on a routing layer", "what it removes is not read"
        doubts.add(what, why, line, count=len(cutouts))
    drawn = np.full(len(parts), ROUTED_DRAWING, dtype=np.int64)
    return _cuts(strokes, owners, parts, drawn)


# in place of a plating: a drawn cutter path, which counts only inside the board
ROUTED_DRAWING = -2


def inside_only(cuts: Cuts, board: shapely.Geometry | None, doubts: Diagnostics) -> Cuts:
    """Without drawn cutter paths that run along the edge of the board or outside it, which the
    profile shows.
    """
    drawn = np.flatnonzero(cuts.plated == ROUTED_DRAWING)
    if not drawn.size:
        return cuts
    keep = np.ones(len(cuts.plated), dtype=np.bool_)
    if board is not None:
        lines = shapely.linestrings(cuts.ends[drawn].reshape(-1, 2, 2))
        core = shapely.buffer(board, -1e-3)
        keep[drawn] = shapely.intersects(lines, core)
    if keep[drawn].any():
        line = int(cuts.line[drawn[keep[drawn]][0]])
        doubts.add(
            "a cutter path drawn inside the board",
            "it is taken as an unplated slot; compare it",
            line,
        )
    plated = np.where(cuts.plated == ROUTED_DRAWING, UNPLATED, cuts.plated)
    return replace(cuts, plated=plated).take(keep)


def holes_table(
    cuts: Cuts,
    document: Document,
    sets: Sets,
    plan: LayerPlan,
    net_numbers: Ints,
    pads: tuple[Owners, Floats],
    doubts: Diagnostics,
) -> Holes:
    """Holes with span, net and the pin of the pad that they stand in."""
    first, last = _spans(cuts, document, sets, plan, doubts)
    component, pin = _pins_of(cuts, *pads)
    return holes(
        len(cuts.radius),
        ends=cuts.ends,
        radius=cuts.radius,
        plated=cuts.plated.astype(np.int8),
        first=first,
        last=last,
        net=_nets_of(cuts, sets, net_numbers),
        component=component,
        pin=pin,
        function=cuts.function,
        line=cuts.line,
    )


def _nets_of(cuts: Cuts, sets: Sets, net_numbers: Ints) -> Ints:
    said = sets.net[cuts.group]
    net = np.where(said == -2, NO_NET, UNKNOWN_NET).astype(np.int32)
    net[said >= 0] = net_numbers[said[said >= 0]]
    net[cuts.plated == UNPLATED] = NO_NET
    return net


def _pins_of(cuts: Cuts, owners: Owners, places: Floats) -> tuple[Ints, Ints]:
    """Part and pin of the pad that each hole stands in, -1 where none does."""
    if not len(owners):
        none = np.full(len(cuts.radius), -1, dtype=np.int32)
        return none, none
    centres = (cuts.ends[:, 0:2] + cuts.ends[:, 2:4]) / 2
    pad = nearest(centres, np.where((owners.pin >= 0)[:, None], places, np.nan))
    found = (pad >= 0) & (cuts.plated != UNPLATED)
    return np.where(found, owners.component[pad], -1), np.where(found, owners.pin[pad], -1)


def _spans(
    cuts: Cuts, document: Document, sets: Sets, plan: LayerPlan, doubts: Diagnostics
) -> tuple[Longs, Longs]:
    names = [str(name) for name in document.tables.layers]
    bottom = max(len(plan.layers) - 1, 0)
    table = np.zeros((len(names) + 1, 2), dtype=np.int64)
    table[:, 1] = bottom
    for number in np.unique(sets.layer[cuts.group]):
        if number >= 0:
            table[number] = _span_of(names[number], document, plan, doubts)
    spans = table[sets.layer[cuts.group]]
    first, last = spans[:, 0].copy(), spans[:, 1].copy()
    if document.spans:
        for row in np.flatnonzero(np.isin(cuts.group, list(document.spans))):
            first[row], last[row] = _reached(
                document.spans[int(cuts.group[row])], plan, "a padstack", 0, doubts
            )
    return first, last


def _span_of(
    name: str, document: Document, plan: LayerPlan, doubts: Diagnostics
) -> tuple[int, int]:
    """Copper layers that holes on a layer of this name reach."""
    bottom = max(len(plan.layers) - 1, 0)
    layer = document.layers.get(name)
    if layer is None:
        if name in plan.places:
            return plan.places[name]
        doubts.add(
            f"holes on {name}, which is no layer and no stackup group",
            "they are taken to go through the board",
        )
        return 0, bottom
    if layer.function in COPPER:
        doubts.add(
            f"holes on copper layer {name}", "they are taken to go through the board", layer.line
        )
        return 0, bottom
    if layer.function not in DRILLED | ROUTED and layer.span is None:
        doubts.add(
            f"holes on layer {name} of function {layer.function}",
            "taken to go through the board",
            layer.line,
        )
    return (
        _reached(layer.span, plan, f"layer {name}", layer.line, doubts)
        if layer.span
        else (0, bottom)
    )


def _reached(
    span: tuple[str | None, str | None], plan: LayerPlan, whose: str, line: int, doubts: Diagnostics
) -> tuple[int, int]:
    first, last = plan.reach(span[0], end=False), plan.reach(span[1], end=True)
    if first is None or last is None:
        missing = span[0] if first is None else span[1]
        doubts.add(
            f"the span of {whose} names {missing}, which is no layer",
            "its holes are taken to go through",
            line,
        )
        return 0, max(len(plan.layers) - 1, 0)
    return min(first, last), max(first, last)
