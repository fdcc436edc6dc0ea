"""Hatching as plain lines: the second cue of a region, drawn the same by every viewer."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from checker.drawing.scene import PER_MM, Lines
from parsers.primitives import Floats, repeated

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
    cos, sin = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    along, off = np.array([cos, sin]), np.array([-sin, cos])
    line, place = _scanned(rings, along, off, spacing * PER_MM, window)
    order = np.lexsort((place, line))
    u, v = place[order], (line[order] + 0.5) * spacing * PER_MM
    points = np.rint(np.column_stack((u * cos - v * sin, u * sin + v * cos))).astype(np.int64)
    return Lines(points, np.arange(0, len(points), 2)).within(window)


def _scanned(
    rings: Lines,
    along: Floats,
    off: Floats,
    pitch: float,
    window: tuple[float, float, float, float],
) -> tuple[Floats, Floats]:
    """Crossings of edges with scan lines in the window: which line, and where along it.

    Parameters
    ----------
    along, off : unit vectors along the lines and square to them
    pitch : between lines, in the units of the rings
    """
    starts, ends = _edges(rings)
    place = np.column_stack((starts @ along, ends @ along))
    level = np.column_stack((starts @ off, ends @ off)) / pitch - 0.5
    x0, y0, x1, y1 = (PER_MM * v for v in window)
    seen = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]) @ off / pitch - 0.5
    # half open: a shared corner counts once
    first = np.maximum(np.ceil(level.min(axis=1)), math.floor(seen.min()))
    last = np.minimum(np.ceil(level.max(axis=1)), math.ceil(seen.max()))
    edge, step = repeated(np.arange(len(first)), np.maximum(last - first, 0).astype(np.int64))
    line = first[edge] + step
    share = (line - level[edge, 0]) / (level[edge, 1] - level[edge, 0])
    return line, place[edge, 0] + share * (place[edge, 1] - place[edge, 0])


def _edges(rings: Lines) -> tuple[Points, Points]:
    """Both ends of every edge, the closing ones included."""
    last = np.append(rings.starts[1:], len(rings.points)) - 1
    following = np.arange(1, len(rings.points) + 1)
    following[last] = rings.starts
    return rings.points.astype(np.float64), rings.points[following].astype(np.float64)
