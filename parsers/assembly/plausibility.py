"""Whether copper, holes and outline fit together, for every format: what is missing from one shows
in the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from parsers.assembly.connectivity import Connected
from parsers.assembly.trimming import drilled_away, off_board, tell_trimmed
from parsers.board import PLATED, Holes, Layer, Net, Outline
from parsers.primitives import Bools, Conductors, Rows
from parsers.trouble import Doubt

# share of plated holes that may miss all copper before the drills are held for misplaced
BARE = 0.5
FLASHES = 20  # flashes of a layer before their connection tells anything of its polarity
LONELY = 0.9  # share of flashes that touch nothing above which a layer looks negative


@dataclass(frozen=True, slots=True)
class Trimmed:
    """Which copper is on the finished board, shape (n,), and what is told of the rest."""

    kept: Bools
    doubts: tuple[Doubt, ...]
    remarks: tuple[Doubt, ...]


def trimmed(
    copper: Conductors,
    holes: Holes,
    outline: Outline | None,
    layers: Sequence[Layer],
    nets: Sequence[Net],
) -> Trimmed:
    """Leave out nameless copper that lies beside the board or is drilled away."""
    nameless = copper.net < 0
    outside = off_board(copper, outline)
    gone = drilled_away(copper, holes, np.flatnonzero(nameless & copper.pad))
    doubts, remarks = tell_trimmed(copper, outside, gone, layers, nets)
    return Trimmed(~(nameless & (outside | gone)), tuple(doubts), tuple(remarks))


def mostly_bare(joined: Connected, holes: Rows) -> tuple[Rows, int]:
    """Plated holes among some that meet no copper, and how many are plated; none if most of them
    meet copper.

    Where most of them do not, drills and copper have different origins.
    """
    plated = holes[joined.holes.plated[holes] == PLATED]
    bare = plated[joined.connectivity.hole_piece[plated] < 0]
    return (bare if len(bare) > BARE * len(plated) else bare[:0]), len(plated)


def lonely_flashes(joined: Connected, layer: int) -> tuple[int, int] | None:
    """How many of a layer's flashes touch nothing, and how many there are, if that looks like a
    negative plane.
    """
    copper, island = joined.copper, joined.connectivity.island
    pads = np.flatnonzero((copper.layer == layer) & copper.pad)
    alone = np.bincount(island, minlength=1)[island[pads]] == 1
    if len(pads) < FLASHES or alone.mean() <= LONELY:
        return None
    return int(alone.sum()), len(pads)
