"""How numbers are said, at the borders between units."""

from __future__ import annotations

import pytest

from checker import wording


@pytest.mark.parametrize(
    ("volts", "said"),
    [
        *((1.0, "1 V"), (0.999, "999 mV"), (0.001, "1 mV"), (0.000999, "999 µV")),
        *((-0.5, "-500 mV"), (2500.0, "2.5e+03 V"), (float("inf"), "unlimited")),
    ],
)
def test_voltages_change_their_unit_at_a_thousandth(volts: float, said: str) -> None:
    assert wording.voltage(volts) == said
