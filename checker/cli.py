"""The command line: options in, exit codes out. Holds no geometry.

Exit codes: 0 nothing at or above --fail-on, 1 findings, 2 wrong usage, 3 unreadable or incomplete.
"""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import sys
import textwrap
import threading
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from itertools import permutations
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

from checker.app import beside
from checker.app.rules import load_rules, rules_from
from checker.config.rules_file import Rules, RulesFileError, UnreadableRulesError, nearest
from checker.findings import Level
from checker.interrupts import interrupt
from checker.manual import Topic, topics
from checker.reports import registry as formats
from checker.results.outcome import CAUTION
from checker.results.version import tool_version
from checker.rules import RuleModule, registry
from checker.wording import printable
from parsers.trouble import InputError

if TYPE_CHECKING:
    from checker.app import run
    from checker.results.baseline import PastOutcome
    from checker.results.compare import Comparison
    from parsers.board import Board

FIRST_STEPS = """\
Three steps to the first finding on your own board:

  1  moatcheck draft BOARD --output rules.toml     proposes regions and isolators from the data
  2  edit rules.toml                               every guess in it is marked
  3  moatcheck check BOARD --rules rules.toml      BOARD: folder, .zip, .tar.gz, job file or IPC-2581 file

See it work first:  moatcheck demo        All commands:  moatcheck --help
"""

BOARD = click.Path(exists=False, path_type=Path)
STANDARD = Path("-")  # standard input or output
STAGE = "checker.stage"  # where the context keeps what a command is doing
CORES = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
OFTEN = 0.1  # s between two lines of progress
QUICK = 1.0  # s; work that takes longer shows what it is doing


class Trouble(click.ClickException):
    """An error that the user can mend: one line on standard error."""

    exit_code = 3

    def show(self, file: IO[Any] | None = None) -> None:
        """Print the line."""
        click.echo(f"moatcheck: {' '.join(self.message.split())}", err=True, file=file)


class Misuse(Trouble):
    """A rules file that says what nobody understands: wrong usage."""

    exit_code = 2


class Commands(click.Group):
    """The command group; turns errors of the input into one line and an exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command."""
        if sys.stdout is None:  # closed by the caller
            raise Trouble("standard output is closed; give it a place, such as /dev/null")
        try:
            with _stoppable(*_heeded()):
                return super().invoke(ctx)
        except UnreadableRulesError as error:
            raise Trouble(str(error)) from None
        except RulesFileError as error:
            raise Misuse(str(error)) from None
        except InputError as error:
            raise Trouble(str(error)) from None
        except KeyboardInterrupt:
            stage = ctx.meta.get(STAGE)
            doing = f" at: {printable(stage)}" if stage else ""  # it may hold names of the board
            raise Trouble(f"interrupted{doing}; nothing was decided") from None
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except BrokenPipeError:
            sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - lives until the process ends
            raise Trouble("standard output was closed before all was written") from None
        except OSError as error:
            raise Trouble(
                f"cannot read or write: {error.strerror or error}; nothing was decided"
            ) from None
        except MemoryError:
            raise Trouble("out of memory; check fewer boards at a time (--jobs 1)") from None
        except Exception as error:
            if os.environ.get("MOATCHECK_TRACEBACK"):
                raise
            what = f"this is a defect of moatcheck ({type(error).__name__}: {error})"
            raise Trouble(
                f"{what}; nothing was decided. MOATCHECK_TRACEBACK=1 shows where"
            ) from None

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        """Find a command, or name the nearest one."""
        if args and self.get_command(ctx, args[0]) is None and not args[0].startswith("-"):
            raise click.UsageError(
                f'there is no command "{args[0]}"{nearest(args[0], self.list_commands(ctx))}', ctx
            )
        return super().resolve_command(ctx, args)


@contextmanager
def _stoppable(*requests: signal.Signals) -> Iterator[None]:
    """Let requests to end the process leave as an interrupt does, so that nothing half-written
    stays behind.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {request: signal.signal(request, interrupt) for request in requests}
    try:
        yield
    finally:
        for request, handler in before.items():
            signal.signal(request, handler)


def _heeded() -> list[signal.Signals]:
    """Requests that end a command; an interrupt that the caller has told us to ignore stays
    ignored.
    """
    ignored = signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    return [signal.SIGTERM] if ignored else [signal.SIGTERM, signal.SIGINT]


class Page(click.ParamType[RuleModule | Topic]):
    """The id of a rule, or the name of a topic of the manual."""

    name = "rule or topic"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> RuleModule | Topic:
        """Find the page, or name the nearest one."""
        pages: dict[str, RuleModule | Topic] = {**topics(), **registry()}
        if not isinstance(value, str):
            return value  # type: ignore[no-any-return]
        if value not in pages:
            self.fail(f'there is no rule or topic "{value}"{nearest(value, pages)}', param, ctx)
        return pages[value]

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[Any]:
        """Rules and topics that begin so."""
        pages = [*registry(), *topics()]
        return _completed(pages, incomplete)


class Regions(click.ParamType[tuple[str, str]]):
    """Two regions of the rules file: A,B."""

    name = "A,B"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        """Split at the comma."""
        names = [name.strip() for name in str(value).split(",")]
        if len(names) != 2 or not all(names) or names[0] == names[1]:
            self.fail(f'"{value}" are not two regions; write A,B such as system,probe', param)
        return names[0], names[1]

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[Any]:
        """Pairs of regions of the rules file that begin so; none where it cannot be read."""
        board = _board_before(ctx)
        try:
            named = ctx.params.get("rules_path") or (
                beside.rules_beside([board]) if board else None
            )
            rules = load_rules(named) if named else None
        except (InputError, OSError):
            return []
        names = [region.name for region in rules.regions] if rules else []
        return _completed((f"{one},{other}" for one, other in permutations(names, 2)), incomplete)


class RuleId(click.ParamType[str]):
    """The id of a rule."""

    name = "rule"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Refuse what is no rule, with the nearest name."""
        if value not in registry():
            self.fail(f'there is no rule "{value}"{nearest(str(value), registry())}', param, ctx)
        return str(value)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[Any]:
        """Rules that begin so."""
        return _completed(registry(), incomplete)


class LayerId(click.ParamType[str]):
    """The id of a copper layer of the board that is named before."""

    name = "layer"

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[Any]:
        """Layers of the board that begin so; none where it cannot be read."""
        return _completed(
            [layer.id for board in _read_before(ctx) for layer in board.layers], incomplete
        )


class NetName(click.ParamType[str]):
    """The name or pattern of nets of the board that is named before."""

    name = "net"

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[Any]:
        """Nets of the board that begin so; none where it cannot be read."""
        return _completed(
            sorted(net.name for board in _read_before(ctx) for net in board.nets), incomplete
        )


def _board_before(ctx: click.Context) -> Path | None:
    """The board of the words before the one to complete: an option without its value ends their
    reading.
    """
    named = ctx.params.get("board") or next(
        iter([*(ctx.params.get("boards") or ()), *ctx.args]), None
    )
    return Path(named) if named else None


def _read_before(ctx: click.Context) -> list[Board]:
    """The board of the words before, if it can be read."""
    from parsers import read_board
    from parsers.board import Hints

    path = _board_before(ctx)
    try:
        return [read_board(path, Hints())] if path else []
    except (InputError, OSError):
        return []


def _completed(words: Iterable[str], incomplete: str) -> list[Any]:
    return [
        click.shell_completion.CompletionItem(word) for word in words if word.startswith(incomplete)
    ]


class Pin(click.ParamType[tuple[float, float, float, float]]):
    """A place on the board and the same place on a picture: X,Y=PX,PY."""

    name = "X,Y=PX,PY"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float, float, float]:
        """Read the four numbers."""
        try:
            board, picture = str(value).split("=")
            (x, y), (u, v) = board.split(","), picture.split(",")
            return float(x), float(y), float(u), float(v)
        except ValueError:
            self.fail(
                f'"{value}" is no pin; write X,Y=PX,PY such as 12.5,40=310,522 (mm on the board ='
                " pixels)",
                param,
            )


def _tell_version(ctx: click.Context, _: click.Parameter, asked: bool) -> None:
    """Print the version and leave."""
    if asked:
        click.echo(f"moatcheck, version {tool_version()}")
        ctx.exit()


@click.group(
    cls=Commands,
    invoke_without_command=True,
    epilog=CAUTION,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.option(
    "--version",
    "-V",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_tell_version,
    help="Show the version.",
)
@click.pass_context
def main(ctx: click.Context) -> None:
    """Prove on fabrication data that a board's split reference copper does its work."""
    if ctx.invoked_subcommand is None:
        click.echo(FIRST_STEPS)


@main.command("check")
@click.argument("boards", metavar="BOARD...", nargs=-1, required=True, type=BOARD)
@click.option(
    "--rules",
    "rules_path",
    metavar="RULES.toml",
    type=BOARD,
    help="Default: rules.toml beside it or here.",
)
@click.option(
    "--out",
    "-o",
    metavar="DIR",
    type=BOARD,
    help="Folder for reports and pictures; -: standard output.",
)
@click.option(
    "--format",
    "names",
    multiple=True,
    type=click.Choice(sorted(formats())),
    help="Repeat for several.",
)
@click.option(
    "--fail-on",
    type=click.Choice([str(level) for level in Level]),
    default="error",
    show_default=True,
    help="Least level that fails the check.",
)
@click.option(
    "--baseline",
    "baseline_path",
    metavar="REPORT.json",
    type=BOARD,
    help="Findings in it are known.",
)
@click.option(
    "--join",
    type=Regions(),
    help="Tell quiet inputs also with the moat between two regions filled.",
)
@click.option(
    "--jobs",
    metavar="N",
    type=click.IntRange(1),
    default=CORES,
    help="Work at a time; default: the cores.",
)
@click.option(
    "--cache",
    "cache",
    metavar="DIR",
    type=BOARD,
    help="Keeps boards and results for the next check.",
)
@click.option(
    "--watch", is_flag=True, help="Stay, and tell what is fixed and new when a file changes."
)
@click.option("--quiet", "-q", is_flag=True, help="Say nothing but errors; --format is heeded.")
@click.option(
    "--only",
    metavar="RULE",
    multiple=True,
    type=RuleId(),
    help="Run this rule; repeat for several.",
)
@click.option(
    "--exit-zero", is_flag=True, help="Exit with 0 whatever the verdict; errors keep their codes."
)
@click.option(
    "--today",
    metavar="DATE",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Day for waivers; default: the clock.",
)
def check(
    boards: tuple[Path, ...],
    rules_path: Path | None,
    out: Path | None,
    names: tuple[str, ...],
    fail_on: str,
    baseline_path: Path | None,
    join: tuple[str, str] | None,
    jobs: int,
    cache: Path | None,
    watch: bool,
    quiet: bool,
    only: tuple[str, ...],
    exit_zero: bool,
    today: datetime | None,
) -> None:
    """Check boards against a rules file."""
    out = None if out == STANDARD else out
    _refuse_inside(out, boards)
    if out is None and len(names) > 1:
        raise click.UsageError("several formats need a folder: give --out DIR")
    if out is None and len(boards) > 1 and names not in ((), ("text",)):
        raise click.UsageError(
            f"reports of several boards need a folder for --format {names[0]}: give --out DIR"
        )
    if watch and len(boards) > 1:
        raise click.UsageError("--watch stays with one board")
    # first: a rules file that cannot be used is refused before anything large is loaded
    rules = _rules(rules_path, boards, quiet=quiet)
    from checker.app import run
    from checker.results import baseline

    mute = quiet and not names  # a report that was asked for is no chatter
    names = tuple(dict.fromkeys(names)) or (("text", "json") if out else ("text",))
    options = run.Options(
        fail_on=Level[fail_on.upper()],
        baseline=tuple(baseline.read_report(baseline_path)) if baseline_path else None,
        today=today.date() if today else None,
        jobs=jobs,
        only=frozenset(only),
        join=join,
        cache=cache,
    )
    if watch:
        # a shell's background jobs ignore it: there would be no end
        with _stoppable(signal.SIGINT):
            code = _watch(boards[0], Path(rules.path), options, names, out)
    elif len(boards) > 1:
        code = _check_many(boards, rules, options, names, out, jobs, quiet)
    else:
        code = _check_one(boards[0], rules, options, names, out, quiet=quiet, mute=mute)
    raise click.exceptions.Exit(0 if exit_zero else code)


@main.command("draft")
@click.argument("board", type=BOARD)
@click.option(
    "--rules",
    "rules_path",
    metavar="OLD.toml",
    type=BOARD,
    help="Keep all of this file, add what is new.",
)
@click.option("--output", "-o", metavar="RULES.toml", type=BOARD, help="Default: standard output.")
@click.option("--force", is_flag=True, help="Replace the output if it exists.")
def draft_command(board: Path, rules_path: Path | None, output: Path | None, force: bool) -> None:
    """Propose a rules file from the data alone; every guess says what it rests on."""
    from checker.app import draft, run
    from parsers import read_board
    from parsers.board import Hints

    output = None if output == STANDARD else output
    if output is not None and output.exists() and not force:
        adds = "" if rules_path else f", --rules {output} adds to what it says"
        raise click.UsageError(f"{output} exists; --force replaces it{adds}")
    old = load_rules(rules_path, regions_needed=False) if rules_path else None
    read = read_board(board, run.hints_of(old) if old else Hints())
    text = (
        draft.draft(read)
        if rules_path is None
        else draft.amended(read, rules_path.read_text("utf-8-sig"))
    )
    _deliver(text, output)
    if output is not None:
        next_step = shlex.join(("moatcheck", "check", str(board), "--rules", str(output)))
        click.echo(f"look through it and fill in what it asks for, then: {next_step}", err=True)


@main.command("inventory")
@click.argument("board", type=BOARD)
@click.option(
    "--rules",
    "rules_path",
    metavar="RULES.toml",
    type=BOARD,
    help="Adds regions, reference and crossings.",
)
@click.option(
    "--islands",
    is_flag=True,
    help="Lists the pieces of copper, nameless ones ready for [net] of the rules.",
)
@click.option(
    "--net",
    "nets",
    metavar="NET",
    multiple=True,
    type=NetName(),
    help="These nets alone; a pattern is one.",
)
@click.option(
    "--format",
    "name",
    type=click.Choice(["text", "json", "csv"]),
    default="text",
    show_default=True,
)
def inventory_command(
    board: Path, rules_path: Path | None, islands: bool, nets: tuple[str, ...], name: str
) -> None:
    """Tell what was read: layers, nets, holes, parts, doubts; with rules also each net's region and
    reference.
    """
    from checker.app import run
    from checker.results import inventory
    from parsers import read_board
    from parsers.board import Hints

    rules = _rules(rules_path, [board], quiet=True, regions_needed=False) if rules_path else None
    read = read_board(board, run.hints_of(rules) if rules else Hints())
    stock = inventory.inventory(read, rules, pieces=islands)
    click.echo(inventory.FORMATS[name](inventory.of_nets(stock, nets) if nets else stock), nl=False)


@main.command("image")
@click.argument("board", type=BOARD)
@click.option(
    "--rules",
    "rules_path",
    metavar="RULES.toml",
    type=BOARD,
    help="Default: rules.toml beside the board.",
)
@click.option(
    "--output",
    "-o",
    "target",
    metavar="FILE.svg|FILE.png",
    type=BOARD,
    required=True,
    help="-: standard output.",
)
@click.option(
    "--format",
    "name",
    type=click.Choice(["svg", "png"]),
    help="Default: the file's ending; svg for -.",
)
@click.option(
    "--layer", metavar="L1", type=LayerId(), help="Default: the layer of the worst finding."
)
@click.option(
    "--finding", "finding_id", metavar="ID", help="Zoom on one: id, its beginning, or number."
)
@click.option(
    "--join", type=Regions(), help="Draw the board as if the moat between two regions were filled."
)
@click.option(
    "--over", metavar="PICTURE.png", type=BOARD, help="Draw the callouts on this picture."
)
@click.option(
    "--pin", "pins", multiple=True, type=Pin(), help="Place in mm = place in pixels; two or more."
)
@click.option(
    "--mirrored", is_flag=True, help="The picture shows the board from below (two pins can't tell)."
)
@click.option(
    "--width", type=click.IntRange(200, 8000), default=1600, show_default=True, help="Pixels."
)
def image(
    board: Path,
    rules_path: Path | None,
    target: Path,
    name: str | None,
    layer: str | None,
    finding_id: str | None,
    join: tuple[str, str] | None,
    over: Path | None,
    pins: tuple[tuple[float, float, float, float], ...],
    mirrored: bool,
    width: int,
) -> None:
    """Draw the board with its findings, or the findings on a picture of your own."""
    from checker.app import joined, output, run
    from checker.drawing import overlay, png

    form = _picture_format(target, name)
    if bool(over) != bool(pins) or len(pins) == 1:
        raise click.UsageError("--over and --pin belong together: a picture and at least two pins")
    checked = run.check(
        board, _rules(rules_path, [board], quiet=False), run.Options(), Stages(quiet=False)
    )
    if join is not None:
        checked = run.check_board(
            *joined.join(checked.layout, join), run.Options(), Stages(quiet=False)
        )
    if over is not None:
        picture = overlay.draw_over(checked.outcome, over, pins, layer, mirrored=mirrored)
    else:
        picture = output.picture(checked, layer, finding_id, width)
    content = png.rasterise(picture, width) if form == "png" else picture.encode()
    if target == STANDARD:
        click.echo(content, nl=False)
    else:
        output.write_file(target, content)


def _picture_format(target: Path, name: str | None) -> str:
    """What a picture is written as: what is asked for, else what its name says."""
    told = "svg" if target == STANDARD else target.suffix.lower().lstrip(".")
    if name is None and told not in ("svg", "png"):
        raise click.UsageError(f'"{target}" must end in .svg or .png, or give --format svg or png')
    return name or told


@main.command("compare")
@click.argument("old", type=BOARD)
@click.argument("new", type=BOARD)
@click.option(
    "--rules",
    "rules_path",
    metavar="RULES.toml",
    type=BOARD,
    help="Used where boards are compared.",
)
@click.option(
    "--fail-on",
    type=click.Choice(["new", "none"]),
    default="new",
    show_default=True,
    help="What makes exit code 1: a new finding that no waiver covers, or nothing.",
)
def compare_command(old: Path, new: Path, rules_path: Path | None, fail_on: str) -> None:
    """Compare two reports, or two boards: fixed, new, moved, unchanged."""
    from checker.results import compare

    sides = [_outcome_of(side, rules_path) for side in (old, new)]
    found = compare.compare(sides[0].findings, sides[1].findings)
    click.echo(compare.as_text(found), nl=False)
    open_ = [
        name for name, side in zip((old, new), sides, strict=True) if side.verdict == "incomplete"
    ]
    for name in open_:
        click.echo(
            f"moatcheck: {name} is incomplete: what was not checked cannot be compared", err=True
        )
    raise click.exceptions.Exit(_compare_code(found, open_, fail_on))


def _compare_code(found: Comparison, open_: list[Path], fail_on: str) -> int:
    if fail_on == "none":
        return 0
    return 3 if open_ else int(any(not entry.waived for entry in found.new))


@main.command("explain")
@click.argument("page", metavar="[RULE|TOPIC]", type=Page(), required=False)
def explain(page: RuleModule | Topic | None) -> None:
    """Tell what a rule checks, why, how to fix it and its source, or show a topic of the manual."""
    if page is None:
        click.echo(_contents(), nl=False)
    else:
        click.echo(page.text if isinstance(page, Topic) else _manual_text(page), nl=False)


@main.command("demo")
@click.argument(
    "names",
    metavar="[NAME...]",
    nargs=-1,
    shell_complete=lambda _ctx, _param, begun: _completed(_demos(), begun),
)
@click.option(
    "--to", "folder", metavar="DIR", type=BOARD, default=Path("moatcheck-demo"), show_default=True
)
def demo_command(names: tuple[str, ...], folder: Path) -> None:
    """Write the demo boards and run the check on them."""
    from checker import demo

    known = demo.boards()
    for name in names:
        if name not in known:
            raise click.UsageError(
                f'there is no demo "{name}"{nearest(name, known)}; there are: {", ".join(known)}'
            )
    rows = [_demo_row(name, folder / name) for name in names or known]
    widths = [max(len(row[column]) for row in rows) for column in range(2)]
    for row in rows:
        click.echo(
            "  ".join(
                (*(f"{word:{wide}}" for word, wide in zip(row[:2], widths, strict=True)), row[2])
            )
        )
    click.echo("\nBoards whose names end in -faulty hold a mistake on purpose.\n")
    click.echo(CAUTION)


def _demos() -> Iterable[str]:
    from checker import demo

    return demo.boards()


def _demo_row(name: str, folder: Path) -> tuple[str, str, str]:
    """Name, verdict line and report folder of a demo board."""
    from checker import demo
    from checker.app import output, run

    written = demo.write(name, folder)
    checked = run.check(
        written.board, load_rules(written.rules), run.Options(), Stages(quiet=False)
    )
    output.finish(folder / "report", output.render_all(checked, ("text", "json", "html")))
    return name, checked.outcome.verdict_line, str(folder / "report")


@main.command("fleet")
@click.argument("roots", metavar="ROOT...", nargs=-1, required=True, type=BOARD)
@click.option(
    "--rules",
    "pattern",
    metavar="PATTERN",
    help="Rules file of each package; default: rules.toml in or beside it.",
)
@click.option(
    "--out", metavar="DIR", type=BOARD, required=True, help="Folder for table, page and ledger."
)
@click.option(
    "--jobs",
    metavar="N",
    type=click.IntRange(1),
    default=CORES,
    help="Boards at a time; default: the cores.",
)
@click.option("--cluster", metavar="ADDRESS", help="Dask scheduler, tcp://host:port, or local:4.")
@click.option(
    "--today",
    metavar="DATE",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Day for waivers; default: the clock.",
)
def fleet_command(
    roots: tuple[Path, ...],
    pattern: str | None,
    out: Path,
    jobs: int,
    cluster: str | None,
    today: datetime | None,
) -> None:
    """Check every package under some folders: one table, one page; goes on where it stopped."""
    from checker.app.fleet.run import Fleet, run_fleet, worst_code

    asked = Fleet(roots, out, pattern, jobs, cluster, today.date() if today else None)
    rows = run_fleet(
        asked,
        lambda done, total, row: click.echo(
            f"{done} of {total}: {row.name}: {row.verdict}", err=True
        ),
    )
    verdicts = Counter(row.verdict for row in rows)
    click.echo("; ".join(f"{number} {verdict}" for verdict, number in sorted(verdicts.items())))
    click.echo(f"table and page are in {out}\n{CAUTION}")
    raise click.exceptions.Exit(worst_code(rows))


def _rules(
    path: Path | None, boards: Sequence[Path], *, quiet: bool, regions_needed: bool = True
) -> Rules:
    """The rules that are named, come by standard input, or lie beside the boards."""
    if path == STANDARD:
        return rules_from(sys.stdin.read(), "standard input")
    if path is not None:
        return load_rules(path, regions_needed=regions_needed)
    try:
        found = beside.rules_beside(boards)
    except beside.ChoiceError as error:
        raise click.UsageError(str(error)) from None
    if found is None:
        hint = shlex.join(("moatcheck", "draft", str(boards[0]), "--output", beside.RULES))
        raise click.UsageError(
            f"there is no {beside.RULES} beside {boards[0]} or here. This proposes one: {hint}"
        )
    if not quiet:
        click.echo(f"rules: {found}", err=True)
    return load_rules(found)


def _refuse_inside(out: Path | None, boards: Sequence[Path]) -> None:
    """Reports inside a board's folder would be read as part of the board."""
    for board in boards:
        if out is not None and board.is_dir() and out.resolve().is_relative_to(board.resolve()):
            raise click.UsageError(
                f"--out {out} lies in the board's own folder {board}; give one outside of it"
            )


def _coloured() -> bool:
    """Whether standard output takes colours: NO_COLOR and FORCE_COLOR are heeded, in this order."""
    if os.environ.get("NO_COLOR") or sys.stdout is None:
        return False
    return bool(os.environ.get("FORCE_COLOR")) or sys.stdout.isatty()


class Stages:
    """Shows the stage of work on standard error once it takes longer than a moment."""

    def __init__(self, *, quiet: bool) -> None:
        self.quiet = quiet or not sys.stderr.isatty()
        self.begin = time.monotonic()
        self.shown = 0.0
        self.context = click.get_current_context()

    def __call__(self, stage: str) -> None:
        """Take note of the stage that begins; called often, so that little may be done."""
        self.context.meta[STAGE] = stage
        now = time.monotonic()
        if not self.quiet and now - self.begin > QUICK and now - self.shown > OFTEN:
            self.shown = now
            room = shutil.get_terminal_size().columns - 3
            click.echo(f"\r\x1b[K{printable(stage)[:room]} …", err=True, nl=False)

    def done(self) -> None:
        """Clear the line."""
        if not self.quiet and time.monotonic() - self.begin > QUICK:
            click.echo("\r\x1b[K", err=True, nl=False)


def _check_one(
    board: Path,
    rules: Any,
    options: run.Options,
    names: tuple[str, ...],
    out: Path | None,
    *,
    quiet: bool,
    mute: bool,
) -> int:
    from checker.app import output, run

    stages = Stages(quiet=quiet)
    if out is not None:
        output.begin(out, names)
    checked = run.check(board, rules, options, stages)
    if out is None:
        colour = _coloured()
        report = output.render(checked, names[0], colour=colour)
        stages.done()
        if not mute:
            click.echo(report, nl=False, color=colour)
    else:
        stages("drawing")
        output.finish(out, output.render_all(checked, names))
        stages.done()
        if not quiet:
            click.echo(checked.outcome.verdict_line)
            click.echo(f"reports and pictures are in {out}")
            click.echo(checked.outcome.caution)
    return run.exit_code(checked.outcome)


def _watch(
    board: Path, rules: Path, options: run.Options, names: tuple[str, ...], out: Path | None
) -> int:
    """Check until interrupted: the report first, then what each change of a file has fixed and
    brought.
    """
    from checker.app import run
    from checker.app.watch import Watch
    from checker.results import baseline, compare
    from checker.wording import tally

    watch = Watch(board, rules, options)
    signature, checked = watch.signature(), watch.check(Stages(quiet=False))
    _show(checked, names, out)
    try:
        while True:
            signature = watch.wait(signature)
            try:
                now = watch.check()
            except InputError as error:
                click.echo(f"moatcheck: {error}", err=True)
                continue
            sides = [
                [baseline.past(finding) for finding in side.outcome.findings]
                for side in (checked, now)
            ]
            told = compare.as_text(compare.compare(*sides)).splitlines()
            click.echo("\n".join(line for line in told if not line.startswith("  unchanged")))
            click.echo(f"{now.outcome.verdict}: {tally(now.outcome.findings)}")
            if out is not None:
                _show(now, names, out)
            checked = now
    except KeyboardInterrupt:
        return run.exit_code(checked.outcome)


def _show(checked: run.Checked, names: tuple[str, ...], out: Path | None) -> None:
    """A report on standard output, or all files put in place."""
    from checker.app import output

    if out is None:
        click.echo(output.render(checked, names[0]), nl=False)
    else:
        output.write_files(out, output.render_all(checked, names))
        click.echo(f"{checked.outcome.verdict}: reports and pictures are in {out}")


def _check_many(
    boards: tuple[Path, ...],
    rules: Any,
    options: run.Options,
    names: tuple[str, ...],
    out: Path | None,
    jobs: int,
    quiet: bool,
) -> int:
    from checker.app import batch, output

    if out is not None:
        output.begin(out, ())
    stages = Stages(quiet=quiet)
    stages(f"0 of {len(boards)} boards")
    summaries = batch.check_many(boards, rules, options, names, out, jobs, stages)
    stages.done()
    text = f"{batch.as_text(summaries)}{CAUTION}\n"
    if out is not None:
        output.finish(out, {"summary.txt": text.encode()})
    if quiet:
        for summary in summaries:
            if summary.error:
                click.echo(f"moatcheck: {summary.error}", err=True)
    else:
        click.echo(text, nl=False)
    return batch.worst_code(summaries)


def _outcome_of(side: Path, rules_path: Path | None) -> PastOutcome:
    """Verdict and findings of a report, or of a board that is checked now."""
    from checker.results import baseline

    if side.suffix.lower() == ".json":
        return baseline.read_outcome(side)
    if rules_path is None:  # what lies beside one side need not be what the other was held against
        raise click.UsageError(f"{side} is a board, not a report: give --rules RULES.toml for it")
    from checker.app import run

    outcome = run.check(side, _rules(rules_path, [side], quiet=True), run.Options()).outcome
    return baseline.PastOutcome(
        outcome.verdict, tuple(baseline.past(finding) for finding in outcome.findings)
    )


def _deliver(text: str, target: Path | None) -> None:
    from checker.app import output

    if target is None:
        click.echo(text, nl=False)
    else:
        output.write_file(target, text.encode())
        click.echo(f"wrote {target}", err=True)


def _contents() -> str:
    """Rules and topics, a sentence each."""
    rules = {name: module.manual.obligation for name, module in registry().items()}
    chapters = (
        ("Rules", rules),
        ("Topics", {name: topic.summary for name, topic in topics().items()}),
    )
    return "\n".join(
        f"{title}\n" + "".join(_entry(name, told) for name, told in pages.items())
        for title, pages in chapters
    )


def _entry(name: str, told: str) -> str:
    return (
        textwrap.fill(told, 80, initial_indent=f"  {name:18} ", subsequent_indent=" " * 21) + "\n"
    )


def _manual_text(module: RuleModule) -> str:
    rule, manual = module.rule, module.manual
    parts = [f"{rule.id}: {rule.title} ({rule.level})", textwrap.fill(manual.obligation, 80)]
    for name, text in (("Why", manual.why), ("Measured", manual.measured), ("Fix", manual.fix)):
        parts.append(textwrap.fill(f"{name}: {text}", 80, subsequent_indent="  "))
    for limit in rule.limits:
        entry = f"limits.{limit.name} = {limit.default:g} {limit.unit}: {limit.meaning}"
        parts.append(textwrap.fill(entry, 80, subsequent_indent="  "))
    parts.append(textwrap.fill(f"Source: {manual.source}", 80, subsequent_indent="  "))
    parts.append(textwrap.fill(CAUTION, 80))
    return "\n\n".join(parts) + "\n"


if __name__ == "__main__":
    main(prog_name="moatcheck")
