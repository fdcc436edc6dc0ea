"""The review page: one HTML file that works from disk without a network, board drawn to scale,
findings to fly to.

Template, style and script stand beside this module; the record of the JSON report is embedded
whole. List, stories and a still picture are written here, so that the page tells all without a
script; the script lets people work with them. Style and script are allowed by their hashes alone.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping
from html import escape
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from checker import wording
from checker.drawing import Pictures, flows, palette
from checker.drawing.callouts import callout_marks
from checker.drawing.paths import path_data
from checker.drawing.placement import Grid
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
from checker.drawing.view import View
from checker.reports import Format, page_list
from checker.reports.record import json_text, plain_value, record
from checker.results.outcome import Outcome

HATCH = 10  # px between hatch lines
# mm; smaller rings (antipads) show by their fill alone, their edges would make zooming slow
LEAST_EDGE = 2.0
RIM = 60  # micrometres of dark rim round unplated holes
STILL = 1000.0  # px, width of the picture that is seen without a script
AROUND = 0.03  # of the board's width, on each side of that picture


CURRENTS = (
    '<label><input type="checkbox" id="field-switch" checked aria-label="Currents in the'
    ' reference"> currents in the reference (d.c.), where pours are shown</label>'
)


def write(outcome: Outcome, pictures: Pictures, stream: TextIO) -> None:
    """Write the page; without a scene it shows the findings' paths on bare board."""
    scene = pictures.scene or _bare(outcome)
    here = Path(__file__).parent
    style, script = ((here / name).read_text(encoding="utf-8") for name in ("page.css", "page.js"))
    first = _first_layer(outcome, scene)
    parts = {
        "title": _words(f"{outcome.verdict}: {outcome.title or outcome.path}"),
        "heading": _words(outcome.title or outcome.path),
        "verdict": escape(outcome.verdict),
        "tally": _words(_tally(outcome)),
        "caution": _words(outcome.caution),
        "style-hash": _hash(style),
        "script-hash": _hash(script),
        "style": style,
        "script": script,
        "board-label": _words(
            f"Board {outcome.title or outcome.path}, drawn to scale, seen from the top"
        ),
        "patterns": "".join(_patterns(scene)),
        "world": "\n".join(_world(scene, first)),
        "currents": CURRENTS if scene.fields else "",
        **_still(scene, first),
        **page_list.parts(outcome, _current_key(scene)),
        "data": _embedded(_data(outcome, scene, first)),
    }
    stream.write(_filled((here / "page.html").read_text(encoding="utf-8"), parts))


def _current_key(scene: Scene) -> str:
    """What colours, lines and signs of currents mean, on every layer that has them."""
    listed = {
        words: sample for layer in scene.layers for sample, words in flows.entries(scene, layer)
    }
    rows = "".join(
        f'<li><svg viewBox="0 0 34 20" aria-hidden="true">{sample}</svg>{_words(words)}</li>'
        for words, sample in listed.items()
    )
    return f'<ul class="key">{rows}</ul>' if rows else ""


def _words(words: str) -> str:
    """Words for people: markup escaped, characters that steer a terminal or turn the direction of
    writing replaced.
    """
    return escape(wording.printable(words))


def _hash(text: str) -> str:
    """What a content security policy knows an inline style or script by."""
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"


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
    return json_text(plain_value(value)).replace("<", "\\u003c")


def _tally(outcome: Outcome) -> str:
    baseline = f"; {outcome.since_baseline}" if outcome.since_baseline else ""
    today = f"; dates held against {outcome.today}" if outcome.today else ""
    counted = f"{outcome.standing}; {wording.tally(outcome.findings)}"
    return f"{counted}; {outcome.path}; moatcheck {outcome.version}{baseline}{today}"


def _first_layer(outcome: Outcome, scene: Scene) -> SceneLayer | None:
    """The layer that is seen at first: that of the worst finding, or the first with signals."""
    called = [layer for group in outcome.groups for layer in group.worst.on]
    wanted = [layer for name in called[:1] for layer in scene.layers if layer.id == name]
    return next(
        iter([*wanted, *(layer for layer in scene.layers if layer.signals), *scene.layers]), None
    )


def _data(outcome: Outcome, scene: Scene, first: SceneLayer | None) -> dict[str, Any]:
    callouts = scene.callouts or callouts_of(outcome.findings)
    return {
        "report": record(outcome),
        "groups": [
            {"id": group.id, "members": [f.id for f in group.members]} for group in outcome.groups
        ],
        "callouts": {callout.id: _callout(callout) for callout in callouts},
        "figures": {finding.id: wording.measurement(finding) for finding in outcome.findings},
        "first": first.id if first else None,
        "bounds": scene.bounds,
        "nets": [wording.printable(net) for net in scene.nets],
        "layers": [
            {
                "id": x.id,
                "name": wording.printable(x.name),
                "signals": x.signals,
                "references": x.references,
            }
            for x in scene.layers
        ],
        "regions": [
            _region(index, region.name, quiet=region.quiet)
            for index, region in enumerate(scene.regions)
        ],
    }


def _callout(callout: Callout) -> dict[str, Any]:
    """What is drawn of a finding."""
    return {
        "number": callout.number,
        "layers": callout.layers,
        "legs": [{"points": leg.points, "far": leg.far} for leg in callout.legs if leg.hop is None],
        "joined": callout.joined,
        "detour": callout.detour,
    }


def _region(index: int, name: str, *, quiet: bool) -> dict[str, Any]:
    look = palette.region_look(index)
    return {
        "name": wording.printable(name),
        "quiet": quiet,
        "colour": look.colour,
        "angle": look.angle,
    }


def _still(scene: Scene, first: SceneLayer | None) -> dict[str, str]:
    """Marks and view of the whole board, as they are seen without a script."""
    x0, y0, x1, y1 = scene.bounds
    pad = AROUND * (x1 - x0)
    window = (x0 - pad, y0 - pad, x1 + pad, y1 + pad)
    wide, high = window[2] - window[0], window[3] - window[1]
    view = View(window, (0.0, 0.0, STILL, STILL * high / wide))
    chosen = [callout for callout in scene.callouts if first is None or callout.on(first.id)]
    marks = callout_marks(chosen, view.at, view.box, Grid(view.box), Grid(view.box))
    k = wide * PER_MM / STILL
    clip = f'<clipPath id="frame"><path d="M0 0H{STILL:g}V{view.box[3]:.0f}H0Z"/></clipPath>'
    place = f"translate({window[0] * PER_MM:.0f} {-window[3] * PER_MM:.0f}) scale({k:.6g})"
    box = (window[0], -window[3], wide, high)
    return {
        "view-box": " ".join(f"{value * PER_MM:.0f}" for value in box),
        "still": f'{clip}<g transform="{place}">{marks}</g>',
    }


def _still_pixel(scene: Scene) -> float:
    """Micrometres to a pixel of the picture that is seen without a script."""
    return (scene.bounds[2] - scene.bounds[0]) * (1 + 2 * AROUND) * PER_MM / STILL


def _bare(outcome: Outcome) -> Scene:
    """A scene without copper."""
    none = Lines(np.empty((0, 2), np.int64), np.empty(0, np.int64))
    boxes = [finding.extent for finding in outcome.findings] + (
        [outcome.bounds] if outcome.bounds else []
    )
    table = np.array(boxes or [(0.0, 0.0, 1.0, 1.0)])
    x0, y0 = table[:, :2].min(axis=0).tolist()
    x1, y1 = table[:, 2:].max(axis=0).tolist()
    layers = tuple(
        SceneLayer(name, own, side, signals=True, references=())
        for name, own, side in outcome.layers
    )
    return Scene(
        (x0, y0, max(x1, x0 + 1), max(y1, y0 + 1)),
        none,
        layers,
        (),
        (),
        callouts_of(outcome.findings),
    )


# ---------------------------------------------------------------------------------------- the board


def _patterns(scene: Scene) -> Iterator[str]:
    """Hatches whose pitch the script keeps in pixels whatever the zoom."""
    k = _still_pixel(scene)
    for index in range(len(scene.regions)):
        look = palette.region_look(index)
        turn = f'patternTransform="scale({k:.6g}) rotate({-look.angle})" data-angle="{-look.angle}"'
        size = f'width="{HATCH}" height="{HATCH}"'
        yield (
            f'<pattern id="hatch{index}" {size} patternUnits="userSpaceOnUse" {turn}><rect'
            f' class="tint" {size} fill="{look.colour}"/><path d="M0 5H{HATCH}"'
            f' stroke="{look.colour}"/></pattern>'
        )


def _world(scene: Scene, first: SceneLayer | None) -> Iterator[str]:
    """Groups that the page switches: outline, pours per layer, copper per layer, holes; one layer
    is seen at first.
    """
    poured = (first.id, first.main_reference) if first else ()
    outline = path_data(scene.outline, closed=True)
    yield f'<g id="material"><path class="material" d="{outline}"/></g>'
    for layer in scene.layers:
        yield from _pours(scene, layer.id, seen=layer.id in poured)
    yield from flows.page_groups(scene, poured)
    for layer in reversed(scene.layers):
        yield from _copper(scene, layer.id, seen=first is layer)
    yield "<g>"
    yield from _holes(scene, None)
    yield f'</g>\n<g><path class="edge" d="{outline}"/></g>'
    yield from flows.page_words(scene, poured)


def _pours(scene: Scene, layer: str, *, seen: bool) -> Iterator[str]:
    yield f'<g class="pours{"" if seen else " off"}" data-layer="{escape(layer)}">'
    for shape in scene.shapes:
        if shape.role in (POUR, PLANE) and shape.layer == layer and len(shape.lines):
            look = palette.region_look(shape.region)
            data = path_data(shape.lines, closed=True)
            owners = _owners(shape)
            edges = path_data(shape.lines.wider_than(LEAST_EDGE), closed=True)
            kind = " plane" if shape.role == PLANE else ""
            yield (
                f'<path class="r{shape.region}" fill="url(#hatch{shape.region})"{owners}'
                f' d="{data}"/><path class="rim r{shape.region}{kind}" stroke="{look.colour}"'
                f' d="{edges}"/>'
            )
    yield "</g>"


def _copper(scene: Scene, layer: str, *, seen: bool) -> Iterator[str]:
    yield f'<g class="copper{"" if seen else " off"}" data-layer="{escape(layer)}">'
    shapes = [
        s
        for s in scene.shapes
        if s.role in (TRACE, PAD, OTHER) and s.layer == layer and len(s.lines)
    ]
    for shape in sorted(shapes, key=lambda s: (s.net is not None, s.role == PAD)):
        names = [f"r{shape.region}"] if shape.region >= 0 else []
        names += (
            ["pad"] * (shape.role == PAD)
            + ["area"] * (shape.width == 0)
            + ["lit"] * (shape.net is not None)
        )
        net = f' data-net="{escape(shape.net)}"' if shape.net is not None else ""
        net += _owners(shape)
        width = f' stroke-width="{round(shape.width * PER_MM)}"' if shape.width else ""
        yield (
            f'<path class="{" ".join(names)}"{net}{width}'
            f' d="{path_data(shape.lines, closed=not shape.width)}"/>'
        )
    yield from _holes(scene, layer)
    yield "</g>"


def _owners(shape: Shape) -> str:
    """Which net each line of a path belongs to, as runs: `7*3 9` is three lines of net 7 and one of
    net 9.
    """
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
