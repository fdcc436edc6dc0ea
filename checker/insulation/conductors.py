"""All conductors of the board as exact primitives, one row per layer.

Its copper (same row numbers as `Board.copper`), the walls of plated holes on every layer that they
pass, plated board edges on every layer, declared hardware on the faces, and inner copper that a
blind unplated hole opens, as if it lay on the face that the hole comes from: that is nearer than it
is. Bodies of one *node* are one conductor wherever they are: a named net is one node, other copper
is one node per connected piece.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from itertools import accumulate

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from checker.config.rules_file import Hardware
from checker.layout.layout import Layout, of_layout
from checker.layout.regions import floating_rows
from parsers.board import PLATED, UNPLATED, Board, Holes
from parsers.boxes import meeting_each_other, widened
from parsers.primitives import (
    NO_NET,
    TOUCH,
    Bools,
    Conductors,
    Floats,
    Ints,
    Kind,
    Rows,
    Shapes,
    concatenate,
    conductors,
)
from parsers.trouble import Doubt

# mm; a distance as large as required but for this is no shortfall: numbers in files are decimal
ROUNDING = 1e-6


class Source(IntEnum):
    """What a body is made of; `Bodies.origin` then counts in ..."""

    COPPER = 0  # ... Board.copper
    WALL = 1  # ... Board.holes: the wall of a plated hole
    EDGE = 2  # ... the lines of Board.outline.plated
    HARDWARE = 3  # ... Rules.hardware
    OPENED = 4  # ... Board.copper: inner copper that a blind unplated hole opens to a face


# looked up for every piece of long ways, where members of enumerations are slow
HARDWARE = int(Source.HARDWARE)


@dataclass(frozen=True, slots=True)
class Bodies:
    """Every conductor of the board, one row per layer; columns of length n."""

    shapes: Conductors  # `net` counts in `names`
    source: Ints  # Source
    origin: Ints
    node: Ints  # electrical node, 0 .. nodes - 1
    nodes: int
    names: tuple[str, ...]  # net names: those of the board, then nets that only hardware has
    # stated to be thieving, text or fiducial, and no reference: of no net whatever it is called
    floats: Bools
    walls: Rows  # (n, 2) plated holes, as Board.holes counts, whose walls meet

    def __len__(self) -> int:
        return len(self.source)

    def net_name(self, row: int) -> str:
        """Net name of a body; for bodies without a net, what they are."""
        net = int(self.shapes.net[row])
        if net >= 0:
            return self.names[net]
        return (
            "hardware"
            if self.source[row] == HARDWARE
            else ("no net" if net == NO_NET else "unknown net")
        )

    def on(self, layer: int, rows: Rows) -> Rows:
        """Those of the rows that are on a layer."""
        found: Rows = rows[self.shapes.layer[rows] == layer]
        return found


@of_layout
def bodies_of(layout: Layout) -> tuple[Bodies, tuple[Doubt, ...]]:
    """All conductors of a layout, and what of them is open; computed once."""
    board = layout.board
    names = [net.name for net in board.nets]
    edges, lines, doubts = _plated_edges(board)
    opened, rows = _opened(board)
    made = [_walls(board), (edges, lines), _hardware(layout, names), (opened, rows)]
    parts = [board.copper, *(part for part, _ in made)]
    shapes = concatenate(parts)
    source = np.repeat([int(s) for s in Source], [len(p) for p in parts]).astype(np.int32)
    origin = np.concatenate([np.arange(len(board.copper)), *(rows for _, rows in made)]).astype(
        np.int32
    )
    floats = np.zeros(len(shapes), dtype=np.bool_)
    floats[: len(board.copper)] = floating_rows(board) & (layout.row_region < 0)
    floats[source == Source.OPENED] = floats[rows]
    walls = walls_that_meet(board)
    node, nodes = _nodes(board, shapes, source, origin, len(names), floats, walls)
    return Bodies(shapes, source, origin, node, nodes, tuple(names), floats, walls), tuple(doubts)


def _walls(board: Board) -> tuple[Conductors, Ints]:
    """Walls of holes that are not known to be unplated, on each layer passed, at the size that the
    data gives.
    """
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


def walls_that_meet(board: Board) -> Rows:
    """Pairs of holes that are not known to be unplated and whose walls overlap or touch, shape (n,
    2), rows ascending.

    A slot of several segments is made of such holes: one conductor, whatever copper its ends touch.
    """
    holes = board.holes
    rows = np.flatnonzero(holes.plated != UNPLATED)
    one, other = _pairs_that_meet(widened(holes.bounds()[rows], TOUCH))
    apart = (
        shapely.distance(_paths(holes, rows[one]), _paths(holes, rows[other]))
        - holes.radius[rows[one]]
        - holes.radius[rows[other]]
    )
    low = np.maximum(holes.first[rows[one]], holes.first[rows[other]])
    meet = (apart <= TOUCH) & (low <= np.minimum(holes.last[rows[one]], holes.last[rows[other]]))
    pairs: Rows = np.column_stack((rows[one[meet]], rows[other[meet]]))
    return pairs


def _pairs_that_meet(boxes: Floats) -> tuple[Rows, Rows]:
    """Pairs of boxes that meet, by the first, then the second."""
    none = np.empty((0, 2), dtype=np.intp)
    pairs = np.concatenate([none, *(np.column_stack(two) for two in meeting_each_other(boxes))])
    ordered = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    return ordered[:, 0], ordered[:, 1]


def _paths(holes: Holes, rows: Rows) -> Shapes:
    paths: Shapes = shapely.linestrings(holes.ends[rows].reshape(-1, 2, 2))
    return paths


def _plated_edges(board: Board) -> tuple[Conductors, Ints, list[Doubt]]:
    """Plated edges on every layer, once per net of the copper, or wall of a plated hole, that
    touches them.
    """
    plated = board.outline.plated if board.outline is not None else None
    lines = _lines(plated)
    parts: list[Conductors] = []
    origin: list[int] = []
    doubts: list[Doubt] = []
    for number, line in enumerate(lines):
        nets = _nets_touching(board, line)
        if not nets:
            x, y = (round(v, 3) for v in line.coords[0])
            why = (
                "so its net is unknown and it counts as floating; give it copper, or declare it as"
                " [[hardware]]"
            )
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
    return [
        g if g.geom_type == "LineString" else shapely.LineString(g)
        for g in parts
        if g.geom_type in _LINES
    ]


_LINES = ("LineString", "LinearRing")


def _nets_touching(board: Board, line: shapely.Geometry) -> list[int]:
    copper = board.copper
    x0, y0, x1, y1 = line.bounds
    box = copper.bounds()
    near = (
        (box[:, 0] <= x1 + TOUCH)
        & (box[:, 2] >= x0 - TOUCH)
        & (box[:, 1] <= y1 + TOUCH)
        & (box[:, 3] >= y0 - TOUCH)
    )
    rows = np.flatnonzero(near & (copper.net >= 0))
    reach = shapely.distance(copper.skeletons(rows), line) - copper.radius[rows]
    met = [copper.net[rows[reach <= TOUCH]]]
    holes = board.holes
    rows = np.flatnonzero((holes.plated == PLATED) & (holes.net >= 0))
    reach = (
        shapely.distance(shapely.linestrings(holes.ends[rows].reshape(-1, 2, 2)), line)
        - holes.radius[rows]
    )
    met.append(holes.net[rows[reach <= TOUCH]])
    return sorted({int(net) for net in np.concatenate(met)})


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
    placed = [
        (i, item, layer)
        for i, item in enumerate(layout.rules.hardware)
        for layer in faces[item.side]
    ]
    outlines = [shapely.Polygon(item.outline) for _, item, _ in placed if item.outline]
    drawn = np.array([bool(item.outline) for _, item, _ in placed], dtype=np.bool_)
    rows = conductors(
        len(placed),
        kind=np.where(drawn, Kind.AREA, Kind.DISC),
        layer=np.array([layer for _, _, layer in placed], dtype=np.int32),
        net=np.array([_net_of(item, names) for _, item, _ in placed], dtype=np.int32),
        geometry=np.array(
            [(*(item.at or (0, 0)), 0, 0, 0) for _, item, _ in placed], dtype=np.float64
        ),
        radius=np.array([item.diameter / 2 for _, item, _ in placed], dtype=np.float64),
        area=np.where(drawn, np.cumsum(drawn) - 1, -1),
        areas=outlines,
    )
    return rows, np.array([i for i, _, _ in placed], dtype=np.int32)


def _opened(board: Board) -> tuple[Conductors, Ints]:
    """Inner copper that blind unplated holes reach, on the faces that they come from, and its
    rows.
    """
    holes, last, copper = board.holes, len(board.layers) - 1, board.copper
    blind = np.flatnonzero(
        (holes.plated == UNPLATED) & ((holes.first == 0) != (holes.last >= last))
    )
    inner = (
        np.flatnonzero((copper.layer > 0) & (copper.layer < last))
        if len(blind)
        else np.empty(0, dtype=np.intp)
    )
    openings = holes.shapes()[blind]
    row, hole = shapely.STRtree(openings).query(
        copper.skeletons(inner), "dwithin", copper.radius[inner] + TOUCH
    )
    row, hole = inner[row], blind[hole]
    reached = (holes.first[hole] <= copper.layer[row]) & (copper.layer[row] <= holes.last[hole])
    row, hole = row[reached], hole[reached]
    shapes, bores = copper.shapes(row), holes.shapes()[hole]
    # a hair wider, so that copper that ends at the wall of the hole, or next to it, is an area too
    areas = shapely.intersection(
        shapes, shapely.buffer(bores, shapely.distance(shapes, bores) + ROUNDING)
    )
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


def _nodes(
    board: Board,
    shapes: Conductors,
    source: Ints,
    origin: Ints,
    nets: int,
    floats: Bools,
    meeting: Rows,
) -> tuple[Ints, int]:
    """Named nets first, then pieces of nameless copper, then what hangs together with nothing.

    Thieving, text and fiducials that float are not of their net: else they would be no third copper
    beside it.
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
    dense: Rows = np.unique(node, return_inverse=True)[1]
    joined = _joined_walls(dense, walls, origin, meeting)
    return joined.astype(np.int32), int(joined.max(initial=-1)) + 1


def _joined_walls(node: Rows, nameless: Bools, origin: Ints, meeting: Rows) -> Rows:
    """Nodes after nameless walls that meet have become one."""
    of_hole = dict(zip(origin[nameless].tolist(), node[nameless].tolist(), strict=True))
    pairs = [(of_hole[a], of_hole[b]) for a, b in meeting.tolist() if a in of_hole and b in of_hole]
    if not pairs:
        return node
    ends: Rows = np.array(pairs, dtype=np.intp)
    count = int(node.max()) + 1
    graph = coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(count, count))
    number: Rows = connected_components(graph, directed=False)[1].astype(np.intp)
    return number[node]


def thickness_of(board: Board) -> float | None:
    """Thickness of the board in mm, None where nothing tells it."""
    stack = board.stackup
    return stack.thickness or (sum(stack.dielectric) if stack.dielectric else None)


def depths_of(board: Board) -> tuple[float, ...] | None:
    """Depth of each copper layer below the top face in mm; the outer layers lie on the faces."""
    stack, layers = board.stackup, len(board.layers)
    if len(stack.dielectric) == layers - 1 and layers > 1:
        return tuple(accumulate(stack.dielectric, initial=0.0))
    thickness = thickness_of(board)
    return (0.0, thickness) if layers == 2 and thickness else None
