"""Pins of parts: pads that are one pin, on however many layers and with however many legs.

Data names the pin of a pad on some layers only, gives a pin's open pads a net each, or gives all
parts that nobody has numbered one name. What is told here: a pad in the same hole as a pin's pad is
that pin's; pads of one pin are joined inside the part; automatic names of a pin's open pads are one
net.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from parsers.board import Board, Holes, Net, Pin
from parsers.primitives import UNKNOWN_NET, Bools, Conductors, Floats, Ints, Rows, middles
from parsers.trouble import Doubt, Place

VIA = ("ViaPad",)
_SAME = 3  # decimals of a mm in which sizes and places are compared
CONCENTRIC = 0.05  # mm between the centres of a hole and of the pads that are drilled through

Pairs = npt.NDArray[np.intp]  # (m, 2)


def is_numbered(refdes: str) -> bool:
    """Whether a reference designator names one part; placeholders stand for many (exporters' habit,
    no source).

    Examples
    --------
    >>> [is_numbered(name) for name in ("U3", "REF**", "J?", "MH", "TP12A")]
    [True, False, False, False, True]
    """
    return re.search(r"\d", refdes) is not None and not re.search(r"[*?]", refdes)


def without_pins_of_vias(copper: Conductors, functions: Sequence[str]) -> Conductors:
    """Copper whose via lands have no pin: an attribute of a pin that is still set when vias follow
    is not theirs.
    """
    via = function_mask(copper, functions, VIA) & copper.pad
    gone = via & (copper.pin >= 0)
    if not gone.any():
        return copper
    return replace(
        copper, component=_without(copper.component, gone), pin=_without(copper.pin, gone)
    )


def function_mask(copper: Conductors, functions: Sequence[str], named: Sequence[str]) -> Bools:
    """Mask of copper with one of these functions (first field), shape (n,)."""
    return _looked_up([name.split(",")[0] in named for name in functions], copper.function)


def _looked_up(told: Sequence[bool], column: Ints) -> Bools:
    """What is told of each number of a column; False for numbers of which nothing is told."""
    known = (column >= 0) & (column < len(told))
    mask: Bools = np.array([*told, False])[np.where(known, column, len(told))]
    return mask


def _without(column: Ints, gone: Bools) -> Ints:
    return np.where(gone, -1, column).astype(np.int32)


def with_pins_of_holes(
    copper: Conductors, holes: Holes, walls: Pairs, functions: Sequence[str]
) -> Conductors:
    """Copper whose pads have the pin of the pads that lie on the same hole, if that is one pin.

    Parameters
    ----------
    walls : pairs (conductor, hole) of copper that a hole's wall meets, shape (m, 2)
    """
    lands = walls[copper.pad[walls[:, 0]] & ~function_mask(copper, functions, VIA)[walls[:, 0]]]
    lands = lands[_concentric(copper, holes, lands)]
    told = copper.pin[lands[:, 0]] >= 0
    if not told.any() or told.all():
        return copper
    pin = _only_pin(copper, holes, lands[told])
    row, hole = lands[~told].T
    row, hole = row[pin[hole] >= 0], hole[pin[hole] >= 0]
    named = pin[hole]
    component, number = copper.component.copy(), copper.pin.copy()
    fits = (component[row] < 0) | (component[row] == copper.component[named])
    component[row[fits]], number[row[fits]] = copper.component[named[fits]], copper.pin[named[fits]]
    return replace(copper, component=component, pin=number)


def _concentric(copper: Conductors, holes: Holes, lands: Pairs) -> Bools:
    middle = middles(copper, lands[:, 0])
    centre = holes.ends[lands[:, 1]].reshape(-1, 2, 2).mean(axis=1)
    near: Bools = np.hypot(*(middle - centre).T) <= CONCENTRIC
    return near


def _only_pin(copper: Conductors, holes: Holes, lands: Pairs) -> Rows:
    """For each hole the row of a pad that tells its pin; -1 where there is none, or where pads tell
    several.
    """
    keys = np.column_stack((lands[:, 1], copper.component[lands[:, 0]], copper.pin[lands[:, 0]]))
    found, first = np.unique(keys, axis=0, return_index=True)
    count = np.bincount(found[:, 0], minlength=len(holes))
    row = np.full(len(holes), -1, dtype=np.intp)
    row[found[:, 0]] = lands[first, 0]
    row[count > 1] = -1
    return row


def legs(copper: Conductors, refdes: Sequence[str]) -> Pairs:
    """Pairs of pads of one pin, which are joined inside its part: each pad with the pin's first,
    shape (m, 2).
    """
    numbered = _looked_up([is_numbered(name) for name in refdes], copper.component)
    rows = np.flatnonzero(copper.pad & (copper.pin >= 0) & numbered)
    if not len(rows):
        return np.empty((0, 2), dtype=np.intp)
    keys = np.column_stack((copper.component[rows], copper.pin[rows]))
    _, first, group = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    pairs = np.column_stack((rows[first][group.reshape(-1)], rows))
    joined: Pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    return joined


@dataclass(frozen=True, slots=True)
class PinPads:
    """Pads that serve one pin, on all layers."""

    component: int
    pin: int
    rows: Rows
    nets: tuple[int, ...]  # that the pads have, NO_NET too; none where no net is known

    @property
    def net(self) -> int:
        """The net of the pin; of several the last, and that is a doubt."""
        return self.nets[-1] if self.nets else UNKNOWN_NET


def pads_of_pins(copper: Conductors) -> list[PinPads]:
    """Pads by pin, in the order of part and pin.

    Notes
    -----
    One sort of all pads.
    """
    rows = np.flatnonzero((copper.component >= 0) & (copper.pin >= 0))
    if not len(rows):
        return []
    keys = np.column_stack((copper.component[rows], copper.pin[rows]))
    found, inverse = np.unique(keys, axis=0, return_inverse=True)
    inverse = inverse.reshape(-1)
    ends = np.cumsum(np.bincount(inverse))[:-1]
    groups = np.split(rows[np.argsort(inverse, kind="stable")], ends)
    return [
        PinPads(part, pin, group, _known_nets(copper, group))
        for (part, pin), group in zip(found.tolist(), groups, strict=True)
    ]


def middle_of(places: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Middle of the box about places; the origin for none.

    Examples
    --------
    >>> middle_of([(0, 0), (1, 0), (4, 2)]), middle_of([])
    ((2.0, 1.0), (0.0, 0.0))
    """
    points = np.array(places or [(0.0, 0.0)], dtype=np.float64)
    x, y = (points.min(axis=0) + points.max(axis=0)) / 2
    return float(x), float(y)


def places_of_pins(copper: Conductors, served: Sequence[PinPads]) -> Floats:
    """Place of each pin: the middle of its largest pad on its first layer, in whatever order files
    draw pads.

    Returns
    -------
    (n, 2), mm
    """
    if not served:
        return np.empty((0, 2))
    rows = np.concatenate([pads.rows for pads in served])
    owner = np.repeat(np.arange(len(served)), [len(pads.rows) for pads in served])
    boxes: Floats = copper.take(rows).bounds()
    middle = (boxes[:, :2] + boxes[:, 2:]) / 2
    size = np.round(boxes[:, 2:] - boxes[:, :2], _SAME).prod(axis=1)
    spot = np.round(middle, _SAME)
    order = np.lexsort((spot[:, 1], spot[:, 0], -size, copper.layer[rows], owner))
    _, first = np.unique(owner[order], return_index=True)
    places: Floats = middle[order[first]]
    return places


def _known_nets(copper: Conductors, rows: Rows) -> tuple[int, ...]:
    nets = np.unique(copper.net[rows])
    return tuple(nets[nets != UNKNOWN_NET].tolist())


def doubts_on_pins(
    pads: Iterable[PinPads], refdes: Sequence[str], pins: Sequence[str], nets: Sequence[Net]
) -> list[Doubt]:
    """A doubt for each pin whose pads have several nets; parts that nobody has numbered are many,
    so theirs may.
    """
    doubts = []
    for one in pads:
        if len(one.nets) > 1 and is_numbered(refdes[one.component]):
            names = ", ".join(nets[net].name if net >= 0 else "no net" for net in one.nets)
            what = f"pin {refdes[one.component]}.{pins[one.pin]} has several nets"
            doubts.append(Doubt(what, f"its pads say {names}; which one is meant?", Place("")))
    return doubts


def is_automatic(net: Net) -> bool:
    """Whether a net only says that a pad is connected to nothing (names: exporters' habit, no
    source).

    Examples
    --------
    >>> [is_automatic(Net(name)) for name in ("unconnected-(H1-Pad1)_2", "unconnected", "Net-(H1-Pad1)")]
    [True, False, False]
    """
    return net.single or net.name.startswith("unconnected-(")


def with_one_net_per_open_pin(
    copper: Conductors, holes: Holes, touching: Pairs, nets: Sequence[Net], refdes: Sequence[str]
) -> tuple[Conductors, Holes]:
    """Copper and holes in which a pin's open pads have one net, whatever automatic names they
    carry.

    Open is a pad whose net has no other copper. Pads of one pin belong together if their nets are
    named after the part, and so do pads of one part that touch and are stated to be unconnected, as
    the ring of lands about a mounting hole: they are the first one's pin.

    Parameters
    ----------
    touching : pairs of conductors that touch, shape (m, 2)
    """
    stated = _looked_up([is_automatic(net) for net in nets], copper.net)
    pads = np.flatnonzero(copper.pad & (copper.pin >= 0) & (copper.net >= 0))
    pads = pads[stated[pads] | _named_after_their_part(copper, pads, nets, refdes)]
    groups = _open_pads(copper, pads, touching[stated[touching].all(axis=1)], refdes)
    if not len(groups):
        return copper, holes
    first, row = groups.T
    named = np.arange(int(copper.net.max(initial=-1)) + 1, dtype=np.int32)
    named[copper.net[row]] = copper.net[first]
    pin = copper.pin.copy()
    pin[row] = copper.pin[first]
    net = np.where(copper.net >= 0, named[copper.net], copper.net).astype(np.int32)
    known = (holes.net >= 0) & (holes.net < len(named))
    walls = np.where(known, named[np.where(known, holes.net, 0)], holes.net).astype(np.int32)
    return replace(copper, net=net, pin=pin), replace(holes, net=walls)


def merged_nets(before: Ints, after: Ints) -> dict[int, int]:
    """Nets that connecting has given to another net's pin, and that net.

    Parameters
    ----------
    before, after : nets of copper, row by row; `after` may have more rows

    Examples
    --------
    >>> merged_nets(np.array([0, 1, UNKNOWN_NET]), np.array([0, 0, 0]))
    {1: 0}
    """
    kept = after[: len(before)]
    changed = (before >= 0) & (before != kept)
    return dict(zip(before[changed].tolist(), kept[changed].tolist(), strict=True))


def without_merged_nets(board: Board) -> Board:
    """The board without the automatic nets whose pads have been given to another pin's net."""
    pins = np.array([pin.net for part in board.components for pin in part.pins], dtype=np.int32)
    used = np.zeros(len(board.nets) + 1, dtype=np.bool_)  # the last one stands for negative numbers
    used[np.maximum(np.concatenate((board.copper.net, board.holes.net, pins)), -1)] = True
    kept = [
        number for number, net in enumerate(board.nets) if used[number] or not is_automatic(net)
    ]
    if len(kept) == len(board.nets):
        return board
    number = np.full(len(board.nets), -1, dtype=np.int32)
    number[kept] = np.arange(len(kept))

    def renumbered(column: Ints) -> Ints:
        return np.where(column >= 0, number[column], column).astype(np.int32)

    contacts = [
        replace(c, nets=(int(number[c.nets[0]]), int(number[c.nets[1]])))
        for c in board.connectivity.contacts
    ]
    parts = [
        replace(part, pins=tuple(_renumbered(pin, number) for pin in part.pins))
        for part in board.components
    ]
    return replace(
        board,
        nets=tuple(board.nets[n] for n in kept),
        copper=replace(board.copper, net=renumbered(board.copper.net)),
        holes=replace(board.holes, net=renumbered(board.holes.net)),
        components=tuple(parts),
        connectivity=replace(board.connectivity, contacts=tuple(contacts)),
    )


def _renumbered(pin: Pin, number: Ints) -> Pin:
    return replace(pin, net=int(number[pin.net])) if pin.net >= 0 else pin


def _named_after_their_part(
    copper: Conductors, pads: Rows, nets: Sequence[Net], refdes: Sequence[str]
) -> Bools:
    """Mask of pads whose net has a name that holds the designator of their part."""
    pairs = np.column_stack((copper.net[pads], copper.component[pads]))
    found, back = np.unique(pairs, axis=0, return_inverse=True)
    told = [
        n < len(nets) and 0 <= c < len(refdes) and refdes[c] in nets[n].name
        for n, c in found.tolist()
    ]
    mask: Bools = np.array(told, dtype=np.bool_)[back.reshape(-1)]
    return mask


def _open_pads(copper: Conductors, pads: Rows, touching: Pairs, refdes: Sequence[str]) -> Pairs:
    """Rows (first pad, pad) of pads of several nets that are one open pin; both may be the same."""
    if not len(pads):
        return np.empty((0, 2), dtype=np.intp)
    group = _groups(copper, pads, touching, refdes)
    pairs = np.unique(np.column_stack((group[pads], copper.net[pads])), axis=0)
    several = np.bincount(pairs[:, 0], minlength=len(pads)) > 1
    rows = np.bincount(copper.net[copper.net >= 0])
    inside = np.zeros((len(pairs),), dtype=np.int64)
    _, where = np.unique(
        np.column_stack((group[pads], copper.net[pads])), axis=0, return_inverse=True
    )
    np.add.at(inside, where.reshape(-1), 1)
    closed = np.zeros(len(several), dtype=np.bool_)
    closed[pairs[inside != rows[pairs[:, 1]], 0]] = True
    merged = (several & ~closed)[group[pads]]
    order = pads[merged][np.lexsort((pads[merged], copper.net[pads[merged]], group[pads[merged]]))]
    _, start, back = np.unique(group[order], return_index=True, return_inverse=True)
    found: Pairs = np.column_stack((order[start][back.reshape(-1)], order))
    return found


def _groups(copper: Conductors, pads: Rows, touching: Pairs, refdes: Sequence[str]) -> Ints:
    """Group of each conductor, shape (n,), -1 for others: pads of a net, of a pin, and of a part
    among `touching`.
    """
    is_pad = np.zeros(len(copper), dtype=np.bool_)
    is_pad[pads] = True
    same_part = copper.component[touching[:, 0]] == copper.component[touching[:, 1]]
    beside = touching[is_pad[touching].all(axis=1) & same_part]
    _, first, net = np.unique(copper.net[pads], return_index=True, return_inverse=True)
    same_net = np.column_stack((pads[first][net.reshape(-1)], pads))
    pairs = np.concatenate((legs(copper, refdes), beside, same_net))
    matrix = coo_array(
        (np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(len(copper),) * 2
    )
    label: Ints = connected_components(matrix, directed=False)[1]
    _, dense = np.unique(label[pads], return_inverse=True)
    group = np.full(len(copper), -1, dtype=np.int32)
    group[pads] = dense.reshape(-1)
    return group
