"""Composition of dark and clear objects into the copper that remains.

Rule: The Gerber Layer Format Specification 2023.08, 2.3.2: a clear object removes what lies below
it, a dark one adds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

import parsers.assembly.image
from parsers.assembly.image import Image, compose
from parsers.primitives import Conductors, Kind, concatenate, conductors
from parsers.trouble import BoardError

Box = tuple[float, float, float, float]


def stroke(
    x0: float, y0: float, x1: float, y1: float, radius: float = 0.1, **columns: object
) -> Conductors:
    return conductors(1, kind=Kind.STROKE, geometry=[[x0, y0, x1, y1, 0]], radius=radius, **columns)


def disc(x: float, y: float, radius: float, **columns: object) -> Conductors:
    return conductors(1, kind=Kind.DISC, geometry=[[x, y, 0, 0, 0]], radius=radius, **columns)


def arc(reach: float, start: float, sweep: float, radius: float = 0.1) -> Conductors:
    return conductors(1, kind=Kind.ARC, geometry=[[0, 0, reach, start, sweep]], radius=radius)


def area(shape: shapely.Geometry, **columns: object) -> Conductors:
    return conductors(1, kind=Kind.AREA, area=[0], areas=[shape], **columns)


def box(x0: float, y0: float, x1: float, y1: float, **columns: object) -> Conductors:
    return area(shapely.box(x0, y0, x1, y1), **columns)


def drawn(*objects: tuple[Conductors, bool]) -> Image:
    """An image of objects with their polarity, True = dark."""
    return Image(concatenate([o for o, _ in objects]), np.array([dark for _, dark in objects]))


def union(found: Conductors) -> shapely.Geometry:
    return shapely.union_all(found.shapes())


def lengths(found: Conductors) -> list[float]:
    """Length of the remaining centre line of each row, 0 where there is none."""
    return [shapely.length(found.centres[c]) if c >= 0 else 0.0 for c in found.centre]


def test_without_clears_nothing_changes() -> None:
    """An image of dark objects alone keeps its exact primitives, the very same table."""
    image = drawn((stroke(0, 0, 1, 0), True), (disc(3, 0, 1), True))
    assert compose(image) is image.objects


def test_clear_removes_only_what_came_before() -> None:
    """What is drawn after a clear object lies on top of it and stays exact."""
    found = compose(
        drawn(
            (stroke(0, 0, 10, 0), True), (box(4, -1, 6, 1), False), (stroke(0, 0, 10, 0, 0.2), True)
        )
    )
    assert found.kind.tolist() == [Kind.AREA, Kind.AREA, Kind.STROKE]


def test_cut_stroke_keeps_its_centre_lines() -> None:
    """A stroke cut across its middle falls into two rows with the rest of its centre line, net and
    place kept.
    """
    track = stroke(0, 0, 10, 0, net=7, component=3, pin=4, function=5, file=2, line=77)
    found = compose(drawn((track, True), (box(4, -1, 6, 1), False)))
    assert lengths(found) == pytest.approx([4, 4])
    for name, value in {
        "net": 7,
        "component": 3,
        "pin": 4,
        "function": 5,
        "file": 2,
        "line": 77,
    }.items():
        assert getattr(found, name).tolist() == [value, value]
    assert (found.radius == 0).all()
    assert union(found).area == pytest.approx(2 * 4 * 0.2 + math.pi * 0.01, abs=1e-4)


def test_cut_arc_keeps_its_centre_line() -> None:
    """Half of a half circle of radius 5 remains with its centre line, 2.5 pi long."""
    found = compose(drawn((arc(5, 0, math.pi), True), (box(-10, -1, 0, 10), False)))
    assert lengths(found) == pytest.approx([2.5 * math.pi], abs=1e-3)


def test_nick_leaves_the_centre_line_whole() -> None:
    """A clear object that only takes a corner off a stroke leaves its centre line in one piece."""
    found = compose(drawn((stroke(0, 0, 10, 0, 0.5), True), (box(4, 0.2, 6, 1), False)))
    assert lengths(found) == pytest.approx([10])
    assert union(found).area == pytest.approx(10 + math.pi * 0.25 - 2 * 0.3, abs=2e-3)


def test_centre_line_cleared_away_is_none() -> None:
    """Slips along both edges of a stroke whose middle was cleared are areas without a centre
    line.
    """
    found = compose(drawn((stroke(0, 0, 10, 0, 0.5), True), (box(-1, -0.2, 11, 0.2), False)))
    assert len(found) == 2
    assert found.centre.tolist() == [-1, -1]


@pytest.mark.parametrize(
    "under",
    [disc(1, 2, 0.7), stroke(0, 0, 3, 4, 0.3), arc(3, 0.3, 2.5), box(0, 0, 2, 1)],
    ids=["disc", "stroke", "arc", "area"],
)
def test_object_covered_by_itself_disappears(under: Conductors) -> None:
    """An object cleared by its own image leaves nothing, although one is drawn a little too large,
    one too small.
    """
    assert len(compose(drawn((under, True), (under, False)))) == 0


def test_cut_pad_stays_a_pad() -> None:
    """A flash that loses a part is still a pad, and has no centre line even if it is a stroke."""
    land = stroke(0, 0, 2, 0, 0.5, pad=True)
    found = compose(drawn((land, True), (box(1.5, -1, 3, 1), False)))
    assert found.pad.tolist() == [True]
    assert found.centre.tolist() == [-1]


def test_area_falls_into_pieces() -> None:
    """A pour split by a clear stroke becomes one row for each piece."""
    found = compose(drawn((box(0, 0, 10, 10, net=1), True), (stroke(-1, 5, 11, 5, 0.5), False)))
    assert shapely.area(found.areas[found.area]).tolist() == pytest.approx([45, 45])


def test_rows_keep_the_order_of_the_file() -> None:
    """Pieces stand where their object stood."""
    parts = [
        (disc(20, 0, 1, line=1), True),
        (stroke(0, 0, 10, 0, line=2), True),
        (disc(30, 0, 1, line=3), True),
    ]
    found = compose(drawn(*parts, (box(4, -1, 6, 1), False)))
    assert found.line.tolist() == [1, 2, 2, 3]


def test_size_zero_leaves_no_image() -> None:
    """Objects of an aperture of size 0 are no copper and clear none (the format, 4.3.2)."""
    found = compose(
        drawn((stroke(0, 0, 1, 0, 0.0), True), (box(0, -1, 1, 1), True), (disc(0.5, 0, 0.0), False))
    )
    assert union(found).area == pytest.approx(2)
    assert len(compose(drawn((disc(0, 0, 0.0), True)))) == 0


def test_clears_edge_to_edge_leave_no_hair() -> None:
    """A moat painted by strokes that touch edge to edge leaves no hair of copper across it."""
    moat = [(stroke(-1, 0.1 + 0.3 * k, 11, 0.1 + 0.3 * k, 0.15), False) for k in range(10)]
    found = compose(drawn((box(0, -5, 10, 10), True), *moat))
    assert len(found) == 2
    assert shapely.area(found.areas[found.area]).sum() == pytest.approx(150 - 30)


def test_plane_with_many_clears_is_cut_in_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    """The size of a batch changes nothing in the result."""
    parts = [(stroke(0, k, 20, k), True) for k in range(12)] + [
        (disc(2 * k, k, 0.5), False) for k in range(10)
    ]
    whole = compose(drawn(*parts))
    monkeypatch.setattr(parsers.assembly.image, "BATCH", 5)
    batched = compose(drawn(*parts))
    assert shapely.equals_exact(batched.shapes(), whole.shapes()).all()
    assert batched.line.tolist() == whole.line.tolist()


coordinates = st.integers(0, 12)
boxes = st.tuples(coordinates, coordinates, st.integers(1, 6), st.integers(1, 6)).map(
    lambda b: (b[0], b[1], b[0] + b[2], b[1] + b[3])
)


@given(st.lists(st.tuples(boxes, st.booleans()), min_size=1, max_size=14))
@settings(deadline=None)
def test_composition_is_that_of_painting_in_order(parts: Sequence[tuple[Box, bool]]) -> None:
    """The copper is what painting and wiping one object after the other leaves, in disjoint
    connected pieces.
    """
    painted: shapely.Geometry = shapely.Polygon()
    for corners, dark in parts:
        shape = shapely.box(*corners)
        painted = painted.union(shape) if dark else painted.difference(shape)
    found = compose(drawn(*((box(*corners), dark) for corners, dark in parts)))
    assert union(found).symmetric_difference(painted).area < 1e-9
    assert all(shape.geom_type == "Polygon" and shape.is_valid for shape in found.shapes())


@given(
    st.lists(
        st.tuples(coordinates, coordinates, coordinates, coordinates, st.booleans()),
        min_size=1,
        max_size=8,
    ),
    st.floats(0.05, 2),
)
@settings(deadline=None)
def test_round_copper_is_never_too_small(
    parts: Sequence[tuple[int, int, int, int, bool]], radius: float
) -> None:
    """Copper left of round strokes contains the true copper, and strays from it nowhere beyond the
    contact limit.
    """
    inner: shapely.Geometry = shapely.Polygon()
    for *ends, dark in parts:
        line = (
            shapely.LineString([ends[:2], ends[2:]])
            if ends[:2] != ends[2:]
            else shapely.Point(ends[:2])
        )
        rough = line.buffer(radius if dark else radius / math.cos(math.pi / 1000), quad_segs=250)
        inner = inner.union(rough) if dark else inner.difference(rough)
    found = union(compose(drawn(*((stroke(*ends, radius=radius), dark) for *ends, dark in parts))))
    assert inner.difference(found).buffer(-0.0005).is_empty
    assert found.difference(inner).buffer(-0.001).is_empty


def test_negative_layer_is_the_profile_less_its_image() -> None:
    """On a negative layer, dark flashes are clearances; what is cleared among them is copper
    again.
    """
    image = drawn((disc(5, 5, 2), True), (disc(5, 5, 1), False))
    found = compose(image, profile=shapely.box(0, 0, 10, 10), negative=True)
    assert len(found) == 2
    true = 100 - math.pi * (4 - 1)
    assert true <= union(found).area <= true + 0.001 * 2 * math.pi * 3


def test_negative_layer_needs_the_profile() -> None:
    """Without the profile the copper of a negative layer has no bound, which is an error, not a
    guess.
    """
    with pytest.raises(BoardError, match="profile"):
        compose(drawn((disc(0, 0, 1), True)), negative=True)


def test_repeats_in_every_respect_are_left_out_and_the_last_stays() -> None:
    """A disc drawn three times, once for another part: one of each stays, in the order of the
    file.
    """
    discs = conductors(
        4,
        kind=Kind.DISC,
        geometry=np.tile([1.0, 2, 0, 0, 0], (4, 1)),
        radius=0.5,
        component=[-1, -1, 3, -1],
        line=[5, 6, 7, 8],
    )
    copper = compose(Image(discs, np.ones(4, dtype=bool)))
    assert copper.line.tolist() == [7, 8]


def test_the_last_of_repeats_is_cleared_by_what_follows_it_alone() -> None:
    """Dark, clear, dark again in the same place: whole copper; dark, dark, clear: none."""
    discs = conductors(
        3, kind=Kind.DISC, geometry=np.tile([1.0, 2, 0, 0, 0], (3, 1)), radius=0.5, line=[5, 6, 7]
    )
    again = compose(Image(discs, np.array([True, False, True])))
    assert (again.line.tolist(), again.kind.tolist()) == ([7], [Kind.DISC])
    assert not len(compose(Image(discs, np.array([True, True, False]))))
