"""Memory that this process has freed is given back before other processes share what it holds."""

from __future__ import annotations

import ctypes


def give_back() -> None:
    """Ask the C library to return freed memory to the system: reading a large board leaves several
    hundred MB behind in small pieces. Where the library cannot, nothing happens.
    """
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (AttributeError, OSError):
        return
