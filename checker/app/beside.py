"""The rules file of a board when none is named: the one beside it, else the one in the working
folder.
"""

from __future__ import annotations

import tarfile
import zipfile
from collections.abc import Sequence
from pathlib import Path, PurePosixPath

from parsers.trouble import InputError, Place

RULES = "rules.toml"


class ChoiceError(InputError):
    """Several rules files could be meant, or one that cannot be used where it is."""


def rules_beside(boards: Sequence[Path]) -> Path | None:
    """The rules file of some boards: in the folder of each or the one that holds it, else in the
    working folder.

    Raises
    ------
    ChoiceError : two candidates, or one inside an archive
    """
    found = {path.resolve(): path for board in boards for path in _beside(board)}
    if len(found) > 1:
        names = " and ".join(str(path) for path in sorted(found.values()))
        raise ChoiceError(f"several rules files could be meant, {names}; name one with --rules")
    if found:
        return next(iter(found.values()))
    for board in boards:
        _refuse_packed(board)
    return Path(RULES) if Path(RULES).is_file() else None


def _beside(board: Path) -> list[Path]:
    above = board.resolve().parent if board.name in ("", "..") else board.parent
    folders = [board, above] if board.is_dir() else [above]
    return [folder / RULES for folder in folders if (folder / RULES).is_file()]


def _refuse_packed(board: Path) -> None:
    """Tables are looked for beside the rules file, so one inside an archive cannot serve."""
    if any(PurePosixPath(name).name == RULES for name in _members(board)):
        raise ChoiceError(
            f"{RULES} lies inside the archive; unpack it and name it with --rules",
            Place(str(board)),
        )


def _members(board: Path) -> list[str]:
    try:
        if zipfile.is_zipfile(board):
            with zipfile.ZipFile(board) as archive:
                return archive.namelist()
        if board.is_file() and tarfile.is_tarfile(board):
            with tarfile.open(board) as packed:
                return packed.getnames()
    except (OSError, zipfile.BadZipFile, tarfile.TarError):
        pass  # the reader tells what is wrong with it
    return []
