"""Guarded XML: one pass over a file, element by element, that nothing in the file can blow up.

Read are plain and gzip files. The parser loads no document type, expands no entities and opens no
other resource. A file that declares a document type is refused: IPC-2581 has a schema, never a DTD.
Depth, and length of names, texts and attributes, are limited by the XML library itself (its limits
for untrusted input stay on); size here.
"""

from __future__ import annotations

import gzip
import re
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, cast

from lxml import etree

from parsers.trouble import FormatError, Place

Element = etree._Element
# their lines tell nothing of one object
ENCLOSING = frozenset({"LayerFeature", "Step", "CadData", "Ecad", "IPC-2581"})
# what the XML library tells as the line of elements whose line it does not know
SHORT_LINE = 0xFFFF
NAMESPACE = "http://webstds.ipc.org/2581"


@dataclass(frozen=True, slots=True)
class Limits:
    """What a file may ask of the machine, in bytes."""

    size: int = 4 << 30  # of the whole file, unpacked
    # of one element that must be in memory as a whole (an area, a part, a dictionary entry)
    element: int = 96 << 20
    packed_ratio: int = 300  # unpacked bytes per packed byte; real boards stay below 40
    packed_grace: int = 64 << 20  # unpacked size below which the ratio is not looked at


def words(text: str) -> frozenset[str]:
    """A set of names, written in a row.

    Examples
    --------
    >>> sorted(words("Set Pad"))
    ['Pad', 'Set']
    """
    return frozenset(text.split())


class Names(dict[object, str]):
    """Element tag -> name without namespace; tags of foreign namespaces keep theirs, so they match
    nothing.

    Examples
    --------
    >>> names = Names()
    >>> names["{http://webstds.ipc.org/2581}Set"], names["Set"], names["{urn:other}Set"]
    ('Set', 'Set', '{urn:other}Set')
    """

    def __init__(self) -> None:
        super().__init__()
        self.spaces = {"", NAMESPACE}

    def __missing__(self, tag: object) -> str:
        text = tag if isinstance(tag, str) else ""  # comments and entities have functions for tags
        space, _, name = text.rpartition("}")
        self[tag] = name if space.lstrip("{") in self.spaces else text
        return self[tag]


class Source:
    """A file as the parser reads it; counts bytes against the limits."""

    def __init__(
        self, path: Path, limits: Limits, between: Callable[[], bool] | None = None
    ) -> None:
        self.path = path
        self._limits = limits
        # called before more of the file is taken in; tells whether that freed memory
        self._between = between
        try:
            self._file = path.open("rb")
        except OSError as error:
            raise FormatError(
                f"cannot be opened ({error.strerror}), check the path", Place(path.name)
            ) from error
        packed = self._file.read(2) == b"\x1f\x8b"
        self._file.seek(0)
        self._stream = (
            cast("IO[bytes]", gzip.GzipFile(fileobj=self._file)) if packed else self._file
        )
        self._packed = path.stat().st_size if packed else 0
        self._total = 0
        self._pending = 0

    def read(self, size: int = -1) -> bytes:
        """Next bytes for the parser."""
        if self._between is not None and self._between():
            self.release()
        data = self._stream.read(size)
        if self._total == 0:
            self._refuse_other_formats(data)
        self._total += len(data)
        self._pending += len(data)
        if self._total > self._limits.size:
            raise self._error(f"larger than {self._limits.size >> 20} MiB, give a smaller file")
        if self._packed and self._total > max(
            self._limits.packed_grace, self._packed * self._limits.packed_ratio
        ):
            raise self._error("unpacks to far more than a board needs, give the unpacked file")
        if self._pending > self._limits.element:
            raise self._error(
                f"one element is larger than {self._limits.element >> 20} MiB, export the board"
                " again"
            )
        return data

    def release(self) -> None:
        """Tell that everything read so far has left memory."""
        self._pending = 0

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _refuse_other_formats(self, head: bytes) -> None:
        text = head.replace(b"\0", b"")  # good enough for UTF-16 too
        if not text.strip():
            raise self._error("the file is empty, export the board again")
        if b"<" not in text[:1024]:
            raise self._error("no XML, give an IPC-2581 file")
        if b"<!DOCTYPE" in text:
            raise self._error("declares a document type, which IPC-2581 has not; remove it")

    def _error(self, what: str) -> FormatError:
        return FormatError(what, Place(self.path.name))


def elements(source: Source, tags: Iterable[str]) -> Iterator[tuple[str, Element]]:
    """Give each element of the named kinds when it begins ("start") and when it is complete
    ("end").

    The caller clears what it has read and calls `release` on the source, else the element limit
    strikes.

    Raises
    ------
    FormatError : the file is no well-formed IPC-2581, or exceeds a limit
    """
    name = source.path.name
    try:
        yield from _parsed(source, tags)
    except etree.XMLSyntaxError as error:
        place = Place(name, error.lineno or None)
        raise FormatError(
            f"not well-formed XML ({_one_line(error)}), export it again", place
        ) from error
    except (OSError, EOFError, zlib.error) as error:
        raise FormatError(
            f"cannot be read ({_one_line(error)}), copy the file again", Place(name)
        ) from error
    finally:
        source.close()


def _parsed(source: Source, tags: Iterable[str]) -> Iterator[tuple[str, Element]]:
    """The elements themselves; the first one also vouches for the whole document."""
    walk = etree.iterparse(
        source,
        events=("start", "end"),
        tag=["{*}" + tag for tag in tags],
        attribute_defaults=False,
        dtd_validation=False,
        load_dtd=False,
        no_network=True,
        resolve_entities=False,
        huge_tree=False,
        # beyond SHORT_LINE, lines are known by the blanks between elements
        remove_blank_text=False,
        remove_comments=True,
        remove_pis=True,
    )
    first = True
    for event, element in walk:
        if first:
            _check_document(element, source.path)
            first = False
        yield event, element
    if first:
        raise FormatError("holds no IPC-2581 data, give an IPC-2581 file", Place(source.path.name))


def _check_document(element: Element, path: Path) -> None:
    """Refuse documents with a document type or another root."""
    tree = element.getroottree()
    if tree.docinfo.internalDTD is not None or tree.docinfo.externalDTD is not None:
        raise FormatError(
            "declares a document type, which IPC-2581 has not; remove it", Place(path.name)
        )
    name = etree.QName(tree.getroot()).localname
    if name != "IPC-2581":
        raise FormatError(f"root element is {name!r}, give an IPC-2581 file", Place(path.name, 1))


def _one_line(error: Exception) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    # place and compile-time advice are no help here
    return re.split(r", (?:line|try|use) ", text)[0][:200]


def line_at(element: Element) -> int:
    """Line of the file on which the start of an element ends, 0 if unknown.

    Beyond SHORT_LINE the XML library gives, instead of the element's line, the one on which the
    nearest blanks end: those inside it, else those behind it, else those before it. The lines of
    these blanks are taken off again.
    """
    line = cast("int | None", element.sourceline) or 0
    if line < SHORT_LINE:
        return line
    if line == SHORT_LINE:
        return _inside(element.getparent())
    if element.text:
        return line - element.text.count("\n")
    if len(element):
        return line_at(element[0])
    if element.tail:
        return line - element.tail.count("\n")
    return _beside(element, line)


def _inside(parent: Element | None) -> int:
    """The same for an element without blanks: the line of what encloses it, unless that encloses
    other things too.
    """
    return 0 if parent is None or etree.QName(parent).localname in ENCLOSING else line_at(parent)


def _beside(element: Element, line: int) -> int:
    """The same for an element with nothing in it and no blanks behind it."""
    if (after := element.getnext()) is not None:
        return line_at(after)
    before = element.getprevious()
    if before is None or before.tail:
        return line  # the blanks before it end where it starts
    known = line_at(before)
    return known + "".join(map(str, before.itertext())).count("\n") if known else 0


def stray_text(element: Element) -> Element | None:
    """The first element within an element (itself included) that text stands in or, but for itself,
    behind; None if there is none. IPC-2581 has no text: where some stands, a mark of an element is
    damaged.
    """
    text = etree.tostring(element, method="text", encoding="unicode", with_tail=False)
    if not text or text.isspace():
        return None
    for part in element.iter(etree.Element):
        tail = part.tail if part is not element else None
        if (part.text or "").strip() or (tail or "").strip():
            return part
    return None


def drop_before(element: Element, known: frozenset[str] | None, names: Names) -> list[Element]:
    """Remove the siblings before an element, which are read; give back those whose name is not
    `known`, and the element itself where text stands before it.
    """
    strange: list[Element] = []
    parent = element.getparent()
    if parent is None:
        return strange
    if parent.text and not parent.text.isspace():
        strange.append(element)
        parent.text = None
    while (before := element.getprevious()) is not None:
        if known is not None and names[before.tag] not in known:
            strange.append(before)
        if before.tail and not before.tail.isspace():
            strange.append(element)
        parent.remove(before)
    return strange
