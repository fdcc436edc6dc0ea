"""Which boxes meet, told for a million at a time by sorting: no geometry is made and no tree is built.

Boxes stand in strips of the plane, in each strip by their lower edge; those that begin within the height of another
one are found by bisection. Where that would propose far more pairs than there can be, a tree is asked instead: the
answer is the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from parsers.primitives import Bools, Floats, Rows, each, repeated

PORTION = 500_000  # proposed pairs looked at at once: bounds memory
DENSE = 24  # proposed pairs a box; beyond, a tree is faster
WIDE = 2  # width of a strip as times the mean width of boxes: each stands in 1.5 strips on average
ROUNDING = 1e-9  # of the plane's extent: keys of the order lose digits, the boxes themselves do not

SAMPLE = 256  # boxes asked to learn how dense they lie

Pair = tuple[Rows, Rows]
Numbers = npt.NDArray[np.int32]


class CrowdedError(Exception):
    """Far more pairs of boxes meet than can be looked at; holds how many lie over each."""

    def __init__(self, density: float) -> None:
        super().__init__(f"{density:.0f} boxes lie over each")
        self.density = density


@dataclass(frozen=True, slots=True)
class _Standing:
    """Boxes in strips: a row for each box and strip, in the order of their lower edges along one long axis."""

    boxes: Floats
    row: Numbers
    strip: Numbers
    low: Floats  # on the long axis
    high: Floats


@dataclass(frozen=True, slots=True)
class _Strips:
    """How the plane is cut: strips along y, each of which has a stretch of one long axis to itself."""

    origin: Floats  # x, y
    width: float
    stretch: float

    def stand(self, boxes: Floats) -> _Standing:
        """Put boxes into every strip that they touch."""
        first, last = self.at(boxes[:, 0]), self.at(boxes[:, 2])
        counts = last - first + 1
        row = np.repeat(np.arange(len(boxes), dtype=np.int32), counts)
        shift = np.cumsum(counts, dtype=np.int32) - counts - first
        strip = np.arange(len(row), dtype=np.int32) - shift[row]
        base = strip * self.stretch - self.origin[1]
        low = base + boxes[row, 1]
        order = np.argsort(low)
        row, base = row[order], base[order]
        return _Standing(boxes, row, strip[order], low[order], base + boxes[row, 3])

    def at(self, x: Floats) -> Numbers:
        """The strip of each place."""
        strip: Numbers = np.floor((x - self.origin[0]) / self.width).astype(np.int32)
        return strip


@dataclass(frozen=True, slots=True)
class _Spans:
    """For each row of one standing the rows of another that may meet it: from `start` on, `count` of them."""

    start: Rows
    count: Rows

    @property
    def total(self) -> int:
        """Proposed pairs."""
        return int(self.count.sum())


def meeting(asked: Floats, boxes: Floats, most: float = math.inf) -> Iterator[Pair]:
    """Pairs (position in `asked`, position in `boxes`) of boxes that meet, touching included, in no order.

    Parameters
    ----------
    asked, boxes : x0, y0, x1, y1 in mm, (n, 4) and (m, 4)
    most : pairs that the asker is ready to look at

    Yields
    ------
    portions of bounded size

    Raises
    ------
    CrowdedError : there are about so many or more

    Examples
    --------
    >>> import numpy as np
    >>> one, other = np.array([[0.0, 0, 1, 1]]), np.array([[1.0, 1, 2, 2]])
    >>> [(i.tolist(), j.tolist()) for i, j in meeting(one, other) if len(i)]
    [([0], [0])]
    """
    if not len(asked) or not len(boxes):
        return
    strips = _strips(asked, boxes)
    one, other = strips.stand(asked), strips.stand(boxes)
    later, earlier = _begun_within(one, other), _begun_within(other, one)
    if later.total + earlier.total > DENSE * (len(asked) + len(boxes)) + PORTION:
        yield from _by_tree(asked, boxes, most)
        return
    for i, j in _checked(one, other, later, strips):
        begins = boxes[j, 1] >= asked[i, 1]
        yield i[begins], j[begins]
    for j, i in _checked(other, one, earlier, strips):
        begins = asked[i, 1] > boxes[j, 1]
        yield i[begins], j[begins]


def meeting_each_other(boxes: Floats, most: float = math.inf) -> Iterator[Pair]:
    """Pairs of positions i < j whose boxes meet, touching included, in portions of bounded size, in no order."""
    if not len(boxes):
        return
    strips = _strips(boxes, boxes)
    one = strips.stand(boxes)
    span = _begun_later(one)
    if span.total > DENSE * len(boxes) + PORTION:
        for i, j in _by_tree(boxes, boxes, most):
            yield i[i < j], j[i < j]
        return
    for i, j in _checked(one, one, span, strips):
        yield np.minimum(i, j), np.maximum(i, j)


def sorted_pairs(asked: Floats, boxes: Floats) -> Pair:
    """All pairs of `meeting` at once, ordered by asked, then found."""
    found = [*meeting(asked, boxes), (np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp))]
    i, j = (np.concatenate(column) for column in zip(*found, strict=True))
    order = np.lexsort((j, i))
    return i[order], j[order]


def widened(boxes: Floats, by: Floats | float) -> Floats:
    """Boxes that reach further on every side."""
    reach = np.broadcast_to(np.asarray(by, dtype=np.float64), (len(boxes),))[:, None]
    out: Floats = np.hstack((boxes[:, :2] - reach, boxes[:, 2:] + reach))
    return out


# ---------------------------------------------------------------------------------------------------- strips


def _strips(one: Floats, other: Floats) -> _Strips:
    """Strips wider than most boxes are."""
    low = np.minimum(one[:, :2].min(axis=0), other[:, :2].min(axis=0))
    high = np.maximum(one[:, 2:].max(axis=0), other[:, 2:].max(axis=0))
    widths = np.concatenate((one[:, 2] - one[:, 0], other[:, 2] - other[:, 0]))
    least = max(float(high[0] - low[0]) / len(widths), 1e-9)
    width = max(WIDE * float(widths.mean()), least)
    return _Strips(low, width, 2 * float(high[1] - low[1]) + 1.0)


def _begun_within(one: _Standing, other: _Standing) -> _Spans:
    """Boxes of the other that begin between the lower and the upper edge of each of one."""
    slack = ROUNDING * max(1.0, float(np.abs(one.high).max()), float(np.abs(other.high).max()))
    start = np.searchsorted(other.low, one.low - slack)
    return _Spans(start, np.searchsorted(other.low, one.high + slack, side="right") - start)


def _begun_later(one: _Standing) -> _Spans:
    """Boxes that stand behind each one in order and begin below its upper edge."""
    slack = ROUNDING * max(1.0, float(np.abs(one.high).max()))
    start = np.arange(1, len(one.row) + 1)
    return _Spans(
        start, np.maximum(np.searchsorted(one.low, one.high + slack, side="right") - start, 0)
    )


def _checked(one: _Standing, other: _Standing, spans: _Spans, strips: _Strips) -> Iterator[Pair]:
    """Proposed pairs whose boxes do meet, each in one strip only: where the later of both begins."""
    ends = np.cumsum(spans.count)
    for start, stop in _portions(ends):
        at, behind = repeated(np.arange(start, stop), spans.count[start:stop])
        to = spans.start[at] + behind
        meet = (one.strip[at] == other.strip[to]) & _meet(
            one.boxes[one.row[at]], other.boxes[other.row[to]]
        )
        at, to = at[meet], to[meet]
        i, j = one.row[at].astype(np.intp), other.row[to].astype(np.intp)
        own = strips.at(np.maximum(one.boxes[i, 0], other.boxes[j, 0])) == one.strip[at]
        yield i[own], j[own]


def _portions(ends: Rows) -> Iterator[tuple[int, int]]:
    """Runs of rows whose proposed pairs are about PORTION together; `ends` sums up their numbers."""
    start = 0
    while start < len(ends):
        upto = int(ends[start - 1] if start else 0) + PORTION
        stop = max(int(np.searchsorted(ends, upto, side="right")), start + 1)
        yield start, stop
        start = stop


def _meet(a: Floats, b: Floats) -> Bools:
    """Which boxes meet, row by row."""
    meet: Bools = (
        (a[:, 0] <= b[:, 2]) & (b[:, 0] <= a[:, 2]) & (a[:, 1] <= b[:, 3]) & (b[:, 1] <= a[:, 3])
    )
    return meet


def _by_tree(asked: Floats, boxes: Floats, most: float) -> Iterator[Pair]:
    """The same from an index."""
    tree = shapely.STRtree(shapely.box(*boxes.T))
    sample = asked[:: max(len(asked) // SAMPLE, 1)]
    density = tree.query(shapely.box(*sample.T)).shape[1] / len(sample)
    if density * len(asked) > most:
        raise CrowdedError(density)
    for part in each(np.arange(len(asked)), max(int(PORTION / max(density, 1.0)), 1)):
        i, j = tree.query(shapely.box(*asked[part].T))
        yield part[i], j
