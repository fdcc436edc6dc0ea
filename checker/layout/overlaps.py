"""Where reference pours of two regions lie over each other, in groups of places that have one
cause.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from checker.layout.causes import clusters
from checker.layout.regions import Pour
from parsers.primitives import TOUCH

# mm; overlaps of two regions nearer to each other than this have one cause (common practice, no
# source)
TOGETHER = 2.0
SKETCH = 0.05  # mm; how far the outline of a group may stray
POLYGON = 3  # shapely's type number


@dataclass(frozen=True, slots=True)
class Overlap:
    """A connected place where pours of two regions on different layers lie over each other."""

    pours: tuple[int, int]  # indices into Layout.pours
    shape: shapely.Polygon


@dataclass(frozen=True)
class OverlapGroup:
    """Places where pours of the same two regions lie over each other, near each other as seen from
    above.
    """

    regions: tuple[int, int]
    number: int  # by place, among the groups of these regions
    places: tuple[Overlap, ...]

    @cached_property
    def extent(self) -> shapely.Geometry:
        """The places with what lies within TOGETHER of them, and with what these enclose: channels,
        holes, edges.
        """
        shapes = shapely.simplify(
            np.array([place.shape for place in self.places], dtype=object), SKETCH
        )
        around = shapely.union_all(shapely.buffer(shapes, TOGETHER, quad_segs=2))
        filled = shapely.union_all(
            shapely.polygons(shapely.get_exterior_ring(shapely.get_parts(around)))
        )
        shapely.prepare(filled)
        return filled

    def holds(self, shape: shapely.Geometry) -> bool:
        """Whether at least half of a shape lies in the group's extent."""
        if shapely.covers(self.extent, shape) or not shapely.intersects(self.extent, shape):
            return bool(shapely.intersects(self.extent, shape))
        return bool(shapely.intersection(self.extent, shape).area * 2 >= shape.area)


def overlap_groups(pours: Sequence[Pour]) -> tuple[OverlapGroup, ...]:
    """All overlaps of reference pours, by regions, then place."""
    places = sorted(_overlaps(pours), key=lambda place: (place.shape.bounds, place.pours))
    between = [_regions(pours, place) for place in places]
    out: list[OverlapGroup] = []
    for members in clusters(
        [place.shape for place in places], TOGETHER, between, [()] * len(places)
    ):
        regions = between[members[0]]
        before = sum(group.regions == regions for group in out)
        out.append(OverlapGroup(regions, before, tuple(places[i] for i in members)))
    return tuple(sorted(out, key=lambda group: (group.regions, group.number)))


def _regions(pours: Sequence[Pour], place: Overlap) -> tuple[int, int]:
    first, second = sorted(pours[i].region for i in place.pours)
    return first, second


def _overlaps(pours: Sequence[Pour]) -> Iterator[Overlap]:
    """Connected places that are wider than the contract's tolerance."""
    solid = [i for i, pour in enumerate(pours) if not pour.plane]
    shapes = np.array([pours[i].shape for i in solid], dtype=object)
    for one, other in shapely.STRtree(shapes).query(shapes, predicate="intersects").T.tolist():
        a, b = sorted((solid[one], solid[other]))
        if one < other and pours[a].region != pours[b].region and pours[a].layer != pours[b].layer:
            for part in shapely.get_parts(shapely.intersection(pours[a].shape, pours[b].shape)):
                if shapely.get_type_id(part) == POLYGON and not shapely.is_empty(
                    shapely.buffer(part, -TOUCH / 2)
                ):
                    yield Overlap((a, b), part)
