"""A finding, its level, its fingerprint and the order of findings. Imports nothing of the
project.
"""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date
from enum import IntEnum
from typing import Any

XY = tuple[float, float]
Path = tuple[tuple[XY, ...], ...]  # polylines


class Level(IntEnum):
    """How bad; comparable, worst is greatest."""

    NOTE = 1
    WARNING = 2
    ERROR = 3

    def __str__(self) -> str:
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class Waived:
    """Why a finding does not count, and until when (inclusive)."""

    reason: str
    until: date | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """A copper object that a finding speaks of, as it stands in the fabrication files."""

    net: str
    file: str
    line: int | None  # None where the copper is not one object of the file

    def __str__(self) -> str:
        return self.file if self.line is None else f"{self.file}:{self.line}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One place where a rule is broken. Lengths in mm; the message is built from the fields, never
    parsed back.
    """

    rule: str
    level: Level
    message: str
    at: XY
    layer: str | None = None
    reference_layers: tuple[str, ...] = ()
    nets: tuple[str, ...] = ()
    components: tuple[str, ...] = ()
    regions: tuple[str, ...] = ()
    bounds: tuple[float, float, float, float] | None = None  # None: taken from the path and `at`
    path: Path = ()  # witness: what to draw
    measured: float | None = None
    required: float | None = None
    unit: str = "mm"
    harm: float = 0.0  # greater is worse; orders findings of one level
    hint: str | None = None
    detail: dict[str, Any] = field(default_factory=dict)  # plain JSON values only
    group: str = ""  # key of what has one cause, across rules; empty: a group of its own
    id: str = ""  # set by `identified`
    waived: Waived | None = None
    known: bool = False
    net_layers: tuple[
        str, ...
    ] = ()  # parallel to `nets`, where their copper does not lie on `layer` alone
    sources: tuple[
        Source, ...
    ] = ()  # set by `sources.with_sources`; of each net one object, as far as found

    @property
    def on(self) -> tuple[str, ...]:
        """The copper layers that it speaks of: its own, and those of its nets where they lie
        elsewhere.
        """
        return tuple(dict.fromkeys(filter(None, (self.layer, *self.net_layers))))

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """The bounding box of the finding: given, or that of its path and place."""
        if self.bounds is not None:
            return self.bounds
        points = [self.at, *(p for line in self.path for p in line)]
        xs, ys = [p[0] for p in points], [p[1] for p in points]
        return min(xs), min(ys), max(xs), max(ys)


def identified(findings: Iterable[Finding]) -> list[Finding]:
    """Give every finding its id and its group, and put all into report order.

    An id is made of what the finding is about (rule, nets, layer), not of coordinates; several
    findings about the same thing are numbered by place. So ids survive reruns, reordering, shifts,
    and regions with other names. A rule names a group by a key of its own (cause and names, never
    an order); what comes out is its fingerprint, or the finding's id where the rule named none.
    """
    alike: dict[tuple[Any, ...], list[Finding]] = defaultdict(list)
    for finding in findings:
        key = (finding.rule, tuple(sorted(finding.nets)), finding.layer)
        alike[key].append(finding)
    out: list[Finding] = []
    for key, group in alike.items():
        group.sort(key=lambda f: (f.at, f.extent, f.message))
        for number, finding in enumerate(group):
            own = fingerprint((key, number))
            out.append(
                replace(finding, id=own, group=fingerprint(finding.group) if finding.group else own)
            )
    return sorted(out, key=report_order)


def fingerprint(key: object) -> str:
    """Twelve hexadecimal digits of a key made of plain values."""
    return hashlib.sha256(repr(key).encode()).hexdigest()[:12]


def report_order(finding: Finding) -> tuple[Any, ...]:
    """Sort key: level, then harm, then place."""
    return (-finding.level, -finding.harm, finding.rule, finding.at, finding.id)


@dataclass(frozen=True, slots=True)
class Group:
    """Findings of one cause: what people see as one place."""

    id: str
    number: int  # as on pictures and in reports, from 1
    members: tuple[Finding, ...]  # the one that tells the group first

    @property
    def worst(self) -> Finding:
        """The member that tells the group."""
        return self.members[0]

    @property
    def open(self) -> tuple[Finding, ...]:
        """Members that no waiver covers."""
        return tuple(finding for finding in self.members if finding.waived is None)

    @property
    def level(self) -> Level:
        """The highest level among the members that count."""
        return max(finding.level for finding in self.open or self.members)

    @property
    def waived(self) -> bool:
        """Whether a waiver covers every member."""
        return not self.open

    @property
    def nets(self) -> tuple[str, ...]:
        """Nets of all members, each once, those of the worst first."""
        return tuple(dict.fromkeys(net for finding in self.members for net in finding.nets))

    @property
    def rules(self) -> tuple[str, ...]:
        """Rules of all members, that of the worst first."""
        return tuple(dict.fromkeys(finding.rule for finding in self.members))

    @property
    def layers(self) -> tuple[str, ...]:
        """Layers of all members, from the top down."""
        return tuple(
            sorted(
                {layer for finding in self.members for layer in finding.on},
                key=lambda i: (len(i), i),
            )
        )


def grouped(findings: Iterable[Finding]) -> tuple[Group, ...]:
    """Findings by group, worst group first; those whose members are all waived come last."""
    together: dict[str, list[Finding]] = defaultdict(list)
    for place, finding in enumerate(findings):
        together[finding.group or finding.id or str(place)].append(finding)
    loose = [
        Group(key, 0, tuple(sorted(members, key=_telling))) for key, members in together.items()
    ]
    return tuple(
        replace(group, number=number)
        for number, group in enumerate(sorted(loose, key=_group_order), 1)
    )


def _telling(finding: Finding) -> tuple[Any, ...]:
    """Sort key inside a group: what counts first, then the share of the limit that is missing, then
    level.
    """
    return (
        finding.waived is not None,
        -_shortage(finding),
        -finding.level,
        -_excess(finding),
        report_order(finding),
    )


def _shortage(finding: Finding) -> float:
    """How many times as much as there is would be required; 0 where the limit is none to keep at
    least.
    """
    value, limit = finding.measured, finding.required
    if value is None or limit is None or not limit > value:
        return 0.0
    return limit / value if value > 0 else math.inf


def _excess(finding: Finding) -> float:
    """By how much a limit that is to be kept at most is passed."""
    value, limit = finding.measured, finding.required
    if value is None or limit is None or not value > limit:
        return 0.0
    return value - limit


def _group_order(group: Group) -> tuple[Any, ...]:
    harm = max(finding.harm for finding in group.open or group.members)
    return group.waived, -group.level, -harm, report_order(group.worst)
