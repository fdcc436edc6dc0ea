"""The shortest distances of both sides of a separation, where they are below what is required.

Straight lines on each face and inner layer, straight lines through the board between layers, ways
through the air round the edges of the board, and chains of these over floating copper and third
regions. Distances along surfaces are not measured here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import shapely

from checker.config.spacing_table import CLEARANCE, INNER, OUTER, THROUGH, Required
from checker.findings import XY
from checker.geometry.nearest import Judged, Keys, Nearest, Pieces, closest, pieces
from checker.insulation.air.paths import Air, Reach
from checker.insulation.air.search import Ways
from checker.insulation.chains import Chain, Legs, chains, clusters, joined
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
from checker.layout.layout import Layout, of_layout
from parsers.board import BOTTOM, PLATED, TOP
from parsers.primitives import Bools, Floats, Ints, Rows

KINDS = (OUTER, INNER, THROUGH)


@dataclass(frozen=True)
class _Conductors:
    """Conductors of one side, or crossed ones: cut for searching, and what of them is near free
    edges.
    """

    pieces: Pieces
    reach: Reach | None  # None: ways over edges are not asked for

    def on(self, mask: Bools) -> _Conductors:
        """Those of a layer, given by a mask over the pieces; no way over an edge stays on one
        layer.
        """
        return _Conductors(self.pieces.take(mask), None)

    def __len__(self) -> int:
        return len(self.pieces)


@of_layout
def shortfalls(layout: Layout) -> tuple[Shortfall, ...]:
    """Everything too close, one per separation, pair of nets and layer (or None); found once."""
    barriers = bind(layout)
    air = _air(layout, barriers) if barriers.measured else None
    found: list[Shortfall] = []
    for bound in barriers.measured:
        layout.tell(f"{CLEARANCE} of {bound.title}: {bound.some_nets(layout)}")
        found += _Search(layout, barriers, bound, air).found()
    return tuple(found)


def unsure(layout: Layout) -> tuple[Bound, ...]:
    """Separations that may hold what is told to fall short: the search for ways over edges was
    given up.
    """
    bounds = {id(short.bound): short.bound for short in shortfalls(layout) if not short.sure}
    return tuple(bounds.values())


def _air(layout: Layout, barriers: Barriers) -> Air | None:
    """The voids of the board, if its profile and thickness are known: without them there is a
    doubt.
    """
    board = layout.board
    if board.outline is None or barriers.thickness is None or len(board.layers) < 2:
        return None
    holes = board.holes
    last = len(board.layers) - 1
    open_ = (holes.plated != PLATED) & (holes.first == 0) & (holes.last == last)
    material = board.outline.shape.difference(shapely.union_all(holes.shapes()[open_]))
    depth = np.full(last + 1, np.nan) if barriers.depths is None else np.array(barriers.depths)
    depth[[0, last]] = 0.0, barriers.thickness  # walls are as high as the board, copper included
    return Air(material, depth)


def _held(bound: Bound) -> dict[str, Required]:
    """What each kind of place is held to here: outer faces to clearance, the inside to what its
    rows hold.
    """
    wanted = {OUTER: bound.required(CLEARANCE, OUTER)}
    wanted |= {where: bound.solid(where) for where in (INNER, THROUGH)}
    return {
        where: required
        for where, required in wanted.items()
        if required is not None and required.value > 0
    }


class _Search:
    """One separation's conductors, ready to be measured."""

    def __init__(self, layout: Layout, barriers: Barriers, bound: Bound, air: Air | None) -> None:
        self.layout, self.bodies, self.bound, self.air = layout, barriers.bodies, bound, air
        self.separation = bound.separation
        self.node, self.nodes = self.separation.node, self.separation.nodes
        self.soft = self.separation.soft(len(self.bodies))
        self.layers = len(layout.board.layers)
        self.held = _held(bound)
        self.margin = bound.tolerance - ROUNDING
        self.limits = np.array(
            [self.held[k].value + self.margin if k in self.held else -1.0 for k in KINDS]
        )
        self.kind = np.array([KINDS.index(k) for k in self._kinds()])
        self.depth = np.array(
            barriers.depths if barriers.depths is not None else [0.0] * self.layers
        )
        if barriers.depths is None:
            self.limits[KINDS.index(THROUGH)] = -1.0
        self.free = np.where(self.limits > 0, bound.x + self.margin, -1.0)  # beside floating copper
        # dirt bridges X on the faces only: within solid insulation no leg longer than required is
        # taken for nothing
        outer = np.arange(len(KINDS)) == KINDS.index(OUTER)
        self.beside = np.where(outer, np.maximum(self.limits, self.free), self.limits)
        self.first_layer, self.last_layer = _spans(layout, barriers)
        near = contenders(
            self.bodies, self.separation, float(max(self.beside.max(), self.free.max()))
        )
        self.a, self.b, self.third = map(self._conductors, near)

    def _conductors(self, rows: Rows) -> _Conductors:
        cut = pieces(self.bodies.shapes, rows)
        if self.air is None or self.limits[0] <= 0:
            return _Conductors(cut, None)
        layer = self.bodies.shapes.layer
        return _Conductors(cut, self.air.reach(cut, layer, self.node, float(self.beside[0])))

    def _kinds(self) -> list[str]:
        """Kind of each place: the layers, then through the board, then over an edge."""
        inner = [INNER] * (self.layers - 2)
        return [OUTER, *inner, *([OUTER] if self.layers > 1 else []), THROUGH, OUTER]

    def found(self) -> Iterable[Shortfall]:
        """Shortfalls, the worst of each pair of nets and layer.

        A path over several places that is no shorter than one on a single layer is not told beside
        it.
        """
        return told_once([*self._direct(), *self._chained()])

    def _direct(self) -> list[Shortfall]:
        legs = self._legs(self.a, self.b, self.node, self.node, self.limits)
        return [
            self._shortfall(legs.take(np.array([row])), np.array([True]))
            for row in range(len(legs))
        ]

    def _chained(self) -> list[Shortfall]:
        """Paths over other copper: on each layer, then wherever they lead."""
        if not len(self.third):
            return []
        layer = self.bodies.shapes.layer
        found: list[Chain] = []
        for number in range(self.layers):
            found += self._via(
                *(c.on(layer[c.pieces.row] == number) for c in (self.a, self.b, self.third))
            )
        anywhere = self._via(self.a, self.b, self.third)
        found += [
            chain for chain in anywhere if self._where(set(chain.legs.place.tolist()))[0] is None
        ]
        return [self._from_chain(chain) for chain in found]

    def _via(self, a: _Conductors, b: _Conductors, third: _Conductors) -> list[Chain]:
        """Paths over other copper among the given conductors."""
        node = self.node
        everything = np.zeros(len(self.bodies), dtype=np.int32)
        for side in (a, b):
            if not len(self._legs(side, third, everything, everything, self.beside)):
                return []
        hops = self._legs(third, third, node, node, self.free, ordered=True)
        hops = hops.take(self._soft_ends(hops))
        # the nearest of a cluster may be a third region, beside which no leg is free
        cluster = 2 * clusters(hops, self.nodes)[node] + self.soft
        out = self._legs(a, third, node, cluster, self.beside)
        into = self._legs(third, b, cluster, node, self.beside)
        across = joined(
            [hops, self._legs(third, third, cluster, cluster, self.limits, ordered=True)]
        )
        weights = self._weight(out), self._weight(across), self._weight(into)
        return chains(out, across, into, weights, self.nodes)

    def _soft_ends(self, legs: Legs) -> Bools:
        """Which legs begin or end at floating copper."""
        soft: Bools = np.any(self.soft[legs.body], axis=1)
        return soft

    def _counts(self, legs: Legs) -> Bools:
        """Which legs count."""
        return self.bound.counts(legs.length, self._soft_ends(legs))

    def _weight(self, legs: Legs) -> Floats:
        """The part of its requirement that each leg beside other copper holds."""
        share: Floats = np.where(
            self._counts(legs), legs.length / self.limits[self.kind[legs.place]], 0.0
        )
        return share

    def _legs(
        self,
        a: _Conductors,
        b: _Conductors,
        group_a: Ints,
        group_b: Ints,
        limits: Floats,
        *,
        ordered: bool = False,
    ) -> Legs:
        """The shortest leg of each two groups in each place.

        Parameters
        ----------
        group_a, group_b : (bodies,) numbers to group by
        limits : by kind; longer legs are left out
        ordered : both sides are the same conductors, each pair of groups is wanted once
        """
        node, layer = self.node, self.bodies.shapes.layer
        count = int(group_b.max(initial=0)) + 1

        def judge(one: Rows, two: Rows) -> Judged:
            here, there = layer[one], layer[two]
            place = np.where(here == there, here, self.layers)
            ga, gb = group_a[one].astype(np.int64), group_b[two].astype(np.int64)
            passed = (self.first_layer[two] <= here) & (here <= self.last_layer[two])
            passed |= (self.first_layer[one] <= there) & (there <= self.last_layer[one])
            out = (node[one] == node[two]) | ((here != there) & passed)
            out |= (ga >= gb) if ordered else np.False_
            limit = np.where(out, -1.0, limits[self.kind[place]])
            return Judged(
                (ga * count + gb) * (self.layers + 1) + place, self._rise(here, there), limit
            )

        straight = self._straight(closest(a.pieces, b.pieces, float(limits.max()), judge))
        if self.air is None or a.reach is None or b.reach is None:
            return straight

        def ask(one: Rows, two: Rows) -> Keys:
            ga, gb = group_a[one].astype(np.int64), group_b[two].astype(np.int64)
            out = (node[one] == node[two]) | ((ga >= gb) if ordered else np.False_)
            return np.where(out, -1, ga * count + gb)

        return joined(
            [straight, self._over_edges(self.air.ways(a.reach, b.reach, float(limits[0]), ask))]
        )

    def _straight(self, near: Nearest) -> Legs:
        node = self.node
        return Legs(
            first=node[near.first].astype(np.intp),
            second=node[near.second].astype(np.intp),
            length=near.length,
            place=(near.key % (self.layers + 1)).astype(np.int32),
            body=np.column_stack((near.first, near.second)).astype(np.int32),
            ends=np.hstack((near.start, near.end)),
            bends=np.full(len(near), None, dtype=object),
            spare=np.zeros(len(near)),
        )

    def _over_edges(self, ways: Ways) -> Legs:
        node, tips = self.node, [np.concatenate((p[0], p[-1])) for p in ways.points]
        bends = np.empty(len(ways.points), dtype=object)
        bends[:] = [p[1:-1] for p in ways.points]
        return Legs(
            first=node[ways.first].astype(np.intp),
            second=node[ways.second].astype(np.intp),
            length=ways.length,
            place=np.full(len(ways.length), self.layers + 1, dtype=np.int32),
            body=np.column_stack((ways.first, ways.second)).astype(np.int32),
            ends=np.array(tips).reshape(-1, 4),
            bends=bends,
            spare=ways.spare,
        )

    def _rise(self, here: Ints, there: Ints) -> Floats:
        rise: Floats = np.abs(self.depth[here] - self.depth[there])
        return rise

    def _from_chain(self, chain: Chain) -> Shortfall:
        return self._shortfall(chain.legs, self._counts(chain.legs))

    def _shortfall(self, legs: Legs, counts: Bools) -> Shortfall:
        """A path of one leg, or of several over other copper."""
        kinds = self.kind[legs.place]
        judged = kinds[counts] if counts.any() else kinds
        strictest = int(judged[np.argmax(self.limits[judged])])
        limit = float(self.limits[strictest])
        measured = self._measured(legs, counts, limit)
        longer = replace(legs, length=legs.length + legs.spare)
        most = self._measured(longer, counts | self._counts(longer), limit)
        required = self.held[KINDS[strictest]]
        layer, place = self._where(set(legs.place.tolist()))
        stops = zip(
            legs.body[:, 0].tolist(), legs.body[:, 1].tolist(), counts.tolist(), strict=True
        )
        return Shortfall(
            bound=self.bound,
            required=required,
            measured=measured,
            raw=float(legs.length.sum()),
            nets=(
                self.bodies.net_name(int(legs.body[0, 0])),
                self.bodies.net_name(int(legs.body[-1, 1])),
            ),
            place=place,
            layer=layer,
            parts=tuple(self._parts(legs, counts)),
            ends=(int(legs.body[0, 0]), int(legs.body[-1, 1])),
            crossed=tuple(legs.body[1:, 0].tolist()),
            spans=spans_of(stops, self.soft),
            spare=most - measured,
        )

    def _measured(self, legs: Legs, counts: Bools, limit: float) -> float:
        """Length of a path as the rules count, measured by one limit, less tolerance."""
        share = float((legs.length[counts] / self.limits[self.kind[legs.place[counts]]]).sum())
        return max(share * limit - self.bound.tolerance, 0.0)

    def _where(self, places: set[int]) -> tuple[int | None, str]:
        """The one layer that a path keeps to, or None, and what its place is called."""
        if len(places) > 1:
            return None, SEVERAL
        place = places.pop()
        return (
            (place, self.layout.layer_id(place))
            if place < self.layers
            else (None, (THROUGH, EDGE)[place - self.layers])
        )

    def _parts(self, legs: Legs, counts: Bools) -> Iterator[Part]:
        columns = (
            legs.ends.tolist(),
            legs.length.tolist(),
            counts.tolist(),
            legs.body[:, 0].tolist(),
        )
        before: XY | None = None
        for row, ((x0, y0, x1, y1), length, counted, body) in enumerate(zip(*columns, strict=True)):
            if before is not None:
                hopped = float(np.hypot(x0 - before[0], y0 - before[1]))
                yield Part(COPPER, (before, (x0, y0)), hopped, False, self.bodies.net_name(body))
            if legs.bends[row] is None:
                yield Part(self._on(legs, row), ((x0, y0), (x1, y1)), length, counted)
            else:
                yield from self._edge_parts(legs, row, counted)
            before = x1, y1

    def _edge_parts(self, legs: Legs, row: int, counts: bool) -> Iterator[Part]:
        """A way over an edge: on one face, past the edge, on the other."""
        bends = legs.bends[row]
        start, end = legs.ends[row, :2], legs.ends[row, 2:]
        sides = [
            self.layout.board.layers[int(self.bodies.shapes.layer[b])].side for b in legs.body[row]
        ]
        near, far = float(np.hypot(*(bends[0] - start))), float(np.hypot(*(end - bends[-1])))
        stretches = [
            (sides[0], [start, bends[0]], near),
            (EDGE, [*bends], float(legs.length[row]) - near - far),
        ]
        for on, points, length in [*stretches, (sides[1], [bends[-1], end], far)]:
            if length > 0 and (on == EDGE or on in (TOP, BOTTOM)):
                yield Part(on, tuple((float(x), float(y)) for x, y in points), length, counts)

    def _on(self, legs: Legs, row: int) -> str:
        place, board = int(legs.place[row]), self.layout.board
        if place < self.layers:
            layer = board.layers[place]
            return layer.side if layer.side in (TOP, BOTTOM) else layer.id
        one, two = (board.layers[int(self.bodies.shapes.layer[b])].id for b in legs.body[row])
        return f"{one} to {two}"


def _spans(layout: Layout, barriers: Barriers) -> tuple[Ints, Ints]:
    """Layers that each body passes: its own, but for walls and plated edges, which have a row on
    each.
    """
    bodies = barriers.bodies
    first = bodies.shapes.layer.copy()
    last = first.copy()
    walls = bodies.source == Source.WALL
    first[walls] = layout.board.holes.first[bodies.origin[walls]]
    last[walls] = layout.board.holes.last[bodies.origin[walls]]
    edges = bodies.source == Source.EDGE
    first[edges] = 0
    last[edges] = len(layout.board.layers) - 1
    return first, last
