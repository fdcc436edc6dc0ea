"""Tables of numbers as columns of one length: rows are taken, tables joined, all columns at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any, ClassVar, Self, TypeVar

import numpy as np


class Columns:
    """Base of frozen dataclasses whose fields are columns of one length (or None, all through).

    `POOLS` names the fields that are no columns: what rows point into, shared by all rows.
    """

    __slots__ = ()
    POOLS: ClassVar[tuple[str, ...]] = ()

    def take(self, rows: Any) -> Self:
        """Give the named rows (index or mask)."""
        return type(self)(**{name: _taken(self, name, rows) for name in _names(self)})


Table = TypeVar("Table", bound=Columns)


def joined(tables: Sequence[Table]) -> Table:
    """Join tables of one kind, at least one, one below the other."""
    kind = type(tables[0])
    return kind(**{n: np.concatenate([getattr(t, n) for t in tables]) for n in _names(tables[0])})


def _names(table: Columns) -> list[str]:
    return [f.name for f in fields(table)]  # type: ignore[arg-type]


def _taken(table: Columns, name: str, rows: Any) -> Any:
    column = getattr(table, name)
    return column if name in table.POOLS else column[rows]
