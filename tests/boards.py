"""Boards for tests: a sketch in a few lines, named cases from fixtures/rules, and three ways to
make a Board of them.

A case file holds one table per case; see `cases`. Numbers are compared within 0.001 mm (the
contract), lists of findings are exact in number.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from scipy.optimize import linear_sum_assignment

from checker.config.rules_file import parse_rules
from checker.demo.gerber_writer import write_gerber
from checker.demo.ipc2581_writer import PERMITTIVITY, write_ipc2581
from checker.demo.sketch import (
    COPPER,
    NOT_CONNECTED,
    OVAL,
    RECTANGLE,
    Contour,
    Draw,
    Hole,
    Pad,
    Part,
    Pour,
    Sketch,
    Step,
    box,
    legs,
    via,
)
from checker.findings import Finding, identified
from checker.layout.layout import Layout
from checker.rules import known_limits, registry
from parsers import read_board
from parsers.assembly.connectivity import connect
from parsers.board import (
    BOTTOM,
    PLATED,
    TOP,
    UNPLATED,
    Board,
    BoardFile,
    Component,
    Hints,
    Holes,
    Net,
    Outline,
    Pin,
    Stackup,
    empty_board,
    holes,
)
from parsers.primitives import (
    NO_NET,
    UNKNOWN_NET,
    Conductors,
    Kind,
    arc_points,
    concatenate,
    conductors,
)

FIXTURES = Path(__file__).parent.parent / "fixtures"
RULE_CASES = FIXTURES / "rules"
TOLERANCE = 0.001  # mm, the contract's word on distances
MARGIN = 5.0  # mm of bare board around the copper of a case that names no outline

Way = Callable[[Sketch, Path], Board]


@dataclass(frozen=True, slots=True)
class Case:
    """A named board with its rules and the findings that it must give."""

    name: str
    because: str
    sketch: Sketch
    rules: str
    expect: tuple[Mapping[str, Any], ...]
    folder: Path = RULE_CASES  # tables named in the rules are found here

    def __str__(self) -> str:
        return self.name


# -------------------------------------------------------------------------------------------- cases


def cases(rule: str, folder: Path = RULE_CASES) -> list[Case]:
    """Read fixtures/rules/<rule>.toml: a list of cases in the order of the file. A missing file is
    an error.

    Keys of a case, all optional but `because` and `expect`:
      pours  {net | region, layer, box | points, holes = [[...], ...], function}: region "a" means net "GND_A"
      draws  {net, layer, width, points}, an arc is a point [x, y, cx, cy, turn]
      pads   {net, layer (or layers = [...]), at, size (number or [w, h]), shape, refdes, pin, function}
      vias   {net, at, drill = 0.3, land = 0.6}: lands on all layers and a plated hole
      holes  {at, to, diameter, plated, net, span, refdes, pin}
      parts  {refdes, package, side}
      outline  points or {box}; default: the copper's bounds and 5 mm around
      cutouts, layers (number), thickness, dielectric
      rules    TOML text, or a table merged over the default rules (see `default_rules`)
      expect   list of partial findings: every key given must agree; [] = nothing found
    """
    with (folder / f"{rule}.toml").open("rb") as file:
        tables = tomllib.load(file)
    return [case(name, table, folder) for name, table in tables.items()]


def case(name: str, table: Mapping[str, Any], folder: Path = RULE_CASES) -> Case:
    """One case from its table."""
    known = {
        "because",
        "pours",
        "draws",
        "pads",
        "vias",
        "holes",
        "parts",
        "outline",
        "cutouts",
        "layers",
    }
    strange = set(table) - known - {"thickness", "dielectric", "rules", "expect"}
    if strange:
        raise ValueError(f"{name}: no such keys in a case: {', '.join(sorted(strange))}")
    drawn = sketch(name, table)
    given = table.get("rules", {})
    rules = given if isinstance(given, str) else toml(merged(default_rules(table, drawn), given))
    return Case(name, table["because"], drawn, rules, tuple(table["expect"]), folder)


def sketch(name: str, table: Mapping[str, Any]) -> Sketch:
    """The board of a case."""
    layers = table.get("layers", _highest_layer(table))
    vias = [
        via(v["net"], _xy(v["at"]), layers, **_only(v, "drill", "land"))
        for v in table.get("vias", ())
    ]
    drawn = Sketch(
        title=name,
        layers=layers,
        outline=box(0, 0, 1, 1),
        cutouts=tuple(_contour(c) for c in table.get("cutouts", ())),
        pours=tuple(_pour(p) for p in table.get("pours", ())),
        draws=tuple(
            Draw(net=d.get("net"), layer=d["layer"], width=d["width"], points=_contour(d["points"]))
            for d in table.get("draws", ())
        ),
        pads=(*_pads(table.get("pads", ()), layers), *(pad for lands, _ in vias for pad in lands)),
        holes=(*(_hole(h) for h in table.get("holes", ())), *(hole for _, hole in vias)),
        parts=tuple(Part(**p) for p in table.get("parts", ())),
        thickness=table.get("thickness", 1.6),
        dielectric=tuple(table.get("dielectric", ())),
    )
    return replace(
        drawn, outline=_contour(table["outline"]) if "outline" in table else around(drawn)
    )


def around(drawn: Sketch, margin: float = MARGIN) -> Contour:
    """A rectangle around everything in a sketch."""
    points: list[tuple[float, float]] = [
        (float(s[0]), float(s[1])) for p in drawn.pours for s in p.contour
    ]
    points += [(float(s[0]), float(s[1])) for d in drawn.draws for s in d.points]
    points += [
        (p.at[0] + s * p.size[0] / 2, p.at[1] + s * p.size[1] / 2)
        for p in drawn.pads
        for s in (-1, 1)
    ]
    points += [end for h in drawn.holes for end in (h.at, h.to or h.at)]
    xs, ys = [p[0] for p in points] or [0.0], [p[1] for p in points] or [0.0]
    return box(min(xs) - margin, min(ys) - margin, max(xs) + margin, max(ys) + margin)


def default_rules(table: Mapping[str, Any], drawn: Sketch) -> dict[str, Any]:
    """Regions as the pours name them: the first claims every net, a region "b" the nets "B_*" where
    there are any.
    """
    names = list(dict.fromkeys(p["region"] for p in table.get("pours", ()) if "region" in p))
    regions: dict[str, Any] = {}
    for name in names:
        own = (
            [f"{name.upper()}_*"]
            if any(n.startswith(f"{name.upper()}_") for n in drawn.nets())
            else []
        )
        regions[name] = {"reference": [reference_net(name)], "nets": own if regions else ["*"]}
    return {"schema": 1, "title": drawn.title, "region": regions}


def reference_net(region: str) -> str:
    """The reference net that a case's region has unless its rules say otherwise."""
    return f"GND_{region.upper()}"


def merged(base: Mapping[str, Any], more: Mapping[str, Any]) -> dict[str, Any]:
    """Lay a table over another: tables merge, everything else replaces."""
    out = dict(base)
    for key, value in more.items():
        old = out.get(key)
        out[key] = (
            merged(old, value) if isinstance(old, Mapping) and isinstance(value, Mapping) else value
        )
    return out


def toml(value: Any, *, top: bool = True) -> str:
    """Write plain values as TOML, one line per key at the top, inline below."""
    if isinstance(value, Mapping):
        pairs = [f"{_key(k)} = {toml(v, top=False)}" for k, v in value.items()]
        return "\n".join(pairs) + "\n" if top else "{ " + ", ".join(pairs) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml(v, top=False) for v in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return str(value)  # numbers and dates


def _key(name: str) -> str:
    bare = name.replace("_", "").replace("-", "")
    return name if bare.isascii() and bare.isalnum() else toml(name, top=False)


def _only(table: Mapping[str, Any], *names: str) -> dict[str, Any]:
    return {name: table[name] for name in names if name in table}


def _xy(point: Sequence[float]) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _contour(points: Any) -> Contour:
    if isinstance(points, Mapping):
        return box(*points["box"])
    return tuple(tuple(float(v) for v in p) for p in points)


def _pour(table: Mapping[str, Any]) -> Pour:
    contour = box(*table["box"]) if "box" in table else _contour(table["points"])
    net = (
        reference_net(table["region"])
        if "net" not in table and "region" in table
        else table.get("net")
    )
    holes_ = tuple(_contour(h) for h in table.get("holes", ()))
    return Pour(
        net=net, layer=table["layer"], contour=contour, holes=holes_, **_only(table, "function")
    )


def _pads(tables: Iterable[Mapping[str, Any]], layers: int) -> list[Pad]:
    out = []
    for t in tables:
        size = (t["size"], t["size"]) if isinstance(t["size"], int | float) else _xy(t["size"])
        named = _only(t, "shape", "refdes", "pin", "pin_name", "function")
        on = t.get("layers") or [t["layer"]]
        on = [f"L{n}" for n in range(1, layers + 1)] if on == "all" else on
        out += [
            Pad(net=t.get("net"), layer=layer, at=_xy(t["at"]), size=size, **named) for layer in on
        ]
    return out


def _hole(table: Mapping[str, Any]) -> Hole:
    rest = {k: v for k, v in table.items() if k not in ("at", "to", "span")}
    to = _xy(table["to"]) if "to" in table else None
    span = (table["span"][0], table["span"][1]) if "span" in table else None
    return Hole(at=_xy(table["at"]), to=to, span=span, **rest)


def _highest_layer(table: Mapping[str, Any]) -> int:
    objects = [o for key in ("pours", "draws", "pads") for o in table.get(key, ())]
    named = [
        layer
        for o in objects
        for layer in ([o["layer"]] if "layer" in o else o["layers"])
        if layer != "all"
    ]
    return max([2, *(int(layer[1:]) for layer in named if layer[1:].isdigit())])


# --------------------------------------------------------------------------------------------- ways


def built_directly(drawn: Sketch, _: Path | None = None) -> Board:
    """The board without any file: columns filled in, then connected."""
    base = empty_board(f"{drawn.title}", drawn.layers)
    names = _Names(drawn)
    copper = concatenate(
        [
            *(_poured(p, names) for p in drawn.pours),
            *_strokes(drawn, names),
            *(_flashed(p, names) for p in drawn.pads),
        ]
    )
    joined = connect(
        copper,
        _drilled(drawn, names),
        names.net_table,
        drawn.layers,
        tuple(names.functions),
        tuple(names.parts),
    )
    return replace(
        base,
        title=drawn.title,
        files=(BoardFile(drawn.title, "", None, "copper"),),
        stackup=_stackup(drawn),
        nets=tuple(names.net_table),
        refdes=tuple(names.parts),
        pins=tuple(names.pins),
        functions=tuple(names.functions),
        copper=joined.copper,
        holes=joined.holes,
        outline=Outline(_material(drawn)),
        components=_components(drawn, names),
        connectivity=joined.connectivity,
        doubts=joined.doubts,
    )


def _stackup(drawn: Sketch) -> Stackup:
    """What the writers of both formats tell of thicknesses."""
    known = drawn.thickness is not None
    told = (PERMITTIVITY,) * len(drawn.gaps)
    return Stackup(drawn.thickness, drawn.gaps, told, (COPPER,) * drawn.layers if known else ())


def through_gerber(drawn: Sketch, folder: Path, hints: Hints | None = None) -> Board:
    """The board written as a Gerber X2 package and read again."""
    target = folder / "gerber"
    write_gerber(drawn, target)
    return read_board(target, hints)


def through_ipc2581(
    drawn: Sketch, folder: Path, hints: Hints | None = None, revision: str = "C"
) -> Board:
    """The board written as an IPC-2581 file and read again."""
    target = folder / f"board-{revision}.xml"
    write_ipc2581(drawn, target, revision)
    return read_board(target, hints)


WAYS: tuple[Way, ...] = (built_directly, through_gerber, through_ipc2581)


class _Names:
    """Indices of the names in a sketch."""

    def __init__(self, drawn: Sketch) -> None:
        self.net_table = [Net(n) for n in drawn.nets()]
        self._nets = {n.name: i for i, n in enumerate(self.net_table)}
        self.parts = {r: i for i, r in enumerate(drawn.refdes())}
        self._alone: dict[tuple[str | None, str | None], int] = {}
        pinned: tuple[Pad | Hole, ...] = (*drawn.pads, *drawn.holes)
        self.pins = {
            p: i for i, p in enumerate(sorted({o.pin for o in pinned if o.pin is not None}))
        }
        used = (
            {o.function for o in pinned}
            | {p.function for p in drawn.pours}
            | {d.function for d in drawn.draws}
        )
        self.functions = {f: i for i, f in enumerate(sorted(used))}

    def net(self, thing: Pour | Draw | Pad | Hole) -> int:
        if thing.net is None:
            return UNKNOWN_NET
        if thing.net == NOT_CONNECTED:
            return self._alone_net((getattr(thing, "refdes", None), getattr(thing, "pin", None)))
        return self._nets[thing.net] if thing.net else NO_NET

    def _alone_net(self, pin: tuple[str | None, str | None]) -> int:
        if pin not in self._alone or pin[1] is None:
            self._alone[pin] = len(self.net_table)
            self.net_table.append(Net(NOT_CONNECTED, single=True))
        return self._alone[pin]

    def columns(self, thing: Pour | Draw | Pad) -> dict[str, int]:
        columns = {
            "net": self.net(thing),
            "layer": int(thing.layer[1:]) - 1,
            "function": self.functions[thing.function],
        }
        if isinstance(thing, Pad):
            columns |= self.pin_columns(thing)
        return columns

    def pin_columns(self, thing: Pad | Hole) -> dict[str, int]:
        return {
            "component": self.parts.get(thing.refdes or "", -1),
            "pin": self.pins.get(thing.pin or "", -1),
        }


def _poured(pour: Pour, names: _Names) -> Conductors:
    area = shapely.Polygon(
        ring(pour.contour, outward=True), [ring(h, outward=False) for h in pour.holes]
    )
    return conductors(
        1, kind=Kind.AREA, area=0, areas=[shapely.normalize(area)], **names.columns(pour)
    )


def _strokes(drawn: Sketch, names: _Names) -> list[Conductors]:
    out = []
    for draw in drawn.draws:
        columns = names.columns(draw) | {"radius": draw.width / 2}
        for start, step in legs(draw.points):
            arc = len(step) > 2
            row = arc_row(start, step) if arc else (*start, *step, 0.0)
            out.append(
                conductors(
                    1, kind=Kind.ARC if arc else Kind.STROKE, geometry=np.array([row]), **columns
                )
            )
    return out


def _flashed(pad: Pad, names: _Names) -> Conductors:
    (x, y), (w, h) = pad.at, pad.size
    columns = names.columns(pad) | {"pad": True}
    if pad.shape == RECTANGLE:
        area = shapely.box(x - w / 2, y - h / 2, x + w / 2, y + h / 2)
        return conductors(1, kind=Kind.AREA, area=0, areas=[area], **columns)
    if pad.shape == OVAL and w != h:
        dx, dy = max(w - h, 0) / 2, max(h - w, 0) / 2
        row = np.array([[x - dx, y - dy, x + dx, y + dy, 0]])
        return conductors(1, kind=Kind.STROKE, geometry=row, radius=min(w, h) / 2, **columns)
    return conductors(
        1, kind=Kind.DISC, geometry=np.array([[x, y, 0, 0, 0]]), radius=w / 2, **columns
    )


def _drilled(drawn: Sketch, names: _Names) -> Holes:
    rows = drawn.holes
    pins = [names.pin_columns(h) for h in rows]
    return holes(
        len(rows),
        ends=np.array([(*h.at, *(h.to or h.at)) for h in rows]).reshape(-1, 4),
        radius=np.array([h.diameter / 2 for h in rows]),
        plated=np.array([PLATED if h.plated else UNPLATED for h in rows], dtype=np.int8),
        first=np.array([int(h.span[0][1:]) - 1 if h.span else 0 for h in rows], dtype=np.int32),
        last=np.array(
            [int(h.span[1][1:]) - 1 if h.span else drawn.layers - 1 for h in rows], dtype=np.int32
        ),
        net=np.array([names.net(h) if h.plated else NO_NET for h in rows], dtype=np.int32),
        component=np.array([p["component"] for p in pins], dtype=np.int32),
        pin=np.array([p["pin"] for p in pins], dtype=np.int32),
        function=np.array([names.functions[h.function] for h in rows], dtype=np.int32),
    )


def _components(drawn: Sketch, names: _Names) -> tuple[Component, ...]:
    known = {p.refdes: p for p in drawn.parts}
    out = []
    for refdes in drawn.refdes():
        pads: dict[str, Pad] = {}
        for pad in drawn.pads:
            if pad.refdes == refdes and pad.pin is not None:
                pads.setdefault(pad.pin, pad)
        pins = tuple(
            Pin(number, p.pin_name, names.net(p), p.at) for number, p in sorted(pads.items())
        )
        spread = np.array([p.at for p in pins]).reshape(-1, 2)
        middle = ((spread.min(axis=0) + spread.max(axis=0)) / 2) if pins else np.zeros(2)
        part = known.get(refdes) or Part(refdes=refdes, side=_side(pads.values(), drawn.layers))
        out.append(
            Component(refdes, part.side, (float(middle[0]), float(middle[1])), pins, part.package)
        )
    return tuple(out)


def _side(pads: Iterable[Pad], layers: int) -> str:
    on = {p.layer for p in pads}
    return BOTTOM if on == {f"L{layers}"} else TOP


def _material(drawn: Sketch) -> shapely.Geometry:
    return shapely.Polygon(
        ring(drawn.outline, outward=True), [ring(c, outward=False) for c in drawn.cutouts]
    )


def arc_row(start: tuple[float, float], step: Step) -> tuple[float, float, float, float, float]:
    """An arc step as a row of Kind.ARC geometry: centre, radius, start angle, sweep."""
    x, y, cx, cy, turn = step
    first = math.atan2(start[1] - cy, start[0] - cx)
    sweep = (math.atan2(y - cy, x - cx) - first) % (2 * math.pi)
    if math.isclose(sweep, 0, abs_tol=1e-9) or math.isclose(sweep, 2 * math.pi, abs_tol=1e-9):
        sweep = 2 * math.pi
    elif turn < 0:
        sweep -= 2 * math.pi
    return cx, cy, math.dist(start, (cx, cy)), first, math.copysign(sweep, turn)


def ring(contour: Contour, *, outward: bool) -> np.ndarray[Any, Any]:
    """Points of a closed contour whose arcs never make copper smaller.

    Parameters
    ----------
    outward : the copper lies inside the contour (an outer boundary); else outside it (a hole)
    """
    turned = _signed_area(contour) > 0
    pieces = [np.array([contour[0][:2]], dtype=float)]
    for start, step in legs(contour, closed=True):
        if len(step) == 2:
            pieces.append(np.array([step], dtype=float))
            continue
        cx, cy, radius, first, sweep = arc_row(start, step)
        bulges = (sweep > 0) == turned
        pieces.append(arc_points((cx, cy), radius, first, sweep, side=int(bulges == outward))[1:])
    return np.concatenate(pieces)


def _signed_area(contour: Contour) -> float:
    flat: list[Any] = [contour[0][:2]]
    for start, step in legs(contour, closed=True):
        flat += (
            [step] if len(step) == 2 else list(arc_points(step[2:4], *arc_row(start, step)[2:])[1:])
        )  # type: ignore[arg-type]
    return float(sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(flat)) / 2)


# ----------------------------------------------------------------------------------------- findings


def layout_of(board: Board, rules: str, folder: Path = RULE_CASES) -> Layout:
    """A board seen through rules given as text; tables named in them are found in `folder`."""
    limits = {name: limit.default for name, limit in known_limits().items()}
    return Layout(board, parse_rules(rules, str(folder / "rules.toml"), limits))


def found(board: Board, rules: str, rule: str, folder: Path = RULE_CASES) -> list[Finding]:
    """Findings of one rule, in report order.

    Raises
    ------
    AssertionError : the rule says that it cannot run on this layout
    """
    layout = layout_of(board, rules, folder)
    module = registry()[rule]
    reason = module.why_not(layout)
    assert reason is None, f"{rule} did not run: {reason}"
    return identified(module.find(layout))


def differences(findings: Sequence[Finding], expect: Sequence[Mapping[str, Any]]) -> list[str]:
    """What does not agree, in words: findings that were not expected, expected ones that are
    missing.

    Each expected finding takes one found one (the assignment that satisfies most); an empty list
    means exact.
    """
    agree = np.array([[matches(f, e) for f in findings] for e in expect], dtype=float).reshape(
        len(expect), len(findings)
    )
    rows, columns = linear_sum_assignment(-agree)
    pairs = [(r, c) for r, c in zip(rows, columns, strict=True) if agree[r, c]]
    missing = set(range(len(expect))) - {r for r, _ in pairs}
    extra = set(range(len(findings))) - {c for _, c in pairs}
    return [f"missing: {expect[i]}" for i in sorted(missing)] + [
        f"extra: {findings[i]}" for i in sorted(extra)
    ]


def matches(finding: Finding, expect: Mapping[str, Any]) -> bool:
    """Whether every key that is expected agrees; unknown keys are an error, not a mismatch."""
    return all(_agrees(getattr(finding, key), value, key) for key, value in expect.items())


def _agrees(actual: Any, wanted: Any, key: str) -> bool:
    if key in _COMPARED:
        return _COMPARED[key](actual, wanted)
    if isinstance(wanted, Mapping):
        return all(
            name in actual and _agrees(actual[name], value, name) for name, value in wanted.items()
        )
    if isinstance(wanted, list | tuple):
        return len(actual) == len(wanted) and all(
            _agrees(a, w, "") for a, w in zip(actual, wanted, strict=True)
        )
    plain = isinstance(wanted, bool | str) or wanted is None or actual is None
    return bool(actual == wanted if plain else abs(actual - wanted) <= TOLERANCE)


def _same_path(actual: Any, wanted: Any) -> bool:
    """Whether two sets of polylines are the same lines; direction, order and points within a line
    don't matter.
    """
    lines = [wanted] if wanted and isinstance(wanted[0][0], int | float) else wanted
    if not actual or not lines:
        return not actual and not lines
    a = shapely.MultiLineString([np.array(line)[:, :2] for line in actual])
    b = shapely.MultiLineString([np.array(line, dtype=float)[:, :2] for line in lines])
    length = abs(a.length - b.length) <= TOLERANCE * max(len(lines), 1)
    return bool(length and shapely.hausdorff_distance(a, b) <= TOLERANCE * 1.5)


def _same_names(actual: Any, wanted: Any) -> bool:
    return sorted(actual) == sorted(wanted)


_COMPARED: dict[str, Callable[[Any, Any], bool]] = {
    "level": lambda actual, wanted: str(actual) == wanted,
    "path": _same_path,
    "nets": _same_names,
    "components": _same_names,
    "regions": _same_names,
    "reference_layers": _same_names,
}
