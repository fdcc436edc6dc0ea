"""Pins of parts read from both formats: one board, one list of nets, pins, floating nets, doubts
and findings.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from checker.demo.sketch import RECTANGLE, Draw, Pad, Part, Pour, Sketch, box
from checker.layout.layout import Layout
from checker.rules import registry
from parsers.board import Board, Hints, NamedPlace
from tests.boards import Way, layout_of, through_gerber, through_ipc2581

FILES = pytest.mark.parametrize("way", [through_gerber, through_ipc2581])
OPEN = "unconnected-(H1-Pad1)"
RULES = """
schema = 1
[region.a]
reference = ["GND"]
nets = ["*"]
[region.b]
reference = ["GND_B"]
nets = ["B_*"]
"""
PARTS = (Part(refdes="H1"), Part(refdes="U1"))


def pad(
    net: str | None, x: float, y: float = 5, refdes: str = "H1", pin: str = "1", layer: str = "L1"
) -> Pad:
    return Pad(net=net, layer=layer, at=(x, y), size=(1.0, 1.0), refdes=refdes, pin=pin)


def board(*pads: Pad, draws: tuple[Draw, ...] = ()) -> Sketch:
    """Pads over two pours that leave a gap at x 20..22, and a trace over the gap."""
    return Sketch(
        outline=box(0, 0, 40, 20),
        pours=(
            Pour(net="GND", layer="L2", contour=box(1, 1, 20, 19)),
            Pour(net="GND_B", layer="L2", contour=box(22, 1, 39, 19)),
        ),
        draws=(Draw(net="SIG", layer="L1", width=0.2, points=((5, 15), (35, 15))), *draws),
        pads=pads,
        parts=PARTS,
    )


@dataclass(frozen=True)
class Case:
    """Pads, and what both readers make of them."""

    name: str
    sketch: Sketch
    pins: dict[str, str]  # part.pin -> net; "" where its pads have several, which is a doubt
    open: tuple[str, ...]  # nets in the list beside those of the pours and of the trace
    doubts: bool = False
    floating: tuple[str, ...] = ()


CASES = (
    Case(
        "open pads of one pin",
        board(pad(OPEN, 5), pad(f"{OPEN}_1", 9), pad(f"{OPEN}_2", 13)),
        {"H1.1": OPEN},
        (OPEN,),
        floating=(OPEN,),
    ),
    Case(
        "a ring of lands that touch is one pin",
        board(
            pad(OPEN, 5),
            pad("unconnected-(H1-Pad2)", 5.9, pin="2"),
            pad("unconnected-(H1-Pad3)", 6.8, pin="3"),
        ),
        {"H1.1": OPEN},
        (OPEN,),
        floating=(OPEN,),
    ),
    Case(
        "a trace at one of the pads: not open",
        board(
            pad(OPEN, 5),
            pad(f"{OPEN}_1", 9),
            draws=(Draw(net=f"{OPEN}_1", layer="L1", width=0.2, points=((9, 5), (9, 9))),),
        ),
        {"H1.1": ""},
        (OPEN, f"{OPEN}_1"),
        doubts=True,
        floating=(OPEN, f"{OPEN}_1"),
    ),
    Case(
        "two nets that are no automatic names",
        board(pad("B_1", 5), pad("B_2", 9)),
        {"H1.1": ""},
        ("B_1", "B_2"),
        doubts=True,
    ),
    Case(
        "an automatic name beside a live one",
        board(pad("B_1", 5), pad(OPEN, 9)),
        {"H1.1": ""},
        ("B_1", OPEN),
        doubts=True,
        floating=(OPEN,),
    ),
    Case(
        "open pins of two parts",
        board(pad(OPEN, 5), pad(f"{OPEN}_1", 9), pad("unconnected-(U1-Pad1)", 14, refdes="U1")),
        {"H1.1": OPEN, "U1.1": "unconnected-(U1-Pad1)"},
        (OPEN, "unconnected-(U1-Pad1)"),
        floating=(OPEN, "unconnected-(U1-Pad1)"),
    ),
)


def pins(board: Board) -> dict[str, str]:
    return {
        f"{part.refdes}.{pin.number}": board.net_name(pin.net)
        for part in board.components
        for pin in part.pins
    }


def findings(layout: Layout) -> list[tuple[str, tuple[str, ...], str]]:
    found = [
        finding
        for rule in registry().values()
        if rule.why_not(layout) is None
        for finding in rule.find(layout)
    ]
    return sorted((one.rule, tuple(one.nets), str(one.level)) for one in found)


@FILES
@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_pins_nets_and_doubts(case: Case, way: Way, tmp_path: Path) -> None:
    """Merged names are gone from nets and pins, what floats is told once, and clashes of live nets
    stay doubts.
    """
    read = way(case.sketch, tmp_path)
    layout = layout_of(read, RULES)
    told = pins(read)
    assert sorted(net.name for net in read.nets) == sorted({"GND", "GND_B", "SIG", *case.open})
    assert told.keys() == case.pins.keys()
    assert {pin: net for pin, net in told.items() if case.pins[pin]} == {
        p: n for p, n in case.pins.items() if n
    }
    assert bool(read.doubts) == case.doubts
    floating = {read.nets[net].name for net in np.flatnonzero(layout.floating[: len(read.nets)])}
    assert floating == set(case.floating)


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_both_formats_give_the_same_findings(case: Case, tmp_path: Path) -> None:
    gerber, ipc = (
        layout_of(way(case.sketch, tmp_path), RULES) for way in (through_gerber, through_ipc2581)
    )
    assert findings(gerber) == findings(ipc) != []
    assert pins(gerber.board).keys() == pins(ipc.board).keys() == case.pins.keys()


NAMED = board(
    pad(None, 5, refdes="U1"),
    pad(None, 12, refdes="U1", pin="2"),
    draws=(Draw(net=None, layer="L1", width=0.2, points=((5, 5), (9, 5))),),
)


@FILES
def test_pins_take_names_from_the_rules(way: Way, tmp_path: Path) -> None:
    """A place on the trace names the pad that it reaches; the pad beside stays a doubt."""
    read = way(NAMED, tmp_path, Hints(nets=(NamedPlace("B_IN", (8, 5), "L1"),)))  # type: ignore[call-arg]
    told = pins(read)
    assert told["U1.1"] == "B_IN"
    assert [net.name for net in read.nets].count("B_IN") == 1


LEGS = (
    (pad("SIG", 5), pad("SIG", 9)),  # two legs of one size: the first from the left
    (pad("SIG", 9), pad("SIG", 5)),
    (
        pad("SIG", 5),
        Pad(net="SIG", layer="L1", at=(9, 6), size=(2, 3), shape=RECTANGLE, refdes="H1", pin="1"),
    ),
    (pad("SIG", 5, layer="L2"), pad("SIG", 9)),
)


@pytest.mark.parametrize(
    ("pads", "x", "y"), [(LEGS[0], 5, 5), (LEGS[1], 5, 5), (LEGS[2], 9, 6), (LEGS[3], 9, 5)]
)
@FILES
def test_a_pin_lies_where_its_largest_pad_of_the_first_layer_lies(
    pads: tuple[Pad, ...], x: float, y: float, way: Way, tmp_path: Path
) -> None:
    (part,) = (c for c in way(board(*pads), tmp_path).components if c.refdes == "H1")
    assert [pin.at for pin in part.pins] == [pytest.approx((x, y), abs=1e-6)]


@FILES
def test_a_part_that_is_not_placed_lies_amid_its_pins(way: Way, tmp_path: Path) -> None:
    pads = pad("SIG", 5), pad("SIG", 6, pin="2"), pad("SIG", 15, 9, pin="3")
    (part,) = (c for c in way(board(*pads), tmp_path).components if c.refdes == "H1")
    assert part.at == pytest.approx((10, 7), abs=1e-6)
