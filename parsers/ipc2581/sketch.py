"""What the file draws, as raw columns: numbers as they stand, names as indices, nothing resolved
yet.

Units, dictionaries, layers and the choice of the step may stand anywhere in a file, so nothing is
interpreted while reading; `resolve` turns a sketch into copper when the whole file is known. A
dictionary entry is a sketch too.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from struct import Struct

import numpy as np
import numpy.typing as npt

from parsers.primitives import Floats

Longs = npt.NDArray[np.int64]

LARGEST = 1e9  # of any number, in any unit
NOTHING = -1  # index of no place, no description, no name

CAP_START, CAP_END = 1, 2  # ends of a path that are no joints of a polyline
# turns of a path step: counterclockwise is LEFT
STRAIGHT, LEFT, RIGHT, UNSAID = (0.0, 1.0, -1.0, 2.0)
CONTOUR, OUTLINE = 0, 1  # kinds of areas

PAD, FIDUCIAL = 1, 2  # kinds of objects beside plain features, which are 0


class Table:
    """Rows of numbers, packed: each row has some floats, then some whole numbers. Grows by `add`;
    once read as arrays it must not grow while those are in use.

    Examples
    --------
    >>> points = Table(2, 1)
    >>> points.add(0.5, 1.5, 7)
    >>> points.floats.tolist(), points.ints.tolist(), len(points)
    ([[0.5, 1.5]], [[7]], 1)
    """

    __slots__ = ("_floats", "_ints", "data", "pack", "size")

    def __init__(self, floats: int, ints: int) -> None:
        record = Struct(f"={floats}d{ints}q")
        self.data = bytearray()
        # with `data`, for the busiest callers: `table.data += table.pack(...)`
        self.pack = record.pack
        self.size = record.size
        self._floats, self._ints = floats, ints

    def add(self, *values: float) -> None:
        """Add a row."""
        self.data += self.pack(*values)

    def __len__(self) -> int:
        return len(self.data) // self.size

    @property
    def floats(self) -> Floats:
        """The floats, shape (rows, floats)."""
        words: Floats = np.frombuffer(self.data, dtype=np.float64)
        return words.reshape(-1, self._floats + self._ints)[:, : self._floats]

    @property
    def ints(self) -> Longs:
        """The whole numbers, shape (rows, ints)."""
        words: Longs = np.frombuffer(self.data, dtype=np.int64)
        return words.reshape(-1, self._floats + self._ints)[:, self._floats :]


class Index(dict[Hashable, int]):
    """Gives every new key the next number.

    Examples
    --------
    >>> nets = Index()
    >>> nets["GND"], nets["VCC"], nets["GND"]
    (0, 1, 0)
    """

    def __missing__(self, key: Hashable) -> int:
        self[key] = len(self)
        return self[key]

    def names(self) -> list[str]:
        """All keys by their numbers."""
        return [str(key) for key in self]


@dataclass(slots=True)
class Tables:
    """Names and values that sketches refer to by index."""

    # line descriptions: id, or (unit, lineEnd, lineWidth, lineProperty)
    lines: Index = field(default_factory=Index)
    fills: Index = field(default_factory=Index)  # fill descriptions: id, or (fillProperty,)
    shapes: Index = field(default_factory=Index)  # see features.py
    nets: Index = field(default_factory=Index)
    components: Index = field(default_factory=Index)
    pins: Index = field(default_factory=Index)
    layers: Index = field(default_factory=Index)
    steps: Index = field(default_factory=Index)
    padstacks: Index = field(default_factory=Index)
    overlaid: dict[tuple[int, int], int] = field(default_factory=dict)
    # line description of an inline shape, that of its Set -> line of the file where both were first
    # met


@dataclass(slots=True)
class Sketch:
    """Raw drawn objects as packed rows.

    The order of `sequence` numbers over paths, areas and flashes is the order in which they are
    drawn.
    """

    unit: str = ""  # as the file spells it; "" = that of CadHeader
    # offset x, y, rotation, mirror, scale, location x, y; place that it stands in, line
    places: Table = field(default_factory=lambda: Table(7, 2))
    # start x, y, end x, y, centre x, y, turn; sequence, owner, place, line description, caps
    paths: Table = field(default_factory=lambda: Table(7, 5))
    # x, y, centre x, y, turn of the step that ends here
    vertices: Table = field(default_factory=lambda: Table(5, 0))
    # area, number of vertices, place
    rings: Table = field(default_factory=lambda: Table(0, 3))
    # sequence, owner, place, line description, fill, kind
    areas: Table = field(default_factory=lambda: Table(0, 6))
    # sequence, owner, place, shape, line description
    flashes: Table = field(default_factory=lambda: Table(0, 5))
    # set, line, component, pin, kind (PAD ...), padstack
    owners: Table = field(default_factory=lambda: Table(0, 6))
    sequence: int = 0

    def owner(
        self,
        group: int,
        line: int,
        component: int = NOTHING,
        pin: int = NOTHING,
        kind: int = 0,
        padstack: int = NOTHING,
    ) -> int:
        """Begin an object of a Set; what is drawn next belongs to it."""
        owners = self.owners
        owners.data += owners.pack(group, line, component, pin, kind, padstack)
        return len(owners.data) // owners.size - 1
