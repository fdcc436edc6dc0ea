"""Regions, pours, territories, reference partition and the stretches of nets that lie off it.

Definitions: README, chapters "Words" and "Geometry".
"""

from __future__ import annotations

from dataclasses import dataclass

import shapely

from checker.findings import Path
from checker.rules_file import RegionSpec
from parsers.primitives import Rows


@dataclass(frozen=True, slots=True)
class Region:
    """A region of the rules file, bound to the board's nets."""

    index: int
    spec: RegionSpec
    reference: frozenset[int]  # net indices
    planes: frozenset[int]  # supply planes: pours for gap-crossing, unreferenced-run and return-handover
    nets: frozenset[int]  # every net claimed, reference and planes included

    @property
    def name(self) -> str:
        """Its name in the rules file."""
        return self.spec.name

    @property
    def quiet(self) -> bool:
        """Whether it is to be protected."""
        return self.spec.quiet


@dataclass(frozen=True, slots=True)
class Pour:
    """One connected piece of a region's reference copper (or of a supply plane) on one layer."""

    region: int
    layer: int
    net: int
    piece: int  # number among the pours of this region and layer
    shape: shapely.Polygon  # antipads filled
    copper: shapely.Polygon  # as it is, antipads open
    plane: bool  # a supply plane, no reference net: counts only for gap-crossing, unreferenced-run, return-handover


@dataclass(frozen=True, slots=True)
class Stretch:
    """A connected part of one net's conductors that lies off the reference, seen from above or below (or both)."""

    net: int
    layers: tuple[int, ...]  # layers it runs on, ascending
    rows: Rows  # conductors that take part
    path: Path  # centre lines off the pours, pads cut away
    length: float  # of that path
    regions: tuple[int, ...]  # regions whose pours it touches, ascending
    pours: tuple[int, ...]  # the pours it touches: indices into Layout.pours
    ends: tuple[tuple[float, float], ...]  # where it meets the pours, one point per contact
    carried_elsewhere: bool  # the other side has one continuous pour along the whole stretch
    bare_length: float  # length that is off the reference on both sides, pads and isolators' fan-out excluded
    bare_path: Path  # that part
    bounds: tuple[float, float, float, float]
    only_pads: bool  # no centre line and no area but pads
    widest: float  # greatest width of an area in it (areas wider than limits.pour are exempt from unreferenced-run)
