"""Callouts on somebody else's picture of the board: a photo, a plot, a screenshot.

Pins tell where places of the board are on the picture. Two pins give shift, scale and turn, and the
caller says whether the picture is mirrored (a photo of the bottom is); three or more pins give an
affine map, mirror included, by least squares. Three fit any picture: only a fourth proves
something, and only of five can a wrong one be named.
"""

from __future__ import annotations

import base64
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from checker.drawing import furniture, svg
from checker.drawing.callouts import callout_marks
from checker.drawing.furniture import MARGIN, WIDTH
from checker.drawing.lettering import number, text
from checker.drawing.palette import INK
from checker.drawing.placement import Box, Grid
from checker.drawing.scene import callouts_of
from checker.drawing.view import HEAD
from checker.findings import XY
from checker.results.outcome import Outcome
from parsers.trouble import InputError, Place

# x, y on the board in mm; x, y on the picture in pixels, y down
PinPair = tuple[float, float, float, float]
SIGNATURE = b"\x89PNG\r\n\x1a\n"
FAR = 3.0  # a pin so many times further off than the worst of the others is wrong
FEWEST = 4  # pins of which none can be told from the rest
READING = 0.5  # px; places on a picture are not read better
LEAST_SPREAD = 1e-6  # of the pins' extent: below, they lie on one point or one line


@dataclass(frozen=True, slots=True)
class Fit:
    """A map from board to picture: `matrix @ (x, y, 1)`, and how far the worst pin lies from it,
    pixels.
    """

    matrix: npt.NDArray[np.float64]  # (2, 3)
    misfit: float
    pins: int
    # the pin (from 1) that is off by far more than the rest; told from five pins on
    astray: int | None = None

    @property
    def words(self) -> str:
        """How much the pins prove, and what map they give."""
        if self.pins == 2:
            return (
                "two pins: shift, scale and turn are taken from them, nothing proves them; a third"
                " would"
            )
        if self.pins == 3:
            return (
                "three pins fit any picture and prove nothing; give a fourth. They mean"
                f" {self._shape}"
            )
        worst = (
            f"{self.pins} pins, which agree within {self.misfit:.1f} px"
            f" ({self.misfit / self._scales[0]:.2f} mm)"
        )
        wrong = (
            f"; pin {self.astray} is off by far more than the others: look at it"
            if self.astray
            else ""
        )
        return f"{worst}; {self._shape}{wrong}"

    @property
    def _scales(self) -> tuple[float, float]:
        """Pixels a millimetre along x and along y of the board."""
        along_x, along_y = np.hypot(*self.matrix[:, :2]).tolist()
        return along_x, along_y

    @property
    def _shape(self) -> str:
        """Scale in both directions, and how far from square they stand to each other."""
        (a, b), (c, d) = self.matrix[:, 0], self.matrix[:, 1]
        skew = 90.0 - float(
            np.degrees(np.arccos(np.clip((a * c + b * d) / np.prod(self._scales), -1.0, 1.0)))
        )
        x, y = self._scales
        return f"{x:.2f} px/mm along x, {y:.2f} along y, {abs(skew):.1f}° from square"

    def at(self, point: XY) -> XY:
        """Pixels of a place on the board."""
        x, y = (self.matrix @ (point[0], point[1], 1.0)).tolist()
        return x, y


def draw_over(
    outcome: Outcome,
    over: Path,
    pins: Sequence[PinPair],
    layer: str | None = None,
    *,
    mirrored: bool = False,
) -> str:
    """Draw the callouts of a layer (None: all) on a PNG picture; returns an SVG document that holds
    the picture.

    Raises
    ------
    InputError : no PNG, no such layer, or pins that do not settle the map
    """
    _check_layer(outcome, layer)
    data, wide, high = _png(over)
    fit = fitted(pins, mirrored=mirrored)
    scale = WIDTH / wide
    frame = (0.0, HEAD, WIDTH, HEAD + high * scale)

    def at(point: XY) -> XY:
        x, y = fit.at(point)
        return x * scale, HEAD + y * scale

    chosen = [c for c in callouts_of(outcome.findings) if layer is None or c.on(layer)]
    listed = furniture.listed_groups(outcome, chosen)
    inside = [c for c in chosen if _inside(at(c.at), frame)]
    what = f"{f'layer {layer}' if layer else 'all layers'} on {over.name}"
    below, height = _below(outcome, listed, len(chosen) - len(inside), fit, frame)
    body = (
        furniture.head(outcome, what, listed),
        _embedded(data, high * scale),
        callout_marks(inside, at, frame, Grid(frame), Grid(frame)),
        below,
    )
    return svg.document(body, f"<defs>{svg.frame_clip(frame)}</defs>", height, wide)


def _check_layer(outcome: Outcome, layer: str | None) -> None:
    known = [entry[0] for entry in outcome.layers]
    if layer is not None and layer not in known:
        raise InputError(f'there is no layer "{layer}"; there are: {", ".join(known)}')


def _embedded(data: bytes, high: float) -> str:
    """A PNG picture below the head, as wide as the drawing."""
    source = f"data:image/png;base64,{base64.b64encode(data).decode()}"
    box = f'x="0" y="{number(HEAD)}" width="{number(WIDTH)}" height="{number(high)}"'
    return f'<image {box} href="{source}"/>'


def _inside(point: XY, frame: tuple[float, float, float, float]) -> bool:
    return frame[0] <= point[0] <= frame[2] and frame[1] <= point[1] <= frame[3]


def _below(
    outcome: Outcome, listed: furniture.Listed, outside: int, fit: Fit, frame: Box
) -> tuple[str, float]:
    """Legend, how well the pins agree, list and caution; returns markup and the height of the whole
    picture.
    """
    y = frame[3] + 18
    room = WIDTH - 2 * MARGIN
    legend, height = furniture.legend(
        furniture.mark_entries([c for c, _ in listed]), MARGIN, y, room
    )
    y += height + 8
    words = fit.words
    if outside:
        words += (
            f"; {outside} of {sum(len(group.members) for _, group in listed)} findings lie outside"
            " the picture"
        )
    note = text(MARGIN, y + 12, words, furniture.SMALL, colour=INK)
    y += 32
    _, closing = furniture.caution(outcome.caution, y)
    left = 2 * (frame[3] - frame[1]) - y - closing - 42
    listing, height = furniture.listing(listed, MARGIN, y, room, min(3, max(1, len(listed))), left)
    y += height + 12
    caution, height = furniture.caution(outcome.caution, y)
    return legend + note + listing + caution, y + height + 30


def fitted(pins: Sequence[PinPair], *, mirrored: bool = False) -> Fit:
    """Find the map that brings the pins' board places onto their pixels.

    Examples
    --------
    >>> fit = fitted([(0, 0, 100, 900), (10, 0, 200, 900)])
    >>> fit.at((0, 10))
    (100.0, 800.0)
    >>> fitted([(0, 0, 100, 900), (10, 0, 0, 900)], mirrored=True).at((0, 10))
    (100.0, 800.0)
    """
    table = np.array(pins, dtype=np.float64).reshape(-1, 4)
    if len(table) < 2:
        raise InputError(
            "a picture needs at least two pins; give --pin X,Y=PX,PY twice or three times"
        )
    board, picture = table[:, :2], table[:, 2:]
    matrix = (
        _similar(board, picture, mirrored=mirrored) if len(table) == 2 else _affine(board, picture)
    )
    return Fit(
        matrix, float(_off(matrix, board, picture).max()), len(table), _astray(board, picture)
    )


def _off(
    matrix: npt.NDArray[np.float64],
    board: npt.NDArray[np.float64],
    picture: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """How far each pin lies from a map, pixels, shape (n,)."""
    off: npt.NDArray[np.float64] = np.hypot(*(board @ matrix[:, :2].T + matrix[:, 2] - picture).T)
    return off


def _astray(board: npt.NDArray[np.float64], picture: npt.NDArray[np.float64]) -> int | None:
    """The pin (from 1) that lies more than FAR times as far from the map of the others as the worst
    of them.

    Needs five pins: of four, any three fit, so that none can be told from the rest.
    """
    ratios: list[tuple[float, int]] = []
    for pin in range(len(board)) if len(board) > FEWEST else ():
        rest = np.arange(len(board)) != pin
        try:
            off = _off(_affine(board[rest], picture[rest]), board, picture)
        except InputError:
            continue  # the others lie on one line
        ratios.append((float(off[pin] / max(off[rest].max(), READING)), pin + 1))
    worst = max(ratios, default=(0.0, 0))
    return worst[1] if worst[0] > FAR else None


def _similar(
    board: npt.NDArray[np.float64], picture: npt.NDArray[np.float64], *, mirrored: bool
) -> npt.NDArray[np.float64]:
    """Shift, scale and turn; pixels count y downwards, so the plain map already flips y."""
    flip = np.array([1.0, 1.0 if mirrored else -1.0])
    a, b = board * flip, picture
    (dx, dy), (du, dv) = a[1] - a[0], b[1] - b[0]
    square = dx * dx + dy * dy
    if square == 0 or du * du + dv * dv == 0:
        raise InputError("the two pins are at one place; take two that lie far apart")
    p, q = (dx * du + dy * dv) / square, (dx * dv - dy * du) / square
    turn = np.array([[p, -q], [q, p]]) * flip
    return np.column_stack((turn, picture[0] - turn @ board[0]))


def _affine(
    board: npt.NDArray[np.float64], picture: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    for places in (board, picture):
        spread = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
        if spread[1] <= LEAST_SPREAD * spread[0] or spread[0] == 0:
            raise InputError("the pins lie on one line; take three that span a triangle")
    rows = np.column_stack((board, np.ones(len(board))))
    solution, *_ = np.linalg.lstsq(rows, picture, rcond=None)
    return np.asarray(solution.T)


def _png(path: Path) -> tuple[bytes, int, int]:
    """Bytes, width and height of a PNG file."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", Place(str(path))) from None
    if len(data) < 33 or not data.startswith(SIGNATURE) or data[12:16] != b"IHDR":
        raise InputError("is no PNG picture; save it as PNG", Place(str(path)))
    wide, high = struct.unpack(">II", data[16:24])
    if not 0 < wide <= 30000 or not 0 < high <= 30000:
        raise InputError(
            f"has an unlikely size, {wide} x {high} pixels; scale it down", Place(str(path))
        )
    return data, wide, high
