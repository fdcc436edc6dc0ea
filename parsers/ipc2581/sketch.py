"""What the file draws, as raw columns: numbers as they stand, names as indices, nothing resolved yet.

Units, dictionaries, layers and the choice of the step may stand anywhere in a file, so nothing is interpreted while
reading; `resolve` turns a sketch into copper when the whole file is known. A dictionary entry is a sketch too.
"""

from __future__ import annotations

from array import array
from collections.abc import Hashable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from parsers.primitives import Floats

Longs = npt.NDArray[np.int64]

NOTHING = -1  # index of no place, no description, no name

CAP_START, CAP_END = 1, 2  # ends of a path that are no joints of a polyline
STRAIGHT, LEFT, RIGHT, UNSAID = 0.0, 1.0, -1.0, 2.0  # turns of a path step: counterclockwise is LEFT
CONTOUR, OUTLINE = 0, 1  # kinds of areas

PLACE, PATH, VERTEX = 7, 7, 5  # numbers per row, see Sketch
PATH_INFO, AREA_INFO, RING_INFO, FLASH_INFO, OWNER = 5, 6, 3, 5, 6
PAD, FIDUCIAL = 1, 2  # kinds of objects beside plain features, which are 0


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

    lines: Index = field(default_factory=Index)  # line descriptions: id, or (unit, lineEnd, lineWidth, lineProperty)
    fills: Index = field(default_factory=Index)  # fill descriptions: id, or (fillProperty,)
    shapes: Index = field(default_factory=Index)  # see features.py
    nets: Index = field(default_factory=Index)
    components: Index = field(default_factory=Index)
    pins: Index = field(default_factory=Index)
    layers: Index = field(default_factory=Index)
    steps: Index = field(default_factory=Index)
    padstacks: Index = field(default_factory=Index)


def _floats() -> array[float]:
    return array("d")


def _ints() -> array[int]:
    return array("q")


@dataclass(slots=True)
class Sketch:
    """Raw drawn objects. Each column is flat; a row has as many numbers as said.

    The order of `sequence` numbers over paths, areas and flashes is the order in which they are drawn.
    """

    unit: str = ""  # as the file spells it; "" = that of CadHeader
    places: array[float] = field(default_factory=_floats)  # offset x, y, rotation, mirror, scale, location x, y
    parents: array[int] = field(default_factory=_ints)  # per place: the place that it stands in
    place_lines: array[int] = field(default_factory=_ints)
    paths: array[float] = field(default_factory=_floats)  # start x, y, end x, y, centre x, y, turn
    path_info: array[int] = field(default_factory=_ints)  # sequence, owner, place, line description, caps
    vertices: array[float] = field(default_factory=_floats)  # x, y, centre x, y, turn of the step that ends here
    ring_info: array[int] = field(default_factory=_ints)  # area, number of vertices, place
    area_info: array[int] = field(default_factory=_ints)  # sequence, owner, line description, fill, kind, place
    flash_info: array[int] = field(default_factory=_ints)  # sequence, owner, place, shape, line description
    owners: array[int] = field(default_factory=_ints)  # set, line, component, pin, kind (PAD ...), padstack
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
        self.owners.extend((group, line, component, pin, kind, padstack))
        return len(self.owners) // OWNER - 1


def numbers(flat: array[float], width: int) -> Floats:
    """A flat column as rows."""
    rows: Floats = np.asarray(flat, dtype=np.float64).reshape(-1, width)
    return rows


def integers(flat: array[int], width: int) -> Longs:
    """A flat column of whole numbers as rows."""
    rows: Longs = np.asarray(flat, dtype=np.int64).reshape(-1, width)
    return rows
