"""Nets of copper: from Sets, else from the pins that pads serve, else from the points of a physical
net.

A Set without `net` does not say (exporters leave it out for want of knowledge, the standard for
what is not conductive): its copper is unknown until a pin, a point or touching copper names it. An
empty `net`, and names such as `No Net`, state that there is none. A pad of a pin that no LogicalNet
lists, where LogicalNets list the others, is connected to nothing: a net of its own.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence, Set
from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from parsers.assembly.diagnostics import Diagnostics
from parsers.assembly.pins import is_automatic, merged_nets
from parsers.board import Contact, Net
from parsers.ipc2581.columns import Owners, Sets
from parsers.ipc2581.layers import LayerPlan
from parsers.ipc2581.raw import ABSENT, EMPTY, Document
from parsers.ipc2581.sketch import Longs
from parsers.primitives import NO_NET, UNKNOWN_NET, Bools, Conductors, Floats, Ints, Rows, each

CHUNK = 20_000  # points asked of the index at once: bounds the memory of hits
NOT_CONNECTED = "N/C ({}.{})"  # name of the net of a pin that is connected to nothing
PLACEHOLDER = re.compile(
    r"[<$_\[(]*\s*(no|none|not?)[\s_\-]*(net|nets|connect|connected|connection)\s*[>$_\])]*|n\s*/?\s*c",
    re.I,
)


def is_placeholder(name: str) -> bool:
    """Whether a net name only says that there is no net (exporters' habit, no source).

    Examples
    --------
    >>> [is_placeholder(name) for name in ("No Net", "<NO_NET>", "N/C", "NC", "NET1", "NONETTE", "NC_RELAY")]
    [True, True, True, True, False, False, False]
    """
    return PLACEHOLDER.fullmatch(name.strip()) is not None


@dataclass(frozen=True, slots=True)
class Clash:
    """A pin of which the file tells two nets: listed in both, or listed in one and drawn in the
    other.
    """

    pin: tuple[int, int]  # component, pin
    nets: tuple[int, int]  # the one that the pin is listed in first, the other
    what: str
    why: str
    line: int


@dataclass(slots=True)
class NetList:
    """The board's nets and how raw net numbers map to them."""

    nets: list[Net] = field(default_factory=list)
    # raw net -> board net, or NO_NET
    numbers: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int32))
    pins: dict[tuple[int, int], int] = field(default_factory=dict)  # (component, pin) -> board net
    listed: bool = False  # whether there are LogicalNets
    labels: tuple[list[str], list[str]] = ([], [])  # reference designators and pin numbers
    # pins listed in a net
    members: dict[int, set[tuple[int, int]]] = field(default_factory=lambda: defaultdict(set))
    # whether they matter shows when the copper is connected
    clashes: list[Clash] = field(default_factory=list)

    def number(self, name: str) -> int:
        """The number of a net by its name, a new one if there is none."""
        known = next(
            (i for i, net in enumerate(self.nets) if net.name == name and not net.single), None
        )
        if known is None:
            self.nets.append(Net(name))
        return len(self.nets) - 1 if known is None else known

    def unconnected(self, component: int, pin: int) -> int:
        """The net of a pin that is connected to nothing."""
        if (component, pin) not in self.pins:
            refdes, numbers = self.labels
            self.nets.append(
                Net(NOT_CONNECTED.format(refdes[component], numbers[pin]), single=True)
            )
            self.pins[component, pin] = len(self.nets) - 1
        return self.pins[component, pin]


def net_list(document: Document, sets: Sets, step: int) -> NetList:
    """Nets that the chosen step (or no step at all) uses, in the order of the file."""
    steps = step, document.tables.steps.get("", step)
    used = np.zeros(len(document.tables.nets), dtype=np.bool_)
    used[sets.net[(sets.step == step) & (sets.net >= 0)]] = True
    for owner, net, *_ in (*document.pin_nets, *document.points):
        used[int(net)] |= owner in steps
    labels = document.tables.components.names(), document.tables.pins.names()
    names = NetList(numbers=np.full(len(used), NO_NET, dtype=np.int32), labels=labels)
    for name, raw in document.tables.nets.items():
        if used[raw] and not is_placeholder(str(name)):
            names.numbers[raw] = len(names.nets)
            names.nets.append(Net(str(name)))
    for owner, net, component, pin, line in document.pin_nets:
        if owner in steps:
            _list_pin(names, (component, pin), int(names.numbers[net]), line)
    return names


def _list_pin(names: NetList, pin: tuple[int, int], net: int, line: int) -> None:
    names.listed = True
    known = names.pins.get(pin)
    if net == NO_NET and (known is None or names.nets[known].single):
        names.unconnected(*pin)
        return
    known = names.pins.setdefault(pin, net)
    if net != NO_NET:
        names.members[net].add(pin)
    if known != net:
        other = names.nets[net].name if net != NO_NET else "no net"
        why = f"line {line} lists in {other} a pin of {names.nets[known].name}, which is kept"
        names.clashes.append(Clash(pin, (known, net), "a pin listed in two nets", why, line))


def undeclared(
    document: Document, names: NetList, owners: Owners, nets: Ints, keep: Bools
) -> dict[int, int]:
    """Nets that only copper without pins names, where the file declares its nets, and a line of
    each.

    Parameters
    ----------
    nets, keep : net of each drawn object, and whether it is copper of the board
    """
    if not names.listed:
        return {}
    known = names.numbers[sorted(document.declared)], nets[keep & (owners.pin >= 0)]
    loose = np.setdiff1d(nets[keep], np.concatenate(known))
    found = [int(net) for net in loose if net >= 0 and not is_automatic(names.nets[int(net)])]
    return {net: int(owners.line[np.flatnonzero(keep & (nets == net))[0]]) for net in found}


def doubt_undeclared(
    names: NetList, loose: dict[int, int], contacts: Sequence[Contact], doubts: Diagnostics
) -> None:
    """Doubts on such nets where their copper is one with another net's: a name may be damaged."""
    for net, line in loose.items():
        others = {
            other for contact in contacts if net in contact.nets for other in contact.nets
        } - {net}
        if others:
            one, other = names.nets[net].name, names.nets[min(others)].name
            why = (
                f"its copper meets that of {other}, no pin is in it and no list of nets has it: is"
                " its name damaged?"
            )
            doubts.add(f"net {one} is on copper alone", why, line)


def doubt_clashes(
    names: NetList, before: Ints, after: Ints, doubts: Diagnostics
) -> set[tuple[int, int]]:
    """Doubts on pins of two nets, unless both are automatic names of one open pin; the pins that
    are doubts.

    Parameters
    ----------
    before, after : nets of the copper before and after it is connected, row by row
    """
    settled = merged_nets(before, after)
    drawn = set(np.unique(before).tolist())
    told = set()
    for clash in names.clashes:
        first, other = (settled.get(net, net) for net in clash.nets)
        if first != other and not _is_only_a_name(names, clash, drawn):
            doubts.add(clash.what, clash.why, clash.line)
            told.add(clash.pin)
    return told


def _is_only_a_name(names: NetList, clash: Clash, drawn: Set[int]) -> bool:
    """Whether one of two automatic nets has neither copper nor another pin."""
    if NO_NET in clash.nets or not all(is_automatic(names.nets[net]) for net in clash.nets):
        return False
    return any(net not in drawn and names.members[net] <= {clash.pin} for net in clash.nets)


def said_nets(sets: Sets, owners: Owners, names: NetList) -> Ints:
    """What the Sets say of each drawn object's net, shape (owners,)."""
    said = sets.net[owners.group]
    out = np.full(len(owners), UNKNOWN_NET, dtype=np.int32)
    named = said >= 0
    out[named] = names.numbers[said[named]]
    out[said == EMPTY] = NO_NET
    return out


def nets_of(document: Document, sets: Sets, owners: Owners, names: NetList, keep: Bools) -> Ints:
    """Net of each drawn object that is kept: index into the nets, NO_NET or UNKNOWN_NET, shape
    (owners,).
    """
    said = sets.net[owners.group]
    out = np.where(keep, said_nets(sets, owners, names), UNKNOWN_NET).astype(np.int32)
    usages = list(document.usages)
    floating = np.array(
        [usage in ("THIEVING", "FIDUCIAL", "TEXT", "GRAPHIC") for usage in usages], dtype=np.bool_
    )
    if usages:
        floats = floating[sets.usage[owners.group]] | floating[sets.geometry[owners.group]]
        out[keep & (said == ABSENT) & floats] = NO_NET
    for row in np.flatnonzero(keep & (owners.pin >= 0) & (owners.component >= 0)):
        out[row] = _net_of_pin(owners, names, int(row), int(out[row]))
    return out


def _net_of_pin(owners: Owners, names: NetList, row: int, said: int) -> int:
    """Net of a pad that serves a pin: what its Set says, else what the netlist says."""
    pin = int(owners.component[row]), int(owners.pin[row])
    listed = names.pins.get(pin)
    if listed is None:
        return names.unconnected(*pin) if said < 0 and (names.listed or said == NO_NET) else said
    if said < 0 or said == listed:
        return listed
    what = "a pad drawn in another net than its pin is listed in"
    why = (
        f"it is drawn in {names.nets[said].name}, listed in {names.nets[listed].name}; the copper's"
        " is taken"
    )
    names.clashes.append(Clash(pin, (listed, said), what, why, int(owners.line[row])))
    return said


def named_by_points(
    copper: Conductors,
    document: Document,
    names: NetList,
    plan: LayerPlan,
    steps: tuple[int, ...],
    unit: float,
) -> Conductors:
    """Copper of unknown net that lies under a point of a physical net takes its name, if all such
    points agree.
    """
    unknown = np.flatnonzero(copper.net == UNKNOWN_NET)
    layers = [plan.copper.get(str(name), -1) for name in document.tables.layers]
    points = [
        (int(names.numbers[net]), layers[layer], x * unit, y * unit)
        for step, net, layer, x, y in document.points
        if step in steps and layers[layer] >= 0
    ]
    if not points or not unknown.size:
        return copper
    low, high = _nets_under(copper, unknown, np.array(points))
    return replace(copper, net=np.where(low == high, low, copper.net).astype(np.int32))


def _nets_under(copper: Conductors, rows: Rows, points: Floats) -> tuple[Longs, Longs]:
    """The least and the greatest net of the points on each of some copper; different from each
    other where there is none.

    Parameters
    ----------
    points : net, layer, x, y; shape (n, 4)
    """
    tree = shapely.STRtree(copper.shapes(rows))
    low = np.full(len(copper), np.iinfo(np.int64).max)
    high = np.full(len(copper), np.iinfo(np.int64).min)
    for some in each(np.arange(len(points)), CHUNK):
        point, hit = tree.query(shapely.points(points[some, 2:4]), predicate="intersects")
        under = rows[hit]
        same = copper.layer[under] == points[some[point], 1]
        net = points[some[point[same]], 0].astype(np.int64)
        np.minimum.at(low, under[same], net)
        np.maximum.at(high, under[same], net)
    return low, high
