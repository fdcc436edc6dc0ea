"""What a fleet has done so far: a line a board, appended as it is done, so that a run goes on where
it stopped.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from checker.app.fleet.task import LOST, Row

NAME = "ledger.jsonl"


class Ledger:
    """Rows of earlier runs in a folder, and the file that new ones are appended to."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / NAME
        self._rows = {row.key: row for row in _read(self._path)}

    def row(self, key: str, today: str) -> Row | None:
        """The row of an equal board, rules and tool; None if there is none or its date no longer
        holds.

        A board whose worker died is tried again: what killed it may have been short memory.
        """
        row = self._rows.get(key)
        if row is None or row.verdict == LOST or row.today not in ("", today):
            return None
        return row

    def append(self, row: Row) -> None:
        """Write a row down at once."""
        with self._path.open("a", encoding="utf-8") as file:
            file.write(row.to_json() + "\n")
            file.flush()
            os.fsync(file.fileno())
        self._rows[row.key] = row


def _read(path: Path) -> Iterable[Row]:
    if not path.is_file():
        return
    text = path.read_text(encoding="utf-8", errors="replace")
    if text and not text.endswith("\n"):
        with path.open("a", encoding="utf-8") as file:
            # a run was ended in the midst of a line: what is appended next begins anew
            file.write("\n")
    for line in text.splitlines():
        try:
            yield Row.from_json(line)
        except (ValueError, TypeError, KeyError):
            continue  # torn
