"""How places, numbers and counts are said, the same in every report and on every picture."""

from __future__ import annotations

import math
from collections.abc import Iterable

from checker.findings import XY, Finding, Group, Level

UNITS = {"mm2": "mm²"}
COUNTED = {"connections": "connection"}  # units that are no measures
AT_MOST = ("V", "%", "pF")  # units of what disturbs
ROUGH = ("V", "pF")  # units said to three figures
LEAST_VOLTAGE = 1e-12  # V; less is noise of the arithmetic
NOISE = 1e-6  # micrometres; what floating point adds to a number is no measurement


def length(value: float, unit: str = "mm") -> str:
    """Say a measured value with its unit, to the micrometre.

    Examples
    --------
    >>> length(2.1340001), length(0.0), length(12.5, "mm2")
    ('2.134 mm', '0 mm', '12.5 mm²')
    >>> length(5.66123, "pF")
    '5.66 pF'
    >>> length(2.0, "connections"), length(1.0, "connections")
    ('2 connections', '1 connection')
    >>> length(float("inf"))
    'unlimited'
    """
    if unit == "V":
        return voltage(value)
    if unit in COUNTED:
        return count(round(value), COUNTED[unit])
    if unit == "pF" and math.isfinite(value):
        return f"{value:.3g} pF"  # an estimate: more figures would promise too much
    return (
        f"{plain(value)} {UNITS.get(unit, unit)}".strip() if math.isfinite(value) else "unlimited"
    )


def voltage(value: float) -> str:
    """Say a voltage with the prefix that fits it, to three figures.

    Examples
    --------
    >>> voltage(4.85e-5), voltage(0.0), voltage(1.2e-10), voltage(12.0)
    ('48.5 µV', '0 V', '0.00012 µV', '12 V')
    """
    size = abs(value)
    if size < LEAST_VOLTAGE or not math.isfinite(value):
        return "0 V" if size < LEAST_VOLTAGE else "unlimited"
    factor, unit = (1.0, "V") if size >= 1 else (1e3, "mV") if size >= 1e-3 else (1e6, "µV")
    return f"{value * factor:.3g} {unit}"


def plain(value: float, places: int = 3) -> str:
    """Say a number without trailing zeros and without a minus before zero.

    Examples
    --------
    >>> plain(-0.0001), plain(40.0), plain(1.25)
    ('0', '40', '1.25')
    """
    text = f"{value:.{places}f}".rstrip("0").rstrip(".") if places else f"{value:.0f}"
    return "0" if text in ("-0", "") else text


def place(at: XY) -> str:
    """Say a place on the board in mm.

    Examples
    --------
    >>> place((12.5, -0.0))
    '(12.50, 0.00)'
    """
    x, y = (value if abs(value) >= 0.005 else 0.0 for value in at)
    return f"({x:.2f}, {y:.2f})"


def printable(words: str) -> str:
    """Words without characters that steer a terminal, break a line or turn the direction of
    writing.

    Names come from files; what is replaced stays visible as a replacement character.

    Examples
    --------
    >>> printable("a\\x1b[31m b"), printable("a\\u202eb")
    ('a�[31m b', 'a�b')
    """
    return "".join(c if c.isprintable() or c == " " else "\ufffd" for c in words)


def figures(finding: Finding) -> str:
    """Say what was measured and what is required, as far as the finding tells it; else an empty
    string.

    Examples
    --------
    >>> told = {"rule": "x", "level": Level.ERROR, "message": "", "at": (0, 0)}
    >>> figures(Finding(**told, measured=4.0, required=6.4))
    'measured 4 mm, at least 6.4 mm required'
    >>> figures(Finding(**told, measured=4.0, required=0.0)), figures(Finding(**told))
    ('measured 4 mm, at most 0 mm allowed', '')
    """
    measured = measurement(finding)
    limit = requirement(finding)
    ending = {"at least": " required", "at most ": " allowed"}.get(limit[:8], "")
    return ", ".join(
        part for part in (f"measured {measured}" if measured else "", limit + ending) if part
    )


def measurement(finding: Finding) -> str:
    """Say what was measured, as messages do: to the micrometre, and never rounded over the limit
    that it breaks.

    Examples
    --------
    >>> told = {"rule": "x", "level": Level.ERROR, "message": "", "at": (0, 0)}
    >>> measurement(Finding(**told, measured=6.39996, required=6.4))
    '6.399 mm'
    >>> measurement(Finding(**told, measured=0.10001, required=0.1))
    '0.101 mm'
    >>> measurement(Finding(**told, measured=12.4791, required=10.0))
    '12.479 mm'
    """
    value, limit = finding.measured, finding.required
    if value is None:
        return ""
    if limit is None or not math.isfinite(value) or finding.unit in ROUGH:
        return length(value, finding.unit)
    if value < limit:
        value = rounded_down(value)
    elif round(value, 3) <= limit < value:
        value = math.ceil(value * 1000 - NOISE) / 1000
    return length(value, finding.unit)


def rounded_down(value: float) -> float:
    """A length to the micrometre, never up to the limit that it breaks.

    Examples
    --------
    >>> rounded_down(6.39996), rounded_down(6.4)
    (6.399, 6.4)
    """
    return math.floor(value * 1000 + NOISE) / 1000


def sentence(words: str) -> str:
    """Words as a sentence: an upper-case letter first, a full stop last.

    Examples
    --------
    >>> sentence("move it 0.2 mm west"), sentence("Remove it."), sentence("")
    ('Move it 0.2 mm west.', 'Remove it.', '')
    """
    return words[:1].upper() + words[1:] + "." * (bool(words) and words[-1] not in ".!?")


def requirement(finding: Finding) -> str:
    """Say what is required; a finding breaks it, so what was measured tells whether it is a least
    or a most.

    What disturbs (`AT_MOST`) is never required, also where a finding only puts on record that it
    fits.

    Examples
    --------
    >>> told = {"rule": "x", "level": Level.ERROR, "message": "", "at": (0, 0)}
    >>> requirement(Finding(**told, measured=4.0, required=6.4))
    'at least 6.4 mm'
    >>> requirement(Finding(**told, measured=5.0, required=0.1)), requirement(Finding(**told, measured=5.0, required=0))
    ('at most 0.1 mm', 'at most 0 mm')
    >>> requirement(Finding(**told, measured=0, required=0))  # it goes over at once: the message says so
    ''
    >>> requirement(Finding(**told, measured=1e-6, required=2e-5, unit="V"))
    'at most 20 µV'
    """
    if finding.required is None:
        return ""
    limit = length(finding.required, finding.unit)
    if finding.measured == finding.required == 0:
        return ""
    if finding.measured is None or finding.measured == finding.required:
        return f"limit {limit}"
    least = finding.measured < finding.required and finding.unit not in AT_MOST
    return f"at least {limit}" if least else f"at most {limit}"


ESTIMATES = (  # key of a finding's detail, words, unit
    ("detour_mm", "return detour", "mm"),
    ("detour_at_least_mm", "return detour at least", "mm"),
    ("loop_area_mm2", "loop", "mm2"),
    ("loop_nh", "inductance", "nH"),
    ("knee_mhz", "knee", "MHz"),
    ("field_db_uv_m", "far field", "dB(µV/m)"),
)


def consequence(finding: Finding) -> str:
    """Say what a crossing costs, as far as the finding estimates it; else an empty string.

    Examples
    --------
    >>> told = {"rule": "x", "level": Level.ERROR, "message": "", "at": (0, 0)}
    >>> consequence(Finding(**told, detail={"detour_mm": 61.25, "loop_area_mm2": 118.0, "loop_nh": None}))
    'estimated: return detour 61.25 mm, loop 118 mm²'
    >>> consequence(Finding(**told, detail={"field_db_uv_m": 40.0, "field_assumes": "5 mA, 3 m"}))
    'estimated: far field 40 dB(µV/m) (assumed: 5 mA, 3 m)'
    >>> consequence(Finding(**told, regions=("a", "b"), detail={"detour_mm": None}))
    'no way back for the return current: nothing joins the regions'
    >>> consequence(Finding(**told, regions=("a", "b"), detail={"detour_mm": None, "detour_at_least_mm": 210.0}))
    'estimated: return detour at least 210 mm'
    """
    told = [(words, finding.detail.get(key), unit) for key, words, unit in ESTIMATES]
    parts = [
        f"{words} {length(value, unit)}"
        for words, value, unit in told
        if isinstance(value, int | float)
    ]
    joined = (
        finding.detail.get("detour_mm", 0) is not None or "detour_at_least_mm" in finding.detail
    )
    isolated = not joined and len(finding.regions) > 1
    assumed = finding.detail.get("field_assumes")
    estimated = f"estimated: {', '.join(parts)}" + (f" (assumed: {assumed})" if assumed else "")
    way = "no way back for the return current: nothing joins the regions" if isolated else ""
    return "; ".join(text for text in (way, estimated if parts else "") if text)


def subject(finding: Finding) -> str:
    """Say what a finding is about: its nets, or else its parts, or else its regions."""
    return " / ".join(finding.nets or finding.components or finding.regions) or "board"


def sources(finding: Finding) -> str:
    """Say where the copper of a finding stands in the files; an empty string if that is not known.

    Examples
    --------
    >>> from checker.findings import Source
    >>> told = {"rule": "x", "level": Level.ERROR, "message": "", "at": (0, 0)}
    >>> sources(Finding(**told, sources=(Source("A", "top.gbr", 12), Source("B", "top.gbr", None))))
    'top.gbr:12 (A), top.gbr (B)'
    >>> sources(Finding(**told, sources=(Source("A", "top.gbr", 12),))), sources(Finding(**told))
    ('top.gbr:12', '')
    """
    if len(finding.sources) == 1:
        return str(finding.sources[0])
    return ", ".join(f"{source} ({source.net})" for source in finding.sources)


def count(number: int, noun: str) -> str:
    """Say a number of things.

    Examples
    --------
    >>> count(1, "error"), count(0, "note")
    ('1 error', '0 notes')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def tally(findings: Iterable[Finding]) -> str:
    """Say how many findings of each level there are, how many of all are waived, and how many of
    the others known.

    Examples
    --------
    >>> tally([])
    '0 errors, 0 warnings, 0 notes'
    """
    listed = list(findings)
    counted = [f.level for f in listed if f.waived is None]
    text = ", ".join(
        count(counted.count(level), str(level)) for level in sorted(Level, reverse=True)
    )
    waived = len(listed) - len(counted)
    known = sum(f.known for f in listed if f.waived is None)
    return text + (f", {waived} waived" if waived else "") + (f", {known} known" if known else "")


def places(groups: Iterable[Group]) -> str:
    """Say how many places there are and how many findings they hold; what is waived does not count.

    Examples
    --------
    >>> told = {"rule": "x", "level": Level.ERROR, "message": "", "at": (0, 0), "group": "g"}
    >>> places([Group("g", 1, (Finding(**told), Finding(**told)))]), places([])
    ('1 place (2 findings)', 'no findings')
    """
    told = [len(group.open) for group in groups if not group.waived]
    return f"{count(len(told), 'place')} ({count(sum(told), 'finding')})" if told else "no findings"


def company(group: Group) -> str:
    """Say which findings share a group beside the one that tells it; an empty string for a group of
    one.

    Examples
    --------
    >>> told = {"level": Level.ERROR, "message": "", "at": (0, 0), "group": "g"}
    >>> first, second = Finding(rule="creepage", **told), Finding(rule="clearance", **told)
    >>> company(Group("g", 1, (first, second, second, first)))
    'with 3 more findings of one cause (1 creepage, 2 clearance)'
    >>> company(Group("g", 1, (first, first))), company(Group("g", 1, (first,)))
    ('with 1 more finding of one cause', '')
    """
    others = [finding.rule for finding in group.members[1:]]
    if not others:
        return ""
    by_rule = ", ".join(f"{others.count(rule)} {rule}" for rule in group.rules if rule in others)
    return f"with {count(len(others), 'more finding')} of one cause" + (
        f" ({by_rule})" if len(group.rules) > 1 else ""
    )
