"""A newer draft laid over an edited rules file: what the file says stays to the letter, comments
too; only what it does not know is added.

Regions are the same if they share a reference net, barriers and ties if they stand between the same
regions. What is added: regions, barriers, ties and places of nets that the file lacks; isolators
that it names nowhere; patterns for nets that it would leave to another region. A file to which
something was added is a draft again, and says of what.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.items import AoT, Array, InlineTable, Table

from checker.layout.regions import NetNames

NEW = "new: the draft of a later board has it"


@dataclass(frozen=True, slots=True)
class _Files:
    """The file to keep, the new draft, and which region of the draft is which of the file."""

    old: TOMLDocument
    new: TOMLDocument
    names: NetNames
    region: Mapping[str, str]
    added: list[str]  # what, in words


def amended(old: str, new: str, nets: Sequence[str]) -> str:
    """The text of an edited rules file with what a new draft adds.

    Parameters
    ----------
    old, new : text of the edited file and of the new draft
    nets : names of the board's nets
    """
    kept, drafted = tomlkit.parse(old), tomlkit.parse(new)
    names = NetNames(nets)
    region = {
        name: _same_region(kept, table, names) or name
        for name, table in drafted.get("region", {}).items()
    }
    files = _Files(kept, drafted, names, region, [])
    _add_named_nets(files)
    _add_regions(files)
    for kind in ("barrier", "tie"):
        _add_between(files, kind)
    if files.added:
        _mark(kept, files.added)
    text = tomlkit.dumps(kept)
    return text if text.endswith("\n") else f"{text}\n"


def _mark(kept: TOMLDocument, added: Sequence[str]) -> None:
    """Make a file a draft: its check stays incomplete until a hand has looked at what was added."""
    told = tomlkit.item(True)
    told.comment(
        f"added: {'; '.join(added)}. The check stays incomplete until this line is removed"
    )
    if "draft" in kept:
        kept["draft"] = told
    else:
        kept.append("draft", told)


def _same_region(kept: TOMLDocument, table: Table, names: NetNames) -> str | None:
    """The region of the kept file that has a reference net of a drafted one, or that claims the
    first of its nets.
    """
    own = set(names.matching(table["reference"]).tolist())
    for name, other in kept.get("region", {}).items():
        if own & set(names.matching(other.get("reference", [])).tolist()):
            return str(name)
    return None if own else _same_nets(kept, table, names)


def _same_nets(kept: TOMLDocument, table: Table, names: NetNames) -> str | None:
    """The region without reference that claims most of a drafted one's nets."""
    own = set(names.matching(table["nets"]).tolist())
    claims = {
        str(name): len(
            own & set(names.matching(p for p in other.get("nets", []) if p != "*").tolist())
        )
        for name, other in kept.get("region", {}).items()
        if not other.get("reference")
    }
    best = max(claims, key=lambda name: claims[name], default=None)
    return best if best is not None and claims[best] else None


def _add_named_nets(files: _Files) -> None:
    known = files.old.get("net", {})
    for name, table in files.new.get("net", {}).items():
        if not known and name not in known:
            files.old.setdefault("net", tomlkit.table(is_super_table=True)).append(
                name, _copy(table)
            )
            files.added.append(f"net {name}")


def _add_regions(files: _Files) -> None:
    """Regions that the file lacks, and patterns for nets that it would leave to another."""
    regions = files.old.setdefault("region", tomlkit.table(is_super_table=True))
    claimed = _claimed(files)
    for name, table in files.new.get("region", {}).items():
        target = files.region[name]
        if target not in regions:
            added = _copy(table)
            if (
                any("*" in other.get("nets", []) for other in regions.values())
                and "*" in added["nets"]
            ):
                added["nets"] = tomlkit.array()
            regions[target] = _fitting(regions, added)
            files.added.append(f"region {target}")
        elif "*" not in table["nets"]:
            new = [
                p for p in table["nets"] if not set(files.names.matching([p]).tolist()) <= claimed
            ]
            _extend(files, regions[target], "nets", new, f"of region {target}")


def _claimed(files: _Files) -> set[int]:
    """Nets that the file names in any region or tie, by more than `*`."""
    tables = [*files.old.get("region", {}).values(), *files.old.get("tie", [])]
    found = [table.get(key, []) for table in tables for key in ("reference", "planes", "nets")]
    return set(files.names.matching(p for patterns in found for p in patterns if p != "*").tolist())


def _add_between(files: _Files, kind: str) -> None:
    """Barriers (or ties) between regions that the file has none between, and isolators that it
    names nowhere.
    """
    for table in files.new.get(kind, []):
        sides = [
            frozenset(files.region.get(n, n) for n in _names(side)) for side in table["between"]
        ]
        same = next((t for t in files.old.get(kind, []) if _meets(t, sides)), None)
        if same is None and not any(
            _meets(t, sides) for k in ("barrier", "tie") for t in files.old.get(k, [])
        ):
            added = _copy(table)
            added["between"] = [_plain(sorted(side)) for side in sides]
            _append(files.old, kind, added)
            files.added.append(
                f"{kind} between {' and '.join(', '.join(sorted(side)) for side in sides)}"
            )
        elif same is not None and kind == "barrier":
            new = [part for part in table["isolators"] if not _mentions(files.old, part)]
            _extend(files, same, "isolators", new, "of a barrier")


def _plain(side: Sequence[str]) -> str | list[str]:
    return side[0] if len(side) == 1 else list(side)


def _meets(table: Table, sides: Sequence[frozenset[str]]) -> bool:
    """Whether a barrier or tie stands between some of the regions of two sides."""
    own = [set(_names(side)) for side in table.get("between", [])]
    return len(own) == 2 and any(own[0] & a and own[1] & b for a, b in (sides, sides[::-1]))


def _names(side: Any) -> list[str]:
    return [str(side)] if isinstance(side, str) else [str(name) for name in side]


def _mentions(document: TOMLDocument, part: str) -> bool:
    """Whether a file names a part anywhere, comments too: what a hand has moved or taken out is not
    added again.

    Nets that are called after a part's pin, such as Net-(U1-Pad2), do not name the part.
    """
    return bool(re.search(rf"(?<!\w)(?<!-\(){re.escape(part)}(?!\w)", tomlkit.dumps(document)))


def _extend(files: _Files, table: Any, key: str, items: Iterable[str], whose: str) -> None:
    """Add texts to a list of a table, at its end."""
    items = list(items)
    if not items:
        return
    if key not in table:
        table.append(key, tomlkit.array())
    array: Array = table[key]
    for item in items:
        array.append(item)
    files.added.append(f"{key} {', '.join(items)} {whose}")


def _append(document: TOMLDocument, kind: str, table: Table) -> None:
    if kind not in document:
        document.append(kind, tomlkit.aot())
    tables: Any = document[kind]
    tables.append(_fitting(tables, table))


def _fitting(place: Any, table: Table) -> Table | InlineTable:
    """A drafted table as it can stand in a place: on lines of its own, or within the line that a
    hand has begun.
    """
    if not isinstance(place, InlineTable | Array):
        table.comment(NEW)
        return table
    inline = tomlkit.inline_table()
    inline.update(table.unwrap())
    return inline


def _copy(table: Any) -> Table:
    """A drafted table with its values and comments."""
    copied: Any = tomlkit.parse(tomlkit.dumps({"copied": table}))["copied"]
    return copied[0] if isinstance(copied, AoT) else copied
