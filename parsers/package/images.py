"""Gerber files of a package as images."""

from __future__ import annotations

from dataclasses import replace

from parsers.assembly.diagnostics import Diagnostics
from parsers.assembly.image import Image
from parsers.gerber import read_gerber
from parsers.package.sorting import Item
from parsers.trouble import Doubt, FormatError


def read_image(item: Item, diagnostics: Diagnostics) -> Image | None:
    """A Gerber file as an image; one that cannot be read is a doubt."""
    try:
        image = read_gerber(item.member.data, item.name, item.number)
    except FormatError as error:
        diagnostics.doubt(Doubt(f"{item.name} cannot be read", error.message, error.place))
        return None
    diagnostics.doubt(*image.doubts)
    return replace(image, doubts=())
