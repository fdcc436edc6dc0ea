"""Rows of published tables, each held by a finding on a board.

References: IEC 60664-1 (2007), tables F.2 and F.4; IPC-2221B, Table 6-1. How certain a row is
stands beside it: P read in public, p fragments read, M from memory.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest

from tests.boards import FIXTURES, TOLERANCE, WAYS, Way, case, found

PUBLISHED = FIXTURES / "published"
LESS = 0.01  # mm
REGIONS = {"a": {"reference": ["A"], "nets": []}, "b": {"reference": ["B"], "nets": []}}


def rows() -> list[dict[str, str]]:
    """The published rows, without the lines that say what they are."""
    lines = (PUBLISHED / "rows.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def measured(
    table: dict[str, Any], rule: str, way: Way, folder: Path, barrier: dict[str, Any]
) -> list[float | None]:
    """What one rule finds too short on a board."""
    barrier = {"between": ["a", "b"], "table": "table.csv", "insulation": "functional"} | barrier
    made = case(
        "published",
        table | {"rules": {"region": REGIONS, "barrier": [barrier]}, "because": "", "expect": []},
    )
    return [f.measured for f in found(way(made.sketch, folder), made.rules, rule, folder)]


def pours(left: float, right: float) -> list[dict[str, Any]]:
    """Conductors of the nets A and B whose facing sides lie at left and right."""
    return [
        {"net": "A", "layer": "L1", "box": [left - 1, 0, left, 3]},
        {"net": "B", "layer": "L1", "box": [right, 0, right + 1, 3]},
    ]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(
    "row", rows(), ids=lambda r: f"{r['standard']} {r['clause']} {r['voltage']} V {r['mm']} mm"
)
def test_a_row_met_exactly_passes_and_a_hundredth_less_is_found(
    row: dict[str, str], way: Way, tmp_path: Path
) -> None:
    """The row stands in a user's table among rows above and below it."""
    wanted, voltage, rule = float(row["mm"]), int(row["voltage"]), row["distance"]
    text = f"voltage,{rule}\n{voltage / 2},{wanted / 2}\n{voltage},{wanted}\n{voltage * 2},{wanted * 2}\n"
    (tmp_path / "table.csv").write_text(text, encoding="utf-8")
    barrier: dict[str, Any] = {
        "pollution_degree": int(row["pollution_degree"]),
        "working_voltage": voltage,
    }
    barrier |= {"material_group": row["material_group"]} if row["material_group"] else {}
    barrier |= {"clearance_voltage": voltage} if rule == "clearance" else {}
    assert measured({"pours": pours(0, wanted)}, rule, way, tmp_path, barrier) == []
    short = measured({"pours": pours(0, wanted - LESS)}, rule, way, tmp_path, barrier)
    assert short == [pytest.approx(wanted - LESS, abs=TOLERANCE)]
