"""SARIF 2.1.0: valid by the OASIS schema and by models generated from it, and useful to a code
host.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import pytest
from jsonschema import Draft7Validator, FormatChecker
from pydantic_sarif.model import StaticAnalysisResultsFormatSarifVersion210JsonSchema as Log

from checker.app.run import Options, check, load_rules
from checker.findings import Source
from checker.results.outcome import InputFile, Outcome
from tests.reports import hostile, sample
from tests.reports.schemas import schema_from
from tests.reports.test_every_format import written


def run_of(outcome: Outcome) -> dict[str, Any]:
    run: dict[str, Any] = json.loads(written("sarif", outcome))["runs"][0]
    return run


def demo() -> Outcome:
    """What the check itself finds on a demo board with faults."""
    boards = Path(__file__).parents[2] / "fixtures" / "demo"
    rules = load_rules(boards / "digital-isolator-faulty" / "rules.toml")
    return check(boards / "digital-isolator-faulty" / "board", rules, Options()).outcome


OUTCOMES = [sample.outcome, sample.clean, hostile.outcome, demo]


@pytest.fixture(scope="module")
def oasis() -> Draft7Validator:
    """The schema file itself, formats included."""
    schema = json.loads(schema_from("sarif_pydantic-*.tar.gz", "/sarif-schema-2.1.0.json"))
    return Draft7Validator(schema, format_checker=FormatChecker())


@pytest.mark.needs("report schemas")
@pytest.mark.parametrize("make", OUTCOMES)
def test_a_log_is_valid_by_the_oasis_schema(
    make: Callable[[], Outcome], oasis: Draft7Validator
) -> None:
    """Source: OASIS, Static Analysis Results Interchange Format 2.1.0, sarif-schema-2.1.0.json."""
    assert [
        error.message for error in oasis.iter_errors(json.loads(written("sarif", make())))
    ] == []


@pytest.mark.parametrize("make", OUTCOMES)
def test_a_log_is_valid_by_models_of_the_oasis_schema(make: Callable[[], Outcome]) -> None:
    """Source: OASIS, Static Analysis Results Interchange Format 2.1.0, JSON schema; the models
    forbid unknown keys.
    """
    Log.model_validate_json(written("sarif", make()))


def broken(**changes: object) -> dict[str, Any]:
    """A log whose first result has other values."""
    log: dict[str, Any] = json.loads(written("sarif", sample.outcome()))
    log["runs"][0]["results"][0] |= changes
    return log


def test_the_models_refuse_a_broken_log() -> None:
    with pytest.raises(ValueError, match="severity"):
        Log.model_validate(broken(severity="high"))


@pytest.mark.needs("report schemas")
@pytest.mark.parametrize(
    "changes",
    [
        {"severity": "high"},
        {"locations": [{"physicalLocation": {"artifactLocation": {"uri": "a b"}}}]},
        {"locations": [{"physicalLocation": {"region": {"startLine": 0}}}]},
        {"guid": "1"},
        {"suppressions": [{"kind": "external"}, {"kind": "external"}]},
    ],
)
def test_the_schema_refuses_a_broken_log(
    changes: dict[str, object], oasis: Draft7Validator
) -> None:
    """Unknown keys, URIs with blanks, lines before the first, odd ids, twice the same: formats are
    checked, too.
    """
    assert not oasis.is_valid(broken(**changes))


def test_each_result_names_a_rule_that_is_described() -> None:
    run = run_of(sample.outcome())
    described = run["tool"]["driver"]["rules"]
    assert all(
        described[result["ruleIndex"]]["id"] == result["ruleId"] for result in run["results"]
    )
    assert all(rule["help"]["text"] for rule in described)


def test_a_finding_is_known_again_by_its_id() -> None:
    results = run_of(sample.outcome())["results"]
    prints = [
        result["partialFingerprints"]["moatcheckFinding/v1"]
        for result in results
        if "partialFingerprints" in result
    ]
    assert prints == [finding.id for group in sample.outcome().groups for finding in group.members]


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
    by_rule = {
        (r["ruleId"], r["properties"]["layer"]): _location(r)
        for r in run_of(sample.outcome())["results"][:9]
    }
    assert by_rule["gap-crossing", "L1"] == ("dosing/dosing-L1.gtl", 412)
    assert by_rule["clearance", "L1"] == ("dosing/dosing-L1.gtl", None)
    assert by_rule["galvanic-bridge", None] == ("dosing", None)


def test_further_objects_of_a_finding_are_related_locations() -> None:
    result = next(r for r in run_of(sample.outcome())["results"] if r["ruleId"] == "creepage")
    assert _location(result) == ("dosing/dosing-L1.gtl", None)
    (other,) = result["relatedLocations"]
    assert other["physicalLocation"] == {
        "artifactLocation": {"uri": "dosing/dosing.drl"},
        "region": {"startLine": 31},
    }
    assert "GND_SYS" in other["message"]["text"]


@pytest.mark.parametrize(
    ("board", "file", "uri"),
    [
        ("fab", "top.gbr", "fab/top.gbr"),
        ("./out/fab", "sub/top.gbr", "out/fab/sub/top.gbr"),
        ("fab.zip", "top.gbr", "fab.zip/top.gbr"),
        (".", "top.gbr", "top.gbr"),
        ("out/board.xml", "board.xml", "out/board.xml"),
        ("board.xml", "board.xml", "board.xml"),
        ("/ci/fab", "top.gbr", "file:///ci/fab/top.gbr"),
    ],
)
def test_a_file_is_named_from_where_the_check_ran(board: str, file: str, uri: str) -> None:
    """A code host looks for it in the repository."""
    finding = replace(sample.findings()[0], sources=(Source("A", file, 3),))
    files = (InputFile(file, "", "L1", "copper"),)
    run = run_of(sample.outcome(findings=(finding,), path=board, files=files))
    assert run["results"][0]["locations"][0]["physicalLocation"]["artifactLocation"]["uri"] == uri
    assert run["artifacts"][0]["location"]["uri"] == uri


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
    finding = replace(sample.findings()[0], sources=(Source("A", path, 1),))
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
    assert "baselineState" not in run_of(sample.outcome(baseline=None))["results"][0]


def test_without_known_findings_all_are_new_to_the_baseline() -> None:
    fresh = tuple(replace(finding, known=False) for finding in sample.findings())
    results = run_of(sample.outcome(findings=fresh, baseline=2))["results"]
    assert {r.get("baselineState") for r in results if r["ruleId"] != "doubt"} == {"new"}
