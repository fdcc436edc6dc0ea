"""A synthetic six-layer board of any number of objects, written as a Gerber X2 package.

8 objects per mm2 over all layers, like a densely routed board: signals on L1, L3, L4, L6, solid
pours of three regions on L2 and L5 with an antipad (a clear flash) for every foreign via. Each net
fills a tile of its own with parallel traces, lands and four vias, with a via beside it that
stitches the planes; there is one net per 200 objects (5,000 nets at 10^6), and one net in a hundred
crosses a gap. Everything is drawn on a 0.001 mm grid from a fixed recipe, so the same size gives
the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

TILE = 5_000_000  # nm; side of a net's tile: 200 objects on 25 mm2
LANES = 23
PITCH = 200_000
GAP = 2_000_000
SIGNALS = (1, 3, 4, 6)
PLANES = (2, 5)
REGIONS = ("A", "B", "C")

RULES = """
schema = 1
title = "benchmark"
[region.A]
reference = ["GND_A"]
nets = ["*"]
[region.B]
reference = ["GND_B"]
nets = ["B_*"]
quiet = true
[region.C]
reference = ["GND_C"]
nets = ["C_*"]
[[barrier]]
between = ["A", "B"]
working_voltage = 50
table = "spacing.csv"
"""
TABLE = "voltage,clearance,creepage,where\n50,0.5,1.2,outer\n50,0.3,,inner\n50,0.1,,through\n"


def write_board(folder: Path, objects: int) -> int:
    """Write the package with its rules and table; returns the number of nets."""
    nets = max(objects // 200, 9)
    rows = max(round((nets / 3) ** 0.5), 1)
    columns = -(-nets // (3 * rows))
    nets = 3 * rows * columns
    board = folder / "board"
    board.mkdir(parents=True)
    (folder / "rules.toml").write_text(RULES)
    (folder / "spacing.csv").write_text(TABLE)
    tiles = list(_tiles(rows, columns))
    for layer in SIGNALS:
        (board / f"l{layer}.gbr").write_text("".join(_signal_layer(layer, tiles)))
    width = columns * TILE
    for layer in PLANES:
        (board / f"l{layer}.gbr").write_text(
            "".join(_plane_layer(layer, tiles, width, rows * TILE))
        )
    (board / "plated.gbr").write_text("".join(_drills(tiles)))
    (board / "profile.gbr").write_text("".join(_profile(3 * width + 2 * GAP, rows * TILE)))
    (board / "job.gbrjob").write_text(_JOB)
    return nets


def _tiles(rows: int, columns: int) -> Iterator[tuple[str, int, int, bool]]:
    """Net name, lower left corner, and whether the net crosses the gap to its right."""
    for region, name in enumerate(REGIONS):
        for column in range(columns):
            for row in range(rows):
                x = region * (columns * TILE + GAP) + column * TILE
                crosses = column == columns - 1 and region < 2 and row % 10 == 0
                yield f"{name}_{column}_{row}", x, row * TILE, crosses


def _head(function: str) -> str:
    return f"%TF.FileFunction,{function}*%\n%TF.FilePolarity,Positive*%\n%FSLAX46Y46*%\n%MOMM*%\nG01*\n%LPD*%\n"


def _signal_layer(layer: int, tiles: list[tuple[str, int, int, bool]]) -> Iterator[str]:
    side = {1: "Top", 6: "Bot"}.get(layer, "Inr")
    yield _head(f"Copper,L{layer},{side}")
    yield "%ADD10C,0.100000*%\n%TA.AperFunction,ViaPad*%\n%ADD11C,0.400000*%\n%TD*%\n"
    for net, x, y, crosses in tiles:
        yield f"%TO.N,{net}*%\nD10*\n"
        x0, x1 = x + 300_000, x + TILE - 300_000
        for lane in range(LANES):
            level = y + 250_000 + lane * PITCH
            start, end = (x0, x1) if lane % 2 == 0 else (x1, x0)
            yield f"X{start}Y{level}D{'02' if lane == 0 else '01'}*\nX{end}Y{level}D01*\n"
        if crosses and layer == 1:
            level = y + 250_000
            yield f"X{x1}Y{level}D02*\nX{x + TILE + GAP + 100_000}Y{level}D01*\n"
        yield "D11*\n"
        for vx, vy in _vias(x, y):
            yield f"X{vx}Y{vy}D03*\n"
        yield f"%TO.N,GND_{net[0]}*%\n{_stitch(x, y)}"
    yield "%TD*%\nM02*\n"


def _vias(x: int, y: int) -> tuple[tuple[int, int], ...]:
    left, right, lowest = x + 800_000, x + TILE - 800_000, y + 250_000 + 2 * PITCH
    return (
        (left, lowest),
        (right, lowest),
        (left, lowest + 10 * PITCH),
        (right, lowest + 16 * PITCH),
    )


def _stitch(x: int, y: int) -> str:
    """The flash of a tile's stitching via, between its last trace and the next tile."""
    return f"X{x + TILE // 2}Y{y + TILE - 50_000}D03*\n"


def _plane_layer(
    layer: int, tiles: list[tuple[str, int, int, bool]], width: int, height: int
) -> Iterator[str]:
    yield _head(f"Copper,L{layer},Inr")
    yield "%ADD10C,0.800000*%\n"
    for number, name in enumerate(REGIONS):
        x = number * (width + GAP)
        yield (
            f"%TO.N,GND_{name}*%\nG36*\nX{x}Y0D02*\nX{x + width}Y0D01*\nX{x + width}Y{height}D01*\n"
        )
        yield f"X{x}Y{height}D01*\nX{x}Y0D01*\nG37*\n"
    yield "%TD*%\n%LPC*%\nD10*\n"
    for _, x, y, _ in tiles:
        for vx, vy in _vias(x, y):
            yield f"X{vx}Y{vy}D03*\n"
    yield "M02*\n"


def _drills(tiles: list[tuple[str, int, int, bool]]) -> Iterator[str]:
    yield _head("Plated,1,6,PTH")
    yield "%TA.AperFunction,ViaDrill*%\n%ADD10C,0.200000*%\n%TD*%\nD10*\n"
    for net, x, y, _ in tiles:
        yield f"%TO.N,{net}*%\n"
        for vx, vy in _vias(x, y):
            yield f"X{vx}Y{vy}D03*\n"
        yield f"%TO.N,GND_{net[0]}*%\n{_stitch(x, y)}"
    yield "M02*\n"


def _profile(width: int, height: int) -> Iterator[str]:
    yield _head("Profile,NP")
    margin = 1_000_000
    x0, y0, x1, y1 = -margin, -margin, width + margin, height + margin
    yield f"%ADD10C,0.050000*%\nD10*\nX{x0}Y{y0}D02*\nX{x1}Y{y0}D01*\nX{x1}Y{y1}D01*\n"
    yield f"X{x0}Y{y1}D01*\nX{x0}Y{y0}D01*\nM02*\n"


_JOB = """{"Header": {}, "GeneralSpecs": {"LayerNumber": 6, "BoardThickness": 1.6}, "FilesAttributes": [],
"MaterialStackup": [
{"Type": "Copper", "Thickness": 0.035}, {"Type": "Dielectric", "Thickness": 0.2},
{"Type": "Copper", "Thickness": 0.035}, {"Type": "Dielectric", "Thickness": 0.3},
{"Type": "Copper", "Thickness": 0.035}, {"Type": "Dielectric", "Thickness": 0.4},
{"Type": "Copper", "Thickness": 0.035}, {"Type": "Dielectric", "Thickness": 0.3},
{"Type": "Copper", "Thickness": 0.035}, {"Type": "Dielectric", "Thickness": 0.2},
{"Type": "Copper", "Thickness": 0.035}]}
"""
