"""The detour of the return current: the shortest way through reference copper, round what is cut
out of it.

The network is made of sheets (pours, antipads filled) and links (plated holes, ties, stitching
capacitors). Each sheet is cut into triangles; a search sends windows (what a root sees through an
edge) from triangle to triangle, nearest first, and starts new roots only where a taut way bends.
The way found is the true geodesic of its sheets, which are simplified by at most `SIMPLIFY` first,
so a detour is at most 2 * SIMPLIFY per bend off.

A search that has used up its nodes tells how long the way is at least: no window that is left can
lead to less.

Literature, from memory: continuous Dijkstra (shortest paths on a polyhedron, 1987); its windows
thinned out by what their edge's vertices know (exact geodesics, 2009); interval search on
navigation meshes (2017).

    apex
     /\\          a window [left, right] of an edge, seen from its root, enters a triangle and leaves it by one or both
  a ----- b      of the other edges; at a vertex that bends the way, a new root looks into what the window cannot see
     \\ root
"""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import dist as apart
from math import hypot, inf

import numpy as np
import shapely

from checker.findings import XY
from checker.returns.mesh import Mesh, triangulated
from parsers.primitives import Floats, components

SIMPLIFY = 0.005  # mm; round outlines are cut to fewer corners before the search
TOUCH = 1e-4  # mm; how far a way may graze past a corner of its sheet
SLACK = 1e-9  # mm; lengths nearer than this are the same
SLIGHT = 1e-10  # mm2; a place that spans no more with a line lies on it
FEW = 40  # places ahead: beyond, numpy finds the nearest sooner


@dataclass(frozen=True, slots=True)
class Link:
    """A connection between two sheets (or two places of one): a plated hole, a tie, a stitching
    capacitor.
    """

    sheets: tuple[int, int]
    ends: tuple[XY, XY]
    name: str
    length: float = 0.0  # at least the distance of both ends is counted


@dataclass(frozen=True, slots=True)
class Detour:
    """Shortest way of the return current: its length, its points seen from above, and the links
    that it takes.

    Where the search ended before the way was found, `length` is what it has at least, and there is
    no path.
    """

    length: float
    path: tuple[XY, ...]
    links: tuple[str, ...]

    @property
    def found(self) -> bool:
        """Whether this is a way, not only a bound."""
        return bool(self.path)


End = tuple[int, XY]  # a sheet and a place on it
Port = tuple[int, int]  # a link and which of its ends; (GOAL, number) for a goal
GOAL = -1


@dataclass
class Budget:
    """How many nodes may still be expanded; searches of one board share it."""

    nodes: float = inf


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
        self._meshes: dict[int, Mesh] = {}
        self._ports: dict[int, dict[int, list[tuple[Port, XY]]]] = {}
        self.links = [
            replace(link, ends=(self._end(link, 0), self._end(link, 1))) for link in links
        ]

    def _end(self, link: Link, side: int) -> XY:
        return self.on_sheet(link.sheets[side], link.ends[side])

    def on_sheet(self, sheet: int, at: XY) -> XY:
        """The place itself, or the point of the sheet nearest to it."""
        point = shapely.Point(at)
        if shapely.covers(self._open[sheet], point):
            return float(at[0]), float(at[1])
        x, y = shapely.shortest_line(self.sheets[sheet], point).coords[0]
        return float(x), float(y)

    @cached_property
    def _open(self) -> list[shapely.Geometry]:
        """Sheets grown a hair, prepared: ways along an edge count as inside."""
        grown = [shapely.buffer(sheet, TOUCH, join_style="mitre") for sheet in self.sheets]
        shapely.prepare(grown)
        return grown

    def straight(self, sheet: int, at: XY, others: Floats) -> Floats:
        """Lengths of the straight ways from a place to others on its sheet, infinite where one
        leaves it; (n,).
        """
        lines = shapely.linestrings(np.stack((np.broadcast_to(at, others.shape), others), axis=1))
        lengths: Floats = np.where(
            shapely.covers(self._open[sheet], lines), shapely.length(lines), inf
        )
        return lengths

    def mesh(self, sheet: int) -> Mesh:
        """The triangles of a sheet, cut when they are first asked for."""
        if sheet not in self._meshes:
            self._meshes[sheet] = triangulated(self.sheets[sheet])
        return self._meshes[sheet]

    @cached_property
    def ends(self) -> dict[int, list[Port]]:
        """Ends of links by sheet."""
        found: dict[int, list[Port]] = defaultdict(list)
        for number, link in enumerate(self.links):
            for side in (0, 1):
                found[link.sheets[side]].append((number, side))
        return found

    def ports(self, sheet: int) -> dict[int, list[tuple[Port, XY]]]:
        """Ends of links and where they lie, by the triangles of a sheet that they lie in."""
        if sheet not in self._ports:
            found: dict[int, list[tuple[Port, XY]]] = defaultdict(list)
            for link, side in self.ends.get(sheet, ()):
                at = self.links[link].ends[side]
                for triangle in self.mesh(sheet).triangles_at(at):
                    found[triangle].append(((link, side), at))
            self._ports[sheet] = dict(found)
        return self._ports[sheet]

    @cached_property
    def joined(self) -> list[int]:
        """Per sheet: the number of the group of sheets that links join."""
        groups = [0] * len(self.sheets)
        for number, members in enumerate(
            components(len(self.sheets), [link.sheets for link in self.links])
        ):
            for sheet in members:
                groups[sheet] = number
        return groups

    def detour(
        self, start: Sequence[End], end: Sequence[End], budget: Budget | None = None
    ) -> Detour | None:
        """The shortest way from any start to any end; None if there is none.

        Parameters
        ----------
        start, end : sheets and places on them
        budget : nodes that may be expanded, shared with other searches; without one the search ends
            with the way
        """
        return self._search(start, end).run(budget or Budget())

    def at_least(self, start: Sequence[End], end: Sequence[End]) -> float | None:
        """A length in mm that no way from any start to any end falls below; None if there is no
        way.
        """
        return self._search(start, end).bound

    def _search(self, start: Sequence[End], end: Sequence[End]) -> _Search:
        here, there = (
            [(sheet, self.on_sheet(sheet, at)) for sheet, at in ways] for ways in (start, end)
        )
        return _Search(self, here, there)


# Roots and windows are made a hundred thousand times and never changed: freezing them costs double.
@dataclass(slots=True)
class _Root:
    """A place that a way has come to and goes on from, straight."""

    ground: _Ground
    at: XY
    length: float
    ahead: float  # what is left at least
    before: _Root | None
    link: str = ""


@dataclass(slots=True)
class _Window:
    """What a root sees through a part of an edge; the half-edge is that of the triangle it looks
    into.
    """

    edge: int
    root: _Root
    left: XY
    right: XY
    at_left: bool  # whether `left` is the vertex at which the edge begins
    at_right: bool  # whether `right` is the one at which it ends


class _Ahead:
    """Lower bound of what is left to the goals, from any place of one sheet: straight, perhaps to a
    link and on.
    """

    def __init__(self, network: Network, sheet: int, goals: Sequence[End]) -> None:
        spots = [(*at, 0.0) for on, at in goals if on == sheet]
        if not spots:
            spots = [self._through(network, port, goals) for port in network.ends.get(sheet, ())]
        self.spots = spots
        self.columns = np.array(spots).reshape(-1, 3)
        self.told: dict[XY, float] = {}  # many windows end at one vertex

    @staticmethod
    def _through(network: Network, port: Port, goals: Sequence[End]) -> tuple[float, float, float]:
        link = network.links[port[0]]
        here, there = link.ends[port[1]], link.ends[1 - port[1]]
        return (
            *here,
            max(link.length, apart(here, there)) + min(apart(there, at) for _, at in goals),
        )

    def __call__(self, at: XY) -> float:
        x, y = at
        if len(self.spots) > FEW:
            if at not in self.told:
                columns = self.columns
                lengths = np.hypot(columns[:, 0] - x, columns[:, 1] - y) + columns[:, 2]
                self.told[at] = float(lengths.min())
            return self.told[at]
        least = inf
        for u, v, more in self.spots:
            least = min(least, hypot(x - u, y - v) + more)
        return least


class _Ground:
    """What a search knows of one sheet."""

    def __init__(self, network: Network, sheet: int, goals: Sequence[End], ahead: _Ahead) -> None:
        self.sheet = sheet
        self.ahead = ahead
        self.mesh = mesh = network.mesh(sheet)
        self.places, self.start, self.end, self.twin = mesh.places, mesh.start, mesh.end, mesh.twin
        self.known = [inf] * len(mesh.places)  # lengths to vertices
        self.ports = self._by_triangle(network, goals)

    def _by_triangle(
        self, network: Network, goals: Sequence[End]
    ) -> dict[int, list[tuple[Port, XY]]]:
        """Ends of links and goals by the triangles that they lie in."""
        found = dict(network.ports(self.sheet))
        for number, (sheet, at) in enumerate(goals):
            for triangle in self.mesh.triangles_at(at) if sheet == self.sheet else ():
                found[triangle] = [*found.get(triangle, ()), ((GOAL, number), at)]
        return found


class _Search:
    """One run from some starts to some goals. Entries of the queue are windows to look into and
    ports reached.
    """

    def __init__(self, network: Network, start: Sequence[End], goals: Sequence[End]) -> None:
        self.network = network
        self.goals = goals
        self.ahead: dict[int, _Ahead] = {}
        self.start = start
        groups = {network.joined[sheet] for sheet, _ in start} & {
            network.joined[sheet] for sheet, _ in goals
        }
        self.bound = min(self._ahead(sheet)(at) for sheet, at in start) if groups else None

    def run(self, budget: Budget) -> Detour | None:
        """The shortest way, or what it has at least when the budget is used up; None if there is
        none.
        """
        if self.bound is None:
            return None
        self.queue: list[tuple[float, int, _Window | Port, _Root]] = []
        self.pushed = 0
        self.reached: dict[Port, float] = {}
        self.grounds: dict[int, _Ground] = {}
        for sheet, at in self.start:
            self._stand(self._root(sheet, at, 0.0, None))
        return self._to_goal(budget)

    def _to_goal(self, budget: Budget) -> Detour | None:
        while self.queue:
            if budget.nodes <= 0:
                return Detour(max(self.bound or 0.0, self.queue[0][0]), (), ())
            budget.nodes -= 1
            _, _, what, root = heapq.heappop(self.queue)
            if isinstance(what, _Window):
                self._look(what)
            elif what[0] == GOAL:
                return _traced(root)
            elif root.length <= self.reached[what] + SLACK:
                self._follow(what, root)
        # lost in rounding: the sheets are joined, so there is a way
        return Detour(self.bound or 0.0, (), ())

    # --------------------------------------------------------------------------------------- places

    def _ahead(self, sheet: int) -> _Ahead:
        if sheet not in self.ahead:
            self.ahead[sheet] = _Ahead(self.network, sheet, self.goals)
        return self.ahead[sheet]

    def _ground(self, sheet: int) -> _Ground:
        if sheet not in self.grounds:
            self.grounds[sheet] = _Ground(self.network, sheet, self.goals, self._ahead(sheet))
        return self.grounds[sheet]

    def _root(
        self, sheet: int, at: XY, length: float, before: _Root | None, link: str = ""
    ) -> _Root:
        return _Root(self._ground(sheet), at, length, self._ahead(sheet)(at), before, link)

    def _stand(self, root: _Root) -> None:
        """Look out of every triangle that a root lies in."""
        ground = root.ground
        for triangle in ground.mesh.triangles_at(root.at):
            for port, at in ground.ports.get(triangle, ()):
                self._arrive(port, at, root)
            for edge in range(3 * triangle, 3 * triangle + 3):
                a, b = ground.places[ground.start[edge]], ground.places[ground.end[edge]]
                _learn(root, ground.start[edge])
                if turn(a, b, root.at) > SLIGHT:
                    self._push(_Window(ground.twin[edge], root, b, a, True, True))

    def _arrive(self, port: Port, at: XY, root: _Root) -> None:
        """Queue an end of a link, or a goal, that a root sees."""
        length = root.length + apart(root.at, at)
        if length < self.reached.get(port, inf) - SLACK:
            self.reached[port] = length
            ahead = 0.0 if port[0] == GOAL else root.ground.ahead(at)
            self._queue(length + ahead, port, _Root(root.ground, at, length, ahead, root))

    def _follow(self, port: Port, root: _Root) -> None:
        """Step over a link."""
        number, side = port
        link = self.network.links[number]
        sheet, at = link.sheets[1 - side], link.ends[1 - side]
        length = root.length + max(link.length, apart(root.at, at))
        if length < self.reached.get((number, 1 - side), inf) - SLACK:
            self.reached[number, 1 - side] = length
            self._stand(self._root(sheet, at, length, root, link.name))

    # -------------------------------------------------------------------------------------- windows

    def _queue(self, total: float, what: _Window | Port, root: _Root) -> None:
        self.pushed += 1
        heapq.heappush(self.queue, (total, self.pushed, what, root))

    def _push(self, window: _Window) -> None:
        """Queue a window, unless the edge's vertices tell that nothing short comes through it."""
        root, left, right = window.root, window.left, window.right
        wide = apart(left, right)
        if window.edge < 0 or wide < SLACK or _outdone(window):
            return
        ahead = root.ground.ahead
        straight = to_line(root.at, left, right) + (ahead(left) + ahead(right) - wide) / 2
        most = max(root.ahead, straight)
        if most < inf:
            self._queue(root.length + most, window, root)

    def _look(self, window: _Window) -> None:
        """Send a window on through its triangle."""
        if _outdone(window):
            return
        root, edge = window.root, window.edge
        ground, eye = root.ground, root.at
        for port, at in ground.ports.get(edge // 3, ()):
            self._arrive_through(window, port, at)
        apex = ground.start[_before(edge)]
        at = ground.places[apex]
        if turn(eye, window.left, at) > SLIGHT:
            self._leave_right(window, at)
        elif turn(eye, window.right, at) < -SLIGHT:
            self._leave_left(window, at)
        else:
            _learn(root, apex)
            self._leave_both(window, at)

    def _arrive_through(self, window: _Window, port: Port, at: XY) -> None:
        """Reach a port in the triangle that a window looks into: straight, or round an end of the
        window.
        """
        root = window.root
        if turn(root.at, window.left, at) > SLIGHT:
            bent = _bent(window, 0)
        elif turn(root.at, window.right, at) < -SLIGHT:
            bent = _bent(window, 1)
        else:
            bent = root
        if bent is not None:
            self._arrive(port, at, bent)

    def _leave_both(self, window: _Window, apex: XY) -> None:
        """The root sees the apex: the window goes on left and right of it."""
        root, edge, twin = window.root, window.edge, window.root.ground.twin
        a, b = _edge_of(window)
        left = a if window.at_left else crossing(root.at, window.left, a, apex)
        right = b if window.at_right else crossing(root.at, window.right, b, apex)
        self._push(_Window(twin[_before(edge)], root, left, apex, window.at_left, True))
        self._push(_Window(twin[_next(edge)], root, apex, right, True, window.at_right))

    def _leave_right(self, window: _Window, apex: XY) -> None:
        """The apex lies left of what the root sees: the window goes on right; a bend at its left
        end sees the rest.
        """
        root, edge, twin = window.root, window.edge, window.root.ground.twin
        a, b = _edge_of(window)
        left = crossing(root.at, window.left, b, apex)
        right = b if window.at_right else crossing(root.at, window.right, b, apex)
        self._push(_Window(twin[_next(edge)], root, left, right, False, window.at_right))
        bent = _bent(window, 0)
        if bent is not None:
            self._push(_Window(twin[_before(edge)], bent, a, apex, True, True))
            self._push(_Window(twin[_next(edge)], bent, apex, left, True, False))

    def _leave_left(self, window: _Window, apex: XY) -> None:
        """The same, mirrored."""
        root, edge, twin = window.root, window.edge, window.root.ground.twin
        a, b = _edge_of(window)
        left = a if window.at_left else crossing(root.at, window.left, a, apex)
        right = crossing(root.at, window.right, a, apex)
        self._push(_Window(twin[_before(edge)], root, left, right, window.at_left, False))
        bent = _bent(window, 1)
        if bent is not None:
            self._push(_Window(twin[_next(edge)], bent, apex, b, True, True))
            self._push(_Window(twin[_before(edge)], bent, right, apex, False, True))


def _learn(root: _Root, vertex: int) -> None:
    """Note the length to a vertex that a root sees."""
    known = root.ground.known
    length = root.length + apart(root.at, root.ground.places[vertex])
    known[vertex] = min(known[vertex], length)


def _outdone(window: _Window) -> bool:
    """Whether the way by a vertex of the edge is shorter to every place of the window."""
    root, left, right = window.root, window.left, window.right
    ground, eye, length = root.ground, root.at, root.length
    a, b = ground.start[window.edge], ground.end[window.edge]
    places, known = ground.places, ground.known
    if known[a] + apart(places[a], right) < length + apart(eye, right) - SLACK:
        return True
    return known[b] + apart(places[b], left) < length + apart(eye, left) - SLACK


def _edge_of(window: _Window) -> tuple[XY, XY]:
    """Both vertices of a window's edge."""
    ground = window.root.ground
    return ground.places[ground.start[window.edge]], ground.places[ground.end[window.edge]]


def _bent(window: _Window, side: int) -> _Root | None:
    """The root at the left (0) or right (1) end of a window, where a short way bends there."""
    if not (window.at_right if side else window.at_left):
        return None
    root, ground = window.root, window.root.ground
    vertex = ground.end[window.edge] if side else ground.start[window.edge]
    at, known = ground.places[vertex], ground.known
    length = root.length + apart(root.at, at)
    if not ground.mesh.bends[vertex] or known[vertex] < length - SLACK:
        return None
    known[vertex] = min(known[vertex], length)
    return _Root(ground, at, length, ground.ahead(at), root)


def _next(edge: int) -> int:
    """The next half-edge of the triangle."""
    return edge - 2 if edge % 3 == 2 else edge + 1


def _before(edge: int) -> int:
    """The half-edge before in the triangle; it begins at the apex over `edge`."""
    return edge + 2 if edge % 3 == 0 else edge - 1


def _traced(root: _Root) -> Detour:
    """The way that led to a root."""
    length, path, links = root.length, [root.at], []
    here: _Root | None = root
    while here is not None:
        if here.at != path[-1]:
            path.append(here.at)
        if here.link:
            links.append(here.link)
        here = here.before
    return Detour(length, tuple(path[::-1]), tuple(links[::-1]))


def turn(a: XY, b: XY, at: XY) -> float:
    """Twice the area of a triangle: positive where `at` lies left of the line from a to b."""
    return (b[0] - a[0]) * (at[1] - a[1]) - (b[1] - a[1]) * (at[0] - a[0])


def crossing(a: XY, b: XY, first: XY, last: XY) -> XY:
    """Where the line through a and b meets the segment from first to last."""
    (x, y), (u, v), (right, up) = first, last, a
    over, rise = b[0] - right, b[1] - up
    one, other = over * (y - up) - rise * (x - right), over * (v - up) - rise * (u - right)  # turns
    part = min(max(one / (one - other), 0.0), 1.0) if one != other else 1.0
    return x + part * (u - x), y + part * (v - y)


def to_line(at: XY, first: XY, last: XY) -> float:
    """Distance of a place from a segment, mm."""
    dx, dy = last[0] - first[0], last[1] - first[1]
    part = ((at[0] - first[0]) * dx + (at[1] - first[1]) * dy) / (dx * dx + dy * dy)
    part = min(max(part, 0.0), 1.0)
    return hypot(first[0] + part * dx - at[0], first[1] + part * dy - at[1])
