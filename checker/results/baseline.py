"""Matches the findings of two checks, and marks those that an earlier report already holds.

Findings are matched by what they are about (rule, nets, layer) and by place, so that a renamed
region or a part of another name renews nothing. A board that moved as a whole moves all its
findings: the common shift is found first.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from checker.findings import XY, Finding
from parsers.trouble import InputError, Place

REACH = 5.0  # mm; a finding about the same thing further away than this is another finding
STILL = 0.05  # mm; less than this is no move


@dataclass(frozen=True, slots=True)
class Past:
    """A finding as a report holds it."""

    id: str
    rule: str
    level: str
    nets: tuple[str, ...]
    components: tuple[str, ...]
    regions: tuple[str, ...]
    layer: str | None
    at: XY
    message: str
    waived: bool = False

    @property
    def subject(self) -> tuple[Any, ...]:
        """What it is about."""
        return (self.rule, tuple(sorted(self.nets)), self.layer)


@dataclass(frozen=True, slots=True)
class Match:
    """Pairs of positions in the old and the new list; `shift` is the common move of the board."""

    pairs: tuple[tuple[int, int], ...]
    shift: XY


def past(finding: Finding) -> Past:
    """A finding of this run in the form of a report's."""
    return Past(
        finding.id,
        finding.rule,
        str(finding.level),
        finding.nets,
        finding.components,
        finding.regions,
        finding.layer,
        finding.at,
        finding.message,
        finding.waived is not None,
    )


def read_report(path: Path) -> list[Past]:
    """Findings of a JSON report; see `read_outcome`."""
    return list(read_outcome(path).findings)


@dataclass(frozen=True, slots=True)
class PastOutcome:
    """What a report tells of a check."""

    verdict: str
    findings: tuple[Past, ...]


def read_outcome(path: Path) -> PastOutcome:
    """Verdict and findings of a JSON report.

    Raises
    ------
    InputError : no such file, or no report of this tool
    """
    place = Place(str(path))
    try:
        data = json.loads(path.read_bytes())
    except OSError as error:
        raise InputError(f"cannot read it: {error.strerror}; check the path", place) from None
    except (ValueError, RecursionError):
        raise InputError("is no JSON; give a report.json of an earlier check", place) from None
    if (
        not isinstance(data, dict)
        or data.get("schema") != 1
        or not isinstance(data.get("findings"), list)
    ):
        raise InputError(
            "is no report of this tool (schema 1); give a report.json of an earlier check", place
        )
    try:
        return PastOutcome(
            str(data.get("verdict", "")), tuple(_past_of(entry) for entry in data["findings"])
        )
    except (KeyError, TypeError, ValueError, AttributeError):
        raise InputError(
            "holds a finding that is not whole; write the report anew", place
        ) from None


def match(old: Sequence[Past], new: Sequence[Past]) -> Match:
    """Pair the findings of two checks that are about the same thing at the same place of the
    board.
    """
    shift = _common_shift(old, new)
    groups: dict[tuple[Any, ...], tuple[list[int], list[int]]] = defaultdict(lambda: ([], []))
    for i, entry in enumerate(old):
        groups[entry.subject][0].append(i)
    for i, entry in enumerate(new):
        groups[entry.subject][1].append(i)
    pairs: list[tuple[int, int]] = []
    for olds, news in groups.values():
        pairs += _nearest_pairs(old, olds, new, news, shift)
    return Match(tuple(sorted(pairs)), shift)


def mark_known(findings: Sequence[Finding], baseline: Sequence[Past]) -> list[Finding]:
    """Findings in the same order, those that the baseline holds marked as known."""
    known = {j for _, j in match(baseline, [past(f) for f in findings]).pairs}
    return [replace(finding, known=i in known) for i, finding in enumerate(findings)]


def _past_of(entry: Mapping[str, Any]) -> Past:
    x, y = entry["at_mm"]
    return Past(
        str(entry["id"]),
        str(entry["rule"]),
        str(entry["level"]),
        tuple(map(str, entry["nets"])),
        tuple(map(str, entry["components"])),
        tuple(map(str, entry["regions"])),
        entry["layer"],
        (float(x), float(y)),
        str(entry["message"]),
        entry.get("waived") is not None,
    )


def _common_shift(old: Sequence[Past], new: Sequence[Past]) -> XY:
    """Median move of the findings that are alone with their subject in both lists; none if there
    are too few.
    """
    places: dict[tuple[Any, ...], tuple[list[XY], list[XY]]] = defaultdict(lambda: ([], []))
    for entry in old:
        places[entry.subject][0].append(entry.at)
    for entry in new:
        places[entry.subject][1].append(entry.at)
    moves = [np.subtract(b[0], a[0]) for a, b in places.values() if len(a) == len(b) == 1]
    if not moves:
        return (0.0, 0.0)
    shift = np.median(moves, axis=0)
    agree = np.hypot(*(np.array(moves) - shift).T) <= STILL
    if agree.sum() * 2 <= len(moves):  # no common move: parts moved one by one
        return (0.0, 0.0)
    return (float(shift[0]), float(shift[1]))


def _nearest_pairs(
    old: Sequence[Past], olds: Sequence[int], new: Sequence[Past], news: Sequence[int], shift: XY
) -> list[tuple[int, int]]:
    # takes half a second that few runs need
    from scipy.optimize import linear_sum_assignment  # noqa: PLC0415

    if not olds or not news:
        return []
    a = np.array([old[i].at for i in olds]) + shift
    b = np.array([new[i].at for i in news])
    distance = np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1])
    rows, columns = linear_sum_assignment(np.where(distance <= REACH, distance, 1e6))
    pairs = zip(rows.tolist(), columns.tolist(), strict=True)
    return [(olds[r], news[c]) for r, c in pairs if distance[r, c] <= REACH]
