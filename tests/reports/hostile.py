"""Outcomes that try to break out of a report: markup, control characters, formulas, long names, odd
numbers.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from checker.findings import Finding, Level, Source, Waived, identified
from checker.results.outcome import Doubt, Outcome, Place, StatedDoubt
from tests.reports import sample

NAMES = (
    "</script><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "a|b`c*d_e[f](g)",
    "=HYPERLINK(A1)",
    "+5V",
    "@someone #1",
    "line\nbreak\ttab",
    "\x1b[31mred\x1b[0m\x00\x07",
    "µ_Ω_日本_🙂",
    "\\percent%star*,comma",
    "{{data}}",
    "]]>&amp;",
    "rlo\u202eevil\u2066isolate\u200f",
    "N" * 300,
    "",
)


def findings() -> list[Finding]:
    """A finding for each name, and some with numbers that no rule should make."""
    made = [
        Finding(
            rule="gap-crossing",
            level=Level.ERROR,
            message=f"{name} crosses",
            at=(float(i), 1.0),
            nets=(name,),
            layer="L1",
            hint=name or None,
            detail={"name": name, "list": [name, 1.5]},
            sources=(Source(name, name or "?", i or None), Source(name, "\x00" + name, 7)),
            waived=Waived(name) if name and i % 3 == 0 else None,
        )
        for i, name in enumerate(NAMES)
    ]
    odd = Finding(
        rule="clearance",
        level=Level.ERROR,
        message="odd numbers",
        at=(-0.0, 1e-9),
        measured=float("inf"),
        required=np.float64(6.4),
        detail={"nan": float("nan"), "count": np.int64(3), "mask": np.bool_(True)},
    )
    return identified([*made, odd])


def outcome() -> Outcome:
    """An outcome full of them."""
    doubts = tuple(StatedDoubt(Doubt(name or "?", name, Place(name, 3))) for name in NAMES)
    return replace(
        sample.outcome(findings=tuple(findings()), doubts=doubts, title=NAMES[0], path=NAMES[1]),
        remarks=tuple(Doubt(name, name) for name in NAMES),
    )
