"""Hostile packages: refused with one line or read with a doubt, never a crash and never a silent
board.
"""

from __future__ import annotations

import io
import os
import re
import stat
import tarfile
import time
import tomllib
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from parsers import read_board
from parsers.board import Board
from parsers.trouble import BoardError, InputError
from tests.parsers.package.test_package import BASE, write

TABLE = Path(__file__).parents[3] / "fixtures" / "hostile" / "packages.toml"
CASES: Mapping[str, Mapping[str, Any]] = tomllib.loads(TABLE.read_text(encoding="utf-8"))
TOP = BASE["b-top.gbr"].encode()


# ----------------------------------------------------------------------------------------- builders


def folder(target: Path, case: Mapping[str, Any]) -> Path:
    """A complete board with some files replaced."""
    write(target, BASE)
    for name, content in case.get("files", {}).items():
        (target / name).write_bytes(special(content, BASE.get(name, "")))
    return target


def special(content: str, old: str) -> bytes:
    made: dict[str, Callable[[], bytes]] = {
        "utf-16": lambda: old.encode("utf-16"),
        "utf-8-sig": lambda: old.encode("utf-8-sig"),
        "zeros": lambda: bytes(100_000),
        "long number": lambda: old.replace("X2.0Y2.0", f"X2.0Y2.0\nX{'9' * 5000}Y1.0").encode(),
        "deep json": lambda: b'{"FilesAttributes": ' + b"[" * 100_000,
    }
    return made[content]() if content in made else content.encode()


def folder_with_link(target: Path, _: Mapping[str, Any]) -> Path:
    secret = target.parent / "secret.gbr"
    secret.write_bytes(TOP)
    write(target, BASE)
    (target / "evil.gbr").symlink_to(secret)
    return target


def folder_with_loop(target: Path, _: Mapping[str, Any]) -> Path:
    write(target, BASE)
    (target / "loop").symlink_to(target / "loop")
    return target


def folder_with_pipe(target: Path, _: Mapping[str, Any]) -> Path:
    write(target, BASE)
    os.mkfifo(target / "pipe.gbr")
    return target


def zipped(
    target: Path,
    extra: Callable[[zipfile.ZipFile], None] = lambda _: None,
    base: Mapping[str, str] = BASE,
) -> Path:
    path = target.with_suffix(".zip")
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in base.items():
            archive.writestr(name, text)
        extra(archive)
    return path


def zip_with_name(target: Path, case: Mapping[str, Any]) -> Path:
    return zipped(target, lambda archive: archive.writestr(zipfile.ZipInfo(case["name"]), TOP))


def zip_with_link(target: Path, _: Mapping[str, Any]) -> Path:
    info = zipfile.ZipInfo("evil.gbr")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return zipped(target, lambda archive: archive.writestr(info, "/etc/passwd"))


def zip_bomb(target: Path, _: Mapping[str, Any]) -> Path:
    return zipped(target, lambda archive: archive.writestr("bomb.gbr", bytes(20 * 2**20)))


def zip_with_lying_size(target: Path, _: Mapping[str, Any]) -> Path:
    path = zip_bomb(target, {})
    size = (20 * 2**20).to_bytes(4, "little")
    path.write_bytes(path.read_bytes().replace(size, (100).to_bytes(4, "little")))
    return path


def zip_with_many_members(target: Path, _: Mapping[str, Any]) -> Path:
    def add(archive: zipfile.ZipFile) -> None:
        for i in range(20_000):
            archive.writestr(zipfile.ZipInfo(f"f{i}"), b"")

    return zipped(target, add)


@pytest.mark.filterwarnings("ignore:Duplicate name")
def zip_with_repeated_name(target: Path, _: Mapping[str, Any]) -> Path:
    path = zipped(target, lambda archive: archive.writestr("b-tap.gbr", b"other"))
    path.write_bytes(path.read_bytes().replace(b"b-tap.gbr", b"b-top.gbr"))
    return path


def zip_with_encrypted_flag(target: Path, _: Mapping[str, Any]) -> Path:
    return patched_entry(zipped(target), 8, 6, 0x1)


def zip_with_unknown_compression(target: Path, _: Mapping[str, Any]) -> Path:
    return patched_entry(zipped(target), 10, 8, 97)


def patched_entry(path: Path, central: int, local: int, value: int) -> Path:
    """Change a field of the first member in both of its headers."""
    data = bytearray(path.read_bytes())
    for start in (data.index(b"PK\x01\x02") + central, data.index(b"PK\x03\x04") + local):
        data[start : start + 2] = value.to_bytes(2, "little")
    path.write_bytes(data)
    return path


def zip_cut_off(target: Path, _: Mapping[str, Any]) -> Path:
    path = zipped(target)
    path.write_bytes(path.read_bytes()[:-200])
    return path


def zip_with_flipped_bytes(target: Path, _: Mapping[str, Any]) -> Path:
    path = zipped(target)
    data = bytearray(path.read_bytes())
    for i in range(60, 90):
        data[i] ^= 0xFF
    path.write_bytes(data)
    return path


def zip_with_zip(target: Path, _: Mapping[str, Any]) -> Path:
    inner = zipped(target.parent / "inner").read_bytes()
    return zipped(target, lambda archive: archive.writestr("more.zip", inner))


def zip_of_nothing(target: Path, _: Mapping[str, Any]) -> Path:
    return zipped(target, lambda archive: archive.writestr("readme.txt", "nothing"), {})


def tarred(target: Path, *extra: tuple[tarfile.TarInfo, bytes]) -> Path:
    path = target.with_suffix(".tar.gz")
    with tarfile.open(path, "w:gz") as archive:
        for name, text in BASE.items():
            info = tarfile.TarInfo(name)
            info.size = len(text.encode())
            archive.addfile(info, io.BytesIO(text.encode()))
        for info, data in extra:
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))
    return path


def tar_with_name(target: Path, case: Mapping[str, Any]) -> Path:
    # bytes that are no UTF-8, and a line break
    name = case["name"].replace("surrogate", "\udcff\n-mask.txt")
    return tarred(target, (tarfile.TarInfo(name), b"hello"))


def tar_entry(kind: bytes, link: str = "") -> tarfile.TarInfo:
    info = tarfile.TarInfo("evil.gbr")
    info.type, info.linkname = kind, link
    return info


def tar_with_link(target: Path, _: Mapping[str, Any]) -> Path:
    return tarred(target, (tar_entry(tarfile.SYMTYPE, "/etc/passwd"), b""))


def tar_with_hard_link(target: Path, _: Mapping[str, Any]) -> Path:
    return tarred(target, (tar_entry(tarfile.LNKTYPE, "b-top.gbr"), b""))


def tar_with_device(target: Path, _: Mapping[str, Any]) -> Path:
    return tarred(target, (tar_entry(tarfile.CHRTYPE), b""))


def tar_bomb(target: Path, _: Mapping[str, Any]) -> Path:
    return tarred(target, (tarfile.TarInfo("bomb.gbr"), bytes(20 * 2**20)))


def tar_cut_off(target: Path, _: Mapping[str, Any]) -> Path:
    path = tarred(target)
    path.write_bytes(path.read_bytes()[:-40])
    return path


def single_file(target: Path, case: Mapping[str, Any]) -> Path:
    target.write_text(case["content"])
    return target


def nothing(target: Path, _: Mapping[str, Any]) -> Path:
    return target / "nowhere"


# -------------------------------------------------------------------------------------------- tests


@pytest.mark.parametrize("name", CASES)
def test_hostile_package(name: str, tmp_path: Path) -> None:
    """Each package of the table gives what the table says, in one line."""
    case = CASES[name]
    path = globals()[case["build"]](tmp_path / "board", case)
    if case["outcome"] == "error":
        with pytest.raises(BoardError) as caught:
            read_board(path)
        assert re.search(case["says"], str(caught.value))
        assert "\n" not in str(caught.value)
        return
    board = read_board(path)
    assert all(file.path.isprintable() for file in board.files)
    whats = [doubt.what for doubt in board.doubts]
    if case["outcome"] == "clean":
        assert whats == []
    else:
        assert any(re.search(case["says"], what) for what in whats), whats


def test_limits_leave_room_for_real_packages(tmp_path: Path) -> None:
    """A board with a thousand files beside its layers is read."""
    many = {f"notes/{i}.txt": "hello" for i in range(1000)}
    assert read_board(write(tmp_path / "board", BASE | many)).doubts == ()


def test_members_are_not_written_to_disk(tmp_path: Path) -> None:
    """Reading an archive leaves no file behind."""
    path = zipped(tmp_path / "board")
    read_board(path)
    assert sorted(tmp_path.iterdir()) == [path]


def outcome(path: Path) -> Board | None:
    try:
        return read_board(path)
    except InputError as error:
        assert "\n" not in str(error)  # noqa: PT017 - both ways out are looked at
        return None


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.sampled_from(sorted(BASE)), st.data())
def test_a_mutated_file_never_hides_copper_silently(
    tmp_path: Path, name: str, data: st.DataObject
) -> None:
    """Cutting bytes out of a file gives an error, a doubt, or a board with all its copper and
    holes.

    Where whole operations or digits of an aperture's size are cut out, the rest may be a valid
    other board.
    """
    text = BASE[name].encode()
    start = data.draw(st.integers(0, len(text) - 1))
    end = data.draw(st.integers(start + 1, min(len(text), start + 40)))
    target = write(tmp_path / "board", BASE)
    (target / name).write_bytes(text[:start] + text[end:])
    board = outcome(target)
    if board is None or board.doubts:
        return
    removed = text[start:end]
    other = (
        any(word in removed for word in (b"D03", b"D01", b"X2.0Y2.0"))
        or b"%AD" in text[:start].rpartition(b"\n")[2]
    )
    assert other or (len(board.copper) >= 4 and len(board.holes) >= 1)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_a_mutated_archive_is_read_or_refused(tmp_path: Path, data: st.DataObject) -> None:
    """Flipped bytes in a zip or tar give an error or a board, nothing else."""
    build = data.draw(st.sampled_from([zipped, tarred]))
    path = build(tmp_path / "board")
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(content)
    outcome(path)


def test_an_archive_of_a_kind_to_come_is_refused_in_one_line(tmp_path: Path) -> None:
    """Damage to the version that the directory of a zip asks for; libraries have an error of their
    own for that.
    """
    path = tmp_path / "board.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("b-top.gbr", TOP)
    data = bytearray(path.read_bytes())
    data[data.rindex(b"PK\x01\x02") + 6] = 71  # version needed to extract, in tenths
    path.write_bytes(data)
    with pytest.raises(BoardError, match="damaged archive") as caught:
        read_board(path)
    assert "\n" not in str(caught.value)


HEAD = "%TF.FileFunction,Copper,L1,Top*%\n%FSLAX46Y46*%\n%MOMM*%\nG01*\n%ADD11C,0.4*%\n%TO.N,A*%\nD11*\n"
FLASH = "X5000000Y5000000D03*\n"


@pytest.mark.parametrize(
    ("text", "objects"),
    [
        (FLASH * 50_000, 1),
        ("".join(f"%LP{'DC'[row % 2]}*%\n{FLASH}" for row in range(20_000)), 0),
        ("".join(f"%LP{'CD'[row % 2]}*%\n{FLASH}" for row in range(20_000)), 1),
    ],
)
def test_objects_in_one_place_by_the_thousand_take_no_time(
    text: str, objects: int, tmp_path: Path
) -> None:
    """Pair by pair they would take minutes and all memory."""
    (tmp_path / "top.gbr").write_text(f"{HEAD}{text}M02*\n")
    begin = time.process_time()
    assert len(read_board(tmp_path).copper) == objects
    assert time.process_time() - begin < 10


def test_blocks_by_the_ten_thousand_are_refused(tmp_path: Path) -> None:
    blocks = "".join(f"%ABD{number + 20}*%\nD11*\n{FLASH}%AB*%\n" for number in range(25_000))
    (tmp_path / "top.gbr").write_text(f"{HEAD}{blocks}D20*\n{FLASH}M02*\n")
    assert any("blocks and repeats" in doubt.why for doubt in read_board(tmp_path).doubts)
