"""Time of creepage on small boards with slots of odd shapes:
`pytest tests/bench/test_odd_slots.py -m bench -s`.

A thousand fixed seeds; a search that was given up ends in a doubt, so few may.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.odd_slots import BOARDS, timed, told


@pytest.mark.bench
def test_boards_with_odd_slots_take_seconds_at_most() -> None:
    """Prints the times of each shape; fewer than one in ten is given up."""
    found = [timed(seed) for seed in range(BOARDS)]
    print(f"\n{told(found)}")
    assert np.mean([one.stopped for one in found]) < 0.1
