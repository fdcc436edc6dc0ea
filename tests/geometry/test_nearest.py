"""Distances between conductors: closed forms for every pair of kinds, laws, and the closest pairs
among many.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from checker.geometry.nearest import Judged, arc_to_arc, between, closest, pieces, segment_to_arc
from parsers.primitives import Conductors, Floats, Kind, Rows, arc_points, concatenate, conductors

EXACT = 1e-9  # mm
SETTLE = settings(deadline=None, max_examples=60)


def stroke(x0: float, y0: float, x1: float, y1: float, width: float = 0.0) -> Conductors:
    return conductors(1, kind=Kind.STROKE, geometry=[[x0, y0, x1, y1, 0]], radius=width / 2)


def disc(x: float, y: float, diameter: float) -> Conductors:
    return conductors(1, kind=Kind.DISC, geometry=[[x, y, 0, 0, 0]], radius=diameter / 2)


def arc(
    x: float, y: float, radius: float, start: float, sweep: float, width: float = 0.0
) -> Conductors:
    """Angles in degrees."""
    row = [x, y, radius, math.radians(start), math.radians(sweep)]
    return conductors(1, kind=Kind.ARC, geometry=[row], radius=width / 2)


def area(*points: tuple[float, float], hole: shapely.Geometry | None = None) -> Conductors:
    polygon = shapely.Polygon(points)
    return conductors(
        1, kind=Kind.AREA, area=0, areas=[polygon if hole is None else polygon.difference(hole)]
    )


def box(x0: float, y0: float, x1: float, y1: float) -> Conductors:
    return area((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def gap(a: Conductors, b: Conductors) -> float:
    return float(between(a, np.array([0]), b, np.array([0]))[0][0])


ROOT2 = math.sqrt(2)
CLOSED_FORMS = {
    "disc to disc": (disc(0, 0, 2), disc(3, 4, 4), 5 - 1 - 2),
    "disc to stroke, foot inside": (disc(5, 7, 2), stroke(0, 0, 10, 0, 1), 7 - 1 - 0.5),
    "disc to stroke, past its end": (disc(13, 4, 2), stroke(0, 0, 10, 0, 1), 5 - 1 - 0.5),
    "parallel strokes": (stroke(0, 0, 10, 0, 0.4), stroke(2, 3, 8, 3, 0.6), 3 - 0.5),
    "crossing strokes": (stroke(-1, 0, 1, 0, 0.2), stroke(0, -1, 0, 1, 0.2), 0),
    "strokes end to middle": (stroke(0, 0, 10, 0), stroke(5, 2, 9, 7), 2),
    "skew strokes end to end": (stroke(0, 0, 1, 0), stroke(4, 4, 9, 9), 5),
    "stroke that overlaps by its width": (stroke(0, 0, 10, 0, 2), stroke(0, 1.5, 10, 1.5, 2), 0),
    "disc to corner of an area": (disc(0, 0, 2), box(3, 4, 9, 9), 5 - 1),
    "disc inside an area": (disc(5, 5, 1), box(0, 0, 10, 10), 0),
    "disc in a hole of an area": (
        disc(5, 5, 1),
        area((0, 0), (10, 0), (10, 10), (0, 10), hole=shapely.box(3, 3, 8, 8)),
        2 - 0.5,
    ),
    "areas corner to corner": (box(0, 0, 1, 1), box(4, 5, 9, 9), 5),
    "area in an area": (box(2, 2, 3, 3), box(0, 0, 10, 10), 0),
    "arc to point beyond its middle": (arc(0, 0, 5, 0, 90), disc(6 / ROOT2 * 1, 6 / ROOT2, 0.0), 1),
    "arc to its centre": (arc(0, 0, 5, 30, 40, 1), disc(0, 0, 2), 5 - 0.5 - 1),
    "arc to point outside its span": (arc(0, 0, 5, 0, 90), disc(8, -4, 0), 5),
    "arc to stroke outside": (arc(0, 0, 5, 0, 180, 0.2), stroke(-9, 7, 9, 7, 0.2), 2 - 0.2),
    "arc to stroke that cuts it": (arc(0, 0, 5, 0, 180), stroke(0, 0, 0, 9), 0),
    "arc to stroke inside the circle": (arc(0, 0, 5, 0, 180), stroke(-1, 0, 1, 0), 4),
    "arc's end to stroke": (arc(0, 0, 5, 0, 90), stroke(4, -3, 7, -3), 3),
    "arc to area": (arc(0, 0, 5, 0, 180, 1), box(-1, 7, 1, 9), 1.5),
    "arc inside an area": (arc(5, 5, 1, 0, 90), box(0, 0, 10, 10), 0),
    "arc round an area": (arc(5, 5, 5, 0, 360), box(4, 4, 6, 6), 5 - ROOT2),
    "arcs side by side": (arc(0, 0, 2, -90, 180), arc(10, 0, 3, 90, 180), 10 - 2 - 3),
    "arcs back to back": (arc(0, 0, 2, 90, 180), arc(10, 0, 3, -90, 180), math.hypot(10, 1)),
    "concentric arcs": (arc(0, 0, 2, 0, 360, 0.2), arc(0, 0, 5, 10, 20, 0.2), 3 - 0.2),
    "concentric arcs apart": (arc(0, 0, 3, 0, 90), arc(0, 0, 4, 180, 90), 5),
    "arcs that meet": (arc(0, 0, 5, 0, 360), arc(6, 0, 5, 90, 180), 0),
    "an arc inside another circle": (arc(0, 0, 10, 0, 360), arc(2, 0, 3, -90, 180), 10 - 2 - 3),
    "clockwise arc": (arc(0, 0, 5, 90, -90), disc(6 / ROOT2, 6 / ROOT2, 0.0), 1),
}


@pytest.mark.parametrize(("a", "b", "wanted"), CLOSED_FORMS.values(), ids=CLOSED_FORMS.keys())
def test_distance_in_closed_form(a: Conductors, b: Conductors, wanted: float) -> None:
    """Worked by hand from the figure; both ways round."""
    assert gap(a, b) == pytest.approx(wanted, abs=EXACT)
    assert gap(b, a) == pytest.approx(wanted, abs=EXACT)


@pytest.mark.parametrize(("a", "b", "wanted"), CLOSED_FORMS.values(), ids=CLOSED_FORMS.keys())
def test_the_witness_is_as_long_as_the_distance_and_ends_on_both_surfaces(
    a: Conductors, b: Conductors, wanted: float
) -> None:
    length, start, end = between(a, np.array([0]), b, np.array([0]))
    assert np.hypot(*(end - start)[0]) == pytest.approx(wanted, abs=EXACT)
    for copper, point in ((a, start), (b, end)):
        assert (
            shapely.distance(copper.skeletons()[0], shapely.Point(point[0]))
            <= copper.radius[0] + 0.0003
        )
    assert length[0] == pytest.approx(wanted, abs=EXACT)


coordinates = st.integers(-200, 200).map(lambda v: v / 10)
sizes = st.integers(1, 30).map(lambda v: v / 10)
angles = st.integers(-720, 720).map(lambda v: v / 2)


@st.composite
def strokes(draw: st.DrawFn) -> Conductors:
    return stroke(*(draw(coordinates) for _ in range(4)), draw(sizes))


@st.composite
def discs(draw: st.DrawFn) -> Conductors:
    return disc(draw(coordinates), draw(coordinates), draw(sizes))


@st.composite
def arcs(draw: st.DrawFn) -> Conductors:
    sweep = draw(st.integers(1, 720)) / 2 * draw(st.sampled_from([-1, 1]))
    return arc(
        draw(coordinates), draw(coordinates), draw(sizes) * 3, draw(angles), sweep, draw(sizes)
    )


@st.composite
def areas(draw: st.DrawFn) -> Conductors:
    """A star with many corners round some place."""
    n = draw(st.integers(3, 40))
    reach = draw(st.lists(sizes, min_size=n, max_size=n))
    x, y = draw(coordinates), draw(coordinates)
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return area(
        *((x + r * math.cos(t), y + r * math.sin(t)) for r, t in zip(reach, turn, strict=True))
    )


things = st.one_of(strokes(), discs(), arcs(), areas())


@SETTLE
@given(things, things)
def test_distance_is_symmetric_and_the_witness_mirrored(a: Conductors, b: Conductors) -> None:
    one, two = (
        between(a, np.array([0]), b, np.array([0])),
        between(b, np.array([0]), a, np.array([0])),
    )
    assert one[0] == pytest.approx(two[0], abs=EXACT)


@SETTLE
@given(things, things, coordinates, coordinates, st.sampled_from([0, 90, 180, 270]), st.booleans())
def test_distance_is_the_same_after_a_move(
    a: Conductors, b: Conductors, x: float, y: float, turn: int, mirrored: bool
) -> None:
    assert gap(moved(a, x, y, turn, mirrored), moved(b, x, y, turn, mirrored)) == pytest.approx(
        gap(a, b), abs=1e-7
    )


def moved(copper: Conductors, x: float, y: float, turn: int, mirrored: bool) -> Conductors:
    """Mirror in the y axis, turn by right angles, shift."""
    c, s = round(math.cos(math.radians(turn))), round(math.sin(math.radians(turn)))
    matrix = np.array([[c, -s], [s, c]]) @ np.diag([-1 if mirrored else 1, 1])

    def place(points: Floats) -> Floats:
        return points @ matrix.T + (x, y)

    geometry = copper.geometry.copy()
    geometry[:, 0:2] = place(copper.geometry[:, 0:2])
    if copper.kind[0] == Kind.STROKE:
        geometry[:, 2:4] = place(copper.geometry[:, 2:4])
    if copper.kind[0] == Kind.ARC:
        start, sweep = copper.geometry[0, 3:5]
        geometry[0, 3] = (math.pi - start if mirrored else start) + math.radians(turn)
        geometry[0, 4] = -sweep if mirrored else sweep
    shapes = [shapely.transform(shape, place) for shape in copper.areas]
    columns = {
        "kind": copper.kind,
        "geometry": geometry,
        "radius": copper.radius,
        "area": copper.area,
    }
    return conductors(1, **columns, areas=shapes)


@SETTLE
@given(arcs(), things)
def test_arcs_agree_with_fine_polylines(a: Conductors, b: Conductors) -> None:
    """Polylines whose chords stray 1e-7 mm from the arcs: the distances agree within twice that."""

    def fine(copper: Conductors) -> shapely.Geometry:
        if copper.kind[0] != Kind.ARC:
            return copper.skeletons()[0]
        x, y, radius, start, sweep = copper.geometry[0]
        return shapely.LineString(arc_points((x, y), radius, start, sweep, tolerance=1e-7))

    skeletons = shapely.distance(fine(a), fine(b))
    assert gap(a, b) == pytest.approx(max(skeletons - a.radius[0] - b.radius[0], 0.0), abs=3e-7)


@SETTLE
@given(st.lists(arcs(), min_size=1, max_size=5), st.lists(arcs(), min_size=1, max_size=5))
def test_arcs_in_bulk_are_arcs_one_by_one(a: list[Conductors], b: list[Conductors]) -> None:
    """The vectorised forms take pairs of rows; no row disturbs another."""
    n = min(len(a), len(b))
    one, two = (np.concatenate([c.geometry for c in part[:n]]) for part in (a, b))
    for solve, first in ((arc_to_arc, one), (segment_to_arc, one[:, :4])):
        start, end = solve(first, two)
        for row in range(n):
            alone = solve(first[row : row + 1], two[row : row + 1])
            assert np.hypot(*(start - end)[row]) == pytest.approx(
                np.hypot(*(alone[0] - alone[1])[0]), abs=EXACT
            )


# ------------------------------------------------------------------------------------ closest pairs


@SETTLE
@given(
    st.lists(things, min_size=1, max_size=7),
    st.lists(things, min_size=1, max_size=7),
    st.integers(1, 3),
    st.floats(0.5, 40),
    st.sampled_from([0.0, 1.5]),
)
def test_the_closest_of_each_group_is_the_least_of_all_pairs(
    first: list[Conductors], second: list[Conductors], groups: int, limit: float, rise: float
) -> None:
    """Brute force: every pair measured by `between`, grouped by row numbers; pairs not below the
    limit are left out.
    """
    a, b = concatenate(first), concatenate(second)

    def judge(i: Rows, j: Rows) -> Judged:
        key = (i % groups) * groups + j % groups
        return Judged(key.astype(np.int64), np.full(len(i), rise), np.full(len(i), limit))

    near = closest(pieces(a, np.arange(len(a))), pieces(b, np.arange(len(b))), limit, judge)
    wanted: dict[int, float] = {}
    for i in range(len(a)):
        for j in range(len(b)):
            flat = float(between(a, np.array([i]), b, np.array([j]))[0][0])
            key = (i % groups) * groups + j % groups
            wanted[key] = min(wanted.get(key, math.inf), math.hypot(flat, rise))
    found = dict(zip(near.key.tolist(), near.length.tolist(), strict=True))
    for key, length in wanted.items():
        if length < limit - 0.001:
            assert found[key] == pytest.approx(length, abs=EXACT)
        elif length > limit + 0.001:
            assert key not in found
    flat = np.hypot(*(near.end - near.start).T)
    assert np.hypot(flat, rise) == pytest.approx(near.length, abs=1e-7)


def test_large_areas_are_searched_by_runs_of_their_edges() -> None:
    """A comb of 400 corners whose 37th tooth reaches nearest to a disc: 2.0 mm below the tip at
    (37, 5).
    """
    teeth = [(float(i) / 2, 5.0 if i == 74 else 3.0 + (i % 2)) for i in range(200)]
    comb = area((0, -5), *[(100, -5)], *teeth[::-1])
    dot = disc(37, 8, 2)
    assert len(pieces(comb, np.array([0]))) > 10

    def judge(i: Rows, _: Rows) -> Judged:
        return Judged(np.zeros(len(i), np.int64), np.zeros(len(i)), np.full(len(i), 10.0))

    near = closest(pieces(comb, np.array([0])), pieces(dot, np.array([0])), 10.0, judge)
    assert near.length.tolist() == pytest.approx([2.0], abs=EXACT)
    assert near.start[0].tolist() == pytest.approx([37, 5])


def test_a_conductor_inside_a_large_area_touches_it() -> None:
    """The dot is 4 mm from every edge of an area with 100 corners, and inside it."""
    turn = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    plate = area(*zip(5 * np.cos(turn), 5 * np.sin(turn), strict=True))

    def judge(i: Rows, _: Rows) -> Judged:
        return Judged(np.zeros(len(i), np.int64), np.full(len(i), 0.3), np.full(len(i), 1.0))

    for a, b in ((plate, disc(0, 0, 1)), (disc(0, 0, 1), plate)):
        near = closest(pieces(a, np.array([0])), pieces(b, np.array([0])), 1.0, judge)
        assert near.length.tolist() == [0.3]


def test_the_witness_stands_in_the_middle_of_edges_that_face_each_other() -> None:
    """Edges x = 1 (y 0..10) and x = 3 (y 4..20) face each other from y = 4 to 10."""

    def judge(i: Rows, _: Rows) -> Judged:
        return Judged(np.zeros(len(i), np.int64), np.zeros(len(i)), np.full(len(i), 9.0))

    for a in (box(0, 0, 1, 10), stroke(0.5, 0, 0.5, 10, 1)):
        near = closest(
            pieces(a, np.array([0])), pieces(box(3, 4, 5, 20), np.array([0])), 9.0, judge
        )
        assert near.start.tolist() == [pytest.approx([1, 7])]
        assert near.end.tolist() == [pytest.approx([3, 7])]
