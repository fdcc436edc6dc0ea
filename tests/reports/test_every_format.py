"""What every report format owes its readers."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Callable
from io import StringIO
from typing import Any

import pytest

from checker.drawing import Pictures
from checker.findings import Finding, Level, identified
from checker.reports import Format, registry
from checker.results.outcome import Outcome
from tests.reports import hostile, sample
from tests.reports.sample import SAFETY

NAMES = ("csv", "gerber", "html", "json", "junit", "markdown", "sarif", "text", "waivers")
CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def written(name: str, outcome: Outcome, pictures: Pictures | None = None) -> str:
    stream = StringIO(newline="")
    registry()[name].write(outcome, pictures or Pictures(), stream)
    return stream.getvalue()


def words(text: str) -> str:
    """Text without a format's own escapes and line breaks."""
    plain = re.sub(r"^(> |# )", "", html.unescape(text).replace("\\u003c", "<"), flags=re.M)
    return " ".join(plain.replace("\\", "").split())


def test_the_formats_of_the_command_line_are_there() -> None:
    assert tuple(sorted(registry())) == NAMES


def test_no_two_formats_write_the_same_file() -> None:
    names = [form.file_name for form in registry().values()]
    assert len(set(names)) == len(names)
    assert all(name.startswith("report.") for name in names)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("make", [sample.outcome, sample.clean, hostile.outcome])
def test_every_format_carries_the_caution_and_the_verdict(
    name: str, make: Callable[[], Outcome]
) -> None:
    outcome = make()
    text = words(written(name, outcome))
    assert SAFETY in text
    assert outcome.verdict in text.lower()


def quiet(**detail: Any) -> Outcome:
    """A quiet input that the checked board, and other layouts of it, disturb."""
    compared = {"regions": ["a", "b"], "joined_uv": 48.5, "isolated_pf": 4.151, "without_parts": []}
    finding = Finding(
        rule="shared-return",
        level=Level.NOTE,
        message="told",
        at=(0, 0),
        nets=("PH_IN",),
        measured=1e-6,
        required=2e-5,
        unit="V",
        detail={"field_device": "floating", "what_if": compared} | detail,
    )
    return sample.outcome(findings=tuple(identified([finding])))


@pytest.mark.parametrize("name", ["html", "json", "markdown", "text"])
def test_formats_for_people_and_the_record_tell_the_same_of_a_quiet_input(name: str) -> None:
    text = words(re.sub("<[^>]*>", " ", written(name, quiet())))
    for said in (
        "shared copper: fits the allowed error with the declared currents, 1 µV of 20 µV",
        "field device: floating, fits",
        "safety: not judged here",
        "the board as it is",
        "one unbroken reference for a and b",
        "48.5 µV",
        "a and b isolated",
        "no direct current; 4.15 pF left",
    ):
        assert said in text
    assert ("shared copper" in words(written(name, sample.outcome()))) is False


def test_the_record_holds_the_error_of_each_layout_as_a_number() -> None:
    (told,) = json.loads(written("json", quiet()))["quiet_inputs"]
    assert [row["error_v"] for row in told["layouts"]] == [1e-6, 4.85e-5, None]


@pytest.mark.parametrize("name", NAMES)
def test_same_outcome_same_bytes(name: str) -> None:
    assert written(name, sample.outcome()) == written(name, sample.outcome())


@pytest.mark.parametrize("name", NAMES)
def test_names_from_files_cannot_bring_characters_that_steer_or_turn_words_into_a_report(
    name: str,
) -> None:
    assert not CONTROL.search(written(name, hostile.outcome()))


@pytest.mark.parametrize("name", [name for name in NAMES if name not in ("gerber",)])
def test_every_open_doubt_is_told(name: str) -> None:
    assert "aperture macro THERMAL" in written(name, sample.outcome())


@pytest.mark.parametrize(
    "name", ["csv", "gerber", "html", "json", "junit", "markdown", "sarif", "text", "waivers"]
)
def test_every_place_is_told_with_its_message(name: str) -> None:
    """Text and Markdown tell a place by its worst finding."""
    text = words(written(name, sample.outcome()))
    outcome = sample.outcome()
    told = (
        [group.worst for group in outcome.groups]
        if name in ("markdown", "text")
        else outcome.findings
    )
    assert all(finding.message in text for finding in told if finding.waived is None)


@pytest.mark.parametrize("name", [name for name in NAMES if name != "json"])
def test_every_format_says_places_findings_doubts_and_idle_checks(name: str) -> None:
    assert "7 places (8 findings), 1 waived; 1 doubt not accepted; 1 check did not run" in words(
        written(name, sample.outcome())
    )


@pytest.mark.parametrize("name", [name for name in NAMES if name != "markdown"])
def test_every_id_is_told(name: str) -> None:
    text = written(name, sample.outcome())
    listed = [f for f in sample.findings() if f.waived is None or name not in ("text", "waivers")]
    assert all(finding.id in text for finding in listed)


@pytest.mark.parametrize(
    ("name", "file"),
    [(form.name, form.file_name) for form in registry().values() if form.name != "html"],
)
@pytest.mark.usefixtures("invented_rules")
def test_the_sample_gives_its_golden_report(
    name: str, file: str, golden: Callable[[str, str], None]
) -> None:
    """Readable goldens; `pytest --rewrite-goldens` writes them anew, for a reviewer to read the
    diff.
    """
    golden(
        f"reports/{file}",
        written(name, sample.outcome(), Pictures(files=("image-L1.png", "image-L4.png"))),
    )


def test_the_registry_hands_out_records() -> None:
    assert all(isinstance(form, Format) for form in registry().values())
