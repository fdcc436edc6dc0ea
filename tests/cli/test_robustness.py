"""Whatever happens to a run, it ends in one line or a whole report: interrupts, full disks, others,
hostile files.
"""

from __future__ import annotations

import json
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from checker import demo
from checker.app import batch, output
from checker.app import run as runs
from checker.cli import main
from checker.demo.gerber_writer import write_gerber
from parsers.trouble import InputError
from tests.laws.test_mutants import BOARD, RULES
from tests.parsers.package import test_hostile

CLI = [sys.executable, "-m", "checker.cli"]
SLOWEST = 60.0  # s of processor time for one hostile file; most take a tenth


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], prog_name="moatcheck")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("boards")
    for name in ("battery", "digital-isolator-faulty", "single-tie-faulty"):
        demo.write(name, folder / name)
    return folder


def words_of(home: Path, name: str = "digital-isolator-faulty") -> tuple[str, ...]:
    return "check", str(home / name / "board"), "--rules", str(home / name / "rules.toml")


# --------------------------------------------------------------------------------- interrupted runs

SLOW_WRITER = """
import pathlib, sys, time
from checker.cli import main
write = pathlib.Path.write_bytes
def slow(self, data):
    write(self, data)
    if self.name == "manifest.json":
        return
    print("written", flush=True)
    while True:  # one long sleep would outlast an interrupt that comes just before it
        time.sleep(0.05)
pathlib.Path.write_bytes = slow
main(sys.argv[1:], prog_name="moatcheck")
"""


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_an_interrupted_run_leaves_no_partial_file(
    how: signal.Signals, home: Path, tmp_path: Path
) -> None:
    """Interrupted while it writes the second of many files: no verdict of an earlier run looks like
    its own.
    """
    out = tmp_path / "out"
    assert run(*words_of(home), "--out", out).exit_code == 1
    (out / "notes.txt").write_text("mine")
    words = [sys.executable, "-c", SLOW_WRITER, *words_of(home), "--out", str(out)]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "written\n"
        process.send_signal(how)
        _, errors = process.communicate(timeout=600)
    if how is signal.SIGKILL:  # nobody can tidy up; the next run does
        assert run(*words_of(home), "--out", out).exit_code == 1
        assert not list(out.glob(".moatcheck-*"))
        assert output.is_whole(out)
        return
    assert process.returncode == 3
    assert errors == "moatcheck: interrupted at: drawing; nothing was decided\n"
    assert {entry.name for entry in out.iterdir()} == {"manifest.json", "notes.txt"}
    assert not output.is_whole(out)


SLOW_RULE = """
import sys, time
from checker.cli import main
from checker.rules import gap_crossing
find = gap_crossing.find
def slow(layout):
    yield from find(layout)
    print("found", flush=True)
    while True:  # one long sleep would outlast an interrupt that comes just before it
        time.sleep(0.05)
gap_crossing.find = slow
main(sys.argv[1:], prog_name="moatcheck")
"""


def test_an_interrupt_tells_rule_nets_and_share_of_the_work(home: Path) -> None:
    words = [
        sys.executable,
        "-c",
        SLOW_RULE,
        *words_of(home, "digital-isolator-faulty"),
        "--jobs",
        "1",
    ]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "found\n"
        process.send_signal(signal.SIGTERM)
        _, errors = process.communicate(timeout=600)
    assert process.returncode == 3
    told = re.fullmatch(
        r"moatcheck: interrupted at: gap-crossing after .+, rule \d+ of \d+; nothing .*\n", errors
    )
    assert told, errors


SLOW_SEARCH = """
import sys, time
from checker.app import run
from checker.cli import main
from checker.returns.detour import Network
run.WORTH_SHARING = 0
def slow(*_):
    print("searching", flush=True)
    while True:  # one long sleep would outlast an interrupt that comes just before it
        time.sleep(0.05)
Network.detour = slow
main(sys.argv[1:], prog_name="moatcheck")
"""


@pytest.mark.parametrize("jobs", ["1", "2"])
@pytest.mark.parametrize("whole_group", [True, False], ids=["by key", "by request"])
def test_an_interrupt_inside_long_geometry_names_the_net(
    jobs: str, whole_group: bool, home: Path
) -> None:
    """By the key, which reaches workers too, and by a request to the run alone: none of its
    processes stays.
    """
    words = [
        sys.executable,
        "-c",
        SLOW_SEARCH,
        *words_of(home, "single-tie-faulty"),
        "--jobs",
        jobs,
    ]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "searching\n"
        if whole_group:
            os.killpg(process.pid, signal.SIGINT)
        else:
            process.send_signal(signal.SIGTERM)
        _, errors = process.communicate(timeout=600)  # ends once no process holds the pipes
    assert process.returncode == 3
    told = re.fullmatch(r"moatcheck: interrupted at: (.*); nothing was decided\n", errors)
    assert told, errors
    assert re.search(r"gap-crossing: detour of \w+", told[1]), errors
    assert re.search(r"rule \d+ of \d+|\d+ of \d+ rules done", told[1]), errors


STARTING = """
import os, signal, sys
class Interrupted:
    def find_spec(self, name, *_):
        if name == "checker.cli":
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Interrupted())
from checker.start import main
main()
"""


@pytest.mark.parametrize(
    "module", ["checker.cli", "numpy", "shapely", "checker.insulation.creepage"]
)
def test_an_interrupt_while_a_package_loads_is_one_line(module: str, home: Path) -> None:
    """Compiled packages would print a traceback of their own."""
    program = STARTING.replace('"checker.cli"', repr(module))
    words = [sys.executable, "-c", program, *words_of(home, "battery")]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=600)
    assert done.returncode == 3
    assert done.stderr == "moatcheck: interrupted while it starts; nothing was decided\n"


def test_an_interrupt_that_the_caller_ignores_is_ignored(home: Path) -> None:
    """As a shell's background jobs: they end by a request alone."""
    program = STARTING.replace(
        "import os, signal, sys", "import os, signal, sys\nsignal.signal(2, signal.SIG_IGN)"
    )
    words = [sys.executable, "-c", program, *words_of(home, "battery")]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=600)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_run_that_is_refused_leaves_no_earlier_verdict(home: Path, tmp_path: Path) -> None:
    _, board, *rules = words_of(home)
    assert run("check", board, *rules, "--out", tmp_path).exit_code == 1
    assert output.is_whole(tmp_path)
    assert run("check", tmp_path / "nowhere", *rules, "--out", tmp_path).exit_code == 3
    assert [entry.name for entry in tmp_path.iterdir()] == ["manifest.json"]
    assert not output.is_whole(tmp_path)


def test_only_what_a_run_has_written_is_replaced(home: Path, tmp_path: Path) -> None:
    (tmp_path / "report.json").write_text("mine")
    one_line(run(*words_of(home), "--out", tmp_path), "report.json")
    assert (tmp_path / "report.json").read_text() == "mine"
    (tmp_path / "report.json").rename(tmp_path / "notes.json")
    assert (
        run(*words_of(home), "--out", tmp_path, "--format", "json", "--format", "csv").exit_code
        == 1
    )
    assert run(*words_of(home), "--out", tmp_path, "--format", "json").exit_code == 1
    assert not (tmp_path / "report.csv").exists()  # of the run before
    assert (tmp_path / "notes.json").read_text() == "mine"


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system does not fork")
@pytest.mark.parametrize("times", [20, pytest.param(200, marks=pytest.mark.long)])
def test_a_run_killed_at_any_moment_leaves_a_whole_run_or_one_that_says_that_it_is_none(
    times: int, tmp_path: Path
) -> None:
    """Runs of numbered verdicts, killed at random moments: what stands there as whole is all of one
    run.
    """
    chance = random.Random(7)
    for turn in range(times):
        child = os.fork()
        if child == 0:
            for number in range(10**6):
                mark = f"{turn} {number}".encode()
                output.begin(tmp_path, ("json", "text"))
                output.finish(
                    tmp_path, dict.fromkeys(("report.json", "report.txt", "image-L1.svg"), mark)
                )
        time.sleep(chance.uniform(0.0, 0.05))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        found = {
            path.read_bytes()
            for path in tmp_path.iterdir()
            if path.is_file() and path.name != "manifest.json"
        }
        assert len(found) <= 1 or not output.is_whole(tmp_path)
        if (tmp_path / "report.json").exists():
            assert output.is_whole(tmp_path)  # the verdict comes last, and goes first


def test_files_move_into_place_without_interruption(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An interrupt that comes between two files waits until the last one is in place."""
    move, before = os.replace, signal.getsignal(signal.SIGTERM)

    def interrupted(source: Any, target: Any) -> None:
        move(source, target)
        os.kill(os.getpid(), signal.SIGTERM)

    monkeypatch.setattr(os, "replace", interrupted)
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt):
            output.write_files(tmp_path, {"a": b"1", "b": b"2"})
    finally:
        signal.signal(signal.SIGTERM, before)
    assert {entry.name: entry.read_bytes() for entry in tmp_path.iterdir()} == {
        "a": b"1",
        "b": b"2",
    }


# ------------------------------------------------------------------------------------ disks, places


def one_line(result: subprocess.CompletedProcess[str] | Result, said: str, exits: int = 3) -> None:
    code = result.exit_code if isinstance(result, Result) else result.returncode
    assert code == exits
    assert len(result.stderr.splitlines()) == 1, result.stderr
    assert said in result.stderr


def test_a_disk_that_fills_up_is_one_line_and_leaves_nothing(home: Path, tmp_path: Path) -> None:
    """The kernel refuses every byte beyond the tenth kilobyte of a file, as a quota does."""

    def bounded() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))

    words = [*CLI, *words_of(home), "--out", str(tmp_path / "out")]
    done = subprocess.run(
        words, capture_output=True, text=True, preexec_fn=bounded, check=False, timeout=600
    )
    one_line(done, "cannot write")
    assert not list((tmp_path / "out").iterdir())


@pytest.mark.skipif(
    not Path("/dev/full").exists(), reason="this system has no device that is always full"
)
def test_a_full_standard_output_is_one_line(home: Path) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [*CLI, *words_of(home)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            timeout=600,
        )
    assert done.returncode == 3
    assert "Traceback" not in done.stderr


def test_a_standard_output_that_is_closed_is_one_line_and_no_verdict(home: Path) -> None:
    words = [*CLI, *words_of(home, "battery")]
    shut = subprocess.run(
        words,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: os.close(1),
        check=False,
        timeout=600,
    )
    one_line(shut, "standard output is closed")
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        errors = process.stderr.read()
        assert process.wait(timeout=600) == 3
    assert errors == "moatcheck: standard output was closed before all was written\n"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_as_a_board_is_one_line(home: Path, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    _, _, *rules = words_of(home)
    one_line(run("check", tmp_path / "pipe", *rules), "neither a file nor a folder")


def test_a_number_of_thousands_of_digits_is_one_line(home: Path, tmp_path: Path) -> None:
    _, board, _, rules = words_of(home, "battery")
    (tmp_path / "rules.toml").write_text(
        f"{Path(rules).read_text()}\n[limits]\nhole = 1{'0' * 5000}\n"
    )
    one_line(run("check", board, "--rules", tmp_path / "rules.toml"), "rules.toml", exits=2)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_without_rights_is_one_line(home: Path, tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    one_line(run(*words_of(home), "--out", tmp_path / "out"), "cannot write")


@pytest.mark.parametrize("number", [13, 30, 28])  # no rights, read-only file system, no space
def test_whatever_the_system_says_is_one_line(
    number: int, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: Any) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "replace", refused)
    one_line(run(*words_of(home), "--out", tmp_path), os.strerror(number))
    assert not list(tmp_path.iterdir())


def test_devices_and_folders_are_never_replaced(home: Path, tmp_path: Path) -> None:
    """A report named like a pipe or a folder is refused before anything is written."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    for name in ("pipe", "folder"):
        with pytest.raises(InputError, match="no file that could be replaced"):
            output.write_files(tmp_path, {name: b"x"})
    assert {entry.name for entry in tmp_path.iterdir()} == {"pipe", "folder"}


# ------------------------------------------------------------------------------------- several runs


def test_runs_into_one_folder_do_not_mix(home: Path, tmp_path: Path) -> None:
    """All files are of one run, whichever came last."""
    names = ("battery", "digital-isolator-faulty", "single-tie-faulty")
    formats = ("--format", "json", "--format", "text", "--format", "html")
    started = [
        subprocess.Popen([*CLI, *words_of(home, name), "--quiet", "--out", str(tmp_path), *formats])
        for name in names
    ]
    assert {process.wait(timeout=600) for process in started} <= {0, 1}
    board = json.loads((tmp_path / "report.json").read_text())["input"]["path"]
    title = demo.boards()[Path(board).parent.name].draw().title
    assert title in (tmp_path / "report.txt").read_text()
    assert title in (tmp_path / "report.html").read_text()
    assert not list(tmp_path.glob(".moatcheck-*"))


@pytest.mark.parametrize("name", ["digital-isolator-faulty", "single-tie-faulty"])
def test_more_jobs_give_the_same_bytes(
    name: str, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runs, "WORTH_SHARING", 0)
    formats = [
        word for form in ("json", "text", "csv", "sarif", "html") for word in ("--format", form)
    ]
    for jobs in ("1", "3"):
        assert (
            run(*words_of(home, name), "--out", tmp_path / jobs, "--jobs", jobs, *formats).exit_code
            == 1
        )
    assert contents(tmp_path / "1") == contents(tmp_path / "3")


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(file.relative_to(folder)): file.read_bytes()
        for file in folder.rglob("*")
        if file.is_file()
    }


def test_a_worker_that_is_killed_ends_the_run_in_one_line(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the system does when memory runs out."""
    monkeypatch.setattr(runs, "WORTH_SHARING", 0)
    monkeypatch.setattr(runs, "_run_rule", lambda *_: os.kill(os.getpid(), signal.SIGKILL))
    one_line(run(*words_of(home), "--jobs", "2"), "a worker process was ended")


def test_a_check_without_docstrings_and_assertions_says_the_same(home: Path) -> None:
    words = [sys.executable, "-m", "checker.cli", *words_of(home)]
    plain, bare = (
        subprocess.run(
            [words[0], *flags, *words[1:]], capture_output=True, text=True, timeout=600, check=False
        )
        for flags in ((), ("-OO",))
    )
    assert (bare.returncode, bare.stdout, bare.stderr) == (1, plain.stdout, plain.stderr)


def kill_on_faulty(task: batch.Task) -> batch.Summary:
    """Stands for a board that takes all memory."""
    if "faulty" in task.name:
        os.kill(os.getpid(), signal.SIGKILL)
    return batch.Summary(task.name, "pass", 0, "no findings")


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_killed_worker_of_a_batch_costs_its_own_board_alone(
    jobs: int, home: Path, tmp_path: Path
) -> None:
    _, board, *_, rules = words_of(home)
    paths = [Path(name) for name in ("first", "faulty", "third", "fourth")]
    assert run("check", board, "--rules", rules, "--out", tmp_path / "faulty").exit_code == 1
    tasks = [
        batch.Task(
            number,
            path,
            path.name,
            runs.load_rules(Path(rules)),
            runs.Options(),
            ("json",),
            tmp_path / path,
        )
        for number, path in enumerate(paths)
    ]
    done = [summary for _, summary in sorted(batch.done_of(tasks, jobs, kill_on_faulty))]
    assert [summary.verdict for summary in done] == ["pass", "lost", "pass", "pass"]
    assert batch.worst_code(done) == 3
    assert "faulty: its worker process ended" in batch.as_text(done).splitlines()[1]
    # an earlier verdict is none of this run
    assert not (tmp_path / "faulty" / "report.json").exists()


# ------------------------------------------------------------------------------------ hostile input


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small board on which SIG crosses a gap, with rules that name it."""
    folder = tmp_path_factory.mktemp("sound")
    write_gerber(BOARD, folder / "board")
    (folder / "rules.toml").write_text(RULES)
    return folder


@dataclass(frozen=True)
class Hostile:
    """Words put before the end of the top copper, and what the check must say."""

    words: str
    code: int  # 1: valid, so the crossing is found; 3: not all of it is


SIZES = "".join(f"%ADD{k}C,0.{k}*%\n" for k in range(100, 100_100))
HOSTILE: Mapping[str, Hostile] = {
    "huge coordinate": Hostile("X99999999999999999999Y0D03*", 3),
    "not a number": Hostile("%ADD900C,NaN*%\nD900*\nX0Y0D03*", 3),
    "infinity": Hostile("%ADD900C,inf*%\nD900*\nX0Y0D03*", 3),
    "overflowing aperture": Hostile("%ADD900C,1e999*%\nD900*\nX0Y0D03*", 3),
    "aperture of 400 digits": Hostile(f"%ADD900C,{'9' * 400}*%\nD900*\nX0Y0D03*", 3),
    "scale of zero": Hostile("%LS0*%\nX5000000Y5000000D03*", 3),
    "scale of 10^12": Hostile("%LS1000000000000*%\nX5000000Y5000000D03*", 3),
    "rotation that is none": Hostile("%LRnan*%\nX5000000Y5000000D03*", 3),
    "repeat of 10^9 copies": Hostile("%SRX31623Y31623I0.1J0.1*%\nX5000000Y5000000D03*\n%SR*%", 3),
    "repeat in a repeat": Hostile(
        "%SRX9999Y1I0J0*%\n%SRX9999Y9999I0J0*%\nX0Y0D03*\n%SR*%\n%SR*%", 3
    ),
    "macro that grows": Hostile(
        "%AMM*$1=9*"
        + "".join(f"${k + 1}=${k}x${k}*" for k in range(1, 30))
        + "1,1,$30,0,0*%\n%ADD900M*%\nD900*\nX0Y0D03*",
        3,
    ),
    "macro of itself": Hostile("%AMM*$1=$1+$1*1,1,$2/$1,0,0*%\n%ADD900M*%\nD900*\nX0Y0D03*", 3),
    "blocks in blocks": Hostile(
        "%ABD900*%\nX0Y0D03*\n%AB*%\n"
        + "".join(
            f"%ABD{k}*%\n" + f"D{k - 1}*\nX0Y0D03*\n" * 10 + "%AB*%\n" for k in range(901, 912)
        )
        + "D911*\nX0Y0D03*",
        3,
    ),
    "100,000 apertures": Hostile(SIZES, 1),
    "area that crosses itself": Hostile(
        "%TO.N,X*%\nG36*\nX3000000Y2000000D02*\nX5000000Y4000000D01*\nX5000000Y2000000D01*\nX3000000Y4000000D01*\n"
        "X3000000Y2000000D01*\nG37*",
        3,
    ),
    "area of no extent": Hostile(
        "%TO.N,X*%\nG36*\nX3000000Y2000000D02*\nX3000000Y2000000D01*\nG37*", 1
    ),
    "arc of radius zero": Hostile(
        "G75*\nX5000000Y5000000D02*\nG02*\nX9000000Y5000000I0J0D01*\nG01*", 3
    ),
    "arc with a wrong centre": Hostile(
        "G75*\nX5000000Y5000000D02*\nG02*\nX9000000Y5000000I9000000J9000000D01*\nG01*", 3
    ),
    "coincident objects": Hostile("%TO.N,BUS*%\nD900*\n" + "X3000000Y14000000D03*\n" * 5000, 1),
    "zero bytes": Hostile("\x00" * 1000, 3),
    "letters beyond ASCII": Hostile("%TO.N,µΩ😀*%\nD10*\nX5000000Y5000000D03*", 1),
    "escape codes": Hostile("G04 \x1b[31m*", 1),
}


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_numbers_never_crash_hang_or_pass(name: str, sound: Path, tmp_path: Path) -> None:
    """Through the whole command line: found all the same, or incomplete; no traceback, no exception
    kept quiet.
    """
    case = HOSTILE[name]
    board = tmp_path / "board"
    shutil.copytree(sound / "board", board)
    top = next(board.glob("*L1.gbr"))
    pen = "" if any(word in case.words for word in ("%ADD900", "%ABD900")) else "%ADD900C,0.3*%\n"
    text = top.read_text().replace("M02*\n", f"%TD*%\n{pen}{case.words}\nM02*\n")
    top.write_text(text)
    begin = time.process_time()
    result = run("check", board, "--rules", sound / "rules.toml")
    assert time.process_time() - begin < SLOWEST
    assert "Traceback" not in result.output
    assert "defect" not in result.output
    assert result.exit_code == case.code, result.output
    assert "\x1b" not in result.output
    if result.stderr:
        assert len(result.stderr.splitlines()) == 1


@pytest.mark.parametrize("name", sorted(test_hostile.CASES))
def test_hostile_packages_never_pass_by_the_command_line(
    name: str, sound: Path, tmp_path: Path
) -> None:
    """An error is one line, a doubt is exit code 3; what is clean is judged."""
    case = test_hostile.CASES[name]
    path = getattr(test_hostile, case["build"])(tmp_path / "board", case)
    rules = tmp_path / "rules.toml"
    rules.write_text('schema = 1\n[region.a]\nreference = ["GND"]\nnets = ["*"]\n')
    result = run("check", path, "--rules", rules)
    assert "Traceback" not in result.output
    assert "defect" not in result.output
    if case["outcome"] == "error":
        one_line(result, "")
    elif case["outcome"] == "doubt":
        assert result.exit_code == 3
        assert not result.stderr


def test_an_archive_of_a_hundred_thousand_members_is_one_line(sound: Path, tmp_path: Path) -> None:
    path = tmp_path / "many.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for number in range(100_000):
            archive.writestr(zipfile.ZipInfo(f"f{number}"), b"")
    begin = time.process_time()
    one_line(run("check", path, "--rules", sound / "rules.toml"), "more than 5000 files")
    assert time.process_time() - begin < SLOWEST
