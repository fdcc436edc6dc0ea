"""Blocks and repeats: which operations belong to which, how often each is drawn, and copies in
bulk.

The Gerber Layer Format Specification 2023.08, 4.11 (AB) and 4.12 (SR). Both hold objects of their
own; a block is drawn where it is flashed, a repeat at each of its steps.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import shapely

from parsers.assembly.diagnostics import Diagnostics
from parsers.gerber.bounds import bound_objects, bound_points
from parsers.gerber.outlines import shifted
from parsers.gerber.state import CommandStream, GraphicsState
from parsers.gerber.syntax import Longs
from parsers.primitives import Bools, Conductors, Floats, Kind, concatenate, conductors

FILE = 0  # the scope of what stands in no block and no repeat


@dataclass(frozen=True, slots=True)
class Scope:
    """A block (it has a number), a repeat, or the file itself."""

    parent: int
    opened: int  # word
    number: int | None = None
    repeat: tuple[int, int, float, float] = (1, 1, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Scopes:
    """All scopes in the order in which they open, and which is innermost from each of some words
    on.
    """

    scopes: tuple[Scope, ...]
    closed: tuple[int, ...]  # word after which a block may be flashed, per scope
    changes: Longs  # words
    inner: Longs  # scope from that word on

    def at(self, words: Longs) -> Longs:
        """Innermost scope at some words."""
        if not len(self.changes):
            return np.zeros(len(words), dtype=np.int64)
        return np.concatenate(([FILE], self.inner))[np.searchsorted(self.changes, words)]


def find_scopes(stream: CommandStream, diagnostics: Diagnostics) -> Scopes:
    """Pair the commands that open and close blocks and repeats."""
    scopes = [Scope(FILE, 0)]
    closed = [0]
    stack = [FILE]
    changes: list[tuple[int, int]] = []
    for row in stream.rows("AB", "SR").tolist():
        word, command = int(stream.at(np.array([row]))[0]), stream.command(row)
        opening = _opening(command.code, command.value, word, stack[-1])
        if command.code == "SR" and scopes[stack[-1]].number is None and len(stack) > 1:
            closed[stack.pop()] = word
            opening = opening and replace(opening, parent=stack[-1])
        elif opening is None and command.code == "AB":
            if scopes[stack[-1]].number is None:
                diagnostics.add(
                    "AB without its beginning",
                    "which objects belong to the block is uncertain",
                    word,
                )
            else:
                closed[stack.pop()] = word
        if opening:
            if opening.number is None and any(scopes[s].number is not None for s in stack):
                diagnostics.add(
                    "SR inside a block", "the format forbids it; it was repeated all the same", word
                )
            stack.append(len(scopes))
            scopes.append(opening)
            closed.append(-1)
        changes.append((word, stack[-1]))
    for scope in stack[1:]:
        if scopes[scope].number is not None:
            diagnostics.add("AB without its end", "the file may be cut short", scopes[scope].opened)
    words, inner = (
        (np.array(column, dtype=np.int64) for column in zip(*changes, strict=True))
        if changes
        else (np.empty(0, dtype=np.int64),) * 2
    )
    return Scopes(tuple(scopes), tuple(closed), words, inner)


def _opening(code: str, value: tuple[object, ...], word: int, parent: int) -> Scope | None:
    """Give the scope that a command opens, if it opens one."""
    if code == "AB":
        return None if value[0] is None else Scope(parent, word, number=int(str(value[0])))
    repeat = (int(str(value[0])), int(str(value[1])), float(str(value[2])), float(str(value[3])))
    return None if repeat[:2] == (1, 1) else Scope(parent, word, repeat=repeat)


@dataclass(frozen=True, slots=True)
class Drawn:
    """Objects with their polarity and the word that puts them in order."""

    objects: Conductors
    dark: Bools
    order: Longs

    def __len__(self) -> int:
        return len(self.order)

    def sorted(self) -> Drawn:
        """The objects in the order of the file."""
        if (np.diff(self.order) >= 0).all():
            return self
        rows = np.argsort(self.order, kind="stable")
        return Drawn(self.objects.take(rows), self.dark[rows], self.order[rows])


def nothing() -> Drawn:
    """No objects."""
    return Drawn(conductors(), np.empty(0, dtype=np.bool_), np.empty(0, dtype=np.int64))


def joined(parts: list[Drawn]) -> Drawn:
    """All objects of some parts."""
    parts = [part for part in parts if len(part)]
    if len(parts) < 2:
        return parts[0] if parts else nothing()
    return Drawn(
        concatenate([part.objects for part in parts]),
        np.concatenate([part.dark for part in parts]),
        np.concatenate([part.order for part in parts]),
    )


def split_by(numbers: Longs) -> Iterator[tuple[int, Longs]]:
    """Each different number, with the places where it stands."""
    if not len(numbers):
        return
    order = np.argsort(numbers, kind="stable")
    for places in np.split(order, np.flatnonzero(np.diff(numbers[order])) + 1):
        yield int(numbers[places[0]]), places


@dataclass(frozen=True, slots=True)
class Transform:
    """Mirror, then turn (degrees, counterclockwise), then scale, about the origin."""

    mirror_x: bool = False
    mirror_y: bool = False
    turn: float = 0.0
    scale: float = 1.0

    def matrix(self) -> Floats:
        """Give the 2 x 2 matrix; quarter turns are exact."""
        quarters = self.turn / 90
        if quarters == int(quarters):
            c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[int(quarters) % 4]
        else:
            c, s = math.cos(math.radians(self.turn)), math.sin(math.radians(self.turn))  # type: ignore[assignment]
        mirror = np.diag([-1.0 if self.mirror_x else 1.0, -1.0 if self.mirror_y else 1.0])
        matrix: Floats = self.scale * np.array([[c, -s], [s, c]]) @ mirror
        return matrix


def groups(
    state: GraphicsState, rows: Longs, toggled: bool
) -> Iterator[tuple[Transform, bool, Longs]]:
    """Split rows by transform and polarity; yields positions in `rows`."""
    dark = state.dark[rows] != toggled
    columns = (state.mirror_x[rows], state.mirror_y[rows], state.turn[rows], state.scale[rows])
    plain = Transform()
    if all((c == d).all() for c, d in zip(columns, (False, False, 0.0, 1.0), strict=True)):
        groups = [(plain, np.arange(len(rows)))] if len(rows) else []
    else:
        keys, number = np.unique(
            np.column_stack(columns).astype(np.float64), axis=0, return_inverse=True
        )
        groups = [
            (
                Transform(bool(k[0]), bool(k[1]), float(k[2]), float(k[3])),
                np.flatnonzero(number.ravel() == place),
            )
            for place, k in enumerate(keys)
        ]
    for transform, members in groups:
        for polarity in (True, False):
            chosen = members[dark[members] == polarity]
            if len(chosen):
                yield transform, polarity, chosen


def transformed(objects: Conductors, matrix: Floats) -> Conductors:
    """Apply a similarity (mirror, turn, scale about the origin) to objects."""
    if (matrix == np.eye(2)).all():
        return objects
    scale = math.sqrt(abs(np.linalg.det(matrix)))
    geometry = objects.geometry.copy()
    geometry[:, 0:2] = geometry[:, 0:2] @ matrix.T
    strokes = objects.kind == Kind.STROKE
    geometry[strokes, 2:4] = geometry[strokes, 2:4] @ matrix.T
    arcs = objects.kind == Kind.ARC
    if arcs.any():
        start = objects.geometry[arcs, 3]
        turned = np.column_stack((np.cos(start), np.sin(start))) @ matrix.T
        geometry[arcs, 3] = np.arctan2(turned[:, 1], turned[:, 0])
        geometry[arcs, 2] *= scale
        geometry[arcs, 4] *= np.sign(np.linalg.det(matrix))
    areas = (
        shapely.transform(objects.areas, lambda points: points @ matrix.T)
        if len(objects.areas)
        else objects.areas
    )
    return replace(objects, geometry=geometry, radius=objects.radius * scale, areas=areas)


def copied(base: Drawn, offsets: Floats, order: Longs) -> Drawn:
    """Copy objects to each of some offsets; the copies at each are ordered by its word."""
    if not len(base) or not len(offsets):
        return nothing()
    n, k = len(base), len(offsets)
    bound_objects(n * k)
    bound_points(int(shapely.get_num_coordinates(base.objects.areas).sum()) * k)
    objects = base.objects.take(np.tile(np.arange(n), k))
    owner = np.repeat(np.arange(k), n)
    geometry = objects.geometry
    geometry[:, 0:2] += offsets[owner]
    strokes = objects.kind == Kind.STROKE
    geometry[strokes, 2:4] += offsets[owner[strokes]]
    area = np.where(objects.area >= 0, objects.area + owner * len(base.objects.areas), -1).astype(
        np.int32
    )
    areas = shifted(base.objects.areas, offsets) if len(base.objects.areas) else base.objects.areas
    return Drawn(replace(objects, area=area, areas=areas), np.tile(base.dark, k), order[owner])


def steps(repeat: tuple[int, int, float, float]) -> Floats:
    """Offsets of a repeat, along Y first, then along X."""
    across, up, step_x, step_y = repeat
    x, y = np.meshgrid(np.arange(across) * step_x, np.arange(up) * step_y, indexing="ij")
    offsets: Floats = np.column_stack((x.ravel(), y.ravel()))
    return offsets
