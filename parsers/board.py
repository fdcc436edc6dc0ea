"""The board as read: layers, copper, holes, outline, parts and nets. Frozen after reading; knows
nothing of rules.

Units: mm, in the files' own coordinate system, y up, everything seen from the top.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from parsers.columns import Columns
from parsers.primitives import (
    UNKNOWN_NET,
    Bools,
    Conductors,
    Floats,
    Ints,
    Rows,
    Shapes,
    conductors,
    filled,
    stadiums,
)
from parsers.trouble import Doubt

TOP, INNER, BOTTOM = "top", "inner", "bottom"
UNPLATED, PLATED, PLATING_UNKNOWN = 0, 1, -1


@dataclass(frozen=True, slots=True)
class NamedPlace:
    """A place on copper that the rules file names (`[net.NAME] at`), in mm."""

    net: str
    at: tuple[float, float]
    layer: str  # "L1"


@dataclass(frozen=True, slots=True)
class Hints:
    """What the rules file says about the files, only where the data does not.

    Keys `[files]`, `[net]`, `[outline]`, `[stackup]` and `step`; lengths in mm.
    """

    files: Mapping[str, str] = field(default_factory=dict)  # file name -> layer id or function
    thickness: float | None = None
    dielectric: tuple[float, ...] = ()
    step: str | None = None  # which step of a panel is the board
    copper: tuple[float, ...] = ()  # thickness of each copper layer
    plating: float | None = None
    permittivity: float | None = None
    nets: tuple[NamedPlace, ...] = ()
    outline: tuple[tuple[float, float], ...] = ()  # corners of the board


@dataclass(frozen=True, slots=True)
class BoardFile:
    """A file of the package: what it is taken for, or that it is not needed."""

    path: str
    sha256: str
    layer: str | None  # "L1" for copper
    function: str  # copper | drill | profile | netlist | component | job | not needed | ...


@dataclass(frozen=True, slots=True)
class Layer:
    """A copper layer; its index in Board.layers is its place from the top."""

    id: str  # "L1"
    name: str  # the file's own name
    side: str  # TOP | INNER | BOTTOM


@dataclass(frozen=True, slots=True)
class Stackup:
    """Thicknesses in mm; None or empty where neither data nor rules tell them."""

    thickness: float | None = None  # of the whole board
    dielectric: tuple[
        float, ...
    ] = ()  # between copper layers, top to bottom; len(layers) - 1 or empty
    permittivity: tuple[
        float | None, ...
    ] = ()  # between the same copper layers; len(layers) - 1 or empty
    copper: tuple[float | None, ...] = ()  # of each copper layer; len(layers) or empty
    plating: float | None = None  # of the walls of plated holes


@dataclass(frozen=True, slots=True)
class Net:
    """A net; a `single` one is a pad stated to be connected to nothing (N/C), each a net of its
    own.
    """

    name: str
    single: bool = False


@dataclass(frozen=True, slots=True)
class Pin:
    """A pin of a part as the data tells it."""

    number: str
    name: str  # pin function, may be empty
    net: int  # index into Board.nets, or NO_NET, or UNKNOWN_NET
    at: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Component:
    """A part on the board."""

    refdes: str
    side: str | None  # TOP | BOTTOM
    at: tuple[float, float]  # centroid of the part, or of its pins
    pins: tuple[Pin, ...]
    package: str = ""


@dataclass(frozen=True, slots=True)
class Holes(Columns):
    """Drilled holes and routed slots, columns of length n: each a stroke of the tool (a round hole
    has equal ends).
    """

    ends: Floats  # (n, 4) x0, y0, x1, y1
    radius: Floats  # finished
    plated: npt.NDArray[np.int8]  # PLATED, UNPLATED, PLATING_UNKNOWN
    first: Ints  # uppermost copper layer reached, index
    last: Ints  # lowest copper layer reached, index
    net: Ints  # index into Board.nets, or NO_NET, or UNKNOWN_NET
    component: Ints
    pin: Ints
    function: Ints
    file: Ints
    line: Ints

    def __len__(self) -> int:
        return len(self.radius)

    def shapes(self) -> Shapes:
        """Openings as Polygons, circumscribed (see primitives), shape (n,)."""
        return stadiums(self.ends, self.radius)

    def bounds(self) -> Floats:
        """Bounding boxes x0, y0, x1, y1 of the openings, shape (n, 4)."""
        low = np.minimum(self.ends[:, :2], self.ends[:, 2:]) - self.radius[:, None]
        high = np.maximum(self.ends[:, :2], self.ends[:, 2:]) + self.radius[:, None]
        return np.hstack((low, high))

    def middles(self, rows: Rows) -> Floats:
        """Middles of some holes and slots, shape (rows, 2)."""
        middle: Floats = self.ends[rows].reshape(-1, 2, 2).mean(axis=1)
        return middle

    @property
    def through(self) -> Bools:
        """Mask of holes that start at the top layer; with `last` it tells through holes from blind
        ones.
        """
        mask: Bools = self.first == 0
        return mask


def holes(n: int = 0, **columns: object) -> Holes:
    """Make a table of n holes from some columns; the others get their neutral value."""
    return Holes(**filled(n, NEUTRAL, columns, ends=4))


NEUTRAL: Mapping[str, tuple[Any, Any]] = {
    "radius": (0.0, np.float64),
    "plated": (PLATING_UNKNOWN, np.int8),
    "first": (0, np.int32),
    "last": (0, np.int32),
    "net": (UNKNOWN_NET, np.int32),
    "component": (-1, np.int32),
    "pin": (-1, np.int32),
    "function": (-1, np.int32),
    "file": (0, np.int32),
    "line": (0, np.int32),
}


@dataclass(frozen=True, slots=True)
class Outline:
    """Where there is board material: outer contour less cutouts (drilled and routed holes are not
    cut out here).
    """

    shape: shapely.Geometry  # Polygon or MultiPolygon
    plated: shapely.Geometry | None = None  # the parts of its boundary that are stated to be plated


@dataclass(frozen=True, slots=True)
class Contact:
    """Copper of two nets that touches, on one layer or through a plated hole, or that an etched
    part joins.
    """

    nets: tuple[int, int]  # ascending indices into Board.nets
    at: tuple[float, float]
    layer: int | None
    rows: tuple[int, int]  # the conductors that touch, ordered as `nets`
    part: int = -1  # the part whose own etched copper joins them, index into Board.refdes; -1: none


@dataclass(frozen=True, slots=True)
class Connectivity:
    """Which copper is connected: see parsers.connectivity."""

    island: Ints  # per conductor: connected copper on its layer (same net or unknown)
    piece: Ints  # per conductor: the same through plated holes, over all layers
    # per hole: the piece that its wall belongs to, -1 for unplated holes or holes without copper
    hole_piece: Ints
    contacts: tuple[Contact, ...] = ()


@dataclass(frozen=True, slots=True)
class Board:
    """Everything the checker may know of a board."""

    path: str
    format: str  # "gerber" | "ipc-2581"
    title: str
    files: tuple[BoardFile, ...]
    layers: tuple[Layer, ...]
    stackup: Stackup
    nets: tuple[Net, ...]
    refdes: tuple[str, ...]
    pins: tuple[str, ...]  # pin numbers
    # of copper objects and holes, as the format spells them ("ViaPad", "Conductor", ...)
    functions: tuple[str, ...]
    copper: Conductors
    holes: Holes
    outline: Outline | None
    components: tuple[Component, ...]
    connectivity: Connectivity
    doubts: tuple[Doubt, ...] = ()
    remarks: tuple[Doubt, ...] = ()  # told, but no reason for `incomplete`

    def net_name(self, net: int) -> str:
        """Name of a net index, also of the negative ones."""
        return self.nets[net].name if net >= 0 else ("no net" if net == -1 else "unknown net")


def empty_board(path: str = "", layers: int = 2) -> Board:
    """A board without copper, for tests and as a base for `dataclasses.replace`."""
    sides = [TOP] + [INNER] * (layers - 2) + ([BOTTOM] if layers > 1 else [])
    none = np.empty(0, dtype=np.int32)
    return Board(
        path=path,
        format="gerber",
        title="",
        files=(),
        layers=tuple(Layer(f"L{i}", f"L{i}", side) for i, side in enumerate(sides, 1)),
        stackup=Stackup(),
        nets=(),
        refdes=(),
        pins=(),
        functions=(),
        copper=conductors(),
        holes=holes(),
        outline=None,
        components=(),
        connectivity=Connectivity(none, none, none),
    )
