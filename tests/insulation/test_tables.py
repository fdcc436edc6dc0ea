"""A spacing table lies in the rules file's folder, and no error prints what a file holds."""

from __future__ import annotations

from pathlib import Path

import pytest

from checker.app.run import load_rules
from checker.config.rules_file import RulesFileError
from checker.config.spacing_table import TableError
from checker.demo.sketch import Pad, Sketch, box
from checker.insulation.requirements import bind
from tests.boards import built_directly, layout_of

RULES = """
schema = 1
[region.a]
reference = ["A"]
[region.b]
reference = ["B"]
[[barrier]]
between = ["a", "b"]
working_voltage = 100
table = "{table}"
"""
SECRET = "hunter2"
BOARD = Sketch(
    outline=box(0, 0, 20, 10),
    pads=tuple(
        Pad(net=net, layer="L1", at=(x, 5.0), size=(2.0, 2.0))
        for net, x in (("A", 5.0), ("B", 15.0))
    ),
)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A folder for rules, beside a file that is none of the rules' business."""
    (tmp_path / "other.csv").write_text("voltage,clearance\n100,1\n", encoding="utf-8")
    (tmp_path / "rules").mkdir()
    return tmp_path / "rules"


@pytest.mark.parametrize("table", ["/etc/hosts", "../other.csv", "sub/../../other.csv"])
def test_a_table_outside_of_the_folder_is_refused(home: Path, table: str) -> None:
    (home / "rules.toml").write_text(RULES.format(table=table), encoding="utf-8")
    with pytest.raises(RulesFileError, match="lies outside the rules file's folder"):
        load_rules(home / "rules.toml")


def test_nor_does_a_link_lead_out_of_it(home: Path) -> None:
    (home / "table.csv").symlink_to(home.parent / "other.csv")
    with pytest.raises(TableError, match="lies outside the rules file's folder"):
        bind(layout_of(built_directly(BOARD), RULES.format(table="table.csv"), home))


@pytest.mark.parametrize(
    "text",
    [
        f"{SECRET}:x:0:0\n",
        f"voltage,{SECRET}\n100,1\n",
        f"voltage,clearance\n{SECRET},1\n",
        f"voltage,clearance\n100,{SECRET}\n",
        f"voltage,clearance,where\n100,1,{SECRET}\n",
        f"voltage,clearance,insulation\n100,1,{SECRET}\n",
        f"voltage,clearance,pollution_degree\n100,1,{SECRET}\n",
        f"voltage,clearance,material_group\n100,1,{SECRET}\n",
        f"voltage,clearance\n100,1,{SECRET}\n",
        f'voltage,clearance\n"100\n{SECRET}',
    ],
)
def test_an_error_tells_a_place_and_nothing_of_what_stands_there(home: Path, text: str) -> None:
    (home / "table.csv").write_text(text, encoding="utf-8")
    with pytest.raises(TableError) as told:
        bind(layout_of(built_directly(BOARD), RULES.format(table="table.csv"), home))
    assert "table.csv:" in str(told.value)
    assert SECRET not in str(told.value)
    assert "\n" not in str(told.value)
