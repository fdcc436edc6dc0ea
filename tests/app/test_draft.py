"""A drafted rules file runs as it is and, on the demo boards, says what the hand-written one says."""

from __future__ import annotations

from pathlib import Path

import pytest

from checker import demo
from checker.app.draft import draft
from checker.config.rules_file import Rules, parse_rules
from checker.layout.layout import Layout
from parsers import read_board
from parsers.board import Board, empty_board
from tests.boards import built_directly, case
from tests.boards import layout_of as layout_of_text

SOUND = [name for name in demo.boards() if not name.endswith("-faulty")]


@pytest.fixture(scope="module", params=SOUND)
def both(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Layout, Layout]:
    """A demo board under its hand-written and under its drafted rules."""
    written = demo.write(request.param, tmp_path_factory.mktemp(request.param))
    board = read_board(written.board)
    return layout_of_text(board, written.rules.read_text()), layout_of_text(board, draft(board))


def by_reference(layout: Layout) -> dict[str, frozenset[str]]:
    """Region names replaced by what they refer to: reference net -> claimed nets that are no carriers."""
    names = [net.name for net in layout.board.nets]
    out = {}
    for region in layout.regions:
        own = {names[n] for n in region.nets - region.reference - region.planes if layout.region_of_net[n] >= 0}
        out["+".join(sorted(names[n] for n in region.reference))] = frozenset(own)
    return out


def test_regions_and_their_nets_are_those_of_the_hand_written_rules(both: tuple[Layout, Layout]) -> None:
    hand, drafted = (by_reference(layout) for layout in both)
    assert drafted.keys() == hand.keys()
    shared = {n for layout in both for tie in layout.rules.ties for n in names_matching(layout, tie.nets)}
    assert {k: v - shared for k, v in drafted.items()} == {k: v - shared for k, v in hand.items()}


def names_matching(layout: Layout, patterns: tuple[str, ...]) -> list[str]:
    return [layout.board.nets[net].name for net in layout.matching(patterns)]


def test_isolators_and_planes_are_those_of_the_hand_written_rules(both: tuple[Layout, Layout]) -> None:
    hand, drafted = both
    assert isolators(drafted.rules) == isolators(hand.rules)
    assert planes(drafted) == planes(hand)


def isolators(rules: Rules) -> set[str]:
    return {refdes for barrier in rules.barriers for refdes in barrier.isolators}


def planes(layout: Layout) -> set[str]:
    return {layout.board.nets[n].name for region in layout.regions for n in region.planes}


def test_every_guess_is_marked(both: tuple[Layout, Layout]) -> None:
    text = draft(both[0].board)
    for key in ("nets =", "quiet =", "isolators =", "planes ="):
        for block in text.split("\n\n"):
            if f"\n{key}" in block and "[nets]" not in block:
                assert "# guess" in block.split(f"\n{key}", 1)[1]


@pytest.mark.parametrize("board", [empty_board(), empty_board(layers=4)], ids=["two layers", "four layers"])
def test_a_board_without_nets_gives_a_file_that_can_be_read(board: Board) -> None:
    assert parse_rules(draft(board), "rules.toml", {}).regions


def test_names_that_look_like_patterns_are_taken_literally() -> None:
    pours = [{"net": "GND[1]", "layer": "L2", "box": [0, 0, 20, 20]}]
    made = case("b", {"because": "", "expect": [], "pours": pours, "draws": []})
    rules = parse_rules(draft(built_directly(made.sketch)), "rules.toml", {})
    assert rules.regions[0].reference == ("GND[[]1]",)


def test_a_draft_is_the_same_every_time(tmp_path: Path) -> None:
    board = read_board(demo.write("greenhouse", tmp_path).board)
    assert draft(board) == draft(board)
