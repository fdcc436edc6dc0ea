"""Three lines for each quiet input, whatever is known of it."""

from __future__ import annotations

from typing import Any

import pytest

from checker.findings import Finding, Level
from checker.results.answers import Variant, answers


def told(measured: float, **detail: Any) -> Finding:
    return Finding(
        rule="shared-return",
        level=Level.NOTE,
        message="",
        at=(0, 0),
        nets=("PH_IN",),
        measured=measured,
        required=2e-5,
        unit="V",
        detail=detail,
    )


@pytest.mark.parametrize(
    ("measured", "detail", "copper"),
    [
        (
            1e-5,
            {},
            "shared copper: fits the allowed error with the declared currents, 10 µV of 20 µV",
        ),
        (
            5e-5,
            {},
            "shared copper: exceeds the allowed error with the declared currents, 50 µV of 20 µV",
        ),
        (
            5e-5,
            {"open": ["x"]},
            "shared copper: exceeds the allowed error with the declared currents, 50 µV of 20 µV",
        ),
        (
            1e-5,
            {"open": ["a", "b"]},
            "shared copper: not answered, 10 µV of 20 µV so far; open: a; b",
        ),
        (0.0, {}, "shared copper: fits the allowed error with the declared currents, 0 V of 20 µV"),
    ],
)
def test_shared_copper(measured: float, detail: dict[str, Any], copper: str) -> None:
    """What is open can only add: it turns a fit into no answer, and leaves an excess an excess."""
    (answer,) = answers([told(measured, **detail)])
    assert answer.title == "PH_IN: is isolation needed?"
    assert answer.lines[0] == copper
    assert answer.lines[2] == "safety: not judged here"


@pytest.mark.parametrize(
    ("detail", "said"),
    [
        ({"field_device": "floating"}, "floating, fits"),
        (
            {"field_device": "earthed", "common_mode_v": 12.0},
            "earthed, disturbs by its 12 V of common mode",
        ),
        ({"field_device": "earthed"}, "earthed, disturbs by its common mode, which is not stated"),
        ({"field_device": "unknown"}, "unknown, not answerable from these files"),
        ({}, "unknown, not answerable from these files"),
    ],
)
def test_the_field_device(detail: dict[str, Any], said: str) -> None:
    (answer,) = answers([told(1e-6, **detail)])
    assert answer.lines[1] == f"field device: {said}"


def test_other_layouts_stand_beside_the_board_as_it_is() -> None:
    compared = {
        "regions": ["a", "b"],
        "joined_uv": 48.5,
        "isolated_pf": 4.151,
        "without_parts": ["U3"],
    }
    (answer,) = answers([told(1e-6, what_if=compared)])
    assert answer.layouts == (
        Variant("the board as it is", "1 µV", 1e-6),
        Variant("one unbroken reference for a and b", "48.5 µV", pytest.approx(48.5e-6)),
        Variant("a and b isolated", "no direct current; 4.15 pF left and what U3 have", None),
    )
    (unsure,) = answers([told(1e-6, what_if=compared | {"joined_uv": None})])
    assert unsure.layouts[1] == Variant("one unbroken reference for a and b", "not answered", None)


def test_it_never_says_that_isolation_is_not_needed() -> None:
    for finding in (told(0.0, field_device="floating"), told(1e-9)):
        (answer,) = answers([finding])
        assert "not needed" not in " ".join(answer.lines)
