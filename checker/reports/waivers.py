"""Text for the rules file: a waiver for every open finding, an acceptance for every open doubt,
worst first.

An entry whose reason is left empty is refused when the rules file is read, so that nothing is
waived unseen.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TextIO

from checker import wording
from checker.drawing import Pictures
from checker.findings import Finding
from checker.reports import Format, decisions
from checker.results.outcome import Outcome

WIDTH = 78
HOW = (
    "Keep the entries of what may stay, fill in each reason and, where it ends, the date, and"
    " append them to the rules file. An empty reason is refused. A waiver covers its one finding."
)


def write(outcome: Outcome, _: Pictures, stream: TextIO) -> None:
    """Write the entries; what each is about stands above it as a comment."""
    stream.write("\n\n".join(_blocks(outcome)) + "\n")


def _blocks(outcome: Outcome) -> Iterator[str]:
    head = (outcome.verdict_line, outcome.title or outcome.path, HOW, outcome.caution)
    yield "\n#\n".join(map(_comment, head))
    for group in outcome.groups:
        for finding in group.open:
            yield f"{_comment(_about(group.number, finding))}\n{decisions.waiver(finding)}"
    for doubt in (stated.doubt for stated in outcome.doubts if stated.accepted is None):
        place = f"{doubt.place}: " if doubt.place.file else ""
        yield (
            f"{_comment(f'doubt: {place}{doubt.what}: {doubt.why}')}\n{decisions.acceptance(doubt)}"
        )


def _about(number: int, finding: Finding) -> str:
    layers = f" {', '.join(finding.on)}" if finding.on else ""
    about = (
        f"{number}. {finding.level} {finding.rule} {wording.subject(finding)}{layers}"
        f" {wording.place(finding.at)}"
    )
    told = filter(
        None, (f"{about}: {finding.message}", wording.figures(finding), f"id {finding.id}")
    )
    return "; ".join(told)


def _comment(words: str) -> str:
    return textwrap.fill(
        wording.printable(words),
        WIDTH,
        initial_indent="# ",
        subsequent_indent="# ",
        break_long_words=False,
        break_on_hyphens=False,
    )


FORMAT = Format("waivers", "report.waivers.toml", write)
