"""The table of a fleet: a row a board, as CSV, and as Parquet where pyarrow is installed."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from checker.app.fleet.task import Row

RISKY = ("=", "+", "-", "@", "\t", "\r")  # how a cell begins that a spreadsheet would run


def columns(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Rows as flat records with the same keys in the same order; a column for each rule that found
    something.
    """
    rules = sorted({rule for row in rows for rule in row.findings})
    return [
        {
            "board": row.name,
            "verdict": row.verdict,
            "dated": row.dated,
            "errors": row.levels.get("error", 0),
            "warnings": row.levels.get("warning", 0),
            "notes": row.levels.get("note", 0),
            "places": row.groups,
            "doubts": len(row.doubts),
            **{rule: row.findings.get(rule, 0) for rule in rules},
            "processor_seconds": row.seconds,
            "rules": row.rules,
            "trouble": row.error,
        }
        for row in rows
    ]


def as_csv(rows: Sequence[Row]) -> bytes:
    """The table as CSV with a header row."""
    records = columns(rows)
    stream = io.StringIO()
    if records:
        writer = csv.DictWriter(stream, list(records[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(
            {key: _harmless(value) for key, value in record.items()} for record in records
        )
    return stream.getvalue().encode()


def as_parquet(rows: Sequence[Row]) -> bytes | None:
    """The table as Parquet; None where pyarrow is not installed."""
    try:
        import pyarrow  # noqa: PLC0415 - an extra
        import pyarrow.parquet  # noqa: PLC0415
    except ImportError:
        return None
    sink = pyarrow.BufferOutputStream()
    pyarrow.parquet.write_table(pyarrow.Table.from_pylist(columns(rows)), sink)
    return bytes(sink.getvalue())


def _harmless(value: Any) -> Any:
    return f"'{value}" if isinstance(value, str) and value.startswith(RISKY) else value
