"""Freed memory is given back where the C library can, and nowhere is that an error."""

from __future__ import annotations

import ctypes

import pytest

from checker.app.memory import give_back


class _Library:
    def __init__(self) -> None:
        self.asked: list[int] = []

    def malloc_trim(self, kept: int) -> None:
        self.asked.append(kept)


def test_the_library_is_asked_to_keep_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """All that is free goes back."""
    library = _Library()
    monkeypatch.setattr(ctypes, "CDLL", lambda _: library)
    give_back()
    assert library.asked == [0]


@pytest.mark.parametrize("library", [object(), None])
def test_a_library_that_cannot_is_left_alone(
    library: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither a library without the call nor none at all stops a check."""

    def load(_: object) -> object:
        if library is None:
            raise OSError("no library")
        return library

    monkeypatch.setattr(ctypes, "CDLL", load)
    give_back()
