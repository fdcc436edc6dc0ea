"""Hostile and broken files: one line that names file and place, in bounded time and memory; never
anything else.
"""

from __future__ import annotations

import gzip
import re
import time
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.strategies import DataObject

from parsers.board import Hints
from parsers.ipc2581 import read_ipc2581
from parsers.ipc2581.assembly import read_ipc2581 as read_with_limits
from parsers.ipc2581.stream import Limits, Names
from parsers.trouble import BoardError, FormatError, InputError
from tests.parsers.ipc2581.files import File, features, one_set, polygon, read, sentences

DISC = one_set(features('<Circle diameter="1"/>', '<Location x="5" y="5"/>'))
TEXT = File(features={"TOP": DISC}).text()
START = TEXT.index("<LayerFeature")


def refused(text: str | bytes, folder: Path) -> str:
    """What is said of a file that is refused; always one line."""
    with pytest.raises(FormatError) as caught:
        read(text, folder)
    said = str(caught.value)
    assert "\n" not in said
    assert said.startswith("board.xml")
    return said


BOMB = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 10))


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "the file is empty"),
        ("   \n", "the file is empty"),
        ("G04 a Gerber file*", "no XML"),
        ("<svg/>", "no IPC-2581 data"),
        (TEXT.replace("IPC-2581", "XYZ-0000"), "root element is 'XYZ-0000'"),
        (TEXT[: len(TEXT) // 2], "not well-formed XML"),
        (TEXT.replace("</Set>", "</Sett>"), "not well-formed XML"),
        (TEXT.replace('net="A"', 'net="&undefined;"'), "not well-formed XML"),
        (TEXT.replace("<IPC-2581", "<!DOCTYPE x><IPC-2581", 1), "declares a document type"),
        (
            TEXT.replace("<IPC-2581", f'<!DOCTYPE x [<!ENTITY e0 "boom">{BOMB}]><IPC-2581', 1).replace("A", "&e9;", 1),
            "declares a document type",
        ),
        (
            TEXT.replace("<IPC-2581", '<!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/passwd">]><IPC-2581', 1),
            "declares a document type",
        ),
        # behind what is looked at first: the parser itself reports it
        (TEXT.replace("<IPC-2581", f"<!--{'x' * 100_000}--><!DOCTYPE x><IPC-2581", 1), "declares a document type"),
        (TEXT.replace("<Circle", "<a>" * 100_000 + "<Circle"), "Excessive depth"),
        (TEXT.replace('net="A"', f'net="{"A" * 11_000_000}"'), "Resource limit exceeded"),
        (TEXT[:START] + " " * 11_000_000 + TEXT[START:], "Text node too long"),
        (b"\x1f\x8b" + b"no gzip at all", "cannot be read"),
        (gzip.compress(TEXT.encode())[:-20], "cannot be read"),
        (TEXT.encode().replace(b'"A"', b'"\xff"'), "not well-formed XML"),
        (TEXT.replace("UTF-8", "no-such-code"), "not well-formed XML"),
    ],
)  # fmt: skip
def test_files_that_are_refused(tmp_path: Path, text: str | bytes, complaint: str) -> None:
    assert complaint in refused(text, tmp_path)


def test_syntax_errors_name_the_line(tmp_path: Path) -> None:
    text = TEXT.replace("<LayerFeature", "\n\n\n<LayerFeature <")
    line = next(i for i, content in enumerate(text.splitlines(), 1) if "<LayerFeature <" in content)
    assert refused(text, tmp_path).startswith(f"board.xml:{line}: ")


@pytest.mark.parametrize("pieces", [1, 64])
def test_a_gigabyte_of_blanks_is_refused_at_once(tmp_path: Path, pieces: int) -> None:
    """Packed, as one run or cut by elements: said before more than a part of it has been
    unpacked.
    """
    blanks = b"<Dfx/>" * (pieces > 1) + b" " * ((1 << 30) // 64 // pieces)
    packed = (
        gzip.compress(blanks, 6) * 64 * pieces
        if pieces == 1
        else gzip.compress(blanks * pieces, 6) * 64
    )
    path = tmp_path / "board.xml"
    path.write_bytes(
        gzip.compress(TEXT[:START].encode()) + packed + gzip.compress(TEXT[START:].encode())
    )
    began = time.process_time()
    with pytest.raises(FormatError, match=r"Text node too long|unpacks to far more"):
        read_ipc2581(path, Hints())
    assert time.process_time() - began < 20


@pytest.mark.parametrize(
    ("limits", "complaint"),
    [
        (Limits(size=2000), "larger than 0 MiB"),
        (Limits(element=100_000), "one element is larger"),
        (Limits(packed_ratio=2, packed_grace=1000), "unpacks to far more"),
    ],
)
def test_limits_of_size_element_and_growth(tmp_path: Path, limits: Limits, complaint: str) -> None:
    points = "2500,-1 " + " ".join(f"{i},{i % 2}" for i in range(5000, 0, -1))
    text = File(features={"TOP": one_set(features(f"<Contour>{polygon(points)}</Contour>"))}).text()
    path = tmp_path / "board.xml"
    path.write_bytes(gzip.compress(text.encode()))
    assert len(read_with_limits(path, Hints()).layers) == 2
    with pytest.raises(FormatError, match=complaint):
        read_with_limits(path, Hints(), limits)


def test_a_set_may_be_larger_than_the_limit_of_an_element(tmp_path: Path) -> None:
    """Sets are read while they are open; only one object of a Set must fit."""
    rows = "".join(
        features('<Circle diameter="1"/>', f'<Location x="5" y="{row}"/>') for row in range(200)
    )
    wide = " " * 5000
    text = File(features={"TOP": one_set(rows.replace("</Features>", f"</Features>{wide}"))}).text()
    path = tmp_path / "board.xml"
    path.write_text(text)
    board = read_with_limits(path, Hints(), Limits(element=200_000))
    assert path.stat().st_size > 1_000_000
    assert len(board.copper) == 200


def test_memory_does_not_grow_with_what_is_not_copper(tmp_path: Path) -> None:
    """20 MB of silk screen and of parts lists leave no trace: the peak of Python's own memory stays
    below 5 MB.
    """
    row = features(
        '<Line startX="1" startY="1" endX="9" endY="1"><LineDesc lineEnd="ROUND"'
        ' lineWidth="1"/></Line>'
    )
    file = File(features={"SILK": one_set(row * 100_000, "")}).text()
    silk = '<Layer name="SILK" layerFunction="SILKSCREEN" side="TOP" polarity="POSITIVE"/>'
    path = tmp_path / "board.xml"
    path.write_text(file.replace("<CadData>", "<CadData>" + silk))
    tracemalloc.start()
    read_ipc2581(path, Hints())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert path.stat().st_size > 10_000_000
    assert peak < 5_000_000


# ---- files that are odd, not hostile -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["board.cvg", "board.xml", "board.xml.gz", "board"])
@pytest.mark.parametrize("packed", [False, True])
def test_any_name_plain_or_packed(tmp_path: Path, name: str, packed: bool) -> None:
    data = gzip.compress(TEXT.encode()) if packed else TEXT.encode()
    board = read(data, tmp_path, name=name)
    assert len(board.copper) == 1
    assert board.files[0].path == name


CLOTHES: dict[str, str | bytes] = {
    "no namespace": TEXT.replace(' xmlns="http://webstds.ipc.org/2581"', ""),
    "another namespace": TEXT.replace(
        "http://webstds.ipc.org/2581", "http://example.org/older-name"
    ),
    "prefix": re.sub(r"<(/?)([A-Z])", r"<\1i:\2", TEXT).replace("xmlns=", "xmlns:i="),
    "utf-16": TEXT.replace("UTF-8", "UTF-16").encode("utf-16"),
    "byte order mark": "\ufeff" + TEXT,
    "no declaration": TEXT.split("\n", 1)[1],
    "comments": TEXT.replace("<Set", "<!-- drawn --><Set").replace("<Circle", "<?note?><Circle"),
}


@pytest.mark.parametrize("clothes", CLOTHES)
def test_the_same_board_in_other_clothes(tmp_path: Path, clothes: str) -> None:
    board = read(CLOTHES[clothes], tmp_path)
    assert len(board.copper) == 1
    assert sentences(board) == []


def test_elements_of_foreign_namespaces_are_not_taken_for_the_standard(tmp_path: Path) -> None:
    foreign = TEXT.replace("<Circle", '<v:Circle xmlns:v="urn:vendor"')
    assert sentences(read(foreign, tmp_path)) == ["{urn:vendor}Circle in place of a shape"]


def test_unknown_attributes_are_left_alone(tmp_path: Path) -> None:
    board = read(
        TEXT.replace("<Set ", '<Set vendorNote="x" ').replace("<Circle ", '<Circle colour="red" '),
        tmp_path,
    )
    assert sentences(board) == []
    assert len(board.copper) == 1


@pytest.mark.parametrize("where", ["Set", "LayerFeature", "Step", "Features", "Pad"])
def test_unknown_elements_near_copper_are_doubts(tmp_path: Path, where: str) -> None:
    file = File(
        features={"TOP": DISC + one_set('<Pad><Location x="1" y="1"/><Circle diameter="1"/></Pad>')}
    )
    text = file.text()
    at = text.index(">", re.search(rf"<{where}\b[ >]", text).start()) + 1  # type: ignore[union-attr]
    doubts = sentences(read(text[:at] + "<Splash/>" + text[at:], tmp_path))
    assert any("Splash" in doubt or "more than one shape" in doubt for doubt in doubts), doubts


def test_names_know_the_namespace_of_the_file() -> None:
    names = Names()
    names.spaces.add("urn:mine")
    assert [names[tag] for tag in ("{urn:mine}Set", "{urn:other}Set", "Set")] == [
        "Set",
        "{urn:other}Set",
        "Set",
    ]


RICH = File(
    dictionaries={
        "LineDesc": '<EntryLineDesc id="L"><LineDesc lineEnd="ROUND" lineWidth="0.2"/></EntryLineDesc>',
        "Standard": '<EntryStandard id="R"><RectRound width="2" height="1" radius="0.2" upperRight="true"'
        ' upperLeft="true" lowerLeft="true" lowerRight="false"/></EntryStandard>',
        "User": '<EntryUser id="U"><UserSpecial><StandardPrimitiveRef id="R"/><Circle diameter="3"/></UserSpecial>'
        "</EntryUser>",
    },
    nets='<LogicalNet name="A"><PinRef componentRef="U1" pin="1"/></LogicalNet>',
    features={
        "TOP": one_set(
            features('<Polyline><PolyBegin x="0" y="0"/><PolyStepSegment x="4" y="0"/><PolyStepCurve x="4" y="4"'
            ' centerX="4" centerY="2" clockwise="false"/><LineDescRef id="L"/></Polyline>')
            + features('<UserPrimitiveRef id="U"/>', '<Xform rotation="30" mirror="true"/><Location x="9" y="9"/>')
            + '<Pad><Xform rotation="90"/><Location x="3" y="3"/><StandardPrimitiveRef id="R"/>'
            '<PinRef componentRef="U1" pin="1"/></Pad>'
        ),
        "BOTTOM": one_set(features(f"<Contour>{polygon('1,1 9,1 9,9')}{polygon('3,3 5,3 5,5', 'Cutout')}</Contour>"))
        + one_set(features('<Circle diameter="1"/>', '<Location x="7" y="7"/>'), 'polarity="NEGATIVE"'),
        "DRILL": one_set('<Hole name="H" diameter="1" platingStatus="VIA" plusTol="0" minusTol="0" x="3" y="3"/>', ""),
    },
).text()  # fmt: skip
START_OF_DATA = RICH.index("<Dictionary")
SPLICES = [
    "",
    "0",
    "-1",
    "1e999",
    "nan",
    "<",
    ">",
    '"',
    "&#0;",
    "true",
    "NEGATIVE",
    "\u00e9",
    "99999999",
    "<Set>",
    "INCH",
    "/",
]


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_no_mutation_lets_anything_but_an_input_error_out(
    tmp_path_factory: pytest.TempPathFactory, data: DataObject
) -> None:
    """A rich file with one stretch replaced: a board with or without doubts, or one line."""
    at = data.draw(st.integers(START_OF_DATA, len(RICH) - 1))
    length = data.draw(st.integers(0, 12))
    mutant = RICH[:at] + data.draw(st.sampled_from(SPLICES)) + RICH[at + length :]
    folder = tmp_path_factory.getbasetemp()
    try:
        board = read(mutant, folder, name="mutant.xml")
    except InputError as error:
        assert "\n" not in str(error)  # noqa: PT017 - any board is right as well
    else:
        assert board.copper.net.max(initial=-1) < len(board.nets)


ATTRIBUTE = re.compile(r' \w+="[^"]*"')


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_an_attribute_taken_away_or_spoilt_never_crashes(
    tmp_path_factory: pytest.TempPathFactory, data: DataObject
) -> None:
    found = list(ATTRIBUTE.finditer(RICH, START_OF_DATA))
    match = data.draw(st.sampled_from(found))
    name = match.group().split("=")[0]
    value = data.draw(st.sampled_from([None, "", "x", "0", "-5", "inf", "1e308", "NaN"]))
    mutant = (
        RICH[: match.start()] + ("" if value is None else f'{name}="{value}"') + RICH[match.end() :]
    )
    try:
        read(mutant, tmp_path_factory.getbasetemp(), name="mutant.xml")
    except BoardError as error:
        assert "\n" not in str(error)  # noqa: PT017 - any board is right as well


# ---- shapes that would draw without end ----------------------------------------------------------------------------


def test_shapes_that_multiply_are_refused(tmp_path: Path) -> None:
    """Ten references in each of ten shapes: 10^10 discs."""
    reference = '<UserPrimitiveRef id="E{}"/>'
    entries = '<EntryUser id="E10"><Circle diameter="1"/></EntryUser>' + "".join(
        "<EntryUser"
        f' id="E{i}"><UserSpecial>{reference.format(i + 1) * 10}</UserSpecial></EntryUser>'
        for i in range(10)
    )
    file = File(
        dictionaries={"User": entries},
        features={"TOP": one_set(features('<UserPrimitiveRef id="E0"/>'))},
    )
    with pytest.raises(BoardError, match=r"board\.xml:\d+: shapes draw more than"):
        read(file, tmp_path)


@pytest.mark.parametrize(
    ("deep", "sentence"), [(100, "E64 is nested more than 64 deep"), (20, None)]
)
def test_references_have_a_depth(tmp_path: Path, deep: int, sentence: str | None) -> None:
    entries = (
        "".join(
            f'<EntryUser id="E{i}"><UserSpecial><UserPrimitiveRef'
            f' id="E{i + 1}"/></UserSpecial></EntryUser>'
            for i in range(deep)
        )
        + f'<EntryUser id="E{deep}"><UserSpecial><Circle diameter="1"/></UserSpecial></EntryUser>'
    )
    file = File(
        dictionaries={"User": entries},
        features={"TOP": one_set(features('<UserPrimitiveRef id="E0"/>'))},
    )
    board = read(file, tmp_path)
    assert sentences(board) == ([sentence] if sentence else [])


def test_locations_of_one_feature_multiply_to_a_bound(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("parsers.ipc2581.features.MAX_COPIES", 50)
    shape = "<UserSpecial>" + '<Circle diameter="1"/>' * 10 + "</UserSpecial>"
    for count, expected in ((5, []), (7, ["a Features that cannot be read"])):
        places = '<Location x="1" y="1"/>' * count
        board = read(File(features={"TOP": one_set(features(shape, places))}), tmp_path)
        assert sentences(board) == expected


def test_curves_of_a_huge_radius_do_not_fill_the_memory(tmp_path: Path) -> None:
    """A circle of 9 m takes ten thousand points; ten thousand of them are refused, one of 9 km is
    left out.
    """
    ring = (
        '<Arc startX="{0}" startY="0" endX="{0}" endY="0" centerX="0" centerY="0"'
        ' clockwise="false"><LineDesc lineEnd="ROUND" lineWidth="1"/></Arc>'
    )
    with pytest.raises(BoardError, match="curves that take more than"):
        read(File(features={"TOP": one_set(features(ring.format(9000)) * 10_000)}), tmp_path)
    board = read(File(features={"TOP": one_set(features(ring.format(9_000_000)))}), tmp_path)
    assert sentences(board) == ["a coordinate beyond 10 m"]


def test_nested_features_have_a_depth(tmp_path: Path) -> None:
    shape = "<UserSpecial>" * 100 + '<Circle diameter="1"/>' + "</UserSpecial>" * 100
    assert sentences(read(File(features={"TOP": one_set(features(shape))}), tmp_path)) == [
        "a Features that cannot be read"
    ]


def test_a_file_that_is_wrong_in_many_ways_has_a_bounded_number_of_doubts(tmp_path: Path) -> None:
    rows = "".join(features(f'<StandardPrimitiveRef id="X{i}"/>') for i in range(2000))
    board = read(File(features={"TOP": one_set(rows)}), tmp_path)
    assert len(board.doubts) < 400
    assert any(found.startswith("further doubts (") for found in sentences(board))


def test_ten_thousand_shapes_are_no_trouble(tmp_path: Path) -> None:
    rows = "".join(
        features(
            f'<Circle diameter="{1 + i / 10_000}"/>',
            f'<Location x="{3 * (i % 100)}" y="{3 * (i // 100)}"/>',
        )
        for i in range(10_000)
    )
    board = read(File(features={"TOP": one_set(rows)}), tmp_path)
    assert len(board.copper) == 10_000


DEMO = Path(__file__).parents[3] / "fixtures" / "demo" / "mains-barrier-faulty"
AHEAD = frozenset(
    {"Content", "LogisticHeader", "HistoryRecord", "FileRevision", "SoftwarePackage", "Bom"}
)  # no board


def emptied_marks(data: str) -> dict[str, str]:
    """The file with one empty element turned into text by the loss of its first character, for each
    kind of place.
    """
    found: dict[str, str] = {}
    above: list[str] = []
    for mark in re.finditer(r"<(/?)(\w[\w-]*)[^>]*?(/?)>", data):
        if mark[1]:
            above.pop()
        elif not mark[3]:
            above.append(mark[2])
        elif not AHEAD & set(above) or "EntryStandard" in above:
            found.setdefault(
                "/".join([*above[-2:], mark[2]]), data[: mark.start()] + data[mark.start() + 1 :]
            )
    return found


@pytest.mark.parametrize("revision", ["B1", "C"])
def test_an_element_that_became_text_is_a_doubt(revision: str, tmp_path: Path) -> None:
    """Well-formed XML, but a corner, a hole or a pad is gone: it must not go unseen."""
    damaged = emptied_marks((DEMO / f"board-{revision}.xml").read_text())
    assert len(damaged) > 20
    for kind, text in damaged.items():
        doubts = read(text, tmp_path).doubts
        assert any(
            doubt.what.startswith("text ") and doubt.place and doubt.place.line for doubt in doubts
        ), kind


def test_blanks_and_comments_between_elements_are_no_text(tmp_path: Path) -> None:
    text = TEXT.replace("><", ">\n\t <!-- a > b < c -->\r\n<")
    assert [d.what for d in read(text, tmp_path).doubts] == [
        d.what for d in read(TEXT, tmp_path).doubts
    ]
