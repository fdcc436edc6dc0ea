"""Whole files: format, unit, deprecated notations, damage, and what is a doubt.

Rules: The Gerber Layer Format Specification 2023.08, chapters 2, 3, 4 and 8.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from parsers.gerber import looks_like_gerber, read_gerber
from parsers.primitives import Kind
from parsers.trouble import FormatError
from tests.parsers.gerber.layers import copper, image, layer

HEAD = b"%FSLAX46Y46*%%MOMM*%"
FLASH = b"%ADD10C,1*%D10*X1000000Y2000000D03*"


def whats(data: bytes) -> set[str]:
    return {doubt.what for doubt in read_gerber(data, "layer.gbr").doubts}


def places(data: bytes) -> list[list[float]]:
    """Where the objects lie."""
    found = read_gerber(data, "layer.gbr").objects.geometry[:, :2].tolist()
    return [[round(x, 9), round(y, 9)] for x, y in found]


@pytest.mark.parametrize(
    ("head", "operation", "place"),
    [
        (b"%FSLAX36Y36*%%MOMM*%", b"X1500000Y-250", [1.5, -0.00025]),
        (b"%FSLAX24Y24*%%MOIN*%", b"X10000Y0", [25.4, 0]),
        (b"%FSTAX24Y24*%%MOIN*%", b"X01Y-01", [25.4, -25.4]),
        (b"%FSAX24Y24*%%MOIN*%", b"X10000Y0", [25.4, 0]),
        (b"%FSLAX26Y26*%G70*", b"X1000000Y0", [25.4, 0]),
        (b"%FSLAX26Y26*%G71*", b"X1000000Y0", [1, 0]),
        (b"%FSLAX24Y24*MOIN*%", b"X10000Y0", [25.4, 0]),
        (b"%FSLAX00Y00*%%MOMM*%", b"X3Y4", [3, 4]),
    ],
)
def test_format_and_unit(head: bytes, operation: bytes, place: list[float]) -> None:
    """Numbers are read in the stated format and unit (facts of 4.2 and 8.2.1, worked by hand)."""
    data = head + b"%ADD10C,1*%D10*" + operation + b"D03*M02*"
    assert places(data) == [place]
    assert whats(data) == set()


def test_sizes_are_in_the_file_unit() -> None:
    """Aperture sizes, block steps and macros are in inches where the file is."""
    words = (
        "%AMBOX*21,1,1,1,0,0,0*% %ADD10BOX*% %ADD11C,2*% %SRX2Y1I10J0*% D10 X0Y0D03 D11 X5Y0D03"
        " %SR*%"
    )
    found = image(words, unit="IN")
    assert sorted(found.objects.radius.tolist()) == [0, 0, 25.4, 25.4]
    assert copper(found).bounds == pytest.approx((-12.7, -25.4, 16 * 25.4, 25.4), abs=1e-3)


def test_incremental_coordinates() -> None:
    """Incremental notation adds to the last point; G90 and G91 switch (8.1.1, 8.2.1)."""
    body = b"%ADD10C,1*%D10*X1000000Y1000000D03*X1000000D03*Y-500000D03*"
    assert places(b"%FSLIX46Y46*%%MOMM*%" + body + b"M02*") == [[1, 1], [2, 1], [2, 0.5]]
    switched = HEAD + body.replace(b"Y-5", b"G91*Y-5") + b"X1000000D03*G90*X0D03*M02*"
    assert places(switched) == [[1, 1], [1, 1], [1, 0.5], [2, 0.5], [0, 0.5]]
    assert whats(switched) == set()


def test_modal_coordinates_and_codes() -> None:
    """An omitted coordinate is that of the current point, a G code holds, coordinates alone repeat
    D01 (2.7, 8.3.2).
    """
    found = image("%ADD10C,1*% D10 X1Y2D02 X3D01 Y4D01 X5Y6 X7").objects
    assert found.geometry[:, :4].tolist() == [
        [1, 2, 3, 2],
        [3, 2, 3, 4],
        [3, 4, 5, 6],
        [5, 6, 7, 6],
    ]


@pytest.mark.parametrize("words", ["X1Y1D02 X2", "X1Y1D03 X2D03 X3", "X1Y1D02 X2D01 D11 X3"])
def test_coordinates_alone_after_something_else(words: str) -> None:
    """What coordinates alone do after D02, D03 or an aperture is left open: a doubt (8.3.2)."""
    what = "coordinates without an operation code after something else than D01"
    image(f"%ADD10C,1*% %ADD11C,1*% D10 {words}", doubts={what})


def test_arc_stays_exact() -> None:
    """A G75 arc keeps centre, radius and sweep; its line number is that of its word."""
    found = image("%ADD10C,0.2*% D10 X5Y0D02 G02 X0Y5I-5J0D01").objects
    assert found.kind.tolist() == [Kind.ARC]
    assert found.line.tolist() == [9]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "not a Gerber file"),
        (b"\0\1*", "not a Gerber file"),
        (b"hello", "not a Gerber file"),
        (b"M48\nT1C0.3\n%\nX1Y1*", "no coordinate format"),
        (b"G54D10*X100Y100D02*X200D01*M02*", "RS-274-D"),
        (b"%FSDAX24Y24*%%MOMM*%M02*", "no coordinate format"),
        (b"%FSLAX24Y25*%%MOMM*%M02*", "no coordinate format"),
        (b"%FSLAX46Y46*%M02*", "no unit"),
        (b"%FSLAX46Y46*%%MOMM*%X99999000000Y0D02*M02*", "beyond 10 m"),
    ],
)
def test_unreadable_files(data: bytes, message: str) -> None:
    """A file that is something else, or that lacks format or unit, is one line of error with its
    name.
    """
    with pytest.raises(FormatError, match=message) as caught:
        read_gerber(data, "layer.gbr")
    assert str(caught.value).startswith("layer.gbr: ")
    assert "\n" not in str(caught.value)


DOUBTS = {
    b"X0Y0D02*": set(),
    b"G04 fine*": set(),
    b"%INname*%%LNname*%%IPPOS*%%OFA0B0*%%MIA0B0*%%SFA1.0B1.0*%%IR0*%%ASAXBY*%": set(),
    b"M01*": set(),
    b"WHAT*": {"unknown command WHAT"},
    b"%KOCX0Y0I1J1*%": {"unknown command KOCX0Y0I1J1"},
    b"X1.5Y2D03*": {"unknown command X1.5Y2D03"},
    b"1000000Y2000000D03*": {"a number that belongs to no command"},
    b"X0Y0D05*": {"unknown D code"},
    b"LPC*%LPD*%": {"an extended command outside %"},
    b"%LPC%X0Y0D03*": {"a % in the middle of a word", "unknown command LPC%X0Y0D03"},
    b"%LPD*": {"an extended command without its closing %"},
    b"%MOIN*%": {"two different units in one file"},
    b"G70*": {"two different units in one file"},
    b"%LS0*%": {"unknown command LS0"},
    b"G37*": {"G36 and G37 do not alternate"},
    b"G36*": {"region without its end (G37)"},
    b"%AB*%": {"AB without its beginning"},
    b"%ABD50*%": {"AB without its end"},
    b"G02*D10*X5000000D01*": {"arc with different distances from its centre to both ends"},
    b"G04 swallowed\nX0Y0D03*": {"a comment over several lines that look like commands"},
    b"D10*X2000000Y0D03*M02*X0Y0D03*": {"text after the end mark"},
    b"M02*\nX1": {"text after the end mark"},
    b"%FSLAX24Y24*%": {"two different formats in one file"},
    b"%IPNEG*%": {"old image parameter IPNEG"},
    b"%OFA1B0*%": {"old image parameter OFA1B0"},
}


@pytest.mark.parametrize("words", DOUBTS, ids=lambda words: words.decode())
def test_doubts(words: bytes) -> None:
    """Each oddity is exactly its doubts; what a file may hold without changing the image is
    none.
    """
    assert whats(HEAD + FLASH + words + b"M02*") == DOUBTS[words] | set()


def test_missing_end_mark() -> None:
    """A file without M02 may be cut short (4.13)."""
    assert whats(HEAD + FLASH) == {"no end mark (M02)"}


def test_word_without_end() -> None:
    """A last word without * is told beside the missing end mark."""
    assert whats(HEAD + FLASH + b"X1Y") == {"no end mark (M02)", "the last word has no end"}


@pytest.mark.parametrize("words", ["X0D03", "X0Y0D01"])
def test_current_point_before_it_is_set(words: str) -> None:
    """At the start the current point is undefined; using it is a doubt (2.7)."""
    image(f"%ADD10C,1*% D10 {words}", doubts={"current point used before it is set"})


@pytest.mark.parametrize(
    ("after", "doubts"),
    [
        ("Y9D03", {"current point used before it is set"}),
        ("X8Y9D01", {"current point used before it is set"}),
        ("X8Y9D03", set()),
        ("X8Y9D02 Y5D01", set()),
    ],
)
@pytest.mark.parametrize(
    "repeat", ["%SRX2Y1I5J0*% X1Y1D03 %SR*%", "%ABD20*% D10 X1Y1D03 %AB*% D10"]
)
def test_current_point_after_a_repeat_or_a_block(repeat: str, after: str, doubts: set[str]) -> None:
    """After SR and AB the current point is undefined, though it was set before; using it is a doubt
    (4.11.3, 4.12).
    """
    image(f"%ADD10C,1*% D10 X7Y7D03 {repeat} {after}", doubts=doubts)


def test_place_and_number_of_doubts() -> None:
    """A doubt stands at its first line and says how often it occurs; doubts come in the order of
    the file.
    """
    found = read_gerber(HEAD + b"\nWHAT*\nX0Y0D05*\nWHAT*\nM02*", "layer.gbr").doubts
    assert [str(doubt.place) for doubt in found] == ["layer.gbr:2", "layer.gbr:3"]
    assert found[0].what.endswith("(2 times)")


def test_many_unknown_commands_are_told_together() -> None:
    """Twenty unknown commands are named, the others counted."""
    words = b"".join(b"WHAT%d*" % k for k in range(50))
    found = read_gerber(HEAD + words + b"M02*", "layer.gbr").doubts
    assert len(found) == 21
    assert found[-1].what.endswith("(30 times)")


@pytest.mark.parametrize(
    ("parameter", "place"),
    [
        (b"%OFA10B20*%", [11, 22]),
        (b"%MIA1B0*%", [-1, 2]),
        (b"%SFA2B3*%", [2, 6]),
        (b"%IR90*%", [-2, 1]),
        (b"%ASAYBX*%", [2, 1]),
        (b"%MIA1B0*%%OFA10B0*%%IR90*%", [-2, 9]),
    ],
)
def test_old_image_parameters(parameter: bytes, place: list[float]) -> None:
    """Mirror and scale act on coordinates, then come offset, rotation and swapped axes (8.1.2 to
    8.1.9).
    """
    found = read_gerber(HEAD + parameter + FLASH + b"M02*", "layer.gbr")
    assert found.objects.geometry[0, :2].tolist() == pytest.approx(place)
    assert all(doubt.what.startswith("old image parameter") for doubt in found.doubts)
    assert found.doubts


def test_mirrored_arc_turns_the_other_way() -> None:
    """Mirroring the image of a quarter circle gives the mirrored quarter circle."""
    words = b"%ADD10C,0.2*%D10*G75*X5000000Y0D02*G03*X0Y5000000I-5000000J0D01*M02*"
    found = copper(read_gerber(HEAD + b"%MIA1B0*%" + words, "layer.gbr"))
    assert found.bounds == pytest.approx((-5.1, -0.1, 0.1, 5.1), abs=2e-3)


@pytest.mark.parametrize(("turn", "end"), [(b"G02", b"X0Y-5000000"), (b"G03", b"X0Y5000000")])
@pytest.mark.parametrize("mirror", [b"%MIA1B0*%", b"%MIA0B1*%"])
def test_mirrored_arcs_of_both_turns_stay_on_their_side_of_the_chord(
    turn: bytes, end: bytes, mirror: bytes
) -> None:
    """A quarter circle about the origin bulges away from it, mirrored too: its middle is 5 mm off
    at 45 degrees.
    """
    words = b"%ADD10C,0.2*%D10*G75*X5000000Y0D02*" + turn + b"*" + end + b"I-5000000J0D01*M02*"
    found = copper(read_gerber(HEAD + mirror + words, "layer.gbr"))
    x = -1 if mirror == b"%MIA1B0*%" else 1
    y = (1 if turn == b"G03" else -1) * (-1 if mirror == b"%MIA0B1*%" else 1)
    assert found.contains(shapely.Point(x * 5 * 0.5**0.5, y * 5 * 0.5**0.5))
    assert found.area == pytest.approx(0.2 * 5 * np.pi / 2 + 0.01 * np.pi, rel=0.02)


@pytest.mark.parametrize(
    ("words", "doubted"), [(b"X2000000I1000000D01*", True), (b"X2000000D01*", False)]
)
def test_an_arc_before_any_mode_is_a_doubt(words: bytes, doubted: bool) -> None:
    """Offsets of a centre mean an arc; G01, G02 or G03 has to come first (2023.08, 4.7). A draw
    without is straight.
    """
    found = read_gerber(HEAD + b"%ADD10C,0.2*%D10*G75*X0Y0D02*" + words + b"M02*", "layer.gbr")
    assert ("arc before G02 or G03" in {doubt.what for doubt in found.doubts}) == doubted


def test_negative_image_polarity_is_stated() -> None:
    """IPNEG stands among the attributes, for who composes the copper."""
    assert read_gerber(HEAD + b"%IPNEG*%" + FLASH + b"M02*", "layer.gbr").attributes == {
        "IP": ("NEG",)
    }


def test_file_number_and_lines() -> None:
    """Objects know the file and the line of the operation that made them."""
    data = layer(
        "%ADD10C,1*%",
        "D10",
        "X0Y0D03",
        "X1Y0D02",
        "X2Y0D01",
        "G36",
        "X0Y0D02",
        "X1D01",
        "Y1D01",
        "X0Y0D01",
    )
    found = read_gerber(data.replace(b"M02*", b"G37*\nM02*"), "layer.gbr", 7).objects
    assert found.file.tolist() == [7, 7, 7]
    assert found.line.tolist() == [7, 9, 12]


def test_byte_order_mark() -> None:
    """A byte order mark at the start is no part of the first word."""
    assert whats(b"\xef\xbb\xbf" + HEAD + FLASH + b"M02*\r\n\x1a") == set()


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (HEAD, True),
        (b"G04 layer*\nX1Y1D02*", True),
        (b"%TF.Part,Single*%", True),
        (b"X0Y0D02*X5Y5D01*", True),
        (b"M48\nMETRIC,TZ\nT1C0.3\n%\nX1Y1\nM30", False),
        (b"C  a netlist * of points\n317GND", False),
        (b'{"Header": {}}', False),
        (b"<?xml version='1.0'?><IPC-2581/>", False),
        (b"%PDF-1.4 * \0", False),
        (b"", False),
    ],
)
def test_looks_like_gerber(data: bytes, expected: bool) -> None:
    """A quick look tells Gerber, also RS-274-D, from the other files of a package."""
    assert looks_like_gerber(data) is expected


def test_format_in_a_comment_is_no_format() -> None:
    """Only the FS command counts, not what a comment says before it."""
    assert places(b"G04 FSLAX24Y24*%FSLAX46Y46*%%MOMM*%" + FLASH + b"M02*") == [[1, 2]]


def test_doubts_are_printable() -> None:
    """What a doubt quotes of a file is short, and free of control characters."""
    (doubt,) = read_gerber(HEAD + b"Q\x1b[31m" + b"9" * 100_000 + b"*M02*", "layer.gbr").doubts
    assert doubt.what.isprintable()
    assert len(doubt.what) < 100


def test_doubts_of_many_kinds_are_told_together() -> None:
    """Hundreds of apertures that cannot be made do not drown the report."""
    words = b"".join(b"%%ADD%dR,0X1*%%D%d*X0Y0D03*" % (k, k) for k in range(10, 500))
    found = read_gerber(HEAD + words + b"M02*", "layer.gbr").doubts
    assert len(found) == 301
    assert "further doubts (190 times)" in {doubt.what for doubt in found}
