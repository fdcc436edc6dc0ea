"""One board of a fleet as a pure function: bytes of the package and of its rules in, a row out.

Nothing is read from the caller's disk, so that the same function serves a process pool and a
cluster whose workers see other disks; a worker that dies costs this board and no other.
"""

from __future__ import annotations

import hashlib
import json
import re
import resource
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from checker.app import output, run
from checker.app.fleet.packages import Package
from checker.findings import Level
from checker.results.outcome import Outcome
from checker.results.version import tool_version
from parsers.trouble import InputError

UNREADABLE, LOST, UNCHECKED = "unreadable", "worker lost", "not checked"
DATED = re.compile(
    # attribute of Gerber files and drills, key of job files
    rb"CreationDate[\"']?[,:]\s*[\"']?(\d{4}-\d\d-\d\d)"
    rb"|<HistoryRecord[^>]*origination=\"(\d{4}-\d\d-\d\d)"  # IPC-2581
)
Files = Mapping[str, bytes]


@dataclass(frozen=True, slots=True)
class Parcel:
    """All that one check needs, to be sent to wherever it runs."""

    name: str
    single: bool  # one file, not a folder
    files: Files  # of the package, by path inside it
    rules: Files  # rules file and tables; the rules file is the first
    today: date

    @property
    def key(self) -> str:
        """Fingerprint of what the row depends on, the day apart."""
        total = hashlib.sha256(tool_version().encode())
        for files in (self.files, self.rules):
            for name, data in files.items():
                total.update(f"{name} {len(data)} {hashlib.sha256(data).hexdigest()}\n".encode())
        return total.hexdigest()


@dataclass(frozen=True, slots=True)
class Row:
    """What became of one board; plain values."""

    name: str
    key: str
    verdict: str  # pass | fail | incomplete | unreadable | worker lost | not checked
    code: int
    error: str = ""
    dated: str = ""  # day that the data state, ISO 8601; empty = undated
    rules: str = ""
    findings: dict[str, int] = field(default_factory=dict)  # by rule, waived ones left out
    levels: dict[str, int] = field(default_factory=dict)
    groups: int = 0
    doubts: tuple[str, ...] = ()  # causes of those that are not accepted
    seconds: float = 0.0  # of processor time
    today: str = ""  # only if a date was used

    def to_json(self) -> str:
        """One line of the ledger."""
        return json.dumps(asdict(self), sort_keys=True, ensure_ascii=False)

    @classmethod
    def from_json(cls, line: str) -> Row:
        """Read a line of the ledger; ValueError, TypeError or KeyError where it is torn."""
        values: dict[str, Any] = json.loads(line)
        return cls(**{**values, "doubts": tuple(values["doubts"])})


def packed(package: Package, today: date) -> Parcel:
    """Read a package and its rules from disk.

    Raises
    ------
    InputError, OSError : one of them cannot be read, or there are no rules
    """
    if package.rules is None:
        raise InputError(f"{package.name}: not checked: {package.why_no_rules}")
    single = not package.path.is_dir()
    files = (
        {package.path.name: package.path.read_bytes()} if single else dict(_files_of(package.path))
    )
    return Parcel(package.name, single, files, _rules_of(package.rules), today)


def check_parcel(parcel: Parcel) -> tuple[Row, bytes]:
    """Check one board; the row and its report as JSON, empty where there is none."""
    begin = time.process_time()
    with tempfile.TemporaryDirectory(prefix="moatcheck-fleet-") as scratch:
        board, rules = _laid_out(parcel, Path(scratch))
        try:
            checked = run.check(
                board, run.load_rules(rules), run.Options(today=parcel.today, jobs=1)
            )
        except InputError as error:
            told = str(error).replace(f"{scratch}/", "")
            return Row(parcel.name, parcel.key, UNREADABLE, 3, told, _dated(parcel)), b""
        report = output.render(checked, "json").encode()
    return _row(parcel, checked.outcome, time.process_time() - begin), report


def lost(parcel: Parcel, why: str) -> Row:
    """The row of a board whose worker did not come back."""
    return Row(parcel.name, parcel.key, LOST, 3, f"{parcel.name}: {why}", _dated(parcel))


def limit_memory(most: int) -> None:
    """Bound the address space of this process, in bytes: what needs more ends as one board's
    error.
    """
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (most, hard))


def limit_time(more: int) -> None:
    """End this process once it has used so many more seconds of processor time."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    _, hard = resource.getrlimit(resource.RLIMIT_CPU)
    resource.setrlimit(resource.RLIMIT_CPU, (int(used.ru_utime + used.ru_stime) + more, hard))


def _row(parcel: Parcel, outcome: Outcome, seconds: float) -> Row:
    told = [finding for finding in outcome.findings if finding.waived is None]
    open_doubts = [stated.doubt for stated in outcome.doubts if stated.accepted is None]
    return Row(
        name=parcel.name,
        key=parcel.key,
        verdict=outcome.verdict,
        code=run.exit_code(outcome),
        dated=_dated(parcel),
        rules=next(iter(parcel.rules)),
        findings=dict(sorted(Counter(finding.rule for finding in told).items())),
        levels={str(level): outcome.count(level) for level in sorted(Level, reverse=True)},
        groups=len({finding.group for finding in told}),
        doubts=tuple(_cause(doubt.what) for doubt in open_doubts),
        seconds=round(seconds, 2),
        today=parcel.today.isoformat() if outcome.today is not None else "",
    )


def _cause(what: str) -> str:
    """A doubt without its numbers and names, so that alike ones of many boards count together."""
    return re.sub(r'"[^"]*"|\S+\.\w{2,4}\b|\d[\d.]*', "*", what)


def _dated(parcel: Parcel) -> str:
    """The latest day that a file of the package states as its creation."""
    days = [
        (hit[1] or hit[2]).decode()
        for data in parcel.files.values()
        for hit in DATED.finditer(data)
    ]
    return max(days, default="")


def _files_of(folder: Path) -> Iterator[tuple[str, bytes]]:
    for path in sorted(folder.rglob("*")):
        if path.is_file() and not path.is_symlink():
            yield path.relative_to(folder).as_posix(), path.read_bytes()


def _rules_of(path: Path) -> dict[str, bytes]:
    """The rules file and the tables that it names, those that exist; a wrong rules file is told by
    its reader.
    """
    data = path.read_bytes()
    files = {path.name: data}
    try:
        held = tomllib.loads(data.decode())
        entries = [entry for key in ("barrier", "spacing") for entry in held.get(key, [])]
        names = [entry["table"] for entry in entries if isinstance(entry.get("table"), str)]
    except (ValueError, AttributeError, TypeError):
        return files
    for name in names:
        table = path.parent / name
        if table.is_file() and table.resolve().is_relative_to(path.parent.resolve()):
            files[Path(name).as_posix()] = table.read_bytes()
    return files


def _laid_out(parcel: Parcel, scratch: Path) -> tuple[Path, Path]:
    """Write a parcel to a folder; the paths of its board and of its rules file."""
    folder = scratch / "board" / (parcel.name.rsplit("/", 1)[-1] if not parcel.single else "")
    for below, files in ((folder, parcel.files), (scratch / "rules", parcel.rules)):
        for name, data in files.items():
            target = below / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(data)
    board = folder / next(iter(parcel.files)) if parcel.single else folder
    return board, scratch / "rules" / next(iter(parcel.rules))
