"""What must hold of creepage on any board, whatever its number: random boards of
tests/insulation/oracle.py.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import affinity

from checker.demo.sketch import Hole, Pad, Sketch, box
from checker.insulation.clearance import shortfalls
from checker.insulation.creepage import creepages, stopped
from checker.insulation.surface.geodesics import (
    BOTTOM,
    HOP,
    SOURCE,
    TARGET,
    TOP,
    Copper,
    Exposed,
    Legs,
    Surface,
    copper,
    exposed,
)
from checker.layout.layout import Layout
from checker.rules.creepage import doubts
from parsers.board import Board as BoardData
from tests.boards import built_directly, layout_of
from tests.insulation.odd_boards import odd_board
from tests.insulation.oracle import (
    Board,
    Metal,
    knotted_board,
    necked_board,
    over_neck,
    random_board,
)
from tests.insulation.witness_boards import witness_board
from tests.strategies import fewer

ROUNDING = 1e-6
PROMISED = 0.001  # mm, README
FAR = 60.0  # mm; farther than any two places of these boards
seeds = st.integers(0, 10**6)
law = settings(max_examples=fewer(25), deadline=None)
few = settings(max_examples=fewer(10), deadline=None)


def board_of(seed: int, x: float = 0.0, *, curved: bool = False) -> Board:
    return random_board(np.random.default_rng(seed), x=x, curved=curved)


def laid(board: Board) -> tuple[Copper, Exposed]:
    """Copper on the faces, and in the walls."""
    faces, bare = (
        [m for m in board.metals if m.face is not None],
        [m for m in board.metals if m.face is None],
    )
    return (
        copper(
            *(
                [getattr(m, name) for m in faces]
                for name in ("skeleton", "radius", "face", "island")
            )
        ),
        exposed(
            *([getattr(m, name) for m in bare] for name in ("skeleton", "above", "below", "island"))
        ),
    )


def searched(board: Board, x: float, limit: float, most: int | None = None) -> Legs:
    """All legs of a board within a limit."""
    metal, bare = laid(board)
    roles = [SOURCE, TARGET] + [HOP] * (board.islands() - 2)
    return Surface(board.region, board.thickness, x=x).legs(metal, roles, limit, bare, most=most)


def length(board: Board, x: float | None = None) -> float:
    """Creepage from island 0 to island 1 by the product."""
    x = board.x if x is None else x
    legs = searched(board, x, FAR)
    assume(not legs.stopped)  # a doubt then: there is nothing to compare with
    found = legs.best(0, 1, x)
    assert found is not None
    return found.length


def moved(board: Board, move) -> Board:
    metals = tuple(replace(m, skeleton=move(m.skeleton)) for m in board.metals)
    return Board(move(board.region), move(board.passable), board.thickness, metals, board.x)


def only_pads(board: Board) -> Board:
    """The same board with both sides on top and nothing floating."""
    metals = tuple(
        replace(m, face=TOP) for m in board.metals if m.island < 2 and m.face is not None
    )
    return Board(board.region, board.passable, board.thickness, metals, board.x)


@law
@given(seed=seeds, x=st.sampled_from([0.0, 0.25, 1.0]))
def test_both_ways_are_equally_long(seed: int, x: float) -> None:
    board = board_of(seed, x)
    swapped = tuple(replace(m, island={0: 1, 1: 0}.get(m.island, m.island)) for m in board.metals)
    assert length(replace(board, metals=swapped)) == pytest.approx(length(board), abs=ROUNDING)


@law
@given(seed=seeds, angle=st.floats(0, 360), mirror=st.booleans())
def test_a_board_that_is_turned_shifted_or_mirrored_has_the_same_creepage(
    seed: int, angle: float, mirror: bool
) -> None:
    board = board_of(seed)

    def move(shape: shapely.Geometry) -> shapely.Geometry:
        turned = affinity.rotate(shape, angle, origin=(1, 2))
        turned = affinity.scale(turned, -1, 1, origin=(0, 0)) if mirror else turned
        return affinity.translate(turned, 13, -70)

    assert length(moved(board, move)) == pytest.approx(length(board), abs=PROMISED)


@law
@given(seed=seeds, x=st.sampled_from([0.0, 1.0]))
def test_a_board_turned_over_has_the_same_creepage(seed: int, x: float) -> None:
    board, t = board_of(seed, x), board_of(seed, x).thickness
    other = {TOP: BOTTOM, BOTTOM: TOP, None: None}
    metals = tuple(
        replace(m, face=other[m.face], above=t - m.below, below=t - m.above) for m in board.metals
    )
    assert length(replace(board, metals=metals)) == pytest.approx(length(board), abs=ROUNDING)


@law
@given(
    seed=seeds,
    at=st.tuples(st.floats(0.5, 8), st.floats(0.5, 6)),
    size=st.floats(0.1, 3),
    face=st.sampled_from([0, 1]),
)
def test_more_floating_copper_never_lengthens_creepage(
    seed: int, at: tuple[float, float], size: float, face: int
) -> None:
    board = board_of(seed, 1.0)
    shape = shapely.box(*at, at[0] + size, at[1] + size / 2).intersection(board.region)
    parts = [p for p in shapely.get_parts(shape) if p.area > 0]
    more = tuple(Metal(board.islands() + k, face, p) for k, p in enumerate(parts))
    assert length(replace(board, metals=board.metals + more)) <= length(board) + ROUNDING


@law
@given(seed=seeds, x=st.sampled_from([0.25, 1.0, 1.5]))
def test_a_wider_x_never_lengthens_creepage(seed: int, x: float) -> None:
    board = board_of(seed)
    assert length(board, x) <= length(board, 0.0) + PROMISED


@law
@given(seed=seeds, more=st.floats(0.1, 2))
def test_a_thicker_board_never_has_less_creepage(seed: int, more: float) -> None:
    board = board_of(seed)
    thick = replace(board, thickness=board.thickness + more)
    flat = tuple(replace(m, above=0.0, below=0.0) for m in board.metals)
    assert length(replace(thick, metals=flat)) >= length(replace(board, metals=flat)) - ROUNDING


@law
@given(
    seed=seeds,
    cut=st.tuples(st.floats(1, 8), st.floats(1, 6), st.floats(0.3, 4), st.floats(0.3, 1)),
)
def test_on_one_face_a_new_slot_never_shortens_creepage(
    seed: int, cut: tuple[float, float, float, float]
) -> None:
    """Both sides on top: a way over the far face is never shorter there, since the slot is in that
    face too.
    """
    board = only_pads(board_of(seed))
    x, y, w, h = cut
    slot = shapely.box(x, y, x + w, y + h)
    assume(all(m.shape.distance(slot) >= 0.05 for m in board.metals))
    left = board.region.difference(slot)
    parts = [
        p for p in shapely.get_parts(left) if all(p.intersects(m.skeleton) for m in board.metals)
    ]
    if not parts:
        return  # the slot has parted the sides
    assert length(replace(board, region=parts[0], passable=parts[0])) >= length(board) - PROMISED


def test_a_new_slot_can_be_a_short_cut_to_the_other_face() -> None:
    """Pads above each other 20 mm from every edge: 2 * 19.5 + 1.6 mm; a slot 1 mm beside them: 1 +
    1.6 + 1.
    """
    board = shapely.box(-20, -20, 20, 20)
    top, bottom = copper(shapely.Point(0, 0), 0.5, TOP), copper(shapely.Point(0, 0), 0.5, BOTTOM)
    before = Surface(board, 1.6).shortest(top, bottom)
    after = Surface(board.difference(shapely.box(1.5, -2, 2.5, 2)), 1.6).shortest(top, bottom)
    assert before is not None
    assert after is not None
    assert (before.length, after.length) == (
        pytest.approx(40.6, abs=ROUNDING),
        pytest.approx(3.6, abs=ROUNDING),
    )


def between(board: Board, conductor: list[int] | None) -> dict[str, float]:
    """Least path between the sides, and on either face alone; each side is an island per face, as
    nets are.
    """
    faces = [m for m in board.metals if m.face is not None and m.island < 2]
    floating = [m for m in board.metals if m.face is not None and m.island >= 2]
    bare = [m for m in board.metals if m.face is None]
    islands = [2 * m.island + m.face for m in faces] + [m.island + 2 for m in floating]
    metals = faces + floating
    metal = copper(
        [m.skeleton for m in metals], [m.radius for m in metals], [m.face for m in metals], islands
    )
    laid_bare = exposed(
        [m.skeleton for m in bare],
        [m.above for m in bare],
        [m.below for m in bare],
        [2 * m.island if m.island < 2 else m.island + 2 for m in bare],
    )
    roles = [SOURCE, SOURCE, TARGET, TARGET] + [HOP] * (board.islands() - 2)
    legs = Surface(board.region, board.thickness, x=board.x).legs(
        metal, roles, FAR, laid_bare, conductor
    )
    found = {"anywhere": np.inf}
    for source, target, length in zip(*legs.table(board.x), strict=True):
        found["anywhere"] = min(found["anywhere"], float(length))
        direct = legs.direct(int(source), int(target))
        if (source + target) % 2 == 0 and direct is not None:
            found["bottom" if source % 2 else "top"] = direct.length
    return found


def on_both_faces(board: Board) -> Board:
    """The same board with the copper of both sides on either face."""
    sides = [m for m in board.metals if m.island < 2 and m.face is not None]
    others = tuple(replace(m, face=1 - (m.face or 0)) for m in sides)
    return replace(board, metals=board.metals + others)


@law
@given(seed=seeds, x=st.sampled_from([0.0, 0.25, 1.0]), curved=st.booleans(), twice=st.booleans())
def test_what_a_face_shows_never_hides_a_shorter_path_over_a_wall(
    seed: int, x: float, curved: bool, twice: bool
) -> None:
    """Pruned equals unpruned: the same least path between conductors, whether walls are bounded by
    the faces or not.
    """
    board = board_of(seed, x, curved=curved)
    board = on_both_faces(board) if twice else board
    conductor = [0, 0, 1, 1, *range(2, board.islands())]
    assert between(board, conductor) == pytest.approx(between(board, None), abs=ROUNDING)


@pytest.mark.parametrize("seed", [264, *range(19, 23)])
def test_legs_that_no_path_needs_change_no_path(seed: int) -> None:
    """Pruned equals unpruned: the same counted and direct lengths between sides, with floating
    copper and free legs.
    """
    board = odd_board(seed)
    metal = copper(
        *map(
            list,
            zip(*((m.skeleton, m.radius, m.face, m.island) for m in board.metals), strict=True),
        )
    )
    surface = Surface(board.region, board.thickness, x=board.x)
    roles = [SOURCE, TARGET] + [HOP] * (board.islands() - 2)
    everything, needed = (surface.legs(metal, roles, 9.0, x=x) for x in (None, board.x))
    assert not everything.stopped
    for one, two in zip(everything.table(board.x), needed.table(board.x), strict=True):
        assert two == pytest.approx(one, abs=ROUNDING)
    direct = [legs.direct(0, 1) for legs in (everything, needed)]
    assert [leg and round(leg.length, 6) for leg in direct[:1]] == [
        leg and round(leg.length, 6) for leg in direct[1:]
    ]


def test_some_legs_are_needed_by_no_path() -> None:
    """Over the edge it is 4.6 mm from a side to a dot below that lies 7 mm from the other: no use
    within 10 mm.
    """
    dots = shapely.points([(0, 0), (7, 0), (0, -1)])
    metal = copper(dots, face=[TOP, TOP, BOTTOM], island=[0, 1, 2])
    surface, roles = Surface(shapely.box(-9, -2, 20, 9), 1.6), [SOURCE, TARGET, HOP]
    everything, needed = (surface.legs(metal, roles, 10.0, x=x) for x in (None, 0.25))
    pairs = [
        set(zip(legs.start.tolist(), legs.end.tolist(), strict=True))
        for legs in (everything, needed)
    ]
    assert pairs[1] < pairs[0]
    assert len(needed.table()[2]) == 1
    assert needed.table()[2] == pytest.approx(everything.table()[2])


def smaller(shape: shapely.Geometry) -> shapely.Geometry:
    return affinity.scale(shape, 0.7, 0.7, origin=shape.representative_point())


@pytest.mark.parametrize("seed", range(6))
def test_a_link_on_one_face_is_found_whatever_the_other_face_shows(seed: int) -> None:
    """Both sides on both faces, smaller below: each face has its own length over the neck of a
    slot.
    """
    board = necked_board(np.random.default_rng(seed))
    sides = [m for m in board.metals if m.island < 2 and m.face is not None]
    below = tuple(
        replace(m, face=BOTTOM, skeleton=smaller(m.skeleton), radius=m.radius / 2) for m in sides
    )
    board = replace(
        board, metals=(*(replace(m, face=TOP) for m in board.metals if m.face is not None), *below)
    )
    lone = {
        face: replace(board, metals=tuple(m for m in board.metals if m.face == face))
        for face in (TOP, BOTTOM)
    }
    both = between(board, [0, 0, 1, 1, *range(2, board.islands())])
    for name, face in (("top", TOP), ("bottom", BOTTOM)):
        assert both[name] == pytest.approx(between(lone[face], None)[name], abs=ROUNDING)


# --------------------------------------------------------------------------- creepage and clearance

RULES = """
schema = 1
[region.a]
reference = ["A"]
nets = []
[region.b]
reference = ["B"]
nets = []
[[barrier]]
between = ["a", "b"]
working_voltage = 100
table = "spacing.csv"
"""


def sketch_of(seed: int) -> Sketch:
    """A board with pads of two nets on both faces, routed slots and unplated holes between them."""
    rng = np.random.default_rng(seed)
    holes: list[Hole] = []
    for x in rng.uniform(7, 13, rng.integers(0, 4)):
        y = float(rng.uniform(3, 17))
        to = (float(x), min(y + float(rng.uniform(0, 6)), 18.0))
        holes.append(
            Hole(at=(float(x), y), to=to, diameter=float(rng.choice([0.6, 1.0, 2.0])), plated=False)
        )
    pads = [
        Pad(
            net=net,
            layer=f"L{rng.integers(1, 3)}",
            at=(float(x), float(rng.uniform(2, 18))),
            size=(1.0, 1.0),
        )
        for net, low, high in (("A", 2, 5), ("B", 15, 18))
        for x in rng.uniform(low, high, 3)
    ]
    return Sketch(
        title=f"seed {seed}",
        layers=2,
        outline=box(0, 0, 20, 20),
        pads=tuple(pads),
        holes=tuple(holes),
    )


@few
@given(seed=seeds)
def test_creepage_is_never_shorter_than_clearance(
    seed: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """On raw lengths, whatever is between; both measured by the product, each its own way."""
    board = built_directly(sketch_of(seed))
    air = min(
        s.raw
        for s in shortfalls(held_to(board, 40.0, tmp_path_factory))
        if s.required.where == "outer"
    )
    # beyond what would contradict it nothing needs to be sought
    surface = min(
        (s.raw for s in creepages(held_to(board, air + 1.0, tmp_path_factory))), default=np.inf
    )
    assert surface >= air - PROMISED


def held_to(board: BoardData, required: float, tmp_path_factory: pytest.TempPathFactory) -> Layout:
    """A board with a table that asks for one distance, clearance and creepage alike."""
    folder = tmp_path_factory.mktemp("table")
    rows = f"100,{required},{required},outer\n100,0.1,,through"
    (folder / "spacing.csv").write_text(f"voltage,clearance,creepage,where\n{rows}\n")
    return layout_of(board, RULES, folder)


KEYHOLE = (  # a room wider than X, and a tail narrower than that
    Hole(at=(10.0, 6.0), diameter=1.4, plated=False),
    Hole(at=(10.0, 6.0), to=(10.0, 8.0), diameter=0.6, plated=False),
)


def test_a_search_that_is_given_up_is_a_doubt_that_names_the_barrier(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a bound of one line: a doubt, and all that falls short is found, though it may be told
    too long.
    """
    pads = tuple(
        Pad(net=net, layer=layer, at=(x, 6.0), size=(2.0, 2.0))
        for net, layer, x in (("A", "L1", 7.0), ("B", "L2", 13.0))
    )
    board = built_directly(
        Sketch(title="slot", layers=2, outline=box(0, 0, 20, 20), pads=pads, holes=KEYHOLE)
    )
    whole = held_to(board, 6.0, tmp_path_factory)
    assert not stopped(whole)
    monkeypatch.setattr("checker.insulation.surface.geodesics.MOST_LINES", 1)
    hurried = held_to(board, 6.0, tmp_path_factory)
    assert [doubt.what for doubt in doubts(hurried) if "given up" in doubt.what] == [
        "the search for creepages of a / b was given up: slots of too many shapes"
    ]
    told, late = (
        {(s.nets, s.place): s.measured for s in creepages(layout)} for layout in (whole, hurried)
    )
    assert told
    assert told.keys() == late.keys()
    assert all(told[key] <= late[key] + ROUNDING for key in told)


def test_a_bound_of_nothing_takes_no_plain_path(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pads above each other at an edge: 1 + 1.6 + 1 mm over it and no way on one face; found
    whatever the bound.
    """
    pads = (
        Pad(net="A", layer="L1", at=(2, 10), size=(2, 2)),
        Pad(net="B", layer="L2", at=(2, 10), size=(2, 2)),
    )
    board = built_directly(
        Sketch(title="edge", layers=2, outline=box(0, 0, 20, 20), pads=pads, holes=KEYHOLE)
    )
    monkeypatch.setattr("checker.insulation.surface.geodesics.MOST_LINES", 0)
    hurried = held_to(board, 8.0, tmp_path_factory)
    assert [s.measured for s in creepages(hurried)] == [pytest.approx(3.6, abs=PROMISED)]


def drawn(kind: str, seed: int) -> Board:
    """A board with links, from each of the random generators."""
    rng = np.random.default_rng(seed)
    makers: dict[str, Callable[[], Board]] = {
        "odd": lambda: odd_board(seed),
        "witness": lambda: witness_board(rng, x=1.0, round_=3, floating=1),
        "over neck": lambda: over_neck(rng),
        "necked": lambda: necked_board(rng),
        "knotted": lambda: knotted_board(rng),
    }
    return makers[kind]()


LATE = [
    ("odd", 15),
    ("witness", 9),
    ("witness", 22),
    ("over neck", 9),
    ("over neck", 19),
    ("necked", 6),
    ("necked", 14),
    ("knotted", 17),
    ("knotted", 30),
]


@pytest.mark.parametrize(("kind", "seed"), LATE)
def test_what_is_too_short_without_links_is_found_with_a_bound_of_one(kind: str, seed: int) -> None:
    """A path that bridges nothing is found before any link is looked at."""
    board = drawn(kind, seed)
    plain, hurried = searched(board, 0.0, 8.0).best(0, 1), searched(board, board.x, 8.0, most=1)
    late = hurried.best(0, 1, board.x)
    assert hurried.stopped
    assert plain is not None
    assert late is not None
    assert late.length <= plain.length + ROUNDING
