"""Galvanic domains: nets that parts join, and the parts that hold domains apart.

Copper contacts, parts of two nets and pins nearer than NEAR to each other conduct. A part whose
pins fall into groups of different domains isolates them if every group has two nets or more and a
clear strip of board lies between the groups; else it conducts too. Connectors conduct nothing, and
no path leads through earth. What spans a strip with two pins far apart (a Y capacitor, a bleeder)
between two grounds that isolators hold apart is told, and joins nothing.

Designators tell nothing: what leads through side by side (an array of resistors, a choke of two
windings) is known by pins that face each other, none at a ground or supply, and nothing but
connectors beyond. Where the data cannot tell a choke from an isolator the sides stay apart and the
part is `doubtful`: asked about, and listed nowhere.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import networkx as nx

from checker.app.draft.families import heads
from checker.app.draft.names import ISOLATED, are_mains, is_mains, is_supply, voltage
from checker.app.draft.parts import Part

NEAR = 0.7  # mm between pads of one part: fine pitch, no insulation
STRIP = 2.0  # mm between the pads of an isolator's sides, least
# mm, the same where each side has a ground of its own: converters with pins in one row
STRIP_OF_GROUNDS = 0.8
ACROSS = 2.0  # mm between the pads of a part that may span a barrier on purpose
MANY = 60  # grounds, and links of grounds, that are tried one by one
ARRAY = 3  # pairs of pins that make an array whatever its nets are called; fewer must share names
# links between two grounds that may be capacitors and bleeders across; more are no exception
FEW = 3

Nets = frozenset[int]
Pair = tuple[float, int, int]  # gap between two sides of a part, mm, and the roots of their domains
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
    """A part that holds domains apart: the nets of its pins on each side, and the narrowest strip
    between them, mm.
    """

    part: Part
    sides: tuple[Nets, ...]
    strip: float
    doubtful: bool = False  # a choke or array has the same pins and nets


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
    through: tuple[Part, ...] = ()  # arrays and chokes, taken for no isolators

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
    mains = [
        net
        for net, name in enumerate(netlist.names)
        if is_mains(name) and net not in netlist.grounds
    ]
    return _off_mains(netlist, (links, narrow), found, mains[0]) if mains else found


def _off_mains(
    netlist: Netlist, linked: tuple[Sequence[Link], Joined], found: Domains, mains: int
) -> Domains:
    """Take for Y capacitors what holds a rectified mains side to a ground: without it the side
    belongs to mains.
    """
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
    """Whether a link is wide enough to span a barrier on purpose."""
    return link.gap >= ACROSS


def _pairs(items: Sequence[int]) -> Iterable[tuple[int, int]]:
    return ((a, b) for i, a in enumerate(items) for b in items[i + 1 :])


def _better(
    netlist: Netlist,
    links: Sequence[Link],
    now: Domains,
    cut: Sequence[Link],
    ends: tuple[int, int],
) -> Domains:
    """The domains without some links, if isolators alone then stand between two grounds; else as
    they are.
    """
    tried = _parted(netlist, links, (*now.across, *cut))
    first, second = (tried.of(end) for end in ends)
    between = [
        i for i in tried.isolators if {first, second} <= {tried.of(min(side)) for side in i.sides}
    ]
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
            graph.add_edge(
                *nets, link=Link((nets[0], nets[1]), (part,), part.gap(nets[:1], nets[1:]))
            )
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
    chain = Link(
        (min(ends), max(ends)),
        tuple(sorted(parts, key=lambda p: p.refdes)),
        links[0].gap + links[1].gap,
    )
    graph.remove_node(net)
    graph.add_edge(*chain.ends, link=chain)


def _few_between(
    joined: Joined, links: Sequence[Link], left_out: Sequence[Link], ends: tuple[int, int]
) -> tuple[Link, ...]:
    """The fewest wide links whose removal parts two nets, or nothing if that takes more than a few
    or others.
    """
    wide = [link for link in links if _spans(link) and link not in left_out]
    first, second = (joined[end] for end in ends)
    if first == second:
        return ()
    graph: nx.Graph[int] = nx.Graph()
    for link in wide:
        a, b = (joined[end] for end in link.ends)
        if a != b:
            graph.add_edge(
                a, b, capacity=(graph[a][b]["capacity"] if graph.has_edge(a, b) else 0) + 1
            )
    if first not in graph or second not in graph:
        return ()
    cost, (side, _) = nx.minimum_cut(graph, first, second)
    if not 0 < cost <= FEW:
        return ()
    return tuple(
        link for link in wide if (joined[link.ends[0]] in side) != (joined[link.ends[1]] in side)
    )


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
                (
                    joined.union(*(net for net in cell if net not in apart))
                    if set(cell) - apart
                    else None
                )
    return joined


def _parted(netlist: Netlist, links: Sequence[Link], across: Sequence[Link]) -> Domains:
    """Domains, with some links taken for what spans a barrier."""
    state = _State(netlist, _base(netlist, [link for link in links if link not in across]))
    found: list[Isolator] = []
    while state.changed:
        state.changed = False
        found = [isolator for part in state.open if (isolator := _judged(part, state))]
    domains = sorted(state.members.values(), key=lambda nets: (-len(nets), min(nets)))
    return Domains(
        tuple(frozenset(nets) for nets in domains),
        _undoubted(found, state),
        tuple(across),
        tuple(state.through.values()),
    )


class _State:
    """Domains while they are being joined."""

    def __init__(self, netlist: Netlist, joined: Joined) -> None:
        self.netlist, self.joined, self.changed = netlist, joined, True
        self.through: dict[str, Part] = {}
        self.open = [
            part for part in netlist.parts if len(part.distinct) > 2 and not part.connector
        ]
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


def _undoubted(isolators: Sequence[Isolator], state: _State) -> tuple[Isolator, ...]:
    """The isolators; one is beyond doubt if another, that is, stands between the same domains."""

    def between(isolator: Isolator) -> frozenset[int]:
        return frozenset(state.joined[min(side)] for side in isolator.sides)

    proved = [between(isolator) for isolator in isolators if not isolator.doubtful]
    return tuple(
        replace(
            isolator,
            doubtful=isolator.doubtful
            and not any(between(isolator) <= domains for domains in proved),
        )
        for isolator in isolators
    )


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
            failing = next(
                (pair for pair in pairs if not _isolates(part, pair, sides, state)), None
            )
            if failing is None:
                return _isolator(part, pairs, sides, state) if pairs else None
            state.join(failing[1:])


def _isolator(part: Part, pairs: Sequence[Pair], sides: dict[int, Nets], state: _State) -> Isolator:
    doubtful = len(pairs) == 1 and _is_doubtful(part, pairs[0], sides, state)
    return Isolator(part, tuple(sides[root] for root in sorted(sides)), pairs[0][0], doubtful)


def _sides(part: Part, state: _State) -> dict[int, Nets]:
    """Nets of a part by the root of their domain."""
    sides: dict[int, set[int]] = defaultdict(set)
    for net in part.distinct:
        if net not in state.netlist.earth:
            sides[state.joined[net]].add(net)
    return {root: frozenset(nets) for root, nets in sides.items()}


def _conducts(part: Part, pair: Pair, sides: dict[int, Nets], state: _State) -> bool:
    """Whether two sides of a part are too near each other for insulation."""
    gap, *roots = pair
    grounds = state.grounded.issuperset(roots) and all(len(sides[root]) > 1 for root in roots)
    return gap < (STRIP_OF_GROUNDS if grounds else STRIP)


def _isolates(part: Part, pair: Pair, sides: dict[int, Nets], state: _State) -> bool:
    """Whether the clear strip between two sides of a part is insulation."""
    roots = pair[1:]
    if any(len(sides[root]) < 2 for root in roots):
        return False
    if state.grounded.issuperset(roots):
        return True
    named = [[state.netlist.names[net] for net in sorted(state.members[root])] for root in roots]
    if all(map(are_mains, named)) or _fed_together(roots, state):
        return False
    if _leads_through(part, roots, sides, state):
        state.through[part.refdes] = part
        return False
    return True


def _leads_through(part: Part, roots: Sequence[int], sides: dict[int, Nets], state: _State) -> bool:
    """Whether a part is an array or a choke of signals: many pins that face each other, or two
    whose names agree.
    """
    pairs = _series(part, roots, sides, state)
    return len(pairs) >= ARRAY or (
        bool(pairs) and all(_akin(state.netlist, pair) for pair in pairs)
    )


def _series(
    part: Part, roots: Sequence[int], sides: dict[int, Nets], state: _State
) -> tuple[tuple[int, int], ...]:
    """Pairs of nets that face each other across a part without ground and supply, connectors alone
    beyond; or none.
    """
    names, grounds = state.netlist.names, state.netlist.grounds
    beyond = set().union(*(state.members[root] for root in roots if root not in state.grounded))
    if any(net in grounds or is_supply(names[net]) for net in part.distinct) or are_mains(
        names[n] for n in beyond
    ):
        return ()
    if any(beyond & set(other.distinct) for other in state.open if other is not part):
        return ()
    loose = all(
        len(beyond & set(other.distinct)) < 2
        for other in state.netlist.parts
        if len(other.distinct) == 2
    )
    return part.facing(*(sides[root] for root in roots)) if loose else ()


def _akin(netlist: Netlist, pair: Sequence[int]) -> bool:
    """Whether two nets share the stem of their names."""
    first, second = (netlist.names[net] for net in pair)
    return bool(set(heads(first)) & set(heads(second)))


def _is_doubtful(part: Part, pair: Pair, sides: dict[int, Nets], state: _State) -> bool:
    """Whether a choke would have the same pins and nets as an isolator."""
    roots = pair[1:]
    if state.grounded.issuperset(roots):
        return _may_be_choke(part.facing(*(sides[root] for root in roots)), state.netlist)
    return bool(_series(part, roots, sides, state))


def _may_be_choke(pairs: Sequence[tuple[int, int]], netlist: Netlist) -> bool:
    """Whether ground faces ground and supply faces supply, of no two voltages, and no name speaks
    of isolation.
    """
    if len(pairs) != 2 or any(
        ISOLATED.search(netlist.names[net]) for pair in pairs for net in pair
    ):
        return False
    ground = [pair for pair in pairs if set(pair) <= netlist.grounds]
    supply = [pair for pair in pairs if not set(pair) & netlist.grounds]
    if len(ground) != 1 or len(supply) != 1:
        return False
    levels = {voltage(netlist.names[net]) for net in supply[0]} - {None}
    return len(levels) < 2 and (
        all(is_supply(netlist.names[n]) for n in supply[0]) or _akin(netlist, supply[0])
    )


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
