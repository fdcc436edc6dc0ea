"""Xform and Location to affine maps, in bulk.

Order (IPC-2581 revision A, 3.3): offset, rotation (degrees, counterclockwise seen from the top),
mirror (x to -x), scale; then the shape's origin goes to the Location. Values act in the shape's own
system, so nested places work from inside out. Each map is a row a, b, c, d, x, y: (px, py) goes to
(a px + b py + x, c px + d py + y). All maps are similarities.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from parsers.primitives import Floats

IDENTITY = np.array([1.0, 0.0, 0.0, 1.0, 0.0, 0.0])


def maps(places: Floats, parents: npt.NDArray[np.integer[Any]], unit: float) -> Floats:
    """Affine maps of places, those of their parents included, with the identity as an extra last
    row.

    Parameters
    ----------
    places : (n, 7) offset x, y, rotation in degrees, mirror (0 or 1), scale, location x, y
    parents : (n,) row of the place that each one stands in, or -1; a parent comes before its
        children
    unit : mm per unit of the lengths

    Examples
    --------
    >>> turned = maps(np.array([[0, 0, 90, 1, 2, 10, 5.0]]), np.array([-1]), 1.0)
    >>> move(turned[:1], np.array([[2.0, 1.0]])).tolist()
    [[12.0, 9.0]]
    """
    out = np.vstack((_own_maps(places, unit), IDENTITY))
    outer = np.asarray(parents)
    while (rows := np.flatnonzero(outer >= 0)).size:
        out[rows] = nested(_own_maps(places[outer[rows]], unit), out[rows])
        outer = outer.copy()
        outer[rows] = np.asarray(parents)[outer[rows]]
    return out


def _own_maps(places: Floats, unit: float) -> Floats:
    turn = np.radians(places[:, 2])
    cosine, sine = np.cos(turn), np.sin(turn)
    square = places[:, 2] % 90 == 0  # keep right angles free of rounding
    cosine[square], sine[square] = np.round(cosine[square]), np.round(sine[square])
    flip = np.where(places[:, 3] > 0, -1.0, 1.0)
    scale = places[:, 4]
    a, b, c, d = flip * cosine * scale, -flip * sine * scale, sine * scale, cosine * scale
    offset, location = places[:, 0:2] * unit, places[:, 5:7] * unit
    x = a * offset[:, 0] + b * offset[:, 1] + location[:, 0]
    y = c * offset[:, 0] + d * offset[:, 1] + location[:, 1]
    return np.column_stack((a, b, c, d, x, y))


def nested(outer: Floats, inner: Floats) -> Floats:
    """Maps that do `inner` first, then `outer`, row by row."""
    a, b, c, d = (outer[:, i] for i in range(4))
    turned = np.column_stack(
        (
            a * inner[:, 0] + b * inner[:, 2],
            a * inner[:, 1] + b * inner[:, 3],
            c * inner[:, 0] + d * inner[:, 2],
            c * inner[:, 1] + d * inner[:, 3],
        )
    )
    return np.hstack((turned, move(outer, inner[:, 4:6])))


def move(by: Floats, points: Floats) -> Floats:
    """Points moved by their own maps: `by` (n, 6), points (n, 2)."""
    x = by[:, 0] * points[:, 0] + by[:, 1] * points[:, 1] + by[:, 4]
    y = by[:, 2] * points[:, 0] + by[:, 3] * points[:, 1] + by[:, 5]
    return np.column_stack((x, y))


def scales(by: Floats) -> Floats:
    """How much each map enlarges."""
    result: Floats = np.hypot(by[:, 0], by[:, 2])
    return result


def senses(by: Floats) -> Floats:
    """1.0 for maps that keep the turning sense, -1.0 for mirroring ones."""
    return np.where(by[:, 0] * by[:, 3] - by[:, 1] * by[:, 2] < 0, -1.0, 1.0)


def turned(by: Floats, angle: Floats) -> Floats:
    """Directions (radians) as the maps turn them."""
    cosine, sine = np.cos(angle), np.sin(angle)
    result: Floats = np.arctan2(
        by[:, 2] * cosine + by[:, 3] * sine, by[:, 0] * cosine + by[:, 1] * sine
    )
    return result
