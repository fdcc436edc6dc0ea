"""Every named board gives exactly its expected return-in-quiet findings, whichever format carried
it.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from checker.layout.layout import Layout
from checker.rules import registry
from tests.boards import WAYS, Case, Way, built_directly, cases, differences, found, layout_of


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("case", cases("return_in_quiet"), ids=str)
def test_case(case: Case, way: Way, tmp_path: Path) -> None:
    assert (
        differences(found(way(case.sketch, tmp_path), case.rules, "return-in-quiet"), case.expect)
        == []
    )


def test_it_says_why_it_cannot_run() -> None:
    """Nothing flows, or nothing is to be kept out of."""
    case = cases("return_in_quiet")[0]
    layout = layout_of(built_directly(case.sketch), case.rules)
    no_current = Layout(layout.board, replace(layout.rules, currents=()))
    loud = layout_of(layout.board, case.rules.replace("quiet = true", "quiet = false"))
    why_not = registry()["return-in-quiet"].why_not
    assert [why_not(one) for one in (layout, no_current, loud)] == [
        None,
        "no [[current]] is declared",
        "no region is quiet",
    ]
