"""Whether copper, holes and outline fit together: what is missing from one shows in the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from parsers.assembly.connectivity import Connected
from parsers.assembly.diagnostics import Diagnostics
from parsers.assembly.trimming import drilled_away, off_board, tell_trimmed
from parsers.board import INNER, PLATED, Holes, Layer, Net, Outline
from parsers.ipc2581.columns import Owners, nearest
from parsers.ipc2581.raw import Document
from parsers.primitives import Bools, Conductors, Floats
from parsers.trouble import Doubt

BARE = 0.5  # share of plated holes that may miss all copper before the drills are held for misplaced
FLASHES = 20  # flashes of a layer before their connection tells anything of its polarity
LONELY = 0.9  # share of flashes that touch nothing above which a layer looks negative


@dataclass(frozen=True, slots=True)
class Trimmed:
    """Copper of the finished board, and what is told of the rest."""

    copper: Conductors
    doubts: tuple[Doubt, ...]
    remarks: tuple[Doubt, ...]


def trimmed(
    copper: Conductors, holes: Holes, outline: Outline | None, layers: Sequence[Layer], nets: Sequence[Net]
) -> Trimmed:
    """Copper without what lies beside the board or is drilled away, as far as it has no net."""
    nameless = copper.net < 0
    outside = off_board(copper, outline)
    gone = drilled_away(copper, holes, np.flatnonzero(nameless & copper.pad))
    doubts, remarks = tell_trimmed(copper, outside, gone, layers, nets)
    kept = ~(nameless & (outside | gone))
    return Trimmed(copper if kept.all() else copper.take(kept), tuple(doubts), tuple(remarks))


def doubt_missing_holes(
    document: Document, owners: Owners, lands: tuple[Bools, Bools, Floats], holes: Holes, doubts: Diagnostics
) -> None:
    """Via lands, and pads of padstacks with a hole, where no hole is drilled.

    Parameters
    ----------
    lands : which objects are pads, which of them are of vias, where they lie
    """
    pads, vias, places = lands
    drilled = np.array([name in document.drilled_padstacks for name in document.tables.padstacks] + [False])
    rows = np.flatnonzero(pads & (vias | drilled[owners.padstack]))
    bare = rows[nearest(places[rows], (holes.ends[:, 0:2] + holes.ends[:, 2:4]) / 2) < 0]
    if bare.size:
        doubts.add(
            "pads of vias or wired parts have no holes",
            "is a drill layer missing or cut short?",
            int(owners.line[bare[0]]),
            count=int(bare.size),
        )


def doubt_bare_holes(joined: Connected, doubts: Diagnostics) -> None:
    """Plated holes that mostly meet no copper: drills and copper have different origins."""
    plated = np.flatnonzero(joined.holes.plated == PLATED)
    bare = plated[joined.connectivity.hole_piece[plated] < 0]
    if len(bare) > BARE * len(plated):
        why = f"{len(bare)} of {len(plated)}; have the drills another origin?"
        doubts.add("plated holes meet no copper", why, int(joined.holes.line[bare[0]]), count=len(bare))


def doubt_polarity(document: Document, layers: Sequence[Layer], joined: Connected, doubts: Diagnostics) -> None:
    """Inner layers that state no polarity and whose flashes touch nothing, as in a negative plane."""
    copper, island = joined.copper, joined.connectivity.island
    members = np.bincount(island, minlength=1)
    for index, layer in enumerate(layers):
        if layer.side != INNER or document.layers[layer.name].polarity_said:
            continue
        pads = np.flatnonzero((copper.layer == index) & copper.pad)
        alone = members[island[pads]] == 1
        if len(pads) >= FLASHES and alone.mean() > LONELY:
            doubts.add(
                f"polarity of layer {layer.name} is not stated",
                f"{int(alone.sum())} of {len(pads)} flashes touch nothing, as in a negative plane; state it",
                document.layers[layer.name].line,
            )
