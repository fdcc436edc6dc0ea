"""Readers of fabrication data: files in, Board out. They know nothing of rules."""

from __future__ import annotations

from pathlib import Path

from parsers.board import Board, Hints
from parsers.package.archive import GZIP_MAGIC, is_archive, open_archive, open_folder
from parsers.package.jobfile import read_job
from parsers.trouble import BoardError, Place


def read_board(path: Path, hints: Hints | None = None, jobs: int = 1) -> Board:
    """Read a folder, an archive (.zip, .tar.gz), a job file (.gbrjob) or an IPC-2581 file (.xml, .cvg, gzip too).

    Parameters
    ----------
    jobs : Gerber layers that may be read at a time; the board is the same

    Raises
    ------
    BoardError : nothing useful can be read; every lesser trouble is a doubt of the board
    """
    hints = hints or Hints()
    try:
        return _read(path, hints, jobs)
    except OSError as error:
        raise BoardError(f"cannot be read ({error.strerror or error})", Place(str(path))) from error
    except (MemoryError, RecursionError) as error:
        raise BoardError("too large or too deeply nested to be read", Place(str(path))) from error


def _read(path: Path, hints: Hints, jobs: int) -> Board:
    from parsers.package.package import read_package  # noqa: PLC0415 - loads all readers, which an IPC-2581 board does not need

    if path.is_dir():
        return read_package(open_folder(path), hints, str(path), jobs=jobs)
    if path.suffix.lower() == ".gbrjob":
        return _read_job(path, hints, jobs)
    if is_archive(path):
        return read_package(open_archive(path), hints, str(path), jobs=jobs)
    if _is_xml(path):
        from parsers.ipc2581 import read_ipc2581  # noqa: PLC0415 - as above, for Gerber boards

        return read_ipc2581(path, hints)
    raise BoardError(
        "no board; give a folder, a .zip or .tar.gz, a .gbrjob, or an IPC-2581 file (.xml, .cvg, .gz)", Place(str(path))
    )


def _read_job(path: Path, hints: Hints, jobs: int) -> Board:
    """A board by its job file: the files that it names, and those beside it (drills are seldom named)."""
    from parsers.package.package import read_package  # noqa: PLC0415 - see _read

    named = {p.replace("\\", "/") for p in read_job(path.read_bytes(), path.name).functions}
    beside = {entry.name for entry in path.parent.iterdir()}
    return read_package(open_folder(path.parent, named | beside), hints, str(path), job_name=path.name, jobs=jobs)


def _is_xml(path: Path) -> bool:
    """Tell an XML file, gzipped or not, by its first bytes."""
    with path.open("rb") as file:
        head = file.read(64)
    return head.startswith(GZIP_MAGIC) or head.lstrip(b"\xef\xbb\xbf\xff\xfe\x00 \t\r\n").startswith(b"<")
