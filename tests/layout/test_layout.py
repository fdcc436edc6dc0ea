"""What rules ask of a layout: territories, ties, barriers, isolators' exempt areas, reference
shares and maps.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely

from checker.layout.layout import Layout
from checker.layout.reference_map import OFF
from tests.boards import built_directly, case, layout_of

A = {"region": "a", "layer": "L2", "box": [0, 0, 10, 20]}
B = {"region": "b", "layer": "L2", "box": [12, 0, 30, 20]}


def layout(rules: dict[str, Any] | None = None, **board: Any) -> Layout:
    """A board of two regions with some more copper, seen through rules."""
    table = {"because": "", "expect": (), "pours": [A, B], **board}
    made = case("board", table | ({"rules": rules} if rules else {}))
    return layout_of(built_directly(made.sketch), made.rules)


def net(seen: Layout, name: str) -> int:
    """Index of a net."""
    return [n.name for n in seen.board.nets].index(name)


def line(name: str, *points: list[float], layer: str = "L1") -> dict[str, Any]:
    """A trace."""
    return {"net": name, "layer": layer, "width": 0.2, "points": list(points)}


def test_territories_are_pours_from_above() -> None:
    """All layers together, antipads filled."""
    low = {"region": "a", "layer": "L1", "box": [-10, 0, 5, 20]}
    seen = layout(pours=[A, B, low])
    assert seen.territory(0).equals(shapely.box(-10, 0, 10, 20))
    assert seen.territory(1).equals(shapely.box(12, 0, 30, 20))


def test_barriers_and_ties_are_found_either_way_round() -> None:
    """The order of `between` does not matter; what is not declared is None."""
    rules = {
        "barrier": [{"between": ["b", "a"], "working_voltage": 50}],
        "tie": [{"between": ["b", "a"]}],
    }
    seen = layout(rules)
    assert seen.barrier_between(0, 1) is seen.rules.barriers[0] is seen.barrier_between(1, 0)
    assert seen.tie_between(0, 1) is seen.rules.ties[0] is seen.tie_between(1, 0)
    bare = layout()
    assert bare.barrier_between(0, 1) is None
    assert bare.tie_between(0, 1) is None


PADS = [
    {"net": "SIG", "layer": "L1", "at": [9, 5], "size": 1, "refdes": "U1", "pin": "1"},
    {"net": "B_SIG", "layer": "L1", "at": [13, 5], "size": 1, "refdes": "U1", "pin": "2"},
    {"net": "B_SIG", "layer": "L1", "at": [8, 9], "size": 1, "refdes": "U1", "pin": "3"},
    {"net": "SIG", "layer": "L1", "at": [5, 5], "size": 1, "refdes": "R1", "pin": "1"},
]
BARRIER = {"barrier": [{"between": ["a", "b"], "isolators": ["U1"], "working_voltage": 50}]}


def test_pads_of_a_part_are_its_rows() -> None:
    """Unknown parts have none."""
    seen = layout(pads=PADS)
    assert seen.board.copper.net[seen.pads_of("U1")].tolist() == [
        net(seen, n) for n in ("SIG", "B_SIG", "B_SIG")
    ]
    assert len(seen.pads_of("U9")) == 0


def test_isolators_exempt_what_is_near_their_pads_on_the_own_side() -> None:
    """Two millimetres from the pad's edge, per net; a pad of b deep in a's territory exempts
    nothing.
    """
    seen = layout(BARRIER, pads=PADS)
    exempt = seen.near_isolators
    assert exempt.keys() == {net(seen, "SIG"), net(seen, "B_SIG")}
    assert exempt[net(seen, "SIG")].bounds == pytest.approx((6.5, 2.5, 11.5, 7.5), abs=0.002)
    assert exempt[net(seen, "B_SIG")].bounds == pytest.approx((10.5, 2.5, 15.5, 7.5), abs=0.002)


def test_tie_copper_at_a_part_is_its_pads() -> None:
    """Seen from above."""
    pads = [
        {"net": "GND_A", "layer": "L1", "at": [9.5, 5], "size": 1, "refdes": "R1", "pin": "1"},
        {"net": "GND_B", "layer": "L1", "at": [12.5, 5], "size": 1, "refdes": "R1", "pin": "2"},
    ]
    seen = layout({"tie": [{"between": ["a", "b"], "at": "R1"}]}, pads=pads)
    assert seen.tie_copper(seen.rules.ties[0]).bounds == pytest.approx((9, 4.5, 13, 5.5), abs=0.002)


def test_tie_copper_without_a_part_is_where_the_references_touch() -> None:
    """A bridge of a's copper ends on b's pour: the stroke and the seam. No contact, no tie
    copper.
    """
    bridge = line("GND_A", [8, 5], [12.3, 5], layer="L2")
    seen = layout({"tie": [{"between": ["a", "b"]}]}, draws=[bridge])
    copper = seen.tie_copper(seen.rules.ties[0])
    assert copper.covers(shapely.LineString([(10, 5), (12.3, 5)]))
    assert copper.area < 1.0
    bare = layout({"tie": [{"between": ["a", "b"]}]})
    assert bare.tie_copper(bare.rules.ties[0]).is_empty


def test_the_share_of_a_net_over_its_own_reference() -> None:
    """10 mm, of which 6 lie over a's pour; over b's pour it does not count; a net without traces
    has no share.
    """
    seen = layout(draws=[line("SIG", [4, 5], [14, 5]), line("HOME", [1, 1], [9, 1])], pads=PADS)
    assert seen.reference_share(net(seen, "SIG")) == pytest.approx(0.6)
    assert seen.reference_share(net(seen, "HOME")) == 1.0
    assert seen.reference_share(net(seen, "B_SIG")) is None


# ----------------------------------------------------------------------------------- reference maps


def labels(seen: Layout, layer: int, *points: tuple[float, float]) -> list[tuple[str, str]]:
    """Region and layer of the pour at each point on each side, '' for none."""
    out = []
    for view in (seen.reference_maps[layer].first, seen.reference_maps[layer].second):
        found = view.label_points(np.array(points))
        out.append(
            [
                (
                    f"{seen.regions[seen.pours[i].region].name}{seen.pours[i].layer + 1}"
                    if i != OFF
                    else ""
                )
                for i in found
            ]
        )
    return list(zip(*out, strict=True))


def test_outer_layers_look_one_way() -> None:
    """L1 sees what is below it, L4 what is above."""
    seen = layout(pours=[A, {**B, "layer": "L3"}], layers=4)
    for layer in (0, 3):
        assert seen.reference_maps[layer].alike
        assert labels(seen, layer, (5, 5), (15, 5), (11, 5)) == [
            ("a2", "a2"),
            ("b3", "b3"),
            ("", ""),
        ]


def test_inner_layers_look_both_ways() -> None:
    """One side looks up, the other down, and neither shows what lies on the other side."""
    pours = [{**A, "layer": "L1"}, {**A, "layer": "L3", "box": [0, 0, 6, 20]}, {**B, "layer": "L3"}]
    seen = layout(pours=pours)
    assert labels(seen, 1, (5, 5), (8, 5), (15, 5)) == [("a1", "a3"), ("a1", ""), ("", "b3")]


def test_the_nearest_plane_of_each_region_counts() -> None:
    """Though the farther one reaches farther: half of the territory makes a plane."""
    seen = layout(pours=[{**A, "box": [0, 0, 20, 20]}, {**A, "layer": "L3", "box": [0, 0, 40, 20]}])
    assert labels(seen, 0, (5, 5), (35, 5)) == [("a2", "a2"), ("", "")]


def test_a_fill_shows_in_front_of_the_plane() -> None:
    """A quarter of the territory is no plane; where it is, it hides the plane behind it."""
    seen = layout(pours=[A, {**A, "layer": "L3", "box": [0, 0, 40, 20]}])
    assert labels(seen, 0, (5, 5), (35, 5)) == [("a2", "a2"), ("a3", "a3")]


def test_without_a_plane_the_nearest_fill_counts() -> None:
    """Two fills of a third each, above a pour on the traces' own layer that makes the territory."""
    pours = [
        {**A, "layer": "L1", "box": [0, 0, 30, 20]},
        A,
        {**A, "layer": "L3", "box": [20, 0, 30, 20]},
    ]
    seen = layout(pours=pours)
    assert labels(seen, 0, (5, 5), (25, 5)) == [("a2", "a2"), ("", "")]


def test_nearer_layers_shield_farther_ones() -> None:
    """Where pours of two regions overlap, the trace sees the nearer one."""
    seen = layout(pours=[A, {**B, "layer": "L3", "box": [5, 0, 30, 20]}], layers=4)
    assert labels(seen, 0, (7, 5), (20, 5)) == [("a2", "a2"), ("b3", "b3")]
    assert labels(seen, 3, (7, 5), (20, 5), (2, 5)) == [("b3", "b3"), ("b3", "b3"), ("a2", "a2")]


def test_pours_on_the_own_layer_reach_a_little_farther_and_yield_to_others() -> None:
    """b has pours on L1 alone: they reach 1 mm farther, but not over a's pour on L2."""
    pours = [{**A, "box": [0, 0, 11.5, 20]}, {**B, "layer": "L1"}]
    seen = layout(pours=pours)
    assert labels(seen, 0, (11.2, 5), (11.7, 5), (15, 20.9), (15, 21.1)) == [
        ("a2",) * 2,
        ("b1",) * 2,
        ("b1",) * 2,
        ("",) * 2,
    ]


def test_the_rules_may_name_the_layers() -> None:
    """Only named layers are references."""
    seen = layout(
        {"stackup": {"reference": {"L1": ["L3"]}}},
        pours=[A, {**A, "layer": "L3", "box": [0, 0, 6, 20]}, B],
    )
    assert labels(seen, 0, (5, 5), (8, 5), (15, 5)) == [("a3", "a3"), ("", ""), ("", "")]


def test_edges_belong_to_their_cell() -> None:
    """A point on the edge is on the pour; a micrometre away it is not."""
    seen = layout()
    assert labels(seen, 0, (10, 5), (10.001, 5), (12, 20), (12, 20.001)) == [
        ("a2",) * 2,
        ("",) * 2,
        ("b2",) * 2,
        ("",) * 2,
    ]


# ------------------------------------------------------------------------------- remarks and doubts


@pytest.mark.parametrize(
    ("rules", "under", "told"),
    [
        ({}, True, ['pour of "VCC" on L2 lies between traces on L1 and their reference on L3']),
        ({"region": {"a": {"planes": ["VCC"]}}}, True, []),
        ({}, False, []),
    ],
    ids=["looked_through", "named_as_plane", "no_trace_over_it"],
)
def test_pours_of_other_nets_before_the_reference_are_remarks(
    rules: dict[str, Any], under: bool, told: list[str]
) -> None:
    """VCC fills L2 at x 0..10, the reference L3; a trace on L1 over VCC, or beside it at x
    15..25.
    """
    trace = [[2, 5], [9, 5]] if under else [[15, 5], [25, 5]]
    seen = layout(
        rules,
        pours=[
            {"net": "VCC", "layer": "L2", "box": [0, 0, 10, 20]},
            {**A, "layer": "L3", "box": [0, 0, 30, 20]},
        ],
        draws=[{"net": "SIG", "layer": "L1", "width": 0.2, "points": trace}],
    )
    assert [remark.what for remark in seen.remarks] == told
