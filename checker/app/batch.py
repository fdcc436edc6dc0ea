"""Many boards in one run: each checked on its own, one bad board does not stop the rest."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from checker.app import output, run
from checker.config.rules_file import Rules
from parsers.trouble import InputError


@dataclass(frozen=True, slots=True)
class Summary:
    """What became of one board."""

    name: str
    verdict: str  # pass | fail | incomplete | unreadable
    code: int
    counts: str
    error: str = ""


def folder_names(boards: Sequence[Path]) -> list[str]:
    """A folder name for each board: its own, with that of the folder above it where several boards share one.

    What still repeats is numbered.
    """
    stems = [_stem(board) for board in boards]
    names: list[str] = []
    for board, stem in zip(boards, stems, strict=True):
        above = board.resolve().parent.name
        base = f"{above}-{stem}" if stems.count(stem) > 1 and above else stem
        name, number = base, 2
        while name in names:
            name, number = f"{base}-{number}", number + 1
        names.append(name)
    return names


def _stem(board: Path) -> str:
    """The name of a board's folder or file, without the endings of a file."""
    stem = board.resolve().name.removesuffix(".gz").removesuffix(".tar")
    return stem.rsplit(".", 1)[0] if board.is_file() and "." in stem else stem


def check_many(
    boards: Sequence[Path], rules: Rules, options: run.Options, formats: Sequence[str], out: Path | None, jobs: int
) -> list[Summary]:
    """Check boards, `jobs` at a time, in order; with `out` each gets a folder of its own there."""
    names = folder_names(boards)
    tasks = [(board, name, rules, options, tuple(formats), out) for board, name in zip(boards, names, strict=True)]
    if jobs == 1:
        return [_check_one(task) for task in tasks]
    tasks = [
        (*task[:3], replace(options, jobs=1), *task[4:]) for task in tasks
    ]  # the boards themselves run side by side
    with ProcessPoolExecutor(max_workers=jobs) as pool:
        try:
            return list(pool.map(_check_one, tasks))
        except BaseException:
            pool.shutdown(cancel_futures=True)  # boards that have not begun never do
            raise


def worst_code(summaries: Sequence[Summary]) -> int:
    """3 if any board is unreadable or incomplete, else 1 if any has findings, else 0."""
    return max((summary.code for summary in summaries), default=0)


def as_text(summaries: Sequence[Summary]) -> str:
    """One line a board."""
    width = max(len(summary.name) for summary in summaries)
    lines = [f"{s.name:{width}}  {s.verdict:10}  {s.error or s.counts}" for s in summaries]
    return "\n".join(lines) + "\n"


def _check_one(task: tuple[Path, str, Rules, run.Options, tuple[str, ...], Path | None]) -> Summary:
    board, name, rules, options, formats, out = task
    try:
        if out is not None:
            output.begin(out / name, formats)
        checked = run.check(board, rules, options)
        if out is not None:
            output.finish(out / name, output.render_all(checked, formats))
    except InputError as error:
        return Summary(name, "unreadable", 3, "", str(error))
    outcome = checked.outcome
    return Summary(name, outcome.verdict, run.exit_code(outcome), outcome.standing)
