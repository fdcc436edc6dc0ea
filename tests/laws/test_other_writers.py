"""Boards written by programs not ours give the findings of the same boards written by ours.

Copper and profile come from the library gerber-writer, drill files and the test netlist that names
the copper (its layers carry no nets) from the library gerbonara: what our writers and readers
misread alike would show here.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path

import gerber_writer as writer
import pytest
import shapely
from gerbonara.apertures import ExcellonTool
from gerbonara.cam import FileSettings
from gerbonara.excellon import ExcellonFile
from gerbonara.graphic_objects import Flash, Line
from gerbonara.ipc356 import Netlist, PadType
from gerbonara.ipc356 import TestRecord as Record
from gerbonara.utils import MM

from checker.demo.sketch import (
    NOT_CONNECTED,
    OVAL,
    RECTANGLE,
    Contour,
    Draw,
    Hole,
    Pad,
    Pour,
    Sketch,
    legs,
)
from checker.findings import Finding
from parsers import read_board
from parsers.board import Hints
from tests.boards import Case, cases, found, ring, through_gerber

RULES = (
    *(
        "gap_crossing",
        "unreferenced_run",
        "region_escape",
        "region_intrusion",
        "pour_overlap",
        "pour_edge",
    ),
    *("noisy_neighbour", "return_handover", "galvanic_bridge", "clearance", "creepage"),
)
FACES = 2  # on boards of more layers, a netlist whose highest layer is 2 may mean the bottom by it


def write(sketch: Sketch, folder: Path) -> None:
    """A package of copper layers, profile, drill files and test netlist."""
    folder.mkdir()
    for number in range(1, sketch.layers + 1):
        side = "Top" if number == 1 else "Bot" if number == sketch.layers else "Inr"
        layer = writer.DataLayer(f"Copper,L{number},{side}")
        _draw(layer, sketch, f"L{number}")
        (folder / f"copper{number}.gbr").write_text(layer.dumps_gerber())
    profile = writer.DataLayer("Profile,NP")
    for contour in (sketch.outline, *sketch.cutouts):
        profile.add_traces_path(_path(contour, closed=True), 0.1, "Profile")
    (folder / "profile.gbr").write_text(profile.dumps_gerber())
    for plated in (True, False):
        holes = [hole for hole in sketch.holes if hole.plated == plated]
        if holes:
            tape = ExcellonFile([_drilled(hole) for hole in holes])
            (folder / f"{'PTH' if plated else 'NPTH'}.drl").write_bytes(
                tape.write_to_bytes(_settings())
            )
    (folder / "netlist.ipc").write_bytes(_netlist(sketch))


def _settings() -> FileSettings:
    return FileSettings(unit=MM, number_format=(4, 5), zeros=None)


def _draw(layer: writer.DataLayer, sketch: Sketch, name: str) -> None:
    pours = [pour for pour in sketch.pours if pour.layer == name]
    for pour in sorted(
        pours, key=lambda pour: -shapely.Polygon(ring(pour.contour, outward=True)).area
    ):
        layer.add_region(_path(pour.contour, closed=True), pour.function)
        for hole in pour.holes:
            layer.add_region(_path(hole, closed=True), pour.function, True)
    for draw in sketch.draws:
        if draw.layer == name:
            layer.add_traces_path(_path(draw.points), draw.width, draw.function)
    for pad in sketch.pads:
        if pad.layer == name:
            layer.add_pad(_master(pad), pad.at)


def _path(contour: Contour, *, closed: bool = False) -> writer.Path:
    path = writer.Path()
    path.moveto((float(contour[0][0]), float(contour[0][1])))
    for _, step in legs(contour, closed=closed):
        end = (float(step[0]), float(step[1]))
        if len(step) > 2:
            path.arcto(end, (float(step[2]), float(step[3])), "+" if step[4] > 0 else "-")
        else:
            path.lineto(end)
    return path


def _master(pad: Pad) -> object:
    width, height = (float(size) for size in pad.size)
    if pad.shape == RECTANGLE:
        return writer.Rectangle(width, height, pad.function)
    if pad.shape == OVAL and width != height:
        return writer.RoundedRectangle(width, height, min(width, height) / 2, pad.function)
    return writer.Circle(width, pad.function)


def _drilled(hole: Hole) -> Flash | Line:
    tool = ExcellonTool(hole.diameter, plated=hole.plated, unit=MM)
    if hole.to is None:
        return Flash(*hole.at, tool, unit=MM)
    return Line(*hole.at, *hole.to, tool, unit=MM)


def _netlist(sketch: Sketch) -> bytes:
    records = [_record(thing, at) for thing, at in _points(sketch)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        netlist = Netlist(test_records=records, params={"JOB": "x"})
        return bytes(netlist.write_to_bytes(_settings())) + b"\n999\n"


def _points(sketch: Sketch) -> Iterator[tuple[Pour | Draw | Pad | Hole, tuple[float, float]]]:
    """A place on every object of copper, and every plated hole."""
    for pour in sketch.pours:
        area = shapely.Polygon(
            ring(pour.contour, outward=True), [ring(h, outward=False) for h in pour.holes]
        )
        at = area.representative_point()
        yield pour, (at.x, at.y)
    yield from ((draw, (draw.points[0][0], draw.points[0][1])) for draw in sketch.draws)
    yield from ((pad, pad.at) for pad in sketch.pads)
    yield from ((hole, hole.at) for hole in sketch.holes if hole.plated and hole.net)


def _record(thing: Pour | Draw | Pad | Hole, at: tuple[float, float]) -> Record:
    through, refdes = isinstance(thing, Hole), getattr(thing, "refdes", None)
    record = Record(
        pad_type=PadType.THROUGH_HOLE if through else PadType.SMD_PAD,
        net_name=thing.net,
        ref_des=refdes,
        is_via=refdes is None,
        pin_num=getattr(thing, "pin", None),
        hole_dia=thing.diameter if isinstance(thing, Hole) else None,
        is_plated=True if through else None,
        access_layer=0 if isinstance(thing, Hole) else int(thing.layer[1:]),
        x=at[0],
        y=at[1],
        unit=MM,
    )
    record.leftover = ""  # the library asks for it and does not set it
    return record


def plain(case: Case) -> bool:
    """Whether a test netlist can name all that a board has: nets for all copper, no spans, clear
    layers.
    """
    sketch = case.sketch
    copper = (*sketch.pours, *sketch.draws, *sketch.pads)
    named = all(thing.net and thing.net != NOT_CONNECTED for thing in copper)
    holes = all(hole.span is None and (hole.net or not hole.plated) for hole in sketch.holes)
    deepest = max((int(thing.layer[1:]) for thing in copper), default=0)
    return (sketch.layers == FACES or deepest > FACES) and named and holes and bool(copper)


def told(findings: list[Finding]) -> list[tuple[object, ...]]:
    rows = (
        (f.rule, str(f.level), tuple(sorted(f.nets)), f.layer, f.required, f.measured)
        for f in findings
    )
    return sorted(rows, key=str)


def thicknesses(sketch: Sketch) -> Hints:
    """What only a job file would tell, as a rules file may state it."""
    return Hints(thickness=sketch.thickness, dielectric=sketch.gaps)


@pytest.mark.parametrize("most", [5, pytest.param(1000, marks=pytest.mark.long)])
@pytest.mark.parametrize("rule", RULES)
def test_boards_of_other_writers_give_the_same_findings(
    rule: str, most: int, tmp_path: Path
) -> None:
    """Named boards of a rule that can be written so, and no few."""
    held = [case for case in cases(rule) if plain(case)]
    assert len(held) > 2
    for case in held[:: max(1, len(held) // most)]:
        write(case.sketch, tmp_path / case.name)
        other = read_board(tmp_path / case.name, thicknesses(case.sketch))
        own = through_gerber(case.sketch, tmp_path / f"own-{case.name}")
        name = rule.replace("_", "-")
        found_, expected = told(found(other, case.rules, name)), told(found(own, case.rules, name))
        assert [row[:-1] for row in found_] == [row[:-1] for row in expected], case.name
        assert [row[-1] for row in found_] == pytest.approx(
            [row[-1] for row in expected], abs=0.001
        ), case.name
