"""Who holds what: the lines of a report that say what each barrier and spacing was held to, findings or none."""

from __future__ import annotations

from collections.abc import Iterator

from checker.config.rules_file import Insulation, Rules
from checker.insulation.conductors import bodies_of
from checker.insulation.requirements import Bound, bind
from checker.insulation.separations import PROTECTIVE, Separation, Third, specs_of
from checker.layout.layout import Layout
from parsers.trouble import Doubt

SHOWN = 4  # earthed nets that are named


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
    return f"{insulation.insulation} insulation, pollution degree {insulation.pollution_degree}, X = {bound.x:g} mm"


def _standing(layout: Layout, separation: Separation) -> Iterator[str]:
    """Isolators, third regions and earthed copper, as far as there are any."""
    if separation.isolators:
        yield f"isolators {', '.join(separation.isolators)}"
    if separation.straddling:
        yield f"straddling {', '.join(separation.straddling)}"
    yield from (_place_of(separation, third) for third in separation.thirds)
    if len(separation.earthed):
        bodies = bodies_of(layout)[0]
        names = sorted({bodies.names[net] for net in bodies.shapes.net[separation.earthed].tolist()})
        more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
        yield f"earthed {', '.join(names[:SHOWN])}{more}, not crossed"


def _place_of(separation: Separation, third: Third) -> str:
    if third.side is not None:
        return f"{third.name} stands on the side {separation.names[third.side]}: nothing holds it apart from there"
    return f"{third.name} lies between, both partial distances count"


def _asked(bound: Bound) -> str:
    told = [f"{where} {measure} {one.value:g} mm ({one.rows})" for (measure, where), one in bound.wanted.items()]
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
        yield f"{key}: pollution degree not stated", f"{insulation.pollution_degree} assumed, X = {bound.x:g} mm"
    if "material_group" in left:
        yield f"{key}: material group not stated", f"{insulation.material_group} assumed"
    if insulation.clearance_voltage is None and insulation.working_voltage is not None:
        why = f"clearances are looked up for its working voltage, {insulation.working_voltage:g} V"
        yield f"{key} has no clearance_voltage", why
    if insulation.insulation in PROTECTIVE and bound.table is not None and "insulation" not in bound.table.columns:
        why = f"its distances are taken for {insulation.insulation} insulation as they stand"
        yield f"{key}: {bound.table.path} has no insulation column", why


def _tolerances(rules: Rules) -> Iterator[Doubt]:
    left = [name for name in ("etch", "registration", "routing") if name in rules.tolerance.assumed]
    if left:
        why = "0 mm assumed: distances are those of the files"
        yield Doubt(f"tolerances not stated: {', '.join(left)}", why, rules.place("tolerance"))
