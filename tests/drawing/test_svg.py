"""The review image: what must be on it, where, and how large."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
import shapely.affinity
from lxml import etree

from checker import wording
from checker.drawing import palette, scene_of
from checker.drawing.lettering import text_width
from checker.drawing.svg import draw
from checker.findings import Finding, Level, identified
from tests.reports import hostile, sample
from tests.reports.sample import SAFETY

SCENE, OUTCOME = sample.scene(), sample.outcome()
NS = {"s": "http://www.w3.org/2000/svg"}


def parsed(svg: str) -> Any:
    return etree.fromstring(svg.encode())


def words(svg: str) -> str:
    return " ".join("".join(node.itertext()) for node in parsed(svg).iterfind(".//s:text", NS))


def on_picture(svg: str, x: float, y: float) -> tuple[float, float]:
    """Where a place of the board is on the picture, by the transform that the copper has."""
    a, _, _, d, e, f = (float(v) for v in re.search(r"matrix\(([^)]*)\)", svg)[1].split())  # type: ignore[index]
    return a * x * 1000 + e, d * y * 1000 + f


@pytest.mark.parametrize("layer", ["L1", "L2", "L3", "L4"])
def test_every_picture_says_verdict_title_layer_and_caution(layer: str) -> None:
    text = words(draw(SCENE, OUTCOME, layer))
    assert "INCOMPLETE" in text
    assert "Dosing controller, rev C" in text
    assert f"layer {layer}" in text
    assert SAFETY in text


def test_both_axes_have_one_scale_and_y_points_up() -> None:
    svg = draw(SCENE, OUTCOME, "L1")
    (x0, y0), (x1, y1) = on_picture(svg, 0, 0), on_picture(svg, 10, 10)
    assert x1 - x0 == pytest.approx(y0 - y1)
    assert x1 > x0
    assert y1 < y0


def test_a_board_of_100_by_80_mm_fills_the_width_of_the_picture() -> None:
    """At 1600 px a trace of 0.15 mm is at least 2 px wide."""
    svg = draw(SCENE, OUTCOME, "L1")
    assert on_picture(svg, 0.15, 0)[0] - on_picture(svg, 0, 0)[0] >= 2.0


def numbers(svg: str) -> list[str]:
    """Numbers in badges on the board: bold text in the middle of a badge."""
    found = parsed(svg).iterfind(
        ".//s:text[@text-anchor='middle'][@font-weight='bold'][@font-size='16']", NS
    )
    return [node.text for node in found]


@pytest.mark.parametrize("layer", ["L1", "L4"])
def test_every_group_of_the_layer_has_its_number_on_the_board_and_in_the_list(layer: str) -> None:
    wanted = {str(c.number) for c in SCENE.callouts if c.layer in (None, layer)}
    assert sorted(numbers(draw(SCENE, OUTCOME, layer))) == sorted([*wanted, *wanted])
    text = words(draw(SCENE, OUTCOME, layer))
    for group in OUTCOME.groups:
        finding = group.worst
        count = f", {len(group.members)} findings" if len(group.members) > 1 else ""
        if finding.layer == layer:  # the place gives way to figures, which are never cut
            figures = ", ".join(
                filter(None, (wording.measurement(finding), wording.requirement(finding)))
            )
            told = "waived: " + finding.waived.reason if finding.waived else figures
            told = (
                rf"{re.escape(' / '.join(finding.nets))} {finding.rule}{count}( \([\d., ]+\))?"
                rf" ?{re.escape(told)}"
            )
            assert re.search(told, text), told


def test_a_witness_path_is_drawn_at_its_place() -> None:
    svg = draw(SCENE, OUTCOME, "L1")
    ends = [on_picture(svg, *point) for point in ((38.0, 25.0), (39.0, 24.0), (42.0, 24.0))]
    paths = [
        node.get("d")
        for node in parsed(svg).iterfind(f".//s:path[@stroke='{palette.DARK_VERMILLION}']", NS)
    ]
    drawn = [
        [tuple(map(float, pair.split())) for pair in d[1:].split("L")]
        for d in paths
        if "L" in d and "Z" not in d
    ]
    assert any(line == [pytest.approx(end, abs=0.02) for end in ends] for line in drawn)


def test_a_leg_on_the_bottom_is_dashed_and_the_legend_says_so() -> None:
    svg = draw(SCENE, OUTCOME, "L1")
    dashed = [
        n
        for n in parsed(svg).iterfind(".//s:path[@stroke-dasharray='9 6']", NS)
        if "L" in n.get("d")
    ]
    assert len(dashed) == 1
    assert "witness path on the bottom" in words(svg)
    assert "witness path on the bottom" not in words(draw(SCENE, OUTCOME, "L4"))


def test_a_closeup_shows_the_whole_finding_its_story_and_nothing_less_than_5_mm() -> None:
    for finding in OUTCOME.findings:
        svg = draw(SCENE, OUTCOME, finding.layer or "L1", finding.id)
        frame = re.search(
            r'<clipPath id="frame"><path d="M([\d.]+) ([\d.]+)H([\d.]+)V([\d.]+)', svg
        )
        assert frame is not None
        x0, y0, x1, y1 = map(float, frame.groups())
        for corner in (
            (finding.extent[0], finding.extent[1]),
            (finding.extent[2], finding.extent[3]),
        ):
            x, y = on_picture(svg, *corner)
            assert x0 <= x <= x1
            assert y0 <= y <= y1
        millimetre = on_picture(svg, 1, 0)[0] - on_picture(svg, 0, 0)[0]
        assert (x1 - x0) / millimetre >= 5.0  # mm
        assert finding.message in words(svg)
        assert finding.id in words(svg)


def test_a_closeup_leaves_traces_outside_away() -> None:
    finding = next(f for f in OUTCOME.findings if f.rule == "creepage")
    assert len(draw(SCENE, OUTCOME, "L1", finding.id)) < len(draw(SCENE, OUTCOME, "L1"))


@pytest.mark.parametrize(
    ("layer", "finding"), [("L9", None), ("L1", "nonsense"), ("L4", OUTCOME.findings[0].id)]
)
def test_what_is_not_there_cannot_be_drawn(layer: str, finding: str | None) -> None:
    with pytest.raises(KeyError):
        draw(SCENE, OUTCOME, layer, finding)


@pytest.mark.parametrize("size", [400, 1600, 3200])
def test_the_size_is_the_width_in_pixels(size: int) -> None:
    root = parsed(draw(SCENE, OUTCOME, "L1", size=size))
    _, _, wide, high = map(float, root.get("viewBox").split())
    assert root.get("width") == str(size)
    assert float(root.get("height")) == pytest.approx(size * high / wide, abs=1)


def test_no_text_runs_out_of_the_picture_and_all_is_legible() -> None:
    for outcome in (OUTCOME, hostile.outcome()):
        scene = scene_of(sample.layout(), outcome.findings)
        for node in parsed(draw(scene, outcome, "L1")).iterfind(".//s:text", NS):
            size, x = float(node.get("font-size")), float(node.get("x"))
            width = text_width(
                "".join(node.itertext()), size, bold=node.get("font-weight") == "bold"
            )
            left = x - width / 2 if node.get("text-anchor") == "middle" else x
            assert left >= 0
            assert left + width <= 1600
            assert size >= 15


def test_lists_and_legend_do_not_run_into_each_other() -> None:
    for layer in ("L1", "L4"):
        boxes = []
        for node in parsed(draw(SCENE, OUTCOME, layer)).iterfind(".//s:text", NS):
            size, x, y = (float(node.get(key)) for key in ("font-size", "x", "y"))
            width = text_width(
                "".join(node.itertext()), size, bold=node.get("font-weight") == "bold"
            )
            left = x - width / 2 if node.get("text-anchor") == "middle" else x
            boxes.append((left, y - 0.7 * size, left + width, y, node.text))
        for i, a in enumerate(boxes):
            for b in boxes[:i]:
                assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (a, b)


def test_same_scene_same_bytes() -> None:
    assert draw(SCENE, OUTCOME, "L1") == draw(sample.scene(), sample.outcome(), "L1")


def test_names_from_files_stay_words() -> None:
    outcome = hostile.outcome()
    svg = draw(scene_of(sample.layout(), outcome.findings), outcome, "L1")
    assert not list(parsed(svg).iterfind(".//s:script", NS))
    assert "</script><script>" in words(svg)


def crowd(columns: int, rows: int, step: float) -> list[Finding]:
    """Places in a grid, every tenth a warning."""
    return identified(
        Finding(
            rule="clearance",
            level=Level.WARNING if i % 10 == 9 else Level.ERROR,
            message="m",
            at=(2 + i % columns * step, 2 + i // columns * step),
            layer="L1",
            nets=(f"N{i}",),
        )
        for i in range(columns * rows)
    )


def marks_of(svg: str) -> dict[str, tuple[float, float, float, float]]:
    """Boxes of the numbers and clusters on the board, by what is written in them."""
    frame = re.search(r'<clipPath id="frame"><path d="M[\d.]+ [\d.]+H[\d.]+V([\d.]+)', svg)
    assert frame is not None
    boxes = {}
    for node in parsed(svg).iterfind(
        ".//s:text[@text-anchor='middle'][@font-weight='bold'][@font-size='16']", NS
    ):
        rect = node.getprevious()
        x, y, w, h = (float(rect.get(key)) for key in ("x", "y", "width", "height"))
        if y < float(frame[1]):
            boxes[f"{node.text} at {x} {y}"] = (x, y, x + w, y + h)
    return boxes


@pytest.mark.parametrize(("columns", "rows", "step"), [(20, 10, 4.0), (40, 5, 0.3), (200, 1, 0.0)])
def test_two_hundred_places_get_numbers_or_share_marks_that_never_lie_on_each_other(
    columns: int, rows: int, step: float
) -> None:
    many = crowd(columns, rows, step)
    svg = draw(scene_of(sample.layout(), many), sample.outcome(findings=tuple(many)), "L1")
    boxes = marks_of(svg)
    for i, a in enumerate(boxes.values()):
        for b in list(boxes.values())[:i]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
    words_in = [name.split()[0] for name in boxes]
    numbered = [word for word in words_in if not word.startswith("+")]
    clustered = sum(int(word) for word in words_in if word.startswith("+"))
    assert len(numbered) <= 60
    assert len(numbered) + clustered == 200
    assert all(int(word) <= 180 for word in numbered)  # the worst have numbers: errors stand first


def test_the_list_under_the_board_says_how_many_more_there_are() -> None:
    many = crowd(20, 10, 4.0)
    svg = draw(scene_of(sample.layout(), many), sample.outcome(findings=tuple(many)), "L1")
    listed = len(re.findall(r"clearance \(", words(svg)))
    assert 0 < listed < 200
    assert f"{200 - listed} more places: see the report" in words(svg)


@pytest.mark.parametrize("size", [(100.0, 80.0), (60.0, 60.0), (120.0, 55.0)])
def test_a_picture_is_at_most_twice_as_high_as_the_board_on_it(size: tuple[float, float]) -> None:
    many = crowd(20, 10, min(size) / 30)
    scene = replace(scene_of(sample.layout(), many), bounds=(0.0, 0.0, *size))
    svg = draw(scene, sample.outcome(findings=tuple(many)), "L1")
    high = on_picture(svg, 0, 0)[1] - on_picture(svg, 0, size[1])[1]
    assert float(parsed(svg).get("height")) <= 2 * high


@pytest.mark.parametrize("size", [(100.0, 80.0), (30.0, 110.0), (25.0, 25.0), (60.0, 60.0)])
def test_the_legend_keeps_off_the_scale_bar(size: tuple[float, float]) -> None:
    scene = replace(SCENE, bounds=(0.0, 0.0, *size))
    root = parsed(draw(scene, OUTCOME, "L1"))
    bars = [node.get("d") for node in root.iterfind("s:path", NS) if "v14M" in node.get("d")]
    (left, y), (right, _) = (
        tuple(map(float, part.split("v")[0].split())) for part in bars[0][1:].split("M")[:2]
    )
    words_below = [
        node for node in root.iterfind("s:text", NS) if abs(float(node.get("y")) - y - 4) < 16
    ]
    for node in words_below:
        x, wide = float(node.get("x")), text_width(node.text, float(node.get("font-size")))
        own = node.get("text-anchor") == "middle"
        assert own or x + wide <= left or x >= right, node.text


def test_a_flat_board_names_its_worst_places_on_one_line() -> None:
    many = crowd(20, 10, 0.5)
    scene = replace(scene_of(sample.layout(), many), bounds=(0.0, 0.0, 100.0, 25.0))
    svg = draw(scene, sample.outcome(findings=tuple(many)), "L1")
    told = re.search(
        r"1 clearance; 2 clearance;.* and (\d+) more places: see the report", words(svg)
    )
    assert told is not None
    assert int(told[1]) == 200 - told[0].count("clearance;")


def test_a_label_keeps_off_the_copper_that_it_speaks_of() -> None:
    """No number on the board lies on a trace or pad of a net that has a finding on that layer."""
    svg = draw(SCENE, OUTCOME, "L1")
    a, _, _, d, e, f = (float(v) for v in re.search(r"matrix\(([^)]*)\)", svg)[1].split())  # type: ignore[index]
    nets = {net for c in SCENE.callouts if c.on("L1") for net in c.nets}
    copper = sample.layout().board.copper
    board = sample.layout().board
    rows = [
        i
        for i in range(len(copper))
        if copper.layer[i] == 0 and board.net_name(int(copper.net[i])) in nets
    ]
    pours = {i for i in rows if copper.area[i] >= 0 and not copper.pad[i]}
    shapes = copper.shapes(np.array([i for i in rows if i not in pours]))
    drawn = shapely.affinity.affine_transform(
        shapely.union_all(shapes), [a * 1000, 0, 0, d * 1000, e, f]
    )
    assert not [
        name
        for name, box in marks_of(svg).items()
        if drawn.intersects(shapely.box(*box).buffer(-1))
    ]


def test_a_waived_finding_looks_unlike_one_that_counts() -> None:
    waived = next(f for f in OUTCOME.findings if f.waived)
    closeup = draw(SCENE, OUTCOME, "L1", waived.id)
    counts = replace(OUTCOME, findings=tuple(replace(f, waived=None) for f in OUTCOME.findings))
    assert 'stroke-dasharray="3 2"' in closeup
    assert 'stroke-dasharray="3 2"' not in draw(
        scene_of(sample.layout(), counts.findings), counts, "L1", waived.id
    )
    assert "waived: test point" in words(closeup)
