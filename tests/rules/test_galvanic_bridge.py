"""galvanic-bridge against its named boards."""

from pathlib import Path

import pytest

from checker.rules import galvanic_bridge
from tests.boards import WAYS, Case, Way, built_directly, case, cases, differences, found, layout_of


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("case", cases("galvanic_bridge"), ids=str)
def test_each_named_board_gives_exactly_its_findings(case: Case, way: Way, tmp_path: Path) -> None:
    """Each named board gives exactly its expected findings, whichever format carried it."""
    assert differences(found(way(case.sketch, tmp_path), case.rules, "galvanic-bridge"), case.expect) == []


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
    return {doubt.what for doubt in galvanic_bridge.doubts(layout_of(built_directly(told.sketch), SIDES))}


def pad(net: str, x: float, **more: object) -> dict[str, object]:
    return {"net": net, "layer": "L1", "at": [x, 0], "size": 1, **more}


def test_an_isolator_without_a_pin_on_one_side_is_a_doubt() -> None:
    """A wrong designator, or a part that was turned round, must not look like an isolator that was checked."""
    both = [pad("GND_A", 0, refdes="U1", pin="1"), pad("GND_B", 9, refdes="U1", pin="2")]
    assert doubts_of(both) == set()
    assert doubts_of([both[0], pad("GND_A", 9, refdes="U1", pin="2")]) == {"isolator U1 has no pin in b"}


def test_pads_without_any_part_are_a_doubt() -> None:
    """Where the data names no parts, none can be seen across the barrier; vias are no parts' pads."""
    assert doubts_of([pad("GND_A", 0), pad("GND_B", 9)]) == {"the data names no parts"}
    assert doubts_of([pad("GND_A", 0, function="ViaPad"), pad("GND_B", 9, function="ViaPad")]) == set()
