"""Random layers written in one spelling or another read back as the objects they were made from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.assembly.image import Image
from parsers.gerber import read_gerber
from parsers.primitives import NO_NET, UNKNOWN_NET, Kind

NAMES = (None, (), ("GND",), ("A,B",), ("/µC{slash}1",), ("A", "B"), ("N/C",))


@dataclass(frozen=True)
class Item:
    """A draw, a flash or a rectangular region, in units of 1e-6 mm."""

    what: str
    ends: tuple[int, int, int, int]
    width: int  # an index into the widths
    dark: bool
    net: int  # an index into NAMES


WIDTHS = (100_000, 250_000, 1_000_000)
coordinate = st.integers(-(10**8), 10**8)
items = st.builds(
    Item,
    st.sampled_from(["draw", "flash", "region"]),
    st.tuples(coordinate, coordinate, coordinate, coordinate),
    st.integers(0, 2),
    st.booleans(),
    st.integers(0, len(NAMES) - 1),
)


@dataclass(frozen=True)
class Spelling:
    """Ways to write the same layer."""

    modal: bool  # leave out coordinates and codes that are modal
    comments: bool  # attributes in comments
    newline: str
    short: bool  # G1, D1 instead of G01, D01
    sloppy: bool  # blanks and small letters


spellings = st.builds(
    Spelling,
    st.booleans(),
    st.booleans(),
    st.sampled_from(["\n", "\r\n", "", "\r"]),
    st.booleans(),
    st.booleans(),
)


def written(layer: list[Item], how: Spelling) -> bytes:
    """Write a layer."""
    words = [
        "%FSLAX46Y46*%",
        "%MOMM*%",
        *(f"%ADD{10 + k}C,{width / 1e6}*%" for k, width in enumerate(WIDTHS)),
        "G01*",
    ]
    last: tuple[int, int] | None = None
    zero = "" if how.short else "0"
    for item in layer:
        words += [f"%LP{'D' if item.dark else 'C'}*%", _net(NAMES[item.net], how)]
        x0, y0, x1, y1 = item.ends
        steps = {
            "draw": [(x0, y0, 2), (x1, y1, 1)],
            "flash": [(x0, y0, 3)],
            "region": [(x0, y0, 2), (x1, y0, 1), (x1, y1, 1), (x0, y1, 1), (x0, y0, 1)],
        }[item.what]
        body = [f"D{10 + item.width}*"]
        for x, y, code in steps:
            place = ("" if how.modal and last and last[0] == x else f"X{x}") + (
                "" if how.modal and last and last[1] == y else f"Y{y}"
            )
            body.append(f"{place}D{zero}{code}*")
            last = (x, y)
        if item.what == "region":
            body = [body[0], "G36*", *body[1:], "G37*"]
        words += [
            word.replace("D", " d").replace("X", "x") if how.sloppy else word for word in body
        ]
    return how.newline.join([*words, "M02*", ""]).encode()


def _net(name: tuple[str, ...] | None, how: Spelling) -> str:
    text = (
        "TD" if name is None else "TO.N," + ",".join(part.replace(",", "\\u002C") for part in name)
    )
    return f"G04 #@! {text}*" if how.comments else f"%{text}*%"


def nets(image: Image) -> list[tuple[str, ...] | None]:
    special: dict[int, tuple[str, ...] | None] = {UNKNOWN_NET: None, NO_NET: ()}
    return [special[net] if net < 0 else image.nets[net] for net in image.objects.net.tolist()]


@given(st.lists(items, max_size=12), spellings)
@settings(deadline=None)
def test_round_trip(layer: list[Item], how: Spelling) -> None:
    """Places, sizes, polarity, order and nets come back exactly, however the layer is spelled."""
    layer = [
        i
        for i in layer
        if i.what != "region" or (i.ends[0] != i.ends[2] and i.ends[1] != i.ends[3])
    ]
    image = read_gerber(written(layer, how), "layer.gbr")
    assert image.doubts == ()
    objects = image.objects
    assert image.dark.tolist() == [item.dark for item in layer]
    assert nets(image) == [NAMES[item.net] for item in layer]
    assert objects.pad.tolist() == [item.what == "flash" for item in layer]
    for row, item in enumerate(layer):
        ends = np.array(item.ends) / 1e6
        if item.what == "region":
            corners = [
                min(ends[0], ends[2]),
                min(ends[1], ends[3]),
                max(ends[0], ends[2]),
                max(ends[1], ends[3]),
            ]
            assert objects.areas[objects.area[row]].bounds == tuple(corners)
        else:
            kind, size = (Kind.STROKE, 4) if item.what == "draw" else (Kind.DISC, 2)
            assert objects.kind[row] == kind
            assert objects.geometry[row, :size].tolist() == ends[:size].tolist()
            assert objects.radius[row] == WIDTHS[item.width] / 2e6


@given(st.lists(items, max_size=12), spellings, spellings)
@settings(deadline=None, max_examples=30)
def test_spelling_does_not_matter(layer: list[Item], one: Spelling, other: Spelling) -> None:
    """Two spellings of one layer give the same image, but for the lines."""
    first, second = (read_gerber(written(layer, how), "layer.gbr") for how in (one, other))
    assert nets(first) == nets(second)
    assert (first.objects.geometry == second.objects.geometry).all()
    assert (first.objects.kind == second.objects.kind).all()
