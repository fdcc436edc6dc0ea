"""Both sides of every barrier stay the required distance apart through air and through the board.

Why: air breaks down where conductors come too close, and so does insulation that is too thin; a
barrier protects people only as far as its shortest way across.

Measured: all copper, walls of plated holes, plated edges and declared hardware of one side against
all of the other, less the tolerances of the rules file, which are subtracted once. On each face the
way is straight, also across slots. From face to face it is the shortest way through the air over an
outer edge, through a cutout, a slot or an open hole; inner copper that reaches such an edge is open
there. Both are held to the rows `outer` of your table. In the plane of an inner layer the rows
`inner` hold, between layers, copper surface to copper surface, the rows `through`; where those rows
give creepage alone, the shortfall is told as creepage; where they give both, their clearance holds.
Inner copper that a blind unplated hole opens is taken as if it lay on the face that the hole comes
from. Copper on the way counts by its kind. Floating copper costs nothing, and a leg beside it that
is shorter than X counts as nothing; X is 0.25, 1.0 or 1.5 mm for pollution degree 1, 2 or 3, or a
third of the required clearance where that is turned on and smaller; inside the board no leg longer
than required is taken for nothing. Of a barrier, and of a basic or reinforced spacing, all copper
of a third region is one conductor, and so are the nets that no region claims: what nothing holds
apart from one side stands on that side, so that its distance from the other one counts; what is
held apart from both is crossed, both legs in full, and so is what is held apart from neither, which
is a doubt. There is one finding for each barrier and third region, none where a leg is held as
strictly by a barrier or spacing of its own: that one tells it, with the other requirement in its
detail. A functional spacing takes nets of neither group for air. Earthed copper is not crossed: it
counts as board. Legs in several kinds of place each count as the part of their own requirement that
they hold. One finding per pair of nets and layer, one through the board, one over edges; where
copper on the way shortens the path, the straight distance is told beside it. Findings whose paths
end on the same piece of copper, or within 2 mm of each other, at both ends, that cross the same
piece of floating copper, or that run between the pads of one isolator are one group, creepages
included. Straight and round copper is exact, the rest short by less than 0.001 mm. Walls of holes
are taken at the size that the data gives: where that is the finished size, the plating is a
tolerance.
Not seen: bodies and leads of parts, solder, coating, the thickness of copper, height above the
board; no correction is made for altitude or frequency, so the table must hold the corrected values
(IEC 60664-1:2007, tables A.2 and F.2).

Fix: move the copper apart, remove the stray copper on the way, or choose a wider isolator.

Source: IEC 60664-1 (2007), 6.2 for how clearances are measured; the distances are those of your
table.
"""

from __future__ import annotations

from collections.abc import Iterator

from checker.config.spacing_table import CLEARANCE
from checker.findings import Finding, Level
from checker.insulation.clearance import unsure
from checker.insulation.distances import told
from checker.insulation.open_pads import open_pads
from checker.insulation.requirements import bind
from checker.insulation.shortfalls import tell
from checker.layout.layout import Layout
from checker.rules import Rule
from parsers.trouble import Doubt

RULE = Rule(
    "clearance", title="Clearance too short", level=Level.ERROR, safety=True, shares="distances"
)


def find(layout: Layout) -> Iterator[Finding]:
    """Clearances that fall short."""
    return (tell(layout, one, RULE.id) for one in told(layout, CLEARANCE))


def why_not(layout: Layout) -> str | None:
    """Why no clearance can be measured."""
    return bind(layout).why_not(CLEARANCE)


def doubts(layout: Layout) -> tuple[Doubt, ...]:
    """What binding the barriers left open, nets of one pad beside them, and searches that were
    given up.
    """
    why = (
        "a clearance there is told by what it cannot be shorter than; measure by hand, or give"
        " edges plainer shapes"
    )
    given_up = [
        Doubt(
            f"the search for clearances of {bound.title} over edges was given up: too many ways",
            why,
        )
        for bound in (unsure(layout) if why_not(layout) is None else ())
    ]
    return (*bind(layout).doubts, *open_pads(layout), *given_up)
