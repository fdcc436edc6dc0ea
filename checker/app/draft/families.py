"""Patterns for a region's nets: names that share a stem become one pattern, so that a later net of
the family is in it.

A stem ends where a word of the name ends (`PH_`, `/sheet/`, `CH` before a number, `_ISO` at the
end), covers two nets or more, and matches no net of any other region.
"""

from __future__ import annotations

import glob
import re
from collections.abc import Collection, Iterable

from checker.app.draft.names import is_automatic

WORD_END = re.compile(r"(?<=[_/.\-])|(?<=[A-Za-z]{2})(?=\d)")
LAST_WORD = re.compile(r"[_.\-][A-Za-z0-9]+$")
ANY = "*"
LEAST = 2  # names that make a family


def patterns(
    own: Iterable[str],
    others: Iterable[str],
    endings: Collection[str] = (),
    guests: Iterable[str] = (),
) -> list[str]:
    """Glob patterns that match all of some names and none of others.

    Parameters
    ----------
    endings : last words (in capitals) that may make a family
    guests : names that may be matched and count for a family, but need no pattern

    Examples
    --------
    >>> patterns(["B_SCK", "B_DIO", "OUT"], ["A_SCK", "OUT_A"])
    ['B_*', 'OUT']
    >>> patterns(["SCK_ISO", "DIO_ISO"], ["SCK", "DIO"], {"ISO"})
    ['*_ISO']
    >>> patterns(["Net-(R1-Pad1)", "Net-(R2-Pad1)"], [])
    ['Net-(R1-Pad1)', 'Net-(R2-Pad1)']
    """
    left, strange, free = set(own), frozenset(others), set(guests)
    found: dict[str, str] = {}  # pattern by the name that it sorts by
    stems = _stems({name for name in left | free if not is_automatic(name)}, strange, endings)
    while stems:
        pattern, names = max(stems.items(), key=lambda stem: _worth(stem[0], stem[1], left, free))
        if not names & left or len(names & (left | free)) < LEAST:
            break
        found[min(names & left)] = pattern
        left -= names
    return [
        pattern
        for _, pattern in sorted({**found, **{name: glob.escape(name) for name in left}}.items())
    ]


def _worth(
    pattern: str, names: set[str], left: set[str], free: set[str]
) -> tuple[int, int, bool, int, str]:
    """How much a stem is to be preferred: names that it settles, then all of its family, then a
    short beginning.
    """
    return len(names & left), len(names & free), pattern[0] != ANY, -len(pattern), pattern


def _stems(
    own: Collection[str], others: Collection[str], endings: Collection[str]
) -> dict[str, set[str]]:
    """Patterns of stems with the names that each covers, without those that match another's."""
    covered: dict[str, set[str]] = {}
    for name in own:
        for stem in heads(name):
            covered.setdefault(f"{glob.escape(stem)}*", set()).add(name)
        for stem in (stem for stem in LAST_WORD.findall(name) if stem[1:].upper() in endings):
            covered.setdefault(f"*{glob.escape(stem)}", set()).add(name)
    taken = {f"{glob.escape(stem)}*" for name in others for stem in heads(name)}
    taken |= {f"*{glob.escape(stem)}" for name in others for stem in LAST_WORD.findall(name)}
    return {
        pattern: names
        for pattern, names in covered.items()
        if pattern not in taken and len(names) >= LEAST
    }


def heads(name: str) -> list[str]:
    """Beginnings of a name that end with a word, the shortest first.

    Examples
    --------
    >>> heads("/out/CH1_P")
    ['/out/', '/out/CH', '/out/CH1_']
    """
    ends = [end.start() for end in WORD_END.finditer(name)]
    return [name[:end] for end in ends if end < len(name) and re.search(r"[A-Za-z0-9]", name[:end])]
