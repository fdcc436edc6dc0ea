"""The sieve before the searches of the barrier engine lets through whatever a slow walk over all
pairs finds.
"""

from __future__ import annotations

import itertools

import networkx as nx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from checker.geometry.corridor import corridor
from parsers.primitives import Bools, Floats

PART = st.lists(st.tuples(*[st.integers(0, 60)] * 2, *[st.integers(0, 9)] * 2), max_size=8)


def boxes(sizes: list[tuple[int, int, int, int]]) -> Floats:
    x, y, w, h = np.array(sizes, dtype=np.float64).reshape(-1, 4).T
    return np.column_stack((x, y, x + w, y + h))


def walked(first: Floats, second: Floats, third: Floats, reach: float) -> list[set[int]]:
    """Boxes on any way of steps within reach, from the first over the third to the second, pair by
    pair.
    """
    parts = [first, second, third]
    nodes = [(part, row) for part, table in enumerate(parts) for row in range(len(table))]
    graph: nx.Graph[tuple[int, int]] = nx.Graph()
    graph.add_nodes_from(nodes)
    for a, b in itertools.combinations(nodes, 2):
        p, q = parts[a[0]][a[1]], parts[b[0]][b[1]]
        apart = np.maximum(np.maximum(p[:2] - q[2:], q[:2] - p[2:]), 0.0)
        if np.hypot(*apart) < reach:
            graph.add_edge(a, b)
    useful: set[tuple[int, int]] = set()
    free = graph.subgraph([node for node in nodes if node[0] == 2])
    useful |= {node for pair in graph.edges if {pair[0][0], pair[1][0]} == {0, 1} for node in pair}
    for patch in nx.connected_components(free):
        beside = {other for node in patch for other in graph[node]}
        if {0, 1} <= {part for part, _ in beside}:
            useful |= patch | {node for node in beside if node[0] < 2}
    return [{row for part, row in useful if part == number} for number in range(3)]


def kept(masks: tuple[Bools, Bools, Bools]) -> list[set[int]]:
    return [set(np.flatnonzero(mask).tolist()) for mask in masks]


@given(PART, PART, PART, st.sampled_from([0.5, 1.0, 2.5, 7.0]))
def test_nothing_on_a_way_is_lost(
    first: list[tuple[int, int, int, int]],
    second: list[tuple[int, int, int, int]],
    third: list[tuple[int, int, int, int]],
    reach: float,
) -> None:
    parts = boxes(first), boxes(second), boxes(third)
    for wanted, got in zip(walked(*parts, reach), kept(corridor(*parts, reach)), strict=True):
        assert wanted <= got


def test_what_is_beyond_the_other_side_or_touches_one_side_only_is_left_out() -> None:
    """Three strips side by side, 20 mm each, 1 mm apart: the last one lies behind the second and
    joins nothing.
    """
    first, second, third = (
        boxes([(21 * number + i, 0, 1, 50) for i in range(20)]) for number in range(3)
    )
    one, two, over = kept(corridor(first, second, third, 1.5))
    assert not over
    assert 19 in one
    assert 0 in two
    assert len(one) < 5
    assert len(two) < 5


@pytest.mark.parametrize("reach", [1e-9, 0.1])
def test_far_apart_boxes_keep_the_grid_small(reach: float) -> None:
    """10 m of board at a reach of nothing: a grid of that pitch would not fit anywhere; neighbours
    stay neighbours.
    """
    first, second = boxes([(0, 0, 1, 1), (10_000, 0, 1, 1)]), boxes([(1, 0, 1, 1)])
    assert kept(corridor(first, second, boxes([]), reach))[0] >= {0}


def test_without_one_side_or_a_reach_there_is_no_way() -> None:
    some = boxes([(0, 0, 1, 1)])
    assert kept(corridor(some, boxes([]), some, 1.0)) == [set(), set(), set()]
    assert kept(corridor(some, some, some, 0.0)) == [set(), set(), set()]
