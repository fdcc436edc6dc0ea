"""Numbered callouts and region names on a picture, so that none hides another."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from checker.drawing import marks, palette
from checker.drawing.lettering import text, text_width
from checker.drawing.marks import At
from checker.drawing.placement import Badge, Box, Grid, Placer, along
from checker.drawing.scene import PAD, TRACE, Callout, Scene, SceneLayer, leads
from checker.drawing.view import View
from checker.findings import XY

MOST_BADGES = 60  # on one picture; the rest are clustered
CLUSTER = 180.0  # px; marks that find no place of their own and lie in one square of this size share a mark
NAME = 24.0  # px, height of a region's name
TURNS = np.arange(12) * np.pi / 6
SPOTS = np.array([(r * np.cos(a), r * np.sin(a)) for r in (0, 0.3, 0.6, 0.8) for a in TURNS])  # in a unit disc


def callouts_on_board(
    scene: Scene, layer: SceneLayer, view: View, chosen: Sequence[Callout], kept: Sequence[Box] = ()
) -> str:
    """Region names, witness paths, leaders and badges, so that none hides another or the copper it speaks of."""
    copper = _occupied(scene, layer, view, None)
    names, boxes = _region_names(scene, layer, view, copper)
    taken = _occupied(scene, layer, view, frozenset(net for callout in chosen for net in callout.nets))
    for box in (*boxes, *kept):
        taken.mark_box(box)
    return names + "\n" + callout_marks(chosen, view.at, view.box, copper, taken)


def callout_marks(chosen: Sequence[Callout], at: At, frame: Box, copper: Grid, taken: Grid) -> str:
    """Witness paths, leaders, badges and clusters inside a frame; clipped by the document's `frame` clip path.

    Parameters
    ----------
    chosen : callouts by group, the worst first
    copper : what had better stay visible
    taken : what must stay free
    """
    numbered = leads(chosen)
    for callout in chosen:
        _mark_path(taken, callout, at)
    placer = Placer(frame, copper, taken)
    placer.keep_anchors(at(callout.at) for callout in numbered)
    placed = [placer.place(at(c.at), marks.badge_half(c.number)) for c in numbered[:MOST_BADGES]]
    badges = [(callout, badge) for callout, badge in zip(numbered, placed, strict=False) if badge is not None]
    shown = {callout.number for callout, _ in badges}
    clusters = _clusters([at(callout.at) for callout in numbered if callout.number not in shown], placer)
    parts = ['<g clip-path="url(#frame)" fill="none" stroke-linejoin="round" stroke-linecap="round">']
    if len(chosen) == 1 and chosen[0].detour:
        parts.append(marks.detour(chosen[0], at))
    parts += [marks.joined(ring, callout, at) for ring, callout in _rings(chosen).items()]
    parts += [marks.witness(callout, at) for callout in reversed(chosen)]
    parts += [marks.dot(callout, at) for callout in numbered if callout.number not in shown]
    parts.append("</g>")
    parts += [marks.leader(badge) for _, badge in badges]
    parts += [marks.badge_mark(badge.centre, callout) for callout, badge in badges]
    parts += [marks.cluster_mark(badge.centre, count) for badge, count in clusters]
    return "\n".join(parts)


def _rings(chosen: Sequence[Callout]) -> dict[tuple[XY, ...], Callout]:
    """Edges of the copper between legs, each once, with the worst callout whose path hops over it."""
    return {ring: callout for callout in reversed(chosen) for ring in callout.joined}


def _clusters(anchors: Sequence[XY], placer: Placer) -> list[tuple[Badge, int]]:
    """One mark for the places of each square that found none of their own, with how many they are.

    A mark that finds no place either joins the nearest one that did.
    """
    squares: dict[XY, list[XY]] = {}
    for anchor in anchors:
        squares.setdefault((anchor[0] // CLUSTER, anchor[1] // CLUSTER), []).append(anchor)
    placed: list[tuple[Badge, int]] = []
    left: list[tuple[XY, int]] = []
    for members in squares.values():
        centre = (sum(x for x, _ in members) / len(members), sum(y for _, y in members) / len(members))
        badge = placer.place(centre, marks.cluster_half(len(anchors)))
        if badge is not None:
            placed.append((badge, len(members)))
        else:
            left.append((centre, len(members)))
    for centre, count in left if placed else ():
        near = min(range(len(placed)), key=lambda i: math.dist(placed[i][0].anchor, centre))
        placed[near] = (placed[near][0], placed[near][1] + count)
    return placed


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


def _occupied(scene: Scene, layer: SceneLayer, view: View, nets: frozenset[str] | None) -> Grid:
    """Grid of where traces and pads are drawn: those of some nets, or all."""
    grid = Grid(view.box)
    for shape in scene.shapes:
        if shape.role in (TRACE, PAD) and shape.layer == layer.id and (nets is None or shape.net in nets):
            starts, ends = shape.lines.within(view.window, shape.width / 2).legs()
            grid.mark_points(along(view.at_all(starts), view.at_all(ends)), shape.width / 2 * view.scale)
    return grid


def _mark_path(taken: Grid, callout: Callout, at: At) -> None:
    """Keep a witness path free."""
    for leg in callout.legs:
        if leg.hop is not None:
            continue
        points = np.array([at(point) for point in leg.points])
        taken.mark_points(along(points[:-1], points[1:]), 6.0)
