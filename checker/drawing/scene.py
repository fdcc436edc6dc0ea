"""From layout and findings to plain shapes with roles: the only drawing file that sees copper.

Coordinates are whole micrometres, y up, seen from the top; a drawn edge strays at most `DETAIL`
from the copper, which is a pixel in the closest view. Nothing here measures: the numbers on a
picture come from the findings.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely

from checker.drawing.joined import JoiningCopper
from checker.findings import XY, Finding, Group, Level, grouped
from parsers.board import BOTTOM, TOP, UNPLATED
from parsers.primitives import Bools, Conductors, Floats, Ints, Kind, Rows, Shapes, arc_lines

if TYPE_CHECKING:
    from checker.drawing.fields import Field
    from checker.layout.layout import Layout
    from checker.layout.regions import Pour

Microns = npt.NDArray[np.int64]

HOPPED = "copper"  # what a leg over third copper says it runs on
DETAIL = 0.003  # mm; how far a drawn edge may stray from the copper
PER_MM = 1000

POUR, PLANE, TRACE, PAD, OTHER = "pour", "plane", "trace", "pad", "other"
PLATED_HOLE, PLAIN_HOLE = "plated-hole", "plain-hole"


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Polylines or rings, one below the other."""

    points: Microns  # (n, 2)
    starts: Microns  # (m,) row where each one starts

    def __len__(self) -> int:
        return len(self.starts)

    def within(self, window: tuple[float, float, float, float], reach: float = 0.0) -> Lines:
        """Give those whose bounding box comes within `reach` of a window in mm."""
        if not len(self):
            return self
        x0, y0, x1, y1 = (PER_MM * v for v in window)
        low = np.minimum.reduceat(self.points, self.starts) - reach * PER_MM
        high = np.maximum.reduceat(self.points, self.starts) + reach * PER_MM
        keep = (low[:, 0] <= x1) & (high[:, 0] >= x0) & (low[:, 1] <= y1) & (high[:, 1] >= y0)
        return self if keep.all() else self._take(keep)

    def wider_than(self, extent: float) -> Lines:
        """Give those whose bounding box is wider or higher than `extent` in mm."""
        if not len(self):
            return self
        size = np.maximum.reduceat(self.points, self.starts) - np.minimum.reduceat(
            self.points, self.starts
        )
        return self._take(size.max(axis=1) > extent * PER_MM)

    def legs(self) -> tuple[Microns, Microns]:
        """Both ends of every straight leg, shapes (k, 2); rings are left open."""
        inner = np.ones(len(self.points), dtype=np.bool_)
        inner[self.starts] = False
        after = np.flatnonzero(inner)
        return self.points[after - 1], self.points[after]

    def _take(self, keep: Bools) -> Lines:
        counts = np.diff(np.append(self.starts, len(self.points)))
        points = self.points[np.repeat(keep, counts)]
        ends = np.cumsum(counts[keep])
        return Lines(
            points, np.concatenate(([0], ends[:-1])).astype(np.int64) if len(ends) else ends
        )


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Many lines that look alike. With a width they are drawn as round-ended strokes, without as
    filled areas.
    """

    role: str
    layer: str | None  # None: on every layer
    region: int  # place in the rules file, -1 for none
    width: float  # mm, 0 = filled area (non-zero rule)
    net: str | None  # named only for nets that have a finding
    lines: Lines
    nets: Ints  # per line an index into Scene.nets, -1 for none; empty for holes


@dataclass(frozen=True, slots=True)
class Leg:
    """A part of a witness path; a far one runs on the bottom while others run on top, and is drawn
    dashed.
    """

    points: tuple[XY, ...]  # mm
    far: bool = False
    # the net of copper in between that it stands for: the copper is drawn, not the line
    hop: str | None = None


@dataclass(frozen=True, slots=True)
class Callout:
    """What marks one finding on a picture; its number is that of its group."""

    number: int
    members: int  # findings of the group
    id: str
    level: Level
    layer: str | None  # None: on every layer
    at: XY
    extent: tuple[float, float, float, float]
    legs: tuple[Leg, ...]
    detour: tuple[XY, ...]  # way of the return current, as far as the finding tells it
    nets: tuple[str, ...]
    waived: bool
    layers: tuple[str, ...]  # all that it speaks of; empty: every layer
    joined: tuple[tuple[XY, ...], ...] = ()  # edges of the copper that its path hops over, mm

    def on(self, layer: str) -> bool:
        """Whether a picture of this layer shows it."""
        return not self.layers or layer in self.layers


@dataclass(frozen=True, slots=True)
class SceneLayer:
    """A copper layer: whether signals run on it, and which layers carry the pours that they refer
    to, nearest first.
    """

    id: str
    name: str
    side: str
    signals: bool
    references: tuple[str, ...]

    @property
    def main_reference(self) -> str:
        """The layer whose pours a picture shows as areas: the nearest reference, or the layer
        itself.
        """
        return self.references[0] if self.references else self.id


@dataclass(frozen=True, slots=True)
class SceneRegion:
    """A region: its name, and where on each layer its name may be written (x, y, room around it),
    mm.
    """

    name: str
    quiet: bool
    labels: dict[str, tuple[float, float, float]]


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """All that a picture may show."""

    bounds: tuple[float, float, float, float]  # mm
    outline: Lines
    layers: tuple[SceneLayer, ...]
    regions: tuple[SceneRegion, ...]
    shapes: tuple[Shape, ...]
    callouts: tuple[Callout, ...]
    nets: tuple[str, ...] = ()  # names of all nets of the board
    fields: tuple[Field, ...] = ()  # currents in reference copper, where some are declared

    def layer(self, layer: str) -> SceneLayer:
        """Give a layer by id; raises KeyError with the ids there are."""
        for known in self.layers:
            if known.id == layer:
                return known
        raise KeyError(
            f"no layer {layer}; there are {', '.join(known.id for known in self.layers)}"
        )

    @property
    def signal_layers(self) -> tuple[str, ...]:
        """Ids of layers that get a picture of their own: those with signals or findings, or else
        all.
        """
        called = {layer for callout in self.callouts for layer in callout.layers}
        ids = tuple(layer.id for layer in self.layers if layer.signals or layer.id in called)
        return ids or tuple(layer.id for layer in self.layers)


def scene_of(layout: Layout, findings: Sequence[Finding]) -> Scene:
    """Turn a layout and its findings, in report order, into plain shapes.

    Notes
    -----
    Work per object is vectorised; only areas and polylines are visited one by one.
    """
    board = layout.board
    pours = tuple(layout.pours)
    solid = _rows_in_pours(board.copper, pours)
    named = _named_nets(layout, findings)
    shapes = (
        *_pour_shapes(layout, pours),
        *_copper_shapes(layout, np.flatnonzero(~solid), named),
        *_hole_shapes(layout),
    )
    outline, _ = rings_of(np.array([board.outline.shape] if board.outline else [], dtype=object))
    return Scene(
        bounds=_bounds(outline, shapes, findings),
        outline=outline,
        layers=_layers(layout, pours, solid),
        regions=tuple(
            SceneRegion(r.name, r.quiet, _labels(layout, r.index, pours)) for r in layout.regions
        ),
        shapes=shapes,
        callouts=with_joined(layout, callouts_of(findings)),
        nets=tuple(net.name for net in board.nets),
    )


def callouts_of(findings: Iterable[Finding]) -> tuple[Callout, ...]:
    """Callouts of all findings, group by group, the worst group and in each its worst finding
    first.
    """
    return tuple(
        _callout(group, finding) for group in grouped(findings) for finding in group.members
    )


def with_joined(layout: Layout, callouts: Sequence[Callout]) -> tuple[Callout, ...]:
    """The same callouts, with the copper that their paths hop over."""
    hops = [
        [(leg.points, leg.hop) for leg in callout.legs if leg.hop is not None]
        for callout in callouts
    ]
    if not any(hops):
        return tuple(callouts)
    joining = JoiningCopper(layout.board)
    return tuple(
        replace(callout, joined=joining.of(legs, callout.extent)) if legs else callout
        for callout, legs in zip(callouts, hops, strict=True)
    )


def leads(callouts: Iterable[Callout]) -> list[Callout]:
    """The first callout of each group: the one that carries its number."""
    return list({callout.number: callout for callout in reversed(list(callouts))}.values())[::-1]


def _callout(group: Group, finding: Finding) -> Callout:
    return Callout(
        number=group.number,
        members=len(group.members),
        id=finding.id,
        level=finding.level,
        layer=finding.layer,
        at=finding.at,
        extent=finding.extent,
        legs=tuple(_legs(finding)),
        detour=_detour(finding),
        nets=finding.nets,
        waived=finding.waived is not None,
        layers=layers_of(finding),
    )


def layers_of(finding: Finding) -> tuple[str, ...]:
    """Layers that the finding speaks of: its own, its nets', and those that its witness path joins
    ("L1 to L3").
    """
    told = finding.detail.get("legs")
    legs = (
        " ".join(str(leg.get("on")) for leg in told if isinstance(leg, dict))
        if isinstance(told, list)
        else ""
    )
    return tuple(dict.fromkeys((*finding.on, *re.findall(r"\bL[1-9][0-9]*\b", legs))))


def _legs(finding: Finding) -> Iterator[Leg]:
    """Witness path in legs. `detail["legs"]` may say for each line of the path which face it runs
    on ("on").

    Where a path changes faces, its part on the bottom is far: pictures are seen from the top.
    """
    told = finding.detail.get("legs")
    legs = [leg for leg in told if isinstance(leg, dict)] if isinstance(told, list) else []
    faces = [leg.get("on") for leg in legs]
    changes = len(faces) == len(finding.path) and TOP in faces and BOTTOM in faces
    for place, line in enumerate(finding.path):
        # copper that is hopped over lies on the face of the legs beside it
        beside = (
            faces[max(place - 1, 0) : place + 2]
            if changes and faces[place] == HOPPED
            else faces[place : place + 1]
        )
        hopped = len(faces) == len(finding.path) and faces[place] == HOPPED
        hop = str(legs[place].get("net", "no net")) if hopped else None
        yield Leg(tuple(line), far=changes and BOTTOM in beside and TOP not in beside, hop=hop)


def _detour(finding: Finding) -> tuple[XY, ...]:
    told = finding.detail.get("detour_path_mm")
    return (
        tuple((float(x), float(y)) for x, y in told)
        if isinstance(told, list) and len(told) > 1
        else ()
    )


def _named_nets(layout: Layout, findings: Iterable[Finding]) -> dict[int, str]:
    """Nets that some finding speaks of: they are drawn apart so that a page can light them up."""
    wanted = {name for finding in findings for name in finding.nets}
    return {i: net.name for i, net in enumerate(layout.board.nets) if net.name in wanted}


def _rows_in_pours(copper: Conductors, pours: Sequence[Pour]) -> Bools:
    """Mask of conductors that are part of a pour's body: the pour's own shape shows them. Pads stay
    visible.
    """
    inside = np.zeros(len(copper), dtype=np.bool_)
    nets = np.array([pour.net for pour in pours], dtype=np.int32)
    layers = np.array([pour.layer for pour in pours], dtype=np.int32)
    rows = np.flatnonzero(np.isin(copper.net, nets) & ~copper.pad)
    if not len(rows):
        return inside
    points = shapely.point_on_surface(copper.skeletons(rows))
    tree = shapely.STRtree([pour.copper for pour in pours])
    which, pour = tree.query(points, predicate="intersects")
    row = rows[which]
    inside[row[(copper.net[row] == nets[pour]) & (copper.layer[row] == layers[pour])]] = True
    return inside


def _pour_shapes(layout: Layout, pours: Sequence[Pour]) -> Iterator[Shape]:
    groups: dict[tuple[int, int, bool], list[Pour]] = {}
    for pour in pours:
        groups.setdefault((pour.layer, pour.region, pour.plane), []).append(pour)
    for (layer, region, plane), group in sorted(groups.items()):
        lines, polygon = rings_of(np.array([pour.copper for pour in group], dtype=object))
        nets = np.array([pour.net for pour in group], dtype=np.int32)[polygon]
        yield Shape(
            PLANE if plane else POUR, layout.layer_id(layer), region, 0.0, None, lines, nets
        )


def _copper_shapes(layout: Layout, rows: Rows, named: dict[int, str]) -> Iterator[Shape]:
    """Traces, pads and other copper, joined per look."""
    copper, region = layout.board.copper.take(rows), layout.row_region[rows]
    name = np.where(np.isin(copper.net, list(named)), copper.net, -1)
    role = np.where(copper.net == -1, 2, copper.pad.astype(int))
    width = np.rint(2 * PER_MM * copper.radius).astype(np.int64)
    keys = np.column_stack((copper.layer, role, region, width, name))
    looks, member = np.unique(keys, axis=0, return_inverse=True)
    order = np.lexsort((copper.net, member.ravel()))
    edges = np.searchsorted(member.ravel()[order], np.arange(len(looks) + 1))
    for look, (begin, end) in zip(looks.tolist(), pairwise(edges.tolist()), strict=True):
        layer, which, owner, size, net = look
        lines, nets = _lines_of(copper, order[begin:end], filled=size == 0)
        kind, nets = (TRACE, PAD, OTHER)[which], np.maximum(nets, -1)
        id_ = layout.layer_id(layer)
        yield Shape(kind, id_, owner, size / PER_MM, named.get(net), lines, nets)


def _lines_of(copper: Conductors, rows: Rows, *, filled: bool) -> tuple[Lines, Ints]:
    """Lines of conductors that look alike, sorted by net, and the net of each line."""
    kind, g, net = copper.kind[rows], copper.geometry[rows], copper.net[rows]
    if filled:
        areas = kind == Kind.AREA
        lines, polygon = rings_of(copper.areas[copper.area[rows[areas]]])
        return lines, net[areas][polygon]
    straight = (kind == Kind.STROKE) | (kind == Kind.DISC)
    ends = g[straight, :4].copy()
    discs = kind[straight] == Kind.DISC
    ends[discs, 2:] = ends[discs, :2]
    strokes, row = chained(ends, net[straight])
    arcs = kind == Kind.ARC
    return _joined([strokes, _polylines(arc_lines(g[arcs]))]), np.concatenate(
        (net[straight][row], net[arcs])
    )


def chained(ends: Floats, nets: Ints) -> tuple[Lines, Rows]:
    """Join strokes of a net that follow one another into polylines, and tell the row in which each
    one starts.

    Parameters
    ----------
    ends : x0, y0, x1, y1 in mm, shape (n, 4)
    nets : shape (n,)

    Examples
    --------
    >>> import numpy as np
    >>> lines, row = chained(np.array([[0.0, 0, 1, 0], [1, 0, 1, 2], [1, 2, 5, 5]]), np.array([0, 0, 1]))
    >>> lines.points.tolist(), lines.starts.tolist(), row.tolist()
    ([[0, 0], [1000, 0], [1000, 2000], [1000, 2000], [5000, 5000]], [0, 3], [0, 2])
    """
    whole = np.rint(ends * PER_MM).astype(np.int64)
    if not len(whole):
        return Lines(np.empty((0, 2), np.int64), np.empty(0, np.int64)), np.empty(0, np.intp)
    fresh = np.ones(len(whole), dtype=np.bool_)
    fresh[1:] = (whole[1:, :2] != whole[:-1, 2:]).any(axis=1) | (nets[1:] != nets[:-1])
    place = np.arange(len(whole)) + np.cumsum(fresh)
    points = np.empty((len(whole) + int(fresh.sum()), 2), dtype=np.int64)
    points[place] = whole[:, 2:]
    points[place[fresh] - 1] = whole[fresh, :2]
    return Lines(points, place[fresh] - 1), np.flatnonzero(fresh)


def rings_of(polygons: Shapes) -> tuple[Lines, Rows]:
    """Rings of polygons, thinned to what can be seen, and the polygon of each; the closing point is
    left out.

    Outer rings run counterclockwise and holes clockwise, so that areas may overlap under the
    non-zero fill rule.
    """
    if not len(polygons):
        return Lines(np.empty((0, 2), np.int64), np.empty(0, np.int64)), np.empty(0, np.intp)
    parts, polygon = shapely.get_parts(polygons, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    outer = np.append(True, part[1:] != part[:-1])
    rings = np.where(shapely.is_ccw(rings) == outer, rings, shapely.reverse(rings))
    thin = shapely.simplify(rings, DETAIL, preserve_topology=True)
    points, owner = shapely.get_coordinates(thin, return_index=True)
    last = np.append(owner[1:] != owner[:-1], True) if len(owner) else np.empty(0, np.bool_)
    points, owner = points[~last], owner[~last]
    return Lines(np.rint(points * PER_MM).astype(np.int64), _starts(owner)), polygon[part]


def _polylines(lines: Shapes) -> Lines:
    thin = shapely.simplify(lines, DETAIL, preserve_topology=True)
    points, owner = shapely.get_coordinates(thin, return_index=True)
    return Lines(np.rint(points * PER_MM).astype(np.int64), _starts(owner))


def _starts(owner: npt.NDArray[np.int64]) -> Microns:
    first = np.ones(len(owner), dtype=np.bool_)
    first[1:] = owner[1:] != owner[:-1]
    return np.flatnonzero(first).astype(np.int64)


def _joined(parts: Sequence[Lines]) -> Lines:
    shifts = np.cumsum([0] + [len(part.points) for part in parts[:-1]])
    starts = [part.starts + shift for part, shift in zip(parts, shifts, strict=True)]
    return Lines(
        np.concatenate([part.points for part in parts]), np.concatenate(starts).astype(np.int64)
    )


def _hole_shapes(layout: Layout) -> Iterator[Shape]:
    """Holes through the whole board once, for every layer; blind and buried ones on each layer that
    they reach.
    """
    holes = layout.board.holes
    width = np.rint(2 * PER_MM * holes.radius).astype(np.int64)
    plain = holes.plated == UNPLATED
    for layer, span in _reached(layout):
        for role, mask in ((PLATED_HOLE, span & ~plain), (PLAIN_HOLE, span & plain)):
            for size in np.unique(width[mask]).tolist():
                rows = np.flatnonzero(mask & (width == size))
                lines, _ = chained(holes.ends[rows], holes.net[rows])
                none = np.empty(0, dtype=np.int32)
                yield Shape(role, layer, -1, size / PER_MM, None, lines, none)


def _reached(layout: Layout) -> Iterator[tuple[str | None, Bools]]:
    """Holes through the whole board (layer None), then the others on each layer."""
    holes, last = layout.board.holes, len(layout.board.layers) - 1
    through = (holes.first <= 0) & (holes.last >= last)
    yield None, through
    if not through.all():
        for index in range(last + 1):
            span = (holes.first <= index) & (index <= holes.last)
            yield layout.layer_id(index), ~through & span


def _layers(layout: Layout, pours: Sequence[Pour], solid: Bools) -> tuple[SceneLayer, ...]:
    copper = layout.board.copper
    traced: Ints = np.unique(copper.layer[~solid & ~copper.pad & (copper.net != -1)]).astype(
        np.int32
    )
    poured = sorted({pour.layer for pour in pours})
    stated = layout.rules.stackup.reference
    layers = []
    for index, layer in enumerate(layout.board.layers):
        found = stated.get(layer.id) or tuple(layout.layer_id(i) for i in _nearest(index, poured))
        layers.append(
            SceneLayer(layer.id, layer.name, layer.side, bool(np.isin(index, traced)), tuple(found))
        )
    return tuple(layers)


def _nearest(index: int, poured: Sequence[int]) -> list[int]:
    """Nearest layers with pours below and above, the nearer first; the layer itself if there is no
    other.
    """
    below = [i for i in poured if i > index][:1]
    above = [i for i in poured if i < index][-1:]
    return sorted(below + above, key=lambda i: (abs(i - index), -i)) or [
        i for i in poured if i == index
    ]


def _labels(
    layout: Layout, region: int, pours: Sequence[Pour]
) -> dict[str, tuple[float, float, float]]:
    """Per layer the roomiest place of the region's largest pour."""
    best: dict[int, Pour] = {}
    for pour in pours:
        if pour.region == region and (
            pour.layer not in best or pour.shape.area > best[pour.layer].shape.area
        ):
            best[pour.layer] = pour
    labels = {}
    for layer, pour in sorted(best.items()):
        line = shapely.maximum_inscribed_circle(pour.shape, tolerance=0.5)
        (x, y), (edge_x, edge_y) = line.coords[0], line.coords[-1]
        labels[layout.layer_id(layer)] = (x, y, float(np.hypot(edge_x - x, edge_y - y)))
    return labels


def _bounds(
    outline: Lines, shapes: Sequence[Shape], findings: Sequence[Finding]
) -> tuple[float, float, float, float]:
    """Bounding box of the board; without an outline, of everything drawn. Never empty, findings
    always inside.
    """
    points = (
        [outline.points]
        if len(outline)
        else [shape.lines.points for shape in shapes if len(shape.lines)]
    )
    boxes = [(*(p.min(axis=0) / PER_MM), *(p.max(axis=0) / PER_MM)) for p in points] + [
        f.extent for f in findings
    ]
    if not boxes:
        return 0.0, 0.0, 1.0, 1.0
    table = np.array(boxes, dtype=np.float64)
    x0, y0 = table[:, :2].min(axis=0).tolist()
    x1, y1 = table[:, 2:].max(axis=0).tolist()
    return x0, y0, max(x1, x0 + 1.0), max(y1, y0 + 1.0)
