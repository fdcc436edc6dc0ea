"""A mutation campaign: damaged files never crash, hang or fool the check.

A small board whose check fails is damaged in one of its files, at random but always the same way.
Whatever happens, the check ends with an outcome or with a one-line input error. It may pass only if
every file is still a strictly valid one (then it is another board), judged by a grammar written
down here from the format's specification, or by the published schema, not by the reader. No damage
to drills, job file, netlist or archive takes the fault away, so none may pass.

Four dresses of that board, and all demo boards in both formats, whose own verdict stands in the
fixtures. The campaign runs in chunks of 50, 900 mutants in all; `-m long` runs the others up to
200,000 (about three hours on one core).
"""

from __future__ import annotations

import random
import re
import time
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import pytest
from lxml import etree

from checker.app import run
from checker.config.rules_file import Rules
from checker.demo.gerber_writer import write_gerber
from checker.demo.ipc2581_writer import write_ipc2581
from checker.demo.sketch import Draw, Hole, Pad, Pour, Sketch, box
from parsers.trouble import InputError

SIZE = 50  # mutants of a chunk
CHUNKS = {"gerber": 7, "tape": 4, "zip": 2, "ipc2581": 4, "fixtures": 1}
LONG = 200_000
FIXTURES = Path(__file__).parents[2] / "fixtures" / "demo"
SCHEMA = Path(__file__).parents[3] / "shared" / "schemas" / "IPC-2581C.xsd"
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
    holes=(
        Hole(at=(3, 5), diameter=0.3, net="GND_A"),
        Hole(at=(28, 18), diameter=1.0, plated=False),
    ),
)
RULES = """schema = 1
[region.a]
reference = ["GND_A"]
nets = ["*"]
[region.b]
reference = ["GND_B"]
"""

# The Gerber Layer Format Specification 2023.08: words and extended commands that the writer uses,
# complete as words.
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
    """Whether a file of the package is still a whole one by the grammar above; other files must be
    untouched.
    """
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
    junk = (
        b"*",
        b"%",
        b"%LPC*%\n",
        b"G36*\n",
        b"%SRX9Y9I1J1*%\n",
        b"M02*\n",
        b"X99999999999999999999D01*\n",
        b"\x00",
    )
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
    return (
        data[: spot.start()]
        + dice.choice((b"0", b"9" * 40, b"2147483648", b"1"))
        + data[spot.end() :]
    )


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


def netlist() -> bytes:
    """The pads of the board as IPC-D-356, in 0.001 mm."""
    pads = [
        f"327{pad.net or 'N/C':<17}{pad.refdes or 'VIA':<6}-{pad.pin or '':<4}       A01"
        f"X{pad.at[0] * 1000:+07.0f}Y{pad.at[1] * 1000:+07.0f}"
        for pad in BOARD.pads
    ]
    return "\n".join(["P  JOB   mutant", "P  UNITS CUST 1", *pads, "999", ""]).encode()


@dataclass(frozen=True)
class Sound:
    """The board in every dress, each of which fails as it is, and the rules."""

    gerber: dict[str, bytes]
    tape: dict[str, bytes]  # with drill programs and a netlist
    zip: bytes
    ipc2581: bytes
    rules: Rules


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Sound:
    folder = tmp_path_factory.mktemp("sound")
    write_gerber(BOARD, folder / "board")
    write_gerber(BOARD, folder / "tape", drills="nc")
    (folder / "tape" / "mutant.ipc").write_bytes(netlist())
    packed = folder / "board.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for number, file in enumerate(sorted((folder / "board").iterdir())):
            way = zipfile.ZIP_DEFLATED if number % 2 else zipfile.ZIP_STORED
            archive.writestr(zipfile.ZipInfo(file.name), file.read_bytes(), way)
    xml = write_ipc2581(BOARD, folder / "board.xml", "C")
    (folder / "rules.toml").write_text(RULES)
    rules = run.load_rules(folder / "rules.toml")
    for way_in in (folder / "board", folder / "tape", packed, xml):
        assert run.check(way_in, rules, run.Options()).outcome.verdict == "fail"
    return Sound(
        {file.name: file.read_bytes() for file in (folder / "board").iterdir()},
        {file.name: file.read_bytes() for file in (folder / "tape").iterdir()},
        packed.read_bytes(),
        xml.read_bytes(),
        rules,
    )


def verdict_of(path: Path, rules: Rules) -> str:
    """Verdict, or `refused`; anything but an input error, or a long wait, fails the test."""
    begin = time.process_time()
    try:
        verdict = run.check(path, rules, run.Options()).outcome.verdict
    except InputError as error:
        verdict = "refused" if "\n" not in str(error) else "refused in several lines"
    assert time.process_time() - begin < SLOWEST
    assert verdict in ("pass", "fail", "incomplete", "refused")
    return verdict


def damaged(data: bytes, seed: int) -> tuple[bytes, str]:
    """A mutant, and how it came about."""
    dice = random.Random(seed)
    mutation = dice.choice(MUTATIONS)
    return mutation(data, dice), f"seed {seed}: {mutation.__name__}"


def package_mutant(
    files: dict[str, bytes], names: Sequence[str], rules: Rules, folder: Path, seed: int
) -> None:
    """Damage one of the named files of a package."""
    name = random.Random(-seed).choice(names)
    mutant, how = damaged(files[name], seed)
    judge_package(files, name, mutant, rules, folder, how)


def judge_package(
    files: dict[str, bytes], name: str, mutant: bytes, rules: Rules, folder: Path, how: str
) -> None:
    """Check the package with one of its files damaged."""
    folder.mkdir(exist_ok=True)
    for other, data in files.items():
        (folder / other).write_bytes(mutant if other == name else data)
    if verdict_of(folder, rules) == "pass":
        assert strictly_valid(name, mutant), f"{how} of {name} passes: {mutant!r}"


def gerber_mutant(sound: Sound, folder: Path, seed: int) -> None:
    package_mutant(sound.gerber, sorted(sound.gerber), sound.rules, folder / "board", seed)


def tape_mutant(sound: Sound, folder: Path, seed: int) -> None:
    names = sorted(name for name in sound.tape if not name.endswith(".gbr"))
    package_mutant(sound.tape, names, sound.rules, folder / "tape", seed)


def zip_mutant(sound: Sound, folder: Path, seed: int) -> None:
    mutant, how = damaged(sound.zip, seed)
    (folder / "board.zip").write_bytes(mutant)
    assert verdict_of(folder / "board.zip", sound.rules) != "pass", how


def ipc2581_mutant(sound: Sound, folder: Path, seed: int) -> None:
    mutant, how = damaged(sound.ipc2581, seed)
    (folder / "board.xml").write_bytes(mutant)
    if verdict_of(folder / "board.xml", sound.rules) == "pass":
        kept = folder.parent / f"passed-{seed}.xml"
        kept.write_bytes(mutant)
        assert valid_xml(mutant, sound.ipc2581), f"{how} passes; see {kept}"


def valid_xml(mutant: bytes, original: bytes) -> bool:
    """Whether a file is valid by the published schema; without it, whether it is made of the
    original's elements.
    """
    try:
        tree = etree.fromstring(mutant)
    except etree.XMLSyntaxError:
        return False
    if SCHEMA.exists():
        return bool(schema().validate(tree))
    return _shapes_of(tree) <= _shapes_of(etree.fromstring(original))


@lru_cache(maxsize=1)
def schema() -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(SCHEMA))


def _shapes_of(tree: etree._Element) -> set[tuple[str, ...]]:
    """What elements there are: their own name, their parent's, and the names of their
    attributes.
    """
    elements = [e for e in tree.iter() if isinstance(e.tag, str)]
    parents = (e.getparent() for e in elements)
    tags = [str(parent.tag) if parent is not None else "" for parent in parents]
    return {
        (tag, str(e.tag), *sorted(map(str, e.attrib)))
        for tag, e in zip(tags, elements, strict=True)
    }


@lru_cache(maxsize=1)
def fixtures() -> list[tuple[Path, Rules, str]]:
    """All demo boards in each of their forms that fail, with their rules."""
    found = []
    for home in sorted(path.parent for path in FIXTURES.glob("*/rules.toml")):
        rules = run.load_rules(home / "rules.toml")
        forms = (home / "board", home / "board-B1.xml", home / "board-C.xml")
        if run.check(forms[0], rules, run.Options()).outcome.verdict == "fail":
            found += [(form, rules, home.name) for form in forms]
    return found


def fixture_mutant(_: Sound, folder: Path, seed: int) -> None:
    """Damage a file of a demo board."""
    board, rules, title = random.Random(~seed).choice(fixtures())
    if board.is_dir():
        files = {file.name: file.read_bytes() for file in board.iterdir()}
        package_mutant(files, sorted(files), rules, folder / title, seed)
        return
    original = board.read_bytes()
    mutant, how = damaged(original, seed)
    (folder / board.name).write_bytes(mutant)
    if verdict_of(folder / board.name, rules) == "pass":
        assert valid_xml(mutant, original), f"{how} of {board} passes"


MUTANTS: dict[str, Callable[[Sound, Path, int], None]] = {
    "gerber": gerber_mutant,
    "tape": tape_mutant,
    "zip": zip_mutant,
    "ipc2581": ipc2581_mutant,
    "fixtures": fixture_mutant,
}


@pytest.mark.parametrize(
    ("kind", "chunk"), [(kind, n) for kind, count in CHUNKS.items() for n in range(count)]
)
def test_damaged_files_never_crash_hang_or_pass(
    kind: str, chunk: int, sound: Sound, tmp_path: Path
) -> None:
    for seed in range(chunk * SIZE, (chunk + 1) * SIZE):
        MUTANTS[kind](sound, tmp_path, seed)


def shorter_commands(data: bytes) -> Iterator[bytes]:
    """The file with one kind of command short of values: each distinct one cut after every value,
    or emptied there.
    """
    for command in dict.fromkeys(re.findall(rb"(?:%|; #@! )([^%*\n]+)", data)):
        words = command.split(b",")
        for count in range(len(words)):
            for part in (words[:count], [*words[:count], b"", *words[count + 1 :]]):
                yield data.replace(command, b",".join(part))


@pytest.mark.parametrize("dress", ["gerber", "tape"])
def test_commands_short_of_values_never_crash_or_pass(
    dress: str, sound: Sound, tmp_path: Path
) -> None:
    files = sound.gerber if dress == "gerber" else sound.tape
    same = sound.gerber if dress == "tape" else {}  # told as layers of the other dress
    for name in sorted(name for name in files if files[name] != same.get(name)):
        for mutant in dict.fromkeys(shorter_commands(files[name])):
            judge_package(files, name, mutant, sound.rules, tmp_path / "board", "a shorter command")


ODD = ("", "-1", "1e999", "nan")


def poorer_elements(data: bytes, odd_ones: int) -> Iterator[bytes]:
    """The file with one attribute of one element lost, emptied or odd, once for each kind of
    element and attribute: in some of four ways, the next ones at the next.
    """
    tree = etree.fromstring(data)
    seen = set()
    for element in tree.iter():
        parent = element.getparent()
        for name in list(map(str, element.attrib)):
            kind = (parent.tag if parent is not None else "", element.tag, name)
            if kind in seen:
                continue
            seen.add(kind)
            kept = element.attrib.pop(name)
            yield etree.tostring(tree)
            for step in range(odd_ones):
                element.set(name, ODD[(len(seen) + step) % len(ODD)])
                yield etree.tostring(tree)
            element.set(name, kept)


@pytest.mark.parametrize("odd_ones", [1, pytest.param(4, marks=pytest.mark.long)])
def test_ipc2581_elements_with_poorer_attributes_never_crash_or_pass(
    odd_ones: int, sound: Sound, tmp_path: Path
) -> None:
    """Each attribute lost, and odd in one way; in all four in the long run."""
    for mutant in poorer_elements(sound.ipc2581, odd_ones):
        (tmp_path / "board.xml").write_bytes(mutant)
        if verdict_of(tmp_path / "board.xml", sound.rules) == "pass":
            assert valid_xml(mutant, sound.ipc2581), mutant


@pytest.mark.parametrize("mutation", [_cut, _empty])
def test_ipc2581_files_cut_short_never_pass_and_never_fail(
    mutation: Callable[[bytes, random.Random], bytes], sound: Sound, tmp_path: Path
) -> None:
    """XML tells where it ends."""
    for seed in range(20):
        (tmp_path / "board.xml").write_bytes(mutation(sound.ipc2581.rstrip(), random.Random(seed)))
        assert verdict_of(tmp_path / "board.xml", sound.rules) in ("refused", "incomplete")


@pytest.mark.parametrize("missing", ["mutant-L1.gbr", "mutant-L2.gbr"])
def test_a_copper_layer_that_is_missing_never_passes(
    missing: str, sound: Sound, tmp_path: Path
) -> None:
    for name, data in sound.gerber.items():
        if name != missing:
            (tmp_path / name).write_bytes(data)
    assert verdict_of(tmp_path, sound.rules) in ("incomplete", "refused")


@pytest.mark.long
@pytest.mark.parametrize("kind", sorted(MUTANTS))
def test_two_hundred_thousand_mutants(kind: str, sound: Sound, tmp_path: Path) -> None:
    for seed in range(CHUNKS[kind] * SIZE, LONG // len(MUTANTS)):
        MUTANTS[kind](sound, tmp_path, seed)
