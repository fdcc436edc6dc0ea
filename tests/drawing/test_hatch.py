"""Hatching fills what it should and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from checker.drawing.hatch import hatch
from checker.drawing.scene import Lines, rings_of

WINDOW = (-100.0, -100.0, 100.0, 100.0)


def length(lines: Lines) -> float:
    starts, ends = lines.legs()
    return float(np.hypot(*((ends - starts) / 1000).T).sum())


@st.composite
def blobs(draw: st.DrawFn) -> shapely.Polygon:
    """A star-shaped polygon, often with a hole."""
    count = draw(st.integers(3, 12))
    reach = draw(st.lists(st.floats(4, 20), min_size=count, max_size=count))
    angles = np.arange(count) * 2 * np.pi / count
    blob = shapely.Polygon(
        np.column_stack((np.array(reach) * np.cos(angles), np.array(reach) * np.sin(angles)))
    )
    hole = shapely.Point(0, 0).buffer(draw(st.floats(0.2, 1.0)))
    return blob.difference(hole)


@given(blobs(), st.integers(-90, 90))
def test_hatch_lines_cover_the_area_evenly(blob: shapely.Polygon, angle: int) -> None:
    """Length of all lines times their distance is the area (Cavalieri), up to a line at each of the
    edges.
    """
    spacing = 0.05
    covered = length(hatch(rings_of(np.array([blob]))[0], angle, spacing, WINDOW)) * spacing
    assert covered == pytest.approx(blob.area, abs=2 * spacing * blob.length + 0.01)


@given(blobs(), st.integers(-90, 90))
def test_hatch_lines_stay_inside(blob: shapely.Polygon, angle: int) -> None:
    lines = hatch(rings_of(np.array([blob]))[0], angle, 0.7, WINDOW)
    starts, ends = lines.legs()
    segments = shapely.linestrings(np.stack((starts, ends), axis=1) / 1000)
    assert shapely.covers(blob.buffer(0.01), segments).all()


def test_hatch_lines_outside_the_window_are_left_away() -> None:
    square, _ = rings_of(np.array([shapely.box(0, 0, 50, 50)]))
    lines = hatch(square, 0, 1.0, (10.0, 10.0, 20.0, 20.0))
    assert len(lines) == pytest.approx(10, abs=1)
