"""Etched parts: copper that is a part joins nets inside that part, and is never copper without a
name.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from parsers.assembly.connectivity import Connected, connect
from parsers.board import Holes, Net, holes
from parsers.primitives import UNKNOWN_NET, Conductors, concatenate
from tests.parsers.assembly.test_connectivity import area, disc, stroke

NETS = (Net("A"), Net("B"), Net("C"))
FUNCTIONS = ("EtchedComponent", "SMDPad,CuDef")
REFDES = ("JP1", "JP2")
PADS = (disc(0, 0, 0), disc(2, 0, 1))
NO_HOLES = holes()


def bridge(x0: float = 0.0, x1: float = 2.0, part: int = 0, net: int = UNKNOWN_NET) -> Conductors:
    """Etched copper between two places on y 0."""
    columns = {"function": 0, "component": part}
    row = area(shapely.box(x0, -0.2, x1, 0.2), net)
    return replace(
        row, **{name: np.array([value], dtype=np.int32) for name, value in columns.items()}
    )


def joined(*parts: Conductors, drilled: Holes = NO_HOLES) -> Connected:
    return connect(concatenate(list(parts)), drilled, NETS, 1, FUNCTIONS, REFDES)


def contacts(result: Connected) -> list[tuple[tuple[int, int], int]]:
    return [(c.nets, c.part) for c in result.connectivity.contacts]


def test_what_an_etched_part_joins_is_told_with_the_part() -> None:
    """The copper goes with the net that comes first; it is one conductor with it, and the other net
    stays apart.
    """
    result = joined(*PADS, bridge())
    assert result.copper.net.tolist() == [0, 1, 0]
    assert contacts(result) == [((0, 1), 0)]
    assert result.connectivity.island.tolist() == [0, 1, 0]


def test_without_its_function_the_same_copper_is_a_nameless_contact() -> None:
    plain = replace(bridge(), function=np.array([1], dtype=np.int32))
    result = joined(*PADS, plain)
    assert result.copper.net.tolist() == [0, 1, UNKNOWN_NET]
    assert contacts(result) == [((0, 1), -1)]


def test_the_part_of_nameless_etched_copper_is_that_of_the_pads_beside_it() -> None:
    pads = [replace(pad, component=np.array([1], dtype=np.int32)) for pad in PADS]
    assert contacts(joined(*pads, bridge(part=-1))) == [((0, 1), 1)]
    assert contacts(joined(pads[0], PADS[1], bridge(part=-1))) == [((0, 1), -1)]


def test_an_etched_part_on_one_net_joins_nothing() -> None:
    result = joined(disc(0, 0, 1), disc(2, 0, 1), bridge())
    assert result.copper.net.tolist() == [1, 1, 1]
    assert contacts(result) == []


def test_names_do_not_spread_through_etched_parts() -> None:
    """The trace beyond the bridge has no name of its own; the bridge does not lend it one."""
    result = joined(PADS[0], stroke(2, 0, 9, 0, UNKNOWN_NET), bridge())
    assert result.copper.net.tolist() == [0, UNKNOWN_NET, 0]
    assert contacts(result) == []


def test_an_etched_part_between_three_nets_joins_each_to_the_first() -> None:
    result = joined(*PADS, disc(4, 0, 2), bridge(0, 4))
    assert contacts(result) == [((0, 1), 0), ((0, 2), 0)]


def test_etched_copper_with_a_net_of_its_own_is_ordinary_copper() -> None:
    result = joined(*PADS, bridge(net=0))
    assert contacts(result) == [((0, 1), -1)]


def test_a_short_beside_an_etched_part_is_told_too() -> None:
    """Plain copper of A touches B right where the etched part does: one contact is the part's, one
    is nobody's.
    """
    result = joined(*PADS, bridge(), stroke(0, 0, 2, 0, 0))
    assert sorted(contacts(result)) == [((0, 1), -1), ((0, 1), 0)]


def test_copper_that_touches_the_etched_part_elsewhere_stays_with_its_conductor() -> None:
    """Two areas of one nameless conductor both touch the part: no edge between them and it is
    cut.
    """
    result = joined(
        disc(0, 0, UNKNOWN_NET), stroke(0, 0, 2, 0, UNKNOWN_NET), disc(2, 0, UNKNOWN_NET), bridge()
    )
    assert set(result.connectivity.island.tolist()) == {0}
