"""Finds packages of fabrication data under folders, and the rules file that each is held to.

A package is an archive or an IPC-2581 file, or a folder that holds Gerber files (its sub-folders
belong to it). A folder whose Gerber files lie in one sub-folder and whose drills in another is one
package too. Files are told by how they begin, never by their names alone.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from parsers.package.archive import is_archive
from parsers.trouble import InputError, Place

HEAD = 4096  # bytes that tell what a file is
# %FS must stand in each file
GERBER = re.compile(rb"(?:^|\*)\s*%(?:FS[LTD]|TF\.|MOMM|MOIN|ADD)", re.MULTILINE)
DRILL = re.compile(rb"^(M48|T\d+C[\d.]+)", re.MULTILINE)
XML = re.compile(rb"<(\w+:)?IPC-2581")
XML_ENDINGS = (".xml", ".cvg", ".xml.gz", ".cvg.gz")
ARCHIVE_ENDINGS = (".zip", ".tar.gz", ".tgz", ".tar")
RULES = "rules.toml"


@dataclass(frozen=True, slots=True)
class Package:
    """A board to check: where it lies, what it is called in the table, and its rules file if there
    is one.
    """

    path: Path
    name: str  # path below the folder that was searched, with slashes
    rules: Path | None
    why_no_rules: str = ""


@dataclass(frozen=True, slots=True)
class _Folder:
    gerber: bool
    drill: bool
    single: tuple[Path, ...]  # archives and IPC-2581 files
    folders: tuple[Path, ...]


def find_packages(roots: Iterable[Path], pattern: str | None) -> list[Package]:
    """All packages under some folders, sorted by name.

    Parameters
    ----------
    pattern : where rules files lie; see `rules_of`

    Raises
    ------
    InputError : a root that is no folder
    """
    roots = list(roots)
    found: dict[Path, Package] = {}
    for root in roots:
        if not root.is_dir():
            raise InputError("no folder; give folders that hold packages", Place(str(root)))
        for path in _under(root):
            name = path.relative_to(root).as_posix()
            shown = root.resolve().name if name == "." else name
            unique = f"{root.resolve().name}/{shown}" if len(roots) > 1 else shown
            rules, why = rules_of(path, pattern)
            found.setdefault(path.resolve(), Package(path, unique, rules, why))
    return sorted(found.values(), key=lambda package: (package.name, str(package.path)))


def rules_of(package: Path, pattern: str | None) -> tuple[Path | None, str]:
    """The rules file of a package, or None and why.

    Without a pattern: `rules.toml` in the package's folder, then in the folder that holds it. A
    pattern may hold `{name}`, the package's name without endings. What then is an existing file
    serves; else it is taken for a glob in the package's folder, then in the folder that holds it.
    """
    wanted = (pattern or RULES).replace("{name}", _stem(package))
    if pattern is not None and Path(wanted).is_file():
        return Path(wanted), ""
    if Path(wanted).is_absolute():
        return None, f"there is no {wanted}"
    for folder in (*([package] if package.is_dir() else []), package.parent):
        hits = sorted(path for path in folder.glob(wanted) if path.is_file())
        if len(hits) > 1:
            return (
                None,
                f"{len(hits)} files match {wanted} in {folder}; leave one or name it more closely",
            )
        if hits:
            return hits[0], ""
    return None, f"no {wanted} in it or beside it"


def _under(folder: Path) -> Iterator[Path]:
    """Packages in a folder and below, without following links."""
    seen = _look_at(folder)
    if seen.gerber or _spread_over_two(seen):
        yield folder
        return
    yield from seen.single
    for below in seen.folders:
        yield from _under(below)


def _spread_over_two(seen: _Folder) -> bool:
    """Whether one sub-folder holds Gerber files and another only drills."""
    inside = [_look_at(folder) for folder in seen.folders]
    gerbers = sum(one.gerber for one in inside)
    return gerbers == 1 and any(one.drill and not one.gerber for one in inside)


def _look_at(folder: Path) -> _Folder:
    gerber = drill = False
    single: list[Path] = []
    folders: list[Path] = []
    for entry in sorted(os.scandir(folder), key=lambda entry: entry.name):
        path = Path(entry.path)
        if entry.is_dir(follow_symlinks=False):
            folders.append(path)
        elif entry.is_file(follow_symlinks=False):
            head = _head(path)
            if _alone(path, head):
                single.append(path)
            elif b"\0" not in head:
                gerber = gerber or bool(GERBER.search(head))
                drill = drill or bool(DRILL.search(head))
    return _Folder(gerber, drill, tuple(single), tuple(folders))


def _alone(path: Path, head: bytes) -> bool:
    """Whether a file is a board by itself."""
    lower = path.name.lower()
    if lower.endswith(ARCHIVE_ENDINGS):
        return is_archive(path)
    return lower.endswith(XML_ENDINGS) and (lower.endswith(".gz") or bool(XML.search(head)))


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(HEAD)
    except OSError:
        return b""


def _stem(package: Path) -> str:
    name = package.resolve().name
    if package.is_dir():
        return name
    for ending in sorted((*XML_ENDINGS, *ARCHIVE_ENDINGS), key=len, reverse=True):
        if name.lower().endswith(ending):
            return name[: -len(ending)]
    return name
