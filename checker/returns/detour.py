"""What a broken return path costs: the detour through reference copper, and estimates of what it does.

The network is made of sheets (pours, antipads filled) and links (plated holes, ties, stitching capacitors). The
shortest way inside a sheet bends only at its reflex corners, so an A* search over corners and links, with visibility
tested against the sheet, gives the true geodesic; sheets are simplified by at most `SIMPLIFY` first, so a detour is
at most 2 * SIMPLIFY per bend off. The estimates sort findings by harm; they predict no compliance test.

Units: mm and nH in results that say so, SI where the formula is named with SI.
"""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import asinh, hypot, log, log10, pi, sqrt

import networkx as nx
import numpy as np
import shapely

from checker.findings import XY
from parsers.primitives import Bools, Floats, Ints, Rows

MU0 = 4e-7 * pi  # H/m
LIGHT = 299_792_458.0  # m/s
SIMPLIFY = 0.005  # mm; round outlines are cut to fewer corners before the search
TOUCH = 1e-4  # mm; how far a way may graze past a corner of its sheet
REACH_FACTOR = 3.0  # the first search looks this much farther than the straight way, and each later one again ...
REACH_LEAST = 10.0  # mm; ... and at least this far
COPPER_THICKNESS = 0.035  # mm; common practice, no source: one ounce per square foot
ASSUMED_CURRENT = 0.005  # A at the knee frequency; printed with every estimate that uses it
DISTANCE = 3.0  # m; where the field is estimated


@dataclass(frozen=True, slots=True)
class Link:
    """A connection between two sheets (or two places of one): a plated hole, a tie, a stitching capacitor."""

    sheets: tuple[int, int]
    ends: tuple[XY, XY]
    name: str
    length: float = 0.0  # at least the distance of both ends is counted


@dataclass(frozen=True, slots=True)
class Detour:
    """Shortest way of the return current: its length, its points seen from above, and the links that it takes."""

    length: float
    path: tuple[XY, ...]
    links: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Nodes:
    """Places of a sheet where a way may bend or leave it; columns of length n."""

    places: Floats  # (n, 2)
    arms: Floats  # (n, 4): from a corner to the one before and the one after; 0 at link ends
    links: Ints  # (n, 2): link and its end here; -1 at corners

    def take(self, rows: Rows) -> _Nodes:
        return _Nodes(self.places[rows], self.arms[rows], self.links[rows])


class Network:
    """Reference copper as sheets and links.

    Parameters
    ----------
    sheets : pours, Polygons
    links : connections; their ends must lie on their sheets

    Examples
    --------
    >>> u = shapely.Polygon([(0, 0), (10, 0), (10, 10), (6, 10), (6, 2), (4, 2), (4, 10), (0, 10)])
    >>> way = Network([u], []).detour([(0, (4, 5))], [(0, (6, 5))])
    >>> way.length, way.path
    (8.0, ((4.0, 5.0), (4.0, 2.0), (6.0, 2.0), (6.0, 5.0)))
    """

    def __init__(self, sheets: Sequence[shapely.Polygon], links: Sequence[Link]) -> None:
        self.sheets = [shapely.simplify(sheet, SIMPLIFY) for sheet in sheets]
        self.links = [
            replace(
                link, ends=(self._on_sheet(link.sheets[0], link.ends[0]), self._on_sheet(link.sheets[1], link.ends[1]))
            )
            for link in links
        ]

    def _on_sheet(self, sheet: int, at: XY) -> XY:
        """The place itself, or the point of the sheet nearest to it."""
        point = shapely.Point(at)
        if shapely.covers(self._open[sheet], point):
            return float(at[0]), float(at[1])
        x, y = shapely.shortest_line(self.sheets[sheet], point).coords[0]
        return float(x), float(y)

    @cached_property
    def _nodes(self) -> list[_Nodes]:
        """Corners and link ends of each sheet."""
        ends: dict[int, list[tuple[XY, tuple[int, int]]]] = defaultdict(list)
        for number, link in enumerate(self.links):
            for side in (0, 1):
                ends[link.sheets[side]].append((link.ends[side], (number, side)))
        nodes = []
        for index, sheet in enumerate(self.sheets):
            corners, arms = reflex_corners(sheet)
            places = np.concatenate((corners, np.array([at for at, _ in ends[index]]).reshape(-1, 2)))
            links = np.full((len(places), 2), -1, dtype=np.int32)
            links[len(corners) :] = np.array([what for _, what in ends[index]], dtype=np.int32).reshape(-1, 2)
            nodes.append(_Nodes(places, np.concatenate((arms, np.zeros((len(ends[index]), 4)))), links))
        return nodes

    @cached_property
    def _open(self) -> list[shapely.Geometry]:
        """Sheets grown a hair, prepared: ways along an edge count as inside."""
        grown = [shapely.buffer(sheet, TOUCH, join_style="mitre") for sheet in self.sheets]
        shapely.prepare(grown)
        return grown

    def detour(self, start: Sequence[tuple[int, XY]], end: Sequence[tuple[int, XY]]) -> Detour | None:
        """The shortest way from any start to any end, each given as (sheet, place); None if there is none.

        The search looks at nodes that a way of some length could use; a way no longer than that is the shortest. If
        there is none, the length is raised until every node has been looked at.
        """
        if not {self._group[sheet] for sheet, _ in start} & {self._group[sheet] for sheet, _ in end}:
            return None
        start, end = ([(sheet, self._on_sheet(sheet, at)) for sheet, at in ways] for ways in (start, end))
        direct = min(hypot(a[0] - b[0], a[1] - b[1]) for _, a in start for _, b in end)
        reach = REACH_FACTOR * direct + REACH_LEAST
        while reach < self._extent:
            way = _Search(self, start, end, reach).run()
            if way is not None and way.length <= reach:
                return way
            reach *= REACH_FACTOR
        return _Search(self, start, end, np.inf).run()

    @cached_property
    def _group(self) -> list[int]:
        """Per sheet: the number of the group of sheets that links join."""
        graph: nx.Graph[int] = nx.Graph(link.sheets for link in self.links)
        graph.add_nodes_from(range(len(self.sheets)))
        groups = [0] * len(self.sheets)
        for number, members in enumerate(nx.connected_components(graph)):
            for sheet in members:
                groups[sheet] = number
        return groups

    @cached_property
    def _extent(self) -> float:
        """Length in mm beyond which narrowing the search is not worth it."""
        x0, y0, x1, y1 = shapely.total_bounds(np.array([*self.sheets, shapely.Point(0, 0)]))
        return float(2 * hypot(x1 - x0, y1 - y0))


State = tuple[int, float, float]  # sheet, x, y


class _Search:
    """One A* run over the nodes that a way of length `reach` can use."""

    def __init__(
        self, network: Network, start: Sequence[tuple[int, XY]], end: Sequence[tuple[int, XY]], reach: float
    ) -> None:
        self.network = network
        self.starts = np.array([at for _, at in start]).reshape(-1, 2)
        self.reach = reach
        self.usable: dict[int, _Nodes] = {}
        self.goals: dict[int, list[XY]] = defaultdict(list)
        for sheet, at in end:
            self.goals[sheet].append(at)
        self.targets = np.array([at for places in self.goals.values() for at in places]).reshape(-1, 2)
        self.cost: dict[State, float] = {}
        self.seen: dict[int, Floats] = {}  # the same costs per sheet, by node; may be too high, never too low
        self.came: dict[State, tuple[State, str]] = {}
        self.queue: list[tuple[float, State]] = []
        for sheet, at in start:
            self._reach((sheet, *at), 0.0, None, "")

    def run(self) -> Detour | None:
        done: set[State] = set()
        while self.queue:
            _, state = heapq.heappop(self.queue)
            if state in done:
                continue
            done.add(state)
            sheet, x, y = state
            if (x, y) in self.goals.get(sheet, ()):
                return self._trace(state)
            self._expand(state)
        return None

    def _expand(self, state: State) -> None:
        """Reach every node that can be seen from a state and may lie on a shortest way."""
        sheet, x, y = state
        nodes = self._nodes_in_reach(sheet)
        step = nodes.places - (x, y)
        away, cost = np.hypot(step[:, 0], step[:, 1]), self.cost[state]
        known = self.seen.setdefault(sheet, np.full(len(nodes.places), np.inf))
        useful = (cost + away < known) | ((away == 0) & (nodes.links[:, 0] >= 0))
        useful &= cost + away + _nearest(nodes.places, self.targets) <= self.reach
        useful &= _tangent(step, nodes.arms)
        near = np.flatnonzero(useful)
        lines = shapely.linestrings(np.stack((np.broadcast_to((x, y), (len(near), 2)), nodes.places[near]), axis=1))
        for i in near[shapely.covers(self.network._open[sheet], lines) | (away[near] == 0)].tolist():
            known[i] = min(known[i], cost + float(away[i]))
            at = (sheet, *nodes.places[i].tolist())
            link, side = nodes.links[i].tolist()
            self._reach(at, cost + float(away[i]), state, "", pushed=link < 0)
            if link >= 0:
                self._follow(at, link, side)

    def _nodes_in_reach(self, sheet: int) -> _Nodes:
        """Nodes of a sheet that a way of length `reach` can pass, and its goals."""
        if sheet not in self.usable:
            nodes = self.network._nodes[sheet]
            near = np.flatnonzero(
                _nearest(nodes.places, self.starts) + _nearest(nodes.places, self.targets) <= self.reach
            )
            part, goals = nodes.take(near), np.array(self.goals.get(sheet, [])).reshape(-1, 2)
            self.usable[sheet] = _Nodes(
                np.concatenate((part.places, goals)),
                np.concatenate((part.arms, np.zeros((len(goals), 4)))),
                np.concatenate((part.links, np.full((len(goals), 2), -1, dtype=np.int32))),
            )
        return self.usable[sheet]

    def _follow(self, at: State, number: int, side: int) -> None:
        """Step over a link. A way never bends at a link without leaving the sheet, so its end is not searched from."""
        link = self.network.links[number]
        other = link.ends[1 - side]
        step = max(link.length, hypot(other[0] - at[1], other[1] - at[2]))
        self._reach((link.sheets[1 - side], *other), self.cost[at] + step, at, link.name)

    def _reach(self, at: State, cost: float, before: State | None, link: str, *, pushed: bool = True) -> None:
        if cost < self.cost.get(at, np.inf):
            self.cost[at] = cost
            if before is not None:
                self.came[at] = (before, link)
            if not pushed:
                return
            left = float(np.hypot(*(self.targets - at[1:]).T).min()) if len(self.targets) else 0.0
            heapq.heappush(self.queue, (cost + left, at))

    def _trace(self, state: State) -> Detour:
        length, path, links = self.cost[state], [state[1:]], []
        while state in self.came:
            state, link = self.came[state]
            if state[1:] != path[-1]:
                path.append(state[1:])
            if link:
                links.append(link)
        return Detour(length, tuple(path[::-1]), tuple(links[::-1]))


def _nearest(places: Floats, others: Floats) -> Floats:
    """Distance from each place to the nearest of some others."""
    away = places[:, None, :] - others[None, :, :]
    nearest: Floats = np.hypot(away[..., 0], away[..., 1]).min(axis=1, initial=np.inf)
    return nearest


def _tangent(step: Floats, arms: Floats) -> Bools:
    """Whether a line touches a corner with both arms on one side of it: only there may a shortest way bend."""
    before = step[:, 0] * arms[:, 1] - step[:, 1] * arms[:, 0]
    after = step[:, 0] * arms[:, 3] - step[:, 1] * arms[:, 2]
    slight = 1e-9 * np.hypot(step[:, 0], step[:, 1])
    either: Bools = ((before >= -slight) & (after >= -slight)) | ((before <= slight) & (after <= slight))
    return either


def reflex_corners(polygon: shapely.Polygon) -> tuple[Floats, Floats]:
    """Corners at which a way inside the polygon may bend, shape (k, 2), and the ways to their neighbours, (k, 4)."""
    out = []
    for number, ring in enumerate((polygon.exterior, *polygon.interiors)):
        xy = shapely.get_coordinates(ring)[:-1]
        before, after = np.roll(xy, 1, axis=0) - xy, np.roll(xy, -1, axis=0) - xy
        turn = before[:, 1] * after[:, 0] - before[:, 0] * after[:, 1]
        inside_left = bool(shapely.is_ccw(ring)) == (number == 0)
        rows = turn < 0 if inside_left else turn > 0
        out.append(np.hstack((xy, before, after))[rows])
    corners = np.concatenate(out)
    return corners[:, :2], corners[:, 2:]


def loop_area(stretch: Sequence[Sequence[XY]], detour: Sequence[XY]) -> float:
    """Area in mm2 that the stretch and the detour enclose, however often they cross."""
    lines = [shapely.LineString(line) for line in stretch if len(line) > 1]
    if len(detour) > 1:
        lines.append(shapely.LineString(detour))
    faces = shapely.polygonize([shapely.union_all(lines)])
    return float(shapely.union_all(shapely.get_parts(faces)).area)


def knee_frequency(edge_ns: float) -> float:
    """Frequency in Hz below which most of an edge's energy lies: 0.5 / rise time.

    Source: High-Speed Digital Design (1993), chapter 1; from memory.
    """
    return 0.5 / (edge_ns * 1e-9)


def strip_radius(width: float, thickness: float = COPPER_THICKNESS) -> float:
    """Radius of the round wire with a flat strip's inductance: 0.2235 (w + t), mm.

    Source: Inductance Calculations (1946); from memory.
    """
    return 0.2235 * (width + thickness)


def rectangle_inductance(a: float, b: float, radius: float) -> float:
    """Inductance in nH of a rectangular loop of sides a, b (mm) of round wire (mm), high frequency.

    Source: Inductance Calculations (1946); Inductance: Loop and Partial (2010); from memory. Valid for radius << a, b:
    sides are taken as at least twice the radius.
    """
    a, b = max(a, 2 * radius), max(b, 2 * radius)
    d = sqrt(a * a + b * b)
    total = (
        a * log(2 * a / radius) + b * log(2 * b / radius) + 2 * d - a * asinh(a / b) - b * asinh(b / a) - 2 * (a + b)
    )
    return MU0 / pi * total * 1e-3 * 1e9


def loop_inductance(area: float, length: float, detour: float, width: float) -> float:
    """Inductance in nH of the loop between a trace and its detour, as the rectangle of equal area and perimeter.

    That rectangle exists: a plane loop of a given perimeter encloses at most a circle's area, and where that is more
    than the square's, the square is taken.
    """
    half = max((length + detour) / 2, 1e-6)
    root = sqrt(max(half * half / 4 - area, 0.0))
    return rectangle_inductance(half / 2 + root, half / 2 - root, strip_radius(width))


def loop_field(frequency: float, area: float, current: float = ASSUMED_CURRENT, distance: float = DISTANCE) -> float:
    """Field in V/m of a small loop (mm2) in free space at a distance (m): mu0 pi / c * f^2 A I / r.

    Source: Electromagnetic Compatibility Engineering (2009), chapter 12 (131.6e-16); the constant follows from
    Maxwell's equations.
    """
    return MU0 * pi / LIGHT * frequency**2 * area * 1e-6 * current / distance


def decibel_microvolt(field: float) -> float:
    """A field in V/m as dB(uV/m)."""
    return 20 * log10(max(field, 1e-12) * 1e6)


def crosstalk(distance: float, height: float) -> float:
    """Upper bound of the backward coupling of parallel traces over a plane: 1 / (1 + (D/h)^2).

    Parameters
    ----------
    distance : between centres, mm
    height : over the plane, mm

    Source: High-Speed Digital Design (1993), chapter 5; from memory.
    """
    return 1 / (1 + (distance / height) ** 2)
