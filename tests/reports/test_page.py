"""The review page in a real browser, with real clicks and keys."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from checker import wording
from checker.reports import Pictures, registry
from checker.results.outcome import CAUTION, Doubt, Outcome, StatedDoubt
from tests.reports import hostile, sample

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

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: install the package chromium")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as play:
        started = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
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
    return {name: save(folder / f"{name}.html", outcome, Pictures(scene)) for name, (outcome, scene) in made.items()}


def save(path: Path, outcome: Outcome, pictures: Pictures) -> Path:
    stream = StringIO()
    registry()["html"].write(outcome, pictures, stream)
    path.write_text(stream.getvalue(), encoding="utf-8")
    return path


class Visit:
    """A page that is open, and what went wrong or out to the network on it."""

    def __init__(self, browser: Any, file: Path, *, hash_: str = "", dark: bool = False) -> None:
        self.page = browser.new_page(
            viewport={"width": WIDE, "height": HIGH},
            reduced_motion="reduce",
            color_scheme="dark" if dark else "light",
        )
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", lambda message: self.errors.append(message.text) if message.type == "error" else None)
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(f"file://{file}{hash_}")
        self.page.wait_for_selector("#board[data-ready=yes]")

    def listed(self) -> list[str]:
        found: list[str] = self.page.eval_on_selector_all(
            "#list li:not([hidden])", "nodes => nodes.map(n => n.dataset.id)"
        )
        return found

    def window(self) -> tuple[float, float, float, float]:
        """The view in mm: left, bottom, right, top."""
        x, y, w, h = (float(v) for v in self.page.get_attribute("#board", "viewBox").split())
        return x / 1000, -(y + h) / 1000, (x + w) / 1000, -y / 1000

    def on_screen(self, x: float, y: float) -> tuple[float, float]:
        """Where a place of the board is in the browser's window."""
        box = self.page.locator("#board").bounding_box()
        left, bottom, right, top = self.window()
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
    visible: bool = visit.page.eval_on_selector(selector, "n => getComputedStyle(n).display !== 'none'")
    return visible


FOUND = sample.findings()


def test_it_asks_nothing_of_the_network_and_is_one_file(visit: Visit) -> None:
    assert [url for url in visit.requests if not url.startswith(("file://", "data:"))] == []
    assert len([url for url in visit.requests if url.startswith("file://")]) == 1


def test_a_crowded_board_of_four_layers_stays_under_5_mb_and_can_be_moved(browser: Any, tmp_path: Path) -> None:
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
    visit.page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    return set(filter(None, (visit.page.text_content("#under") or "").split(" \u00b7 ")))


def copper_at(point: shapely.Point, layer: str, pours: tuple[str, ...]) -> set[str]:
    """The same by the exact copper: that of a layer, and the pours of some layers."""
    made = sample.layout()
    copper, nets = made.board.copper, [net.name for net in made.board.nets]
    poured = shapely.union_all([pour.copper for pour in made.pours if made.layer_id(pour.layer) == layer])
    rows = np.flatnonzero(shapely.intersects(copper.shapes(), point) & (copper.layer == int(layer[1:]) - 1))
    loose = [row for row in rows if copper.pad[row] or not shapely.intersects(poured, point)]
    found = [pour for pour in made.pours if made.layer_id(pour.layer) in pours and pour.copper.intersects(point)]
    names = {f"{layer} {nets[copper.net[row]]}" for row in loose}
    return names | {f"{made.layer_id(p.layer)} {nets[p.net]}, pour of {sample.REGIONS[p.region][0]}" for p in found}


def test_net_and_layer_under_the_pointer_are_told(visit: Visit) -> None:
    """At places on and off traces, pads, pours and antipads; those within a pixel of an edge are left out."""
    copper = sample.layout().board.copper
    edges = shapely.union_all(shapely.boundary(copper.shapes()))
    rng = np.random.default_rng(5)
    spots = np.vstack((rng.uniform((2, 2), (98, 78), (40, 2)), copper.geometry[~(copper.area >= 0)][:60, :2]))
    visit.page.evaluate("() => document.getElementById('switches').open = false")
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
    visit.page.uncheck("[data-traces=L1]")
    assert under(visit, 20.05, 20.0) == {"L2 GND_PROBE, pour of probe"}
    visit.page.uncheck("[data-region=probe]")
    assert under(visit, 20.0, 20.0) == set()
    visit.page.mouse.move(5, 5)
    assert visit.page.text_content("#under") == ""


def test_many_doubts_leave_the_findings_in_view(browser: Any, tmp_path: Path) -> None:
    doubts = tuple(StatedDoubt(Doubt(f"file {i} is not understood", "export it again")) for i in range(60))
    opened = Visit(browser, save(tmp_path / "doubts.html", sample.outcome(doubts=doubts), Pictures(sample.scene())))
    first = opened.page.locator("#list li").first.bounding_box()
    assert first["y"] + first["height"] < HIGH
    assert opened.page.locator("#doubts li").count() == 60
    opened.page.close()


def test_verdict_caution_and_open_doubts_are_seen_at_once(visit: Visit) -> None:
    for selector, words in (("#verdict", "INCOMPLETE"), ("#caution", CAUTION), ("#doubts", "aperture macro THERMAL")):
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
def test_choosing_a_finding_flies_there_and_shows_path_numbers_and_hint(visit: Visit, place: int) -> None:
    finding = FOUND[place]
    visit.page.click(f"#list li[data-id='{finding.id}'] .entry")
    left, bottom, right, top = visit.window()
    x0, y0, x1, y1 = finding.extent
    assert left <= x0
    assert bottom <= y0
    assert right >= x1
    assert top >= y1
    assert right - left < 60
    story = visit.page.inner_text("#list .story")
    assert finding.message in story
    assert finding.hint is None or finding.hint in story
    assert finding.measured is None or wording.measurement(finding) in story
    assert shown(visit, f"#marks .way-group[data-id='{finding.id}']")
    paths = visit.page.locator(f"#marks .way-group[data-id='{finding.id}'] .way:not(.halo, .detour)")
    assert paths.count() == max(len(finding.path), 1)
    assert visit.page.url.endswith(f"#{finding.id}")


def test_the_witness_path_is_where_the_finding_says(visit: Visit) -> None:
    finding = next(f for f in FOUND if f.rule == "gap-crossing" and f.layer == "L1")
    visit.page.click(f"#list li[data-id='{finding.id}'] .entry")
    box = visit.page.locator(f"#marks .way-group[data-id='{finding.id}'] .way:not(.halo, .detour)").bounding_box()
    x0, y0 = visit.on_screen(38.0, 25.0)
    x1, y1 = visit.on_screen(42.0, 24.0)
    assert (box["x"], box["y"]) == pytest.approx((x0, y0), abs=4)
    assert (box["x"] + box["width"], box["y"] + box["height"]) == pytest.approx((x1, y1), abs=4)


def test_the_way_of_the_return_current_shows_for_the_chosen_finding_only(visit: Visit) -> None:
    finding = next(f for f in FOUND if "detour_path_mm" in f.detail)
    selector = f"#marks .way-group[data-id='{finding.id}'] .detour:not(.halo)"
    assert not shown(visit, selector)
    visit.page.click(f"#list li[data-id='{finding.id}'] .entry")
    assert shown(visit, selector)


def test_the_far_leg_is_dashed_and_the_near_ones_are_not(visit: Visit) -> None:
    finding = next(f for f in FOUND if f.rule == "creepage")
    dashes = visit.page.eval_on_selector_all(
        f"#marks .way-group[data-id='{finding.id}'] .way:not(.halo, .detour)",
        "nodes => nodes.map(n => getComputedStyle(n).strokeDasharray)",
    )
    assert [dash != "none" for dash in dashes] == [False, True, False]


def test_an_address_with_an_id_opens_that_finding(browser: Any, files: dict[str, Path]) -> None:
    finding = FOUND[3]
    opened = Visit(browser, files["sample"], hash_=f"#{finding.id}")
    assert finding.message in opened.page.inner_text("#list .chosen .story")
    left, bottom, right, top = opened.window()
    assert left < finding.at[0] < right
    assert bottom < finding.at[1] < top
    opened.page.evaluate(f"location.hash = '{FOUND[0].id}'")
    opened.page.wait_for_selector(f"#list li.chosen[data-id='{FOUND[0].id}']")
    opened.page.close()


def test_search_and_filters_leave_what_fits(visit: Visit) -> None:
    visit.page.fill("#search", "ph_2 crossing")
    assert visit.listed() == [f.id for f in FOUND if f.rule == "gap-crossing" and "PH_2" in f.nets]
    assert "1 of 9" in visit.page.inner_text("#listed")
    visit.page.fill("#search", FOUND[4].id[:8])
    assert visit.listed() == [FOUND[4].id]
    visit.page.fill("#search", "")
    visit.page.uncheck("[name=level][value=error]")
    assert visit.listed() == [f.id for f in FOUND if str(f.level) != "error"]
    visit.page.uncheck("#with-waived")
    assert visit.listed() == [f.id for f in FOUND if str(f.level) != "error" and f.waived is None]
    visit.page.check("[name=level][value=error]")
    visit.page.select_option("#rule-filter", "creepage")
    assert visit.listed() == [f.id for f in FOUND if f.rule == "creepage"]
    visit.page.select_option("#rule-filter", "")
    visit.page.select_option("#layer-filter", "L4")
    assert visit.listed() == [f.id for f in FOUND if f.layer == "L4"]


def test_a_filtered_finding_has_no_badge(visit: Visit) -> None:
    finding = FOUND[0]
    assert shown(visit, f"#marks .badge[data-id='{finding.id}']")
    visit.page.select_option("#rule-filter", "region-escape")
    assert not shown(visit, f"#marks .badge[data-id='{finding.id}']")


def test_badges_do_not_lie_on_each_other(visit: Visit) -> None:
    boxes = visit.page.eval_on_selector_all(
        "#marks .badge:not(.off)",
        "nodes => nodes.map(n => { const b = n.getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom]; })",
    )
    assert len(boxes) == sum(f.layer in (None, "L1") for f in FOUND)
    for i, a in enumerate(boxes):
        for b in boxes[:i]:
            assert a[2] <= b[0] + 1 or b[2] <= a[0] + 1 or a[3] <= b[1] + 1 or b[3] <= a[1] + 1


def test_a_click_on_a_badge_chooses_its_finding(visit: Visit) -> None:
    visit.page.click(f"#marks .badge[data-id='{FOUND[1].id}']")
    assert visit.page.get_attribute("#list li.chosen", "data-id") == FOUND[1].id


def test_layers_and_regions_can_be_switched(visit: Visit) -> None:
    assert shown(visit, "g.copper[data-layer=L1]")
    assert not shown(visit, "g.copper[data-layer=L4]")
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
    visit.page.click(f"#list li[data-id='{finding.id}'] .entry")
    assert shown(visit, "g.copper[data-layer=L4]")
    assert not shown(visit, "g.copper[data-layer=L1]")


def test_measuring_between_two_points_tells_their_distance(visit: Visit) -> None:
    visit.page.click("#measure-button")
    start, end = (50.0, 40.0), (53.0, 44.0)
    visit.page.mouse.click(*visit.on_screen(*start))
    visit.page.mouse.click(*visit.on_screen(*end))
    told = visit.page.inner_text("#length")
    length, dx, dy = (float(v) for v in re.findall(r"-?\d+\.\d+", told))
    pixel = (visit.window()[2] - visit.window()[0]) / visit.page.locator("#board").bounding_box()["width"]
    assert (length, dx, dy) == pytest.approx((5.0, 3.0, 4.0), abs=2 * pixel)
    visit.page.keyboard.press("Escape")
    assert visit.page.locator("#ruler *").count() == 0
    assert visit.page.get_attribute("#measure-button", "aria-pressed") == "false"


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
    visit.page.wait_for_function("wide => document.getElementById('board').viewBox.baseVal.width < wide", arg=wide)
    assert visit.on_screen(*place) == pytest.approx(spot, abs=1.5)
    assert "x 60." in visit.page.inner_text("#where") or "x 59.9" in visit.page.inner_text("#where")


def test_everything_can_be_done_by_keys(visit: Visit) -> None:
    press = visit.page.keyboard.press
    whole = visit.window()
    press("j")
    assert visit.page.get_attribute("#list li.chosen", "data-id") == FOUND[0].id
    press("j")
    press("k")
    press("j")
    assert visit.page.get_attribute("#list li.chosen", "data-id") == FOUND[1].id
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
    visit.page.focus(f"#list li[data-id='{FOUND[2].id}'] .entry")
    visit.page.keyboard.press("Enter")
    assert visit.page.get_attribute("#list li.chosen", "data-id") == FOUND[2].id
    assert visit.page.get_attribute("#list li.chosen .entry", "aria-expanded") == "true"


def contrast(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Contrast ratio. Source: W3C, Web Content Accessibility Guidelines 2.1, definitions."""
    light = []
    for colour in (a, b):
        parts = [v / 255 / 12.92 if v / 255 <= 0.03928 else ((v / 255 + 0.055) / 1.055) ** 2.4 for v in colour]
        light.append(0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2])
    return (max(light) + 0.05) / (min(light) + 0.05)


@pytest.mark.parametrize("dark", [False, True])
def test_light_and_dark_are_readable(browser: Any, files: dict[str, Path], dark: bool) -> None:
    """Text has the contrast of 4.5 to 1 that WCAG 2.1, 1.4.3 asks for; the page follows the system's setting."""
    opened = Visit(browser, files["sample"], dark=dark)
    look = """n => [getComputedStyle(n).color, getComputedStyle(document.body).backgroundColor]
        .map(c => c.match(/[\\d.]+/g).slice(0, 3).map(Number))"""
    for selector in ("#caution", "#tally", ".entry b", ".entry b + span", "#listed"):
        ink, paper = opened.page.eval_on_selector(selector, look)
        assert contrast(ink, paper) >= 4.5, selector
    assert opened.page.eval_on_selector("body", "n => getComputedStyle(n).colorScheme") == ("dark" if dark else "light")
    opened.page.close()


def test_the_theme_can_be_turned(visit: Visit) -> None:
    paper = "n => getComputedStyle(n).backgroundColor"
    before = visit.page.eval_on_selector("body", paper)
    visit.page.click("#theme-button")
    assert visit.page.eval_on_selector("body", paper) != before


def test_print_has_a_picture_per_listed_finding_with_numbers_and_caution(visit: Visit) -> None:
    visit.page.uncheck("#with-waived")
    visit.page.emulate_media(media="print")
    visit.page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    figures = visit.page.locator("#prints figure[data-id]")
    listed = [f for f in FOUND if f.waived is None]
    assert figures.count() == len(listed)
    for place, finding in enumerate(listed):
        figure = figures.nth(place)
        assert figure.get_attribute("data-id") == finding.id
        words = " ".join(figure.inner_text().split())
        assert finding.message in words
        assert CAUTION in words
        assert figure.locator("svg .way").count() >= 2
        assert figure.locator("svg .material").is_visible()
    assert not visit.page.locator("main").is_visible()
    assert visit.page.locator("#prints .overview").count() == 2


def test_a_printed_picture_leaves_copper_outside_away(visit: Visit) -> None:
    visit.page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    finding = next(f for f in FOUND if f.rule == "galvanic-bridge")
    copper = visit.page.locator(f"#prints figure[data-id='{finding.id}'] g.copper path")
    assert copper.count() < visit.page.locator("#world g.copper[data-layer=L1] path").count()


def test_the_pdf_has_a_page_per_finding(visit: Visit, tmp_path: Path) -> None:
    """A page of summary, one per layer with findings, one per finding."""
    visit.page.pdf(path=tmp_path / "page.pdf")
    pages = re.findall(rb"/Type\s*/Page\b(?!s)", (tmp_path / "page.pdf").read_bytes())
    assert len(pages) == 1 + 2 + len(FOUND)


def test_hostile_names_stay_words(browser: Any, files: dict[str, Path]) -> None:
    opened = Visit(browser, files["hostile"])
    opened.page.on("dialog", lambda dialog: pytest.fail(f"a name ran as a script: {dialog.message}"))
    assert opened.page.locator("#list li").count() == len(hostile.findings())
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
    assert json.loads(visit.page.inner_text("#data") or visit.page.text_content("#data"))["report"] == json.loads(
        stream.getvalue()
    )


def test_a_narrow_window_stacks_board_and_list(visit: Visit) -> None:
    visit.page.set_viewport_size({"width": 600, "height": 900})
    board, aside = visit.page.locator("#stage").bounding_box(), visit.page.locator("aside").bounding_box()
    assert board["y"] + board["height"] <= aside["y"] + 1
    assert board["width"] >= 590
