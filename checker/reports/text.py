"""The report for a terminal: 80 columns, verdict first, what to do beside every finding."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import TextIO

from checker import wording
from checker.drawing import Pictures
from checker.findings import Finding, Group, Level
from checker.reports import Format, decisions
from checker.reports.actions import Actions
from checker.results.answers import HEADING, LEFT_OUT, answers
from checker.results.outcome import Check, Doubt, Outcome, StatedDoubt, Waived
from checker.rules import registry as rules

WIDTH = 80
MOST_PLACES = 40
MOST_IN_FULL = 20  # places; the others are told in brief
MOST_MEMBERS = 3  # of a place, beside the one that tells it
MOST_DOUBTS = 30
WAIVING = (
    "What may stay is waived in the rules file, a finding each (--format waivers: the text for"
    " every finding and doubt; --format html: for those that you choose)."
)

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
    groups = outcome.groups
    yield from _head(outcome, ink)
    yield from _doubts([d for d in outcome.doubts if d.accepted is None], ink)
    yield from _places([group for group in groups if not group.waived], ink)
    yield from _answers(outcome.findings, ink)
    yield from _broken_rules([group for group in groups if not group.waived], ink)
    yield from _waived(groups, ink)
    yield from _accepted([d for d in outcome.doubts if d.accepted is not None], ink)
    yield from _checks(outcome.checks, ink)
    yield from _remarks(outcome.remarks, ink)
    yield ""
    yield from _wrapped(outcome.caution)


def _head(outcome: Outcome, ink: Ink) -> Iterator[str]:
    first, *rest = _wrapped(outcome.verdict_line, "", "  ")
    word = outcome.verdict.upper()
    yield first.replace(word, ink(outcome.verdict, word), 1)
    yield from rest
    yield ink("strong", _clipped(outcome.title or outcome.path, WIDTH))
    yield (
        f"{wording.tally(outcome.findings)};"
        f" {outcome.fail_on}s{' and worse' * (outcome.fail_on < Level.ERROR)} fail"
    )
    yield from _wrapped(outcome.since_baseline)
    yield from _wrapped(_board(outcome))
    if outcome.today is not None:
        yield f"dates of waivers and accepted doubts are held against {outcome.today}"


def _board(outcome: Outcome) -> str:
    size = ""
    if outcome.bounds is not None:
        x0, y0, x1, y1 = outcome.bounds
        size = f", {wording.plain(x1 - x0)} x {wording.plain(y1 - y0)} mm"
    counted = (
        wording.count(len(outcome.layers), "layer"),
        wording.count(outcome.nets, "net"),
        wording.count(outcome.holes, "hole"),
        wording.count(outcome.components, "component"),
    )
    return (
        f"{outcome.path} ({outcome.format}{size}): {', '.join(counted)}; rules {outcome.rules_path}"
    )


def _places(groups: Sequence[Group], ink: Ink) -> Iterator[str]:
    """Places of trouble, worst first."""
    if not groups:
        return
    yield from _heading(f"Findings, worst first: {wording.places(groups)}", ink)
    actions = Actions()
    for group in groups[:MOST_IN_FULL]:
        yield ""
        yield from _group(group, actions, ink)
    yield from _brief(groups[MOST_IN_FULL:], ink)
    yield from _how_to_waive(groups[0])


def _group(group: Group, actions: Actions, ink: Ink) -> Iterator[str]:
    finding = group.worst
    yield from _title(group, ink)
    for words in (finding.message, _figures(finding), wording.consequence(finding)):
        yield from _wrapped(words, "     ")
    to_do = actions.of(finding, group.number)
    yield from _wrapped(f"To do: {to_do}" if to_do else "", "     ", "       ")
    yield from _faint(f"drawn at {wording.sources(finding)}" if finding.sources else "", ink)
    yield from _faint(f"id {finding.id}", ink)
    yield from _members(group, ink)


def _title(group: Group, ink: Ink) -> Iterator[str]:
    level = str(group.level)
    first, *rest = _wrapped(f"{group.number}. {level} {_about(group.worst)}", "  ", "     ")
    yield first.replace(level, ink(level, level), 1)
    yield from rest


def _brief(groups: Sequence[Group], ink: Ink) -> Iterator[str]:
    """The places that follow the worst: what and where, with how many more, and how to see them in
    full.
    """
    shown = groups[: MOST_PLACES - MOST_IN_FULL]
    if shown:
        yield ""
        brief = (
            f"{wording.count(len(groups), 'more place')} in brief; each in full: report.json or"
            " report.html"
        )
        yield from _wrapped(f"{brief} (--format html)", "  ")
    for group in shown:
        yield ""
        yield from _title(group, ink)
        words = (group.worst.message, _figures(group.worst), wording.company(group))
        yield from _wrapped(f"id {group.worst.id}: {'; '.join(filter(None, words))}", "     ")
    yield from _more(len(groups), len(shown))


def _how_to_waive(group: Group) -> Iterator[str]:
    """The waiver of the worst finding, and where those of the others are; notes need none."""
    if group.level == Level.NOTE:
        return
    yield ""
    yield from _wrapped(f"{WAIVING} For finding {group.number}:", "  ")
    yield from (f"    {line}" for line in decisions.waiver(group.worst).splitlines())
    yield from _wrapped("More: moatcheck explain verdicts, moatcheck explain rules-file", "  ")


def _figures(finding: Finding) -> str:
    """What was measured and required, unless the message has both numbers."""
    numbers = wording.measurement(finding), wording.requirement(finding).removeprefix("at least ")
    return (
        ""
        if all(numbers) and all(number in finding.message for number in numbers)
        else wording.figures(finding)
    )


def _about(finding: Finding) -> str:
    layers = f" {', '.join(finding.on)}" if finding.on else ""
    known = " (known)" if finding.known else ""
    return f"{finding.rule}{known} {wording.subject(finding)}{layers} {wording.place(finding.at)}"


def _members(group: Group, ink: Ink) -> Iterator[str]:
    """The other findings of the place, a line each as far as there is room."""
    others = group.members[1:]
    yield from _wrapped(wording.company(group), "     ")
    for finding in others[:MOST_MEMBERS]:
        state = " (waived)" if finding.waived else ""
        figures = wording.figures(finding)
        yield from _wrapped(
            f"- {_about(finding)}{state}{f': {figures}' if figures else ''}", "     ", "       "
        )
        yield from _faint(f"  id {finding.id}", ink)
    if len(others) > MOST_MEMBERS:
        yield f"     and {len(others) - MOST_MEMBERS} more, all in report.json (--format json)"


def _faint(words: str, ink: Ink) -> Iterator[str]:
    for line in _wrapped(words, "     " + " " * (len(words) - len(words.lstrip())), "        "):
        yield f"     {ink('faint', line[5:])}"


def _answers(findings: Sequence[Finding], ink: Ink) -> Iterator[str]:
    """The three lines for each quiet input, and other layouts beside the one that was checked."""
    told = list(answers(findings))
    if told:
        yield from _heading(HEADING, ink)
    for answer in told:
        yield from _wrapped(answer.title, "  ", "    ")
        for line in answer.lines:
            yield from _wrapped(f"- {line}", "    ", "      ")
        for variant in answer.layouts:
            yield from _wrapped(f"{variant.layout}: {variant.error}", "      ", "        ")
    if told:
        yield from _wrapped(LEFT_OUT, "  ")


def _broken_rules(groups: Sequence[Group], ink: Ink) -> Iterator[str]:
    """What the rules that have findings ask for, those of the worst places first."""
    names = dict.fromkeys(rule for group in groups for rule in group.rules)
    broken = {name: rules()[name].manual for name in names if name in rules()}
    if not broken:
        return
    yield from _heading("What these rules ask for", ink)
    for name, manual in broken.items():
        yield from _wrapped(f"{name}: {manual.obligation}", "  ", "    ")
    yield from _wrapped(
        "Each in full: moatcheck explain RULE; the words: moatcheck explain words", "  "
    )


def _waived(groups: Sequence[Group], ink: Ink) -> Iterator[str]:
    waived = [
        (group.number, finding) for group in groups for finding in group.members if finding.waived
    ]
    if not waived:
        return
    yield from _heading(f"Waived: {wording.count(len(waived), 'finding')}", ink)
    for number, finding in waived[:MOST_DOUBTS]:
        yield from _wrapped(f"{number}. {_about(finding)}", "  ", "     ")
        yield from _wrapped(_reason(finding.waived), "     ")
    yield from _more(len(waived), MOST_DOUBTS)


def _reason(waived: Waived | None) -> str:
    """Why something does not count, and until when."""
    if waived is None:
        return ""
    return f"{waived.reason}{f', until {waived.until}' if waived.until else ''}"


def _doubts(doubts: Sequence[StatedDoubt], ink: Ink) -> Iterator[str]:
    if not doubts:
        return
    yield from _heading(f"Doubts, not accepted: {len(doubts)}", ink)
    for stated in doubts[:MOST_DOUBTS]:
        yield from _doubt(stated.doubt, ink)
    yield from _more(len(doubts), MOST_DOUBTS)
    yield ""
    told = (
        "Mend the files, or accept a doubt in the rules file, word for word (--format waivers: the"
        " text for each):"
    )
    yield from _wrapped(told, "  ")
    yield from (f"    {line}" for line in decisions.acceptance(doubts[0].doubt).splitlines())


def _doubt(doubt: Doubt, ink: Ink) -> Iterator[str]:
    place = f"{doubt.place}: " if doubt.place.file else ""
    first, *rest = _wrapped(f"{place}{doubt.what}", "  - ", "    ")
    yield f"  - {ink('strong', first[4:])}"
    yield from (f"    {ink('strong', line[4:])}" for line in rest)
    yield from _wrapped(doubt.why, "    ")


def _accepted(doubts: Sequence[StatedDoubt], ink: Ink) -> Iterator[str]:
    if not doubts:
        return
    yield from _heading(f"Doubts, accepted: {len(doubts)}", ink)
    for stated in doubts[:MOST_DOUBTS]:
        yield from _wrapped(f"- {stated.doubt.what}", "  ", "    ")
        yield from _wrapped(_reason(stated.accepted), "    ")
    yield from _more(len(doubts), MOST_DOUBTS)


def _checks(checks: Sequence[Check], ink: Ink) -> Iterator[str]:
    """Every rule: those that ran in full on one line, the others with the reason."""
    yield from _heading("Checks", ink)
    ran = ", ".join(check.rule for check in checks if check.ran)
    yield from _wrapped(f"ran: {ran}" if ran else "no check ran", "  ", "    ")
    for check in checks:
        if check.why:
            yield from _wrapped(
                f"{check.rule} {'ran in part' if check.ran else 'did not run'}: {check.why}",
                "  ",
                "    ",
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
    """Lines of at most 80 columns; a longer word stands uncut on a line of its own, so that it can
    be copied.
    """
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
