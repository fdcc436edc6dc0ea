"""The reference that traces of a layer find on each side of them, as a partition of the board into cells.

On each side of a trace every region offers the pours of its nearest layer on that side. A region that has none there
offers those of the other side, where nothing of this side covers; one whose only pours lie on the trace's own layer
offers those, widened by `limits.coplanar`, where nothing else covers. Where offers overlap the nearer layer shields
the farther one. What is left are disjoint cells; each is labelled with its pour, or with a tie whose copper counts as
the pours of both its regions.

A layer has two views: the first looks up where there is any reference above, else down; the second the other way
round. On a layer with references on one side only, both are the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from checker.layout.regions import Pour
from parsers.primitives import TOUCH, Bools, Floats, Ints, Rows, Shapes

OFF = -1  # label: on no cell
CUT = -2  # label: not wholly on one cell, and not wholly off all of them
EPSILON = 1e-6  # mm; numerical noise: nearer to a cell than this is on it
POLYGON = 3  # shapely's type number
STEPS = 32  # of a buffer's quarter turn: strays 0.0003 of its reach


@dataclass(frozen=True, slots=True)
class Cell:
    """A part of the board where a trace refers to one pour (or tie)."""

    label: int  # index into the pours; ties follow after the last pour
    shape: shapely.Geometry


class View:
    """The cells that traces of a layer see."""

    def __init__(self, cells: Sequence[Cell]) -> None:
        self.cells = tuple(cells)
        for cell in self.cells:
            shapely.prepare(cell.shape)

    def label_boxes(self, boxes: Floats) -> Ints:
        """Labels of things known by their bounding boxes: a cell, OFF, or CUT where the box does not decide."""
        shapes = shapely.box(*boxes.T)
        labels = np.full(len(boxes), OFF, dtype=np.int32)
        for cell, near in self.near(boxes):
            open_ = near[labels[near] == OFF]
            inside = shapely.contains_properly(cell.shape, shapes[open_])
            labels[open_[inside]] = cell.label
            rest = open_[~inside]
            labels[rest[shapely.intersects(cell.shape, shapes[rest])]] = CUT
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
        """Each cell with the positions of the boxes that its own bounding box meets, within TOUCH."""
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
class Views:
    """What one layer sees: two views, the same one twice where there is a reference on one side only."""

    first: View
    second: View

    @property
    def alike(self) -> bool:
        """Whether both sides see the same."""
        return self.first is self.second


def views_of(
    layer: int,
    pours: Sequence[Pour],
    named: Sequence[int] | None,
    coplanar: float,
    ties: Mapping[int, shapely.Geometry],
) -> Views:
    """Both views of a layer.

    Parameters
    ----------
    layer : index of the traces' layer
    named : layers that may be its reference, None = all
    coplanar : how far pours on the layer itself reach, mm
    ties : copper that counts as two regions' pours, by label
    """
    above = _nearest(layer, pours, named, lambda other: other < layer)
    below = _nearest(layer, pours, named, lambda other: other > layer)
    own = _nearest(layer, pours, named, lambda other: other == layer)
    beside = {region: place for region, place in own.items() if region not in above and region not in below}

    def looking(side: Mapping[int, int], other: Mapping[int, int]) -> View:
        behind = {region: place for region, place in other.items() if region not in side}
        offers = [*_offers(layer, side, pours), *_offers(layer, behind, pours)]
        offers += _reaching(_offers(layer, beside, pours), coplanar)
        return View([*(Cell(label, shape) for label, shape in ties.items()), *_shielded(offers)])

    if not above or not below:
        view = looking(above or below, {})
        return Views(view, view)
    return Views(looking(above, below), looking(below, above))


def ring_segments(shapes: Shapes) -> Floats:
    """Straight pieces of polygons' boundaries, x0, y0, x1, y1, shape (k, 4)."""
    rings = shapely.get_rings(shapely.get_parts(shapes))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    if not len(points):
        return np.empty((0, 4))
    follows = ring[1:] == ring[:-1]
    segments: Floats = np.hstack((points[:-1][follows], points[1:][follows]))
    return segments


def _nearest(
    layer: int, pours: Sequence[Pour], named: Sequence[int] | None, fits: Callable[[int], bool]
) -> dict[int, int]:
    """Per region the nearest fitting layer that carries one of its pours."""
    best: dict[int, int] = {}
    for pour in pours:
        if fits(pour.layer) and (named is None or pour.layer in named):
            known = best.get(pour.region)
            if known is None or abs(pour.layer - layer) < abs(known - layer):
                best[pour.region] = pour.layer
    return best


def _offers(layer: int, places: Mapping[int, int], pours: Sequence[Pour]) -> list[tuple[int, shapely.Geometry]]:
    """Pours on the layers that regions offer, the nearest first."""
    chosen = [(abs(p.layer - layer), i) for i, p in enumerate(pours) if places.get(p.region) == p.layer]
    return [(i, pours[i].shape) for _, i in sorted(chosen)]


def _widened(shape: shapely.Geometry, by: float) -> shapely.Geometry:
    return shapely.buffer(shape, by, quad_segs=STEPS)


def _reaching(
    offers: Sequence[tuple[int, shapely.Geometry]], coplanar: float
) -> Iterator[tuple[int, shapely.Geometry]]:
    """Pours on the traces' own layer, widened, but never over the copper of another: that refers to itself."""
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
        seen = _without_slivers(shapely.difference(shape, shapely.union_all(hiding))) if hiding else shape
        nearer.append(shape)
        if not shapely.is_empty(seen):
            yield Cell(label, seen)


def _without_slivers(shape: shapely.Geometry) -> shapely.Geometry:
    """The parts of a shape that are wider than the contract's tolerance."""
    core = shapely.buffer(shape, -TOUCH / 2, join_style="mitre")
    parts = shapely.get_parts(shapely.intersection(shapely.buffer(core, TOUCH / 2, join_style="mitre"), shape))
    return shapely.multipolygons(parts[shapely.get_type_id(parts) == POLYGON])
