"""From scene to SVG: one layer with its reference pours, and the findings on it as numbered
callouts.

A picture is 1600 units wide: head (verdict, title), board, legend and list of findings, caution.
Copper is drawn in micrometres inside one transformed group; everything that has to stay readable is
drawn in units of the picture.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import shapely

from checker.drawing import flows, furniture, palette
from checker.drawing.callouts import callouts_on_board
from checker.drawing.furniture import MARGIN, WIDTH, Listed
from checker.drawing.hatch import hatch
from checker.drawing.lettering import FAMILY, number
from checker.drawing.paths import path_data
from checker.drawing.placement import Box
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
from checker.drawing.view import HEAD, SIDE, View, fitted, surroundings
from checker.findings import XY
from checker.results.outcome import Outcome

LEAST_LEGEND = 420.0  # units; the legend's longest entries are as wide
BAR = 36.0  # units; height of the scale bar with its words
STEP = 8.0  # units; between places of a witness path
HATCH = 10  # px between hatch lines
# px; smaller rings (antipads) show by their fill alone: thousands of thin edges cost seconds to
# draw
LEAST_EDGE = 24


def draw(
    scene: Scene, outcome: Outcome, layer: str, finding: str | None = None, size: int = 1600
) -> str:
    """Draw a layer, or the surroundings of one finding on it, as an SVG document.

    Parameters
    ----------
    layer : layer id
    finding : id of the finding to show closely; None shows the whole board
    size : width in pixels
    """
    shown, closeup = scene.layer(layer), finding is not None
    chosen = _chosen(scene, layer, finding)
    bounds = surroundings(chosen[0].extent) if closeup else scene.bounds
    view = fitted(bounds, beside=bool(chosen))
    listed = furniture.listed_groups(outcome, chosen)
    others = tuple(other for other in chosen[0].layers if other != layer) if closeup else ()
    whole = (scene.bounds[3] - scene.bounds[1]) * view.scale
    high = view.box[3] - view.box[1] if finding else whole
    about = Shown(shown, view, listed, others, high, closeup=closeup)
    below, height = _furniture(scene, outcome, about)
    what = f"{furniture.layer_words(shown)}; {'one finding' if closeup else 'on this layer'}"
    lit = frozenset(net for callout in chosen for net in callout.nets)
    ruler, kept = furniture.edge_rulers(view.window, view.box) if closeup else ("", ())
    currents, labels = flows.contours(scene, shown, view, list(_along(chosen, view)))
    body = (
        furniture.head(outcome, what, listed),
        _board(scene, shown, view, lit, others, currents),
        callouts_on_board(scene, shown, view, chosen, (*kept, *labels)),
        ruler,
        below,
    )
    return document(body, _definitions(scene, view), height, size)


def _along(chosen: Iterable[Callout], view: View) -> Iterator[XY]:
    """Places along witness paths, near enough to each other that no label fits between, in units of
    the picture.
    """
    for line in (leg.points for callout in chosen for leg in callout.legs):
        if len(line) < 2:
            continue
        path = shapely.LineString([view.at(point) for point in line])
        steps = shapely.line_interpolate_point(path, np.arange(0.0, path.length + STEP, STEP))
        yield from ((float(x), float(y)) for x, y in shapely.get_coordinates(steps))


@dataclass(frozen=True, slots=True)
class Shown:
    """What a picture shows: a layer, through a view, with groups and the other layers of a finding
    seen closely.
    """

    layer: SceneLayer
    view: View
    listed: Listed
    others: tuple[str, ...]
    high: float  # px, height of the board on the picture; of a closeup, of its window
    closeup: bool


def _chosen(scene: Scene, layer: str, finding: str | None) -> list[Callout]:
    """The callouts of a layer, or the one of a finding on it."""
    chosen = [c for c in scene.callouts if c.on(layer) and finding in (None, c.id)]
    if finding is not None and not chosen:
        raise KeyError(f"no finding {finding} on layer {layer}")
    return chosen


def _furniture(scene: Scene, outcome: Outcome, shown: Shown) -> tuple[str, float]:
    """Scale bar, legend, list and caution; returns markup and the height of the whole picture.

    The whole is at most twice as high as the board on it, as far as the list can give way.
    """
    _, _, right, bottom = shown.view.box
    beside = right <= WIDTH - MARGIN - SIDE + 1
    edge = right if beside else WIDTH - MARGIN
    legend, y = _legend(scene, shown, edge)
    story, told = _story(shown, y)
    _, closing = furniture.caution(outcome.caution, y)
    most = 2 * shown.high - closing - 42
    columns = min(3, max(1, len(shown.listed)))
    if beside:
        room = max(most, bottom) - HEAD
        listing, height = furniture.listing(
            shown.listed, right + 24, HEAD, WIDTH - MARGIN - right - 24, 1, room
        )
        y = max(y + told, HEAD + height + 16)
    else:
        listing, height = furniture.listing(
            shown.listed, MARGIN, y, WIDTH - 2 * MARGIN, columns, most - y - told
        )
        story, told = _story(shown, y + height)
        y += height + told + 12
    caution, height = furniture.caution(outcome.caution, y)
    scale = furniture.scale_bar(shown.view.scale, edge, bottom + 32)
    return "\n".join((scale, legend, listing, story, caution)), y + height + 30


def _legend(scene: Scene, shown: Shown, edge: float) -> tuple[str, float]:
    """The legend under the board; returns markup and where it ends."""
    y = shown.view.box[3] + 18
    marked = [
        c
        for c in scene.callouts
        if any(c.id == f.id for _, group in shown.listed for f in group.members)
    ]
    entries = [
        *furniture.board_entries(scene, shown.layer, shown.others),
        *furniture.mark_entries(marked),
        *flows.entries(scene, shown.layer),
    ]
    wide = edge - MARGIN - WIDTH / 5 - 40  # beside the scale bar
    if wide < LEAST_LEGEND:  # or below it, where the board is narrow
        y, wide = y + BAR, edge - MARGIN
    markup, height = furniture.legend(entries, MARGIN, y, wide)
    return markup, y + max(height, 32.0) + 16


def _story(shown: Shown, y: float) -> tuple[str, float]:
    """The words of a finding that is seen closely."""
    if not (shown.closeup and shown.listed):
        return "", 0.0
    return furniture.story(shown.listed[0][1].worst, MARGIN, y, WIDTH - 2 * MARGIN)


def document(body: Iterable[str], definitions: str, height: float, size: int) -> str:
    """Wrap markup into an SVG document on white paper, `size` pixels wide."""
    ratio = height / WIDTH
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{size}" height="{round(size * ratio)}" '
        f'viewBox="0 0 {number(WIDTH)} {number(height)}" font-family="{FAMILY}">'
    )
    paper = f'<rect width="{number(WIDTH)}" height="{number(height)}" fill="{palette.PAPER}"/>'
    return "\n".join([head, definitions, paper, *body, "</svg>\n"])


def _definitions(scene: Scene, view: View) -> str:
    """Hatches for the legend's swatches, one per region, and the clip of the board's frame."""
    parts = []
    for index in range(len(scene.regions)):
        look = palette.region_look(index)
        parts.append(
            f'<pattern id="swatch{index}" width="{HATCH}" height="{HATCH}"'
            f' patternUnits="userSpaceOnUse" patternTransform="rotate({-look.angle})"><path d="M0'
            f' 3H{HATCH}" stroke="{look.colour}"/></pattern>'
        )
    return f"<defs>{''.join(parts)}{frame_clip(view.box)}</defs>"


def frame_clip(box: Box) -> str:
    """The clip path that keeps drawings inside a picture's frame."""
    x0, y0, x1, y1 = (number(v) for v in box)
    return f'<clipPath id="frame"><path d="M{x0} {y0}H{x1}V{y1}H{x0}Z"/></clipPath>'


# ---------------------------------------------------------------------------------------- the board


def _board(
    scene: Scene,
    layer: SceneLayer,
    view: View,
    lit: frozenset[str],
    others: tuple[str, ...],
    currents: str,
) -> str:
    parts = [f'<g clip-path="url(#frame)"><g transform="{view.transform}" fill-rule="nonzero">']
    outline = path_data(scene.outline, closed=True)
    thin = number(1.6 * PER_MM / view.scale)
    parts.append(f'<path d="{outline}" fill="{palette.BOARD}"/>')
    parts += _pours(scene, layer, view)
    parts += flows.bands(scene, layer)
    parts += _copper_beyond(scene, others, view, lit)
    parts += _copper(scene, layer, view, lit)
    parts += _holes(scene, layer, view)
    parts.append(f'<path d="{outline}" fill="none" stroke="{palette.INK}" stroke-width="{thin}"/>')
    parts.append("</g>")
    parts += [currents, "</g>"]
    return "\n".join(parts)


def _pours(scene: Scene, layer: SceneLayer, view: View) -> Iterator[str]:
    """Reference pours as hatched areas, own pours as a faint tint, the other side's reference as
    dashed edges.
    """
    main, line = layer.main_reference, PER_MM / view.scale
    for shape in _on(scene, (POUR, PLANE)):
        look = palette.region_look(shape.region)
        data = path_data(_seen(shape, view), closed=True)
        if not data:
            continue
        if shape.layer == main:
            dashes = (
                f' stroke-dasharray="{number(2 * line)} {number(2 * line)}"'
                if shape.role == PLANE
                else ""
            )
            lines = hatch(shape.lines, look.angle, HATCH / view.scale, view.window)
            yield f'<path d="{data}" fill="{look.colour}" fill-opacity=".26"/>'
            yield f'<path d="{path_data(lines, closed=False)}" {_stroke(look.colour, 1.0 * line)}/>'
            edges = path_data(shape.lines.wider_than(LEAST_EDGE / view.scale), closed=True)
            yield f'<path d="{edges}" {_stroke(look.colour, 1.8 * line)}{dashes}/>'
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
        colour = palette.INK if shape.net in lit else _grey(shape)
        if shape.net in lit:
            yield _drawn(
                data,
                shape.width + 3 / view.scale,
                palette.PAPER,
                halo=shape.width == 0,
                line=3 / view.scale,
            )
        yield _drawn(data, shape.width, colour)


def _copper_beyond(
    scene: Scene, others: tuple[str, ...], view: View, lit: frozenset[str]
) -> Iterator[str]:
    """Copper of the lit nets on other layers that a finding speaks of: hollow, as if seen through
    the board.
    """
    line = 2.2 / view.scale
    for shape in _on(scene, (PAD, TRACE, POUR, PLANE)):
        own = shape.net in lit or any(
            scene.nets[net] in lit for net in set(shape.nets.tolist()) if net >= 0
        )
        data = (
            path_data(_seen(shape, view), closed=shape.width == 0)
            if shape.layer in others and own
            else ""
        )
        if data and shape.width == 0:
            yield _drawn(data, 0.0, palette.BEYOND)
            yield _drawn(data, 0.0, palette.INK, halo=True, line=line)
        elif data:
            yield _drawn(data, shape.width, palette.INK)
            yield _drawn(data, max(shape.width - 2 * line, line), palette.BEYOND)


def _grey(shape: Shape) -> str:
    """Pads stand out against traces, wide areas stand back."""
    if shape.role == PAD:
        return palette.PAD
    return palette.AREA if shape.width == 0 else palette.COPPER


def _drawn(data: str, width: float, colour: str, *, halo: bool = False, line: float = 0.0) -> str:
    if halo:
        return (
            f'<path d="{data}" fill="none" stroke="{colour}"'
            f' stroke-width="{number(line * PER_MM)}"/>'
        )
    if width == 0:
        return f'<path d="{data}" fill="{colour}"/>'
    return (
        f'<path d="{data}" fill="none" stroke="{colour}" stroke-width="{number(width * PER_MM)}" '
        'stroke-linecap="round" stroke-linejoin="round"/>'
    )


def _holes(scene: Scene, layer: SceneLayer, view: View) -> Iterator[str]:
    for shape in _on(scene, (PLATED_HOLE, PLAIN_HOLE)):
        data = path_data(_seen(shape, view), closed=False)
        if not data or shape.layer not in (None, layer.id):
            continue
        if shape.role == PLAIN_HOLE:
            yield _drawn(data, shape.width + 2.4 / view.scale, palette.INK)
        yield _drawn(data, shape.width, palette.HOLE)


def _on(scene: Scene, roles: tuple[str, ...]) -> Iterator[Shape]:
    return (shape for shape in scene.shapes if shape.role in roles)


def _seen(shape: Shape, view: View) -> Lines:
    """The lines of a shape that the window shows; rings of one area belong together, so areas stay
    whole.
    """
    return shape.lines.within(view.window, shape.width / 2) if shape.width else shape.lines
