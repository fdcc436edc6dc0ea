"""The shortest ways along the surface between both sides of a separation, where they are below what
is required.

The copper of both faces, what inner layers and plated edges show in the walls of free edges, and
other copper to cross, laid on the surface of the board (`surface`). Floating copper first becomes
*clusters*: conductors that legs shorter than X join, which a path therefore crosses at no cost.
Paths are then sought between sides, clusters and third regions.

What the rows of the table hold inside the board is measured with the clearances (`clearances`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property, partial
from itertools import pairwise

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, dijkstra

from checker.config.spacing_table import CREEPAGE, OUTER, Required
from checker.findings import XY
from checker.insulation.conductors import ROUNDING, Source
from checker.insulation.requirements import Barriers, Bound, bind
from checker.insulation.separations import contenders
from checker.insulation.shortfalls import (
    COPPER,
    EDGE,
    SEVERAL,
    Part,
    Shortfall,
    spans_of,
    told_once,
)
from checker.insulation.surface.edges import joins
from checker.insulation.surface.geodesics import (
    BOTTOM,
    HOP,
    SOURCE,
    TARGET,
    TOP,
    Copper,
    Exposed,
    Geodesic,
    Leg,
    Legs,
    Surface,
)
from checker.layout.layout import Layout, of_layout
from parsers.board import BOTTOM as BOTTOM_SIDE
from parsers.board import TOP as TOP_SIDE
from parsers.board import UNPLATED
from parsers.primitives import TOUCH, Bools, Floats, Ints, Rows, Shapes

# mm; height of walls where the board's thickness is not known: a doubt tells, and nothing crosses
# them
NO_WALL = 1e6
CROWD = 12  # floating conductors in a row that are told one by one
# mm; by how much copper laid on the surface may exceed its box, and tolerances of lengths
_SLACK = 0.002
_NOTHING = 1e-12  # mm; what stands for no length in a sparse graph, where 0 means no edge
_SEEN = {TOP_SIDE, BOTTOM_SIDE}


def creepages(layout: Layout) -> tuple[Shortfall, ...]:
    """Every creepage that falls short, the worst of each separation, pair of nets and face (or
    edge).
    """
    return measured(layout).short


def necks(layout: Layout) -> tuple[tuple[Bound, XY], ...]:
    """Separations beside narrow places of a slot or edge with more than two wide rooms, with the
    place of the first.

    Over such a place a path may come out too long. Where one lies within the required distance of
    both sides, the result proves nothing.
    """
    return measured(layout).necks


def stopped(layout: Layout) -> tuple[Bound, ...]:
    """Separations whose search was given up: what falls short may be missing, or told too long."""
    return measured(layout).stopped


@dataclass(frozen=True, slots=True)
class Measured:
    """What one search tells."""

    short: tuple[Shortfall, ...]
    necks: tuple[tuple[Bound, XY], ...]
    stopped: tuple[Bound, ...]


@of_layout
def measured(layout: Layout) -> Measured:
    """`creepages`, `necks` and `stopped`, found in one search, once."""
    barriers = bind(layout)
    surfaces: dict[float, Surface] = {}
    found: list[Shortfall] = []
    unsure: list[tuple[Bound, XY]] = []
    given_up: list[Bound] = []
    for bound in barriers.measured:
        required = bound.required(CREEPAGE, OUTER)
        if required is None or required.value <= 0 or not bound.has_copper:
            continue
        x = bound.x + layout.rules.tolerance.routing  # a slot may come out that much narrower
        if x not in surfaces:
            surfaces[x] = surface_of(layout, barriers, x)
        layout.tell(f"{CREEPAGE} of {bound.title}: {bound.some_nets(layout)}")
        search = _Search(layout, barriers, bound, required, surfaces[x])
        found += search.found()
        unsure += [(bound, at) for at in search.beside(surfaces[x].necks)[:1]]
        given_up += [bound] if search.stopped else []
    return Measured(tuple(found), tuple(unsure), tuple(given_up))


def surface_of(layout: Layout, barriers: Barriers, x: float) -> Surface:
    """The surface of a board: its profile, its unplated through holes, its thickness."""
    board = layout.board
    holes, last = board.holes, len(board.layers) - 1
    open_ = (holes.plated == UNPLATED) & (holes.first == 0) & (holes.last >= last)
    outline = board.outline.shape if board.outline is not None else None
    return Surface(
        outline, barriers.thickness or NO_WALL, holes.ends[open_], holes.radius[open_], x
    )


class _Search:
    """One separation's conductors on the surface."""

    def __init__(
        self, layout: Layout, barriers: Barriers, bound: Bound, required: Required, surface: Surface
    ) -> None:
        self.layout, self.bound, self.required, self.surface = layout, bound, required, surface
        self.separation = bound.separation
        self.soft = self.separation.soft(len(barriers.bodies))
        self.bodies, self.last = barriers.bodies, len(layout.board.layers) - 1
        self.depths, self.thickness = barriers.depths, barriers.thickness or NO_WALL
        margin = bound.tolerance - ROUNDING
        self.limit, self.x = required.value + margin, bound.x + margin
        self.metal, self.bare = self._laid()
        # many paths end alike: what was asked before
        self._nearest: dict[tuple[int | None, str, XY], int] = {}
        self._chains: dict[tuple[int, int], list[int]] = {}
        self._bare_lengths: dict[tuple[int, int], float] = {}

    def found(self) -> Iterable[Shortfall]:
        """Shortfalls, the worst of each pair of nets and face.

        A way over several places that is no shorter than one on a single face is not told beside
        it.
        """
        found: list[Shortfall] = []
        for path in self._paths():
            short = self._shortfall(path)
            found += [short, *([] if short.layer is not None else self._on_one_face(path))]
        return told_once(found)

    @property
    def stopped(self) -> bool:
        """Whether too much would have had to be looked at."""
        return self.legs.stopped or self.between_third.stopped

    def beside(self, places: Sequence[shapely.Geometry]) -> list[XY]:
        """Middles of those places that lie within the limit of both sides, seen from above."""
        out = []
        laid = np.unique(np.concatenate((self.metal.island, self.bare.island)))
        sides = [
            self.bodies.shapes.take(rows[np.isin(rows, laid)]) for rows in self.separation.ends
        ]
        copper_of = [(side.skeletons(), self.limit + side.radius + side.slack()) for side in sides]
        for place in places:
            if all(
                shapely.dwithin(skeletons, place, reach).any() for skeletons, reach in copper_of
            ):
                middle = shapely.centroid(place)
                out.append((float(middle.x), float(middle.y)))
        return out

    def _paths(self) -> Iterator[Geodesic]:
        node, ends = self.bodies.node, self.ends
        for source, target in zip(
            *(c.tolist() for c in self.legs.table(self.x, self.limit)[:2]), strict=True
        ):
            if node[ends[source]] == node[ends[target]]:
                continue  # a net on both sides is never held against itself
            names = " to ".join(self._name(ends[island]) for island in (source, target))
            self.layout.tell(f"{CREEPAGE} of {self.bound.title}: {names}")
            path = self.legs.best(source, target, self.x)
            if path is not None and path.length < self.limit:
                yield path

    def _on_one_face(self, path: Geodesic) -> Iterator[Shortfall]:
        """What is too short on one face, where a way that leaves it is shorter still."""
        direct = self.legs.direct(path.source, path.target)
        if (
            direct is not None
            and direct.length < self.limit
            and len({leg.on for leg in direct.legs}) == 1
        ):
            yield self._shortfall(direct)

    # -------------------------------------------------------------------------- laid on the surface

    def _laid(self) -> tuple[Copper, Exposed]:
        """Copper on the faces and in the walls, as far as it can matter; its islands are bodies."""
        rows = self._near()
        shapes, layer = self.bodies.shapes, self.bodies.shapes.layer
        on_face = rows[(layer[rows] == 0) | (layer[rows] == self.last)]
        face = np.where(layer[on_face] == 0, TOP, BOTTOM).astype(np.int32)
        part = shapes.take(on_face)
        metal = Copper(on_face.astype(np.int32), face, part.skeletons(), part.radius, part.slack())
        return self.surface.placed(metal)[0], self._bare(rows)

    def _near(self) -> Rows:
        """Bodies that may lie within the limit of others that they are measured to, seen from
        above.
        """
        one, two, third = contenders(self.bodies, self.separation, max(self.limit, self.x) + _SLACK)
        rows = np.concatenate((one, two, third))
        label = np.concatenate(
            (np.full(len(one), 0), np.full(len(two), 1), 2 + self.separation.node[third])
        )
        kept = on_the_way(
            self.bodies.shapes.take(rows).bounds(), label.astype(np.int32), self.limit, self.x
        )
        near: Rows = np.unique(rows[kept])
        return near

    def _bare(self, rows: Rows) -> Exposed:
        """What lies open in walls: plated edges from face to face, inner copper at its depth."""
        layer, source = self.bodies.shapes.layer, self.bodies.source
        edge = source[rows] == Source.EDGE
        inner = rows[~edge & (layer[rows] > 0) & (layer[rows] < self.last)]
        plated = rows[edge & (layer[rows] == 0)]
        body, line = self._at_rims(inner)
        above, below = self._depths(layer[body])
        none = np.zeros(len(plated))
        return Exposed(
            island=np.concatenate((plated, body)).astype(np.int32),
            line=np.concatenate((self.bodies.shapes.skeletons(plated), line)),
            above=np.concatenate((none, above)),
            below=np.concatenate((none + self.thickness, below)),
        )

    def _at_rims(self, inner: Rows) -> tuple[Rows, Shapes]:
        """Stretches of rim that inner copper reaches."""
        rims = shapely.linestrings(self.surface.ground.rims.ends.reshape(-1, 2, 2))
        part = self.bodies.shapes.take(inner)
        reach = part.radius + part.slack() + TOUCH
        skeletons = part.skeletons()
        which, rim = shapely.STRtree(rims).query(skeletons, predicate="dwithin", distance=reach)
        wide = shapely.buffer(skeletons[which], reach[which])
        lines, pair = shapely.get_parts(shapely.intersection(wide, rims[rim]), return_index=True)
        kept = shapely.length(lines) > 0
        return inner[which[pair[kept]]], lines[kept]

    def _depths(self, layer: Ints) -> tuple[Floats, Floats]:
        """Depth of inner layers in the wall; anywhere in it if the stackup does not tell."""
        if self.depths is None:
            return np.zeros(len(layer)), np.full(len(layer), self.thickness)
        depth = np.minimum(np.array(self.depths)[layer], self.thickness)
        return depth, depth

    # -------------------------------------------------------------------------------------- islands

    @cached_property
    def _sides(self) -> tuple[Ints, Ints, Rows]:
        """Islands of the first side, of the second, per body (-1: none), and a body of each island.

        Each conductor is an island per layer, so that the worst of either face is found.
        """
        key = self.bodies.node.astype(np.int64) * (self.last + 1) + self.bodies.shapes.layer
        islands, ends = [], [np.empty(0, np.intp)]
        for rows in map(self._of_laid, self.separation.ends):
            _, first, number = np.unique(key[rows], return_index=True, return_inverse=True)
            island = np.full(len(self.bodies), -1, np.int32)
            island[rows] = number + sum(map(len, ends))
            islands.append(island)
            ends.append(rows[first])
        return islands[0], islands[1], np.concatenate(ends)

    def _of_laid(self, rows: Rows) -> Rows:
        """Those bodies that lie on the surface: the others are too far away to matter."""
        laid: Rows = rows[np.isin(rows, np.concatenate((self.metal.island, self.bare.island)))]
        return laid

    @property
    def ends(self) -> Rows:
        """A body of each island of either side."""
        return self._sides[2]

    @cached_property
    def third(self) -> tuple[Ints, Rows]:
        """Number of floating conductors per body (-1: none), and a body of each."""
        laid = self._of_laid(self.separation.floating)
        _, first, number = np.unique(self.bodies.node[laid], return_index=True, return_inverse=True)
        conductor = np.full(len(self.bodies), -1, np.int32)
        conductor[laid] = number
        return conductor, laid[first]

    @cached_property
    def _crossed(self) -> Ints:
        """Island of each body that a path may cross (-1: none): clusters, then third regions."""
        ends, (conductor, _) = self.ends, self.third
        cluster = np.append(self.cluster, 0)
        island = np.where(conductor >= 0, len(ends) + cluster[conductor], -1).astype(np.int32)
        for number, third in enumerate(self.separation.between):
            island[self._of_laid(third.rows)] = self._first_region + number
        return island

    @property
    def _first_region(self) -> int:
        """The first island that is a third region."""
        return len(self.ends) + int(self.cluster.max(initial=-1)) + 1

    @cached_property
    def between_third(self) -> Legs:
        """Legs between floating conductors that count as nothing."""
        conductor, bodies = self.third
        metal, bare = self._islands(conductor)
        return self.surface.legs(metal, np.full(len(bodies), HOP), self.x - ROUNDING, bare)

    @cached_property
    def cluster(self) -> Ints:
        """Cluster of each floating conductor."""
        legs, n = self.between_third, len(self.third[1])
        graph = coo_array((np.ones(len(legs.length)), (legs.start, legs.end)), shape=(n, n))
        numbers: Ints = connected_components(graph, directed=False)[1].astype(np.int32)
        return numbers

    @cached_property
    def legs(self) -> Legs:
        """Ways over insulation between sides, clusters of floating copper, and third regions."""
        one, two, ends = self._sides
        parts = [self._islands(island) for island in (one, two, self._crossed)]
        roles = [SOURCE] * (int(one.max()) + 1) + [TARGET] * (len(ends) - int(one.max()) - 1)
        roles += [HOP] * (self._first_region - len(ends) + len(self.separation.between))
        metal = Copper(
            *(np.concatenate([getattr(p[0], f.name) for p in parts]) for f in fields(Copper))
        )
        bare = Exposed(
            *(np.concatenate([getattr(p[1], f.name) for p in parts]) for f in fields(Exposed))
        )
        # beside floating copper legs below X are free; a search may lose what is that close to its
        # limit
        reach = max(self.limit, self.x) if HOP in roles else self.limit
        conductor = np.concatenate(
            (
                self.bodies.node[ends],
                self.bodies.node.max(initial=0) + 1 + np.arange(len(roles) - len(ends)),
            )
        )
        own = np.unique(conductor, return_inverse=True)[1]
        solid = np.arange(len(roles)) >= self._first_region
        return self.surface.legs(metal, roles, reach + _SLACK, bare, own, solid, x=self.x)

    def _islands(self, island: Ints) -> tuple[Copper, Exposed]:
        """The copper whose bodies have an island."""
        metal, bare = (
            self.metal.take(island[self.metal.island] >= 0),
            self.bare.take(island[self.bare.island] >= 0),
        )
        return (
            Copper(island[metal.island], metal.face, metal.skeleton, metal.radius, metal.slack),
            Exposed(island[bare.island], bare.line, bare.above, bare.below),
        )

    # -------------------------------------------------------------------------------------- telling

    def _shortfall(self, path: Geodesic) -> Shortfall:
        crossings = [self._crossing(*hop) for hop in _hops(path.legs)]
        runs = _runs(path.legs)
        counts = self._counted(runs)
        parts = [*self._parts(runs, counts, crossings)]
        layer, place = self._where(parts)
        ends = int(self.ends[path.source]), int(self.ends[path.target])
        stops = [
            ends[0],
            *(body for crossing in crossings for body in (crossing[0], crossing[-1])),
            ends[1],
        ]
        return Shortfall(
            bound=self.bound,
            required=self.required,
            measured=max(path.length - self.bound.tolerance, 0.0),
            raw=path.raw + sum(self._bare_length(crossing) for crossing in crossings),
            nets=(self._name(ends[0]), self._name(ends[1])),
            place=place,
            layer=layer,
            parts=tuple(parts),
            ends=ends,
            crossed=tuple(body for crossing in crossings for body in crossing),
            spans=spans_of(zip(stops[::2], stops[1::2], counts, strict=True), self.soft),
        )

    def _counted(self, runs: Sequence[tuple[Leg | None, list[Leg]]]) -> list[bool]:
        """Which runs over insulation count: those beside floating copper only if they are as wide
        as X.
        """
        hops = [hop.island for hop, _ in runs if hop is not None]
        soft = [island is not None and island < self._first_region for island in hops]
        beside = [
            before or after for before, after in zip([False, *soft], [*soft, False], strict=True)
        ]
        lengths = [sum(leg.length for leg in run) for _, run in runs]
        return [not free or length >= self.x for free, length in zip(beside, lengths, strict=True)]

    def _name(self, body: int) -> str:
        return self.bodies.net_name(int(body))

    def _where(self, parts: Sequence[Part]) -> tuple[int | None, str]:
        """The face that a path keeps to, or None, and what its place is called."""
        on = {part.on for part in parts if part.on != COPPER}
        if len(on) == 1 and on <= _SEEN:
            layer = 0 if on == {TOP_SIDE} else self.last
            return layer, self.layout.layer_id(layer)
        return None, SEVERAL if any(part.on == COPPER for part in parts) else EDGE

    def _parts(
        self,
        runs: Sequence[tuple[Leg | None, list[Leg]]],
        counts: Sequence[bool],
        crossings: Sequence[Sequence[int]],
    ) -> Iterator[Part]:
        """The path stretch by stretch; floating copper that is crossed by free legs conductor by
        conductor.
        """
        for number, ((hop, run), counted) in enumerate(zip(runs, counts, strict=True)):
            if hop is not None:
                yield from self._hopped(hop, crossings[number - 1])
            yield from (Part(leg.on, leg.points, leg.length, counted) for leg in run)

    def _crossing(self, before: Leg, hop: Leg, after: Leg) -> list[int]:
        """Bodies of the conductors that a path crosses between two legs, in order."""
        start, end = self._nearest_body(hop, before, -1), self._nearest_body(hop, after, 0)
        if (hop.island or 0) >= self._first_region:
            return [start, end]
        conductor, bodies = self.third
        key = int(conductor[start]), int(conductor[end])
        if key not in self._chains:
            self._chains[key] = (
                self.between_third.chain(*key, self.x) if key[0] != key[1] else [key[0]]
            )
        return [int(bodies[number]) for number in self._chains[key]]

    def _bare_length(self, crossing: Sequence[int]) -> float:
        """What free legs between floating conductors measure."""
        conductor = self.third[0]
        key = int(conductor[crossing[0]]), int(conductor[crossing[-1]])
        if key not in self._bare_lengths:
            numbers = conductor[np.array(crossing, dtype=np.intp)]
            floats = np.minimum(numbers[:-1], numbers[1:]) >= 0
            one, two = numbers[:-1][floats], numbers[1:][floats]
            self._bare_lengths[key] = sum(self.between_third.lengths_of(one, two).tolist())
        return self._bare_lengths[key]

    def _hopped(self, hop: Leg, crossing: Sequence[int]) -> Iterator[Part]:
        """Copper between two legs: conductor by conductor, with the free legs between; a crowd, or
        a region, as one.
        """
        at, end = hop.points[0], hop.points[-1]
        if len(crossing) > CROWD or (hop.island or 0) >= self._first_region:
            yield replace(self._over(at, end, crossing[0]), net=self._crowd(crossing))
            return
        for one, two in pairwise(crossing):
            _, run = self.between_third.leg(int(self.third[0][one]), int(self.third[0][two]))
            yield self._over(at, run[0].points[0], one)
            yield from (Part(leg.on, leg.points, leg.length, False) for leg in run)
            at = run[-1].points[-1]
        yield self._over(at, end, crossing[-1])

    def _crowd(self, crossing: Sequence[int]) -> str:
        """What is told of copper that is crossed as one."""
        if len(crossing) > CROWD:
            return f"{len(crossing)} pieces of copper"
        return ", ".join(dict.fromkeys(map(self._name, crossing)))

    def _over(self, start: XY, end: XY, body: int) -> Part:
        length = float(np.hypot(end[0] - start[0], end[1] - start[1]))
        return Part(COPPER, (start, end), length, False, self._name(body))

    def _nearest_body(self, hop: Leg, beside: Leg, end: int) -> int:
        """Which body of an island a leg ends on: the one nearest to its end."""
        key = hop.island, beside.on, beside.points[end]
        if key not in self._nearest:
            self._nearest[key] = self._nearest_of(*key)
        return self._nearest[key]

    def _nearest_of(self, island: int | None, on: str, at: XY) -> int:
        """Body of an island that is crossed, nearest to a point on a face or wall."""
        point = shapely.Point(at)
        face = {TOP_SIDE: (TOP,), BOTTOM_SIDE: (BOTTOM,)}.get(on, (TOP, BOTTOM))
        metal = (self._crossed[self.metal.island] == island) & np.isin(self.metal.face, face)
        bare = self._crossed[self.bare.island] == island
        bodies = np.concatenate((self.metal.island[metal], self.bare.island[bare]))
        gap = shapely.distance(self.metal.skeleton[metal], point) - self.metal.radius[metal]
        nearest = np.argmin(np.concatenate((gap, shapely.distance(self.bare.line[bare], point))))
        return int(bodies[nearest])


def on_the_way(boxes: Floats, label: Ints, limit: float, x: float) -> Bools:
    """Which boxes may be part of a way from label 0 to label 1 below the limit, over all others at
    no cost.

    Seen from above no way is shorter than the distance of the boxes; legs below x may count as
    nothing beside third copper. What is far from any such way needs no search on the surface.
    """
    links = partial(_links, boxes, label, limit + _SLACK, x + _SLACK)
    ends, least = np.empty((0, 2), np.int32), np.empty(0)
    for a, b, cost in links():
        ends, least = _least(
            np.vstack((ends, np.column_stack((label[a], label[b])))), np.append(least, cost)
        )
    size = int(label.max(initial=1)) + 1
    first, second = (_reach(ends, least, side, size) for side in (0, 1))
    useful = np.zeros(len(label), dtype=bool)
    for a, b, cost in links():
        one, two = label[a], label[b]
        through = (
            cost + np.minimum(first[one] + second[two], second[one] + first[two]) < limit + _SLACK
        )
        useful[a[through]] = useful[b[through]] = True
    return useful


def _links(
    boxes: Floats, label: Ints, limit: float, x: float
) -> Iterator[tuple[Rows, Rows, Floats]]:
    """Pairs of boxes of different labels with the least that a leg between them can count, block by
    block.
    """
    for left, right in joins(boxes, boxes, max(limit, x)):
        wanted = label[left] < label[right]
        a, b = left[wanted], right[wanted]
        apart = np.maximum(
            np.maximum(boxes[a, :2] - boxes[b, 2:], boxes[b, :2] - boxes[a, 2:]), 0.0
        )
        length = np.hypot(apart[:, 0], apart[:, 1])
        cost = np.where((length < x) & (label[b] > 1), 0.0, length)
        near = cost < limit
        yield a[near], b[near], cost[near]


def _least(ends: Ints, cost: Floats) -> tuple[Ints, Floats]:
    """The least cost of each pair of labels."""
    order = np.lexsort((cost, ends[:, 1], ends[:, 0]))
    pairs, first = np.unique(ends[order], axis=0, return_index=True)
    return pairs, cost[order[first]]


def _reach(ends: Ints, cost: Floats, side: int, size: int) -> Floats:
    """Least cost from one side to each label, without setting foot on the other side."""
    open_ = (ends != 1 - side).all(axis=1)
    graph = coo_array(
        (cost[open_] + _NOTHING, (ends[open_, 0], ends[open_, 1])), shape=(size, size)
    )
    reach: Floats = dijkstra(graph.tocsr(), directed=False, indices=np.array([side]))[0]
    return reach


def _hops(legs: Sequence[Leg]) -> Iterator[tuple[Leg, Leg, Leg]]:
    """Every hop over copper with the legs before and after it."""
    yield from ((legs[k - 1], leg, legs[k + 1]) for k, leg in enumerate(legs) if leg.on == COPPER)


def _runs(legs: Sequence[Leg]) -> list[tuple[Leg | None, list[Leg]]]:
    """Stretches of insulation, each with the copper that was hopped over before it."""
    runs: list[tuple[Leg | None, list[Leg]]] = [(None, [])]
    for leg in legs:
        if leg.on == COPPER:
            runs.append((leg, []))
        else:
            runs[-1][1].append(leg)
    return runs
