"""The reference that traces of a layer find above and below them, as a map of the board for each
side.

On each side every region shows its nearest plane, and its nearer fills in front of that; a layer is
a plane of a region if the region's pours cover enough of its territory there. Where regions overlap
the nearer layer hides the farther one. A side never shows what lies on the other side of the trace.
A region whose only pours lie on the trace's own layer is shown on both sides, widened by
`limits.coplanar`, where neither side shows anything.

What is left are disjoint cells for each side, labelled with their pour, or with a tie whose copper
counts as the pours of both its regions. On a layer with pours on one side only, both maps are the
same.

Literature, from memory: overlay of planar subdivisions, farther layers cut by nearer ones (the
painter's method, front to back).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from checker.geometry import against
from checker.geometry.edge_index import ring_segments
from checker.layout.regions import Pour
from parsers.primitives import TOUCH, Bools, Floats, Ints, Rows

OFF = -1  # label: on no cell
CUT = -2  # label: not wholly on one cell, and not wholly off all of them
EPSILON = 1e-6  # mm; numerical noise: nearer to a cell than this is on it
POLYGON = 3  # shapely's type number
ROUNDING = 1e-9  # of an area
MOST_LAYERS = 1_000_000  # more than any board has
STEPS = 32  # of a buffer's quarter turn: strays 0.0003 of its reach


@dataclass(frozen=True, slots=True)
class Cell:
    """A part of the board where a trace refers to one pour (or tie)."""

    label: int  # index into the pours; ties follow after the last pour
    shape: shapely.Geometry


class SideMap:
    """The cells that traces of a layer see."""

    def __init__(self, cells: Sequence[Cell]) -> None:
        self.cells = tuple(cells)
        for cell in self.cells:
            shapely.prepare(cell.shape)

    def label_boxes(self, boxes: Floats) -> Ints:
        """Labels of things known by their bounding boxes: a cell, OFF, or CUT where the box does
        not decide.
        """
        labels = np.full(len(boxes), OFF, dtype=np.int32)
        for cell, near in self.near(boxes):
            open_ = near[labels[near] == OFF]
            inside, met = against.inside_and_meeting(cell.shape, boxes[open_])
            labels[open_[met]] = CUT
            labels[open_[inside]] = cell.label
        return labels

    def label_points(self, points: Floats) -> Ints:
        """Cell of each point, or OFF; a point on the edge of a cell is on it."""
        labels = np.full(len(points), OFF, dtype=np.int32)
        for cell, near in self.near(np.hstack((points, points))):
            open_ = near[labels[near] == OFF]
            hit = shapely.dwithin(cell.shape, shapely.points(points[open_]), EPSILON)
            labels[open_[hit]] = cell.label
        return labels

    def near(self, boxes: Floats) -> Iterator[tuple[Cell, Rows]]:
        """Each cell with the positions of the boxes that its own bounding box meets, within
        TOUCH.
        """
        for cell in self.cells:
            x0, y0, x1, y1 = cell.shape.bounds
            near: Bools = (boxes[:, 0] <= x1 + TOUCH) & (boxes[:, 2] >= x0 - TOUCH)
            near &= (boxes[:, 1] <= y1 + TOUCH) & (boxes[:, 3] >= y0 - TOUCH)
            yield cell, np.flatnonzero(near)

    @cached_property
    def edges(self) -> Floats:
        """Straight pieces of all cells' boundaries, x0, y0, x1, y1, shape (k, 4)."""
        return ring_segments(np.array([cell.shape for cell in self.cells], dtype=object))


@dataclass(frozen=True, slots=True)
class ReferenceMap:
    """What the traces of one layer see: above and below where both sides have pours, else that one
    side twice.
    """

    first: SideMap
    second: SideMap

    @property
    def alike(self) -> bool:
        """Whether there is one side only."""
        return self.first is self.second


@dataclass(frozen=True, slots=True)
class Sheets:
    """All pours of a board, and which layers are planes of which regions.

    `planes` holds pairs of a region and a layer; see `plane_layers`.
    """

    pours: Sequence[Pour]
    planes: frozenset[tuple[int, int]]


def plane_layers(
    pours: Sequence[Pour], territories: Sequence[shapely.Geometry], share: float
) -> frozenset[tuple[int, int]]:
    """Pairs of a region and a layer on which its pours cover at least `share` of its territory.

    Every layer with pours is a plane of a region without territory.
    """
    covered: dict[tuple[int, int], float] = defaultdict(float)
    for pour in pours:
        inside = (
            shapely.intersection(pour.shape, territories[pour.region]) if pour.plane else pour.shape
        )
        covered[pour.region, pour.layer] += float(inside.area)
    area = [float(territory.area) for territory in territories]
    return frozenset(
        place for place, part in covered.items() if part >= share * area[place[0]] * (1 - ROUNDING)
    )


def reference_map_of(
    layer: int,
    sheets: Sheets,
    named: Sequence[int] | None,
    coplanar: float,
    ties: Mapping[int, shapely.Geometry],
) -> ReferenceMap:
    """What the traces of a layer see.

    Parameters
    ----------
    layer : index of the traces' layer
    named : layers that may be its reference, None = all
    coplanar : how far pours on the layer itself reach, mm
    ties : copper that counts as two regions' pours, by label
    """
    offers = [
        _offers(layer, sheets, named, side)
        for side in (range(layer), range(layer + 1, MOST_LAYERS))
    ]
    sides = [list(_shielded(offer)) for offer in offers if offer]
    shown = {sheets.pours[label].region for offer in offers for label, _ in offer}
    own = [
        (i, pour.shape)
        for i, pour in enumerate(sheets.pours)
        if pour.layer == layer and pour.region not in shown and (named is None or layer in named)
    ]
    everywhere = [Cell(label, shape) for label, shape in ties.items()]
    everywhere += _beside(own, coplanar, [cell.shape for side in sides for cell in side])
    views = [SideMap([*everywhere, *side]) for side in sides] or [SideMap(everywhere)]
    return ReferenceMap(views[0], views[-1])


def without_own_layer(seen: ReferenceMap, layer: int, layer_of: Sequence[int]) -> ReferenceMap:
    """A map without pours on the traces' own layer, unless it shows nothing else: what one side
    alone shows.

    Parameters
    ----------
    layer_of : layer of each pour, by label
    """

    def strict(side: SideMap) -> SideMap:
        return SideMap(
            [c for c in side.cells if c.label >= len(layer_of) or layer_of[c.label] != layer]
        )

    cells = [*seen.first.cells, *seen.second.cells]
    if all(cell.label >= len(layer_of) or layer_of[cell.label] == layer for cell in cells):
        return seen
    first = strict(seen.first)
    return ReferenceMap(first, first if seen.alike else strict(seen.second))


def _offers(
    layer: int, sheets: Sheets, named: Sequence[int] | None, side: Container[int]
) -> list[tuple[int, shapely.Geometry]]:
    """Pours that regions show on one side of a layer, the nearest first."""
    reach = _depths(layer, sheets, named, side)
    pours = enumerate(sheets.pours)
    chosen = [(abs(p.layer - layer), i) for i, p in pours if p.layer in reach.get(p.region, ())]
    return [(i, sheets.pours[i].shape) for _, i in sorted(chosen)]


def _depths(
    layer: int, sheets: Sheets, named: Sequence[int] | None, side: Container[int]
) -> dict[int, tuple[int, ...]]:
    """Per region the layers that it shows on one side: its nearest plane, and the fills in front of
    that.
    """
    carrying: dict[int, set[int]] = defaultdict(set)
    for pour in sheets.pours:
        if pour.layer in side and (named is None or pour.layer in named):
            carrying[pour.region].add(pour.layer)
    out = {}
    for region, layers in carrying.items():
        near = sorted(layers, key=lambda other: abs(other - layer))
        planes = [
            n
            for n, other in enumerate(near)
            if named is not None or (region, other) in sheets.planes
        ]
        out[region] = tuple(near[: planes[0] + 1 if planes else 1])
    return out


def _beside(
    own: Sequence[tuple[int, shapely.Geometry]], coplanar: float, shown: Sequence[shapely.Geometry]
) -> Iterator[Cell]:
    """Pours on the traces' own layer, widened, where neither side shows any pour."""
    hiding = np.array(shown, dtype=object)
    for cell in _shielded(list(_reaching(own, coplanar))):
        over = hiding[shapely.intersects(hiding, cell.shape)] if len(hiding) else hiding
        left = (
            _without_slivers(shapely.difference(cell.shape, shapely.union_all(over)))
            if len(over)
            else cell.shape
        )
        if not shapely.is_empty(left):
            yield Cell(cell.label, left)


def _widened(shape: shapely.Geometry, by: float) -> shapely.Geometry:
    return shapely.buffer(shape, by, quad_segs=STEPS)


def _reaching(
    offers: Sequence[tuple[int, shapely.Geometry]], coplanar: float
) -> Iterator[tuple[int, shapely.Geometry]]:
    """Pours on the traces' own layer, widened, but never over the copper of another: that refers to
    itself.
    """
    shapes = np.array([shape for _, shape in offers], dtype=object)
    for number, (label, shape) in enumerate(offers):
        wide = _widened(shape, coplanar)
        others = np.delete(shapes, number)
        others = others[shapely.intersects(others, wide)] if len(others) else others
        yield label, shapely.difference(wide, shapely.union_all(others)) if len(others) else wide


def _shielded(offers: Sequence[tuple[int, shapely.Geometry]]) -> Iterator[Cell]:
    """Offers less what nearer ones cover."""
    nearer: list[shapely.Geometry] = []
    for label, shape in offers:
        hiding = [other for other in nearer if shapely.intersects(other, shape)]
        seen = (
            _without_slivers(shapely.difference(shape, shapely.union_all(hiding)))
            if hiding
            else shape
        )
        nearer.append(shape)
        if not shapely.is_empty(seen):
            yield Cell(label, seen)


def _without_slivers(shape: shapely.Geometry) -> shapely.Geometry:
    """The parts of a shape that are wider than the contract's tolerance."""
    core = shapely.buffer(shape, -TOUCH / 2, join_style="mitre")
    if shapely.is_empty(core):
        return shapely.MultiPolygon()
    parts = shapely.get_parts(
        shapely.intersection(shapely.buffer(core, TOUCH / 2, join_style="mitre"), shape)
    )
    return shapely.multipolygons(parts[shapely.get_type_id(parts) == POLYGON])
