"""Chains over third copper: what is summed, what counts as nothing, what is never passed
through.
"""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from checker.insulation.chains import Chain, Legs, chains, clusters, joined
from parsers.primitives import Floats


def legs(*rows: tuple[int, int, float]) -> Legs:
    """Legs (first node, second node, length)."""
    n = len(rows)
    bends = np.full(n, None, dtype=object)
    first, second = (np.array([r[k] for r in rows], dtype=np.intp) for k in (0, 1))
    length = np.array([r[2] for r in rows], dtype=float)
    zero = np.zeros((n, 4))
    body = np.column_stack((first, second)).astype(np.int32)
    return Legs(first, second, length, np.zeros(n, np.int32), body, zero, bends, np.zeros(n))


def shortest(
    out: Legs, across: Legs, into: Legs, required: float = 10.0, x: float = 1.0, nodes: int = 10
) -> list[Chain]:
    def weight(part: Legs) -> Floats:
        return np.where(part.length >= x, part.length / required, 0.0)

    return chains(out, across, into, (weight(out), weight(across), weight(into)), nodes)


def test_legs_on_both_sides_of_floating_copper_add_up() -> None:
    """IEC 60664-1:2007, 6.2, example with a floating part (from memory): 1.5 + 2.5 = 4.0."""
    (chain,) = shortest(legs((0, 5, 1.5)), legs(), legs((5, 9, 2.5)))
    assert chain.weight * 10 == pytest.approx(4.0)
    assert chain.legs.length.tolist() == [1.5, 2.5]
    assert (chain.source, chain.target) == (0, 9)


def test_a_leg_below_x_counts_as_nothing() -> None:
    """The same example, 0.5 and 3.5: only the longer counts."""
    (chain,) = shortest(legs((0, 5, 0.5)), legs(), legs((5, 9, 3.5)))
    assert chain.weight * 10 == pytest.approx(3.5)


def test_a_chain_that_holds_its_requirement_is_not_told() -> None:
    assert shortest(legs((0, 5, 5.0)), legs(), legs((5, 9, 5.0))) == []
    assert len(shortest(legs((0, 5, 5.0)), legs(), legs((5, 9, 4.999)))) == 1


def test_a_long_chain_of_short_legs_costs_nothing() -> None:
    across = legs((2, 3, 0.5), (3, 4, 0.5), (5, 4, 0.5))
    (chain,) = shortest(legs((0, 2, 0.5)), across, legs((5, 9, 0.5)))
    assert chain.weight == 0
    assert chain.legs.first.tolist() == [0, 2, 3, 4, 5]
    assert chain.legs.second.tolist() == [2, 3, 4, 5, 9]


def test_legs_follow_one_another_whichever_way_they_were_given() -> None:
    """The hop is given from 4 to 3 and walked from 3 to 4: its ends are swapped."""
    hop = legs((4, 3, 2.0))
    hop.ends[0] = [10, 0, 20, 0]
    (chain,) = shortest(legs((0, 3, 1.0)), hop, legs((4, 9, 1.0)))
    assert chain.legs.first.tolist() == [0, 3, 4]
    assert chain.legs.second.tolist() == [3, 4, 9]
    assert chain.legs.ends[1].tolist() == [20, 0, 10, 0]


def test_of_equal_chains_the_one_with_the_shortest_bare_length_is_told() -> None:
    out = legs((0, 3, 0.9), (0, 4, 0.1))
    (chain,) = shortest(out, legs(), legs((3, 9, 2.0), (4, 9, 2.0)))
    assert chain.legs.second.tolist() == [4, 9]


def test_every_source_and_target_gets_its_own_chain() -> None:
    found = shortest(legs((0, 5, 1.0), (1, 5, 2.0)), legs(), legs((5, 8, 3.0), (5, 9, 4.0)))
    assert {(c.source, c.target): round(c.weight * 10, 9) for c in found} == {
        (0, 8): 4,
        (0, 9): 5,
        (1, 8): 5,
        (1, 9): 6,
    }


def test_a_node_on_both_sides_is_no_way_through() -> None:
    """Node 5 is source and target (a net that both groups of a spacing match): chains end there;
    none leads back.
    """
    found = shortest(legs((0, 3, 1.0), (5, 3, 1.0)), legs(), legs((3, 5, 1.0), (3, 9, 1.0)))
    assert {(c.source, c.target) for c in found} == {(0, 5), (0, 9), (5, 9)}
    assert all(len(c.legs) == 2 for c in found)


def test_clusters_are_what_hops_join() -> None:
    number = clusters(legs((1, 2, 0.5), (2, 3, 0.5), (5, 6, 0.2)), 8)
    assert number[1] == number[2] == number[3]
    assert number[5] == number[6]
    assert len({int(number[n]) for n in (0, 1, 4, 5, 7)}) == 5


@given(
    st.lists(
        st.tuples(st.integers(0, 2), st.integers(3, 6), st.floats(0.1, 9)), min_size=1, max_size=6
    ),
    st.lists(st.tuples(st.integers(3, 6), st.integers(3, 6), st.floats(0.1, 9)), max_size=8),
    st.lists(
        st.tuples(st.integers(3, 6), st.integers(7, 9), st.floats(0.1, 9)), min_size=1, max_size=6
    ),
)
def test_chains_are_shortest_paths(
    out: list[tuple[int, int, float]],
    across: list[tuple[int, int, float]],
    into: list[tuple[int, int, float]],
) -> None:
    """The same search by networkx on a graph of named nodes."""
    across = [leg for leg in across if leg[0] != leg[1]]
    found = {
        (c.source, c.target): c.weight for c in shortest(legs(*out), legs(*across), legs(*into))
    }
    graph: nx.MultiDiGraph[int] = nx.MultiDiGraph()
    for u, v, length in [*out, *across, *((v, u, length) for u, v, length in across), *into]:
        graph.add_edge(u, v, weight=length / 10 if length >= 1 else 0)
    for source in {leg[0] for leg in out}:
        for target, weight in nx.single_source_dijkstra_path_length(graph, source).items():
            if target >= 7 and weight < 1 - 1e-9:
                assert found[source, target] == pytest.approx(weight, abs=1e-7)
            elif target >= 7 and weight > 1 + 1e-9:
                assert (source, target) not in found


def test_tables_join_and_turn() -> None:
    table = joined([legs((0, 1, 2.0)), legs((3, 4, 5.0))])
    assert table.length.tolist() == [2, 5]
    assert table.turned().first.tolist() == [1, 4]
