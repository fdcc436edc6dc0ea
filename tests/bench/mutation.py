"""How many single changes of the code no test notices: mutants of checker and parsers, each run
against its tests.

Three steps, from the project's folder (the first takes as long as the tests, the second some
seconds a mutant):

    COVERAGE_FILE=/tmp/m/all.coverage pytest --cov=checker --cov=parsers --cov-context=test
    --cov-report= \\
        --junitxml=/tmp/m/all.xml
    python -m tests.bench.mutation run /tmp/m --count 400 --seed 1     # goes on where it stopped
    python -m tests.bench.mutation list /tmp/m                         # survivors, and the rate

A mutant lives in a forked process that loads the one altered module in place of the file; no file
is written. It runs the tests that touch its line, those of its own room first, quick ones first,
until one fails. A change made while a module is loaded (constants, defaults) is held against the
tests that touch any line that names it, else the module. More processor time than LIMIT is a kill,
told apart. Survivors for which `equivalent_mutants.toml` holds a proof are counted apart. `run
--again` runs the survivors once more, `--tests FILE ...` with tests that the contexts do not know.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib.abc
import importlib.util
import json
import os
import random
import resource
import signal
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from types import CodeType
from typing import Any
from xml.etree import ElementTree

import pytest
from coverage import CoverageData

from tests.bench.alterations import alterations, altered, becomes

ROOT = Path(__file__).parents[2]
PROOFS = Path(__file__).with_name("equivalent_mutants.toml")
# seconds of tests, as they take unaltered: of a mutant's own room first, then of all
NEAR, ALL = (15.0, 60.0)
LIMIT = 90  # seconds of processor time; a mutant that needs more hangs
MEMORY = 6 << 30
OUT = ("checker/demo",)  # coordinates of invented boards, all held by golden files


@dataclass(frozen=True, slots=True)
class Mutant:
    """One alteration of one module; `text` is what stands there, `told` what becomes of it."""

    path: str
    line: int
    node: int
    kind: str
    told: str

    @property
    def key(self) -> str:
        return f"{self.path}:{self.line}:{self.node}:{self.kind}"


@dataclass(frozen=True, slots=True)
class Known:
    """Which tests touch which lines, and how long each test takes (only those that passed)."""

    touching: dict[str, dict[int, set[str]]]
    seconds: dict[str, float]

    def tests(self, mutant: Mutant, more: Sequence[str]) -> list[list[str]]:
        """Tests in the order in which they are tried: two rounds, the nearest and quickest
        first.
        """
        found = {
            test
            for line in _lines(mutant)
            for test in self.touching.get(mutant.path, {}).get(line, ())
        }
        if not found:
            found = {
                test for tests in self.touching.get(mutant.path, {}).values() for test in tests
            }
        timed = sorted((self.seconds[test], test) for test in found if test in self.seconds)
        near = [(s, test) for s, test in timed if _near(test, mutant.path)] or timed[:40]
        first = list(_within(near, NEAR))
        rest = [test for test in _within(timed, ALL) if test not in set(first)]
        return [[*more], first, rest]


def _lines(mutant: Mutant) -> set[int]:
    """The line of a mutant; of what is done while the module is loaded, all lines that name what it
    makes.
    """
    tree = ast.parse((ROOT / mutant.path).read_text(encoding="utf-8"))
    functions = [f for f in ast.walk(tree) if isinstance(f, ast.FunctionDef)]
    around = [f for f in functions if f.lineno <= mutant.line <= (f.end_lineno or f.lineno)]
    inside = [f for f in around if mutant.line >= f.body[0].lineno]
    if mutant.kind == "nothing" or (around and not inside):
        body = max(around, key=lambda f: f.lineno).body
        return {line for s in body for line in range(s.lineno, (s.end_lineno or s.lineno) + 1)}
    if inside:
        return _statement(inside, mutant.line)
    made = [s for s in tree.body if s.lineno <= mutant.line <= (s.end_lineno or s.lineno)]
    names = {
        n.id
        for s in made
        for n in ast.walk(s)
        if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)
    }
    return {
        n.lineno
        for n in ast.walk(tree)
        if isinstance(n, ast.Name) and n.id in names and n.lineno != mutant.line
    }


def _statement(functions: Sequence[ast.FunctionDef], line: int) -> set[int]:
    """The lines of the innermost simple statement, or of the head of a compound one, that hold a
    line.
    """
    spans = [
        (s.lineno, (s.body[0].lineno - 1 if hasattr(s, "body") else s.end_lineno) or s.lineno)
        for f in functions
        for s in ast.walk(f)
        if isinstance(s, ast.stmt)
    ]
    around = [(last - first, first, last) for first, last in spans if first <= line <= last]
    _, first, last = min(around, default=(0, line, line))
    return set(range(first, last + 1))


def _near(test: str, path: str) -> bool:
    """Whether a test stands in the folder that mirrors the one of a module, or is named as the
    module.
    """
    room, stem = path.split("/")[1:-1], Path(path).stem
    where = test.split("::", maxsplit=1)[0].split("/")
    package = path.split("/", maxsplit=1)[0]
    folder = ["tests", "parsers", *room] if package == "parsers" else ["tests", *room]
    return (where[: len(folder)] == folder and len(folder) > 1) or stem in where[-1]


def _within(timed: Iterable[tuple[float, str]], budget: float) -> Iterator[str]:
    for seconds, test in timed:
        budget -= seconds + 0.01
        if budget < 0:
            return
        yield test


def known(folder: Path) -> Known:
    """What coverage contexts and durations in a folder tell."""
    touching: dict[str, dict[int, set[str]]] = {}
    for file in sorted(folder.glob("*.coverage")):
        data = CoverageData(str(file))
        data.read()
        for path in data.measured_files():
            name = _relative(path)
            for line, contexts in data.contexts_by_lineno(path).items():
                tests = {context.split("|")[0] for context in contexts if context}
                touching.setdefault(name, {}).setdefault(line, set()).update(tests)
    return Known(
        touching, {k: v for file in folder.glob("*.xml") for k, v in _durations(file).items()}
    )


def _relative(path: str) -> str:
    """A measured file as the project names it, wherever it was measured."""
    parts = Path(path).parts
    return "/".join(
        parts[max(i for i, part in enumerate(parts) if part in ("checker", "parsers")) :]
    )


def _durations(file: Path) -> dict[str, float]:
    """Seconds of each test that passed."""
    return {
        f"{case.get('classname', '').replace('.', '/')}.py::{case.get('name')}": float(
            case.get("time", 0)
        )
        for case in ElementTree.parse(file).iter("testcase")
        if not {child.tag for child in case} & {"failure", "error", "skipped"}
    }


def mutants() -> list[Mutant]:
    """All mutants, in the order of files and lines."""
    found = []
    for path in sorted(
        path for package in ("checker", "parsers") for path in (ROOT / package).rglob("*.py")
    ):
        name = path.relative_to(ROOT).as_posix()
        if not name.startswith(OUT):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            found += [Mutant(name, a.line, a.node, a.kind, a.told) for a in alterations(tree)]
    return sorted(found, key=lambda m: (m.path, m.line, m.node, m.kind))


def sample(everything: Sequence[Mutant], count: int, seed: int) -> list[Mutant]:
    """Some of all mutants, evenly over files and lines, in an order that is even from its start."""
    dice = random.Random(seed)
    step = max(1.0, len(everything) / count)
    start = dice.random() * step
    chosen = [everything[int(start + i * step)] for i in range(min(count, len(everything)))]
    dice.shuffle(chosen)
    return chosen


# --------------------------------------------------------------------------------------- one mutant


class _Loader(importlib.abc.MetaPathFinder, importlib.abc.InspectLoader):
    """Loads one module from altered code, as if it stood in the file."""

    def __init__(self, path: str, tree: ast.Module) -> None:
        self.file, self.text = ROOT / path, ast.unparse(tree)
        self.code: CodeType = compile(tree, str(self.file), "exec")
        self.package = self.file.name == "__init__.py"
        self.name = ".".join(Path(path).with_suffix("").parts).removesuffix(".__init__")

    def find_spec(self, name: str, *_: object) -> Any:
        if name != self.name:
            return None
        places = [str(self.file.parent)] if self.package else None
        return importlib.util.spec_from_file_location(
            name, self.file, loader=self, submodule_search_locations=places
        )

    def get_code(self, _: str) -> CodeType:
        return self.code

    def get_source(self, _: str) -> str:
        return self.text  # what a module declares is read from its text

    def is_package(self, _: str) -> bool:
        return self.package


class _Chosen:
    """A pytest plugin: only the named tests, in the order of their names, and hypothesis without
    shrinking.
    """

    def __init__(self, tests: Sequence[str]) -> None:
        self.order = {test: at for at, test in enumerate(tests)}
        self.failed = ""

    def pytest_sessionstart(self) -> None:
        from hypothesis import Phase, settings  # noqa: PLC0415 - pytest loads it first

        quick = settings(
            phases=[Phase.explicit, Phase.generate], database=None, deadline=None, print_blob=False
        )
        settings.register_profile("mutants", quick)
        settings.load_profile("mutants")

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        whole = {test for test in self.order if "::" not in test}
        kept = [i for i in items if i.nodeid in self.order or i.nodeid.split("::")[0] in whole]
        items[:] = sorted(kept, key=lambda item: self.order.get(item.nodeid, -1))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed = self.failed or report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            self.failed = self.failed or f"loading {report.nodeid}"


def outcome(mutant: Mutant, rounds: Sequence[Sequence[str]]) -> dict[str, Any]:
    """Run a mutant: `killed` by a test, `hung`, `survived`, or `untested` where no test touches
    it.
    """
    begin, tried = time.time(), 0
    for tests in (tests for tests in rounds if tests):
        tried += len(tests)
        status, by = _forked(mutant, tests)
        if status != "survived":
            return _record(mutant, status, by, tried, begin)
    return _record(mutant, "survived" if tried else "untested", "", tried, begin)


def _record(mutant: Mutant, status: str, by: str, tried: int, begin: float) -> dict[str, Any]:
    took = round(time.time() - begin, 1)
    return {
        "key": mutant.key,
        **asdict(mutant),
        "becomes": _becomes(mutant),
        "status": status,
        "by": by,
        "tests": tried,
        "seconds": took,
    }


def _becomes(mutant: Mutant) -> str:
    return becomes((ROOT / mutant.path).read_text(encoding="utf-8"), mutant.node, mutant.kind)


def _forked(mutant: Mutant, tests: Sequence[str]) -> tuple[str, str]:
    """One round in a process of its own, ended with all that it started."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.setsid()
        os.close(reading)
        _live(mutant, tests, writing)
    os.close(writing)
    with os.fdopen(reading) as stream:
        told = stream.readline()
    _, ended = os.waitpid(child, 0)
    _end_all(child)
    if not told:
        return (
            "hung" if os.WIFSIGNALED(ended) and os.WTERMSIG(ended) == signal.SIGXCPU else "killed"
        ), "its death"
    code, by = json.loads(told)
    return ("survived" if code == 0 else "killed"), by


def _end_all(group: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)


def _live(mutant: Mutant, tests: Sequence[str], told: int) -> None:
    """In the child: load the altered module, run the tests, tell the outcome, and end."""
    resource.setrlimit(resource.RLIMIT_CPU, (LIMIT, LIMIT + 5))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    quiet = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(quiet, stream)
    code, by = 1, "loading"
    try:
        tree = altered((ROOT / mutant.path).read_text(encoding="utf-8"), mutant.node, mutant.kind)
        sys.meta_path.insert(0, _Loader(mutant.path, tree))
        chosen = _Chosen(tests)
        files = list(dict.fromkeys(test.split("::")[0] for test in tests))
        code = int(
            pytest.main(
                ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:cov", *files], plugins=[chosen]
            )
        )
        by = chosen.failed
    finally:
        os.write(told, (json.dumps([code, by]) + "\n").encode())
        os._exit(0)


# ------------------------------------------------------------------------------------------ the run


def run(folder: Path, chosen: Sequence[Mutant], more: Sequence[str]) -> None:
    """Run mutants one after the other; each outcome is a line of results.jsonl."""
    what = known(folder)
    _load_libraries()
    with (folder / "results.jsonl").open("a", encoding="utf-8") as results:
        for number, mutant in enumerate(chosen, 1):
            record = outcome(mutant, what.tests(mutant, more))
            results.write(json.dumps(record) + "\n")
            results.flush()
            print(
                f"{number}/{len(chosen)} {record['status']} {mutant.key} {mutant.told[:90]}",
                flush=True,
            )


def _load_libraries() -> None:
    """What every child needs and no mutant changes is loaded once."""
    for name in ("numpy", "scipy.sparse.csgraph", "scipy.optimize", "shapely", "networkx", "lxml.etree",
                 "pyparsing", "rtree", "tomlkit", "click", "contourpy"):  # fmt: skip
        importlib.import_module(name)


def results(folder: Path) -> dict[str, dict[str, Any]]:
    """The last outcome of each mutant."""
    file = folder / "results.jsonl"
    lines = file.read_text(encoding="utf-8").splitlines() if file.exists() else []
    return {record["key"]: record for record in map(json.loads, lines)}


def proofs() -> dict[tuple[str, str], str]:
    """Why a mutant changes no finding, by path and what its statement becomes: lines move, these
    do not.
    """
    entries = tomllib.loads(PROOFS.read_text(encoding="utf-8"))["mutant"]
    return {(entry["path"], entry["becomes"]): entry["because"] for entry in entries}


def report(folder: Path) -> None:
    """Survivors, and the rate with and without those that are proven to be equivalent."""
    found, known_ = results(folder), proofs()
    alive = [r for r in found.values() if r["status"] in ("survived", "untested")]
    proven = [r for r in alive if (r["path"], r.get("becomes", "")) in known_]
    for record in sorted((r for r in alive if r not in proven), key=lambda r: r["key"]):
        print(
            f"{record['status']} {record['key']} ({record['tests']} tests): {record['told']}\n"
            f"    {record.get('becomes', '')}"
        )
    print(dict(Counter(record["status"] for record in found.values())))
    print(dict(Counter(record["kind"] for record in alive)))
    total = max(1, len(found))
    print(
        f"{len(found)} mutants, {len(alive)} alive = {len(alive) / total:.1%}, {len(proven)} of"
        " them proven equal"
    )


def main(words: Sequence[str] | None = None) -> None:
    """Run or list."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("step", choices=["run", "list", "count"])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--again", action="store_true", help="the survivors once more")
    parser.add_argument(
        "--tests", nargs="*", default=[], help="test files that the contexts do not know"
    )
    asked = parser.parse_args(words)
    if asked.step == "list":
        return report(asked.folder)
    everything = mutants()
    if asked.step == "count":
        return print(len(everything), dict(Counter(m.kind for m in everything)))
    done = results(asked.folder)
    if asked.again:
        alive = {
            key for key, record in done.items() if record["status"] in ("survived", "untested")
        }
        chosen = [m for m in everything if m.key in alive]
    else:
        chosen = [m for m in sample(everything, asked.count, asked.seed) if m.key not in done]
    return run(asked.folder, chosen, asked.tests)


if __name__ == "__main__":
    main()
