"""Packages under some folders, checked on processes of this machine and on a Dask cluster, resumed,
and told.
"""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import zipfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from checker import demo
from checker.app import lanes, output
from checker.app.fleet import engine
from checker.app.fleet.ledger import NAME, Ledger
from checker.app.fleet.packages import Package, find_packages, rules_of
from checker.app.fleet.page import as_page
from checker.app.fleet.run import Fleet, run_fleet, worst_code
from checker.app.fleet.table import as_csv, as_parquet
from checker.app.fleet.task import LOST, Parcel, Row, check_parcel, packed
from checker.cli import main
from tests.reports.sample import SAFETY

TODAY = date(2026, 11, 30)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three boards (one as a zip), one without rules, one that is no board, and files that are
    none.
    """
    top = tmp_path_factory.mktemp("archive")
    for name in ("battery", "single-tie-faulty"):
        demo.write(name, top / "2024" / name)
    written = demo.write("battery", top / "2025" / "zipped")
    with zipfile.ZipFile(top / "2025" / "zipped" / "fab.zip", "w") as packed_up:
        for file in sorted(written.board.rglob("*")):
            packed_up.write(file, file.relative_to(written.board))
            file.unlink()
        written.board.rmdir()
    demo.write("battery", top / "2025" / "lawless").rules.unlink()
    (top / "2025" / "broken").mkdir()
    (top / "2025" / "broken" / "board.zip").write_bytes(b"PK\x03\x04 and nothing after it")
    (top / "2025" / "broken" / "rules.toml").write_text("schema = 1\n")
    (top / "notes.txt").write_text("no board, though it speaks of `%FSLAX46Y46*%` and M48\n")
    for spare in top.rglob("board-*.xml"):
        if spare.name != "board-C.xml" or spare.parent.name != "single-tie-faulty":
            spare.unlink()
    return top


def verdicts(rows: list[Row]) -> dict[str, str]:
    return {row.name: row.verdict for row in rows}


EXPECTED = {
    "2024/battery/board": "pass",
    "2024/single-tie-faulty/board": "fail",
    "2024/single-tie-faulty/board-C.xml": "fail",
    "2025/broken/board.zip": "unreadable",
    "2025/lawless/board": "not checked",
    "2025/zipped/fab.zip": "pass",
}


@dataclass(frozen=True)
class Ran:
    """A fleet that ran to its end: where it wrote, and its rows."""

    out: Path
    rows: list[Row]


@pytest.fixture(scope="module")
def ran(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """The archive, checked once for the tests that only look at what came out."""
    out = tmp_path_factory.mktemp("ran")
    return Ran(out, run_fleet(Fleet([archive], out, jobs=2, today=TODAY)))


def test_every_package_under_a_folder_is_one_row(ran: Ran) -> None:
    rows, out = ran.rows, ran.out
    assert verdicts(rows) == EXPECTED
    assert worst_code(rows) == 3
    table = list(csv.DictReader(io.StringIO((out / "fleet.csv").read_text())))
    assert [entry["board"] for entry in table] == sorted(EXPECTED)
    assert int(table[1]["gap-crossing"]) >= 1
    page = (out / "fleet.html").read_text()
    assert SAFETY.split(":")[0] in page
    assert output.is_whole(out)
    assert all(name in page for name in EXPECTED)
    assert len(list((out / "boards").glob("*.json"))) == len(
        {row.key for row in rows if row.verdict in ("pass", "fail")}
    )


def test_a_second_run_checks_nothing_again_and_says_the_same(
    archive: Path, ran: Ran, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On one process or two: nothing is left to do."""
    shutil.copytree(ran.out, tmp_path, dirs_exist_ok=True)
    lines = (tmp_path / NAME).read_text().splitlines()
    tables = {name: (tmp_path / name).read_bytes() for name in ("fleet.csv", "fleet.html")}
    monkeypatch.setattr(
        lanes.Lane, "run", lambda *_: pytest.fail("a worker was started though all was known")
    )
    assert run_fleet(Fleet([archive], tmp_path, jobs=1, today=TODAY)) == ran.rows
    assert (tmp_path / NAME).read_text().splitlines() == lines
    assert tables == {name: (tmp_path / name).read_bytes() for name in tables}


def test_a_changed_rules_file_is_checked_again(archive: Path, tmp_path: Path) -> None:
    package = next(p for p in find_packages([archive], None) if p.name == "2024/battery/board")
    before = packed(package, TODAY).key
    other = tmp_path / "rules.toml"
    other.write_text((package.rules or other).read_text() + "\n# later\n")
    assert packed(Package(package.path, package.name, other), TODAY).key != before


def test_a_torn_line_of_the_ledger_costs_that_board_alone(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    for key in ("a", "b"):
        ledger.append(Row(key, key, "pass", 0))
    text = (tmp_path / NAME).read_text()
    (tmp_path / NAME).write_text(text[:-9])
    again = Ledger(tmp_path)
    assert (again.row("a", ""), again.row("b", "")) == (Row("a", "a", "pass", 0), None)
    again.append(Row("b", "b", "fail", 1))
    assert Ledger(tmp_path).row("b", "") == Row("b", "b", "fail", 1)


def test_a_row_that_used_a_date_holds_on_that_day_only(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    ledger.append(Row("a", "a", "pass", 0, today="2026-11-30"))
    assert ledger.row("a", "2026-11-30") is not None
    assert ledger.row("a", "2026-12-01") is None


def kill_on_single_tie(parcel: Parcel) -> tuple[Row, bytes]:
    """Stands for a board that takes all memory."""
    if "single-tie" in parcel.name:
        os.kill(os.getpid(), signal.SIGKILL)
    return check_parcel(parcel)


def test_a_board_that_kills_its_worker_is_one_line(archive: Path) -> None:
    packages = [p for p in find_packages([archive], None) if p.rules is not None]
    parcels = [lambda package=package: packed(package, TODAY) for package in packages]
    rows = [row for row, _ in engine.in_processes(parcels, 2, kill_on_single_tie)]
    wanted = {name: verdict for name, verdict in EXPECTED.items() if verdict != "not checked"}
    assert verdicts(rows) == {**wanted, **{name: LOST for name in wanted if "single-tie" in name}}


def test_a_cluster_gives_the_same_rows_though_a_worker_is_killed(archive: Path, ran: Ran) -> None:
    """Two worker processes under a real scheduler of this machine; one is killed as soon as a row
    is there.
    """
    distributed = pytest.importorskip("distributed")
    here = {row.name: row for row in ran.rows if row.verdict != "not checked"}
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
    ) as cluster:
        there = []
        for row, report in engine.on_cluster(_opened(archive), cluster.scheduler_address):
            if not there:
                os.kill(cluster.workers[0].pid, signal.SIGKILL)
            there.append(row)
            assert bool(report) == (row.verdict in ("pass", "fail"))
    assert {row.name: row.verdict for row in there} == {n: row.verdict for n, row in here.items()}
    assert {row.name: row.findings for row in there} == {n: row.findings for n, row in here.items()}


def _opened(archive: Path) -> engine.Parcels:
    packages = [p for p in find_packages([archive], None) if p.rules is not None]
    return [lambda package=package: packed(package, TODAY) for package in packages]


@pytest.mark.parametrize("address", ["local:none", "local:", "tcp://127.0.0.1:9"])
def test_a_cluster_that_is_not_there_is_one_line(
    archive: Path, tmp_path: Path, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(engine, "ANSWER", 1)
    result = CliRunner().invoke(
        main, ["fleet", str(archive), "--out", str(tmp_path), "--cluster", address]
    )
    assert result.exit_code == 3
    assert address in result.output
    assert len(result.output.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("files", "pattern", "found"),
    [
        (["fab/rules.toml", "fab/a.gbr"], None, "fab/rules.toml"),
        (["rules.toml", "fab/a.gbr"], None, "rules.toml"),
        (["fab.toml", "fab/a.gbr"], "{name}.toml", "fab.toml"),
        (["rules-c.toml", "fab/a.gbr"], "rules-*.toml", "rules-c.toml"),
        (["rules-b.toml", "rules-c.toml", "fab/a.gbr"], "rules-*.toml", None),
        (["fab/a.gbr"], None, None),
    ],
)
def test_each_package_finds_its_rules(
    tmp_path: Path, files: list[str], pattern: str | None, found: str | None
) -> None:
    for name in files:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("%FSLAX46Y46*%\n")
    rules, why = rules_of(tmp_path / "fab", pattern)
    assert rules == (tmp_path / found if found else None)
    assert bool(why) == (found is None)


def test_gerbers_and_drills_in_folders_of_their_own_are_one_package(tmp_path: Path) -> None:
    for name, text in {
        "b/gerber/top.gbr": "%FSLAX46Y46*%\n",
        "b/drill/holes.drl": "M48\nMETRIC\n",
    }.items():
        (tmp_path / name).parent.mkdir(parents=True)
        (tmp_path / name).write_text(text)
    assert [package.name for package in find_packages([tmp_path], None)] == ["b"]


@pytest.mark.parametrize(
    ("text", "dated"),
    [
        ("%TF.CreationDate,2024-03-05T10:00:00+01:00*%", "2024-03-05"),
        ('{"Header": {"CreationDate": "2023-02-01T00:00:00Z"}}', "2023-02-01"),
        ('<HistoryRecord number="1" origination="2022-01-02T00:00:00" />', "2022-01-02"),
        ("nothing", ""),
    ],
)
def test_the_day_is_the_one_that_the_data_state(tmp_path: Path, text: str, dated: str) -> None:
    parcel = Parcel(
        "x",
        single=True,
        files={"x.zip": text.encode()},
        rules={"rules.toml": b"schema = 1"},
        today=TODAY,
    )
    assert check_parcel(parcel)[0].dated == dated


HOSTILE = Row(
    '<img src=x onerror="1">', "k", "unreadable", 3, "=cmd|' /C'!A1 <script>", "2024-01-01"
)


def test_names_stay_text_in_table_and_page() -> None:
    assert b"<img" not in as_page([HOSTILE])
    assert b"<script" not in as_page([HOSTILE])
    assert next(csv.DictReader(io.StringIO(as_csv([HOSTILE]).decode())))["trouble"].startswith("'=")


def test_parquet_holds_the_same_table(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    rows = [
        Row("a", "k", "fail", 1, findings={"creepage": 2}, levels={"error": 2}),
        Row("b", "l", "pass", 0),
    ]
    data = as_parquet(rows)
    assert data is not None
    (tmp_path / "t.parquet").write_bytes(data)
    assert parquet.read_table(tmp_path / "t.parquet").to_pylist()[0]["creepage"] == 2


def test_tables_of_an_earlier_run_go_first_and_foreign_ones_stay(
    archive: Path, tmp_path: Path
) -> None:
    (tmp_path / "fleet.csv").write_text("mine")
    result = CliRunner().invoke(main, ["fleet", str(archive), "--out", str(tmp_path)])
    assert (result.exit_code, (tmp_path / "fleet.csv").read_text()) == (3, "mine")
    assert len(result.output.strip().splitlines()) == 1
    (tmp_path / "fleet.csv").unlink()
    (tmp_path / "empty").mkdir()
    output.finish(tmp_path, {"fleet.csv": b"old", "fleet.html": b"old"})
    result = CliRunner().invoke(main, ["fleet", str(tmp_path / "empty"), "--out", str(tmp_path)])
    assert result.exit_code == 3
    assert not list(tmp_path.glob("fleet.*"))
    assert not output.is_whole(tmp_path)


STOPS = """
import sys, time
from checker.app.fleet.ledger import Ledger
from checker.cli import main
append = Ledger.append
def once(self, row):
    append(self, row)
    print("appended", flush=True)
    while True:
        time.sleep(0.05)
Ledger.append = once
main(sys.argv[1:], prog_name="moatcheck")
"""


def test_an_interrupted_run_goes_on_where_it_stopped(archive: Path, tmp_path: Path) -> None:
    """Killed after its first row; the second run adds the rest, and no board stands twice in the
    ledger.
    """
    words = [sys.executable, "-c", STOPS, "fleet", str(archive), "--out", str(tmp_path)]
    with subprocess.Popen(
        [*words, "--jobs", "1", "--today", "2026-11-30"], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "appended\n"
        process.kill()
    assert len((tmp_path / NAME).read_text().splitlines()) == 1
    assert not (tmp_path / "fleet.csv").exists()
    assert verdicts(run_fleet(Fleet([archive], tmp_path, jobs=1, today=TODAY))) == EXPECTED
    keys = [json.loads(line)["key"] for line in (tmp_path / NAME).read_text().splitlines()]
    assert len(keys) == len(set(keys))
