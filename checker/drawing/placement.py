"""Where the numbered badges go: near their place, off copper, off each other, with leaders that do
not cross badges.

A grid of cells over the picture holds what is there; sums over boxes come from an integral image,
so each candidate costs a few look-ups. Units: pixels of the picture.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Points = npt.NDArray[np.float64]  # (n, 2)
XY = tuple[float, float]
Box = tuple[float, float, float, float]

CELL = 4.0
DISTANCES = (26.0, 38.0, 54.0, 76.0, 105.0, 145.0, 200.0, 270.0)
DIRECTIONS = 24
MOST_AROUND = 20  # cells; a wider trace fills the picture anyway
GAP = 3.0  # px kept free around a badge
COPPER_COST, DISTANCE_COST, LEADER_COST, BLOCKED_COST = 30.0, 0.5, 40.0, 10_000.0


@dataclass(frozen=True, slots=True)
class Badge:
    """A badge as placed: its centre, half its size, and the place that it speaks of."""

    centre: XY
    half: XY
    anchor: XY

    @property
    def box(self) -> Box:
        """The box that it covers."""
        (x, y), (w, h) = self.centre, self.half
        return x - w, y - h, x + w, y + h


class Grid:
    """Cells over a frame that say how much is drawn there."""

    def __init__(self, frame: Box) -> None:
        self.frame = frame
        width, height = frame[2] - frame[0], frame[3] - frame[1]
        self._cells = np.zeros((int(height / CELL) + 2, int(width / CELL) + 2))
        self._sums: npt.NDArray[np.float64] | None = None
        self._asked = False  # since the last change

    def mark_points(self, points: Points, reach: float = 0.0) -> None:
        """Mark the cells of points, shape (n, 2), and those within about `reach` of them."""
        cells = np.floor((points - np.array(self.frame[:2])) / CELL).astype(np.int64)
        rows, columns = self._cells.shape
        cells = cells[(cells >= 0).all(axis=1) & (cells < [columns, rows]).all(axis=1)]
        if not len(cells):
            return
        around = min(round(reach / CELL), MOST_AROUND)
        low = np.maximum(cells.min(axis=0) - around, 0)
        high = cells.max(axis=0) + around + 1
        part = self._cells[low[1] : high[1], low[0] : high[0]]
        np.maximum(part, _spread(part.shape, cells - low, around), out=part)
        self._changed()

    def mark_line(self, start: XY, end: XY) -> None:
        """Mark the cells along a straight line."""
        self.mark_points(along(np.array([start]), np.array([end])))

    def mark_box(self, box: Box) -> None:
        """Mark the cells of a box."""
        x0, y0, x1, y1 = self._cells_of(np.array([box]))[0].tolist()
        self._cells[y0 : y1 + 1, x0 : x1 + 1] = 1.0
        self._changed()

    def share(self, boxes: npt.NDArray[np.float64]) -> Points:
        """How much of each box is marked, 0 to 1, shape (n,)."""
        cells = self._cells_of(boxes)
        if self._sums is None and self._asked:
            self._sums = _sums_of(self._cells)
        if self._sums is not None or not len(cells):
            return _share(_sums_of(self._cells) if self._sums is None else self._sums, cells)
        self._asked = True  # what changes after every question is summed up near the boxes only
        x, y = cells[:, :2].min(axis=0)
        across, down = cells[:, 2:].max(axis=0)
        return _share(_sums_of(self._cells[y : down + 1, x : across + 1]), cells - [x, y, x, y])

    def _changed(self) -> None:
        self._sums, self._asked = None, False

    def _cells_of(self, boxes: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
        rows, columns = self._cells.shape
        cells = np.floor((boxes - np.tile(self.frame[:2], 2)) / CELL).astype(np.int64)
        limits = np.array([columns - 1, rows - 1, columns - 1, rows - 1])
        return np.asarray(np.clip(cells, 0, limits))


def _spread(shape: tuple[int, ...], cells: npt.NDArray[np.int64], around: int) -> Points:
    """A field of a shape in which some cells, and those within so many of them, are 1."""
    fresh = np.zeros(shape)
    fresh[cells[:, 1], cells[:, 0]] = 1.0
    if around <= 0:
        return fresh
    from scipy.ndimage import maximum_filter

    spread: Points = maximum_filter(fresh, 2 * around + 1, mode="constant")
    return spread


def _sums_of(cells: Points) -> Points:
    """Sums of all cells before each corner, of one row and column more."""
    sums: Points = np.pad(cells, ((1, 0), (1, 0))).cumsum(axis=0).cumsum(axis=1)
    return sums


def _share(sums: Points, cells: npt.NDArray[np.int64]) -> Points:
    """How much of each range of cells is marked."""
    x0, y0, x1, y1 = cells.T
    total = sums[y1 + 1, x1 + 1] - sums[y0, x1 + 1] - sums[y1 + 1, x0] + sums[y0, x0]
    return np.asarray(total / ((x1 - x0 + 1) * (y1 - y0 + 1)))


def along(starts: Points, ends: Points, step: float = CELL) -> Points:
    """Points at most `step` apart along straight legs, both ends of each included, shape (k, 2).

    Examples
    --------
    >>> along(np.array([[0.0, 0.0]]), np.array([[8.0, 0.0]])).tolist()
    [[0.0, 0.0], [4.0, 0.0], [8.0, 0.0]]
    """
    return along_each(starts, ends, step)[0]


def along_each(
    starts: Points, ends: Points, step: float = CELL
) -> tuple[Points, npt.NDArray[np.intp]]:
    """The same, with the number of the leg that each point is on."""
    legs = ends - starts
    counts = np.ceil(np.hypot(legs[:, 0], legs[:, 1]) / step).astype(np.int64) + 1
    leg = np.repeat(np.arange(len(legs)), counts)
    place = np.arange(len(leg)) - np.repeat(np.cumsum(counts) - counts, counts)
    points: Points = starts[leg] + legs[leg] * (place / np.maximum(counts[leg] - 1, 1))[:, None]
    return points, leg


class Placer:
    """Places badges one by one; earlier ones get the better places, and none covers what is taken.

    Parameters
    ----------
    frame : the part of the picture that badges must stay in
    copper : what had better stay visible
    taken : what must stay free (names, witness paths, the copper that badges speak of); it is added
        to
    """

    def __init__(self, frame: Box, copper: Grid, taken: Grid) -> None:
        self.frame, self.copper, self.taken = frame, copper, taken
        self.leaders = Grid(frame)

    def keep_anchors(self, anchors: Iterable[XY]) -> None:
        """Keep the places free that badges speak of."""
        for x, y in anchors:
            self.taken.mark_box((x - 5, y - 5, x + 5, y + 5))

    def place(self, anchor: XY, half: XY, *, anywhere: bool = False) -> Badge | None:
        """Place a badge of half a size beside its anchor; None where nothing is free, unless it may
        be `anywhere`.
        """
        centre, free = self._best(anchor, half)
        if not free and not anywhere:
            return None
        badge = Badge(centre, half, anchor)
        self.taken.mark_box(badge.box)
        self.leaders.mark_line(anchor, badge.centre)
        return badge

    def _best(self, anchor: XY, half: XY) -> tuple[XY, bool]:
        """The centre of least cost, and whether it covers nothing that is taken."""
        centres = _candidates(self.frame, anchor, half)
        room = np.array(half) + GAP
        boxes = np.hstack((centres - room, centres + room))
        covered = self.taken.share(boxes)
        cost = DISTANCE_COST * np.hypot(*(centres - np.array(anchor)).T) + BLOCKED_COST * covered
        cost += COPPER_COST * self.copper.share(boxes) + LEADER_COST * self.leaders.share(boxes)
        # leaders are costlier to judge: only for the best places
        good = np.argsort(cost, kind="stable")[:40]
        crossing = _leader_costs(anchor, centres[good], half, self.taken, self.leaders)
        best = good[int(np.argmin(cost[good] + crossing))]
        x, y = centres[best].tolist()
        return (x, y), bool(covered[best] == 0)


def place_badges(
    frame: Box, wanted: Sequence[tuple[XY, XY]], copper: Grid, taken: Iterable[Box]
) -> list[Badge]:
    """Place a badge for every (anchor, half size), in the order given, on taken boxes where nothing
    else is left.
    """
    blocked = Grid(frame)
    for box in taken:
        blocked.mark_box(box)
    placer = Placer(frame, copper, blocked)
    placer.keep_anchors(anchor for anchor, _ in wanted)
    placed = [placer.place(anchor, half, anywhere=True) for anchor, half in wanted]
    return [badge for badge in placed if badge is not None]


def _leader_costs(anchor: XY, centres: Points, half: XY, blocked: Grid, leaders: Grid) -> Points:
    """Cost of what leaders run over between their anchor and each of some badges, shape (n,)."""
    starts = np.broadcast_to(np.array(anchor), centres.shape)
    points, leg = along_each(starts, centres)
    far = np.hypot(*(points - np.array(anchor)).T) > 10
    free = far & (np.abs(points - centres[leg]) > np.array(half)).any(axis=1)
    boxes, leg = np.hstack((points[free], points[free])), leg[free]
    taken = np.bincount(leg, blocked.share(boxes), len(centres))
    costs: Points = LEADER_COST * (
        taken + 0.3 * np.bincount(leg, leaders.share(boxes), len(centres))
    )
    return costs


def _candidates(frame: Box, anchor: XY, half: XY) -> Points:
    angle = 2 * np.pi * (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS
    reach = np.repeat(DISTANCES, DIRECTIONS) + max(half) - min(half)
    turns = np.tile(np.column_stack((np.cos(angle), np.sin(angle))), (len(DISTANCES), 1))
    low = np.array(frame[:2]) + half + GAP
    high = np.array(frame[2:]) - half - GAP
    spots: Points = np.clip(np.array(anchor) + reach[:, None] * turns, low, high)
    return spots
