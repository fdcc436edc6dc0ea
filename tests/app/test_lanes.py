"""Lanes of one worker each: results, deaths, and workers that end with their parent."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

from checker.app import lanes


def _square_or_die(number: int) -> int:
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return number * number


def _handle(lane: lanes.Lane, number: int) -> tuple[int, int | None]:
    try:
        return number, lane.run(_square_or_die, number)
    except lanes.WorkerLostError:
        return number, None


def test_a_death_costs_its_own_task_alone() -> None:
    done = dict(lanes.in_lanes(range(6), 2, _handle))
    assert done == {0: 0, 1: 1, 2: 4, 3: None, 4: 16, 5: 25}


ORPHAN = """
import time
from checker.app import lanes
if __name__ == "__main__":
    lane = lanes.Lane()
    print(lane.run(eval, "__import__('os').getpid()"), flush=True)
    time.sleep(60)
"""


def test_a_worker_ends_with_its_parent() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", ORPHAN], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        worker = int(process.stdout.readline())
        process.kill()
    for _ in range(1200):  # two minutes of a busy machine
        try:
            os.kill(worker, 0)
        except ProcessLookupError:
            return
        time.sleep(0.1)
    pytest.fail("the worker lives on")
