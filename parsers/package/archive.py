"""Folders and archives as a list of named files, unpacked in memory under limits.

An archive is an untrusted stranger: nothing is written to disk, announced sizes are not believed,
names that leave the package, links, encrypted members and bombs are refused. What is skipped but
may hold copper is a doubt.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import lzma
import os
import stat
import struct
import tarfile
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO

from parsers.trouble import BoardError, Doubt, Place

MAX_MEMBERS = 5_000  # files of a package; real ones have fewer than a hundred
MAX_FILE = 512 * 2**20  # bytes of one file after unpacking
MAX_TOTAL = 1024 * 2**20  # bytes of all files
MAX_RATIO = 200  # unpacked bytes per packed byte; drawings of repeated pads reach some 30
RATIO_FROM = 16 * 2**20  # bytes below which the ratio does not matter
MAX_NAME = 250  # characters of a name that are kept
CHUNK = 2**20
EMPTY = 2  # bytes of nothing, packed
HEAD = 4096  # bytes that tell what a file is

ZIP_MAGIC, GZIP_MAGIC = b"PK\x03\x04", b"\x1f\x8b"
NESTED = (".zip", ".tar", ".tgz", ".gz", ".bz2", ".xz", ".7z", ".rar", ".zst")
SYSTEM_FILES = ("__MACOSX/", ".DS_Store", "Thumbs.db", "desktop.ini")


@dataclass(frozen=True, slots=True)
class Member:
    """A file of a package."""

    name: str  # path inside the package, with slashes
    data: bytes

    @property
    def sha256(self) -> str:
        """Fingerprint of the content."""
        return hashlib.sha256(self.data).hexdigest()

    @property
    def folder(self) -> str:
        """Folder inside the package, "" at the top."""
        parent = str(PurePosixPath(self.name).parent)
        return "" if parent == "." else parent


@dataclass(frozen=True, slots=True)
class Package:
    """All files of a package, sorted by name."""

    name: str
    members: tuple[Member, ...]
    doubts: tuple[Doubt, ...] = ()


def open_folder(path: Path, names: set[str] | None = None) -> Package:
    """Read the files of a folder and its sub-folders.

    Parameters
    ----------
    names : read only these files (paths below the folder)
    """
    members: list[Member] = []
    doubts: list[Doubt] = []
    total = 0
    for file in _walk(path):
        name = _shown(file.relative_to(path).as_posix())
        if names is not None and name not in names:
            continue
        if strange := _strange(file, path):
            why = f"{strange}; replace it by the file itself"
            doubts.append(Doubt(f"{name} is not read", why, Place(name)))
            continue
        if len(members) >= MAX_MEMBERS:
            raise _too_much(f"{MAX_MEMBERS} files", path)
        members.append(Member(name, _read_file(file)))
        total += len(members[-1].data)
        if total > MAX_TOTAL:
            raise _too_much(f"{MAX_TOTAL >> 20} MB of files", path)
    return _package(path.resolve().name, members, doubts)


def _too_much(what: str, path: Path) -> BoardError:
    return BoardError(f"more than {what}; give the folder of one board", Place(str(path)))


# what the libraries raise for archives that are damaged, or of a kind that they do not know
UNPACKING = (
    *(
        zipfile.BadZipFile,
        tarfile.TarError,
        zlib.error,
        lzma.LZMAError,
        struct.error,
        EOFError,
        OSError,
    ),
    *(ValueError, NotImplementedError, RuntimeError, IndexError, OverflowError),
)


def open_archive(path: Path) -> Package:
    """Unpack a .zip, .tar.gz or .tar into memory."""
    data = _read_file(path)
    stem = path.name.split(".")[0]
    try:
        if data.startswith(ZIP_MAGIC):
            members, doubts = _unzip(data, path.name)
        else:
            members, doubts = _untar(data, path.name)
    except UNPACKING as error:
        raise BoardError(
            f"damaged archive ({_first_line(error)}); pack it again", Place(path.name)
        ) from error
    return _package(stem, members, doubts)


def is_archive(path: Path) -> bool:
    """Tell a zip, tar or gzipped tar by its content."""
    with path.open("rb") as file:
        head = file.read(512)
    if head.startswith(GZIP_MAGIC):
        with path.open("rb") as file:
            head = gzip_head(file.read(HEAD))
    return head.startswith(ZIP_MAGIC) or head[257:262] == b"ustar"


def gzip_head(data: bytes) -> bytes:
    """The first bytes inside a gzip, of which only the beginning need be there; nothing if it is
    damaged.
    """
    try:
        return zlib.decompressobj(wbits=31).decompress(data, HEAD)
    except zlib.error:
        return b""


def _package(name: str, members: list[Member], doubts: list[Doubt]) -> Package:
    """A package of the members that are no litter of an operating system; nested archives are
    told.
    """
    kept = [m for m in members if not any(s in m.name for s in SYSTEM_FILES)]
    return Package(
        name, tuple(sorted(kept, key=lambda m: m.name)), tuple(sorted(doubts, key=lambda d: d.what))
    )


def is_nested(name: str) -> bool:
    """Tell an archive inside the package by its name."""
    return name.lower().endswith(NESTED)


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]


# ------------------------------------------------------------------------------------------ folders


def _walk(path: Path) -> Iterator[Path]:
    """All entries below a folder that are no folders, in a fixed order; hidden ones left out, links
    not followed.
    """
    for root, folders, files in os.walk(path, onerror=_unreadable):
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        yield from (Path(root) / f for f in sorted(files) if not f.startswith("."))
        yield from (Path(root) / f for f in folders if (Path(root) / f).is_symlink())


def _unreadable(error: OSError) -> None:
    raise BoardError(f"cannot be read ({error.strerror})", Place(str(error.filename))) from error


def _strange(file: Path, root: Path) -> str:
    """Why an entry is not read: a link out of the folder, a device; "" if it is a plain file."""
    try:
        mode = file.stat().st_mode
        inside = file.resolve().is_relative_to(root.resolve())
    except (OSError, RuntimeError):
        return "a link that leads nowhere"
    if not inside:
        return "a link that leaves the folder"
    return "" if stat.S_ISREG(mode) else "no plain file"


def _read_file(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return _read_limited(file, None, str(path))
    except OSError as error:
        raise BoardError(f"cannot be read ({error.strerror})", Place(str(path))) from error


def _read_limited(stream: IO[bytes] | gzip.GzipFile, packed: int | None, name: str) -> bytes:
    """Read to the end, but no further than the limits."""
    parts, size = [], 0
    while chunk := stream.read(CHUNK):
        size += len(chunk)
        if size > MAX_FILE:
            raise BoardError(
                f"larger than {MAX_FILE >> 20} MB; is it part of a board?", Place(name)
            )
        if packed is not None and size > RATIO_FROM and size > MAX_RATIO * max(packed, 1):
            raise BoardError(
                f"unpacks to more than {MAX_RATIO} times its size; refused as a bomb", Place(name)
            )
        parts.append(chunk)
    return b"".join(parts)


# ----------------------------------------------------------------------------------------- archives


class _Unpacking:
    """Members so far, and the limits on them."""

    def __init__(self, archive: str) -> None:
        self.archive = archive
        self.members: dict[str, Member] = {}
        self.doubts: list[Doubt] = []
        self.total = self.count = 0

    def name(self, name: str) -> str:
        """The checked name of the next member."""
        self.count += 1
        if self.count > MAX_MEMBERS:
            raise BoardError(
                f"more than {MAX_MEMBERS} files; pack the files of one board", Place(self.archive)
            )
        plain = name.replace("\\", "/")
        path = PurePosixPath(plain)
        if path.is_absolute() or ".." in path.parts or plain[1:2] == ":" or "\x00" in plain:
            raise BoardError(
                f"member {_shown(name)} leaves the package; refused", Place(self.archive)
            )
        return _shown(str(path))

    def skip(self, name: str, why: str) -> None:
        """Leave a member out, with a doubt."""
        self.doubts.append(
            Doubt(f"{name} is not read", f"{why}; pack the file itself", Place(name))
        )

    def add(self, name: str, data: bytes) -> None:
        """Take a member."""
        self.total += len(data)
        if self.total > MAX_TOTAL:
            raise BoardError(
                f"unpacks to more than {MAX_TOTAL >> 20} MB; refused", Place(self.archive)
            )
        if name in self.members:
            raise BoardError(f"holds {name} twice; which one is meant?", Place(self.archive))
        self.members[name] = Member(name, data)


def _shown(name: str) -> str:
    """A name fit for one line of text: no line breaks, no halves of characters."""
    return "".join(c if c.isprintable() else "?" for c in name)[:MAX_NAME]


def _unzip(data: bytes, archive: str) -> tuple[list[Member], list[Doubt]]:
    box = _Unpacking(archive)
    with zipfile.ZipFile(io.BytesIO(data)) as file:
        for info in file.infolist():
            name = box.name(info.filename)
            if info.is_dir():
                if info.file_size or info.compress_size > EMPTY:
                    box.skip(name, "it is named as a folder, but holds data")
            elif info.flag_bits & 0x1:
                box.skip(name, "it is encrypted")
            elif stat.S_ISLNK(info.external_attr >> 16):
                box.skip(name, "it is a link")
            else:
                box.add(name, _zip_member(file, info, name))
    return list(box.members.values()), box.doubts


def _zip_member(file: zipfile.ZipFile, info: zipfile.ZipInfo, name: str) -> bytes:
    try:
        with file.open(info) as stream:
            return _read_limited(stream, info.compress_size, name)
    except (NotImplementedError, RuntimeError) as error:
        raise BoardError(f"cannot be unpacked ({_first_line(error)})", Place(name)) from error


def _untar(data: bytes, archive: str) -> tuple[list[Member], list[Doubt]]:
    plain = _gunzip_tar(data, archive) if data.startswith(GZIP_MAGIC) else data
    box = _Unpacking(archive)
    with tarfile.open(fileobj=io.BytesIO(plain), mode="r:") as file:
        for info in file:
            name = box.name(info.name)
            if info.isdir():
                continue
            if not info.isreg():
                box.skip(name, "it is a link or a device")
            elif info.issparse():
                box.skip(name, "it is sparse")
            else:
                stream = file.extractfile(info)
                box.add(name, _read_limited(stream, len(data), name) if stream else b"")
    return list(box.members.values()), box.doubts


def _gunzip_tar(data: bytes, archive: str) -> bytes:
    """The tar inside a gzip, under the limits of the whole package."""
    parts, size = [], 0
    with gzip.open(io.BytesIO(data)) as stream:
        while chunk := stream.read(CHUNK):
            size += len(chunk)
            if size > MAX_TOTAL or (size > RATIO_FROM and size > MAX_RATIO * len(data)):
                raise BoardError(
                    "unpacks to more than a board's files; refused as a bomb", Place(archive)
                )
            parts.append(chunk)
    return b"".join(parts)
