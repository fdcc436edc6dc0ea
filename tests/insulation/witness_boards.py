"""Random boards for witnesses of creepage: free edges of every kind, copper of both sides beside
them.

Each is small, so that sampled searches end, and lies at a random angle.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from shapely.affinity import rotate, translate

from checker.insulation.surface.geodesics import BOTTOM, TOP
from tests.insulation.mesh_witness import pinched
from tests.insulation.oracle import Board, Metal

WIDE, HIGH = 14.0, 9.0  # mm
WIDTHS = (0.25, 0.5, 1.0, 1.5)  # X of the three pollution degrees, and one of a reduced X
APART = 0.15  # mm; copper of both sides keeps that distance
Shape = Callable[[np.random.Generator, float, int], shapely.Geometry]


def witness_board(
    rng: np.random.Generator, *, x: float, round_: int = 8, floating: int = 0
) -> Board:
    """A board with one or two kinds of voids between its sides.

    Parameters
    ----------
    x : mm; what the voids are about as wide as, 1 mm where it is 0
    round_ : chords per quarter turn of round voids
    floating : at most so many pieces of copper of neither side
    """
    while True:
        kinds = rng.choice(len(SHAPES), size=int(rng.integers(1, 3)), replace=False)
        void = shapely.union_all([SHAPES[kind](rng, x or 1.0, round_) for kind in kinds])
        region = rotate(
            shapely.box(0, 0, WIDE, HIGH).difference(void),
            float(rng.uniform(0, 360)),
            origin=(0, 0),
        )
        thickness = float(rng.choice([0.4, 0.8, 1.6, 3.2]))
        if not region.is_valid or pinched(region) or region.buffer(-0.4).is_empty:
            continue
        metals = _copper(rng, region, thickness, floating)
        if metals is not None:
            return Board(region, region, thickness, metals, x)


def castellations(rng: np.random.Generator, x: float, round_: int) -> shapely.Geometry:
    """Half holes along two edges."""
    pitch = float(rng.uniform(0.8, 2.54))
    shift = float(rng.uniform(-0.1, 0.1))
    places = [(p, edge + shift) for p in np.arange(1, WIDE - 1, pitch) for edge in (0.0, HIGH)]
    return shapely.union_all(
        [shapely.Point(at).buffer(pitch * 0.3, quad_segs=round_) for at in places]
    )


def mouse_bites(rng: np.random.Generator, x: float, round_: int) -> shapely.Geometry:
    """A milled gap interrupted by a web with rows of small holes."""
    wide, radius = float(rng.uniform(0.5, 2) * x), float(rng.uniform(0.15, 0.4))
    middle, low = WIDE / 2, float(rng.uniform(1, HIGH - 4))
    gap = shapely.box(middle - wide / 2, -1, middle + wide / 2, HIGH + 1)
    web = shapely.box(middle - wide, low, middle + wide, low + 3)
    steps = np.arange(low + 0.37, low + 3, radius * rng.uniform(2.2, 4))
    holes = [
        shapely.Point(middle + side * (wide / 2 + 0.05), y).buffer(radius, quad_segs=round_)
        for side in (-1, 1)
        for y in steps
    ]
    return shapely.union_all([gap.difference(web), *holes])


def grooves(rng: np.random.Generator, x: float, round_: int) -> shapely.Geometry:
    """V grooves of any angle, upright or leaning, cut into the outline from both sides."""
    cuts = []
    for edge, way in ((0.0, 1.0), (HIGH, -1.0)):
        for at in rng.uniform(4, WIDE - 4, int(rng.integers(0, 3))):
            half, deep, lean = (
                x * rng.uniform(0.2, 3),
                float(rng.uniform(0.5, 5)),
                float(rng.uniform(-2, 2)),
            )
            tip = (at + lean, edge + way * deep)
            cuts.append(
                shapely.Polygon(
                    [(at - half, edge), tip, (at + half, edge), (at, edge - way)]
                ).buffer(0)
            )
    return shapely.union_all(cuts)


def notches(rng: np.random.Generator, x: float, round_: int) -> shapely.Geometry:
    """Notches with a floor, parallel or converging, and now and then with a round floor."""
    cuts = []
    for at in rng.uniform(4, WIDE - 4, int(rng.integers(1, 3))):
        wide, deep = x * rng.uniform(0.5, 2), float(rng.uniform(1, 6))
        floor = wide * rng.choice([1.0, rng.uniform(0.2, 1.6)])
        corners = [
            (at - wide / 2, -1),
            (at - floor / 2, deep),
            (at + floor / 2, deep),
            (at + wide / 2, -1),
        ]
        cuts.append(shapely.Polygon(corners))
        if rng.random() < 0.3:
            cuts.append(shapely.Point(at, deep).buffer(floor / 2, quad_segs=round_))
    return shapely.union_all(cuts)


def parts(rng: np.random.Generator, x: float, round_: int) -> shapely.Geometry:
    """Gaps between board parts, bent and about as wide as X."""
    at, bend = WIDE * rng.uniform(0.4, 0.6), float(rng.uniform(-2, 2))
    line = shapely.LineString([(at, -1), (at + bend, HIGH * rng.uniform(0.3, 0.7)), (at, HIGH + 1)])
    return line.buffer(x * rng.uniform(0.3, 0.7), cap_style="flat", join_style="mitre")


def slots(rng: np.random.Generator, x: float, round_: int) -> shapely.Geometry:
    """Slots of several segments, round or square at the ends."""
    out = []
    for _ in range(int(rng.integers(1, 3))):
        n = int(rng.integers(2, 5))
        points = np.column_stack((rng.uniform(4.5, 9.5, n), np.sort(rng.uniform(1, HIGH - 1, n))))
        caps = str(rng.choice(["round", "flat"]))
        out.append(
            shapely.LineString(points).buffer(
                x * rng.uniform(0.2, 0.8), quad_segs=round_, cap_style=caps
            )
        )
    return shapely.union_all(out)


def rooms(rng: np.random.Generator, x: float, round_: int) -> shapely.Geometry:
    """Two to five rooms wider than X in a row, joined by necks narrower than X."""
    count = int(rng.integers(2, 6))
    at = np.linspace(1.2, HIGH - 1.2, count)
    lean = rng.uniform(-0.6, 0.6, count)
    bulges = [
        _room(rng, WIDE / 2 + dx, y, x * rng.uniform(0.52, 0.95), round_)
        for dx, y in zip(lean, at, strict=True)
    ]
    middle = shapely.LineString(np.column_stack((WIDE / 2 + lean, at)))
    return shapely.union_all([*bulges, middle.buffer(x * rng.uniform(0.1, 0.48), cap_style="flat")])


def _room(
    rng: np.random.Generator, at: float, y: float, size: float, round_: int
) -> shapely.Geometry:
    if rng.random() < 0.5:
        return shapely.Point(at, y).buffer(size, quad_segs=round_)
    square = translate(shapely.box(-size, -size * rng.uniform(0.9, 1.4), size, size), at, y)
    return rotate(square, float(rng.uniform(0, 90)))


SHAPES: tuple[Shape, ...] = (castellations, mouse_bites, grooves, notches, parts, slots, rooms)


# ------------------------------------------------------------------------------------------- copper


def _copper(
    rng: np.random.Generator, region: shapely.Geometry, thickness: float, floating: int
) -> tuple[Metal, ...] | None:
    """Copper of both sides, and some of neither; None where no place was found for a side."""
    out: list[Metal] = []
    wanted = [0, 1, *rng.choice([0, 1], int(rng.integers(0, 4)))]
    wanted += range(2, 2 + int(rng.integers(0, floating + 1)))
    for island in wanted:
        for _ in range(60):
            metal = _piece(rng, region, int(island), thickness)
            if metal is not None and all(_apart(metal, other) for other in out):
                out.append(metal)
                break
    sides = {metal.island for metal in out}
    return tuple(out) if {0, 1} <= sides else None


def _apart(one: Metal, two: Metal) -> bool:
    return one.island == two.island or one.shape.distance(two.shape) > APART


def _piece(
    rng: np.random.Generator, region: shapely.Geometry, island: int, thickness: float
) -> Metal | None:
    """A pad, a track, an area or copper laid bare in a wall."""
    face, kind = int(rng.choice([TOP, BOTTOM])), int(rng.integers(0, 8))
    low, bottom, high, top = region.bounds
    middle = np.array([rng.uniform(low, high), rng.uniform(bottom, top)])
    if kind == 7:
        return _laid_bare(rng, region, island, thickness)
    if kind < 4:
        metal = Metal(island, face, shapely.Point(middle), float(rng.choice([0.1, 0.3, 0.6])))
    elif kind < 6:
        metal = Metal(
            island, face, shapely.LineString([middle, middle + rng.uniform(-2, 2, 2)]), 0.1
        )
    else:
        area = rotate(
            shapely.box(*middle, *(middle + rng.uniform(0.3, 2, 2))), float(rng.uniform(0, 90))
        )
        metal = Metal(island, face, area)
    return metal if region.buffer(-0.02).contains(metal.shape) else None


def _laid_bare(
    rng: np.random.Generator, region: shapely.Geometry, island: int, thickness: float
) -> Metal:
    rings = [
        ring for part in shapely.get_parts(region) for ring in (part.exterior, *part.interiors)
    ]
    ring = rings[int(rng.integers(0, len(rings)))]
    start = float(rng.uniform(0, ring.length * 0.9))
    line = shapely.ops.substring(
        ring, start, start + min(float(rng.uniform(0.2, 1)), ring.length * 0.1)
    )
    deep = thickness * float(rng.uniform(0.1, 0.8))
    return Metal(island, None, shapely.LineString(line.coords), 0.0, deep, deep + 0.035 * thickness)
