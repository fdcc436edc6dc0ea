"""SARIF 2.1.0 (OASIS): findings for code hosts and editors, with the rules' manuals as help.

Doubts are results of a rule of their own, `doubt`: a viewer that shows results only must not show a
clean board where the check is incomplete. Locations are fabrication files as seen from where the
check ran, so that a code host finds them in the repository, with the line of the copper object
where it is known; further objects of a finding are related locations.
"""

from __future__ import annotations

import posixpath
from typing import Any, TextIO
from urllib.parse import quote

from checker import wording
from checker.drawing import Pictures
from checker.findings import Finding, Group, Level, Source, Waived
from checker.reports import Format
from checker.reports.record import json_text, plain_value
from checker.results.outcome import Outcome, StatedDoubt
from checker.rules import Manual, RuleModule
from checker.rules import registry as rules

SCHEMA = (
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
)
FINGERPRINT = "moatcheckFinding/v1"
DOUBT = "doubt"
DOUBT_HELP = (
    "What could not be read cannot pass. Mend the file, or accept the doubt in the rules file with"
    " a reason. More: moatcheck explain verdicts"
)


def write(outcome: Outcome, _: Pictures, stream: TextIO) -> None:
    """Write one SARIF log with one run."""
    log = {"$schema": SCHEMA, "version": "2.1.0", "runs": [_run(outcome)]}
    stream.write(json_text(plain_value(log), indent=1) + "\n")


def _run(outcome: Outcome) -> dict[str, Any]:
    names = _rule_names(outcome)
    index = {name: place for place, name in enumerate(names)}
    results = [
        _result(outcome, group, finding, index)
        for group in outcome.groups
        for finding in group.members
    ]
    open_doubts = [stated for stated in outcome.doubts if stated.accepted is None]
    return {
        "tool": {"driver": _driver(outcome, names)},
        "invocations": [
            {
                "executionSuccessful": not open_doubts,
                "toolExecutionNotifications": [
                    _notification(outcome, stated) for stated in open_doubts
                ],
            }
        ],
        "artifacts": [
            {"location": _artifact(outcome, file.path)} | _hashes(file.sha256)
            for file in outcome.files
        ],
        "columnKind": "unicodeCodePoints",
        "results": results + [_doubt(outcome, stated, index[DOUBT]) for stated in outcome.doubts],
        "properties": {
            "verdict": outcome.verdict,
            "standing": outcome.standing,
            "caution": outcome.caution,
        },
    }


def _hashes(sha256: str) -> dict[str, Any]:
    return {"hashes": {"sha-256": sha256}} if sha256 else {}


def _driver(outcome: Outcome, names: list[str]) -> dict[str, Any]:
    driver: dict[str, Any] = {
        "name": "moatcheck",
        "fullDescription": {"text": outcome.caution},
        "rules": [_rule(name, rules().get(name)) for name in names],
    }
    return driver | ({"version": outcome.version} if outcome.version else {})


def _rule_names(outcome: Outcome) -> list[str]:
    named = {check.rule for check in outcome.checks} | {
        finding.rule for finding in outcome.findings
    }
    return [*sorted(named), DOUBT]


def _rule(name: str, module: RuleModule | None) -> dict[str, Any]:
    if module is None:
        words = DOUBT_HELP if name == DOUBT else name
        return {"id": name, "shortDescription": {"text": words}, "help": {"text": words}}
    title = module.rule.title or name
    return {
        "id": name,
        "name": title,
        "shortDescription": {"text": title},
        "fullDescription": {"text": module.manual.obligation or title},
        "help": {"text": _help(name, module.manual), "markdown": _help(name, module.manual, "**")},
        "defaultConfiguration": {"level": str(module.rule.level)},
    }


def _help(name: str, manual: Manual, mark: str = "") -> str:
    """The manual as text, or with marked headings."""
    parts = {
        "Why": manual.why,
        "Measured": manual.measured,
        "Fix": manual.fix,
        "Source": manual.source,
    }
    told = [f"{mark}{heading}:{mark} {words}" for heading, words in parts.items() if words]
    more = f"Limits and words: moatcheck explain {name}; moatcheck explain words"
    return "\n\n".join([manual.obligation, *told, more])


def _result(
    outcome: Outcome, group: Group, finding: Finding, index: dict[str, int]
) -> dict[str, Any]:
    more = [_related(outcome, n, source) for n, source in enumerate(finding.sources[1:], 1)]
    result: dict[str, Any] = {
        "ruleId": finding.rule,
        "ruleIndex": index[finding.rule],
        "level": str(finding.level),
        "message": {"text": _message(group, finding)},
        "locations": [_location(outcome, finding)],
        "partialFingerprints": {FINGERPRINT: finding.id},
        "properties": {
            "number": group.number,
            "group": finding.group,
            "layer": finding.layer,
            "at_mm": finding.at,
            "measured": finding.measured,
            "required": finding.required,
            "unit": finding.unit,
        },
    }
    if more:
        result["relatedLocations"] = more
    if finding.waived is not None:
        result["suppressions"] = [_suppression(finding.waived)]
    if outcome.baseline is not None:
        result["baselineState"] = "unchanged" if finding.known else "new"
    return result


def _message(group: Group, finding: Finding) -> str:
    count = len(group.members)
    words = [
        f"{finding.message} {wording.place(finding.at)}",
        wording.figures(finding),
        finding.hint or "",
        f"place {group.number}, {wording.count(count, 'finding')}" if count > 1 else "",
    ]
    return "; ".join(word for word in words if word)


def _location(outcome: Outcome, finding: Finding) -> dict[str, Any]:
    """The first copper object of the finding, or else its layer's file, or else the board."""
    first = finding.sources[0] if finding.sources else None
    file, line = (first.file, first.line) if first else (_layer_file(outcome, finding.layer), None)
    location = _physical(outcome, file, line)
    logical = [{"name": net, "kind": "net"} for net in finding.nets]
    logical += [{"name": part, "kind": "component"} for part in finding.components]
    return location | ({"logicalLocations": logical} if logical else {})


def _related(outcome: Outcome, number: int, source: Source) -> dict[str, Any]:
    return {"id": number, "message": {"text": f"copper of {source.net}"}} | _physical(
        outcome, source.file, source.line
    )


def _layer_file(outcome: Outcome, layer: str | None) -> str:
    """The file of a layer; an empty string, which is the board, if there is none."""
    return next(
        (file.path for file in outcome.files if layer is not None and file.layer == layer), ""
    )


def _physical(outcome: Outcome, file: str, line: int | None) -> dict[str, Any]:
    place: dict[str, Any] = {"artifactLocation": _artifact(outcome, file)}
    if line is not None and line > 0:
        place["region"] = {"startLine": line}
    return {"physicalLocation": place}


def _artifact(outcome: Outcome, file: str) -> dict[str, str]:
    """Where a file is, seen from where the check ran: files of the board stand in its folder or
    archive.
    """
    board = outcome.path.replace("\\", "/")
    own = {known.path for known in outcome.files}
    if file and file not in own:
        return {"uri": _uri(file)}  # rules or a table
    folder = posixpath.dirname(board) if posixpath.basename(board) in own else board
    return {
        "uri": _uri(
            posixpath.normpath(posixpath.join(folder, file.replace("\\", "/"))) if file else board
        )
    }


def _uri(path: str) -> str:
    """A relative URI reference, or a file URI for an absolute path."""
    plain = path.replace("\\", "/")
    quoted = quote(plain, safe="/:" if plain[1:3] == ":/" else "/")
    if plain.startswith("/"):
        return f"file://{quoted}"
    return f"file:///{quoted}" if plain[1:3] == ":/" else quoted or "."


def _suppression(waived: Waived) -> dict[str, Any]:
    until = f" (until {waived.until})" if waived.until else ""
    return {"kind": "external", "justification": f"{waived.reason}{until}"}


def _doubt(outcome: Outcome, stated: StatedDoubt, index: int) -> dict[str, Any]:
    doubt = stated.doubt
    result: dict[str, Any] = {
        "ruleId": DOUBT,
        "ruleIndex": index,
        "level": str(Level.ERROR),
        "message": {"text": f"incomplete: {doubt.what}; {doubt.why}"},
        "locations": [_physical(outcome, doubt.place.file, doubt.place.line)],
    }
    if stated.accepted is not None:
        result["suppressions"] = [_suppression(stated.accepted)]
    return result


def _notification(outcome: Outcome, stated: StatedDoubt) -> dict[str, Any]:
    doubt = stated.doubt
    return {
        "level": "error",
        "message": {"text": f"{doubt.what}; {doubt.why}"},
        "locations": [_physical(outcome, doubt.place.file, doubt.place.line)],
    }


FORMAT = Format("sarif", "report.sarif", write)
