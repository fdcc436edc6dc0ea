"""What a test netlist says besides names, held against the board: its edge, and holes that belong
to no net.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from parsers.assembly.diagnostics import counted
from parsers.board import PLATED, UNPLATED, Holes, Outline
from parsers.netlist import Netlist, Point
from parsers.trouble import Doubt, Place

EDGE = 0.25  # mm that two drawings of one edge may differ: the line they are drawn with
SAME_HOLE = 0.01  # mm between the centres of one hole in two files


def netlist_doubts(netlist: Netlist, drilled: Holes, outline: Outline | None) -> list[Doubt]:
    """Doubts where a netlist and the board disagree; for a netlist whose points meet the copper."""
    return [*_edges(netlist, outline), *_holes(netlist, drilled)]


def told_edge(netlist: Netlist | None) -> str:
    """What to write into the rules where only the netlist draws the board's edge; empty if it does
    not.
    """
    if netlist is None or len(netlist.edge) < len("xyz"):
        return ""
    places = netlist.edge[:-1] if netlist.edge[0] == netlist.edge[-1] else netlist.edge
    points = ", ".join(f"[{x:.3f}, {y:.3f}]" for x, y in places)
    return f"; {netlist.name} draws one: [outline] points = [{points}]"


def _edges(netlist: Netlist, outline: Outline | None) -> list[Doubt]:
    if not netlist.edge or outline is None:
        return []
    places = np.array(netlist.edge)
    own = np.concatenate((places.min(axis=0), places.max(axis=0)))
    board = np.array(shapely.bounds(outline.shape))
    if np.abs(own - board).max() <= EDGE:
        return []
    what = f"{netlist.name} and the profile disagree on the board's edge"
    why = (
        f"it spans {_span(own)} in the netlist, {_span(board)} in the profile; are they of the same"
        " revision?"
    )
    return [Doubt(what, why, Place(netlist.name))]


def _span(box: Sequence[float] | np.ndarray) -> str:
    return f"({box[0]:.3f}, {box[1]:.3f}) to ({box[2]:.3f}, {box[3]:.3f})"


def _holes(netlist: Netlist, drilled: Holes) -> list[Doubt]:
    """Holes without a net that the board lacks, or that are plated there."""
    there = list(zip(netlist.holes, _holes_at(netlist, drilled), strict=True))
    lost = [point for point, rows in there if not rows]
    plated = [
        point
        for point, rows in there
        if point.plated == UNPLATED and rows and (drilled.plated[rows] == PLATED).all()
    ]
    missing = f"holes of {netlist.name} are not on the board"
    other = f"holes that {netlist.name} has unplated are plated"
    return [
        *_told(netlist, missing, lost, "is a drill file missing?"),
        *_told(netlist, other, plated, "which one is right?"),
    ]


def _holes_at(netlist: Netlist, drilled: Holes) -> Sequence[list[int]]:
    """The holes of the board at each hole of the netlist."""
    if not netlist.holes or not len(drilled):
        return [[] for _ in netlist.holes]
    from scipy.spatial import cKDTree

    places = np.array([(point.x, point.y) for point in netlist.holes])
    reach = netlist.resolution / 2 + SAME_HOLE
    centres = drilled.middles(np.arange(len(drilled)))
    found: Sequence[list[int]] = cKDTree(centres).query_ball_point(places, reach)
    return found


def _told(netlist: Netlist, what: str, points: Sequence[Point], question: str) -> list[Doubt]:
    if not points:
        return []
    first = points[0]
    why = (
        f"for example the one of {first.hole:.3f} mm at ({first.x:.3f}, {first.y:.3f}); {question}"
    )
    return [Doubt(counted(what, len(points), "holes"), why, Place(netlist.name, first.line))]
