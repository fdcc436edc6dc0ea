"""Overlays by tiles give what plain overlays give."""

from typing import Any

import numpy as np
import pytest
import shapely

from checker.geometry.overlay import differences, intersections

RANDOM = np.random.default_rng(1)
POINTS = RANDOM.uniform(0, 100, (400, 2))
LARGE = shapely.difference(
    shapely.box(0, 0, 100, 60), shapely.union_all(shapely.buffer(shapely.points(POINTS), 1.2))
)
SMALL = shapely.box(*np.hstack((POINTS, POINTS + RANDOM.uniform(0.2, 3, (400, 2)))).T)
SHAPES = np.array([*SMALL, shapely.box(-5, -5, 105, 65), shapely.Polygon()], dtype=object)


@pytest.mark.parametrize(
    ("tiled", "plain"), [(intersections, shapely.intersection), (differences, shapely.difference)]
)
def test_tiles_change_nothing(tiled: Any, plain: Any) -> None:
    """Small shapes anywhere, one that is larger than all tiles, and an empty one."""
    a, b = tiled(SHAPES, LARGE), plain(SHAPES, LARGE)
    assert shapely.area(shapely.symmetric_difference(a, b)).max() < 1e-9
    assert np.array_equal(shapely.is_empty(a), shapely.is_empty(b))


def test_few_shapes_are_overlaid_as_they_are() -> None:
    """Tiles do not pay for a few."""
    assert shapely.equals(
        intersections(SHAPES[:3], LARGE), shapely.intersection(SHAPES[:3], LARGE)
    ).all()
