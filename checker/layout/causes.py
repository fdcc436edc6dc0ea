"""Which of several places have one cause: clusters by distance and by what they have in common."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence

import numpy as np
import shapely

from parsers.primitives import components


def clusters(
    shapes: Sequence[shapely.Geometry],
    distance: float,
    kinds: Sequence[Hashable],
    owners: Sequence[Iterable[Hashable]],
) -> list[list[int]]:
    """Places of one kind that lie near each other, or have an owner in common; the numbers of each
    cluster.

    Parameters
    ----------
    shapes : of n places
    distance : mm; places no farther from each other are near
    kinds : one for each place; places of different kinds never have one cause
    owners : of each place, such as its nets

    Examples
    --------
    >>> import shapely
    >>> clusters(shapely.points([[0, 0], [1, 0], [9, 0], [5, 0]]), 1.0, "aaab", ["x", "y", "x", "x"])
    [[0, 1, 2], [3]]
    """
    joined: list[tuple[int, int]] = []
    first: dict[Hashable, int] = {}
    for number, (kind, mine) in enumerate(zip(kinds, owners, strict=True)):
        joined += ((number, first.setdefault((kind, owner), number)) for owner in mine)
    places = np.array(shapes, dtype=object)
    near = shapely.STRtree(places).query(places, predicate="dwithin", distance=distance)
    joined += ((a, b) for a, b in near.T.tolist() if kinds[a] == kinds[b])
    return components(len(places), joined)
