"""Where the command begins: an interrupt while the program is still being loaded is one line
too.
"""

from __future__ import annotations

import signal

from checker.interrupts import leave


def main() -> None:
    """Run the command line; the commands take over the handling of interrupts once they begin."""
    for request in (signal.SIGINT, signal.SIGTERM):
        if signal.getsignal(request) is not signal.SIG_IGN:
            signal.signal(request, leave)
    from checker.cli import main as commands  # noqa: PLC0415 - this is what takes time

    commands(prog_name="moatcheck")


if __name__ == "__main__":
    main()
