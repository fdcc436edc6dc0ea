"""Whether copper, holes and outline fit together: what is missing from one shows in the others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from parsers.assembly.connectivity import Connected
from parsers.assembly.diagnostics import Diagnostics
from parsers.assembly.plausibility import lonely_flashes, mostly_bare
from parsers.board import INNER, Holes, Layer
from parsers.ipc2581.columns import Owners, nearest
from parsers.ipc2581.raw import Document
from parsers.primitives import Bools, Floats


def doubt_missing_holes(
    document: Document,
    owners: Owners,
    lands: tuple[Bools, Bools, Floats],
    holes: Holes,
    doubts: Diagnostics,
) -> None:
    """Via lands, and pads of padstacks with a hole, where no hole is drilled.

    Parameters
    ----------
    lands : which objects are pads, which of them are of vias, where they lie
    """
    pads, vias, places = lands
    drilled = np.array(
        [name in document.drilled_padstacks for name in document.tables.padstacks] + [False]
    )
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
    bare, plated = mostly_bare(joined, np.arange(len(joined.holes)))
    if len(bare):
        why = f"{len(bare)} of {plated}; have the drills another origin?"
        doubts.add(
            "plated holes meet no copper", why, int(joined.holes.line[bare[0]]), count=len(bare)
        )


def doubt_polarity(
    document: Document, layers: Sequence[Layer], joined: Connected, doubts: Diagnostics
) -> None:
    """Inner layers that state no polarity and whose flashes touch nothing, as in a negative
    plane.
    """
    for index, layer in enumerate(layers):
        if layer.side != INNER or document.layers[layer.name].polarity_said:
            continue
        lonely = lonely_flashes(joined, index)
        if lonely:
            alone, pads = lonely
            why = f"{alone} of {pads} flashes touch nothing, as in a negative plane; state it"
            doubts.add(
                f"polarity of layer {layer.name} is not stated",
                why,
                document.layers[layer.name].line,
            )
