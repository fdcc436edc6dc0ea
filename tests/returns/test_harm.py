"""What a crossing costs: detours over ties, capacitors and vias, none between isolated regions; the
order by harm.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from checker.findings import Finding
from tests.boards import built_directly, case, found

ISOLATED = 10_000  # nH; no loop on a board has as much: a square of 0.5 m of 0.1 mm wire has 3.1 uH

POURS = [
    {"region": "a", "layer": "L2", "box": [0, 0, 14, 40]},
    {"region": "b", "layer": "L2", "box": [16, 0, 30, 40]},
]
TRACE = {"net": "SIG", "layer": "L1", "width": 0.2, "points": [[2, 10], [28, 10]]}


def crossings(**keys: Any) -> list[Finding]:
    table = {"because": "", "expect": [], "pours": POURS, "draws": [TRACE], **keys}
    made = case("board", table)
    return found(built_directly(made.sketch), made.rules, "gap-crossing")


def resistor(x: float, y: float, refdes: str, net: str) -> dict[str, Any]:
    pin = "1" if net == "GND_A" else "2"
    return {"net": net, "layer": "L2", "at": [x, y], "size": 0.5, "refdes": refdes, "pin": pin}


def test_isolated_regions_have_no_detour_and_no_loop() -> None:
    (finding,) = crossings()
    assert finding.detail["detour_mm"] is None
    assert finding.detail["loop_area_mm2"] is None


def test_a_tie_carries_the_return_and_bounds_the_loop() -> None:
    """Tie R40 at y 35 with pads inside both pours at x 13.5 and 16.5: 25 up, 3 across, 25 down."""
    pads = [resistor(13.5, 35, "R40", "GND_A"), resistor(16.5, 35, "R40", "GND_B")]
    (finding,) = crossings(pads=pads, rules={"tie": [{"between": ["a", "b"], "at": "R40"}]})
    slant = 2 * (25**2 + 0.5**2) ** 0.5 + 3
    assert finding.detail["detour_mm"] == pytest.approx(slant, abs=0.001)
    assert finding.detail["loop_area_mm2"] == pytest.approx((2 + 3) / 2 * 25, abs=0.001)
    assert finding.detail["detour_through"] == ["R40"]


def test_a_plane_below_joined_by_vias_carries_the_return() -> None:
    """Both pours are one net, joined through L3: the vias at y 30 make 20 up, 6 across, 20 down."""
    pours = [
        {**POURS[0]},
        {**POURS[1], "region": "a"},
        {"region": "a", "layer": "L3", "box": [0, 0, 30, 40]},
    ]
    draws = [{**TRACE, "layer": "L1"}]
    vias = [{"net": "GND_A", "at": [12, 30]}, {"net": "GND_A", "at": [18, 30]}]
    found_ = crossings(pours=pours, draws=draws, vias=vias, layers=4)
    assert [str(f.level) for f in found_] == ["warning"]
    assert found_[0].detail["detour_mm"] == pytest.approx(2 * (20**2 + 2**2) ** 0.5 + 6, abs=0.02)


def test_a_via_in_an_antipad_of_the_plane_below_carries_nothing() -> None:
    """As above, but the via at x 18 stands in a hole of L3: the pours are not joined at all."""
    around = [[17, 29], [19, 29], [19, 31], [17, 31]]
    below = {"region": "a", "layer": "L3", "box": [0, 0, 30, 40], "holes": [around]}
    pours = [{**POURS[0]}, {**POURS[1], "region": "a"}, below]
    vias = [{"net": "GND_A", "at": [12, 30]}, {"net": "GND_A", "at": [18, 30]}]
    (finding,) = crossings(pours=pours, vias=vias, layers=4, rules={"limits": {"hole": 3.0}})
    assert finding.detail["detour_mm"] is None


def test_an_edge_time_gives_knee_and_field_with_the_assumption_in_words() -> None:
    pads = [resistor(13.5, 35, "R40", "GND_A"), resistor(16.5, 35, "R40", "GND_B")]
    rules = {"tie": [{"between": ["a", "b"], "at": "R40"}], "nets": {"edge_ns": {"SIG": 2.0}}}
    (finding,) = crossings(pads=pads, rules=rules)
    assert finding.detail["knee_mhz"] == 250
    assert "mA" in finding.detail["field_assumes"]


def test_harm_orders_isolated_before_tied_before_slow() -> None:
    """Contract: a crossing without detour is the worst; a slow net's matters least."""
    pads = [resistor(13.5, 35, "R40", "GND_A"), resistor(16.5, 35, "R40", "GND_B")]
    tie = {"tie": [{"between": ["a", "b"], "at": "R40"}]}
    isolated = crossings()[0].harm
    tied = crossings(pads=pads, rules=tie)[0].harm
    near = crossings(pads=[{**p, "at": [p["at"][0], 12]} for p in pads], rules=tie)[0].harm
    slow = crossings(pads=pads, rules={**tie, "nets": {"slow": ["SIG"]}})[0].harm
    assert isolated > tied > near > slow


def test_a_capacitor_is_proposed_where_it_shortens_the_way_and_no_barrier_forbids_it() -> None:
    pads = [resistor(13.5, 39, "R40", "GND_A"), resistor(16.5, 39, "R40", "GND_B")]
    tie = {"tie": [{"between": ["a", "b"], "at": "R40"}]}
    free = crossings(pads=pads, rules=tie)
    barred = crossings(pads=pads, rules={**tie, "barrier": [{"between": ["a", "b"]}]})
    assert "capacitor between GND_A and GND_B" in (free[0].hint or "")
    assert "capacitor" not in (barred[0].hint or "")


def test_ends_are_found_where_only_the_copper_of_two_strokes_meets() -> None:
    """Centre lines stop at x 13.95 and start again at 14.1: their round ends overlap. Isolated, so
    the worst harm.
    """
    draws = [
        {**TRACE, "points": [[2, 10], [13.95, 10]]},
        {**TRACE, "points": [[14.1, 10], [28, 10]]},
    ]
    (finding,) = crossings(draws=draws)
    assert finding.detail["ends_mm"] == [[13.95, 10], [16, 10]]
    assert finding.harm > ISOLATED


def test_a_trace_of_dots_crosses_where_its_dots_are() -> None:
    """Draws of no length, 0.1 mm apart: the dots at x 14 and 16 are the last ones over the
    pours.
    """
    draws = [{**TRACE, "points": [[x / 10, 10], [x / 10, 10]]} for x in range(100, 201)]
    (finding,) = crossings(draws=draws)
    assert finding.detail["ends_mm"] == [[14, 10], [16, 10]]
    assert finding.at in ((14, 10), (16, 10))
    assert finding.harm >= ISOLATED


def test_isolated_pours_beside_the_trace_on_its_own_layer_are_isolated_too() -> None:
    """Pours 1 mm to both sides of the trace on L1, their gap at x 14..17: nothing joins them."""
    names = {"a": (0, 14), "b": (17, 30)}
    sides = ((0, 9), (11, 20))
    pours = [
        {"region": r, "layer": "L1", "box": [x0, y0, x1, y1]}
        for r, (x0, x1) in names.items()
        for y0, y1 in sides
    ]
    (finding,) = crossings(pours=pours)
    assert finding.detail["detour_mm"] is None
    assert finding.harm > ISOLATED


MANY = [
    {**TRACE, "net": f"S{n:02d}", "points": [[2, 2 + n * 0.5], [28, 2 + n * 0.5]]}
    for n in range(60)
]
TIE = [{"between": ["a", "b"], "at": "R40"}]
PADS = [resistor(13.5, 35, "R40", "GND_A"), resistor(16.5, 35, "R40", "GND_B")]


def _true_detour(finding: Finding) -> float:
    """Slanted up to the pad at (13.5, 35), 3 mm across, slanted down."""
    return float(2 * ((35 - finding.at[1]) ** 2 + 0.5**2) ** 0.5 + 3)


def test_only_the_worst_crossings_are_searched_and_the_others_are_bounded() -> None:
    found_ = crossings(draws=MANY, pads=PADS, rules={"tie": TIE})
    searched = [f for f in found_ if f.detail["detour_mm"] is not None]
    bounded = [f for f in found_ if f.detail["detour_mm"] is None]
    assert len(searched) + len(bounded) == 60
    assert 0 < len(searched) <= 50
    for f in searched:
        assert f.detail["detour_mm"] == pytest.approx(_true_detour(f), abs=0.001)
        assert "detour_at_least_mm" not in f.detail
    for f in bounded:
        assert 0 < f.detail["detour_at_least_mm"] <= _true_detour(f) + 1e-6


def test_with_a_budget_of_one_node_the_findings_are_the_same_with_other_detours(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    whole = crossings(draws=MANY[::6], pads=PADS, rules={"tie": TIE})
    monkeypatch.setattr("checker.returns.harm.NODES", 1)
    stopped = crossings(draws=MANY[::6], pads=PADS, rules={"tie": TIE})
    assert [(f.id, f.level, f.message, f.at) for f in whole] == [
        (f.id, f.level, f.message, f.at) for f in stopped
    ]
    assert all(f.detail["detour_mm"] is not None for f in whole)
    for f in stopped:
        assert f.detail["detour_mm"] is None
        assert 0 < f.detail["detour_at_least_mm"] <= _true_detour(f) + 1e-6
        assert f.harm >= ISOLATED


def test_a_run_without_reference_has_no_detour() -> None:
    """A slot 6 mm long in one pour: the run over it is found, and costs its length."""
    slot = [[4, 9], [10, 9], [10, 11], [4, 11]]
    table = {
        "because": "",
        "expect": [],
        "pours": [{**POURS[0], "holes": [slot]}],
        "draws": [TRACE | {"points": [[2, 10], [12, 10]]}],
    }
    made = case("board", table)
    (finding,) = found(built_directly(made.sketch), made.rules, "unreferenced-run")
    assert "detour_mm" not in finding.detail
    assert finding.harm == pytest.approx(6, abs=0.01)


# Strip of 0.412427 mm and 0.035 mm: as a round wire of 0.2235 x 0.447427 = 0.1 mm.
WIRE = 0.412427


def over_a_gap(gap: float, up: float, width: float = WIRE, **keys: Any) -> Finding:
    """A trace at y 10 over a gap from x 14; the part that ties both edges stands `up` mm further
    up.
    """
    pours = [POURS[0], {**POURS[1], "box": [14 + gap, 0, 44, 40]}]
    trace = {**TRACE, "width": width, "points": [[2, 10], [42, 10]]}
    pads = [resistor(14, 10 + up, "R40", "GND_A"), resistor(14 + gap, 10 + up, "R40", "GND_B")]
    (finding,) = crossings(
        **{"pours": pours, "draws": [trace], "pads": pads, **keys, "rules": _tied(keys)}
    )
    return finding


def _tied(keys: dict[str, Any]) -> dict[str, Any]:
    return {"tie": [{"between": ["a", "b"], "at": "R40"}], **keys.get("rules", {})}


@pytest.mark.parametrize(
    ("gap", "up", "width", "inductance"),
    [(5, 20, WIRE, 36.382), (10, 10, WIRE, 30.649), (2, 25, 0.2, 38.247)],
)
def test_a_crossing_has_the_inductance_of_the_rectangle_that_trace_and_detour_make(
    gap: float, up: float, width: float, inductance: float
) -> None:
    """Inductance Calculations (1946), rectangle 20 x 5 and 10 x 10 of round wire 0.1 mm; formula
    from memory.

    The third is the same formula, 25 x 2, wire 0.2235 x (0.2 + 0.035) = 0.0525 mm, computed by
    hand.
    """
    finding = over_a_gap(gap, up, width)
    assert finding.detail["detour_mm"] == pytest.approx(2 * up + gap, abs=0.001)
    assert finding.detail["loop_area_mm2"] == pytest.approx(gap * up, abs=0.001)
    assert finding.detail["loop_nh"] == pytest.approx(inductance, abs=0.002)
    assert finding.harm == pytest.approx(inductance, abs=0.002)


def test_the_narrowest_stroke_makes_the_inductance() -> None:
    """The trace is 2 mm wide but for 0.412427 mm in the gap: the loop is that of the thin wire."""
    wide = {**TRACE, "width": 2.0}
    thin = {**TRACE, "width": WIRE, "points": [[14.5, 10], [18.5, 10]]}
    draws = [
        {**wide, "points": [[2, 10], [14.5, 10]]},
        thin,
        {**wide, "points": [[18.5, 10], [42, 10]]},
    ]
    assert over_a_gap(5, 20, draws=draws).detail["loop_nh"] == pytest.approx(36.382, abs=0.002)


def test_a_crossing_has_the_field_of_its_loop_at_the_knee() -> None:
    """Loop 2 x 5 = 10 mm2, edge 5 ns: knee 0.5 / 5 ns = 100 MHz; 5 mA, 3 m, free space: 2.193 uV/m,
    6.82 dB.

    Electromagnetic Compatibility Engineering (2009), chapter 12; High-Speed Digital Design (1993),
    chapter 1.
    """
    finding = over_a_gap(2, 5, rules={"nets": {"edge_ns": {"SIG": 5.0}}})
    assert finding.detail["knee_mhz"] == pytest.approx(100)
    assert finding.detail["field_db_uv_m"] == pytest.approx(6.82, abs=0.01)
    assert finding.detail["field_assumes"].startswith("5 mA at the knee frequency, free space, 3 m")


@pytest.mark.parametrize(
    "times", [{"SIG": 5.0, "S*": 2.0}, {"SIG": 2.0, "S*": 5.0}, {"S*": 5.0, "SIG": 2.0}]
)
def test_of_two_edge_patterns_the_faster_one_counts(times: dict[str, float]) -> None:
    """Common practice, no source: the knee is that of the fastest edge, 0.5 / 2 ns; harm is by 250
    MHz over 100.
    """
    slow = over_a_gap(2, 5)
    finding = over_a_gap(2, 5, rules={"nets": {"edge_ns": times}})
    assert finding.detail["knee_mhz"] == pytest.approx(250)
    assert finding.harm == pytest.approx(2.5 * slow.harm)


@pytest.mark.parametrize(
    ("first", "second", "length"),
    [
        ((14, 35), (16, 35), 25 + 2 + 25),
        ((14, 35), (16, 38), 25 + 13**0.5 + 28),
        ((14.5, 35), (15.6, 38), 53.9 + (1.1**2 + 9) ** 0.5),
    ],
)
def test_the_way_over_a_part_is_as_long_as_its_pins_are_apart_and_off_the_pours(
    first: tuple[float, float], second: tuple[float, float], length: float
) -> None:
    """Pins on the edges x 14 and 16; slanted; slanted in the gap, 0.5 and 0.4 mm off the pours."""
    pads = [resistor(*first, "R40", "GND_A"), resistor(*second, "R40", "GND_B")]
    (finding,) = crossings(pads=pads, rules={"tie": TIE})
    assert finding.detail["detour_mm"] == pytest.approx(length, abs=0.001)


def test_of_several_ways_back_the_longest_counts() -> None:
    """The trace forks in the gap: to b, tied 5 mm further up, and to c, tied 15 mm further down:
    5+2+5 and 15+2+15.
    """
    pours = [
        {"region": "a", "layer": "L2", "box": [0, 0, 14, 40]},
        {"region": "b", "layer": "L2", "box": [16, 20.5, 30, 40]},
        {"region": "c", "layer": "L2", "box": [16, 0, 30, 19.5]},
    ]
    draws = [
        {**TRACE, "points": [[2, 20], [15, 20]]},
        {**TRACE, "points": [[15, 20], [15, 20.5], [28, 20.5]]},
        {**TRACE, "points": [[15, 20], [15, 19.5], [28, 19.5]]},
    ]
    pads = [
        resistor(14, 25, "R40", "GND_A"), resistor(16, 25, "R40", "GND_B"),
        resistor(14, 5, "R41", "GND_A"), {**resistor(16, 5, "R41", "GND_C"), "pin": "2"},
    ]  # fmt: skip
    ties = [{"between": ["a", "b"], "at": "R40"}, {"between": ["a", "c"], "at": "R41"}]
    (finding,) = crossings(pours=pours, draws=draws, pads=pads, rules={"tie": ties})
    assert finding.regions == ("a", "b", "c")
    assert finding.detail["detour_mm"] == pytest.approx(15 + 2 + 14.5, abs=0.001)
    assert finding.detail["detour_through"] == ["R41"]


def test_findings_of_one_level_stand_in_the_order_of_their_harm() -> None:
    """Tie at y 1: the higher a crossing lies, the longer is its loop; places and names are in other
    orders.
    """
    at = {"S1": 20, "S2": 2, "S3": 34, "S4": 10}
    draws = [{**TRACE, "net": net, "points": [[2, y], [28, y]]} for net, y in at.items()]
    pads = [resistor(13.5, 1, "R40", "GND_A"), resistor(16.5, 1, "R40", "GND_B")]
    found_ = crossings(draws=draws, pads=pads, rules={"tie": TIE})
    assert [f.nets for f in found_] == [("S3",), ("S1",), ("S4",), ("S2",)]


def test_the_loop_of_a_board_is_that_of_the_rectangle_and_near_the_diversion_formula() -> None:
    """A tie 10 mm aside of a trace of 0.2 mm that crosses a gap of 2 mm: the return goes 10 up, 2
    across, 10 down.

    The rectangle of 2 by 10 mm by the formula for round wire (Inductance Calculations, 1946; from
    memory), the strip of 0.2 by 0.035 mm taken for r = 0.2235 (w + t). 5 D ln(D / W) nH, in inches,
    is 7.70 (High-Speed Digital Design, 1993, chapter 5; from memory); it knows no gap, and its 5 nH
    an inch is half of what two wires to and fro have.
    """
    pads = [resistor(x, 20, "R40", net) for x, net in ((14, "GND_A"), (16, "GND_B"))]
    (finding,) = crossings(pads=pads, rules={"tie": [{"between": ["a", "b"], "at": "R40"}]})
    a, b, r, d = 2.0, 10.0, 0.2235 * 0.235, math.hypot(2, 10)
    ends = (
        a * math.log(2 * a / r)
        + b * math.log(2 * b / r)
        - a * math.asinh(a / b)
        - b * math.asinh(b / a)
    )
    assert finding.detail["detour_mm"] == pytest.approx(22, abs=0.001)
    assert finding.detail["loop_area_mm2"] == pytest.approx(20, abs=0.001)
    assert finding.detail["loop_nh"] == pytest.approx(0.4 * (ends + 2 * d - 2 * (a + b)), rel=0.001)
    diversion = 5 * (10 / 25.4) * math.log(10 / 0.2)
    assert diversion == pytest.approx(7.70, abs=0.005)
    assert 0.9 * diversion < finding.detail["loop_nh"] < 2.2 * diversion
