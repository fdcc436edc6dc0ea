"""Predefined shapes: each is worked out once about its own origin, then placed everywhere in
bulk.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from shapely.errors import ShapelyError

from parsers.assembly.diagnostics import Diagnostics
from parsers.ipc2581 import placement, shapes
from parsers.ipc2581.dictionaries import HOLLOW, UNSURE_FILL, VOID, Dictionaries, Entry, Lines
from parsers.ipc2581.features import REFERENCES
from parsers.ipc2581.parts import ORDER_BITS, Parts
from parsers.ipc2581.sketch import NOTHING, Longs, Sketch
from parsers.primitives import Bools, Conductors, Floats, Ints, Kind, concatenate

DEEPEST = 64  # references in references

# shape, line description laid over it, whether it grows, line in the file
Asked = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Template:
    """A shape about its own origin: pieces of a standard primitive, or parts of a dictionary
    entry.
    """

    pieces: tuple[shapes.Piece, ...] = ()
    dark: bool = True  # of the pieces
    parts: Parts | None = None

    def __len__(self) -> int:
        return len(self.pieces) if self.parts is None else len(self.parts)


@dataclass(frozen=True, slots=True)
class Pool:
    """Templates one below the other: template i has `sizes[i]` rows from `starts[i]` on."""

    objects: Conductors
    dark: Bools
    starts: Longs
    sizes: Longs

    def placed(self, which: Longs, info: Longs, by: Floats) -> Parts:
        """The templates `which` at their places.

        Parameters
        ----------
        info : rows of Sketch.flash_info
        by : map of each row
        """
        sizes = self.sizes[which]
        flash = np.repeat(np.arange(len(which)), sizes)
        nth = np.arange(len(flash)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
        rows = self.starts[which][flash] + nth
        objects = moved(self.objects.take(rows), by[flash])
        return Parts(
            objects,
            self.dark[rows],
            info[flash, 1].astype(np.int32),
            (info[flash, 0] << ORDER_BITS) + nth,
        )


class Templates:
    """Works templates out when they are first asked for.

    Parameters
    ----------
    styles : line descriptions and fills by index
    resolve : gives the parts of a sketch, by whether it grows and the line description laid over it
    """

    def __init__(
        self,
        dictionaries: Dictionaries,
        styles: tuple[Lines, Ints],
        resolve: Callable[[Sketch, bool, int], Parts],
        doubts: Diagnostics,
    ) -> None:
        self._dictionaries = dictionaries
        self._lines, self._fills = styles
        self._resolve = resolve
        self._doubts = doubts
        self._keys = list(dictionaries.tables.shapes)
        self._made: dict[tuple[int, int, bool], Template] = {}
        # shapes being worked out: a reference to one of them is a circle
        self._open: list[int] = []

    def pool(self, asked: Sequence[Asked]) -> Pool:
        """Templates of the asked shapes."""
        made = [
            self._template(shape, line, bool(grow), source) for shape, line, grow, source in asked
        ]
        standard = [template for template in made if template.parts is None]
        others = [template.parts for template in made if template.parts is not None]
        plain = shapes.table([piece for template in standard for piece in template.pieces])
        objects = concatenate([plain, *(parts.objects for parts in others)])
        dark = [np.full(len(template), template.dark, dtype=np.bool_) for template in standard]
        dark += [parts.dark for parts in others] + [np.empty(0, dtype=np.bool_)]
        sizes = np.array([len(template) for template in made], dtype=np.int64)
        late = np.array([template.parts is not None for template in made], dtype=np.bool_)
        order = np.argsort(late, kind="stable")
        starts = np.empty(len(made), dtype=np.int64)
        starts[order] = np.cumsum(sizes[order]) - sizes[order]
        return Pool(objects, np.concatenate(dark), starts, sizes)

    def _template(self, shape: int, line: int, grow: bool, source: int) -> Template:
        key = (shape, line, grow)
        if key not in self._made:
            self._made[key] = self._worked_out(shape, line, grow, source)
        return self._made[key]

    def _worked_out(self, shape: int, line: int, grow: bool, source: int) -> Template:
        key: tuple[Any, ...] = self._keys[shape]  # type: ignore[assignment]
        if key[0] not in REFERENCES and key[0] != "PadStackDef":
            return self._standard(key, line, grow, source)
        entry = self._entry(key, source)
        if entry is None:
            self._doubts.add(
                f"no {key[0].removesuffix('Ref')} {key[1]}", "its copper is not known", source
            )
            return Template()
        if shape in self._open or len(self._open) >= DEEPEST:
            deep = (
                "contains itself" if shape in self._open else f"is nested more than {DEEPEST} deep"
            )
            self._doubts.add(f"{key[1]} {deep}", "its copper is not known", source)
            return Template()
        self._doubts.include(entry.doubts)
        self._open.append(shape)
        parts = self._resolve(entry.sketch, grow, line)
        self._open.pop()
        return Template(parts=parts)

    def _entry(self, key: tuple[Any, ...], source: int) -> Entry | None:
        entry = self._dictionaries.entry(key[0], key[1], key[2] if len(key) > 2 else NOTHING)
        if entry is None and key[0] == "PadStackDef":
            entry = self._dictionaries.shape_named_as_padstack(key[1])
            if entry is not None:
                self._doubts.add(
                    "a pad that names a shape as its padstack",
                    "that shape is taken as its land",
                    source,
                )
        return entry

    def _standard(self, key: tuple[Any, ...], override: int, grow: bool, source: int) -> Template:
        """A standard primitive with its fill and line."""
        name, unit, attributes, own, fill = key
        get = shapes.Attributes(attributes, self._dictionaries.unit(unit))
        line = override if NOTHING not in (override, own) else own
        filling = int(self._fills[fill])
        width = self._width(line, filling, source)
        try:
            solid = grow == (filling != VOID)
            pieces = shapes.STANDARD[name](get, solid)
            if filling == HOLLOW:
                pieces = shapes.hollow(pieces, width)
            elif width > 0:
                pieces = shapes.bordered(pieces, width, solid)
        except (ValueError, OverflowError, ShapelyError) as error:
            self._doubts.add(
                f"a {name} that cannot be read", f"{error}; its copper is not known", source
            )
            return Template()
        self._doubt_standard(name, get, filling, grow, source)
        return Template(tuple(piece for piece in pieces if _has_copper(piece)), filling != VOID)

    def _width(self, line: int, filling: int, source: int) -> float:
        """Width of the line about a shape, 0 if it has none."""
        if line == NOTHING and filling != HOLLOW:
            return 0.0
        width = float(self._lines.width[line])
        if np.isnan(width):
            self._doubts.add(
                "a line without a usable width", "the line about a shape is left out", source
            )
            return 0.0
        return width

    def _doubt_standard(
        self, name: str, get: shapes.Attributes, filling: int, grow: bool, source: int
    ) -> None:
        if name == "Thermal" and grow:
            self._doubts.add(
                "a Thermal drawn as copper",
                "the standard has it add and remove; it is taken as added",
                source,
            )
        if name == "Text":
            self._doubts.add(
                "text drawn with a font on copper", "its bounding box is taken as copper", source
            )
        if name in ("RectCham", "RectRound") and not get.all_corners_named:
            self._doubts.add(
                f"a {name} that does not name all corners", "its shape has two readings", source
            )
        if filling == UNSURE_FILL:
            self._doubts.add(
                "an area with a hatched or unknown fill", "it is taken as filled", source
            )


def _has_copper(piece: shapes.Piece) -> bool:
    return piece.polygon.area > 0 if piece.polygon is not None else piece.radius > 0


def moved(objects: Conductors, maps: Floats) -> Conductors:
    """Objects moved, each by its own map; shared polygons are copied."""
    geometry = objects.geometry
    out = np.zeros_like(geometry)
    out[:, 0:2] = placement.move(maps, geometry[:, 0:2])
    stroke = objects.kind == Kind.STROKE
    out[stroke, 2:4] = placement.move(maps[stroke], geometry[stroke, 2:4])
    arc = objects.kind == Kind.ARC
    out[arc, 2] = geometry[arc, 2] * placement.scales(maps[arc])
    out[arc, 3] = placement.turned(maps[arc], geometry[arc, 3])
    out[arc, 4] = geometry[arc, 4] * placement.senses(maps[arc])
    out[objects.kind == Kind.AREA] = 0.0
    objects = replace(objects, geometry=out, radius=objects.radius * placement.scales(maps))
    return _with_moved_shapes(objects, maps)


def _with_moved_shapes(objects: Conductors, maps: Floats) -> Conductors:
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
