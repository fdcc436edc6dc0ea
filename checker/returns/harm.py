"""How much harm a run off the reference does: detour, loop, inductance, field, and the one number
that orders them.

The harm of a run is the inductance of its loop in nH, times its knee frequency over 100 MHz where
the rules file tells the edge time (slow nets count a hundredth). A crossing of regions that nothing
joins has no detour at all: it counts as `ISOLATED` nH and its length, worse than any loop.

Cost: every crossing gets a lower bound of its detour at once. By the harm of that bound the first
`SEARCHED` are searched, with one budget of nodes for the board; a crossing beside one that was
searched knows from it what its own way has at least. So time is bounded, and what is told depends
on nothing but the board.

Literature, from memory: inductance of a rectangular loop; knee frequency 0.5 over the rise time;
field of a small loop over a plane.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import dist as apart
from math import inf
from typing import Any

import numpy as np
import shapely

from checker import wording
from checker.findings import XY
from checker.layout.layout import Layout, of_layout
from checker.layout.regions import OffReferenceRun
from checker.returns.detour import Budget, Detour, End, Link, Network
from checker.returns.estimates import (
    ASSUMED_CURRENT,
    DISTANCE,
    decibel_microvolt,
    knee_frequency,
    loop_area,
    loop_field,
    loop_inductance,
)

ISOLATED = 10_000.0  # nH; more than any loop on a board
USUAL_KNEE = 100e6  # Hz; a net without a stated edge time counts as this
SLOW = 0.01
# mm; farther than this no usual part reaches across a gap (common practice, no source)
CAPACITOR = 5.0
TOUCH = 0.01  # mm; an end this near to a pour is on it
NODES = 60_000  # that the searches of one board may expand: about a second
SEARCHED = 50  # crossings; the rest is told by what it has at least
BESIDE = 10.0  # mm; ends this near to those of a searched crossing share its search
# of a neighbour's detour: a crossing that has at least this much needs no search of its own
ENOUGH = 0.9


@dataclass(frozen=True, slots=True)
class Harm:
    """What a run costs; `detail` holds plain values for the report."""

    number: float
    detour: Detour | None
    detail: dict[str, Any] = field(default_factory=dict)
    hint: str | None = None


def harm_of_run(layout: Layout, run: OffReferenceRun) -> Harm:
    """The cost of a run that reaches one pour or none: its length, with no search for a way
    back.
    """
    return Harm(_weight(layout, run.net) * run.length, None, _spectrum(layout, run.net, None))


def harm_of_crossings(layout: Layout, runs: Sequence[OffReferenceRun]) -> list[Harm]:
    """The cost of each crossing of a board, all at once: they share searches and one budget."""
    crossings = [_Crossing(layout, run) for run in runs]
    _search(network_of(layout), crossings, Budget(NODES))
    return [crossing.harm() for crossing in crossings]


@of_layout
def network_of(layout: Layout) -> Network:
    """Reference copper of a layout as sheets and links."""
    return Network([pour.shape for pour in layout.pours], list(_links(layout)))


Ways = tuple[Sequence[End], Sequence[End]]  # from any of some ends to any of others


class _Crossing:
    """One run while its detour is looked for."""

    def __init__(self, layout: Layout, run: OffReferenceRun) -> None:
        self.layout = layout
        self.run = run
        self.network = network_of(layout)
        ends = _ends(layout, run)
        self.ends = [
            [(sheet, self.network.on_sheet(sheet, at)) for sheet, at in group] for group in ends
        ]
        bounds = [self.network.at_least(*ways) for ways in self.ways]
        known = [bound for bound in bounds if bound is not None]
        self.joined = bool(known) and len(known) == len(bounds)
        self.at_least = max(known, default=0.0)
        self.detour: Detour | None = None
        self.stopped = False

    @property
    def ways(self) -> list[Ways]:
        """From the first group of ends to each other group."""
        return [(self.ends[0], other) for other in self.ends[1:]]

    def search(self, budget: Budget) -> None:
        """Look for the longest of the ways; while one is only bounded, so is the detour."""
        found = [
            way for ways in self.ways if (way := self.network.detour(*ways, budget)) is not None
        ]
        self.detour = max(found, key=lambda way: way.length, default=None)
        self.at_least = max([self.at_least, *(way.length for way in found)])
        self.stopped = not all(way.found for way in found)
        if self.stopped:
            self.detour = None

    def order(self) -> tuple[float, ...]:
        """Sort key: the harm of the lower bound, worst first, then place."""
        return (-self._bounded(), *self.run.bounds)

    def _bounded(self) -> float:
        """The harm of a loop of the least length, as if it were as narrow as the trace."""
        weight, lines = _weight(self.layout, self.run.net), self.run.length
        return weight * loop_inductance(
            0.0, lines, max(self.at_least, lines), _width(self.layout, self.run)
        )

    def harm(self) -> Harm:
        """What the crossing costs, as far as that is known."""
        layout, run, weight = self.layout, self.run, _weight(self.layout, self.run.net)
        detail: dict[str, Any] = {"detour_mm": None, "loop_area_mm2": None, "loop_nh": None}
        if len(self.ends) < 2:  # a stub or an island: nothing to return to
            return Harm(weight * run.length, None, detail)
        if self.detour is not None:
            number, detail = self._told(self.detour, detail)
        elif self.joined and not self.stopped:
            number = self._bounded()
        else:
            number = weight * (ISOLATED + run.length)
        if self.joined and self.detour is None:
            detail["detour_at_least_mm"] = _rounded_down(self.at_least)
        detail |= _spectrum(layout, run.net, detail["loop_area_mm2"])
        # as it is told
        least = self.at_least if self.detour is not None else _rounded_down(self.at_least)
        hint = _hint(layout, self.ends, least) if self.joined else None
        return Harm(number, self.detour, detail, hint)

    def _told(self, detour: Detour, detail: dict[str, Any]) -> tuple[float, dict[str, Any]]:
        loop = _loop(self.layout, self.run, detour)
        path = [[round(x, 6), round(y, 6)] for x, y in detour.path]
        told = {"detour_path_mm": path, "detour_through": list(detour.links)}
        return _weight(self.layout, self.run.net) * loop["loop_nh"], detail | loop | told


def _search(network: Network, crossings: Sequence[_Crossing], budget: Budget) -> None:
    """Search the first crossings by the harm of their lower bound; those beside one share its
    search.
    """
    left = sorted((crossing for crossing in crossings if crossing.joined), key=_Crossing.order)
    few = len(left) <= SEARCHED
    searches = 0
    while left and searches < SEARCHED:
        crossing = left.pop(0)
        crossing.layout.tell(f"detour of {crossing.layout.board.net_name(crossing.run.net)}")
        crossing.search(budget)
        searches += 1
        if not few and crossing.detour is not None:
            left = [other for other in left if not _shares(network, crossing, other)]


def _shares(network: Network, searched: _Crossing, other: _Crossing) -> bool:
    """Bound a crossing by a searched one; whether that is enough.

    The way of the searched one is no longer than: over to the other's start, the other's way, and
    back from its end.
    """
    if searched.detour is None or len(searched.ends) != 2 or len(other.ends) != 2:
        return False
    aside = sum(
        _aside(network, own, there) for own, there in zip(searched.ends, other.ends, strict=True)
    )
    other.at_least = max(other.at_least, searched.detour.length - aside)
    return other.at_least >= ENOUGH * searched.detour.length


def _aside(network: Network, ends: Sequence[End], others: Sequence[End]) -> float:
    """The longest straight way from one of `others` to the nearest of `ends`; infinite where one is
    not beside them.
    """
    away = 0.0
    for sheet, at in others:
        near = [place for on, place in ends if on == sheet and apart(place, at) <= BESIDE]
        away = max(away, float(network.straight(sheet, at, np.array(near)).min()) if near else inf)
    return away


def _rounded_down(length: float) -> float:
    """A lower bound stays one when it is told."""
    return float(np.floor(length * 1e3) / 1e3)


def _ends(layout: Layout, run: OffReferenceRun) -> list[list[End]]:
    """Ends of a run, grouped: by region where it joins several, else by pour, else one by one."""
    found: list[tuple[tuple[int, int], End]] = []
    for pour in run.pours:
        if pour >= len(layout.pours):  # a tie counts as both pours
            continue
        region = layout.pours[pour].region
        key = (region, 0) if len(run.regions) > 1 else (0, pour)
        found += [(key, (pour, place)) for place in _ends_at(layout, pour, run.ends)]
    keys = sorted({key for key, _ in found})
    if len(keys) == 1:
        return [[end] for _, end in found]
    return [[end for other, end in found if other == key] for key in keys]


def _ends_at(layout: Layout, pour: int, ends: Sequence[XY]) -> list[XY]:
    """Those of some ends that lie on a pour; where none does (beside the trace on its own layer),
    the nearest one.
    """
    if not ends:
        return []
    shape, points = layout.pours[pour].shape, shapely.points(np.array(ends))
    shapely.prepare(shape)
    near = shapely.dwithin(shape, points, TOUCH).tolist()
    if any(near):
        return [place for place, on in zip(ends, near, strict=True) if on]
    return [ends[int(np.argmin(shapely.distance(shape, points)))]]


def _loop(layout: Layout, run: OffReferenceRun, detour: Detour) -> dict[str, Any]:
    way = _chained(run, detour.path[0], detour.path[-1])
    length = sum(apart(a, b) for a, b in pairwise(way))
    area = loop_area([way], detour.path)
    return {
        "detour_mm": round(detour.length, 6),
        "loop_area_mm2": round(area, 6),
        "loop_nh": round(loop_inductance(area, length, detour.length, _width(layout, run)), 3),
    }


def _width(layout: Layout, run: OffReferenceRun) -> float:
    """Width of the narrowest stroke of a run, mm; 0.2 where there is none."""
    lines = run.rows[~layout.board.copper.pad[run.rows]]
    width = 2 * float(layout.board.copper.radius[lines].min(initial=np.inf))
    return width if 0 < width < np.inf else 0.2


def _chained(run: OffReferenceRun, start: XY, end: XY) -> list[XY]:
    """One line from start to end along the run's path."""
    left = [list(line) for line in run.path]
    way = [start]
    while left:
        here = way[-1]
        line = min(left, key=lambda line: min(apart(here, line[0]), apart(here, line[-1])))
        left.remove(line)
        way += line if apart(here, line[0]) <= apart(here, line[-1]) else line[::-1]
    return [*way, end]


def _edge_time(layout: Layout, net: int) -> float | None:
    """Edge time in ns, the shortest of the patterns that match."""
    times = [
        time
        for pattern, time in layout.rules.nets.edge_ns.items()
        if net in layout.matching((pattern,)).tolist()
    ]
    return min(times, default=None)


def _weight(layout: Layout, net: int) -> float:
    if layout.is_slow(net):
        return SLOW
    time = _edge_time(layout, net)
    return 1.0 if time is None else knee_frequency(time) / USUAL_KNEE


def _spectrum(layout: Layout, net: int, area: float | None) -> dict[str, Any]:
    """Knee frequency and field, where the rules tell the edge time."""
    time = _edge_time(layout, net)
    if time is None:
        return {}
    knee = knee_frequency(time)
    out: dict[str, Any] = {"edge_ns": time, "knee_mhz": round(knee / 1e6, 3)}
    if area is not None:
        out["field_db_uv_m"] = round(decibel_microvolt(loop_field(knee, area)), 2)
        out["field_assumes"] = (
            f"{ASSUMED_CURRENT * 1e3:g} mA at the knee frequency, free space, {DISTANCE:g} m"
        )
    return out


def _hint(layout: Layout, ends: Sequence[Sequence[End]], detour: float) -> str | None:
    """A capacitor beside the trace, where it shortens a detour of at least so many mm and no
    barrier forbids it.
    """
    if len(ends) != 2:
        return None
    ways = [(apart(a[1], b[1]), a, b) for a in ends[0] for b in ends[1]]
    across, (first, start), (second, end) = min(ways)
    one, other = layout.pours[first], layout.pours[second]
    if one.net == other.net or layout.barrier_between(one.region, other.region) is not None:
        return None
    if across > CAPACITOR or detour < 2 * across + 1.0:
        return None
    names = " and ".join(layout.board.net_name(pour.net) for pour in (one, other))
    at = wording.place(((start[0] + end[0]) / 2, (start[1] + end[1]) / 2))
    lengths = f"from {wording.plain(detour)} to {wording.length(across)}"
    return f"put a capacitor between {names} at {at}: it shortens the detour {lengths}"


def _links(layout: Layout) -> Iterator[Link]:
    yield from _plated_links(layout)
    yield from _part_links(layout)
    yield from _contact_links(layout)


def _plated_links(layout: Layout) -> Iterator[Link]:
    """Plated holes of a net join its pours on the layers that they pass."""
    holes = layout.board.holes
    centre = (holes.ends[:, :2] + holes.ends[:, 2:]) / 2
    inside: dict[int, list[tuple[int, int]]] = {}
    for number, (pour, rows) in enumerate(zip(layout.pours, layout.stitches, strict=True)):
        for row in rows.tolist():
            inside.setdefault(row, []).append((pour.layer, number))
    for row, found in inside.items():
        sheets = [number for _, number in sorted(found)]
        at = (float(centre[row, 0]), float(centre[row, 1]))
        for a, b in pairwise(sheets):
            yield Link((a, b), (at, at), "plated hole")


def _part_links(layout: Layout) -> Iterator[Link]:
    """Ties at parts and stitching capacitors join the pours nearest to their pads."""
    named = {tie.at for tie in layout.rules.ties if tie.at} | set(layout.rules.nets.stitching)
    for component in layout.board.components:
        if component.refdes in named:
            pins = [(pin.net, pin.at) for pin in component.pins]
            for i, (net, at) in enumerate(pins):
                for other, place in pins[i + 1 :]:
                    if net != other:
                        yield from _link(layout, (net, at), (other, place), component.refdes)


def _contact_links(layout: Layout) -> Iterator[Link]:
    """Copper ties: where copper of two reference nets touches."""
    for contact in layout.board.connectivity.contacts:
        a, b = contact.nets
        yield from _link(layout, (a, contact.at), (b, contact.at), "copper tie")


def _link(
    layout: Layout, first: tuple[int, XY], second: tuple[int, XY], name: str
) -> Iterator[Link]:
    """A link between the pours of two nets that lie nearest to two places."""
    ends = [_nearest_pour(layout, net, at) for net, at in (first, second)]
    if ends[0] is None or ends[1] is None:
        return
    (a, at, off), (b, place, away) = ends[0], ends[1]
    yield Link((a, b), (at, place), name, off + apart(first[1], second[1]) + away)


def _nearest_pour(layout: Layout, net: int, at: XY) -> tuple[int, XY, float] | None:
    """The pour of a net nearest to a place, the point of it that is nearest, and how far that
    is.
    """
    numbers = [i for i, pour in enumerate(layout.pours) if pour.net == net]
    if not numbers:
        return None
    point = shapely.Point(at)
    best = min(numbers, key=lambda i: float(shapely.distance(layout.pours[i].shape, point)))
    line = shapely.shortest_line(layout.pours[best].shape, point)
    x, y = line.coords[0]
    return best, (float(x), float(y)), float(line.length)
