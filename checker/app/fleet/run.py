"""A fleet from start to end: find packages, check what the ledger does not hold yet, write table
and page.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from checker.app import output
from checker.app.fleet import engine
from checker.app.fleet.ledger import Ledger
from checker.app.fleet.packages import Package, find_packages
from checker.app.fleet.page import as_page
from checker.app.fleet.table import as_csv, as_parquet
from checker.app.fleet.task import UNCHECKED, UNREADABLE, Parcel, Row, packed
from parsers.trouble import InputError

RESULTS = ("fleet.csv", "fleet.html", "fleet.parquet")
Progress = Callable[[int, int, Row], None]  # done, of how many, the latest


@dataclass(frozen=True, slots=True)
class Fleet:
    """What to check, and where."""

    roots: Sequence[Path]
    out: Path
    pattern: str | None = None  # of rules files
    jobs: int = 1
    cluster: str | None = None
    today: date | None = None  # None: the clock


def run_fleet(fleet: Fleet, progress: Progress = lambda *_: None) -> list[Row]:
    """Check every package under the roots; rows by name. Table and page are written whole at the
    end.

    Those of an earlier run are taken away first, so that they never look like this one's.

    Raises
    ------
    InputError : a root is no folder, nothing is found, the cluster does not answer, or a table or
        page is there that no run has written
    """
    output.begin_files(fleet.out, RESULTS)
    packages = find_packages(fleet.roots, fleet.pattern)
    if not packages:
        raise InputError(f"no package of fabrication data under {', '.join(map(str, fleet.roots))}")
    fleet.out.mkdir(parents=True, exist_ok=True)
    ledger, today = Ledger(fleet.out), fleet.today or date.today()
    parcels = [_opener(package, ledger, today) for package in packages]
    done = (
        engine.on_cluster(parcels, fleet.cluster)
        if fleet.cluster
        else engine.in_processes(parcels, fleet.jobs)
    )
    rows: list[Row] = []
    for row, report in done:
        _note(row, report, ledger, fleet.out)
        rows.append(row)
        progress(len(rows), len(packages), row)
    rows.sort(key=lambda row: row.name)
    output.finish(fleet.out, _results(rows))
    return rows


def worst_code(rows: Sequence[Row]) -> int:
    """3 if any board is unreadable, incomplete or not checked, else 1 if any has findings, else
    0.
    """
    return max((row.code for row in rows), default=0)


def _opener(package: Package, ledger: Ledger, today: date) -> engine.Opened:
    def opened() -> Parcel | Row:
        if package.rules is None:
            return Row(package.name, "", UNCHECKED, 3, package.why_no_rules)
        try:
            parcel = packed(package, today)
        except (InputError, OSError) as error:
            return Row(package.name, "", UNREADABLE, 3, str(error))
        earlier = ledger.row(parcel.key, today.isoformat())
        return parcel if earlier is None else replace(earlier, name=package.name)

    return opened


def _note(row: Row, report: bytes, ledger: Ledger, out: Path) -> None:
    """Keep a row that was not known, and its report, before the next board is waited for."""
    if report:
        output.write_file(out / "boards" / f"{row.key[:16]}.json", report)
    if row.key and ledger.row(row.key, row.today) is None:
        ledger.append(row)


def _results(rows: Sequence[Row]) -> dict[str, bytes]:
    files = dict(zip(RESULTS, (as_csv(rows), as_page(rows), as_parquet(rows)), strict=True))
    return {name: content for name, content in files.items() if content is not None}
