"""Proposes a rules file from the data alone: regions, isolators, ties and layers; every guess is marked.

Ground-like nets are found by what they are, not by name alone: a net with a pour is the reference of its domain if
more parts hang on it than on the other pours that share those parts. A supply plane shares nearly all its parts with
one reference, or lies over it; two references share only the parts that bridge them, and lie side by side.
"""

from __future__ import annotations

import glob
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


@dataclass(frozen=True, slots=True)
class Proposal:
    """A region as proposed; net indices."""

    name: str
    reference: int
    planes: tuple[int, ...]
    nets: tuple[int, ...]
    ground: shapely.Geometry
    sure: bool  # named like a ground


def draft(board: Board) -> str:
    """Text of a rules file for a board; it runs as it is."""
    grounds = _pours(board)
    parts = _parts_of_nets(board.components)
    proposals = _proposals(board, grounds, parts)
    if not proposals:
        return _header(board) + _no_region(board)
    bridging = _bridging(board, proposals)
    blocks = [_header(board)]
    home = max(range(len(proposals)), key=lambda i: (proposals[i].sure, len(parts[proposals[i].reference])))
    blocks += [_region_block(board, proposal, i == home) for i, proposal in enumerate(proposals)]
    blocks += _bridge_blocks(board, proposals, bridging)
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
    return out


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
    for net in range(len(board.nets)):
        if net not in region and not board.nets[net].single and pads[net] > 1:
            over = _lies_over(board, net, territories)
            best = over if over is not None else _only(votes[net])
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


def _bridging(board: Board, proposals: Sequence[Proposal]) -> dict[tuple[int, int], list[Component]]:
    """Parts with pins in two regions, by pair of regions."""
    where = {net: i for i, p in enumerate(proposals) for net in (p.reference, *p.planes, *p.nets)}
    found: dict[tuple[int, int], list[Component]] = defaultdict(list)
    for component in board.components:
        regions = sorted({where[pin.net] for pin in component.pins if pin.net in where})
        for i, a in enumerate(regions):
            for b in regions[i + 1 :]:
                found[a, b].append(component)
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


def _region_block(board: Board, proposal: Proposal, home: bool) -> str:
    name = board.nets[proposal.reference].name
    quiet = not home and not HAZARD_NAME.search(name)
    nets = ["*"] if home else [glob.escape(board.nets[net].name) for net in proposal.nets]
    lines = [
        f"\n[region.{proposal.name}]",
        f"reference = {_list([glob.escape(name)])}" + ("" if proposal.sure else "  # guess"),
        f"nets = {_list(nets)}  # guess" + (": whatever no other region claims" if home else ""),
        f"quiet = {str(quiet).lower()}  # guess",
    ]
    if proposal.planes:
        lines.append(f"planes = {_list(glob.escape(board.nets[n].name) for n in proposal.planes)}  # guess")
    return "\n".join(lines) + "\n"


def _bridge_blocks(
    board: Board, proposals: Sequence[Proposal], bridging: dict[tuple[int, int], list[Component]]
) -> list[str]:
    blocks = []
    touching = {contact.nets for contact in board.connectivity.contacts}
    for (a, b), components in sorted(bridging.items()):
        pair = f"between = {_list([proposals[a].name, proposals[b].name])}"
        references = {proposals[a].reference, proposals[b].reference}
        direct = [c for c in components if len(c.pins) == 2 and {p.net for p in c.pins} == references]
        ties = [c.refdes for c in direct if TIE_PARTS.match(c.refdes)]
        caps = [c.refdes for c in direct if CAPACITORS.match(c.refdes)]
        if ties or tuple(sorted(references)) in touching:
            at = f"at = {_quoted(ties[0])}  # guess" if ties else "# copper of both references touches"
            blocks.append(f"\n[[tie]]\n{pair}\n{at}\n")
        else:
            isolators = [c.refdes for c in components if len(c.pins) > 2 or c not in direct]
            blocks.append(f"\n[[barrier]]\n{pair}\nisolators = {_list(isolators)}  # guess\n{_table_hint()}")
        if caps:
            blocks.append(
                f"# {', '.join(caps)} join both references for high frequency: list them in [nets] stitching\n"
            )
    return blocks


def _table_hint() -> str:
    return (
        "# For clearance and creepage give your own table and the voltage across the barrier:\n"
        '# working_voltage = 250\n# insulation = "reinforced"\n# table = "spacing.csv"\n'
    )


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
