"""Two names of the rules file on one piece of copper: a doubt, unless a barrier or a tie speaks of
it.
"""

from __future__ import annotations

from collections.abc import Iterator

from checker.config.rules_file import Rules
from parsers.board import Board, Contact
from parsers.primitives import Ints
from parsers.trouble import Doubt


def named_twice(board: Board, rules: Rules, region_of_net: Ints) -> Iterator[Doubt]:
    """Doubts on copper that `[net]` names twice where no rule judges the contact.

    Parameters
    ----------
    region_of_net : region of each net, -1 for none, shape (nets,)
    """
    told = {net.name for net in rules.named_nets}
    for contact in board.connectivity.contacts:
        one, other = (board.nets[net].name for net in contact.nets)
        if told >= {one, other} and not _judged(contact, rules, region_of_net):
            x, y = contact.at
            what = f"net.{one} and net.{other} name one piece of copper"
            yield Doubt(
                what,
                f"they touch at ({x:.3f}, {y:.3f}); remove one of the names",
                rules.place(f"net.{other}"),
            )


def _judged(contact: Contact, rules: Rules, region_of_net: Ints) -> bool:
    """Whether a barrier or a tie stands between the regions of two nets in contact."""
    regions = [
        rules.regions[n].name if n >= 0 else "" for n in region_of_net[list(contact.nets)].tolist()
    ]
    tied = any(set(regions) == set(tie.between) for tie in rules.ties)
    return tied or any(barrier.separates(*regions) for barrier in rules.barriers)
