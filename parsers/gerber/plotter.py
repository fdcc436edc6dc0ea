"""From operations to copper objects: draws, arcs, flashes and regions.

The Gerber Layer Format Specification 2023.08, 2.3 and 4.8 to 4.10. Everything happens in columns;
loops run over apertures, transforms and the rare contour that is not simple.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely

from parsers.assembly.diagnostics import Diagnostics
from parsers.gerber.apertures import Aperture, ApertureDictionary
from parsers.gerber.arcs import Arcs, arc_path, make_arcs
from parsers.gerber.blocks import Drawn, Transform, groups, joined, nothing
from parsers.gerber.bounds import bound_points
from parsers.gerber.outlines import shifted
from parsers.gerber.regions import Segments, fill_contours
from parsers.gerber.state import CLOCKWISE, DRAW, FLASH, GraphicsState
from parsers.gerber.syntax import Longs
from parsers.primitives import Bools, Floats, Kind, Shapes, conductors

# mm; radii at both ends of an arc that differ by more, and more than by rounding, contradict each
# other
SKEW = 0.005
# units of the coordinate format; three rounded points may put the radii this far apart
ROUNDING = 2.5
NEARLY_CLOSED = 0.001  # mm; an arc with ends closer than this may be read as a dot or as a circle


@dataclass(frozen=True, slots=True)
class Operations:
    """The operations of a file in mm, and what every object made from them needs."""

    state: GraphicsState
    ends: Floats  # (n, 4) start and end of each operation
    offset: Floats  # (n, 2) I and J
    resolution: float  # one unit of the coordinate format
    lines: Longs
    file: int
    used: Longs  # per operation: definition on the apertures, or its like for blocks, or -1
    apertures: ApertureDictionary
    # the file shows where copper is missing, so its dark objects must not be too large
    negative: bool
    diagnostics: Diagnostics

    def words(self, rows: Longs) -> Longs:
        """Words of some operations."""
        return self.state.word[rows]


def draw_rows(operations: Operations, rows: Longs, toggled: bool) -> Drawn:
    """Draw the objects of some operations, blocks left out; `toggled` swaps dark and clear."""
    state = operations.state
    inside = state.statement[rows] > 0
    plain = rows[~inside & (operations.used[rows] >= 0)]
    parts = [
        *_draws(operations, plain[state.code[plain] == DRAW], toggled),
        *_flashes(operations, plain[state.code[plain] == FLASH], toggled),
        _regions(operations, rows[inside], toggled),
    ]
    return joined(parts)


def _columns(operations: Operations, rows: Longs) -> dict[str, Longs]:
    """Columns that every object inherits from its operation."""
    attributes = operations.state.attributes
    return {
        "net": attributes.net[rows],
        "component": attributes.component[rows],
        "pin": attributes.pin[rows],
        "function": operations.apertures.functions[operations.used[rows]] if len(rows) else rows,
        "line": operations.lines[rows],
    }


def _drawn(
    operations: Operations,
    rows: Longs,
    kind: Kind,
    geometry: Floats,
    radius: Floats,
    *,
    dark: Bools,
    pad: bool,
) -> Drawn:
    """Objects of one exact kind, one per row."""
    objects = conductors(
        len(rows),
        kind=kind,
        geometry=geometry,
        radius=radius,
        pad=pad,
        file=operations.file,
        **_columns(operations, rows),
    )
    return Drawn(objects, dark, operations.words(rows))


def _areas(
    operations: Operations, rows: Longs, shapes: Shapes, *, dark: Bools, pad: bool, **columns: Longs
) -> Drawn:
    """Objects that are areas, one per row."""
    n = len(rows)
    stated = {**_columns(operations, rows), **columns}
    objects = conductors(
        n, kind=Kind.AREA, area=np.arange(n), areas=shapes, pad=pad, file=operations.file, **stated
    )
    return Drawn(objects, dark, operations.words(rows))


# Draws


def _draws(operations: Operations, rows: Longs, toggled: bool) -> Iterator[Drawn]:
    apertures = operations.apertures
    solid = apertures.solid(operations.used, rows)
    solid[solid] = (apertures.reach[operations.used[rows[solid]]] == 0).all(axis=1)
    yield from _round_draws(operations, rows[solid], toggled)
    what, why = (
        "draw with an aperture that may not draw",
        "the area that it sweeps was taken, grown to be convex",
    )
    for aperture, chosen in apertures.by_definition(operations.used, rows[~solid]):
        odd = (
            chosen
            if aperture.template != "R"
            else chosen[operations.state.mode[chosen] >= CLOCKWISE]
        )
        operations.diagnostics.add_rows(what, why, operations.words(odd))
        yield from _swept(operations, chosen, aperture, toggled)


def _round_draws(operations: Operations, rows: Longs, toggled: bool) -> Iterator[Drawn]:
    state = operations.state
    dark = state.dark[rows] != toggled
    radius = operations.apertures.radius[operations.used[rows]] * state.scale[rows]
    curved = state.mode[rows] >= CLOCKWISE
    straight = ~curved
    yield _straight(
        operations,
        rows[straight],
        operations.ends[rows[straight]],
        radius[straight],
        dark[straight],
    )
    if curved.any():
        yield from _curved(operations, rows[curved], radius[curved], dark[curved])


def _straight(
    operations: Operations, rows: Longs, ends: Floats, radius: Floats, dark: Bools
) -> Drawn:
    geometry = np.zeros((len(rows), 5))
    geometry[:, :4] = ends
    return _drawn(operations, rows, Kind.STROKE, geometry, radius, dark=dark, pad=False)


def _curved(operations: Operations, rows: Longs, radius: Floats, dark: Bools) -> Iterator[Drawn]:
    """Arcs drawn with a circle.

    Where rounding puts both ends at slightly different distances from the centre, the arc takes the
    mean and its stroke grows (or, clear, shrinks) by what it may be off; where they contradict each
    other, chords run from end to end.
    """
    arcs = _arcs(operations, rows)
    dots = (arcs.sweep == 0) | (np.maximum(arcs.first, arcs.last) == 0)
    skewed = ~dots & _contradictory(operations, arcs)
    exact = ~dots & ~skewed
    yield _straight(operations, rows[dots], operations.ends[rows[dots]], radius[dots], dark[dots])
    grown = np.maximum(radius + np.where(dark, 0.5, -0.5) * arcs.deviation, 0)
    geometry = np.column_stack((arcs.centre, (arcs.first + arcs.last) / 2, arcs.start, arcs.sweep))[
        exact
    ]
    yield _drawn(
        operations, rows[exact], Kind.ARC, geometry, grown[exact], dark=dark[exact], pad=False
    )
    if skewed.any():
        chords, owner = _chords(arcs.take(skewed), operations.ends[rows[skewed]])
        yield _straight(
            operations, rows[skewed][owner], chords, radius[skewed][owner], dark[skewed][owner]
        )


def _contradictory(operations: Operations, arcs: Arcs) -> Bools:
    """Arcs whose ends lie at distances from their centre that rounding cannot explain."""
    odd: Bools = arcs.deviation > max(SKEW, ROUNDING * operations.resolution)
    return odd


def _arcs(operations: Operations, rows: Longs) -> Arcs:
    """Arcs of some circular operations, with doubts about those that contradict themselves."""
    state, diagnostics = operations.state, operations.diagnostics
    ends = operations.ends[rows]
    arcs, open_ = make_arcs(ends, operations.offset[rows], state.mode[rows], state.quadrant[rows])
    why = "another reader may draw these arcs elsewhere; compare the layer with its source"
    diagnostics.add_rows("arc before G74 or G75", why, operations.words(rows[open_]))
    odd = rows[_contradictory(operations, arcs)]
    diagnostics.add_rows(
        "arc with different distances from its centre to both ends", why, operations.words(odd)
    )
    gap = np.hypot(*(ends[:, 2:] - ends[:, :2]).T)
    near = (gap > 0) & (gap < NEARLY_CLOSED) & (arcs.first > NEARLY_CLOSED)
    diagnostics.add_rows(
        "arc that is either a dot or a full circle", why, operations.words(rows[near])
    )
    return arcs


def _chords(arcs: Arcs, ends: Floats) -> tuple[Floats, Longs]:
    """Chords of arcs, shape (n, 4), and the arc that each belongs to."""
    points, counts = arc_path(arcs, np.zeros(len(ends), dtype=np.bool_), ends[:, 2:])
    owner = np.repeat(np.arange(len(counts)), counts)
    before = np.concatenate((points[:1], points[:-1]))
    before[np.cumsum(counts) - counts] = ends[:, :2]
    return np.hstack((before, points)), owner


def _swept(
    operations: Operations, rows: Longs, aperture: Aperture, toggled: bool
) -> Iterator[Drawn]:
    """Areas that an aperture sweeps, each segment by itself."""
    state = operations.state
    ends = operations.ends[rows]
    curved = state.mode[rows] >= CLOCKWISE
    if curved.any():
        chords, owner = _chords(_arcs(operations, rows[curved]), ends[curved])
        ends = np.concatenate((ends[~curved], chords))
        rows = np.concatenate((rows[~curved], rows[curved][owner]))
    for transform, dark, group in groups(operations.state, rows, toggled):
        matrix = transform.matrix()
        for part in aperture.shapes(dark != operations.negative):
            bound_points(2 * shapely.get_num_coordinates(part) * len(group))
            corners = shapely.get_coordinates(part) @ matrix.T
            both = np.concatenate(
                (ends[group, None, :2] + corners, ends[group, None, 2:] + corners), axis=1
            )
            hulls = shapely.convex_hull(shapely.multipoints(both))
            convex = np.isclose(shapely.convex_hull(part).area, part.area)
            chosen = rows[group]
            if dark or convex:
                yield _areas(operations, chosen, hulls, dark=np.full(len(chosen), dark), pad=False)


# Flashes


def _flashes(operations: Operations, rows: Longs, toggled: bool) -> Iterator[Drawn]:
    solid = operations.apertures.solid(operations.used, rows)
    round_ = rows[solid]
    for transform, dark, group in groups(operations.state, round_, toggled):
        yield from _solid_flashes(operations, round_[group], transform, dark)
    for aperture, chosen in operations.apertures.by_definition(operations.used, rows[~solid]):
        for transform, dark, group in groups(operations.state, chosen, toggled):
            yield _flashed_areas(
                operations,
                chosen[group],
                aperture.shapes(dark != operations.negative),
                transform,
                dark,
            )


def _solid_flashes(
    operations: Operations, rows: Longs, transform: Transform, dark: bool
) -> Iterator[Drawn]:
    """Discs and obrounds, as exact discs and strokes."""
    used = operations.used[rows]
    radius = operations.apertures.radius[used] * transform.scale
    reach = operations.apertures.reach[used] @ transform.matrix().T
    at = operations.ends[rows, 2:]
    long = (reach != 0).any(axis=1)
    for kind, chosen in ((Kind.DISC, ~long), (Kind.STROKE, long)):
        geometry = np.zeros((int(chosen.sum()), 5))
        geometry[:, :2] = at[chosen] - reach[chosen]
        geometry[:, 2:4] = at[chosen] + reach[chosen] if kind == Kind.STROKE else 0.0
        polarity = np.full(len(geometry), dark)
        yield _drawn(
            operations, rows[chosen], kind, geometry, radius[chosen], dark=polarity, pad=True
        )


def _flashed_areas(
    operations: Operations, rows: Longs, parts: Shapes, transform: Transform, dark: bool
) -> Drawn:
    matrix = transform.matrix()
    turned = shapely.transform(parts, lambda points: points @ matrix.T)
    bound_points(int(shapely.get_num_coordinates(parts).sum()) * len(rows))
    copies = np.repeat(rows, len(parts))
    return _areas(
        operations,
        copies,
        shifted(turned, operations.ends[rows, 2:]),
        dark=np.full(len(copies), dark),
        pad=True,
    )


# Regions


def _regions(operations: Operations, rows: Longs, toggled: bool) -> Drawn:
    """Areas of region statements."""
    state, diagnostics = operations.state, operations.diagnostics
    code, statement = state.code[rows], state.statement[rows]
    starts = (code != DRAW) | (np.diff(statement, prepend=0) != 0)
    drawing = code == DRAW
    if not drawing.any():
        return nothing()
    _, contour = np.unique(np.cumsum(starts)[drawing], return_inverse=True)
    segments = rows[drawing]
    first = segments[np.searchsorted(contour, np.arange(contour[-1] + 1))]
    dark = state.dark[first] != toggled
    curved = state.mode[segments] >= CLOCKWISE
    arcs = _arcs(operations, segments[curved])
    areas = fill_contours(
        Segments(operations.ends[segments], contour, curved, arcs), dark != operations.negative
    )
    why = "a straight line closed it; another reader may leave it out"
    diagnostics.add_rows("contour that is not closed", why, operations.words(first[areas.unclosed]))
    why = (
        "it crosses or overlaps itself; all that it runs round was taken, another reader may take"
        " less"
    )
    diagnostics.add_rows("contour that is not valid", why, operations.words(first[areas.invalid]))
    owner = first[areas.contour]
    function = state.attributes.function[owner]
    return _areas(
        operations, owner, areas.shapes, dark=dark[areas.contour], pad=False, function=function
    )
