"""The report for a terminal: 80 columns, verdict first, what to do beside every finding."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import TextIO

from checker import wording
from checker.drawing import Pictures
from checker.findings import Finding, Level
from checker.reports import Format
from checker.results.outcome import Check, Doubt, Outcome, StatedDoubt
from checker.rules import registry as rules

WIDTH = 80
MOST_PER_RULE = 20
MOST_DOUBTS = 30

RESET = "\x1b[0m"
INKS = {
    "fail": "\x1b[1;31m",
    "incomplete": "\x1b[1;35m",
    "pass": "\x1b[1;32m",
    "error": "\x1b[31m",
    "warning": "\x1b[33m",
    "note": "\x1b[36m",
    "strong": "\x1b[1m",
    "faint": "\x1b[2m",
}

Numbered = tuple[int, Finding]


class Ink:
    """Colours words if told to; without colour the words stand as they are."""

    def __init__(self, *, on: bool) -> None:
        self._on = on

    def __call__(self, ink: str, words: str) -> str:
        """Give the words in a colour named in INKS."""
        return f"{INKS[ink]}{words}{RESET}" if self._on and ink in INKS else words


def write(outcome: Outcome, pictures: Pictures, stream: TextIO) -> None:
    """Write the report; the first line is the verdict, the last words are the caution."""
    ink = Ink(on=pictures.colour)
    stream.writelines(f"{line}\n" for line in _lines(outcome, ink))


def _lines(outcome: Outcome, ink: Ink) -> Iterator[str]:
    yield from _head(outcome, ink)
    yield from _doubts([d for d in outcome.doubts if d.accepted is None], ink)
    numbered = list(enumerate(outcome.findings, 1))
    yield from _findings([(n, f) for n, f in numbered if f.waived is None], ink)
    yield from _waived([(n, f) for n, f in numbered if f.waived is not None], ink)
    yield from _accepted([d for d in outcome.doubts if d.accepted is not None], ink)
    yield from _checks(outcome.checks, ink)
    yield from _remarks(outcome.remarks, ink)
    yield ""
    yield from _wrapped(outcome.caution)


def _head(outcome: Outcome, ink: Ink) -> Iterator[str]:
    yield f"{ink(outcome.verdict, outcome.verdict.upper())}  {_clipped(outcome.title or outcome.path, 60)}"
    yield f"{wording.tally(outcome.findings)}; {outcome.fail_on}s{' and worse' * (outcome.fail_on < Level.ERROR)} fail"
    yield from _wrapped(outcome.since_baseline)
    open_doubts = sum(stated.accepted is None for stated in outcome.doubts)
    if open_doubts:
        yield from _wrapped(
            f"{wording.count(open_doubts, 'doubt')} not accepted: what could not be read cannot pass; see below"
        )
    yield from _wrapped(_board(outcome))
    if outcome.today is not None:
        yield f"dates of waivers and accepted doubts are held against {outcome.today}"


def _board(outcome: Outcome) -> str:
    size = ""
    if outcome.bounds is not None:
        x0, y0, x1, y1 = outcome.bounds
        size = f", {wording.plain(x1 - x0, 2)} x {wording.plain(y1 - y0, 2)} mm"
    counted = (
        wording.count(len(outcome.layers), "layer"),
        wording.count(outcome.nets, "net"),
        wording.count(outcome.holes, "hole"),
        wording.count(outcome.components, "component"),
    )
    return f"{outcome.path} ({outcome.format}{size}): {', '.join(counted)}; rules {outcome.rules_path}"


def _findings(findings: Sequence[Numbered], ink: Ink) -> Iterator[str]:
    """Findings by rule; the rule with the worst finding comes first."""
    order = {rule: place for place, rule in reversed(list(enumerate(f.rule for _, f in findings)))}
    ranked = sorted(findings, key=lambda entry: (order[entry[1].rule], entry[0]))
    for rule, group in groupby(ranked, key=lambda entry: entry[1].rule):
        entries = list(group)
        yield from _heading(f"{rule}: {wording.tally(f for _, f in entries)}", ink)
        yield from _manual(rule)
        for number, finding in entries[:MOST_PER_RULE]:
            yield ""
            yield from _finding(number, finding, ink)
        if len(entries) > MOST_PER_RULE:
            yield ""
            yield f"  and {len(entries) - MOST_PER_RULE} more, all in report.json (--format json)"


def _manual(rule: str) -> Iterator[str]:
    module = rules().get(rule)
    if module is None:
        return
    yield from _wrapped(module.manual.obligation)
    if module.manual.fix:
        yield from _wrapped(f"To do: {module.manual.fix}")


def _finding(number: int, finding: Finding, ink: Ink) -> Iterator[str]:
    level = str(finding.level)
    layer = f" {finding.layer}" if finding.layer else ""
    known = " (known)" if finding.known else ""
    words = f"{number}. {level}{known} {wording.subject(finding)}{layer} {wording.place(finding.at)}"
    first, *rest = _wrapped(words, "  ", "     ")
    yield first.replace(level, ink(level, level), 1)
    yield from rest
    yield from _wrapped(finding.message, "     ")
    yield from _wrapped(wording.figures(finding), "     ")
    yield from _wrapped(wording.consequence(finding), "     ")
    if finding.hint:
        yield from _wrapped(f"-> {finding.hint}", "     ", "        ")
    where = wording.sources(finding)
    for line in _wrapped(f"drawn at {where}" if where else "", "     ", "        "):
        yield f"     {ink('faint', line[5:])}"
    yield f"     {ink('faint', 'id ' + finding.id)}"


def _waived(findings: Sequence[Numbered], ink: Ink) -> Iterator[str]:
    if not findings:
        return
    yield from _heading(f"Waived: {len(findings)}", ink)
    for number, finding in findings[:MOST_PER_RULE]:
        about = f"{number}. {finding.rule} {wording.subject(finding)} {finding.layer or ''}".rstrip()
        yield from _wrapped(f"{about} {wording.place(finding.at)}", "  ", "     ")
        if finding.waived is not None:
            until = f", until {finding.waived.until}" if finding.waived.until else ""
            yield from _wrapped(f"{finding.waived.reason}{until}", "     ")
    yield from _more(len(findings), MOST_PER_RULE)


def _doubts(doubts: Sequence[StatedDoubt], ink: Ink) -> Iterator[str]:
    if not doubts:
        return
    yield from _heading(f"Doubts, not accepted: {len(doubts)}", ink)
    for stated in doubts[:MOST_DOUBTS]:
        yield from _doubt(stated.doubt, ink)
    yield from _more(len(doubts), MOST_DOUBTS)
    yield ""
    yield from _wrapped("Mend the files, or accept a doubt in the rules file, word for word:", "  ")
    yield "    [[accepted_doubt]]"
    yield f'    what   = "{_toml(doubts[0].doubt.what)}"'
    yield '    reason = "who looked at it, and how"'


def _doubt(doubt: Doubt, ink: Ink) -> Iterator[str]:
    place = f"{doubt.place}: " if doubt.place.file else ""
    first, *rest = _wrapped(f"{place}{doubt.what}", "  - ", "    ")
    yield f"  - {ink('strong', first[4:])}"
    yield from (f"    {ink('strong', line[4:])}" for line in rest)
    yield from _wrapped(doubt.why, "    ")


def _toml(words: str) -> str:
    return words.replace("\\", "\\\\").replace('"', '\\"')


def _accepted(doubts: Sequence[StatedDoubt], ink: Ink) -> Iterator[str]:
    if not doubts:
        return
    yield from _heading(f"Doubts, accepted: {len(doubts)}", ink)
    for stated in doubts[:MOST_DOUBTS]:
        yield from _wrapped(f"- {stated.doubt.what}", "  ", "    ")
        if stated.accepted is not None:
            until = f", until {stated.accepted.until}" if stated.accepted.until else ""
            yield from _wrapped(f"{stated.accepted.reason}{until}", "    ")
    yield from _more(len(doubts), MOST_DOUBTS)


def _checks(checks: Sequence[Check], ink: Ink) -> Iterator[str]:
    """Every rule: those that ran in full on one line, the others with the reason."""
    yield from _heading("Checks", ink)
    ran = ", ".join(check.rule for check in checks if check.ran)
    yield from _wrapped(f"ran: {ran or 'none'}", "  ", "    ")
    for check in checks:
        if check.why:
            yield from _wrapped(
                f"{check.rule} {'ran in part' if check.ran else 'did not run'}: {check.why}", "  ", "    "
            )


def _remarks(remarks: Sequence[Doubt], ink: Ink) -> Iterator[str]:
    if not remarks:
        return
    yield from _heading("Remarks", ink)
    for remark in remarks[:MOST_DOUBTS]:
        place = f"{remark.place}: " if remark.place.file else ""
        yield from _wrapped(f"- {place}{remark.what}: {remark.why}", "  ", "    ")
    yield from _more(len(remarks), MOST_DOUBTS)


def _more(there: int, shown: int) -> Iterator[str]:
    if there > shown:
        yield f"  and {there - shown} more, all in report.json (--format json)"


def _heading(words: str, ink: Ink) -> Iterable[str]:
    return "", ink("strong", words), "-" * min(len(words), WIDTH)


def _wrapped(words: str, indent: str = "", hanging: str | None = None) -> list[str]:
    """Lines of at most 80 columns; a longer word stands uncut on a line of its own, so that it can be copied."""
    return textwrap.wrap(
        wording.printable(words),
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent if hanging is None else hanging,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _clipped(words: str, width: int) -> str:
    words = wording.printable(words)
    return words if len(words) <= width else words[: width - 3] + "..."


FORMAT = Format("text", "report.txt", write)
