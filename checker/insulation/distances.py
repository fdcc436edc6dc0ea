"""Every distance that falls short, ready to be told: one driver for clearance and creepage.

What both searches find is put in order here: of the paths by way of a third region the worst of
each separation remains, and none where a partial distance is held as strictly by a separation of
its own, since that tells it. Paths that have one cause become one group: they end on the same piece
of copper, or within `SAME_PLACE` of each other, at both ends; they cross the same piece of floating
copper; or they run between the rows of pads of one isolator.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from checker.findings import XY
from checker.geometry.boxes import BoxIndex, box_spans, widened
from checker.geometry.nearest import Judged as Limits
from checker.geometry.nearest import closest, pieces
from checker.insulation.clearance import shortfalls
from checker.insulation.conductors import Bodies, Source
from checker.insulation.creepage import creepages
from checker.insulation.requirements import Barriers, Bound, as_strict, bind
from checker.insulation.shortfalls import COPPER, Judged, Shortfall
from checker.layout.layout import Layout, of_layout
from parsers.primitives import Floats, Ints, Rows, each

SAME_PLACE = 2.0  # mm; paths that end nearer to each other than this, at both ends, have one cause
BLOCK = 256  # paths compared with all others at once: bounds memory
_AT = 0.01  # mm; how far the end of a path may lie from its copper


def told(layout: Layout, measure: str) -> Iterator[Judged]:
    """Those of one measure."""
    return (one for one in judged(layout) if one.short.required.measure == measure)


@of_layout
def judged(layout: Layout) -> tuple[Judged, ...]:
    """All shortfalls of clearance and creepage that are told, grouped; found once."""
    barriers = bind(layout)
    found = [*shortfalls(layout), *creepages(layout)]
    settled = _settled(barriers, [Judged(short, _thirds(short)) for short in found])
    known: _Known = {}
    straight = [
        replace(one, direct=_straight(layout, barriers, one.short, known)) for one in settled
    ]
    return tuple(_grouped(layout, barriers, straight))


# ------------------------------------------------------------------------------------ third regions


def _thirds(short: Shortfall) -> tuple[str, ...]:
    """Third regions that a path crosses or ends at."""
    separation = short.bound.separation
    touched = [*short.ends, *short.crossed]
    return tuple(third.name for third in separation.thirds if np.isin(touched, third.rows).any())


def _settled(barriers: Barriers, found: Sequence[Judged]) -> list[Judged]:
    """Shortfalls less those by way of third regions that are told elsewhere, or worse."""
    kept: dict[object, Judged] = {}
    held: dict[tuple[str, str, frozenset[str]], list[Mapping[str, object]]] = {}
    for number, one in enumerate(found):
        elsewhere = _held_elsewhere(barriers, one)
        for name in elsewhere:
            held.setdefault(name, []).append(_requirement(one.short.bound, one.short))
        key: object = (
            (one.short.bound.separation.key, one.short.required.measure, one.thirds)
            if one.thirds
            else number
        )
        if not elsewhere and (key not in kept or one.short.worst < kept[key].short.worst):
            kept[key] = one
    return [_with_others(barriers, one, held.get(_name_of(one.short), [])) for one in kept.values()]


def _name_of(short: Shortfall) -> tuple[str, str, frozenset[str]]:
    return short.bound.separation.key, short.required.measure, frozenset(short.nets)


def _held_elsewhere(barriers: Barriers, one: Judged) -> list[tuple[str, str, frozenset[str]]]:
    """Shortfalls of other separations that tell a partial distance of this one, by a requirement as
    strict.
    """
    short, bodies = one.short, barriers.bodies
    if not one.thirds:
        return []
    keys = []
    for span in short.spans:
        nets = [int(bodies.shapes.net[body]) for body in span]
        for other in barriers.between(nets[0], nets[1]):
            own = other.required(short.required.measure, short.required.where)
            if other is not short.bound and own is not None and own.value >= short.required.value:
                names = frozenset(map(bodies.net_name, span))
                keys.append((other.separation.key, short.required.measure, names))
    return keys


def _with_others(barriers: Barriers, one: Judged, also: Sequence[Mapping[str, object]]) -> Judged:
    """A shortfall with the wider requirements that it breaks: those of separations that leave it to
    this one.
    """
    nets = [int(barriers.bodies.shapes.net[body]) for body in one.short.ends]
    beside = []
    for bound in barriers.measured:
        for net, opposite in (nets, nets[::-1]):
            third = bound.separation.third_of(net)
            if (
                third is None
                or third.side is None
                or opposite not in bound.separation.nets[1 - third.side]
            ):
                continue
            required = bound.required(one.short.required.measure, one.short.required.where)
            if (
                as_strict(bound, third, one.short.bound)
                and required
                and one.short.measured < required.value
            ):
                beside.append(_requirement(bound, one.short))
    return replace(one, also=(*also, *beside))


def _requirement(bound: Bound, short: Shortfall) -> Mapping[str, object]:
    required = bound.required(short.required.measure, short.required.where)
    value = None if required is None else required.value
    return {"between": bound.title, "required_mm": value, "measured_mm": round(short.measured, 6)}


# ----------------------------------------------------------------------------------------- straight


# Straight distances that were found already: of the bodies of two ends, on a layer.
_Known = dict[tuple[bytes, bytes, int | None], float]


def _straight(layout: Layout, barriers: Barriers, short: Shortfall, known: _Known) -> float | None:
    """The straight distance of both ends, less the tolerance; None where no copper on the way
    shortens the path.

    From a third region that stands on a side it is the distance of that whole side. None too where
    a path on several layers is longer than the straight line through the board. Clearance and
    creepage of the same ends ask for the same distance, so it is kept in `known`.
    """
    bodies, separation = barriers.bodies, short.bound.separation
    if not any(part.on == COPPER for part in short.parts) and not _thirds(short):
        return None
    one, other = (
        side if body not in side else side[bodies.node[side] == bodies.node[body]]
        for side, body in zip(separation.sides, short.ends, strict=True)
    )
    key = one.tobytes(), other.tobytes(), short.layer
    if key not in known:
        depth = np.array(barriers.depths or [0.0] * len(layout.board.layers))
        known[key] = shortest(bodies, one, other, depth, short.layer)
    length = known[key] - short.bound.tolerance
    return length if np.isfinite(length) and length >= short.measured else None


def shortest(
    bodies: Bodies, one: Rows, other: Rows, depth: Floats, layer: int | None = None
) -> float:
    """The least straight distance of two groups of bodies in mm, on one layer only if that is
    named.
    """
    if layer is not None:
        one, other = bodies.on(layer, one), bodies.on(layer, other)
    of = bodies.shapes.layer

    def judge(first: Rows, second: Rows) -> Limits:
        rise: Floats = np.abs(depth[of[first]] - depth[of[second]])
        apart = bodies.node[first] == bodies.node[second]
        return Limits(np.zeros(len(first), dtype=np.int64), rise, np.where(apart, -1.0, np.inf))

    if not len(one) or not len(other):
        return float("inf")
    reach = _at_most(bodies, one, other, judge)
    near = closest(pieces(bodies.shapes, one), pieces(bodies.shapes, other), reach, judge)
    return float(near.length.min(initial=np.inf))


def _at_most(
    bodies: Bodies, one: Rows, other: Rows, judge: Callable[[Rows, Rows], Limits]
) -> float:
    """A length in mm that the least distance of two groups of bodies does not exceed.

    No two places of the boxes of two bodies are farther from each other; boxes that lie near each
    other are asked.
    """
    boxes, others = (bodies.shapes.take(rows).bounds() for rows in (one, other))
    middles = shapely.points((boxes[:, :2] + boxes[:, 2:]) / 2)
    i, j = shapely.STRtree(shapely.box(*others.T)).query_nearest(middles, all_matches=False)
    limits = judge(one[i], other[j])
    most = np.hypot(box_spans(boxes[i], others[j]), limits.rise)[limits.limit > 0]
    everything = np.concatenate((boxes, others)).reshape(-1, 2)
    far = np.ptp(everything, axis=0).sum() + limits.rise.max(initial=0.0)
    return float(most.min(initial=far)) + 1.0


# ------------------------------------------------------------------------------------------- groups


@dataclass(frozen=True, slots=True)
class _Ends:
    """Where each path ends: columns of length n for either side."""

    at: Floats  # (n, 2, 2) first side, second side; x, y
    piece: Ints  # (n, 2)


def _grouped(layout: Layout, barriers: Barriers, found: Sequence[Judged]) -> Iterator[Judged]:
    """Shortfalls with their groups."""
    if found:
        ends = _ends(layout, barriers.bodies, found)
        links = [*_alike_of_each(ends, found), _sharing(_crossings(barriers, one) for one in found)]
        cause = _causes(
            len(found), np.concatenate([*links, _sharing(_isolators(layout, found, ends))])
        )
        keys = [
            repr((one.short.bound.title, sorted(one.short.nets), one.short.place)) for one in found
        ]
        first: dict[int, str] = {}
        for key, number in zip(keys, cause, strict=True):
            first[number] = min(key, first.get(number, key))
        yield from (
            replace(one, group=f"too close: {first[number]}")
            for one, number in zip(found, cause, strict=True)
        )


def _causes(size: int, pairs: Rows) -> list[int]:
    """Number of the cause of each shortfall, given pairs that have one."""
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(size, size))
    numbers: list[int] = connected_components(graph, directed=False)[1].tolist()
    return numbers


def _alike_of_each(ends: _Ends, found: Sequence[Judged]) -> Iterator[Rows]:
    """Pairs of paths that end alike, separation by separation."""
    separation = np.array([one.short.bound.separation.key for one in found])
    return (_alike(ends, np.flatnonzero(separation == key)) for key in np.unique(separation))


def _ends(layout: Layout, bodies: Bodies, found: Sequence[Judged]) -> _Ends:
    """Both ends of each path, the first side's first."""
    at = np.array([_tips(one.short) for one in found]).reshape(-1, 2, 2)
    number = _numbers_of_pieces(layout, bodies)
    body = np.array([one.short.ends for one in found])
    own = np.flatnonzero(np.isin(bodies.node, bodies.node[body]))
    index = BoxIndex(bodies.shapes.take(own).bounds())
    piece = np.stack(
        [_pieces_at(bodies, (own, index), number, body[:, k], at[:, k]) for k in (0, 1)], axis=1
    )
    return _Ends(at, piece)


def _tips(short: Shortfall) -> tuple[XY, XY]:
    return short.parts[0].points[0], short.parts[-1].points[-1]


def _numbers_of_pieces(layout: Layout, bodies: Bodies) -> Ints:
    """Piece of connected copper of each body; whatever is in no piece is one by its node."""
    connectivity = layout.board.connectivity
    pieces_, hole_piece = connectivity.piece, connectivity.hole_piece
    number = np.full(len(bodies), -1, dtype=np.int64)
    copper = np.isin(bodies.source, [Source.COPPER, Source.OPENED])
    walls = bodies.source == Source.WALL
    number[copper] = pieces_[bodies.origin[copper]] if len(pieces_) else -1
    number[walls] = hole_piece[bodies.origin[walls]] if len(hole_piece) else -1
    return np.where(number < 0, int(number.max(initial=0)) + 1 + bodies.node, number)


def _pieces_at(
    bodies: Bodies, among: tuple[Rows, BoxIndex], number: Ints, body: Rows, at: Floats
) -> Ints:
    """Piece of each given body's conductor that lies at a point, among some bodies and their
    boxes.
    """
    rows, index = among
    asked, found = index.meeting(widened(np.hstack((at, at)), _AT))
    found = rows[found]
    same = bodies.node[found] == bodies.node[body[asked]]
    asked, found = asked[same], found[same]
    part = bodies.shapes.take(found)
    gap = shapely.distance(part.skeletons(), shapely.points(at[asked])) - part.radius
    order = np.lexsort((number[found], np.round(gap, 3), asked))
    first, row = np.unique(asked[order], return_index=True)
    out = number[body].copy()
    out[first] = number[found[order[row]]]
    return out


def _alike(ends: _Ends, rows: Rows) -> Rows:
    """Pairs of paths of one separation that end alike on both sides, shape (m, 2)."""
    found = [np.empty((0, 2), dtype=np.intp)]
    for block in each(np.arange(len(rows)), BLOCK):
        one, other = rows[block][:, None], rows[None, block[0] :]
        near = np.linalg.norm(ends.at[one] - ends.at[other], axis=-1) <= SAME_PLACE
        i, j = np.nonzero((near | (ends.piece[one] == ends.piece[other])).all(axis=-1))
        found.append(np.column_stack((rows[block][i], rows[block[0] :][j])))
    return np.concatenate(found)


def _sharing(keys: Iterable[Iterable[object]]) -> Rows:
    """Pairs of paths that have a key in common, each with the first that has it, shape (m, 2)."""
    first: dict[object, int] = {}
    pairs = [
        (first.setdefault(key, number), number) for number, own in enumerate(keys) for key in own
    ]
    return np.array(pairs, dtype=np.intp).reshape(-1, 2)


def _crossings(barriers: Barriers, one: Judged) -> list[object]:
    """The floating conductors that a path crosses."""
    separation = one.short.bound.separation
    soft = np.isin(one.short.crossed, separation.floating)
    return [
        (separation.key, int(barriers.bodies.node[b]))
        for b in np.array(one.short.crossed, dtype=np.intp)[soft]
    ]


def _isolators(layout: Layout, found: Sequence[Judged], ends: _Ends) -> Iterator[list[object]]:
    """The isolators between whose pads each path runs."""
    pads: dict[tuple[str, str], tuple[shapely.Geometry, shapely.Geometry]] = {}
    for one, at in zip(found, ends.at, strict=True):
        separation = one.short.bound.separation
        own: list[object] = []
        for refdes in separation.isolators:
            if (separation.key, refdes) not in pads:
                pads[separation.key, refdes] = _pads_by_side(layout, separation.nets, refdes)
            sides = pads[separation.key, refdes]
            if all(
                shapely.dwithin(side, shapely.Point(p), SAME_PLACE)
                for side, p in zip(sides, at, strict=True)
            ):
                own.append((separation.key, refdes))
        yield own


def _pads_by_side(
    layout: Layout, sides: tuple[frozenset[int], frozenset[int]], refdes: str
) -> tuple[shapely.Geometry, shapely.Geometry]:
    """Pads of a part on either side, seen from above."""
    rows, copper = layout.pads_of(refdes), layout.board.copper
    first, second = (
        shapely.union_all(copper.shapes(rows[np.isin(copper.net[rows], list(nets))]))
        for nets in sides
    )
    return first, second
