"""Manual pages that are not a rule's own: one text file per topic in this folder, found by walking
it.

The first line of a file says in one sentence what the topic tells; the rest is shown as it stands,
80 columns wide. A line `<<limits>>` is replaced by the limits that the rules declare.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

from checker.rules import Limit, known_limits

COLUMNS = 80


@dataclass(frozen=True, slots=True)
class Topic:
    """A manual page."""

    name: str  # as in `moatcheck explain NAME`
    summary: str
    text: str  # whole, summary included, generated parts filled in


@lru_cache(maxsize=1)
def topics() -> dict[str, Topic]:
    """All topics by name, in alphabetical order."""
    pages = sorted(
        (page for page in files(__name__).iterdir() if page.name.endswith(".txt")),
        key=lambda p: p.name,
    )
    return {
        topic.name: topic
        for topic in (_topic(page.name, page.read_text(encoding="utf-8")) for page in pages)
    }


def limit_lines(limit: Limit) -> str:
    """A limit as the rules file would state it, and what it means.

    Examples
    --------
    >>> print(limit_lines(Limit("stitch", 3.0, "mm", "how near a via must be")))
    stitch = 3                  # mm; how near a via must be
    """
    stated = f"{limit.name} = {limit.default:g}"
    told = textwrap.wrap(f"{limit.unit}; {limit.meaning}", COLUMNS - 30)
    return "\n".join(f"{stated if not n else '':27} # {line}" for n, line in enumerate(told))


def _topic(file_name: str, text: str) -> Topic:
    whole = re.sub(r"^<<(\w+)>>$", lambda found: GENERATED[found[1]](), text, flags=re.M)
    return Topic(file_name.removesuffix(".txt"), whole.split("\n", 1)[0], whole)


def _limits() -> str:
    return "\n".join(
        limit_lines(limit)
        for limit in sorted(known_limits().values(), key=lambda limit: limit.name)
    )


GENERATED: Mapping[str, Callable[[], str]] = {"limits": _limits}
