"""What one layer draws, object by object, and the copper that remains when clear objects have
acted.

Both copper formats draw in order: a dark object adds, a clear one removes whatever lies below it,
whatever the net (The Gerber Layer Format Specification 2023.08, 2.3.2; IPC-2581, order of Sets).
`compose` is that rule.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from parsers.assembly.repeats import repeated_later
from parsers.boxes import meeting, meeting_each_other
from parsers.primitives import (
    TOUCH,
    Bools,
    Conductors,
    Kind,
    Rows,
    Shapes,
    concatenate,
    conductors,
    each,
)
from parsers.trouble import BoardError, Doubt

# objects that are cleared in one go, so that a plane full of clears has bounded memory
BATCH = 2_000
MAX_CLEARINGS = 3_000_000  # pairs of a dark object and a clear one over it, in one layer
# decimals of a mm; corners of clear shapes are rounded to them, far below what the format tells
# apart
GRID = 7


@dataclass(frozen=True, slots=True)
class Image:
    """Objects of one layer in file order. The columns net, component, pin and function of `objects`
    index the name tables of this image (or are -1 / UNKNOWN_NET); a reader of whole boards
    translates them to the board's tables.
    """

    objects: Conductors
    dark: Bools  # (n,), False = clears what came before it
    nets: tuple[
        tuple[str, ...], ...
    ] = ()  # several names: the object falls apart into pieces of these nets
    components: tuple[str, ...] = ()
    pins: tuple[tuple[str, str], ...] = ()  # (number, name)
    functions: tuple[str, ...] = ()
    # of the file, ".FileFunction" and so on
    attributes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    doubts: tuple[Doubt, ...] = ()


def compose(
    image: Image, *, profile: shapely.Geometry | None = None, negative: bool = False
) -> Conductors:
    """Copper that remains: dark objects less the clear ones after them.

    Only objects that a later clear object touches change: they become AREA rows (one per connected
    piece) that keep what is left of their centre line. What a later object repeats in every respect
    is left out. Clear shapes are taken no larger than they are, dark ones no smaller.

    Parameters
    ----------
    profile : board material, needed where `negative`
    negative : the image shows where copper is missing (`.FilePolarity,Negative`): copper is the
        profile less the image
    """
    objects, dark = image.objects, image.dark
    if negative:
        return _negative(image, profile)
    # an aperture of size 0 leaves no image
    inked = (objects.radius > 0) | (objects.kind == Kind.AREA)
    inked[np.flatnonzero(dark)[repeated_later(objects.take(dark))]] = False
    if dark.all():
        return objects if inked.all() else objects.take(inked)
    rows, remains = _cleared(objects, np.flatnonzero(dark & inked), np.flatnonzero(~dark & inked))
    whole = dark & inked
    whole[rows] = False
    kept = np.flatnonzero(whole)
    cut, owner = _pieces(objects, rows, remains)
    table = concatenate([objects.take(kept), cut])
    order = np.argsort(np.concatenate((kept, owner)), kind="stable")
    return table.take(order)


def _cleared(
    objects: Conductors, dark: Rows, clear: Rows, *, inside: bool = False
) -> tuple[Rows, Shapes]:
    """Find the dark objects that later clear ones touch, and what is left of each.

    Dark shapes are circumscribed and clear ones inscribed, or (`inside`) the other way round.
    """
    clear = _last_of_equals(objects, clear)
    removers = _on_grid(objects.shapes(clear, inside=not inside))
    row, remover = _clearings(objects, dark, clear, removers, inside)
    rows, counts = np.unique(row, return_counts=True)
    groups = np.split(removers[remover], np.cumsum(counts)[:-1])
    left = [
        _subtract(objects.shapes(rows[part], inside=inside), groups[part[0] : part[-1] + 1])
        for part in each(np.arange(len(rows)), BATCH)
    ]
    return rows, np.concatenate([*left, np.empty(0, dtype=object)])


def _last_of_equals(objects: Conductors, clear: Rows) -> Rows:
    """Leave out clears that are drawn again later in the very same place."""
    part = objects.take(clear)
    area = np.where(part.kind == Kind.AREA, clear, -1)  # areas count as different
    key = np.column_stack((part.kind, area, part.radius, part.geometry))
    _, last = np.unique(key[::-1], axis=0, return_index=True)
    return clear[np.sort(len(clear) - 1 - last)]


def _on_grid(shapes: Shapes) -> Shapes:
    """Round corners, so that clears drawn edge to edge leave no hair of copper between them."""
    rounded: Shapes = shapely.set_coordinates(
        shapes, np.round(shapely.get_coordinates(shapes), GRID)
    )
    return rounded


def _clearings(
    objects: Conductors, dark: Rows, clear: Rows, removers: Shapes, inside: bool
) -> tuple[Rows, Rows]:
    """Pairs of a dark row and the position of a clear object later in the file that touches it, sorted."""
    tree = shapely.STRtree(removers)
    near = dark[_among(len(dark), meeting(objects.take(dark).bounds(), shapely.bounds(removers)))]
    found: list[tuple[Rows, Rows]] = [(dark[:0], clear[:0])]
    total = 0
    for part in each(near, BATCH):
        shape, other = tree.query(objects.shapes(part, inside=inside), predicate="intersects")
        later = clear[other] > part[shape]
        total += int(later.sum())
        if total > MAX_CLEARINGS:
            raise BoardError(
                f"clear objects lie over others more than {MAX_CLEARINGS} times; simplify the layer"
            )
        found.append((part[shape[later]], other[later]))
    row, remover = (np.concatenate(column) for column in zip(*found, strict=True))
    order = np.lexsort((remover, row))
    return row[order], remover[order]


def _among(count: int, pairs: Iterable[tuple[Rows, Rows]]) -> Rows:
    """Which of `count` numbers stand first in some pairs."""
    met = np.zeros(count, dtype=np.bool_)
    for first, _ in pairs:
        met[first] = True
    return np.flatnonzero(met)


def _subtract(shapes: Shapes, removers: list[Shapes]) -> Shapes:
    """Subtract from each shape all of its removers; those with a single one in bulk."""
    left = shapes.copy()
    single = np.array([len(group) == 1 for group in removers], dtype=np.bool_)
    if single.any():
        left[single] = shapely.difference(
            shapes[single], np.concatenate([g for g in removers if len(g) == 1])
        )
    for row in np.flatnonzero(~single):
        left[row] = _without(shapes[row], removers[row])
    return left


def _without(shape: shapely.Geometry, removers: Shapes) -> shapely.Geometry:
    """Subtract removers from one shape; those that lie inside it, each on its own, become holes as they are."""
    alone = _alone_inside(shape, removers)
    rest = removers[~alone]
    if len(rest):
        shape = shapely.difference(shape, shapely.disjoint_subset_union_all(rest))
    if shape.geom_type != "Polygon" or not alone.any():
        return (
            shape
            if not alone.any()
            else shapely.difference(shape, shapely.multipolygons(removers[alone]))
        )
    holes = np.concatenate(
        (shapely.get_rings(shape)[1:], shapely.get_exterior_ring(removers[alone]))
    )
    return shapely.Polygon(shapely.get_exterior_ring(shape), holes)


def _alone_inside(shape: shapely.Geometry, removers: Shapes) -> Bools:
    """Removers of one ring that lie in the interior of a shape and meet no other remover."""
    alone: Bools = shapely.get_num_interior_rings(removers) == 0
    if shape.geom_type != "Polygon":
        return np.zeros_like(alone)
    for i, j in meeting_each_other(shapely.bounds(removers)):
        touch = shapely.intersects(removers[i], removers[j])
        alone[i[touch]] = alone[j[touch]] = False
    shapely.prepare(shape)
    alone[alone] = shapely.contains_properly(shape, removers[alone])
    return alone


def _pieces(objects: Conductors, rows: Rows, remains: Shapes) -> tuple[Conductors, Rows]:
    """Make area rows of what is left, one for each connected piece, and tell the object that each
    came from.
    """
    parts, owner = shapely.get_parts(remains, return_index=True)
    solid = (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & (shapely.area(parts) > 0)
    solid[solid] = ~_slivers(parts[solid])
    parts, source = parts[solid], rows[owner[solid]]
    centres = _centre_lines(objects, source, parts)
    some = ~shapely.is_empty(centres)
    pieces = replace(
        objects.take(source),
        kind=np.full(len(parts), Kind.AREA, dtype=np.uint8),
        geometry=np.zeros((len(parts), 5)),
        radius=np.zeros(len(parts)),
        area=np.arange(len(parts), dtype=np.int32),
        areas=parts,
        centre=np.where(some, np.cumsum(some) - 1, -1).astype(np.int32),
        centres=centres[some],
    )
    return pieces, source


def _slivers(parts: Shapes) -> Bools:
    """Tell pieces so thin that they may be left over only because round copper and round clears are
    polygons.
    """
    thin: Bools = 2 * shapely.area(parts) < TOUCH * shapely.length(parts)
    thin[thin] = shapely.is_empty(shapely.buffer(parts[thin], -TOUCH / 2))
    return thin


def _centre_lines(objects: Conductors, source: Rows, parts: Shapes) -> Shapes:
    """What is left of the centre lines of strokes and arcs; empty lines for pads and areas."""
    lines: Shapes = np.full(len(source), shapely.LineString(), dtype=object)
    kind = objects.kind[source]
    drawn = np.flatnonzero(((kind == Kind.STROKE) | (kind == Kind.ARC)) & ~objects.pad[source])
    if len(drawn):
        left = shapely.intersection(objects.skeletons(source[drawn]), parts[drawn])
        lines[drawn] = [_only_lines(line) for line in left]
    return lines


def _only_lines(geometry: shapely.Geometry) -> shapely.Geometry:
    """Drop the points that a line only touches."""
    if geometry.geom_type in ("LineString", "MultiLineString"):
        return geometry
    lines = [
        part
        for part in shapely.get_parts(geometry)
        if part.geom_type == "LineString" and not part.is_empty
    ]
    return shapely.MultiLineString(lines) if lines else shapely.LineString()


def _negative(image: Image, profile: shapely.Geometry | None) -> Conductors:
    """Copper of a negative image: the profile less what the image shows, the image taken no larger
    than it is.
    """
    if profile is None:
        raise BoardError("a negative copper layer needs the board profile; add the profile file")
    objects, dark = image.objects, image.dark
    inked = (objects.radius > 0) | (objects.kind == Kind.AREA)
    rows, remains = _cleared(
        objects, np.flatnonzero(dark & inked), np.flatnonzero(~dark & inked), inside=True
    )
    whole = dark & inked
    whole[rows] = False
    shown = np.concatenate((objects.shapes(np.flatnonzero(whole), inside=True), remains))
    parts = shapely.get_parts(shapely.difference(profile, shapely.disjoint_subset_union_all(shown)))
    parts = parts[shapely.area(parts) > 0]
    parts = parts[~_slivers(parts)]
    n = len(parts)
    file = int(objects.file[0]) if n and len(objects) else 0
    return conductors(n, kind=Kind.AREA, area=np.arange(n), areas=parts, file=file)
