"""Which copper objects a finding speaks of, as file and line: for each of its nets the one that its
witness meets.

Rules tell nets and places; the objects are looked up here, so that no rule has to carry them and
ids cannot depend on them. A net without copper at the witness is told by its nearest object within
`NEARBY`, or by none: never a wrong line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from checker.findings import XY, Finding, Source
from checker.geometry.boxes import BoxIndex, widened
from checker.geometry.corridor import corridor
from parsers.board import PLATED, Board
from parsers.columns import Columns
from parsers.primitives import (
    ARC_TOLERANCE,
    TOUCH,
    Bools,
    Conductors,
    Floats,
    Ints,
    Kind,
    Rows,
    Shapes,
    concatenate,
)
from parsers.primitives import conductors as make_conductors

ON = TOUCH + ARC_TOLERANCE  # mm; copper this near a place lies at it
# mm; how far to look for a net that the witness runs beside, the nearer ring first
NEARBY = (0.5, 5.0)
ENDS = 8  # lines of a witness that are asked from either end
ALIKE = 0.002  # mm; centre lines and edges that meet a place equally well
FAR = 1000.0  # mm; said of what is not there
EVERY_LAYER = -1


@dataclass(frozen=True, slots=True)
class _Asked(Columns):
    """Places at which copper of a net is looked for, as columns; places of one subject stand in
    order of preference.
    """

    subject: Ints  # a net of a finding
    net: Ints
    layer: Ints  # preferred, or EVERY_LAYER
    pads: Ints  # 1 where a pad is preferred to a trace that ends in it
    at: Floats  # (n, 2)
    towards: Floats  # (n, 2), where the witness goes from there

    def __len__(self) -> int:
        return len(self.subject)


def with_sources(board: Board, findings: Sequence[Finding]) -> list[Finding]:
    """Findings in the same order, each with the copper objects of its nets, in the order of its
    nets.
    """
    subjects = [
        (number, net)
        for number, finding in enumerate(findings)
        for net in dict.fromkeys(finding.nets)
    ]
    objects = _Objects(board)
    asked = _asked(board, findings, subjects, objects)
    found: dict[int, int] = {}
    for reach in (ON, *NEARBY):
        left = asked.take(~np.isin(asked.subject, list(found)))
        found |= _nearest(objects, left, reach)
    told: list[list[Source]] = [[] for _ in findings]
    for subject, row in sorted(found.items()):
        number, net = subjects[subject]
        source = _source(board, objects.copper, row, net)
        told[number] += [source] if source else []
    return [
        replace(finding, sources=tuple(sources))
        for finding, sources in zip(findings, told, strict=True)
    ]


class _Objects:
    """Conductors, and below them the walls of plated holes as discs and strokes, with the nets of
    one name as one.
    """

    def __init__(self, board: Board) -> None:
        self.copper = concatenate([board.copper, _walls(board)])
        first = {net.name: number for number, net in reversed(list(enumerate(board.nets)))}
        self.number = first
        same = np.array([first[net.name] for net in board.nets], dtype=np.int32)
        known = self.copper.net >= 0
        self.net = np.full(len(self.copper), -1, dtype=np.int32)
        self.net[known] = same[self.copper.net[known]]


def _walls(board: Board) -> Conductors:
    holes = board.holes
    rows = np.flatnonzero(holes.plated == PLATED)
    ends = holes.ends[rows]
    return make_conductors(
        len(rows),
        kind=np.where((ends[:, :2] == ends[:, 2:]).all(axis=1), Kind.DISC, Kind.STROKE),
        layer=EVERY_LAYER,
        net=holes.net[rows],
        geometry=np.column_stack((ends, np.zeros(len(rows)))),
        radius=holes.radius[rows],
        pad=True,
        file=holes.file[rows],
        line=holes.line[rows],
    )


def _asked(
    board: Board,
    findings: Sequence[Finding],
    subjects: Sequence[tuple[int, str]],
    objects: _Objects,
) -> _Asked:
    layers = {layer.id: number for number, layer in enumerate(board.layers)}
    rows: list[tuple[float, ...]] = []
    for subject, (number, net) in enumerate(subjects):
        if net in objects.number:
            finding = findings[number]
            where = layers.get(_layer(finding, net), EVERY_LAYER)
            about = (subject, objects.number[net], where, bool(finding.components))
            rows += [(*about, *at, *towards) for at, towards in _places(finding)]
    table = np.array(rows, dtype=np.float64).reshape(-1, 8)
    subject, net, layer, pads = table[:, :4].astype(np.int32).T
    return _Asked(subject, net, layer, pads, table[:, 4:6], table[:, 6:8])


def _layer(finding: Finding, net: str) -> str:
    """The layer on which the finding sees a net; an empty string if it does not tell."""
    if finding.net_layers:
        return finding.net_layers[finding.nets.index(net)]
    return finding.layer or ""


def _places(finding: Finding) -> Iterator[tuple[XY, XY]]:
    """The ends of the witness, each with the point that the witness runs to from there; then the
    finding's place.

    A way over hundreds of pieces of copper is asked at its first and last ones: there its nets lie.
    """
    lines = finding.path
    for line in lines if len(lines) <= 2 * ENDS else (*lines[:ENDS], *lines[-ENDS:]):
        yield line[0], line[min(1, len(line) - 1)]
        yield line[-1], line[max(-2, -len(line))]
    yield finding.at, finding.at


def _nearest(objects: _Objects, asked: _Asked, reach: float) -> dict[int, int]:
    """Per subject the row of its net that meets the first of its places best, among those within
    reach.
    """
    if not len(asked):
        return {}
    rows = np.flatnonzero(np.isin(objects.net, asked.net))
    boxes = objects.copper.take(rows).bounds()
    places = np.hstack((asked.at, asked.at))
    # an index of a whole board takes seconds
    some, _, _ = corridor(boxes, places, np.empty((0, 4)), reach)
    rows, boxes = rows[some], boxes[some]
    ask, near = BoxIndex(boxes).meeting(widened(places, reach))
    fits = objects.net[rows[near]] == asked.net[ask]
    part = objects.copper.take(rows)
    met = _met(part, asked, ask[fits], near[fits], reach)
    order = np.lexsort((*_merits(part, asked, met, reach), asked.subject[met.ask]))
    subjects, first = np.unique(asked.subject[met.ask][order], return_index=True)
    return dict(zip(subjects.tolist(), rows[met.near[order[first]]].tolist(), strict=True))


@dataclass(frozen=True, slots=True)
class _Met(Columns):
    """Copper within reach of places."""

    ask: Rows
    near: Rows  # of the copper
    skeleton: Shapes
    radius: Floats
    away: Floats  # the place from the skeleton, mm


def _met(part: Conductors, asked: _Asked, ask: Rows, near: Rows, reach: float) -> _Met:
    skeletons, radius = part.skeletons(near), part.radius[near]
    area = part.kind[near] == Kind.AREA
    away = _away(skeletons, area & (reach <= ON), asked.at[ask])
    return _Met(ask, near, skeletons, radius, away).take(away - radius <= reach)


def _merits(part: Conductors, asked: _Asked, met: _Met, reach: float) -> tuple[Any, ...]:
    """What makes copper meet a place worse, what counts most last."""
    ask, near, at = met.ask, met.near, asked.at[met.ask]
    exact = reach <= ON
    beyond = np.maximum(met.away - met.radius, 0.0)
    off = _misfit(part, near, met.skeleton, at, met.away) if exact else beyond
    onward = _away(met.skeleton, part.kind[near] == Kind.AREA, asked.towards[ask]) - met.radius
    chosen, layer = asked.layer[ask], part.layer[near]
    wall = layer == EVERY_LAYER
    return (
        near,
        part.line[near],
        part.file[near],
        _step(np.maximum(onward, 0.0)),
        part.pad[near] != asked.pads[ask].astype(bool),
        wall,
        _step(off),
        ask if exact else np.zeros_like(ask),
        (layer != chosen) & ~wall & (chosen != EVERY_LAYER),
    )


def _away(skeletons: Shapes, rough: Bools, at: Floats) -> Floats:
    """Distances of places from skeletons, pairwise; of the rough ones only whether they lie on
    them, 0 or FAR.

    A pour may have a hundred thousand corners and meet thousands of places: prepared, it answers
    each at once.
    """
    points = shapely.points(at)
    out: Floats = np.empty(len(points))
    out[~rough] = shapely.distance(skeletons[~rough], points[~rough])
    shapely.prepare(skeletons[rough])
    out[rough] = np.where(shapely.dwithin(skeletons[rough], points[rough], ON), 0.0, FAR)
    return out


def _misfit(part: Conductors, near: Rows, skeletons: Shapes, at: Floats, away: Floats) -> Floats:
    """How far places lie from the centre line of each conductor or from its edge, whichever is
    nearer.
    """
    radius = part.radius[near]
    off: Floats = np.minimum(away, np.abs(away - radius))
    areas = np.flatnonzero(part.kind[near] == Kind.AREA)
    # a pour meets many places
    rows, first, which = np.unique(near[areas], return_index=True, return_inverse=True)
    lines = shapely.boundary(skeletons[areas[first]])
    cut = part.centre[rows] >= 0
    lines[cut] = shapely.union(lines[cut], part.centres[part.centre[rows[cut]]])
    off[areas] = _away(lines[which.ravel()], np.ones(len(areas), dtype=np.bool_), at[areas])
    return off


def _step(distance: Floats) -> Floats:
    steps: Floats = np.floor(distance / ALIKE)
    return steps


def _source(board: Board, copper: Conductors, row: int, net: str) -> Source | None:
    """Where an object stands; none where its file is not told, no line where it is made of
    several.
    """
    file = int(copper.file[row])
    if not 0 <= file < len(board.files):
        return None
    return Source(net, board.files[file].path, int(copper.line[row]) or None)
