"""A synthetic board with the structure of a real one, written as a Gerber X2 package.

Four layers. The pours are regions with rounded outlines round every foreign pad and trace, their
holes opened by cut-ins as exporters do it: solid on L2, split by a moat on L3 (with two isolators
over it and a slot in the board), patchy fills round the traces on L1 and L4. Thousands of lands lie
inside the fills, some with thermal spokes; one pin in twenty is unused. Everything comes from one
seed, so that the same size gives the same bytes.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import shapely
from shapely import affinity

from parsers.primitives import Bools, Floats, Rows

PITCH = 2.0  # mm between the places of vias
MOAT = 1.0
CLEAR = 0.2
LAYERS = ("L1,Top", "L2,Inr", "L3,Inr", "L4,Bot")
GROUNDS = ("GND_A", "GND_B")
RULES = """
schema = 1
title = "structure"
[region.a]
reference = ["GND_A"]
nets = ["*"]
[region.b]
reference = ["GND_B"]
nets = ["B_*"]
quiet = true
[[barrier]]
between = ["a", "b"]
isolators = ["U1", "U2"]
working_voltage = 50
clearance_voltage = 500
insulation = "functional"
pollution_degree = 2
material_group = "IIIa"
table = "spacing.csv"
"""
TABLE = "voltage,clearance,creepage\n50,0.2,0.8\n500,0.4,2\n"
JOB = (
    '{"Header": {}, "GeneralSpecs": {"LayerNumber": 4, "BoardThickness": 1.6},'
    ' "FilesAttributes": []}'
)

Pad = tuple[str, float, float]  # net and place
Guest = tuple[float, int, Floats]  # a hole that hangs on an edge: how far along, its number, where


def write_board(folder: Path, side: int, seed: int = 1) -> None:
    """Write a package of about side * side vias, with its rules and table."""
    rng = random.Random(seed)
    board = folder / "board"
    board.mkdir(parents=True)
    (folder / "rules.toml").write_text(RULES)
    (folder / "spacing.csv").write_text(TABLE)
    (board / "job.gbrjob").write_text(JOB)
    vias = list(_vias(rng, side))
    size = side * PITCH
    for number, layer in enumerate(LAYERS):
        traces = list(_traces(rng, side)) if number in (0, 3) else []
        (board / f"l{number + 1}.gbr").write_text(
            "".join(_layer(layer, vias, traces, size, moat=number != 1, pins=number == 0))
        )
    (board / "plated.gbr").write_text("".join(_drills(vias)))
    (board / "profile.gbr").write_text("".join(_profile(size)))


def _vias(rng: random.Random, side: int) -> Iterator[Pad]:
    """Half of them stitch the grounds, the others belong to signals; some are unused pins."""
    for column in range(side):
        for row in range(side):
            x, y = (
                (column + 0.5) * PITCH + rng.uniform(-0.3, 0.3),
                (row + 0.5) * PITCH + rng.uniform(-0.3, 0.3),
            )
            if abs(x - side * PITCH / 2) < MOAT / 2 + 1:
                continue
            half = int(x > side * PITCH / 2)
            kind = rng.random()
            signal = f"{'AB'[half]}_{column}_{row // 4}"
            yield (GROUNDS[half] if kind < 0.5 else "" if kind < 0.55 else signal), x, y


def _traces(rng: random.Random, side: int) -> Iterator[tuple[str, list[tuple[float, float]]]]:
    """Wandering traces, each inside its column; one in ten goes on over the moat."""
    for column in range(side):
        half = int((column + 0.5) > side / 2)
        for run in range(side // 4):
            x, y = column * PITCH, run * 4 * PITCH + 1
            points = [(x, y)]
            for _ in range(6):
                points.append((x + rng.uniform(0.1, 0.4), points[-1][1] + rng.uniform(0.3, 1.0)))
            yield f"{'AB'[half]}_{column}_{run}", points


def _head(function: str) -> str:
    return f"%TF.FileFunction,{function}*%\n%TF.FilePolarity,Positive*%\n%FSLAX46Y46*%\n%MOMM*%\nG01*\n%LPD*%\n"


def _layer(
    layer: str,
    vias: list[Pad],
    traces: list[tuple[str, list[tuple[float, float]]]],
    size: float,
    *,
    moat: bool,
    pins: bool,
) -> Iterator[str]:
    name, where = layer.split(",")
    yield _head(f"Copper,{name},{where}")
    for half, ground in enumerate(GROUNDS):
        yield f"%TO.N,{ground}*%\n"
        for part in _fills(half, ground, vias, traces, size):
            yield from _region(part)
    yield "%ADD10C,0.150000*%\n%TA.AperFunction,ViaPad*%\n%ADD11C,0.600000*%\n%TD*%\n%ADD12R,0.900000X0.500000*%\n"
    for net, points in traces:
        yield f"%TO.N,{net}*%\nD10*\n"
        yield from (f"{_xy(at)}D{'02' if i == 0 else '01'}*\n" for i, at in enumerate(points))
    yield "D11*\n"
    for number, (net, x, y) in enumerate(vias):
        yield f"%TO.N,{net or 'N/C'}*%\n" if net else f"%TO.N,unused_{number}*%\n"
        yield f"{_xy((x, y))}D03*\n"
    if pins:
        yield from _isolators(size)
    yield "%TD*%\nM02*\n"


def _fills(
    half: int,
    ground: str,
    vias: list[Pad],
    traces: list[tuple[str, list[tuple[float, float]]]],
    size: float,
) -> list[Floats]:
    """Outlines of a ground's fill on one layer, cut open so that none has holes."""
    x0, x1 = (0.3, size / 2 - MOAT / 2) if half == 0 else (size / 2 + MOAT / 2, size - 0.3)
    foreign = [
        shapely.Point(x, y).buffer(0.3 + CLEAR, 8)
        for net, x, y in vias
        if net != ground and x0 - 1 < x < x1 + 1
    ]
    spoked = [
        ring
        for number, (net, x, y) in enumerate(vias)
        if net == ground and number % 5 == 0
        for ring in _spoked(x, y)
    ]
    drawn = [shapely.LineString(points).buffer(0.075 + CLEAR, 8) for _, points in traces]
    fill = shapely.box(x0, 0.3, x1, size - 0.3) - shapely.union_all([*foreign, *spoked, *drawn])
    return [_opened(piece) for piece in shapely.get_parts(fill) if piece.area > 1]


def _spoked(x: float, y: float) -> list[shapely.Geometry]:
    """What a thermal relief takes away round a land: a ring less four spokes."""
    ring = shapely.Point(x, y).buffer(0.5, 8) - shapely.Point(x, y).buffer(0.3, 8)
    cross = shapely.box(x - 0.1, y - 1, x + 0.1, y + 1) | shapely.box(
        x - 1, y - 0.1, x + 1, y + 0.1
    )
    return list(shapely.get_parts(ring - cross))


def _opened(piece: shapely.Polygon) -> Floats:
    """The outline of a polygon with a cut-in from each hole to the next edge on its right, nm, (n,
    2).

    Both sides of a cut-in are the same segment, run in opposite direction, so that the contour is
    valid.
    """
    piece = shapely.orient_polygons(shapely.transform(piece, lambda xy: np.round(xy * 1e6)))
    rings = [shapely.get_coordinates(ring)[:-1] for ring in shapely.get_rings(piece)]
    # begins at its right
    rings = [np.roll(ring, -int(np.argmax(ring[:, 0])), axis=0) for ring in rings]
    begin, end = (
        np.concatenate(rings),
        np.concatenate([np.roll(ring, -1, axis=0) for ring in rings]),
    )
    ring_of = np.repeat(np.arange(len(rings)), [len(ring) for ring in rings])
    guests: dict[int, list[Guest]] = {}
    for hole, ring in enumerate(rings[1:], 1):
        edge, part, at = _right_of(ring[0], begin, end, ring_of != hole)
        guests.setdefault(edge, []).append((part, hole, at))
    return np.array(
        list(_walked(0, rings, np.searchsorted(ring_of, np.arange(len(rings))), guests))
    )


def _right_of(at: Floats, begin: Floats, end: Floats, others: Bools) -> tuple[int, float, Floats]:
    """The next edge on the right of a place: its row, how far along it, and where."""
    low, high = np.minimum(begin[:, 1], end[:, 1]), np.maximum(begin[:, 1], end[:, 1])
    rows = np.flatnonzero(others & (low < at[1]) & (at[1] <= high))
    part = (at[1] - begin[rows, 1]) / (end[rows, 1] - begin[rows, 1])
    x = begin[rows, 0] + part * (end[rows, 0] - begin[rows, 0])
    best = int(np.argmin(np.where(x > at[0], x, np.inf)))
    return int(rows[best]), float(part[best]), np.array([np.round(x[best]), at[1]])


def _walked(
    number: int, rings: list[Floats], first: Rows, guests: dict[int, list[Guest]]
) -> Iterator[Floats]:
    """A ring from its first place round to it, with the holes that hang on it."""
    for edge, place in enumerate(rings[number], first[number]):
        yield place
        for _, hole, at in sorted(guests.get(edge, ()), key=lambda guest: guest[0]):
            yield at
            yield from _walked(hole, rings, first, guests)
            yield at
    yield rings[number][0]


def _region(outline: Floats) -> Iterator[str]:
    points = (outline / 1e6).tolist()
    yield f"G36*\n{_xy(points[0])}D02*\n"
    yield from (f"{_xy(at)}D01*\n" for at in points[1:])
    yield "G37*\n"


def _isolators(size: float) -> Iterator[str]:
    """Two parts whose pins stand on both sides of the moat."""
    for number, y in enumerate((size / 3, 2 * size / 3)):
        for half, ground in enumerate(GROUNDS):
            x = size / 2 + (half * 2 - 1) * (MOAT / 2 + 0.6)
            for pin in range(4):
                net = ground if pin == 0 else f"{'AB'[half]}_U{number}_{pin}"
                yield f"%TO.P,U{number + 1},{half * 4 + pin + 1}*%\n%TO.N,{net}*%\n"
                yield f"D12*\n{_xy((x, y + 1.27 * pin))}D03*\n"
    yield "%TD.P*%\n"


def _drills(vias: list[Pad]) -> Iterator[str]:
    yield _head("Plated,1,4,PTH")
    yield "%TA.AperFunction,ViaDrill*%\n%ADD10C,0.300000*%\n%TD*%\nD10*\n"
    for number, (net, x, y) in enumerate(vias):
        yield f"%TO.N,{net or f'unused_{number}'}*%\n{_xy((x, y))}D03*\n"
    yield "M02*\n"


def _profile(size: float) -> Iterator[str]:
    yield _head("Profile,NP")
    yield "%ADD10C,0.050000*%\nD10*\n"
    outer = shapely.box(0, 0, size, size)
    slot = affinity.translate(shapely.box(-0.2, -size / 8, 0.2, size / 8), size / 2, size / 2)
    for ring in (outer.exterior, slot.exterior):
        points = shapely.get_coordinates(ring).tolist()
        yield from (f"{_xy(at)}D{'02' if i == 0 else '01'}*\n" for i, at in enumerate(points))
    yield "M02*\n"


def _xy(at: tuple[float, float] | list[float]) -> str:
    return f"X{round(at[0] * 1e6)}Y{round(at[1] * 1e6)}"
