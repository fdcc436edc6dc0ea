"""Gerber job files (.gbrjob, JSON): which file is what, thickness and material stackup.

Keys as found in the files of two exporters; the semantics are common practice, no source. The job file agrees with the
attributes of the layers or is contradicted by them; it never overrides them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from parsers.trouble import Doubt, Place


@dataclass(frozen=True, slots=True)
class JobFile:
    """What a job file tells; thicknesses in mm, None where it is silent."""

    name: str
    title: str = ""
    layers: int | None = None
    thickness: float | None = None
    dielectric: tuple[float, ...] = ()  # between copper layers, top to bottom; empty if any is not told
    permittivity: tuple[float | None, ...] = ()
    functions: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # path -> fields of the file function
    negative: frozenset[str] = frozenset()  # paths of files with negative polarity
    doubts: tuple[Doubt, ...] = ()


def looks_like_job(name: str, data: bytes) -> bool:
    """Tell a job file by its name, or by its keys.

    Examples
    --------
    >>> looks_like_job("a.gbrjob", b""), looks_like_job("a.json", b'{"FilesAttributes": []}')
    (True, True)
    """
    return name.lower().endswith(".gbrjob") or (data.lstrip()[:1] == b"{" and b'"FilesAttributes"' in data)


def read_job(data: bytes, name: str) -> JobFile:
    """Read a job file; one that is no JSON is a doubt."""
    try:
        job = json.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        why = f"the job file is no JSON ({str(error).splitlines()[0]}); export it again, or remove it"
        return JobFile(name, doubts=(Doubt(f"{name} cannot be read", why, Place(name)),))
    general = _table(_table(job).get("GeneralSpecs"))
    project = _table(general.get("ProjectId"))
    files = [_table(f) for f in _list(_table(job).get("FilesAttributes"))]
    named = [f for f in files if isinstance(f.get("Path"), str)]
    dielectric, permittivity = _dielectrics(_list(_table(job).get("MaterialStackup")))
    layers = general.get("LayerNumber")
    return JobFile(
        name=name,
        title=str(project.get("Name") or ""),
        layers=layers if type(layers) is int and layers > 0 else None,
        thickness=_positive(general.get("BoardThickness")),
        dielectric=dielectric,
        permittivity=permittivity,
        functions={f["Path"]: tuple(str(f.get("FileFunction") or "").split(",")) for f in named},
        negative=frozenset(f["Path"] for f in named if f.get("FilePolarity") == "Negative"),
    )


def _dielectrics(stack: list[Any]) -> tuple[tuple[float, ...], tuple[float | None, ...]]:
    """Thickness and permittivity of the material between copper layers; empty if a thickness is missing."""
    gaps: list[list[Mapping[str, Any]]] = []
    for entry in (_table(e) for e in stack):
        kind = str(entry.get("Type", "")).lower()
        if kind == "copper":
            gaps.append([])
        elif kind == "dielectric" and gaps:
            gaps[-1].append(entry)
    told = [[_positive(e.get("Thickness")) for e in gap] for gap in gaps[:-1]]
    if not told or any(not gap or None in gap for gap in told):
        return (), ()
    constants = [{_positive(e.get("DielectricConstant")) for e in gap} for gap in gaps[:-1]]
    return (
        tuple(sum(t for t in gap if t is not None) for gap in told),
        tuple(c.copy().pop() if len(c) == 1 else None for c in constants),
    )


def _table(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _positive(value: Any) -> float | None:
    """A positive finite number, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if 0 < value < 1e6 else None
