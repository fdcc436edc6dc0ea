"""The board outline from a profile layer: closed chains of centre lines, or regions.

The Gerber Layer Format Specification 2023.08, 6.5: the profile is a region, or a closed chain of
draws and arcs whose centre line counts. Practice adds chains whose ends miss each other by
rounding, cutouts and slots drawn as further closed chains, and lines that close nothing. Contours
fill by the even-odd rule: outside, board, cutout, island.

Lonely ends within SNAP are one point. Two open ends with a small gap between them are joined by a
straight line, above QUIET with a doubt, up to CLOSE; whatever closes nothing then is a doubt, since
it may be a cut that is missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from parsers.assembly.diagnostics import counted
from parsers.assembly.image import Image
from parsers.board import Outline
from parsers.primitives import Conductors, Floats, Ints, Kind, Rows, Shapes, components
from parsers.trouble import BoardError, Doubt, Place

SNAP = 0.0005  # mm; ends within this are one point: half of the contract's error bound
QUIET = 0.02  # mm; gaps up to this are rounding of turned shapes: no cutter is that small
MAX_CROSSINGS = 1_000_000  # pairs of lines; a contour of any length has a few per line
SAMPLE = 256  # lines asked to learn how dense the layer is
SAME = 0.01  # mm; outlines nearer than this to each other are one
CLOSE = 0.1  # mm; wider gaps up to this are closed, with a doubt


@dataclass(frozen=True, slots=True)
class Profile:
    """The outline, None if the layer gives none, and what is doubtful about it."""

    outline: Outline | None
    doubts: tuple[Doubt, ...] = ()


def outline_of(image: Image, name: str, *, plated: bool = False) -> Profile:
    """Board material that a profile layer encloses.

    Parameters
    ----------
    plated : the profile is stated to be plated (`Profile,P`)
    """
    objects = image.objects.take(np.flatnonzero(image.dark))
    doubts = list(image.doubts)
    if not image.dark.all():
        doubts.append(
            _doubt(name, image.objects, np.flatnonzero(~image.dark), "clear objects in the profile")
        )
    regions = np.flatnonzero((objects.kind == Kind.AREA) & ~objects.pad)
    flashes = np.flatnonzero(objects.pad)
    if len(flashes):
        doubts.append(_doubt(name, objects, flashes, "flashes in the profile"))
    lines = np.flatnonzero((objects.kind != Kind.AREA) & ~objects.pad)
    shape, trouble = _from_chains(objects, lines, name)
    doubts += trouble
    if len(regions):
        shape = _with_regions(shape, objects.skeletons(regions))
    if shape.is_empty:
        doubts.append(
            Doubt(
                f"{name} encloses no board",
                "the profile has no closed contour; export it again",
                Place(name),
            )
        )
        return Profile(None, tuple(doubts))
    return Profile(Outline(shape, shape.boundary if plated else None), tuple(doubts))


def told_outline(
    own: Outline | None, corners: Sequence[tuple[float, float]], source: str
) -> Profile:
    """The outline of the data, else that of the rules file (`[outline] points`); a doubt if they
    differ.

    Parameters
    ----------
    corners : of the rules file; may be empty
    source : file that the data's own outline is from

    Raises
    ------
    BoardError : the corners enclose no board
    """
    if not corners:
        return Profile(own)
    shape = shapely.Polygon(corners)
    if not shape.is_valid or shape.area <= 0:
        raise BoardError(
            "outline.points: the corners enclose no board; give them in order round it"
        )
    if own is None:
        return Profile(Outline(shape))
    apart = float(shapely.hausdorff_distance(own.shape, shape))
    if apart <= SAME:
        return Profile(own)
    why = (
        f"{source} has a profile that differs by up to {apart:.3f} mm, and it stands; remove"
        " [outline]"
    )
    return Profile(own, (Doubt("outline.points differ from the profile", why, Place(source)),))


def _doubt(name: str, objects: Conductors, rows: Rows, what: str) -> Doubt:
    line = int(objects.line[rows[0]]) or None
    why = f"{len(rows)} objects that draw no contour are left out"
    return Doubt(counted(f"{what} of {name}", len(rows), "objects"), why, Place(name, line))


def _with_regions(drawn: shapely.Geometry, regions: Shapes) -> shapely.Geometry:
    """Regions are board; contours drawn inside them are cutouts, contours along their border say
    the same twice.
    """
    filled = shapely.union_all(shapely.make_valid(regions))
    inner = (
        shapely.difference(filled, shapely.buffer(drawn, SNAP)) if not drawn.is_empty else filled
    )
    same = inner.area < 1e-3 * filled.area  # the contour is the region's own border
    return filled if same or drawn.is_empty else shapely.difference(filled, drawn)


# ------------------------------------------------------------------------------------------- chains


def _from_chains(
    objects: Conductors, rows: Rows, name: str
) -> tuple[shapely.Geometry, list[Doubt]]:
    """Even-odd fill of all closed chains among the centre lines of these rows."""
    lines = objects.skeletons(rows)
    kept = (shapely.get_num_coordinates(lines) > 1) & (shapely.length(lines) > 0)
    lines, rows = lines[kept], rows[kept]
    if not len(lines):
        return shapely.Polygon(), []
    if _crossings(lines) > MAX_CROSSINGS:
        why = (
            f"{len(lines)} lines cross each other all over; a profile is a few closed contours,"
            " export it again"
        )
        return shapely.Polygon(), [Doubt(f"{name} is no profile", why, Place(name))]
    lines = _pruned(_snapped(lines))
    doubts = []
    bridges = _bridges(lines)
    wide = bridges[shapely.length(bridges) > QUIET]
    if len(wide):
        place = Place(name, int(objects.line[rows[0]]) or None)
        widest = float(shapely.length(wide).max())
        what = counted(f"profile of {name} is not closed", len(wide), "gaps")
        doubts.append(
            Doubt(
                what, f"gaps of up to {widest:.3f} mm are taken as closed; check the contour", place
            )
        )
    shape, unclear = _filled(np.concatenate((lines, bridges)), name)
    return shape, doubts + unclear


def _crossings(lines: Shapes) -> float:
    """About how many pairs of lines have boxes that meet, from a sample."""
    sample = lines[:: max(len(lines) // SAMPLE, 1)]
    met = shapely.STRtree(lines).query(sample).shape[1]
    return float(met) / len(sample) * len(lines)


def _ends(lines: Shapes) -> Floats:
    """First and last points, shape (2 n, 2): all first ones, then all last ones."""
    first, last = shapely.get_point(lines, 0), shapely.get_point(lines, -1)
    return np.column_stack((shapely.get_x([*first, *last]), shapely.get_y([*first, *last])))


def _snapped(lines: Shapes) -> Shapes:
    """Lines whose lonely ends lie on a grid of SNAP, so that ends which agree but for rounding are
    equal.
    """
    ends = _ends(lines)
    _, inverse, count = np.unique(ends, axis=0, return_inverse=True, return_counts=True)
    lonely = count[inverse.reshape(-1)] == 1
    if not lonely.any():
        return lines
    ends[lonely] = np.round(ends[lonely] / SNAP) * SNAP
    return np.array(
        [_with_ends(line, *pair) for line, pair in zip(lines, _pairs(ends), strict=True)],
        dtype=object,
    )


def _pairs(ends: Floats) -> Floats:
    half = len(ends) // 2
    return np.stack((ends[:half], ends[half:]), axis=1)


def _with_ends(line: shapely.Geometry, first: Floats, last: Floats) -> shapely.Geometry:
    points = shapely.get_coordinates(line)
    points[0], points[-1] = first, last
    return shapely.LineString(points)


def _pruned(lines: Shapes) -> Shapes:
    """Lines cut where they meet, without the short ends that overshoot a corner by rounding."""
    cut: Shapes = shapely.get_parts(shapely.line_merge(shapely.union_all(lines)))
    ends = _pairs(_ends(cut))
    _, inverse, count = np.unique(
        ends.reshape(-1, 2), axis=0, return_inverse=True, return_counts=True
    )
    meeting = count[inverse].reshape(-1, 2)
    overshoot = (
        (shapely.length(cut) <= QUIET) & (meeting.min(axis=1) == 1) & (meeting.max(axis=1) > 2)
    )
    kept: Shapes = cut[~overshoot]
    return kept


def _bridges(lines: Shapes) -> Shapes:
    """Short lines between open ends that are nearest to each other and within CLOSE."""
    ends = _ends(lines)
    _, inverse, count = np.unique(ends, axis=0, return_inverse=True, return_counts=True)
    loose = np.unique(ends[count[inverse] == 1], axis=0)
    none: Shapes = np.empty(0, dtype=object)
    if len(loose) < 2:
        return none
    from scipy.spatial import cKDTree

    near = np.asarray(cKDTree(loose).query(loose, k=2)[1])
    partner, here = near[:, 1], np.arange(len(loose))
    close = np.hypot(*(loose - loose[partner]).T) <= CLOSE
    mutual = (partner[partner] == here) & (here < partner) & close
    bridges: Shapes = shapely.linestrings(
        np.stack((loose[here[mutual]], loose[partner[mutual]]), axis=1)
    )
    return bridges if mutual.any() else none


def _filled(lines: Shapes, name: str) -> tuple[shapely.Geometry, list[Doubt]]:
    """Even-odd fill of the contours that lines form; doubts on lines and contours that are not
    clear.
    """
    faces, cuts, dangles, invalid = shapely.polygonize_full([shapely.union_all(lines)])
    doubts = _left_over(shapely.union_all([cuts, dangles, invalid]), name)
    cells: Shapes = shapely.get_parts(faces)
    if not len(cells):
        return shapely.Polygon(), doubts
    groups, meeting = _adjoining(cells)
    if not meeting.is_empty:
        x, y = shapely.get_coordinates(meeting)[0]
        why = (
            f"for example at ({x:.3f}, {y:.3f}); they do not tell board from cutout, and parts with"
            " a common border are taken as one: draw each contour closed by itself"
        )
        doubts.append(Doubt(f"contours of the profile {name} touch each other", why, Place(name)))
    depth = _depths(cells, groups)
    return shapely.union_all(cells[depth % 2 == 1]), doubts


def _adjoining(cells: Shapes) -> tuple[list[list[int]], shapely.Geometry]:
    """Cells in groups whose outer borders share a line, and wherever outer borders meet.

    Clean contours are groups of one and meet nowhere.
    """
    rings = shapely.get_exterior_ring(cells)
    first, second = shapely.STRtree(rings).query(rings, predicate="intersects")
    once = first < second
    first, second = first[once], second[once]
    common = shapely.intersection(rings[first], rings[second])
    shared = shapely.length(common) > SNAP
    return components(len(cells), np.column_stack((first, second))[shared]), shapely.union_all(
        common
    )


def _depths(cells: Shapes, groups: list[list[int]]) -> Ints:
    """How many contours enclose each cell, its own included."""
    outers = [
        shapely.union_all(shapely.polygons(shapely.get_exterior_ring(cells[group])))
        for group in groups
    ]
    places = shapely.point_on_surface(cells[[group[0] for group in groups]])
    inner, outer = shapely.STRtree(outers).query(places, predicate="intersects")
    count = np.bincount(inner[inner != outer], minlength=len(groups)) + 1
    depth = np.zeros(len(cells), dtype=np.int32)
    for group, value in zip(groups, count, strict=True):
        depth[group] = value
    return depth


def _left_over(left: shapely.Geometry, name: str) -> list[Doubt]:
    """A doubt for lines that belong to no contour; ends that overshoot by rounding are none."""
    parts = shapely.get_parts(shapely.line_merge(left))
    parts = parts[shapely.length(parts) > QUIET]
    if not len(parts):
        return []
    x, y = shapely.get_coordinates(parts)[0]
    why = (
        f"{shapely.length(parts).sum():.3f} mm of lines are left out, for example at ({x:.3f},"
        f" {y:.3f}); close the contour, or keep notes out of the profile layer"
    )
    return [
        Doubt(
            counted(f"lines of the profile {name} close no contour", len(parts), "lines"),
            why,
            Place(name),
        )
    ]
