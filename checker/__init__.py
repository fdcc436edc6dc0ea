"""moatcheck: proves on fabrication data that a board's split reference copper does its work.

For other programs, a board in and an outcome out, nothing printed and nothing written:

    from checker import check, read_board, read_rules

    rules = read_rules(Path("rules.toml"))
    board = read_board(Path("fab"), rules)
    outcome = check(board, rules)

An `Outcome` holds verdict, findings, doubts and remarks as plain values. What cannot be used raises
`InputError`, one line that names place, fault and remedy.
"""

from __future__ import annotations

# as `typing` has it; the package itself loads nothing, so that a command can begin at once
TYPE_CHECKING = False
if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from checker.config.rules_file import Rules
    from checker.results.outcome import Outcome
    from parsers.board import Board

__all__ = ["check", "read_board", "read_rules"]


def read_rules(path: Path) -> Rules:
    """Read a rules file.

    Raises
    ------
    InputError : the file, a key or a value in it cannot be used
    """
    from pathlib import Path  # noqa: PLC0415 - importing the package loads nothing

    from checker.app.rules import load_rules  # noqa: PLC0415 - as above

    return load_rules(Path(path))


def read_board(path: Path, rules: Rules | None = None, *, jobs: int = 1) -> Board:
    """Read a folder, an archive, a job file or an IPC-2581 file.

    Parameters
    ----------
    rules : what the data does not say (layers of files, stackup, names of nameless copper) is taken
        from them
    jobs : layers that may be read at a time; the board is the same

    Raises
    ------
    InputError : nothing useful can be read; every lesser trouble is a doubt of the board
    """
    from pathlib import Path  # noqa: PLC0415 - as above

    from checker.app import run  # noqa: PLC0415 - as above
    from parsers import read_board as read  # noqa: PLC0415

    return read(Path(path), run.hints_of(rules) if rules is not None else None, jobs)


def check(
    board: Board, rules: Rules, *, fail_on: str = "error", today: date | None = None, jobs: int = 1
) -> Outcome:
    """Hold a board against a rules file.

    Parameters
    ----------
    fail_on : least level that fails the check: error, warning or note
    today : day for waivers; None: the clock
    jobs : rules that may run at a time; the outcome is the same

    Raises
    ------
    InputError : a spacing table cannot be used
    """
    from checker.app import run  # noqa: PLC0415 - as above
    from checker.findings import Level  # noqa: PLC0415

    options = run.Options(fail_on=Level[fail_on.upper()], today=today, jobs=jobs)
    return run.check_board(board, rules, options).outcome
