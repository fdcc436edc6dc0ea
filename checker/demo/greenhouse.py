"""The greenhouse dosing controller: mains and pumps on the left, logic in the middle, probes on the
right.

100 x 80 mm, four layers. From left to right: the mains side (x 2..26, neutral as reference), a 9 mm
moat, the pump side (x 35..53), a split of 1 mm that one tongue of copper bridges, the logic (x
54..73.6), a moat of 4.8 mm, the probe side (x 78.4..98). L2 carries the reference pours, L3 the
same for the logic and supply planes for pumps and probes. Invented from end to end.
"""

from __future__ import annotations

from checker.demo.drafting import (
    CAPACITOR,
    CHIP_LARGE,
    RESISTOR,
    TEST_POINT,
    TRANSISTOR,
    Drawing,
    Footprint,
    Land,
    in_line,
    two_rows,
)
from checker.demo.sketch import NOT_CONNECTED, OVAL, ROUND, Sketch, box

MAINS_MODULE: Footprint = (  # mains to 24 V: mains pins on the left, supply on the right
    Land("1", (-11, 5), (2, 2), ROUND, 1.0),
    Land("2", (-11, -5), (2, 2), ROUND, 1.0),
    Land("3", (11, -5), (2, 2), ROUND, 1.0),
    Land("4", (11, 5), (2, 2), ROUND, 1.0),
)
REGULATOR: Footprint = tuple(Land(str(n + 1), (2.3 * (n - 1), 0), (1.2, 2.0)) for n in range(3))
COAXIAL: Footprint = (
    Land("1", (0, 0), (1.8, 1.8), ROUND, 1.0),
    *(
        Land(str(n + 2), (2.54 * x, 2.54 * y), (2.2, 2.2), ROUND, 1.3)
        for n, (x, y) in enumerate([(-1, -1), (1, -1), (1, 1), (-1, 1)])
    ),
)
ISOLATED_CONVERTER = two_rows(4, 8.2, 2.54, (1.6, 1.0))
TRANSFORMER = two_rows(4, 8.2, 4.0, (1.6, 1.0))
OPTOCOUPLER = two_rows(4, 6.2, 2.54, (1.6, 0.6))
WIDE_OPTOCOUPLER = two_rows(6, 10.6, 2.54, (2.0, 1.2))
BUS_ISOLATOR = CONVERTER_16 = two_rows(16, 6.2, 1.27, (1.6, 0.6))
CONTROLLER = two_rows(20, 6.0, 1.27, (1.8, 0.6))
TRIAC = (Land("1", (0, 0), (1.6, 2.0), OVAL, 1.0), *in_line(3, 2.54, 1.6, 1.0)[1:])
FUSE = in_line(2, 15, 2.2, 1.2)
TERMINAL_MAINS = in_line(2, 7.62, 2.6, 1.3)
TERMINAL = in_line(2, 3.5, 1.8, 1.0)
HEADER_2, HEADER_4 = in_line(2, 2.54, 1.7, 1.0), in_line(4, 2.54, 1.7, 1.0)


def greenhouse(*, faulty: bool) -> Sketch:
    """The controller, sound or with one true instance of every finding."""
    board = Drawing(
        "greenhouse-faulty" if faulty else "greenhouse",
        box(0, 0, 100, 80),
        dielectric=(0.2, 1.06, 0.2),
    )
    _mains_side(board)
    _pump_side(board)
    _logic(board, faulty=faulty)
    _bus(board)
    _probe_side(board)
    _conductivity(board, faulty=faulty)
    _stirrer(board, faulty=faulty)
    _mechanics(board)
    if faulty:
        _mistakes_across_the_moat(board)
        _mistakes_of_copper(board)
    _pours(board)
    return board.sketch()


def _mains_side(board: Drawing) -> None:
    board.place("J1", TERMINAL_MAINS, (7, 66), ("AC_L", "AC_N"), turn=270)
    board.place("F1", FUSE, (14, 66), ("AC_L", "AC_LF"), turn=270)
    board.place("J2", TERMINAL_MAINS, (7, 22), ("MP_L", "AC_N"), turn=270)
    board.place("Q1", TRIAC, (14, 30), ("AC_LF", "MP_L", "TRIAC_G"), turn=270)
    board.place("R20", CHIP_LARGE, (20, 33), ("AC_LF", "TRIAC_A"))
    board.place("PS1", MAINS_MODULE, (31, 55), ("AC_LF", "AC_N", "GND_PUMP", "V24"))
    lit, none = "OK2_A", NOT_CONNECTED
    board.place(
        "OK2", WIDE_OPTOCOUPLER, (30.5, 28), ("TRIAC_A", none, "TRIAC_G", none, "GND_PUMP", lit)
    )
    board.trace("AC_L", "L1", (7, 66), (14, 66), width=2.0)
    board.trace("AC_LF", "L1", (14, 51), (20, 57), (20, 60), width=2.0)
    board.trace("AC_LF", "L1", (14, 51), (14, 30), width=2.0)
    board.trace("AC_LF", "L1", (14, 33), (18.5, 33), width=1.0)
    board.trace("MP_L", "L1", (14, 27.46), (11, 27.46), (7, 23.46), (7, 22), width=1.5)
    board.trace("TRIAC_A", "L1", (21.5, 33), (24, 33), (25.2, 31.8), (25.2, 30.54), width=0.4)
    board.trace("TRIAC_G", "L1", (14, 24.92), (24.66, 24.92), (25.2, 25.46), width=0.4)
    board.via("AC_N", (25.4, 72), (25.4, 40), (25.4, 8))


def _pump_side(board: Drawing) -> None:
    board.place("J5", TERMINAL, (39, 6), ("V24", "PUMP_A"))
    board.place("J6", TERMINAL, (46, 6), ("V24", "PUMP_B"))
    for refdes, diode, x, pump, drive in (
        ("Q2", "D2", 42.5, "PUMP_A", "PWM_A"),
        ("Q3", "D3", 49.5, "PUMP_B", "PWM_B"),
    ):
        board.place(refdes, TRANSISTOR, (x, 14), (drive, "GND_PUMP", pump), turn=180)
        board.place(diode, CHIP_LARGE, (x - 2, 10), ("V24", pump))
        board.trace(pump, "L1", (x, 13), (x, 6), width=1.0)
        board.trace("V24", "L1", (x - 3.5, 10), (x - 3.5, 6), width=1.0)
        board.trace("GND_PUMP", "L1", (x - 0.95, 15), (x - 0.95, 16.6), width=0.5)
        board.via("GND_PUMP", (x - 0.95, 16.6))
    board.trace("PWM_A", "L1", (43.45, 15), (43.45, 41.555), (59, 41.555))
    board.trace("PWM_B", "L1", (50.45, 15), (50.45, 40.285), (59, 40.285))
    board.place("R21", RESISTOR, (40, 42.825), ("OK2_A", "MAINS_ON"))
    board.trace("MAINS_ON", "L1", (40.75, 42.825), (59, 42.825))
    board.trace("OK2_A", "L1", (39.25, 42.825), (37.4, 42.825), (37.4, 32.14), (35.8, 30.54))
    board.trace("GND_PUMP", "L1", (35.8, 28), (37.6, 28), width=0.5)
    board.place("C1", CHIP_LARGE, (48, 66), ("V24", "GND_PUMP"))
    board.trace("V24", "L1", (46.5, 66), (44.9, 66), width=0.8)
    board.trace("GND_PUMP", "L1", (49.5, 66), (51.1, 66), width=0.8)
    board.place("U2", REGULATOR, (46.3, 50), ("V24", "GND_PUMP", "VS_3V3"))
    board.trace("V24", "L1", (44, 50), (44, 47.8), width=0.8)
    board.trace("GND_PUMP", "L1", (46.3, 50), (46.3, 47.8), width=0.8)
    board.via("V24", (44.9, 66), (44, 47.8))
    board.via("GND_PUMP", (37.6, 28), (51.1, 66), (46.3, 47.8), (36, 72), (36, 14))


def _logic(board: Drawing, *, faulty: bool) -> None:
    none = NOT_CONNECTED
    left = (
        "GND_SYS",
        "LED_RUN",
        none,
        none,
        "UART_TX",
        "UART_RX",
        "VS_3V3",
        "MAINS_ON",
        "PWM_A",
        "PWM_B",
    )
    spare = "SYNC" if faulty else none
    right = (
        "EXC_A",
        "EXC_B",
        "ALARM",
        none,
        spare,
        none,
        "SPI_MISO",
        "SPI_CS",
        "SPI_MOSI",
        "SPI_SCK",
    )
    board.place("U1", CONTROLLER, (62, 46), (*left, *right))
    board.trace("GND_SYS", "L1", (59, 51.715), (59, 53.2), width=0.4)
    board.place("J7", HEADER_4, (58, 74), ("UART_RX", "UART_TX", "GND_SYS", "VS_3V3"))
    _serial_port(board, faulty=faulty)
    board.place("R41", RESISTOR, (57.6, 55.5), ("LED_RUN", "LED_A"), turn=90)
    board.place("D1", RESISTOR, (57.6, 59), ("LED_A", "GND_SYS"), turn=90)
    board.trace("LED_RUN", "L1", (59, 50.445), (57.6, 50.445), (57.6, 54.75))
    board.trace("LED_A", "L1", (57.6, 56.25), (57.6, 58.25))
    board.trace("GND_SYS", "L1", (57.6, 59.75), (57.6, 61.2), width=0.4)
    board.via("GND_SYS", (59, 53.2), (57.6, 61.2))
    _logic_supply(board)
    board.trace("EXC_A", "L1", (65, 40.285), (66.6, 40.285), (66.6, 22), (71.9, 22))
    board.trace("EXC_B", "L1", (65, 41.555), (67.4, 41.555), (67.4, 26), (71.9, 26))
    board.trace("ALARM", "L1", (65, 42.825), (70, 42.825), (71.555, 41.27), (72.9, 41.27))
    board.via(
        "GND_SYS", (57, 34), (63, 34), (57, 22), (63, 22), (57, 10), (63, 10), (70, 10), (68, 75)
    )


def _serial_port(board: Drawing, *, faulty: bool) -> None:
    if faulty:  # one line hugs the edge of its pour, the other dives to L4 without a stitching via
        jog = [(55.2, 50), (54.2, 51), (54.2, 68), (55.2, 69)]
        board.trace("UART_RX", "L1", (59, 45.365), (55.2, 45.365), *jog, (55.2, 71.2), (58, 74))
        board.trace("UART_TX", "L1", (59, 46.635), (56, 46.635), (56, 56))
        board.via("UART_TX", (56, 56))
        board.trace("UART_TX", "L4", (56, 56), (56, 69.46), (60.54, 74))
        return
    board.trace("UART_RX", "L1", (59, 45.365), (55.2, 45.365), (55.2, 71.2), (58, 74))
    board.trace("UART_TX", "L1", (59, 46.635), (56, 46.635), (56, 70), (60.54, 70), (60.54, 74))


def _logic_supply(board: Drawing) -> None:
    """3.3 V comes over the tie, runs on L4 and rises where it is needed, each time beside a
    stitching via.
    """
    board.trace("VS_3V3", "L1", (48.6, 50), (48.6, 44.095), (61, 44.095), width=0.5)
    board.trace("VS_3V3", "L4", (61, 44.095), (61, 64), (65.62, 64), (65.62, 74), width=0.4)
    board.trace("VS_3V3", "L4", (64.5, 64), (70, 64), width=0.4)
    board.trace("VS_3V3", "L1", (70, 64), (70, 60.445), (72.9, 60.445), width=0.4)
    board.trace("VS_3V3", "L1", (70, 64), (70, 71.27), (71.9, 71.27), width=0.4)
    board.via("VS_3V3", (61, 44.095), (70, 64))
    board.via("GND_SYS", (62.4, 44.095), (71.4, 65))
    board.place("C2", CAPACITOR, (62, 55), ("GND_SYS", "VS_3V3"))
    board.trace("VS_3V3", "L1", (62.75, 55), (64.2, 55), width=0.4)
    board.trace("VS_3V3", "L4", (64.2, 55), (61, 55), width=0.4)
    board.trace("GND_SYS", "L1", (61.25, 55), (60, 55), width=0.4)
    board.via("VS_3V3", (64.2, 55))
    board.via("GND_SYS", (60, 55), (64.2, 57))


def _bus(board: Drawing) -> None:
    """The four bridges of the right moat: bus isolator, isolated converter, optocoupler,
    transformer.
    """
    none, bus = NOT_CONNECTED, ("SCK", "MOSI", "CS", "MISO")
    left = ("VS_3V3", "GND_SYS", *(f"SPI_{n}" for n in bus), none, "GND_SYS")
    right = ("GND_PROBE", none, *(f"PR_{n}" for n in reversed(bus)), "GND_PROBE", "VP_3V3")
    board.place("U4", BUS_ISOLATOR, (76, 56), (*left, *right))
    for n, signal in enumerate(bus):
        start, end, x = 51.715 - 1.27 * n, 57.905 - 1.27 * n, 67 + 0.6 * n
        board.trace(f"SPI_{signal}", "L1", (65, start), (x, start), (x, end), (72.9, end))
        board.trace(f"PR_{signal}", "L1", (79.1, end), (84.9, end))
    board.trace("GND_SYS", "L1", (72.9, 59.175), (71.2, 59.175), width=0.4)
    board.trace("GND_SYS", "L1", (72.9, 51.555), (71.2, 51.555), width=0.4)
    board.place("U3", ISOLATED_CONVERTER, (76, 70), ("VS_3V3", "GND_SYS", "GND_PROBE", "VP_3V3"))
    board.trace("GND_SYS", "L1", (71.9, 68.73), (71.9, 67.2), width=0.5)
    board.trace("GND_PROBE", "L1", (80.1, 68.73), (82, 68.73), width=0.5)
    board.place("OK1", OPTOCOUPLER, (76, 40), ("ALARM", "GND_SYS", "GND_PROBE", "PR_LED_A"))
    board.trace("GND_SYS", "L1", (72.9, 38.73), (71.2, 38.73), width=0.4)
    board.trace("GND_PROBE", "L1", (79.1, 38.73), (80.7, 38.73), width=0.4)
    board.place("T1", TRANSFORMER, (76, 24), ("EXC_B", "EXC_A", "GND_PROBE", "EC_DRV"))
    board.trace("GND_PROBE", "L1", (80.1, 22), (82, 22), width=0.4)
    board.via("GND_SYS", (71.2, 59.175), (71.2, 51.555), (71.9, 67.2), (71.2, 38.73))
    board.via("GND_PROBE", (82, 68.73), (80.7, 38.73), (82, 22))


def _probe_side(board: Drawing) -> None:
    """The converter for both probes, its supply, and the pH input."""
    none, bus = NOT_CONNECTED, ("SCK", "MOSI", "CS", "MISO")
    left = ("VP_3V3", "GND_PROBE", *(f"PR_{n}" for n in bus), "PR_LED", "GND_PROBE")
    board.place(
        "U6",
        CONVERTER_16,
        (88, 56),
        (*left, "EC_IN", none, none, "EC_T", none, none, "PH_REF", "PH_IN"),
    )
    board.trace("VP_3V3", "L1", (80.1, 71.27), (83.8, 71.27), (83.8, 72.25), width=0.5)
    board.place("C70", CAPACITOR, (83.8, 73), ("VP_3V3", "GND_PROBE"), turn=90)
    board.trace("GND_PROBE", "L1", (83.8, 73.75), (83.8, 75.2), width=0.5)
    board.trace("VP_3V3", "L1", (79.1, 60.445), (84.9, 60.445), width=0.4)
    board.trace("GND_PROBE", "L1", (79.1, 59.175), (84.9, 59.175), width=0.4)
    board.trace("GND_PROBE", "L1", (79.1, 51.555), (80.7, 51.555), width=0.4)
    board.trace("GND_PROBE", "L1", (84.9, 51.555), (83.5, 51.555), width=0.4)
    board.place("R31", RESISTOR, (82.5, 43), ("PR_LED_A", "PR_LED"), turn=90)
    board.trace("PR_LED", "L1", (84.9, 52.825), (82.5, 52.825), (82.5, 43.75))
    board.trace("PR_LED_A", "L1", (82.5, 42.25), (82.5, 41.27), (79.1, 41.27))
    board.place("J3", COAXIAL, (90, 69.5), ("PH_PROBE", *(["GND_PROBE"] * 4)))
    board.place("R50", RESISTOR, (90, 64), ("PH_IN", "PH_PROBE"), turn=90)
    board.trace("PH_PROBE", "L1", (90, 69.5), (90, 64.75))
    board.trace("PH_IN", "L1", (90, 63.25), (91.1, 62.15), (91.1, 60.445))
    board.place("R52", RESISTOR, (95, 59.175), ("PH_REF", "VP_3V3"))
    board.place("R53", RESISTOR, (93, 57.2), ("GND_PROBE", "PH_REF"), turn=90)
    board.trace("PH_REF", "L1", (91.1, 59.175), (94.25, 59.175))
    board.trace("PH_REF", "L1", (93, 59.175), (93, 57.95))
    board.trace("VP_3V3", "L1", (95.75, 59.175), (96.9, 59.175), width=0.4)
    board.trace("GND_PROBE", "L1", (93, 56.45), (94.3, 56.45), width=0.4)
    board.via("VP_3V3", (82, 71.27), (82, 60.445), (96.9, 59.175))
    board.via(
        "GND_PROBE", (83.8, 75.2), (83.2, 59.175), (80.7, 51.555), (83.5, 51.555), (94.3, 56.45)
    )


def _conductivity(board: Drawing, *, faulty: bool) -> None:
    """The conductivity cell: excitation from T1, its answer, and a temperature sensor by way of
    L4.
    """
    board.place("J4", TERMINAL, (94, 12), ("EC_IN", "EC_OUT"), turn=270)
    board.trace("EC_IN", "L1", (94, 12), (94, 51.555), (91.1, 51.555))
    board.place("R54", RESISTOR, (92, 49), ("GND_PROBE", "EC_IN"))
    board.trace("EC_IN", "L1", (92.75, 49), (94, 49))
    board.trace("GND_PROBE", "L1", (91.25, 49), (90, 49), width=0.4)
    board.place("R51", RESISTOR, (88, 8.5), ("EC_DRV", "EC_OUT"))
    board.trace("EC_OUT", "L1", (88.75, 8.5), (94, 8.5))
    if faulty:  # the excitation runs 0.3 mm beside the answer
        beside = [(93.5, 26), (93.5, 14), (92, 12.5), (92, 10), (86, 10)]
        board.trace("EC_DRV", "L1", (80.1, 26), *beside, (86, 8.5), (87.25, 8.5))
    else:
        board.trace("EC_DRV", "L1", (80.1, 26), (86, 26), (86, 8.5), (87.25, 8.5))
    board.place("J8", HEADER_2, (88.8, 5), ("EC_T", "GND_PROBE"))
    board.trace("EC_T", "L1", (91.1, 55.365), (95.2, 55.365), (95.2, 54))
    board.trace(
        "EC_T", "L4", (95.2, 54), (95.2, 20.5), (91.5, 16.8), (91.5, 9), (88.8, 6.3), (88.8, 5)
    )
    board.place("C71", CAPACITOR, (96.7, 53), ("GND_PROBE", "VP_3V3"), turn=90)
    board.trace("VP_3V3", "L1", (96.7, 53.75), (96.7, 55.2), width=0.4)
    board.trace("GND_PROBE", "L1", (96.7, 52.25), (96.7, 50.8), width=0.4)
    board.via("EC_T", (95.2, 54))
    board.via("VP_3V3", (96.7, 55.2))
    board.via("GND_PROBE", (90, 49), (96.7, 50.8))


def _stirrer(board: Drawing, *, faulty: bool) -> None:
    """A stirrer in the solution: its current returns to the isolated converter by a trace of its
    own.
    """
    board.place("J9", CHIP_LARGE, (88.5, 75.5), ("GND_PROBE", "VP_3V3"))
    board.trace("VP_3V3", "L1", (90, 75.5), (91.6, 75.5), width=0.5)
    board.via("VP_3V3", (91.6, 75.5))
    if faulty:  # a via into the pour, out of habit
        board.trace("GND_PROBE", "L1", (87, 75.5), (87, 77), width=0.5)
        board.via("GND_PROBE", (87, 77))
    else:
        back = [(85.5, 75.5), (85.5, 69.5), (84.73, 68.73)]
        board.trace("GND_PROBE", "L1", (87, 75.5), *back, (80.1, 68.73), width=0.8)


def _mechanics(board: Drawing) -> None:
    for at in ((4, 4), (96, 4), (4, 76), (96, 76)):
        board.mounting_hole(at, 3.2)
    board.slot((30.5, 21), (30.5, 35), 1.5)
    board.slot((30.5, 44), (30.5, 66), 1.5)
    board.slot((76, 49), (76, 63), 1.2)
    board.slot((76, 36.5), (76, 43.5), 1.2)
    for at in ((8, 44), (60, 28), (90, 30)):
        board.fiducial(at)
    board.thieving("L1", *((x, 4, x + 2, 6) for x in (57.0, 60.0, 63.0, 66.0)))
    board.thieving("L4", *((x, 20, x + 2, 22) for x in (40.0, 44.0, 48.0)))


def _pours(board: Drawing) -> None:
    board.pour("AC_N", "L2", box(2, 2, 26, 78), clearance=1.0)
    tongue = ((53.0, 38.0), (54.2, 38.0), (54.2, 45.5), (53.0, 45.5))
    board.pour("GND_PUMP", "L2", ((35, 2), (53, 2), *tongue, (53, 78), (35, 78)))
    board.pour("V24", "L3", box(35, 2, 53, 78))
    board.pour("GND_SYS", "L2", box(54, 2, 73.6, 78))
    board.pour("GND_SYS", "L3", box(54.2, 2, 73.6, 78))  # not beneath the tongue
    board.pour("GND_PROBE", "L2", box(78.4, 2, 98, 78))
    board.pour("VP_3V3", "L3", ((88, 2), (98, 2), (98, 78), (78.4, 78), (78.4, 22.8), (88, 22.8)))


def _mistakes_across_the_moat(board: Drawing) -> None:
    board.place("TP1", TEST_POINT, (80.6, 46.5), ("SYNC",))
    board.trace("SYNC", "L1", (65, 45.365), (66, 45.365), (67.135, 46.5), (80.6, 46.5))
    board.place("TP2", TEST_POINT, (71.6, 34), ("PH_CAL",))
    board.place("TP3", TEST_POINT, (81, 34), ("PH_CAL",))
    board.trace("PH_CAL", "L1", (71.6, 34), (81, 34))
    board.trace("EXC_B", "L1", (67.4, 29), (77.9, 29))  # left over from an earlier routing
    board.via("GND_PROBE", (78.7, 29))


def _mistakes_of_copper(board: Drawing) -> None:
    board.place(
        "C77", (Land("1", (-1.9, 0), (1.2, 2)), Land("2", (1.9, 0), (1.2, 2))), (76, 12), _GROUNDS
    )
    board.trace("GND_SYS", "L1", (74.1, 12), (72.4, 12), width=0.8)
    board.trace("GND_PROBE", "L1", (77.9, 12), (79.6, 12), width=0.8)
    board.via("GND_SYS", (72.4, 12), (69, 17.2))
    board.via("GND_PROBE", (79.6, 12))
    board.pour("GND_SYS", "L4", box(66, 14.2, 86, 20.2))
    board.thieving("L1", (28.0, 71.5, 33.6, 72.5))


_GROUNDS = ("GND_SYS", "GND_PROBE")
