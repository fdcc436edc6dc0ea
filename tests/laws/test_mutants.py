"""A mutation campaign: damaged files never crash, hang or fool the check.

A small board whose check fails is damaged in one of its files, at random but always the same way. Whatever happens, the
check ends with an outcome or with a one-line input error. It may pass only if every file is still a strictly valid one
(then it is another board), judged by a grammar written down here from the format's specification, not by the reader.

The campaign runs in chunks of 100; `-m long` runs 200,000 mutants.
"""

from __future__ import annotations

import random
import re
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from checker import run
from checker.demo.gerber_writer import write_gerber
from checker.demo.ipc2581_writer import write_ipc2581
from checker.demo.sketch import Draw, Hole, Pad, Pour, Sketch, box
from checker.rules_file import Rules
from parsers.trouble import InputError

CHUNKS, SIZE = 20, 100
SLOWEST = 10.0  # s for one mutant; the sound board takes 0.04

BOARD = Sketch(
    title="mutant",
    outline=box(0, 0, 30, 20),
    pours=(
        Pour(net="GND_A", layer="L2", contour=box(1, 1, 13, 19)),
        Pour(net="GND_B", layer="L2", contour=box(16, 1, 29, 19)),
    ),
    draws=(
        Draw(net="SIG", layer="L1", width=0.2, points=((5, 10), (25, 10))),
        Draw(net="BUS", layer="L1", width=0.2, points=((3, 14), (12, 14))),
    ),
    pads=(
        Pad(net="SIG", layer="L1", at=(5, 10), size=(1, 1), refdes="U1", pin="1"),
        Pad(net="SIG", layer="L1", at=(25, 10), size=(1, 1), refdes="U2", pin="1"),
        Pad(net="BUS", layer="L1", at=(3, 14), size=(1, 1), refdes="U1", pin="2"),
        Pad(net="BUS", layer="L1", at=(12, 14), size=(1, 1), refdes="U3", pin="1"),
        Pad(net="GND_A", layer="L1", at=(3, 5), size=(0.6, 0.6), function="ViaPad"),
    ),
    holes=(Hole(at=(3, 5), diameter=0.3, net="GND_A"), Hole(at=(28, 18), diameter=1.0, plated=False)),
)
RULES = """schema = 1
[region.a]
reference = ["GND_A"]
nets = ["*"]
[region.b]
reference = ["GND_B"]
"""

# The Gerber Layer Format Specification 2023.08: words and extended commands that the writer uses, complete as words.
NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)"
WORDS = re.compile(
    r"(?:G0[123]|G75|G36|G37|D0[1-3]|D[1-9]\d+|G04[^*%]*|(?:G0[123])?(?:X[+-]?\d+)?(?:Y[+-]?\d+)?(?:I[+-]?\d+)?"
    r"(?:J[+-]?\d+)?D0[123])\*"
)
EXTENDED = re.compile(
    rf"%(?:FSLAX[1-6][56]Y[1-6][56]|MO(?:MM|IN)|LP[DC]|ADD[1-9]\d+(?:C,{NUMBER}(?:X{NUMBER})?"
    rf"|[RO],{NUMBER}X{NUMBER}(?:X{NUMBER})?)|TD(?:\.[A-Z]\w*)?|T[FAO]\.?[A-Za-z_$][\w.$]*(?:,[^%*]*)?)\*%"
)
FUNCTION = re.compile(
    r"%TF\.FileFunction,(?:Copper,L[12],(?:Top|Bot)(?:,\w+)?|Profile,N?P|Plated,1,2,PTH(?:,\w+)?"
    r"|NonPlated,1,2,NPTH(?:,\w+)?)\*%"
)


def strictly_valid(name: str, data: bytes) -> bool:
    """Whether a file of the package is still a whole one by the grammar above; other files must be untouched."""
    if not name.endswith(".gbr"):
        return False
    try:
        lines = data.decode("ascii").splitlines()
    except UnicodeDecodeError:
        return False
    known = all(WORDS.fullmatch(line) or EXTENDED.fullmatch(line) for line in lines[:-1])
    return known and bool(lines) and lines[-1] == "M02*" and any(map(FUNCTION.fullmatch, lines))


def _cut(data: bytes, dice: random.Random) -> bytes:
    return data[: dice.randrange(len(data))]


def _lose(data: bytes, dice: random.Random) -> bytes:
    start = dice.randrange(len(data))
    return data[:start] + data[start + dice.choice((1, 1, 2, 5, 30)) :]


def _overwrite(data: bytes, dice: random.Random) -> bytes:
    at = dice.randrange(len(data))
    return data[:at] + bytes([dice.choice(b'*%XYDGMT.,-0159 \n\x00\xff<>/"=')]) + data[at + 1 :]


def _insert(data: bytes, dice: random.Random) -> bytes:
    at = dice.randrange(len(data))
    junk = (b"*", b"%", b"%LPC*%\n", b"G36*\n", b"%SRX9Y9I1J1*%\n", b"M02*\n", b"X99999999999999999999D01*\n", b"\x00")
    return data[:at] + dice.choice((*junk, b"NaN", b"1e999", b"<x>", b"&a;", b"-->")) + data[at:]


def _double(data: bytes, dice: random.Random) -> bytes:
    start = dice.randrange(len(data))
    end = start + dice.randrange(1, 60)
    return data[:end] + data[start:end] + data[end:]


def _swap_lines(data: bytes, dice: random.Random) -> bytes:
    lines = data.splitlines(keepends=True)
    i, j = dice.randrange(len(lines)), dice.randrange(len(lines))
    lines[i], lines[j] = lines[j], lines[i]
    return b"".join(lines)


def _drop_line(data: bytes, dice: random.Random) -> bytes:
    lines = data.splitlines(keepends=True)
    del lines[dice.randrange(len(lines))]
    return b"".join(lines)


def _huge_number(data: bytes, dice: random.Random) -> bytes:
    found = list(re.finditer(rb"\d+", data))
    if not found:
        return data
    spot = dice.choice(found)
    return data[: spot.start()] + dice.choice((b"0", b"9" * 40, b"2147483648", b"1")) + data[spot.end() :]


def _empty(_: bytes, __: random.Random) -> bytes:
    return b""


MUTATIONS: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    _cut,
    _lose,
    _overwrite,
    _insert,
    _double,
    _swap_lines,
    _drop_line,
    _huge_number,
    _empty,
)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, bytes], bytes, Rules]:
    """Files of the package, the same board as IPC-2581, and the rules; the board as it is fails."""
    folder = tmp_path_factory.mktemp("sound")
    write_gerber(BOARD, folder / "board")
    xml = write_ipc2581(BOARD, folder / "board.xml", "C")
    (folder / "rules.toml").write_text(RULES)
    rules = run.load_rules(folder / "rules.toml")
    for way in (folder / "board", xml):
        assert run.check(way, rules, run.Options()).outcome.verdict == "fail"
    return {p.name: p.read_bytes() for p in (folder / "board").iterdir()}, xml.read_bytes(), rules


def verdict_of(path: Path, rules: Rules) -> str:
    """Verdict, or `refused`; anything but an input error, or a long wait, fails the test."""
    begin = time.monotonic()
    try:
        verdict = run.check(path, rules, run.Options()).outcome.verdict
    except InputError as error:
        verdict = "refused" if "\n" not in str(error) else "refused in several lines"
    assert time.monotonic() - begin < SLOWEST
    return verdict


def gerber_mutant(files: dict[str, bytes], rules: Rules, folder: Path, seed: int) -> None:
    dice = random.Random(seed)
    name = dice.choice(sorted(files))
    mutation = dice.choice(MUTATIONS)
    mutant = mutation(files[name], dice)
    for other, data in files.items():
        (folder / other).write_bytes(mutant if other == name else data)
    verdict = verdict_of(folder, rules)
    assert verdict in ("pass", "fail", "incomplete", "refused")
    if verdict == "pass":
        kept = folder.parent / f"passed-{seed}-{name}"
        shutil.copy(folder / name, kept)
        assert strictly_valid(name, mutant), f"seed {seed}: {mutation.__name__} of {name} passes; see {kept}"


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_damaged_gerber_packages_never_crash_hang_or_pass(
    chunk: int, sound: tuple[dict[str, bytes], bytes, Rules], tmp_path: Path
) -> None:
    files, _, rules = sound
    (tmp_path / "board").mkdir()
    for seed in range(chunk * SIZE, (chunk + 1) * SIZE):
        gerber_mutant(files, rules, tmp_path / "board", seed)


@pytest.mark.parametrize("chunk", range(4))
def test_damaged_ipc2581_files_never_crash_or_hang(
    chunk: int, sound: tuple[dict[str, bytes], bytes, Rules], tmp_path: Path
) -> None:
    """Cut short they never pass: XML tells where it ends."""
    _, data, rules = sound
    target = tmp_path / "board.xml"
    for seed in range(chunk * SIZE, (chunk + 1) * SIZE):
        dice = random.Random(seed)
        mutation = dice.choice(MUTATIONS)
        target.write_bytes(mutation(data, dice))
        verdict = verdict_of(target, rules)
        assert mutation not in (_cut, _empty) or verdict in ("refused", "incomplete")


@pytest.mark.parametrize("missing", ["mutant-L1.gbr", "mutant-L2.gbr"])
def test_a_copper_layer_that_is_missing_never_passes(
    missing: str, sound: tuple[dict[str, bytes], bytes, Rules], tmp_path: Path
) -> None:
    files, _, rules = sound
    for name, data in files.items():
        if name != missing:
            (tmp_path / name).write_bytes(data)
    assert verdict_of(tmp_path, rules) in ("incomplete", "refused")


@pytest.mark.long
def test_two_hundred_thousand_mutants(sound: tuple[dict[str, bytes], bytes, Rules], tmp_path: Path) -> None:
    files, _, rules = sound
    (tmp_path / "board").mkdir()
    for seed in range(CHUNKS * SIZE, 200_000):
        gerber_mutant(files, rules, tmp_path / "board", seed)
