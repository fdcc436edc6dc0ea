"""Ways through the air from face to face: closed forms, and an independent slow measure on random
boards.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from checker.geometry.nearest import pieces
from checker.insulation.air.paths import Air, Ways
from parsers.primitives import Conductors, Floats, Kind, Rows, concatenate, conductors

THICK = 1.6  # mm
WITHIN = 0.001  # mm, the contract
BOARD = shapely.box(0, 0, 40, 30)


def disc(x: float, y: float, radius: float, layer: int) -> Conductors:
    return conductors(1, kind=Kind.DISC, geometry=[[x, y, 0, 0, 0]], radius=radius, layer=layer)


def box(x0: float, y0: float, x1: float, y1: float, layer: int) -> Conductors:
    return conductors(1, kind=Kind.AREA, area=0, areas=[shapely.box(x0, y0, x1, y1)], layer=layer)


def ways(
    board: shapely.Geometry,
    a: Conductors,
    b: Conductors,
    limit: float,
    depth: tuple[float, ...] = (0, THICK),
) -> Ways:
    copper = concatenate([a, b])
    layer, node = copper.layer, np.arange(2, dtype=np.int32)
    air = Air(board, np.array(depth))
    one, two = (air.reach(pieces(copper, np.array([row])), layer, node, limit) for row in (0, 1))

    def ask(i: Rows, _: Rows) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        return np.zeros(len(i), dtype=np.int64)

    return air.ways(one, two, limit, ask)


def length(
    board: shapely.Geometry,
    a: Conductors,
    b: Conductors,
    limit: float = 30.0,
    **more: tuple[float, ...],
) -> float:
    found = ways(board, a, b, limit, **more)
    return float(found.length[0]) if len(found.length) else math.inf


ROUND = shapely.Point(20, 15).buffer(3, quad_segs=200)  # chords up to 5e-5 mm inside the circle
CASES = {
    # IEC 60664-1 has no board; worked from unfolding: the body is convex, so the shortest way lies
    # on it
    "over a straight edge": (BOARD, disc(3, 15, 1, 0), disc(4, 15, 1, 1), 2 + THICK + 3),
    "over a straight edge, 4 mm along": (
        BOARD,
        disc(3, 13, 1, 0),
        disc(4, 17, 1, 1),
        math.hypot(3 + THICK + 4, 4) - 2,
    ),
    "pours along the edge": (BOARD, box(2, 2, 9, 28, 0), box(1, 5, 8, 25, 1), 2 + THICK + 1),
    "over both walls of a corner": (
        BOARD,
        disc(0.05, 0.5, 0.05, 0),
        disc(0.5, 0.05, 0.05, 1),
        math.hypot(1, 1.7) - 0.1,
    ),
    "past a corner over one wall": (
        BOARD,
        disc(1, 4, 0.5, 0),
        disc(3, 1, 0.5, 1),
        math.hypot(1 + THICK + 3, 3) - 1,
    ),
    "straight across a cutout": (
        BOARD.difference(shapely.box(19, 10, 21, 20)),
        disc(17, 15, 1, 0),
        disc(23, 15, 1, 1),
        1 + math.hypot(2, THICK) + 1,
    ),
    "across a round hole": (
        BOARD.difference(ROUND),
        disc(15, 15, 1, 0),
        disc(25, 15, 1, 1),
        1 + math.hypot(6, THICK) + 1,
    ),
    "down one side of a hole": (
        BOARD.difference(ROUND),
        disc(15, 15, 1, 0),
        box(10, 14, 14, 16, 1),
        1 + THICK + 3,
    ),
    "across a notch in the outline": (
        BOARD.difference(shapely.box(18, 0, 22, 12)),
        disc(16, 4, 1, 0),
        disc(24, 4, 1, 1),
        1 + math.hypot(4, THICK) + 1,
    ),
    "copper that hangs over the edge": (BOARD, box(-1, 10, 5, 20, 0), disc(3, 15, 1, 1), THICK + 2),
    "copper that fills the hole": (
        BOARD.difference(ROUND),
        disc(20, 15, 4, 0),
        disc(26, 15, 2, 1),
        THICK + 1,
    ),
}


@pytest.mark.parametrize(("board", "a", "b", "wanted"), CASES.values(), ids=CASES.keys())
def test_ways_in_closed_form(
    board: shapely.Geometry, a: Conductors, b: Conductors, wanted: float
) -> None:
    """Worked by hand; never too long, and short by less than 0.001 mm; the same from the other
    end.
    """
    for one, two in ((a, b), (b, a)):
        found = length(board, one, two)
        assert wanted - WITHIN <= found <= wanted + 1e-6


@pytest.mark.parametrize(("board", "a", "b", "wanted"), CASES.values(), ids=CASES.keys())
def test_the_witness_is_as_long_as_the_way_and_never_crosses_the_board(
    board: shapely.Geometry, a: Conductors, b: Conductors, wanted: float
) -> None:
    points = ways(board, a, b, 30.0).points[0]
    flat = np.hypot(*np.diff(points, axis=0).T)
    assert flat[0] + math.hypot(flat[1:-1].sum(), THICK) + flat[-1] == pytest.approx(
        wanted, abs=WITHIN
    )
    middle = shapely.LineString(points[1:-1])
    assert middle.intersection(board.buffer(-1e-4)).length < 1e-3


def test_a_way_that_is_not_shorter_than_the_limit_is_left_out() -> None:
    """6.6 mm over the edge."""
    a, b = disc(3, 15, 1, 0), disc(4, 15, 1, 1)
    assert length(BOARD, a, b, limit=6.61) == pytest.approx(6.6, abs=WITHIN)
    assert length(BOARD, a, b, limit=6.599) == math.inf


def test_copper_of_one_face_has_no_way_over_an_edge() -> None:
    """A straight line on the face is shorter; it is measured elsewhere."""
    assert length(BOARD, disc(3, 15, 1, 0), disc(4, 25, 1, 0)) == math.inf


def test_inner_copper_is_reached_only_where_it_touches_a_rim() -> None:
    """Depth 0.5 of 1.6 mm: 0.5 up the wall and 2 mm on top; 1.1 down and 3 mm below."""
    depth = (0.0, 0.5, THICK)
    shown, hidden = box(0, 10, 5, 20, 1), box(0.1, 10, 5, 20, 1)
    assert length(BOARD, shown, disc(3, 15, 1, 0), depth=depth) == pytest.approx(2.5, abs=WITHIN)
    assert length(BOARD, shown, disc(4, 15, 1, 2), depth=depth) == pytest.approx(4.1, abs=WITHIN)
    assert length(BOARD, hidden, disc(3, 15, 1, 0), depth=depth) == math.inf


def test_inner_copper_of_both_sides_meets_along_the_wall_or_across_the_void() -> None:
    """In one plane: 4 mm along the edge x = 0; straight across a notch 2 mm wide."""
    depth = (0.0, 0.5, THICK)
    assert length(BOARD, box(0, 2, 5, 8, 1), box(0, 12, 5, 18, 1), depth=depth) == pytest.approx(
        4, abs=WITHIN
    )
    notched = BOARD.difference(shapely.box(19, 0, 21, 12))
    assert length(
        notched, box(10, 2, 19, 8, 1), box(21, 2, 30, 8, 1), depth=depth
    ) == pytest.approx(2, abs=WITHIN)


# ---------------------------------------------------------------------------- an independent oracle


def slow(board: shapely.Geometry, a: Conductors, b: Conductors, step: float) -> tuple[float, float]:
    """The shortest way over sampled places of the rims, and by how much it may be too long.

    Lengths within the voids come from a visibility graph over the samples, corners of the rims
    included. Moving both bends to the nearest samples lengthens a way by at most step / 2 on each
    side of each bend.
    """
    rings = [
        r for polygon in shapely.get_parts(board) for r in (polygon.exterior, *polygon.interiors)
    ]
    points = np.unique(
        np.concatenate([shapely.get_coordinates(r.segmentize(step)) for r in rings]), axis=0
    )
    inside = board.buffer(-1e-7, join_style="mitre")
    shapely.prepare(inside)
    i, j = np.triu_indices(len(points), 1)
    lines = shapely.linestrings(np.stack((points[i], points[j]), axis=1))
    seen = ~shapely.intersects(inside, lines)
    shape = (len(points), len(points))
    graph = csr_array((shapely.length(lines[seen]), (i[seen], j[seen])), shape=shape)
    flat = dijkstra(graph, directed=False)
    total = gaps(a, points)[:, None] + np.hypot(flat, THICK) + gaps(b, points)[None, :]
    return float(total.min()), 2 * step


def gaps(copper: Conductors, points: Floats) -> Floats:
    apart: Floats = np.maximum(
        shapely.distance(copper.skeletons()[0], shapely.points(points)) - copper.radius[0], 0.0
    )
    return apart


@st.composite
def boards(draw: st.DrawFn) -> shapely.Geometry:
    """A board of 12 x 9 mm with a cut-off corner, a notch and a hole somewhere."""
    numbers = st.integers(0, 20).map(lambda v: v / 10)
    cut, wide, deep = draw(numbers), 0.3 + draw(numbers), 0.3 + 2 * draw(numbers)
    at, x, y = 3 + 2 * draw(numbers), 2.5 + 3 * draw(numbers), 5.5 + draw(numbers) / 2
    board = shapely.Polygon([(cut, 0), (12, 0), (12, 9), (0, 9), (0, cut)])
    hole = shapely.box(x, y, x + 0.4 + draw(numbers), y + 0.4 + draw(numbers) / 2)
    return board.difference(shapely.box(at, -1, at + wide, deep)).difference(hole)


@settings(deadline=None, max_examples=25)
@given(
    boards(),
    st.tuples(st.integers(0, 120), st.integers(0, 90), st.integers(1, 8)),
    st.tuples(st.integers(0, 120), st.integers(0, 90), st.integers(1, 8)),
)
def test_ways_on_random_boards_agree_with_a_slow_measure(
    board: shapely.Geometry, one: tuple[int, int, int], two: tuple[int, int, int]
) -> None:
    """Never longer than any sampled way, and shorter by no more than the sampling allows."""
    a, b = (disc(x / 10, y / 10, r / 10, layer) for layer, (x, y, r) in enumerate((one, two)))
    bound, slip = slow(board, a, b, 0.4)
    found = length(board, a, b, limit=40.0)
    assert bound - slip - WITHIN <= found <= bound + 1e-6
