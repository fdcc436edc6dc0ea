"""Doubts and remarks that gather while a package is read."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from parsers.assembly.image import Image
from parsers.gerber import read_gerber
from parsers.package.names import clean
from parsers.package.sorting import Item
from parsers.trouble import Doubt, FormatError


@dataclass(slots=True)
class Notes:
    """Doubts and remarks in the order of their discovery, each once."""

    doubts: dict[Doubt, None] = field(default_factory=dict)
    remarks: dict[Doubt, None] = field(default_factory=dict)

    def doubt(self, *found: Doubt) -> None:
        """Note doubts."""
        self.doubts.update(dict.fromkeys(_cleaned(doubt) for doubt in found))

    def remark(self, *found: Doubt) -> None:
        """Note remarks."""
        self.remarks.update(dict.fromkeys(_cleaned(doubt) for doubt in found))


def _cleaned(doubt: Doubt) -> Doubt:
    """A doubt whose quotations from files fit into one line."""
    return replace(doubt, what=clean(doubt.what), why=clean(doubt.why))


def read_image(item: Item, notes: Notes) -> Image | None:
    """A Gerber file as an image; one that cannot be read is a doubt."""
    try:
        image = read_gerber(item.member.data, item.name, item.number)
    except FormatError as error:
        notes.doubt(Doubt(f"{item.name} cannot be read", error.message, error.place))
        return None
    notes.doubt(*image.doubts)
    return replace(image, doubts=())
