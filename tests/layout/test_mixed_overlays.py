"""What overlays leave may be points, lines, areas and nothing, all at once: every user of them
takes what it needs.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from checker.geometry.lines import line_parts, middles
from checker.layout.edge_runs import _connected
from checker.layout.excursions import _less_exempt, _places
from checker.layout.fragments import _solid, cut_areas, cut_lines
from checker.layout.layout import Layout
from checker.layout.lengths import as_path, contact_points
from checker.layout.outlook import _leads_over
from checker.layout.overlaps import overlap_groups
from checker.layout.pours import _clipped
from checker.layout.reference_map import Cell, ReferenceMap, SideMap, _without_slivers
from checker.layout.regions import Pour
from checker.rules.noisy_neighbour import _runs
from parsers.primitives import Shapes
from tests.boards import built_directly, case, layout_of

COORDINATE = st.integers(0, 8).map(float)
POINT = st.tuples(COORDINATE, COORDINATE)
POINTS = POINT.map(shapely.Point)
LINES = st.lists(POINT, min_size=2, max_size=4, unique=True).map(shapely.LineString)
BOXES = st.tuples(POINT, POINT).filter(lambda p: p[0][0] != p[1][0] and p[0][1] != p[1][1])
AREAS = BOXES.map(lambda p: shapely.box(*np.minimum(*p), *np.maximum(*p)))
EMPTIES = st.sampled_from(
    ["POINT EMPTY", "LINESTRING EMPTY", "POLYGON EMPTY", "GEOMETRYCOLLECTION EMPTY"]
).map(shapely.from_wkt)
SINGLE = st.one_of(POINTS, LINES, AREAS, EMPTIES)
COLLECTIONS = st.lists(SINGLE, max_size=4).map(shapely.GeometryCollection)
NESTED = st.lists(st.one_of(SINGLE, COLLECTIONS), max_size=4).map(shapely.GeometryCollection)
MIXED = st.one_of(SINGLE, COLLECTIONS, NESTED)
SEVERAL = st.lists(MIXED, min_size=1, max_size=5)
# corners on the grid
SPIKED = shapely.Polygon([(2, 2), (4, 2), (4, 4), (6, 2), (6, 6), (5, 4), (4, 6), (3, 4), (2, 6)])


def array(shapes: list[shapely.Geometry]) -> Shapes:
    """Shapes as an array of objects."""
    out: Shapes = np.empty(len(shapes), dtype=object)
    out[:] = shapes
    return out


def singles(shape: shapely.Geometry) -> Iterator[shapely.Geometry]:
    """The points, lines and areas in a shape."""
    if not hasattr(shape, "geoms"):
        yield shape
        return
    for part in shape.geoms:
        yield from singles(part)


@given(SEVERAL)
def test_lines_are_found_however_deep(shapes: list[shapely.Geometry]) -> None:
    """Each line once, with the place that it comes from, and a point halfway along it."""
    lines, source = line_parts(array(shapes))
    wanted = [
        (i, s.wkt)
        for i, shape in enumerate(shapes)
        for s in singles(shape)
        if s.geom_type == "LineString"
    ]
    found = sorted(zip(source.tolist(), (line.wkt for line in lines), strict=True))
    assert found == sorted((i, text) for i, text in wanted if "EMPTY" not in text)
    assert shapely.dwithin(middles(lines), lines, 1e-9).all()


@settings(max_examples=200)
@given(st.lists(LINES, min_size=1, max_size=6))
def test_a_link_leads_over_a_cell_if_a_piece_of_it_lies_inside(
    links: list[shapely.Geometry],
) -> None:
    """Not by touching corners, nor by running along edges; a line and a point in common are one
    piece.
    """
    straight = array([shapely.LineString([line.coords[0], line.coords[-1]]) for line in links])
    straight = straight[shapely.length(straight) > 0]
    inside = shapely.length(shapely.intersection(straight, shapely.buffer(SPIKED, -1e-4))) > 1e-3
    assert _leads_over(SPIKED, straight).tolist() == inside.tolist()


def test_a_link_that_meets_a_cell_in_a_line_and_a_point() -> None:
    """Along the level y = 6 it only touches two tips; through y = 4 it runs inside and touches the
    notch.
    """
    links = array([shapely.LineString([(0, 6), (8, 6)]), shapely.LineString([(0, 4), (8, 4)])])
    assert shapely.intersection(links[1], SPIKED).geom_type in (
        "GeometryCollection",
        "MultiLineString",
        "LineString",
    )
    assert _leads_over(SPIKED, links).tolist() == [False, True]


@given(SEVERAL)
def test_paths_are_made_of_lines_alone(shapes: list[shapely.Geometry]) -> None:
    """As long as the union of all lines."""
    path = as_path(shapes)
    lines, _ = line_parts(array(shapes))
    length = sum(shapely.LineString(line).length for line in path)
    assert length == pytest.approx(shapely.union_all(lines).length if len(lines) else 0.0)


@given(SEVERAL)
def test_areas_are_found_however_deep(shapes: list[shapely.Geometry]) -> None:
    """Parts of an area's cut are areas."""
    flat = [shapely.GeometryCollection(list(singles(shape))) for shape in shapes]
    pieces, of = _solid(array(flat))
    assert all(piece.geom_type == "Polygon" for piece in pieces)
    wanted = sum(s.area for shape in flat for s in singles(shape))
    assert shapely.area(pieces).sum() == pytest.approx(wanted)
    assert len(of) == len(pieces)


@given(MIXED)
def test_slivers_are_lines_and_points_too(shape: shapely.Geometry) -> None:
    """Cells are areas."""
    assert all(part.geom_type == "Polygon" for part in shapely.get_parts(_without_slivers(shape)))


@given(SEVERAL)
def test_runs_beside_noise_are_lines(shapes: list[shapely.Geometry]) -> None:
    """Whatever the zone around noisy copper has in common with a trace."""
    for run in _runs(array(shapes), 0.5):
        assert all(part.geom_type == "LineString" for part in shapely.get_parts(run))
        assert middles(shapely.get_parts(run)).all()


@given(st.lists(LINES, min_size=1, max_size=5), st.lists(POINTS, max_size=3))
def test_runs_along_an_edge_are_lines(
    lines: list[shapely.Geometry], dots: list[shapely.Geometry]
) -> None:
    """Points among them make no run."""
    for run in _connected(array([*lines, *dots])):
        assert all(part.geom_type == "LineString" for part in shapely.get_parts(run))


@given(st.lists(LINES, min_size=1, max_size=3), st.lists(AREAS, min_size=1, max_size=3))
def test_cuts_and_contacts_take_shapes_that_share_edges_and_corners(
    lines: list[shapely.Geometry], areas: list[shapely.Geometry]
) -> None:
    """Lines and areas on the same coarse grid as the spiked cell."""
    seen = ReferenceMap(SideMap([Cell(0, SPIKED)]), SideMap([Cell(1, shapely.box(4, 0, 8, 4))]))
    for cut, shapes in ((cut_lines, lines), (cut_areas, areas)):
        _, pieces, labels = cut(array(shapes), seen)
        assert len(pieces) == len(labels)
        for piece in pieces:
            if shapely.dwithin(piece, SPIKED, 0.001):
                assert contact_points(piece, SPIKED)


@given(st.lists(AREAS, min_size=2, max_size=5))
def test_overlaps_are_areas(areas: list[shapely.Geometry]) -> None:
    """Pours that share a corner or an edge do not overlap; the groups hold every place once."""
    pours = [Pour(i % 2, i, 0, 0, area, area, False) for i, area in enumerate(areas)]
    places = [place for group in overlap_groups(pours) for place in group.places]
    assert all(place.shape.geom_type == "Polygon" and place.shape.area > 0 for place in places)
    pairs = [(a, b) for a in range(len(areas)) for b in range(a) if a % 2 != b % 2]
    assert sum(p.shape.area for p in places) == pytest.approx(
        sum(areas[a].intersection(areas[b]).area for a, b in pairs)
    )


@given(AREAS)
def test_pours_cut_by_a_regions_area_are_areas(area: shapely.Geometry) -> None:
    """The spiked area may share edges and corners with the pour."""
    for filled, bare in _clipped(SPIKED, SPIKED, area):
        assert filled.geom_type == bare.geom_type == "Polygon"


@pytest.fixture(scope="module")
def seen() -> Layout:
    """Two conductors of one net on one layer."""
    made = case(
        "board",
        {
            "because": "",
            "expect": (),
            "pours": [{"region": "a", "layer": "L2", "box": [0, 0, 10, 10]}],
            "draws": [
                {"net": "SIG", "layer": "L1", "width": 0.2, "points": [[0, y], [8, y]]}
                for y in (1, 5)
            ],
        },
    )
    return layout_of(built_directly(made.sketch), made.rules)


@given(SEVERAL)
def test_places_off_a_territory_are_areas(seen: Layout, shapes: list[shapely.Geometry]) -> None:
    """Copper cut by territories that share edges with it."""
    rows = np.flatnonzero(seen.board.copper.net == 1)[np.zeros(len(shapes), dtype=np.intp)]
    left = _less_exempt(seen, rows, array(shapes))
    places = list(_places(seen, rows, left, [(0, SPIKED)]))
    assert all(place.shape.area > 0 and place.at and place.outline for place in places)
