"""Text fits the boxes that were made for it."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import ImageFont

from checker import drawing
from checker.drawing.lettering import clean, shortened, text_width, wrapped
from checker.drawing.png import FONTS

FOLDER = Path(drawing.__file__).parent
WORDS = st.text(st.characters(min_codepoint=32, max_codepoint=0x2FF), max_size=60)


@pytest.mark.parametrize(("file", "bold"), list(zip(FONTS, (False, True), strict=True)))
def test_widths_are_those_of_the_bundled_typeface(file: str, bold: bool) -> None:
    """The reference is the font file itself, laid out without kerning by another library."""
    font = ImageFont.truetype(str(FOLDER / file), 2048, layout_engine=ImageFont.Layout.BASIC)
    for character in map(chr, range(32, 127)):
        assert text_width(character, 2048, bold=bold) == pytest.approx(
            font.getlength(character), abs=1
        ), character


@pytest.mark.parametrize("file", FONTS)
def test_other_characters_are_never_taken_too_narrow(file: str) -> None:
    font = ImageFont.truetype(str(FOLDER / file), 2048, layout_engine=ImageFont.Layout.BASIC)
    for character in "µΩ°±²³éüßøЖжλ→≤≥–—…":
        assert text_width(character, 2048, bold="Bold" in file) >= font.getlength(character) - 1


def test_the_licence_of_the_typeface_stands_beside_it() -> None:
    assert "Permission is hereby granted" in (FOLDER / "LICENCE-fonts.txt").read_text()


@given(WORDS, st.floats(40, 400))
def test_wrapped_lines_fit_and_lose_no_word_that_fits(words: str, width: float) -> None:
    lines = wrapped(words, 15, width)
    assert all(text_width(line, 15) <= width for line in lines)
    if all(text_width(word, 15) <= width for word in words.split()):
        assert " ".join(lines).split() == words.split()


@given(WORDS, st.floats(20, 300))
def test_shortened_text_fits(words: str, width: float) -> None:
    assert text_width(shortened(words, 15, width), 15) <= width
    if text_width(words, 15) <= width:
        assert shortened(words, 15, width) == words


@given(st.text(max_size=30))
def test_any_text_can_be_put_into_xml(words: str) -> None:
    from lxml import etree  # noqa: PLC0415

    assert etree.fromstring(f"<t>{clean(words)}</t>".encode()) is not None
