"""Worked examples of the published format: areas, pieces and places, worked out from their
descriptions.

Source unless said: The Gerber Layer Format Specification 2023.08, the section in each case's name.
Areas were computed from the descriptions with circles of 16384 sides, six digits or more being
right.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from parsers.primitives import Kind
from tests.parsers.gerber.layers import assert_area, copper, image, pieces_and_holes

DRAWINGS = """%ADD10C,0.1*% %ADD11C,0.6*% %ADD12R,0.6X0.6*% %ADD13R,0.4X1*% %ADD14R,1X0.4*% %ADD15O,0.4X1*%
    %ADD16P,1X3*% %AMTHERMAL80*7,0,0,0.8,0.55,0.125,45*% %ADD17THERMAL80*%
    D10 X0Y2.5D02 Y0D01 X2.5D01 X10Y10D02 X15D01 X20Y15D01 X25D02 Y10D01
    D11 X10Y10D03 X20D03 X25D03 Y15D03 X20D03 D12 X10D03 D13 X30D03 D14 Y12.5D03 D15 Y10D03
    D10 X37.5Y10D02 G03 X37.5Y10I2.5J0D01 G01 D16 X34D03 X35Y9D03
    G36 X5Y20D02 X37.5D01 Y37.5D01 X5D01 Y20D01 G37"""
CLEARED = """%LPC*% G36 X10Y25D02 Y30D01 G02 X12.5Y32.5I2.5J0D01 G01 X30D01
    G02 X30Y25I0J-3.75D01 G01 X10D01 G37 %LPD*%"""
AFTERWARDS = "D10 X15Y28.75D02 X20D01 D11 X15D03 X20D03 D17 X28.75D03"

SQUARE = "X0Y0D02 X10D01 Y10D01 X0D01 Y0D01"


def _contour(*corners: tuple[float, float], bare: bool = False) -> str:
    """A closed contour; `bare` leaves the move to the first corner to the point before."""
    moves = ["D02" if bare else "X{}Y{}D02".format(*corners[0])]
    return " ".join(moves + ["X{}Y{}D01".format(*corner) for corner in [*corners[1:], corners[0]]])


def _block(number: int, *words: str) -> str:
    return " ".join([f"%ABD{number}*%", *words, "%AB*%"])


def _grid(xs: tuple[float, ...], ys: tuple[float, ...]) -> str:
    return " ".join(f"X{x}Y{y}D03" for x in xs for y in ys)


def _macro(body: str, call: str = "") -> str:
    return f"%AMPART*{body}*% %ADD10PART{call}*% D10 X0Y0D03"


B100 = _block(
    100,
    "D10 X65.532Y17.605375D02 Y65.865375D01 X-3.556D01 D11 X-3.556Y17.605375D03",
)
B101 = _block(101, "D100", _grid((0, 100), (0, 70)))
B102 = _block(102, B101, "D101", _grid((0, 230), (0, 160, 320)), "D12 X19.5Y-10D03")
PANEL = " ".join(
    [
        "%ADD10C,7.5*% %ADD11C,15*% %ADD12R,20X10*% %ADD13R,10X20*%",
        B100,
        B102,
        "D13 X-30Y10D03 X143Y-30D03 D102",
        _grid((0, 500, 1000), (0, 520)),
    ]
)
FOUR_TRANSFORMS = " ".join(
    [
        "%ADD10C,1*% %ADD11C,0.5*%",
        _block(
            12,
            "D10 X-2.5Y-1D03 Y1D03 %LPC*% D11 X-2.5Y-1D03 %LPD*%",
            "X-0.5Y-1D02 X2.5D01 G03 X0.5Y1I-2J0D01 G01",
        ),
        "D12 X0Y0D03 %LMX*% X10D03 %LMY*% %LR30*% X0Y8D03 %LMXY*% %LR45*% %LS0.8*% X10D03",
    ]
)
DRILLS = " ".join(
    [
        "%ADD10C,0.14*% %ADD11C,0.24*% %ADD12C,0.43*% %ADD13C,0.22*%",
        (
            "D10 X2.42Y2.75D03 Y3.25D03 X2.17Y3D03 X1.92Y3.25D03 X2.92Y2.75D03 X1.92D03"
            " X2.92Y3.25D03 X2.67Y3D03"
        ),
        "D11 X1.24Y0D03 X-1.24D03 X0Y1.24D03 Y-1.24D03",
        _grid((0.88, -0.88), (0.88, -0.88)),
        "D12 X7.92Y3.5D03 X4.92Y-3.5D03 D13",
        _grid((-2.33,), (-6, -4, -2, 0, 2, 4)),
        _grid((-0.33, 1.67, 3.67, 5.67, 7.67), (-6,)),
    ]
)
ROUNDED_BOX = (
    "21,1,$1,$2-$3-$3,0,0,$4*21,1,$1-$3-$3,$2,0,0,$4*$5=$1/2*$6=$2/2*$7=2x$3*"
    "1,1,$7,$5-$3,$6-$3,$4*1,1,$7,-$5+$3,$6-$3,$4*1,1,$7,-$5+$3,-$6+$3,$4*1,1,$7,$5-$3,-$6+$3,$4"
)
TWO_RINGS = _contour((125, 257), (122, 257), (122, 272), (131, 272), (131, 257)).replace(
    "X125Y257D01",
    "X125Y257D01 Y260D01 X129D01 Y264D01 X125D01 Y267D01 X129D01 Y270D01 X125D01 Y267D01 Y264D01"
    " Y260D01 Y257D01",
)
PLANE = "%ADD10C,1*%"

# name: words, area in mm2, (pieces, holes) or None
IMAGES = {
    "2.11.1 two boxes": (
        "%ADD10C,0.010*% D10 X0Y0D02 X5D01 Y5D01 X0D01 Y0D01 X6D02 X11D01 Y5D01 X6D01 Y0D01",
        0.399957,
        (2, 2),
    ),
    "2.11.2 before the clear region": (DRAWINGS, 576.004624, None),
    "2.11.2 after the clear region": (f"{DRAWINGS} {CLEARED}", 405.256562, None),
    "2.11.2 polarities and apertures": (f"{DRAWINGS} {CLEARED} {AFTERWARDS}", 406.464524, (17, 2)),
    "4.4.6 a hole does not clear": (
        "%ADD10C,1*% %ADD11C,10X5*% D10 X-25Y-1D02 X25Y1D01 D11 X0Y0D03",
        104.713399,
        (1, 2),
    ),
    "8.2.2 rectangular hole": (
        "%ADD10C,1*% %ADD11C,10X5X5*% D10 X-25Y-1D02 X25Y1D01 D11 X0Y0D03",
        99.385887,
        (1, 2),
    ),
    "4.5.2 exposure off does not clear": (
        (
            "%ADD10C,1*% %AMBOX*21,1,10,10,0,0,0*1,0,5,0,0*% %ADD11BOX*% D10 X-25Y-2D02 X25Y1D01"
            " D11 X0Y0D03"
        ),
        126.086022,
        (1, 2),
    ),
    "4.5.1.3 circle": (_macro("1,1,1.5,0,0,0"), 1.767146, (1, 0)),
    "4.5.1.4 vector line": (_macro("20,1,0.9,0,0.45,12,0.45,0"), 10.8, (1, 0)),
    "4.5.1.5 centre line": (_macro("21,1,6.8,1.2,3.4,0.6,30"), 8.16, (1, 0)),
    "4.5.1.6 outline": (_macro("4,1,3,1,-1,1,1,2,1,1,-1,30"), 1.0, (1, 0)),
    "4.5.1.7 polygon": (_macro("5,1,8,0,0,8,0"), 45.254834, (1, 0)),
    "4.5.1.8 thermal": (_macro("7,0,0,0.95,0.75,0.175,0"), 0.196524, (4, 0)),
    "4.5.4.2 expressions": (
        _macro("21,1,$1,$2-2x$3,-$4,-$5+$2,0", ",0.0807087X0.1023622X0.0118110X0.5X0.3"),
        0.00635501918,
        (1, 0),
    ),
    "4.5.4.3 donut": (_macro("1,1,$1,$2,$3*1,0,$4,$2,$3", ",0.100X0X0X0.080"), 0.002827433, (1, 1)),
    "4.5.5 donut with a variable": (
        _macro("1,1,$1,$2,$3*$4=$1x0.75*1,0,$4,$2,$3", ",0.02X0X0"),
        0.000137444679,
        (1, 1),
    ),
    "4.5.5.4 rounded box": (_macro(ROUNDED_BOX, ",4X2X0.5X30"), 7.785398, (1, 0)),
    "8.2.6 moire": (_macro("6,0,0,5,0.5,0.5,2,0.1,6,0"), 11.785502, (1, 8)),
    "4.7.2 full circle": ("%ADD10C,0.2*% D10 X0Y6D02 G02 X0Y6I5J0D01", 6.283185, (1, 1)),
    "4.7.2.1 two thirds of a circle": (
        "%ADD10C,0.2*% D10 X3Y-2D02 G03 X-3Y-2I-3J4D01",
        5.027599,
        (1, 0),
    ),
    "4.9.1 scaled draw": ("%ADD10C,1*% D10 X0Y0D02 X1D01 %LS1.5*% Y2D01", 5.439855, (1, 0)),
    "4.9.1 the same unscaled": ("%ADD10C,1*% D10 X0Y0D02 X1D01 Y2D01", 3.731748, (1, 0)),
    "4.9.6 block flashed with four transforms": (FOUR_TRANSFORMS, 16.841142, (12, 4)),
    "4.10.4.1 arrow": (
        f"G36 {_contour((2, 3), (7, 3), (7, 1), (11, 5), (7, 9), (7, 7), (2, 7))} G37",
        36.0,
        (1, 0),
    ),
    "4.10.4.2 two apart": (
        f"G36 {SQUARE} {_contour((-1, 5), (-5, 1), (-9, 5), (-5, 9))} G37",
        132.0,
        (2, 0),
    ),
    "4.10.4.3 one in the other": (
        f"G36 {SQUARE} {_contour((1, 5), (5, 1), (9, 5), (5, 9))} G37",
        100.0,
        (1, 0),
    ),
    "4.10.4.4 touching, after a bare D02": (
        (
            "G36 X0Y5D02 X0Y10D01 X10D01 Y0D01 X0D01 Y5D01"
            f" {_contour((0, 5), (-5, 1), (-9, 5), (-5, 9), bare=True)} G37"
        ),
        136.0,
        None,
    ),
    "4.10.4.5 inside, after a bare D02": (
        (
            "G36 X0Y5D02 X0Y10D01 X10D01 Y0D01 X0D01 Y5D01"
            f" {_contour((0, 5), (5, 1), (9, 5), (5, 9), bare=True)} G37"
        ),
        100.0,
        (1, 0),
    ),
    "4.10.4.6 dark and clear in turns": (
        f"""G36 {_contour((25, 25), (175, 25), (175, 175), (25, 175))} G37
        %LPC*% G36 X50Y100D02 G03 X50Y100I50J0D01 G01 G37
        %LPD*% G36 {_contour((75, 75), (125, 75), (125, 125), (75, 125))} G37
        %LPC*% G36 X115Y100D02 G03 X115Y100I25J0D01 G01 G37""",
        16275.729,
        (2, 1),
    ),
    "4.10.4.7 cut-in to a round hole": (
        """G36 X2Y10D02 X12D01 Y2D01 X2D01 Y6D01 X5D01 G03 X5Y6I3J0D01 G01 X2D01 Y10D01 G37""",
        51.725666,
        (1, 1),
    ),
    "4.10.4.8 cut-in that joins": (
        """G36 X0Y5D02 Y10D01 X10D01 Y0D01 X0D01 Y5D01 X-1D01 X-5Y1D01 X-9Y5D01 X-5Y9D01 X-1Y5D01 X0D01 G37""",
        132.0,
        (2, 0),
    ),
    "4.10.4.8 cut-in to a hole": (
        """G36 X0Y5D02 Y10D01 X10D01 Y0D01 X0D01 Y5D01 X1D01 X5Y1D01 X9Y5D01 X5Y9D01 X1Y5D01 X0D01 G37""",
        68.0,
        (1, 1),
    ),
    "4.10.4.9 two cut-ins": (f"G36 {TWO_RINGS} G37", 107.0, (1, 2)),
    "4.11.4 nested blocks": (PANEL, 159709.897, (296, 0)),
    "4.11.4 inner block": (f"%ADD10C,7.5*% %ADD11C,15*% {B100} D100 X0Y0D03", 1097.985395, (2, 0)),
    "4.11.4 middle block": (
        f"%ADD10C,7.5*% %ADD11C,15*% {B100} {B101} D101 X0Y0D03",
        4391.941580,
        (8, 0),
    ),
    "4.12 step and repeat": (
        """%ADD10C,0.5*% %ADD11R,0.4X0.3*% %SRX3Y2I5.0J4.0*%
        D10 X0.123456Y0.789012D03 D11 X0.456789Y0.012345D03 %SR*%""",
        1.898097,
        (12, 0),
    ),
    "6.6.2 drill layer": (DRILLS, 1.193648, (29, 0)),
    "6.9.3 component layer": (
        """%ADD10C,0.3*% %ADD11C,0.1*% %ADD12P,0.36X4X0*% D10 X218.25Y-73D03
        D11 X217.25Y-74.69D02 X219.25D01 Y-71.31D01 X217.25D01 Y-74.69D01
        D12 X218.25Y-72.045D03 D11 X218.25Y-73.955D03""",
        1.217194,
        (4, 1),
    ),
    "8.1.10 single quadrant": (
        """%ADD10C,0.2*% G74 D10 X11Y6D02 G03 X7Y10I4J0D01 X3Y6I0J4D01 X7Y2I4J0D01 X11Y6I0J4D01 G01
        X3Y6D02 X11D01 X7Y2D02 Y10D01""",
        8.106206,
        (1, 4),
    ),
}


@pytest.mark.parametrize("name", IMAGES)
def test_image(name: str) -> None:
    """Each example image has the area, pieces and holes of its description."""
    words, area, count = IMAGES[name]
    doubts = {"aperture both mirrored and turned"} if name.startswith("4.9.6") else set()
    shape = copper(image(*words.split("\n"), doubts=doubts))
    assert_area(shape, area)
    if count:
        assert pieces_and_holes(shape) == count


def test_rs274x_guide_in_inches() -> None:
    """The example of the RS-274X guide of 2001 (p. 11-12) reads the same in inches, in the spelling
    of its time.
    """
    text = """%ADD10C,.01*% %ADD11C,.06*% %ADD12R,.06X.06*% %ADD13R,.04X.1*% %ADD14R,.1X.04*% %ADD15O,.04X.1*%
    %ADD16P,.1X3*% %AMTHERMAL80*7,0,0,.08,.055,.0125,45*% %ADD17THERMAL80*%
    %AMTARGET125*6,0,0,.125,.01,.01,3,.003,.150,0*% %ADD18TARGET125*% %SRX1Y1I0J0*% %IPPOS*%
    G54D10 X0Y.25D02 Y0D01 X.25 X1Y1D02 X1.5D01 X2Y1.5 X2.5D02 Y1D01
    G54D11 X1Y1D03 X2D03 X2.5D03 Y1.5D03 X2D03 G55D12 X1D03 G54D13 X3D03 D14 Y1.25D03 D15 Y1D03
    D10 X3.75Y1D02 G75 G03 X3.75Y1I.25J0D01 G01 D16 X3.4D03 X3.5Y.9D03
    G36 X.5Y2D02 X3.75D01 Y3.75D01 X.5 Y2 G37
    %LPC*% G36 X1Y2.5D02 Y3D01 G74 G02 X1.25Y3.25I.25J0D01 G75 G01 X3D01 G02 X3Y2.5I0J-.375D01 G01 X1 G37 %LPD*%
    G54D10 X1.5Y2.875D02 X2D01 G54D11 X1.5D03 X2D03 G54D17 X2.875D03 G54D18 X0Y3.875D03 X3.875Y3.875D03"""
    assert_area(copper(image(text, unit="IN")), 4.079844 * 25.4**2)


def test_overlapping_return_is_reported() -> None:
    """The invalid twin of 4.10.4.9, whose two holes share one long return segment, is read by
    winding and reported.
    """
    words = """G36 X111Y257D02 X109D01 Y272D01 X117D01 Y257D01 X111D01 Y260D01 X114D01 Y264D01 X111D01
        Y267D01 X114D01 Y270D01 X111D01 Y257D01 G37"""
    assert_area(copper(image(words, doubts={"contour that is not valid"})), 99.0)


@pytest.mark.parametrize(
    ("words", "corners"),
    [
        (
            "21,1,6.8,1.2,3.4,0.6,30",
            [(0, 0), (5.888973, 3.4), (5.288973, 4.439230), (-0.6, 1.039230)],
        ),
        (
            "4,1,3,1,-1,1,1,2,1,1,-1,30",
            [(1.366025, -0.366025), (0.366025, 1.366025), (1.232051, 1.866025)],
        ),
    ],
    ids=["4.5.1.5", "4.5.1.6"],
)
def test_macro_corners(words: str, corners: list[tuple[float, float]]) -> None:
    """Primitives turn about the macro's origin, so that their corners lie where the specification
    says.
    """
    found = shapely.get_coordinates(copper(image(_macro(words))))
    for corner in corners:
        assert np.hypot(*(found - corner).T).min() < 1e-6


def test_arc_of_4_7_2_1_is_exact() -> None:
    """The arc of 4.7.2.1 has its centre at (0, 2), radius 5 and length 24.980915 mm."""
    arc = image("%ADD10C,0.2*% D10 X3Y-2D02 G03 X-3Y-2I-3J4D01").objects
    assert arc.kind.tolist() == [Kind.ARC]
    assert arc.geometry[0, :3] == pytest.approx([0, 2, 5])
    assert arc.geometry[0, 2] * arc.geometry[0, 4] == pytest.approx(24.980915)


def test_mirror_comes_before_rotation() -> None:
    """In 4.9.6 the rings land where mirroring first and rotating second puts them."""
    rings = [
        p
        for p in shapely.get_parts(
            copper(image(FOUR_TRANSFORMS, doubts={"aperture both mirrored and turned"}))
        )
        if p.interiors
    ]
    centres = [p.centroid for p in rings]
    for x, y in ((-2.665064, 7.616025), (10.848528, 9.979899)):
        assert min(math.hypot(c.x - x, c.y - y) for c in centres) < 1e-5


def test_repeat_copies_go_up_first() -> None:
    """Copies of a repeat come column by column: to the top first, then to the right (4.12)."""
    objects = image("%ADD10C,0.5*% D10 %SRX3Y2I5.0J4.0*% X0Y0D03 %SR*%").objects
    assert objects.geometry[:, :2].tolist() == [[0, 0], [0, 4], [5, 0], [5, 4], [10, 0], [10, 4]]


def test_centre_of_an_evaluated_macro() -> None:
    """The box of 4.5.4.2 is centred at (-0.5, -0.1976378)."""
    call = ",0.0807087X0.1023622X0.0118110X0.5X0.3"
    centre = copper(image(_macro("21,1,$1,$2-2x$3,-$4,-$5+$2,0", call))).centroid
    assert (centre.x, centre.y) == pytest.approx((-0.5, -0.1976378))


@pytest.mark.parametrize(
    ("words", "area", "pieces"),
    [
        ("%ADD10C,1X0.5*% D10 X0Y0D03", 0.589049, 1),
        ("%ADD10O,2X1*% D10 X0Y0D03", 1.785398, 1),
        ("%ADD10P,2X6*% D10 X0Y0D03", 2.598076, 1),
        ("%ADD10R,2X1*% D10 %LS2*% %LR45*% X0Y0D03", 8.0, 1),
        (
            f"%ADD10R,4X4*% %ADD11C,2*% {_block(20, 'D10 X0Y0D03 %LPC*% D11 X0Y0D03 %LPD*%')} {{}}",
            None,
            None,
        ),
        (_macro("21,1,2,1,3,0,90"), 2.0, 1),
        (_macro("7,0,0,2,1,0.2,0"), 1.954847, 4),
        ("%ADD10C,0.2*% D10 X0Y0D02 X10D01", 2.031416, 1),
        ("%ADD10C,0.2*% D10 X5Y0D02 G03 X0Y5I-5J0D01", 1.602212, 1),
        ("%ADD10R,1X0.5*% D10 X0Y0D02 X10D01", 5.5, 1),
        ("%ADD10R,1X0.5*% D10 X0Y0D02 X10Y10D01", 15.5, 1),
        (f"G36 {SQUARE} {_contour((1, 1), (3, 1), (3, 3), (1, 3))} G37", 100.0, 1),
        (
            (
                f"G36 {_contour((0, 0), (2, 0), (2, 2), (0, 2))}"
                f" {_contour((1, 1), (3, 1), (3, 3), (1, 3))} G37"
            ),
            7.0,
            1,
        ),
        (
            f"G36 {SQUARE} G37 %ADD10C,2*% %ADD11C,1*% %LPC*% D10 X5Y5D03 %LPD*% D11 X5Y5D03",
            97.643806,
            2,
        ),
        ("%ADD10C,0.2*% D10 X5Y0D02 G02 X0Y5I-5J0D01", 0.2 * 7.5 * math.pi + math.pi * 0.01, 1),
    ],
)
def test_number_worked_by_hand(words: str, area: float | None, pieces: int | None) -> None:
    """Small images have the areas worked out by hand from the definitions."""
    if area is None:
        for polarity, under, expected, count in (
            ("D", "2X2", 12.858407, 1),
            ("C", "10X10", 87.141593, 2),
        ):
            use = f"%ADD12R,{under}*% D12 X0Y0D03 %LP{polarity}*% D20 X0Y0D03"
            shape = copper(image(words.format(use)))
            assert_area(shape, expected)
            assert pieces_and_holes(shape)[0] == count
        return
    shape = copper(image(words))
    assert_area(shape, area)
    assert pieces_and_holes(shape)[0] == pieces
