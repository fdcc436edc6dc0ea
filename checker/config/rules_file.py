"""The rules file: TOML to frozen values, every key checked.

The records below mirror `moatcheck explain rules-file` key by key; `read_rules` fills them. A limit
that the file does not name gets the default of the rule that declares it: known limits are passed
in, so this module needs no rule.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from itertools import starmap
from pathlib import Path, PurePath
from typing import Any, TypeVar

from parsers.trouble import InputError, Place

T = TypeVar("T")
XY = tuple[float, float]
# the names that stand on one side: regions of a barrier, net patterns of a spacing
Side = tuple[str, ...]

NO_INSULATION = "none"  # split only: no distances are asked for
INSULATIONS = (NO_INSULATION, "functional", "basic", "reinforced")
MATERIAL_GROUPS = ("I", "II", "IIIa", "IIIb")
POLLUTION_DEGREES = (1, 2, 3)
ROW_RULES = ("interpolate", "next")
SIDES = ("top", "bottom", "both")
FIELD_DEVICES = ("floating", "earthed", "unknown")
REFUSED = {  # keys a careful user may try, and why they are not taken
    "altitude": "no correction is built in; put the corrected clearances into the table",
    "frequency": "no correction is built in; put the distances for that frequency into the table",
}


class RulesFileError(InputError):
    """A rules file that says something the tool does not understand."""


class UnreadableRulesError(RulesFileError):
    """A rules file that cannot be read at all."""


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
    # None: the working voltage; good for functional insulation only
    clearance_voltage: float | None = None
    insulation: str = "functional"  # none | functional | basic | reinforced
    pollution_degree: int = 2
    material_group: str = "IIIb"
    x_reduction: bool = False
    table: str | None = None  # path as written, relative to the rules file
    creepage_rule: str = "interpolate"  # how rows between voltages are read: interpolate | next
    clearance_rule: str = "next"
    assumed: tuple[str, ...] = ()  # keys with a default above that the file leaves out

    @property
    def asks(self) -> bool:
        """Whether distances are asked for at all."""
        return self.insulation != NO_INSULATION


@dataclass(frozen=True, slots=True)
class Barrier:
    """[[barrier]]."""

    between: tuple[Side, Side]  # region names
    isolators: tuple[str, ...] = ()
    straddling: tuple[str, ...] = ()
    earthed: tuple[str, ...] = ()  # net patterns
    hazardous: int | None = None  # the side, 0 or 1, that earthed copper protects from
    # capacitance of the parts themselves, pF
    isolator_pf: Mapping[str, float] = field(default_factory=dict)
    insulation: Insulation = field(default_factory=Insulation)

    @property
    def regions(self) -> tuple[str, ...]:
        """All regions that it names, those of the first side first."""
        return (*self.between[0], *self.between[1])

    def separates(self, one: str, other: str) -> bool:
        """Whether two regions stand on different sides of it.

        Examples
        --------
        >>> Barrier((("system", "pump"), ("probe",))).separates("probe", "pump")
        True
        """
        return any(one in a and other in b for a, b in (self.between, self.between[::-1]))


@dataclass(frozen=True, slots=True)
class Spacing:
    """[[spacing]]: two groups of net patterns."""

    between: tuple[Side, Side]
    earthed: tuple[str, ...] = ()
    hazardous: int | None = None
    insulation: Insulation = field(default_factory=Insulation)


@dataclass(frozen=True, slots=True)
class Tie:
    """[[tie]]."""

    between: tuple[str, str]  # region names
    at: str | None = None  # component, or None for copper
    nets: tuple[str, ...] = ()  # may be in both regions
    reach: float = 2.0
    ohms: float = 0.0  # of the part at the tie; 0: a short


@dataclass(frozen=True, slots=True)
class Hardware:
    """[[hardware]]: a conductor that the files do not show, a disc or an outline on one or both
    faces.
    """

    at: XY | None = None
    diameter: float = 0.0
    side: str = "both"  # top | bottom | both
    net: str | None = None  # None: floats
    outline: tuple[XY, ...] = ()  # instead of at and diameter


@dataclass(frozen=True, slots=True)
class Tolerance:
    """[tolerance], mm."""

    etch: float = 0.0
    registration: float = 0.0
    routing: float = 0.0
    assumed: tuple[str, ...] = ()  # those that the file leaves out


@dataclass(frozen=True, slots=True)
class NamedNet:
    """[net.<name>]: places on copper that the data leaves nameless."""

    name: str
    at: tuple[tuple[float, float, str], ...]  # x, y, layer id


@dataclass(frozen=True, slots=True)
class StackupSpec:
    """[stackup]: only what the data does not say; mm."""

    thickness: float | None = None
    dielectric: tuple[float, ...] = ()  # between copper layers, top to bottom
    copper: tuple[float, ...] = ()  # thickness of each copper layer, top to bottom
    plating: float | None = None  # of the walls of plated holes
    er: float | None = None  # dielectric constant of all dielectrics
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
class PinName:
    """A pin as the rules file spells it: part.pin."""

    part: str
    pin: str

    def __str__(self) -> str:
        return f"{self.part}.{self.pin}"


@dataclass(frozen=True, slots=True)
class Current:
    """[[current]]: a current that returns through reference copper."""

    name: str
    net: str  # conductor that carries it out
    start: PinName  # key "from"
    end: PinName  # key "to"
    back: tuple[PinName, PinName]  # reference pins that it enters and leaves by
    dc: float = 0.0  # A
    ripple: float = 0.0  # A peak
    frequency: float | None = None  # Hz


@dataclass(frozen=True, slots=True)
class QuietInput:
    """[[quiet_input]]: a small signal and its own way back."""

    net: str
    start: PinName  # key "from"
    end: PinName  # key "to"
    ground: tuple[PinName, PinName]  # where the source and the converter refer to
    allowed: float  # V; stated, or share of one step of a converter
    field_device: str = "unknown"  # floating | earthed | unknown
    common_mode: float | None = None  # V between the field device's earth and the board


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
    """A whole rules file. `line_of` maps a dotted key ("region.probe.nets", "barrier[0].table") to
    its line.
    """

    path: str = ""
    sha256: str = ""
    title: str = ""
    draft: bool = False  # proposed, and not looked through yet
    regions: tuple[RegionSpec, ...] = ()
    barriers: tuple[Barrier, ...] = ()
    spacings: tuple[Spacing, ...] = ()
    ties: tuple[Tie, ...] = ()
    hardware: tuple[Hardware, ...] = ()
    tolerance: Tolerance = field(default_factory=Tolerance)
    stackup: StackupSpec = field(default_factory=StackupSpec)
    files: Mapping[str, str] = field(default_factory=dict)
    named_nets: tuple[NamedNet, ...] = ()
    outline: tuple[XY, ...] = ()  # board contour where the data has no profile
    step: str | None = None
    nets: NetClasses = field(default_factory=NetClasses)
    limits: Mapping[str, float] = field(default_factory=dict)  # complete: defaults filled in
    currents: tuple[Current, ...] = ()
    quiet_inputs: tuple[QuietInput, ...] = ()
    waivers: tuple[WaiverSpec, ...] = ()
    accepted_doubts: tuple[AcceptedDoubt, ...] = ()
    line_of: Mapping[str, int] = field(default_factory=dict)

    def place(self, key: str) -> Place:
        """Where a dotted key stands in the file."""
        return Place(self.path, self.line_of.get(key), key)


def read_rules(
    path: Path,
    limits: Mapping[str, float],
    rule_ids: Iterable[str] = (),
    *,
    regions_needed: bool = True,
) -> Rules:
    """Read a rules file.

    Parameters
    ----------
    limits : every known limit with its default
    rule_ids : every known rule id, for waivers
    regions_needed : refuse a file that declares no region

    Raises
    ------
    RulesFileError : unreadable, an unknown key, a wrong type, a name that is nowhere declared
    """
    try:
        data = path.read_bytes()
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise UnreadableRulesError(
            f"cannot read it: {error.strerror}; check the path", Place(str(path))
        ) from None
    except UnicodeDecodeError:
        raise UnreadableRulesError("is no UTF-8 text; save it as UTF-8", Place(str(path))) from None
    return parse_rules(text, str(path), limits, rule_ids, regions_needed=regions_needed)


def parse_rules(
    text: str,
    path: str,
    limits: Mapping[str, float],
    rule_ids: Iterable[str] = (),
    *,
    regions_needed: bool = True,
) -> Rules:
    """Read the text of a rules file; see `read_rules`."""
    top = _Table(_parsed(text, path), "", path, line_of_keys(text))
    if top.integer("schema", 0) != 1:
        raise top.error("schema", "this version reads schema 1; begin the file with: schema = 1")
    rules = _rules(top, text, limits, tuple(rule_ids))
    top.done()
    if regions_needed or rules.regions:
        _check_names(rules, top)
    return rules


def _parsed(text: str, path: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also a number of thousands of digits
        plain = isinstance(error, tomllib.TOMLDecodeError | RecursionError)
        told = str(error) if plain else "a number is too long"
        found = re.search(r"(.*) \(at line (\d+)", told)
        what, line = (found[1], int(found[2])) if found else (told, None)
        fault = f"is no valid TOML: {what[:1].lower()}{what[1:]}"
        raise RulesFileError(fault, Place(path, line)) from None


def _rules(top: _Table, text: str, limits: Mapping[str, float], rule_ids: tuple[str, ...]) -> Rules:
    return Rules(
        path=top.path,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        title=top.string("title") or "",
        draft=top.boolean("draft"),
        step=top.string("step"),
        regions=tuple(starmap(_region, top.named_tables("region"))),
        barriers=tuple(map(_barrier, top.tables("barrier"))),
        spacings=tuple(map(_spacing, top.tables("spacing"))),
        ties=tuple(map(_tie, top.tables("tie"))),
        hardware=tuple(map(_hardware, top.tables("hardware"))),
        tolerance=_tolerance(top.table("tolerance")),
        stackup=_stackup(top.table("stackup")),
        files=top.table("files").all_strings(),
        named_nets=tuple(starmap(_named_net, top.named_tables("net"))),
        outline=_outline(top.table("outline")),
        nets=_net_classes(top.table("nets")),
        limits=_limits(top.table("limits"), limits),
        currents=tuple(map(_current, top.tables("current"))),
        quiet_inputs=tuple(map(_quiet_input, top.tables("quiet_input"))),
        waivers=tuple(_waiver(table, rule_ids) for table in top.tables("waiver")),
        accepted_doubts=tuple(map(_accepted, top.tables("accepted_doubt"))),
        line_of=top.lines,
    )


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
        head = (
            re.match(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]", raw)
            if not open_brackets and not fence
            else None
        )
        key = re.match(
            r"""\s*((?:"[^"]*"|'[^']*'|[\w-]+)(?:\s*\.\s*(?:"[^"]*"|'[^']*'|[\w-]+))*)\s*=""", raw
        )
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
    return ".".join(
        part.strip().strip("\"'") for part in re.findall(r""""[^"]*"|'[^']*'|[^.]+""", key)
    )


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
        """The error of a required key that is not there, with the key that may have been meant for
        it.
        """
        close = difflib.get_close_matches(key, self.data, 1, 0.7)
        return self.error(
            key, f"{what}; {close[0]!r} stands here, did you mean it?" if close else what
        )

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
        value = self.get(
            key, "a whole number", lambda v: isinstance(v, int) and not isinstance(v, bool)
        )
        return default if value is None else int(value)

    def number(
        self, key: str, default: float, least: float = 0.0, kind: str = "a number of at least 0"
    ) -> float:
        value = self.get(key, kind, lambda v: _is_number(v) and v >= least)
        return default if value is None else float(value)

    def optional_number(self, key: str) -> float | None:
        value = self.get(key, "a number above 0 and below 1e12", lambda v: _is_number(v) and v > 0)
        return None if value is None else float(value)

    def boolean(self, key: str, default: bool = False) -> bool:
        value = self.get(key, "true or false", lambda v: isinstance(v, bool))
        return default if value is None else bool(value)

    def date(self, key: str) -> date | None:
        return _as_date(self.get(key, "a date such as 2027-03-31", lambda v: isinstance(v, date)))

    def point(self, key: str) -> tuple[float, float] | None:
        value = self.get(key, "a place such as [12.5, 40.0]", _is_point)
        return None if value is None else (float(value[0]), float(value[1]))

    def sides(self, key: str, what: str, example: str) -> tuple[Side, Side]:
        """Two sides, each one name or several."""

        def test(value: Any) -> bool:
            sides = (
                isinstance(value, list)
                and len(value) == 2
                and all(_is_strings(_listed(s)) for s in value)
            )
            return sides and all(map(_listed, value))

        value = self.get(key, f"{what} such as {example}", test)
        if value is None:
            raise self.missing(key, f"is missing; it must be {what} such as {example}")
        first, second = (tuple(_listed(side)) for side in value)
        return first, second

    def one_side(self, key: str, sides: tuple[Side, Side]) -> int | None:
        """Which of two sides a key names: by any of its names, or by all of them."""
        value = self.get(
            key, "a name, or a list of names, of one side", lambda v: _is_strings(_listed(v))
        )
        if value is None:
            return None
        names = set(_listed(value))
        for number, side in enumerate(sides):
            if names and names <= set(side):
                return number
        known = [*sides[0], *sides[1]]
        hint = next((h for name in sorted(names - set(known)) if (h := nearest(name, known))), "")
        raise self.error(key, f"must name one side of between, not {value!r}{hint}")

    def pin(self, key: str) -> PinName:
        value = self.needed(key)
        if not _is_pin(value):
            raise self.error(key, f'must be part.pin such as "U2.5", not "{value}"')
        return _as_pin(value)

    def two_pins(self, key: str) -> tuple[PinName, PinName]:
        value = self.get(
            key,
            'a list of two pins such as ["U7.2", "U2.3"]',
            lambda v: _is_strings(v) and len(v) == 2,
        )
        if value is None:
            raise self.missing(
                key, 'is missing; it must be a list of two pins such as ["U7.2", "U2.3"]'
            )
        for text in value:
            if not _is_pin(text):
                raise self.error(
                    key, f'must hold pins spelled part.pin such as "U2.5", not "{text}"'
                )
        if value[0] == value[1]:
            raise self.error(key, f'must hold two different pins, not "{value[0]}" twice')
        return _as_pin(value[0]), _as_pin(value[1])

    def sizes(self, key: str) -> tuple[float, ...]:
        return tuple(map(float, self.get(key, "a list of thicknesses in mm", _is_sizes) or ()))

    def two_names(self, key: str) -> tuple[str, str]:
        value = self.get(
            key,
            "a list of two different names",
            lambda v: _is_strings(v) and len(set(v)) == len(v) == 2,
        )
        if value is None:
            raise self.missing(
                key, 'is missing; it must be a list of two names such as ["system", "probe"]'
            )
        return value[0], value[1]

    def table(self, key: str) -> _Table:
        value = self.get(key, f"a table: write [{self.dotted(key)}]", lambda v: isinstance(v, dict))
        return self.child(value or {}, self.dotted(key))

    def tables(self, key: str) -> list[_Table]:
        kind = f"a list of tables: write [[{key}]] with two brackets"
        value = self.get(
            key, kind, lambda v: isinstance(v, list) and all(isinstance(t, dict) for t in v)
        )
        return [self.child(t, f"{key}[{i}]") for i, t in enumerate(value or [])]

    def named_tables(self, key: str) -> list[tuple[str, _Table]]:
        kind = f"made of tables: write [{key}.NAME]"
        value = self.get(
            key,
            kind,
            lambda v: isinstance(v, dict) and all(isinstance(t, dict) for t in v.values()),
        )
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
    # false for NaN too
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12


def _is_strings(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(v, str) and v for v in value)


def _listed(value: Any) -> Any:
    """A text as a list of one."""
    return [value] if isinstance(value, str) else value


def _is_outline(value: Any) -> bool:
    return isinstance(value, list) and len(value) >= 3 and all(map(_is_point, value))


def _corners(value: Any) -> tuple[XY, ...]:
    return tuple((float(x), float(y)) for x, y in value or ())


def _is_pin(text: str) -> bool:
    """Whether a text is part.pin: the pin is what follows the last dot."""
    part, dot, pin = text.rpartition(".")
    return bool(part.strip() and dot and pin.strip())


def _as_pin(text: str) -> PinName:
    part, _, pin = text.rpartition(".")
    return PinName(part.strip(), pin.strip())


def _is_point(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(map(_is_number, value))


def _is_sizes(value: Any) -> bool:
    return isinstance(value, list) and all(_is_number(v) and v > 0 for v in value)


def _is_spot(value: Any) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 3
        and all(map(_is_number, value[:2]))
        and _is_layer(value[2])
    )


def _is_layer(value: Any) -> bool:
    return isinstance(value, str) and re.fullmatch(r"L[1-9]\d{0,2}", value) is not None


def _as_date(value: date | None) -> date | None:
    return value.date() if isinstance(value, datetime) else value


def _region(name: str, table: _Table) -> RegionSpec:
    area = table.get(
        "area",
        "a list of at least three corners such as [[0, 0], [40, 0], [40, 60]]",
        lambda v: v == [] or _is_outline(v),
    )
    spec = RegionSpec(
        name=name,
        reference=table.strings("reference"),
        nets=table.strings("nets"),
        quiet=table.boolean("quiet"),
        planes=table.strings("planes"),
        area=_corners(area),
    )
    if "reference" not in table.data and not spec.area:
        raise table.missing(
            "reference", "is missing; write reference = [] for a region without reference copper"
        )
    return spec


# defaults that decide over distances
DEFAULTED = ("insulation", "pollution_degree", "material_group")


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
        assumed=tuple(key for key in DEFAULTED if key not in table.data),
    )
    path = PurePath(spec.table or "")
    if path.is_absolute() or ".." in path.parts:
        raise table.error(
            "table", "lies outside the rules file's folder; put the table beside the rules file"
        )
    if spec.table is not None and not spec.asks:
        raise table.error(
            "table",
            'insulation = "none" asks for no distances; state the insulation, or leave it out',
        )
    return spec


def _barrier(table: _Table) -> Barrier:
    between = table.sides(
        "between", "a list of two sides", '["system", "probe"] or [["system", "pump"], "probe"]'
    )
    if len({*between[0], *between[1]}) < len(between[0]) + len(between[1]):
        raise table.error("between", "names a region twice; name each on one side only")
    return Barrier(
        between=between,
        isolators=table.strings("isolators"),
        straddling=table.strings("straddling"),
        earthed=table.strings("earthed"),
        hazardous=table.one_side("hazardous", between),
        isolator_pf=_isolator_pf(table),
        insulation=_insulation(table),
    )


def _isolator_pf(table: _Table) -> dict[str, float]:
    """Capacitances by part; each part must be one of the barrier's isolators."""
    parts = table.table("isolator_pf")
    isolators = table.strings("isolators")
    for part in parts.data:
        if part not in isolators:
            raise parts.error(
                part, f"is none of the isolators of this barrier{nearest(part, isolators)}"
            )
    return {part: parts.number(part, 0.0) for part in parts.data}


def _spacing(table: _Table) -> Spacing:
    between = table.sides("between", "two lists of nets", '[["AC_L"], ["AC_N", "PE"]]')
    if table.string("table") is None:
        raise table.missing("table", "is missing; a spacing is held against a table")
    return Spacing(
        between, table.strings("earthed"), table.one_side("hazardous", between), _insulation(table)
    )


def _tie(table: _Table) -> Tie:
    return Tie(
        between=table.two_names("between"),
        at=table.string("at"),
        nets=table.strings("nets"),
        reach=table.number("reach", 2.0),
        ohms=table.number("ohms", 0.0),
    )


def _hardware(table: _Table) -> Hardware:
    at, diameter = table.point("at"), table.optional_number("diameter")
    outline = _corners(table.get("outline", "a list of at least three corners", _is_outline))
    side, net = table.choice("side", SIDES, "both"), table.string("net")
    if outline and (at is not None or diameter is not None):
        raise table.error("outline", "stands instead of at and diameter; leave those out")
    import shapely  # noqa: PLC0415 - most rules files need none, and it takes longer than reading them

    if outline and not shapely.is_valid(shapely.Polygon(outline)):
        raise table.error(
            "outline", "crosses or touches itself; give its corners in order, round it"
        )
    if outline:
        return Hardware(side=side, net=net, outline=outline)
    if at is None or diameter is None:
        raise table.missing("at" if at is None else "diameter", "is missing; or give an outline")
    return Hardware(at, diameter, side, net)


def _tolerance(table: _Table) -> Tolerance:
    names = ("etch", "registration", "routing")
    etch, registration, routing = (table.number(name, 0.0) for name in names)
    return Tolerance(
        etch, registration, routing, tuple(name for name in names if name not in table.data)
    )


def _named_net(name: str, table: _Table) -> NamedNet:
    def spots(value: Any) -> bool:
        return isinstance(value, list) and len(value) > 0 and all(map(_is_spot, value))

    at = table.get("at", 'a list of places with their layer such as [[12.5, 40.0, "L1"]]', spots)
    if not name.strip():
        raise table.error("", "a net needs a name: write [net.NAME]")
    if at is None:
        raise table.missing(
            "at", 'is missing; name places on the copper such as at = [[12.5, 40.0, "L1"]]'
        )
    return NamedNet(name, tuple((float(x), float(y), layer) for x, y, layer in at))


def _outline(table: _Table) -> tuple[XY, ...]:
    return _corners(
        table.get(
            "points",
            "a list of at least three corners such as [[0, 0], [40, 0], [40, 60]]",
            _is_outline,
        )
    )


def _stackup(table: _Table) -> StackupSpec:
    reference = table.table("reference")
    return StackupSpec(
        thickness=table.optional_number("thickness"),
        dielectric=table.sizes("dielectric"),
        copper=table.sizes("copper"),
        plating=table.optional_number("plating"),
        er=table.optional_number("er"),
        reference={layer: reference.strings(layer) for layer in reference.data},
    )


def _net_classes(table: _Table) -> NetClasses:
    def is_pairs(value: Any) -> bool:
        return isinstance(value, list) and all(_is_strings(v) and len(v) == 2 for v in value)

    edges = table.table("edge_ns")
    return NetClasses(
        noisy=table.strings("noisy"),
        slow=table.strings("slow"),
        pairs=tuple(
            (a, b)
            for a, b in (
                table.get("pairs", 'a list of pairs such as [["D_P", "D_N"]]', is_pairs) or ()
            )
        ),
        stitching=table.strings("stitching"),
        edge_ns={net: edges.optional_number(net) or 0.0 for net in edges.data},
    )


def _limits(table: _Table, known: Mapping[str, float]) -> dict[str, float]:
    return {name: table.number(name, default) for name, default in sorted(known.items())}


def _current(table: _Table) -> Current:
    spec = Current(
        name=table.string("name") or table.needed("net"),
        net=table.needed("net"),
        start=table.pin("from"),
        end=table.pin("to"),
        back=table.two_pins("back"),
        dc=table.number("dc", 0.0),
        ripple=table.number("ripple", 0.0),
        frequency=table.optional_number("frequency"),
    )
    if not spec.dc and not spec.ripple:
        raise table.missing("dc", "is missing; give dc, or ripple and frequency, in A and Hz")
    if spec.ripple and spec.frequency is None:
        raise table.missing("frequency", "is required with ripple: Hz")
    if spec.frequency is not None and not spec.ripple:
        raise table.error(
            "frequency", "stands without ripple; give ripple in A peak, or take frequency out"
        )
    return spec


def _quiet_input(table: _Table) -> QuietInput:
    return QuietInput(
        net=table.needed("net"),
        start=table.pin("from"),
        end=table.pin("to"),
        ground=table.two_pins("ground"),
        allowed=_allowed(table),
        field_device=table.choice("field_device", FIELD_DEVICES, "unknown"),
        common_mode=table.optional_number("common_mode"),
    )


def _allowed(table: _Table) -> float:
    """The error that an input may have, V: stated, or a share of one step of its converter."""
    allowed, scale = table.optional_number("allowed"), table.optional_number("full_scale")
    bits = table.get(
        "bits", "a whole number from 1 to 32", lambda v: _is_number(v) and v in range(1, 33)
    )
    share = table.optional_number("share")
    steps = {"full_scale": scale, "bits": bits, "share": share}
    given = [key for key, value in steps.items() if value is not None]
    if allowed is not None and given:
        raise table.error(
            given[0], "stands beside allowed; give allowed, or full_scale, bits and share"
        )
    if allowed is not None:
        return allowed
    if not given:
        raise table.missing(
            "allowed", "is missing: V in series with the input, or full_scale, bits and share"
        )
    for key in ("full_scale", "bits"):
        if steps[key] is None:
            raise table.missing(key, f"is required with {given[0]}")
    return float(scale or 0.0) / 2.0 ** int(bits) * (0.5 if share is None else share)


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
        raise RulesFileError(
            "declares no region; write at least one [region.NAME]", Place(rules.path)
        )
    named = [
        (f"barrier[{n}].between", name) for n, b in enumerate(rules.barriers) for name in b.regions
    ]
    named += [(f"tie[{n}].between", name) for n, t in enumerate(rules.ties) for name in t.between]
    for key, name in named:
        if name not in names:
            raise top.error(key, f'there is no region "{name}"{nearest(name, names)}')
    catch_all = [region.name for region in rules.regions if "*" in region.nets]
    if len(catch_all) > 1:
        raise top.error(
            f"region.{catch_all[1]}.nets",
            f'only one region may claim "*"; {catch_all[0]} does already',
        )
