"""Battery boards with a probe input: the same parts with and without a moat, each sound and with
its typical mistake.

Both are 80 x 60 mm with two layers: parts and traces on L1, the reference on L2. A radio draws 0.2
A from the battery, and a converter of 16 bits reads a pH probe. Invented from end to end.
"""

from __future__ import annotations

from checker.demo.drafting import Drawing, Footprint, in_line, two_rows
from checker.demo.sketch import NOT_CONNECTED, XY, Sketch, box

CONVERTER: Footprint = two_rows(8, 6.2, 1.27, (1.6, 0.6))
RADIO: Footprint = two_rows(4, 8.2, 2.54, (1.6, 1.0))
PLUG: Footprint = in_line(2, 2.54, 1.7, 1.0)
BOARD = box(0, 0, 80, 60)
BATTERY: XY = (8, 20)


def battery_probe(*, faulty: bool) -> Sketch:
    """One unbroken reference, the radio beside the battery, the probe at the far side: no split is
    needed.

    The mistake: the radio went to the far side, so that its current returns past the probe and the
    converter.
    """
    board = Drawing("battery-probe", BOARD, 2)
    _inputs(board, "GND")
    if faulty:
        _radio(board, (72, 16), (8, 40), (65, 40), (65, 17.27))
    else:
        _radio(board, (22, 48), (8, 49.27))
    board.pour("GND", "L2", box(2, 2, 78, 58))
    return board.sketch()


def battery_moat(*, faulty: bool) -> Sketch:
    """The radio at the far side, and a moat round probe and converter that is bridged at the
    converter alone.

    The mistake: the supply of the radio takes the short way, over the moat and back over it.
    """
    board = Drawing("battery-moat", BOARD, 2)
    _inputs(board, "GND_PROBE")
    if faulty:
        _radio(board, (72, 16), (8, 16), (66, 16))
    else:
        _radio(board, (72, 16), (8, 40), (65, 40), (65, 17.27))
    board.pour(
        "GND", "L2", ((2, 2), (31.5, 2), (31.5, 21), (63, 21), (63, 2), (78, 2), (78, 58), (2, 58))
    )
    bridge = ((32.5, 12), (31.3, 12), (31.3, 8), (32.5, 8))
    board.pour("GND_PROBE", "L2", ((62, 2), (62, 20), (32.5, 20), *bridge, (32.5, 2)))
    return board.sketch()


def _inputs(board: Drawing, quiet: str) -> None:
    """Battery, converter and probe; the converter's right side and the probe refer to the quiet
    net.
    """
    board.place("J1", PLUG, BATTERY, ("VBAT", "GND"), turn=270)
    board.place("J2", PLUG, (56, 10), ("PH_IN", quiet), turn=270)
    none = NOT_CONNECTED
    board.place("U2", CONVERTER, (32, 10), ("VBAT", none, none, "GND", quiet, none, "PH_IN", none))
    board.trace("PH_IN", "L1", (35.1, 10.635), (55.365, 10.635), (56, 10))
    board.trace("VBAT", "L1", BATTERY, (8, 11.905), (28.9, 11.905), width=0.4)
    board.trace("GND", "L1", (28.9, 8.095), (27.3, 8.095), width=0.4)
    board.trace(quiet, "L1", (35.1, 8.095), (36.7, 8.095), width=0.4)
    board.via("GND", (27.3, 8.095))
    board.via(quiet, (36.7, 8.095))


def _radio(board: Drawing, at: XY, *way: XY) -> None:
    """The radio, its supply from the battery over some corners, and its ground's via."""
    none = NOT_CONNECTED
    board.place("U1", RADIO, at, ("VBAT", "GND", none, none))
    (x, y), (supply_x, supply_y) = board.pin("U1", "2"), board.pin("U1", "1")
    board.trace("VBAT", "L1", BATTERY, *way, (supply_x, supply_y), width=0.8)
    board.trace("GND", "L1", (x, y), (x - 1.6, y), width=0.8)
    board.via("GND", (x - 1.6, y))
