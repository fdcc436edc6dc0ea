"""JUnit XML as common CI servers read it: counts that add up, one case per net or pair, doubts as
errors.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from lxml import etree

from checker.findings import Level
from checker.results.outcome import Outcome
from tests.reports import hostile, sample
from tests.reports.schemas import schema_from
from tests.reports.test_every_format import written

pytestmark = pytest.mark.usefixtures("invented_rules")


def suites_of(outcome: Outcome) -> etree._Element:
    return etree.fromstring(written("junit", outcome).encode())


@pytest.mark.parametrize("outcome", [sample.outcome(), sample.clean(), hostile.outcome()])
def test_counts_add_up(outcome: Outcome) -> None:
    root = suites_of(outcome)
    for attribute, tag in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
        for suite in root.findall("testsuite"):
            assert int(suite.get(attribute, "")) == len(suite.findall(f"testcase/{tag}"))
        if attribute != "skipped":
            assert int(root.get(attribute, "")) == len(root.findall(f"testsuite/testcase/{tag}"))
    assert int(root.get("tests", "")) == len(root.findall("testsuite/testcase"))


@pytest.mark.needs("report schemas")
def test_a_common_ci_server_reads_it() -> None:
    """Source: junit-10.xsd of the Jenkins xUnit plugin (MIT licence), as pytest's source archive
    carries it.
    """
    schema = etree.XMLSchema(etree.fromstring(schema_from("pytest-*.tar.gz", "/junit-10.xsd")))
    for outcome in (sample.outcome(), sample.clean(), hostile.outcome()):
        schema.assertValid(suites_of(outcome))


@pytest.mark.parametrize("outcome", [sample.outcome(), hostile.outcome()])
def test_no_case_has_two_results_and_every_case_is_named(outcome: Outcome) -> None:
    for case in suites_of(outcome).iter("testcase"):
        assert sum(child.tag in ("failure", "error", "skipped") for child in case) <= 1
        assert case.get("classname")
        assert case.get("time") == "0"


def test_every_rule_is_a_suite() -> None:
    names = [suite.get("name") for suite in suites_of(sample.outcome()).findall("testsuite")]
    assert names == [check.rule for check in sample.outcome().checks] + ["doubts"]


def test_a_case_is_a_net_or_pair_and_names_are_unique_in_their_suite() -> None:
    root = suites_of(sample.outcome())
    for suite in root.findall("testsuite"):
        assert max(Counter(case.get("name") for case in suite.findall("testcase")).values()) == 1
    crossing = root.find("testsuite[@name='gap-crossing']")
    assert crossing is not None
    assert [case.get("name") for case in crossing.findall("testcase")] == ["PH_2", "EC_DRIVE"]


def failing(outcome: Outcome) -> set[str | None]:
    return {
        case.get("name")
        for case in suites_of(outcome).iter("testcase")
        if case.find("failure") is not None
    }


def test_only_what_fails_the_check_is_a_failure() -> None:
    """EC_DRIVE is a warning, DOSE_11 is waived, DOSE_3 / DOSE_4 a note; a known clearance still
    fails.
    """
    errors = {"GND_PROBE / GND_SYS", "PH_2", "PH_DATA / SYS_DATA", "PUMP_SENSE"}
    assert failing(sample.outcome()) == errors
    assert failing(sample.outcome(fail_on=Level.WARNING)) == errors | {"EC_DRIVE"}
    assert failing(sample.outcome(fail_on=Level.NOTE)) == errors | {"EC_DRIVE", "DOSE_3 / DOSE_4"}


def test_a_known_finding_that_is_not_about_safety_does_not_fail() -> None:
    known = tuple(replace(finding, known=True) for finding in sample.findings())
    assert failing(sample.outcome(findings=known)) == {"GND_PROBE / GND_SYS", "PH_DATA / SYS_DATA"}


def test_an_open_doubt_is_an_error_and_an_accepted_one_passes() -> None:
    doubts = suites_of(sample.outcome()).find("testsuite[@name='doubts']")
    assert doubts is not None
    assert [case.find("error") is not None for case in doubts.findall("testcase")] == [True, False]


def test_a_rule_that_did_not_run_is_skipped_with_the_reason() -> None:
    skipped = suites_of(sample.outcome()).find(
        "testsuite[@name='return-handover']/testcase/skipped"
    )
    assert skipped is not None
    assert "no stitching capacitors" in skipped.get("message", "")
