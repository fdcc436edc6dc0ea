"""Attributes: life time, nets, pins, functions, the comment form.

Rules: The Gerber Layer Format Specification 2023.08, chapter 5; escapes 3.4.3.
"""

from __future__ import annotations

import pytest

from parsers.assembly.image import Image
from parsers.gerber import file_attributes, read_gerber
from parsers.primitives import NO_NET, UNKNOWN_NET
from tests.parsers.gerber.layers import image, layer


def nets(found: Image) -> list[object]:
    """Net of each object: a tuple of names, or "none" or "unknown"."""
    special = {NO_NET: "none", UNKNOWN_NET: "unknown"}
    return [special.get(net) or found.nets[net] for net in found.objects.net.tolist()]


def test_net_holds_until_it_is_deleted() -> None:
    """An object takes the net of the dictionary when it is made; TD.N and TD delete it (5.4)."""
    words = (
        "%ADD10C,1*% D10 X0Y0D03 %TO.N,A*% X1D03 X2D03 %TO.N,B*% X3D03 %TD.N*% X4D03 %TO.N,A*%"
        " X5D03 %TD*% X6D03"
    )
    assert nets(image(words)) == ["unknown", ("A",), ("A",), ("B",), "unknown", ("A",), "unknown"]


def test_names_with_a_meaning_of_their_own() -> None:
    """An empty name is no net, N/C a net of one pad, several names pieces of several nets
    (5.6.13).
    """
    words = "%ADD10C,1*% D10 %TO.N,*% X0Y0D03 %TO.N,N/C*% X1D03 %TO.N,A,B*% X2D03"
    assert nets(image(words)) == ["none", ("N/C",), ("A", "B")]


def test_names_are_unescaped_after_splitting() -> None:
    """An escaped comma belongs to the name, not to the list (3.4.3)."""
    found = image(r"%ADD10C,1*% D10 %TO.N,A\u002CB,\u0025x*% X0Y0D03")
    assert nets(found) == [("A,B", "%x")]


def test_net_names_with_blanks_and_other_scripts() -> None:
    """Names may hold blanks, slashes and any character."""
    data = layer("%ADD10C,1*%", "D10").replace(
        b"M02*", "%TO.N,/µC 1{slash}Ω*%\nX0Y0D03*\nM02*".encode()
    )
    assert read_gerber(data, "layer.gbr").nets == (("/µC 1{slash}Ω",),)


def test_pins_and_parts() -> None:
    """A pad knows part and pin from .P; .C alone gives the part; deleting one leaves the other
    (5.6.14).
    """
    words = """%ADD10C,1*% D10 %TO.P,U1,7,VCC*% X0Y0D03 %TO.P,U2,A1*% X1D03 %TD.P*% %TO.C,R5*% X2D03
    %TO.P,U2,A1*% X3D03 %TD*% X4D03"""
    found = image(words)
    parts = [found.components[c] if c >= 0 else None for c in found.objects.component]
    pins = [found.pins[p] if p >= 0 else None for p in found.objects.pin]
    assert parts == ["U1", "U2", "R5", "U2", None]
    assert pins == [("7", "VCC"), ("A1", ""), None, ("A1", ""), None]


def test_function_is_that_of_the_aperture_when_it_was_made() -> None:
    """A later TA or TD does not change an aperture; a region takes the dictionary's function
    (5.3.1).
    """
    words = """%TA.AperFunction,SMDPad,CuDef*% %ADD10C,1*% %TA.AperFunction,Conductor*% %ADD11C,1*% %TD*% %ADD12C,1*%
    D10 X0Y0D03 D11 X1D03 D12 X2D03 %TA.AperFunction,ViaPad*% D10 X3D03
    G36 X0Y0D02 X1D01 Y1D01 X0Y0D01 G37 %TD.AperFunction*% D12 G36 X0Y0D02 X1D01 Y1D01 X0Y0D01 G37"""
    found = image(words)
    functions = [found.functions[f] if f >= 0 else None for f in found.objects.function]
    assert functions == ["SMDPad,CuDef", "Conductor", None, "SMDPad,CuDef", "ViaPad", None]


def test_region_with_an_aperture_that_is_no_conductor() -> None:
    """Where older revisions would take the aperture's function and that is no conductor's, the
    meaning is in doubt.
    """
    words = (
        "%TA.AperFunction,NonMaterial*% %ADD10C,1*% %TD*% D10 G36 X0Y0D02 X1D01 Y1D01 X0Y0D01 G37"
    )
    image(words, doubts={"region without an aperture function"})


def test_attributes_in_comments() -> None:
    """Attributes in comments `G04 #@!` count like those in commands."""
    data = layer("%ADD10C,1*%", "D10").replace(
        b"M02*",
        b"G04 #@! TF.FileFunction,Copper,L2,Inr*\nG04 #@! TO.N,A*\nX0Y0D03*\nG04 #@!"
        b" TD*\nX1000000D03*\nM02*",
    )
    found = read_gerber(data, "layer.gbr")
    assert nets(found) == [("A",), "unknown"]
    assert found.attributes == {".FileFunction": ("Copper", "L2", "Inr")}
    assert found.doubts == ()


def test_file_attributes_of_an_image() -> None:
    """File attributes stand under their names with all their values; TD does not delete them."""
    found = image("%TF.FileFunction,Copper,L1,Top*% %TFMyOwn*% %TD*%")
    assert found.attributes == {".FileFunction": ("Copper", "L1", "Top"), "MyOwn": ()}


def test_changed_file_attribute() -> None:
    """A file attribute that changes its value is doubted; the first holds."""
    found = image(
        "%TF.FileFunction,Copper,L1,Top*% %TF.FileFunction,Copper,L2,Bot*%",
        doubts={"file attribute .FileFunction stated twice"},
    )
    assert found.attributes[".FileFunction"] == ("Copper", "L1", "Top")


@pytest.mark.parametrize("words", ["%TO.M,A*%", "%TD.M*%", "%TA.AperFunktion,Conductor*%"])
def test_unknown_standard_attribute(words: str) -> None:
    """A name with a dot that the format does not have may be a net under a wrong name: a doubt."""
    found = read_gerber(layer(words), "layer.gbr")
    assert [doubt.what.startswith("unknown standard attribute") for doubt in found.doubts] == [True]


def test_own_attributes_are_ignored() -> None:
    """Attributes of a user's own, without a dot, change nothing."""
    assert nets(image("%ADD10C,1*% D10 %TO.N,A*% %TOMine,1*% X0Y0D03 %TDMine*% X1D03")) == [
        ("A",),
        ("A",),
    ]


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"%TF.FileFunction,Copper,L1,Top*%", {".FileFunction": ("Copper", "L1", "Top")}),
        (
            b"%TF.Part,Single*TF.FilePolarity,Positive*%",
            {".Part": ("Single",), ".FilePolarity": ("Positive",)},
        ),
        (b"G04 #@! TF.Part,Single*", {".Part": ("Single",)}),
        (b"G04 #@!TF.Part,Single*", {".Part": ("Single",)}),
        (b"%TF.FileFunc\ntion,Copper,\r\nL1,Top*%", {".FileFunction": ("Copper", "L1", "Top")}),
        (b"%TF.ProjectId,a\\u002Cb,c*%", {".ProjectId": ("a,b", "c")}),
        (b"%TF.Part,A*%%TF.Part,B*%", {".Part": ("A",)}),
        (b"%TFMine*%", {"Mine": ()}),
        (b"G04 says TF.Part,Single*", {}),
        (b"%TO.N,TF.Part*%", {}),
        (b"%TF.Part", {}),
        (b"", {}),
    ],
)
def test_quick_look_at_file_attributes(data: bytes, expected: dict[str, tuple[str, ...]]) -> None:
    """File attributes are found without reading the file, in commands and comments, not in other
    text.
    """
    assert file_attributes(data) == expected
