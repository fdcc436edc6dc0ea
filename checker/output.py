"""Outcome -> files: each format rendered in memory, then put in place whole or not at all."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Mapping, Sequence
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

from filelock import FileLock

from checker import drawing, reports
from checker.drawing import png, svg
from parsers.trouble import InputError, Place

if TYPE_CHECKING:
    from checker.run import Checked

IMAGE_WIDTH = 1600  # px


def render(checked: Checked, format_name: str, *, colour: bool = False) -> str:
    """One report as text."""
    form = reports.registry()[format_name]
    stream = StringIO()
    scene = drawing.scene_of(checked.layout, checked.outcome.findings) if form.pictures else None
    form.write(checked.outcome, reports.Pictures(scene, colour=colour), stream)
    return stream.getvalue()


def render_all(checked: Checked, formats: Sequence[str]) -> dict[str, bytes]:
    """File name -> content of each format and of the picture of each copper layer."""
    files = {reports.registry()[name].file_name: render(checked, name).encode() for name in formats}
    scene = drawing.scene_of(checked.layout, checked.outcome.findings)
    for layer in scene.signal_layers:
        picture = svg.draw(scene, checked.outcome, layer)
        files[f"image-{layer}.svg"] = picture.encode()
        files[f"image-{layer}.png"] = png.rasterise(picture, IMAGE_WIDTH)
    return files


def write_files(folder: Path, files: Mapping[str, bytes]) -> None:
    """Put files into a folder: all are written beside their places first, then moved in one go.

    Two runs into one folder wait for each other, so their files don't mix.

    Raises
    ------
    InputError : the folder cannot be made or written
    """
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
        with _alone_in(place), tempfile.TemporaryDirectory(prefix=".moatcheck-", dir=place) as staging:
            for name, content in files.items():
                (Path(staging) / name).write_bytes(content)
            for name in files:
                os.replace(Path(staging) / name, place / name)
    except OSError as error:
        what = f"cannot write: {error.strerror or error}; give a folder with space and rights"
        raise InputError(what, Place(str(folder))) from None


def write_file(path: Path, content: bytes) -> None:
    """Put one file in place, whole or not at all."""
    write_files(path.parent, {path.name: content})


def _alone_in(folder: Path) -> FileLock:
    """A lock for one output folder; it lies outside of it, so that the folder holds reports only."""
    name = hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:16]
    return FileLock(Path(tempfile.gettempdir()) / f"moatcheck-{name}.lock")
