"""Reads a drill program and settles what its header leaves open."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import product

import numpy as np
import shapely

from parsers.assembly.diagnostics import counted
from parsers.board import PLATING_UNKNOWN, holes
from parsers.drill.formats import DEFAULT_DIGITS, INCH, MILLIMETRE, OTHER_DIGITS, NumberFormat
from parsers.drill.machine import Machine
from parsers.drill.result import Drilled, swollen
from parsers.primitives import NO_NET, UNKNOWN_NET, Floats
from parsers.trouble import Doubt, FormatError, Place, line_for

SURE = 0.9  # share on pads that needs no comparison with other formats
# share of holes that must land where holes are expected before a guessed format is believed
ON_PADS = 0.5

Score = Callable[[Floats], float]  # places (n, 2) -> share of them that are plausible


def looks_like_drill(data: bytes) -> bool:
    """Tell an NC program by its header, or by tools and coordinates.

    Examples
    --------
    >>> looks_like_drill(b"M48\\nMETRIC,TZ\\nT1C0.8\\n%\\n")
    True
    >>> looks_like_drill(b"%FSLAX46Y46*%")
    False
    """
    head = data[:20_000]
    if b"\x00" in head or b"*" in re.sub(rb";[^\r\n]*", b"", head):
        return False
    if re.search(rb"^\s*M48\s*$", head, re.M):
        return True
    tools = re.search(rb"^T\d+\s*(C[\d.]+)?", head, re.M)
    return bool(tools and re.search(rb"^(G0?0)?[XY][-+]?\d", head, re.M))


def read_drill(
    data: bytes,
    name: str,
    file: int = 0,
    *,
    told: NumberFormat | None = None,
    parameters: NumberFormat | None = None,
    scores: Sequence[Score] = (),
) -> Drilled:
    """Read an NC program.

    Parameters
    ----------
    told : format told by the rules, used where the program says nothing
    parameters : format told by a file beside the program, used where the program says nothing
    scores : tell how plausible hole centres are, the most telling first, where the format is not
        stated

    Raises
    ------
    FormatError : the number format is neither stated nor settled by the data; too many holes
    """
    lines, undecoded = _lines(data)
    run = _run(lines, name, NumberFormat(), told)
    doubts = list(run.diagnostics.doubts())
    if run.assumed:
        run, doubt = _settled(lines, name, run, parameters, scores)
        doubts = [*([doubt] if doubt else []), *run.diagnostics.doubts()]
    doubts += [
        Doubt(f"{name} has attributes that are no UTF-8", _UNDECODED, Place(name))
        for _ in range(undecoded)
    ]
    doubts += [*_contradicted(run, told), *_check_quantities(run)]
    return _drilled(run, file, tuple(doubts))


_UNDECODED = "names of nets and parts may be cut or changed; export the drills again"


def _lines(data: bytes) -> tuple[list[str], bool]:
    """Lines of the program; text that is no UTF-8 is read as Latin-1, and whether attributes are
    among it.
    """
    undecoded = False
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
        undecoded = re.search(rb"#@!\s*T[OAF]\.[^\r\n]*[\x80-\xff]", data) is not None
    return re.split(r"\r\n|\n|\r", text), undecoded


def _run(
    lines: list[str], name: str, assumed: NumberFormat, told: NumberFormat | None = None
) -> Machine:
    machine = Machine(name, assumed, told)
    for number, line in enumerate(lines, 1):
        machine.line = number
        if machine.execute(line.strip()):
            break
    else:
        machine.doubt("has no end mark (M30)", "the file may be cut off; export it again")
    return machine


# --------------------------------------------------------------------------------- unstated formats


def _settled(
    lines: list[str],
    name: str,
    first: Machine,
    parameters: NumberFormat | None,
    scores: Sequence[Score],
) -> tuple[Machine, Doubt | None]:
    """The run whose format the data confirms, and the doubt that tells it."""
    usual = parameters is None and _only_digits_open(lines, name, first)
    if usual and (not scores or scores[0](first.centres()) >= SURE):
        return first, None
    tried = _distinct(
        [_run(lines, name, guess, first.told) for guess in _guesses(first, parameters)]
    )
    if len(tried) == 1 and "unit" not in first.assumed:
        return tried[0], None  # written so that every format means the same
    best, share = _confirmed(tried, scores)
    if best is None and usual:
        return tried[0], _unconfirmed(tried[0], scores)
    if best is None:
        missing = " and ".join(sorted(first.assumed))
        raise FormatError(
            f"{missing} of the coordinates not stated, and the holes do not tell; export the drills"
            " with METRIC or INCH, LZ or TZ, or with decimal points, or find out the format and "
            + line_for(name, "drill, mm 3.3, leading zeros kept"),
            Place(name),
        )
    if usual and best is tried[0]:
        return best, None
    beside = parameters is not None and best is tried[0]
    return best, Doubt(
        f"number format of {name} is not stated",
        f"read as {best.assume}, {'as told beside it: ' if beside else 'because '}{share:.0%} of"
        " its holes then land where holes are expected; if that is right,"
        f" {line_for(name, f'drill, {best.assume}')}",
        Place(name),
    )


def _only_digits_open(lines: list[str], name: str, first: Machine) -> bool:
    """Whether the first run took nothing for granted but the usual digits of the stated unit.

    Zero suppression that is not stated does not matter if all numbers are written in full.
    """
    unit = first.stated.unit
    if unit is None or first.assumed == {"zeros"}:
        return False
    return first.assumed == {"digits"} or _same(
        first, _run(lines, name, NumberFormat(unit, *DEFAULT_DIGITS[unit], False), first.told)
    )


def _same(a: Machine, b: Machine) -> bool:
    """Whether two runs made the same holes."""
    return len(_distinct([a, b])) == 1


def _confirmed(tried: list[Machine], scores: Sequence[Score]) -> tuple[Machine | None, float]:
    """The run that one of the scores clearly prefers, and its share."""
    for score in scores:
        shares = [score(run.centres()) for run in tried]
        best = int(np.argmax(shares))
        others = [share for i, share in enumerate(shares) if i != best]
        if shares[best] >= ON_PADS and max(others, default=0.0) <= shares[best] / 2:
            return tried[best], shares[best]
    return None, 0.0


def _unconfirmed(run: Machine, scores: Sequence[Score]) -> Doubt | None:
    """A doubt if the usual digits of the unit put the holes nowhere that a hole is expected."""
    if not scores or any(score(run.centres()) >= ON_PADS for score in scores):
        return None
    return Doubt(
        f"number format of {run.name} is not stated",
        f"read as {run.assume}, the usual digits, but its holes land on no pad; "
        f"{line_for(run.name, f'drill, {run.assume}')}, or what it is",
        Place(run.name),
    )


def _guesses(first: Machine, parameters: NumberFormat | None) -> Iterator[NumberFormat]:
    """Formats that agree with what the file states, likeliest first."""
    stated = first.stated
    if parameters:
        yield stated.filled(parameters).filled(NumberFormat(MILLIMETRE, 3, 3, True))
    units = [stated.unit] if stated.unit is not None else [INCH, MILLIMETRE]
    trailing = [stated.trailing] if stated.trailing is not None else [True, False]
    for unit, zeros in product(units, trailing):
        yield stated.filled(NumberFormat(unit, *DEFAULT_DIGITS[unit], zeros))
    if stated.decimals is None:
        for unit, zeros in product(units, trailing):
            yield from (
                stated.filled(NumberFormat(unit, *digits, zeros)) for digits in OTHER_DIGITS[unit]
            )


def _distinct(runs: list[Machine]) -> list[Machine]:
    """Runs that give different holes; the first of each."""
    seen: dict[bytes, Machine] = {}
    for run in runs:
        seen.setdefault(np.round(run.table(), 6).tobytes(), run)
    return list(seen.values())


# ------------------------------------------------------------------------------------------ results


def _contradicted(run: Machine, told: NumberFormat | None) -> list[Doubt]:
    """A doubt if the program states another format than the rules tell; the program's is used."""
    if told is None or run.stated.filled(told) == told.filled(run.stated):
        return []
    why = (
        f"the file says {run.stated}, the rules say {told}; the file's word is used: remove the"
        " format from [files]"
    )
    return [Doubt(f"two number formats for {run.name}", why, Place(run.name))]


def _check_quantities(run: Machine) -> list[Doubt]:
    """Doubts on tools: none loaded, no diameter, another number of holes than announced."""
    used = Counter(hit.tool for hit in run.hits)
    doubts = []
    for tool in sorted(used):
        known = run.tools[tool]
        if not known.diameter:
            line = next(hit.line for hit in run.hits if hit.tool == tool)
            what = f"{run.name} gives tool {tool} no diameter"
            why = "holes without a size; add it to the file"
            doubts.append(Doubt(counted(what, used[tool], "holes"), why, Place(run.name, line)))
    for tool, known in sorted(run.tools.items()):
        if known.quantity is not None and known.quantity != used[tool]:
            what = f"{run.name} announces another number of holes for tool {tool}"
            doubts.append(
                Doubt(what, f"{known.quantity} announced, {used[tool]} found", Place(run.name))
            )
    return doubts


def _drilled(run: Machine, file: int, doubts: tuple[Doubt, ...]) -> Drilled:
    names, table = _Tables(run), run.table()
    plated = np.array([run.tools[hit.tool].plated for hit in run.hits], dtype=np.int8)
    swell = np.array([hit.swell for hit in run.hits])
    told = holes(
        len(run.hits),
        ends=table[:, :4],
        radius=swollen(table[:, 4], swell, plated),
        plated=plated,
        file=file,
        line=np.array([hit.line for hit in run.hits], dtype=np.int32),
        **names.columns(),
        function=np.array([names.function(hit.tool) for hit in run.hits], dtype=np.int32),
    )
    return Drilled(
        told,
        nets=tuple(names.nets),
        components=tuple(names.components),
        pins=tuple(names.pins),
        functions=tuple(names.functions),
        attributes=run.file_attributes,
        doubts=doubts,
        stated_plating=bool(run.hits) and bool((plated != PLATING_UNKNOWN).all()),
    )


class _Tables:
    """Numbers for the names in a program's attributes."""

    def __init__(self, run: Machine) -> None:
        self.run = run
        self.nets: dict[tuple[str, ...], int] = {}
        self.components: dict[str, int] = {}
        self.pins: dict[tuple[str, str], int] = {}
        self.functions: dict[str, int] = {}

    def function(self, tool: int) -> int:
        """Number of a tool's function, -1 for none."""
        name = self.run.tools[tool].function
        return self.functions.setdefault(name, len(self.functions)) if name else -1

    def columns(self) -> dict[str, np.ndarray]:
        """Net, component and pin of each hit."""
        sets = np.array([self._row(dict(s)) for s in self.run.attribute_sets], dtype=np.int32)
        rows = sets[[hit.attributes for hit in self.run.hits]].reshape(-1, 3)
        return {"net": rows[:, 0], "component": rows[:, 1], "pin": rows[:, 2]}

    def _row(self, attributes: Mapping[str, tuple[str, ...]]) -> tuple[int, int, int]:
        net, part, pin = UNKNOWN_NET, -1, -1
        if ".N" in attributes:
            names = attributes[".N"]
            net = self.nets.setdefault(names, len(self.nets)) if any(names) else NO_NET
        refdes = attributes.get(".P", attributes.get(".C", ("",)))[0]
        if refdes:
            part = self.components.setdefault(refdes, len(self.components))
        if len(attributes.get(".P", ())) > 1:
            number, name = (*attributes[".P"][1:3], "")[:2]
            pin = self.pins.setdefault((number, name), len(self.pins))
        return net, part, pin


def on_places(expected: Floats, reach: float = 0.05) -> Score:
    """A score: the share of holes that lie within `reach` of an expected place (pad centres).

    Examples
    --------
    >>> on_places(np.array([[0.0, 0.0]]))(np.array([[0.01, 0.0], [5.0, 5.0]]))
    0.5
    """
    tree = shapely.STRtree(shapely.points(expected))

    def share(centres: Floats) -> float:
        if not len(centres) or not np.isfinite(centres).all():
            return 0.0
        hit = tree.query(shapely.points(centres), predicate="dwithin", distance=reach)[0]
        return len(np.unique(hit)) / len(centres)

    return share
