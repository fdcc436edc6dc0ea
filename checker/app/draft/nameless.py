"""A draft of a board without net names: its largest pieces of copper become regions by place.

A piece is copper that touches, on all layers that plated holes join. Largest first, a piece whose
pours lie mostly over those of a region is taken for a supply plane of it, any other for the
reference of a region of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely

from checker.app.draft import text
from checker.app.draft.copper import Poured, pours_by
from parsers.board import Board

SMALL = 0.02  # a piece with less than this share of the largest one's pours is no region
OVER = 0.5  # share of a piece's pours that lies over a region's, for a plane
MOST = 8  # regions proposed
Place = tuple[float, float, str]


@dataclass(slots=True)
class Piece:
    """A piece of copper with pours."""

    name: str
    poured: Poured
    place: Place
    planes: list[Piece] = field(default_factory=list)


def drafted(board: Board, pour: float) -> str:
    """What a rules file says of a board whose data names no nets."""
    pieces = _pieces(board, pour)
    if not pieces:
        return text.header(board) + text.nothing()
    regions = _regions(pieces)
    blocks = [text.header(board), text.NAMELESS]
    blocks += [
        text.named_net(piece.name, piece.place, _why(board, piece)) for piece in _all(regions)
    ]
    blocks += [_region(piece, home=i == 0) for i, piece in enumerate(regions)]
    return "".join(blocks)


def _pieces(board: Board, pour: float) -> list[Piece]:
    """Pieces with pours of some size, largest first."""
    nameless = np.where(board.copper.net < 0, board.connectivity.piece, -1)
    found = pours_by(board, nameless, pour)
    order = sorted(found, key=lambda piece: (-found[piece].area, piece))
    large = [number for number in order if found[number].area >= SMALL * found[order[0]].area]
    return [
        Piece(f"PIECE_{i}", found[n], _place(board, n, found[n])) for i, n in enumerate(large, 1)
    ]


def _place(board: Board, piece: int, poured: Poured) -> Place:
    """A place well inside the widest area or stroke of a piece, on the layer where it has most
    copper.
    """
    layer = max(sorted(poured.layers), key=lambda number: poured.layers[number].area)
    rows = np.flatnonzero((board.connectivity.piece == piece) & (board.copper.layer == layer))
    shapes = board.copper.shapes(rows)
    widest = shapes[int(np.argmax(shapely.area(shapes)))]
    x, y = shapely.point_on_surface(widest).coords[0]
    return round(x, 3), round(y, 3), board.layers[layer].id


def _regions(pieces: list[Piece]) -> list[Piece]:
    """Pieces that are regions; the others become planes of the one that they lie over."""
    regions: list[Piece] = []
    for piece in pieces:
        seen = piece.poured.seen
        under = [
            r for r in regions if shapely.intersection(seen, r.poured.seen).area >= OVER * seen.area
        ]
        if under:
            under[0].planes.append(piece)
        elif len(regions) < MOST:
            regions.append(piece)
    return regions


def _all(regions: list[Piece]) -> list[Piece]:
    return [piece for region in regions for piece in (region, *region.planes)]


def _why(board: Board, piece: Piece) -> str:
    layers = ", ".join(board.layers[layer].id for layer in sorted(piece.poured.layers))
    return f"{piece.poured.area:.0f} mm2 of pours on {layers}"


def _region(piece: Piece, *, home: bool) -> str:
    lines = [
        f"\n[region.{piece.name.lower().replace('_', '-')}]",
        (
            f"reference = {text.array([piece.name])}  #"
            f" {'the largest piece' if home else 'beside the regions above'}"
        ),
        f"nets = {text.array(['*'] if home else [])}",
    ]
    if piece.planes:
        names = text.array(plane.name for plane in piece.planes)
        lines.append(f"planes = {names}  # over its pours: a supply plane, or another region?")
    return "\n".join(lines) + "\n"
