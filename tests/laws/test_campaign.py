"""What a damaged package loses is told: a sample of `campaign.py` in each run, much of it in the
long one.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.laws.campaign import DEMOS, campaign, is_valid, real_boards, subject, table

FORMS = ("board", "board-C.xml")
BOARD = DEMOS / "battery-faulty"


@pytest.mark.parametrize("form", FORMS)
def test_damage_is_told_or_does_no_harm(form: str, tmp_path: Path) -> None:
    counts = campaign([subject(BOARD / form, BOARD / "rules.toml")], range(60), tmp_path)
    silent = sum(count for (_, result), count in counts.items() if result == "silent")
    assert not silent, table(counts)


@pytest.mark.long
@pytest.mark.parametrize("form", FORMS)
def test_thousands_of_mutants(form: str, tmp_path: Path) -> None:
    counts = campaign([subject(BOARD / form, BOARD / "rules.toml")], range(60, 5000), tmp_path)
    assert not sum(count for (_, result), count in counts.items() if result == "silent"), table(
        counts
    )


@pytest.mark.long
@pytest.mark.needs("boards")
def test_two_thousand_mutants_of_real_packages(tmp_path: Path) -> None:
    counts = campaign(real_boards(), range(2000), tmp_path)
    assert not sum(count for (_, result), count in counts.items() if result == "silent"), table(
        counts
    )


@pytest.mark.parametrize("form", FORMS)
def test_the_grammars_of_the_campaign_take_sound_files(form: str) -> None:
    for name, data in subject(BOARD / form, None).files.items():
        assert is_valid(name, data, data)
        assert not is_valid(name, data.rstrip()[:-20], data)
