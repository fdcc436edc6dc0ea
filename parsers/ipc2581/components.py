"""Parts on the board with the pins, nets and places that netlist, pads and packages tell."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from parsers.assembly.diagnostics import Diagnostics, counted
from parsers.assembly.pins import PinPads, merged_nets, middle_of, pads_of_pins, places_of_pins
from parsers.board import BOTTOM, INNER, TOP, Component, Pin
from parsers.ipc2581 import placement
from parsers.ipc2581.columns import SAME_PLACE, Owners
from parsers.ipc2581.layers import LayerPlan
from parsers.ipc2581.nets import NetList
from parsers.ipc2581.raw import Document, RawPart, RawPin
from parsers.ipc2581.sketch import NOTHING, Longs
from parsers.primitives import UNKNOWN_NET, Bools, Conductors, Floats, Ints
from parsers.trouble import BoardError, Place

MAX_PINS = 2_000_000  # of all parts of a board
Spots = dict[tuple[int, int], tuple[float, float]]  # (component, pin) -> where a pad of it lies


def pad_spots(owners: Owners, places: Floats, keep: Bools) -> Spots:
    """Where a pad of each pin lies."""
    rows = np.flatnonzero(
        keep & (owners.component >= 0) & (owners.pin >= 0) & np.isfinite(places).all(axis=1)
    )
    keys = zip(owners.component[rows].tolist(), owners.pin[rows].tolist(), strict=True)
    return dict(zip(keys, map(tuple, places[rows].tolist()), strict=True))


def located_pins(
    document: Document,
    step: int,
    names: NetList,
    owners: Owners,
    pads: Bools,
    places: Floats,
    nets: Ints,
) -> Owners:
    """Pads that name no pin get the pin that the netlist lists and whose place, by part and
    package, they have.

    Whether parts on the bottom are mirrored by their Xform or by their layer alone differs between
    exporters: of both readings the one that meets more pads is taken, part by part.
    """
    said = pads & (owners.component >= 0) & (owners.pin >= 0)
    have = set(zip(owners.component[said].tolist(), owners.pin[said].tolist(), strict=True))
    free = np.flatnonzero(pads & (owners.pin < 0) & np.isfinite(places).all(axis=1))
    found = _expected(document, step, set(names.pins) - have)
    if not free.size or found is None:
        return owners
    wanted, readings = found
    tree = cKDTree(places[free])
    listed = np.array([names.pins[component, number] for _, component, number in wanted.tolist()])
    meets = [_meets(tree, reading, listed, nets[free]) for reading in readings]
    at = _better(wanted[:, 0], meets, readings)
    component, pin = owners.component.copy(), owners.pin.copy()
    met = tree.query_ball_point(at, SAME_PLACE)
    for (_, part, number), rows in zip(wanted.tolist(), met, strict=True):
        component[free[rows]], pin[free[rows]] = part, number
    return replace(owners, component=component, pin=pin)


def _better(part: Longs, meets: Sequence[Any], readings: Sequence[Floats]) -> Floats:
    """The places of the reading that meets more pads, part by part; the first one if both meet as
    many.
    """
    size = int(part.max()) + 1
    first, second = (np.bincount(part, hits, minlength=size) for hits in meets)
    return np.where((second > first)[part][:, None], readings[1], readings[0])


def _meets(tree: cKDTree, places: Floats, listed: Longs, nets: Ints) -> Bools:
    """Whether each pin meets a pad that may be its own: of its net, or of no stated one."""
    distance, pad = tree.query(places, distance_upper_bound=SAME_PLACE)
    found = np.isfinite(distance)
    net = nets[np.where(found, pad, 0)]
    result: Bools = found & ((net < 0) | (net == listed))
    return result


def _expected(
    document: Document, step: int, missing: set[tuple[int, int]]
) -> tuple[Longs, list[Floats]] | None:
    """Missing pins as rows (part, component, pin), and where they are by the given and by the other
    mirroring.
    """
    tables = document.tables
    found = [
        (row, tables.components[part.refdes], tables.pins[pin.number], part.place, pin.place)
        for row, part in enumerate(document.parts)
        if part.step == step
        for pin in document.packages.get((step, part.package), ())
    ]
    wanted = np.array([row for row in found if row[1:3] in missing])
    if not len(wanted):
        return None
    given, flipped = _both_readings(document)
    centre = given[wanted[:, 4], 4:6]
    return wanted[:, :3], [placement.move(by[wanted[:, 3]], centre) for by in (given, flipped)]


def _both_readings(document: Document) -> tuple[Floats, Floats]:
    """Maps of all places as they are given, and with every part mirrored the other way."""
    raw, parents = document.frames.places.floats, document.frames.places.ints[:, 0]
    over = raw.copy()
    over[:, 3] = 1.0 - over[:, 3]
    given, flipped = (
        placement.maps(some, parents, document.dictionaries.cad_unit) for some in (raw, over)
    )
    flipped[-1] = placement.IDENTITY * np.array([-1.0, 1, 1, 1, 1, 1])
    return given, flipped


def doubt_missing_pins(names: NetList, spots: Spots, doubts: Diagnostics) -> None:
    """A pin that a net lists and that no copper serves: its copper is missing, or drawn where it
    can't be known.
    """
    missing = [
        pin for pin in names.pins if pin not in spots and not names.nets[names.pins[pin]].single
    ]
    if missing:
        component, number = missing[0]
        first = f"{names.labels[0][component]}.{names.labels[1][number]}"
        what = counted("pins of the netlist without a pad", len(missing), "pins")
        doubts.add(what, f"{first} is the first")


def doubt_unknown_parts(document: Document, owners: Owners, doubts: Diagnostics) -> None:
    """Parts in nets that are not placed, and pads of parts that are neither: a name is misspelt."""
    if not document.parts:
        return
    names = list(map(str, document.tables.components.names()))
    placed, listed = (
        {part.refdes for part in document.parts},
        {names[part] for _, _, part, *_ in document.pin_nets},
    )
    lost = sorted(listed - placed)
    if lost:
        doubts.add(
            "parts of the nets that are not placed",
            f"{lost[0]} is the first; export it again",
            count=len(lost),
        )
    known = placed | listed
    unknown = np.array([name not in known for name in names] + [False])
    rows = np.flatnonzero(unknown[owners.component] & (owners.component >= 0))
    if rows.size:
        why = "the pin that they serve belongs to no part; export it again"
        doubts.add(
            "pads of parts that nothing else names",
            why,
            int(owners.line[rows[0]]),
            count=int(rows.size),
        )


def check_number_of_pins(document: Document, step: int) -> None:
    """Refuse boards whose parts have more pins together than any board has.

    Raises
    ------
    BoardError
    """
    sizes = {key: len(pins) for key, pins in document.packages.items()}
    if (
        sum(sizes.get((step, part.package), 0) for part in document.parts if part.step == step)
        > MAX_PINS
    ):
        raise BoardError(
            f"parts with more than {MAX_PINS} pins, export the board again",
            Place(document.doubts.file),
        )


def components_of(
    document: Document,
    plan: LayerPlan,
    step: int,
    names: NetList,
    spots: Spots,
    doubts: Diagnostics,
) -> tuple[Component, ...]:
    """Every part of the step, and parts that only netlist or pads name, in the order of the
    file.
    """
    pins_of: dict[int, set[int]] = defaultdict(set)
    for component, pin in (*names.pins, *spots):
        pins_of[component].add(pin)
    maps, refdes = _maps(document), names.labels[0]
    parts: dict[int, Component] = {}
    for part in (part for part in document.parts if part.step == step):
        component = document.tables.components[part.refdes]
        if component in parts:
            what = f"two components named {part.refdes}"
            doubts.add(what, "the first is taken; rename one", part.line)
        else:
            about = names, spots, pins_of[component]
            parts[component] = _placed_part(document, plan, part, maps, about)
    for component in sorted(set(pins_of) - set(parts)):
        pins = _pins(document, component, pins_of[component], {}, {}, (names, spots))
        at = middle_of([pin.at for pin in pins])
        parts[component] = Component(refdes[component], None, at, pins)
    return tuple(parts.values())


def as_their_pads(
    components: Sequence[Component],
    document: Document,
    copper: tuple[Conductors, Conductors],
    served: Sequence[PinPads],
) -> tuple[Component, ...]:
    """Parts whose pins have the nets and the places of their pads, once the copper is connected and
    named.

    Parameters
    ----------
    copper : before and after it is connected
    served : pads of pins after that; a pin that has lost its pads was another name of a pin that
        has them now
    """
    before, after = copper
    settled = merged_nets(before.net, after.net)
    places = map(tuple, places_of_pins(after, served).tolist())
    there = {(p.component, p.pin): (p.net, at) for p, at in zip(served, places, strict=True)}
    gone = {(pads.component, pads.pin) for pads in pads_of_pins(before)} - set(there)
    placed = {part.refdes for part in document.parts}
    tables = document.tables

    def on_its_pad(key: tuple[int, int], pin: Pin) -> Pin:
        net, at = there.get(key, (UNKNOWN_NET, pin.at))
        own = settled.get(pin.net, pin.net)
        return replace(pin, at=at, net=own if net == UNKNOWN_NET else net)

    out = []
    for part in components:
        keys = [(tables.components[part.refdes], tables.pins[pin.number]) for pin in part.pins]
        keyed = zip(keys, part.pins, strict=True)
        pins = tuple(on_its_pad(key, pin) for key, pin in keyed if key not in gone)
        at = part.at if part.refdes in placed else middle_of([pin.at for pin in pins])
        out.append(replace(part, pins=pins, at=at))
    return tuple(out)


def _maps(document: Document) -> Floats:
    places = document.frames.places
    return placement.maps(places.floats, places.ints[:, 0], document.dictionaries.cad_unit)


def _placed_part(
    document: Document,
    plan: LayerPlan,
    part: RawPart,
    maps: Floats,
    known: tuple[NetList, Spots, set[int]],
) -> Component:
    names, spots, known_pins = known
    component = document.tables.components[part.refdes]
    package = document.packages.get((part.step, part.package), [])
    raw = {document.tables.pins[pin.number]: pin for pin in package}
    own = maps[part.place] if part.place != NOTHING else placement.IDENTITY
    at = (float(own[4]), float(own[5]))
    places = {
        number: tuple(
            placement.move(
                own[None, :], maps[[pin.place], 4:6] if pin.place >= 0 else np.zeros((1, 2))
            )[0]
        )
        for number, pin in raw.items()
    }
    pins = _pins(document, component, known_pins | set(raw), raw, places, (names, spots))
    side = _side(document, plan, part.layer)
    return Component(part.refdes, side, at, pins, part.package)


def _pins(
    document: Document,
    component: int,
    wanted: set[int],
    raw: dict[int, RawPin],
    places: dict[int, tuple[float, ...]],
    known: tuple[NetList, Spots],
) -> tuple[Pin, ...]:
    names, spots = known
    labels = names.labels[1]
    out = []
    for number in sorted(wanted):
        spot = spots.get((component, number)) or places.get(number) or (0.0, 0.0)
        net = names.pins.get((component, number))
        if net is None:
            net = names.unconnected(component, number) if names.listed else UNKNOWN_NET
        name = raw[number].name if number in raw else ""
        out.append(Pin(labels[number], name, net, (float(spot[0]), float(spot[1]))))
    return tuple(out)


def _side(document: Document, plan: LayerPlan, layer: str) -> str | None:
    if layer in plan.copper:
        side = plan.layers[plan.copper[layer]].side
        return None if side == INNER else side
    raw = document.layers.get(layer)
    return {"TOP": TOP, "BOTTOM": BOTTOM}.get(raw.side) if raw else None
