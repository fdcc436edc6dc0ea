"""Parts on the board with the pins, nets and places that netlist, pads and packages tell."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from parsers.board import BOTTOM, INNER, TOP, Component, Pin
from parsers.ipc2581 import placement
from parsers.ipc2581.columns import Owners
from parsers.ipc2581.document import Document, RawPart, RawPin
from parsers.ipc2581.doubting import Doubts
from parsers.ipc2581.layers import LayerPlan
from parsers.ipc2581.nets import NetList
from parsers.ipc2581.sketch import NOTHING, PLACE
from parsers.primitives import UNKNOWN_NET, Bools, Floats

Spots = dict[tuple[int, int], tuple[float, float]]  # (component, pin) -> where its pad lies


def pad_spots(owners: Owners, places: Floats, keep: Bools) -> Spots:
    """Where the pad of each pin lies; the middle of its pads if there are several."""
    found: dict[tuple[int, int], list[tuple[float, float]]] = defaultdict(list)
    rows = np.flatnonzero(keep & (owners.component >= 0) & (owners.pin >= 0) & np.isfinite(places).all(axis=1))
    for row in rows:
        found[int(owners.component[row]), int(owners.pin[row])].append((float(places[row, 0]), float(places[row, 1])))
    return {key: (float(np.mean([p[0] for p in at])), float(np.mean([p[1] for p in at]))) for key, at in found.items()}


def components_of(
    document: Document, plan: LayerPlan, step: int, names: NetList, spots: Spots, doubts: Doubts
) -> tuple[Component, ...]:
    """Every part of the step, and parts that only netlist or pads name, in the order of the file."""
    pins_of: dict[int, set[int]] = defaultdict(set)
    for component, pin in (*names.pins, *spots):
        pins_of[component].add(pin)
    maps = _maps(document)
    out: list[Component] = []
    seen: set[int] = set()
    for part in document.parts:
        if part.step != step:
            continue
        component = document.tables.components[part.refdes]
        if component in seen:
            doubts.add(f"two components named {part.refdes}", "the first is taken; rename one", part.line)
            continue
        seen.add(component)
        out.append(_placed_part(document, plan, part, maps, (names, spots, pins_of[component])))
    numbers = {number: str(name) for name, number in document.tables.components.items()}
    for component in sorted(set(pins_of) - seen):
        pins = _pins(document, component, pins_of[component], {}, {}, (names, spots))
        at = _middle([pin.at for pin in pins])
        out.append(Component(numbers[component], None, at, pins))
    return tuple(out)


def _maps(document: Document) -> Floats:
    frames = document.frames
    raw = np.asarray(frames.places).reshape(-1, PLACE)
    return placement.maps(raw, np.asarray(frames.parents), document.dictionaries.cad_unit)


def _placed_part(
    document: Document,
    plan: LayerPlan,
    part: RawPart,
    maps: Floats,
    known: tuple[NetList, Spots, set[int]],
) -> Component:
    names, spots, numbers = known
    component = document.tables.components[part.refdes]
    package = document.packages.get((part.step, part.package), [])
    raw = {document.tables.pins[pin.number]: pin for pin in package}
    own = maps[part.place] if part.place != NOTHING else placement.IDENTITY
    at = (float(own[4]), float(own[5]))
    places = {
        number: tuple(placement.move(own[None, :], maps[[pin.place], 4:6] if pin.place >= 0 else np.zeros((1, 2)))[0])
        for number, pin in raw.items()
    }
    pins = _pins(document, component, numbers | set(raw), raw, places, (names, spots))
    side = _side(document, plan, part.layer)
    return Component(part.refdes, side, at, pins, part.package)


def _pins(
    document: Document,
    component: int,
    numbers: set[int],
    raw: dict[int, RawPin],
    places: dict[int, tuple[float, ...]],
    known: tuple[NetList, Spots],
) -> tuple[Pin, ...]:
    names, spots = known
    labels = list(document.tables.pins)
    out = []
    for number in sorted(numbers):
        spot = spots.get((component, number)) or places.get(number) or (0.0, 0.0)
        net = names.pins.get((component, number))
        if net is None:
            net = names.unconnected(component, number) if names.listed else UNKNOWN_NET
        name = raw[number].name if number in raw else ""
        out.append(Pin(str(labels[number]), name, net, (float(spot[0]), float(spot[1]))))
    return tuple(out)


def _side(document: Document, plan: LayerPlan, layer: str) -> str | None:
    if layer in plan.copper:
        side = plan.layers[plan.copper[layer]].side
        return None if side == INNER else side
    raw = document.layers.get(layer)
    return {"TOP": TOP, "BOTTOM": BOTTOM}.get(raw.side) if raw else None


def _middle(points: list[tuple[float, float]]) -> tuple[float, float]:
    if not points:
        return 0.0, 0.0
    return float(np.mean([p[0] for p in points])), float(np.mean([p[1] for p in points]))
