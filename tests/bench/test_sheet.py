"""Direct currents: time and memory against unknowns, and where multigrid begins to pay.

    pytest tests/bench/test_sheet.py -m bench -s

A board of 200 x 200 mm, four layers, 3,000 antipads and 2,000 plated holes, on grids of 2, 1 and
0.5 mm.
"""

from __future__ import annotations

import resource
from time import process_time

import numpy as np
import pytest
import shapely

from checker.returns import sheet as module
from checker.returns.contacts import Chain, Contact
from checker.returns.sheet import Sheet, Spread

THICKNESS = 0.035


def layers() -> list[np.ndarray[tuple[int], np.dtype[np.object_]]]:
    places = np.random.default_rng(1).uniform(5, 195, (3000, 2))
    voids = shapely.union_all(shapely.buffer(shapely.points(places), 0.5))
    return [shapely.get_parts(shapely.difference(shapely.box(0, 0, 200, 200), voids))] * 4


def holes() -> list[Chain]:
    places = np.random.default_rng(2).uniform(3, 197, (2000, 2)).tolist()
    return [
        Chain(tuple(Contact(n, (x, y), 0.15) for n in range(4)), (4e-4,) * 3) for x, y in places
    ]


def pad(sheet: Sheet, layer: int, x: float, y: float) -> Spread:
    spread = sheet.spread_over(layer, np.array([shapely.box(x - 1, y - 1, x + 1, y + 1)]))
    assert spread is not None
    return spread


def timed(cell: float) -> tuple[int, float, float]:
    """Unknowns, seconds to lay out the network, seconds to solve it once."""
    copper, chains = layers(), holes()
    start = process_time()
    sheet = Sheet(copper, [THICKNESS] * 4, chains, cell)
    laid = process_time()
    sheet.potential(pad(sheet, 0, 20, 20), pad(sheet, 0, 60, 20))
    return sheet.size, laid - start, process_time() - laid


@pytest.mark.bench
def test_time_grows_hardly_faster_than_the_unknowns() -> None:
    rows = [timed(cell) for cell in (2.0, 1.0, 0.5)]
    for size, laid, solved in rows:
        print(f"{size:9,} unknowns: laid out {laid:6.2f} s, solved {solved:6.2f} s")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    (small, *few), (large, *many) = rows[1], rows[2]
    grown = np.log(large / small)
    exponents = np.log(sum(many) / sum(few)) / grown, np.log(many[1] / few[1]) / grown
    print(f"exponent {exponents[0]:.2f}, of the solution alone {exponents[1]:.2f}")
    assert max(exponents) < 1.3


@pytest.mark.bench
def test_where_multigrid_begins_to_pay() -> None:
    for cell in (3.0, 2.0, 1.5, 1.0):
        for limit, name in ((10**9, "direct"), (0, "multigrid")):
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(module, "MULTIGRID", limit)
                patch.setattr(module, "PLANAR", 0)
                size, _, solved = timed(cell)
            print(f"{size:9,} unknowns, {name:9}: {solved:6.2f} s")
