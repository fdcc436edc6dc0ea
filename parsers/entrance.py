"""What lies at a path, and which reader takes it: a folder, an archive, a job file or one XML
file.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory

from parsers.board import Board, Hints
from parsers.package.archive import GZIP_MAGIC, Package, is_archive, open_archive, open_folder
from parsers.package.jobfile import read_job
from parsers.trouble import BoardError, Place


def read(path: Path, hints: Hints | None = None, jobs: int = 1) -> Board:
    """Read a board; see `parsers.read_board`."""
    hints = hints or Hints()
    try:
        return _read(path, hints, jobs)
    except OSError as error:
        raise BoardError(f"cannot be read ({error.strerror or error})", Place(str(path))) from error
    except (MemoryError, RecursionError) as error:
        raise BoardError("too large or too deeply nested to be read", Place(str(path))) from error


def _read(path: Path, hints: Hints, jobs: int) -> Board:
    if path.is_dir():
        return _read_files(open_folder(path), path, hints, jobs)
    if path.suffix.lower() == ".gbrjob":
        return _read_job(path, hints, jobs)
    if is_archive(path):
        return _read_files(open_archive(path), path, hints, jobs)
    if _is_xml(path):
        from parsers.ipc2581 import read_ipc2581  # noqa: PLC0415 - as above, for Gerber boards

        return read_ipc2581(path, hints)
    raise BoardError(
        "no board; give a folder, a .zip or .tar.gz, a .gbrjob, or an IPC-2581 file (.xml, .cvg,"
        " .gz)",
        Place(str(path)),
    )


def _read_files(package: Package, path: Path, hints: Hints, jobs: int) -> Board:
    """A board of the files of a folder or an archive: Gerber layers, or one IPC-2581 file."""
    # loads all readers, which an IPC-2581 board does not need
    from parsers.package.package import read_package  # noqa: PLC0415
    from parsers.package.sorting import board_in_one_file  # noqa: PLC0415

    member = board_in_one_file(package)
    if member is None:
        return read_package(package, hints, str(path), jobs=jobs)
    from parsers.ipc2581 import read_ipc2581  # noqa: PLC0415 - as above, for Gerber boards

    with TemporaryDirectory() as folder:
        file = Path(folder, PurePosixPath(member.name).name)
        file.write_bytes(member.data)
        board = read_ipc2581(file, hints)
    return replace(board, path=str(path), doubts=(*package.doubts, *board.doubts))


def _read_job(path: Path, hints: Hints, jobs: int) -> Board:
    """A board by its job file: the files that it names, and those beside it (drills are seldom
    named).
    """
    from parsers.package.package import read_package  # noqa: PLC0415 - see _read

    named = {p.replace("\\", "/") for p in read_job(path.read_bytes(), path.name).functions}
    beside = {entry.name for entry in path.parent.iterdir()}
    return read_package(
        open_folder(path.parent, named | beside), hints, str(path), job_name=path.name, jobs=jobs
    )


def _is_xml(path: Path) -> bool:
    """Tell an XML file, gzipped or not, by its first bytes."""
    with path.open("rb") as file:
        head = file.read(64)
    return head.startswith(GZIP_MAGIC) or head.lstrip(
        b"\xef\xbb\xbf\xff\xfe\x00 \t\r\n"
    ).startswith(b"<")
