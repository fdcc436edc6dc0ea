"""A plated slot of several segments is one conductor, however a file writes it."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from checker.demo.gerber_writer import write_gerber
from checker.demo.ipc2581_writer import write_ipc2581
from checker.demo.sketch import Hole, Pad, Sketch, box
from checker.rules import galvanic_bridge
from parsers import read_board
from parsers.board import Board
from tests.boards import layout_of

WAY = ((5.0, 10.0), (10.0, 16.0), (15.0, 10.0))  # of the tool, between pads of both sides
RULES = """
schema = 1
[region.a]
reference = ["A"]
[region.b]
reference = ["B"]
[[barrier]]
between = ["a", "b"]
"""


def sketch(shift: float) -> Sketch:
    """Pads of 2 mm at both ends of a bent slot of 1 mm; with a shift one end falls short."""
    one, bend, two = WAY
    pads = tuple(
        Pad(net=net, layer="L1", at=at, size=(2.0, 2.0))
        for net, at in (("A", (one[0] - shift, one[1])), ("B", two))
    )
    holes = tuple(
        Hole(at=p, to=q, diameter=1.0, function="ComponentDrill")
        for p, q in ((one, bend), (bend, two))
    )
    return Sketch(outline=box(0, 0, 20, 20), pads=pads, holes=holes)


def in_segments(drawn: Sketch, folder: Path) -> Board:
    write_gerber(drawn, folder / "board", drills="nc")
    return read_board(folder / "board")


def routed(drawn: Sketch, folder: Path) -> Board:
    """Drill program: tool down at one end, up at the other."""
    write_gerber(drawn, folder / "board", drills="nc")
    (program,) = (folder / "board").glob("*.drl")
    head, _, _ = program.read_text(encoding="utf-8").partition("\n%\n")
    x, y = zip(*WAY, strict=True)
    moves = [f"G00X{x[0]}Y{y[0]}", "M15", f"G01X{x[1]}Y{y[1]}", f"G01X{x[2]}Y{y[2]}", "M16"]
    program.write_text("\n".join([head, "%", "G90", "T1", *moves, "M30", ""]), encoding="utf-8")
    return read_board(folder / "board")


def as_polyline(drawn: Sketch, folder: Path) -> Board:
    """IPC-2581: one cavity with a bent line."""
    path = folder / "board.xml"
    write_ipc2581(drawn, path)
    first, second = re.findall(r"<SlotCavity.*?</SlotCavity>", text := path.read_text(), re.DOTALL)
    steps = "".join(
        f'<PolyStepSegment x="{x - WAY[0][0]}" y="{y - WAY[0][1]}"/>' for x, y in WAY[1:]
    )
    bent = re.sub(
        r"<Line [^>]*>(.*?)</Line>",
        rf'<Polyline><PolyBegin x="0" y="0"/>{steps}\1</Polyline>',
        first,
        flags=re.DOTALL,
    )
    path.write_text(text.replace(first, bent).replace(second, ""))
    return read_board(path)


@pytest.mark.parametrize("written", [in_segments, routed, as_polyline])
@pytest.mark.parametrize(("shift", "bridges"), [(0.0, 1), (1.6, 0)])
def test_a_bent_plated_slot_is_one_conductor(
    written: Callable[[Sketch, Path], Board], shift: float, bridges: int, tmp_path: Path
) -> None:
    """Shifted by 1.6 mm, the pad's edge is 0.1 mm from the slot's end."""
    board = written(sketch(shift), tmp_path)
    assert len(board.holes) == 2
    assert len(list(galvanic_bridge.find(layout_of(board, RULES)))) == bridges
