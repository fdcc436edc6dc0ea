"""Rows of published tables, each held by a finding on a board.

References: IEC 60664-1 (2007), tables F.2 and F.4; IPC-2221B, Table 6-1. How certain a row is stands
beside it: P read in public, p fragments read, M from memory.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest

from tests.boards import FIXTURES, TOLERANCE, Way, built_directly, case, found

PUBLISHED = FIXTURES / "published"
LESS = 0.01  # mm
HIGH = 0.0002  # mm; of the copper: as good as the point at the surface that the figures have
REGIONS = {"a": {"reference": ["A"], "nets": []}, "b": {"reference": ["B"], "nets": []}}


def rows() -> list[dict[str, str]]:
    """The published rows, without the lines that say what they are."""
    lines = (PUBLISHED / "rows.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def measured(table: dict[str, Any], rule: str, way: Way, folder: Path, barrier: dict[str, Any]) -> list[float | None]:
    """What one rule finds too short on a board."""
    barrier = {"between": ["a", "b"], "table": "table.csv", "insulation": "functional"} | barrier
    made = case("published", table | {"rules": {"region": REGIONS, "barrier": [barrier]}, "because": "", "expect": []})
    return [f.measured for f in found(way(made.sketch, folder), made.rules, rule, folder)]


def pads(left: float, right: float, y: float = -HIGH / 2) -> list[dict[str, Any]]:
    """Strips of the nets A and B whose facing sides lie at left and right."""
    return [
        {"net": "A", "layer": "L1", "at": [left - 0.5, y], "size": [1.0, HIGH], "shape": "rect"},
        {"net": "B", "layer": "L1", "at": [right + 0.5, y], "size": [1.0, HIGH], "shape": "rect"},
    ]


@pytest.mark.parametrize("row", rows(), ids=lambda r: f"{r['standard']} {r['clause']} {r['voltage']} V {r['mm']} mm")
def test_a_row_met_exactly_passes_and_a_hundredth_less_is_found(row: dict[str, str], tmp_path: Path) -> None:
    """The row stands in a user's table among rows above and below it."""
    wanted, voltage, rule = float(row["mm"]), int(row["voltage"]), row["distance"]
    text = f"voltage,{rule}\n{voltage / 2},{wanted / 2}\n{voltage},{wanted}\n{voltage * 2},{wanted * 2}\n"
    (tmp_path / "table.csv").write_text(text, encoding="utf-8")
    barrier: dict[str, Any] = {"pollution_degree": int(row["pollution_degree"]), "working_voltage": voltage}
    barrier |= {"material_group": row["material_group"]} if row["material_group"] else {}
    barrier |= {"clearance_voltage": voltage} if rule == "clearance" else {}
    assert measured({"pads": pads(0, wanted)}, rule, built_directly, tmp_path, barrier) == []
    short = measured({"pads": pads(0, wanted - LESS)}, rule, built_directly, tmp_path, barrier)
    assert short
    assert min(v for v in short if v is not None) == pytest.approx(wanted - LESS, abs=TOLERANCE)
