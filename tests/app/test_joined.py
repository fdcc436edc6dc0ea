"""What if the moat were filled: the joined board is the board that was drawn without it."""

from __future__ import annotations

from pathlib import Path

import pytest
import shapely

from checker.app import run
from checker.app.joined import join
from checker.demo import boards, write
from checker.layout.layout import Layout
from checker.returns.quiet_inputs import currents_of
from parsers.trouble import InputError
from tests.boards import built_directly


def layout(name: str, folder: Path) -> Layout:
    return Layout(built_directly(boards()[name].draw()), run.load_rules(write(name, folder).rules))


def test_the_filled_moat_is_the_unbroken_plane(tmp_path: Path) -> None:
    """The same parts on a plane without a moat are another demo board; 1 % for the gap at the
    moat's outer ends.
    """
    split, whole = layout("battery-moat", tmp_path), layout("battery-probe-faulty", tmp_path)
    joined = Layout(*join(split, ("board", "probe")))
    (filled,), (drawn,) = joined.once(currents_of).answers, whole.once(currents_of).answers
    assert filled.volts == pytest.approx(drawn.volts, rel=0.01)
    assert filled.dc > 100 * split.once(currents_of).answers[0].dc
    assert [region.name for region in joined.regions] == ["board"]


def test_the_filling_keeps_clear_of_other_copper(tmp_path: Path) -> None:
    board, _ = join(layout("greenhouse", tmp_path), ("logic", "probe"))
    copper = board.copper
    new = range(len(layout("greenhouse", tmp_path).board.copper), len(copper))
    assert len(new) > 0
    for row in new:
        others = (copper.layer == copper.layer[row]) & (copper.net != copper.net[row])
        near = shapely.distance(
            copper.areas[copper.area[row]], copper.shapes(others.nonzero()[0])
        ).min()
        assert near > 0.19  # 0.2 mm, common practice, no source


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        (("board", "prob"), 'there is no region "prob"; did you mean "probe"?'),
        (("board", "board"), "two different regions"),
    ],
)
def test_mistakes_are_told_in_a_line(pair: tuple[str, str], said: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=said.replace("?", r"\?")):
        join(layout("battery-moat", tmp_path), pair)


def test_regions_without_a_common_layer_have_no_moat(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no pours on a common layer"):
        join(layout("mains-barrier", tmp_path), ("mains", "low_voltage"))


def test_the_report_sets_three_layouts_side_by_side(tmp_path: Path) -> None:
    split = layout("battery-moat", tmp_path)
    outcome = run.check_board(
        split.board, split.rules, run.Options(join=("board", "probe"))
    ).outcome
    (finding,) = outcome.findings
    compared = finding.detail["what_if"]
    assert compared["regions"] == ["board", "probe"]
    assert compared["joined_uv"] > 100 * finding.detail["dc_uv"]
    assert compared["isolated_pf"] == pytest.approx(4.15, abs=0.5)
    assert outcome.verdict == "pass"  # that of the board as it is
