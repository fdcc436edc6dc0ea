"""Published schemas, read from source archives of packages that carry them; .ci/run downloads
these.
"""

from __future__ import annotations

import sys
import tarfile
from pathlib import Path

FOLDER = Path(sys.prefix) / "schemas"


def schema_from(archive: str, ending: str) -> bytes:
    """The only member of an archive whose name ends so; its test carries the mark `needs("report
    schemas")`.
    """
    archives = sorted(FOLDER.glob(archive))
    with tarfile.open(archives[-1]) as opened:
        (name,) = (name for name in opened.getnames() if name.endswith(ending))
        member = opened.extractfile(name)
        assert member is not None
        return member.read()
