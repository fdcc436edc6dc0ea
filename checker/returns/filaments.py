"""Currents in thin straight conductors, and the vector potential beside them.

Everything is in closed form along a filament; between two of them one integral is left, which is
done by quadrature. Distances are never taken smaller than the radius of the round wire that stands
for a trace, so that crossing conductors stay finite.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from parsers.primitives import Floats

PER_MM = 1e-10  # H/mm; mu0 / 4 pi
STEP = 0.1  # mm; pieces of a conductor that the quadrature takes at once
POINTS = 4  # of the quadrature in each piece

XYZ = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Filaments:
    """Straight conductors end to end that carry the same current; mm.

    Attributes
    ----------
    ends : where each begins and ends, x, y and depth, shape (n, 2, 3)
    radius : of the round wire that stands for each, shape (n,)
    """

    ends: Floats
    radius: Floats

    @property
    def length(self) -> float:
        """Of all together."""
        return float(np.linalg.norm(self.ends[:, 1] - self.ends[:, 0], axis=1).sum())

    def potential(self, at: Floats) -> Floats:
        """Vector potential of 1 A over mu0 / 4 pi, at places of shape (m, 3); shape (m, 3).

        Examples
        --------
        >>> wire = filaments([(-1, 0, 0), (1, 0, 0)], radius=0.1)
        >>> wire.potential(np.array([[0.0, 1.0, 0.0]])).round(4).tolist()
        [[1.7557, 0.0, 0.0]]
        """
        total = np.zeros((len(at), 3))
        for (start, end), radius in zip(self.ends, self.radius.tolist(), strict=True):
            along = end - start
            length = float(np.linalg.norm(along))
            sides = _away(at, start, radius) + _away(at, end, radius)
            total += np.log((sides + length) / (sides - length))[:, None] * (along / length)
        return total


def filaments(points: Sequence[XYZ] | Floats, radius: float | Floats) -> Filaments:
    """Filaments along a polyline; pieces without length are left out."""
    places = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    ends = np.stack((places[:-1], places[1:]), axis=1)
    real = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1) > 0
    wide: Floats = np.broadcast_to(np.asarray(radius, dtype=np.float64), (len(ends),))
    return Filaments(ends[real], wide[real])


def mutual(one: Filaments, other: Filaments) -> float:
    """Mutual partial inductance of two conductors, H.

    Examples
    --------
    >>> one, other = (filaments([(0, y, 0), (1000, y, 0)], radius=0.01) for y in (0, 1))
    >>> round(mutual(one, other) * 1e9)  # 2e-7 l (ln(2 l / d) - 1 + d / l): 1320.4 nH
    1320
    """
    places, steps = _quadrature(other)
    return PER_MM * float(np.sum(one.potential(places) * steps))


def _quadrature(path: Filaments) -> tuple[Floats, Floats]:
    """Places along conductors, and the step that each stands for; shape (m, 3) each."""
    node, weight = np.polynomial.legendre.leggauss(POINTS)
    places, steps = [np.empty((0, 3))], [np.empty((0, 3))]
    for start, end in path.ends:
        count = int(np.ceil(np.linalg.norm(end - start) / STEP))
        along: npt.NDArray[np.float64] = (
            (np.arange(count)[:, None] + (1 + node) / 2) / count
        ).reshape(-1, 1)
        places.append(start + along * (end - start))
        steps.append(np.tile(weight / (2 * count), count)[:, None] * (end - start))
    return np.concatenate(places), np.concatenate(steps)


def _away(at: Floats, place: Floats, radius: float) -> Floats:
    """Distances from a place, softened by a radius."""
    distance: Floats = np.sqrt(((at - place) ** 2).sum(axis=1) + radius * radius)
    return distance
