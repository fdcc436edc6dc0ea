"""The Python interface, as an engineer would use it in a notebook: read, check, look at what was
found.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from checker import check, read_board, read_rules
from checker.demo import write
from parsers.trouble import InputError


def test_a_board_goes_in_and_an_outcome_comes_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    demo = write("mains-barrier-faulty", tmp_path)

    rules = read_rules(demo.rules)
    board = read_board(demo.board, rules)
    outcome = check(board, rules, today=date(2026, 11, 30))

    assert outcome.verdict == "fail"
    too_close = [finding for finding in outcome.findings if finding.rule == "clearance"]
    assert all((finding.measured or 0) < (finding.required or 0) for finding in too_close)
    assert "a qualified person" in outcome.caution

    # another table of requirements on the board that is read already
    again = check(board, rules, fail_on="note", today=date(2026, 11, 30), jobs=2)
    assert again.findings == outcome.findings

    # the same board in the other format
    other = check(read_board(demo.ipc2581[0], rules), rules, today=date(2026, 11, 30))
    assert [finding.id for finding in other.findings] == [
        finding.id for finding in outcome.findings
    ]

    assert capsys.readouterr() == ("", "")


def test_what_cannot_be_used_is_one_error_with_a_place(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere"):
        read_board(tmp_path / "nowhere")
    (tmp_path / "rules.toml").write_text("schema = 1\nregoin = 1\n")
    with pytest.raises(InputError, match=r"rules.toml:2"):
        read_rules(tmp_path / "rules.toml")
