"""The helpers that every other test leans on say what they claim to say."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import shapely

from checker.demo.sketch import Draw, Pour, Sketch, box, circle
from checker.findings import Finding, Level
from parsers.primitives import Kind
from tests.boards import arc_row, built_directly, case, cases, differences, ring, toml

GAP = {
    "because": "gap is x 10..12",
    "pours": [
        {"region": "a", "layer": "L2", "box": [0, 0, 10, 20]},
        {
            "region": "b",
            "layer": "L2",
            "box": [12, 0, 30, 20],
            "holes": [[[15, 5], [16, 5], [16, 6]]],
        },
    ],
    "draws": [
        {"net": "SIG", "layer": "L1", "width": 0.2, "points": [[5, 5], [11, 5], [11, 9], [20, 9]]}
    ],
    "vias": [{"net": "B_1", "at": [20, 9]}],
    "expect": [],
    "rules": {"limits": {"pour": 4.0}, "region": {"b": {"quiet": True}}},
}


def test_a_case_becomes_a_board_with_all_its_copper() -> None:
    board = built_directly(case("gap", GAP).sketch)
    kinds = [Kind(k).name for k in board.copper.kind]
    assert kinds == ["AREA", "AREA", "STROKE", "STROKE", "STROKE", "DISC", "DISC"]
    assert [board.net_name(n) for n in board.copper.net[:3]] == ["GND_A", "GND_B", "SIG"]
    assert len(board.holes) == 1
    assert [float(a.area) for a in board.copper.areas] == [200.0, 360.0 - 0.5]
    assert board.outline is not None
    assert board.outline.shape.bounds == (-5, -5, 35, 25)


def test_default_rules_follow_the_pours_and_what_is_given_is_merged_over_them() -> None:
    assert (
        case("gap", GAP).rules == "schema = 1\n"
        'title = "gap"\n'
        'region = { a = { reference = ["GND_A"], nets = ["*"] }, '
        'b = { reference = ["GND_B"], nets = ["B_*"], quiet = true } }\n'
        "limits = { pour = 4.0 }\n"
    )


def test_a_misspelt_key_of_a_case_is_refused() -> None:
    with pytest.raises(ValueError, match="poors"):
        case("gap", {**GAP, "poors": []})


def test_a_missing_case_file_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        cases("no_such_rule", tmp_path)


def test_toml_text_of_odd_values_reads_back() -> None:
    import tomllib  # noqa: PLC0415

    value = {"a b": ['x"\\y', 1, 2.5, True], "c": {"d-e": []}}
    assert tomllib.loads(toml(value)) == value


@pytest.mark.parametrize(
    ("start", "step", "sweep"),
    [
        ((5.0, 0.0), (0.0, 5.0, 0.0, 0.0, 1.0), math.pi / 2),
        ((5.0, 0.0), (0.0, 5.0, 0.0, 0.0, -1.0), -3 * math.pi / 2),
        ((5.0, 0.0), (5.0, 0.0, 0.0, 0.0, -1.0), -2 * math.pi),
    ],
)
def test_arc_steps_turn_the_way_they_say(
    start: tuple[float, float], step: tuple[float, ...], sweep: float
) -> None:
    row = arc_row(start, step)
    assert row[2] == 5
    assert row[4] == pytest.approx(sweep)


def test_rings_of_round_contours_never_lose_copper() -> None:
    """A disc's ring contains the disc, a round hole's ring lies inside the hole; both by less than
    0.2 %.
    """
    true = math.pi * 25
    assert true < shapely.Polygon(ring(circle(0, 0, 10), outward=True)).area < true * 1.002
    assert true > shapely.Polygon(ring(circle(0, 0, 10), outward=False)).area > true * 0.998
    bitten = (
        (0.0, 0.0),
        (10.0, 0.0),
        (10.0, 10.0),
        (0.0, 10.0),
        (0.0, 6.0),
        (0.0, 4.0, 0.0, 5.0, -1.0),
    )
    assert shapely.Polygon(ring(bitten, outward=True)).area > 100 - math.pi / 2


def test_an_arc_draw_is_one_exact_row() -> None:
    draw = Draw(
        net="A", layer="L1", width=0.2, points=((5.0, 0.0), (0.0, 5.0, 0.0, 0.0, 1.0), (0.0, 9.0))
    )
    board = built_directly(Sketch(outline=box(-10, -10, 10, 10), draws=(draw,)))
    assert list(board.copper.kind) == [Kind.ARC, Kind.STROKE]
    assert np.allclose(board.copper.geometry[0], [0, 0, 5, 0, math.pi / 2])


FOUND = [
    Finding(
        rule="r",
        level=Level.ERROR,
        message="",
        at=(1, 2),
        nets=("A", "B"),
        path=(((0, 0), (2, 0)),),
        measured=2,
    ),
    Finding(rule="r", level=Level.WARNING, message="", at=(3, 4), nets=("A",)),
]


@pytest.mark.parametrize(
    ("expect", "count"),
    [
        ([{"level": "error", "nets": ["B", "A"]}, {"nets": ["A"]}], 0),
        ([{}, {"level": "error"}], 0),  # the loose one must not take the strict one's place
        ([{"path": [[2, 0], [1, 0], [0, 0]], "measured": 2.0009}, {}], 0),
        ([{"measured": 2.002}, {}], 2),
        ([{"path": [[0, 0], [2, 0.01]]}, {}], 2),
        ([{}], 1),
        ([{}, {}, {}], 1),
        ([{"at": [1, 2]}, {"path": []}], 0),
    ],
)
def test_findings_are_compared_exactly_in_number_and_within_tolerance(
    expect: list[dict[str, object]], count: int
) -> None:
    assert len(differences(FOUND, expect)) == count


def test_pour_on_no_layer_of_the_board_is_noticed() -> None:
    sketch = Sketch(
        outline=box(0, 0, 9, 9), pours=(Pour(net="A", layer="top", contour=box(1, 1, 2, 2)),)
    )
    with pytest.raises(ValueError, match="invalid literal"):
        built_directly(sketch)
