"""Holes, slots, spans, the outline, its cutouts and plated edges; which step is the board."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.board import PLATED, PLATING_UNKNOWN, UNPLATED, Hints
from parsers.ipc2581.openings import rounded_slot
from parsers.primitives import NO_NET, UNKNOWN_NET, stadiums
from parsers.trouble import BoardError
from tests.parsers.ipc2581.files import (
    SQUARE_BOARD,
    File,
    features,
    layer,
    one_set,
    polygon,
    read,
    sentences,
    shape_on,
)

PI = math.pi
DISC = one_set(features('<Circle diameter="1"/>', '<Location x="5" y="5"/>'))
COPPER = dict.fromkeys(("TOP", "IN1", "IN2", "BOTTOM"), DISC)
FOUR = (
    layer("TOP"), layer("IN1", side="INTERNAL"), layer("IN2", side="INTERNAL"), layer("BOTTOM", side="BOTTOM"),
)  # fmt: skip


def hole(
    status: str = "PLATED", x: float = 5, y: float = 5, diameter: float = 0.5, more: str = ""
) -> str:
    size = f'diameter="{diameter}" plusTol="0" minusTol="0"'
    return f'<Hole name="H" platingStatus="{status}" {size} x="{x}" y="{y}"{more}/>'


def slot(inside: str, status: str = "NONPLATED", revision: str = "B1") -> str:
    place = '<Location x="0" y="0"/>' if revision == "C" else ""
    return (
        f'<SlotCavity name="S" platingStatus="{status}" plusTol="0"'
        f' minusTol="0">{place}{inside}</SlotCavity>'
    )


def drilled(inside: str, span: str = "", attributes: str = "", name: str = "DRILL") -> File:
    layers = (*FOUR, layer(name, "DRILL", "ALL", inside=span))
    return File(layers=layers, features={**COPPER, name: one_set(inside, attributes)})


@pytest.mark.parametrize(
    ("status", "plating", "function"),
    [
        ("PLATED", PLATED, "ComponentDrill"),
        ("VIA", PLATED, "ViaDrill"),
        ("VIA_CAPPED", PLATED, "ViaDrill"),
        ("NONPLATED", UNPLATED, "MechanicalDrill"),
    ],
)
def test_a_hole_has_its_place_size_plating_and_net(
    tmp_path: Path, status: str, plating: int, function: str
) -> None:
    board = read(drilled(hole(status, 5.25, 5.125), attributes='net="A"'), tmp_path)
    assert board.holes.ends.tolist() == [[5.25, 5.125, 5.25, 5.125]]
    assert board.holes.radius.tolist() == [0.25]
    assert board.holes.plated.tolist() == [plating]
    assert board.functions[board.holes.function[0]] == function
    assert (board.holes.first[0], board.holes.last[0]) == (0, 3)
    assert board.holes.net.tolist() == [
        board.net_name(0) == "A" and 0 if plating == PLATED else NO_NET
    ]
    assert sentences(board) == []


def test_a_plated_hole_joins_layers_and_takes_their_net(tmp_path: Path) -> None:
    file = drilled(hole())
    file.features["IN2"] = one_set(
        features('<Circle diameter="1"/>', '<Location x="5" y="5"/>'), ""
    )
    board = read(file, tmp_path)
    assert {board.net_name(int(n)) for n in board.copper.net} == {"A"}
    assert board.net_name(int(board.holes.net[0])) == "A"


@pytest.mark.parametrize(
    ("span", "reached"),
    [
        ("", (0, 3)),
        ('<Span fromLayer="TOP" toLayer="IN1"/>', (0, 1)),
        ('<Span fromLayer="BOTTOM" toLayer="IN2"/>', (2, 3)),
        ('<Span fromLayer="IN1" toLayer="IN2"/>', (1, 2)),
        ('<Span fromLayer="IN1"/>', (1, 3)),
        ("<Span/>", (0, 3)),
    ],
)
def test_a_hole_reaches_the_span_of_its_layer(
    tmp_path: Path, span: str, reached: tuple[int, int]
) -> None:
    board = read(drilled(hole(), span), tmp_path)
    assert (board.holes.first[0], board.holes.last[0]) == reached
    assert sentences(board) == []


def test_a_span_may_name_dielectrics_and_masks_of_the_stackup(tmp_path: Path) -> None:
    """From above MASK to below D1 (between TOP and IN1) is copper TOP only; to D2 it is TOP and
    IN1.
    """
    rows = "".join(
        f'<StackupLayer layerOrGroupRef="{name}" thickness="0.1" tolPlus="0" tolMinus="0"/>'
        for name in ("MASK", "TOP", "D1", "IN1", "D2", "IN2", "BOTTOM")
    )
    stack = (
        '<Stackup name="S" overallThickness="1" tolPlus="0" tolMinus="0"'
        ' whereMeasured="METAL"><StackupGroup name="G" thickness="1" tolPlus="0"'
        f' tolMinus="0">{rows}</StackupGroup></Stackup>'
    )
    for last, expected in (("D1", (0, 0)), ("D2", (0, 1))):
        file = drilled(hole(), f'<Span fromLayer="MASK" toLayer="{last}"/>')
        file.stackup = stack
        board = read(file, tmp_path)
        assert (board.holes.first[0], board.holes.last[0]) == expected


def test_holes_may_be_drawn_on_a_stackup_group(tmp_path: Path) -> None:
    """IPC-2581 revision A, 8.2.3.13.4: blind and buried holes name the group that they go
    through.
    """
    rows = "".join(
        f'<StackupLayer layerOrGroupRef="{name}" thickness="0.1" tolPlus="0" tolMinus="0"/>'
        for name in ("IN1", "IN2")
    )
    outer = "".join(
        f'<StackupLayer layerOrGroupRef="{name}" thickness="0.1" tolPlus="0" tolMinus="0"/>'
        for name in ("TOP", "CORE", "BOTTOM")
    )
    stack = (
        '<Stackup name="S" overallThickness="1" tolPlus="0" tolMinus="0"'
        ' whereMeasured="METAL"><StackupGroup name="CORE" thickness="1" tolPlus="0"'
        f' tolMinus="0">{rows}</StackupGroup><StackupGroup name="ALL" thickness="1" tolPlus="0"'
        f' tolMinus="0">{outer}</StackupGroup></Stackup>'
    )
    file = File(layers=FOUR, stackup=stack, features={**COPPER, "CORE": one_set(hole(), "")})
    board = read(file, tmp_path)
    assert (board.holes.first[0], board.holes.last[0]) == (1, 2)
    assert sentences(board) == []


@pytest.mark.parametrize(
    ("file", "sentence"),
    [
        (drilled(hole("")), "a hole without a known plating status"),
        (drilled(hole("SHINY")), "a hole without a known plating status"),
        (
            drilled(hole(), '<Span fromLayer="X" toLayer="TOP"/>'),
            "the span of layer DRILL names X, which is no layer",
        ),
        (drilled(hole(more=' type="SQUARE"')), "a square hole"),
        (drilled(hole(diameter=0)), "a hole without a usable size or place"),
        (drilled(hole().replace('x="5"', "")), "a Hole that cannot be read"),
        (drilled(hole().replace('x="5"', 'x="nan"')), "a Hole that cannot be read"),
        (
            File(layers=FOUR, features={**COPPER, "TOP": DISC + one_set(hole(), "")}),
            "holes on copper layer TOP",
        ),
    ],
)
def test_holes_that_say_too_little_are_doubts(tmp_path: Path, file: File, sentence: str) -> None:
    assert sentence in sentences(read(file, tmp_path))


def test_a_hole_of_unknown_plating_is_kept_as_such(tmp_path: Path) -> None:
    assert read(drilled(hole("")), tmp_path).holes.plated.tolist() == [PLATING_UNKNOWN]


LINE = '<Line startX="3" startY="5" endX="7" endY="5"><LineDesc lineEnd="{}" lineWidth="1"/></Line>'
ROUNDED = (
    '<Outline><Polygon><PolyBegin x="3" y="4.5"/><PolyStepSegment x="7" y="4.5"/><PolyStepCurve'
    ' x="7" y="5.5" centerX="7" centerY="5" clockwise="false"/><PolyStepSegment x="3"'
    ' y="5.5"/><PolyStepCurve x="3" y="4.5" centerX="3" centerY="5"'
    ' clockwise="false"/></Polygon><LineDesc lineEnd="ROUND" lineWidth="0.1"/></Outline>'
)


@pytest.mark.parametrize(
    ("revision", "inside"),
    [
        ("B1", LINE.format("ROUND")),
        ("B1", LINE.format("NONE")),  # the cutter is round whatever the line's end says
        ("B1", ROUNDED),
        ("C", LINE.format("ROUND")),
        ("C", ROUNDED),
        ("C", '<Oval width="5" height="1"/>'),
    ],
)
def test_a_slot_with_round_ends_is_a_stroke_of_its_cutter(
    tmp_path: Path, revision: str, inside: str
) -> None:
    """From (3, 5) to (7, 5), 1 wide, however it is written."""
    written = slot(inside, revision=revision)
    if "Oval" in inside:
        written = written.replace('<Location x="0" y="0"/>', '<Location x="5" y="5"/>')
    board = read(drilled(written), tmp_path)
    assert sentences(board) == []
    assert board.holes.radius.tolist() == pytest.approx([0.5], abs=1e-6)
    (ends,) = board.holes.ends
    assert min(ends.tolist(), ends[[2, 3, 0, 1]].tolist()) == pytest.approx([3, 5, 7, 5], abs=1e-3)
    assert board.holes.plated.tolist() == [UNPLATED]
    assert board.outline is not None
    assert board.outline.shape.area == pytest.approx(400)


def test_a_polyline_slot_is_a_stroke_per_leg_and_a_curved_one_follows_its_arc(
    tmp_path: Path,
) -> None:
    bent = (
        '<Polyline><PolyBegin x="2" y="2"/><PolyStepSegment x="8" y="2"/>'
        '<PolyStepCurve x="8" y="8" centerX="8" centerY="5" clockwise="false"/>'
        '<LineDesc lineEnd="ROUND" lineWidth="1"/></Polyline>'
    )
    board = read(drilled(slot(bent)), tmp_path)
    ends = board.holes.ends
    assert ends[0].tolist() == [2, 2, 8, 2]
    middles = (ends[1:, :2] + ends[1:, 2:]) / 2
    assert np.hypot(middles[:, 0] - 8, middles[:, 1] - 5) == pytest.approx(3, abs=0.001)
    assert np.hypot(*(ends[1:, 2:] - ends[1:, :2]).T).sum() == pytest.approx(3 * PI, rel=1e-3)


def test_a_square_opening_is_a_cutout_of_the_outline(tmp_path: Path) -> None:
    outline = (
        f'<Outline>{polygon("10,4 14,4 14,6 10,6")}<LineDesc lineEnd="ROUND"'
        ' lineWidth="0.1"/></Outline>'
    )
    board = read(drilled(slot(outline)), tmp_path)
    assert sentences(board) == []
    assert len(board.holes) == 0
    assert board.outline is not None
    assert board.outline.shape.area == pytest.approx(400 - 8)
    assert board.outline.plated is None


def test_a_plated_square_opening_is_a_plated_edge_and_a_doubt(tmp_path: Path) -> None:
    outline = (
        f'<Outline>{polygon("10,4 14,4 14,6 10,6")}<LineDesc lineEnd="ROUND"'
        ' lineWidth="0.1"/></Outline>'
    )
    board = read(drilled(slot(outline, "PLATED")), tmp_path)
    assert sentences(board) == ["a plated opening that is no slot"]
    assert board.outline is not None
    assert board.outline.plated is not None
    assert board.outline.plated.length == pytest.approx(12)


def test_a_plated_slot_conducts_like_a_hole(tmp_path: Path) -> None:
    board = read(drilled(slot(LINE.format("ROUND"), "PLATED")), tmp_path)
    assert board.holes.plated.tolist() == [PLATED]
    assert board.net_name(int(board.holes.net[0])) == "A"


@pytest.mark.parametrize(
    ("inside", "sentence"),
    [
        ("", "a slot without a shape"),
        (LINE.format("ROUND") + '<MaterialCut depth="0.5"/>', "a cavity of limited depth"),
        (
            LINE.format("ROUND").replace("Line ", "Groove ").replace("</Line>", "</Groove>"),
            "Groove in place of a shape",
        ),
    ],
)
def test_slots_that_are_not_read_are_doubts(tmp_path: Path, inside: str, sentence: str) -> None:
    assert sentence in sentences(read(drilled(slot(inside)), tmp_path))


def test_cutter_paths_on_a_routing_layer_count_inside_the_board_only(tmp_path: Path) -> None:
    layers = (*FOUR, layer("ROUT", "ROUT", "ALL"))
    inside = features(LINE.format("ROUND"))
    edge = features(
        '<Line startX="0" startY="-0.5" endX="20" endY="-0.5"><LineDesc lineEnd="ROUND"'
        ' lineWidth="1"/></Line>'
    )
    board = read(File(layers=layers, features={**COPPER, "ROUT": one_set(edge, "")}), tmp_path)
    assert len(board.holes) == 0
    assert sentences(board) == []
    board = read(
        File(layers=layers, features={**COPPER, "ROUT": one_set(inside + edge, "")}), tmp_path
    )
    assert board.holes.ends.tolist() == [[3, 5, 7, 5]]
    assert sentences(board) == ["a cutter path drawn inside the board"]


@settings(max_examples=40)
@given(
    x=st.floats(-50, 50),
    y=st.floats(-50, 50),
    length=st.floats(0, 30),
    angle=st.floats(0, PI),
    radius=st.floats(0.2, 5),
)
def test_a_slot_is_found_again_from_its_opening(
    x: float, y: float, length: float, angle: float, radius: float
) -> None:
    """Round trip: the opening that a cutter makes gives the cutter's path and size again."""
    ends = np.array([[x, y, x + length * math.cos(angle), y + length * math.sin(angle)]])
    found = rounded_slot(stadiums(ends, np.array([radius]))[0])
    assert found is not None
    assert found[1] == pytest.approx(radius, abs=0.002)
    there, back = np.array(found[0]), np.array(found[0])[[2, 3, 0, 1]]
    assert min(np.abs(there - ends[0]).max(), np.abs(back - ends[0]).max()) < 0.005


@pytest.mark.parametrize(
    "shape",
    [
        shapely.box(0, 0, 4, 1),
        shapely.Polygon([(0, 0), (4, 0), (2, 3)]),
        shapely.Point(0, 0).buffer(1, quad_segs=2),
    ],
)
def test_other_openings_are_no_slots(shape: shapely.Polygon) -> None:
    assert rounded_slot(shape) is None


# ---- outline -------------------------------------------------------------------------------------------------------


def test_the_profile_has_curves_and_cutouts(tmp_path: Path) -> None:
    """20 x 20 with one round corner of radius 3 (9 - 9 pi / 4 less) and a 4 x 4 cutout."""
    profile = (
        '<Profile><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="17" y="0"/>'
        '<PolyStepCurve x="20" y="3" centerX="17" centerY="3" clockwise="false"/><PolyStepSegment'
        ' x="20" y="20"/>'
        '<PolyStepSegment x="0" y="20"/><PolyStepSegment x="0" y="0"/></Polygon>'
        f"{polygon('8,8 12,8 12,12 8,12', 'Cutout')}"
        "</Profile>"
    )
    board = read(File(layers=FOUR, profile=profile, features=COPPER), tmp_path)
    assert board.outline is not None
    assert board.outline.shape.area == pytest.approx(400 - 9 + 9 * PI / 4 - 16, abs=1e-3)
    assert not board.outline.shape.intersects(shapely.Point(10, 10))
    assert sentences(board) == []


def test_a_datum_shifts_nothing(tmp_path: Path) -> None:
    """The sample of IPC-2581 revision A, 8.2.3.4: a Datum of (10, 10) and a Profile that is not
    shifted by it.
    """
    text = (
        File(layers=FOUR, features=COPPER)
        .text()
        .replace('<Datum x="0" y="0"/>', '<Datum x="10" y="10"/>')
    )
    board = read(text, tmp_path)
    assert board.outline is not None
    assert board.outline.shape.bounds == (0, 0, 20, 20)
    assert board.copper.geometry[0, :2].tolist() == [5, 5]


def test_an_outline_layer_stands_in_for_a_missing_profile(tmp_path: Path) -> None:
    corners = [(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)]
    lines = "".join(
        f'<Line startX="{a}" startY="{b}" endX="{c}" endY="{d}"><LineDesc lineEnd="ROUND"'
        ' lineWidth="0.1"/></Line>'
        for (a, b), (c, d) in itertools.pairwise(corners)
    )
    layers = (*FOUR, layer("EDGE", "BOARD_OUTLINE", "ALL"))
    drawn = one_set(
        "".join(features(line) for line in lines.replace("</Line>", "</Line>|").split("|") if line),
        "",
    )
    board = read(File(layers=layers, profile="", features={**COPPER, "EDGE": drawn}), tmp_path)
    assert board.outline is not None
    assert board.outline.shape.area == pytest.approx(100)
    with_profile = read(File(layers=layers, features={**COPPER, "EDGE": drawn}), tmp_path)
    assert with_profile.outline is not None
    assert with_profile.outline.shape.area == pytest.approx(400)


def test_without_any_outline_there_is_none(tmp_path: Path) -> None:
    assert read(File(layers=FOUR, profile="", features=COPPER), tmp_path).outline is None


def test_plated_edges_are_drawn_on_a_layer_of_their_own(tmp_path: Path) -> None:
    layers = (*FOUR, layer("PLATING", "EDGE_PLATING", "ALL"))
    edge = features(
        '<Line startX="20" startY="5" endX="20" endY="15"><LineDesc lineEnd="ROUND"'
        ' lineWidth="0.1"/></Line>'
    )
    off = features(
        '<Line startX="12" startY="5" endX="12" endY="15"><LineDesc lineEnd="ROUND"'
        ' lineWidth="0.1"/></Line>'
    )
    board = read(File(layers=layers, features={**COPPER, "PLATING": one_set(edge, "")}), tmp_path)
    assert sentences(board) == []
    assert board.outline is not None
    assert board.outline.plated is not None
    assert board.outline.plated.length == pytest.approx(10, abs=0.05)
    stray = read(File(layers=layers, features={**COPPER, "PLATING": one_set(off, "")}), tmp_path)
    assert sentences(stray) == ["plated edges on PLATING that lie off the outline"]


def test_specified_edge_plating_without_a_place_is_a_doubt(tmp_path: Path) -> None:
    header = '<Spec name="E"><EdgePlating/></Spec>'
    board = read(File(layers=FOUR, header=header, features=COPPER), tmp_path)
    assert sentences(board) == ["edge plating is specified, no layer shows where"]


# ---- steps ---------------------------------------------------------------------------------------------------------


def step(name: str, inside: str = "", kind: str = "", profile: str = SQUARE_BOARD) -> str:
    given_kind = f' type="{kind}"' if kind else ""
    return f'<Step name="{name}"{given_kind}><Datum x="0" y="0"/>{profile}{inside}</Step>'


def repeat(name: str, nx: int = 2, ny: int = 2) -> str:
    return (
        f'<StepRepeat stepRef="{name}" x="0" y="0" nx="{nx}" ny="{ny}" dx="25" dy="25" angle="0"'
        ' mirror="false"/>'
    )


BIG_DISC = one_set(features('<Circle diameter="9"/>'), "")
RAIL = f'<LayerFeature layerRef="TOP">{BIG_DISC}</LayerFeature>'


@pytest.mark.parametrize("kind", ["PALLET", ""])
def test_of_a_panel_the_board_is_taken(tmp_path: Path, kind: str) -> None:
    """The panel repeats the board and has rails with copper of its own: told, not checked."""
    file = File(
        revision="B1",
        layers=FOUR,
        features=COPPER,
        more_steps=step("panel", repeat("board") + RAIL, kind),
    )
    board = read(file, tmp_path)
    assert board.title == "board"
    assert sentences(board) == []
    assert [r.what for r in board.remarks] == [
        "step panel has copper of its own that is not checked"
    ]
    assert len(board.copper) == 4


def test_a_step_of_type_board_wins(tmp_path: Path) -> None:
    other = step("coupon", RAIL, "IC")
    board = read(File(layers=FOUR, features=COPPER, more_steps=other), tmp_path)
    assert board.title == "board"


def test_two_boards_in_one_file_are_a_doubt_and_the_user_picks(tmp_path: Path) -> None:
    another = DISC.replace('x="5"', 'x="7"')
    assert another != DISC
    second = step("second", f'<LayerFeature layerRef="TOP">{DISC}{another}</LayerFeature>', "BOARD")
    file = File(layers=FOUR, features=COPPER, more_steps=second)
    assert "step second is not checked" in sentences(read(file, tmp_path))
    picked = read(file, tmp_path, Hints(step="second"))
    assert picked.title == "second"
    assert (picked.copper.layer == 0).sum() == 2
    assert "step second is not checked" not in sentences(picked)


def test_a_panel_that_the_user_picks_has_doubts_about_what_it_repeats(tmp_path: Path) -> None:
    file = File(
        layers=FOUR, features=COPPER, more_steps=step("panel", repeat("board", 10**9, 10**9) + RAIL)
    )
    board = read(file, tmp_path, Hints(step="panel"))
    assert "step panel repeats step board, which is not drawn" in sentences(board)


def test_two_steps_of_one_name_are_a_doubt(tmp_path: Path) -> None:
    board = read(File(layers=FOUR, features=COPPER, more_steps=step("board", RAIL)), tmp_path)
    assert sentences(board) == ["two steps named board", "copper of unknown net on L1"]


def test_bond_wires_are_a_doubt(tmp_path: Path) -> None:
    text = File(layers=FOUR, features=COPPER).text()
    port = '<Port name="P"><WireBond layerRef="TOP"/><PortConnect portName="Q"/></Port>'
    assert sentences(read(text.replace("</Step>", f"{port}</Step>"), tmp_path)) == ["a bond wire"]


def test_an_unknown_step_is_refused_with_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(BoardError, match=r"board\.xml: has no step 'x'; it has board"):
        read(File(features=COPPER), tmp_path, Hints(step="x"))


def test_a_file_without_step_or_copper_layer_is_refused(tmp_path: Path) -> None:
    text = File(features=COPPER).text()
    no_step = text[: text.index("<Step ")] + text[text.index("</CadData>") :]
    with pytest.raises(BoardError, match="holds no Step"):
        read(no_step, tmp_path)
    with pytest.raises(BoardError, match="declares no copper layer"):
        read(File(layers=(layer("SILK", "SILKSCREEN"),)), tmp_path)


def test_nets_of_other_steps_are_no_nets_of_the_board(tmp_path: Path) -> None:
    ball = one_set(features("<Ball/>"), 'net="Z"')
    second = step("second", f'<LayerFeature layerRef="TOP">{ball}</LayerFeature>')
    board = read(File(layers=FOUR, features=COPPER, more_steps=second), tmp_path)
    assert [net.name for net in board.nets] == ["A"]


# ---- design data ---------------------------------------------------------------------------------------------------

PADSTACK = (
    '<PadStack net="P"><LayerHole name="H" diameter="0.3" platingStatus="VIA" plusTol="0"'
    ' minusTol="0" x="9" y="9"><Span fromLayer="TOP" toLayer="IN1"/></LayerHole><LayerPad'
    ' layerRef="TOP"><Location x="9" y="9"/><Circle diameter="1"/></LayerPad><LayerPad'
    ' layerRef="IN1"><Location x="9" y="9"/><Circle diameter="1"/></LayerPad></PadStack>'
)


def test_padstacks_are_copper_only_where_no_layer_feature_describes_the_layer(
    tmp_path: Path,
) -> None:
    """IPC-2581 revision A, 8.2.3.2: they repeat the design data and are for reference."""
    drawn = dict.fromkeys(("TOP", "IN2", "BOTTOM"), DISC)
    board = read(File(revision="B1", layers=FOUR, before=PADSTACK, features=drawn), tmp_path)
    assert sentences(board) == ["copper layer IN1 is drawn by padstacks and routes only"]
    assert (board.copper.layer == 0).sum() == 1
    assert board.copper.geometry[board.copper.layer == 1, :2].tolist() == [[9, 9]]
    assert (board.holes.first[0], board.holes.last[0]) == (0, 1)


def test_holes_of_padstacks_that_are_drilled_too_count_once(tmp_path: Path) -> None:
    layers = (*FOUR, layer("DRILL", "DRILL", "ALL"))
    both = DISC + one_set(features('<Circle diameter="1"/>', '<Location x="9" y="9"/>'), 'net="P"')
    copper = dict.fromkeys(COPPER, both)
    twice = File(
        revision="B1",
        layers=layers,
        before=PADSTACK,
        features={**copper, "DRILL": one_set(hole("VIA", 9, 9, 0.3), "")},
    )
    board = read(twice, tmp_path)
    assert len(board.holes) == 1
    assert sentences(board) == []
    apart = File(
        revision="B1",
        layers=layers,
        before=PADSTACK,
        features={**copper, "DRILL": one_set(hole("VIA"), "")},
    )
    board = read(apart, tmp_path)
    assert len(board.holes) == 2
    assert sentences(board) == ["a hole of a padstack that no drill layer has"]


def test_routes_are_copper_only_where_no_layer_feature_describes_the_layer(tmp_path: Path) -> None:
    trace = features(
        '<Line startX="1" startY="1" endX="9" endY="1"><LineDesc lineEnd="ROUND"'
        ' lineWidth="1"/></Line>'
    )
    route = f'<Route net="R"><LayerFeature layerRef="TOP"><Set>{trace}</Set></LayerFeature></Route>'
    board = read(File(revision="B1", layers=FOUR, before=route, features=COPPER), tmp_path)
    assert shape_on(board).area < 1
    del COPPER["TOP"]
    try:
        board = read(File(revision="B1", layers=FOUR, before=route, features=COPPER), tmp_path)
    finally:
        COPPER["TOP"] = DISC
    assert board.net_name(int(board.copper.net[0])) == "R"
    assert sentences(board) == ["copper layer TOP is drawn by padstacks and routes only"]


def test_hole_without_net_is_unknown_until_connected(tmp_path: Path) -> None:
    board = read(drilled(hole(x=15, y=15)), tmp_path)
    assert board.holes.net.tolist() == [UNKNOWN_NET]


# ---- whether all fits together -------------------------------------------------------------------------------------


def test_via_lands_without_a_hole_are_a_doubt(tmp_path: Path) -> None:
    land = '<Pad><Location x="5" y="5"/><Circle diameter="1"/></Pad>'
    file = File(layers=FOUR, features={**COPPER, "TOP": one_set(land, 'net="A" padUsage="VIA"')})
    assert sentences(read(file, tmp_path)) == ["pads of vias or wired parts have no holes"]


def test_plated_holes_that_meet_no_copper_are_a_doubt(tmp_path: Path) -> None:
    assert sentences(read(drilled(hole(x=15, y=15)), tmp_path)) == ["plated holes meet no copper"]


def test_copper_of_a_net_beside_the_board_is_a_doubt_and_marks_are_left_out(tmp_path: Path) -> None:
    mark = one_set(features('<Circle diameter="1"/>', '<Location x="-9" y="5"/>'), 'net=""')
    board = read(File(layers=FOUR, features={**COPPER, "TOP": DISC + mark}), tmp_path)
    assert sentences(board) == []
    assert [r.what for r in board.remarks] == ["copper of L1 outside the board"]
    assert (board.copper.layer == 0).sum() == 1
    stray = one_set(features('<Circle diameter="1"/>', '<Location x="-9" y="5"/>'), 'net="B"')
    board = read(File(layers=FOUR, features={**COPPER, "TOP": DISC + stray}), tmp_path)
    assert sentences(board) == ["copper of nets on L1 lies outside the board"]


@pytest.mark.parametrize("polarity", ["", ' polarity="POSITIVE"'])
def test_an_inner_layer_of_lonely_flashes_that_states_no_polarity_may_be_negative(
    tmp_path: Path, polarity: str
) -> None:
    flashes = "".join(
        f'<Pad><Location x="{1 + i % 10}" y="{1 + i // 10}"/><Circle diameter="0.5"/></Pad>'
        for i in range(30)
    )
    file = File(layers=FOUR, features={**COPPER, "IN1": one_set(flashes)})
    text = file.text().replace('side="INTERNAL" polarity="POSITIVE"', f'side="INTERNAL"{polarity}')
    expected = [] if polarity else ["polarity of layer IN1 is not stated"]
    assert sentences(read(text, tmp_path)) == expected
