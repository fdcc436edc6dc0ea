"""Contours with arcs become polygons that hold the true shape, or that it holds, wherever they
lie.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from parsers.ipc2581.curves import Rings
from parsers.ipc2581.sketch import LEFT, RIGHT, STRAIGHT

HALF = math.pi / 2  # area of half a disc of radius 1


def half_discs(places: list[tuple[float, float]], turn: float, closed: bool) -> Rings:
    """The upper halves of discs of radius 1 round some places, from right to left or back."""
    first = 1.0 if turn == LEFT else -1.0
    one = [(first, 0.0), (-first, 0.0), *([(first, 0.0)] if closed else [])]
    steps = [STRAIGHT, turn, *([STRAIGHT] if closed else [])]
    xy = np.array([(x + dx, y + dy) for x, y in places for dx, dy in one])
    centre = np.array([place for place in places for _ in one])
    number = np.repeat(np.arange(len(places)), len(one))
    return Rings(xy, centre, np.array(steps * len(places)), number)


@pytest.mark.parametrize("closed", [True, False])
@pytest.mark.parametrize("turn", [LEFT, RIGHT])
def test_every_ring_errs_on_its_own_side(turn: float, closed: bool) -> None:
    """Three half discs, far from the origin and from each other, drawn either way round: those that
    are to grow hold the true one, the others are held by it.
    """
    places = [(0.0, 0.0), (300.0, -200.0), (-500.0, 400.0)]
    rings = half_discs(places, turn, closed)
    for grow in (np.array([True, False, True]), np.array([False, True, False])):
        areas = [shapely.area(shapely.Polygon(ring)) for ring in rings.lines(grow)]
        assert areas == pytest.approx([HALF] * 3, abs=1e-2)
        assert [area >= HALF for area in areas] == grow.tolist()
