"""Lanes of work: threads with one worker process each, so that a death tells which task it was.

A shared pool breaks as a whole when one of its workers is killed; here every other task goes on.
"""

from __future__ import annotations

import multiprocessing
import os
import queue
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from typing import Any, TypeVar

TRIES = 2  # of a task whose worker died: memory may have been short because of another

Task = TypeVar("Task")
Result = TypeVar("Result")
Setup = Callable[[], object]


class WorkerLostError(Exception):
    """The worker of a task died in each of its tries."""


class Lane:
    """One worker process, started when it is first needed and replaced when it dies."""

    def __init__(self, setup: Setup | None = None) -> None:
        self._setup = setup  # called in each new worker
        self._pool: ProcessPoolExecutor | None = None
        self._worker: int | None = None
        self._ended = False

    def run(self, work: Callable[[Task], Result], task: Task) -> Result:
        """Do a task in the worker.

        Raises
        ------
        WorkerLostError : the worker died TRIES times, or the lane was ended
        """
        for _ in range(TRIES):
            try:
                pool = self._ready()
                if self._ended:
                    break
                return pool.submit(work, task).result()
            except BrokenProcessPool:
                self._pool = self._worker = None
        raise WorkerLostError

    def close(self) -> None:
        """Let the worker go."""
        self._worker = None  # its number may go to a process of somebody else
        if self._pool is not None:
            self._pool.shutdown()

    def end(self) -> None:
        """Stop the worker in the midst of its task; called from another thread."""
        self._ended = True
        worker = self._worker
        if worker is not None:
            with suppress(ProcessLookupError):
                os.kill(worker, signal.SIGTERM)

    def _ready(self) -> ProcessPoolExecutor:
        if self._pool is None:
            # spawned: a fork of a process with threads may hold a lock for ever
            spawned = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(1, spawned, _begin, (self._setup,))
            self._worker = self._pool.submit(os.getpid).result()
        return self._pool


def in_lanes(
    tasks: Iterable[Task],
    jobs: int,
    handle: Callable[[Lane, Task], Result],
    setup: Setup | None = None,
) -> Iterator[Result]:
    """Handle tasks in `jobs` lanes, and give results as they are done, in no order.

    Whoever stops taking results, be it by an interrupt, ends the workers too.
    """
    waiting: queue.SimpleQueue[Any] = queue.SimpleQueue()
    done: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
    number = 0
    for task in tasks:
        waiting.put((task,))
        number += 1
    lanes = [Lane(setup) for _ in range(min(jobs, number))]
    for lane in lanes:
        waiting.put(None)
        threading.Thread(target=_serve, args=(lane, waiting, done, handle), daemon=True).start()
    try:
        for _ in range(number):
            kind, result = done.get()
            if kind == "error":
                raise result
            yield result
    finally:
        _drain(waiting, len(lanes))
        for lane in lanes:
            lane.end()


def _serve(
    lane: Lane,
    waiting: queue.SimpleQueue[Any],
    done: queue.SimpleQueue[tuple[str, Any]],
    handle: Callable[[Lane, Any], Any],
) -> None:
    try:
        while (entry := waiting.get()) is not None:
            done.put(("result", handle(lane, entry[0])))
    except BaseException as error:  # the thread that asked tells it
        done.put(("error", error))
    lane.close()


def _drain(waiting: queue.SimpleQueue[Any], lanes: int) -> None:
    """Take away what has not begun; each lane finds its end."""
    with suppress(queue.Empty):
        while True:
            waiting.get_nowait()
    for _ in range(lanes):
        waiting.put(None)


def _begin(setup: Setup | None) -> None:
    """Interrupts are for the parent, which ends its workers itself; a killed one leaves none
    behind.
    """
    threading.Thread(target=_end_with_parent, daemon=True).start()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if setup is not None:
        setup()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
