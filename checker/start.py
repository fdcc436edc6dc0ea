"""Where the command begins: an interrupt while the program is still being loaded is one line too."""

from __future__ import annotations

import os
import signal
from types import FrameType

EXIT_CODE = 3
WORDS = b"moatcheck: interrupted while it starts; nothing was decided\n"


def main() -> None:
    """Run the command line; the commands take over the handling of interrupts once they begin."""
    for request in (signal.SIGINT, signal.SIGTERM):
        if signal.getsignal(request) is not signal.SIG_IGN:
            signal.signal(request, _leave)
    from checker.cli import main as commands  # noqa: PLC0415 - this is what takes time

    commands(prog_name="moatcheck")


def _leave(_number: int, _frame: FrameType | None) -> None:
    """End at once: nothing is open yet, and no module can be trusted to be whole."""
    os.write(2, WORDS)
    os._exit(EXIT_CODE)


if __name__ == "__main__":
    main()
