"""Parts and their pins, from the attributes of pads and component layers, or from a netlist."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from parsers.assembly.diagnostics import clean
from parsers.assembly.image import Image
from parsers.assembly.pins import doubts_on_pins, middle_of, pads_of_pins, places_of_pins
from parsers.board import BOTTOM, TOP, Component, Pin
from parsers.netlist import ALL_LAYERS, SURFACE, VIA, Netlist
from parsers.package.names import Tables
from parsers.primitives import UNKNOWN_NET, Conductors, Floats, Rows
from parsers.trouble import Doubt

MAIN = "ComponentMain"


@dataclass(frozen=True, slots=True)
class Body:
    """What a component layer tells of a part."""

    refdes: str
    side: str | None
    at: tuple[float, float]


def bodies(image: Image, side: str | None) -> list[Body]:
    """Centroids and side of the parts of a component layer (2023.08, 6.9)."""
    objects = image.objects
    main = image.functions.index(MAIN) if MAIN in image.functions else -2
    rows = np.flatnonzero((objects.component >= 0) & (objects.function == main) & image.dark)
    return [
        Body(clean(image.components[c]), side, at)
        for c, at in zip(objects.component[rows], _middles(objects, rows), strict=True)
    ]


def parts_of(
    copper: Conductors, tables: Tables, told: Iterable[Body], netlist: Netlist | None, layers: int
) -> tuple[tuple[Component, ...], list[Doubt]]:
    """All parts, sorted by refdes, with pins in the order of their numbers."""
    pins, sides, doubts = _pins(copper, tables, layers)
    if netlist is not None:
        _add_netlist(netlist, tables, pins, sides, layers)
    body = {b.refdes: b for b in told}
    parts = tuple(
        _part(name, pins.get(name, {}), sides.get(name, set()), body.get(name))
        for name in sorted({*tables.refdes, *body, *pins})
    )
    return parts, doubts


Pins = dict[str, dict[str, Pin]]  # refdes -> pin number -> pin


def _part(refdes: str, pins: Mapping[str, Pin], sides: set[str], body: Body | None) -> Component:
    ordered = tuple(pins[number] for number in sorted(pins))
    side = body.side if body else (next(iter(sides)) if len(sides) == 1 else None)
    if body:
        return Component(refdes, side, body.at, ordered)
    return Component(refdes, side, middle_of([pin.at for pin in ordered]), ordered)


def _middles(copper: Conductors, rows: Rows) -> list[tuple[float, float]]:
    boxes: Floats = copper.take(rows).bounds()
    return [(float(x), float(y)) for x, y in (boxes[:, :2] + boxes[:, 2:]) / 2]


def _pins(
    copper: Conductors, tables: Tables, layers: int
) -> tuple[Pins, dict[str, set[str]], list[Doubt]]:
    """Pins by part, the outer faces that only part of its pads are on, doubts on pins of two
    nets.
    """
    refdes, numbers = tuple(tables.refdes), tuple(tables.pins)
    served = pads_of_pins(copper)
    pins: Pins = defaultdict(dict)
    sides: dict[str, set[str]] = defaultdict(set)
    for pads, (x, y) in zip(served, places_of_pins(copper, served).tolist(), strict=True):
        name, number = refdes[pads.component], numbers[pads.pin]
        pin_name = tables.pin_names.get((pads.component, pads.pin), "")
        pins[name][number] = Pin(number, pin_name, pads.net, (x, y))
        sides[name].update(_faces(copper, pads.rows, layers))
    return pins, sides, doubts_on_pins(served, refdes, numbers, tables.nets)


def _faces(copper: Conductors, group: Rows, layers: int) -> set[str]:
    """The face that the pads of a pin are on; none for a pin that goes through the board."""
    on = np.unique(copper.layer[group])
    if len(on) != 1:
        return set()
    return {TOP} if on[0] == 0 else ({BOTTOM} if on[0] == layers - 1 else set())


def _add_netlist(
    netlist: Netlist, tables: Tables, pins: Pins, sides: dict[str, set[str]], layers: int
) -> None:
    """Pins that only the netlist tells."""
    known = {net.name: i for i, net in enumerate(tables.nets)}
    faces = {1: TOP, layers: BOTTOM}
    for point, access in zip(netlist.points, netlist.access(layers).tolist(), strict=True):
        if not point.part or point.part == VIA or not point.pin:
            continue
        pin = Pin(point.pin, "", known.get(point.net, UNKNOWN_NET), (point.x, point.y))
        pins.setdefault(point.part, {}).setdefault(point.pin, pin)
        if point.kind == SURFACE and access != ALL_LAYERS:
            sides.setdefault(point.part, set()).update({faces[access]} if access in faces else ())
