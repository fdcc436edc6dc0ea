"""Gerber job files (.gbrjob, JSON): which file is what, thickness and material stackup.

Keys as found in the files of two exporters; the semantics are common practice, no source. The job
file agrees with the attributes of the layers or is contradicted by them; it never overrides them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from parsers.assembly.thicknesses import in_series
from parsers.board import Stackup
from parsers.trouble import Doubt, Place


@dataclass(frozen=True, slots=True)
class JobFile:
    """What a job file tells; thicknesses in mm, None where it is silent."""

    name: str
    title: str = ""
    layers: int | None = None
    stackup: Stackup = field(default_factory=Stackup)
    # path -> fields of the file function
    functions: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    negative: frozenset[str] = frozenset()  # paths of files with negative polarity
    doubts: tuple[Doubt, ...] = ()


def looks_like_job(name: str, data: bytes) -> bool:
    """Tell a job file by its name, or by its keys.

    Examples
    --------
    >>> looks_like_job("a.gbrjob", b""), looks_like_job("a.json", b'{"FilesAttributes": []}')
    (True, True)
    """
    return name.lower().endswith(".gbrjob") or (
        data.lstrip()[:1] == b"{" and b'"FilesAttributes"' in data
    )


def read_job(data: bytes, name: str) -> JobFile:
    """Read a job file; one that is no JSON is a doubt."""
    try:
        job = _table(json.loads(data.decode("utf-8-sig")))
    except (ValueError, RecursionError) as error:
        what = f"the job file is no JSON ({str(error).splitlines()[0]})"
        why = f"{what}; export it again, or remove it"
        return JobFile(name, doubts=(Doubt(f"{name} cannot be read", why, Place(name)),))
    specs = _table(job.get("GeneralSpecs"))
    general = {**_table(specs.get("Overall")), **specs}
    files = [f for f in map(_table, _list(job.get("FilesAttributes"))) if _is_named(f)]
    layers = general.get("LayerNumber")
    stack = _list(job.get("MaterialStackup"))
    return JobFile(
        name=name,
        title=str(_table(general.get("ProjectId")).get("Name") or ""),
        layers=layers if type(layers) is int and layers > 0 else None,
        stackup=_stackup(_positive(general.get("BoardThickness")), stack),
        functions={f["Path"]: tuple(str(f.get("FileFunction") or "").split(",")) for f in files},
        negative=frozenset(f["Path"] for f in files if f.get("FilePolarity") == "Negative"),
        doubts=tuple(_strange_numbers(name, general, stack)),
    )


def _is_named(file: Mapping[str, Any]) -> bool:
    return isinstance(file.get("Path"), str)


def _strange_numbers(name: str, general: Mapping[str, Any], stack: list[Any]) -> Iterator[Doubt]:
    """Doubts on numbers that are none, or none that a board has."""
    told = [(key, general.get(key)) for key in ("BoardThickness", "LayerNumber")]
    for entry in map(_table, stack):
        if _kind(entry) in ("copper", "dielectric"):
            told += [(key, entry.get(key)) for key in ("Thickness", "DielectricConstant")]
    strange = [(k, str(v)) for k, v in told if v is not None and _positive(v) is None]
    for key, value in dict.fromkeys(strange):
        what = f"{key} of {name} is {value[:40]}"
        yield Doubt(what, "it is taken as not stated; mend the job file", Place(name))


def _kind(entry: Mapping[str, Any]) -> str:
    return str(entry.get("Type", "")).lower()


def _stackup(whole: float | None, entries: list[Any]) -> Stackup:
    """Thicknesses of the copper layers and of the material between them; empty where one is not
    told.
    """
    copper: list[float | None] = []
    gaps: list[list[Mapping[str, Any]]] = []
    for entry in map(_table, entries):
        if _kind(entry) == "copper":
            copper.append(_positive(entry.get("Thickness")))
            gaps.append([])
        elif _kind(entry) == "dielectric" and gaps:
            gaps[-1].append(entry)
    between = gaps[:-1]
    return Stackup(whole, _heights(between), tuple(map(_in_series, between)), tuple(copper))


def _heights(gaps: list[list[Mapping[str, Any]]]) -> tuple[float, ...]:
    """Thickness of each gap; none at all where one is not told."""
    told = [[_positive(entry.get("Thickness")) for entry in gap] for gap in gaps]
    if not all(gap and None not in gap for gap in told):
        return ()
    return tuple(sum(t for t in gap if t is not None) for gap in told)


def _in_series(gap: list[Mapping[str, Any]]) -> float | None:
    """Dielectric constant of the materials of a gap together."""
    told = [(_positive(e.get("Thickness")), _positive(e.get("DielectricConstant"))) for e in gap]
    return in_series([height for height, _ in told], [constant for _, constant in told])


def _table(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _positive(value: Any) -> float | None:
    """A positive finite number, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if 0 < value < 1e6 else None
