"""The raw tables of a file: what its elements say, nothing interpreted yet."""

from __future__ import annotations

from dataclasses import dataclass, field

from parsers.assembly.diagnostics import Diagnostics
from parsers.ipc2581.dictionaries import Dictionaries, Entry
from parsers.ipc2581.layers import RawLayer, RawStackup
from parsers.ipc2581.sketch import Index, Sketch, Table, Tables

# where a Set comes from: LayerFeature, or design data that repeats it
FROM_FEATURES, FROM_PADSTACKS = (0, 1)
ABSENT, EMPTY = -1, -2  # net of a Set: no attribute, empty attribute


@dataclass(slots=True)
class RawStep:
    """What a Step element holds besides its copper."""

    name: str
    kind: str = ""
    line: int = 0
    stackup: str | None = None
    profile: Entry | None = None
    repeats: list[tuple[str, int]] = field(default_factory=list)  # step repeated, line
    zones: int = 0
    complete: bool = False


@dataclass(frozen=True, slots=True)
class RawPart:
    """A Component element."""

    step: int
    refdes: str
    package: str
    layer: str
    place: int
    line: int


@dataclass(frozen=True, slots=True)
class RawPin:
    """A Pin of a Package."""

    number: str
    name: str
    place: int
    mechanical: bool


@dataclass(slots=True)
class Document:
    """Raw tables of the whole file."""

    doubts: Diagnostics
    tables: Tables = field(default_factory=Tables)
    dictionaries: Dictionaries = field(init=False)
    unit: str = ""
    dictionary_units: dict[str, int] = field(default_factory=dict)  # unit -> line
    revision: str = ""
    title: str = ""
    layers: dict[str, RawLayer] = field(default_factory=dict)
    stackups: list[RawStackup] = field(default_factory=list)
    permittivity: dict[str, float] = field(default_factory=dict)
    steps: dict[str, RawStep] = field(default_factory=dict)
    copper: Sketch = field(default_factory=Sketch)
    # slots and cavities; the kind of an owner is its plating
    openings: Sketch = field(default_factory=Sketch)
    frames: Sketch = field(default_factory=Sketch)  # places of parts and pins
    # step, layer, net, negative, pad usage, geometry usage, component, line, origin
    sets: Table = field(default_factory=lambda: Table(0, 9))
    usages: Index = field(default_factory=Index)
    # x, y, diameter, plating, set, line, square, via
    holes: Table = field(default_factory=lambda: Table(8, 0))
    # set of a PadStack -> its hole's
    spans: dict[int, tuple[str | None, str | None]] = field(default_factory=dict)
    # step, net, component, pin, line
    pin_nets: list[tuple[int, int, int, int, int]] = field(default_factory=list)
    declared: set[int] = field(default_factory=set)  # nets with a LogicalNet or a PhyNet
    # step, net, layer, x, y
    points: list[tuple[int, int, int, float, float]] = field(default_factory=list)
    parts: list[RawPart] = field(default_factory=list)
    packages: dict[tuple[int, str], list[RawPin]] = field(default_factory=dict)
    drilled_padstacks: set[str] = field(default_factory=set)
    shorts: list[tuple[int, tuple[str, ...], int]] = field(default_factory=list)  # set, nets, line
    # net -> how its name is written where it comes first
    spellings: dict[str, str] = field(default_factory=dict)
    # net without blanks -> as it is written first
    tight: dict[str, str] = field(default_factory=dict)
    edge_plating: int = 0  # line of a specification of edge plating

    def net(self, name: str, line: int) -> int:
        """Raw number of a net; blanks about a name are no part of it. Names that differ in blanks
        alone are a doubt.
        """
        plain = name.strip()
        if self.spellings.setdefault(plain, name) != name:
            why = "it is taken as one net; export the board again, or correct the name"
            self.doubts.add(
                f'net "{plain}" is written with blanks about its name in some places', why, line
            )
        if self.tight.setdefault("".join(plain.split()), plain) != plain:
            why = "they are taken as two nets; export the board again, or correct the names"
            self.doubts.add(f'net "{plain}" differs from another in blanks alone', why, line)
        return self.tables.nets[plain]

    def __post_init__(self) -> None:
        self.dictionaries = Dictionaries(self.tables)
