"""What a finding's `detail` says, as labels and words: units told, nothing left as `none` or
`false`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from checker import wording
from checker.findings import Finding

# drawn, or told apart
ELSEWHERE = {"legs", "ends_mm", "detour_path_mm", "isolator_path", "sources", "what_if"}
LABELS = {  # keys that say too little
    "where": "kind of place",
    "x": "X",
    "raw": "raw length",
    "direct": "straight length",
    "detour": "return detour",
    "loop_area": "loop",
    "loop": "inductance",
    "field_db": "far field",
    "voltage_given_as": "voltage taken from",
    "table_row": "table rows",
}
UNITS = {  # endings of keys
    "mm": "mm", "mm2": "mm²", "nh": "nH", "mhz": "MHz", "hz": "Hz", "pf": "pF", "uv_m": "dB(µV/m)", "v": "V",
    "uv": "µV", "a": "A", "ma": "mA", "ns": "ns", "ohms": "Ω", "db": "dB", "percent": "%", "share": "",
}  # fmt: skip
WHOLE = {"voltage": "V"}  # keys without such an ending


def rows(finding: Finding) -> Iterator[tuple[str, str]]:
    """Label and words of each entry that has something to say.

    Examples
    --------
    >>> from checker.findings import Level
    >>> told = {"x_mm": 1.0, "legs": [1], "earthed": False, "detour_mm": None, "insulation": "basic"}
    >>> list(rows(Finding(rule="x", level=Level.ERROR, message="", at=(0, 0), detail=told)))
    [('X', '1 mm'), ('earthed', 'no'), ('insulation', 'basic')]
    """
    told = {key: value for key, value in finding.detail.items() if key not in ELSEWHERE}
    yield from ((label, words) for label, words in _pairs(told) if words)


def _pairs(told: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Label and words of each key."""
    for key, value in told.items():
        label, unit = _label(str(key))
        words = said(value)
        yield label, f"{words} {unit}" if words and unit and _is_number(value) else words


def said(value: Any) -> str:
    """A value in words; nothing for what is not known."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if _is_number(value):
        return wording.plain(float(value)) if math.isfinite(value) else ""
    if isinstance(value, dict):
        return "; ".join(f"{label} {words}" for label, words in _pairs(value) if words)
    if isinstance(value, list | tuple):
        return ", ".join(filter(None, map(said, value)))
    return wording.printable(str(value))


def _is_number(value: Any) -> bool:
    return hasattr(value, "__float__") and not isinstance(value, bool | str)


def _label(key: str) -> tuple[str, str]:
    """What a key is called, and the unit that it or its ending tells."""
    if key in WHOLE:
        return LABELS.get(key, key.replace("_", " ")), WHOLE[key]
    stem, _, ending = key.rpartition("_")
    for size in (ending, "_".join(key.split("_")[-2:])):
        if size in UNITS and stem:
            name = key[: -len(size) - 1] or key
            return LABELS.get(name, name.replace("_", " ")), UNITS[size]
    return LABELS.get(key, key.replace("_", " ")), ""
