"""Words of a Gerber file: numbers in bulk, old spellings, places.

Rules: The Gerber Layer Format Specification 2023.08, chapter 3; deprecated spellings 8.1 and 8.3.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers.gerber.syntax import ABSENT, plain_words, tokenise


def test_numbers_and_absent_numbers() -> None:
    """Each field of an operation stands in its column; what is absent is marked so."""
    found = tokenise(b"X1Y-2D02*\nG03X+30I4J-5D1*\nD11*\nG54D12*\nY007D03*").operations
    assert found.g.tolist() == [ABSENT, 3, ABSENT, 54, ABSENT]
    assert found.d.tolist() == [2, 1, 11, 12, 3]
    assert found.xyij.tolist() == [
        [1, 30, 0, 0, 0],
        [-2, 0, 0, 0, 7],
        [0, 4, 0, 0, 0],
        [0, -5, 0, 0, 0],
    ]
    assert found.has[:2].tolist() == [
        [True, True, False, False, False],
        [True, False, False, False, True],
    ]


def test_trailing_zeros_omitted() -> None:
    """With trailing zeros omitted, numbers are filled up on the right; signs do not count as digits
    (8.2.1.3).
    """
    found = tokenise(b"X01Y-1D02*D10*", pad=6).operations
    assert found.xyij[:2, 0].tolist() == [10000, -100000]
    assert found.d.tolist() == [2, 10]


@pytest.mark.parametrize(
    ("word", "plain"),
    [
        (b"G01 X5 Y7 D02", b"G1X5Y7D2*"),
        (b"N25G01X5Y7D02", b"G1X5Y7D2*"),
        (b"g01x5y7d02", b"G1X5Y7D2*"),
        (b"G90G70", b"G90*G70*"),
        (b"G91G01X5D01", b"G91*G1X5D1*"),
        (b"G54D10X1Y2D03", b"G54D10*X1Y2D3*"),
        (b"X1Y2D10", b"X1Y2*D10*"),
        (b"Y2X1D01", b"X1Y2D1*"),
        (b"G36X5", b"G36*X5*"),
        (b"X1Y2D02M02", b"X1Y2D2*M2*"),
    ],
)
def test_old_spellings(word: bytes, plain: bytes) -> None:
    """Blanks, small letters, line numbers and several codes in one word are rewritten to plain
    words.
    """
    assert plain_words(word) == plain


@pytest.mark.parametrize(
    "word",
    [
        b"G04 X1Y2D03",
        b"X1.5Y2D02",
        b"X1Y2G01",
        b"D02X1",
        b"XY",
        b"X1Y2D02X3Y4D01",
        b"X" + b"9" * 40,
        b"Q5",
    ],
)
def test_what_is_no_operation_in_any_spelling(word: bytes) -> None:
    """Comments, decimals, codes in a senseless order and numbers beyond any board are not
    rewritten.
    """
    assert plain_words(word) is None


def test_odd_words_become_commands() -> None:
    """A word that only starts like an operation is left to be reported, and the others are read."""
    found = tokenise(b"X1.5Y2D02*X1Y2D01*XY*D*X*G*I-*")
    assert found.operations.xyij[:2].tolist() == [[1], [2]]
    assert [found.texts[k] for k in found.command_text] == ["X1.5Y2D02", "XY", "D", "X", "G", "I-"]


def test_an_aperture_behind_coordinates_is_a_word_of_its_own() -> None:
    """D10 and above choose an aperture, D1 to D3 operate (2023.08, 4.6)."""
    found = tokenise(b"X1Y2D10*X3Y4D03*X5Y6D3*X7Y8D99*X9Y1D02*").operations
    assert found.d.tolist() == [-1, 10, 3, 3, -1, 99, 2]
    assert found.xyij[0].tolist() == [1, 0, 3, 5, 7, 0, 9]


def test_line_breaks_inside_words_are_dropped() -> None:
    """Words may be broken over lines, as in the macro example of the specification (4.5.1.6)."""
    found = tokenise(b"%AMA*4,1,3,\n1,-1,\r\n1,1*%\nX1\nY2D01*")
    assert found.texts == ("AMA", "4,1,3,1,-1,1,1")
    assert found.operations.xyij[:2].tolist() == [[1], [2]]


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_lines(newline: str) -> None:
    """Each word knows its line, whatever ends the lines, also after words that had to be
    rewritten.
    """
    text = newline.join(
        ["G04 one*", "", "X1Y1D02*X2D01*", "G01 X3*", "%LPC*%", "Y4", "D01*", "M02*"]
    )
    assert tokenise(text.encode()).lines.tolist() == [1, 3, 3, 4, 5, 6, 8]


def test_same_texts_are_kept_once() -> None:
    """A command that repeats itself is one text with several rows."""
    found = tokenise(b"%TO.N,A*%\nX1D03*%TO.N,B*%X2D03*\n%TO.N,A*%X3D03*")
    assert found.texts == ("TO.N,A", "TO.N,B")
    assert found.command_text.tolist() == [0, 1, 0]
    assert found.command_word.tolist() == [0, 2, 4]


def test_percents() -> None:
    """It is known which commands stand between %, which begin there, and what has lost its end."""
    found = tokenise(b"%AMA*1,1,1,0,0*%%LPD*LPC*%G36*%TO.N,A%X1*")
    assert found.command_extended.tolist() == [True, True, True, True, False, True]
    assert found.command_first.tolist() == [True, False, True, False, True, True]
    assert found.stray.tolist() == [5]
    assert not found.unbalanced
    assert tokenise(b"%LPD*").unbalanced


def test_percent_in_a_comment_is_text() -> None:
    """A % in a comment opens nothing."""
    found = tokenise(b"G04 20 % of*%LPC*%G04 100%*%LPD*%")
    assert found.command_extended.tolist() == [False, True, False, True]
    assert len(found.stray) == 0


def test_comment_that_swallows_commands() -> None:
    """A comment whose end is missing, with commands in its next line, is told; a long comment is
    not.
    """
    assert tokenise(b"G04 a\nX1Y1D03*M02*").swallowed.tolist() == [0]
    assert tokenise(b"G04 a\n%LPC*%M02*").swallowed.tolist() == [0]
    assert len(tokenise(b"G04 a\n and more*M02*").swallowed) == 0


def test_names_in_any_encoding() -> None:
    """Texts are UTF-8; a word that is not is read as Latin-1, the others stay UTF-8."""
    assert tokenise("%TO.N,Ωμ*%".encode() + b"G04 5\xb0*").texts == ("TO.N,Ωμ", "G04 5°")


numbers = st.integers(-(10**10), 10**10)
fields = st.fixed_dictionaries(
    {},
    optional={
        "G": st.sampled_from([1, 2, 3]),
        "X": numbers,
        "Y": numbers,
        "I": numbers,
        "J": numbers,
        "D": st.sampled_from([1, 2, 3]),
    },
).filter(bool)


@given(
    st.lists(
        st.tuples(fields, st.sampled_from(["", "\n", "\r\n", "%LPC*%", "G04 x*", "%\n\n%"])),
        max_size=30,
    )
)
@settings(deadline=None)
def test_columns_are_those_of_a_plain_reading(words: list[tuple[dict[str, int], str]]) -> None:
    """Reading in bulk gives what reading word by word gives."""
    text = "".join(
        "".join(f"{k}{word[k]}" for k in "GXYIJD" if k in word) + "*" + between
        for word, between in words
    )
    found = tokenise(text.encode() + b"M02*").operations
    assert len(found.word) == len(words)
    for row, (word, _) in enumerate(words):
        assert found.g[row] == word.get("G", ABSENT)
        assert found.d[row] == word.get("D", ABSENT)
        assert found.xyij[:, row].tolist() == [word.get(k, 0) for k in "XYIJ"]
        assert found.has[:, row].tolist() == [k in word for k in "XYIJ"]


@given(st.binary(max_size=200))
@settings(deadline=None)
def test_every_word_is_either_operation_or_command(data: bytes) -> None:
    """No word of any text is lost: it is an operation, or a command that somebody will report."""
    data = data.replace(b"\0", b"") + b"*"
    found = tokenise(data)
    rows = np.sort(np.concatenate((found.operations.word, found.command_word)))
    assert rows.tolist() == list(range(len(found.lines)))
    if plain_count(data):
        assert len(rows) == data.count(b"*")


def plain_count(data: bytes) -> bool:
    """Whether no word of the data can be one that is split when it is rewritten."""
    return not re.search(rb"(?i)[GMDN]\s*[0-9]", data)
