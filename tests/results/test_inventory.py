"""What the inventory tells of each net: region, length, share over its own pours, crossings."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checker.config.rules_file import parse_rules
from checker.results.inventory import NetRow, _net_lines, as_csv, as_json, as_text, inventory
from checker.rules import known_limits
from tests.boards import built_directly, case

POURS = [
    {"region": "a", "layer": "L2", "box": [0, 0, 14, 40]},
    {"region": "b", "layer": "L2", "box": [16, 0, 30, 40]},
]


def stock(*draws: dict[str, Any], **rules: Any) -> dict[str, NetRow]:
    """Rows of the nets of two pours (region b claims B_*) under some traces on L1."""
    table = {"because": "", "expect": [], "pours": POURS, "draws": list(draws), "rules": rules}
    made = case("board", table)
    limits = {name: limit.default for name, limit in known_limits().items()}
    rows = inventory(
        built_directly(made.sketch), parse_rules(made.rules, "rules.toml", limits)
    ).nets
    return {row.net: row for row in rows}


def trace(net: str, *points: tuple[float, float]) -> dict[str, Any]:
    return {"net": net, "layer": "L1", "width": 0.2, "points": [list(p) for p in points]}


QUIET = {"region": {"b": {"nets": ["B_*"]}}}


@pytest.mark.parametrize(
    ("net", "points", "region", "length", "share", "crossings"),
    [
        ("S", [(2, 10), (12, 10)], "a", 10, 100.0, 0),
        ("S", [(4, 10), (24, 10)], "a", 20, 50.0, 1),  # 10 of 20 mm over a
        ("B_S", [(4, 10), (24, 10)], "b", 20, 40.0, 1),  # 8 of 20 mm over b
        (
            "S",
            [(4, 10), (24, 10), (24, 20), (4, 20)],
            "a",
            50,
            40.0,
            2,
        ),  # there and back: 20 of 50 mm
        ("S", [(15, 5), (15, 35)], "a", 30, 0.0, 0),  # along the gap
        ("S", [(18, 5), (28, 5)], "a", 10, 0.0, 0),  # over the other region's pour only
    ],
)
def test_each_net_is_told_with_its_share_and_crossings(
    net: str,
    points: list[tuple[float, float]],
    region: str,
    length: float,
    share: float,
    crossings: int,
) -> None:
    """Worked by hand: pour a ends at x 14, pour b begins at x 16."""
    row = stock(trace(net, *points), **({} if region == "a" else QUIET))[net]
    assert (row.region, row.crossings, row.layers) == (region, crossings, "L1")
    assert row.length_mm == pytest.approx(length)
    assert row.reference_percent == pytest.approx(share)


def test_a_net_without_traces_has_no_share() -> None:
    """A reference net is only pour here: no length, nothing to have a share of."""
    row = stock(trace("S", (2, 10), (12, 10)))["GND_A"]
    assert (row.length_mm, row.reference_percent) == (0.0, None)


def test_the_three_forms_tell_the_same_and_text_fits_80_columns() -> None:
    """A name longer than its column is cut in text, told whole in CSV and JSON."""
    long = "CHANNEL_7/ANALOG_FRONT_END/REFERENCE_BUFFER_OUT"
    table = {"because": "", "expect": [], "pours": POURS, "draws": [trace(long, (4, 10), (24, 10))]}
    made = case("board", table)
    limits = {name: limit.default for name, limit in known_limits().items()}
    told = inventory(built_directly(made.sketch), parse_rules(made.rules, "rules.toml", limits))
    rows = {row["net"]: row for row in csv.DictReader(io.StringIO(as_csv(told)))}
    assert rows[long]["crossings"] == "1"
    assert rows[long]["reference_percent"] == "50.0"
    assert {row["net"]: row["crossings"] for row in json.loads(as_json(told))["nets"]}[long] == 1
    text = as_text(told).splitlines()
    assert max(map(len, text)) <= 80
    (line,) = [line for line in text if line.strip().startswith("CHANNEL_7")]
    assert line.split()[-4:] == ["20.000", "a", "50.0", "1"]


@given(st.lists(st.text("abX/", min_size=1, max_size=40), min_size=2, max_size=6, unique=True))
def test_two_nets_never_look_the_same(names: list[str]) -> None:
    """A name that would be cut like another stands whole on a line of its own."""
    lines = list(_net_lines([NetRow(name, "L1", 1, 0.0) for name in names]))[1:]
    shown = [line.split()[0] for line in lines if line[2] != " "]
    assert len(set(shown)) == len(names)
