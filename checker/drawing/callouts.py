"""Numbered callouts and region names on a picture, so that none hides another."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from checker.drawing import marks, palette
from checker.drawing.lettering import text, text_width
from checker.drawing.marks import At
from checker.drawing.placement import Box, Grid, along, place_badges
from checker.drawing.scene import PAD, TRACE, Callout, Scene, SceneLayer
from checker.drawing.view import View

MOST_BADGES = 99
NAME = 24.0  # px, height of a region's name
TURNS = np.arange(12) * np.pi / 6
SPOTS = np.array([(r * np.cos(a), r * np.sin(a)) for r in (0, 0.3, 0.6, 0.8) for a in TURNS])  # in a unit disc


def callouts_on_board(scene: Scene, layer: SceneLayer, view: View, chosen: Sequence[Callout]) -> str:
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
    if len(chosen) == 1 and chosen[0].detour:
        parts.append(marks.detour(chosen[0], at))
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
        if layer.main_reference not in region.labels:
            continue
        x, y, room = region.labels[layer.main_reference]
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
    for shape in scene.shapes:
        if shape.role in (TRACE, PAD) and shape.layer == layer.id:
            starts, ends = shape.lines.within(view.window, shape.width / 2).legs()
            grid.mark_points(along(view.at_all(starts), view.at_all(ends)), shape.width / 2 * view.scale)
    return grid


def _path_boxes(callout: Callout, at: At) -> Iterator[Box]:
    """Small boxes along a witness path: badges keep off it."""
    for leg in callout.legs:
        points = np.array([at(point) for point in leg.points])
        for x, y in along(points[:-1], points[1:], 8.0).tolist():
            yield x - 6, y - 6, x + 6, y + 6
