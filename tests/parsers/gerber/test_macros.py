"""Aperture macros: expressions, primitives, exposure, rotation.

Rules: The Gerber Layer Format Specification 2023.08, 4.5; deprecated primitives 8.2. Areas worked
by hand.
"""

from __future__ import annotations

import math
import subprocess
import sys

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.gerber.macros import MacroError, compose_macro, expression_size, read_macro
from parsers.gerber.outlines import Round
from tests.parsers.gerber.layers import assert_area

PARAMETERS = (2.0, 3.0, -1.0)


def value(expression: str) -> float:
    """Value of an expression with $1 = 2, $2 = 3, $3 = -1: a box 1 high is that plus 1000 long."""
    shape = compose_macro(
        read_macro([f"21,1,1000+({expression}),1,0,0,0"]), PARAMETERS, Round()
    ).shape
    return float(shape.area) - 1000


@pytest.mark.parametrize(
    ("expression", "expected"),
    [
        ("1+2x3", 7),
        ("(1+2)x3", 9),
        ("12/3/2", 2),
        ("12/3x2", 8),
        ("10-4-3", 3),
        ("2X3", 6),
        ("$1x$2", 6),
        ("$9", 0),
        ("$3", -1),
        ("-$1+5", 3),
        ("4x-$1", -8),
        ("--4", 4),
        ("+.5+5.", 5.5),
        ("1/4", 0.25),
        ("((($1)))", 2),
        (" 1 + 1 ", 2),
    ],
)
def test_expression(expression: str, expected: float) -> None:
    """Products bind tighter than sums, both go left to right, division is decimal, undefined is 0
    (4.5.4.3).
    """
    assert value(expression) == pytest.approx(expected)


operands = st.integers(1, 9).map(str) | st.sampled_from(["$1", "$2", "0.5"])
expressions = st.recursive(
    operands,
    lambda inner: (
        st.builds("{}{}{}".format, inner, st.sampled_from("+-x/"), inner) | inner.map("({})".format)
    ),
    max_leaves=8,
)


@given(expressions)
@settings(deadline=None, max_examples=60)
def test_expressions_are_those_of_arithmetic(expression: str) -> None:
    """An expression has the value that ordinary arithmetic gives it."""
    plain = expression.replace("x", "*").replace("$1", "2.0").replace("$2", "3.0")
    try:
        expected = float(eval(plain))
    except ZeroDivisionError:
        return
    if abs(expected) < 900:
        assert value(expression) == pytest.approx(expected, abs=1e-6)


PRIMITIVES = {
    "1,1,2,5,5": math.pi,
    "1,1,2,5,5,90": math.pi,
    "1,1,0,5,5": 0.0,
    "20,1,0.5,0,0,4,3,0": 2.5,
    "2,1,0.5,0,0,4,3,0": 2.5,
    "20,1,0.5,1,2,5,5,0": 2.5,
    "20,1,0.5,-1,-2,2,2,0": 2.5,
    "20,1,0.5,1,1,1,1,0": 0.0,
    "21,1,3,2,1,1,30": 6.0,
    "22,1,3,2,1,1,30": 6.0,
    "4,1,3,0,0,4,0,0,3,0,0,45": 6.0,
    "4,1,3,0,0,4,0,0,3,0,0": 6.0,
    "5,1,4,0,0,2,0": 2.0,
    "7,0,0,2,0,0.2,0": math.pi - 2 * 0.2 * 2 + 0.04 + 4 * 0.00033,
    "6,0,0,2,0.5,0.5,1,0,0,0": math.pi * (1 - 0.25),
    "6,0,0,2,2,0.5,5,0,0,0": math.pi,
    "6,0,0,2,0.1,0.2,0,0.1,3,0": 2 * 0.3 - 0.01,
}


@pytest.mark.parametrize("word", PRIMITIVES)
def test_primitive(word: str) -> None:
    """Each primitive has the area of its definition."""
    shape = compose_macro(read_macro([word]), (), Round()).shape
    expected = PRIMITIVES[word]
    assert_area(shape, expected, digits=1e-3 if word.startswith("7") else 1e-6)


@pytest.mark.parametrize(
    ("word", "centre"),
    [
        ("21,1,2,1,3,0,90", (0, 3)),
        ("22,1,2,1,3,0,90", (-0.5, 4)),
        ("20,1,1,2,0,4,0,180", (-3, 0)),
        ("1,1,1,3,0,90", (0, 3)),
        ("5,1,6,3,0,1,90", (0, 3)),
        ("7,3,0,1,0.5,0.1,90", (0, 3)),
        ("6,3,0,1,0.1,0.1,2,0.1,1,90", (0, 3)),
        ("4,1,4,2,-1,4,-1,4,1,2,1,2,-1,90", (0, 3)),
    ],
)
def test_rotation_is_about_the_origin(word: str, centre: tuple[float, float]) -> None:
    """Every primitive turns about the macro's origin, not about its own centre (4.5.3)."""
    found = compose_macro(read_macro([word]), (), Round()).shape.centroid
    assert (found.x, found.y) == pytest.approx(centre, abs=1e-3)


def test_exposure_off_acts_on_earlier_primitives_only() -> None:
    """A hole is cut from what the macro has so far; what follows lies on top (4.5.2)."""
    words = ["21,1,4,4,0,0,0", "21,0,2,2,0,0,0", "21,1,1,1,0,0,0"]
    assert compose_macro(read_macro(words), (), Round()).shape.area == pytest.approx(16 - 4 + 1)


def test_variables_are_set_in_order() -> None:
    """An assignment holds for what follows it; a later one of the same variable replaces it."""
    words = [
        "$4=$1+1",
        "21,1,$4,1,0,0,0",
        "$4=$4x2",
        "21,1,$4,1,0,5,0",
        "0 $4 is not read in comments = 3",
    ]
    assert compose_macro(read_macro(words), (2.0,), Round()).shape.area == pytest.approx(3 + 6)


def test_round_parts_on_either_side() -> None:
    """A donut for copper contains the true one, a donut that clears lies inside it, hole
    included.
    """
    words = read_macro(["1,1,4,0,0", "1,0,2,0,0"])
    outer, inner = (compose_macro(words, (), Round(inside)).shape for inside in (False, True))
    assert inner.area < math.pi * 3 < outer.area
    assert inner.difference(outer).area < 1e-9
    assert outer.area - inner.area < 0.002 * (4 + 2) * math.pi


def test_tolerance_does_not_depend_on_the_unit() -> None:
    """A circle given in inches is as close to the true one as the same circle given in mm."""
    inches = compose_macro(read_macro(["1,1,$1,0,0"]), (1.0,), Round(unit=25.4)).shape
    mm = compose_macro(read_macro(["1,1,$1,0,0"]), (25.4,), Round()).shape
    assert inches.area * 25.4**2 == pytest.approx(mm.area)


@pytest.mark.parametrize(
    "words",
    [
        ["3,1,1,0,0"],
        ["21,1,1,1,0,0"],
        ["21,1,1,1,0,0,0,0"],
        ["21,2,1,1,0,0,0"],
        ["21,1,-1,1,0,0,0"],
        ["1,1,-1,0,0"],
        ["5,1,2,0,0,1,0"],
        ["5,1,13,0,0,1,0"],
        ["5,1,3.5,0,0,1,0"],
        ["4,1,2,0,0,1,0,0,0,0"],
        ["4,1,9,0,0,1,0,1,1,0,0,0"],
        ["4,1,3,0,0,1,0,1,1,0,0,0,0"],
        ["7,0,0,1,1,0.1,0"],
        ["7,0,0,1,0.5,0.9,0"],
        ["6,0,0,-1,0,0,0,0,0,0"],
        ["1,1,1/0,0,0"],
        ["1,1,$1/$9,0,0"],
        ["1,1,(1,0,0"],
        ["1,1,1+,0,0"],
        ["1,1,1e3,0,0"],
        ["1,1,a,0,0"],
        ["1,1," + "(" * 41 + "1" + ")" * 41 + ",0,0"],
        ["1,1," + "-" * 300 + "1,0,0"],
        ["$1=" + "9" * 400, "1,1,$1x$1,0,0"],
        ["LPD"],
        ["1,1,1,0,0"] * 1001,
    ],
)
def test_what_cannot_be_composed_is_an_error(words: list[str]) -> None:
    """A macro outside the grammar or with impossible values is refused as a whole, never composed
    in part.
    """
    with pytest.raises(MacroError):
        compose_macro(read_macro(words), (1.0,), Round())


@pytest.mark.parametrize(
    ("word", "area"),
    [("4,1,3,0,0,4,0,4,4,0,4,0", 16.0), ("4,1,4,0,0,4,4,4,0,0,4,0,0,0", 8.0)],
    ids=["open", "crossing"],
)
def test_outline_that_may_be_read_in_several_ways(word: str, area: float) -> None:
    """An open outline is closed and a crossing one filled by its winding, but both are told to be
    invalid.
    """
    found = compose_macro(read_macro([word]), (), Round())
    assert not found.valid
    assert shapely.area(found.shape) == pytest.approx(area)


def test_size_of_expressions() -> None:
    """Only fields that are no plain numbers count, so that long outlines stay cheap."""
    assert expression_size(["4,1,3,0,0,1,-1.5,+2,.5,0"]) == 0
    assert expression_size(["$4=$1x2", "1,1,$4,0,0"]) == len("$4") + len("$1x2") + len("$4")


def test_macros_may_be_read_side_by_side() -> None:
    """Layers are read in threads; a fresh interpreter, since the grammar learns at its first
    use.
    """
    program = (
        "from concurrent.futures import ThreadPoolExecutor\n"
        "from parsers.gerber.macros import read_macro\n"
        "words = [[f'1,1,$1+{n}x2.5,-$2,($3+1)/{n}'] for n in range(1, 400)]\n"
        "with ThreadPoolExecutor(8) as pool:\n"
        "    print(len(list(pool.map(read_macro, words))))\n"
    )
    for _ in range(3):
        found = subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, check=False
        )
        assert found.stdout == "399\n", found.stderr
