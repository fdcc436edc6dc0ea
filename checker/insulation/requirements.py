"""What the user's tables ask of each barrier and spacing, and what of it is not stated.

Tolerances: etch, registration and routing are added up and subtracted once from every path,
whatever it runs on; that is stricter than need be for a path that touches no routed edge, never
laxer. A partial distance counts as shorter than X if it can become so by the tolerance.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from checker.config.rules_file import Barrier, Insulation, Rules, Spacing
from checker.config.spacing_table import (
    CLEARANCE,
    CREEPAGE,
    INNER,
    OUTER,
    THROUGH,
    Query,
    Required,
    SpacingTable,
    TableError,
    read_table,
)
from checker.geometry.rows import distinct_rows
from checker.insulation.conductors import ROUNDING, Bodies, bodies_of, depths_of, thickness_of
from checker.insulation.separations import (
    PROTECTIVE,
    Separation,
    Third,
    separations_of,
    specs_of,
    unheld_earth,
)
from checker.layout.layout import Layout, of_layout
from parsers.board import Board
from parsers.primitives import Bools, Floats, Ints
from parsers.trouble import Doubt

# Width below which a groove is bridged and a partial distance beside floating copper counts as
# nothing (IEC 60664-1:2007, 6.2), mm by pollution degree. Certainty: as reproduced on a public
# page.
GROOVE_WIDTH: Mapping[int, float] = {1: 0.25, 2: 1.0, 3: 1.5}
# mm; below this required clearance X may be a third of it (same clause), where the rules say so
REDUCED_BELOW = 3.0
NO_COPPER = "no copper on one side"


@dataclass(frozen=True, slots=True)
class Bound:
    """A separation with what it is held to."""

    separation: Separation
    table: SpacingTable | None  # None: no distances are asked for
    x: float  # mm; width X
    tolerance: float  # mm; subtracted once from every path
    # kinds of place that the board has between the sides: OUTER, INNER, THROUGH
    places: frozenset[str]
    # by (measure, where): the distances that the table gives
    wanted: Mapping[tuple[str, str], Required]

    @property
    def insulation(self) -> Insulation:
        """What the rules file states of it."""
        return self.separation.insulation

    @property
    def title(self) -> str:
        """Its two sides."""
        return self.separation.title

    def some_nets(self, layout: Layout) -> str:
        """A few nets of either side by name, for telling what is being measured."""
        known = len(layout.board.nets)
        sides = (
            np.array(sorted(net for net in nets if net < known), dtype=int)
            for nets in self.separation.nets
        )
        return " to ".join(layout.some_nets(side) or "hardware" for side in sides)

    @property
    def has_copper(self) -> bool:
        """Whether there is copper on both sides."""
        return all(len(side) for side in self.separation.sides)

    def required(self, measure: str, where: str) -> Required | None:
        """The distance that must be kept in a kind of place, None if the table has no such rows or
        column.

        Required creepage is never below required clearance.
        """
        return self.wanted.get((measure, where))

    def solid(self, where: str) -> Required | None:
        """What holds inside the board (INNER, THROUGH): clearance, or creepage where the rows hold
        only that.
        """
        return self.required(CLEARANCE, where) or self.required(CREEPAGE, where)

    def counts(self, lengths: Floats, soft: Bools) -> Bools:
        """Which partial distances count: all but those beside floating copper (`soft`) that may be
        below X.
        """
        counts: Bools = ~soft | (lengths - self.tolerance >= self.x - ROUNDING)
        return counts


@dataclass(frozen=True, slots=True)
class Barriers:
    """All separations of a layout, what they are held to, and what they share."""

    bodies: Bodies
    bounds: tuple[Bound, ...]
    thickness: float | None  # of the board, mm
    depths: tuple[float, ...] | None  # of each copper layer below the top face, mm
    doubts: tuple[Doubt, ...]

    @property
    def measured(self) -> tuple[Bound, ...]:
        """Those that name a table."""
        return tuple(bound for bound in self.bounds if bound.table is not None)

    def why_not(self, measure: str) -> str | None:
        """Why nothing can be measured as `clearance` or `creepage`, or None."""
        if not self.bounds:
            return "no barrier and no spacing is declared"
        if not self.measured:
            return "no barrier names a table"
        asked = [bound for bound in self.measured if bound.table and bound.table.has(measure)]
        if not asked:
            return f"no table has a {measure} column"
        return None if any(bound.has_copper for bound in asked) else NO_COPPER

    def between(self, one: int, other: int) -> tuple[Bound, ...]:
        """Those that hold two nets apart from each other."""
        return tuple(
            bound
            for bound in self.measured
            for first, second in (bound.separation.nets, bound.separation.nets[::-1])
            if one in first and other in second
        )


@of_layout
def bind(layout: Layout) -> Barriers:
    """Bind the barriers and spacings of a layout to their tables; done once for all rules.

    Raises
    ------
    TableError : a table that cannot be used
    """
    bodies, doubts = bodies_of(layout)
    tables, board = _Tables(layout.rules), layout.board
    whole = [_bound(layout, separation, tables) for separation in separations_of(layout)]
    bounds = tuple(_less_what_others_hold(bound, whole) for bound in whole)
    found = [*doubts, *unheld_earth(layout), *_open_questions(layout, bounds)]
    found += _missing_data(board, bounds) if any(bound.table for bound in bounds) else []
    return Barriers(
        bodies, bounds, thickness_of(board), depths_of(board), tuple(dict.fromkeys(found))
    )


# ------------------------------------------------------------------------------------------ look-up


class _Tables:
    """The tables that the rules name, each read once."""

    def __init__(self, rules: Rules) -> None:
        self.rules, self.folder = rules, Path(rules.path).parent
        self.read: dict[str, SpacingTable] = {}

    def get(self, key: str, insulation: Insulation) -> SpacingTable | None:
        """The table of the barrier or spacing of a key."""
        name = insulation.table
        if name is None:
            return None
        if name not in self.read:
            path = (self.folder / name).resolve()
            if not path.is_relative_to(self.folder.resolve()):
                why = (
                    f"the spacing table {name} lies outside the rules file's folder: put it beside"
                    " the rules file"
                )
                raise TableError(why, self.rules.place(f"{key}.table"))
            if not path.is_file():
                why = f"there is no spacing table {name} beside the rules file: correct `table`"
                raise TableError(why, self.rules.place(f"{key}.table"))
            self.read[name] = read_table(path, name)
        return self.read[name]


def _bound(layout: Layout, separation: Separation, tables: _Tables) -> Bound:
    insulation, key = separation.insulation, separation.key
    table = tables.get(key, insulation)
    places = _places(bodies_of(layout)[0], separation, len(layout.board.layers))
    try:
        wanted = dict(_looked_up(table, insulation, sorted(places))) if table is not None else {}
    except TableError as error:
        asked = layout.rules.place(key)
        raise TableError(f"{error.message} (asked for at {asked})", error.place) from error
    x = width_x(insulation, wanted.get((CLEARANCE, OUTER)))
    return Bound(separation, table, x, _tolerance(layout.rules), places, wanted)


def _less_what_others_hold(bound: Bound, bounds: Sequence[Bound]) -> Bound:
    """A separation less the third copper on its sides that another one holds as strictly: told
    there, not twice.
    """
    separation = bound.separation
    told = [
        third.rows
        for third in separation.thirds
        if any(as_strict(bound, third, other) for other in bounds)
    ]
    if not told:
        return bound
    held = np.concatenate(told)
    first, second = (np.setdiff1d(end, held) for end in separation.ends)
    return replace(bound, separation=replace(separation, ends=(first, second)))


def as_strict(bound: Bound, third: Third, other: Bound) -> bool:
    """Whether another separation holds third copper that stands on one side from the other side, as
    strictly.
    """
    if third.side is None or other is bound or any(m not in other.wanted for m in bound.wanted):
        return False
    opposite = bound.separation.nets[1 - third.side]
    sides = (other.separation.nets, other.separation.nets[::-1])
    apart = any(opposite <= first and third.nets <= second for first, second in sides)
    return apart and all(
        other.wanted[key].value >= required.value for key, required in bound.wanted.items()
    )


def _tolerance(rules: Rules) -> float:
    given = rules.tolerance
    return given.etch + given.registration + given.routing


def width_x(insulation: Insulation, clearance: Required | None) -> float:
    """Width X: that of the pollution degree, or a third of the required clearance where the rules
    ask for it.

    Without a clearance row there is nothing to take a third of, and X stays as it is.
    """
    full = GROOVE_WIDTH[insulation.pollution_degree]
    if insulation.x_reduction and clearance is not None and clearance.value < REDUCED_BELOW:
        return min(full, clearance.value / 3)
    return full


def _places(bodies: Bodies, separation: Separation, layers: int) -> frozenset[str]:
    """Kinds of place where the sides can face each other, directly or by way of other copper."""
    first, second = separation.ends
    third = separation.crossed
    if not all(len(side) for side in separation.sides):
        return frozenset()
    layer = bodies.shapes.layer
    a, b, c = ({int(v) for v in np.unique(layer[rows])} for rows in (first, second, third))
    inner = set(range(1, layers - 1))
    found = {OUTER}
    if inner & ((a & b) | (a & c) | (b & c) | _shared(layer[third], separation.node[third])):
        found.add(INNER)
    if len(a | b | c) > 1:
        found.add(THROUGH)
    return frozenset(found)


def _shared(layer: Ints, node: Ints) -> set[int]:
    """Layers with copper of more than one conductor."""
    number, count = np.unique(distinct_rows(layer, node)[:, 0], return_counts=True)
    return set(number[count > 1].tolist())


def _query(insulation: Insulation, where: str) -> Query:
    return Query(
        where, insulation.insulation, insulation.pollution_degree, insulation.material_group
    )


def _looked_up(
    table: SpacingTable, insulation: Insulation, places: Iterable[str]
) -> Iterator[tuple[tuple[str, str], Required]]:
    """The distances that a table gives for the voltages that are stated."""
    working = insulation.working_voltage
    transient = insulation.clearance_voltage or working
    for where in places:
        query = _query(insulation, where)
        clearance = (
            table.required(CLEARANCE, query, transient, insulation.clearance_rule)
            if transient
            else None
        )
        creepage = (
            table.required(CREEPAGE, query, working, insulation.creepage_rule) if working else None
        )
        if clearance is not None:
            yield (CLEARANCE, where), clearance
        if creepage is not None:
            yield (CREEPAGE, where), raised(creepage, clearance)


def raised(creepage: Required, clearance: Required | None) -> Required:
    """Required creepage, not below the required clearance of the same place (IEC 60664-1: creepage
    never shorter).
    """
    if clearance is None or clearance.value <= creepage.value:
        return creepage
    rows = f"{creepage.rows}, raised to the clearance of {clearance.rows}"
    return Required(CREEPAGE, creepage.where, clearance.value, creepage.voltage, rows)


# ------------------------------------------------------------------------------------- what is open


def _open_questions(layout: Layout, bounds: Sequence[Bound]) -> Iterator[Doubt]:
    """What each barrier and spacing leaves open."""
    specs = dict(specs_of(layout.rules))
    for bound in bounds:
        spec, separation = specs[bound.separation.key], bound.separation
        yield from _empty_sides(layout, separation)
        if isinstance(spec, Barrier):
            yield from _named_but_floating(layout, spec.regions)
        if spec.insulation.asks:
            yield from _unstated(layout, separation.key, spec)
            yield from _without_rows(layout, bound)
            yield from _no_distance(layout, bound)
            yield from _held_from_neither(layout, separation)
        if (
            spec.insulation.asks
            and bound.table is None
            and spec.insulation.working_voltage is not None
        ):
            why = (
                "its clearance and creepage are not checked; name its table, or accept this with a"
                " reason"
            )
            yield Doubt(f"{bound.title} has no table", why, layout.rules.place(separation.key))


def _empty_sides(layout: Layout, separation: Separation) -> Iterator[Doubt]:
    why = (
        "nothing is held apart; nets of one pad belong to no side, so name others, or accept this"
        " with a reason"
    )
    for name, rows in zip(separation.names, separation.sides, strict=True):
        if not len(rows):
            place = layout.rules.place(f"{separation.key}.between")
            yield Doubt(f"no copper stands on the side {name}", why, place)


def _named_but_floating(layout: Layout, regions: Sequence[str]) -> Iterator[Doubt]:
    """Nets that a region lists by name though the data states them to be connected to nothing."""
    names = [net.name for net in layout.board.nets]
    for region in (r for r in layout.regions if r.name in regions):
        for pattern in dict.fromkeys(region.spec.nets):
            if pattern in names and layout.floating[names.index(pattern)]:
                what = (
                    f"net {pattern} of {region.name} is stated to be connected to nothing and"
                    " counts as floating"
                )
                why = (
                    "it is crossed at no cost and held apart from nothing; hold it by a [[spacing]]"
                    " of its own"
                )
                yield Doubt(what, why, layout.rules.place(f"region.{region.name}.nets"))


def _unstated(layout: Layout, key: str, spec: Barrier | Spacing) -> Iterator[Doubt]:
    """What a barrier must state, or else measures nothing or too little."""
    insulation, place = spec.insulation, layout.rules.place(key)
    if insulation.working_voltage is None and insulation.clearance_voltage is None:
        why = (
            "no distance can be asked for; state working_voltage and a table, or insulation ="
            ' "none" if it only splits'
        )
        yield Doubt(f"{key} states no voltage", why, place)
    elif insulation.table is not None and insulation.working_voltage is None:
        why = "no creepage is asked for; state the working voltage, V rms or d.c."
        yield Doubt(f"{key} states no working_voltage", why, place)
    if isinstance(spec, Barrier) and "insulation" in insulation.assumed:
        why = "it counts as functional; state none, functional, basic or reinforced"
        yield Doubt(f"{key} does not state its insulation", why, place)
    if insulation.insulation in PROTECTIVE and insulation.clearance_voltage is None:
        why = (
            "transients decide clearances; it is held to those of its working voltage until"
            " clearance_voltage is stated"
        )
        yield Doubt(f"{key} is {insulation.insulation} and has no clearance_voltage", why, place)


def _without_rows(layout: Layout, bound: Bound) -> Iterator[Doubt]:
    """Kinds of place on the board that the table has no rows for."""
    table, insulation = bound.table, bound.insulation
    voltages = {CLEARANCE: insulation.clearance_voltage or insulation.working_voltage}
    voltages[CREEPAGE] = insulation.working_voltage
    if table is None:
        return
    for where in sorted(bound.places):
        asked = [m for m in (CLEARANCE, CREEPAGE) if table.has(m) and voltages[m] is not None]
        missing = [m for m in asked if (m, where) not in bound.wanted]
        solid = where != OUTER and len(missing) < len(asked)
        for measure in [] if solid else missing:
            what = f"{table.path} has no {measure} rows for {_query(insulation, where)}"
            why = (
                f"nothing can be said of {measure} there; add rows with where = {where}, or accept"
                " this with a reason"
            )
            yield Doubt(what, why, layout.rules.place(f"{bound.separation.key}.table"))


def _no_distance(layout: Layout, bound: Bound) -> Iterator[Doubt]:
    """Distances of 0 that a table asks for at a voltage."""
    for (measure, where), required in bound.wanted.items():
        if required.value <= 0:
            what = f"{bound.title} is held to {measure} 0 mm at {required.voltage:g} V ({where})"
            why = f"a distance of 0 proves nothing; correct {required.rows}"
            yield Doubt(what, why, layout.rules.place(f"{bound.separation.key}.table"))


def _held_from_neither(layout: Layout, separation: Separation) -> Iterator[Doubt]:
    for third in separation.thirds:
        if not any(third.held):
            what = (
                f"nothing holds {third.name} apart from {separation.names[0]} or from"
                f" {separation.names[1]}"
            )
            why = (
                "it may be joined to either; put it on a side of between, or hold it by a barrier"
                " or [[spacing]]"
            )
            yield Doubt(what, why, layout.rules.place(f"{separation.key}.between"))


def _missing_data(board: Board, bounds: Sequence[Bound]) -> Iterator[Doubt]:
    """What measuring needs of the board and the data does not tell."""
    if board.outline is None:
        why = (
            "creepage and clearance over the board's edges cannot be measured; add the profile"
            " layer to the package"
        )
        yield Doubt("the board has no profile", why)
    if thickness_of(board) is None and len(board.layers) > 1:
        why = "paths over an edge or through the board cannot be measured; give [stackup] thickness"
        yield Doubt("the board's thickness is not known", why)
    through = any(THROUGH in bound.places and bound.solid(THROUGH) for bound in bounds)
    if through and depths_of(board) is None:
        why = (
            "distances between layers cannot be measured; give [stackup] dielectric, one number"
            " per gap"
        )
        yield Doubt("the thicknesses between the copper layers are not known", why)
