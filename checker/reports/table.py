"""The findings as CSV for a spreadsheet (RFC 4180); verdict, doubts and caution are rows of their
own kind.
"""

from __future__ import annotations

import csv
from typing import TextIO

from checker import wording
from checker.drawing import Pictures
from checker.findings import Finding
from checker.reports import Format
from checker.results.outcome import Outcome, StatedDoubt

COLUMNS = (
    "kind", "number", "group", "id", "rule", "level", "state", "layer", "nets", "components", "regions", "x_mm", "y_mm",
    "measured", "required", "unit", "harm", "message", "hint", "reason", "until", "file", "line",
)  # fmt: skip
# also the wide forms of East Asian text
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")

Cell = str | int | float | None


def write(outcome: Outcome, _: Pictures, stream: TextIO) -> None:
    """Write head row, verdict, findings place by place, doubts, caution."""
    table = csv.writer(stream, lineterminator="\r\n")
    table.writerow(COLUMNS)
    since = outcome.since_baseline
    rows: list[dict[str, Cell]] = [
        {
            "kind": "verdict",
            "level": outcome.verdict,
            "message": "; ".join(
                filter(None, (outcome.standing, wording.tally(outcome.findings), since))
            ),
        }
    ]
    rows += [
        _finding(group.number, finding) for group in outcome.groups for finding in group.members
    ]
    rows += [_doubt(stated) for stated in outcome.doubts]
    rows.append({"kind": "caution", "message": outcome.caution})
    table.writerows([_safe(row.get(column)) for column in COLUMNS] for row in rows)


def _finding(number: int, finding: Finding) -> dict[str, Cell]:
    state = "waived" if finding.waived else "known" if finding.known else ""
    return {
        "kind": "finding",
        "number": number,
        "group": finding.group,
        "id": finding.id,
        "rule": finding.rule,
        "level": str(finding.level),
        "state": state,
        "layer": finding.layer,
        "nets": " ".join(finding.nets),
        "components": " ".join(finding.components),
        "regions": " ".join(finding.regions),
        "x_mm": finding.at[0],
        "y_mm": finding.at[1],
        "measured": finding.measured,
        "required": finding.required,
        "unit": finding.unit,
        "harm": finding.harm,
        "message": finding.message,
        "hint": finding.hint,
        "reason": finding.waived.reason if finding.waived else None,
        "until": str(finding.waived.until) if finding.waived and finding.waived.until else None,
        "file": finding.sources[0].file if finding.sources else None,
        "line": finding.sources[0].line if finding.sources else None,
    }


def _doubt(stated: StatedDoubt) -> dict[str, Cell]:
    doubt, accepted = stated.doubt, stated.accepted
    return {
        "kind": "doubt",
        "state": "accepted" if accepted else "open",
        "message": f"{doubt.what}; {doubt.why}",
        "reason": accepted.reason if accepted else None,
        "until": str(accepted.until) if accepted and accepted.until else None,
        "file": doubt.place.file or None,
        "line": doubt.place.line,
    }


def _safe(cell: Cell) -> Cell:
    """Numbers to the nanometre; text that a spreadsheet would take for a formula ("+5V") gets an
    apostrophe.

    Examples
    --------
    >>> _safe("+5V"), _safe("GND"), _safe(-1.00000049), _safe(None)
    ("'+5V", 'GND', -1.0, '')
    """
    if cell is None:
        return ""
    if isinstance(cell, float):
        return round(cell, 6) + 0.0
    if isinstance(cell, str):
        return (
            f"'{wording.printable(cell)}"
            if cell.lstrip(" ").startswith(FORMULA)
            else wording.printable(cell)
        )
    return cell


FORMAT = Format("csv", "report.csv", write)
