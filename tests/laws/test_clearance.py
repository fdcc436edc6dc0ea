"""What must hold for clearances whatever the board: order of sides, more copper, more voids, slots,
creepage.

Boards are drawn at random; nothing is compared with a number written down here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from checker.demo.sketch import Draw, Hole, Pad, Sketch, box
from checker.insulation.air import search
from checker.insulation.clearance import shortfalls
from checker.insulation.creepage import creepages
from checker.rules import clearance
from tests.boards import built_directly, layout_of
from tests.strategies import fewer

few = settings(max_examples=fewer(20), deadline=None, suppress_health_check=list(HealthCheck))
WIDE = (
    60.0  # mm; more than any distance on these boards: every pair of nets falls short and is told
)
SIZE = 20.0
grid = st.integers(1, 39).map(lambda v: v / 2)
spots = st.tuples(grid, grid)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("tables")
    (path / "wide.csv").write_text(
        f"voltage,clearance,creepage\n100,{WIDE},{WIDE}\n", encoding="utf-8"
    )
    return path


@st.composite
def pads(draw: st.DrawFn, net: str, least: int = 1, most: int = 3) -> tuple[Pad, ...]:
    """Round pads on either face."""
    places = draw(
        st.lists(st.tuples(spots, st.sampled_from(["L1", "L2"])), min_size=least, max_size=most)
    )
    return tuple(Pad(net=net, layer=layer, at=at, size=(0.8, 0.8)) for at, layer in places)


@st.composite
def slots(draw: st.DrawFn) -> Hole:
    """A routed slot, 1.2 mm wide and so wider than X."""
    at, run, up = draw(spots), draw(st.integers(0, 12)) / 2, draw(st.booleans())
    to = (at[0], min(at[1] + run, SIZE - 1)) if up else (min(at[0] + run, SIZE - 1), at[1])
    return Hole(at=at, to=to, diameter=1.2, plated=False)


@st.composite
def boards(draw: st.DrawFn) -> Sketch:
    """Pads of both sides on a square board of two layers, perhaps a slot."""
    routed = draw(st.lists(slots(), max_size=2))
    copper = (*draw(pads("GND_A")), *draw(pads("GND_B")))
    return Sketch(outline=box(0, 0, SIZE, SIZE), pads=copper, holes=tuple(routed))


def rules(between: tuple[str, str] = ("a", "b")) -> str:
    return f"""
        schema = 1
        [region.a]
        reference = ["GND_A"]
        [region.b]
        reference = ["GND_B"]
        [[barrier]]
        between = ["{between[0]}", "{between[1]}"]
        working_voltage = 100
        table = "wide.csv"
        """


def clearances(sketch: Sketch, folder: Path, text: str = rules()) -> dict[str, float]:
    """Bare length of the shortest path in each place, by place."""
    found = shortfalls(layout_of(built_directly(sketch), text, folder))
    return {short.place: short.raw for short in found}


def counted(sketch: Sketch, folder: Path) -> float:
    """The least clearance as the rules count, over all places."""
    found = shortfalls(layout_of(built_directly(sketch), rules(), folder))
    return min((short.measured for short in found), default=math.inf)


def no_worse(after: Mapping[str, float], before: Mapping[str, float], slip: float = 0.001) -> bool:
    """Whether every place that was there is still there and no longer.

    A path over an edge is not told beside a path on one face that is no longer.
    """
    face = min((after[place] for place in ("L1", "L2") if place in after), default=math.inf)
    least = {**after, "edge": min(after.get("edge", math.inf), face)}
    return all(least.get(place, math.inf) <= length + slip for place, length in before.items())


@few
@given(boards())
def test_the_order_of_the_sides_does_not_matter(folder: Path, board: Sketch) -> None:
    there, back = (clearances(board, folder, rules(pair)) for pair in (("a", "b"), ("b", "a")))
    assert there == pytest.approx(back, abs=0.001)


@few
@given(boards(), pads("GND_B"))
def test_more_copper_of_a_side_never_lengthens_a_clearance(
    folder: Path, board: Sketch, more: tuple[Pad, ...]
) -> None:
    assert no_worse(
        clearances(replace(board, pads=(*board.pads, *more)), folder), clearances(board, folder)
    )


@few
@given(boards(), pads("", most=5))
def test_more_floating_copper_never_lengthens_a_clearance(
    folder: Path, board: Sketch, more: tuple[Pad, ...]
) -> None:
    assert (
        counted(replace(board, pads=(*board.pads, *more)), folder) <= counted(board, folder) + 0.001
    )


@few
@given(boards(), slots())
def test_a_slot_never_lengthens_a_clearance(folder: Path, board: Sketch, slot: Hole) -> None:
    """Air is straight across a slot, and a slot is one more way to the other face."""
    assert no_worse(
        clearances(replace(board, holes=(*board.holes, slot)), folder), clearances(board, folder)
    )


@few
@given(boards(), st.tuples(grid, grid, grid, grid))
def test_a_track_drawn_in_pieces_is_the_same_track(folder: Path, board: Sketch, ends: Any) -> None:
    x0, y0, x1, y1 = ends
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    whole = Draw(net="GND_A", layer="L1", width=0.4, points=((x0, y0), (x1, y1)))
    halves = (replace(whole, points=((x0, y0), middle)), replace(whole, points=(middle, (x1, y1))))
    one, two = (replace(board, draws=draws) for draws in ((whole,), halves))
    assert clearances(one, folder) == pytest.approx(clearances(two, folder), abs=0.001)


@few
@given(boards())
def test_creepage_is_never_shorter_than_clearance(folder: Path, board: Sketch) -> None:
    """Of bare lengths, nothing in between: a way along the surface is a way through the air."""
    layout = layout_of(built_directly(board), rules(), folder)
    air = min((s.raw for s in shortfalls(layout) if s.required.where == "outer"), default=math.inf)
    surface = min((s.raw for s in creepages(layout)), default=math.inf)
    assert air <= surface + 0.002


NOTHING = -(10**9)  # pairs that a search may look at


@few
@given(boards())
def test_a_search_given_up_tells_no_length_that_is_too_long(folder: Path, board: Sketch) -> None:
    """What is told then is a length that no path is shorter than, and how much longer it may be."""
    whole = shortfalls(layout_of(built_directly(board), rules(), folder))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search, "MOST_PAIRS", NOTHING)
        given_up = shortfalls(layout_of(built_directly(board), rules(), folder))
    told = {short.place: short for short in given_up}
    assert no_worse(
        {place: short.raw for place, short in told.items()},
        {short.place: short.raw for short in whole},
    )
    for short in whole:
        if short.place in told:
            assert told[short.place].measured + told[short.place].spare >= short.measured - 0.001


@pytest.mark.parametrize(("required", "pairs", "findings", "doubts"), [
    (11.6, search.MOST_PAIRS, 0, 0),
    (11.6, NOTHING, 1, 1),
    (11.7, search.MOST_PAIRS, 1, 0),
])  # fmt: skip
def test_a_search_given_up_is_a_doubt_that_names_the_barrier(
    required: float,
    pairs: int,
    findings: int,
    doubts: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Pads 2 and 3 mm from an edge, 10 mm along it, on either face of 1.6 mm: hypot(7.4, 10) - 0.8
    = 11.64 mm.
    """
    monkeypatch.setattr(search, "MOST_PAIRS", pairs)
    table = f"voltage,where,clearance,creepage\n100,outer,{required},{required}\n100,through,1,1\n"
    (tmp_path / "wide.csv").write_text(table, encoding="utf-8")
    copper = tuple(
        Pad(net=net, layer=layer, at=(x, y), size=(0.8, 0.8))
        for net, layer, x, y in (("GND_A", "L1", 2.4, 5.0), ("GND_B", "L2", 3.4, 15.0))
    )
    layout = layout_of(
        built_directly(Sketch(outline=box(0, 0, SIZE, SIZE), pads=copper)), rules(), tmp_path
    )
    assert len(list(clearance.find(layout))) == findings
    given_up = [doubt.what for doubt in clearance.doubts(layout) if "given up" in doubt.what]
    assert len(given_up) == doubts
    assert all("a" in what and "b" in what and "edges" in what for what in given_up)
