"""The copper that a witness path hops over: what joins the end of one leg to the start of the
next.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from checker.findings import XY
from parsers.board import Board
from parsers.primitives import Rows

CONTACT = 0.01  # mm; ends of legs lie on copper, within rounding
AROUND = 5.0  # mm round the path that the copper is shown in
DETAIL = 0.02  # mm; how far the drawn edge may stray
MOST_ROWS = 20_000  # conductors; more are no picture

Rings = tuple[tuple[XY, ...], ...]
# polyline in mm whose ends lie on the copper, and the name of its net
Hop = tuple[Sequence[XY], str]


class JoiningCopper:
    """Finds copper by place; an index of boxes is built once, for all findings of a board.

    Notes
    -----
    Building is n log n in the conductors; a query visits those near a path only.
    """

    def __init__(self, board: Board) -> None:
        self.board = board
        self.index = shapely.STRtree(shapely.box(*board.copper.bounds().T))

    def of(self, hops: Sequence[Hop], extent: tuple[float, float, float, float]) -> Rings:
        """Outer edges of the pieces of copper that hops stand for, as far as they lie near the
        path.

        Parameters
        ----------
        extent : box of the whole path, mm

        Returns
        -------
        rings in mm, without the closing point
        """
        ends = [(point, net) for line, net in hops for point in (line[0], line[-1])]
        window = shapely.box(*np.add(extent, (-AROUND, -AROUND, AROUND, AROUND)).tolist())
        rows = self._pieces(
            [row for point, net in ends for row in self._touched(point, net)], window
        )
        if not 0 < len(rows) <= MOST_ROWS:
            return ()
        return _outer_edges(
            shapely.intersection(shapely.union_all(self.board.copper.shapes(rows)), window)
        )

    def _touched(self, point: XY, net: str) -> Rows:
        """Conductors of a net at a point, on any layer."""
        place, copper = shapely.Point(point), self.board.copper
        rows = self.index.query(place, predicate="dwithin", distance=CONTACT)
        rows = rows[[self.board.net_name(int(number)) == net for number in copper.net[rows]]]
        touched: Rows = rows[shapely.dwithin(copper.shapes(rows), place, CONTACT)]
        return touched

    def _pieces(self, rows: Sequence[int], window: shapely.Geometry) -> Rows:
        """Conductors in a window that are one piece with some, layer by layer."""
        island, near = self.board.connectivity.island, np.sort(self.index.query(window))
        together: Rows = near[np.isin(island[near], island[rows])] if rows else near[:0]
        return together


def _outer_edges(shape: shapely.Geometry) -> Rings:
    """Outer rings of the areas of a shape, thinned to what can be seen."""
    parts = shapely.get_parts(shapely.simplify(shape, DETAIL))
    areas = parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON]
    edges = [
        shapely.get_coordinates(ring)[:-1].tolist() for ring in shapely.get_exterior_ring(areas)
    ]
    return tuple(tuple((x, y) for x, y in edge) for edge in edges)
