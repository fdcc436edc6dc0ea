"""Pins of parts: a pin is one, however many layers, legs and automatic names its pads have."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest

from parsers.assembly.connectivity import Connected, connect
from parsers.assembly.pins import without_pins_of_vias
from parsers.board import PLATED, Holes, Net, holes
from parsers.primitives import UNKNOWN_NET, Conductors, concatenate
from tests.parsers.assembly.test_connectivity import disc, hole, stroke

REFDES = ("U1", "REF**")
FUNCTIONS = ("ComponentPad", "ViaPad")
NO_HOLES = holes()


def pad(
    x: float, y: float, net: int, part: int = 0, pin: int = 0, *, layer: int = 0, function: int = 0
) -> Conductors:
    """A round pad of 1 mm; pin -1 is not told."""
    one = disc(x, y, net, layer=layer)
    numbers = {"component": part, "pin": pin, "function": function}
    return replace(
        one, **{name: np.array([value], dtype=np.int32) for name, value in numbers.items()}
    )


def joined(
    parts: Sequence[Conductors], nets: Sequence[Net], drilled: Holes = NO_HOLES
) -> Connected:
    return connect(concatenate(list(parts)), drilled, nets, 2, FUNCTIONS, REFDES)


def test_a_pad_in_the_hole_of_a_pin_is_that_pins() -> None:
    """The land on the other layer names neither pin nor net; both are those of the pad that shares
    its hole.
    """
    found = joined(
        [pad(0, 0, 0, pin=3), pad(0, 0, UNKNOWN_NET, -1, -1, layer=1)],
        [Net("A")],
        hole(0, 0, PLATED),
    )
    assert found.copper.pin.tolist() == [3, 3]
    assert found.copper.component.tolist() == [0, 0]
    assert found.copper.net.tolist() == [0, 0]


@pytest.mark.parametrize(
    "land",
    [
        pad(0, 0, UNKNOWN_NET, -1, -1, layer=1, function=1),  # a via in the pad
        pad(0.3, 0, UNKNOWN_NET, -1, -1, layer=1),  # beside the hole
        pad(0, 0, UNKNOWN_NET, 1, -1, layer=1),  # of another part
    ],
    ids=["via", "beside", "another part"],
)
def test_other_lands_in_the_hole_of_a_pin_are_not_its_pads(land: Conductors) -> None:
    found = joined([pad(0, 0, 0, pin=3), land], [Net("A")], hole(0, 0, PLATED))
    assert found.copper.pin.tolist() == [3, -1]


def test_an_attribute_of_a_pin_that_is_still_set_is_not_the_vias() -> None:
    table = concatenate([pad(0, 0, 0, pin=3), pad(5, 0, 0, pin=3, function=1)])
    assert without_pins_of_vias(table, FUNCTIONS).pin.tolist() == [3, -1]
    assert without_pins_of_vias(table, FUNCTIONS).component.tolist() == [0, -1]


def test_legs_of_a_pin_are_joined_inside_the_part() -> None:
    """Two tabs of a shell: the trace at the second has the name of the first, and all is one piece,
    not one island.
    """
    found = joined(
        [pad(0, 0, 0), pad(9, 0, UNKNOWN_NET), stroke(9, 0, 15, 0, UNKNOWN_NET)], [Net("A")]
    )
    assert found.copper.net.tolist() == [0, 0, 0]
    assert found.connectivity.piece.tolist() == [0, 0, 0]
    assert found.connectivity.island.tolist() == [0, 1, 1]


def test_pads_of_parts_that_nobody_has_numbered_are_not_joined() -> None:
    found = joined([pad(0, 0, 0, part=1), pad(9, 0, UNKNOWN_NET, part=1)], [Net("A")])
    assert found.copper.net.tolist() == [0, UNKNOWN_NET]
    assert len(set(found.connectivity.piece.tolist())) == 2


@dataclass(frozen=True)
class Open:
    """Pads with automatic names, and the nets that they have in the end."""

    name: str
    nets: tuple[Net, ...]
    pads: tuple[Conductors, ...]
    found: tuple[int, ...]


RING = tuple(Net(f"unconnected-(U1-Pad1)_{i}") for i in range(3))
OPEN = (
    Open("one pin, one net", RING, (pad(0, 0, 0), pad(5, 0, 1), pad(9, 0, 2)), (0, 0, 0)),
    Open(
        "pads that touch, pins apart",
        RING,
        (pad(0, 0, 0), pad(0.9, 0, 1, pin=1), pad(9, 0, 2, pin=2)),
        (0, 0, 2),
    ),
    Open(
        "a net with other copper",
        RING,
        (pad(0, 0, 0), pad(5, 0, 1), stroke(5, 0, 9, 0, 1)),
        (0, 1, 1),
    ),
    Open(
        "names that are no automatic ones",
        (Net("A"), Net("B")),
        (pad(0, 0, 0), pad(5, 0, 1)),
        (0, 1),
    ),
    Open(
        "live pins that touch",
        (Net("Net-(U1-A)"), Net("Net-(U1-B)")),
        (pad(0, 0, 0), pad(0.9, 0, 1, pin=1)),
        (0, 1),
    ),
    Open(
        "stated to be single",
        (Net("N/C", True), Net("N/C", True)),
        (pad(0, 0, 0), pad(0.9, 0, 1, pin=1)),
        (0, 0),
    ),
    Open(
        "several parts of one name",
        (Net("N/C", True), Net("N/C", True)),
        (pad(0, 0, 0, part=1), pad(9, 0, 1, part=1)),
        (0, 1),
    ),
)


@pytest.mark.parametrize("case", OPEN, ids=lambda c: c.name)
def test_open_pads_of_a_pin_have_one_net(case: Open) -> None:
    """And no contact is told between those names."""
    result = joined(case.pads, case.nets)
    assert tuple(result.copper.net.tolist()) == case.found
    touching = {c.nets for c in result.connectivity.contacts}
    assert touching == ({(0, 1)} if case.name == "live pins that touch" else set())
