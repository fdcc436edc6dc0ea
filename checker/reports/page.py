"""The review page: one HTML file that works from disk without a network, board drawn to scale, findings to fly to.

Template, style and script stand beside this module; the record of the JSON report is embedded whole.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from html import escape
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from checker import wording
from checker.drawing import Pictures, palette
from checker.drawing.scene import (
    OTHER,
    PAD,
    PER_MM,
    PLAIN_HOLE,
    PLANE,
    PLATED_HOLE,
    POUR,
    TRACE,
    Callout,
    Lines,
    Scene,
    SceneLayer,
    Shape,
    callouts_of,
)
from checker.drawing.svg import path_data
from checker.findings import Finding
from checker.reports import Format
from checker.reports.record import plain_value, record
from checker.results.outcome import Outcome
from checker.rules import registry as rules

HATCH = 10  # px between hatch lines
LEAST_EDGE = 2.0  # mm; smaller rings (antipads) show by their fill alone, their edges would make zooming slow
RIM = 60  # micrometres of dark rim round unplated holes


def write(outcome: Outcome, pictures: Pictures, stream: TextIO) -> None:
    """Write the page; without a scene it shows the findings' paths on bare board."""
    scene = pictures.scene or _bare(outcome)
    here = Path(__file__).parent
    parts = {
        "title": escape(f"{outcome.verdict}: {outcome.title or outcome.path}"),
        "heading": escape(outcome.title or outcome.path),
        "verdict": escape(outcome.verdict),
        "tally": escape(_tally(outcome)),
        "caution": escape(outcome.caution),
        "style": (here / "page.css").read_text(encoding="utf-8"),
        "script": (here / "page.js").read_text(encoding="utf-8"),
        "patterns": "".join(_patterns(scene)),
        "world": "\n".join(_world(scene)),
        "data": _embedded(_data(outcome, scene)),
    }
    stream.write(_filled((here / "page.html").read_text(encoding="utf-8"), parts))


def _filled(template: str, parts: Mapping[str, str]) -> str:
    """Fill in {{name}} marks in one pass, so that what is filled in is never searched for marks."""
    head, *rest = template.split("{{")
    out = [head]
    for piece in rest:
        name, _, tail = piece.partition("}}")
        out += [parts[name], tail]
    return "".join(out)


def _embedded(value: Any) -> str:
    """JSON that cannot end the script element that holds it."""
    text = json.dumps(plain_value(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _tally(outcome: Outcome) -> str:
    baseline = f"; {outcome.since_baseline}" if outcome.since_baseline else ""
    today = f"; dates held against {outcome.today}" if outcome.today else ""
    counted = f"{outcome.standing}; {wording.tally(outcome.findings)}"
    return f"{counted}; {outcome.path}; moatcheck {outcome.version}{baseline}{today}"


def _data(outcome: Outcome, scene: Scene) -> dict[str, Any]:
    callouts = {callout.id: callout for callout in callouts_of(outcome.findings)}
    return {
        "report": record(outcome),
        "callouts": [_callout(callouts[finding.id], finding) for finding in outcome.findings],
        "bounds": scene.bounds,
        "nets": scene.nets,
        "layers": [
            {"id": x.id, "name": x.name, "signals": x.signals, "references": x.references} for x in scene.layers
        ],
        "regions": [_region(index, region.name, quiet=region.quiet) for index, region in enumerate(scene.regions)],
        "manuals": {rule: _manual(rule) for rule in sorted({finding.rule for finding in outcome.findings})},
    }


def _callout(callout: Callout, finding: Finding) -> dict[str, Any]:
    """What the page needs of a finding beside its record."""
    return {
        "number": callout.number,
        "legs": [{"points": leg.points, "far": leg.far} for leg in callout.legs],
        "detour": callout.detour,
        "subject": wording.subject(finding),
        "figures": wording.figures(finding),
        "measurement": wording.measurement(finding),
        "requirement": wording.requirement(finding),
        "sources": wording.sources(finding),
    }


def _region(index: int, name: str, *, quiet: bool) -> dict[str, Any]:
    look = palette.region_look(index)
    return {"name": name, "quiet": quiet, "colour": look.colour, "angle": look.angle}


def _manual(rule: str) -> dict[str, str] | None:
    module = rules().get(rule)
    if module is None:
        return None
    manual = module.manual
    return {
        "Obligation": manual.obligation,
        "Why": manual.why,
        "Measured": manual.measured,
        "Fix": manual.fix,
        "Source": manual.source,
    }


def _bare(outcome: Outcome) -> Scene:
    """A scene without copper."""
    none = Lines(np.empty((0, 2), np.int64), np.empty(0, np.int64))
    boxes = [finding.extent for finding in outcome.findings] + ([outcome.bounds] if outcome.bounds else [])
    table = np.array(boxes or [(0.0, 0.0, 1.0, 1.0)])
    x0, y0 = table[:, :2].min(axis=0).tolist()
    x1, y1 = table[:, 2:].max(axis=0).tolist()
    layers = tuple(SceneLayer(name, own, side, signals=True, references=()) for name, own, side in outcome.layers)
    return Scene((x0, y0, max(x1, x0 + 1), max(y1, y0 + 1)), none, layers, (), (), callouts_of(outcome.findings))


# ------------------------------------------------------------------------------------------------------- the board


def _patterns(scene: Scene) -> Iterator[str]:
    """Hatches whose pitch the script keeps in pixels whatever the zoom."""
    for index in range(len(scene.regions)):
        look = palette.region_look(index)
        yield (
            f'<pattern id="hatch{index}" width="{HATCH}" height="{HATCH}" patternUnits="userSpaceOnUse" '
            f'data-angle="{-look.angle}"><rect class="tint" width="{HATCH}" height="{HATCH}" fill="{look.colour}"/>'
            f'<path d="M0 5H{HATCH}" stroke="{look.colour}"/></pattern>'
        )


def _world(scene: Scene) -> Iterator[str]:
    """Groups that the page switches: outline, pours per layer, copper per layer, holes."""
    outline = path_data(scene.outline, closed=True)
    yield f'<g><path class="material" d="{outline}"/></g>'
    for layer in scene.layers:
        yield from _pours(scene, layer.id)
    for layer in reversed(scene.layers):
        yield from _copper(scene, layer.id)
    yield "<g>"
    yield from _holes(scene, None)
    yield f'</g>\n<g><path class="edge" d="{outline}"/></g>'


def _pours(scene: Scene, layer: str) -> Iterator[str]:
    yield f'<g class="pours off" data-layer="{escape(layer)}">'
    for shape in scene.shapes:
        if shape.role in (POUR, PLANE) and shape.layer == layer and len(shape.lines):
            look = palette.region_look(shape.region)
            data = path_data(shape.lines, closed=True)
            owners = _owners(shape)
            edges = path_data(shape.lines.wider_than(LEAST_EDGE), closed=True)
            kind = " plane" if shape.role == PLANE else ""
            yield (
                f'<path class="r{shape.region}" fill="url(#hatch{shape.region})"{owners} d="{data}"/>'
                f'<path class="rim r{shape.region}{kind}" stroke="{look.colour}" d="{edges}"/>'
            )
    yield "</g>"


def _copper(scene: Scene, layer: str) -> Iterator[str]:
    yield f'<g class="copper off" data-layer="{escape(layer)}">'
    shapes = [s for s in scene.shapes if s.role in (TRACE, PAD, OTHER) and s.layer == layer and len(s.lines)]
    for shape in sorted(shapes, key=lambda s: (s.net is not None, s.role == PAD)):
        names = [f"r{shape.region}"] if shape.region >= 0 else []
        names += ["pad"] * (shape.role == PAD) + ["area"] * (shape.width == 0) + ["lit"] * (shape.net is not None)
        net = f' data-net="{escape(shape.net)}"' if shape.net is not None else ""
        net += _owners(shape)
        width = f' stroke-width="{round(shape.width * PER_MM)}"' if shape.width else ""
        yield f'<path class="{" ".join(names)}"{net}{width} d="{path_data(shape.lines, closed=not shape.width)}"/>'
    yield from _holes(scene, layer)
    yield "</g>"


def _owners(shape: Shape) -> str:
    """Which net each line of a path belongs to, as runs: `7*3 9` is three lines of net 7 and one of net 9."""
    if not len(shape.nets):
        return ""
    first = np.flatnonzero(np.append(True, shape.nets[1:] != shape.nets[:-1]))
    counts = np.diff(np.append(first, len(shape.nets))).tolist()
    runs = zip(shape.nets[first].tolist(), counts, strict=True)
    return f' data-nets="{" ".join(f"{net}*{count}" if count > 1 else str(net) for net, count in runs)}"'


def _holes(scene: Scene, layer: str | None) -> Iterator[str]:
    for shape in scene.shapes:
        if shape.role not in (PLATED_HOLE, PLAIN_HOLE) or shape.layer != layer:
            continue
        data, width = path_data(shape.lines, closed=False), round(shape.width * PER_MM)
        if data and shape.role == PLAIN_HOLE:
            yield f'<path class="rimmed" stroke-width="{width + 2 * RIM}" d="{data}"/>'
        if data:
            yield f'<path class="hole" stroke-width="{width}" d="{data}"/>'


FORMAT = Format("html", "report.html", write, pictures=True)
