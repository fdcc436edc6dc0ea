"""Copper cut into cells: nothing is bridged, nothing is cut, and edge lengths add up."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from checker.returns.cells import Cells, Grid, grid_over


def pieces(polygon: shapely.Geometry, cell: float) -> int:
    """Number of connected pieces of the nodes."""
    cells = Cells(shapely.get_parts(polygon), grid_over(polygon.bounds, cell))
    branches = cells.branches
    ones = np.ones(len(branches.first))
    graph = coo_array((ones, (branches.first, branches.second)), shape=(len(cells), len(cells)))
    return int(connected_components(graph, directed=False)[0])


@pytest.mark.parametrize("cell", [2.0, 0.7, 0.25])
@pytest.mark.parametrize("turn", [0, 27, 45])
def test_a_moat_far_finer_than_a_cell_is_not_bridged(cell: float, turn: int) -> None:
    halves = shapely.union_all([shapely.box(0, 0, 20, 10), shapely.box(0, 10.001, 20, 20)])
    assert pieces(shapely.affinity.rotate(halves, turn), cell) == 2


@pytest.mark.parametrize("cell", [2.0, 0.7, 0.25])
@pytest.mark.parametrize("turn", [0, 27, 45])
def test_a_neck_far_finer_than_a_cell_is_not_cut(cell: float, turn: int) -> None:
    neck = shapely.union_all(
        [shapely.box(0, 0, 9, 10), shapely.box(8, 4.999, 12, 5), shapely.box(11, 0, 20, 10)]
    )
    assert pieces(shapely.affinity.rotate(neck, turn), cell) == 1


def test_copper_within_one_cell_is_a_node_of_its_own() -> None:
    cells = Cells(
        [shapely.box(0, 0, 0.1, 0.1), shapely.box(3, 3, 8, 8)], grid_over((0, 0, 8, 8), 1.0)
    )
    assert (
        len(
            np.setdiff1d(
                np.arange(len(cells)), np.concatenate((cells.branches.first, cells.branches.second))
            )
        )
        == 1
    )
    assert cells.nodes_at(np.array([[0.05, 0.05]]))[0] >= 0


def test_a_place_beside_a_fine_moat_is_found_on_its_own_side() -> None:
    """Both sides share a cell; points 0.002 mm apart lie on different nodes."""
    cells = Cells(
        [shapely.box(0, 0, 20, 10), shapely.box(0, 10.001, 20, 20)], grid_over((0, 0, 20, 20), 1.0)
    )
    below, above, off = cells.nodes_at(np.array([[7.0, 9.9995], [7.0, 10.0015], [25.0, 3.0]]))
    assert cells.cell[below] == cells.cell[above]
    assert below != above
    assert off == -1


stars = st.lists(st.floats(3.0, 9.0), min_size=5, max_size=12)


@given(radii=stars, cell=st.sampled_from([0.6, 1.1, 2.3]), hole=st.floats(0.3, 2.5))
def test_edges_are_as_long_as_the_copper_on_the_lines(
    radii: list[float], cell: float, hole: float
) -> None:
    """Against shapely: copper on every line of the grid, both directions."""
    turn = 2 * np.pi * np.arange(len(radii)) / len(radii)
    star = shapely.Polygon(np.column_stack((np.cos(turn), np.sin(turn))) * np.array(radii)[:, None])
    shape = shapely.difference(star, shapely.Point(0.1, 0.2).buffer(hole))
    grid = grid_over(shape.bounds, cell)
    cells = Cells(shapely.get_parts(shape), grid)
    (x0, y0), (columns, rows) = grid.origin, grid.shape
    top, right = y0 + rows * cell, x0 + columns * cell
    lines = [
        shapely.LineString([(x0 + k * cell, y0), (x0 + k * cell, top)]) for k in range(columns)
    ]
    lines += [
        shapely.LineString([(x0, y0 + k * cell), (right, y0 + k * cell)]) for k in range(rows)
    ]
    wanted = sum(shapely.intersection(line, shape).length for line in lines)
    assert cells.branches.width.sum() * cell == pytest.approx(wanted, abs=1e-6)
    assert pieces(shape, cell) == len(shapely.get_parts(shape))


def test_a_layer_without_copper_has_no_nodes() -> None:
    cells = Cells([], grid_over((0, 0, 5, 5), 1.0))
    assert len(cells) == len(cells.spots) == 0
    assert cells.nodes_at(np.array([[1.0, 1.0]])).tolist() == [-1]


def test_rims_on_the_lines_of_the_grid_are_no_trouble() -> None:
    """Whole cells, and the same copper a hair to the side, are the same network."""
    grid = Grid((0.0, 0.0), 1.0, (8, 8))
    on, beside = (
        Cells([shapely.box(1 + off, 1 + off, 5 + off, 5 + off)], grid) for off in (0.0, 1e-9)
    )
    assert len(on) == len(beside)
    assert on.branches.width.sum() == pytest.approx(beside.branches.width.sum(), abs=1e-6)
