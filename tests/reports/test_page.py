"""The review page in a real browser, with real clicks and keys."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from checker import demo, wording
from checker.app import run
from checker.config.rules_file import RulesFileError, parse_rules
from checker.drawing import Pictures, scene_of
from checker.findings import Finding, Group, Level, identified
from checker.reports import registry
from checker.results.outcome import Doubt, Outcome, StatedDoubt
from tests.reports import hostile, sample
from tests.reports.sample import SAFETY

sync_api = pytest.importorskip(
    "playwright.sync_api", reason="playwright is not installed; it comes with the tests extra"
)

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
WIDE, HIGH = 1400, 900
PATIENCE = 300_000  # ms; conditions are waited for however slow the machine is
SETTLED = "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"

pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no Chromium on this machine: install the package chromium"
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as play:
        started = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS, timeout=PATIENCE)
        yield started
        started.close()


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    made = {
        "sample": (sample.outcome(), sample.scene()),
        "hostile": (hostile.outcome(), None),
        "clean": (sample.clean(), None),
    }
    return {
        name: save(folder / f"{name}.html", outcome, Pictures(scene))
        for name, (outcome, scene) in made.items()
    }


def save(path: Path, outcome: Outcome, pictures: Pictures) -> Path:
    stream = StringIO()
    registry()["html"].write(outcome, pictures, stream)
    path.write_text(stream.getvalue(), encoding="utf-8")
    return path


class Visit:
    """A page that is open, and what went wrong or out to the network on it."""

    def __init__(
        self,
        browser: Any,
        file: Path,
        *,
        hash_: str = "",
        dark: bool = False,
        size: tuple[int, int] = (WIDE, HIGH),
    ) -> None:
        self.page = browser.new_page(
            viewport={"width": size[0], "height": size[1]},
            reduced_motion="reduce",
            color_scheme="dark" if dark else "light",
        )
        self.page.set_default_timeout(PATIENCE)
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on(
            "console",
            lambda message: self.errors.append(message.text) if message.type == "error" else None,
        )
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(f"file://{file}{hash_}")
        self.page.wait_for_selector("#board[data-ready=yes]")

    def choose(self, finding: Finding) -> None:
        """Click the place of a finding, and the finding itself where it does not tell its place."""
        group = group_of(finding)
        self.page.click(f"#list li[data-group='{group.id}'] .entry")
        if finding.id != group.worst.id:
            self.page.click(f"#list li[data-group='{group.id}'] .members summary")
            self.page.click(f".member[data-finding='{finding.id}']")

    def listed(self) -> list[str]:
        found: list[str] = self.page.eval_on_selector_all(
            "#list > li:not([hidden])", "nodes => nodes.map(n => n.dataset.group)"
        )
        return found

    def window(self) -> tuple[float, float, float, float]:
        """The view in mm: left, bottom, right, top; once all that changes its size has done so."""
        self.page.evaluate(SETTLED)
        x, y, w, h = (float(v) for v in self.page.get_attribute("#board", "viewBox").split())
        return x / 1000, -(y + h) / 1000, (x + w) / 1000, -y / 1000

    def on_screen(self, x: float, y: float) -> tuple[float, float]:
        """Where a place of the board is in the browser's window."""
        left, bottom, right, top = self.window()
        box = self.page.locator("#board").bounding_box()
        return (
            box["x"] + (x - left) / (right - left) * box["width"],
            box["y"] + (top - y) / (top - bottom) * box["height"],
        )


@pytest.fixture
def visit(browser: Any, files: dict[str, Path]) -> Iterator[Visit]:
    opened = Visit(browser, files["sample"])
    yield opened
    opened.page.close()
    assert opened.errors == []


def shown(visit: Visit, selector: str) -> bool:
    """Whether an element of the board is drawn."""
    visible: bool = visit.page.eval_on_selector(
        selector, "n => getComputedStyle(n).display !== 'none'"
    )
    return visible


FOUND = sample.findings()
GROUPS = sample.outcome().groups


def group_of(finding: Finding) -> Group:
    return next(group for group in GROUPS if finding.id in [member.id for member in group.members])


def ids(test: Callable[[Finding], bool]) -> list[str]:
    """Groups with a member that passes a test, worst first."""
    return [group.id for group in GROUPS if any(map(test, group.members))]


def test_it_asks_nothing_of_the_network_and_is_one_file(visit: Visit) -> None:
    assert [url for url in visit.requests if not url.startswith(("file://", "data:"))] == []
    assert len([url for url in visit.requests if url.startswith("file://")]) == 1


def test_a_crowded_board_of_four_layers_stays_under_5_mb_and_can_be_moved(
    browser: Any, tmp_path: Path
) -> None:
    file = save(tmp_path / "dense.html", sample.outcome(), Pictures(sample.dense()))
    assert file.stat().st_size < 5_000_000
    opened = Visit(browser, file)
    opened.page.keyboard.press("j")
    assert opened.page.locator("#list li.chosen").count() == 1
    opened.page.close()


@pytest.mark.parametrize("high", [420, 900])
def test_the_head_of_a_chosen_finding_stays_in_sight(visit: Visit, high: int) -> None:
    """Also where its story is longer than the list is high."""
    visit.page.set_viewport_size({"width": WIDE, "height": high})
    for _ in FOUND:
        visit.page.keyboard.press("j")
        head = visit.page.locator("#list li.chosen button.entry").bounding_box()
        filters = visit.page.locator("#filters").bounding_box()
        assert filters["y"] + filters["height"] - 1 <= head["y"] < high - 20


def under(visit: Visit, x: float, y: float) -> set[str]:
    """What the page says lies under the pointer."""
    visit.page.mouse.move(*visit.on_screen(x, y))
    visit.page.evaluate(SETTLED)
    return set(filter(None, (visit.page.text_content("#under") or "").split(" \u00b7 ")))


def copper_at(point: shapely.Point, layer: str, pours: tuple[str, ...]) -> set[str]:
    """The same by the exact copper: that of a layer, and the pours of some layers."""
    made = sample.layout()
    copper, nets = made.board.copper, [net.name for net in made.board.nets]
    poured = shapely.union_all(
        [pour.copper for pour in made.pours if made.layer_id(pour.layer) == layer]
    )
    rows = np.flatnonzero(
        shapely.intersects(copper.shapes(), point) & (copper.layer == int(layer[1:]) - 1)
    )
    loose = [row for row in rows if copper.pad[row] or not shapely.intersects(poured, point)]
    found = [
        pour
        for pour in made.pours
        if made.layer_id(pour.layer) in pours and pour.copper.intersects(point)
    ]
    names = {f"{layer} {nets[copper.net[row]]}" for row in loose}
    return names | {
        f"{made.layer_id(p.layer)} {nets[p.net]}, pour of {sample.REGIONS[p.region][0]}"
        for p in found
    }


def test_net_and_layer_under_the_pointer_are_told(visit: Visit) -> None:
    """At places on and off traces, pads, pours and antipads; those within a pixel of an edge are
    left out.
    """
    copper = sample.layout().board.copper
    edges = shapely.union_all(shapely.boundary(copper.shapes()))
    rng = np.random.default_rng(5)
    spots = np.vstack(
        (rng.uniform((2, 2), (98, 78), (40, 2)), copper.geometry[~(copper.area >= 0)][:60, :2])
    )
    told = 0
    for x, y in spots.tolist():
        left, bottom, right, top = visit.window()
        inside = left + 8 < x < right - 8 and bottom + 4 < y < top - 6  # not under the buttons
        if inside and shapely.distance(edges, shapely.Point(x, y)) > 0.1:
            assert under(visit, x, y) == copper_at(shapely.Point(x, y), "L1", ("L1", "L2")), (x, y)
            told += 1
    assert told > 50


def test_what_is_switched_off_is_not_told(visit: Visit) -> None:
    assert under(visit, 20.0, 20.0) == {"L1 PH_0", "L2 GND_PROBE, pour of probe"}
    visit.page.click("#switches summary")
    visit.page.uncheck("[data-traces=L1]")
    assert under(visit, 20.05, 20.0) == {"L2 GND_PROBE, pour of probe"}
    visit.page.uncheck("[data-region=probe]")
    assert under(visit, 20.0, 20.0) == set()
    visit.page.mouse.move(5, 5)
    assert visit.page.text_content("#under") == ""


def test_many_doubts_leave_the_findings_in_view(browser: Any, tmp_path: Path) -> None:
    doubts = tuple(
        StatedDoubt(Doubt(f"file {i} is not understood", "export it again")) for i in range(60)
    )
    opened = Visit(
        browser,
        save(tmp_path / "doubts.html", sample.outcome(doubts=doubts), Pictures(sample.scene())),
    )
    first = opened.page.locator("#list > li").first.bounding_box()
    assert first["y"] + first["height"] < HIGH
    assert opened.page.locator("#doubts li").count() == 60
    opened.page.close()


def test_verdict_caution_and_open_doubts_are_seen_at_once(visit: Visit) -> None:
    for selector, words in (
        ("#verdict", "INCOMPLETE"),
        ("#caution", SAFETY),
        ("#doubts", "aperture macro THERMAL"),
    ):
        box = visit.page.locator(selector).bounding_box()
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= HIGH
        assert words in visit.page.inner_text(selector)


def test_the_board_is_drawn_to_scale(visit: Visit) -> None:
    """Both axes have one scale, and the whole board is in view at the start."""
    box = visit.page.locator("#board").bounding_box()
    left, bottom, right, top = visit.window()
    assert box["width"] / (right - left) == pytest.approx(box["height"] / (top - bottom), rel=1e-3)
    assert left <= 0
    assert bottom <= 0
    assert right >= 100
    assert top >= 80


@pytest.mark.parametrize("place", range(len(FOUND)))
def test_choosing_a_finding_flies_there_and_shows_path_numbers_and_hint(
    visit: Visit, place: int
) -> None:
    finding = FOUND[place]
    visit.choose(finding)
    left, bottom, right, top = visit.window()
    x0, y0, x1, y1 = finding.extent
    assert left <= x0
    assert bottom <= y0
    assert right >= x1
    assert top >= y1
    assert right - left < 60
    story = visit.page.inner_text("#list .chosen .story")
    if finding.id == group_of(finding).worst.id:
        assert finding.message in story
        assert finding.hint is None or wording.sentence(finding.hint) in story
    assert finding.measured is None or wording.measurement(finding) in story
    assert shown(visit, f"#marks .way-group[data-id='{finding.id}']")
    paths = visit.page.locator(
        f"#marks .way-group[data-id='{finding.id}'] .way:not(.halo, .detour)"
    )
    assert paths.count() == max(len(finding.path), 1)
    assert visit.page.url.endswith(f"#{finding.id}")


def test_the_witness_path_is_where_the_finding_says(visit: Visit) -> None:
    finding = next(f for f in FOUND if f.rule == "gap-crossing" and f.layer == "L1")
    visit.choose(finding)
    box = visit.page.locator(
        f"#marks .way-group[data-id='{finding.id}'] .way:not(.halo, .detour)"
    ).bounding_box()
    x0, y0 = visit.on_screen(38.0, 25.0)
    x1, y1 = visit.on_screen(42.0, 24.0)
    assert (box["x"], box["y"]) == pytest.approx((x0, y0), abs=4)
    assert (box["x"] + box["width"], box["y"] + box["height"]) == pytest.approx((x1, y1), abs=4)


def test_the_way_of_the_return_current_shows_for_the_chosen_finding_only(visit: Visit) -> None:
    finding = next(f for f in FOUND if "detour_path_mm" in f.detail)
    selector = f"#marks .way-group[data-id='{finding.id}'] .detour:not(.halo)"
    assert not shown(visit, selector)
    visit.choose(finding)
    assert shown(visit, selector)


def test_the_far_leg_is_dashed_and_the_near_ones_are_not(visit: Visit) -> None:
    finding = next(f for f in FOUND if f.rule == "creepage")
    dashes = visit.page.eval_on_selector_all(
        f"#marks .way-group[data-id='{finding.id}'] .way:not(.halo, .detour)",
        "nodes => nodes.map(n => getComputedStyle(n).strokeDasharray)",
    )
    assert [dash != "none" for dash in dashes] == [False, True, False]


def test_an_address_with_an_id_opens_that_finding(browser: Any, files: dict[str, Path]) -> None:
    finding = FOUND[4]
    opened = Visit(browser, files["sample"], hash_=f"#{finding.id}")
    assert finding.message in opened.page.inner_text("#list .chosen .story")
    left, bottom, right, top = opened.window()
    assert left < finding.at[0] < right
    assert bottom < finding.at[1] < top
    opened.page.evaluate(f"location.hash = '{FOUND[0].id}'")
    opened.page.wait_for_selector(f"#list li.chosen[data-group='{FOUND[0].group}']")
    opened.page.close()


def test_search_and_filters_leave_what_fits(visit: Visit) -> None:
    visit.page.fill("#search", "ph_2 crossing")
    assert visit.listed() == ids(lambda f: f.rule == "gap-crossing" and "PH_2" in f.nets)
    assert "1 of 8 places" in visit.page.inner_text("#listed")
    visit.page.fill("#search", FOUND[4].id[:8])
    assert visit.listed() == [FOUND[4].group]
    visit.page.fill("#search", "")
    visit.page.uncheck("[name=level][value=error]")
    assert visit.listed() == ids(lambda f: f.level != Level.ERROR)
    visit.page.uncheck("#with-waived")
    assert visit.listed() == ids(lambda f: f.level != Level.ERROR and f.waived is None)
    visit.page.check("[name=level][value=error]")
    visit.page.select_option("#rule-filter", "creepage")
    assert visit.listed() == ids(lambda f: f.rule == "creepage")
    visit.page.select_option("#rule-filter", "")
    visit.page.select_option("#layer-filter", "L4")
    assert visit.listed() == ids(lambda f: f.layer == "L4")


def test_a_filter_acts_on_numbers_and_strokes_too(visit: Visit) -> None:
    crossing, other = (
        next(f for f in FOUND if f.nets == ("PH_2",)),
        next(f for f in FOUND if f.rule == "creepage"),
    )
    for finding in (crossing, other):
        assert shown(visit, f"#marks .badge[data-group='{finding.group}']")
        assert shown(visit, f"#marks .way-group[data-id='{finding.id}']")
    visit.page.select_option("#rule-filter", "clearance")
    clearance = next(f for f in FOUND if f.rule == "clearance")
    assert not shown(visit, f"#marks .badge[data-group='{crossing.group}']")
    assert not shown(visit, f"#marks .way-group[data-id='{crossing.id}']")
    assert not shown(visit, f"#marks .way-group[data-id='{other.id}']")
    assert shown(visit, f"#marks .way-group[data-id='{clearance.id}']")
    # the same place, by its other finding
    assert shown(visit, f"#marks .badge[data-group='{clearance.group}']")


def test_the_link_holds_what_is_filtered_and_chosen(
    browser: Any, files: dict[str, Path], visit: Visit
) -> None:
    visit.page.fill("#search", "PH_2 & more?")
    visit.page.fill("#search", "PH_2")
    visit.page.uncheck("[name=level][value=warning]")
    visit.page.uncheck("#with-known")
    visit.page.click("#list > li:not([hidden]) .entry >> nth=0")
    there = Visit(browser, files["sample"], hash_="#" + visit.page.url.split("#")[1])
    assert there.listed() == visit.listed() == ids(lambda f: "PH_2" in f.nets)
    assert there.page.input_value("#search") == "PH_2"
    assert not there.page.is_checked("[name=level][value=warning]")
    assert not there.page.is_checked("#with-known")
    chosen = "#list li.chosen"
    assert there.page.get_attribute(chosen, "data-group") == visit.page.get_attribute(
        chosen, "data-group"
    )
    there.page.close()


def test_nothing_that_fits_offers_a_reset(visit: Visit) -> None:
    assert not visit.page.is_visible("#reset-button")
    visit.page.fill("#search", "there is no such net")
    assert visit.page.inner_text("#listed") == "0 of 8 places"
    visit.page.click("#reset-button")
    assert len(visit.listed()) == len(GROUPS)
    assert not visit.page.is_visible("#reset-button")
    assert visit.page.evaluate("document.activeElement.id") == "search"


def test_badges_do_not_lie_on_each_other(visit: Visit) -> None:
    boxes = visit.page.eval_on_selector_all(
        "#marks .badge:not(.off)",
        "nodes => nodes.map(n => { const b = n.getBoundingClientRect(); return [b.left, b.top,"
        " b.right, b.bottom]; })",
    )
    assert len(boxes) == len(ids(lambda f: f.layer in (None, "L1")))
    for i, a in enumerate(boxes):
        for b in boxes[:i]:
            assert a[2] <= b[0] + 1 or b[2] <= a[0] + 1 or a[3] <= b[1] + 1 or b[3] <= a[1] + 1


def test_a_click_on_a_badge_chooses_its_finding(visit: Visit) -> None:
    visit.page.click(f"#marks .badge[data-group='{GROUPS[1].id}']")
    assert visit.page.get_attribute("#list li.chosen", "data-group") == GROUPS[1].id


def test_layers_and_regions_can_be_switched(visit: Visit) -> None:
    assert shown(visit, "g.copper[data-layer=L1]")
    assert not shown(visit, "g.copper[data-layer=L4]")
    visit.page.click("#switches summary")
    visit.page.uncheck("[data-traces=L1]")
    assert not shown(visit, "g.copper[data-layer=L1]")
    visit.page.click("#layers tbody tr:nth-child(4) button")
    assert shown(visit, "g.copper[data-layer=L4]")
    assert shown(visit, "g.pours[data-layer=L3]")
    assert not shown(visit, "g.pours[data-layer=L2]")
    assert shown(visit, "g.pours[data-layer=L3] .r1")
    visit.page.uncheck("[data-region=probe]")
    assert not shown(visit, "g.pours[data-layer=L3] .r1")
    assert shown(visit, "g.pours[data-layer=L3] .r0")


def test_choosing_a_finding_shows_its_layer(visit: Visit) -> None:
    finding = next(f for f in FOUND if f.layer == "L4")
    visit.choose(finding)
    assert shown(visit, "g.copper[data-layer=L4]")
    assert not shown(visit, "g.copper[data-layer=L1]")


def test_measuring_between_two_points_tells_their_distance(visit: Visit) -> None:
    visit.page.click("#measure-button")
    start, end = (50.0, 40.0), (53.0, 44.0)
    visit.page.mouse.click(*visit.on_screen(*start))
    visit.page.mouse.click(*visit.on_screen(*end))
    told = visit.page.inner_text("#length")
    length, dx, dy = (float(v) for v in re.findall(r"-?\d+\.\d+", told))
    pixel = (visit.window()[2] - visit.window()[0]) / visit.page.locator("#board").bounding_box()[
        "width"
    ]
    assert (length, dx, dy) == pytest.approx((5.0, 3.0, 4.0), abs=2 * pixel)
    visit.page.keyboard.press("Escape")
    assert visit.page.locator("#ruler *").count() == 0
    assert visit.page.get_attribute("#measure-button", "aria-pressed") == "false"


def test_words_below_the_board_never_move_it(browser: Any, files: dict[str, Path]) -> None:
    """What lies under the pointer, and what is measured, come and go; the board stays."""
    for size in ((1366, 768), (900, 600), (390, 844)):
        opened = Visit(browser, files["sample"], size=size)
        before = opened.page.locator("#board").bounding_box()
        opened.page.evaluate(
            "document.getElementById('under').textContent = 'L1 A LONG NAME · '.repeat(40)"
        )
        opened.page.click("#measure-button")
        opened.page.evaluate(
            "document.getElementById('length').textContent = '123.456 mm (dx 1, dy 2) '.repeat(4)"
        )
        opened.window()
        assert opened.page.locator("#board").bounding_box() == before
        opened.page.close()


def test_dragging_moves_the_board_with_the_pointer(visit: Visit) -> None:
    before = visit.window()
    visit.page.mouse.move(900, 500)
    visit.page.mouse.down()
    visit.page.mouse.move(950, 540, steps=4)
    visit.page.mouse.up()
    after = visit.window()
    pixel = (before[2] - before[0]) / visit.page.locator("#board").bounding_box()["width"]
    assert after[0] - before[0] == pytest.approx(-50 * pixel, rel=0.02)
    assert after[3] - before[3] == pytest.approx(40 * pixel, rel=0.02)


def test_the_wheel_zooms_about_the_pointer(visit: Visit) -> None:
    place = (60.0, 30.0)
    spot = visit.on_screen(*place)
    visit.page.mouse.move(*spot)
    wide = visit.page.evaluate("document.getElementById('board').viewBox.baseVal.width") * 0.99
    visit.page.mouse.wheel(0, -400)
    visit.page.wait_for_function(
        "wide => document.getElementById('board').viewBox.baseVal.width < wide", arg=wide
    )
    assert visit.on_screen(*place) == pytest.approx(spot, abs=1.5)
    assert "x 60." in visit.page.inner_text("#where") or "x 59.9" in visit.page.inner_text("#where")


def test_everything_can_be_done_by_keys(visit: Visit) -> None:
    press = visit.page.keyboard.press
    whole = visit.window()
    press("j")
    assert visit.page.get_attribute("#list li.chosen", "data-group") == GROUPS[0].id
    press("j")
    press("k")
    press("j")
    assert visit.page.get_attribute("#list li.chosen", "data-group") == GROUPS[1].id
    press("f")
    assert visit.window() == pytest.approx(whole, abs=0.01)
    press("+")
    assert visit.window()[2] - visit.window()[0] < whole[2] - whole[0]
    press("-")
    visit.page.focus("#board")
    press("ArrowRight")
    assert visit.window()[0] > whole[0]
    press("m")
    assert visit.page.get_attribute("#measure-button", "aria-pressed") == "true"
    press("Escape")
    press("/")
    visit.page.keyboard.type("jkfmt")
    assert visit.page.input_value("#search") == "jkfmt"
    press("Escape")
    press("?")
    assert visit.page.locator("#help").is_visible()
    press("Escape")
    assert not visit.page.locator("#help").is_visible()


def test_the_list_can_be_walked_with_tab_and_enter(visit: Visit) -> None:
    visit.page.focus(f"#list li[data-group='{GROUPS[2].id}'] .entry")
    visit.page.keyboard.press("Enter")
    assert visit.page.get_attribute("#list li.chosen", "data-group") == GROUPS[2].id
    assert visit.page.evaluate("document.activeElement.className") == "entry"  # the focus stays
    assert visit.page.get_attribute("#list li.chosen .entry", "aria-expanded") == "true"


def contrast(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Contrast ratio. Source: W3C, Web Content Accessibility Guidelines 2.2, definitions."""
    light = []
    for colour in (a, b):
        parts = [
            v / 255 / 12.92 if v / 255 <= 0.04045 else ((v / 255 + 0.055) / 1.055) ** 2.4
            for v in colour
        ]
        light.append(0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2])
    return (max(light) + 0.05) / (min(light) + 0.05)


@pytest.mark.parametrize("dark", [False, True])
def test_light_and_dark_are_readable(browser: Any, files: dict[str, Path], dark: bool) -> None:
    """Text has the contrast of 4.5 to 1 that WCAG 2.2, 1.4.3 asks for; the page follows the
    system's setting.
    """
    opened = Visit(browser, files["sample"], dark=dark)
    look = """n => [getComputedStyle(n).color, getComputedStyle(document.body).backgroundColor]
        .map(c => c.match(/[\\d.]+/g).slice(0, 3).map(Number))"""
    for selector in ("#caution", "#tally", ".about b", ".about b + span", "#listed"):
        ink, paper = opened.page.eval_on_selector(selector, look)
        assert contrast(ink, paper) >= 4.5, selector
    assert opened.page.eval_on_selector("body", "n => getComputedStyle(n).colorScheme") == (
        "dark" if dark else "light"
    )
    opened.page.close()


def test_the_theme_can_be_turned(visit: Visit) -> None:
    paper = "n => getComputedStyle(n).backgroundColor"
    before = visit.page.eval_on_selector("body", paper)
    visit.page.click("#theme-button")
    assert visit.page.eval_on_selector("body", paper) != before


def test_print_has_a_picture_per_listed_place_with_numbers_and_caution(visit: Visit) -> None:
    visit.page.uncheck("#with-waived")
    visit.page.emulate_media(media="print")
    visit.page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    figures = visit.page.locator("#prints figure[data-group]")
    listed = [group for group in GROUPS if not group.waived]
    assert figures.count() == len(listed)
    for place, group in enumerate(listed):
        figure = figures.nth(place)
        assert figure.get_attribute("data-group") == group.id
        words = " ".join(figure.inner_text().split())
        assert group.worst.message in words
        assert SAFETY in words
        assert len(group.members) == 1 or f"{len(group.members)} findings" in words
        assert figure.locator("svg .way").count() >= 2
        assert figure.locator("svg .material").is_visible()
        assert re.search(r"x -?\d", words)  # coordinates along its edges
    assert not visit.page.locator("main").is_visible()
    assert visit.page.locator("#prints .overview").count() == 2


def test_a_printed_picture_leaves_copper_outside_away(visit: Visit) -> None:
    visit.page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    finding = next(f for f in FOUND if f.rule == "galvanic-bridge")
    copper = visit.page.locator(f"#prints figure[data-group='{finding.group}'] g.copper path")
    assert copper.count() < visit.page.locator("#world g.copper[data-layer=L1] path").count()


def pages_of(opened: Visit, file: Path) -> int:
    opened.page.pdf(path=file)
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", file.read_bytes()))


def test_the_print_is_at_most_a_page_a_place_and_an_overview(visit: Visit, tmp_path: Path) -> None:
    assert pages_of(visit, tmp_path / "page.pdf") <= 1 + len(GROUPS)
    visit.page.fill("#search", "creepage")
    assert pages_of(visit, tmp_path / "one.pdf") <= 2


@pytest.mark.parametrize("landscape", [False, True])
def test_a_place_with_very_long_words_is_one_printed_page(
    browser: Any, tmp_path: Path, landscape: bool
) -> None:
    words = "a long story of many words " * 200
    told = {f"fact_{i}": "some more words" for i in range(200)}
    found = [
        replace(finding, message=words, hint=words, detail=finding.detail | told)
        for finding in FOUND
    ]
    outcome = sample.outcome(findings=tuple(found))
    opened = Visit(
        browser,
        save(tmp_path / "long.html", outcome, Pictures(scene_of(sample.layout(), tuple(found)))),
    )
    opened.page.pdf(path=tmp_path / "long.pdf", landscape=landscape, format="A4")
    assert len(
        re.findall(rb"/Type\s*/Page\b(?!s)", (tmp_path / "long.pdf").read_bytes())
    ) <= 1 + len(outcome.groups)
    opened.page.emulate_media(media="print")
    opened.page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    clipped = "nodes => nodes.filter(n => n.scrollHeight > n.clientHeight + 1).length"
    assert opened.page.eval_on_selector_all("#prints figcaption", clipped) == 0
    opened.page.close()


def test_hostile_names_stay_words(browser: Any, files: dict[str, Path]) -> None:
    opened = Visit(browser, files["hostile"])
    opened.page.on(
        "dialog", lambda dialog: pytest.fail(f"a name ran as a script: {dialog.message}")
    )
    assert opened.page.locator("#list > li").count() == len(hostile.findings())
    for place in range(len(hostile.findings())):
        opened.page.keyboard.press("j")
        assert opened.page.locator("#list li.chosen").count() == 1, place
    assert opened.page.locator("#list img, #doubts img, #facts img").count() == 0
    assert opened.errors == []
    opened.page.close()


def test_a_page_without_findings_says_so(browser: Any, files: dict[str, Path]) -> None:
    opened = Visit(browser, files["clean"])
    assert opened.page.inner_text("#verdict") == "PASS"
    assert opened.page.inner_text("#listed") == "no findings"
    opened.page.keyboard.press("j")
    assert opened.errors == []
    opened.page.close()


def test_the_embedded_report_is_the_json_report(visit: Visit) -> None:
    stream = StringIO()
    registry()["json"].write(sample.outcome(), Pictures(), stream)
    assert json.loads(visit.page.inner_text("#data") or visit.page.text_content("#data"))[
        "report"
    ] == json.loads(stream.getvalue())


# ----------------------------------------------------------------- two hundred findings, any screen


def crowd(columns: int = 20, step: float = 4.6) -> Outcome:
    """Two hundred places with names as long as exporters write them."""
    found = [
        Finding(
            rule="clearance" if i % 3 else "gap-crossing",
            level=(Level.ERROR, Level.WARNING, Level.WARNING, Level.NOTE)[i % 4],
            message=f"place {i} is too narrow",
            at=(3 + i % columns * step, 3 + i // columns * step),
            layer="L1",
            nets=(f"/Power stage/Channel {i}/SENSE_RETURN_{i}", "GND_SYS"),
            measured=1.0 + i / 1000,
            required=4.0,
        )
        for i in range(200)
    ]
    return sample.outcome(findings=tuple(identified(found)))


@pytest.fixture(scope="module", params=[(20, 4.6), (50, 0.4)], ids=["spread", "crowded"])
def crowded(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    outcome = crowd(*request.param)
    scene = scene_of(sample.layout(), outcome.findings)
    return save(tmp_path_factory.mktemp("crowd") / "page.html", outcome, Pictures(scene))


LABELS = "#marks .badge:not(.off), #marks .cluster, #dimension:not(.off)"
BOXES = (
    "nodes => nodes.map(n => { const b = n.getBoundingClientRect(); return [b.left, b.top, b.right,"
    " b.bottom]; })"
)


def overlapping(boxes: list[list[float]]) -> list[tuple[list[float], list[float]]]:
    pairs = ((a, b) for i, a in enumerate(boxes) for b in boxes[:i])
    return [(a, b) for a, b in pairs if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]]


def test_200_findings_are_readable_at_1366_by_768(browser: Any, crowded: Path) -> None:
    """No label lies on another, text is at least 11 px high, ten places are in reach without
    scrolling the page.
    """
    opened = Visit(browser, crowded, size=(1366, 768))
    for _ in range(3):
        assert overlapping(opened.page.eval_on_selector_all(LABELS, BOXES)) == []
        opened.page.keyboard.press("+")
    opened.page.keyboard.press("f")
    texts = opened.page.evaluate(
        """() => [...document.querySelectorAll('body *')].filter((n) => n.checkVisibility() && [...n.childNodes]
        .some((c) => c.nodeType === 3 && c.data.trim()))
        .map((n) => [parseFloat(getComputedStyle(n).fontSize), n.tagName])"""
    )
    assert [entry for entry in texts if entry[0] < 11 and entry[1] != "text"] == []
    assert opened.page.evaluate("document.documentElement.scrollHeight <= innerHeight")
    for place in range(10):
        box = opened.page.locator("#list > li").nth(place).bounding_box()
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= opened.page.locator("#caution").bounding_box()["y"] + 1
    opened.page.close()


LINES = """nodes => nodes.map((n) => {
  const m = n.getScreenCTM(), at = (x, y) => new DOMPoint(x, y).matrixTransform(m), v = (k) => n[k].baseVal.value;
  const [a, b] = [at(v('x1'), v('y1')), at(v('x2'), v('y2'))];
  return [[a.x, a.y], [b.x, b.y]]; })"""


@pytest.mark.parametrize("size", [(1366, 768), (390, 844), (683, 384)])
def test_no_line_to_a_number_runs_under_another_number(
    browser: Any, files: dict[str, Path], size: tuple[int, int]
) -> None:
    """Where there is room: the sample has eight places, few on each layer."""
    opened = Visit(browser, files["sample"], size=size)
    opened.window()
    boxes = opened.page.eval_on_selector_all("#marks .badge:not(.off)", BOXES)
    lines = opened.page.eval_on_selector_all("#marks .leader:not(.off)", LINES)
    assert len(lines) == len(boxes) > 2
    for line in shapely.linestrings(np.array(lines)):
        met = [box for box in boxes if shapely.intersects(line, shapely.box(*box).buffer(-1))]
        assert len(met) == 1  # its own
    opened.page.close()


@pytest.fixture(scope="module")
def currents(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page with bands, contours and pins of currents."""
    folder = tmp_path_factory.mktemp("currents")
    written = demo.write("battery-probe-faulty", folder / "demo")
    checked = run.check(written.board, run.load_rules(written.rules), run.Options())
    scene = scene_of(checked.layout, checked.outcome.findings)
    return save(folder / "page.html", checked.outcome, Pictures(scene))


@pytest.mark.parametrize("size", [(1366, 768), (390, 844)])
@pytest.mark.parametrize("dark", [False, True])
def test_words_on_currents_are_readable_at_every_zoom(
    browser: Any, currents: Path, size: tuple[int, int], dark: bool
) -> None:
    """At least 11 px, on no other label, dark on a pale rim that is wider than a stem of the
    letters.
    """
    opened = Visit(browser, currents, size=size, dark=dark)
    seen = set()
    for _ in range(4):
        opened.window()
        words = opened.page.locator("g.field:not(.off) text:not(.off)")
        boxes = opened.page.eval_on_selector_all(
            f"g.field:not(.off) text:not(.off), {LABELS}", BOXES
        )
        for a, b in overlapping(boxes):  # line boxes are higher than the letters in them
            assert min(a[2], b[2]) - max(a[0], b[0]) < 4 or min(a[3], b[3]) - max(a[1], b[1]) < 4
        seen |= set(words.all_text_contents())
        high = words.evaluate_all("nodes => nodes.map(n => 12 * Math.abs(n.getScreenCTM().a))")
        assert all(value == pytest.approx(12, abs=0.2) for value in high)
        opened.page.keyboard.press("+")
    assert any("µV" in text for text in seen)
    look = """nodes => nodes.map(n => getComputedStyle(n)).map(s => [s.fill, s.stroke, parseFloat(s.strokeWidth)])"""
    for ink, rim, wide in opened.page.locator("g.field text").evaluate_all(look):
        colours = [tuple(map(float, re.findall(r"[\d.]+", colour)[:3])) for colour in (ink, rim)]
        assert contrast(*colours) >= 4.5
        assert wide >= 4
    opened.page.close()


@pytest.mark.parametrize("printed", [False, True])
def test_answers_and_the_key_of_currents_are_on_the_page_and_on_paper(
    browser: Any, currents: Path, printed: bool
) -> None:
    """48.5 µV d.c. and 14.4 of ripple; what colours, contours and signs mean; no broken figure."""
    opened = Visit(browser, currents, size=(1366, 768))
    place = "#quiet-inputs"
    if printed:
        opened.page.emulate_media(media="print")
        opened.page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        place = "#prints .summary section"
    words = " ".join(opened.page.locator(place).inner_text().split())
    assert "exceeds the allowed error with the declared currents, 62.8 µV of 19.1 µV" in words
    assert "in series with PH_IN per 100 mA that enters here" in words
    assert "ground of a quiet input" in words
    assert len(re.findall(r"[\d.]+ (?:A|mA|µA)/mm", words)) >= 5
    samples = opened.page.locator(f"{place} ul.key svg")
    assert samples.count() >= 8
    assert all(samples.nth(i).bounding_box()["height"] > 10 for i in range(samples.count()))
    opened.page.close()


def test_a_view_that_was_moved_stays_when_the_window_changes(visit: Visit) -> None:
    """Also by keys alone, which do not touch the board."""
    visit.page.keyboard.press("+")
    before = visit.window()
    visit.page.set_viewport_size({"width": WIDE, "height": HIGH - 100})
    after = visit.window()
    assert after[2] - after[0] == pytest.approx(before[2] - before[0], rel=0.01)
    visit.page.keyboard.press("f")
    visit.page.set_viewport_size({"width": WIDE, "height": HIGH - 300})
    left, bottom, right, top = visit.window()
    assert (left <= 0, bottom <= 0, right >= 100, top >= 80) == (True, True, True, True)


def test_figures_of_an_entry_are_never_cut(browser: Any, crowded: Path) -> None:
    """Half a number misleads; names and rules give way first."""
    opened = Visit(browser, crowded, size=(1366, 768))
    cut = (
        "nodes => nodes.filter(n => n.scrollWidth > n.clientWidth + 1 ||"
        " n.getBoundingClientRect().right >= "
    )
    cut += "n.closest('.head').getBoundingClientRect().right).length"
    assert opened.page.eval_on_selector_all("#list .figures", cut) == 0
    assert opened.page.locator("#list .figures").count() == 200
    opened.page.close()


def test_errors_have_numbers_before_others_and_every_place_is_in_a_number_or_a_mark(
    browser: Any, crowded: Path
) -> None:
    opened = Visit(browser, crowded, size=(1366, 768))
    numbered = opened.page.locator("#marks .badge:not(.off)")
    clusters = opened.page.locator("#marks .cluster text")
    counts = sum(int(clusters.nth(i).text_content()) for i in range(clusters.count()))
    assert numbered.count() + counts == 200
    assert opened.page.locator("#marks .badge.note:not(.off)").count() == 0
    opened.page.close()


def test_a_mark_for_several_places_opens_on_a_click(browser: Any, crowded: Path) -> None:
    opened = Visit(browser, crowded, size=(1366, 768))
    before = opened.window()
    opened.page.locator("#marks .cluster").first.click()
    after = opened.window()
    assert after[2] - after[0] < before[2] - before[0]
    assert overlapping(opened.page.eval_on_selector_all(LABELS, BOXES)) == []
    opened.page.close()


def test_the_print_of_200_findings_is_at_most_a_page_a_place_and_an_overview(
    browser: Any, tmp_path: Path
) -> None:
    outcome = crowd()
    opened = Visit(
        browser,
        save(tmp_path / "p.html", outcome, Pictures(scene_of(sample.layout(), outcome.findings))),
    )
    assert pages_of(opened, tmp_path / "page.pdf") <= 201
    opened.page.close()


@pytest.mark.parametrize("size", [(400, 800), (683, 384), (799, 900)])
def test_a_small_or_enlarged_screen_has_one_scrolling_page(
    browser: Any, files: dict[str, Path], size: tuple[int, int]
) -> None:
    """683 by 384 is what a window of 1366 by 768 has left at 200 %."""
    opened = Visit(browser, files["sample"], size=size)
    board, aside = (
        opened.page.locator("#stage").bounding_box(),
        opened.page.locator("aside").bounding_box(),
    )
    assert board["y"] + board["height"] <= aside["y"] + 1
    assert board["width"] >= size[0] - 20
    assert opened.page.evaluate("document.documentElement.scrollHeight > innerHeight")
    assert opened.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    sticky = "n => ['sticky', 'fixed'].includes(getComputedStyle(n).position)"
    assert not any(
        opened.page.eval_on_selector(name, sticky) for name in ("#filters", "footer", "header")
    )
    # no list in the list
    assert opened.page.eval_on_selector("aside", "n => n.scrollHeight <= n.clientHeight + 1")
    opened.page.close()


@pytest.mark.parametrize("size", [(WIDE, HIGH), (1366, 768), (400, 800)])
def test_the_layer_panel_hides_no_copper_at_first_view(
    browser: Any, files: dict[str, Path], size: tuple[int, int]
) -> None:
    opened = Visit(browser, files["sample"], size=size)
    board = opened.page.locator("#board").bounding_box()
    for name in ("#switches", "#tools", "#status"):
        box = opened.page.locator(name).bounding_box()
        assert (
            box["y"] + box["height"] <= board["y"] + 1
            or box["y"] >= board["y"] + board["height"] - 1
        )
    assert not opened.page.is_visible("#inset")
    opened.page.close()


def test_an_inset_shows_where_a_zoomed_view_is(visit: Visit) -> None:
    visit.choose(FOUND[0])
    assert visit.page.is_visible("#inset")
    x, y, w, h = (
        float(visit.page.get_attribute("#inset-view", key)) for key in ("x", "y", "width", "height")
    )
    left, bottom, right, top = visit.window()
    assert (x / 1000, -(y + h) / 1000, (x + w) / 1000, -y / 1000) == pytest.approx(
        (left, bottom, right, top), abs=0.01
    )
    assert f"{round(right - left, 1):g}" in visit.page.inner_text("#window")
    finding = FOUND[0]
    assert visit.page.text_content("#dimension text") == wording.measurement(finding)


def test_without_a_script_the_list_and_a_picture_are_there(
    browser: Any, files: dict[str, Path]
) -> None:
    context = browser.new_context(
        java_script_enabled=False, viewport={"width": WIDE, "height": HIGH}
    )
    page = context.new_page()
    page.set_default_timeout(PATIENCE)
    page.goto(f"file://{files['sample']}")
    for group in GROUPS:
        assert group.worst.message in page.inner_text("#list")
    assert page.locator("#world g.copper:not(.off) path").count() > 0
    assert page.locator("#still path").count() > len(GROUPS)
    box = page.locator("#world .material").bounding_box()
    assert box["width"] > 300
    assert not page.is_visible("#filters")
    assert page.is_visible("#caution")
    context.close()


# ----------------------------------------------------------------------------- access and decisions


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("state", ["first view", "chosen", "panel"])
def test_an_accessibility_checker_finds_nothing(
    browser: Any, files: dict[str, Path], dark: bool, state: str
) -> None:
    """axe-core, rules tagged for WCAG 2.2 level AA and best practice."""
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    )
    opened = Visit(browser, files["sample"], dark=dark)
    if state == "chosen":
        visit_first = next(f for f in FOUND if f.rule == "creepage")
        opened.choose(visit_first)
        opened.page.click(".chosen .decide summary")
        opened.page.check("#doubts .pick")
    if state == "panel":
        opened.page.click("#switches summary")
    found = axe.Axe().run(opened.page).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]][:3]) for v in found] == []
    opened.page.close()


def test_levels_stand_in_the_names_of_entries(visit: Visit) -> None:
    for group in GROUPS:
        name = visit.page.inner_text(f"#list li[data-group='{group.id}'] .entry")
        assert ("waived" if group.waived else str(group.level)) in name


def test_the_board_is_a_widget_with_a_description(visit: Visit) -> None:
    board = visit.page.locator("#board")
    assert board.get_attribute("role") == "application"
    assert "Dosing controller" in board.get_attribute("aria-label")
    assert "measures" in visit.page.text_content(f"#{board.get_attribute('aria-describedby')}")


def test_measuring_works_by_keyboard_and_keeps_the_focus(visit: Visit) -> None:
    press = visit.page.keyboard.press
    visit.page.focus("#measure-button")
    press("Enter")
    assert visit.page.evaluate("document.activeElement.id") == "board"
    press("Enter")
    for _ in range(3):
        press("ArrowRight")
    press("Shift+ArrowUp")
    press("Enter")
    told = visit.page.inner_text("#length")
    length, dx, dy = (float(v) for v in re.findall(r"-?\d+\.\d+", told))
    pixel = (visit.window()[2] - visit.window()[0]) / visit.page.locator("#board").bounding_box()[
        "width"
    ]
    assert (dx, dy) == pytest.approx((30 * pixel, pixel), abs=0.002)
    assert length == pytest.approx(np.hypot(dx, dy), abs=0.002)
    assert visit.page.evaluate("document.activeElement.id") == "board"
    press("Escape")
    assert visit.page.locator("#ruler *").count() == 0


def test_text_for_the_rules_file_is_offered_for_one_and_for_several(visit: Visit) -> None:
    finding = next(f for f in FOUND if f.rule == "creepage")
    visit.choose(finding)
    text = visit.page.text_content(".chosen .decide pre")
    assert text.count("[[waiver]]") == 2  # a waiver for each finding of the place
    for place in (0, 1):
        visit.page.locator("#list .pick").nth(place).check()
    visit.page.check("#doubts .pick")
    assert visit.page.inner_text("#picked") == "3 chosen"
    visit.page.click("#decide-button")
    block = visit.page.input_value("#decide-text")
    assert block.count("[[waiver]]") == 3
    assert block.count("[[accepted_doubt]]") == 1
    head = 'schema = 1\n[region.a]\nreference = ["GND"]\n'
    with pytest.raises(RulesFileError, match="reason"):
        parse_rules(head + block, "rules.toml", {})
    filled = parse_rules(head + block.replace('reason = ""', 'reason = "seen"'), "rules.toml", {})
    assert [waiver.rule for waiver in filled.waivers] == ["creepage", "clearance", "gap-crossing"]
    visit.page.click("#copy-button")
    assert visit.page.inner_text("#copied") in ("copied", "select the text and copy it")


def test_a_finding_between_two_layers_is_drawn_with_both(browser: Any, tmp_path: Path) -> None:
    between = replace(FOUND[1], layer=None, nets=("PH_2", "PUMP_SENSE"), net_layers=("L1", "L4"))
    outcome = sample.outcome(findings=(between,))
    file = save(
        tmp_path / "two.html", outcome, Pictures(scene_of(sample.layout(), outcome.findings))
    )
    opened = Visit(browser, file, hash_=f"#{between.id}")
    for layer, net in (("L1", "PH_2"), ("L4", "PUMP_SENSE")):
        assert shown(opened, f"g.copper[data-layer={layer}] path[data-net={net}]")
    assert not opened.page.locator("g.copper[data-layer=L4] path:not(.lit)").first.is_visible()
    opened.page.close()


# ------------------------------------------------------------------------------------------ attacks


def test_style_and_script_are_allowed_by_their_hashes_alone(files: dict[str, Path]) -> None:
    """Source: W3C, Content Security Policy Level 3, 8.4: a hash of the element's text allows it,
    and nothing else.
    """
    text = files["hostile"].read_text(encoding="utf-8")
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text)
    assert policy is not None
    assert "unsafe" not in policy[1]
    for tag in ("style", "script"):
        body = re.findall(rf"<{tag}>(.*?)</{tag}>", text, re.S)
        assert len(body) == 1
        digest = base64.b64encode(hashlib.sha256(body[0].encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy[1]
    assert not re.search(r"<[^>]* style=", text.split("<script")[0])


def test_a_script_that_came_in_would_not_run(
    browser: Any, files: dict[str, Path], tmp_path: Path
) -> None:
    spoilt = tmp_path / "spoilt.html"
    text = files["sample"].read_text(encoding="utf-8")
    spoilt.write_text(
        text.replace("<main>", "<script>document.title = 'taken'</script><main>"), encoding="utf-8"
    )
    opened = Visit(browser, spoilt)
    assert opened.page.title() != "taken"
    assert any("Content Security Policy" in error for error in opened.errors)
    opened.page.close()


def test_marks_of_direction_are_not_in_the_words_of_the_page(
    browser: Any, files: dict[str, Path]
) -> None:
    opened = Visit(browser, files["hostile"])
    words = opened.page.inner_text("body") + opened.page.title()
    assert not re.search("[\u200e\u200f\u202a-\u202e\u2066-\u2069\x00-\x08\x1b]", words)
    opened.page.close()
