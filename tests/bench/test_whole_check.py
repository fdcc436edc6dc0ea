"""Time of each stage of a check over sizes, as growth exponents and ratios: `pytest tests/bench -m
bench -s`.

10^4 and 10^5 objects by default; `-m long` adds 10^6. Each size runs in a process of its own, so
that peak memory is that size's; times are processor time. The table that is printed stands in
checker/manual/speed.txt.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.board_of_size import write_board

BOUND = 1.15  # growth exponent per stage from 10^4 to 10^6 objects
NEAR = 1.35  # the same to 10^5: what barely begins at 10^4 shows more growth than it has
# a whole check takes this many readings of the same bytes by the reference library; 4 measured
TIMES_REFERENCE = 6
MOMENT = 0.2  # s; stages that take less at the largest size say nothing about growth
TOLD = ("wall", "objects", "nets", "findings", "doubts", "mb", "peak_mb")
# parts of the first check that another one may take, by what changed
AGAIN = {"nothing": 0.25, "waiver": 0.25, "stitch": 0.4, "barrier": 0.5}
FIXED, PER_OBJECT = 300, 0.001  # MB of memory that a check may need

Times = dict[str, float]


def measured(module: str, folder: Path) -> Times:
    """What a module of this folder measures, in a fresh process."""
    words = [sys.executable, "-m", f"tests.bench.{module}", str(folder)]
    done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=1800)
    result: Times = json.loads(done.stdout)
    return result


def exponents_of(results: list[Times]) -> Times:
    """Growth of each stage between the first and the last size."""
    first, last = results[0], results[-1]
    span = math.log(last["objects"] / first["objects"])
    stages = [name for name in last if name not in TOLD]
    return {
        name: math.log(max(last[name], 1e-3) / max(first[name], 1e-3)) / span for name in stages
    }


def table(results: list[Times], reference: Times, again: Times) -> str:
    """The table of the manual's topic `speed`."""
    lines = [_row("objects", [f"{result['objects']:,.0f}" for result in results], "exponent")]
    for stage, exponent in exponents_of(results).items():
        growth = f"{exponent:.2f}" if results[-1][stage] > MOMENT else ""
        lines.append(_row(f"{stage}, s", [f"{result[stage]:.2f}" for result in results], growth))
    lines.append(_row("read, MB/s", [f"{result['mb'] / result['read']:.1f}" for result in results]))
    lines.append(_row("peak memory, MB", [f"{result['peak_mb']:.0f}" for result in results]))
    allowed = [f"{FIXED + PER_OBJECT * result['objects']:.0f}" for result in results]
    lines.append(_row("  of those allowed", allowed))
    speed, ratio = reference["mb"] / reference["read"], reference["reference"] / reference["read"]
    lines += [
        "",
        f"One signal layer: {speed:.1f} MB/s, {ratio:.1f} times as fast as the reference library.",
    ]
    shares = ", ".join(
        f"{name} {again[name] / again['first']:.2f}" for name in again if name != "first"
    )
    lines.append(
        f"Checked again with a cache, as a part of the first time, by what changed: {shares}."
    )
    return "\n".join(lines)


def _row(name: str, cells: list[str], exponent: str = "") -> str:
    return f"{name:20}{''.join(f'{cell:>11}' for cell in cells)}{exponent:>11}".rstrip()


def judge(sizes: list[int], folder: Path, bound: float) -> list[Times]:
    """Measure boards of these sizes, print the table and hold it to its bounds."""
    for size in sizes:
        write_board(folder / str(size), size)
    results = [measured("stages", folder / str(size)) for size in sizes]
    reference, again = (measured(module, folder / "100000") for module in ("reference", "recheck"))
    print("\n" + table(results, reference, again))
    slow = {
        stage: e
        for stage, e in exponents_of(results).items()
        if e > bound and results[-1][stage] > MOMENT
    }
    assert not slow
    assert results[-1]["peak_mb"] <= FIXED + PER_OBJECT * results[-1]["objects"]
    assert reference["reference"] / reference["read"] >= 5
    assert all(again[what] <= share * again["first"] for what, share in AGAIN.items())
    library = reference["reference"] / reference["mb"]  # s per MB
    assert results[-1]["total"] / results[-1]["mb"] <= TIMES_REFERENCE * library
    return results


@pytest.mark.bench
def test_stages_grow_almost_linearly(tmp_path: Path) -> None:
    judge([10_000, 100_000], tmp_path, NEAR)


@pytest.mark.bench
@pytest.mark.long
def test_a_million_objects(tmp_path: Path) -> None:
    results = judge([10_000, 100_000, 1_000_000], tmp_path, BOUND)
    assert results[-1]["total"] < 60
