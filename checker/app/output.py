"""Outcome -> files: each format rendered in memory, then put in place whole or not at all."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import tempfile
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from checker import drawing, reports
from checker.config.rules_file import nearest
from checker.drawing import png, svg
from checker.findings import Finding, grouped
from parsers.trouble import InputError, Place

if TYPE_CHECKING:
    from filelock import BaseFileLock

    from checker.app.run import Checked

IMAGE_WIDTH = 1600  # px
ENDING = (signal.SIGINT, signal.SIGTERM)
MANIFEST = "manifest.json"  # names the files of the last run in a folder of reports
VERDICT = "report.json"
STAGING = ".moatcheck-"  # files are written in a folder of this name first


def render(checked: Checked, format_name: str, *, colour: bool = False) -> str:
    """One report as text."""
    form = reports.registry()[format_name]
    stream = StringIO()
    scene = drawing.scene_of(checked.layout, checked.outcome.findings) if form.pictures else None
    form.write(checked.outcome, drawing.Pictures(scene, colour=colour), stream)
    return stream.getvalue()


def render_all(checked: Checked, formats: Sequence[str]) -> dict[str, bytes]:
    """File name -> content of each format and of the picture of each layer with signals or
    findings.
    """
    scene = drawing.scene_of(checked.layout, checked.outcome.findings)
    files: dict[str, bytes] = {}
    for layer in scene.signal_layers:
        image = svg.draw(scene, checked.outcome, layer, None, IMAGE_WIDTH)
        files[f"image-{layer}.svg"] = image.encode()
        files[f"image-{layer}.png"] = png.rasterise(image, IMAGE_WIDTH)
    pictures = drawing.Pictures(scene, tuple(name for name in files if name.endswith(".png")))
    for name in formats:
        form = reports.registry()[name]
        stream = StringIO()
        form.write(checked.outcome, pictures, stream)
        files[form.file_name] = stream.getvalue().encode()
    return files


def picture(checked: Checked, layer: str | None, finding: str | None, width: int) -> str:
    """One layer, or one finding on it, as SVG.

    Raises
    ------
    InputError : no such layer, no such finding
    """
    outcome = checked.outcome
    chosen = [] if finding is None else [named(outcome.findings, finding)]
    finding = chosen[0].id if chosen else None
    layers = [entry[0] for entry in outcome.layers]
    if layer is None:
        told = [
            own for f in chosen or [g.worst for g in outcome.groups] for own in drawing.layers_of(f)
        ]
        layer = told[0] if told else layers[0]
    if layer not in layers:
        raise InputError(f'there is no layer "{layer}"; there are: {", ".join(layers)}')
    own = drawing.layers_of(chosen[0]) if chosen else ()
    if own and layer not in own:
        raise InputError(
            f"finding {finding} is on {' and '.join(own)}, not on {layer}; leave --layer away"
        )
    return svg.draw(
        drawing.scene_of(checked.layout, outcome.findings), outcome, layer, finding, width
    )


def named(findings: Sequence[Finding], word: str) -> Finding:
    """The finding that an id, the beginning of one, or a number on the pictures and in the reports
    means.

    Raises
    ------
    InputError : none, or several
    """
    by_number = {str(group.number): group.worst for group in grouped(findings)}
    if word in by_number:
        return by_number[word]
    found = [finding for finding in findings if finding.id.startswith(word)] if word else []
    if len(found) == 1:
        return found[0]
    if found:
        raise InputError(
            f'{len(found)} ids begin with "{word}": {", ".join(f.id for f in found[:3])}; write'
            " more of it"
        )
    hint = nearest(word, [finding.id for finding in findings])
    raise InputError(f'there is no finding "{word}"{hint}; `moatcheck check` lists ids and numbers')


def begin(folder: Path, formats: Sequence[str]) -> None:
    """Take away what the last run left in a folder of reports; see `begin_files`."""
    begin_files(folder, [reports.registry()[word].file_name for word in formats])


def begin_files(folder: Path, names: Sequence[str]) -> None:
    """Take away what the last run left in a folder, before the next one, which will write `names`,
    reads anything.

    A run that is refused or killed then leaves no verdict of an earlier one that looks like its
    own. Only files that the last run's manifest names are touched.

    Raises
    ------
    InputError : a file of that name is there that no run has written
    """
    place = Path(folder)
    if not place.is_dir():
        return
    with _telling(folder), _alone_in(place):
        last = _last_files(place)
        for name in names:
            _check_own(place, name, last)
        if last:
            _take_away(place, last - {MANIFEST})
            _put(place, {MANIFEST: _manifest({}, whole=False)})


def finish(folder: Path, files: Mapping[str, bytes]) -> None:
    """Put the reports of a run into a folder with a manifest of them; the JSON report comes last.

    Raises
    ------
    InputError : the folder cannot be made or written, or a file is there that no run has written
    """
    place = Path(folder)
    with _telling(folder):
        place.mkdir(parents=True, exist_ok=True)
        with _alone_in(place):
            last = _last_files(place)
            for name in files:
                _check_own(place, name, last)
            named = {MANIFEST: _manifest(files, whole=True), **files}
            _take_away(place, last - {MANIFEST})
            _put(place, dict(sorted(named.items(), key=lambda entry: _turn(entry[0]))))


def is_whole(folder: Path) -> bool:
    """Whether a folder holds all reports of one run, unchanged, as its manifest names them."""
    told = _read_manifest(folder)
    files = told.get("files", {})
    return told.get("whole") is True and all(
        (folder / name).is_file()
        and hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
        for name, digest in files.items()
    )


def _turn(name: str) -> tuple[int, str]:
    """When a file is put in place: the manifest first, the JSON report last."""
    return (name != MANIFEST) + (name == VERDICT), name


def _manifest(files: Mapping[str, bytes], *, whole: bool) -> bytes:
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in sorted(files.items())}
    about = (
        "the files of the last run; whole is false while one runs, and after one that did not end"
    )
    return f"{json.dumps({'schema': 1, 'about': about, 'whole': whole, 'files': digests}, indent=1)}\n".encode()


def _read_manifest(folder: Path) -> dict[str, Any]:
    try:
        told = json.loads((folder / MANIFEST).read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    return told if isinstance(told, dict) and isinstance(told.get("files", {}), dict) else {}


def _last_files(folder: Path) -> set[str]:
    """Names that the last run has written into a folder, its manifest too; only plain names
    count.
    """
    told = _read_manifest(folder)
    names = {name for name in told.get("files", {}) if Path(name).name == name}
    return names | {MANIFEST} if told else set()


def _check_own(folder: Path, name: str, last: set[str]) -> None:
    """Refuse to replace what no run has written."""
    if name not in last and (folder / name).exists():
        what = (
            "no earlier run has written it, so it is not replaced; move it away, or give another"
            " folder"
        )
        raise InputError(what, Place(str(folder / name)))


def write_files(folder: Path, files: Mapping[str, bytes]) -> None:
    """Put files into a folder: all are written beside their places first, then moved in one go.

    Two runs into one folder wait for each other, so their files don't mix. A run that is
    interrupted leaves the folder as it was; what a killed one left behind goes with the next.

    Raises
    ------
    InputError : the folder cannot be made or written
    """
    place = Path(folder)
    with _telling(folder):
        place.mkdir(parents=True, exist_ok=True)
        with _alone_in(place):
            _put(place, files)


def _take_away(place: Path, names: set[str]) -> None:
    """Remove files of an earlier run, its verdict first."""
    for name in sorted(names, key=lambda name: (name != VERDICT, name)):
        _check_place(place / name)
        (place / name).unlink(missing_ok=True)


def _put(place: Path, files: Mapping[str, bytes]) -> None:
    """Write files beside their places, then move all in place in one go, in order."""
    for left in place.glob(f"{STAGING}*"):
        shutil.rmtree(left, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix=STAGING, dir=place) as staging:
        for name, content in files.items():
            _check_place(place / name)
            (Path(staging) / name).write_bytes(content)
        with _uninterrupted():
            for name in files:
                os.replace(Path(staging) / name, place / name)


@contextmanager
def _telling(folder: Path) -> Iterator[None]:
    """Say in one line what a folder refuses."""
    try:
        yield
    except OSError as error:
        what = f"cannot write: {error.strerror or error}; give a folder with space and rights"
        raise InputError(what, Place(str(folder))) from None


def _check_place(target: Path) -> None:
    """Refuse to put a file in the place of a folder or a device."""
    if target.exists() and not target.is_file():
        raise InputError("is no file that could be replaced; give another name", Place(str(target)))


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Hold back the signals that end a run until all files are in place.

    Not by the thread's mask: libraries have threads of their own, which would take the signal.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = {number: signal.signal(number, lambda n, _: came.append(n)) for number in ENDING}
    try:
        yield
    finally:
        for ending, handler in before.items():
            signal.signal(ending, handler if handler is not None else signal.SIG_DFL)
        for number in came[:1]:
            signal.raise_signal(number)


def write_file(path: Path, content: bytes) -> None:
    """Put one file in place, whole or not at all."""
    write_files(path.parent, {path.name: content})


def _alone_in(folder: Path) -> BaseFileLock:
    """A lock for one output folder; it lies outside of it, so that the folder holds reports
    only.
    """
    from filelock import FileLock

    name = hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:16]
    return FileLock(Path(tempfile.gettempdir()) / f"moatcheck-{name}.lock")
