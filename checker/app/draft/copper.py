"""Copper that a draft is made from: which nets have pours, and where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from checker.geometry.boxes import grouped
from checker.layout.pours import holds_disc, united
from parsers.board import Board
from parsers.primitives import Ints, Rows

DISC = np.pi / 4


@dataclass(frozen=True, slots=True)
class Poured:
    """The pours of one net (or of one nameless piece of copper), by layer index, antipads
    filled.
    """

    layers: dict[int, shapely.Geometry]

    @property
    def seen(self) -> shapely.Geometry:
        """Its pours seen from above."""
        return shapely.union_all(list(self.layers.values()))

    @property
    def area(self) -> float:
        """Area over all layers, mm2."""
        return float(sum(shape.area for shape in self.layers.values()))


def pours_by(board: Board, key: Ints, diameter: float) -> dict[int, Poured]:
    """Pours of the copper that shares a key (one entry per conductor; negative ones are left out).

    Parameters
    ----------
    diameter : of the disc that a pour must hold (`limits.pour`), mm
    """
    rows = np.flatnonzero(key >= 0)
    found: dict[int, dict[int, shapely.Geometry]] = {}
    for each, members in grouped(rows, key[rows]).items():
        for layer, on_layer in grouped(members, board.copper.layer[members]).items():
            pieces = _pieces(board, on_layer, diameter)
            if pieces:
                found.setdefault(int(each), {})[int(layer)] = shapely.union_all(pieces)
    return {each: Poured(layers) for each, layers in found.items()}


def _pieces(board: Board, rows: Rows, diameter: float) -> list[shapely.Geometry]:
    """Connected pieces of some copper that hold the disc, antipads filled."""
    boxes = board.copper.take(rows).bounds()
    wide, high = boxes[:, 2:].max(axis=0) - boxes[:, :2].min(axis=0)
    if min(wide, high) < diameter - 0.001:
        return []
    shapes = board.copper.shapes(rows)
    if shapely.area(shapes).sum() < DISC * diameter**2:
        return []
    filled = [shapely.Polygon(piece.exterior) for piece in united(shapes)]
    return [piece for piece in filled if holds_disc(piece, diameter)]
