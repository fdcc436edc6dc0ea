"""Which file is what: file functions, rules, and habits of naming."""

from __future__ import annotations

import pytest

from parsers.board import BOTTOM, INNER, PLATED, PLATING_UNKNOWN, TOP, UNPLATED
from parsers.package.roles import (
    COMPONENT,
    COPPER,
    DRILL,
    NETLIST,
    NOT_NEEDED,
    PROFILE,
    Role,
    by_function,
    by_hint,
    by_name,
)
from parsers.trouble import BoardError

# The Gerber Layer Format Specification 2023.08, 5.6.3, and 2013, 5.2.1, for the older ones.
FUNCTIONS = [
    ("Copper,L1,Top", Role(COPPER, 1, TOP)),
    ("Copper,L12,Inr,Plane", Role(COPPER, 12, INNER)),
    ("Copper,L4,Bot,Signal", Role(COPPER, 4, BOTTOM)),
    ("Copper,L1", Role(COPPER, 1)),
    ("Plated,1,4,PTH", Role(DRILL, plated=PLATED, span=(1, 4))),
    ("Plated,4,1,PTH,Drill", Role(DRILL, plated=PLATED, span=(1, 4))),
    ("Plated,1,2,Blind,Drill", Role(DRILL, plated=PLATED, span=(1, 2))),
    ("NonPlated,1,2,NPTH,Rout", Role(DRILL, plated=UNPLATED, span=(1, 2))),
    ("PTH,Drill", Role(DRILL, plated=PLATED)),
    ("NPTH", Role(DRILL, plated=UNPLATED)),
    ("MixedPlating,1,2", Role(DRILL, span=(1, 2))),
    ("Profile,NP", Role(PROFILE, plated=UNPLATED)),
    ("Profile,P", Role(PROFILE, plated=PLATED)),
    ("Profile", Role(PROFILE)),
    ("Component,L1,Top", Role(COMPONENT, side=TOP)),
    ("Component,L4,Bot", Role(COMPONENT, side=BOTTOM)),
    ("Soldermask,Top,1", Role(NOT_NEEDED)),
    ("Legend,Bot", Role(NOT_NEEDED)),
    ("Vcut", Role(NOT_NEEDED)),
    ("Drillmap", Role(NOT_NEEDED)),
    ("AssemblyDrawing,Top", Role(NOT_NEEDED)),
    ("Other,heater", Role(NOT_NEEDED)),
    ("SolderPaste,Top", Role(NOT_NEEDED)),
    ("Antenna,Top", None),
    ("", None),
]


@pytest.mark.parametrize(("text", "role"), FUNCTIONS)
def test_file_functions(text: str, role: Role | None) -> None:
    """Each value of the format gives its role; an unknown one gives none, so that it is doubted."""
    assert by_function(text.split(",")) == role


NAMES = [
    ("b.gtl", COPPER, TOP, None),
    ("b.GBL", COPPER, BOTTOM, None),
    ("b.g1", COPPER, INNER, None),
    ("b.gp2", COPPER, INNER, None),
    ("b-F_Cu.gbr", COPPER, TOP, None),
    ("b-B.Cu.gbr", COPPER, BOTTOM, None),
    ("b-In3_Cu.gbr", COPPER, INNER, None),
    ("l2_gnd.art", COPPER, None, 2),
    ("board_layer_3.gbr", COPPER, None, 3),
    ("copper_top.gbr", COPPER, TOP, None),
    ("l4_secondary.art", COPPER, None, 4),
    ("top.art", COPPER, TOP, None),
    ("b.gko", PROFILE, None, None),
    ("b-Edge_Cuts.gbr", PROFILE, None, None),
    ("board_outline.ger", PROFILE, None, None),
    ("b.gts", NOT_NEEDED, None, None),
    ("b-F_Mask.gbr", NOT_NEEDED, None, None),
    ("mask_prm.art", NOT_NEEDED, None, None),
    ("silkscreen_top.gbr", NOT_NEEDED, None, None),
    ("fab1.art", NOT_NEEDED, None, None),
    ("paste-bottom.gbr", NOT_NEEDED, None, None),
    ("drill-map.gbr", NOT_NEEDED, None, None),
    ("assembly_top.gbr", NOT_NEEDED, None, None),
    ("b.drl", DRILL, None, None),
    ("paste-dispenser.gtl", COPPER, TOP, None),
    ("paste-dispenser-In1_Cu.gbr", COPPER, INNER, None),
    ("pth.gbr", DRILL, None, None),
    ("lyr1.gbr", COPPER, None, 1),
    ("board-lyr10.gbr", COPPER, None, 10),
    ("b.g2l", COPPER, None, 2),
    ("b.gl3", COPPER, None, 3),
    ("b_mid1.ger", COPPER, INNER, None),
    ("copper2.ger", COPPER, None, 2),
    ("toppaste.ger", NOT_NEEDED, None, None),
    ("TopSolderMask.gbr", NOT_NEEDED, None, None),
    ("solderpaste_layer_1.gbr", NOT_NEEDED, None, None),
]


@pytest.mark.parametrize(("name", "function", "side", "layer"), NAMES)
def test_habits_of_naming(name: str, function: str, side: str | None, layer: int | None) -> None:
    """Common extensions and words (common practice, no source)."""
    role = by_name(name)
    assert role is not None
    assert (role.function, role.side, role.layer) == (function, side, layer)


def test_words_that_all_names_share_tell_the_board() -> None:
    """A board called silk-road keeps its top layer, and its silk screen is none."""
    common = frozenset({"silk", "road"})
    top = by_name("silk-road-top.gbr", common=common)
    legend = by_name("silk-road-legend-top.gbr", common=common)
    assert top is not None
    assert legend is not None
    assert (top.function, legend.function) == (COPPER, NOT_NEEDED)


@pytest.mark.parametrize("name", ["board.gbr", "x17.ger", "demo", "gnd.gbr", "panel.gbr"])
def test_names_that_tell_nothing(name: str) -> None:
    """What could be copper is not guessed away."""
    assert by_name(name) is None


@pytest.mark.parametrize(
    ("name", "plated", "span"),
    [
        ("b-PTH.drl", PLATED, None),
        ("b-NPTH.drl", UNPLATED, None),
        ("b-nonplated.txt", UNPLATED, None),
        ("non_plated.txt", UNPLATED, None),
        ("ncdrill-1-4.drl", PLATING_UNKNOWN, (1, 4)),
        ("b-Plated-L1-L16.drl", PLATED, (1, 16)),
        ("b_pth_l02l04.drl", PLATED, (2, 4)),
        ("rev1_l2.drl", PLATING_UNKNOWN, None),
        ("b_2_1.drl", PLATING_UNKNOWN, (1, 2)),
        ("holes.txt", PLATING_UNKNOWN, None),
    ],
)
def test_drill_names(name: str, plated: int, span: tuple[int, int] | None) -> None:
    """Plating and layer span, if a name tells them."""
    role = by_name(name, drill=True)
    assert role is not None
    assert (role.function, role.plated, role.span) == (DRILL, plated, span)


HINTS = [
    ("L3", Role(COPPER, 3)),
    ("l3 negative", Role(COPPER, 3, negative=True)),
    ("plated", Role(DRILL, plated=PLATED)),
    ("unplated 2-1", Role(DRILL, plated=UNPLATED, span=(1, 2))),
    ("profile", Role(PROFILE, plated=UNPLATED)),
    ("profile plated", Role(PROFILE, plated=PLATED)),
    ("netlist", Role(NETLIST)),
    ("component bottom", Role(COMPONENT, side=BOTTOM)),
    ("not needed", Role(NOT_NEEDED)),
    ("Copper,L2,Inr", Role(COPPER, 2, INNER)),
    ("bottom", Role(COPPER, side=BOTTOM)),
    ("top negative", Role(COPPER, side=TOP, negative=True)),
    ("inner 2", Role(COPPER, side=INNER)),
    ("mm 3.3, leading zeros kept", Role(DRILL)),
    ("drill 1-2, inch 2.4", Role(DRILL, span=(1, 2))),
]


@pytest.mark.parametrize(("value", "role"), HINTS)
def test_values_of_the_rules(value: str, role: Role) -> None:
    """Everything that `[files]` of the rules may say."""
    found = by_hint("f", value)
    assert (found.function, found.layer, found.side, found.plated, found.span, found.negative) == (
        role.function,
        role.layer,
        role.side,
        role.plated,
        role.span,
        role.negative,
    )


@pytest.mark.parametrize(
    "value",
    [
        "L0",
        "L",
        "layer 1",
        "platted",
        "plated 1",
        "",
        "Coppper,L1",
        "plated, yard 3.3",
        "L1, mm 3.3",
        "inner 0",
    ],
)
def test_wrong_values_of_the_rules_are_errors(value: str) -> None:
    """A misspelt value names itself and the choices."""
    with pytest.raises(BoardError, match="is no layer or function; use L1, top, bottom, plated"):
        by_hint("f", value)
