"""A campaign of mutants of whole packages: what a damaged file loses is told, or the file is
another valid one.

Each mutant is a package with one file damaged in one place. What is read of it (copper area of each
layer, nets with their copper, holes, pins) is held against the unhurt board. The outcome of a
mutant is

    refused   an input error of one line          doubted   a doubt that the unhurt board does not have
    harmless  nothing that is compared differs    other     it differs, and its file is valid: another board
    silent    it differs, its file is not valid by the grammars below, and nothing is said: a fault of the reader

Run by hand: `python -m tests.laws.campaign --mutants 18000 --real 2000` prints the counts; faults
are kept in a folder.
"""

from __future__ import annotations

import argparse
import json
import random
import re
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

import numpy as np
import shapely
from lxml import etree

from checker.app import run
from parsers import read_board
from parsers.board import PLATED, Board
from parsers.trouble import InputError

ROOT = Path(__file__).parents[2]
DEMOS = ROOT / "fixtures" / "demo"
REAL = ROOT.parent / "shared" / "boards"
SCHEMAS = ROOT.parent / "shared" / "schemas"
SMALL = 17_000  # bytes of a demo board that is damaged
SAMPLE = 20  # one mutant in so many is checked as well as read
AREA = 1e-4  # mm2 of a layer that count as a difference
OUTCOMES = ("refused", "doubted", "harmless", "other", "silent")


@dataclass(frozen=True)
class Measure:
    """What is compared: copper area by layer, nets with copper, holes by plating, pins."""

    areas: tuple[float, ...]
    nets: tuple[str, ...]
    holes: tuple[tuple[int, float], ...]
    pins: tuple[tuple[str, str, str], ...]

    def differs(self, other: Measure) -> bool:
        """Whether two boards are not the same by these measures."""
        same = (self.nets, self.holes, self.pins) == (other.nets, other.holes, other.pins)
        return (
            not same
            or len(self.areas) != len(other.areas)
            or not np.allclose(self.areas, other.areas, atol=AREA)
        )


def measure(board: Board) -> Measure:
    """Measure a board."""
    shapes = board.copper.shapes()
    layers = [np.flatnonzero(board.copper.layer == index) for index in range(len(board.layers))]
    return Measure(
        areas=tuple(float(shapely.area(shapes[rows]).sum()) for rows in layers),
        nets=tuple(sorted({board.net_name(n) for n in np.unique(board.copper.net).tolist()})),
        holes=tuple(
            sorted(
                zip(
                    (board.holes.plated == PLATED).tolist(),
                    np.round(board.holes.radius, 4).tolist(),
                    strict=True,
                )
            )
        ),
        pins=tuple(
            sorted(
                (c.refdes, p.number, board.net_name(p.net))
                for c in board.components
                for p in c.pins
            )
        ),
    )


# ------------------------------------------------------------------------------------------- damage

Damage = Callable[[bytes, random.Random], bytes]


def lose_bytes(data: bytes, dice: random.Random) -> bytes:
    at = dice.randrange(len(data))
    return data[:at] + data[at + dice.choice((1, 1, 2, 5, 30)) :]


def change_byte(data: bytes, dice: random.Random) -> bytes:
    at = dice.randrange(len(data))
    return data[:at] + bytes([dice.choice(b'*%XYDGMT.,-0159 \n\x00\xff\xe4<>/"=')]) + data[at + 1 :]


def add_bytes(data: bytes, dice: random.Random) -> bytes:
    at = dice.randrange(len(data))
    junk = (
        b"*",
        b"%",
        b" ",
        b"\n",
        b"%LPC*%\n",
        b"G36*\n",
        b"M02*\n",
        b"NaN",
        b"1e999",
        b"<x>",
        b"&a;",
        b"\xe4",
        b"\x00",
    )
    return data[:at] + dice.choice(junk) + data[at:]


def blank_in_a_number(data: bytes, dice: random.Random) -> bytes:
    found = list(re.finditer(rb"\d\d+", data))
    if not found:
        return data
    spot = dice.choice(found)
    at = dice.randrange(spot.start(), spot.end())
    return data[:at] + b" " + data[at + 1 :]


def lose_a_line(data: bytes, dice: random.Random) -> bytes:
    lines = data.splitlines(keepends=True)
    del lines[dice.randrange(len(lines))]
    return b"".join(lines)


def swap_lines(data: bytes, dice: random.Random) -> bytes:
    lines = data.splitlines(keepends=True)
    i, j = dice.randrange(len(lines)), dice.randrange(len(lines))
    lines[i], lines[j] = lines[j], lines[i]
    return b"".join(lines)


def strange_number(data: bytes, dice: random.Random) -> bytes:
    found = list(re.finditer(rb"\d+\.?\d*", data))
    if not found:
        return data
    spot = dice.choice(found)
    strange = (b"0", b"-1", b"9" * 40, b"1e308", b"NaN", b"")
    return data[: spot.start()] + dice.choice(strange) + data[spot.end() :]


def cut_short(data: bytes, dice: random.Random) -> bytes:
    return data[: dice.randrange(len(data))]


def empty(_: bytes, __: random.Random) -> bytes:
    return b""


DAMAGES: tuple[Damage, ...] = (
    lose_bytes,
    change_byte,
    add_bytes,
    blank_in_a_number,
    lose_a_line,
    swap_lines,
    strange_number,
    cut_short,
    empty,
)

# ----------------------------------------------------------------------------------------- validity

NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)"
# The Gerber Layer Format Specification 2023.08, 3.3 and 4: words, one a line as all exporters write
# them.
WORD = re.compile(
    r"(?:M0[0-2]|G0?[123]|G7[045]|G90|G71|G3[67]|(?:G54)?D0?[1-9]\d*|G0?4[^*%]*|(?:G0?[123])?(?:X[+-]?\d+)?(?:Y[+-]?\d+)?"
    r"(?:I[+-]?\d+)?(?:J[+-]?\d+)?(?:D0?[123])?)\*"
)
COMMAND = re.compile(
    rf"%(?:(?:FS[LT]A(?:X[1-6]\d)(?:Y[1-6]\d)|MO(?:MM|IN)|LP[DC]|LM[NXY]+|L[RS]{NUMBER}|LN[^*%]*|IPPOS|IR0"
    rf"|(?:MIA0B0|OFA0\.?0*B0\.?0*|SFA1\.?0*B1\.?0*|ASAXBY)|ADD[1-9]\d+[A-Za-z_]\w*(?:,{NUMBER}(?:X{NUMBER})*)?"
    rf"|TD(?:\.[A-Z]\w*)?|T[FAO]\.?[A-Za-z_$][\w.$]*(?:,[^%*]*)?)\*)+%"
)
MACRO = re.compile(r"%AM[^*%]+\*(?:[^*%]+\*)+\s*%")
# Excellon: common practice, no source.
DRILL = re.compile(
    rf"M48|R\d+(?:X{NUMBER})?(?:Y{NUMBER})?|M30|M95|M71|M72|G05|G90|%|;.*|(?:METRIC|INCH)(?:,[LT]Z)?(?:,0+\.0+)?|FMAT,2|T\d+(?:[CFSBHZ]{NUMBER})*"
    rf"|(?:X{NUMBER})?(?:Y{NUMBER})?(?:G85(?:X{NUMBER})?(?:Y{NUMBER})?)?|M1[567]|G0[0123](?:X{NUMBER})?(?:Y{NUMBER})?(?:A{NUMBER})?"
)


def is_valid(name: str, data: bytes, original: bytes) -> bool:
    """Whether a file is a whole one of its format, judged by grammars that are not the reader's."""
    try:
        text = data.decode()
    except UnicodeDecodeError:
        return False
    if any(not (c.isprintable() or c in "\r\n\t") for c in text):
        return False
    if name.endswith((".xml", ".cvg")):
        return _valid_xml(data) if _valid_xml(original) else _same_elements(data, original)
    return _valid_lines(name, text)


def _valid_lines(name: str, text: str) -> bool:
    lines = [line.strip("\r") for line in text.rstrip().split("\n")]
    if text.lstrip().startswith(("M48", "%\n")) or name.endswith((".drl", ".nc")):
        return lines[-1] in ("M30", "M00") and all(DRILL.fullmatch(line) for line in lines)
    if name.endswith(".gbrjob"):
        return _is_json(text)  # what it says is compared with the files
    if "%FS" not in text or lines[-1] != "M02*" or len(re.findall(r"%FS", text)) != 1:
        return False
    rest = MACRO.sub("", text.replace("\r", "")).replace("*%%", "*%\n%").split("\n")
    return all(
        not line or WORD.fullmatch(line) or COMMAND.fullmatch(line) for line in map(str.strip, rest)
    )


def _is_json(text: str) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return False
    return True


@lru_cache(maxsize=4)
def _schema(revision: str) -> etree.XMLSchema | None:
    path = SCHEMAS / f"IPC-2581{revision}.xsd"
    return etree.XMLSchema(etree.parse(path)) if path.exists() else None


def _valid_xml(data: bytes) -> bool:
    try:
        tree = etree.fromstring(data)
    except etree.XMLSyntaxError:
        return False
    schema = _schema(tree.get("revision", "C"))
    return schema is None or bool(schema.validate(tree))


def _same_elements(data: bytes, original: bytes) -> bool:
    """Whether a file that no schema fits is made of the elements of the original, each with its
    attributes.
    """
    try:
        return _elements(data) <= _elements(original)
    except etree.XMLSyntaxError:
        return False


def _elements(data: bytes) -> set[tuple[str, ...]]:
    tree = [element for element in etree.fromstring(data).iter() if isinstance(element.tag, str)]
    return {(str(element.tag), *sorted(map(str, element.attrib))) for element in tree}


# ------------------------------------------------------------------------------------------ mutants


@dataclass(frozen=True)
class Subject:
    """An unhurt board: its files, what is read of it, its doubts, and its findings if there are
    rules.
    """

    name: str
    files: dict[str, bytes]
    whole: bool  # a package; else one file
    measure: Measure
    doubts: frozenset[str]
    path: Path
    rules: Path | None

    def findings(self, path: Path) -> frozenset[str]:
        """Ids of what a check of a mutant finds."""
        return _findings(path, self.rules) if self.rules else frozenset()


@cache
def subject(path: Path, rules: Path | None) -> Subject:
    """An unhurt board from its files."""
    files = (
        [path]
        if path.is_file()
        else sorted(p for p in path.rglob("*") if p.is_file() and p.suffix != ".toml")
    )
    root = path.parent if path.is_file() else path
    board = read_board(path)
    return Subject(
        name=f"{path.parent.name}/{path.name}",
        files={file.relative_to(root).as_posix(): file.read_bytes() for file in files},
        whole=path.is_dir(),
        measure=measure(board),
        doubts=frozenset(doubt.what for doubt in board.doubts),
        path=path,
        rules=rules,
    )


def _findings(path: Path, rules: Path) -> frozenset[str]:
    checked = run.check(path, run.load_rules(rules), run.Options())
    return frozenset(finding.id for finding in checked.outcome.findings)


@cache
def _own_findings(path: Path, rules: Path) -> frozenset[str]:
    return _findings(path, rules)


def demos() -> list[Subject]:
    """The smaller demo boards in all their forms."""
    homes = [path.parent for path in sorted(DEMOS.glob("*/rules.toml"))]
    forms = [home / form for home in homes for form in ("board", "board-B1.xml", "board-C.xml")]
    small = [
        form
        for form in forms
        if form.exists() and (form.parent / "board-C.xml").stat().st_size < SMALL
    ]
    return [subject(form, form.parent / "rules.toml") for form in small]


def real_boards() -> list[Subject]:
    """The public boards beside the project; none where they are absent."""
    found = []
    for folder in sorted(path for path in REAL.glob("*") if path.is_dir()):
        path = (
            folder / "board"
            if (folder / "board").is_dir()
            else next(iter(folder.glob("*.xml")), folder)
        )
        found.append(subject(path, None))
    return found


def mutants(
    subjects: Sequence[Subject], seeds: Sequence[int]
) -> Iterator[tuple[int, Subject, str, str, bytes]]:
    """Seed, board, file, kind of damage and the damaged file."""
    for seed in seeds:
        dice = random.Random(seed)
        chosen = dice.choice(subjects)
        name = dice.choice(sorted(name for name, data in chosen.files.items() if data))
        damage = dice.choice(DAMAGES)
        yield seed, chosen, name, damage.__name__, damage(chosen.files[name], dice)


def outcome(chosen: Subject, name: str, data: bytes, folder: Path, *, check: bool = False) -> str:
    """What becomes of a mutant; see the top."""
    if data == chosen.files[name]:
        return "harmless"
    for other, content in chosen.files.items():
        (folder / other).parent.mkdir(parents=True, exist_ok=True)
        (folder / other).write_bytes(data if other == name else content)
    target = folder if chosen.whole else folder / name
    try:
        board = read_board(target)
    except InputError as error:
        return "refused" if "\n" not in str(error) else "silent"
    if {doubt.what for doubt in board.doubts} - chosen.doubts:
        return "doubted"
    changed = measure(board).differs(chosen.measure)
    if not changed and check and chosen.rules:
        changed = chosen.findings(target) != _own_findings(chosen.path, chosen.rules)
    if not changed:
        return "harmless"
    return "other" if is_valid(name, data, chosen.files[name]) else "silent"


def campaign(
    subjects: Sequence[Subject], seeds: Sequence[int], kept: Path, every: int = 0
) -> Counter[tuple[str, str]]:
    """Run mutants; the silent ones are kept as files. Counts by (damage, outcome)."""
    counts: Counter[tuple[str, str]] = Counter()
    for number, (seed, chosen, name, damage, data) in enumerate(mutants(subjects, seeds), 1):
        with tempfile.TemporaryDirectory() as folder:
            result = outcome(chosen, name, data, Path(folder), check=seed % SAMPLE == 0)
        counts[damage, result] += 1
        if result == "silent":
            kept.mkdir(parents=True, exist_ok=True)
            place = f"{seed}-{damage}-{chosen.name.replace('/', '_')}-{name.replace('/', '_')}"
            (kept / place).write_bytes(data)
            (kept / f"{place}.sound").write_bytes(chosen.files[name])
        if every and number % every == 0:
            sys.stdout.write(f"{number}: {dict(_totals(counts))}\n")
            sys.stdout.flush()
    return counts


def _totals(counts: Counter[tuple[str, str]]) -> Counter[str]:
    totals: Counter[str] = Counter()
    for (_, result), count in counts.items():
        totals[result] += count
    return totals


def table(counts: Counter[tuple[str, str]]) -> str:
    """The counts as text: a line for each kind of damage."""
    lines = [f"{'damage':<20}" + "".join(f"{name:>10}" for name in OUTCOMES)]
    for damage in DAMAGES:
        cells = [counts[damage.__name__, name] for name in OUTCOMES]
        lines.append(f"{damage.__name__:<20}" + "".join(f"{cell:>10}" for cell in cells))
    totals = _totals(counts)
    lines.append(f"{'all':<20}" + "".join(f"{totals[name]:>10}" for name in OUTCOMES))
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run the campaign and print its counts."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--mutants", type=int, default=2000, help="of the demo boards")
    parser.add_argument("--real", type=int, default=0, help="of the boards beside the project")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--kept", type=Path, default=Path(tempfile.gettempdir()) / "silent-mutants")
    args = parser.parse_args()
    shutil.rmtree(args.kept, ignore_errors=True)
    for title, subjects, count in (("demo", demos, args.mutants), ("real", real_boards, args.real)):
        if count:
            counts = campaign(
                subjects(), range(args.first, args.first + count), args.kept, every=200
            )
            sys.stdout.write(f"{title} boards\n{table(counts)}")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
