"""The findings as a Gerber X2 layer, to lay over the copper in any viewer: rings, witness paths and
numbers.

Source of the syntax: The Gerber Layer Format Specification, revision 2023.08 (FS, MO, AD, D01 to
D03, G75, TF, TO, TD). Each finding is told in a comment and carries its number, id and rule as
attributes of its objects.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TextIO

import numpy as np

from checker import wording
from checker.drawing import Pictures
from checker.drawing.placement import Grid, place_badges
from checker.drawing.scene import Callout, callouts_of, leads
from checker.findings import XY, Finding, Level
from checker.reports import Format
from checker.results.outcome import Outcome

PER_MM = 1_000_000  # FSLAX46Y46
# (code, width mm)
APERTURES = {Level.ERROR: (10, 0.25), Level.WARNING: (11, 0.18), Level.NOTE: (12, 0.12)}
RING = 1.0  # mm, radius
DIGIT_WIDE, DIGIT_HIGH, DIGIT_STEP = 0.8, 1.4, 1.2  # mm
GRAIN = 14.0  # picture units per mm while numbers are given their places
ASIDE = 12.0  # mm around everything where numbers may stand

# Strokes of the digits on a grid of 2 x 4.
DIGITS: dict[str, tuple[tuple[XY, ...], ...]] = {
    "0": (((0, 0), (2, 0), (2, 4), (0, 4), (0, 0)),),
    "1": (((0, 3), (1, 4), (1, 0)), ((0, 0), (2, 0))),
    "2": (((0, 4), (2, 4), (2, 2), (0, 2), (0, 0), (2, 0)),),
    "3": (((0, 4), (2, 4), (2, 0), (0, 0)), ((0, 2), (2, 2))),
    "4": (((0, 4), (0, 2), (2, 2)), ((2, 4), (2, 0))),
    "5": (((2, 4), (0, 4), (0, 2), (2, 2), (2, 0), (0, 0)),),
    "6": (((2, 4), (0, 4), (0, 0), (2, 0), (2, 2), (0, 2)),),
    "7": (((0, 4), (2, 4), (1, 0)),),
    "8": (((0, 0), (2, 0), (2, 4), (0, 4), (0, 0)), ((0, 2), (2, 2))),
    "9": (((2, 2), (0, 2), (0, 4), (2, 4), (2, 0), (0, 0)),),
}


def write(outcome: Outcome, _: Pictures, stream: TextIO) -> None:
    """Write the layer, in the coordinates of the fabrication files."""
    stream.writelines(f"{line}\n" for line in _lines(outcome))


def _lines(outcome: Outcome) -> Iterator[str]:
    yield f"%TF.GenerationSoftware,moatcheck,moatcheck,{_field(outcome.version or '0')}*%"
    yield "%TF.FileFunction,Other,Findings*%"
    yield "%TF.FilePolarity,Positive*%"
    yield "%TF.Part,Other,Review*%"
    yield _comment(
        f"verdict {outcome.verdict}: {outcome.standing}; {wording.tally(outcome.findings)}"
    )
    yield _comment(outcome.caution)
    yield from (_comment(f"doubt: {d.doubt.what}") for d in outcome.doubts if d.accepted is None)
    yield "%FSLAX46Y46*%"
    yield "%MOMM*%"
    yield from (f"%ADD{code}C,{width:.3f}*%" for code, width in APERTURES.values())
    yield "%LPD*%"
    yield "G75*"
    findings = [finding for group in outcome.groups for finding in group.members]
    callouts = callouts_of(outcome.findings)
    spots = _number_places(callouts)
    for callout, finding in zip(callouts, findings, strict=True):
        yield from _finding(callout, finding, spots.pop(callout.number, None))
    yield "M02*"


def _finding(callout: Callout, finding: Finding, spot: XY | None) -> Iterator[str]:
    state = " waived" if callout.waived else ""
    figures = wording.figures(finding)
    yield _comment(
        f"{callout.number} {finding.level}{state} {finding.rule} {finding.message} {figures}"
    )
    yield f"%TOFindingNumber,{callout.number}*%"
    yield f"%TOFindingId,{_field(finding.id)}*%"
    yield f"%TOFindingRule,{_field(finding.rule)}*%"
    yield f"D{APERTURES[callout.level][0]}*"
    # the copper between them is on its own layer
    legs = [leg for leg in callout.legs if leg.hop is None]
    for leg in legs:
        yield from _polyline(leg.points)
    if not legs:
        yield from _ring(callout.at)
    if spot is not None:
        yield from _polyline((callout.at, spot))
        for stroke in _figure_strokes(str(callout.number), spot):
            yield from _polyline(stroke)
    yield "%TD*%"


def _polyline(points: Iterable[XY]) -> Iterator[str]:
    yield "G01*"
    for place, point in enumerate(points):
        yield f"{_xy(point)}D{'02' if place == 0 else '01'}*"


def _ring(at: XY) -> Iterator[str]:
    start = (at[0] + RING, at[1])
    yield f"{_xy(start)}D02*"
    yield "G03*"
    yield f"{_xy(start)}I{round(-RING * PER_MM)}J0D01*"


def _figure_strokes(text: str, spot: XY) -> Iterator[tuple[XY, ...]]:
    """Strokes of a number that stands to the upper right of its leader's end, on a line."""
    left, bottom = spot[0] + 0.3, spot[1] + 0.3
    yield spot, (left + DIGIT_STEP * len(text), spot[1])
    for place, digit in enumerate(text):
        for stroke in DIGITS[digit]:
            yield tuple(
                (left + DIGIT_STEP * place + x * DIGIT_WIDE / 2, bottom + y * DIGIT_HIGH / 4)
                for x, y in stroke
            )


def _number_places(callouts: tuple[Callout, ...]) -> dict[int, XY]:
    """Lower left corners of the groups' numbers, so that none stands on another or on a witness
    path.
    """
    if not callouts:
        return {}
    extents = np.array([callout.extent for callout in callouts])
    raster = _Raster(*(extents[:, :2].min(axis=0) - ASIDE).tolist())
    far = raster.of(*(extents[:, 2:].max(axis=0) + ASIDE).tolist())
    frame = (0.0, 0.0, *far)
    numbered = leads(callouts)
    wanted = [(raster.of(*c.at), _half_of_number(c.number)) for c in numbered]
    placed = place_badges(frame, wanted, _with_paths(Grid(frame), raster, callouts), ())
    corners = [raster.back(*badge.box[:2]) for badge in placed]
    return {callout.number: spot for callout, spot in zip(numbered, corners, strict=True)}


def _half_of_number(number: int) -> XY:
    """Half the width and height of a number with the room around it, in steps of the raster."""
    wide, high = DIGIT_STEP * len(str(number)) / 2 + 0.3, DIGIT_HIGH / 2 + 0.3
    return wide * GRAIN, high * GRAIN


def _with_paths(busy: Grid, raster: _Raster, callouts: tuple[Callout, ...]) -> Grid:
    """The grid with all witness paths marked."""
    for leg in (leg for callout in callouts for leg in callout.legs):
        for start, end in pairwise(raster.of(*point) for point in leg.points):
            busy.mark_line(start, end)
    return busy


@dataclass(frozen=True, slots=True)
class _Raster:
    """Places on the board as places on the grid that numbers are placed on, and back."""

    x: float
    y: float

    def of(self, x: float, y: float) -> XY:
        return (x - self.x) * GRAIN, (y - self.y) * GRAIN

    def back(self, x: float, y: float) -> XY:
        return float(x / GRAIN + self.x), float(y / GRAIN + self.y)


def _xy(point: XY) -> str:
    return f"X{round(point[0] * PER_MM)}Y{round(point[1] * PER_MM)}"


def _comment(words: str) -> str:
    return f"G04 {_plain(words)}*"


def _plain(words: str) -> str:
    """Words as a comment may hold them: no command delimiters; characters beyond ASCII as in the
    format's escapes.
    """
    safe = " ".join(words.replace("*", "(star)").replace("%", " percent").split())
    return "".join(c if " " <= c <= "~" else _escape(c) for c in safe)


def _field(words: str) -> str:
    """An attribute's field: delimiters and characters beyond ASCII escaped, as the format
    defines.
    """
    special = {"\\", "%", "*", ","}
    return "".join(c if " " <= c <= "~" and c not in special else _escape(c) for c in words)


def _escape(character: str) -> str:
    code = ord(character)
    return f"\\u{code:04X}" if code <= 0xFFFF else f"\\U{code:08X}"


FORMAT = Format("gerber", "report.gbr", write)
