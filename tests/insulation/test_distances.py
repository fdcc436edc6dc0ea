"""What has one cause is one group, and paths by way of a third region are told where they
belong.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

from checker.insulation.distances import judged
from tests.boards import built_directly, case, layout_of

TABLE = "voltage,clearance,creepage\n250,3,4\n"
REGIONS = {
    "a": {"reference": ["GND_A"], "nets": ["A_*"]},
    "b": {"reference": ["GND_B"], "nets": ["B_*"]},
}


def groups(tmp_path: Path, board: dict[str, Any], **barrier: Any) -> Counter[str]:
    """How many shortfalls are in each group."""
    (tmp_path / "t.csv").write_text(TABLE, encoding="utf-8")
    stated = {
        "between": ["a", "b"],
        "working_voltage": 250,
        "insulation": "functional",
        "table": "t.csv",
        **barrier,
    }
    rules = {"region": REGIONS, "barrier": [stated]}
    told = case("board", {"because": "", "expect": [], "rules": rules, **board})
    return Counter(
        one.group for one in judged(layout_of(built_directly(told.sketch), told.rules, tmp_path))
    )


def pad(net: str, x: float, y: float, **more: Any) -> dict[str, Any]:
    return {"net": net, "layer": "L1", "at": [x, y], "size": 1.0, **more}


def test_clearance_and_creepage_of_one_place_are_one_group(tmp_path: Path) -> None:
    board = {"pads": [pad("A_1", 0, 0), pad("B_1", 3, 0)]}
    assert list(groups(tmp_path, board).values()) == [2]


def test_paths_that_end_near_each_other_at_both_ends_are_one_group(tmp_path: Path) -> None:
    """Pairs of pads 1.9 mm above each other; each pad is a net and a piece of its own. The third
    pair is 3 mm on.
    """
    near = [pad("A_1", 0, 0), pad("B_1", 3, 0), pad("A_2", 0, 1.9), pad("B_2", 3, 1.9)]
    assert len(groups(tmp_path, {"pads": near})) == 1
    far = [*near[:2], pad("A_3", 0, 5), pad("B_3", 3, 5)]
    assert len(groups(tmp_path, {"pads": far})) == 2


def test_paths_between_the_same_pieces_of_copper_are_one_group(tmp_path: Path) -> None:
    """Two tracks, 2 mm apart on L1 at one end and on L2 at the other, 20 mm on: the same two pieces
    of copper.
    """
    via = [
        {"net": net, "at": [x, 10], "drill": 0.3, "land": 0.6}
        for net, x in (("A_1", 0), ("B_1", 20))
    ]
    draws = [
        {"net": "A_1", "layer": "L1", "width": 0.5, "points": [[0, 0], [0, 10]]},
        {"net": "B_1", "layer": "L1", "width": 0.5, "points": [[2.5, 0], [20, 0], [20, 10]]},
        {"net": "A_1", "layer": "L2", "width": 0.5, "points": [[0, 10], [0, 20], [17.5, 20]]},
        {"net": "B_1", "layer": "L2", "width": 0.5, "points": [[20, 10], [20, 20]]},
    ]
    assert list(groups(tmp_path, {"draws": draws, "vias": via}).values()) == [4]


def test_a_narrow_isolator_is_one_group(tmp_path: Path) -> None:
    """Pads of U1 2.5 mm apart, 4 mm from row to row of the pins: too far for one place, but one
    part.
    """
    pads = [
        pad(f"{side}_{row}", x, 4 * row, refdes="U1", pin=f"{side}{row}")
        for row in range(3)
        for side, x in (("A", 0), ("B", 3.5))
    ]
    assert len(groups(tmp_path, {"pads": pads}, isolators=["U1"])) == 1
    assert len(groups(tmp_path, {"pads": pads})) == 3


def test_paths_over_one_piece_of_floating_copper_are_one_group(tmp_path: Path) -> None:
    """A floating bar 40 mm long, 1.5 mm from a pad of either side at both of its ends."""
    bar = [{"net": "", "layer": "L1", "width": 1.0, "points": [[0, 0], [40, 0]]}]
    pads = [pad(net, x, y) for x in (0, 40) for net, y in ((f"A_{x}", 2.5), (f"B_{x}", -2.5))]
    assert len(groups(tmp_path, {"pads": pads, "draws": bar})) == 1
    assert len(groups(tmp_path, {"pads": pads})) == 0
