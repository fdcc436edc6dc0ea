"""Connection of copper: who touches whom, how names spread, and where two nets meet."""

from __future__ import annotations

from dataclasses import dataclass, replace

import networkx as nx
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.assembly.connectivity import Connected, connect, unknown_net_doubts
from parsers.board import PLATED, PLATING_UNKNOWN, UNPLATED, Holes, Layer, Net, holes
from parsers.primitives import NO_NET, TOUCH, UNKNOWN_NET, Conductors, Kind, concatenate, conductors
from parsers.trouble import BoardError

A, B, C = 0, 1, 2
NETS = (Net("A"), Net("B"), Net("C"))


def stroke(
    x0: float, y0: float, x1: float, y1: float, net: int, width: float = 0.2, layer: int = 0
) -> Conductors:
    row = np.array([[x0, y0, x1, y1, 0.0]])
    return conductors(1, kind=Kind.STROKE, geometry=row, radius=width / 2, net=net, layer=layer)


def disc(
    x: float, y: float, net: int, diameter: float = 1.0, layer: int = 0, *, pad: bool = True
) -> Conductors:
    row = np.array([[x, y, 0.0, 0.0, 0.0]])
    return conductors(
        1, kind=Kind.DISC, geometry=row, radius=diameter / 2, net=net, layer=layer, pad=pad
    )


def area(shape: shapely.Geometry, net: int, layer: int = 0) -> Conductors:
    return conductors(1, kind=Kind.AREA, area=0, areas=[shape], net=net, layer=layer)


def quarter(cx: float, cy: float, radius: float, net: int, width: float = 0.2) -> Conductors:
    row = np.array([[cx, cy, radius, 0.0, np.pi / 2]])
    return conductors(1, kind=Kind.ARC, geometry=row, radius=width / 2, net=net)


def hole(
    x: float, y: float, plated: int = PLATED, net: int = UNKNOWN_NET, diameter: float = 0.5
) -> Holes:
    return holes(
        1, ends=np.array([[x, y, x, y]]), radius=diameter / 2, plated=plated, net=net, last=1
    )


NO_HOLES = holes()
RING = (
    shapely.Point(5, 5)
    .buffer(3, quad_segs=64)
    .difference(shapely.Point(5, 5).buffer(1, quad_segs=64))
)


@dataclass(frozen=True)
class Touching:
    """Copper in table form and which nets its rows have after connection."""

    name: str
    copper: tuple[Conductors, ...]
    nets: tuple[int, ...]
    contacts: tuple[tuple[int, int], ...] = ()
    drilled: Holes = NO_HOLES


CASES = [
    Touching(
        "ends_that_meet_carry_the_name",
        (stroke(0, 0, 5, 0, A), stroke(5, 0, 5, 5, UNKNOWN_NET)),
        (A, A),
    ),
    Touching(
        "names_run_along_a_chain",
        (stroke(0, 0, 1, 0, A), stroke(1, 0, 2, 0, UNKNOWN_NET), stroke(2, 0, 3, 0, UNKNOWN_NET)),
        (A, A, A),
    ),
    Touching(
        "a_gap_wider_than_contact_stops_the_name",
        (disc(0, 0, A), disc(1 + 2 * TOUCH, 0, UNKNOWN_NET)),
        (A, UNKNOWN_NET),
    ),
    Touching(
        "a_gap_within_contact_passes_it",
        (disc(0, 0, A), disc(1 + TOUCH / 2, 0, UNKNOWN_NET)),
        (A, A),
    ),
    Touching(
        "an_arc_touches_at_its_end", (quarter(0, 0, 5, A), stroke(0, 5, -5, 5, UNKNOWN_NET)), (A, A)
    ),
    Touching(
        "an_arc_does_not_touch_at_its_chord",
        (quarter(0, 0, 5, A), disc(2, 2, UNKNOWN_NET)),
        (A, UNKNOWN_NET),
    ),
    Touching(
        "a_disc_inside_an_area_touches_it", (area(RING, A), disc(5, 3, UNKNOWN_NET, 0.2)), (A, A)
    ),
    Touching("a_disc_in_its_antipad_does_not", (area(RING, A), disc(5, 5, B, 1.8)), (A, B)),
    Touching(
        "layers_are_apart_without_a_hole",
        (disc(0, 0, A), disc(0, 0, UNKNOWN_NET, layer=1)),
        (A, UNKNOWN_NET),
    ),
    Touching(
        "a_plated_hole_joins_layers",
        (disc(0, 0, A), disc(0, 0, UNKNOWN_NET, layer=1)),
        (A, A),
        drilled=hole(0, 0),
    ),
    Touching(
        "an_unplated_hole_joins_nothing",
        (disc(0, 0, A), disc(0, 0, UNKNOWN_NET, layer=1)),
        (A, UNKNOWN_NET),
        drilled=hole(0, 0, UNPLATED),
    ),
    Touching(
        "a_hole_of_unknown_plating_joins_its_pads",
        (disc(0, 0, A), disc(0, 0, UNKNOWN_NET, layer=1)),
        (A, A),
        drilled=hole(0, 0, PLATING_UNKNOWN),
    ),
    Touching(
        "a_hole_of_unknown_plating_without_pads_joins_nothing",
        (stroke(0, 0, 5, 0, A), stroke(0, 0, 5, 0, UNKNOWN_NET, layer=1)),
        (A, UNKNOWN_NET),
        drilled=hole(0, 0, PLATING_UNKNOWN),
    ),
    Touching(
        "a_hole_passes_a_plane_through_its_antipad",
        (area(RING, A, layer=1), disc(5, 5, B)),
        (A, B),
        drilled=hole(5, 5),
    ),
    Touching(
        "a_hole_that_breaks_out_of_its_antipad_is_a_contact",
        (area(RING, A, layer=1), disc(4.1, 5, B)),
        (A, B),
        ((A, B),),
        hole(4.1, 5),
    ),
    Touching(
        "a_named_hole_names_its_pads", (disc(0, 0, UNKNOWN_NET),), (C,), drilled=hole(0, 0, net=C)
    ),
    Touching(
        "a_hole_of_another_net_is_a_contact", (disc(0, 0, A),), (A,), ((A, C),), hole(0, 0, net=C)
    ),
    Touching(
        "two_nets_that_touch_are_a_contact", (disc(0, 0, B), disc(0.9, 0, A)), (B, A), ((A, B),)
    ),
    Touching(
        "nameless_copper_between_two_nets_stays_nameless_and_is_a_contact",
        (disc(0, 0, A), stroke(0, 0, 5, 0, UNKNOWN_NET), disc(5, 0, B)),
        (A, UNKNOWN_NET, B),
        ((A, B),),
    ),
    Touching(
        "text_that_joins_three_nets_tells_a_chain_of_contacts",
        (disc(0, 0, A), stroke(0, 0, 9, 0, NO_NET), disc(5, 0, B), disc(9, 0, C)),
        (A, NO_NET, B, C),
        ((A, B), (B, C)),
    ),
    Touching("text_on_a_net_belongs_to_it", (disc(0, 0, A), stroke(0, 0, 5, 0, NO_NET)), (A, A)),
    Touching("text_apart_keeps_no_net", (disc(0, 0, A), stroke(3, 0, 5, 0, NO_NET)), (A, NO_NET)),
]


def connected(case: Touching) -> Connected:
    return connect(concatenate(case.copper), case.drilled, NETS, 2)


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_names_spread_over_what_touches(case: Touching) -> None:
    """Every row ends with exactly the net that its contacts give it, and every meeting of two nets
    is told.
    """
    result = connected(case)
    assert tuple(result.copper.net.tolist()) == case.nets
    assert tuple(c.nets for c in result.connectivity.contacts) == case.contacts


def test_contact_names_its_rows_and_place() -> None:
    """A contact's rows stand in the order of its nets, and its place lies on both."""
    result = connect(concatenate([disc(0, 0, B), disc(0.9, 0, A)]), NO_HOLES, NETS, 1)
    (contact,) = result.connectivity.contacts
    assert contact.rows == (1, 0)
    assert contact.layer == 0
    assert contact.at == pytest.approx((0.45, 0.0), abs=1e-9)


def test_contact_in_a_hole_is_told_there() -> None:
    """Copper of two layers meets in the hole, on no layer of its own."""
    result = connect(concatenate([disc(2, 3, A), disc(2, 3, B, layer=1)]), hole(2, 3), NETS, 2)
    (contact,) = result.connectivity.contacts
    assert (contact.nets, contact.layer, contact.at) == ((A, B), None, (2.0, 3.0))
    assert result.holes.net.tolist() == [UNKNOWN_NET]


def test_a_hole_without_a_name_has_that_of_its_pads() -> None:
    """A via that breaks out into a plane still joins its own net; the plane is in contact with
    it.
    """
    copper = concatenate(
        [disc(0, 0, B), disc(0, 0, B, layer=1), area(shapely.box(0.1, -3, 5, 3), A, layer=1)]
    )
    result = connect(copper, hole(0, 0), NETS, 2)
    assert result.holes.net.tolist() == [B]
    assert result.connectivity.piece.tolist() == [0, 0, 1]
    assert result.connectivity.hole_piece.tolist() == [0]
    assert [(c.nets, c.layer) for c in result.connectivity.contacts] == [((A, B), 1)]


def test_a_hole_of_two_nets_joins_the_copper_of_each() -> None:
    """A shorted hole does not cut a net in two: each net is one piece through it."""
    copper = concatenate(
        [stroke(-2, 0, 2, 0, net, layer=layer) for net in (A, B) for layer in (0, 1)]
    )
    result = connect(copper, hole(0, 0), NETS, 2)
    assert result.connectivity.piece.tolist() == [0, 0, 1, 1]


def test_one_contact_per_place() -> None:
    """Many strokes in one spot are one contact; a second spot is a second one."""
    strokes = [stroke(0, 0.01 * i, 1, 0.01 * i, A) for i in range(10)] + [stroke(0, 9, 1, 9, A)]
    result = connect(concatenate([*strokes, stroke(1, -1, 1, 10, B)]), NO_HOLES, NETS, 1)
    assert [c.nets for c in result.connectivity.contacts] == [(A, B), (A, B)]


def test_two_areas_that_touch_twice_are_two_contacts() -> None:
    """A pour with two tongues (x 4..5; y 1..2 and y 7..8) into its neighbour is joined to it at two
    places.
    """
    pour = shapely.union_all(
        [shapely.box(0, 0, 4, 9), shapely.box(4, 1, 5, 2), shapely.box(4, 7, 5, 8)]
    )
    result = connect(
        concatenate([area(pour, A), area(shapely.box(4.9, 0, 9, 9), B)]), NO_HOLES, NETS, 1
    )
    assert [c.rows for c in result.connectivity.contacts] == [(0, 1), (0, 1)]
    low, high = sorted(c.at for c in result.connectivity.contacts)
    assert low == pytest.approx((4.95, 1.5), abs=0.51)
    assert high == pytest.approx((4.95, 7.5), abs=0.51)


def test_contacts_of_a_pair_are_capped() -> None:
    """Two nets that touch everywhere are told a hundred times, not for every object."""
    strokes = [stroke(2.0 * i, 0, 2.0 * i, 1, A) for i in range(300)]
    result = connect(
        concatenate([*strokes, stroke(0, 0, 600.0, 0, B), disc(0, 0, C)]), NO_HOLES, NETS, 1
    )
    assert sum(c.nets == (A, B) for c in result.connectivity.contacts) == 100
    assert {c.nets for c in result.connectivity.contacts} == {(A, B), (A, C), (B, C)}


def test_islands_and_pieces() -> None:
    """Islands are copper of one net on a layer; pieces join them through plated holes; nets that
    touch stay apart.
    """
    copper = concatenate(
        [
            disc(0, 0, A),
            disc(9, 0, A),
            disc(0, 0, A, layer=1),
            stroke(0, 0, 9, 0, A, layer=1),
            disc(9.5, 0, B),
        ]
    )
    found = connect(
        copper,
        holes(2, ends=np.array([[0, 0, 0, 0], [20, 0, 20, 0]]), radius=0.2, plated=PLATED, last=1),
        NETS,
        2,
    )
    island, piece = found.connectivity.island, found.connectivity.piece
    assert island.tolist() == [0, 1, 2, 2, 3]
    assert piece.tolist() == [0, 1, 0, 0, 2]
    assert found.connectivity.hole_piece.tolist() == [0, -1]
    assert found.holes.net.tolist() == [A, UNKNOWN_NET]


def test_copper_without_a_net_on_a_net_is_told() -> None:
    """Text that touches a net is taken as that net, and a remark says where."""
    (remark,) = connect(
        concatenate([disc(0, 0, A), stroke(0, 0, 5, 0, NO_NET)]), NO_HOLES, NETS, 1
    ).remarks
    assert remark.what == "copper without a net touches A on L1"
    assert remark.why.startswith("1 objects taken as A")


def test_unknown_nets_give_one_doubt_per_layer() -> None:
    """Each layer with unsettled copper is told once, with count and place."""
    copper = concatenate(
        [disc(0, 0, A), disc(3, 4, UNKNOWN_NET), disc(6, 4, UNKNOWN_NET), disc(0, 0, B, layer=1)]
    )
    layers = (Layer("L1", "top.gbr", "top"), Layer("L2", "bottom.gbr", "bottom"))
    (doubt,) = unknown_net_doubts(
        replace(copper, line=np.arange(4, dtype=np.int32)), layers, ["top.gbr"]
    )
    assert doubt.what == "copper of unknown net on L1 (2 objects)"
    assert "2 of 3 objects" in doubt.why
    assert "(3.000, 4.000)" in doubt.why
    assert str(doubt.place) == "top.gbr:1"


def test_no_copper_is_no_trouble() -> None:
    """An empty board connects to an empty answer, with and without holes."""
    empty = connect(conductors(), NO_HOLES, (), 2)
    assert empty.connectivity.contacts == ()
    assert connect(conductors(), hole(0, 0), (), 2).connectivity.hole_piece.tolist() == [-1]


def test_repeated_objects_are_joined_without_comparing_all_of_them() -> None:
    """Twenty thousand copies of a stroke are one island, and still meet their neighbours."""
    copies = conductors(20_000, geometry=np.tile([0.0, 0, 5, 0, 0], (20_000, 1)), radius=0.1, net=A)
    square = shapely.box(20, 0, 21, 1)
    areas = conductors(2_000, kind=Kind.AREA, area=np.arange(2_000), areas=[square] * 2_000, net=A)
    found = connect(
        concatenate([copies, stroke(5, 0, 9, 0, UNKNOWN_NET), areas]), NO_HOLES, NETS, 1
    )
    assert set(found.connectivity.island[:20_001].tolist()) == {0}
    assert set(found.connectivity.island[20_001:].tolist()) == {1}
    assert set(found.copper.net.tolist()) == {A}


def test_impossibly_dense_copper_is_refused() -> None:
    """Objects that all lie over each other end in one line, not in hours of work."""
    n = 20_000
    geometry = np.zeros((n, 5))
    geometry[:, 0] = np.arange(n) * 1e-5
    with pytest.raises(BoardError, match="no copper is that dense"):
        connect(
            conductors(n, kind=Kind.DISC, geometry=geometry, radius=5.0, net=A), NO_HOLES, NETS, 1
        )


# --------------------------------------------------------------------------------------- properties

GRID = st.integers(0, 12).map(lambda v: v / 2)
NET = st.sampled_from([A, B, C, NO_NET, UNKNOWN_NET])
ROWS = st.one_of(
    st.builds(stroke, GRID, GRID, GRID, GRID, NET, st.just(0.2), st.sampled_from([0, 1])),
    st.builds(disc, GRID, GRID, NET, st.sampled_from([0.3, 1.0]), st.sampled_from([0, 1])),
    st.builds(
        lambda x, y, net, layer: area(shapely.box(x, y, x + 1, y + 1.2), net, layer),
        GRID,
        GRID,
        NET,
        st.sampled_from([0, 1]),
    ),
)
COPPER = st.lists(ROWS, min_size=1, max_size=12).map(concatenate)
DRILLED = st.lists(st.tuples(GRID, GRID), max_size=4).map(
    lambda at: holes(
        len(at),
        ends=np.array([p + p for p in at]).reshape(-1, 4),
        radius=0.15,
        plated=PLATED,
        last=1,
    )
)


def by_definition(copper: Conductors, drilled: Holes) -> nx.Graph:
    """Which conductors and holes touch, by the shapes and pair by pair."""
    graph = nx.Graph()
    skeletons, n = copper.skeletons(), len(copper)
    graph.add_nodes_from(range(n + len(drilled)))
    for i in range(n):
        for j in range(i):
            near = (
                skeletons[i].distance(skeletons[j]) <= copper.radius[i] + copper.radius[j] + TOUCH
            )
            if copper.layer[i] == copper.layer[j] and near:
                graph.add_edge(i, j)
        for h in range(len(drilled)):
            if (
                skeletons[i].distance(shapely.Point(drilled.ends[h, :2]))
                <= copper.radius[i] + 0.15 + TOUCH
            ):
                graph.add_edge(i, n + h)
    return graph


def pad_nets(copper: Conductors, drilled: Holes, graph: nx.Graph) -> list[int]:
    """Net of each hole by its pads."""
    nets = []
    for h in range(len(copper), len(copper) + len(drilled)):
        names = {int(copper.net[i]) for i in graph[h] if copper.pad[i] and copper.net[i] >= 0}
        nets.append(names.pop() if len(names) == 1 else UNKNOWN_NET)
    return nets


@settings(max_examples=150, deadline=None)
@given(copper=COPPER, drilled=DRILLED)
def test_names_are_those_of_the_touching_copper(copper: Conductors, drilled: Holes) -> None:
    """Compared with the definition, pair by pair: a nameless patch has the one name of its
    neighbours, or none.

    A hole without a name has that of its pads first, if they agree.
    """
    result = connect(copper, drilled, NETS, 2)
    graph = by_definition(copper, drilled)
    label = [*copper.net.tolist(), *pad_nets(copper, drilled, graph)]
    after = [*result.copper.net.tolist(), *result.holes.net.tolist()]
    for patch in nx.connected_components(graph.subgraph([i for i in graph if label[i] < 0])):
        names = {label[j] for i in patch for j in graph[i] if label[j] >= 0}
        expected = {i: names.copy().pop() if len(names) == 1 else label[i] for i in patch}
        assert {i: after[i] for i in patch} == expected


@settings(max_examples=150, deadline=None)
@given(copper=COPPER, drilled=DRILLED)
def test_nets_are_in_contact_exactly_if_copper_joins_them(
    copper: Conductors, drilled: Holes
) -> None:
    """Contacts link the same groups of nets as the copper does, through other copper and holes
    too.
    """
    result = connect(copper, drilled, NETS, 2)
    told = nx.Graph(c.nets for c in result.connectivity.contacts)
    told.add_nodes_from(n for n in copper.net.tolist() if n >= 0)
    graph = by_definition(copper, drilled)
    true = nx.Graph()
    for component in nx.connected_components(graph):
        names = sorted(
            {int(copper.net[i]) for i in component if i < len(copper) and copper.net[i] >= 0}
        )
        nx.add_path(true, names)
    assert {frozenset(c) for c in nx.connected_components(told)} == {
        frozenset(c) for c in nx.connected_components(true)
    }


@settings(max_examples=100, deadline=None)
@given(copper=COPPER, drilled=DRILLED, order=st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(copper: Conductors, drilled: Holes, order) -> None:
    """Shuffled copper has the same nets, the same islands and the same nets in contact."""
    rows = list(range(len(copper)))
    order.shuffle(rows)
    plain, shuffled = (
        connect(copper, drilled, NETS, 2),
        connect(copper.take(np.array(rows)), drilled, NETS, 2),
    )
    assert shuffled.copper.net.tolist() == plain.copper.net[rows].tolist()
    for column in ("island", "piece"):
        pairs = set(
            zip(
                getattr(plain.connectivity, column)[rows].tolist(),
                getattr(shuffled.connectivity, column).tolist(),
                strict=True,
            )
        )
        assert len(pairs) == len({a for a, _ in pairs}) == len({b for _, b in pairs})
    groups = [
        {
            frozenset(c)
            for c in nx.connected_components(nx.Graph(c.nets for c in r.connectivity.contacts))
        }
        for r in (plain, shuffled)
    ]
    assert groups[0] == groups[1]
