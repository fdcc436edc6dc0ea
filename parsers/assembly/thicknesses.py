"""Thicknesses of the board: the data's own, else what the rules file tells; where both tell, they
must agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from parsers.board import Hints, Stackup
from parsers.trouble import BoardError, Doubt, Place

THICKEST = 50.0  # mm; no board is thicker
SAME = 0.01  # part by which two sources may differ and still mean the same board

Values = tuple[float | None, ...]


def settled(told: Stackup, hints: Hints, layers: int, source: str) -> tuple[Stackup, list[Doubt]]:
    """The stackup of the data, completed from the rules; a doubt for each value in which they
    differ.

    Parameters
    ----------
    told : what the data says; lists of another length than the layers need are left out
    source : the file that says it

    Raises
    ------
    BoardError : the rules give another number of values than the layers need
    """
    _check_number("dielectric", hints.dielectric, layers - 1, layers)
    _check_number("copper", hints.copper, layers, layers)
    sources = _Sources(source, [])
    told = _plausible(told, sources)
    constants = (hints.permittivity,) * (layers - 1) if hints.permittivity else ()
    thickness = sources.one(told.thickness, hints.thickness, "thickness")
    plating = sources.one(told.plating, hints.plating, "plating")
    dielectric = sources.each(_fitting(told.dielectric, layers - 1), hints.dielectric, "dielectric")
    permittivity = sources.each(
        _fitting(told.permittivity, layers - 1), constants, "dielectric constant"
    )
    copper = sources.each(_fitting(told.copper, layers), hints.copper, "copper thickness of L")
    return (
        Stackup(
            thickness=thickness,
            dielectric=tuple(gap for gap in dielectric if gap is not None),
            permittivity=permittivity,
            copper=copper,
            plating=plating,
        ),
        sources.doubts,
    )


def in_series(heights: Sequence[float | None], constants: Sequence[float | None]) -> float | None:
    """Dielectric constant of layers upon each other, as of capacitors in series (common practice,
    no source).

    Where all have the same constant, their heights need not be known.

    Examples
    --------
    >>> in_series([0.1, 0.3], [4.0, 3.0]), in_series([None], [4.5]), in_series([0.1, None], [4.0, 3.0])
    (3.2, 4.5, None)
    """
    if not constants or None in constants:
        return None
    if len(set(constants)) == 1:
        return constants[0]
    if None in heights:
        return None
    pairs = [(h or 0.0, c or 1.0) for h, c in zip(heights, constants, strict=True)]
    return round(sum(h for h, _ in pairs) / sum(h / c for h, c in pairs), 9)


def _plausible(told: Stackup, sources: _Sources) -> Stackup:
    """The stackup without a thickness that no board has."""
    if told.thickness is None or 0 < told.thickness <= THICKEST:
        return told
    what = f"a board thickness of {told.thickness:g} mm"
    sources.doubts.append(
        Doubt(
            what,
            "it is taken as not stated; mend the file, or give [stackup] thickness",
            Place(sources.file),
        )
    )
    return replace(told, thickness=None)


def _check_number(key: str, values: Sequence[float], needed: int, layers: int) -> None:
    if values and len(values) != needed:
        what = f"stackup.{key} has {len(values)} values; a board of {layers} layers needs {needed}"
        raise BoardError(what)


def _fitting(values: Values, needed: int) -> Values:
    return values if len(values) == needed else ()


class _Sources:
    """Two sources of the same values: the data, named by its file, and the rules."""

    def __init__(self, file: str, doubts: list[Doubt]) -> None:
        self.file, self.doubts = file, doubts

    def each(self, own: Values, other: Sequence[float], what: str) -> Values:
        """Lists of values, either of which may be empty."""
        if not own or not other:
            return own or tuple(other)
        named = what if what.endswith("L") else f"{what} "
        pairs = zip(own, other, strict=True)
        return tuple(self.one(a, b, f"{named}{number}") for number, (a, b) in enumerate(pairs, 1))

    def one(self, own: float | None, other: float | None, what: str) -> float | None:
        """The data's own value, else that of the rules; a doubt if they differ."""
        if own is None or other is None:
            return other if own is None else own
        if abs(own - other) > SAME * max(own, other):
            why = f"{self.file} says {own:g}, the rules {other:g}; that of the file is used"
            self.doubts.append(Doubt(f"two values for the {what}", why, Place(self.file)))
        return own
