"""Doubts and remarks as they come up while files are read: each once, with its first place and how
often it occurs.

How often stands in the sentence that a rules file may accept: whoever accepts 18 objects has not
accepted 28.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

from parsers.trouble import Doubt, Place

MAX_TEXT = 160  # characters of a sentence about a file's content
MAX_KINDS = 300  # doubts of one file that are told one by one
# Unicode categories: control characters, halves of characters, line ends
_UNFIT = ("Cc", "Cs", "Zl", "Zp")

Line = Callable[[int], int | None]


def clean(text: str) -> str:
    """Text fit for one line of a report: no line breaks, control characters or halves of
    characters.

    Examples
    --------
    >>> clean("VCC\\n3V3"), clean("µC Ω")
    ('VCC?3V3', 'µC Ω')
    """
    if text.isprintable():
        return text
    return "".join("?" if unicodedata.category(c) in _UNFIT else c for c in text)


def counted(what: str, count: int, thing: str = "times") -> str:
    """A sentence with how often it holds, if that is more than once.

    Examples
    --------
    >>> counted("pads without holes", 18, "pads"), counted("no end mark", 1)
    ('pads without holes (18 pads)', 'no end mark')
    """
    return what if count == 1 else f"{what} ({count} {thing})"


@dataclass(slots=True)
class _Kind:
    """One sentence: why, where first, how often."""

    doubt: Doubt
    at: int | None = None
    count: int = 1
    ready: bool = False  # told as it is


@dataclass(slots=True)
class Diagnostics:
    """Collects doubts and remarks of a file or a package.

    Parameters
    ----------
    file : that the sentences of `add` are about
    line_of : line of a place; the places are lines themselves unless said
    """

    file: str = ""
    line_of: Line = field(default=lambda at: at or None)
    _kinds: dict[object, _Kind] = field(default_factory=dict)
    _remarks: dict[Doubt, None] = field(default_factory=dict)

    def add(
        self,
        what: str,
        why: str,
        at: int | None = None,
        element: str | None = None,
        *,
        count: int = 1,
    ) -> None:
        """Note a doubt about the file.

        Parameters
        ----------
        what : the stable sentence; equal sentences are one doubt
        at : its place, see `line_of`
        count : how many places this call stands for
        """
        what, why = _short(what), _short(why)
        if what not in self._kinds and len(self._kinds) >= MAX_KINDS:
            what, why = "further doubts", f"the file is wrong in more than {MAX_KINDS} ways"
        known = self._kinds.get(what)
        if known is None:
            self._kinds[what] = _Kind(Doubt(what, why, Place(self.file, None, element)), at, count)
            return
        known.count += count
        if at is not None and known.at is not None and at < known.at:
            known.at, known.doubt = at, replace(known.doubt, place=Place(self.file, None, element))

    def add_rows(self, what: str, why: str, at: Iterable[int]) -> None:
        """Note a doubt about some places, if there are any."""
        places = [int(place) for place in at]
        if places:
            self.add(what, why, min(places), count=len(places))

    def doubt(self, *found: Doubt) -> None:
        """Take over doubts as they are, each once."""
        for doubt in map(_cleaned, found):
            self._kinds.setdefault(doubt, _Kind(doubt, ready=True))

    def remark(self, *found: Doubt) -> None:
        """Take over remarks as they are, each once."""
        self._remarks.update(dict.fromkeys(map(_cleaned, found)))

    def include(self, other: Diagnostics) -> None:
        """Take over what another collector of the same file holds."""
        for kind in other._kinds.values():
            self.add(
                kind.doubt.what, kind.doubt.why, kind.at, kind.doubt.place.element, count=kind.count
            )
        self.remark(*other.remarks())

    def doubts(self) -> tuple[Doubt, ...]:
        """All doubts, in the order of their discovery."""
        return tuple(map(self._told, self._kinds.values()))

    def doubts_by_place(self) -> tuple[Doubt, ...]:
        """All doubts, in the order of their places."""
        return tuple(
            map(
                self._told,
                sorted(self._kinds.values(), key=lambda kind: (kind.at or 0, kind.doubt.what)),
            )
        )

    def remarks(self) -> tuple[Doubt, ...]:
        """All remarks."""
        return tuple(self._remarks)

    def _told(self, kind: _Kind) -> Doubt:
        if kind.ready:
            return kind.doubt
        line = None if kind.at is None else self.line_of(kind.at)
        doubt, place = kind.doubt, Place(self.file, line, kind.doubt.place.element)
        why = f"{doubt.why} (first here)" if kind.count > 1 else doubt.why
        return Doubt(counted(doubt.what, kind.count), why, place)


def _short(text: str) -> str:
    """The beginning of a text about the content of a file, fit for one line."""
    plain = clean(text[: 2 * MAX_TEXT])
    return plain if len(text) <= 2 * MAX_TEXT else f"{plain}..."


def _cleaned(doubt: Doubt) -> Doubt:
    """A doubt whose quotations from files fit into one line."""
    return replace(doubt, what=clean(doubt.what), why=clean(doubt.why))
