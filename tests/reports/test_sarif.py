"""SARIF 2.1.0: valid by the OASIS schema (as models generated from it), and useful to a code host."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any
from urllib.parse import unquote, urlsplit

import pytest
from pydantic_sarif.model import StaticAnalysisResultsFormatSarifVersion210JsonSchema as Log

from checker.outcome import Outcome
from tests.reports import hostile, sample
from tests.reports.test_every_format import written


def run_of(outcome: Outcome) -> dict[str, Any]:
    run: dict[str, Any] = json.loads(written("sarif", outcome))["runs"][0]
    return run


@pytest.mark.parametrize("make", [sample.outcome, sample.clean, hostile.outcome])
def test_a_log_is_valid_by_the_oasis_schema(make: Callable[[], Outcome]) -> None:
    """Source: OASIS, Static Analysis Results Interchange Format 2.1.0, JSON schema; the models forbid unknown keys."""
    Log.model_validate_json(written("sarif", make()))


def test_the_models_refuse_a_broken_log() -> None:
    log = json.loads(written("sarif", sample.outcome()))
    log["runs"][0]["results"][0]["severity"] = "high"
    with pytest.raises(ValueError, match="severity"):
        Log.model_validate(log)


def test_each_result_names_a_rule_that_is_described() -> None:
    run = run_of(sample.outcome())
    described = run["tool"]["driver"]["rules"]
    assert all(described[result["ruleIndex"]]["id"] == result["ruleId"] for result in run["results"])
    assert all(rule["help"]["text"] for rule in described)


def test_a_finding_is_known_again_by_its_id() -> None:
    results = run_of(sample.outcome())["results"]
    prints = [
        result["partialFingerprints"]["moatcheckFinding/v1"] for result in results if "partialFingerprints" in result
    ]
    assert prints == [finding.id for finding in sample.findings()]


@pytest.mark.usefixtures("invented_rules")
def test_help_carries_the_whole_manual() -> None:
    rule = run_of(sample.outcome())["tool"]["driver"]["rules"][0]
    for heading in ("Why", "Measured", "Fix", "Source"):
        assert f"**{heading}:**" in rule["help"]["markdown"]
        assert f"{heading}:" in rule["help"]["text"]


def _location(result: dict[str, Any]) -> tuple[str, int | None]:
    physical = result["locations"][0]["physicalLocation"]
    return unquote(physical["artifactLocation"]["uri"]), physical.get("region", {}).get("startLine")


def test_a_location_is_the_line_told_or_the_layers_file_or_the_board() -> None:
    by_rule = {(r["ruleId"], r["properties"]["layer"]): _location(r) for r in run_of(sample.outcome())["results"][:9]}
    assert by_rule["gap-crossing", "L1"] == ("dosing-L1.gtl", 412)
    assert by_rule["clearance", "L1"] == ("dosing-L1.gtl", None)
    assert by_rule["galvanic-bridge", None] == ("dosing", None)


@pytest.mark.parametrize(
    ("path", "uri"),
    [
        ("out put/board#1.gtl", "out%20put/board%231.gtl"),
        ("/boards/a.gtl", "file:///boards/a.gtl"),
        ("C:\\boards\\a b.gtl", "file:///C:/boards/a%20b.gtl"),
        ("sub\\a.gtl", "sub/a.gtl"),
    ],
)
def test_paths_become_legal_uris(path: str, uri: str) -> None:
    finding = replace(sample.findings()[0], detail={"file": path, "line": 1})
    result = run_of(sample.outcome(findings=(finding,)))["results"][0]
    assert result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"] == uri
    assert urlsplit(uri).fragment == ""


def test_waived_findings_and_accepted_doubts_are_suppressed_with_their_reason() -> None:
    results = run_of(sample.outcome())["results"]
    reasons = [r["suppressions"][0]["justification"] for r in results if "suppressions" in r]
    assert reasons == [
        "test point, reviewed with layout (until 2027-03-31)",
        "legacy board, compared by hand (until 2027-03-31)",
    ]


def test_an_open_doubt_is_an_unsuppressed_error_and_the_execution_did_not_succeed() -> None:
    run = run_of(sample.outcome())
    doubts = [r for r in run["results"] if r["ruleId"] == "doubt" and "suppressions" not in r]
    assert [r["level"] for r in doubts] == ["error"]
    assert _location(doubts[0]) == ("dosing-L3.g2", 88)
    assert run["invocations"][0]["executionSuccessful"] is False
    assert run_of(sample.clean())["invocations"][0]["executionSuccessful"] is True


def test_a_baseline_shows_as_baseline_state() -> None:
    states = [r["baselineState"] for r in run_of(sample.outcome())["results"][:9]]
    assert states.count("unchanged") == 1
    assert "baselineState" not in run_of(sample.outcome(findings=tuple(sample.findings()[:2])))["results"][0]
