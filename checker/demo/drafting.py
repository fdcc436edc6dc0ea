"""A drawing board for the demo: parts by footprint, traces, vias, and pours that keep clear of
foreign copper.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import hypot

import shapely

from checker.demo.sketch import (
    OVAL,
    RECTANGLE,
    ROUND,
    XY,
    Contour,
    Draw,
    Hole,
    Pad,
    Part,
    Pour,
    Sketch,
    box,
    circle,
    via,
)

GRID = 1e-4  # mm, to which corners of pours are rounded
SLIVER = 2.0  # mm2; smaller pieces of a pour are not etched
HOLE_CLEARANCE = 0.5  # mm from an unplated hole or slot to a pour


@dataclass(frozen=True, slots=True)
class Land:
    """A pin's pad in the frame of its part; with a drill it goes through the board."""

    pin: str
    at: XY
    size: XY
    shape: str = RECTANGLE
    drill: float | None = None


Footprint = tuple[Land, ...]


def two_pads(span: float, size: XY) -> Footprint:
    """A chip part: pin 1 on the left."""
    return Land("1", (-span / 2, 0), size), Land("2", (span / 2, 0), size)


def two_rows(pins: int, span: float, pitch: float, size: XY) -> Footprint:
    """A part with two columns of pins, `span` apart, numbered counterclockwise from the upper
    left.
    """
    rows = pins // 2
    top = (rows - 1) * pitch / 2
    left = [Land(str(n + 1), (-span / 2, round(top - n * pitch, 4)), size) for n in range(rows)]
    right = [
        Land(str(rows + n + 1), (span / 2, round(n * pitch - top, 4)), size) for n in range(rows)
    ]
    return (*left, *right)


def in_line(pins: int, pitch: float, land: float, drill: float) -> Footprint:
    """A row of drilled pins from the left, pin 1 square."""
    shapes = [RECTANGLE, *([ROUND] * (pins - 1))]
    return tuple(
        Land(str(n + 1), (n * pitch, 0), (land, land), s, drill) for n, s in enumerate(shapes)
    )


RESISTOR = CAPACITOR = two_pads(1.5, (0.8, 0.9))  # 0603
CHIP_LARGE = two_pads(3.0, (1.2, 1.6))  # 1206
TEST_POINT: Footprint = (Land("1", (0, 0), (1.0, 1.0), ROUND),)
TRANSISTOR: Footprint = (  # SOT-23 lying on its side: pins 1 and 2 below, 3 above
    Land("1", (-0.95, -1), (0.8, 0.9)),
    Land("2", (0.95, -1), (0.8, 0.9)),
    Land("3", (0, 1), (0.8, 0.9)),
)


@dataclass(slots=True)
class Drawing:
    """A board being drawn; `sketch()` gives it with its pours cut out."""

    title: str
    outline: Contour
    layers: int = 4
    thickness: float = 1.6
    dielectric: tuple[float, ...] = ()
    draws: list[Draw] = field(default_factory=list)
    pads: list[Pad] = field(default_factory=list)
    holes: list[Hole] = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)
    _pours: list[tuple[Pour, float]] = field(default_factory=list)

    def place(
        self,
        refdes: str,
        footprint: Footprint,
        at: XY,
        nets: Sequence[str] | Mapping[str, str],
        *,
        turn: int = 0,
    ) -> None:
        """Put a part down, turned counterclockwise by a multiple of 90 degrees.

        Parameters
        ----------
        nets : one per land in the order of the footprint, or by pin; "N/C" for a pin that is
            connected to nothing
        """
        by_pin = (
            nets
            if isinstance(nets, Mapping)
            else {land.pin: n for land, n in zip(footprint, nets, strict=True)}
        )
        for land in footprint:
            self._land(refdes, land, at, by_pin[land.pin], turn)
        self.parts.append(Part(refdes=refdes))

    def _land(self, refdes: str, land: Land, at: XY, net: str, turn: int) -> None:
        x, y = _turned(land.at, turn)
        place = round(at[0] + x, 4), round(at[1] + y, 4)
        size = land.size if turn % 180 == 0 else (land.size[1], land.size[0])
        layers = ["L1"] if land.drill is None else [f"L{n}" for n in range(1, self.layers + 1)]
        function = "SMDPad,CuDef" if land.drill is None else "ComponentPad"
        self.pads += [
            Pad(
                net=net,
                layer=layer,
                at=place,
                size=size,
                shape=land.shape,
                refdes=refdes,
                pin=land.pin,
                function=function,
            )
            for layer in layers
        ]
        if land.drill is not None:
            hole = Hole(
                net=net,
                at=place,
                diameter=land.drill,
                refdes=refdes,
                pin=land.pin,
                function="ComponentDrill",
            )
            self.holes.append(hole)

    def pin(self, refdes: str, pin: str) -> XY:
        """Where a pin is."""
        return next(p.at for p in self.pads if p.refdes == refdes and p.pin == pin)

    def trace(
        self, net: str, layer: str, *points: XY, width: float = 0.2, bevel: float = 0.5
    ) -> None:
        """Draw a trace; right-angled corners are bevelled by `bevel`."""
        self.draws.append(Draw(net=net, layer=layer, width=width, points=_bevelled(points, bevel)))

    def via(self, net: str, *places: XY) -> None:
        """Drill through vias."""
        for at in places:
            lands, hole = via(net, at, self.layers)
            self.pads += lands
            self.holes.append(hole)

    def slot(self, start: XY, end: XY, width: float) -> None:
        """Rout an unplated slot."""
        self.holes.append(
            Hole(at=start, to=end, diameter=width, plated=False, function="OtherDrill,Slot")
        )

    def mounting_hole(self, at: XY, diameter: float) -> None:
        """Drill an unplated hole for a screw."""
        self.holes.append(
            Hole(at=at, diameter=diameter, plated=False, function="MechanicalDrill,Tooling")
        )

    def fiducial(self, at: XY) -> None:
        """A mark for the placement machine: copper of no net."""
        self.pads.append(
            Pad(net="", layer="L1", at=at, size=(1.0, 1.0), function="FiducialPad,Global")
        )

    def thieving(self, layer: str, *boxes: tuple[float, float, float, float]) -> None:
        """Copper that evens out etching: of no net."""
        self._pours += [
            (Pour(net="", layer=layer, contour=box(*b), function="CopperBalancing"), 0.0)
            for b in boxes
        ]

    def pour(
        self,
        net: str,
        layer: str,
        contour: Contour,
        *,
        holes: tuple[Contour, ...] = (),
        clearance: float = 0.25,
    ) -> None:
        """Fill a contour (straight edges, as those of its holes) with copper that keeps clear of
        other nets'.
        """
        self._pours.append((Pour(net=net, layer=layer, contour=contour, holes=holes), clearance))

    def sketch(self) -> Sketch:
        """The finished board."""
        pours = [
            piece for pour, clearance in self._pours for piece in self._cut_out(pour, clearance)
        ]
        return Sketch(
            title=self.title,
            layers=self.layers,
            outline=self.outline,
            pours=tuple(pours),
            draws=tuple(self.draws),
            pads=tuple(self.pads),
            holes=tuple(self.holes),
            parts=tuple(self.parts),
            thickness=self.thickness,
            dielectric=self.dielectric,
        )

    def _cut_out(self, pour: Pour, clearance: float) -> Iterable[Pour]:
        if not pour.net:
            return [pour]
        openings = list(self._openings(pour, clearance))
        shapes = [shape for shape, _ in openings]
        area = shapely.Polygon(pour.contour, pour.holes)
        round_ones = [
            i for i, (_, exact) in enumerate(openings) if exact and _stands_alone(i, shapes, area)
        ]
        rest = [shape for i, shape in enumerate(shapes) if i not in set(round_ones)]
        left = shapely.set_precision(area - shapely.union_all(rest), GRID)
        pieces = [p for p in shapely.get_parts(left) if p.area > SLIVER]
        circles = [(openings[i][1], shapes[i]) for i in round_ones]
        return [
            _piece(pour, piece, [c for c, s in circles if c and piece.contains(s.centroid)])
            for piece in pieces
        ]

    def _openings(
        self, pour: Pour, clearance: float
    ) -> Iterable[tuple[shapely.Geometry, Contour | None]]:
        """Areas to keep free, and the same as a contour where it is a circle."""
        for pad in self.pads:
            if pad.layer == pour.layer and pad.net != pour.net:
                yield _opening(pad, clearance)
        for draw in self.draws:
            if draw.layer == pour.layer and draw.net != pour.net:
                yield shapely.LineString(draw.points).buffer(draw.width / 2 + clearance, 6), None
        for hole in self.holes:
            if not hole.plated:
                line = shapely.LineString([hole.at, hole.to]) if hole.to else shapely.Point(hole.at)
                exact = None if hole.to else circle(*hole.at, hole.diameter + 2 * HOLE_CLEARANCE)
                yield line.buffer(hole.diameter / 2 + HOLE_CLEARANCE, 8), exact


def _opening(pad: Pad, clearance: float) -> tuple[shapely.Geometry, Contour | None]:
    (x, y), (w, h) = pad.at, pad.size
    if pad.shape == RECTANGLE:
        return shapely.box(x - w / 2, y - h / 2, x + w / 2, y + h / 2).buffer(clearance, 4), None
    if pad.shape == OVAL:
        dx, dy = max(w - h, 0) / 2, max(h - w, 0) / 2
        line = shapely.LineString([(x - dx, y - dy), (x + dx, y + dy)])
        return line.buffer(min(w, h) / 2 + clearance, 8), None
    return shapely.Point(x, y).buffer(w / 2 + clearance, 8), circle(x, y, w + 2 * clearance)


def _stands_alone(index: int, shapes: Sequence[shapely.Geometry], area: shapely.Geometry) -> bool:
    """Whether an opening is a hole of its own, well inside the pour."""
    wide = shapes[index].buffer(0.1)
    others = (s for i, s in enumerate(shapes) if i != index)
    return bool(area.contains(wide)) and not any(wide.intersects(s) for s in others)


def _piece(pour: Pour, piece: shapely.Geometry, circles: list[Contour]) -> Pour:
    holes = [_corners(ring) for ring in piece.interiors]
    return Pour(
        net=pour.net, layer=pour.layer, contour=_corners(piece.exterior), holes=(*holes, *circles)
    )


def _corners(ring: shapely.Geometry) -> Contour:
    return tuple((round(x, 4), round(y, 4)) for x, y in ring.coords[:-1])


def _turned(point: XY, turn: int) -> XY:
    x, y = point
    for _ in range(turn // 90 % 4):
        x, y = -y, x
    return x, y


def _bevelled(points: Sequence[XY], bevel: float) -> Contour:
    """Cut right-angled corners where both legs are long enough."""
    if len(points) < 3:
        return tuple(points)
    out: list[XY] = [points[0]]
    for (a, b), (_, c) in pairwise(pairwise(points)):
        before, after = hypot(b[0] - a[0], b[1] - a[1]), hypot(c[0] - b[0], c[1] - b[1])
        square = abs((b[0] - a[0]) * (c[0] - b[0]) + (b[1] - a[1]) * (c[1] - b[1])) < 1e-9
        cut = min(bevel, before / 2, after / 2)
        out += [_toward(b, a, cut / before), _toward(b, c, cut / after)] if square else [b]
    return (*out, points[-1])


def _toward(start: XY, end: XY, share: float) -> XY:
    return round(start[0] + (end[0] - start[0]) * share, 4), round(
        start[1] + (end[1] - start[1]) * share, 4
    )
