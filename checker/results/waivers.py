"""Marks findings as waived and doubts as accepted; nothing is removed, what matches nothing is
told.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from fnmatch import fnmatchcase
from math import hypot

from checker.config.rules_file import AcceptedDoubt, Rules, WaiverSpec
from checker.findings import Finding, Waived
from checker.results.outcome import StatedDoubt
from checker.wording import count
from parsers.trouble import Doubt


def waive(
    findings: Sequence[Finding], rules: Rules, today: date
) -> tuple[list[Finding], list[Doubt]]:
    """Mark findings that a waiver covers.

    Returns
    -------
    findings in the same order, and remarks: waivers that match nothing and waivers that have
    expired
    """
    out = list(findings)
    remarks: list[Doubt] = []
    for number, waiver in enumerate(rules.waivers):
        place = rules.place(f"waiver[{number}]")
        hits = [i for i, finding in enumerate(out) if _covers(waiver, finding)]
        if not hits:
            remarks.append(
                Doubt(
                    f"waiver for {_subject(waiver)} matches nothing", "remove it or mend it", place
                )
            )
        elif _expired(waiver.until, today):
            why = (
                f"it ended on {waiver.until} and does not count; stands again:"
                f" {count(len(hits), 'finding')}"
            )
            remarks.append(Doubt(f"waiver for {_subject(waiver)} has expired", why, place))
        else:
            for i in hits:
                out[i] = replace(out[i], waived=Waived(waiver.reason, waiver.until))
    return out, remarks


def accept(
    doubts: Iterable[Doubt], rules: Rules, today: date
) -> tuple[list[StatedDoubt], list[Doubt]]:
    """Mark doubts that the rules file accepts; remarks tell of acceptances that match nothing or
    have expired.
    """
    stated = [StatedDoubt(doubt) for doubt in doubts]
    remarks: list[Doubt] = []
    for number, accepted in enumerate(rules.accepted_doubts):
        place = rules.place(f"accepted_doubt[{number}]")
        hits = [i for i, entry in enumerate(stated) if _means(accepted, entry.doubt)]
        if not hits:
            remarks.append(
                Doubt(
                    f'accepted doubt "{accepted.what}" matches nothing',
                    "remove it or mend it",
                    place,
                )
            )
        elif _expired(accepted.until, today):
            why = f"it ended on {accepted.until} and does not count"
            remarks.append(Doubt(f'accepted doubt "{accepted.what}" has expired', why, place))
        else:
            for i in hits:
                stated[i] = replace(stated[i], accepted=Waived(accepted.reason, accepted.until))
    return stated, remarks


def uses_dates(rules: Rules) -> bool:
    """Whether the outcome depends on the day it was made."""
    dates = [*(w.until for w in rules.waivers), *(d.until for d in rules.accepted_doubts)]
    return any(until is not None for until in dates)


def _covers(waiver: WaiverSpec, finding: Finding) -> bool:
    if finding.rule != waiver.rule:
        return False
    if waiver.net is not None and not any(fnmatchcase(net, waiver.net) for net in finding.nets):
        return False
    if waiver.near is None:
        return True
    return _distance(waiver.near, finding) <= waiver.radius


def _distance(at: tuple[float, float], finding: Finding) -> float:
    """From a place to the finding's own place."""
    return hypot(at[0] - finding.at[0], at[1] - finding.at[1])


def _means(accepted: AcceptedDoubt, doubt: Doubt) -> bool:
    return doubt.what == accepted.what


def _expired(until: date | None, today: date) -> bool:
    return until is not None and today > until


def _subject(waiver: WaiverSpec) -> str:
    net = f" of {waiver.net}" if waiver.net else ""
    near = f" near ({waiver.near[0]:g}, {waiver.near[1]:g})" if waiver.near else ""
    return f"{waiver.rule}{net}{near}"
