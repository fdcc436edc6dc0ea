"""Currents in reference copper as plain shapes: bands of density, contours of what enters where,
and the pins.

Bands are half decades of current density, the worst sum of all declared currents. A contour joins
places from where 100 mA that enter there, and leave at one named pin, put the same voltage in
series with a quiet input; one solution prices all of them, also where no current is declared.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import floor, log10
from typing import Any

import numpy as np
from contourpy import LineType, contour_generator

from checker import wording
from checker.drawing.scene import PER_MM, Lines
from checker.findings import XY
from checker.layout.layout import Layout
from checker.returns.quiet_inputs import Answer, Currents, currents_of
from checker.returns.sheet import Sheet
from parsers.primitives import Floats

BANDS = 6  # half decades that are drawn, the densest ones
CONTOURS = 5  # levels that are drawn, the highest ones
ENTERING = 0.1  # A
TOP = 99.0  # percentile of the copper that counts as the highest: beside a pin there is no highest
SPOTS = (0.5, 0.35, 0.65, 0.2, 0.8, 0.1, 0.9)  # of a contour, where its label may stand
SHORTEST = 3.0  # mm; contours shorter than this are not drawn


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """Copper whose current density lies between two limits; `place` is 0 for the thinnest band, 1
    for the densest.
    """

    place: float
    words: str
    lines: Lines


@dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """Places of one voltage, with places where its label may stand, mm, the best one first."""

    words: str
    spots: tuple[XY, ...]
    lines: Lines


@dataclass(frozen=True, slots=True)
class Mark:
    """A pin that matters: where a current enters or leaves, or a ground of the quiet input."""

    kind: str  # in | out | quiet
    words: str
    at: XY


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """What is drawn on one reference layer."""

    layer: str
    bands: tuple[Band, ...]
    contours: tuple[Contour, ...]
    marks: tuple[Mark, ...]
    about: str  # what the contours tell; empty without any


def fields_of(layout: Layout) -> tuple[Field, ...]:
    """One field per layer of reference copper; none where neither currents nor quiet inputs are
    declared.
    """
    if not layout.rules.currents and not layout.rules.quiet_inputs:
        return ()
    currents = layout.once(currents_of)
    if currents.sheet is None:
        return ()
    density, priced = _density(currents), _priced(currents)
    marks = tuple(_marks(currents))
    return tuple(
        Field(
            layout.layer_id(layer),
            tuple(_bands(currents.sheet, number, density)),
            tuple(_contours(currents.sheet, number, priced[0])) if priced else (),
            marks,
            priced[1] if priced else "",
        )
        for number, layer in enumerate(currents.ground.layers)
    )


def _density(currents: Currents) -> Floats:
    """Worst sum of the current densities at each node, A/mm."""
    assert currents.sheet is not None
    total = np.zeros(len(currents.sheet.label))
    for _, current, pins in currents.currents:
        if current.dc:
            potential = currents.sheet.potential(*(currents.spreads[pin.name] for pin in pins))
            total += current.dc * currents.sheet.density(potential)
    return total


def _priced(currents: Currents) -> tuple[Floats, str] | None:
    """Volts in series with the worst input for `ENTERING` at each node, and what that is in
    words.
    """
    if not currents.answers or currents.sheet is None:
        return None
    answer = max(currents.answers, key=lambda one: (one.volts / one.spec.allowed, -one.number))
    potential = currents.sheet.potential(*(currents.spreads[pin.name] for pin in answer.ground))
    leaves, where = _leaving(currents, answer, potential)
    words = f"in series with {answer.spec.net} per 100 mA that enters here and leaves {where}"
    return np.abs(potential - leaves) * ENTERING, words


def _leaving(currents: Currents, answer: Answer, potential: Floats) -> tuple[float, str]:
    """Potential of what a current leaves by: the pin of the first current, or, without one, all of
    the copper.

    Not a ground of the input: what a contact drops by itself would stand in every number.
    """
    assert currents.sheet is not None
    ground = currents.spreads[answer.ground[1].name]
    for _, _, (_, pin) in currents.currents:
        spread = currents.spreads[pin.name]
        if currents.sheet.joined(spread, ground):
            return spread.mean(potential), f"at {pin.name}"
    return float(np.nanmean(potential)), "spread over all of the copper"


def _marks(currents: Currents) -> Iterator[Mark]:
    for _, current, (enters, leaves) in currents.currents:
        yield Mark("in", f"{current.name} in", enters.at)
        yield Mark("out", f"{current.name} out", leaves.at)
    for answer in currents.answers:
        yield from (Mark("quiet", str(pin.name), pin.at) for pin in answer.ground)


# --------------------------------------------------------------------------------------- contouring


def _raster(
    sheet: Sheet, layer: int, values: Floats
) -> tuple[Floats, Floats, np.ma.MaskedArray[Any, Any]]:
    """Middles of columns and rows in mm, and values by row and column, masked off copper."""
    cells, grid = sheet.layers[layer], sheet.grid
    table = np.full(grid.shape, np.nan)
    table.ravel()[cells.cell] = values[sheet.layer_nodes(layer)]
    x, y = (
        np.asarray(grid.origin[k] + (np.arange(grid.shape[k]) + 0.5) * grid.cell) for k in (0, 1)
    )
    return x, y, np.ma.masked_invalid(table.T)


def _bands(sheet: Sheet, layer: int, density: Floats) -> Iterator[Band]:
    highest = float(np.nanpercentile(density, TOP)) if len(density) else 0.0
    if highest <= 0:
        return
    limits = half_decades(highest)[-BANDS - 1 :]
    contours = contour_generator(*_raster(sheet, layer, density))
    for number, (low, high) in enumerate(zip(limits, [*limits[1:-1], np.inf], strict=False)):
        points, offsets, *_ = contours.filled(low, high)
        rings = [
            np.asarray(p)[a:b]
            for p, o in zip(points, offsets, strict=True)
            for a, b in pairwise(np.asarray(o))
        ]
        if rings:
            words = (
                f"from {amperes(low)}" if np.isinf(high) else f"{amperes(low)} to {amperes(high)}"
            )
            yield Band(
                number / max(len(limits) - 2, 1), words, _lines([ring[:-1] for ring in rings])
            )


def _contours(sheet: Sheet, layer: int, volts: Floats) -> Iterator[Contour]:
    known = volts[np.isfinite(volts)]
    highest = float(np.percentile(known, TOP)) if len(known) else 0.0
    if highest <= 0:
        return
    contours = contour_generator(*_raster(sheet, layer, volts), line_type=LineType.Separate)
    for level in steps(highest)[-CONTOURS:]:
        lines = [np.asarray(line) for line in contours.lines(level)]
        lines = [line for line in lines if _length(line) >= SHORTEST]
        if lines:
            longest = max(lines, key=_length)
            spots = [longest[int(share * (len(longest) - 1))].tolist() for share in SPOTS]
            yield Contour(wording.voltage(level), tuple((x, y) for x, y in spots), _lines(lines))


def half_decades(highest: float) -> list[float]:
    """1, 3, 10, ... times powers of ten, five decades up to the first that is not below `highest`.

    Examples
    --------
    >>> [round(v, 6) for v in half_decades(0.02)[-4:]]
    [0.001, 0.003, 0.01, 0.03]
    """
    return _series(highest, (1.0, 3.0))


def steps(highest: float) -> list[float]:
    """1, 2, 5, 10, ... times powers of ten, up to `highest`.

    Examples
    --------
    >>> [round(v, 9) for v in steps(3e-6)[-4:]]
    [2e-07, 5e-07, 1e-06, 2e-06]
    """
    values = _series(highest, (1.0, 2.0, 5.0))
    return [value for value in values if value <= highest]


def _series(highest: float, factors: tuple[float, ...]) -> list[float]:
    power = floor(log10(highest))
    values = [float(f"{factor}e{n}") for n in range(power - 4, power + 2) for factor in factors]
    last = next(n for n, value in enumerate(values) if value >= highest)
    return values[: last + 1]


def amperes(density: float) -> str:
    """Say a current density.

    Examples
    --------
    >>> amperes(0.003), amperes(0.3), amperes(1e-5)
    ('3 mA/mm', '300 mA/mm', '0.01 mA/mm')
    """
    return f"{density * 1e3:.3g} mA/mm"


def _length(line: Floats) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _lines(rings: list[Floats]) -> Lines:
    counts = np.array([len(ring) for ring in rings], dtype=np.int64)
    return Lines(
        np.rint(np.concatenate(rings) * PER_MM).astype(np.int64), np.cumsum(counts) - counts
    )
