"""Files -> board -> layout -> findings -> outcome: the one place that knows the order."""

from __future__ import annotations

import hashlib
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import date
from itertools import chain
from multiprocessing import get_all_start_methods, get_context
from pathlib import Path
from typing import Any

import shapely

from checker.app import cache, joined
from checker.app.memory import give_back
from checker.app.rules import load_rules
from checker.app.slates import Slates
from checker.config.rules_file import Rules
from checker.config.spacing_table import CLEARANCE, CREEPAGE
from checker.findings import Finding, Level, identified
from checker.geometry.nearest import Nearest
from checker.insulation.record import assumed, conditions, narrowest, nearest_of_sides
from checker.insulation.requirements import bind
from checker.layout.layout import Layout, unheard
from checker.results import baseline as baselines
from checker.results import waivers
from checker.results.outcome import (
    CAUTION,
    UNSEEN,
    Check,
    Doubt,
    InputFile,
    Outcome,
    RegionRow,
    StatedDoubt,
    counts,
)
from checker.results.sources import with_sources
from checker.results.version import tool_version
from checker.rules import registry
from checker.wording import subject
from parsers import read_board
from parsers.board import Board, Hints, NamedPlace
from parsers.trouble import InputError

__all__ = [
    "Checked",
    "Options",
    "Progress",
    "check",
    "check_board",
    "check_cached",
    "exit_code",
    "hints_of",
    "judged",
    "load_rules",
    "verdict_of",
]

Progress = Callable[[str], None]
Found = tuple[list[Finding], list[Doubt]]  # of one rule
Results = Mapping[str, Found]  # by rule id
Task = tuple[Layout, str]  # a rule to run, by id
LOOK = 0.2  # s between two looks at what workers are doing
WORTH_SHARING = 1_500  # conductors; below, starting processes takes longer than it saves


@dataclass(frozen=True, slots=True)
class Checked:
    """An outcome with the layout that it came from, for drawing."""

    outcome: Outcome
    layout: Layout


@dataclass(frozen=True, slots=True)
class Options:
    """How to judge."""

    fail_on: Level = Level.ERROR
    baseline: tuple[baselines.Past, ...] | None = None
    today: date | None = None  # None: the clock
    jobs: int = 1
    only: frozenset[str] = frozenset()  # rules to run; empty: all
    join: tuple[str, str] | None = None  # regions whose joint answer stands beside the board's own
    cache: Path | None = None  # folder of checker.cache


def hints_of(rules: Rules) -> Hints:
    """What a rules file tells the readers."""
    stackup = rules.stackup
    return Hints(
        files=dict(rules.files),
        thickness=stackup.thickness,
        dielectric=stackup.dielectric,
        step=rules.step,
        copper=stackup.copper,
        plating=stackup.plating,
        permittivity=stackup.er,
        nets=tuple(
            NamedPlace(net.name, (x, y), layer)
            for net in rules.named_nets
            for x, y, layer in net.at
        ),
        outline=rules.outline,
    )


def check(
    board_path: Path, rules: Rules, options: Options, progress: Progress = lambda _: None
) -> Checked:
    """Read a board and hold it against a rules file.

    Raises
    ------
    InputError : board, rules or table cannot be used
    """
    progress("reading")
    if options.cache is None:
        return check_board(
            read_board(board_path, hints_of(rules), options.jobs), rules, options, progress
        )
    store = cache.Cache(options.cache)
    board, key = cache.read_cached(store, board_path, hints_of(rules), options.jobs)
    if key is None:
        return check_board(board, rules, options, progress)
    progress("regions")
    layout = Layout(board, rules)
    layout.tell = lambda words: progress(f"regions: {words}")
    return check_cached(store, key, layout, options, progress)


def check_cached(
    store: cache.Cache, key: str, layout: Layout, options: Options, progress: Progress
) -> Checked:
    """Judge a layout with what a cache knows of its board; `key` is the board's."""

    def run_left(tasks: list[Task]) -> list[Found]:
        return _run_rules(tasks, options, progress)

    return judged(
        layout, cache.run_cached(store, key, layout, _able(layout, options), run_left), options
    )


def check_board(
    board: Board, rules: Rules, options: Options, progress: Progress = lambda _: None
) -> Checked:
    """Hold a board that is read already against a rules file; see `check`."""
    progress("regions")
    layout = Layout(board, rules)
    layout.tell = lambda words: progress(f"regions: {words}")
    able = _able(layout, options)
    found = _run_rules([(layout, name) for name in able], options, progress)
    return judged(layout, dict(zip(able, found, strict=True)), options)


def judged(layout: Layout, results: Results, options: Options) -> Checked:
    """Turn what each rule found into an outcome: ids, waivers, baseline, accepted doubts, verdict.

    Parameters
    ----------
    results : findings and doubts of each rule that ran
    """
    rules = layout.rules
    today = options.today or date.today()
    told = [results[name] for name in registry() if name in results]
    findings = _findings(layout, [finding for found, _ in told for finding in found], options)
    findings, waiver_remarks = waivers.waive(findings, rules, today)
    if options.baseline is not None:
        findings = baselines.mark_known(findings, options.baseline)
    doubts = dict.fromkeys(bind(layout).doubts)  # a barrier that no rule can measure is one
    doubts |= dict.fromkeys(doubt for _, open_ in told for doubt in open_)
    every = [*layout.board.doubts, *layout.doubts, *doubts]
    stated, doubt_remarks = waivers.accept(every, rules, today)
    outcome = Outcome(
        verdict=verdict_of(findings, stated, options.fail_on),
        caution=CAUTION if rules.hardware else f"{CAUTION} {UNSEEN}",
        fail_on=options.fail_on,
        **_input(layout),
        regions=_region_rows(layout),
        checks=tuple(_checks(layout, options)),
        findings=tuple(findings),
        doubts=tuple(stated),
        remarks=(
            *_remarks(layout, findings, results),
            *waiver_remarks,
            *doubt_remarks,
        ),
        today=today if waivers.uses_dates(rules) else None,
        baseline=None if options.baseline is None else len(options.baseline),
        version=tool_version(),
    )
    return Checked(outcome, layout)


def _findings(layout: Layout, found: Sequence[Finding], options: Options) -> list[Finding]:
    """Findings with their ids, sources, and what joining two regions would change."""
    findings = with_sources(layout.board, identified(found))
    return joined.compared(layout, findings, options.join) if options.join is not None else findings


def _checks(layout: Layout, options: Options) -> Iterator[Check]:
    for name, why in _reasons(layout, options).items():
        yield Check(name, why is None, why or "")


def _remarks(layout: Layout, findings: Sequence[Finding], results: Results) -> Iterator[Doubt]:
    yield from layout.board.remarks
    yield from layout.remarks
    yield from assumed(layout)
    yield from conditions(layout)
    yield from narrowest(layout, findings, results)


def _input(layout: Layout) -> dict[str, Any]:
    """What an outcome tells of board and rules as read."""
    board, rules = layout.board, layout.rules
    return {
        "title": rules.title or board.title,
        "path": board.path,
        "format": board.format,
        "files": tuple(InputFile(f.path, f.sha256, f.layer, f.function) for f in board.files),
        "rules_path": rules.path,
        "rules_sha256": rules.sha256,
        "tables": _tables(rules),
        "thickness": board.stackup.thickness,
        "bounds": _bounds(board),
        "layers": tuple((layer.id, layer.name, layer.side) for layer in board.layers),
        "nets": len(board.nets),
        "holes": len(board.holes),
        "components": len(board.components),
    }


def verdict_of(findings: Sequence[Finding], doubts: Sequence[StatedDoubt], fail_on: Level) -> str:
    """`incomplete` while a doubt is not accepted; `fail` if a finding counts; else `pass`."""
    if any(entry.accepted is None for entry in doubts):
        return "incomplete"
    return "fail" if any(counts(finding, fail_on) for finding in findings) else "pass"


def exit_code(outcome: Outcome) -> int:
    """0 pass, 1 fail, 3 incomplete."""
    return {"pass": 0, "fail": 1, "incomplete": 3}[outcome.verdict]


def _reasons(layout: Layout, options: Options) -> dict[str, str | None]:
    """Why each rule does not run on this layout, None where it does."""
    left_out = set(registry()) - options.only if options.only else set()
    return {
        name: "left out by --only" if name in left_out else module.why_not(layout)
        for name, module in registry().items()
    }


def _able(layout: Layout, options: Options) -> list[str]:
    """The rules that run."""
    return [name for name, why in _reasons(layout, options).items() if why is None]


def _run_rules(tasks: list[Task], options: Options, progress: Progress) -> list[Found]:
    """Every rule in turn, or several at a time where the board is large enough for that to pay."""
    large = any(len(layout.board.copper) >= WORTH_SHARING for layout, _ in tasks)
    if large and options.jobs > 1 and "fork" in get_all_start_methods():
        return _side_by_side(tasks, options.jobs, progress)
    total = len(tasks)
    return [
        _run_rule(task, _numbered(progress, number, total)) for number, task in enumerate(tasks, 1)
    ]


def _numbered(progress: Progress, number: int, total: int) -> Progress:
    return lambda stage: progress(f"{stage}, rule {number} of {total}")


def _run_rule(task: Task, progress: Progress = lambda _: None) -> Found:
    layout, name = task
    progress(name)
    layout.tell = lambda words: progress(f"{name}: {words}")
    module = registry()[name]
    found: list[Finding] = []
    for finding in module.find(layout):
        found.append(finding)
        progress(f"{name} after {subject(finding)}")
    doubts = list(module.doubts(layout))
    layout.tell = unheard
    return found, doubts


# what forked workers inherit; a layout is too large to be sent
_shared: list[tuple[list[Task], Slates]] = []


def _side_by_side(tasks: list[Task], jobs: int, progress: Progress) -> list[Found]:
    """Run rules in forked processes that share the layouts; the order of results is that of the
    tasks.
    """
    for layout, _ in tasks:
        layout.doubts  # noqa: B018 - needs pours and territories: computed here once, not in every worker
    give_back()
    groups = _groups(tasks)
    slates = Slates(len(groups))
    _shared.append((tasks, slates))
    try:
        with ProcessPoolExecutor(min(jobs, len(groups)), get_context("fork"), _quiet_end) as pool:
            beside = [pool.submit(_nearest_shared, number) for number in _with_distances(tasks)]
            futures = [
                pool.submit(_run_shared, number, group) for number, group in enumerate(groups)
            ]
            try:
                _wait_for(futures, lambda: progress(_under_way(futures, groups, slates)))
            except BaseException:
                progress(_under_way(futures, groups, slates))
                slates.end_writers()
                pool.shutdown(cancel_futures=True)  # rules that have not begun never do
                raise
            found = [future.result() for future in futures]
            for number, nearest in zip(_with_distances(tasks), beside, strict=True):
                tasks[number][0].know(nearest_of_sides, nearest.result())
    except BrokenProcessPool:
        raise InputError(
            "a worker process was ended, perhaps for want of memory; check with --jobs 1"
        ) from None
    finally:
        _shared.pop()
    by_number = dict(zip(chain.from_iterable(groups), chain.from_iterable(found), strict=True))
    return [by_number[number] for number in range(len(tasks))]


def _with_distances(tasks: list[Task]) -> list[int]:
    """For each layout whose distances are judged, a task that has it: the report tells its narrowest
    distances, which take as long as a rule.
    """
    judged = (n for n, (_, name) in enumerate(tasks) if name in (CLEARANCE, CREEPAGE))
    return list({id(tasks[n][0]): n for n in judged}.values())


def _nearest_shared(number: int) -> tuple[Nearest, ...]:
    nearest = nearest_of_sides(_shared[-1][0][number][0])
    give_back()
    return nearest


def _wait_for(futures: Sequence[Future[list[Found]]], look: Callable[[], None]) -> None:
    """Wait until all are done, and look at what they are at now and then."""
    left = set(futures)
    while left:
        look()
        left = wait(left, LOOK, FIRST_COMPLETED).not_done


def _under_way(
    futures: Sequence[Future[list[Found]]], groups: list[list[int]], slates: Slates
) -> str:
    """What the workers are at, and how many rules are done."""
    total = sum(map(len, groups))
    done = sum(len(group) for future, group in zip(futures, groups, strict=True) if future.done())
    running = [number for number, future in enumerate(futures) if not future.done()]
    at = "; ".join(filter(None, map(slates.read, running)))
    return f"{at or 'rules'}, {done} of {total} rules done"


def _groups(tasks: list[Task]) -> list[list[int]]:
    """Numbers of tasks by worker: rules that share something large together and first, then one by
    one.
    """
    rules = [registry()[name].rule for _, name in tasks]
    shared = dict.fromkeys(rule.shares for rule in rules if rule.shares)
    together = [[n for n, rule in enumerate(rules) if rule.shares == what] for what in shared]
    together.sort(key=len, reverse=True)
    return [*together, *([n] for n, rule in enumerate(rules) if not rule.shares)]


def _quiet_end() -> None:
    """Workers that are told to end do so at once, and leave the telling to their parent."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)


def _run_shared(slate: int, numbers: list[int]) -> list[Found]:
    tasks, slates = _shared[-1]
    found = [
        _run_rule(tasks[number], lambda stage: slates.write(slate, stage)) for number in numbers
    ]
    give_back()
    return found


def _tables(rules: Rules) -> tuple[InputFile, ...]:
    """The spacing tables that the rules name, each once, with their fingerprints."""
    held = [*(b.insulation for b in rules.barriers), *(s.insulation for s in rules.spacings)]
    named = {insulation.table for insulation in held if insulation.table}
    base = Path(rules.path).parent
    return tuple(
        InputFile(
            name, hashlib.sha256((base / name).read_bytes()).hexdigest(), None, "spacing table"
        )
        for name in sorted(named)
        if (base / name).is_file()
    )


def _bounds(board: Board) -> tuple[float, float, float, float] | None:
    if board.outline is not None:
        x0, y0, x1, y1 = shapely.bounds(board.outline.shape)
    elif len(board.copper):
        boxes = board.copper.bounds()
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    else:
        return None
    return float(x0), float(y0), float(x1), float(y1)


def _region_rows(layout: Layout) -> tuple[RegionRow, ...]:
    rows = []
    for region in layout.regions:
        pours = [p for p in layout.pours if p.region == region.index and not p.plane]
        layers = sorted({p.layer for p in pours})
        per_layer = tuple(
            (
                layout.layer_id(layer),
                sum(p.layer == layer for p in pours),
                float(sum(p.copper.area for p in pours if p.layer == layer)),
            )
            for layer in layers
        )
        rows.append(RegionRow(region.name, region.spec.reference, region.quiet, per_layer))
    return tuple(rows)
