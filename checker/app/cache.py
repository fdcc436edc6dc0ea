"""A cache of boards and of what each rule found, for checking again after the rules file changed.
Optional.

An entry is found by a fingerprint of everything that its content depends on: the bytes of all files
of the board, the hints, the tool's own source, the libraries, and for a rule the parts of the rules
file that it can see, with its tables. That a rule sees no other part holds by construction: with a
cache it works on a layout in which the other parts raise `HiddenError`; then it runs once more on
the whole layout, and nothing is kept.

Entries hold numbers, text and well-known binary geometry, nothing that could run. Each tells its
own fingerprint and that of its content, so a damaged, cut off or foreign one is ignored. Whoever
can write into the folder could forge entries: keep it where only the tool's user can write. It may
be deleted at any time.
"""

from __future__ import annotations

import gc
import hashlib
import io
import json
import os
import platform
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import fields, replace
from datetime import date
from functools import lru_cache
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from checker.config.rules_file import Rules, Tolerance
from checker.findings import Finding, Level, Waived
from checker.layout.layout import Layout
from checker.layout.regions import Kind, OffReferenceRun, Pour
from checker.rules import registry
from parsers import board as boards
from parsers import read_board
from parsers.board import Board, Hints
from parsers.package.archive import MAX_MEMBERS, MAX_TOTAL
from parsers.primitives import Conductors
from parsers.trouble import Doubt, InputError, Place

LIBRARIES = ("lxml", "networkx", "numpy", "pyparsing", "rtree", "scipy", "shapely")
PACKAGES = ("checker", "parsers")
MARK = "moatcheck cache 2"
RECORDS: Mapping[str, type[Any]] = {
    kind.__name__: kind
    for kind in (
        *(
            Board,
            boards.BoardFile,
            boards.Layer,
            boards.Stackup,
            boards.Net,
            boards.Pin,
            boards.Component,
        ),
        *(boards.Holes, boards.Outline, boards.Contact, boards.Connectivity, Conductors),
        *(Doubt, Place, Finding, Waived, Pour, OffReferenceRun),
    )
}
# Rules that say that they see no voltages, tables and tolerances, with the limits that they alone
# read. A rule that says nothing sees everything but those limits.
NARROW: Mapping[str, tuple[str, ...]] = {
    name: module.rule.own for name, module in registry().items() if module.rule.own is not None
}
OWN = frozenset(name for names in NARROW.values() for name in names)
SHARED = ("pours", "off_reference_runs")  # quantities of a layout that are kept
# of a layout: never handed on
OF_ITS_OWN = ("board", "rules", "limits", "names", "tell", "_computed")
UNSEEN = ("title", "waiver", "accepted_doubt")  # keys that no rule sees

Found = tuple[list[Finding], list[Doubt]]  # of one rule


class HiddenError(Exception):
    """A rule read a part of the rules file that its cached results are not keyed by."""


class _Hidden:
    """Stands where a rule must not look."""

    def __getattr__(self, name: str) -> Any:
        raise HiddenError(name)

    def __iter__(self) -> Iterator[Any]:
        raise HiddenError("iteration")

    def __len__(self) -> int:
        raise HiddenError("length")

    def __eq__(self, other: object) -> bool:
        raise HiddenError("comparison")

    __hash__ = object.__hash__

    def __repr__(self) -> str:
        return "hidden"


class _Limits(Mapping[str, float]):
    """The limits that may be seen; asking for another one, or for all, raises."""

    def __init__(self, seen: Mapping[str, float]) -> None:
        self.seen = seen

    def __getitem__(self, name: str) -> float:
        if name not in self.seen:
            raise HiddenError(name)
        return self.seen[name]

    def __iter__(self) -> Iterator[str]:
        raise HiddenError("iteration")

    def __len__(self) -> int:
        raise HiddenError("length")

    def __repr__(self) -> str:
        return repr(self.seen)


class Cache:
    """A folder of entries."""

    def __init__(self, folder: Path) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            what = (
                f"cannot be the cache: {error.strerror or error}; give a folder with rights, or"
                " leave --cache out"
            )
            raise InputError(what, Place(str(folder))) from None
        self.folder = folder

    def load(self, key: str) -> Any:
        """The value of an entry; None if there is none, or none that can be trusted."""
        try:
            data = (self.folder / f"{key}.entry").read_bytes()
            head, _, payload = data.partition(b"\n")
            if json.loads(head) != [MARK, key, hashlib.sha256(payload).hexdigest()]:
                return None
            return _unpacked(payload)
        except Exception:  # whatever is wrong with an entry, the check does without it
            return None

    def save(self, key: str, value: Any) -> None:
        """Keep a value, whole or not at all; one that cannot be kept exactly, or a full disk, is no
        trouble.
        """
        try:
            with _uncollected():
                payload = _packed(value)
        except (TypeError, ValueError):
            return
        head = json.dumps([MARK, key, hashlib.sha256(payload).hexdigest()]).encode()
        try:
            with tempfile.TemporaryDirectory(prefix=".new-", dir=self.folder) as staging:
                target = Path(staging) / "entry"
                target.write_bytes(head + b"\n" + payload)
                os.replace(target, self.folder / f"{key}.entry")
        except OSError:
            return


class Memory(Cache):
    """Entries of this process alone: nothing is written, and nothing could be damaged."""

    def __init__(self) -> None:
        self.entries: dict[str, Any] = {}

    def load(self, key: str) -> Any:
        """The value of an entry; None if there is none."""
        return self.entries.get(key)

    def save(self, key: str, value: Any) -> None:
        """Keep a value."""
        self.entries[key] = value


# ------------------------------------------------------------------------------------ boards, rules


def read_cached(cache: Cache, path: Path, hints: Hints, jobs: int = 1) -> tuple[Board, str | None]:
    """Read a board, or take it from the cache.

    Returns
    -------
    the board, and its fingerprint: None where it has none (links, changes while it was read)
    """
    key = board_key(path, hints)
    kept = cache.load(key) if key else None
    if isinstance(kept, Board):
        return kept, key
    board = read_board(path, hints, jobs)
    if key is None or board_key(path, hints) != key:
        return board, None
    cache.save(key, board)
    return board, key


def run_cached(
    cache: Cache,
    board: str,
    layout: Layout,
    names: list[str],
    run: Callable[[list[tuple[Layout, str]]], list[Found]],
) -> dict[str, Found]:
    """What each rule found: from the cache, or from `run`, which gets the rules that are left with
    their layouts.
    """
    rules = layout.rules
    keys = {name: rule_key(board, name, rules) for name in names}
    kept = {name: cache.load(key) for name, key in keys.items()}
    results = {name: found for name, found in kept.items() if isinstance(found, tuple)}
    left = [name for name in names if name not in results]
    base = Layout(layout.board, narrowed(rules, ()))
    try:
        layouts = _layouts(cache, board, base, rules, left)
        found = run([(layouts[NARROW.get(name)], name) for name in left])
    except HiddenError:
        found = run([(layout, name) for name in left])
        return {**results, **dict(zip(left, found, strict=True))}
    for name, result in zip(left, found, strict=True):
        results[name] = result
        if rule_key(board, name, rules) == keys[name]:  # the tables did not change meanwhile
            cache.save(keys[name], result)
    share(base, layout)
    return results


def _layouts(
    cache: Cache, board: str, base: Layout, rules: Rules, names: list[str]
) -> dict[tuple[str, ...] | None, Layout]:
    """A layout for each set of limits that rules read; what several of them need is computed."""
    _recall(cache, board, base)
    layouts = {NARROW.get(name): _grown(base, visible(rules, name)) for name in names}
    if len(layouts) > 1:  # computed once, not by each
        _compute(cache, board, base, layouts.values())
    return layouts


def _recall(cache: Cache, board: str, base: Layout) -> None:
    """Take over from the cache what several rules need and no voltage, table or tolerance can
    change.
    """
    for name in SHARED:
        kept = cache.load(_key("layout", board, name, base.rules))
        if isinstance(kept, tuple):
            vars(base)[name] = kept


def _compute(cache: Cache, board: str, base: Layout, layouts: Iterable[Layout]) -> None:
    """Compute what several layouts need, and keep it."""
    narrow = any(not isinstance(layout.rules.tolerance, Tolerance) for layout in layouts)
    for name in SHARED if narrow else ("pours",):
        if name not in vars(base):
            cache.save(_key("layout", board, name, base.rules), getattr(base, name))
    for layout in layouts:
        share(base, layout)


def share(source: Layout, target: Layout) -> None:
    """Hand on what a layout that sees less has computed: it cannot depend on what it does not
    see.
    """
    computed = {k: v for k, v in vars(source).items() if k not in OF_ITS_OWN}
    vars(target).update({k: v for k, v in computed.items() if k not in vars(target)})


def adopt(source: Layout, target: Layout) -> None:
    """Hand on all that a layout has computed to one that sees the same; see `layout_key`."""
    own = ("board", "rules", "limits", "names", "tell")
    vars(target).update({k: v for k, v in vars(source).items() if k not in own})


def _grown(base: Layout, rules: Rules) -> Layout:
    """A layout that sees more than `base`, with what that has computed."""
    layout = Layout(base.board, rules)
    share(base, layout)
    return layout


def visible(rules: Rules, name: str) -> Rules:
    """The parts of a rules file that a rule sees when its results are kept."""
    return (
        narrowed(rules, NARROW[name])
        if name in NARROW
        else replace(_plain(rules), limits=_without_own(rules))
    )


def narrowed(rules: Rules, own: tuple[str, ...]) -> Rules:
    """A rules file without voltages, tables and tolerances, and without limits of single rules but
    `own`.
    """
    hidden: Any = _Hidden()
    return replace(
        _plain(rules),
        barriers=tuple(replace(barrier, insulation=hidden) for barrier in rules.barriers),
        spacings=tuple(replace(spacing, insulation=hidden) for spacing in rules.spacings),
        tolerance=hidden,
        limits=_without_own(rules, own),
    )


def _without_own(rules: Rules, but: tuple[str, ...] = ()) -> Mapping[str, float]:
    """The limits without those that one rule keeps to itself."""
    return _Limits({k: v for k, v in rules.limits.items() if k not in OWN or k in but})


def _plain(rules: Rules) -> Rules:
    """A rules file without what only matters after the rules have run."""
    lines = {key: line for key, line in rules.line_of.items() if not key.startswith(UNSEEN)}
    return replace(rules, sha256="", title="", waivers=(), accepted_doubts=(), line_of=lines)


# ------------------------------------------------------------------------------------- fingerprints


def board_key(path: Path, hints: Hints) -> str | None:
    """Fingerprint of a board with its hints; None where its content is not plain files of bounded
    size.
    """
    try:
        root = path.parent if path.suffix.lower() == ".gbrjob" else path
        content = _folder(root) if root.is_dir() else [_digest(root.read_bytes())]
    except OSError:
        return None
    return (
        None
        if content is None
        else _key("board", str(path), path.resolve().name, root.resolve().name, content, hints)
    )


def rule_key(board: str, name: str, rules: Rules) -> str:
    """Fingerprint of what one rule finds on a board."""
    seen = visible(rules, name)
    return _key("rule", board, name, seen, () if name in NARROW else _tables(rules))


def layout_key(board: str, rules: Rules) -> str:
    """Fingerprint of all that a layout may look at: the whole rules file but waivers, accepted
    doubts and the title.
    """
    return _key("whole", board, _plain(rules), _tables(rules))


def _folder(root: Path) -> list[tuple[str, str]] | None:
    """Names and fingerprints of all files below a folder."""
    out: list[tuple[str, str]] = []
    total = 0
    for folder, inner, names in os.walk(root):
        inner.sort()
        for name in sorted(names):
            file = Path(folder, name)
            if file.is_symlink() or not file.is_file():
                return None
            total += file.stat().st_size
            if len(out) >= MAX_MEMBERS or total > MAX_TOTAL:
                return None
            out.append((file.relative_to(root).as_posix(), _digest(file.read_bytes())))
        if any(Path(folder, name).is_symlink() for name in inner):
            return None
        out += [(Path(folder, name).relative_to(root).as_posix(), "folder") for name in inner]
    return out


def _tables(rules: Rules) -> tuple[tuple[str, str], ...]:
    """Fingerprints of all spacing tables that the rules name."""
    insulations = [*(b.insulation for b in rules.barriers), *(s.insulation for s in rules.spacings)]
    base = Path(rules.path).parent
    out = []
    for name in sorted({i.table for i in insulations if i.table}):
        try:
            out.append((name, _digest((base / name).read_bytes())))
        except OSError:
            out.append((name, "absent"))
    return tuple(out)


def _key(*parts: Any) -> str:
    return _digest(repr((tool(), parts)).encode("utf-8", "surrogatepass"))


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@lru_cache(maxsize=1)
def tool() -> str:
    """Fingerprint of the tool itself: its source, the libraries, the interpreter, the machine."""
    total = hashlib.sha256()
    top = Path(__file__).resolve().parents[2]
    for package in PACKAGES:
        for file in sorted((top / package).rglob("*.py")):
            total.update(
                f"{file.relative_to(top).as_posix()} {_digest(file.read_bytes())}\n".encode()
            )
    libraries = [(name, version(name)) for name in LIBRARIES]
    total.update(
        repr((libraries, shapely.geos_version, sys.version, platform.machine(), MARK)).encode()
    )
    return total.hexdigest()


# ------------------------------------------------------------------------------------------ entries


def _packed(value: Any) -> bytes:
    """A value as bytes; ValueError or TypeError for one that could not be told exactly."""
    arrays: list[Any] = []
    tree = json.dumps(_encoded(value, arrays))
    if not arrays and _decoded(json.loads(tree), arrays) != value:
        raise ValueError("does not survive")
    stream = io.BytesIO()
    named = {f"a{i}": array for i, array in enumerate(arrays)}
    np.savez(stream, tree=np.frombuffer(tree.encode(), dtype=np.uint8), **named)
    return stream.getvalue()


def _unpacked(payload: bytes) -> Any:
    with np.load(io.BytesIO(payload), allow_pickle=False) as stored, _uncollected():
        arrays = [stored[f"a{i}"] for i in range(len(stored.files) - 1)]
        return _decoded(json.loads(stored["tree"].tobytes()), arrays)


@contextmanager
def _uncollected() -> Iterator[None]:
    """Without the collector of cycles: entries have none, and looking for them takes half of the
    time.
    """
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()


def _encoded(value: Any, arrays: list[Any]) -> Any:
    """A value in JSON, everything but plain values under a tag; arrays are put aside."""
    if value is None or (
        isinstance(value, bool | int | float | str) and not isinstance(value, Level)
    ):
        return value
    if type(value) is tuple and _is_plain(value):
        return {"plain": value}
    for kinds, encode in _ENCODERS:
        if isinstance(value, kinds):
            return encode(value, arrays)
    if RECORDS.get(type(value).__name__) is not type(value):
        raise TypeError(f"{type(value).__name__} is not kept")
    parts = {f.name: _encoded(getattr(value, f.name), arrays) for f in fields(value)}
    return {"record": [type(value).__name__, parts]}


def _is_plain(value: Any) -> bool:
    """Whether there are only numbers, text and tuples of such: they need no tags."""
    return all(type(part) in _PLAIN or (type(part) is tuple and _is_plain(part)) for part in value)


_PLAIN = frozenset({int, float, str, bool, type(None)})

_ENCODERS: tuple[tuple[Any, Callable[[Any, list[Any]], Any]], ...] = (
    (Level, lambda value, _: {"level": int(value)}),
    (Kind, lambda value, _: {"kind": value.value}),
    (
        tuple | list,
        lambda value, arrays: {type(value).__name__: [_encoded(part, arrays) for part in value]},
    ),
    (
        dict,
        lambda value, arrays: {
            "dict": [[_encoded(part, arrays) for part in item] for item in value.items()]
        },
    ),
    (date, lambda value, _: {"date": value.isoformat()}),
    (
        shapely.Geometry,
        lambda value, arrays: {"shape": _put_aside(np.array([value], dtype=object), arrays)},
    ),
    (
        np.ndarray,
        lambda v, arrays: {"shapes" if v.dtype == object else "array": _put_aside(v, arrays)},
    ),
)


def _put_aside(array: Any, arrays: list[Any]) -> int:
    """Keep an array, geometries as their bytes and where each begins; returns its number."""
    number = len(arrays)
    if array.dtype != object:
        arrays.append(array)
        return number
    if array.ndim != 1 or not shapely.is_geometry(array).all():
        raise TypeError("only rows of geometries are kept")
    texts = shapely.to_wkb(array)
    arrays.append(np.cumsum([0, *map(len, texts)], dtype=np.int64))
    arrays.append(np.frombuffer(b"".join(texts), dtype=np.uint8))
    return number


def _decoded(tree: Any, arrays: list[Any]) -> Any:
    if not isinstance(tree, dict):
        return tree
    ((tag, content),) = tree.items()
    return _DECODERS[tag](content, arrays)


def _shapes(number: int, arrays: list[Any]) -> Any:
    ends, data = arrays[number].tolist(), arrays[number + 1].tobytes()
    texts = np.array([data[begin:end] for begin, end in pairwise(ends)], dtype=object)
    return shapely.from_wkb(texts) if len(texts) else np.empty(0, dtype=object)


def _record(content: Any, arrays: list[Any]) -> Any:
    name, parts = content
    return RECORDS[name](
        **{k: _decoded(v, arrays) if isinstance(v, dict) else v for k, v in parts.items()}
    )


def _tuples(content: Any) -> tuple[Any, ...]:
    return tuple([_tuples(part) if isinstance(part, list) else part for part in content])


_DECODERS: Mapping[str, Callable[[Any, list[Any]], Any]] = {
    "level": lambda content, _: Level(content),
    "kind": lambda content, _: Kind(content),
    "plain": lambda content, _: _tuples(content),
    "tuple": lambda content, arrays: tuple(_decoded(part, arrays) for part in content),
    "list": lambda content, arrays: [_decoded(part, arrays) for part in content],
    "dict": lambda content, arrays: {_decoded(k, arrays): _decoded(v, arrays) for k, v in content},
    "date": lambda content, _: date.fromisoformat(content),
    "shape": lambda content, arrays: _shapes(content, arrays)[0],
    "shapes": _shapes,
    "array": lambda content, arrays: arrays[content],
    "record": _record,
}
