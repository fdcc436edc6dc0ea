"""Colours are from a published set for all kinds of colour vision, and never the only cue."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from checker.drawing import palette
from checker.findings import Level

OKABE_ITO = {"#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}
"""Color Universal Design, 2008, figure 16: the eight colours as RGB."""

DICHROMACIES = {
    "protanopia": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritanopia": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}
"""A Physiologically-based Model for Simulation of Color Vision Deficiency, IEEE TVCG 15 (2009), table 1, severity 1.0
(linear RGB); from memory."""


def seen(colour: str, vision: str) -> np.ndarray:
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    matrix = np.array(DICHROMACIES[vision]) if vision in DICHROMACIES else np.eye(3)
    return np.clip(matrix @ linear, 0, 1) ** (1 / 2.2)


def test_every_region_colour_is_in_the_set_and_none_is_a_findings_colour() -> None:
    assert set(palette.REGION_COLOURS) <= OKABE_ITO
    assert not set(palette.REGION_COLOURS) & {palette.BLACK, palette.VERMILLION}


@pytest.mark.parametrize("vision", ["normal", *DICHROMACIES])
def test_two_regions_look_different_to_every_kind_of_colour_vision(vision: str) -> None:
    """By colour (a tenth of full scale apart), or else by an angle of hatch of at least 20
    degrees.
    """
    for a, b in itertools.combinations(range(8), 2):
        look_a, look_b = palette.region_look(a), palette.region_look(b)
        apart = float(np.abs(seen(look_a.colour, vision) - seen(look_b.colour, vision)).max())
        turn = abs(look_a.angle - look_b.angle) % 180
        assert apart > 0.1 or min(turn, 180 - turn) >= 20, (a, b)


def test_neighbouring_regions_differ_in_both_cues() -> None:
    for index in range(30):
        a, b = palette.region_look(index), palette.region_look(index + 1)
        assert a.colour != b.colour
        assert a.angle != b.angle


def test_levels_differ_in_shape() -> None:
    assert len({palette.level_look(level, waived=False).badge for level in Level}) == 3


def contrast(a: str, b: str) -> float:
    """Contrast ratio. Source: W3C, Web Content Accessibility Guidelines 2.2, definitions."""
    light = []
    for colour in (a, b):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
        light.append(0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2])
    return (max(light) + 0.05) / (min(light) + 0.05)


def test_letters_and_marks_have_a_contrast_of_4_5() -> None:
    """Source: W3C, Web Content Accessibility Guidelines 2.2, 1.4.3: words on paper, numbers in
    badges, marks.
    """
    pairs = [
        (palette.INK, palette.PAPER),
        (palette.FAINT, palette.PAPER),
        (palette.BLUE, palette.PAPER),
    ]
    pairs += [
        (colour, palette.PAPER) for colour in (palette.DARK_VERMILLION, *palette.VERDICTS.values())
    ]
    looks = [
        palette.level_look(level, waived=waived) for level in Level for waived in (False, True)
    ]
    pairs += [(look.ink, look.fill) for look in looks]
    pairs += [(palette.INK, palette.BOARD), (palette.FAINT, palette.BOARD)]
    assert {pair: contrast(*pair) for pair in pairs if contrast(*pair) < 4.5} == {}
