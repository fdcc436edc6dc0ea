"""Sketches to copper: units, places and dictionaries applied, in bulk.

Straight and round things stay exact primitives. Areas contain the true copper where they `grow` (they are copper in the
end) and lie inside it where they do not (they take copper away).
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from parsers.ipc2581 import placement, shapes
from parsers.ipc2581.curves import RADIUS_SLACK, Arcs, Rings, arcs, repaired
from parsers.ipc2581.dictionaries import (
    FILLED,
    FLAT_END,
    HOLLOW,
    ROUND_END,
    SQUARE_END,
    UNSURE_FILL,
    VOID,
    Dictionaries,
    Lines,
)
from parsers.ipc2581.doubting import Doubts
from parsers.ipc2581.features import REFERENCES
from parsers.ipc2581.parts import MAX_PARTS, ORDER_BITS, Parts, joined, nothing
from parsers.ipc2581.sketch import (
    AREA_INFO,
    CAP_END,
    CAP_START,
    FLASH_INFO,
    LEFT,
    NOTHING,
    OUTLINE,
    OWNER,
    PATH,
    PATH_INFO,
    PLACE,
    RING_INFO,
    STRAIGHT,
    UNSAID,
    VERTEX,
    Longs,
    Sketch,
    integers,
    numbers,
)
from parsers.primitives import (
    Bools,
    Conductors,
    Floats,
    Ints,
    Kind,
    Shapes,
    arc_points,
    concatenate,
    conductors,
)
from parsers.trouble import BoardError, Place

FARTHEST = 1e5  # mm; a coordinate beyond 100 m is no board
MAX_OBJECTS = 20_000_000  # copper objects of one board
Rows = npt.NDArray[np.intp]


class Resolver:
    """Turns sketches into parts; shapes of dictionaries are resolved once and reused."""

    def __init__(self, dictionaries: Dictionaries, doubts: Doubts) -> None:
        self._dictionaries = dictionaries
        self._doubts = doubts
        self._lines: Lines = dictionaries.line_table()
        self._fills = dictionaries.fill_table()
        self._keys = list(dictionaries.tables.shapes)
        self._templates: dict[tuple[int, int, bool], Parts] = {}
        self._open: set[int] = set()  # shapes being resolved: a reference to one of them is a circle

    def parts(self, sketch: Sketch, keep: Bools, grow: Bools, override: int = NOTHING) -> Parts:
        """Copper objects of a sketch, in the order in which they are drawn.

        Parameters
        ----------
        keep : which owners to resolve, shape (owners,)
        grow : whether an owner's objects end up as copper, shape (owners,)
        override : line description that replaces all others, for predefined shapes
        """
        unit = self._dictionaries.unit(sketch.unit)
        maps = self._maps(sketch, unit)
        found = [
            self._paths(sketch, maps, unit, keep, override),
            *self._areas(sketch, maps, unit, keep, grow, override),
            *self._flashes(sketch, maps, keep, grow, override),
        ]
        return self._plausible(sketch, joined(found))

    def _maps(self, sketch: Sketch, unit: float) -> Floats:
        places = numbers(sketch.places, PLACE)
        moved = np.flatnonzero((places[:, 0] != 0) | (places[:, 1] != 0))
        if moved.size:
            self._doubts.add(
                "a transform with an offset",
                "its sign is open in the standard; it is added to the shape's coordinates",
                int(sketch.place_lines[moved[0]]),
                count=len(moved),
            )
        return placement.maps(places, integers(sketch.parents, 1)[:, 0], unit)

    def _line_of(self, sketch: Sketch, owner: int) -> int:
        return int(sketch.owners[owner * OWNER + 1])

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
        self._doubt(sketch, parts.owner[~good], "a coordinate beyond 100 m", "the object is left out")
        return parts if good.all() else parts.take(good)

    # ---- paths: Line, Arc, Polyline ----------------------------------------------------------------------------

    def _paths(self, sketch: Sketch, maps: Floats, unit: float, keep: Bools, override: int) -> Parts:
        info = integers(sketch.path_info, PATH_INFO)
        rows = np.flatnonzero(keep[info[:, 1]])
        if rows.size == 0:
            return nothing()
        info, raw = info[rows], numbers(sketch.paths, PATH)[rows]
        line = np.where(override == NOTHING, info[:, 3], override)
        by = maps[info[:, 2]]
        width = self._lines.width[line] * placement.scales(by)
        self._doubt_lines(sketch, info[:, 1], line)
        drawn = width != 0  # a line of width 0 is no copper
        info, raw, line, by, width = info[drawn], raw[drawn], line[drawn], by[drawn], width[drawn]
        width = np.where(np.isnan(width), 0.0, width)
        start, end = placement.move(by, raw[:, 0:2] * unit), placement.move(by, raw[:, 2:4] * unit)
        centre = placement.move(by, raw[:, 4:6] * unit)
        turn = self._said_turns(sketch, info[:, 1], raw[:, 6]) * placement.senses(by)
        objects = self._strokes(sketch, info, (start, end, centre), turn, width / 2)
        parts = Parts(objects, self._lines.dark[line].copy(), info[:, 1].astype(np.int32), info[:, 0] << ORDER_BITS)
        shaped = (self._lines.end[line] != ROUND_END) & (info[:, 4] != 0) & (width > 0)
        if not shaped.any():
            return parts
        ends = np.where(shaped, self._lines.end[line], ROUND_END)
        return joined([parts.take(~shaped), _capped(parts.take(shaped), ends[shaped], info[shaped, 4])])

    def _doubt_lines(self, sketch: Sketch, owners: Longs, line: Longs) -> None:
        missing = np.isnan(self._lines.width[line])
        self._doubt(
            sketch,
            owners[missing],
            "a line without a usable width",
            "only a hair line is drawn for it",
        )
        broken = ~self._lines.solid[line]
        self._doubt(sketch, owners[broken], "a line that is not solid", "it is taken as solid")

    def _said_turns(self, sketch: Sketch, owners: Longs, turn: Floats) -> Floats:
        unsaid = turn == UNSAID
        self._doubt(
            sketch, owners[unsaid], "a curve without a turning sense", "it is taken as counterclockwise; compare it"
        )
        return np.where(unsaid, LEFT, turn)

    def _strokes(
        self, sketch: Sketch, info: Longs, points: tuple[Floats, Floats, Floats], turn: Floats, radius: Floats
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
            real = arc.radius > 0
            curved = curved[real]
            columns = np.column_stack((arc.centre, arc.radius, arc.start, arc.sweep))
            geometry[curved] = columns[real]
            kind[curved] = Kind.ARC
        return conductors(len(turn), kind=kind, geometry=geometry, radius=radius)

    def _doubt_arcs(self, sketch: Sketch, owners: Longs | Ints, arc: Arcs) -> None:
        odd = arc.mismatch > RADIUS_SLACK
        self._doubt(
            sketch, owners[odd], "a curve whose ends differ in radius", "it is drawn round a shifted centre; compare it"
        )
        point = ~(arc.radius > 0)
        self._doubt(sketch, owners[point], "a curve of radius 0", "it is drawn as a straight line; compare it")

    # ---- areas: Contour, Outline -------------------------------------------------------------------------------

    def _areas(self, sketch: Sketch, maps: Floats, unit: float, keep: Bools, grow: Bools, override: int) -> list[Parts]:
        info = integers(sketch.area_info, AREA_INFO)
        kept = keep[info[:, 1]]
        if not kept.any():
            return []
        fill = self._fills[info[:, 3]]
        self._doubt_fills(sketch, info[kept], fill[kept])
        fill = np.where(fill == UNSURE_FILL, FILLED, fill)
        dark = fill != VOID
        line = np.where((info[:, 2] != NOTHING) & (override != NOTHING), override, info[:, 2])
        width = np.where(line == NOTHING, 0.0, self._lines.width[line]) * placement.scales(maps[info[:, 5]])
        self._doubt_lines(sketch, info[kept, 1][line[kept] != NOTHING], line[kept][line[kept] != NOTHING])
        width = np.nan_to_num(width)
        rings, ring_area = self._rings(sketch, maps, unit, kept)
        out = []
        for growing in (True, False):
            rows = np.flatnonzero(kept & (fill != HOLLOW) & ((grow[info[:, 1]] == dark) == growing))
            if rows.size:
                out.append(self._polygons(sketch, info, rows, (rings, ring_area), width, growing, dark))
        hollow = np.flatnonzero(kept & (fill == HOLLOW))
        if hollow.size:
            out.append(self._hollow(sketch, info, hollow, line, maps, unit, keep))
        return out

    def _doubt_fills(self, sketch: Sketch, info: Longs, fill: Ints) -> None:
        unsure = fill == UNSURE_FILL
        self._doubt(sketch, info[unsure, 1], "an area with a hatched or unknown fill", "it is taken as filled")
        bare = (info[:, 4] == OUTLINE) & (info[:, 3] == NOTHING)
        self._doubt(
            sketch, info[bare, 1], "an outline drawn as copper", "whether it is filled is not said; taken as filled"
        )

    def _rings(self, sketch: Sketch, maps: Floats, unit: float, kept: Bools) -> tuple[Rings, Ints]:
        """Rings of the kept areas in board coordinates, and the area of each."""
        info, raw = integers(sketch.ring_info, RING_INFO), numbers(sketch.vertices, VERTEX)
        wanted = kept[info[:, 0]] & (info[:, 1] > 0)
        per_vertex = np.repeat(np.arange(len(info)), info[:, 1])
        vertex = wanted[per_vertex]
        raw, per_vertex = raw[vertex], per_vertex[vertex]
        by = maps[info[per_vertex, 2]]
        owners = integers(sketch.area_info, AREA_INFO)[info[per_vertex, 0], 1]
        number = np.cumsum(wanted) - 1
        rings = Rings(
            placement.move(by, raw[:, 0:2] * unit),
            placement.move(by, raw[:, 2:4] * unit),
            raw[:, 4].copy(),
            number[per_vertex].astype(np.int32),
        )
        turn = self._ring_turns(sketch, rings, owners) * placement.senses(by)
        rings = replace(rings, turn=turn)
        curved = np.flatnonzero(turn != STRAIGHT)
        curved = curved[curved > 0]
        if curved.size:
            arc = arcs(rings.xy[curved - 1], rings.xy[curved], rings.centre[curved], turn[curved])
            self._doubt_arcs(sketch, owners[curved], arc)
        return rings, info[wanted, 0].astype(np.int32)

    def _ring_turns(self, sketch: Sketch, rings: Rings, owners: Longs) -> Floats:
        """Turns with the unsaid ones made counterclockwise, or clockwise where only that gives a valid ring."""
        unsaid = rings.turn == UNSAID
        turn = self._said_turns(sketch, owners, rings.turn)
        for ring in np.unique(rings.ring[unsaid]):
            mine = rings.ring == ring
            alone = replace(
                rings,
                xy=rings.xy[mine],
                centre=rings.centre[mine],
                turn=turn[mine],
                ring=np.zeros(mine.sum(), np.int32),
            )
            other = np.where(unsaid[mine], -turn[mine], turn[mine])
            if not _simple(alone) and _simple(replace(alone, turn=other)):
                turn[mine] = other
        return turn

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
        first = np.ones(len(ring_area), dtype=np.bool_)
        first[1:] = ring_area[1:] != ring_area[:-1]
        mine = np.isin(ring_area, rows)
        lines = all_rings.lines(first == growing)
        polygons, area = _assembled(lines[mine], ring_area[mine], first[mine])
        self._doubt(
            sketch,
            info[np.setdiff1d(rows, area), 1],
            "an area with fewer than three corners",
            "it has no copper of its own; export the board again",
        )
        polygons, area = self._valid(sketch, info, polygons, area, growing)
        edged = width[area] > 0
        if edged.any():
            grown = shapes.widened(polygons[edged], width[area[edged]] / 2, growing)
            polygons[edged] = grown
            polygons, source = shapely.get_parts(polygons, return_index=True)
            area = area[source]
        objects = conductors(len(area), kind=Kind.AREA, area=np.arange(len(area)), areas=polygons)
        return Parts(objects, dark[area].copy(), info[area, 1].astype(np.int32), info[area, 0] << ORDER_BITS)

    def _valid(self, sketch: Sketch, info: Longs, polygons: Shapes, area: Rows, growing: bool) -> tuple[Shapes, Rows]:
        """Polygons with the invalid ones repaired, without those that have no area."""
        bad = np.flatnonzero(~shapely.is_valid(polygons))
        if bad.size:
            pieces, owner, crossing = [], [], []
            for row in bad:
                parts, sure = repaired(polygons[row], growing)
                pieces.extend(parts)
                owner.extend([area[row]] * len(parts))
                if not sure:
                    crossing.append(info[area[row], 1])
            self._doubt(
                sketch, np.array(crossing), "an area whose edge crosses itself", "every part it goes round is taken"
            )
            good = np.ones(len(polygons), dtype=np.bool_)
            good[bad] = False
            extra: Shapes = np.empty(len(pieces), dtype=object)
            extra[:] = pieces
            polygons = np.concatenate((polygons[good], extra))
            area = np.concatenate((area[good], np.array(owner, dtype=area.dtype)))
        solid = shapely.area(polygons) > 0
        return polygons[solid], area[solid]

    def _hollow(
        self, sketch: Sketch, info: Longs, rows: Rows, line: Longs, maps: Floats, unit: float, keep: Bools
    ) -> Parts:
        """Edges of hollow areas as strokes: the steps of their rings, closed."""
        edges = Sketch(sketch.unit, sketch.places, sketch.parents, sketch.place_lines)
        edges.owners = sketch.owners
        ring_info, raw = integers(sketch.ring_info, RING_INFO), numbers(sketch.vertices, VERTEX)
        ends = np.cumsum(ring_info[:, 1])
        for ring in np.flatnonzero(np.isin(ring_info[:, 0], rows)):
            area, count, place = ring_info[ring]
            steps = raw[ends[ring] - count : ends[ring]]
            if count and tuple(steps[-1, :2]) != tuple(steps[0, :2]):
                steps = np.vstack((steps, [[*steps[0, :2], 0, 0, STRAIGHT]]))
            for before, step in itertools.pairwise(steps):
                edges.paths.extend((before[0], before[1], *step))
                edges.path_info.extend((int(info[area, 0]), int(info[area, 1]), int(place), int(line[area]), 0))
        return self._paths(edges, maps, unit, keep, NOTHING)

    # ---- flashes: predefined shapes and standard primitives ----------------------------------------------------

    def _flashes(self, sketch: Sketch, maps: Floats, keep: Bools, grow: Bools, override: int) -> list[Parts]:
        info = integers(sketch.flash_info, FLASH_INFO)
        info = info[keep[info[:, 1]]]
        if len(info) == 0:
            return []
        line = info[:, 4] if override == NOTHING else np.full(len(info), override)
        growing = grow[info[:, 1]]
        kinds, which = np.unique(np.column_stack((info[:, 3], line, growing)), axis=0, return_inverse=True)
        members = np.split(np.argsort(which, kind="stable"), np.cumsum(np.bincount(which.ravel()))[:-1])
        out: list[Parts] = []
        total = 0
        for (shape, own_line, grows), rows in zip(kinds.tolist(), members, strict=True):
            template = self._template(shape, own_line, bool(grows), self._line_of(sketch, int(info[rows[0], 1])))
            total += len(template) * len(rows)
            if total > MAX_OBJECTS:
                raise BoardError(
                    f"draws more than {MAX_OBJECTS} objects, export the board again", Place(self._doubts.file)
                )
            if len(template):
                out.append(_placed(template, info[rows], maps[info[rows, 2]]))
        return out

    def _template(self, shape: int, line: int, grow: bool, source: int) -> Parts:
        """Copper of a shape about its own origin."""
        key = (shape, line, grow)
        if key not in self._templates:
            self._templates[key] = self._made_template(shape, line, grow, source)
        return self._templates[key]

    def _made_template(self, shape: int, line: int, grow: bool, source: int) -> Parts:
        key = self._keys[shape]
        assert isinstance(key, tuple)
        if key[0] not in REFERENCES and key[0] != "PadStackDef":
            return self._standard(key, line, grow, source)
        entry = self._dictionaries.entry(key[0], key[1], key[2] if len(key) > 2 else NOTHING)
        if entry is None and key[0] == "PadStackDef":
            entry = self._dictionaries.shape_named_as_padstack(key[1])
            if entry is not None:
                self._doubts.add("a pad that names a shape as its padstack", "that shape is taken as its land", source)
        if entry is None:
            self._doubts.add(f"no {key[0].removesuffix('Ref')} {key[1]}", "its copper is not known", source)
            return nothing()
        if shape in self._open or len(self._open) > 64:
            self._doubts.add(f"{key[1]} contains itself", "its copper is not known", source)
            return nothing()
        self._open.add(shape)
        self._doubts.include(entry.doubts)
        owners = len(entry.sketch.owners) // OWNER
        found = self.parts(entry.sketch, np.ones(owners, np.bool_), np.full(owners, grow), line)
        self._open.discard(shape)
        if len(found) > MAX_PARTS:
            raise BoardError(
                f"{key[1]} has more than {MAX_PARTS} parts, export the board again", Place(self._doubts.file)
            )
        return found

    def _too_many(self, what: str) -> BoardError:
        return BoardError(f"{what}, export the board again", Place(self._doubts.file))

    def _standard(self, key: tuple[Any, ...], override: int, grow: bool, source: int) -> Parts:
        """A standard primitive with its fill and line."""
        name, unit, attributes, line, fill = key
        get = shapes.Attributes(attributes, self._dictionaries.unit(str(unit)))
        line = override if NOTHING not in (override, line) else line
        width = 0.0 if line == NOTHING else float(np.nan_to_num(self._lines.width[line]))
        filling = int(self._fills[fill])
        try:
            solid = grow == (filling != VOID)
            pieces = shapes.STANDARD[str(name)](get, solid)
            if filling == HOLLOW:
                pieces = shapes.hollow(pieces, width)
            elif width > 0:
                pieces = shapes.bordered(pieces, width, solid)
        except (ValueError, OverflowError) as error:
            self._doubts.add(f"a {name} that cannot be read", f"{error}; its copper is not known", source)
            return nothing()
        self._doubt_standard(str(name), get, filling, grow, source)
        objects = shapes.table([piece for piece in pieces if _has_copper(piece)])
        count = len(objects)
        return Parts(
            objects,
            np.full(count, filling != VOID),
            np.zeros(count, dtype=np.int32),
            np.arange(count, dtype=np.int64) << ORDER_BITS,
        )

    def _doubt_standard(self, name: str, get: shapes.Attributes, filling: int, grow: bool, source: int) -> None:
        if name == "Thermal" and grow:
            self._doubts.add("a Thermal drawn as copper", "the standard has it add and remove; taken as added", source)
        if name == "Text":
            self._doubts.add("text drawn with a font on copper", "its bounding box is taken as copper", source)
        if name in ("RectCham", "RectRound") and not get.all_corners_named:
            self._doubts.add(f"a {name} that does not name all corners", "its shape has two readings", source)
        if filling == UNSURE_FILL:
            self._doubts.add("an area with a hatched or unknown fill", "it is taken as filled", source)


def _has_copper(piece: shapes.Piece) -> bool:
    return piece.polygon.area > 0 if piece.polygon is not None else piece.radius > 0


def _simple(rings: Rings) -> bool:
    line = rings.lines(np.ones(1, dtype=np.bool_))[0]
    return line is not None and bool(shapely.is_valid(shapely.Polygon(line)))


def _assembled(lines: Shapes, area: Ints, first: Bools) -> tuple[Shapes, Rows]:
    """Polygons of rings: the first ring of an area is its edge, the others are its cutouts."""
    there = np.array([line is not None for line in lines], dtype=np.bool_)
    edged = np.unique(area[there & first])
    use = there & np.isin(area, edged)
    if not use.any():
        return np.empty(0, dtype=object), np.empty(0, dtype=np.intp)
    number = np.searchsorted(edged, area[use])
    return shapely.polygons(lines[use], indices=number), edged.astype(np.intp)


def _placed(template: Parts, info: Longs, by: Floats) -> Parts:
    """A shape at many places, in bulk."""
    count, size = len(info), len(template)
    which = np.tile(np.arange(size), count)
    maps = np.repeat(by, size, axis=0)
    objects = template.objects.take(which)
    geometry = objects.geometry
    moved = np.zeros_like(geometry)
    moved[:, 0:2] = placement.move(maps, geometry[:, 0:2])
    stroke = objects.kind == Kind.STROKE
    moved[stroke, 2:4] = placement.move(maps[stroke], geometry[stroke, 2:4])
    arc = objects.kind == Kind.ARC
    moved[arc, 2] = geometry[arc, 2] * placement.scales(maps[arc])
    moved[arc, 3] = placement.turned(maps[arc], geometry[arc, 3])
    moved[arc, 4] = geometry[arc, 4] * placement.senses(maps[arc])
    moved[objects.kind == Kind.AREA] = 0.0
    objects = replace(objects, geometry=moved, radius=objects.radius * placement.scales(maps))
    objects = _moved_shapes(objects, maps)
    order = (np.repeat(info[:, 0], size) << ORDER_BITS) + np.tile(np.arange(size), count)
    return Parts(objects, template.dark[which], np.repeat(info[:, 1], size).astype(np.int32), order)


def _moved_shapes(objects: Conductors, maps: Floats) -> Conductors:
    """Objects with areas and centre lines of their own, moved by the map of each row."""
    columns: dict[str, object] = {}
    for index, pool in (("area", "areas"), ("centre", "centres")):
        own = getattr(objects, index)
        rows = np.flatnonzero(own >= 0)
        copies = getattr(objects, pool)[own[rows]]
        if rows.size:
            xy, owner = shapely.get_coordinates(copies, return_index=True)
            copies = shapely.set_coordinates(copies.copy(), placement.move(maps[rows[owner]], xy))
        number = np.full(len(own), -1, dtype=np.int32)
        number[rows] = np.arange(rows.size)
        columns |= {index: number, pool: copies}
    return replace(objects, **columns)  # type: ignore[arg-type]


def _capped(parts: Parts, end: Ints, caps: Longs) -> Parts:
    """Strokes whose free ends are flat or square: areas that keep their centre line, and discs at joints."""
    objects = parts.objects
    geometry, radius = objects.geometry, objects.radius
    arc = objects.kind == Kind.ARC
    centres = objects.skeletons()
    polygons: Shapes = np.empty(len(parts), dtype=object)
    straight = ~arc
    polygons[straight] = _flat_strokes(geometry[straight], radius[straight], end[straight], caps[straight])
    for row in np.flatnonzero(arc):
        polygons[row] = _flat_arc(geometry[row], float(radius[row]), int(end[row]), int(caps[row]))
    single = np.array([line.geom_type != "LineString" for line in centres], dtype=np.bool_)
    centres[single] = [shapely.LineString([point.coords[0]] * 2) for point in centres[single]]
    index = np.arange(len(parts))
    shaped = conductors(len(parts), kind=Kind.AREA, area=index, areas=polygons, centre=index, centres=centres)
    joints, at = _joints(objects, caps)
    discs = conductors(len(at), kind=Kind.DISC, geometry=joints, radius=radius[at])
    solid = shapely.area(polygons) > 0
    rows = np.concatenate((index[solid], at))
    return Parts(concatenate([shaped.take(solid), discs]), parts.dark[rows], parts.owner[rows], parts.order[rows])


def _flat_strokes(geometry: Floats, radius: Floats, end: Ints, caps: Longs) -> Shapes:
    """Rectangles, longer by the half width at square free ends."""
    along = geometry[:, 2:4] - geometry[:, 0:2]
    length = np.hypot(*along.T)
    along = np.where(length[:, None] > 0, along / np.where(length > 0, length, 1.0)[:, None], np.array([1.0, 0.0]))
    aside = np.column_stack((-along[:, 1], along[:, 0])) * radius[:, None]
    more = np.where(end == SQUARE_END, radius, 0.0)
    start = geometry[:, 0:2] - along * np.where(caps & CAP_START, more, 0.0)[:, None]
    stop = geometry[:, 2:4] + along * np.where(caps & CAP_END, more, 0.0)[:, None]
    rings = np.stack((start - aside, stop - aside, stop + aside, start + aside, start - aside), axis=1)
    result: Shapes = shapely.polygons(rings)
    return result


def _flat_arc(geometry: Floats, radius: float, end: int, caps: int) -> shapely.Geometry:
    """A ring sector, longer by the half width at square free ends."""
    x, y, reach, start, sweep = (float(v) for v in geometry)
    outer = arc_points((x, y), reach + radius, start, sweep, side=1)
    inner = arc_points((x, y), reach - radius, start, sweep) if reach > radius else np.array([[x, y]])
    parts = [shapely.make_valid(shapely.Polygon(np.concatenate((outer, inner[::-1]))))]
    if end == FLAT_END:
        return shapely.union_all(parts)
    sense = 1.0 if sweep > 0 else -1.0
    for cap, angle, way in ((CAP_START, start, -sense), (CAP_END, start + sweep, sense)):
        if caps & cap:
            across = np.array([np.cos(angle), np.sin(angle)])
            ahead = np.array([-across[1], across[0]]) * way * radius
            low, high = np.array([x, y]) + across * (reach - radius), np.array([x, y]) + across * (reach + radius)
            parts.append(shapely.Polygon([low, high, high + ahead, low + ahead]))
    return shapely.union_all(parts)


def _joints(objects: Conductors, caps: Longs) -> tuple[Floats, Rows]:
    """Where strokes with one free end meet the next one: points as disc geometry, and the row of each."""
    arc = objects.kind == Kind.ARC
    g = objects.geometry
    first, last = g[:, 0:2].copy(), g[:, 2:4].copy()
    for ends, angle in ((first, g[:, 3]), (last, g[:, 3] + g[:, 4])):
        ends[arc] = g[arc, 0:2] + g[arc, 2:3] * np.column_stack((np.cos(angle[arc]), np.sin(angle[arc])))
    at_first, at_last = np.flatnonzero(~caps & CAP_START), np.flatnonzero(~caps & CAP_END)
    points = np.zeros((len(at_first) + len(at_last), 5))
    points[:, 0:2] = np.concatenate((first[at_first], last[at_last]))
    return points, np.concatenate((at_first, at_last))
