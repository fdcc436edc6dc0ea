"""Shortest lines between straight pieces in a plane, also through two windows: the arithmetic of
unfolded surfaces.

A path over an edge of the board is straight once the wall is unfolded beside the face. It must
leave the face through a piece of the rim (a window), cross the wall, and enter the other face
through another piece of the rim. Everything here works on columns: one row is one such question.
Units: mm, in whatever plane the caller unfolded to.

Literature, from memory: unfolding of polyhedra (a shortest path is straight in the unfolded plane
and bends only at ends of windows).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from parsers.columns import Columns
from parsers.primitives import Bools, Floats

PARALLEL = 1e-9  # sine of the angle below which two pieces have a whole stretch of nearest points
_LEVEL = 1e-14  # mm2; twice the area that a line spans with a window that it runs along
ROUNDING = 1e-9  # mm and parts of one; what double precision leaves uncertain at board size


@dataclass(frozen=True, slots=True)
class Crossings(Columns):
    """Shortest paths through two windows; columns of length n.

    `start`, `first`, `second` and `end` say where, as parts (0..1) of the first piece, first
    window, second window and second piece.
    """

    length: Floats
    start: Floats
    first: Floats
    second: Floats
    end: Floats

    def columns(self) -> tuple[Floats, ...]:
        """All columns, in the order of the fields."""
        return self.length, self.start, self.first, self.second, self.end


def along(pieces: Floats, parts: Floats) -> Floats:
    """Points at the given parts (0..1) of pieces x0, y0, x1, y1; shape (n, 2).

    Parameters
    ----------
    pieces : mm, (n, 4)
    parts : (n,)

    Returns
    -------
    points in mm, (n, 2)
    """
    points: Floats = pieces[:, 0:2] + parts[:, None] * (pieces[:, 2:4] - pieces[:, 0:2])
    return points


def cross(a: Floats, b: Floats) -> Floats:
    """Cross products of plane vectors, row by row.

    Parameters
    ----------
    a, b : vectors, (..., 2)

    Returns
    -------
    (...)
    """
    product: Floats = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return product


def nearest_part(pieces: Floats, points: Floats) -> Floats:
    """Which part (0..1) of each piece is nearest to its point, shape (n,).

    Parameters
    ----------
    pieces : x0, y0, x1, y1 in mm, (n, 4)
    points : mm, (n, 2)
    """
    run = pieces[:, 2:4] - pieces[:, 0:2]
    size = np.einsum("ij,ij->i", run, run)
    dot = np.einsum("ij,ij->i", points - pieces[:, 0:2], run)
    parts: Floats = np.clip(np.divide(dot, size, out=np.zeros_like(dot), where=size > 0), 0.0, 1.0)
    return parts


def distance_to(pieces: Floats, points: Floats) -> Floats:
    """Distances from pieces to points, row by row.

    Parameters
    ----------
    pieces : x0, y0, x1, y1 in mm, (n, 4)
    points : mm, (n, 2)

    Returns
    -------
    mm, (n,)
    """
    gap = along(pieces, nearest_part(pieces, points)) - points
    distance: Floats = np.hypot(gap[:, 0], gap[:, 1])
    return distance


def touching_lines(a: Floats, b: Floats) -> tuple[Floats, Floats, Floats]:
    """Four lines from piece to piece, each from an end of one square to the other or to its end.

    The shortest of them is the shortest distance of two pieces that do not cross. Two parallel
    pieces have many shortest lines; both ends of that stretch are among the four.

    Returns
    -------
    lengths, parts of `a`, parts of `b`; each of shape (n, 4)
    """
    n = len(a)
    parts_a, parts_b = np.empty((n, 4)), np.empty((n, 4))
    for k, part in enumerate((0.0, 1.0)):
        parts_a[:, k] = parts_b[:, 2 + k] = part
        parts_b[:, k] = nearest_part(b, a[:, 2 * k : 2 * k + 2])
        parts_a[:, 2 + k] = nearest_part(a, b[:, 2 * k : 2 * k + 2])
    gap = (
        a[:, None, 0:2]
        + parts_a[..., None] * (a[:, 2:4] - a[:, 0:2])[:, None]
        - b[:, None, 0:2]
        - parts_b[..., None] * (b[:, 2:4] - b[:, 0:2])[:, None]
    )
    return np.hypot(gap[..., 0], gap[..., 1]), parts_a, parts_b


def closest(a: Floats, b: Floats) -> tuple[Floats, Floats, Floats]:
    """Distances of straight pieces, 0 where they cross, and the nearest parts of both; each of
    shape (n,).

    Parameters
    ----------
    a, b : pieces x0, y0, x1, y1 in mm, (n, 4)
    """
    lengths, parts_a, parts_b = touching_lines(a, b)
    rows, best = np.arange(len(a)), np.argmin(lengths, axis=1)
    length, part_a, part_b = lengths[rows, best], parts_a[rows, best], parts_b[rows, best]
    crossed, at_a, at_b = _crossing(a, b)
    length[crossed], part_a[crossed], part_b[crossed] = 0.0, at_a[crossed], at_b[crossed]
    return length, part_a, part_b


def parallel(a: Floats, b: Floats) -> Bools:
    """Whether two pieces, neither of them a point, run in the same direction.

    Parameters
    ----------
    a, b : pieces x0, y0, x1, y1 in mm, (n, 4)

    Returns
    -------
    mask, (n,)
    """
    run_a, run_b = a[:, 2:4] - a[:, 0:2], b[:, 2:4] - b[:, 0:2]
    size = np.hypot(run_a[:, 0], run_a[:, 1]) * np.hypot(run_b[:, 0], run_b[:, 1])
    mask: Bools = (size > 0) & (np.abs(cross(run_a, run_b)) <= PARALLEL * size)
    return mask


def passing(start: Floats, end: Floats, gates: Floats, margin: Floats) -> tuple[Bools, Floats]:
    """Which straight lines cross their gates, or miss them by no more than a margin in mm, and
    where; NaN where none.

    Parameters
    ----------
    start, end : (n, 2)
    gates : (n, 4)
    """
    unit = (gates[:, 2:4] - gates[:, 0:2]) / np.maximum(
        _norm(gates[:, 2:4] - gates[:, 0:2]), ROUNDING
    )[:, None]
    wide = gates + np.hstack((-unit, unit)) * margin[:, None]
    hit, part = _window_part(np.hstack((start, end)), wide)
    return hit, np.where(hit[:, None], along(wide, part), np.nan)


def through_windows(a: Floats, first: Floats, second: Floats, b: Floats) -> Crossings:
    """Shortest paths from piece `a` through two windows, in this order, to piece `b`; all in one
    plane.

    The length is a convex function of both crossing points, so its least value is where the line is
    straight, or where it bends at an end of a window. All twelve ways are tried and the best that
    is possible is taken; each is a real path, so no length is too short.

    Parameters
    ----------
    a, first, second, b : rows x0, y0, x1, y1, shape (n, 4); `a` lies on the near side of `first`,
        `b` beyond `second`
    """
    lines = touching_lines(a, b)
    best = _straight(
        a, first, second, b, tuple(_picked(c, np.argmin(lines[0], axis=1)) for c in lines)
    )
    rest = np.flatnonzero(~np.isfinite(best.length))  # the shortest line of all misses a window
    if len(rest):
        others = _any_way(a[rest], first[rest], second[rest], b[rest], [c[rest] for c in lines])
        for column, other in zip(best.columns(), others.columns(), strict=True):
            column[rest] = other
    return best


def _any_way(
    a: Floats, first: Floats, second: Floats, b: Floats, lines: Sequence[Floats]
) -> Crossings:
    """The best of all ways, straight or bent."""
    ways = [_straight(a, first, second, b, tuple(c[:, k] for c in lines)) for k in range(4)]
    ways += [_bent_at_first(a, first, second, b, k) for k in (0.0, 1.0)]
    ways += [_mirrored(_bent_at_first(b, second, first, a, k)) for k in (0.0, 1.0)]
    ways += [_bent_twice(a, first, second, b, k, m) for k in (0.0, 1.0) for m in (0.0, 1.0)]
    best = np.argmin(np.stack([w.length for w in ways]), axis=0)
    rows = np.arange(len(a))
    return Crossings(
        *(np.stack(column)[best, rows] for column in zip(*(w.columns() for w in ways), strict=True))
    )


def _picked(table: Floats, column: npt.NDArray[np.intp]) -> Floats:
    """One number of each row."""
    picked: Floats = table[np.arange(len(table)), column]
    return picked


def _straight(
    a: Floats, first: Floats, second: Floats, b: Floats, touching: tuple[Floats, ...]
) -> Crossings:
    """A touching line (length, part of `a`, part of `b`), infinitely long where it misses a
    window.
    """
    length, start, end = touching
    line = np.hstack((along(a, start), along(b, end)))
    hit_1, part_1 = _window_part(line, first)
    hit_2, part_2 = _window_part(line, second)
    return Crossings(np.where(hit_1 & hit_2, length, np.inf), start, part_1, part_2, end)


def _bent_at_first(a: Floats, first: Floats, second: Floats, b: Floats, which: float) -> Crossings:
    """Bent at an end of the first window, then straight."""
    part = np.full(len(a), which)
    bend = along(first, part)
    start, end = nearest_part(a, bend), nearest_part(b, bend)
    target = along(b, end)
    hit, part_2 = _window_part(np.hstack((bend, target)), second)
    length = _norm(along(a, start) - bend) + _norm(target - bend)
    return Crossings(np.where(hit, length, np.inf), start, part, part_2, end)


def _bent_twice(
    a: Floats, first: Floats, second: Floats, b: Floats, which_1: float, which_2: float
) -> Crossings:
    """Bent at an end of each window."""
    part_1, part_2 = np.full(len(a), which_1), np.full(len(a), which_2)
    bend_1, bend_2 = along(first, part_1), along(second, part_2)
    start, end = nearest_part(a, bend_1), nearest_part(b, bend_2)
    length = (
        _norm(along(a, start) - bend_1) + _norm(bend_1 - bend_2) + _norm(along(b, end) - bend_2)
    )
    return Crossings(length, start, part_1, part_2, end)


def _mirrored(way: Crossings) -> Crossings:
    return Crossings(way.length, way.end, way.second, way.first, way.start)


def _window_part(line: Floats, window: Floats) -> tuple[Bools, Floats]:
    """Whether each line passes its window, and at which part of the window.

    A line without length, or along its window, passes it if it touches it: ways end there to copper
    at the very rim.
    """
    run, span, gap = (
        line[:, 2:4] - line[:, 0:2],
        window[:, 2:4] - window[:, 0:2],
        line[:, 0:2] - window[:, 0:2],
    )
    down = cross(span, run)
    usable = np.abs(down) > _LEVEL
    safe = np.where(usable, down, 1.0)
    part, walked = cross(gap, run) / safe, cross(gap, span) / safe
    hit: Bools = usable & (part >= -ROUNDING) & (part <= 1 + ROUNDING)
    hit &= (walked >= -ROUNDING) & (walked <= 1 + ROUNDING)
    rows = np.flatnonzero(~usable)
    apart, _, touched = touching_lines(line[rows], window[rows])
    best = np.argmin(apart, axis=1)
    hit[rows], part[rows] = apart.min(axis=1, initial=np.inf) <= ROUNDING, _picked(touched, best)
    return hit, np.clip(part, 0.0, 1.0)


def _crossing(a: Floats, b: Floats) -> tuple[Bools, Floats, Floats]:
    """Whether pieces cross, and at which parts of them."""
    run_a, run_b, gap = a[:, 2:4] - a[:, 0:2], b[:, 2:4] - b[:, 0:2], b[:, 0:2] - a[:, 0:2]
    down = cross(run_a, run_b)
    usable = np.abs(down) > 0
    safe = np.where(usable, down, 1.0)
    part_a, part_b = cross(gap, run_b) / safe, cross(gap, run_a) / safe
    hit = usable & (part_a >= 0) & (part_a <= 1) & (part_b >= 0) & (part_b <= 1)
    rows = np.flatnonzero(hit)
    hit[rows] = _meeting(a[rows], b[rows], part_a[rows], part_b[rows])
    return hit, part_a, part_b


def _meeting(a: Floats, b: Floats, part_a: Floats, part_b: Floats) -> Bools:
    """Whether pieces meet that are thought to cross at the given parts.

    Of two pieces in one line nothing but rounding may be left to tell the parts: they come out
    anywhere, also within both pieces where these lie apart. Then the two places differ, and it is
    asked exactly.
    """
    mask: Bools = _norm(along(a, part_a) - along(b, part_b)) <= ROUNDING
    unsure = np.flatnonzero(~mask)
    one, two = (shapely.linestrings(piece[unsure].reshape(-1, 2, 2)) for piece in (a, b))
    mask[unsure] = shapely.intersects(one, two)
    return mask


def _norm(vectors: Floats) -> Floats:
    length: Floats = np.hypot(vectors[:, 0], vectors[:, 1])
    return length
