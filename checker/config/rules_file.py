"""The rules file: TOML to frozen values, every key checked.

The records below mirror chapter "Rules file" of the README key by key; `read_rules` fills them. A limit that the file
does not name gets the default of the rule that declares it: known limits are passed in, so this module needs no rule.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any, TypeVar

from parsers.trouble import InputError, Place

T = TypeVar("T")

INSULATIONS = ("functional", "basic", "reinforced")
MATERIAL_GROUPS = ("I", "II", "IIIa", "IIIb")
POLLUTION_DEGREES = (1, 2, 3)
ROW_RULES = ("interpolate", "next")
SIDES = ("top", "bottom", "both")
REFUSED = {  # keys a careful user may try, and why they are not taken
    "altitude": "no correction is built in; put the corrected clearances into the table",
    "frequency": "no correction is built in; put the distances for that frequency into the table",
}


class RulesFileError(InputError):
    """A rules file that says something the tool does not understand."""


@dataclass(frozen=True, slots=True)
class RegionSpec:
    """[region.<name>]."""

    name: str
    reference: tuple[str, ...] = ()
    nets: tuple[str, ...] = ()  # glob patterns
    quiet: bool = False
    planes: tuple[str, ...] = ()
    area: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Insulation:
    """What a barrier or a spacing must hold: the keys that both share."""

    working_voltage: float | None = None  # V rms or d.c.
    clearance_voltage: float | None = None  # None: the working voltage, told in the report
    insulation: str = "functional"  # functional | basic | reinforced
    pollution_degree: int = 2
    material_group: str = "IIIb"
    x_reduction: bool = False
    table: str | None = None  # path as written, relative to the rules file
    creepage_rule: str = "interpolate"  # how rows between voltages are read: interpolate | next
    clearance_rule: str = "next"


@dataclass(frozen=True, slots=True)
class Barrier:
    """[[barrier]]."""

    between: tuple[str, str]  # region names
    isolators: tuple[str, ...] = ()
    straddling: tuple[str, ...] = ()
    earthed: tuple[str, ...] = ()  # net patterns
    insulation: Insulation = field(default_factory=Insulation)


@dataclass(frozen=True, slots=True)
class Spacing:
    """[[spacing]]: two groups of net patterns."""

    between: tuple[tuple[str, ...], tuple[str, ...]]
    earthed: tuple[str, ...] = ()
    insulation: Insulation = field(default_factory=Insulation)


@dataclass(frozen=True, slots=True)
class Tie:
    """[[tie]]."""

    between: tuple[str, str]  # region names
    at: str | None = None  # component, or None for copper
    nets: tuple[str, ...] = ()  # may be in both regions
    reach: float = 2.0


@dataclass(frozen=True, slots=True)
class Hardware:
    """[[hardware]]: a conductor that the files do not show, a disc on one or both faces."""

    at: tuple[float, float]
    diameter: float
    side: str = "both"  # top | bottom | both
    net: str | None = None  # None: floats


@dataclass(frozen=True, slots=True)
class Tolerance:
    """[tolerance], mm."""

    etch: float = 0.0
    registration: float = 0.0
    routing: float = 0.0


@dataclass(frozen=True, slots=True)
class StackupSpec:
    """[stackup]: only what the data does not say."""

    thickness: float | None = None
    dielectric: tuple[float, ...] = ()
    reference: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class NetClasses:
    """[nets], glob patterns."""

    noisy: tuple[str, ...] = ()
    slow: tuple[str, ...] = ()
    pairs: tuple[tuple[str, str], ...] = ()
    stitching: tuple[str, ...] = ()  # components
    edge_ns: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class WaiverSpec:
    """[[waiver]]."""

    rule: str
    reason: str
    net: str | None = None
    near: tuple[float, float] | None = None
    radius: float = 1.0
    until: date | None = None


@dataclass(frozen=True, slots=True)
class AcceptedDoubt:
    """[[accepted_doubt]]."""

    what: str
    reason: str
    until: date | None = None


@dataclass(frozen=True, slots=True)
class Rules:
    """A whole rules file. `line_of` maps a dotted key ("region.probe.nets", "barrier[0].table") to its line."""

    path: str = ""
    sha256: str = ""
    title: str = ""
    regions: tuple[RegionSpec, ...] = ()
    barriers: tuple[Barrier, ...] = ()
    spacings: tuple[Spacing, ...] = ()
    ties: tuple[Tie, ...] = ()
    hardware: tuple[Hardware, ...] = ()
    tolerance: Tolerance = field(default_factory=Tolerance)
    stackup: StackupSpec = field(default_factory=StackupSpec)
    files: Mapping[str, str] = field(default_factory=dict)
    step: str | None = None
    nets: NetClasses = field(default_factory=NetClasses)
    limits: Mapping[str, float] = field(default_factory=dict)  # complete: defaults filled in
    waivers: tuple[WaiverSpec, ...] = ()
    accepted_doubts: tuple[AcceptedDoubt, ...] = ()
    line_of: Mapping[str, int] = field(default_factory=dict)

    def place(self, key: str) -> Place:
        """Where a dotted key stands in the file."""
        return Place(self.path, self.line_of.get(key), key)


def read_rules(path: Path, limits: Mapping[str, float], rule_ids: Iterable[str] = ()) -> Rules:
    """Read a rules file.

    Parameters
    ----------
    limits : every known limit with its default
    rule_ids : every known rule id, for waivers

    Raises
    ------
    RulesFileError : unreadable, an unknown key, a wrong type, a name that is nowhere declared
    """
    try:
        data = path.read_bytes()
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise RulesFileError(f"cannot read it: {error.strerror}; check the path", Place(str(path))) from None
    except UnicodeDecodeError:
        raise RulesFileError("is no UTF-8 text; save it as UTF-8", Place(str(path))) from None
    return parse_rules(text, str(path), limits, rule_ids)


def parse_rules(text: str, path: str, limits: Mapping[str, float], rule_ids: Iterable[str] = ()) -> Rules:
    """Read the text of a rules file; see `read_rules`."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        found = re.search(r"(.*) \(at line (\d+)", str(error))
        what, line = (found[1], int(found[2])) if found else (str(error), None)
        raise RulesFileError(f"is no valid TOML: {what[:1].lower()}{what[1:]}", Place(path, line)) from None
    top = _Table(data, "", path, line_of_keys(text))
    if top.integer("schema", 0) != 1:
        raise top.error("schema", "this version reads schema 1; begin the file with: schema = 1")
    rules = Rules(
        path=path,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        title=top.string("title") or "",
        step=top.string("step"),
        regions=tuple(_region(name, table) for name, table in top.named_tables("region")),
        barriers=tuple(_barrier(table) for table in top.tables("barrier")),
        spacings=tuple(_spacing(table) for table in top.tables("spacing")),
        ties=tuple(_tie(table) for table in top.tables("tie")),
        hardware=tuple(_hardware(table) for table in top.tables("hardware")),
        tolerance=_tolerance(top.table("tolerance")),
        stackup=_stackup(top.table("stackup")),
        files=top.table("files").all_strings(),
        nets=_net_classes(top.table("nets")),
        limits=_limits(top.table("limits"), limits),
        waivers=tuple(_waiver(table, tuple(rule_ids)) for table in top.tables("waiver")),
        accepted_doubts=tuple(_accepted(table) for table in top.tables("accepted_doubt")),
        line_of=top.lines,
    )
    top.done()
    _check_names(rules, top)
    return rules


def nearest(word: str, known: Iterable[str]) -> str:
    """`; did you mean "x"?` for the nearest known spelling, or nothing.

    Examples
    --------
    >>> nearest("refrence", ["reference", "nets"])
    '; did you mean "reference"?'
    >>> nearest("zzz", ["reference"])
    ''
    """
    known = sorted(known)
    close = difflib.get_close_matches(word, known, 1, 0.6)
    folded = [name for name in known if name.casefold() == word.casefold()]
    best = folded or close
    return f'; did you mean "{best[0]}"?' if best else ""


def line_of_keys(text: str) -> dict[str, int]:
    """Lines of dotted keys, `[tables]` and `[[arrays]]`; tomllib tells none.

    Examples
    --------
    >>> line_of_keys('a = 1\\n[[barrier]]\\ntable = "x"\\n')
    {'a': 1, 'barrier[0]': 2, 'barrier[0].table': 3}
    """
    lines: dict[str, int] = {}
    counts: dict[str, int] = {}
    prefix = ""
    open_brackets, fence = 0, ""
    for number, raw in enumerate(text.splitlines(), 1):
        head = re.match(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]", raw) if not open_brackets and not fence else None
        key = re.match(r"""\s*((?:"[^"]*"|'[^']*'|[\w-]+)(?:\s*\.\s*(?:"[^"]*"|'[^']*'|[\w-]+))*)\s*=""", raw)
        if head:
            prefix = _plain(head[2])
            if head[1] == "[[":
                counts[prefix] = counts.get(prefix, -1) + 1
                prefix = f"{prefix}[{counts[prefix]}]"
            lines.setdefault(prefix, number)
            continue
        if key and not open_brackets and not fence:
            lines.setdefault(f"{prefix}.{_plain(key[1])}".lstrip("."), number)
        open_brackets, fence = _still_open(raw, open_brackets, fence)
    return lines


def _plain(key: str) -> str:
    return ".".join(part.strip().strip("\"'") for part in re.findall(r""""[^"]*"|'[^']*'|[^.]+""", key))


def _still_open(line: str, depth: int, fence: str) -> tuple[int, str]:
    """Bracket depth and open multi-line string after a line of TOML."""
    for token in re.findall(r'''"""|\'{3}|"(?:\\.|[^"\\])*"|\'[^\']*\'|[\[\]{}]|#.*''', line):
        if token in ('"""', "'''"):
            fence = "" if fence == token else (fence or token)
        elif fence or token[0] in "\"'#":
            continue
        else:
            depth += 1 if token in "[{" else -1
    return depth, fence


class _Table:
    """A TOML table that remembers which keys were asked for, and where they stand."""

    def __init__(self, data: dict[str, Any], key: str, path: str, lines: dict[str, int]) -> None:
        self.data, self.key, self.path, self.lines = data, key, path, lines
        self.asked: set[str] = set()
        self.children: list[_Table] = []

    def dotted(self, key: str) -> str:
        return f"{self.key}.{key}" if self.key else key

    def error(self, key: str, what: str) -> RulesFileError:
        name = self.dotted(key) if key else self.key
        line = self.lines.get(name, self.lines.get(self.key))
        return RulesFileError(f"{name}: {what}", Place(self.path, line))

    def missing(self, key: str, what: str) -> RulesFileError:
        """The error of a required key that is not there, with the key that may have been meant for it."""
        close = difflib.get_close_matches(key, self.data, 1, 0.7)
        return self.error(key, f"{what}; {close[0]!r} stands here, did you mean it?" if close else what)

    def get(self, key: str, kind: str, test: Callable[[Any], bool]) -> Any:
        self.asked.add(key)
        value = self.data.get(key)
        if value is not None and not test(value):
            raise self.error(key, f"must be {kind}, not {value!r}")
        return value

    def string(self, key: str) -> str | None:
        value: str | None = self.get(key, "a text in quotes", lambda v: isinstance(v, str))
        return value

    def needed(self, key: str) -> str:
        value = self.string(key)
        if not value or not value.strip():
            raise self.missing(key, "is missing or empty; it must be a text in quotes")
        return value

    def choice(self, key: str, options: tuple[T, ...], default: T) -> T:
        value = self.get(key, f"one of {', '.join(map(repr, options))}", lambda v: v in options)
        return default if value is None else value

    def strings(self, key: str) -> tuple[str, ...]:
        value = self.get(key, "a list of texts", _is_strings)
        return tuple(value or ())

    def integer(self, key: str, default: int) -> int:
        value = self.get(key, "a whole number", lambda v: isinstance(v, int) and not isinstance(v, bool))
        return default if value is None else int(value)

    def number(self, key: str, default: float, least: float = 0.0, kind: str = "a number of at least 0") -> float:
        value = self.get(key, kind, lambda v: _is_number(v) and v >= least)
        return default if value is None else float(value)

    def optional_number(self, key: str) -> float | None:
        value = self.get(key, "a number above 0", lambda v: _is_number(v) and v > 0)
        return None if value is None else float(value)

    def boolean(self, key: str, default: bool = False) -> bool:
        value = self.get(key, "true or false", lambda v: isinstance(v, bool))
        return default if value is None else bool(value)

    def date(self, key: str) -> date | None:
        return _as_date(self.get(key, "a date such as 2027-03-31", lambda v: isinstance(v, date)))

    def point(self, key: str) -> tuple[float, float] | None:
        value = self.get(key, "a place such as [12.5, 40.0]", _is_point)
        return None if value is None else (float(value[0]), float(value[1]))

    def two_names(self, key: str) -> tuple[str, str]:
        value = self.get(key, "a list of two different names", lambda v: _is_strings(v) and len(set(v)) == len(v) == 2)
        if value is None:
            raise self.missing(key, 'is missing; it must be a list of two names such as ["system", "probe"]')
        return value[0], value[1]

    def table(self, key: str) -> _Table:
        value = self.get(key, f"a table: write [{self.dotted(key)}]", lambda v: isinstance(v, dict))
        return self.child(value or {}, self.dotted(key))

    def tables(self, key: str) -> list[_Table]:
        kind = f"a list of tables: write [[{key}]] with two brackets"
        value = self.get(key, kind, lambda v: isinstance(v, list) and all(isinstance(t, dict) for t in v))
        return [self.child(t, f"{key}[{i}]") for i, t in enumerate(value or [])]

    def named_tables(self, key: str) -> list[tuple[str, _Table]]:
        kind = f"made of tables: write [{key}.NAME]"
        value = self.get(key, kind, lambda v: isinstance(v, dict) and all(isinstance(t, dict) for t in v.values()))
        return [(name, self.child(t, f"{key}.{name}")) for name, t in (value or {}).items()]

    def child(self, data: dict[str, Any], key: str) -> _Table:
        table = _Table(data, key, self.path, self.lines)
        self.children.append(table)
        return table

    def all_strings(self) -> dict[str, str]:
        for key in self.data:
            self.string(key)
        return dict(self.data)

    def done(self) -> None:
        """Refuse whatever nobody asked for."""
        for key in self.data:
            if key not in self.asked:
                if key in REFUSED:
                    raise self.error(key, REFUSED[key])
                raise self.error(key, f"no such key here{nearest(key, self.asked)}")
        for child in self.children:
            child.done()


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12  # false for NaN too


def _is_strings(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(v, str) and v for v in value)


def _is_point(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(map(_is_number, value))


def _as_date(value: date | None) -> date | None:
    return value.date() if isinstance(value, datetime) else value


def _region(name: str, table: _Table) -> RegionSpec:
    def corners(value: Any) -> bool:
        return isinstance(value, list) and (not value or len(value) >= 3) and all(map(_is_point, value))

    area = table.get("area", "a list of at least three corners such as [[0, 0], [40, 0], [40, 60]]", corners)
    spec = RegionSpec(
        name=name,
        reference=table.strings("reference"),
        nets=table.strings("nets"),
        quiet=table.boolean("quiet"),
        planes=table.strings("planes"),
        area=tuple((float(x), float(y)) for x, y in area or ()),
    )
    if not spec.reference and not spec.area:
        raise table.missing("area", "is required for a region without reference nets")
    return spec


def _insulation(table: _Table) -> Insulation:
    spec = Insulation(
        working_voltage=table.optional_number("working_voltage"),
        clearance_voltage=table.optional_number("clearance_voltage"),
        insulation=table.choice("insulation", INSULATIONS, "functional"),
        pollution_degree=table.choice("pollution_degree", POLLUTION_DEGREES, 2),
        material_group=table.choice("material_group", MATERIAL_GROUPS, "IIIb"),
        x_reduction=table.boolean("x_reduction"),
        table=table.string("table"),
        creepage_rule=table.choice("creepage_rule", ROW_RULES, "interpolate"),
        clearance_rule=table.choice("clearance_rule", ROW_RULES, "next"),
    )
    if spec.table is not None and spec.working_voltage is None:
        raise table.missing("working_voltage", "is required with a table: V rms or d.c. across the insulation")
    return spec


def _barrier(table: _Table) -> Barrier:
    return Barrier(
        between=table.two_names("between"),
        isolators=table.strings("isolators"),
        straddling=table.strings("straddling"),
        earthed=table.strings("earthed"),
        insulation=_insulation(table),
    )


def _spacing(table: _Table) -> Spacing:
    def groups(value: Any) -> bool:
        return isinstance(value, list) and len(value) == 2 and all(v and _is_strings(v) for v in value)

    between = table.get("between", 'two lists of nets such as [["AC_L"], ["AC_N", "PE"]]', groups)
    if between is None:
        raise table.missing("between", 'is missing; it must be two lists of nets such as [["AC_L"], ["AC_N"]]')
    if table.string("table") is None:
        raise table.missing("table", "is missing; a spacing is held against a table")
    first, second = between
    return Spacing((tuple(first), tuple(second)), table.strings("earthed"), _insulation(table))


def _tie(table: _Table) -> Tie:
    return Tie(table.two_names("between"), table.string("at"), table.strings("nets"), table.number("reach", 2.0))


def _hardware(table: _Table) -> Hardware:
    at, diameter = table.point("at"), table.optional_number("diameter")
    if at is None or diameter is None:
        raise table.missing("at" if at is None else "diameter", "is missing")
    return Hardware(at, diameter, table.choice("side", SIDES, "both"), table.string("net"))


def _tolerance(table: _Table) -> Tolerance:
    return Tolerance(table.number("etch", 0.0), table.number("registration", 0.0), table.number("routing", 0.0))


def _stackup(table: _Table) -> StackupSpec:
    def heights(value: Any) -> bool:
        return isinstance(value, list) and all(_is_number(v) and v > 0 for v in value)

    reference = table.table("reference")
    return StackupSpec(
        thickness=table.optional_number("thickness"),
        dielectric=tuple(map(float, table.get("dielectric", "a list of thicknesses in mm", heights) or ())),
        reference={layer: reference.strings(layer) for layer in reference.data},
    )


def _net_classes(table: _Table) -> NetClasses:
    def is_pairs(value: Any) -> bool:
        return isinstance(value, list) and all(_is_strings(v) and len(v) == 2 for v in value)

    edges = table.table("edge_ns")
    return NetClasses(
        noisy=table.strings("noisy"),
        slow=table.strings("slow"),
        pairs=tuple((a, b) for a, b in table.get("pairs", 'a list of pairs such as [["D_P", "D_N"]]', is_pairs) or ()),
        stitching=table.strings("stitching"),
        edge_ns={net: edges.optional_number(net) or 0.0 for net in edges.data},
    )


def _limits(table: _Table, known: Mapping[str, float]) -> dict[str, float]:
    return {name: table.number(name, default) for name, default in sorted(known.items())}


def _waiver(table: _Table, rule_ids: tuple[str, ...]) -> WaiverSpec:
    rule = table.needed("rule")
    if rule_ids and rule not in rule_ids:
        raise table.error("rule", f'there is no rule "{rule}"{nearest(rule, rule_ids)}')
    return WaiverSpec(
        rule=rule,
        reason=table.needed("reason"),
        net=table.string("net"),
        near=table.point("near"),
        radius=table.number("radius", 1.0),
        until=table.date("until"),
    )


def _accepted(table: _Table) -> AcceptedDoubt:
    return AcceptedDoubt(table.needed("what"), table.needed("reason"), table.date("until"))


def _check_names(rules: Rules, top: _Table) -> None:
    """Names that point to a region must be declared."""
    names = {region.name for region in rules.regions}
    if not names:
        raise RulesFileError("declares no region; write at least one [region.NAME]", Place(rules.path))
    groups = {"barrier": [b.between for b in rules.barriers], "tie": [t.between for t in rules.ties]}
    for kind, pairs in groups.items():
        for number, pair in enumerate(pairs):
            for name in pair:
                if name not in names:
                    what = f'there is no region "{name}"{nearest(name, names)}'
                    raise top.error(f"{kind}[{number}].between", what)
    catch_all = [region.name for region in rules.regions if "*" in region.nets]
    if len(catch_all) > 1:
        raise top.error(f"region.{catch_all[1]}.nets", f'only one region may claim "*"; {catch_all[0]} does already')
