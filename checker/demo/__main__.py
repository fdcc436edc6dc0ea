"""Writes all demo boards: `python -m checker.demo FOLDER`. The same call makes fixtures/demo."""

from __future__ import annotations

import sys
from pathlib import Path

from checker.demo import boards, write


def main(arguments: list[str]) -> int:
    """Write every board into a folder of its name."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m checker.demo FOLDER\n")
        return 2
    for name in boards():
        write(name, Path(arguments[0]) / name)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
