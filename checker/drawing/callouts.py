"""Numbered callouts and region names on a picture, so that none hides another."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from checker.drawing import marks, palette
from checker.drawing.lettering import text, text_width
from checker.drawing.marks import At
from checker.drawing.placement import Badge, Box, Grid, Placer, along
from checker.drawing.scene import PAD, TRACE, Callout, Scene, SceneLayer, leads
from checker.drawing.view import View
from checker.findings import XY
from parsers.primitives import Floats

MOST_BADGES = 60  # on one picture; the rest are clustered
# px; marks that find no place of their own and lie in one square of this size share a mark
CLUSTER = 180.0
NAME = 24.0  # px, height of a region's name
TURNS = np.arange(12) * np.pi / 6
# in a unit disc
SPOTS = np.array([(r * np.cos(a), r * np.sin(a)) for r in (0, 0.3, 0.6, 0.8) for a in TURNS])


def callouts_on_board(
    scene: Scene, layer: SceneLayer, view: View, chosen: Sequence[Callout], kept: Sequence[Box] = ()
) -> str:
    """Region names, witness paths, leaders and badges, so that none hides another or the copper it
    speaks of.
    """
    copper = _occupied(scene, layer, view, None)
    names, boxes = _region_names(scene, layer, view, copper)
    taken = _occupied(
        scene, layer, view, frozenset(net for callout in chosen for net in callout.nets)
    )
    for box in (*boxes, *kept):
        taken.mark_box(box)
    return names + "\n" + callout_marks(chosen, view.at, view.box, copper, taken)


def callout_marks(chosen: Sequence[Callout], at: At, frame: Box, copper: Grid, taken: Grid) -> str:
    """Witness paths, leaders, badges and clusters inside a frame; clipped by the document's `frame`
    clip path.

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
    badges = _badges(numbered[:MOST_BADGES], at, placer)
    rest = [callout for callout in numbered if callout not in badges]
    clusters = _clusters([at(callout.at) for callout in rest], placer)
    parts = [
        '<g clip-path="url(#frame)" fill="none" stroke-linejoin="round" stroke-linecap="round">',
        *_paths(chosen, at),
        *(marks.dot(callout, at) for callout in rest),
        "</g>",
        *(marks.leader(badge) for badge in badges.values()),
        *(marks.badge_mark(badge.centre, callout) for callout, badge in badges.items()),
        *(marks.cluster_mark(cluster.badge.centre, cluster.count) for cluster in clusters),
    ]
    return "\n".join(parts)


def _badges(numbered: Sequence[Callout], at: At, placer: Placer) -> dict[Callout, Badge]:
    """Badges of those that find a place."""
    placed = {
        callout: placer.place(at(callout.at), marks.badge_half(callout.number))
        for callout in numbered
    }
    return {callout: badge for callout, badge in placed.items() if badge is not None}


def _paths(chosen: Sequence[Callout], at: At) -> Iterator[str]:
    """Return current of a single finding, copper on the way, witness paths, the worst on top."""
    if len(chosen) == 1 and chosen[0].detour:
        yield marks.detour(chosen[0], at)
    yield from (marks.joined(ring, callout, at) for ring, callout in _rings(chosen).items())
    yield from (marks.witness(callout, at) for callout in reversed(chosen))


def _rings(chosen: Sequence[Callout]) -> dict[tuple[XY, ...], Callout]:
    """Edges of the copper between legs, each once, with the worst callout whose path hops over
    it.
    """
    return {ring: callout for callout in reversed(chosen) for ring in callout.joined}


@dataclass(frozen=True, slots=True)
class Cluster:
    """A mark that stands for several places."""

    badge: Badge
    count: int


def _clusters(anchors: Sequence[XY], placer: Placer) -> list[Cluster]:
    """One mark for the places of each square that found none of their own, with how many they are.

    A mark that finds no place either joins the nearest one that did.
    """
    placed: list[Cluster] = []
    left: list[Sequence[XY]] = []
    for members in _squares(anchors):
        badge = placer.place(_centre(members), marks.cluster_half(len(anchors)))
        if badge is None:
            left.append(members)
        else:
            placed.append(Cluster(badge, len(members)))
    for crowd in left if placed else ():
        near = min(placed, key=lambda cluster: math.dist(cluster.badge.anchor, _centre(crowd)))
        placed[placed.index(near)] = replace(near, count=near.count + len(crowd))
    return placed


def _squares(anchors: Sequence[XY]) -> Iterable[list[XY]]:
    """Anchors by the square of the picture that they lie in."""
    squares: dict[XY, list[XY]] = {}
    for anchor in anchors:
        squares.setdefault((anchor[0] // CLUSTER, anchor[1] // CLUSTER), []).append(anchor)
    return squares.values()


def _centre(points: Sequence[XY]) -> XY:
    x, y = np.mean(points, axis=0).tolist()
    return x, y


def _region_names(
    scene: Scene, layer: SceneLayer, view: View, copper: Grid
) -> tuple[str, list[Box]]:
    """Each region's name on its largest pour, where it hides the least copper; returns markup and
    boxes taken.
    """
    parts, boxes = [], []
    for region in scene.regions:
        if layer.main_reference not in region.labels:
            continue
        half = np.array([text_width(region.name, NAME, bold=True) / 2 + 4, NAME / 2 + 4])
        spots = _spots(region.labels[layer.main_reference], view, half)
        if not len(spots):
            continue
        covered = np.hstack((spots - half, spots + half))
        best = int(np.argmin(copper.share(covered)))
        parts.append(_name(region.name, *spots[best].tolist()))
        boxes.append(tuple(covered[best].tolist()))
    return "\n".join(parts), boxes


def _spots(label: tuple[float, float, float], view: View, half: Floats) -> Floats:
    """Places round the middle of a pour where a name of some extent stays on it and in view."""
    x, y, room = label
    spots = np.array(view.at((x, y))) + room * view.scale * SPOTS
    low, high = np.array(view.box[:2]) + half, np.array(view.box[2:]) - half
    on_pour = room * view.scale * (1 - np.hypot(*SPOTS.T)) > half[0]
    in_view = ((spots > low) & (spots < high)).all(axis=1)
    free: Floats = spots[on_pour & in_view]
    return free


def _name(name: str, x: float, y: float) -> str:
    halo = f'stroke="{palette.PAPER}" stroke-width="5" paint-order="stroke" stroke-linejoin="round"'
    words = text(x, y + NAME / 3, name, NAME, colour=palette.INK, bold=True, anchor="middle")
    return f"<g {halo}>{words}</g>"


def _occupied(scene: Scene, layer: SceneLayer, view: View, nets: frozenset[str] | None) -> Grid:
    """Grid of where traces and pads are drawn: those of some nets, or all."""
    grid = Grid(view.box)
    for shape in scene.shapes:
        if (
            shape.role in (TRACE, PAD)
            and shape.layer == layer.id
            and (nets is None or shape.net in nets)
        ):
            starts, ends = shape.lines.within(view.window, shape.width / 2).legs()
            grid.mark_points(
                along(view.at_all(starts), view.at_all(ends)), shape.width / 2 * view.scale
            )
    return grid


def _mark_path(taken: Grid, callout: Callout, at: At) -> None:
    """Keep a witness path free."""
    for leg in callout.legs:
        if leg.hop is not None:
            continue
        points = np.array([at(point) for point in leg.points])
        taken.mark_points(along(points[:-1], points[1:]), 6.0)
