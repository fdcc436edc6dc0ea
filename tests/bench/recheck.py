"""How much sooner a changed rules file is checked with a cache: `python -m tests.bench.recheck
FOLDER` prints JSON.

Seconds of processor time: the first check with an empty cache, then one check after each kind of
change.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from checker.app import run
from checker.config.rules_file import Rules, WaiverSpec


def main(folder: Path) -> dict[str, float]:
    """Seconds of the first check and of those after a change."""
    rules = run.load_rules(folder / "rules.toml")
    wider = replace(rules.barriers[0].insulation, pollution_degree=3)
    changed = {
        "first": rules,
        "nothing": rules,
        "waiver": replace(rules, waivers=(WaiverSpec("gap-crossing", "reviewed"),)),
        "stitch": replace(rules, limits={**rules.limits, "stitch": 4.0}),
        "barrier": replace(
            rules, barriers=(replace(rules.barriers[0], insulation=wider), *rules.barriers[1:])
        ),
    }
    with tempfile.TemporaryDirectory() as cache:
        return {
            name: round(_seconds(folder, some, Path(cache)), 3) for name, some in changed.items()
        }


def _seconds(folder: Path, rules: Rules, cache: Path) -> float:
    begin = time.process_time()
    run.check(folder / "board", rules, run.Options(cache=cache))
    return time.process_time() - begin


if __name__ == "__main__":
    print(json.dumps(main(Path(sys.argv[1]))))
