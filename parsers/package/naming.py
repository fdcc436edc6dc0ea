"""Gives copper without nets the names of a test netlist, by the points that land on it.

A point names one object on each layer that it reaches: a pad if there is one, else the smallest
object; a pad without a pin is the pin of the point. Connection does the rest, so two names on one
piece of copper show as a contact. Copper whose net the layers state keeps it; where the netlist
says otherwise, that is a doubt. A netlist that does not fit the copper names nothing: whether a
shift or a mirror image would fit is told, never applied.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import shapely

from parsers.board import UNPLATED, Connectivity, Holes
from parsers.netlist import ALL_LAYERS, NOT_CONNECTED, SURFACE, VIA, Netlist, Point
from parsers.package.names import Tables, number_of
from parsers.primitives import UNKNOWN_NET, Conductors, Floats, Ints, Kind, Rows
from parsers.trouble import Doubt, Place

GERBER_RESOLUTION = 0.001  # mm; coarsest coordinate step of the layers
# share of points off the copper above which the netlist is for other copper, or misplaced
LOST = 0.1
FITS = 0.8  # share of points on lands that makes a shift or mirror image worth telling
LAND_REACH = 0.05  # mm between a moved point and a land that it fits
SAMPLE = 60  # points tried against all lands when looking for a shift
TOLD = 20  # doubts of one kind before the rest is summed up


@dataclass(frozen=True, slots=True)
class _Hits:
    """Objects named by points: conductors and holes, by rows of equal place."""

    point: Rows
    row: Rows  # of the copper
    hole_point: Rows
    hole: Rows


@dataclass(frozen=True, slots=True)
class Naming:
    """Copper and holes with the netlist's names, and what the netlist landed on."""

    copper: Conductors
    holes: Holes
    doubts: tuple[Doubt, ...]
    remarks: tuple[Doubt, ...] = ()
    hits: _Hits | None = None
    nets: Ints | None = None  # net of each point


def name_copper(
    netlist: Netlist, copper: Conductors, drilled: Holes, tables: Tables, layers: int
) -> Naming:
    """Name copper and holes by the points of a netlist."""
    netlist = replace(netlist, points=tuple(p for p in netlist.points if p.net))
    if not netlist.points:
        why = "it holds no test points of a net; export it again"
        nothing = Doubt(f"{netlist.name} names nothing", why, Place(netlist.name))
        return Naming(copper, drilled, (nothing,))
    reach = netlist.resolution / 2 + GERBER_RESOLUTION
    hits = _land(netlist, copper, drilled, layers, reach)
    lost = _without_hit(hits, len(netlist.points))
    if len(lost) > LOST * len(netlist.points):
        return Naming(copper, drilled, (_misfit(netlist, copper, drilled, len(lost)),))
    doubts = [*_lost_points(netlist, lost), *_shifted(netlist, copper, hits, reach)]
    return _named(netlist, copper, drilled, tables, hits, doubts)


def _without_hit(hits: _Hits, points: int) -> Rows:
    return np.setdiff1d(np.arange(points), np.concatenate((hits.point, hits.hole_point)))


def _named(
    netlist: Netlist,
    copper: Conductors,
    drilled: Holes,
    tables: Tables,
    hits: _Hits,
    doubts: list[Doubt],
) -> Naming:
    """Copper and holes with the nets and pins of the points that they were hit by."""
    nets, spelled = _translated(netlist, copper, hits, tables)
    write = partial(_write, nets=nets, netlist=netlist, tables=tables)
    of_copper, clashes = write(copper.net, hits.row, hits.point)
    of_holes, more = write(drilled.net, hits.hole, hits.hole_point)
    component, pin = _pins(netlist, copper, hits, tables)
    return Naming(
        replace(copper, net=of_copper, component=component, pin=pin),
        replace(drilled, net=of_holes),
        tuple(doubts + _summed(clashes + more, netlist)),
        tuple(spelled),
        hits,
        nets,
    )


def open_nets(
    naming: Naming, netlist: Netlist, connectivity: Connectivity, tables: Tables
) -> list[Doubt]:
    """Doubts on nets whose points land on copper that is not connected."""
    if naming.hits is None or naming.nets is None:
        return []
    hits = naming.hits
    net = np.concatenate((naming.nets[hits.point], naming.nets[hits.hole_point]))
    piece = np.concatenate((connectivity.piece[hits.row], connectivity.hole_piece[hits.hole]))
    pairs = np.unique(np.column_stack((net, piece))[(net >= 0) & (piece >= 0)], axis=0)
    nets, count = np.unique(pairs[:, 0], return_counts=True)
    apart = np.flatnonzero(count > 1)
    doubts = [_open(netlist, tables.nets[nets[i]].name, int(count[i])) for i in apart]
    return _summed(doubts, netlist)


def _open(netlist: Netlist, net: str, pieces: int) -> Doubt:
    lie = f"its points in {netlist.name} lie on {pieces} separate pieces of copper"
    why = f"{lie}; is a layer or a drill file missing?"
    return Doubt(f"net {net} is open", why, Place(netlist.name))


def _summed(doubts: list[Doubt], netlist: Netlist) -> list[Doubt]:
    """The first doubts of a kind, and one for all the rest."""
    if len(doubts) <= TOLD:
        return doubts
    rest = f"{netlist.name} and the copper disagree in {len(doubts) - TOLD} more places"
    return [
        *doubts[:TOLD],
        Doubt(rest, "is the netlist of the same revision?", Place(netlist.name)),
    ]


# ------------------------------------------------------------------------------------------ landing


def _land(netlist: Netlist, copper: Conductors, drilled: Holes, layers: int, reach: float) -> _Hits:
    """Which object each point names on each layer."""
    access = netlist.access(layers)
    surface = np.array([p.kind == SURFACE for p in netlist.points])
    lands = _Lands(copper, netlist.places(), reach)
    hits = [(np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp))]
    for layer in range(layers):
        outer = layer in (0, layers - 1)
        seen = (access == layer + 1) | ((access == ALL_LAYERS) & (outer | ~surface))
        hits.append(lands.hit(np.flatnonzero(seen), layer))
    point, row = (np.concatenate(column) for column in zip(*hits, strict=True))
    return _Hits(point, row, *_on_holes(netlist, drilled, reach))


class _Lands:
    """Copper that points may land on."""

    def __init__(self, copper: Conductors, places: Floats, reach: float) -> None:
        self.copper, self.places, self.reach = copper, places, reach
        self.boxes, self.skeletons = copper.bounds(), copper.skeletons()
        self.size = (self.boxes[:, 2:] - self.boxes[:, :2]).prod(axis=1)
        shapely.prepare(self.skeletons)

    def hit(self, seen: Rows, layer: int) -> tuple[Rows, Rows]:
        """Of the points that see a layer those on its copper, and of each the object: a pad before
        others, then the smallest.
        """
        here = np.flatnonzero(self.copper.layer == layer)
        point, row = _on_copper(self.places[seen], here, self.boxes, self.reach)
        point = seen[point]
        spots = shapely.points(self.places[point])
        on = shapely.dwithin(self.skeletons[row], spots, self.copper.radius[row] + self.reach)
        point, row = point[on], row[on]
        order = np.lexsort((row, self.size[row], ~self.copper.pad[row], point))
        _, first = np.unique(point[order], return_index=True)
        return point[order][first], row[order][first]


def _on_copper(places: Floats, rows: Rows, boxes: Floats, reach: float) -> tuple[Rows, Rows]:
    """Candidate pairs: positions in `places`, rows of the copper."""
    wide = boxes[rows] + np.array([-1, -1, 1, 1]) * reach
    tree = shapely.STRtree(shapely.box(*wide.T))
    point, position = tree.query(shapely.points(places))
    return point, rows[position]


def _on_holes(netlist: Netlist, drilled: Holes, reach: float) -> tuple[Rows, Rows]:
    """Plated holes whose centre is the place of a through-hole point."""
    through = [i for i, p in enumerate(netlist.points) if p.hole > 0 and p.plated != UNPLATED]
    points = np.array(through, dtype=np.intp)
    candidates = np.flatnonzero(drilled.plated != UNPLATED)
    if not len(candidates) or not len(points):
        return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
    from scipy.spatial import cKDTree

    distance, nearest = cKDTree(drilled.middles(candidates)).query(netlist.places()[points])
    near = np.asarray(distance) <= reach + GERBER_RESOLUTION
    return points[near], candidates[np.asarray(nearest)[near]]


# -------------------------------------------------------------------------------------------- names


def _translated(
    netlist: Netlist, copper: Conductors, hits: _Hits, tables: Tables
) -> tuple[Ints, list[Doubt]]:
    """Net of each point. A netlist may cut names short: one that always meets one stated net, is
    that net.
    """
    same = _same_nets([netlist.points[p].net for p in hits.point], copper.net[hits.row])
    other = [
        f"{n} = {tables.nets[i].name}"
        for n, i in sorted(same.items())
        if n not in (tables.nets[i].name, NOT_CONNECTED)
    ]
    what = f"{netlist.name} spells {len(other)} nets differently"
    remarks = [Doubt(what, f"by their places: {', '.join(other[:5])}")] if other else []
    return np.array([_net(p, same, tables) for p in netlist.points], dtype=np.int32), remarks


def _same_nets(names: Sequence[str], nets: Ints) -> dict[str, int]:
    """Names that meet one stated net alone, which meets no other name."""
    met: dict[str, set[int]] = {}
    names_of: dict[int, set[str]] = {}
    for name, net in zip(names, nets.tolist(), strict=True):
        if net >= 0:
            met.setdefault(name, set()).add(net)
            names_of.setdefault(net, set()).add(name)
    alone = ((name, next(iter(found))) for name, found in met.items() if len(found) == 1)
    return {name: net for name, net in alone if len(names_of[net]) == 1}


def _net(point: Point, same: dict[str, int], tables: Tables) -> int:
    if point.net == NOT_CONNECTED:
        return tables.single(point.part, point.pin)
    return same[point.net] if point.net in same else tables.net(point.net)


def _pins(netlist: Netlist, copper: Conductors, hits: _Hits, tables: Tables) -> tuple[Ints, Ints]:
    """Columns component and pin, in which pads that state neither have those of the point on
    them.
    """
    told = np.array([bool(p.part and p.pin) and p.part != VIA for p in netlist.points])
    free = copper.pad & (copper.component < 0) & (copper.pin < 0)
    chosen = told[hits.point] & free[hits.row]
    points, row = [netlist.points[p] for p in hits.point[chosen]], hits.row[chosen]
    component, pin = copper.component.copy(), copper.pin.copy()
    component[row] = [number_of(tables.refdes, p.part) for p in points]
    pin[row] = [number_of(tables.pins, p.pin) for p in points]
    return component, pin


def _write(
    column: Ints, rows: Rows, point: Rows, nets: Ints, netlist: Netlist, tables: Tables
) -> tuple[Ints, list[Doubt]]:
    """Net column with the names of the points; rows that are named twice, or otherwise by the
    layers, are doubts.

    Parameters
    ----------
    rows, point : row of the column, and the point that names it; of one length
    nets : net of each point of the netlist
    """
    clash = partial(_clash, netlist, tables)
    points, net = [netlist.points[p] for p in point], nets[point]
    out, old = column.copy(), column[rows]
    stated = old != UNKNOWN_NET
    connected = np.array([p.net != NOT_CONNECTED for p in points], dtype=bool)
    wrong = np.flatnonzero(stated & (old != net) & connected)
    doubts = [clash(points[i], int(old[i]), stated=True) for i in wrong]
    # the last point wins here; those before it are compared next
    out[rows[~stated]] = net[~stated]
    twice = np.flatnonzero(~stated & (out[rows] != net))
    doubts += [clash(points[i], int(out[rows[i]]), stated=False) for i in twice]
    out[rows[twice]] = UNKNOWN_NET
    return out, doubts


def _clash(netlist: Netlist, tables: Tables, point: Point, old: int, *, stated: bool) -> Doubt:
    other = tables.nets[old].name if old >= 0 else "no net"
    source = "the layers say" if stated else "another point on the same copper says"
    pin = f" ({point.part}.{point.pin})" if point.pin else ""
    return Doubt(
        f"{netlist.name} and the copper disagree on {point.net}{pin}",
        f"{source} {other} at ({point.x:.3f}, {point.y:.3f}); is the netlist of the same revision?",
        Place(netlist.name, point.line),
    )


# ---------------------------------------------------------------------------------------------- fit


def _lost_points(netlist: Netlist, lost: Rows) -> list[Doubt]:
    """A doubt for points that meet no copper."""
    if not len(lost):
        return []
    point = netlist.points[int(lost[0])]
    return [
        Doubt(
            f"{len(lost)} points of {netlist.name} meet no copper",
            f"for example {point.net} at ({point.x:.3f}, {point.y:.3f}); is a layer missing, or the"
            " netlist older?",
            Place(netlist.name, point.line),
        )
    ]


def _shifted(netlist: Netlist, copper: Conductors, hits: _Hits, reach: float) -> list[Doubt]:
    """A doubt if points lie beside the centres of round pads by one common vector."""
    round_pads = (copper.kind[hits.row] == Kind.DISC) & copper.pad[hits.row]
    if round_pads.sum() < 5:
        return []
    vector = netlist.places()[hits.point[round_pads]] - copper.geometry[hits.row[round_pads], :2]
    x, y = np.median(vector, axis=0)
    if np.hypot(x, y) <= 2 * reach:
        return []
    return [
        Doubt(
            f"{netlist.name} is shifted",
            f"its points lie ({x:.3f}, {y:.3f}) mm beside the pads; export both with the same"
            " origin",
            Place(netlist.name),
        )
    ]


def _misfit(netlist: Netlist, copper: Conductors, drilled: Holes, lost: int) -> Doubt:
    """Why a netlist is not used."""
    lands = _lands(copper, drilled)
    found = next(
        (text for text in (_fit(netlist.places(), lands, *way) for way in _WAYS) if text), None
    )
    share = f"{lost} of {len(netlist.points)} points meet no copper"
    advice = f"it would fit {found}" if found else "no shift or mirror image fits either"
    why = f"{share}; {advice}; nothing is named by it: export it with the layers' origin"
    return Doubt(f"{netlist.name} does not fit the copper", why, Place(netlist.name))


_WAYS = (
    ("moved", np.array([1.0, 1.0])),
    ("mirrored in x and moved", np.array([-1.0, 1.0])),
    ("mirrored in y and moved", np.array([1.0, -1.0])),
    ("turned by 180 degrees and moved", np.array([-1.0, -1.0])),
    ("scaled by 25.4 and moved", np.array([25.4, 25.4])),
    ("scaled by 1/25.4 and moved", np.array([1 / 25.4, 1 / 25.4])),
    ("scaled by 10 and moved", np.array([10.0, 10.0])),
    ("scaled by 1/10 and moved", np.array([0.1, 0.1])),
)


def _lands(copper: Conductors, drilled: Holes) -> Floats:
    """Centres of pads and holes."""
    boxes = copper.bounds()[copper.pad]
    pads = (boxes[:, :2] + boxes[:, 2:]) / 2
    return np.concatenate((pads, drilled.ends.reshape(-1, 2, 2).mean(axis=1)))


def _fit(places: Floats, lands: Floats, way: str, factor: Floats) -> str | None:
    """The shift that puts points on lands after scaling by `factor`; None if none does."""
    if not len(lands):
        return None
    from scipy.spatial import cKDTree

    moved = places * factor
    shifted = moved + _commonest_shift(moved, lands)
    distance, nearest = cKDTree(lands).query(shifted)
    near = np.asarray(distance) <= 2 * LAND_REACH
    if near.mean() < FITS:
        return None
    x, y = np.median(lands[np.asarray(nearest)[near]] - moved[near], axis=0)
    return f"{way} by ({x:.3f}, {y:.3f}) mm"


def _commonest_shift(places: Floats, lands: Floats) -> Floats:
    """The commonest difference between a sample of points and all lands, (2,), to `LAND_REACH`."""
    sample = places[:: max(len(places) // SAMPLE, 1)][:SAMPLE]
    shifts = (lands[:, None, :] - sample[None, :, :]).reshape(-1, 2)
    cells = np.round(shifts / LAND_REACH).astype(np.int64)
    kinds, count = np.unique(cells, axis=0, return_counts=True)
    shift: Floats = kinds[np.argmax(count)] * LAND_REACH
    return shift
