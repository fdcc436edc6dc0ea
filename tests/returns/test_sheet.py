"""Direct currents held against closed forms, and against their own laws."""

from __future__ import annotations

from math import acosh, cos, log, pi, radians, sin

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from checker.returns import sheet as module
from checker.returns.contacts import Chain, Contact
from checker.returns.sheet import Sheet, Spread, UnjoinedError

THICKNESS = 0.035
RHO = 1.724e-5  # ohm mm; annealed copper at 20 C, 1/58 ohm mm2/m (IEC 60028:1925, from memory)
SQUARE = RHO / THICKNESS  # ohm
CELLS = (0.5, 0.25)


def single(copper: shapely.Geometry, cell: float, *chains: Chain) -> Sheet:
    return Sheet([shapely.get_parts(copper)], [THICKNESS], chains, cell)


def over(sheet: Sheet, shape: shapely.Geometry) -> Spread:
    spread = sheet.spread_over(0, np.array([shape]))
    assert spread is not None
    return spread


def at(sheet: Sheet, contact: Contact) -> Spread:
    spread = sheet.spread_at(contact)
    assert spread is not None
    return spread


def pad(x: float, y: float, half: float = 0.3) -> shapely.Geometry:
    return shapely.box(x - half, y - half, x + half, y + half)


def squares(sheet: Sheet, current: tuple[Spread, Spread], voltage: tuple[Spread, Spread]) -> float:
    potential = sheet.potential(*current)
    return (voltage[0].mean(potential) - voltage[1].mean(potential)) / SQUARE


@pytest.mark.parametrize("cell", CELLS)
@pytest.mark.parametrize("turn", [0, 27, 45])
def test_strip(cell: float, turn: float) -> None:
    """Ends far away, 40 mm along a strip 10 mm wide: 4 squares, however it is turned (Ohm's
    law).
    """

    def turned(shape: shapely.Geometry) -> shapely.Geometry:
        return shapely.affinity.rotate(shape, turn, origin=(0, 0))

    sheet = single(turned(shapely.box(0, 0, 100, 10)), cell)
    ends = (turned(shapely.box(0, 0, 1, 10)), turned(shapely.box(99, 0, 100, 10)))
    places = [
        pad(
            30 * cos(radians(turn)) - 5 * sin(radians(turn)),
            30 * sin(radians(turn)) + 5 * cos(radians(turn)),
        )
    ]
    places += [
        pad(
            70 * cos(radians(turn)) - 5 * sin(radians(turn)),
            70 * sin(radians(turn)) + 5 * cos(radians(turn)),
        )
    ]
    found = squares(
        sheet,
        (over(sheet, ends[0]), over(sheet, ends[1])),
        (over(sheet, places[0]), over(sheet, places[1])),
    )
    assert found == pytest.approx(4.0, rel=1e-4)


@pytest.mark.parametrize("cell", CELLS)
def test_ring(cell: float) -> None:
    """ln(b / a) / 2 pi between two radii of a disc fed in its middle (from memory); 6..29 mm:
    0.2508.
    """
    sheet = single(shapely.Point(3.3, 1.7).buffer(32, quad_segs=64), cell)
    rim = shapely.difference(
        shapely.Point(3.3, 1.7).buffer(32, quad_segs=64),
        shapely.Point(3.3, 1.7).buffer(31, quad_segs=64),
    )
    current = over(sheet, shapely.Point(3.3, 1.7).buffer(4, quad_segs=64)), over(sheet, rim)
    for turn in (0.2, 1.1, 2.5):
        inner, outer = (over(sheet, pad(3.3 + r * cos(turn), 1.7 + r * sin(turn))) for r in (6, 29))
        assert squares(sheet, current, (inner, outer)) == pytest.approx(
            log(29 / 6) / (2 * pi), rel=0.02
        )


@pytest.mark.parametrize("cell", CELLS)
@pytest.mark.parametrize("radius", [0.05, 0.15, 0.25, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.13, 0.21), (0.2, 0.05)])
def test_two_round_contacts_in_a_disc(
    cell: float, radius: float, shift: tuple[float, float]
) -> None:
    """acosh(d / 2a) / pi in an infinite sheet (from memory); the rim of a disc adds images of both
    contacts.

    A rim that no current crosses is a contact of the same sign at R^2 / r beyond it: in a disc of
    radius R, contacts at r = d / 2 on both sides of its middle gain ln((R^2 + r^2) / (R^2 - r^2)) /
    pi; 1.4203 for a 0.25, d 20, R 50 mm.
    """
    apart, disc = 20.0, shapely.Point(shift).buffer(50, quad_segs=128)
    left, right = (Contact(0, (shift[0] + side * apart / 2, shift[1]), radius) for side in (-1, 1))
    sheet = single(disc, cell, Chain((left, right), (1e12,)))
    pair = at(sheet, left), at(sheet, right)
    wanted = (acosh(apart / (2 * radius)) + log((50**2 + 10**2) / (50**2 - 10**2))) / pi
    assert squares(sheet, pair, pair) == pytest.approx(wanted, rel=0.01)


@pytest.mark.parametrize("cell", CELLS)
def test_corner(cell: float) -> None:
    """A square corner of a strip counts as 0.559 squares (from memory)."""
    sheet = single(shapely.union(shapely.box(0, 0, 60, 10), shapely.box(0, 0, 10, 60)), cell)
    ends = over(sheet, shapely.box(59, 0, 60, 10)), over(sheet, shapely.box(0, 59, 10, 60))
    found = squares(sheet, ends, (over(sheet, pad(40, 5)), over(sheet, pad(5, 40))))
    assert found == pytest.approx(6.559, rel=0.01)


@pytest.mark.parametrize("cell", CELLS)
def test_slit(cell: float) -> None:
    """A slit of 20 mm across the middle of a strip of 40 mm adds -2 ln(cos(pi a / W)) / pi squares
    (derived).
    """
    strip = shapely.difference(shapely.box(0, 0, 200, 40), shapely.box(99.99, 10, 100.01, 30))
    sheet = single(strip, cell)
    ends = over(sheet, shapely.box(0, 0, 1, 40)), over(sheet, shapely.box(199, 0, 200, 40))
    found = squares(sheet, ends, (over(sheet, pad(40, 20)), over(sheet, pad(160, 20))))
    assert found == pytest.approx(3 - 2 / pi * log(cos(pi * 10 / 40)), rel=0.01)
    assert found - 3 == pytest.approx(0.2206, rel=0.1)


def test_two_layers_share_a_current_as_their_copper_is_thick() -> None:
    """Joined all along by holes without resistance: 1 / (t1 + t2)."""
    strip = shapely.get_parts(shapely.box(0, 0, 100, 4))
    holes = [
        Chain((Contact(0, (x, y), 0.02), Contact(1, (x, y), 0.02)), (0.0,))
        for x in np.arange(0.5, 100, 1.0).tolist()
        for y in (0.5, 1.5, 2.5, 3.5)
    ]
    sheet = Sheet([strip, strip], [0.035, 0.070], holes, 0.25)
    ends = over(sheet, shapely.box(0, 0, 1, 4)), over(sheet, shapely.box(99, 0, 100, 4))
    potential = sheet.potential(*ends)
    found = over(sheet, pad(30, 2)).mean(potential) - over(sheet, pad(70, 2)).mean(potential)
    assert found == pytest.approx(10 * RHO / 0.105, rel=0.01)


def test_chains_pass_by_contacts_without_copper() -> None:
    """A hole through three layers whose middle one has an antipad: both resistances in series."""
    plates = [shapely.box(0, 0, 10, 10), shapely.box(20, 0, 30, 10), shapely.box(0, 0, 10, 10)]
    chain = Chain(tuple(Contact(n, (5.0, 5.0), 0.2) for n in range(3)), (1.0, 2.0))
    sheet = Sheet([shapely.get_parts(p) for p in plates], [THICKNESS] * 3, [chain], 0.5)
    potential = sheet.potential(at(sheet, chain.contacts[0]), at(sheet, chain.contacts[2]))
    found = at(sheet, chain.contacts[0]).mean(potential) - at(sheet, chain.contacts[2]).mean(
        potential
    )
    assert found == pytest.approx(3.0, rel=1e-3)


def test_what_no_copper_joins_is_refused() -> None:
    sheet = single(shapely.union(shapely.box(0, 0, 5, 5), shapely.box(6, 0, 11, 5)), 0.5)
    one, other = over(sheet, pad(2, 2)), over(sheet, pad(8, 2))
    assert not sheet.joined(one, other)
    with pytest.raises(UnjoinedError):
        sheet.potential(one, other)


places = st.tuples(st.floats(2, 58), st.floats(2, 38))


@settings(max_examples=25)
@given(four=st.lists(places, min_size=4, max_size=4, unique=True), direct=st.booleans())
def test_reciprocity(four: list[tuple[float, float]], direct: bool) -> None:
    """What 1 A between one pair puts on the other is what 1 A between the other puts on the one;
    both solvers.
    """
    copper = shapely.difference(shapely.box(0, 0, 60, 40), shapely.box(29, 5, 31, 40))
    spots = [pad(x if not 27 < x < 33 else x + 6.5, y) for x, y in four]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "MULTIGRID", 10**9 if direct else 0)
        patch.setattr(module, "PLANAR", 0)
        sheet = single(copper, 1.0)
        a, b, c, d = (over(sheet, spot) for spot in spots)
        there, back = sheet.potential(a, b), sheet.potential(c, d)
    one, other = c.mean(there) - d.mean(there), a.mean(back) - b.mean(back)
    assert one == pytest.approx(other, rel=1e-8, abs=1e-8 * SQUARE)


def test_both_solvers_agree() -> None:
    copper = shapely.difference(shapely.box(0, 0, 60, 40), shapely.box(29, 5, 31, 40))
    found = []
    for limit in (0, 10**9):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(module, "MULTIGRID", limit)
            patch.setattr(module, "PLANAR", 0)
            sheet = single(copper, 0.5)
            found.append(
                squares(
                    sheet,
                    (over(sheet, pad(5, 5)), over(sheet, pad(55, 5))),
                    (over(sheet, pad(20, 30)), over(sheet, pad(40, 30))),
                )
            )
    assert found[0] == pytest.approx(found[1], rel=1e-8)


def test_a_barrel_through_three_layers_has_the_sum_of_its_parts() -> None:
    """0.1 ohm from the first layer to the second, 0.2 to the third: far more than the copper
    between the contacts.
    """
    copper = [shapely.get_parts(shapely.box(0, 0, 10, 10))] * 3
    chain = Chain(tuple(Contact(n, (5.0, 5.0), 0.2) for n in range(3)), (0.1, 0.2))
    sheet = Sheet(copper, [THICKNESS] * 3, [chain], 0.25)
    top, middle, bottom = (at(sheet, contact) for contact in chain.contacts)
    ends = sheet.spread_over(0, np.array([pad(1, 1)])), sheet.spread_over(2, np.array([pad(9, 9)]))
    assert ends[0] is not None
    assert ends[1] is not None
    potential = sheet.potential(*ends)
    levels = [spread.mean(potential) for spread in (top, middle, bottom)]
    assert levels[0] - levels[1] == pytest.approx(0.1, rel=1e-6)
    assert levels[1] - levels[2] == pytest.approx(0.2, rel=1e-6)
