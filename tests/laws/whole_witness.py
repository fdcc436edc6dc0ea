"""What creepage and clearance a whole board has: bounds by sampled paths, and by plain distances.

It shares nothing with the product but the words of the contract. Creepage comes from
tests/insulation/oracle.py, once with as few links as must be on a board whose round holes are a
little too wide (never too short), once with as many as can be on one whose holes are a little too
small (never too long). Clearance comes from distances in each layer, between layers, and over
sampled places of the edges through the voids of the board.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, dijkstra

from checker.insulation.surface.geodesics import BOTTOM, TOP
from tests.insulation.linked import any_link, must_link
from tests.insulation.oracle import Board, Metal, measure
from tests.laws.whole_boards import NAMELESS, SIDES, Item, Whole

TOUCH = 1e-3  # mm, README
COARSE, FINE = 0.6, 0.3  # mm, of samples along edges
STEP, CLOSER = 0.3, 16  # mm, of samples for paths through air; how many times closer later
NONE = -1  # the island of earthed copper: it is board
OUTER, INSIDE = 0, 1


@dataclass(frozen=True)
class Islands:
    """Which conductor each item belongs to: 0 and 1 are the sides, `hard` ones third regions."""

    of: tuple[int, ...]
    hard: frozenset[int]
    bridged: bool  # something joins both sides
    muddled: bool  # something joins what has two meanings: nothing is said of it here

    @property
    def count(self) -> int:
        return max(self.of) + 1


def islands_of(whole: Whole) -> Islands:
    """Conductors of a board by what touches, and by what the rules make one."""
    items = whole.items
    names = [_owner(item.net, whole.held.third) for item in items]
    joined = [
        (i, j)
        for i, j in combinations(range(len(items)), 2)
        if items[i].gap(items[j]) <= TOUCH or (names[i] == names[j] != NAMELESS)
    ]
    ends = np.array(joined, dtype=int).reshape(-1, 2)
    graph = coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(len(items),) * 2)
    part = connected_components(graph, directed=False)[1]
    owners = [{names[i] for i in np.flatnonzero(part == p)} - {NAMELESS} for p in part]
    bridged = any({"a", "b"} <= owner for owner in owners)
    muddled = any(len(owner) > 1 and owner != {"a", "b"} for owner in owners)
    number = {"a": 0, "b": 1, "PE": NONE}
    of, hard = [], set()
    for p, owner in zip(part.tolist(), owners, strict=True):
        key = next(iter(sorted(owner)), p)
        if key not in number:
            number[key] = max(*number.values(), 1) + 1
        if key == "third":
            hard.add(number[key])
        of.append(number[key])
    return Islands(tuple(of), frozenset(hard), bridged, muddled)


def _owner(net: str, third: str) -> str:
    """Whose a net is: what nothing holds apart from a side is on that side."""
    if net in ("C", "C1") and third == "first":
        return "b"
    return "third" if net in ("C", "C1", "D", "D1") else SIDES.get(net, net)


# ----------------------------------------------------------------------------------------- creepage


def surface_board(whole: Whole, islands: Islands, region: shapely.Geometry) -> Board:
    """The board as the sampled search knows it."""
    held = whole.held
    board = Board(
        region,
        region,
        whole.thickness,
        (),
        held.x + held.routing,
        hard=islands.hard,
        free=held.x + held.tolerance,
    )
    laid = [
        metal
        for item, island in zip(whole.items, islands.of, strict=True)
        if island != NONE
        for metal in _metals(whole, board, item, island)
    ]
    return replace(board, metals=tuple(laid))


def _metals(whole: Whole, board: Board, item: Item, island: int) -> Iterator[Metal]:
    last = whole.sketch.layers - 1
    for copper in item.copper:
        if copper.layer in (0, last):
            face = TOP if copper.layer == 0 else BOTTOM
            for part in shapely.get_parts(copper.skeleton):
                if not part.is_empty:
                    yield Metal(island, face, part, copper.radius)
    if item.barrel:
        deep = [(item.copper[0].shape, 0.0, whole.thickness)]
    else:
        inner = [c for c in item.copper if 0 < c.layer < last]
        deep = [(c.shape, *[float(whole.depths[c.layer])] * 2) for c in inner]
    for shape, above, below in deep:
        for ring in board.rings:
            for line in _along(ring, shape):
                yield Metal(island, None, line, 0.0, above, below)


def _along(ring: shapely.LineString, shape: shapely.Geometry) -> Iterator[shapely.LineString]:
    """Stretches of a rim inside copper, or along it."""
    met = shapely.intersection(ring, shapely.buffer(shape, 1e-7))
    lines = [part for part in shapely.get_parts(met) if part.geom_type == "LineString"]
    merged = shapely.line_merge(shapely.union_all(lines))
    yield from (part for part in shapely.get_parts(merged) if part.length > TOUCH)


def creepage_most(whole: Whole, islands: Islands, reach: float) -> float:
    """A length in mm that no creepage is told beyond, tolerance not subtracted."""
    board = surface_board(whole, islands, whole.narrow)
    return measure(must_link(board, reach), COARSE) if _has_sides(board) else np.inf


def creepage_least(whole: Whole, islands: Islands, reach: float, spacing: float) -> float:
    """A length in mm that no creepage is below, but for the samples."""
    board = surface_board(whole, islands, whole.wide)
    return measure(any_link(board, reach), spacing) if _has_sides(board) else np.inf


def _has_sides(board: Board) -> bool:
    """Whether copper of both sides lies on the surface."""
    return {0, 1} <= {metal.island for metal in board.metals}


# ---------------------------------------------------------------------------------------- clearance


@dataclass(frozen=True)
class Voids:
    """Sampled places on the edges of a board, and the lengths between them within its voids."""

    places: np.ndarray  # (n, 2)
    flat: np.ndarray  # (n, n)
    before: np.ndarray  # (n, n) the place before the last on the way from each to each

    @classmethod
    def of(cls, region: shapely.Geometry, places: np.ndarray) -> Voids:
        """Straight lines in sight of each other over nothing but voids, and their sums."""
        inside = region.buffer(-1e-7, join_style="mitre")
        shapely.prepare(inside)
        i, j = np.triu_indices(len(places), 1)
        lines = shapely.linestrings(np.stack((places[i], places[j]), axis=1))
        seen = ~shapely.intersects(inside, lines)
        graph = coo_array(
            (shapely.length(lines[seen]), (i[seen], j[seen])), shape=(len(places),) * 2
        ).tocsr()
        return cls(places, *dijkstra(graph, directed=False, return_predecessors=True))


@dataclass(frozen=True)
class Leg:
    """A straight way between two conductors, in parts of what it is held to."""

    share: float
    length: float
    kind: int


class Air:
    """Shortest ways between the conductors of a board, through air and through the board.

    With voids that are a little too small they are never too short, with such that are a little too
    wide never too long.
    """

    def __init__(self, whole: Whole, islands: Islands, region: shapely.Geometry) -> None:
        self.whole, self.islands, self.held, self.region = whole, islands, whole.held, region
        self.limits = (
            self.held.clearance + self.held.tolerance,
            self.held.inside + self.held.tolerance,
        )
        self.last = whole.sketch.layers - 1
        self.rings = [
            ring for part in shapely.get_parts(region) for ring in (part.exterior, *part.interiors)
        ]

    @cached_property
    def voids(self) -> Voids:
        """Of the whole board, coarse."""
        near = [shapely.get_coordinates(ring.segmentize(STEP)) for ring in self.rings]
        return Voids.of(self.region, np.unique(np.concatenate(near), axis=0))

    def shares(self, *, most: bool) -> float:
        """The least sum of shares of a path from side to side.

        Parameters
        ----------
        most : a sum that no path is told beyond; else one that no path is below
        """
        count = self.islands.count
        weights = np.full((count, count), np.inf)
        for pair in combinations(range(count), 2):
            legs = [*self._straight(*pair), *self._over_edges(*pair, most=most)]
            weights[pair] = min((self._weight(pair, leg, most) for leg in legs), default=np.inf)
        weights = np.minimum(weights, weights.T)
        return _least_sum(weights)

    def _weight(self, pair: tuple[int, int], leg: Leg, most: bool) -> float:
        floats = [i > 1 and i not in self.islands.hard for i in pair]
        free = any(floats) and leg.length < self.held.x + self.held.tolerance
        unsure = leg.kind == INSIDE and not all(floats) and leg.share >= 1
        return 0.0 if free and not (most and unsure) else leg.share

    def _items(self, island: int) -> list[Item]:
        return [
            item for item, of in zip(self.whole.items, self.islands.of, strict=True) if of == island
        ]

    def _straight(self, one: int, two: int) -> Iterator[Leg]:
        for a in self._items(one):
            for b in self._items(two):
                for p in a.copper:
                    for q in b.copper:
                        apart = shapely.distance(p.skeleton, q.skeleton) - p.radius - q.radius
                        deep = self.whole.depths[p.layer] - self.whole.depths[q.layer]
                        outer = p.layer == q.layer and p.layer in (0, self.last)
                        kind = OUTER if outer else INSIDE
                        length = float(np.hypot(max(apart, 0.0), deep))
                        yield Leg(length / self.limits[kind], length, kind)

    def _over_edges(self, one: int, two: int, *, most: bool) -> Iterator[Leg]:
        length, way = self._edge(one, two, self.voids)
        if not np.isfinite(length):
            return
        if most:
            near = shapely.union_all(shapely.points(way)).buffer(STEP)
            closer = [
                shapely.get_coordinates(part.segmentize(STEP / CLOSER))
                for ring in self.rings
                for part in [shapely.intersection(ring, near)]
                if not part.is_empty
            ]
            corners = [shapely.get_coordinates(ring) for ring in self.rings]
            places = np.unique(np.concatenate((*closer, *corners, way)), axis=0)
            if len(places) < 900:
                length = min(length, self._edge(one, two, Voids.of(self.region, places))[0])
        else:
            length = max(length - 2 * STEP, 0.0)
        yield Leg(length / self.limits[OUTER], length, OUTER)

    def _edge(self, one: int, two: int, voids: Voids) -> tuple[float, np.ndarray]:
        """Length of the shortest way over an edge, and the places where it bends."""
        best, way = np.inf, np.empty((0, 2))
        for from_, start in self._reached(one, voids):
            for to, end in self._reached(two, voids):
                if from_ == to and from_ in (0.0, self.whole.thickness):
                    continue  # in one plane, straight
                total = start[:, None] + np.hypot(voids.flat, abs(from_ - to)) + end[None, :]
                i, j = np.unravel_index(int(np.argmin(total)), total.shape)
                if total[i, j] < best:
                    best, way = float(total[i, j]), voids.places[_steps(voids, int(i), int(j))]
        return best, way

    def _reached(self, island: int, voids: Voids) -> Iterator[tuple[float, np.ndarray]]:
        """How far each place is from copper of an island, by depth of the copper."""
        points = shapely.points(voids.places)
        for item in self._items(island):
            for copper in item.copper:
                apart = shapely.distance(copper.skeleton, points) - copper.radius
                away = np.maximum(apart, 0.0)
                if copper.layer in (0, self.last):
                    yield (0.0 if copper.layer == 0 else self.whole.thickness), away
                elif (open_ := away <= 1e-6).any():
                    depth = float(self.whole.depths[copper.layer])
                    yield depth, np.where(open_, 0.0, np.inf)


def _steps(voids: Voids, first: int, last: int) -> list[int]:
    steps = [last]
    while steps[-1] != first and voids.before[first, steps[-1]] >= 0:
        steps.append(int(voids.before[first, steps[-1]]))
    return steps


def _least_sum(weights: np.ndarray) -> float:
    """Least sum of weights from 0 to 1; a sparse graph would lose those that are 0."""
    far = np.full(len(weights), np.inf)
    far[0] = 0.0
    for _ in range(len(weights)):
        far = np.minimum(far, (far[:, None] + weights).min(axis=0))
    return float(far[1])
