"""The same test netlists through an independent reader, the library gerbonara: names, parts,
places, holes, access.
"""

from __future__ import annotations

import random
import re
import string
import warnings
from pathlib import Path

import pytest
from gerbonara.ipc356 import Netlist as Reference
from gerbonara.ipc356 import TestRecord as Record
from gerbonara.utils import MM

from parsers.board import PLATED, PLATING_UNKNOWN, UNPLATED
from parsers.netlist import NOT_CONNECTED, SURFACE, THROUGH, VIA, Point, read_netlist
from tests.parsers.test_netlist import PADDED_LINE, SIGN_LINE, SURFACE_LINE, THROUGH_LINE

REAL = sorted((Path(__file__).parents[3] / "shared" / "boards").glob("*/*.ipc"))
WITHIN = 1e-4  # mm
Row = tuple[str, str, str, int, int, float, float, float, int]


def row_of_point(p: Point) -> Row:
    return (p.net, p.part, p.pin, p.kind, p.access, p.x, p.y, p.hole, p.plated)


def row_of_record(r: Record) -> Row:
    net = (r.net_name or "") if r.is_connected else NOT_CONNECTED
    plated = {True: PLATED, False: UNPLATED, None: PLATING_UNKNOWN}[r.is_plated]
    x, y, hole = (float(MM(value or 0.0, r.unit)) for value in (r.x, r.y, r.hole_dia))
    part = VIA if r.is_via else r.ref_des or ""
    return (net, part, r.pin or "", r.pad_type.value, r.access_layer or 0, x, y, hole, plated)


def agree(text: str) -> int:
    """Both readers find the same points; how many."""
    # the reference reads those after `P` alone
    long_names = dict(re.findall(r"^C\s+NNAME(\S+)\s+(\S+)", text, re.M))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        records = Reference.from_string(text, "n.ipc").test_records
    for record in records:
        record.net_name = long_names.get(record.net_name or "", record.net_name)
    theirs = [row_of_record(r) for r in records if r.pad_type.value in (THROUGH, SURFACE)]
    ours = [row_of_point(p) for p in read_netlist(text.encode(), "n.ipc").points]
    assert len(ours) == len(theirs)
    for own, other in zip(sorted(ours), sorted(theirs), strict=True):
        assert own[:5] == other[:5]
        assert own[5:8] == pytest.approx(other[5:8], abs=WITHIN)
        assert own[8] == other[8]
    return len(ours)


@pytest.mark.parametrize("unit", ["CUST 0", "CUST 1"])
def test_worked_lines(unit: str) -> None:
    """Lines of several exporters: zeros or blanks before numbers, pins that are signs, long lines
    and short ones.
    """
    lines = [
        THROUGH_LINE,
        SURFACE_LINE,
        PADDED_LINE,
        SIGN_LINE,
        f"{THROUGH_LINE}X0650Y0000      S3",
    ]
    lines += [
        "317N/C              H1    -1    D0500UA00X+001000Y-002000",
        f"{'327GND':38}A02X+000100Y+000200",
    ]
    assert agree("\n".join(["P  JOB x", f"P  UNITS {unit}", *lines, "999"])) == 7


@pytest.mark.parametrize("seed", range(5))
def test_random_records(seed: int) -> None:
    """Records filled column by column at random."""
    dice = random.Random(seed)
    lines = ["P  JOB x", f"P  UNITS CUST {seed % 2}"]
    lines += [_record(dice) for _ in range(100)]
    assert agree("\n".join([*lines, "999"])) == 100


def _record(dice: random.Random) -> str:
    def name(most: int) -> str:
        return "".join(
            dice.choices(string.ascii_uppercase + string.digits + "_+/", k=dice.randint(1, most))
        )

    through = dice.random() < 0.5
    part = "VIA        " if dice.random() < 0.3 else f"{name(6):6}-{name(4):4}"
    hole = f"D{dice.randint(1, 9999):04d}{dice.choice('PU')}" if through else "      "
    place = "".join(f"{axis}{dice.choice('+-')}{dice.randint(0, 999_999):06d}" for axis in "XY")
    access = 0 if through else dice.randint(1, 8)
    return (
        f"3{1 if through else 2}7{name(14):14}   {part}"
        f" {hole}A{access:02d}{place}X{dice.randint(1, 9999):04d}Y0000"
    )


@pytest.mark.needs("boards")
@pytest.mark.parametrize("path", REAL, ids=lambda path: path.stem)
def test_real_netlists(path: Path) -> None:
    """Netlists of public boards: the same points."""
    assert agree(path.read_text(encoding="latin-1")) > 100
