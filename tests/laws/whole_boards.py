"""Random whole boards: files and rules for the tool, and what a witness must know of them.

A board has free edges of one or two kinds (tests/insulation/witness_boards.py), routed slots and
drilled holes, and copper of two sides. Beside these it may have plated slots of several segments,
castellated edges, plated outlines, parts of a board, mouse-bites, V grooves, screws, inner copper
that reaches an edge, arcs, floating copper, third regions, earthed strips, and tolerances.

An `Item` holds the same thing twice: as objects of a sketch, and as plain shapes for a witness.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely.affinity import rotate

from checker.demo.sketch import (
    OVAL,
    RECTANGLE,
    ROUND,
    XY,
    Contour,
    Draw,
    Hole,
    Pad,
    Pour,
    Sketch,
)
from tests.insulation.mesh_witness import pinched
from tests.insulation.witness_boards import HIGH, SHAPES, WIDE

DECIMALS = 6  # of mm; what both formats write
APART = 0.15  # mm; between copper that is not meant to touch
RIM = 0.05  # mm; between copper on a face and free edges
QUARTER = 8  # chords per quarter turn of round voids, as a witness sees them
FINE = 48  # the same of copper
NAMELESS = ""
GROOVE = {1: 0.25, 2: 1.0, 3: 1.5}  # IEC 60664-1 (2007), 6.2: X by pollution degree
Rng = np.random.Generator


@dataclass(frozen=True)
class Copper:
    """A piece of copper on one layer: a skeleton and how far round it copper reaches."""

    layer: int  # from 0, top
    skeleton: shapely.Geometry
    radius: float = 0.0

    @property
    def shape(self) -> shapely.Geometry:
        """The copper itself, of round copper a polygon inside."""
        return self.skeleton.buffer(self.radius, quad_segs=FINE) if self.radius else self.skeleton


@dataclass(frozen=True)
class Item:
    """Something that conducts: what the files or the rules say of it, and what it is."""

    net: str
    copper: tuple[Copper, ...]
    pours: tuple[Pour, ...] = ()
    draws: tuple[Draw, ...] = ()
    pads: tuple[Pad, ...] = ()
    holes: tuple[Hole, ...] = ()
    rules: str = ""
    barrel: bool = False  # conducts over the whole height where it reaches a free edge
    edge: bool = False  # a plated outline

    def gap(self, other: Item) -> float:
        """Distance in mm to another item on any layer that both are on, below 0 where skeletons lie
        inside each other's copper; infinite if on none.
        """
        pairs = ((a, b) for a in self.copper for b in other.copper if a.layer == b.layer)
        gaps = (shapely.distance(a.skeleton, b.skeleton) - a.radius - b.radius for a, b in pairs)
        return float(min(gaps, default=np.inf))


@dataclass(frozen=True)
class Held:
    """What the rules ask, in mm."""

    clearance: float
    creepage: float
    inside: float  # of inner and through rows
    x: float
    etch: float
    routing: float
    degree: int
    reduced: bool
    third: str = "none"  # none | nothing | first | both | unclaimed

    @property
    def tolerance(self) -> float:
        return self.etch + self.routing


@dataclass(frozen=True)
class Whole:
    """A board with its rules."""

    sketch: Sketch
    held: Held
    items: tuple[Item, ...]
    shape: shapely.Geometry  # outline less cutouts
    wide: shapely.Geometry  # less holes too, round ones inscribed: at least what there is
    narrow: shapely.Geometry  # the same with round ones circumscribed
    plated_outline: bool = False

    @property
    def rules(self) -> str:
        return rules_of(self.held) + "".join(item.rules for item in self.items)

    @property
    def tables(self) -> dict[str, str]:
        held = self.held
        rows = [f"100,{held.clearance},{held.creepage},outer,basic"]
        rows += [f"100,{held.inside},,{where},basic" for where in ("inner", "through")]
        head = "voltage,clearance,creepage,where,insulation"
        small = "voltage,clearance,creepage\n100,0.01,0.01\n"
        return {"table.csv": "\n".join([head, *rows, ""]), "small.csv": small}

    @property
    def depths(self) -> np.ndarray:
        """Of the layers in mm, from copper surface to copper surface."""
        return np.cumsum((0.0, *self.sketch.gaps))

    @property
    def thickness(self) -> float:
        """Height of the walls in mm."""
        return float(self.sketch.thickness or 0.0)

    @property
    def several(self) -> bool:
        """Whether the board is in parts, which a Profile of IPC-2581 cannot tell."""
        return len(shapely.get_parts(self.shape)) > 1


SIDES = {"A": "a", "A1": "a", "B": "b", "B1": "b"}
_SEPARATION = """
insulation = "basic"
working_voltage = 100
clearance_voltage = 100
pollution_degree = {degree}
material_group = "IIIa"
x_reduction = {reduced}
"""


def rules_of(held: Held) -> str:
    """The rules file, hardware apart."""
    stated = _SEPARATION.format(degree=held.degree, reduced=str(held.reduced).lower())
    text = f"""schema = 1
[region.a]
reference = ["A"]
nets = ["A1"]
[region.b]
reference = ["B"]
nets = ["B1"]
[tolerance]
etch = {held.etch}
routing = {held.routing}
[[barrier]]
between = ["a", "b"]
earthed = ["PE"]
table = "table.csv"{stated}
[[spacing]]
between = [["A", "A1"], ["PE"]]
table = "small.csv"{stated}"""
    if held.third in ("nothing", "first", "both"):
        text += '[region.c]\nreference = ["C"]\nnets = ["C1"]\n'
    sides = {"first": ['"A", "A1"'], "both": ['"A", "A1"', '"B", "B1"']}.get(held.third, [])
    for side in sides:
        text += f'[[spacing]]\nbetween = [[{side}], ["C", "C1"]]\ntable = "small.csv"{stated}'
    return text


# ------------------------------------------------------------------------------------------- boards


def whole_board(rng: Rng) -> Whole:
    """A board; drawn again until copper of both sides has found a place."""
    while True:
        held = _held(rng)
        cut = _cut(rng, held)
        if cut is None:
            continue
        whole = _filled(rng, held, *cut)
        if whole is not None:
            return whole


def _held(rng: Rng) -> Held:
    degree, reduced = int(rng.integers(1, 4)), bool(rng.random() < 0.25)
    clearance = (
        float(rng.choice([0.9, 1.5, 2.4])) if reduced else float(rng.choice([2.0, 4.0, 6.0]))
    )
    x = min(GROOVE[degree], clearance / 3) if reduced else GROOVE[degree]
    tolerance = rng.choice([0.0, 0.0, 0.05, 0.1], 2)
    return Held(
        clearance=clearance,
        creepage=max(clearance, float(rng.choice([4.0, 6.0, 8.0]))),
        inside=float(rng.choice([0.05, clearance])),
        x=x,
        etch=float(tolerance[0]),
        routing=float(tolerance[1]),
        degree=degree,
        reduced=reduced,
        third=str(rng.choice(["none", "none", "nothing", "first", "both", "unclaimed"])),
    )


Barrels = tuple[tuple[XY, float], ...]
Cut = tuple[shapely.Geometry, np.ndarray | None, tuple[Hole, ...], Barrels]


def _cut(rng: Rng, held: Held) -> Cut | None:
    """Outline less cutouts, along what the sides lie apart (None: anywhere), unplated holes, and
    places of barrels in castellated edges.
    """
    wide = held.x + held.routing
    kinds = rng.choice(len(SHAPES), size=int(rng.integers(0, 3)), replace=False)
    voids = [SHAPES[kind](rng, wide, int(rng.integers(1, 4))) for kind in kinds]
    angle = float(rng.uniform(0, 360))
    shape = shapely.box(0, 0, WIDE, HIGH).difference(shapely.union_all(voids))
    shape = shapely.transform(rotate(shape, angle, origin=(0, 0)), lambda c: np.round(c, DECIMALS))
    if not shape.is_valid or pinched(shape) or shape.buffer(-0.4).is_empty:
        return None
    shape = shapely.MultiPolygon([p for p in shapely.get_parts(shape) if p.area > 0.01])
    barrels = tuple(_castellated(rng, shape)) if rng.random() < 0.3 else ()
    along = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    apart = along if rng.random() < 0.7 else None
    return shape, apart, tuple(_bores(rng, shape, wide)), barrels


def _castellated(rng: Rng, shape: shapely.Geometry) -> Iterator[tuple[XY, float]]:
    """Plated holes in a row on an edge of the board."""
    ring = shapely.get_parts(shape)[0].exterior
    start, pitch = float(rng.uniform(0, ring.length)), float(rng.uniform(0.9, 2.0))
    for k in range(int(rng.integers(1, 5))):
        at = ring.interpolate((start + k * pitch) % ring.length)
        yield _xy(at.coords[0]), float(rng.choice([0.4, 0.6]))


def _bores(rng: Rng, shape: shapely.Geometry, x: float) -> Iterator[Hole]:
    """Unplated holes, and slots of several segments, about as wide as X."""
    for _ in range(int(rng.integers(0, 3))):
        size = round(float(x * rng.choice([rng.uniform(0.5, 0.95), rng.uniform(1.05, 2)])), 3)
        points = _walk(rng, shape, int(rng.integers(1, 4)), 3.0)
        yield from _segments(points, size, plated=False)


def _segments(
    points: list[XY], size: float, *, plated: bool, net: str | None = None
) -> Iterator[Hole]:
    use = "ComponentDrill" if plated else "NonPlatedSlot"
    if len(points) == 1:
        yield Hole(at=points[0], diameter=size, plated=plated, net=net, function=use)
    for one, two in pairwise(points):
        yield Hole(at=one, to=two, diameter=size, plated=plated, net=net, function=use)


def _walk(rng: Rng, shape: shapely.Geometry, count: int, step: float) -> list[XY]:
    x0, y0, x1, y1 = shape.bounds
    at = np.array([rng.uniform(x0, x1), rng.uniform(y0, y1)])
    out = [_xy(at)]
    for _ in range(count - 1):
        at = at + rng.uniform(-step, step, 2)
        out.append(_xy(at))
    return out


def _xy(at: object) -> XY:
    x, y = np.round(np.asarray(at, dtype=float)[:2], DECIMALS).tolist()
    return x, y


def stadium(hole: Hole, quarter: int, *, around: bool) -> shapely.Polygon:
    """A hole or segment of a slot as a polygon inside it, or around it."""
    radius = hole.diameter / 2 / (np.cos(np.pi / 4 / quarter) if around else 1.0)
    path = shapely.LineString([hole.at, hole.to]) if hole.to else shapely.Point(hole.at)
    return path.buffer(radius, quad_segs=quarter)


def _filled(
    rng: Rng,
    held: Held,
    shape: shapely.Geometry,
    apart: np.ndarray | None,
    holes: tuple[Hole, ...],
    barrels: Barrels,
) -> Whole | None:
    """A board with copper; None where a side has found no place."""
    wide, narrow = (
        shape.difference(shapely.union_all([stadium(h, QUARTER, around=around) for h in holes]))
        for around in (False, True)
    )
    layers = int(rng.choice([2, 2, 4]))
    room = shapely.buffer(narrow, -RIM)
    draw = _Drawing(rng, held, shape, room, layers)
    draw.sides(apart)
    for at, size in barrels:
        draw.castellation(at, size, narrow)
    draw.others()
    plated = bool(rng.random() < 0.04) and not barrels
    if plated:
        draw.plated_outline()
    nets = {SIDES.get(item.net) for item in draw.items}
    if not {"a", "b"} <= nets or shapely.is_empty(narrow):
        return None
    parts = shapely.get_parts(shape)
    contours = [_contour(ring) for p in parts for ring in (p.exterior, *p.interiors)]
    columns = {
        name: tuple(thing for item in draw.items for thing in getattr(item, name))
        for name in ("pours", "draws", "pads")
    }
    bored = (*holes, *(hole for item in draw.items for hole in item.holes))
    sketch = Sketch(
        title="whole",
        layers=layers,
        outline=contours[0],
        cutouts=tuple(contours[1:]),
        holes=bored,
        thickness=float(rng.choice([0.8, 1.6, 3.2])),
        **columns,
    )
    return Whole(sketch, held, tuple(draw.items), shape, wide, narrow, plated)


def _contour(ring: shapely.LinearRing) -> Contour:
    return tuple((float(x), float(y)) for x, y in ring.coords[:-1])


# ------------------------------------------------------------------------------------------- copper


def _end_of(net: str, along: np.ndarray | None) -> Callable[[Item], bool] | None:
    """Whether an item of a net lies at the end of the board that is its side's."""
    if along is None:
        return None

    def lies(item: Item) -> bool:
        places = shapely.get_coordinates([copper.skeleton for copper in item.copper]) @ along
        first = SIDES[net] == "a"
        return bool(places.max() < 0.45 * WIDE if first else places.min() > 0.55 * WIDE)

    return lies


class _Drawing:
    """Items that keep clear of each other, unless they are meant to touch."""

    def __init__(
        self, rng: Rng, held: Held, shape: shapely.Geometry, room: shapely.Geometry, layers: int
    ) -> None:
        self.rng, self.held, self.shape, self.room, self.layers = rng, held, shape, room, layers
        self.items: list[Item] = []
        shapely.prepare(self.room)

    def sides(self, along: np.ndarray | None) -> None:
        """Copper of both sides, each at its end of the board or anywhere."""
        for net in ("A", "B", *self.rng.choice(list(SIDES), int(self.rng.integers(0, 4)))):
            self._placed(str(net), self._some(), at=_end_of(str(net), along))

    def others(self) -> None:
        """Copper of neither side."""
        third = {"none": (), "unclaimed": ("D", "D1")}.get(self.held.third, ("C", "C1"))
        drawn = (self._track, self._arc, self._pour)  # a net of one pad would float
        for net in third:
            self._placed(net, drawn[int(self.rng.integers(0, 3))])
        for _ in range(int(self.rng.integers(0, 3))):
            self._placed(NAMELESS, self._some())
        if self.rng.random() < 0.4:
            self._placed(NAMELESS, self._slot, apart=float(self.rng.choice([0.0, APART])))
        if self.rng.random() < 0.25:
            self._placed(NAMELESS, self._bridge, apart=0.0)
        if self.rng.random() < 0.3:
            self._placed("PE", self._pour)
        if self.rng.random() < 0.4:
            self._placed(str(self.rng.choice([NAMELESS, "A", "B"])), self._screw)

    def castellation(self, at: XY, size: float, region: shapely.Geometry) -> None:
        """A plated hole in an edge, with what of it and of its lands lies on the board."""
        net, last = str(self.rng.choice(["A", "B", NAMELESS, NAMELESS])), self.layers - 1
        disc, land = (
            shapely.Point(at).buffer(d / 2, quad_segs=q).intersection(region)
            for d, q in ((size, FINE), (size + 0.3, 3))
        )
        land = shapely.transform(land, lambda c: np.round(c, DECIMALS))
        if land.geom_type != "Polygon" or land.interiors or not land.is_valid:
            return
        on = tuple(Copper(layer, disc) for layer in range(self.layers))
        on += (Copper(0, land), Copper(last, land))
        pours = tuple(
            Pour(net=net, layer=f"L{k + 1}", contour=_contour(land.exterior)) for k in (0, last)
        )
        hole = Hole(at=at, diameter=size, net=net or None, function="ComponentDrill")
        self._kept(Item(net, on, pours, holes=(hole,), barrel=True), APART)

    def plated_outline(self) -> None:
        """The profile is plated: one conductor all round each ring."""
        for ring in (r for p in shapely.get_parts(self.shape) for r in (p.exterior, *p.interiors)):
            line = shapely.LineString(ring.coords)
            on = tuple(Copper(layer, line) for layer in range(self.layers))
            self.items.append(Item(NAMELESS, on, barrel=True, edge=True))

    def _some(self) -> Callable[[str], Item]:
        kinds = [self._pad, self._pad, self._track, self._arc, self._pour, self._via, self._inner]
        return kinds[int(self.rng.integers(0, len(kinds)))]

    def _placed(
        self,
        net: str,
        kind: Callable[[str], Item],
        apart: float = APART,
        at: Callable[[Item], bool] | None = None,
    ) -> None:
        for _ in range(40):
            item = kind(net)
            fits = all(self._fits(c) for c in item.copper) and (at is None or at(item))
            if fits and self._kept(item, apart):
                return

    def _fits(self, copper: Copper) -> bool:
        """On faces clear of edges; areas inside the board may reach over them."""
        if copper.layer in (0, self.layers - 1) or copper.radius:
            return bool(self.room.contains(copper.shape))
        return bool(self.room.intersection(copper.shape).area > RIM)

    def _kept(self, item: Item, apart: float) -> bool:
        """Keep an item that is clear of all others; with `apart` 0 it may cut well into them."""
        others = [other for other in self.items if other.net != item.net or not item.net]
        gaps = np.array([item.gap(other) for other in others])
        if np.any((gaps < APART) & (gaps > -RIM)) or (apart and np.any(gaps <= 0)):
            return False
        self.items.append(item)
        return True

    def _face(self) -> int:
        return int(self.rng.choice([0, self.layers - 1]))

    def _at(self) -> XY:
        return _walk(self.rng, self.shape, 1, 0.0)[0]

    def _pad(self, net: str) -> Item:
        layer, at = self._face(), self._at()
        shape = str(self.rng.choice([ROUND, RECTANGLE, OVAL]))
        w, h = np.round(self.rng.uniform(0.2, 1.2, 2), 3).tolist()
        h = w if shape == ROUND else h
        corner, half = min(w, h) / 2, (w / 2, h / 2)
        if shape == RECTANGLE:
            box = shapely.box(at[0] - half[0], at[1] - half[1], at[0] + half[0], at[1] + half[1])
            copper = Copper(layer, box)
        else:
            reach = np.array(half) - corner
            ends = [np.array(at) - reach, np.array(at) + reach]
            skeleton = shapely.LineString(ends) if w != h else shapely.Point(at)
            copper = Copper(layer, skeleton, corner)
        pad = Pad(net=net, layer=f"L{layer + 1}", at=at, size=(w, h), shape=shape)
        return Item(net, (copper,), pads=(pad,))

    def _track(self, net: str) -> Item:
        layer, width = self._face(), 0.2
        points = _walk(self.rng, self.shape, int(self.rng.integers(2, 4)), 2.0)
        copper = Copper(layer, shapely.LineString(points), width / 2)
        draw = Draw(net=net, layer=f"L{layer + 1}", width=width, points=tuple(points))
        return Item(net, (copper,), draws=(draw,))

    def _arc(self, net: str) -> Item:
        layer, width, middle = self._face(), 0.3, np.array(self._at())
        radius, first = float(self.rng.uniform(0.4, 2.5)), float(self.rng.uniform(0, 2 * np.pi))
        last = first + float(self.rng.uniform(0.3, 4.0))
        angles = np.linspace(first, last, 200)
        line = middle + radius * np.column_stack((np.cos(angles), np.sin(angles)))
        start, end = _xy(line[0]), _xy(line[-1])
        draw = Draw(
            net=net, layer=f"L{layer + 1}", width=width, points=(start, (*end, *_xy(middle), 1.0))
        )
        return Item(net, (Copper(layer, shapely.LineString(line), width / 2),), draws=(draw,))

    def _pour(self, net: str, layer: int | None = None) -> Item:
        layer = self._face() if layer is None else layer
        at, size = np.array(self._at()), self.rng.uniform(0.3, 3, 2)
        area = rotate(shapely.box(*at, *(at + size)), float(self.rng.uniform(0, 90)))
        area = shapely.transform(area, lambda c: np.round(c, DECIMALS))
        function = "Conductor" if net else str(self.rng.choice(["Conductor", "CopperBalancing"]))
        pour = Pour(
            net=net, layer=f"L{layer + 1}", contour=_contour(area.exterior), function=function
        )
        return Item(net, (Copper(layer, area),), pours=(pour,))

    def _inner(self, net: str) -> Item:
        """Copper that may reach an edge inside the board."""
        return self._pour(net, int(self.rng.integers(0, self.layers)))

    def _via(self, net: str) -> Item:
        at, drill, land = self._at(), 0.3, 0.6
        on = tuple(Copper(k, shapely.Point(at), land / 2) for k in range(self.layers))
        pads = tuple(
            Pad(net=net, layer=f"L{k + 1}", at=at, size=(land, land), function="ViaPad")
            for k in range(self.layers)
        )
        hole = Hole(at=at, diameter=drill, net=net or None)
        return Item(net, on, pads=pads, holes=(hole,))

    def _slot(self, net: str) -> Item:
        """A plated slot of several segments without lands."""
        return self._routed(net, _walk(self.rng, self.shape, int(self.rng.integers(1, 5)), 2.5))

    def _bridge(self, net: str) -> Item:
        """Such a slot from copper of one side to copper of another, or nearly."""
        ends = [
            _xy(item.copper[0].shape.representative_point().coords[0])
            for side in "ab"
            for item in self.items
            if SIDES.get(item.net) == side
        ]
        one, two = (ends[int(self.rng.integers(0, len(ends)))] for _ in range(2))
        return self._routed(net, [one, *_walk(self.rng, self.shape, 1, 0.0), two])

    def _routed(self, net: str, points: list[XY]) -> Item:
        size = float(self.rng.choice([0.5, 0.8, 1.0]))
        line = shapely.LineString(points) if len(points) > 1 else shapely.Point(points)
        on = tuple(Copper(k, line, size / 2) for k in range(self.layers))
        return Item(net, on, holes=tuple(_segments(points, size, plated=True, net=net or None)))

    def _screw(self, net: str) -> Item:
        """The head of a screw, on one face or on both."""
        at, size = self._at(), float(self.rng.choice([1.0, 2.0, 3.0]))
        side = str(self.rng.choice(["top", "bottom", "both"]))
        faces = {"top": [0], "bottom": [self.layers - 1], "both": [0, self.layers - 1]}[side]
        on = tuple(Copper(k, shapely.Point(at), size / 2) for k in faces)
        named = f'net = "{net}"\n' if net else ""
        text = f'[[hardware]]\nat = [{at[0]}, {at[1]}]\ndiameter = {size}\nside = "{side}"\n{named}'
        return Item(net, on, rules=text)
