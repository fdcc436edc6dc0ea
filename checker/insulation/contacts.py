"""What hardware, plated edges and nameless copper touch: conducting paths that contacts of named
nets do not tell.

A *conductor* is whatever has one potential by itself: a named net, a connected piece of nameless
copper, hardware without a net (on both faces if it lies on both), a plated edge. Conductors are
numbered: nets as `Bodies.names` counts, the others from there on.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from checker.findings import XY
from checker.geometry.boxes import BoxIndex, widened
from checker.geometry.nearest import between
from checker.insulation.conductors import Bodies, Source
from parsers.primitives import TOUCH, Floats, Ints, Rows


@dataclass(frozen=True, slots=True)
class Touch:
    """Two conductors that touch."""

    conductors: tuple[int, int]
    at: XY
    layer: int | None  # None: on several, within the walls of holes


def conductor_numbers(bodies: Bodies) -> Ints:
    """Number of the conductor that each body is part of."""
    net = bodies.shapes.net
    # an edge has a row per net
    own = np.where(bodies.source == Source.EDGE, bodies.nodes + bodies.origin, bodies.node)
    named = (net >= 0) & (bodies.source != Source.EDGE)
    return np.where(named, net, len(bodies.names) + own).astype(np.int32)


def conductor_name(bodies: Bodies, number: int) -> str:
    """Net name of a conductor; for one without a net, what it is."""
    if number < len(bodies.names):
        return bodies.names[number]
    node = number - len(bodies.names)
    return (
        "plated edge"
        if node >= bodies.nodes
        else bodies.net_name(int(np.argmax(bodies.node == node)))
    )


def touches(bodies: Bodies, also: Rows) -> Iterator[Touch]:
    """What hardware, plated edges and some more bodies touch, and what is touched by nameless
    copper that is reached.

    A screw head, a plated edge, or a piece of nameless copper touches another conductor once on
    each layer.

    Parameters
    ----------
    also : nameless bodies to start from, besides hardware and plated edges
    """
    number = conductor_numbers(bodies)
    nameless = number >= len(bodies.names)
    # what lies deep in a hole is touched by nothing on the face
    solid = bodies.source != Source.OPENED
    start = np.isin(bodies.source, [Source.EDGE, Source.HARDWARE]) | (
        nameless & np.isin(number, number[also])
    )
    start &= solid
    frontier = np.flatnonzero(start)
    if not len(frontier):
        return
    boxes = bodies.shapes.bounds()
    index = BoxIndex(boxes)
    done = np.zeros(len(bodies), dtype=np.bool_)
    while len(frontier):
        which, other = index.meeting(widened(boxes[frontier], TOUCH))
        one = frontier[which]
        again = done[other] | (start[other] & (other < one)) | ~solid[other]  # each pair once
        pairs = np.column_stack((one, other))[~again]
        met, places = _touching(bodies, number, pairs)
        yield from _once_each(bodies, number, met, places)
        done |= start
        start = nameless & np.isin(number, number[met[:, 1]]) & ~done & solid
        frontier = np.flatnonzero(start)


def walls_touching(bodies: Bodies) -> Iterator[Touch]:
    """Walls of plated holes and slots that meet, and are not of one conductor by their names: once
    for each pair.
    """
    number, layer = conductor_numbers(bodies), bodies.shapes.layer
    rows = np.flatnonzero(bodies.source == Source.WALL)
    row_of: dict[int, dict[int, int]] = {}
    for row in rows.tolist():
        row_of.setdefault(int(bodies.origin[row]), {})[int(layer[row])] = row
    for one, other in bodies.walls.tolist():
        shared = sorted(row_of[one].keys() & row_of[other].keys())
        a, b = row_of[one][shared[0]], row_of[other][shared[0]]
        if number[a] != number[b]:
            _, at, _ = between(bodies.shapes, np.array([a]), bodies.shapes, np.array([b]))
            yield Touch((int(number[a]), int(number[b])), (float(at[0, 0]), float(at[0, 1])), None)


def nameless_walls(bodies: Bodies) -> Rows:
    """Walls without a net of holes and slots that meet others: one that joins two nets has none."""
    walls = (bodies.source == Source.WALL) & (bodies.shapes.net < 0)
    rows: Rows = np.flatnonzero(walls & np.isin(bodies.origin, bodies.walls))
    return rows


def _touching(bodies: Bodies, number: Ints, pairs: Rows) -> tuple[Rows, Floats]:
    """Those of some pairs of bodies, shape (n, 2), that touch and are two conductors, and where
    they do.
    """
    one, other = pairs.T
    layer = bodies.shapes.layer
    pairs = pairs[(layer[one] == layer[other]) & (number[one] != number[other])]
    gap, at, _ = between(bodies.shapes, pairs[:, 0], bodies.shapes, pairs[:, 1])
    return pairs[gap <= TOUCH], at[gap <= TOUCH]


def _once_each(bodies: Bodies, number: Ints, pairs: Rows, places: Floats) -> Iterator[Touch]:
    """One touch of each thing with another conductor on a layer; two screws of one net are two
    things.
    """
    one, other = pairs.T
    screw = bodies.source[one] == Source.HARDWARE
    thing = np.where(screw, -1 - bodies.origin[one], number[one])
    keys = np.column_stack((thing, number[other], bodies.shapes.layer[one]))
    # the place does not depend on the order of the rows
    order = np.lexsort((places[:, 1], places[:, 0]))
    _, first = np.unique(keys[order], axis=0, return_index=True)
    for row in order[first].tolist():
        x, y = places[row].tolist()
        yield Touch(
            (int(number[one[row]]), int(number[other[row]])),
            (x, y),
            int(bodies.shapes.layer[one[row]]),
        )
