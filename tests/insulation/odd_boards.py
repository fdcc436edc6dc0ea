"""Random boards with slots of odd shapes: dumbbells, mouse-bites, castellated edges, notches,
boards in parts.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from shapely.affinity import rotate, translate

from checker.insulation.surface.geodesics import BOTTOM, TOP
from tests.insulation.oracle import Board, Metal

WIDE, HIGH = 24.0, 16.0  # mm
QUARTER = 12  # chords per quarter turn of round voids
WIDTHS = (0.25, 1.0, 1.5)  # X of the three pollution degrees


def odd_board(seed: int) -> Board:
    """One of the shapes below across the middle, pads of both sides beside it, floating copper
    about it.
    """
    rng = np.random.default_rng(seed)
    shape = SHAPES[seed % len(SHAPES)]
    x = float(rng.choice(WIDTHS))
    region = shapely.box(0, 0, WIDE, HIGH).difference(shape(rng, x))
    metals = [*_pads(rng, region), *_floating(rng, region)]
    return Board(region, region, float(rng.choice([0.8, 1.6])), tuple(metals), x)


def dumbbells(rng: np.random.Generator, x: float) -> shapely.Geometry:
    """Wide rooms joined by necks narrower than X, two to five in a row, somewhat askew."""
    rooms = int(rng.integers(2, 6))
    at = np.linspace(3, HIGH - 3, rooms)
    discs = [
        shapely.Point(WIDE / 2, y).buffer(x * rng.uniform(0.55, 0.9), quad_segs=QUARTER) for y in at
    ]
    neck = shapely.LineString([(WIDE / 2, 3), (WIDE / 2, HIGH - 3)]).buffer(
        x * rng.uniform(0.2, 0.48), cap_style="flat"
    )
    return rotate(
        shapely.union_all([*discs, neck]), float(rng.uniform(-15, 15)), origin=(WIDE / 2, HIGH / 2)
    )


def mouse_bites(rng: np.random.Generator, x: float) -> shapely.Geometry:
    """A milled gap interrupted by webs with rows of small holes."""
    wide = float(rng.uniform(0.8, 2.2))
    gap = shapely.box(WIDE / 2 - wide / 2, 0, WIDE / 2 + wide / 2, HIGH)
    webs, holes = [], []
    for y in (HIGH * 0.25, HIGH * 0.75):
        webs.append(shapely.box(WIDE / 2 - wide, y - 1.5, WIDE / 2 + wide, y + 1.5))
        holes += [
            shapely.Point(WIDE / 2 + side * wide / 2, y + step).buffer(0.25, quad_segs=QUARTER)
            for side in (-1, 1)
            for step in (-1.0, -0.25, 0.5, 1.25)
        ]
    return shapely.union_all([gap.difference(shapely.union_all(webs)), *holes])


def castellations(rng: np.random.Generator, x: float) -> shapely.Geometry:
    """Half holes along an edge, and a slot."""
    pitch = float(rng.uniform(1.0, 2.54))
    holes = [
        shapely.Point(p, 0).buffer(pitch * 0.3, quad_segs=QUARTER)
        for p in np.arange(2, WIDE - 2, pitch)
    ]
    slot = shapely.LineString([(WIDE / 2, 4), (WIDE / 2, HIGH - 2)]).buffer(
        x * rng.uniform(0.3, 0.8), quad_segs=QUARTER
    )
    return shapely.union_all([*holes, slot])


def notches(rng: np.random.Generator, x: float) -> shapely.Geometry:
    """V grooves and saw teeth cut into the outline from both sides."""
    cuts = []
    for edge, way in ((0.0, 1.0), (HIGH, -1.0)):
        for at in rng.uniform(7, WIDE - 7, int(rng.integers(1, 4))):
            half, deep, flat = (
                x * rng.uniform(0.2, 1.5),
                way * rng.uniform(1, 6),
                x * rng.choice([0.0, 0.0, 0.6, 1.2]),
            )
            tip = edge + deep
            corners = [
                (at - half - flat / 2, edge - way),
                (at - flat / 2, tip),
                (at + flat / 2, tip),
            ]
            cuts.append(shapely.Polygon([*corners, (at + half + flat / 2, edge - way)]).buffer(0))
    return shapely.union_all(cuts)


def three_parts(rng: np.random.Generator, x: float) -> shapely.Geometry:
    """Board parts with gaps about as wide as X, the gaps bent."""
    gaps = []
    for at in (WIDE * 0.4, WIDE * 0.6):
        bend = float(rng.uniform(-2, 2))
        line = shapely.LineString([(at, -1), (at + bend, HIGH / 2), (at, HIGH + 1)])
        gaps.append(line.buffer(x * rng.uniform(0.3, 0.6), cap_style="flat", join_style="mitre"))
    return shapely.union_all(gaps)


def bent_slots(rng: np.random.Generator, x: float) -> shapely.Geometry:
    """Slots of several segments that cross or nearly meet."""
    slots = []
    for _ in range(int(rng.integers(1, 4))):
        points = np.column_stack((rng.uniform(9, 15, 4), np.sort(rng.uniform(2, 14, 4))))
        slots.append(
            shapely.LineString(points).buffer(x * rng.uniform(0.3, 0.8), quad_segs=QUARTER)
        )
    return shapely.union_all(slots)


SHAPES: tuple[Callable[[np.random.Generator, float], shapely.Geometry], ...] = (
    dumbbells,
    mouse_bites,
    castellations,
    notches,
    three_parts,
    bent_slots,
)


def _pads(rng: np.random.Generator, region: shapely.Geometry) -> list[Metal]:
    """A few pads of either side on either face."""
    pads = []
    for island, (low, high) in enumerate(((1.5, 9.0), (15.0, 22.5))):
        for _ in range(4):
            disc = shapely.Point(rng.uniform(low, high), rng.uniform(2, HIGH - 2)).buffer(
                0.6, quad_segs=4
            )
            face = int(rng.choice([TOP, BOTTOM]))
            pads += [Metal(island, face, part) for part in _on_board(disc, region)]
    return pads


def _floating(rng: np.random.Generator, region: shapely.Geometry) -> list[Metal]:
    """Dots and strips beside the slot."""
    parts: list[shapely.Geometry] = []
    for _ in range(int(rng.integers(0, 12))):
        at = rng.uniform(9, 15), rng.uniform(1, HIGH - 1)
        strip = translate(shapely.box(0, 0, rng.uniform(0.2, 2), rng.uniform(0.2, 0.6)), *at)
        parts += _on_board(rotate(strip, float(rng.uniform(0, 90))), region)
    return [Metal(2 + k, int(rng.choice([TOP, BOTTOM])), part) for k, part in enumerate(parts)]


def _on_board(shape: shapely.Geometry, region: shapely.Geometry) -> list[shapely.Geometry]:
    parts = shapely.get_parts(shape.intersection(region))
    return [part for part in parts if part.geom_type == "Polygon" and part.area > 0.01]
