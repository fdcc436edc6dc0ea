"""Traces that run along the edge of the pours they refer to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely

from checker.findings import Path
from checker.geometry.boxes import grouped
from checker.layout.fragments import centre_lines, cut_lines, judged_by_line
from checker.layout.layout import Layout
from checker.layout.lengths import as_path
from checker.layout.reference_map import OFF, Cell, ReferenceMap, SideMap
from checker.layout.regions import Pour
from parsers.primitives import Floats, Rows, Shapes

STEPS = 32  # of a buffer's quarter turn: strays 0.0003 of its reach


@dataclass(frozen=True, slots=True)
class EdgeRun:
    """A connected part of a net's traces on one layer that lies over pours, but nowhere far enough
    from their edge.
    """

    net: int
    layer: int
    path: Path
    length: float
    distance: float  # the least from the edge
    pours: tuple[int, ...]  # indices into Layout.pours


def edge_runs(layout: Layout, margin: float) -> Iterator[EdgeRun]:
    """Runs nearer than `margin` to the edge of every pour that they refer to, longer than twice
    that.

    A trace that only crosses the edge is near it for its margin and told elsewhere, if at all.
    Pours on the trace's own layer have no inside that a trace could keep to.
    """
    copper = layout.board.copper
    signal = (
        (copper.net >= 0)
        & judged_by_line(copper)
        & ~np.append(layout.is_reference, True)[copper.net]
    )
    for layer, seen in enumerate(layout.reference_maps):
        rows = np.flatnonzero(signal & (copper.layer == layer))
        inner = _inner(layout, seen, layer, margin)
        rows, lines = _near_edges(layout, rows, inner)
        for net, members in grouped(np.arange(len(rows)), copper.net[rows]).items():
            yield from _runs(layout, net, layer, lines[members], margin)


def _inner(layout: Layout, seen: ReferenceMap, layer: int, margin: float) -> ReferenceMap:
    """Both views with their cells drawn back from the edges of their pours."""
    first = _drawn_back(layout.pours, seen.first, layer, margin)
    return ReferenceMap(
        first, first if seen.alike else _drawn_back(layout.pours, seen.second, layer, margin)
    )


def _drawn_back(pours: tuple[Pour, ...], view: SideMap, layer: int, margin: float) -> SideMap:
    cells = []
    for cell in view.cells:
        shape = cell.shape
        if cell.label < len(pours) and pours[cell.label].layer != layer:
            inside = shapely.buffer(pours[cell.label].shape, -margin, quad_segs=STEPS)
            shape = shapely.intersection(shape, inside)
        if not shapely.is_empty(shape):
            cells.append(Cell(cell.label, shape))
    return SideMap(cells)


def _near_edges(layout: Layout, rows: Rows, inner: ReferenceMap) -> tuple[Rows, Shapes]:
    """Pieces of centre lines that are over pours, but not well inside any, with the rows that they
    come from.
    """
    boxes = layout.boxes[rows]
    inside = inner.first.label_boxes(boxes) >= 0
    if not inner.alike:
        inside |= inner.second.label_boxes(boxes) >= 0
    rows = rows[~inside]
    owner, pieces, labels = cut_lines(centre_lines(layout.board.copper, rows), inner)
    off = (labels == OFF).all(axis=1) & (shapely.length(pieces) > 0)
    rows, pieces = rows[owner[off]], pieces[off]
    layer = int(layout.board.copper.layer[rows[0]]) if len(rows) else 0
    owner, pieces, labels = cut_lines(pieces, layout.reference_maps[layer])
    over = (labels >= 0).any(axis=1)
    return rows[owner[over]], pieces[over]


def _runs(layout: Layout, net: int, layer: int, lines: Shapes, margin: float) -> Iterator[EdgeRun]:
    for run in _connected(lines):
        if run.length > 2 * margin:
            pours = _pours_at(layout, layer, run)
            edges = [shapely.boundary(layout.pours[i].shape) for i in pours]
            distance = min((float(shapely.distance(edge, run)) for edge in edges), default=0.0)
            yield EdgeRun(net, layer, as_path([run]), float(run.length), distance, pours)


def _connected(lines: Shapes) -> list[shapely.Geometry]:
    """Lines that meet, as one geometry each, in order of place."""
    merged = shapely.get_parts(shapely.line_merge(shapely.union_all(lines)))
    zones = shapely.get_parts(shapely.union_all(shapely.buffer(merged, 1e-6)))
    owner = shapely.STRtree(zones).query(merged, predicate="intersects")[1]
    groups = grouped(np.arange(len(merged)), owner[: len(merged)])
    return sorted(
        (shapely.union_all(merged[g]) for g in groups.values()), key=lambda run: run.bounds
    )


def _pours_at(layout: Layout, layer: int, run: shapely.Geometry) -> tuple[int, ...]:
    points: Floats = shapely.get_coordinates(
        shapely.line_interpolate_point(shapely.get_parts(run), 0.5, normalized=True)
    )
    seen = layout.reference_maps[layer]
    labels = np.concatenate((seen.first.label_points(points), seen.second.label_points(points)))
    return tuple(int(label) for label in np.unique(labels) if 0 <= label < len(layout.pours))
