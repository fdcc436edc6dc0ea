"""Pieces of copper: listed with a place on each that names it when pasted into a rules file."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from checker.cli import main
from checker.demo.gerber_writer import write_gerber
from checker.results.islands import islands
from parsers import read_board
from parsers.board import Hints, NamedPlace
from tests.parsers.assembly.test_named_places import NAMELESS


def test_pieces_are_told_with_area_layers_and_holes(tmp_path: Path) -> None:
    """A pour of 17 x 18 mm, a trace of 10 x 0.2 mm with round ends on L2 and the land of the hole
    that joins them.
    """
    write_gerber(NAMELESS, tmp_path)
    first, second, named = islands(read_board(tmp_path))
    assert (first.net, first.layers, first.holes) == (None, "L1 L2", 1)
    assert first.area_mm2 == pytest.approx(17 * 18 + 2 + 0.0314 + 0.2827 - 0.07, abs=0.06)
    assert (second.net, second.layers, second.holes, second.area_mm2) == (None, "L1", 0, 306)
    assert (named.net, named.layers) == ("SIG", "L2")


def test_the_places_name_the_pieces(tmp_path: Path) -> None:
    write_gerber(NAMELESS, tmp_path)
    found = [island for island in islands(read_board(tmp_path)) if island.net is None]
    places = tuple(NamedPlace(f"N{n}", i.at[:2], i.at[2]) for n, i in enumerate(found))
    board = read_board(tmp_path, Hints(nets=places))
    assert board.doubts == ()
    assert [i.net for i in islands(board)] == ["N0", "N1", "SIG"]


def test_the_command_prints_lines_to_paste_that_settle_the_doubts(tmp_path: Path) -> None:
    """A rules file of `[net]` and `[files]` alone is enough for the inventory; it needs no
    region.
    """
    board = tmp_path / "board"
    write_gerber(NAMELESS, board)
    text = CliRunner().invoke(main, ["inventory", str(board), "--islands"]).output
    lines = re.findall(r"^  (at = \[\[.*\]\])", text, re.M)
    assert len(lines) == 2
    rules = tmp_path / "rules.toml"
    rules.write_text(
        "schema = 1\n" + "".join(f"[net.N{n}]\n{line}\n" for n, line in enumerate(lines))
    )
    named = CliRunner().invoke(
        main, ["inventory", str(board), "--rules", str(rules), "--islands", "--format", "csv"]
    )
    assert named.exit_code == 0
    assert [line.split(",")[0] for line in named.output.splitlines()] == ["net", "N0", "N1", "SIG"]
    assert (
        "unknown net"
        not in CliRunner().invoke(main, ["inventory", str(board), "--rules", str(rules)]).output
    )
