"""What marks a finding: witness path, ring, leader and numbered badge, in units of the picture."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from checker.drawing import palette
from checker.drawing.lettering import number, text, text_width
from checker.drawing.placement import Badge
from checker.drawing.scene import Callout
from checker.findings import XY, Level

At = Callable[[XY], XY]

LETTER = 16.0  # px, height of a badge's number
PATH, HALO = 3.0, 6.5
RING = 9.0
DASH = ' stroke-dasharray="9 6"'
DETOUR, DETOUR_DASH = 2.5, ' stroke-dasharray="1 6"'


def path_colour(callout: Callout) -> str:
    """Colour of lines that belong to a callout."""
    if callout.waived:
        return palette.FAINT
    return palette.DARK_VERMILLION if callout.level == Level.ERROR else palette.BLACK


def witness(callout: Callout, at: At) -> str:
    """Draw the witness path on a pale halo; without a path, the box of the finding or a ring at its
    place.

    What a path hops over is no line across the board: see `joined`.
    """
    legs = [leg for leg in callout.legs if leg.hop is None]
    if not legs:
        return _ring(callout, at)
    colour = path_colour(callout)
    lines = [(leg, _line(leg.points, at)) for leg in legs]
    halo = "".join(
        f'<path d="{data}" stroke="{palette.PAPER}" stroke-width="{HALO}"/>' for _, data in lines
    )
    body = "".join(
        f'<path d="{data}" stroke="{colour}" stroke-width="{PATH}"{DASH if leg.far else ""}/>'
        + "".join(_end(at(point), colour) for point in (leg.points[0], leg.points[-1]))
        for leg, data in lines
    )
    return halo + body


def joined(ring: Iterable[XY], callout: Callout, at: At) -> str:
    """Draw copper that joins two legs of a callout's path: dotted edge, faint fill."""
    colour = path_colour(callout)
    look = (
        f'fill="{colour}" fill-opacity=".22" stroke="{colour}" stroke-width="1.8"'
        ' stroke-dasharray="2 4"'
    )
    return f'<path d="{_line(ring, at)}Z" {look}/>'


def detour(callout: Callout, at: At) -> str:
    """Draw the way of the return current, dotted."""
    data = _line(callout.detour, at)
    halo = f'<path d="{data}" stroke="{palette.PAPER}" stroke-width="{HALO}"/>'
    return (
        halo
        + f'<path d="{data}" stroke="{palette.BLUE}" stroke-width="{DETOUR + 1}"{DETOUR_DASH}/>'
    )


def _ring(callout: Callout, at: At) -> str:
    x, y = at(callout.at)
    colour = path_colour(callout)
    place = f'cx="{number(x)}" cy="{number(y)}" r="{RING}"'
    ring = f'<circle {place} stroke="{palette.PAPER}" stroke-width="{HALO}"/>'
    ring += f'<circle {place} stroke="{colour}" stroke-width="{PATH}"/>'
    x0, y0, x1, y1 = callout.extent
    corners = [at(corner) for corner in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))]
    if max(abs(a - b) for c in corners for a, b in zip(c, corners[0], strict=True)) > 3 * RING:
        box = "M" + "L".join(f"{number(a)} {number(b)}" for a, b in corners) + "Z"
        ring += f'<path d="{box}" stroke="{colour}" stroke-width="1.5" stroke-dasharray="2 4"/>'
    return ring


def _line(points: Iterable[XY], at: At) -> str:
    return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in map(at, points))


def _end(point: XY, colour: str) -> str:
    return (
        f'<circle cx="{number(point[0])}" cy="{number(point[1])}" r="4" fill="{colour}" '
        f'stroke="{palette.PAPER}" stroke-width="1.5"/>'
    )


def dot(callout: Callout, at: At) -> str:
    """Mark a finding that gets no number because there are too many."""
    x, y = at(callout.at)
    return (
        f'<circle cx="{number(x)}" cy="{number(y)}" r="4.5" fill="{path_colour(callout)}"'
        ' stroke="none"/>'
    )


def badge_half(figure: int) -> XY:
    """Half the size of a badge that carries this number."""
    width = text_width(str(figure), LETTER, bold=True)
    return max(width / 2 + 7.0, 14.0), 14.0


def cluster_half(count: int) -> XY:
    """Half the size of the mark for several places."""
    return text_width(f"+{count}", LETTER, bold=True) / 2 + 8.0, 13.0


def cluster_mark(centre: XY, count: int) -> str:
    """Draw the mark for several places that lie too close for numbers of their own: how many there
    are.
    """
    wide, high = cluster_half(count)
    box = (
        f'<rect x="{number(centre[0] - wide)}" y="{number(centre[1] - high)}"'
        f' width="{number(2 * wide)}" height="{number(2 * high)}" rx="4" fill="{palette.PAPER}"'
        f' stroke="{palette.INK}" stroke-width="1.8"/>'
    )
    return box + text(
        centre[0],
        centre[1] + 5.8,
        f"+{count}",
        LETTER,
        colour=palette.INK,
        bold=True,
        anchor="middle",
    )


def leader(badge: Badge) -> str:
    """Draw the line from a badge to its place."""
    (x0, y0), (x1, y1) = badge.anchor, badge.centre
    line = f'x1="{number(x0)}" y1="{number(y0)}" x2="{number(x1)}" y2="{number(y1)}"'
    halo = f'<line {line} stroke="{palette.PAPER}" stroke-width="4"/>'
    return halo + f'<line {line} stroke="{palette.INK}" stroke-width="1.4"/>'


def badge_mark(centre: XY, callout: Callout) -> str:
    """Draw a numbered badge: its shape and colour tell the level."""
    look = palette.level_look(callout.level, waived=callout.waived)
    half = badge_half(callout.number)
    radius = {"circle": half[1], "square": 2.0, "pill": half[1]}[look.badge]
    broken = ' stroke-dasharray="3 2"' if callout.waived else ""
    return (
        f'<rect x="{number(centre[0] - half[0])}" y="{number(centre[1] - half[1])}"'
        f' width="{number(2 * half[0])}" height="{number(2 * half[1])}" rx="{number(radius)}"'
        f' fill="{look.fill}" stroke="{look.edge}" stroke-width="1.8"{broken}/>'
        + text(
            centre[0],
            centre[1] + 5.8,
            str(callout.number),
            LETTER,
            colour=look.ink,
            bold=True,
            anchor="middle",
        )
    )
