"""Reading of a board's copper beside the reference library: `python -m tests.bench.reference
FOLDER` prints JSON.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from gerbonara import GerberFile

from parsers.gerber import read_gerber


def main(folder: Path) -> dict[str, float]:
    """Seconds of processor time that either needs for the same signal layer."""
    data = (folder / "board" / "l1.gbr").read_bytes()
    read_gerber(data, "l1.gbr")  # tables that are built once
    begin = time.process_time()
    read_gerber(data, "l1.gbr")
    middle = time.process_time()
    GerberFile.from_string(data.decode())
    end = time.process_time()
    return {
        "mb": len(data) / 1e6,
        "read": round(middle - begin, 4),
        "reference": round(end - middle, 4),
    }


if __name__ == "__main__":
    print(json.dumps(main(Path(sys.argv[1]))))
