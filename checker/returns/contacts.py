"""Round contacts on a grid of cells: barrels of plated holes, pads of ties.

A contact hangs on the nodes around its rim: its current enters evenly over the rim, so that where
it lies between nodes is kept, and a resistor (its throat) makes up for the size that the nodes give
it. On the infinite grid that size follows from the weights: ln(size) is the mean of ln(distance)
over all pairs, with the grid's own values for a node and itself and for next neighbours. A contact
many cells wide short-circuits the nodes within it instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, pi

import numpy as np

from parsers.primitives import Floats, Rows, repeated

RHO = 1.724e-5  # ohm mm; copper at 20 C, from memory (IEC 60028)
POINT = 0.1985  # cells; disc that a node stands for (well-block radius, reservoir simulation, 1978)
# cells; what the distance of next neighbours counts as: 1/2 ohm between them on unit resistors
NEXT = POINT * exp(pi / 2)
DIAGONAL = POINT * exp(2)  # the same on the diagonal: 2/pi ohm
FINE = 2.0  # cells; contacts of this radius and less have a throat
RIM_POINTS = 12
LEAST_THROAT = 0.02  # of ln(size / radius); a smaller one would only spoil the matrix


@dataclass(frozen=True, slots=True)
class Contact:
    """A round place on a layer that is one conductor with what reaches it; mm."""

    layer: int
    at: tuple[float, float]
    radius: float


@dataclass(frozen=True, slots=True)
class Chain:
    """Contacts one after the other, as a barrel or a tie has them, and the resistance from each to
    the next, ohm.

    A contact that touches no copper is passed by; a resistance of 0 is a short.
    """

    contacts: tuple[Contact, ...]
    ohms: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Throats:
    """Contacts that hang on nodes; columns of length n by contact, m by node."""

    contact: Rows  # (n,) number of the contact
    at: Floats  # (n, 2) mm
    conductance: Floats  # (n,) siemens
    owner: Rows  # (m,) place of the throat among the n
    node: Rows  # (m,)
    weight: Floats  # (m,) add up to 1 for each contact


def rims(contacts: Sequence[Contact]) -> Floats:
    """Points round the rims of contacts, mm, shape (contacts * RIM_POINTS, 2)."""
    turn = 2 * pi * (np.arange(RIM_POINTS) + 0.5) / RIM_POINTS
    middle = np.array([contact.at for contact in contacts], dtype=np.float64).reshape(-1, 1, 2)
    radius = np.array([contact.radius for contact in contacts]).reshape(-1, 1, 1)
    points: Floats = (middle + radius * np.column_stack((np.cos(turn), np.sin(turn)))).reshape(
        -1, 2
    )
    return points


def throats_of(
    contacts: Sequence[Contact],
    middles: Floats,
    around: tuple[Rows, Rows, Floats],
    cell: float,
    thickness: Sequence[float],
) -> Throats:
    """Throats of contacts.

    Parameters
    ----------
    middles : of all nodes, mm, shape (nodes, 2)
    around : number of the contact, node, weight for every node around each rim, the same node as
        often as it comes
    thickness : of each layer's copper, mm
    """
    number, node, weight = around
    keys, place = np.unique(np.column_stack((number, node)), axis=0, return_inverse=True)
    sums: Floats = np.bincount(place.ravel(), weight, len(keys)).astype(np.float64)
    contact, owner, count = np.unique(keys[:, 0], return_inverse=True, return_counts=True)
    weights = sums / np.bincount(owner, sums)[owner]
    size = np.exp(_mean_logarithm(middles[keys[:, 1]] / cell, weights, owner, count)) * cell
    chosen = [contacts[n] for n in contact]
    radius = np.array([c.radius for c in chosen])
    sheet = np.array([thickness[c.layer] / RHO for c in chosen])
    log = np.maximum(np.log(size / np.maximum(radius, 1e-6)), LEAST_THROAT)
    at = np.array([c.at for c in chosen], dtype=np.float64).reshape(-1, 2)
    return Throats(contact, at, 2 * pi * sheet / log, owner, keys[:, 1], weights)


def _mean_logarithm(places: Floats, weights: Floats, owner: Rows, count: Rows) -> Floats:
    """Mean of ln(distance in cells) over all pairs of each owner's nodes, by their weights, shape
    (owners,).
    """
    begins = np.cumsum(count) - count
    first, step = repeated(np.arange(len(owner)), count[owner])
    second = begins[owner[first]] + step
    away = np.round(np.abs(places[first] - places[second])).astype(np.int64)
    near, far = away.min(axis=1), away.max(axis=1)
    distance = np.hypot(near, far)
    distance[far == 0] = POINT
    distance[(far == 1) & (near == 0)] = NEXT
    distance[(far == 1) & (near == 1)] = DIAGONAL
    parts = weights[first] * weights[second] * np.log(distance)
    return np.bincount(owner[first], parts, len(count)).astype(np.float64)
