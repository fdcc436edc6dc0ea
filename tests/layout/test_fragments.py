"""Which copper touches which: contacts of fragments, also where clears have narrowed a trace."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from checker.layout.fragments import contacts, cut_up, half_widths, judge
from checker.layout.reference_map import ReferenceMap, SideMap
from parsers.board import Board, Net, empty_board, holes
from parsers.primitives import Conductors, Kind, concatenate, conductors

NOTHING = ReferenceMap(SideMap([]), SideMap([]))


def board(*rows: Conductors, nets: int = 1, **more: object) -> Board:
    return replace(empty_board(layers=2), nets=(Net("N"),) * nets, copper=concatenate(rows), **more)  # type: ignore[arg-type]


def stroke(x0: float, x1: float, radius: float = 0.1, **more: object) -> Conductors:
    """A stroke along y = 0."""
    return conductors(
        1, geometry=np.array([[x0, 0, x1, 0, 0]]), radius=radius, net=more.pop("net", 0), **more
    )


def cleared(area: shapely.Geometry, centre: shapely.Geometry) -> Conductors:
    """What clears have left of a stroke."""
    return conductors(1, kind=Kind.AREA, area=0, areas=[area], centre=0, centres=[centre], net=0)


def touching(made: Board) -> list[tuple[int, int]]:
    """Pairs of rows whose fragments touch."""
    seen = [NOTHING] * len(made.layers)
    judged = judge(made, np.arange(len(made.copper)), seen)
    parts = cut_up(made, judged, np.arange(len(made.copper)), seen)
    found = contacts(made, parts, np.zeros(len(parts), dtype=bool))
    return sorted(
        (int(parts.row[a]), int(parts.row[b]))
        for a, b in zip(found.first, found.second, strict=True)
    )


@pytest.mark.parametrize(
    ("gap", "touches"), [(0.0, True), (0.2, True), (0.2009, True), (0.2012, False), (1.0, False)]
)
def test_round_ends_touch_within_a_micrometre(gap: float, touches: bool) -> None:
    """Two strokes of radius 0.1 end to end."""
    assert touching(board(stroke(0, 1), stroke(1 + gap, 3))) == ([(0, 1)] if touches else [])


def test_other_nets_and_layers_do_not_touch() -> None:
    """Copper of two nets, or on two layers, is not joined."""
    assert touching(board(stroke(0, 1), stroke(1, 3, net=1), nets=2)) == []
    assert touching(board(stroke(0, 1), stroke(1, 3, layer=1))) == []


def test_a_cut_trace_is_as_wide_as_its_copper_reaches() -> None:
    """The half width of what is left is the farthest that copper reaches from the centre line."""
    made = board(cleared(shapely.box(0, -0.1, 1, 0.3), shapely.LineString([(0, 0), (1, 0)])))
    assert half_widths(made.copper, np.array([0])).tolist() == pytest.approx([0.3])


@pytest.mark.parametrize(("gap", "touches"), [(0.05, False), (0.0005, True)])
def test_a_trace_cut_in_two_by_a_clear_is_two_traces(gap: float, touches: bool) -> None:
    """Though the gap is narrower than the trace, the halves do not touch; within 0.001 mm they
    do.
    """
    left = cleared(shapely.box(0, -0.1, 1, 0.1), shapely.LineString([(0, 0), (1, 0)]))
    right = cleared(shapely.box(1 + gap, -0.1, 2, 0.1), shapely.LineString([(1 + gap, 0), (2, 0)]))
    assert touching(board(left, right)) == ([(0, 1)] if touches else [])


def test_plated_holes_join_layers_that_they_reach() -> None:
    """A hole touches the copper of its own net on every layer that it passes, and no other."""
    rows = (stroke(0, 1), stroke(1, 3, layer=1), stroke(1, 3, layer=1, net=1))
    drilled = holes(
        3,
        ends=np.array([[1.0, 0, 1, 0]] * 3),
        radius=0.1,
        plated=[1, 1, 0],
        first=[0, 1, 0],
        last=1,
        net=0,
    )
    made = board(*rows, nets=2, holes=drilled)
    seen = [NOTHING] * 2
    judged = judge(made, np.arange(3), seen)
    parts = cut_up(made, judged, np.arange(3), seen)
    found = contacts(made, parts, np.zeros(len(parts), dtype=bool))
    pairs = sorted(
        (int(h), int(parts.row[f])) for h, f in zip(found.hole, found.at_hole, strict=True)
    )
    assert pairs == [(0, 0), (0, 1), (1, 1)]
