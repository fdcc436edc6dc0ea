"""Conductors cut along the cells of their layer's views, and which of the pieces touch.

A trace is judged by its centre line, everything else (lands, areas) as an area. A fragment is a
piece of one conductor that lies wholly on one cell, or wholly off all cells, in each of the two
views. Only conductors that may matter are cut up: those off the reference somewhere, those of nets
that refer to more than one pour, and what touches these.

Cost: every conductor costs one look at its bounding box per cell near it; exact cuts are made for
the few that remain.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from checker.geometry.boxes import BoxIndex, grouped, widened
from checker.geometry.overlay import differences, intersections
from checker.layout.reference_map import CUT, EPSILON, OFF, ReferenceMap, SideMap
from parsers.board import UNPLATED, Board
from parsers.boxes import meeting
from parsers.primitives import TOUCH, Bools, Conductors, Floats, Ints, Kind, Rows, Shapes

SLIVER = 1e-9  # mm2; what numerical noise leaves of an area
Pairs = tuple[Rows, Rows]


@dataclass(frozen=True, slots=True)
class Fragments:
    """Pieces of conductors, columns of length k."""

    row: Rows
    shape: Shapes  # piece of a centre line (or a point), or of an area
    radius: Floats  # half the width of a trace, 0 for areas
    line: Bools  # judged by its centre line
    pad: Bools
    layer: Ints
    net: Ints
    labels: Ints  # (k, 2): cell in each view, or OFF

    def __len__(self) -> int:
        return len(self.row)

    def boxes(self) -> Floats:
        """Bounding boxes of the pieces' copper, shape (k, 4)."""
        return widened(shapely.bounds(self.shape), self.radius)


@dataclass(frozen=True, slots=True)
class Contacts:
    """Which fragments touch: pairs on one layer, and fragments that touch plated holes."""

    first: Rows
    second: Rows
    distance: Floats  # between centre lines and areas
    hole: Rows
    at_hole: Rows  # fragments, parallel to `hole`


@dataclass(frozen=True, slots=True)
class Judged:
    """Which conductors are judged (those of nets that are no reference), and how.

    Columns are parallel to `rows`.
    """

    rows: Rows
    line: Bools
    boxes: Floats  # of centre lines where judged by them, else of the copper
    copper_boxes: Floats
    labels: Ints  # (n, 2): cell, OFF or CUT


def judged_by_line(copper: Conductors) -> Bools:
    """Conductors that are judged by their centre line: traces, and what clears have left of
    them.
    """
    mask: Bools = ~copper.pad & ((copper.kind != Kind.AREA) | (copper.centre >= 0))
    return mask


def centre_lines(copper: Conductors, rows: Rows) -> Shapes:
    """Centre lines of traces as LineStrings, MultiLineStrings or Points, shape (len(rows),)."""
    out: Shapes = np.empty(len(rows), dtype=object)
    cleared = copper.centre[rows] >= 0
    out[cleared] = copper.centres[copper.centre[rows[cleared]]]
    out[~cleared] = copper.skeletons(rows[~cleared])
    return out


def half_widths(copper: Conductors, rows: Rows) -> Floats:
    """Half the width of traces; for one that clears have cut, the farthest its copper reaches from
    its centre line.
    """
    out = copper.radius[rows].astype(np.float64)
    for i in np.flatnonzero(copper.centre[rows] >= 0):
        area, line = copper.areas[copper.area[rows[i]]], copper.centres[copper.centre[rows[i]]]
        out[i] = float(shapely.distance(shapely.points(shapely.get_coordinates(area)), line).max())
    return out


def judge(board: Board, rows: Rows, views: Sequence[ReferenceMap]) -> Judged:
    """Label every conductor of `rows` by its bounding box."""
    copper = board.copper.take(rows)
    line = judged_by_line(copper)
    copper_boxes = copper.bounds()
    boxes = widened(copper_boxes, np.where(line, -copper.radius, 0.0))
    cleared = np.flatnonzero(line & (copper.centre >= 0))
    boxes[cleared] = shapely.bounds(copper.centres[copper.centre[cleared]])
    labels = np.full((len(rows), 2), OFF, dtype=np.int32)
    for layer, seen in enumerate(views):
        here = np.flatnonzero(copper.layer == layer)
        labels[here, 0] = seen.first.label_boxes(boxes[here])
        labels[here, 1] = labels[here, 0] if seen.alike else seen.second.label_boxes(boxes[here])
    return Judged(rows, line, boxes, copper_boxes, labels)


def involved(board: Board, judged: Judged, several: Bools) -> Rows:
    """Positions in `judged` of conductors to cut up: off the reference, or of a net in `several`,
    or touching such.

    Parameters
    ----------
    several : nets that refer to more than one pour where that matters, shape (nets,)
    """
    net, layer = board.copper.net[judged.rows], board.copper.layer[judged.rows]
    wanted = (judged.labels < 0).any(axis=1) | several[net]
    holes = board.holes
    walls = np.flatnonzero((holes.plated != UNPLATED) & (holes.net >= 0))
    reach = widened(_hole_boxes(board, walls), TOUCH)
    for asked, found in _meeting(judged.copper_boxes, np.flatnonzero(wanted), reach):
        same = found[holes.net[walls[found]] == net[asked]]
        for hole, row in _meeting(reach, np.unique(same), judged.copper_boxes):
            wanted[row[net[row] == holes.net[walls[hole]]]] = True
    boxes = widened(judged.copper_boxes, TOUCH)
    layers = list(grouped(np.arange(len(layer)), layer).values())
    for _ in range(2):  # what touches, and what touches the lands among that
        grown = wanted.copy()
        for here in layers:
            for asked, found in _meeting(boxes, here[wanted[here]], boxes[here]):
                grown[here[found[net[asked] == net[here[found]]]]] = True
        wanted = grown
    return np.flatnonzero(wanted)


def cut_up(
    board: Board, judged: Judged, positions: Rows, views: Sequence[ReferenceMap]
) -> Fragments:
    """Fragments of the conductors at these positions of `judged`."""
    copper, parts = board.copper, []
    layer = copper.layer[judged.rows[positions]]
    for number, seen in enumerate(views):
        for line in (True, False):
            here = positions[(layer == number) & (judged.line[positions] == line)]
            if not len(here):
                continue
            rows, labels = judged.rows[here], judged.labels[here]
            shapes = centre_lines(copper, rows) if line else copper.shapes(rows)
            radius = half_widths(copper, rows) if line else np.zeros(len(rows))
            open_ = (labels == CUT).any(axis=1)
            owner, pieces, found = (cut_lines if line else cut_areas)(shapes[open_], seen)
            owners = np.concatenate((np.flatnonzero(~open_), np.flatnonzero(open_)[owner]))
            parts.append(
                Fragments(
                    row=rows[owners],
                    shape=np.concatenate((shapes[~open_], pieces)),
                    radius=radius[owners],
                    line=np.full(len(owners), line),
                    pad=copper.pad[rows[owners]],
                    layer=np.full(len(owners), number, dtype=np.int32),
                    net=copper.net[rows[owners]],
                    labels=np.concatenate((labels[~open_], found)),
                )
            )
    return _joined(parts)


def cut_lines(lines: Shapes, seen: ReferenceMap) -> tuple[Rows, Shapes, Ints]:
    """Cut centre lines at the edges of both views' cells.

    Returns
    -------
    owner, piece, labels : position of the line, its piece and its cells, shapes (k,), (k,), (k, 2)
    """
    dots = np.flatnonzero(shapely.length(lines) < EPSILON)
    at = shapely.get_coordinates(shapely.point_on_surface(lines[dots]))
    part, owner = shapely.get_parts(np.delete(lines, dots), return_index=True)
    owner = np.delete(np.arange(len(lines)), dots)[owner]
    points, of = shapely.get_coordinates(part, return_index=True)
    follows = np.flatnonzero(of[1:] == of[:-1])
    segments = (
        np.hstack((points[follows], points[follows + 1])) if len(points) else np.empty((0, 4))
    )
    which, start, end = _intervals(segments, _edges_near(segments, seen))
    labels = _both(seen, (start + end) / 2)
    source = of[follows][which]
    group = _runs(source, labels)
    pieces = _polylines(start, end, group)
    heads = np.flatnonzero(np.diff(group, prepend=-1))
    dot_shapes: Shapes = shapely.points(at) if len(dots) else np.empty(0, dtype=object)
    return (
        np.concatenate((dots, owner[source[heads]])),
        np.concatenate((dot_shapes, pieces)),
        np.concatenate((_both(seen, at), labels[heads])),
    )


def cut_areas(areas: Shapes, seen: ReferenceMap) -> tuple[Rows, Shapes, Ints]:
    """Cut areas along the cells of both views; returns as `cut_lines` does."""
    owner, pieces, first = _cut_by(np.arange(len(areas)), areas, seen.first)
    if seen.alike:
        return owner, pieces, np.column_stack((first, first))
    again, pieces, second = _cut_by(np.arange(len(pieces)), pieces, seen.second)
    return owner[again], pieces, np.column_stack((first[again], second))


def contacts(board: Board, parts: Fragments, telling: Bools) -> Contacts:
    """Which fragments touch each other on a layer, and which touch plated holes of their net.

    Parameters
    ----------
    telling : fragments whose contacts matter even to fragments on the same cells, shape (k,)
    """
    boxes = widened(parts.boxes(), TOUCH)
    pairs = [_none()]
    for here in grouped(np.arange(len(parts)), parts.layer).values():
        for asked, found in _meeting(boxes, here, boxes[here]):
            pairs.append(_touching(board.copper, parts, telling, (asked, here[found])))
    first, second, distance = (np.concatenate(column) for column in zip(*pairs, strict=True))
    order = np.lexsort((second, first, parts.layer[first]))
    first, second, distance = first[order], second[order], distance[order]
    return Contacts(first, second, distance, *_at_holes(board, parts, boxes))


def _at_holes(board: Board, parts: Fragments, boxes: Floats) -> tuple[Rows, Rows]:
    """Plated holes with the fragments of their net whose copper touches them."""
    holes = board.holes
    walls = np.flatnonzero((holes.plated != UNPLATED) & (holes.net >= 0))
    hole, part = BoxIndex(boxes).meeting(_hole_boxes(board, walls))
    hole = walls[hole]
    fits = (holes.net[hole] == parts.net[part]) & (holes.first[hole] <= parts.layer[part])
    fits &= parts.layer[part] <= holes.last[hole]
    hole, part = hole[fits], part[fits]
    paths = (
        shapely.linestrings(holes.ends[hole].reshape(-1, 2, 2))
        if len(hole)
        else np.empty(0, dtype=object)
    )
    gap = shapely.distance(paths, parts.shape[part]) - holes.radius[hole] - parts.radius[part]
    return hole[gap <= TOUCH], part[gap <= TOUCH]


def _joined(parts: Sequence[Fragments]) -> Fragments:
    if not parts:
        none = np.empty(0, dtype=np.int32)
        no = np.empty(0, dtype=bool)
        labels = np.empty((0, 2), dtype=np.int32)
        return Fragments(
            none.astype(np.intp), np.empty(0, dtype=object), np.empty(0), no, no, none, none, labels
        )
    names = ("row", "shape", "radius", "line", "pad", "layer", "net", "labels")
    return Fragments(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def _hole_boxes(board: Board, holes: Rows) -> Floats:
    ends = board.holes.ends[holes]
    low, high = np.minimum(ends[:, :2], ends[:, 2:]), np.maximum(ends[:, :2], ends[:, 2:])
    return widened(np.hstack((low, high)), board.holes.radius[holes])


def _meeting(asked: Floats, rows: Rows, boxes: Floats) -> Iterator[Pairs]:
    """Pairs (row of some asked, position in `boxes`) that meet, in portions of bounded size."""
    return ((rows[i], j) for i, j in meeting(asked[rows], boxes))


def _touching(
    copper: Conductors, parts: Fragments, telling: Bools, pairs: Pairs
) -> tuple[Rows, Rows, Floats]:
    """Of candidate pairs on one layer those of one net whose copper touches and which tell
    something.

    Two fragments on the same cells tell nothing, unless one of them is a land that a trace reaches,
    or `telling`.
    """
    first, second = pairs
    fits = (first < second) & (parts.net[first] == parts.net[second])
    first, second = first[fits], second[fits]
    alike = (parts.labels[first] == parts.labels[second]).all(axis=1) & (
        parts.labels[first] >= 0
    ).all(axis=1)
    tells = ~alike | telling[first] | telling[second] | (parts.pad[first] != parts.pad[second])
    first, second = first[tells], second[tells]
    distance = shapely.distance(parts.shape[first], parts.shape[second])
    touch = distance - parts.radius[first] - parts.radius[second] <= TOUCH
    touch[touch] = _copper_touches(copper, parts.row[first[touch]], parts.row[second[touch]])
    return first[touch], second[touch], distance[touch]


def _copper_touches(copper: Conductors, first: Rows, second: Rows) -> Bools:
    """Whether the copper of two conductors truly touches where clears have made one narrower than
    its width says.
    """
    touches = np.ones(len(first), dtype=bool)
    doubtful = np.flatnonzero(
        ((copper.centre[first] >= 0) | (copper.centre[second] >= 0)) & (first != second)
    )
    a, b = copper.shapes(first[doubtful]), copper.shapes(second[doubtful])
    touches[doubtful] = shapely.dwithin(a, b, TOUCH)
    return touches


def _none() -> tuple[Rows, Rows, Floats]:
    rows = np.empty(0, dtype=np.intp)
    return rows, rows, np.empty(0)


def _both(seen: ReferenceMap, points: Floats) -> Ints:
    first = seen.first.label_points(points)
    second = first if seen.alike else seen.second.label_points(points)
    return np.column_stack((first, second))


def _edges_near(segments: Floats, seen: ReferenceMap) -> tuple[Rows, Floats]:
    """Edges of cells within EPSILON of each segment: position of the segment, and the edge."""
    edges = seen.first.edges if seen.alike else np.vstack((seen.first.edges, seen.second.edges))
    if not len(segments) or not len(edges):
        return np.empty(0, dtype=np.intp), np.empty((0, 4))
    tree = shapely.STRtree(shapely.linestrings(edges.reshape(-1, 2, 2)))
    lines = shapely.linestrings(segments.reshape(-1, 2, 2))
    which, edge = tree.query(lines, predicate="dwithin", distance=EPSILON)
    return which, edges[edge]


def _intervals(segments: Floats, near: tuple[Rows, Floats]) -> tuple[Rows, Floats, Floats]:
    """Cut segments where edges meet them: position of the segment, start and end of each interval,
    in order.
    """
    which, edges = near
    count = np.arange(len(segments))
    along = segments[:, 2:] - segments[:, :2]
    length = np.maximum(np.hypot(*along.T), EPSILON / 10)
    cuts = _crossings(segments[which], edges)
    rows = np.concatenate((count, count, np.repeat(which, 3)))
    t = np.concatenate((np.zeros(len(count)), np.ones(len(count)), cuts.reshape(-1)))
    valid = np.isfinite(t)
    rows, t = rows[valid], t[valid]
    order = np.lexsort((t, rows))
    rows, t = rows[order], t[order]
    same = rows[1:] == rows[:-1]
    whole = length[rows[1:]] < EPSILON
    real = same & (((t[1:] - t[:-1]) * length[rows[1:]] >= EPSILON) | whole)
    owner, low, high = rows[:-1][real], t[:-1][real], t[1:][real]
    origin, step = segments[owner, :2], along[owner]
    return owner, origin + low[:, None] * step, origin + high[:, None] * step


def _crossings(segments: Floats, edges: Floats) -> Floats:
    """Where along each segment (0..1) its edge crosses it and where the edge's ends lie on it, NaN
    for none; (k, 3).
    """
    p, q = segments[:, :2], edges[:, :2]
    d, e = segments[:, 2:] - p, edges[:, 2:] - q
    size = np.maximum((d * d).sum(axis=1), 1e-300)
    out = np.full((len(segments), 3), np.nan)
    cross = d[:, 0] * e[:, 1] - d[:, 1] * e[:, 0]
    slanted = np.abs(cross) > 1e-9 * np.sqrt(size * np.maximum((e * e).sum(axis=1), 1e-300))
    r = (q - p)[slanted]
    out[slanted, 0] = (r[:, 0] * e[slanted, 1] - r[:, 1] * e[slanted, 0]) / cross[slanted]
    for column, end in ((1, q), (2, edges[:, 2:])):
        t = ((end - p) * d).sum(axis=1) / size
        away = np.hypot(*(p + t[:, None] * d - end).T)
        out[:, column] = np.where(away <= EPSILON, t, np.nan)
    out[(out < 0) | (out > 1)] = np.nan
    return out


def _runs(source: Rows, labels: Ints) -> Rows:
    """Number runs of consecutive intervals of one line that lie on the same cells."""
    if not len(source):
        return np.empty(0, dtype=np.intp)
    new = (np.diff(source) != 0) | (np.diff(labels, axis=0) != 0).any(axis=1)
    return np.concatenate(([0], np.cumsum(new))).astype(np.intp)


def _polylines(start: Floats, end: Floats, group: Rows) -> Shapes:
    """One LineString per run of intervals."""
    if not len(group):
        return np.empty(0, dtype=object)
    last = np.flatnonzero(np.diff(group, append=group[-1] + 1))
    at = np.concatenate((np.arange(len(group)), last + 0.5))
    order = np.argsort(at, kind="stable")
    points, groups = (
        np.vstack((start, end[last]))[order],
        np.concatenate((group, group[last]))[order],
    )
    lines: Shapes = shapely.linestrings(points, indices=groups)
    return lines


def _cut_by(owner: Rows, areas: Shapes, view: SideMap) -> tuple[Rows, Shapes, Ints]:
    """Cut areas along one view's cells: position, piece, label."""
    rest, left = owner, areas
    done: list[tuple[Rows, Shapes, npt.NDArray[np.int32]]] = []
    for cell in view.cells:
        hit = np.flatnonzero(shapely.intersects(cell.shape, left))
        if not len(hit):
            continue
        inside, of = _solid(intersections(left[hit], cell.shape))
        done.append((rest[hit][of], inside, np.full(len(of), cell.label, dtype=np.int32)))
        outside, back = _solid(differences(left[hit], cell.shape))
        rest = np.concatenate((np.delete(rest, hit), rest[hit][back]))
        left = np.concatenate((np.delete(left, hit), outside))
    done.append((rest, left, np.full(len(rest), OFF, dtype=np.int32)))
    owners, pieces, labels = (np.concatenate(column) for column in zip(*done, strict=True))
    return owners, pieces, labels


def _solid(shapes: Shapes) -> tuple[Shapes, Rows]:
    """Polygons among the parts of shapes, and where they come from."""
    parts, of = shapely.get_parts(shapes, return_index=True)
    nested = shapely.get_type_id(parts) == 7
    if nested.any():
        inner, at = shapely.get_parts(parts[nested], return_index=True)
        parts, of = (
            np.concatenate((parts[~nested], inner)),
            np.concatenate((of[~nested], of[nested][at])),
        )
    keep = (shapely.get_type_id(parts) == 3) & (shapely.area(parts) > SLIVER)
    return parts[keep], of[keep]
