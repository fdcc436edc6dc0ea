"""Hatching as plain lines: the second cue of a region, drawn the same by every viewer."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from checker.drawing.scene import PER_MM, Lines

Points = npt.NDArray[np.float64]  # (n, 2)


def hatch(
    rings: Lines, angle: float, spacing: float, window: tuple[float, float, float, float]
) -> Lines:
    """Parallel lines inside rings that do not cross each other (holes stay free), as far as a
    window shows them.

    Parameters
    ----------
    angle : degrees, counterclockwise from the x axis
    spacing : mm between lines; the lines of neighbouring shapes are in step
    window : mm

    Examples
    --------
    >>> square = Lines(np.array([[0, 0], [4000, 0], [4000, 4000], [0, 4000]]), np.array([0]))
    >>> hatch(square, 0.0, 3.0, (0.0, 0.0, 9.0, 9.0)).points.tolist()
    [[0, 1500], [4000, 1500]]

    Notes
    -----
    Scan lines in coordinates turned by `angle`: every edge gives its crossings with the lines it
    spans, crossings are sorted along each line and taken in pairs. Linear in edges and crossings,
    all vectorised.
    """
    turn = math.radians(angle)
    cos, sin = math.cos(turn), math.sin(turn)
    starts, ends = _edges(rings)
    along = np.column_stack((starts @ (cos, sin), ends @ (cos, sin)))
    across = np.column_stack((starts @ (-sin, cos), ends @ (-sin, cos))) / (spacing * PER_MM) - 0.5
    # half open: a shared corner counts once
    first, last = (np.ceil(across.min(axis=1)), np.ceil(across.max(axis=1)))
    x0, y0, x1, y1 = (PER_MM * v for v in window)
    corners = (
        np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]) @ (-sin, cos) / (spacing * PER_MM) - 0.5
    )
    first, last = (
        np.maximum(first, math.floor(corners.min())),
        np.minimum(last, math.ceil(corners.max())),
    )
    counts = np.maximum(last - first, 0).astype(np.int64)
    edge = np.repeat(np.arange(len(counts)), counts)
    line = first[edge] + np.arange(len(edge)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = (line - across[edge, 0]) / (across[edge, 1] - across[edge, 0])
    place = along[edge, 0] + share * (along[edge, 1] - along[edge, 0])
    order = np.lexsort((place, line))
    u, v = place[order], (line[order] + 0.5) * spacing * PER_MM
    points = np.rint(np.column_stack((u * cos - v * sin, u * sin + v * cos))).astype(np.int64)
    return Lines(points, np.arange(0, len(points), 2)).within(window)


def _edges(rings: Lines) -> tuple[Points, Points]:
    """Both ends of every edge, the closing ones included."""
    last = np.append(rings.starts[1:], len(rings.points)) - 1
    following = np.arange(1, len(rings.points) + 1)
    following[last] = rings.starts
    return rings.points.astype(np.float64), rings.points[following].astype(np.float64)
