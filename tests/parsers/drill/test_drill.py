"""Drill programs and drill layers: places, sizes, plating, slots, and what is refused or
doubted.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.board import PLATED, PLATING_UNKNOWN, UNPLATED
from parsers.drill import (
    Drilled,
    NumberFormat,
    holes_of_image,
    looks_like_drill,
    on_places,
    read_drill,
    read_parameters,
    told_format,
)
from parsers.gerber import read_gerber
from parsers.primitives import NO_NET, UNKNOWN_NET
from parsers.trouble import FormatError

TOOL = "T1C1.0\n%\nT1\n"


def program(body: str, header: str = "METRIC,TZ", tools: str = TOOL) -> bytes:
    return f"M48\n{header}\n{tools}{body}\nM30\n".encode()


def read(body: str, header: str = "METRIC,TZ", tools: str = TOOL) -> Drilled:
    return read_drill(program(body, header, tools), "x.drl")


def ends(drilled: Drilled) -> list[tuple[float, ...]]:
    return [tuple(round(v, 6) for v in row) for row in drilled.holes.ends.tolist()]


# Worked lines for the digits and zeros of coordinates: 15 inch tenths and so on, computed from the
# definition.
NUMBERS = [
    ("INCH,TZ", "X15000Y0", 38.1),
    ("INCH,LZ", "X015Y0", 38.1),
    ("METRIC,TZ", "X1500Y0", 1.5),
    ("METRIC,LZ", "X0015Y0", 1.5),
    ("METRIC,LZ", "X1.5Y0", 1.5),
    ("INCH", "X1.5Y0", 38.1),
    ("METRIC,TZ,0000.00", "X150Y0", 1.5),
    ("METRIC,LZ,0000.00", "X00015Y0", 1.5),
    ("METRIC,TZ\n;FILE_FORMAT=4:4", "X15000Y0", 1.5),
    ("INCH,TZ\n;FILE_FORMAT=2:5", "X150000Y0", 38.1),
    ("; FORMAT={3:3/ absolute / metric / suppress leading zeros}\nMETRIC", "X1500Y0", 1.5),
    ("; FORMAT={2:4/ absolute / inch / suppress trailing zeros}\nINCH", "X015Y0", 38.1),
    ("METRIC,TZ", "X-1500Y0", -1.5),
    ("METRIC,TZ", "X+1500Y0", 1.5),
    ("M71\nMETRIC,TZ", "X.5Y0", 0.5),
]


@pytest.mark.parametrize(("header", "line", "x"), NUMBERS)
def test_coordinates_follow_unit_digits_and_zeros(header: str, line: str, x: float) -> None:
    """A coordinate is what unit, digits and zero suppression make of it, and nothing is doubted."""
    drilled = read(line, header)
    assert drilled.holes.ends[0].tolist() == pytest.approx([x, 0, x, 0], abs=1e-9)
    assert drilled.doubts == ()


@dataclass(frozen=True)
class Moves:
    """Lines of a program and the strokes that they make, in mm."""

    name: str
    body: str
    strokes: tuple[tuple[float, float, float, float], ...]


def at(*places: tuple[float, float]) -> tuple[tuple[float, float, float, float], ...]:
    return tuple((x, y, x, y) for x, y in places)


MOVES = [
    Moves("modal_coordinates_stay", "X1.0Y2.0\nX3.0\nY4.0", at((1, 2), (3, 2), (3, 4))),
    Moves(
        "increments_add_up",
        "X1.0Y1.0\nG91\nX1.0\nY1.0\nG90\nX0.0Y0.0",
        at((1, 1), (2, 1), (2, 2), (0, 0)),
    ),
    Moves(
        "ici_is_incremental_too",
        "ICI,ON\nX1.0Y1.0\nX1.0\nICI,OFF\nX5.0Y5.0",
        at((1, 1), (2, 1), (5, 5)),
    ),
    Moves("g85_is_a_slot", "X1.0Y1.0G85X3.0Y1.0\nX5.0", ((1, 1, 3, 1), (5, 1, 5, 1))),
    Moves("g85_takes_a_missing_coordinate_from_its_start", "X1.0Y1.0G85Y3.0", ((1, 1, 1, 3),)),
    Moves(
        "routed_slot",
        "G00X1.0Y1.0\nM15\nG01X3.0Y1.0\nY2.0\nM16\nG05\nX9.0Y9.0",
        ((1, 1, 3, 1), (3, 1, 3, 2), (9, 9, 9, 9)),
    ),
    Moves("moves_with_the_tool_up_cut_nothing", "G00X1.0Y1.0\nG00X3.0Y1.0\nM15\nM17\nG05", ()),
    Moves("repeats_step", "X1.0Y1.0\nR3X0.5", at((1, 1), (1.5, 1), (2, 1), (2.5, 1))),
    Moves(
        "after_a_repeat_the_last_copy_is_current",
        "X1.0Y1.0\nR2X1.0\nY5.0",
        at((1, 1), (2, 1), (3, 1), (3, 5)),
    ),
    Moves(
        "pattern_again",
        "M25\nX1.0Y1.0\nX2.0\nM01\nM02X10.0Y0.0\nM08",
        at((1, 1), (2, 1), (11, 1), (12, 1)),
    ),
    Moves("leading_line_numbers_mean_nothing", "N10X1.0Y1.0\nN20X2.0", at((1, 1), (2, 1))),
    Moves("several_words_on_the_tool_line", "T1X4.0Y5.0", at((4, 5))),
    Moves("silent_codes", "M06\nG40\nF200\nS300\nM47,hello\n(remark)\nX1.0Y1.0", at((1, 1))),
    Moves("zero_set_at_zero", "G93X0Y0\nX1.0Y1.0", at((1, 1))),
]


@pytest.mark.parametrize("case", MOVES, ids=lambda c: c.name)
def test_moves(case: Moves) -> None:
    """The machine makes exactly these strokes, and nothing is doubted."""
    drilled = read(case.body)
    assert ends(drilled) == [tuple(float(v) for v in s) for s in case.strokes]
    assert drilled.doubts == ()


@pytest.mark.parametrize(
    ("body", "sweep"),
    [
        ("G00X5.0Y0.0\nM15\nG03X0.0Y5.0A5.0\nM16", pi / 2),
        ("G00X5.0Y0.0\nM15\nG03X0.0Y5.0I-5.0J0.0\nM16", pi / 2),
        ("G00X0.0Y5.0\nM15\nG02X5.0Y0.0A5.0\nM16", pi / 2),
        ("G00X5.0Y0.0\nM15\nG03X-5.0Y0.0A5.0\nM16", pi),
        ("G00X5.0Y0.0\nM15\nG02X0.0Y5.0I-5.0J0.0\nM16", 3 * pi / 2),
        ("G00X5.0Y0.0\nM15\nG03X5.0Y0.0I-5.0J0.0\nM16", 2 * pi),
    ],
)
def test_routed_arcs_follow_their_circle(body: str, sweep: float) -> None:
    """All chords lie on the circle of radius 5 about (0, 0), and together are as long as the
    arc.
    """
    drilled = read(body)
    points = drilled.holes.ends.reshape(-1, 2)
    assert np.hypot(*points.T) == pytest.approx(5.0, abs=1e-9)
    steps = drilled.holes.ends[:, 2:] - drilled.holes.ends[:, :2]
    assert np.hypot(*steps.T).sum() == pytest.approx(5 * sweep, rel=1e-4)
    assert drilled.doubts == ()


def test_chords_of_an_unplated_arc_are_no_wider_than_the_slot() -> None:
    """An unplated opening is taken smaller by what the chord strays, a wall that may be plated
    larger.
    """
    body = "G00X5.0Y0.0\nM15\nG03X0.0Y5.0A5.0\nM16"
    unplated = read(body, "METRIC,TZ\n;TYPE=NON_PLATED")
    plated = read(body, "METRIC,TZ\n;TYPE=PLATED")
    assert unplated.holes.radius == pytest.approx(0.5 - 0.0002)
    assert plated.holes.radius == pytest.approx(0.5 + 0.0002)


PLATING = [
    ("METRIC,TZ\n;TYPE=PLATED", TOOL, PLATED),
    ("METRIC,TZ\n;TYPE=NON_PLATED", TOOL, UNPLATED),
    ("; #@! TF.FileFunction,Plated,1,2,PTH\nMETRIC,TZ", TOOL, PLATED),
    ("; #@! TF.FileFunction,NonPlated,1,2,NPTH\nMETRIC,TZ", TOOL, UNPLATED),
    ("METRIC,TZ", "; #@! TA.AperFunction,Plated,PTH,ViaDrill\n" + TOOL, PLATED),
    (
        "METRIC,TZ",
        ";T01 Holesize 1. = 1.0 Tolerance = +0.1/-0.1 NON_PLATED MM Quantity = 1\n" + TOOL,
        UNPLATED,
    ),
    ("METRIC,TZ", TOOL, PLATING_UNKNOWN),
]


@pytest.mark.parametrize(("header", "tools", "plated"), PLATING)
def test_plating_is_what_file_or_tool_states(header: str, tools: str, plated: int) -> None:
    """Plating comes from attributes or comments, and stays unknown without them."""
    drilled = read("X1.0Y1.0", header, tools)
    assert drilled.holes.plated.tolist() == [plated]
    assert drilled.stated_plating == (plated != PLATING_UNKNOWN)


def test_tool_comments_give_size_plating_and_number() -> None:
    """A program whose tools are told in comments only has their sizes in the comment's unit."""
    tools = (
        ";T01 Holesize 1. = 12.0 Tolerance = +0.0/-0.0 PLATED MILS Quantity = 2\n"
        ";T02 Holesize 2. = 125.0 Tolerance = +0.0/-0.0 NON_PLATED MILS Quantity = 1\n%\n"
    )
    drilled = read("T01\nX1.0Y1.0\nX2.0\nT02\nX3.0", tools=tools)
    assert drilled.holes.radius.tolist() == pytest.approx([0.1524, 0.1524, 1.5875])
    assert drilled.holes.plated.tolist() == [PLATED, PLATED, UNPLATED]
    assert drilled.doubts == ()


@pytest.mark.parametrize(
    ("unit", "size", "radius"),
    [
        ("MILS", "40.0", 0.508),
        ("MM", "1.0", 0.5),
        ("MILLIMETERS", "1.0", 0.5),
        ("INCHES", "0.04", 0.508),
        ("MICRONS", "1000.0", 0.5),
    ],
)
def test_a_tool_comment_is_in_the_unit_that_it_names(unit: str, size: str, radius: float) -> None:
    """1 inch = 25.4 mm, 1 mil = 0.0254 mm, 1 micron = 0.001 mm."""
    tools = f";T01 Holesize 1. = {size} Tolerance = +0.0/-0.0 PLATED {unit} Quantity = 1\n%\n"
    drilled = read("T01\nX1.0Y1.0", tools=tools)
    assert drilled.holes.radius.tolist() == pytest.approx([radius])
    assert drilled.doubts == ()


def test_a_unit_that_changes_after_holes_is_doubted_and_holds_for_those_that_follow() -> None:
    drilled = read("X1.0Y1.0\nM72\nX1.0Y1.0")
    assert ends(drilled) == [pytest.approx((1, 1, 1, 1)), pytest.approx((25.4, 25.4, 25.4, 25.4))]
    assert ["changes its unit" in doubt.what for doubt in drilled.doubts] == [True]


def test_a_unit_stated_again_or_changed_before_any_hole_is_no_doubt() -> None:
    """Only holes before the change make it a matter of doubt."""
    assert read("X1.0Y1.0\nM71\nX2.0Y1.0").doubts == ()
    assert read("M72\nX1.0Y1.0").doubts == ()


def test_a_second_offset_of_a_pattern_starts_from_the_copy_before_it_and_is_doubted() -> None:
    """Holes at 1 and 2, copied by 10, and by 5 from there: 11 and 12, 16 and 17."""
    drilled = read("M25\nX1.0Y1.0\nX2.0\nM01\nM02X10.0Y0.0\nM02X5.0Y1.0\nM08")
    assert ends(drilled) == list(at((1, 1), (2, 1), (11, 1), (12, 1), (16, 2), (17, 2)))
    assert ["repeats a pattern more than once" in doubt.what for doubt in drilled.doubts] == [True]


def test_a_new_pattern_starts_its_offsets_anew() -> None:
    drilled = read("M25\nX1.0Y1.0\nM01\nM02X10.0Y0.0\nM08\nM25\nX1.0Y5.0\nM01\nM02X10.0Y0.0\nM08")
    assert ends(drilled) == list(at((1, 1), (11, 1), (1, 5), (11, 5)))
    assert drilled.doubts == ()


def test_attributes_of_objects_reach_their_holes() -> None:
    """Net, part and pin in comments belong to the holes after them, until deleted."""
    body = "\n".join(
        [
            "; #@! TO.N,GND",
            "; #@! TO.P,J1,2,GND",
            "X1.0Y1.0",
            "; #@! TD",
            "X2.0",
            "; #@! TO.N,",
            "X3.0",
        ]
    )
    drilled = read(body, tools="; #@! TA.AperFunction,Plated,PTH,ComponentDrill\n" + TOOL)
    assert drilled.holes.net.tolist() == [0, UNKNOWN_NET, NO_NET]
    assert drilled.nets == (("GND",),)
    assert (drilled.components, drilled.pins) == (("J1",), (("2", "GND"),))
    assert drilled.holes.pin.tolist() == [0, -1, -1]
    assert [drilled.functions[f] for f in drilled.holes.function] == ["ComponentDrill"] * 3


DOUBTED = [
    ("X1.0Y1.0\nG93X5.0Y0.0\nX2.0Y1.0", "moves its zero point"),
    ("G41\nX1.0Y1.0", "uses G41"),
    ("M97,TEXT\nX1.0Y1.0", "has a line that is not understood"),
    ("X1.0Y1.0\nX!2.0", "has a line that is not understood"),
    ("X1.0Y1.0G82X2.0Y1.0", "uses G82"),
    ("T7\nX1.0Y1.0", "gives tool 7 no diameter"),
    ("M15\nG02X5.0Y5.0\nM16", "has an arc without a centre"),
    ("M25\nX1.0Y1.0\nM01\nM02X5.0M80\nM08", "turns or mirrors a pattern"),
    ("M25\nX1.0Y1.0\nM01\nM02X5.0\nM02X5.0\nM08", "repeats a pattern more than once"),
    ("G00X1.0Y1.0\nM15\nG01X2.0\nM16\nX5.0", "moves on in routing mode"),
    ("R5X1.0", "repeats a hole before there is one"),
    ("M02X1.0", "repeats a pattern before there is one"),
    ("X1.0Y1.0\nFMAT,1", "is written in format 1"),
    ("G01X1.0Y1.0", "cuts without a routing mode"),
    ("G00X0.0\nG01X1.0Y1.0", "cuts with the tool up"),
]


@pytest.mark.parametrize(("body", "what"), DOUBTED)
def test_what_is_not_interpreted_is_doubted(body: str, what: str) -> None:
    """Codes that could move or hide a hole are told once, with their line."""
    (doubt,) = read(body).doubts
    assert doubt.what == f"x.drl {what}"
    assert doubt.place.file == "x.drl"


def test_a_program_without_an_end_is_doubted() -> None:
    """A file without M30 may be cut off."""
    (doubt,) = read_drill(program("X1.0Y1.0").removesuffix(b"M30\n"), "x.drl").doubts
    assert doubt.what == "x.drl has no end mark (M30)"


def test_a_wrong_number_of_holes_is_doubted() -> None:
    """A tool comment that announces more holes than there are tells of a file that was cut or
    changed.
    """
    tools = ";T01 Holesize 1. = 1.0 Tolerance = +0/-0 PLATED MM Quantity = 3\n" + TOOL
    (doubt,) = read("X1.0Y1.0", tools=tools).doubts
    assert doubt.what == "x.drl announces another number of holes for tool 1"
    assert "3 announced, 1 found" in doubt.why


def test_a_diameter_without_point_is_doubted_if_it_is_huge() -> None:
    """C32 in a metric file would be a hole of 32 mm."""
    (doubt,) = read("X1.0Y1.0", tools="T1C32\n%\nT1\n").doubts
    assert doubt.what == "x.drl gives tool 1 32 mm"


# --------------------------------------------------------------------------------- unstated formats

PLACES = np.array([[11.3, 47.1], [25.4, 10.16], [3.05, 8.9], [60.0, 41.2]])


def digits(places: np.ndarray, unit: float, decimals: int) -> str:
    return "\n".join("X{:.0f}Y{:.0f}".format(*(row / unit * 10**decimals)) for row in places)


@pytest.mark.parametrize(("unit", "decimals"), [(25.4, 4), (25.4, 5), (1.0, 3), (1.0, 2), (1.0, 4)])
def test_an_unstated_format_is_settled_by_the_pads(unit: float, decimals: int) -> None:
    """Without unit and digits, the format that puts the holes on pads is taken, with a doubt."""
    data = ("M48\n" + TOOL + digits(PLACES, unit, decimals) + "\nM30\n").encode()
    drilled = read_drill(data, "x.drl", scores=[on_places(PLACES)])
    assert drilled.holes.ends[:, :2] == pytest.approx(PLACES, abs=0.01)
    (doubt,) = drilled.doubts
    assert doubt.what == "number format of x.drl is not stated"


def test_a_format_that_nothing_settles_is_refused() -> None:
    """Holes that land on no pad in any format are not guessed."""
    data = ("M48\n" + TOOL + digits(PLACES, 25.4, 4) + "\nM30\n").encode()
    for scores in ([], [on_places(PLACES + 500)]):
        with pytest.raises(
            FormatError, match=r"x\.drl: digits and unit and zeros of the coordinates not stated"
        ):
            read_drill(data, "x.drl", scores=scores)


def test_usual_digits_need_no_doubt_if_the_pads_agree() -> None:
    """INCH,TZ without digits is 2.4 as usual."""
    data = program(digits(PLACES, 25.4, 4), "INCH,TZ")
    assert read_drill(data, "x.drl", scores=[on_places(PLACES)]).doubts == ()
    assert (
        read_drill(data, "x.drl", scores=[on_places(PLACES + 90), on_places(PLACES)]).doubts == ()
    )
    assert read_drill(data, "x.drl").doubts == ()


def test_usual_digits_are_doubted_if_the_pads_disagree() -> None:
    """INCH,TZ without digits whose holes fit the pads as 2.5 is read so, and told."""
    drilled = read_drill(
        program(digits(PLACES, 25.4, 5), "INCH,TZ"), "x.drl", scores=[on_places(PLACES)]
    )
    assert drilled.holes.ends[:, :2] == pytest.approx(PLACES, abs=0.01)
    assert [d.what for d in drilled.doubts] == ["number format of x.drl is not stated"]


def test_a_parameter_file_tells_the_format() -> None:
    """Key and value lines beside the program are tried first, with a doubt."""
    told = read_parameters(
        b"INTEGER-PLACES 2\nDECIMAL-PLACES 4\nOUTPUT-UNITS ENGLISH\nSUPPRESS-LEAD-ZEROES YES\n"
    )
    assert told == NumberFormat(25.4, 2, 4, True)
    data = (TOOL + digits(PLACES, 25.4, 4) + "\nM30\n").encode()
    drilled = read_drill(data, "x.drl", parameters=told, scores=[on_places(PLACES)])
    assert drilled.holes.ends[:, :2] == pytest.approx(PLACES, abs=0.01)
    assert "as told beside it" in drilled.doubts[0].why


def test_numbers_that_mean_the_same_in_every_format_need_no_doubt() -> None:
    """With all six digits written, zero suppression does not matter."""
    assert read("X001500Y002500", "METRIC").doubts == ()
    with pytest.raises(FormatError, match="zeros of the coordinates"):
        read("X1500Y2500", "METRIC")


# -------------------------------------------------------------------------------------- recognition


@pytest.mark.parametrize(
    ("data", "is_drill"),
    [
        (program("X1.0Y1.0"), True),
        (b"%\nT01\nX004450Y000200\nM30\n", True),
        (b"%FSLAX46Y46*%\n%MOMM*%\nX0Y0D03*\nM02*", False),
        (b"M48\x00", False),
        (b"", False),
        (b"RefDes,X,Y\nT1,1,2\n", False),
    ],
)
def test_programs_are_told_by_their_content(data: bytes, is_drill: bool) -> None:
    """Neither layers nor tables of parts are taken for drill programs."""
    assert looks_like_drill(data) == is_drill


# ------------------------------------------------------------------------------ Gerber drill layers

LAYER = """%FSLAX46Y46*%
%MOMM*%
%TF.FileFunction,Plated,1,8,PTH*%
%TA.AperFunction,ViaDrill*%
%ADD10C,0.3*%
%TA.AperFunction,ComponentDrill*%
%ADD11C,1.0*%
%TD.AperFunction*%
G75*
{body}
M02*
"""


def layer(body: str) -> Drilled:
    return image_of(LAYER.format(body=body))


def image_of(text: str) -> Drilled:
    return holes_of_image(read_gerber(text.encode(), "d.gbr"), "d.gbr")


@pytest.mark.parametrize(
    ("told", "plated"),
    [("Plated,1,8,PTH", PLATED), ("NonPlated,1,8,NPTH", UNPLATED), ("Copper,L1,Top", None)],
)
def test_a_drill_layer_states_its_plating_by_its_function_alone(
    told: str, plated: int | None
) -> None:
    """2023.08, 5.6.3: Plated and NonPlated; whatever else stands there states nothing."""
    text = LAYER.format(body="D10*\nX0Y0D03*").replace("Plated,1,8,PTH", told)
    drilled = image_of(text)
    assert drilled.stated_plating == (plated is not None)
    assert drilled.holes.plated.tolist() == [PLATING_UNKNOWN if plated is None else plated]


def test_flashes_are_holes_and_draws_are_slots() -> None:
    """2023.08, 6.6: a flash is a hole, a draw a slot, with net and function of the object and its
    tool.
    """
    drilled = layer(
        "D10*\n%TO.N,SIG*%\nX1000000Y2000000D03*\n%TD.N*%\nD11*\nX5000000Y0D02*\nG01X8000000Y0D01*"
    )
    assert ends(drilled) == [(1.0, 2.0, 1.0, 2.0), (5.0, 0.0, 8.0, 0.0)]
    assert drilled.holes.radius.tolist() == pytest.approx([0.15, 0.5])
    assert drilled.holes.plated.tolist() == [PLATED, PLATED]
    assert [drilled.functions[f] for f in drilled.holes.function] == ["ViaDrill", "ComponentDrill"]
    assert drilled.nets[drilled.holes.net[0]] == ("SIG",)
    assert drilled.doubts == ()


def test_an_arc_is_a_chain_of_short_slots() -> None:
    """A routed quarter circle of radius 5 keeps to it."""
    drilled = layer("D11*\nX5000000Y0D02*\nG03X0Y5000000I-5000000J0D01*")
    assert np.hypot(*drilled.holes.ends.reshape(-1, 2).T) == pytest.approx(5.0, abs=1e-9)
    assert drilled.doubts == ()


def test_areas_in_a_drill_layer_are_doubted() -> None:
    """A region is nothing that a drill makes."""
    drilled = layer("G36*\nX0Y0D02*\nG01X1000000D01*\nY1000000D01*\nX0Y0D01*\nG37*")
    assert len(drilled.holes) == 0
    assert [d.what for d in drilled.doubts] == ["d.gbr has shapes that are no holes"]


def test_who_accepts_one_area_in_a_drill_layer_has_not_accepted_two() -> None:
    area = "G36*\nX{0}Y0D02*\nG01X{1}D01*\nY1000000D01*\nX{0}Y0D01*\nG37*"
    drilled = layer("\n".join(area.format(x, x + 1000000) for x in (0, 5000000)))
    assert [d.what for d in drilled.doubts] == ["d.gbr has shapes that are no holes (2 objects)"]


# --------------------------------------------------------------------------------------- properties


@given(
    st.lists(
        st.tuples(st.integers(-99999, 99999), st.integers(-99999, 99999)), min_size=1, max_size=20
    ),
    st.sampled_from(["METRIC,TZ", "INCH,TZ", "METRIC,LZ", "INCH,LZ"]),
)
def test_written_holes_are_read_again(places: list[tuple[int, int]], header: str) -> None:
    """Places written in any notation come back, one hole each."""
    unit, whole, decimals = (1.0, 3, 3) if header.startswith("METRIC") else (25.4, 2, 4)
    width = whole + decimals

    def text(value: int) -> str:
        full = f"{abs(value):0{width}d}"
        return ("-" if value < 0 else "") + (
            full.rstrip("0") or "0" if header.endswith("LZ") else full.lstrip("0") or "0"
        )

    drilled = read("\n".join(f"X{text(x)}Y{text(y)}" for x, y in places), header)
    assert drilled.holes.ends[:, :2] == pytest.approx(
        np.array(places) / 10**decimals * unit, abs=1e-9
    )


def read_or_refused(data: bytes) -> Drilled | None:
    try:
        return read_drill(data, "x.drl")
    except FormatError:
        return None


@given(st.binary(max_size=200), st.sampled_from([b"", b"M48\nMETRIC,TZ\nT1C1.0\n%\nT1\n"]))
def test_any_bytes_are_read_or_refused(data: bytes, before: bytes) -> None:
    """Nothing but a format error leaves the reader."""
    found = read_or_refused(before + data)
    assert found is None or np.isfinite(found.holes.ends).all()


@given(st.text("XYTRGMAIJC0123456789.-+;%\n", max_size=80))
def test_any_words_are_read_or_refused(text: str) -> None:
    """Programs made of the format's own characters neither crash nor hang."""
    found = read_or_refused(b"M48\nMETRIC,TZ\nT1C1.0\n%\nT1\n" + text.encode())
    assert found is None or np.isfinite(found.holes.ends).all()


@pytest.mark.parametrize(
    ("zeros", "trailing"),
    [
        *(("leading zeros kept", False), ("trailing zeros dropped", False)),
        *(("trailing zeros kept", True), ("leading zeros dropped", True)),
    ],
)
def test_zeros_in_words_of_the_rules_file(zeros: str, trailing: bool) -> None:
    """What is kept on one side is dropped on the other."""
    assert told_format(["mm 3.3", zeros]) == NumberFormat(1.0, 3, 3, trailing)


@pytest.mark.parametrize(
    ("line", "place"), [("T1X1.5", (1.5, 0.0)), ("T1Y2.5", (0.0, 2.5)), ("T1X1.5Y2.5", (1.5, 2.5))]
)
def test_a_tool_may_be_chosen_and_used_in_one_line(line: str, place: tuple[float, float]) -> None:
    """One coordinate is enough for a hit; the other stays."""
    assert ends(read_drill(f"M48\nMETRIC,TZ\nT1C1.0\n%\n{line}\nM30\n".encode(), "x.drl")) == list(
        at(place)
    )
