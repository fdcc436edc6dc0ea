"""Layers and stackup: which layers are copper, their order, what lies between them, what a drill
span reaches.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from parsers.assembly.diagnostics import Diagnostics
from parsers.assembly.thicknesses import in_series
from parsers.board import BOTTOM, INNER, TOP, Layer, Stackup
from parsers.ipc2581.stream import words

COPPER = frozenset({"CONDUCTOR", "SIGNAL", "PLANE", "MIXED"})
DRILLED = frozenset({"DRILL"})
ROUTED = frozenset({"ROUT", "ROUTE"})
EDGE_LINES = frozenset({"BOARD_OUTLINE"})
PLATED_EDGES = frozenset({"EDGE_PLATING"})
CUT_IN_PART = frozenset({"V_CUT", "EDGE_CHAMFER"})
NO_COPPER = words(
    "DIELBASE DIELCORE DIELPREG DIELADHV DIELBONDPLY DIELCOVERLAY SOLDERMASK PASTEMASK SOLDERPASTE"
    " SILKSCREEN LEGEND COURTYARD ASSEMBLY DOCUMENT GRAPHIC BOARDFAB FIXTURE PROBE PIN LANDPATTERN"
    " COMPONENT COMPONENT_TOP COMPONENT_BOTTOM GLUE COATINGNONCOND STACKUP_COMPOSITE REWORK"
    " STIFFENER THIEVING_KEEP_INOUT"
)
PERHAPS_COPPER = (
    "it may conduct, or carry copper that no other layer shows; declare it as copper or leave"
    " it out"
)
MAX_GROUPS = 200  # in groups of one stackup
# by how much dielectrics may exceed the stated whole thickness before it is contradictory
SLACK = 1.05


@dataclass(frozen=True, slots=True)
class RawLayer:
    """A Layer element."""

    name: str
    function: str
    side: str
    negative: bool
    span: tuple[str | None, str | None] | None
    line: int
    specs: tuple[str, ...] = ()
    polarity_said: bool = True


@dataclass(frozen=True, slots=True)
class RawStackLayer:
    """A StackupLayer element, lengths in mm."""

    ref: str
    thickness: float | None
    sequence: float | None
    specs: tuple[str, ...]


@dataclass(slots=True)
class RawStackup:
    """A Stackup element, lengths in the unit of the CAD data."""

    name: str
    thickness: float | None
    line: int
    groups: list[tuple[str, list[RawStackLayer]]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class LayerPlan:
    """The board's copper layers and how other layers refer to them."""

    layers: tuple[Layer, ...]
    copper: Mapping[str, int]  # layer name -> place from the top
    negative: tuple[bool, ...]
    stackup: Stackup
    # stackup layer or group -> copper layers that it spans (first, last)
    places: Mapping[str, tuple[int, int]]

    def reach(self, name: str | None, *, end: bool) -> int | None:
        """The copper layer at which a span that names this layer starts or ends; None for unknown
        names.
        """
        if name is None:
            return len(self.layers) - 1 if end else 0
        if name in self.copper:
            return self.copper[name]
        place = self.places.get(name)
        return None if place is None else max(0, min(place[end], len(self.layers) - 1))


def plan_layers(
    layers: Sequence[RawLayer],
    stackup: RawStackup | None,
    permittivity: Mapping[str, float],
    unit: float,
    doubts: Diagnostics,
) -> LayerPlan:
    """Order the copper layers: by the stackup, else by side and the order of Layer elements."""
    copper = {layer.name: layer for layer in layers if layer.function in COPPER}
    own = {layer.name: layer.specs for layer in layers}
    stack = (
        [replace(row, specs=row.specs + own.get(row.ref, ())) for row in _flat(stackup, doubts)]
        if stackup
        else []
    )
    order = _ordered(list(copper.values()), [row.ref for row in stack], doubts)
    index = {name: i for i, name in enumerate(order)}
    last = len(order) - 1
    made = tuple(
        Layer(f"L{i + 1}", name, _side(i, last, copper[name].side == "BOTTOM"))
        for i, name in enumerate(order)
    )
    return LayerPlan(
        layers=made,
        copper=index,
        negative=tuple(copper[name].negative for name in order),
        stackup=_thicknesses(stackup, stack, order, permittivity, unit, doubts),
        places=_places(stackup, stack, index),
    )


def _side(i: int, last: int, bottom: bool) -> str:
    if last == 0:
        return BOTTOM if bottom else TOP
    return TOP if i == 0 else BOTTOM if i == last else INNER


def _flat(stackup: RawStackup, doubts: Diagnostics) -> list[RawStackLayer]:
    """Stackup layers from top to bottom; a reference to a group stands for the layers of the
    group.
    """
    groups = dict(stackup.groups)
    inner = {row.ref for _, rows in stackup.groups for row in rows if row.ref in groups}
    out: list[RawStackLayer] = []
    used: set[str] = set()

    def add(rows: list[RawStackLayer]) -> None:
        if (
            rows
            and all(row.sequence is not None for row in rows)
            and len({row.sequence for row in rows}) == len(rows)
        ):
            rows = sorted(rows, key=lambda row: row.sequence or 0.0)
        for row in rows:
            if row.ref not in groups:
                out.append(row)
            elif row.ref in used or len(used) > MAX_GROUPS:
                doubts.add(
                    "a stackup group in two places",
                    "the order of layers is not known",
                    stackup.line,
                )
            else:
                used.add(row.ref)
                add(groups[row.ref])

    add([row for name, rows in stackup.groups if name not in inner for row in rows])
    return out


def _ordered(copper: list[RawLayer], stack: list[str], doubts: Diagnostics) -> list[str]:
    names = [layer.name for layer in copper]
    listed = [name for name in dict.fromkeys(stack) if name in names]
    if set(listed) == set(names):
        order = listed
    else:
        order = [layer.name for layer in sorted(copper, key=_rank)]
        for layer in copper:
            if listed and layer.name not in listed:
                doubts.add(
                    f"copper layer {layer.name} is not in the stackup",
                    "layers are ordered by side instead",
                    layer.line,
                )
    return _checked_sides(order, {layer.name: layer for layer in copper}, doubts)


def _rank(layer: RawLayer) -> int:
    return {"TOP": 0, "BOTTOM": 2}.get(layer.side, 1)


def _checked_sides(
    order: list[str], copper: Mapping[str, RawLayer], doubts: Diagnostics
) -> list[str]:
    """The order, turned over if it runs from the bottom up; a doubt if sides and order disagree."""
    ranks = [_rank(copper[name]) for name in order]
    if len(order) > 1 and ranks[0] == 2 and ranks[-1] == 0:
        doubts.add(
            "a stackup that runs from bottom to top",
            "layers are taken in reverse order",
            copper[order[0]].line,
        )
        order, ranks = order[::-1], ranks[::-1]
    inner = ranks[1:-1]
    if len(order) > 1 and (ranks[0] == 2 or ranks[-1] == 0 or 0 in inner or 2 in inner):
        doubts.add(
            "sides of copper layers contradict their order",
            f"taken from the top: {', '.join(order)}; mend the sides or the stackup",
            copper[order[0]].line,
        )
    return order


def _thicknesses(
    stackup: RawStackup | None,
    stack: list[RawStackLayer],
    order: list[str],
    permittivity: Mapping[str, float],
    unit: float,
    doubts: Diagnostics,
) -> Stackup:
    """Thicknesses that the stackup tells, in mm."""
    between = _between(stack, order)
    gaps = tuple(sum(row.thickness or 0.0 for row in rows) * unit for rows in between)
    known = len(order) > 1 and len(gaps) == len(order) - 1 and all(gap > 0 for gap in gaps)
    whole = stackup.thickness * unit if stackup and stackup.thickness else None
    if whole is None and known and stack:
        whole = sum(row.thickness or 0.0 for row in stack) * unit
    if whole is not None and known and sum(gaps) > whole * SLACK:
        why = f"{sum(gaps):.3f} mm against {whole:.3f} mm; mend the stackup"
        line = stackup.line if stackup else None
        doubts.add("dielectrics thicker than the whole board", why, line)
    own = {row.ref: row.thickness * unit for row in stack if row.thickness}
    return Stackup(
        thickness=whole,
        dielectric=gaps if known else (),
        permittivity=tuple(_mixed(rows, permittivity) for rows in between),
        copper=tuple(own.get(name) for name in order) if own.keys() & set(order) else (),
    )


def _between(stack: list[RawStackLayer], order: list[str]) -> list[list[RawStackLayer]]:
    """Stackup layers between one copper layer and the next."""
    out: list[list[RawStackLayer]] = []
    seen = 0
    current: list[RawStackLayer] | None = None
    rows = stack if [row.ref for row in stack if row.ref in order] == order else stack[::-1]
    for row in rows:
        if row.ref in order:
            if current is not None:
                out.append(current)
            current = []
            seen += 1
        elif current is not None:
            current.append(row)
    return out if seen == len(order) else []


def _mixed(rows: list[RawStackLayer], permittivity: Mapping[str, float]) -> float | None:
    """Dielectric constant of the layers of a gap together; those of no thickness do not count."""
    thick = [row for row in rows if row.thickness]
    found = [
        [permittivity[spec] for spec in row.specs if permittivity.get(spec, 0.0) > 0]
        for row in thick
    ]
    return in_series(
        [row.thickness for row in thick], [values[0] if values else None for values in found]
    )


def _places(
    stackup: RawStackup | None, stack: list[RawStackLayer], copper: Mapping[str, int]
) -> dict[str, tuple[int, int]]:
    """For every stackup layer and group: the copper layers at which a span that names it starts and
    ends.
    """
    places: dict[str, tuple[int, int]] = {}
    above = -1
    rows = stack
    if copper and [row.ref for row in stack if row.ref in copper] != sorted(
        copper, key=lambda name: copper[name]
    ):
        rows = stack[::-1]
    for row in rows:
        if row.ref in copper:
            above = copper[row.ref]
        else:
            places[row.ref] = (above + 1, max(above, 0))
    if stackup:
        for name, members in stackup.groups:
            inside = [copper[row.ref] for row in members if row.ref in copper]
            if inside:
                places.setdefault(name, (min(inside), max(inside)))
        places.setdefault(stackup.name, (0, max(len(copper) - 1, 0)))
    return places
