"""Published schemas, read from source archives of packages that carry them; .ci/run downloads these."""

from __future__ import annotations

import sys
import tarfile
from pathlib import Path

import pytest

FOLDER = Path(sys.prefix) / "schemas"


def schema_from(archive: str, ending: str) -> bytes:
    """The only member of an archive whose name ends so; the test is skipped where the archive was not downloaded."""
    archives = sorted(FOLDER.glob(archive))
    if not archives:
        pytest.skip(f"no {archive} in {FOLDER}: pip download it as .ci/run does")
    with tarfile.open(archives[-1]) as opened:
        (name,) = (name for name in opened.getnames() if name.endswith(ending))
        member = opened.extractfile(name)
        assert member is not None
        return member.read()
