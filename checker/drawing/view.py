"""Which part of the board a picture shows, and where on the picture.

Units: mm on the board; on the picture its own, 1600 to the width.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from checker.drawing.furniture import MARGIN, WIDTH
from checker.drawing.placement import Box
from checker.drawing.scene import PER_MM
from checker.findings import XY

HEAD = 112.0
SIDE = 480.0  # width of the list when it stands beside the board
TALLEST = 1320.0  # of the board
CLOSEST = 5.0  # mm; the least that a picture of one finding shows
AROUND = 0.6  # of the finding's extent, on each side
SHAPE_OF_CLOSEUP = 1.6  # width to height

Points = npt.NDArray[np.float64]  # (n, 2)


@dataclass(frozen=True, slots=True)
class View:
    """A window on the board in mm, and the box of the picture that shows it."""

    window: tuple[float, float, float, float]
    box: Box

    @property
    def scale(self) -> float:
        """Pixels per mm."""
        return (self.box[2] - self.box[0]) / (self.window[2] - self.window[0])

    def at(self, point: XY) -> XY:
        """Picture coordinates of a place on the board."""
        return (
            self.box[0] + (point[0] - self.window[0]) * self.scale,
            self.box[3] - (point[1] - self.window[1]) * self.scale,
        )

    def at_all(self, points: npt.NDArray[np.int64]) -> Points:
        """Picture coordinates of places given in micrometres, shape (n, 2)."""
        origin = np.array(self.at((0.0, 0.0)))
        placed: Points = points * (self.scale / PER_MM) * np.array([1.0, -1.0]) + origin
        return placed

    @property
    def transform(self) -> str:
        """From micrometres, y up, to the picture."""
        s = self.scale / PER_MM
        x = self.box[0] - self.window[0] * self.scale
        y = self.box[3] + self.window[1] * self.scale
        return f"matrix({s:.8g} 0 0 {-s:.8g} {x:.6g} {y:.6g})"


def fitted(window: tuple[float, float, float, float], *, beside: bool) -> View:
    """Fit a window into the picture's width; a tall one leaves room for the list beside it."""
    x0, y0, x1, y1 = window
    pad = 0.012 * max(x1 - x0, y1 - y0)
    wide, high = x1 - x0 + 2 * pad, y1 - y0 + 2 * pad
    room = WIDTH - 2 * MARGIN
    scale = min(room / wide, TALLEST / high)
    if beside and wide * scale < room - SIDE / 2:
        scale = min((room - SIDE) / wide, TALLEST / high)
    width, height = wide * scale, high * scale
    left = MARGIN if wide * scale <= room - SIDE else (WIDTH - width) / 2
    return View((x0 - pad, y0 - pad, x1 + pad, y1 + pad), (left, HEAD, left + width, HEAD + height))


def surroundings(extent: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """The window that shows a finding closely."""
    x0, y0, x1, y1 = extent
    wide = max((x1 - x0) * (1 + 2 * AROUND), CLOSEST)
    high = max((y1 - y0) * (1 + 2 * AROUND), CLOSEST / SHAPE_OF_CLOSEUP)
    wide, high = max(wide, high * SHAPE_OF_CLOSEUP), max(high, wide / SHAPE_OF_CLOSEUP)
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    return x - wide / 2, y - high / 2, x + wide / 2, y + high / 2
