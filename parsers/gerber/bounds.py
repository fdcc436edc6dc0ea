"""How much one file may expand to: beyond any board, it is an attack or damage and is refused."""

from __future__ import annotations

MAX_OBJECTS = 5_000_000  # of one layer, copies included
MAX_SCOPES = 20_000  # blocks and repeats of a file; boards have dozens
MAX_POINTS = 50_000_000  # corners that are made in one go


class TooMuchError(ValueError):
    """A file that expands beyond bounds."""


def bound_objects(count: int) -> None:
    """Refuse more objects than MAX_OBJECTS."""
    if count > MAX_OBJECTS:
        raise TooMuchError(
            f"more than {MAX_OBJECTS} objects, copies by repeats and blocks included"
        )


def bound_scopes(count: int) -> None:
    """Refuse more blocks and repeats than MAX_SCOPES."""
    if count > MAX_SCOPES:
        raise TooMuchError(f"more than {MAX_SCOPES} blocks and repeats")


def bound_points(count: int) -> None:
    """Refuse more corners than MAX_POINTS."""
    if count > MAX_POINTS:
        raise TooMuchError(f"more than {MAX_POINTS} corners of areas and arcs")
