"""Cells: disjoint, labelled, and never told by a bounding box otherwise than exactly."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from checker.geometry.edge_index import ring_segments
from checker.layout.fragments import cut_areas, cut_lines
from checker.layout.reference_map import (
    CUT,
    OFF,
    Cell,
    ReferenceMap,
    Sheets,
    SideMap,
    plane_layers,
    reference_map_of,
)
from checker.layout.regions import Pour

COORDINATE = st.integers(0, 24).map(lambda n: n / 2)
CORNERS = st.tuples(COORDINATE, COORDINATE, COORDINATE, COORDINATE)
WITH_HOLE = shapely.Polygon(
    shapely.box(0, 0, 6, 12).exterior, [shapely.box(2, 4, 4, 8).exterior.coords]
)
CELLS = [
    Cell(0, WITH_HOLE),
    Cell(1, shapely.Polygon([(8, 0), (12, 0), (12, 12), (10, 12)])),
    Cell(2, shapely.box(6, 0, 7, 3)),
]
VIEW = SideMap(CELLS)
OTHER = SideMap([Cell(3, shapely.box(0, 5, 12, 12))])


def box(corners: tuple[float, ...]) -> list[float]:
    x0, y0, x1, y1 = corners
    return [min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)]


@settings(max_examples=200)
@given(st.lists(CORNERS, min_size=1, max_size=8))
def test_a_box_decides_only_what_is_certain(corners: list[tuple[float, ...]]) -> None:
    """Wholly inside one cell, wholly outside all, or undecided; also for boxes without width,
    height or both.
    """
    boxes = np.array([box(c) for c in corners])
    for (x0, y0, x1, y1), label in zip(boxes, VIEW.label_boxes(boxes), strict=True):
        line = (
            shapely.LineString([(x0, y0), (x1, y1)])
            if (x0, y0) != (x1, y1)
            else shapely.Point(x0, y0)
        )
        thing = shapely.box(x0, y0, x1, y1) if x0 < x1 and y0 < y1 else line
        inside = [cell.label for cell in CELLS if cell.shape.contains_properly(thing)]
        meets = any(cell.shape.intersects(thing) for cell in CELLS)
        assert label == (inside[0] if inside else CUT if meets else OFF)


@settings(max_examples=200)
@given(st.lists(st.tuples(COORDINATE, COORDINATE), min_size=2, max_size=5))
def test_cutting_a_line_loses_and_invents_nothing(points: list[tuple[float, float]]) -> None:
    """Pieces add up to the line; each lies wholly on the cells of its labels, or off all of
    them.
    """
    line = shapely.LineString(points)
    owner, pieces, labels = cut_lines(np.array([line], dtype=object), ReferenceMap(VIEW, OTHER))
    assert (owner == 0).all()
    assert abs(shapely.length(pieces).sum() - line.length) < 1e-5
    assert shapely.hausdorff_distance(shapely.union_all(pieces), line) < 1e-5
    for piece, both in zip(pieces, labels, strict=True):
        for view, label in zip((VIEW, OTHER), both, strict=True):
            for cell in view.cells:
                if cell.label == label:
                    assert piece.difference(cell.shape.buffer(1e-6)).length < 1e-5
                elif label == OFF:
                    assert piece.intersection(cell.shape).length < 1e-5


@settings(max_examples=100)
@given(st.lists(CORNERS.filter(lambda c: c[0] != c[2] and c[1] != c[3]), min_size=1, max_size=4))
def test_cutting_areas_loses_and_invents_nothing(corners: list[tuple[float, ...]]) -> None:
    """Pieces of each area add up to it and lie on the cells of their labels."""
    areas = np.array([shapely.box(*box(c)) for c in corners], dtype=object)
    owner, pieces, labels = cut_areas(areas, ReferenceMap(VIEW, OTHER))
    for i, area in enumerate(areas):
        assert abs(shapely.area(pieces[owner == i]).sum() - area.area) < 1e-6
    for piece, both in zip(pieces, labels, strict=True):
        for view, label in zip((VIEW, OTHER), both, strict=True):
            over = [cell.label for cell in view.cells if piece.intersection(cell.shape).area > 1e-6]
            assert over == ([] if label == OFF else [label])


def pour(region: int, layer: int, shape: shapely.Polygon) -> Pour:
    return Pour(region, layer, 0, 0, shape, shape, False)


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(0, 2), st.integers(0, 3), CORNERS), min_size=1, max_size=6),
    st.integers(0, 3),
    st.data(),
)
def test_cells_of_a_side_are_disjoint(
    given_pours: list[tuple[int, int, tuple[float, ...]]], layer: int, draw_planes: st.DataObject
) -> None:
    """However pours overlap, each place of a side refers to one of them, and every cell lies in its
    own pour.
    """
    solid = [(r, n, shapely.box(*box(c))) for r, n, c in given_pours]
    pours = [pour(r, n, shape) for r, n, shape in solid if shape.area > 0]
    planes = draw_planes.draw(st.frozensets(st.tuples(st.integers(0, 2), st.integers(0, 3))))
    seen = reference_map_of(layer, Sheets(pours, planes), None, 1.0, {})
    for view in (seen.first, seen.second):
        for i, cell in enumerate(view.cells):
            reach = 1.01 if pours[cell.label].layer == layer else 0.0
            assert cell.shape.difference(pours[cell.label].shape.buffer(reach + 1e-9)).area < 1e-9
            for other in view.cells[:i]:
                assert cell.shape.intersection(other.shape).area < 1e-9


@pytest.mark.parametrize(("right", "plane"), [(10, True), (9.9, False), (20, True)])
def test_a_layer_is_a_plane_from_the_share_on(right: float, plane: bool) -> None:
    """Of a territory of 20 x 10 mm pours on L2 cover a part; 0.5 is asked for."""
    pours = [pour(0, 0, shapely.box(0, 0, 20, 10)), pour(0, 1, shapely.box(0, 0, right, 10))]
    found = plane_layers(pours, [shapely.box(0, 0, 20, 10)], 0.5)
    assert found == ({(0, 0), (0, 1)} if plane else {(0, 0)})


def test_segments_close_every_ring() -> None:
    """Outer and inner rings, each closed."""
    segments = ring_segments(np.array([WITH_HOLE], dtype=object))
    assert len(segments) == 8
    assert np.hypot(*(segments[:, 2:] - segments[:, :2]).T).sum() == WITH_HOLE.length
    assert len(ring_segments(np.empty(0, dtype=object))) == 0
