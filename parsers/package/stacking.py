"""Copper layers from top to bottom, and the thicknesses between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from parsers.assembly.thicknesses import settled
from parsers.board import BOTTOM, INNER, TOP, Hints, Layer, Stackup
from parsers.package.jobfile import JobFile
from parsers.package.roles import DRILL
from parsers.package.sorting import Item, Sorting
from parsers.trouble import BoardError, Doubt, Place

MAX_LAYERS = 200  # a number beyond this is a misprint, not a board


@dataclass(frozen=True, slots=True)
class Stack:
    """Layers, the file of each (by layer index), and what is doubtful."""

    layers: tuple[Layer, ...]
    files: dict[int, Item]
    doubts: tuple[Doubt, ...] = field(default=())

    def ids(self) -> dict[int, str]:
        """Layer id by item number."""
        return {item.number: self.layers[index].id for index, item in self.files.items()}


def stack_up(sorting: Sorting, copper: Sequence[Item]) -> Stack:
    """Put copper files in order; layers without a file are doubts."""
    count = _count(sorting, copper)
    files: dict[int, Item] = {}
    doubts: list[Doubt] = []
    for item in copper:
        number = _number(item, count)
        if number - 1 in files:
            why = f"{files[number - 1].name} is L{number} too; number them in [files] of the rules"
            doubts.append(Doubt(f"{item.name} has no layer of its own", why, Place(item.name)))
        else:
            files[number - 1] = item
    layers = tuple(Layer(f"L{i + 1}", files[i].name if i in files else "", _side(i, count)) for i in range(count))
    for index, layer in enumerate(layers):
        if index not in files:
            why = f"the board has {count} layers by its files, and none is {layer.id}; add the file"
            doubts.append(Doubt(f"copper layer {layer.id} is missing", why))
        elif files[index].role.side not in (None, layer.side):
            doubts.append(_wrong_side(files[index], layer, count))
    return Stack(layers, files, tuple(doubts))


def _count(sorting: Sorting, copper: Sequence[Item]) -> int:
    """Number of copper layers: the highest that any file tells, or one per file."""
    told = [item.role.layer or 0 for item in copper]
    told += [item.role.inner + 2 for item in copper if item.role.inner]
    told += [item.role.span[1] for item in sorting.of(DRILL) if item.role.span]
    told += [2 for item in copper if item.role.side == BOTTOM]
    named = [item for item in copper if item.role.layer is None]
    told += [len(copper) if named else 1, (sorting.job.layers or 0) if sorting.job else 0]
    count = max(told)
    if count > MAX_LAYERS:
        raise BoardError(f"{count} copper layers are told; check the layer numbers of the files")
    return count


def _number(item: Item, count: int) -> int:
    role = item.role
    if role.layer is not None:
        return max(role.layer, 1)
    if role.inner is not None:
        return min(role.inner + 1, count)
    return {TOP: 1, BOTTOM: count}.get(role.side or "", 2)


def _side(index: int, count: int) -> str:
    if index == 0:
        return TOP
    return BOTTOM if index == count - 1 else INNER


def _wrong_side(item: Item, layer: Layer, count: int) -> Doubt:
    what = f"{item.name} is {layer.id} of {count}, but states to be {item.role.side}"
    return Doubt(what, "a layer is missing, or numbered wrongly; add it, or export again", Place(item.name))


def stackup(job: JobFile | None, hints: Hints, layers: int) -> tuple[Stackup, list[Doubt]]:
    """Thicknesses: from the job file, and from the rules what it leaves open.

    Raises
    ------
    BoardError : the rules give another number of values than the layers need
    """
    return settled(job.stackup if job else Stackup(), hints, layers, job.name if job else "")
