"""Routes: the path of least length through a net's copper, layer by layer."""

from __future__ import annotations

import numpy as np
import pytest

from checker.config.rules_file import PinName
from checker.returns.ground import depths, pin_place
from checker.returns.routes import route
from tests.boards import built_directly, layout_of, sketch

RULES = 'schema = 1\n[region.a]\nreference = ["GND"]\nnets = ["*"]\n'


def draw(layer: str, *points: tuple[float, float]) -> dict[str, object]:
    return {"net": "VB", "layer": layer, "width": 0.4, "points": points}


def pad(part: str, x: float) -> dict[str, object]:
    return {"net": "VB", "layer": "L1", "at": (x, 20), "size": 1.0, "refdes": part, "pin": "1"}


BOARD = {
    "pours": [{"net": "GND", "layer": "L2", "box": (1, 1, 39, 8)}],
    "pads": [pad("P1", 5), pad("P2", 35)],
}


@pytest.mark.parametrize(
    ("draws", "vias", "length"),
    [
        ([draw("L1", (5, 20), (35, 20))], [], 30.0),
        ([draw("L1", (5, 20), (5, 28), (35, 28), (35, 20))], [], 46.0),
        (
            [
                draw("L1", (5, 20), (5, 28), (35, 28), (35, 20)),
                draw("L1", (5, 20), (20, 10), (35, 20)),
            ],
            [],
            2 * 325**0.5,
        ),
        (
            [
                draw("L1", (5, 20), (20, 20)),
                draw("L1", (20, 25), (20, 15)),
                draw("L1", (20, 20), (35, 20)),
            ],
            [],
            30.0,
        ),
        (
            [
                draw("L1", (5, 20), (10, 20)),
                draw("L2", (10, 20), (30, 20)),
                draw("L1", (30, 20), (35, 20)),
            ],
            [10, 30],
            30,
        ),
        ([draw("L1", (5, 20), (19, 20))], [], None),
    ],
)
def test_routes(draws: list[dict[str, object]], vias: list[float], length: float | None) -> None:
    """Straight, by a bend, by the shorter of two, past a stub, by two vias (each one board deep),
    and none.
    """
    holes = [{"net": "VB", "at": (x, 20)} for x in vias]
    board = sketch("routes", BOARD | {"draws": draws, "vias": holes})
    layout = layout_of(built_directly(board), RULES)
    first, last = (pin_place(layout, PinName(part, "1")) for part in ("P1", "P2"))
    assert first is not None
    assert last is not None
    found = route(layout, layout.matching(("VB",)).tolist(), first, last)
    if length is None:
        assert found is None
        return
    assert found is not None
    assert found.length == pytest.approx(length + len(vias) * depths(layout)[1], abs=1e-3)
    assert found.ends[0, 0, :2] == pytest.approx((5, 20))
    assert found.ends[-1, 1, :2] == pytest.approx((35, 20))
    assert found.ends[1:, 0] == pytest.approx(found.ends[:-1, 1])
    assert np.unique(found.radius) == pytest.approx([0.2235 * 0.435])
