"""The rules file: TOML to frozen values, every key checked.

The records below mirror chapter "Rules file" of the README key by key; `read_rules` fills them. A limit that the file
does not name gets the default of the rule that declares it: known limits are passed in, so this module needs no rule.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from parsers.trouble import InputError, Place


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
