"""What to do about a finding: its own hint, else what its rule's manual says under Fix."""

from __future__ import annotations

from checker import wording
from checker.findings import Finding, Level
from checker.rules import registry as rules


def action(finding: Finding) -> str:
    """A sentence that says what to do; nothing for a note without a hint, which asks for
    nothing.
    """
    if finding.hint:
        return wording.sentence(finding.hint)
    module = rules().get(finding.rule)
    return wording.sentence(module.manual.fix) if module and finding.level > Level.NOTE else ""


class Actions:
    """Says what to do, and the same words once: then only where they stand."""

    def __init__(self) -> None:
        self._told: dict[str, int] = {}  # what to do -> number of the place that says it

    def of(self, finding: Finding, number: int) -> str:
        """What to do about the finding that tells a place of that number."""
        words = action(finding)
        first = self._told.setdefault(words, number)
        return f"As for {first}." if words and first != number else words
