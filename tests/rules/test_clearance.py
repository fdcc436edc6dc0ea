"""clearance against its named boards, and what a sketch cannot draw."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from parsers.board import PLATED, PLATING_UNKNOWN, UNPLATED, Board
from tests.boards import WAYS, Case, Way, built_directly, case, cases, differences, found

REGIONS = {
    "a": {"reference": ["GND_A"], "nets": ["A_*"]},
    "b": {"reference": ["GND_B"], "nets": ["B_*"]},
}
BARRIER = {"between": ["a", "b"], "working_voltage": 250}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("case", cases("clearance"), ids=str)
def test_each_named_board_gives_exactly_its_findings(case: Case, way: Way, tmp_path: Path) -> None:
    """Each named board gives exactly its expected findings, whichever format carried it."""
    assert (
        differences(found(way(case.sketch, tmp_path), case.rules, "clearance"), case.expect) == []
    )


def drawn(table: dict[str, Any]) -> tuple[Board, str]:
    made = case("board", {"because": "", "expect": [], **table})
    return built_directly(made.sketch), made.rules


def test_a_hole_of_unknown_plating_is_taken_for_a_conductor() -> None:
    """Radius 0.5, no land on L1, its wall 2.5 mm from b's pour there; as unplated it would hold
    nothing.
    """
    board, rules = drawn(
        {
            "holes": [{"net": "GND_A", "at": [0, 0], "diameter": 1.0, "plated": True}],
            "pads": [{"net": "GND_A", "layer": "L2", "at": [0, 0], "size": 0.8}],
            "pours": [{"region": "b", "layer": "L1", "box": [3.0, -5, 10, 5]}],
            "rules": {"region": REGIONS, "barrier": [BARRIER | {"table": "clearance.csv"}]},
        }
    )
    told = {}
    for plating in (PLATED, PLATING_UNKNOWN, UNPLATED):
        drilled = replace(
            board, holes=replace(board.holes, plated=np.array([plating], dtype=np.int8))
        )
        told[plating] = [
            (f.layer, f.measured) for f in found(drilled, rules, "clearance") if f.layer == "L1"
        ]
    assert told[PLATED] == told[PLATING_UNKNOWN] == [("L1", pytest.approx(2.5, abs=0.001))]
    assert told[UNPLATED] == []


INNER_COPPER = [
    {"region": "a", "layer": "L2", "box": [0, 0, 10, 20]},
    {"region": "b", "layer": "L2", "box": [10.3, 0, 30, 20]},
]


@pytest.mark.parametrize(
    ("table", "rule", "required"),
    [
        (
            "voltage,clearance,creepage,where\n250,3.0,8.0,outer\n250,0.4,0.9,inner\n250,0.4,0.9,through\n",
            "clearance",
            0.4,
        ),
        (
            "voltage,clearance,creepage,where\n250,3.0,8.0,outer\n250,,0.9,inner\n250,,0.9,through\n",
            "creepage",
            0.9,
        ),
        (
            "voltage,clearance,creepage,where\n250,3.0,8.0,outer\n250,0.4,,inner\n250,0.4,,through\n",
            "clearance",
            0.4,
        ),
    ],
)
def test_inside_the_board_the_clearance_holds_and_the_creepage_where_there_is_no_other(
    table: str, rule: str, required: float, tmp_path: Path
) -> None:
    """Copper 0.3 mm apart on L2; what each row asks for is typed into the table."""
    board, rules = drawn(
        {
            "layers": 4,
            "dielectric": [0.5, 0.5, 0.5],
            "pours": INNER_COPPER,
            "rules": {"region": REGIONS, "barrier": [BARRIER | {"table": "own.csv"}]},
        }
    )
    (tmp_path / "own.csv").write_text(table)
    told = {name: found(board, rules, name, tmp_path) for name in ("clearance", "creepage")}
    (finding,) = told.pop(rule)
    assert list(told.values()) == [[]]
    assert (finding.layer, finding.measured, finding.required) == (
        "L2",
        pytest.approx(0.3, abs=0.001),
        required,
    )
