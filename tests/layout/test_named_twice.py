"""Two names of the rules on one piece of copper: a finding between the sides of a barrier, else a
doubt.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from checker.app import run
from checker.demo.gerber_writer import write_gerber
from tests.parsers.assembly.test_named_places import BRIDGE, NAMELESS

RULES = """schema = 1
[region.a]
reference = ["GND"]
nets = ["*"]
[region.b]
reference = ["HV"]
[net.GND]
at = [[14, 5, "L2"]]
[net.HV]
at = [[30, 10, "L1"]]
"""
BARRIER = '[[barrier]]\nbetween = ["a", "b"]\ninsulation = "none"\n'
TIE = '[[tie]]\nbetween = ["a", "b"]\n'


@pytest.mark.parametrize(
    ("more", "doubted", "bridged"), [("", True, False), (BARRIER, False, True), (TIE, False, False)]
)
def test_two_names_on_one_copper(more: str, doubted: bool, bridged: bool, tmp_path: Path) -> None:
    """The strip joins both pours: with a barrier a galvanic bridge, with a tie the one connection,
    else a doubt.
    """
    write_gerber(NAMELESS.with_(draws=(BRIDGE,)), tmp_path / "board")
    (tmp_path / "rules.toml").write_text(RULES + more)
    found = run.check(
        tmp_path / "board", run.load_rules(tmp_path / "rules.toml"), run.Options()
    ).outcome
    told = [stated.doubt.what for stated in found.doubts]
    assert ("net.GND and net.HV name one piece of copper" in told) == doubted
    assert ("galvanic-bridge" in {finding.rule for finding in found.findings}) == bridged
