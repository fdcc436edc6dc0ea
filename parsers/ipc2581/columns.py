"""Raw rows of a document as numpy columns, and small joins between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from parsers.ipc2581 import placement
from parsers.ipc2581.dictionaries import Dictionaries
from parsers.ipc2581.document import HOLE, SET, Document
from parsers.ipc2581.sketch import AREA_INFO, FLASH_INFO, NOTHING, OWNER, PATH_INFO, PLACE, Longs, Sketch
from parsers.primitives import Bools, Floats, Rows

SAME_PLACE = 0.05  # mm; a hole and the land round it


@dataclass(frozen=True, slots=True)
class Sets:
    """Sets as columns; see `Document.sets`."""

    step: Longs
    layer: Longs
    net: Longs
    negative: Bools
    usage: Longs
    geometry: Longs
    component: Longs
    line: Longs
    origin: Longs


def sets_of(document: Document) -> Sets:
    """The Sets of a document."""
    rows = np.asarray(document.sets).reshape(-1, SET)
    columns = [rows[:, i] for i in range(SET)]
    columns[3] = columns[3] == 1
    return Sets(*columns)


@dataclass(frozen=True, slots=True)
class Owners:
    """Drawn objects as columns; see `Sketch.owners`."""

    group: Longs
    line: Longs
    component: Longs
    pin: Longs
    kind: Longs  # 0, PAD, FIDUCIAL; of openings, their plating
    padstack: Longs

    @property
    def pad(self) -> Bools:
        """Which objects are pads."""
        pads: Bools = self.kind != 0
        return pads

    def __len__(self) -> int:
        return len(self.group)


def owners_of(sketch: Sketch) -> Owners:
    """The objects of a sketch."""
    rows = np.asarray(sketch.owners).reshape(-1, OWNER)
    return Owners(*(rows[:, i].copy() for i in range(OWNER)))


def hole_rows(document: Document) -> Floats:
    """Holes as rows: x, y, diameter, plating, set, line, square, via."""
    return np.asarray(document.holes).reshape(-1, HOLE)


def anchors(sketch: Sketch, dictionaries: Dictionaries) -> Floats:
    """Where each object of a sketch is placed: its Location, NaN for plain features without one, shape (owners, 2)."""
    places = np.asarray(sketch.places).reshape(-1, PLACE)
    maps = placement.maps(places, np.asarray(sketch.parents), dictionaries.unit(sketch.unit))
    owners = owners_of(sketch)
    out = np.full((len(owners), 2), np.nan)
    for flat, width, place in (
        (sketch.path_info, PATH_INFO, 2),
        (sketch.area_info, AREA_INFO, 5),
        (sketch.flash_info, FLASH_INFO, 2),
    ):
        rows = np.asarray(flat).reshape(-1, width)
        placed = (rows[:, place] != NOTHING) | owners.pad[rows[:, 1]]
        out[rows[placed, 1]] = maps[rows[placed, place], 4:6]
    return out


def nearest(points: Floats, targets: Floats) -> Rows:
    """For each point the target at the same place (within SAME_PLACE), or -1."""
    found: npt.NDArray[np.intp] = np.full(len(points), -1, dtype=np.intp)
    there, here = np.isfinite(targets).all(axis=1), np.isfinite(points).all(axis=1)
    if there.any() and here.any():
        rows = np.flatnonzero(there)
        distance, index = cKDTree(targets[rows]).query(points[here], distance_upper_bound=SAME_PLACE)
        found[here] = np.where(np.isfinite(distance), rows[np.minimum(index, len(rows) - 1)], -1)
    return found
