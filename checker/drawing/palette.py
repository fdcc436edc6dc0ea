"""Colours of regions and levels, each with a second cue: a hatch for regions, a badge shape for
levels.

The colours are the eight of Okabe and Ito's set for every kind of colour vision ("Color Universal
Design", 2008); black and vermillion are kept for findings, so that a region never looks like one.
Vermillion and green carry white letters or stand as thin lines, so both are darkened until the
contrast to white is 4.5 (WCAG 2.2, 1.4.3 and 1.4.11). The hatches are the product's own.
"""

from __future__ import annotations

from dataclasses import dataclass

from checker.findings import Level

BLACK, ORANGE, SKY, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
YELLOW, BLUE, VERMILLION, PURPLE = "#F0E442", "#0072B2", "#D55E00", "#CC79A7"
DARK_VERMILLION, DARK_GREEN = "#A34400", "#00704F"

INK, FAINT, PAPER, BOARD = "#1a1a1a", "#5c5c5c", "#ffffff", "#f4f2ec"
BEYOND = "#dcdcdc"  # copper on another layer that a finding speaks of
COPPER, AREA, PAD, HOLE = "#6f6f6f", "#a9a9a9", "#8d8d8d", "#ffffff"

REGION_COLOURS = (SKY, ORANGE, GREEN, PURPLE, BLUE, YELLOW)
# degrees; 5 hatches by 6 colours: the pair repeats after 30 regions
HATCH_ANGLES = (45, -45, 0, 90, 22)


@dataclass(frozen=True, slots=True)
class RegionLook:
    """How a region is told apart: colour, and hatch angle in degrees for eyes that do not tell the
    colours.
    """

    colour: str
    angle: int


@dataclass(frozen=True, slots=True)
class LevelLook:
    """How a level's callout is told apart: badge shape, its fill, its edge and the ink of its
    number.
    """

    badge: str  # circle | square | pill
    fill: str
    edge: str
    ink: str


LEVELS = {
    Level.ERROR: LevelLook("circle", DARK_VERMILLION, PAPER, PAPER),
    Level.WARNING: LevelLook("square", BLACK, PAPER, PAPER),
    Level.NOTE: LevelLook("pill", PAPER, BLACK, BLACK),
}
WAIVED = LevelLook("pill", PAPER, FAINT, FAINT)

VERDICTS = {"pass": DARK_GREEN, "fail": DARK_VERMILLION, "incomplete": BLACK}


def region_look(index: int) -> RegionLook:
    """Give the look of the region with this place in the rules file."""
    return RegionLook(
        REGION_COLOURS[index % len(REGION_COLOURS)], HATCH_ANGLES[index % len(HATCH_ANGLES)]
    )


def level_look(level: Level, *, waived: bool) -> LevelLook:
    """Give the look of a callout."""
    return WAIVED if waived else LEVELS[level]


# Nine steps of viridis, a map of even steps of lightness that holds for every kind of colour vision
# ("A Better Default Colormap", 2015; values from memory, their lightness is tested).
DENSITY = (
    "#440154",
    "#472d7b",
    "#3b528b",
    "#2c728e",
    "#21918c",
    "#28ae80",
    "#5ec962",
    "#addc30",
    "#fde725",
)


def density_colour(place: float) -> str:
    """Give the colour of a place between 0 (thin) and 1 (dense): the lightest is the thinnest, on
    light paper.
    """
    return DENSITY[round((1 - place) * (len(DENSITY) - 1))]
