"""Estimates of what a detour does: loop area and inductance, knee frequency, far field, coupling.

They sort findings by harm; they predict no compliance test. Each formula has its source. Units: mm
and nH in results that say so, SI where the formula is named with SI.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import asinh, log, log10, pi, sqrt

import shapely

from checker.findings import XY

MU0 = 4e-7 * pi  # H/m
LIGHT = 299_792_458.0  # m/s
COPPER_THICKNESS = 0.035  # mm; common practice, no source: one ounce per square foot
ASSUMED_CURRENT = 0.005  # A at the knee frequency; printed with every estimate that uses it
DISTANCE = 3.0  # m; where the field is estimated


def loop_area(run: Sequence[Sequence[XY]], detour: Sequence[XY]) -> float:
    """Area in mm2 that the run and the detour enclose, however often they cross."""
    lines = [shapely.LineString(line) for line in run if len(line) > 1]
    if len(detour) > 1:
        lines.append(shapely.LineString(detour))
    faces = shapely.polygonize([shapely.union_all(lines)])
    return float(shapely.union_all(shapely.get_parts(faces)).area)


def knee_frequency(edge_ns: float) -> float:
    """Frequency in Hz below which most of an edge's energy lies: 0.5 / rise time.

    Source: High-Speed Digital Design (1993), chapter 1; from memory.
    """
    return 0.5 / (edge_ns * 1e-9)


def strip_radius(width: float, thickness: float = COPPER_THICKNESS) -> float:
    """Radius of the round wire with a flat strip's inductance: 0.2235 (w + t), mm.

    Source: Inductance Calculations (1946); from memory.
    """
    return 0.2235 * (width + thickness)


def rectangle_inductance(a: float, b: float, radius: float) -> float:
    """Inductance in nH of a rectangular loop of sides a, b (mm) of round wire (mm), high frequency.

    Source: Inductance Calculations (1946); Inductance: Loop and Partial (2010); from memory. Valid
    for radius << a, b: sides are taken as at least twice the radius.
    """
    a, b = max(a, 2 * radius), max(b, 2 * radius)
    d = sqrt(a * a + b * b)
    total = (
        a * log(2 * a / radius)
        + b * log(2 * b / radius)
        + 2 * d
        - a * asinh(a / b)
        - b * asinh(b / a)
        - 2 * (a + b)
    )
    return MU0 / pi * total * 1e-3 * 1e9


def loop_inductance(area: float, length: float, detour: float, width: float) -> float:
    """Inductance in nH of the loop between a trace and its detour, as the rectangle of equal area
    and perimeter.

    That rectangle exists: a plane loop of a given perimeter encloses at most a circle's area, and
    where that is more than the square's, the square is taken.
    """
    half = max((length + detour) / 2, 1e-6)
    root = sqrt(max(half * half / 4 - area, 0.0))
    return rectangle_inductance(half / 2 + root, half / 2 - root, strip_radius(width))


def loop_field(
    frequency: float, area: float, current: float = ASSUMED_CURRENT, distance: float = DISTANCE
) -> float:
    """Field in V/m of a small loop (mm2) in free space at a distance (m): mu0 pi / c * f^2 A I / r.

    Source: Electromagnetic Compatibility Engineering (2009), chapter 12 (131.6e-16); the constant
    follows from Maxwell's equations.
    """
    return MU0 * pi / LIGHT * frequency**2 * area * 1e-6 * current / distance


def decibel_microvolt(field: float) -> float:
    """A field in V/m as dB(uV/m)."""
    return 20 * log10(max(field, 1e-12) * 1e6)


def crosstalk(distance: float, height: float) -> float:
    """Upper bound of the backward coupling of parallel traces over a plane: 1 / (1 + (D/h)^2).

    Parameters
    ----------
    distance : between centres, mm
    height : over the plane, mm

    Source: High-Speed Digital Design (1993), chapter 5; from memory.
    """
    return 1 / (1 + (distance / height) ** 2)


def mutual_inductance(distance: float, heights: tuple[float, float]) -> float:
    """Inductance in nH/mm between two parallel traces over a sound plane.

    mu0 / 4 pi ln((d^2 + (a + b)^2) / (d^2 + (a - b)^2)); at one height h it is mu0 / 4 pi ln(1 + 4
    h^2 / d^2).

    Parameters
    ----------
    distance : between centres, seen from above, mm; not 0 if both are at one height
    heights : a and b, over the plane, mm

    Source: image theory; from memory. Holds where the return runs beneath the trace: well above Rs
    / (pi mu0 h).

    Examples
    --------
    >>> round(1000 * mutual_inductance(5.0, (0.2, 0.2)), 3)  # nH/m
    0.638
    """
    (a, b), d = heights, distance
    return MU0 / (4 * pi) * log((d * d + (a + b) ** 2) / (d * d + (a - b) ** 2)) * 1e6
