"""Whole boards, from files to findings, held against an independent witness, as many as wanted.

    python -m tests.laws.whole_campaign --boards 200

Boards are new each time; the seed is printed, and `--seed` with `--first` draws the same again. An
answer is

    agreed   told distances lie between the witness's bounds, and bridges are told
    doubted  a creepage is too long, or missing, and a doubt says so
    long     a distance is told too long, or not at all: the worst fault
    short    a distance is told that no reading of the rules makes that short
    bridge   a bridge is not told, or one is told that is none
    skipped  copper of two meanings touches: the witness says nothing
"""

from __future__ import annotations

import argparse
import secrets
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from checker.app.run import Options, check, load_rules
from checker.demo.gerber_writer import write_gerber
from checker.demo.ipc2581_writer import write_ipc2581
from checker.findings import Finding
from tests.laws.whole_boards import Whole, whole_board
from tests.laws.whole_witness import (
    COARSE,
    FINE,
    Air,
    Islands,
    creepage_least,
    creepage_most,
    islands_of,
)

TOO_LONG = 0.001  # mm, README
ROUND_HOLES = 0.004  # mm; what round holes on a path are taken wider or narrower by
SAMPLED = 0.004  # mm; how near the samples come
SLANT = 2 * (np.sqrt(2) - 1)  # of X; what links that slant down a wall may save, README
NEAR = 0.5  # mm; how much farther than what is found lines are looked at
RULES = frozenset({"clearance", "creepage", "galvanic-bridge"})
FORMS = ("gerber", "nc", "ipc2581")
FAULTS = frozenset({"long", "short", "bridge"})
GIVEN_UP = ("given up", "slot of several rooms")


@dataclass(frozen=True)
class Told:
    """What a check says of the barrier."""

    findings: tuple[Finding, ...]
    doubts: tuple[str, ...]

    def least(self, rule: str) -> Finding | None:
        """The finding of a rule with the smallest share of what is required."""
        found = [f for f in self.findings if f.rule == rule]
        return min(found, key=lambda f: (f.measured or 0.0) / (f.required or 1.0), default=None)

    @property
    def doubted(self) -> bool:
        return any(word in doubt for doubt in self.doubts for word in GIVEN_UP)


def checked(whole: Whole, form: str, folder: Path) -> Told:
    """Write the files, read them, check them."""
    for name, text in {"rules.toml": whole.rules, **whole.tables}.items():
        (folder / name).write_text(text, encoding="utf-8")
    path = folder / ("board.xml" if form == "ipc2581" else f"board-{form}")
    if form == "ipc2581":
        write_ipc2581(whole.sketch, path)
    else:
        write_gerber(whole.sketch, path, drills="nc" if form == "nc" else "gerber")
        _plated(whole, path)
    outcome = check(path, load_rules(folder / "rules.toml"), Options(only=RULES)).outcome
    findings = [f for f in outcome.findings if f.detail.get("between", "a / b") == "a / b"]
    return Told(tuple(findings), tuple(entry.doubt.what for entry in outcome.doubts))


def _plated(whole: Whole, folder: Path) -> None:
    """State the profile plated where it is."""
    for path in folder.iterdir() if whole.plated_outline else ():
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace("Profile,NP", "Profile,P"), encoding="utf-8")


# -------------------------------------------------------------------------------------------- judge


def judge(
    whole: Whole, folder: Path, form: str, *, shorts: bool = True
) -> Iterator[tuple[str, str]]:
    """Answers for a board, with their numbers; without `shorts` what is told too short is let be,
    in half the time.
    """
    islands = islands_of(whole)
    if islands.muddled:
        yield "skipped", ""
        return
    told = checked(whole, form, folder)
    bridge = any(f.rule == "galvanic-bridge" for f in told.findings)
    if bridge != islands.bridged:
        yield "bridge", f"told {bridge}, is {islands.bridged}"
    elif islands.bridged:
        yield "agreed", "bridged"
    else:
        yield _creepage(whole, islands, told, shorts=shorts)
        yield _clearance(whole, islands, told, shorts=shorts)


def _creepage(whole: Whole, islands: Islands, told: Told, *, shorts: bool) -> tuple[str, str]:
    held, found = whole.held, told.least("creepage")
    limit = held.creepage + held.tolerance
    length = np.inf if found is None else (found.measured or 0.0) + held.tolerance
    if found is not None and not found.measured:
        length = 0.0  # what a tolerance takes away is not told
    x = held.x + held.tolerance
    most = creepage_most(whole, islands, max(min(length, limit), x) + NEAR)
    least = 0.0
    if found is not None and shorts:
        legs = found.detail["legs"]
        walls = sum(leg["on"] == "wall" for leg in legs)
        spare = SAMPLED + ROUND_HOLES + walls * SLANT * x
        spare += held.tolerance if not found.measured else 0.0
        for spacing in (COARSE, FINE):
            least = creepage_least(whole, islands, max(length, x) + NEAR, spacing) - spare
            if length >= least:
                break
    numbers = f"creepage {length:.5f} of {least:.5f} to {most:.5f}, limit {limit:g}"
    if length > most + TOO_LONG and most < limit - TOO_LONG:
        return ("doubted" if told.doubted else "long"), numbers
    return ("short" if length < least else "agreed"), numbers


def _clearance(whole: Whole, islands: Islands, told: Told, *, shorts: bool) -> tuple[str, str]:
    held, found = whole.held, told.least("clearance")
    limit = held.clearance + held.tolerance
    share, spare = np.inf, (SAMPLED + ROUND_HOLES) / limit
    if found is not None and found.measured is not None and found.required is not None:
        share = (found.measured + held.tolerance) / (found.required + held.tolerance)
        spare += held.tolerance / limit if not found.measured else 0.0
        share = share if found.measured else 0.0
    most = Air(whole, islands, whole.wide).shares(most=True)
    least = 0.0
    if np.isfinite(share) and shorts:
        least = Air(whole, islands, whole.narrow).shares(most=False) - spare
    numbers = f"clearance {share * limit:.5f} of {least * limit:.5f} to {most * limit:.5f}, limit {limit:g}"
    if (share - most) * limit > TOO_LONG and most * limit < limit - TOO_LONG:
        return ("doubted" if told.doubted else "long"), numbers
    return ("short" if share < least else "agreed"), numbers


# ----------------------------------------------------------------------------------------- campaign


def form_of(whole: Whole, number: int) -> str:
    """The format that a board is written in; boards in parts and plated ones only as Gerber."""
    forms = FORMS[:2] if whole.several or whole.plated_outline else FORMS
    return forms[number % len(forms)]


def run(
    seed: int, numbers: Sequence[int], *, loud: bool = False, shorts: bool = True
) -> Counter[str]:
    """Boards of a seed: counts by answer. Faults are printed."""
    counts: Counter[str] = Counter()
    for number in numbers:
        whole = whole_board(np.random.default_rng([seed, number]))
        with tempfile.TemporaryDirectory() as folder:
            for answer, told in judge(whole, Path(folder), form_of(whole, number), shorts=shorts):
                counts[answer] += 1
                if loud or answer in FAULTS:
                    sys.stdout.write(
                        f"{seed} {number} {form_of(whole, number)}: {answer}, {told}\n"
                    )
                    sys.stdout.flush()
    return counts


def main() -> None:
    """Run the campaign and print its counts."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--boards", type=int, default=100)
    parser.add_argument("--seed", type=int, default=secrets.randbits(32))
    parser.add_argument("--first", type=int, default=0, help="number of the first board")
    parser.add_argument("--loud", action="store_true", help="print every answer")
    parser.add_argument("--only-long", action="store_true", help="look for what is told too long")
    args = parser.parse_args()
    sys.stdout.write(f"seed {args.seed}\n")
    sys.stdout.flush()
    counts = run(
        args.seed,
        range(args.first, args.first + args.boards),
        loud=args.loud,
        shorts=not args.only_long,
    )
    sys.stdout.writelines(f"{answer}: {count}\n" for answer, count in sorted(counts.items()))


if __name__ == "__main__":
    main()
