"""Who holds what: the lines of a report that say what each barrier and spacing was held to,
findings or none.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

import numpy as np

from checker import wording
from checker.config.rules_file import Insulation, Rules
from checker.config.spacing_table import CLEARANCE, CREEPAGE, INNER, OUTER, THROUGH
from checker.findings import Finding
from checker.geometry.nearest import Judge, Judged, Nearest, closest_of
from checker.insulation.conductors import Bodies, bodies_of
from checker.insulation.requirements import Bound, bind
from checker.insulation.separations import PROTECTIVE, Separation, Third, specs_of
from checker.insulation.shortfalls import down
from checker.layout.layout import Layout
from parsers.primitives import Rows
from parsers.trouble import Doubt

SHOWN = 4  # earthed nets that are named
NEARBY = (0.7, 1.0)  # parts of that reach, looked through one after the other
FAR = 3.0  # times the required distance: farther apart nothing is looked for


def conditions(layout: Layout) -> Iterator[Doubt]:
    """Of each separation: the sides, what lies between, and the distances asked for, as remarks."""
    for bound in bind(layout).bounds:
        separation = bound.separation
        what = f"{bound.title}: {_kind(bound)}"
        why = "; ".join((*_standing(layout, separation), _asked(bound)))
        yield Doubt(what, why, layout.rules.place(separation.key))


def _kind(bound: Bound) -> str:
    insulation = bound.insulation
    if not insulation.asks:
        return "split only, no insulation is asked for"
    return (
        f"{insulation.insulation} insulation, pollution degree {insulation.pollution_degree}, X ="
        f" {bound.x:g} mm"
    )


def _standing(layout: Layout, separation: Separation) -> Iterator[str]:
    """Isolators, third regions and earthed copper, as far as there are any."""
    if separation.isolators:
        yield f"isolators {', '.join(separation.isolators)}"
    if separation.straddling:
        yield f"straddling {', '.join(separation.straddling)}"
    yield from (_place_of(separation, third) for third in separation.thirds)
    if len(separation.earthed):
        bodies = bodies_of(layout)[0]
        names = sorted(
            {bodies.names[net] for net in bodies.shapes.net[separation.earthed].tolist()}
        )
        more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
        yield f"earthed {', '.join(names[:SHOWN])}{more}, not crossed"


def _place_of(separation: Separation, third: Third) -> str:
    if third.side is not None:
        return (
            f"{third.name} stands on the side {separation.names[third.side]}: nothing holds it"
            " apart from there"
        )
    return f"{third.name} between the sides, both partial distances count"


def _asked(bound: Bound) -> str:
    told = [
        f"{where} {measure} {one.value:g} mm ({one.rows})"
        for (measure, where), one in bound.wanted.items()
    ]
    return f"held to {', '.join(told)}" if told else "held to no distance"


def assumed(layout: Layout) -> Iterator[Doubt]:
    """Defaults that decide over distances and were not stated, as remarks."""
    measured = {bound.separation.key: bound for bound in bind(layout).measured}
    for key, spec in specs_of(layout.rules):
        if key in measured:
            for what, why in _defaults(key, spec.insulation, measured[key]):
                yield Doubt(what, why, layout.rules.place(key))
    if measured:
        yield from _tolerances(layout.rules)


def _defaults(key: str, insulation: Insulation, bound: Bound) -> Iterator[tuple[str, str]]:
    left = insulation.assumed
    if "insulation" in left:
        yield f"{key}: insulation not stated", f"{insulation.insulation} assumed"
    if "pollution_degree" in left:
        yield (
            f"{key}: pollution degree not stated",
            f"{insulation.pollution_degree} assumed, X = {bound.x:g} mm",
        )
    if "material_group" in left:
        yield f"{key}: material group not stated", f"{insulation.material_group} assumed"
    if insulation.clearance_voltage is None and insulation.working_voltage is not None:
        why = f"clearances are looked up for its working voltage, {insulation.working_voltage:g} V"
        yield f"{key} has no clearance_voltage", why
    if (
        insulation.insulation in PROTECTIVE
        and bound.table is not None
        and "insulation" not in bound.table.columns
    ):
        why = f"its distances are taken for {insulation.insulation} insulation as they stand"
        yield f"{key}: {bound.table.path} has no insulation column", why


def _tolerances(rules: Rules) -> Iterator[Doubt]:
    left = [name for name in ("etch", "registration", "routing") if name in rules.tolerance.assumed]
    if left:
        why = "0 mm assumed: distances are those of the files"
        yield Doubt(f"tolerances not stated: {', '.join(left)}", why, rules.place("tolerance"))


# ---------------------------------------------------------------------------------- narrowest found


def narrowest(layout: Layout, findings: Iterable[Finding], ran: Collection[str]) -> Iterator[Doubt]:
    """The narrowest distance of each separation, as remarks, also where nothing falls short.

    Parameters
    ----------
    findings : of all rules
    ran : rules that ran
    """
    told = list(findings)
    measured = [bound for bound in bind(layout).measured if bound.has_copper]
    for number, bound in enumerate(measured):
        own = [f for f in told if f.detail.get("between") == bound.title and f.measured is not None]
        lines = [
            _worst([f for f in own if f.rule == rule], rule)
            for rule in (CLEARANCE, CREEPAGE)
            if rule in ran
        ]
        if any(rule in ran for rule in (CLEARANCE, CREEPAGE)):
            lines.append(_straight(layout, layout.once(nearest_of_sides)[number]))
        if lines:
            yield Doubt(
                f"{bound.title}: narrowest found",
                "; ".join(lines),
                layout.rules.place(bound.separation.key),
            )


def _worst(findings: list[Finding], rule: str) -> str:
    """The shortest of a rule's findings on a separation."""
    if not findings:
        return f"no {rule} falls short"
    worst = min(findings, key=lambda f: ((f.measured or 0.0) / (f.required or 1.0), f.at))
    return (
        f"{rule} {down(worst.measured or 0.0)} mm of {wording.length(worst.required or 0.0)},"
        f" {' to '.join(worst.nets)}"
    )


def nearest_of_sides(layout: Layout) -> tuple[Nearest, ...]:
    """The closest pairs of both sides of each separation that has copper, by kind of place: kept on
    the layout by who asks, since large boards have them worked out beside the rules.
    """
    measured = (bound for bound in bind(layout).measured if bound.has_copper)
    return tuple(_nearest(layout, bound) for bound in measured)


def _straight(layout: Layout, near: Nearest) -> str:
    """The narrowest straight distances of both sides, by kind of place."""
    bodies = bodies_of(layout)[0]
    places = (OUTER, INNER, THROUGH)
    told = [
        f"{places[key]} {down(length)} mm ({bodies.net_name(one)} to {bodies.net_name(other)})"
        for key, length, one, other in zip(
            near.key.tolist(),
            near.length.tolist(),
            near.first.tolist(),
            near.second.tolist(),
            strict=True,
        )
    ]
    return (
        f"straight between the sides: {', '.join(told)}"
        if told
        else "the sides lie farther apart than looked for"
    )


def _nearest(layout: Layout, bound: Bound) -> Nearest:
    """The closest pair of both sides on faces, on inner layers and between layers.

    Looked for nearby first: what lies within a part of the reach is the closest whatever the rest
    of the reach holds.
    """
    bodies, layers = bodies_of(layout)[0], len(layout.board.layers)
    reach = FAR * max((one.value for one in bound.wanted.values()), default=0.0)
    first, second = bound.separation.sides
    places = min(layers, 3)  # kinds of place that there can be
    for part in NEARBY:
        limit = reach * part
        near = closest_of(bodies.shapes, first, second, limit, _by_place(layout, bodies, limit))
        if len(near) == places:
            break
    return near


def _by_place(layout: Layout, bodies: Bodies, limit: float) -> Judge:
    """Pairs of conductors by kind of place: 0 on a face, 1 on an inner layer, 2 between layers."""
    layer, last = bodies.shapes.layer, len(layout.board.layers) - 1
    depths = bind(layout).depths
    known = depths is not None
    depth = np.array(depths if depths is not None else [0.0] * (last + 1))

    def judge(one: Rows, other: Rows) -> Judged:
        here, there = layer[one], layer[other]
        face = (here == 0) | (here == last)
        place = np.where(here != there, 2, np.where(face, 0, 1))
        out = (bodies.node[one] == bodies.node[other]) | ((here != there) & ~np.bool_(known))
        return Judged(
            place.astype(np.int64), np.abs(depth[here] - depth[there]), np.where(out, -1.0, limit)
        )

    return judge
