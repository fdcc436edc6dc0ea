"""The outcome of a check: all that a report may show, in plain values. Reports import this and
nothing of parsers.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from checker.findings import Finding, Group, Level, Waived, grouped
from checker.rules import registry
from checker.wording import count, places
from parsers.trouble import Doubt, Place

__all__ = [
    "Check",
    "Doubt",
    "Finding",
    "Group",
    "InputFile",
    "Level",
    "Outcome",
    "Place",
    "RegionRow",
    "StatedDoubt",
    "Waived",
    "counts",
]

CAUTION = (
    "A geometric aid, not a certification: the applicable standard, its edition and a qualified"
    " person decide; the table's values are the user's. No table is applied unasked."
)
UNSEEN = (
    "Screw heads, standoffs, heatsinks and shields are not in the files; none is declared, so none"
    " was measured."
)


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file that was read, or a table."""

    path: str
    sha256: str
    layer: str | None = None
    function: str = ""


@dataclass(frozen=True, slots=True)
class RegionRow:
    """A region as found: per layer the number of its pours and their area in mm2."""

    name: str
    reference: tuple[str, ...]
    quiet: bool
    pours: tuple[tuple[str, int, float], ...]  # (layer id, pieces, area)


@dataclass(frozen=True, slots=True)
class Check:
    """Whether a rule ran, and if not, why."""

    rule: str
    ran: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class StatedDoubt:
    """A doubt with its acceptance, if the rules file accepts it."""

    doubt: Doubt
    accepted: Waived | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """Result of one check, complete and in order."""

    verdict: str  # pass | fail | incomplete
    caution: str
    fail_on: Level
    title: str
    path: str
    format: str
    files: tuple[InputFile, ...]
    rules_path: str
    rules_sha256: str
    tables: tuple[InputFile, ...]
    thickness: float | None
    bounds: tuple[float, float, float, float] | None
    layers: tuple[tuple[str, str, str], ...]  # (id, name, side)
    nets: int
    holes: int
    components: int
    regions: tuple[RegionRow, ...]
    checks: tuple[Check, ...]
    findings: tuple[Finding, ...]  # in report order
    doubts: tuple[StatedDoubt, ...]
    remarks: tuple[Doubt, ...]
    today: date | None = None  # only if a date was used
    baseline: int | None = None  # findings of the earlier report that these were held against
    version: str = ""

    def count(self, level: Level) -> int:
        """Findings of a level that are not waived."""
        return sum(f.level == level and f.waived is None for f in self.findings)

    @property
    def groups(self) -> tuple[Group, ...]:
        """The findings by cause, worst group first."""
        return grouped(self.findings)

    @property
    def verdict_line(self) -> str:
        """The verdict, what it counts, and what was not judged: "FAIL: 9 places (106 findings)"."""
        return f"{self.verdict.upper()}: {self.standing}"

    @property
    def standing(self) -> str:
        """Places and findings, doubts that nobody accepted, checks that did not run."""
        open_doubts = sum(stated.accepted is None for stated in self.doubts)
        idle = sum(not check.ran for check in self.checks)
        found = ", ".join(
            filter(None, (places(self.groups), f"{self.waived} waived" if self.waived else ""))
        )
        doubts = f"; {count(open_doubts, 'doubt')} not accepted" if open_doubts else ""
        return found + doubts + (f"; {count(idle, 'check')} did not run" if idle else "")

    @property
    def waived(self) -> int:
        """Findings that a waiver covers."""
        return sum(f.waived is not None for f in self.findings)

    @property
    def since_baseline(self) -> str:
        """Say how the findings stand to the baseline, and which known ones fail all the same; empty
        without one.
        """
        if self.baseline is None:
            return ""
        known = [finding for finding in self.findings if finding.known]
        new, gone = len(self.findings) - len(known), self.baseline - len(known)
        said = f"against the baseline: {len(known)} known, {new} new, {gone} gone"
        failing = sorted({finding.rule for finding in known if counts(finding, self.fail_on)})
        return (
            f"{said}; known findings of {', '.join(failing)} fail all the same" if failing else said
        )


def counts(finding: Finding, fail_on: Level) -> bool:
    """Whether a finding fails the check: not waived, and not known unless it is about safety."""
    module = registry().get(finding.rule)
    silenced = finding.known and not (module is not None and module.rule.safety)
    return finding.level >= fail_on and finding.waived is None and not silenced
