"""Checking again while files change says what a fresh check says, and computes only what a change
can touch.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from checker.app import run
from checker.app.rules import load_rules
from checker.app.watch import Watch
from checker.cli import main
from checker.demo import Written, write
from checker.layout.layout import Layout
from checker.rules import registry


@pytest.fixture
def demo(tmp_path: Path) -> Written:
    return write("mains-barrier-faulty", tmp_path / "demo")


@pytest.fixture
def work(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What is read and which rules run, in order."""
    done: list[str] = []
    run_rule, read = run._run_rule, run.read_board

    def noted(task: tuple[Layout, str], *rest: Any) -> Any:
        done.append(task[1])
        return run_rule(task, *rest)

    def noted_reading(*words: Any) -> Any:
        done.append("reading")
        return read(*words)

    monkeypatch.setattr("checker.app.run._run_rule", noted)
    monkeypatch.setattr("checker.app.watch.read_board", noted_reading)
    return done


def test_each_check_says_what_a_fresh_one_says(demo: Written) -> None:
    watch = Watch(demo.board, demo.rules, run.Options())
    text = demo.rules.read_text()
    waiver = '\n[[waiver]]\nrule = "creepage"\nreason = "tried"\n'
    for changed in (
        text,
        text + waiver,
        text.replace("250", "120"),
        text.replace("reinforced", "basic"),
        text,
    ):
        demo.rules.write_text(changed)
        fresh = run.check(demo.board, load_rules(demo.rules), run.Options())
        assert watch.check().outcome == fresh.outcome


def test_a_changed_waiver_runs_no_rule(demo: Written, work: list[str]) -> None:
    watch = Watch(demo.board, demo.rules, run.Options())
    first = watch.check()
    assert work[0] == "reading"
    work.clear()
    demo.rules.write_text(
        demo.rules.read_text() + '\n[[waiver]]\nrule = "creepage"\nreason = "tried"\n'
    )
    again = watch.check()
    assert work == []
    assert vars(again.layout)["pours"] is vars(first.layout)["pours"]


def test_a_changed_barrier_runs_only_the_rules_that_see_it(demo: Written, work: list[str]) -> None:
    watch = Watch(demo.board, demo.rules, run.Options())
    watch.check()
    work.clear()
    demo.rules.write_text(demo.rules.read_text().replace("reinforced", "basic"))
    watch.check()
    assert "reading" not in work
    assert {"clearance", "creepage"} <= set(work)
    assert not {"gap-crossing", "region-escape", "unreferenced-run"} & set(work)
    assert set(work) < set(registry())


def test_a_changed_board_is_read_again(demo: Written, work: list[str]) -> None:
    watch = Watch(demo.board, demo.rules, run.Options())
    watch.check()
    work.clear()
    known = watch.signature()
    layer = next(
        path for path in sorted(demo.board.rglob("*")) if b"Copper,L1" in path.read_bytes()
    )
    layer.write_bytes(layer.read_bytes().replace(b"G04", b"G04 changed", 1) + b"\n")
    assert watch.signature() != known
    watch.check()
    assert work[0] == "reading"


def test_waiting_ends_with_a_change(demo: Written) -> None:
    watch = Watch(demo.board, demo.rules, run.Options())
    known = watch.signature()
    threading.Timer(0.3, lambda: demo.rules.write_text(demo.rules.read_text() + "\n")).start()
    assert watch.wait(known) != known


def test_the_command_tells_what_is_fixed_and_new(
    demo: Written, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three changes: a rules file that cannot be used, one with a waiver, one with less asked; then
    an interrupt.
    """
    text = demo.rules.read_text()
    waived = text + '\n[[waiver]]\nrule = "creepage"\nreason = "tried"\n'
    changes = iter(("schema = 7\n", waived, text.replace("reinforced", "basic")))

    def wait(_: Watch, __: Any) -> Any:
        if (change := next(changes, None)) is None:
            raise KeyboardInterrupt
        demo.rules.write_text(change)
        return ()

    monkeypatch.setattr(Watch, "wait", wait)
    words = [
        "check",
        str(demo.board),
        "--rules",
        str(demo.rules),
        "--watch",
        "--format",
        "csv",
        "--jobs",
        "1",
    ]
    result = CliRunner().invoke(main, words)
    assert "reads schema 1" in result.stderr
    verdicts = [
        line
        for line in result.stdout.splitlines()
        if line.startswith(("fail:", "pass:", "incomplete:"))
    ]
    assert len(verdicts) == 2
    assert "1 waived" in verdicts[0]
    assert result.exit_code in (0, 1, 3)


def test_watching_is_for_one_board(demo: Written) -> None:
    result = CliRunner().invoke(main, ["check", str(demo.board), str(demo.board), "--watch"])
    assert result.exit_code == 2
    assert "--watch stays with one board" in result.stderr


@pytest.mark.parametrize("request_", [signal.SIGINT, signal.SIGTERM])
def test_a_watch_that_was_started_in_the_background_ends_when_it_is_told_to(
    demo: Written, request_: signal.Signals
) -> None:
    """Shells let background jobs ignore interrupts: the watch would stay for ever."""
    words = [
        sys.executable,
        "-m",
        "checker.cli",
        "check",
        demo.board,
        "--rules",
        demo.rules,
        "--watch",
        "--jobs",
        "1",
    ]
    deaf = (
        "import os, signal, sys; signal.signal(signal.SIGINT, signal.SIG_IGN);"
        " os.execv(sys.argv[1], sys.argv[1:])"
    )
    with subprocess.Popen(
        [sys.executable, "-c", deaf, *map(str, words)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
    ) as watch:
        assert watch.stdout is not None
        # the last words of the report
        assert any("A geometric aid" in line for line in watch.stdout)
        demo.rules.write_text(demo.rules.read_text() + "\n# changed\n")
        assert any(line.startswith("fail: ") for line in watch.stdout)
        watch.send_signal(request_)
        try:
            assert watch.wait(60) == run.exit_code(
                run.check(demo.board, load_rules(demo.rules), run.Options()).outcome
            )
        finally:
            watch.kill()
