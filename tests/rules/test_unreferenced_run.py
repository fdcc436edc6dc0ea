"""unreferenced-run against its named boards."""

from pathlib import Path

import pytest

from tests.boards import WAYS, Case, Way, cases, differences, found


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("case", cases("unreferenced_run"), ids=str)
def test_each_named_board_gives_exactly_its_findings(case: Case, way: Way, tmp_path: Path) -> None:
    """Each named board gives exactly its expected findings, whichever format carried it."""
    assert (
        differences(found(way(case.sketch, tmp_path), case.rules, "unreferenced-run"), case.expect)
        == []
    )
