"""Readers of fabrication data: files in, Board out. They know nothing of rules."""

from __future__ import annotations

from pathlib import Path

from parsers.board import Board, Hints


def read_board(path: Path, hints: Hints | None = None) -> Board:
    """Read a folder, an archive (.zip, .tar.gz), a job file (.gbrjob) or an IPC-2581 file (.xml, .cvg, gzip too).

    Raises
    ------
    BoardError : nothing useful can be read; every lesser trouble is a doubt of the board
    """
    raise NotImplementedError
