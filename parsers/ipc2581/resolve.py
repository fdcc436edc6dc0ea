"""Sketches to copper: units, places and dictionaries applied, in bulk.

Straight and round things stay exact primitives. Areas contain the true copper where they `grow`
(they are copper in the end) and lie inside it where they do not (they take copper away).
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import cast

import numpy as np
import numpy.typing as npt
import shapely
from shapely.errors import ShapelyError

from parsers.assembly.diagnostics import Diagnostics
from parsers.ipc2581 import placement, shapes
from parsers.ipc2581.curves import RADIUS_SLACK, Arcs, Rings, arcs, repaired
from parsers.ipc2581.dictionaries import (
    FILLED,
    HOLLOW,
    ROUND_END,
    UNSURE_FILL,
    VOID,
    Dictionaries,
    Lines,
)
from parsers.ipc2581.parts import MAX_PARTS, ORDER_BITS, Parts, joined, nothing
from parsers.ipc2581.sketch import (
    LARGEST,
    LEFT,
    NOTHING,
    OUTLINE,
    STRAIGHT,
    UNSAID,
    Longs,
    Sketch,
)
from parsers.ipc2581.strokes import capped
from parsers.ipc2581.templates import Asked, Templates
from parsers.primitives import (
    Bools,
    Conductors,
    Floats,
    Ints,
    Kind,
    Shapes,
    arc_steps,
    conductors,
)
from parsers.trouble import BoardError, Place

OUT_OF_RANGE = "a coordinate out of range"
MAX_POINTS = 20_000_000  # of the polylines of all curves of a sketch
MAX_REPAIRED = 20_000  # pieces of areas that cross themselves, beyond which hulls are taken
FARTHEST = 1e4  # mm; a coordinate beyond 10 m is no board
MAX_OBJECTS = 5_000_000  # copper objects that predefined shapes may draw on one board
Rows = npt.NDArray[np.intp]


class Resolver:
    """Turns sketches into parts; shapes of dictionaries are resolved once and reused."""

    def __init__(self, dictionaries: Dictionaries, doubts: Diagnostics) -> None:
        self._dictionaries = dictionaries
        self._doubts = doubts
        self._lines: Lines = dictionaries.line_table()
        self._fills = dictionaries.fill_table()
        self._overlaid = dictionaries.tables.overlaid
        self._templates = Templates(dictionaries, (self._lines, self._fills), self._nested, doubts)

    def doubt_overlaid_lines(self) -> None:
        """Inline shapes keep their own line where their Set has one too; the standard is silent on
        it.
        """
        for (own, of_set), line in self._overlaid.items():
            if self._lines.width[own] != self._lines.width[of_set]:
                self._doubts.add(
                    "a line and its Set differ in width",
                    "the line's own width is taken; compare the trace",
                    line,
                )

    def parts(
        self,
        sketch: Sketch,
        keep: Bools,
        grow: Bools,
        override: int = NOTHING,
        *,
        limit: int = MAX_OBJECTS,
    ) -> Parts:
        """Copper objects of a sketch, in the order in which they are drawn.

        Parameters
        ----------
        keep : which owners to resolve, shape (owners,)
        grow : whether an owner's objects end up as copper, shape (owners,)
        override : line description that replaces all others, for predefined shapes
        limit : how many objects predefined shapes may draw

        Raises
        ------
        BoardError : they draw more
        """
        unit = self._dictionaries.unit(sketch.unit)
        maps = self._maps(sketch, unit)
        found = [
            self._paths(sketch, maps, unit, keep, grow, override),
            *self._areas(sketch, maps, unit, keep, grow, override),
            self._flashes(sketch, maps, keep, grow, override, limit),
        ]
        return self._plausible(sketch, joined(found))

    def _maps(self, sketch: Sketch, unit: float) -> Floats:
        places = sketch.places.floats
        moved = np.flatnonzero((places[:, 0] != 0) | (places[:, 1] != 0))
        if moved.size:
            self._doubts.add(
                "a transform with an offset",
                "its sign is open in the standard; it is added to the shape's coordinates",
                int(sketch.places.ints[moved[0], 1]),
                count=len(moved),
            )
        return placement.maps(places, sketch.places.ints[:, 0], unit)

    def _line_of(self, sketch: Sketch, owner: int) -> int:
        return int(sketch.owners.ints[owner, 1])

    def _doubt(self, sketch: Sketch, owners: Ints | Longs, what: str, why: str) -> None:
        """A doubt about the objects of these owners, if any."""
        if len(owners):
            self._doubts.add(what, why, self._line_of(sketch, int(owners[0])), count=len(owners))

    def _plausible(self, sketch: Sketch, parts: Parts) -> Parts:
        """Parts without those whose numbers are no places on a board."""
        if not len(parts):
            return parts
        g = parts.objects.geometry
        good = np.isfinite(g).all(axis=1) & np.isfinite(parts.objects.radius)
        good &= (np.abs(g) < FARTHEST).all(axis=1) & (parts.objects.radius < FARTHEST)
        is_area = parts.objects.kind == Kind.AREA
        bounds = shapely.bounds(parts.objects.areas[parts.objects.area[is_area]])
        good[is_area] &= (np.abs(bounds) < FARTHEST).all(axis=1)
        self._doubt(
            sketch, parts.owner[~good], "a coordinate beyond 10 m", "the object is left out"
        )
        return parts if good.all() else parts.take(good)

    # ---- paths: Line, Arc, Polyline ----------------------------------------------------------------------------

    def _paths(
        self, sketch: Sketch, maps: Floats, unit: float, keep: Bools, grow: Bools, override: int
    ) -> Parts:
        rows = self._in_range_paths(sketch, keep)
        if rows.size == 0:
            return nothing()
        info = sketch.paths.ints[rows]
        line = np.where(override == NOTHING, info[:, 3], override)
        width = self._lines.width[line] * placement.scales(maps[info[:, 2]])
        self._doubt_lines(sketch, info[:, 1], line)
        drawn = width != 0  # a line of width 0 is no copper
        lost = info[~drawn, 1]
        why = "a line of width 0 draws none; export it again"
        self._doubt(sketch, lost[grow[lost]], "copper of size 0", why)
        rows, info, line, width = rows[drawn], info[drawn], line[drawn], width[drawn]
        width = np.where(np.isnan(width), 0.0, width)
        parts = self._drawn(sketch, rows, line, width, maps, unit)
        end, caps = self._lines.end[line], info[:, 4]
        shaped = (end != ROUND_END) & (caps != 0) & (width > 0)
        if not shaped.any():
            return parts
        return joined([parts.take(~shaped), capped(parts.take(shaped), end[shaped], caps[shaped])])

    def _in_range_paths(self, sketch: Sketch, keep: Bools) -> Rows:
        """Paths to keep whose numbers are those of a board; the others are told."""
        owner = sketch.paths.ints[:, 1]
        kept = keep[owner]
        good = (np.abs(sketch.paths.floats) < LARGEST).all(axis=1)
        self._doubt(sketch, owner[kept & ~good], OUT_OF_RANGE, "the line is left out")
        return np.flatnonzero(kept & good)

    def _drawn(
        self, sketch: Sketch, rows: Rows, line: Longs, width: Floats, maps: Floats, unit: float
    ) -> Parts:
        """Some paths as strokes with round ends."""
        info, raw = sketch.paths.ints[rows], sketch.paths.floats[rows]
        by = maps[info[:, 2]]
        start, end, centre = (placement.move(by, raw[:, k : k + 2] * unit) for k in (0, 2, 4))
        turn = self._said_turns(sketch, info[:, 1], raw[:, 6]) * placement.senses(by)
        objects = self._strokes(sketch, info, (start, end, centre), turn, width / 2)
        dark, owner = self._lines.dark[line].copy(), info[:, 1].astype(np.int32)
        return Parts(objects, dark, owner, info[:, 0] << ORDER_BITS)

    def _doubt_lines(self, sketch: Sketch, owners: Longs, line: Longs) -> None:
        missing = np.isnan(self._lines.width[line])
        self._doubt(
            sketch,
            owners[missing],
            "a line without a usable width",
            "only a hair line is drawn for it",
        )
        odd = ~self._lines.plain[line]
        self._doubt(
            sketch,
            owners[odd],
            "a line that is not solid, or of an unknown end",
            "it is taken as solid and round",
        )

    def _said_turns(self, sketch: Sketch, owners: Longs, turn: Floats) -> Floats:
        unsaid = turn == UNSAID
        self._doubt(
            sketch,
            owners[unsaid],
            "a curve without a turning sense",
            "it is taken as counterclockwise; compare it",
        )
        return np.where(unsaid, LEFT, turn)

    def _strokes(
        self,
        sketch: Sketch,
        info: Longs,
        points: tuple[Floats, Floats, Floats],
        turn: Floats,
        radius: Floats,
    ) -> Conductors:
        """Strokes and arc strokes with round ends."""
        start, end, centre = points
        geometry = np.zeros((len(turn), 5))
        geometry[:, 0:2], geometry[:, 2:4] = start, end
        kind = np.full(len(turn), Kind.STROKE, dtype=np.uint8)
        curved = np.flatnonzero(turn != STRAIGHT)
        if curved.size:
            arc = arcs(start[curved], end[curved], centre[curved], turn[curved])
            self._doubt_arcs(sketch, info[curved, 1], arc)
            self._check_points(arc)
            real = arc.radius > 0
            curved = curved[real]
            columns = np.column_stack((arc.centre, arc.radius, arc.start, arc.sweep))
            geometry[curved] = columns[real]
            kind[curved] = Kind.ARC
        return conductors(len(turn), kind=kind, geometry=geometry, radius=radius)

    def _doubt_arcs(self, sketch: Sketch, owners: Longs | Ints, arc: Arcs) -> None:
        odd = arc.mismatch > RADIUS_SLACK
        self._doubt(
            sketch,
            owners[odd],
            "a curve whose ends differ in radius",
            "it is drawn round a shifted centre; compare it",
        )
        point = ~(arc.radius > 0)
        self._doubt(
            sketch,
            owners[point],
            "a curve of radius 0",
            "it is drawn as a straight line; compare it",
        )

    def _check_points(self, arc: Arcs) -> None:
        """Refuse curves that take more points than memory has."""
        if (
            float(arc_steps(np.minimum(arc.radius, FARTHEST), arc.sweep).sum(dtype=np.float64))
            > MAX_POINTS
        ):
            what = f"curves that take more than {MAX_POINTS} points, export the board again"
            raise BoardError(what, Place(self._doubts.file))

    # ---- areas: Contour, Outline -------------------------------------------------------------------------------

    def _areas(
        self, sketch: Sketch, maps: Floats, unit: float, keep: Bools, grow: Bools, override: int
    ) -> list[Parts]:
        info = sketch.areas.ints
        kept = keep[info[:, 1]] & self._in_range(sketch, keep)
        if not kept.any():
            return []
        fill = self._fills[info[:, 4]]
        self._doubt_fills(sketch, info[kept], fill[kept])
        fill = np.where(fill == UNSURE_FILL, FILLED, fill)
        line = np.where((info[:, 3] != NOTHING) & (override != NOTHING), override, info[:, 3])
        edged = kept & (line != NOTHING)
        self._doubt_lines(sketch, info[edged, 1], line[edged])
        width = np.where(line == NOTHING, 0.0, self._lines.width[line])
        width = np.nan_to_num(width * placement.scales(maps[info[:, 2]]))
        rings = self._rings(sketch, maps, unit, kept)
        out, dark = [], fill != VOID
        for growing in (True, False):
            mine = kept & (fill != HOLLOW) & ((grow[info[:, 1]] == dark) == growing)
            if mine.any():
                rows = np.flatnonzero(mine)
                out.append(self._polygons(sketch, info, rows, rings, width, growing, dark))
        hollow = np.flatnonzero(kept & (fill == HOLLOW))
        if hollow.size:
            out.append(self._hollow(sketch, info, hollow, line, maps, unit, keep))
        return out

    def _in_range(self, sketch: Sketch, keep: Bools) -> Bools:
        """Which areas have only numbers that a board may have, shape (areas,)."""
        owners, rings = sketch.areas.ints[:, 1], sketch.rings.ints
        good = np.ones(len(owners), dtype=np.bool_)
        largest = FARTHEST / self._dictionaries.unit(sketch.unit)
        wrong = ~(np.abs(sketch.vertices.floats) < largest).all(axis=1)
        if wrong.any():
            good[np.repeat(rings[:, 0], rings[:, 1])[wrong]] = False
            self._doubt(sketch, owners[~good & keep[owners]], OUT_OF_RANGE, "the area is left out")
        return good

    def _doubt_fills(self, sketch: Sketch, info: Longs, fill: Ints) -> None:
        unsure = fill == UNSURE_FILL
        self._doubt(
            sketch,
            info[unsure, 1],
            "an area with a hatched or unknown fill",
            "it is taken as filled",
        )
        bare = (info[:, 5] == OUTLINE) & (info[:, 4] == NOTHING)
        self._doubt(
            sketch,
            info[bare, 1],
            "an outline drawn as copper",
            "whether it is filled is not said; taken as filled",
        )

    def _rings(self, sketch: Sketch, maps: Floats, unit: float, kept: Bools) -> tuple[Rings, Ints]:
        """Rings of the kept areas in board coordinates, and the area of each."""
        info, raw = sketch.rings.ints, sketch.vertices.floats
        wanted = kept[info[:, 0]] & (info[:, 1] > 0)
        ring = np.repeat(np.arange(len(info)), info[:, 1])
        raw, ring = raw[wanted[ring]], ring[wanted[ring]]
        by = maps[info[ring, 2]]
        owners = sketch.areas.ints[info[ring, 0], 1]
        number = np.cumsum(wanted) - 1
        xy, centre = (placement.move(by, raw[:, k : k + 2] * unit) for k in (0, 2))
        rings = Rings(xy, centre, raw[:, 4].copy(), number[ring].astype(np.int32))
        turn = self._ring_turns(sketch, rings, owners) * placement.senses(by)
        rings = replace(rings, turn=turn)
        self._check_curves(sketch, rings, owners)
        return rings, info[wanted, 0].astype(np.int32)

    def _check_curves(self, sketch: Sketch, rings: Rings, owners: Longs) -> None:
        """Diagnostics on curved steps of rings."""
        curved = np.flatnonzero(rings.turn != STRAIGHT)
        curved = curved[curved > 0]
        if curved.size:
            ends = rings.xy[curved - 1], rings.xy[curved]
            arc = arcs(*ends, rings.centre[curved], rings.turn[curved])
            self._doubt_arcs(sketch, owners[curved], arc)
            self._check_points(arc)

    def _ring_turns(self, sketch: Sketch, rings: Rings, owners: Longs) -> Floats:
        """Turns with the unsaid ones made counterclockwise, or clockwise where only that gives a
        valid ring.
        """
        unsaid = rings.turn == UNSAID
        turn = self._said_turns(sketch, owners, rings.turn)
        some = np.unique(rings.ring[unsaid])
        if not some.size:
            return turn
        mine = np.isin(rings.ring, some)
        number = np.searchsorted(some, rings.ring[mine]).astype(np.int32)
        other = np.where(unsaid, -turn, turn)
        plain, turned = (
            _simple(Rings(rings.xy[mine], rings.centre[mine], way[mine], number))
            for way in (turn, other)
        )
        wrong = np.zeros(int(rings.ring[-1]) + 1, dtype=np.bool_)
        wrong[some] = ~plain & turned
        return np.where(wrong[rings.ring], other, turn)

    def _polygons(
        self,
        sketch: Sketch,
        info: Longs,
        rows: Rows,
        rings: tuple[Rings, Ints],
        width: Floats,
        growing: bool,
        dark: Bools,
    ) -> Parts:
        """Filled areas of the given rows."""
        all_rings, ring_area = rings
        first = np.append(True, ring_area[1:] != ring_area[:-1])[: len(ring_area)]
        mine = np.isin(ring_area, rows)
        lines = all_rings.lines(first == growing)
        polygons, area = _assembled(lines[mine], ring_area[mine], first[mine])
        flat = info[np.setdiff1d(rows, area), 1]
        why = "it has no copper of its own; export the board again"
        self._doubt(sketch, flat, "an area with fewer than three corners", why)
        polygons, area = self._valid(sketch, info, polygons, area, growing)
        edged = width[area] > 0
        if edged.any():
            polygons[edged] = shapes.widened(polygons[edged], width[area[edged]] / 2, growing)
            polygons, source = shapely.get_parts(polygons, return_index=True)
            area = area[source]
        objects = conductors(len(area), kind=Kind.AREA, area=np.arange(len(area)), areas=polygons)
        owner = info[area, 1].astype(np.int32)
        return Parts(objects, dark[area].copy(), owner, info[area, 0] << ORDER_BITS)

    def _valid(
        self, sketch: Sketch, info: Longs, polygons: Shapes, area: Rows, growing: bool
    ) -> tuple[Shapes, Rows]:
        """Polygons with the invalid ones repaired, without those that have no area."""
        good = shapely.is_valid(polygons)
        if not good.all():
            pieces, owner = self._mended(sketch, info, polygons[~good], area[~good], growing)
            extra: Shapes = np.empty(len(pieces), dtype=object)
            extra[:] = pieces
            polygons = np.concatenate((polygons[good], extra))
            area = np.concatenate((area[good], np.array(owner, dtype=area.dtype)))
        solid = shapely.area(polygons) > 0
        return polygons[solid], area[solid]

    def _mended(
        self, sketch: Sketch, info: Longs, polygons: Shapes, area: Rows, growing: bool
    ) -> tuple[list[shapely.Polygon], list[int]]:
        """The parts of invalid polygons, and the area that each is of; crossing edges are told."""
        pieces: list[shapely.Polygon] = []
        owner: list[int] = []
        crossing: list[int] = []
        for polygon, row in zip(polygons, area.tolist(), strict=True):
            parts, sure = _taken_apart(polygon, growing, thorough=len(pieces) < MAX_REPAIRED)
            pieces.extend(parts)
            owner.extend([row] * len(parts))
            if not sure:
                crossing.append(info[row, 1])
        what, why = "an area whose edge crosses itself", "every part it goes round is taken"
        self._doubt(sketch, np.array(crossing), what, why)
        return pieces, owner

    def _hollow(
        self,
        sketch: Sketch,
        info: Longs,
        rows: Rows,
        line: Longs,
        maps: Floats,
        unit: float,
        keep: Bools,
    ) -> Parts:
        """Edges of hollow areas as strokes: the steps of their rings, closed."""
        edges = Sketch(sketch.unit, sketch.places, owners=sketch.owners)
        ring_info, raw = sketch.rings.ints, sketch.vertices.floats
        ends = np.cumsum(ring_info[:, 1])
        for ring in np.flatnonzero(np.isin(ring_info[:, 0], rows)):
            area, count, place = ring_info[ring]
            steps = raw[ends[ring] - count : ends[ring]]
            if count and tuple(steps[-1, :2]) != tuple(steps[0, :2]):
                steps = np.vstack((steps, [[*steps[0, :2], 0, 0, STRAIGHT]]))
            for before, step in itertools.pairwise(steps):
                style = int(info[area, 0]), int(info[area, 1]), int(place), int(line[area]), 0
                edges.paths.add(before[0], before[1], *step, *style)
        return self._paths(edges, maps, unit, keep, np.zeros_like(keep), NOTHING)

    # ---- flashes: predefined shapes and standard primitives ----------------------------------------------------

    def _flashes(
        self, sketch: Sketch, maps: Floats, keep: Bools, grow: Bools, override: int, limit: int
    ) -> Parts:
        info = sketch.flashes.ints
        info = info[keep[info[:, 1]]]
        if len(info) == 0:
            return nothing()
        line = info[:, 4] if override == NOTHING else np.full(len(info), override)
        asked = np.column_stack((info[:, 3], line, grow[info[:, 1]]))
        kinds, first, which = np.unique(asked, axis=0, return_index=True, return_inverse=True)
        sources = [self._line_of(sketch, int(owner)) for owner in info[first, 1]]
        known = [(*kind, source) for kind, source in zip(kinds.tolist(), sources, strict=True)]
        pool = self._templates.pool(cast("list[Asked]", known))
        if int(pool.sizes[which].sum()) > limit:
            what = f"shapes draw more than {limit} objects, export the board again"
            raise BoardError(what, Place(self._doubts.file, sources[0] or None))
        return pool.placed(which.ravel(), info, maps[info[:, 2]])

    def _nested(self, sketch: Sketch, grow: bool, line: int) -> Parts:
        """A shape of a dictionary about its own origin."""
        owners = len(sketch.owners)
        return self.parts(
            sketch, np.ones(owners, np.bool_), np.full(owners, grow), line, limit=MAX_PARTS
        )


def _simple(rings: Rings) -> Bools:
    """Which rings neither touch nor cross themselves, shape (rings,)."""
    count = int(rings.ring[-1]) + 1
    lines = rings.lines(np.ones(count, dtype=np.bool_))
    out = np.zeros(count, dtype=np.bool_)
    there = np.array([line is not None for line in lines], dtype=np.bool_)
    out[there] = shapely.is_valid(shapely.polygons(lines[there]))
    return out


def _taken_apart(
    polygon: shapely.Polygon, grow: bool, *, thorough: bool
) -> tuple[list[shapely.Polygon], bool]:
    """Valid parts of an area; its hull where the geometry library cannot take it apart."""
    try:
        return repaired(polygon, grow, thorough=thorough)
    except ShapelyError:
        return repaired(polygon, grow, thorough=False)


def _assembled(lines: Shapes, area: Ints, first: Bools) -> tuple[Shapes, Rows]:
    """Polygons of rings: the first ring of an area is its edge, the others are its cutouts."""
    there = np.array([line is not None for line in lines], dtype=np.bool_)
    edged = np.unique(area[there & first])
    use = there & np.isin(area, edged)
    if not use.any():
        return np.empty(0, dtype=object), np.empty(0, dtype=np.intp)
    number = np.searchsorted(edged, area[use])
    return shapely.polygons(lines[use], indices=number), edged.astype(np.intp)
