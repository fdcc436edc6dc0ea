"""Copper in the layer files that is not on the finished board: film marks beside it, lands that a
hole removes.

Only copper without a net is left out, and what was left out is told. Copper of a net that lies off
the board, or most of a layer off the board, means that profile and layers do not fit together: a
doubt.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from parsers.assembly.diagnostics import counted
from parsers.board import UNPLATED, Holes, Layer, Net, Outline
from parsers.primitives import Bools, Conductors, Floats, Kind, Rows
from parsers.trouble import Doubt

MOST = 0.5  # share of a layer's objects off the board above which the profile is doubted
MARGIN = 0.01  # mm; copper is off the board only if it stays this far from it


def off_board(copper: Conductors, outline: Outline | None) -> Bools:
    """Mask of copper that lies wholly outside the board's material (in cutouts too)."""
    outside = np.zeros(len(copper), dtype=np.bool_)
    if outline is None or not len(copper):
        return outside
    shapely.prepare(outline.shape)
    boxes = copper.bounds()
    middle = (boxes[:, :2] + boxes[:, 2:]) / 2
    # the middle lies on the copper
    straight = (copper.kind == Kind.DISC) | (copper.kind == Kind.STROKE)
    rows = np.flatnonzero(~(straight & shapely.contains_xy(outline.shape, middle)))
    reach = copper.radius[rows] + copper.slack()[rows] + MARGIN
    outside[rows] = ~shapely.dwithin(outline.shape, copper.skeletons(rows), reach)
    return outside


def drilled_away(copper: Conductors, holes: Holes, rows: Rows) -> Bools:
    """Mask of copper that lies wholly inside an unplated hole; only `rows` are looked at."""
    gone = np.zeros(len(copper), dtype=np.bool_)
    open_holes = np.flatnonzero(holes.plated == UNPLATED)
    if not len(open_holes) or not len(rows):
        return gone
    openings, shapes = holes.shapes()[open_holes], copper.shapes(rows)
    shape, hole = shapely.STRtree(openings).query(shapes, predicate="covered_by")
    passing = (holes.first[open_holes[hole]] <= copper.layer[rows[shape]]) & (
        copper.layer[rows[shape]] <= holes.last[open_holes[hole]]
    )
    gone[rows[shape[passing]]] = True
    return gone


def _sizes(copper: Conductors) -> Floats:
    """What each object counts for: if nets are told, only those, else the copper area; film marks
    are small.

    Marks beside a plane of one object are most of a layer's objects, and of little copper.
    """
    named = copper.net >= 0
    if named.any():
        return named.astype(np.float64)
    area: Floats = shapely.area(copper.shapes())
    return area


def tell_trimmed(
    copper: Conductors, outside: Bools, gone: Bools, layers: Sequence[Layer], nets: Sequence[Net]
) -> tuple[list[Doubt], list[Doubt]]:
    """Doubts and remarks on copper that is not on the board."""
    doubts: list[Doubt] = []
    remarks: list[Doubt] = []
    size = _sizes(copper)
    for index, layer in enumerate(layers):
        here = copper.layer == index
        beside = here & outside
        named = np.flatnonzero(beside & (copper.net >= 0))
        if len(named):
            names = sorted({nets[n].name for n in copper.net[named]})
            shown = ", ".join(names[:3]) + (", ..." if len(names) > 3 else "")
            why = f"{len(named)} objects of {shown}; does the profile fit?"
            what = counted(
                f"copper of nets on {layer.id} lies outside the board", len(named), "objects"
            )
            doubts.append(Doubt(what, why))
        if size[beside].sum() > MOST * size[here].sum():
            off = int(beside.sum())
            why = (
                f"{off} of {int(here.sum())} objects; does the profile fit, or are there several"
                " boards?"
            )
            what = counted(f"most copper of {layer.id} lies outside the board", off, "objects")
            doubts.append(Doubt(what, why))
        for mask, where in (
            (beside, "outside the board"),
            (here & gone & ~outside, "in unplated holes"),
        ):
            count = int((mask & (copper.net < 0)).sum())
            if count:
                remarks.append(
                    Doubt(
                        f"copper of {layer.id} {where}",
                        f"{count} objects without a net are left out",
                    )
                )
    return doubts, remarks
