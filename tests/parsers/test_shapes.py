"""Shapes of exact primitives, made in bulk: circumscribed ones hold the true copper, inscribed ones
lie within it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.primitives import Kind, conductors, shape_tolerance

EXACT = 1e-9  # mm; rounding


def arc_stroke(
    reach: float, start: float, sweep: float, radius: float
) -> tuple[shapely.Geometry, shapely.Geometry]:
    """The circumscribed and the inscribed shape of one arc stroke about (3, -4)."""
    row = conductors(1, kind=Kind.ARC, geometry=[[3, -4, reach, start, sweep]], radius=radius)
    return row.shapes()[0], row.shapes(inside=True)[0]


def distance_from_arc(points: np.ndarray, reach: float, start: float, sweep: float) -> np.ndarray:
    """Exact distances of points from an arc about (3, -4)."""
    x, y = (points - (3, -4)).T
    turned = np.mod((np.arctan2(y, x) - start) * math.copysign(1, sweep), 2 * math.pi)
    beside = turned <= abs(sweep)
    ends = [(reach * math.cos(a), reach * math.sin(a)) for a in (start, start + sweep)]
    to_ends = np.min([np.hypot(x - ex, y - ey) for ex, ey in ends], axis=0)
    return np.where(beside, np.minimum(np.abs(np.hypot(x, y) - reach), to_ends), to_ends)


arcs = st.tuples(
    st.floats(0.05, 20),
    st.floats(-math.pi, math.pi),
    st.floats(0.01, 2 * math.pi)
    | st.floats(-2 * math.pi, -0.01)
    | st.sampled_from([2 * math.pi, -2 * math.pi]),
    st.floats(0.02, 2),
)


@given(arcs)
@settings(deadline=None, max_examples=200)
def test_arc_strokes_lie_on_the_safe_side(arc: tuple[float, float, float, float]) -> None:
    """No edge of the circumscribed shape lies inside the true stroke or far outside it; inscribed
    the reverse.
    """
    reach, start, sweep, radius = arc
    outer, inner = arc_stroke(*arc)
    tolerance = float(shape_tolerance(np.array(radius)))
    for shape, least, most in ((outer, 0, tolerance), (inner, -tolerance, 0)):
        assert shape.geom_type == "Polygon"
        assert shape.is_valid
        edge = shapely.get_coordinates(shapely.segmentize(shape.boundary, radius / 10))
        off = distance_from_arc(edge, reach, start, sweep) - radius
        assert off.min() >= least - tolerance * 0.01 - EXACT
        assert off.max() <= most + tolerance * 0.01 + EXACT


@pytest.mark.parametrize("sweep", [0.5, -2.0, 4.0, 2 * math.pi])
def test_many_arcs_at_once(sweep: float) -> None:
    """A table of arcs gives the shapes that its rows give one by one."""
    rng = np.random.default_rng(5)
    geometry = np.column_stack(
        (
            rng.uniform(-9, 9, (30, 2)),
            rng.uniform(0.1, 9, 30),
            rng.uniform(-3, 3, 30),
            np.full(30, sweep),
        )
    )
    table = conductors(30, kind=Kind.ARC, geometry=geometry, radius=rng.uniform(0.05, 1, 30))
    alone = [table.take([row]).shapes()[0] for row in range(30)]
    assert shapely.equals_exact(table.shapes(), alone, 1e-9).all()


@given(
    st.tuples(*[st.integers(-500, 500)] * 4),
    st.floats(0.001, 5),
)
@settings(deadline=None)
def test_strokes_lie_on_the_safe_side(ends: tuple[int, int, int, int], radius: float) -> None:
    """The circumscribed shape of a stroke holds it and the inscribed one lies in it, each within
    the tolerance.
    """
    x0, y0, x1, y1 = (v / 100 for v in ends)
    table = conductors(1, kind=Kind.STROKE, geometry=[[x0, y0, x1, y1, 0]], radius=radius)
    line = (
        shapely.LineString([(x0, y0), (x1, y1)]) if ends[:2] != ends[2:] else shapely.Point(x0, y0)
    )
    tolerance = float(shape_tolerance(np.array(radius)))
    for inside, least, most in ((False, 0, tolerance), (True, -tolerance, 0)):
        shape = table.shapes(inside=inside)[0]
        assert shape.is_valid
        edge = shapely.points(
            shapely.get_coordinates(shapely.segmentize(shape.boundary, radius / 10))
        )
        off = shapely.distance(edge, line) - radius
        assert off.min() >= least - EXACT
        assert off.max() <= most + EXACT
