"""Damaged and hostile files: one line of error or a doubt, in bounded time, never a traceback and
never silence.

Limits: a file that announces more than the product expands is refused. Times are of the processor,
generous.
"""

from __future__ import annotations

import random
import time

import pytest

from parsers.assembly.image import compose
from parsers.gerber import file_attributes, looks_like_gerber, read_gerber
from parsers.trouble import BoardError
from tests.parsers.gerber.layers import BOARD_FILES, copper, layer, needs_boards
from tests.parsers.gerber.test_reference import FEATURES
from tests.parsers.gerber.test_worked_examples import IMAGES

SAMPLES = [
    *(layer(words.replace("\n", " ")) for words, _, _ in IMAGES.values()),
    *map(layer, FEATURES.values()),
]
PEN = "%ADD10C,1*% D10"
PATIENCE = 20.0  # s of processor time for any single file here, on any machine


def survives(data: bytes) -> set[str] | None:
    """Read and compose whatever it is; give the doubts, or None for a file that is refused."""
    start = time.process_time()
    file_attributes(data)
    looks_like_gerber(data)
    doubts: set[str] | None = None
    message = ""
    try:
        found = read_gerber(data, "layer.gbr")
        compose(found).bounds()
        doubts = {doubt.what for doubt in found.doubts}
    except BoardError as refusal:
        message = str(refusal)
    assert time.process_time() - start < PATIENCE
    assert "\n" not in message
    return doubts


@pytest.mark.parametrize("sample", range(len(SAMPLES)))
def test_truncated_anywhere(sample: int) -> None:
    """A file cut at every hundredth byte, and at every byte of its last hundred, is refused or
    doubted.
    """
    data = SAMPLES[sample].rstrip()
    for end in {*range(0, len(data), 100), *range(max(0, len(data) - 100), len(data))}:
        doubts = survives(data[:end])
        assert doubts is None or "no end mark (M02)" in doubts


@needs_boards
def test_real_layers_truncated() -> None:
    """Layers of real boards, cut at a dozen places each, are refused or doubted."""
    for path in BOARD_FILES:
        data = path.read_bytes()[:50_000].rstrip()
        for end in range(1, len(data), len(data) // 12):
            doubts = survives(data[:end])
            assert doubts is None or doubts


@pytest.mark.parametrize(
    "word", ["WHAT*", "%XX*%", "%TO.Q,1*%", "G99*", "D07*", "X1.0Y1.0D01*", "12*", "%LPQ*%", "M99*"]
)
def test_unknown_command_anywhere(word: str) -> None:
    """An unknown command between any two others is a doubt."""
    lines = layer(*FEATURES["dark and clear in turns"].split("\n")).split(b"\n")
    for place in range(2, len(lines) - 2):
        doubts = survives(b"\n".join([*lines[:place], word.encode(), *lines[place:]]))
        assert doubts is None or doubts


@pytest.mark.parametrize("name", FEATURES)
def test_lost_punctuation_is_never_silent(name: str) -> None:
    """Without any single one of its `*` and `%`, a file is refused, doubted, or gives the same
    copper.
    """
    data = layer(*FEATURES[name].split("\n"))
    whole = copper(read_gerber(data, "layer.gbr"))
    for place in [k for k, byte in enumerate(data) if byte in b"*%"]:
        damaged = data[:place] + data[place + 1 :]
        if survives(damaged) == set():
            assert (
                copper(read_gerber(damaged, "layer.gbr")).symmetric_difference(whole).area < 1e-9
            ), damaged


PIECES = (
    *(
        b"%",
        b"*",
        b"\n",
        b"%LPC*%",
        b"%LPD*%",
        b"G36*",
        b"G37*",
        b"G74*",
        b"G75*",
        b"G91*",
        b"D02*",
        b"X",
        b"Y",
        b"I",
    ),
    *(
        b"-",
        b"9999999999",
        b"%SRX3Y3I1J1*%",
        b"%SR*%",
        b"%ABD50*%",
        b"%AB*%",
        b"D50*",
        b"X0Y0D03*",
        b"%LR45*%",
    ),
    *(
        b"%LS0*%",
        b"%LS1000*%",
        b"%LMX*%",
        b"%TD*%",
        b"%TO.N,A,B*%",
        b"%TO.P,U1,2*%",
        b"G02*",
        b"(",
        b"$1",
        b"/",
        b"1e9",
    ),
    *(
        b".",
        b"\\u0041",
        b"\xff",
        b"\xc3",
        b"M02*",
        b"%ADD10C,0*%",
        b"%ADD10R,0X0*%",
        b"%SRX99999Y99999I1J1*%",
    ),
    *(
        b"%IPNEG*%",
        b"%MIA1B1*%",
        b"%OFA5B5*%",
        b"%IR90*%",
        b"%ASAYBX*%",
        b"%FSTAX24Y24*%",
        b"%MOIN*%",
        b"\0",
    ),
)


def mutant(data: bytes, dice: random.Random) -> bytes:
    """Damage a file in one to four places: cut, insert, overwrite or repeat something."""
    for _ in range(dice.choice((1, 1, 2, 4))):
        place, length = dice.randrange(len(data) + 1), dice.choice((1, 1, 3, 20, 200))
        rest = place + length
        kind = dice.randrange(5)
        new = (
            b"",
            dice.choice(PIECES),
            dice.randbytes(length),
            data[place:rest] * 2,
            dice.choice(PIECES),
        )[kind]
        data = data[:place] + new + data[place if kind == 1 else rest :]
    return data


@pytest.mark.parametrize("seed", range(10))
def test_mutants(seed: int) -> None:
    """Forty mutants of the sample files for each seed are read or refused without a traceback."""
    dice = random.Random(seed)
    for _ in range(40):
        survives(mutant(dice.choice(SAMPLES), dice))


@pytest.mark.long
def test_many_mutants() -> None:
    """The long run: 100,000 mutants, about an hour."""
    dice = random.Random(2024)
    for _ in range(100_000):
        survives(mutant(dice.choice(SAMPLES), dice))


def _macro(*words: str) -> bytes:
    return layer(f"%AMM*{'*'.join(words)}*%", "%ADD10M*%", "D10 X0Y0D03")


HOSTILE = {
    "huge coordinate": layer(PEN, "X99999999999Y0D03"),
    "coordinate of 40 digits": layer(PEN).replace(b"M02", b"X" + b"9" * 40 + b"Y0D03*M02"),
    "coordinate of a million digits": (
        layer(PEN).replace(b"M02", b"X" + b"9" * 1_000_000 + b"Y0D03*M02")
    ),
    "huge aperture": layer("%ADD10C,99999999999*%", "D10 X0Y0D03"),
    "aperture of 400 digits": layer(f"%ADD10C,{'9' * 400}*%", "D10 X0Y0D03"),
    "scale out of bounds": layer(PEN, "%LS1000000000*% X0Y0D03"),
    "scale to nothing": layer("%ADD10R,1X1*%", "%LS0.000001*% D10 X0Y0D03"),
    "repeat of 10^9": layer(PEN, "%SRX99999Y99999I1J1*% X0Y0D03 %SR*%"),
    "macro of powers": _macro(
        "$1=9", *(f"${k + 1}=${k}x${k}" for k in range(1, 20)), "1,1,$20,0,0"
    ),
    "macro of brackets": _macro("1,1," + "(" * 30 + "1" + ")" * 30 + ",0,0"),
    "macro of brackets beyond bounds": _macro("1,1," + "(" * 5000 + "1" + ")" * 5000 + ",0,0"),
    "macro of signs": _macro("1,1," + "-" * 450 + "1,0,0"),
    "macro of a long sum": _macro("1,1," + "1+" * 20_000 + "1,0,0"),
    "macro of a thousand holes": _macro(
        "21,1,100,100,0,0,0", *(f"1,0,0.1,{k / 20},{k % 7},0" for k in range(900))
    ),
    "macros of many expressions": layer(
        *(f"%AMM{k}*1,1,$1+{k}x(2+{k}),0,0*%" for k in range(5000))
    ),
    "100,000 apertures": layer(*(f"%ADD{k}C,0.{k}*%" for k in range(10, 100_010)), "D50 X0Y0D03"),
    "3,000 apertures in use": layer(
        *(f"%ADD{k}R,0.1X0.{k}*% D{k} X0Y0D03" for k in range(10, 3_010))
    ),
    "self-crossing area of 3000 corners": layer(
        "G36 X0Y0D02", *(f"X{k * 7919 % 1000}Y{k * 104729 % 997}D01" for k in range(3000)), "G37"
    ),
    "1,000 areas that cross themselves": layer(
        *["G36 X0Y0D02 X4Y4D01 Y0D01 X0Y4D01 Y0D01 G37"] * 1000
    ),
    "1,000 clears on 50 strokes": layer(
        PEN,
        *(f"X0Y{k / 5}D02 X200D01" for k in range(50)),
        "%LPC*%",
        *(f"X{k % 200}Y{k // 200}D03" for k in range(1_000)),
    ),
    "2,000 clears on each of 2,000 areas": layer(
        "%ADD10R,50X50*% %ADD11C,1*%",
        *(f"D10 X{k / 1000}Y0D03" for k in range(2000)),
        "%LPC*%",
        *(f"D11 X{k % 50 - 25}Y{k / 100 - 10}D03" for k in range(2_000)),
    ),
    "arc of radius zero": layer(PEN, "X0Y0D02 G02 X0Y0I0J0D01 X5Y0I0J0D01"),
    "arc with a far centre": layer(PEN, "X0Y0D02 G02 X1Y0I9000J9000D01"),
    "20 region arcs of 5 m": layer("G36 X0Y0D02", *["G02 X0Y0I5000J0D01"] * 20, "G01 G37"),
    "coincident objects": layer(PEN, *["X0Y0D03"] * 2000, "%LPC*%", *["X0Y0D03"] * 2000),
    "a million empty words": layer(PEN) + b"*" * 1_000_000,
    "a million percents": layer(PEN).replace(b"M02", b"%" * 1_000_000 + b"M02"),
    "3,000 blocks": layer(
        PEN,
        *(f"%ABD{k}*% D10 X0Y0D03 %AB*%" for k in range(20, 3_020)),
        *(f"D{k} X{k % 100}Y0D03" for k in range(20, 3_020)),
    ),
    "10,000 bad apertures": layer(*(f"%ADD{k}R,0X1*% D{k} X0Y0D03" for k in range(10, 10_010))),
    "nested blocks": layer(PEN, *(f"%ABD{k}*%" for k in range(20, 2020)), *["%AB*%"] * 2000),
    "unclosed repeats": layer(PEN, *["%SRX2Y2I1J1*% X0Y0D03"] * 2000),
    "region without end": layer("G36 X0Y0D02", *["X1D01 Y1D01"] * 1000),
    "commands without end": layer() + b"%TO.N," * 100_000,
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_file(name: str) -> None:
    """What is beyond bounds is refused or doubted in bounded time; what is merely odd is read."""
    survives(HOSTILE[name])
