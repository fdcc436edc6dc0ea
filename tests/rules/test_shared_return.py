"""Every named board gives exactly its expected shared-return findings, whichever format carried
it.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from checker.returns import quiet_inputs
from checker.returns.quiet_inputs import currents_of
from checker.rules import registry
from checker.rules.shared_return import doubts
from tests.boards import WAYS, Case, Way, built_directly, cases, differences, found, layout_of


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("case", cases("shared_return"), ids=str)
def test_case(case: Case, way: Way, tmp_path: Path) -> None:
    assert (
        differences(found(way(case.sketch, tmp_path), case.rules, "shared-return"), case.expect)
        == []
    )


STRIP = cases("shared_return")[0]


def test_the_detail_says_the_voltage_in_microvolts() -> None:
    """4 squares of 0.492571 mohm, 500 A: 0.985143 V, within a tenth of a percent."""
    (told,) = found(built_directly(STRIP.sketch), STRIP.rules, "shared-return")
    assert told.detail["dc_uv"] == pytest.approx(985143, rel=1e-3)
    (share,) = told.detail["currents"]
    assert share["dc_uv"] == pytest.approx(985143, rel=1e-3)


@pytest.mark.parametrize(
    ("old", "new", "what", "why"),
    [
        (
            'from = "J1.1"',
            'from = "J1.2"',
            "pin J1.2 is on GND, not on IN",
            'quiet_input[0].from; did you mean "J1.1"?',
        ),
        (
            'to = "P2.1"',
            'to = "U1.1"',
            "pin U1.1 is on IN, not on VB",
            "correct the pin or the net of current[0].to",
        ),
        (
            'back = ["P2.2"',
            'back = ["P2.1"',
            "no copper joins P2.1 and P1.2 of current motor",
            "P2.1 is on VB, P1.2 on GND",
        ),
        (
            'ground = ["J1.2"',
            'ground = ["J1.1"',
            "no copper joins J1.1 and U1.2 of input IN",
            "the copper ends between",
        ),
        (
            "dc = 500",
            "dc = 500, ripple = 1, frequency = 1e6",
            "the ripple of motor was not computed",
            "no copper of VB leads from P1.1 to P2.1; only direct",
        ),
        (
            "allowed = 0.5",
            "allowed = 0.985142857117",
            "a finer grid could turn what is told of input IN",
            "give or take",
        ),
    ],
)
def test_what_leaves_the_question_open_is_a_doubt(old: str, new: str, what: str, why: str) -> None:
    """Each mistake in the rules file, and what is said of it."""
    assert STRIP.rules.count(old) == 1
    layout = layout_of(built_directly(STRIP.sketch), STRIP.rules.replace(old, new))
    told = list(doubts(layout))
    assert [doubt.what for doubt in told] == [what]
    assert why in told[0].why
    assert told[0].place.element.startswith(("current[0].", "quiet_input[0]."))


@pytest.mark.parametrize(
    ("tie", "told"),
    [
        ("", ["P2.2 is on GND_B, P1.2 on GND: two nets that no [[tie]] joins"]),
        ('tie = [{ between = ["a", "b"] }]', []),
    ],
)
def test_a_current_that_returns_by_two_nets_needs_a_tie(tie: str, told: list[str]) -> None:
    """Copper of both meets under the pad: with a tie that is meant, without one it is a doubt."""
    pads = tuple(
        replace(pad, net="GND_B") if (pad.refdes, pad.pin) == ("P2", "2") else pad
        for pad in STRIP.sketch.pads
    )
    regions = STRIP.rules.replace(
        'nets = ["*"] } }', 'nets = ["*"] }, b = { reference = ["GND_B"], nets = [] } }'
    )
    assert 'reference = ["GND_B"]' in regions
    layout = layout_of(built_directly(replace(STRIP.sketch, pads=pads)), f"{regions}\n{tie}")
    assert [doubt.what for doubt in doubts(layout)] == told


def test_a_number_that_is_not_whole_says_what_is_not_in_it() -> None:
    rules = STRIP.rules.replace("dc = 500", "dc = 50, ripple = 1, frequency = 1e6")
    (finding,) = registry()["shared-return"].find(layout_of(built_directly(STRIP.sketch), rules))
    assert "in series with IN so far fit 500 mV allowed" in finding.message
    assert finding.message.endswith("; not in it: the ripple of motor")
    missing = STRIP.rules.replace('"P2.2", "P1.2"', '"P2.2", "P9.2"')
    (finding,) = registry()["shared-return"].find(layout_of(built_directly(STRIP.sketch), missing))
    assert finding.message.endswith(
        "0 V between J1.2 and U1.2 in series with IN so far fit 500 mV allowed; not in it: motor"
    )


def test_a_sound_board_leaves_nothing_open() -> None:
    assert list(doubts(layout_of(built_directly(STRIP.sketch), STRIP.rules))) == []


def test_copper_of_unknown_thickness_is_taken_thin_and_doubted() -> None:
    """0.017 mm instead of 0.035: 35 / 17 times the voltage."""
    layout = layout_of(built_directly(replace(STRIP.sketch, thickness=None)), STRIP.rules)
    told = list(doubts(layout))
    assert [doubt.what for doubt in told] == ["copper thickness of L1 is not known"]
    assert "0.017 mm is used" in told[0].why
    (finding,) = registry()["shared-return"].find(layout)
    assert finding.measured == pytest.approx(0.985143 * 35 / 17, rel=1e-5)


def test_pins_that_are_not_on_the_board_are_doubts_with_the_nearest_names() -> None:
    """Told where rules are bound to the board, whether or not the rule runs."""
    layout = layout_of(built_directly(STRIP.sketch), STRIP.rules.replace('"U1.2"', '"U1.3"'))
    (told,) = layout.doubts
    assert told.what == 'pin "U1.3" is not on the board'
    assert 'did you mean "U1.' in told.why
    assert list(registry()["shared-return"].find(layout)) == []


@pytest.mark.parametrize(
    ("left_out", "why"),
    [("current", "no [[current]] is declared"), ("quiet_input", "no [[quiet_input]] is declared")],
)
def test_without_its_keys_it_does_not_run_and_says_so(left_out: str, why: str) -> None:
    lines = [line for line in STRIP.rules.splitlines() if not line.startswith(left_out)]
    assert (
        registry()["shared-return"].why_not(
            layout_of(built_directly(STRIP.sketch), "\n".join(lines))
        )
        == why
    )


@pytest.mark.parametrize(
    ("told", "error"),
    [
        ((22.652, 22.677), 0.22677),  # one small step may be luck: never less than 1 %
        ((22.4, 22.677, 22.68), 0.277),  # the larger of the last two
        ((20.0, 22.677, 22.678, 22.68), 0.2268),  # not one before those
    ],
)
def test_the_stated_error_is_the_larger_of_two_halvings(
    told: tuple[float, ...], error: float
) -> None:
    (declared,) = layout_of(built_directly(STRIP.sketch), STRIP.rules).once(currents_of).currents
    (share,) = quiet_inputs._shares([declared], [[volts] for volts in told])
    assert share.ohms == told[-1]
    assert share.error == pytest.approx(error)


@pytest.mark.parametrize(
    ("allowed", "finer"), [(0.5, False), (0.96, True), (1.02, True), (1.2, False)]
)
def test_near_what_is_allowed_the_grid_is_as_fine_as_can_be(allowed: float, finer: bool) -> None:
    """0.98514 V are told: 3 % is near, 22 % is not, and there 0.125 mm is fine enough."""
    rules = STRIP.rules.replace("allowed = 0.5", f"allowed = {allowed}")
    (answer,) = layout_of(built_directly(STRIP.sketch), rules).once(currents_of).answers
    assert (answer.cells[1] < 0.125) == finer
    assert answer.decided


def test_against_an_excess_of_ripple_the_loops_are_made_small() -> None:
    """The way back of a direct current is another matter: what the rule's manual says helps."""
    rippled = next(
        case for case in cases("shared_return") if case.name.startswith("ripple_couples")
    )
    (told,) = found(built_directly(rippled.sketch), rippled.rules, "shared-return")
    assert told.hint is not None
    assert told.hint.startswith("Lead VB over one unbroken reference")
    fits = rippled.rules.replace("allowed = 0.01", "allowed = 0.1")
    (told,) = found(built_directly(rippled.sketch), fits, "shared-return")
    assert told.hint is None
    (told,) = found(built_directly(STRIP.sketch), STRIP.rules, "shared-return")
    assert told.hint is None
