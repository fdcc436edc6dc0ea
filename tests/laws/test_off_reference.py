"""What must not change the findings about gaps: moving a board, cutting its copper up, shuffling
it.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from checker.demo.sketch import Draw, Hole, Pad, Pour, Sketch, box, via
from checker.findings import Finding
from checker.rules import registry
from parsers.board import Board
from parsers.primitives import Kind
from tests.boards import built_directly, found, layout_of
from tests.laws.moves import Move
from tests.laws.recut import cut_areas, cut_strokes, shuffled
from tests.strategies import fewer

RULES = """
schema = 1
title = "laws"
[region.a]
reference = ["GND_A"]
nets = ["*"]
[region.b]
reference = ["GND_B"]
nets = ["B_*"]
quiet = true
"""
RULE_IDS = ("gap-crossing", "unreferenced-run", "region-escape", "region-intrusion", "pour-overlap")
HALF = st.integers(0, 60).map(lambda n: n / 2)  # a grid of 0.5 mm: coincidences are frequent
POINTS = st.tuples(HALF, st.integers(0, 40).map(lambda n: n / 2))
# pours, traces
STACKS = [(("L2",), "L1", "L4"), (("L2", "L3"), "L1", "L4"), (("L1", "L3"), "L2", "L4")]
SEAMS = st.integers(14, 44).map(lambda n: n / 2)


@st.composite
def pours(draw: st.DrawFn, layers: tuple[str, ...] = ("L2",)) -> tuple[Pour, ...]:
    """Pours of two regions on each of some layers, with gaps, slots, steps or nothing between
    them.
    """
    out = []
    for layer in layers:
        seam, gap, step = (
            draw(SEAMS),
            draw(st.sampled_from([0.0, 0.5, 2.0])),
            draw(st.sampled_from([0.0, 2.0])),
        )
        right = seam + gap
        left = (
            (0.0, 0.0),
            (seam, 0.0),
            (seam, 10.0),
            (seam - step, 10.0),
            (seam - step, 20.0),
            (0.0, 20.0),
        )
        out.append(Pour(net="GND_A", layer=layer, contour=left if step else box(0, 0, seam, 20)))
        other = draw(st.sampled_from(["GND_B", "GND_B", "GND_A"]))
        slot = (box(right + 3, 4, right + 5, 16),) if right <= 19 and draw(st.booleans()) else ()
        out.append(Pour(net=other, layer=layer, contour=box(right, 0, 30, 20), holes=slot))
    return tuple(out)


@st.composite
def sketches(draw: st.DrawFn) -> Sketch:
    """Two nets of a few bends each on two layers, with vias, lands and areas, over, under or
    between such pours.
    """
    draws: list[Draw] = []
    pads: list[Pad] = []
    holes: list[Hole] = []
    poured, upper, lower = draw(st.sampled_from(STACKS))
    areas = list(draw(pours(poured)))
    for net in ("SIG", "B_SIG"):
        line = draw(st.lists(POINTS, min_size=2, max_size=5, unique=True))
        draws.append(
            Draw(
                net=net,
                layer=upper,
                width=draw(st.sampled_from([0.0, 0.2, 0.8])),
                points=tuple(line),
            )
        )
        if draw(st.booleans()):
            lands, hole = via(net, line[-1], 4)
            pads += lands
            holes.append(hole)
            draws.append(
                Draw(
                    net=net,
                    layer=lower,
                    width=0.2,
                    points=(line[-1], draw(POINTS.filter(_is_not(line[-1])))),
                )
            )
        if draw(st.booleans()):
            pads.append(
                Pad(net=net, layer=upper, at=line[0], size=(draw(st.sampled_from([0.6, 3.0])),) * 2)
            )
        if draw(st.booleans()):
            x, y = draw(POINTS)
            areas.append(
                Pour(
                    net=net,
                    layer=upper,
                    contour=box(x, y, x + draw(st.sampled_from([0.5, 6.0])), y + 7),
                )
            )
    return Sketch(
        title="laws",
        layers=4,
        outline=box(-5, -5, 40, 30),
        pours=tuple(areas),
        draws=tuple(draws),
        pads=tuple(pads),
        holes=tuple(holes),
    )


def _is_not(point: Any) -> Any:
    return lambda other: other != point


def everything(board: Board) -> dict[tuple[Any, ...], list[float]]:
    """What each finding of the rules about gaps is about, with the measured values."""
    values: dict[tuple[Any, ...], list[float]] = {}
    layout = layout_of(board, RULES)
    for rule in RULE_IDS:
        for finding in registry()[rule].find(layout):
            key = (finding.rule, str(finding.level), finding.nets, finding.regions, finding.layer)
            values.setdefault(key, []).append(finding.measured or 0.0)
    return {key: sorted(measured) for key, measured in values.items()}


def same(one: Board, other: Board) -> None:
    """Fail unless both boards have the same findings."""
    before, after = everything(one), everything(other)
    wrong = {
        key: (before.get(key), after.get(key))
        for key in before.keys() | after.keys()
        if len(before.get(key, ())) != len(after.get(key, ()))
        or not np.allclose(before[key], after[key], rtol=0, atol=0.002)
    }
    assert not wrong, wrong


MOVES = st.builds(
    Move,
    quarters=st.integers(0, 3),
    mirror=st.booleans(),
    shift=st.tuples(st.integers(-50, 50), st.integers(-50, 50)),
)


@settings(max_examples=fewer(40), deadline=None)
@given(sketches(), MOVES)
def test_moving_a_board_moves_its_findings_and_nothing_else(drawn: Sketch, move: Move) -> None:
    """Mirrored, turned by quarters or shifted, a board has the same findings at the moved
    places.
    """
    board, there = built_directly(drawn), built_directly(move.sketch(drawn))
    same(board, there)
    for rule in ("gap-crossing", "unreferenced-run"):
        before, after = found(board, RULES, rule), found(there, RULES, rule)
        assert all(min(_apart(move, f, other) for other in after) < 0.01 for f in before)


def _apart(move: Move, finding: Finding, other: Finding) -> float:
    """How far the bounding box of a finding is from where the move should take it."""
    x0, y0, x1, y1 = finding.extent
    corners = np.array([move.point((x0, y0)), move.point((x1, y1))])
    there = np.array(other.extent).reshape(2, 2)
    return float(np.abs(np.vstack((corners.min(0), corners.max(0))) - there).max())


@settings(max_examples=fewer(40), deadline=None)
@given(sketches(), st.data())
def test_cutting_strokes_in_two_changes_nothing(drawn: Sketch, data: st.DataObject) -> None:
    """A trace is the same trace, however many strokes draw it."""
    board = built_directly(drawn)
    strokes = np.flatnonzero((board.copper.kind == Kind.STROKE) & ~board.copper.pad)
    shares = data.draw(
        st.lists(st.floats(0.05, 0.95), min_size=len(strokes), max_size=len(strokes))
    )
    same(board, cut_strokes(board, strokes, shares))


@settings(max_examples=fewer(40), deadline=None)
@given(sketches(), st.randoms(use_true_random=False))
def test_the_order_of_objects_changes_nothing(drawn: Sketch, random: Any) -> None:
    """Files may list their objects in any order."""
    board = built_directly(drawn)
    order = list(range(len(board.copper)))
    random.shuffle(order)
    same(board, shuffled(board, np.array(order)))


@settings(max_examples=fewer(40), deadline=None)
@given(sketches(), SEAMS)
def test_pours_made_of_pieces_are_the_same_pours(drawn: Sketch, at: float) -> None:
    """A pour cut into abutting pieces is one pour."""
    # cutting a signal's area changes its length
    assume(all(pour.net in ("GND_A", "GND_B") for pour in drawn.pours))
    same(built_directly(drawn), cut_areas(built_directly(drawn), at + 0.25))


RISING = st.lists(st.integers(1, 120), min_size=2, max_size=6, unique=True).map(sorted)


@settings(max_examples=fewer(100), deadline=None)
@given(pours(), RISING, st.data())
def test_a_trace_crosses_as_often_as_it_changes_its_pour(
    poured: tuple[Pour, ...], xs: list[int], data: st.DataObject
) -> None:
    """For a trace that never comes back in x, walking along it in small steps counts the same
    crossings.
    """
    ys = data.draw(st.lists(st.integers(1, 79), min_size=len(xs), max_size=len(xs)))
    # off the grid of the pours
    points = tuple((x / 4 + 0.013, y / 4 + 0.017) for x, y in zip(xs, ys, strict=True))
    drawn = Sketch(
        title="walk",
        layers=4,
        outline=box(-5, -5, 40, 30),
        pours=poured,
        draws=(Draw(net="SIG", layer="L1", width=0.0, points=points),),
    )
    findings = found(built_directly(drawn), RULES, "gap-crossing")
    expected = walked(poured, points)
    assert len(findings) == len(expected)
    lengths = sorted(f.measured or 0.0 for f in findings)
    assert lengths == pytest.approx(sorted(expected), abs=0.02)


def walked(
    poured: tuple[Pour, ...], points: tuple[tuple[float, float], ...], step: float = 0.005
) -> list[float]:
    """Lengths of the crossings and moats that one meets walking along a trace."""
    shapes = [
        shapely.Polygon([s[:2] for s in p.contour], [[s[:2] for s in h] for h in p.holes])
        for p in poured
    ]
    one_net = len({p.net for p in poured}) == 1 and len(poured) > 1 and shapely.intersects(*shapes)
    labels = [0] * len(poured) if one_net else list(range(len(poured)))
    lengths, off, last = [], 0.0, None
    for a, b in pairwise(points):
        long = math.dist(a, b)
        for k in range(int(long / step) + 1):
            at = shapely.Point(
                a[0] + (b[0] - a[0]) * k * step / long, a[1] + (b[1] - a[1]) * k * step / long
            )
            here = next((labels[i] for i, s in enumerate(shapes) if s.covers(at)), None)
            if here is None:
                off += step
                continue
            if last is not None and here != last:
                lengths.append(off)
            last, off = here, 0.0
    return lengths


RADIUS, WALL = 0.1, 0.15
FREE = st.tuples(st.integers(20, 280), st.integers(20, 180)).map(
    lambda p: (p[0] / 10 + 0.013, p[1] / 10 + 0.017)
)
LINES = st.lists(st.lists(FREE, min_size=2, max_size=4, unique=True), min_size=1, max_size=3)
COLUMNS = {  # of the reference of L1 and of L4
    "L2": (
        ("GND_A", box(0, 0, 8, 20)),
        ("GND_B", box(10, 0, 20, 20)),
        ("GND_C", box(22, 0, 30, 20)),
    ),
    "L3": (("GND_A", box(0, 0, 12, 20)), ("GND_C", box(14, 0, 30, 20))),
}
SEEN = {"L1": "L2", "L4": "L3"}
THREE = """
schema = 1
title = "points"
[region.a]
reference = ["GND_A"]
nets = ["*"]
[region.b]
reference = ["GND_B"]
nets = []
[region.c]
reference = ["GND_C"]
nets = []
[stackup.reference]
L1 = ["L2"]
L4 = ["L3"]
"""


@settings(max_examples=fewer(60), deadline=None)
@given(LINES, LINES, st.booleans())
def test_branching_nets_cross_as_their_points_do(upper: Any, lower: Any, drilled: bool) -> None:
    """Traces that branch, meet, run together and change layer: points along them, joined where
    copper touches.
    """
    lines = [("L1", line) for line in upper] + [("L4", line) for line in lower if drilled]
    # each lower trace ends in a hole, an upper one starts there
    holes = [line[-1] for line in lower] if drilled else []
    lines += [("L1", [hole, upper[0][0]]) for hole in holes if hole != upper[0][0]]
    drawn = Sketch(
        title="points",
        layers=4,
        outline=box(-5, -5, 40, 30),
        pours=tuple(
            Pour(net=n, layer=layer, contour=c)
            for layer, columns in COLUMNS.items()
            for n, c in columns
        ),
        draws=tuple(
            Draw(net="SIG", layer=layer, width=2 * RADIUS, points=tuple(line))
            for layer, line in lines
        ),
        holes=tuple(Hole(at=hole, diameter=2 * WALL, net="SIG") for hole in holes),
    )
    findings = found(built_directly(drawn), THREE, "gap-crossing")
    assert sorted(f.regions for f in findings) == crossings_of_points(lines, holes)


def crossings_of_points(
    lines: list[Any], holes: list[Any], step: float = 0.02
) -> list[tuple[str, ...]]:
    """Regions of every crossing, from points along the traces; the last nodes are the holes."""
    legs = [(layer, leg) for layer, line in lines for leg in pairwise(line)]
    ticks = [np.linspace(0, 1, max(int(math.dist(*leg) / step), 1) + 1)[:, None] for _, leg in legs]
    points = np.vstack(
        [
            np.array(a) + t * (np.array(b) - np.array(a))
            for (_, (a, b)), t in zip(legs, ticks, strict=True)
        ]
    )
    stroke = np.repeat(np.arange(len(legs)), [len(t) for t in ticks])
    layer = np.array([layer for layer, _ in legs])[stroke]
    region = np.full(len(points), "", dtype="<U1")
    for seen, reference in SEEN.items():
        for net, contour in COLUMNS[reference]:
            region[(layer == seen) & shapely.intersects_xy(shapely.Polygon(contour), points)] = net[
                -1
            ].lower()
    pairs = cKDTree(points).query_pairs(2 * RADIUS, output_type="ndarray")
    one, other = pairs.T
    follows = (stroke[one] == stroke[other]) & (other - one == 1)
    pairs = pairs[(follows | (stroke[one] != stroke[other])) & (layer[one] == layer[other])]
    near = [np.flatnonzero(np.hypot(*(points - hole).T) <= RADIUS + WALL) for hole in holes]
    walls = [
        np.column_stack((close, np.full(len(close), len(points) + i)))
        for i, close in enumerate(near)
    ]
    edges = np.vstack((pairs, *walls)).astype(int)
    off = np.append(region == "", np.ones(len(holes), dtype=bool))
    both = off[edges].all(axis=1)
    graph = coo_array((np.ones(both.sum()), tuple(edges[both].T)), shape=(len(off),) * 2)
    component = connected_components(graph, directed=False)[1]
    touched: dict[int, set[str]] = {}
    for a, b in (*edges, *edges[:, ::-1]):
        if off[a] and not off[b]:
            touched.setdefault(int(component[a]), set()).add(str(region[b]))
    return sorted(tuple(sorted(names)) for names in touched.values() if len(names) > 1)
