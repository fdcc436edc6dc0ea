"""Which conductors touch, and which reach the wall of a hole, within TOUCH.

Straight strokes and discs, nearly all of a board, are measured as numbers; only arcs, areas and what lies on the very
verge of touching become shapes. Candidate pairs come from bounding boxes in bulk, distances are skeleton distances less
the radii.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely

from parsers.assembly.repeats import first_of_equals
from parsers.board import PLATED, PLATING_UNKNOWN, Holes
from parsers.boxes import CrowdedError, meeting, meeting_each_other, widened
from parsers.primitives import TOUCH, Bools, Conductors, Floats, Kind, Rows, Shapes
from parsers.trouble import BoardError

MAX_PAIRS = 100_000_000  # candidate pairs of a layer; real copper has a handful per object
PREPARED = (
    100  # areas with more vertices than this are prepared (indexed) before distances are taken
)
VERGE = 1e-9  # mm; nearer to the limit than this the geometry library decides, so that all ways of asking agree

Pairs = npt.NDArray[np.intp]  # (m, 2)


@dataclass(frozen=True)
class Touchable:
    """Copper that is asked what it touches."""

    copper: Conductors

    @cached_property
    def reach(self) -> Floats:
        """How far the copper may reach beyond its skeleton's shapely form, (n,)."""
        reach: Floats = self.copper.radius + self.copper.slack()
        return reach

    @cached_property
    def boxes(self) -> Floats:
        """Bounding boxes widened so that boxes of touching copper meet, (n, 4)."""
        return widened(self.copper.bounds(), TOUCH)

    @cached_property
    def straight(self) -> Bools:
        """Discs and strokes: their skeleton is the segment in the first four numbers of `ends`, (n,)."""
        mask: Bools = (self.copper.kind == Kind.DISC) | (self.copper.kind == Kind.STROKE)
        return mask

    @cached_property
    def big(self) -> Bools:
        """Areas of many vertices, prepared for distances, (n,)."""
        large = shapely.get_num_coordinates(self.copper.areas) > PREPARED
        shapely.prepare(self.copper.areas[large])
        mask: Bools = (self.copper.kind == Kind.AREA) & np.append(large, False)[self.copper.area]
        return mask

    def release(self) -> None:
        """Drop the indexes of large areas, which take more memory than the areas."""
        shapely.destroy_prepared(self.copper.areas)

    def ends(self, rows: Rows) -> Floats:
        """Both ends of straight skeletons, (rows, 4)."""
        ends = self.copper.geometry[rows, :4]
        discs = self.copper.kind[rows] == Kind.DISC
        ends[discs, 2:] = ends[discs, :2]
        return ends

    def skeletons(self, rows: Rows) -> Shapes:
        """Skeletons of some rows, which may be named more than once; large areas are prepared."""
        self.big  # noqa: B018 - prepares them
        some, place = np.unique(rows, return_inverse=True)
        shapes: Shapes = self.copper.skeletons(some)[place.reshape(-1)]
        return shapes


@dataclass(frozen=True, slots=True)
class Touching:
    """Pairs that touch: conductors of one layer (each pair once), and a conductor with the wall of a hole."""

    copper: Pairs
    walls: Pairs


def touching(some: Touchable, holes: Holes, layers: int, jobs: int = 1) -> Touching:
    """What touches what, layer by layer; repeats of an object touch only their first.

    Parameters
    ----------
    jobs : layers that may be looked at at a time: the work is numbers in bulk, which lets other threads run

    Raises
    ------
    BoardError : far more pairs than copper of any density has
    """
    some.big  # noqa: B018 - areas are prepared once, by one thread
    numbers = range(layers)
    if jobs <= 1:
        found = [_on_layer(some, holes, layer) for layer in numbers]
    else:
        with ThreadPoolExecutor(jobs) as pool:
            found = list(pool.map(lambda layer: _on_layer(some, holes, layer), numbers))
    none = np.empty((0, 2), dtype=np.intp)
    return Touching(
        np.concatenate([none, *(one.repeats for one in found), *(one.copper for one in found)]),
        np.concatenate([none, *(one.walls for one in found)]),
    )


@dataclass(frozen=True, slots=True)
class _OnLayer:
    repeats: Pairs
    copper: Pairs
    walls: Pairs


def _on_layer(some: Touchable, holes: Holes, layer: int) -> _OnLayer:
    """Pairs of one layer: with repeats of the same object, of conductors, of conductors and holes."""
    rows = np.flatnonzero(some.copper.layer == layer)
    first = first_of_equals(some.copper.take(rows))
    distinct = first == np.arange(len(rows))
    passing = _passing(holes, layer)
    openings = widened(holes.bounds()[passing], TOUCH)
    alike, others = rows[~distinct], rows[distinct]
    copper, walls = [], []
    try:
        for both in meeting_each_other(np.vstack((openings, some.boxes[others])), MAX_PAIRS):
            i, j = (numbers - len(openings) for numbers in both)  # below 0: a hole
            copper.append(_near(some, others[i[i >= 0]], others[j[i >= 0]]))
            wall = (i < 0) & (j >= 0)
            walls.append(_at_walls(some, holes, others[j[wall]], passing[i[wall]]))
        for i, j in meeting(openings, some.boxes[alike], MAX_PAIRS):
            walls.append(_at_walls(some, holes, alike[j], passing[i]))
    except CrowdedError as error:
        why = f"about {error.density:.0f} objects lie over each of {len(rows)} objects of a layer"
        raise BoardError(f"{why}; no copper is that dense") from None
    repeats = np.column_stack((rows[first[~distinct]], alike))
    return _OnLayer(repeats, _ordered(copper), _ordered(walls, by=1))


def _passing(holes: Holes, layer: int) -> Rows:
    """Holes through a layer that may be plated."""
    plated = (holes.plated == PLATED) | (holes.plated == PLATING_UNKNOWN)
    return np.flatnonzero(plated & (holes.first <= layer) & (layer <= holes.last))


def _ordered(found: list[Pairs], by: int = 0) -> Pairs:
    """All pairs, sorted by one column, then by the other."""
    pairs = np.concatenate([np.empty((0, 2), dtype=np.intp), *found])
    ordered: Pairs = pairs[np.lexsort((pairs[:, 1 - by], pairs[:, by]))]
    return ordered


# ---------------------------------------------------------------------------------------------------- distances


def _near(some: Touchable, a: Rows, b: Rows) -> Pairs:
    """Those of the candidate pairs whose distance is at most TOUCH, the lower row first."""
    keep = np.zeros(len(a), dtype=np.bool_)
    limit = some.reach[a] + some.reach[b] + TOUCH
    straight = some.straight[a] & some.straight[b]
    at = np.flatnonzero(straight)
    keep[at], verge = within(some.ends(a[at]), some.ends(b[at]), limit[at])
    at = np.concatenate((np.flatnonzero(~straight), at[verge]))
    swap = some.big[b[at]] & ~some.big[a[at]]
    first, second = np.where(swap, b[at], a[at]), np.where(swap, a[at], b[at])
    keep[at] = shapely.dwithin(some.skeletons(first), some.skeletons(second), limit[at])
    return np.column_stack((a[keep], b[keep]))


def _at_walls(some: Touchable, holes: Holes, rows: Rows, hole: Rows) -> Pairs:
    """Those of the candidate pairs (conductor, hole) that touch."""
    keep = np.zeros(len(rows), dtype=np.bool_)
    limit = some.reach[rows] + holes.radius[hole] + TOUCH
    straight = some.straight[rows]
    at = np.flatnonzero(straight)
    keep[at], verge = within(some.ends(rows[at]), holes.ends[hole[at]], limit[at])
    at = np.concatenate((np.flatnonzero(~straight), at[verge]))
    keep[at] = shapely.dwithin(some.skeletons(rows[at]), _paths(holes, hole[at]), limit[at])
    return np.column_stack((rows[keep], hole[keep]))


def _paths(holes: Holes, some: Rows) -> Shapes:
    """Way of the tool's centre: a point, or a line for a slot."""
    ends = holes.ends[some]
    paths: Shapes = np.asarray(shapely.points(ends[:, :2]), dtype=object).reshape(-1)
    slots = (ends[:, :2] != ends[:, 2:]).any(axis=1)
    paths[slots] = shapely.linestrings(ends[slots].reshape(-1, 2, 2))
    return paths


def within(a: Floats, b: Floats, limit: Floats) -> tuple[Bools, Rows]:
    """Which segments are no farther apart than a limit, row by row, and the rows that are on the verge of it.

    Parameters
    ----------
    a, b : x0, y0, x1, y1 in mm, (n, 4); both ends may be one point
    limit : mm, (n,)

    Examples
    --------
    >>> import numpy as np
    >>> near, verge = within(np.array([[0.0, 0, 2, 0]]), np.array([[1.0, 1, 1, 3]]), np.array([1.5]))
    >>> near.tolist(), verge.tolist()
    ([True], [])
    """
    square = np.minimum(_end_squares(a, b), _end_squares(b, a))
    square[_crossing(a, b)] = 0.0
    apart = np.sqrt(square)
    verge: Rows = np.flatnonzero(np.abs(apart - limit) <= VERGE)
    return apart <= limit, verge


def _end_squares(a: Floats, b: Floats) -> Floats:
    """Squares of the distances of segments `a` from the nearer end of `b`, (n,)."""
    return np.minimum(*(_squares(a, b[:, end], b[:, end + 1]) for end in (0, 2)))


def _squares(segment: Floats, x: Floats, y: Floats) -> Floats:
    """Squares of the distances of points from segments, (n,)."""
    along_x, along_y = segment[:, 2] - segment[:, 0], segment[:, 3] - segment[:, 1]
    to_x, to_y = x - segment[:, 0], y - segment[:, 1]
    length = along_x * along_x + along_y * along_y
    place = (to_x * along_x + to_y * along_y) / np.where(length > 0, length, 1.0)
    place = np.clip(place, 0.0, 1.0)
    to_x -= place * along_x
    to_y -= place * along_y
    squares: Floats = to_x * to_x + to_y * to_y
    return squares


def _crossing(a: Floats, b: Floats) -> Bools:
    """Which segments cross properly; where one only just does, its end is as near as rounding tells."""
    one, other = (_sides(a, b, end) for end in (0, 2))
    there, back = (_sides(b, a, end) for end in (0, 2))
    crossing: Bools = (one * other < 0) & (there * back < 0)
    return crossing


def _sides(a: Floats, b: Floats, end: int) -> Floats:
    """On which side of the line through `a` an end of `b` lies."""
    along_x, along_y = a[:, 2] - a[:, 0], a[:, 3] - a[:, 1]
    sides: Floats = np.sign(along_x * (b[:, end + 1] - a[:, 1]) - along_y * (b[:, end] - a[:, 0]))
    return sides
