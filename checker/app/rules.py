"""Rules files of this version: light, so that one that cannot be used is refused at once."""

from __future__ import annotations

from pathlib import Path

from checker.config.rules_file import Rules, parse_rules, read_rules
from checker.rules import known_limits, registry


def load_rules(path: Path, *, regions_needed: bool = True) -> Rules:
    """Read a rules file with the limits and rule ids of this version.

    Parameters
    ----------
    regions_needed : refuse a file without regions, which can check nothing but may tell what the
        files are
    """
    limits = {name: limit.default for name, limit in known_limits().items()}
    return read_rules(path, limits, registry(), regions_needed=regions_needed)


def rules_from(text: str, name: str) -> Rules:
    """Rules given as text; tables that they name are looked for beside `name`."""
    return parse_rules(
        text, name, {name: limit.default for name, limit in known_limits().items()}, registry()
    )
