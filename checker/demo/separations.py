"""Small boards, one for each way the trade separates a region, each sound and with its typical
mistake.

All are 40 x 30 mm with two layers: parts and traces on L1, the reference pours on L2. Where there
are two regions their pours end 4.8 mm apart at x 17.6 and 22.4, and the isolators between them
leave 4.6 mm. Invented from end to end.
"""

from __future__ import annotations

from checker.demo.drafting import (
    CAPACITOR,
    RESISTOR,
    Drawing,
    Footprint,
    Land,
    in_line,
    two_pads,
    two_rows,
)
from checker.demo.sketch import NOT_CONNECTED, Sketch, box

NARROW = two_rows(4, 6.2, 2.54, (1.6, 0.6))  # optocoupler, 4.6 mm between its rows
BUS = two_rows(8, 6.2, 1.27, (1.6, 0.6))
POWER = two_rows(4, 8.2, 2.54, (1.6, 1.0))  # isolated d.c./d.c. converter
AMPLIFIER = two_rows(8, 5.4, 1.27, (1.6, 0.6))
PLUG = in_line(2, 2.54, 1.7, 1.0)
PLUG_4 = in_line(4, 2.54, 1.7, 1.0)
PLUG_5 = in_line(5, 2.54, 1.7, 1.0)
MAINS_PLUG = in_line(2, 7.62, 2.6, 1.3)
DUAL_IN_LINE: Footprint = two_rows(4, 6.0, 2.54, (2.0, 0.6))  # 4.0 mm between its rows
LEFT, RIGHT = box(2, 2, 17.6, 28), box(22.4, 2, 38, 28)
BOARD = box(0, 0, 40, 30)


def digital_isolator(*, faulty: bool) -> Sketch:
    """An isolated converter, and a digital bus that stays on one side but for its isolator.

    The mistake: a fourth line, the interrupt, was forgotten in the isolator and runs straight
    through.
    """
    board = Drawing("digital-isolator", BOARD, 2)
    line = "INT" if faulty else NOT_CONNECTED
    board.place("J1", PLUG_5, (5, 25), ("GND_A", "VA", "A_SCK", "A_DIO", line), turn=270)
    board.place("J2", PLUG_5, (35, 25), ("GND_B", "B_VCC", "B_SCK", "B_DIO", line), turn=270)
    board.place("U1", POWER, (20, 24), ("VA", "GND_A", "GND_B", "B_VCC"))
    board.place(
        "U2", BUS, (20, 18), ("VA", "A_SCK", "A_DIO", "GND_A", "GND_B", "B_DIO", "B_SCK", "B_VCC")
    )
    board.trace("VA", "L1", (5, 22.46), (8, 22.46), (8, 25.27), (15.9, 25.27), width=0.4)
    board.trace("VA", "L1", (8, 22.46), (11, 22.46), (11, 19.905), (16.9, 19.905), width=0.4)
    board.trace("A_SCK", "L1", (5, 19.92), (10, 19.92), (11.285, 18.635), (16.9, 18.635))
    board.trace("A_DIO", "L1", (5, 17.38), (16.9, 17.365))
    board.trace("B_VCC", "L1", (35, 22.46), (32, 22.46), (32, 25.27), (24.1, 25.27), width=0.4)
    board.trace("B_VCC", "L1", (32, 22.46), (29, 22.46), (29, 19.905), (23.1, 19.905), width=0.4)
    board.trace("B_SCK", "L1", (35, 19.92), (30, 19.92), (28.715, 18.635), (23.1, 18.635))
    board.trace("B_DIO", "L1", (35, 17.38), (23.1, 17.365))
    for ground, side in (("GND_A", -1), ("GND_B", 1)):
        board.trace(ground, "L1", (20 + side * 4.1, 22.73), (20 + side * 6.5, 22.73), width=0.4)
        board.trace(ground, "L1", (20 + side * 3.1, 16.095), (20 + side * 5, 16.095), width=0.4)
        board.via(ground, (20 + side * 6.5, 22.73), (20 + side * 5, 16.095))
    if faulty:
        board.trace(
            "INT", "L1", (5, 14.84), (7, 14.84), (9.84, 12), (30.16, 12), (33, 14.84), (35, 14.84)
        )
    return _split(board)


def optocoupler(*, faulty: bool) -> Sketch:
    """An optocoupler whose drive current flows on the quiet side.

    The mistake: the drive resistor went to the other side, so that the drive current crosses the
    gap twice.
    """
    board = Drawing("optocoupler", BOARD, 2)
    board.place("J1", PLUG, (5, 18), ("GND_A", "OUT"), turn=270)
    board.place("J2", PLUG, (35, 18), ("GND_B", "B_DRIVE"), turn=270)
    board.place("OK1", NARROW, (20, 15), ("OUT", "GND_A", "GND_B", "B_LED"))
    board.place("R2", RESISTOR, (11, 19), ("OUT", "VA"))
    board.place("J3", PLUG, (5, 25), ("VA", "GND_A"), turn=270)
    board.trace("VA", "L1", (5, 25), (13, 25), (13, 19), (11.75, 19))
    board.trace("OUT", "L1", (5, 15.46), (9.25, 15.46), (10.06, 16.27), (16.9, 16.27))
    board.trace("OUT", "L1", (10.25, 19), (10.25, 16.27), bevel=0)
    board.trace("GND_A", "L1", (16.9, 13.73), (15, 13.73), width=0.4)
    board.trace("GND_B", "L1", (23.1, 13.73), (25, 13.73), width=0.4)
    board.via("GND_A", (15, 13.73))
    board.via("GND_B", (25, 13.73))
    if faulty:
        board.place("R1", RESISTOR, (14, 8), ("B_DRIVE", "B_LED"), turn=90)
        board.trace("B_DRIVE", "L1", (35, 15.46), (33, 15.46), (33, 6), (14, 6), (14, 7.25))
        board.trace("B_LED", "L1", (14, 8.75), (14, 9.75), (28, 9.75), (28, 16.27), (23.1, 16.27))
    else:
        board.place("R1", RESISTOR, (29, 16.27), ("B_LED", "B_DRIVE"))
        board.trace("B_LED", "L1", (23.1, 16.27), (28.25, 16.27))
        board.trace("B_DRIVE", "L1", (29.75, 16.27), (33, 16.27), (33.81, 15.46), (35, 15.46))
    return _split(board)


def isolated_amplifier(*, faulty: bool) -> Sketch:
    """An amplifier in the isolated region, its supply brought across by an isolated d.c./d.c.
    converter.

    The mistake: a resistor takes the amplifier's output straight across, past the isolating stage.
    """
    board = Drawing("isolated-amplifier", BOARD, 2)
    board.place("J1", PLUG_4, (5, 25), ("VA", "GND_A", "A_OUT", "A_RAW"), turn=270)
    board.place("U1", POWER, (20, 24), ("VA", "GND_A", "GND_B", "B_VCC"))
    board.place("U2", NARROW, (20, 14), ("A_OUT", "GND_A", "GND_B", "B_OUT"))
    pins = ("B_OUT", "B_FB", "B_IN", "GND_B", NOT_CONNECTED, NOT_CONNECTED, NOT_CONNECTED, "B_VCC")
    board.place("U3", AMPLIFIER, (29, 14), pins)
    board.place("J2", PLUG, (36, 8), ("B_IN", "GND_B"), turn=270)
    board.place("R3", RESISTOR, (26.3, 18), ("B_OUT", "B_FB"))
    board.trace("VA", "L1", (5, 25), (7, 25), (7.27, 25.27), (15.9, 25.27), width=0.4)
    board.trace("A_OUT", "L1", (5, 19.92), (12.25, 19.92), (12.25, 15.27), (16.9, 15.27))
    board.trace("B_VCC", "L1", (24.1, 25.27), (33, 25.27), (33, 15.905), (31.7, 15.905), width=0.4)
    board.trace("B_OUT", "L1", (23.1, 15.27), (24, 15.27), (24.635, 15.905), (26.3, 15.905))
    board.trace("B_OUT", "L1", (25.55, 18), (25.55, 15.905), bevel=0)
    board.trace("B_FB", "L1", (27.05, 18), (28.2, 18), (28.2, 14.635), (26.3, 14.635))
    board.trace("B_IN", "L1", (26.3, 13.365), (28.2, 13.365), (28.2, 8), (36, 8))
    for ground, side in (("GND_A", -1), ("GND_B", 1)):
        board.trace(ground, "L1", (20 + side * 4.1, 22.73), (20 + side * 6.5, 22.73), width=0.4)
        board.trace(ground, "L1", (20 + side * 3.1, 12.73), (20 + side * 3.1, 11.2), width=0.4)
        board.via(ground, (20 + side * 6.5, 22.73), (20 + side * 3.1, 11.2))
    board.trace("GND_B", "L1", (26.3, 12.095), (26.3, 10.5), width=0.4)
    board.via("GND_B", (26.3, 10.5))
    board.place("C1", CAPACITOR, (10, 16), ("A_RAW", "GND_A"), turn=90)
    board.trace("A_RAW", "L1", (5, 17.38), (6.5, 17.38), (8.63, 15.25), (10, 15.25))
    board.trace("GND_A", "L1", (10, 16.75), (10, 18), width=0.4)
    board.via("GND_A", (10, 18))
    if faulty:
        board.place("R9", two_pads(6.2, (1.6, 1.0)), (20, 8), ("A_RAW", "B_OUT"))
        board.trace("A_RAW", "L1", (10, 15.25), (10, 8), (16.9, 8))
        board.trace("B_OUT", "L1", (23.1, 8), (24.2, 8), (24.2, 15.27), (23.1, 15.27), bevel=0)
    return _split(board)


def mains_barrier(*, faulty: bool) -> Sketch:
    """A safety barrier to a mains side that has no reference pour, with a slot under the part.

    The part leaves 4 mm, enough through air; only the slot makes the way along the surface long
    enough.
    The mistake: the slot stops short.
    """
    board = Drawing("mains-barrier", BOARD, 2)
    board.place("J1", MAINS_PLUG, (6, 22), ("AC_L", "AC_N"), turn=270)
    board.place("R1", two_pads(6.0, (1.6, 2.0)), (11, 22), ("AC_L", "AC_SENSE"))
    board.place("OK1", DUAL_IN_LINE, (20, 15), ("AC_SENSE", "AC_N", "GND_B", "ZERO_CROSS"))
    board.trace("AC_L", "L1", (6, 22), (8, 22), width=1.0)
    board.trace("AC_SENSE", "L1", (14, 22), (14, 16.27), (17, 16.27), width=0.5)
    board.trace("AC_N", "L1", (6, 14.38), (10, 14.38), (10.65, 13.73), (17, 13.73), width=0.5)
    board.place("J2", PLUG_4, (35, 20), ("VB", "ZERO_CROSS", "GND_B", NOT_CONNECTED), turn=270)
    board.place("R2", RESISTOR, (30, 20), ("ZERO_CROSS", "VB"))
    board.trace("VB", "L1", (30.75, 20), (35, 20))
    board.trace("ZERO_CROSS", "L1", (23, 16.27), (29.25, 16.27))
    board.trace(
        "ZERO_CROSS", "L1", (29.25, 20), (29.25, 16.27), (33.81, 16.27), (35, 17.46), bevel=0
    )
    board.trace("GND_B", "L1", (23, 13.73), (25.4, 13.73), width=0.5)
    board.via("GND_B", (25.4, 13.73))
    board.slot((20, 9), (20, 17.0 if faulty else 22), 1.2)
    board.pour("GND_B", "L2", box(22.4, 2, 38, 28))
    return board.sketch()


def single_tie(*, faulty: bool) -> Sketch:
    """A split without isolation: one tie of copper under the converter, and traces that cross there
    only.

    The mistakes: the clock takes the short way across the gap, and a second bridge closes a ground
    loop.
    """
    board = Drawing("single-tie", BOARD, 2)
    board.place("J1", PLUG_4, (5, 19), ("VD", "SCK", "DATA", "GND_D"), turn=270)
    board.place("J2", PLUG, (35, 16), ("AN_IN", "GND_AN"), turn=270)
    pins = ("VD", "SCK", "DATA", "GND_D", "GND_AN", "AN_IN", "AN_REF", NOT_CONNECTED)
    board.place("U1", AMPLIFIER, (20, 15), pins)
    board.place("C1", CAPACITOR, (28, 16.5), ("GND_AN", "AN_REF"), turn=90)
    board.trace("VD", "L1", (5, 19), (9, 19), (11.095, 16.905), (17.3, 16.905), width=0.4)
    board.trace("SCK", "L1", (5, 16.46), (8.5, 16.46), (9.325, 15.635), (17.3, 15.635))
    board.trace("DATA", "L1", (5, 13.92), (10.2, 13.92), (10.645, 14.365), (17.3, 14.365))
    board.trace("GND_D", "L1", (17.3, 13.095), (15.5, 13.095), width=0.4)
    board.trace("GND_AN", "L1", (22.7, 13.095), (24.5, 13.095), width=0.4)
    board.trace("AN_IN", "L1", (22.7, 14.365), (30, 14.365), (30, 16), (35, 16))
    board.trace("AN_REF", "L1", (22.7, 15.635), (26, 15.635), (27.615, 17.25), (28, 17.25))
    board.trace("GND_AN", "L1", (28, 15.75), (28.9, 15.75), (28.9, 18), width=0.3)
    board.via("GND_D", (15.5, 13.095))
    board.via("GND_AN", (24.5, 13.095), (28.9, 18))
    bridges = [(11.0, 18.5)]
    if faulty:
        board.place("TP1", (Land("1", (0, 0), (1.0, 1.0)),), (26, 22), ("SCK",))
        board.trace("SCK", "L1", (5, 16.46), (3.2, 16.46), (3.2, 22), (26, 22))
        bridges.append((24.5, 27.0))
    board.pour("GND_D", "L2", box(2, 2, 19.5, 28))
    edge: list[tuple[float, float]] = [(20.5, 2)]
    for low, high in bridges:
        edge += [(20.5, low), (19.3, low), (19.3, high), (20.5, high)]
    board.pour("GND_AN", "L2", (*edge, (20.5, 28), (38, 28), (38, 2)))
    return board.sketch()


def battery(*, faulty: bool) -> Sketch:
    """A battery board with one solid reference and no split: there is nothing to say.

    The mistake: a window in the pour, made for a logo, lies under two lines of the bus.
    """
    board = Drawing("battery", BOARD, 2)
    board.place("J1", PLUG, (5, 18), ("VBAT", "GND"), turn=270)
    board.place(
        "U1",
        BUS,
        (14, 15),
        ("VBAT", "GND", NOT_CONNECTED, NOT_CONNECTED, "SCK", "DATA", "INT", "VBAT"),
    )
    board.place(
        "U2",
        BUS,
        (31, 15),
        ("VBAT", "INT", "DATA", "SCK", "GND", NOT_CONNECTED, NOT_CONNECTED, "GND"),
    )
    board.trace("VBAT", "L1", (5, 18), (8, 18), (9.095, 16.905), (10.9, 16.905), width=0.4)
    board.trace(
        "VBAT", "L1", (10.9, 16.905), (10.9, 20), (24, 20), (24, 16.905), (27.9, 16.905), width=0.4
    )
    board.trace("VBAT", "L1", (17.1, 16.905), (17.1, 20), width=0.4)
    for net, start, end in (
        ("SCK", 13.095, 13.095),
        ("DATA", 14.365, 14.365),
        ("INT", 15.635, 15.635),
    ):
        board.trace(net, "L1", (17.1, start), (27.9, end))
    for x, y, dx in ((10.9, 15.635, -1.6), (34.1, 13.095, 1.6), (34.1, 16.905, 1.6)):
        board.trace("GND", "L1", (x, y), (x + dx, y), width=0.4)
        board.via("GND", (x + dx, y))
    window = ((20, 12), (24, 12), (24, 15), (20, 15))
    board.pour("GND", "L2", box(2, 2, 38, 28), holes=(window,) if faulty else ())
    return board.sketch()


def _split(board: Drawing) -> Sketch:
    board.pour("GND_A", "L2", LEFT)
    board.pour("GND_B", "L2", RIGHT)
    return board.sketch()
