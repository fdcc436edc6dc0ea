"""Barriers and spacings on the board: which conductors stand on which side of them, and what lies
between.

A *separation* is a `[[barrier]]` or a `[[spacing]]`. Each body (`conductors`) is on its first side,
on its second side, earthed, third copper, floating, or as if it were not there:

- The sides of a barrier are the nets of its regions, those of a spacing the nets that its patterns
  match. A net that both groups match is on both sides; it is never held against itself.
- Earthed copper is not crossed and not measured here: it counts as board of its own width. The side
  that `hazardous` names, or one side at least, must be held against it by a `[[spacing]]` (or
  barrier) of its own, of basic insulation or better; without one there is a doubt. A region that
  names an earthed net by more than `*` keeps it on its side, which is stricter.
- All copper of a third region is one conductor, since parts join its nets; so are the nets that no
  region claims. What nothing holds apart from one side stands there beside it; what is held apart
  from both is crossed, and both partial distances count in full; so do they of what is held apart
  from neither, which is a doubt.
- Floating copper is crossed at no cost, and partial distances beside it that are shorter than X
  count as nothing.
- For a functional spacing copper of nets in neither group counts as if it were not there; a signal
  between two supplies is held apart from either by its own function.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np

from checker.config.rules_file import Barrier, Insulation, RegionSpec, Rules, Side, Spacing
from checker.geometry.corridor import corridor
from checker.insulation.conductors import Bodies, Source, bodies_of
from checker.layout.layout import Layout, of_layout
from checker.layout.regions import CATCH_ALL
from parsers.assembly.diagnostics import counted
from parsers.primitives import Bools, Ints, Rows
from parsers.trouble import Doubt

PROTECTIVE = ("basic", "reinforced")  # kinds of insulation that people rely on
UNCLAIMED = "nets of no region"


@dataclass(frozen=True, slots=True)
class Third:
    """Copper of a third region, or of nets that no region claims: one conductor."""

    name: str  # of the region, "other nets of ..." where sides hold some of it, or UNCLAIMED
    nets: frozenset[int]
    rows: Rows  # bodies
    # whether something holds all of it apart from the first side, from the second
    held: tuple[bool, bool]

    @property
    def side(self) -> int | None:
        """The side that it stands on, since nothing holds it apart from that one; None if it lies
        between.
        """
        return None if self.held[0] == self.held[1] else int(self.held[0])


@dataclass(frozen=True, slots=True)
class Separation:
    """A barrier or spacing, bound."""

    key: str  # "barrier[0]", as the rules file counts
    title: str  # "system / probe"
    names: tuple[str, str]  # of the two sides
    split: tuple[Side, Side]  # region names of a barrier by side; a spacing has none
    nets: tuple[frozenset[int], frozenset[int]]  # of the two sides, as `Bodies.names` counts
    sides: tuple[Rows, Rows]  # bodies
    ends: tuple[Rows, Rows]  # the same, with the third copper that stands on each side
    thirds: tuple[Third, ...]
    floating: Rows  # bodies
    # bodies that a path may cross: floating ones, and third copper that stands on neither side
    crossed: Rows
    earthed: Rows
    node: Ints  # per body: electrical node, third copper that lies between as one
    nodes: int
    insulation: Insulation
    isolators: tuple[str, ...] = ()
    straddling: tuple[str, ...] = ()

    @property
    def regions(self) -> tuple[str, ...]:
        """Region names of a barrier."""
        return (*self.split[0], *self.split[1])

    @property
    def between(self) -> tuple[Third, ...]:
        """Third copper that is crossed, and beside which partial distances count in full."""
        return tuple(third for third in self.thirds if third.side is None)

    def soft(self, size: int) -> Bools:
        """Mask of bodies beside which partial distances shorter than X count as nothing."""
        mask = np.zeros(size, dtype=np.bool_)
        mask[self.floating] = True
        return mask

    def third_of(self, net: int) -> Third | None:
        """The third copper that a net belongs to."""
        return next((third for third in self.thirds if net in third.nets), None)


def contenders(bodies: Bodies, separation: Separation, reach: float) -> tuple[Rows, Rows, Rows]:
    """Bodies of both ends, and crossed ones, that may lie on a path whose steps are no longer than
    `reach`, in mm.

    Told by bounding boxes: too many, never too few.
    """
    one, two, third = (*separation.ends, separation.crossed)
    boxes = [bodies.shapes.take(rows).bounds() for rows in (one, two, third)]
    kept = corridor(boxes[0], boxes[1], boxes[2], reach, separation.node[third])
    return one[kept[0]], two[kept[1]], third[kept[2]]


# ----------------------------------------------------------------------------------- sides and nets


@dataclass(frozen=True, slots=True)
class _Stated:
    """A barrier or spacing as the rules file states it, with masks over `Bodies.names`."""

    key: str
    spec: Barrier | Spacing
    first: Bools
    second: Bools
    earthed: Bools

    @property
    def names(self) -> tuple[str, str]:
        """Of the two sides."""
        first, second = (", ".join(group) for group in self.spec.between)
        return first, second

    @property
    def asks(self) -> bool:
        """Whether distances are asked for, and can be measured."""
        return self.spec.insulation.asks and self.spec.insulation.table is not None

    @property
    def protects(self) -> bool:
        """Whether people may rely on it."""
        return self.asks and self.spec.insulation.insulation in PROTECTIVE


def specs_of(rules: Rules) -> list[tuple[str, Barrier | Spacing]]:
    """Barriers and spacings with their keys in the rules file."""
    specs: list[tuple[str, Barrier | Spacing]] = [
        (f"barrier[{i}]", b) for i, b in enumerate(rules.barriers)
    ]
    return specs + [(f"spacing[{i}]", s) for i, s in enumerate(rules.spacings)]


@of_layout
def _stated(layout: Layout) -> tuple[_Stated, ...]:
    nets = _NetSets(layout, bodies_of(layout)[0])
    return tuple(_Stated(key, spec, *nets.sides(spec)) for key, spec in specs_of(layout.rules))


class _NetSets:
    """Sets of nets that the rules name, as masks over `Bodies.names`."""

    def __init__(self, layout: Layout, bodies: Bodies) -> None:
        self.layout = layout
        self.names = bodies.names
        self.board_nets = len(layout.board.nets)

    def matching(self, patterns: Sequence[str]) -> Bools:
        """Nets that any of the patterns matches, hardware's own nets included."""
        mask = np.zeros(len(self.names), dtype=np.bool_)
        if patterns:
            mask[self.layout.matching(tuple(patterns))] = True
        for net in range(self.board_nets, len(self.names)):
            mask[net] = any(fnmatchcase(self.names[net], p) for p in patterns)
        return mask

    def of_region(self, name: str) -> Bools:
        """Nets of a region."""
        region = self.layout.region_named(name)
        mask = np.zeros(len(self.names), dtype=np.bool_)
        mask[: self.board_nets] = self.layout.region_of_net == region.index
        claimed = self.matching(_patterns(region.spec))
        if CATCH_ALL in region.spec.nets:
            others = [p for r in self.layout.regions if r.name != name for p in _patterns(r.spec)]
            claimed = claimed | ~self.matching(others)
        mask[self.board_nets :] = claimed[self.board_nets :]
        return mask

    def named_by(self, name: str) -> Bools:
        """Nets that a region claims by more than `*`."""
        region = self.layout.region_named(name)
        mask = self.matching([p for p in region.spec.nets if p != CATCH_ALL])
        mask[list(region.reference | region.planes)] = True
        return mask & self.of_region(name)

    def sides(self, spec: Barrier | Spacing) -> tuple[Bools, Bools, Bools]:
        """First side, second side, earthed."""
        earthed = self.matching(spec.earthed)
        if isinstance(spec, Spacing):
            first, second = (self.matching(group) for group in spec.between)
        else:
            first, second = (self._of_regions(side, earthed) for side in spec.between)
        return first, second, earthed & ~first & ~second

    def _of_regions(self, names: Side, earthed: Bools) -> Bools:
        """Nets of some regions; an earthed one only where its region names it by more than `*`."""
        nets: Bools = np.any(
            [self.of_region(name) & (~earthed | self.named_by(name)) for name in names], axis=0
        )
        return nets


def _patterns(spec: RegionSpec) -> list[str]:
    """What a region names itself."""
    return [*spec.reference, *spec.planes, *(p for p in spec.nets if p != CATCH_ALL)]


# -------------------------------------------------------------------------------------- separations


@of_layout
def separations_of(layout: Layout) -> tuple[Separation, ...]:
    """All barriers, then all spacings; bound once."""
    stated = _stated(layout)
    return tuple(_separation(layout, one, stated) for one in stated)


@dataclass(frozen=True, slots=True)
class _Parted:
    """The bodies of the board, parted by what they are to a separation."""

    sides: tuple[Rows, Rows]
    thirds: tuple[Third, ...]
    floating: Rows
    earthed: Rows

    def end(self, number: int) -> Rows:
        """A side with the third copper that stands on it."""
        beside = [third.rows for third in self.thirds if third.side == number]
        if not beside and (np.diff(self.sides[number]) > 0).all():
            return self.sides[number]
        return np.unique(np.concatenate([self.sides[number], *beside]))

    def crossed(self) -> Rows:
        """What a path may cross."""
        between = [third.rows for third in self.thirds if third.side is None]
        return np.sort(np.concatenate([self.floating, *between]))


def _separation(layout: Layout, stated: _Stated, everything: Sequence[_Stated]) -> Separation:
    bodies, spec = bodies_of(layout)[0], stated.spec
    barrier = spec if isinstance(spec, Barrier) else None
    parted = _parted(layout, stated, everything)
    node, nodes = _merged(bodies, parted.thirds)
    return Separation(
        key=stated.key,
        title=" / ".join(stated.names),
        names=stated.names,
        split=barrier.between if barrier else ((), ()),
        nets=(_members(stated.first), _members(stated.second)),
        sides=parted.sides,
        ends=(parted.end(0), parted.end(1)),
        thirds=parted.thirds,
        floating=parted.floating,
        crossed=parted.crossed(),
        earthed=parted.earthed,
        node=node,
        nodes=nodes,
        insulation=spec.insulation,
        isolators=barrier.isolators if barrier else (),
        straddling=barrier.straddling if barrier else (),
    )


def _parted(layout: Layout, stated: _Stated, everything: Sequence[_Stated]) -> _Parted:
    bodies, spec = bodies_of(layout)[0], stated.spec
    first, second, earthed = (
        _rows_of(bodies, mask) for mask in (stated.first, stated.second, stated.earthed)
    )
    barrier = isinstance(spec, Barrier)
    if barrier:
        first, second = (rows[~_of_no_region(layout, bodies, rows)] for rows in (first, second))
    free = np.ones(len(bodies), dtype=np.bool_)
    free[np.concatenate((first, second, earthed))] = False
    floats = free & _floats(layout, bodies)
    knows_thirds = barrier or spec.insulation.insulation in PROTECTIVE
    thirds = (
        tuple(_thirds(layout, bodies, free & ~floats, stated, everything)) if knows_thirds else ()
    )
    return _Parted((first, second), thirds, np.flatnonzero(floats), earthed)


def _rows_of(bodies: Bodies, nets: Bools) -> Rows:
    """Bodies whose net is marked."""
    net = bodies.shapes.net
    rows: Rows = np.flatnonzero((net >= 0) & np.append(nets, False)[np.maximum(net, -1)])
    return rows


def _of_no_region(layout: Layout, bodies: Bodies, rows: Rows) -> Bools:
    """Copper that belongs to no region whatever its net: thieving, text, fiducials."""
    copper = np.isin(bodies.source[rows], [Source.COPPER, Source.OPENED])
    none = np.zeros(len(rows), dtype=np.bool_)
    none[copper] = layout.row_region[bodies.origin[rows[copper]]] < 0
    return none


def _floats(layout: Layout, bodies: Bodies) -> Bools:
    """Bodies that float whatever the separation: without a net, of nets that float, stated to be
    thieving and such.
    """
    net = bodies.shapes.net
    hardware = np.zeros(len(bodies.names) - len(layout.floating), dtype=np.bool_)
    floating = np.concatenate((layout.floating, hardware, [True]))  # the last is no net
    floats: Bools = bodies.floats | floating[np.maximum(net, -1)]
    return floats


def _thirds(
    layout: Layout, bodies: Bodies, free: Bools, stated: _Stated, everything: Sequence[_Stated]
) -> Iterator[Third]:
    """What of the free copper each region, and no region, holds."""
    net = bodies.shapes.net
    sides = [np.flatnonzero(mask) for mask in (stated.first, stated.second)]
    for name, mask in _owners(layout, bodies):
        rows = np.flatnonzero(free & np.append(mask, False)[np.maximum(net, -1)])
        if len(rows):
            nets = np.unique(net[rows])
            held = [_all_held(nets, side[np.isin(side, net)], everything) for side in sides]
            partly = any(mask[side].any() for side in sides)
            yield Third(
                f"other nets of {name}" if partly else name,
                frozenset(nets.tolist()),
                rows,
                (held[0], held[1]),
            )


def _owners(layout: Layout, bodies: Bodies) -> Iterator[tuple[str, Bools]]:
    """Each region with its nets, then the nets of none."""
    nets = _NetSets(layout, bodies)
    left = np.ones(len(bodies.names), dtype=np.bool_)
    for region in layout.regions:
        mask = nets.of_region(region.name) & left
        left &= ~mask
        yield region.name, mask
    yield UNCLAIMED, left


def _merged(bodies: Bodies, thirds: Sequence[Third]) -> tuple[Ints, int]:
    """Nodes, with third copper that lies between as one node each."""
    node = bodies.node.copy()
    for number, third in enumerate(thirds):
        if third.side is None:
            node[third.rows] = bodies.nodes + number
    return node, bodies.nodes + len(thirds)


def _members(mask: Bools) -> frozenset[int]:
    return frozenset(np.flatnonzero(mask).tolist())


# ----------------------------------------------------------------------------- who holds whom apart


def _all_held(nets: Ints, others: Rows, separations: Iterable[_Stated]) -> bool:
    """Whether each of some nets is held apart from each of some others."""
    return not _unheld(nets, others, [one for one in separations if one.asks]).any()


def _unheld(nets: Rows | Ints, others: Rows, separations: Sequence[_Stated]) -> Bools:
    """Which of some nets are not held apart from each of some others; shape of `nets`.

    Nets that stand alike in all separations are held alike, and there are few such kinds.
    """
    kinds, of_net = np.unique(_stands(nets, separations), axis=0, return_inverse=True)
    against = np.unique(_stands(others, separations), axis=0)
    held: Bools = np.any(kinds[:, None] * against[None] < 0, axis=2)
    apart: Bools = np.all(held, axis=1)
    unheld: Bools = ~apart[of_net.reshape(-1)]
    return unheld


def _stands(nets: Rows | Ints, separations: Sequence[_Stated]) -> Ints:
    """Where nets stand in each separation: 1 on the first side, -1 on the second, 0 on none or
    both.
    """
    columns = [one.first[nets].astype(np.int32) - one.second[nets] for one in separations]
    return np.stack(columns, axis=1) if columns else np.zeros((len(nets), 1), dtype=np.int32)


def unheld_earth(layout: Layout) -> Iterator[Doubt]:
    """A doubt for each earthed net that no protective separation holds the hazardous side apart
    from.
    """
    bodies, everything = bodies_of(layout)[0], _stated(layout)
    protective = [one for one in everything if one.protects]
    used = np.zeros(len(bodies.names), dtype=np.bool_)
    used[bodies.shapes.net[bodies.shapes.net >= 0]] = True
    for stated in everything:
        if not stated.spec.insulation.asks:
            continue
        sides = [np.flatnonzero(mask & used) for mask in (stated.first, stated.second)]
        for earth in np.flatnonzero(stated.earthed & used).tolist():
            left = [side[_unheld(side, np.array([earth]), protective)] for side in sides]
            yield from _earth_doubts(layout, stated, bodies.names, earth, left)


def _earth_doubts(
    layout: Layout, stated: _Stated, names: Sequence[str], earth: int, left: Sequence[Rows]
) -> Iterator[Doubt]:
    """What is left of the side that must be held against an earthed net; of either, where none is
    named.
    """
    hazardous, place = stated.spec.hazardous, layout.rules.place(f"{stated.key}.earthed")
    if hazardous is None:
        if all(len(nets) for nets in left):
            what = (
                f"no spacing between {stated.names[0]} or {stated.names[1]} and earthed"
                f" {names[earth]}"
            )
            what = counted(what, sum(map(len, left)), "nets")
            why = (
                "earthed copper protects from one side; name it (hazardous), and hold it by a"
                " [[spacing]] of basic "
            )
            yield Doubt(what, f"{why}insulation or better with voltages and a table", place)
        return
    if len(left[hazardous]):
        what = f"no spacing between {stated.names[hazardous]} and earthed {names[earth]}"
        what = counted(what, len(left[hazardous]), "nets")
        why = (
            "the hazardous side is held against earthed copper by its own [[spacing]] of basic"
            " insulation or better"
        )
        yield Doubt(what, f"{why}; none holds {_some(names, left[hazardous])}", place)


def _some(names: Sequence[str], nets: Rows) -> str:
    shown = ", ".join(names[net] for net in nets[:3].tolist())
    return shown + (f" and {len(nets) - 3} more" if len(nets) > 3 else "")
