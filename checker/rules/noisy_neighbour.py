"""No noisy net runs close beside a quiet one for long, on the same layer or on the next one.

Why: parallel traces couple; what the noisy net switches arrives on the quiet one, in proportion to
the length that they run together and to how close they are compared with their height over the
plane.
Measured: centre line of the quiet net within `limits.coupling_gap` (edge to edge, seen from above)
of a conductor of the noisy net that runs within 30 degrees of its direction, or of a noisy area;
one finding per pair of nets, layers and connected run. Arcs are taken as chords that stray at most
0.0002 mm. `detail.coupling` is an upper bound of the backward crosstalk, 1 / (1 + (D/h)^2), with D
between centres and h over the nearest reference layer. Where the noisy net has an edge time, that
part of an edge of 3.3 V is told; where a [[current]] on it has a ripple, what its field induces in
the length that both run together, by images in the plane.
Fix: move one of the two, route the noisy net on the far side of a reference pour, or cross at right
angles.
Source: coupling: High-Speed Digital Design (1993), chapter 5, from memory; limits: common practice,
no source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from math import pi

import numpy as np
import shapely

from checker import wording
from checker.findings import Finding, Level
from checker.geometry.lines import line_parts
from checker.layout.layout import Layout
from checker.returns.estimates import crosstalk, mutual_inductance
from checker.rules import Limit, Rule
from checker.wording import length as mm
from checker.wording import plain
from parsers.columns import Columns, joined
from parsers.primitives import Floats, Ints, Kind, Rows, Shapes, components, gaps

GAP = Limit("coupling_gap", 0.5, "mm", "nets closer than this couple")
RUN = Limit("coupling_run", 10.0, "mm", "and matter where they run together longer than this")
RULE = Rule(
    "noisy-neighbour",
    title="Noisy net beside a quiet one",
    level=Level.WARNING,
    limits=(GAP, RUN),
    own=("coupling_gap", "coupling_run"),
)

PARALLEL = np.cos(np.radians(30.0))  # directions closer than this run together
SWING = 3.3  # V; height of an edge whose time is given
NOISE = 1e-6  # mm; a gap of just the limit couples no more, whatever rounding makes of it
STEPS = 32  # of a quarter turn where reach is rounded: strays 0.0003 of it


@dataclass(frozen=True, slots=True)
class _Segments(Columns):
    """Straight pieces of centre lines, and areas (which have no direction), as columns."""

    shapes: Shapes
    radius: Floats
    direction: Floats  # (n, 2) unit vectors; NaN for areas
    row: Rows  # conductor


def find(layout: Layout) -> Iterator[Finding]:
    """Yield one finding per pair of nets, layers and run."""
    board = layout.board
    quiet_regions = [region.index for region in layout.regions if region.quiet]
    references = [net for region in layout.regions for net in region.reference | region.planes]
    noisy = np.setdiff1d(layout.matching(layout.rules.nets.noisy), references)
    quiet = np.flatnonzero(np.isin(layout.region_of_net, quiet_regions))
    quiet = np.setdiff1d(quiet, np.concatenate((references, noisy)))
    for layer in range(len(board.layers)):
        victims = _segments(layout, quiet, layer, areas=False)
        for other in (layer - 1, layer, layer + 1):
            if 0 <= other < len(board.layers):
                yield from _between(
                    layout, victims, _segments(layout, noisy, other, areas=True), (layer, other)
                )


def why_not(layout: Layout) -> str | None:
    """The rule needs both kinds of nets."""
    if not layout.rules.nets.noisy:
        return "no net is listed as noisy"
    return None if any(region.quiet for region in layout.regions) else "no region is quiet"


def _segments(layout: Layout, nets: Ints | Rows, layer: int, *, areas: bool) -> _Segments:
    copper = layout.board.copper
    here = np.isin(copper.net, nets) & (copper.layer == layer) & ~copper.pad
    lines = np.flatnonzero(here & ((copper.kind != Kind.AREA) | (copper.centre >= 0)))
    skeletons = copper.skeletons(lines)
    cut = copper.centre[lines] >= 0
    skeletons[cut] = copper.centres[copper.centre[lines[cut]]]
    pieces, row, radius, direction = _pieces(skeletons, lines, copper.radius[lines])
    traces = _Segments(pieces, radius, direction, row)
    if not areas:
        return traces
    flat = np.flatnonzero(here & (copper.kind == Kind.AREA) & (copper.centre < 0))
    no_direction = np.full((len(flat), 2), np.nan)
    return joined(
        [traces, _Segments(copper.skeletons(flat), copper.radius[flat], no_direction, flat)]
    )


def _pieces(lines: Shapes, rows: Rows, radius: Floats) -> tuple[Shapes, Rows, Floats, Floats]:
    """Take lines apart into straight pieces of non-zero length."""
    parts, owner = shapely.get_parts(lines, return_index=True)
    xy, line = shapely.get_coordinates(parts, return_index=True)
    starts = np.flatnonzero(line[:-1] == line[1:])
    ends = np.stack((xy[starts], xy[starts + 1]), axis=1)
    along = ends[:, 1] - ends[:, 0]
    length = np.hypot(along[:, 0], along[:, 1])
    real = length > 0
    index = owner[line[starts]][real]
    unit = along[real] / length[real, None]
    return shapely.linestrings(ends[real]), rows[index], radius[index], unit


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Pieces of quiet and noisy nets that couple, as parallel columns."""

    victim: Rows  # positions
    culprit: Rows
    gap: Floats  # edge to edge, mm
    centres: Floats  # between centre lines, mm
    together: Shapes  # the part of the victim that is within reach


def _between(
    layout: Layout, victims: _Segments, noisy: _Segments, layers: tuple[int, int]
) -> Iterator[Finding]:
    """Findings of one pair of layers."""
    if not len(victims.row) or not len(noisy.row):
        return
    reach = layout.limits[GAP.name]
    pairs = _coupled(victims, noisy, reach)
    for nets, members in _by_nets(layout, victims.row[pairs.victim], noisy.row[pairs.culprit]):
        for run in _runs(pairs.together[members], reach):
            if shapely.length(run) > layout.limits[RUN.name]:
                close = [i for i in members if shapely.distance(pairs.together[i], run) == 0]
                best = min(close, key=lambda i: (pairs.gap[i], pairs.centres[i]))
                yield _finding(
                    layout, nets, layers, run, (float(pairs.gap[best]), float(pairs.centres[best]))
                )


def _coupled(victims: _Segments, noisy: _Segments, reach: float) -> _Pairs:
    """Pieces that run together and lie within reach of each other."""
    a, b = _meeting(victims, noisy, reach)
    cosine = np.abs(np.sum(victims.direction[a] * noisy.direction[b], axis=1))
    along = np.isnan(cosine) | (cosine >= PARALLEL)
    a, b = a[along], b[along]
    gap = gaps(victims.shapes[a], victims.radius[a], noisy.shapes[b], noisy.radius[b])
    near = gap < reach - NOISE
    a, b, gap = a[near], b[near], gap[near]
    centres = shapely.distance(victims.shapes[a], noisy.shapes[b])
    zone = shapely.buffer(
        noisy.shapes[b], noisy.radius[b] + victims.radius[a] + reach, quad_segs=STEPS
    )
    return _Pairs(a, b, gap, centres, shapely.intersection(victims.shapes[a], zone))


def _meeting(victims: _Segments, noisy: _Segments, reach: float) -> tuple[Rows, Rows]:
    """Pairs of pieces whose boxes come within reach."""
    boxes = shapely.box(
        *(shapely.bounds(noisy.shapes) + (noisy.radius[:, None] + reach) * [-1, -1, 1, 1]).T
    )
    copper = shapely.buffer(victims.shapes, victims.radius, quad_segs=1, cap_style="square")
    a, b = shapely.STRtree(boxes).query(copper)
    return a, b


def _by_nets(
    layout: Layout, victims: Rows, culprits: Rows
) -> list[tuple[tuple[int, int], list[int]]]:
    """Positions of pairs by their two nets, in order."""
    net = layout.board.copper.net
    pairs: dict[tuple[int, int], list[int]] = defaultdict(list)
    for i, pair in enumerate(zip(net[victims].tolist(), net[culprits].tolist(), strict=True)):
        pairs[pair].append(i)
    return sorted(pairs.items())


def _runs(lines: Shapes, reach: float) -> Iterable[shapely.Geometry]:
    """Merge pieces of one pair of nets into connected runs."""
    parts, _ = line_parts([shapely.union_all(lines)])
    near = shapely.STRtree(parts).query(parts, "dwithin", reach)
    for group in components(len(parts), near.T):
        yield shapely.union_all(parts[group])


def _finding(
    layout: Layout,
    nets: tuple[int, int],
    layers: tuple[int, int],
    run: shapely.Geometry,
    between: tuple[float, float],
) -> Finding:
    gap, centres = between
    length = float(shapely.length(run))
    height = _height(layout, layers[0])
    coupling = None if height is None else crosstalk(centres, height)
    volts = dict(_volts(layout, nets[1], coupling, _induced(layout, layers, centres, length)))
    middle = shapely.line_interpolate_point(shapely.get_parts(run)[0], 0.5, normalized=True)
    beside = _beside(layout, nets, layers, length, gap)
    return layout.finding(
        RULE,
        message=f"{beside}{_effect(coupling, volts)}",
        at=(float(middle.x), float(middle.y)),
        layer=layers[0],
        nets=nets,
        net_layers=layers,
        regions=(int(layout.region_of_net[nets[0]]),),
        path=tuple(
            tuple((float(x), float(y)) for x, y in part.coords) for part in shapely.get_parts(run)
        ),
        measured=length,
        required=layout.limits[RUN.name],
        harm=length * (coupling if coupling is not None else 1.0),
        detail={
            "gap_mm": round(gap, 6),
            "coupling": None if coupling is None else round(coupling, 6),
            "height_mm": height,
            "other_layer": layout.layer_id(layers[1]),
        }
        | ({"volts": volts} if volts else {}),
    )


def _beside(
    layout: Layout, nets: tuple[int, int], layers: tuple[int, int], length: float, gap: float
) -> str:
    """Which net runs how long and how far beside which."""
    victim, culprit = (layout.board.nets[net].name for net in nets)
    where, there = map(layout.layer_id, layers)
    other = "" if where == there else f" on {there}"
    apart = "right over it" if where != there and gap == 0 else f"{mm(gap)} apart"
    return f"{victim} on {where} runs {mm(length)} beside noisy {culprit}{other}, {apart}"


def _effect(coupling: float | None, volts: Mapping[str, float]) -> str:
    told = "" if coupling is None else f", coupling up to {plain(100 * coupling, 1)} %"
    return told + "".join(f", {wording.voltage(value)} {words}" for words, value in volts.items())


def _volts(
    layout: Layout, culprit: int, coupling: float | None, mutual: float | None
) -> Iterator[tuple[str, float]]:
    """What is coupled in V, where the rules file tells what the noisy net does: from its ripple,
    from its edge.

    `mutual` is the inductance in H between the lengths that run together.
    """
    for current in layout.rules.currents:
        if (
            current.ripple
            and current.frequency
            and culprit in layout.matching((current.net,)).tolist()
            and mutual
        ):
            yield (
                f"from the ripple of {current.name}",
                2 * pi * current.frequency * mutual * current.ripple,
            )
    if coupling and any(
        culprit in layout.matching((pattern,)).tolist() for pattern in layout.rules.nets.edge_ns
    ):
        yield f"at most from an edge of {SWING:g} V", coupling * SWING


def _induced(
    layout: Layout, layers: tuple[int, int], centres: float, length: float
) -> float | None:
    """Inductance in H between the lengths that run together, None where no plane is known that both
    run over.
    """
    planes = {pour.layer for pour in layout.pours} - set(layers)
    depth = np.concatenate(([0.0], np.cumsum(layout.board.stackup.dielectric))).tolist()
    if (
        len(depth) < len(layout.board.layers)
        or not planes
        or (centres == 0 and layers[0] == layers[1])
    ):
        return None
    own, other = layers
    heights = min(
        (abs(depth[plane] - depth[own]), abs(depth[plane] - depth[other])) for plane in planes
    )
    return mutual_inductance(centres, heights) * length * 1e-9


def _height(layout: Layout, layer: int) -> float | None:
    """Distance in mm from a layer to the nearest layer with a pour, None if the stackup does not
    tell.
    """
    dielectric = layout.board.stackup.dielectric
    poured = {pour.layer for pour in layout.pours} - {layer}
    if not dielectric or not poured:
        return None
    return min(sum(dielectric[min(layer, other) : max(layer, other)]) for other in poured)
