"""Readers of fabrication data: files in, Board out. They know nothing of rules."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from parsers.trouble import BoardError, Place

if TYPE_CHECKING:
    from parsers.board import Board, Hints


def read_board(path: Path, hints: Hints | None = None, jobs: int = 1) -> Board:
    """Read a folder, an archive (.zip, .tar.gz), a job file (.gbrjob) or an IPC-2581 file (.xml,
    .cvg, gzip too).

    Parameters
    ----------
    jobs : Gerber layers that may be read at a time; the board is the same

    Raises
    ------
    BoardError : nothing useful can be read; every lesser trouble is a doubt of the board
    """
    if path.exists() and not (path.is_file() or path.is_dir()):
        raise BoardError(
            "is neither a file nor a folder; give the package itself", Place(str(path))
        )
    # loads shapely, which names of the package do not need
    from parsers.entrance import read  # noqa: PLC0415

    return read(path, hints, jobs)
