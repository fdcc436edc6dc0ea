"""Time the stages of one check in this process: `python -m tests.bench.stages FOLDER` prints JSON."""

from __future__ import annotations

import json
import resource
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from io import StringIO
from pathlib import Path

from checker import reports, run
from checker.drawing import Pictures
from checker.layout import Layout
from checker.rules import registry
from parsers import read_board


def main(folder: Path) -> dict[str, float]:
    """Seconds by stage, objects, findings and peak memory."""
    times: dict[str, float] = {}

    @contextmanager
    def stage(name: str) -> Iterator[None]:
        begin = time.perf_counter()
        yield
        times[name] = round(time.perf_counter() - begin, 3)

    begin = time.perf_counter()
    rules = run.load_rules(folder / "rules.toml")
    with stage("read"):
        board = read_board(folder / "board", run.hints_of(rules))
    layout = Layout(board, rules)
    with stage("regions"):
        doubts = layout.doubts
    with stage("pours"):
        layout.pours  # noqa: B018 - computed at first use
    with stage("off the pours"):
        layout.stretches  # noqa: B018 - computed at first use
    findings = 0
    for name, module in registry().items():
        if module.why_not(layout) is None:
            with stage(name):
                findings += len(list(module.find(layout)))
    times["total"] = round(time.perf_counter() - begin, 3)
    with stage("report"):
        checked = run.check_board(board, rules, run.Options())
        for form in ("text", "json"):
            reports.registry()[form].write(checked.outcome, Pictures(), StringIO())
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    told = {"objects": len(board.copper), "findings": findings, "doubts": len(doubts), "peak_mb": round(peak, 1)}
    return {**times, **told}


if __name__ == "__main__":
    print(json.dumps(main(Path(sys.argv[1]))))
