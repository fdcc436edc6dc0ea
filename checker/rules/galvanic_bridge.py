"""Nothing but the declared isolators joins the two sides of a barrier, and a tie joins its two
references exactly once.

Why: one resistor, one solder bridge or one trace across makes an isolated side part of the other; a
split that is joined twice carries loop currents, one that is not joined at all lets the references
drift apart.

Measured: a barrier is bridged by copper of two nets that touches, by a part with pins on both
sides, and by a chain of these through conductors of neither side: other nets, nameless copper,
screw heads and other hardware (which conduct to whatever they touch, each other included), plated
edges, and plated holes and slots whose walls meet. A chain ends at earthed copper: a capacitor from
mains to earth is no bridge. Each direct bridge is one finding, each group of conductors that lets a
chain through is one. A part listed in `isolators` conducts within each side, not between the two
and not from a side to a pin in a third region, on earth or on nothing; for barriers that do not
list it, it is an ordinary part but for the pairs of regions that it is listed to hold apart. One in
`straddling` conducts nothing; every other part conducts between all its pins. A tie is held by
touching copper of the two references and by parts that sit on nothing but the two references and
pins that go nowhere. Touching places within `reach` of each other count once, and so do those
within reach of a part that is etched and named as the tie; so does each way by copper or hardware
that is no reference, as a screw head on both. Parts listed in `stitching` are no tie. What copper
there is between the pins of a part is not known to the files: a part is judged by its pins.

Fix: remove the part or the copper, or list the part as isolator or straddling if it truly separates
the sides; for a tie, leave exactly one.

Source: `moatcheck explain words`; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise, product

import numpy as np
import shapely

from checker.config.rules_file import Side, Tie
from checker.findings import XY, Finding, Level
from checker.insulation.conductors import Bodies, Source, bodies_of
from checker.insulation.contacts import (
    conductor_name,
    conductor_numbers,
    nameless_walls,
    touches,
    walls_touching,
)
from checker.insulation.separations import Separation, separations_of
from checker.insulation.shortfalls import COPPER, SAFETY_HARM
from checker.layout.layout import Layout
from checker.rules import Rule
from parsers.board import Component
from parsers.primitives import Rows, components
from parsers.trouble import Doubt

RULE = Rule(
    "galvanic-bridge",
    title="Conducting path across a barrier",
    level=Level.ERROR,
    unit="",
    safety=True,
)

Pin = tuple[int, XY]  # the conductor that it is on, and where
Step = tuple[tuple[XY, XY], dict[str, str]]  # a line of a chain, and what it is a line of

VIA_PAD = "ViaPad"  # the formats' word for a pad that takes no part


@dataclass(frozen=True, slots=True)
class Link:
    """Something that conducts: touching copper or hardware, or a part."""

    nets: tuple[int, ...]  # the conductors that it joins, nets first (see checker.touching)
    points: tuple[XY, ...]  # where it meets each of them
    part: str | None  # refdes, None for what touches
    layer: int | None = None

    def at(self, nets: Iterable[int]) -> XY:
        """Where it meets one of these nets."""
        wanted = set(nets)
        return next(
            point for net, point in zip(self.nets, self.points, strict=True) if net in wanted
        )


def find(layout: Layout) -> Iterator[Finding]:
    """Bridges across barriers, and ties that are not joined exactly once."""
    bodies = bodies_of(layout)[0]
    pins = _pins(layout, bodies)
    touching = [*_contacts(layout), *_touches(layout, bodies)]
    for separation in separations_of(layout):
        if separation.regions:
            parts = [*_parts(layout, separation, pins)]
            yield from _bridges(layout, separation, [*_not_told_by(parts, touching), *parts])
    for tie in layout.rules.ties:
        yield from _tie(layout, tie, touching)


def why_not(layout: Layout) -> str | None:
    """Why there is nothing to look at."""
    return (
        None if layout.rules.barriers or layout.rules.ties else "no barrier and no tie is declared"
    )


def doubts(layout: Layout) -> Iterator[Doubt]:
    """Parts that cannot be judged."""
    board = layout.board
    functions = np.array([*board.functions, ""], dtype=object)[board.copper.function]
    if not board.components and (board.copper.pad & (functions != VIA_PAD)).any():
        why = "parts across a barrier cannot be seen; export the data with component attributes"
        yield Doubt("the data names no parts", why)
    for separation in separations_of(layout):
        for part in _listed(layout, separation.isolators):
            nets = {pin.net for pin in part.pins}
            for name, side in zip(separation.names, separation.nets, strict=True):
                if not nets & side:
                    why = (
                        f"it is listed as an isolator of {separation.title} and must have pins on"
                        " both sides"
                    )
                    place = layout.rules.place(f"{separation.key}.isolators")
                    yield Doubt(f"isolator {part.refdes} has no pin in {name}", why, place)


# -------------------------------------------------------------------------------------------- links


def _contacts(layout: Layout) -> list[Link]:
    """Copper of two nets that touches, and etched parts that join two."""
    found, refdes = layout.board.connectivity.contacts, layout.board.refdes
    return [
        Link(
            contact.nets,
            (contact.at, contact.at),
            refdes[contact.part] if contact.part >= 0 else None,
            contact.layer,
        )
        for contact in found
    ]


def _touches(layout: Layout, bodies: Bodies) -> Iterator[Link]:
    """What touches hardware, plated edges, nameless pads and nameless walls that meet others, the
    way on through nameless copper included.
    """
    also = np.concatenate((_nameless_pads(layout), nameless_walls(bodies)))
    for touch in (*touches(bodies, also), *walls_touching(bodies)):
        yield Link(touch.conductors, (touch.at, touch.at), None, touch.layer)


def _not_told_by(parts: Sequence[Link], touching: Sequence[Link]) -> Iterator[Link]:
    """What touches, less etched copper of parts that join the same conductors by their pins."""
    told = {(link.part, net) for link in parts for net in link.nets}
    return (
        link
        for link in touching
        if link.part is None or not all((link.part, net) in told for net in link.nets)
    )


def _nameless_pads(layout: Layout) -> Rows:
    copper = layout.board.copper
    return np.flatnonzero(copper.pad & (copper.component >= 0) & (copper.net < 0))


def _pins(layout: Layout, bodies: Bodies) -> dict[str, list[Pin]]:
    """What each part's pins are on, and where."""
    board = layout.board
    pins = {
        part.refdes: [(pin.net, pin.at) for pin in part.pins if pin.net >= 0]
        for part in board.components
    }
    pads = _nameless_pads(layout)
    numbers = conductor_numbers(bodies)[pads].tolist()
    middles = board.copper.take(pads).bounds().reshape(-1, 2, 2).mean(axis=1).tolist()
    for component, number, (x, y) in zip(
        board.copper.component[pads].tolist(), numbers, middles, strict=True
    ):
        pins.setdefault(board.refdes[component], []).append((number, (x, y)))
    return pins


def _parts(
    layout: Layout, separation: Separation, pins: Mapping[str, Sequence[Pin]]
) -> Iterator[Link]:
    """What each part conducts between its pins, as this barrier sees it."""
    for part in layout.board.components:
        if part.refdes in separation.straddling:
            continue
        for joined in _joined_pins(layout, separation, part.refdes, pins[part.refdes]):
            if len({net for net, _ in joined}) > 1:
                yield Link(
                    tuple(net for net, _ in joined), tuple(at for _, at in joined), part.refdes
                )


def _joined_pins(
    layout: Layout, separation: Separation, refdes: str, pins: Sequence[Pin]
) -> Iterator[list[Pin]]:
    """Pins that a part may join: all of them, but for an isolator those of regions that it does not
    hold apart.
    """
    listing = [b for b in layout.rules.barriers if refdes in (*b.isolators, *b.straddling)]
    if not listing:
        yield list(pins)
        return
    sides = frozenset().union(*separation.nets)
    own: dict[str, list[Pin]] = {}
    for net, at in pins:
        region = int(layout.region_of_net[net]) if net < len(layout.region_of_net) else -1
        if region >= 0:
            name = layout.regions[region].name
            # its region claims it, yet it is on no side
            earthed = name in separation.regions and net not in sides
            own.setdefault(f"{name}, earthed" if earthed else name, []).append((net, at))
    apart = {frozenset(pair) for barrier in listing for pair in product(*barrier.between)}
    for group in _joined_regions(sorted(own), separation.split, apart):
        yield [pin for name in group for pin in own[name]]


def _joined_regions(
    regions: Sequence[str], sides: tuple[Side, Side], apart: Collection[frozenset[str]]
) -> Iterator[list[str]]:
    """Groups of regions between which an isolator may conduct, for a barrier between `sides`.

    The rules say which pairs of regions an isolator holds apart and nothing of a pin in a third
    region, as that of a screen. Held against both, it would join the two by way of the third. So an
    isolator of this very barrier conducts within each side and to nothing else: that is what its
    being listed vouches for. One of other barriers is here an ordinary part, whose third pins may
    sit with the sides that it reaches, but then not with what it holds from them.
    """
    named = [*sides[0], *sides[1]]
    if any(frozenset(pair) in apart for pair in product(*sides)):
        yield from filter(None, ([name for name in regions if name in side] for side in sides))
        blocks = [[name for name in regions if name not in named]]
    else:
        held = {
            other
            for side in named
            if side in regions
            for other in regions
            if frozenset((side, other)) in apart
        }
        blocks = [[name for name in regions if name not in held], sorted(held)]
    for block in filter(None, blocks):
        near = [pair for pair in combinations(block, 2) if frozenset(pair) not in apart]
        if len(near) == len(block) * (len(block) - 1) // 2:  # nothing is held apart
            yield sorted(block)
        else:
            yield from _cliques(block, near)


def _cliques(names: Sequence[str], near: Sequence[tuple[str, str]]) -> Iterator[list[str]]:
    """The largest groups of names of which all pairs are near."""
    import networkx as nx

    graph: nx.Graph[str] = nx.Graph()
    graph.add_nodes_from(names)
    graph.add_edges_from(near)
    yield from (sorted(clique) for clique in nx.find_cliques(graph))


Node = tuple[str, int]


def _reaches(joined: Sequence[tuple[Node, Node]], start: Node, end: Node) -> bool:
    """Whether some pairs lead from one node to another."""
    number = {
        node: i for i, node in enumerate(dict.fromkeys(node for pair in joined for node in pair))
    }
    groups = components(len(number), [(number[a], number[b]) for a, b in joined])
    return any(number.get(start) in group and number.get(end) in group for group in groups)


def _listed(layout: Layout, refdes: Sequence[str]) -> list[Component]:
    return [part for part in layout.board.components if part.refdes in refdes]


# ----------------------------------------------------------------------------------------- barriers


def _bridges(layout: Layout, separation: Separation, links: Sequence[Link]) -> Iterator[Finding]:
    """Direct bridges, then chains through nets of neither side."""
    first, second = separation.nets
    earthed = frozenset(bodies_of(layout)[0].shapes.net[separation.earthed].tolist())
    rest = []
    for link in links:
        if first & set(link.nets) and second & set(link.nets):
            yield _bridge(layout, separation, [link])
        else:
            rest.append(link)
    yield from (
        _bridge(layout, separation, chain) for chain in _chains(rest, first, second, earthed)
    )


def _chains(
    links: Sequence[Link], first: frozenset[int], second: frozenset[int], earthed: frozenset[int]
) -> Iterator[list[Link]]:
    """The shortest chain through each group of connected nets that reaches both sides; none passes
    earthed copper.
    """
    one, other = ("first", 0), ("second", 0)
    joined = [
        (("link", number), one if net in first else other if net in second else ("net", net))
        for number, link in enumerate(links)
        for net in set(link.nets) - earthed
    ]
    if not _reaches(joined, one, other):
        return
    import networkx as nx

    graph: nx.Graph[tuple[str, int]] = nx.Graph(joined)
    for group in nx.connected_components(graph.subgraph(set(graph) - {one, other})):
        part = graph.subgraph(group | {one, other})
        if one in part and other in part and nx.has_path(part, one, other):
            path = nx.shortest_path(part, one, other)
            yield [links[number] for kind, number in path if kind == "link"]


def _bridge(layout: Layout, separation: Separation, chain: Sequence[Link]) -> Finding:
    first, _ = separation.nets
    names = _names(layout, separation, chain)
    steps = _steps(chain, separation.nets, names)
    parts = [link.part for link in chain if link.part is not None]
    said = ", then ".join(link.part or _touch(layout, link) for link in chain)
    layer = chain[0].layer if len(chain) == 1 else None
    return Finding(
        rule=RULE.id,
        level=RULE.level,
        message=f"{said}: joins {names[0]} and {names[-1]}, which {separation.title} separates",
        at=chain[0].at(first),
        layer=None if layer is None else layout.layer_id(layer),
        nets=names,
        components=tuple(dict.fromkeys(parts)),
        regions=separation.regions,
        path=tuple(line for line, _ in steps),
        unit="",
        harm=2 * SAFETY_HARM,
        hint="Remove it, or list the part as isolator or straddling if it separates the sides.",
        detail={
            "chain": [link.part or _touch(layout, link) for link in chain],
            "legs": [leg for _, leg in steps],
        },
    )


def _steps(
    chain: Sequence[Link], sides: tuple[frozenset[int], frozenset[int]], names: Sequence[str]
) -> list[Step]:
    """The way of a chain: across each part or contact, and along the copper from one to the next;
    lines and what of.
    """
    across = _across(chain, sides)
    steps: list[Step] = [(across[0], {"on": "part"})]
    for (before, after), net in zip(pairwise(across), names[1:-1], strict=True):
        steps.append(((before[1], after[0]), {"on": COPPER, "net": net}))
        steps.append((after, {"on": "part"}))
    return [(line, leg) for line, leg in steps if line[0] != line[1]]


def _across(
    chain: Sequence[Link], sides: tuple[frozenset[int], frozenset[int]]
) -> list[tuple[XY, XY]]:
    """Where a chain enters and leaves each of its links."""
    shared = [frozenset(a.nets) & frozenset(b.nets) for a, b in pairwise(chain)]
    ways = zip(chain, [sides[0], *shared], [*shared, sides[1]], strict=True)
    return [(link.at(entry), link.at(exit_)) for link, entry, exit_ in ways]


def _names(layout: Layout, separation: Separation, chain: Sequence[Link]) -> tuple[str, ...]:
    """Net names along a chain, from the first side to the second."""
    first, second = separation.nets
    between = [next(net for net in a.nets if net in b.nets) for a, b in pairwise(chain)]
    ends = (
        next(n for n in chain[0].nets if n in first),
        next(n for n in chain[-1].nets if n in second),
    )
    bodies = bodies_of(layout)[0]
    return tuple(conductor_name(bodies, number) for number in (ends[0], *between, ends[1]))


def _touch(layout: Layout, link: Link) -> str:
    x, y = link.points[0]
    where = "" if link.layer is None else f" on {layout.layer_id(link.layer)}"
    return f"touching copper at ({x:.2f}, {y:.2f}){where}"


# --------------------------------------------------------------------------------------------- ties


@dataclass(frozen=True, slots=True)
class Joined:
    """What joins the two references of a tie."""

    places: tuple[XY, ...]  # of touching copper, once for each
    parts: tuple[str, ...]
    points: tuple[XY, ...]  # where all of these are

    def told(self) -> list[str]:
        """Each connection in words."""
        return [*(f"copper at ({x:.2f}, {y:.2f})" for x, y in self.places), *self.parts]

    def as_declared(self, tie: Tie) -> bool:
        """Whether it is one connection, and the one that the tie names."""
        return len(self.told()) == 1 and (tie.at is None or self.parts == (tie.at,))


def _tie(layout: Layout, tie: Tie, copper: Sequence[Link]) -> Iterator[Finding]:
    """A finding unless the two references are joined exactly once, by what the tie names."""
    joined = _connections(layout, tie, copper)
    if joined.as_declared(tie):
        return
    names, told = bodies_of(layout)[0].names, joined.told()
    how = f"joined {len(told)} times ({', '.join(told)})" if told else "not joined at all"
    points = joined.points or (_somewhere(layout, tie),)
    declared = f"one tie is declared ({tie.at or 'touching copper'})"
    yield Finding(
        rule=RULE.id,
        level=RULE.level,
        message=f"{tie.between[0]} and {tie.between[1]} are {how}; {declared}",
        at=points[0],
        nets=tuple(names[net] for net in sorted(frozenset().union(*_references(layout, tie)))),
        components=joined.parts,
        regions=tie.between,
        bounds=tuple(shapely.MultiPoint(points).bounds),
        measured=float(len(told)),
        required=1.0,
        unit="connections",
        harm=2 * SAFETY_HARM,
        hint=(
            "Leave exactly one connection between the two references; list capacitors under"
            " nets.stitching."
        ),
        detail={"joined": told},
    )


def _references(layout: Layout, tie: Tie) -> tuple[frozenset[int], frozenset[int]]:
    first, second = (layout.region_named(name).reference for name in tie.between)
    return first, second


def _connections(layout: Layout, tie: Tie, copper: Sequence[Link]) -> Joined:
    """All that joins the two references of a tie: touching copper, etched parts, parts by their
    pins.
    """
    sides = _references(layout, tie)
    drawn = [
        link
        for link in copper
        if link.part is not None and all(side & set(link.nets) for side in sides)
    ]
    touching = [link for link in copper if link.part is None]
    etched, places = _at_the_part(
        layout, tie, _places(_touching_points(layout, tie, touching, sides), tie.reach)
    )
    parts = [part for part in layout.board.components if _joins(layout, tie, part, *sides)]
    names = {link.part or "" for link in drawn} | {part.refdes for part in parts}
    names |= {tie.at} if etched and tie.at and not drawn else set()
    at = (*places, *etched, *(link.points[0] for link in drawn), *(part.at for part in parts))
    return Joined(tuple(places), tuple(sorted(names - set(layout.rules.nets.stitching))), at)


def _at_the_part(layout: Layout, tie: Tie, places: Sequence[XY]) -> tuple[list[XY], list[XY]]:
    """Places where references touch in the copper of the tie's part, which is etched then, and the
    others.
    """
    board = layout.board
    if tie.at not in board.refdes:
        return [], list(places)
    own = np.flatnonzero(board.copper.component == board.refdes.index(tie.at))
    shape = shapely.union_all(board.copper.shapes(own))
    beside = [bool(shapely.dwithin(shape, shapely.Point(place), tie.reach)) for place in places]
    etched = [place for place, near in zip(places, beside, strict=True) if near]
    return etched, [place for place, near in zip(places, beside, strict=True) if not near]


def _touching_points(
    layout: Layout, tie: Tie, links: Sequence[Link], sides: Sequence[frozenset[int]]
) -> list[XY]:
    """Where two references touch, directly or by way of conductors that are no reference, as
    screws: once for each way.

    A way that passes within reach of where they touch directly is no further place.
    """
    ends = sides[0] | sides[1]
    points = [link.points[0] for link in links if _on_all(sides, [link])]
    others = frozenset(np.flatnonzero(layout.is_reference).tolist()) - ends
    joined = [pair for link in links if not others & set(link.nets) for pair in pairwise(link.nets)]
    direct = shapely.MultiPoint(points)
    for way in _grouped({net for pair in joined for net in pair} - ends, joined):
        meeting = [link for link in links if way & set(link.nets) and ends & set(link.nets)]
        if _on_all(sides, meeting):
            metal = [*_heads(layout, way), *(shapely.Point(link.points[0]) for link in meeting)]
            if not shapely.dwithin(metal, direct, tie.reach).any():
                points.append(min(link.points[0] for link in meeting))
    return points


def _on_all(sides: Sequence[frozenset[int]], links: Sequence[Link]) -> bool:
    """Whether some links together stand on nets of every side."""
    nets = {net for link in links for net in link.nets}
    return all(side & nets for side in sides)


def _grouped(conductors: Collection[int], joined: Iterable[tuple[int, int]]) -> Iterator[set[int]]:
    """Some conductors in groups that pairs join without any other."""
    names = sorted(conductors)
    number = {name: i for i, name in enumerate(names)}
    pairs = [(number[a], number[b]) for a, b in joined if a in number and b in number]
    yield from ({names[i] for i in group} for group in components(len(names), pairs))


def _heads(layout: Layout, conductors: Collection[int]) -> Iterable[shapely.Geometry]:
    """Shapes of the hardware among some conductors."""
    bodies = bodies_of(layout)[0]
    own = np.isin(conductor_numbers(bodies), list(conductors))
    heads: Iterable[shapely.Geometry] = bodies.shapes.take(
        (bodies.source == Source.HARDWARE) & own
    ).shapes()
    return heads


def _places(points: Sequence[XY], reach: float) -> list[XY]:
    """One point of each group of points that are within reach of each other."""
    if not points:
        return []
    shapes = shapely.points(points)
    near = shapely.STRtree(shapes).query(shapes, "dwithin", reach)
    return sorted(min(points[i] for i in group) for group in components(len(points), near.T))


def _joins(
    layout: Layout, tie: Tie, part: Component, first: frozenset[int], second: frozenset[int]
) -> bool:
    """Whether a part joins the two references: it sits on both and, unless the tie names it, on
    nothing else.
    """
    nets = {pin.net for pin in part.pins if pin.net >= 0 and not layout.floating[pin.net]}
    across = bool(nets & first and nets & second)
    own = part.refdes == tie.at or nets <= first | second
    return across and own and part.refdes not in layout.rules.nets.stitching


def _somewhere(layout: Layout, tie: Tie) -> XY:
    """Where a tie that is missing should be: at its part, or in the middle of the board."""
    part = next((part for part in layout.board.components if part.refdes == tie.at), None)
    if part is not None:
        return part.at
    boxes = layout.board.copper.bounds()
    x, y = (boxes[:, :2].min(axis=0) + boxes[:, 2:].max(axis=0)) / 2 if len(boxes) else (0.0, 0.0)
    return float(x), float(y)
