"""Galvanic domains: nets that parts join, and the parts that hold domains apart.

Copper contacts, parts of two nets and pins nearer than NEAR to each other conduct. A part whose pins fall into groups
of different domains isolates them if every group has two nets or more and a clear strip of board lies between the
groups; else it conducts too. Connectors conduct nothing, and no path leads through earth. What spans a strip with two
pins far apart (a Y capacitor, a bleeder) between two grounds that isolators hold apart is told, and joins nothing.

Designators only break ties that neither copper nor netlist can: a choke at an inlet has the pins of a transformer.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import networkx as nx

from checker.app.draft.names import are_mains, is_mains, is_supply
from checker.app.draft.parts import Part

NEAR = 0.7  # mm between pads of one part: fine pitch, no insulation
STRIP = 2.0  # mm between the pads of an isolator's sides, least
STRIP_OF_GROUNDS = 0.8  # mm, the same where each side has a ground of its own: converters with pins in one row
ACROSS = 2.0  # mm between the pads of a part that may span a barrier on purpose
MANY = 60  # grounds, and links of grounds, that are tried one by one
FEW = 3  # links between two grounds that may be capacitors and bleeders across; more are no exception

Nets = frozenset[int]
Joined = Any  # networkx.utils.UnionFind of nets


@dataclass(frozen=True, slots=True)
class Netlist:
    """What domains are found from; net indices."""

    names: Sequence[str]
    parts: Sequence[Part]
    contacts: Sequence[tuple[int, int]]
    grounds: Nets  # nets that are or may be a reference of their own
    earth: Nets


@dataclass(frozen=True, slots=True)
class Isolator:
    """A part that holds domains apart: the nets of its pins on each side, and the narrowest strip between them, mm."""

    part: Part
    sides: tuple[Nets, ...]
    strip: float


@dataclass(frozen=True, slots=True)
class Link:
    """A part of two nets, or a chain of them with nothing else on the nets between."""

    ends: tuple[int, int]
    parts: tuple[Part, ...]
    gap: float  # mm between pads, added up along the chain

    @property
    def text(self) -> str:
        """Its parts, joined by plus signs."""
        return " + ".join(part.refdes for part in self.parts)


@dataclass(frozen=True, slots=True)
class Domains:
    """Domains as sets of nets, largest first; what isolates them, and what spans isolators."""

    domains: tuple[Nets, ...]
    isolators: tuple[Isolator, ...]
    across: tuple[Link, ...]

    def of(self, net: int) -> int | None:
        """Number of the domain of a net."""
        return next((i for i, nets in enumerate(self.domains) if net in nets), None)


def find_domains(netlist: Netlist) -> Domains:
    """Part the nets of a board into galvanic domains."""
    links = _links(netlist)
    found = _parted(netlist, links, ())
    narrow = _base(netlist, [link for link in links if not _spans(link)])
    for first, second in _pairs(sorted(netlist.grounds)[:MANY]):
        if found.of(first) is not None and found.of(first) == found.of(second):
            cut = _few_between(narrow, links, found.across, (first, second))
            if cut:
                found = _better(netlist, links, found, cut, (first, second))
    mains = [net for net, name in enumerate(netlist.names) if is_mains(name) and net not in netlist.grounds]
    return _off_mains(netlist, (links, narrow), found, mains[0]) if mains else found


def _off_mains(netlist: Netlist, linked: tuple[Sequence[Link], Joined], found: Domains, mains: int) -> Domains:
    """Take for Y capacitors what holds a rectified mains side to a ground: without it the side belongs to mains."""
    links, narrow = linked
    held = [link for link in links if _spans(link) and len(netlist.grounds & set(link.ends)) == 1]
    for link in held[:MANY]:
        if link not in found.across:
            cut = _few_between(narrow, links, found.across, link.ends)
            ground = next(end for end in link.ends if end in netlist.grounds)
            tried = _better(netlist, links, found, cut, (mains, ground)) if cut else found
            if len(tried.domains[tried.of(mains) or 0]) > len(found.domains[found.of(mains) or 0]):
                found = tried
    return found


def _spans(link: Link) -> bool:
    """Whether a link is wide enough to span a barrier on purpose, and not called a conductor."""
    return link.gap >= ACROSS and not all(part.is_conductor for part in link.parts)


def _pairs(items: Sequence[int]) -> Iterable[tuple[int, int]]:
    return ((a, b) for i, a in enumerate(items) for b in items[i + 1 :])


def _better(
    netlist: Netlist, links: Sequence[Link], now: Domains, cut: Sequence[Link], ends: tuple[int, int]
) -> Domains:
    """The domains without some links, if isolators alone then stand between two grounds; else as they are."""
    tried = _parted(netlist, links, (*now.across, *cut))
    first, second = (tried.of(end) for end in ends)
    between = [i for i in tried.isolators if {first, second} <= {tried.of(min(side)) for side in i.sides}]
    return tried if first != second and between else now


def _links(netlist: Netlist) -> list[Link]:
    """Parts that lead between two nets, chains of them as one link."""
    graph: nx.MultiGraph[int] = nx.MultiGraph()
    pins: dict[int, int] = defaultdict(int)
    for part in netlist.parts:
        nets = part.distinct
        for net in nets:
            pins[net] += 1
        if len(nets) == 2 and not part.connector and not set(nets) & netlist.earth:
            graph.add_edge(*nets, link=Link((nets[0], nets[1]), (part,), part.gap(nets[:1], nets[1:])))
    for net in sorted(graph.nodes):
        around: list[tuple[int, int, Link]] = sorted(graph.edges(net, data="link"), key=_by_text)
        if pins[net] == 2 and len(around) == 2 and net not in netlist.grounds:
            _contract(graph, net, [edge[2] for edge in around])
    left: list[tuple[int, int, Link]] = sorted(graph.edges(data="link"), key=_by_text)
    return [link for *_, link in left]


def _by_text(edge: tuple[int, int, Link]) -> str:
    return edge[2].text


def _contract(graph: nx.MultiGraph[int], net: int, links: Sequence[Link]) -> None:
    """Make one link of the two that meet at a net, if they lead on to different nets."""
    ends = [next(end for end in link.ends if end != net) for link in links]
    if ends[0] == ends[1]:
        return
    parts = (*links[0].parts, *links[1].parts)
    chain = Link((min(ends), max(ends)), tuple(sorted(parts, key=lambda p: p.refdes)), links[0].gap + links[1].gap)
    graph.remove_node(net)
    graph.add_edge(*chain.ends, link=chain)


def _few_between(
    joined: Joined, links: Sequence[Link], left_out: Sequence[Link], ends: tuple[int, int]
) -> tuple[Link, ...]:
    """The fewest wide links whose removal parts two nets, or nothing if that takes more than a few or others."""
    wide = [link for link in links if _spans(link) and link not in left_out]
    first, second = (joined[end] for end in ends)
    if first == second:
        return ()
    graph: nx.Graph[int] = nx.Graph()
    for link in wide:
        a, b = (joined[end] for end in link.ends)
        if a != b:
            graph.add_edge(a, b, capacity=(graph[a][b]["capacity"] if graph.has_edge(a, b) else 0) + 1)
    if first not in graph or second not in graph:
        return ()
    cost, (side, _) = nx.minimum_cut(graph, first, second)
    if not 0 < cost <= FEW:
        return ()
    return tuple(link for link in wide if (joined[link.ends[0]] in side) != (joined[link.ends[1]] in side))


def _base(netlist: Netlist, links: Iterable[Link]) -> Joined:
    """Nets joined by copper, by some links, and by pins too near to each other for insulation."""
    joined: Joined = nx.utils.UnionFind(range(len(netlist.names)))
    apart = netlist.earth
    for first, second in netlist.contacts:
        if not {first, second} & apart:
            joined.union(first, second)
    for link in links:
        joined.union(*link.ends, *(net for part in link.parts for net in part.distinct))
    for part in netlist.parts:
        if len(part.distinct) > 2 and not part.connector:
            for cell in part.cells(NEAR):
                joined.union(*(net for net in cell if net not in apart)) if set(cell) - apart else None
    return joined


def _parted(netlist: Netlist, links: Sequence[Link], across: Sequence[Link]) -> Domains:
    """Domains, with some links taken for what spans a barrier."""
    state = _State(netlist, _base(netlist, [link for link in links if link not in across]))
    open_ = [part for part in netlist.parts if len(part.distinct) > 2 and not part.connector]
    found: list[Isolator] = []
    while state.changed:
        state.changed = False
        found = [isolator for part in open_ if (isolator := _judged(part, state))]
    domains = sorted(state.members.values(), key=lambda nets: (-len(nets), min(nets)))
    return Domains(tuple(frozenset(nets) for nets in domains), tuple(found), tuple(across))


class _State:
    """Domains while they are being joined."""

    def __init__(self, netlist: Netlist, joined: Joined) -> None:
        self.netlist, self.joined, self.changed = netlist, joined, True
        self.members: dict[int, set[int]] = defaultdict(set)
        for net in range(len(netlist.names)):
            if net not in netlist.earth:
                self.members[joined[net]].add(net)
        self.grounded = {joined[net] for net in netlist.grounds - netlist.earth}

    def join(self, roots: Iterable[int]) -> None:
        """Make one domain of several."""
        roots = sorted(set(roots))
        self.joined.union(*roots)
        root = self.joined[roots[0]]
        nets = set().union(*(self.members.pop(old) for old in roots))
        self.members[root] = nets
        if self.grounded & set(roots):
            self.grounded.add(root)
        self.changed = True


def _judged(part: Part, state: _State) -> Isolator | None:
    """The part as an isolator; or nothing, and what it conducts between is joined."""
    while True:
        sides = _sides(part, state)
        bare = [root for root in sides if root not in state.grounded]
        pairs = sorted((part.gap(sides[a], sides[b]), a, b) for a, b in _pairs(sorted(sides)))
        shorted = next((pair for pair in pairs if _conducts(part, pair, sides, state)), None)
        if shorted is not None:
            state.join(shorted[1:])
        elif len(bare) > 1:
            state.join(bare)
        else:
            failing = next((pair for pair in pairs if not _isolates(part, pair, sides, state)), None)
            if failing is None:
                return Isolator(part, tuple(sides[root] for root in sorted(sides)), pairs[0][0]) if pairs else None
            state.join(failing[1:])


def _sides(part: Part, state: _State) -> dict[int, Nets]:
    """Nets of a part by the root of their domain."""
    sides: dict[int, set[int]] = defaultdict(set)
    for net in part.distinct:
        if net not in state.netlist.earth:
            sides[state.joined[net]].add(net)
    return {root: frozenset(nets) for root, nets in sides.items()}


Pair = tuple[float, int, int]  # gap between two sides of a part, mm, and the roots of their domains


def _conducts(part: Part, pair: Pair, sides: dict[int, Nets], state: _State) -> bool:
    """Whether two sides of a part are too near each other for insulation."""
    gap, *roots = pair
    grounds = state.grounded.issuperset(roots) and all(len(sides[root]) > 1 for root in roots)
    return gap < (STRIP_OF_GROUNDS if grounds else STRIP)


def _isolates(part: Part, pair: Pair, sides: dict[int, Nets], state: _State) -> bool:
    """Whether the clear strip between two sides of a part is insulation."""
    roots = pair[1:]
    if part.is_series or any(len(sides[root]) < 2 for root in roots):
        return False
    if state.grounded.issuperset(roots):
        return True
    named = [[state.netlist.names[net] for net in sorted(state.members[root])] for root in roots]
    return not all(map(are_mains, named)) and not _fed_together(roots, state)


def _fed_together(roots: Sequence[int], state: _State) -> bool:
    """Whether a connector brings the supply of one domain together with the ground of the other."""
    names, grounds = state.netlist.names, state.netlist.grounds
    first, second = (state.members[root] for root in roots)
    for part in state.netlist.parts:
        nets = set(part.distinct) if part.connector else set()
        supplies, own = {net for net in nets if is_supply(names[net])}, nets & grounds
        if (supplies & first and own & second) or (supplies & second and own & first):
            return True
    return False
