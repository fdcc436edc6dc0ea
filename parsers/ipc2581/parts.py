"""Copper objects on their way to a layer image: columns plus what orders them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from parsers.ipc2581.sketch import Longs
from parsers.primitives import Bools, Conductors, Ints, concatenate, conductors

# of the place of a part within its shape; above them stands the sequence in the file
ORDER_BITS = 20
MAX_PARTS = 1 << 17  # of one shape


@dataclass(frozen=True, slots=True)
class Parts:
    """Copper objects as columns of length n."""

    objects: Conductors  # kind, geometry, radius, areas, centres; the name columns are neutral
    dark: Bools  # False = removes what was drawn before it
    owner: Ints  # row in Sketch.owners
    order: Longs  # drawn in ascending order

    def __len__(self) -> int:
        return len(self.objects)

    def take(self, rows: npt.NDArray[np.intp] | Bools) -> Parts:
        """Some of the rows."""
        return Parts(self.objects.take(rows), self.dark[rows], self.owner[rows], self.order[rows])


def nothing() -> Parts:
    """No parts."""
    none = np.empty(0, dtype=np.int32)
    return Parts(conductors(), np.empty(0, dtype=np.bool_), none, none.astype(np.int64))


def joined(parts: Sequence[Parts]) -> Parts:
    """Parts of several tables, in the order in which they are drawn."""
    parts = [part for part in parts if len(part)]
    if not parts:
        return nothing()
    order = np.concatenate([part.order for part in parts])
    rows = np.argsort(order, kind="stable")
    return Parts(
        concatenate([part.objects for part in parts]).take(rows),
        np.concatenate([part.dark for part in parts])[rows],
        np.concatenate([part.owner for part in parts])[rows],
        order[rows],
    )
