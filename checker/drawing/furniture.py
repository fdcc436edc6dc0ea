"""What stands round the board on a picture: head, legend, scale bar, list of findings, caution.

Units: those of the picture, 1600 to its width.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from checker import wording
from checker.drawing import palette
from checker.drawing.lettering import number, shortened, text, text_width, wrapped
from checker.drawing.marks import DASH, DETOUR, DETOUR_DASH, LETTER, badge_mark
from checker.drawing.placement import Box
from checker.drawing.scene import PLANE, POUR, Callout, Scene, SceneLayer, leads
from checker.findings import Finding, Group, Level
from checker.results.outcome import Outcome

WIDTH = 1600.0
MARGIN = 40.0
TITLE, NORMAL, SMALL = 26.0, 17.0, 15.0
ENTRY, ROW = 50.0, 26.0  # height of a listed finding, of a legend's row
SCALE_STEPS = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0)

# the callout that carries the number; members of this picture only
Listed = Sequence[tuple[Callout, Group]]
RULER = (84.0, 32.0)  # px that the rulers of a closeup take at its left and lower edge
_EDGE = f'fill="none" stroke="{palette.INK}" stroke-width="1.6"'

Entry = tuple[str, str]  # sample of 34 x 20, words


def listed_groups(outcome: Outcome, chosen: Sequence[Callout]) -> list[tuple[Callout, Group]]:
    """The groups of chosen callouts, worst first, each with the members that are chosen."""
    ids = {callout.id for callout in chosen}
    groups = {group.number: group for group in outcome.groups}
    return [
        (
            lead,
            replace(
                group, members=tuple(finding for finding in group.members if finding.id in ids)
            ),
        )
        for lead in leads(chosen)
        if (group := groups.get(lead.number)) is not None
    ]


def head(outcome: Outcome, what: str, listed: Listed) -> str:
    """Verdict, title, what the picture shows, and how many places it and the whole board have."""
    word = outcome.verdict.upper()
    wide = text_width(word, TITLE, bold=True) + 36
    colour = palette.VERDICTS.get(outcome.verdict, palette.BLACK)
    name = outcome.title or outcome.path or "board"
    shown = f"{what}: {wording.places(group for _, group in listed)}"
    room = WIDTH - 2 * MARGIN - wide - 24
    return "".join(
        (
            (
                f'<rect x="{number(MARGIN)}" y="26" width="{number(wide)}" height="48" rx="6"'
                f' fill="{colour}"/>'
            ),
            text(
                MARGIN + wide / 2, 59, word, TITLE, colour=palette.PAPER, bold=True, anchor="middle"
            ),
            text(
                MARGIN + wide + 24,
                46,
                shortened(name, TITLE, room, bold=True),
                TITLE,
                colour=palette.INK,
                bold=True,
            ),
            text(
                MARGIN + wide + 24, 71, shortened(shown, NORMAL, room), NORMAL, colour=palette.INK
            ),
            text(
                MARGIN + wide + 24,
                93,
                shortened(_whole(outcome), SMALL, room),
                SMALL,
                colour=palette.FAINT,
            ),
        )
    )


def layer_words(layer: SceneLayer) -> str:
    """Say which layer a picture shows and from where."""
    called = "" if layer.name in ("", layer.id) else f" {layer.name}"
    return f"layer {layer.id}{called} ({layer.side}), seen from the top"


def _whole(outcome: Outcome) -> str:
    return f"whole board: {outcome.standing}"


def scale_bar(pixels_per_mm: float, right: float, y: float) -> str:
    """A bar of a round length, at most a fifth of the picture, that ends at `right`."""
    fitting = [step for step in SCALE_STEPS if step * pixels_per_mm <= WIDTH / 5]
    size = fitting[-1] if fitting else SCALE_STEPS[0]
    x = right - size * pixels_per_mm
    ticks = (
        f"M{number(x)} {number(y - 7)}v14M{number(right)} {number(y - 7)}v14M{number(x)}"
        f" {number(y)}H{number(right)}"
    )
    label = f"{wording.plain(size)} mm"
    return f'<path d="{ticks}" fill="none" stroke="{palette.INK}" stroke-width="2"/>' + text(
        (x + right) / 2, y - 9, label, SMALL, colour=palette.INK, anchor="middle"
    )


def edge_rulers(window: Box, frame: Box) -> tuple[str, tuple[Box, ...]]:
    """Coordinates in mm along the lower and the left edge of a frame; returns markup and the boxes
    that it takes.
    """
    x0, y0, x1, y1 = frame
    scale = (x1 - x0) / (window[2] - window[0])
    step = next((step for step in SCALE_STEPS if step * scale >= 130), SCALE_STEPS[-1])
    parts = []
    for at, words in _round_places(window[0], window[2], step):
        x = x0 + (at - window[0]) * scale
        if x0 + RULER[0] < x < x1 - 40:
            parts.append(_tick(x, y1, 0, -8) + _figure(x, y1 - 13, f"x {words}"))
    for at, words in _round_places(window[1], window[3], step):
        y = y1 - (at - window[1]) * scale
        if y0 + 20 < y < y1 - RULER[1]:
            parts.append(_tick(x0, y, 8, 0) + _figure(x0 + 46, y + 5, f"y {words}"))
    halo = f'stroke="{palette.PAPER}" stroke-width="4" paint-order="stroke" stroke-linejoin="round"'
    taken = ((x0, y1 - RULER[1], x1, y1), (x0, y0, x0 + RULER[0], y1))
    return f"{_outline(frame)}<g {halo}>{''.join(parts)}</g>", taken


def _outline(frame: Box) -> str:
    x0, y0, x1, y1 = map(number, frame)
    return f'<path d="M{x0} {y0}H{x1}V{y1}H{x0}Z" {_EDGE}/>'


def _round_places(low: float, high: float, step: float) -> Iterator[tuple[float, str]]:
    """Multiples of a step between two coordinates, and how they are written."""
    places = 2 if step < 0.1 else 1 if step < 1 else 0
    for n in range(math.ceil(low / step), math.floor(high / step) + 1):
        yield n * step, f"{n * step:.{places}f}"


def _figure(x: float, y: float, words: str) -> str:
    return text(x, y, words, SMALL, colour=palette.INK, anchor="middle")


def _tick(x: float, y: float, dx: float, dy: float) -> str:
    return f'<path d="M{number(x)} {number(y)}l{number(dx)} {number(dy)}" {_EDGE}/>'


def legend(entries: Iterable[Entry], x: float, y: float, width: float) -> tuple[str, float]:
    """The legend in rows no wider than `width`; returns markup and the height used."""
    parts, left, top = [], x, y
    for sample, words in entries:
        wide = 44 + text_width(words, SMALL) + 26
        if left > x and left + wide > x + width:
            left, top = x, top + ROW
        parts.append(f'<g transform="translate({number(left)} {number(top)})">{sample}</g>')
        parts.append(text(left + 44, top + 15, words, SMALL, colour=palette.INK))
        left += wide
    return "".join(parts), top + ROW - y


def board_entries(scene: Scene, layer: SceneLayer, others: Sequence[str] = ()) -> Iterator[Entry]:
    """Legend entries of the copper that a layer's picture shows, and of nothing else.

    Parameters
    ----------
    others : further layers whose copper of a finding is shown
    """
    pours = {(shape.layer, shape.region) for shape in scene.shapes if shape.role in (POUR, PLANE)}
    main, *farther = layer.references or (layer.id,)
    area = '<rect width="34" height="20"'
    for index, region in enumerate(scene.regions):
        colour = palette.region_look(index).colour
        name = f"{region.name}{' (quiet)' if region.quiet else ''}"
        board = f'{area} fill="{palette.BOARD}"/>{area} fill="{colour}"'
        if (main, index) in pours:
            hatch = f'{area} fill="url(#swatch{index})" stroke="{colour}" stroke-width="1.8"/>'
            yield f'{board} fill-opacity=".26"/>{hatch}', f"{name}: pours on {main}"
        if main != layer.id and (layer.id, index) in pours:
            yield f'{board} fill-opacity=".16"/>', f"{name}: pours on {layer.id} itself"
    if any(where in farther for where, _ in pours):
        yield (
            _stroke(palette.FAINT, 1.6, ' stroke-dasharray="7 4"'),
            f"edge of pours on {farther[0]}",
        )
    if any(shape.role == PLANE and shape.layer == main for shape in scene.shapes):
        yield _stroke(palette.FAINT, 1.8, ' stroke-dasharray="2 2"'), "edge of a supply plane"
    yield _stroke(palette.INK, 5), "net with a finding"
    if others:
        hollow = (
            f'<rect y="4" width="34" height="12" fill="{palette.BEYOND}" stroke="{palette.INK}"'
            ' stroke-width="2.2"/>'
        )
        yield hollow, f"the same on {', '.join(others)}"
    yield _stroke(palette.COPPER, 5), "other copper"


def mark_entries(shown: Sequence[Callout]) -> Iterator[Entry]:
    """Legend entries of the marks that findings get."""
    for level in sorted(Level, reverse=True):
        if any(c.level == level and not c.waived for c in shown):
            yield _badge(level, waived=False), str(level)
    if any(c.waived for c in shown):
        yield _badge(Level.NOTE, waived=True), "waived"
    colour = palette.DARK_VERMILLION
    if any(c.legs for c in shown):
        yield _stroke(colour, 3), "witness path"
    if any(leg.far for c in shown for leg in c.legs):
        yield _stroke(colour, 3, DASH), "witness path on the bottom"
    if any(c.joined for c in shown):
        area = f'<rect width="34" height="20" fill="{colour}" fill-opacity=".22" stroke="{colour}"'
        yield f'{area} stroke-width="1.8" stroke-dasharray="2 4"/>', "copper on the way"
    if len(shown) == 1 and shown[0].detour:
        yield _stroke(palette.BLUE, DETOUR, DETOUR_DASH), "way of the return current"


def _stroke(colour: str, width: float, dashes: str = "") -> str:
    return (
        f'<path d="M0 10H34" fill="none" stroke="{colour}" stroke-width="{number(width)}"{dashes}/>'
    )


def _badge(level: Level, *, waived: bool) -> str:
    sample = Callout(0, 1, "", level, None, (0, 0), (0, 0, 0, 0), (), (), (), waived, ())
    body = badge_mark((17, 10), sample)
    return f'<g transform="translate(3 2) scale(.8)">{body[: body.index("<text")]}</g>'


def listing(
    listed: Listed, x: float, y: float, width: float, columns: int, room: float
) -> tuple[str, float]:
    """The places in columns, worst first, as far as the height `room` allows; returns markup and
    the height used.
    """
    rows = min(-(-len(listed) // columns), int(room // ENTRY))
    if rows * columns < len(listed):
        rows = max(0, min(rows, int((room - ROW) // ENTRY)))
    entries = listed[: rows * columns]
    wide = width / columns
    parts: list[str] = []
    for place, (callout, group) in enumerate(entries):
        left, top = x + wide * (place // rows), y + ENTRY * (place % rows)
        parts += _entry(callout, group, left, top, wide)
    height = ENTRY * rows
    if len(listed) > len(entries):
        words = _left_over(listed[len(entries) :], width, named=not entries)
        parts.append(text(x, y + height + 18, words, SMALL, colour=palette.INK))
        height += ROW
    return "".join(parts), height


def _left_over(listed: Listed, width: float, *, named: bool) -> str:
    """How many more places there are; a flat board, which leaves no room for a list, has its worst
    ones named.
    """
    told: list[str] = []
    for callout, group in listed if named else ():
        finding = group.worst
        told.append(f"{callout.number} {finding.rule} {wording.measurement(finding)}".strip())
        if text_width(f"{'; '.join(told)}; and 1000 more places: see the report", SMALL) > width:
            told.pop()
            break
    more = len(listed) - len(told)
    if not told:
        return f"{wording.count(more, 'more place')}: see the report"
    return "; ".join(told) + (
        f"; and {wording.count(more, 'more place')}: see the report" if more else ""
    )


def _entry(callout: Callout, group: Group, x: float, y: float, wide: float) -> Iterable[str]:
    room, finding = wide - 64, group.worst
    figures = (wording.measurement(finding), wording.requirement(finding))
    tail = (
        "waived: " + finding.waived.reason if finding.waived else ", ".join(filter(None, figures))
    )
    count = f", {len(group.members)} findings" if len(group.members) > 1 else ""
    heads = (
        f"{finding.rule}{count} {wording.place(finding.at)}",
        f"{finding.rule}{count}",
        finding.rule,
        "",
    )
    fitting = (
        words for head in heads if text_width(words := f"{head} {tail}".strip(), SMALL) <= room
    )
    # figures are the last to be cut: half a number misleads
    facts = next(fitting, f"{finding.rule} {tail}")
    about = wording.subject(finding)
    return (
        badge_mark((x + 22, y + 19), callout),
        text(
            x + 48,
            y + 17,
            shortened(about, LETTER, room, bold=True),
            LETTER,
            colour=palette.INK,
            bold=True,
        ),
        text(x + 48, y + 37, shortened(facts, SMALL, room), SMALL, colour=palette.FAINT),
    )


def story(finding: Finding, x: float, y: float, width: float) -> tuple[str, float]:
    """What one finding says and what to do, in full; returns markup and the height used."""
    todo = f"To do: {wording.sentence(finding.hint)}" if finding.hint else ""
    words = (finding.message, wording.consequence(finding), todo, f"id {finding.id}")
    lines = [line for part in words for line in wrapped(part, SMALL, width - 48)]
    rows = (
        text(x + 48, y + 14 + 21 * i, line, SMALL, colour=palette.INK)
        for i, line in enumerate(lines)
    )
    return "".join(rows), 21.0 * len(lines) + 8


def caution(words: str, y: float) -> tuple[str, float]:
    """The caution in a ruled box over the whole width; returns markup and the height used."""
    lines = wrapped(words, SMALL, WIDTH - 2 * MARGIN - 32)
    height = 22 + 21.0 * len(lines)
    box = (
        f'<rect x="{number(MARGIN)}" y="{number(y)}" width="{number(WIDTH - 2 * MARGIN)}"'
        f' height="{number(height)}" fill="none" stroke="{palette.INK}" stroke-width="1.5"/>'
    )
    rows = (
        text(MARGIN + 16, y + 26 + 21 * i, line, SMALL, colour=palette.INK)
        for i, line in enumerate(lines)
    )
    return box + "".join(rows), height
