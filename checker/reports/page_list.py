"""The words of the review page: places with their stories, doubts, checks, rules; readable without
a script.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape

from checker import wording
from checker.findings import Finding, Group
from checker.manual import topics
from checker.reports import decisions, details
from checker.reports.actions import action
from checker.results.answers import HEADING, LEFT_OUT, Answer, answers
from checker.results.outcome import Outcome, StatedDoubt, Waived
from checker.rules import registry as rules

TOPICS = ("words", "verdicts", "rules-file", "table")  # of the manual, which the page carries


def parts(outcome: Outcome, key: str = "") -> dict[str, str]:
    """Markup by the names of the template's marks.

    Parameters
    ----------
    key : markup that says what the colours and lines of currents on the board mean
    """
    groups = outcome.groups
    listed = [
        layer for layer, *_ in outcome.layers if any(layer in group.layers for group in groups)
    ]
    return {
        "doubts": _open_doubts([doubt for doubt in outcome.doubts if doubt.accepted is None]),
        "list": "\n".join(_item(group) for group in groups),
        "listed": f"{len(groups)} of {len(groups)} places" if groups else "no findings",
        "rule-options": _options(dict.fromkeys(rule for group in groups for rule in group.rules)),
        "layer-options": _options(listed),
        "facts": "".join(_facts(outcome, key)),
    }


def _say(words: object) -> str:
    """Words for people: markup escaped, characters that steer or turn them replaced."""
    return escape(wording.printable(str(words)))


def _options(names: Iterable[str]) -> str:
    return "".join(f'<option value="{_say(name)}">{_say(name)}</option>' for name in names)


def _item(group: Group) -> str:
    """One place: a line to choose it by, a box to pick it for a waiver, and its story."""
    finding, number = group.worst, group.number
    state = "waived" if group.waived else str(group.level)
    count = wording.count(len(group.members), "finding") if len(group.members) > 1 else ""
    known = "known" if finding.known else ""
    tags = ", ".join(
        filter(None, (state, ", ".join(group.rules), ", ".join(group.layers), count, known))
    )
    figures = ", ".join(filter(None, (wording.measurement(finding), wording.requirement(finding))))
    ending = f'<span class="figures">; {_say(figures)}</span>' if figures else ""
    pick = (
        ""
        if group.waived
        else f'<input type="checkbox" class="pick" aria-label="Choose place {number} for a waiver">'
    )
    return (
        f'<li data-group="{escape(group.id)}"><div class="head"><button type="button" class="entry"'
        f' aria-expanded="false" aria-controls="story-{number}"><span class="sign'
        f' {state}">{number}</span><span'
        f' class="about"><b>{_say(wording.subject(finding))}</b><span><span'
        f' class="tags">{_say(tags)}</span>{ending}</span></span></button>{pick}</div><div'
        f' class="story" id="story-{number}">{"".join(_story(group))}</div></li>'
    )


def _story(group: Group) -> Iterator[str]:
    """What the worst finding says and what to do, the other findings, the text of a waiver."""
    finding = group.worst
    yield f'<p class="message">{_say(finding.message)}</p>'
    consequence = wording.consequence(finding)
    yield f"<p>{_say(consequence)}</p>" if consequence else ""
    yield f'<p class="hint">To do: {_say(to_do)}</p>' if (to_do := action(finding)) else ""
    yield f"<p>Waived: {_say(_reason(finding.waived))}</p>" if finding.waived else ""
    yield _table(_rows(finding))
    if len(group.members) > 1:
        others = "".join(f"<li>{_member(other)}</li>" for other in group.members)
        summary = f"<summary>All {len(group.members)} findings of this place</summary>"
        yield f'<details class="members">{summary}<ol>{others}</ol></details>'
    if group.open:
        yield _decision("Waiver to copy", decisions.waivers(group))
    about = "".join(
        f'<a href="#about-{_say(rule)}">About {_say(rule)}</a> ' for rule in group.rules
    )
    yield f"<p>{about}</p>"


def _member(finding: Finding) -> str:
    state = "waived " if finding.waived else "known " if finding.known else ""
    layers = f" {', '.join(finding.on)}" if finding.on else ""
    words = (
        f"{state}{finding.level} {finding.rule}{layers} {wording.subject(finding)}"
        f" {wording.place(finding.at)}"
    )
    figures = wording.figures(finding)
    return (
        '<button type="button" class="member"'
        f' data-finding="{escape(finding.id)}">{_say(words)}</button> {_say(figures)}'
        f" <code>{escape(finding.id)}</code>"
    )


def _rows(finding: Finding) -> Iterator[tuple[str, str]]:
    yield "where", f"{', '.join(finding.on) or 'board'} {wording.place(finding.at)}"
    yield "reference", ", ".join(finding.reference_layers)
    yield "measured", wording.measurement(finding)
    yield "limit", wording.requirement(finding)
    yield "regions", ", ".join(finding.regions)
    yield "parts", ", ".join(finding.components)
    yield from details.rows(finding)
    yield "drawn at", wording.sources(finding)
    yield "id", finding.id


def _table(rows: Iterable[tuple[str, str]]) -> str:
    return (
        "<dl>"
        + "".join(f"<dt>{_say(name)}</dt><dd>{_say(words)}</dd>" for name, words in rows if words)
        + "</dl>"
    )


def _decision(title: str, text: str) -> str:
    """Text for the rules file, to copy."""
    return (
        f'<details class="decide"><summary>{title}</summary><pre'
        f' tabindex="0">{_say_lines(text)}</pre><button type="button"'
        ' class="copy">Copy</button></details>'
    )


def _say_lines(text: str) -> str:
    return "\n".join(map(_say, text.split("\n")))


def _reason(waived: Waived | None) -> str:
    if waived is None:
        return ""
    return f"{waived.reason}{f', until {waived.until}' if waived.until else ''}"


def _open_doubts(doubts: list[StatedDoubt]) -> str:
    if not doubts:
        return '<div id="doubts"></div>'
    items = "".join(_doubt(stated) for stated in doubts)
    title = f"Incomplete: {wording.count(len(doubts), 'open doubt')}"
    return (
        f'<section id="doubts" aria-label="Open doubts"><h2>{title}</h2><ul'
        f' tabindex="0">{items}</ul></section>'
    )


def _doubt(stated: StatedDoubt) -> str:
    doubt = stated.doubt
    place = f"{doubt.place}: " if doubt.place.file else ""
    pick = '<input type="checkbox" class="pick" aria-label="Choose this doubt to accept it"> '
    return (
        f"<li>{pick}<b>{_say(place)}{_say(doubt.what)}</b><br>{_say(doubt.why)}"
        f"{_decision('Acceptance to copy', decisions.acceptance(doubt))}</li>"
    )


def _facts(outcome: Outcome, key: str) -> Iterator[str]:
    """What stands below the list."""
    yield _quiet_inputs(list(answers(outcome.findings)), key)
    accepted = [d for d in outcome.doubts if d.accepted is not None]
    yield _section("Accepted doubts", (f"{d.doubt.what}: {_reason(d.accepted)}" for d in accepted))
    yield _section(
        "Checks", (_check(check.rule, check.why, ran=check.ran) for check in outcome.checks)
    )
    yield _section("Remarks", (f"{remark.what}: {remark.why}" for remark in outcome.remarks))
    yield _section(
        "Files", (f"{f.path} {f.layer or ''} {f.function} {f.sha256[:16]}" for f in outcome.files)
    )
    for rule in dict.fromkeys(rule for group in outcome.groups for rule in group.rules):
        yield from _rule(rule)
    for name in TOPICS:
        text = f'<pre tabindex="0">{_say_lines(topics()[name].text)}</pre>'
        yield f'<details id="about-{name}"><summary>Manual: {_say(name)}</summary>{text}</details>'


def _quiet_inputs(told: list[Answer], key: str) -> str:
    """The lines for each quiet input, and other layouts beside the board; open, and on the print
    too.
    """
    if not told:
        return ""
    return (
        "<section"
        f' id="quiet-inputs"><h2>{HEADING}</h2>{"".join(map(_answer, told))}{key}<p>{LEFT_OUT}</p></section>'
    )


def _answer(answer: Answer) -> str:
    lines = "".join(f"<li>{_say(line)}</li>" for line in answer.lines)
    layouts = (
        _table((variant.layout, variant.error) for variant in answer.layouts)
        if answer.layouts
        else ""
    )
    return f"<p><b>{_say(answer.title)}</b></p><ul>{lines}</ul>{layouts}"


def _check(rule: str, why: str, *, ran: bool) -> str:
    return f"{rule}: {'ran' if ran else 'did not run'}{f'; {why}' if why else ''}"


def _section(title: str, items: Iterable[str]) -> str:
    listed = [f"<li>{_say(item)}</li>" for item in items]
    return (
        f"<details><summary>{title} ({len(listed)})</summary><ul>{''.join(listed)}</ul></details>"
        if listed
        else ""
    )


def _rule(name: str) -> Iterator[str]:
    """The manual of a rule."""
    module = rules().get(name)
    if module is None:
        yield f'<details id="about-{_say(name)}"><summary>Rule: {_say(name)}</summary></details>'
        return
    manual = module.manual
    told = {
        "Why": manual.why,
        "Measured": manual.measured,
        "Fix": manual.fix,
        "Source": manual.source,
    }
    words = "".join(
        f"<p><b>{heading}:</b> {_say(text)}</p>" for heading, text in told.items() if text
    )
    yield (
        f'<details id="about-{_say(name)}"><summary>Rule:'
        f" {_say(name)}</summary><p>{_say(manual.obligation)}</p>{words}<p>More: moatcheck explain"
        f" {_say(name)}</p></details>"
    )
