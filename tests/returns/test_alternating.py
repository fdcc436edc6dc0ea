"""Alternating currents in sheets of copper held against image theory and their own laws."""

from __future__ import annotations

from math import log, pi

import numpy as np
import pytest
import shapely

from checker.returns import alternating as module
from checker.returns.alternating import Alternating, Loop, UnsolvedError
from checker.returns.contacts import RHO
from checker.returns.filaments import filaments
from checker.returns.sheet import Sheet

XY = tuple[float, float]
THICKNESS = 0.035


def board(copper: shapely.Geometry, cell: float) -> Alternating:
    return Alternating(Sheet([shapely.get_parts(copper)], [THICKNESS], [], cell), [0.0])


def loop(copper: Alternating, height: float, *way: XY) -> Loop:
    pads = [
        copper.sheet.spread_over(0, np.array([shapely.box(x - 0.5, y - 0.5, x + 0.5, y + 0.5)]))
        for x, y in way
    ]
    first, last = pads[0], pads[-1]
    assert first is not None
    assert last is not None
    return Loop(
        filaments([(x, y, -height) for x, y in way], radius=0.07), enters=last, leaves=first
    )


def mutual_of(copper: Alternating, one: Loop, other: Loop, frequency: float) -> complex:
    """H."""
    return copper.voltage(copper.flow(one, frequency), other) / (2j * pi * frequency)


@pytest.mark.parametrize(("height", "apart"), [(1.5, 2.0), (1.5, 5.0), (1.0, 4.0)])
def test_traces_over_a_plane_couple_as_their_images_tell(height: float, apart: float) -> None:
    """mu0 / 4 pi ln(1 + 4 h^2 / d^2) per length (method of images, from memory)."""
    copper = board(shapely.box(0, 0, 60, 40), 1.0)
    noisy = loop(copper, height, (6, 15), (54, 15))
    quiet = loop(copper, height, (20, 15 + apart), (40, 15 + apart))
    expected = 20e-10 * log(1 + 4 * (height / apart) ** 2)
    assert mutual_of(copper, noisy, quiet, 1e6).real == pytest.approx(expected, rel=0.02)


def test_a_trace_one_cell_above_the_copper_is_told_as_well_as_with_finer_cells() -> None:
    """Two traces at 5 heights and more, with and without a slot that the noisy one crosses."""
    slit = shapely.box(10, 6, 13.2, 11)
    for copper in (shapely.box(0, 0, 24, 16), shapely.difference(shapely.box(0, 0, 24, 16), slit)):
        told = []
        for cell in (0.8, 0.4):
            grid = board(copper, cell)
            flow = grid.flow(loop(grid, 0.8, (3, 8.13), (21, 8.13)), 1e6)
            ways: list[list[XY]] = [[(6, 14.2), (18, 14.2)], [(15, 4), (20, 3)]]
            told.append([abs(grid.voltage(flow, loop(grid, 0.8, *way))) for way in ways])
        assert told[0] == pytest.approx(told[1], rel=0.06)


@pytest.mark.parametrize("frequency", [1e4, 1e6, 1e7])
def test_two_loops_trade_places(frequency: float) -> None:
    """Reciprocity: what one does to the other, the other does to it."""
    slit = shapely.difference(shapely.box(0, 0, 30, 20), shapely.box(14, -1, 15, 15))
    copper = board(slit, 0.5)
    one, other = loop(copper, 1.0, (3, 5), (20, 5), (27, 12)), loop(copper, 1.0, (5, 14), (22, 10))
    there, back = mutual_of(copper, one, other, frequency), mutual_of(copper, other, one, frequency)
    assert abs(there - back) < 1e-5 * abs(there)


def test_slow_currents_flow_like_direct_ones() -> None:
    """At 1 Hz the voltage is the direct current's, from the same sheet."""
    copper = board(shapely.box(0, 0, 30, 20), 0.5)
    one, other = loop(copper, 1.0, (3, 5), (27, 12)), loop(copper, 1.0, (5, 14), (22, 10))
    potential = copper.sheet.potential(one.enters, one.leaves)
    direct = other.enters.mean(potential) - other.leaves.mean(potential)
    assert copper.voltage(copper.flow(one, 1.0), other).real == pytest.approx(direct, rel=1e-3)


@pytest.mark.parametrize(("frequency", "under"), [(1e3, False), (1e6, True)])
def test_the_return_of_a_bent_trace(frequency: float, under: bool) -> None:
    """A U: slow currents return straight from end to end, fast ones under the trace."""
    copper = board(shapely.box(0, 0, 60, 40), 1.0)
    flow = copper.flow(loop(copper, 1.0, (10, 5), (10, 35), (50, 35), (50, 5)), frequency)
    cut = ~copper.upward & (np.abs(copper.middle[:, 0] - 30.0) < 0.51)
    amperes, y = flow.currents[: copper.sheet.flat][cut].real, copper.middle[cut, 1]
    assert (
        abs(amperes.sum()) == pytest.approx(1.0, rel=0.02)
        or len(np.unique(copper.middle[cut, 0])) == 2
    )
    share = amperes[y > 20].sum() / amperes.sum()
    assert (share > 0.9) == under
    assert (share < 0.5) == (not under)


def test_a_thin_sheet_lets_through_what_its_resistance_tells() -> None:
    """A wave of currents above a sheet without end: the field beyond it is 1 / (1 + j w mu0 / (2 k
    Rs)) of its own.

    Source: currents K of one wave number k have the potential mu0 K / 2k; quasi-static, from first
    principles.
    Here a pair of opposite traces, whose field has all wave numbers, is integrated over them.
    """
    height, apart, frequency = 2.0, 6.0, 5e4
    copper = board(shapely.box(0, 0, 160, 120), 2.0)
    noisy = filaments([(0, 60, -height), (160, 60, -height)], radius=0.07)
    back = filaments([(160, 60 + apart, -height), (0, 60 + apart, -height)], radius=0.07)
    whole = module.Loop(
        module.Filaments(
            np.concatenate((noisy.ends, back.ends)), np.concatenate((noisy.radius, back.radius))
        ),
        *(loop(copper, height, (80, 60), (80, 60)).enters,) * 2,
    )
    quiet = [
        filaments([(70, y, height), (90, y, height)], radius=0.07) for y in (60.0, 60.0 + apart)
    ]
    flow = copper.flow(whole, frequency)
    fluxes = [
        copper.linkage(q) @ flow.currents[: copper.sheet.flat] + module.mutual(whole.conductor, q)
        for q in quiet
    ]
    omega, ohms = 2 * pi * frequency, RHO / THICKNESS
    k = np.linspace(1e-4, 3, 300_000)
    passed = np.exp(-2 * height * k) / k / (1 + 1j * omega * 4e-10 * pi / (2 * k * ohms))
    wave = 4e-10 * pi / (2 * pi) * 2 * (1 - np.cos(k * apart)) * passed
    expected = 20 * complex(np.sum(wave) * (k[1] - k[0]))
    assert abs((fluxes[0] - fluxes[1]) - expected) < 0.06 * abs(expected)


def test_a_solution_without_end_is_no_solution(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "ROUNDS", 1)
    copper = board(shapely.box(0, 0, 30, 20), 1.0)
    with pytest.raises(UnsolvedError):
        copper.flow(loop(copper, 1.0, (3, 5), (27, 12)), 1e6)
