"""The same files through an independent reader: area and symmetric difference within 0.1 %.

The reference is the library gerbonara; its primitives are made into shapes here, finely, and
composed in file order.
"""

from __future__ import annotations

import math
import warnings
from importlib.metadata import distribution
from pathlib import Path

import numpy as np
import pytest
import shapely
from gerbonara import GerberFile
from gerbonara import graphic_primitives as graphic
from gerbonara.utils import MM

from parsers.gerber import read_gerber
from tests.parsers.gerber.layers import BOARD_FILES, copper, layer, needs_boards

WITHIN = 1e-3  # of the area
LARGE = 100_000  # bytes; uniting more takes ten seconds: such a layer is only read
CARRIED = Path(str(distribution("pygerber").locate_file("pygerber"))) / "examples"
EXAMPLES = sorted(CARRIED.glob("*.gbr"))
FINE = 64  # segments of a quarter circle

# Files that exercise all features that the reference reads by the specification. It turns P
# apertures clockwise, leaves polygons of macros at the origin, and knows no blocks, repeats, LM, LR
# and LS; these stand in the worked examples.
ALL_PRIMITIVES = (
    *("1,1,2,5,0,0", "20,1,0.5,0,0,4,3,10", "21,1,3,1,0,-3,30", "4,1,3,-6,0,-4,0,-5,2,-6,0,0"),
    *("5,1,6,0,5,2,0", "1,0,1,5,0,0"),
)
ROUNDED = (
    *("21,1,$1,$2-2x$3,0,0,0", "21,1,$1-2x$3,$2,0,0,0", "1,1,2x$3,$1/2-$3,$2/2-$3,0"),
    *("1,1,2x$3,-$1/2+$3,$2/2-$3,0", "1,1,2x$3,-$1/2+$3,-$2/2+$3,0", "1,1,2x$3,$1/2-$3,-$2/2+$3,0"),
)
FEATURES = {
    "draws of every direction": "%ADD10C,0.3*% D10 X0Y0D02 X5D01 Y5D01 X2Y8D01 X-3Y-4D01 X-3Y-4D01",
    "flashes of every template": (
        """%ADD10C,1*% %ADD11R,2X1*% %ADD12O,3X1*% %ADD13O,1X3*% %ADD14P,2X5*%
        D10 X0Y0D03 D11 X5D03 D12 X10D03 D13 X15D03 D14 X20D03"""
    ),
    "arcs both ways": (
        """%ADD10C,0.4*% D10 X5Y0D02 G03 X0Y5I-5J0D01 X0Y5I-1J0D01 G02 X5Y0I0J-5D01
        G01 X9D01 G02 X11Y0I1J0D01"""
    ),
    "macro with every primitive": (
        f"""%AMALL*{"*".join(ALL_PRIMITIVES)}*% %ADD10ALL*% D10 X0Y0D03"""
    ),
    "macro with variables": (
        f"""%AMROUND*{"*".join(ROUNDED)}*% %ADD10ROUND,3X2X0.4*% %ADD11ROUND,1X4X0.2*%
        D10 X0Y0D03 D11 X5Y5D03"""
    ),
    "region of lines and arcs": (
        """G36 X0Y0D02 X10D01 G03 X10Y6I0J3D01 G01 X7D01 G02 X3Y6I-2J0D01 G01 X0D01
        Y0D01 G37"""
    ),
    "region with a cut-in": (
        """G36 X0Y0D02 X10D01 Y10D01 X0D01 Y5D01 X3D01 Y7D01 X7D01 Y3D01 X3D01 Y5D01 X0D01
        Y0D01 G37"""
    ),
    "dark and clear in turns": (
        """%ADD10C,1*% %ADD11C,2*% %ADD12R,12X12*% D12 X5Y5D03 %LPC*% D11 X3Y3D03 X7Y7D03
        D10 X0Y5D02 X4D01 %LPD*% D10 X3Y3D03 X0Y5D02 X2D01 %LPC*% G36 X8Y1D02 X10D01 Y3D01 X8Y1D01 G37"""
    ),
    "clear objects one after the other": (
        """%ADD10R,1X1*% %ADD12R,20X20*% D12 X0Y0D03 %LPC*%
        D10 X-5Y-5D03 X-4.5D03 X-4D03 Y-4.5D03 Y-4D03 X5Y5D03"""
    ),
}


@pytest.mark.parametrize("unit", ["MM", "IN"])
@pytest.mark.parametrize("name", FEATURES)
def test_feature_file(name: str, unit: str) -> None:
    """A file made for a feature gives the same copper as the reference, in both units."""
    agree(layer(FEATURES[name], unit=unit))


@needs_boards
@pytest.mark.parametrize("path", BOARD_FILES, ids=lambda path: path.stem)
def test_real_layer(path: Path) -> None:
    """A layer of a real board gives the same image as the reference, and no doubts."""
    data = path.read_bytes()
    assert read_gerber(data, path.name).doubts == ()
    if len(data) <= LARGE:
        agree(data)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_layer_of_another_library(path: Path) -> None:
    """Layers that come with the library pygerber, written by programs not ours: no doubts, and the
    same copper.
    """
    data = path.read_bytes()
    assert read_gerber(data, path.name).doubts == ()
    agree(data)


def test_the_examples_of_the_other_library_are_there() -> None:
    assert any(b"FileFunction,Copper" in path.read_bytes() for path in EXAMPLES)


def agree(data: bytes) -> None:
    """Both readers find the same copper."""
    found = copper(read_gerber(data, "layer.gbr"))
    expected = reference(data)
    assert found.area == pytest.approx(expected.area, rel=WITHIN)
    assert found.symmetric_difference(expected).area < WITHIN * expected.area


def reference(data: bytes) -> shapely.Geometry:
    """Copper as the reference reads it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        objects = GerberFile.from_string(data.decode()).objects
    painted: shapely.Geometry = shapely.Polygon()
    run: list[shapely.Geometry] = []
    polarity = True
    for primitive in (p for o in objects for p in o.to_primitives(unit=MM)):
        if primitive.polarity_dark != polarity:
            painted = _paint(painted, run, polarity)
            run, polarity = [], primitive.polarity_dark
        run.append(_shape(primitive))
    return _paint(painted, run, polarity)


def _paint(painted: shapely.Geometry, run: list[shapely.Geometry], dark: bool) -> shapely.Geometry:
    ink = shapely.union_all(run)
    return painted.union(ink) if dark else painted.difference(ink)


def _shape(part: object) -> shapely.Geometry:
    if isinstance(part, graphic.Circle):
        return shapely.Point(part.x, part.y).buffer(part.r, FINE)
    if isinstance(part, graphic.Rectangle):
        box = shapely.box(
            part.x - part.w / 2, part.y - part.h / 2, part.x + part.w / 2, part.y + part.h / 2
        )
        return shapely.affinity.rotate(
            box, part.rotation, origin=(part.x, part.y), use_radians=True
        )
    if isinstance(part, graphic.Line):
        line = shapely.LineString([(part.x1, part.y1), (part.x2, part.y2)])
        return (line if line.length else shapely.Point(part.x1, part.y1)).buffer(
            part.width / 2, FINE
        )
    if isinstance(part, graphic.Arc):
        ends = ((part.x1, part.y1), (part.x2, part.y2))
        return shapely.LineString(_along(*ends, (part.cx, part.cy), part.clockwise)).buffer(
            part.width / 2, FINE
        )
    assert isinstance(part, graphic.ArcPoly)
    points: list[object] = []
    for start, end, (clockwise, centre) in part.segments:
        points.extend([start] if clockwise is None else _along(start, end, centre, clockwise)[:-1])
    return shapely.make_valid(shapely.Polygon(points))


def _along(
    start: tuple[float, float],
    end: tuple[float, float],
    centre: tuple[float, float],
    clockwise: bool,
) -> list[tuple[float, float]]:
    """Points along an arc, ends exact."""
    radius = math.dist(start, centre)
    first = math.atan2(start[1] - centre[1], start[0] - centre[0])
    last = math.atan2(end[1] - centre[1], end[0] - centre[0])
    sweep = -((first - last) % math.tau) if clockwise else (last - first) % math.tau
    if start == end:
        sweep = -math.tau if clockwise else math.tau
    angles = first + sweep * np.linspace(0, 1, 4 * FINE)
    points = np.column_stack(
        (centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles))
    )
    points[0], points[-1] = start, end
    return [(float(x), float(y)) for x, y in points]
