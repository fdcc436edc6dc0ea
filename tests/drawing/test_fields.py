"""Currents as shapes: what is drawn is what was solved, and nothing where nothing is declared."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lxml import etree

from checker.app import joined, output, run
from checker.demo import boards, write
from checker.drawing import flows, palette
from checker.drawing.fields import Mark, fields_of, half_decades, steps
from checker.drawing.lettering import text_width
from checker.drawing.placement import Box
from checker.drawing.view import View
from checker.layout.layout import Layout
from checker.returns.quiet_inputs import currents_of
from tests.boards import built_directly, cases, layout_of
from tests.drawing.test_palette import contrast

STRIP = cases("shared_return")[0]


def demo(name: str, folder: Path) -> Layout:
    return Layout(built_directly(boards()[name].draw()), run.load_rules(write(name, folder).rules))


def test_a_strip_has_contours_across() -> None:
    """Nothing but Ohm's law in the middle of a strip: what enters there counts by how far along it
    does.
    """
    layout = layout_of(built_directly(STRIP.sketch), STRIP.rules.replace("dc = 500", "dc = 0.1"))
    (field,) = fields_of(layout)
    assert field.layer == "L1"
    lines = [line for c in field.contours for line in np.split(c.lines.points, c.lines.starts[1:])]
    # far from both grounds
    between = [line[:, 0] for line in lines if (abs(line[:, 0] / 1000 - 40) < 8).all()]
    assert between
    assert all(np.ptp(x) < 0.1 * 1000 for x in between)  # straight across
    # a square is 10 mm long and has 0.492571 mohm: 0.5 and 1 mV of 1 A lie 10.151 and 20.302 mm
    # behind the ground at x = 20
    middles = sorted(line[:, 0].mean() / 1000 for line in lines if np.ptp(line[:, 0]) < 100)
    assert middles == pytest.approx([30.151, 40.302], abs=0.02)
    assert {(mark.kind, mark.words) for mark in field.marks} == {
        ("in", "motor in"),
        ("out", "motor out"),
        ("quiet", "J1.2"),
        ("quiet", "U1.2"),
    }


def test_contours_say_what_a_current_entering_there_does(tmp_path: Path) -> None:
    """At a point of the 10 uV contour, 100 mA that leave at the battery put 10 uV in series with
    the input.
    """
    layout = demo("battery-probe-faulty", tmp_path)
    (field,) = (field for field in fields_of(layout) if field.layer == "L2")
    assert field.about == "in series with PH_IN per 100 mA that enters here and leaves at J1.2"
    currents = layout.once(currents_of)
    sheet = currents.sheet
    assert sheet is not None
    (answer,) = currents.answers
    layer = currents.ground.layers.index(1)
    contour = next(contour for contour in field.contours if contour.words == "10 µV")
    here = sheet.nodes_at(layer, np.array([contour.spots[0]]))
    from_here = sheet.potential(*(currents.spreads[pin.name] for pin in answer.ground))
    volts = (
        abs(from_here[here[0]] - currents.spreads[layout.rules.currents[0].back[1]].mean(from_here))
        * 0.1
    )
    assert volts == pytest.approx(10e-6, rel=0.05)


def test_with_a_quiet_input_alone_contours_are_there(tmp_path: Path) -> None:
    layout = demo("battery-probe-faulty", tmp_path)
    alone = re.sub(
        r"\[\[current\]\].*?(?=\[\[quiet)", "", boards()["battery-probe-faulty"].rules, flags=re.S
    )
    (field,) = (field for field in fields_of(layout_of(layout.board, alone)) if field.layer == "L2")
    assert field.contours
    assert not field.bands
    assert field.about.endswith("leaves spread over all of the copper")


def test_nothing_is_drawn_where_nothing_is_declared(tmp_path: Path) -> None:
    assert fields_of(demo("battery", tmp_path)) == ()


def test_image_and_page_show_them(tmp_path: Path) -> None:
    layout = demo("battery-probe-faulty", tmp_path)
    checked = run.check_board(layout.board, layout.rules, run.Options())
    image = output.picture(checked, "L1", None, 800)
    for words in ("10 µV", "radio in", "radio out", "per 100 mA that enters here", "mA/mm"):
        assert words in image
    page = output.render(checked, "html")
    assert 'class="field" data-layer="L2"' in page
    assert 'id="field-switch"' in page


def words_on_currents(svg: str) -> list[tuple[Any, Any]]:
    """Words inside groups that have a rim, with these groups."""
    space = "{http://www.w3.org/2000/svg}"
    root = etree.fromstring(svg.encode())
    return [
        (node, node.getparent())
        for node in root.iter(f"{space}text")
        if node.getparent().get("paint-order")
    ]


def box_of(node: Any) -> Box:
    size = float(node.get("font-size"))
    x, y, wide = float(node.get("x")), float(node.get("y")), text_width(node.text, size, bold=True)
    left = x - wide / 2 if node.get("text-anchor") == "middle" else x
    return left, y - 0.75 * size, left + wide, y


@pytest.mark.parametrize("moat_filled", [False, True])
def test_words_on_currents_can_be_read_on_a_picture(moat_filled: bool, tmp_path: Path) -> None:
    """Dark letters in a pale rim, whatever lies beneath, and on no other word. Source: WCAG 2.2,
    1.4.3.
    """
    layout = demo("battery-moat" if moat_filled else "battery-probe-faulty", tmp_path)
    board, rules = (
        joined.join(layout, ("board", "probe")) if moat_filled else (layout.board, layout.rules)
    )
    found = words_on_currents(
        output.picture(run.check_board(board, rules, run.Options()), "L1", None, 800)
    )
    assert any("µV" in node.text for node, _ in found)
    for node, rim in found:
        assert contrast(node.get("fill"), rim.get("stroke")) >= 4.5
        assert float(rim.get("stroke-width")) >= 4
    boxes = [box_of(node) for node, _ in found]
    for i, a in enumerate(boxes):
        for b in boxes[:i]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def test_a_page_without_currents_has_no_switch(tmp_path: Path) -> None:
    layout = demo("battery", tmp_path)
    page = output.render(run.check_board(layout.board, layout.rules, run.Options()), "html")
    assert 'id="field-switch"' not in page


@pytest.mark.parametrize("highest", [1e-9, 0.9999, 1.0, 3.0, 4.2e3])
def test_series_reach_the_highest(highest: float) -> None:
    assert half_decades(highest)[-2] < highest <= half_decades(highest)[-1]
    assert steps(highest)[-1] <= highest < 2.51 * steps(highest)[-1]


def test_densities_differ_in_even_steps_of_lightness() -> None:
    """CIE 1976 lightness (ISO/CIE 11664-4) of the map's colours grows evenly: what a uniform map
    promises.
    """
    lightness = []
    for colour in palette.DENSITY:
        channels = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
        linear = np.where(
            channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4
        )
        luminance = float(linear @ (0.2126, 0.7152, 0.0722))
        lightness.append(116 * luminance ** (1 / 3) - 16)
    growth = np.diff(lightness)
    assert growth.min() > 0
    assert growth.max() < 1.6 * growth.min()


def test_every_kind_of_pin_has_a_shape_of_its_own() -> None:
    assert len({flows.sample(kind) for kind in ("in", "out", "quiet")}) == 3


def test_words_of_pins_never_lie_on_each_other() -> None:
    """Twelve pins within a millimetre: words that find no place are left away, the pins stay."""
    view = View((0.0, 0.0, 100.0, 80.0), (40.0, 112.0, 1560.0, 1328.0))
    pins = [Mark("in", f"supply {i} in", (50 + i % 4 * 0.3, 40 + i // 4 * 0.3)) for i in range(12)]
    boxes: list[Box] = []
    drawn = [flows._marked(pin, view, boxes) for pin in pins]
    assert len(drawn) == 12
    assert 2 <= len(boxes) < 12
    for i, a in enumerate(boxes):
        for b in boxes[:i]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
