"""galvanic-bridge against its named boards."""

import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import networkx as nx
import pytest
import shapely

from checker.findings import Finding
from checker.rules import galvanic_bridge
from parsers.board import Outline
from tests.boards import WAYS, Case, Way, built_directly, case, cases, differences, found, layout_of


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("case", cases("galvanic_bridge"), ids=str)
def test_each_named_board_gives_exactly_its_findings(case: Case, way: Way, tmp_path: Path) -> None:
    """Each named board gives exactly its expected findings, whichever format carried it."""
    assert (
        differences(found(way(case.sketch, tmp_path), case.rules, "galvanic-bridge"), case.expect)
        == []
    )


SIDES = """
schema = 1
[region.a]
reference = ["GND_A"]
[region.b]
reference = ["GND_B"]
[[barrier]]
between = ["a", "b"]
isolators = ["U1"]
"""


def doubts_of(pads: list[dict[str, object]]) -> set[str]:
    told = case("board", {"because": "", "expect": [], "rules": SIDES, "pads": pads})
    return {
        doubt.what
        for doubt in galvanic_bridge.doubts(layout_of(built_directly(told.sketch), SIDES))
    }


def pad(net: str, x: float, **more: object) -> dict[str, object]:
    return {"net": net, "layer": "L1", "at": [x, 0], "size": 1, **more}


def test_an_isolator_without_a_pin_on_one_side_is_a_doubt() -> None:
    """A wrong designator, or a part that was turned round, must not look like an isolator that was
    checked.
    """
    both = [pad("GND_A", 0, refdes="U1", pin="1"), pad("GND_B", 9, refdes="U1", pin="2")]
    assert doubts_of(both) == set()
    assert doubts_of([both[0], pad("GND_A", 9, refdes="U1", pin="2")]) == {
        "isolator U1 has no pin in b"
    }


def test_pads_without_any_part_are_a_doubt() -> None:
    """Where the data names no parts, none can be seen across the barrier; vias are no parts'
    pads.
    """
    assert doubts_of([pad("GND_A", 0), pad("GND_B", 9)]) == {"the data names no parts"}
    assert (
        doubts_of([pad("GND_A", 0, function="ViaPad"), pad("GND_B", 9, function="ViaPad")]) == set()
    )


PLATED = shapely.LineString([(0, 5), (0, 15)])


def found_beside(
    edge: shapely.Geometry, rules: str, **copper: list[dict[str, object]]
) -> list[Finding]:
    """Findings on a board whose left edge is x = 0, plated as given."""
    told = case("board", {"because": "", "expect": [], "rules": rules, **copper})
    board = replace(built_directly(told.sketch), outline=Outline(shapely.box(0, 0, 30, 20), edge))
    return list(galvanic_bridge.find(layout_of(board, rules)))


def track(net: str | None, y: float, x: float = 9) -> dict[str, object]:
    """From the edge to x, along y."""
    return {"net": net, "layer": "L1", "width": 0.5, "points": [[0, y], [x, y]]}


SCREW = """
[[hardware]]
at = [10, 12]
diameter = 4.0
side = "top"
"""


@pytest.mark.parametrize(
    ("more", "draws", "nets"),
    [
        ("", [track("GND_A", 8)], []),
        ("", [track("GND_A", 8), track("GND_B", 12)], [("GND_A", "plated edge", "GND_B")]),
        ("", [track("GND_A", 2), track("GND_B", 12)], []),
        (
            SCREW,
            [
                track("GND_A", 8, 5),
                track(None, 12),
                {**track("GND_B", 12), "points": [[11, 12], [15, 12]]},
            ],
            [("GND_A", "plated edge", "unknown net", "hardware", "GND_B")],
        ),
        (SCREW, [track("GND_A", 8, 5), {**track("GND_B", 12), "points": [[11, 12], [15, 12]]}], []),
    ],
    ids=[
        "one net",
        "two nets",
        "beside the plating",
        "by way of nameless copper",
        "nothing on the way",
    ],
)
def test_a_plated_edge_joins_what_touches_it(
    more: str, draws: list[dict[str, object]], nets: list[tuple[str, ...]]
) -> None:
    """The edge at x = 0 is plated from y = 5 to 15."""
    assert [f.nets for f in found_beside(PLATED, SIDES + more, draws=draws)] == nets


def test_a_plated_edge_is_a_tie() -> None:
    """It joins the references in one place, on however many layers they reach it."""
    tie = SIDES.split("[[barrier]]", maxsplit=1)[0] + '[[tie]]\nbetween = ["a", "b"]\n'
    draws = [track("GND_A", 8), track("GND_B", 12), {**track("GND_B", 14), "layer": "L2"}]
    assert found_beside(PLATED, tie, draws=draws) == []
    assert [f.measured for f in found_beside(PLATED, tie, draws=draws[:1])] == [0.0]


# four of either side, four of a third region
NETS = tuple(f"{side}_{n}" for side in "ABC" for n in range(4))
REGIONS = {side.lower(): {"reference": [f"GND_{side}"], "nets": [f"{side}_*"]} for side in "ABC"}


def wired(dice: random.Random) -> tuple[nx.MultiGraph, dict[str, Any]]:
    """A netlist made by hand, and a board of it: a bar of copper for each net, joined by parts and
    by copper.

    Joints are parts of two or three pins, or a trace on the other layer that ends in vias, one on
    either net's bar.
    """
    graph = nx.MultiGraph()
    graph.add_nodes_from(NETS)
    bars = [
        {"net": n, "layer": "L1", "width": 0.5, "points": [[0, 4 * i], [90, 4 * i]]}
        for i, n in enumerate(NETS)
    ]
    board: dict[str, Any] = {"draws": bars, "pads": [], "vias": []}
    for joint in range(dice.randint(2, 14)):
        x, pins = 4 + 5 * joint, dice.sample(range(12), dice.choice((2, 2, 2, 3)))
        name = f"R{joint}"
        if dice.random() < 0.3:
            first, second = pins[:2]
            net = NETS[first]
            board["draws"].append(
                {"net": net, "layer": "L2", "width": 0.3, "points": [[x, 4 * i] for i in pins[:2]]}
            )
            board["vias"] += [{"net": net, "at": [x, 4 * i]} for i in pins[:2]]
            graph.add_edge(NETS[first], NETS[second], f"copper at {x}")
            continue
        for number, i in enumerate(pins):
            pad = {
                "net": NETS[i],
                "layer": "L1",
                "at": [x, 4 * i],
                "size": 0.4,
                "refdes": name,
                "pin": f"{number + 1}",
            }
            board["pads"].append(pad)
        graph.add_edges_from((NETS[a], NETS[b], name) for a in pins for b in pins if a < b)
    return graph, board


def bridges(graph: nx.MultiGraph) -> int:
    """How many bridges a netlist has: joints that touch both sides, and groups of third nets that
    do.
    """
    direct = {joint for a, b, joint in graph.edges(keys=True) if {a[0], b[0]} == {"A", "B"}}
    third = graph.copy()
    third.remove_edges_from(
        [(a, b, joint) for a, b, joint in graph.edges(keys=True) if joint in direct]
    )
    groups = nx.connected_components(third.subgraph(n for n in NETS if n[0] == "C"))
    reached = [{n[0] for c in group for n in third.neighbors(c)} for group in groups]
    return len(direct) + sum({"A", "B"} <= sides for sides in reached)


@pytest.mark.parametrize("seed", range(30))
def test_bridges_are_those_of_a_netlist_made_by_hand(seed: int, tmp_path: Path) -> None:
    """Connected components of the netlist (networkx) tell whether the sides are joined, and by how
    many bridges.
    """
    graph, drawn = wired(random.Random(seed))
    rules = {"region": REGIONS, "barrier": [{"between": ["a", "b"]}]}
    made = case("wired", {"because": "", "expect": [], **drawn, "rules": rules})
    told = found(WAYS[seed % len(WAYS)](made.sketch, tmp_path), made.rules, "galvanic-bridge")
    sides = [{n[0] for n in group} for group in nx.connected_components(graph)]
    assert bool(told) == any({"A", "B"} <= names for names in sides)
    assert len(told) == bridges(graph)
    for finding in told:
        assert all(nx.has_path(graph, finding.nets[0], net) for net in finding.nets)
