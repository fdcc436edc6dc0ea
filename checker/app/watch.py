"""Check one board again and again while its files change: only what a change can touch is computed
anew.

The board is kept while its bytes and the hints stay, what each rule found while the parts of the
rules file that it sees stay (see `cache`), and the whole layout while only waivers, accepted doubts
or the title change.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

from checker.app import cache, run
from checker.app.rules import load_rules
from checker.config.rules_file import Rules
from checker.layout.layout import Layout
from parsers import read_board
from parsers.board import Board

POLL = 0.1  # s between two looks at the files
Signature = tuple[tuple[str, int, int], ...]  # of files: path, time of change, size


class Watch:
    """A board and a rules file on disk, with what is known of them.

    Parameters
    ----------
    options : how to judge; a cache folder in them is not used, everything is kept in memory
    """

    def __init__(self, board: Path, rules: Path, options: run.Options) -> None:
        self.path = board
        self.rules_path = rules
        self.options = replace(options, cache=None)
        self.store = cache.Memory()
        self.board: tuple[str, Board] | None = None
        self.before: tuple[str, Layout] | None = None  # what the layout depends on

    def check(self, progress: run.Progress = lambda _: None) -> run.Checked:
        """Check what is on disk now.

        Raises
        ------
        InputError : board, rules or table cannot be used
        """
        rules = load_rules(self.rules_path)
        hints = run.hints_of(rules)
        key = cache.board_key(self.path, hints)
        if key is None or self.board is None or self.board[0] != key:
            progress("reading")
            self.board = (key or "", read_board(self.path, hints, self.options.jobs))
        if key is None:  # links or odd files: nothing may be kept of them
            return run.check_board(self.board[1], rules, self.options, progress)
        layout = self._layout(key, self.board[1], rules)
        return run.check_cached(self.store, key, layout, self.options, progress)

    def _layout(self, key: str, board: Board, rules: Rules) -> Layout:
        """The layout, with all that the one before has computed if nothing that it sees has
        changed.
        """
        layout, seen = Layout(board, rules), cache.layout_key(key, rules)
        if self.before is not None and self.before[0] == seen:
            cache.adopt(self.before[1], layout)
        self.before = (seen, layout)
        return layout

    def signature(self) -> Signature:
        """What tells that a file has changed: board, rules and tables."""
        root = self.path.parent if self.path.suffix.lower() == ".gbrjob" else self.path
        files = sorted(root.rglob("*")) if root.is_dir() else [root]
        beside = sorted(self.rules_path.parent.glob("*.csv"))
        return tuple(
            entry for file in (*files, self.rules_path, *beside) if (entry := _stated(file))
        )

    def wait(self, known: Signature) -> Signature:
        """Wait until the files differ from what is known and stay so for a moment."""
        before = known
        while True:
            time.sleep(POLL)
            now = self.signature()
            if now != known and now == before:
                return now
            before = now


def _stated(file: Path) -> tuple[str, int, int] | None:
    try:
        stat = file.stat()
    except OSError:
        return None
    return str(file), stat.st_mtime_ns, stat.st_size
