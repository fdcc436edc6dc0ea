"""Two checks side by side: what is fixed, new, moved, unchanged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from checker import wording
from checker.findings import XY
from checker.results.baseline import STILL, Past, match


@dataclass(frozen=True, slots=True)
class Comparison:
    """The findings of two checks, sorted by what became of them."""

    fixed: tuple[Past, ...]
    new: tuple[Past, ...]
    moved: tuple[tuple[Past, Past], ...]
    unchanged: tuple[Past, ...]
    shift: XY  # the common move of the board, taken out before places are compared


def compare(old: Sequence[Past], new: Sequence[Past]) -> Comparison:
    """Sort the findings of two checks by what became of them."""
    found = match(old, new)
    gone = set(range(len(old))) - {i for i, _ in found.pairs}
    came = set(range(len(new))) - {j for _, j in found.pairs}
    moved, unchanged = [], []
    for i, j in found.pairs:
        (x, y), (u, v) = old[i].at, new[j].at
        if hypot(u - x - found.shift[0], v - y - found.shift[1]) > STILL:
            moved.append((old[i], new[j]))
        else:
            unchanged.append(new[j])
    return Comparison(
        tuple(old[i] for i in sorted(gone)),
        tuple(new[j] for j in sorted(came)),
        tuple(moved),
        tuple(unchanged),
        found.shift,
    )


def as_text(comparison: Comparison) -> str:
    """The comparison for a terminal."""
    counts = {
        name: len(getattr(comparison, name)) for name in ("fixed", "new", "moved", "unchanged")
    }
    lines = [", ".join(f"{count} {name}" for name, count in counts.items())]
    if hypot(*comparison.shift) > STILL:
        x, y = comparison.shift
        lines.append(f"The board as a whole moved by ({x:.3f}, {y:.3f}) mm; that is taken out.")
    for name, entries in (("fixed", comparison.fixed), ("new", comparison.new)):
        lines += [f"  {name:9} {_line(entry)}" for entry in entries]
    for old, entry in comparison.moved:
        lines.append(f"  {'moved':9} {_line(entry)}, was at {wording.place(old.at)}")
    lines += [f"  {'unchanged':9} {_line(entry)}" for entry in comparison.unchanged]
    return "\n".join(lines) + "\n"


def _line(entry: Past) -> str:
    nets = " / ".join(entry.nets)
    where = f"{entry.layer} " if entry.layer else ""
    return f"{entry.level} {entry.rule} {nets} {where}at {wording.place(entry.at)} [{entry.id}]"
