"""Regions as proposed: grounds with pours of their own, mains and other sides without reference,
earth, supply planes.

Each guess carries its evidence as text.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import networkx as nx
import numpy as np
import shapely

from checker.app.draft import names
from checker.app.draft.copper import Poured, pours_by
from checker.app.draft.domains import Domains, Netlist, Nets, find_domains
from checker.app.draft.families import heads
from checker.app.draft.parts import Part, parts_of, parts_on_nets
from checker.layout.regions import floating_nets
from parsers.board import Board

GROUND_PARTS = 3  # a net that is called a ground but has no pour needs so many parts to be one
# share of its domain's area that a pour needs to be a reference without being called one
MOST = 0.4
SHARED = 0.5  # share of a supply plane's parts, and of its pours, that lie with one ground
SOME, ALL = 0.25, 0.9  # fewer of its parts will do where all of its pours lie over the ground
PLANE = 0.25  # a supply net's pours cover this share of a region's territory, or are no plane
CLEAR = 2.0  # so many times more votes or copper than the next best make a choice clear

GROUND, POURED, BARE, EARTH, MAINS = "ground", "poured", "bare", "earth", "mains"
CALLED = {
    GROUND: "a ground by name",
    POURED: "called no ground, but the widest pour of its domain",
    MAINS: "neutral by name",
}


@dataclass(slots=True)
class Region:
    """A proposal; net indices."""

    name: str
    kind: str  # GROUND | POURED | BARE | EARTH | MAINS
    reference: tuple[int, ...]
    domain: frozenset[int]  # numbers of the domains that it is (part of)
    why: str  # the evidence for its reference
    planes: tuple[int, ...] = ()
    nets: set[int] = field(default_factory=set)  # without reference and planes
    home: bool = False  # claims whatever no other does

    @property
    def carriers(self) -> set[int]:
        """Nets that carry return current: reference and planes."""
        return {*self.reference, *self.planes}


class Survey:
    """What a draft is made from: parts, pours, domains, and the regions that follow from them."""

    def __init__(self, board: Board, pour: float) -> None:
        self.board = board
        self.names = [net.name for net in board.nets]
        self.floating = floating_nets(board)
        self.parts = parts_of(board, self.floating)
        self.on = parts_on_nets(self.parts)
        self.pours = self._pours(pour)
        self.domains: Domains = find_domains(self.netlist())
        self.regions = _regions(self)
        _claim(self)
        _choose_home(self)

    def _pours(self, diameter: float) -> dict[int, Poured]:
        net = self.board.copper.net
        live = (net >= 0) & ~np.append(self.floating, False)[net]
        return pours_by(self.board, np.where(live, net, -1), diameter)

    def netlist(self) -> Netlist:
        """What domains are found from; without any other ground, what is called earth is one."""
        grounds = {
            n
            for n, name in enumerate(self.names)
            if names.is_ground(name) and self.is_substantial(n)
        }
        earth = {n for n, name in enumerate(self.names) if names.is_earth(name) and self.on[n]}
        if not grounds:
            grounds, earth = {n for n in earth if self.is_substantial(n)}, set()
        contacts = [contact.nets for contact in self.board.connectivity.contacts]
        return Netlist(self.names, self.parts, contacts, frozenset(grounds), frozenset(earth))

    def is_substantial(self, net: int) -> bool:
        """Whether a net has a pour or several parts."""
        return net in self.pours or len(self.on[net]) >= GROUND_PARTS

    def territory(self, region: Region) -> shapely.Geometry:
        """A region's reference pours seen from above."""
        return shapely.union_all(
            [self.pours[net].seen for net in region.reference if net in self.pours]
        )

    def pads(self, nets: Iterable[int]) -> shapely.Geometry:
        """Middles of the pads of some nets (of all their copper if they have none)."""
        rows = np.flatnonzero(np.isin(self.board.copper.net, list(nets)))
        pads = rows[self.board.copper.pad[rows]]
        boxes = self.board.copper.take(pads if len(pads) else rows).bounds()
        return shapely.points((boxes[:, :2] + boxes[:, 2:]) / 2)

    def text(self, nets: Iterable[int]) -> str:
        """Names of nets, in alphabetical order, the first few."""
        found = sorted(self.names[net] for net in nets)
        return ", ".join(found[:3]) + (f" and {len(found) - 3} more" if len(found) > 3 else "")

    def guests(self, region: Region) -> set[int]:
        """Nets of one pad on a region's own parts: fed from outside, perhaps."""
        own = region.nets | region.carriers
        pins = [
            {pin.net for pin in component.pins if pin.net >= 0}
            for component in self.board.components
        ]
        return {net for nets in pins if nets & own for net in nets if self.floating[net]}

    def strangers(self, region: Region) -> set[str]:
        """Names of nets that no pattern of a region may match."""
        known = region.nets | region.carriers | self.guests(region)
        return {name for net, name in enumerate(self.names) if net not in known}

    def where(self, net: int) -> str:
        """Layers and area of a net's pours."""
        poured = self.pours[net]
        layers = ", ".join(self.board.layers[layer].id for layer in sorted(poured.layers))
        return f"{poured.area:.0f} mm2 of pours on {layers}"


# --------------------------------------------------------------------------------------- references


def _regions(survey: Survey) -> list[Region]:
    """Regions with reference first, then one for all sides without, then earth."""
    found: list[Region] = []
    bare: list[int] = []
    isolated = {
        survey.domains.of(min(side)) for part in survey.domains.isolators for side in part.sides
    }
    alone = not survey.netlist().grounds
    for number, domain in enumerate(survey.domains.domains):
        references = _references(survey, domain, number in isolated or alone)
        found += [_with_reference(survey, number, net) for net in references]
        if not references and number in isolated:
            bare.append(number)
    if bare:
        found.append(_bare(survey, bare))
    earth = sorted(
        n for n, name in enumerate(survey.names) if names.is_earth(name) and survey.on[n]
    )
    if earth and not {net for region in found for net in region.reference} & set(earth):
        why = "earth by name; nothing of it is on any side, parts to it are no bridge"
        found.append(Region("earth", EARTH, tuple(earth), frozenset(), why))
    _name_apart(found)
    return found


def _references(survey: Survey, domain: Nets, unnamed: bool) -> list[int]:
    """The reference nets of a domain: every ground with a pour, or the one net that is most like a
    ground.

    Parameters
    ----------
    unnamed : whether a net that is called no ground will do
    """
    called = [net for net in sorted(domain) if names.is_ground(survey.names[net])]
    poured = [net for net in called if net in survey.pours]
    if poured:
        return sorted(poured, key=lambda net: (-len(survey.on[net]), survey.names[net]))
    lone = [net for net in called if len(survey.on[net]) >= GROUND_PARTS]
    if lone:
        return [max(lone, key=lambda net: (len(survey.on[net]), -net))]
    return _unnamed_reference(survey, domain) if unnamed else []


def _unnamed_reference(survey: Survey, domain: Nets) -> list[int]:
    """A pour that is called neither ground nor supply but serves as reference: called a return, or
    most of its area.
    """
    mains = names.are_mains(survey.names[net] for net in domain)
    able = [
        net
        for net in sorted(domain)
        if net in survey.pours and not names.is_supply(survey.names[net])
    ]
    if mains:
        able = [net for net in able if names.NEUTRAL.search(names.own(survey.names[net]))]
        returns = able
    else:
        returns = [net for net in able if names.RETURN.search(survey.names[net])]
        extent = shapely.convex_hull(shapely.union_all(survey.pads(domain))).area
        able = [net for net in able if survey.pours[net].area >= MOST * extent]
    best = max(returns or able, key=lambda net: (survey.pours[net].area, -net), default=None)
    return [] if best is None else [best]


def _with_reference(survey: Survey, number: int, net: int) -> Region:
    named = names.is_ground(survey.names[net])
    mains = not named and names.NEUTRAL.search(names.own(survey.names[net]))
    kind = GROUND if named else MAINS if mains else POURED
    called = CALLED[kind]
    poured = survey.where(net) if net in survey.pours else "no pour"
    why = f"{called}: {poured}, {len(survey.on[net])} parts"
    return Region(
        "mains" if mains else names.region_name(survey.names[net]),
        kind,
        (net,),
        frozenset((number,)),
        why,
    )


def _bare(survey: Survey, numbers: Sequence[int]) -> Region:
    """The region of all domains behind isolators that have no reference copper."""
    nets = {net for number in numbers for net in survey.domains.domains[number]}
    mains = names.are_mains(survey.names[net] for net in nets)
    why = "no ground and no pour among its nets" + (", line and neutral by name" if mains else "")
    if len(numbers) > 1:
        why += (
            f"; {len(numbers)} circuits that nothing joins: do they need distances to each other?"
        )
    return Region(
        "mains" if mains else "contacts", MAINS if mains else BARE, (), frozenset(numbers), why
    )


def _name_apart(regions: Sequence[Region]) -> None:
    """Give every region a name of its own, and none that is mistaken for another's."""
    if any(region.name == "mains" for region in regions):
        for region in regions:
            region.name = "low" if region.name == "main" else region.name
    used: set[str] = set()
    for region in regions:
        base = region.name if region.name.strip("-") else "region"
        region.name = next(
            n for n in (base, *(f"{base}-{i}" for i in range(2, 10_000))) if n not in used
        )
        used.add(region.name)


# --------------------------------------------------------------------------------------------- nets


def _claim(survey: Survey) -> None:
    """Give every net that goes somewhere its region, and every region its supply planes."""
    taken = {net for region in survey.regions for net in region.reference}
    strays: set[int] = set()
    for number, domain in enumerate(survey.domains.domains):
        inside = [region for region in survey.regions if number in region.domain]
        nets = {net for net in domain - taken if survey.on[net] and not survey.floating[net]}
        if len(inside) == 1:
            inside[0].nets |= nets
        elif inside:
            for net, region in _shared_out(survey, inside, nets).items():
                region.nets.add(net)
        else:
            strays |= nets
    for net in sorted(strays):
        _claim_stray(survey, net)
    for region in survey.regions:
        if region.kind not in (EARTH, BARE):
            region.planes = _planes(survey, region)
            region.nets -= set(region.planes)


def _shared_out(survey: Survey, regions: Sequence[Region], nets: set[int]) -> dict[int, Region]:
    """Regions of the nets of a domain with several references: by place, by their parts' grounds,
    by neighbours.
    """
    territories = [survey.territory(region) for region in regions]
    reference = {net: i for i, region in enumerate(regions) for net in region.reference}
    beside = _are_beside(territories)
    places = {net: _over(survey, net, territories) for net in nets} if beside else {}
    found: dict[int, int] = {}
    for votes in (places, *_evidence(survey.parts, reference)):
        for net in sorted(nets - found.keys()):
            choice = _clear(votes.get(net, Counter()))
            if choice is not None:
                found[net] = choice
        _spread(
            [part for part in survey.parts if not reference.keys() & set(part.distinct)],
            found,
            nets,
        )
    return {net: regions[choice] for net, choice in found.items()}


def _are_beside(territories: Sequence[shapely.Geometry]) -> bool:
    """Whether territories lie side by side, not over each other: only then a place tells which is
    meant.
    """
    pairs = [(a, b) for i, a in enumerate(territories) for b in territories[i + 1 :]]
    return all(
        shapely.intersection(a, b).area < (1 - SHARED) * min(a.area, b.area) for a, b in pairs
    )


Votes = dict[int, Counter[int]]  # for each net, how often each reference is meant


def _evidence(parts: Sequence[Part], reference: dict[int, int]) -> Iterator[Votes]:
    """What parts tell of their nets, the strongest first: parts of one ground, connectors of one,
    pins beside one.
    """
    pins = [part for part in parts if not part.connector]
    yield _votes(pins, reference)
    yield _votes([part for part in parts if part.connector], reference)
    beside: Votes = defaultdict(Counter)
    for part in pins:
        grounds = [net for net in part.distinct if net in reference]
        for net in part.distinct if len({reference[ground] for ground in grounds}) > 1 else ():
            beside[net][
                reference[min(grounds, key=lambda ground: (part.gap([net], [ground]), ground))]
            ] += 1
    yield beside


def _votes(parts: Iterable[Part], reference: dict[int, int]) -> Votes:
    """How many of each net's parts stand on each reference alone."""
    votes: Votes = defaultdict(Counter)
    for part in parts:
        grounds = {reference[net] for net in part.distinct if net in reference}
        for net in part.distinct if len(grounds) == 1 else ():
            votes[net][min(grounds)] += 1
    return votes


def _over(survey: Survey, net: int, territories: Sequence[shapely.Geometry]) -> Counter[int]:
    """How many of a net's pads lie over each of some territories alone."""
    if not territories:
        return Counter()
    hits = np.array(
        [shapely.intersects(territory, survey.pads([net])) for territory in territories]
    )
    alone = hits & (hits.sum(axis=0) == 1)
    return Counter({i: int(count) for i, count in enumerate(alone.sum(axis=1)) if count})


def _clear(votes: Counter[int]) -> int | None:
    """The one choice that got votes, or the clear majority; None where it is open."""
    ranked = votes.most_common(2)
    if not ranked or (len(ranked) == 2 and ranked[0][1] < CLEAR * ranked[1][1]):
        return None
    return ranked[0][0]


def _spread(parts: Sequence[Part], found: dict[int, int], nets: set[int]) -> None:
    """Let nets that are still open follow their neighbours by parts (that stand on no ground), the
    nearest first.
    """
    graph: nx.Graph[int] = nx.Graph()
    for part in parts:
        near = [net for net in part.distinct if net in nets]
        if not part.connector:
            graph.add_edges_from((a, b) for i, a in enumerate(near) for b in near[i + 1 :])
    for _ in range(len(nets)):
        told = {
            net: Counter(found[n] for n in graph[net] if n in found)
            for net in graph
            if net not in found
        }
        new = {net: choice for net, votes in told.items() if (choice := _clear(votes)) is not None}
        if not new:
            return
        found.update(new)


def _claim_stray(survey: Survey, net: int) -> None:
    """A net that parts join to nothing: by the pour under its pads, its name's family, or the
    nearest pad.
    """
    able = [region for region in survey.regions if region.kind != EARTH]
    choice = _clear(_over(survey, net, [survey.territory(region) for region in able]))
    if choice is None:
        choice = _by_family(survey, net, able)
    if choice is None and able:
        pads = shapely.multipoints(survey.pads([net]))
        choice = int(np.argmin([_distance(survey, pads, region) for region in able]))
    if choice is not None:
        able[choice].nets.add(net)


def _by_family(survey: Survey, net: int, regions: Sequence[Region]) -> int | None:
    """The one region that has nets with the longest stem of a net's name."""
    for stem in reversed(heads(survey.names[net])):
        own = [
            i
            for i, r in enumerate(regions)
            if any(survey.names[n].startswith(stem) for n in r.nets | r.carriers)
        ]
        if own:
            return own[0] if len(own) == 1 else None
    return None


def _distance(survey: Survey, pads: shapely.Geometry, region: Region) -> float:
    """From some pads to the nearest pad of a region's nets, mm."""
    own = survey.pads({*region.nets, *region.reference})
    return float(shapely.distance(shapely.multipoints(own), pads)) if len(own) else np.inf


def _planes(survey: Survey, region: Region) -> tuple[int, ...]:
    """Supply planes: wide pours inside the region's territory whose parts mostly stand on its
    ground.
    """
    territory = survey.territory(region)
    grounded = {part for reference in region.reference for part in survey.on[reference]}
    found = []
    for net in sorted(region.nets & survey.pours.keys()):
        seen = survey.pours[net].seen
        parts = len(survey.on[net] & grounded) / max(len(survey.on[net]), 1)
        inside = shapely.intersection(seen, territory).area / seen.area
        lies = (parts >= SHARED and inside >= SHARED) or (parts >= SOME and inside >= ALL)
        if lies and seen.area >= PLANE * territory.area and not names.is_ground(survey.names[net]):
            found.append(net)
    return tuple(found)


def _choose_home(survey: Survey) -> None:
    """The region that claims what no other does: the widest ground, no mains side and no earth."""
    regions = survey.regions
    able = (
        [r for r in regions if r.kind in (GROUND, POURED)]
        or [r for r in regions if r.kind != EARTH]
        or regions
    )
    if able:
        able.sort(key=lambda region: sorted(survey.names[net] for net in region.reference))
        max(able, key=lambda region: _weight(survey, region)).home = True


def _weight(survey: Survey, region: Region) -> tuple[bool, bool, bool, int, int]:
    """How much a region looks like the main one: a ground, not for small signals, plain, wide, many
    parts.
    """
    small = any(names.SMALL_SIGNAL.search(survey.names[net]) for net in region.reference)
    area = sum(survey.pours[net].area for net in region.reference if net in survey.pours)
    size = round(float(np.log1p(area)) / 0.2)
    return (
        region.kind == GROUND,
        not small,
        region.name == "main",
        size,
        sum(len(survey.on[net]) for net in region.reference),
    )
