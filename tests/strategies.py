"""Hypothesis strategies: boards with a split, moves, and ways to draw the same copper differently.

Coordinates are multiples of 0.001 mm with an odd offset against each other, so that nothing lies
exactly on an edge: a touch that is neither overlap nor gap may be read either way (The Gerber Layer
Format Specification 2023.08, 4.14.2).
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import shapely
from hypothesis import settings
from hypothesis import strategies as st

from checker.demo.drafting import Drawing, two_pads
from checker.demo.sketch import Contour, Draw, Hole, Pad, Pour, Sketch, box, legs, via
from tests.boards import ring
from tests.laws.moves import Move


def fewer(many: int) -> int:
    """How many boards a law draws: half of them where the suite draws the same ones every time."""
    return many // 2 if settings.default is not None and settings.default.derandomize else many


WIDTH, HEIGHT = 40, 30
RULES = """
schema = 1
[region.a]
reference = ["GND_A"]
nets = ["*"]
[region.b]
reference = ["GND_B"]
nets = ["B_*"]
quiet = true
[[barrier]]
between = ["a", "b"]
isolators = ["U1"]
working_voltage = 48
clearance_voltage = 500
insulation = "functional"
table = "spacing-example.csv"
[nets]
noisy = ["NOISE"]
"""
NETS = ("A_1", "A_2", "NOISE", "B_1", "B_2")


@dataclass(frozen=True, slots=True)
class Shape:
    """What differs from one split to the next, mm."""

    left: float  # where the left pour ends at the bottom ...
    lean: float  # ... and how much farther right at the top
    gap: float

    @property
    def middle(self) -> float:
        """Where the gap's middle is at half height."""
        return round(self.left + self.lean / 2 + self.gap / 2, 4)

    def pours(self) -> tuple[tuple[str, Contour, float], ...]:
        """Both pours: net, contour, and where its window may begin."""
        end, top = self.left, self.left + self.lean
        left: Contour = ((1.5, 1.5), (end, 1.5), (top, 28.5), (1.5, 28.5))
        right: Contour = ((end + self.gap, 1.5), (38.5, 1.5), (38.5, 28.5), (top + self.gap, 28.5))
        return ("GND_A", left, 6.0), ("GND_B", right, 29.0)


def moves() -> st.SearchStrategy[Move]:
    """Mirror, turn, flip and shift."""
    offset = st.integers(-90_000, 90_000).map(lambda v: v / 1000)
    return st.builds(
        Move,
        quarters=st.integers(0, 3),
        mirror=st.booleans(),
        flip=st.booleans(),
        shift=st.tuples(offset, offset),
    )


@st.composite
def split_boards(draw: st.DrawFn) -> Sketch:
    """Two regions on two or four layers, an isolator between them, and traces that keep to nothing
    but their distance.

    Nets that would come nearer than 0.2 mm to one another are left out: no two of them touch.
    """
    layers = draw(st.sampled_from((2, 4)))
    shape = Shape(draw(_mm(14, 18)) + 0.0003, draw(_mm(-2, 2)), draw(_mm(1.2, 4)))
    board = Drawing("split", box(0, 0, WIDTH, HEIGHT), layers)
    board.place("U1", two_pads(shape.gap + 1.8, (1.2, 0.8)), (shape.middle, 15), ("GND_A", "GND_B"))
    for net in NETS:
        _add_if_apart(board, draw(_traces(net, layers)))
    board.holes += draw(_slots())
    inner = ("L2",) if layers == 2 else ("L2", "L3")
    for layer in draw(st.sampled_from([inner[:1], inner[-1:], inner])):
        for net, contour, x in shape.pours():
            window = _window(draw(_window_numbers()), x)
            board.pour(net, layer, contour, holes=(window,))
    return board.sketch()


@dataclass(slots=True)
class Traces:
    """All copper of one net."""

    draws: list[Draw]
    pads: list[Pad]
    holes: list[Hole]

    def shape(self, layer: str) -> shapely.Geometry:
        """Its copper on a layer."""
        lines = [
            shapely.LineString(d.points).buffer(d.width / 2) for d in self.draws if d.layer == layer
        ]
        lands = [shapely.Point(p.at).buffer(max(p.size) / 2) for p in self.pads if p.layer == layer]
        return shapely.union_all([*lines, *lands])


def _add_if_apart(board: Drawing, new: Traces) -> None:
    for number in range(1, board.layers + 1):
        layer = f"L{number}"
        if Traces(board.draws, board.pads, []).shape(layer).distance(new.shape(layer)) < 0.2:
            return
    board.draws += new.draws
    board.pads += new.pads
    board.holes += new.holes


def _mm(low: float, high: float) -> st.SearchStrategy[float]:
    return st.integers(round(low * 1000), round(high * 1000)).map(lambda v: v / 1000)


def _window_numbers() -> st.SearchStrategy[tuple[bool, float, float, float]]:
    return st.tuples(st.booleans(), _mm(4, 20), _mm(0.6, 3.5), _mm(0, 3))


def _window(numbers: tuple[bool, float, float, float], x: float) -> Contour:
    """A square or eight-cornered hole in a pour."""
    eight, y, size, shift = numbers
    x, y = x + shift + 0.0007, y + 0.0007
    if not eight:
        return box(x, y, x + size, y + size)
    corners = (
        shapely.Point(x + size / 2, y + size / 2).buffer(size / 2, quad_segs=2).exterior.coords[:-1]
    )
    return tuple((round(a, 4), round(b, 4)) for a, b in corners)


@st.composite
def _traces(draw: st.DrawFn, net: str, layers: int) -> Traces:
    """A path of one to three pieces, each on an outer layer, with vias where it changes and pins at
    both ends.
    """
    points = draw(
        st.lists(st.tuples(_mm(2.5, 37.5), _mm(2.5, 27.5)), min_size=2, max_size=4, unique=True)
    )
    width = draw(st.sampled_from((0.15, 0.2, 0.4)))
    outer = ("L1", f"L{layers}") if layers > 2 else ("L1",)
    drawn: list[Draw] = []
    lands: list[Pad] = []
    drilled: list[Hole] = []
    before = "L1"
    for start, end in pairwise(points):
        layer = draw(st.sampled_from(outer))
        if layer != before:
            pads, hole = via(net, start, layers)
            lands += pads
            drilled.append(hole)
        drawn.append(Draw(net=net, layer=layer, width=width, points=(start, end)))
        before = layer
    for number, (at, layer) in enumerate(((points[0], "L1"), (points[-1], before))):
        lands.append(
            Pad(net=net, layer=layer, at=at, size=(0.9, 0.9), refdes=f"TP_{net}_{number}", pin="1")
        )
    return Traces(drawn, lands, drilled)


def _slots() -> st.SearchStrategy[list[Hole]]:
    slot = st.builds(
        lambda x, y, length: Hole(
            at=(x, y), to=(x, y + length), diameter=1.2, plated=False, function="OtherDrill,Slot"
        ),
        _mm(15, 20),
        _mm(4, 12),
        _mm(2, 8),
    )
    return st.lists(slot, max_size=1)


# ------------------------------------------------------------------------------- other ways to draw


def shuffled(sketch: Sketch, seed: int) -> Sketch:
    """The same objects in another order."""
    order = random.Random(seed)
    columns: dict[str, Any] = {}
    for name in ("pours", "draws", "pads", "holes"):
        objects = list(getattr(sketch, name))
        order.shuffle(objects)
        columns[name] = tuple(objects)
    return replace(sketch, **columns)


def with_draws_split(sketch: Sketch, seed: int) -> Sketch:
    """Every straight piece of a draw cut in two at random, each half a draw of its own, some drawn
    backwards.
    """
    order = random.Random(seed)
    out: list[Draw] = []
    for drawn in sketch.draws:
        for start, step in legs(drawn.points):
            if len(step) > 2:
                out.append(replace(drawn, points=(start, step)))
                continue
            share = order.uniform(0.2, 0.8)
            middle = tuple(round(a + (b - a) * share, 6) for a, b in zip(start, step, strict=True))
            halves: list[Contour] = [(start, middle), (middle, step)]
            out += [replace(drawn, points=h if order.random() < 0.5 else h[::-1]) for h in halves]
    return replace(sketch, draws=tuple(out))


def with_pours_in_two(sketch: Sketch, at: float = 15.1234, overlap: float = 0.5) -> Sketch:
    """Every pour painted as two areas that overlap along a line, its holes left open in both."""
    out: list[Pour] = []
    for pour in sketch.pours:
        area = shapely.Polygon(
            ring(pour.contour, outward=True), [ring(h, outward=False) for h in pour.holes]
        )
        x0, y0, x1, y1 = area.bounds
        halves = [(y0 - 1, at + overlap / 2), (at - overlap / 2, y1 + 1)]
        for low, high in halves:
            for part in shapely.get_parts(
                area.intersection(shapely.box(x0 - 1, low, x1 + 1, high))
            ):
                holes = tuple(tuple(map(tuple, r.coords[:-1])) for r in part.interiors)
                out.append(
                    replace(pour, contour=tuple(map(tuple, part.exterior.coords[:-1])), holes=holes)
                )
    return replace(sketch, pours=tuple(out))


def with_cut_ins(sketch: Sketch) -> Sketch:
    """Every pour as one contour whose holes hang on horizontal cut-ins (4.10.3 of the Gerber
    specification).
    """
    return replace(
        sketch, pours=tuple(replace(p, contour=cut_in(p), holes=()) for p in sketch.pours)
    )


def cut_in(pour: Pour) -> Contour:
    """One closed contour that runs along the outer edge and, by way of cut-ins to the left, round
    every hole.
    """
    loop = [(float(x), float(y)) for x, y in ring(pour.contour, outward=True)]
    holes = [[(float(x), float(y)) for x, y in ring(h, outward=False)] for h in pour.holes]
    holes = [h[:-1] if h[0] == h[-1] else h for h in holes]
    loop = loop[:-1] if loop[0] == loop[-1] else loop
    for hole in sorted(holes, key=min):
        first = hole.index(min(hole))
        turn = hole[first:] + hole[: first + 1]
        place, hit = _left_of(loop, hole[first])
        loop[place + 1 : place + 1] = [hit, *turn, hit]
    return tuple(p for p, before in zip(loop, [loop[-1], *loop], strict=False) if p != before)


def _left_of(
    loop: list[tuple[float, float]], point: tuple[float, float]
) -> tuple[int, tuple[float, float]]:
    """Which edge of a loop is met first on the way to the left of a point, and where."""
    x, y = point
    hits = []
    for number, ((ax, ay), (bx, by)) in enumerate(zip(loop, [*loop[1:], loop[0]], strict=True)):
        if ay != by and min(ay, by) <= y <= max(ay, by):
            at = ax + (bx - ax) * (y - ay) / (by - ay)
            if at < x:
                hits.append((at, number))
    at, number = max(hits)
    return number, (round(at, 6), y)
