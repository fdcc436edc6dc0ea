"""Currents on a picture: bands of density under the copper, labelled contours and pins over it, and
their legend.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from checker.drawing import palette
from checker.drawing.fields import Contour, Field, Mark
from checker.drawing.furniture import SMALL, Entry
from checker.drawing.lettering import number, text, text_width
from checker.drawing.paths import path_data
from checker.drawing.placement import Box
from checker.drawing.scene import PER_MM, Scene, SceneLayer
from checker.drawing.view import View
from checker.findings import XY

HALO = f'stroke="{palette.PAPER}" stroke-width="4" paint-order="stroke" stroke-linejoin="round"'
OPACITY = 0.62
ROOM = (90.0, 22.0)  # px that a label takes
LINE = 0.12  # mm; of contours on a page, which keep their size on the board
PAGE_LETTERS = 12.0  # px; of labels on a page, whatever the zoom
SIGNS = {"in": "\u2297", "out": "\u2299", "quiet": "\u25b3"}
SIZE = 8.0  # px, half of a pin's mark


def field_on(scene: Scene, layer: SceneLayer) -> Field | None:
    """The field of the layer whose pours a picture shows."""
    return next((field for field in scene.fields if field.layer == layer.main_reference), None)


def bands(scene: Scene, layer: SceneLayer) -> Iterator[str]:
    """Areas of current density, in micrometres."""
    field = field_on(scene, layer)
    for band in field.bands if field else ():
        colour = palette.density_colour(band.place)
        data = path_data(band.lines, closed=True)
        yield f'<path d="{data}" fill="{colour}" fill-opacity="{OPACITY}" fill-rule="evenodd"/>'


def contours(
    scene: Scene, layer: SceneLayer, view: View, crossed: Sequence[XY] = ()
) -> tuple[str, list[Box]]:
    """Contours with their labels, then the pins, in units of the picture, and the room that the
    labels take.

    Parameters
    ----------
    crossed : places of the picture where no label may stand, on witness paths
    """
    field = field_on(scene, layer)
    if field is None:
        return "", []
    parts = [_curve(contour, view) for contour in field.contours]
    taken = [view.at(mark.at) for mark in field.marks]
    for contour in field.contours:
        spots = map(view.at, contour.spots)
        free = next((at for at in spots if _free(at, taken, crossed)), None)
        if free is not None:
            taken.append(free)
            parts.append(_label(contour.words, *free))
    wide, high = ROOM[0] / 2, ROOM[1] / 2
    labels = taken[len(field.marks) :]
    boxes = [(x - wide, y - high, x + wide, y + high) for x, y in labels]
    parts += [_marked(mark, view, boxes) for mark in field.marks]
    return "\n".join(parts), boxes


def _label(words: str, x: float, y: float) -> str:
    label = text(x, y + 5, words, SMALL, colour=palette.INK, bold=True, anchor="middle")
    return f"<g {HALO}>{label}</g>"


def _free(at: XY, taken: Sequence[XY], crossed: Sequence[XY]) -> bool:
    """Whether a label at a place of a picture lies on no other and on no witness path."""
    near = (abs(at[0] - x) < ROOM[0] / 3 and abs(at[1] - y) < ROOM[1] / 2 for x, y in crossed)
    return all(_apart(at, other) for other in taken) and not any(near)


def _apart(one: XY, other: XY) -> bool:
    """Whether labels at two places of a picture leave each other alone."""
    return abs(one[0] - other[0]) > ROOM[0] or abs(one[1] - other[1]) > ROOM[1]


def _curve(contour: Contour, view: View) -> str:
    data, line = path_data(contour.lines, closed=False), PER_MM / view.scale
    return (
        f'<g transform="{view.transform}" fill="none"><path d="{data}" stroke="{palette.PAPER}"'
        f' stroke-width="{number(3.2 * line)}" stroke-opacity=".7"/><path d="{data}"'
        f' stroke="{palette.INK}" stroke-width="{number(1.4 * line)}"/></g>'
    )


def _marked(mark: Mark, view: View, boxes: list[Box]) -> str:
    """A pin: a cross where current enters, a dot where it leaves, a triangle at grounds of an
    input.

    Its words stand beside it where they lie on no other label, and are left away where there is no
    such place.
    """
    x, y = view.at(mark.at)
    shape = f'<g transform="translate({number(x)} {number(y)})">{sample(mark.kind)}</g>'
    wide = text_width(mark.words, SMALL, bold=True)
    for left, base in _beside(x, y, wide):
        box = (left - 2, base - SMALL, left + wide + 2, base + 5)
        if not any(_meet(box, other) for other in boxes):
            boxes.append(box)
            label = text(left, base, mark.words, SMALL, colour=palette.INK, bold=True)
            return f"{shape}<g {HALO}>{label}</g>"
    return shape


def _beside(x: float, y: float, wide: float) -> Iterator[XY]:
    """Where words of a width may begin beside a pin: to the right or left, above, below or
    level.
    """
    for base in (y - SIZE, y + SIZE + SMALL, y + 5, y - SIZE - SMALL, y + SIZE + 2 * SMALL):
        yield x + SIZE + 5, base
        yield x - SIZE - 5 - wide, base


def _meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def sample(kind: str) -> str:
    """The shape of a kind of pin, about the origin."""
    look = f'fill="{palette.PAPER}" stroke="{palette.INK}" stroke-width="2"'
    if kind == "quiet":
        return f'<path d="M0 {-SIZE}L{SIZE} {SIZE}H{-SIZE}Z" {look}/>'
    inner = f'<circle r="2.6" fill="{palette.INK}"/>'
    if kind == "in":
        inner = (
            f'<path d="M-4.5 -4.5L4.5 4.5M-4.5 4.5L4.5 -4.5" stroke="{palette.INK}"'
            ' stroke-width="2"/>'
        )
    return f'<circle r="{SIZE}" {look}/>{inner}'


def entries(scene: Scene, layer: SceneLayer) -> Iterator[Entry]:
    """Legend of what is drawn."""
    field = field_on(scene, layer)
    if field is None:
        return
    for band in field.bands:
        colour = palette.density_colour(band.place)
        yield f'<rect width="34" height="20" fill="{colour}" fill-opacity="{OPACITY}"/>', band.words
    if field.contours:
        yield f'<path d="M0 10H34" stroke="{palette.INK}" stroke-width="1.4"/>', field.about
    told = {"in": "a current enters (d.c.)", "out": "it leaves", "quiet": "ground of a quiet input"}
    for kind in dict.fromkeys(mark.kind for mark in field.marks):
        yield f'<g transform="translate(17 10)">{sample(kind)}</g>', told[kind]


def page_groups(scene: Scene, shown: Sequence[str]) -> Iterator[str]:
    """One group per layer for a page that switches them, in micrometres, y up; those of shown
    layers are seen.
    """
    for field in scene.fields:
        yield _page_group(field, shown)
        for band in field.bands:
            look = (
                f'fill="{palette.density_colour(band.place)}" fill-opacity="{OPACITY}"'
                ' fill-rule="evenodd"'
            )
            yield (
                f"<path {look}"
                f' d="{path_data(band.lines, closed=True)}"><title>{escape(band.words)}</title></path>'
            )
        for contour in field.contours:
            told = f"{contour.words} {field.about}"
            line = f'fill="none" stroke="{palette.INK}" stroke-width="{number(LINE * PER_MM)}"'
            yield (
                f"<path {line}"
                f' d="{path_data(contour.lines, closed=False)}"><title>{escape(told)}</title></path>'
            )
        yield "</g>"


def page_words(scene: Scene, shown: Sequence[str]) -> Iterator[str]:
    """Pins and labels of the same, to lie over the copper; a script puts labels where there is room
    for them.
    """
    for field in scene.fields:
        yield _page_group(field, shown)
        for x, y in (_in_micrometres(mark.at) for mark in field.marks):
            yield f'<path class="pin" d="M{x} {y}h0"/><path class="pin inner" d="M{x} {y}h0"/>'
        for contour in field.contours:
            yield _page_label(contour.words, contour.spots)
        for mark in field.marks:
            yield _page_label(f"{SIGNS[mark.kind]} {mark.words}", [mark.at], ' data-beside="yes"')
        yield "</g>"


def _page_group(field: Field, shown: Sequence[str]) -> str:
    off = "" if field.layer in shown else " off"
    return f'<g class="field{off}" data-layer="{escape(field.layer)}">'


def _page_label(words: str, spots: Sequence[XY], more: str = "") -> str:
    """A label with half of its width in pixels and the places where it may stand."""
    half = text_width(words, PAGE_LETTERS, bold=True) / 2 + 3
    places = " ".join(f"{x},{y}" for x, y in map(_in_micrometres, spots))
    return (
        f'<text class="off" data-half="{number(half)}"'
        f' data-spots="{places}"{more}>{escape(words)}</text>'
    )


def _in_micrometres(at: XY) -> tuple[int, int]:
    return round(at[0] * PER_MM), round(at[1] * PER_MM)
