"""Time of each stage of a check over sizes, as growth exponents, with peak memory: `pytest tests/bench -m bench -s`.

10^4 and 10^5 objects by default; `-m long` adds 10^6. Each size runs in a process of its own, so that peak memory is
that size's.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.board_of_size import write_board

BOUND = 1.15  # growth exponent per stage


def measured(folder: Path, objects: int) -> dict[str, float]:
    """Seconds of each stage and peak memory in MB, in a fresh process."""
    nets = write_board(folder / str(objects), objects)
    words = [sys.executable, "-m", "tests.bench.stages", str(folder / str(objects))]
    done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=1800)
    result: dict[str, float] = json.loads(done.stdout)
    return {**result, "nets": nets}


def show(sizes: list[int], results: list[dict[str, float]]) -> dict[str, float]:
    """Print the table; returns the exponent of each stage between the first and the last size."""
    stages = [name for name in results[-1] if name not in ("objects", "nets", "peak_mb", "findings")]
    print("\nstage              " + "".join(f"{size:>12,}" for size in sizes) + "    exponent")
    exponents = {}
    span = math.log(results[-1]["objects"] / results[0]["objects"])
    for stage in stages:
        exponents[stage] = math.log(max(results[-1][stage], 1e-3) / max(results[0][stage], 1e-3)) / span
        print(f"{stage:19}" + "".join(f"{r[stage]:10.2f} s" for r in results) + f"  {exponents[stage]:10.2f}")
    for name in ("peak_mb", "objects", "nets", "findings"):
        print(f"{name:19}" + "".join(f"{r[name]:12,.0f}" for r in results))
    return exponents


@pytest.mark.bench
def test_stages_grow_almost_linearly(tmp_path: Path) -> None:
    sizes = [10_000, 100_000]
    results = [measured(tmp_path, size) for size in sizes]
    show(sizes, results)
    assert results[-1]["peak_mb"] <= 300 + 0.002 * results[-1]["objects"]


@pytest.mark.bench
@pytest.mark.long
def test_a_million_objects(tmp_path: Path) -> None:
    """Stages that take a moment only (below 0.2 s at 10^6) say nothing about growth."""
    sizes = [10_000, 100_000, 1_000_000]
    results = [measured(tmp_path, size) for size in sizes]
    exponents = show(sizes, results)
    slow = {stage: e for stage, e in exponents.items() if e > BOUND and results[-1][stage] > 0.2}
    assert not slow
    assert results[-1]["total"] < 60
    assert results[-1]["peak_mb"] <= 300 + 0.002 * results[-1]["objects"]
