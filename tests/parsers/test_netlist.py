"""Test netlists: records, units, aliases, and how points name copper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from parsers.assembly.connectivity import connect
from parsers.board import PLATED, UNPLATED, Outline, holes
from parsers.netlist import (
    ALL_LAYERS,
    SURFACE,
    THROUGH,
    Netlist,
    Point,
    looks_like_netlist,
    read_netlist,
)
from parsers.package.names import Tables
from parsers.package.naming import Naming, name_copper, open_nets
from parsers.package.netlist_checks import netlist_doubts, told_edge
from parsers.primitives import NO_NET, UNKNOWN_NET, Conductors, Kind, concatenate, conductors
from parsers.trouble import FormatError

HEAD = "P  JOB   demo\nP  UNITS CUST 0\n"
# The worked lines and their values are those of a public description of the format, split by hand.
THROUGH_LINE = "317+3.3V            J13   -2    D0400PA00X+043550Y+006480"
SURFACE_LINE = "327PCI_CLK          U26   -46         A01X+030715Y+015735"
PADDED_LINE = "317N1               VIA   -     D  24PA00X  14900Y   1450"
SIGN_LINE = "327N2               C1    -+          A02X-000100Y+000000"


def read(*lines: str, head: str = HEAD, end: str = "999") -> Netlist:
    return read_netlist("\n".join([head.rstrip("\n"), *lines, end]).encode(), "n.ipc")


def test_a_through_hole_record() -> None:
    """Net, pin, hole, access and place stand in their columns; 0.0001 inch is the unit."""
    (point,) = read(THROUGH_LINE).points
    assert (point.net, point.part, point.pin, point.kind) == ("+3.3V", "J13", "2", THROUGH)
    assert (point.access, point.plated) == (ALL_LAYERS, PLATED)
    assert (point.x, point.y, point.hole) == pytest.approx((110.617, 16.4592, 1.016))


def test_a_surface_record() -> None:
    """A land on the top side."""
    (point,) = read(SURFACE_LINE).points
    assert (point.net, point.part, point.pin, point.kind, point.access) == (
        "PCI_CLK",
        "U26",
        "46",
        SURFACE,
        1,
    )
    assert (point.x, point.y) == pytest.approx((78.0161, 39.9669))


def test_blanks_pad_numbers_and_pins_may_be_signs() -> None:
    """`D  24` and `X  14900` are 24 and 14900; pin `+` is a name."""
    padded, sign = read(PADDED_LINE, SIGN_LINE).points
    assert (padded.hole, padded.x, padded.y) == pytest.approx((0.06096, 37.846, 3.683))
    assert (sign.pin, sign.x) == ("+", pytest.approx(-0.254))


@pytest.mark.parametrize(
    ("unit", "x"), [("CUST 0", 110.617), ("CUST", 110.617), ("CUST 1", 43.55), ("CUST 2", 110.617)]
)
def test_units(unit: str, x: float) -> None:
    """CUST 0 and 2 count 0.0001 inch, CUST 1 counts 0.001 mm."""
    assert read(THROUGH_LINE, head=f"P  UNITS {unit}\n").points[0].x == pytest.approx(x)


@pytest.mark.parametrize(
    ("lines", "head", "message"),
    [
        ([THROUGH_LINE], "P  JOB demo\n", r"n\.ipc:2: no UNITS before the first record"),
        ([THROUGH_LINE], "P  UNITS FURLONG\n", r"n\.ipc:1: unit 'FURLONG' is not known"),
        ([THROUGH_LINE, "P  UNITS CUST 1"], HEAD, r"n\.ipc:4: the unit changes"),
    ],
)
def test_a_netlist_without_a_clear_unit_is_refused(
    lines: list[str], head: str, message: str
) -> None:
    """Places in an unknown unit would name the wrong copper."""
    with pytest.raises(FormatError, match=message):
        read(*lines, head=head)


@pytest.mark.parametrize(
    ("alias", "net"),
    [
        ("P  NNAME1 A_REALLY_LONG_NET_NAME", "NNAME1"),
        ("C  NNAMEm0000 A_REALLY_LONG_NET_NAME", "m0000"),
        ("P  NNAME1 NNAME1 A_REALLY_LONG_NET_NAME", "NNAME1"),
    ],
)
def test_long_names_have_aliases(alias: str, net: str) -> None:
    """Aliases in parameters or comments, with or without their prefix in the records."""
    assert read(alias, f"317{net:14}").points == ()
    assert read(alias, f"317{net:14}" + THROUGH_LINE[17:]).points[0].net == "A_REALLY_LONG_NET_NAME"


def test_a_continuation_takes_the_net_of_its_record() -> None:
    """A 027 line adds a place to the net before it."""
    first, second = read(SURFACE_LINE, "027" + " " * 35 + "A02X+000100Y+000200").points
    assert (second.net, second.pin, second.access) == (first.net, first.pin, 2)
    assert (second.x, second.y) == pytest.approx((0.254, 0.508))


def test_conductors_name_the_copper_beneath_them() -> None:
    """Two chains on layer 3, the second in a continuation: a point in the middle of the first
    segment of each.
    """
    first = f"378{'GND':14} L03 X0100 X+001000Y+002000 X+003000 Y+009000 *"
    found = read(first, "078 X+000000Y+000000 Y+000400 *").points
    assert [(p.net, p.access, p.kind) for p in found] == [("GND", 3, SURFACE)] * 2
    assert [(p.x, p.y) for p in found] == [pytest.approx((5.08, 5.08)), pytest.approx((0, 0.508))]


@pytest.mark.parametrize(
    ("codes", "layers", "found"),
    [
        ((0, 1, 2), 4, [ALL_LAYERS, 1, 4]),
        ((0, 1, 2), 2, [ALL_LAYERS, 1, 2]),
        ((1, 2, 4), 4, [1, 2, 4]),
        ((0, 1), 4, [ALL_LAYERS, 1]),
    ],
)
def test_access_codes_of_two_faces_name_the_faces(
    codes: tuple[int, ...], layers: int, found: list[int]
) -> None:
    """Where no code is above 2, 02 is the bottom, however many layers the board has (exporters'
    habit, no source).
    """
    assert (
        netlist(*(point("A", 0, 0, access=code) for code in codes)).access(layers).tolist() == found
    )


def test_holes_without_a_net_are_read() -> None:
    """Tooling and unplated holes name nothing; tooling features are neither point nor hole."""
    unplated = "367" + " " * 29 + "D0800UA00X+029100Y+012400"
    found = read(unplated, "347" + unplated[3:37] + " " + unplated[38:], "337" + unplated[3:])
    assert [(h.hole, h.x, h.plated) for h in found.holes] == [
        (pytest.approx(2.032), pytest.approx(73.914), UNPLATED)
    ] * 2
    assert found.points == found.doubts == ()


def test_the_edge_is_read() -> None:
    """Chains of an outline and its continuation; a coordinate that is not told keeps its value."""
    found = read(f"389{'BOARD_EDGE':14}     X+000000Y+000000 X+010000", "089Y+020000*X0Y0X0Y10000")
    assert found.edge == tuple(
        pytest.approx(p) for p in [(0, 0), (25.4, 0), (25.4, 50.8), (0, 0), (0, 25.4)]
    )
    assert found.points == found.doubts == ()


def test_neighbours_that_have_records_are_no_trouble() -> None:
    """Nets beside each other, by their names or their aliases."""
    named = "P  NNAME1 A_REALLY_LONG_NET_NAME", f"327{'NNAME1':14}" + SURFACE_LINE[17:]
    assert read(*named, SURFACE_LINE, "379NNAME1        PCI_CLK", "079 N/C").doubts == ()


def test_a_layer_of_conductors_is_no_face() -> None:
    """Where 02 is the bottom for points, a conductor on L02 still is on the second layer."""
    lines = SURFACE_LINE, SIGN_LINE, f"378{'GND':14} L02 X0100 X+001000Y+002000 X+003000Y+009000"
    assert read(*lines).access(4).tolist() == [1, 4, 2]


@pytest.mark.parametrize(
    ("lines", "end", "what"),
    [
        (["555 what"], "999", "n.ipc has records of type '555'"),
        (["370 what", "370 more"], "999", "n.ipc has records of type '370' (2 times)"),
        (["390R1"], "999", "n.ipc has records of type '390'"),
        (["379GND  VCC"], "999", "n.ipc names 2 nets that have no record"),
        (["389PANEL_EDGE     X0Y0"], "999", "n.ipc shows a panel"),
        (["389SCORE_LINE     X0Y0"], "999", "n.ipc draws SCORE_LINE"),
        (["089X0Y0"], "999", "n.ipc has records of type '089' that continue nothing"),
        ([f"389{'BOARD_EDGE':14}     X0Y0 X1Q2"], "999", "n.ipc has places that are not readable"),
        ([SURFACE_LINE[:41]], "999", "n.ipc has records without a place"),
        (
            [SURFACE_LINE[:41] + "X+0307x5Y+015735"],
            "999",
            "n.ipc has numbers that are not readable",
        ),
        (["378GND L01 X10"], "999", "n.ipc has conductors without a layer"),
        ([f"378{'GND':14} L01 X10 X1Q2"], "999", "n.ipc has places that are not readable"),
        (["P  IMAGE PRIMARY", "P  IMAGE PANEL"], "999", "n.ipc holds several images"),
        ([], "", "n.ipc has no end mark (999)"),
    ],
)
def test_what_is_not_understood_is_doubted(lines: list[str], end: str, what: str) -> None:
    """A line that may name copper and is not read makes the board incomplete."""
    assert what in [d.what for d in read(*lines, end=end).doubts]


@pytest.mark.parametrize(
    ("data", "is_netlist"),
    [
        (HEAD.encode(), True),
        (THROUGH_LINE.encode(), True),
        (b"C  hello\n", False),
        (b"%FSLAX24Y24*%", False),
    ],
)
def test_netlists_are_told_by_their_content(data: bytes, is_netlist: bool) -> None:
    """Whatever the file is called."""
    assert looks_like_netlist(data) == is_netlist


@given(st.text("0123456789XYDAPNC +-/", max_size=90))
def test_any_record_is_read_or_doubted(line: str) -> None:
    """Broken records leave finite places or none."""
    try:
        found = read(line)
    except FormatError:
        return
    assert np.isfinite(found.places()).all()


# ------------------------------------------------------------------------------------ naming copper


def pad(
    x: float, y: float, net: int = UNKNOWN_NET, layer: int = 0, size: float = 1.0
) -> Conductors:
    row = np.array([[x, y, 0, 0, 0]])
    return conductors(
        1, kind=Kind.DISC, geometry=row, radius=size / 2, net=net, layer=layer, pad=True
    )


def track(x0: float, y0: float, x1: float, y1: float, layer: int = 0) -> Conductors:
    return conductors(1, geometry=np.array([[x0, y0, x1, y1, 0]]), radius=0.1, layer=layer)


def point(
    net: str, x: float, y: float, access: int = 1, part: str = "", pin: str = "", hole: float = 0.0
) -> Point:
    kind = THROUGH if hole else SURFACE
    return Point(net, part, pin, kind, access, x, y, hole, PLATED if hole else UNPLATED, 1)


def netlist(*points: Point) -> Netlist:
    return Netlist("n.ipc", points, 0.00254)


def named(
    copper: Conductors, *points: Point, tables: Tables | None = None
) -> tuple[Naming, Tables]:
    tables = tables or Tables()
    return name_copper(netlist(*points), copper, holes(), tables, 2), tables


def net_names(naming: Naming, tables: Tables) -> list[str]:
    names = {NO_NET: "no net", UNKNOWN_NET: "unknown"}
    return [names.get(n) or tables.nets[n].name for n in naming.copper.net.tolist()]


def test_a_point_names_the_pad_under_it_on_its_layer() -> None:
    """The pad, not the track across it, and not the pad on the other side."""
    copper = concatenate([track(-5, 0, 5, 0), pad(0, 0), pad(0, 0, layer=1)])
    naming, tables = named(copper, point("SIG", 0.2, 0.2))
    assert net_names(naming, tables) == ["unknown", "SIG", "unknown"]
    assert naming.doubts == ()


def test_a_point_without_pad_names_the_smallest_copper() -> None:
    """Painted lands are found too."""
    naming, tables = named(
        concatenate([track(-9, 0, 9, 0), track(-1, 0, 1, 0)]), point("SIG", 0, 0)
    )
    assert net_names(naming, tables) == ["unknown", "SIG"]


def test_a_point_beside_copper_by_less_than_a_step_of_the_netlist_is_on_it() -> None:
    """Steps of 0.00254 mm: 0.002 mm off a pad of radius 0.5 is on it, 0.004 mm is not."""
    for x, net in ((0.502, "SIG"), (0.504, "unknown")):
        naming, tables = named(concatenate([pad(0, 0), pad(5, 0)]), point("SIG", x, 0))
        assert net_names(naming, tables) == [net, "unknown"]


def test_a_hole_on_all_layers_is_named_with_its_pads() -> None:
    """Access 00 of a through hole reaches every layer, and the hole itself."""
    drilled = holes(1, ends=np.array([[0.0, 0, 0, 0]]), radius=0.2, plated=PLATED, last=1)
    tables = Tables()
    copper = concatenate([pad(0, 0), pad(0, 0, layer=1)])
    naming = name_copper(
        netlist(point("SIG", 0, 0, ALL_LAYERS, hole=0.4)), copper, drilled, tables, 2
    )
    assert net_names(naming, tables) == ["SIG", "SIG"]
    assert naming.holes.net.tolist() == [0]


def test_not_connected_pads_are_nets_of_their_own() -> None:
    """N/C is no net that joins pads."""
    copper = concatenate([pad(0, 0), pad(5, 0)])
    naming, tables = named(
        copper, point("N/C", 0, 0, 1, "U1", "3"), point("N/C", 5, 0, 1, "U1", "4")
    )
    assert net_names(naming, tables) == ["N/C (U1.3)", "N/C (U1.4)"]
    assert all(net.single for net in tables.nets)


def test_two_names_on_one_pad_are_doubted_and_name_nothing() -> None:
    """Neither name is taken on trust."""
    naming, tables = named(pad(0, 0), point("A", 0, 0), point("B", 0.1, 0))
    assert net_names(naming, tables) == ["unknown"]
    assert [d.what for d in naming.doubts] == ["n.ipc and the copper disagree on A"]


def test_two_names_on_one_piece_of_copper_are_a_contact() -> None:
    """A short between pads of two nets shows in the connection."""
    copper = concatenate([pad(0, 0), track(0, 0, 9, 0), pad(9, 0)])
    naming, tables = named(copper, point("A", 0, 0), point("B", 9, 0))
    joined = connect(naming.copper, naming.holes, tables.nets, 2)
    assert [c.nets for c in joined.connectivity.contacts] == [(0, 1)]


def test_stated_nets_win_and_a_different_netlist_is_doubted() -> None:
    """What the layers say stays; the netlist's other word is told with its pin."""
    tables = Tables()
    one, two = tables.net("ONE"), tables.net("TWO")
    copper = concatenate([pad(0, 0, one), pad(5, 0, two), pad(9, 0, one)])
    points = [point("ONE", 0, 0), point("ONE", 5, 0, 1, "U1", "7"), point("ONE", 9, 0)]
    naming, _ = named(copper, *points, tables=tables)
    assert net_names(naming, tables) == ["ONE", "TWO", "ONE"]
    assert [d.what for d in naming.doubts] == ["n.ipc and the copper disagree on ONE (U1.7)"]


def test_a_netlist_that_cuts_names_short_agrees() -> None:
    """A name that always and alone meets one stated net is that net; a remark tells."""
    tables = Tables()
    long = tables.net("A_VERY_LONG_NET_NAME")
    naming, _ = named(
        concatenate([pad(0, 0, long), pad(5, 0, long)]),
        point("A_VERY", 0, 0),
        point("A_VERY", 5, 0),
        tables=tables,
    )
    assert net_names(naming, tables) == ["A_VERY_LONG_NET_NAME"] * 2
    assert naming.doubts == ()
    assert [r.what for r in naming.remarks] == ["n.ipc spells 1 nets differently"]


def test_an_open_net_is_doubted() -> None:
    """Two points of one net on copper that nothing joins."""
    copper = concatenate([pad(0, 0), pad(9, 0), pad(5, 5)])
    naming, tables = named(copper, point("A", 0, 0), point("A", 9, 0), point("B", 5, 5))
    joined = connect(naming.copper, naming.holes, tables.nets, 2)
    doubts = open_nets(naming, netlist(), joined.connectivity, tables)
    assert [d.what for d in doubts] == ["net A is open"]
    assert "2 separate pieces" in doubts[0].why


def test_a_few_lost_points_are_told() -> None:
    """The rest is named all the same."""
    pads = [pad(2.0 * i, 0) for i in range(20)]
    naming, tables = named(concatenate(pads), *(point(f"N{i}", 2.0 * i, 0) for i in range(21)))
    assert net_names(naming, tables)[:2] == ["N0", "N1"]
    assert [d.what for d in naming.doubts] == ["1 points of n.ipc meet no copper"]


PLACES = np.array([(1.0 * i * i, 3.0 * i) for i in range(12)])


@pytest.mark.parametrize(
    ("moved", "advice"),
    [
        (PLACES + np.array([100, 0]), "it would fit moved by (-100.000, 0.000) mm"),
        (
            PLACES * (-1, 1) + (300, 0),
            "it would fit mirrored in x and moved by (300.000, 0.000) mm",
        ),
        (
            PLACES / 25.4 + (500, 500),
            "it would fit scaled by 25.4 and moved by (-12700.000, -12700.000) mm",
        ),
        (
            np.random.default_rng(1).uniform(500, 900, PLACES.shape),
            "no shift or mirror image fits either",
        ),
    ],
)
def test_a_misplaced_netlist_names_nothing(moved: np.ndarray, advice: str) -> None:
    """A shifted or mirrored netlist is told with what would fit, and is not applied."""
    copper = concatenate([pad(x, y) for x, y in PLACES])
    naming, tables = named(copper, *(point(f"N{i}", x, y) for i, (x, y) in enumerate(moved)))
    assert set(net_names(naming, tables)) == {"unknown"}
    (doubt,) = naming.doubts
    assert doubt.what == "n.ipc does not fit the copper"
    assert advice in doubt.why


def test_a_small_common_shift_is_doubted() -> None:
    """Points that all lie beside the centres of round pads by one vector tell of another origin."""
    copper = concatenate([pad(x, y) for x, y in PLACES])
    naming, _ = named(copper, *(point(f"N{i}", x + 0.05, y) for i, (x, y) in enumerate(PLACES)))
    assert [d.what for d in naming.doubts] == ["n.ipc is shifted"]
    assert "(0.050, 0.000) mm" in naming.doubts[0].why


def test_a_netlist_without_points_is_doubted() -> None:
    """An empty netlist names nothing, and says so."""
    naming, _ = named(pad(0, 0))
    assert [d.what for d in naming.doubts] == ["n.ipc names nothing"]


def test_a_point_tells_the_pin_of_its_pad() -> None:
    """On every layer of the pad; vias are no pins, and what the layers state stays."""
    drilled = holes(1, ends=np.array([[0.0, 0, 0, 0]]), radius=0.2, plated=PLATED, last=1)
    tables = Tables(refdes={"J1": 0}, pins={"9": 0})
    stated = replace(pad(9, 0), component=np.array([0], np.int32), pin=np.array([0], np.int32))
    copper = concatenate([pad(0, 0), pad(0, 0, layer=1), pad(5, 0), stated])
    points = [
        point("A", 0, 0, ALL_LAYERS, "U1", "3", hole=0.4),
        point("B", 5, 0, 1, "VIA"),
        point("C", 9, 0, 1, "U1", "4"),
    ]
    found = name_copper(netlist(*points), copper, drilled, tables, 2).copper
    names = [*tables.refdes, ""], [*tables.pins, ""]
    told = [(names[0][c], names[1][p]) for c, p in zip(found.component, found.pin, strict=True)]
    assert told == [("U1", "3"), ("U1", "3"), ("", ""), ("J1", "9")]


HOLE = Point("", "", "", THROUGH, 0, 3.0, 4.0, 1.0, UNPLATED, 7)
SQUARE = ((0.0, 0.0), (20.0, 0.0), (20.0, 10.0), (0.0, 10.0))


@pytest.mark.parametrize(
    ("netlist", "plated", "what"),
    [
        (Netlist("n.ipc", (), 0.001, holes=(HOLE,)), UNPLATED, []),
        (
            Netlist("n.ipc", (), 0.001, holes=(HOLE,)),
            PLATED,
            ["holes that n.ipc has unplated are plated"],
        ),
        (
            Netlist("n.ipc", (), 0.001, holes=(HOLE._replace(x=5), HOLE._replace(x=6))),
            UNPLATED,
            ["holes of n.ipc are not on the board (2 holes)"],
        ),
        (Netlist("n.ipc", (), 0.001, edge=SQUARE), UNPLATED, []),
        (
            Netlist("n.ipc", (), 0.001, edge=SQUARE[:2]),
            UNPLATED,
            ["n.ipc and the profile disagree on the board's edge"],
        ),
    ],
)
def test_holes_and_edge_are_held_against_the_board(
    netlist: Netlist, plated: int, what: list[str]
) -> None:
    drilled = holes(1, ends=np.array([[3.0, 4, 3, 4]]), radius=0.5, plated=plated)
    board = Outline(shapely.box(0, 0, 20.1, 10))
    assert [doubt.what for doubt in netlist_doubts(netlist, drilled, board)] == what


def test_an_edge_that_only_the_netlist_draws_is_offered() -> None:
    assert (
        told_edge(Netlist("n.ipc", (), 0.001, edge=(*SQUARE, SQUARE[0])))
        == "; n.ipc draws one: [outline] points = [[0.000, 0.000], [20.000, 0.000], [20.000,"
        " 10.000], [0.000, 10.000]]"
    )
    assert told_edge(None) == ""
