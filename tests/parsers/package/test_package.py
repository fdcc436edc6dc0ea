"""A package of files as one board: which file is what, what is missing, what contradicts, and
nothing more.
"""

from __future__ import annotations

import gzip
import json
import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from checker.demo.gerber_writer import write_gerber
from checker.demo.ipc2581_writer import write_ipc2581
from checker.demo.sketch import Pad, Sketch
from parsers import read_board
from parsers.board import BOTTOM, INNER, PLATED, TOP, UNPLATED, Board, Hints
from parsers.primitives import NO_NET, UNKNOWN_NET
from parsers.trouble import BoardError
from tests.boards import case

REAL = Path(__file__).parents[4] / "shared" / "boards"

Files = Mapping[str, str | None]


def layer(function: str, body: str, *, more: str = "") -> str:
    """A Gerber layer in mm with round apertures 1.0 (D10) and 0.2 (D11)."""
    head = f"%TF.FileFunction,{function}*%\n" if function else ""
    return f"{head}{more}%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,1.0*%\n%ADD11C,0.2*%\nG01*\n{body}M02*\n"


def flash(x: float, y: float, net: str | None = "GND", aperture: str = "D10", pin: str = "") -> str:
    named = f"%TO.N,{net}*%\n" if net is not None else "%TD.N*%\n"
    named += f"%TO.P,{pin}*%\n" if pin else ""
    return f"{named}{aperture}*\nX{x * 1e6:.0f}Y{y * 1e6:.0f}D03*\n%TD*%\n"


def draw(*points: tuple[float, float], net: str | None = None, aperture: str = "D11") -> str:
    named = f"%TO.N,{net}*%\n" if net is not None else "%TD.N*%\n"
    text = "".join(
        f"X{x * 1e6:.0f}Y{y * 1e6:.0f}D0{1 if i else 2}*\n" for i, (x, y) in enumerate(points)
    )
    return f"{named}{aperture}*\n{text}%TD*%\n"


SQUARE = draw((0, 0), (20, 0), (20, 10), (0, 10), (0, 0))
TAPE = "M48\n; #@! TF.FileFunction,Plated,1,2,PTH\nMETRIC,TZ\nT1C0.5\n%\nT1\nX2.0Y2.0\nM30\n"
PROGRAM = "M48\nMETRIC,TZ\nT1C0.5\n%\nT1\nX2.0Y2.0\nM30\n"
FIXTURES = Path(__file__).parents[3] / "fixtures" / "demo"
BASE: dict[str, str] = {
    "b-top.gbr": layer(
        "Copper,L1,Top", flash(2, 2, pin="J1,1,GND") + draw((2, 2), (9, 2), net="GND")
    ),
    "b-bottom.gbr": layer(
        "Copper,L2,Bot", flash(2, 2, pin="J1,1,GND") + flash(8, 8, "N/C", pin="U3,7")
    ),
    "b-profile.gbr": layer("Profile,NP", SQUARE),
    "b-pth.drl": TAPE,
}
JOB = {
    "GeneralSpecs": {"ProjectId": {"Name": "demo"}, "LayerNumber": 2, "BoardThickness": 1.6},
    "FilesAttributes": [
        {"Path": "b-top.gbr", "FileFunction": "Copper,L1,Top", "FilePolarity": "Positive"},
        {"Path": "b-bottom.gbr", "FileFunction": "Copper,L2,Bot"},
        {"Path": "b-profile.gbr", "FileFunction": "Profile"},
    ],
    "MaterialStackup": [
        {"Type": "SolderMask", "Thickness": 0.01},
        {"Type": "Copper", "Thickness": 0.035},
        {"Type": "Dielectric", "Thickness": 1.0, "DielectricConstant": 4.5},
        {"Type": "Dielectric", "Thickness": 0.51, "DielectricConstant": 4.5},
        {"Type": "Copper", "Thickness": 0.035},
    ],
}


def write(folder: Path, files: Files) -> Path:
    """Write files (None = none such) into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        if text is not None:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(text, encoding="utf-8")
    return folder


def read(folder: Path, files: Files, hints: Hints | None = None) -> Board:
    return read_board(write(folder / "board", files), hints)


def whats(board: Board) -> list[str]:
    return [d.what for d in board.doubts]


def test_a_complete_package_has_no_doubts(tmp_path: Path) -> None:
    """The board that all cases below start from: nets, pins, holes, outline, and nothing to
    complain of.
    """
    board = read(tmp_path, BASE)
    assert board.doubts == ()
    assert board.remarks == ()
    assert [(la.id, la.name, la.side) for la in board.layers] == [
        ("L1", "b-top.gbr", TOP),
        ("L2", "b-bottom.gbr", BOTTOM),
    ]
    assert [n.name for n in board.nets] == ["GND", "N/C (U3.7)"]
    assert [n.single for n in board.nets] == [False, True]
    assert board.holes.net.tolist() == [0]
    assert (board.holes.plated.tolist(), board.holes.first.tolist(), board.holes.last.tolist()) == (
        [PLATED],
        [0],
        [1],
    )
    assert board.connectivity.piece[board.copper.net == 0].tolist() == [0, 0, 0]
    assert board.outline is not None
    assert board.outline.shape.equals(shapely.box(0, 0, 20, 10))
    assert board.outline.plated is None
    assert [(f.path, f.layer, f.function) for f in board.files] == [
        ("b-bottom.gbr", "L2", "copper"),
        ("b-profile.gbr", None, "profile"),
        ("b-pth.drl", None, "drill"),
        ("b-top.gbr", "L1", "copper"),
    ]
    assert all(len(f.sha256) == 64 for f in board.files)


def test_parts_come_from_pads(tmp_path: Path) -> None:
    """A pin has its net, its function and the place of its pad; a part on one face only has that
    side.
    """
    wired, single = read(tmp_path, BASE).components
    assert (wired.refdes, wired.side, wired.at) == ("J1", None, (2.0, 2.0))
    assert [(p.number, p.name, p.net, p.at) for p in wired.pins] == [("1", "GND", 0, (2.0, 2.0))]
    assert (single.refdes, single.side, single.pins[0].net) == ("U3", BOTTOM, 1)


def test_component_layers_give_side_and_centroid(tmp_path: Path) -> None:
    """2023.08, 6.9: the main flash of a component layer is the part's centroid."""
    body = "%TA.AperFunction,ComponentMain*%\n%ADD12C,0.3*%\n%TD*%\n%TO.C,J1*%\nD12*\nX7000000Y6000000D03*\n"
    parts = read(tmp_path, BASE | {"b-parts.gbr": layer("Component,L1,Top", body)}).components
    assert [(p.refdes, p.side, p.at) for p in parts if p.refdes == "J1"] == [
        ("J1", TOP, (7.0, 6.0))
    ]


# ---------------------------------------------------------------------------------- one change each


@dataclass(frozen=True)
class Change:
    """The complete package with some files changed, and the doubts that this must give."""

    name: str
    files: Files
    doubts: tuple[str, ...]
    hints: Hints = field(default_factory=Hints)


def bare(text: str) -> str:
    """A layer without its file function."""
    return "\n".join(line for line in text.splitlines() if "TF." not in line) + "\n"


def renamed(old: str, new: str, text: str) -> dict[str, str | None]:
    return {old: None, new: text}


TOP_L, BOTTOM_L, PROFILE_L = BASE["b-top.gbr"], BASE["b-bottom.gbr"], BASE["b-profile.gbr"]
UNKNOWN_POUR = layer("Copper,L1,Top", flash(2, 2, pin="J1,1,GND") + flash(15, 5, None))
CHANGES = [
    Change(
        "a_missing_layer_between",
        {"b-bottom.gbr": BOTTOM_L.replace("L2,Bot", "L3,Bot")},
        ("copper layer L2 is missing",),
    ),
    Change(
        "an_inner_layer_at_the_bottom",
        {"b-bottom.gbr": BOTTOM_L.replace("L2,Bot", "L2,Inr")},
        ("b-bottom.gbr is L2 of 2, but states to be inner",),
    ),
    Change("a_missing_bottom", {"b-bottom.gbr": None}, ("copper layer L2 is missing",)),
    Change(
        "a_drill_below_the_last_layer",
        {"b-pth.drl": TAPE.replace("1,2,PTH", "1,4,PTH")},
        ("b-pth.drl drills layers 1 to 4",),
    ),
    Change(
        "a_drill_below_the_last_layer_of_files_that_tell_no_bottom",
        {
            "b-pth.drl": TAPE.replace("1,2,PTH", "1,3,PTH"),
            "b-bottom.gbr": BOTTOM_L.replace("L2,Bot", "L2"),
        },
        ("copper layer L3 is missing",),
    ),
    Change(
        "a_drill_named_for_sixteen_layers",
        {"b-pth.drl": None, "b-pth-1-16.drl": TAPE.replace(",1,2,PTH", "")},
        ("b-pth-1-16.drl drills layers 1 to 16",),
    ),
    Change(
        "a_drill_named_for_sixteen_layers_beside_a_job_file",
        {
            **renamed("b-top.gbr", "b.gtl", bare(TOP_L)),
            **renamed("b-bottom.gbr", "b.gbl", bare(BOTTOM_L)),
            "b-pth.drl": None,
            "b-pth-1-16.drl": TAPE.replace(",1,2,PTH", ""),
            "b.gbrjob": json.dumps({"GeneralSpecs": {"Overall": {"LayerNumber": 2}}}),
        },
        (
            "b-pth-1-16.drl drills layers 1 to 16",
            "b.gbl is taken for copper bottom by its name",
            "b.gtl is taken for copper top by its name",
        ),
    ),
    Change(
        "inner_layers_numbered_as_layers_of_the_board",
        {
            **renamed("b-top.gbr", "b.gtl", bare(TOP_L)),
            **renamed("b-bottom.gbr", "b.gbl", bare(BOTTOM_L)),
            "b.g2l": bare(TOP_L),
            "b.g3l": bare(TOP_L),
            "b-pth.drl": TAPE.replace("1,2", "1,4"),
        },
        (
            "b.g2l is taken for copper L2 by its name",
            "b.g3l is taken for copper L3 by its name",
            "b.gbl is taken for copper bottom by its name",
            "b.gtl is taken for copper top by its name",
        ),
    ),
    Change(
        "a_job_file_of_other_names",
        {"b.gbrjob": json.dumps(JOB).replace("b-", "b r3-")},
        (),
    ),
    Change(
        "a_job_file_of_other_names_and_one_layer_more",
        {
            "b-bottom.gbr": BOTTOM_L.replace("L2,Bot", "L3,Bot"),
            "b-pth.drl": TAPE.replace("1,2", "1,3"),
            "b.gbrjob": json.dumps(
                {
                    "GeneralSpecs": {"LayerNumber": 3},
                    "FilesAttributes": [
                        {"Path": "x.gbr", "FileFunction": "Copper,L1,Top"},
                        {"Path": "y.gbr", "FileFunction": "Copper,L2,Inr"},
                        {"Path": "z.gbr", "FileFunction": "Copper,L3,Bot"},
                    ],
                }
            ),
        },
        ("copper layer L2 is missing", "y.gbr is missing"),
    ),
    Change(
        "a_program_whose_format_the_rules_tell",
        {
            "b-pth.drl": (
                TAPE.replace("METRIC,TZ", "")
                .replace("X2.0Y2.0", "X002Y002")
                .replace("C0.5", "C0.5")
            )
        },
        (),
        Hints(files={"b-pth.drl": "plated, mm 3.3, leading zeros kept"}),
    ),
    Change(
        "a_program_that_states_another_format",
        {},
        ("two number formats for b-pth.drl",),
        Hints(files={"b-pth.drl": "plated, inch 2.4, leading zeros kept"}),
    ),
    Change(
        "two_files_claim_a_layer",
        {"b-top2.gbr": layer("Copper,L1,Top", flash(2, 2))},
        ("several files claim copper L1: b-top.gbr, b-top2.gbr",),
    ),
    Change("a_copy_of_a_layer_is_no_doubt", {"b-top2.gbr": TOP_L}, ()),
    Change(
        "two_profiles",
        {"c-profile.gbr": layer("Profile,NP", draw((0, 0), (9, 0), (9, 9), (0, 9), (0, 0)))},
        ("several files claim profile: b-profile.gbr, c-profile.gbr",),
    ),
    Change("no_drills_though_pads_go_through", {"b-pth.drl": None}, ("no drill file",)),
    Change(
        "no_drills_and_no_need",
        {"b-pth.drl": None, "b-bottom.gbr": layer("Copper,L2,Bot", flash(8, 8))},
        (),
    ),
    Change(
        "an_empty_drill_file",
        {"b-pth.drl": TAPE.replace("X2.0Y2.0\n", "")},
        ("no plated holes",),
    ),
    Change(
        "a_via_pad_without_its_hole",
        {
            "b-top.gbr": layer(
                "Copper,L1,Top",
                flash(2, 2, pin="J1,1,GND")
                + "%TA.AperFunction,ViaPad*%\n%ADD12C,0.5*%\n%TD*%\n"
                + flash(5, 5, aperture="D12"),
            )
        },
        ("pads of vias or wired parts have no holes",),
    ),
    Change("no_profile_is_for_the_rules_to_judge", {"b-profile.gbr": None}, ()),
    Change(
        "an_open_profile",
        {"b-profile.gbr": layer("Profile,NP", SQUARE.replace("X0Y0D01*\n", ""))},
        (
            "lines of the profile b-profile.gbr close no contour",
            "b-profile.gbr encloses no board",
        ),
    ),
    Change(
        "a_file_without_its_end",
        {
            "b-top.gbr": (
                layer("Copper,L1,Top", flash(2, 2, pin="J1,1,GND").removesuffix("%TD*%\n")).replace(
                    "M02*\n", ""
                )
            )
        },
        ("no end mark (M02)",),
    ),
    Change(
        "a_drill_file_without_its_end",
        {"b-pth.drl": TAPE.replace("M30\n", "")},
        ("b-pth.drl has no end mark (M30)",),
    ),
    Change("copper_without_a_net", {"b-top.gbr": UNKNOWN_POUR}, ("copper of unknown net on L1",)),
    Change(
        "plating_of_nobody_knows",
        {"b-pth.drl": None, "b-holes.drl": PROGRAM},
        ("plating of b-holes.drl is not stated",),
    ),
    Change(
        "plating_by_name", {"b-pth.drl": PROGRAM}, ("b-pth.drl is taken for plated by its name",)
    ),
    Change("plating_by_rules", {"b-pth.drl": PROGRAM}, (), Hints(files={"b-pth.drl": "plated"})),
    Change(
        "drills_elsewhere",
        {"b-pth.drl": TAPE.replace("X2.0Y2.0", "X12.0Y7.0")},
        ("plated holes of b-pth.drl meet no copper",),
    ),
    Change(
        "plated_and_unplated",
        {"b-npth.drl": TAPE.replace("Plated,1,2,PTH", "NonPlated,1,2,NPTH")},
        ("1 holes are both plated and unplated",),
    ),
    Change(
        "a_program_in_unknown_format",
        {"b-pth.drl": TAPE.replace("METRIC,TZ", "").replace("X2.0Y2.0", "X1234Y7654")},
        ("b-pth.drl cannot be read", "no plated holes"),
    ),
    Change(
        "layers_by_their_names",
        {
            **renamed("b-top.gbr", "b.gtl", bare(TOP_L)),
            **renamed("b-bottom.gbr", "b.gbl", bare(BOTTOM_L)),
            **renamed("b-profile.gbr", "b.gko", bare(PROFILE_L)),
        },
        (
            "b.gbl is taken for copper bottom by its name",
            "b.gko is taken for profile by its name",
            "b.gtl is taken for copper top by its name",
        ),
    ),
    Change(
        "layers_by_the_rules",
        {
            **renamed("b-top.gbr", "one", bare(TOP_L)),
            **renamed("b-bottom.gbr", "two", bare(BOTTOM_L)),
            **renamed("b-profile.gbr", "three", bare(PROFILE_L)),
        },
        (),
        Hints(files={"one": "L1", "two": "Copper,L2,Bot", "three": "profile"}),
    ),
    Change(
        "a_layer_of_unknown_function",
        {"what.gbr": bare(TOP_L)},
        ("what.gbr is of unknown function",),
    ),
    Change(
        "a_drill_program_that_the_rules_call_a_layer",
        {"x.drl": PROGRAM},
        ("several files claim copper L2: b-bottom.gbr, x.drl", "x.drl cannot be read"),
        Hints(files={"x.drl": "L2"}),
    ),
    Change(
        "a_layer_that_is_not_needed",
        {"what.gbr": bare(TOP_L)},
        (),
        Hints(files={"what.gbr": "not needed"}),
    ),
    Change(
        "masks_and_papers_are_not_needed",
        {
            "b-mask.gbr": layer("Soldermask,Top", flash(2, 2)),
            "b_silk_top.gbr": bare(TOP_L),
            "readme.txt": "hello",
            "bom.csv": "a,b",
            "drill-map.gbr": bare(TOP_L),
            "board.pdf": "%PDF",
        },
        (),
    ),
    Change(
        "rules_against_attributes",
        {},
        ("b-top.gbr is two things",),
        Hints(files={"b-top.gbr": "L2"}),
    ),
    Change(
        "rules_agree_with_attributes",
        {},
        (),
        Hints(files={"b-top.gbr": "L1", "b-pth.drl": "plated 1-2"}),
    ),
    Change("empty_layer_file", {"b-in1.gtl": ""}, ("b-in1.gtl is not read",)),
    Change("an_archive_inside", {"more.zip": "PK\x03\x04"}, ("more.zip is not read",)),
    Change(
        "an_archive_inside_that_is_not_needed",
        {"more.zip": "PK"},
        (),
        Hints(files={"more.zip": "not needed"}),
    ),
    Change(
        "copper_of_a_net_beside_the_board",
        {"b-top.gbr": TOP_L.replace("M02", flash(50, 50).rstrip("*%\n") + "*%\nM02")},
        ("copper of nets on L1 lies outside the board",),
    ),
    Change(
        "a_panel",
        {"b-top.gbr": layer("Copper,L1,Top", flash(2, 2), more="%TF.Part,FabricationPanel*%\n")},
        ("b-top.gbr shows a panel",),
    ),
    Change(
        "layers_of_other_coordinates",
        {
            "b-top.gbr": layer("Copper,L1,Top", flash(2, 2), more="%TF.SameCoordinates,one*%\n"),
            "b-bottom.gbr": layer("Copper,L2,Bot", flash(2, 2), more="%TF.SameCoordinates,two*%\n"),
        },
        ("files with different coordinates",),
    ),
    Change(
        "layers_of_two_projects",
        {
            "b-top.gbr": layer("Copper,L1,Top", flash(2, 2), more="%TF.ProjectId,a,1,r*%\n"),
            "b-bottom.gbr": layer("Copper,L2,Bot", flash(2, 2), more="%TF.ProjectId,b,2,r*%\n"),
        },
        ("files of several projects",),
    ),
    Change(
        "pads_of_one_pin_with_two_nets",
        {
            "b-top.gbr": layer(
                "Copper,L1,Top", flash(2, 2, pin="J1,1") + flash(15, 5, "VCC", pin="J1,1")
            )
        },
        ("pin J1.1 has several nets",),
    ),
    Change(
        "a_job_file",
        {"b.gbrjob": json.dumps(JOB)},
        (),
    ),
    Change("a_broken_job_file", {"b.gbrjob": "{"}, ("b.gbrjob cannot be read",)),
    Change(
        "a_job_file_that_names_a_missing_layer",
        {
            "b.gbrjob": json.dumps(
                JOB
                | {
                    "FilesAttributes": [
                        *JOB["FilesAttributes"],
                        {"Path": "b-in.gbr", "FileFunction": "Copper,L3,Inr"},
                    ]
                }
            )
        },
        ("b-in.gbr is missing",),
    ),
    Change(
        "a_job_file_against_the_attributes",
        {
            "b.gbrjob": json.dumps(
                JOB | {"FilesAttributes": [{"Path": "b-top.gbr", "FileFunction": "Copper,L2,Bot"}]}
            )
        },
        ("b-top.gbr is two things",),
    ),
    Change(
        "a_job_file_with_more_layers",
        {"b.gbrjob": json.dumps(JOB | {"GeneralSpecs": {"LayerNumber": 4}})},
        ("another number of copper layers than the job file says",),
    ),
    Change(
        "a_job_file_with_fewer_layers",
        {"b.gbrjob": json.dumps({"GeneralSpecs": {"LayerNumber": 1}})},
        ("another number of copper layers than the job file says",),
    ),
    Change(
        "thickness_told_twice",
        {"b.gbrjob": json.dumps(JOB)},
        ("two values for the thickness", "two values for the dielectric 1"),
        Hints(thickness=0.8, dielectric=(0.7,)),
    ),
    Change(
        "a_netlist_names_what_the_layers_leave_open",
        {
            "b-top.gbr": layer("Copper,L1,Top", flash(2, 2, None) + flash(15, 5, None)),
            "b-bottom.gbr": layer("Copper,L2,Bot", flash(2, 2, None)),
            "b.ipc": (
                "P  UNITS CUST 1\n"
                + "\n".join(
                    [
                        f"317{'GND':14}   {'J1':6}-{'1':4} D0500PA00X+{2000:06d}Y+{2000:06d}",
                        f"327{'SIG':14}   {'R1':6}-{'2':4}       A01X+{15000:06d}Y+{5000:06d}",
                        "999",
                    ]
                )
                + "\n"
            ),
        },
        (),
    ),
    Change(
        "a_netlist_without_unit",
        {"b.ipc": f"327{'SIG':14}   {'R1':6}-{'2':4}       A01X+015000Y+005000\n999\n"},
        ("b.ipc cannot be read",),
    ),
]


def changed(change: Change, folder: Path) -> Board:
    return read(folder, {**BASE, **change.files}, change.hints)


@pytest.mark.parametrize("change", CHANGES, ids=lambda c: c.name)
def test_one_change_gives_exactly_its_doubts(change: Change, tmp_path: Path) -> None:
    """Nothing is missed, and nothing else is doubted."""
    assert sorted(whats(changed(change, tmp_path))) == sorted(change.doubts)


SETTLED = (
    "a_layer_of_unknown_function",
    "an_archive_inside",
    "plating_of_nobody_knows",
    "plating_by_name",
    "layers_by_their_names",
    "inner_layers_numbered_as_layers_of_the_board",
)


@pytest.mark.parametrize("name", SETTLED)
def test_the_line_that_a_doubt_shows_settles_it(name: str, tmp_path: Path) -> None:
    """Every doubt about a file tells a line for `[files]`; with these lines in the rules the doubts
    are gone.
    """
    change = next(c for c in CHANGES if c.name == name)
    doubts = changed(change, tmp_path).doubts
    lines = [re.search(r'\[files\] "([^"]+)" = "([^"]+)"', d.why) for d in doubts]
    assert all(lines)
    told = {line[1]: line[2] for line in lines if line}
    if name == "a_layer_of_unknown_function":
        # that it is none of this board's is for the user to know
        told = dict.fromkeys(told, "not needed")
    assert changed(replace(change, hints=Hints(files=told)), tmp_path / "again").doubts == ()


@pytest.mark.parametrize("pack", ["folder", "zip", "gzip"])
def test_a_package_with_one_ipc2581_file_is_that_board(pack: str, tmp_path: Path) -> None:
    folder = tmp_path / "board"
    folder.mkdir()
    (folder / "readme.txt").write_text("notes")
    pours = [{"net": "A", "layer": f"L{n}", "box": [0, 0, 9, 9]} for n in (1, 2)]
    drawn = case("one", {"because": "", "expect": [], "pours": pours}).sketch
    write_ipc2581(drawn, folder / "board.xml")
    if pack == "gzip":
        (folder / "board.xml.gz").write_bytes(gzip.compress((folder / "board.xml").read_bytes()))
        (folder / "board.xml").unlink()
    target = (
        Path(shutil.make_archive(str(tmp_path / "packed"), "zip", folder))
        if pack == "zip"
        else folder
    )
    board = read_board(target)
    assert (board.format, board.path, board.doubts) == ("ipc-2581", str(target), ())
    assert [net.name for net in board.nets] == ["A"]


def test_two_ipc2581_files_are_two_boards(tmp_path: Path) -> None:
    for name in ("a.xml", "b.xml"):
        (tmp_path / name).write_text(f'<IPC-2581 revision="C"><!-- {name} --></IPC-2581>')
    with pytest.raises(
        BoardError, match=r"holds several boards \(a\.xml, b\.xml\); give one of them"
    ):
        read_board(tmp_path)


def test_netlist_names_and_parts(tmp_path: Path) -> None:
    """Points give nets to pads, holes and pins; connection carries them to the other side."""
    change = next(c for c in CHANGES if c.name == "a_netlist_names_what_the_layers_leave_open")
    board = changed(change, tmp_path)
    assert [board.net_name(n) for n in board.copper.net] == ["GND", "SIG", "GND"]
    assert [board.net_name(n) for n in board.holes.net] == ["GND"]
    assert [
        (c.refdes, c.side, [(p.number, board.net_name(p.net)) for p in c.pins])
        for c in board.components
    ] == [
        ("J1", None, [("1", "GND")]),
        ("R1", TOP, [("2", "SIG")]),
    ]


def test_a_job_file_gives_title_and_thicknesses(tmp_path: Path) -> None:
    """Board thickness and the dielectric between copper layers, in mm; two sheets between layers
    add up.
    """
    board = read(tmp_path, BASE | {"b.gbrjob": json.dumps(JOB)})
    assert board.title == "demo"
    assert board.stackup.thickness == 1.6
    assert board.stackup.dielectric == pytest.approx((1.51,))
    assert board.stackup.permittivity == (4.5,)


def test_each_gap_of_a_stack_has_its_own_thickness_and_constant(tmp_path: Path) -> None:
    """Four copper layers, three gaps: 0.2 mm of 4.1, 1.0 of 4.5, and two sheets, 0.1 of 3 and 0.3
    of 4: in series (0.1 + 0.3) / (0.1 / 3 + 0.3 / 4) = 3.6923.
    """
    sheets = [[(0.2, 4.1)], [(1.0, 4.5)], [(0.1, 3.0), (0.3, 4.0)]]
    stack: list[dict[str, object]] = [{"Type": "Copper", "Thickness": 0.035}]
    for gap in sheets:
        stack += [{"Type": "Dielectric", "Thickness": t, "DielectricConstant": er} for t, er in gap]
        stack.append({"Type": "Copper", "Thickness": 0.035})
    job = JOB | {"MaterialStackup": stack}
    inner = {f"b-in{n}.gbr": layer(f"Copper,L{n},Inr", flash(2, 2)) for n in (2, 3)}
    bottom = {"b-bottom.gbr": layer("Copper,L4,Bot", flash(2, 2))}
    tape = {"b-pth.drl": TAPE.replace("1,2", "1,4")}
    board = read(tmp_path, BASE | inner | bottom | tape | {"b.gbrjob": json.dumps(job)})
    assert board.stackup.dielectric == pytest.approx((0.2, 1.0, 0.4))
    assert board.stackup.permittivity == pytest.approx((4.1, 4.5, 3.6923), abs=1e-4)


def test_rules_give_thicknesses_where_the_data_does_not(tmp_path: Path) -> None:
    """The rules file fills in what the data leaves open; a wrong number of dielectrics is an
    error.
    """
    board = read(tmp_path, BASE, Hints(thickness=1.6, dielectric=(1.53,)))
    assert (board.stackup.thickness, board.stackup.dielectric) == (1.6, (1.53,))
    with pytest.raises(
        BoardError, match=r"stackup\.dielectric has 2 values; a board of 2 layers needs 1"
    ):
        read(tmp_path, BASE, Hints(dielectric=(0.2, 0.2)))


@pytest.mark.parametrize(
    ("files", "message"),
    [
        ({"b-tip.gbr": "L1"}, "'b-tip.gbr' is not in board"),
        ({"b-top.gbr": "layer one"}, "'layer one' for 'b-top.gbr' is no layer or function; use L1"),
    ],
)
def test_wrong_file_hints_are_errors(files: dict[str, str], message: str, tmp_path: Path) -> None:
    """A misspelt name or value in [files] is told, not ignored."""
    with pytest.raises(BoardError, match=message):
        read(tmp_path, BASE, Hints(files=files))


def test_inner_layers_stand_between(tmp_path: Path) -> None:
    """By numbers or by names, layers stand in the order of the stack."""
    inner = [layer("", flash(2, 2)) for _ in range(2)]
    named = read(
        tmp_path,
        {
            "x.gtl": bare(TOP_L),
            "x.g1": inner[0],
            "x.g2": inner[1],
            "x.gbl": bare(BOTTOM_L),
            "x-pth.drl": TAPE.replace("1,2", "1,4"),
        },
    )
    assert [(la.id, la.name, la.side) for la in named.layers] == [
        ("L1", "x.gtl", TOP),
        ("L2", "x.g1", INNER),
        ("L3", "x.g2", INNER),
        ("L4", "x.gbl", BOTTOM),
    ]
    assert named.copper.layer.tolist() == sorted(named.copper.layer.tolist())


# -------------------------------------------------------------------------------- copper by meaning


def function(name: str, number: int, size: float = 0.5) -> str:
    return f"%TA.AperFunction,{name}*%\n%ADD{number}C,{size}*%\n%TD*%\n"


@pytest.mark.parametrize(
    "name", ["NonConductor", "CopperBalancing", "Border", "FiducialPad,Local", "WasherPad"]
)
def test_copper_without_electrical_function_has_no_net(name: str, tmp_path: Path) -> None:
    """2023.08, 5.6.10: such copper floats; its function stays told."""
    body = flash(2, 2, pin="J1,1,GND") + function(name, 12) + flash(15, 5, None, "D12")
    board = read(tmp_path, BASE | {"b-top.gbr": layer("Copper,L1,Top", body)})
    assert board.doubts == ()
    assert board.copper.net[1] == NO_NET
    assert board.functions[board.copper.function[1]] == name


@pytest.mark.parametrize(
    ("name", "pin", "pad"),
    [
        ("Conductor", "", False),
        ("EtchedComponent", "", False),
        ("Conductor", "J1,1,GND", True),
        ("SMDPad,CuDef", "", True),
    ],
)
def test_a_flashed_track_is_no_pad(name: str, pin: str, pad: bool, tmp_path: Path) -> None:
    """2023.08, 5.6.10: tracks and pours are Conductor, whatever draws them; a pin of a part is a
    pad all the same.
    """
    body = flash(2, 2, pin="J1,1,GND") + function(name, 12) + flash(15, 5, "GND", "D12", pin)
    board = read(tmp_path, BASE | {"b-top.gbr": layer("Copper,L1,Top", body)})
    assert board.copper.pad[:2].tolist() == [True, pad]


@pytest.mark.parametrize("name", ["Profile", "NonMaterial"])
def test_drawing_in_a_copper_layer_is_left_out_and_told(name: str, tmp_path: Path) -> None:
    """2023.08, 5.6.10: an outline drawn in a copper layer is no copper."""
    body = flash(2, 2, pin="J1,1,GND") + function(name, 12) + draw((1, 1), (19, 1), aperture="D12")
    board = read(tmp_path, BASE | {"b-top.gbr": layer("Copper,L1,Top", body)})
    assert len(board.copper) == 3
    assert [r.what for r in board.remarks] == ["b-top.gbr holds drawing that is no copper"]
    assert board.doubts == ()


def test_an_empty_net_name_is_no_net_and_an_absent_one_is_unknown(tmp_path: Path) -> None:
    """2023.08, 5.6.13: empty means connected to nothing; absent means that nobody says."""
    body = flash(2, 2, pin="J1,1,GND") + flash(15, 5, "") + flash(15, 8, None)
    board = read(tmp_path, BASE | {"b-top.gbr": layer("Copper,L1,Top", body)})
    assert board.copper.net[:3].tolist() == [0, NO_NET, UNKNOWN_NET]


def test_copper_beside_the_board_or_in_an_unplated_hole_is_left_out(tmp_path: Path) -> None:
    """Film marks without a net are no copper of the board, nor is a land that a hole removes; both
    are told.
    """
    body = flash(2, 2, pin="J1,1,GND") + flash(-5, 5, None) + flash(10, 5, "", "D11")
    tape = TAPE.replace("Plated,1,2,PTH", "NonPlated,1,2,NPTH").replace("X2.0Y2.0", "X10.0Y5.0")
    board = read(tmp_path, BASE | {"b-top.gbr": layer("Copper,L1,Top", body), "b-npth.drl": tape})
    assert len(board.copper) == 3
    assert [r.what for r in board.remarks] == [
        "copper of L1 outside the board",
        "copper of L1 in unplated holes",
    ]
    assert board.doubts == ()


def test_film_marks_beside_a_layer_of_one_object_are_no_doubt_of_the_profile(
    tmp_path: Path,
) -> None:
    """An inner plane may be one object, and the legend beside it twenty: what has no net tells
    nothing of the fit.
    """
    marks = "".join(flash(-5, y, None) for y in (2, 4, 6))
    board = read(
        tmp_path, BASE | {"b-top.gbr": layer("Copper,L1,Top", flash(2, 2, pin="J1,1,GND") + marks)}
    )
    assert [r.what for r in board.remarks] == ["copper of L1 outside the board"]
    assert board.doubts == ()


def test_film_marks_beside_a_nameless_plane_are_no_doubt_of_the_profile(tmp_path: Path) -> None:
    """Where nothing has a name, copper counts by its area: three marks of 1 mm against a plane of 6
    x 6 mm.
    """
    marks = "".join(flash(-5, y, None) for y in (2, 4, 6))
    plane = (
        "G36*\n" + draw((4, 2), (10, 2), (10, 8), (4, 8), (4, 2)).replace("D11*\n", "") + "G37*\n"
    )
    bare_board = {
        "b-top.gbr": layer("Copper,L1,Top", marks + plane),
        "b-bottom.gbr": layer("Copper,L2,Bot", marks),
        "b-pth.drl": None,
    }
    doubts = whats(read(tmp_path, BASE | bare_board))
    assert "copper of unknown net on L1" in doubts
    assert [what for what in doubts if "outside" in what] == [
        "most copper of L2 lies outside the board (3 objects)"
    ]


def test_a_negative_layer_is_the_board_less_its_image(tmp_path: Path) -> None:
    """`.FilePolarity,Negative` on copper: a flash is a clearance (2023.08, 5.6.4)."""
    image = layer("Copper,L2,Bot", flash(2, 2, None), more="%TF.FilePolarity,Negative*%\n")
    board = read(tmp_path, BASE | {"b-bottom.gbr": image})
    plane = board.copper.take(board.copper.layer == 1)
    assert float(shapely.area(plane.shapes()).sum()) == pytest.approx(200 - np.pi * 0.25, abs=0.01)
    assert board.connectivity.contacts == ()
    without = read(tmp_path / "other", BASE | {"b-bottom.gbr": image, "b-profile.gbr": None})
    assert "b-bottom.gbr cannot be read" in whats(without)


def test_an_inner_layer_that_looks_negative_is_doubted(tmp_path: Path) -> None:
    """Flashes that touch nothing, on a layer that states no polarity, may be clearances in a
    plane.
    """
    inner = layer(
        "Copper,L2,Inr",
        "".join(flash(1 + 0.9 * i, 1 + 8 * (i % 2), None, "D11") for i in range(20)),
    )
    files = BASE | {
        "b-in.gbr": inner,
        "b-bottom.gbr": BOTTOM_L.replace("L2,Bot", "L3,Bot"),
        "b-pth.drl": TAPE.replace("1,2", "1,3"),
    }
    assert "polarity of b-in.gbr is not stated" in whats(read(tmp_path / "a", files))
    stated = inner.replace("%FSLAX", "%TF.FilePolarity,Positive*%\n%FSLAX")
    assert whats(read(tmp_path / "b", files | {"b-in.gbr": stated})) == [
        "copper of unknown net on L2 (20 objects)"
    ]


def test_an_object_of_several_nets_falls_apart_by_what_it_touches(tmp_path: Path) -> None:
    """2023.08, 5.6.13: several names belong to the pieces that clear objects leave; another net is
    a contradiction.
    """
    bar = "%TO.N,A,B*%\nD10*\nX3000000Y5000000D02*\nX17000000Y5000000D01*\n%TD*%\n"
    cut = "%LPC*%\nD10*\nX10000000Y4000000D02*\nX10000000Y6000000D01*\n%LPD*%\n"
    names = flash(3, 5, "A") + flash(17, 5, "B")
    split = read(tmp_path / "a", BASE | {"b-top.gbr": layer("Copper,L1,Top", bar + cut + names)})
    top = split.copper.take(split.copper.layer == 0)
    assert sorted(split.net_name(n) for n in top.net) == ["A", "A", "B", "B"]
    assert split.doubts == ()
    foreign = read(
        tmp_path / "b",
        BASE
        | {"b-top.gbr": layer("Copper,L1,Top", bar + cut + flash(3, 5, "A") + flash(17, 5, "C"))},
    )
    assert whats(foreign) == ["copper of A, B touches C"]


def test_a_hole_drilled_twice_counts_once(tmp_path: Path) -> None:
    """A repeated hole is told, not doubled."""
    board = read(tmp_path, BASE | {"b-pth.drl": TAPE.replace("X2.0Y2.0", "X2.0Y2.0\nX2.0Y2.0")})
    assert len(board.holes) == 1
    assert [r.what for r in board.remarks] == ["holes drilled twice"]


def test_blind_holes_join_only_their_layers(tmp_path: Path) -> None:
    """A hole from L1 to L2 of four layers reaches no further."""
    files: dict[str, str | None] = {
        f"b-{n}.gbr": layer(
            f"Copper,L{n},{'Top' if n == 1 else 'Bot' if n == 4 else 'Inr'}",
            flash(2, 2, "SIG" if n == 1 else None),
            more="%TF.FilePolarity,Positive*%\n",
        )
        for n in range(1, 5)
    }
    board = read(tmp_path, files | {"b.drl": TAPE.replace("1,2,PTH", "1,2,Blind")})
    assert [board.net_name(n) for n in board.copper.net] == [
        "SIG",
        "SIG",
        "unknown net",
        "unknown net",
    ]


# -------------------------------------------------------------------------------------- which board


def test_a_job_file_as_board_reads_its_folder(tmp_path: Path) -> None:
    """Files that the job names, and drills beside them, without the files of another job."""
    other = JOB | {"FilesAttributes": [{"Path": "other-top.gbr", "FileFunction": "Copper,L1,Top"}]}
    files = BASE | {
        "b.gbrjob": json.dumps(JOB),
        "other.gbrjob": json.dumps(other),
        "other-top.gbr": layer("Copper,L1,Top", flash(5, 5)),
    }
    folder = write(tmp_path / "board", files)
    board = read_board(folder / "b.gbrjob")
    assert board.doubts == ()
    assert board.layers[0].name == "b-top.gbr"
    assert len(board.holes) == 1
    with pytest.raises(BoardError, match="holds several boards"):
        read_board(folder)


@pytest.mark.parametrize(
    ("files", "message"),
    [
        (
            {
                f"{d}/{n}": t
                for d in ("left", "right")
                for n, t in BASE.items()
                if d == "left" or n != "b-top.gbr"
            }
            | {"right/b-top.gbr": UNKNOWN_POUR},
            r"holds several boards \(in left, right\)",
        ),
        ({"readme.txt": "hello"}, "no copper layer found"),
        ({}, "no copper layer found"),
        (
            {"b.xml": '<?xml version="1.0"?><IPC-2581 revision="C"/>'},
            r"b\.xml: holds no IPC-2581 data",
        ),
        (
            {"b.xml": '<?xml version="1.0"?><IPC-2581 revision="C"/>', "what.gbr": bare(TOP_L)},
            r"no copper layer, but an IPC-2581 file; give b\.xml",
        ),
        ({"b-top.gbr": layer("Copper,L9999,Top", flash(2, 2))}, "9999 copper layers are told"),
    ],
)
def test_a_folder_that_is_no_one_board_is_refused(
    files: Files, message: str, tmp_path: Path
) -> None:
    """One line says what is wrong and what to do."""
    with pytest.raises(BoardError, match=message) as caught:
        read(tmp_path, files)
    assert "\n" not in str(caught.value)


def test_a_board_in_subfolders_is_one_board(tmp_path: Path) -> None:
    """Layers in one folder and drills in another are still one package."""
    files = {(f"drill/{n}" if n.endswith("drl") else f"layers/{n}"): t for n, t in BASE.items()}
    board = read(tmp_path, files)
    assert board.doubts == ()
    assert board.files[0].path == "drill/b-pth.drl"


def test_the_same_files_give_the_same_board(tmp_path: Path) -> None:
    """Reading is deterministic, whatever order the files were written in."""
    first = read(tmp_path / "a", BASE)
    second = read(tmp_path / "b", dict(reversed(BASE.items())))
    assert (first.nets, first.files, first.components, first.doubts) == (
        second.nets,
        second.files,
        second.components,
        second.doubts,
    )
    assert first.copper.geometry.tolist() == second.copper.geometry.tolist()


@pytest.mark.parametrize("drills", ["gerber", "nc"])
def test_a_written_board_is_read_as_drawn(drills: str, tmp_path: Path) -> None:
    """The demo writer's packages come back with the nets, holes and parts of their sketch, without
    doubts.
    """
    drawn: Sketch = case(
        "written",
        {
            "because": "one of everything",
            "pours": [{"region": "a", "layer": "L2", "box": [0, 0, 10, 20]}],
            "draws": [
                {"net": "SIG", "layer": "L1", "width": 0.2, "points": [[5, 5], [9, 5], [9, 9]]}
            ],
            "pads": [
                {
                    "net": "SIG",
                    "layers": "all",
                    "at": [15, 15],
                    "size": 1.5,
                    "refdes": "J1",
                    "pin": "1",
                }
            ],
            "vias": [{"net": "SIG", "at": [15, 9]}],
            "holes": [
                {"at": [15, 15], "diameter": 0.8, "net": "SIG"},
                {"at": [20, 5], "to": [22, 5], "diameter": 1, "plated": False},
            ],
            "expect": [],
        },
    ).sketch
    write_gerber(drawn, tmp_path / "b", drills=drills)
    board = read_board(tmp_path / "b")
    assert board.doubts == ()
    assert sorted(n.name for n in board.nets) == ["GND_A", "SIG"]
    assert sorted(board.holes.plated.tolist()) == [UNPLATED, PLATED, PLATED]
    assert [(c.refdes, len(c.pins)) for c in board.components] == [("J1", 1)]


@pytest.mark.parametrize("name", ["b.xml", "b.cvg", "b.xml.gz"])
def test_an_ipc_2581_file_is_told_by_its_content(name: str, tmp_path: Path) -> None:
    """Plain or gzipped, it goes to the other reader."""
    drawn = Sketch(
        title="other",
        layers=2,
        outline=((0, 0), (9, 0), (9, 9), (0, 9)),
        pads=(Pad(net="A", layer="L1", at=(2, 2), size=(1, 1)),),
    )
    write_ipc2581(drawn, tmp_path / "b.plain")
    data = (tmp_path / "b.plain").read_bytes()
    (tmp_path / name).write_bytes(gzip.compress(data) if name.endswith("gz") else data)
    board = read_board(tmp_path / name)
    assert (board.format, [n.name for n in board.nets]) == ("ipc-2581", ["A"])


def test_an_ipc_2581_file_beside_layers_is_told(tmp_path: Path) -> None:
    """Two descriptions of a board in one folder: the Gerber layers are read, and the report says
    so.
    """
    board = read(tmp_path, BASE | {"b.xml": '<?xml version="1.0"?><IPC-2581 revision="C"/>'})
    assert board.format == "gerber"
    assert board.doubts == ()
    assert [r.what for r in board.remarks] == ["b.xml is not read"]


# -------------------------------------------------------------------------------------- real boards

real = pytest.mark.needs("boards")


@real
def test_a_real_board_with_nets(tmp_path: Path) -> None:
    """Gerber X2 with nets, pins and job file: only the missing drill file is doubted, no copper is
    unknown.
    """
    board = read_board(REAL / "x2-2-layer-nets")
    assert whats(board) == ["no drill file"]
    assert (board.copper.net >= 0).all()
    assert board.connectivity.contacts == ()
    assert len(board.components) == 12
    assert board.outline is not None
    assert board.outline.shape.area == pytest.approx(2200)


@real
def test_a_real_board_without_nets() -> None:
    """Gerber X2 with file attributes only: every layer is told to be without nets, holes land on
    copper.
    """
    board = read_board(REAL / "x2-4-layer-no-nets")
    unknown = [d.what.split(" (")[0] for d in board.doubts if d.what.startswith("copper")]
    assert unknown == [f"copper of unknown net on L{n}" for n in range(1, 5)]
    plated = board.holes.plated == PLATED
    assert (int(plated.sum()), int((~plated).sum())) == (405, 13)
    assert (board.connectivity.hole_piece[plated] >= 0).all()
    assert board.outline is not None
    assert len(board.outline.shape.interiors) == 3


@real
def test_a_real_board_with_netlist() -> None:
    """Inch layers without attributes, named by a netlist; the drill format comes from the file
    beside it.
    """
    board = read_board(REAL / "inch-4-layer-netlist")
    assert sum("by its name" in w for w in whats(board)) == 4
    assert "number format of ncdrill-1-4.drl is not stated" in whats(board)
    assert (board.holes.net[board.holes.plated == PLATED] >= 0).all()
    assert board.connectivity.contacts == ()
    pads = board.copper.take(board.copper.pad & (board.copper.net < 0))
    assert len(pads) == 14  # fiducials and tooling, which the netlist does not have
    hints = {
        f"{n}.art": f"L{i}"
        for i, n in enumerate(("l1_primary", "l2_gnd", "l3_vcc", "l4_secondary"), 1)
    }
    assert not any(
        "by its name" in w
        for w in whats(read_board(REAL / "inch-4-layer-netlist", Hints(files=hints)))
    )


@real
def test_a_real_board_in_an_archive_is_the_same(tmp_path: Path) -> None:
    """Packing changes nothing but the path."""
    import zipfile  # noqa: PLC0415 - only here

    target = tmp_path / "board.zip"
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in sorted((REAL / "x2-2-layer-nets").iterdir()):
            archive.write(file, file.name)
    packed, plain = read_board(target), read_board(REAL / "x2-2-layer-nets")
    assert replace(packed, path="").nets == plain.nets
    assert packed.files == plain.files


@pytest.mark.parametrize("name", ["greenhouse", "greenhouse-faulty", "damaged"])
def test_layers_read_side_by_side_make_the_same_board(name: str, tmp_path: Path) -> None:
    """Copper, names, doubts and their order."""
    folder = FIXTURES / "greenhouse" / "board"
    if name == "damaged":  # every layer has something to say
        for file in folder.iterdir():
            text = file.read_text()
            (tmp_path / file.name).write_text(
                text.replace("M02*", "G99*\n") if file.suffix == ".gbr" else text
            )
        folder = tmp_path
    elif name != "greenhouse":
        folder = FIXTURES / name / "board"
    alone, together = read_board(folder), read_board(folder, jobs=4)
    assert [*together.doubts, *together.remarks] == [*alone.doubts, *alone.remarks]
    assert len(alone.doubts) > 4 or name != "damaged"
    assert (together.nets, together.refdes, together.pins) == (alone.nets, alone.refdes, alone.pins)
    assert together.components == alone.components
    for column in fields(alone.copper):
        one, other = getattr(alone.copper, column.name), getattr(together.copper, column.name)
        same = shapely.equals_exact(one, other) if one.dtype == object else one == other
        assert np.all(same), column.name
