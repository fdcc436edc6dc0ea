"""Both sides of every barrier stay the required distance apart along the surface of the board.

Why: dirt and moisture make the surface of insulation conduct long before the air or the laminate
breaks down; a barrier protects people only as far as its shortest way over the surface.

Measured: the shortest path over both faces and the walls of every free edge (outline, cutouts,
routed slots, unplated holes; walls are as high as the board is thick), from all copper, walls of
plated holes, plated edges and declared hardware of one side to all of the other. It goes round the
ends of slots, between them, or over an edge to the other face, whichever is shorter; it is straight
where face and wall are unfolded. Slots narrower than X are bridged: X is 0.25, 1.0 or 1.5 mm for
pollution degree 1, 2 or 3, or a third of the required clearance where that is turned on and
smaller. What lies on the way counts as for clearance: floating copper costs nothing, and a leg
shorter than X beside it counts as nothing; third regions are one conductor each; earthed copper is
not crossed. Inner copper that reaches a free edge is open there. Required creepage is never below
required clearance. Lengths are exact for straight and round copper and straight rims, else short by
less than 0.001 mm; over a bridged slot and down its wall, aslant or near its end, short by up to
0.41 X. Where a slot joins three wide rooms or more by narrow places, beside both sides, no length
is vouched for: that is a doubt. A notch is bridged wherever its opposite walls come within X of
each other, at any angle; the corners of a bottom at least X wide are not (the sharper of two that
differ is taken for a tip: the safe side). Over three corners or more that lie within X of each
other, any line of at most X over one of them counts as a link.
Not seen: ribs, grooves that do not go through the board, coating, parts over a slot.

Fix: move the copper apart, lengthen or add a slot, keep copper and slots away from the edge that
the path crosses, or remove the stray copper on the way.

Source: IEC 60664-1 (2007), 6.2 for how creepage is measured and for X; the distances are those of
your table.
"""

from __future__ import annotations

from collections.abc import Iterator

from checker.config.spacing_table import CREEPAGE
from checker.findings import Finding, Level
from checker.insulation.creepage import necks, stopped
from checker.insulation.distances import told
from checker.insulation.open_pads import open_pads
from checker.insulation.requirements import bind
from checker.insulation.shortfalls import tell
from checker.layout.layout import Layout
from checker.rules import Rule
from parsers.trouble import Doubt

RULE = Rule(
    "creepage", title="Creepage too short", level=Level.ERROR, safety=True, shares="distances"
)
HINT = "Move the copper apart, lengthen the slot or add one, or remove the stray copper on the way."


def find(layout: Layout) -> Iterator[Finding]:
    """Creepages that fall short, on the surface and where the table holds only creepage inside the
    board.
    """
    return (tell(layout, one, RULE.id, HINT) for one in told(layout, CREEPAGE))


def why_not(layout: Layout) -> str | None:
    """Why no creepage can be measured."""
    return bind(layout).why_not(CREEPAGE)


def doubts(layout: Layout) -> Iterator[Doubt]:
    """What binding the barriers left open, and necks of slots that no length is vouched for."""
    yield from (*bind(layout).doubts, *open_pads(layout))
    why = (
        "a creepage over it may be told too long; measure there by hand, or give the slot one width"
    )
    for bound, (x, y) in necks(layout) if why_not(layout) is None else ():
        yield Doubt(
            f"near ({x:.2f}, {y:.2f}) a slot of several rooms narrows to less than X beside"
            f" {bound.title}",
            why,
        )
    why = (
        "a creepage there may be missing or told too long; measure by hand, or give slots and edges"
        " plainer shapes"
    )
    for bound in stopped(layout) if why_not(layout) is None else ():
        yield Doubt(
            f"the search for creepages of {bound.title} was given up: slots of too many shapes", why
        )
