"""Whole boards against a witness, from files to findings: a few of fixed seeds, and a long run of
new ones.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.laws import whole_campaign
from tests.laws.whole_boards import whole_board
from tests.laws.whole_campaign import FAULTS, Told, checked, form_of, judge, run
from tests.laws.whole_witness import islands_of

QUICK = (6, 223)  # seed and number of a board that is soon judged
Checked = Callable[..., Told]


@pytest.mark.parametrize(("seed", "number"), [QUICK, (6, 59), (6, 173)])
def test_a_few_boards_agree_with_their_witness(seed: int, number: int) -> None:
    counts = run(seed, [number])
    assert counts["agreed"] == 2, counts


def longer(by: float) -> Checked:
    """A check whose lengths are wrong."""

    def wrong(*args: object) -> Told:
        told = checked(*args)  # type: ignore[arg-type]
        findings = [
            replace(f, measured=f.measured + by) if f.measured is not None else f
            for f in told.findings
        ]
        return replace(told, findings=tuple(findings))

    return wrong


def silent(*args: object) -> Told:
    """A check that finds nothing."""
    return replace(checked(*args), findings=())  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("wrong", "answer"), [(longer(0.01), "long"), (longer(-0.1), "short"), (silent, "long")]
)
def test_what_is_told_wrong_is_found(
    wrong: Checked, answer: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(whole_campaign, "checked", wrong)
    whole = whole_board(np.random.default_rng(QUICK))
    assert {given for given, _ in judge(whole, tmp_path, form_of(whole, QUICK[1]))} == {answer}


def test_boards_are_of_every_kind() -> None:
    """What the run is there for is drawn, and drawn again the same."""
    boards = [whole_board(np.random.default_rng([7, number])) for number in range(80)]
    assert boards[3].sketch == whole_board(np.random.default_rng([7, 3])).sketch
    items = [item for whole in boards for item in whole.items]
    assert {round(whole.held.x, 2) for whole in boards} == {0.25, 0.3, 0.5, 0.8, 1.0, 1.5}
    assert {whole.held.third for whole in boards} == {
        "none",
        "nothing",
        "first",
        "both",
        "unclaimed",
    }
    assert any(whole.several for whole in boards)
    assert any(whole.held.tolerance for whole in boards)
    assert any(item.barrel for item in items)
    assert any(item.net == "PE" for item in items)
    assert any("hardware" in item.rules for item in items)
    assert any(len(item.holes) > 2 for item in items)
    assert any(len(step) > 2 for item in items for draw in item.draws for step in draw.points)
    assert any(islands_of(whole).bridged for whole in boards)


@pytest.mark.long
def test_new_whole_boards_agree_with_their_witness() -> None:
    """New boards each time; the seed stands in what is printed."""
    seed = secrets.randbits(32)
    counts = run(seed, range(100))
    assert not FAULTS & set(counts), f"seed {seed}: {counts}"
