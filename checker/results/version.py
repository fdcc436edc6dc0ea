"""Which version of the tool this is."""

from __future__ import annotations


def tool_version() -> str:
    """The installed version, or `unknown` in a bare checkout."""
    from importlib.metadata import PackageNotFoundError, version  # noqa: PLC0415 - takes long to load

    try:
        return version("moatcheck")
    except PackageNotFoundError:
        return "unknown"
