"""Nets of one pad beside a barrier: doubts where only `*` claims them, whatever feeds them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from checker.insulation.open_pads import open_pads
from tests.boards import built_directly, case, layout_of

TRACKS = [
    {"net": net, "layer": "L1", "width": 0.5, "points": [[x, 0], [x, 9]]}
    for net, x in (("GND_A", 0), ("GND_B", 20))
]


@pytest.mark.parametrize(
    ("pad", "nets_of_a", "doubted"),
    [
        ({"at": [17, 4]}, ["*"], True),  # 2.25 mm from b, 3 mm asked for
        ({"at": [10, 4]}, ["*"], False),  # too far from b to matter
        ({"at": [2, 4]}, ["*"], False),  # near its own side
        ({"at": [17, 4]}, ["*", "LONE"], False),  # named, so it is live: a finding, no doubt
        ({"at": [17, 4], "refdes": "U1", "pin": "3"}, ["*"], False),  # an isolator's open pin
        ({"at": [17, 4], "refdes": "H1", "pin": "1"}, ["*"], True),
    ],
)
def test_an_open_pad_within_the_required_distance_of_the_other_side_is_a_doubt(
    tmp_path: Path, pad: dict[str, Any], nets_of_a: list[str], doubted: bool
) -> None:
    (tmp_path / "t.csv").write_text("voltage,clearance,creepage\n250,3,3\n", encoding="utf-8")
    barrier = {"between": ["a", "b"], "isolators": ["U1"], "working_voltage": 250, "table": "t.csv"}
    regions = {
        "a": {"reference": ["GND_A"], "nets": nets_of_a},
        "b": {"reference": ["GND_B"], "nets": []},
    }
    board = {"draws": TRACKS, "pads": [{"net": "LONE", "layer": "L1", "size": 1.0, **pad}]}
    made = case(
        "board",
        {"because": "", "expect": [], "rules": {"region": regions, "barrier": [barrier]}, **board},
    )
    found = open_pads(layout_of(built_directly(made.sketch), made.rules, tmp_path))
    told = ["net LONE has one pad and counts as floating within 3 mm of b"]
    assert [doubt.what for doubt in found] == (told if doubted else [])
