"""The answer to "is isolation needed?" for each quiet input, in three lines, and what other layouts
would make of it.

Never "not needed": copper is judged with the declared currents, the field device by what the rules
file says of it, and safety not at all.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from checker import wording
from checker.findings import Finding

RULE = "shared-return"
NOT_JUDGED = "safety: not judged here"
HEADING = "Quiet inputs: an estimate from copper alone, to compare layouts"
LEFT_OUT = "Filters, parts and cables are not in the files."


@dataclass(frozen=True, slots=True)
class Variant:
    """The board as it is, or as it could be, and the error that one quiet input has there."""

    layout: str
    error: str  # in words
    volts: float | None  # None: not answered, or no direct current at all


@dataclass(frozen=True, slots=True)
class Answer:
    """What is said of one quiet input."""

    finding: str  # its id
    title: str
    lines: tuple[str, ...]  # shared copper, field device, safety
    layouts: tuple[Variant, ...]  # none unless a comparison was asked for


def answers(findings: Iterable[Finding]) -> Iterator[Answer]:
    """An answer for each quiet input that was measured, in report order."""
    for finding in findings:
        if finding.rule == RULE and finding.measured is not None and finding.required is not None:
            lines = _copper(finding), _field_device(finding.detail), NOT_JUDGED
            title = f"{wording.subject(finding)}: is isolation needed?"
            yield Answer(finding.id, title, lines, tuple(_layouts(finding)))


def _copper(finding: Finding) -> str:
    """Whether shared copper fits; what is open can only make it worse."""
    measured, allowed = finding.measured or 0.0, finding.required or 0.0
    told = f"{wording.voltage(measured)} of {wording.voltage(allowed)}"
    if measured > allowed:
        return f"shared copper: exceeds the allowed error with the declared currents, {told}"
    left = finding.detail.get("open")
    if left:
        return f"shared copper: not answered, {told} so far; open: {'; '.join(left)}"
    return f"shared copper: fits the allowed error with the declared currents, {told}"


def _field_device(detail: dict[str, Any]) -> str:
    """What the rules file says of the device at the far end."""
    device, volts = detail.get("field_device"), detail.get("common_mode_v")
    if device == "floating":
        return "field device: floating, fits"
    if device == "earthed":
        by = (
            f"by its {wording.voltage(volts)} of common mode"
            if volts
            else "by its common mode, which is not stated"
        )
        return f"field device: earthed, disturbs {by}"
    return "field device: unknown, not answerable from these files"


def _layouts(finding: Finding) -> Iterator[Variant]:
    """Rows of the comparison, where one was asked for."""
    compared = finding.detail.get("what_if")
    if not isinstance(compared, dict):
        return
    joined, pair = compared["joined_uv"], " and ".join(compared["regions"])
    yield _measured("the board as it is", finding.measured)
    yield _measured(f"one unbroken reference for {pair}", None if joined is None else joined / 1e6)
    left = f"no direct current; {wording.plain(compared['isolated_pf'], 2)} pF left"
    parts = compared["without_parts"]
    yield Variant(
        f"{pair} isolated", left + (f" and what {', '.join(parts)} have" if parts else ""), None
    )


def _measured(layout: str, volts: float | None) -> Variant:
    return Variant(layout, "not answered" if volts is None else wording.voltage(volts), volts)
