"""Islands of touching copper, pieces joined by plated holes, names spread over them, contacts between nets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from parsers.board import Connectivity, Holes, Net
from parsers.primitives import Conductors
from parsers.trouble import Doubt


@dataclass(frozen=True, slots=True)
class Connected:
    """Copper and holes with the nets that connection gives them."""

    copper: Conductors
    holes: Holes
    connectivity: Connectivity
    doubts: tuple[Doubt, ...]


def connect(copper: Conductors, holes: Holes, nets: Sequence[Net], layers: int) -> Connected:
    """Find islands (contact on a layer within TOUCH) and pieces (joined through plated holes), and spread net names.

    A conductor whose net is unknown takes the one name found on its piece; two names on one piece of copper are a
    Contact (copper of two nets touches) and never silently resolved. Rows that stay unknown are left UNKNOWN_NET.
    """
    raise NotImplementedError
