"""The board's outline: the Profile of the step, else what a board outline layer draws."""

from __future__ import annotations

import numpy as np
import shapely

from parsers.assembly.diagnostics import Diagnostics
from parsers.assembly.image import Image
from parsers.assembly.profile import outline_of
from parsers.board import Outline
from parsers.ipc2581.columns import Sets, owners_of
from parsers.ipc2581.layers import EDGE_LINES, PLATED_EDGES
from parsers.ipc2581.parts import Parts
from parsers.ipc2581.raw import Document, RawStep
from parsers.ipc2581.resolve import Resolver
from parsers.primitives import TOUCH, Kind

PLATED_REACH = 0.01  # mm; how far a drawn plated edge may lie off the outline


def board_outline(
    document: Document, sets: Sets, raw: RawStep, resolver: Resolver, doubts: Diagnostics
) -> shapely.Geometry | None:
    """Board material, cutouts taken out; None if the file does not tell it."""
    if raw.profile is not None:
        doubts.include(raw.profile.doubts)
        owners = len(owners_of(raw.profile.sketch))
        parts = resolver.parts(
            raw.profile.sketch, np.ones(owners, np.bool_), np.zeros(owners, np.bool_)
        )
        shape = shapely.union_all(
            parts.objects.areas[parts.objects.area[parts.objects.kind == Kind.AREA]]
        )
        if not shape.is_empty:
            return shape
        doubts.add(f"the profile of step {raw.name} encloses no board", "export it again", raw.line)
    return _drawn_outline(document, sets, raw, resolver, doubts)


def _drawn(
    document: Document, sets: Sets, raw: RawStep, resolver: Resolver, functions: frozenset[str]
) -> tuple[str, Parts]:
    """What the layers of these functions draw, and the name of one."""
    names = [name for name, layer in document.layers.items() if layer.function in functions]
    numbers = [document.tables.layers[name] for name in names]
    owners = owners_of(document.copper)
    step = document.tables.steps[raw.name]
    keep = (sets.step[owners.group] == step) & np.isin(sets.layer[owners.group], numbers)
    return (names or [""])[0], resolver.parts(
        document.copper, keep, np.zeros(len(owners), np.bool_)
    )


def _drawn_outline(
    document: Document, sets: Sets, raw: RawStep, resolver: Resolver, doubts: Diagnostics
) -> shapely.Geometry | None:
    name, parts = _drawn(document, sets, raw, resolver, EDGE_LINES)
    if not len(parts):
        return None
    found = outline_of(Image(parts.objects, parts.dark), name)
    for doubt in found.doubts:
        doubts.add(doubt.what, doubt.why)
    return found.outline.shape if found.outline else None


def with_openings(
    board: shapely.Geometry | None,
    cutouts: list[tuple[shapely.Geometry, bool]],
    document: Document,
    sets: Sets,
    raw: RawStep,
    resolver: Resolver,
    doubts: Diagnostics,
) -> Outline | None:
    """The outline with openings that no tool stroke makes taken out, and its plated parts."""
    if board is None:
        return None
    shape = board
    if cutouts:
        shape = shapely.difference(board, shapely.union_all([opening for opening, _ in cutouts]))
    name, drawn = _drawn(document, sets, raw, resolver, PLATED_EDGES)
    if document.edge_plating and not len(drawn):
        what = "edge plating is specified, no layer shows where"
        doubts.add(what, "check the edges by hand", document.edge_plating)
    plated = [opening.exterior for opening, is_plated in cutouts if is_plated]
    plated += _plated_edges(name, drawn, shape, doubts)
    if not plated:
        return Outline(shape)
    near = shapely.buffer(shapely.union_all(plated), max(PLATED_REACH, TOUCH))
    return Outline(shape, shapely.intersection(shape.boundary, near))


def _plated_edges(
    name: str, drawn: Parts, shape: shapely.Geometry, doubts: Diagnostics
) -> list[shapely.Geometry]:
    """What a layer draws as plated edges; what lies off the outline is told."""
    skeletons = drawn.objects.skeletons()
    edges = [s.boundary if s.geom_type == "Polygon" else s for s in skeletons]
    off = [edge for edge in edges if shapely.distance(edge, shape.boundary) > PLATED_REACH]
    if off:
        what = f"plated edges on {name} that lie off the outline"
        doubts.add(what, "they are left out", count=len(off))
    return edges
