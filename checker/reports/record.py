"""The complete report as JSON, schema 1 (checker/schema/report.schema.json); every other format is
a view of it.
"""

from __future__ import annotations

import json
import math
from numbers import Integral, Real
from typing import Any, TextIO

from checker.drawing import Pictures
from checker.findings import Finding, Level, Waived
from checker.reports import Format
from checker.results.answers import Answer, answers
from checker.results.outcome import InputFile, Outcome, RegionRow, StatedDoubt

SCHEMA = 1
PLACES = 6  # decimals: nanometres
ALREADY_PLAIN = frozenset({str, int, bool, type(None)})
VOLT_PLACES = 12  # decimals of voltages: picovolts


def write(outcome: Outcome, _: Pictures, stream: TextIO) -> None:
    """Write the report; same outcome, same bytes."""
    stream.write(json_text(record(outcome), indent=1) + "\n")


def record(outcome: Outcome) -> dict[str, Any]:
    """The report as plain values, in the order of the schema."""
    whole = {
        "schema": SCHEMA,
        "tool": {"name": "moatcheck", "version": outcome.version},
        "verdict": outcome.verdict,
        "caution": outcome.caution,
        "input": _input(outcome),
        "board": _board(outcome),
        "counts": {
            **{str(level): outcome.count(level) for level in sorted(Level, reverse=True)},
            "waived": outcome.waived,
        },
        "checks": [{"rule": c.rule, "ran": c.ran, "why": c.why} for c in outcome.checks],
        "findings": [_finding(finding) for finding in outcome.findings],
        "doubts": [_doubt(doubt) for doubt in outcome.doubts],
        "remarks": [{"what": remark.what, "why": remark.why} for remark in outcome.remarks],
    }
    quiet_inputs = [_answer(answer) for answer in answers(outcome.findings)]
    if quiet_inputs:
        whole["quiet_inputs"] = quiet_inputs
    if outcome.today is not None:
        whole["today"] = outcome.today
    plain: dict[str, Any] = plain_value(whole)
    return plain


def json_text(value: Any, indent: int | None = None) -> str:
    """Plain values as JSON in which no name can steer a terminal or turn the direction of writing.

    Examples
    --------
    >>> json_text({"net": "a\\u202eb µ"})
    '{"net":"a\\\\u202eb µ"}'
    """
    apart = None if indent else (",", ":")
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=indent, separators=apart)
    hidden = [
        character for character in set(text) if not character.isprintable() and character != "\n"
    ]
    return (
        text.translate({ord(character): json.dumps(character)[1:-1] for character in hidden})
        if hidden
        else text
    )


def plain_value(value: Any) -> Any:
    """Turn a value into JSON's own kinds; floats to the nanometre, what is no number to null.

    Examples
    --------
    >>> plain_value({"a": (1.00000004, float("inf")), "b": True})
    {'a': [1.0, None], 'b': True}
    """
    kind = type(value)
    if kind is float:  # most values of a report
        return round(value, PLACES) + 0.0 if math.isfinite(value) else None
    if kind is list or kind is tuple:
        return [plain_value(item) for item in value]
    if kind in ALREADY_PLAIN:
        return value
    return _of_other_kind(value)


def _of_other_kind(value: Any) -> Any:
    """The same for kinds that few values have."""
    if isinstance(value, str):
        return value
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, Real):
        number = round(float(value), VOLT_PLACES if isinstance(value, _Volts) else PLACES)
        return number + 0.0 if math.isfinite(number) else None  # + 0.0: no minus before zero
    if isinstance(value, dict):
        return {str(key): plain_value(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        items = sorted(value) if isinstance(value, set | frozenset) else value
        return [plain_value(item) for item in items]
    return str(value)


def _input(outcome: Outcome) -> dict[str, Any]:
    return {
        "path": outcome.path,
        "format": outcome.format,
        "files": [_file(file) for file in outcome.files],
        "rules_sha256": outcome.rules_sha256,
        "tables": [{"path": table.path, "sha256": table.sha256} for table in outcome.tables],
    }


def _file(file: InputFile) -> dict[str, Any]:
    return {
        "path": file.path,
        "sha256": file.sha256,
        "layer": file.layer,
        "function": file.function,
    }


def _board(outcome: Outcome) -> dict[str, Any]:
    return {
        "thickness_mm": outcome.thickness,
        "bounds_mm": outcome.bounds,
        "layers": [{"id": name, "name": own, "side": side} for name, own, side in outcome.layers],
        "nets": outcome.nets,
        "holes": outcome.holes,
        "components": outcome.components,
        "regions": [_region(region) for region in outcome.regions],
    }


def _region(region: RegionRow) -> dict[str, Any]:
    return {
        "name": region.name,
        "reference": region.reference,
        "quiet": region.quiet,
        "pours": [
            {"layer": layer, "pieces": pieces, "area_mm2": area}
            for layer, pieces, area in region.pours
        ],
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "id": finding.id,
        "rule": finding.rule,
        "level": str(finding.level),
        "message": finding.message,
        "layer": finding.layer,
        "reference_layers": finding.reference_layers,
        "nets": finding.nets,
        "components": finding.components,
        "regions": finding.regions,
        "at_mm": finding.at,
        "bounds_mm": finding.extent,
        "path_mm": finding.path,
        "measured": _fine(finding.measured, finding.unit),
        "required": _fine(finding.required, finding.unit),
        "unit": finding.unit,
        "harm": finding.harm,
        "hint": finding.hint,
        "detail": finding.detail | _sources(finding),
        "group": finding.group,
        "waived": _waived(finding.waived),
        "known": finding.known,
    }


class _Volts(float):
    """A number whose decimals beyond the sixth count."""


def _fine(value: float | None, unit: str) -> float | None:
    """A measured value with the decimals that its unit needs."""
    return _Volts(value) if value is not None and unit == "V" else value


def _sources(finding: Finding) -> dict[str, Any]:
    """Which copper objects the finding speaks of, as a key of its detail; none if none is known."""
    told = [
        {"net": source.net, "file": source.file, "line": source.line} for source in finding.sources
    ]
    return {"sources": told} if told else {}


def _waived(waived: Waived | None) -> dict[str, Any] | None:
    return None if waived is None else {"reason": waived.reason, "until": waived.until}


def _answer(answer: Answer) -> dict[str, Any]:
    shared_copper, field_device, safety = answer.lines
    return {
        "finding": answer.finding,
        "shared_copper": shared_copper,
        "field_device": field_device,
        "safety": safety,
        "layouts": [
            {"layout": variant.layout, "error_v": _fine(variant.volts, "V"), "said": variant.error}
            for variant in answer.layouts
        ],
    }


def _doubt(stated: StatedDoubt) -> dict[str, Any]:
    doubt = stated.doubt
    return {
        "what": doubt.what,
        "why": doubt.why,
        "file": doubt.place.file or None,
        "line": doubt.place.line,
        "accepted": _waived(stated.accepted),
    }


FORMAT = Format("json", "report.json", write)
