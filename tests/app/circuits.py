"""Invented boards for the draft, each with the rules that an engineer would write (voltages and
tables apart).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from checker.demo.drafting import (
    CAPACITOR,
    CHIP_LARGE,
    RESISTOR,
    TRANSISTOR,
    Drawing,
    Footprint,
    Land,
    in_line,
    two_pads,
    two_rows,
)
from checker.demo.sketch import NOT_CONNECTED, RECTANGLE, Sketch, box

SO8 = two_rows(8, 5.4, 1.27, (1.6, 0.6))  # an ordinary amplifier or gate: 3.8 mm between its rows
WIDE8 = two_rows(8, 9.0, 1.27, (1.6, 0.6))  # a digital isolator
DIP8 = two_rows(8, 7.62, 2.54, (1.6, 1.6))
DIP14 = two_rows(14, 7.62, 2.54, (1.6, 1.6))
OPTO = two_rows(4, 8.0, 2.54, (1.6, 1.0))
MODULE = in_line(4, 2.54, 1.6, 0.9)  # an isolated converter whose four pins stand in one row
CHOKE = two_rows(4, 12.0, 10.0, (2.4, 2.4))
TRANSFORMER = two_rows(8, 15.0, 4.0, (2.0, 2.0))
LARGE = two_pads(10.0, (2.0, 2.0))  # a film capacitor, a fuse
ARRAY = two_rows(8, 5.4, 1.27, (1.6, 0.6))  # four resistors side by side
# isolated, two channels: control on the left, two outputs on the right with a place between
DRIVER: Footprint = (
    *(Land(str(n + 1), (-4.7, 4.4 - 1.27 * n), (1.6, 0.6)) for n in range(8)),
    *(Land(str(16 - n), (4.7, 4.4 - 1.27 * n), (1.6, 0.6)) for n in (0, 1, 2, 5, 6, 7)),
)
RELAY: Footprint = (  # the common contact stands between the ends of the coil
    Land("COM", (0, 0), (2.5, 2.5), drill=1.3),
    Land("A1", (2, 6), (2.5, 2.5), drill=1.3),
    Land("A2", (2, -6), (2.5, 2.5), drill=1.3),
    Land("NO", (14.2, 6), (2.5, 2.5), drill=1.3),
    Land("NC", (14.2, -6), (2.5, 2.5), drill=1.3),
)
LEFT, RIGHT, WHOLE = box(1, 1, 28, 39), box(32, 1, 59, 39), box(1, 1, 59, 39)


@dataclass(frozen=True, slots=True)
class Circuit:
    """A board, the rules that a hand would write, and how many lines of these a draft may miss."""

    draw: Callable[[], Sketch]
    rules: str
    lines: int = 1  # `draft = true` alone
    asked: tuple[str, ...] = ()  # what a comment must name


def _drawing(title: str, layers: int = 2) -> Drawing:
    return Drawing(title, box(0, 0, 60, 40), layers)


def _two_sides(title: str, left: str = "GND", right: str = "GND_ISO") -> Drawing:
    board = _drawing(title)
    board.pour(left, "L2", LEFT)
    board.pour(right, "L2", RIGHT)
    return board


def isolated_converter() -> Sketch:
    """A converter with its pins in one row, and filters on both sides."""
    board = _two_sides("isolated converter")
    board.place("PS1", MODULE, (26.2, 20), ("+12V", "GND", "GND_ISO", "+5V_ISO"))
    board.place("J1", in_line(2, 2.54, 1.7, 1.0), (4, 20), ("+12V", "GND"))
    board.place("C1", CAPACITOR, (15, 20), ("+12V", "GND"))
    board.place("C2", CAPACITOR, (40, 20), ("+5V_ISO", "GND_ISO"))
    board.place("R1", RESISTOR, (45, 20), ("+5V_ISO", "LED_ISO"))
    board.place("D1", RESISTOR, (50, 20), ("LED_ISO", "GND_ISO"))
    board.place("J2", in_line(2, 2.54, 1.7, 1.0), (54, 30), ("+5V_ISO", "GND_ISO"))
    board.place("C3", two_pads(7.5, (1.8, 1.8)), (30, 8), ("GND", "GND_ISO"))
    board.place("R2", CHIP_LARGE, (28, 12), ("GND", "BLEED"))
    board.place("R3", CHIP_LARGE, (32, 12), ("BLEED", "GND_ISO"))
    return board.sketch()


def optocouplers() -> Sketch:
    """Two inputs come in over optocouplers; their side has no copper area and no ground, only a
    connector.
    """
    board = _drawing("optocouplers")
    board.pour("GND", "L2", box(32, 1, 59, 39))
    board.place("J1", in_line(3, 5.08, 2.4, 1.3), (4, 15), ("IN_1", "IN_2", "IN_RET"))
    for n, y in ((1, 12), (2, 28)):
        board.place(f"R{n}", CHIP_LARGE, (15, y), (f"IN_{n}", f"IN_LED{n}"))
        board.place(f"OK{n}", OPTO, (28, y), (f"IN_LED{n}", "IN_RET", "GND", f"STATE_{n}"))
        board.place(f"R{n + 2}", RESISTOR, (40, y), ("3V3", f"STATE_{n}"))
    board.place(
        "U1", SO8, (50, 20), ("STATE_1", "STATE_2", "OUT", "GND", "GND", "OUT", "OUT", "3V3")
    )
    board.place("C1", CAPACITOR, (50, 10), ("3V3", "GND"))
    return board.sketch()


def amplifier_with_its_own_supply() -> Sketch:
    """A measuring amplifier on a floating side: a converter feeds it, a digital isolator brings its
    words across.
    """
    board = _two_sides("amplifier", "GND", "AGND_FLOAT")
    board.place(
        "T1", TRANSFORMER, (30, 30), ("P_A", "P_CT", "P_B", "P_S", "S_S", "S_A", "S_CT", "S_B")
    )
    for pin in "ABS":
        board.place(f"R1{pin}", RESISTOR, (12, 30 + "ABS".index(pin) * 2), (f"P_{pin}", "GND"))
        board.place(f"D1{pin}", RESISTOR, (45, 30 + "ABS".index(pin) * 2), (f"S_{pin}", "VFLOAT"))
    board.place("C2", CAPACITOR, (12, 26), ("P_CT", "GND"))
    board.place("C3", CAPACITOR, (50, 26), ("S_CT", "AGND_FLOAT"))
    board.place("C4", CAPACITOR, (52, 36), ("VFLOAT", "AGND_FLOAT"))
    board.place(
        "U2",
        WIDE8,
        (30, 12),
        ("3V3", "CLK", "DATA", "GND", "AGND_FLOAT", "F_DATA", "F_CLK", "VFLOAT"),
    )
    board.place(
        "U3",
        SO8,
        (45, 12),
        ("F_IN", "F_REF", "F_DATA", "AGND_FLOAT", "F_CLK", "F_OUT", "F_IN", "VFLOAT"),
    )
    board.place("J2", in_line(2, 2.54, 1.7, 1.0), (54, 6), ("F_IN", "AGND_FLOAT"))
    board.place("C1", CAPACITOR, (15, 12), ("3V3", "GND"))
    board.place("J1", in_line(4, 2.54, 1.7, 1.0), (3, 5), ("3V3", "CLK", "DATA", "GND"))
    return board.sketch()


def mains_supply() -> Sketch:
    """Inlet, fuse, choke, rectifier, transformer and optocoupler; capacitors to earth on both sides
    of the choke.
    """
    board = Drawing("mains supply", box(0, 0, 100, 60), 2)
    board.pour("GND", "L2", box(75, 1, 99, 59))
    board.pour("PE", "L1", box(1, 52, 60, 59))
    board.place("J1", in_line(3, 7.5, 3.0, 1.5), (4, 10), ("AC_L", "AC_N", "PE"))
    board.place("F1", LARGE, (10, 30), ("AC_L", "AC_LF"))
    board.place("L1", CHOKE, (25, 25), ("AC_LF", "AC_N", "AC_N2", "AC_L2"))
    board.place("C1", LARGE, (25, 40), ("AC_L2", "AC_N2"))
    board.place("C2", LARGE, (12, 46), ("AC_LF", "PE"))
    board.place("C3", LARGE, (30, 46), ("AC_N2", "PE"))
    board.place("D1", two_rows(4, 5.0, 5.0, (2, 2)), (40, 25), ("AC_L2", "AC_N2", "HV_M", "HV_P"))
    board.place("C4", LARGE, (50, 10), ("HV_P", "HV_M"))
    board.place("Q1", TRANSISTOR, (52, 20), ("GATE", "HV_M", "DRAIN"))
    board.place("U1", SO8, (45, 35), ("GATE", "HV_M", "FB", "HV_M", "HV_M", "AUX", "AUX", "AUX"))
    board.place(
        "T1", TRANSFORMER, (65, 30), ("HV_P", "DRAIN", "AUX", "HV_M", "GND", "GND", "SEC", "SEC")
    )
    board.place("OK1", OPTO, (68, 10), ("FB", "HV_M", "OPTO_K", "OPTO_A"))
    board.place("R1", RESISTOR, (85, 10), ("OPTO_A", "+12V"))
    board.place("U2", TRANSISTOR, (85, 15), ("SENSE", "GND", "OPTO_K"))
    board.place("D2", CHIP_LARGE, (85, 30), ("SEC", "+12V"))
    board.place("C5", CHIP_LARGE, (90, 30), ("+12V", "GND"))
    board.place("R2", RESISTOR, (90, 15), ("SENSE", "+12V"))
    board.place("C6", LARGE, (65, 50), ("HV_M", "GND"))
    board.place("J2", in_line(2, 2.54, 1.7, 1.0), (94, 50), ("+12V", "GND"))
    return board.sketch()


def single_tie() -> Sketch:
    """A converter stands with a row on each ground; a ferrite bead joins them."""
    board = _two_sides("single tie", "DGND", "AGND")
    board.place("U1", SO8, (30, 20), ("VD", "SCK", "DATA", "DGND", "AGND", "AN_IN", "AN_REF", "VA"))
    board.place("FB1", RESISTOR, (30, 5), ("DGND", "AGND"))
    board.place("FB2", RESISTOR, (30, 35), ("VD", "VA"))
    board.place("C1", CAPACITOR, (20, 20), ("VD", "DGND"))
    board.place("C2", CAPACITOR, (40, 20), ("VA", "AGND"))
    board.place("C3", CAPACITOR, (45, 20), ("AN_REF", "AGND"))
    board.place("R1", RESISTOR, (45, 15), ("AN_IN", "AN_SRC"))
    board.place("C4", CAPACITOR, (48, 12), ("AN_IN", "AGND"))
    board.place("J1", in_line(4, 2.54, 1.7, 1.0), (4, 20), ("VD", "SCK", "DATA", "DGND"))
    board.place("J2", in_line(2, 2.54, 1.7, 1.0), (54, 20), ("AN_SRC", "AGND"))
    return board.sketch()


def battery() -> Sketch:
    """Logic in two rows without a single capacitor, and an array of resistors to a connector: one
    reference.
    """
    board = _drawing("battery")
    board.pour("GND", "L2", WHOLE)
    board.place("BT1", LARGE, (12, 35), ("VBAT", "GND"))
    for n in (1, 2, 3):
        gates = (
            f"A{n}",
            f"B{n}",
            f"Y{n}",
            f"A{n}",
            f"B{n}",
            f"Y{n}",
            "GND",
            "Y1",
            "Y2",
            "Y3",
            "A1",
            "B1",
            "B2",
            "VBAT",
        )
        board.place(f"U{n}", DIP14, (10 * n, 15), gates)
    board.place("J1", in_line(2, 2.54, 1.7, 1.0), (4, 3), ("VBAT", "GND"))
    board.place("RN1", ARRAY, (45, 15), ("A1", "A2", "B1", "B2", "O1", "O2", "O3", "O4"))
    board.place("J2", in_line(4, 2.54, 1.7, 1.0), (46, 30), ("O1", "O2", "O3", "O4"))
    return board.sketch()


def cell_stack() -> Sketch:
    """Eight cells, each with a monitor on its own ground; isolators hand the words from one to the
    next.
    """
    board = Drawing("cell stack", box(0, 0, 170, 30), 2)
    for n in range(8):
        x = 20 * n
        board.pour(f"GND_{n}", "L2", box(x + 1, 1, x + 16, 29))
        pins = (
            f"C{n}_P",
            f"C{n}_S",
            f"TX_{n}",
            f"GND_{n}",
            f"GND_{n}",
            f"RX_{n}",
            f"V_{n}",
            f"V_{n}",
        )
        board.place(f"U{n}", SO8, (x + 8, 8), pins)
        board.place(f"C{n}", CAPACITOR, (x + 8, 25), (f"V_{n}", f"GND_{n}"))
        board.place(f"R{n}", RESISTOR, (x + 8, 20), (f"C{n}_P", f"V_{n}"))
        board.place(f"J{n}", in_line(2, 2.54, 1.7, 1.0), (x + 4, 27), (f"C{n}_P", f"GND_{n}"))
        if n < 7:
            m = n + 1
            pins = (
                f"V_{n}",
                f"TX_{n}",
                f"GND_{n}",
                f"GND_{n}",
                f"GND_{m}",
                f"GND_{m}",
                f"RX_{m}",
                f"V_{m}",
            )
            board.place(f"U1{n}", WIDE8, (x + 18.5, 15), pins)
    return board.sketch()


def gate_drivers() -> Sketch:
    """Isolated drivers of a half bridge whose switches stand elsewhere: each output has a ground of
    its own.
    """
    board = Drawing("gate drivers", box(0, 0, 60, 60), 2)
    board.pour("GND", "L2", box(1, 1, 25, 59))
    board.pour("GND_HS", "L2", box(34, 32, 59, 59))
    board.pour("GND_LS", "L2", box(34, 1, 59, 28))
    pins = ("PWM_H", "PWM_L", "5V", "GND", "EN", "DT", "EN", "5V")
    out = ("VDD_HS", "OUT_HS", "GND_HS", "VDD_LS", "OUT_LS", "GND_LS")
    board.place("U1", DRIVER, (30, 30), (*pins, *out))
    board.place("C1", CAPACITOR, (15, 30), ("5V", "GND"))
    board.place("R1", RESISTOR, (15, 20), ("DT", "GND"))
    board.place("J1", in_line(5, 2.54, 1.7, 1.0), (4, 45), ("5V", "PWM_H", "PWM_L", "EN", "GND"))
    for side, y in (("HS", 45), ("LS", 12)):
        board.place(f"C_{side}", CAPACITOR, (45, y), (f"VDD_{side}", f"GND_{side}"))
        board.place(f"R_{side}", RESISTOR, (48, y), (f"OUT_{side}", f"GATE_{side}"))
        board.place(f"PS{y}", MODULE, (24, y + 8), ("5V", "GND", f"GND_{side}", f"VDD_{side}"))
        board.place(
            f"J_{side}", in_line(2, 5.08, 1.7, 1.0), (52, y + 5), (f"GATE_{side}", f"GND_{side}")
        )
    return board.sketch()


def choke_at_the_inlet() -> Sketch:
    """Two windings between the grounds of inlet and logic: its pins and nets may be an isolated
    converter's.
    """
    board = _two_sides("choke", "GND_IN", "GND")
    board.place("L1", CHOKE, (30, 20), ("VIN", "GND_IN", "GND", "VIN_F"))
    board.place("J1", in_line(2, 2.54, 1.7, 1.0), (4, 20), ("VIN", "GND_IN"))
    board.place("C1", CAPACITOR, (15, 20), ("VIN", "GND_IN"))
    board.place("C2", CAPACITOR, (42, 20), ("VIN_F", "GND"))
    board.place("R1", RESISTOR, (45, 20), ("VIN_F", "LED"))
    board.place("D1", RESISTOR, (50, 20), ("LED", "GND"))
    return board.sketch()


def choke_of_signals() -> Sketch:
    """A pair of signals leaves over a choke to a connector, and beside it the ground: one
    reference.
    """
    board = _drawing("signal choke")
    board.pour("GND", "L2", WHOLE)
    board.place("U1", SO8, (20, 20), ("BUS_P", "BUS_N", "TX", "GND", "GND", "RX", "EN", "5V"))
    board.place("L1", CHOKE, (35, 20), ("BUS_P", "BUS_N", "BUS_OUT_N", "BUS_OUT_P"))
    board.place("J1", in_line(3, 2.54, 1.7, 1.0), (54, 20), ("BUS_OUT_P", "BUS_OUT_N", "GND"))
    board.place("J2", in_line(5, 2.54, 1.7, 1.0), (4, 20), ("TX", "RX", "EN", "5V", "GND"))
    return board.sketch()


def bead_and_capacitors() -> Sketch:
    """Two grounds are joined by a bead and, for high frequency, by two capacitors of another
    size.
    """
    board = _two_sides("bead and capacitors", "DGND", "AGND")
    board.place("U1", SO8, (30, 20), ("VD", "SCK", "DATA", "DGND", "AGND", "AN_IN", "AN_REF", "VA"))
    board.place("FB1", CHIP_LARGE, (30, 5), ("DGND", "AGND"))
    board.place("C1", CAPACITOR, (30, 10), ("DGND", "AGND"))
    board.place("C2", CAPACITOR, (30, 30), ("DGND", "AGND"))
    board.place("C3", CAPACITOR, (42, 20), ("VA", "AGND"))
    board.place("C4", CAPACITOR, (20, 20), ("VD", "DGND"))
    board.place("R1", RESISTOR, (45, 15), ("AN_IN", "AGND"))
    board.place("J1", in_line(4, 2.54, 1.7, 1.0), (4, 20), ("VD", "SCK", "DATA", "DGND"))
    return board.sketch()


def relays() -> Sketch:
    """Two relays whose contacts go straight to terminals, with the common contact between the
    coil's ends.
    """
    board = _drawing("relays")
    board.pour("GND", "L2", LEFT)
    for n, y in ((1, 10), (2, 28)):
        nets = {
            "A1": "12V",
            "A2": f"COIL_{n}",
            "COM": f"SW{n}_COM",
            "NO": f"SW{n}_NO",
            "NC": NOT_CONNECTED,
        }
        board.place(f"K{n}", RELAY, (30, y), nets)
        board.place(f"Q{n}", TRANSISTOR, (20, y), (f"CTL_{n}", "GND", f"COIL_{n}"))
        board.place(f"D{n}", CHIP_LARGE, (24, y + 5), ("12V", f"COIL_{n}"))
        board.place(f"R{n}", RESISTOR, (12, y), (f"CTL_{n}", "GND"))
        board.place(
            f"X{n}", in_line(2, 5.08, 2.5, 1.3), (52, y), (f"SW{n}_COM", f"SW{n}_NO"), turn=90
        )
    board.place("C1", CAPACITOR, (12, 35), ("12V", "GND"))
    board.place("J1", in_line(4, 2.54, 1.7, 1.0), (4, 20), ("12V", "CTL_1", "CTL_2", "GND"))
    return board.sketch()


def shared_connector() -> Sketch:
    """Both sides leave by one wide connector: it straddles the gap."""
    board = _two_sides("shared connector")
    board.place(
        "U1", WIDE8, (30, 20), ("3V3", "TX", "RX", "GND", "GND_ISO", "RX_ISO", "TX_ISO", "V_ISO")
    )
    board.place("C1", CAPACITOR, (20, 20), ("3V3", "GND"))
    board.place("C2", CAPACITOR, (40, 20), ("V_ISO", "GND_ISO"))
    row = in_line(8, 5.08, 1.7, 1.0)
    board.place(
        "J1", row, (12, 5), ("3V3", "TX", "RX", "GND", "GND_ISO", "RX_ISO", "TX_ISO", "V_ISO")
    )
    return board.sketch()


def two_supplies_on_one_ground() -> Sketch:
    """Four layers: a ground, a supply plane over it, and amplifiers in two rows; nothing to
    separate.
    """
    board = _drawing("planes", 4)
    board.pour("0V", "L2", WHOLE)
    board.pour("+3V3", "L3", WHOLE)
    for n in range(4):
        x = 10 + 12 * n
        pins = (f"S{n}_A", f"S{n}_B", f"S{n}_C", "0V", f"S{n}_D", f"S{n}_E", f"S{n}_F", "+3V3")
        board.place(f"U{n}", SO8, (x, 20), pins)
        board.place(f"C{n}", CAPACITOR, (x, 30), ("+3V3", "0V"))
    square = (Land("1", (0, 0), (1.7, 1.7), RECTANGLE, 1.0),)
    board.place("TP1", square, (5, 35), ("S0_A",))
    return board.sketch()


ISOLATED = """
[region.main]
reference = ["GND"]
nets = ["*"]
[region.iso]
reference = ["GND_ISO"]
nets = ["*_ISO"]
[[barrier]]
between = ["main", "iso"]
"""
STACK = "".join(
    f'[region.r{n}]\nreference = ["GND_{n}"]\nnets ='
    f" {'[' + chr(34) + '*' + chr(34) + ']' if n == 0 else cells}\n"
    for n in range(8)
    for cells in [f'["C{n}_P", "C{n}_S", "TX_{n}", "RX_{n}", "V_{n}"]']
) + "".join(
    f'[[barrier]]\nbetween = ["r{n}", "r{n + 1}"]\nisolators = ["U1{n}"]\n' for n in range(7)
)

CIRCUITS = {
    "isolated converter": Circuit(
        isolated_converter, f'{ISOLATED}isolators = ["PS1"]\n', lines=2, asked=("C3", "R2 + R3")
    ),
    "optocouplers": Circuit(
        optocouplers,
        """
[region.main]
reference = ["GND"]
nets = ["*"]
[region.inputs]
reference = []
nets = ["IN_*"]
[[barrier]]
between = ["main", "inputs"]
isolators = ["OK1", "OK2"]
""",
    ),
    "amplifier with its own supply": Circuit(
        amplifier_with_its_own_supply,
        """
[region.main]
reference = ["GND"]
nets = ["*"]
[region.float]
reference = ["AGND_FLOAT"]
nets = ["F_*", "S_*", "VFLOAT"]
quiet = true
[[barrier]]
between = ["main", "float"]
isolators = ["T1", "U2"]
""",
    ),
    "mains supply": Circuit(
        mains_supply,
        """
[region.mains]
reference = []
nets = ["AC_*", "HV_*", "GATE", "DRAIN", "FB", "AUX"]
[region.low]
reference = ["GND"]
nets = ["*"]
[region.earth]
reference = ["PE"]
[[barrier]]
between = ["mains", "low"]
isolators = ["OK1", "T1"]
earthed = ["PE"]
hazardous = "mains"
""",
        asked=("C6",),
    ),
    "single tie": Circuit(
        single_tie,
        """
[region.digital]
reference = ["DGND"]
nets = ["*"]
[region.analog]
reference = ["AGND"]
nets = ["AN_*", "VA"]
quiet = true
[[tie]]
between = ["digital", "analog"]
at = "FB1"
""",
    ),
    "battery": Circuit(battery, '[region.main]\nreference = ["GND"]\nnets = ["*"]\n'),
    "cell stack": Circuit(cell_stack, STACK, lines=5),
    "gate drivers": Circuit(
        gate_drivers,
        """
[region.main]
reference = ["GND"]
nets = ["*"]
[region.high]
reference = ["GND_HS"]
nets = ["*_HS"]
[region.low]
reference = ["GND_LS"]
nets = ["*_LS"]
[[barrier]]
between = ["main", "high"]
isolators = ["PS45", "U1"]
[[barrier]]
between = ["main", "low"]
isolators = ["PS12", "U1"]
[[barrier]]
between = ["high", "low"]
isolators = ["U1"]
""",
    ),
    "choke at the inlet": Circuit(
        choke_at_the_inlet,
        """
[region.inlet]
reference = ["GND_IN"]
nets = ["VIN"]
[region.main]
reference = ["GND"]
nets = ["*"]
[[tie]]
between = ["inlet", "main"]
at = "L1"
""",
        lines=5,
        asked=("L1",),
    ),
    "choke of signals": Circuit(
        choke_of_signals, '[region.main]\nreference = ["GND"]\nnets = ["*"]\n', asked=("L1",)
    ),
    "bead and capacitors": Circuit(
        bead_and_capacitors,
        """
[region.digital]
reference = ["DGND"]
nets = ["*"]
[region.analog]
reference = ["AGND"]
nets = ["AN_*", "VA"]
quiet = true
[[tie]]
between = ["digital", "analog"]
at = "FB1"
[nets]
stitching = ["C1", "C2"]
""",
        lines=5,
    ),
    "relays": Circuit(
        relays,
        """
[region.main]
reference = ["GND"]
nets = ["*"]
[region.contacts]
reference = []
nets = ["SW*"]
[[barrier]]
between = ["main", "contacts"]
isolators = ["K1", "K2"]
""",
    ),
    "shared connector": Circuit(
        shared_connector, f'{ISOLATED}isolators = ["U1"]\nstraddling = ["J1"]\n'
    ),
    "planes": Circuit(
        two_supplies_on_one_ground,
        '[region.main]\nreference = ["0V"]\nnets = ["*"]\nplanes = ["+3V3"]\n'
        '[nets]\nstitching = ["C0", "C1", "C2", "C3"]\n',
    ),
}
