"""Every named board gives exactly its expected return-in-quiet findings, whichever format carried
it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.boards import WAYS, Case, Way, cases, differences, found


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("case", cases("return_in_quiet"), ids=str)
def test_case(case: Case, way: Way, tmp_path: Path) -> None:
    assert (
        differences(found(way(case.sketch, tmp_path), case.rules, "return-in-quiet"), case.expect)
        == []
    )
