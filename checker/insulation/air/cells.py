"""Pairs of stretches of rim, one for each end of a way: tables that a search halves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import TypeVar

import numpy as np
import shapely

from parsers.primitives import Bools, Floats, Rows, Shapes


@dataclass(frozen=True, slots=True)
class Spans:
    """Two stretches of rim with the conductors near them; columns."""

    group: Rows
    height: Floats
    u: Rows  # entry of the first side's Near
    v: Rows  # entry of the second's

    def __len__(self) -> int:
        return len(self.group)

    def take(self, at: Rows | Bools) -> Spans:
        """Some of the rows."""
        return Spans(*(getattr(self, f.name)[at] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Cells:
    """Two straight pieces of rim with the pieces of conductors that they join; columns."""

    group: Rows
    height: Floats
    p: Rows  # piece of the first side
    q: Rows  # piece of the second
    u: Floats  # (n, 4)
    v: Floats
    rim: Floats  # (n, 2, 4) straight stretches of rim that u and v are part of
    slack: Floats

    def __len__(self) -> int:
        return len(self.group)

    def take(self, at: Rows | Bools) -> Cells:
        """Some of the rows."""
        return Cells(*(getattr(self, f.name)[at] for f in fields(self)))

    @property
    def size(self) -> Floats:
        """Length of both pieces of rim together."""
        return lengths(self.u) + lengths(self.v)

    def middles(self) -> tuple[Floats, Floats]:
        """The middles of both pieces of rim."""
        return middles(self.u), middles(self.v)

    def halved(self) -> Cells:
        """Four cells of each: both pieces of rim halved."""
        halves = [[_half(side, which) for which in (0, 1)] for side in (self.u, self.v)]
        return stacked([replace(self, u=u, v=v) for u in halves[0] for v in halves[1]])


Table = TypeVar("Table", Cells, Spans)


def stacked(parts: Sequence[Table]) -> Table:
    """Tables one below the other."""
    kind = type(parts[0])
    return kind(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(kind)))


def _half(ends: Floats, which: int) -> Floats:
    """First or second half of segments."""
    middle = middles(ends)
    return np.hstack((middle, ends[:, 2:4]) if which else (ends[:, 0:2], middle))


def segments(ends: Floats) -> Shapes:
    """Segments as shapes, given (n, 4)."""
    lines: Shapes = shapely.linestrings(ends.reshape(-1, 2, 2))
    return lines


def units(ends: Floats) -> Floats:
    """Unit vectors along segments, (n, 2)."""
    along: Floats = (ends[:, 2:4] - ends[:, 0:2]) / np.maximum(lengths(ends), 1e-300)[:, None]
    return along


def middles(ends: Floats) -> Floats:
    """Middles of segments, (n, 2)."""
    points: Floats = (ends[:, 0:2] + ends[:, 2:4]) / 2
    return points


def lengths(ends: Floats) -> Floats:
    """Lengths of segments, (n,)."""
    sizes: Floats = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    return sizes
