"""Apertures: the standard templates and macros as exact primitives or flat shapes about their
origin.

The Gerber Layer Format Specification 2023.08, 4.3 to 4.5; rectangular holes 8.2.2 of older
revisions.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from parsers.assembly.diagnostics import Diagnostics
from parsers.gerber.macros import Macro, MacroError, compose_macro
from parsers.gerber.outlines import Round, polygons_of, regular
from parsers.gerber.syntax import Longs
from parsers.primitives import Bools, Shapes, stadiums

MAX_PRIMITIVES = 200_000  # of macros, in all apertures of a file
MAX_SIZE = 10_000.0  # mm; no aperture is larger than any panel


class ApertureError(ValueError):
    """An aperture that cannot be made, and why."""


@dataclass(frozen=True, slots=True)
class Aperture:
    """An aperture in mm about its origin.

    A solid circle or obround is a stroke from -reach to +reach with a radius; anything else is
    polygons.
    """

    template: str
    radius: float = 0.0
    reach: tuple[float, float] = (0.0, 0.0)
    dark: Shapes | None = None  # circumscribed
    clear: Shapes | None = None  # inscribed, used where the aperture removes copper
    valid: bool = True  # False: an outline of its macro can be read in several ways

    def shapes(self, dark: bool) -> Shapes:
        """Polygons for a dark or a clear object."""
        if self.dark is None or self.clear is None:
            ends = np.array([[-self.reach[0], -self.reach[1], *self.reach]])
            return stadiums(ends, np.array([self.radius]), inside=not dark)
        return self.dark if dark else self.clear


def make_aperture(
    template: str, sizes: Sequence[float], unit: float, macros: Mapping[str, Macro]
) -> Aperture:
    """Make an aperture from its definition.

    Parameters
    ----------
    template : C, R, O, P or the name of a macro
    sizes : parameters, in the file unit
    unit : mm per file unit

    Raises
    ------
    ApertureError
        if the definition gives no aperture
    """
    maker = _TEMPLATES.get(template)
    if maker:
        lengths = [size * unit for size in sizes]
        if not lengths or any(abs(length) > MAX_SIZE for length in lengths):
            raise ApertureError("a size that is missing or beyond any board")
        return maker(sizes, lengths)
    macro = macros.get(template)
    if macro is None:
        raise ApertureError(f"no macro {template}")
    try:
        return _from_macro(template, macro, sizes, unit)
    except (MacroError, shapely.errors.GEOSException, OverflowError) as trouble:
        raise ApertureError(str(trouble)) from trouble


def _from_macro(template: str, macro: Macro, sizes: Sequence[float], unit: float) -> Aperture:
    both = []
    for inside in (False, True):
        composed = compose_macro(macro, sizes, Round(inside, unit))
        shape = composed.shape
        if unit != 1:
            shape = shapely.transform(shape, lambda points: points * unit)
        if not shape.is_empty and np.abs(shapely.bounds(shape)).max() > MAX_SIZE:
            raise ApertureError("a size beyond any board")
        both.append(_column(polygons_of(shape)))
    if not len(both[0]):
        raise ApertureError("a macro without area")
    return Aperture(template, dark=both[0], clear=both[1], valid=composed.valid)


def _column(parts: Sequence[shapely.Polygon]) -> Shapes:
    column: Shapes = np.empty(len(parts), dtype=object)
    column[:] = parts
    return column


def _circle(sizes: Sequence[float], lengths: Sequence[float]) -> Aperture:
    if len(lengths) > 3 or lengths[0] < 0:
        raise ApertureError("a circle needs a diameter of 0 or more, and at most a hole")
    if len(lengths) == 1:
        return Aperture("C", radius=lengths[0] / 2)
    return _pierced("C", lambda r: r.circle(0, 0, lengths[0] / 2), lengths[1:])


def _rectangle(sizes: Sequence[float], lengths: Sequence[float]) -> Aperture:
    width, height = _sides(lengths)
    box = shapely.box(-width / 2, -height / 2, width / 2, height / 2)
    return _pierced("R", lambda _: box, lengths[2:])


def _obround(sizes: Sequence[float], lengths: Sequence[float]) -> Aperture:
    width, height = _sides(lengths)
    radius = min(width, height) / 2
    reach = (width / 2 - radius, height / 2 - radius)
    if len(lengths) == 2:
        return Aperture("O", radius=radius, reach=reach)
    ends = np.array([[-reach[0], -reach[1], *reach]])
    return _pierced(
        "O", lambda r: stadiums(ends, np.array([radius]), inside=r.inside)[0], lengths[2:]
    )


def _regular(sizes: Sequence[float], lengths: Sequence[float]) -> Aperture:
    if (
        not 2 <= len(sizes) <= 5
        or sizes[1] != int(sizes[1])
        or not 3 <= sizes[1] <= 12
        or lengths[0] <= 0
    ):
        raise ApertureError("a polygon needs a diameter and 3 to 12 vertices")
    turn = sizes[2] if len(sizes) > 2 else 0.0
    polygon = regular(0, 0, lengths[0] / 2, int(sizes[1]), turn)
    return _pierced("P", lambda _: polygon, lengths[3:])


def _sides(lengths: Sequence[float]) -> tuple[float, float]:
    if not 2 <= len(lengths) <= 4 or min(lengths[:2]) <= 0:
        raise ApertureError("two sides above 0 are needed, and at most a hole")
    return lengths[0], lengths[1]


def _pierced(
    template: str, body: Callable[[Round], shapely.Geometry], hole: Sequence[float]
) -> Aperture:
    """Cut the round (one size) or rectangular (two sizes) hole, if any, into the body."""
    if any(size < 0 for size in hole):
        raise ApertureError("a negative hole")
    both = []
    for rounding in (Round(inside=False), Round(inside=True)):
        opening = shapely.Polygon()
        if len(hole) == 1:
            opening = rounding.reverse().circle(0, 0, hole[0] / 2)
        elif len(hole) == 2:
            opening = shapely.box(-hole[0] / 2, -hole[1] / 2, hole[0] / 2, hole[1] / 2)
        both.append(_column(polygons_of(shapely.difference(body(rounding), opening))))
    if not len(both[0]):
        raise ApertureError("a hole that leaves nothing")
    rings = [len(part.interiors) for part in both[0]]
    return Aperture(template, dark=both[0], clear=both[1], valid=not any(hole) or rings == [1])


_TEMPLATES: dict[str, Callable[[Sequence[float], Sequence[float]], Aperture]] = {
    "C": _circle,
    "R": _rectangle,
    "O": _obround,
    "P": _regular,
}


@dataclass(frozen=True, slots=True)
class Definition:
    """An aperture definition as the file states it."""

    number: int
    word: int
    template: str
    sizes: tuple[float, ...]
    function: int  # index into the table of functions, or -1


class ApertureDictionary:
    """The apertures of a file, made at their first use; those that cannot be made are reported
    then.

    Attributes
    ----------
    radius, reach : of solid circles and obrounds, by definition; only filled where used
    functions : function number, by definition; a last entry of -1 stands for none
    """

    def __init__(
        self,
        definitions: Sequence[Definition],
        macros: Mapping[str, Macro],
        unit: float,
        diagnostics: Diagnostics,
    ) -> None:
        self.definitions = definitions
        self.functions = np.array([d.function for d in definitions] + [-1], dtype=np.int64)
        self.radius = np.zeros(len(definitions))
        self.reach = np.zeros((len(definitions), 2))
        self._solid = np.zeros(len(definitions), dtype=np.bool_)
        self._macros, self._unit, self._diagnostics = macros, unit, diagnostics
        self._made: dict[int, Aperture | None] = {}
        self._primitives = 0

    def aperture(self, definition: int) -> Aperture | None:
        """Give the aperture of a definition, None if it cannot be made."""
        if definition not in self._made:
            self._made[definition] = self._make(definition)
        return self._made[definition]

    def _make(self, definition: int) -> Aperture | None:
        stated = self.definitions[definition]
        self._primitives += len(self._macros.get(stated.template, ()))
        try:
            if self._primitives > MAX_PRIMITIVES:
                raise ApertureError("more macro primitives in this file than any board has")
            made = make_aperture(stated.template, stated.sizes, self._unit, self._macros)
        except ApertureError as trouble:
            why = f"{trouble}; its objects are missing"
            self._diagnostics.add(f"aperture D{stated.number} cannot be made", why, stated.word)
            return None
        if not made.valid:
            why = "the largest of the possible readings was taken"
            self._diagnostics.add(
                f"aperture D{stated.number} has an outline that is not valid", why, stated.word
            )
        if made.dark is None:
            self._solid[definition] = True
            self.radius[definition] = made.radius
            self.reach[definition] = made.reach
        return made

    def solid(self, used: Longs, rows: Longs) -> Bools:
        """Mask of rows whose aperture is a solid circle or obround."""
        for definition in np.unique(used[rows]).tolist():
            self.aperture(definition)
        mask: Bools = self._solid[used[rows]]
        return mask

    def circles(self, used: Longs, rows: Longs) -> Bools:
        """Mask of rows whose aperture is a solid circle."""
        solid = self._named("C", used, rows)
        solid[solid] = self.solid(used, rows[solid])
        return solid

    def symmetric(self, used: Longs, rows: Longs) -> Bools:
        """Mask of rows whose aperture is symmetric about both axes whatever its sizes."""
        mask: Bools = (
            self._named("C", used, rows)
            | self._named("R", used, rows)
            | self._named("O", used, rows)
        )
        return mask

    def _named(self, template: str, used: Longs, rows: Longs) -> Bools:
        templates = np.array(
            [d.template == template for d in self.definitions] + [False], dtype=np.bool_
        )
        mask: Bools = templates[np.maximum(used[rows], -1)]
        return mask

    def by_definition(self, used: Longs, rows: Longs) -> Iterator[tuple[Aperture, Longs]]:
        """Split rows by their aperture, those without one left out."""
        order = np.argsort(used[rows], kind="stable")
        sorted_ = rows[order]
        for group in np.split(sorted_, np.flatnonzero(np.diff(used[sorted_])) + 1):
            made = self.aperture(int(used[group[0]])) if len(group) else None
            if made:
                yield made, group
