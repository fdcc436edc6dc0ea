"""The scene shows all copper once, in its role, true to size."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from checker.drawing import palette
from checker.drawing.scene import (
    PAD,
    PLAIN_HOLE,
    PLATED_HOLE,
    POUR,
    TRACE,
    Lines,
    Shape,
    callouts_of,
    chained,
    layers_of,
    scene_of,
)
from checker.drawing.svg import draw
from checker.findings import Finding, Level
from tests.reports import sample

STRAY = 0.003  # mm; how far a drawn edge may stray from the copper
SCENE = sample.scene()
BOARD = sample.layout().board


def area_of(shape: Shape) -> shapely.Geometry:
    """A shape as a picture fills it: strokes with round ends, rings by the non-zero rule."""
    pieces = [piece / 1000 for piece in np.split(shape.lines.points, shape.lines.starts[1:])]
    if shape.width:
        lines = [shapely.LineString(p if len(p) > 1 else np.repeat(p, 2, axis=0)) for p in pieces]
        return shapely.union_all([line.buffer(shape.width / 2, quad_segs=32) for line in lines])
    rings = [shapely.Polygon(piece) for piece in pieces]
    outer = shapely.union_all([ring for ring in rings if ring.exterior.is_ccw])
    return outer.difference(shapely.union_all([ring for ring in rings if not ring.exterior.is_ccw]))


def copper_on(layer: int) -> shapely.Geometry:
    return shapely.union_all(BOARD.copper.shapes()[BOARD.copper.layer == layer])


@pytest.mark.parametrize("layer", range(4))
def test_what_is_drawn_of_a_layer_is_its_copper(layer: int) -> None:
    drawn = shapely.union_all([area_of(s) for s in SCENE.shapes if s.layer == f"L{layer + 1}"])
    true = copper_on(layer)
    assert drawn.symmetric_difference(true).buffer(-2 * STRAY).is_empty
    assert drawn.area == pytest.approx(true.area, rel=2e-3)


@pytest.mark.parametrize("net", ["PH_2", "DOSE_3", "PUMP_SENSE", "SYS_DATA", "GND_PROBE"])
def test_each_line_knows_its_net(net: str) -> None:
    """Lines of one net, whatever they look like and beside whatever they are drawn, make up its
    copper.
    """
    number = SCENE.nets.index(net)
    for layer in {s.layer for s in SCENE.shapes if number in s.nets}:
        drawn = [
            area_of(only(s, number)) for s in SCENE.shapes if s.layer == layer and number in s.nets
        ]
        rows = (BOARD.copper.net == number) & (BOARD.copper.layer == int(str(layer)[1:]) - 1)
        true = shapely.union_all(BOARD.copper.shapes()[rows])
        assert shapely.union_all(drawn).symmetric_difference(true).buffer(-2 * STRAY).is_empty
    assert all(len(s.nets) in (0, len(s.lines)) for s in SCENE.shapes)


def only(shape: Shape, net: int) -> Shape:
    """The lines of a shape that belong to one net."""
    pieces = [
        p
        for p, own in zip(
            np.split(shape.lines.points, shape.lines.starts[1:]), shape.nets, strict=True
        )
        if own == net
    ]
    starts = np.cumsum([0] + [len(piece) for piece in pieces[:-1]])
    return replace(
        shape, lines=Lines(np.concatenate(pieces), starts), nets=shape.nets[shape.nets == net]
    )


def test_a_pour_is_drawn_once_with_its_antipads() -> None:
    traces = [s for s in SCENE.shapes if s.role == TRACE and s.layer in ("L2", "L3")]
    assert traces == []
    system = next(s for s in SCENE.shapes if s.role == POUR and s.layer == "L2" and s.region == 0)
    assert len(system.lines) == 1 + 16


def test_roles_and_regions() -> None:
    assert {s.role for s in SCENE.shapes} == {POUR, TRACE, PAD, PLATED_HOLE, PLAIN_HOLE}
    probe = [s for s in SCENE.shapes if s.net == "PH_2"]
    assert probe
    assert {s.region for s in probe} == {1}


def test_a_blind_hole_is_drawn_on_the_layers_that_it_reaches() -> None:
    """Two of the board's vias are made blind, L1 to L2; the others go through."""
    made = sample.layout()
    holes = made.board.holes
    last = holes.last.copy()
    vias = np.flatnonzero(holes.plated == 1)
    last[vias[:2]] = 1
    made.board = replace(made.board, holes=replace(holes, last=last))
    drawn = {
        layer: sum(
            len(s.lines)
            for s in scene_of(made, []).shapes
            if s.role == PLATED_HOLE and s.layer == layer
        )
        for layer in (None, "L1", "L2", "L3", "L4")
    }
    assert drawn == {None: len(vias) - 2, "L1": 2, "L2": 2, "L3": 0, "L4": 0}


def test_only_nets_with_findings_are_named() -> None:
    named = {s.net for s in SCENE.shapes if s.net is not None}
    about = {net for finding in sample.findings() for net in finding.nets}
    assert named <= about
    assert {"PH_2", "EC_DRIVE", "DOSE_11"} <= named


def test_signal_layers_are_those_with_traces_or_findings() -> None:
    assert SCENE.signal_layers == ("L1", "L4")
    pour_finding = replace(sample.findings()[0], layer="L3")
    assert scene_of(sample.layout(), [pour_finding]).signal_layers == ("L1", "L3", "L4")


def test_each_layer_refers_to_the_nearest_pours() -> None:
    assert [layer.references for layer in SCENE.layers] == [("L2",), ("L3", "L1"), ("L2",), ("L3",)]


def test_a_regions_name_has_room_where_it_is_put() -> None:
    for index, region in enumerate(SCENE.regions):
        for layer, (x, y, room) in region.labels.items():
            pours = [
                p.shape
                for p in sample.layout().pours
                if p.region == index and f"L{p.layer + 1}" == layer
            ]
            assert any(
                pour.buffer(0.01).covers(shapely.Point(x, y).buffer(room - 0.5)) for pour in pours
            )


def test_bounds_hold_the_board_and_findings_beyond_it() -> None:
    assert SCENE.bounds == pytest.approx((0, 0, 100, 80))
    beyond = replace(sample.findings()[0], at=(120.0, -5.0), path=())
    assert scene_of(sample.layout(), [beyond]).bounds == pytest.approx((0, -5, 120, 80))


@pytest.mark.parametrize(
    ("faces", "far"),
    [
        (["top", "bottom", "top"], [False, True, False]),
        (["bottom", "bottom", "bottom"], [False, False, False]),
        (["top", "copper", "bottom"], [False, False, True]),
        (["top", "bottom", "copper"], [False, True, True]),
        (["top", "bottom"], [False, False, False]),
        (None, [False, False, False]),
    ],
)
def test_legs_on_the_bottom_are_far_where_a_path_changes_faces(
    faces: list[str] | None, far: list[bool]
) -> None:
    path = (((0.0, 0.0), (1.0, 0.0)), ((1.0, 0.0), (2.0, 0.0)), ((2.0, 0.0), (3.0, 0.0)))
    detail = {} if faces is None else {"legs": [{"on": face} for face in faces]}
    finding = Finding(
        rule="creepage", level=Level.ERROR, message="m", at=(0, 0), path=path, detail=detail
    )
    (callout,) = callouts_of([finding])
    assert [leg.far for leg in callout.legs] == far
    assert [leg.points for leg in callout.legs] == list(path)


def test_an_empty_board_gives_a_scene() -> None:
    from types import SimpleNamespace  # noqa: PLC0415

    from checker.config.rules_file import StackupSpec  # noqa: PLC0415
    from parsers.board import empty_board  # noqa: PLC0415

    bare = SimpleNamespace(
        board=empty_board(),
        regions=(),
        pours=(),
        row_region=np.empty(0, np.int32),
        rules=SimpleNamespace(stackup=StackupSpec(), currents=(), quiet_inputs=()),
        layer_id=lambda layer: f"L{layer + 1}",
    )
    scene = scene_of(bare, [])  # type: ignore[arg-type]
    assert scene.signal_layers == ("L1", "L2")
    assert scene.bounds[0] < scene.bounds[2]


points = st.integers(-50_000, 50_000).map(lambda v: v / 1000)
strokes = st.lists(st.tuples(points, points, points, points), min_size=1, max_size=20)


@given(strokes, st.booleans())
def test_chaining_keeps_every_stroke(
    ends: list[tuple[float, float, float, float]], connect: bool
) -> None:
    table = np.array(ends)
    if connect:
        table[1:, :2] = table[:-1, 2:]
    lines, first = chained(table, np.zeros(len(table), dtype=np.int32))
    starts, stops = lines.legs()
    assert np.array_equal(np.hstack((starts, stops)), np.rint(table * 1000).astype(np.int64))
    assert np.array_equal(
        lines.points[lines.starts], np.rint(table[first, :2] * 1000).astype(np.int64)
    )
    if connect:
        assert len(lines) == 1
        apart, first = chained(table, np.arange(len(table), dtype=np.int32))
        assert first.tolist() == list(range(len(table))), "lines of different nets stay apart"
        assert len(apart) == len(table)


@given(strokes, st.tuples(points, points), st.floats(0.1, 40))
def test_a_window_keeps_every_line_that_it_shows(
    ends: list[tuple[float, float, float, float]], at: tuple[float, float], size: float
) -> None:
    lines, _ = chained(np.array(ends), np.zeros(len(ends), dtype=np.int32))
    window = (at[0], at[1], at[0] + size, at[1] + size)
    kept = lines.within(window)

    def pieces(some: Lines) -> list[list[list[int]]]:
        return (
            [piece.tolist() for piece in np.split(some.points, some.starts[1:])]
            if len(some)
            else []
        )

    frame = shapely.box(*window)
    for piece in pieces(lines):
        if shapely.LineString(np.array(piece) / 1000).intersects(frame):
            assert piece in pieces(kept)


def hopping() -> Finding:
    """From x 30 to x 43 along y 50, over the pad of PH_DATA that spans x 35 to 37."""
    return Finding(
        rule="creepage",
        level=Level.ERROR,
        message="short",
        at=(40.0, 50.0),
        layer="L1",
        nets=("PH_2", "SYS_DATA"),
        path=(
            ((30.0, 50.0), (35.0, 50.0)),
            ((35.0, 50.0), (37.0, 50.0)),
            ((37.0, 50.0), (43.0, 50.0)),
        ),
        detail={"legs": [{"on": "top"}, {"on": "copper", "net": "PH_DATA"}, {"on": "top"}]},
        id="0" * 12,
    )


def test_copper_that_a_path_hops_over_is_shown_itself() -> None:
    """The pad is 2 by 0.7 mm round (36, 50)."""
    (callout,) = scene_of(sample.layout(), [hopping()]).callouts
    assert [leg.hop for leg in callout.legs] == [None, "PH_DATA", None]
    shown = shapely.union_all([shapely.Polygon(ring) for ring in callout.joined])
    assert shown.symmetric_difference(shapely.box(35, 49.65, 37, 50.35)).area < 0.05


def test_a_hop_over_copper_is_drawn_as_the_copper_and_not_as_a_line() -> None:
    scene = scene_of(sample.layout(), [hopping()])
    outcome = sample.outcome(findings=(hopping(),))
    picture = draw(scene, outcome, "L1")
    lines = re.findall(
        rf'<path d="M[\d. ]+L[\d. ]+" stroke="{palette.DARK_VERMILLION}" stroke-width="3.0"',
        picture,
    )
    assert len(lines) == 2
    assert len(re.findall(r'<path d="M[\d. L]+Z" fill="#A34400" fill-opacity=".22"', picture)) == 1
    assert "copper on the way" in picture


def test_a_finding_between_two_layers_is_on_the_pictures_of_both_and_its_closeup_shows_both_coppers() -> (
    None
):
    between = replace(
        hopping(),
        layer=None,
        path=(),
        detail={},
        nets=("PH_2", "PUMP_SENSE"),
        net_layers=("L1", "L4"),
    )
    scene, outcome = scene_of(sample.layout(), [between]), sample.outcome(findings=(between,))
    assert scene.callouts[0].layers == ("L1", "L4")
    for layer, other in (("L1", "L4"), ("L4", "L1")):
        assert "1 place (1 finding)" in draw(scene, outcome, layer)
        assert f"the same on {other}" in draw(scene, outcome, layer, between.id)
    assert "no findings" in draw(scene, outcome, "L2")


def test_a_through_path_names_the_layers_that_it_joins() -> None:
    through = replace(
        hopping(),
        layer=None,
        path=(((40.0, 50.0), (40.0, 51.0)),),
        detail={"legs": [{"on": "L1 to L3"}]},
    )
    assert layers_of(through) == ("L1", "L3")
