"""Words of a Gerber file, cut and read in bulk.

The Gerber Layer Format Specification 2023.08, chapter 3: a file is a sequence of words that end
with `*`; extended commands stand between two `%`. Two kinds of words are told apart here:

    operation = [G number] [X number] [Y number] [I number] [J number] [D number]     G: 1, 2, 3, 54, 55
    command   = anything else

Operations make up most of a file and become columns of integers, without an object for any of them.
Commands repeat themselves (`%TO.N,GND*%` stands once before each pad), so each different text is
kept once and the file is a column of text numbers. Line breaks inside a word are dropped.
Operations in old spellings (blanks, small letters, line numbers, several codes in one word) are
rewritten to the plain form first. What fits nothing stays a command and is reported by who finds no
meaning in it.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from parsers.primitives import Bools

Longs = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

USUAL_JUNK = 5  # bytes between two words: `%`, line break, `%`, and some more
FIRST_APERTURE = 10  # D10 is the first aperture number
ABSENT = -1  # in the columns g and d
ATTRIBUTES = ("TF", "TA", "TO")
MAX_DIGITS = 15  # of a coordinate; more would be neither a board nor exact in double precision

_STAR, _PERCENT, _NEWLINE, _RETURN = b"*%\n\r"
_LEADING = bytes(range(33)) + b"%"  # what may stand between two words
_DIGIT, _SIGN, _LETTER, _END, _BLANK, _BAD = range(6)


def _table(default: int, **classes: bytes) -> bytes:
    """Translation table of 256 bytes; keys name a class of this module."""
    numbers = {"digit": _DIGIT, "sign": _SIGN, "letter": _LETTER, "end": _END, "blank": _BLANK}
    table = bytearray([default]) * 256
    for name, members in classes.items():
        for byte in members:
            table[byte] = numbers[name]
    return bytes(table)


_CLASS = _table(_BAD, digit=b"0123456789", sign=b"+-", letter=b"GXYIJD", end=b"*", blank=_LEADING)
_NUMBERS = bytes(byte if byte in b"0123456789+-" else 32 for byte in range(256))
_FOLLOWS = {  # what may follow what inside the run of operations
    _DIGIT: (_DIGIT, _LETTER, _END),
    _SIGN: (_DIGIT,),
    _LETTER: (_DIGIT, _SIGN),
    _END: (_LETTER, _BLANK, _END),
    _BLANK: (_LETTER, _BLANK),
}
_PAIR = bytes(pair % 8 not in _FOLLOWS.get(pair // 8, ()) for pair in range(256))
_RANK = np.zeros(256, dtype=np.int8)
_RANK[list(b"GXYIJD*")] = range(1, 8)
_OPENS = np.zeros(256, dtype=np.bool_)
_OPENS[list(b"XYIJDG")] = True
_LETTERS = b"XYIJ"

_IN_OPERATION = (1, 2, 3, 54, 55)
_SEQUENCE_NUMBER = re.compile(rb"^N[0-9]+")
_OLD_WORD = re.compile(
    rb"(?:N[0-9]+)?(?:[GM][0-9]+)*(?:D0*[1-9][0-9]+)?(?:[XYIJ][+-]?[0-9]+)*(?:D[0-9]+)?(?:M[0-9]+)?"
)
_BROKEN_NUMBER = re.compile(rb"[0-9]\s+[0-9]")  # a digit may be lost there
_BLANK_IN_OPERATION = re.compile(
    rb"^[GXYIJ][^%]*[0-9][ \t]+[XYIJD][-+0-9]|^(?:[GXYIJ][-+0-9]+)*[XYIJD][ \t]+[-+0-9]"
    rb"|^(?:[GXYIJ][-+0-9]+)*D0*[1-3][ \t]+$|^(?:[GXYIJ][-+0-9]+)*[XYIJ][-+][ \t]+[0-9]"
)
_NO_BREAK = re.compile(rb"[^\r\n]+")
_OLD_COMMENT = re.compile(rb"G0*4(?![0-9])")
_COMMENT = re.compile(r"[Gg]0*4(?![0-9])")
_COMMAND_LINE = re.compile(rb"[\r\n]\s*%?(?:[XYIJDGMxyijdgm][+-]?[0-9]|[A-Z]{2})")
_AXES = (b"X", b"Y", b"I", b"J")
_OLD_FIELD = re.compile(rb"([A-Z])([+-]?[0-9]+)")


@dataclass(frozen=True, slots=True)
class OperationWords:
    """Operation words as columns of length n. Absent numbers are ABSENT in g and d, and 0 with
    `has` False in xyij.
    """

    word: Longs  # index of the word in the file
    g: Longs
    d: Longs
    xyij: Longs  # (4, n)
    has: Bools  # (4, n)


@dataclass(frozen=True, slots=True)
class Words:
    """A file as words."""

    operations: OperationWords
    command_word: Longs  # (m,) index of the word in the file
    command_text: Longs  # (m,) index into texts
    command_extended: Bools  # (m,) stands between two %
    command_first: Bools  # (m,) first word of its extended command
    texts: tuple[str, ...]  # not stripped of blanks at their end
    lines: Longs  # (words,) 1-based line on which each word starts
    tail: bytes  # what stands after the last word
    stray: Longs  # words with a % in their middle
    swallowed: Longs  # comments over several lines that look like commands
    wrapped: Longs  # attributes over several lines
    unbalanced: bool  # the last extended command is not closed
    blanks: Longs  # operations with blanks between their numbers, which stood there in the file

    def line(self, word: int) -> int:
        """Line of a word."""
        return int(self.lines[min(word, len(self.lines) - 1)])

    def until(self, end: int) -> Words:
        """Leave out the words after a word."""
        o, kept = self.operations, self.operations.word <= end
        operations = OperationWords(
            o.word[kept], o.g[kept], o.d[kept], o.xyij[:, kept], o.has[:, kept]
        )
        commands = self.command_word <= end
        return replace(
            self,
            operations=operations,
            command_word=self.command_word[commands],
            command_text=self.command_text[commands],
            command_extended=self.command_extended[commands],
            command_first=self.command_first[commands],
            tail=b"",
        )


def tokenise(data: bytes, pad: int = 0) -> Words:
    """Cut a file into words and read the numbers of its operations.

    Parameters
    ----------
    data : the whole file; it must hold at least one `*`
    pad : digits to which coordinates are filled up with zeros on the right (trailing zeros
        omitted), 0 = not at all
    """
    plain = data
    data, spans, operation, run = _settled(data)
    buffer = np.frombuffer(data, dtype=np.uint8)[: spans.total]
    columns = _columns(run, np.flatnonzero(operation), pad)
    others = np.flatnonzero(~operation)
    texts, numbers = _interned(buffer[np.repeat(~operation, spans.lengths)].tobytes())
    percents, stray = _percents(buffer, spans, texts, numbers, others)
    comments = others[
        np.isin(numbers, [number for number, text in enumerate(texts) if is_comment(text)])
    ]
    told = [number for number, text in enumerate(texts) if text[:2] in ATTRIBUTES]
    attributes = others[np.isin(numbers, told)]
    before = np.searchsorted(percents, spans.starts[others])
    heads = np.searchsorted(percents, np.where(others > 0, spans.ends[others - 1], -1))
    return Words(
        operations=columns,
        command_word=others,
        command_text=numbers,
        command_extended=(before % 2).astype(np.bool_),
        command_first=before != heads,
        texts=texts,
        lines=_lines(data, spans.starts),
        tail=data[spans.total :].strip(_LEADING),
        stray=stray,
        swallowed=_swallowed(data, spans, comments),
        wrapped=_wrapped(data, spans, attributes),
        unbalanced=len(percents) % 2 == 1,
        blanks=_blanks(plain) if data is not plain else np.empty(0, dtype=np.int64),
    )


def _blanks(data: bytes) -> Longs:
    """Words of operations with blanks before a letter in their middle, or behind their code."""
    words = data.split(b"*")
    found = [
        number
        for number, word in enumerate(words)
        if _BLANK_IN_OPERATION.search(word.lstrip(_LEADING))
    ]
    return np.array(found, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class _Spans:
    """Where words stand: starts after blanks and %, ends at the `*`."""

    starts: Longs
    ends: Longs
    lengths: Longs  # with everything in front of the word, and its end

    @property
    def total(self) -> int:
        return int(self.ends[-1]) + 1


def _is_junk(text: Bytes) -> Bools:
    """Bytes that may stand between two words."""
    junk: Bools = (text <= 32) | (text == _PERCENT)
    return junk


def _spans(buffer: Bytes) -> _Spans:
    ends = np.flatnonzero(buffer == _STAR)
    begins = np.concatenate(([0], ends[:-1] + 1))
    starts = begins.copy()
    rows = np.flatnonzero(_is_junk(buffer[starts]))
    for _ in range(USUAL_JUNK):
        starts[rows] += 1
        rows = rows[_is_junk(buffer[starts[rows]])]
    if len(rows):
        solid = np.flatnonzero(~_is_junk(buffer))
        starts[rows] = solid[np.searchsorted(solid, starts[rows])]
    return _Spans(starts, ends, ends + 1 - begins)


@dataclass(frozen=True, slots=True)
class _Run:
    """The bytes of all operations one after the other, and their letters and word ends."""

    text: Bytes
    marks: Longs  # places of letters and of `*`
    codes: Bytes  # the byte at each mark
    word: Longs  # operation that each mark belongs to


def _run(buffer: Bytes, spans: _Spans, operation: Bools) -> _Run:
    text = buffer[: spans.total][np.repeat(operation, spans.lengths)]
    marks = np.flatnonzero((text >= ord("A")) | (text == _STAR))
    codes = text[marks]
    ends = codes == _STAR
    return _Run(text, marks, codes, np.cumsum(ends) - ends)


def _settled(data: bytes) -> tuple[bytes, _Spans, Bools, _Run]:
    """Find words and which of them are operations; old spellings are rewritten once, what is still
    odd is a command.
    """
    spans, operation, run, odd = _sorted_out(data)
    mended = _mended(data, spans, odd)
    if mended is not None:
        data = mended
        spans, operation, run, odd = _sorted_out(data)
    if operation[odd].any():
        operation[odd] = False
        run = _run(np.frombuffer(data, dtype=np.uint8), spans, operation)
    return data, spans, operation, run


def _sorted_out(data: bytes) -> tuple[_Spans, Bools, _Run, Longs]:
    """Words, which of them look like operations, their bytes, and which words are odd."""
    buffer = np.frombuffer(data, dtype=np.uint8)
    spans = _spans(buffer)
    operation = _candidates(buffer, spans)
    run = _run(buffer, spans, operation)
    odd = [np.flatnonzero(operation)[_odd_operations(run)], _old_commands(buffer, spans, operation)]
    return spans, operation, run, np.unique(np.concatenate(odd))


def _candidates(buffer: Bytes, spans: _Spans) -> Bools:
    """Words that start like an operation; of the G codes those that may stand in one."""
    first = buffer[spans.starts]
    mask: Bools = _OPENS[first]
    rows = np.flatnonzero(first == ord("G"))
    at = spans.starts[rows]
    last = len(buffer) - 1
    one, two, three = (buffer[np.minimum(at + k, last)] for k in (1, 2, 3))
    zero = one == ord("0")
    code, after = np.where(zero, two, one), np.where(zero, three, two)
    plain = (code >= ord("1")) & (code <= ord("3")) & ((after < ord("0")) | (after > ord("9")))
    prefix = (one == ord("5")) & ((two == ord("4")) | (two == ord("5"))) & (three >= ord("A"))
    mask[rows] = plain | prefix
    return mask


def _odd_operations(run: _Run) -> Longs:
    """OperationWords that break the pattern of one."""
    marks, codes = run.marks, run.codes
    classes = np.frombuffer(run.text.tobytes().translate(_CLASS), dtype=np.uint8)
    pairs = (classes[:-1] << 3) | classes[1:]
    bad = np.flatnonzero(np.frombuffer(pairs.tobytes().translate(_PAIR), dtype=np.bool_)) + 1
    rank = _RANK[codes]
    inner = codes[:-1] != _STAR
    falls = np.flatnonzero((rank[1:] <= rank[:-1]) & inner)
    wide = np.flatnonzero((np.diff(marks) > MAX_DIGITS + 2) & inner)
    # D code behind coordinates
    after = np.flatnonzero((codes[1:] == ord("D")) & (codes[:-1] >= ord("I"))) + 1
    after = after[marks[after] < len(run.text) - 2]
    selects = after[
        (run.text[marks[after] + 1] != ord("0")) & (run.text[marks[after] + 2] != _STAR)
    ]
    ends = marks[codes == _STAR]
    codes_of_words = np.flatnonzero((codes == ord("D")) | (codes == ord("G")))
    signed = codes_of_words[np.isin(run.text[marks[codes_of_words] + 1], list(b"+-"))]
    found = (run.word[falls], run.word[wide], run.word[selects], run.word[signed])
    rows: Longs = np.concatenate((np.searchsorted(ends, bad), *found))
    return rows


def _old_commands(buffer: Bytes, spans: _Spans, operation: Bools) -> Longs:
    """Commands that may hold an operation: G or M code with more behind it, small letters, line
    numbers.
    """
    rows = np.flatnonzero(~operation & (spans.ends - spans.starts > 1))
    first, second = buffer[spans.starts[rows]], buffer[spans.starts[rows] + 1]
    third = buffer[np.minimum(spans.starts[rows] + 2, spans.ends[rows])]
    comment = (first == ord("G")) & (
        (second == ord("4")) | ((second == ord("0")) & (third == ord("4")))
    )
    code = (
        ((first == ord("G")) | (first == ord("M")))
        & ~comment
        & (spans.ends[rows] - spans.starts[rows] > 3)
    )
    small = (first >= ord("a")) & (first <= ord("z"))
    found: Longs = rows[small | (first == ord("N")) | code]
    return found


def _mended(data: bytes, spans: _Spans, odd: Longs) -> bytes | None:
    """Rewrite odd words that are operations in an old spelling; None if there is none."""
    pieces: list[bytes] = []
    done = 0
    for word in odd.tolist():
        start, end = int(spans.starts[word]), int(spans.ends[word])
        plain = plain_words(data[start:end])
        if plain is not None:
            pieces += [data[done:start], plain, _NO_BREAK.sub(b"", data[start:end])]
            done = end + 1
    return b"".join([*pieces, data[done:]]) if pieces else None


def plain_words(word: bytes) -> bytes | None:
    """Rewrite a word that holds codes in any order or spelling as plain words, or None if it is
    something else.

    Examples
    --------
    >>> plain_words(b"N10 g90 G01 X5 Y7 D02")
    b'G90*G1X5Y7D2*'
    >>> plain_words(b"G54D10X1Y2D03")
    b'G54D10*X1Y2D3*'
    >>> plain_words(b"G04 a comment")
    """
    if _BROKEN_NUMBER.search(word):
        return None
    text = re.sub(rb"\s+", b"", word).upper()
    if (
        _OLD_COMMENT.match(text)
        or not _OLD_WORD.fullmatch(text)
        or any(text.count(axis) > 1 for axis in _AXES)
    ):
        return None
    groups: list[dict[str, int]] = [{}]
    for letter, number in _OLD_FIELD.findall(_SEQUENCE_NUMBER.sub(b"", text)):
        if len(number.lstrip(b"+-0")) > MAX_DIGITS:
            return None
        _place(groups, letter.decode(), int(number))
    plain = b"".join(_spelled(group) for group in groups if group)
    return None if plain == word + b"*" else plain


def _place(groups: list[dict[str, int]], letter: str, number: int) -> None:
    """Put one field into the last word of a list of words, or into a new one."""
    alone = letter not in "GXYIJD" or (letter == "G" and number not in _IN_OPERATION)
    last = groups[-1]
    selects = letter == "D" and number >= FIRST_APERTURE
    if (
        letter in last
        or alone
        or letter == "G"
        or "D" in last
        or (selects and not last.keys().isdisjoint("XYIJ"))
    ):
        groups.append({})
    groups[-1][letter] = number
    if alone:
        groups.append({})


def _spelled(group: dict[str, int]) -> bytes:
    """A word with its fields in the order of an operation."""
    return (
        "".join(f"{letter}{group[letter]}" for letter in sorted(group, key="GXYIJD".find)).encode()
        + b"*"
    )


def _columns(run: _Run, word: Longs, pad: int) -> OperationWords:
    """Read the numbers of a run of well-formed operations."""
    n = len(word)
    letters = np.flatnonzero(run.codes != _STAR)
    values: Longs = np.fromstring(run.text.tobytes().translate(_NUMBERS), dtype=np.int64, sep=" ")
    if pad:
        values = _padded(values, run, letters, pad)
    codes, owner = run.codes[letters], run.word[letters]
    xyij = np.zeros((4, n), dtype=np.int64)
    has = np.zeros((4, n), dtype=np.bool_)
    for row, letter in enumerate(_LETTERS):
        fields = np.flatnonzero(codes == letter)
        at = owner[fields]
        xyij[row, at] = values[fields]
        has[row, at] = True
    codes_of = []
    for letter in b"GD":
        fields = np.flatnonzero(codes == letter)
        column = np.full(n, ABSENT, dtype=np.int64)
        column[owner[fields]] = values[fields]
        codes_of.append(column)
    return OperationWords(word, codes_of[0], codes_of[1], xyij, has)


def _padded(values: Longs, run: _Run, letters: Longs, pad: int) -> Longs:
    """Put back the zeros that coordinates omit on the right."""
    signs = run.text[run.marks[letters] + 1]
    digits = (
        run.marks[letters + 1]
        - run.marks[letters]
        - 1
        - ((signs == ord("-")) | (signs == ord("+")))
    )
    coordinate = (run.codes[letters] != ord("G")) & (run.codes[letters] != ord("D"))
    return np.where(coordinate, values * 10 ** np.maximum(pad - digits, 0), values)


def _interned(text: bytes) -> tuple[tuple[str, ...], Longs]:
    """Give each different command text a number: the texts, stripped, and the number of each
    command.
    """
    raw: defaultdict[bytes, int] = defaultdict()
    raw.default_factory = raw.__len__
    words = text.split(b"*")[:-1]
    numbers = np.fromiter(map(raw.__getitem__, words), dtype=np.int64, count=len(words))
    plain = _decoded(
        b"*".join([word.lstrip(_LEADING) for word in raw]).translate(None, b"\r\n")
    ).split("*")
    different: dict[str, int] = {}
    merged = [different.setdefault(word, len(different)) for word in plain]
    return tuple(different), np.array(merged, dtype=np.int64)[numbers]


def _decoded(text: bytes) -> str:
    """Text as UTF-8, or, where it is none, word by word: attributes with marks for their bytes, the
    rest as Latin-1.
    """
    try:
        return text.decode()
    except UnicodeDecodeError:
        parts = text.split(b"*")
        if len(parts) > 1:
            return "*".join(map(_decoded, parts))
        attribute = text[:2] in (b"TF", b"TA", b"TO")
        return text.decode(errors="replace") if attribute else text.decode("latin-1")


def _percents(
    buffer: Bytes, spans: _Spans, texts: tuple[str, ...], numbers: Longs, others: Longs
) -> tuple[Longs, Longs]:
    """Places of the % that open and close extended commands, and the words that have one in their
    middle.
    """
    percents = np.flatnonzero(buffer == _PERCENT)
    inner = [number for number, text in enumerate(texts) if "%" in text]
    if not inner:
        return percents, np.empty(0, dtype=np.int64)
    rows = others[np.isin(numbers, inner)]
    owner = np.searchsorted(spans.ends, percents)
    within = (percents >= spans.starts[np.minimum(owner, len(spans.starts) - 1)]) & np.isin(
        owner, rows
    )
    comments = [number for number in inner if is_comment(texts[number])]
    remark = within & np.isin(owner, others[np.isin(numbers, comments)])
    return percents[~remark], np.unique(owner[within & ~remark])


def _swallowed(data: bytes, spans: _Spans, comments: Longs) -> Longs:
    """Comments with a line break and something like a command behind it."""
    broken = _lines(data, spans.starts[comments]) != _lines(data, spans.ends[comments])
    rows = comments[broken].tolist()
    found = [
        row
        for row in rows
        if _COMMAND_LINE.search(data, int(spans.starts[row]), int(spans.ends[row]))
    ]
    return np.array(found, dtype=np.int64)


def _wrapped(data: bytes, spans: _Spans, attributes: Longs) -> Longs:
    """Attributes with a line break inside, which takes the place of a character where a file is
    damaged.
    """
    broken: Longs = attributes[
        _lines(data, spans.starts[attributes]) != _lines(data, spans.ends[attributes])
    ]
    return broken


def is_comment(text: str) -> bool:
    """Whether a word is a comment."""
    return text[:1] in ("G", "g") and _COMMENT.match(text) is not None


def _lines(data: bytes, starts: Longs) -> Longs:
    """1-based line of each place; a file without line feeds may end its lines with carriage
    returns.
    """
    buffer = np.frombuffer(data, dtype=np.uint8)
    breaks = np.flatnonzero(buffer == _NEWLINE)
    if not len(breaks):
        breaks = np.flatnonzero(buffer == _RETURN)
    return np.searchsorted(breaks, starts) + 1
