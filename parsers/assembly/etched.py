"""Etched parts: copper that is a part, such as the bridge of a solder jumper or a tie of two nets
drawn as a short.

The Gerber Layer Format Specification 2023.08, 6.8.1: the net check takes such copper (aperture
function EtchedComponent) away before it looks for shorts. What it joins is therefore joined by a
part, not by a fault: the copper goes with one of the conductors that it touches, and where it
touches others it is cut off from them. Each cut is told, so that a contact of two nets there can be
laid to the part.

    pad A ══╗      etched copper goes with A (the net that comes first);
            ║      the edge to pad B is cut, and (A, B) is told
    pad B ──╝
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from parsers.primitives import Bools, Ints

FUNCTION = "EtchedComponent"

Pairs = npt.NDArray[np.intp]  # (m, 2)


@dataclass(frozen=True, slots=True)
class Cut:
    """Which edges stay, and what the others joined.

    `links` has the rows (home node, other node, edge, etched node), one for each cut edge.
    """

    kept: Bools
    links: npt.NDArray[np.intp]


def cut_etched(edges: Pairs, label: Ints, etched: Bools) -> Cut:
    """Cut etched copper off all conductors that it touches but one.

    Parameters
    ----------
    edges : pairs of nodes that touch, shape (m, 2)
    label : net of each node, negative for nameless ones, shape (n,)
    etched : mask of nodes that are etched parts; those with a net of their own count as ordinary
        copper, shape (n,)
    """
    etched = etched & (label < 0)
    ends = etched[edges]
    border = np.flatnonzero(ends[:, 0] != ends[:, 1])
    kept = np.ones(len(edges), dtype=np.bool_)
    if not len(border):
        return Cut(kept, np.empty((0, 4), dtype=np.intp))
    part = _components(len(label), edges[ends.all(axis=1)])
    joined = ~ends.any(axis=1) & (
        (label[edges] < 0).all(axis=1) | (label[edges[:, 0]] == label[edges[:, 1]])
    )
    conductor = _components(len(label), edges[joined])
    inner = np.where(etched[edges[border, 0]], 0, 1)
    rows = np.arange(len(border))
    inside, outside = edges[border][rows, inner], edges[border][rows, 1 - inner]
    home = _homes(part[inside], outside, label)
    same = (label[outside] >= 0) & (label[outside] == label[home])
    away = ~same & (conductor[outside] != conductor[home])
    kept[border[away]] = False
    links = np.column_stack((home[away], outside[away], border[away], inside[away]))
    return Cut(kept, links.astype(np.intp))


def _homes(part: Ints, outside: npt.NDArray[np.intp], label: Ints) -> npt.NDArray[np.intp]:
    """For each edge out of an etched part, the node that the part goes with: the first net, else
    the first node.
    """
    order = np.lexsort((outside, label[outside], label[outside] < 0, part))
    _, first, group = np.unique(part[order], return_index=True, return_inverse=True)
    home = np.empty(len(part), dtype=np.intp)
    home[order] = outside[order][first][group.reshape(-1)]
    return home


def _components(nodes: int, edges: Pairs) -> Ints:
    matrix = coo_array(
        (np.ones(len(edges), dtype=np.int8), (edges[:, 0], edges[:, 1])), shape=(nodes, nodes)
    )
    found: Ints = connected_components(matrix, directed=False)[1]
    return found
