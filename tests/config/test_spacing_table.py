"""The spacing table: what is read, how a voltage is looked up, and what is refused, with the line
named.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checker.config.spacing_table import (
    CLEARANCE,
    CREEPAGE,
    INTERPOLATE,
    NEXT,
    Query,
    SpacingTable,
    TableError,
    read_table,
)

OUTER_BASIC = Query("outer", "basic", 2, "IIIa")

# IEC 60664-1:2007, table F.4, pollution degree 2, material group III, basic insulation; read on a
# public page.
F4_PD2_III = {
    10: 0.4, 12.5: 0.42, 16: 0.45, 20: 0.48, 25: 0.5, 32: 0.53, 40: 1.1, 50: 1.2, 63: 1.25, 80: 1.3, 100: 1.4, 125: 1.5,
    160: 1.6, 200: 2.0, 250: 2.5, 320: 3.2, 400: 4.0, 500: 5.0, 630: 6.3, 800: 8.0, 1000: 10.0,
}  # fmt: skip
# IEC 60664-1:2007, table F.2, case A, pollution degree 2; kV. 1.5, 2.5, 4 and 6 kV as seen on a
# public page, the rest from memory.
F2_PD2 = {0.5: 0.2, 0.8: 0.2, 1.5: 0.5, 2.5: 1.5, 4: 3.0, 6: 5.5, 8: 8.0, 12: 14.0}


def table(tmp_path: Path, text: str) -> SpacingTable:
    (tmp_path / "spacing.csv").write_text(text, encoding="utf-8")
    return read_table(tmp_path / "spacing.csv", "spacing.csv")


def column(rows: dict[float, float], name: str) -> str:
    return f"voltage,{name}\n" + "".join(f"{v},{d}\n" for v, d in rows.items())


@pytest.mark.parametrize(("voltage", "distance"), F4_PD2_III.items())
def test_a_row_that_is_hit_gives_itself(tmp_path: Path, voltage: float, distance: float) -> None:
    """IEC 60664-1:2007, table F.4, every row."""
    found = table(tmp_path, column(F4_PD2_III, CREEPAGE)).required(
        CREEPAGE, OUTER_BASIC, voltage, INTERPOLATE
    )
    assert found is not None
    assert found.value == distance


@pytest.mark.parametrize(
    ("voltage", "distance"),
    [(230, 2.30), (48, 1.18), (300, 3.00), (450, 4.50)],
)
def test_creepage_between_rows_is_interpolated(
    tmp_path: Path, voltage: float, distance: float
) -> None:
    """Worked from table F.4 of IEC 60664-1:2007 by hand: 2.0 + 30/50 * 0.5 = 2.30 at 230 V, and so
    on.

    That interpolation is permitted: IEC 60664-1, from memory.
    """
    found = table(tmp_path, column(F4_PD2_III, CREEPAGE)).required(
        CREEPAGE, OUTER_BASIC, voltage, INTERPOLATE
    )
    assert found is not None
    assert found.value == pytest.approx(distance, abs=1e-9)
    assert "interpolated" in found.rows


@pytest.mark.parametrize(
    ("kilovolt", "distance"), [(2.5, 1.5), (2.6, 3.0), (4, 3.0), (4.1, 5.5), (0.3, 0.2)]
)
def test_clearance_takes_the_next_higher_row(
    tmp_path: Path, kilovolt: float, distance: float
) -> None:
    """IEC 60664-1:2007, table F.2; below the first row the first row holds."""
    rows = {1000 * kv: d for kv, d in F2_PD2.items()}
    found = table(tmp_path, column(rows, CLEARANCE)).required(
        CLEARANCE, OUTER_BASIC, 1000 * kilovolt, NEXT
    )
    assert found is not None
    assert found.value == distance


def test_both_rules_can_be_set_for_both_distances(tmp_path: Path) -> None:
    """Halfway between 1 mm and 3 mm: 2 mm interpolated, 3 mm by the next row, whichever the
    column.
    """
    read = table(tmp_path, "voltage,clearance,creepage\n100,1,1\n200,3,3\n")
    for measure in (CLEARANCE, CREEPAGE):
        values = [read.required(measure, OUTER_BASIC, 150, how) for how in (INTERPOLATE, NEXT)]
        assert [v.value for v in values if v] == [2.0, 3.0]


def test_above_the_last_row_is_an_error_never_an_extrapolation(tmp_path: Path) -> None:
    read = table(tmp_path, "voltage,clearance\n100,1\n200,3\n")
    with pytest.raises(
        TableError, match=r"^spacing\.csv:3: 200\.1 V is above the last clearance row .*200 V"
    ):
        read.required(CLEARANCE, OUTER_BASIC, 200.1, NEXT)


def test_filters_pick_rows_and_empty_cells_match_all(tmp_path: Path) -> None:
    read = table(
        tmp_path,
        "where,insulation,pollution_degree,material_group,voltage,clearance\n"
        "outer,basic,,,250,1.5\n"
        "outer,reinforced,,,250,3\n"
        "inner,,2,,250,0.4\n"
        "any,functional,1,I,250,0.1\n",
    )

    def asked(where: str, insulation: str, degree: int = 2, group: str = "IIIa") -> float | None:
        found = read.required(CLEARANCE, Query(where, insulation, degree, group), 250, NEXT)
        return found.value if found else None

    assert asked("outer", "basic") == 1.5
    assert asked("outer", "reinforced") == 3
    assert asked("inner", "reinforced") == 0.4
    assert asked("inner", "basic", degree=1) is None
    assert asked("through", "functional", 1, "I") == 0.1
    assert asked("through", "basic") is None


def test_group_iii_covers_both_of_its_halves(tmp_path: Path) -> None:
    """IEC 60664-1:2007, 4.8.1.3: IIIa and IIIb share the column III of table F.4."""
    read = table(tmp_path, "voltage,creepage,material_group\n250,2.5,III\n250,1.25,I\n")
    for group, value in (("IIIa", 2.5), ("IIIb", 2.5), ("I", 1.25)):
        found = read.required(CREEPAGE, Query("outer", "basic", 2, group), 250, NEXT)
        assert found is not None
        assert found.value == value
    assert read.required(CREEPAGE, Query("outer", "basic", 2, "II"), 250, NEXT) is None


def test_rows_without_a_distance_say_nothing_of_it(tmp_path: Path) -> None:
    read = table(tmp_path, "voltage,clearance,creepage\n100,1,\n200,,4\n")
    clearance = read.required(CLEARANCE, OUTER_BASIC, 100, NEXT)
    creepage = read.required(CREEPAGE, OUTER_BASIC, 100, NEXT)
    assert clearance is not None
    assert creepage is not None
    assert (clearance.value, creepage.value) == (1, 4)


def test_reinforced_is_what_the_table_says(tmp_path: Path) -> None:
    """No factor is hidden: a table without insulation column gives the same for all."""
    read = table(tmp_path, "voltage,creepage\n250,2.5\n")
    found = read.required(CREEPAGE, Query("outer", "reinforced", 2, "IIIa"), 250, INTERPOLATE)
    assert found is not None
    assert found.value == 2.5


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", r"spacing\.csv: the spacing table is empty"),
        ("voltage,clearance\n", r"spacing\.csv:1: .* no rows"),
        ("clearance\n1\n", r"spacing\.csv:1: no column `voltage`"),
        ("voltage\n1\n", r"spacing\.csv:1: no column `clearance` or `creepage`"),
        (
            "voltage,clearence\n1,1\n",
            r"spacing\.csv:1: column 2 is unknown: is `clearance` meant\?",
        ),
        (
            "voltage,clearance,altitude\n1,1,2000\n",
            r"spacing\.csv:1: column 3 is unknown: known are",
        ),
        ("voltage,voltage,clearance\n1,1,1\n", r"spacing\.csv:1: column `voltage` stands twice"),
        ("voltage,clearance\n1,1,1\n", r"spacing\.csv:2: 3 cells under 2 columns"),
        ("voltage,clearance\n,1\n", r"spacing\.csv:2: no voltage"),
        ("voltage,clearance\n1,\n", r"spacing\.csv:2: neither clearance nor creepage"),
        ("voltage,clearance\n1,-1\n", r"spacing\.csv:2: clearance is no number from 0 up"),
        ("voltage,clearance\n1,nan\n", r"spacing\.csv:2: clearance is no number"),
        ("voltage,clearance\n1,1.0 mm\n", r"spacing\.csv:2: clearance is no number"),
        (
            "voltage;clearance\n1;1\n",
            r"spacing\.csv:1: the columns stand apart by no commas: save it with commas",
        ),
        ('voltage,clearance\n1,"1\n', r"spacing\.csv:2: no CSV"),
        (
            "voltage,clearance,where\n1,1,top\n",
            r"spacing\.csv:2: where is unknown: use one of outer",
        ),
        ("voltage,clearance,insulation\n1,1,double\n", r"spacing\.csv:2: insulation is unknown"),
        (
            "voltage,clearance,pollution_degree\n1,1,4\n",
            r"spacing\.csv:2: pollution_degree is unknown",
        ),
        (
            "voltage,clearance,material_group\n1,1,IV\n",
            r"spacing\.csv:2: material_group is unknown",
        ),
    ],
)
def test_what_is_not_understood_is_an_error_that_names_the_line(
    tmp_path: Path, text: str, complaint: str
) -> None:
    with pytest.raises(TableError, match=f"^{complaint}"):
        table(tmp_path, text)


def test_rows_that_contradict_each_other_are_an_error_that_names_both(tmp_path: Path) -> None:
    read = table(tmp_path, "voltage,clearance,where\n250,3,outer\n250,3,any\n250,4,any\n")
    with pytest.raises(
        TableError, match=r"^spacing\.csv:4: lines 3 and 4 both match and give 3 and 4 mm clearance"
    ):
        read.required(CLEARANCE, OUTER_BASIC, 250, NEXT)


def test_a_distance_that_falls_as_the_voltage_rises_is_an_error(tmp_path: Path) -> None:
    read = table(tmp_path, "voltage,clearance\n100,3\n250,1\n")
    with pytest.raises(
        TableError, match=r"^spacing\.csv:3: clearance falls from 3 mm at 100 V \(line 2\) to 1 mm"
    ):
        read.required(CLEARANCE, OUTER_BASIC, 100, NEXT)


def test_a_missing_file_and_a_binary_one_are_errors(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"^t\.csv: the spacing table cannot be read"):
        read_table(tmp_path / "t.csv", "t.csv")
    (tmp_path / "t.csv").write_bytes(b"\xff\xfe\x00voltage")
    with pytest.raises(TableError, match=r"^t\.csv: the spacing table is no UTF-8 text"):
        read_table(tmp_path / "t.csv", "t.csv")


def test_comments_blank_lines_order_and_byte_order_mark_do_not_matter(tmp_path: Path) -> None:
    plain = table(tmp_path, "voltage,clearance\n100,1\n250,3\n")
    spoken = table(tmp_path, "\ufeff# an example\n\nvoltage,clearance\n\n250,3\n# note\n100,1\n")
    for voltage in (50, 100, 150, 250):
        values = [t.required(CLEARANCE, OUTER_BASIC, voltage, NEXT) for t in (plain, spoken)]
        assert [v.value for v in values if v] == [values[0].value if values[0] else None] * 2
    assert spoken.required(CLEARANCE, OUTER_BASIC, 250, NEXT).rows.startswith("spacing.csv:5 ")  # type: ignore[union-attr]


def test_the_fingerprint_is_that_of_the_bytes(tmp_path: Path) -> None:
    """SHA-256 of the two-line file, by the sha256sum command."""
    read = table(tmp_path, "voltage,clearance\n1,1\n")
    assert read.sha256 == "c4044126f02ff9f1c99c02870a9f184587a32f764c3b8f766d1b62b415242b6d"


@given(
    rows=st.dictionaries(st.integers(1, 2000), st.integers(1, 500), min_size=1, max_size=12),
    voltage=st.floats(0, 2000, allow_nan=False),
)
def test_interpolation_never_asks_for_more_than_the_next_row_nor_less_than_the_row_before(
    tmp_path_factory: pytest.TempPathFactory, rows: dict[int, int], voltage: float
) -> None:
    ordered = dict(zip(sorted(rows), sorted(rows.values()), strict=True))
    read = table(tmp_path_factory.mktemp("t"), column(dict(ordered), CREEPAGE))
    if voltage > max(ordered):
        with pytest.raises(TableError):
            read.required(CREEPAGE, OUTER_BASIC, voltage, INTERPOLATE)
        return
    between, upper = (
        read.required(CREEPAGE, OUTER_BASIC, voltage, how) for how in (INTERPOLATE, NEXT)
    )
    assert between is not None
    assert upper is not None
    below = [d for v, d in ordered.items() if v <= voltage]
    assert (
        (below[-1] if below else min(ordered.values())) - 1e-9
        <= between.value
        <= upper.value + 1e-9
    )
