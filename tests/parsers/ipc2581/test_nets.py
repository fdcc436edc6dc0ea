"""Nets of copper, pins and parts."""

from __future__ import annotations

from pathlib import Path

import pytest

from parsers.board import BOTTOM, TOP, Board
from parsers.ipc2581.nets import is_placeholder
from parsers.primitives import NO_NET, UNKNOWN_NET
from parsers.trouble import BoardError
from tests.parsers.ipc2581.files import File, features, one_set, read, sentences


def pad(x: float, y: float, pin: str = "", shape: str = '<Circle diameter="1"/>') -> str:
    part, _, number = pin.partition(".")
    reference = f'<PinRef componentRef="{part}" pin="{number}"/>' if pin else ""
    return f'<Pad><Location x="{x}" y="{y}"/>{shape}{reference}</Pad>'


def logical_net(name: str, *pins: str) -> str:
    references = "".join(
        '<PinRef componentRef="{}" pin="{}"/>'.format(*pin.split(".")) for pin in pins
    )
    return f'<LogicalNet name="{name}">{references}</LogicalNet>'


def net_names(board: Board) -> list[str]:
    """Name of the net of each conductor."""
    return [board.net_name(int(net)) for net in board.copper.net]


def functions(board: Board) -> list[str]:
    return [board.functions[f] for f in board.copper.function]


@pytest.mark.parametrize(
    ("attributes", "expected"),
    [
        ('net="GND"', "GND"),
        ("", "unknown net"),
        ('net=""', "no net"),
        ('net="No Net"', "no net"),
        ('net="NO_NET"', "no net"),
        ('net="N/C"', "no net"),
        ('net="NC_RELAY"', "NC_RELAY"),
        ('geometryUsage="THIEVING"', "no net"),
        ('geometryUsage="TEXT"', "no net"),
        ('padUsage="FIDUCIAL"', "no net"),
        ('net="GND" geometryUsage="THIEVING"', "GND"),
    ],
)
def test_what_a_set_says_of_its_net(tmp_path: Path, attributes: str, expected: str) -> None:
    shape = features('<RectCenter width="1" height="1"/>', '<Location x="5" y="5"/>')
    board = read(File(features={"TOP": one_set(shape, attributes)}), tmp_path)
    assert net_names(board) == [expected]


def test_copper_whose_net_is_not_stated_is_a_doubt_and_stated_lack_is_none(tmp_path: Path) -> None:
    shape = features('<RectCenter width="1" height="1"/>', '<Location x="5" y="5"/>')
    assert sentences(read(File(features={"TOP": one_set(shape, "")}), tmp_path)) == [
        "copper of unknown net on L1"
    ]
    assert sentences(read(File(features={"TOP": one_set(shape, 'net=""')}), tmp_path)) == []


def test_a_pin_names_its_pad_and_copper_that_touches_it(tmp_path: Path) -> None:
    trace = (
        '<Line startX="5" startY="5" endX="9" endY="5"><LineDesc lineEnd="ROUND"'
        ' lineWidth="0.2"/></Line>'
    )
    file = File(
        nets=logical_net("SIG", "U1.2"),
        features={"TOP": one_set(pad(5, 5, "U1.2") + features(trace), "")},
    )
    board = read(file, tmp_path)
    assert net_names(board) == ["SIG", "SIG"]
    assert board.refdes[board.copper.component[0]] == "U1"
    assert board.pins[board.copper.pin[0]] == "2"


def test_a_pin_that_no_net_lists_is_connected_to_nothing(tmp_path: Path) -> None:
    """LogicalNets list the other pins: U1.3 and U1.4 are unconnected, each a net of its own."""
    pads = pad(5, 5, "U1.2") + pad(8, 5, "U1.3") + pad(11, 5, "U1.4")
    board = read(
        File(nets=logical_net("SIG", "U1.2"), features={"TOP": one_set(pads, "")}), tmp_path
    )
    assert net_names(board) == ["SIG", "N/C (U1.3)", "N/C (U1.4)"]
    assert len(set(board.copper.net.tolist())) == 3
    assert [board.nets[n].single for n in board.copper.net] == [False, True, True]
    assert sentences(board) == []


def test_without_any_logical_net_such_a_pin_is_unknown(tmp_path: Path) -> None:
    board = read(File(features={"TOP": one_set(pad(5, 5, "U1.3"), "")}), tmp_path)
    assert board.copper.net.tolist() == [UNKNOWN_NET]


def test_a_pad_in_a_set_called_no_net_is_an_unconnected_pin(tmp_path: Path) -> None:
    board = read(File(features={"TOP": one_set(pad(5, 5, "U1.3"), 'net="No Net"')}), tmp_path)
    assert [board.nets[n].single for n in board.copper.net] == [True]


def test_a_pad_drawn_in_another_net_than_listed_is_a_doubt(tmp_path: Path) -> None:
    file = File(
        nets=logical_net("A", "U1.1"), features={"TOP": one_set(pad(5, 5, "U1.1"), 'net="B"')}
    )
    board = read(file, tmp_path)
    assert net_names(board) == ["B"]
    assert sentences(board) == ["a pad drawn in another net than its pin is listed in"]


def test_a_pin_listed_in_two_nets_is_a_doubt(tmp_path: Path) -> None:
    nets = logical_net("A", "U1.1") + logical_net("B", "U1.1")
    board = read(File(nets=nets, features={"TOP": one_set(pad(5, 5, "U1.1"), "")}), tmp_path)
    assert net_names(board) == ["A"]
    assert sentences(board) == ["a pin listed in two nets"]


@pytest.mark.parametrize(
    ("nets", "drawn", "doubts"),
    [
        (("unconnected-(U1-Pad1)", "unconnected-(U1-Pad1)_1"), "", []),
        (("unconnected-(U1-Pad1)", "unconnected-(U1-Pad1)_1"), 'net="unconnected-(U1-Pad1)_1"', []),
        (("N/C", "unconnected-(U1-Pad1)"), "", []),
        (("A", "N/C"), "", ["a pin listed in two nets"]),
        (("A", "unconnected-(U1-Pad1)"), "", ["a pin listed in two nets"]),
    ],
)
def test_a_second_automatic_name_without_copper_is_no_second_net(
    tmp_path: Path, nets: tuple[str, str], drawn: str, doubts: list[str]
) -> None:
    """Beside a live net it is a contradiction, whichever comes first."""
    for ordered in (nets, nets[::-1]) if doubts else (nets,):
        listed = "".join(logical_net(net, "U1.1") for net in ordered)
        board = read(
            File(nets=listed, features={"TOP": one_set(pad(5, 5, "U1.1"), drawn)}), tmp_path
        )
        assert sentences(board) == doubts
        if not doubts:
            assert len(board.nets) == 1
            assert [pin.net for part in board.components for pin in part.pins] == [0]


def test_an_automatic_net_of_two_parts_pins_is_no_mere_name(tmp_path: Path) -> None:
    nets = logical_net("unconnected-(U1-Pad1)", "U1.1") + logical_net(
        "unconnected-(U1-Pad1)_1", "U1.1", "U2.1"
    )
    board = read(File(nets=nets, features={"TOP": one_set(pad(5, 5, "U1.1"), "")}), tmp_path)
    assert "a pin listed in two nets" in sentences(board)


def test_pads_of_a_pin_in_two_nets_are_a_doubt_without_any_logical_net(tmp_path: Path) -> None:
    sets = one_set(pad(5, 5, "U1.1"), 'net="A"') + one_set(pad(9, 5, "U1.1"), 'net="B"')
    assert "pin U1.1 has several nets" in sentences(read(File(features={"TOP": sets}), tmp_path))


@pytest.mark.parametrize(
    ("first", "second", "doubts"),
    [
        ("GND", " GND", 1),
        ("GND ", "GND", 1),
        (" GND", " GND", 0),
        ("GND", "GND", 0),
    ],
)
def test_blanks_about_a_name_make_no_new_net(
    tmp_path: Path, first: str, second: str, doubts: int
) -> None:
    """They are no part of the name; where some places have them and others not, somebody must
    look.
    """
    sets = one_set(pad(5, 5), f'net="{first}"') + one_set(pad(9, 5), f'net="{second}"')
    board = read(File(features={"TOP": sets}), tmp_path)
    assert [net.name for net in board.nets] == ["GND"]
    assert (
        sentences(board)
        == ['net "GND" is written with blanks about its name in some places'] * doubts
    )


def test_a_blank_in_a_logical_net_is_seen_against_its_copper(tmp_path: Path) -> None:
    file = File(
        nets=logical_net(" A", "U1.1"), features={"TOP": one_set(pad(5, 5, "U1.1"), 'net="A"')}
    )
    assert sentences(read(file, tmp_path)) == [
        'net "A" is written with blanks about its name in some places'
    ]


def test_the_pin_of_a_set_may_stand_in_its_componentref(tmp_path: Path) -> None:
    shape = '<Pad><Location x="5" y="5"/><Circle diameter="1"/><PinRef pin="7"/></Pad>'
    file = File(
        nets=logical_net("A", "U9.7"), features={"TOP": one_set(shape, 'componentRef="U9"')}
    )
    assert net_names(read(file, tmp_path)) == ["A"]


POINT = (
    '<PhyNetPoint x="{x}" y="{y}" layerRef="{layer}" netNode="END" exposure="EXPOSED"><Circle'
    ' diameter="1"/></PhyNetPoint>'
)


def phy_net(name: str, *points: str) -> str:
    return f'<PhyNetGroup name="G"><PhyNet name="{name}">{"".join(points)}</PhyNet></PhyNetGroup>'


def test_a_point_of_a_physical_net_names_the_copper_under_it(tmp_path: Path) -> None:
    square = features('<RectCenter width="2" height="2"/>', '<Location x="5" y="5"/>')
    drawn = {"TOP": one_set(square, ""), "BOTTOM": one_set(square, "")}
    nets = phy_net("P", POINT.format(x=5.5, y=5.5, layer="TOP"))
    board = read(File(nets=nets, features=drawn), tmp_path)
    assert net_names(board) == ["P", "unknown net"]


def test_points_of_two_nets_on_one_piece_name_nothing(tmp_path: Path) -> None:
    square = features('<RectCenter width="2" height="2"/>', '<Location x="5" y="5"/>')
    nets = phy_net("P", POINT.format(x=5, y=5, layer="TOP")) + phy_net(
        "Q", POINT.format(x=5.5, y=5, layer="TOP")
    )
    board = read(File(nets=nets, features={"TOP": one_set(square, "")}), tmp_path)
    assert net_names(board) == ["unknown net"]


@pytest.mark.parametrize(
    ("name", "expected"),
    [("No Net", True), ("$NONE$NET", False), ("<no net>", True), ("NC", True), ("n/c", True), ("no_connect", True),
     ("unconnected", False), ("NET", False), ("NCS", False), ("NODE", False), ("NO", False), ("", False)],
)  # fmt: skip
def test_names_that_state_that_there_is_no_net(name: str, expected: bool) -> None:
    assert is_placeholder(name) == expected


# ---- functions -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("attributes", "inside", "function", "is_pad"),
    [
        ('net="A" padUsage="VIA"', pad(5, 5), "ViaPad", True),
        ('net="A" padUsage="TERMINATION"', pad(5, 5), "SMDPad", True),
        ('net="A"', pad(5, 5, "U1.1"), "SMDPad", True),
        ('net="A"', pad(5, 5), "OtherPad", True),
        ('net="A" testPoint="true"', pad(5, 5), "TestPad", True),
        ('padUsage="FIDUCIAL"', pad(5, 5), "FiducialPad", True),
        ("", '<LocalFiducial><Location x="5" y="5"/><Circle diameter="1"/></LocalFiducial>', "FiducialPad", True),
        ('net="A" padUsage="VIA"', features('<RectCenter width="1" height="1"/>'), "ViaPad", True),
        ('net="A"', features('<RectCenter width="1" height="1"/>'), "Conductor", False),
        ('geometryUsage="THIEVING"', features('<RectCenter width="1" height="1"/>'), "CopperBalancing", False),
        ('geometryUsage="TEXT"', features('<RectCenter width="1" height="1"/>'), "NonConductor", False),
        ('net="A" geometryUsage="TEARDROP"', features('<RectCenter width="1" height="1"/>'), "Conductor", False),
        ('net="A" geometryUsage="THERMAL_RELIEF"', features('<Oval width="2" height="1"/>'), "ThermalReliefPad", False),
    ],
)  # fmt: skip
def test_functions_have_the_words_of_the_other_copper_format(
    tmp_path: Path, attributes: str, inside: str, function: str, is_pad: bool
) -> None:
    board = read(File(features={"TOP": one_set(inside, attributes)}), tmp_path)
    assert functions(board) == [function]
    assert board.copper.pad.tolist() == [is_pad]


HOLE = '<Hole name="H" diameter="0.5" platingStatus="{}" plusTol="0" minusTol="0" x="{}" y="{}"/>'


def test_a_land_round_a_plated_hole_is_a_component_pad_and_gives_the_hole_its_pin(
    tmp_path: Path,
) -> None:
    file = File(
        features={
            "TOP": one_set(pad(5, 5, "J1.1") + pad(9, 5, "J1.2")),
            "DRILL": one_set(HOLE.format("PLATED", 5, 5)),
        }
    )
    board = read(file, tmp_path)
    assert functions(board) == ["ComponentPad", "SMDPad"]
    assert (board.refdes[board.holes.component[0]], board.pins[board.holes.pin[0]]) == ("J1", "1")


# ---- parts ---------------------------------------------------------------------------------------------------------

PACKAGE = (
    '<Package name="P2" type="CHIP" pinOneOrientation="LEFT"><Outline><Polygon><PolyBegin x="-1"'
    ' y="-1"/><PolyStepSegment x="1" y="-1"/><PolyStepSegment x="1" y="1"/><PolyStepSegment x="-1"'
    ' y="-1"/></Polygon><LineDesc lineEnd="ROUND" lineWidth="0.1"/></Outline><Pin number="1"'
    ' name="IN" type="SURFACE"><Location x="-2" y="0"/><Circle diameter="1"/></Pin><Pin number="2"'
    ' type="SURFACE"><Location x="2" y="0"/><Circle diameter="1"/></Pin></Package>'
)


def component(refdes: str, x: float, y: float, layer: str = "TOP", xform: str = "") -> str:
    return (
        f'<Component refDes="{refdes}" packageRef="P2" part="X" layerRef="{layer}"'
        f' mountType="SMT">{xform}<Location x="{x}" y="{y}"/></Component>'
    )


def test_parts_have_side_package_pins_and_nets(tmp_path: Path) -> None:
    pads = one_set(pad(3, 5, "R1.1"), 'net="A"') + one_set(pad(7, 5, "R1.2"), 'net="B"')
    nets = logical_net("A", "R1.1") + logical_net("B", "R1.2")
    file = File(parts=PACKAGE + component("R1", 5, 5), nets=nets, features={"TOP": pads})
    board = read(file, tmp_path)
    (part,) = board.components
    assert (part.refdes, part.side, part.at, part.package) == ("R1", TOP, (5, 5), "P2")
    assert [(pin.number, pin.name, board.net_name(pin.net), pin.at) for pin in part.pins] == [
        ("1", "IN", "A", (3, 5)), ("2", "", "B", (7, 5)),
    ]  # fmt: skip


def test_pads_without_pins_get_them_from_the_place_of_the_part(tmp_path: Path) -> None:
    """R1 at (5, 5) turned by 90: pin 1 from (-2, 0) to (5, 3), pin 2 to (5, 7)."""
    nets = logical_net("A", "R1.1") + logical_net("B", "R1.2")
    parts = PACKAGE + component("R1", 5, 5, xform='<Xform rotation="90"/>')
    file = File(
        parts=parts, nets=nets, features={"TOP": one_set(pad(5, 3) + pad(5, 7) + pad(9, 9), "")}
    )
    board = read(file, tmp_path)
    assert net_names(board) == ["A", "B", "unknown net"]
    assert [pin.at for pin in board.components[0].pins] == [(5, 3), (5, 7)]


@pytest.mark.parametrize("xform", ["", '<Xform mirror="true"/>'])
def test_bottom_parts_are_mirrored_as_their_pads_show(tmp_path: Path, xform: str) -> None:
    """Exporters differ on whether a bottom part needs an Xform with mirror; the pads decide."""
    nets = logical_net("A", "R1.1", "C1.1") + logical_net("B", "R1.2", "C1.2")
    parts = PACKAGE + component("R1", 5, 5, "BOTTOM", xform) + component("C1", 3, 5)
    bottom = one_set(pad(7, 5), 'net="A"') + one_set(pad(3, 5), 'net="B"')
    more = one_set(pad(1, 1, "C1.1"), 'net="A"') + one_set(pad(1, 9, "C1.2"), 'net="B"')
    file = File(parts=parts, nets=nets, features={"TOP": more, "BOTTOM": bottom})
    board = read(file, tmp_path)
    part = next(c for c in board.components if c.refdes == "R1")
    assert part.side == BOTTOM
    assert {pin.number: pin.at for pin in part.pins} == {"1": (7, 5), "2": (3, 5)}
    assert sentences(board) == []


def test_parts_whose_names_disagree_are_doubts(tmp_path: Path) -> None:
    """The part is placed as R8, its nets list R1 and its pads serve R9."""
    nets = logical_net("A", "R1.1")
    pads = one_set(pad(3, 5, "R9.1"), 'net="A"')
    board = read(
        File(parts=PACKAGE + component("R8", 5, 5), nets=nets, features={"TOP": pads}), tmp_path
    )
    assert "parts of the nets that are not placed" in sentences(board)
    assert "pads of parts that nothing else names" in sentences(board)


def test_pins_of_the_netlist_without_copper_are_a_doubt(tmp_path: Path) -> None:
    file = File(
        nets=logical_net("A", "R1.1", "R9.1"),
        features={"TOP": one_set(pad(3, 5, "R1.1"), 'net="A"')},
    )
    board = read(file, tmp_path)
    assert sentences(board) == ["pins of the netlist without a pad"]
    assert "R9.1" in next(
        d.why for d in board.doubts if d.what == "pins of the netlist without a pad"
    )


def test_who_accepts_one_pin_without_a_pad_has_not_accepted_two(tmp_path: Path) -> None:
    nets = logical_net("A", "R1.1", "R9.1", "R9.2")
    file = File(nets=nets, features={"TOP": one_set(pad(3, 5, "R1.1"), 'net="A"')})
    assert sentences(read(file, tmp_path)) == ["pins of the netlist without a pad (2 pins)"]


def test_parts_that_only_pads_know_are_parts_too(tmp_path: Path) -> None:
    board = read(File(features={"TOP": one_set(pad(3, 5, "R1.1") + pad(7, 5, "R1.2"))}), tmp_path)
    (part,) = board.components
    assert (part.refdes, part.side, part.at) == ("R1", None, (5, 5))


def test_parts_with_more_pins_than_any_board_has_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A package of many pins, placed many times, multiplies."""
    monkeypatch.setattr("parsers.ipc2581.components.MAX_PINS", 9)
    parts = PACKAGE + "".join(component(f"R{i}", i, i) for i in range(5))
    with pytest.raises(BoardError, match=r"board\.xml: parts with more than 9 pins"):
        read(File(parts=parts, features={"TOP": one_set(pad(1, 1))}), tmp_path)


def test_two_parts_of_one_name_are_a_doubt(tmp_path: Path) -> None:
    file = File(
        parts=PACKAGE + component("R1", 5, 5) + component("R1", 9, 9),
        features={"TOP": one_set(pad(1, 1))},
    )
    assert "two components named R1" in sentences(read(file, tmp_path))


def test_wanted_joints_of_nets_are_told(tmp_path: Path) -> None:
    short = (
        '<NetShort><NetRef name="A"/><NetRef name="B"/><Location x="1" y="1"/><LayerRef'
        ' name="TOP"/></NetShort>'
    )
    board = read(File(features={"TOP": one_set(pad(1, 1) + short)}), tmp_path)
    assert [r.what for r in board.remarks] == ["the file wants nets A, B joined"]


def test_a_padstack_definition_gives_the_land_of_a_pad_without_a_shape(tmp_path: Path) -> None:
    define = (
        '<PadStackDef name="V"><PadstackHoleDef name="H" diameter="0.3" platingStatus="VIA"'
        ' plusTol="0" minusTol="0" x="0" y="0"/><PadstackPadDef layerRef="TOP"'
        ' padUse="REGULAR"><Location x="0" y="0"/><Circle'
        ' diameter="0.8"/></PadstackPadDef><PadstackPadDef layerRef="TOP"'
        ' padUse="ANTIPAD"><Location x="0" y="0"/><Circle'
        ' diameter="2"/></PadstackPadDef></PadStackDef>'
    )
    bare = '<Pad padstackDefRef="V"><Location x="5" y="5"/></Pad>'
    drilled = one_set(HOLE.format("VIA", 5, 5))
    board = read(File(before=define, features={"TOP": one_set(bare), "DRILL": drilled}), tmp_path)
    assert board.copper.radius.tolist() == pytest.approx([0.4])
    assert sentences(board) == []
    undrilled = read(File(before=define, features={"TOP": one_set(bare)}), tmp_path)
    assert sentences(undrilled) == ["pads of vias or wired parts have no holes"]
    elsewhere = read(
        File(before=define, features={"BOTTOM": one_set(bare), "DRILL": drilled}), tmp_path
    )
    assert "no PadStackDef V" in sentences(elsewhere)


def test_the_own_shape_of_a_pad_counts_before_its_padstack(tmp_path: Path) -> None:
    pads = '<Pad padstackDefRef="ABSENT"><Location x="5" y="5"/><Circle diameter="1"/></Pad>'
    board = read(File(features={"TOP": one_set(pads)}), tmp_path)
    assert board.copper.radius.tolist() == [0.5]
    assert sentences(board) == []


def test_no_net_constant_is_used_for_stated_lack_only(tmp_path: Path) -> None:
    board = read(
        File(features={"TOP": one_set(pad(1, 1), 'net=""') + one_set(pad(4, 4), "")}), tmp_path
    )
    assert board.copper.net.tolist() == [NO_NET, UNKNOWN_NET]
