"""What names tell a reader of schematics: grounds, earth, supplies, mains, and names that a program
made up.

Common practice, no source. A name alone decides nothing: it is weighed against copper and parts.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

AUTOMATIC = re.compile(r"^/?(?:Net-\(|unconnected-|N\$\d|UNNAMED_|\$\d|N/C|NC_)", re.IGNORECASE)
GROUND = re.compile(
    r"GND|GROUND|(?:^|[_\W])(?:[APDI]?VSS\w*|0V\w*|COM|RTN|RETURN|SHIELD)(?:$|[_\W\d])",
    re.IGNORECASE,
)
EARTH = re.compile(
    r"(?:^|[_\W])(?:PE|EARTH|PROT(?:ECTIVE)?_?EARTH|P_?EARTH|SAFETY_?(?:EARTH|GND))\d*(?:$|[_\W])",
    re.I,
)
SUPPLY = re.compile(
    r"(?:^|[_\W])(?:[+-]?\d+V\d*[A-Z]*|[+-]?V?P?\d+[.V]\d+V?[A-Z]*|[AD]?V(?:CC|DD|EE)\w*|V\+|V-"
    r"|V(?:BUS|IN|OUT|BAT|SYS|AUX|S|P|A|D|B|ISO)\d*|V\d+\w*|VP_\w+|VS_\w+|PWR|POWER)(?:$|[_\W])",
    re.IGNORECASE,
)
MAINS = re.compile(
    r"(?:^|[_\W])(?:AC|ACL|ACN|MAINS|LINE|LIVE|NEUTRAL|PHASE|L|N|\d+VAC|VAC)(?:$|[_\W\d])",
    re.IGNORECASE,
)
STRONG_MAINS = re.compile(
    r"(?:^|[_\W])(?:AC_?[LN]|MAINS|LIVE|NEUTRAL|\d+VAC|VAC)(?:$|[_\W\d])", re.IGNORECASE
)
NEUTRAL = re.compile(r"(?:^|[_\W])(?:AC_?N|N|NEUTRAL)(?:$|[_\W])", re.IGNORECASE)
RETURN = re.compile(r"(?:-|_N|_NEG|_MINUS|RTN|RET|\bCOM)$", re.IGNORECASE)
SMALL_SIGNAL = re.compile(
    r"AGND|GNDA|VSSA|ANALOG|GND_AN(?:$|[_\W])|PROBE|SENS|MEAS|QUIET|AUDIO|ELECTRODE", re.IGNORECASE
)
CONNECTOR_PIN = re.compile(r"^Pin_\d+$")
PREFIX = re.compile(r"^[A-Za-z]+")

LETTERS = {"a": "analog", "d": "digital", "p": "power"}  # written together with GND
WORDS = {"": "main", "an": "analog", "0v": "main"}
CONNECTORS = frozenset(
    ["J", "P", "X", "CN", "CON", "CONN", "XP", "XS", "TB", "PL", "SK", "H", "MH", "TP", "FID"]
)
CALLED = {  # what a designator says; evidence in a comment, never more
    "a capacitor": frozenset({"C"}),
    "a bead, choke, link or switch": frozenset(
        ["L", "FL", "CM", "CMC", "LF", "EMI", "F", "FB", "NT", "JP", "SJ", "W", "SW", "S", "SB"]
    ),
    "an array": frozenset(["RN", "RA", "RP", "RR", "ARR", "DIP"]),
}
CAPACITOR_PACKAGE = re.compile(r"(?:^|[:_])(?:CP?_\w|CAPC?(?:[_\d]|$))|capacitor", re.IGNORECASE)
ISOLATED = re.compile(r"(?:^|[^A-Z])(?:ISO|FLOAT|FLT|SEC)(?:$|[^A-Z])|ISOLAT", re.IGNORECASE)
VOLTAGE = re.compile(r"(?<!\d)(\d+)[V.](\d*)", re.IGNORECASE)


def own(name: str) -> str:
    """A net's own name, without the sheets that it stands on.

    Examples
    --------
    >>> own("/AC input/LED_1")
    'LED_1'
    """
    return name.rstrip("/").rsplit("/", 1)[-1]


def is_automatic(name: str) -> bool:
    """Whether a program made a net's name up, from a part and its pin."""
    return bool(AUTOMATIC.search(name))


def is_earth(name: str) -> bool:
    """Whether a net is called protective earth."""
    return not is_automatic(name) and bool(EARTH.search(own(name)))


def is_ground(name: str) -> bool:
    """Whether a net is called a ground (earth is none).

    Examples
    --------
    >>> [is_ground(n) for n in ("GND", "GND_ISO", "AGND", "VSSA", "0V", "COM", "PE", "Net-(JP3-PadCOM)", "COMMAND")]
    [True, True, True, True, True, True, False, False, False]
    """
    return not is_automatic(name) and not is_earth(name) and bool(GROUND.search(own(name)))


def is_supply(name: str) -> bool:
    """Whether a net is called a supply.

    Examples
    --------
    >>> [is_supply(n) for n in ("+5V", "3V3", "+3.3VA", "VDD_IO", "V24", "VP_3V3", "/VBUS", "GND", "OVER")]
    [True, True, True, True, True, True, True, False, False]
    """
    return not is_automatic(name) and not is_ground(name) and bool(SUPPLY.search(own(name)))


def is_mains(name: str) -> bool:
    """Whether a net is called line or neutral beyond doubt."""
    return not is_automatic(name) and bool(STRONG_MAINS.search(own(name)))


def are_mains(names: Iterable[str]) -> bool:
    """Whether some nets of one domain are called line and neutral, or alike."""
    named = [own(name) for name in names if not is_automatic(name)]
    return sum(bool(MAINS.search(name)) for name in named) > 1 and any(
        STRONG_MAINS.search(n) for n in named
    )


def prefix(refdes: str) -> str:
    """The letters that a reference designator begins with, in capitals."""
    found = PREFIX.match(refdes)
    return found[0].upper() if found else ""


def called(refdes: str) -> str:
    """What a designator says that a part is, as words for a comment; empty if nothing of use.

    Examples
    --------
    >>> [called(refdes) for refdes in ("C7", "FB1", "RN3", "U1")]
    ['a capacitor', 'a bead, choke, link or switch', 'an array', '']
    """
    return next((kind for kind, known in CALLED.items() if prefix(refdes) in known), "")


def voltage(name: str) -> float | None:
    """The voltage in a supply's name, V.

    Examples
    --------
    >>> [voltage(name) for name in ("+12V", "3V3_A", "VIN", "+5V_ISO")]
    [12.0, 3.3, None, 5.0]
    """
    found = VOLTAGE.search(own(name))
    return float(f"{found[1]}.{found[2] or 0}") if found else None


def region_name(reference: str) -> str:
    """A region's name from the name of its reference net.

    Examples
    --------
    >>> [region_name(n) for n in ("GND", "GND_ISO", "AGND", "GNDD", "PGND", "GND_A", "AGND_FLOAT", "/P/OUT-", "PE")]
    ['main', 'iso', 'analog', 'digital', 'power', 'a', 'float', 'out', 'earth']
    """
    if is_earth(reference):
        return "earth"
    rest = re.sub(
        r"GROUND|(?<![A-Z0-9])[ADP]GND(?=[^A-Z0-9])|GND|VSS|[^A-Z0-9]+", " ", own(reference).upper()
    ).split()
    word = "-".join(rest).lower()
    letter = "" if "_" in own(reference) else LETTERS.get(word, "")
    return letter or WORDS.get(word) or (f"ground-{word}" if word.isdigit() else word)


def words(name: str) -> frozenset[str]:
    """The words of a net's own name, in capitals.

    Examples
    --------
    >>> sorted(words("/x/GND_ISO"))
    ['GND', 'ISO']
    """
    return frozenset(re.findall(r"[A-Z0-9]+", own(name).upper()))
