"""Gerber drill layers: flashes are holes, draws are slots."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from parsers.assembly.diagnostics import counted
from parsers.assembly.image import Image
from parsers.board import PLATING_UNKNOWN, holes
from parsers.drill.machine import PLATING
from parsers.drill.result import Drilled, swollen
from parsers.primitives import ARC_TOLERANCE, Floats, Kind, Rows, arc_points
from parsers.trouble import Doubt, Place


def holes_of_image(image: Image, name: str, file: int = 0) -> Drilled:
    """Holes of a Gerber drill layer: flashes are holes, draws are slots (2023.08, 6.6); anything
    else is a doubt.
    """
    plated = PLATING.get((*image.attributes.get(".FileFunction", ()), "")[0], PLATING_UNKNOWN)
    rows, ends = _strokes(image)
    swell = np.where(image.objects.kind[rows] == Kind.ARC, ARC_TOLERANCE, 0.0)
    names = ("net", "component", "pin", "function", "line")
    told = holes(
        len(rows),
        ends=ends,
        radius=swollen(image.objects.radius[rows], swell, np.full(len(rows), plated)),
        plated=plated,
        file=file,
        **{column: getattr(image.objects, column)[rows] for column in names},
    )
    return Drilled(
        told,
        image.nets,
        image.components,
        image.pins,
        image.functions,
        image.attributes,
        (*image.doubts, *_no_holes(image, name)),
        plated != PLATING_UNKNOWN,
    )


def _strokes(image: Image) -> tuple[Rows, Floats]:
    """What a round tool makes: objects, and the ends of its strokes, (n, 4); an arc is several."""
    kind, g = image.objects.kind, image.objects.geometry
    straight = np.flatnonzero(((kind == Kind.DISC) | (kind == Kind.STROKE)) & image.dark)
    curved = np.flatnonzero((kind == Kind.ARC) & image.dark)
    ends = g[straight, :4].copy()
    discs = kind[straight] == Kind.DISC
    ends[discs, 2:] = ends[discs, :2]
    chords = [_chords(row) for row in g[curved]]
    rows = np.concatenate((straight, np.repeat(curved, [len(c) for c in chords])))
    return rows.astype(np.intp), np.concatenate((ends, *chords))


def _no_holes(image: Image, name: str) -> Iterator[Doubt]:
    """A doubt on areas and clear objects."""
    other = np.flatnonzero((image.objects.kind == Kind.AREA) | ~image.dark)
    if len(other):
        what = counted(f"{name} has shapes that are no holes", len(other), "objects")
        taken = "areas and clear objects in a drill layer are not taken as holes"
        place = Place(name, int(image.objects.line[other[0]]) or None)
        yield Doubt(what, f"{taken}; only circles are drilled", place)


def _chords(arc: Floats) -> Floats:
    """An arc as short strokes, shape (k, 4)."""
    x, y, radius, start, sweep = (float(v) for v in arc)
    points = arc_points((x, y), radius, start, sweep)
    return np.hstack((points[:-1], points[1:]))
