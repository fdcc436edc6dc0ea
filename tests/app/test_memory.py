"""Nothing outlives its board: after many checks in one process no earlier layout is alive."""

from __future__ import annotations

import gc
import weakref
from pathlib import Path

from checker.app import output, run
from checker.demo import boards as demos
from checker.demo import write
from checker.layout.layout import Layout


def test_no_layout_of_an_earlier_board_is_alive(tmp_path: Path) -> None:
    small = [name for name in demos() if name.endswith("-faulty") and "greenhouse" not in name]
    alive: weakref.WeakSet[Layout] = weakref.WeakSet()
    for name in small:
        written = write(name, tmp_path / name)
        checked = run.check(written.board, run.load_rules(written.rules), run.Options())
        output.render_all(checked, ["json", "text"])
        alive.add(checked.layout)
        assert len(alive) >= 1
        del checked
        gc.collect()
        assert not alive, f"the layout of {name} is alive"


def test_what_is_computed_from_a_layout_is_kept_on_it_and_computed_once(tmp_path: Path) -> None:
    written = write("single-tie", tmp_path)
    checked = run.check(written.board, run.load_rules(written.rules), run.Options())
    calls: list[Layout] = []
    first, again = (checked.layout.once(calls.append) for _ in range(2))
    assert first is again
    assert calls == [checked.layout]
