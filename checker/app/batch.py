"""Many boards in one run: each checked on its own, one bad board does not stop the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from checker.app import lanes, output, run
from checker.config.rules_file import Rules
from parsers.trouble import InputError

DIED = "its worker process ended, perhaps for want of memory; check this board alone"


@dataclass(frozen=True, slots=True)
class Summary:
    """What became of one board."""

    name: str
    verdict: str  # pass | fail | incomplete | unreadable | lost
    code: int
    counts: str
    error: str = ""


@dataclass(frozen=True, slots=True)
class Task:
    """A board to check, and where its reports go."""

    number: int
    board: Path
    name: str
    rules: Rules
    options: run.Options
    formats: tuple[str, ...]
    out: Path | None  # a folder of its own


Work = Callable[[Task], Summary]


def folder_names(boards: Sequence[Path]) -> list[str]:
    """A folder name for each board: its own, with that of the folder above it where several boards
    share one.

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
    boards: Sequence[Path],
    rules: Rules,
    options: run.Options,
    formats: Sequence[str],
    out: Path | None,
    jobs: int,
    progress: run.Progress = lambda _: None,
) -> list[Summary]:
    """Check boards, `jobs` at a time, in order; with `out` each gets a folder of its own there.

    Each is checked in a process of its own, so that one that is killed costs its own board alone.
    """
    if jobs > 1:
        options = replace(options, jobs=1)  # the boards themselves run side by side
    tasks = [
        Task(
            number, board, name, rules, options, tuple(formats), None if out is None else out / name
        )
        for number, (board, name) in enumerate(zip(boards, folder_names(boards), strict=True))
    ]
    summaries: dict[int, Summary] = {}
    under_way: list[str] = []

    def begun(task: Task) -> None:
        under_way.append(task.name)
        progress(f"{', '.join(under_way)}; {len(summaries)} of {len(tasks)} boards done")

    for number, summary in done_of(tasks, jobs, begun=begun):
        summaries[number] = summary
        if summary.name in under_way:  # not one that was refused before it began
            under_way.remove(summary.name)
    return [summaries[task.number] for task in tasks]


def done_of(
    tasks: Sequence[Task],
    jobs: int,
    work: Work | None = None,
    begun: Callable[[Task], None] = lambda _: None,
) -> Iterator[tuple[int, Summary]]:
    """Number and summary of each board as it is done; one whose worker is killed is told as lost.

    Parameters
    ----------
    begun : hears, in a thread of its own, of each board that is begun
    """
    work = work or _check_one
    refused = {task.number: summary for task in tasks if (summary := _begin(task)) is not None}
    yield from refused.items()
    left = [task for task in tasks if task.number not in refused]
    # also one at a time: a killed one ends alone
    yield from lanes.in_lanes(left, jobs, partial(_in_lane, work, begun))


def worst_code(summaries: Sequence[Summary]) -> int:
    """3 if any board is unreadable or incomplete, else 1 if any has findings, else 0."""
    return max((summary.code for summary in summaries), default=0)


def as_text(summaries: Sequence[Summary]) -> str:
    """One line a board."""
    width = max(len(summary.name) for summary in summaries)
    lines = [f"{s.name:{width}}  {s.verdict:10}  {s.error or s.counts}" for s in summaries]
    return "\n".join(lines) + "\n"


def _begin(task: Task) -> Summary | None:
    """Take away what an earlier run left, before any board is checked: no old verdict looks like
    one of this run.
    """
    try:
        if task.out is not None:
            output.begin(task.out, task.formats)
    except InputError as error:
        return Summary(task.name, "unreadable", 3, "", str(error))
    return None


def _in_lane(
    work: Work, begun: Callable[[Task], None], lane: lanes.Lane, task: Task
) -> tuple[int, Summary]:
    begun(task)
    try:
        return task.number, lane.run(work, task)
    except lanes.WorkerLostError:
        return task.number, Summary(task.name, "lost", 3, "", f"{task.board}: {DIED}")


def _check_one(task: Task) -> Summary:
    try:
        checked = run.check(task.board, task.rules, task.options)
        if task.out is not None:
            output.finish(task.out, output.render_all(checked, task.formats))
    except InputError as error:
        return Summary(task.name, "unreadable", 3, "", str(error))
    outcome = checked.outcome
    return Summary(task.name, outcome.verdict, run.exit_code(outcome), outcome.standing)
