"""A slow, independent measure of shortest paths on a board's surface, and random boards to try it
on.

It shares no code with the product. Points are sampled along every rim and every copper edge; every
two points of one face that see each other are joined by a line, every two points of one rim by a
straight line on the unrolled wall; Dijkstra's search does the rest. Each such path is a real path,
so the sampled length is never below the true one.

Bound: a shortest path meets rims and copper in at most four points per leg. Moving each to its
nearest sample costs at most half the spacing, so the true length is at least the sampled one less
twice the spacing per leg. `measure` then samples ever finer near the path it found; that lowers the
sampled length and keeps it a real path.

`walked` judges a path that somebody else found: whether every stretch lies where it says, and how
long it is. What it accepts is a real path, so its length is never below the true one either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import combinations, pairwise, permutations

import numpy as np
import shapely
import shapely.ops
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from shapely.affinity import rotate, translate
from shapely.geometry.polygon import orient

from checker.insulation.surface.geodesics import BOTTOM, TOP, Geodesic

SEEN = 1e-7  # mm; a line may run along a rim
ROUND = 48  # chords per quarter turn of round copper and voids here


@dataclass(frozen=True)
class Metal:
    """A piece of copper: on a face, or a stretch of rim laid bare between two depths."""

    island: int
    face: int | None
    skeleton: shapely.Geometry
    radius: float = 0.0
    above: float = 0.0
    below: float = 0.0

    @property
    def shape(self) -> shapely.Geometry:
        return self.skeleton.buffer(self.radius, quad_segs=ROUND) if self.radius else self.skeleton


@dataclass(frozen=True)
class Board:
    """A board with copper: island 0 is the source, island 1 the target, the others float."""

    region: shapely.Polygon | shapely.MultiPolygon
    passable: shapely.Polygon | shapely.MultiPolygon  # voids narrower than x all over, filled
    thickness: float
    metals: tuple[Metal, ...]
    x: float = 0.0
    axes: shapely.Geometry = field(
        default_factory=shapely.MultiLineString
    )  # middle lines of necks, to amid both rooms
    filled: shapely.Geometry = field(
        default_factory=shapely.Polygon
    )  # what is bridged of necks, at any slant
    hard: frozenset[int] = frozenset()  # islands that do not float: legs beside them count in full
    free: float | None = None  # mm; below which legs beside floating copper are free; None: x
    rings: list[shapely.LineString] = field(init=False)
    roomy: shapely.Polygon = field(init=False)  # what a line of sight must stay on

    def __post_init__(self) -> None:
        parts = [orient(part) for part in shapely.get_parts(self.region)]
        rings = [
            shapely.LineString(r.coords) for part in parts for r in (part.exterior, *part.interiors)
        ]
        object.__setattr__(self, "rings", rings)
        object.__setattr__(self, "roomy", self.passable.buffer(SEEN, join_style="mitre"))
        shapely.prepare(self.roomy)

    def clear(self, lines: np.ndarray) -> np.ndarray:
        """Which straight lines stay on the board, but for stretches over necks that are filled or
        no longer than x.
        """
        seen = shapely.covers(self.roomy, lines)
        blocked = np.flatnonzero(~seen)
        if self.axes.is_empty or not len(blocked):
            return seen
        parts, owner = shapely.get_parts(
            shapely.difference(lines[blocked], self.roomy), return_index=True
        )
        linked = (shapely.length(parts) <= self.x - 2e-6) & shapely.crosses(parts, self.axes)
        linked |= shapely.covers(self.filled, parts)
        seen[blocked] = np.bincount(owner, ~linked, minlength=len(blocked)) == 0
        return seen

    def through_voids(self, spots: Spots) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Pairs of spots that lie at two depths and are joined straight through a void, and how far
        apart they are.
        """
        return (np.empty(0, int), np.empty(0, int), np.empty(0))

    def islands(self) -> int:
        return max(m.island for m in self.metals) + 1


@dataclass(frozen=True)
class Spots:
    """Sampled points as columns."""

    at: np.ndarray  # (n, 2)
    face: np.ndarray  # -1: in a wall
    loop: np.ndarray  # -1: not on a rim
    s: np.ndarray
    above: np.ndarray  # depths
    below: np.ndarray
    metal: np.ndarray  # -1: bare board
    place: np.ndarray  # along the metal's edge

    def __len__(self) -> int:
        return len(self.s)

    def take(self, rows: np.ndarray) -> Spots:
        return Spots(*(getattr(self, f.name)[rows] for f in fields(self)))


def measure(board: Board, spacing: float, rounds: int = 4) -> float:
    """Sampled length of the shortest path from source to target as the rules count it; infinite if
    there is none.
    """
    rims = _rim_spots(board, spacing)
    lines = _lines(board, rims)
    found = {
        (a, b): _leg(board, _metals_of(board, a, b), rims, spacing, lines)
        for a, b in combinations(range(board.islands()), 2)
    }
    legs = {pair: length for pair, (length, _) in found.items()}
    best = counted(board, legs)
    for pair in chain_of(board, legs):
        length, path = found[pair]
        for k in range(rounds if np.isfinite(length) else 0):
            near = _around(board, _metals_of(board, *pair), path, spacing / 4**k)
            spots = _stacked([_rim_spots(board, np.inf), near])
            more, path = _leg(board, _metals_of(board, *pair), spots, np.inf, None)
            legs[pair] = min(legs[pair], more)
    return min(best, counted(board, legs))


def counted(board: Board, legs: dict[tuple[int, int], float]) -> float:
    """Least sum over chains of legs; beside floating copper, legs shorter than x are free."""
    return min(_sum(board, way, legs) for way in _ways(board.islands()))


def chain_of(board: Board, legs: dict[tuple[int, int], float]) -> list[tuple[int, int]]:
    """The legs of the shortest chain."""
    return legs_of(min(_ways(board.islands()), key=lambda way: _sum(board, way, legs)))


def legs_of(way: tuple[int, ...]) -> list[tuple[int, int]]:
    return [(min(p), max(p)) for p in pairwise(way)]


def _ways(islands: int) -> list[tuple[int, ...]]:
    return [(0, *via, 1) for n in range(islands - 1) for via in permutations(range(2, islands), n)]


def _sum(board: Board, way: tuple[int, ...], legs: dict[tuple[int, int], float]) -> float:
    return sum(_weight(board, pair, legs[pair]) for pair in legs_of(way))


def _weight(board: Board, pair: tuple[int, int], length: float) -> float:
    floats = any(island > 1 and island not in board.hard for island in pair)
    free = board.x if board.free is None else board.free
    return 0.0 if floats and length < free else length


def _metals_of(board: Board, a: int, b: int) -> list[Metal]:
    return [m for m in board.metals if m.island in (a, b)]


def _leg(
    board: Board,
    metals: Sequence[Metal],
    rims: Spots,
    spacing: float,
    lines: tuple[np.ndarray, ...] | None,
) -> tuple[float, Spots]:
    """Sampled length over insulation alone between the two islands of some metal, and the points of
    the path.
    """
    own = _stacked([_metal_spots(board, metals, number, spacing) for number in range(len(metals))])
    spots, known = _stacked([rims, own]), len(rims) if lines is not None else 0
    i, j, length = _lines(board, spots, known)
    if lines is not None:
        i, j, length = (np.concatenate(c) for c in zip(lines, (i, j, length), strict=True))
    p, q = _pairs(spots.loop)
    over = board.through_voids(spots)
    n = len(spots)
    on = np.flatnonzero(spots.metal >= 0)
    first = min(m.island for m in metals)
    ends = np.array([n if metals[spots.metal[k]].island == first else n + 1 for k in on], int)
    u, v = np.concatenate((i, p, over[0], on)), np.concatenate((j, q, over[1], ends))
    walls = _wall_lengths(board, spots, p, q)
    return _search(n, u, v, np.concatenate((length, walls, over[2], np.zeros(len(on)))), spots)


def _search(
    n: int, u: np.ndarray, v: np.ndarray, w: np.ndarray, spots: Spots
) -> tuple[float, Spots]:
    order = np.lexsort((w, v, u))
    u, v, w = u[order], v[order], w[order] + 1e-9  # of equal paths the one with fewest points
    first = np.concatenate(([True], (np.diff(u) != 0) | (np.diff(v) != 0)))
    graph = coo_array((w[first], (u[first], v[first])), shape=(n + 2, n + 2)).tocsr()
    far, before = dijkstra(graph, directed=False, indices=[n], return_predecessors=True)
    path, node = [], n + 1
    while np.isfinite(far[0, n + 1]) and node != n:
        node = int(before[0, node])
        path += [node] if node < n else []
    return float(far[0, n + 1]), spots.take(np.array(path, int))


def _rim_spots(board: Board, spacing: float) -> Spots:
    """Points on all rims, on both faces: corners always, between them as near as asked."""
    return _stacked(
        [
            _on_rim(board, loop, np.array(_places(ring, spacing)), face)
            for loop, ring in enumerate(board.rings)
            for face in (TOP, BOTTOM)
        ]
    )


def _on_rim(board: Board, loop: int, s: np.ndarray, face: int) -> Spots:
    n = len(s)
    depth = np.full(n, 0.0 if face == TOP else board.thickness)
    none = np.full(n, -1)
    at = shapely.get_coordinates(shapely.line_interpolate_point(board.rings[loop], s))
    return Spots(at, np.full(n, face), np.full(n, loop), s, depth, depth, none, np.zeros(n))


def _metal_spots(board: Board, metals: Sequence[Metal], number: int, spacing: float) -> Spots:
    edge = _edge(metals[number])
    if not metals[number].radius:
        return _on_metal(board, metals, number, np.array(_places(edge, spacing)))
    return _on_metal(
        board, metals, number, np.linspace(0, edge.length, 9 + int(edge.length / spacing))[:-1]
    )


def _on_metal(board: Board, metals: Sequence[Metal], number: int, places: np.ndarray) -> Spots:
    metal, n = metals[number], len(places)
    edge, flat = _edge(metal), np.zeros(n)
    at = np.tile(np.array(edge.coords), (n, 1)) if edge.geom_type == "Point" else None
    at = shapely.get_coordinates(shapely.line_interpolate_point(edge, places)) if at is None else at
    if metal.face is not None:
        none = np.full(n, -1)
        return Spots(at, np.full(n, metal.face), none, flat, flat, flat, np.full(n, number), places)
    loop = int(np.argmin([ring.distance(edge) for ring in board.rings]))
    s = shapely.line_locate_point(board.rings[loop], shapely.points(at))
    above, below = np.full(n, metal.above), np.full(n, metal.below)
    return Spots(at, np.full(n, -1), np.full(n, loop), s, above, below, np.full(n, number), places)


def _edge(metal: Metal) -> shapely.Geometry:
    return metal.shape.exterior if metal.shape.geom_type == "Polygon" else metal.shape


def _places(line: shapely.Geometry, spacing: float) -> list[float]:
    """Places along a line: its points, and between them as many as the spacing asks for."""
    points = np.asarray(line.coords)
    s = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
    more = [
        np.linspace(p, q, max(int(np.ceil((q - p) / spacing)), 1) + 1)[1:-1] for p, q in pairwise(s)
    ]
    return sorted({*s.tolist(), *(float(v) for part in more for v in part)})


def _around(board: Board, metals: Sequence[Metal], path: Spots, reach: float) -> Spots:
    """Finer samples beside the points of a path."""
    steps = np.linspace(-reach, reach, 17)
    out = []
    for k in range(len(path)):
        if path.metal[k] >= 0:
            edge = _edge(metals[path.metal[k]])
            places = path.place[k] + steps
            places = places % edge.length if edge.is_ring else np.clip(places, 0, edge.length)
            out.append(_on_metal(board, metals, int(path.metal[k]), places))
        else:
            loop = int(path.loop[k])
            places = (path.s[k] + steps) % board.rings[loop].length
            out.append(_on_rim(board, loop, places, int(path.face[k])))
    return _stacked([path, *out])


def _stacked(parts: Sequence[Spots]) -> Spots:
    return Spots(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Spots)))


def _pairs(group: np.ndarray, known: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of rows of the same group, both of them not among the first `known`; group -1 has
    none.
    """
    a, b = np.triu_indices(len(group), 1)
    kept = (group[a] == group[b]) & (group[a] >= 0) & (b >= known)
    return a[kept], b[kept]


def _lines(board: Board, spots: Spots, known: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lines between points of one face that see each other."""
    i, j = _pairs(spots.face, known)
    segments = shapely.linestrings(np.stack((spots.at[i], spots.at[j]), axis=1))
    seen = board.clear(segments)
    i, j = i[seen], j[seen]
    return i, j, np.hypot(*(spots.at[i] - spots.at[j]).T)


def _wall_lengths(board: Board, spots: Spots, i: np.ndarray, j: np.ndarray) -> np.ndarray:
    perimeter = np.array([ring.length for ring in board.rings])[spots.loop[i]]
    along = np.abs(spots.s[i] - spots.s[j])
    drop = np.maximum(
        np.maximum(spots.above[i] - spots.below[j], spots.above[j] - spots.below[i]), 0.0
    )
    return np.hypot(np.minimum(along, perimeter - along), drop)


# ----------------------------------------------------------------------------------- judging a path


def walked(board: Board, path: Geodesic, tolerance: float) -> float:
    """Length of a path as the rules count it, after checking that it is one; wrong stretches raise
    AssertionError.

    Walls are walked the shortest way between where the path meets them.
    """
    total, leg_length, before = 0.0, 0.0, None
    hops = any(stretch.on == "copper" for stretch in path.legs)
    assert _touches(board, path.legs[0], 0, path.source, tolerance), "does not begin on the source"
    assert _touches(board, path.legs[-1], -1, path.target, tolerance), "does not end on the target"
    for stretch in [*path.legs, None]:
        if stretch is None or stretch.on == "copper":
            total += leg_length if leg_length >= board.x - 1e-9 or not hops else 0.0
            leg_length = 0.0
        elif stretch.on == "wall":
            leg_length += stretch.length
        else:
            line = shapely.LineString(stretch.points)
            assert _stays(board, line, tolerance), f"{line} leaves the board"
            leg_length += line.length
        if stretch is not None and before is not None:
            gap = np.hypot(*np.subtract(before, stretch.points[0]))
            assert gap <= tolerance, f"a jump of {gap}"
        before = stretch.points[-1] if stretch else None
    _check_walls(board, path, tolerance)
    return total


def _stays(board: Board, line: shapely.LineString, tolerance: float) -> bool:
    """Whether a bent line stays on the board, but for slight stretches and those that bridge necks.

    A link may touch a corner of the board without ending there, so voids are taken wider by next to
    nothing.
    """
    near, filled = (
        board.passable.buffer(tolerance),
        board.filled.buffer(2 * tolerance),
    )  # the product fills a sliver more
    straight = np.array([shapely.LineString(ends) for ends in pairwise(line.coords)])
    parts = shapely.get_parts(shapely.difference(straight, board.passable.buffer(-20 * SEEN)))
    bridged = (shapely.length(parts) <= board.x + tolerance) & shapely.crosses(parts, board.axes)
    slight = shapely.length(parts) < tolerance
    return bool(
        (shapely.covers(near, parts) | shapely.covers(filled, parts) | bridged | slight).all()
    )


def slanting(board: Board) -> float:
    """What the product may take ways over bridged voids and down their walls shorter than is walked
    here.

    Links that slant down into a void are not sampled. One that is as long as w across and as h down
    saves w + h - hypot(w, h), which is most for w = h; a way over a wall may have one at each end.
    """
    bridged = board.passable.area > board.region.area or not board.axes.is_empty
    return 2 * (np.sqrt(2) - 1) * board.x if bridged else 0.0


def _touches(board: Board, stretch: object, end: int, island: int, tolerance: float) -> bool:
    point = shapely.Point(stretch.points[end])
    faces = {"top": (TOP,), "bottom": (BOTTOM,), "wall": (TOP, BOTTOM, None)}[stretch.on]
    mine = [m for m in board.metals if m.island == island and m.face in faces]
    return any(m.skeleton.distance(point) - m.radius <= tolerance for m in mine)


def _check_walls(board: Board, path: Geodesic, tolerance: float) -> None:
    """Every way over a wall follows one rim, and is no shorter than the unrolled wall lets it
    be.
    """
    face = {"top": TOP, "bottom": BOTTOM}
    for k, stretch in enumerate(path.legs):
        if stretch.on != "wall":
            continue
        a, b = shapely.Point(stretch.points[0]), shapely.Point(stretch.points[-1])
        ring = min(board.rings, key=lambda r: r.distance(a) + r.distance(b))
        assert ring.distance(a) + ring.distance(b) <= 2 * tolerance, "off the rim"
        along = abs(ring.project(a) - ring.project(b))
        beside = [path.legs[n].on for n in (k - 1, k + 1) if 0 <= n < len(path.legs)]
        around = {face[on] for on in beside if on in face}
        through = board.thickness if len(around) == 2 else 0.0
        least = np.hypot(min(along, ring.length - along), through)
        assert stretch.length >= least - 2 * tolerance - slanting(board), "shorter than the wall"


# ------------------------------------------------------------------------------------ random boards

WIDTH, HEIGHT = 9.0, 7.0


def random_board(rng: np.random.Generator, *, x: float, curved: bool = False) -> Board:
    """A small board with slots, round pads, strokes and areas on both faces."""
    outline = _outline(rng)
    voids, bridged = [], []
    for _ in range(rng.integers(0, 2 if curved else 4)):
        void, narrow = _void(rng, x, curved)
        inside = outline.buffer(-0.3).contains(void)
        if inside and all(void.distance(other) > 0.3 for other in voids):
            voids.append(void)
            bridged += [void] if narrow else []
    region = outline.difference(shapely.union_all(voids))
    passable = shapely.union_all([region, *bridged])
    thickness = float(rng.choice([0.4, 0.8, 1.6]))
    return Board(region, passable, thickness, _metals(rng, region, thickness), x)


def bare_board(rng: np.random.Generator, *, x: float, curved: bool = False) -> Board:
    """The same with copper of both sides in walls, or of one in a wall and of the other on a
    face.
    """
    board = random_board(rng, x=x, curved=curved)
    pads = [m for m in board.metals if m.island == 1][: int(rng.integers(0, 2))]
    sides = [_in_wall(rng, board, island) for island in (0, 1)[: 2 - len(pads)]]
    return replace(board, metals=(*sides, *pads))


def _in_wall(rng: np.random.Generator, board: Board, island: int) -> Metal:
    """Copper along any rim, often close to a face or, as a plated edge, up to it, now and then all
    round.
    """
    ring = board.rings[int(rng.integers(0, len(board.rings)))]
    start = float(rng.uniform(0, ring.length - 0.3))
    line = shapely.ops.substring(ring, start, start + float(rng.uniform(0.02, 0.3)))
    kind = int(rng.integers(0, 8))
    if kind < 2:
        above, below = [(0.0, float(rng.uniform(0.05, 1))), (float(rng.uniform(0, 0.95)), 1.0)][
            kind
        ]
        line = ring if rng.integers(0, 3) == 0 else line
        return Metal(
            island,
            None,
            shapely.LineString(line.coords),
            0.0,
            above * board.thickness,
            below * board.thickness,
        )
    deep = (
        float(rng.choice([rng.uniform(0, 0.1), rng.uniform(0, 0.96), rng.uniform(0.9, 0.96)]))
        * board.thickness
    )
    return Metal(
        island, None, shapely.LineString(line.coords), 0.0, deep, deep + 0.035 * board.thickness
    )


def necked_board(rng: np.random.Generator) -> Board:
    """A board with one void of two rooms and a neck that tapers to both, in any direction."""
    x = float(rng.uniform(0.3, 1.5))
    outline = shapely.box(0, 0, WIDTH, HEIGHT)
    thickness = float(rng.choice([0.4, 0.8, 1.6]))
    while True:
        room, deep, half = (
            rng.uniform(0.6, 1.2) * x,
            rng.uniform(1.2, 1.6) * x,
            rng.uniform(0.3, 1.0) * x,
        )
        sides = []
        for side in (1, -1):
            throat, low, high = rng.uniform(0.05, 0.48) * x, *rng.uniform(0.5, 1.0, 2) * room
            level, throat = rng.uniform(-0.5, 0.5) * half, min(throat, low, high)
            points = [
                (room, -half - deep), (room, -half), (low, -half), (throat, level), (high, half), (room, half),
                (room, half + deep),
            ]  # fmt: skip
            sides.append([(side * px, py) for px, py in points])
        void = shapely.Polygon(sides[0] + sides[1][::-1])
        axis = shapely.LineString([(0, -half - deep / 2), (0, half + deep / 2)])
        angle = float(rng.uniform(0, 180))
        at = float(rng.uniform(2, WIDTH - 2)), float(rng.uniform(2, HEIGHT - 2))
        void, axis = (translate(rotate(g, angle, origin=(0, 0)), *at) for g in (void, axis))
        if outline.buffer(-0.3).contains(void):
            region = outline.difference(void)
            metals = _metals(rng, region, thickness)
            return Board(region, region, thickness, metals, x, axis, _impassable(void, x, axis))


def _impassable(void: shapely.Polygon, x: float, axis: shapely.LineString) -> shapely.Geometry:
    """What a disc of diameter x does not pass on its way from room to room."""
    passed = void.buffer(-x / 2, quad_segs=ROUND).buffer(x / 2 + SEEN, quad_segs=ROUND)
    return shapely.union_all(
        [p for p in shapely.get_parts(void.difference(passed)) if p.intersects(axis)]
    )


def over_neck(rng: np.random.Generator) -> Board:
    """The same with one pad on each side of the neck."""
    while True:
        board = necked_board(rng)
        low, high = np.array(board.axes.coords)
        along = high - low
        square = np.array([along[1], -along[0]]) / np.hypot(*along)
        offsets = [side * square * rng.uniform(0.3, 1.8) * board.x for side in (1, -1)]
        places = [
            (low + high) / 2 + offset + along * rng.uniform(-0.45, 0.45) for offset in offsets
        ]
        pads = tuple(Metal(n, TOP, shapely.Point(at), 0.05) for n, at in enumerate(places))
        if all(board.region.buffer(-0.02).contains(pad.shape) for pad in pads):
            return replace(board, metals=pads)


def _outline(rng: np.random.Generator) -> shapely.Polygon:
    box = shapely.box(0, 0, WIDTH, HEIGHT)
    kind = rng.integers(0, 4)
    if kind == 1:  # a wide notch
        return box.difference(
            shapely.box(3.0, rng.uniform(2, 5), 3.0 + rng.uniform(1.6, 3), HEIGHT + 1)
        )
    if kind == 2:  # corners cut off
        return shapely.Polygon(
            [(1.5, 0), (WIDTH, 0), (WIDTH, 5), (WIDTH - 2, HEIGHT), (0, HEIGHT), (0, 1)]
        )
    return box


def _void(rng: np.random.Generator, x: float, curved: bool) -> tuple[shapely.Polygon, bool]:
    width, length = float(rng.choice([0.4, 0.8, 1.2])), float(rng.uniform(0.6, 4.5))
    if curved:
        start = shapely.LineString([(-length / 2, 0), (length / 2, 0)])
        shape = start.buffer(width / 2, quad_segs=ROUND)
    elif x == 0 and rng.random() < 0.3:
        shape = shapely.Point(0, 0).buffer(width, quad_segs=rng.integers(1, 4))
    else:
        shape = shapely.box(-length / 2, -width / 2, length / 2, width / 2)
    shape = rotate(shape, float(rng.choice([0, 90, rng.uniform(0, 180)])), origin=(0, 0))
    shape = translate(shape, float(rng.uniform(1, WIDTH - 1)), float(rng.uniform(1, HEIGHT - 1)))
    return shape, (width if curved else min(width, length)) < x


def _metals(
    rng: np.random.Generator, region: shapely.Polygon, thickness: float
) -> tuple[Metal, ...]:
    out: list[Metal] = []
    wanted = [0, 0, 1, 1, *range(2, 2 + rng.integers(0, 3))]
    for number, island in enumerate(wanted):
        first = number in (0, 2)  # of a side: small, and tried until it fits
        for _ in range(1000 if first else 20):
            metal = _metal(rng, region, island, thickness)
            metal = (
                Metal(island, metal.face or TOP, metal.skeleton.centroid, 0.1) if first else metal
            )
            apart = all(m.shape.distance(metal.shape) > 0.2 for m in out if m.island != island)
            fits = metal.face is None or region.buffer(-0.05).contains(metal.shape)
            if apart and fits:
                out.append(metal)
                break
    return tuple(out)


def _metal(
    rng: np.random.Generator, region: shapely.Polygon, island: int, thickness: float
) -> Metal:
    middle = np.array([rng.uniform(0.3, WIDTH - 0.3), rng.uniform(0.3, HEIGHT - 0.3)])
    face = int(rng.integers(0, 2))
    kind = rng.integers(0, 9)
    if kind < 4:
        return Metal(island, face, shapely.Point(middle), float(rng.choice([0.1, 0.3, 0.6])))
    if kind < 6:
        end = middle + rng.uniform(-2, 2, 2)
        return Metal(
            island, face, shapely.LineString([middle, end]), float(rng.choice([0.05, 0.2]))
        )
    if kind < 8:
        w, h = rng.uniform(0.2, 1.5, 2)
        x, y = middle
        return Metal(island, face, shapely.box(x, y, x + w, y + h))
    ring = orient(region).exterior
    start = float(rng.uniform(0, ring.length - 1))
    line = shapely.ops.substring(ring, start, start + float(rng.uniform(0.2, 1)))
    depth = thickness * float(rng.uniform(0.2, 0.7))
    return Metal(island, None, shapely.LineString(line.coords), 0.0, depth, depth + 0.035)


# ------------------------------------------------------------------------------- voids of any shape


@dataclass(frozen=True)
class Knotted(Board):
    """A board whose void is crossed by every chord, no longer than x, that parts it into two with a
    disc in each.
    """

    void: shapely.Polygon = field(default_factory=shapely.Polygon)

    def clear(self, lines: np.ndarray) -> np.ndarray:
        """Which straight lines stay on the board, but for such chords."""
        seen = shapely.covers(self.roomy, lines)
        blocked = np.flatnonzero(~seen)
        parts, owner = shapely.get_parts(
            shapely.difference(lines[blocked], self.roomy), return_index=True
        )
        linked = shapely.length(parts) <= self.x - 2e-6
        unsure = np.bincount(owner, ~linked, minlength=len(blocked)) > 0
        linked &= ~unsure[owner]
        linked[linked] = [self._parts_rooms(part) for part in parts[linked]]
        seen[blocked] = np.bincount(owner, ~linked, minlength=len(blocked)) == 0
        return seen

    def _parts_rooms(self, chord: shapely.LineString) -> bool:
        (x0, y0), (x1, y1) = chord.coords[0], chord.coords[-1]
        over = np.array([x1 - x0, y1 - y0]) / chord.length * 1e-5
        cut = shapely.LineString(
            [(x0 - over[0], y0 - over[1]), (x1 + over[0], y1 + over[1])]
        ).buffer(1e-6)
        return (
            sum(
                not part.buffer(-self.x / 2).is_empty
                for part in shapely.get_parts(self.void.difference(cut))
            )
            > 1
        )


def knotted_board(rng: np.random.Generator) -> Knotted:
    """A void of two or three rooms of any shape, strung together by necks, and a pad on two sides
    of it.
    """
    x = float(rng.uniform(0.3, 1.5))
    outline = shapely.box(0, 0, WIDTH, HEIGHT)
    while True:
        steps = rng.uniform(-1, 1, (rng.integers(2, 4), 2)) * 2.2 * x
        middles = np.array([WIDTH / 2, HEIGHT / 2]) + np.cumsum(steps, axis=0)
        rooms = [_blob(rng, at, rng.uniform(0.55, 1.3) * x) for at in middles]
        necks = [
            shapely.LineString([a, b]).buffer(rng.uniform(0.03, 0.4) * x, cap_style="flat")
            for a, b in pairwise(middles)
        ]
        void = shapely.union_all([*rooms, *necks])
        if void.geom_type != "Polygon" or void.interiors or not outline.buffer(-0.3).contains(void):
            continue
        region = outline.difference(void)
        at = [_beside(rng, region, void, x) for _ in range(2)]
        line = shapely.LineString(at)
        if line.intersection(void).length > 0.1 * x and line.length < 3 * x:
            pads = tuple(Metal(n, TOP, shapely.Point(p), 0.05) for n, p in enumerate(at))
            return Knotted(region, region, 0.8, pads, x, void=void)


def _blob(rng: np.random.Generator, at: np.ndarray, size: float) -> shapely.Polygon:
    angles = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(4, 9)))
    reach = size * rng.uniform(0.6, 1.4, len(angles))
    points = at + np.column_stack((reach * np.cos(angles), reach * np.sin(angles)))
    return (
        shapely.MultiPoint(points).convex_hull
        if rng.random() < 0.5
        else shapely.Polygon(points).buffer(0)
    )


def _beside(
    rng: np.random.Generator, region: shapely.Polygon, void: shapely.Polygon, x: float
) -> np.ndarray:
    rim = void.exterior
    while True:
        at = (
            np.array(rim.interpolate(rng.uniform(0, rim.length)).coords[0])
            + rng.uniform(-0.7, 0.7, 2) * x
        )
        if region.buffer(-0.07).contains(shapely.Point(at)):
            return at
