"""Every standard primitive has the area, the box and the sense that the standard gives it.

Areas are worked by hand from the definitions in IPC-2581 revision A, 4.7.1 to 4.7.16 (the
derivation stands beside each). Round parts may make the shape larger by 0.001 mm all round, never
smaller.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from parsers.ipc2581.shapes import STANDARD, Attributes, Piece, bordered, hollow, table, widened
from parsers.primitives import Kind
from tests.parsers.ipc2581.files import copper_of, sentences, shape_on

PI = math.pi
SQRT3 = math.sqrt(3)


def pieces_of(name: str, *, grow: bool = True, **attributes: Any) -> list[Piece]:
    return STANDARD[name](Attributes([(k, str(v)) for k, v in attributes.items()], 1.0), grow)


def shape_of(name: str, *, grow: bool = True, **attributes: Any) -> shapely.Geometry:
    return shapely.union_all(table(pieces_of(name, grow=grow, **attributes)).shapes())


CASES: list[tuple[str, dict[str, Any], float, tuple[float, float, float, float]]] = [
    # pi d^2 / 4
    ("Circle", {"diameter": 2}, PI, (-1, -1, 1, 1)),
    ("RectCenter", {"width": 3, "height": 2}, 6, (-1.5, -1, 1.5, 1)),
    # the origin is (0, 0) of the corners' coordinates
    (
        "RectCorner",
        {"lowerLeftX": 1, "lowerLeftY": 2, "upperRightX": 4, "upperRightY": 3},
        3,
        (1, 2, 4, 3),
    ),
    # 10.6 x 6.4 with half circles at +-x: 4.2 * 6.4 + pi 3.2^2
    ("Oval", {"width": 10.6, "height": 6.4}, 4.2 * 6.4 + PI * 3.2**2, (-5.3, -3.2, 5.3, 3.2)),
    # a tall oval has its ends at +-y (exporters write it; common practice, no source)
    ("Oval", {"width": 2, "height": 5}, 3 * 2 + PI, (-1, -2.5, 1, 2.5)),
    # pi w h / 4
    ("Ellipse", {"width": 4, "height": 2}, 2 * PI, (-2, -1, 2, 1)),
    # w h / 2
    ("Diamond", {"width": 3, "height": 5}, 7.5, (-1.5, -2.5, 1.5, 2.5)),
    # 3 sqrt(3) / 2 R^2 with R = length / 2; corners at +-y, flats at +-R sqrt(3) / 2
    ("Hexagon", {"length": 2}, 1.5 * SQRT3, (-SQRT3 / 2, -1, SQRT3 / 2, 1)),
    # 2 sqrt(2) R^2; corners on both axes
    ("Octagon", {"length": 2}, 2 * math.sqrt(2), (-1, -1, 1, 1)),
    # corners (0, 4), (-2, -4), (2, -4): b h / 2
    ("Triangle", {"base": 4, "height": 8}, 16, (-2, -4, 2, 4)),
    # half of the disc stays: pi 1.6^2 / 2
    ("Butterfly", {"shape": "ROUND", "diameter": 3.2}, PI * 1.6**2 / 2, (-1.6, -1.6, 1.6, 1.6)),
    # half of the square stays
    ("Butterfly", {"shape": "SQUARE", "side": 1.8}, 1.8**2 / 2, (-0.9, -0.9, 0.9, 0.9)),
    # two corners less chamfer^2 / 2 each: 12.6 * 8.4 - 4
    (
        "RectCham",
        {"width": 12.6, "height": 8.4, "chamfer": 2, "upperLeft": "true", "lowerRight": "TRUE",
         "upperRight": "false", "lowerLeft": "false"},
        101.84,
        (-6.3, -4.2, 6.3, 4.2),
    ),
    # two corners less r^2 (1 - pi / 4) each: 4.8^2 - 2 * 2.4^2 (1 - pi / 4)
    (
        "RectRound",
        {"width": 4.8, "height": 4.8, "radius": 2.4, "upperRight": "true", "lowerRight": "true",
         "upperLeft": "false", "lowerLeft": "false"},
        4.8**2 - 2 * 2.4**2 * (1 - PI / 4),
        (-2.4, -2.4, 2.4, 2.4),
    ),
    # all corners: 4 * 3 - 4 * 0.5^2 (1 - pi / 4)
    ("RectRound", {"width": 4, "height": 3, "radius": 0.5}, 12 - (1 - PI / 4), (-2, -1.5, 2, 1.5)),
    ("RectRound", {"width": 4, "height": 3, "radius": 0}, 12, (-2, -1.5, 2, 1.5)),
    # pi (6.2^2 - 5.1^2)
    (
        "Donut",
        {"shape": "ROUND", "outerDiameter": 12.4, "innerDiameter": 10.2},
        PI * (6.2**2 - 5.1**2),
        (-6.2, -6.2, 6.2, 6.2),
    ),
    ("Donut", {"shape": "ROUND", "outerDiameter": 2, "innerDiameter": 0}, PI, (-1, -1, 1, 1)),
    # the diameters of a square ring are its sides
    ("Donut", {"shape": "SQUARE", "outerDiameter": 4, "innerDiameter": 2}, 12, (-2, -2, 2, 2)),
    # 3 sqrt(3) / 2 (6.2^2 - 5.1^2), measured from corner to corner
    (
        "Donut",
        {"shape": "HEXAGON", "outerDiameter": 12.4, "innerDiameter": 10.2},
        1.5 * SQRT3 * (6.2**2 - 5.1**2),
        (-6.2 * SQRT3 / 2, -6.2, 6.2 * SQRT3 / 2, 6.2),
    ),
    # 2 sqrt(2) (2^2 - 1)
    ("Donut", {"shape": "OCTAGON", "outerDiameter": 4, "innerDiameter": 2}, 6 * math.sqrt(2), (-2, -2, 2, 2)),
    # five rings of width 0.3 with these centre line diameters: pi 0.3 (8.4 + 7.2 + 6.0 + 4.8 + 3.6)
    (
        "Moire",
        {"diameter": 8.4, "ringWidth": 0.3, "ringGap": 0.6, "ringNumber": 5},
        PI * 0.3 * 30,
        (-4.35, -4.35, 4.35, 4.35),
    ),
    # a ring of no width
    (
        "Thermal",
        {"shape": "SQUARE", "outerDiameter": 2, "innerDiameter": 2, "spokeCount": 4, "gap": 1, "spokeStartAngle": 0},
        0,
        (math.nan, math.nan, math.nan, math.nan),
    ),
    # no spokes: the ring
    (
        "Thermal",
        {"shape": "ROUND", "outerDiameter": 12, "innerDiameter": 8, "spokeCount": 0, "spokeStartAngle": 0},
        PI * 20,
        (-6, -6, 6, 6),
    ),
]  # fmt: skip


@pytest.mark.parametrize(("name", "attributes", "area", "box"), CASES)
def test_area_and_box_are_as_worked_by_hand(
    name: str, attributes: dict[str, Any], area: float, box: tuple[float, float, float, float]
) -> None:
    shape = shape_of(name, **attributes)
    assert area - 1e-9 <= shape.area <= area * 1.001 + 1e-9
    assert shape.bounds == pytest.approx(box, abs=0.0011, nan_ok=True)


@pytest.mark.parametrize(("name", "attributes", "area", "box"), CASES)
def test_an_erasing_polygon_is_not_larger_than_the_true_shape(
    name: str, attributes: dict[str, Any], area: float, box: tuple[float, float, float, float]
) -> None:
    """Discs and strokes stay exact primitives; only polygons are approximated, and those lie
    inside.
    """
    pieces = [p for p in pieces_of(name, grow=False, **attributes) if p.kind == Kind.AREA]
    whole = pieces_of(name, grow=False, **attributes)
    if len(pieces) == len(whole):
        shape = shapely.union_all([p.polygon for p in pieces])
        assert area * 0.999 - 1e-9 <= shape.area <= area + 1e-9


def ring_piece(outer: float, inner: float, gap: float) -> float:
    """Area of what a strip of width gap along one radius cuts from a round ring: the strip less its
    round ends.

    Strip across a disc of radius R from its centre line: integral over |t| < gap / 2 of sqrt(R^2 -
      t^2).
    """
    half = gap / 2

    def across(radius: float) -> float:
        return half * math.sqrt(radius**2 - half**2) + radius**2 * math.asin(half / radius)

    return across(outer / 2) - across(inner / 2)


def test_a_thermal_is_a_ring_cut_by_strips() -> None:
    """12/8 with 4 strips of 2: 20 pi less four ring pieces; 46.7185."""
    expected = 20 * PI - 4 * ring_piece(12, 8, 2)
    assert expected == pytest.approx(46.7185, abs=1e-4)
    given: dict[str, Any] = {
        "shape": "ROUND",
        "outerDiameter": 12,
        "innerDiameter": 8,
        "spokeCount": 4,
        "gap": 2,
    }
    straight = shape_of("Thermal", **given, spokeStartAngle=0)
    diagonal = shape_of("Thermal", **given, spokeStartAngle=45)
    assert len(shapely.get_parts(straight)) == 4
    assert straight.area == pytest.approx(expected, rel=1e-4)
    assert not straight.contains(shapely.Point(5, 0))
    assert diagonal.contains(shapely.Point(5, 0))


def test_a_thermal_of_later_revisions_names_the_gap_spoke_width() -> None:
    given: dict[str, Any] = {
        "shape": "ROUND",
        "outerDiameter": 12,
        "innerDiameter": 8,
        "spokeCount": 4,
        "spokeStartAngle": 0,
    }
    assert shape_of("Thermal", **given, spokeWidth=2).equals(shape_of("Thermal", **given, gap=2))


@pytest.mark.parametrize(
    ("shape", "size"), [("ROUND", {"diameter": 3.2}), ("SQUARE", {"side": 1.8})]
)
def test_a_butterfly_keeps_upper_left_and_lower_right(shape: str, size: dict[str, Any]) -> None:
    kept = shape_of("Butterfly", shape=shape, **size)
    assert kept.contains(shapely.Point(-0.5, 0.5))
    assert kept.contains(shapely.Point(0.5, -0.5))
    assert not kept.intersects(shapely.Point(0.5, 0.5))
    assert not kept.intersects(shapely.Point(-0.5, -0.5))


def test_chosen_corners_are_the_named_ones() -> None:
    shape = shape_of("RectCham", width=4, height=2, chamfer=0.5, upperRight="true")
    assert not shape.intersects(shapely.Point(1.95, 0.95))
    for x, y in ((-1.95, 0.95), (-1.95, -0.95), (1.95, -0.95)):
        assert shape.contains(shapely.Point(x, y))


def test_the_cross_of_a_moire_is_turned_counterclockwise() -> None:
    shape = shape_of(
        "Moire",
        diameter=1,
        ringWidth=0.1,
        ringGap=0.2,
        ringNumber=1,
        lineWidth=0.2,
        lineLength=8,
        lineAngle=30,
    )
    along = shapely.Point(3 * math.cos(PI / 6), 3 * math.sin(PI / 6))
    across = shapely.Point(-3 * math.sin(PI / 6), 3 * math.cos(PI / 6))
    assert shape.contains(along)
    assert shape.contains(across)
    assert not shape.intersects(shapely.Point(3, 0))


def test_round_shapes_are_exact_primitives() -> None:
    """A distance to them is exact, not that to a polygon."""
    assert [p.kind for p in pieces_of("Circle", diameter=1)] == [Kind.DISC]
    assert [p.kind for p in pieces_of("Oval", width=2, height=1)] == [Kind.STROKE]
    assert [p.kind for p in pieces_of("RectRound", width=2, height=1, radius=0.5)] == [Kind.STROKE]
    (ring,) = pieces_of("Donut", shape="ROUND", outerDiameter=4, innerDiameter=2)
    assert (ring.kind, ring.numbers[2], ring.radius) == (Kind.ARC, 1.5, 0.5)


@pytest.mark.parametrize(
    ("name", "attributes", "complaint"),
    [
        ("Circle", {}, "diameter is missing"),
        ("Circle", {"diameter": "wide"}, "could not convert"),
        ("Circle", {"diameter": "-1"}, "diameter is negative"),
        ("Circle", {"diameter": "1e999"}, "diameter is 1e999"),
        ("Circle", {"diameter": "nan"}, "diameter is nan"),
        ("Donut", {"shape": "STAR", "outerDiameter": 2, "innerDiameter": 1}, "shape is STAR"),
        (
            "Donut",
            {"shape": "ROUND", "outerDiameter": 1, "innerDiameter": 2},
            "inner diameter is larger",
        ),
        ("RectRound", {"width": 2, "height": 1, "radius": 0.6}, "larger than half"),
        (
            "Moire",
            {"diameter": 1, "ringWidth": 1, "ringGap": 1, "ringNumber": 10**9},
            "ringNumber is 1000000000",
        ),
        (
            "Thermal",
            {"shape": "ROUND", "outerDiameter": 2, "innerDiameter": 1, "spokeCount": -1},
            "spokeCount is -1",
        ),
    ],
)
def test_impossible_shapes_are_refused(
    name: str, attributes: dict[str, Any], complaint: str
) -> None:
    with pytest.raises(ValueError, match=complaint):
        pieces_of(name, **attributes)


def test_a_line_round_a_shape_adds_half_its_width() -> None:
    """Square of 2 with a line of 0.4: 2^2 + 4 * 2 * 0.2 + pi 0.2^2; disc of 2: radius 1.2."""
    square = bordered(pieces_of("RectCenter", width=2, height=2), 0.4, grow=True)
    area = 4 + 1.6 + PI * 0.04
    assert area <= square[0].polygon.area <= area + 0.01  # type: ignore[union-attr]
    (disc,) = bordered(pieces_of("Circle", diameter=2), 0.4, grow=True)
    assert disc.radius == pytest.approx(1.2)


@pytest.mark.parametrize(
    ("name", "attributes", "area"),
    [
        # ring about the circle's edge: pi (1.1^2 - 0.9^2)
        ("Circle", {"diameter": 2}, PI * 0.4),
        # 2.2^2 with round corners of 0.1, less 1.8^2
        ("RectCenter", {"width": 2, "height": 2}, 2.2**2 - 0.1**2 * (4 - PI) - 1.8**2),
        # stadium 4 x 2: grown by 0.1 less shrunk by 0.1
        ("Oval", {"width": 4, "height": 2}, (2 * 2.2 + PI * 1.1**2) - (2 * 1.8 + PI * 0.9**2)),
        # both edges of the ring
        ("Donut", {"shape": "ROUND", "outerDiameter": 4, "innerDiameter": 2}, PI * 0.2 * (4 + 2)),
    ],
)
def test_a_hollow_shape_is_only_its_line(
    name: str, attributes: dict[str, Any], area: float
) -> None:
    shape = shapely.union_all(table(hollow(pieces_of(name, **attributes), 0.2)).shapes())
    assert area - 1e-9 <= shape.area <= area * 1.002


def test_corners_that_are_not_named_leave_a_doubt(tmp_path: Path) -> None:
    """The standard has no default for the corner flags; none named is read as all."""
    some = '<RectCham width="2" height="2" chamfer="0.5" upperRight="true"/>'
    none = '<RectCham width="2" height="2" chamfer="0.5"/>'
    every = '<RectCham width="2" height="2" chamfer="0.5" {}/>'.format(
        " ".join(f'{c}="true"' for c in ("upperRight", "upperLeft", "lowerLeft", "lowerRight"))
    )
    assert "a RectCham that does not name all corners" in sentences(copper_of(some, tmp_path))
    without = copper_of(none, tmp_path)
    assert "a RectCham that does not name all corners" in sentences(without)
    assert shape_on(without).area == pytest.approx(4 - 4 * 0.125)
    assert sentences(copper_of(every, tmp_path)) == []


def test_a_thermal_drawn_as_copper_is_a_doubt_and_as_an_erasure_is_none(tmp_path: Path) -> None:
    thermal = (
        '<Thermal shape="ROUND" outerDiameter="4" innerDiameter="2" spokeWidth="0.5"'
        ' spokeStartAngle="0"/>'
    )
    assert sentences(copper_of(thermal, tmp_path)) == ["a Thermal drawn as copper"]
    assert sentences(copper_of(thermal, tmp_path, attributes='net="A" polarity="NEGATIVE"')) == []


def test_table_numbers_its_polygons() -> None:
    pieces = [*pieces_of("RectCenter", width=1, height=1), *pieces_of("Circle", diameter=1)]
    columns = table([*pieces, *pieces_of("RectCenter", width=2, height=2)])
    assert columns.area.tolist() == [0, -1, 1]
    assert np.allclose(shapely.area(columns.areas), [1, 4])


@pytest.mark.parametrize("by", [0.01, 0.1, 1.0])
def test_a_border_is_never_narrower_than_exact(by: float) -> None:
    """Chords of round corners lie outside the arcs: a fine arc of the exact radius is covered."""
    square = shapely.box(0, 0, 1, 1)
    (grown,) = widened(np.array([square]), np.array([by]), True)
    assert shapely.buffer(grown, 1e-9).covers(square.buffer(by, quad_segs=500))
