"""How coordinates of a drill program are written: unit, digits, zero suppression."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

MILLIMETRE, INCH = 1.0, 25.4
DEFAULT_DIGITS = {MILLIMETRE: (3, 3), INCH: (2, 4)}
OTHER_DIGITS = {
    MILLIMETRE: ((3, 2), (4, 2), (4, 3), (4, 4)),
    INCH: ((2, 3), (2, 5), (3, 3), (4, 4)),
}


@dataclass(frozen=True, slots=True)
class NumberFormat:
    """How coordinates are written; None = not stated."""

    unit: float | None = None  # mm per file unit
    integers: int | None = None
    decimals: int | None = None
    # True: trailing zeros stand, leading ones are dropped (TZ); False: the reverse (LZ)
    trailing: bool | None = None

    def __str__(self) -> str:
        unit = {MILLIMETRE: "mm", INCH: "inch"}.get(self.unit or 0, "no unit")
        digits = "" if self.decimals is None else f" {self.integers}.{self.decimals}"
        zeros = {True: ", trailing zeros kept", False: ", leading zeros kept", None: ""}[
            self.trailing
        ]
        return f"{unit}{digits}{zeros}"

    def filled(self, other: NumberFormat) -> NumberFormat:
        """What this format leaves open, taken from another."""
        digits = self if self.decimals is not None else other
        return NumberFormat(
            other.unit if self.unit is None else self.unit,
            digits.integers,
            digits.decimals,
            other.trailing if self.trailing is None else self.trailing,
        )


_ZEROS = {
    "leading zeros kept": False,
    "trailing zeros dropped": False,
    "trailing zeros kept": True,
    "leading zeros dropped": True,
}
_UNITS = {"mm": MILLIMETRE, "metric": MILLIMETRE, "inch": INCH, "in": INCH}


def told_format(parts: Sequence[str]) -> NumberFormat | None:
    """A format in words, as a rules file tells it; None if the words mean nothing.

    Examples
    --------
    >>> told_format(["mm 3.3", "leading zeros kept"])
    NumberFormat(unit=1.0, integers=3, decimals=3, trailing=False)
    >>> told_format(["inch"]), told_format(["furlong 3.3"]), told_format([])
    (NumberFormat(unit=25.4, integers=None, decimals=None, trailing=None), None, None)
    """
    if not parts:
        return None
    found = re.fullmatch(r"(mm|metric|inch|in)(?: (\d)[.:](\d))?", parts[0])
    zeros = [_ZEROS.get(part) for part in parts[1:]]
    if found is None or None in zeros or len(zeros) > 1:
        return None
    integers, decimals = (int(found[2]), int(found[3])) if found[2] else (None, None)
    return NumberFormat(_UNITS[found[1]], integers, decimals, zeros[0] if zeros else None)


def read_parameters(data: bytes) -> NumberFormat | None:
    """Read a drill parameter file (`KEY   VALUE` lines) as some exporters write beside the program.

    Examples
    --------
    >>> print(read_parameters(b"INTEGER-PLACES 2\\nDECIMAL-PLACES 4\\nOUTPUT-UNITS ENGLISH\\n"))
    inch 2.4, leading zeros kept
    """
    found = dict(re.findall(r"^\s*([A-Z][A-Z_-]+)\s+(\S+)\s*$", data.decode("latin-1"), re.M))
    integers, decimals = found.get("INTEGER-PLACES", ""), found.get("DECIMAL-PLACES", "")
    if not (integers.isdecimal() and decimals.isdecimal() and len(integers) == len(decimals) == 1):
        return None
    unit = {"ENGLISH": INCH, "INCHES": INCH, "METRIC": MILLIMETRE, "MILLIMETERS": MILLIMETRE}.get(
        found.get("OUTPUT-UNITS", "")
    )
    return NumberFormat(
        unit, int(integers), int(decimals), found.get("SUPPRESS-LEAD-ZEROES") == "YES"
    )
