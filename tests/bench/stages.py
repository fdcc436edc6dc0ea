"""Time the stages of one check in this process: `python -m tests.bench.stages FOLDER` prints JSON.

Times are seconds of processor time of this process, so that others who use the machine don't count;
`wall` is the clock's. Peak memory is that of the process, the reading of files included.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from io import StringIO
from pathlib import Path

from checker import reports
from checker.app import run
from checker.drawing import Pictures
from checker.layout.layout import Layout
from checker.rules import registry
from parsers import read_board


def main(folder: Path) -> dict[str, float]:
    """Seconds by stage, objects, findings and peak memory in MB."""
    times: dict[str, float] = {}

    @contextmanager
    def stage(name: str) -> Iterator[None]:
        begin = time.process_time()
        yield
        times[name] = round(time.process_time() - begin, 3)

    begin, clock = time.process_time(), time.perf_counter()
    rules = run.load_rules(folder / "rules.toml")
    with stage("read"):
        board = read_board(folder / "board", run.hints_of(rules))
    layout = Layout(board, rules)
    with stage("regions"):
        doubts = layout.doubts
    with stage("off the pours"):
        layout.off_reference_runs  # noqa: B018 - computed at first use
    results = {}
    for name, module in registry().items():
        if module.why_not(layout) is None:
            with stage(name):
                results[name] = list(module.find(layout)), list(module.doubts(layout))
    with stage("report"):
        checked = run.judged(layout, results, run.Options())
        for form in ("text", "json"):
            reports.registry()[form].write(checked.outcome, Pictures(), StringIO())
    times["total"] = round(time.process_time() - begin, 3)
    told = {
        "wall": round(time.perf_counter() - clock, 3),
        "objects": len(board.copper),
        "nets": len(board.nets),
        "findings": len(checked.outcome.findings),
        "doubts": len(doubts),
        "mb": round(sum(p.stat().st_size for p in (folder / "board").iterdir()) / 1e6, 3),
        "peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
    }
    return {**times, **told}


if __name__ == "__main__":
    print(json.dumps(main(Path(sys.argv[1]))))
