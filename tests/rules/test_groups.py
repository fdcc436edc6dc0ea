"""What has one cause is one group, whatever number of findings tells it."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from checker.findings import Finding, identified
from checker.rules import registry
from tests.boards import built_directly, case, layout_of

A = {"region": "a", "layer": "L2", "box": [0, 0, 10, 40]}
B = {"region": "b", "layer": "L2", "box": [12, 0, 30, 40]}
TRENCH = {
    "pours": [
        {"region": "a", "layer": "L1", "box": [0, 0, 30, 20]},
        {
            "region": "b",
            "layer": "L3",
            "box": [0, 0, 30, 20],
            "holes": [[[5, 8], [25, 8], [25, 12], [5, 12]]],
        },
    ],
    "draws": [{"net": "B_1", "layer": "L2", "width": 0.2, "points": [[6, 10], [24, 10]]}],
    "rules": {"region": {"a": {"quiet": True}}},
}


def trace(net: str, *points: list[float], layer: str = "L1") -> dict[str, Any]:
    """A trace of 0.2 mm."""
    return {"net": net, "layer": layer, "width": 0.2, "points": list(points)}


def groups(*rules: str, **board: Any) -> list[Counter[str]]:
    """Rules of the findings in each group."""
    made = case("board", {"because": "", "expect": (), **board})
    layout = layout_of(built_directly(made.sketch), made.rules)
    found: list[Finding] = identified(f for rule in rules for f in registry()[rule].find(layout))
    keys = dict.fromkeys(f.group for f in found)
    return sorted((Counter(f.rule for f in found if f.group == key) for key in keys), key=str)


def test_runs_of_one_net_are_one_group() -> None:
    """SIG leaves the pour to the left and to the right, TEST to the right."""
    found = groups(
        "unreferenced-run",
        pours=[A],
        draws=[trace("SIG", [-5, 5], [15, 5]), trace("TEST", [5, 9], [15, 9])],
    )
    assert found == [Counter({"unreferenced-run": 1}), Counter({"unreferenced-run": 2})]


@pytest.mark.parametrize(
    ("draws", "sizes"),
    [
        ([trace(f"BUS{n}", [5, n], [20, n]) for n in range(4)], [4]),
        ([trace("X1", [5, 5], [20, 5]), trace("X2", [5, 15], [20, 15])], [1, 1]),
        ([trace("X1", [5, 5], [20, 5], [20, 30], [5, 30])], [2]),
    ],
    ids=["a_bus_is_one", "two_places_are_two", "one_net_is_one"],
)
def test_crossings_side_by_side_or_of_one_net_are_one_group(
    draws: list[dict[str, Any]], sizes: list[int]
) -> None:
    """Over the gap between a and b."""
    found = groups("gap-crossing", pours=[A, B], draws=draws)
    assert sorted(group["gap-crossing"] for group in found) == sizes


def test_what_lies_in_an_overlap_is_in_its_group() -> None:
    """b's own pour is open beneath its trace: there it lies over quiet a alone, within the overlap
    of both.
    """
    found = groups("pour-overlap", "region-intrusion", **TRENCH)
    assert found == [Counter({"pour-overlap": 1, "region-intrusion": 1})]


def test_overlaps_far_apart_are_two_groups_and_near_ones_are_one() -> None:
    """b on L3 under both ends of a, and under one end in two strips 1 mm apart."""
    strips = [[0, 0, 5, 40], [40, 0, 46, 40], [47, 0, 53, 40]]
    pours = [{"region": "a", "layer": "L1", "box": [0, 0, 60, 40]}]
    pours += [{"region": "b", "layer": "L3", "box": strip} for strip in strips]
    assert groups("pour-overlap", pours=pours) == [
        Counter({"pour-overlap": 1}),
        Counter({"pour-overlap": 2}),
    ]


def test_places_of_one_net_outside_of_overlaps_are_one_group() -> None:
    """A net of b over quiet a on two layers and at two places."""
    draws = [trace("B_1", [15, 5], [7, 5]), trace("B_1", [15, 30], [7, 30], layer="L3")]
    found = groups(
        "region-intrusion", pours=[A, B], draws=draws, rules={"region": {"a": {"quiet": True}}}
    )
    assert found == [Counter({"region-intrusion": 2})]


@pytest.mark.parametrize(
    ("vias", "sizes"),
    [
        ([], [2]),
        ([{"net": "GND_A", "at": [28, 35]}], [1, 1]),
        ([{"net": "GND_A", "at": [10, 15]}], [1]),
    ],
    ids=["nothing_joins_them", "two_far_from_the_only_joint", "one_far_from_it"],
)
def test_handovers_that_one_joint_could_serve_are_one_group(
    vias: list[dict[str, Any]], sizes: list[int]
) -> None:
    """Two signal vias 20 mm apart between planes of one net on L2 and L3."""
    found = groups(
        "return-handover",
        pours=[{**A, "box": [0, 0, 30, 40]}, {**A, "layer": "L3", "box": [0, 0, 30, 40]}],
        draws=[
            trace("S1", [2, 15], [9, 15]),
            trace("S1", [9, 15], [20, 15], layer="L4"),
            trace("S2", [2, 3], [9, 3]),
            trace("S2", [9, 3], [20, 3], layer="L4"),
        ],
        vias=[{"net": "S1", "at": [9, 15]}, {"net": "S2", "at": [9, 3]}, *vias],
        layers=4,
    )
    assert sorted(group["return-handover"] for group in found) == sizes
