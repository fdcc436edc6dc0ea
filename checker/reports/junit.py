"""JUnit XML for CI servers: a suite per rule, a case per net or pair; doubts are errors in a suite
of their own.

A case fails only if one of its findings fails the check; the others stand in its output. A rule
without findings has one passing case, a rule that did not run a skipped one, so that every rule is
seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TextIO

from lxml import etree

from checker import wording
from checker.drawing import Pictures
from checker.findings import Finding, Group
from checker.reports import Format
from checker.reports.actions import action
from checker.results.outcome import Check, Outcome, StatedDoubt, counts

Numbered = tuple[Group, Finding]
Element = etree._Element  # the type's only name


def write(outcome: Outcome, _: Pictures, stream: TextIO) -> None:
    """Write the suites; no time stamps, all times 0."""
    root = etree.Element("testsuites", name=_legal(f"moatcheck {outcome.title or outcome.path}"))
    suites = [_suite(outcome, check) for check in _checks(outcome)]
    suites += [_doubts(outcome)] if outcome.doubts else []
    for suite in suites:
        root.append(suite)
    # no `skipped` here: the schema that CI servers use knows none
    for name in ("tests", "failures", "errors"):
        root.set(name, str(sum(int(suite.get(name, "0")) for suite in suites)))
    etree.indent(root, " ")
    stream.write('<?xml version="1.0" encoding="UTF-8"?>\n')
    stream.write(etree.tostring(root, encoding="unicode") + "\n")


def _checks(outcome: Outcome) -> Iterator[Check]:
    yield from outcome.checks
    listed = {check.rule for check in outcome.checks}
    for rule in sorted({finding.rule for finding in outcome.findings} - listed):
        yield Check(rule, ran=True)


def _suite(outcome: Outcome, check: Check) -> Element:
    suite = etree.Element("testsuite", name=_legal(check.rule))
    cases: dict[str, list[Numbered]] = {}
    for group in outcome.groups:
        for finding in group.members:
            if finding.rule == check.rule:
                cases.setdefault(wording.subject(finding), []).append((group, finding))
    for name, entries in cases.items():
        suite.append(_case(outcome, check.rule, name, entries))
    if not check.ran:
        _child(_bare_case(suite, check.rule, "not run"), "skipped", message=check.why)
    elif not cases:
        _child(
            _bare_case(suite, check.rule, "whole board"), "system-out", check.why or "no findings"
        )
    return _counted(suite, outcome)


def _bare_case(suite: Element, rule: str, name: str) -> Element:
    return etree.SubElement(
        suite, "testcase", classname=_legal(f"moatcheck.{rule}"), name=_legal(name), time="0"
    )


def _case(outcome: Outcome, rule: str, name: str, entries: list[Numbered]) -> Element:
    case = etree.Element(
        "testcase", classname=_legal(f"moatcheck.{rule}"), name=_legal(name), time="0"
    )
    failing = [entry for entry in entries if counts(entry[1], outcome.fail_on)]
    others = [entry for entry in entries if entry not in failing]
    if failing:
        group, worst = failing[0]
        shared = f" (place {group.number}: {wording.count(len(group.members), 'finding')})"
        message = worst.message + (shared if len(group.members) > 1 else "")
        _child(case, "failure", _lines(failing), type=str(worst.level), message=message)
    if others:
        _child(case, "system-out", _lines(others))
    return case


def _lines(entries: Iterable[Numbered]) -> str:
    return "\n".join(line for group, finding in entries for line in _told(group.number, finding))


def _told(number: int, finding: Finding) -> Iterator[str]:
    state = " (waived)" if finding.waived else " (known)" if finding.known else ""
    layer = f"{finding.layer} " if finding.layer else ""
    yield f"{number}. {finding.level}{state} {layer}{wording.place(finding.at)}: {finding.message}"
    to_do = action(finding)
    extra = [
        wording.figures(finding),
        wording.consequence(finding),
        f"To do: {to_do}" if to_do else "",
    ]
    where = wording.sources(finding)
    extra += [f"drawn at {where}" if where else "", f"id {finding.id}"]
    if finding.waived:
        extra.append(f"waived: {finding.waived.reason}")
    yield "   " + "; ".join(word for word in extra if word)


def _doubts(outcome: Outcome) -> Element:
    suite = etree.Element("testsuite", name="doubts")
    for stated in outcome.doubts:
        suite.append(_doubt(stated))
    return _counted(suite, outcome)


def _doubt(stated: StatedDoubt) -> Element:
    doubt = stated.doubt
    case = etree.Element(
        "testcase", classname="moatcheck.doubts", name=_legal(doubt.what), time="0"
    )
    place = f"{doubt.place}: " if doubt.place.file else ""
    if stated.accepted is None:
        _child(
            case,
            "error",
            f"{place}{doubt.what}\n{doubt.why}",
            type="incomplete",
            message=doubt.what,
        )
    else:
        _child(case, "system-out", f"{place}{doubt.why}\naccepted: {stated.accepted.reason}")
    return case


def _counted(suite: Element, outcome: Outcome) -> Element:
    """Fill in the counts, and the words that every suite carries, because a server may show one
    alone.
    """
    suite.set("tests", str(len(suite.findall("testcase"))))
    for attribute, tag in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
        suite.set(attribute, str(len(suite.findall(f"testcase/{tag}"))))
    suite.set("time", "0")
    verdict = f"verdict of the whole check: {outcome.verdict}: {outcome.standing}"
    _child(
        suite,
        "system-out",
        "\n".join(filter(None, (verdict, outcome.since_baseline, outcome.caution))),
    )
    return suite


def _child(parent: Element, tag: str, words: str = "", **attributes: str) -> None:
    child = etree.SubElement(
        parent, tag, {name: _legal(value) for name, value in attributes.items()}
    )
    child.text = _legal(words) or None


def _legal(words: str) -> str:
    """Words, line by line, without what XML 1.0 forbids or what steers a terminal or turns the
    direction of writing.
    """
    return "\n".join(map(wording.printable, words.split("\n")))


FORMAT = Format("junit", "report.xml", write)
