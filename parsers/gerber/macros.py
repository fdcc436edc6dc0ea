"""Aperture macros: bodies read once, evaluated for each aperture, composed to one flat shape.

The Gerber Layer Format Specification 2023.08, 4.5. The grammar of a body, a list of words:

    body       = { comment | assignment | primitive }
    comment    = "0" text
    assignment = variable "=" expression
    primitive  = code { "," expression }
    expression = term { ("+" | "-") term }
    term       = factor { ("x" | "X" | "/") factor }
    factor     = [ "+" | "-" ] ( number | variable | "(" expression ")" )
    variable   = "$" digits

Undefined variables are 0. A sign may stand before any factor, which is more than the specification
grants. A primitive with exposure 0 makes a hole in what the macro has so far, never in what lies
below the flash. Rotation turns about the macro's origin.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby
from threading import Lock
from typing import Any

import numpy as np
import pyparsing as pp
import shapely
from shapely import affinity

from parsers.gerber.outlines import Filled, Round, fill, regular

MAX_DEPTH = 40  # nested brackets; more is no macro but an attack
MAX_WORDS = 1_000  # of one macro
MAX_LENGTH = 500  # characters of an expression
MAX_CORNERS = 5_000  # of an outline, by the specification

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")
_ASSIGNMENT = re.compile(r"\$([0-9]{1,9})=(.*)", re.DOTALL)

# a number, a variable's number as text, or (operator, operand ...)
Expression = float | str | tuple[Any, ...]


class MacroError(ValueError):
    """A macro that cannot be composed, and why."""


@dataclass(frozen=True, slots=True)
class Statement:
    """One word of a macro: an assignment (variable set, one value) or a primitive (code and
    values).
    """

    variable: str | None
    code: int
    values: tuple[Expression, ...]


Macro = tuple[Statement, ...]


def read_macro(words: Sequence[str]) -> Macro:
    """Read the body of a macro.

    Raises
    ------
    MacroError
        if a word fits the grammar nowhere
    """
    if len(words) > MAX_WORDS:
        raise MacroError(f"a macro of {len(words)} words")
    statements = (_statement(word) for word in words)
    return tuple(s for s in statements if s is not None)


def expression_size(words: Sequence[str]) -> int:
    """Characters of a body that need the grammar, which is slow."""
    return sum(
        len(field)
        for word in words
        for field in re.split("[,=]", word)
        if not _NUMBER.fullmatch(field.strip())
    )


def compose_macro(macro: Macro, parameters: Sequence[float], rounding: Round) -> Filled:
    """Compose the shape of a macro with the parameters of its aperture definition.

    The shape is not `valid` where an outline crosses itself or is not closed.

    Parameters
    ----------
    macro : what `read_macro` gave
    parameters : values of $1, $2 ..., file unit
    rounding : whether the shape may nowhere be too large (inscribed), or nowhere too small
        (circumscribed)

    Raises
    ------
    MacroError
        if a value or a primitive is not allowed

    Examples
    --------
    >>> ring = compose_macro(read_macro(["1,1,$1,0,0", "1,0,$1x0.5,0,0"]), [4.0], Round())
    >>> round(ring.shape.area, 1)
    9.4
    """
    variables = {str(number + 1): value for number, value in enumerate(parameters)}
    parts: list[tuple[bool, Filled]] = []
    for statement in macro:
        values = [_value(expression, variables) for expression in statement.values]
        if statement.variable is not None:
            variables[statement.variable] = values[0]
        else:
            parts.append(_part(statement.code, values, rounding))
    shape: shapely.Geometry = shapely.Polygon()
    for on, run in groupby(parts, key=lambda part: part[0]):
        ink = shapely.union_all([filled.shape for _, filled in run])
        shape = shapely.union(shape, ink) if on else shapely.difference(shape, ink)
    return Filled(shape, valid=all(filled.valid for _, filled in parts))


def _statement(word: str) -> Statement | None:
    text = re.sub(r"\s+", "", word)
    if re.match(r"0(\s|$|[^0-9.,])", word) or not text or text == "0":
        return None
    assignment = _ASSIGNMENT.fullmatch(text)
    if assignment:
        return Statement(str(int(assignment[1])), 0, (_expression(assignment[2]),))
    code, *values = text.split(",")
    if not code.isdigit() or int(code) not in _PRIMITIVES:
        raise MacroError(f"no primitive {code[:20]!r}")
    return Statement(None, int(code), tuple(_expression(value) for value in values))


def _expression(text: str) -> Expression:
    """Read an expression; plain numbers, by far the most, need no grammar."""
    if _NUMBER.fullmatch(text):
        return float(text)
    return _parsed(text)


@lru_cache(maxsize=4096)
def _parsed(text: str) -> Expression:
    if text.count("(") > MAX_DEPTH or len(text) > MAX_LENGTH:
        raise MacroError("an expression that is nested or long beyond reason")
    try:
        with _ONE_AT_A_TIME:
            result: Expression = _GRAMMAR.parse_string(text, parse_all=True)[0]
    except (pp.ParseBaseException, RecursionError) as trouble:
        raise MacroError(f"no expression {text[:40]!r}") from trouble
    return result


def _grammar() -> pp.ParserElement:
    """The grammar of expressions; actions take all three arguments, since the library tries out
    fewer ones one by one, and layers may be read side by side.
    """
    number = pp.Regex(r"[0-9]+\.?[0-9]*|\.[0-9]+").set_parse_action(lambda _, __, t: float(t[0]))
    variable = pp.Combine(pp.Suppress("$") + pp.Word(pp.nums, max=9)).set_parse_action(
        lambda _, __, t: str(int(t[0]))
    )
    expression = pp.Forward()
    operand = number | variable | pp.Suppress("(") + expression + pp.Suppress(")")
    factor = pp.Forward()
    signed = (pp.one_of("+ -") + factor).set_parse_action(lambda _, __, t: (t[0], 0.0, t[1]))
    factor <<= signed | operand
    term = (factor + pp.ZeroOrMore(pp.one_of("x X /") + factor)).set_parse_action(_leftward)
    expression <<= (term + pp.ZeroOrMore(pp.one_of("+ -") + term)).set_parse_action(_leftward)
    return expression


def _leftward(_: str, __: int, tokens: pp.ParseResults) -> Expression:
    """Fold operand, operator, operand ... from the left."""
    items = list(tokens)
    value: Expression = items[0]
    for operator, operand in zip(items[1::2], items[2::2], strict=True):
        value = (operator.lower(), value, operand)
    return value


_GRAMMAR = _grammar()
_ONE_AT_A_TIME = Lock()  # the library's grammars are not made for several threads


def _value(expression: Expression, variables: Mapping[str, float]) -> float:
    if isinstance(expression, float):
        return expression
    if isinstance(expression, str):
        return variables.get(expression, 0.0)
    operator, left, right = expression
    a, b = _value(left, variables), _value(right, variables)
    if operator == "/" and b == 0:
        raise MacroError("a division by zero")
    value = {"+": a + b, "-": a - b, "x": a * b}[operator] if operator != "/" else a / b
    if not math.isfinite(value):
        raise MacroError("a value without bound")
    return value


def _part(code: int, values: Sequence[float], rounding: Round) -> tuple[bool, Filled]:
    """Make one primitive, and tell whether it adds or makes a hole."""
    primitive = _PRIMITIVES[code]
    if not primitive.least <= len(values) <= (primitive.most or len(values)):
        raise MacroError(f"primitive {code} with {len(values)} values")
    on = True
    if primitive.exposed:
        if values[0] not in (0.0, 1.0):
            raise MacroError(f"exposure {values[0]:g}")
        on, values = values[0] == 1.0, values[1:]
    made = primitive.make(values, rounding if on else rounding.reverse())
    filled = made if isinstance(made, Filled) else Filled(made, valid=True)
    turned = affinity.rotate(filled.shape, primitive.turned(values), origin=(0, 0))
    return on, Filled(turned, filled.valid)


@dataclass(frozen=True, slots=True)
class _Primitive:
    """How many values a primitive takes, whether the first is its exposure, how it is made from the
    others.
    """

    make: Callable[[Sequence[float], Round], shapely.Geometry | Filled]
    least: int
    most: int  # 0 = any number
    exposed: bool = True
    turned: Callable[[Sequence[float]], float] = lambda values: values[-1]


def _circle(values: Sequence[float], rounding: Round) -> shapely.Geometry:
    diameter, x, y = values[:3]
    return rounding.circle(x, y, _size(diameter) / 2)


def _vector_line(values: Sequence[float], _: Round) -> shapely.Geometry:
    width, x0, y0, x1, y1 = values[:5]
    length = math.hypot(x1 - x0, y1 - y0)
    if length == 0 or _size(width) == 0:
        return shapely.Polygon()
    nx, ny = (y0 - y1) / length * width / 2, (x1 - x0) / length * width / 2
    return shapely.Polygon(
        [(x0 + nx, y0 + ny), (x0 - nx, y0 - ny), (x1 - nx, y1 - ny), (x1 + nx, y1 + ny)]
    )


def _centre_line(values: Sequence[float], _: Round) -> shapely.Geometry:
    width, height, x, y = values[:4]
    return _box(x - _size(width) / 2, y - _size(height) / 2, width, height)


def _lower_left_line(values: Sequence[float], _: Round) -> shapely.Geometry:
    width, height, x, y = values[:4]
    return _box(x, y, _size(width), _size(height))


def _box(x: float, y: float, width: float, height: float) -> shapely.Geometry:
    return shapely.box(x, y, x + width, y + height) if width and height else shapely.Polygon()


def _outline(values: Sequence[float], _: Round) -> Filled:
    count = int(values[0])
    if count != values[0] or not 3 <= count <= MAX_CORNERS or len(values) < 2 * count + 3:
        raise MacroError(f"an outline of {values[0]:g} segments with {len(values)} values")
    points = np.array(values[1 : 2 * count + 3]).reshape(-1, 2)
    if (points[0] != points[-1]).any():
        return Filled(fill(np.vstack((points, points[:1]))).shape, valid=False)
    return fill(points)


def _outline_turn(values: Sequence[float]) -> float:
    """Rotation of an outline: optional in old files, so it must not be taken for a coordinate."""
    place = 2 * int(values[0]) + 3
    if len(values) > place + 1:
        raise MacroError("an outline with too many values")
    return values[place] if len(values) > place else 0.0


def _polygon(values: Sequence[float], _: Round) -> shapely.Geometry:
    count, x, y, diameter = values[:4]
    if count != int(count) or not 3 <= count <= 12:
        raise MacroError(f"a polygon of {count:g} vertices")
    return regular(x, y, _size(diameter) / 2, int(count))


def _moire(values: Sequence[float], rounding: Round) -> shapely.Geometry:
    x, y, outer, thickness, gap, most, cross, length = values[:8]
    if min(outer, thickness, gap, cross, length) < 0 or most > 1000:
        raise MacroError("a moire pattern with impossible sizes")
    parts = [
        _box(x - length / 2, y - cross / 2, length, cross),
        _box(x - cross / 2, y - length / 2, cross, length),
    ]
    diameter = outer
    for _ in range(int(most)):
        if diameter <= 0 or (thickness == 0 and gap == 0):
            break
        hole = max(diameter - 2 * thickness, 0.0)
        parts.append(_ring(x, y, diameter, hole, rounding))
        diameter -= 2 * (thickness + gap)
    return shapely.union_all(parts)


def _ring(x: float, y: float, outer: float, hole: float, rounding: Round) -> shapely.Geometry:
    return shapely.difference(
        rounding.circle(x, y, outer / 2), rounding.reverse().circle(x, y, hole / 2)
    )


def _thermal(values: Sequence[float], rounding: Round) -> shapely.Geometry:
    x, y, outer, hole, gap = values[:5]
    if not 0 <= hole < outer or not 0 <= gap < outer / math.sqrt(2):
        raise MacroError("a thermal with impossible sizes")
    cross = [
        _box(x - outer, y - gap / 2, 2 * outer, gap),
        _box(x - gap / 2, y - outer, gap, 2 * outer),
    ]
    return shapely.difference(_ring(x, y, outer, hole, rounding), shapely.union_all(cross))


def _size(value: float) -> float:
    if value < 0:
        raise MacroError(f"a negative size {value:g}")
    return value


def _circle_turn(values: Sequence[float]) -> float:
    return values[3] if len(values) > 3 else 0.0


_PRIMITIVES = {
    1: _Primitive(_circle, 4, 5, turned=_circle_turn),
    2: _Primitive(_vector_line, 7, 7),
    20: _Primitive(_vector_line, 7, 7),
    21: _Primitive(_centre_line, 6, 6),
    22: _Primitive(_lower_left_line, 6, 6),
    4: _Primitive(_outline, 8, 0, turned=_outline_turn),
    5: _Primitive(_polygon, 6, 6),
    6: _Primitive(_moire, 9, 9, exposed=False),
    7: _Primitive(_thermal, 6, 6, exposed=False),
}
