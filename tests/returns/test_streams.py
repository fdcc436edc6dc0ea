"""How much of a current enters some copper, and by what way: Kirchhoff's law on networks whose
answer is plain.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from checker.returns.contacts import Chain, Contact
from checker.returns.sheet import Sheet, Spread
from checker.returns.streams import entering, stream


def over(sheet: Sheet, layer: int, box: tuple[float, float, float, float]) -> Spread:
    spread = sheet.spread_over(layer, np.array([shapely.box(*box)]))
    assert spread is not None
    return spread


def strip(*chains: Chain) -> Sheet:
    return Sheet([shapely.get_parts(shapely.box(0, 0, 60, 10))] * 2, [0.035, 0.035], chains, 0.5)


DOWN = Chain((Contact(0, (20.0, 5.0), 0.15), Contact(1, (20.0, 5.0), 0.15)), (1e-3,))
UP = Chain((Contact(0, (40.0, 5.0), 0.15), Contact(1, (40.0, 5.0), 0.15)), (1e-3,))


def test_what_passes_a_middle_part_enters_it_once() -> None:
    sheet = strip()
    potential = sheet.potential(over(sheet, 0, (0, 0, 1, 10)), over(sheet, 0, (59, 0, 60, 10)))
    assert entering(
        sheet, potential, sheet.covered(0, shapely.box(25, 0, 35, 10))
    ) == pytest.approx(1.0)


def test_what_enters_by_a_pin_counts_as_what_enters_over_the_edge() -> None:
    sheet = strip()
    potential = sheet.potential(over(sheet, 0, (4, 4, 6, 6)), over(sheet, 0, (54, 4, 56, 6)))
    for part in ((0, 10), (50, 60)):
        inside = sheet.covered(0, shapely.box(part[0], 0, part[1], 10))
        assert entering(sheet, potential, inside) == pytest.approx(1.0)


def test_what_comes_up_a_barrel_counts_once() -> None:
    """All of the current goes down one hole and up the other; the second layer takes part of it,
    counted once.
    """
    sheet = strip(DOWN, UP)
    potential = sheet.potential(over(sheet, 0, (0, 0, 1, 10)), over(sheet, 0, (59, 0, 60, 10)))
    lower = entering(sheet, potential, sheet.covered(1, shapely.box(0, 0, 60, 10)))
    assert 0.1 < lower < 0.5
    upper = entering(sheet, potential, sheet.covered(0, shapely.box(29, 0, 31, 10)))
    assert upper + lower == pytest.approx(1.0, abs=1e-6)


def test_a_bay_that_nothing_flows_through_takes_nothing() -> None:
    copper = shapely.union(shapely.box(0, 0, 60, 10), shapely.box(29, 9, 31, 40))
    sheet = Sheet([shapely.get_parts(copper)], [0.035], [], 0.5)
    potential = sheet.potential(over(sheet, 0, (0, 0, 1, 10)), over(sheet, 0, (59, 0, 60, 10)))
    assert entering(sheet, potential, sheet.covered(0, shapely.box(29, 20, 31, 40))) < 1e-6


def test_the_way_leads_from_source_to_sink() -> None:
    sheet = strip()
    potential = sheet.potential(over(sheet, 0, (0, 4, 1, 6)), over(sheet, 0, (59, 4, 60, 6)))
    (way,) = stream(sheet, potential, sheet.covered(0, shapely.box(25, 0, 35, 10)))
    assert way[0][0] < 2
    assert way[-1][0] > 58
