"""From scene to SVG: one layer with its reference pours, and the findings on it as numbered callouts.

A picture is 1600 units wide: head (verdict, title), board, legend and list of findings, caution. Copper is drawn in
micrometres inside one transformed group; everything that has to stay readable is drawn in units of the picture.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from checker.drawing import furniture, marks, palette
from checker.drawing.furniture import MARGIN, WIDTH, Listed
from checker.drawing.hatch import hatch
from checker.drawing.lettering import FAMILY, number, text, text_width
from checker.drawing.marks import At
from checker.drawing.placement import Box, Grid, along, place_badges
from checker.drawing.scene import (
    OTHER,
    PAD,
    PER_MM,
    PLAIN_HOLE,
    PLANE,
    PLATED_HOLE,
    POUR,
    TRACE,
    Callout,
    Lines,
    Scene,
    SceneLayer,
    Shape,
)
from checker.findings import XY
from checker.outcome import Outcome

HEAD = 112.0
SIDE = 480.0  # width of the list when it stands beside the board
TALLEST = 1320.0  # of the board
CLOSEST = 5.0  # mm; the least that a picture of one finding shows
AROUND = 0.6  # of the finding's extent, on each side
SHAPE_OF_CLOSEUP = 1.6  # width to height
MOST_BADGES = 99
HATCH = 10  # px between hatch lines
NAME = 24.0  # px, height of a region's name
TURNS = np.arange(12) * np.pi / 6
SPOTS = np.array([(r * np.cos(a), r * np.sin(a)) for r in (0, 0.3, 0.6, 0.8) for a in TURNS])  # in a unit disc

Points = npt.NDArray[np.float64]


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


def draw(scene: Scene, outcome: Outcome, layer: str, finding: str | None = None, size: int = 1600) -> str:
    """Draw a layer, or the surroundings of one finding on it, as an SVG document.

    Parameters
    ----------
    layer : layer id
    finding : id of the finding to show closely; None shows the whole board
    size : width in pixels
    """
    shown = scene.layer(layer)
    chosen = [c for c in scene.callouts if c.layer in (None, layer)]
    if finding is not None:
        chosen = [c for c in chosen if c.id == finding]
        if not chosen:
            raise KeyError(f"no finding {finding} on layer {layer}")
    view = _view(scene.bounds if finding is None else _surroundings(chosen[0].extent), beside=bool(chosen))
    findings = {f.id: f for f in outcome.findings}
    listed = [(callout, findings[callout.id]) for callout in chosen if callout.id in findings]
    below, height = _furniture(scene, outcome, shown, view, listed, closeup=finding is not None)
    what = f"{furniture.layer_words(shown)}; {'on this layer' if finding is None else 'one finding'}"
    head = furniture.head(outcome, what, listed)
    lit = frozenset(net for callout in chosen for net in callout.nets)
    body = (head, _board(scene, shown, view, lit), _callouts(scene, shown, view, chosen), below)
    return document(body, _definitions(scene, view), height, size)


def _furniture(
    scene: Scene, outcome: Outcome, layer: SceneLayer, view: View, listed: Listed, *, closeup: bool
) -> tuple[str, float]:
    """Scale bar, legend, list and caution; returns markup and the height of the whole picture."""
    _, _, right, bottom = view.box
    room = WIDTH - 2 * MARGIN
    beside = right <= WIDTH - MARGIN - SIDE + 1
    edge = right if beside else WIDTH - MARGIN
    parts = [furniture.scale_bar(view.scale, edge, bottom + 32)]
    y = bottom + 18
    used = [callout for callout, _ in listed]
    entries = (*furniture.board_entries(scene, layer), *furniture.mark_entries(used))
    markup, height = furniture.legend(entries, MARGIN, y, edge - MARGIN - WIDTH / 5 - 40)
    parts.append(markup)
    y += max(height, 32.0) + 16
    if beside:
        markup, height = furniture.listing(listed, right + 24, HEAD, WIDTH - MARGIN - right - 24, 1)
        y = max(y, HEAD + height + 16)
    else:
        markup, height = furniture.listing(listed, MARGIN, y, room, min(3, max(1, len(listed))))
        y += height + 12 if listed else 0
    parts.append(markup)
    if closeup and listed:
        markup, height = furniture.story(listed[0][1], MARGIN, y, room)
        parts.append(markup)
        y += height
    markup, height = furniture.caution(outcome.caution, y)
    return "\n".join([*parts, markup]), y + height + 30


def document(body: Iterable[str], definitions: str, height: float, size: int) -> str:
    """Wrap markup into an SVG document on white paper, `size` pixels wide."""
    ratio = height / WIDTH
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{size}" height="{round(size * ratio)}" '
        f'viewBox="0 0 {number(WIDTH)} {number(height)}" font-family="{FAMILY}">'
    )
    paper = f'<rect width="{number(WIDTH)}" height="{number(height)}" fill="{palette.PAPER}"/>'
    return "\n".join([head, definitions, paper, *body, "</svg>\n"])


def _view(window: tuple[float, float, float, float], *, beside: bool) -> View:
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


def _surroundings(extent: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = extent
    wide = max((x1 - x0) * (1 + 2 * AROUND), CLOSEST)
    high = max((y1 - y0) * (1 + 2 * AROUND), CLOSEST / SHAPE_OF_CLOSEUP)
    wide, high = max(wide, high * SHAPE_OF_CLOSEUP), max(high, wide / SHAPE_OF_CLOSEUP)
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    return x - wide / 2, y - high / 2, x + wide / 2, y + high / 2


def _definitions(scene: Scene, view: View) -> str:
    """Hatches for the legend's swatches, one per region, and the clip of the board's frame."""
    parts = []
    for index in range(len(scene.regions)):
        look = palette.region_look(index)
        parts.append(
            f'<pattern id="swatch{index}" width="{HATCH}" height="{HATCH}" patternUnits="userSpaceOnUse" '
            f'patternTransform="rotate({-look.angle})"><path d="M0 3H{HATCH}" stroke="{look.colour}"/></pattern>'
        )
    return f"<defs>{''.join(parts)}{frame_clip(view.box)}</defs>"


def frame_clip(box: Box) -> str:
    """The clip path that keeps drawings inside a picture's frame."""
    x0, y0, x1, y1 = (number(v) for v in box)
    return f'<clipPath id="frame"><path d="M{x0} {y0}H{x1}V{y1}H{x0}Z"/></clipPath>'


# ---------------------------------------------------------------------------------------------------------- the board


def _board(scene: Scene, layer: SceneLayer, view: View, lit: frozenset[str]) -> str:
    parts = [f'<g clip-path="url(#frame)"><g transform="{view.transform}" fill-rule="nonzero">']
    outline = path_data(scene.outline, closed=True)
    thin = number(1.6 * PER_MM / view.scale)
    parts.append(f'<path d="{outline}" fill="{palette.BOARD}"/>')
    parts += _pours(scene, layer, view)
    parts += _copper(scene, layer, view, lit)
    parts += _holes(scene, view)
    parts.append(f'<path d="{outline}" fill="none" stroke="{palette.INK}" stroke-width="{thin}"/>')
    parts.append("</g></g>")
    return "\n".join(parts)


def main_reference(layer: SceneLayer) -> str:
    """The layer whose pours are drawn as areas: the nearest reference, or the layer itself."""
    return layer.references[0] if layer.references else layer.id


def _pours(scene: Scene, layer: SceneLayer, view: View) -> Iterator[str]:
    """Reference pours as hatched areas, own pours as a faint tint, the other side's reference as dashed edges."""
    main, line = main_reference(layer), PER_MM / view.scale
    for shape in _on(scene, (POUR, PLANE)):
        look = palette.region_look(shape.region)
        data = path_data(_seen(shape, view), closed=True)
        if not data:
            continue
        if shape.layer == main:
            dashes = f' stroke-dasharray="{number(2 * line)} {number(2 * line)}"' if shape.role == PLANE else ""
            lines = hatch(shape.lines, look.angle, HATCH / view.scale, view.window)
            yield f'<path d="{data}" fill="{look.colour}" fill-opacity=".26"/>'
            yield f'<path d="{path_data(lines, closed=False)}" {_stroke(look.colour, 1.0 * line)}/>'
            yield f'<path d="{data}" {_stroke(look.colour, 1.8 * line)}{dashes}/>'
        elif shape.layer == layer.id:
            yield f'<path d="{data}" fill="{look.colour}" fill-opacity=".16"/>'
        elif shape.layer in layer.references:
            broken = f' stroke-dasharray="{number(7 * line)} {number(4 * line)}"'
            yield f'<path d="{data}" {_stroke(look.colour, 1.6 * line)}{broken}/>'


def _stroke(colour: str, width: float) -> str:
    return f'fill="none" stroke="{colour}" stroke-width="{number(width)}"'


def _copper(scene: Scene, layer: SceneLayer, view: View, lit: frozenset[str]) -> Iterator[str]:
    """Traces and pads in grey; those of the lit nets in black on a pale halo."""
    order = sorted(_on(scene, (OTHER, PAD, TRACE)), key=lambda s: (s.net in lit, s.role == PAD))
    for shape in order:
        if shape.layer != layer.id:
            continue
        data = path_data(_seen(shape, view), closed=shape.width == 0)
        if not data:
            continue
        colour = palette.INK if shape.net in lit else (palette.PAD if shape.role == PAD else palette.COPPER)
        if shape.net in lit:
            yield _drawn(data, shape.width + 3 / view.scale, palette.PAPER, halo=shape.width == 0, line=3 / view.scale)
        yield _drawn(data, shape.width, colour)


def _drawn(data: str, width: float, colour: str, *, halo: bool = False, line: float = 0.0) -> str:
    if halo:
        return f'<path d="{data}" fill="none" stroke="{colour}" stroke-width="{number(line * PER_MM)}"/>'
    if width == 0:
        return f'<path d="{data}" fill="{colour}"/>'
    return (
        f'<path d="{data}" fill="none" stroke="{colour}" stroke-width="{number(width * PER_MM)}" '
        'stroke-linecap="round" stroke-linejoin="round"/>'
    )


def _holes(scene: Scene, view: View) -> Iterator[str]:
    for shape in _on(scene, (PLATED_HOLE, PLAIN_HOLE)):
        data = path_data(_seen(shape, view), closed=False)
        if not data:
            continue
        if shape.role == PLAIN_HOLE:
            yield _drawn(data, shape.width + 2.4 / view.scale, palette.INK)
        yield _drawn(data, shape.width, palette.HOLE)


def _on(scene: Scene, roles: tuple[str, ...]) -> Iterator[Shape]:
    return (shape for shape in scene.shapes if shape.role in roles)


def _seen(shape: Shape, view: View) -> Lines:
    """The lines of a shape that the window shows; rings of one area belong together, so areas stay whole."""
    return shape.lines.within(view.window, shape.width / 2) if shape.width else shape.lines


def path_data(lines: Lines, *, closed: bool) -> str:
    """SVG path data of lines, relative and in whole micrometres: compact, and exact to the drawing's grid.

    Examples
    --------
    >>> path_data(Lines(np.array([[0, 0], [5, 0], [5, -7], [9, 9]]), np.array([0, 3])), closed=False)
    'M0 0l5 0 0-7M9 9h0'
    """
    if not len(lines):
        return ""
    steps = np.diff(lines.points, axis=0, prepend=lines.points[:1])
    words = [f"{x} {y}" for x, y in steps.tolist()]
    ends = [*lines.starts.tolist()[1:], len(lines.points)]
    out = []
    tail = "z" if closed else ""
    firsts = lines.points[lines.starts].tolist()
    for (x, y), start, end in zip(firsts, lines.starts.tolist(), ends, strict=True):
        rest = " ".join(words[start + 1 : end]).replace(" -", "-")
        out.append(f"M{x} {y}l{rest}{tail}" if rest else f"M{x} {y}h0{tail}")
    return "".join(out)


# --------------------------------------------------------------------------------------------------------- callouts


def _callouts(scene: Scene, layer: SceneLayer, view: View, chosen: Sequence[Callout]) -> str:
    """Region names, witness paths, leaders and badges, so that none hides another."""
    copper = _occupied(scene, layer, view)
    names, taken = _region_names(scene, layer, view, copper)
    return names + "\n" + callout_marks(chosen, view.at, view.box, copper, taken)


def callout_marks(chosen: Sequence[Callout], at: At, frame: Box, copper: Grid, taken: Sequence[Box]) -> str:
    """Witness paths, leaders and badges inside a frame; clipped by the document's `frame` clip path."""
    numbered, rest = chosen[:MOST_BADGES], chosen[MOST_BADGES:]
    boxes = [*taken, *(box for callout in numbered for box in _path_boxes(callout, at))]
    wanted = [(at(callout.at), marks.badge_half(callout.number)) for callout in numbered]
    badges = place_badges(frame, wanted, copper, boxes)
    parts = ['<g clip-path="url(#frame)" fill="none" stroke-linejoin="round" stroke-linecap="round">']
    parts += [marks.witness(callout, at) for callout in reversed(chosen)]
    parts += [marks.dot(callout, at) for callout in rest]
    parts.append("</g>")
    parts += [marks.leader(badge) for badge in badges]
    parts += [marks.badge_mark(badge.centre, callout) for badge, callout in zip(badges, numbered, strict=True)]
    return "\n".join(parts)


def _region_names(scene: Scene, layer: SceneLayer, view: View, copper: Grid) -> tuple[str, list[Box]]:
    """Each region's name on its largest pour, where it hides the least copper; returns markup and boxes taken."""
    parts, boxes = [], []
    for region in scene.regions:
        if main_reference(layer) not in region.labels:
            continue
        x, y, room = region.labels[main_reference(layer)]
        half = np.array([text_width(region.name, NAME, bold=True) / 2 + 4, NAME / 2 + 4])
        spots = np.array(view.at((x, y))) + room * view.scale * SPOTS
        low, high = np.array(view.box[:2]) + half, np.array(view.box[2:]) - half
        fits = (room * view.scale * (1 - np.hypot(*SPOTS.T)) > half[0]) & ((spots > low) & (spots < high)).all(axis=1)
        if not fits.any():
            continue
        spots = spots[fits]
        covered = np.hstack((spots - half, spots + half))
        best = int(np.argmin(copper.share(covered)))
        (px, py), box = spots[best].tolist(), covered[best].tolist()
        halo = f'stroke="{palette.PAPER}" stroke-width="5" paint-order="stroke" stroke-linejoin="round"'
        name = text(px, py + NAME / 3, region.name, NAME, colour=palette.INK, bold=True, anchor="middle")
        parts.append(f"<g {halo}>{name}</g>")
        boxes.append(tuple(box))
    return "\n".join(parts), boxes


def _occupied(scene: Scene, layer: SceneLayer, view: View) -> Grid:
    """Grid of where traces and pads are drawn."""
    grid = Grid(view.box)
    for shape in _on(scene, (TRACE, PAD)):
        if shape.layer == layer.id:
            starts, ends = _seen(shape, view).legs()
            grid.mark_points(along(view.at_all(starts), view.at_all(ends)))
    return grid


def _path_boxes(callout: Callout, at: At) -> Iterator[Box]:
    """Small boxes along a witness path: badges keep off it."""
    for leg in callout.legs:
        points = np.array([at(point) for point in leg.points])
        for x, y in along(points[:-1], points[1:], 8.0).tolist():
            yield x - 6, y - 6, x + 6, y + 6
