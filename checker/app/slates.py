"""Slates: what forked workers are at, written into shared memory and read by the process that
forked them.
"""

from __future__ import annotations

import mmap
import os
import signal
from contextlib import suppress

SIZE = 512  # bytes of a slate


class Slates:
    """A slate a worker: its process and what it is doing. A line that is read while it changes may
    be a mixture.
    """

    def __init__(self, number: int) -> None:
        self._number = number
        self._memory = mmap.mmap(-1, max(number, 1) * SIZE)

    def write(self, number: int, words: str) -> None:
        """Note what this process is doing."""
        line = f"{os.getpid()} {words}".encode()[: SIZE - 1]
        self._memory[number * SIZE : (number + 1) * SIZE] = line.ljust(SIZE, b"\0")

    def read(self, number: int) -> str:
        """What the worker is doing; nothing where none has begun.

        Examples
        --------
        >>> slates = Slates(2)
        >>> slates.write(1, "creepage of A")
        >>> slates.read(0), slates.read(1)
        ('', 'creepage of A')
        """
        return self._line(number).partition(" ")[2]

    def end_writers(self) -> None:
        """End the workers that have written."""
        for number in range(self._number):
            writer = self._line(number).partition(" ")[0]
            if writer.isdecimal() and int(writer) != os.getpid():
                with suppress(ProcessLookupError, PermissionError):
                    os.kill(int(writer), signal.SIGTERM)

    def _line(self, number: int) -> str:
        line = self._memory[number * SIZE : (number + 1) * SIZE]
        return line.partition(b"\0")[0].decode(errors="replace")
