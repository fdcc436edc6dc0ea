"""The standard's own figures, each drawn as a board that the whole check measures in both formats.

References: IEC 60664-1 (2007), 6.2. How certain a figure is stands beside it: P read in public, M
from memory.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from checker.app.run import Options, check, load_rules
from checker.demo.gerber_writer import write_gerber
from checker.demo.ipc2581_writer import write_ipc2581
from checker.demo.sketch import Contour, Pour, Sketch, box
from checker.results.outcome import Outcome
from tests.boards import FIXTURES, TOLERANCE

EXAMPLES: dict[str, dict[str, Any]] = tomllib.loads(
    (FIXTURES / "published" / "examples.toml").read_text(encoding="utf-8")
)
ASKED = 12.0  # mm; of either distance, so that every length is found
FAR = 30.0  # mm; how far the boards reach beyond the conductors
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
insulation = "basic"
working_voltage = 100
clearance_voltage = 100
pollution_degree = 2
material_group = "IIIa"
table = "table.csv"
"""
TABLE = f"voltage,clearance,creepage,where,insulation\n100,{ASKED},{ASKED},outer,basic\n100,0.4,,through,basic\n"


def drawn(example: dict[str, Any]) -> Sketch:
    """An example as a board."""
    return over_metal(example) if "metal" in example else in_section(example)


def over_metal(example: dict[str, Any]) -> Sketch:
    """Two conductors on a bare face and floating metal between them."""
    low, high = example["metal"]
    apart = example["apart"]
    return Sketch(
        outline=box(-FAR, -FAR, apart + FAR, FAR),
        pours=(
            Pour(net="A", layer="L1", contour=box(-9, -4, 0, 4)),
            Pour(net="", layer="L1", contour=box(low, -4, high, 4), function="CopperBalancing"),
            Pour(net="B", layer="L1", contour=box(apart, -4, apart + 9, 4)),
            far_below(-FAR),
        ),
    )


def in_section(example: dict[str, Any]) -> Sketch:
    """A section as a board. The tips of the conductors end the flats; at the mouth the board rises
    to hold them.
    """
    notch = [tuple(point) for point in example["notch"]]
    flat, rise = example["flat"], 0.0 if example["flat"] else 1.0
    left, right = notch[0][0] - flat, notch[-1][0] + flat
    up, high = rise * 2 * FAR, 14 * (2 * rise - 1)
    edge: Contour = (
        (left - FAR, up),
        *notch,
        (right + FAR, up),
        (right + FAR, -FAR),
        (left - FAR, -FAR),
    )
    return Sketch(
        outline=edge,
        pours=(
            Pour(net="A", layer="L1", contour=((left, 0.0), (left - 14, high), (left - 14, 0.0))),
            Pour(
                net="B", layer="L1", contour=((right, 0.0), (right + 14, high), (right + 14, 0.0))
            ),
            far_below(left - FAR),
        ),
    )


def far_below(left: float) -> Pour:
    """Copper in a corner of the bottom, too far away to matter: a layer without any would be a
    doubt.
    """
    return Pour(net="A", layer="L2", contour=box(left + 1, -FAR + 1, left + 3, -FAR + 3))


def checked(sketch: Sketch, form: str, folder: Path) -> Outcome:
    """The outcome of the whole check on the files of a board."""
    (folder / "table.csv").write_text(TABLE, encoding="utf-8")
    (folder / "rules.toml").write_text(RULES, encoding="utf-8")
    board = folder / ("board" if form == "gerber" else "board.xml")
    if form == "gerber":
        write_gerber(sketch, board)
    else:
        write_ipc2581(sketch, board)
    return check(board, load_rules(folder / "rules.toml"), Options()).outcome


@pytest.mark.parametrize("form", ["gerber", "ipc2581"])
@pytest.mark.parametrize("name", EXAMPLES)
def test_each_example_measures_what_its_derivation_says(
    name: str, form: str, tmp_path: Path
) -> None:
    """Both distances, each told once since far more is asked for, and no doubt."""
    example = EXAMPLES[name]
    outcome = checked(drawn(example), form, tmp_path)
    assert outcome.doubts == ()
    assert outcome.verdict == "fail"
    for rule in ("clearance", "creepage"):
        lengths = [finding.measured for finding in outcome.findings if finding.rule == rule]
        assert lengths == [pytest.approx(example[rule], abs=TOLERANCE)], rule


def test_where_a_board_shows_something_else_than_the_figure_it_is_never_more() -> None:
    others = [e for e in EXAMPLES.values() if "standard" in e]
    assert others
    assert all(e[rule] <= e["standard"][rule] for e in others for rule in ("clearance", "creepage"))
