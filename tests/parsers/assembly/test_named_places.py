"""Names from the rules file: places on copper that the data leaves nameless."""

from __future__ import annotations

from pathlib import Path

import pytest

from checker.demo.sketch import Draw, Hole, Pad, Pour, Sketch, box
from parsers import read_board
from parsers.board import Board, Hints, NamedPlace, Outline
from parsers.primitives import UNKNOWN_NET
from parsers.trouble import BoardError
from tests.boards import Way, through_gerber, through_ipc2581

FILES = pytest.mark.parametrize("way", [through_gerber, through_ipc2581])

# A pour on L1, a trace on L2 that a plated hole joins to it, a pour of another net beside, a trace
# of a named net.
NAMELESS = Sketch(
    outline=box(0, 0, 40, 20),
    pours=(
        Pour(net=None, layer="L1", contour=box(1, 1, 18, 19)),
        Pour(net=None, layer="L1", contour=box(22, 1, 39, 19)),
    ),
    draws=(
        Draw(net=None, layer="L2", width=0.2, points=((5, 5), (15, 5))),
        Draw(net="SIG", layer="L2", width=0.2, points=((5, 15), (35, 15))),
    ),
    pads=(
        Pad(net=None, layer="L1", at=(5, 5), size=(0.6, 0.6), function="ViaPad"),
        Pad(net=None, layer="L2", at=(5, 5), size=(0.6, 0.6), function="ViaPad"),
    ),
    holes=(Hole(at=(5, 5), diameter=0.3),),
)
BRIDGE = Draw(net=None, layer="L1", width=0.2, points=((17, 10), (23, 10)))


def hints(*places: tuple[str, float, float, str], **more: object) -> Hints:
    return Hints(nets=tuple(NamedPlace(n, (x, y), layer) for n, x, y, layer in places), **more)  # type: ignore[arg-type]


def names(board: Board) -> list[str]:
    """Names of all copper, sorted."""
    return sorted(board.net_name(n) for n in board.copper.net.tolist())


@FILES
def test_a_place_names_what_touches_it_and_what_plated_holes_join(way: Way, tmp_path: Path) -> None:
    board = way(NAMELESS, tmp_path, hints(("GND", 14, 5, "L2"), ("HV", 30, 10, "L1")))
    assert names(board) == ["GND"] * 4 + ["HV", "SIG"]
    assert board.holes.net.tolist() == [[n.name for n in board.nets].index("GND")]
    assert board.doubts == ()
    assert board.connectivity.contacts == ()


@FILES
def test_copper_that_no_place_names_stays_a_doubt(way: Way, tmp_path: Path) -> None:
    board = way(NAMELESS, tmp_path, hints(("GND", 14, 5, "L2")))
    assert (board.copper.net == UNKNOWN_NET).sum() == 1
    assert [d.what for d in board.doubts] == ["copper of unknown net on L1"]


@FILES
def test_two_names_on_one_copper_are_in_contact(way: Way, tmp_path: Path) -> None:
    """The pours touch by a strip: whoever names each of them has a short, and hears of it."""
    joined = NAMELESS.with_(draws=(BRIDGE,))
    board = way(joined, tmp_path, hints(("GND", 14, 5, "L2"), ("HV", 30, 10, "L1")))
    pairs = [{board.nets[n].name for n in c.nets} for c in board.connectivity.contacts]
    assert pairs == [{"GND", "HV"}]
    assert UNKNOWN_NET not in board.copper.net


@FILES
def test_a_name_of_the_data_stands_and_the_place_is_a_doubt(way: Way, tmp_path: Path) -> None:
    board = way(
        NAMELESS, tmp_path, hints(("GND", 14, 5, "L2"), ("HV", 30, 10, "L1"), ("HV", 20, 15, "L2"))
    )
    assert [d.what for d in board.doubts] == ["net.HV names copper of SIG"]
    assert names(board).count("SIG") == 1


@FILES
def test_a_place_on_copper_of_that_name_says_nothing_new(way: Way, tmp_path: Path) -> None:
    board = way(
        NAMELESS,
        tmp_path,
        hints(("GND", 14, 5, "L2"), ("SIG", 30, 10, "L1"), ("SIG", 20, 15, "L2")),
    )
    assert board.doubts == ()
    assert names(board).count("SIG") == 2


@FILES
def test_copper_may_be_named_as_no_nets(way: Way, tmp_path: Path) -> None:
    """A fiducial is copper of no net: told so, it floats, and nothing is doubted."""
    board = way(NAMELESS, tmp_path, hints(("GND", 14, 5, "L2"), ("N/C", 30, 10, "L1")))
    assert names(board) == ["GND"] * 4 + ["SIG", "no net"]
    assert board.doubts == ()


@FILES
@pytest.mark.parametrize(
    ("place", "said"),
    [
        (
            ("GND", 20.0, 10.0, "L1"),
            r"net\.GND: no copper at \(20, 10\) on L1; the nearest is 2\.000 mm away",
        ),
        (("GND", 20.0, 10.0, "L3"), r"net\.GND: the board has no copper layer L3; it has L1, L2"),
    ],
)
def test_a_place_beside_all_copper_is_an_error(
    way: Way, tmp_path: Path, place: tuple[str, float, float, str], said: str
) -> None:
    with pytest.raises(BoardError, match=said):
        way(NAMELESS, tmp_path, hints(place))


# ------------------------------------------------------------------------------------------ outline

NET = hints(("GND", 14, 5, "L2"), ("HV", 30, 10, "L1")).nets


def without_profile(way: Way, folder: Path, told: Hints) -> Board:
    """The board written, its profile taken away, and read."""
    way(NAMELESS, folder)
    if way is through_gerber:
        profile = next((folder / "gerber").glob("*rofile*"))
        profile.unlink()
        job = next((folder / "gerber").glob("*.gbrjob"), None)
        if job is not None:
            job.unlink()
        return read_board(folder / "gerber", told)
    file = next(folder.glob("*.xml"))
    text = file.read_text()
    start, end = text.index("<Profile>"), text.index("</Profile>") + len("</Profile>")
    file.write_text(text[:start] + text[end:])
    return read_board(file, told)


@FILES
def test_the_rules_give_an_outline_where_the_data_has_none(way: Way, tmp_path: Path) -> None:
    corners = ((0.0, 0.0), (40.0, 0.0), (40.0, 20.0), (0.0, 20.0))
    board = without_profile(way, tmp_path, Hints(nets=NET, outline=corners))
    assert isinstance(board.outline, Outline)
    assert board.outline.shape.area == pytest.approx(800)
    assert not [d for d in board.remarks if d.what == "no board profile"]


@FILES
def test_an_outline_beside_a_profile_that_differs_is_a_doubt(way: Way, tmp_path: Path) -> None:
    told = Hints(nets=NET, outline=((0, 0), (41, 0), (41, 20), (0, 20)))
    board = way(NAMELESS, tmp_path, told)
    assert [d.what for d in board.doubts] == ["outline.points differ from the profile"]
    assert board.outline is not None
    assert board.outline.shape.area == pytest.approx(800)
    same = Hints(nets=NET, outline=((40, 20), (0, 20), (0, 0), (40, 0)))
    assert way(NAMELESS, tmp_path / "same", same).doubts == ()


@FILES
def test_corners_that_enclose_no_board_are_an_error(way: Way, tmp_path: Path) -> None:
    with pytest.raises(BoardError, match=r"outline\.points: the corners enclose no board"):
        way(NAMELESS, tmp_path, Hints(outline=((0, 0), (10, 10), (0, 10), (10, 0))))
