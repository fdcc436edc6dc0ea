"""The search for creepages leaves out what is far from any way, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from checker.demo.sketch import Pour, Sketch, box
from checker.insulation.creepage import on_the_way
from checker.rules.creepage import find
from tests.boards import FIXTURES, built_directly, layout_of
from tests.laws.moves import told_of
from tests.strategies import RULES, split_boards

few = settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))


@few
@given(
    sketch=split_boards(),
    bars=st.lists(st.tuples(st.integers(130, 230), st.integers(20, 260)), max_size=6),
)
def test_what_is_far_from_any_way_changes_no_creepage(
    sketch: Sketch, bars: list[tuple[int, int]]
) -> None:
    floating = tuple(
        Pour(net="", layer="L1", contour=box(x / 10, y / 10, x / 10 + 1.1, y / 10 + 0.7))
        for x, y in bars
    )
    board = built_directly(sketch.with_(pours=floating))
    text = RULES.replace("working_voltage = 48", "working_voltage = 250").replace(
        '"functional"', '"reinforced"'
    )
    text = text.replace("clearance_voltage = 500", "clearance_voltage = 2500")

    def found() -> list[Mapping[str, Any]]:
        return [told_of(f) for f in find(layout_of(board, text, FIXTURES / "demo" / "battery"))]

    pruned = found()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "checker.insulation.creepage.on_the_way",
            lambda boxes, *_: np.ones(len(boxes), dtype=bool),
        )
        everything = found()
    assert pruned == everything


@pytest.mark.parametrize(
    ("places", "labels", "useful"),
    [
        ([0, 4], [0, 1], [True, True]),  # 3 mm apart, below the limit of 5
        ([0, 8], [0, 1], [False, False]),
        ([0, 4, 8], [0, 2, 1], [False, False, False]),  # 3 + 3 by way of floating copper
        ([0, 1.5, 7], [0, 2, 1], [True, True, True]),  # the first leg, 0.5, counts as nothing: 4.5
        (
            [0, 1.5, 7],
            [0, 0, 1],
            [False, True, True],
        ),  # copper of the side itself is not hopped over
        (
            [0, 3, 9, 12],
            [0, 2, 2, 1],
            [True, True, True, True],
        ),  # one conductor in two places: 2 + 2
        ([0, 3, 9, 12], [0, 2, 3, 1], [False, False, False, False]),  # 2 + 5 + 2
        ([0, 3, 5], [0, 2, 3], [False, False, False]),  # nothing on the other side
    ],
)
def test_ways_seen_from_above(places: list[float], labels: list[int], useful: list[bool]) -> None:
    """Boxes of 1 mm in a row; limit 5, X 1."""
    boxes = np.array([[x, 0.0, x + 1, 1.0] for x in places])
    assert on_the_way(boxes, np.array(labels, dtype=np.int32), 5.0, 1.0).tolist() == useful
