"""Barriers and spacings bound to a board: sides, third and earthed copper, bodies, width X, what is
missing.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from checker.app.run import Options, judged
from checker.config.rules_file import Insulation
from checker.config.spacing_table import (
    CLEARANCE,
    CREEPAGE,
    INNER,
    OUTER,
    THROUGH,
    Required,
    TableError,
)
from checker.insulation.conductors import Source
from checker.insulation.record import narrowest
from checker.insulation.requirements import Barriers, bind, raised, width_x
from checker.insulation.separations import Separation
from checker.layout.layout import Layout
from parsers.board import Board, Outline
from tests.boards import built_directly, case, layout_of

SQUARES = {
    "pours": [
        {"region": "a", "layer": "L1", "box": [0, 0, 10, 20]},
        {"region": "b", "layer": "L1", "box": [14, 0, 30, 20]},
    ]
}
TABLE = "voltage,clearance,creepage\n250,2,3\n"


def bound(
    tmp_path: Path, table: dict[str, Any], rules: dict[str, Any], csv: str = TABLE, **changes: Any
) -> tuple[Barriers, Layout]:
    """Bind a board given as in the case files; `changes` replace fields of the board."""
    (tmp_path / "t.csv").write_text(csv, encoding="utf-8")
    told = case("board", {"because": "", "expect": [], "rules": rules, **table})
    board: Board = replace(built_directly(told.sketch), **changes)
    layout = layout_of(board, told.rules, tmp_path)
    return bind(layout), layout


def nets_of(barriers: Barriers, rows: Any) -> set[str]:
    return {barriers.bodies.net_name(int(row)) for row in rows}


def barrier(**more: Any) -> dict[str, Any]:
    return {
        "between": ["a", "b"],
        "working_voltage": 250,
        "insulation": "functional",
        "table": "t.csv",
        **more,
    }


def separation(barriers: Barriers, number: int = 0) -> Separation:
    return barriers.bounds[number].separation


REGIONS = {
    "a": {"reference": ["GND_A"], "nets": ["*"]},
    "b": {"reference": ["GND_B"], "nets": ["B_*"]},
}


def tracks(*nets: str) -> dict[str, Any]:
    """One track per net on L1, side by side."""
    draws = [
        {"net": n, "layer": "L1", "width": 0.5, "points": [[3 * i, 0], [3 * i, 9]]}
        for i, n in enumerate(nets)
    ]
    return {"draws": draws}


def test_copper_keeps_its_row_numbers_and_walls_follow_on_every_layer(tmp_path: Path) -> None:
    """A through hole on four layers is four rows after the copper, at the size that the data
    gives.
    """
    board = {**SQUARES, "layers": 4, "vias": [{"net": "GND_A", "at": [5, 5], "drill": 0.4}]}
    barriers, layout = bound(tmp_path, board, {"barrier": [barrier()]})
    bodies, copper = barriers.bodies, layout.board.copper
    assert (bodies.shapes.net[: len(copper)] == copper.net).all()
    walls = np.flatnonzero(bodies.source == Source.WALL)
    assert bodies.shapes.layer[walls].tolist() == [0, 1, 2, 3]
    assert bodies.shapes.radius[walls].tolist() == [0.2] * 4
    assert set(bodies.node[walls].tolist()) == {int(bodies.node[0])}


def test_a_blind_hole_has_walls_only_where_it_passes(tmp_path: Path) -> None:
    holes = [{"at": [5, 5], "diameter": 0.4, "plated": True, "net": "GND_A", "span": ["L1", "L2"]}]
    barriers, _ = bound(
        tmp_path, {**SQUARES, "layers": 4, "holes": holes}, {"barrier": [barrier()]}
    )
    walls = barriers.bodies.source == Source.WALL
    assert barriers.bodies.shapes.layer[walls].tolist() == [0, 1]


def test_an_unplated_hole_has_no_wall(tmp_path: Path) -> None:
    holes = [{"at": [12, 5], "diameter": 0.4, "plated": False}]
    barriers, _ = bound(tmp_path, {**SQUARES, "holes": holes}, {"barrier": [barrier()]})
    assert not (barriers.bodies.source == Source.WALL).any()


def test_sides_are_the_regions_and_the_rest_is_third_copper(tmp_path: Path) -> None:
    rules = {
        "region": {
            **REGIONS,
            "a": {"reference": ["GND_A"], "nets": ["A_*"]},
            "c": {"reference": ["GND_C"], "nets": ["*"]},
        },
        "barrier": [barrier()],
    }
    barriers, _ = bound(tmp_path, tracks("A_1", "GND_A", "B_1", "GND_B", "C_1", "GND_C", ""), rules)
    found = separation(barriers)
    assert [nets_of(barriers, rows) for rows in found.sides] == [{"A_1", "GND_A"}, {"B_1", "GND_B"}]
    assert [(third.name, nets_of(barriers, third.rows)) for third in found.thirds] == [
        ("c", {"C_1", "GND_C"})
    ]
    assert nets_of(barriers, found.floating) == {"no net"}
    assert found.regions == ("a", "b")
    assert found.title == "a / b"


def test_every_nameless_piece_is_a_node_of_its_own(tmp_path: Path) -> None:
    """Two floating tracks that don't touch are two conductors; two tracks of one net are one."""
    barriers, _ = bound(
        tmp_path, tracks("GND_A", "GND_B", "", ""), {"region": REGIONS, "barrier": [barrier()]}
    )
    bodies = barriers.bodies
    assert bodies.nodes == 4
    more = tracks("GND_A", "GND_B", "GND_A")
    barriers, _ = bound(tmp_path, more, {"region": REGIONS, "barrier": [barrier()]})
    assert barriers.bodies.nodes == 2


def test_an_earthed_net_that_only_the_star_claims_is_on_no_side(tmp_path: Path) -> None:
    """PE is matched by a's `*`; as earthed net it is neither side nor crossed."""
    rules = {"region": REGIONS, "barrier": [barrier(earthed=["PE"])]}
    barriers, _ = bound(tmp_path, tracks("GND_A", "PE", "GND_B"), rules)
    found = separation(barriers)
    assert nets_of(barriers, found.sides[0]) == {"GND_A"}
    assert nets_of(barriers, found.earthed) == {"PE"}
    assert not len(found.crossed)


def test_an_earthed_net_that_a_region_names_stays_on_its_side(tmp_path: Path) -> None:
    regions = {**REGIONS, "a": {"reference": ["GND_A"], "nets": ["*", "PE"]}}
    rules = {"region": regions, "barrier": [barrier(earthed=["PE"])]}
    barriers, _ = bound(tmp_path, tracks("GND_A", "PE", "GND_B"), rules)
    assert nets_of(barriers, separation(barriers).sides[0]) == {"GND_A", "PE"}


def spacing(first: list[str], second: list[str], **more: Any) -> dict[str, Any]:
    basic = {"insulation": "basic", "clearance_voltage": 250}
    return {"between": [first, second], "working_voltage": 250, "table": "t.csv", **basic, **more}


HELD_A = spacing(["GND_A", "A_1"], ["PE"])
HELD_B = spacing(["PE"], ["GND_B"])


@pytest.mark.parametrize(
    ("hazardous", "spacings", "doubts"),
    [
        (None, [], {"no spacing between a or b and earthed PE (3 nets)"}),
        (None, [HELD_A], set()),
        (None, [HELD_B], set()),
        ("a", [HELD_B], {"no spacing between a and earthed PE (2 nets)"}),
        ("a", [HELD_A], set()),
        ("b", [HELD_A], {"no spacing between b and earthed PE"}),
        ("a", [spacing(["GND_A"], ["PE"])], {"no spacing between a and earthed PE"}),  # A_1 is left
        (
            "a",
            [{**HELD_A, "insulation": "functional"}],
            {"no spacing between a and earthed PE (2 nets)"},
        ),
    ],
)
def test_the_hazardous_side_is_held_against_earth(
    tmp_path: Path, hazardous: str | None, spacings: list[dict[str, Any]], doubts: set[str]
) -> None:
    """By a spacing of basic insulation or better; where no side is called hazardous, one side at
    least.
    """
    stated = {"earthed": ["PE"], **({"hazardous": hazardous} if hazardous else {})}
    rules = {"region": REGIONS, "barrier": [barrier(**stated)], "spacing": spacings}
    barriers, _ = bound(tmp_path, tracks("GND_A", "A_1", "PE", "GND_B"), rules)
    assert {d.what for d in barriers.doubts if "earthed" in d.what} == doubts


def test_what_is_left_unheld_against_earth_is_named(tmp_path: Path) -> None:
    rules = {
        "region": REGIONS,
        "barrier": [barrier(earthed=["PE"], hazardous="a")],
        "spacing": [spacing(["GND_A"], ["PE"])],
    }
    barriers, _ = bound(tmp_path, tracks("GND_A", "A_1", "PE", "GND_B"), rules)
    assert "none holds A_1" in next(d.why for d in barriers.doubts if "earthed" in d.what)


C_TOO = {**REGIONS, "c": {"reference": ["GND_C"], "nets": ["C_*"]}}


@pytest.mark.parametrize(
    ("more", "held", "side"),
    [
        ([], (False, False), None),
        ([barrier(between=["a", "c"])], (True, False), 1),
        ([barrier(between=["c", "b"])], (False, True), 0),
        ([barrier(between=["a", "c"]), barrier(between=["b", "c"])], (True, True), None),
        ([{"between": ["a", "c"], "insulation": "none"}], (False, False), None),
    ],
)
def test_what_nothing_holds_apart_from_a_side_stands_there(
    tmp_path: Path, more: list[dict[str, Any]], held: tuple[bool, bool], side: int | None
) -> None:
    rules = {
        "region": C_TOO,
        "barrier": [barrier(insulation="basic", clearance_voltage=250), *more],
    }
    barriers, _ = bound(tmp_path, tracks("GND_A", "GND_B", "GND_C", "C_1"), rules)
    (third,) = separation(barriers).thirds
    assert (third.name, third.held, third.side) == ("c", held, side)
    lost = "nothing holds c apart from a or from b" in {d.what for d in barriers.doubts}
    assert lost == (not any(held))


def test_a_functional_spacing_knows_no_third_copper(tmp_path: Path) -> None:
    """Signals lie between two supplies; floating copper is crossed all the same."""
    rules = {"region": REGIONS, "spacing": [spacing(["GND_A"], ["GND_B"], insulation="functional")]}
    barriers, _ = bound(tmp_path, tracks("GND_A", "A_1", "", "GND_B"), rules)
    found = separation(barriers)
    assert found.thirds == ()
    assert nets_of(barriers, found.crossed) == {"no net"}


@pytest.mark.parametrize(
    ("stated", "doubt"),
    [
        ({}, "barrier[0] does not state its insulation"),
        ({"insulation": "basic"}, "barrier[0] is basic and has no clearance_voltage"),
        ({"insulation": "reinforced"}, "barrier[0] is reinforced and has no clearance_voltage"),
        ({"insulation": "functional"}, None),
        ({"insulation": "basic", "clearance_voltage": 250}, None),
    ],
)
def test_what_a_barrier_must_state(
    tmp_path: Path, stated: dict[str, Any], doubt: str | None
) -> None:
    rules = {
        "barrier": [{"between": ["a", "b"], "working_voltage": 250, "table": "t.csv", **stated}]
    }
    barriers, _ = bound(tmp_path, SQUARES, rules)
    assert [d.what for d in barriers.doubts] == ([doubt] if doubt else [])


def test_a_required_distance_of_nothing_is_a_doubt(tmp_path: Path) -> None:
    barriers, _ = bound(
        tmp_path, SQUARES, {"barrier": [barrier()]}, "voltage,clearance,creepage\n250,0,3\n"
    )
    assert [d.what for d in barriers.doubts] == ["a / b is held to clearance 0 mm at 250 V (outer)"]


def test_without_a_working_voltage_clearance_alone_is_asked_for(tmp_path: Path) -> None:
    stated = barrier(clearance_voltage=250)
    del stated["working_voltage"]
    barriers, _ = bound(tmp_path, SQUARES, {"barrier": [stated]})
    assert set(barriers.bounds[0].wanted) == {(CLEARANCE, OUTER)}
    assert [d.what for d in barriers.doubts] == ["barrier[0] states no working_voltage"]


def test_defaults_that_decide_are_told(tmp_path: Path) -> None:
    stated = {"between": [["GND_A"], ["GND_B"]], "working_voltage": 250, "table": "t.csv"}
    _, layout = bound(tmp_path, SQUARES, {"spacing": [stated]})
    told = {r.what: r.why for r in judged(layout, {}, Options()).outcome.remarks}
    assert told["spacing[0]: insulation not stated"] == "functional assumed"
    assert told["spacing[0]: pollution degree not stated"] == "2 assumed, X = 1 mm"
    assert told["spacing[0]: material group not stated"] == "IIIb assumed"
    assert "tolerances not stated: etch, registration, routing" in told
    _, layout = bound(
        tmp_path,
        SQUARES,
        {"spacing": [{**stated, "insulation": "basic", "clearance_voltage": 250}]},
    )
    told = {r.what: r.why for r in judged(layout, {}, Options()).outcome.remarks}
    assert "spacing[0]: t.csv has no insulation column" in told


def test_a_spacing_takes_nets_by_their_patterns(tmp_path: Path) -> None:
    rules = {"region": REGIONS, "spacing": [spacing(["HV_*"], ["HV_*", "GND_A"])]}
    barriers, _ = bound(tmp_path, tracks("HV_1", "HV_2", "GND_A", "GND_B"), rules)
    found = separation(barriers)
    assert nets_of(barriers, found.sides[0]) == {"HV_1", "HV_2"}
    assert nets_of(barriers, found.sides[1]) == {"HV_1", "HV_2", "GND_A"}
    assert [(third.name, nets_of(barriers, third.rows)) for third in found.thirds] == [
        ("b", {"GND_B"})
    ]
    assert found.regions == ()


def test_hardware_is_a_disc_on_the_faces_that_it_lies_on(tmp_path: Path) -> None:
    screws = [
        {"at": [1, 1], "diameter": 6, "net": "GND_A"},
        {"at": [5, 1], "diameter": 2, "side": "bottom"},
        {"at": [9, 1], "diameter": 2, "side": "top", "net": "EARTH"},
    ]
    rules = {"barrier": [barrier(earthed=["EAR*"])], "hardware": screws}
    barriers, _ = bound(tmp_path, {**SQUARES, "layers": 4}, rules)
    bodies = barriers.bodies
    rows = np.flatnonzero(bodies.source == Source.HARDWARE)
    assert bodies.shapes.layer[rows].tolist() == [0, 3, 3, 0]
    assert bodies.shapes.radius[rows].tolist() == [3, 3, 1, 1]
    assert [bodies.net_name(int(r)) for r in rows] == ["GND_A", "GND_A", "hardware", "EARTH"]
    found = separation(barriers)
    assert set(rows[:2]) <= set(found.sides[0].tolist())
    assert rows[2] in found.floating
    assert rows[3] in found.earthed


def test_a_plated_edge_takes_the_net_of_the_copper_that_touches_it(tmp_path: Path) -> None:
    """The pour of a ends on the edge x = 0, which is plated from y = 5 to 15."""
    board = shapely.box(0, -5, 35, 25)
    plated = Outline(board, shapely.LineString([(0, 5), (0, 15)]))
    barriers, _ = bound(tmp_path, SQUARES, {"barrier": [barrier()]}, outline=plated)
    bodies = barriers.bodies
    edge = np.flatnonzero(bodies.source == Source.EDGE)
    assert nets_of(barriers, edge) == {"GND_A"}
    assert bodies.shapes.layer[edge].tolist() == [0, 1]
    assert set(edge) <= set(separation(barriers).sides[0].tolist())


def test_a_plated_edge_takes_the_net_of_a_plated_hole_that_cuts_it(tmp_path: Path) -> None:
    """The hole's wall reaches the edge x = -5, no copper does."""
    holes = [{"at": [-5, 10], "diameter": 1.0, "plated": True, "net": "GND_A"}]
    plated = Outline(shapely.box(-5, -5, 35, 25), shapely.LineString([(-5, 5), (-5, 15)]))
    barriers, _ = bound(
        tmp_path, {**SQUARES, "holes": holes}, {"barrier": [barrier()]}, outline=plated
    )
    edge = np.flatnonzero(barriers.bodies.source == Source.EDGE)
    assert nets_of(barriers, edge) == {"GND_A"}
    assert barriers.doubts == ()


def test_nameless_walls_that_meet_are_one_conductor(tmp_path: Path) -> None:
    """Three segments of a bent slot; a fourth one lies apart."""
    ends = [((12, 2), (12, 6)), ((12, 6), (13, 6)), ((13, 6), (13, 9)), ((12, 15), (13, 15))]
    holes = [{"at": list(a), "to": list(b), "diameter": 0.4, "plated": True} for a, b in ends]
    barriers, _ = bound(tmp_path, {**SQUARES, "holes": holes}, {"barrier": [barrier()]})
    bodies = barriers.bodies
    assert sorted(map(tuple, bodies.walls.tolist())) == [(0, 1), (1, 2)]
    on_top = bodies.on(0, np.flatnonzero(bodies.source == Source.WALL))
    assert len(set(bodies.node[on_top].tolist())) == 2


def test_a_plated_edge_that_nothing_touches_is_a_doubt_and_floats(tmp_path: Path) -> None:
    plated = Outline(shapely.box(-5, -5, 35, 25), shapely.LineString([(-5, 5), (-5, 15)]))
    barriers, _ = bound(tmp_path, SQUARES, {"barrier": [barrier()]}, outline=plated)
    edge = np.flatnonzero(barriers.bodies.source == Source.EDGE)
    assert set(edge) <= set(separation(barriers).floating.tolist())
    assert "plated edge at (-5, 5) touches no copper" in {d.what for d in barriers.doubts}


# ---------------------------------------------------------------------------------------- distances


# mm by pollution degree; IEC 60664-1:2007, 6.2, as read on a public page
WIDTH_X = {1: 0.25, 2: 1.0, 3: 1.5}


@pytest.mark.parametrize(("degree", "x"), WIDTH_X.items())
def test_width_x_follows_the_pollution_degree(degree: int, x: float) -> None:
    """IEC 60664-1:2007, 6.2; read on a public page."""
    assert width_x(Insulation(pollution_degree=degree), clearance(10)) == x


@pytest.mark.parametrize(
    ("degree", "required", "x"),
    [
        (2, 1.5, 0.5),
        (2, 2.4, 0.8),
        (2, 3.0, 1.0),
        (1, 0.6, 0.2),
        (1, 0.75, 0.25),
        (1, 1.5, 0.25),
        (3, 2.7, 0.9),
        (3, 3.0, 1.5),
    ],
)
def test_a_third_of_a_small_clearance_where_the_rules_ask_for_it(
    degree: int, required: float, x: float
) -> None:
    """IEC 60664-1:2007, 6.2: below 3 mm X may be a third of the clearance; the smaller of both
    holds.
    """
    asked = Insulation(pollution_degree=degree, x_reduction=True)
    assert width_x(asked, clearance(required)) == pytest.approx(x)
    assert width_x(replace(asked, x_reduction=False), clearance(required)) == WIDTH_X[degree]


def test_without_a_clearance_row_x_is_not_reduced() -> None:
    assert width_x(Insulation(pollution_degree=2, x_reduction=True), None) == 1.0


def clearance(value: float) -> Required:
    return Required(CLEARANCE, OUTER, value, 250, "t.csv:2 (250 V)")


def test_required_creepage_is_never_below_required_clearance(tmp_path: Path) -> None:
    """IEC 60664-1: creepage cannot be shorter than the clearance of the same insulation (general
    rule).
    """
    barriers, _ = bound(
        tmp_path, SQUARES, {"barrier": [barrier()]}, "voltage,clearance,creepage\n250,4,3\n"
    )
    found = barriers.bounds[0].required(CREEPAGE, OUTER)
    assert found is not None
    assert found.value == 4
    assert "raised to the clearance" in found.rows
    assert raised(Required(CREEPAGE, OUTER, 5, 250, "r"), clearance(4)).value == 5


def test_the_voltages_are_asked_in_their_own_columns(tmp_path: Path) -> None:
    """Clearance at 2500 V, creepage at 250 V, halfway between 200 and 300 V."""
    csv = "voltage,clearance,creepage\n200,,2\n300,,4\n2500,3,\n"
    rules = {"barrier": [barrier(clearance_voltage=2500)]}
    barriers, _ = bound(tmp_path, SQUARES, rules, csv)
    found = barriers.bounds[0]
    values = {m: r.value for m in (CLEARANCE, CREEPAGE) if (r := found.required(m, OUTER))}
    assert values == {CLEARANCE: 3, CREEPAGE: 3}


def test_a_voltage_above_the_table_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"t\.csv:2: 400 V is above the last clearance row"):
        bound(tmp_path, SQUARES, {"barrier": [barrier(working_voltage=400)]})


def test_a_kind_of_place_without_rows_is_a_doubt_only_if_the_board_has_it(tmp_path: Path) -> None:
    csv = "voltage,clearance,creepage,where\n250,2,3,outer\n"
    barriers, _ = bound(tmp_path, SQUARES, {"barrier": [barrier()]}, csv)
    assert barriers.doubts == ()
    on_both = {"pours": [*SQUARES["pours"], {"region": "a", "layer": "L2", "box": [0, 0, 10, 20]}]}
    barriers, _ = bound(tmp_path, on_both, {"barrier": [barrier()]}, csv)
    assert {d.what.split(" rows for ")[1].split(",")[0] for d in barriers.doubts} == {THROUGH}
    inner = {"layers": 4, "pours": [{**p, "layer": "L2"} for p in SQUARES["pours"]]}
    barriers, _ = bound(tmp_path, inner, {"barrier": [barrier()]}, csv)
    assert {d.what.split(" rows for ")[1].split(",")[0] for d in barriers.doubts} == {INNER}
    assert all(d.place.file.endswith("rules.toml") for d in barriers.doubts)


def test_inside_the_board_clearance_rows_come_before_creepage_rows(tmp_path: Path) -> None:
    """Rows for inner hold both, the larger one for creepage: inside solid insulation no surface is
    there to creep along, so clearance it is.
    """
    csv = (
        "voltage,clearance,creepage,where\n250,2,3,outer\n250,0.4,0.5,inner\n250,0.3,0.6,through\n"
    )
    inner = [{**pour, "layer": "L2"} for pour in SQUARES["pours"]]
    board = {"layers": 4, "pours": [*inner, {**inner[1], "layer": "L3"}]}
    barriers, _ = bound(tmp_path, board, {"barrier": [barrier()]}, csv)
    there, through = (barriers.bounds[0].solid(where) for where in (INNER, THROUGH))
    assert there is not None
    assert through is not None
    assert (there.measure, there.value) == (CLEARANCE, 0.4)
    assert (through.measure, through.value) == (CLEARANCE, 0.3)


def test_inside_the_board_creepage_rows_stand_in_for_clearance(tmp_path: Path) -> None:
    """Rows for inner hold creepage alone: that is what holds there, and no doubt arises."""
    csv = "voltage,clearance,creepage,where\n250,2,3,outer\n250,,0.5,inner\n250,0.4,0.6,through\n"
    board = {"layers": 4, "pours": [{**p, "layer": "L2"} for p in SQUARES["pours"]]}
    barriers, _ = bound(tmp_path, board, {"barrier": [barrier()]}, csv)
    found = barriers.bounds[0].solid(INNER)
    assert found is not None
    assert (found.measure, found.value) == (CREEPAGE, 0.5)
    assert barriers.doubts == ()


def test_what_the_board_does_not_tell_is_a_doubt(tmp_path: Path) -> None:
    on_both = {
        "pours": [*SQUARES["pours"], {"region": "a", "layer": "L2", "box": [0, 0, 10, 20]}],
        "thickness": 1.6,
    }
    barriers, layout = bound(tmp_path, on_both, {"barrier": [barrier()]}, outline=None)
    assert {d.what for d in barriers.doubts} == {"the board has no profile"}
    bare = replace(layout.board.stackup, thickness=None, dielectric=())
    barriers, _ = bound(tmp_path, on_both, {"barrier": [barrier()]}, stackup=bare)
    assert {d.what for d in barriers.doubts} == {
        "the board's thickness is not known",
        "the thicknesses between the copper layers are not known",
    }


@pytest.mark.parametrize(
    ("stated", "doubts"),
    [
        ({}, {"barrier[0] states no voltage", "barrier[0] does not state its insulation"}),
        (
            {"insulation": "basic"},
            {"barrier[0] states no voltage", "barrier[0] is basic and has no clearance_voltage"},
        ),
        ({"insulation": "none"}, set()),
    ],
)
def test_a_barrier_without_voltage_must_say_that_it_only_splits(
    tmp_path: Path, stated: dict[str, Any], doubts: set[str]
) -> None:
    """No table is ever applied unasked; the report says that the rules did not run."""
    rules = {"barrier": [{"between": ["a", "b"], **stated}]}
    barriers, _ = bound(tmp_path, SQUARES, rules, outline=None)
    assert barriers.measured == ()
    assert {d.what for d in barriers.doubts} == doubts
    assert barriers.why_not(CLEARANCE) == "no barrier names a table"


def test_a_barrier_without_table_beside_one_with_it_is_a_doubt(tmp_path: Path) -> None:
    second = barrier(between=["a", "c"])
    del second["table"]
    rules = {"region": C_TOO, "barrier": [barrier(), second, barrier(between=["b", "c"])]}
    barriers, _ = bound(tmp_path, tracks("GND_A", "GND_B", "GND_C"), rules)
    assert {d.what for d in barriers.doubts} == {"a / c has no table"}


def test_a_lone_barrier_with_a_voltage_and_no_table_is_a_doubt(tmp_path: Path) -> None:
    lone = {"between": ["a", "b"], "working_voltage": 250, "insulation": "functional"}
    barriers, _ = bound(tmp_path, SQUARES, {"barrier": [lone]})
    assert {d.what for d in barriers.doubts} == {"a / b has no table"}


def test_a_side_without_copper_is_a_doubt(tmp_path: Path) -> None:
    regions = {**REGIONS, "b": {"reference": [], "nets": ["B_*"]}}
    barriers, layout = bound(tmp_path, tracks("GND_A"), {"region": regions, "barrier": [barrier()]})
    assert "no copper stands on the side b" in {d.what for d in barriers.doubts}
    assert barriers.why_not(CLEARANCE) == "no copper on one side"
    outcome = judged(layout, {}, Options()).outcome
    assert outcome.verdict == "incomplete"  # though no rule that measures has run
    assert "no copper stands on the side b" in {stated.doubt.what for stated in outcome.doubts}


@pytest.mark.parametrize("named", ["B_1", "B_*"])
def test_a_net_of_one_pad_that_a_region_names_is_live(tmp_path: Path, named: str) -> None:
    """A connector's pin is fed from outside."""
    lone = {
        "pads": [{"net": "B_1", "layer": "L1", "at": [20, 0], "size": 1.0}],
        **tracks("GND_A", "GND_B"),
    }
    regions = {**REGIONS, "b": {"reference": ["GND_B"], "nets": [named]}}
    barriers, _ = bound(tmp_path, lone, {"region": regions, "barrier": [barrier()]})
    assert nets_of(barriers, separation(barriers).sides[1]) == {"B_1", "GND_B"}
    assert barriers.doubts == ()


@pytest.mark.parametrize(
    ("csv", "left_out"),
    [("voltage,clearance\n250,2\n", CREEPAGE), ("voltage,creepage\n250,2\n", CLEARANCE)],
)
def test_a_table_with_one_column_runs_one_of_the_two_rules(
    tmp_path: Path, csv: str, left_out: str
) -> None:
    barriers, _ = bound(tmp_path, SQUARES, {"barrier": [barrier()]}, csv)
    ran = {m: barriers.why_not(m) for m in (CLEARANCE, CREEPAGE)}
    assert ran.pop(left_out) == f"no table has a {left_out} column"
    assert list(ran.values()) == [None]
    assert barriers.doubts == ()


def test_nothing_declared_nothing_measured(tmp_path: Path) -> None:
    barriers, _ = bound(tmp_path, SQUARES, {})
    assert barriers.why_not(CLEARANCE) == "no barrier and no spacing is declared"


def test_depths_come_from_the_dielectrics(tmp_path: Path) -> None:
    board = {**SQUARES, "layers": 4, "dielectric": [0.2, 1.1, 0.2], "thickness": 1.6}
    barriers, _ = bound(tmp_path, board, {"barrier": [barrier()]})
    assert barriers.depths == pytest.approx((0, 0.2, 1.3, 1.5))
    assert barriers.thickness == 1.6


@pytest.mark.parametrize(
    ("leg", "tolerance", "counts"), [(1.0, 0, True), (0.99, 0, False), (1.05, 0.1, False)]
)
def test_a_leg_counts_if_it_stays_as_wide_as_x(
    tmp_path: Path, leg: float, tolerance: float, counts: bool
) -> None:
    """Exactly X counts (IEC 60664-1:2007, 6.2, limit of example 2); a leg that can become shorter
    does not.
    """
    rules = {"barrier": [barrier()], "tolerance": {"etch": tolerance}}
    barriers, _ = bound(tmp_path, SQUARES, rules)
    assert barriers.bounds[0].counts(np.array([leg, leg]), np.array([True, False])).tolist() == [
        counts,
        True,
    ]


@pytest.mark.parametrize("given", [{}, {"clearance_voltage": 250}])
def test_a_clearance_voltage_that_is_left_out_is_told(
    tmp_path: Path, given: dict[str, Any]
) -> None:
    """The working voltage stands in for it, and the report's remarks say so."""
    _, layout = bound(tmp_path, SQUARES, {"barrier": [barrier(**given)]})
    told = [remark.what for remark in judged(layout, {}, Options()).outcome.remarks]
    assert ("barrier[0] has no clearance_voltage" in told) == (not given)


def test_the_report_says_what_each_barrier_is_held_to(tmp_path: Path) -> None:
    """Also where nothing falls short; a kind of place that the board does not have is left out."""
    csv = "voltage,clearance,creepage,where\n250,2,,outer\n200,,3,outer\n300,,5,outer\n500,0.4,,inner\n"
    rules = {"barrier": [barrier(clearance_voltage=200, pollution_degree=3)]}
    _, layout = bound(tmp_path, SQUARES, rules, csv)
    remarks = judged(layout, {}, Options()).outcome.remarks
    told = next(
        r
        for r in remarks
        if r.what == "a / b: functional insulation, pollution degree 3, X = 1.5 mm"
    )
    assert told.why.startswith("held to outer clearance 2 mm (t.csv:2 (250 V)")
    assert "outer creepage 4 mm (t.csv:" in told.why
    assert "inner" not in told.why


def test_the_report_says_how_near_the_sides_come_on_faces_inside_and_between_layers(
    tmp_path: Path,
) -> None:
    """Four layers: 4 mm apart on L1, 1 on L2, and L1 lies over L3 where a's outer pour reaches past
    b's inner one, so that only the laminate parts them.
    """
    table = {
        "pours": [
            *SQUARES["pours"],
            {"region": "a", "layer": "L2", "box": [0, 0, 10, 20]},
            {"region": "b", "layer": "L2", "box": [11, 0, 30, 20]},
            {"region": "b", "layer": "L3", "box": [8, 0, 30, 20]},
        ],
        "layers": 4,
        "dielectric": [0.2, 0.4, 0.2],
    }
    csv = "voltage,clearance,where\n250,5,outer\n250,2,inner\n250,1,through\n"
    _, layout = bound(tmp_path, table, {"barrier": [barrier()]}, csv)
    (told,) = narrowest(layout, [], {"clearance"})
    straight = told.why.split("straight between the sides: ")[1]
    assert [part.split(" (")[0] for part in straight.split(", ")] == [
        "outer 4 mm",
        "inner 1 mm",
        "through 0.4 mm",
    ]


def test_errors_of_a_table_say_who_asks_for_it(tmp_path: Path) -> None:
    with pytest.raises(
        TableError, match=r"rules\.toml \(barrier\[0\]\.table\): there is no spacing table u\.csv"
    ):
        bound(tmp_path, SQUARES, {"barrier": [barrier(table="u.csv")]})
    with pytest.raises(
        TableError, match=r"t\.csv:2: 251 V is above .*asked for at .*rules\.toml \(barrier\[0\]\)"
    ):
        bound(tmp_path, SQUARES, {"barrier": [barrier(working_voltage=251)]})
