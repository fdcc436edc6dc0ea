"""Barriers and spacings bound to the board: which conductors stand on which side, and what must lie between them.

*Bodies* are all conductors of the board as exact primitives, one row per layer: its copper (same row numbers as
`Board.copper`), the walls of plated holes on every layer that they pass, plated board edges on every layer, declared
hardware on the faces, and inner copper that a blind unplated hole opens, as if it lay on the face that the hole comes
from: that is nearer than it is. Bodies of one *node* are one conductor wherever they are: a named net is one node,
other copper is one node per connected piece.

A *separation* is a `[[barrier]]` or a `[[spacing]]`. Each body is on its first side, on its second side, earthed, or
third copper:

- The sides of a barrier are the nets of its two regions, those of a spacing the nets that its patterns match. A net
  that both groups match is on both sides; it is never held against itself.
- Earthed nets are neither crossed for nothing nor measured here: each side must be held against them by a `[[spacing]]`
  (or barrier) of its own, and without one there is a doubt. A region that names an earthed net by more than `*` keeps
  it on its side, which is stricter.
- Everything else is third copper, floating or of another region: a path crosses it at no cost.

Tolerances: etch, registration and routing are added up and subtracted once from every path, whatever it runs on; that
is stricter than need be for a path that touches no routed edge, never laxer. A leg counts as shorter than X if it can
become so by the tolerance.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from enum import IntEnum
from fnmatch import fnmatchcase
from itertools import accumulate
from pathlib import Path

import numpy as np
import shapely

from checker.config.rules_file import Barrier, Hardware, Insulation, RegionSpec, Rules, Spacing
from checker.config.spacing_table import (
    CLEARANCE,
    CREEPAGE,
    INNER,
    OUTER,
    THROUGH,
    Query,
    Required,
    SpacingTable,
    TableError,
    read_table,
)
from checker.geometry.corridor import corridor
from checker.layout.layout import Layout, of_layout
from checker.layout.regions import CATCH_ALL, floating_rows
from parsers.board import UNPLATED, Board
from parsers.primitives import NO_NET, TOUCH, Bools, Conductors, Floats, Ints, Kind, Rows, concatenate, conductors
from parsers.trouble import Doubt

# Width below which a groove is bridged and a leg beside floating copper counts as nothing (IEC 60664-1:2007, 6.2),
# mm by pollution degree. Certainty: as reproduced on a public page.
GROOVE_WIDTH: Mapping[int, float] = {1: 0.25, 2: 1.0, 3: 1.5}
REDUCED_BELOW = (
    3.0  # mm; below this required clearance X may be a third of it (same clause), only where the rules say so
)
ROUNDING = 1e-6  # mm; a distance as large as required but for this is no shortfall: numbers in files are decimal


class Source(IntEnum):
    """What a body is made of; `Bodies.origin` then counts in ..."""

    COPPER = 0  # ... Board.copper
    WALL = 1  # ... Board.holes: the wall of a plated hole
    EDGE = 2  # ... the lines of Board.outline.plated
    HARDWARE = 3  # ... Rules.hardware
    OPENED = 4  # ... Board.copper: inner copper that a blind unplated hole opens to a face


HARDWARE = int(Source.HARDWARE)  # looked up for every piece of long ways, where members of enumerations are slow


@dataclass(frozen=True, slots=True)
class Bodies:
    """Every conductor of the board, one row per layer; columns of length n."""

    shapes: Conductors  # `net` counts in `names`
    source: Ints  # Source
    origin: Ints
    node: Ints  # electrical node, 0 .. nodes - 1
    nodes: int
    names: tuple[str, ...]  # net names: those of the board, then nets that only hardware has

    def __len__(self) -> int:
        return len(self.source)

    def net_name(self, row: int) -> str:
        """Net name of a body; for bodies without a net, what they are."""
        net = int(self.shapes.net[row])
        if net >= 0:
            return self.names[net]
        return "hardware" if self.source[row] == HARDWARE else ("no net" if net == NO_NET else "unknown net")

    def on(self, layer: int, rows: Rows) -> Rows:
        """Those of the rows that are on a layer."""
        found: Rows = rows[self.shapes.layer[rows] == layer]
        return found


@dataclass(frozen=True, slots=True)
class Separation:
    """A barrier or spacing, bound."""

    key: str  # "barrier[0]", as the rules file counts
    title: str  # "system / probe"
    names: tuple[str, str]  # of the two sides
    regions: tuple[str, ...]  # region names of a barrier; a spacing has none
    split: tuple[tuple[str, ...], tuple[str, ...]]  # the same by side
    nets: tuple[frozenset[int], frozenset[int]]  # of the two sides, as `Bodies.names` counts
    sides: tuple[Rows, Rows]  # bodies
    third: Rows  # bodies that a path crosses at no cost
    earthed: Rows  # bodies that are not crossed for nothing
    insulation: Insulation
    table: SpacingTable | None  # None: no distances are asked for
    x: float  # mm; width X
    tolerance: float  # mm; subtracted once from every path
    places: frozenset[str]  # kinds of place that the board has between the sides: OUTER, INNER, THROUGH
    wanted: Mapping[tuple[str, str], Required]  # by (measure, where): the distances that the table gives
    isolators: tuple[str, ...] = ()
    straddling: tuple[str, ...] = ()
    doubts: tuple[Doubt, ...] = field(default=(), compare=False)

    def required(self, measure: str, where: str) -> Required | None:
        """The distance that must be kept in a kind of place, None if the table has no such rows or column.

        Required creepage is never below required clearance.
        """
        return self.wanted.get((measure, where))

    def solid(self, where: str) -> Required | None:
        """What holds inside the board (INNER, THROUGH): clearance, or creepage where the rows hold only that."""
        return self.required(CLEARANCE, where) or self.required(CREEPAGE, where)

    def counts(self, legs: Floats) -> Bools:
        """Which legs beside third copper count, by their lengths: those that stay as wide as X after tolerances."""
        counts: Bools = legs - self.tolerance >= self.x - ROUNDING
        return counts


def contenders(bodies: Bodies, separation: Separation, reach: float) -> tuple[Rows, Rows, Rows]:
    """Bodies of both sides, and third ones, that may lie on a way whose steps are no longer than `reach`, in mm.

    Told by bounding boxes: too many, never too few.
    """
    one, two, third = (*separation.sides, separation.third)
    boxes = [bodies.shapes.take(rows).bounds() for rows in (one, two, third)]
    kept = corridor(boxes[0], boxes[1], boxes[2], reach, bodies.node[third])
    return one[kept[0]], two[kept[1]], third[kept[2]]


@dataclass(frozen=True, slots=True)
class Barriers:
    """All separations of a layout and what they share."""

    bodies: Bodies
    separations: tuple[Separation, ...]
    thickness: float | None  # of the board, mm
    depths: tuple[float, ...] | None  # of each copper layer below the top face, mm
    doubts: tuple[Doubt, ...]

    @property
    def measured(self) -> tuple[Separation, ...]:
        """Separations that name a table."""
        return tuple(s for s in self.separations if s.table is not None)

    def why_not(self, measure: str) -> str | None:
        """Why nothing can be measured as `clearance` or `creepage`, or None."""
        if not self.separations:
            return "no barrier and no spacing is declared"
        if not self.measured:
            return "no barrier names a table"
        if not any(s.table.has(measure) for s in self.measured if s.table):
            return f"no table has a {measure} column"
        return None


@of_layout
def bind(layout: Layout) -> Barriers:
    """Bind the barriers and spacings of a layout; done once for all rules.

    Raises
    ------
    TableError : a table that cannot be used
    """
    bodies, doubts = _bodies(layout)
    nets = _NetSets(layout, bodies)
    tables = _Tables(layout.rules)
    specs = _specs(layout.rules)
    separations = tuple(_separation(layout, bodies, nets.sides(spec), tables, key, spec) for key, spec in specs)
    doubts += _unheld_earth(layout, nets)
    doubts += [doubt for s in separations for doubt in s.doubts]
    doubts += _without_table(layout, separations)
    doubts += _missing_data(layout, separations) if any(s.table for s in separations) else []
    board = layout.board
    return Barriers(bodies, separations, _thickness(board), _depths(board), tuple(dict.fromkeys(doubts)))


def _specs(rules: Rules) -> list[tuple[str, Barrier | Spacing]]:
    specs: list[tuple[str, Barrier | Spacing]] = [(f"barrier[{i}]", b) for i, b in enumerate(rules.barriers)]
    return specs + [(f"spacing[{i}]", s) for i, s in enumerate(rules.spacings)]


def _thickness(board: Board) -> float | None:
    stack = board.stackup
    return stack.thickness or (sum(stack.dielectric) if stack.dielectric else None)


def _depths(board: Board) -> tuple[float, ...] | None:
    """Depth of each copper layer; the outer layers lie on the faces."""
    stack, layers = board.stackup, len(board.layers)
    if len(stack.dielectric) == layers - 1 and layers > 1:
        return tuple(accumulate(stack.dielectric, initial=0.0))
    thickness = _thickness(board)
    if layers == 2 and thickness:
        return 0.0, thickness
    return None


# --------------------------------------------------------------------------------------------------------- bodies


def _bodies(layout: Layout) -> tuple[Bodies, list[Doubt]]:
    board = layout.board
    names = [net.name for net in board.nets]
    walls, holes = _walls(board)
    edges, lines, doubts = _plated_edges(board)
    screws, entries = _hardware(layout, names)
    opened, rows = _opened(board)
    parts = (board.copper, walls, edges, screws, opened)
    shapes = concatenate(parts)
    source = np.repeat([int(s) for s in Source], [len(p) for p in parts]).astype(np.int32)
    origin = np.concatenate([np.arange(len(board.copper)), holes, lines, entries, rows]).astype(np.int32)
    floats = np.zeros(len(shapes), dtype=np.bool_)
    floats[: len(board.copper)] = floating_rows(board) & (layout.row_region < 0)
    floats[source == Source.OPENED] = floats[rows]
    node, nodes = _nodes(board, shapes, source, origin, len(names), floats)
    return Bodies(shapes, source, origin, node, nodes, tuple(names)), doubts


def _walls(board: Board) -> tuple[Conductors, Ints]:
    """Walls of holes that are not known to be unplated, on each layer passed, at the size that the data gives."""
    holes = board.holes
    plated = np.flatnonzero(holes.plated != UNPLATED)
    count = np.maximum(holes.last[plated] - holes.first[plated] + 1, 0)
    hole = np.repeat(plated, count).astype(np.int32)
    step = np.arange(len(hole)) - np.repeat(np.cumsum(count) - count, count)
    geometry = np.hstack((holes.ends[hole], np.zeros((len(hole), 1))))
    walls = conductors(
        len(hole),
        kind=Kind.STROKE,
        layer=holes.first[hole] + step,
        net=holes.net[hole],
        geometry=geometry,
        radius=holes.radius[hole],
        component=holes.component[hole],
        pin=holes.pin[hole],
        file=holes.file[hole],
        line=holes.line[hole],
    )
    return walls, hole


def _plated_edges(board: Board) -> tuple[Conductors, Ints, list[Doubt]]:
    """Plated edges on every layer, once per net of the copper that touches them."""
    plated = board.outline.plated if board.outline is not None else None
    lines = _lines(plated)
    parts: list[Conductors] = []
    origin: list[int] = []
    doubts: list[Doubt] = []
    for number, line in enumerate(lines):
        nets = _nets_touching(board, line)
        if not nets:
            x, y = (round(v, 3) for v in line.coords[0])
            why = "no copper touches it, so its net is unknown and it counts as floating; give it copper or declare it"
            doubts.append(Doubt(f"plated edge at ({x:g}, {y:g}) touches no copper", why))
        for net in nets or [NO_NET]:
            rows = _edge_rows(line, net, len(board.layers))
            parts.append(rows)
            origin += [number] * len(rows)
    return concatenate(parts or [conductors()]), np.array(origin, dtype=np.int32), doubts


def _lines(geometry: shapely.Geometry | None) -> list[shapely.LineString]:
    if geometry is None or geometry.is_empty:
        return []
    merged = shapely.line_merge(geometry)
    parts = [merged, *shapely.get_parts(merged)] if merged.geom_type != "LineString" else [merged]
    return [g if g.geom_type == "LineString" else shapely.LineString(g) for g in parts if g.geom_type in _LINES]


_LINES = ("LineString", "LinearRing")


def _nets_touching(board: Board, line: shapely.Geometry) -> list[int]:
    copper = board.copper
    x0, y0, x1, y1 = line.bounds
    box = copper.bounds()
    near = (box[:, 0] <= x1 + TOUCH) & (box[:, 2] >= x0 - TOUCH) & (box[:, 1] <= y1 + TOUCH) & (box[:, 3] >= y0 - TOUCH)
    rows = np.flatnonzero(near & (copper.net >= 0))
    reach = shapely.distance(copper.skeletons(rows), line) - copper.radius[rows]
    return sorted({int(net) for net in copper.net[rows[reach <= TOUCH]]})


def _edge_rows(line: shapely.LineString, net: int, layers: int) -> Conductors:
    xy = shapely.get_coordinates(line)
    geometry = np.hstack((xy[:-1], xy[1:], np.zeros((len(xy) - 1, 1))))
    return conductors(
        len(geometry) * layers,
        kind=Kind.STROKE,
        layer=np.repeat(np.arange(layers), len(geometry)),
        net=net,
        geometry=np.tile(geometry, (layers, 1)),
    )


def _hardware(layout: Layout, names: list[str]) -> tuple[Conductors, Ints]:
    """Discs and outlines on the faces; nets that the board does not have are added to `names`."""
    last = len(layout.board.layers) - 1
    faces = {"top": [0], "bottom": [last], "both": [0, last] if last else [0]}
    placed = [(i, item, layer) for i, item in enumerate(layout.rules.hardware) for layer in faces[item.side]]
    outlines = [shapely.Polygon(item.outline) for _, item, _ in placed if item.outline]
    drawn = np.array([bool(item.outline) for _, item, _ in placed], dtype=np.bool_)
    rows = conductors(
        len(placed),
        kind=np.where(drawn, Kind.AREA, Kind.DISC),
        layer=np.array([layer for _, _, layer in placed], dtype=np.int32),
        net=np.array([_net_of(item, names) for _, item, _ in placed], dtype=np.int32),
        geometry=np.array([(*(item.at or (0, 0)), 0, 0, 0) for _, item, _ in placed], dtype=np.float64),
        radius=np.array([item.diameter / 2 for _, item, _ in placed], dtype=np.float64),
        area=np.where(drawn, np.cumsum(drawn) - 1, -1),
        areas=outlines,
    )
    return rows, np.array([i for i, _, _ in placed], dtype=np.int32)


def _opened(board: Board) -> tuple[Conductors, Ints]:
    """Inner copper that blind unplated holes reach, on the faces that they come from, and its rows."""
    holes, last, copper = board.holes, len(board.layers) - 1, board.copper
    blind = np.flatnonzero((holes.plated == UNPLATED) & ((holes.first == 0) != (holes.last >= last)))
    inner = np.flatnonzero((copper.layer > 0) & (copper.layer < last)) if len(blind) else _none()
    openings = holes.shapes()[blind]
    row, hole = shapely.STRtree(openings).query(copper.skeletons(inner), "dwithin", copper.radius[inner] + TOUCH)
    row, hole = inner[row], blind[hole]
    reached = (holes.first[hole] <= copper.layer[row]) & (copper.layer[row] <= holes.last[hole])
    row, hole = row[reached], hole[reached]
    shapes, bores = copper.shapes(row), holes.shapes()[hole]
    # a hair wider, so that copper that ends at the wall of the hole, or next to it, is an area too
    areas = shapely.intersection(shapes, shapely.buffer(bores, shapely.distance(shapes, bores) + ROUNDING))
    parts, owner = shapely.get_parts(areas, return_index=True)
    solid = shapely.get_dimensions(parts) == 2
    parts, row, hole = parts[solid], row[owner[solid]], hole[owner[solid]]
    opened = conductors(
        len(row),
        kind=Kind.AREA,
        layer=np.where(holes.first[hole] == 0, 0, last),
        net=copper.net[row],
        area=np.arange(len(row)),
        areas=parts,
        file=copper.file[row],
        line=copper.line[row],
    )
    return opened, row.astype(np.int32)


def _net_of(item: Hardware, names: list[str]) -> int:
    if item.net is None:
        return NO_NET
    if item.net not in names:
        names.append(item.net)
    return names.index(item.net)


def _nodes(board: Board, shapes: Conductors, source: Ints, origin: Ints, nets: int, floats: Bools) -> tuple[Ints, int]:
    """Named nets first, then pieces of nameless copper, then what hangs together with nothing.

    Thieving, text and fiducials that float are not of their net: else they would be no third copper beside it.
    """
    node = np.where(floats, -1, shapes.net).astype(np.int64)
    nameless = node < 0
    pieces = board.connectivity.piece
    hole_piece = board.connectivity.hole_piece
    top = int(max(pieces.max(initial=-1), hole_piece.max(initial=-1))) + 1
    copper = nameless & ((source == Source.COPPER) | (source == Source.OPENED))
    if len(pieces):
        node[copper] = nets + pieces[origin[copper]]
    walls = nameless & (source == Source.WALL)
    if len(hole_piece):
        joined = walls & (hole_piece[origin * walls] >= 0)
        node[joined] = nets + hole_piece[origin[joined]]
    alone = node < 0
    key = source.astype(np.int64) * (int(origin.max(initial=0)) + 1) + origin
    node[alone] = nets + top + key[alone]
    _, dense = np.unique(node, return_inverse=True)
    return dense.astype(np.int32), int(dense.max(initial=-1)) + 1


# ------------------------------------------------------------------------------------------------- sides and nets


class _NetSets:
    """Sets of nets that the rules name, as masks over `Bodies.names`."""

    def __init__(self, layout: Layout, bodies: Bodies) -> None:
        self.layout = layout
        self.names = bodies.names
        self.board_nets = len(layout.board.nets)

    def matching(self, patterns: Sequence[str]) -> Bools:
        """Nets that any of the patterns matches, hardware's own nets included."""
        mask = np.zeros(len(self.names), dtype=np.bool_)
        if patterns:
            mask[self.layout.matching(tuple(patterns))] = True
        for net in range(self.board_nets, len(self.names)):
            mask[net] = any(fnmatchcase(self.names[net], p) for p in patterns)
        return mask

    def of_region(self, name: str) -> Bools:
        """Nets of a region."""
        region = next(r for r in self.layout.regions if r.name == name)
        mask = np.zeros(len(self.names), dtype=np.bool_)
        mask[: self.board_nets] = self.layout.region_of_net == region.index
        claimed = self.matching(_patterns(region.spec))
        if CATCH_ALL in region.spec.nets:
            others = [p for r in self.layout.regions if r.name != name for p in _patterns(r.spec)]
            claimed = claimed | ~self.matching(others)
        mask[self.board_nets :] = claimed[self.board_nets :]
        return mask

    def named_by(self, name: str) -> Bools:
        """Nets that a region claims by more than `*`."""
        region = next(r for r in self.layout.regions if r.name == name)
        mask = self.matching([p for p in region.spec.nets if p != "*"])
        mask[list(region.reference | region.planes)] = True
        return mask & self.of_region(name)

    def sides(self, spec: Barrier | Spacing) -> tuple[Bools, Bools, Bools]:
        """First side, second side, earthed."""
        earthed = self.matching(spec.earthed)
        if isinstance(spec, Spacing):
            first, second = (self.matching(group) for group in spec.between)
            return first, second, earthed & ~first & ~second
        first, second = (
            np.any([self.of_region(n) & (~earthed | self.named_by(n)) for n in side], axis=0) for side in spec.between
        )
        return first, second, earthed & ~first & ~second


def _unheld_earth(layout: Layout, nets: _NetSets) -> list[Doubt]:
    """A doubt for each side and earthed net that no separation holds apart."""
    specs = _specs(layout.rules)
    masks = [nets.sides(spec) for _, spec in specs]
    doubts = []
    for (key, spec), (first, second, earthed) in zip(specs, masks, strict=True):
        for net in map(int, np.flatnonzero(earthed)):
            for name, side in zip(_side_names(spec), (first, second), strict=True):
                held = np.zeros(len(side), dtype=np.bool_)
                for a, b, _ in masks:
                    held |= (b if a[net] else np.False_) | (a if b[net] else np.False_)
                if (side & ~held).any():
                    doubts.append(_earth_doubt(layout, key, name, nets.names[net], nets.names, side & ~held))
    return doubts


def _earth_doubt(layout: Layout, key: str, side: str, earth: str, names: Sequence[str], left: Bools) -> Doubt:
    some = [names[i] for i in map(int, np.flatnonzero(left))]
    shown = ", ".join(some[:3]) + (f" and {len(some) - 3} more" if len(some) > 3 else "")
    why = f"an earthed net is held against each side by its own [[spacing]]; none holds {shown} against {earth}"
    return Doubt(f"no spacing between {side} and earthed {earth}", why, layout.rules.place(f"{key}.earthed"))


def _side_names(spec: Barrier | Spacing) -> tuple[str, str]:
    first, second = (", ".join(group) for group in spec.between)
    return first, second


# ----------------------------------------------------------------------------------------------------- separations


class _Tables:
    """The tables that the rules name, each read once."""

    def __init__(self, rules: Rules) -> None:
        self.rules, self.folder = rules, Path(rules.path).parent
        self.read: dict[str, SpacingTable] = {}

    def get(self, key: str, insulation: Insulation) -> SpacingTable | None:
        """The table of the barrier or spacing of a key."""
        name = insulation.table
        if name is None:
            return None
        if name not in self.read:
            if not (self.folder / name).is_file():
                why = f"there is no spacing table {name} beside the rules file: correct `table`"
                raise TableError(why, self.rules.place(f"{key}.table"))
            self.read[name] = read_table(self.folder / name, name)
        return self.read[name]


def _separation(
    layout: Layout,
    bodies: Bodies,
    masks: tuple[Bools, Bools, Bools],
    tables: _Tables,
    key: str,
    spec: Barrier | Spacing,
) -> Separation:
    net = bodies.shapes.net
    on = [np.flatnonzero((net >= 0) & mask[np.maximum(net, 0)]) if len(mask) else _none() for mask in masks]
    if isinstance(spec, Barrier):
        on = [*(rows[~_floats(layout, bodies, rows)] for rows in on[:2]), on[2]]  # an earthed net needs no region
    third = np.ones(len(bodies), dtype=np.bool_)
    for rows in on:
        third[rows] = False
    table = tables.get(key, spec.insulation)
    places = _places(bodies, on[0], on[1], np.flatnonzero(third), len(layout.board.layers))
    wanted, doubts = _wanted(layout, table, spec.insulation, places, key)
    names = _side_names(spec)
    doubts += [_empty_side(layout, key, name) for name, rows in zip(names, on[:2], strict=True) if not len(rows)]
    doubts += _named_but_floating(layout, spec.regions) if isinstance(spec, Barrier) else []
    return Separation(
        key=key,
        title=" / ".join(names),
        names=names,
        regions=spec.regions if isinstance(spec, Barrier) else (),
        split=spec.between if isinstance(spec, Barrier) else ((), ()),
        nets=(_members(masks[0]), _members(masks[1])),
        sides=(on[0], on[1]),
        third=np.flatnonzero(third),
        earthed=on[2],
        insulation=spec.insulation,
        table=table,
        x=width_x(spec.insulation, wanted.get((CLEARANCE, OUTER))),
        tolerance=_tolerance(layout),
        places=places,
        wanted=wanted,
        isolators=spec.isolators if isinstance(spec, Barrier) else (),
        straddling=spec.straddling if isinstance(spec, Barrier) else (),
        doubts=tuple(doubts),
    )


def _empty_side(layout: Layout, key: str, name: str) -> Doubt:
    why = "nothing is held apart; nets of one pad belong to no side, so name others, or accept this with a reason"
    return Doubt(f"no copper stands on the side {name}", why, layout.rules.place(f"{key}.between"))


def _named_but_floating(layout: Layout, regions: Sequence[str]) -> Iterator[Doubt]:
    """Nets that a region lists by name though they have one pad: taken for floating, they stand on no side."""
    names = [net.name for net in layout.board.nets]
    for region in (r for r in layout.regions if r.name in regions):
        for pattern in dict.fromkeys(region.spec.nets):
            if pattern in names and layout.floating[names.index(pattern)]:
                what = f"net {pattern} of {region.name} has one pad and counts as floating"
                why = "it is crossed at no cost and held apart from nothing; hold it by a [[spacing]] of its own"
                yield Doubt(what, why, layout.rules.place(f"region.{region.name}.nets"))


def _shared(layer: Ints, node: Ints) -> set[int]:
    """Layers with copper of more than one conductor."""
    pairs = np.unique(np.column_stack((layer, node)), axis=0)
    number, count = np.unique(pairs[:, 0], return_counts=True)
    return set(number[count > 1].tolist())


def _patterns(spec: RegionSpec) -> list[str]:
    """What a region names itself."""
    return [*spec.reference, *spec.planes, *(p for p in spec.nets if p != CATCH_ALL)]


def _floats(layout: Layout, bodies: Bodies, rows: Rows) -> Bools:
    """Copper that belongs to no region whatever its net: thieving, text, fiducials."""
    copper = np.isin(bodies.source[rows], [Source.COPPER, Source.OPENED])
    floats = np.zeros(len(rows), dtype=np.bool_)
    floats[copper] = layout.row_region[bodies.origin[rows[copper]]] < 0
    return floats


def _members(mask: Bools) -> frozenset[int]:
    return frozenset(np.flatnonzero(mask).tolist())


def _none() -> Rows:
    return np.empty(0, dtype=np.intp)


def _tolerance(layout: Layout) -> float:
    given = layout.rules.tolerance
    return given.etch + given.registration + given.routing


def width_x(insulation: Insulation, clearance: Required | None) -> float:
    """Width X: that of the pollution degree, or a third of the required clearance where the rules ask for it.

    Without a clearance row there is nothing to take a third of, and X stays as it is.
    """
    full = GROOVE_WIDTH[insulation.pollution_degree]
    if insulation.x_reduction and clearance is not None and clearance.value < REDUCED_BELOW:
        return min(full, clearance.value / 3)
    return full


def _places(bodies: Bodies, first: Rows, second: Rows, third: Rows, layers: int) -> frozenset[str]:
    """Kinds of place where the sides can face each other, directly or by way of third copper."""
    if not len(first) or not len(second):
        return frozenset()
    layer = bodies.shapes.layer
    a, b, c = ({int(v) for v in np.unique(layer[rows])} for rows in (first, second, third))
    inner = set(range(1, layers - 1))
    found = {OUTER}
    if inner & ((a & b) | (a & c) | (b & c) | _shared(layer[third], bodies.node[third])):
        found.add(INNER)
    if len(a | b | c) > 1:
        found.add(THROUGH)
    return frozenset(found)


def _wanted(
    layout: Layout, table: SpacingTable | None, insulation: Insulation, places: frozenset[str], key: str
) -> tuple[dict[tuple[str, str], Required], list[Doubt]]:
    """Look up every distance that the board needs; a kind of place without rows is a doubt."""
    wanted: dict[tuple[str, str], Required] = {}
    doubts: list[Doubt] = []
    if table is None or insulation.working_voltage is None:
        return wanted, doubts
    for where in sorted(places):
        query = Query(where, insulation.insulation, insulation.pollution_degree, insulation.material_group)
        try:
            wanted |= _looked_up(table, insulation, insulation.working_voltage, query)
        except TableError as error:
            raise TableError(f"{error.message} (asked for at {layout.rules.place(key)})", error.place) from error
        missing = [m for m in (CLEARANCE, CREEPAGE) if table.has(m) and (m, where) not in wanted]
        solid = where != OUTER and any((m, where) in wanted for m in (CLEARANCE, CREEPAGE))
        for measure in [] if solid else missing:
            why = f"nothing can be said of {measure} there; add rows with where = {where}, or accept this with a reason"
            doubts.append(
                Doubt(f"{table.path} has no {measure} rows for {query}", why, layout.rules.place(f"{key}.table"))
            )
    return wanted, doubts


def _looked_up(
    table: SpacingTable, insulation: Insulation, working: float, query: Query
) -> Iterator[tuple[tuple[str, str], Required]]:
    voltage = insulation.clearance_voltage or working
    clearance = table.required(CLEARANCE, query, voltage, insulation.clearance_rule)
    creepage = table.required(CREEPAGE, query, working, insulation.creepage_rule)
    if clearance is not None:
        yield (CLEARANCE, query.where), clearance
    if creepage is not None:
        yield (CREEPAGE, query.where), raised(creepage, clearance)


def raised(creepage: Required, clearance: Required | None) -> Required:
    """Required creepage, not below the required clearance of the same place (IEC 60664-1: creepage never shorter)."""
    if clearance is None or clearance.value <= creepage.value:
        return creepage
    rows = f"{creepage.rows}, raised to the clearance of {clearance.rows}"
    return Required(CREEPAGE, creepage.where, clearance.value, creepage.voltage, rows)


def requirements(rules: Rules) -> Iterator[Doubt]:
    """What the tables ask of each barrier and spacing, as remarks: a report without findings must say what it proves.

    A distance is left out that no conductors may need and that cannot be looked up.
    """
    tables = _Tables(rules)
    for key, spec in _specs(rules):
        insulation, table = spec.insulation, tables.get(key, spec.insulation)
        if table is None or insulation.working_voltage is None:
            continue
        wanted: dict[tuple[str, str], Required] = {}
        for where in (OUTER, INNER, THROUGH):
            query = Query(where, insulation.insulation, insulation.pollution_degree, insulation.material_group)
            with suppress(TableError):
                wanted |= _looked_up(table, insulation, insulation.working_voltage, query)
        x = width_x(insulation, wanted.get((CLEARANCE, OUTER)))
        kind = f"{insulation.insulation} insulation, pollution degree {insulation.pollution_degree}, X = {x:g} mm"
        what = f"{' / '.join(_side_names(spec))}: {kind}"
        told = (f"{where} {measure} {one.value:g} mm ({one.rows})" for (measure, where), one in wanted.items())
        yield Doubt(what, f"held to {', '.join(told)}" if wanted else "no row matches", rules.place(key))


def _without_table(layout: Layout, separations: Sequence[Separation]) -> list[Doubt]:
    """Separations that nothing is measured for while others are, or though they have a voltage: easily overlooked."""
    why = "its clearance and creepage are not checked; name its table, or accept this with a reason"
    measured = any(s.table for s in separations)
    asking = [s for s in separations if s.insulation.asks]
    meant = [s for s in asking if measured or s.insulation.working_voltage is not None]
    return [Doubt(f"{s.title} has no table", why, layout.rules.place(s.key)) for s in meant if s.table is None]


def _missing_data(layout: Layout, separations: Sequence[Separation]) -> list[Doubt]:
    """What measuring needs of the board and the data does not tell."""
    doubts = []
    board = layout.board
    if board.outline is None:
        why = "creepage and clearance over the board's edges cannot be measured; add the profile layer to the package"
        doubts.append(Doubt("the board has no profile", why))
    if _thickness(board) is None and len(board.layers) > 1:
        why = "paths over an edge or through the board cannot be measured; give [stackup] thickness"
        doubts.append(Doubt("the board's thickness is not known", why))
    through = any(THROUGH in s.places and s.solid(THROUGH) for s in separations)
    if through and _depths(board) is None:
        why = "distances between layers cannot be measured; give [stackup] dielectric, one number per gap"
        doubts.append(Doubt("the thicknesses between the copper layers are not known", why))
    return doubts
