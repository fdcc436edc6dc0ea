"""Standard primitives as exact copper: discs, strokes, arc strokes and polygons about the shape's
own origin.

Sense of each shape: IPC-2581 revision A, 4.7.1 to 4.7.16. Polygons with round parts contain the
true shape where it is drawn (`grow`) and lie inside it where it erases.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import shapely

from parsers.ipc2581.sketch import LARGEST
from parsers.primitives import (
    ARC_TOLERANCE,
    Conductors,
    Floats,
    Kind,
    Shapes,
    arc_points,
    arc_steps,
    conductors,
)

TURN = 2 * math.pi
# 0 draws nothing
SIZES = frozenset({"diameter", "width", "height", "length", "outerDiameter", "base", "side"})
MAX_PARTS = 1000  # rings of a moire, spokes of a thermal


@dataclass(frozen=True, slots=True)
class Piece:
    """One row of copper: a kind with its numbers and radius, or a polygon."""

    kind: Kind
    numbers: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    radius: float = 0.0
    polygon: shapely.Polygon | None = None


class Attributes:
    """Attributes of a shape, lengths in mm.

    Raises (all methods)
    --------------------
    ValueError : missing, no number, or out of range
    """

    def __init__(self, values: Iterable[tuple[str, str]], unit: float) -> None:
        self._values = dict(values)
        self._unit = unit

    def number(self, name: str, default: float | None = None) -> float:
        """A finite number."""
        text = self._values.get(name)
        if text is None:
            if default is None:
                raise ValueError(f"{name} is missing")
            return default
        value = float(text)
        if not -LARGEST < value < LARGEST:
            raise ValueError(f"{name} is {text}")
        return value

    def length(self, name: str, default: float | None = None) -> float:
        """A length, not negative."""
        value = self.number(name, default) * self._unit
        if value < 0:
            raise ValueError(f"{name} is negative")
        if value == 0 and name in SIZES:
            raise ValueError(f"{name} is 0")
        return value

    def coordinate(self, name: str) -> float:
        """A coordinate."""
        return self.number(name) * self._unit

    def word(self, name: str) -> str:
        """A word in capitals."""
        return self._values.get(name, "").strip().upper()

    def corners(self) -> tuple[bool, bool, bool, bool]:
        """Upper right, upper left, lower left, lower right: which ones are cut or rounded; all if
        none is named.
        """
        names = ("upperRight", "upperLeft", "lowerLeft", "lowerRight")
        if not self.all_corners_named and not any(name in self._values for name in names):
            return True, True, True, True
        flags = [self.word(name) in ("TRUE", "1") for name in names]
        return flags[0], flags[1], flags[2], flags[3]

    @property
    def all_corners_named(self) -> bool:
        """Whether each of the four corner flags is given."""
        return all(
            name in self._values for name in ("upperRight", "upperLeft", "lowerLeft", "lowerRight")
        )


def disc(radius: float) -> Piece:
    """A disc about the origin."""
    return Piece(Kind.DISC, radius=radius)


def area(points: Floats | list[tuple[float, float]], holes: list[Floats] | None = None) -> Piece:
    """A polygon."""
    return Piece(Kind.AREA, polygon=shapely.Polygon(points, holes))


def areas(shape: shapely.Geometry) -> list[Piece]:
    """The polygons of any geometry."""
    return [
        Piece(Kind.AREA, polygon=p)
        for p in shapely.get_parts(shape)
        if p.geom_type == "Polygon" and p.area > 0
    ]


def _circle(get: Attributes, grow: bool) -> list[Piece]:
    return [disc(get.length("diameter") / 2)]


def _oval(get: Attributes, grow: bool) -> list[Piece]:
    width, height = get.length("width"), get.length("height")
    radius = min(width, height) / 2
    if width == height:
        return [disc(radius)]
    x, y = width / 2 - radius, height / 2 - radius
    return [Piece(Kind.STROKE, (-x, -y, x, y, 0.0), radius)]


def _box(x: float, y: float) -> list[tuple[float, float]]:
    return [(-x, -y), (x, -y), (x, y), (-x, y)]


def _rect_center(get: Attributes, grow: bool) -> list[Piece]:
    return [area(_box(get.length("width") / 2, get.length("height") / 2))]


def _rect_corner(get: Attributes, grow: bool) -> list[Piece]:
    x0, y0 = get.coordinate("lowerLeftX"), get.coordinate("lowerLeftY")
    x1, y1 = get.coordinate("upperRightX"), get.coordinate("upperRightY")
    return [area([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])]


# signs, angle of the arc
CORNERS = ((1, 1, 0.0), (-1, 1, math.pi / 2), (-1, -1, math.pi), (1, -1, 1.5 * math.pi))


def _cornered(
    get: Attributes, size: float, corner: Callable[[float, float, float], Floats]
) -> list[Piece]:
    """A rectangle whose chosen corners are replaced; `corner` gives the points from centre of
    curvature and angle.
    """
    x, y = get.length("width") / 2, get.length("height") / 2
    if size > min(x, y) * (1 + 1e-9):
        raise ValueError("the corners are larger than half the rectangle")
    if size == 0:
        return [area(_box(x, y))]
    points: list[Floats] = []
    for (sx, sy, angle), chosen in zip(CORNERS, get.corners(), strict=True):
        if chosen:
            points.append(corner(sx * (x - size), sy * (y - size), angle))
        else:
            points.append(np.array([[sx * x, sy * y]]))
    return [area(np.concatenate(points))]


def _rect_round(get: Attributes, grow: bool) -> list[Piece]:
    radius = get.length("radius")
    width, height = get.length("width"), get.length("height")
    if (
        all(get.corners())
        and radius > 0
        and math.isclose(2 * radius, min(width, height), rel_tol=1e-9)
    ):
        return _oval(get, grow)

    def corner(x: float, y: float, angle: float) -> Floats:
        return arc_points((x, y), radius, angle, math.pi / 2, side=int(grow))

    return _cornered(get, radius, corner)


def _rect_cham(get: Attributes, grow: bool) -> list[Piece]:
    size = get.length("chamfer")

    def corner(x: float, y: float, angle: float) -> Floats:
        ends = np.array([angle, angle + math.pi / 2])
        return np.array([x, y]) + size * np.round(np.column_stack((np.cos(ends), np.sin(ends))))

    return _cornered(get, size, corner)


def _diamond(get: Attributes, grow: bool) -> list[Piece]:
    x, y = get.length("width") / 2, get.length("height") / 2
    return [area([(0, -y), (x, 0), (0, y), (-x, 0)])]


def _triangle(get: Attributes, grow: bool) -> list[Piece]:
    x, y = get.length("base") / 2, get.length("height") / 2
    return [area([(-x, -y), (x, -y), (0, y)])]


def regular(corners: int, length: float) -> Floats:
    """Corners of a regular polygon, `length` from corner to opposite corner, one corner at +y."""
    angle = math.pi / 2 + TURN * np.arange(corners) / corners
    return length / 2 * np.column_stack((np.cos(angle), np.sin(angle)))


def _hexagon(get: Attributes, grow: bool) -> list[Piece]:
    return [area(regular(6, get.length("length")))]


def _octagon(get: Attributes, grow: bool) -> list[Piece]:
    return [area(regular(8, get.length("length")))]


def _ellipse(get: Attributes, grow: bool) -> list[Piece]:
    x, y = get.length("width") / 2, get.length("height") / 2
    circle = arc_points(
        (0.0, 0.0), 1.0, 0.0, TURN, side=int(grow), tolerance=ARC_TOLERANCE / max(x, y, 1e-6)
    )
    return [area(circle * np.array([x, y]))]


def _round_ring(outer: float, inner: float) -> Piece:
    return Piece(Kind.ARC, (0.0, 0.0, (outer + inner) / 4, 0.0, TURN), (outer - inner) / 4)


def _ring_edge(shape: str, size: float) -> Floats:
    if shape == "SQUARE":
        return np.array(_box(size / 2, size / 2))
    return regular({"HEXAGON": 6, "OCTAGON": 8}[shape], size)


def _diameters(get: Attributes) -> tuple[str, float, float]:
    shape, outer, inner = (
        get.word("shape"),
        get.length("outerDiameter"),
        get.length("innerDiameter"),
    )
    if shape not in ("ROUND", "SQUARE", "HEXAGON", "OCTAGON"):
        raise ValueError(f"shape is {shape or 'missing'}")
    if inner > outer:
        raise ValueError("the inner diameter is larger than the outer one")
    return shape, outer, inner


def _donut(get: Attributes, grow: bool) -> list[Piece]:
    shape, outer, inner = _diameters(get)
    if shape == "ROUND":
        return [_round_ring(outer, inner) if inner > 0 else disc(outer / 2)]
    return areas(_polygon_ring(shape, outer, inner, grow))


def _polygon_ring(shape: str, outer: float, inner: float, grow: bool) -> shapely.Geometry:
    """A ring as a polygon with a hole; nothing if it has no width."""
    if inner >= outer:
        return shapely.Polygon()
    if shape == "ROUND":
        edge = arc_points((0.0, 0.0), outer / 2, 0.0, TURN, side=int(grow))
        hole = arc_points((0.0, 0.0), inner / 2, 0.0, TURN, side=int(not grow))
    else:
        edge, hole = _ring_edge(shape, outer), _ring_edge(shape, inner)
    return shapely.Polygon(edge, [hole] if inner > 0 else None)


def _thermal(get: Attributes, grow: bool) -> list[Piece]:
    """Ring less straight strips that run outward from the centre; without spokes, the ring."""
    shape, outer, inner = _diameters(get)
    count = int(get.number("spokeCount", 4))
    if not 0 <= count <= MAX_PARTS:
        raise ValueError(f"spokeCount is {count}")
    width = get.length(
        "spokeWidth", get.number("gap", get.number("outerDiameter") - get.number("innerDiameter"))
    )
    start = math.radians(get.number("spokeStartAngle", 45.0))
    if count == 0:
        return _donut(get, grow)
    ring = _polygon_ring(shape, outer, inner, grow)
    strips = []
    for i in range(count):
        along = np.array([math.cos(start + TURN * i / count), math.sin(start + TURN * i / count)])
        aside = np.array([-along[1], along[0]]) * width / 2
        far = along * outer
        strips.append(shapely.Polygon([-aside, far - aside, far + aside, aside]))
    return areas(shapely.difference(ring, shapely.union_all(strips)))


def _butterfly(get: Attributes, grow: bool) -> list[Piece]:
    """Upper left and lower right quarter of a disc or square."""
    shape = get.word("shape")
    if shape == "SQUARE":
        half = get.length("side") / 2
        return [
            area([(0, 0), (0, half), (-half, half), (-half, 0)]),
            area([(0, 0), (0, -half), (half, -half), (half, 0)]),
        ]
    if shape != "ROUND":
        raise ValueError(f"shape is {shape or 'missing'}")
    radius = get.length("diameter") / 2
    quarters = [
        arc_points((0.0, 0.0), radius, a, math.pi / 2, side=int(grow))
        for a in (math.pi / 2, 1.5 * math.pi)
    ]
    return [area(np.concatenate((np.zeros((1, 2)), quarter))) for quarter in quarters]


def _moire(get: Attributes, grow: bool) -> list[Piece]:
    """Rings about each other and a cross."""
    count = int(get.number("ringNumber"))
    if not 0 <= count <= MAX_PARTS:
        raise ValueError(f"ringNumber is {count}")
    width, step = get.length("ringWidth"), get.length("ringGap")
    outermost = get.length("diameter") / 2
    pieces: list[Piece] = []
    for i in range(count):
        radius = outermost - i * step
        if radius > 0:
            pieces.append(Piece(Kind.ARC, (0.0, 0.0, radius, 0.0, TURN), width / 2))
    line, length = get.length("lineWidth", 0.0) / 2, get.length("lineLength", 0.0) / 2
    if line > 0 and length > 0:
        first = math.radians(get.number("lineAngle", 0.0))
        for angle in (first, first + math.pi / 2):
            x, y = length * math.cos(angle), length * math.sin(angle)
            pieces.append(Piece(Kind.STROKE, (-x, -y, x, y, 0.0), line))
    return pieces


STANDARD: dict[str, Callable[[Attributes, bool], list[Piece]]] = {
    "Butterfly": _butterfly,
    "Circle": _circle,
    "Diamond": _diamond,
    "Donut": _donut,
    "Ellipse": _ellipse,
    "Hexagon": _hexagon,
    "Moire": _moire,
    "Octagon": _octagon,
    "Oval": _oval,
    "RectCenter": _rect_center,
    "RectCham": _rect_cham,
    "RectCorner": _rect_corner,
    "RectRound": _rect_round,
    "Text": _rect_corner,
    "Thermal": _thermal,
    "Triangle": _triangle,
}


def bordered(pieces: list[Piece], width: float, grow: bool) -> list[Piece]:
    """Shapes with a line of this width round them: half of it lies outside."""
    out: list[Piece] = []
    for piece in pieces:
        if piece.kind == Kind.AREA:
            grown = widened(np.array([piece.polygon], dtype=object), np.array([width / 2]), grow)
            out.extend(areas(grown[0]))
        else:
            out.append(Piece(piece.kind, piece.numbers, piece.radius + width / 2))
    return out


def widened(polygons: Shapes, by: Floats, grow: bool) -> Shapes:
    """Polygons with a border of width `by` and round corners, no smaller (grow) or no larger than
    exact.
    """
    steps = max(int(arc_steps(np.array(float(by.max(initial=0.0))), np.array(math.pi / 2))), 1)
    reach = by / math.cos(math.pi / (4 * steps)) if grow else by
    result: Shapes = shapely.buffer(polygons, reach, quad_segs=steps)
    return result


def hollow(pieces: list[Piece], width: float) -> list[Piece]:
    """Only the line along the edge of each shape."""
    out: list[Piece] = []
    for piece in pieces:
        out.extend(_edge(piece, width / 2))
    return out


def _edge(piece: Piece, half: float) -> list[Piece]:
    x0, y0, x1, y1, _ = piece.numbers
    if piece.kind == Kind.DISC:
        return [Piece(Kind.ARC, (x0, y0, piece.radius, 0.0, TURN), half)]
    if piece.kind == Kind.ARC:
        centre_radius, swing = piece.numbers[2], piece.radius
        rings = [centre_radius + swing] + ([centre_radius - swing] if centre_radius > swing else [])
        return [Piece(Kind.ARC, (x0, y0, ring, 0.0, TURN), half) for ring in rings]
    if piece.kind == Kind.STROKE:
        return _stadium_edge(x0, y0, x1, y1, piece.radius, half)
    edges: list[Piece] = []
    assert piece.polygon is not None
    for ring in (piece.polygon.exterior, *piece.polygon.interiors):
        points = np.asarray(ring.coords)
        edges.extend(Piece(Kind.STROKE, (*a, *b, 0.0), half) for a, b in itertools.pairwise(points))
    return edges


def _stadium_edge(
    x0: float, y0: float, x1: float, y1: float, radius: float, half: float
) -> list[Piece]:
    angle = math.atan2(y1 - y0, x1 - x0)
    dx, dy = -radius * math.sin(angle), radius * math.cos(angle)
    return [
        Piece(Kind.STROKE, (x0 + dx, y0 + dy, x1 + dx, y1 + dy, 0.0), half),
        Piece(Kind.STROKE, (x0 - dx, y0 - dy, x1 - dx, y1 - dy, 0.0), half),
        Piece(Kind.ARC, (x1, y1, radius, angle - math.pi / 2, math.pi), half),
        Piece(Kind.ARC, (x0, y0, radius, angle + math.pi / 2, math.pi), half),
    ]


def table(pieces: list[Piece]) -> Conductors:
    """Pieces as columns."""
    polygons = [piece.polygon for piece in pieces if piece.polygon is not None]
    index = np.cumsum([piece.polygon is not None for piece in pieces]) - 1
    return conductors(
        len(pieces),
        kind=np.array([piece.kind for piece in pieces], dtype=np.uint8),
        geometry=np.array([piece.numbers for piece in pieces], dtype=np.float64).reshape(-1, 5),
        radius=np.array([piece.radius for piece in pieces]),
        area=(
            np.where([piece.polygon is not None for piece in pieces], index, -1)
            if pieces
            else np.empty(0)
        ),
        areas=polygons,
    )
