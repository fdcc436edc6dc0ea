"""The same small board in revisions A, B, B1 and C: valid by the published schemas, and read
alike.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from lxml import etree

from parsers.board import PLATED, UNPLATED, Hints
from parsers.ipc2581 import read_ipc2581
from tests.parsers.ipc2581.files import (
    BOARDS,
    SCHEMAS,
    File,
    features,
    layer,
    one_set,
    polygon,
    read,
    sentences,
    shape_on,
)

REVISIONS = ("A", "B", "B1", "C")
LINE_ENTRY = '<EntryLineDesc id="L02"><LineDesc lineEnd="ROUND" lineWidth="0.2"/></EntryLineDesc>'
DISC_ENTRY = '<EntryStandard id="C1"><Circle diameter="1"/></EntryStandard>'
USER_ENTRY = (
    '<EntryUser id="U"><UserSpecial><StandardPrimitiveRef id="C1"/></UserSpecial></EntryUser>'
)
FILL_ENTRY = '<EntryFillDesc id="F"><FillDesc fillProperty="FILL"/></EntryFillDesc>'
THERMAL = {"A": "gap", "B": "gap", "B1": "spokeWidth", "C": "spokeWidth"}
SLOT_LINE = '<Line startX="14" startY="4" endX="14" endY="8"><LineDescRef id="L02"/></Line>'
SPAN = '<Span fromLayer="TOP" toLayer="BOTTOM"/>'


def slot(revision: str) -> str:
    name = "Slot" if revision == "A" else "SlotCavity"
    place = '<Location x="0" y="0"/>' if revision == "C" else ""
    return (
        f'<{name} name="S" platingStatus="NONPLATED" plusTol="0"'
        f' minusTol="0">{place}{SLOT_LINE}</{name}>'
    )


def padstack(revision: str) -> str:
    land = '<Location x="0" y="0"/><Circle diameter="1"/>'
    drill = 'name="H" diameter="0.5" platingStatus="PLATED" plusTol="0" minusTol="0"'
    if revision == "A":
        at = '<Location x="5" y="5"/><StandardPrimitiveRef id="C1"/>'
        return (
            f'<PadStack net="SIG"><LayerHole {drill} x="5" y="5">{SPAN}</LayerHole><LayerPad'
            f' layerRef="TOP">{at}</LayerPad></PadStack>'
        )
    return (
        f'<PadStackDef name="P"><PadstackHoleDef {drill} x="0" y="0"/><PadstackPadDef'
        f' layerRef="TOP" padUse="REGULAR">{land}</PadstackPadDef></PadStackDef>'
    )


def pad(x: float, pin: str, revision: str) -> str:
    stack = "" if revision == "A" else ' padstackDefRef="P"'
    return (
        f'<Pad{stack}><Xform rotation="90"/><Location x="{x}" y="5"/><StandardPrimitiveRef'
        f' id="C1"/><PinRef componentRef="J1" pin="{pin}"/></Pad>'
    )


def same_board(revision: str) -> File:
    """A trace, an area with a curve, two pads with holes, a user shape, an erasing thermal, a
    slot.
    """
    trace = features('<Line startX="5" startY="5" endX="9" endY="5"><LineDescRef id="L02"/></Line>')
    corner = (
        '<Contour><Polygon><PolyBegin x="1" y="10"/><PolyStepSegment x="17" y="10"/>'
        '<PolyStepCurve x="19" y="12" centerX="17" centerY="12" clockwise="false"/><PolyStepSegment'
        ' x="19" y="18"/>'
        '<PolyStepSegment x="1" y="18"/><PolyStepSegment x="1" y="10"/></Polygon>'
        f"{polygon('3,12 5,12 5,14 3,14', 'Cutout')}"
        "</Contour>"
    )
    thermal = (
        '<Thermal shape="ROUND" outerDiameter="2" innerDiameter="1" spokeCount="4"'
        f' {THERMAL[revision]}="0.3" spokeStartAngle="0"/>'
    )
    holes = "".join(
        f'<Hole name="H{x}" diameter="0.5" platingStatus="PLATED" plusTol="0" minusTol="0" x="{x}"'
        ' y="5"/>'
        for x in (5, 9)
    )
    dictionaries = {"LineDesc": LINE_ENTRY, "Standard": DISC_ENTRY, "User": USER_ENTRY}
    if revision != "A":
        dictionaries["FillDesc"] = FILL_ENTRY
    return File(
        revision,
        dictionaries=dictionaries,
        layers=(
            layer("TOP"),
            layer("BOTTOM", "PLANE", "BOTTOM"),
            layer("DRILL", "DRILL", "ALL", inside=SPAN),
        ),
        before=padstack(revision),
        bom=("J1",) if revision == "C" else (),
        nets=(
            '<LogicalNet name="SIG"><PinRef componentRef="J1" pin="1"/><PinRef componentRef="J1"'
            ' pin="2"/></LogicalNet>'
        ),
        features={
            "TOP": one_set(pad(5, "1", revision) + pad(9, "2", revision) + trace, 'net="SIG"'),
            "BOTTOM": (
                one_set(features(corner), 'net="GND"')
                + one_set(features(thermal, '<Location x="10" y="14"/>'), 'polarity="NEGATIVE"')
                + one_set(
                    features(
                        '<UserPrimitiveRef id="U"/>',
                        '<Location x="5" y="5"/><Location x="9" y="5"/>',
                    ),
                    'net="SIG"',
                )
            ),
            "DRILL": one_set(holes + slot(revision), 'net="SIG"'),
        },
    )


@pytest.mark.needs("schemas")
@pytest.mark.parametrize("revision", REVISIONS)
def test_the_file_is_valid_by_the_published_schema(revision: str) -> None:
    """Source: the XML schemas of the revisions, as published by the consortium."""
    path = SCHEMAS / f"IPC-2581{revision}.xsd"
    schema = etree.XMLSchema(etree.parse(path))
    assert schema.validate(etree.fromstring(same_board(revision).text().encode())), schema.error_log


@pytest.mark.parametrize("revision", REVISIONS)
def test_every_revision_gives_the_same_board(tmp_path: Path, revision: str) -> None:
    board = read(same_board(revision), tmp_path)
    assert board.doubts == ()
    assert [net.name for net in board.nets] == ["SIG", "GND"]
    assert [(part.refdes, len(part.pins)) for part in board.components] == [("J1", 2)]
    assert board.holes.plated.tolist() == [PLATED, PLATED, UNPLATED]
    assert board.holes.ends[2].tolist() == [14, 4, 14, 8]
    top = board.copper.layer == 0
    assert [board.functions[f] for f in board.copper.function[top]] == [
        "ComponentPad",
        "ComponentPad",
        "Conductor",
    ]
    # 18 x 8 less 2^2 (1 - pi / 4) at the corner, less the 2 x 2 cutout, less the thermal's ring
    # pieces
    half = 0.15
    strip = {r: half * np.sqrt(r**2 - half**2) + r**2 * np.arcsin(half / r) for r in (1.0, 0.5)}
    ring = np.pi * 0.75 - 4 * (strip[1.0] - strip[0.5])
    area = 144 - 4 * (1 - np.pi / 4) - 4 - ring + np.pi / 2  # the two user discs lie apart
    assert area <= shape_on(board, 1).area <= area * 1.0001


@pytest.mark.parametrize("revision", REVISIONS)
def test_the_net_runs_through_pads_trace_and_holes(tmp_path: Path, revision: str) -> None:
    """All copper of SIG is one piece over both layers."""
    board = read(same_board(revision), tmp_path)
    signal = board.copper.net == 0
    assert len(set(board.connectivity.piece[signal].tolist())) == 1


@pytest.mark.needs("boards")
def test_the_real_file_is_read_as_far_as_it_goes() -> None:
    """A published sample that breaks the schema in many ways: lines without Features, pads that are
    only named.

    Worked from the file: 23 + 4 lines and a polygon of 38 x 23 mm; the four vias; each breach a
    doubt with its line.
    """
    path = BOARDS / "ipc2581-c-small" / "board.xml"
    board = read_ipc2581(path, Hints())
    assert [layer.name for layer in board.layers] == ["TOP_COPPER", "BOTTOM_COPPER"]
    assert board.stackup.thickness == pytest.approx(1.6)
    assert board.stackup.dielectric == pytest.approx((1.51,))
    named = [net.name for net in board.nets if not net.single]
    assert named == ["VIN", "GND", "VOUT", "LED_A", "LED_K"]
    text = path.read_text()
    drawn = text[text.index("COPPER FEATURES: TOP") : text.index("SILKSCREEN: TOP")]
    assert (board.copper.radius > 0).sum() == drawn.count("<Line ") + drawn.count("<Pad ")
    bottom = shape_on(board, 1)
    assert bottom.area == pytest.approx(38 * 23, rel=0.01)
    assert {c.refdes: c.side for c in board.components}["R2"] == "bottom"
    doubts = {re.sub(r" \(\d+ \w+\)$", "", d.what): d.place.line for d in board.doubts}
    lines = text.splitlines()
    assert "<Line " in lines[(doubts["a Line outside Features"] or 0) - 1]
    assert "<Pad " in lines[(doubts["a pad with x and y instead of a Location"] or 0) - 1]
    assert "<Drill " in lines[(doubts["Drill in place of a shape"] or 0) - 1]
    assert "pins of the netlist without a pad" in doubts
    assert "CadHeader has units 'MM'" in doubts
    assert sentences(board)
