"""A board in a few lines: what a sketch says is what the writers of both formats write.

A contour is a tuple of steps: `(x, y)` goes straight to a point, `(x, y, cx, cy, turn)` runs an arc
to it about `(cx, cy)`, counterclockwise where turn > 0. The first step is the start; a full circle
ends where it starts.
Units: mm, y up, seen from the top. Layers are "L1" (top) to "Ln".
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

XY = tuple[float, float]
Step = tuple[float, ...]
Contour = tuple[Step, ...]

ROUND, RECTANGLE, OVAL = "round", "rectangle", "oval"
NOT_CONNECTED = "N/C"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pour:
    """A copper area; its holes are without copper."""

    net: str | None  # "" = stated to belong to no net, None = not stated
    layer: str
    contour: Contour
    holes: tuple[Contour, ...] = ()
    function: str = "Conductor"


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """A trace with round ends; arcs are steps of its contour."""

    net: str | None
    layer: str
    width: float
    points: Contour
    function: str = "Conductor"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pad:
    """A flashed land; with `refdes` and `pin` it is a pin of a part."""

    net: str | None
    layer: str
    at: XY
    size: XY
    shape: str = ROUND  # ROUND takes size[0] as diameter | RECTANGLE | OVAL
    refdes: str | None = None
    pin: str | None = None
    pin_name: str = ""
    function: str = "SMDPad,CuDef"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A drilled hole, or with `to` a slot routed by a tool of that diameter (finished size)."""

    at: XY
    diameter: float
    to: XY | None = None
    plated: bool = True
    net: str | None = None
    span: tuple[str, str] | None = None  # None: through the board
    refdes: str | None = None
    pin: str | None = None
    function: str = "ViaDrill"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What is known of a part beside its pads."""

    refdes: str
    package: str = ""
    side: str = "top"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """A board. Copper is drawn pours first, then draws, then pads."""

    title: str = "sketch"
    layers: int = 2
    outline: Contour
    cutouts: tuple[Contour, ...] = ()
    pours: tuple[Pour, ...] = ()
    draws: tuple[Draw, ...] = ()
    pads: tuple[Pad, ...] = ()
    holes: tuple[Hole, ...] = ()
    parts: tuple[Part, ...] = ()
    thickness: float | None = 1.6
    dielectric: tuple[
        float, ...
    ] = ()  # between copper layers, top to bottom; empty: shared out evenly

    @property
    def gaps(self) -> tuple[float, ...]:
        """Dielectric thicknesses, top to bottom: as given, or shared out evenly; empty if nothing
        is known.
        """
        if self.dielectric or self.thickness is None or self.layers < 2:
            return self.dielectric
        each = (self.thickness - self.layers * COPPER) / (self.layers - 1)
        return (round(each, 6),) * (self.layers - 1)

    def nets(self) -> tuple[str, ...]:
        """Names of all nets, in alphabetical order; unconnected pins have none."""
        objects: tuple[Pour | Draw | Pad | Hole, ...] = (
            *self.pours,
            *self.draws,
            *self.pads,
            *self.holes,
        )
        return tuple(sorted({o.net for o in objects if o.net and o.net != NOT_CONNECTED}))

    def refdes(self) -> tuple[str, ...]:
        """Reference designators of all parts, in alphabetical order."""
        objects: tuple[Part | Pad | Hole, ...] = (*self.parts, *self.pads, *self.holes)
        return tuple(sorted({o.refdes for o in objects if o.refdes}))

    def with_(self, **more: tuple[object, ...]) -> Sketch:
        """Add objects to the named columns."""
        return replace(self, **{name: (*getattr(self, name), *new) for name, new in more.items()})  # type: ignore[arg-type]


COPPER = 0.035  # mm, thickness of each copper layer


def box(x0: float, y0: float, x1: float, y1: float) -> Contour:
    """A rectangle, counterclockwise from its lower left corner."""
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def circle(x: float, y: float, diameter: float) -> Contour:
    """A circle as a contour of one arc."""
    start = (x + diameter / 2, y)
    return (start, (*start, x, y, 1.0))


def via(
    net: str, at: XY, layers: int, *, drill: float = 0.3, land: float = 0.6
) -> tuple[tuple[Pad, ...], Hole]:
    """A through via: a land on every layer and the plated hole."""
    lands = tuple(
        Pad(net=net, layer=f"L{n}", at=at, size=(land, land), function="ViaPad")
        for n in range(1, layers + 1)
    )
    return lands, Hole(net=net, at=at, diameter=drill)


def legs(contour: Contour, *, closed: bool = False) -> Iterator[tuple[XY, Step]]:
    """The steps of a contour with their starting points; a closed one returns to its start."""
    steps = (
        [*contour, contour[0][:2]]
        if closed and contour[-1][:2] != contour[0][:2]
        else list(contour)
    )
    for before, step in pairwise(steps):
        yield (before[0], before[1]), step
