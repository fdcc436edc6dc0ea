"""Region statements as areas: contours from their segments, filled each alone.

The Gerber Layer Format Specification 2023.08, 4.10. Dark areas are nowhere smaller than their
contour and clear ones nowhere larger: an arc that bulges out of a dark contour is circumscribed,
one that dents it is replaced by its chords, and the reverse for clear contours. Several contours of
one statement are objects of their own, which amounts to their union.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from parsers.gerber.arcs import Arcs, arc_counts, arc_path
from parsers.gerber.outlines import fill
from parsers.gerber.syntax import Longs
from parsers.primitives import Bools, Floats, Shapes, ring_polygons


@dataclass(frozen=True, slots=True)
class Segments:
    """Contour segments in file order, columns of length n."""

    ends: Floats  # (n, 4)
    contour: Longs  # number of the contour, ascending from 0 without gaps
    curved: Bools  # segments that are arcs
    arcs: Arcs  # of the curved segments, in their order


@dataclass(frozen=True, slots=True)
class Areas:
    """Connected areas of contours, columns of length n, and what was odd about the contours."""

    shapes: Shapes
    contour: Longs
    unclosed: Longs  # contours that a straight line had to close
    invalid: Longs  # contours whose area is open to dispute


def fill_contours(segments: Segments, grow: Bools) -> Areas:
    """Fill contours; `grow` per contour tells whether its area may be too large or too small by the
    arcs' tolerance.
    """
    count = len(grow)
    outside = np.zeros(len(segments.arcs.sweep), dtype=np.bool_)
    points, lengths, unclosed = _points(segments, outside, count)
    if len(outside):
        counterclockwise = _areas(points, lengths) >= 0
        owner = segments.contour[segments.curved]
        bulges = (segments.arcs.sweep > 0) == counterclockwise[owner]
        outside = bulges == grow[owner]
        points, lengths, unclosed = _points(segments, outside, count)
    return _filled(points, lengths, unclosed)


def _points(segments: Segments, outside: Bools, count: int) -> tuple[Floats, Longs, Longs]:
    """Corner points of all contours one after the other, closed, with their number per contour."""
    counts = np.ones(len(segments.contour), dtype=np.int64)
    curved = segments.curved
    counts[curved] = arc_counts(segments.arcs, outside)
    first = np.searchsorted(segments.contour, np.arange(count))
    last = np.concatenate((first[1:], [len(segments.contour)])) - 1
    open_ = (segments.ends[first, :2] != segments.ends[last, 2:]).any(axis=1)
    lengths = np.add.reduceat(counts, first) + 1 + open_
    begins = np.cumsum(lengths) - lengths
    points = np.empty((int(lengths.sum()), 2))
    points[begins] = segments.ends[first, :2]
    points[begins + lengths - 1] = segments.ends[first, :2]
    place = (
        np.cumsum(counts)
        + segments.contour
        + 1
        - counts
        + np.repeat(np.cumsum(open_) - open_, last - first + 1)
    )
    points[place[~curved]] = segments.ends[~curved, 2:]
    along, sizes = arc_path(segments.arcs, outside, segments.ends[curved, 2:])
    points[np.repeat(place[curved] - np.cumsum(sizes) + sizes, sizes) + np.arange(len(along))] = (
        along
    )
    return points, lengths, np.flatnonzero(open_)


def _areas(points: Floats, lengths: Longs) -> Floats:
    """Signed areas of closed rings."""
    begins = np.cumsum(lengths) - lengths
    x, y = (points - np.repeat(points[begins], lengths, axis=0)).T
    cross = np.zeros(len(points))
    cross[:-1] = x[:-1] * y[1:] - x[1:] * y[:-1]
    cross[begins + lengths - 1] = 0.0
    areas: Floats = np.add.reduceat(cross, begins) / 2
    return areas


def _filled(points: Floats, lengths: Longs, unclosed: Longs) -> Areas:
    proper = lengths >= 4
    contours = np.flatnonzero(proper)
    keep = np.repeat(proper, lengths)
    shapes = ring_polygons(points[keep], lengths[contours])
    bad = np.flatnonzero(~shapely.is_valid(shapes))
    begins = np.cumsum(lengths) - lengths
    invalid: list[int] = []
    pieces: list[shapely.Geometry] = []
    homes: list[int] = []
    for row in bad.tolist():
        contour = int(contours[row])
        filled = fill(points[begins[contour] : begins[contour] + lengths[contour]])
        parts = shapely.get_parts(filled.shape)
        pieces.extend(parts)
        homes.extend([contour] * len(parts))
        if not filled.valid:
            invalid.append(contour)
    if len(bad):
        good = np.delete(np.arange(len(contours)), bad)
        homes_of = np.concatenate((contours[good], np.array(homes, dtype=np.int64)))
        column: Shapes = np.empty(len(homes_of), dtype=object)
        column[: len(good)] = shapes[good]
        column[len(good) :] = pieces
        order = np.argsort(homes_of, kind="stable")
        shapes, contours = column[order], homes_of[order]
    return Areas(shapes, contours, unclosed, np.array(invalid, dtype=np.int64))
