"""Circular moves: centre, radii and sweep from start, end and the signed or unsigned offsets I and
J.

The Gerber Layer Format Specification 2023.08, 4.7.2 (G75) and 8.1.10 (G74). Start and end may lie
at slightly different distances from the centre, since all of them are rounded to the coordinate
format; the arc then runs from the one radius to the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from parsers.columns import Columns
from parsers.gerber.bounds import bound_points
from parsers.gerber.state import CLOCKWISE, MULTI, NO_QUADRANT, SINGLE
from parsers.gerber.syntax import Longs
from parsers.primitives import Bools, Floats, arc_steps, shape_tolerance

QUARTER = np.pi / 2 + 1e-3  # rad; a rounded quarter may be a little more


@dataclass(frozen=True, slots=True)
class Arcs(Columns):
    """Arcs as columns of length n, in mm and radians; sweep is counterclockwise positive."""

    centre: Floats  # (n, 2)
    first: Floats  # radius at the start
    last: Floats  # radius at the end
    start: Floats  # angle at the start
    sweep: Floats

    @property
    def deviation(self) -> Floats:
        """How far the radii at both ends differ."""
        difference: Floats = np.abs(self.last - self.first)
        return difference


def make_arcs(ends: Floats, offset: Floats, mode: Longs, quadrant: Longs) -> tuple[Arcs, Bools]:
    """Find the arcs of circular moves.

    Parameters
    ----------
    ends : start and end, shape (n, 4), mm
    offset : I and J, shape (n, 2), mm
    mode : CLOCKWISE or COUNTERCLOCKWISE
    quadrant : SINGLE, MULTI or NO_QUADRANT

    Returns
    -------
    The arcs, and a mask of those whose quadrant mode is not set and matters.
    """
    clockwise = mode == CLOCKWISE
    multi = _arcs(ends, offset, clockwise)
    if (quadrant == MULTI).all():
        return multi, np.zeros(len(ends), dtype=np.bool_)
    single = _single(ends, np.abs(offset), clockwise)
    open_ = (quadrant == NO_QUADRANT) & (
        _differ(single.sweep, multi.sweep) | _differ(single.first, multi.first)
    )
    use = quadrant == SINGLE
    return _choose(use, single, multi), open_


def _differ(a: Floats, b: Floats) -> Bools:
    different: Bools = np.abs(a - b) > 1e-9
    return different


def _arcs(ends: Floats, offset: Floats, clockwise: Bools, full: bool = True) -> Arcs:
    """Arcs about start plus offset; equal ends give a full circle (or `full` False: nothing)."""
    centre = ends[:, :2] + offset
    from_, to = ends[:, :2] - centre, ends[:, 2:] - centre
    start, end = np.arctan2(from_[:, 1], from_[:, 0]), np.arctan2(to[:, 1], to[:, 0])
    turn = np.where(clockwise, -1.0, 1.0)
    sweep = np.mod((end - start) * turn, 2 * np.pi)
    closed = (ends[:, :2] == ends[:, 2:]).all(axis=1)
    sweep = np.where(closed, 2 * np.pi if full else 0.0, sweep) * turn
    return Arcs(centre, np.hypot(*from_.T), np.hypot(*to.T), start, sweep)


def _single(ends: Floats, offset: Floats, clockwise: Bools) -> Arcs:
    """Of the four centres that unsigned offsets allow, take the arc up to a quarter turn that fits
    best.
    """
    best = _arcs(ends, offset, clockwise, full=False)
    score = _misfit(best)
    for signs in ((1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)):
        other = _arcs(ends, offset * np.array(signs), clockwise, full=False)
        misfit = _misfit(other)
        better = misfit < score
        best, score = _choose(better, other, best), np.where(better, misfit, score)
    return best


def _misfit(arcs: Arcs) -> Floats:
    """Difference of the radii, beyond any for arcs of more than a quarter turn."""
    misfit: Floats = arcs.deviation + np.where(np.abs(arcs.sweep) > QUARTER, 1e9, 0.0)
    return misfit


def _choose(mask: Bools, a: Arcs, b: Arcs) -> Arcs:
    return Arcs(
        np.where(mask[:, None], a.centre, b.centre),
        np.where(mask, a.first, b.first),
        np.where(mask, a.last, b.last),
        np.where(mask, a.start, b.start),
        np.where(mask, a.sweep, b.sweep),
    )


def arc_counts(arcs: Arcs, outside: Bools) -> Longs:
    """Number of points after the start that a polyline along each arc needs."""
    radius = np.maximum(np.maximum(arcs.first, arcs.last), 1e-9)
    steps = arc_steps(radius, arcs.sweep, shape_tolerance(radius))  # type: ignore[arg-type]
    return steps.astype(np.int64) + outside


def arc_path(arcs: Arcs, outside: Bools, ends: Floats) -> tuple[Floats, Longs]:
    """Points along arcs, start left out and end exact, on the arc or (`outside`) beyond it as
    tangents.

    Parameters
    ----------
    outside : mask, shape (n,)
    ends : exact end points, shape (n, 2)

    Returns
    -------
    Points, shape (sum of `arc_counts`, 2), and how many belong to each arc.
    """
    counts = arc_counts(arcs, outside)
    bound_points(int(counts.sum()))
    steps = counts - outside
    owner = np.repeat(np.arange(len(counts)), counts)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    part = np.where(outside[owner], place + 0.5, place + 1.0) / steps[owner]
    stretch = np.where(outside, 1 / np.cos(arcs.sweep / steps / 2), 1.0)
    radius = (
        arcs.first[owner] + (arcs.last - arcs.first)[owner] * np.minimum(part, 1.0)
    ) * stretch[owner]
    angle = arcs.start[owner] + arcs.sweep[owner] * part
    points = arcs.centre[owner] + radius[:, None] * np.column_stack((np.cos(angle), np.sin(angle)))
    points[np.cumsum(counts) - 1] = ends
    return points, counts
