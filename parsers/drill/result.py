"""What a drill file yields, whichever format it is written in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from parsers.board import UNPLATED, Holes
from parsers.primitives import Floats
from parsers.trouble import Doubt


@dataclass(frozen=True, slots=True)
class Drilled:
    """Holes of one file; net, component, pin and function index the tables here. `first` and `last`
    are not set.
    """

    holes: Holes
    nets: tuple[tuple[str, ...], ...] = ()
    components: tuple[str, ...] = ()
    pins: tuple[tuple[str, str], ...] = ()
    functions: tuple[str, ...] = ()
    attributes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    doubts: tuple[Doubt, ...] = ()
    stated_plating: bool = False  # the file itself tells plated from unplated


def swollen(radius: Floats, swell: Floats, plated: np.ndarray) -> Floats:
    """Radii of chords of arcs, on the safe side: a wall with copper no smaller, an opening in the
    board no larger.
    """
    result: Floats = np.where(plated == UNPLATED, np.maximum(radius - swell, 0.0), radius + swell)
    return result
