"""Widths of text in the bundled typeface, so that boxes and line breaks fit without asking the
machine for its fonts.

Source: advance widths of DejaVu Sans 2.37, units of 1/2048 em, characters 32 to 126; a test
compares them with the bundled files. Other characters are taken as wide as the widest letter of any
script in them.
"""

from __future__ import annotations

from html import escape

from checker.wording import printable

FAMILY = "'DejaVu Sans', Verdana, sans-serif"
EM = 2048
OTHER = 2560
REGULAR = (
    651, 821, 942, 1716, 1303, 1946, 1597, 563, 799, 799, 1024, 1716, 651, 739, 651, 690, 1303, 1303, 1303, 1303, 1303,
    1303, 1303, 1303, 1303, 1303, 690, 690, 1716, 1716, 1716, 1087, 2048, 1401, 1405, 1430, 1577, 1294, 1178, 1587,
    1540, 604, 604, 1343, 1141, 1767, 1532, 1612, 1235, 1612, 1423, 1300, 1251, 1499, 1401, 2025, 1403, 1251, 1403, 799,
    690, 799, 1716, 1024, 1024, 1255, 1300, 1126, 1300, 1260, 721, 1300, 1298, 569, 569, 1186, 569, 1995, 1298, 1253,
    1300, 1300, 842, 1067, 803, 1298, 1212, 1675, 1212, 1212, 1075, 1303, 690, 1303, 1716,
)  # fmt: skip
BOLD = (
    713, 934, 1067, 1716, 1425, 2052, 1786, 627, 936, 936, 1071, 1716, 778, 850, 778, 748, 1425, 1425, 1425, 1425, 1425,
    1425, 1425, 1425, 1425, 1425, 819, 819, 1716, 1716, 1716, 1188, 2048, 1585, 1561, 1503, 1700, 1399, 1399, 1681,
    1714, 762, 762, 1587, 1305, 2038, 1714, 1741, 1501, 1741, 1577, 1475, 1397, 1663, 1585, 2259, 1579, 1483, 1485, 936,
    748, 936, 1716, 1024, 1024, 1382, 1466, 1214, 1466, 1389, 891, 1466, 1458, 702, 702, 1362, 702, 2134, 1458, 1407,
    1466, 1466, 1010, 1219, 979, 1458, 1335, 1892, 1321, 1335, 1192, 1458, 748, 1458, 1716,
)  # fmt: skip


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width of a text in the units of `size` (its em)."""
    table = BOLD if bold else REGULAR
    units = sum(table[ord(c) - 32] if 32 <= ord(c) < 127 else OTHER for c in text)
    return size * units / EM


def wrapped(text: str, size: float, width: float, *, bold: bool = False) -> list[str]:
    """Break a text at spaces into lines no wider than `width`; a longer word is cut.

    Examples
    --------
    >>> wrapped("one two three", 10, 50)
    ['one two', 'three']
    """
    lines: list[str] = []
    for word in text.split():
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(joined, size, bold=bold) <= width:
            lines[-1] = joined
        else:
            lines.append(shortened(word, size, width, bold=bold))
    return lines


def shortened(text: str, size: float, width: float, *, bold: bool = False) -> str:
    """Cut a text so that it fits into `width`, with three dots where something is missing."""
    if text_width(text, size, bold=bold) <= width:
        return text
    while text and text_width(text + "...", size, bold=bold) > width:
        text = text[:-1]
    return text + "..."


def text(
    x: float,
    y: float,
    words: str,
    size: float,
    *,
    colour: str,
    bold: bool = False,
    anchor: str = "start",
) -> str:
    """Write an SVG text element; x, y is the end of the baseline that `anchor` names."""
    weight = ' font-weight="bold"' if bold else ""
    side = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return (
        f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}"'
        f' fill="{colour}"{weight}{side}>{clean(words)}</text>'
    )


def clean(words: str) -> str:
    """Make text fit for XML: markup escaped, what XML forbids or what turns the direction of
    writing replaced.
    """
    return escape(printable(words))


def number(value: float) -> str:
    """Write a coordinate with two decimals at most.

    Examples
    --------
    >>> number(1.0), number(2.345), number(-0.001)
    ('1', '2.35', '0')
    """
    out = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if out == "-0" else out
