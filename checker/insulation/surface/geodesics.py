"""The surface of a board: two faces joined by the walls of all free edges, and exact shortest paths
on it.

A path on a face is a chain of straight lines that bends only where the board reaches round a corner
of a void. Over a free edge it crosses the wall in the direction that makes it straight once face,
wall and other face are unfolded into one plane. A shortest path between copper of one face never
leaves that face: folded onto it at half thickness, the rest would be no longer. For the same reason
a path from face to face crosses one wall, and all paths come from one graph (`surface_graph`).

Error: a length is never more than true, and less by no more than the sum of what applies; 0.001 mm
on real boards.
- Straight rims and straight or round copper: exact. An arc of copper: ARC_TOLERANCE.
- Round slot ends and holes are drawn inside, by chords: a third of EDGE_TOLERANCE per radian turned
  round them.
- A curved outline is taken ARC_TOLERANCE wider, whichever way its chords lie: as much per radian
  turned round it.
- A path bent at both ends of a link of length X: `links.SHORTER`.
- A wall crossing at a curved rim: `Rims.slack` at each of its ends.

References: IEC 60664-1 (2007), 6.2, for what is measured. Visibility graphs and unfolding are
textbook geometry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice, pairwise
from typing import Any

import numpy as np
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from checker.geometry.board_edges import (
    PUSH,
    Sight,
    bridged,
    corners_of,
    filled_behind,
    inscribed_slots,
    parted,
    rims_of,
    stacked_corners,
    widened,
    widths_behind,
)
from checker.insulation.surface.edges import (
    BOTTOM,
    FAR,
    HOP,
    MIDDLE,
    NEAR,
    NOTHING,
    SOURCE,
    STRETCHES,
    TARGET,
    TOP,
    WALL,
    Copper,
    Exposed,
    copper,
    exposed,
    no_rows,
    pair_keys,
    stacked,
)
from checker.insulation.surface.graph import MOST_LINES, ZERO, Graph, Ground, directed
from checker.insulation.surface.grooves import LinkedSight, around, links_of
from checker.insulation.surface.known import Shortest, shortest_of
from parsers.primitives import Bools, Floats, Ints, Rows, each

__all__ = [
    "BOTTOM", "HOP", "SOURCE", "TARGET", "TOP", "Copper", "Exposed", "Geodesic", "Leg", "Legs", "Surface", "copper",
    "exposed",
]  # fmt: skip

ON = {TOP: "top", BOTTOM: "bottom", WALL: "wall"}
COPPER = "copper"
XY = tuple[float, float]

_ROUND = 64  # chords per quarter turn of copper that is cut to the board
_RUN = 64  # searches done at once: bounds memory
_ENDLESS = 1e5  # mm; half the side of a board without an outline
_KEPT = 63  # searches kept for further paths from the same island
_DRAWN = 4000  # legs kept as they are drawn: paths between many nets share them
_FREE = 1e-9  # weight per mm of legs that count as nothing
_TRACE = 1e-6  # mm; what free legs may add to a path


@dataclass(frozen=True, slots=True)
class Leg:
    """One stretch of a path, seen from above."""

    on: str  # top | bottom | wall | copper
    points: tuple[XY, ...]
    length: float  # 0 on copper
    island: int | None = None  # for copper: what is hopped over


@dataclass(frozen=True, slots=True)
class Geodesic:
    """A shortest path; `length` counts what the rules count, `raw` every stretch off copper."""

    length: float
    raw: float
    legs: tuple[Leg, ...]
    source: int
    target: int


class Surface:
    """The two faces and the walls of one board.

    Parameters
    ----------
    outline : Polygon or MultiPolygon with cutouts as its holes; None for faces without end
    thickness : mm, height of every wall
    slots, radius : unplated holes and slots as strokes of the tool, shapes (n, 4) and (n,)
    x : mm; voids narrower than this do not block a path (their walls still lead to the other face)
    """

    def __init__(
        self,
        outline: shapely.Geometry | None,
        thickness: float,
        slots: Any = (),
        radius: Any = (),
        x: float = 0.0,
    ) -> None:
        cuts = inscribed_slots(np.asarray(slots, float).reshape(-1, 4), np.asarray(radius, float))
        void = shapely.union_all(cuts)
        whole = (
            shapely.box(-_ENDLESS, -_ENDLESS, _ENDLESS, _ENDLESS) if outline is None else outline
        )
        self.region = whole.difference(void)
        passage = bridged(widened(whole).difference(void), x)
        passable, whole_rims = passage.passable, rims_of(self.region)
        self.necks = [
            part for place in passage.places if len(place.rooms) > 2 for part in place.parts
        ]
        links = links_of(passage.places, passable, x)
        sight = LinkedSight(passable, passage.places, x) if passage.places else Sight(passable)
        corners = stacked_corners(corners_of(passable), links.corners())
        crossed = around(passage.places, x)
        # at a straight stretch of a bridged slot, away from its ends, the width is known
        rims = parted(
            whole_rims, filled_behind(whole_rims, passable) | whole_rims.within(crossed), x + PUSH
        )
        open_behind = filled_behind(rims, passable) | rims.within(crossed)
        widths = widths_behind(rims, open_behind, x)
        self.ground = Ground(rims, open_behind, widths, x, corners, links, sight, thickness)

    def legs(
        self,
        metal: Copper,
        roles: Any,
        limit: float,
        bare: Exposed | None = None,
        conductor: Any = None,
        solid: Any = None,
        most: int | None = None,
        x: float | None = None,
    ) -> Legs:
        """Shortest paths over insulation alone between islands, as far as they are at most `limit`
        long.

        Parameters
        ----------
        metal : copper on both faces, on the board
        roles : SOURCE, TARGET or HOP of each island; two sources, or two targets, are not measured
            to each other
        limit : mm
        bare : copper in the walls
        conductor : of each island, if it is not one by itself. A path over walls from face to face
            is sought only where it may be shorter than what joins the same conductors without
        solid : mask of islands beside which no leg counts as nothing, though they are HOP
        x : mm; only legs are wanted that belong to paths from source to target within the limit,
            where legs shorter than this beside HOP that are not solid count as nothing. If not
            given, all legs are
        most : lines of sight after which the search stops, MOST_LINES if not given; see
            `Legs.stopped`
        """
        roles = np.asarray(roles, np.int32)
        own = np.arange(len(roles)) if conductor is None else conductor
        most = MOST_LINES if most is None else most
        soft = _soft(roles, solid)
        free = None if x is None or not (roles == HOP).any() else (soft, x)
        graph = Graph(
            self.ground,
            metal,
            roles,
            limit,
            bare or exposed(),
            np.asarray(own, np.int32),
            most,
            free,
        )
        return Legs(graph, self.ground, limit, solid)

    def shortest(
        self,
        sources: Copper,
        targets: Copper,
        hops: Copper | None = None,
        limit: float = 100.0,
        x: float = 0.0,
    ) -> Geodesic | None:
        """Shortest way from any source to any target, over hop copper at no cost, or None beyond
        the limit.

        Legs shorter than x before or after hop copper count as nothing.

        Examples
        --------
        >>> top, bottom = copper(shapely.Point(-2, 0)), copper(shapely.Point(-3, 0), face=BOTTOM)
        >>> over = Surface(shapely.box(-50, -50, 0, 50), thickness=1.6).shortest(top, bottom)
        >>> round(over.length, 6), [leg.on for leg in over.legs]
        (6.6, ['top', 'wall', 'bottom'])
        """
        parts = [_as_one(sources, 0), _as_one(targets, 1)]
        if hops is not None and len(hops):
            island = 2 + np.unique(hops.island, return_inverse=True)[1].astype(np.int32)
            parts.append(Copper(island, hops.face, hops.skeleton, hops.radius, hops.slack))
        metal = stacked(parts)
        roles = np.full(int(metal.island.max()) + 1, HOP)
        roles[:2] = SOURCE, TARGET
        return self.legs(metal, roles, limit, x=x).best(0, 1, x)

    def placed(self, metal: Copper) -> tuple[Copper, Rows]:
        """Copper cut to the board, and the row that each remaining row came from.

        Copper that meets no free edge stays exact; the rest becomes areas that exceed it by less
        than 0.0001 of its radius.
        """
        ends, reach = self.ground.rims.ends, metal.radius + metal.slack
        tree = shapely.STRtree(shapely.linestrings(ends.reshape(-1, 2, 2)))
        cut = np.unique(tree.query(metal.skeleton, predicate="dwithin", distance=reach)[0])
        whole = np.ones(len(metal), dtype=bool)
        whole[cut] = False
        shapely.prepare(self.region)
        whole &= shapely.contains(self.region, shapely.point_on_surface(metal.skeleton))
        round_ = shapely.buffer(
            metal.skeleton[cut], reach[cut] / np.cos(np.pi / 4 / _ROUND), quad_segs=_ROUND
        )
        parts, owner = shapely.get_parts(
            shapely.intersection(round_, self.region), return_index=True
        )
        areas = shapely.get_dimensions(parts) == 2
        kept = np.flatnonzero(whole)
        rows = np.concatenate((kept, cut[owner[areas]]))
        exact = np.arange(len(rows)) < len(kept)
        skeleton = np.concatenate((metal.skeleton[kept], parts[areas]))
        radius, slack = (
            np.where(exact, metal.radius[rows], 0.0),
            np.where(exact, metal.slack[rows], 0.0),
        )
        return Copper(metal.island[rows], metal.face[rows], skeleton, radius, slack), rows


class Legs:
    """Paths over insulation alone between islands, and what is made of them by hopping over copper.

    Where `stopped`, some paths may be longer than the shortest: too many lines would have had to be
    looked at. Columns `start`, `end` (islands) and `length`, every leg once in each direction in
    which it may be walked: away from sources, towards targets.
    """

    def __init__(self, graph: Graph, ground: Ground, limit: float, solid: Any = None) -> None:
        self._graph, self._ground, self.limit = graph, ground, limit
        self.roles, self.stopped = graph.roles, graph.stopped
        self.soft = _soft(self.roles, solid)
        self._keys = pair_keys(graph.edges, graph.nodes)
        self._matrix = directed(graph)
        self._leg_trees: dict[int, Ints] = {}
        self._drawn_legs: dict[tuple[int, int], tuple[float, list[Leg]]] = {}
        self._hop_graphs: dict[float, Any] = {}
        self._hop_trees: dict[tuple[int, float], Ints] = {}
        self.start, self.end, self.length = self._measured()

    def table(self, x: float = 0.0, limit: float | None = None) -> tuple[Rows, Rows, Floats]:
        """Sources, targets and counted lengths, to 0.000001 mm, of all pairs no further apart than
        a limit.

        Parameters
        ----------
        limit : mm; that of the legs if not given, and no greater
        """
        limit = self.limit if limit is None else limit
        hops, targets = self._hop_graph(x), np.flatnonzero(self.roles == TARGET)
        found = [(no_rows(), no_rows(), np.empty(0))]
        for block in each(np.flatnonzero(self.roles == SOURCE), _RUN):
            reached = dijkstra(hops, indices=block, limit=limit + _TRACE)[:, targets]
            row, column = np.nonzero(np.isfinite(reached))
            found.append((block[row], targets[column], _unzeroed(reached[row, column])))
        return _three(found)

    def best(self, source: int, target: int, x: float = 0.0) -> Geodesic | None:
        """The shortest path between two islands, over hops at no cost; None beyond the limit."""
        chain = self.chain(source, target, x)
        legs: list[Leg] = []
        counted = raw = 0.0
        for a, b in pairwise(chain):
            length, part = self.leg(a, b)
            if legs:
                legs.append(Leg(COPPER, (legs[-1].points[-1], part[0].points[0]), 0.0, a))
            legs += part
            raw += length
            counted += length if length >= x or not (self.soft[a] or self.soft[b]) else 0.0
        return Geodesic(counted, raw, tuple(legs), source, target) if legs else None

    def direct(self, source: int, target: int) -> Geodesic | None:
        """The shortest path over insulation alone; None beyond the limit."""
        if (source, target) not in self._lengths:
            return None
        length, legs = self.leg(source, target)
        return Geodesic(length, length, tuple(legs), source, target)

    def leg(self, start: int, end: int) -> tuple[float, list[Leg]]:
        """Length and course of one leg."""
        if (start, end) not in self._drawn_legs:
            if len(self._drawn_legs) >= _DRAWN:
                self._drawn_legs.clear()
            self._drawn_legs[start, end] = self._course(start, end)
        return self._drawn_legs[start, end]

    def _course(self, start: int, end: int) -> tuple[float, list[Leg]]:
        """The same, worked out."""
        nodes = self._graph.nodes
        if start not in self._leg_trees:
            self._leg_trees = {
                start: _tree(self._matrix, start, self.limit),
                **_some(self._leg_trees),
            }
        way = [n % nodes for n in _path(self._leg_trees[start], start, nodes + end)]
        rows = [self._row(a, b) for a, b in pairwise(way)]
        course = [
            leg for row, tail in zip(rows, way[:-1], strict=True) for leg in self._drawn(row, tail)
        ]
        return float(self._graph.edges.cost[rows].sum()), _merged(course)

    def lengths_of(self, start: Ints, end: Ints) -> Floats:
        """Lengths of some legs, mm."""
        pairs = start.astype(np.int64) * len(self.roles) + end
        return self._shortest.of(pairs)

    @cached_property
    def _shortest(self) -> Shortest:
        """The shortest leg of each start and end."""
        return shortest_of(self.start.astype(np.int64) * len(self.roles) + self.end, self.length)

    @cached_property
    def _lengths(self) -> dict[tuple[int, int], float]:
        """Lengths of legs by their ends."""
        # of equal ends the shortest comes last and stays
        order = np.argsort(-self.length, kind="stable")
        ends = zip(self.start[order].tolist(), self.end[order].tolist(), strict=True)
        return dict(zip(ends, self.length[order].tolist(), strict=True))

    def chain(self, source: int, target: int, x: float = 0.0) -> list[int]:
        """Islands that the shortest path touches, both ends included; empty beyond the limit."""
        if (source, x) not in self._hop_trees:
            self._hop_trees = {(source, x): _tree(self._hop_graph(x), source, self.limit + _TRACE)}
        return _path(self._hop_trees[source, x], source, target)

    def _measured(self) -> tuple[Rows, Rows, Floats]:
        """All legs, by a search from each island that a path may leave."""
        graph = self._graph
        near = np.unique(np.concatenate((graph.edges.tail, graph.edges.head)))
        starts = near[near < graph.islands]
        found = [(no_rows(), no_rows(), np.empty(0))]
        for block in each(starts[self.roles[starts] != TARGET].astype(np.intp), _RUN):
            reached = dijkstra(self._matrix, indices=block, limit=self.limit)[:, graph.nodes :]
            row, end = np.nonzero(np.isfinite(reached))
            kept = graph.meet(block[row].astype(np.int32), end.astype(np.int32)) & (
                self.roles[end] != SOURCE
            )
            row, end = row[kept], end[kept]
            found.append((block[row], end, _unzeroed(reached[row, end])))
        return _three(found)

    def _hop_graph(self, x: float) -> Any:
        """The graph of `_hops`, made once."""
        if x not in self._hop_graphs:
            self._hop_graphs = {x: self._hops(x)}
        return self._hop_graphs[x]

    def _hops(self, x: float) -> Any:
        """Islands and legs as a graph; legs shorter than x beside hop copper are free.

        Free legs weigh next to nothing, so that of equal paths the one with the shortest bare
        length is found.
        """
        hop = self.soft[self.start] | self.soft[self.end]
        counted = np.where(hop & (self.length < x), _FREE * self.length, self.length)
        n = len(self.roles)
        return csr_array((np.maximum(counted, ZERO), (self.start, self.end)), shape=(n, n))

    def _row(self, a: int, b: int) -> int:
        """Row of the edge between two nodes."""
        return int(np.searchsorted(self._keys, min(a, b) * self._graph.nodes + max(a, b)))

    def _drawn(self, row: int, tail: int) -> list[Leg]:
        """One edge as legs, walked from the given node."""
        edges = self._graph.edges
        legs: list[Leg] = []
        for k in range(STRETCHES):
            if edges.on[row, k] != NOTHING:
                legs += self._stretch(row, k)
        return (
            legs
            if edges.tail[row] == tail
            else [Leg(g.on, g.points[::-1], g.length) for g in reversed(legs)]
        )

    def _stretch(self, row: int, k: int) -> list[Leg]:
        """One stretch of an edge; none on a face if copper reaches the rim there."""
        edges = self._graph.edges
        on, (start, end), length = (
            int(edges.on[row, k]),
            edges.points[row, k : k + 2],
            float(edges.lengths[row, k]),
        )
        if on == WALL:
            loop = int(edges.loop[row])
            followed = k == MIDDLE and loop != NOTHING
            points = (
                self._ground.rims.between(loop, *edges.s[row].tolist())
                if followed
                else [_xy(start), _xy(end)]
            )
            return [Leg(ON[on], tuple(points), length)]
        alone = edges.on[row, MIDDLE] == NOTHING
        at_start, at_end = edges.reach[row] * np.array([k == NEAR, k == FAR or alone])
        line = _shortened(start, end, at_start, at_end)
        return [Leg(ON[on], line, length)] if length > ZERO or alone else []


def _soft(roles: Ints, solid: Any) -> Bools:
    """Islands beside which legs may count as nothing."""
    mask: Bools = (roles == HOP) & ~np.asarray(False if solid is None else solid)
    return mask


def _tree(matrix: Any, start: int, limit: float) -> Ints:
    """For every node the one before it on the shortest path from the start; negative where there is
    none.
    """
    came_from: Ints = dijkstra(
        matrix, indices=np.array([start]), limit=limit, return_predecessors=True
    )[1][0]
    return came_from


def _some(trees: dict[int, Ints]) -> dict[int, Ints]:
    """The newest of the trees that are kept."""
    return dict(islice(trees.items(), _KEPT))


def _path(tree: Ints, start: int, end: int) -> list[int]:
    """Nodes of the shortest path; empty if there is none within the limit."""
    nodes = [end]
    while nodes[-1] != start:
        before = tree.item(nodes[-1])
        if before < 0:
            return []
        nodes.append(before)
    return nodes[::-1]


def _three(found: Sequence[tuple[Rows, Rows, Floats]]) -> tuple[Rows, Rows, Floats]:
    starts, ends, lengths = zip(*found, strict=True)
    return np.concatenate(starts), np.concatenate(ends), np.concatenate(lengths)


def _unzeroed(lengths: Floats) -> Floats:
    """Lengths without the trace that a sparse graph needs for zero."""
    return np.where(lengths < 1e-9, 0.0, lengths)


def _shortened(start: Floats, end: Floats, at_start: float, at_end: float) -> tuple[XY, XY]:
    """A line less the copper at its ends."""
    length = float(np.hypot(*(end - start)))
    if length <= at_start + at_end:
        middle = _xy(start + (end - start) * (at_start / max(at_start + at_end, ZERO)))
        return middle, middle
    unit = (end - start) / length
    return _xy(start + unit * at_start), _xy(end - unit * at_end)


def _merged(course: Sequence[Leg]) -> list[Leg]:
    """Join lines on one face that meet at corners."""
    out: list[Leg] = []
    for leg in course:
        if out and out[-1].on == leg.on != ON[WALL]:
            last = out.pop()
            out.append(Leg(leg.on, last.points + leg.points[1:], last.length + leg.length))
        else:
            out.append(leg)
    return out


def _xy(point: Floats) -> XY:
    return float(point[0]), float(point[1])


def _as_one(metal: Copper, island: int) -> Copper:
    """Copper of any islands taken for one."""
    whole: Ints = np.full(len(metal), island, np.int32)
    return Copper(whole, metal.face, metal.skeleton, metal.radius, metal.slack)
