"""Standard apertures, flashed and drawn.

Rules: The Gerber Layer Format Specification 2023.08, 4.3, 4.4, 4.9; rectangular holes and draws
with rectangles 8.2.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from parsers.primitives import Kind
from tests.parsers.gerber.layers import assert_area, copper, image, pieces_and_holes


def flashed(aperture: str, before: str = "", doubts: tuple[str, ...] = ()) -> shapely.Geometry:
    return copper(image(f"%ADD10{aperture}*% {before} D10 X0Y0D03", doubts=doubts))


@pytest.mark.parametrize(
    ("aperture", "kind", "radius", "ends"),
    [
        ("C,1", Kind.DISC, 0.5, (5, 6)),
        ("O,3X1", Kind.STROKE, 0.5, (4, 6, 6, 6)),
        ("O,1X3", Kind.STROKE, 0.5, (5, 5, 5, 7)),
        ("O,1X1", Kind.DISC, 0.5, (5, 6)),
    ],
)
def test_round_flashes_stay_exact(
    aperture: str, kind: Kind, radius: float, ends: tuple[float, ...]
) -> None:
    """Solid circles and obrounds are discs and strokes, and pads."""
    objects = image(f"%ADD10{aperture}*% D10 X5Y6D03").objects
    assert objects.kind.tolist() == [kind]
    assert objects.radius.tolist() == [radius]
    assert objects.geometry[0, : len(ends)].tolist() == pytest.approx(list(ends))
    assert objects.pad.tolist() == [True]


@pytest.mark.parametrize(
    ("aperture", "area", "count"),
    [
        ("R,2X1", 2.0, (1, 0)),
        ("R,2X1X0.5", 2 - math.pi / 16, (1, 1)),
        ("O,3X1X0.5", 2 + math.pi / 4 - math.pi / 16, (1, 1)),
        ("P,2X4", 2.0, (1, 0)),
        ("P,2X4X45", 2.0, (1, 0)),
        ("P,2X4X0X0.5", 2 - math.pi / 16, (1, 1)),
        ("P,2X12", 3.0, (1, 0)),
        ("C,2X1X0.5", math.pi - 0.5, (1, 1)),
        ("R,2X1X0.5X0.25", 2 - 0.125, (1, 1)),
    ],
)
def test_flash_area(aperture: str, area: float, count: tuple[int, int]) -> None:
    """Each template has the area of its definition."""
    shape = flashed(aperture)
    assert_area(shape, area)
    assert pieces_and_holes(shape) == count


def test_polygon_has_a_vertex_on_plus_x() -> None:
    """The first vertex of P lies on +x, its rotation is counterclockwise in degrees (4.4.5)."""
    corners = shapely.get_coordinates(flashed("P,2X3X30"))
    for angle in (30, 150, 270):
        corner = (math.cos(math.radians(angle)), math.sin(math.radians(angle)))
        assert np.hypot(*(corners - corner).T).min() < 1e-12


def test_rectangular_hole_does_not_turn_with_the_polygon() -> None:
    """The old rectangular hole keeps its direction when the aperture's own rotation is not 0."""
    shape = flashed("P,4X6X17X1X0.5")
    (hole,) = shape.interiors
    assert shapely.bounds(shapely.Polygon(hole)).tolist() == [-0.5, -0.25, 0.5, 0.25]


@pytest.mark.parametrize(
    "aperture",
    [
        "C,-1",
        "R,0X1",
        "R,1",
        "O,1X-1",
        "P,1X2",
        "P,1X13",
        "P,1X3.5",
        "P,0X3",
        "C",
        "R,1X1X2",
        "C,1X-0.1",
        "C,99999",
    ],
)
def test_aperture_that_cannot_be_made(aperture: str) -> None:
    """Where a definition gives no image, a doubt says that the objects are missing; it is not an
    error of the file.
    """
    found = image(f"%ADD10{aperture}*% D10 X0Y0D03", doubts={"aperture D10 cannot be made"})
    assert len(found.objects) == 0


@pytest.mark.parametrize("aperture", ["R,1X1X1.2", "O,2X1X1", "C,1X1X0.1"])
def test_hole_that_is_not_strictly_inside(aperture: str) -> None:
    """A hole that reaches the edge is not allowed (4.4.6); what is left is drawn, with a doubt."""
    found = image(
        f"%ADD10{aperture}*% D10 X0Y0D03", doubts={"aperture D10 has an outline that is not valid"}
    )
    assert len(found.objects) >= 1


def test_bad_aperture_that_is_not_used_is_no_doubt() -> None:
    """A definition that nothing uses hides no copper."""
    assert len(image("%ADD10R,0X1*% %ADD11C,1*% D11 X0Y0D03").objects) == 1


def test_size_zero_is_kept_for_its_attributes() -> None:
    """A circle of size 0 has no image (4.3.2), but its draws are kept: outlines are drawn with
    it.
    """
    found = image("%ADD10C,0*% D10 X0Y0D02 X1D01")
    assert found.objects.radius.tolist() == [0.0]
    assert copper(found).is_empty


@pytest.mark.parametrize(
    ("transform", "bounds"),
    [
        ("", (0, 0, 3, 1)),
        ("%LMX*%", (-3, 0, 0, 1)),
        ("%LMY*%", (0, -1, 3, 0)),
        ("%LMXY*%", (-3, -1, 0, 0)),
        ("%LR90*%", (-1, 0, 0, 3)),
        ("%LR180*%", (-3, -1, 0, 0)),
        ("%LR-90*%", (0, -3, 1, 0)),
        ("%LS2*%", (0, 0, 6, 2)),
        ("%LMX*% %LR90*% %LMN*%", (-1, 0, 0, 3)),
        ("%LR90*% %LS2*% %LR0*%", (0, 0, 6, 2)),
    ],
)
def test_transforms_turn_the_aperture_about_its_origin(
    transform: str, bounds: tuple[float, ...]
) -> None:
    """LM, LR and LS change the flash about the aperture's origin and do not add up (4.9)."""
    found = image(f"%AMBAR*21,1,3,1,1.5,0.5,0*% %ADD10BAR*% {transform} D10 X0Y0D03")
    assert copper(found).bounds == pytest.approx(bounds)


def test_mirrored_before_turned() -> None:
    """A bar flashed under LMX and LR90 lies below the origin: mirrored first, as older files may
    not mean.
    """
    words = "%AMBAR*21,1,3,1,1.5,0.5,0*% %ADD10BAR*% %LMX*% %LR90*% D10 X0Y0D03"
    assert copper(
        image(words, doubts={"aperture both mirrored and turned"})
    ).bounds == pytest.approx((-1, -3, 0, 0))


@pytest.mark.parametrize("aperture", ["C,1", "R,2X1", "O,2X1"])
def test_order_of_mirror_and_turn_is_no_doubt_for_symmetric_apertures(aperture: str) -> None:
    """Where mirroring and turning by a right angle commute, nothing is in doubt."""
    flashed(aperture, "%LMX*% %LR90*%")


def test_transform_changes_exact_flashes_too() -> None:
    """An obround turned and scaled is still an exact stroke."""
    objects = image("%ADD10O,3X1*% %LR90*% %LS2*% D10 X5Y6D03").objects
    assert objects.radius.tolist() == [1.0]
    assert objects.geometry[0, :4].tolist() == pytest.approx([5, 4, 5, 8])


def test_rectangle_sweeps_without_turning() -> None:
    """An old draw with a rectangle is the hull of both ends, not turned into the direction of the
    line (8.2.3).
    """
    found = image("%ADD10R,1X0.5*% D10 X0Y0D02 X10Y10D01")
    assert found.objects.kind.tolist() == [Kind.AREA]
    assert found.objects.pad.tolist() == [False]
    assert copper(found).area == pytest.approx(0.5 + 10 * 0.5 + 10 * 1)


@pytest.mark.parametrize(
    ("words", "area"),
    [
        ("%ADD10O,2X1*% D10 X0Y0D02 X10D01", 10 + 1 + math.pi / 4),
        ("%ADD10P,2X4*% D10 X0Y0D02 X10D01", 2 + 2 * 10),
        ("%AMBAR*21,1,2,1,0,0,0*% %ADD10BAR*% D10 X0Y0D02 X10D01", 12.0),
        ("%ADD10C,2X1*% D10 X0Y0D02 X10D01", math.pi + 20),
    ],
)
def test_draw_with_another_aperture_is_doubted(words: str, area: float) -> None:
    """Only solid circles may draw, and rectangles did; anything else is swept all the same, with a
    doubt (2.3).
    """
    assert_area(copper(image(words, doubts={"draw with an aperture that may not draw"})), area)


def test_arc_with_a_rectangle_follows_the_arc() -> None:
    """An arc drawn with a rectangle, legal in no revision, is doubted; its copper covers the whole
    arc.
    """
    words = "%ADD10R,0.2X0.2*% D10 X5Y0D02 G03 X0Y5I-5J0D01"
    shape = copper(image(words, doubts={"draw with an aperture that may not draw"}))
    angles = np.linspace(0, math.pi / 2, 1000)
    assert shape.covers(shapely.LineString(5 * np.column_stack((np.cos(angles), np.sin(angles)))))
    assert shape.area == pytest.approx(0.2 * 5 * math.pi / 2 * 4 / math.pi, rel=0.05)


def test_clear_draw_with_a_shape_that_is_not_convex_takes_nothing() -> None:
    """A clear draw whose sweep would be grown leaves the copper alone: it is doubted, and nothing
    is hidden.
    """
    cross = "%AMCROSS*21,1,2,0.2,0,0,0*21,1,0.2,2,0,0,0*% %ADD10CROSS*%"
    words = f"{cross} %ADD11R,10X10*% D11 X0Y0D03 %LPC*% D10 X-1Y0D02 X1D01"
    assert copper(
        image(words, doubts={"draw with an aperture that may not draw"})
    ).area == pytest.approx(100)


def test_invalid_outline_in_a_macro_is_doubted() -> None:
    """An outline that crosses itself is filled by its winding and doubted."""
    words = "%AMBOW*4,1,4,0,0,4,4,4,0,0,4,0,0,0*% %ADD10BOW*% D10 X0Y0D03"
    assert_area(copper(image(words, doubts={"aperture D10 has an outline that is not valid"})), 8.0)


def test_redefined_aperture() -> None:
    """The latest definition before a use holds; defining a number twice is doubted (11.30)."""
    words = "%ADD10C,1*% D10 X0Y0D03 %ADD10C,2*% X5Y0D03"
    assert image(words, doubts={"aperture defined twice"}).objects.radius.tolist() == [0.5, 1.0]


def test_aperture_used_before_its_definition() -> None:
    """Objects without an aperture are missing, and that is said."""
    words = "%ADD11C,1*% D10 X0Y0D03 D11 X1Y0D03 %ADD10C,1*%"
    assert len(image(words, doubts={"aperture used before it is defined"}).objects) == 1
