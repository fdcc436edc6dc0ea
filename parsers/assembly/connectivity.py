"""Islands of touching copper, pieces joined by plated holes, names spread over them, contacts
between nets.

Copper conducts whatever the data calls it. Two objects on a layer are joined if they touch (within
TOUCH); a plated hole joins the copper that reaches its wall or lies over it, on every layer that it
passes, and has the net of its pads where the data tells none. Conductors whose net is unknown, or
that are stated to belong to no net (text, thieving, fiducials), are *nameless*: a connected patch
of them that touches one net only takes that name; one that touches several is left as it is, and
the nets are in contact. Pads of one pin are joined inside the part (see `pins`), etched parts go
with one of the conductors that they join (see `etched`).

A hole of unknown plating counts as plated if flashed pads surround it: conduction shows shorts, and
its doubt has been raised by the reader of the drills. Antipads need no special care: composed
shapes have their clearances cut out.

Cost: near linear. Candidate pairs come from bounding boxes in bulk; distances are skeleton
distances less the radii, large areas by prepared geometry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from parsers.assembly.diagnostics import counted
from parsers.assembly.etched import FUNCTION as ETCHED
from parsers.assembly.etched import cut_etched
from parsers.assembly.pins import function_mask, legs, with_one_net_per_open_pin, with_pins_of_holes
from parsers.assembly.touching import Pairs, Touchable, touching
from parsers.board import PLATED, Connectivity, Contact, Holes, Layer, Net
from parsers.primitives import NO_NET, TOUCH, UNKNOWN_NET, Conductors, Floats, Ints, Kind, Rows
from parsers.trouble import Doubt, Place

PLACE = 0.5  # mm; contacts of two nets nearer than this are one place
PLACES = 100  # contacts told per pair of nets; a pair that touches never loses its first
LINKS = 400  # touching pairs per pair of nets whose exact place is worked out before clustering


@dataclass(frozen=True, slots=True)
class Connected:
    """Copper and holes with the nets that connection gives them."""

    copper: Conductors
    holes: Holes
    connectivity: Connectivity
    doubts: tuple[Doubt, ...]
    remarks: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class _Graph:
    """Nodes are the conductors, then the holes; edges say that they touch."""

    edges: Pairs
    conductors: int
    nodes: int
    label: Ints  # net per node
    legs: Pairs  # pads of one pin, joined inside the part
    cut: Pairs  # edges from etched parts to what they do not go with
    links: npt.NDArray[np.intp]  # of the cut edges, see etched.Cut

    @property
    def every(self) -> Pairs:
        """All pairs that may be spoken of: edges, legs, cut edges."""
        return np.concatenate((self.edges, self.legs, self.cut))

    @property
    def spreading(self) -> Pairs:
        """Pairs over which names spread."""
        return np.concatenate((self.edges, self.legs))


@dataclass(frozen=True, slots=True)
class _Joined:
    """What contacts are told from: the copper, and the graph with spread names."""

    copper: Conductors
    holes: Holes
    graph: _Graph
    shapes: Touchable


def connect(
    copper: Conductors,
    holes: Holes,
    nets: Sequence[Net],
    layers: int,
    functions: Sequence[str] = (),
    refdes: Sequence[str] = (),
    jobs: int = 1,
) -> Connected:
    """Find islands (contact on a layer within TOUCH) and pieces (joined through plated holes), and
    spread net names.

    A conductor whose net is unknown takes the one name found on its piece; two names on one piece
    of copper are a Contact (copper of two nets touches) and never silently resolved. Rows that stay
    unknown are left UNKNOWN_NET.

    Parameters
    ----------
    layers : number of copper layers
    functions : texts of the column `function`: via lands and etched parts are told by them
    refdes : texts of the column `component`
    jobs : layers that may be looked at at a time; the result is the same

    Notes
    -----
    About 2 s per million strokes of ordinary density.
    """
    touchable = Touchable(copper)
    touch = touching(touchable, holes, layers, jobs)
    walls = _conducting(copper, holes, touch.walls)
    copper = with_pins_of_holes(copper, holes, walls, functions)
    copper, holes = with_one_net_per_open_pin(copper, holes, touch.copper, nets, refdes)
    holes = replace(holes, net=_nets_of_pads(copper, holes, walls))
    graph = _graph(
        copper,
        holes,
        np.concatenate((touch.copper, walls + np.array([0, len(copper)]))),
        functions,
        refdes,
    )
    patch = _patches(graph)
    names = _names_by_patch(graph, patch)
    named = replace(graph, label=_spread(graph, patch, names))
    after = replace(copper, net=named.label[: len(copper)])
    connectivity = _connectivity(_Joined(after, holes, named, touchable), names)
    touchable.release()
    return Connected(
        copper=after,
        holes=replace(holes, net=named.label[len(copper) :]),
        connectivity=connectivity,
        doubts=(),
        remarks=_joined_without_net(copper, after, nets),
    )


def unknown_net_doubts(
    copper: Conductors, layers: Sequence[Layer], files: Sequence[str]
) -> tuple[Doubt, ...]:
    """One doubt per layer that has copper whose net neither the data nor its connections tell."""
    doubts = []
    for index, layer in enumerate(layers):
        rows = np.flatnonzero((copper.layer == index) & (copper.net == UNKNOWN_NET))
        if not len(rows):
            continue
        first = int(rows[0])
        x, y = _middle(copper, first)
        file = files[copper.file[first]] if copper.file[first] < len(files) else layer.name
        doubts.append(
            Doubt(
                counted(f"copper of unknown net on {layer.id}", len(rows), "objects"),
                f"{len(rows)} of {int((copper.layer == index).sum())} objects have no net, for"
                " example at "
                f"({x:.3f}, {y:.3f}); export nets with the layers, add an IPC-D-356 netlist, or"
                " name it in the rules: "
                f'[net.NAME] at = [[{x:.3f}, {y:.3f}, "{layer.id}"]]',
                Place(file, int(copper.line[first]) or None),
            )
        )
    return tuple(doubts)


def _middle(copper: Conductors, row: int) -> tuple[float, float]:
    """A place on the conductor."""
    point = shapely.point_on_surface(copper.take(np.array([row])).shapes()[0])
    return float(point.x), float(point.y)


# ---------------------------------------------------------------------------------------------------- spreading names


def _conducting(copper: Conductors, holes: Holes, walls: Pairs) -> Pairs:
    """Drop the walls of holes that are not known to be plated and have no pad."""
    padded = np.zeros(len(holes), dtype=bool)
    padded[walls[copper.pad[walls[:, 0]], 1]] = True
    conducting = (holes.plated == PLATED) | padded
    kept: Pairs = walls[conducting[walls[:, 1]]]
    return kept


def _nets_of_pads(copper: Conductors, holes: Holes, walls: Pairs) -> Ints:
    """Net column of holes; one whose net is not told has that of its pads, if they agree."""
    on_pad = walls[copper.pad[walls[:, 0]] & (copper.net[walls[:, 0]] >= 0)]
    low = np.full(len(holes), np.iinfo(np.int32).max, dtype=np.int32)
    high = np.full(len(holes), -1, dtype=np.int32)
    np.minimum.at(low, on_pad[:, 1], copper.net[on_pad[:, 0]])
    np.maximum.at(high, on_pad[:, 1], copper.net[on_pad[:, 0]])
    agreed: Ints = np.where((holes.net == UNKNOWN_NET) & (low == high), high, holes.net).astype(
        np.int32
    )
    return agreed


def _graph(
    copper: Conductors, holes: Holes, edges: Pairs, functions: Sequence[str], refdes: Sequence[str]
) -> _Graph:
    """Conductors and holes as one graph, etched parts cut off all conductors but one."""
    nodes = len(copper) + len(holes)
    label = np.concatenate((copper.net, holes.net)).astype(np.int32)
    etched = np.zeros(nodes, dtype=np.bool_)
    etched[: len(copper)] = function_mask(copper, functions, (ETCHED,))
    cut = cut_etched(edges, label, etched)
    return _Graph(
        edges=edges[cut.kept],
        conductors=len(copper),
        nodes=nodes,
        label=label,
        legs=legs(copper, refdes),
        cut=edges[~cut.kept],
        links=cut.links,
    )


def _components(nodes: int, edges: Pairs) -> Ints:
    """Connected component of each node, numbered in order of first appearance."""
    ones = np.ones(len(edges), dtype=np.int8)
    matrix = coo_array((ones, (edges[:, 0], edges[:, 1])), shape=(nodes, nodes))
    _, component = connected_components(matrix, directed=False)
    return _renumber(component)


def _renumber(ids: npt.NDArray[np.integer]) -> Ints:
    """Number ids (from 0, few gaps) by first appearance, so that they depend on nothing but the
    order of the rows.
    """
    count = int(ids.max(initial=-1)) + 1
    first = np.full(count, len(ids), dtype=np.intp)
    first[ids[::-1]] = np.arange(len(ids))[::-1]  # the last of several that are written stands
    rank = np.empty(count, dtype=np.int32)
    rank[np.argsort(first, kind="stable")] = np.arange(count, dtype=np.int32)
    numbered: Ints = rank[ids]
    return numbered


def _patches(graph: _Graph) -> Ints:
    """Connected patch of nameless nodes that each node belongs to (a named node is alone)."""
    nameless = graph.label < 0
    pairs = graph.spreading
    return _components(graph.nodes, pairs[nameless[pairs].all(axis=1)])


def _names_by_patch(graph: _Graph, patch: Ints) -> Pairs:
    """Rows (patch, net, edge) without repetition: the nets that a nameless patch touches, and where
    first.
    """
    pairs = graph.spreading
    nameless = graph.label[pairs] < 0
    border = np.flatnonzero(nameless[:, 0] != nameless[:, 1])
    inner = np.where(nameless[border, 0], 0, 1)
    rows = np.arange(len(border))
    table = np.column_stack(
        (
            patch[pairs[border][rows, inner]],
            graph.label[pairs[border][rows, 1 - inner]],
            border,
        )
    ).astype(np.intp)
    _, first = np.unique(table[:, :2], axis=0, return_index=True)
    return table[first]


def _spread(graph: _Graph, patch: Ints, names: Pairs) -> Ints:
    """Labels after every nameless patch that touches one net has taken its name."""
    patches, first, count = np.unique(names[:, 0], return_index=True, return_counts=True)
    name = np.full(graph.nodes, UNKNOWN_NET, dtype=np.int32)
    alone = count == 1
    name[patches[alone]] = names[first[alone], 1]
    found = name[patch]
    label: Ints = np.where((graph.label < 0) & (found >= 0), found, graph.label).astype(np.int32)
    return label


def _joined_without_net(
    before: Conductors, after: Conductors, nets: Sequence[Net]
) -> tuple[Doubt, ...]:
    """Tell which copper was stated to have no net and touches one."""
    rows = np.flatnonzero((before.net == NO_NET) & (after.net >= 0))
    remarks = []
    for layer, net in np.unique(np.column_stack((after.layer[rows], after.net[rows])), axis=0):
        here = rows[(after.layer[rows] == layer) & (after.net[rows] == net)]
        x, y = _middle(after, int(here[0]))
        name = nets[net].name if net < len(nets) else str(net)
        what = f"copper without a net touches {name} on L{layer + 1}"
        remarks.append(
            Doubt(what, f"{len(here)} objects taken as {name}, for example at ({x:.3f}, {y:.3f})")
        )
    return tuple(remarks)


# --------------------------------------------------------------------------------------- the result


def _connectivity(joined: _Joined, names: Pairs) -> Connectivity:
    """Islands, pieces and contacts of a graph whose names have been spread."""
    graph, n = joined.graph, joined.graph.conductors
    ends = graph.label[graph.edges]
    alike = (ends[:, 0] == ends[:, 1]) | (ends < 0).all(axis=1)
    flat = graph.edges[:, 1] < n
    island = _components(n, graph.edges[alike & flat])
    piece, hole_piece = _pieces(island, graph, graph.edges[~flat])
    return Connectivity(island, piece, hole_piece, _contacts(joined, names))


def _pieces(island: Ints, graph: _Graph, walls: Pairs) -> tuple[Ints, Ints]:
    """Join islands of one net through holes: piece per conductor, and per hole (-1 where its wall
    meets no copper).

    A hole joins the islands of each net that it touches, not those of different nets; its own piece
    is that of its net, or if it has none, of the first copper that it touches.
    """
    count = int(island.max()) + 1 if len(island) else 0
    net = graph.label[walls[:, 0]]
    node = count + _numbered(walls[:, 1], net)
    edges = island[walls[:, 0]].astype(np.int64) * (int(node.max(initial=0)) + 1) + node
    through = np.column_stack(np.divmod(np.unique(edges), int(node.max(initial=0)) + 1))
    joints = np.vstack((through, _joined_by_legs(graph, island)))
    group = _components(int(joints.max(initial=count - 1)) + 1, joints)
    piece = _renumber(group[island]) if count else island
    hole_piece = np.full(graph.nodes - graph.conductors, -1, dtype=np.int32)
    order = np.lexsort((walls[:, 0], net != graph.label[walls[:, 1]], walls[:, 1]))
    hole, first = np.unique(walls[order, 1], return_index=True)
    hole_piece[hole - graph.conductors] = piece[walls[order[first], 0]]
    return piece, hole_piece


def _numbered(one: Rows, other: Ints) -> Rows:
    """Number of each row's pair of values among the different pairs."""
    least = int(other.min(initial=0))
    key = one.astype(np.int64) * (int(other.max(initial=0)) - least + 1) + (other - least)
    number: Rows = np.unique(key, return_inverse=True)[1].reshape(-1)
    return number


def _joined_by_legs(graph: _Graph, island: Ints) -> Pairs:
    """Pairs of islands that the legs of a pin join inside its part, (n, 2)."""
    ends = graph.label[graph.legs]
    alike = (ends[:, 0] == ends[:, 1]) | (ends < 0).all(axis=1)
    pairs: Pairs = np.unique(island[graph.legs[alike]], axis=0)
    return pairs


def _contacts(joined: _Joined, names: Pairs) -> tuple[Contact, ...]:
    """Contacts between nets: touching copper, holes in foreign copper, nameless patches and etched
    parts between.
    """
    graph = joined.graph
    links = _links(joined, names)
    if not len(links):
        return ()
    links = links[_ranks(_keys(graph, links)) < LINKS]
    at, layer = _meeting_places(joined, graph.every[links[:, 2]])
    links, at, layer = _every_place(joined, links, at, layer)
    told = _one_per_place(_keys(graph, links), at, layer)
    rows = _standing_rows(graph, links[told, :2])
    return tuple(
        Contact((a, b), (x, y), None if on < 0 else on, (row_a, row_b), part)
        for (a, b, part), (x, y), on, (row_a, row_b) in zip(
            _keys(graph, links[told]).tolist(),
            at[told].tolist(),
            layer[told].tolist(),
            rows.tolist(),
            strict=True,
        )
    )


def _links(joined: _Joined, names: Pairs) -> Pairs:
    """Pairs of nodes of two nets that are connected: rows (node, node, edge, part), by nets, the
    lower net first.
    """
    graph = joined.graph
    ends = graph.label[graph.edges]
    edge = np.flatnonzero((ends >= 0).all(axis=1) & (ends[:, 0] != ends[:, 1]))
    plain = np.concatenate((np.column_stack((graph.edges[edge], edge)), _bridged(graph, names)))
    links = np.concatenate(
        (np.column_stack((plain, np.full(len(plain), -1))), _etched_links(joined))
    )
    labels = graph.label[links[:, :2]]
    swap = labels[:, 0] > labels[:, 1]
    links[swap, :2] = links[swap, 1::-1]
    ordered: Pairs = links[
        np.lexsort((links[:, 1], links[:, 0], links[:, 3], labels.max(axis=1), labels.min(axis=1)))
    ]
    return ordered


def _etched_links(joined: _Joined) -> Pairs:
    """Rows (node, node, edge, part) for the nets that etched parts join; part -1 where none is
    told.
    """
    graph, component = joined.graph, joined.copper.component
    ends = graph.label[graph.links[:, :2]]
    rows = np.flatnonzero((ends >= 0).all(axis=1) & (ends[:, 0] != ends[:, 1]))
    cut = np.arange(len(graph.cut)) + len(graph.edges) + len(graph.legs)
    told = np.r_[component, np.full(graph.nodes - graph.conductors, -1)]
    beside = told[graph.links[rows, :2]]
    shared = np.where(beside[:, 0] == beside[:, 1], beside[:, 0], -1)
    own = told[graph.links[rows, 3]]
    return np.column_stack(
        (graph.links[rows, :2], cut[rows], np.where(own >= 0, own, shared))
    ).astype(np.intp)


def _keys(graph: _Graph, links: Pairs) -> Ints:
    """Both nets and the part of each link, shape (m, 3): links that agree in these are one
    matter.
    """
    return np.column_stack((graph.label[links[:, :2]], links[:, 3])).astype(np.int32)


def _bridged(graph: _Graph, names: Pairs) -> Pairs:
    """Pairs of named nodes that a nameless patch joins, and the edge where the second one meets the
    patch.

    N nets on a patch give N - 1 pairs, each net with the next one; the chain tells that all of them
    are connected.
    """
    several = np.flatnonzero(names[1:, 0] == names[:-1, 0])
    ends = graph.spreading[names[:, 2]]
    node = np.where(graph.label[ends[:, 0]] == names[:, 1], ends[:, 0], ends[:, 1])
    return np.column_stack((node[several], node[several + 1], names[several + 1, 2])).astype(
        np.intp
    )


def _ranks(keys: Ints) -> Rows:
    """Place of each row among its equals, for rows that are sorted so that equals stand
    together.
    """
    starts = np.flatnonzero(np.r_[True, (keys[1:] != keys[:-1]).any(axis=1)])
    ranks: Rows = np.arange(len(keys)) - np.repeat(starts, np.diff(np.r_[starts, len(keys)]))
    return ranks


def _meeting_places(joined: _Joined, edges: Pairs) -> tuple[Floats, Ints]:
    """Where the two nodes of each edge meet, and on which layer (-1 in a hole)."""
    n, copper = joined.graph.conductors, joined.copper
    at, layer = np.empty((len(edges), 2)), np.full(len(edges), -1, dtype=np.int32)
    walls = edges[:, 1] >= n
    at[walls] = joined.holes.ends[edges[walls, 1] - n].reshape(-1, 2, 2).mean(axis=1)
    a, b = edges[~walls, 0], edges[~walls, 1]
    layer[~walls] = copper.layer[a]
    first, second = joined.shapes.skeletons(a), joined.shapes.skeletons(b)
    for both in np.flatnonzero(joined.shapes.big[a] & joined.shapes.big[b]):
        first[both], second[both] = _clipped(first[both], second[both])
    ends = shapely.get_coordinates(shapely.shortest_line(first, second)).reshape(-1, 2, 2)
    reach = np.maximum(np.column_stack((copper.radius[b], copper.radius[a])), 1e-9)
    at[~walls] = np.average(ends, axis=1, weights=np.repeat(reach[:, :, None], 2, axis=2))
    return at, layer


def _every_place(
    joined: _Joined, links: Pairs, at: Floats, layer: Ints
) -> tuple[Pairs, Floats, Ints]:
    """The same with a row for each place where two areas touch: one pour may reach another by
    several bridges.
    """
    ends = joined.graph.every[links[:, 2]]
    flat = ends[:, 1] < joined.graph.conductors
    areas = joined.copper.kind[np.where(flat[:, None], ends, 0)] == Kind.AREA
    places = [point[None] for point in at]
    for row in np.flatnonzero(flat & areas.all(axis=1)):
        overlap = shapely.intersection(
            *shapely.buffer(_clipped(*joined.shapes.skeletons(ends[row])), TOUCH / 2)
        )
        parts = shapely.get_parts(overlap)
        if len(parts) > 1:
            places[row] = shapely.get_coordinates(shapely.point_on_surface(parts))
    again = np.repeat(np.arange(len(links)), [len(points) for points in places])
    return links[again], np.concatenate(places), layer[again]


def _clipped(a: shapely.Geometry, b: shapely.Geometry) -> tuple[shapely.Geometry, shapely.Geometry]:
    """Two large areas, cut down to where they can meet; left whole where nothing would remain."""
    boxes = shapely.bounds([a, b])
    low, high = boxes[:, :2].max(axis=0) - TOUCH, boxes[:, 2:].min(axis=0) + TOUCH
    parts = tuple(shapely.clip_by_rect(shape, *low, *high) for shape in (a, b))
    return (a, b) if any(part.is_empty for part in parts) else parts


def _one_per_place(keys: Ints, at: Floats, layer: Ints) -> Rows:
    """The first link of each place where two nets touch, at most PLACES for each pair of nets (and
    part).

    Contact in a hole is the same place as contact on a layer beside it.
    """
    group = np.cumsum(np.r_[False, (keys[1:] != keys[:-1]).any(axis=1)])
    cells = np.column_stack((group, layer, np.floor(at / PLACE)))
    links = np.sort(
        np.unique(cells, axis=0, return_index=True)[1]
    )  # few per place, however many touch there
    group, at, layer = group[links], at[links], layer[links]
    points = shapely.points(at)
    near = shapely.STRtree(points).query(points, predicate="dwithin", distance=PLACE).T
    near = near[(near[:, 0] < near[:, 1]) & (group[near[:, 0]] == group[near[:, 1]])]
    first, second = near[:, 0], near[:, 1]
    beside = (layer[first] < 0) != (layer[second] < 0)
    repeated = np.unique(np.where(layer[first] < 0, first, second)[beside])
    _, told = np.unique(
        _components(len(at), near[layer[first] == layer[second]]), return_index=True
    )
    kept: Rows = links[np.setdiff1d(told, repeated)]
    return kept[_ranks(keys[kept]) < PLACES]


def _standing_rows(graph: _Graph, links: Pairs) -> Pairs:
    """Conductors that stand for linked nodes: themselves; for a hole, copper of its own net or
    whatever touches it.
    """
    rows = links.copy()
    walls = graph.edges[graph.edges[:, 1] >= graph.conductors]
    foreign = graph.label[walls[:, 0]] != graph.label[walls[:, 1]]
    walls = walls[np.lexsort((walls[:, 0], foreign, walls[:, 1]))]
    is_hole = links >= graph.conductors
    rows[is_hole] = walls[np.searchsorted(walls[:, 1], links[is_hole]), 0]
    return rows
