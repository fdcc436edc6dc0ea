"""Regions bound to the nets of a board, and the records that the geometry on top of them is told
in.

Definitions: README, chapters "Words" and "Geometry".
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from enum import Enum
from fnmatch import translate

import numpy as np
import shapely

from checker.config.rules_file import PinName, RegionSpec, Rules, Tie, nearest
from checker.findings import Path
from parsers.board import Board
from parsers.primitives import Bools, Floats, Ints, Rows
from parsers.trouble import Doubt

CATCH_ALL = "*"
CHASSIS_KEYS = re.compile(r"(region|barrier|spacing)\b")  # where nets of hardware may be named
# first field of a Gerber function, or a usage of IPC-2581: thieving, text, fiducials
FLOATING_FUNCTIONS = {
    "CopperBalancing",
    "NonConductor",
    "Border",
    "FiducialPad",
    "THIEVING",
    "TEXT",
    "GRAPHIC",
    "FIDUCIAL",
}
VIA_FUNCTIONS = {"ViaPad", "VIA"}
SAME_PLACE = 0.05  # mm; lands of one hole on several layers are one pad


@dataclass(frozen=True, slots=True)
class Region:
    """A region of the rules file, bound to the board's nets."""

    index: int
    spec: RegionSpec
    reference: frozenset[int]  # net indices
    # supply planes: pours for gap-crossing, unreferenced-run and return-handover
    planes: frozenset[int]
    nets: frozenset[int]  # every net claimed, reference and planes included

    @property
    def name(self) -> str:
        """Its name in the rules file."""
        return self.spec.name

    @property
    def quiet(self) -> bool:
        """Whether it is to be protected."""
        return self.spec.quiet


@dataclass(frozen=True, slots=True)
class Pour:
    """One connected piece of a region's reference copper (or of a supply plane) on one layer."""

    region: int
    layer: int
    net: int
    piece: int  # number among the pours of this region and layer
    shape: shapely.Polygon  # antipads filled
    copper: shapely.Polygon  # as it is, antipads open
    # a supply plane, no reference net: counts only for gap-crossing, unreferenced-run,
    # return-handover
    plane: bool


class Kind(Enum):
    """What a run off the reference is."""

    GAP = "gap"  # no region's pours carry the return current from one region to another
    TURN = "turn"  # one side's view changes from one region to another, and it is no gap
    # one side's view changes to a separate piece of one region's pours on the same layer
    MOAT = "moat"
    BARE = "bare"  # over no pour on either side, and none of these


@dataclass(frozen=True, slots=True)
class OffReferenceRun:
    """A connected part of one net's conductors along which its return current is not carried as it
    should be.
    """

    kind: Kind
    net: int
    layers: tuple[int, ...]  # layers it runs on, ascending
    rows: Rows  # conductors that take part
    path: Path  # centre lines, pads cut away; of bare runs isolators' fan-out too
    length: float  # over no pour; of turns and moats without pour on the side that changes
    regions: tuple[int, ...]  # regions whose pours it touches, ascending
    pours: tuple[int, ...]  # the pours it touches: indices into Layout.pours
    ends: tuple[tuple[float, float], ...]  # where it meets the pours, one point per contact
    # of turns and moats: pours that the other side shows along all of it; none if it does not
    carriers: tuple[int, ...]
    bounds: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Binding:
    """Which region claims which net.

    All columns have one entry per net: `lone` marks floating nets of one pad that the data does not
    state to be connected to nothing, `catch_all` nets that only `*` claims.
    """

    regions: tuple[Region, ...]
    region_of_net: Ints
    floating: Bools
    lone: Bools
    catch_all: Bools
    doubts: tuple[Doubt, ...]


class NetNames:
    """Finds nets by glob patterns; a name that is spelled exactly like a pattern matches it too."""

    def __init__(self, names: Sequence[str]) -> None:
        self.names = tuple(names)
        self._found: dict[str, Ints] = {}

    def matching(self, patterns: Iterable[str]) -> Ints:
        """Net indices that match any of the patterns, ascending."""
        found = [self._matching(pattern) for pattern in patterns]
        return np.unique(np.concatenate([np.empty(0, dtype=np.int32), *found])).astype(np.int32)

    def _matching(self, pattern: str) -> Ints:
        if pattern not in self._found:
            test = re.compile(translate(pattern)).match
            hits = [i for i, name in enumerate(self.names) if name == pattern or test(name)]
            self._found[pattern] = np.array(hits, dtype=np.int32)
        return self._found[pattern]


def bind(board: Board, rules: Rules, names: NetNames) -> Binding:
    """Give every net its region.

    Reference and plane nets come first, then the explicit patterns; `*` takes what no other region
    claims. A net that explicit patterns of two regions match goes to the first and is a doubt,
    unless a tie shares it. A net of one pad floats unless a region claims it by more than `*`; one
    that the data states to be connected to nothing floats whatever claims it.
    """
    hardware = {item.net for item in rules.hardware if item.net}
    floating = floating_nets(board) & ~np.array(
        [net.name in hardware for net in board.nets], dtype=bool
    )
    single = np.array([net.single for net in board.nets], dtype=bool).reshape(-1)
    region_of, doubts = _claimed(rules, names)
    floating &= ~_is_reference(rules, names, len(board.nets))
    floating &= single | (region_of < 0)  # a pad that a region names is fed from outside
    region_of[floating] = -1
    catch_all = np.zeros(len(board.nets), dtype=bool)
    for index, spec in enumerate(rules.regions):
        if CATCH_ALL in spec.nets:
            catch_all |= (region_of < 0) & ~floating
            region_of[catch_all] = index
    doubts += _unclaimed(board, region_of, floating)
    doubts += _without_copper(board, rules, region_of, hardware)
    regions = tuple(_region(i, spec, region_of, names) for i, spec in enumerate(rules.regions))
    lone = floating & ~single
    return Binding(
        regions, region_of, floating, lone, catch_all, (*doubts, *unmatched(board, rules, names))
    )


def floating_nets(board: Board) -> Bools:
    """Nets that go nowhere: stated to be single, or with exactly one pad; shape (nets,).

    A pad is a pin of a part, or a place with lands that belong to no pin; lands of vias are none.
    """
    single = np.array([net.single for net in board.nets], dtype=bool).reshape(-1)
    pads = _pins_per_net(board) + _other_lands_per_net(board)
    floating: Bools = single | (pads == 1)
    return floating


def floating_rows(board: Board) -> Bools:
    """Conductors stated to be thieving, text or fiducial, shape (conductors,)."""
    floats = np.array([f.split(",")[0] in FLOATING_FUNCTIONS for f in board.functions] + [False])
    mask: Bools = floats[board.copper.function]
    return mask


def unmatched(board: Board, rules: Rules, names: NetNames) -> Iterator[Doubt]:
    """Patterns without a net, parts that are not on the board, layers that do not exist: a doubt
    each.
    """
    known_nets = set(names.names)
    chassis = _chassis(rules, known_nets)
    for key, patterns in _net_patterns(rules):
        for pattern in dict.fromkeys(patterns):
            known = (
                pattern == CATCH_ALL
                or len(names.matching([pattern]))
                or len(chassis.matching([pattern]))
            )
            if not known:
                yield _missing(
                    rules, key, f'no net matches "{pattern}"', nearest(pattern, known_nets)
                )
    parts = {*board.refdes, *(c.refdes for c in board.components)}
    for key, refdes in _parts(rules):
        if refdes not in parts:
            yield _missing(
                rules, key, f'part "{refdes}" is not on the board', nearest(refdes, parts)
            )
    yield from _unmatched_pins(board, rules)
    layers = [layer.id for layer in board.layers]
    for layer, stated in rules.stackup.reference.items():
        for name in (layer, *stated):
            if name not in layers:
                key = f"stackup.reference.{layer}"
                yield _missing(
                    rules, key, f'layer "{name}" is not on the board', nearest(name, layers)
                )


def _unmatched_pins(board: Board, rules: Rules) -> Iterator[Doubt]:
    """Pins of currents and quiet inputs that are not on the board."""
    named = list(_pins(rules))
    if not named:
        return
    copper = board.copper
    rows = np.flatnonzero((copper.component >= 0) & (copper.pin >= 0))
    pairs = np.unique(np.column_stack((copper.component[rows], copper.pin[rows])), axis=0)
    known = {f"{board.refdes[part]}.{board.pins[pin]}" for part, pin in pairs.tolist()}
    known |= {f"{part.refdes}.{pin.number}" for part in board.components for pin in part.pins}
    for key, pin in named:
        if str(pin) not in known:
            what = f'pin "{pin}" is not on the board'
            others = [name for name in known if name.startswith(f"{pin.part}.")]
            yield _missing(rules, key, what, nearest(str(pin), others or known))


def _pins(rules: Rules) -> Iterator[tuple[str, PinName]]:
    """Every key of a rules file that names pins, with the pins."""
    for number, current in enumerate(rules.currents):
        yield f"current[{number}].from", current.start
        yield f"current[{number}].to", current.end
        yield from ((f"current[{number}].back", pin) for pin in current.back)
    for number, quiet in enumerate(rules.quiet_inputs):
        yield f"quiet_input[{number}].from", quiet.start
        yield f"quiet_input[{number}].to", quiet.end
        yield from ((f"quiet_input[{number}].ground", pin) for pin in quiet.ground)


def _chassis(rules: Rules, known: Set[str]) -> NetNames:
    """Nets that only hardware has, as far as a region, a barrier or a spacing names them: meant,
    not misspelt.
    """
    named = [
        p
        for key, patterns in _net_patterns(rules)
        if CHASSIS_KEYS.match(key)
        for p in patterns
        if p != CATCH_ALL
    ]
    alone = NetNames(sorted({h.net for h in rules.hardware if h.net and h.net not in known}))
    return NetNames([alone.names[net] for net in alone.matching(named)])


def tie_patterns(ties: Sequence[Tie], a: str, b: str) -> tuple[str, ...]:
    """Patterns of nets that a tie between two regions shares."""
    return tuple(pattern for tie in ties if set(tie.between) == {a, b} for pattern in tie.nets)


def _missing(rules: Rules, key: str, what: str, hint: str) -> Doubt:
    why = f"what {key} asks for cannot be checked; correct the name or remove it{hint}"
    return Doubt(what, why, rules.place(key))


def _net_patterns(rules: Rules) -> Iterator[tuple[str, Iterable[str]]]:
    """Every key of a rules file that holds patterns of nets."""
    for spec in rules.regions:
        for name in ("reference", "nets", "planes"):
            yield f"region.{spec.name}.{name}", getattr(spec, name)
    for number, barrier in enumerate(rules.barriers):
        yield f"barrier[{number}].earthed", barrier.earthed
    for number, spacing in enumerate(rules.spacings):
        yield f"spacing[{number}].between", (*spacing.between[0], *spacing.between[1])
        yield f"spacing[{number}].earthed", spacing.earthed
    for number, tie in enumerate(rules.ties):
        yield f"tie[{number}].nets", tie.nets
    for number, hardware in enumerate(rules.hardware):
        yield f"hardware[{number}].net", (hardware.net,) if hardware.net else ()
    for number, current in enumerate(rules.currents):
        yield f"current[{number}].net", (current.net,)
    for number, quiet in enumerate(rules.quiet_inputs):
        yield f"quiet_input[{number}].net", (quiet.net,)
    yield "nets.noisy", rules.nets.noisy
    yield "nets.slow", rules.nets.slow
    yield "nets.pairs", (name for pair in rules.nets.pairs for name in pair)
    yield "nets.edge_ns", rules.nets.edge_ns


def _parts(rules: Rules) -> Iterator[tuple[str, str]]:
    """Every key of a rules file that names a part, with the part."""
    for number, barrier in enumerate(rules.barriers):
        for name in ("isolators", "straddling", "isolator_pf"):
            for refdes in getattr(barrier, name):
                yield f"barrier[{number}].{name}", refdes
    for number, tie in enumerate(rules.ties):
        if tie.at is not None:
            yield f"tie[{number}].at", tie.at
    for refdes in rules.nets.stitching:
        yield "nets.stitching", refdes


def _claimed(rules: Rules, names: NetNames) -> tuple[Ints, list[Doubt]]:
    """Region of each net by reference and plane nets first, then by explicit patterns; -1 where
    neither claims.
    """
    region_of = np.full(len(names.names), -1, dtype=np.int32)
    doubts: list[Doubt] = []
    for kind in (("reference",), ("planes",), ("nets",)):
        before = region_of.copy()
        for index, spec in enumerate(rules.regions):
            patterns = [p for name in kind for p in getattr(spec, name) if p != CATCH_ALL]
            matched = names.matching(patterns)
            twice = matched[(before[matched] < 0) & (region_of[matched] >= 0)]
            doubts += _claimed_twice(rules, names, twice, (region_of, index))
            region_of[matched[region_of[matched] < 0]] = index
    return region_of, doubts


def _claimed_twice(
    rules: Rules, names: NetNames, nets: Ints, claim: tuple[Ints, int]
) -> Iterator[Doubt]:
    region_of, index = claim
    for net in nets.tolist():
        first, second = rules.regions[int(region_of[net])].name, rules.regions[index].name
        if first != second and net not in names.matching(tie_patterns(rules.ties, first, second)):
            what = f'net "{names.names[net]}" is claimed by regions {first} and {second}'
            why = (
                f"it is taken for {first}; narrow one pattern, or name the net in a [[tie]] if both"
                " are meant"
            )
            yield Doubt(what, why, rules.place(f"region.{second}.nets"))


def _is_reference(rules: Rules, names: NetNames, size: int) -> Bools:
    mask = np.zeros(size, dtype=bool)
    for spec in rules.regions:
        mask[names.matching((*spec.reference, *spec.planes))] = True
    return mask


def _region(index: int, spec: RegionSpec, region_of: Ints, names: NetNames) -> Region:
    own = set(np.flatnonzero(region_of == index).tolist())
    reference = own & set(names.matching(spec.reference).tolist())
    planes = own & set(names.matching(spec.planes).tolist()) - reference
    return Region(index, spec, frozenset(reference), frozenset(planes), frozenset(own))


def _unclaimed(board: Board, region_of: Ints, floating: Bools) -> Iterator[Doubt]:
    used = np.zeros(len(board.nets), dtype=bool)
    for nets in (board.copper.net, board.holes.net):
        used[nets[nets >= 0]] = True
    for net in np.flatnonzero(used & (region_of < 0) & ~floating).tolist():
        what = f'net "{board.net_name(net)}" belongs to no region'
        why = (
            "its copper is not held against any region; name it in the nets of one, or let one"
            " claim the rest (*)"
        )
        yield Doubt(what, why)


def _without_copper(
    board: Board, rules: Rules, region_of: Ints, hardware: Set[str | None]
) -> Iterator[Doubt]:
    """Regions without reference that no copper and no hardware belongs to; of others their missing
    pour is told.
    """
    used = np.unique(region_of[np.unique(board.copper.net[board.copper.net >= 0])])
    for index, spec in enumerate(rules.regions):
        named = any(NetNames([net]).matching(_own_patterns(spec)).size for net in hardware if net)
        if not spec.reference and index not in used and not named:
            why = "nothing can be held against it; correct its nets, or remove the region"
            yield Doubt(
                f"region {spec.name} has no copper", why, rules.place(f"region.{spec.name}")
            )


def _own_patterns(spec: RegionSpec) -> tuple[str, ...]:
    return (*spec.reference, *spec.planes, *spec.nets)


def _pins_per_net(board: Board) -> Ints:
    """Number of pins of parts on each net, told by copper or by the parts themselves."""
    copper = board.copper
    rows = np.flatnonzero((copper.component >= 0) & (copper.pin >= 0) & (copper.net >= 0))
    parts = {refdes: i for i, refdes in enumerate(board.refdes)}
    numbers = {number: i for i, number in enumerate(board.pins)}
    told = [
        (
            pin.net,
            parts.setdefault(part.refdes, len(parts)),
            numbers.setdefault(pin.number, len(numbers)),
        )
        for part in board.components
        for pin in part.pins
        if pin.net >= 0
    ]
    seen = np.column_stack((copper.net[rows], copper.component[rows], copper.pin[rows]))
    pins = _distinct_per_net(
        np.vstack((seen, np.array(told, dtype=np.int64).reshape(-1, 3))), len(board.nets)
    )
    # one pin with lands at several places, as the tabs of a shield, goes somewhere if other copper
    # joins them
    places = np.column_stack((copper.net[rows], _centres(copper.take(rows).bounds())))
    drawn = np.bincount(copper.net[~copper.pad & (copper.net >= 0)], minlength=len(board.nets)) > 0
    return np.where(
        drawn, np.maximum(pins, _distinct_per_net(places.astype(np.int64), len(board.nets))), pins
    )


def _other_lands_per_net(board: Board) -> Ints:
    """Number of places on each net with lands that are neither pins nor vias, nor lie where a pin
    is.
    """
    copper = board.copper
    via = np.array([f.split(",")[0] in VIA_FUNCTIONS for f in board.functions] + [False])[
        copper.function
    ]
    rows = np.flatnonzero(copper.pad & (copper.net >= 0) & ~via)
    at = _centres(copper.take(rows).bounds())
    keys = np.column_stack((copper.net[rows], at)).astype(np.int64)
    of_pin = copper.pin[rows] >= 0
    pins = {tuple(key) for key in keys[of_pin].tolist()}
    others = [key for key in keys[~of_pin].tolist() if tuple(key) not in pins]
    return _distinct_per_net(np.array(others, dtype=np.int64).reshape(-1, 3), len(board.nets))


def _centres(boxes: Floats) -> Ints:
    middle = (boxes[:, :2] + boxes[:, 2:]) / 2
    return np.rint(middle / SAME_PLACE).astype(np.int32)


def _distinct_per_net(keys: np.ndarray[tuple[int, int], np.dtype[np.int64]], nets: int) -> Ints:
    distinct = np.unique(keys, axis=0) if len(keys) else keys
    return np.bincount(distinct[:, 0], minlength=nets).astype(np.int32)


def shared_by_ties(rules: Rules, names: NetNames) -> Mapping[int, tuple[Tie, ...]]:
    """Ties by the nets that they share."""
    out: dict[int, tuple[Tie, ...]] = {}
    for tie in rules.ties:
        for net in names.matching(tie.nets).tolist():
            out[net] = (*out.get(net, ()), tie)
    return out
