"""What a command loads: those that need no board load nothing of geometry."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = ("lxml", "networkx", "numpy", "pyparsing", "rtree", "scipy", "shapely")
PROGRAM = """
import sys
from checker.cli import main
try:
    main({words!r}, prog_name="moatcheck")
except SystemExit as end:
    code = end.code
print(code, *sorted({{name.partition(".")[0] for name in sys.modules}} & set({heavy!r})), file=sys.stderr)
"""


def loaded(*words: str, flags: tuple[str, ...] = ()) -> tuple[str, str]:
    """What a command prints, and its exit code with the heavy packages that it loaded."""
    text = PROGRAM.format(words=list(words), heavy=HEAVY)
    done = subprocess.run(
        [sys.executable, *flags, "-c", text],
        capture_output=True,
        text=True,
        check=True,
        timeout=600,
    )
    return done.stdout, done.stderr.splitlines()[-1]


@pytest.mark.parametrize(
    "words",
    [("--version",), ("--help",), ("check", "--help"), ("explain",), ("explain", "creepage"), ()],
    ids=str,
)
def test_words_alone_load_no_geometry(words: tuple[str, ...]) -> None:
    said, told = loaded(*words)
    assert said
    assert told == "0"


def test_a_rules_file_is_refused_before_geometry_is_loaded(tmp_path: Path) -> None:
    rules = tmp_path / "rules.toml"
    rules.write_text("schema = 1\nregoin = 2\n")
    code, *heavy = loaded("check", str(tmp_path), "--rules", str(rules))[1].split()
    assert code in "23"
    assert not heavy


def test_manuals_are_whole_when_docstrings_are_left_out() -> None:
    assert loaded("explain", "creepage", flags=("-OO",)) == loaded("explain", "creepage")
