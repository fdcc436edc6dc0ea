"""A draft says what an engineer would have written, never more than the data can know, and keeps
what a hand wrote.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from checker import demo
from checker.app.draft import amended, draft
from checker.app.run import Options, check, check_board, load_rules
from checker.config.rules_file import Rules, parse_rules
from checker.demo.gerber_writer import write_gerber
from checker.demo.sketch import Draw, Pour, Sketch, box, via
from checker.layout.layout import Layout
from checker.rules import known_limits
from parsers import read_board
from parsers.board import Board, empty_board
from tests.app.circuits import CIRCUITS, Circuit
from tests.boards import built_directly, cases, layout_of, through_gerber, through_ipc2581

SHARED = Path(__file__).resolve().parents[3] / "shared" / "boards"
SOUND = [name for name in demo.boards() if not name.endswith("-faulty")]
MOST = 5  # lines that a draft may miss


# --------------------------------------------------------------------------- against a hand's rules


def lines(layout: Layout) -> dict[object, object]:
    """The lines of a rules file by what they speak of: regions told by their nets, patterns by what
    they match.

    Voltages, tables and what only the two together decide are left out.
    """
    board, rules = layout.board, layout.rules
    tag = {region.spec.name: _tag(layout, region.spec.name) for region in layout.regions}
    out: dict[object, object] = {"draft": rules.draft}
    for region in layout.regions:
        own = frozenset(region.nets - region.reference - region.planes)
        here = tag[region.spec.name]
        out["nets", here] = (
            "*" if "*" in region.spec.nets else frozenset(board.nets[net].name for net in own)
        )
        out["planes", here] = frozenset(board.nets[net].name for net in region.planes)
        out["quiet", here] = region.spec.quiet
    for barrier in rules.barriers:
        out["between", frozenset(barrier.isolators)] = frozenset(
            frozenset(tag[name] for name in side) for side in barrier.between
        )
        sides = frozenset(barrier.isolators)
        for key in ("straddling", "earthed"):
            out[key, sides] = frozenset(getattr(barrier, key))
        side = None if barrier.hazardous is None else barrier.between[barrier.hazardous]
        out["hazardous", sides] = None if side is None else frozenset(tag[name] for name in side)
    for tie in rules.ties:
        pair = frozenset(tag[name] for name in tie.between)
        out["at", pair], out["shared", pair] = tie.at, frozenset(layout.matching(tie.nets).tolist())
    for key in ("stitching", "noisy", "slow", "pairs"):
        out[key] = frozenset(getattr(rules.nets, key))
    return out


def _tag(layout: Layout, name: str) -> object:
    region = next(region for region in layout.regions if region.spec.name == name)
    return frozenset(layout.board.nets[net].name for net in region.reference) or "bare"


def missed(board: Board, hand: str) -> list[str]:
    """Lines in which a draft of a board and a hand-written file differ."""
    ours, theirs = lines(layout_of(board, draft(board))), lines(layout_of(board, hand))
    keys = [key for key in ours.keys() | theirs.keys() if _differ(ours, theirs, key)]
    return [f"{key}: {ours.get(key)} / {theirs.get(key)}" for key in keys]


def _differ(ours: dict[object, object], theirs: dict[object, object], key: object) -> bool:
    a, b = ours.get(key), theirs.get(key)
    return a != b and bool(a or b)


def header(rules: str) -> str:
    return f'schema = 1\ntitle = "by hand"\n{rules}'


def test_the_measure_counts_each_line_that_differs() -> None:
    board = built_directly(CIRCUITS["battery"].draw())
    assert missed(board, draft(board)) == []
    assert (
        len(missed(board, header('[region.a]\nreference = ["GND"]\nnets = []\nquiet = true\n')))
        == 3
    )


@pytest.mark.parametrize("way", [built_directly, through_gerber, through_ipc2581])
@pytest.mark.parametrize("circuit", CIRCUITS.values(), ids=CIRCUITS)
def test_a_draft_says_what_a_hand_would(
    circuit: Circuit, way: Callable[[Sketch, Path], Board], tmp_path: Path
) -> None:
    board = way(circuit.draw(), tmp_path)
    found = missed(board, header(circuit.rules))
    assert len(found) <= circuit.lines <= MOST, "\n".join(found)
    comments = [line for line in draft(board).splitlines() if line.startswith("# ")]
    assert all(
        any(re.search(rf"\b{re.escape(name)}\b.*\?", line) for line in comments)
        for name in circuit.asked
    )


@pytest.mark.parametrize("name", SOUND)
def test_on_a_demo_board_few_lines_are_missed(name: str, tmp_path: Path) -> None:
    written = demo.write(name, tmp_path)
    found = missed(read_board(written.board), written.rules.read_text())
    assert len(found) <= MOST, "\n".join(found)


@pytest.mark.needs("boards")
@pytest.mark.parametrize(
    "name", ["x2-2-layer-mains", "x2-2-layer-two-grounds", "x2-4-layer-two-grounds"]
)
def test_on_a_real_board_few_lines_are_missed(name: str) -> None:
    board = read_board(SHARED / name / "board")
    found = missed(board, (SHARED / name / "rules.toml").read_text())
    assert len(found) <= MOST, "\n".join(found)


# --------------------------------------------------------------------------------------- part names


def renamed(board: Board, name: Callable[[str, int], str]) -> tuple[Board, dict[str, str]]:
    """The board with other part names, and the old name of each new one."""
    new = {part: name(part, number) for number, part in enumerate(board.refdes)}
    components = tuple(replace(part, refdes=new[part.refdes]) for part in board.components)
    named = replace(board, refdes=tuple(new[part] for part in board.refdes), components=components)
    return named, {other: part for part, other in new.items()}


def told(board: Board, names: dict[str, str]) -> dict[object, object]:
    """The lines of a draft, parts under their old names."""

    def old(value: object) -> object:
        if isinstance(value, frozenset):
            return frozenset(map(old, value))
        if isinstance(value, tuple):
            return tuple(map(old, value))
        return names.get(value, value) if isinstance(value, str) else value

    return {old(key): old(value) for key, value in lines(layout_of(board, draft(board))).items()}


@pytest.mark.parametrize("circuit", CIRCUITS.values(), ids=CIRCUITS)
def test_another_number_changes_nothing_but_names(circuit: Circuit) -> None:
    board = built_directly(circuit.draw())
    other, names = renamed(board, lambda part, n: f"{re.sub(r'[^A-Z]', '', part)}{900 - 7 * n}")
    assert told(other, names) == told(board, {})


@pytest.mark.parametrize("name", CIRCUITS)
def test_what_parts_are_is_told_by_copper_and_netlist_not_by_their_designators(name: str) -> None:
    board = built_directly(CIRCUITS[name].draw())
    plugs = re.compile(r"[JX]")  # a connector is known by its designator, or by its pins' names
    other, names = renamed(board, lambda part, n: f"{'J' if plugs.match(part) else 'ZQ'}{n}")
    assert told(other, names) == told(board, {})


# ------------------------------------------------------------------------------- never a false pass


@pytest.mark.parametrize("circuit", CIRCUITS.values(), ids=CIRCUITS)
def test_a_draft_that_nobody_edited_is_incomplete_and_says_where(circuit: Circuit) -> None:
    text = draft(built_directly(circuit.draw()))
    outcome = check_board(built_directly(circuit.draw()), rules_of(text), Options()).outcome
    assert outcome.verdict == "incomplete"
    named = {
        str(doubt.doubt.place.element) for doubt in outcome.doubts if doubt.doubt.place is not None
    }
    assert "draft" in named
    # states neither voltage nor insulation
    assert {f"barrier[{n}]" for n in range(text.count("[[barrier]]"))} <= named


@pytest.mark.parametrize("circuit", CIRCUITS.values(), ids=CIRCUITS)
def test_a_draft_states_no_voltage_and_no_insulation(circuit: Circuit) -> None:
    rules = rules_of(draft(built_directly(circuit.draw())))
    assert all(barrier.insulation.working_voltage is None for barrier in rules.barriers)
    assert all(barrier.insulation.clearance_voltage is None for barrier in rules.barriers)
    assert all("insulation" in barrier.insulation.assumed for barrier in rules.barriers)


def parsed(text: str) -> Rules:
    return parse_rules(
        text, "rules.toml", {name: limit.default for name, limit in known_limits().items()}
    )


def rules_of(text: str) -> Rules:
    return layout_of(built_directly(CIRCUITS["battery"].draw()), text).rules


# -------------------------------------------------------------------------------- without net names


def nameless(pours: tuple[Pour, ...], *, layers: int = 2) -> Board:
    lands, hole = via("", (10, 10), layers)
    pads = tuple(replace(land, net=None) for land in lands)
    sketch = Sketch(
        outline=box(0, 0, 60, 30),
        layers=layers,
        pours=pours,
        pads=pads,
        holes=(replace(hole, net=None),),
    )
    return built_directly(sketch)


def area(layer: str, *edges: float) -> Pour:
    return Pour(net=None, layer=layer, contour=box(*edges))


def test_without_names_the_largest_pieces_of_copper_become_regions_by_place(tmp_path: Path) -> None:
    left, right = (area("L2", 1, 1, 28, 29), area("L2", 32, 1, 59, 29))
    # the via joins the left one with the copper above it
    board = nameless((left, right, area("L1", 5, 5, 20, 20)))
    rules = parse_rules(draft(board), "rules.toml", {})
    assert [region.reference for region in rules.regions] == [("PIECE_1",), ("PIECE_2",)]
    assert {place[2] for net in rules.named_nets for place in net.at} == {"L2"}
    first, second = (net.at[0] for net in rules.named_nets)
    assert first[0] < 28
    assert second[0] > 32


def test_without_names_a_piece_over_another_is_its_supply_plane() -> None:
    board = nameless((area("L2", 1, 1, 59, 29), area("L3", 20, 2, 58, 28)), layers=4)
    rules = parse_rules(draft(board), "rules.toml", {})
    assert [(r.reference, r.planes) for r in rules.regions] == [(("PIECE_1",), ("PIECE_2",))]


def test_without_names_a_draft_names_the_copper_that_it_means(tmp_path: Path) -> None:
    pours = (area("L2", 1, 1, 28, 29), area("L2", 32, 1, 59, 29))
    write_gerber(Sketch(outline=box(0, 0, 60, 30), layers=2, pours=pours), tmp_path / "board")
    rules = tmp_path / "rules.toml"
    rules.write_text(draft(read_board(tmp_path / "board")))
    outcome = check(tmp_path / "board", load_rules(rules), Options()).outcome
    assert [row.pours[0][1] for row in outcome.regions] == [1, 1]
    assert not [doubt for doubt in outcome.doubts if "PIECE" in doubt.doubt.what]
    assert outcome.verdict == "incomplete"


@pytest.mark.parametrize(
    "board", [empty_board(), empty_board(layers=4)], ids=["two layers", "four layers"]
)
def test_a_board_without_copper_gives_a_file_that_can_be_read(board: Board) -> None:
    assert parse_rules(draft(board), "rules.toml", {}).regions


# -------------------------------------------------------------------------------------------- names


@pytest.mark.parametrize(
    "name", ["GND[1]", "GND*", "GND?\\x", 'GND"x', "GND\n[region.x]", "GND\x1b[31m", "GND\u202e"]
)
def test_a_net_is_taken_literally_whatever_its_name(name: str) -> None:
    pours = (Pour(net=name, layer="L2", contour=box(0, 0, 20, 20)),)
    draws = tuple(
        Draw(net=net, layer="L1", width=0.2, points=((2, 2), (9, 2))) for net in ("A", name)
    )
    board = built_directly(Sketch(outline=box(-2, -2, 22, 22), pours=pours, draws=draws))
    text = draft(board)
    layout = layout_of(board, text)
    assert [board.nets[net].name for net in layout.regions[0].reference] == [name]
    assert all(line.isprintable() for line in text.splitlines())
    assert len(layout.regions) == 1


def test_a_draft_is_the_same_every_time_and_for_every_order_of_parts() -> None:
    board = built_directly(CIRCUITS["mains supply"].draw())
    turned = replace(board, components=board.components[::-1])
    assert draft(board) == draft(board) == draft(turned)


@pytest.mark.parametrize("rule", ["galvanic_bridge", "gap_narrow", "region_escape"])
def test_every_board_gets_a_draft_that_can_be_read_and_laid_over_other_rules(rule: str) -> None:
    """Boards of a few objects each, many without a ground or a part; their rules are written in one
    line.
    """
    for case in cases(rule):
        board = built_directly(case.sketch)
        text = draft(board)
        assert layout_of(board, text).rules.draft, case
        assert amended(board, text) == text, case
        assert layout_of(board, amended(board, case.rules), case.folder).regions, case


# -------------------------------------------------------------------------------- what a hand wrote

HAND = """\
# by hand, in tabs
schema = 1
title\t=   "mine"   # a title
[region.mains]
reference = []
nets = [ "AC_*", 'HV_*', # rectified
   "GATE", "DRAIN", "AUX" ]
[region.low]
reference=["GND"]
nets=["*"]
[[barrier]]
between = ["mains", "low"]
isolators = ["T1"]  # OK1 is functional only
working_voltage = 230
"""


def test_what_a_hand_wrote_stays_to_the_letter_and_only_what_is_new_is_added() -> None:
    text = amended(built_directly(CIRCUITS["mains supply"].draw()), HAND)
    kept = [line for line in HAND.splitlines() if line in text.splitlines()]
    assert [line for line in HAND.splitlines() if line not in kept] == [
        '   "GATE", "DRAIN", "AUX" ]'
    ]
    rules = parse_rules(text, "rules.toml", {})
    assert [region.name for region in rules.regions] == ["mains", "low", "earth"]
    assert rules.regions[0].nets == ("AC_*", "HV_*", "GATE", "DRAIN", "AUX", "FB")
    assert rules.barriers[0].isolators == ("T1",)  # the file speaks of OK1, so a hand has seen it
    assert "OK1 is functional only" in text


def test_a_file_to_which_something_was_added_is_a_draft_again_and_says_of_what() -> None:
    """An added isolator takes findings away: nobody has said yes to it."""
    text = amended(built_directly(CIRCUITS["mains supply"].draw()), HAND)
    (line,) = [line for line in text.splitlines() if line.startswith("draft = true")]
    assert line.startswith("draft = true # added: nets FB of region mains; region earth. ")
    assert parse_rules(text, "rules.toml", {}).draft
    assert amended(built_directly(CIRCUITS["mains supply"].draw()), text) == text
    answered = text.replace(f"{line}\n", "")
    assert amended(built_directly(CIRCUITS["mains supply"].draw()), answered) == answered


def test_no_region_is_called_main_beside_mains() -> None:
    rules = rules_of(draft(built_directly(CIRCUITS["mains supply"].draw())))
    assert [region.name for region in rules.regions] == ["low", "mains", "earth"]
    rules = rules_of(draft(built_directly(CIRCUITS["battery"].draw())))
    assert [region.name for region in rules.regions] == ["main"]


def test_an_isolator_that_the_file_names_nowhere_is_added() -> None:
    text = amended(
        built_directly(CIRCUITS["mains supply"].draw()),
        HAND.replace("  # OK1 is functional only", ""),
    )
    assert parse_rules(text, "rules.toml", {}).barriers[0].isolators == ("T1", "OK1")
    assert "isolators OK1 of a barrier" in text


def test_a_net_called_after_a_pin_does_not_name_its_part() -> None:
    hand = HAND.replace("  # OK1 is functional only", "").replace(
        '"AUX"', '"AUX", "Net-(OK1-Pad1)"'
    )
    text = amended(built_directly(CIRCUITS["mains supply"].draw()), hand)
    assert parse_rules(text, "rules.toml", {}).barriers[0].isolators == ("T1", "OK1")


@pytest.mark.parametrize("circuit", CIRCUITS.values(), ids=CIRCUITS)
def test_a_draft_laid_over_itself_changes_nothing(circuit: Circuit) -> None:
    board = built_directly(circuit.draw())
    assert amended(board, draft(board)) == draft(board)


@pytest.mark.parametrize("name", SOUND)
def test_a_draft_laid_over_the_rules_of_a_demo_board_keeps_every_line(
    name: str, tmp_path: Path
) -> None:
    written = demo.write(name, tmp_path)
    hand = written.rules.read_text()
    text = amended(read_board(written.board), hand)
    gone = [line for line in hand.splitlines() if line not in text.splitlines()]
    assert all(line.startswith("nets = [") for line in gone)
    assert parsed(text).barriers == parsed(hand).barriers
