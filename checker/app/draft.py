"""Proposes a rules file from the data alone: regions, isolators, ties and layers; every guess is marked.

Ground-like nets are found by what they are, not by name alone: a net with a pour is the reference of its domain if
more parts hang on it than on the other pours that share those parts. A supply plane shares nearly all its parts with
one reference, or lies over it; two references share only the parts that bridge them, and lie side by side.
"""

from __future__ import annotations

import glob
import itertools
import json
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import networkx as nx
import numpy as np
import shapely

from parsers.board import Board, Component

POUR = 5.0  # mm; the default of limits.pour
SHARED = 0.5  # two pours that share this part of the smaller one's parts serve one domain
GROUND_NAME = re.compile(r"GND|VSS|EARTH|CHASSIS|(?:^|[_/-])(?:0V|COM|PE)(?:$|[_/-])", re.IGNORECASE)
HAZARD_NAME = re.compile(r"MAINS|LINE|(?:^|_)(?:PE|AC|HV|L|N|PRI)(?:$|_)", re.IGNORECASE)
TIE_PARTS = re.compile(r"(?:R|L|FB|NT|JP|W)\d")
CAPACITORS = re.compile(r"C\d")
LEAST_PARTS = 3  # a pour without a ground's name and with fewer parts than this is no reference


Pair = tuple[int, int]  # of regions, ascending
Bridging = dict[Pair, list[Component]]  # parts with pins in both


@dataclass(frozen=True, slots=True)
class Proposal:
    """A region as proposed; net indices."""

    name: str
    reference: int | None  # None: a region without reference copper, told by its area
    planes: tuple[int, ...]
    nets: tuple[int, ...]
    ground: shapely.Geometry
    sure: bool  # named like a ground

    @property
    def carriers(self) -> set[int]:
        """Nets that carry return current: reference and planes."""
        return {net for net in (self.reference, *self.planes) if net is not None}


def draft(board: Board) -> str:
    """Text of a rules file for a board; it runs as it is."""
    grounds = _pours(board)
    parts = _parts_of_nets(board.components)
    proposals = _proposals(board, grounds, parts)
    if not proposals:
        return _header(board) + _no_region(board)
    bridging = _bridging(board, proposals)
    blocks = [_header(board)]
    ties = {pair: tie for pair, joining in bridging.items() if (tie := _tie_at(board, proposals, pair, joining))}
    home = _home(proposals, parts, bridging)
    blocks += [_region_block(board, p, i == home, _is_quiet(i, home, bridging, ties)) for i, p in enumerate(proposals)]
    blocks += _bridge_blocks(board, proposals, bridging, ties)
    blocks.append(_stitching_block(board, proposals))
    blocks.append(_layers_block(board))
    return "\n".join(blocks)


def _pours(board: Board) -> dict[int, shapely.Geometry]:
    """Nets that have a pour, with their pours seen from above."""
    found: dict[int, list[shapely.Geometry]] = defaultdict(list)
    copper = board.copper
    for net in np.unique(copper.net[copper.net >= 0]).tolist():
        for layer in np.unique(copper.layer[copper.net == net]).tolist():
            rows = np.flatnonzero((copper.net == net) & (copper.layer == layer))
            shapes = copper.shapes(rows)
            if shapely.area(shapes).sum() >= POUR * POUR * np.pi / 4:
                found[net] += _big_pieces(shapely.union_all(shapes))
    return {net: shapely.union_all(pieces) for net, pieces in found.items() if pieces}


def _big_pieces(shape: shapely.Geometry) -> list[shapely.Geometry]:
    filled = [shapely.Polygon(piece.exterior) for piece in shapely.get_parts(shape)]
    return [piece for piece in filled if not shapely.buffer(piece, -POUR / 2).is_empty]


def _parts_of_nets(components: Iterable[Component]) -> dict[int, set[str]]:
    parts: dict[int, set[str]] = defaultdict(set)
    for component in components:
        for pin in component.pins:
            if pin.net >= 0:
                parts[pin.net].add(component.refdes)
    return parts


def _proposals(board: Board, grounds: dict[int, shapely.Geometry], parts: dict[int, set[str]]) -> list[Proposal]:
    """One region per domain of pours that share their parts."""
    domains: nx.Graph[int] = nx.Graph()
    domains.add_nodes_from(grounds)
    nets = sorted(grounds)
    for i, a in enumerate(nets):
        for b in nets[i + 1 :]:
            if not _both_grounds(board, a, b) and (_share_parts(parts, a, b) or _overlap(grounds[a], grounds[b])):
                domains.add_edge(a, b)
    chosen = []
    for domain in sorted(nx.connected_components(domains), key=min):
        best = max(sorted(domain), key=lambda net: (_is_ground(board, net), len(parts[net]), grounds[net].area))
        if _is_ground(board, best) or len(parts[best]) >= LEAST_PARTS:
            chosen.append((best, tuple(sorted(domain - {best}))))
    return _with_nets(board, grounds, chosen)


def _share_parts(parts: dict[int, set[str]], a: int, b: int) -> bool:
    both, least = len(parts[a] & parts[b]), min(len(parts[a]), len(parts[b]))
    return least > 0 and both / least >= SHARED


def _overlap(a: shapely.Geometry, b: shapely.Geometry) -> bool:
    """Whether two nets' pours lie mostly over each other: planes of one domain do, separated regions don't."""
    return bool(shapely.intersection(a, b).area >= SHARED * min(a.area, b.area))


def _is_ground(board: Board, net: int) -> bool:
    return bool(GROUND_NAME.search(board.nets[net].name))


def _both_grounds(board: Board, a: int, b: int) -> bool:
    return _is_ground(board, a) and _is_ground(board, b)


def _with_nets(
    board: Board, grounds: dict[int, shapely.Geometry], chosen: Sequence[tuple[int, tuple[int, ...]]]
) -> list[Proposal]:
    references = {net: i for i, (best, planes) in enumerate(chosen) for net in (best, *planes)}
    region = _region_of_nets(board, references, [grounds[best] for best, _ in chosen])
    names = _names([board.nets[best].name for best, _ in chosen])
    out = []
    for i, (best, planes) in enumerate(chosen):
        nets = tuple(net for net, where in sorted(region.items()) if where == i and net not in references)
        out.append(Proposal(names[i], best, planes, nets, grounds[best], _is_ground(board, best)))
    return [*out, *_without_reference(board, out)]


def _without_reference(board: Board, known: Sequence[Proposal]) -> list[Proposal]:
    """Clusters of nets whose pads all lie off every territory, told by the box around those pads."""
    taken = {net for p in known for net in (*p.carriers, *p.nets)}
    territory = shapely.union_all([p.ground for p in known])
    if shapely.is_empty(territory):
        return []
    boxes = {net: box for net in range(len(board.nets)) if net not in taken and (box := _off(board, net, territory))}
    cluster: nx.Graph[int] = nx.Graph()
    cluster.add_nodes_from(boxes)
    for component in board.components:
        nets = [pin.net for pin in component.pins if pin.net in boxes]
        cluster.add_edges_from(itertools.pairwise(nets))
    out: list[Proposal] = []
    for nets_ in sorted(nx.connected_components(cluster), key=min):
        area = shapely.box(*shapely.union_all([boxes[net] for net in nets_]).bounds)
        if len(nets_) > 1 and not shapely.intersects(area, territory):
            name = "unreferenced" if not out else f"unreferenced-{len(out) + 1}"
            out.append(Proposal(name, None, (), tuple(sorted(nets_)), area, False))
    return out


def _off(board: Board, net: int, territory: shapely.Geometry) -> shapely.Geometry | None:
    """The box around a net's pads, if it has several and all lie off a territory."""
    pads = board.copper.shapes(np.flatnonzero((board.copper.net == net) & board.copper.pad))
    if len(pads) < 2 or shapely.intersects(territory, pads).any():
        return None
    return shapely.box(*shapely.total_bounds(pads))


def _region_of_nets(
    board: Board, references: dict[int, int], territories: Sequence[shapely.Geometry]
) -> dict[int, int]:
    """Region of each net: by the references of the parts on it, then by what it lies over, then by its neighbours."""
    region = dict(references)
    homes = {
        c.refdes: _only(Counter(references[p.net] for p in c.pins if p.net in references)) for c in board.components
    }
    votes: dict[int, Counter[int]] = defaultdict(Counter)
    for component in board.components:
        home = homes[component.refdes]
        for pin in component.pins:
            if home is not None and pin.net >= 0:
                votes[pin.net][home] += 1
    pads = np.bincount(board.copper.net[board.copper.pad & (board.copper.net >= 0)], minlength=len(board.nets))
    ground = shapely.union_all(list(territories))
    for net in range(len(board.nets)):
        if net not in region and not board.nets[net].single and pads[net] > 1:
            over = _lies_over(board, net, territories)
            best = over if over is not None or _off(board, net, ground) else _only(votes[net])
            if best is not None:
                region[net] = best
    return region


def _only(votes: Counter[int]) -> int | None:
    """The one choice that got votes, or the clear majority; None where it is open."""
    ranked = votes.most_common(2)
    if not ranked or (len(ranked) == 2 and ranked[0][1] < 2 * ranked[1][1]):
        return None
    return ranked[0][0]


def _lies_over(board: Board, net: int, territories: Sequence[shapely.Geometry]) -> int | None:
    """The territory that holds clearly most of a net's pads (of its copper if it has none)."""
    rows = np.flatnonzero(board.copper.net == net)
    pads = rows[board.copper.pad[rows]]
    shapes = board.copper.shapes(pads if len(pads) else rows)
    over = [float(shapely.area(shapely.intersection(shapes, territory)).sum()) for territory in territories]
    order = sorted(range(len(over)), key=lambda i: -over[i])
    if not order or over[order[0]] == 0 or (len(order) > 1 and over[order[0]] < 2 * over[order[1]]):
        return None
    return order[0]


def _names(references: Sequence[str]) -> list[str]:
    """Region names from reference net names, all different."""
    names: list[str] = []
    for reference in references:
        rest = re.sub(r"GND|VSS|[^A-Za-z0-9]+", " ", reference.upper()).strip().replace(" ", "-").lower()
        name, number = rest or "main", 2
        while name in names:
            name, number = f"{rest or 'main'}-{number}", number + 1
        names.append(name)
    return names


def _bridging(board: Board, proposals: Sequence[Proposal]) -> Bridging:
    """Parts with pins in two regions, by pair of regions."""
    where = {net: i for i, p in enumerate(proposals) for net in (*p.carriers, *p.nets)}
    found: Bridging = defaultdict(list)
    for component in board.components:
        regions = sorted({where[pin.net] for pin in component.pins if pin.net in where})
        for i, a in enumerate(regions):
            for b in regions[i + 1 :]:
                found[a, b].append(component)
    for (a, b), touch in itertools.product(
        itertools.combinations(range(len(proposals)), 2), board.connectivity.contacts
    ):
        if set(touch.nets) == {proposals[a].reference, proposals[b].reference}:
            found.setdefault((a, b), [])  # copper alone may join two references
    return found


def _header(board: Board) -> str:
    return (
        "# Drafted from the fabrication data alone. Lines that end in `# guess` are guesses: check each of them.\n"
        "schema = 1\n"
        f"title = {_quoted(board.title or 'untitled board')}\n"
    )


def _no_region(board: Board) -> str:
    named = sorted(net.name for net in board.nets if GROUND_NAME.search(net.name))
    reference = named[:1] or [net.name for net in board.nets[:1]]
    why = "no net has a pour and parts like a ground's" if board.nets else "the data names no nets"
    block = f"\n# {why}: name the reference nets yourself\n[region.main]\nreference = {_list(reference)}  # guess\n"
    area = "" if reference else "area = [[0, 0], [1, 0], [1, 1]]  # guess\n"
    return f'{block}nets = ["*"]\n{area}'


def _home(proposals: Sequence[Proposal], parts: dict[int, set[str]], bridging: Bridging) -> int:
    """The region that claims whatever no other does: the ground that is bridged to most others, then most parts."""
    degree = Counter(region for pair in bridging for region in pair)
    return max(range(len(proposals)), key=lambda i: (proposals[i].sure, degree[i], _weight(proposals[i], parts)))


def _weight(proposal: Proposal, parts: dict[int, set[str]]) -> int:
    return 0 if proposal.reference is None else len(parts[proposal.reference])


def _is_quiet(region: int, home: int, bridging: Bridging, ties: dict[Pair, str]) -> bool:
    """A region is taken for quiet if isolators alone join it to the home region."""
    pair = (min(region, home), max(region, home))
    return region != home and pair in bridging and pair not in ties


def _region_block(board: Board, proposal: Proposal, home: bool, quiet: bool) -> str:
    names = [board.nets[net].name for net in (proposal.nets if proposal.reference is None else [proposal.reference])]
    quiet = quiet and not any(HAZARD_NAME.search(name) for name in names)
    reference = [] if proposal.reference is None else names
    nets = ["*"] if home else [glob.escape(board.nets[net].name) for net in proposal.nets]
    lines = [
        f"\n[region.{proposal.name}]",
        f"reference = {_list(map(glob.escape, reference))}" + ("" if proposal.sure else "  # guess"),
        f"nets = {_list(nets)}  # guess" + (": whatever no other region claims" if home else ""),
        f"quiet = {str(quiet).lower()}  # guess",
    ]
    if proposal.reference is None:
        x0, y0, x1, y1 = (round(v, 3) for v in proposal.ground.bounds)
        lines.append(f"area = [[{x0}, {y0}], [{x1}, {y0}], [{x1}, {y1}], [{x0}, {y1}]]  # guess: where its pads are")
    if proposal.planes:
        lines.append(f"planes = {_list(glob.escape(board.nets[n].name) for n in proposal.planes)}  # guess")
    return "\n".join(lines) + "\n"


def _tie_at(board: Board, proposals: Sequence[Proposal], pair: Pair, joining: Sequence[Component]) -> str:
    """The line that says where a tie between two regions is, or nothing if there is none."""
    references: set[int | None] = {proposals[i].reference for i in pair}
    at = [c.refdes for c in joining if _joins(c, references) and TIE_PARTS.match(c.refdes)]
    if at:
        return f"at = {_quoted(at[0])}  # guess"
    touching = any(set(contact.nets) == references for contact in board.connectivity.contacts)
    return "# copper of both references touches" if touching else ""


def _joins(part: Component, references: set[int | None]) -> bool:
    """Whether a part of two pins hangs between two references."""
    return len(part.pins) == 2 and {pin.net for pin in part.pins} == references


def _bridge_blocks(board: Board, proposals: Sequence[Proposal], bridging: Bridging, ties: dict[Pair, str]) -> list[str]:
    blocks = []
    for (a, b), parts in sorted(bridging.items()):
        pair = f"between = {_list([proposals[a].name, proposals[b].name])}"
        references: set[int | None] = {proposals[a].reference, proposals[b].reference}
        if (a, b) in ties:
            shared = sorted(
                glob.escape(board.nets[net].name) for net in _shared_nets(board, proposals[a], proposals[b])
            )
            blocks.append(f"\n[[tie]]\n{pair}\n{ties[a, b]}\nnets = {_list(shared)}  # guess\n")
        else:
            isolators = [c.refdes for c in parts if not _joins(c, references)]
            blocks.append(f"\n[[barrier]]\n{pair}\nisolators = {_list(isolators)}  # guess\n{_table_hint()}")
        caps = [c.refdes for c in parts if _joins(c, references) and CAPACITORS.match(c.refdes)]
        if caps:
            across = "across the barrier: a galvanic-bridge, unless listed as isolator"
            why = "for high frequency: list in [nets] stitching" if (a, b) in ties else across
            blocks.append(f"# {', '.join(caps)} between both references {why}\n")
    return blocks


def _shared_nets(board: Board, a: Proposal, b: Proposal) -> set[int]:
    """Nets with parts that belong to the one region and parts that belong to the other."""
    own = [p.carriers for p in (a, b)]
    sides: list[set[int]] = [set(), set()]
    for component in board.components:
        nets = {pin.net for pin in component.pins if pin.net >= 0}
        here = [bool(nets & references) for references in own]
        for side in (0, 1):
            if here[side] and not here[1 - side]:
                sides[side] |= nets
    return (sides[0] & sides[1]) - own[0] - own[1]


def _table_hint() -> str:
    return (
        "# For clearance and creepage give your own table and the voltage across the barrier:\n"
        '# working_voltage = 250\n# insulation = "reinforced"\n# table = "spacing.csv"\n'
    )


def _stitching_block(board: Board, proposals: Sequence[Proposal]) -> str:
    """Capacitors between a reference and a supply plane of one region hand return current over."""
    carriers = [p.carriers for p in proposals]
    caps = [
        c.refdes
        for c in board.components
        if len(nets := {pin.net for pin in c.pins}) == len(c.pins) == 2
        and CAPACITORS.match(c.refdes)
        and any(nets <= own for own in carriers)
    ]
    return f"\n[nets]\nstitching = {_list(caps)}  # guess\n" if caps else ""


def _layers_block(board: Board) -> str:
    lines = ["\n# Layers as read:"]
    lines += [f"#   {f.layer} = {f.path}" for f in board.files if f.layer]
    if board.stackup.thickness is None:
        lines += ["# The data tells no thickness; creepage over edges and distances between layers need it:"]
        lines += ["# [stackup]", "# thickness = 1.6"]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _list(items: Iterable[str]) -> str:
    """A TOML list, broken into lines where it is long."""
    words = [_quoted(item) for item in items]
    flat = f"[{', '.join(words)}]"
    return flat if len(flat) <= 90 else "[\n" + "".join(f"    {word},\n" for word in words) + "]"
