"""A check with a cache says, byte for byte, what a check without one says; whatever is wrong with
the cache, too.
"""

from __future__ import annotations

import json
import os
import pickle
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from checker import reports
from checker.app import cache, run
from checker.config.rules_file import Hardware, Rules, Tolerance
from checker.demo import boards as demos
from checker.demo import write
from checker.drawing import Pictures
from checker.findings import Finding, Level
from checker.layout.layout import Layout
from checker.rules import known_limits, registry
from parsers import read_board
from parsers.board import Hints
from parsers.trouble import Doubt, InputError

FAULTY = ("mains-barrier-faulty", "single-tie-faulty")
# the others take tenths of a second
SMALL = sorted(name for name in demos() if not name.startswith("greenhouse"))


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All demo boards, each in a folder with its rules and table."""
    folder = tmp_path_factory.mktemp("home")
    for name in demos():
        write(name, folder / name)
    return folder


def report(board: Path, rules: Rules, folder: Path | None) -> str:
    """The report in JSON, which holds everything that was found."""
    stream = StringIO()
    checked = run.check(board, rules, run.Options(cache=folder))
    reports.registry()["json"].write(checked.outcome, Pictures(), stream)
    return stream.getvalue()


def rules_with(home: Path, name: str, *, text: str = "", swap: tuple[str, str] = ("", "")) -> Rules:
    """The rules of a demo with some lines added and a word replaced, read from the file in its
    place.
    """
    path = home / name / "rules.toml"
    kept = path.read_text()
    path.write_text(kept.replace(*swap) + text if swap[0] else kept + text)
    try:
        return run.load_rules(path)
    finally:
        path.write_text(kept)


def limits_changed(rules: Rules, name: str) -> Rules:
    """The rules with one limit changed so much that it matters."""
    old = rules.limits[name]
    return replace(rules, limits={**rules.limits, name: old * 0.5 if old else 1.0})


EDITS: dict[str, Callable[[Rules], Rules]] = {
    "nothing": lambda rules: rules,
    "title": lambda rules: replace(rules, title="another title"),
    "no regions' quiet": lambda rules: replace(
        rules, regions=tuple(replace(r, quiet=False) for r in rules.regions)
    ),
    "no barriers": lambda rules: replace(rules, barriers=()),
    "higher voltages": lambda rules: replace(
        rules,
        barriers=tuple(
            replace(b, insulation=replace(b.insulation, pollution_degree=3)) for b in rules.barriers
        ),
    ),
    "no isolators": lambda rules: replace(
        rules, barriers=tuple(replace(b, isolators=()) for b in rules.barriers)
    ),
    "no ties": lambda rules: replace(rules, ties=()),
    "no spacings": lambda rules: replace(rules, spacings=()),
    "hardware": lambda rules: replace(rules, hardware=(Hardware((5.0, 5.0), 7.0),)),
    "tolerance": lambda rules: replace(rules, tolerance=Tolerance(0.1, 0.1, 0.1)),
    "everything slow": lambda rules: replace(rules, nets=replace(rules.nets, slow=("*",))),
    "everything noisy": lambda rules: replace(rules, nets=replace(rules.nets, noisy=("*",))),
    "no accepted doubts": lambda rules: replace(rules, accepted_doubts=()),
    "lines": lambda rules: replace(
        rules, line_of={key: line + 1 for key, line in rules.line_of.items()}
    ),
    "thickness": lambda rules: replace(rules, stackup=replace(rules.stackup, thickness=0.8)),
}


@pytest.mark.parametrize("name", FAULTY)
def test_edited_rules_give_the_same_report_with_and_without_a_cache(
    name: str, home: Path, tmp_path: Path
) -> None:
    """One cache for all edits, so that each could pick up what another left; some come round
    again.
    """
    rules, board = run.load_rules(home / name / "rules.toml"), home / name / "board"
    limits = {f"limit {limit}": limits_changed(rules, limit) for limit in known_limits()}
    edited = {**{title: edit(rules) for title, edit in EDITS.items()}, **limits}
    plain = {title: report(board, changed, None) for title, changed in edited.items()}
    assert len(set(plain.values())) > 5  # the edits matter
    for title in (*edited, *list(edited)[::4]):
        assert report(board, edited[title], tmp_path) == plain[title], title


@pytest.mark.parametrize("name", sorted(demos()))
@pytest.mark.parametrize("form", ["board", "board-C.xml"])
def test_every_demo_board_comes_back_exactly(name: str, form: str, home: Path) -> None:
    """What was kept and unpacked packs to the same bytes, and no part is lost."""
    source = home / name / form if form == "board" else Path("fixtures/demo") / name / form
    board = read_board(source, Hints())
    packed = cache._packed(board)
    back = cache._unpacked(packed)
    assert cache._packed(back) == packed
    assert (back.nets, back.components, back.files, back.doubts) == (
        board.nets,
        board.components,
        board.files,
        board.doubts,
    )
    assert np.array_equal(back.copper.geometry, board.copper.geometry)
    assert all(
        a.equals_exact(b) for a, b in zip(back.copper.areas, board.copper.areas, strict=True)
    )


@pytest.mark.parametrize("quantity", cache.SHARED)
def test_what_rules_share_comes_back_exactly(quantity: str, home: Path) -> None:
    """Pours, and runs of every kind that the demo has."""
    name = next(name for name in sorted(demos()) if name.endswith("-faulty"))
    rules = run.load_rules(home / name / "rules.toml")
    shared = getattr(Layout(read_board(home / name / "board", Hints()), rules), quantity)
    assert shared
    packed = cache._packed(shared)
    back = cache._unpacked(packed)
    assert cache._packed(back) == packed
    assert all(type(a) is type(b) for a, b in zip(back, shared, strict=True))
    assert [getattr(part, "kind", None) for part in back] == [
        getattr(part, "kind", None) for part in shared
    ]


@pytest.mark.parametrize("name", SMALL)
def test_a_warm_cache_gives_the_same_report(name: str, home: Path, tmp_path: Path) -> None:
    rules, board = run.load_rules(home / name / "rules.toml"), home / name / "board"
    plain = report(board, rules, None)
    assert [report(board, rules, tmp_path) for _ in range(2)] == [plain, plain]


def test_a_warm_cache_runs_no_rule_and_reads_no_board(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A new waiver matters after the rules have run only."""
    name = "digital-isolator-faulty"
    board = home / name / "board"
    report(board, run.load_rules(home / name / "rules.toml"), tmp_path)
    waiver = '\n[[waiver]]\nrule = "gap-crossing"\nreason = "reviewed"\n'
    rules = rules_with(home, name, text=waiver)
    plain = report(board, rules, None)

    def refuse(*_: Any) -> Any:
        raise AssertionError("not from the cache")

    monkeypatch.setattr(run, "_run_rule", refuse)
    monkeypatch.setattr(cache, "read_board", refuse)
    warm = report(board, rules, tmp_path)
    assert warm == plain
    assert '"reviewed"' in warm


@pytest.mark.parametrize("edit", ["voltage", "stitch"])
def test_a_change_runs_only_the_rules_that_see_it(
    edit: str, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = "mains-barrier-faulty"
    board, rules = home / name / "board", run.load_rules(home / name / "rules.toml")
    report(board, rules, tmp_path)
    ran: list[str] = []
    original = run._run_rule

    def noted(task: Any, *rest: Any) -> Any:
        ran.append(task[1])
        return original(task, *rest)

    monkeypatch.setattr(run, "_run_rule", noted)
    if edit == "voltage":
        insulation = replace(rules.barriers[0].insulation, pollution_degree=3)
        rules = replace(
            rules, barriers=(replace(rules.barriers[0], insulation=insulation), *rules.barriers[1:])
        )
        report(board, rules, tmp_path)
        assert not set(ran) & set(cache.NARROW)
        assert "creepage" in ran
    else:
        report(board, limits_changed(rules, "stitch"), tmp_path)
        assert "return-handover" in ran
        assert "gap-crossing" not in ran


def test_a_changed_table_is_seen(home: Path, tmp_path: Path) -> None:
    name = "mains-barrier-faulty"
    here = tmp_path / "here"
    shutil.copytree(home / name, here)
    rules = run.load_rules(here / "rules.toml")
    first = report(here / "board", rules, tmp_path / "cache")
    table = here / "spacing-example.csv"
    table.write_text(table.read_text().replace("5.0", "5.5"))
    second = report(here / "board", rules, tmp_path / "cache")
    assert second == report(here / "board", rules, None)
    assert json.loads(second)["findings"] != json.loads(first)["findings"]


def test_a_changed_board_is_seen(home: Path, tmp_path: Path) -> None:
    """The name and the size stay; one digit differs."""
    here = tmp_path / "here"
    shutil.copytree(home / "digital-isolator", here)
    rules = run.load_rules(here / "rules.toml")
    assert json.loads(report(here / "board", rules, tmp_path / "cache"))["verdict"] == "pass"
    shutil.copytree(home / "digital-isolator-faulty" / "board", here / "board", dirs_exist_ok=True)
    plain = report(here / "board", rules, None)
    assert json.loads(plain)["verdict"] != "pass"
    assert report(here / "board", rules, tmp_path / "cache") == plain


def test_another_version_of_the_tool_uses_nothing(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    board, rules = home / "battery" / "board", run.load_rules(home / "battery" / "rules.toml")
    report(board, rules, tmp_path)
    before = set(tmp_path.iterdir())
    monkeypatch.setattr(cache, "tool", lambda: "another")
    report(board, rules, tmp_path)
    assert len(set(tmp_path.iterdir())) == 2 * len(before)


def damage_cut(data: bytes, dice: random.Random) -> bytes:
    return data[: dice.randrange(len(data))]


def damage_flip(data: bytes, dice: random.Random) -> bytes:
    at = dice.randrange(len(data))
    return data[:at] + bytes([data[at] ^ 1 << dice.randrange(8)]) + data[at + 1 :]


def damage_empty(_: bytes, __: random.Random) -> bytes:
    return b""


def damage_pickle(_: bytes, __: random.Random) -> bytes:
    return pickle.dumps(([], []))


def damage_text(_: bytes, __: random.Random) -> bytes:
    return b'["moatcheck cache 1", "x"]\nhello'


@pytest.mark.parametrize(
    "damage", [damage_cut, damage_flip, damage_empty, damage_pickle, damage_text]
)
def test_damaged_entries_are_ignored(
    damage: Callable[[bytes, random.Random], bytes], home: Path, tmp_path: Path
) -> None:
    name = "single-tie-faulty"
    board, rules = home / name / "board", run.load_rules(home / name / "rules.toml")
    plain = report(board, rules, None)
    for seed in range(5):
        report(board, rules, tmp_path)
        dice = random.Random(seed)
        for entry in sorted(tmp_path.iterdir()):
            entry.write_bytes(damage(entry.read_bytes(), dice))
            assert cache.Cache(tmp_path).load(entry.stem) is None
        assert report(board, rules, tmp_path) == plain


def test_entries_of_another_board_are_ignored(home: Path, tmp_path: Path) -> None:
    """Results of a board that passes, put in the place of one that fails, change nothing."""
    sound, faulty = (home / name / "board" for name in ("battery", "battery-faulty"))
    rules = run.load_rules(home / "battery" / "rules.toml")
    plain = report(faulty, rules, None)
    report(sound, rules, tmp_path / "sound")
    report(faulty, rules, tmp_path / "faulty")
    foreign = sorted((tmp_path / "sound").iterdir())
    for place in (tmp_path / "faulty").iterdir():
        for entry in foreign:
            shutil.copy(entry, place)
            assert cache.Cache(tmp_path / "faulty").load(place.stem) is None
    assert report(faulty, rules, tmp_path / "faulty") == plain


def test_an_entry_can_run_nothing(tmp_path: Path) -> None:
    """An entry with a well-formed head whose arrays hold objects is refused, not unpickled."""

    class Trap:
        def __reduce__(self) -> Any:
            return os.mkdir, (str(tmp_path / "sprung"),)

    store = cache.Cache(tmp_path / "cache")
    store.save("k", ([], []))
    entry = tmp_path / "cache" / "k.entry"
    assert store.load("k") == ([], [])
    stream = tmp_path / "trap.npz"
    np.savez(stream, tree=np.array([Trap()], dtype=object))
    payload = stream.read_bytes()
    head = json.dumps([cache.MARK, "k", cache._digest(payload)]).encode()
    entry.write_bytes(head + b"\n" + payload)
    assert store.load("k") is None
    assert not (tmp_path / "sprung").exists()


def test_a_rule_that_looks_where_it_must_not_is_run_on_everything_and_not_kept(
    home: Path, tmp_path: Path
) -> None:
    rules = run.load_rules(home / "battery" / "rules.toml")
    layout = Layout(read_board(home / "battery" / "board"), rules)
    seen: list[Layout] = []

    def run_it(tasks: list[tuple[Layout, str]]) -> list[cache.Found]:
        seen.extend(layout for layout, _ in tasks)
        return [([], [Doubt(f"etch {layout.rules.tolerance.etch}", "")]) for layout, _ in tasks]

    results = cache.run_cached(cache.Cache(tmp_path), "board", layout, ["gap-crossing"], run_it)
    assert results["gap-crossing"][1] == [Doubt("etch 0.0", "")]
    assert seen[-1] is layout
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "look",
    [
        lambda rules: rules.tolerance.etch,
        lambda rules: rules.barriers[0].insulation.working_voltage,
        lambda rules: rules.limits["stitch"],
        lambda rules: rules.limits.get("stitch", 1.0),
        lambda rules: dict(rules.limits),
        lambda rules: "stitch" in rules.limits,
        lambda rules: len(rules.limits),
        lambda rules: rules.barriers[0].insulation == rules.barriers[0],
        lambda rules: bool(rules.tolerance),
        lambda rules: list(rules.tolerance),
    ],
)
def test_hidden_parts_cannot_be_read_silently(look: Callable[[Rules], Any], home: Path) -> None:
    rules = cache.narrowed(run.load_rules(home / "mains-barrier" / "rules.toml"), ())
    with pytest.raises(cache.HiddenError):
        look(rules)


def test_every_rule_that_sees_less_declares_the_limits_it_keeps_to_itself() -> None:
    """No other rule declares them, or a change would go unseen there."""
    for name, own in cache.NARROW.items():
        assert name in registry()
        for limit in own:
            owners = [
                rule
                for rule, module in registry().items()
                if limit in {x.name for x in module.rule.limits}
            ]
            assert owners == [name]


def test_a_board_with_links_is_not_kept(home: Path, tmp_path: Path) -> None:
    """What a link points at may change without the folder's knowing."""
    here = tmp_path / "board"
    shutil.copytree(home / "battery" / "board", here)
    (here / "link.gbr").symlink_to(next(home.joinpath("battery", "board").iterdir()))
    assert cache.board_key(here, Hints()) is None
    rules = run.load_rules(home / "battery" / "rules.toml")
    assert report(here, rules, tmp_path / "cache") == report(here, rules, None)
    assert not list((tmp_path / "cache").iterdir())


def test_a_board_that_changes_while_it_is_read_is_not_kept(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = tmp_path / "board"
    shutil.copytree(home / "battery" / "board", here)

    def change(path: Path, hints: Hints, jobs: int) -> Any:
        board = read_board(path, hints, jobs)
        (here / "late.txt").write_text("more")
        return board

    monkeypatch.setattr(cache, "read_board", change)
    _, key = cache.read_cached(cache.Cache(tmp_path / "cache"), here, Hints())
    assert key is None
    assert not list((tmp_path / "cache").iterdir())


def test_what_a_fingerprint_of_a_board_depends_on(home: Path, tmp_path: Path) -> None:
    """Name, content, hints: each one changes it, and nothing else does."""
    board = home / "battery" / "board"
    first = cache.board_key(board, Hints())
    assert first == cache.board_key(board, Hints())
    shutil.copytree(board, tmp_path / "board")
    keys = {
        first,
        cache.board_key(board, Hints(thickness=1.0)),
        cache.board_key(tmp_path / "board", Hints()),
    }
    (tmp_path / "board" / "empty").mkdir()
    keys.add(cache.board_key(tmp_path / "board", Hints()))
    (tmp_path / "board" / "empty").rename(tmp_path / "board" / "void")
    keys.add(cache.board_key(tmp_path / "board", Hints()))
    assert len(keys) == 5
    assert cache.board_key(tmp_path / "absent", Hints()) is None


def test_a_folder_that_cannot_be_made_is_one_line(home: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be the cache"):
        cache.Cache(tmp_path / "file" / "cache")


def test_a_full_disk_keeps_nothing_and_spoils_nothing(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    board, rules = home / "battery" / "board", run.load_rules(home / "battery" / "rules.toml")
    plain = report(board, rules, None)

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    assert report(board, rules, tmp_path) == plain
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "value", [object(), {1, 2}, np.float32(1), [float("nan")], np.array(["a", None])]
)
def test_what_cannot_be_kept_exactly_is_not_kept(value: Any, tmp_path: Path) -> None:
    store = cache.Cache(tmp_path)
    store.save("k", (value,))
    assert store.load("k") is None


def test_values_come_back_with_their_types(tmp_path: Path) -> None:
    finding = Finding(
        rule="gap-crossing",
        level=Level.WARNING,
        message="µ",
        at=(0.1 + 0.2, -0.0),
        detail={"a": (1, [2.5, None]), "b": {"c": True}},
    )
    store = cache.Cache(tmp_path)
    store.save("k", ([finding], []))
    back = store.load("k")
    assert back == ([finding], [])
    assert repr(back[0][0]) == repr(finding)


KEYS = """
import sys
from pathlib import Path
from checker.app import cache, run
rules = run.load_rules(Path(sys.argv[1]))
keys = [cache.rule_key("board", name, rules) for name in ("clearance", "gap-crossing")]
print(keys, cache.layout_key("board", rules))
"""


def test_another_process_finds_what_one_has_kept(home: Path) -> None:
    """Keys depend on no order of sets, which differs from process to process."""
    rules = str(home / "mains-barrier" / "rules.toml")
    told = {
        subprocess.run(
            [sys.executable, "-c", KEYS, rules],
            env=os.environ | {"PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in "123"
    }
    assert len(told) == 1
