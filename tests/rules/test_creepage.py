"""creepage against its named boards, and what a sketch cannot draw."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import shapely

from checker.findings import Finding
from checker.rules.creepage import doubts, find
from parsers.board import Board
from tests.boards import (
    RULE_CASES,
    WAYS,
    Case,
    Way,
    built_directly,
    case,
    cases,
    differences,
    found,
    layout_of,
)


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("case", cases("creepage"), ids=str)
def test_each_named_board_gives_exactly_its_findings(case: Case, way: Way, tmp_path: Path) -> None:
    """Each named board gives exactly its expected findings, whichever format carried it."""
    assert differences(found(way(case.sketch, tmp_path), case.rules, "creepage"), case.expect) == []


REGIONS = {"a": {"reference": ["A"], "nets": []}, "b": {"reference": ["B"], "nets": []}}
BARRIER: dict[str, Any] = {"between": ["a", "b"], "working_voltage": 250, "table": "creepage.csv"}
OVER_THE_EDGE: dict[str, Any] = {
    "because": "A 2 mm from the edge x = 0 on top, B 3 mm from it below",
    "outline": {"box": [-40, -40, 0, 40]},
    "pads": [
        {"net": "A", "layer": "L1", "at": [-2.5, 0], "size": 1.0},
        {"net": "B", "layer": "L2", "at": [-3.5, 0], "size": 1.0},
    ],
    "rules": {"region": REGIONS, "barrier": [BARRIER]},
    "expect": [],
}


def board_and_rules(table: dict[str, Any]) -> tuple[Board, str]:
    made = case("board", table)
    return built_directly(made.sketch), made.rules


def found_on(board: Board, rules: str) -> list[Finding]:
    return list(find(layout_of(board, rules, RULE_CASES)))


def with_plated_edge(board: Board) -> Board:
    assert board.outline is not None
    return replace(
        board, outline=replace(board.outline, plated=shapely.LineString([(0, -5), (0, 5)]))
    )


def test_a_plated_edge_that_touches_nothing_is_crossed_for_nothing() -> None:
    """2 mm on top and 3 mm below, nothing over the plated wall."""
    board, rules = board_and_rules(OVER_THE_EDGE)
    only = found_on(with_plated_edge(board), rules)
    assert [f.measured for f in only] == [pytest.approx(5.0, abs=0.001)]


def test_a_plated_edge_is_of_the_net_that_touches_it() -> None:
    """A trace of B below reaches the plated edge: A is 2 mm from it on top."""
    draws = [{"net": "B", "layer": "L2", "width": 0.2, "points": [[-3.5, 0], [-0.1, 0]]}]
    board, rules = board_and_rules(OVER_THE_EDGE | {"draws": draws})
    # 2 + 1.6 to the trace's end
    assert [f.measured for f in found_on(board, rules)] == [pytest.approx(3.6, abs=0.001)]
    measured = [f.measured for f in found_on(with_plated_edge(board), rules)]
    assert measured == [pytest.approx(2.0, abs=0.001)]


def test_without_a_thickness_nothing_is_measured_over_the_edge() -> None:
    """A doubt tells; the face alone is still measured."""
    board, rules = board_and_rules(OVER_THE_EDGE)
    bare = replace(board, stackup=replace(board.stackup, thickness=None, dielectric=()))
    assert found_on(board, rules)
    assert found_on(bare, rules) == []


def test_inner_copper_at_an_edge_may_lie_anywhere_if_the_stackup_does_not_tell() -> None:
    """Without depths, B on L2 at the edge counts as open from face to face: A is 2 mm from it."""
    table = OVER_THE_EDGE | {
        "layers": 4,
        "dielectric": [0.2, 1.2, 0.2],
        "pads": OVER_THE_EDGE["pads"][:1],
        "pours": [{"net": "B", "layer": "L2", "box": [-30, -5, 0, 5]}],
    }
    board, rules = board_and_rules(table)
    assert [f.measured for f in found_on(board, rules)] == [pytest.approx(2.2, abs=0.001)]
    untold = replace(board, stackup=replace(board.stackup, dielectric=()))
    assert [f.measured for f in found_on(untold, rules)] == [pytest.approx(2.0, abs=0.001)]


def test_a_board_without_a_profile_has_no_edges() -> None:
    board, rules = board_and_rules(OVER_THE_EDGE)
    assert found_on(replace(board, outline=None), rules) == []


def test_a_net_on_both_sides_of_a_spacing_is_not_held_against_itself() -> None:
    spacing = {"between": [["A", "C"], ["B", "C"]], "working_voltage": 250, "table": "creepage.csv"}
    pads = [
        {"net": n, "layer": "L1", "at": [x, 0], "size": 1.0}
        for n, x in (("A", 0), ("C", 4), ("B", 30))
    ]
    rules = {"region": {"a": {"reference": ["A"], "nets": ["*"]}}, "spacing": [spacing]}
    board, text = board_and_rules({"because": "", "pads": pads, "rules": rules, "expect": []})
    assert [(f.nets, f.measured) for f in found_on(board, text)] == [
        (("A", "C"), pytest.approx(3.0, abs=0.001))
    ]


def test_a_crowd_of_stray_copper_is_told_as_one() -> None:
    """Twenty dots 0.4 mm apart from A to 2 mm before B: 2 mm count, the bare gaps add up in the raw
    length.
    """
    dots = [{"net": "", "layer": "L1", "at": [0.9 + i, 0], "size": 0.6} for i in range(20)]
    ends = [
        {"net": n, "layer": "L1", "at": [x, 0], "size": 1.0} for n, x in (("A", -0.3), ("B", 22.7))
    ]
    rules = {"region": REGIONS, "barrier": [BARRIER]}
    board, text = board_and_rules(
        {"because": "", "pads": [*ends, *dots], "rules": rules, "expect": []}
    )
    only = found_on(board, text)
    assert [f.measured for f in only] == [pytest.approx(2.0, abs=0.001)]
    assert only[0].detail["raw_mm"] == pytest.approx(0.4 + 19 * 0.4 + 2.0, abs=0.001)
    assert [leg["on"] for leg in only[0].detail["legs"]] == ["top", "copper", "top"]
    assert only[0].detail["legs"][1]["net"] == "20 pieces of copper"


ROOM = 3.0  # mm; side of the rooms at both ends of a slot
NECKS = {
    "three rooms": (3, 0.4, 0, 1),
    "two rooms": (2, 0.4, 0, 0),
    "one": (3, ROOM, 0, 0),
    "far": (3, 0.4, 30, 0),
}


@pytest.mark.parametrize(("rooms", "neck", "away", "expected"), NECKS.values(), ids=NECKS)
def test_a_slot_of_many_rooms_between_both_sides_is_a_doubt(
    rooms: int, neck: float, away: float, expected: int
) -> None:
    """No length is vouched for over a slot that narrows to less than X (1 mm) between more than two
    rooms.
    """
    lows = [-4.5 + 6 * n for n in range(rooms)]
    slot = shapely.union_all(
        [shapely.box(away - 1.5, low, away + 1.5, low + ROOM) for low in lows]
        + [shapely.box(away - neck / 2, lows[0] + 1, away + neck / 2, lows[-1] + 1)]
    )
    made = {
        "because": "pads 2 mm from the middle of the slot",
        "outline": {"box": [-40, -40, 40, 40]},
        "pads": [
            {"net": "A", "layer": "L1", "at": [-2.5, 0], "size": 1.0},
            {"net": "B", "layer": "L1", "at": [2.5, 0], "size": 1.0},
        ],
        "rules": {"region": REGIONS, "barrier": [BARRIER]},
        "expect": [],
    }
    board, rules = board_and_rules(made)
    assert board.outline is not None
    cut = replace(board, outline=replace(board.outline, shape=board.outline.shape.difference(slot)))
    told = [
        doubt
        for doubt in doubts(layout_of(cut, rules, RULE_CASES))
        if "narrows to less than X" in doubt.what
    ]
    assert len(told) == expected


def told(table: dict[str, Any]) -> list[Finding]:
    board, rules = board_and_rules(table)
    return list(find(layout_of(board, rules, RULE_CASES)))


PADS_APART: dict[str, Any] = {
    "because": "",
    "pads": [
        {"net": "A", "layer": "L1", "at": [0, 0], "size": 1.0},
        {"net": "B", "layer": "L1", "at": [8.9997, 0], "size": 1.0},
    ],
    "rules": {"region": REGIONS, "barrier": [BARRIER]},
    "expect": [],
}


def test_a_length_is_never_told_as_long_as_what_it_falls_short_of() -> None:
    (finding,) = told(PADS_APART)
    assert finding.message == "A to B 7.999 mm on L1, 8 mm creepage required"


def test_what_does_not_count_is_told_with_the_straight_distance_and_what_can_be_done() -> None:
    """A floating bar in the middle of 8 mm less 7.2 leaves 0.4 mm on either side, less than X."""
    bridge = {"net": "", "layer": "L1", "width": 1.0, "points": [[1.4, 0], [7.6, 0]]}
    (finding,) = told({**PADS_APART, "draws": [bridge]})
    assert (
        finding.message
        == "A to B 0 mm (7.999 mm straight) on L1 by way of copper without a net; parts shorter"
        " than X = 1 mm beside floating copper count as nothing, 8 mm creepage required"
    )


def test_a_finding_stands_halfway_along_its_longest_leg() -> None:
    """Round the end of a round-ended slot the middle of the chord is air."""
    slot = {"at": [4.5, -10], "to": [4.5, 3], "diameter": 1.5, "plated": False}
    (finding,) = told({**PADS_APART, "holes": [slot], "rules": LONG})
    assert (
        shapely.LineString([p for line in finding.path for p in line]).distance(
            shapely.Point(finding.at)
        )
        < 1e-6
    )


LONG: dict[str, Any] = {"region": REGIONS, "barrier": [{**BARRIER, "working_voltage": 500}]}
