"""Xform and Location: the order of the standard, nesting, and what a map does to every kind of
copper.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from parsers.ipc2581.placement import maps, move, nested, scales, senses, turned
from parsers.primitives import Kind
from tests.parsers.ipc2581.files import (
    File,
    copper_of,
    features,
    one_set,
    read,
    sentences,
    shape_on,
)

PLACES = st.tuples(
    st.floats(-50, 50),
    st.floats(-50, 50),
    st.floats(0, 720),
    st.sampled_from([0.0, 1.0]),
    st.floats(0.1, 10),
    st.floats(-200, 200),
    st.floats(-200, 200),
)
POINTS = st.tuples(st.floats(-20, 20), st.floats(-20, 20))


def at(place: tuple[float, ...], point: tuple[float, float]) -> tuple[float, float]:
    """The point moved by one place."""
    by = maps(np.array([place]), np.array([-1]), 1.0)[:1]
    x, y = move(by, np.array([point]))[0]
    return float(x), float(y)


def by_the_words(place: tuple[float, ...], point: tuple[float, float]) -> tuple[float, float]:
    """The steps of the standard one after the other: offset, rotation, mirror, scale, location."""
    offset_x, offset_y, rotation, mirror, scale, x, y = place
    px, py = point[0] + offset_x, point[1] + offset_y
    turn = math.radians(rotation)
    px, py = px * math.cos(turn) - py * math.sin(turn), px * math.sin(turn) + py * math.cos(turn)
    px = -px if mirror else px
    return px * scale + x, py * scale + y


@pytest.mark.parametrize(
    ("place", "point", "expected"),
    [
        # IPC-2581 revision A, 3.3: rotation before mirror; mirror first would give (8, 1)
        ((0, 0, 90, 1, 2, 10, 5), (2, 1), (12, 9)),
        # the other order would give (7.7679, 4.8660)
        (
            (0, 0, 30, 1, 1, 10, 5),
            (2, 1),
            (10 - 2 * math.cos(math.pi / 6) + 0.5, 5 + 1 + math.cos(math.pi / 6)),
        ),
        # the other order would give (0, -1)
        ((0, 0, 90, 1, 1, 0, 0), (1, 0), (0, 1)),
        # an offset is added before the rest
        ((3, 0, 90, 1, 2, 10, 5), (0, 0), (10, 11)),
    ],
)
def test_order_is_offset_rotation_mirror_scale_location(
    place: tuple[float, ...], point: tuple[float, float], expected: tuple[float, float]
) -> None:
    assert at(place, point) == pytest.approx(expected, abs=1e-12)


def test_second_case_is_the_published_number() -> None:
    assert at((0, 0, 30, 1, 1, 10, 5), (2, 1)) == pytest.approx((8.7679, 6.8660), abs=1e-4)


def test_nested_places_work_from_inside_out() -> None:
    """(2, 0) turned by 90 at (1, 0) is (1, 2); mirrored at (5, 0) it is (4, 2)."""
    both = maps(np.array([[0, 0, 0, 1, 1, 5, 0], [0, 0, 90, 0, 1, 1, 0.0]]), np.array([-1, 0]), 1.0)
    assert move(both[1:2], np.array([[2.0, 0.0]]))[0] == pytest.approx((4, 2))


def test_last_row_is_the_identity() -> None:
    assert maps(np.empty((0, 7)), np.empty(0, dtype=int), 1.0).tolist() == [[1, 0, 0, 1, 0, 0]]


def test_lengths_are_converted_and_angles_and_scales_are_not() -> None:
    by = maps(np.array([[1, 0, 90, 0, 3, 10, 5.0]]), np.array([-1]), 25.4)[:1]
    assert move(by, np.array([[25.4, 0.0]]))[0] == pytest.approx((254, 127 + 2 * 25.4 * 3))


def test_right_angles_are_free_of_rounding() -> None:
    for rotation in (0, 90, 180, 270, 360):
        by = maps(np.array([[0, 0, rotation, 0, 1, 0, 0.0]]), np.array([-1]), 1.0)[0, :4]
        assert set(np.abs(by).tolist()) == {0.0, 1.0}


@given(place=PLACES, point=POINTS)
def test_a_place_does_the_steps_of_the_standard(
    place: tuple[float, ...], point: tuple[float, float]
) -> None:
    assert at(place, point) == pytest.approx(by_the_words(place, point), abs=1e-8)


@given(places=st.lists(PLACES, min_size=2, max_size=4), point=POINTS)
def test_a_chain_of_places_is_each_after_the_other(
    places: list[tuple[float, ...]], point: tuple[float, float]
) -> None:
    chain = maps(np.array(places), np.arange(len(places)) - 1, 1.0)
    expected = point
    for place in reversed(places):
        expected = by_the_words(place, expected)
    reach = max(1.0, *(abs(value) for value in expected))
    assert move(chain[len(places) - 1][None, :], np.array([point]))[0] == pytest.approx(
        expected, abs=1e-9 * reach**2
    )


@given(outer=PLACES, inner=PLACES, point=POINTS)
def test_nesting_maps_is_doing_one_after_the_other(
    outer: tuple[float, ...], inner: tuple[float, ...], point: tuple[float, float]
) -> None:
    a, b = (maps(np.array([place]), np.array([-1]), 1.0)[:1] for place in (outer, inner))
    one = move(a, move(b, np.array([point])))
    assert move(nested(a, b), np.array([point])) == pytest.approx(one, abs=1e-6)


@given(place=PLACES, point=POINTS, angle=st.floats(-math.pi, math.pi))
def test_a_map_can_be_undone_and_keeps_shapes(
    place: tuple[float, ...], point: tuple[float, float], angle: float
) -> None:
    """Round trip: the inverse map brings the point back; lengths grow by the scale; directions
    follow.
    """
    by = maps(np.array([place]), np.array([-1]), 1.0)[:1]
    a, b, c, d, x, y = by[0]
    inverse = np.linalg.inv(np.array([[a, b], [c, d]]))
    moved = move(by, np.array([point]))[0]
    assert inverse @ (moved - [x, y]) == pytest.approx(point, abs=1e-6)
    assert scales(by)[0] == pytest.approx(place[4])
    assert senses(by)[0] == (-1.0 if place[3] else 1.0)
    ahead = np.array([[point[0] + math.cos(angle), point[1] + math.sin(angle)]])
    way = move(by, ahead)[0] - moved
    direction = turned(by, np.array([angle]))[0]
    assert way == pytest.approx(
        (place[4] * math.cos(direction), place[4] * math.sin(direction)), abs=1e-6
    )


XFORM = '<Xform rotation="90" mirror="true" scale="2"/><Location x="10" y="5"/>'


def placed(shape: str, folder: Path, **more: object) -> shapely.Geometry:
    file = File(features={"TOP": one_set(features(shape, XFORM))}, **more)  # type: ignore[arg-type]
    return read(file, folder).copper


@pytest.mark.parametrize("width", [0, 0.5])
def test_a_placed_line_has_moved_ends_and_a_scaled_width(tmp_path: Path, width: float) -> None:
    """(2, 1) goes to (12, 9), (0, 0) to (10, 5); a width of 0.5 becomes 1, one of 0 is no
    copper.
    """
    line = (
        '<Line startX="2" startY="1" endX="0" endY="0"><LineDesc lineEnd="ROUND"'
        f' lineWidth="{width}"/></Line>'
    )
    copper = placed(line, tmp_path)
    if width == 0:
        assert len(copper) == 0
        return
    assert copper.geometry[0, :4] == pytest.approx((12, 9, 10, 5))
    assert copper.radius[0] == pytest.approx(0.5)


def test_a_placed_arc_turns_the_other_way_when_mirrored(tmp_path: Path) -> None:
    """Quarter from (1, 0) to (0, 1) about 0: rotated (0, 1) to (-1, 0), mirrored (0, 1) to (1, 0):
    clockwise.
    """
    arc = (
        '<Arc startX="1" startY="0" endX="0" endY="1" centerX="0" centerY="0" clockwise="false">'
        '<LineDesc lineEnd="ROUND" lineWidth="0.2"/></Arc>'
    )
    copper = placed(arc, tmp_path)
    assert copper.kind.tolist() == [Kind.ARC]
    x, y, radius, start, sweep = copper.geometry[0]
    assert (x, y, radius) == pytest.approx((10, 5, 2))
    assert (start, sweep) == pytest.approx((math.pi / 2, -math.pi / 2))


def test_a_placed_area_and_a_placed_shape_move_alike(tmp_path: Path) -> None:
    """A triangle as Contour and as primitive: corners (0, 4), (-2, -4), (2, -4)."""
    contour = (
        '<Contour><Polygon><PolyBegin x="0" y="4"/><PolyStepSegment x="-2" y="-4"/><PolyStepSegment'
        ' x="2" y="-4"/><PolyStepSegment x="0" y="4"/></Polygon></Contour>'
    )
    area = placed(contour, tmp_path).shapes()[0]
    primitive = placed('<Triangle base="4" height="8"/>', tmp_path).shapes()[0]
    assert shapely.symmetric_difference(area, primitive).area == pytest.approx(0, abs=1e-9)
    corners = {(round(x, 6), round(y, 6)) for x, y in area.exterior.coords}
    assert corners == {by_the_words((0, 0, 90, 1, 2, 10, 5), p) for p in ((0, 4), (-2, -4), (2, -4))} or corners == {
        (18, 5), (2, 1), (2, 9)
    }  # fmt: skip


def test_a_feature_is_drawn_at_each_location(tmp_path: Path) -> None:
    both = '<Location x="3" y="3"/><Location x="8" y="3"/>'
    board = read(
        File(features={"TOP": one_set(features('<Circle diameter="2"/>', both))}), tmp_path
    )
    assert board.copper.geometry[:, :2].tolist() == [[3, 3], [8, 3]]


@pytest.mark.parametrize("revision", ["B", "B1"])
def test_a_primitive_may_have_an_xform_of_its_own(tmp_path: Path, revision: str) -> None:
    """Revisions B and B1: the inner Xform acts first. 4 x 2 turned by 90 is 2 x 4, twice as large 4
    x 8.
    """
    shape = '<RectCenter width="4" height="2"><Xform rotation="90"/></RectCenter>'
    outer = '<Xform scale="2"/><Location x="10" y="10"/>'
    board = read(File(revision, features={"TOP": one_set(features(shape, outer))}), tmp_path)
    assert shape_on(board).bounds == pytest.approx((8, 6, 12, 14))


@pytest.mark.parametrize(
    ("xform", "sentence"),
    [
        ('<Xform xOffset="3"/>', "a transform with an offset"),
        ('<Xform faceUp="true"/>', "a transform with faceUp"),
        ('<Xform scale="0"/>', "a Features that cannot be read"),
        ('<Xform scale="-1"/>', "a Features that cannot be read"),
        ('<Xform rotation="much"/>', "a Features that cannot be read"),
        ('<Xform mirror="perhaps"/>', "a Features that cannot be read"),
    ],
)
def test_transforms_with_two_readings_or_none_are_doubts(
    tmp_path: Path, xform: str, sentence: str
) -> None:
    file = File(
        features={
            "TOP": one_set(features('<Circle diameter="2"/>', xform + '<Location x="5" y="5"/>'))
        }
    )
    assert any(found.startswith(sentence) for found in sentences(read(file, tmp_path)))


def test_a_shape_without_a_place_is_a_doubt(tmp_path: Path) -> None:
    board = read(
        File(features={"TOP": one_set('<Features><Circle diameter="2"/></Features>')}), tmp_path
    )
    assert sentences(board) == ["a shape without a Location"]
    assert board.copper.geometry[0, :2].tolist() == [0, 0]


def test_an_offset_of_zero_is_no_doubt(tmp_path: Path) -> None:
    file = File(
        features={
            "TOP": one_set(features('<Circle diameter="2"/>', '<Xform xOffset="0" yOffset="0"/>'))
        }
    )
    assert sentences(read(file, tmp_path)) == []


def test_units_of_all_three_kinds_give_the_same_board(tmp_path: Path) -> None:
    """A disc of 1 inch at (2, 3) inch."""
    sizes = {"INCH": (1, 2, 3), "MILLIMETER": (25.4, 50.8, 76.2), "MICRON": (25400, 50800, 76200)}
    for units, (diameter, x, y) in sizes.items():
        shape = features(f'<Circle diameter="{diameter}"/>', f'<Location x="{x}" y="{y}"/>')
        copper = read(File(units=units, features={"TOP": one_set(shape)}), tmp_path).copper
        assert copper.geometry[0, :2] == pytest.approx((50.8, 76.2))
        assert copper.radius[0] == pytest.approx(12.7)


def test_each_dictionary_has_its_own_unit(tmp_path: Path) -> None:
    file = File(
        units="INCH",
        dictionaries={"Standard": '<EntryStandard id="C1"><Circle diameter="2"/></EntryStandard>'},
        dictionary_units={"Standard": "MILLIMETER"},
        features={
            "TOP": one_set(features('<StandardPrimitiveRef id="C1"/>', '<Location x="1" y="0"/>'))
        },
    )
    board = read(file, tmp_path)
    assert (board.copper.geometry[0, 0], board.copper.radius[0]) == pytest.approx((25.4, 1.0))
    assert [remark.what for remark in board.remarks] == [
        "a dictionary in MILLIMETER, board data in INCH"
    ]


def test_an_unknown_unit_is_a_doubt(tmp_path: Path) -> None:
    assert "CadHeader has units 'FURLONG'" in sentences(
        copper_of('<Circle diameter="1"/>', tmp_path, units="FURLONG")
    )
