"""Holes of a package: its drill files in the numbers of the board, with plating and span; whether
they fit the pads.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import shapely

from parsers.assembly.connectivity import Connected
from parsers.assembly.diagnostics import Diagnostics, counted
from parsers.assembly.plausibility import mostly_bare
from parsers.board import PLATED, PLATING_UNKNOWN, UNPLATED, Holes, Outline, holes
from parsers.boxes import meeting, widened
from parsers.drill import Drilled, NumberFormat, Score, holes_of_image, on_places, read_drill
from parsers.package.images import read_image
from parsers.package.names import Tables
from parsers.package.roles import BY_NAME, DRILL, value_of
from parsers.package.sorting import Content, Item, Sorting
from parsers.package.stacking import Stack
from parsers.primitives import (
    NO_NET,
    TOUCH,
    Bools,
    Conductors,
    Floats,
    Ints,
    Kind,
    Rows,
    middles,
    stadiums,
)
from parsers.trouble import Doubt, FormatError, Place, line_for

SAME_HOLE = 0.01  # mm between centres of holes that are one hole
THROUGH_PADS = ("ViaPad", "ComponentPad")


def read_holes(
    sorting: Sorting,
    stack: Stack,
    tables: Tables,
    copper: Conductors,
    outline: Outline | None,
    diagnostics: Diagnostics,
) -> Holes:
    """Holes of all drill files in the board's numbers."""
    found = []
    parameters = sorting.parameters
    scores = _scores(copper, outline)
    files = sorting.readable(DRILL)
    for item in files:
        drilled, parameters = _drilled(item, parameters, scores, diagnostics)
        if drilled is not None:
            table = _translated(drilled, item, tables)
            found.append(
                _spanned(
                    _plated(table, item, diagnostics), item, len(stack.layers), files, diagnostics
                )
            )
    return _without_repeats(_joined(found), sorting, diagnostics)


def check_pads(
    sorting: Sorting, joined: Connected, tables: Tables, diagnostics: Diagnostics
) -> None:
    """A doubt if pads show that holes are missing: a drill file is not there, or was cut short."""
    copper, drilled = joined.copper, joined.holes
    if not (drilled.plated != UNPLATED).any() and _has_pairs_of_pads(copper, tables):
        what = "no plated holes" if sorting.of(DRILL) else "no drill file"
        why = "pads of vias or wired parts have no holes; add the drill files"
        diagnostics.doubt(Doubt(what, why))
        return
    rows = np.flatnonzero(_through(copper, tables))
    bare = rows[~_with_hole(copper, drilled, rows)]
    if len(bare):
        diagnostics.doubt(_without_holes(sorting, copper, bare))


def _without_holes(sorting: Sorting, copper: Conductors, bare: Rows) -> Doubt:
    first = bare[:1]
    x, y = middles(copper, first)[0]
    example = f"{len(bare)} pads, for example at ({x:.3f}, {y:.3f})"
    what = counted("pads of vias or wired parts have no holes", len(bare), "pads")
    place = _place(sorting, copper.take(first))
    return Doubt(what, f"{example}; is a drill file missing or cut short?", place)


def _place(sorting: Sorting, table: Conductors | Holes) -> Place:
    """Where in its file the first object of a table stands."""
    return Place(sorting.items[table.file[0]].name, int(table.line[0]) or None)


def _through(copper: Conductors, tables: Tables) -> Bools:
    """Mask of pads whose function says that a hole goes through them."""
    told = np.array([name.split(",")[0] in THROUGH_PADS for name in tables.functions] + [False])
    through: Bools = told[copper.function] & copper.pad
    return through


def _has_pairs_of_pads(copper: Conductors, tables: Tables) -> bool:
    """Whether pads ask for holes: by their function, or because two layers have one at the same
    place.
    """
    if _through(copper, tables).any():
        return True
    pads = copper.take(copper.pad)
    boxes = pads.bounds()
    places = np.column_stack((np.round((boxes[:, :2] + boxes[:, 2:]) / 2 / SAME_HOLE), pads.layer))
    distinct = np.unique(places, axis=0)
    return len(np.unique(distinct[:, :2], axis=0)) < len(distinct)


def _with_hole(copper: Conductors, drilled: Holes, rows: Rows) -> Bools:
    """Mask of pads that a hole meets on their layer."""
    met = np.zeros(len(rows), dtype=np.bool_)
    pads = copper.take(rows)
    for pad, hole in meeting(widened(pads.bounds(), TOUCH), drilled.bounds()):
        layer = pads.layer[pad]
        passing = (drilled.first[hole] <= layer) & (layer <= drilled.last[hole])
        met[pad[passing][_overlap(pads, pad[passing], drilled, hole[passing])]] = True
    return met


def _overlap(pads: Conductors, pad: Rows, drilled: Holes, hole: Rows) -> Bools:
    """Which pads overlap a hole, pair by pair: by their centres where both are round and not on the verge of it."""
    gap = (
        np.hypot(*(pads.geometry[pad, :2] - drilled.ends[hole, :2]).T)
        - pads.radius[pad]
        - drilled.radius[hole]
    )
    discs = (pads.kind[pad] == Kind.DISC) & (drilled.ends[hole, :2] == drilled.ends[hole, 2:]).all(
        axis=1
    )
    met: Bools = discs & (gap < -TOUCH)
    open_ = np.flatnonzero(~discs | (np.abs(gap) <= TOUCH))
    met[open_] = shapely.intersects(
        pads.shapes(pad[open_]), stadiums(drilled.ends[hole[open_]], drilled.radius[hole[open_]])
    )
    return met


def _drilled(
    item: Item, parameters: NumberFormat | None, scores: Sequence[Score], diagnostics: Diagnostics
) -> tuple[Drilled | None, NumberFormat | None]:
    """Holes of one file, and the number format to try for the next."""
    if item.content is Content.GERBER:
        image = read_image(item, diagnostics)
        found = holes_of_image(image, item.name, item.number) if image else None
    else:
        found = _drilled_by_program(item, parameters, scores, diagnostics)
    if found is not None:
        diagnostics.doubt(*found.doubts)
    return found, parameters


def _drilled_by_program(
    item: Item, parameters: NumberFormat | None, scores: Sequence[Score], diagnostics: Diagnostics
) -> Drilled | None:
    read = partial(read_drill, told=item.numbers, parameters=parameters, scores=scores)
    try:
        return read(item.member.data, item.name, item.number)
    except FormatError as error:
        diagnostics.doubt(Doubt(f"{item.name} cannot be read", error.message, error.place))
        return None


def _scores(copper: Conductors, outline: Outline | None) -> list[Score]:
    """What makes places of holes plausible: centres of pads, then the board itself."""
    scores = []
    pads = copper.pad
    if pads.any():
        boxes = copper.take(pads).bounds()
        scores.append(on_places((boxes[:, :2] + boxes[:, 2:]) / 2))
    if outline is not None:
        scores.append(_inside(outline.shape))
    return scores


def _inside(board: shapely.Geometry) -> Score:
    shapely.prepare(board)

    def share(centres: Floats) -> float:
        return float(shapely.covers(board, shapely.points(centres)).mean()) if len(centres) else 0.0

    return share


def _translated(drilled: Drilled, item: Item, tables: Tables) -> Holes:
    table = drilled.holes
    columns = tables.translate(drilled, table, table.middles)
    return replace(
        table,
        net=columns.net,
        component=columns.component,
        pin=columns.pin,
        function=columns.function,
    )


def _plated(table: Holes, item: Item, diagnostics: Diagnostics) -> Holes:
    """Plating: of the tools, else of the file; holes that nobody tells of are a doubt."""
    stated, of_file = table.plated != PLATING_UNKNOWN, item.role.plated
    against = int((stated & (table.plated != of_file)).sum())
    if against and of_file != PLATING_UNKNOWN:
        what = f"{item.name} contradicts itself on plating"
        why = f"{against} holes are stated otherwise than the file; the holes' own word is used"
        diagnostics.doubt(Doubt(counted(what, against, "holes"), why, Place(item.name)))
    if not stated.all() and len(table):
        _doubt_plating(item, int((~stated).sum()), diagnostics)
    plated = np.where(stated, table.plated, of_file).astype(np.int8)
    net = np.where(plated == UNPLATED, NO_NET, table.net).astype(np.int32)
    return replace(table, plated=plated, net=net)


def _doubt_plating(item: Item, unstated: int, diagnostics: Diagnostics) -> None:
    """A doubt where the file does not say itself how its holes without plating are plated."""
    role, place = item.role, Place(item.name)
    if role.plated == PLATING_UNKNOWN:
        what = counted(f"plating of {item.name} is not stated", unstated, "holes")
        why = f"{unstated} holes; {line_for(item.name, 'plated')}, or unplated"
        diagnostics.doubt(Doubt(what, why, place))
    elif role.source == BY_NAME and item.content is Content.PROGRAM:
        kind = "plated" if role.plated == PLATED else "unplated"
        remedy = f"if that is right, {line_for(item.name, value_of(role))}"
        why = f"nothing in the file says so; {remedy}"
        diagnostics.doubt(Doubt(f"{item.name} is taken for {kind} by its name", why, place))


def _spanned(
    table: Holes, item: Item, layers: int, files: Sequence[Item], diagnostics: Diagnostics
) -> Holes:
    """Layer span: as told, else through the whole board."""
    through = line_for(item.name, value_of(replace(item.role, span=(1, layers))))
    plating = [f for f in files if f.role.plated != UNPLATED]
    if item.role.span is None and layers > 2 and len(plating) > 1 and item in plating:
        why = "there are several drill files, so it may be blind or buried; if it goes through"
        what = f"layers drilled by {item.name} are not stated"
        diagnostics.doubt(Doubt(what, f"{why}, {through}", Place(item.name)))
    first, last = item.role.span or (1, layers)
    if first < 1 or last > layers:
        what = f"{item.name} drills layers {first} to {last}"
        why = f"the board has {layers} layers; is one missing? If it goes through these, {through}"
        diagnostics.doubt(Doubt(what, why, Place(item.name)))
    low, high = min(max(first, 1), layers) - 1, min(max(last, 1), layers) - 1
    return replace(table, first=_same(low, len(table)), last=_same(high, len(table)))


def _same(layer: int, count: int) -> Ints:
    return np.full(count, layer, dtype=np.int32)


def _joined(tables: Sequence[Holes]) -> Holes:
    """Tables of holes one below the other."""
    names = (
        "ends",
        "radius",
        "plated",
        "first",
        "last",
        "net",
        "component",
        "pin",
        "function",
        "file",
        "line",
    )
    if not tables:
        return holes()
    return Holes(**{name: np.concatenate([getattr(t, name) for t in tables]) for name in names})


def _without_repeats(table: Holes, sorting: Sorting, diagnostics: Diagnostics) -> Holes:
    """Drop holes that are drilled twice; a hole both plated and unplated is a doubt."""
    if len(table) < 2:
        return table
    cells = np.round(np.column_stack((table.ends, table.radius)) / SAME_HOLE)
    keys = np.column_stack((cells, table.first, table.last))
    _, first, group = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    twice = np.flatnonzero(table.plated != table.plated[first[group.reshape(-1)]])
    if len(twice):
        x, y = table.ends[twice[0], :2]
        what = f"{len(twice)} holes are both plated and unplated"
        why = f"for example at ({x:.3f}, {y:.3f}); remove them from one of the drill files"
        diagnostics.doubt(Doubt(what, why, _place(sorting, table.take(twice))))
    kept = np.union1d(first, twice)
    if len(kept) < len(table):
        why = f"{len(table) - len(kept)} repeated holes are counted once"
        diagnostics.remark(Doubt("holes drilled twice", why))
    return table.take(kept)


def check_holes(sorting: Sorting, joined: Connected, diagnostics: Diagnostics) -> None:
    """A doubt for each file whose plated holes mostly miss all copper: its origin or format is
    likely another.
    """
    table = joined.holes
    for file in np.unique(table.file).tolist():
        bare, plated = mostly_bare(joined, np.flatnonzero(table.file == file))
        if len(bare):
            x, y = table.ends[bare[0], :2]
            what = counted(
                f"plated holes of {sorting.items[file].name} meet no copper", len(bare), "holes"
            )
            why = (
                f"{len(bare)} of {plated}, for example at ({x:.3f}, {y:.3f}); have the drills"
                " another origin?"
            )
            diagnostics.doubt(
                Doubt(what, why, Place(sorting.items[file].name, int(table.line[bare[0]]) or None))
            )
