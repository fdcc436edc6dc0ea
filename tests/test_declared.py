"""What modules declare: the quick look at a text finds what importing the module gives."""

from __future__ import annotations

import importlib
import inspect
import sys
from pathlib import Path

import pytest

from checker import rules
from checker.declared import declared


@pytest.mark.parametrize("name", list(rules.registry()))
def test_a_rule_is_what_its_module_holds(name: str) -> None:
    module = importlib.import_module(f"checker.rules.{name.replace('-', '_')}")
    entry = rules.registry()[name]
    assert entry.rule == module.RULE
    assert entry.manual == rules.manual_of(inspect.cleandoc(module.__doc__ or ""))


@pytest.mark.parametrize(
    "text",
    [
        '"""Words."""\n\nA = pair(1, 2)\nMADE = pair(A, 3)\n\n\ndef find(): ...\n',
        '"""Words."""\n\nA = pair(1, 2)\nMADE = pair(\n    A,\n\n    3,\n)\n',
        '# first\n"""Words."""\n\nA = pair(1, 2)\n\nMADE = pair(A, 3)\n',
    ],
    ids=["usual", "empty-line-inside", "comment-first"],
)
def test_a_declaration_is_found_however_it_is_laid_out(
    text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "laid_out"
    folder.mkdir()
    (folder / "__init__.py").touch()
    (folder / "module.py").write_text(text)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "laid_out", raising=False)
    (found,) = declared("laid_out", [str(folder)], "MADE", {"pair": lambda *both: both})
    assert (found.value, found.docstring) == (((1, 2), 3), "Words.")
