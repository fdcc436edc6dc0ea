"""How much harm a stretch off the reference does: detour, loop, inductance, field, and the one number that orders them.

The harm of a stretch is the inductance of its loop in nH, times its knee frequency over 100 MHz where the rules file
tells the edge time (slow nets count a hundredth). A crossing of regions that nothing joins has no detour at all: it
counts as `ISOLATED` nH and its length, worse than any loop.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from math import hypot
from typing import Any

import numpy as np
import shapely

from checker import wording
from checker.findings import XY
from checker.layout.layout import Layout
from checker.layout.regions import Stretch
from checker.returns.detour import (
    ASSUMED_CURRENT,
    DISTANCE,
    Detour,
    Link,
    Network,
    decibel_microvolt,
    knee_frequency,
    loop_area,
    loop_field,
    loop_inductance,
)

ISOLATED = 10_000.0  # nH; more than any loop on a board
USUAL_KNEE = 100e6  # Hz; a net without a stated edge time counts as this
SLOW = 0.01
CAPACITOR = 5.0  # mm; farther than this no usual part reaches across a gap (common practice, no source)
TOUCH = 0.01  # mm; an end this near to a pour is on it


@dataclass(frozen=True, slots=True)
class Harm:
    """What a stretch costs; `detail` holds plain values for the report."""

    number: float
    detour: Detour | None
    detail: dict[str, Any] = field(default_factory=dict)
    hint: str | None = None


def harm_of(layout: Layout, stretch: Stretch) -> Harm:
    """The cost of one crossing or unreferenced run."""
    ends = _ends(layout, stretch)
    detour = _worst_detour(layout, ends)
    weight = _weight(layout, stretch.net)
    detail: dict[str, Any] = {"detour_mm": None, "loop_area_mm2": None, "loop_nh": None}
    if len(ends) < 2:  # a stub or an island: nothing to return to, and no crossing
        return Harm(weight * stretch.length, None, detail)
    if detour is None:
        number = weight * (ISOLATED + stretch.length)
    else:
        loop = _loop(layout, stretch, detour)
        number = weight * loop["loop_nh"]
        detail |= loop
        detail["detour_path_mm"] = [[round(x, 6), round(y, 6)] for x, y in detour.path]
        detail["detour_through"] = list(detour.links)
    detail |= _spectrum(layout, stretch.net, detail["loop_area_mm2"])
    return Harm(number, detour, detail, _hint(layout, ends, detour))


@lru_cache(maxsize=1)
def network_of(layout: Layout) -> Network:
    """Reference copper of a layout as sheets and links."""
    return Network([pour.shape for pour in layout.pours], list(_links(layout)))


End = tuple[int, XY]  # pour and place


def _ends(layout: Layout, stretch: Stretch) -> list[list[End]]:
    """Ends of a stretch, grouped: by region where it joins several, else by pour, else one by one."""
    found: list[tuple[tuple[int, int], End]] = []
    for pour in stretch.pours:
        if pour >= len(layout.pours):  # a tie counts as both pours
            continue
        region = layout.pours[pour].region
        key = (region, 0) if len(stretch.regions) > 1 else (0, pour)
        found += [(key, (pour, place)) for place in _ends_at(layout, pour, stretch.ends)]
    keys = sorted({key for key, _ in found})
    if len(keys) == 1:
        return [[end] for _, end in found]
    return [[end for other, end in found if other == key] for key in keys]


def _ends_at(layout: Layout, pour: int, ends: Sequence[XY]) -> list[XY]:
    """Those of some ends that lie on a pour; where none does (beside the trace on its own layer), the nearest one."""
    if not ends:
        return []
    away = shapely.distance(layout.pours[pour].shape, shapely.points(np.array(ends)))
    return [place for place, off in zip(ends, away, strict=True) if off < TOUCH] or [ends[int(np.argmin(away))]]


def _worst_detour(layout: Layout, ends: Sequence[Sequence[End]]) -> Detour | None:
    """The longest of the ways from the first group of ends to each other group; None if one has none."""
    if len(ends) < 2:
        return None
    ways = [network_of(layout).detour(ends[0], other) for other in ends[1:]]
    known = [way for way in ways if way is not None]
    return max(known, key=lambda way: way.length) if len(known) == len(ways) else None


def _loop(layout: Layout, stretch: Stretch, detour: Detour) -> dict[str, Any]:
    way = _chained(stretch, detour.path[0], detour.path[-1])
    length = sum(hypot(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(way))
    area = loop_area([way], detour.path)
    lines = stretch.rows[~layout.board.copper.pad[stretch.rows]]
    width = 2 * float(layout.board.copper.radius[lines].min(initial=np.inf)) if len(lines) else 0.2
    return {
        "detour_mm": round(detour.length, 6),
        "loop_area_mm2": round(area, 6),
        "loop_nh": round(loop_inductance(area, length, detour.length, width if 0 < width < np.inf else 0.2), 3),
    }


def _chained(stretch: Stretch, start: XY, end: XY) -> list[XY]:
    """One line from start to end along the stretch's path."""
    left = [list(line) for line in stretch.path]
    way = [start]
    while left:
        here = way[-1]
        line = min(left, key=lambda line: min(_apart(here, line[0]), _apart(here, line[-1])))
        left.remove(line)
        way += line if _apart(here, line[0]) <= _apart(here, line[-1]) else line[::-1]
    return [*way, end]


def _apart(a: XY, b: XY) -> float:
    return hypot(a[0] - b[0], a[1] - b[1])


def _edge_time(layout: Layout, net: int) -> float | None:
    """Edge time in ns, the shortest of the patterns that match."""
    times = [time for pattern, time in layout.rules.nets.edge_ns.items() if net in layout.matching((pattern,)).tolist()]
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
        out["field_assumes"] = f"{ASSUMED_CURRENT * 1e3:g} mA at the knee frequency, free space, {DISTANCE:g} m"
    return out


def _hint(layout: Layout, ends: Sequence[Sequence[End]], detour: Detour | None) -> str | None:
    """A capacitor beside the trace, where it shortens the detour and no barrier forbids it."""
    if detour is None or len(ends) != 2:
        return None
    ways = [(_apart(a[1], b[1]), a, b) for a in ends[0] for b in ends[1]]
    across, (first, start), (second, end) = min(ways)
    one, other = layout.pours[first], layout.pours[second]
    if one.net == other.net or layout.barrier_between(one.region, other.region) is not None:
        return None
    if across > CAPACITOR or detour.length < 2 * across + 1.0:
        return None
    names = " and ".join(layout.board.net_name(pour.net) for pour in (one, other))
    at = wording.place(((start[0] + end[0]) / 2, (start[1] + end[1]) / 2))
    return f"a capacitor between {names} at {at} shortens the detour from {detour.length:.1f} to {across:.1f} mm"


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


def _link(layout: Layout, first: tuple[int, XY], second: tuple[int, XY], name: str) -> Iterator[Link]:
    """A link between the pours of two nets that lie nearest to two places."""
    ends = [_nearest_pour(layout, net, at) for net, at in (first, second)]
    if ends[0] is None or ends[1] is None:
        return
    (a, at, off), (b, place, away) = ends[0], ends[1]
    yield Link((a, b), (at, place), name, off + _apart(first[1], second[1]) + away)


def _nearest_pour(layout: Layout, net: int, at: XY) -> tuple[int, XY, float] | None:
    """The pour of a net nearest to a place, the point of it that is nearest, and how far that is."""
    numbers = [i for i, pour in enumerate(layout.pours) if pour.net == net]
    if not numbers:
        return None
    point = shapely.Point(at)
    best = min(numbers, key=lambda i: float(shapely.distance(layout.pours[i].shape, point)))
    line = shapely.shortest_line(layout.pours[best].shape, point)
    x, y = line.coords[0]
    return best, (float(x), float(y)), float(line.length)
