"""Old parameters of the whole image: mirror and scale, offset, rotation, swapped axes, negative
polarity.

The Gerber Layer Format Specification 2023.08, 8.1.2 to 8.1.9: they apply in that order; mirror and
scale act on coordinates only, not on apertures. All are deprecated, and readers differ in what they
make of them, so any that is not neutral is carried out and doubted.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from parsers.assembly.diagnostics import Diagnostics
from parsers.gerber.blocks import Drawn, Transform, copied, transformed
from parsers.gerber.commands import Command
from parsers.gerber.state import CommandStream

NEUTRAL = (
    Command("OF", (0.0, 0.0)),
    Command("IR", (0,)),
    Command("AS", (False,)),
    Command("MI", (0.0, 0.0)),
    Command("SF", (1.0, 1.0)),
    Command("IP", (True,)),
)


def image_scale(stream: CommandStream) -> tuple[float, float]:
    """Factors of x and y that MI and SF state."""
    x, y = 1.0, 1.0
    for row in stream.rows("MI", "SF").tolist():
        command = stream.command(row)
        a, b = (float(value) for value in command.value)
        x, y = (x * a, y * b) if command.code == "SF" else (x * (1 - 2 * a), y * (1 - 2 * b))
    return x, y


def check_image(stream: CommandStream, diagnostics: Diagnostics) -> None:
    """Report parameters that are not neutral."""
    for row in stream.rows("OF", "IR", "AS", "MI", "SF", "IP").tolist():
        if stream.command(row) not in NEUTRAL:
            what, word = (
                f"old image parameter {stream.text(row)}",
                int(stream.words.command_word[row]),
            )
            diagnostics.add(what, "readers differ in what they make of it", word)


def on_image(drawn: Drawn, stream: CommandStream, unit: float) -> Drawn:
    """Apply offset (OF), quarter turns (IR) and swapped axes (AS) to the finished image."""
    latest = {
        code: stream.command(row).value
        for code in ("OF", "IR", "AS")
        for row in stream.rows(code).tolist()
    }
    offset = np.array(latest.get("OF", (0.0, 0.0))) * unit
    if offset.any():
        drawn = replace(copied(drawn, offset[None, :], drawn.order[:1]), order=drawn.order)
    matrix = Transform(turn=latest.get("IR", (0,))[0]).matrix()
    if latest.get("AS", (False,))[0]:
        matrix = np.array([[0.0, 1.0], [1.0, 0.0]]) @ matrix
    return replace(drawn, objects=transformed(drawn.objects, matrix))
