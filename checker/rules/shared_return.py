"""No declared current puts more voltage in series with a quiet input than that may have.

Why: where a strong current and a small signal refer to the same copper, the drop of the one stands
in series with the other. Splitting, joining and placing decide how much it is, and no rule of
geometry can tell.
Measured: for each [[quiet_input]] the sum of the amplitudes that the declared currents put in
series with its loop. Direct currents: between its two ground pins, through the whole copper of the
joined reference nets on all layers, plated holes and ties included, on a grid that is halved until
the sum stands still within 1 %; the last step is told as its error. Ripple, from 10 kHz to 10 MHz:
each loop is its routed conductor (the shortest way through the net's copper from pin to pin, closed
by straight lines between the pins of a part) and any reference copper back; loops couple by their
fields, too. Cells are no wider than the trace's distance to the copper, two of them span a moat
that it crosses; the error is what halving them changed, and never less than 15 %. Where that takes
too many cells, where no copper leads from pin to pin, or beyond that range, a doubt and no number.
Copper is taken at 20 degrees, rho 1.724e-8 ohm m; where neither the data nor [stackup] copper
states its thickness, 0.017 mm, the safe side, and that is a doubt. Error above `allowed`, else a
note, so that the number is on record. Not modelled: currents that are not declared, parts, cables,
filters and decoupling capacitors, drops in supply and signal traces, copper that heats up,
inductance of plated holes, skin effect (35 um: above 3.6 MHz), dielectric, copper of nets that are
no reference, and what a pin's own contact drops, which no grid can tell.
Fix: move the current's source or load so that its way back does not pass the input's two grounds,
bring the input's ground to the converter by itself, split with one bridge at the converter, or
isolate. Against ripple: lead the current over unbroken reference and away from the input.
Source: `moatcheck explain words`; Ohm's law and reciprocity; resistivity from IEC 60028, from
memory; inductances from Journal of Research of the NBS 69C (1965), from memory.
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
            hint=_hint(answer),
            detail=_detail(layout, currents, answer) | {"open": list(_open(layout, answer))},
        )


def doubts(layout: Layout) -> Iterator[Doubt]:
    """Pins and copper that leave it open, thickness not stated, grids that could turn it."""
    currents = layout.once(currents_of)
    yield from currents.doubts
    for layer in currents.ground.unknown:
        what = f"copper thickness of {layout.layer_id(layer)} is not known"
        yield Doubt(what, f"{THIN:g} mm is used, the safe side; state it in [stackup] copper")
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
    yield from (current.name for current in layout.rules.currents if current.name not in declared)
    yield from (f"the ripple of {share.current.name}" for share in answer.shares if not share.whole)


def _message(layout: Layout, answer: Answer) -> str:
    spec, left_out = answer.spec, list(_left_out(layout, answer))
    between = f"between {spec.ground[0]} and {spec.ground[1]}"
    parts = [f"; {kind}: {', '.join(told)}" for kind, told in _parts(answer).items() if told]
    verb = "exceed" if answer.exceeds else "so far fit" if left_out else "fit"
    told = (
        f"{_volts(answer.volts)} {between} in series with {spec.net} {verb} {_volts(spec.allowed)}"
        " allowed"
    )
    told += "".join(parts)
    return f"{told}; not in it: {', '.join(left_out)}" if left_out else told


def _hint(answer: Answer) -> str | None:
    """What helps against ripple, where that is most of an excess: loops as small as can be."""
    if not answer.exceeds or answer.ripple is None or 2 * answer.ripple < answer.volts:
        return None
    worst = max(answer.shares, key=lambda share: share.ripple.volts if share.ripple else 0.0)
    return (
        f"Lead {worst.current.net} over one unbroken reference all the way, as near to it and as far"
        f" from {answer.spec.net} as can be, or hold the ripple of {worst.current.name} back where it"
        " arises"
    )


def _parts(answer: Answer) -> dict[str, list[str]]:
    """What each current adds, as direct current and as ripple."""
    shares = _worst_first(answer)
    return {
        "d.c.": [
            f"{s.current.name} {_volts(s.dc)}"
            for s in shares
            if s.current.dc or not s.current.ripple
        ],
        "ripple": [
            f"{s.current.name} {_volts(s.ripple.volts)}" for s in shares if s.ripple is not None
        ],
    }


def _worst_first(answer: Answer) -> list[Share]:
    return sorted(answer.shares, key=lambda share: (-share.volts, share.current.name))


def _detail(layout: Layout, currents: Currents, answer: Answer) -> dict[str, Any]:
    ground = currents.ground
    return {
        "input": answer.number,
        "dc_uv": _micro(answer.dc),
        "ripple_uv": None if answer.ripple is None else _micro(answer.ripple),
        "error_uv": _micro(answer.error),
        "cells_mm": list(answer.cells),
        "ripple_cell_mm": answer.ripple_cell,
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
        "dc_uv": _micro(share.dc),
        "ripple_a": share.current.ripple,
        "ripple_uv": None if share.ripple is None else _micro(share.ripple.volts),
        "allowed_a": None if share.ohms == 0 else answer.spec.allowed / abs(share.ohms),
    }


def _micro(volts: float) -> float:
    """V as uV."""
    return volts * 1e6


def _volts(volts: float) -> str:
    return wording.voltage(volts)
