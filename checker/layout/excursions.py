"""Copper of nets outside their territory, in connected places: what region-escape and
region-intrusion tell.

Only copper whose bounding box leaves the permitted shape (or meets the forbidden one) is looked at
exactly.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from checker.findings import Path
from checker.geometry import against
from checker.geometry.boxes import grouped
from checker.geometry.edge_index import EdgeIndex, owned_segments
from checker.geometry.overlay import differences, intersections
from checker.layout.layout import Layout, of_layout
from checker.layout.reference_map import EPSILON
from checker.layout.regions import Region
from parsers.primitives import SHAPE_TOLERANCE, TOUCH, Bools, Floats, Ints, Rows, Shapes, each

STEPS = 32  # of a buffer's quarter turn: strays 0.0003 of its reach
PRECISION = 0.0005  # mm, of distances told
RUN = 8  # pieces of an outline that are asked about together
BLOCK = 1000  # places measured at once: bounds the memory
SKETCH = 0.01  # mm; how far a witness outline may stray from the copper that it shows


@dataclass(frozen=True, slots=True)
class Place:
    """Connected copper of one net on one layer where it should not be."""

    net: int
    layer: int
    rows: Rows
    shape: shapely.Geometry  # the copper that offends
    regions: tuple[int, ...]  # regions whose territory it lies over; empty: over none

    @property
    def outline(self) -> Path:
        """Its outer contours, as polylines."""
        rings = shapely.get_exterior_ring(shapely.get_parts(shapely.simplify(self.shape, SKETCH)))
        lines = [shapely.get_coordinates(ring) for ring in rings if ring is not None]
        return tuple(
            tuple((round(float(x), 6), round(float(y), 6)) for x, y in line) for line in lines
        )

    @property
    def at(self) -> tuple[float, float]:
        """A point on it."""
        part = max(shapely.get_parts(self.shape), key=lambda p: p.area)
        point = shapely.point_on_surface(part)
        return round(point.x, 6), round(point.y, 6)


def escapes(layout: Layout, region: Region, margin: float) -> Iterator[Place]:
    """Copper of a region's nets over other territories, or farther than `margin` outside its own
    over none.

    Pads of isolators on their own side and their fan-out are no escape where they lie over no
    territory.
    """
    rows = np.flatnonzero((layout.row_region == region.index) & _signal(layout))
    if shapely.is_empty(layout.territory(region.index)):
        rows = rows[:0]  # no place to escape from: a doubt, unless the rules state it
    for shared, some in _by_sharing(layout, rows, region):
        own = shapely.union_all([layout.territory(i) for i in (region.index, *shared)])
        others = [i for i in range(len(layout.regions)) if i != region.index and i not in shared]
        yield from _outside(layout, some, own, others, margin)


def intrusions(layout: Layout, region: Region) -> Iterator[Place]:
    """Copper of other regions' nets over a region's territory, and not over their own."""
    for other in layout.regions:
        if other.index == region.index or layout.lacks_pours(other.index):
            continue
        rows = np.flatnonzero((layout.row_region == other.index) & _signal(layout))
        net = layout.board.copper.net[rows]
        shared = [
            n for n in np.unique(net).tolist() if layout.is_shared(n, region.index, other.index)
        ]
        rows = rows[~np.isin(net, shared)]
        forbidden = shapely.difference(
            layout.territory(region.index), layout.territory(other.index)
        )
        rows, over = _over(layout, rows, forbidden)
        over = _less_exempt(layout, rows, over)
        keep = _deep(over)
        yield from _places(layout, rows[keep], over[keep], [(region.index, forbidden)])


def group_of(layout: Layout, region: Region, place: Place) -> str:
    """The key of what causes an excursion: the overlap of two territories that it lies in, else its
    net's course.

    Parameters
    ----------
    region : the region that the place's net leaves, or enters
    """
    regions = {region.index, int(layout.region_of_net[place.net]), *place.regions}
    for group in layout.overlaps:
        if regions <= set(group.regions) and group.holds(place.shape):
            return layout.overlap_key(group)
    names = sorted(layout.regions[i].name for i in regions if i >= 0)
    return repr(("excursion", layout.board.net_name(place.net), names))


def copper_of(layout: Layout, places: Sequence[Place]) -> list[shapely.Geometry]:
    """All copper of the conductors that each place is part of, in or outside the territory."""
    if not places:
        return []
    shapes = layout.board.copper.shapes(np.concatenate([place.rows for place in places]))
    ends = np.cumsum([len(place.rows) for place in places])
    parts = np.split(shapes, ends[:-1])
    return [part[0] if len(part) == 1 else shapely.union_all(part) for part in parts]


def depths_in(layout: Layout, places: Sequence[Place], region: int) -> list[float]:
    """How far the outline of each place reaches into a region's territory from its edge, mm."""
    return _farthest_of(places, _rims(layout)[region])


def reaches_from(layout: Layout, places: Sequence[Place], region: int) -> list[float]:
    """How far the outline of each place reaches away from a region's territory, mm."""
    return _farthest_of(places, _territories(layout)[region])


@of_layout
def _rims(layout: Layout) -> list[EdgeIndex]:
    """The edges of each region's territory."""
    return [EdgeIndex(layout.territory(region.index), solid=False) for region in layout.regions]


@of_layout
def _territories(layout: Layout) -> list[EdgeIndex]:
    """Each region's territory as a solid."""
    return [EdgeIndex(layout.territory(region.index), solid=True) for region in layout.regions]


def _farthest_of(places: Sequence[Place], other: EdgeIndex) -> list[float]:
    shapes = np.array([place.shape for place in places], dtype=object)
    return [
        far
        for block in each(np.arange(len(shapes)), BLOCK)
        for far in _farthest(shapes[block], other).tolist()
    ]


def _farthest(shapes: Shapes, other: EdgeIndex) -> Floats:
    """Greatest distance of each shape's outline from another shape, never too small and at most
    PRECISION too great.

    A straight piece whose ends are nearest to one straight (or solid) part of the other shape is
    farthest at an end, because the distance to a convex thing is convex. Elsewhere the distance
    changes by no more than the way, so a piece can be left aside once half its length cannot lift
    its ends above the best found; the others are halved.
    """
    pieces, owner = _far_runs(*owned_segments(shapes), other)
    feet, distance = (
        column.reshape(len(pieces), -1) for column in other.nearest(pieces.reshape(-1, 2))
    )
    best, limit = np.zeros(len(shapes)), np.zeros(len(shapes))
    while len(pieces):
        np.maximum.at(best, owner, distance.max(axis=1))
        bound = (distance.sum(axis=1) + np.hypot(*(pieces[:, 2:] - pieces[:, :2]).T)) / 2
        open_ = np.flatnonzero(bound > best[owner])
        open_ = open_[~_within(feet[open_].reshape(-1, 2, 2), other)]
        settled: Bools = np.less_equal(bound[open_], best[owner[open_]] + PRECISION)
        np.maximum.at(limit, owner[open_[settled]], bound[open_[settled]])
        left = open_[~settled]
        middle = (pieces[left, :2] + pieces[left, 2:]) / 2
        foot, away = other.nearest(middle)
        pieces, feet = _halved(pieces[left], middle), _halved(feet[left], foot)
        distance, owner = _halved(distance[left], away[:, None]), np.tile(owner[left], 2)
    return np.maximum(best, limit)


def _far_runs(pieces: Floats, owner: Rows, other: EdgeIndex) -> tuple[Floats, Rows]:
    """Pieces less those in runs that cannot be farthest: along a run the distance grows by no more
    than its length.
    """
    if not len(pieces):
        return pieces, owner
    goes_on = owner[1:] == owner[:-1]
    start = np.flatnonzero(np.append(True, ~goes_on))
    each_has = np.diff(np.append(start, len(owner)))
    first = np.flatnonzero((np.arange(len(owner)) - np.repeat(start, each_has)) % RUN == 0)
    length = np.hypot(*(pieces[:, 2:] - pieces[:, :2]).T)
    # from one ring to the next
    length[1:] += np.where(goes_on, np.hypot(*(pieces[1:, :2] - pieces[:-1, 2:]).T), 0.0)
    away = other.nearest(pieces[first, :2])[1]
    most = np.repeat(np.maximum.reduceat(away, np.searchsorted(first, start)), -(-each_has // RUN))
    far = np.repeat(
        away + np.add.reduceat(length, first) >= most, np.diff(np.append(first, len(owner)))
    )
    return pieces[far], owner[far]


def _halved(ends: Floats, middle: Floats) -> Floats:
    """What holds at both ends of pieces, for both halves of each."""
    half = middle.shape[1]
    halves: Floats = np.vstack(
        (np.hstack((ends[:, :half], middle)), np.hstack((middle, ends[:, half:])))
    )
    return halves


def _within(feet: Floats, other: EdgeIndex) -> Bools:
    """Whether the straight line between two points of a shape lies in that shape, shape (k,); asked
    at three places.
    """
    shares = np.array([0.25, 0.5, 0.75])[None, :, None]
    between = feet[:, :1] + shares * (feet[:, 1:] - feet[:, :1])
    _, away = other.nearest(between.reshape(-1, 2))
    farthest: Floats = away.reshape(-1, 3).max(axis=1, initial=0.0)
    return farthest < EPSILON


def _signal(layout: Layout) -> Bools:
    """Conductors of nets that are no reference."""
    net = layout.board.copper.net
    mask: Bools = (net >= 0) & ~np.append(layout.is_reference, True)[np.maximum(net, -1)]
    return mask


def _by_sharing(
    layout: Layout, rows: Rows, region: Region
) -> Iterator[tuple[tuple[int, ...], Rows]]:
    """Conductors by the regions that ties let their nets be in, too."""
    net = layout.board.copper.net[rows]
    shared = {
        n: _shared_regions(layout, n, region)
        for n in np.unique(net).tolist()
        if layout.ties_of_net(n)
    }
    for regions in sorted({(), *shared.values()}):
        members = [n for n, others in shared.items() if others == regions]
        mask = (
            np.isin(net, members)
            if regions
            else ~np.isin(net, [n for n, others in shared.items() if others])
        )
        yield regions, rows[mask]


def _shared_regions(layout: Layout, net: int, region: Region) -> tuple[int, ...]:
    others = range(len(layout.regions))
    return tuple(i for i in others if i != region.index and layout.is_shared(net, region.index, i))


def _outside(
    layout: Layout, rows: Rows, own: shapely.Geometry, others: list[int], margin: float
) -> Iterator[Place]:
    foreign = [(i, shapely.difference(layout.territory(i), own)) for i in others]
    foreign = [(i, shape) for i, shape in foreign if not shapely.is_empty(shape)]
    wrong_rows, wrong = _over(layout, rows, shapely.union_all([shape for _, shape in foreign]))
    deep = _deep(wrong)
    near = shapely.buffer(own, margin + SHAPE_TOLERANCE, quad_segs=STEPS)
    far_rows, far = _off(layout, rows, near) if not shapely.is_empty(own) else (rows[:0], wrong[:0])
    far = _less_exempt(layout, far_rows, far)
    far = shapely.difference(far, shapely.union_all([shape for _, shape in foreign]))
    keep = ~shapely.is_empty(far) & _deep(far)
    yield from _places(
        layout,
        np.concatenate((wrong_rows[deep], far_rows[keep])),
        np.concatenate((wrong[deep], far[keep])),
        foreign,
    )


def _over(layout: Layout, rows: Rows, shape: shapely.Geometry) -> tuple[Rows, Shapes]:
    """Conductors that lie over a shape, with their copper there."""
    if shapely.is_empty(shape) or not len(rows):
        return rows[:0], np.empty(0, dtype=object)
    shapely.prepare(shape)
    rows = rows[against.meeting(shape, layout.boxes[rows])]
    return rows, intersections(layout.board.copper.shapes(rows), shape)


def _off(layout: Layout, rows: Rows, shape: shapely.Geometry) -> tuple[Rows, Shapes]:
    """Conductors that lie partly off a shape, with their copper there."""
    shapely.prepare(shape)
    rows = rows[~against.inside(shape, layout.boxes[rows])]
    copper = layout.board.copper.shapes(rows)
    out = ~shapely.covers(shape, copper)
    return rows[out], differences(copper[out], shape)


def _less_exempt(layout: Layout, rows: Rows, shapes: Shapes) -> Shapes:
    """Copper less the exempt areas around isolators' pads."""
    shapes = shapes.copy()
    net = layout.board.copper.net[rows]
    for owner, area in layout.near_isolators.items():
        mine = net == owner
        shapes[mine] = shapely.difference(shapes[mine], area)
    return shapes


def _deep(shapes: Shapes) -> Bools:
    """Shapes that are wider than the contract's tolerance: for most their area tells.

    Notes
    -----
    What lies within r of a curve of length L has at most the area 2 r L + pi r**2; a shape with
    more than that about its rings has places farther from them.
    """
    deep: Bools = shapely.area(shapes) > 2 * TOUCH * shapely.length(shapes)
    rest = np.flatnonzero(~deep)
    deep[rest] = ~shapely.is_empty(shapely.buffer(shapes[rest], -TOUCH / 2))
    return deep


def _places(
    layout: Layout, rows: Rows, shapes: Shapes, territories: list[tuple[int, shapely.Geometry]]
) -> Iterator[Place]:
    """Join copper of one net and layer where it touches."""
    copper = layout.board.copper
    parts, of = shapely.get_parts(shapes, return_index=True)
    solid = _deep(parts)
    parts, of = parts[solid], of[solid]
    owner = rows[of]
    for members in grouped(
        np.arange(len(parts)), _connected(parts, copper.net[owner], copper.layer[owner])
    ).values():
        mine = np.unique(owner[members])
        shape = shapely.union_all(parts[members])
        regions = tuple(i for i, other in territories if _lies_in(shape, other))
        yield Place(int(copper.net[mine[0]]), int(copper.layer[mine[0]]), mine, shape, regions)


def _lies_in(shape: shapely.Geometry, territory: shapely.Geometry) -> bool:
    """Whether a shape that is wider than the contract's tolerance lies in a territory by more than
    that.
    """
    shapely.prepare(territory)
    if not shapely.intersects(territory, shape):
        return False
    inside = shapely.covers(territory, shape)
    return bool(_deep(np.array([shape if inside else shapely.intersection(shape, territory)]))[0])


def _connected(parts: Shapes, net: Ints, layer: Ints) -> Ints:
    """Number of the connected place of each part."""
    first, second = shapely.STRtree(parts).query(parts, predicate="dwithin", distance=TOUCH)
    same = (net[first] == net[second]) & (layer[first] == layer[second])
    graph = coo_array(
        (np.ones(same.sum(), dtype=bool), (first[same], second[same])),
        shape=(len(parts), len(parts)),
    )
    return connected_components(graph, directed=False)[1].astype(np.int32)
