"""What nearly every test needs: golden files that people can read and that only one option
rewrites.
"""

from __future__ import annotations

import difflib
import secrets
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

# The suite draws the same boards every time: a change is judged by what it changes. The long run
# draws new ones, and twice as many. A busy machine is no failure.
settings.register_profile("steady", deadline=None, derandomize=True, max_examples=50)
settings.register_profile("drawn", deadline=None, print_blob=True)
settings.load_profile("steady")

GOLDENS = Path(__file__).parent.parent / "fixtures"
SHARED = Path(__file__).parents[2] / "shared"
NEEDS = {  # what is optional: where it lies, and why it may be absent
    "boards": (
        SHARED / "boards",
        "no public boards in ../shared/boards: they are not the project's to ship",
    ),
    "schemas": (
        SHARED / "schemas",
        "no schemas of IPC-2581 in ../shared/schemas: they are not the project's to ship",
    ),
    "report schemas": (
        Path(sys.prefix) / "schemas",
        (
            "no schemas of SARIF and JUnit in .venv/schemas: no wheel has them, .ci/run downloads"
            " source archives"
        ),
    ),
}


def pytest_addoption(parser: pytest.Parser) -> None:
    """`pytest --rewrite-goldens`: write what was produced, so that the diff comes before a
    reviewer.
    """
    parser.addoption(
        "--rewrite-goldens",
        action="store_true",
        help="write golden files instead of comparing them",
    )
    parser.addoption(
        "--new-boards", action="store_true", help="draw new examples, as `-m long` does"
    )


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Draw new examples where they are asked for; `--hypothesis-seed N` draws those of an earlier
    run again.
    """
    if not draws_anew(config):
        return
    settings.load_profile("drawn")
    if config.option.hypothesis_seed is None:
        config.option.hypothesis_seed = secrets.randbelow(2**32)


def pytest_report_header(config: pytest.Config) -> list[str]:
    """The seed of a run that draws new examples, so that it can be repeated."""
    return (
        [f"new boards: --hypothesis-seed={config.option.hypothesis_seed}"]
        if draws_anew(config)
        else []
    )


def draws_anew(config: pytest.Config) -> bool:
    """Whether this is the long run, or one that asks for new examples."""
    wanted = set(str(config.option.markexpr).replace("not long", "").split())
    return bool(config.option.new_boards) or "long" in wanted


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Tests that wait for the same missing thing are one skip, which says how many they are."""
    for name, (folder, why) in NEEDS.items():
        waiting = [
            item
            for item in items
            if any(mark.args == (name,) for mark in item.iter_markers("needs"))
        ]
        if waiting and not any(folder.glob("*")):
            waiting[0].add_marker(pytest.mark.skip(reason=f"{why} ({len(waiting)} tests)"))
            gone = set(waiting[1:])
            items[:] = [item for item in items if item not in gone]
            config.hook.pytest_deselected(items=waiting[1:])


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
        lines = difflib.unified_diff(
            wanted.splitlines(), text.splitlines(), name, "produced", lineterm=""
        )
        assert text == wanted, "\n".join(lines) or "only line ends differ"

    return compare
