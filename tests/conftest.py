"""What nearly every test needs: golden files that people can read and that only one option rewrites."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("patient", deadline=None)  # a busy machine is no failure
settings.load_profile("patient")

GOLDENS = Path(__file__).parent.parent / "fixtures"


def pytest_addoption(parser: pytest.Parser) -> None:
    """`pytest --rewrite-goldens`: write what was produced, so that the diff comes before a reviewer."""
    parser.addoption("--rewrite-goldens", action="store_true", help="write golden files instead of comparing them")


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """Compare text with fixtures/<name>, and show a diff; with --rewrite-goldens write it."""

    def compare(name: str, text: str) -> None:
        file = GOLDENS / name
        if request.config.getoption("--rewrite-goldens"):
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(text.encode())
            return
        assert file.is_file(), f"{file} is missing; write it with --rewrite-goldens and review it"
        wanted = file.read_bytes().decode()
        lines = difflib.unified_diff(wanted.splitlines(), text.splitlines(), name, "produced", lineterm="")
        assert text == wanted, "\n".join(lines) or "only line ends differ"

    return compare
