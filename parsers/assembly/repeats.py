"""Objects drawn more than once in the very same place: generators repeat them, and hostile files by
the 100,000.
"""

from __future__ import annotations

import numpy as np
import shapely

from parsers.primitives import Bools, Conductors, Kind, Rows

# odd, all bits mixed: numbers rows so that equal ones are found by sorting
HASH = 0x1E3779B97F4A7C15
MEANING = ("pad", "component", "pin", "function")  # columns that tell what an object is for


def repeated_later(copper: Conductors) -> Bools:
    """Which objects a later one repeats in every respect. Drawn in order, the last of them is
    cleared the least.
    """
    backwards = copper.take(slice(None, None, -1))
    mask: Bools = (first_of_equals(backwards, *MEANING) != np.arange(len(copper)))[::-1]
    return mask


def first_of_equals(copper: Conductors, *more: str) -> Rows:
    """For each row the first row with the same copper of the same net; itself for nearly all.

    Parameters
    ----------
    more : names of further columns that must be equal
    """
    shape = np.full(len(copper), -1, dtype=np.int64)
    areas = copper.kind == Kind.AREA
    known: dict[bytes, int] = {}
    texts = shapely.to_wkb(copper.areas[copper.area[areas]]).tolist()
    shape[areas] = [known.setdefault(wkb, len(known)) for wkb in texts]
    place = np.where(areas[:, None], 0, np.ascontiguousarray(copper.geometry).view(np.int64))
    columns = (copper.layer, copper.net, copper.kind, shape, copper.radius.view(np.int64), *place.T)
    columns += tuple(getattr(copper, name) for name in more)
    mixed = np.zeros(len(copper), dtype=np.int64)
    for number, column in enumerate(columns):
        mixed += column.astype(np.int64) * np.int64(HASH >> number | 1)
    _, first, inverse = np.unique(mixed, return_index=True, return_inverse=True)
    candidate = first[inverse.reshape(-1)]
    own = np.arange(len(copper))
    repeats = np.flatnonzero(candidate != own)
    # no chance sums
    same = np.all([column[repeats] == column[candidate[repeats]] for column in columns], axis=0)
    own[repeats[same]] = candidate[repeats[same]]
    return own
