"""Pieces of copper: what hangs together, with a place on each that names it in a rules file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from parsers.board import Board
from parsers.primitives import UNKNOWN_NET, Rows

DIGITS = 3  # of places in mm


@dataclass(frozen=True, slots=True)
class Island:
    """Copper that hangs together over all layers: `at` is a place on it, as `[net.NAME] at` takes
    it.
    """

    net: str | None  # None: the data names it nowhere; "no net" where it states that there is none
    area_mm2: float
    layers: str
    holes: int
    at: tuple[float, float, str]


def islands(board: Board) -> tuple[Island, ...]:
    """All pieces of copper, nameless ones first, then the largest.

    Parameters
    ----------
    board : with connected copper; a piece is what plated holes and pins join too
    """
    piece = board.connectivity.piece
    order = np.lexsort((board.copper.layer, piece))
    starts: Rows = np.flatnonzero(np.diff(piece[order], prepend=-1))
    shapes = board.copper.shapes()
    holes = np.bincount(
        board.connectivity.hole_piece[board.connectivity.hole_piece >= 0], minlength=len(piece) + 1
    )
    found = [
        _island(board, rows, shapes, int(holes[piece[rows[0]]]))
        for rows in np.split(order, starts[1:])
        if len(rows)
    ]
    return tuple(
        sorted(found, key=lambda island: (island.net is not None, -island.area_mm2, island.at))
    )


def _island(board: Board, rows: Rows, shapes: np.ndarray, holes: int) -> Island:
    layers = board.copper.layer[rows]
    merged = {int(n): shapely.union_all(shapes[rows[layers == n]]) for n in np.unique(layers)}
    largest = max(merged, key=lambda n: float(merged[n].area))
    named = board.copper.net[rows]
    net = board.net_name(int(named.max())) if named.max() > UNKNOWN_NET else None
    return Island(
        net=net,
        area_mm2=round(sum(float(shape.area) for shape in merged.values()), DIGITS),
        layers=" ".join(board.layers[n].id for n in sorted(merged)),
        holes=holes,
        at=(*_place(merged[largest]), board.layers[largest].id),
    )


def _place(copper: shapely.Geometry) -> tuple[float, float]:
    """A place well inside the largest part of some copper."""
    parts = shapely.get_parts(copper)
    point = shapely.point_on_surface(parts[int(np.argmax(shapely.area(parts)))])
    return round(float(point.x), DIGITS), round(float(point.y), DIGITS)


def island_lines(found: Sequence[Island]) -> Iterator[str]:
    """Lines for a terminal: nameless pieces as entries of a rules file, the named ones as a
    table.
    """
    nameless = [island for island in found if island.net is None]
    if nameless:
        yield "Copper without a name, to be pasted into the rules"
        for island in nameless:
            x, y, layer = island.at
            yield f'  at = [[{x:g}, {y:g}, "{layer}"]]  # [net.NAME]: {_size(island)}'
    named = [island for island in found if island.net is not None]
    if named:
        yield "Copper with a name"
        for island in named:
            x, y, layer = island.at
            yield f"  {island.net:24} {_size(island)}, for example at ({x:g}, {y:g}) on {layer}"


def _size(island: Island) -> str:
    holes = f", {island.holes} plated hole{'s' * (island.holes != 1)}" if island.holes else ""
    return f"{island.area_mm2:g} mm2 on {island.layers}{holes}"
