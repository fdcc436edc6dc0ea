"""No declared current puts more voltage in series with a quiet input than that may have.

Why: where a strong current and a small signal refer to the same copper, the drop of the one stands
in series with the other. Splitting, joining and placing decide how much it is, and no rule of
geometry can tell.
Measured: for each [[quiet_input]] the sum of the amplitudes that the declared currents put between
its two ground pins: direct currents through the whole copper of the joined reference nets on all
layers, plated holes and ties included, on a grid that is halved until the sum stands still within 1
%; the last step is told as its error. Copper is taken at 20 degrees, rho 1.724e-8 ohm m; where
neither the data nor [stackup] copper states its thickness, 0.017 mm, the safe side, and that is a
doubt. Error above `allowed`, else a note, so that the number is on record. Not modelled: currents
that are not declared, ripple (a doubt where it is declared), parts, cables and filters, drops in
supply and signal traces, copper that heats up, and what a pin's own contact drops, which no grid
can tell.
Fix: move the current's source or load so that its way back does not pass the input's two grounds,
bring the input's ground to the converter by itself, split with one bridge at the converter, or
isolate.
Source: `moatcheck explain words`; Ohm's law and reciprocity; resistivity from IEC 60028, from
memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from checker import wording
from checker.findings import Finding, Level
from checker.layout.layout import Layout
from checker.returns.ground import THIN
from checker.returns.quiet_inputs import Answer, Currents, Share, currents_of
from checker.rules import Rule
from parsers.trouble import Doubt

RULE = Rule(
    "shared-return",
    title="Currents disturb a quiet input",
    level=Level.ERROR,
    unit="V",
    shares="currents of references",
)


def why_not(layout: Layout) -> str | None:
    """It needs both sides of the question."""
    if not layout.rules.currents:
        return "no [[current]] is declared"
    return None if layout.rules.quiet_inputs else "no [[quiet_input]] is declared"


def find(layout: Layout) -> Iterator[Finding]:
    """One finding per quiet input, an error or a note."""
    currents = layout.once(currents_of)
    for answer in currents.answers:
        yield layout.finding(
            RULE,
            level=RULE.level if answer.exceeds else Level.NOTE,
            message=_message(layout, answer),
            at=answer.at,
            nets=layout.matching((answer.spec.net,)).tolist(),
            components=tuple(dict.fromkeys((answer.spec.start.part, answer.spec.end.part))),
            path=(tuple(place.at for place in answer.ground),),
            measured=answer.volts,
            required=answer.spec.allowed,
            harm=answer.volts / answer.spec.allowed,
            detail=_detail(layout, currents, answer) | {"open": list(_open(layout, answer))},
        )


def doubts(layout: Layout) -> Iterator[Doubt]:
    """Pins and copper that leave the question open, thickness that nobody states, ripple, grids
    that could turn it.
    """
    currents = layout.once(currents_of)
    yield from currents.doubts
    for layer in currents.ground.unknown:
        what = f"copper thickness of {layout.layer_id(layer)} is not known"
        yield Doubt(what, f"{THIN:g} mm is used, the safe side; state it in [stackup] copper")
    for number, current in enumerate(layout.rules.currents):
        if current.ripple:
            what = f"the ripple of {current.name} was not computed"
            why = "only its direct current is in the numbers; judge the ripple by other means"
            yield Doubt(what, why, layout.rules.place(f"current[{number}].ripple"))
    for answer in currents.answers:
        if not answer.decided:
            what = f"a finer grid could turn what is told of input {answer.spec.net}"
            why = (
                f"{_volts(answer.volts)}, give or take {_volts(answer.error)}, against"
                f" {_volts(answer.spec.allowed)}"
            )
            yield Doubt(what, why, layout.rules.place(f"quiet_input[{answer.number}].allowed"))


def _open(layout: Layout, answer: Answer) -> Iterator[str]:
    """Why the number is not the whole answer, in words."""
    yield from (doubt.what for doubt in doubts(layout))
    declared = {share.current.name for share in answer.shares}
    yield from (
        f"{c.name} is not in the sum" for c in layout.rules.currents if c.name not in declared
    )


def _left_out(layout: Layout, answer: Answer) -> Iterator[str]:
    """Declared currents that the number does not hold."""
    declared = {share.current.name for share in answer.shares}
    for current in layout.rules.currents:
        if current.name not in declared:
            yield current.name
        elif current.ripple:
            yield f"the ripple of {current.name}"


def _message(layout: Layout, answer: Answer) -> str:
    spec, left_out = answer.spec, list(_left_out(layout, answer))
    between = f"between {spec.ground[0]} and {spec.ground[1]}"
    parts = ", ".join(
        f"{share.current.name} {_volts(share.volts)}" for share in _worst_first(answer)
    )
    verb = "exceed" if answer.exceeds else "so far fit" if left_out else "fit"
    told = (
        f"{_volts(answer.volts)} {between} in series with {spec.net} {verb} {_volts(spec.allowed)}"
        " allowed"
    )
    told += f"; d.c.: {parts}" if parts else ""
    return f"{told}; not in it: {', '.join(left_out)}" if left_out else told


def _worst_first(answer: Answer) -> list[Share]:
    return sorted(answer.shares, key=lambda share: (-share.volts, share.current.name))


def _detail(layout: Layout, currents: Currents, answer: Answer) -> dict[str, Any]:
    ground = currents.ground
    return {
        "input": answer.number,
        "dc_uv": _micro(answer.volts),
        "ripple_uv": None,
        "error_uv": _micro(answer.error),
        "cells_mm": list(answer.cells),
        "currents": [_share(answer, share) for share in _worst_first(answer)],
        "copper_mm": {
            layout.layer_id(n): t for n, t in zip(ground.layers, ground.thickness, strict=True)
        },
        "assumed": list(ground.assumed),
        "field_device": answer.spec.field_device,
        "common_mode_v": answer.spec.common_mode,
    }


def _share(answer: Answer, share: Share) -> dict[str, Any]:
    """One current, with the amperes of it that the input allows were it alone."""
    return {
        "name": share.current.name,
        "dc_a": share.current.dc,
        "dc_uv": _micro(share.volts),
        "ripple_uv": None,
        "allowed_a": None if share.ohms == 0 else answer.spec.allowed / abs(share.ohms),
    }


def _micro(volts: float) -> float:
    """V as uV."""
    return volts * 1e6


def _volts(volts: float) -> str:
    return wording.voltage(volts)
