"""A package of Gerber layers, drills, job file and netlist as one board.

The order of work: sort the files; read the profile (a negative copper layer needs it); read and
compose copper; read drills, whose format may have to be settled by the pads; name copper by the
netlist; connect; tell parts. Whatever is missing, contradictory or not understood on the way is a
doubt of the board.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from parsers.assembly.connectivity import Connected, connect, unknown_net_doubts
from parsers.assembly.diagnostics import Diagnostics, clean
from parsers.assembly.image import Image, compose
from parsers.assembly.named_places import with_names
from parsers.assembly.pins import without_merged_nets, without_pins_of_vias
from parsers.assembly.plausibility import lonely_flashes, trimmed
from parsers.assembly.profile import outline_of, told_outline
from parsers.board import (
    INNER,
    PLATED,
    Board,
    Component,
    Hints,
    Holes,
    Outline,
    Stackup,
)
from parsers.netlist import Netlist, read_netlist
from parsers.package.archive import Package
from parsers.package.drilling import check_holes, check_pads, read_holes
from parsers.package.images import read_image
from parsers.package.names import NO_COPPER, TRACKS, Tables
from parsers.package.naming import Naming, name_copper, open_nets
from parsers.package.netlist_checks import netlist_doubts, told_edge
from parsers.package.parts import Body, bodies, parts_of
from parsers.package.roles import BY_RULES, COMPONENT, COPPER, NETLIST, PROFILE, UNKNOWN
from parsers.package.sorting import Content, Item, Sorting, sort_files
from parsers.package.stacking import Stack, stack_up, stackup
from parsers.primitives import (
    UNKNOWN_NET,
    Bools,
    Conductors,
    Ints,
    concatenate,
    middles,
)
from parsers.trouble import BoardError, Doubt, FormatError, Place, line_for

# columns that number names, first of the file, then of the board
NAMED = ("net", "component", "pin", "function")


@dataclass(frozen=True, slots=True)
class _Copper:
    """Copper of all layers, and which objects fall apart into pieces of several nets (index into
    Tables.choices).
    """

    table: Conductors
    several: Ints


def read_package(
    package: Package, hints: Hints, path: str, *, job_name: str | None = None, jobs: int = 1
) -> Board:
    """Read the files of a package as one board.

    Parameters
    ----------
    job_name : the job file to use where there are several
    jobs : layers that may be read at a time; the board is the same

    Raises
    ------
    BoardError : no copper, several boards, or rules that contradict the package
    """
    sorting = sort_files(package, hints, job_name=job_name)
    diagnostics = Diagnostics()
    diagnostics.doubt(*sorting.doubts)
    diagnostics.remark(*sorting.remarks)
    stack, thicknesses = _stacked(sorting, hints, path, diagnostics)
    tables = Tables()
    netlist = _netlist(sorting, diagnostics)
    outline = _outline(sorting, hints, netlist, diagnostics)
    copper = _copper(stack, tables, outline, diagnostics, jobs)
    drilled = read_holes(sorting, stack, tables, copper.table, outline, diagnostics)
    copper = _trimmed(copper, drilled, outline, stack, tables, diagnostics)
    naming = _naming(netlist, copper.table, drilled, tables, stack)
    joined = _connected(naming or copper.table, drilled, hints, tables, stack, jobs)
    _note_connection(joined, naming, diagnostics)
    _check_choices(joined.copper, copper.several, tables, sorting, diagnostics)
    _check_netlist(netlist, naming, joined, outline, tables, diagnostics)
    _check_copper_and_holes(sorting, stack, joined, tables, diagnostics)
    components = _components(sorting, joined, tables, netlist, naming, stack, diagnostics)
    board = Board(
        path=path,
        format="gerber",
        title=_title(sorting, package),
        files=sorting.files(stack.ids()),
        layers=stack.layers,
        stackup=thicknesses,
        **tables.names(),
        copper=joined.copper,
        holes=joined.holes,
        outline=outline,
        components=components,
        connectivity=joined.connectivity,
        doubts=diagnostics.doubts(),
        remarks=diagnostics.remarks(),
    )
    return without_merged_nets(board)


def _stacked(
    sorting: Sorting, hints: Hints, path: str, diagnostics: Diagnostics
) -> tuple[Stack, Stackup]:
    """Copper layers in their order, and their thicknesses."""
    files = sorting.readable(COPPER)
    _check_copper(sorting, files, path, diagnostics)
    stack = stack_up(sorting, files)
    diagnostics.doubt(*stack.doubts)
    thicknesses, trouble = stackup(sorting.job, hints, len(stack.layers))
    diagnostics.doubt(*trouble)
    return stack, thicknesses


def _naming(
    netlist: Netlist | None, copper: Conductors, drilled: Holes, tables: Tables, stack: Stack
) -> Naming | None:
    return name_copper(netlist, copper, drilled, tables, len(stack.layers)) if netlist else None


def _check_netlist(
    netlist: Netlist | None,
    naming: Naming | None,
    joined: Connected,
    outline: Outline | None,
    tables: Tables,
    diagnostics: Diagnostics,
) -> None:
    """Doubts where the netlist and the board do not agree."""
    if netlist and naming:
        diagnostics.doubt(*open_nets(naming, netlist, joined.connectivity, tables))
        if naming.hits:
            diagnostics.doubt(*netlist_doubts(netlist, joined.holes, outline))


def _check_copper_and_holes(
    sorting: Sorting, stack: Stack, joined: Connected, tables: Tables, diagnostics: Diagnostics
) -> None:
    """Doubts where holes, pads, polarity and nets show that something is missing or wrong."""
    check_holes(sorting, joined, diagnostics)
    check_pads(sorting, joined, tables, diagnostics)
    _check_polarity(stack, joined, diagnostics)
    files = [item.name for item in sorting.items]
    diagnostics.doubt(*unknown_net_doubts(joined.copper, stack.layers, files))


def _components(
    sorting: Sorting,
    joined: Connected,
    tables: Tables,
    netlist: Netlist | None,
    naming: Naming | None,
    stack: Stack,
    diagnostics: Diagnostics,
) -> tuple[Component, ...]:
    """The parts of the board, with doubts on their pins."""
    fitting = netlist if naming and naming.hits else None
    told = _bodies(sorting, diagnostics)
    components, doubts = parts_of(joined.copper, tables, told, fitting, len(stack.layers))
    diagnostics.doubt(*doubts)
    return components


def _check_copper(
    sorting: Sorting, copper_files: Sequence[Item], path: str, diagnostics: Diagnostics
) -> None:
    """Refuse a package without copper layers; tell that a board in another format stands beside
    them.
    """
    others = [item.name for item in sorting.items if item.content is Content.IPC2581]
    if copper_files:
        diagnostics.remark(
            *(
                Doubt(f"{name} is not read", "it is IPC-2581; the Gerber layers are read")
                for name in others
            )
        )
        return
    if others:
        raise BoardError(
            f"no copper layer, but an IPC-2581 file; give {others[0]} itself", Place(path)
        )
    raise BoardError(
        "no copper layer found; give the folder that holds them, or"
        f" {line_for(_likely_copper(sorting), 'L1')}",
        Place(path),
    )


def _likely_copper(sorting: Sorting) -> str:
    """A file that may be copper though nothing says so."""
    gerber = [item.name for item in sorting.items if item.content is Content.GERBER]
    unclear = [item.name for item in sorting.of(UNKNOWN)]
    return (unclear or gerber or ["board.gtl"])[0]


def _title(sorting: Sorting, package: Package) -> str:
    """Name of the board: of the job file, of the project attribute, of the package."""
    projects = ((*i.attributes.get(".ProjectId", ()), "")[0] for i in sorting.of(COPPER))
    return clean(
        (sorting.job.title if sorting.job else "")
        or next((p for p in projects if p), "")
        or package.name
    )


# ---------------------------------------------------------------------------------- profile, copper


def _outline(
    sorting: Sorting, hints: Hints, netlist: Netlist | None, diagnostics: Diagnostics
) -> Outline | None:
    """The board's outline; its absence is told, and matters where edges are measured."""
    own, name = _own_outline(sorting, diagnostics)
    told = told_outline(own, hints.outline, name)
    diagnostics.doubt(*told.doubts)
    if told.outline is None and not name:
        why = (
            "no file is the profile; where edges are measured, that is a doubt: give [outline]"
            " points"
        )
        diagnostics.remark(Doubt("no board profile", why + told_edge(netlist)))
    return told.outline


def _own_outline(sorting: Sorting, diagnostics: Diagnostics) -> tuple[Outline | None, str]:
    """The outline that a file draws, and the file; no outline if it draws none that can be read."""
    for item in sorting.readable(PROFILE):
        image = read_image(item, diagnostics)
        if image is not None:
            profile = outline_of(image, item.name, plated=item.role.plated == PLATED)
            diagnostics.doubt(*profile.doubts)
            return profile.outline, item.name
    return None, ""


@dataclass(frozen=True, slots=True)
class _Drawn:
    """What a layer's file draws and what copper it leaves, in the numbers of the file; what was
    noted on the way.
    """

    image: Image | None
    copper: Conductors | None
    diagnostics: Diagnostics


def _copper(
    stack: Stack, tables: Tables, outline: Outline | None, diagnostics: Diagnostics, jobs: int
) -> _Copper:
    """Copper of all layers, top to bottom, in the board's numbers."""
    layers: list[_Copper] = []
    order = sorted(stack.files)
    all_drawn = _all_drawn([stack.files[index] for index in order], outline, jobs)
    for index, drawn in zip(order, all_drawn, strict=True):
        diagnostics.doubt(*drawn.diagnostics.doubts())
        diagnostics.remark(*drawn.diagnostics.remarks())
        if drawn.image is None or drawn.copper is None:
            continue
        layers.append(_numbered(drawn.image, drawn.copper, index, tables))
        if not len(drawn.copper):
            why = f"{stack.files[index].name} draws nothing"
            diagnostics.remark(Doubt(f"L{index + 1} has no copper", why))
    none = np.empty(0, dtype=np.int32)
    table = concatenate([layer.table for layer in layers])
    return _Copper(table, np.concatenate([none, *(layer.several for layer in layers)]))


def _numbered(image: Image, drawn: Conductors, index: int, tables: Tables) -> _Copper:
    """Copper of one layer in the board's numbers."""
    columns = tables.translate(image, drawn, partial(middles, drawn))
    number = np.full(len(drawn), index, dtype=np.int32)
    table = replace(drawn, layer=number, **{name: getattr(columns, name) for name in NAMED})
    return _Copper(without_pins_of_vias(table, tuple(tables.functions)), columns.several)


def _all_drawn(items: Sequence[Item], outline: Outline | None, jobs: int) -> Iterable[_Drawn]:
    """Every layer in turn, or several at a time: most of the work is geometry, which lets other
    threads run.
    """
    if jobs <= 1:
        return (_drawn(item, outline) for item in items)
    with ThreadPoolExecutor(jobs) as pool:
        return list(pool.map(_drawn, items, [outline] * len(items)))


def _drawn(item: Item, outline: Outline | None) -> _Drawn:
    """Read one layer."""
    diagnostics = Diagnostics()
    image = read_image(item, diagnostics)
    if image is None:
        return _Drawn(None, None, diagnostics)
    if item.role.negative and outline is None:
        why = (
            "a negative layer shows where copper is missing, which needs the board profile; add it"
        )
        diagnostics.doubt(Doubt(f"{item.name} cannot be read", why, Place(item.name)))
        return _Drawn(None, None, diagnostics)
    shape = outline.shape if outline else None
    image = _without_false_pads(image)
    copper = _without_drawing(
        compose(image, profile=shape, negative=item.role.negative), image, item, diagnostics
    )
    return _Drawn(image, copper, diagnostics)


def _without_false_pads(image: Image) -> Image:
    """The image with flashes whose function states that they are tracks or pours, and no pin, told
    as such.
    """
    tracks = np.array([name.split(",")[0] in TRACKS for name in image.functions] + [False])
    false = image.objects.pad & tracks[image.objects.function] & (image.objects.component < 0)
    return (
        replace(image, objects=replace(image.objects, pad=image.objects.pad & ~false))
        if false.any()
        else image
    )


def _without_drawing(
    copper: Conductors, image: Image, item: Item, diagnostics: Diagnostics
) -> Conductors:
    """Copper without what its function states to be no material, such as an outline drawn in the
    layer.
    """
    drawing = np.array([name.split(",")[0] in NO_COPPER for name in image.functions] + [False])
    rows: Bools = drawing[copper.function]
    if not rows.any():
        return copper
    what = f"{item.name} holds drawing that is no copper"
    why = (
        f"{int(rows.sum())} objects with the function Profile or NonMaterial are left out of the"
        " copper"
    )
    diagnostics.remark(Doubt(what, why, Place(item.name, int(copper.line[rows][0]) or None)))
    return copper.take(~rows)


def _trimmed(
    copper: _Copper,
    drilled: Holes,
    outline: Outline | None,
    stack: Stack,
    tables: Tables,
    diagnostics: Diagnostics,
) -> _Copper:
    """Copper that is on the finished board."""
    found = trimmed(copper.table, drilled, outline, stack.layers, tables.nets)
    diagnostics.doubt(*found.doubts)
    diagnostics.remark(*found.remarks)
    return (
        copper
        if found.kept.all()
        else _Copper(copper.table.take(found.kept), copper.several[found.kept])
    )


def _check_polarity(stack: Stack, joined: Connected, diagnostics: Diagnostics) -> None:
    """A doubt for an inner layer that states no polarity and whose flashes touch nothing, as in a
    negative plane.
    """
    for index, item in stack.files.items():
        if (
            stack.layers[index].side != INNER
            or ".FilePolarity" in item.attributes
            or item.role.source == BY_RULES
        ):
            continue
        lonely = lonely_flashes(joined, index)
        if lonely:
            alone, pads = lonely
            line = line_for(item.name, f"L{index + 1} negative")
            why = (
                f"{alone} of {pads} flashes touch nothing, as in a negative plane; {line}, or"
                f" L{index + 1} if it is not"
            )
            diagnostics.doubt(
                Doubt(f"polarity of {item.name} is not stated", why, Place(item.name))
            )


# --------------------------------------------------------------------------------------------- nets


def _netlist(sorting: Sorting, diagnostics: Diagnostics) -> Netlist | None:
    """The test netlist, if there is a readable one."""
    for item in sorting.readable(NETLIST):
        try:
            netlist = read_netlist(item.member.data, item.name)
        except FormatError as error:
            diagnostics.doubt(Doubt(f"{item.name} cannot be read", error.message, error.place))
            continue
        diagnostics.doubt(*netlist.doubts)
        return netlist
    return None


def _connected(
    named: Naming | Conductors,
    drilled: Holes,
    hints: Hints,
    tables: Tables,
    stack: Stack,
    jobs: int,
) -> Connected:
    """Copper connected, with the names that the rules give to places."""

    def joined(copper: Conductors, holes: Holes) -> Connected:
        names = tuple(tables.functions), tuple(tables.refdes)
        return connect(copper, holes, tables.nets, len(stack.layers), *names, jobs=jobs)

    copper, holes = (named.copper, named.holes) if isinstance(named, Naming) else (named, drilled)
    return with_names(
        joined(copper, holes), hints.nets, stack.layers, tables.nets, tables.net, joined
    )


def _note_connection(joined: Connected, naming: Naming | None, diagnostics: Diagnostics) -> None:
    """Note what came up while copper was named and connected."""
    if naming:
        diagnostics.doubt(*naming.doubts)
        diagnostics.remark(*naming.remarks)
    diagnostics.doubt(*joined.doubts)
    diagnostics.remark(*joined.remarks)


def _check_choices(
    copper: Conductors, several: Ints, tables: Tables, sorting: Sorting, diagnostics: Diagnostics
) -> None:
    """Doubts on pieces of an object of several nets that touch a net which is none of them."""
    named = (several >= 0) & (copper.net[: len(several)] != UNKNOWN_NET)
    for row in np.flatnonzero(named):
        choice, net = tables.choices[several[row]], int(copper.net[row])
        if net not in choice:
            what = f"copper of {', '.join(map(tables.net_name, choice))}"
            why = "its attribute names several nets, and this is none of them"
            place = Place(sorting.items[copper.file[row]].name, int(copper.line[row]) or None)
            diagnostics.doubt(Doubt(f"{what} touches {tables.net_name(net)}", why, place))


def _bodies(sorting: Sorting, diagnostics: Diagnostics) -> Iterable[Body]:
    """Parts of the component layers."""
    images = [
        (read_image(item, diagnostics), item.role.side) for item in sorting.readable(COMPONENT)
    ]
    return [body for image, side in images if image for body in bodies(image, side)]
