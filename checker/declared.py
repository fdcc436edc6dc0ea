"""What the modules of a folder declare about themselves, read from their text without running it.

A rule module imports half of the checker, a report module all drawing; a manual page, a list of
choices or a refused rules file needs only the few lines that declare the rule or the format.
Docstrings are read from the text too, so that they are there when Python was told to leave them out
of the code (-OO).
"""

from __future__ import annotations

import ast
import importlib
import pkgutil
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Any

QUOTES = '"""'


@dataclass(frozen=True, slots=True)
class Declared:
    """A module that declares something."""

    module: str  # whole name
    docstring: str
    value: Any

    def later(self, name: str, default: Callable[..., Any] | None = None) -> Callable[..., Any]:
        """A function of the module, which is imported when it is called."""

        def call(*args: Any) -> Any:
            return getattr(importlib.import_module(self.module), name, default or _missing)(*args)

        return call


def declared(
    package: str, path: Iterable[str], name: str, known: Mapping[str, Any]
) -> Iterator[Declared]:
    """Modules of a package that assign `name`, with what they assign, in alphabetical order.

    Parameters
    ----------
    known : the names that a declaration may use, beside constants that are declared with them above
        it
    """
    for info in sorted(pkgutil.iter_modules(path), key=lambda info: info.name):
        module = f"{package}.{info.name}"
        text = _text(module)
        if f"\n{name} = " in text:
            tree = _declarations(text, known)
            yield Declared(module, ast.get_docstring(tree) or "", _assigned(tree, known)[name])


def _declarations(text: str, known: Iterable[str]) -> ast.Module:
    """Docstring and declarations of a module as a tree: parsing all of it takes ten times as long.

    Notes
    -----
    What is between two empty lines is parsed where a line in it calls something known; where such
    a piece makes no sense by itself, the whole module is parsed.
    """
    start = text.find(QUOTES, len(QUOTES)) + len(QUOTES) if text.startswith(QUOTES) else 0
    calls = re.compile(rf"^\w+ = (?:{'|'.join(known)})\(", re.MULTILINE)
    pieces = [piece for piece in text[start:].split("\n\n") if calls.search(piece)]
    try:
        return ast.parse("\n\n".join([text[:start], *pieces]) if start else text)
    except SyntaxError:
        return ast.parse(text)


def _text(module: str) -> str:
    """The text of a module that is not imported."""
    spec = find_spec(module)
    if spec is None or spec.loader is None:
        raise ImportError(f"{module} has no text")
    text: str | None = spec.loader.get_source(module)  # type: ignore[attr-defined]
    return text or ""


def _assigned(tree: ast.Module, known: Mapping[str, Any]) -> dict[str, Any]:
    """The constants of a module that are made by calling something known."""
    names = dict(known)
    for node in tree.body:
        called = (
            node.value.func
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.Call)
            else None
        )
        if isinstance(called, ast.Name) and called.id in known:
            exec(compile(ast.Module([node], []), "<declared>", "exec"), names)
    return names


def _missing(*_: Any) -> Any:
    raise AttributeError("a declared module lacks what it promises")
