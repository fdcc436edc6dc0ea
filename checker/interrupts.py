"""Interrupts while modules are being loaded: the process ends at once, with one line, whatever it
was loading.

Compiled packages that are interrupted while they load print tracebacks of their own, and no module
can be trusted to be whole. Nothing large may be imported here.
"""

from __future__ import annotations

import os

TYPE_CHECKING = False  # as `typing` has it, which takes time to load
if TYPE_CHECKING:
    from types import FrameType

EXIT_CODE = 3
WORDS = b"moatcheck: interrupted while it starts; nothing was decided\n"
LOADER = "<frozen importlib._bootstrap>"


def leave(_number: int, _frame: FrameType | None) -> None:
    """Handle a signal: end at once."""
    os.write(2, WORDS)
    os._exit(EXIT_CODE)


def interrupt(number: int, frame: FrameType | None) -> None:
    """Handle a signal: end at once while a module is being loaded, else raise an interrupt.

    Raises
    ------
    KeyboardInterrupt : no module is being loaded
    """
    at = frame
    while at is not None:
        if at.f_code.co_filename == LOADER:
            leave(number, frame)
        at = at.f_back
    raise KeyboardInterrupt
