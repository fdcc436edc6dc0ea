"""Reading speed of a copper layer, as ratios: to a regex scan, to the reference library, to the
bare shapely calls.

Run with `pytest tests/bench -m bench -s`. The layer is like a routed board with two pours: draws in
runs of a net, one arc in forty draws, flashes of round, rectangular, obround and rounded pads with
net and pin, areas of 150 corners.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely
from gerbonara import GerberFile

from parsers.assembly.image import Image, compose
from parsers.gerber import read_gerber
from parsers.gerber.syntax import tokenise
from parsers.primitives import Kind, concatenate, conductors

HEAD = """%TF.FileFunction,Copper,L1,Top*%
%FSLAX46Y46*%
%MOMM*%
%AMROUNDED*21,1,$1,$2-$3-$3,0,0,0*21,1,$1-$3-$3,$2,0,0,0*1,1,2x$3,$1/2-$3,$2/2-$3*1,1,2x$3,$3-$1/2,$2/2-$3*
1,1,2x$3,$3-$1/2,$3-$2/2*1,1,2x$3,$1/2-$3,$3-$2/2*%
%TA.AperFunction,Conductor*%
%ADD10C,0.150000*%
%ADD11C,0.250000*%
%TA.AperFunction,ViaPad*%
%ADD12C,0.600000*%
%TA.AperFunction,SMDPad,CuDef*%
%ADD13R,1.100000X0.300000*%
%ADD14O,1.600000X0.800000*%
%ADD15ROUNDED,1.2X0.6X0.1*%
%TD*%
G75*
G01*
"""
NETS = 500


def copper_layer(size: int) -> bytes:
    """Write a layer of about `size` bytes, always the same."""
    rng = np.random.default_rng(20)
    parts = [HEAD]
    written = len(HEAD)
    while written < size:
        net = int(rng.integers(NETS))
        x, y = (int(v) for v in rng.integers(0, 100_000_000, 2))
        part = [f"%TO.N,/SHEET{net % 7}/NET{net}*%", *_trace(rng, x, y), *_pads(rng, net, x, y)]
        if rng.random() < 0.03:
            part += _area(rng, x, y)
        part.append("%TD*%")
        text = "\n".join(part) + "\n"
        parts.append(text)
        written += len(text)
    return "".join([*parts, "M02*\n"]).encode()


def _trace(rng: np.random.Generator, x: int, y: int) -> list[str]:
    words = [f"D{rng.integers(10, 12)}*", f"X{x}Y{y}D02*"]
    for step in rng.integers(-2_000_000, 2_000_000, (int(rng.integers(4, 20)), 2)).tolist():
        kind = rng.random()
        if kind < 0.3:
            x += step[0]
            words.append(f"X{x}D01*")
        elif kind < 0.6:
            y += step[1]
            words.append(f"Y{y}D01*")
        elif kind < 0.63:
            words += ["G03*", f"X{x - 1_000_000}Y{y + 1_000_000}I-1000000J0D01*", "G01*"]
            x, y = x - 1_000_000, y + 1_000_000
        else:
            x, y = x + step[0], y + step[1]
            words.append(f"X{x}Y{y}D01*")
    return words


def _pads(rng: np.random.Generator, net: int, x: int, y: int) -> list[str]:
    words = []
    for _ in range(int(rng.integers(1, 4))):
        part, pin, aperture = rng.integers(1, 2000), rng.integers(1, 60), rng.integers(12, 16)
        x, y = x + 1_270_000, y + 635_000
        words += [f"D{aperture}*", f"%TO.P,U{part},{pin}*%", f"X{x}Y{y}D03*"]
    return words


def _area(rng: np.random.Generator, x: int, y: int) -> list[str]:
    angles = np.linspace(0, 2 * np.pi, 151)[:-1]
    reach = rng.integers(2_000_000, 5_000_000, 150)
    corners = (
        np.column_stack((x + reach * np.cos(angles), y + reach * np.sin(angles)))
        .astype(int)
        .tolist()
    )
    first, *others = [*corners, corners[0]]
    return [
        "G36*",
        f"X{first[0]}Y{first[1]}D02*",
        *(f"X{cx}Y{cy}D01*" for cx, cy in others),
        "G37*",
    ]


def best(times: int, work: Callable[[], Any]) -> float:
    """Shortest of some processor times, s."""
    runs = []
    for _ in range(times):
        start = time.process_time()
        work()
        runs.append(time.process_time() - start)
    return min(runs)


@pytest.mark.bench
@pytest.mark.parametrize("size", [1_000_000, 10_000_000])
def test_reading_a_copper_layer(size: int) -> None:
    """Reading keeps its ratios: 5 to the reference, words 0.4 of a regex scan, shapes within twice
    the bare calls.
    """
    data = copper_layer(size)
    text = data.decode()
    scan = re.compile(rb"[^*%]+")
    objects = read_gerber(data, "layer.gbr").objects
    times = {
        "regex scan": best(5, lambda: scan.findall(data)),
        "words": best(5, lambda: tokenise(data)),
        "exact primitives, nets, attributes": best(5, lambda: read_gerber(data, "layer.gbr")),
        "reference library": best(1, lambda: GerberFile.from_string(text)),
        "shapes in bulk": best(2, objects.shapes),
        "bare shapely calls": best(2, bare_shapes(objects.shapes())),
    }
    print(f"\n{size / 1e6:.0f} MB, {len(objects)} objects")
    for stage, seconds in times.items():
        print(f"  {stage:36}{seconds:8.3f} s{size / 1e6 / seconds:8.1f} MB/s")
    scanning, words, reading, reference, shapes, bare = times.values()
    ratios = {
        "reading to reference": reference / reading,
        "words to scan": scanning / words,
        "shapes": shapes / bare,
    }
    print("  " + ", ".join(f"{name} {ratio:.2f}" for name, ratio in ratios.items()))
    assert ratios["reading to reference"] >= 5
    assert ratios["words to scan"] >= 0.4
    assert ratios["shapes"] <= 2


@pytest.mark.bench
def test_composing_a_plane_with_clears() -> None:
    """Clears cost by their number: from 2,000 to 20,000 on one plane, time grows by little more
    than ten.
    """
    times = []
    for clears in (2_000, 20_000):
        rng = np.random.default_rng(1)
        geometry = np.column_stack(
            (rng.uniform(0, 2 * clears**0.5, (clears, 2)), np.zeros((clears, 3)))
        )
        side = 2 * clears**0.5
        plane = conductors(1, kind=Kind.AREA, area=[0], areas=[shapely.box(0, 0, side, side)])
        dots = conductors(clears, kind=Kind.DISC, geometry=geometry, radius=0.4)
        picture = Image(concatenate([plane, dots]), np.arange(clears + 1) == 0)
        times.append(best(2, lambda picture=picture: compose(picture)))
    exponent = float(np.log10(times[1] / times[0]))
    print(
        f"\nplane with 2,000 and 20,000 clears: {times[0]:.2f} s, {times[1]:.2f} s, exponent"
        f" {exponent:.2f}"
    )
    assert exponent < 1.3


def bare_shapes(shapes: Any) -> Callable[[], Any]:
    """The shapely calls that make these polygons, with every coordinate worked out beforehand."""
    points, owner = shapely.get_coordinates(shapes, return_index=True)
    return lambda: shapely.polygons(shapely.linearrings(points, indices=owner))
