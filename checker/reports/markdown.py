"""The report for a pull-request comment: verdict, pictures, a table of findings, what is in doubt;
under 60 kB.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TextIO

from checker import wording
from checker.drawing import Pictures
from checker.findings import Finding, Group
from checker.reports import Format
from checker.reports.actions import Actions
from checker.results.answers import HEADING, LEFT_OUT, Answer, answers
from checker.results.outcome import Outcome, StatedDoubt

TABLE_BYTES = 36_000
LIST_BYTES = 7_000  # each of the lists below the table
MOST_WORDS = 400  # characters of one cell
WAIVING = (
    "The text that waives a finding or accepts a doubt: `moatcheck check` with `--format waivers`."
)
SPECIAL = re.compile(r"([\\`*_{}\[\]<>()#+!|~@&])")


def write(outcome: Outcome, pictures: Pictures, stream: TextIO) -> None:
    """Write the comment; what does not fit is counted and left to the JSON report."""
    groups = outcome.groups
    waived = [
        (group.number, finding) for group in groups for finding in group.members if finding.waived
    ]
    parts = [
        _head(outcome),
        _pictures(pictures.files),
        _list("Doubts, not accepted", (_doubt(d) for d in outcome.doubts if d.accepted is None)),
        _table([group for group in groups if not group.waived]),
        (
            WAIVING
            if any(not group.waived for group in groups) or outcome.verdict == "incomplete"
            else ""
        ),
        _quiet_inputs(list(answers(outcome.findings))),
        _list("Waived", (_waived(number, finding) for number, finding in waived)),
        _list("Doubts, accepted", (_doubt(d) for d in outcome.doubts if d.accepted is not None)),
        _list(
            "Did not run, or not in full",
            (f"- {c.rule}: {plain(c.why)}" for c in outcome.checks if c.why),
        ),
        f"> {plain(outcome.caution, 2000)}",
    ]
    stream.write("\n\n".join(part for part in parts if part) + "\n")


def _head(outcome: Outcome) -> str:
    lines = [
        f"## {plain(outcome.verdict_line)}",
        f"**{plain(outcome.title or outcome.path)}**",
        f"{wording.tally(outcome.findings)}",
    ]
    lines += [outcome.since_baseline] if outcome.since_baseline else []
    return "\n\n".join(lines)


def _pictures(files: Sequence[str]) -> str:
    """Names of the pictures; no links: where the comment stands, the files beside the report can't
    be reached.
    """
    return (
        f"Pictures beside the report: {', '.join(code(name) for name in files[:32])}"
        if files
        else ""
    )


def _table(groups: Sequence[Group]) -> str:
    """A row for each place, worst first."""
    if not groups:
        return ""
    head = [
        "| # | level | rule | what | layer | place mm | measured | required |",
        "|--:|---|---|---|---|---|--:|--:|",
    ]
    actions = Actions()
    return "\n".join(
        _capped(
            head, (_row(group, actions) for group in groups), TABLE_BYTES, "| | | | {} | | | | |"
        )
    )


def _row(group: Group, actions: Actions) -> str:
    finding = group.worst
    known = " (known)" if finding.known else ""
    what = plain(finding.message)
    if len(group.members) > 1:
        what += f" **{plain(wording.company(group))}**"
    to_do = actions.of(finding, group.number)
    what += f" **To do:** {plain(to_do)}" if to_do else ""
    measured, required = wording.measurement(finding), wording.requirement(finding)
    rule, layers = ", ".join(group.rules), ", ".join(group.layers)
    cells = (
        str(group.number),
        f"{group.level}{known}",
        rule,
        what,
        layers,
        wording.place(finding.at),
    )
    return f"| {' | '.join((*cells, measured, required))} |"


def _quiet_inputs(told: Sequence[Answer]) -> str:
    """The lines for each quiet input, and other layouts beside the board in a table."""
    if not told:
        return ""
    blocks = _capped([f"### {HEADING}"], map(_answer, told), LIST_BYTES, "{}")
    return "\n\n".join([*blocks, LEFT_OUT])


def _answer(answer: Answer) -> str:
    said = "\n".join(
        [f"**{plain(answer.title)}**", "", *(f"- {plain(line)}" for line in answer.lines)]
    )
    rows = [f"| {plain(variant.layout)} | {plain(variant.error)} |" for variant in answer.layouts]
    return "\n".join([said, "", "| layout | error |", "|---|---|", *rows]) if rows else said


def _waived(number: int, finding: Finding) -> str:
    reason = plain(finding.waived.reason) if finding.waived else ""
    return (
        f"- {number}. {finding.rule} {code(wording.subject(finding))} {wording.place(finding.at)}:"
        f" {reason}"
    )


def _doubt(stated: StatedDoubt) -> str:
    place = f"{code(str(stated.doubt.place))} " if stated.doubt.place.file else ""
    reason = f" **Accepted:** {plain(stated.accepted.reason)}" if stated.accepted else ""
    return f"- {place}{plain(stated.doubt.what)}: {plain(stated.doubt.why)}{reason}"


def _list(heading: str, items: Iterable[str]) -> str:
    lines = _capped([f"### {heading}", ""], items, LIST_BYTES, "- {}")
    return "\n".join(lines) if len(lines) > 2 else ""


def _capped(head: list[str], items: Iterable[str], budget: int, more: str) -> list[str]:
    """Lines up to a number of bytes, and a count of those left out."""
    lines, left, skipped = list(head), budget, 0
    for item in items:
        left -= len(item.encode()) + 1
        if left >= 0:
            lines.append(item)
        else:
            skipped += 1
    return [*lines, more.format(f"and {skipped} more, all in report.json")] if skipped else lines


def plain(words: str, most: int = MOST_WORDS) -> str:
    """Words on one line that Markdown and HTML take as they are: nothing is formatted, linked or
    mentioned.

    Examples
    --------
    >>> plain("<b>|*x*")
    '\\\\<b\\\\>\\\\|\\\\*x\\\\*'
    """
    joined = " ".join("".join(c if c.isprintable() else " " for c in words).split())
    return SPECIAL.sub(r"\\\1", joined if len(joined) <= most else joined[:most] + "...")


def code(words: str) -> str:
    """A name as a code span; a backtick cannot stand in one, a pipe would end a table's cell."""
    joined = " ".join("".join(c if c.isprintable() else " " for c in words).split())
    short = joined if len(joined) <= MOST_WORDS else joined[:MOST_WORDS] + "..."
    return f"`{short.replace('`', chr(0x27)).replace('|', chr(0x00A6))}`" if short else ""


FORMAT = Format("markdown", "report.md", write)
