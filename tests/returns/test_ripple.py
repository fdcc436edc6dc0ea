"""Ripple on whole layouts: what is told, with what error, and what is a doubt instead."""

from __future__ import annotations

from math import log, pi

import pytest

from checker.returns import alternating
from checker.returns import ripple as module
from checker.returns.quiet_inputs import Answer, Currents, currents_of
from tests.boards import built_directly, cases, layout_of, sketch

BOARD = next(case for case in cases("shared_return") if case.name.startswith("ripple_couples"))


def solved(*changes: tuple[str, str]) -> Currents:
    rules = BOARD.rules
    for old, new in changes:
        assert rules.count(old) == 1, old
        rules = rules.replace(old, new)
    return layout_of(built_directly(BOARD.sketch), rules).once(currents_of)


def only(currents: Currents) -> Answer:
    (answer,) = currents.answers
    return answer


def test_the_number_has_its_error_and_its_cells() -> None:
    """Method of images: 2e-9 H ln(1 + 4 x 1.53^2 / 25) at 1 MHz, 5 A; its error is never claimed
    below 15 %.
    """
    answer = only(solved())
    assert answer.dc == 0
    assert (
        answer.ripple
        == answer.volts
        == pytest.approx(2e6 * pi * 5 * 2e-9 * log(1 + 4 * (1.53 / 5) ** 2), rel=0.02)
    )
    assert answer.error >= 0.15 * answer.volts
    assert answer.ripple_cell == 1.0
    assert answer.whole


@pytest.mark.parametrize(
    ("changes", "what", "why"),
    [
        (
            [("frequency = 1000000.0", "frequency = 2e7")],
            "the ripple of converter",
            "20000000 Hz lie outside",
        ),
        (
            [("frequency = 1000000.0", "frequency = 9e3")],
            "the ripple of converter",
            "9000 Hz lie outside",
        ),
        (
            [('to = "P2.1"', 'to = "P2.2"')],
            "the ripple of converter",
            "no copper of VB leads from P1.1 to P2.2",
        ),
        (
            [('to = "U1.1"', 'to = "U1.2"')],
            "ripple in input IN",
            "no copper of IN leads from J1.1 to U1.2",
        ),
    ],
)
def test_what_cannot_be_told_is_a_doubt(
    changes: list[tuple[str, str]], what: str, why: str
) -> None:
    """And no number stands for it."""
    currents = solved(*changes)
    (told,) = [doubt for doubt in currents.doubts if "computed" in doubt.what]
    assert told.what == f"{what} was not computed"
    assert told.why.startswith(why)
    assert only(currents).ripple is None
    assert not only(currents).whole


def test_more_cells_than_can_be_had_are_a_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "CELLS", (4.0, 2.0))
    currents = solved()
    whats = [doubt.what for doubt in currents.doubts]
    assert whats == ["the ripple of converter was not computed"]
    assert (
        "cells of 1.53 mm would be needed along VB, 2 mm are the finest" in currents.doubts[0].why
    )


def test_no_solution_is_a_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(alternating, "ROUNDS", 1)
    (told,) = solved().doubts
    assert told.what == "the ripple of converter was not computed"
    assert told.why.startswith("no solution was found")


def test_a_moat_under_a_trace_asks_for_finer_cells(monkeypatch: pytest.MonkeyPatch) -> None:
    """VB crosses a moat 1 mm wide between two pours that a bridge joins: two cells at least lie
    across it.
    """
    monkeypatch.setattr(module, "EASY", 0)
    pads = [
        {"net": net, "layer": layer, "at": at, "size": 1, "refdes": part, "pin": pin}
        for net, layer, at, part, pin in [
            ("VB", "L1", (6, 15), "P1", "1"),
            ("VB", "L1", (34, 15), "P2", "1"),
            ("IN", "L1", (24, 20), "J1", "1"),
            ("IN", "L1", (34, 20), "U1", "1"),
            ("GND", "L2", (34, 15), "P2", "2"),
            ("GND", "L2", (6, 15), "P1", "2"),
            ("GND", "L2", (24, 20), "J1", "2"),
            ("GND", "L2", (34, 20), "U1", "2"),
        ]
    ]
    split = [(0, 0), (40, 0), (40, 30), (20, 30), (20, 5), (19, 5), (19, 30), (0, 30)]
    board: dict[str, object] = {
        "draws": [
            {"net": "VB", "layer": "L1", "width": 0.3, "points": [(6, 15), (34, 15)]},
            {"net": "IN", "layer": "L1", "width": 0.3, "points": [(24, 20), (34, 20)]},
        ],
        "pads": pads,
    }
    for contour, cell in ((split, 0.5), ([(0, 0), (40, 0), (40, 30), (0, 30)], 1.0)):
        board["pours"] = [{"net": "GND", "layer": "L2", "points": contour}]
        answer = only(
            layout_of(built_directly(sketch("moat", board)), BOARD.rules).once(currents_of)
        )
        assert answer.ripple_cell == cell
