"""Pours: the disc that they must hold, against its plain definition."""

from __future__ import annotations

import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from checker.layout.pours import holds_disc


def _cut_square(cuts: list[tuple[float, float, float, float, float]]) -> list[shapely.Polygon]:
    turned = [
        shapely.affinity.rotate(shapely.box(x, y, x + w, y + h), angle)
        for x, y, w, h, angle in cuts
    ]
    return list(shapely.get_parts(shapely.box(0, 0, 20, 20) - shapely.union_all(turned)))


CUT = st.tuples(
    st.floats(0, 20), st.floats(0, 20), st.floats(0.3, 4), st.floats(0.3, 9), st.floats(0, 90)
)


@settings(max_examples=60, deadline=None)
@given(st.lists(CUT, min_size=3, max_size=25), st.sampled_from([2.0, 3.0, 5.0, 6.7]))
def test_a_disc_fits_where_the_eroded_shape_is_not_empty(
    cuts: list[tuple[float, float, float, float, float]], diameter: float
) -> None:
    """Erosion by the radius less half of the contract's tolerance: the plain definition."""
    for shape in _cut_square(cuts):
        assert holds_disc(shape, diameter) == (
            not shapely.is_empty(shapely.buffer(shape, -(diameter - 0.001) / 2, quad_segs=32))
        )
