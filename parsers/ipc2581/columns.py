"""Raw rows of a document as numpy columns, and small joins between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from parsers.ipc2581 import placement
from parsers.ipc2581.dictionaries import Dictionaries
from parsers.ipc2581.raw import Document
from parsers.ipc2581.sketch import NOTHING, Longs, Sketch
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
    rows = document.sets.ints
    step, layer, net, negative, usage, geometry, component, line, origin = (
        column.copy() for column in rows.T
    )
    return Sets(step, layer, net, negative == 1, usage, geometry, component, line, origin)


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
    rows = sketch.owners.ints
    return Owners(*(rows[:, i].copy() for i in range(rows.shape[1])))


def hole_rows(document: Document) -> Floats:
    """Holes as rows: x, y, diameter, plating, set, line, square, via."""
    return document.holes.floats


def anchors(sketch: Sketch, dictionaries: Dictionaries) -> Floats:
    """Where each object of a sketch is placed: its Location, NaN for plain features without one,
    shape (owners, 2).
    """
    maps = placement.maps(
        sketch.places.floats, sketch.places.ints[:, 0], dictionaries.unit(sketch.unit)
    )
    owners = owners_of(sketch)
    out = np.full((len(owners), 2), np.nan)
    for table in (sketch.paths, sketch.areas, sketch.flashes):
        owner, place = table.ints[:, 1], table.ints[:, 2]
        placed = (place != NOTHING) | owners.pad[owner]
        out[owner[placed]] = maps[place[placed], 4:6]
    return out


def nearest(points: Floats, targets: Floats) -> Rows:
    """For each point the target at the same place (within SAME_PLACE), or -1."""
    found: npt.NDArray[np.intp] = np.full(len(points), -1, dtype=np.intp)
    there, here = np.isfinite(targets).all(axis=1), np.isfinite(points).all(axis=1)
    if there.any() and here.any():
        rows = np.flatnonzero(there)
        distance, index = cKDTree(targets[rows]).query(
            points[here], distance_upper_bound=SAME_PLACE
        )
        found[here] = np.where(np.isfinite(distance), rows[np.minimum(index, len(rows) - 1)], -1)
    return found
