"""The JSON report and its schema."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

import checker
from checker.reports.record import json_text, plain_value
from checker.results.outcome import Outcome
from tests.reports import hostile, sample
from tests.reports.test_every_format import quiet, written

SCHEMA = json.loads((Path(checker.__file__).parent / "schema" / "report.schema.json").read_text())
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)

KEYS = {
    "": "schema tool verdict caution input board counts checks findings doubts remarks today",
    "input": "path format files rules_sha256 tables",
    "board": "thickness_mm bounds_mm layers nets holes components regions",
    "counts": "error warning note waived",
}
FINDING = (
    "id rule level message layer reference_layers nets components regions at_mm bounds_mm path_mm"
    " measured required unit harm hint detail group waived known"
)


def report(outcome: Outcome) -> dict[str, Any]:
    made: dict[str, Any] = json.loads(written("json", outcome))
    return made


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("make", [sample.outcome, sample.clean, hostile.outcome, quiet])
def test_a_report_is_valid_by_the_shipped_schema(make: Callable[[], Outcome]) -> None:
    VALIDATOR.validate(report(make()))


def test_the_keys_are_those_of_the_contract_in_its_order() -> None:
    made = report(sample.outcome())
    for name, keys in KEYS.items():
        assert list(made[name] if name else made) == keys.split()
    assert all(list(finding) == FINDING.split() for finding in made["findings"])


def test_the_date_stands_in_it_only_if_one_was_used() -> None:
    assert report(sample.outcome())["today"] == "2026-11-25"
    assert "today" not in report(sample.clean())


def test_numbers_survive_to_the_nanometre() -> None:
    for finding, told in zip(sample.findings(), report(sample.outcome())["findings"], strict=True):
        assert told["at_mm"] == pytest.approx(finding.at, abs=1e-6)
        assert told["bounds_mm"] == pytest.approx(finding.extent, abs=1e-6)
        assert told["measured"] == pytest.approx(finding.measured, abs=1e-6)
        assert [[tuple(p) for p in line] for line in told["path_mm"]] == [
            list(line) for line in finding.path
        ]


def test_counts_leave_waived_findings_out() -> None:
    counts = report(sample.outcome())["counts"]
    levels = [f.level for f in sample.findings() if f.waived is None]
    assert counts == {
        "error": sum(str(level) == "error" for level in levels),
        "warning": sum(str(level) == "warning" for level in levels),
        "note": sum(str(level) == "note" for level in levels),
        "waived": 1,
    }


def _spoilt(change: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    made = copy.deepcopy(report(sample.outcome()))
    change(made)
    return made


@pytest.mark.parametrize(
    "change",
    [
        lambda r: r.pop("caution"),
        lambda r: r.update(verdict="ok"),
        lambda r: r.update(extra=1),
        lambda r: r["findings"][0].pop("known"),
        lambda r: r["findings"][0].update(rule="Gap Crossing"),
        lambda r: r["findings"][0].update(id="12"),
        lambda r: r["findings"][0].update(group=""),
        lambda r: r["findings"][0].update(layer="1"),
        lambda r: r["findings"][0].update(at_mm=[1]),
        lambda r: r["checks"].append({"rule": "creepage", "ran": False, "why": ""}),
        lambda r: r["counts"].update(error=-1),
        lambda r: r["doubts"][1]["accepted"].update(reason=""),
    ],
)
def test_the_schema_refuses_what_the_contract_does_not_allow(
    change: Callable[[dict[str, Any]], object],
) -> None:
    assert not VALIDATOR.is_valid(_spoilt(change))


def test_the_schema_takes_a_rule_that_is_not_written_yet() -> None:
    assert VALIDATOR.is_valid(_spoilt(lambda r: r["findings"][0].update(rule="some-new-rule2")))


NAMES = st.text('aµ"\\ é', max_size=4)  # nothing that is not printed as it stands
PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(-1e9, 1e9) | NAMES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=3),
    max_leaves=12,
)


@given(PLAIN)
def test_its_lines_are_those_of_the_standard_library(value: object) -> None:
    whole = plain_value(value)
    assert json_text(whole, indent=1) == json.dumps(whole, indent=1, ensure_ascii=False)
