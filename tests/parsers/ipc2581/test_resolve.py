"""Lines, arcs, areas, dictionaries and polarity: what a feature is as copper."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.ipc2581.curves import Rings, arcs, repaired
from parsers.primitives import Kind
from tests.parsers.ipc2581.files import (
    File,
    copper_of,
    features,
    layer,
    one_set,
    polygon,
    read,
    sentences,
    shape_on,
)

PI = math.pi


def line(ends: str = "ROUND", width: float = 1, more: str = "") -> str:
    return (
        f'<Line startX="0" startY="0" endX="10" endY="0"><LineDesc lineEnd="{ends}"'
        f' lineWidth="{width}"{more}/></Line>'
    )


def arc(ends: str, width: float = 1.0, end: str = "0,4", clockwise: str = "false") -> str:
    x, y = end.split(",")
    return (
        f'<Arc startX="4" startY="0" endX="{x}" endY="{y}" centerX="0" centerY="0"'
        f' clockwise="{clockwise}"><LineDesc lineEnd="{ends}" lineWidth="{width}"/></Arc>'
    )


@pytest.mark.parametrize(
    ("shape", "area"),
    [
        # 10 x 1 and what the ends add: two half discs of 0.5, two half squares, nothing
        (line("ROUND"), 10 + PI / 4),
        (line("SQUARE"), 11),
        (line("NONE"), 10),
        # quarter ring of radius 4, width 1: pi / 2 * 4 * 1, and the same ends
        (arc("ROUND"), 2 * PI + PI / 4),
        (arc("NONE"), 2 * PI),
        (arc("SQUARE"), 2 * PI + 1),
        (arc("NONE", clockwise="true"), 6 * PI),
        # end = start: a full ring
        (arc("ROUND", end="4,0"), 8 * PI),
        (arc("NONE", end="4,0"), 8 * PI),
    ],
)
def test_a_stroke_has_the_area_that_its_ends_give_it(
    tmp_path: Path, shape: str, area: float
) -> None:
    board = copper_of(shape, tmp_path)
    assert sentences(board) == []
    assert area - 1e-6 <= shape_on(board).area <= area * 1.002


def test_round_ends_are_exact_strokes_and_others_areas_with_a_centre_line(tmp_path: Path) -> None:
    assert copper_of(line("ROUND"), tmp_path).copper.kind.tolist() == [Kind.STROKE]
    assert copper_of(arc("ROUND"), tmp_path).copper.kind.tolist() == [Kind.ARC]
    for shape, length in ((line("NONE"), 10), (line("SQUARE"), 10), (arc("NONE"), 2 * PI)):
        copper = copper_of(shape, tmp_path).copper
        assert copper.kind.tolist() == [Kind.AREA]
        assert shapely.length(copper.centres[copper.centre[0]]) == pytest.approx(length, abs=1e-3)


@pytest.mark.parametrize(("ends", "more"), [("ROUND", PI * 0.25), ("NONE", 0), ("SQUARE", 1)])
def test_a_polyline_has_round_joints_and_ends_of_its_own_kind(
    tmp_path: Path, ends: str, more: float
) -> None:
    """Legs of 4, 4 and 4 at right angles, width 1. At each joint a square of 0.5 is covered twice
    and a quarter disc of radius 0.5 is added: 12 + 2 (pi / 16 - 0.25) + ends.
    """
    steps = "".join(f'<PolyStepSegment x="{x}" y="{y}"/>' for x, y in ((4, 0), (4, 4), (8, 4)))
    shape = (
        f'<Polyline><PolyBegin x="0" y="0"/>{steps}<LineDesc lineEnd="{ends}"'
        ' lineWidth="1"/></Polyline>'
    )
    area = 12 + 2 * (PI / 16 - 0.25) + more
    board = copper_of(shape, tmp_path)
    assert area - 1e-6 <= shape_on(board).area <= area * 1.002


def test_a_polyline_may_run_in_curves(tmp_path: Path) -> None:
    """Straight 3, then a half circle of radius 1: a stroke and an arc stroke."""
    shape = (
        '<Polyline><PolyBegin x="0" y="0"/><PolyStepSegment x="3" y="0"/>'
        '<PolyStepCurve x="3" y="2" centerX="3" centerY="1" clockwise="false"/>'
        '<LineDesc lineEnd="ROUND" lineWidth="0.2"/></Polyline>'
    )
    copper = copper_of(shape, tmp_path).copper
    assert copper.kind.tolist() == [Kind.STROKE, Kind.ARC]
    assert copper.geometry[1].tolist() == pytest.approx([3, 1, 1, -PI / 2, PI])


# IPC-2581 revision A, 4.7.3, first sample: closes right only with a counterclockwise curve
CURVED = (
    '<Contour><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="0" y="7"/><PolyStepSegment'
    ' x="-8" y="7"/><PolyStepCurve x="-15" y="0" centerX="-8" centerY="0"{}/><PolyStepSegment x="0"'
    ' y="0"/></Polygon></Contour>'
)


def test_a_curved_contour_has_the_area_worked_by_hand(tmp_path: Path) -> None:
    """8 x 7 and a quarter disc of radius 7: 56 + 49 pi / 4 = 94.4845."""
    board = copper_of(CURVED.format(' clockwise="false"'), tmp_path)
    assert sentences(board) == []
    assert 94.4845 - 1e-4 <= shape_on(board).area <= 94.4845 * 1.0001
    assert shape_on(board).bounds == pytest.approx((-15, 0, 0, 7), abs=0.001)


def test_a_curve_without_a_sense_is_counterclockwise_and_a_doubt(tmp_path: Path) -> None:
    """Revision B lets `clockwise` out; the schema's default is clockwise, the samples need the
    other sense.
    """
    board = copper_of(CURVED.format(""), tmp_path, revision="B")
    assert "a curve without a turning sense" in sentences(board)
    assert shape_on(board).area == pytest.approx(94.4845, rel=1e-4)


def test_a_curve_without_a_sense_is_clockwise_where_only_that_closes_right(tmp_path: Path) -> None:
    """The same contour walked the other way round."""
    shape = (
        '<Contour><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="-15" y="0"/>'
        '<PolyStepCurve x="-8" y="7" centerX="-8" centerY="0"/><PolyStepSegment x="0" y="7"/>'
        '<PolyStepSegment x="0" y="0"/></Polygon></Contour>'
    )
    board = copper_of(shape, tmp_path, revision="B")
    assert shape_on(board).area == pytest.approx(94.4845, rel=1e-4)


def test_each_of_many_curves_without_a_sense_is_judged_alone(tmp_path: Path) -> None:
    """The contour above, as a row of nine that are walked either way in turn."""
    there = CURVED.format("")
    back = (
        '<Contour><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="-15" y="0"/>'
        '<PolyStepCurve x="-8" y="7" centerX="-8" centerY="0"/><PolyStepSegment x="0" y="7"/>'
        '<PolyStepSegment x="0" y="0"/></Polygon></Contour>'
    )
    rows = [features(back if i % 2 else there, f'<Location x="{20 * i}" y="0"/>') for i in range(9)]
    board = read(File("B", features={"TOP": one_set("".join(rows))}), tmp_path)
    assert shapely.area(board.copper.shapes()) == pytest.approx([94.4845] * 9, rel=1e-4)


def test_radii_that_differ_are_a_doubt(tmp_path: Path) -> None:
    """The second sample of 4.7.3 has radii of 3 and 11."""
    shape = (
        '<Arc startX="3" startY="0" endX="0" endY="11" centerX="0" centerY="0" clockwise="false">'
        '<LineDesc lineEnd="ROUND" lineWidth="0.2"/></Arc>'
    )
    assert "a curve whose ends differ in radius" in sentences(copper_of(shape, tmp_path))


def test_a_cutout_is_taken_out_and_its_curves_stay_inside(tmp_path: Path) -> None:
    """10 x 10 less a disc of radius 2 drawn as one full circle: 100 - 4 pi; copper is never
    less.
    """
    cutout = (
        '<Cutout><PolyBegin x="7" y="5"/><PolyStepCurve x="7" y="5" centerX="5" centerY="5"'
        ' clockwise="true"/></Cutout>'
    )
    board = copper_of(f"<Contour>{polygon('0,0 10,0 10,10 0,10')}{cutout}</Contour>", tmp_path)
    assert 100 - 4 * PI <= shape_on(board).area <= (100 - 4 * PI) * 1.0001


@pytest.mark.parametrize("sense", ["true", "false"])
def test_turning_sense_of_a_ring_does_not_matter(tmp_path: Path, sense: str) -> None:
    ring = (
        '<Contour><Polygon><PolyBegin x="7" y="5"/><PolyStepCurve x="7" y="5" centerX="5"'
        f' centerY="5" clockwise="{sense}"/></Polygon></Contour>'
    )
    area = shape_on(copper_of(ring, tmp_path)).area
    assert 4 * PI <= area <= 4 * PI * 1.001


def test_a_polygon_that_is_not_closed_is_closed(tmp_path: Path) -> None:
    shape = (
        '<Contour><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="4" y="0"/><PolyStepSegment'
        ' x="4" y="3"/></Polygon></Contour>'
    )
    assert shape_on(copper_of(shape, tmp_path)).area == pytest.approx(6)


def test_a_slit_in_a_pour_is_no_doubt(tmp_path: Path) -> None:
    """A hole joined to the edge by a cut of no width: 100 - 4, every part wound round once."""
    slit = "0,0 10,0 10,10 0,10 0,5 4,5 4,6 6,6 6,4 4,4 4,5 0,5"
    board = copper_of(f"<Contour>{polygon(slit)}</Contour>", tmp_path)
    assert sentences(board) == []
    assert shape_on(board).area == pytest.approx(96)


def test_edges_that_cross_are_a_doubt_and_all_they_go_round_is_copper(tmp_path: Path) -> None:
    """A bow tie 10 x 10: two triangles of 25."""
    board = copper_of(f"<Contour>{polygon('0,0 10,10 10,0 0,10')}</Contour>", tmp_path)
    assert sentences(board) == ["an area whose edge crosses itself"]
    assert shape_on(board).area == pytest.approx(50)


def test_a_tangle_is_taken_as_its_hull_in_bounded_time(tmp_path: Path) -> None:
    """3,000 edges that nearly all cross each other would have millions of faces."""
    random = np.random.default_rng(1)
    points = " ".join(f"{x:.4f},{y:.4f}" for x, y in random.uniform(0, 10, (3000, 2)))
    board = copper_of(f"<Contour>{polygon(points)}</Contour>", tmp_path)
    assert sentences(board) == ["an area whose edge crosses itself"]
    assert shape_on(board).area > 99


def test_an_area_of_two_corners_is_a_doubt(tmp_path: Path) -> None:
    shape = (
        '<Contour><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="4"'
        ' y="0"/></Polygon></Contour>'
    )
    assert sentences(copper_of(shape, tmp_path)) == ["an area with fewer than three corners"]


def test_an_area_without_extent_is_no_copper_and_no_doubt(tmp_path: Path) -> None:
    board = copper_of(f"<Contour>{polygon('0,0 10,10 5,5')}</Contour>", tmp_path)
    assert sentences(board) == []
    assert len(board.copper) == 0


@pytest.mark.parametrize(
    ("style", "area"),
    [
        ("", 100),
        ('<FillDesc fillProperty="FILL"/>', 100),
        # a line of 0.2 adds 0.1 all round, with round corners
        ('<LineDesc lineEnd="ROUND" lineWidth="0.2"/>', 100 + 4 * 10 * 0.1 + PI * 0.01),
        # hollow: the line alone, 10.2^2 with round corners less 9.8^2
        (
            '<LineDesc lineEnd="ROUND" lineWidth="0.2"/><FillDesc fillProperty="HOLLOW"/>',
            10.2**2 - 0.01 * (4 - PI) - 9.8**2,
        ),
    ],
)
def test_line_and_fill_of_a_polygon(tmp_path: Path, style: str, area: float) -> None:
    board = copper_of(f"<Contour>{polygon('0,0 10,0 10,10 0,10', more=style)}</Contour>", tmp_path)
    assert sentences(board) == []
    assert area - 1e-6 <= shape_on(board).area <= area * 1.001


@pytest.mark.parametrize("fill", ["HATCH", "MESH", "PLAID"])
def test_fills_that_are_not_read_are_doubts(tmp_path: Path, fill: str) -> None:
    style = f'<FillDesc fillProperty="{fill}"/>'
    board = copper_of(f"<Contour>{polygon('0,0 10,0 10,10 0,10', more=style)}</Contour>", tmp_path)
    assert sentences(board) == ["an area with a hatched or unknown fill"]


def test_a_void_fill_removes(tmp_path: Path) -> None:
    """10 x 10 less 4 x 4, as two Contours of one UserSpecial."""
    void = polygon("2,2 6,2 6,6 2,6", more='<FillDesc fillProperty="VOID"/>')
    special = f"<UserSpecial><Contour>{polygon('0,0 10,0 10,10 0,10')}</Contour><Contour>{void}</Contour></UserSpecial>"
    assert shape_on(copper_of(special, tmp_path)).area == pytest.approx(84)


def test_an_outline_on_copper_has_two_readings(tmp_path: Path) -> None:
    """Filled with round joints it is 10.2^2 - 0.01 (4 - pi) = 104.0314; as a stroke 7.9914: a
    doubt, and the larger.
    """
    outline = (
        f'<Outline>{polygon("0,0 10,0 10,10 0,10")}<LineDesc lineEnd="ROUND"'
        ' lineWidth="0.2"/></Outline>'
    )
    board = copper_of(outline, tmp_path)
    assert sentences(board) == ["an outline drawn as copper"]
    assert 104.0314 <= shape_on(board).area <= 104.0314 * 1.0001


def test_an_outline_that_states_its_fill_has_one_reading(tmp_path: Path) -> None:
    inside = polygon("0,0 10,0 10,10 0,10", more='<FillDesc fillProperty="HOLLOW"/>')
    outline = f'<Outline>{inside}<LineDesc lineEnd="ROUND" lineWidth="0.2"/></Outline>'
    board = copper_of(outline, tmp_path)
    assert sentences(board) == []
    assert 7.9914 - 1e-4 <= shape_on(board).area <= 7.9914 * 1.001


def test_of_several_areas_those_that_are_hollow_are_lines_alone(tmp_path: Path) -> None:
    """A filled square, then two hollow ones of 10 and 5 mm: 4 + 7.9914 + 5.2^2 - 4.8^2 less the
    four corners.
    """
    hollow = '<FillDesc fillProperty="HOLLOW"/>'
    filled = polygon("30,0 32,0 32,2 30,2")
    frames = [
        polygon(f"{x},0 {x + a},0 {x + a},{a} {x},{a}", more=hollow) for x, a in ((0, 10), (50, 5))
    ]
    pen = '<LineDesc lineEnd="ROUND" lineWidth="0.2"/>'
    shapes = [
        f"<Contour>{filled}</Contour>",
        *(f"<Outline>{frame}{pen}</Outline>" for frame in frames),
    ]
    board = read(File(features={"TOP": one_set("".join(features(s) for s in shapes))}), tmp_path)
    corners = 0.01 * (4 - math.pi)
    lines = 4 + (10.2**2 - 9.8**2 - corners) + (5.2**2 - 4.8**2 - corners)
    assert shape_on(board).area == pytest.approx(lines, rel=1e-3)


def test_erasing_lines_remove_and_broken_ones_are_doubts(tmp_path: Path) -> None:
    pour = features(f"<Contour>{polygon('0,-5 10,-5 10,5 0,5')}</Contour>")
    erase = features(line("NONE", 2, ' lineProperty="ERASE"'))
    board = read(File(features={"TOP": one_set(pour + erase)}), tmp_path)
    assert shape_on(board).area == pytest.approx(80)
    dashed = copper_of(line(more=' lineProperty="DASHED"'), tmp_path)
    assert sentences(dashed) == ["a line that is not solid, or of an unknown end"]
    pointed = copper_of(line("POINTED"), tmp_path)
    assert sentences(pointed) == ["a line that is not solid, or of an unknown end"]


# ---- polarity ------------------------------------------------------------------------------------------------------

PLANE = f"<Contour>{polygon('0,0 10,0 10,10 0,10')}</Contour>"
HOLE = '<Circle diameter="2"/>'
HERE = '<Location x="5" y="5"/>'


def test_a_negative_set_erases_what_came_before_and_nothing_after(tmp_path: Path) -> None:
    before = one_set(features(PLANE)) + one_set(features(HOLE, HERE), 'polarity="NEGATIVE"')
    after = one_set(features(HOLE, HERE), 'polarity="NEGATIVE"') + one_set(features(PLANE))
    cut = shape_on(read(File(features={"TOP": before}), tmp_path)).area
    assert 100 - PI <= cut <= (100 - PI) * 1.0001
    assert shape_on(read(File(features={"TOP": after}), tmp_path)).area == pytest.approx(100)


@pytest.mark.parametrize("word", ["negative", "Negative", "NEGATIVE"])
def test_polarity_is_read_in_any_case(tmp_path: Path, word: str) -> None:
    sets = one_set(features(PLANE)) + one_set(features(HOLE, HERE), f'polarity="{word}"')
    assert shape_on(read(File(features={"TOP": sets}), tmp_path)).area < 99


def test_an_unknown_polarity_is_a_doubt(tmp_path: Path) -> None:
    sets = one_set(features(PLANE)) + one_set(features(HOLE, HERE), 'net="A" polarity="CLEAR"')
    assert sentences(read(File(features={"TOP": sets}), tmp_path)) == ["a Set of polarity CLEAR"]


def test_a_negative_set_may_stand_in_a_later_layer_feature(tmp_path: Path) -> None:
    """Document order holds over all Sets of a layer; sets of other layers erase nothing here."""
    drawn = File(
        features={
            "TOP": one_set(features(PLANE)),
            "BOTTOM": one_set(features(HOLE, HERE), 'polarity="NEGATIVE"'),
        }
    )
    assert shape_on(read(drawn, tmp_path)).area == pytest.approx(100)
    cleared = one_set(features(HOLE, HERE), 'polarity="NEGATIVE"')
    text = drawn.text().replace(
        "</Step>",
        f'<LayerFeature layerRef="TOP">{cleared}</LayerFeature></Step>',
    )
    assert shape_on(read(text, tmp_path)).area == pytest.approx(100 - PI, rel=1e-4)


def test_a_negative_layer_is_the_profile_less_what_is_drawn(tmp_path: Path) -> None:
    """20 x 20 less a disc of radius 1; what a NEGATIVE Set draws there is copper again."""
    layers = (layer("TOP", "PLANE", polarity="NEGATIVE"), layer("BOTTOM", side="BOTTOM"))
    clear = one_set(features(HOLE, HERE))
    board = read(File(layers=layers, features={"TOP": clear}), tmp_path)
    assert 400 - PI <= shape_on(board).area <= (400 - PI) * 1.0001
    spot = one_set(features('<Circle diameter="1"/>', HERE), 'polarity="NEGATIVE"')
    board = read(File(layers=layers, features={"TOP": clear + spot}), tmp_path)
    area = 400 - PI + PI / 4
    assert area <= shape_on(board).area <= area * 1.0001


def test_a_thermal_on_a_negative_layer_leaves_spokes(tmp_path: Path) -> None:
    layers = (layer("TOP", "PLANE", polarity="NEGATIVE"), layer("BOTTOM", side="BOTTOM"))
    thermal = (
        '<Thermal shape="ROUND" outerDiameter="4" innerDiameter="2" spokeWidth="0.5"'
        ' spokeStartAngle="0"/>'
    )
    board = read(File(layers=layers, features={"TOP": one_set(features(thermal, HERE))}), tmp_path)
    # nothing names the plane of this small file
    assert sentences(board) == ["copper of unknown net on L1"]
    copper = shape_on(board)
    assert copper.contains(shapely.Point(6.5, 5))
    assert not copper.intersects(
        shapely.Point(5 + 1.5 * math.cos(PI / 4), 5 + 1.5 * math.sin(PI / 4))
    )


def test_a_negative_layer_needs_a_profile(tmp_path: Path) -> None:
    layers = (layer("TOP", "PLANE", polarity="NEGATIVE"), layer("BOTTOM", side="BOTTOM"))
    board = read(
        File(layers=layers, profile="", features={"TOP": one_set(features(HOLE, HERE))}), tmp_path
    )
    assert "negative layer TOP without a profile" in sentences(board)


# ---- dictionaries --------------------------------------------------------------------------------------------------


def test_references_resolve_wherever_the_dictionary_stands(tmp_path: Path) -> None:
    file = File(
        dictionaries={
            "LineDesc": (
                '<EntryLineDesc id="L1"><LineDesc lineEnd="ROUND" lineWidth="0.4"/></EntryLineDesc>'
            ),
            "Standard": '<EntryStandard id="R"><RectCenter width="2" height="1"/></EntryStandard>',
        },
        features={
            "TOP": one_set(
                features('<StandardPrimitiveRef id="R"/>', HERE)
                + features(
                    '<Line startX="0" startY="0" endX="1" endY="0"><LineDescRef id="L1"/></Line>'
                )
            )
        },
    )
    text = file.text()
    content = text[text.index("<Content") : text.index("</Content>") + len("</Content>")]
    moved = text.replace(content, "").replace("</IPC-2581>", content + "</IPC-2581>")
    for version in (text, moved):
        board = read(version, tmp_path)
        assert sentences(board) == []
        assert sorted(board.copper.radius.tolist()) == [0, 0.2]


def test_user_shapes_nest_through_references(tmp_path: Path) -> None:
    """B: two discs; A: B and a square beside it; drawn twice."""
    disc = '<UserSpecial><Circle diameter="1"/><StandardPrimitiveRef id="S"/></UserSpecial>'
    file = File(
        dictionaries={
            "Standard": (
                '<EntryStandard id="S"><RectCorner lowerLeftX="3" lowerLeftY="0" upperRightX="4"'
                ' upperRightY="1"/></EntryStandard>'
            ),
            "User": (
                '<EntryUser id="A"><UserSpecial><UserPrimitiveRef'
                f' id="B"/></UserSpecial></EntryUser><EntryUser id="B">{disc}</EntryUser>'
            ),
        },
        features={
            "TOP": one_set(
                features(
                    '<UserPrimitiveRef id="A"/>', '<Location x="0" y="5"/><Location x="10" y="5"/>'
                )
            )
        },
    )
    board = read(file, tmp_path)
    assert sentences(board) == []
    assert board.copper.kind.tolist() == [Kind.DISC, Kind.AREA, Kind.DISC, Kind.AREA]
    assert shape_on(board).bounds == pytest.approx((-0.5, 4.5, 14, 6), abs=0.001)


@pytest.mark.parametrize("loop", ["A", "B"])
def test_a_shape_that_contains_itself_is_a_doubt(tmp_path: Path, loop: str) -> None:
    entries = (
        '<EntryUser id="A"><UserSpecial><Circle diameter="1"/><UserPrimitiveRef'
        ' id="B"/></UserSpecial></EntryUser><EntryUser id="B"><UserSpecial><UserPrimitiveRef'
        f' id="{loop}"/></UserSpecial></EntryUser>'
    )
    file = File(
        dictionaries={"User": entries},
        features={"TOP": one_set(features('<UserPrimitiveRef id="A"/>', HERE))},
    )
    assert sentences(read(file, tmp_path)) == [f"{loop} contains itself"]


@pytest.mark.parametrize(
    ("shape", "sentence"),
    [
        ('<StandardPrimitiveRef id="X"/>', "no StandardPrimitive X"),
        ('<UserPrimitiveRef id="X"/>', "no UserPrimitive X"),
        (
            '<Line startX="0" startY="0" endX="1" endY="0"><LineDescRef id="X"/></Line>',
            "a line without a usable width",
        ),
        ('<Line startX="0" startY="0" endX="1" endY="0"/>', "a line without a usable width"),
        (
            '<Line startX="0" startY="0" endX="1"><LineDescRef id="X"/></Line>',
            "a Features that cannot be read",
        ),
        ("<Blob/>", "Blob in place of a shape"),
        ('<Circle diameter="1"><Ring/></Circle>', "Ring inside Circle"),
        ("<Contour/>", "Contour without a Polygon"),
        ('<Circle diameter="x"/>', "a Circle that cannot be read"),
        (
            (
                '<Text textString="A" fontSize="1"><BoundingBox lowerLeftX="0" lowerLeftY="0"'
                ' upperRightX="2" upperRightY="1"/></Text>'
            ),
            "text drawn with a font on copper",
        ),
        ('<Circle diameter="1e8"/>', "a coordinate beyond 10 m"),
        ('<Circle diameter="1e9"/>', "a Circle that cannot be read"),
    ],
)
def test_what_cannot_be_drawn_on_copper_is_a_doubt_with_its_line(
    tmp_path: Path, shape: str, sentence: str
) -> None:
    board = copper_of(shape, tmp_path)
    assert sentence in sentences(board)
    (doubt,) = [d for d in board.doubts if d.what == sentence]
    assert doubt.place.line == board_line(tmp_path, "<LayerFeature")


@pytest.mark.parametrize(
    "shape", ['<StandardPrimitiveRef id="X"/>', "<Blob/>", '<Circle diameter="x"/>']
)
def test_the_same_on_a_silk_screen_is_none(tmp_path: Path, shape: str) -> None:
    layers = (layer("TOP"), layer("SILK", "SILKSCREEN"))
    file = File(
        layers=layers,
        features={"TOP": one_set(features(HOLE)), "SILK": one_set(features(shape), "")},
    )
    assert sentences(read(file, tmp_path)) == []


def board_line(folder: Path, text: str) -> int:
    lines = (folder / "board.xml").read_text().splitlines()
    return next(i for i, content in enumerate(lines, 1) if text in content)


def test_a_set_lays_its_line_over_predefined_shapes_only(tmp_path: Path) -> None:
    """IPC-2581 revision A, 8.2.3.13.8: from its place on, over the line stored with a dictionary
    shape.
    """
    own = (
        '<Line startX="0" startY="0" endX="1" endY="0"><LineDesc lineEnd="ROUND"'
        ' lineWidth="0.2"/></Line>'
    )
    ref, where = '<UserPrimitiveRef id="U"/>', '<Location x="0" y="{}"/>'
    wide = '<LineDesc lineEnd="ROUND" lineWidth="0.8"/>'
    first = (
        features(ref, where.format(1))
        + wide
        + features(ref, where.format(4))
        + features(own, where.format(7))
    )
    file = File(
        dictionaries={"User": f'<EntryUser id="U">{own}</EntryUser>'},
        features={"TOP": one_set(first) + one_set(features(ref, where.format(10)))},
    )
    assert read(file, tmp_path).copper.radius.tolist() == pytest.approx([0.1, 0.4, 0.1, 0.1])


def test_an_inline_line_that_differs_from_its_set_is_a_doubt(tmp_path: Path) -> None:
    """The standard has the Set's line lie over predefined shapes; on inline ones with their own
    line it is silent.
    """
    for width, expected in ((0.8, []), (0.2, ["a line and its Set differ in width"])):
        own = (
            '<Line startX="0" startY="0" endX="1" endY="0"><LineDesc lineEnd="ROUND"'
            f' lineWidth="{width}"/></Line>'
        )
        board = read(
            File(
                features={
                    "TOP": one_set('<LineDesc lineEnd="ROUND" lineWidth="0.80"/>' + features(own))
                }
            ),
            tmp_path,
        )
        assert board.copper.radius.tolist() == [width / 2]
        assert sentences(board) == expected


@pytest.mark.parametrize(
    ("file", "what"),
    [
        (
            File(
                profile='<Profile><Polygon><PolyBegin x="a" y="0"/><PolyStepSegment x="1" y="0"/>'
                '<PolyStepSegment x="1" y="1"/></Polygon></Profile>'
            ),
            "a Profile that cannot be read",
        ),
        (
            File(
                parts='<Component refDes="U1" layerRef="TOP" packageRef="P"><Location x="a"'
                ' y="0"/></Component>'
            ),
            "a Component that cannot be read",
        ),
    ],
    ids=["profile", "component"],
)
def test_a_number_that_is_none_is_told_by_its_element(
    file: File, what: str, tmp_path: Path
) -> None:
    """What is told names the element, and why says what stands there."""
    doubts = {doubt.what: doubt.why for doubt in read(file, tmp_path).doubts}
    assert "'a'" in doubts[what]


def test_many_objects_in_one_set_keep_order_and_lines(tmp_path: Path) -> None:
    """More than are kept in memory at once; every one is read once, with its own line."""
    rows = "".join(f'<Features>\n<Circle diameter="{i + 1}"/></Features>' for i in range(1500))
    copper = read(File(features={"TOP": one_set(rows)}), tmp_path).copper
    assert copper.radius.tolist() == [(i + 1) / 2 for i in range(1500)]
    assert np.diff(copper.line).tolist() == [1] * 1499


def test_lines_beyond_65535_are_told(tmp_path: Path) -> None:
    """The XML library keeps 16 bits of an element's line; blanks between elements help it on."""
    rows = "".join(f'<Features>\n<Circle diameter="{i + 1}"/>\n</Features>\n' for i in range(10))
    copper = read(File(features={"TOP": "\n" * 70_000 + one_set("\n" + rows)}), tmp_path).copper
    lines = (tmp_path / "board.xml").read_text().splitlines()
    first = next(i for i, line in enumerate(lines, 1) if "<Features>" in line)
    assert first > 70_000
    assert copper.line.tolist() == [first + 3 * i for i in range(10)]


def test_beyond_65535_an_element_without_blanks_has_the_line_of_what_encloses_it(
    tmp_path: Path,
) -> None:
    row = features(HOLE).strip().replace("\n", "")
    copper = read(File(features={"TOP": "\n" * 70_000 + one_set("\n" + row * 2)}), tmp_path).copper
    lines = (tmp_path / "board.xml").read_text().splitlines()
    assert copper.line.tolist() == [
        next(i for i, line in enumerate(lines, 1) if "<Set" in line)
    ] * len(copper)


def test_beyond_65535_an_element_that_begins_with_another_has_its_line(tmp_path: Path) -> None:
    """No blanks before the first element in it, and two lines end behind it."""
    row = '<Features><Location x="{x}" y="1"/>\n<Circle diameter="1"/></Features>\n\n'
    rows = row.format(x=1) + row.format(x=3)
    copper = read(File(features={"TOP": "\n" * 70_000 + one_set("\n" + rows)}), tmp_path).copper
    lines = (tmp_path / "board.xml").read_text().splitlines()
    assert copper.line.tolist() == [i for i, line in enumerate(lines, 1) if "<Features>" in line]


def test_beyond_65535_a_set_without_blanks_has_no_line(tmp_path: Path) -> None:
    """Rather none than the line of a layer that holds a thousand other sets."""
    row = features(HOLE).strip().replace("\n", "")
    copper = read(File(features={"TOP": "\n" * 70_000 + one_set(row)}), tmp_path).copper
    assert copper.line.tolist() == [0] * len(copper)


# ---- curves --------------------------------------------------------------------------------------------------------


@given(
    centre=st.tuples(st.floats(-50, 50), st.floats(-50, 50)),
    radius=st.floats(0.05, 50),
    start=st.floats(-PI, PI),
    sweep=st.floats(0.05, 2 * PI - 0.05),
    turn=st.sampled_from([1.0, -1.0]),
)
def test_an_arc_is_found_again_from_its_ends(
    centre: tuple[float, float], radius: float, start: float, sweep: float, turn: float
) -> None:
    """Round trip: ends of an arc and its centre, rounded to 4 decimals, give its radius and sweep
    again.
    """
    ends = [
        np.array(centre) + radius * np.array([math.cos(a), math.sin(a)])
        for a in (start, start + turn * sweep)
    ]
    given_ends = [np.round(end, 4)[None, :] for end in ends]
    found = arcs(given_ends[0], given_ends[1], np.round(np.array([centre]), 4), np.array([turn]))
    assert found.radius[0] == pytest.approx(radius, abs=0.01 + 1e-3 * radius)
    assert found.sweep[0] == pytest.approx(turn * sweep, abs=0.01 / radius + 0.01)
    reached = found.centre[0] + found.radius[0] * np.array(
        [math.cos(found.start[0] + found.sweep[0]), math.sin(found.start[0] + found.sweep[0])]
    )
    assert reached == pytest.approx(given_ends[1][0], abs=1e-6)


@settings(max_examples=40)
@given(
    radius=st.floats(0.2, 20),
    turn=st.sampled_from([1.0, -1.0]),
    grow=st.booleans(),
    corners=st.integers(2, 9),
)
def test_a_ring_of_arcs_contains_or_is_contained(
    radius: float, turn: float, grow: bool, corners: int
) -> None:
    """A circle cut into arcs, walked in either sense: a growing ring contains it, another one lies
    inside.
    """
    angle = turn * 2 * PI * np.arange(corners + 1) / corners
    xy = radius * np.column_stack((np.cos(angle), np.sin(angle)))
    xy[-1] = xy[0]
    turns = np.full(corners + 1, turn)
    turns[0] = 0.0
    rings = Rings(xy, np.zeros_like(xy), turns, np.zeros(corners + 1, dtype=np.int32))
    shape = shapely.Polygon(rings.lines(np.array([grow]))[0])
    reach = np.hypot(*np.asarray(shape.exterior.coords).T)
    middles = shapely.distance(
        shapely.Point(0, 0),
        shapely.linestrings(
            np.stack(
                (shapely.get_coordinates(shape)[:-1], shapely.get_coordinates(shape)[1:]), axis=1
            )
        ),
    )
    if grow:
        assert middles.min() >= radius - 1e-9
        assert reach.max() <= radius + 0.0005
    else:
        assert reach.max() <= radius + 1e-9
        assert middles.min() >= radius - 0.0005


def test_without_time_to_take_rings_apart_the_hull_stands_for_what_grows() -> None:
    """A bow tie of no signed area: copper as its hull, an erasure as nothing; both unsure."""
    bow_tie = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    copper, sure = repaired(bow_tie, grow=True, thorough=False)
    assert shapely.area(copper).tolist() == [100]
    assert not sure
    assert repaired(bow_tie, grow=False, thorough=False) == ([], False)


def winding_and_parity(points: list[tuple[int, int]], x: float, y: float) -> tuple[int, int]:
    """How often a closed path goes round a point, and how many of its edges a ray to the right
    meets (odd or even).
    """
    winding = meets = 0
    for (x0, y0), (x1, y1) in zip(points, points[1:] + points[:1], strict=True):
        if (y0 > y) != (y1 > y) and x0 + (y - y0) / (y1 - y0) * (x1 - x0) > x:
            meets += 1
            winding += 1 if y1 > y0 else -1
    return winding, meets % 2


@settings(max_examples=60, deadline=None)
@given(points=st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), min_size=4, max_size=9))
def test_a_repaired_ring_covers_what_its_edge_goes_round(points: list[tuple[int, int]]) -> None:
    """Copper is all that the edge winds round, so also what the even-odd rule fills; an erasure
    only what is sure.
    """
    shapes = {}
    for grow in (True, False):
        parts, _ = repaired(shapely.Polygon(points), grow)
        assert all(part.is_valid for part in parts)
        shapes[grow] = shapely.union_all(parts)
    for x, y in np.ndindex(6, 6):
        spot = (x + 0.3713, y + 0.4137)  # on no line between points of the grid
        winding, odd = winding_and_parity(points, *spot)
        assert shapes[True].contains(shapely.Point(spot)) == (winding != 0)
        assert shapes[False].contains(shapely.Point(spot)) == (abs(winding) == 1)
        assert winding or not odd
