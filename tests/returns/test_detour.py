"""Detours against closed forms and a grid."""

from __future__ import annotations

import math

import networkx as nx
import numpy as np
import pytest
import shapely
from extremitypathfinder import PolygonEnvironment
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from checker.returns import detour as rp

U_SHAPE = shapely.Polygon([(0, 0), (10, 0), (10, 10), (6, 10), (6, 2), (4, 2), (4, 10), (0, 10)])
LEFT, RIGHT = shapely.box(0, 0, 10, 20), shapely.box(12, 0, 30, 20)


def test_a_rectangular_slot_is_walked_round_its_nearer_end() -> None:
    """Slot x 9.5..10.5, y 2..20 in a board y 0..30, trace at y 15: round the upper end, 5 up, 1
    across, 5 down.
    """
    board = shapely.box(0, 0, 20, 30) - shapely.box(9.5, 2, 10.5, 20)
    way = rp.Network([board], []).detour([(0, (9.5, 15))], [(0, (10.5, 15))])
    assert way is not None
    assert way.length == pytest.approx(5 + 1 + 5, abs=1e-6)


def test_an_l_shaped_pour_is_walked_round_its_inner_corner() -> None:
    pour = shapely.Polygon([(0, 0), (10, 0), (10, 3), (3, 3), (3, 10), (0, 10)])
    way = rp.Network([pour], []).detour([(0, (2, 9))], [(0, (9, 2))])
    assert way is not None
    assert way.length == pytest.approx(2 * math.hypot(1, 6), abs=1e-6)
    assert way.path[1] == (3.0, 3.0)


def test_two_isolated_pours_have_no_detour() -> None:
    assert rp.Network([LEFT, RIGHT], []).detour([(0, (10, 5))], [(1, (12, 5))]) is None


def test_a_tie_carries_the_detour_and_is_named() -> None:
    """Tie at y 15, trace at y 5: 10 up, 2 across the tie, 10 down."""
    tie = rp.Link((0, 1), ((10.0, 15.0), (12.0, 15.0)), "R40")
    way = rp.Network([LEFT, RIGHT], [tie]).detour([(0, (10, 5))], [(1, (12, 5))])
    assert way is not None
    assert (way.length, way.links) == (pytest.approx(22), ("R40",))


def test_a_plane_on_another_layer_is_reached_through_vias() -> None:
    """Two pours joined by vias at y 15 to a sheet below: the way leads down and up again."""
    below = shapely.box(0, 0, 30, 20)
    links = [
        rp.Link((0, 2), ((9.0, 15.0),) * 2, "via"),
        rp.Link((1, 2), ((13.0, 15.0),) * 2, "via"),
    ]
    way = rp.Network([LEFT, RIGHT, below], links).detour([(0, (10, 5))], [(1, (12, 5))])
    assert way is not None
    assert way.length == pytest.approx(2 * math.hypot(1, 10) + 4, abs=1e-6)


@given(reach=st.floats(1, 8), more=st.floats(0.1, 5))
def test_a_longer_slot_never_shortens_the_detour(reach: float, more: float) -> None:
    ways = []
    for top in (reach, reach + more):
        board = shapely.box(0, -20, 20, 20) - shapely.box(9.5, -20, 10.5, top)
        way = rp.Network([board], []).detour([(0, (9.5, 0))], [(0, (10.5, 0))])
        assert way is not None
        ways.append(way.length)
    assert ways[0] <= ways[1] + 1e-9


@given(at=st.floats(-18, 18), other=st.floats(-18, 18))
def test_more_stitching_never_lengthens_the_detour(at: float, other: float) -> None:
    sheets = [shapely.box(0, -20, 10, 20), shapely.box(12, -20, 30, 20)]
    links = [rp.Link((0, 1), ((10.0, y), (12.0, y)), "C") for y in (at, other)]
    start, end = [(0, (10.0, 0.0))], [(1, (12.0, 0.0))]
    one, two = (
        rp.Network(sheets, links[:1]).detour(start, end),
        rp.Network(sheets, links).detour(start, end),
    )
    assert one is not None
    assert two is not None
    assert two.length <= one.length + 1e-9


@settings(max_examples=25, deadline=None)
@example([(5, 11, 5, 1), (10, 6, 1, 5)])  # two holes that touch at a corner
@given(
    st.lists(
        st.tuples(st.integers(1, 16), st.integers(1, 16), st.integers(1, 5), st.integers(1, 5)),
        max_size=6,
    )
)
def test_the_detour_agrees_with_a_fine_grid(blocks: list[tuple[int, int, int, int]]) -> None:
    """A grid of step s with 8 neighbours is never shorter than the truth, and at most 8.24 % and
    two cells longer.
    """
    pour = shapely.box(0, 0, 20, 20) - shapely.union_all(
        [shapely.box(x, y, x + w, y + h) for x, y, w, h in blocks]
    )
    parts = [p for p in shapely.get_parts(pour) if p.covers(shapely.Point(0, 0))]
    assume(parts and parts[0].covers(shapely.Point(20, 20)))
    way = rp.Network([parts[0]], []).detour([(0, (0, 0))], [(0, (20, 20))])
    assert way is not None
    grid = _grid_way(parts[0] - _pinches(parts[0]), 0.5)
    assert way.length <= grid + 1e-6
    assert grid <= way.length * 1.0824 + 1.0


def _pinches(pour: shapely.Polygon) -> shapely.Geometry:
    """Small discs where outlines touch at a point: a point has no width, so it carries no
    current.
    """
    rings = shapely.get_rings(pour)
    at, count = np.unique(
        np.vstack([ring.coords[1:] for ring in rings]), axis=0, return_counts=True
    )
    discs: shapely.Geometry = shapely.union_all(shapely.buffer(shapely.points(at[count > 1]), 0.1))
    return discs


def _grid_way(pour: shapely.Polygon, step: float) -> float:
    count = round(20 / step) + 1
    grown = shapely.buffer(pour, 1e-6)
    shapely.prepare(grown)
    graph = nx.Graph()
    for dx, dy in ((1, 0), (0, 1), (1, 1), (1, -1)):
        i, j = (a.ravel() for a in np.meshgrid(np.arange(count), np.arange(count), indexing="ij"))
        keep = (i + dx < count) & (j + dy < count) & (j + dy >= 0)
        i, j = i[keep], j[keep]
        ends = np.stack((np.column_stack((i, j)), np.column_stack((i + dx, j + dy))), axis=1) * step
        inside = shapely.covers(grown, shapely.linestrings(ends))
        graph.add_weighted_edges_from(
            ((a, b), (a + dx, b + dy), step * math.hypot(dx, dy))
            for a, b in zip(i[inside], j[inside], strict=True)
        )
    return float(nx.dijkstra_path_length(graph, (0, 0), (count - 1, count - 1)))


def test_two_slots_and_a_corner_are_walked_as_drawn() -> None:
    """From (2, 2) round the corner (10, 10) of a block to a tie at (18, 18) and 2 mm across it to
    the other pour.
    """
    pour = shapely.box(0, 0, 20, 20) - shapely.box(10, 0, 20, 10)
    other = shapely.box(22, 0, 40, 40)
    tie = rp.Link((0, 1), ((18.0, 18.0), (22.0, 18.0)), "R1")
    way = rp.Network([pour, other], [tie]).detour([(0, (2, 2))], [(1, (22, 18))])
    assert way is not None
    assert way.length == pytest.approx(math.hypot(16, 16) + 4, abs=1e-6)


@st.composite
def holed_sheets(draw: st.DrawFn) -> shapely.Polygon:
    """A square with slanted blocks cut out of it: the largest piece that remains."""
    block = st.tuples(
        st.floats(1, 19), st.floats(1, 19), st.floats(0.5, 6), st.floats(0.5, 6), st.floats(0, 90)
    )
    cut = [
        shapely.affinity.rotate(shapely.box(x - w / 2, y - h / 2, x + w / 2, y + h / 2), turn)
        for x, y, w, h, turn in draw(st.lists(block, min_size=1, max_size=8))
    ]
    left = shapely.get_parts(shapely.box(0, 0, 20, 20) - shapely.union_all(cut))
    return max(left, key=lambda part: part.area)


def _all_sights(
    sheet: shapely.Polygon, start: tuple[float, float], end: tuple[float, float]
) -> float:
    """Shortest way over every pair of vertices that see each other: the plain definition."""
    places = np.vstack((start, end, shapely.get_coordinates(sheet)))
    one, other = np.triu_indices(len(places), 1)
    lines = shapely.linestrings(np.stack((places[one], places[other]), axis=1))
    grown = shapely.buffer(sheet, 1e-6, join_style="mitre")
    seen = shapely.covers(grown, lines)
    graph = nx.Graph()
    graph.add_weighted_edges_from(
        zip(one[seen], other[seen], shapely.length(lines[seen]), strict=True)
    )
    return float(nx.dijkstra_path_length(graph, 0, 1))


@settings(max_examples=60, deadline=None)
@given(
    holed_sheets(),
    st.lists(st.tuples(st.floats(0, 20), st.floats(0, 20)), min_size=2, max_size=2, unique=True),
)
def test_the_detour_is_the_shortest_of_all_ways_over_vertices(
    sheet: shapely.Polygon, ends: list[tuple[float, float]]
) -> None:
    network = rp.Network([sheet], [])
    start, end = (network.on_sheet(0, at) for at in ends)
    way = network.detour([(0, start)], [(0, end)])
    assert way is not None
    assert way.length == pytest.approx(_all_sights(network.sheets[0], start, end), abs=1e-3)
    assert way.length == pytest.approx(
        shapely.LineString([*way.path, way.path[-1]]).length, abs=1e-6
    )


def _by_library(
    sheet: shapely.Polygon, start: tuple[float, float], end: tuple[float, float]
) -> float:
    """Shortest way between two places of a sheet as the library extremitypathfinder finds it."""
    sheet = shapely.orient_polygons(sheet)
    found = PolygonEnvironment()
    found.store(
        sheet.exterior.coords[:-1], [ring.coords[:-1] for ring in sheet.interiors], validate=False
    )
    found.prepare()
    _, length = found.find_shortest_path(start, end, verify=False)
    return float(length)


@pytest.mark.parametrize("seed", range(4))
def test_the_detour_is_that_of_a_library_for_shortest_paths(seed: int) -> None:
    """Pours with slanted and round holes, as boards have them, between places on them: as long as
    the library says.
    """
    rng = np.random.default_rng(seed)
    cut = [
        shapely.affinity.rotate(shapely.box(x, y, x + w, y + h), turn)
        for x, y, w, h, turn in rng.uniform(
            (1, 1, 0.3, 0.3, 0), (18, 18, 7, 7, 90), (rng.integers(5, 9), 5)
        )
    ]
    cut += [
        shapely.Point(x, y).buffer(r, 4)
        for x, y, r in rng.uniform((1, 1, 0.3), (19, 19, 1.5), (3, 3))
    ]
    parts = shapely.get_parts(
        shapely.set_precision(shapely.box(0, 0, 20, 20) - shapely.union_all(cut), 1e-3)
    )
    sheet = max(parts, key=lambda part: part.area)
    network, inner = rp.Network([sheet], []), shapely.buffer(sheet, -0.01)
    places = [
        p
        for p in map(tuple, rng.uniform(0, 20, (60, 2)).tolist())
        if inner.covers(shapely.Point(p))
    ]
    held = 0
    for start, end in zip(places[:6], places[6:12], strict=True):
        way = network.detour([(0, start)], [(0, end)])
        assert way is not None
        assert way.length == pytest.approx(_by_library(sheet, start, end), abs=1e-3)
        held += way.length > 1.02 * math.dist(start, end)
    assert held  # not all of them are straight


@settings(max_examples=40, deadline=None)
@given(holed_sheets(), st.integers(0, 60))
def test_a_search_that_stops_tells_what_the_way_has_at_least(
    sheet: shapely.Polygon, nodes: int
) -> None:
    network = rp.Network([sheet], [])
    start, end = (network.on_sheet(0, at) for at in ((0.0, 0.0), (20.0, 20.0)))
    whole = network.detour([(0, start)], [(0, end)])
    part = network.detour([(0, start)], [(0, end)], rp.Budget(nodes))
    least = network.at_least([(0, start)], [(0, end)])
    assert whole is not None
    assert part is not None
    assert least is not None
    assert least <= part.length + 1e-6
    assert part.length <= whole.length + 1e-6
    assert part.found == (
        part.length == pytest.approx(whole.length, abs=1e-9) and part.path == whole.path
    )


def test_searches_share_one_budget() -> None:
    network, budget = rp.Network([U_SHAPE], []), rp.Budget(30)
    ways = [network.detour([(0, (4, 5))], [(0, (6, 5))], budget) for _ in range(20)]
    assert [way.found for way in ways if way] == sorted(
        (way.found for way in ways if way), reverse=True
    )
    assert ways[0] is not None
    assert ways[0].found
    assert ways[-1] is not None
    assert not ways[-1].found
    assert budget.nodes == 0


@given(st.lists(st.tuples(st.floats(1, 9), st.floats(0, 20)), min_size=1, max_size=5))
def test_the_bound_holds_over_links(vias: list[tuple[float, float]]) -> None:
    """Left and right pours over one sheet below, joined by vias: no way is shorter than the
    bound.
    """
    below = shapely.box(0, 0, 30, 20)
    links = [rp.Link((0, 2), (at, at), "via") for at in vias]
    links += [rp.Link((1, 2), ((x + 12, y), (x + 12, y)), "via") for x, y in vias]
    network = rp.Network([LEFT, RIGHT, below], links)
    start, end = [(0, (10.0, 5.0))], [(1, (12.0, 5.0))]
    way, least = network.detour(start, end), network.at_least(start, end)
    assert way is not None
    assert least is not None
    assert least <= way.length + 1e-9
    shortest = min(
        math.dist((10, 5), a)
        + math.dist(a, (b[0] + 12, b[1]))
        + math.dist((b[0] + 12, b[1]), (12, 5))
        for a in vias
        for b in vias
    )
    assert way.length == pytest.approx(shortest, abs=1e-6)


def test_a_finely_stepped_end_of_a_slot_is_walked_like_the_round_one_that_it_stands_for() -> None:
    """Slot x 14 to 16 from the edge up to y 20, its end a half circle of 2000 corners: 10 + pi +
    10, to 0.01 mm.

    The corners that the search sees are few, for a chord may stray 0.005 mm: that of 2 acos(0.995)
    = 11.5 degrees.
    """
    turn = np.linspace(0, np.pi, 2001)
    end = [(15 + x, 20 + y) for x, y in zip(np.cos(turn), np.sin(turn), strict=True)]
    sheet = shapely.Polygon([(0, 0), (0, 40), (30, 40), (30, 0), (16, 0), *end, (14, 0)])
    network = rp.Network([sheet], [])
    way = network.detour([(0, (14, 10))], [(0, (16, 10))])
    assert way is not None
    assert way.length == pytest.approx(20 + np.pi, abs=0.01)
    assert 180 / 11.5 < len(network.sheets[0].exterior.coords) - 7 < 4 * 180 / 11.5


def test_no_way_leads_through_the_point_where_two_walls_touch() -> None:
    """Two wedges of walls meet tip to tip at (10, 10): the way goes round the far end, (18, 8) to
    (18, 12).
    """
    one, other = [(0, 8), (10, 10), (0, 12)], [(10, 10), (18, 8), (18, 12)]
    walls = shapely.union_all([shapely.Polygon(one), shapely.Polygon(other)])
    network = rp.Network([shapely.box(0, 0, 20, 20) - walls], [])
    way = network.detour([(0, (5, 2))], [(0, (9, 13))])
    assert way is not None
    assert way.path == ((5, 2), (18, 8), (18, 12), (9, 13))
    assert way.length == pytest.approx(math.hypot(13, 6) + 4 + math.hypot(9, 1), abs=1e-6)
