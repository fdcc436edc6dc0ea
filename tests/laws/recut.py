"""Boards cut up and shuffled: the same copper told otherwise, for tests of what must not change."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import shapely

from parsers.board import Board
from parsers.primitives import Kind, concatenate, conductors


def shuffled(board: Board, order: Any) -> Board:
    """The same conductors in another order; connectivity follows."""
    links = board.connectivity
    back = np.argsort(order)
    contacts = tuple(
        replace(c, rows=(int(back[c.rows[0]]), int(back[c.rows[1]]))) for c in links.contacts
    )
    links = replace(links, island=links.island[order], piece=links.piece[order], contacts=contacts)
    return replace(board, copper=board.copper.take(order), connectivity=links)


def cut_strokes(board: Board, rows: Any, shares: Any) -> Board:
    """Strokes cut in two at some share of their length; the second halves follow at the end."""
    copper = board.copper
    g = copper.geometry.copy()
    middle = g[rows, :2] + np.asarray(shares)[:, None] * (g[rows, 2:4] - g[rows, :2])
    tails = copper.take(rows)
    tails = replace(tails, geometry=np.column_stack((middle, g[rows, 2:4], np.zeros(len(rows)))))
    g[rows, 2:4] = middle
    links = board.connectivity
    links = replace(
        links,
        island=np.concatenate((links.island, links.island[rows])),
        piece=np.concatenate((links.piece, links.piece[rows])),
    )
    columns = {
        **{n: getattr(tails, n) for n in (field.name for field in fields(tails))},
        "areas": (),
        "centres": (),
    }
    joined = concatenate([replace(copper, geometry=g), conductors(len(rows), **columns)])
    return replace(board, copper=joined, connectivity=links)


def cut_areas(board: Board, at: float) -> Board:
    """Areas cut along a vertical line into abutting pieces."""
    copper = board.copper
    parts = []
    for row in range(len(copper)):
        one = copper.take([row])
        pieces = [copper.areas[copper.area[row]]] if copper.kind[row] == Kind.AREA else []
        x0, y0, x1, y1 = pieces[0].bounds if pieces else (0, 0, 0, 0)
        if not pieces or not x0 < at < x1:
            parts.append(one)
            continue
        halves = [
            pieces[0].intersection(shapely.box(*b)) for b in ((x0, y0, at, y1), (at, y0, x1, y1))
        ]
        first = replace(one, area=np.array([0], dtype=np.int32))
        parts += [
            replace(first, areas=np.array([half], dtype=object))
            for half in shapely.get_parts(halves)
        ]
    joined = concatenate(parts)
    zero = np.zeros(len(joined), dtype=np.int32)
    return replace(
        board, copper=joined, connectivity=replace(board.connectivity, island=zero, piece=zero)
    )
