"""Where direct currents flow: how much of them enters some copper, and the way of most of it."""

from __future__ import annotations

import numpy as np
import shapely

from checker.findings import Path
from checker.returns.sheet import Sheet
from parsers.primitives import Bools, Floats, Rows

STEPS = 20_000  # nodes of a way at most


def entering(sheet: Sheet, potential: Floats, inside: Bools) -> float:
    """Current that enters some nodes while 1 A flows: over the branches that lead there, and at
    contacts on them, A.
    """
    flow = sheet.flows(potential)
    into = inside[sheet.second].astype(np.int8) - inside[sheet.first]
    across = float(np.maximum(flow * into, 0.0).sum())
    leaves = np.bincount(sheet.first, flow, len(inside)) - np.bincount(
        sheet.second, flow, len(inside)
    )
    # by contacts and pins; else 0
    given = np.bincount(sheet.label[inside], leaves[inside], sheet.size)
    return across + float(np.maximum(given, 0.0).sum())


def stream(sheet: Sheet, potential: Floats, inside: Bools) -> Path:
    """The way that most of the current takes through its densest place among some nodes."""
    density = np.where(inside, sheet.density(potential), 0.0)
    start = int(sheet.label[int(np.argmax(density))])
    steps = _Steps(sheet, potential)
    nodes = [*steps.follow(start, upstream=True)[::-1], *steps.follow(start, upstream=False)[1:]]
    line = shapely.simplify(shapely.LineString(sheet.spots[steps.node[nodes]]), sheet.grid.cell)
    return (tuple((round(x, 6), round(y, 6)) for x, y in line.coords),) if len(nodes) > 1 else ()


class _Steps:
    """From each merged node, the branches by which current leaves and arrives."""

    def __init__(self, sheet: Sheet, potential: Floats) -> None:
        first, second, flow = sheet.every_flow(potential)
        first, second = sheet.label[first], sheet.label[second]
        forward = flow > 0
        self.source, self.target = (
            np.where(forward, first, second),
            np.where(forward, second, first),
        )
        self.flow = np.abs(flow)
        self.order = {
            up: np.argsort(self.target if up else self.source, kind="stable")
            for up in (False, True)
        }
        self.node: Rows = np.zeros(sheet.size, dtype=np.intp)
        self.node[sheet.label[::-1]] = np.arange(len(sheet.label))[::-1]

    def follow(self, start: int, *, upstream: bool) -> list[int]:
        """Merged nodes from a start, each time over the branch that carries most."""
        ends, others = (self.target, self.source) if upstream else (self.source, self.target)
        order = self.order[upstream]
        ends = ends[order]
        way = [start]
        while len(way) < STEPS:
            low, high = np.searchsorted(ends, way[-1]), np.searchsorted(ends, way[-1], "right")
            branches = order[low:high]
            if not len(branches) or self.flow[branches].max() <= 0:
                break
            best = int(branches[np.argmax(self.flow[branches])])
            way.append(int(others[best]))
        return way
