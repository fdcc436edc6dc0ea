"""Conductors at one end of ways over an edge, and which of them are near which stretches of rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from checker.geometry.nearest import Pieces, edges_of
from checker.insulation.air.voids import Stretches
from parsers.primitives import TOUCH, Bools, Floats, Ints, Rows, Shapes


@dataclass(frozen=True, slots=True)
class Near:
    """Which pieces of a node's conductors on a layer are near a stretch of rim; one entry each,
    columns.
    """

    stretch: Rows
    start: Rows  # where its pieces begin
    count: Rows
    least: Floats  # the smallest distance
    piece: Rows  # of all entries, nearest first within each

    def __len__(self) -> int:
        return len(self.stretch)

    def nearest(self, entry: Rows) -> Rows:
        """The piece nearest to the stretch of each entry."""
        pieces: Rows = self.piece[self.start[entry]]
        return pieces


class Side:
    """The conductors at one end of the ways, cut into convex pieces but for the areas within
    outlines.

    An area counts only where it touches: elsewhere an edge of its outline is as near.
    """

    def __init__(self, part: Pieces, layer: Ints, layers: int, rims: shapely.STRtree) -> None:
        self.shape, owner = _convex(part.shape, part.solid)
        self.row, self.solid = part.row[owner], part.solid[owner]
        self.inflate = (part.radius + part.slack)[owner]
        self.layer = layer[self.row]
        self.inner = (self.layer > 0) & (self.layer < layers - 1)
        # no way begins away from it
        self.touching = self.inner | (shapely.get_dimensions(self.shape) == 2)
        self.lack = self._lack(rims)

    def _lack(self, rims: shapely.STRtree) -> Floats:
        """How far inner copper that touches stays from the nearest rim."""
        lack = np.zeros(len(self.row))
        inner = np.flatnonzero(self.inner)
        (which, _), gap = rims.query_nearest(
            self.shape[inner], all_matches=False, return_distance=True
        )
        lack[inner[which]] = np.maximum(gap - self.inflate[inner[which]], 0.0)
        return lack

    def gap(self, piece: Rows, shapes: Shapes) -> Floats:
        """Distance on the face, infinite where copper has to touch and does not.

        What inner copper that touches lacks to the rim counts as nothing.
        """
        gap = np.maximum(shapely.distance(self.shape[piece], shapes) - self.inflate[piece], 0.0)
        gap = np.maximum(gap - self.lack[piece], 0.0)
        most = np.where(self.inner[piece], TOUCH - self.lack[piece], 0.0)
        gaps: Floats = np.where(self.touching[piece] & (gap > most), np.inf, gap)
        return gaps

    def convex_gap(self, piece: Rows, gap: Floats) -> Floats:
        """Of gaps to points what is a convex function of the point and never more: nothing for what
        has to touch.
        """
        gaps: Floats = np.where(self.touching[piece], 0.0, gap)
        return gaps

    def slope(self, piece: Rows, points: Floats, along: Floats) -> Floats:
        """How fast the convex gap grows as points move along unit vectors."""
        lines = shapely.shortest_line(self.shape[piece], shapely.points(points))
        away = np.diff(shapely.get_coordinates(lines).reshape(-1, 2, 2), axis=1)[:, 0]
        far = np.hypot(away[:, 0], away[:, 1])
        outside = (far > self.inflate[piece]) & ~self.touching[piece]
        growth = (away * along).sum(axis=1) / np.where(far > 0, far, 1.0)
        slope: Floats = np.where(outside, growth, 0.0)
        return slope

    def feet(self, piece: Rows, points: Floats) -> Floats:
        """The nearest places on conductors' surfaces."""
        lines = shapely.shortest_line(self.shape[piece], shapely.points(points))
        ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
        away = ends[:, 1] - ends[:, 0]
        apart = np.hypot(away[:, 0], away[:, 1])
        share = np.minimum(self.inflate[piece] / np.where(apart > 0, apart, 1.0), 1.0)
        feet: Floats = ends[:, 0] + away * share[:, None]
        return feet

    def near_runs(
        self, stretches: Stretches, tree: shapely.STRtree, node: Ints, limit: float
    ) -> Near:
        """What reaches the runs of the rims: on the faces within the limit, on inner layers where
        it touches them.
        """
        piece, run = self._reaching(tree, limit)
        place = np.column_stack((run, node[self.row[piece]], self.layer[piece]))
        entries, owner = np.unique(place, axis=0, return_inverse=True)
        return self.nearest(stretches, entries[:, 0], owner, piece)

    def _reaching(self, tree: shapely.STRtree, limit: float) -> tuple[Rows, Rows]:
        """Pieces and the runs that they are near."""
        reach = np.where(self.inner, TOUCH, limit) + self.inflate
        lines, solid = np.flatnonzero(~self.solid), np.flatnonzero(self.solid)
        i, run = tree.query(self.shape[lines], predicate="dwithin", distance=reach[lines])
        k, over = tree.query(self.shape[solid], predicate="intersects")
        return np.concatenate((lines[i], solid[k])), np.concatenate((run, over))

    def nearest(self, stretches: Stretches, stretch: Rows, owner: Rows, piece: Rows) -> Near:
        """Entries for stretches, with those pieces that can be the nearest somewhere on them.

        Parameters
        ----------
        stretch : of each entry
        owner, piece : candidates: entry and piece
        """
        gap = self.gap(piece, stretches.line[stretch[owner]])
        least = np.full(len(stretch), np.inf)
        np.minimum.at(least, owner, gap)
        kept = np.flatnonzero(gap <= (least + stretches.length[stretch])[owner])
        kept = kept[np.lexsort((piece[kept], gap[kept], owner[kept]))]
        count = np.bincount(owner[kept], minlength=len(stretch))
        return Near(stretch, np.cumsum(count) - count, count, least, piece[kept])


def _convex(shapes: Shapes, solid: Bools) -> tuple[Shapes, Rows]:
    """Points and single edges that shapes are made of, solid areas whole; and the shape that each
    belongs to.

    An area of few edges is its edges and itself, since what begins inside it touches it.
    """
    kind, count = shapely.get_type_id(shapes), shapely.get_num_coordinates(shapes)
    bent = np.flatnonzero(~solid & (count > 2))
    kept = np.flatnonzero(solid | (count <= 2) | (kind == shapely.GeometryType.POLYGON))
    edges = [edges_of(shape) for shape in shapes[bent]]
    ends = np.concatenate(edges) if edges else np.empty((0, 4))
    owner = np.concatenate((kept, np.repeat(bent, [len(e) for e in edges]).astype(np.intp)))
    lines = shapely.linestrings(ends.reshape(-1, 2, 2))
    return np.concatenate((shapes[kept], lines)), owner
