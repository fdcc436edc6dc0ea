"""Invented boards that ship with the tool: sketches, their rules, and writers for both input
formats.

Each board stands in a sound and a faulty revision. Writing one is deterministic: `python -m
checker.demo FOLDER` makes the same bytes every time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from importlib import resources
from pathlib import Path

from checker.demo import probes, separations
from checker.demo.gerber_writer import write_gerber
from checker.demo.greenhouse import greenhouse
from checker.demo.ipc2581_writer import REVISIONS, write_ipc2581
from checker.demo.sketch import Sketch

TABLE = "spacing-example.csv"


@dataclass(frozen=True, slots=True)
class DemoBoard:
    """A board of the demo."""

    name: str
    about: str  # one line
    draw: Callable[[], Sketch]
    rules_file: str  # in the package

    @property
    def rules(self) -> str:
        """Text of its rules file."""
        return _packaged(self.rules_file)


@dataclass(frozen=True, slots=True)
class Written:
    """A demo board as written."""

    board: Path  # folder with the Gerber X2 package
    ipc2581: tuple[Path, ...]  # the same board in the other format, one file per revision
    rules: Path


def boards() -> dict[str, DemoBoard]:
    """All demo boards by name, the large one first; a faulty revision follows its sound one."""
    out: dict[str, DemoBoard] = {}
    for name, about, draw in _ALL:
        for faulty in (False, True):
            full = f"{name}-faulty" if faulty else name
            told = f"{about}, with its typical mistakes" if faulty else about
            out[full] = DemoBoard(full, told, partial(draw, faulty=faulty), f"{name}.toml")
    return out


def write(name: str, folder: Path) -> Written:
    """Write a board with rules and example table: the Gerber package in `board/`, IPC-2581 files
    beside it.

    Raises
    ------
    KeyError : no such board
    """
    demo = boards()[name]
    sketch = demo.draw()
    folder.mkdir(parents=True, exist_ok=True)
    rules = folder / "rules.toml"
    rules.write_text(demo.rules, encoding="utf-8", newline="\n")
    (folder / TABLE).write_text(_packaged(TABLE), encoding="utf-8", newline="\n")
    write_gerber(sketch, folder / "board", drills="nc")
    ipc = tuple(
        write_ipc2581(sketch, folder / f"board-{revision}.xml", revision) for revision in REVISIONS
    )
    return Written(folder / "board", ipc, rules)


def _packaged(name: str) -> str:
    return resources.files(__package__).joinpath("rules", name).read_text(encoding="utf-8")


_Draw = Callable[..., Sketch]
_ALL: tuple[tuple[str, str, _Draw], ...] = (
    ("greenhouse", "greenhouse dosing controller: mains, pumps, logic, probes", greenhouse),
    ("digital-isolator", "isolated converter and bus isolator", separations.digital_isolator),
    ("optocoupler", "optocoupler driven from the quiet side", separations.optocoupler),
    (
        "isolated-amplifier",
        "amplifier in an isolated region with its own supply",
        separations.isolated_amplifier,
    ),
    (
        "mains-barrier",
        "safety barrier to a mains side, slot under the part",
        separations.mains_barrier,
    ),
    (
        "single-tie",
        "split reference without isolation, one tie under the converter",
        separations.single_tie,
    ),
    ("battery", "battery board with one solid reference", separations.battery),
    ("battery-probe", "battery board with a probe input over one reference", probes.battery_probe),
    ("battery-moat", "battery board with a probe input behind a moat", probes.battery_moat),
)
