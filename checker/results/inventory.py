"""What was read, as plain rows; with a rules file also what each net runs over."""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from fnmatch import fnmatchcase
from io import StringIO
from typing import Any

import numpy as np
import shapely

from checker.config.rules_file import Rules, nearest
from checker.layout.layout import Layout
from checker.results.islands import Island, island_lines, islands
from parsers.board import PLATED, UNPLATED, Board, Component, Holes
from parsers.primitives import Kind
from parsers.trouble import Doubt, InputError


@dataclass(frozen=True, slots=True)
class NetRow:
    """A net; its length is that of its centre lines in mm. The last three need a rules file."""

    net: str
    layers: str
    pads: int
    length_mm: float
    region: str | None = None
    reference_percent: float | None = None  # of its length, over its own region's pours
    crossings: int | None = None


@dataclass(frozen=True, slots=True)
class Inventory:
    """Everything that was read, in rows."""

    title: str
    format: str
    thickness_mm: float | None
    files: tuple[dict[str, Any], ...]
    layers: tuple[dict[str, Any], ...]
    nets: tuple[NetRow, ...]
    pours: tuple[dict[str, Any], ...]
    holes: dict[str, int]
    components: tuple[dict[str, Any], ...]
    doubts: tuple[dict[str, Any], ...]
    remarks: tuple[dict[str, Any], ...]
    islands: tuple[Island, ...] | None = None  # pieces of copper, where they are asked for


def inventory(board: Board, rules: Rules | None = None, *, pieces: bool = False) -> Inventory:
    """Take stock of a board.

    Parameters
    ----------
    rules : adds regions, reference and crossings where it declares regions
    pieces : list the pieces of copper
    """
    layout = Layout(board, rules) if rules and rules.regions else None
    doubts = [*board.doubts, *(layout.doubts if layout else ())]
    files = [{"path": f.path, "layer": f.layer, "function": f.function} for f in board.files]
    return Inventory(
        title=board.title,
        format=board.format,
        thickness_mm=board.stackup.thickness,
        files=tuple(files),
        layers=_layer_rows(board),
        nets=_net_rows(board, layout),
        pours=_pour_rows(layout) if layout else (),
        holes=_hole_counts(board.holes),
        components=tuple(map(_component_row, board.components)),
        doubts=tuple(map(_doubt_row, doubts)),
        remarks=tuple(map(_doubt_row, board.remarks)),
        islands=islands(board) if pieces else None,
    )


def _hole_counts(holes: Holes) -> dict[str, int]:
    plated, unplated = holes.plated == PLATED, holes.plated == UNPLATED
    counts = {"plated": plated, "unplated": unplated, "plating unknown": ~(plated | unplated)}
    return {kind: int(mask.sum()) for kind, mask in counts.items()}


def of_nets(stock: Inventory, words: Sequence[str]) -> Inventory:
    """The same with those nets alone, and their pours and pieces, that are named or match a
    pattern.

    Raises
    ------
    InputError : a word that means no net
    """
    names = [row.net for row in stock.nets]
    wanted: set[str] = set()
    for word in words:
        found = [name for name in names if name == word or fnmatchcase(name, word)]
        if not found:
            raise InputError(f'no net is called "{word}"{nearest(word, names)}')
        wanted.update(found)
    pieces = stock.islands
    return replace(
        stock,
        nets=tuple(row for row in stock.nets if row.net in wanted),
        pours=tuple(row for row in stock.pours if row["net"] in wanted),
        islands=None if pieces is None else tuple(piece for piece in pieces if piece.net in wanted),
    )


def as_json(stock: Inventory) -> str:
    """All rows as JSON."""
    rows = asdict(stock)
    if stock.islands is None:
        del rows["islands"]
    return json.dumps(rows, indent=1, ensure_ascii=False) + "\n"


def as_csv(stock: Inventory) -> str:
    """The nets, or the pieces of copper where they are asked for, one a line, for a spreadsheet."""
    stream = StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    if stock.islands is not None:
        writer.writerow(["net", "area_mm2", "layers", "holes", "x_mm", "y_mm", "layer"])
        writer.writerows([i.net or "", i.area_mm2, i.layers, i.holes, *i.at] for i in stock.islands)
        return stream.getvalue()
    names = list(NetRow.__dataclass_fields__)
    writer.writerow(names)
    writer.writerows([getattr(row, name) for name in names] for row in stock.nets)
    return stream.getvalue()


def as_text(stock: Inventory) -> str:
    """The rows for a terminal of 80 columns."""
    thickness = (
        "thickness not stated" if stock.thickness_mm is None else f"{stock.thickness_mm:g} mm thick"
    )
    plated = ", ".join(f"{count} {kind}" for kind, count in stock.holes.items() if count)
    lines = [f"{stock.title or 'untitled board'} ({stock.format}), {thickness}", "", "Layers"]
    lines += [_layer_line(row) for row in stock.layers]
    lines += ["", f"Holes: {plated or 0}", f"Parts: {len(stock.components)}", "", "Nets"]
    lines += _net_lines(stock.nets)
    if stock.pours:
        lines += ["", "Pours"]
        lines += [
            f"  {r['region']:12} {r['layer']:4} {r['net']:24} {r['area_mm2']:12.3f} mm²"
            for r in stock.pours
        ]
    if stock.islands is not None:
        lines += ["", *island_lines(stock.islands)]
    lines += ["", "Files"]
    lines += [f"  {r['function']:12} {r['layer'] or '':4} {r['path']}" for r in stock.files]
    for title, rows in (("Doubts", stock.doubts), ("Remarks", stock.remarks)):
        if rows:
            lines += ["", title]
            lines += [
                f"  {r['place'] + ': ' if r['place'] else ''}{r['what']}: {r['why']}" for r in rows
            ]
    return "\n".join(lines) + "\n"


FORMATS: Mapping[str, Callable[[Inventory], str]] = {
    "text": as_text,
    "json": as_json,
    "csv": as_csv,
}


def _component_row(part: Component) -> dict[str, Any]:
    x, y = (round(value, 4) for value in part.at)
    return {"refdes": part.refdes, "side": part.side, "x_mm": x, "y_mm": y, "pins": len(part.pins)}


def _doubt_row(doubt: Doubt) -> dict[str, Any]:
    return {"what": doubt.what, "why": doubt.why, "place": str(doubt.place)}


def _layer_line(row: Mapping[str, Any]) -> str:
    return f"  {row['id']:4} {row['side']:7} {row['objects']:7} objects  {row['name']}"


HEADS = ("net", "layers", "pads", "length mm", "region", "own %", "x")
WIDTHS = (26, 11, 5, 10, 10, 6, 3)  # of the columns, 79 characters with what stands between
NAMES = (0, 1, 4)  # columns of names, the others are numbers


def _net_lines(rows: Sequence[NetRow]) -> Iterator[str]:
    """One line a net under a line of heads; the last three columns only where the rules tell
    them.
    """
    told = any(row.crossings is not None for row in rows)
    ambiguous = _cut_alike(row.net for row in rows)
    for cells in (HEADS, *map(_net_cells, rows)):
        if cells[0] in ambiguous:
            yield f"  {cells[0]}"
            cells = ("", *cells[1:])  # noqa: PLW2901 - the name stands on a line of its own
        yield "  " + _columns(cells if told else cells[:4])
    if told:
        yield "  own %: of its length, over pours of its own region; x: crossings"


def _cut_alike(names: Iterable[str]) -> set[str]:
    """Names that would look like another once they are cut to their column.

    Examples
    --------
    >>> sorted(_cut_alike(["/a long folder of sheets/X1", "/a long folder of sheets/X2", "GND"]))
    ['/a long folder of sheets/X1', '/a long folder of sheets/X2']
    """
    listed = list(names)
    times = Counter(_cut(name, WIDTHS[0]) for name in listed)
    return {name for name in listed if times[_cut(name, WIDTHS[0])] > 1}


def _cut(cell: str, width: int) -> str:
    return cell if len(cell) <= width else cell[: width - 1] + "\u2026"


def _net_cells(row: NetRow) -> tuple[str, ...]:
    share = "" if row.reference_percent is None else f"{row.reference_percent:.1f}"
    crossings = "" if row.crossings is None else str(row.crossings)
    return (
        row.net,
        row.layers,
        str(row.pads),
        f"{row.length_mm:.3f}",
        row.region or "",
        share,
        crossings,
    )


def _columns(cells: Sequence[str]) -> str:
    """Cells in columns: names to the left, cut where they do not fit, numbers to the right."""
    texts = []
    for number, (cell, width) in enumerate(zip(cells, WIDTHS, strict=False)):
        if number in NAMES:
            texts.append(_cut(cell, width).ljust(width))
        else:
            texts.append(cell.rjust(width))
    return " ".join(texts).rstrip()


def _layer_rows(board: Board) -> tuple[dict[str, Any], ...]:
    rows = []
    for index, layer in enumerate(board.layers):
        here = int((board.copper.layer == index).sum())
        rows.append({"id": layer.id, "name": layer.name, "side": layer.side, "objects": here})
    return tuple(rows)


def _net_rows(board: Board, layout: Layout | None) -> tuple[NetRow, ...]:
    copper, size = board.copper, len(board.nets)
    named = copper.net >= 0
    lines = np.flatnonzero(named & (copper.kind != Kind.AREA) & ~copper.pad)
    length = np.bincount(copper.net[lines], shapely.length(copper.skeletons(lines)), size)
    pads = np.bincount(copper.net[named & copper.pad], minlength=size)
    rows = [
        NetRow(net.name, _layers_of(board, i), int(pads[i]), round(float(length[i]), 4))
        for i, net in enumerate(board.nets)
    ]
    if layout is not None:
        rows = [_with_reference(row, i, layout) for i, row in enumerate(rows)]
    return tuple(sorted(rows, key=lambda row: row.net))


def _layers_of(board: Board, net: int) -> str:
    layers = np.unique(board.copper.layer[board.copper.net == net])
    return " ".join(board.layers[i].id for i in layers)


def _with_reference(row: NetRow, net: int, layout: Layout) -> NetRow:
    region = int(layout.region_of_net[net])
    name = layout.regions[region].name if region >= 0 else None
    crossings = sum(s.net == net and len(s.regions) >= 2 for s in layout.off_reference_runs)
    share = layout.reference_share(net)
    percent = None if share is None else round(100 * share, 1)
    return NetRow(row.net, row.layers, row.pads, row.length_mm, name, percent, crossings)


def _pour_rows(layout: Layout) -> tuple[dict[str, Any], ...]:
    return tuple(
        {
            "region": layout.regions[pour.region].name,
            "layer": layout.layer_id(pour.layer),
            "net": layout.board.nets[pour.net].name,
            "area_mm2": round(pour.copper.area, 3),
            "plane": pour.plane,
        }
        for pour in layout.pours
    )
