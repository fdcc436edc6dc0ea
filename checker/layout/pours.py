"""Pours: the connected pieces of reference copper on each layer, antipads filled. Definitions:
README, "Words".

The copper of a region is united per layer; pieces nearer than TOUCH are one. An antipad is a hole
whose longest extent is below `limits.hole`, or that surrounds drilled pads and reaches less than
`limits.hole` beyond their copper.

Cost: lands and strokes that lie wholly in a large area are left out of the union, so that it grows
with the copper that shapes the pour, not with the number of stitching vias.

Literature, from memory: morphological opening (a piece is a pour if it holds a disc) and connected
components.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from checker.geometry.boxes import BoxIndex, grouped, widened
from checker.geometry.edge_index import EdgeIndex
from checker.layout.regions import Pour, Region
from parsers.board import UNPLATED, Board
from parsers.primitives import TOUCH, Bools, Floats, Ints, Kind, Rows, Shapes

STEPS = 32  # of a buffer's quarter turn: strays 0.0003 of its reach
# how far a seam reaches from either side: over the whole hairline and a little into the other
REACH = TOUCH * 1.02
SPOKED = 0.25  # part of its edge that a void between thermal spokes shares with the pad, at least
POLYGON = 3  # shapely's type number
MOST_SQUARES = 100  # to a side, in the search for the place of a disc
QUARTERS = np.array([(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)])
# mm; areas wider and higher than this are united first, because other copper may lie in them
WIDE = 1.0


@dataclass(frozen=True, slots=True)
class PourLimits:
    """The limits that shape pours, mm."""

    hole: float
    pour: float


class _Copper:
    """A board's copper with what is needed to unite it and to know drilled pads."""

    def __init__(self, board: Board) -> None:
        self.copper = board.copper
        self.boxes = board.copper.bounds()
        self.holes = board.holes
        self.hole_shapes = board.holes.shapes()
        self.middles = (board.holes.ends[:, :2] + board.holes.ends[:, 2:]) / 2
        self._pads: dict[int, tuple[Floats, Shapes]] = {}

    def drilled(self, layer: int) -> tuple[Floats, Shapes]:
        """Middle and copper of every drilled pad on a layer: the plated wall, and lands around any
        hole.
        """
        if layer not in self._pads:
            here = np.flatnonzero((self.holes.first <= layer) & (layer <= self.holes.last))
            lands = np.flatnonzero(self.copper.pad & (self.copper.layer == layer))
            middles = self.middles[here]
            asked, found = BoxIndex(self.boxes[lands]).meeting(np.hstack((middles, middles)))
            shapes = self.copper.shapes(lands[found])
            inside = shapely.intersects_xy(shapes, middles[asked, 0], middles[asked, 1])
            walls = self.holes.plated[here] != UNPLATED
            self._pads[layer] = (
                np.vstack((middles[walls], middles[asked[inside]])),
                np.concatenate((self.hole_shapes[here[walls]], shapes[inside])),
            )
        return self._pads[layer]


def find_pours(
    board: Board, regions: Sequence[Region], limits: PourLimits, tell: Callable[[str], None]
) -> tuple[Pour, ...]:
    """All pours, ordered by region, layer, then place; reference copper first, planes after it.

    Parameters
    ----------
    tell : hears which pours are looked for
    """
    copper = _Copper(board)
    out: list[Pour] = []
    for region in regions:
        for layer in range(len(board.layers)):
            found: list[Pour] = []
            tell(
                f"pours of {', '.join(region.spec.reference) or region.name} on"
                f" {board.layers[layer].id}"
            )
            for plane, nets in ((False, region.reference), (True, region.planes)):
                rows = _rows(copper, nets, layer)
                pours = _pours(copper, rows, region, limits)
                found += [replace(pour, layer=layer, plane=plane) for pour in pours]
            out += [replace(pour, piece=piece) for piece, pour in enumerate(found)]
    return tuple(_without_islands(out))


def holds_disc(shape: shapely.Geometry, diameter: float) -> bool:
    """Whether a disc of that diameter (mm) fits into a shape.

    Squares that cover the shape are asked how far their middle lies from its edge: one far enough
    inside holds the disc, one that lies too near for all of its square is left, the others are
    quartered. Where that does not tell soon, the shape is eroded.
    """
    x0, y0, x1, y1 = shape.bounds
    if min(x1 - x0, y1 - y0) < diameter - TOUCH or shape.area < 0.785 * diameter**2:
        return False
    radius = (diameter - TOUCH) / 2
    edges, half = (
        EdgeIndex(shape, solid=False),
        max(x1 - x0, y1 - y0, MOST_SQUARES * diameter) / MOST_SQUARES / 2,
    )
    shapely.prepare(shape)
    middles = _middles((x0, y0, x1, y1), half)
    while len(middles) and half > TOUCH:
        inside = shapely.contains_xy(shape, middles[:, 0], middles[:, 1])
        depth = np.where(inside, 1, -1) * edges.nearest(middles)[1]
        if (depth >= radius).any():
            return True
        middles = middles[depth + half * np.sqrt(2) >= radius]
        half /= 2
        middles = (middles[:, None] + half * QUARTERS).reshape(-1, 2)
        if len(middles) > MOST_SQUARES**2:
            break
    return len(middles) > 0 and not shapely.is_empty(
        shapely.buffer(shape, -radius, quad_segs=STEPS)
    )


def wide_rows(board: Board, rows: Rows, limits: PourLimits) -> Rows:
    """Those of some areas that hold a disc of `limits.pour` once their antipads are filled, as
    pours do.

    The thermal gaps round its own lands break a supply's area up no more than they break up a
    reference pour.
    """
    copper = _Copper(board)
    shapes = board.copper.shapes(rows)
    wide = np.zeros(len(rows), dtype=bool)
    for i, (shape, layer) in enumerate(zip(shapes, board.copper.layer[rows].tolist(), strict=True)):
        if _can_hold(shape, limits.pour):
            filled = _filled(shape, copper.drilled(layer), limits.hole)
            wide[i] = holds_disc(filled, limits.pour)
    return rows[wide]


def _middles(box: tuple[float, float, float, float], half: float) -> Floats:
    """Middles of squares that cover a box."""
    x0, y0, x1, y1 = box
    x, y = (np.arange(low + half, high + half, 2 * half) for low, high in ((x0, x1), (y0, y1)))
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def united(shapes: Shapes) -> Shapes:
    """Connected pieces of a union, as Polygons; pieces within TOUCH of each other are one.

    Shapes that meet no other are left as they are, however large.
    """
    shapes = shapely.get_parts(shapes)
    pieces = _polygons(_joined(shapes, *_meeting(shapes, 0.0)))
    first, second = _meeting(pieces, TOUCH)
    if not len(first):
        return pieces
    seams = _seams(pieces, first, second)
    pieces = np.concatenate((pieces, seams))
    return _polygons(_joined(pieces, *_meeting(pieces, 0.0)))


def _polygons(shapes: Shapes) -> Shapes:
    """Polygons among the parts of shapes."""
    parts = shapely.get_parts(shapes)
    polygons: Shapes = parts[shapely.get_type_id(parts) == POLYGON]
    return polygons


def _meeting(shapes: Shapes, distance: float) -> tuple[Rows, Rows]:
    """Pairs of shapes within a distance of each other, the one with more vertices first."""
    boxes = shapely.bounds(shapes)
    first, second = BoxIndex(widened(boxes, distance)).meeting(boxes)
    size = shapely.get_num_coordinates(shapes)
    pairs = (size[first] > size[second]) | ((size[first] == size[second]) & (first < second))
    first, second = first[pairs], second[pairs]
    shapely.prepare(shapes[np.unique(first)])
    if distance:
        meet = shapely.dwithin(shapes[first], shapes[second], distance)
    else:
        meet = shapely.intersects(shapes[first], shapes[second])  # the same, in half the time
    return first[meet], second[meet]


def _joined(shapes: Shapes, first: Rows, second: Rows) -> Shapes:
    """Union of the shapes that pairs connect; each that is in no pair by itself."""
    graph = coo_array((np.ones(len(first), dtype=bool), (first, second)), shape=(len(shapes),) * 2)
    groups = grouped(np.arange(len(shapes)), connected_components(graph, directed=False)[1])
    out: Shapes = np.empty(len(groups), dtype=object)
    out[:] = [
        shapes[g[0]] if len(g) == 1 else shapely.union_all(shapes[g]) for g in groups.values()
    ]
    return out


def _seams(pieces: Shapes, first: Rows, second: Rows) -> Shapes:
    """What closes the hairlines between pieces that touch within the contract's tolerance."""
    around = shapely.box(*widened(shapely.bounds(pieces[second]), 2 * REACH).T)
    a = shapely.buffer(shapely.intersection(pieces[first], around), REACH, join_style="mitre")
    b = shapely.buffer(pieces[second], REACH, join_style="mitre")
    return _polygons(shapely.intersection(a, b))


def _rows(copper: _Copper, nets: frozenset[int], layer: int) -> Rows:
    mask = np.isin(copper.copper.net, list(nets)) & (copper.copper.layer == layer)
    return np.flatnonzero(mask)


def _pours(copper: _Copper, rows: Rows, region: Region, limits: PourLimits) -> list[Pour]:
    """Pours made of some copper rows of one layer, ordered by place."""
    if not len(rows):
        return []
    layer = int(copper.copper.layer[rows[0]])
    area = shapely.Polygon(region.spec.area) if region.spec.area else None
    found: list[Pour] = []
    shapes, owners = _shaping(copper, rows)
    for piece in united(shapes):
        if not _can_hold(piece, limits.pour):
            continue
        for shape, bare in _clipped(
            _filled(piece, copper.drilled(layer), limits.hole), piece, area
        ):
            if holds_disc(shape, limits.pour):
                net = _net_of(copper.copper.net[owners], shapes, bare)
                found.append(Pour(region.index, layer, net, 0, shape, bare, False))
    return sorted(found, key=lambda pour: pour.shape.bounds)


def _can_hold(piece: shapely.Polygon, diameter: float) -> bool:
    """Whether a piece could be a pour, its holes filled; cheap."""
    x0, y0, x1, y1 = piece.bounds
    return bool(min(x1 - x0, y1 - y0) >= diameter - TOUCH)


def _shaping(copper: _Copper, rows: Rows) -> tuple[Shapes, Rows]:
    """Shapes whose union is the copper of these rows: wide areas, and all that does not lie inside
    one; their rows.
    """
    boxes = copper.boxes[rows]
    wide = (copper.copper.kind[rows] == Kind.AREA) & (
        np.minimum(*(boxes[:, 2:] - boxes[:, :2]).T) > WIDE
    )
    areas = copper.copper.shapes(rows[wide])
    shapely.prepare(areas)
    outer, inner = BoxIndex(boxes[wide]).meeting(boxes[~wide])[::-1]
    hidden = np.zeros(len(rows), dtype=bool)
    others = np.flatnonzero(~wide)
    hidden[
        others[inner[shapely.contains_properly(areas[outer], shapely.box(*boxes[others[inner]].T))]]
    ] = True
    rest = rows[~wide & ~hidden]
    return np.concatenate((areas, copper.copper.shapes(rest))), np.concatenate((rows[wide], rest))


def _filled(piece: shapely.Polygon, drilled: tuple[Floats, Shapes], hole: float) -> shapely.Polygon:
    """A piece without its antipads."""
    rings = shapely.get_rings(piece)[1:]
    if not len(rings):
        return piece
    keep = ~_short(rings, hole)
    voids = shapely.polygons(rings[keep])
    keep[keep] = ~_around_pads(voids, drilled, hole)
    return shapely.Polygon(piece.exterior, list(rings[keep]))


def _short(rings: Shapes, hole: float) -> Bools:
    """Rings whose longest extent is below the limit, and hairlines: what is narrower than TOUCH is
    no hole.
    """
    x0, y0, x1, y1 = shapely.bounds(rings).T
    hairline = shapely.area(shapely.polygons(rings)) < TOUCH / 2 * shapely.length(rings)
    short: Bools = (np.hypot(x1 - x0, y1 - y0) < hole) | hairline
    for i in np.flatnonzero(~short & (np.maximum(x1 - x0, y1 - y0) < hole)):
        points = shapely.get_coordinates(shapely.convex_hull(rings[i]))
        short[i] = np.hypot(*(points[:, None] - points[None]).T).max() < hole
    return short


def _around_pads(voids: Shapes, drilled: tuple[Floats, Shapes], hole: float) -> Bools:
    """Whether each void surrounds drilled pads and reaches less than `hole` beyond their copper,
    shape (k,).

    The void around a pad with thermal spokes falls into parts; each surrounds the pad with its
    share of the ring.
    """
    middles, pads = drilled
    tree = shapely.STRtree(voids)
    inside = tree.query(shapely.points(middles), predicate="intersects")
    beside = _bordering(voids, pads, *tree.query(pads, predicate="dwithin", distance=TOUCH))
    pad, owner = (np.concatenate(side) for side in zip(inside, beside, strict=True))
    around = np.zeros(len(voids), dtype=bool)
    # quick and a little small: settles voids around one pad
    reach = shapely.buffer(pads[pad], hole, quad_segs=8)
    around[owner[shapely.covers(reach, voids[owner])]] = True
    open_ = ~around[owner]
    for void, members in grouped(pad[open_], owner[open_]).items():
        reach = shapely.buffer(shapely.union_all(pads[members]), hole, quad_segs=STEPS)
        around[void] = shapely.covers(reach, voids[void])
    return around


def _bordering(voids: Shapes, pads: Shapes, pad: Rows, void: Rows) -> tuple[Rows, Rows]:
    """Pairs of a pad and a void of which the pad's copper is a good part of the edge."""
    edges = shapely.boundary(voids[void])
    shared = shapely.length(shapely.intersection(edges, shapely.buffer(pads[pad], 2 * TOUCH)))
    borders = shared >= SPOKED * shapely.length(edges)
    return pad[borders], void[borders]


def _clipped(
    filled: shapely.Polygon, bare: shapely.Polygon, area: shapely.Polygon | None
) -> Iterator[tuple[shapely.Polygon, shapely.Polygon]]:
    """Connected pieces of the filled shape inside the region's area, each with its bare copper (the
    largest part).
    """
    if area is None or area.covers(filled):
        yield filled, bare
        return
    for part in shapely.get_parts(filled.intersection(area)):
        inside = shapely.get_parts(bare.intersection(part))
        inside = inside[shapely.get_type_id(inside) == 3]
        if part.geom_type == "Polygon" and len(inside):
            yield part, max(inside, key=lambda p: (p.area, p.bounds))


def _net_of(nets: Ints, shapes: Shapes, bare: shapely.Polygon) -> int:
    """The net whose copper makes most of a pour; almost always only one has copper there."""
    if (nets == nets[0]).all():
        return int(nets[0])
    shapely.prepare(bare)
    here = shapely.dwithin(bare, shapes, TOUCH)
    found = np.unique(nets[here])
    if len(found) == 1:
        return int(found[0])
    shares = [_share(shapes[here & (nets == net)], bare) for net in found]
    return int(found[int(np.argmax(shares))])


def _share(shapes: Shapes, bare: shapely.Polygon) -> float:
    """Area of some shapes inside a pour, mm2."""
    return float(shapely.area(shapely.intersection(shapely.union_all(shapes), bare)))


def _without_islands(pours: Sequence[Pour]) -> Iterator[Pour]:
    """Pours less the pours of others that lie in their filled antipads (a large land of another
    reference).
    """
    boxes = shapely.bounds(np.array([pour.shape for pour in pours], dtype=object))
    islands: dict[int, list[shapely.Geometry]] = {}
    for inner, outer in zip(
        *(side.tolist() for side in BoxIndex(boxes).meeting(boxes)), strict=True
    ):
        if _is_island(pours[inner], pours[outer]):
            islands.setdefault(outer, []).append(pours[inner].shape)
    for i, pour in enumerate(pours):
        parts = (
            shapely.get_parts(shapely.difference(pour.shape, shapely.union_all(islands[i])))
            if i in islands
            else ()
        )
        yield replace(pour, shape=max(parts, key=lambda part: part.area)) if len(parts) else pour


def _is_island(inner: Pour, outer: Pour) -> bool:
    """Whether a pour lies in what has been filled of another pour of its layer."""
    beside = inner.layer == outer.layer and inner.shape.area < outer.shape.area
    return bool(
        beside
        and shapely.intersects(outer.shape, inner.shape)
        and not shapely.intersects(outer.copper, inner.copper)
    )
