"""An invented board, its findings and its outcome: every kind of thing that a report or a picture
has to show.

The board is a greenhouse dosing controller of 100 x 80 mm: pumps and mains on the right, probes on
the left. The numbers need not be true; they stand for what rules would have found.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import shapely

from checker.config.rules_file import RegionSpec, StackupSpec
from checker.demo.sketch import RECTANGLE, Draw, Hole, Pad, Pour, Sketch, box, circle, via
from checker.drawing import Scene, scene_of
from checker.findings import Finding, Level, Source, Waived, identified
from checker.layout.layout import Layout
from checker.layout.regions import Pour as RegionPour
from checker.layout.regions import Region
from checker.results.outcome import (
    CAUTION,
    Check,
    Doubt,
    InputFile,
    Outcome,
    Place,
    RegionRow,
    StatedDoubt,
)
from parsers.board import PLATED
from parsers.board import holes as make_holes
from parsers.primitives import Kind, concatenate, conductors
from tests.boards import built_directly

# typed by hand, for creepage and clearance protect people: every output has to say so in these
# words
SAFETY = (
    "A geometric aid, not a certification: the applicable standard, its edition and a qualified"
    " person decide; the table's values are the user's. No table is applied unasked."
)
REGIONS = (("system", "GND_SYS", False), ("probe", "GND_PROBE", True))
SIGNALS = tuple(f"DOSE_{i}" for i in range(12))


def sketch() -> Sketch:
    """The board: reference pours on L2 and L3, signals on L1 and L4, an isolator across the gap."""
    pours = []
    for layer in ("L2", "L3"):
        antipads = tuple(
            circle(x, y, 0.9) for x in (50.0, 60.0, 70.0, 80.0) for y in (12.0, 28.0, 44.0, 60.0)
        )
        pours.append(Pour(net="GND_PROBE", layer=layer, contour=box(1, 1, 38, 79)))
        pours.append(Pour(net="GND_SYS", layer=layer, contour=box(42, 1, 99, 79), holes=antipads))
    pours.append(Pour(net="GND_SYS", layer="L1", contour=box(82, 60, 98, 78)))
    drawn = Sketch(
        title="dosing controller", layers=4, outline=box(0, 0, 100, 80), pours=tuple(pours)
    )
    drawn = drawn.with_(cutouts=(box(39.5, 30, 40.5, 46),), holes=_screws(), pads=_parts())
    for x in (50.0, 60.0, 70.0, 80.0):
        for number, y in enumerate((12.0, 28.0, 44.0, 60.0)):
            lands, hole = via(SIGNALS[number], (x, y), 4, drill=0.4, land=0.7)
            drawn = drawn.with_(pads=lands, holes=(hole,))
    return drawn.with_(draws=_traces())


def _screws() -> tuple[Hole, ...]:
    return tuple(
        Hole(at=(x, y), diameter=3.2, plated=False) for x in (4.0, 96.0) for y in (4.0, 76.0)
    )


def _parts() -> tuple[Pad, ...]:
    isolator = [
        Pad(
            net=net,
            layer="L1",
            at=(x, 50 + 1.27 * i),
            size=(2.0, 0.7),
            shape=RECTANGLE,
            refdes="U3",
            pin=f"{side}{i}",
        )
        for side, x, net in (("A", 36.0, "PH_DATA"), ("B", 44.0, "SYS_DATA"))
        for i in range(4)
    ]
    plug = [
        Pad(
            net=f"PH_{i}",
            layer="L1",
            at=(5, 20 + 2.5 * i),
            size=(1.6, 1.6),
            refdes="J1",
            pin=f"{i}",
        )
        for i in range(6)
    ]
    chip = [
        Pad(
            net=SIGNALS[i],
            layer="L1",
            at=(60 + 0.8 * i, 66),
            size=(0.45, 1.6),
            shape=RECTANGLE,
            refdes="U1",
            pin=f"{i}",
        )
        for i in range(12)
    ]
    return (*isolator, *plug, *chip)


def _traces() -> tuple[Draw, ...]:
    bus = [
        Draw(
            net=name,
            layer="L1",
            width=0.2,
            points=(
                (60 + 0.8 * i, 66),
                (60 + 0.8 * i, 58 - i),
                (90 - i, 40 - 2.2 * i),
                (90 - i, 8),
            ),
        )
        for i, name in enumerate(SIGNALS)
    ]
    probes = [
        Draw(
            net=f"PH_{i}",
            layer="L1",
            width=0.25,
            points=((5, 20 + 2.5 * i), (20, 20 + 2.5 * i), (24, 24 + 2.5 * i), (30, 24 + 2.5 * i)),
        )
        for i in range(6)
    ]
    crossing = (
        Draw(
            net="PH_2",
            layer="L1",
            width=0.25,
            points=((30, 29), (34, 29), (39, 24), (46, 24), (50, 28)),
        ),
        Draw(
            net="EC_DRIVE", layer="L4", width=0.3, points=((20, 60), (36, 60), (40, 64), (48, 64))
        ),
        Draw(
            net="PUMP_SENSE", layer="L1", width=0.5, points=((70, 74), (41, 74), (32, 70), (32, 64))
        ),
        Draw(
            net="PUMP_SENSE",
            layer="L4",
            width=0.5,
            points=(
                (
                    45,
                    10,
                ),
                (60, 10),
                (70, 10, 65, 10, -1.0),
                (80, 20),
            ),
        ),
    )
    return (*bus, *probes, *crossing)


def layout() -> Layout:
    """As much of a layout as drawing needs: regions, pours, names."""
    board = built_directly(sketch())
    index = {net.name: i for i, net in enumerate(board.nets)}
    regions = tuple(
        Region(
            i,
            RegionSpec(name, (ref,), quiet=quiet),
            frozenset({index[ref]}),
            frozenset(),
            frozenset({index[ref]}),
        )
        for i, (name, ref, quiet) in enumerate(REGIONS)
    )
    shapes = board.copper.shapes()
    pours: list[RegionPour] = []
    for row in np.flatnonzero((board.copper.area >= 0) & ~board.copper.pad):
        for region in regions:
            if int(board.copper.net[row]) in region.reference:
                filled = shapely.Polygon(shapes[row].exterior)
                layer, net = int(board.copper.layer[row]), int(board.copper.net[row])
                pours.append(
                    RegionPour(
                        region.index, layer, net, len(pours), filled, shapes[row], plane=False
                    )
                )
    probe = np.array([net.name.startswith(("PH_", "EC_", "GND_PROBE")) for net in board.nets])
    made = SimpleNamespace(
        board=board,
        regions=regions,
        pours=tuple(sorted(pours, key=lambda pour: (pour.region, pour.layer))),
        row_region=np.where(probe[board.copper.net], 1, 0).astype(np.int32),
        rules=SimpleNamespace(stackup=StackupSpec(), currents=(), quiet_inputs=()),
        layer_id=lambda layer: f"L{layer + 1}",
    )
    return cast(Layout, made)


def findings() -> list[Finding]:
    """One of nearly each kind: near and far legs, no path, waived, known, a place beyond the board,
    hostile names.
    """
    common: dict[str, Any] = {"reference_layers": ("L2",), "regions": ("probe", "system")}
    return identified(
        [
            Finding(
                rule="gap-crossing",
                level=Level.ERROR,
                layer="L1",
                nets=("PH_2",),
                at=(40.0, 24.0),
                harm=8.0,
                measured=4.0,
                required=0.0,
                message="PH_2 leaves the pour of probe and reaches that of system over a gap",
                path=(((38.0, 25.0), (39.0, 24.0), (42.0, 24.0)),),
                hint="route it through the isolator U3",
                detail={
                    "detour_mm": 52.0,
                    "loop_area_mm2": 118.0,
                    "loop_nh": 41.2,
                    "detour_path_mm": [[38.0, 25.0], [38.0, 1.0], [42.0, 1.0], [42.0, 24.0]],
                },
                sources=(Source("PH_2", "dosing-L1.gtl", 412),),
                **common,
            ),
            Finding(
                rule="gap-crossing",
                level=Level.WARNING,
                layer="L4",
                nets=("EC_DRIVE",),
                at=(40.0, 64.0),
                harm=2.0,
                measured=4.41421,
                required=0.0,
                message="EC_DRIVE crosses a gap; L2 carries it on the other side",
                path=(((38.0, 62.0), (40.0, 64.0), (42.0, 64.0)),),
                **common,
            ),
            Finding(
                rule="region-escape",
                level=Level.ERROR,
                layer="L1",
                nets=("PH_2",),
                at=(46.0, 24.0),
                measured=9.6569,
                required=0.0,
                message="PH_2 belongs to the quiet region probe and runs over system",
                path=(((42.0, 24.0), (46.0, 24.0), (50.0, 28.0)),),
                regions=("probe", "system"),
            ),
            Finding(
                rule="region-intrusion",
                level=Level.ERROR,
                layer="L1",
                nets=("PUMP_SENSE",),
                at=(35.0, 71.0),
                measured=8.9,
                required=0.0,
                message="PUMP_SENSE of system runs over the quiet region probe",
                bounds=(31.75, 63.75, 38.0, 74.0),
                regions=("system", "probe"),
            ),
            Finding(
                rule="creepage",
                level=Level.ERROR,
                layer="L1",
                nets=("GND_PROBE", "GND_SYS"),
                at=(40.0, 46.0),
                harm=9.0,
                measured=4.0,
                required=6.4,
                message="creepage between GND_PROBE and GND_SYS is short",
                regions=("probe", "system"),
                path=(
                    ((38.0, 47.0), (39.5, 46.0)),
                    ((39.5, 46.0), (40.5, 46.0)),
                    ((40.5, 46.0), (42.0, 47.0)),
                ),
                detail={"legs": [{"on": "top"}, {"on": "bottom"}, {"on": "top"}], "raw_mm": 4.2},
                group="barrier probe system",
                sources=(
                    Source("GND_PROBE", "dosing-L1.gtl", None),
                    Source("GND_SYS", "dosing.drl", 31),
                ),
            ),
            Finding(
                rule="clearance",
                level=Level.ERROR,
                layer="L1",
                nets=("PH_DATA", "SYS_DATA"),
                at=(40.0, 51.9),
                measured=6.0,
                required=6.4,
                message="clearance across U3 is short",
                components=("U3",),
                regions=("probe", "system"),
                path=(((37.0, 51.9), (43.0, 51.9)),),
                group="barrier probe system",
                known=True,
            ),
            Finding(
                rule="noisy-neighbour",
                level=Level.NOTE,
                layer="L1",
                nets=("DOSE_3", "DOSE_4"),
                at=(62.8, 60.0),
                measured=12.0,
                required=10.0,
                message="DOSE_3 runs beside DOSE_4",
                path=(((62.4, 66.0), (62.4, 55.0)),),
            ),
            Finding(
                rule="unreferenced-run",
                level=Level.WARNING,
                layer="L1",
                nets=("DOSE_11",),
                at=(79.0, 10.0),
                measured=2.0,
                required=1.0,
                message="DOSE_11 runs 2 mm without reference",
                path=(((79.0, 10.0), (79.0, 8.0)),),
                waived=Waived("test point, reviewed with layout", date(2027, 3, 31)),
            ),
            Finding(
                rule="galvanic-bridge",
                level=Level.ERROR,
                nets=("GND_PROBE", "GND_SYS"),
                components=("R9",),
                at=(40.0, 10.0),
                message="R9 joins the two sides of the barrier <probe & system>",
            ),
        ]
    )


def outcome(**changes: Any) -> Outcome:
    """The whole outcome; name what shall differ."""
    found = findings()
    sample = Outcome(
        verdict="incomplete",
        caution=CAUTION,
        fail_on=Level.ERROR,
        title="Dosing controller, rev C",
        path="dosing",
        format="gerber",
        files=(
            InputFile("dosing-L1.gtl", "ab" * 32, "L1", "copper"),
            InputFile("dosing.drl", "cd" * 32, None, "drill"),
        ),
        baseline=3,
        rules_path="dosing.toml",
        rules_sha256="ef" * 32,
        tables=(InputFile("spacing.csv", "01" * 32, None, "spacing table"),),
        thickness=1.6,
        bounds=(0.0, 0.0, 100.0, 80.0),
        layers=(
            ("L1", "top", "top"),
            ("L2", "gnd", "inner"),
            ("L3", "gnd 2", "inner"),
            ("L4", "bottom", "bottom"),
        ),
        nets=24,
        holes=20,
        components=3,
        regions=(
            RegionRow("system", ("GND_SYS",), False, (("L1", 1, 288.0), ("L2", 1, 4435.8))),
            RegionRow("probe", ("GND_PROBE",), True, (("L2", 1, 2886.0),)),
        ),
        checks=(
            *(Check(rule, True) for rule in sorted({f.rule for f in found})),
            Check(
                "return-handover",
                False,
                "no stitching capacitors are named and no reference changes layer",
            ),
        ),
        findings=tuple(found),
        doubts=(
            StatedDoubt(
                Doubt(
                    "aperture macro THERMAL uses an unknown primitive",
                    "its copper is unknown; export the layer without it",
                    Place("dosing-L3.g2", 88),
                )
            ),
            StatedDoubt(
                Doubt(
                    "no netlist for layer L3",
                    "nets there come from copper contact alone",
                    Place("dosing"),
                ),
                Waived("legacy board, compared by hand", date(2027, 3, 31)),
            ),
        ),
        remarks=(
            Doubt(
                "the waiver for pour-edge matches nothing",
                "remove it from the rules file",
                Place("dosing.toml", 61),
            ),
        ),
        today=date(2026, 11, 25),
        version="1.2.3",
    )
    return replace(sample, **changes)


def clean() -> Outcome:
    """A pass: nothing found, nothing in doubt."""
    return outcome(verdict="pass", findings=(), doubts=(), remarks=(), today=None, baseline=None)


def scene() -> Scene:
    """The board drawn with its findings."""
    return scene_of(layout(), findings())


def dense() -> Scene:
    """A crowded board of 100 x 80 mm: pours with 1500 antipads on four layers, 12000 traces, 6000
    pads.
    """
    base = layout()
    rows, columns = np.divmod(np.arange(1500), 50)
    spots = np.column_stack((1.5 + 1.95 * columns, 1.5 + 2.6 * rows))
    rings = shapely.buffer(shapely.points(spots), 0.45, quad_segs=16)
    pour = shapely.difference(shapely.box(0.5, 0.5, 99.5, 79.5), shapely.union_all(rings))
    net = next(iter(base.regions[0].reference))
    pours = tuple(
        RegionPour(0, layer, net, 0, shapely.box(0.5, 0.5, 99.5, 79.5), pour, plane=False)
        for layer in range(4)
    )
    rng = np.random.default_rng(1)
    start = rng.uniform(1, 79, (12000, 2))
    turn = rng.integers(0, 8, 12000) * np.pi / 4
    reach = rng.uniform(0.3, 4, 12000)
    ends = np.column_stack(
        (start, start + reach[:, None] * np.column_stack((np.cos(turn), np.sin(turn))))
    )
    strokes = conductors(
        12000,
        geometry=np.column_stack((ends, np.zeros(12000))),
        radius=rng.choice([0.05, 0.075, 0.1, 0.25], 12000),
        layer=rng.integers(0, 4, 12000),
        net=rng.integers(0, len(base.board.nets), 12000),
    )
    lands = np.column_stack((np.tile(spots, (4, 1)), np.zeros((6000, 3))))
    pads = conductors(
        6000,
        kind=Kind.DISC,
        geometry=lands,
        radius=0.3,
        layer=np.repeat(np.arange(4), 1500),
        pad=True,
        net=net,
    )
    copper = concatenate([strokes, pads])
    drilled = make_holes(1500, ends=np.hstack((spots, spots)), radius=0.15, plated=PLATED, last=3)
    board = replace(base.board, copper=copper, holes=drilled)
    made = SimpleNamespace(
        board=board,
        regions=base.regions,
        pours=pours,
        row_region=np.zeros(len(copper), dtype=np.int32),
        rules=base.rules,
        layer_id=base.layer_id,
    )
    return scene_of(cast(Layout, made), findings())
