"""Hints hold what they promise: boards changed as a hint says are checked again, and the finding is
gone or smaller.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from checker.findings import Finding
from tests.boards import built_directly, case, found

A = {"region": "a", "layer": "L2", "box": [0, 0, 14, 40]}
B = {"region": "b", "layer": "L2", "box": [16, 0, 30, 40]}
QUIET = {"region": {"b": {"nets": ["B_*"], "quiet": True}}}
STEP = {"east": (1, 0), "north": (0, 1), "west": (-1, 0), "south": (0, -1)}
MOVE = re.compile(r"move it ([\d.]+) mm (east|north|west|south)")
TENTHS = st.integers(-15, 15).map(lambda n: n / 10)


def findings(rule: str, rules: dict[str, Any] | None = None, **board: Any) -> list[Finding]:
    made = case(
        "board", {"because": "", "expect": [], "pours": [A, B], "rules": rules or {}, **board}
    )
    return found(built_directly(made.sketch), made.rules, rule)


def trace(net: str, *points: tuple[float, float]) -> dict[str, Any]:
    return {"net": net, "layer": "L1", "width": 0.2, "points": [list(p) for p in points]}


def as_told(hint: str, points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """A trace moved as a hint says."""
    told = MOVE.search(hint)
    assert told is not None
    dx, dy = STEP[told[2]]
    return [(x + dx * float(told[1]), y + dy * float(told[1])) for x, y in points]


@settings(max_examples=30, deadline=None)
@given(TENTHS, st.integers(1, 30).map(lambda n: n / 10))
def test_a_run_over_a_slot_is_cured_by_the_move(off: float, slot: float) -> None:
    """A slot of some height across a's pour; the trace runs along it and leaves it at both ends."""
    box = [[3, 20 - slot / 2], [11, 20 - slot / 2], [11, 20 + slot / 2], [3, 20 + slot / 2]]
    pours = [{**A, "holes": [box]}, B]
    points = [(2.0, 20 + off), (12.0, 20 + off)]
    before = findings("unreferenced-run", pours=pours, draws=[trace("SIG", *points)])
    assume(before and before[0].hint)
    moved = as_told(before[0].hint or "", points)
    assert findings("unreferenced-run", pours=pours, draws=[trace("SIG", *moved)]) == []


@settings(max_examples=30, deadline=None)
@given(st.integers(145, 163).map(lambda n: n / 10))
def test_a_quiet_trace_beside_its_pour_is_cured_by_the_move(x: float) -> None:
    """Region b's pour begins at x 16; the trace stands parallel to that edge, outside or on it."""
    points = [(x, 10.0), (x, 20.0)]
    before = findings("region-escape", QUIET, draws=[trace("B_IN", *points)])
    assume(before)
    assert (
        findings(
            "region-escape", QUIET, draws=[trace("B_IN", *as_told(before[0].hint or "", points))]
        )
        == []
    )


@settings(max_examples=30, deadline=None)
@given(st.integers(160, 190).map(lambda n: n / 10))
def test_a_foreign_trace_over_a_quiet_pour_is_cured_by_the_move(x: float) -> None:
    """The hint takes a's trace back over a's pour, whose edge is at x 14; farther than 5 mm nothing
    is said.
    """
    points = [(x, 10.0), (x, 20.0)]
    before = findings("region-intrusion", QUIET, draws=[trace("SIG", *points)])
    assert before
    assert (before[0].hint is None) == (x + 0.1 - 14 + 0.1 > 5.1)
    if before[0].hint:
        moved = as_told(before[0].hint, points)
        assert findings("region-intrusion", QUIET, draws=[trace("SIG", *moved)]) == []


@pytest.mark.parametrize("y", [12.0, 25.0, 38.0])
def test_a_capacitor_where_the_hint_puts_it_shortens_the_detour(y: float) -> None:
    """The tie at y 39; the capacitor's pads reach just over both pours at the place that is
    told.
    """

    def part(refdes: str, at: float) -> list[dict[str, Any]]:
        pins = (("GND_A", 13.9, "1"), ("GND_B", 16.1, "2"))
        return [
            {"net": n, "layer": "L1", "at": [x, at], "size": 0.2, "refdes": refdes, "pin": p}
            for n, x, p in pins
        ]

    tie = {"tie": [{"between": ["a", "b"], "at": "R40"}]}
    draws = [trace("SIG", (2, 10), (28, 10))]
    (before,) = findings("gap-crossing", tie, draws=draws, pads=part("R40", y))
    told = re.search(
        r"at \(15\.00, ([\d.]+)\): it shortens the detour from ([\d.]+) to ([\d.]+) mm",
        before.hint or "",
    )
    if told is None:  # not worth it this near to the tie
        assert before.detail["detour_mm"] < 2 * 2 + 1
        return
    rules = {**tie, "nets": {"stitching": ["C1"]}}
    (after,) = findings(
        "gap-crossing", rules, draws=draws, pads=[*part("R40", y), *part("C1", float(told[1]))]
    )
    assert before.detail["detour_mm"] == pytest.approx(float(told[2]), abs=0.06)
    # its pads stand 0.1 mm inside
    assert after.detail["detour_mm"] == pytest.approx(float(told[3]), abs=0.45)
    assert after.harm < before.harm


def test_a_capacitor_is_put_beside_the_trace_not_where_the_other_pour_is_nearest() -> None:
    """A tongue of b reaches to x 14.1 above the trace; across the gap at y 10 it is 2 mm all the
    same.
    """
    tongue = [
        [16, 0],
        [30, 0],
        [30, 40],
        [16, 40],
        [16, 12.2],
        [14.2, 12.2],
        [14.2, 11.2],
        [16, 11.2],
    ]
    pads = [
        {"net": net, "layer": "L1", "at": [x, 38], "size": 0.4, "refdes": "R40", "pin": pin}
        for net, x, pin in (("GND_A", 13, "1"), ("GND_B", 17, "2"))
    ]
    tie = {"tie": [{"between": ["a", "b"], "at": "R40"}]}
    pours = [A, {"region": "b", "layer": "L2", "points": tongue}]
    (finding,) = findings(
        "gap-crossing", tie, pours=pours, draws=[trace("SIG", (2, 10), (28, 10))], pads=pads
    )
    assert "at (15.00, 10.00): it shortens the detour" in (finding.hint or "")
    assert "to 2 mm" in (finding.hint or "")


def test_no_capacitor_is_proposed_across_a_gap_that_none_spans() -> None:
    """The gap is 8 mm wide."""
    pours = [A, {"region": "b", "layer": "L2", "box": [22, 0, 40, 40]}]
    pads = [
        {"net": net, "layer": "L1", "at": [x, 38], "size": 0.4, "refdes": "R40", "pin": pin}
        for net, x, pin in (("GND_A", 13, "1"), ("GND_B", 23, "2"))
    ]
    tie = {"tie": [{"between": ["a", "b"], "at": "R40"}]}
    (finding,) = findings(
        "gap-crossing", tie, pours=pours, draws=[trace("SIG", (2, 10), (38, 10))], pads=pads
    )
    assert "capacitor" not in (finding.hint or "")


def test_the_nearest_isolator_is_told_where_a_barrier_stands() -> None:
    """Pads 2 mm wide centred 1 mm off the gap's edges, at y 25: their nearest point is 14 mm above
    the trace.
    """
    pads = [
        {
            "net": net,
            "layer": "L1",
            "at": [x, 25],
            "size": [2, 2],
            "shape": "rectangle",
            "refdes": "U1",
            "pin": pin,
        }
        for net, x, pin in (("GND_A", 13, "1"), ("GND_B", 17, "2"))
    ]
    barrier = {"barrier": [{"between": ["a", "b"], "isolators": ["U1"]}]}
    (finding,) = findings(
        "gap-crossing", barrier, draws=[trace("SIG", (2, 10), (28, 10))], pads=pads
    )
    assert "lead it across at the nearest isolator, U1, 14 mm away at (14.00, 24.00)" in (
        finding.hint or ""
    )
