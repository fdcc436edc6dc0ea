"""Board outlines from profile layers: contours, cutouts, gaps, and what is doubted."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from parsers.assembly.image import Image
from parsers.assembly.profile import Profile, outline_of
from parsers.primitives import Conductors, Kind, concatenate, conductors

Line = tuple[float, float, float, float]


def ring(*points: tuple[float, float]) -> list[Line]:
    return [(*a, *b) for a, b in zip(points, points[1:] + points[:1], strict=True)]


def box(x0: float, y0: float, x1: float, y1: float) -> list[Line]:
    return ring((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def strokes(lines: list[Line]) -> Conductors:
    geometry = np.array([(*line, 0.0) for line in lines])
    return conductors(len(lines), geometry=geometry, radius=0.05, line=np.arange(1, len(lines) + 1))


def arc(x: float, y: float, radius: float, start: float, sweep: float) -> Conductors:
    return conductors(
        1, kind=Kind.ARC, geometry=np.array([[x, y, radius, start, sweep]]), radius=0.05
    )


def area(shape: shapely.Geometry) -> Conductors:
    return conductors(1, kind=Kind.AREA, area=0, areas=[shape])


def flash(x: float, y: float) -> Conductors:
    return conductors(1, kind=Kind.DISC, geometry=np.array([[x, y, 0, 0, 0]]), radius=0.5, pad=True)


def outline(*parts: Conductors, dark: bool = True, plated: bool = False) -> Profile:
    objects = concatenate(parts)
    return outline_of(Image(objects, np.full(len(objects), dark)), "p.gbr", plated=plated)


@dataclass(frozen=True)
class Case:
    """Objects of a profile layer, the board that they enclose, and the doubts."""

    name: str
    parts: tuple[Conductors, ...]
    board: shapely.Geometry
    doubts: tuple[str, ...] = field(default=())


BOARD = shapely.box(0, 0, 10, 10)
NOT_CLOSED = "lines of the profile p.gbr close no contour"
NOTHING = "p.gbr encloses no board"
TOUCH = "contours of the profile p.gbr touch each other"
EMPTY = shapely.Polygon()

CASES = [
    Case("a_closed_chain", (strokes(box(0, 0, 10, 10)),), BOARD),
    Case(
        "order_and_direction_mean_nothing",
        (strokes([(*line[2:], *line[:2]) for line in reversed(box(0, 0, 10, 10))]),),
        BOARD,
    ),
    Case(
        "a_cutout", (strokes(box(0, 0, 10, 10) + box(2, 2, 4, 4)),), BOARD - shapely.box(2, 2, 4, 4)
    ),
    Case(
        "an_island_in_a_cutout",
        (strokes(box(0, 0, 10, 10) + box(2, 2, 8, 8) + box(4, 4, 6, 6)),),
        (BOARD - shapely.box(2, 2, 8, 8)) | shapely.box(4, 4, 6, 6),
    ),
    Case(
        "two_boards",
        (strokes(box(0, 0, 1, 1) + box(5, 5, 6, 6)),),
        shapely.box(0, 0, 1, 1) | shapely.box(5, 5, 6, 6),
    ),
    Case("drawn_twice", (strokes(box(0, 0, 10, 10) * 2),), BOARD),
    Case("zero_length_lines", (strokes([*box(0, 0, 10, 10), (3, 3, 3, 3)]),), BOARD),
    Case("a_region", (area(BOARD),), BOARD),
    Case("a_region_and_its_border", (area(BOARD), strokes(box(0, 0, 10, 10))), BOARD),
    Case(
        "a_region_and_a_cutout",
        (area(BOARD), strokes(box(2, 2, 4, 4))),
        BOARD - shapely.box(2, 2, 4, 4),
    ),
    Case("nothing", (), EMPTY, (NOTHING,)),
    Case("an_open_chain", (strokes(box(0, 0, 10, 10)[:3]),), EMPTY, (NOT_CLOSED, NOTHING)),
    Case("a_stray_line", (strokes([*box(0, 0, 10, 10), (20, 0, 30, 0)]),), BOARD, (NOT_CLOSED,)),
    Case(
        "a_line_that_ends_inside",
        (strokes([*box(0, 0, 10, 10), (5, 0, 5, 5)]),),
        BOARD,
        (NOT_CLOSED,),
    ),
    Case("a_line_across", (strokes([*box(0, 0, 10, 10), (5, 0, 5, 10)]),), BOARD, (TOUCH,)),
    Case(
        "a_notch_drawn_over_the_edge",
        (strokes(box(0, 0, 10, 10) + box(4, -2, 6, 2)),),
        BOARD | shapely.box(4, -2, 6, 0),
        (TOUCH,),
    ),
    Case(
        "a_contour_that_crosses_itself",
        (strokes(ring((0, 0), (10, 10), (10, 0), (0, 10))),),
        shapely.Polygon([(0, 0), (5, 5), (0, 10)]) | shapely.Polygon([(10, 0), (5, 5), (10, 10)]),
        (TOUCH,),
    ),
    Case(
        "a_flash",
        (strokes(box(0, 0, 10, 10)), flash(5, 5)),
        BOARD,
        ("flashes in the profile of p.gbr",),
    ),
]


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_contours_enclose_the_board(case: Case) -> None:
    """The board is what the contours enclose by the even-odd rule; all else is told."""
    found = outline(*case.parts) if case.parts else outline(conductors())
    shape = found.outline.shape if found.outline else EMPTY
    assert shapely.area(shapely.symmetric_difference(shape, case.board)) == pytest.approx(
        0, abs=1e-9
    )
    assert tuple(d.what for d in found.doubts) == case.doubts


@pytest.mark.parametrize(
    ("gap", "doubts"),
    [
        (0.0002, ()),
        (0.019, ()),
        (0.021, ("profile of p.gbr is not closed",)),
        (0.099, ("profile of p.gbr is not closed",)),
        (0.101, (NOT_CLOSED, NOTHING)),
        (0.5, (NOT_CLOSED, NOTHING)),
    ],
)
def test_small_gaps_are_closed(gap: float, doubts: tuple[str, ...]) -> None:
    """Gaps of rounding, up to 0.02 mm, are closed silently, wider ones up to 0.1 mm with a doubt,
    real ones not at all.

    Common practice, no source: no cutter is as small as 0.1 mm.
    """
    lines = [*box(0, 0, 10, 10)[:3], (0, 10, 0, gap)]
    found = outline(strokes(lines))
    assert tuple(d.what for d in found.doubts) == doubts
    if found.outline:
        assert found.outline.shape.area == pytest.approx(100, abs=0.01)


def test_who_accepts_one_gap_has_not_accepted_two() -> None:
    lines = [*box(0, 0, 10, 10)[:2], (9.95, 10, 0, 10), (0, 10, 0, 0.05)]
    found = outline(strokes(lines))
    assert [d.what for d in found.doubts] == ["profile of p.gbr is not closed (2 gaps)"]


def test_ends_that_overshoot_by_rounding_are_no_trouble() -> None:
    """A line that reaches a hundredth beyond the corner closes the contour all the same."""
    lines = [(0, 0, 10.01, 0), (10, -0.01, 10, 10), (10, 10, 0, 10), (0, 10, 0, 0)]
    found = outline(strokes(lines))
    assert found.doubts == ()
    assert found.outline is not None
    assert found.outline.shape.area == pytest.approx(100, abs=1e-6)


@pytest.mark.parametrize(("beyond", "doubts"), [(0.019, ()), (0.021, (NOT_CLOSED,))])
def test_an_end_that_overshoots_by_more_than_rounding_is_doubted(
    beyond: float, doubts: tuple[str, ...]
) -> None:
    """Up to 0.02 mm is rounding; what is longer may be a cut. The board is the same."""
    lines = [(0, 0, 10 + beyond, 0), (10, 0, 10, 10), (10, 10, 0, 10), (0, 10, 0, 0)]
    found = outline(strokes(lines))
    assert tuple(re.sub(r" \(\d+ \w+\)$", "", d.what) for d in found.doubts) == doubts
    assert found.outline is not None
    assert found.outline.shape.area == pytest.approx(100, abs=1e-6)


def test_arcs_keep_to_their_circle() -> None:
    """A round cutout from two half circles has its true edge within the arc tolerance."""
    found = outline(strokes(box(0, 0, 10, 10)), arc(5, 5, 2, 0, np.pi), arc(5, 5, 2, np.pi, np.pi))
    assert found.doubts == ()
    assert found.outline is not None
    (hole,) = found.outline.shape.interiors
    reach = np.hypot(*(shapely.get_coordinates(shapely.segmentize(hole, 0.01)) - 5).T)
    assert reach.max() == pytest.approx(2, abs=1e-9)
    assert reach.min() >= 2 - 0.0002 - 1e-9


def test_a_plated_profile_has_plated_edges() -> None:
    """`Profile,P`: the whole boundary, cutouts included."""
    found = outline(strokes(box(0, 0, 10, 10) + box(2, 2, 4, 4)), plated=True)
    assert found.outline is not None
    assert found.outline.plated is not None
    assert found.outline.plated.length == pytest.approx(48)
    bare = outline(strokes(box(0, 0, 10, 10))).outline
    assert bare is not None
    assert bare.plated is None


def test_clear_objects_in_a_profile_are_doubted() -> None:
    """Nothing is cut out of a profile by polarity."""
    found = [d.what for d in outline(strokes(box(0, 0, 1, 1)), dark=False).doubts]
    assert "clear objects in the profile of p.gbr (4 objects)" in found


def test_a_layer_full_of_crossing_lines_is_no_profile() -> None:
    """Thousands of lines across each other are refused in one line, not worked on for hours."""
    grid = [
        line
        for i in range(1500)
        for line in ((0.0, 0.01 * i, 90.0, 0.01 * i), (0.01 * i, 0.0, 0.01 * i, 90.0))
    ]
    assert [d.what for d in outline(strokes(grid)).doubts] == ["p.gbr is no profile", NOTHING]


def test_a_long_contour_is_a_profile() -> None:
    """A round board of twenty thousand short lines is read."""
    angles = np.linspace(0, 2 * np.pi, 20_000, endpoint=False)
    points = [(50 * float(np.cos(a)), 50 * float(np.sin(a))) for a in angles]
    found = outline(strokes(ring(*points)))
    assert found.doubts == ()
    assert found.outline is not None
    assert found.outline.shape.area == pytest.approx(np.pi * 2500, rel=1e-4)


@given(
    st.lists(st.tuples(st.integers(1, 9), st.integers(1, 9)), max_size=6, unique=True),
    st.randoms(use_true_random=False),
)
def test_cutouts_of_any_number_and_order(places: list[tuple[int, int]], order) -> None:
    """Separate cutouts are all found, in whatever order their lines stand."""
    lines = box(0, 0, 40, 40) + [
        line for x, y in places for line in box(4 * x, 4 * y, 4 * x + 1, 4 * y + 2)
    ]
    order.shuffle(lines)
    found = outline(strokes(lines))
    assert found.doubts == ()
    assert found.outline is not None
    assert found.outline.shape.area == pytest.approx(1600 - 2 * len(places))
