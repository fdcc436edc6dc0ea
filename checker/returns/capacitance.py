"""Capacitance between the reference copper of two sides: over the gap on each layer, and where they
overlap.

Over a gap the formula of two coplanar strips on a half space is applied to every piece of rim that
faces the other side, with the width that the pours have on average; layers are added as if each
were alone, so that several planes one below the other come out too high. Where pours of the two
sides lie over each other, the plate formula holds, for each pair of layers less what other pours of
the two sides hide between them.

Literature, from memory: conformal mapping of coplanar strips (complete elliptic integrals); the
plate formula without fringes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import shapely

from checker.layout.layout import Layout
from checker.returns.ground import depths
from parsers.primitives import Bools, Floats, Shapes

EPSILON = 8.8541878188e-3  # pF/mm; CODATA 2022, from memory
USUAL_ER = 4.3  # of glass-reinforced epoxy; common practice, no source
STEP = 0.5  # mm; pieces of a rim that the formula is applied to
BEGUN = 1e-3  # mm; a line that is still on its own copper here runs along the rim
GRAZING = 1e-6  # mm of its own copper that a line to the other side may touch


@dataclass(frozen=True, slots=True)
class Plate:
    """Pours of one side on one layer, with its depth in mm below the first layer."""

    layer: int
    depth: float
    shape: shapely.Geometry


def plates(layout: Layout, names: Iterable[str]) -> list[Plate]:
    """Reference pours of some regions, united by layer."""
    regions = {layout.region_named(name).index for name in names}
    pours = [pour for pour in layout.pours if pour.region in regions and not pour.plane]
    depth = depths(layout)
    return [
        Plate(
            layer,
            depth[layer],
            shapely.union_all([pour.shape for pour in pours if pour.layer == layer]),
        )
        for layer in sorted({pour.layer for pour in pours})
    ]


def permittivity(layout: Layout) -> tuple[list[float], bool]:
    """Dielectric constant between copper layers, and whether all are known."""
    told = layout.board.stackup.permittivity
    count = max(len(layout.board.layers) - 1, 1)
    values = list(told) if len(told) == count else [None] * count
    stated = layout.rules.stackup.er
    return [value or stated or USUAL_ER for value in values], all(
        value or stated for value in values
    )


def coplanar(width: float, gap: Floats | float, er: float) -> Floats:
    """Capacitance per length, pF/mm, of two strips of a width on a half space of dielectric er, a
    gap apart.

    eps0 (er + 1) / 2 K(k') / K(k), k = s / (s + 2 w). Source: conformal mapping, complete elliptic
    integrals; from memory.

    Examples
    --------
    >>> round(1000 * float(coplanar(20.0, 2.0, 4.3)), 1)  # pF/m
    66.2
    """
    from scipy.special import ellipk, ellipkm1

    k = np.asarray(gap, dtype=np.float64) / (np.asarray(gap) + 2 * width)
    value: Floats = EPSILON * (er + 1) / 2 * ellipkm1(k * k) / ellipk(k * k)
    return value


def over_gaps(one: Sequence[Plate], other: Sequence[Plate], er: float) -> float:
    """Capacitance in pF over the gaps of all layers that both sides have pours on."""
    total = 0.0
    for a, b in product(one, other):
        if a.layer == b.layer:
            total += (_facing(a.shape, b.shape, er) + _facing(b.shape, a.shape, er)) / 2
    return total


def _facing(own: shapely.Geometry, other: shapely.Geometry, er: float) -> float:
    """Capacitance in pF, taken along the rim of one side."""
    gap, length = facing(own, other)
    if not len(gap):
        return 0.0
    width = min(shapely.area(own), shapely.area(other)) / float(length.sum())
    return float((coplanar(width, gap, er) * length).sum())


def facing(own: shapely.Geometry, other: shapely.Geometry) -> tuple[Floats, Floats]:
    """Short pieces of one side's rim that face the other: how far away that is, and how long they
    are, mm.
    """
    middles, length = _rim(own)
    lines = shapely.shortest_line(shapely.points(middles), other)
    gap = shapely.length(lines)
    sees = (gap > 0) & _free(lines, own)
    return gap[sees], length[sees]


def _rim(shape: shapely.Geometry) -> tuple[Floats, Floats]:
    """Middles of short pieces of a shape's rim, and their lengths."""
    points, ring = shapely.get_coordinates(
        shapely.get_rings(shapely.segmentize(shapely.get_parts(shape), STEP)), return_index=True
    )
    along = np.flatnonzero(ring[1:] == ring[:-1])
    start, end = points[along], points[along + 1]
    return (start + end) / 2, np.hypot(*(end - start).T)


def _free(lines: Shapes, own: shapely.Geometry) -> Bools:
    """Lines that leave a shape at once: those that run through it face away from where they go."""
    inside, grown = shapely.buffer(own, np.array([-GRAZING, GRAZING]), join_style="mitre")
    shapely.prepare([inside, grown])
    begun = shapely.line_interpolate_point(lines, np.minimum(BEGUN, shapely.length(lines) / 2))
    free: Bools = ~shapely.intersects(inside, lines) & ~shapely.intersects(grown, begun)
    return free


def over_overlaps(one: Sequence[Plate], other: Sequence[Plate], er: Sequence[float]) -> float:
    """Capacitance in pF where pours of both sides lie over each other; `er` of each gap between
    copper layers.
    """
    total = 0.0
    for a, b in product(one, other):
        low, high = sorted((a.layer, b.layer))
        if low == high:
            continue
        between = [p.shape for p in (*one, *other) if low < p.layer < high]
        area = shapely.area(
            shapely.difference(shapely.intersection(a.shape, b.shape), shapely.union_all(between))
        )
        height = abs(a.depth - b.depth)
        if area > 0 and height > 0:
            total += EPSILON * float(np.mean(er[low:high])) * float(area) / height
    return total
