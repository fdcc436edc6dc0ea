"""Which step is the board."""

from __future__ import annotations

import numpy as np

from parsers.assembly.diagnostics import Diagnostics
from parsers.ipc2581.columns import Sets
from parsers.ipc2581.layers import COPPER
from parsers.ipc2581.raw import Document, RawStep
from parsers.trouble import BoardError, Doubt, Place


def choose_step(
    document: Document, sets: Sets, wanted: str | None, doubts: Diagnostics, remarks: list[Doubt]
) -> RawStep:
    """The step that the user names, else the one that is a board.

    Raises
    ------
    BoardError : there is none
    """
    steps = {name: step for name, step in document.steps.items() if name}
    place = Place(doubts.file)
    if not steps:
        raise BoardError("holds no Step, so no board; export layout data", place)
    if wanted is not None and wanted not in steps:
        raise BoardError(f"has no step {wanted!r}; it has {', '.join(sorted(steps))}", place)
    chosen = (
        steps[wanted] if wanted is not None else _board_step(document, sets, steps, doubts, remarks)
    )
    _doubt_repeats(chosen, doubts)
    return chosen


def _board_step(
    document: Document,
    sets: Sets,
    steps: dict[str, RawStep],
    doubts: Diagnostics,
    remarks: list[Doubt],
) -> RawStep:
    """Of the steps with copper the one that is no panel, that says it is a board, or that a panel
    repeats.
    """
    with_copper = _with_copper(document, sets, steps) or list(steps.values())
    candidates = with_copper
    repeated = {name for step in steps.values() for name, _ in step.repeats}
    for wanted in (
        lambda step: step.kind != "PALLET",
        lambda step: step.kind == "BOARD",
        lambda step: step.name in repeated,
        lambda step: not step.repeats,
    ):
        candidates = [step for step in candidates if wanted(step)] or candidates
    for step in with_copper:
        if step in candidates[1:]:
            doubts.add(
                f"step {step.name} is not checked", "name the step that is the board", step.line
            )
        elif step is not candidates[0]:
            what = f"step {step.name} has copper of its own that is not checked"
            remarks.append(
                Doubt(what, "it is a panel round the board", Place(doubts.file, step.line))
            )
    return candidates[0]


def _with_copper(document: Document, sets: Sets, steps: dict[str, RawStep]) -> list[RawStep]:
    layers = document.layers.items()
    copper = [
        document.tables.layers.get(name, -1) for name, raw in layers if raw.function in COPPER
    ]
    drawn = set(sets.step[np.isin(sets.layer, copper)].tolist())
    return [step for step in steps.values() if document.tables.steps[step.name] in drawn]


def _doubt_repeats(chosen: RawStep, doubts: Diagnostics) -> None:
    for name, line in chosen.repeats:
        doubts.add(
            f"step {chosen.name} repeats step {name}, which is not drawn",
            "name the step that is the board",
            line,
        )
    if chosen.zones:
        doubts.add(
            f"step {chosen.name} has zones of other stackups", "one stackup is taken", chosen.line
        )
