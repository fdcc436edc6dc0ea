"""A package of Gerber layers, drills, job file and netlist as one board.

The order of work: sort the files; read the profile (a negative copper layer needs it); read and compose copper; read
drills, whose format may have to be settled by the pads; name copper by the netlist; connect; tell parts. Whatever is
missing, contradictory or not understood on the way is a doubt of the board.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from parsers.archive import Package
from parsers.board import (
    INNER,
    PLATED,
    PLATING_UNKNOWN,
    UNPLATED,
    Board,
    Hints,
    Holes,
    Outline,
    holes,
)
from parsers.connectivity import Connected, connect, unknown_net_doubts
from parsers.drill import Drilled, NumberFormat, Score, holes_of_image, on_places, read_drill
from parsers.gerber import read_gerber
from parsers.image import Image, compose
from parsers.names import NO_COPPER, Tables
from parsers.naming import Naming, name_copper, open_nets
from parsers.netlist import Netlist, read_netlist
from parsers.parts import Body, bodies, parts_of
from parsers.primitives import NO_NET, UNKNOWN_NET, Bools, Conductors, Floats, Ints, concatenate, conductors
from parsers.profile import outline_of
from parsers.roles import BY_NAME, BY_RULES, COMPONENT, COPPER, DRILL, NETLIST, PROFILE
from parsers.sorting import READABLE, Content, Item, Sorting, sort_files
from parsers.stacking import Stack, stack_up, stackup
from parsers.trimming import drilled_away, off_board, tell_trimmed
from parsers.trouble import BoardError, Doubt, FormatError, Place

BARE = 0.5  # share of a file's plated holes that may miss all copper before the drills are held for misplaced
THROUGH_PADS = ("ViaPad", "ComponentPad", "CastellatedPad")
FLASHES = 20  # flashes of a layer before their connection tells anything of its polarity
LONELY = 0.9  # share of flashes that touch nothing above which a layer looks negative
SAME_HOLE = 0.01  # mm between centres of holes that are one hole


@dataclass(slots=True)
class _Notes:
    """Doubts and remarks in the order of their discovery, each once."""

    doubts: dict[Doubt, None] = field(default_factory=dict)
    remarks: dict[Doubt, None] = field(default_factory=dict)

    def doubt(self, *found: Doubt) -> None:
        """Note doubts."""
        self.doubts.update(dict.fromkeys(found))

    def remark(self, *found: Doubt) -> None:
        """Note remarks."""
        self.remarks.update(dict.fromkeys(found))


@dataclass(frozen=True, slots=True)
class _Copper:
    """Copper of all layers, and which objects fall apart into pieces of several nets (index into Tables.choices)."""

    table: Conductors
    several: Ints


def read_package(package: Package, hints: Hints, path: str, *, job_name: str | None = None) -> Board:
    """Read the files of a package as one board.

    Raises
    ------
    BoardError : no copper, several boards, or rules that contradict the package
    """
    sorting = sort_files(package, hints, job_name=job_name)
    notes = _Notes()
    notes.doubt(*sorting.doubts)
    notes.remark(*sorting.remarks)
    copper_files = _readable(sorting, COPPER)
    _check_copper(sorting, copper_files, path, notes)
    stack = stack_up(sorting, copper_files)
    notes.doubt(*stack.doubts)
    thickness, trouble = stackup(sorting.job, hints, len(stack.layers))
    notes.doubt(*trouble)
    tables = Tables()
    outline = _outline(sorting, notes)
    copper = _copper(stack, tables, outline, notes)
    drilled = _holes(sorting, stack, tables, copper.table, outline, notes)
    copper = _trimmed(copper, drilled, outline, stack, tables, notes)
    netlist = _netlist(sorting, notes)
    joined, naming = _connected(copper.table, drilled, netlist, tables, len(stack.layers), notes)
    _check_choices(joined.copper, copper.several, tables, sorting, notes)
    if netlist and naming:
        notes.doubt(*open_nets(naming, netlist, joined.connectivity, tables))
    _check_holes(sorting, joined, notes)
    _check_polarity(stack, joined, notes)
    notes.doubt(*unknown_net_doubts(joined.copper, stack.layers, [i.name for i in sorting.items]))
    components, more = parts_of(
        joined.copper, tables, _bodies(sorting, notes), netlist if naming and naming.hits else None, len(stack.layers)
    )
    notes.doubt(*more)
    return Board(
        path=path,
        format="gerber",
        title=_title(sorting, package),
        files=sorting.files(stack.ids()),
        layers=stack.layers,
        stackup=thickness,
        nets=tuple(tables.nets),
        refdes=tuple(tables.refdes),
        pins=tuple(tables.pins),
        functions=tuple(tables.functions),
        copper=joined.copper,
        holes=joined.holes,
        outline=outline,
        components=components,
        connectivity=joined.connectivity,
        doubts=tuple(notes.doubts),
        remarks=tuple(notes.remarks),
    )


def _readable(sorting: Sorting, function: str) -> list[Item]:
    """Items of a function whose content can be read as that; the others have their doubt already."""
    return [item for item in sorting.of(function) if item.content in READABLE[function]]


def _check_copper(sorting: Sorting, copper_files: Sequence[Item], path: str, notes: _Notes) -> None:
    """Refuse a package without copper layers; tell that a board in another format stands beside them."""
    others = [item.name for item in sorting.items if item.content is Content.IPC2581]
    if copper_files:
        notes.remark(*(Doubt(f"{name} is not read", "it is IPC-2581; the Gerber layers are read") for name in others))
        return
    if others:
        raise BoardError(f"no copper layer, but an IPC-2581 file; give {others[0]} itself", Place(path))
    raise BoardError(
        "no copper layer found; name the layers in [files] of the rules, or give the folder that holds them",
        Place(path),
    )


def _title(sorting: Sorting, package: Package) -> str:
    """Name of the board: of the job file, of the project attribute, of the package."""
    projects = (i.attributes.get(".ProjectId", ("",))[0] for i in sorting.of(COPPER))
    return (sorting.job.title if sorting.job else "") or next((p for p in projects if p), "") or package.name


def _image(item: Item, notes: _Notes) -> Image | None:
    """A Gerber file as an image; one that cannot be read is a doubt."""
    try:
        image = read_gerber(item.member.data, item.name, item.number)
    except FormatError as error:
        notes.doubt(Doubt(f"{item.name} cannot be read", error.message, error.place))
        return None
    notes.doubt(*image.doubts)
    return replace(image, doubts=())


# ---------------------------------------------------------------------------------------------------- profile, copper


def _outline(sorting: Sorting, notes: _Notes) -> Outline | None:
    """The board's outline; its absence is told, and matters where edges are measured."""
    for item in _readable(sorting, PROFILE):
        image = _image(item, notes)
        if image is not None:
            profile = outline_of(image, item.name, plated=item.role.plated == PLATED)
            notes.doubt(*profile.doubts)
            return profile.outline
    notes.remark(Doubt("no board profile", "no file is the profile; where edges are measured, that is a doubt"))
    return None


def _copper(stack: Stack, tables: Tables, outline: Outline | None, notes: _Notes) -> _Copper:
    """Copper of all layers, top to bottom, in the board's numbers."""
    tables_of, several = [], []
    for index in sorted(stack.files):
        image = _image(stack.files[index], notes)
        if image is None:
            continue
        layer = _layer(image, stack.files[index], index, tables, outline, notes)
        if layer is not None:
            tables_of.append(layer.table)
            several.append(layer.several)
    table = concatenate(tables_of) if tables_of else conductors()
    return _Copper(table, np.concatenate(several) if several else np.empty(0, dtype=np.int32))


def _layer(
    image: Image, item: Item, index: int, tables: Tables, outline: Outline | None, notes: _Notes
) -> _Copper | None:
    """Copper of one layer."""
    if item.role.negative and outline is None:
        why = "a negative layer shows where copper is missing, which needs the board profile; add it"
        notes.doubt(Doubt(f"{item.name} cannot be read", why, Place(item.name)))
        return None
    shape = outline.shape if outline else None
    copper = _without_drawing(compose(image, profile=shape, negative=item.role.negative), image, item, notes)
    columns = tables.translate(image, copper.net, copper.component, copper.pin, copper.function)
    table = replace(
        copper,
        layer=np.full(len(copper), index, dtype=np.int32),
        net=columns.net,
        component=columns.component,
        pin=columns.pin,
        function=columns.function,
    )
    return _Copper(table, columns.several)


def _without_drawing(copper: Conductors, image: Image, item: Item, notes: _Notes) -> Conductors:
    """Copper without what its function states to be no material, such as an outline drawn in the layer."""
    drawing = np.array([name.split(",")[0] in NO_COPPER for name in image.functions] + [False])
    rows: Bools = drawing[copper.function]
    if not rows.any():
        return copper
    what = f"{item.name} holds drawing that is no copper"
    why = f"{int(rows.sum())} objects with the function Profile or NonMaterial are left out of the copper"
    notes.remark(Doubt(what, why, Place(item.name, int(copper.line[rows][0]) or None)))
    return copper.take(~rows)


def _trimmed(
    copper: _Copper, drilled: Holes, outline: Outline | None, stack: Stack, tables: Tables, notes: _Notes
) -> _Copper:
    """Copper that is on the finished board."""
    nameless = copper.table.net < 0
    outside = off_board(copper.table, outline)
    gone = drilled_away(copper.table, drilled, np.flatnonzero(nameless & copper.table.pad))
    doubts, remarks = tell_trimmed(copper.table, outside, gone, stack.layers, tables.nets)
    notes.doubt(*doubts)
    notes.remark(*remarks)
    kept = ~(nameless & (outside | gone))
    return copper if kept.all() else _Copper(copper.table.take(kept), copper.several[kept])


def _check_polarity(stack: Stack, joined: Connected, notes: _Notes) -> None:
    """A doubt for an inner layer that states no polarity and whose flashes touch nothing, as in a negative plane."""
    copper, island = joined.copper, joined.connectivity.island
    members = np.bincount(island, minlength=1)
    for index, item in stack.files.items():
        if stack.layers[index].side != INNER or ".FilePolarity" in item.attributes or item.role.source == BY_RULES:
            continue
        pads = np.flatnonzero((copper.layer == index) & copper.pad)
        alone = members[island[pads]] == 1
        if len(pads) >= FLASHES and alone.mean() > LONELY:
            what = f"polarity of {item.name} is not stated"
            why = (
                f"{int(alone.sum())} of {len(pads)} flashes touch nothing, as in a negative plane; state it in [files] "
                f"of the rules: L{index + 1}, or L{index + 1} negative"
            )
            notes.doubt(Doubt(what, why, Place(item.name)))


# ---------------------------------------------------------------------------------------------------- drills


def _holes(
    sorting: Sorting, stack: Stack, tables: Tables, copper: Conductors, outline: Outline | None, notes: _Notes
) -> Holes:
    """Holes of all drill files in the board's numbers."""
    found = []
    parameters = sorting.parameters
    scores = _scores(copper, outline)
    files = _readable(sorting, DRILL)
    for item in files:
        drilled, parameters = _drilled(item, parameters, scores, notes)
        if drilled is not None:
            table = _translated(drilled, item, tables)
            found.append(_spanned(_plated(table, item, notes), item, len(stack.layers), files, notes))
    if not files and _has_through_pads(copper, tables):
        notes.doubt(Doubt("no drill file", "pads of vias or wired parts have no holes; add the drill files"))
    return _without_repeats(_joined(found), sorting, notes)


def _has_through_pads(copper: Conductors, tables: Tables) -> bool:
    """Whether pads show that holes are missing: by their function, or because two layers have one at the same place."""
    through = np.array([name.split(",")[0] in THROUGH_PADS for name in tables.functions] + [False])
    if through[copper.function].any():
        return True
    pads = copper.take(copper.pad)
    boxes = pads.bounds()
    places = np.column_stack((np.round((boxes[:, :2] + boxes[:, 2:]) / 2 / SAME_HOLE), pads.layer))
    distinct = np.unique(places, axis=0)
    return len(np.unique(distinct[:, :2], axis=0)) < len(distinct)


def _drilled(
    item: Item, parameters: NumberFormat | None, scores: Sequence[Score], notes: _Notes
) -> tuple[Drilled | None, NumberFormat | None]:
    """Holes of one file, and the number format to try for the next."""
    if item.content is Content.GERBER:
        image = _image(item, notes)
        found = holes_of_image(image, item.name, item.number) if image else None
    else:
        try:
            found = read_drill(item.member.data, item.name, item.number, parameters=parameters, scores=scores)
        except FormatError as error:
            notes.doubt(Doubt(f"{item.name} cannot be read", error.message, error.place))
            found = None
    if found is not None:
        notes.doubt(*found.doubts)
    return found, parameters


def _scores(copper: Conductors, outline: Outline | None) -> list[Score]:
    """What makes places of holes plausible: centres of pads, then the board itself."""
    scores = []
    pads = copper.pad
    if pads.any():
        boxes = copper.take(pads).bounds()
        scores.append(on_places((boxes[:, :2] + boxes[:, 2:]) / 2))
    if outline is not None:
        scores.append(_inside(outline.shape))
    return scores


def _inside(board: shapely.Geometry) -> Score:
    shapely.prepare(board)

    def share(centres: Floats) -> float:
        return float(shapely.covers(board, shapely.points(centres)).mean()) if len(centres) else 0.0

    return share


def _translated(drilled: Drilled, item: Item, tables: Tables) -> Holes:
    table = drilled.holes
    columns = tables.translate(drilled, table.net, table.component, table.pin, table.function)
    return replace(table, net=columns.net, component=columns.component, pin=columns.pin, function=columns.function)


def _plated(table: Holes, item: Item, notes: _Notes) -> Holes:
    """Plating: of the tools, else of the file; holes that nobody tells of are a doubt."""
    stated = table.plated != PLATING_UNKNOWN
    role = item.role
    contradicted = stated & (role.plated != PLATING_UNKNOWN) & (table.plated != role.plated)
    if contradicted.any():
        what = f"{item.name} contradicts itself on plating"
        why = f"{int(contradicted.sum())} holes are stated otherwise than the file; the holes' own word is used"
        notes.doubt(Doubt(what, why, Place(item.name)))
    plated = np.where(stated, table.plated, role.plated).astype(np.int8)
    if not stated.all() and len(table):
        if role.plated == PLATING_UNKNOWN:
            why = f"{int((~stated).sum())} holes; name the file plated or unplated in [files] of the rules"
            notes.doubt(Doubt(f"plating of {item.name} is not stated", why, Place(item.name)))
        elif role.source == BY_NAME and item.content is Content.PROGRAM:
            kind = "plated" if role.plated == PLATED else "unplated"
            why = "nothing in the file says so; name it in [files] of the rules"
            notes.doubt(Doubt(f"{item.name} is taken for {kind} by its name", why, Place(item.name)))
    return replace(table, plated=plated, net=np.where(plated == UNPLATED, NO_NET, table.net).astype(np.int32))


def _spanned(table: Holes, item: Item, layers: int, files: Sequence[Item], notes: _Notes) -> Holes:
    """Layer span: as told, else through the whole board."""
    span = item.role.span
    plating = [f for f in files if f.role.plated != UNPLATED]
    if span is None and layers > 2 and len(plating) > 1 and item in plating:
        why = "there are several drill files, so it may be blind or buried; name its span in [files] of the rules"
        notes.doubt(Doubt(f"layers drilled by {item.name} are not stated", why, Place(item.name)))
    first, last = span or (1, layers)
    if first < 1 or last > layers:
        what = f"{item.name} drills layers {first} to {last}"
        notes.doubt(Doubt(what, f"the board has {layers} layers; is one missing?", Place(item.name)))
    low, high = min(max(first, 1), layers) - 1, min(max(last, 1), layers) - 1
    n = len(table)
    return replace(table, first=np.full(n, low, dtype=np.int32), last=np.full(n, high, dtype=np.int32))


def _joined(tables: Sequence[Holes]) -> Holes:
    """Tables of holes one below the other."""
    names = ("ends", "radius", "plated", "first", "last", "net", "component", "pin", "function", "file", "line")
    if not tables:
        return holes()
    return Holes(**{name: np.concatenate([getattr(t, name) for t in tables]) for name in names})


def _without_repeats(table: Holes, sorting: Sorting, notes: _Notes) -> Holes:
    """Drop holes that are drilled twice; a hole both plated and unplated is a doubt."""
    if len(table) < 2:
        return table
    keys = np.column_stack(
        (np.round(table.ends / SAME_HOLE), np.round(table.radius / SAME_HOLE), table.first, table.last)
    )
    _, first, group = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    group = group.reshape(-1)
    twice = np.flatnonzero(table.plated != table.plated[first[group]])
    if len(twice):
        x, y = table.ends[twice[0], :2]
        what = f"{len(twice)} holes are both plated and unplated"
        why = f"for example at ({x:.3f}, {y:.3f}); remove them from one of the drill files"
        notes.doubt(
            Doubt(what, why, Place(sorting.items[table.file[twice[0]]].name, int(table.line[twice[0]]) or None))
        )
    kept = np.union1d(first, twice)
    if len(kept) < len(table):
        notes.remark(Doubt("holes drilled twice", f"{len(table) - len(kept)} repeated holes are counted once"))
    return Holes(**{name: getattr(table, name)[kept] for name in Holes.__dataclass_fields__})


# ---------------------------------------------------------------------------------------------------- nets


def _netlist(sorting: Sorting, notes: _Notes) -> Netlist | None:
    """The test netlist, if there is a readable one."""
    for item in _readable(sorting, NETLIST):
        try:
            netlist = read_netlist(item.member.data, item.name)
        except FormatError as error:
            notes.doubt(Doubt(f"{item.name} cannot be read", error.message, error.place))
            continue
        notes.doubt(*netlist.doubts)
        return netlist
    return None


def _connected(
    copper: Conductors, drilled: Holes, netlist: Netlist | None, tables: Tables, layers: int, notes: _Notes
) -> tuple[Connected, Naming | None]:
    """Copper named by the netlist and connected."""
    naming = name_copper(netlist, copper, drilled, tables, layers) if netlist else None
    if naming:
        notes.doubt(*naming.doubts)
        notes.remark(*naming.remarks)
        copper, drilled = naming.copper, naming.holes
    joined = connect(copper, drilled, tables.nets, layers)
    notes.doubt(*joined.doubts)
    notes.remark(*joined.remarks)
    return joined, naming


def _check_choices(copper: Conductors, several: Ints, tables: Tables, sorting: Sorting, notes: _Notes) -> None:
    """Doubts on pieces of an object of several nets that touch a net which is none of them."""
    for row in np.flatnonzero((several >= 0) & (copper.net != UNKNOWN_NET)).tolist():
        choice = tables.choices[several[row]]
        if int(copper.net[row]) not in choice:
            names = ", ".join(tables.nets[n].name if n >= 0 else "no net" for n in choice)
            net = int(copper.net[row])
            what = f"copper of {names} touches {tables.nets[net].name if net >= 0 else 'no net'}"
            place = Place(sorting.items[copper.file[row]].name, int(copper.line[row]) or None)
            notes.doubt(Doubt(what, "its attribute names several nets, and this is none of them", place))


def _check_holes(sorting: Sorting, joined: Connected, notes: _Notes) -> None:
    """A doubt for each file whose plated holes mostly miss all copper: its origin or format is likely another."""
    table, piece = joined.holes, joined.connectivity.hole_piece
    for file in np.unique(table.file).tolist():
        plated = np.flatnonzero((table.file == file) & (table.plated == PLATED))
        bare = plated[piece[plated] < 0]
        if len(bare) > BARE * len(plated):
            x, y = table.ends[bare[0], :2]
            what = f"plated holes of {sorting.items[file].name} meet no copper"
            why = f"{len(bare)} of {len(plated)}, for example at ({x:.3f}, {y:.3f}); have the drills another origin?"
            notes.doubt(Doubt(what, why, Place(sorting.items[file].name, int(table.line[bare[0]]) or None)))


def _bodies(sorting: Sorting, notes: _Notes) -> Iterable[Body]:
    """Parts of the component layers."""
    images = [(_image(item, notes), item.role.side) for item in _readable(sorting, COMPONENT)]
    return [body for image, side in images if image for body in bodies(image, side)]
