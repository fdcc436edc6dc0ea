"""Doubts as they come up: one per sentence, with its first place and the number of further ones."""

from __future__ import annotations

from dataclasses import dataclass, field

from parsers.trouble import Doubt, Place

MAX_KINDS = 300  # doubts of one file that are told one by one


@dataclass(slots=True)
class Doubts:
    """Collects doubts of one file; a file that is wrong a million times in one way has one doubt."""

    file: str
    _first: dict[str, Doubt] = field(default_factory=dict)
    _more: dict[str, int] = field(default_factory=dict)

    def add(self, what: str, why: str, line: int | None = None, element: str | None = None, *, count: int = 1) -> None:
        """Note a doubt.

        Parameters
        ----------
        what : the stable sentence; equal sentences are one doubt
        count : how many places this call stands for
        """
        if what not in self._first and len(self._first) >= MAX_KINDS:
            what, why = "more trouble than is told", f"the file is wrong in more than {MAX_KINDS} ways"
        if what in self._first:
            self._more[what] += count
            return
        self._first[what] = Doubt(what, why, Place(self.file, line or None, element))
        self._more[what] = count - 1

    def all(self) -> tuple[Doubt, ...]:
        """Doubts in the order of their first places."""
        return tuple(
            Doubt(d.what, f"{d.why} (and {self._more[what]} more places)" if self._more[what] else d.why, d.place)
            for what, d in self._first.items()
        )

    def include(self, other: Doubts) -> None:
        """Take over the doubts of a part of the file."""
        for what, doubt in other._first.items():
            self.add(what, doubt.why, doubt.place.line, doubt.place.element, count=1 + other._more[what])
