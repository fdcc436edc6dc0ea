"""The copper that a witness path hops over: what joins the end of one leg to the start of the next."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from checker.findings import XY
from parsers.board import Board
from parsers.primitives import Floats, Rows

CONTACT = 0.01  # mm; ends of legs lie on copper, within rounding
AROUND = 5.0  # mm round the path that the copper is shown in
DETAIL = 0.02  # mm; how far the drawn edge may stray
MOST_ROWS = 20_000  # conductors; more are no picture

Rings = tuple[tuple[XY, ...], ...]
Hop = tuple[Sequence[XY], str]  # polyline in mm whose ends lie on the copper, and the name of its net


def joining_copper(board: Board, hops: Sequence[Hop], extent: tuple[float, float, float, float]) -> Rings:
    """Outer edges of the pieces of copper that hops stand for, as far as they lie near the path.

    Parameters
    ----------
    extent : box of the whole path, mm

    Returns
    -------
    rings in mm, without the closing point
    """
    ends = [(point, net) for line, net in hops for point in (line[0], line[-1])]
    of_row = board.connectivity.island
    islands = np.unique([of_row[row] for point, net in ends for row in _touched(board, point, net)])
    window = shapely.box(*np.add(extent, (-AROUND, -AROUND, AROUND, AROUND)).tolist())
    rows = _near(board, np.flatnonzero(np.isin(of_row, islands)), shapely.bounds(window))
    if not 0 < len(rows) <= MOST_ROWS:
        return ()
    seen = shapely.intersection(shapely.union_all(board.copper.shapes(rows)), window)
    parts = shapely.get_parts(shapely.simplify(seen, DETAIL))
    areas = parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON]
    edges = [shapely.get_coordinates(ring)[:-1].tolist() for ring in shapely.get_exterior_ring(areas)]
    return tuple(tuple((x, y) for x, y in edge) for edge in edges)


def _touched(board: Board, point: XY, net: str) -> Rows:
    """Conductors of a net at a point, on any layer."""
    x, y = point
    box = np.array((x - CONTACT, y - CONTACT, x + CONTACT, y + CONTACT))
    wanted = [number for number in np.unique(board.copper.net) if board.net_name(int(number)) == net]
    rows = _near(board, np.flatnonzero(np.isin(board.copper.net, wanted)), box)
    touched: Rows = rows[shapely.dwithin(board.copper.shapes(rows), shapely.Point(point), CONTACT)]
    return touched


def _near(board: Board, rows: Rows, box: Floats) -> Rows:
    """Those rows whose bounding boxes meet a box."""
    boxes = board.copper.take(rows).bounds()
    return rows[(boxes[:, :2] <= box[2:]).all(axis=1) & (boxes[:, 2:] >= box[:2]).all(axis=1)]
