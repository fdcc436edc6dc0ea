"""Where something is wrong, and what: places, doubts and the one family of input errors.

A doubt is a value that travels with the board and makes the verdict `incomplete`. An error means
that nothing useful can be said of the input; it ends the run with one line. Nothing else may leave
a reader.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Place:
    """A place in the input.

    Examples
    --------
    >>> str(Place("board.gtl", 12))
    'board.gtl:12'
    >>> str(Place("board.xml", 7, "Step[board]/Profile"))
    'board.xml:7 (Step[board]/Profile)'
    >>> str(Place(""))
    ''
    """

    file: str
    line: int | None = None
    element: str | None = None

    def __str__(self) -> str:
        text = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{text} ({self.element})" if self.element else text


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that could not be interpreted, or is missing: the verdict becomes `incomplete`.

    `what` is the stable sentence that a rules file may accept (`accepted_doubt.what`); `why` tells
    what it means for the check and what to do.
    """

    what: str
    why: str
    place: Place = Place("")


class InputError(Exception):
    """Input that the tool cannot work with. Its text is one line: place, what is wrong, what to
    do.
    """

    def __init__(self, message: str, place: Place | None = None) -> None:
        self.place = place or Place("")
        self.message = message
        super().__init__(f"{self.place}: {message}" if self.place.file else message)


class BoardError(InputError):
    """The board as a whole cannot be read: no copper, an archive that is refused, no such
    folder.
    """


class FormatError(BoardError):
    """One file is not what it claims to be."""


def line_for(name: str, value: str) -> str:
    """What to write into the rules file so that a file is taken for something.

    Examples
    --------
    >>> line_for("board.gbl", "L2")
    'write into the rules: [files] "board.gbl" = "L2"'
    """
    quoted = name.replace("\\", "\\\\").replace('"', '\\"')
    return f'write into the rules: [files] "{quoted}" = "{value}"'
