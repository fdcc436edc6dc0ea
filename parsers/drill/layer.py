"""Gerber drill layers: flashes are holes, draws are slots."""

from __future__ import annotations

import numpy as np

from parsers.assembly.diagnostics import counted
from parsers.assembly.image import Image
from parsers.board import PLATING_UNKNOWN, holes
from parsers.drill.machine import PLATING
from parsers.drill.result import Drilled, swollen
from parsers.primitives import ARC_TOLERANCE, Floats, Kind, arc_points
from parsers.trouble import Doubt, Place


def holes_of_image(image: Image, name: str, file: int = 0) -> Drilled:
    """Holes of a Gerber drill layer: flashes are holes, draws are slots (2023.08, 6.6); anything
    else is a doubt.
    """
    objects = image.objects
    kind, g = objects.kind, objects.geometry
    doubts = list(image.doubts)
    straight = np.flatnonzero(((kind == Kind.DISC) | (kind == Kind.STROKE)) & image.dark)
    curved = np.flatnonzero((kind == Kind.ARC) & image.dark)
    other = np.flatnonzero((kind == Kind.AREA) | ~image.dark)
    if len(other):
        what = counted(f"{name} has shapes that are no holes", len(other), "objects")
        why = (
            "areas and clear objects in a drill layer are not taken as holes; only circles are"
            " drilled"
        )
        doubts.append(Doubt(what, why, Place(name, int(objects.line[other[0]]) or None)))
    ends = g[straight, :4].copy()
    discs = kind[straight] == Kind.DISC
    ends[discs, 2:] = ends[discs, :2]
    chords = [_chords(row) for row in g[curved]]
    rows = np.concatenate((straight, np.repeat(curved, [len(c) for c in chords]))).astype(np.intp)
    swell = np.where(kind[rows] == Kind.ARC, ARC_TOLERANCE, 0.0)
    plated = PLATING.get((*image.attributes.get(".FileFunction", ()), "")[0], PLATING_UNKNOWN)
    columns = {
        c: getattr(objects, c)[rows] for c in ("net", "component", "pin", "function", "line")
    }
    told = holes(
        len(rows),
        ends=np.concatenate((ends, *chords)) if chords else ends,
        radius=swollen(objects.radius[rows], swell, np.full(len(rows), plated)),
        plated=plated,
        file=file,
        **columns,
    )
    return Drilled(
        told,
        image.nets,
        image.components,
        image.pins,
        image.functions,
        image.attributes,
        tuple(doubts),
        plated != PLATING_UNKNOWN,
    )


def _chords(arc: Floats) -> Floats:
    """An arc as short strokes, shape (k, 4)."""
    x, y, radius, start, sweep = (float(v) for v in arc)
    points = arc_points((x, y), radius, start, sweep)
    return np.hstack((points[:-1], points[1:]))
