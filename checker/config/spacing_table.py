"""The user's spacing table: a CSV of required clearance and creepage, and how a voltage is looked
up in it.

Header row, then one row per voltage. Columns: `voltage` (V) and one or both of `clearance`,
`creepage` (mm); optional
filters `where` (outer | inner | through | any), `insulation`, `pollution_degree`, `material_group`.
  An empty filter
cell matches everything; an empty distance cell says nothing; `III` covers IIIa and IIIb. Lines that
start with `#` are comments. Any other column is an error: a condition that is not understood must
not be passed over.

All rows that match a query are used together. Two of them with the same voltage must agree, and a
distance may not fall as the voltage rises; both are errors that name the lines. A voltage below the
first row takes the first row, one above the last row is an error, never an extrapolation. Between
rows creepage is interpolated and clearance takes the next higher row, unless the rules file says
otherwise. Nothing is multiplied or added: reinforced insulation is what the table says it is.
Errors name line and column and never what stands there: a path given by mistake must not have its
file printed into a report.
"""

from __future__ import annotations

import csv
import difflib
import hashlib
import io
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from parsers.trouble import InputError, Place

CLEARANCE, CREEPAGE = "clearance", "creepage"
OUTER, INNER, THROUGH, ANY = "outer", "inner", "through", "any"
INTERPOLATE, NEXT = "interpolate", "next"

_DISTANCES = (CLEARANCE, CREEPAGE)
_FILTERS: dict[str, tuple[str, ...]] = {
    "where": (OUTER, INNER, THROUGH, ANY),
    "insulation": ("functional", "basic", "reinforced"),
    "pollution_degree": ("1", "2", "3"),
    "material_group": ("I", "II", "III", "IIIa", "IIIb"),
}
_SUBGROUPS = {"III": ("IIIa", "IIIb")}
_COLUMNS = ("voltage", *_DISTANCES, *_FILTERS)


class TableError(InputError):
    """A spacing table that cannot be read, contradicts itself, or does not reach the voltage asked
    for.
    """


@dataclass(frozen=True, slots=True)
class Query:
    """What insulation a distance is asked for."""

    where: str  # OUTER | INNER | THROUGH
    insulation: str
    pollution_degree: int
    material_group: str

    def __str__(self) -> str:
        return (
            f"{self.where}, {self.insulation}, pollution degree {self.pollution_degree}, group"
            f" {self.material_group}"
        )


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table; None where a cell is empty."""

    line: int
    voltage: float
    distances: tuple[float | None, float | None]  # clearance, creepage
    filters: tuple[str | None, ...]  # in the order of the filter columns

    def distance(self, measure: str) -> float | None:
        """The row's clearance or creepage in mm."""
        return self.distances[_DISTANCES.index(measure)]

    def matches(self, query: Query) -> bool:
        """Whether every filter cell is empty or agrees."""
        asked = (query.where, query.insulation, str(query.pollution_degree), query.material_group)
        return all(
            cell is None or want == cell or want in _SUBGROUPS.get(cell, ())
            for cell, want in zip(self.filters, asked, strict=True)
        )


@dataclass(frozen=True, slots=True)
class Required:
    """A required distance and where it comes from."""

    measure: str  # CLEARANCE | CREEPAGE
    where: str
    value: float  # mm
    voltage: float  # V, as asked
    rows: str  # "spacing.csv:7 (250 V)": the rows used and how


@dataclass(frozen=True, slots=True)
class SpacingTable:
    """A table as read."""

    path: str  # as the rules file names it
    sha256: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]

    def has(self, measure: str) -> bool:
        """Whether the table has that distance column at all."""
        return measure in self.columns

    def covers(self, measure: str, query: Query) -> bool:
        """Whether any row answers the query, whatever the voltage."""
        return bool(self._matching(measure, query))

    def required(self, measure: str, query: Query, voltage: float, between: str) -> Required | None:
        """Look up a distance.

        Parameters
        ----------
        measure : CLEARANCE or CREEPAGE
        voltage : V
        between : INTERPOLATE or NEXT, for a voltage between two rows

        Returns
        -------
        None if no row matches the query

        Raises
        ------
        TableError : rows that contradict each other, or a voltage above the last row
        """
        rows = self._consistent(measure, self._matching(measure, query))
        if not rows:
            return None
        at = next((i for i, (row, _) in enumerate(rows) if row.voltage >= voltage), None)
        if at is None:
            last = rows[-1][0]
            raise TableError(
                f"{voltage:g} V is above the last {measure} row for {query} ({last.voltage:g} V):"
                " add a row, nothing is extrapolated",
                Place(self.path, last.line),
            )
        value, text = _read_off(rows, at, voltage, between)
        return Required(measure, query.where, value, voltage, f"{self.path}:{text}")

    def _matching(self, measure: str, query: Query) -> list[tuple[Row, float]]:
        found = [(row, row.distance(measure)) for row in self.rows if row.matches(query)]
        return sorted(
            ((r, d) for r, d in found if d is not None),
            key=lambda pair: (pair[0].voltage, pair[0].line),
        )

    def _consistent(self, measure: str, rows: list[tuple[Row, float]]) -> list[tuple[Row, float]]:
        for (row, value), (other, next_value) in pairwise(rows):
            if row.voltage == other.voltage and value != next_value:
                raise TableError(
                    f"lines {row.line} and {other.line} both match and give {value:g} and"
                    f" {next_value:g} mm {measure} for {row.voltage:g} V: tell them apart by a"
                    " filter column",
                    Place(self.path, other.line),
                )
            if next_value < value:
                raise TableError(
                    f"{measure} falls from {value:g} mm at {row.voltage:g} V (line {row.line}) to"
                    f" {next_value:g} mm at {other.voltage:g} V: correct the table",
                    Place(self.path, other.line),
                )
        return rows


def _read_off(
    rows: Sequence[tuple[Row, float]], at: int, voltage: float, between: str
) -> tuple[float, str]:
    upper, value = rows[at]
    text = f"{upper.line} ({upper.voltage:g} V)"
    if upper.voltage == voltage:
        return value, text
    if at == 0:
        return value, f"{text}, the first row"
    if between == NEXT:
        return value, f"{text}, the next higher row"
    lower, least = rows[at - 1]
    share = (voltage - lower.voltage) / (upper.voltage - lower.voltage)
    return (
        least + share * (value - least),
        f"{lower.line} and {upper.line} ({lower.voltage:g} and {upper.voltage:g} V), interpolated",
    )


def read_table(path: Path, name: str | None = None) -> SpacingTable:
    """Read a table.

    Parameters
    ----------
    path : where the file is
    name : how reports and errors call it, usually the path as the rules file has it

    Raises
    ------
    TableError : no such file, or anything in it that is not understood
    """
    name = name or str(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise TableError(
            f"the spacing table cannot be read ({error.strerror}): correct `table`", Place(name)
        ) from error
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableError(
            "the spacing table is no UTF-8 text: save it as CSV in UTF-8", Place(name)
        ) from error
    columns, rows = _parse(text, name)
    return SpacingTable(name, hashlib.sha256(data).hexdigest(), columns, rows)


def _parse(text: str, name: str) -> tuple[tuple[str, ...], tuple[Row, ...]]:
    lines = _cells(text, name)
    if not lines:
        raise TableError("the spacing table is empty: it needs a header row and rows", Place(name))
    line, header = lines[0]
    columns = tuple(cell.strip() for cell in header)
    _check_header(columns, Place(name, line))
    rows = tuple(_row(columns, cells, Place(name, line)) for line, cells in lines[1:])
    if not rows:
        raise TableError("the spacing table has a header and no rows: add rows", Place(name, line))
    return columns, rows


def _cells(text: str, name: str) -> list[tuple[int, list[str]]]:
    """Rows that are neither blank nor comment, with their line numbers."""
    reader = csv.reader(io.StringIO(text), strict=True)
    try:
        found = [(reader.line_num, cells) for cells in reader]
    except csv.Error as error:
        raise TableError(
            f"no CSV ({error}): correct this line", Place(name, reader.line_num)
        ) from error
    return [
        (line, cells)
        for line, cells in found
        if any(map(str.strip, cells)) and cells[0].lstrip()[:1] != "#"
    ]


def _check_header(columns: Iterable[str], place: Place) -> None:
    columns = list(columns)
    for number, column in enumerate(columns, 1):
        if column not in _COLUMNS:
            if ";" in column or "\t" in column:
                raise TableError(
                    "the columns stand apart by no commas: save it with commas, numbers like 12.5",
                    place,
                )
            near = difflib.get_close_matches(column.lower(), _COLUMNS, n=1, cutoff=0.5)
            meant = f"is `{near[0]}` meant?" if near else f"known are {', '.join(_COLUMNS)}"
            raise TableError(f"column {number} is unknown: {meant}", place)
        if columns.count(column) > 1:
            raise TableError(f"column `{column}` stands twice: keep one", place)
    if "voltage" not in columns:
        raise TableError("no column `voltage`: add it", place)
    if not set(columns) & set(_DISTANCES):
        raise TableError("no column `clearance` or `creepage`: add at least one", place)


def _row(columns: Sequence[str], cells: Sequence[str], place: Place) -> Row:
    if len(cells) != len(columns):
        raise TableError(
            f"{len(cells)} cells under {len(columns)} columns: correct this line", place
        )
    by_name = {column: cell.strip() for column, cell in zip(columns, cells, strict=True)}
    voltage = _number("voltage", by_name["voltage"], place)
    if voltage is None:
        raise TableError("no voltage in this row: fill it in", place)
    clearance, creepage = (
        _number(measure, by_name.get(measure, ""), place) for measure in _DISTANCES
    )
    if clearance is None and creepage is None:
        raise TableError(
            "neither clearance nor creepage in this row: fill one in or delete the row", place
        )
    filters = tuple(_filter(name, by_name.get(name, ""), place) for name in _FILTERS)
    return Row(place.line or 0, voltage, (clearance, creepage), filters)


def _number(name: str, cell: str, place: Place) -> float | None:
    if not cell:
        return None
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value < 0:
        raise TableError(f"{name} is no number from 0 up: write it like 12.5", place)
    return value


def _filter(name: str, cell: str, place: Place) -> str | None:
    if not cell or (name == "where" and cell == ANY):
        return None
    same: Callable[[str], bool] = lambda known: known.lower() == cell.lower()  # noqa: E731
    known = next(filter(same, _FILTERS[name]), None)
    if known is None:
        raise TableError(
            f"{name} is unknown: use one of {', '.join(_FILTERS[name])}, or leave it empty", place
        )
    return known if known != ANY else None
