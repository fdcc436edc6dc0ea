"""Damage that once passed in silence: each kind is a doubt now, or an error, in every format that
can have it.
"""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path

import pytest

from parsers import read_board
from parsers.board import Board
from parsers.trouble import BoardError
from tests.boards import FIXTURES
from tests.parsers.ipc2581.files import TWO_LAYERS, File, features, one_set
from tests.parsers.ipc2581.files import read as read_xml
from tests.parsers.package.test_package import BASE, JOB, TAPE, flash, layer, write
from tests.parsers.test_netlist import SURFACE_LINE


def whats(board: Board) -> str:
    return "; ".join(doubt.what for doubt in board.doubts)


def changed(folder: Path, **files: str | bytes) -> Board:
    """The plain board with some files changed; names have `_` for the last `.` and for `-`."""
    target = write(folder / "board", BASE)
    for name, content in files.items():
        stem, _, end = name.rpartition("_")
        path = target / f"{stem.replace('_', '-')}.{end}"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_board(target)


TOP = BASE["b-top.gbr"]
DEMO = FIXTURES / "demo" / "battery" / "board-B1.xml"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("X2000000Y2000000D02", "X2000000Y20 0000D02"),
        ("X2000000Y2000000D02", "X2000000Y- 000000D02"),
        ("C,1.0", "C,1 0"),
        ("C,1.0", "C,1. 0"),
        ("D10*", "D1 0*"),
        ("D10*", "D1 *"),
    ],
)
def test_a_blank_inside_a_number_of_a_layer(old: str, new: str, tmp_path: Path) -> None:
    assert old in TOP
    assert whats(changed(tmp_path, b_top_gbr=TOP.replace(old, new, 1)))


@pytest.mark.parametrize(
    ("old", "new"), [("X2.0Y2.0", "X2. 0Y2.0"), ("X2.0Y2.0", "X2.0Y 2 0"), ("T1C0.5", "T1C0. 5")]
)
def test_a_blank_inside_a_number_of_a_drill_program(old: str, new: str, tmp_path: Path) -> None:
    assert "b-pth.drl has a blank inside a number" in whats(
        changed(tmp_path, b_pth_drl=TAPE.replace(old, new, 1))
    )


def test_a_blank_inside_a_number_of_a_netlist(tmp_path: Path) -> None:
    line = SURFACE_LINE.replace("X+030715", "X+03 715")
    assert line != SURFACE_LINE
    found = whats(changed(tmp_path, b_ipc=f"P  UNITS CUST 0\n{line}\n999\n"))
    assert "b.ipc has numbers that are not readable" in found


@pytest.mark.parametrize(
    "shape",
    [
        '<Circle diameter="0"/>',
        '<RectCenter width="0" height="1"/>',
        '<Oval width="1" height="0"/>',
    ],
)
def test_ipc_2581_copper_of_size_0(shape: str, tmp_path: Path) -> None:
    found = read_xml(File(features={"TOP": one_set(features(shape))}), tmp_path)
    assert " is 0" in "; ".join(f"{d.what} {d.why}" for d in found.doubts)


def test_ipc_2581_line_of_width_0(tmp_path: Path) -> None:
    line = (
        '<Line startX="0" startY="0" endX="9" endY="0"><LineDesc lineEnd="ROUND"'
        ' lineWidth="0"/></Line>'
    )
    assert "copper of size 0" in whats(
        read_xml(File(features={"TOP": one_set(features(line))}), tmp_path)
    )


BAD = b"G\xe4ND"  # Latin-1 in a name


def test_names_that_are_no_utf_8(tmp_path: Path) -> None:
    layer_ = TOP.encode().replace(b"TO.N,GND", b"TO.N," + BAD)
    assert "an attribute that cannot be decoded" in whats(changed(tmp_path / "a", b_top_gbr=layer_))
    tape = TAPE.encode().replace(b"T1\nX2", b"; #@! TO.N," + BAD + b"\nT1\nX2")
    assert "b-pth.drl has attributes that are no UTF-8" in whats(
        changed(tmp_path / "b", b_pth_drl=tape)
    )
    netlist = (
        b"P  UNITS CUST 0\n" + SURFACE_LINE.encode().replace(b"PCI_CLK", b"PCI_CL\xe4") + b"\n999\n"
    )
    assert "b.ipc has records that are no UTF-8" in whats(changed(tmp_path / "c", b_ipc=netlist))
    xml = (
        File(features={"TOP": one_set(features('<Circle diameter="1"/>'), 'net="G@ND"')})
        .text()
        .encode()
    )
    with pytest.raises(BoardError, match=r"board\.xml"):
        read_xml(xml.replace(b"G@ND", BAD), tmp_path)


DISC = '<Circle diameter="1"/>'
CUT = (
    '<Contour><Polygon><PolyBegin x="0" y="0"/>{}<PolyStepSegment x="0" y="9"/></Polygon></Contour>'
)
STEP, STYLE = '<PolyStepSegment x="9" y="9"/>', '<LineDesc lineEnd="ROUND" lineWidth="0.1"/>'
PAD = (
    '<Pad><Location x="1" y="1"/>{}<Circle diameter="1"/><PinRef componentRef="U1" pin="4"/></Pad>'
)
PACKAGE = (
    '<Package name="P" type="OTHER"><Pin number="{}" type="SURFACE">{}<Circle'
    ' diameter="1"/></Pin></Package>'
)


@pytest.mark.parametrize(
    ("file", "what"),
    [
        (
            File(
                layers=TWO_LAYERS[:1],
                features={"TOP": one_set(features(DISC)), "BOTTOM": one_set(features(DISC))},
            ),
            "features on BOTTOM, which is not declared",
        ),
        (
            File(features={"TOP": one_set(features(CUT.format(STEP + STYLE)))}),
            "a path with a description between its steps",
        ),
        (
            File(features={"TOP": one_set(PAD.format('<Location x="2" y="1"/>'))}),
            "a pad with two Locations",
        ),
        (File(parts=PACKAGE.format("", '<Location x="2" y="1"/>')), "a pin without a number"),
        (
            File(parts=PACKAGE.format("4", '<PinRef componentRef="U1" pin="4"/>')),
            "a PinRef in the pin of a package",
        ),
        (
            File(
                features={"TOP": one_set(features(DISC)) + one_set(features(DISC), 'net="A 1"')}
                | {"BOTTOM": one_set(features(DISC), 'net="A1"')}
            ),
            'net "A1" differs from another in blanks alone',
        ),
    ],
)
def test_elements_of_ipc_2581_that_are_lost_or_stand_elsewhere(
    file: File, what: str, tmp_path: Path
) -> None:
    assert what in whats(read_xml(file, tmp_path))


STACKUP = (
    '<Stackup name="S" overallThickness="1.6" tolPlus="0" tolMinus="0"'
    ' whereMeasured="METAL"><StackupGroup name="G" thickness="1.6" tolPlus="0"'
    ' tolMinus="0">{}</StackupGroup></Stackup>'
)
ROW = (
    '<StackupLayer layerOrGroupRef="{}" thickness="0.035" tolPlus="0" tolMinus="0" sequence="{}"/>'
)


def test_copper_on_a_layer_that_only_the_stackup_names(tmp_path: Path) -> None:
    """Holes may name a row of the stackup as their span; copper may not."""
    rows = ROW.format("TOP", 1) + ROW.format("BOTTOM", 2)
    drawn = {"TOP": one_set(features(DISC)), "BOTTOM": one_set(features(DISC))}
    file = File(layers=TWO_LAYERS[:1], stackup=STACKUP.format(rows), features=drawn)
    assert "features on BOTTOM, which is not declared" in whats(read_xml(file, tmp_path))


def test_a_gap_in_a_name_of_a_netlist(tmp_path: Path) -> None:
    alias = "C  NNAMEm0003 UNNAMED_3                   ,"
    found = whats(changed(tmp_path, b_ipc=f"P  UNITS CUST 0\n{alias}\n{SURFACE_LINE}\n999\n"))
    assert "b.ipc has names with gaps in them" in found


def test_comments_that_are_no_utf_8_are_no_doubt(tmp_path: Path) -> None:
    layer_ = TOP.encode().replace(b"G01*", b"G04 f\xfcr alle*G01*", 1)
    tape = TAPE.encode().replace(b"M48\n", b"M48\n; f\xfcr alle\n")
    assert whats(changed(tmp_path, b_top_gbr=layer_, b_pth_drl=tape)) == ""


@pytest.mark.parametrize("value", ["NaN", "0", "-1.6", "1e308", "-Infinity", '"1.6"'])
def test_a_thickness_that_no_board_has(value: str, tmp_path: Path) -> None:
    job = json.dumps(JOB).replace('"BoardThickness": 1.6', f'"BoardThickness": {value}')
    board = changed(tmp_path, b_gbrjob=job)
    assert "BoardThickness of b.gbrjob is" in whats(board)
    assert board.stackup.thickness is None


@pytest.mark.parametrize("value", ["NaN", "0", "-1.6", "1e308", "900", "thin"])
def test_a_thickness_that_no_ipc_2581_board_has(value: str, tmp_path: Path) -> None:
    stackup = (
        f'<Stackup name="S" overallThickness="{value}" tolPlus="0" tolMinus="0"'
        ' whereMeasured="METAL"/>'
    )
    board = read_xml(
        File(stackup=stackup, features={"TOP": one_set(features('<Circle diameter="1"/>'))}),
        tmp_path,
    )
    assert "hickness" in whats(board)
    assert board.stackup.thickness is None


def test_a_member_named_as_a_folder_that_holds_data(tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as file:
        for name, text in BASE.items():
            file.writestr("b-in.gbr/" if name == "b-bottom.gbr" else name, text or "")
    (tmp_path / "b.zip").write_bytes(packed.getvalue())
    assert "b-in.gbr is not read" in whats(read_board(tmp_path / "b.zip"))


@pytest.mark.parametrize("name", ["b.ipc", "b.356", "netlist.d356", "b-ipc356.txt"])
def test_a_netlist_that_is_no_longer_one(name: str, tmp_path: Path) -> None:
    folder = write(tmp_path / "board", BASE)
    (folder / name).write_bytes(bytes(range(1, 256)) * 4)
    assert f"{name} is not read" in whats(read_board(folder))


def test_accepted_doubts_carry_their_count(tmp_path: Path) -> None:
    """18 pads without a net are another sentence than 28."""

    def sentence(count: int) -> list[str]:
        pads = "".join(flash(1 + x / 2, 4, None) for x in range(count))
        board = changed(
            tmp_path / str(count), b_top_gbr=layer("Copper,L1,Top", pads + flash(2, 2, pin="J1,1"))
        )
        return [doubt.what for doubt in board.doubts if "unknown net" in doubt.what]

    assert sentence(18) != sentence(28)
    assert "objects)" in sentence(18)[0]


def test_a_line_break_in_an_attribute(tmp_path: Path) -> None:
    layer_ = TOP.replace("TO.N,GND", "TO.N,G\nD")
    assert layer_ != TOP
    assert "an attribute over several lines" in whats(changed(tmp_path, b_top_gbr=layer_))


@pytest.mark.parametrize("name", ["GN,", "gND"])
def test_a_net_of_copper_without_pins_that_the_file_does_not_declare(
    name: str, tmp_path: Path
) -> None:
    """The pads of vias alone change their net: no pin contradicts."""
    plain = DEMO.read_text(encoding="utf-8")
    vias = '<Set net="GND" padUsage="VIA">'
    assert plain.count(vias)
    (tmp_path / "board.xml").write_text(
        plain.replace(vias, vias.replace("GND", name)), encoding="utf-8"
    )
    assert f"net {name} is on copper alone" in whats(read_board(tmp_path / "board.xml"))
    assert "on copper alone" not in whats(read_board(DEMO))
