"""Pours of nets that are neither reference nor plane of a region, between traces and what these
refer to.

The contract looks through them: what they carry of the return current is not known. That they are
there is told.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from checker.geometry.boxes import grouped
from checker.layout.pours import holds_disc
from checker.layout.reference_map import ReferenceMap, SideMap
from checker.layout.regions import Pour
from parsers.board import Board
from parsers.primitives import Bools, Floats, Ints, Kind, Rows


@dataclass(frozen=True, slots=True)
class ForeignPour:
    """A net's areas on one layer that hide the reference of traces on another one."""

    net: int
    layer: int
    traces: tuple[int, ...]  # layers of these traces
    references: tuple[int, ...]  # layers of what they refer to


Areas = dict[tuple[int, int], shapely.Geometry]  # by net and layer


def wide_areas(board: Board, carriers: Bools, diameter: float) -> Areas:
    """Areas that hold a disc, of nets that carry no return current.

    Parameters
    ----------
    carriers : nets that are a region's reference or plane, shape (nets,)
    diameter : of the disc, mm
    """
    copper = board.copper
    named = (copper.net >= 0) & ~np.append(carriers, True)[np.maximum(copper.net, -1)]
    rows = np.flatnonzero((copper.kind == Kind.AREA) & named)
    boxes = copper.take(rows).bounds()
    rows = rows[(boxes[:, 2:] - boxes[:, :2]).min(axis=1, initial=np.inf) >= diameter]
    out: Areas = {}
    for (net, layer), members in _by_net_and_layer(rows, copper.net, copper.layer).items():
        shapes = copper.shapes(members)
        wide = shapes[[holds_disc(shape, diameter) for shape in shapes]]
        if len(wide):
            out[net, layer] = shapely.union_all(wide)
    return out


def foreign_pours(
    board: Board,
    areas: Areas,
    traces: tuple[Rows, Floats],
    maps: Sequence[ReferenceMap],
    pours: Sequence[Pour],
) -> Iterator[ForeignPour]:
    """Those of some areas that lie between traces and their reference, by net and layer.

    Parameters
    ----------
    traces : conductors that are judged by their centre line, and the boxes of these lines, shapes
        (n,), (n, 4)
    """
    for (net, layer), shape in sorted(areas.items(), key=lambda item: item[0]):
        found = ForeignPour(net, layer, *_hidden(board, (net, layer, shape), traces, maps, pours))
        if found.traces:
            yield found


def _by_net_and_layer(rows: Rows, net: Ints, layer: Ints) -> dict[tuple[int, int], Rows]:
    groups = {n: grouped(some, layer[some]) for n, some in grouped(rows, net[rows]).items()}
    return {(n, at): members for n, layers in groups.items() for at, members in layers.items()}


def _hidden(
    board: Board,
    foreign: tuple[int, int, shapely.Geometry],
    traces: tuple[Rows, Floats],
    maps: Sequence[ReferenceMap],
    pours: Sequence[Pour],
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Layers of traces of other nets that lie over a shape, and layers that they refer to through
    it.
    """
    net, layer, shape = foreign
    rows, boxes = traces
    shapely.prepare(shape)
    over: list[int] = []
    references: set[int] = set()
    for other, seen in enumerate(maps):
        beyond = _beyond(seen, other, layer, shape, pours)
        here = (board.copper.layer[rows] == other) & (board.copper.net[rows] != net)
        if beyond and shapely.intersects(shape, shapely.box(*boxes[here].T)).any():
            over.append(other)
            references |= beyond
    return tuple(over), tuple(sorted(references))


def _beyond(
    seen: ReferenceMap, traces: int, layer: int, shape: shapely.Geometry, pours: Sequence[Pour]
) -> set[int]:
    """Layers farther than some layer, on its side of the traces, that show in a shape."""
    sides: tuple[SideMap, ...] = (seen.first, seen.second)
    found = set()
    for cell in (cell for side in sides for cell in side.cells if cell.label < len(pours)):
        reference = pours[cell.label].layer
        if (layer - traces) * (reference - layer) > 0 and shapely.intersects(shape, cell.shape):
            found.add(reference)
    return found
