"""The layout: a board seen through a rules file. What several rules need is computed once, here, and lazily.

Everything is in mm and in index terms of the board (nets, layers, conductor rows); a rule turns indices into names
when it makes a finding.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
import shapely

from checker.regions import Pour, Region, Stretch
from checker.rules_file import Barrier, Rules, Tie
from parsers.board import Board
from parsers.primitives import Ints, Rows
from parsers.trouble import Doubt


class Layout:
    """Board + rules: regions, pours, territories, stretches, parts. Build with `Layout(board, rules)`.

    Attributes that rules use:
      board, rules
      doubts            what binding rules to board left open (patterns without net, parts not on the board, ...)
      regions           tuple[Region], in the order of the rules file
      region_of_net     (nets,) index of the region that claims each net, -1 = none or floating
      floating          (nets,) mask of nets that float (single pad, N/C, thieving)
      row_region        (conductors,) region of each conductor's net, -1 = none
      pours             tuple[Pour], all regions and layers, reference and planes
      stretches         tuple[Stretch]
    """

    def __init__(self, board: Board, rules: Rules) -> None:
        self.board = board
        self.rules = rules
        self.limits = rules.limits

    @cached_property
    def doubts(self) -> tuple[Doubt, ...]:
        """What binding the rules to the board left open; complete once the layout is built."""
        raise NotImplementedError

    @cached_property
    def regions(self) -> tuple[Region, ...]:
        """Regions bound to nets."""
        raise NotImplementedError

    @cached_property
    def region_of_net(self) -> Ints:
        """Region index of each net, -1 for none, shape (nets,). A net that a tie shares has its own region here."""
        raise NotImplementedError

    @cached_property
    def row_region(self) -> Ints:
        """Region index of each conductor, -1 for none, shape (conductors,)."""
        raise NotImplementedError

    @cached_property
    def pours(self) -> tuple[Pour, ...]:
        """All pours, ordered by region, layer, then place."""
        raise NotImplementedError

    def territory(self, region: int) -> shapely.Geometry:
        """A region's reference pours (no planes) on all layers, from above; its area if it has none."""
        raise NotImplementedError

    @cached_property
    def stretches(self) -> tuple[Stretch, ...]:
        """Connected parts of nets off the reference (gap-crossing, unreferenced-run)."""
        raise NotImplementedError

    def matching(self, patterns: tuple[str, ...]) -> Ints:
        """Net indices that match any of the glob patterns, ascending."""
        raise NotImplementedError

    def barrier_between(self, a: int, b: int) -> Barrier | None:
        """The barrier declared between two regions, by index."""
        raise NotImplementedError

    def tie_between(self, a: int, b: int) -> Tie | None:
        """The tie declared between two regions, by index."""
        raise NotImplementedError

    def tie_copper(self, tie: Tie) -> shapely.Geometry:
        """Copper of a declared tie, seen from above: it counts as both regions' pours. Empty if there is none."""
        raise NotImplementedError

    def pads_of(self, refdes: str) -> Rows:
        """Conductor rows that are pads of a part."""
        raise NotImplementedError

    @cached_property
    def near_isolators(self) -> dict[int, shapely.Geometry]:
        """Per net: its isolator pads on their own side, widened by limits.fanout (exempt area)."""
        raise NotImplementedError

    def is_slow(self, net: int) -> bool:
        """Whether the rules list the net as slow."""
        raise NotImplementedError

    def layer_id(self, layer: int) -> str:
        """`L1` and so on."""
        return self.board.layers[layer].id


def nothing() -> Rows:
    """No rows."""
    return np.empty(0, dtype=np.intp)
