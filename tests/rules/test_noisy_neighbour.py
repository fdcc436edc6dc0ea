"""Every named board gives exactly its expected noisy-neighbour findings, whichever format carried
it.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.boards import WAYS, Case, Way, built_directly, case, cases, differences, found


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("case", cases("noisy_neighbour"), ids=str)
def test_case(case: Case, way: Way, tmp_path: Path) -> None:
    assert (
        differences(found(way(case.sketch, tmp_path), case.rules, "noisy-neighbour"), case.expect)
        == []
    )


@pytest.mark.parametrize("apart", [0.3, 0.4, 0.5, 0.6])
@pytest.mark.parametrize("height", [0.1, 0.2])
def test_coupling_bounds_that_of_two_wires_over_their_images(apart: float, height: float) -> None:
    """Mutual by self inductance of two wires over a plane, by the method of images (exact for thin
    wires).

    ln(1 + (2 h / D)^2) / 2 against ln(2 h / r), r = 0.2235 (w + t) for a strip; the coupling told,
    1 / (1 + (D / h)^2), is an upper bound of it, and no more than twice as large while the wires
    are thin beside their height.
    """
    width = 0.05
    draws = [
        {"net": net, "layer": "L1", "width": width, "points": [[5, y], [35, y]]}
        for net, y in (("B_IN", 10), ("SW", 10 + apart))
    ]
    pours = [{"region": "b", "layer": "L2", "box": [0, 0, 40, 20]}]
    rules = {
        "region": {"b": {"quiet": True, "nets": ["B_*"]}},
        "nets": {"noisy": ["SW"]},
        "limits": {"coupling_gap": 1.0},
    }
    table = {
        "because": "",
        "expect": [],
        "pours": pours,
        "draws": draws,
        "rules": rules,
        "dielectric": [height],
    }
    made = case("pair", table)
    (finding,) = found(built_directly(made.sketch), made.rules, "noisy-neighbour")
    mutual = math.log(1 + (2 * height / apart) ** 2) / 2
    own = math.log(2 * height / (0.2235 * (width + 0.035)))
    assert mutual / own < finding.detail["coupling"] < 2 * mutual / own
