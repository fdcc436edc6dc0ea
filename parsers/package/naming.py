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

import numpy as np
import shapely

from parsers.board import UNPLATED, Connectivity, Holes
from parsers.netlist import ALL_LAYERS, NOT_CONNECTED, SURFACE, VIA, Netlist, Point
from parsers.package.names import Tables, number_of
from parsers.primitives import UNKNOWN_NET, Conductors, Floats, Ints, Kind, Rows
from parsers.trouble import Doubt, Place

GERBER_RESOLUTION = 0.001  # mm; coarsest coordinate step of the layers
LOST = (
    0.1  # share of points off the copper above which the netlist is for other copper, or misplaced
)
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
    points = [p for p in netlist.points if p.net]
    if not points:
        why = "it holds no test points of a net; export it again"
        return Naming(
            copper, drilled, (Doubt(f"{netlist.name} names nothing", why, Place(netlist.name)),)
        )
    netlist = replace(netlist, points=tuple(points))
    reach = netlist.resolution / 2 + GERBER_RESOLUTION
    hits = _land(netlist, copper, drilled, layers, reach)
    lost = np.setdiff1d(np.arange(len(points)), np.concatenate((hits.point, hits.hole_point)))
    if len(lost) > LOST * len(points):
        return Naming(copper, drilled, (_misfit(netlist, copper, drilled, len(lost)),))
    doubts = [*_lost_points(netlist, lost), *_shifted(netlist, copper, hits, reach)]
    nets, spelled = _translated(netlist, copper, hits, tables)
    named, clashes = _write(
        copper.net, hits.row, nets[hits.point], [points[p] for p in hits.point], netlist, tables
    )
    walls, more = _write(
        drilled.net,
        hits.hole,
        nets[hits.hole_point],
        [points[p] for p in hits.hole_point],
        netlist,
        tables,
    )
    component, pin = _pins(netlist, copper, hits, tables)
    return Naming(
        replace(copper, net=named, component=component, pin=pin),
        replace(drilled, net=walls),
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
    doubts = [
        Doubt(
            f"net {tables.nets[n].name} is open",
            f"its points in {netlist.name} lie on {c} separate pieces of copper; is a layer or a"
            " drill file missing?",
            Place(netlist.name),
        )
        for n, c in zip(nets.tolist(), count.tolist(), strict=True)
        if c > 1
    ]
    return _summed(doubts, netlist)


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
    places, access = netlist.places(), netlist.access(layers)
    surface = np.array([p.kind == SURFACE for p in netlist.points])
    boxes, skeletons = copper.bounds(), copper.skeletons()
    size = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    shapely.prepare(skeletons)
    points, rows = [np.empty(0, dtype=np.intp)], [np.empty(0, dtype=np.intp)]
    for layer in range(layers):
        outer = layer in (0, layers - 1)
        seen = np.flatnonzero((access == layer + 1) | ((access == ALL_LAYERS) & (outer | ~surface)))
        here = np.flatnonzero(copper.layer == layer)
        point, row = _on_copper(places[seen], here, boxes, reach)
        point = seen[point]
        on = shapely.dwithin(
            skeletons[row], shapely.points(places[point]), copper.radius[row] + reach
        )
        point, row = point[on], row[on]
        order = np.lexsort((row, size[row], ~copper.pad[row], point))
        _, first = np.unique(point[order], return_index=True)
        points.append(point[order][first])
        rows.append(row[order][first])
    holes_at = _on_holes(netlist, drilled, reach)
    return _Hits(np.concatenate(points), np.concatenate(rows), *holes_at)


def _on_copper(places: Floats, rows: Rows, boxes: Floats, reach: float) -> tuple[Rows, Rows]:
    """Candidate pairs: positions in `places`, rows of the copper."""
    wide = boxes[rows] + np.array([-1, -1, 1, 1]) * reach
    tree = shapely.STRtree(shapely.box(*wide.T))
    point, position = tree.query(shapely.points(places))
    return point, rows[position]


def _on_holes(netlist: Netlist, drilled: Holes, reach: float) -> tuple[Rows, Rows]:
    """Plated holes whose centre is the place of a through-hole point."""
    none = np.empty(0, dtype=np.intp)
    through = np.array(
        [i for i, p in enumerate(netlist.points) if p.hole > 0 and p.plated != UNPLATED],
        dtype=np.intp,
    )
    candidates = np.flatnonzero(drilled.plated != UNPLATED)
    if not len(candidates) or not len(through):
        return none, none
    from scipy.spatial import cKDTree

    centres = drilled.ends[candidates].reshape(-1, 2, 2).mean(axis=1)
    distance, nearest = cKDTree(centres).query(netlist.places()[through])
    near = np.asarray(distance) <= reach + GERBER_RESOLUTION
    return through[near], candidates[np.asarray(nearest)[near]]


# -------------------------------------------------------------------------------------------- names


def _translated(
    netlist: Netlist, copper: Conductors, hits: _Hits, tables: Tables
) -> tuple[Ints, list[Doubt]]:
    """Net of each point. A netlist may cut names short: one that always meets one stated net, is
    that net.
    """
    names = [p.net for p in netlist.points]
    met: dict[str, set[int]] = {}
    for point, net in zip(hits.point.tolist(), copper.net[hits.row].tolist(), strict=True):
        if net >= 0:
            met.setdefault(names[point], set()).add(net)
    back: dict[int, set[str]] = {}
    for name, nets in met.items():
        for net in nets:
            back.setdefault(net, set()).add(name)
    same = {
        name: next(iter(nets))
        for name, nets in met.items()
        if len(nets) == 1 and len(back[next(iter(nets))]) == 1
    }
    other = [
        f"{n} = {tables.nets[i].name}"
        for n, i in sorted(same.items())
        if tables.nets[i].name != n and n != NOT_CONNECTED
    ]
    remarks = [
        Doubt(
            f"{netlist.name} spells {len(other)} nets differently",
            f"by their places: {', '.join(other[:5])}",
        )
        for _ in other[:1]
    ]
    return np.array([_net(p, same, tables) for p in netlist.points], dtype=np.int32), remarks


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
    point, row = hits.point[chosen], hits.row[chosen]
    component, pin = copper.component.copy(), copper.pin.copy()
    component[row] = [number_of(tables.refdes, netlist.points[p].part) for p in point.tolist()]
    pin[row] = [number_of(tables.pins, netlist.points[p].pin) for p in point.tolist()]
    return component, pin


def _write(
    column: Ints, rows: Rows, nets: Ints, points: Sequence[Point], netlist: Netlist, tables: Tables
) -> tuple[Ints, list[Doubt]]:
    """Net column with the names of the points; rows that are named twice, or otherwise by the
    layers, are doubts.
    """
    out = column.copy()
    old = column[rows]
    stated = old != UNKNOWN_NET
    connected = np.array([p.net != NOT_CONNECTED for p in points], dtype=bool)
    wrong = np.flatnonzero(stated & (old != nets) & connected)
    doubts = [_clash(points[i], netlist, tables, int(old[i]), stated=True) for i in wrong.tolist()]
    out[rows[~stated]] = nets[
        ~stated
    ]  # the last point wins here; those before it are compared next
    twice = np.flatnonzero(~stated & (out[rows] != nets))
    doubts += [
        _clash(points[i], netlist, tables, int(out[rows[i]]), stated=False) for i in twice.tolist()
    ]
    out[rows[twice]] = UNKNOWN_NET
    return out, doubts


def _clash(point: Point, netlist: Netlist, tables: Tables, old: int, *, stated: bool) -> Doubt:
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
    """The shift that puts points on lands after scaling by `factor`; None if none does.

    The shift is the commonest difference between a sample of points and all lands.
    """
    if not len(lands):
        return None
    moved = places * factor
    sample = moved[:: max(len(moved) // SAMPLE, 1)][:SAMPLE]
    shifts = (lands[:, None, :] - sample[None, :, :]).reshape(-1, 2)
    cells, count = np.unique(
        np.round(shifts / LAND_REACH).astype(np.int64), axis=0, return_counts=True
    )
    shift = cells[np.argmax(count)] * LAND_REACH
    from scipy.spatial import cKDTree

    distance, nearest = cKDTree(lands).query(moved + shift)
    near = np.asarray(distance) <= 2 * LAND_REACH
    if near.mean() < FITS:
        return None
    x, y = np.median(lands[np.asarray(nearest)[near]] - moved[near], axis=0)
    return f"{way} by ({x:.3f}, {y:.3f}) mm"
