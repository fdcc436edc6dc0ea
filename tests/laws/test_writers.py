"""The writers say exactly what the sketch says: valid by the formats' own schemas, same bytes for
the same sketch.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from lxml import etree

from checker.demo import boards
from checker.demo.gerber_writer import INCH, escaped, gerber_package
from checker.demo.ipc2581_writer import REVISIONS, ipc2581_text
from checker.demo.sketch import (
    OVAL,
    RECTANGLE,
    Draw,
    Hole,
    Pad,
    Part,
    Pour,
    Sketch,
    box,
    circle,
    via,
)
from tests.boards import FIXTURES

SCHEMAS = Path(__file__).parents[3] / "shared" / "schemas"
LANDS, BARREL = via("GND", (30, 5), 4)
EVERYTHING = Sketch(
    title="every thing",
    layers=4,
    outline=((0, 0), (50, 0), (50, 27), (47, 30, 47, 27, 1), (0, 30)),
    cutouts=(box(20, 20, 22, 25),),
    pours=(
        Pour(
            net="GND",
            layer="L2",
            contour=box(1, 1, 40, 20),
            holes=(circle(10, 10, 1), box(12, 3, 13, 8)),
        ),
        Pour(net="", layer="L1", contour=box(42, 2, 43, 3), function="CopperBalancing"),
    ),
    draws=(
        Draw(net="A", layer="L1", width=0.2, points=((2, 2), (8, 2), (10, 4, 8, 4, 1), (10, 9))),
        Draw(net="A", layer="L4", width=0.25, points=((2, 2), (8, 2))),
        Draw(net="A", layer="L4", width=0.25, points=((8, 2), (8, 6, 8, 4, -1))),
    ),
    pads=(
        Pad(
            net="A",
            layer="L1",
            at=(2, 2),
            size=(1, 2),
            shape=RECTANGLE,
            refdes="U1",
            pin="1",
            pin_name="IN",
        ),
        Pad(net="GND", layer="L1", at=(5, 2), size=(1, 2), shape=OVAL, refdes="U1", pin="2"),
        Pad(net="N/C", layer="L1", at=(7, 7), size=(0.8, 0.8), refdes="U1", pin="3"),
        Pad(net="GND", layer="L4", at=(35, 9), size=(2, 1), shape=OVAL, refdes="C1", pin="1"),
        Pad(net="", layer="L1", at=(45, 25), size=(1, 1), function="FiducialPad,Global"),
        *LANDS,
    ),
    holes=(
        BARREL,
        Hole(net="A", at=(8, 2), diameter=0.3, span=("L1", "L2")),
        Hole(at=(25, 5), to=(25, 15), diameter=1.2, plated=False, function="OtherDrill,Slot"),
    ),
    parts=(Part(refdes="U1", package="SO-3"),),
)


@pytest.mark.needs("schemas")
@pytest.mark.parametrize("revision", REVISIONS)
@pytest.mark.parametrize("unit", ["MILLIMETER", "INCH"])
def test_ipc2581_is_valid_by_the_published_schema(revision: str, unit: str) -> None:
    """Source: the XML schemas of IPC-2581 revisions B1 and C, as published by the consortium."""
    path = SCHEMAS / f"IPC-2581{revision}.xsd"
    schema = etree.XMLSchema(etree.parse(path))
    document = etree.fromstring(ipc2581_text(EVERYTHING, revision, unit=unit))
    assert schema.validate(document), schema.error_log


def test_an_unknown_revision_is_refused() -> None:
    with pytest.raises(ValueError, match="revision A is not written"):
        ipc2581_text(EVERYTHING, "A")


def test_same_sketch_same_bytes() -> None:
    assert ipc2581_text(EVERYTHING) == ipc2581_text(EVERYTHING)
    assert gerber_package(EVERYTHING) == gerber_package(EVERYTHING)


def test_the_package_has_a_file_per_layer_and_span_and_the_job_file_lists_them_all() -> None:
    package = gerber_package(EVERYTHING)
    stems = {name.removeprefix("every-thing-") for name in package}
    assert stems == {
        "L1.gbr", "L2.gbr", "L3.gbr", "L4.gbr", "profile.gbr", "pth.gbr", "npth.gbr", "plated-L1-L2.gbr", "job.gbrjob",
    }  # fmt: skip
    job = json.loads(package["every-thing-job.gbrjob"])
    listed = {f["Path"]: f["FileFunction"] for f in job["FilesAttributes"]}
    assert set(listed) == set(package) - {"every-thing-job.gbrjob"}
    for name, function in listed.items():
        assert f"%TF.FileFunction,{function}*%" in package[name]
    thicknesses = [row["Thickness"] for row in job["MaterialStackup"]]
    assert sum(thicknesses) == pytest.approx(1.6)


@pytest.mark.parametrize(
    "line",
    [
        "%TO.N,A*%",
        "%TO.N,*%",
        "%TO.N,N/C*%",
        "%TO.P,U1,1,IN*%",
        "%TO.C,U1*%",
        "%TA.AperFunction,SMDPad,CuDef*%",
        "%TA.AperFunction,CopperBalancing*%",
        "%ADD11R,1X2*%",
        "X10000000Y4000000I0J2000000D01*",
    ],
)
def test_the_top_layer_carries_nets_pins_functions_and_exact_numbers(line: str) -> None:
    """mm with six decimals: 10 mm is 10000000 (The Gerber Layer Format Specification 2023.08,
    4.2.2).
    """
    assert line in gerber_package(EVERYTHING)["every-thing-L1.gbr"].splitlines()


def test_clear_regions_follow_the_pour_they_belong_to() -> None:
    text = gerber_package(EVERYTHING)["every-thing-L2.gbr"]
    assert text.count("G36*") == 3
    assert text.index("%LPC*%") < text.rindex("%LPD*%")
    assert "%TD.N*%" in text


def test_inch_files_say_inch_and_scale() -> None:
    text = gerber_package(EVERYTHING, unit=INCH)["every-thing-pth.gbr"]
    assert "%MOIN*%" in text
    assert "X11811024Y1968504D03*" in text  # 30 mm and 5 mm in 1e-7 inch


def test_drill_machine_files_carry_slots_and_plating() -> None:
    files = gerber_package(EVERYTHING, drills="nc")
    assert "X25.000000Y5.000000G85X25.000000Y15.000000" in files["every-thing-npth.drl"]
    assert "; #@! TF.FileFunction,NonPlated,1,4,NPTH,Mixed" in files["every-thing-npth.drl"]
    assert "; #@! TA.AperFunction,Plated,PTH,ViaDrill" in files["every-thing-pth.drl"]


def test_characters_that_the_syntax_needs_are_escaped() -> None:
    """The Gerber Layer Format Specification 2023.08, 3.4.3."""
    assert escaped("A%B*C\\D,E") == "A\\u0025B\\u002AC\\u005CD\\u002CE"


@pytest.mark.needs("schemas")
@pytest.mark.parametrize("revision", REVISIONS)
def test_every_demo_file_is_valid_by_the_published_schema(revision: str) -> None:
    path = SCHEMAS / f"IPC-2581{revision}.xsd"
    schema = etree.XMLSchema(etree.parse(path))
    files = sorted((FIXTURES / "demo").glob(f"*/board-{revision}.xml"))
    assert len(files) == len(boards())
    for file in files:
        assert schema.validate(etree.parse(file)), (file, schema.error_log)
