"""Which copper objects findings name: held against the raw text of the files, which the test reads
on its own.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from lxml import etree

from checker.app.run import Options, check, load_rules
from checker.findings import Finding, Level, Source, identified
from checker.results.outcome import Outcome
from checker.results.sources import with_sources
from checker.rules import registry
from parsers import read_board
from parsers.assembly.image import Image, compose
from parsers.board import PLATED, Board, BoardFile, Net, empty_board, holes
from parsers.primitives import Conductors, Kind, concatenate, conductors

DEMO = Path(__file__).parents[2] / "fixtures" / "demo" / "greenhouse-faulty"
BOARDS = ("board", "board-B1.xml", "board-C.xml")


@pytest.fixture(scope="module", params=BOARDS)
def checked(request: pytest.FixtureRequest) -> tuple[str, Outcome]:
    """One form of a board, and what the check of it says."""
    rules = load_rules(DEMO / "rules.toml")
    return request.param, check(DEMO / request.param, rules, Options()).outcome


def nets_of_lines(path: Path) -> dict[int, str]:
    """Net of each line of a file that draws or flashes copper, or starts an element that does."""
    return nets_of_elements(path) if path.suffix == ".xml" else nets_of_commands(path)


def nets_of_commands(path: Path) -> dict[int, str]:
    """Source: The Gerber Layer Format Specification 2023.08, 5.6.15 (.N), 4.8 (operations), 4.10
    (regions).
    """
    found, net = {}, ""
    for number, line in enumerate(path.read_text().splitlines(), 1):
        if line.startswith("%TO.N,"):
            net = line[6:-2]
        elif line in ("%TD*%", "%TD.N*%"):
            net = ""
        elif re.fullmatch(r"(G0[123])?(X-?\d+)?(Y-?\d+)?(I-?\d+)?(J-?\d+)?D0?[13]\*", line):
            found[number] = net
    return found


def nets_of_elements(path: Path) -> dict[int, str]:
    """Source: IPC-2581C, Set (net) with its Pad, Features and Hole."""
    tree = etree.parse(path)
    things = tree.iterfind(".//{*}Set/*")
    return {
        int(thing.sourceline or 0): str(thing.getparent().get("net"))
        for thing in things
        if etree.QName(thing).localname in ("Pad", "Features", "Hole")
    }


def test_a_line_named_holds_copper_of_that_net(checked: tuple[str, Outcome]) -> None:
    """Every net of every finding is found, in the file, on a line that draws that net."""
    name, outcome = checked
    folder = DEMO / name if (DEMO / name).is_dir() else DEMO
    assert {finding.rule for finding in outcome.findings} == set(registry())
    for finding in outcome.findings:
        assert tuple(source.net for source in finding.sources) == finding.nets
        for source in finding.sources:
            assert source.line is not None
            assert nets_of_lines(folder / source.file)[source.line] == source.net, (
                finding.message,
                source,
            )


def test_an_object_named_lies_at_the_witness(checked: tuple[str, Outcome]) -> None:
    """Of all rows of that line, one touches the witness; where two nets run side by side, one is
    beside it.
    """
    name, outcome = checked
    board = read_board(DEMO / name)
    files = [file.path for file in board.files]
    shapes = board.copper.shapes()
    for finding in outcome.findings:
        points = [finding.at, *(point for line in finding.path for point in line)]
        for source in finding.sources:
            rows = (board.copper.file == files.index(source.file)) & (
                board.copper.line == source.line
            )
            reach = 0.5 if finding.rule == "noisy-neighbour" else 0.002
            assert shapely.dwithin(
                shapely.union_all(shapes[rows]), shapely.MultiPoint(points), reach
            ), finding.message


# ------------------------------------------------------------------------------- objects one by one


def board_of(*tables: Conductors, **changes: Any) -> Board:
    copper = concatenate(tables)
    files = (BoardFile("top.gbr", "", "L1", "copper"), BoardFile("holes.drl", "", None, "drill"))
    nets = (Net("A"), Net("B"), Net("N/C", single=True), Net("N/C", single=True))
    return replace(empty_board(), nets=nets, files=files, copper=copper, **changes)


def stroke(
    net: int, x0: float, y0: float, x1: float, y1: float, line: int, layer: int = 0
) -> Conductors:
    geometry = np.array([[x0, y0, x1, y1, 0]])
    return conductors(
        1, kind=Kind.STROKE, net=net, geometry=geometry, radius=0.1, line=line, layer=layer
    )


def disc(
    net: int, x: float, y: float, line: int, radius: float = 0.5, layer: int = 0
) -> Conductors:
    geometry = np.array([[x, y, 0, 0, 0]])
    return conductors(
        1,
        kind=Kind.DISC,
        net=net,
        geometry=geometry,
        radius=radius,
        pad=True,
        line=line,
        layer=layer,
    )


def finding(**changes: Any) -> Finding:
    told: dict[str, Any] = {
        "rule": "x",
        "level": Level.ERROR,
        "message": "m",
        "at": (0.0, 0.0),
        "layer": "L1",
        "nets": ("A",),
    }
    return Finding(**(told | changes))


def lines_of(board: Board, **changes: Any) -> list[tuple[str, int | None]]:
    (told,) = with_sources(board, [finding(**changes)])
    return [(source.net, source.line) for source in told.sources]


BEND = (
    stroke(0, 0, 0, 5, 0, 11),
    stroke(0, 5, 0, 5, 5, 12),
    disc(0, 0, 0, 20),
    stroke(1, 0, 1, 5, 1, 13),
)


@pytest.mark.parametrize(
    ("why", "told", "lines"),
    [
        ("the object at the place", {"at": (2.0, 0.0)}, [("A", 11)]),
        ("the first object of the witness", {"at": (5.0, 4.0), "path": (((2.0, 0.0), (5.0, 0.0)),)}, [("A", 11)]),
        ("at a bend, the one that the witness follows", {"path": (((5.0, 0.0), (5.0, 3.0)),)}, [("A", 12)]),
        ("a trace rather than the pad that it starts from", {"path": (((0.5, 0.0), (3.0, 0.0)),)}, [("A", 11)]),
        ("the pad where a part is meant", {"at": (0.0, 0.0), "components": ("R1",)}, [("A", 20)]),
        ("one object at each end", {"nets": ("A", "B"), "path": (((2.0, 0.1), (2.0, 0.9)),)}, [("A", 11), ("B", 13)]),
        ("a net beside the witness", {"nets": ("A", "B"), "at": (2.0, 0.0)}, [("A", 11), ("B", 13)]),
        ("nor one that is not there", {"nets": ("hardware", "A"), "at": (1.0, 0.0)}, [("A", 11)]),
    ],
)  # fmt: skip
def test_which_object_is_named(
    why: str, told: dict[str, Any], lines: list[tuple[str, int]]
) -> None:
    assert lines_of(board_of(*BEND), **told) == lines, why


def test_a_net_out_of_reach_is_not_named() -> None:
    """The nearest ring is searched first; beyond 5 mm nothing is said."""
    board = board_of(
        stroke(0, 0, 0, 1, 0, 1), stroke(1, 0, 4.9, 1, 4.9, 2), stroke(1, 0, 6, 1, 6, 3)
    )
    assert lines_of(board, nets=("B",), at=(0.5, 0.0)) == [("B", 2)]
    assert lines_of(board, nets=("A",), at=(0.5, 5.2)) == []


def test_the_layer_of_each_net_is_kept_to() -> None:
    """Crossing copper of the same net on another layer is another object."""
    board = board_of(
        stroke(0, 0, 0, 4, 0, 1, layer=1),
        stroke(0, 2, -1, 2, 1, 2),
        stroke(1, 0, 0.3, 4, 0.3, 3, layer=1),
    )
    assert lines_of(board, at=(2.0, 0.0), layer="L1") == [("A", 2)]
    assert lines_of(board, at=(2.0, 0.0), layer="L2") == [("A", 1)]
    assert lines_of(board, at=(2.0, 0.0), nets=("A", "B"), net_layers=("L2", "L2")) == [
        ("A", 1),
        ("B", 3),
    ]


def test_each_of_many_objects_is_found() -> None:
    """Wherever it lies among the others, and however far the places asked for are apart."""
    places = np.random.default_rng(3).uniform(-40, 40, (400, 2))
    board = board_of(*(disc(0, x, y, i, 0.01) for i, (x, y) in enumerate(places, 1)))
    told = with_sources(board, [finding(at=(float(x), float(y))) for x, y in places])
    assert [f.sources[0].line for f in told] == list(range(1, 401))


def test_pieces_of_a_cut_stroke_keep_its_line() -> None:
    """Copper that a clear object cut is still that object's."""
    whole = concatenate([stroke(0, 0, 0, 10, 0, 7), disc(0, 5, 0, 8)])
    board = board_of(compose(Image(whole, np.array([True, False]))))
    assert len(board.copper) == 2
    assert lines_of(board, at=(9.0, 0.0)) == [("A", 7)]


def test_copper_left_by_a_negative_image_has_a_file_and_no_line() -> None:
    image = Image(disc(-2, 5, 5, 8), np.array([True]))
    copper = compose(image, profile=shapely.box(0, 0, 10, 10), negative=True)
    (told,) = with_sources(
        board_of(replace(copper, net=np.zeros(len(copper), np.int32))), [finding(at=(1.0, 1.0))]
    )
    assert told.sources == (Source("A", "top.gbr", None),)


def test_walls_of_plated_holes_are_copper_too() -> None:
    """Where no pad of the net is at the place; unplated holes are none."""
    drilled = holes(
        2,
        ends=np.array([[0, 0, 0, 0], [3, 0, 3, 0]]),
        radius=0.3,
        net=0,
        file=1,
        line=np.array([4, 5]),
    )
    plated = replace(drilled, plated=np.array([PLATED, 0], dtype=np.int8))
    board = board_of(disc(1, 9, 9, 1), holes=plated)
    assert lines_of(board, at=(0.3, 0.0)) == [("A", 4)]
    assert lines_of(board, at=(9.0, 0.0)) == []
    with_pad = board_of(disc(0, 0, 0, 6), holes=plated)
    assert lines_of(with_pad, at=(0.0, 0.0)) == [("A", 6)]


def test_the_wall_of_a_plated_slot_is_as_long_as_the_slot() -> None:
    """From (0, 0) to (4, 0), 0.6 mm wide: copper at its far end, and on its long side."""
    slot = holes(1, ends=np.array([[0, 0, 4, 0]]), radius=0.3, net=0, file=1, line=7, plated=PLATED)
    board = board_of(disc(1, 9, 9, 1), holes=slot)
    assert lines_of(board, at=(4.3, 0.0)) == [("A", 7)]
    assert lines_of(board, at=(2.0, 0.3)) == [("A", 7)]


def test_of_two_objects_at_a_place_the_one_that_the_witness_stays_on_is_named() -> None:
    """From the edges of both at (0, 0) to (0.9, 0): along the edge of the wide trace, away from the
    end of the narrow one.
    """
    wide = conductors(
        1, kind=Kind.STROKE, net=0, geometry=np.array([[-5, 1, 5, 1, 0]]), radius=1.0, line=2
    )
    narrow = replace(stroke(0, -5, 0, -0.3, 0, 1), radius=np.array([0.3]))
    assert lines_of(board_of(narrow, wide), path=(((0.0, 0.0), (0.9, 0.0)),)) == [("A", 2)]


def test_nets_of_one_name_are_one() -> None:
    """Single pads may share a name; the one at the place is told."""
    board = board_of(disc(2, 0, 0, 1), disc(3, 5, 0, 2))
    assert lines_of(board, nets=("N/C",), at=(5.0, 0.0)) == [("N/C", 2)]


def test_nothing_else_of_a_finding_changes() -> None:
    """Ids least of all."""
    found = identified([finding(at=(float(x), 0.0)) for x in range(3)])
    told = with_sources(board_of(*BEND), found)
    assert [replace(f, sources=()) for f in told] == found
    assert all(f.sources for f in told)
    assert with_sources(board_of(), found) == found
    assert with_sources(board_of(*BEND), []) == []
