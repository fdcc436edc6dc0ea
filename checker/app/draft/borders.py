"""What stands between regions: barriers with their isolators, ties, and what spans a barrier
without isolating it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from checker.app.draft.domains import ACROSS, Isolator, Link, Nets
from checker.app.draft.names import is_supply
from checker.app.draft.parts import Part
from checker.app.draft.regions import EARTH, MAINS, Region, Survey

XY = tuple[float, float]


@dataclass(slots=True)
class Barrier:
    """A separation that isolators tell."""

    sides: tuple[tuple[Region, ...], tuple[Region, ...]]
    isolators: list[Isolator] = field(default_factory=list)
    straddling: list[Part] = field(default_factory=list)  # connectors with pins on both sides
    across: list[Link] = field(default_factory=list)  # capacitors and bleeders, perhaps


@dataclass(slots=True)
class Tie:
    """A connection of two references in one domain."""

    regions: tuple[Region, Region]
    parts: list[Part] = field(default_factory=list)
    capacitors: list[Part] = field(default_factory=list)  # for high frequency
    places: list[XY] = field(default_factory=list)  # where their copper touches
    nets: list[int] = field(default_factory=list)  # with parts on both sides

    @property
    def are_alike(self) -> bool:
        """Whether its parts have the same pads: then nothing tells one as the tie before the
        others.
        """
        return len({part.size for part in self.parts}) == 1

    @property
    def is_told(self) -> bool:
        """Whether anything but common parts joins them."""
        return bool(self.parts or self.places or self.capacitors)


def barriers(survey: Survey) -> list[Barrier]:
    """One barrier for each two sides, told by their regions, that isolators stand between."""
    found: dict[tuple[tuple[str, ...], ...], Barrier] = {}
    for isolator in survey.domains.isolators:
        groups = {_key(g): g for side in isolator.sides if (g := _standing(survey, side))}
        for first, second in _pairs(
            sorted(groups.values(), key=lambda group: _rank(survey, group))
        ):
            other = _against(survey, first, second)
            barrier = found.setdefault((_key(first), _key(other)), Barrier((first, other)))
            barrier.isolators.append(isolator)
    for barrier in found.values():
        barrier.straddling = [
            p for p in survey.parts if p.connector and all(_has(p, s) for s in barrier.sides)
        ]
        barrier.across = [
            link
            for link in survey.domains.across
            if all(
                any(_domain(survey, end) in r.domain for end in link.ends for r in side)
                for side in barrier.sides
            )
        ]
    return list(found.values())


def ties(survey: Survey) -> list[Tie]:
    """Ties of the references of one domain, and of earth with any; at least one for each reference
    of a domain.
    """
    out = []
    for first, second in _pairs(survey.regions):
        if EARTH in (first.kind, second.kind) or first.domain & second.domain:
            tie = _tie(survey, first, second)
            if tie.is_told:
                out.append(tie)
    for regions in _sharing(survey.regions):
        tied = {id(region) for tie in out for region in tie.regions}
        out += [Tie((regions[0], region)) for region in regions[1:] if id(region) not in tied]
    return out


def _sharing(regions: Sequence[Region]) -> Iterator[list[Region]]:
    """Regions of each domain that has several."""
    for number in sorted({number for region in regions for number in region.domain}):
        found = [region for region in regions if number in region.domain]
        if len(found) > 1:
            yield found


def _tie(survey: Survey, first: Region, second: Region) -> Tie:
    """What joins the references of two regions themselves."""
    ends = (set(first.reference), set(second.reference))
    joining = [part for part in survey.parts if _joins(part, ends)]
    # may conduct, for all that the data tells
    low = [part for part in joining if not part.is_capacitor]
    touching = [
        c for c in survey.board.connectivity.contacts if all(end & set(c.nets) for end in ends)
    ]
    earth = EARTH in (first.kind, second.kind)
    near = sorted((p for p in low if not earth or p.gap(*ends) < ACROSS), key=_read)
    nets = sorted(_shared(survey, first, second)) if near or touching or not earth else []
    caps = [] if earth else [part for part in joining if part.is_capacitor]
    return Tie((first, second), near, caps, [c.at for c in touching], nets)


def _read(part: Part) -> tuple[float, float]:
    """Where a part comes in the order of reading: from the top, then from the left."""
    return -part.at[1], part.at[0]


def _joins(part: Part, ends: tuple[set[int], set[int]]) -> bool:
    nets = set(part.distinct)
    return not part.connector and nets <= ends[0] | ends[1] and all(nets & end for end in ends)


def _shared(survey: Survey, first: Region, second: Region) -> set[int]:
    """Nets with parts that stand in the one region, and parts that stand in the other; supplies are
    left out.
    """
    sides: list[set[int]] = [set(), set()]
    for part in survey.parts:
        for net in () if part.connector else part.distinct:
            stands = [_stands(part, net, region) for region in (first, second)]
            if sum(stands) == 1:
                sides[stands.index(True)].add(net)
    common = (sides[0] & sides[1]) - first.carriers - second.carriers
    return {net for net in common if not is_supply(survey.names[net])}


def _stands(part: Part, net: int, region: Region) -> bool:
    """Whether a part hangs a net on a region: by its ground, or being of two nets by the other
    one.
    """
    others = set(part.distinct) - {net}
    return bool(others & region.carriers) or (len(others) == 1 and bool(others & region.nets))


def _standing(survey: Survey, side: Nets) -> tuple[Region, ...]:
    """The regions of the domain that one side of an isolator stands in: all are on one
    potential.
    """
    return tuple(region for region in survey.regions if _domain(survey, min(side)) in region.domain)


def _against(
    survey: Survey, first: tuple[Region, ...], second: tuple[Region, ...]
) -> tuple[Region, ...]:
    """The regions that a side is held apart from: of mains everything but earth, whatever isolates
    it further on.
    """
    if any(region.kind != MAINS for region in first):
        return second
    return tuple(region for region in survey.regions if region.kind not in (MAINS, EARTH))


def _domain(survey: Survey, net: int) -> int | None:
    return survey.domains.of(net)


def _rank(survey: Survey, group: Sequence[Region]) -> tuple[bool, int]:
    """Mains first, then as the regions stand."""
    return all(region.kind != MAINS for region in group), min(
        survey.regions.index(region) for region in group
    )


def _key(group: Iterable[Region]) -> tuple[str, ...]:
    return tuple(region.name for region in group)


def _has(part: Part, side: Iterable[Region]) -> bool:
    """Whether a part has a pin on a side."""
    return any(set(part.distinct) & (region.carriers | region.nets) for region in side)


def _pairs(items: Sequence[Region] | Sequence[tuple[Region, ...]]) -> Iterator[tuple]:  # type: ignore[type-arg]
    return ((a, b) for i, a in enumerate(items) for b in items[i + 1 :])
