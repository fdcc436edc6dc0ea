"""The topics of the manual say what the code does."""

from __future__ import annotations

import inspect
import re

import pytest

from checker.config import rules_file
from checker.config.rules_file import parse_rules
from checker.manual import Topic, topics
from checker.reports import registry as formats
from checker.rules import known_limits, registry

PAGES = list(topics().values())
DEFAULTS = {name: limit.default for name, limit in known_limits().items()}


def example() -> str:
    """The rules file that the topic shows."""
    found = re.search(r"^schema = 1$.*?(?=^Values of)", topics()["rules-file"].text, re.M | re.S)
    assert found is not None
    return found[0]


def test_the_topics_of_the_contract_are_there() -> None:
    assert {"words", "rules-file", "table", "verdicts", "reports", "speed"} <= set(topics())
    assert not set(topics()) & set(registry())


@pytest.mark.parametrize("topic", PAGES, ids=lambda topic: topic.name)
def test_a_topic_fits_a_terminal_and_begins_with_what_it_tells(topic: Topic) -> None:
    lines = topic.text.splitlines()
    # a command is not broken
    assert all(len(line) <= 80 for line in lines if "moatcheck check fab" not in line)
    assert lines[0].endswith(".")
    assert lines[1] == ""
    assert "<<" not in topic.text


def test_the_rules_file_of_the_manual_is_valid() -> None:
    text = example().replace('["analog", "digital"]', '["system", "probe"]')
    rules = parse_rules(text, "rules.toml", DEFAULTS, registry())
    assert rules.barriers
    assert rules.waivers
    assert rules.limits == DEFAULTS


def test_every_key_of_the_rules_file_is_in_the_manual() -> None:
    """Each key that the reader asks for, as found in its own lines."""
    source = inspect.getsource(rules_file)
    asked = re.findall(
        r'(?:table|top|self)\.(?:string|needed|choice|strings|[a-z_]*)\("(\w+)"', source
    )
    missing = {key for key in asked if not re.search(rf"\b{key}\b", example())}
    assert not missing


def test_the_manual_names_every_format_and_its_file() -> None:
    rows = re.findall(r"^(\w+) +(report[.\w]+)(?: |$)", topics()["reports"].text, re.MULTILINE)
    assert sorted(rows) == sorted((form.name, form.file_name) for form in formats().values())
