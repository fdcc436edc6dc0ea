"""Drawing a file with its blocks and repeats, from the inside out.

The Gerber Layer Format Specification 2023.08, 4.11 and 4.12. Each block is drawn once for each
polarity in which it is flashed and then copied in bulk, so the cost is that of the objects that
result; a file that multiplies beyond `MAX_OBJECTS` is refused before anything is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from parsers.assembly.diagnostics import Diagnostics
from parsers.gerber.apertures import Definition
from parsers.gerber.blocks import (
    FILE,
    Drawn,
    Scopes,
    copied,
    groups,
    joined,
    split_by,
    steps,
    transformed,
)
from parsers.gerber.bounds import MAX_OBJECTS, bound_objects, bound_scopes
from parsers.gerber.plotter import Operations, draw_rows
from parsers.gerber.state import FLASH, MOVE, GraphicsState
from parsers.gerber.syntax import Longs
from parsers.primitives import UNKNOWN_NET

NO_APERTURE = -1  # in the column of definitions
BLOCKS = -2  # in the same column, less the number of the scope


def used_definitions(
    state: GraphicsState,
    definitions: Sequence[Definition],
    scopes: Scopes,
    diagnostics: Diagnostics,
) -> Longs:
    """Definition that each operation uses, the latest of its number before it (index, or BLOCKS
    less a scope).
    """
    entries = [(d.number, d.word, k) for k, d in enumerate(definitions)]
    for k, scope in enumerate(scopes.scopes):
        if scope.number is not None and scopes.closed[k] >= 0:
            entries.append((scope.number, scopes.closed[k], BLOCKS - k))
    if not entries or not len(state):
        return np.full(len(state), NO_APERTURE, dtype=np.int64)
    number, word, definition = np.array(sorted(entries), dtype=np.int64).T
    again = np.flatnonzero(np.diff(number) == 0) + 1
    why = "the later definition holds from there on; other readers may keep the first"
    diagnostics.add_rows("aperture defined twice", why, word[again])
    span = max(int(word.max()), int(state.word.max())) + 1
    place = np.searchsorted(number * span + word, state.aperture * span + state.word, "right") - 1
    known = (place >= 0) & (number[place] == state.aperture)
    return np.where(known, definition[place], NO_APERTURE)


def draw_file(operations: Operations, scopes: Scopes, unit: float) -> Drawn:
    """Draw a file.

    Parameters
    ----------
    unit : mm per file unit, for the steps of repeats

    Raises
    ------
    TooMuchError
        if it holds more than MAX_OBJECTS objects or MAX_SCOPES blocks and repeats
    """
    bound_scopes(len(scopes.scopes))
    inner = scopes.at(operations.state.word)
    plan = _plan(operations, scopes, inner)
    rows_of = dict(split_by(inner))
    repeats = _repeats(scopes)
    drawn: dict[tuple[int, bool], Drawn] = {}
    for scope, toggled in plan:
        rows = rows_of.get(scope, inner[:0])
        parts = [draw_rows(operations, rows, toggled)]
        parts += _block_copies(operations, rows, toggled, drawn)
        for child in repeats.get(scope, ()):
            if not len(drawn[child, toggled]):
                continue
            stated = scopes.scopes[child]
            bound_objects(stated.repeat[0] * stated.repeat[1])
            offsets = steps(stated.repeat) * unit
            parts.append(
                copied(drawn[child, toggled], offsets, np.full(len(offsets), stated.opened))
            )
        drawn[scope, toggled] = joined(parts).sorted()
    return drawn[FILE, False]


def _repeats(scopes: Scopes) -> dict[int, list[int]]:
    """Repeats that stand in each scope."""
    found: dict[int, list[int]] = {}
    for number, scope in enumerate(scopes.scopes):
        if number and scope.number is None:
            found.setdefault(scope.parent, []).append(number)
    return found


def _flashed_blocks(operations: Operations, rows: Longs) -> Longs:
    """Rows that flash a block."""
    state = operations.state
    flashed: Longs = rows[
        (operations.used[rows] < NO_APERTURE)
        & (state.code[rows] == FLASH)
        & (state.statement[rows] == 0)
    ]
    return flashed


def _block_copies(
    operations: Operations, rows: Longs, toggled: bool, drawn: dict[tuple[int, bool], Drawn]
) -> list[Drawn]:
    """Copies of the blocks that some rows flash; a clear flash swaps the polarity inside."""
    parts = []
    flashes = _flashed_blocks(operations, rows)
    for block, places in split_by(operations.used[flashes]):
        chosen = flashes[places]
        for transform, dark, group in groups(operations.state, chosen, toggled):
            base = drawn[BLOCKS - block, not dark]
            base = replace(base, objects=transformed(base.objects, transform.matrix()))
            at = chosen[group]
            copies = copied(base, operations.ends[at, 2:], operations.state.word[at])
            parts.append(_with_attributes(operations, copies, np.repeat(at, len(base))))
    return parts


def _with_attributes(operations: Operations, copies: Drawn, flash: Longs) -> Drawn:
    """Give objects of a block the attributes of the flash where they have none of their own."""
    objects, stated = copies.objects, operations.state.attributes
    net = stated.net[flash]
    unknown = objects.net == UNKNOWN_NET
    differ = ~unknown & (net != UNKNOWN_NET) & (objects.net != net)
    why = "the nets inside the block were taken"
    operations.diagnostics.add_rows(
        "net of a block's flash differs from nets inside", why, copies.order[differ]
    )
    none = objects.component < 0
    return replace(
        copies,
        objects=replace(
            objects,
            net=np.where(unknown, net, objects.net).astype(np.int32),
            component=np.where(none, stated.component[flash], objects.component).astype(np.int32),
            pin=np.where(none, stated.pin[flash], objects.pin).astype(np.int32),
        ),
    )


def _plan(operations: Operations, scopes: Scopes, inner: Longs) -> list[tuple[int, bool]]:
    """Scopes with the polarities that are needed, the innermost first; checks how many objects will
    result.
    """
    if len(scopes.scopes) == 1:
        return [(FILE, False)]
    uses = _uses(operations, scopes, inner)
    order = sorted(
        range(len(scopes.scopes)),
        key=lambda k: (scopes.closed[k] if scopes.closed[k] > 0 else np.inf, -k),
    )
    own = np.bincount(inner[operations.state.code != MOVE], minlength=len(order)).tolist()
    totals = dict.fromkeys(order, 0)
    for scope in order:
        total = own[scope] + sum(totals[child] * times for (child, _), times in uses[scope].items())
        totals[scope] = min(total, MAX_OBJECTS + 1)
    needed: set[tuple[int, bool]] = {(FILE, False)}
    for scope in reversed(order):
        for toggled in (False, True):
            if (scope, toggled) in needed:
                needed |= {(child, toggled != swap) for child, swap in uses[scope]}
    bound_objects(sum(totals[scope] for scope, _ in needed))
    return [
        (scope, toggled)
        for scope in order
        for toggled in (False, True)
        if (scope, toggled) in needed
    ]


def _uses(
    operations: Operations, scopes: Scopes, inner: Longs
) -> list[dict[tuple[int, bool], int]]:
    """For each scope, how often it draws which others, with polarity swapped or not."""
    uses: list[dict[tuple[int, bool], int]] = [{} for _ in scopes.scopes]
    flashes = _flashed_blocks(operations, np.arange(len(inner)))
    triples = np.column_stack(
        (inner[flashes], BLOCKS - operations.used[flashes], ~operations.state.dark[flashes])
    )
    found, counts = np.unique(triples, axis=0, return_counts=True)
    for (scope, block, swap), times in zip(found.tolist(), counts.tolist(), strict=True):
        uses[scope][block, bool(swap)] = times
    for child, stated in enumerate(scopes.scopes):
        if child and stated.number is None:
            uses[stated.parent][child, False] = stated.repeat[0] * stated.repeat[1]
    return uses
