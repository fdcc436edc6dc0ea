"""Copper layers from top to bottom, and the thicknesses between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from parsers.assembly.thicknesses import settled
from parsers.board import BOTTOM, INNER, TOP, Hints, Layer, Stackup
from parsers.package.jobfile import JobFile
from parsers.package.roles import DRILL, UNKNOWN
from parsers.package.sorting import Item, Sorting
from parsers.trouble import BoardError, Doubt, Place, line_for

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
        first = files.setdefault(number - 1, item)
        if first is not item:
            remedy = f"{line_for(item.name, 'L2')}, or whichever it is"
            why = f"{first.name} is L{number} too; {remedy}"
            doubts.append(Doubt(f"{item.name} has no layer of its own", why, Place(item.name)))
    names = [files[index].name if index in files else "" for index in range(count)]
    layers = tuple(Layer(f"L{i + 1}", name, _side(i, count)) for i, name in enumerate(names))
    for index, layer in enumerate(layers):
        if index not in files:
            doubts.append(_missing(sorting, layer, count))
        elif files[index].role.side not in (None, layer.side):
            doubts.append(_wrong_side(files[index], layer, count))
    return Stack(layers, files, (*doubts, *_against_job(sorting, copper, count)))


def _missing(sorting: Sorting, layer: Layer, count: int) -> Doubt:
    none = f"the board has {count} layers by its files, and none is {layer.id}"
    return Doubt(f"copper layer {layer.id} is missing", f"{none}; {_add(sorting, layer.id)}")


def _add(sorting: Sorting, layer: str) -> str:
    """What to do about a layer without a file; files of unknown function may be it."""
    unclear = [item.name for item in sorting.of(UNKNOWN)]
    return f"add the file, or {line_for(unclear[0], layer)}" if unclear else "add the file"


def _count(sorting: Sorting, copper: Sequence[Item]) -> int:
    """Number of copper layers: all of them where the files say so, else the highest that files, job
    or drills tell.

    A span in the name of a drill makes no layers: it is held against them afterwards.
    """
    count = _told_by_copper(copper)
    if not _all_there(copper, count):
        stated = sorting.job.layers if sorting.job else None
        spans = [
            i.role.span[1]
            for i in sorting.of(DRILL)
            if i.role.span and not i.role.span_named and not stated
        ]
        count = max([count, stated or 1, *spans])
    if count > MAX_LAYERS:
        raise BoardError(f"{count} copper layers are told; check the layer numbers of the files")
    return count


def _told_by_copper(copper: Sequence[Item]) -> int:
    """Number of layers that the copper files alone tell."""
    told = [item.role.layer or 0 for item in copper]
    told += [item.role.inner + 2 for item in copper if item.role.inner]
    told += [2 for item in copper if item.role.side == BOTTOM]
    numbered = all(item.role.layer is not None for item in copper)
    return max([*told, 1 if numbered else len(copper)])


def _all_there(copper: Sequence[Item], count: int) -> bool:
    """Whether the files number all layers from the first to one that states to be the bottom."""
    last = any(item.role.layer == count and item.role.side == BOTTOM for item in copper)
    return last and {item.role.layer for item in copper} >= set(range(1, count + 1))


def _against_job(sorting: Sorting, copper: Sequence[Item], count: int) -> list[Doubt]:
    """A doubt if the copper files make another number of layers than the job file says."""
    job, made = sorting.job, _told_by_copper(copper)
    if (
        job is None
        or job.layers is None
        or made == job.layers
        or (made < count and made < job.layers)
    ):
        return []
    why = (
        f"{job.name} says {job.layers}, the files make {made}; is a layer missing, or is one of"
        " another board?"
    )
    return [Doubt("another number of copper layers than the job file says", why, Place(job.name))]


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
    return Doubt(
        what, "a layer is missing, or numbered wrongly; add it, or export again", Place(item.name)
    )


def stackup(job: JobFile | None, hints: Hints, layers: int) -> tuple[Stackup, list[Doubt]]:
    """Thicknesses: from the job file, and from the rules what it leaves open.

    Raises
    ------
    BoardError : the rules give another number of values than the layers need
    """
    return settled(job.stackup if job else Stackup(), hints, layers, job.name if job else "")
