"""The contributors' guide says where things are: its map is made from the first lines of rooms and
modules.
"""

from __future__ import annotations

import ast
import re
import textwrap
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
GUIDE = ROOT / "DEVELOPERS.md"


def first_words(module: Path) -> str:
    doc = ast.get_docstring(ast.parse(module.read_text(encoding="utf-8"))) or ""
    return " ".join(doc.split("\n\n", 1)[0].split())


def rooms(package: str) -> list[Path]:
    """Rooms with their modules, and lone modules, from the door down as the import contract lists
    them.
    """
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"][
        "importlinter"
    ]["contracts"]
    layers = next(c["layers"] for c in contracts if c.get("containers") == [package])
    names = [name.strip() for layer in layers for name in re.split(r"[|:]", layer)]
    found: list[Path] = []
    for name in names:
        folder = ROOT / package / name
        if folder.is_dir():
            for room in sorted(path.parent for path in folder.rglob("__init__.py")):
                found += [
                    room,
                    *(path for path in sorted(room.glob("*.py")) if not path.name.startswith("__")),
                ]
        else:
            found.append(folder.with_suffix(".py"))
    return found


def entry(path: Path) -> str:
    inside = (
        path.is_file() and (path.parent / "__init__.py").is_file() and path.parent.parent != ROOT
    )
    name = (
        f"    {path.name}" if inside else f"{path.relative_to(ROOT)}{'/' if path.is_dir() else ''}"
    )
    told = first_words(path / "__init__.py" if path.is_dir() else path)
    return textwrap.fill(told, 116, initial_indent=f"    {name:30} ", subsequent_indent=" " * 35)


def test_the_map_is_current(request: pytest.FixtureRequest) -> None:
    border = f"    {' only Board and trouble cross this line '.center(112, '-')}"
    wanted = "\n".join([*map(entry, rooms("checker")), border, *map(entry, rooms("parsers"))])
    text = GUIDE.read_text(encoding="utf-8")
    block = re.compile(r"(<!-- map: [^\n]*-->\n\n).*?(\n\n<!-- end of map -->)", re.S)
    renewed = block.sub(lambda m: f"{m[1]}{wanted}{m[2]}", text)
    if request.config.getoption("--rewrite-goldens"):
        GUIDE.write_text(renewed, encoding="utf-8")
        return
    assert text == renewed
