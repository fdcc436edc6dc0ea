"""Creepages of random boards held against independent witnesses, as many as the time allows.

    python -m tests.laws.witnesses --minutes 20

Boards are new each time; the seed is printed, and `--seed` draws the same boards again. A board on
which the product and a witness disagree is kept as a file of `--kept`, in the form of
fixtures/witnessed, where such boards get a name and a reason. Minutes are processor time.

- `mesh`: no links and no floating copper (tests/insulation/mesh_witness.py): never longer than the
  exact geodesic, and no shorter than what arcs are taken wider by.
- `links`: never longer than with as few links as must be, never shorter than with as many as can be
  (tests/insulation/linked.py), floating copper on the way.
"""

from __future__ import annotations

import argparse
import json
import secrets
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from checker.insulation.surface.geodesics import (
    HOP,
    SOURCE,
    TARGET,
    Geodesic,
    Surface,
    copper,
    exposed,
)
from tests.boards import FIXTURES
from tests.insulation.linked import any_link, must_link
from tests.insulation.mesh_witness import mesh_length
from tests.insulation.oracle import Board, Metal, measure
from tests.insulation.witness_boards import WIDTHS, witness_board

KEPT = FIXTURES / "witnessed"
TOO_LONG = 0.001  # mm, README
ARCS = 0.0025  # mm; what the outlines' and slots' arcs on one path are taken wider by
FAR = 60.0  # mm
LIMIT = 9.0  # mm; of creepages with links
NEAR = 0.5  # mm; how much longer than what is found lines are looked at
COARSE, FINE = 0.6, 0.2  # mm, of samples
SAMPLED = 0.004  # mm; how near the samples must come
SLANT = 2 * (np.sqrt(2) - 1)  # of X: what links that slant down a wall may save, README
Answer = tuple[str, str]  # agreed | doubted | long | short; and the numbers


def solved(board: Board, limit: float) -> tuple[Geodesic | None, bool]:
    """The product's answer, and whether it doubts it: its search was given up, or a slot has three
    rooms or more.
    """
    faces, bare = (
        [m for m in board.metals if m.face is not None],
        [m for m in board.metals if m.face is None],
    )
    metal = copper(
        *([getattr(m, name) for m in faces] for name in ("skeleton", "radius", "face", "island"))
    )
    laid_bare = exposed(
        *([getattr(m, name) for m in bare] for name in ("skeleton", "above", "below", "island"))
    )
    surface = Surface(board.region, board.thickness, x=board.x)
    roles = [SOURCE, TARGET] + [HOP] * (board.islands() - 2)
    legs = surface.legs(metal, roles, max(limit, board.x), laid_bare)
    return legs.best(0, 1, board.x), bool(legs.stopped or surface.necks)


def by_mesh(board: Board) -> Answer:
    """The product against the exact geodesic."""
    exact = mesh_length(board)
    path, doubted = solved(board, min(exact + 2.0, FAR))
    # a mesh may have refined copper near the wrong of two ends
    if path is not None and path.length < exact - ARCS:
        exact = min(exact, measure(board, FINE))
    return _judged(path, doubted, exact - ARCS, exact)


def by_links(board: Board) -> Answer:
    """The product between paths with as few and as many links as the rule may be read to have."""
    path, doubted = solved(board, LIMIT)
    if path is None:
        most = np.inf if doubted else measure(must_link(board, LIMIT), COARSE)
        return _judged(path, doubted, 0.0, most if most < LIMIT else np.inf)
    reach = max(path.length, board.x) + NEAR
    walls = sum(leg.on == "wall" for leg in path.legs)
    spare = SAMPLED + walls * SLANT * board.x
    for spacing in (COARSE, FINE):
        least = measure(any_link(board, reach), spacing) - spare
        if path.length >= least:
            break
    return _judged(path, doubted, least, measure(must_link(board, reach), COARSE))


def _judged(path: Geodesic | None, doubted: bool, least: float, most: float) -> Answer:
    length = np.inf if path is None else path.length
    numbers = f"{length:.5f} of {least:.5f} to {most:.5f}"
    if length > most + TOO_LONG:
        return ("doubted" if doubted else "long"), numbers
    if path is None and doubted:
        return "doubted", numbers
    return ("short" if length < least else "agreed"), numbers


# ------------------------------------------------------------------------------------------- boards


def meshed(rng: np.random.Generator) -> Board:
    """A board without links and floating copper."""
    return witness_board(rng, x=0.0)


def linked(rng: np.random.Generator) -> Board:
    """A board whose voids are about as wide as X."""
    return witness_board(rng, x=float(rng.choice(WIDTHS)), round_=3, floating=1)


Kind = tuple[Callable[[np.random.Generator], Board], Callable[[Board], Answer]]
KINDS: dict[str, Kind] = {"mesh": (meshed, by_mesh), "links": (linked, by_links)}


def written(board: Board, kind: str, because: str) -> str:
    """A board as JSON."""
    metals = [
        {
            "island": m.island, "face": m.face, "skeleton": shapely.to_wkt(m.skeleton, rounding_precision=-1),
            "radius": m.radius, "above": m.above, "below": m.below,
        }
        for m in board.metals
    ]  # fmt: skip
    region = shapely.to_wkt(board.region, rounding_precision=-1)
    told = {
        "because": because,
        "kind": kind,
        "x": board.x,
        "thickness": board.thickness,
        "region": region,
    }
    return json.dumps(told | {"metals": metals}, indent=1) + "\n"


def read(text: str) -> tuple[Board, dict[str, Any]]:
    """A board and what is said of it."""
    told = json.loads(text)
    region = shapely.from_wkt(told["region"])
    metals = tuple(
        Metal(**(m | {"skeleton": shapely.from_wkt(m["skeleton"])})) for m in told["metals"]
    )
    return Board(region, region, told["thickness"], metals, told["x"]), told


# ----------------------------------------------------------------------------------------- campaign


def run(
    kinds: Iterable[str], seed: int, minutes: float, kept: Path, *, most: int = 10**9
) -> Counter[tuple[str, str]]:
    """Boards of each kind in turn until the time is up: counts by kind and answer. What disagrees
    is kept.
    """
    counts: Counter[tuple[str, str]] = Counter()
    share = minutes * 60 / len(list(kinds := tuple(kinds)))
    for kind in kinds:
        draw, judge = KINDS[kind]
        until, number = time.process_time() + share, 0
        while time.process_time() < until and number < most:
            board = draw(np.random.default_rng([seed, number]))
            answer, numbers = judge(board)
            counts[kind, answer] += 1
            if answer in ("long", "short"):
                kept.mkdir(parents=True, exist_ok=True)
                (kept / f"{kind}-{seed}-{number}.json").write_text(
                    written(board, kind, f"{answer}: {numbers}")
                )
                sys.stdout.write(f"{kind} {seed} {number}: {answer}, {numbers}\n")
                sys.stdout.flush()
            number += 1
    return counts


def main() -> None:
    """Run the campaign and print its counts."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=20.0, help="of processor time")
    parser.add_argument("--seed", type=int, default=secrets.randbits(32))
    parser.add_argument("--kind", choices=KINDS, action="append", help="default: all")
    parser.add_argument("--kept", type=Path, default=Path(tempfile.gettempdir()) / "witnessed")
    args = parser.parse_args()
    sys.stdout.write(f"seed {args.seed}\n")
    sys.stdout.flush()
    counts = run(args.kind or KINDS, args.seed, args.minutes, args.kept)
    sys.stdout.writelines(
        f"{kind} {answer}: {count}\n" for (kind, answer), count in sorted(counts.items())
    )


if __name__ == "__main__":
    main()
