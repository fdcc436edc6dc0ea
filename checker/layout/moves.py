"""The shortest straight move that brings copper over a territory: proven by trying it, never
guessed.
"""

from __future__ import annotations

import numpy as np
import shapely

from checker.wording import length
from parsers.primitives import Floats, Rows, Shapes, each

STEPS = np.concatenate(
    (np.arange(0.1, 1.05, 0.1), np.arange(1.2, 2.1, 0.2), np.arange(2.5, 5.1, 0.5))
)
TOGETHER = 8  # moves that are tried at once
PROBES = 16  # vertices of a shape that are tried before the whole of it
AXES = (("east", (1.0, 0.0)), ("north", (0.0, 1.0)), ("west", (-1.0, 0.0)), ("south", (0.0, -1.0)))
MOVES = sorted(
    (step, name, (step * x, step * y)) for name, (x, y) in AXES for step in STEPS.tolist()
)
VECTORS = np.array([vector for *_, vector in MOVES])


def move_over(shape: shapely.Geometry, territory: shapely.Geometry) -> str | None:
    """Say how far and whereto a shape must move to lie wholly over a territory; None if no move up
    to 5 mm does it.

    Moves are along the axes and towards the territory, in the steps that a designer would try (0.1
    mm and coarser).

    Examples
    --------
    >>> move_over(shapely.LineString([(10.2, 1), (10.2, 3)]), shapely.box(0, 0, 10, 4))
    'move it 0.2 mm west'
    >>> move_over(shapely.LineString([(20, 1), (20, 3)]), shapely.box(0, 0, 10, 4)) is None
    True
    """
    if shapely.is_empty(shape) or shapely.is_empty(territory):
        return None
    for moves in each(_promising(shape, territory), TOGETHER):
        found = moves[shapely.covers(territory, _moved(shape, VECTORS[moves]))]
        if len(found):
            step, name, _ = MOVES[found[0]]
            return f"move it {length(step)} {name}"
    return None


def _moved(shape: shapely.Geometry, vectors: Floats) -> Shapes:
    """A shape moved by each vector, shape (n,)."""
    out: Shapes = np.full(len(vectors), shape, dtype=object)
    points = shapely.get_coordinates(shape) + vectors[:, None]
    shapely.set_coordinates(out, points.reshape(-1, 2))
    return out


def _promising(shape: shapely.Geometry, territory: shapely.Geometry) -> Rows:
    """Numbers of the moves that bring some vertices of a shape into the territory, the shortest first: few need
    the whole test.
    """
    shapely.prepare(territory)
    points = shapely.get_coordinates(shape)
    points = points[:: max(1, len(points) // PROBES)]
    hits = np.arange(len(MOVES))
    for probe in (points[:1], points[1:]):  # one vertex rules out most moves
        moved = probe[None] + VECTORS[hits][:, None]
        hits = hits[shapely.intersects_xy(territory, moved[..., 0], moved[..., 1]).all(axis=1)]
    return hits
