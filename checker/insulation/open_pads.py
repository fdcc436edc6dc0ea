"""Nets of one pad near a barrier that float only because nothing says what feeds them: doubts."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from checker.geometry.nearest import Judged, closest_of
from checker.insulation.conductors import Bodies, bodies_of
from checker.insulation.requirements import Bound, bind
from checker.layout.layout import Layout, of_layout
from checker.layout.regions import CATCH_ALL
from parsers.primitives import Rows
from parsers.trouble import Doubt


@of_layout
def open_pads(layout: Layout) -> tuple[Doubt, ...]:
    """A doubt for each net of one pad within the required distance of the side opposite to its own.

    Pins of the barrier's own isolators are left out: that they may face the other side is what
    their listing says.
    """
    return tuple(doubt for bound in bind(layout).measured for doubt in _near(layout, bound))


def _near(layout: Layout, bound: Bound) -> Iterator[Doubt]:
    separation, bodies = bound.separation, bodies_of(layout)[0]
    reach = max((required.value for required in bound.wanted.values()), default=0.0)
    if not separation.regions or not bound.has_copper or reach <= 0:
        return
    lone = _lone(layout, bound)
    found: dict[int, str] = {}
    for number in _opposite(layout, bound):
        for net in _within(bodies, lone, separation.sides[number], reach + bound.tolerance):
            found.setdefault(net, separation.names[number])
    for net, side in sorted(found.items()):
        what = (
            f"net {bodies.names[net]} has one pad and counts as floating within {reach:g} mm of"
            f" {side}"
        )
        why = (
            "nothing tells what feeds it; name it in the nets of its region, or accept this with a"
            " reason"
        )
        yield Doubt(what, why, layout.rules.place(separation.key))


def _lone(layout: Layout, bound: Bound) -> Rows:
    """Bodies of nets of one pad that are no pins of the parts that span the barrier."""
    separation, copper = bound.separation, layout.board.copper
    listed = {*separation.isolators, *separation.straddling}
    parts = [n for n, refdes in enumerate(layout.board.refdes) if refdes in listed]
    nets = layout.lone.copy()
    own = np.isin(copper.component, parts) & (copper.net >= 0)
    nets[copper.net[own]] = False
    net = bodies_of(layout)[0].shapes.net
    known = (net >= 0) & (net < len(nets))
    rows: Rows = np.flatnonzero(known & np.append(nets, False)[np.where(known, net, -1)])
    return rows


def _opposite(layout: Layout, bound: Bound) -> tuple[int, ...]:
    """The side opposite to the region that claims the rest; both, where that is neither or none
    is.
    """
    own = [
        number
        for number, names in enumerate(bound.separation.split)
        if any(CATCH_ALL in layout.region_named(name).spec.nets for name in names)
    ]
    return (1 - own[0],) if own else (0, 1)


def _within(bodies: Bodies, rows: Rows, side: Rows, reach: float) -> list[int]:
    """Nets of some bodies that come nearer to a side than allowed, seen from above."""
    net = bodies.shapes.net

    def judge(one: Rows, _: Rows) -> Judged:
        return Judged(net[one].astype(np.int64), np.zeros(len(one)), np.full(len(one), reach))

    near = closest_of(bodies.shapes, rows, side, reach, judge)
    return sorted(set(near.key.tolist()))
