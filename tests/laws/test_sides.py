"""Gaps, turns and moats of a straight trace between two layers of pours, against arithmetic on a
line.

The trace runs along x on L2; pours of two regions are strips on L1 and L3, so all that matters are
intervals of x.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby, pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from checker.demo.sketch import Draw, Pour, Sketch, box
from checker.findings import Finding, Level
from checker.rules import registry
from tests.boards import built_directly, layout_of
from tests.strategies import fewer

STEP = 0.5  # mm; the grid of all edges
CELLS = 120  # of the grid
RULES = """
schema = 1
title = "sides"
[region.a]
reference = ["GND_A"]
nets = ["*"]
[region.b]
reference = ["GND_B"]
nets = []
"""
SHORT = 1.0  # mm; limits.unreferenced_run
Strip = tuple[str, int, int]  # region, first and last cell


@dataclass(frozen=True)
class Stretch:
    """Cells of the line that are alike, and what they are."""

    what: str
    first: int
    last: int  # exclusive

    @property
    def length(self) -> float:
        """In mm."""
        return (self.last - self.first) * STEP


@st.composite
def strips(draw: st.DrawFn) -> list[Strip]:
    """Strips of one layer, 5 mm wide or more; some touch the next one of another region, some leave
    a gap.
    """
    out: list[Strip] = []
    at = draw(st.integers(0, 12))
    while at + 10 <= CELLS and len(out) < 5:
        width = draw(st.integers(10, 40))
        out.append((draw(st.sampled_from("ab")), at, min(at + width, CELLS)))
        at += width + draw(st.sampled_from([1, 1, 2, 3, 8]))
    return out


def sketch(above: list[Strip], below: list[Strip]) -> Sketch:
    """The board of these strips."""
    pours = [
        Pour(
            net=f"GND_{region.upper()}", layer=layer, contour=box(first * STEP, 0, last * STEP, 20)
        )
        for layer, found in (("L1", above), ("L3", below))
        for region, first, last in found
    ]
    trace = Draw(net="SIG", layer="L2", width=0.2, points=((0.0, 10.0), (CELLS * STEP, 10.0)))
    return Sketch(
        title="sides",
        layers=3,
        outline=box(-5, -5, CELLS * STEP + 5, 25),
        pours=tuple(pours),
        draws=(trace,),
    )


def shown(found: list[Strip]) -> list[str]:
    """What a side shows in each cell: region and number of a strip, or nothing."""
    cells = [""] * CELLS
    for number, (region, first, last) in enumerate(found):
        cells[first:last] = [f"{region}{number}"] * (last - first)
    return cells


def runs(cells: list[str]) -> list[Stretch]:
    """Maximal stretches of like cells."""
    out, at = [], 0
    for what, group in groupby(cells):
        size = len(list(group))
        out.append(Stretch(what, at, at + size))
        at += size
    return out


def only(above: list[str], below: list[str]) -> list[str]:
    """The region that each cell is only over; `-` over none, `+` over both. Holes in a sound plane
    are over both.
    """
    found = []
    for cell in zip(above, below, strict=True):
        regions = {label[0] for label in cell if label}
        found.append("-" if not regions else "+" if len(regions) > 1 else regions.pop())
    line = runs(found)
    for left, middle, right in zip(line, line[1:], line[2:], strict=False):
        if middle.what in "ab" and middle.length < SHORT and left.what == right.what == "+":
            found[middle.first : middle.last] = ["+"] * (middle.last - middle.first)
    return found


def gaps(above: list[str], below: list[str]) -> Iterator[tuple[float, float, float]]:
    """Start and end in mm of each stretch that nothing carries all the way, and its length over no
    pour.
    """
    line = runs(["." if what in "-+" else what for what in only(above, below)])
    bare = [not a and not b for a, b in zip(above, below, strict=True)]
    for left, right in pairwise(line):
        if left.what != right.what and "." not in (left.what, right.what):
            yield left.last * STEP, left.last * STEP, 0.0
    for left, middle, right in zip(line, line[1:], line[2:], strict=False):
        if middle.what == "." and left.what != right.what:
            yield (
                middle.first * STEP,
                middle.last * STEP,
                sum(bare[middle.first : middle.last]) * STEP,
            )


def changes(side: list[str]) -> Iterator[tuple[float, float, str, str]]:
    """Start and end in mm of what lies between two strips of a side, and their regions."""
    line = [stretch for stretch in runs(side) if stretch.what]
    for left, right in pairwise(line):
        yield left.last * STEP, right.first * STEP, left.what[0], right.what[0]


def found(above: list[Strip], below: list[Strip]) -> list[Finding]:
    """What the rule finds."""
    layout = layout_of(built_directly(sketch(above, below)), RULES)
    return list(registry()["gap-crossing"].find(layout))


def extent(finding: Finding) -> tuple[float, float]:
    """Interval of x that a finding covers."""
    x0, _, x1, _ = finding.extent
    return round(x0, 3), round(x1, 3)


@settings(max_examples=fewer(150), deadline=None)
@given(strips(), strips())
def test_errors_are_where_nothing_carries_the_return_current_all_the_way(
    above: list[Strip], below: list[Strip]
) -> None:
    """Each with its place and its length over no pour."""
    errors = sorted(
        (*extent(f), round(f.measured or 0.0, 3))
        for f in found(above, below)
        if f.level == Level.ERROR
    )
    assert errors == sorted(gaps(shown(above), shown(below)))


@settings(max_examples=fewer(150), deadline=None)
@given(strips(), strips())
def test_every_change_of_a_side_is_told_once_and_nothing_else(
    above: list[Strip], below: list[Strip]
) -> None:
    """By a finding that covers or touches it; and each warning or note covers a change of one
    side.
    """
    told = found(above, below)
    places = [change for side in (above, below) for change in changes(shown(side))]
    for start, end, _, _ in places:
        near = [extent(f) for f in told]
        assert any(x0 <= end and start <= x1 for x0, x1 in near), (start, end, near)
    for finding in told:
        if finding.level < Level.ERROR:
            x0, x1 = extent(finding)
            inside = [p for p in places if x0 <= p[0] and p[1] <= x1]
            assert inside
            moat = finding.detail["kind"] == "moat"
            assert all((a == b) == moat for _, _, a, b in inside) or not moat
    spans = sorted(extent(f) for f in told)
    assert all(x1 <= y0 for (_, x1), (y0, _) in pairwise(spans))
