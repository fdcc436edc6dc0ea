"""Blocks and repeats: nesting, transforms, polarity, attributes, bounds.

Rules: The Gerber Layer Format Specification 2023.08, 4.11 and 4.12; the old closing of repeats
8.3.4.
"""

from __future__ import annotations

import time

import pytest

from parsers.gerber import read_gerber
from parsers.primitives import Kind
from parsers.trouble import FormatError
from tests.parsers.gerber.layers import assert_area, copper, image, layer

PEN = "%ADD10C,1*% %ADD11R,2X1*%"


def places(words: str, doubts: set[str] | None = None) -> list[tuple[float, float]]:
    found = image(f"{PEN} {words}", doubts=doubts or set()).objects.geometry[:, :2].tolist()
    return [(round(x, 6), round(y, 6)) for x, y in found]


def test_repeat_in_the_middle_of_a_file() -> None:
    """Copies stand where the repeat stands among the other objects (4.12)."""
    words = "D10 X9Y9D03 %SRX2Y1I5J0*% X0Y0D03 X1D03 %SR*% X8Y8D03"
    assert places(words) == [(9, 9), (0, 0), (1, 0), (5, 0), (6, 0), (8, 8)]


@pytest.mark.parametrize("end", ["%SRX1Y1I0J0*%", "%SR*%", "%SRX2Y1I0J5*% %SR*%", ""])
def test_old_ways_to_end_a_repeat(end: str) -> None:
    """A repeat ends with SRX1Y1I0J0, with another repeat, or with the file (8.3.4)."""
    assert places(f"D10 %SRX2Y1I5J0*% X0Y0D03 {end}") == [(0, 0), (5, 0)]


def test_repeat_that_repeats_once_is_none() -> None:
    """SRX1Y1 with nothing open does nothing."""
    assert places("%SRX1Y1I0J0*% D10 X0Y0D03") == [(0, 0)]


def test_repeat_of_nothing() -> None:
    """A repeat of zero copies or of no objects gives none, however many copies it announces."""
    assert places("%SRX0Y5I1J1*% D10 X0Y0D03 %SR*%") == []
    assert places("%SRX1000000Y1000000I1J1*% %SR*%") == []


def test_block_is_drawn_where_it_is_flashed() -> None:
    """A block is not drawn at its definition, but at each flash (4.11)."""
    assert places("%ABD20*% D10 X1Y2D03 %AB*% D20 X10Y0D03 X20Y5D03") == [(11, 2), (21, 7)]


def test_block_turns_as_a_whole() -> None:
    """Transforms of the flash act on places and apertures inside, after the inner ones (4.11.1)."""
    words = f"{PEN} %ABD20*% %LR90*% D11 X3Y0D03 %LR0*% %AB*% %LR90*% D20 X10Y0D03"
    assert copper(image(words)).bounds == pytest.approx((9, 2.5, 11, 3.5))


@pytest.mark.parametrize(
    ("transform", "sweep", "start", "radius", "pen"),
    [
        ("", 1, 0, 2, 0.5),
        ("%LMX*%", -1, 2, 2, 0.5),
        ("%LMY*%", -1, 0, 2, 0.5),
        ("%LR90*%", 1, 1, 2, 0.5),
        ("%LS2*%", 1, 0, 4, 1.0),
        ("%LMXY*%", 1, -2, 2, 0.5),
    ],
)
def test_arcs_in_blocks(transform: str, sweep: int, start: int, radius: float, pen: float) -> None:
    """An arc inside a block turns, scales and, where mirrored, runs the other way; angles in
    quarter turns.
    """
    words = f"{PEN} %ABD20*% D10 X2Y0D02 G03 X0Y2I-2J0D01 G01 %AB*% {transform} D20 X5Y5D03"
    objects = image(words).objects
    assert objects.kind.tolist() == [Kind.ARC]
    quarter = 1.5707963267948966
    x, y, reach, first, turned = objects.geometry[0]
    assert (x, y, reach) == pytest.approx((5, 5, radius))
    assert turned == pytest.approx(sweep * quarter)
    assert abs(first) == pytest.approx(abs(start) * quarter, abs=1e-9)
    assert objects.radius.tolist() == [pen]


def test_nested_blocks_and_repeat_of_blocks() -> None:
    """Blocks may be defined in blocks and flashed in repeats (4.11.2, 4.12)."""
    words = (
        "%ABD20*% %ABD21*% D10 X1Y0D03 %AB*% D21 X0Y0D03 Y5D03 %AB*% %SRX2Y1I100J0*% D20 X10Y0D03"
        " %SR*% D21 X0Y50D03"
    )
    assert places(words) == [(11, 0), (11, 5), (111, 0), (111, 5), (1, 50)]


def test_clear_flash_swaps_polarities_at_every_level() -> None:
    """A clear flash of a block that flashes a block swaps all polarities inside; regions with arcs
    too.
    """
    disc = "G36 X3Y0D02 G03 X3Y0I-3J0D01 G01 G37"
    words = f"""%ADD12R,10X10*% %ABD20*% {disc} %LPC*% D10 X0Y0D03 %LPD*% %AB*% %ABD21*% D20 X0Y0D03 %AB*%
    D12 X0Y0D03 %LPC*% D21 X0Y0D03"""
    shape = copper(image(f"{PEN} {words}"))
    assert_area(shape, 100 - 3.141592653589793 * (9 - 0.25))


def test_net_of_the_flash_reaches_objects_without_one() -> None:
    """Objects in a block keep their own net; those without get that of the flash; a contradiction
    is doubted.
    """
    words = f"{PEN} %ABD20*% D10 X0Y0D03 %TO.N,A*% X1D03 %TD*% %AB*% %TO.N,B*% D20 X10Y0D03"
    found = image(words, doubts={"net of a block's flash differs from nets inside"})
    assert [found.nets[net] for net in found.objects.net] == [("B",), ("A",)]


def test_pin_of_the_flash_reaches_the_block() -> None:
    """The part and pin of a flash are those of the copper inside the block."""
    found = image(f"{PEN} %ABD20*% D10 X0Y0D03 %AB*% %TO.P,U1,2*% D20 X10Y0D03")
    assert [found.components[c] for c in found.objects.component] == ["U1"]
    assert [found.pins[p] for p in found.objects.pin] == [("2", "")]


def test_block_may_not_draw() -> None:
    """A draw with a block has no meaning: the objects are missing, with a doubt."""
    words = "%ABD20*% D10 X0Y0D03 %AB*% D20 X0Y0D02 X5D01"
    assert places(words, {"draw with a block aperture"}) == []


def test_block_cannot_flash_itself() -> None:
    """A block that flashes its own number finds no aperture yet."""
    words = "%ABD20*% D10 X0Y0D03 D20 X1Y0D03 %AB*% D20 X5Y0D03"
    assert places(words, {"aperture used before it is defined"}) == [(5, 0)]


def test_repeat_in_a_block() -> None:
    """The format forbids a repeat inside a block; it is carried out with a doubt."""
    words = "%ABD20*% %SRX2Y1I5J0*% D10 X0Y0D03 %SR*% %AB*% D20 X0Y0D03"
    assert places(words, {"SR inside a block"}) == [(0, 0), (5, 0)]


@pytest.mark.parametrize("words", ["%AB*% D10 X0Y0D03", "%SRX2Y1I5J0*% D10 X0Y0D03 %AB*% %SR*%"])
def test_stray_end_of_a_block(words: str) -> None:
    """An end without a beginning is doubted."""
    assert (0, 0) in places(words, {"AB without its beginning"})


def test_block_without_end() -> None:
    """A block that never ends hides its objects: a doubt."""
    assert places("%ABD20*% D10 X0Y0D03", {"AB without its end"}) == []


@pytest.mark.parametrize(
    "words",
    [
        "%SRX40000Y40000I1J1*% D10 X0Y0D03 %SR*%",
        "%ABD20*% D10 X0Y0D03 %AB*% "
        + " ".join(f"%ABD{21 + k}*% D{20 + k} X0Y0D03 X1D03 %AB*%" for k in range(60))
        + " D80 X0Y0D03",
        (
            "%ABD20*% %SRX9999Y9999I1J1*% D10 X0Y0D03 %SR*% %AB*% %SRX9999Y9999I1J1*% D20 X0Y0D03"
            " %SR*%"
        ),
    ],
    ids=["repeat", "doubling blocks", "repeat of a block of a repeat"],
)
def test_expansion_beyond_bounds_is_refused(words: str) -> None:
    """A few bytes that announce a billion copies are refused at once, with one line."""
    start = time.process_time()
    with pytest.raises(FormatError, match="more than 5000000 objects"):
        read_gerber(layer(PEN, words), "layer.gbr")
    assert time.process_time() - start < 5


def test_long_chain_of_blocks() -> None:
    """A thousand blocks, each flashing the one before, are read without running out of stack."""
    chain = " ".join(f"%ABD{21 + k}*% D{20 + k} X0Y0D03 %AB*%" for k in range(1000))
    assert places(f"%ABD20*% D10 X1Y0D03 %AB*% {chain} D1020 X0Y0D03") == [(1, 0)]
