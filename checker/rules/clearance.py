"""Both sides of every barrier stay the required distance apart through air and through the board.

Why: air breaks down where conductors come too close, and so does insulation that is too thin; a barrier protects people
only as far as its shortest way across.

Measured: all copper, walls of plated holes, plated edges and declared hardware of one side against all of the other:
straight on each face (also across slots), in the plane of each inner layer against the rows `inner` of your table, and
between layers against the rows `through`.
Copper of a third net, and floating copper, costs nothing on the way, and a leg shorter than X beside it counts as
nothing; earthed nets are not crossed for nothing.

Fix: move the copper apart, remove the stray copper on the way, or choose a wider isolator.

Source: IEC 60664-1 (2007), 6.2 for how clearances are measured; the distances are those of your table.
"""

from __future__ import annotations

from collections.abc import Iterator

from checker.barriers import bind
from checker.clearances import shortfalls
from checker.findings import Finding, Level
from checker.layout import Layout
from checker.rules import Rule
from checker.shortfalls import tell
from checker.spacing_table import CLEARANCE
from parsers.trouble import Doubt

RULE = Rule("clearance", title="Clearance too short", level=Level.ERROR, safety=True)


def find(layout: Layout) -> Iterator[Finding]:
    """Clearances that fall short."""
    for short in shortfalls(layout):
        if short.required.measure == CLEARANCE:
            yield tell(layout, short, RULE.id)


def why_not(layout: Layout) -> str | None:
    """Why no clearance can be measured."""
    return bind(layout).why_not(CLEARANCE)


def doubts(layout: Layout) -> tuple[Doubt, ...]:
    """What binding the barriers left open."""
    return bind(layout).doubts
