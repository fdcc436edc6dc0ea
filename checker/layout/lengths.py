"""How long a run is and where it runs: centre lines without the net's lands, areas by a middle
line.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property

import numpy as np
import shapely

from checker.findings import XY, Path
from checker.geometry.boxes import grouped
from checker.geometry.edge_index import ring_segments
from checker.geometry.lines import line_parts, places_beside
from checker.layout.fragments import Fragments
from checker.layout.reference_map import EPSILON, ReferenceMap
from checker.layout.regions import OffReferenceRun
from parsers.board import Board
from parsers.primitives import TOUCH, Floats, Rows

# mm; centre lines drawn twice are one, even where rounding in the file has moved them apart
GRID = 1e-4
# traces whose copper is shorter than this part of their lengths are painted side by side
SIDE_BY_SIDE = 0.7
# traces whose copper has more than this part of the area of single strips are not side by side
APART = 0.85
WEDGE = 0.002  # mm; slits narrower than twice this, left where flat ends meet, are closed


class Measures:
    """Paths and lengths of fragments.

    Parameters
    ----------
    exempt : per net an area whose length does not count where that is asked for
    """

    def __init__(
        self,
        board: Board,
        maps: Sequence[ReferenceMap],
        parts: Fragments,
        exempt: Mapping[int, shapely.Geometry],
    ) -> None:
        self.board = board
        self.maps = maps
        self.parts = parts
        self.exempt = exempt

    def of(
        self, fragments: Rows, labels: Sequence[int], *, exempting: bool = False
    ) -> tuple[Path, float]:
        """Path and length of fragments of one net, its lands cut away.

        Parameters
        ----------
        labels : cells that the fragments touch, between which the length of an area runs
        exempting : leave out what lies in the net's exempt area
        """
        lines: list[shapely.Geometry] = []
        length = 0.0
        keep = fragments[~self.parts.pad[fragments]]
        for layer, here in grouped(keep, self.parts.layer[keep]).items():
            traces, areas = self._without_lands(here, layer, exempting)
            length += self._traced(here, traces)
            lines.append(traces)
            for area in areas:
                middle, along = self._along(area, layer, labels)
                lines.append(middle)
                length += along
        return as_path(lines), length

    def _without_lands(
        self, fragments: Rows, layer: int, exempting: bool
    ) -> tuple[shapely.Geometry, list[shapely.Geometry]]:
        """Centre lines and areas of one net on one layer, less its lands."""
        shapes, line = self.parts.shape[fragments], self.parts.line[fragments]
        net = int(self.parts.net[fragments[0]])
        cut = self._lands(net, layer, shapely.total_bounds(shapes))
        if exempting and net in self.exempt:
            cut.append(self.exempt[net])
        away = shapely.union_all(cut)
        traces = shapely.difference(shapely.union_all(shapes[line], grid_size=GRID), away)
        return traces, list(shapely.get_parts(shapely.difference(shapes[~line], away)))

    def _lands(self, net: int, layer: int, bounds: Floats) -> list[shapely.Geometry]:
        """Copper of a net's lands on a layer within some bounds."""
        if net not in self._lands_by_net:
            return []
        rows, boxes = self._lands_by_net[net]
        near = (boxes[:, 0] <= bounds[2]) & (boxes[:, 2] >= bounds[0])
        near &= (boxes[:, 1] <= bounds[3]) & (boxes[:, 3] >= bounds[1])
        return list(self.board.copper.shapes(rows[near & (self.board.copper.layer[rows] == layer)]))

    @cached_property
    def _lands_by_net(self) -> dict[int, tuple[Rows, Floats]]:
        copper = self.board.copper
        rows = np.flatnonzero(copper.pad & np.isin(copper.net, np.unique(self.parts.net)))
        boxes = copper.take(rows).bounds()
        groups = grouped(np.arange(len(rows)), copper.net[rows])
        return {net: (rows[group], boxes[group]) for net, group in groups.items()}

    def _traced(self, fragments: Rows, traces: shapely.Geometry) -> float:
        """Length of traces; of those drawn side by side, the length of the copper that they make
        together.
        """
        width = float(self.parts.radius[fragments[self.parts.line[fragments]]].max(initial=0.0))
        if width <= 0:
            return float(traces.length)
        copper = shapely.buffer(
            shapely.line_merge(traces), width, cap_style="flat", join_style="mitre"
        )
        if copper.area > APART * 2 * width * traces.length:
            return float(traces.length)
        copper = shapely.buffer(
            shapely.buffer(copper, WEDGE, join_style="mitre"), -WEDGE, join_style="mitre"
        )
        together = sum(_longer_side(part) for part in shapely.get_parts(copper))
        return together if together < SIDE_BY_SIDE * traces.length else float(traces.length)

    def _along(
        self, area: shapely.Geometry, layer: int, labels: Sequence[int]
    ) -> tuple[shapely.Geometry, float]:
        """Witness line and length of a piece of an area.

        From pours on, and between them, the length is the area over the mean width of its contacts;
        it is never more than the longer side of the rectangle with the same area and perimeter, the
        length where nothing is touched.
        """
        if area.geom_type != "Polygon":
            return shapely.LineString(), 0.0
        longest = _longer_side(area)
        seen = self.maps[layer]
        cells = {
            cell.label: cell.shape for side in (seen.first, seen.second) for cell in side.cells
        }
        touched = _apart(
            [_contact(area, shape) for label, shape in sorted(cells.items()) if label in labels]
        )
        if not touched:
            return shapely.boundary(area), longest
        mean = sum(contact.length for contact in touched) / len(touched)
        along = min(float(area.area) / mean, longest)
        return (
            shapely.boundary(area) if len(touched) < 2 else _between(area, touched[0], touched[1])
        ), along


def as_path(lines: Iterable[shapely.Geometry]) -> Path:
    """Polylines of the lines among some shapes, merged where they meet, in a fixed order."""
    parts, _ = line_parts(list(lines))
    linework = parts[shapely.length(parts) > EPSILON]
    if not len(linework):
        return ()
    merged = shapely.get_parts(shapely.line_merge(shapely.union_all(linework)))
    polylines = [tuple(xy(point) for point in shapely.get_coordinates(line)) for line in merged]
    return tuple(sorted(min(line, line[::-1]) for line in polylines))


def xy(point: Floats) -> XY:
    """A point in plain numbers, to the nanometre."""
    return (round(float(point[0]), 6) + 0.0, round(float(point[1]), 6) + 0.0)


def middle_of(run: OffReferenceRun) -> XY:
    """A point halfway along the longest line of a run, or where it meets the pours."""
    if not run.path:
        return run.ends[len(run.ends) // 2] if run.ends else run.bounds[:2]
    line = max((shapely.LineString(line) for line in run.path), key=lambda line: line.length)
    return xy(line.interpolate(0.5, normalized=True).coords[0])


def bounds_of(path: Path, ends: Sequence[XY]) -> tuple[float, float, float, float]:
    """Bounding box of a path and its ends."""
    points = [*ends, *(point for line in path for point in line)] or [(0.0, 0.0)]
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return min(xs), min(ys), max(xs), max(ys)


def width_of(area: shapely.Geometry) -> float:
    """Diameter of the largest disc in an area, mm, to a hundredth of its extent."""
    x0, y0, x1, y1 = area.bounds
    return 2 * float(
        shapely.maximum_inscribed_circle(area, tolerance=max(x1 - x0, y1 - y0) / 100).length
    )


def contact_points(shape: shapely.Geometry, cell: shapely.Geometry) -> list[XY]:
    """Where a fragment meets a cell that it touches: ends of a line, the middle of an area's
    contact.
    """
    if shape.geom_type == "Polygon":
        contacts = shapely.get_parts(shapely.line_merge(_contact(shape, cell)))
        found = [
            shapely.line_interpolate_point(contact, 0.5, normalized=True)
            for contact in contacts[shapely.length(contacts) > EPSILON]
        ]
    else:
        ends = shapely.points(shapely.get_coordinates(shape)[[0, -1]])
        found = list(ends[shapely.dwithin(cell, ends, TOUCH)])
    found = found or shapely.points(places_beside(np.array([shape], dtype=object), cell))
    return [xy(point) for point in shapely.get_coordinates(found)]


def _middle(contact: shapely.Geometry) -> shapely.Geometry:
    """The point halfway along the longest line of a contact."""
    lines = shapely.get_parts(shapely.line_merge(contact))
    return shapely.line_interpolate_point(
        max(lines, key=lambda line: line.length), 0.5, normalized=True
    )


def _longer_side(area: shapely.Geometry) -> float:
    """The longer side of the rectangle with the same area and perimeter: the length of a strip,
    however it bends.
    """
    half = area.length / 2
    return float((half + np.sqrt(max(half * half - 4 * area.area, 0.0))) / 2)


def _contact(area: shapely.Geometry, cell: shapely.Geometry) -> shapely.Geometry:
    """The part of an area's boundary that touches a cell."""
    edges = ring_segments(np.array([area], dtype=object))
    middles = shapely.points((edges[:, :2] + edges[:, 2:]) / 2)
    touching = edges[shapely.dwithin(cell, middles, TOUCH)].reshape(-1, 2, 2)
    return shapely.MultiLineString(list(touching))


def _apart(contacts: list[shapely.Geometry]) -> list[shapely.Geometry]:
    """Contacts put together where they meet, without those of no length."""
    lines = shapely.get_parts(shapely.line_merge(shapely.union_all(contacts, grid_size=GRID)))
    return [line for line in lines if line.length > EPSILON]


def _between(area: shapely.Geometry, a: shapely.Geometry, b: shapely.Geometry) -> shapely.Geometry:
    """A line through an area from one contact to another: from middle to middle where that stays
    inside.
    """
    line = shapely.LineString([_middle(a), _middle(b)])
    return line if area.buffer(TOUCH).covers(line) else shapely.shortest_line(a, b)
