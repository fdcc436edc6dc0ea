"""Sampled paths over insulating links of at most X, as many as can be and as few as must be.

The sampled search of `oracle` asks a board which straight lines stay on it. `AnyLink` lets a line
cross every void in one straight stretch of at most X, in any direction and to any sampled depth,
and a void that no disc of diameter X fits into as if it were board: its paths are never longer than
what is meant, but for the samples. `MustLink` lets it cross only where no reading of the rule
leaves a doubt, and its paths are never shorter:

- the tip of a V groove, between two walls that both end at a convex corner of the board (IEC
  60664-1, 6.2, example 3);
- a void that no disc of diameter X fits into (example 1), whatever its shape;
- between two parts of a void that such a disc fits into both: then the link parts rooms of a slot.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields

import numpy as np
import shapely
from scipy.spatial import cKDTree

from tests.insulation.oracle import SEEN, Board, Spots

SPARE = 2e-6  # mm; links end that far below X
TINY = 1e-9
MOST = 3000  # links that are asked, one by one, whether they part rooms
STUB = 1e-5  # mm; by how much a link is drawn longer to cut a void


@dataclass(frozen=True)
class AnyLink(Board):
    """A board whose voids are crossed by every straight stretch of at most X."""

    reach: float = np.inf  # mm; longer lines belong to no path that matters
    narrow: tuple[shapely.Polygon, ...] = ()  # voids that no disc of diameter X fits into

    def clear(self, lines: np.ndarray) -> np.ndarray:
        seen, blocked, parts, owner = _parted(self, lines, self.reach)
        far = shapely.length(parts) > self.x + SPARE
        for void in self.narrow:
            far &= ~shapely.dwithin(parts, void, STUB)
        seen[blocked] = np.bincount(owner, far, minlength=len(blocked)) == 0
        return seen

    def through_voids(self, spots: Spots) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Links that slant from one depth of a wall to another of the opposite one."""
        edge = np.flatnonzero(spots.loop >= 0)
        i, j = edge[cKDTree(spots.at[edge]).query_pairs(self.x, output_type="ndarray")].T
        drop = np.maximum(spots.above[i] - spots.below[j], spots.above[j] - spots.below[i])
        length = np.hypot(np.hypot(*(spots.at[i] - spots.at[j]).T), np.maximum(drop, 0.0))
        kept = (length <= self.x + SPARE) & ((spots.face[i] != spots.face[j]) | (spots.face[i] < 0))
        i, j, length = i[kept], j[kept], length[kept]
        lines = shapely.linestrings(np.stack((spots.at[i], spots.at[j]), axis=1))
        open_ = ~shapely.intersects(self.region.buffer(-SEEN, join_style="mitre"), lines)
        return i[open_], j[open_], length[open_]


@dataclass(frozen=True)
class MustLink(Board):
    """A board whose voids are crossed by straight stretches of less than X where the rule leaves no
    doubt.
    """

    reach: float = np.inf  # mm; longer lines belong to no path that matters
    narrow: tuple[shapely.Polygon, ...] = ()  # voids that no disc of diameter X fits into
    roomy_voids: tuple[
        tuple[shapely.Polygon, shapely.Geometry], ...
    ] = ()  # with several rooms, and their middles
    tips: np.ndarray = field(default_factory=lambda: np.empty((0, 6)))  # mouth, tip, mouth

    def clear(self, lines: np.ndarray) -> np.ndarray:
        seen, blocked, parts, owner = _parted(self, lines, self.reach)
        short = shapely.length(parts) <= self.x - SPARE
        lost = np.bincount(owner, ~short, minlength=len(blocked)) > 0
        asked = np.flatnonzero(short & ~lost[owner])
        linked = np.zeros(len(parts), dtype=bool)
        linked[asked] = self._linked(parts[asked])
        seen[blocked] = np.bincount(owner, ~linked, minlength=len(blocked)) == 0
        return seen

    def _linked(self, parts: np.ndarray) -> np.ndarray:
        """Which stretches over voids are links beyond doubt."""
        ends = np.hstack([shapely.get_coordinates(shapely.get_point(parts, k)) for k in (0, -1)])
        linked = self._over_tips(ends)
        for void in self.narrow:
            linked |= shapely.dwithin(parts, void, STUB)
        for void, middles in self.roomy_voids:
            rooms = ~linked & shapely.dwithin(parts, void, STUB)
            rooms &= ~shapely.dwithin(parts, middles, SPARE)
            if rooms.sum() > MOST:  # what is not asked is no link, and the path no shorter
                rooms &= (
                    shapely.length(parts) <= np.partition(shapely.length(parts[rooms]), MOST)[MOST]
                )
            linked[rooms] = [self._parts_rooms(void, middles, part) for part in parts[rooms]]
        return linked

    def _over_tips(self, ends: np.ndarray) -> np.ndarray:
        """Stretches from one wall of a V groove to the other."""
        linked = np.zeros(len(ends), dtype=bool)
        for mx, my, tx, ty, nx, ny in self.tips:
            tip, one, two = np.array([tx, ty]), np.array([mx, my]), np.array([nx, ny])
            for first, last in ((ends[:, :2], ends[:, 2:]), (ends[:, 2:], ends[:, :2])):
                linked |= _on_wall(first, tip, one) & _on_wall(last, tip, two)
        return linked

    def _parts_rooms(
        self, void: shapely.Polygon, middles: shapely.Geometry, part: shapely.LineString
    ) -> bool:
        """Whether a link leaves middles of discs of diameter X on both sides."""
        (x0, y0), (x1, y1) = part.coords[0], part.coords[-1]
        over = np.array([x1 - x0, y1 - y0]) / max(part.length, TINY) * STUB
        cut = shapely.LineString(
            [(x0 - over[0], y0 - over[1]), (x1 + over[0], y1 + over[1])]
        ).buffer(STUB / 10)
        rest = shapely.get_parts(void.difference(cut))
        return int(shapely.intersects(rest, middles).sum()) > 1


def any_link(board: Board, reach: float = np.inf) -> AnyLink:
    """The board with as many links as can be."""
    return AnyLink(**_plain(board), reach=reach, narrow=tuple(_narrow(board)))


def must_link(board: Board, reach: float = np.inf) -> MustLink:
    """The board with as few links as must be."""
    around = shapely.box(*board.region.bounds).buffer(5.0, join_style="mitre")
    voids = [p for p in shapely.get_parts(around.difference(board.region)) if p.area > TINY]
    middles = [void.buffer(-board.x / 2) for void in voids]
    several = [(v, m) for v, m in zip(voids, middles, strict=True) if m.geom_type == "MultiPolygon"]
    narrow = tuple(_narrow(board))
    return MustLink(
        **_plain(board), reach=reach, narrow=narrow, roomy_voids=tuple(several), tips=_tips(board)
    )


def _narrow(board: Board) -> Iterator[shapely.Polygon]:
    """Slots, and notches with a mouth of at most X, that no disc of diameter X fits into."""
    dents = shapely.get_parts(shapely.convex_hull(board.region).difference(board.region))
    edge = board.region.boundary.buffer(STUB)
    for dent in dents:
        mouth = shapely.length(dent.boundary.difference(edge))
        if dent.area > TINY and mouth < board.x and dent.buffer(-board.x / 2 + SPARE).is_empty:
            yield dent


def _plain(board: Board) -> dict[str, object]:
    return {f.name: getattr(board, f.name) for f in fields(Board) if f.init}


def _parted(
    board: Board, lines: np.ndarray, reach: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Mask of the lines that stay on the board; of the others within reach, their stretches over
    voids, and whose.
    """
    near = shapely.length(lines) <= reach
    seen = np.zeros(len(lines), dtype=bool)
    seen[near] = shapely.covers(board.roomy, lines[near])
    blocked = np.flatnonzero(near & ~seen)
    parts, owner = shapely.get_parts(
        shapely.difference(lines[blocked], board.roomy), return_index=True
    )
    kept = ~shapely.is_empty(parts)
    return seen, blocked, parts[kept], owner[kept]


def _tips(board: Board) -> np.ndarray:
    """Corners that reach into the board between two that do not: the tips of V grooves with their
    mouths.
    """
    out = []
    for ring in board.rings:  # the board on their left
        points = np.asarray(ring.coords)[:-1]
        onwards = np.roll(points, -1, axis=0) - points
        before = np.roll(onwards, 1, axis=0)
        inwards = before[:, 0] * onwards[:, 1] - before[:, 1] * onwards[:, 0] < -TINY
        for k in np.flatnonzero(inwards):
            one, two = k - 1, (k + 1) % len(points)
            if not inwards[one] and not inwards[two]:
                out.append(np.concatenate((points[one], points[k], points[two])))
    return np.array(out).reshape(-1, 6)


def _on_wall(points: np.ndarray, tip: np.ndarray, mouth: np.ndarray) -> np.ndarray:
    """Which points lie on the wall from a tip to its mouth."""
    along = mouth - tip
    length = float(np.hypot(*along))
    away = points - tip
    place, off = away @ along / length, (away[:, 0] * along[1] - away[:, 1] * along[0]) / length
    return (np.abs(off) < 1e-6) & (place > 0) & (place < length + 1e-6)
