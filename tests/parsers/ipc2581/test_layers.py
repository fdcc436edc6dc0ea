"""Order of copper layers, stackup, spans of drills."""

from __future__ import annotations

from pathlib import Path

import pytest

from parsers.board import BOTTOM, INNER, TOP, Board, Hints
from tests.parsers.ipc2581.files import (
    SQUARE_BOARD,
    File,
    features,
    layer,
    one_set,
    read,
    sentences,
)

DISC = one_set(features('<Circle diameter="1"/>', '<Location x="5" y="5"/>'))


def stack_layer(name: str, thickness: float, sequence: int | None = None, spec: str = "") -> str:
    order = "" if sequence is None else f' sequence="{sequence}"'
    inside = f'<SpecRef id="{spec}"/>' if spec else ""
    return (
        f'<StackupLayer layerOrGroupRef="{name}" thickness="{thickness}" tolPlus="0"'
        f' tolMinus="0"{order}>{inside}</StackupLayer>'
    )


def group(name: str, *rows: str) -> str:
    return (
        f'<StackupGroup name="{name}" thickness="1.6" tolPlus="0"'
        f' tolMinus="0">{"".join(rows)}</StackupGroup>'
    )


def stackup(*groups: str, thickness: float = 1.6, name: str = "STACK") -> str:
    return (
        f'<Stackup name="{name}" overallThickness="{thickness}" tolPlus="0" tolMinus="0"'
        f' whereMeasured="METAL" stackupStatus="PROPOSED">{"".join(groups)}</Stackup>'
    )


FOUR = ("IN1", "TOP", "IN2", "BOTTOM")
SIDES = {"TOP": "TOP", "BOTTOM": "BOTTOM"}


def four_layers(stack: str = "", order: tuple[str, ...] = FOUR, **more: object) -> File:
    layers = tuple(layer(name, side=SIDES.get(name, "INTERNAL")) for name in order)
    core = tuple(layer(name, "DIELCORE", "INTERNAL") for name in ("D1", "D2", "D3"))
    drawn = dict.fromkeys(order, DISC)
    return File(layers=(*layers, *core), stackup=stack, features=drawn, **more)  # type: ignore[arg-type]


def names(board: Board) -> list[str]:
    return [layer.name for layer in board.layers]


def test_without_a_stackup_sides_and_the_order_of_layers_count(tmp_path: Path) -> None:
    board = read(four_layers(), tmp_path)
    assert names(board) == ["TOP", "IN1", "IN2", "BOTTOM"]
    assert [layer.id for layer in board.layers] == ["L1", "L2", "L3", "L4"]
    assert [layer.side for layer in board.layers] == [TOP, INNER, INNER, BOTTOM]
    assert sentences(board) == []


FULL = (
    stack_layer("TOP", 0.035), stack_layer("D1", 0.2), stack_layer("IN2", 0.035), stack_layer("D2", 1.0),
    stack_layer("IN1", 0.035), stack_layer("D3", 0.25), stack_layer("BOTTOM", 0.035),
)  # fmt: skip


def test_the_stackup_orders_layers_and_gives_dielectrics(tmp_path: Path) -> None:
    board = read(four_layers(stackup(group("G", *FULL))), tmp_path)
    assert names(board) == ["TOP", "IN2", "IN1", "BOTTOM"]
    assert board.stackup.thickness == pytest.approx(1.6)
    assert board.stackup.dielectric == pytest.approx((0.2, 1.0, 0.25))


def test_sequence_numbers_count_before_the_order_in_the_file(tmp_path: Path) -> None:
    rows = (
        stack_layer("BOTTOM", 0.03, 4), stack_layer("TOP", 0.03, 1), stack_layer("IN1", 0.03, 2),
        stack_layer("IN2", 0.03, 3),
    )  # fmt: skip
    assert names(read(four_layers(stackup(group("G", *rows))), tmp_path)) == [
        "TOP",
        "IN1",
        "IN2",
        "BOTTOM",
    ]


def test_a_group_stands_for_its_layers(tmp_path: Path) -> None:
    """Prelaminated pairs: the outer group names the inner one in its place."""
    pair = group(
        "PAIR", stack_layer("IN2", 0.035), stack_layer("D2", 1.0), stack_layer("IN1", 0.035)
    )
    whole = group(
        "WHOLE", stack_layer("TOP", 0.035), stack_layer("D1", 0.2), stack_layer("PAIR", 1.07), stack_layer("D3", 0.25),
        stack_layer("BOTTOM", 0.035),
    )  # fmt: skip
    board = read(four_layers(stackup(pair, whole)), tmp_path)
    assert names(board) == ["TOP", "IN2", "IN1", "BOTTOM"]
    assert board.stackup.dielectric == pytest.approx((0.2, 1.0, 0.25))


def test_groups_that_name_each_other_are_a_doubt(tmp_path: Path) -> None:
    loop = stackup(
        group("A", stack_layer("B", 1), stack_layer("TOP", 0.03)),
        group("B", stack_layer("A", 1)),
        group("C", stack_layer("A", 1)),
    )
    board = read(four_layers(loop), tmp_path)
    assert "a stackup group in two places" in sentences(board)


def test_a_group_named_twice_is_a_doubt_and_does_not_multiply(tmp_path: Path) -> None:
    """Each of 40 groups names the next one ten times: 10^40 layers if taken by the letter."""
    groups = [group(f"G{i}", *[stack_layer(f"G{i + 1}", 1)] * 10) for i in range(40)]
    board = read(four_layers(stackup(*groups, group("G40", *FULL))), tmp_path)
    assert sentences(board) == ["a stackup group in two places (360 times)"]
    assert names(board) == ["TOP", "IN2", "IN1", "BOTTOM"]


def test_a_stackup_from_the_bottom_up_is_turned_over_and_told(tmp_path: Path) -> None:
    board = read(four_layers(stackup(group("G", *FULL[::-1]))), tmp_path)
    assert names(board) == ["TOP", "IN2", "IN1", "BOTTOM"]
    assert board.stackup.dielectric == pytest.approx((0.2, 1.0, 0.25))
    assert sentences(board) == ["a stackup that runs from bottom to top"]


def test_sides_that_contradict_the_stackup_are_a_doubt(tmp_path: Path) -> None:
    rows = (FULL[2], FULL[0], FULL[4], FULL[6])
    assert sentences(read(four_layers(stackup(group("G", *rows))), tmp_path)) == [
        "sides of copper layers contradict their order"
    ]


@pytest.mark.parametrize(
    "order", [("BOTTOM", "IN2", "IN1"), ("IN1", "BOTTOM", "IN2"), ("IN2", "IN1", "TOP")]
)
def test_a_face_that_is_not_outermost_is_a_doubt(order: tuple[str, ...], tmp_path: Path) -> None:
    """With one face alone, too: BOTTOM above others, or between them, TOP beneath them."""
    rows = [stack_layer(name, 0.035) for name in order]
    board = read(four_layers(stackup(group("G", *rows)), order), tmp_path)
    assert sentences(board) == ["sides of copper layers contradict their order"]


def test_copper_that_the_stackup_leaves_out_is_a_doubt(tmp_path: Path) -> None:
    board = read(four_layers(stackup(group("G", *FULL[:5]))), tmp_path)
    assert sentences(board) == ["copper layer BOTTOM is not in the stackup"]
    assert names(board) == ["TOP", "IN1", "IN2", "BOTTOM"]


def test_lengths_of_the_stackup_are_in_the_units_of_the_data(tmp_path: Path) -> None:
    rows = [stack_layer(name, 0.01) for name in ("TOP", "D1", "IN1", "D2", "IN2", "D3", "BOTTOM")]
    board = read(four_layers(stackup(group("G", *rows), thickness=0.063), units="INCH"), tmp_path)
    assert board.stackup.thickness == pytest.approx(1.6002)
    assert board.stackup.dielectric[1] == pytest.approx(0.01 * 25.4)


def test_hints_fill_in_what_the_data_leaves_out_and_nothing_else(tmp_path: Path) -> None:
    hints = Hints(thickness=2.0, dielectric=(0.1, 1.5, 0.1))
    assert read(four_layers(), tmp_path, hints).stackup.dielectric == (0.1, 1.5, 0.1)
    assert read(four_layers(), tmp_path, hints).stackup.thickness == 2.0
    told = read(four_layers(stackup(group("G", *FULL))), tmp_path, hints).stackup
    assert told.thickness == pytest.approx(1.6)
    assert told.dielectric == pytest.approx((0.2, 1.0, 0.25))


def test_dielectrics_thicker_than_the_board_are_a_doubt(tmp_path: Path) -> None:
    board = read(four_layers(stackup(group("G", *FULL), thickness=0.8)), tmp_path)
    assert sentences(board) == ["dielectrics thicker than the whole board"]


@pytest.mark.parametrize("where", ["stackup", "layer"])
def test_permittivity_comes_from_the_specification_of_the_dielectric(
    tmp_path: Path, where: str
) -> None:
    spec = (
        '<Spec name="FR"><Dielectric type="DIELECTRIC_CONSTANT"><Property'
        ' value="4.2"/></Dielectric></Spec>'
    )
    in_stack, in_layer = ("FR", "") if where == "stackup" else ("", '<SpecRef id="FR"/>')
    rows = (
        stack_layer("TOP", 0.035),
        stack_layer("D1", 1.5, spec=in_stack),
        stack_layer("BOTTOM", 0.035),
    )
    file = File(
        header=spec,
        layers=(
            layer("TOP"),
            layer("D1", "DIELCORE", "INTERNAL", inside=in_layer),
            layer("BOTTOM", side="BOTTOM"),
        ),
        stackup=stackup(group("G", *rows)),
        features={"TOP": DISC, "BOTTOM": DISC},
    )
    assert read(file, tmp_path).stackup.permittivity == pytest.approx((4.2,))


def test_layers_in_series_have_the_permittivity_of_the_stack(tmp_path: Path) -> None:
    """1 mm of 2 and 1 mm of 4: 2 / (1/2 + 1/4) = 8/3; common practice, no source."""
    spec = "".join(
        f'<Spec name="E{e}"><Dielectric type="DIELECTRIC_CONSTANT"><Property'
        f' value="{e}"/></Dielectric></Spec>'
        for e in (2, 4)
    )
    rows = (
        stack_layer("TOP", 0.035), stack_layer("D1", 1, spec="E2"), stack_layer("D2", 1, spec="E4"),
        stack_layer("BOTTOM", 0.035),
    )  # fmt: skip
    layers = (
        layer("TOP"),
        layer("D1", "DIELCORE"),
        layer("D2", "DIELPREG"),
        layer("BOTTOM", side="BOTTOM"),
    )
    file = File(
        header=spec,
        layers=layers,
        stackup=stackup(group("G", *rows), thickness=2.1),
        features={"TOP": DISC},
    )
    assert read(file, tmp_path).stackup.permittivity == pytest.approx((8 / 3,))


def test_several_stackups_without_a_choice_are_a_doubt_and_stackupref_chooses(
    tmp_path: Path,
) -> None:
    both = stackup(group("G", *FULL), name="ONE") + stackup(
        group("H", *FULL[:4], *FULL[4:]), thickness=1.7, name="TWO"
    )
    file = four_layers(both)
    assert sentences(read(file, tmp_path)) == ["several stackups"]
    chosen = file.text().replace('<Step name="board"', '<Step name="board" stackupRef="TWO"')
    board = read(chosen, tmp_path)
    assert sentences(board) == []
    assert board.stackup.thickness == pytest.approx(1.7)


@pytest.mark.parametrize("function", ["CONDUCTOR", "SIGNAL", "PLANE", "MIXED"])
def test_functions_that_are_copper(tmp_path: Path, function: str) -> None:
    board = read(File(layers=(layer("TOP", function),), features={"TOP": DISC}), tmp_path)
    assert len(board.copper) == 1
    assert sentences(board) == []


@pytest.mark.parametrize(
    "function",
    [
        "CONDUCTIVE_ADHESIVE",
        "CONDFOIL",
        "CONDFILM",
        "RESISTIVE",
        "COMPONENT_EMBEDDED",
        "SOLDERBUMP",
        "OTHER",
    ],
)
def test_functions_that_may_conduct_are_a_doubt_if_they_draw(tmp_path: Path, function: str) -> None:
    file = File(
        layers=(layer("TOP"), layer("X", function, "INTERNAL")), features={"TOP": DISC, "X": DISC}
    )
    assert sentences(read(file, tmp_path)) == [f"layer X has function {function}"]
    del file.features["X"]
    assert sentences(read(file, tmp_path)) == []


@pytest.mark.parametrize(
    "function", ["SILKSCREEN", "SOLDERMASK", "SOLDERPASTE", "ASSEMBLY", "DOCUMENT", "COMPONENT_TOP"]
)
def test_functions_without_copper_are_left_out(tmp_path: Path, function: str) -> None:
    board = read(
        File(layers=(layer("TOP"), layer("X", function)), features={"TOP": DISC, "X": DISC}),
        tmp_path,
    )
    assert len(board.copper) == 1
    assert sentences(board) == []


def test_features_on_a_layer_that_is_not_declared_are_a_doubt(tmp_path: Path) -> None:
    board = read(File(layers=(layer("TOP"),), features={"TOP": DISC, "GHOST": DISC}), tmp_path)
    assert sentences(board) == ["features on GHOST, which is not declared"]


def test_a_copper_layer_that_draws_nothing_is_a_doubt(tmp_path: Path) -> None:
    board = read(File(features={"TOP": DISC}), tmp_path)
    assert [d.what for d in board.doubts] == ["copper layer BOTTOM has no features"]


def test_a_copper_layer_whose_sets_are_empty_draws_nothing_either(tmp_path: Path) -> None:
    board = read(File(features={"TOP": DISC, "BOTTOM": one_set("")}), tmp_path)
    assert [d.what for d in board.doubts] == ["copper layer BOTTOM has no features"]


def test_layers_may_stand_behind_the_step_that_uses_them(tmp_path: Path) -> None:
    file = File(
        layers=(layer("TOP"), layer("SILK", "SILKSCREEN")), features={"TOP": DISC, "SILK": DISC}
    )
    late = (
        file.text()
        .replace("".join(file.layers), "")
        .replace("</CadData>", "".join(file.layers) + "</CadData>")
    )
    board = read(late, tmp_path)
    assert len(board.copper) == 1
    assert sentences(board) == []


def test_a_dielectric_without_a_thickness_leaves_the_gaps_unknown(tmp_path: Path) -> None:
    """No thickness is made up for it: what is not told is not known."""
    text = (
        four_layers(stackup(group("G", *FULL)))
        .text()
        .replace('layerOrGroupRef="D2" thickness="1.0"', 'layerOrGroupRef="D2"')
    )
    assert read(text, tmp_path).stackup.dielectric == ()


@pytest.mark.parametrize(
    ("function", "doubts"),
    [("SIGNAL", ["copper layer TOP has a profile of its own"]), ("SILKSCREEN", [])],
)
def test_a_copper_layer_with_a_profile_of_its_own_is_a_doubt(
    tmp_path: Path, function: str, doubts: list[str]
) -> None:
    other = layer("TOP") if function != "SIGNAL" else ""
    own = layer("TOP" if function == "SIGNAL" else "SILK", function, inside=SQUARE_BOARD)
    board = read(File(layers=tuple(filter(None, (other, own))), features={"TOP": DISC}), tmp_path)
    assert sentences(board) == doubts


def test_the_polarity_of_a_layer_without_copper_is_no_matter(tmp_path: Path) -> None:
    layers = (layer("TOP"), layer("SILK", "SILKSCREEN", polarity="BOTH"))
    assert sentences(read(File(layers=layers, features={"TOP": DISC}), tmp_path)) == []
    assert sentences(
        read(File(layers=(layer("TOP", polarity="BOTH"),), features={"TOP": DISC}), tmp_path)
    ) == ["layer TOP has polarity BOTH"]
