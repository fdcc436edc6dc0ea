"""Copper that the data leaves nameless, named by the rules file: a place on it names all that is
connected to it.

Names never replace those of the data: where a place lies on copper that has a name already, that
name stands, and the place is a doubt. Two names on one piece of copper become a contact of two
nets, as two names in the data would: the piece takes the name that is told first, and the object
under the other place stands for the other net.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from parsers.assembly.connectivity import Connected
from parsers.board import Holes, Layer, NamedPlace, Net
from parsers.primitives import NO_NET, TOUCH, Conductors, Ints, Rows, concatenate
from parsers.trouble import BoardError, Doubt

NOT_CONNECTED = "N/C"  # names copper that belongs to no net, such as fiducials and text

Number = Callable[[str], int]  # number of the net of a name, made where there is none yet


def with_names(
    joined: Connected,
    places: Sequence[NamedPlace],
    layers: Sequence[Layer],
    nets: Sequence[Net],
    number: Number,
    connect_again: Callable[[Conductors, Holes], Connected],
) -> Connected:
    """Connected copper with the names that the rules give to places, connected anew.

    Parameters
    ----------
    nets : the board's nets; `number` may lengthen them

    Raises
    ------
    BoardError : a place that hits no copper, or a layer that the board does not have
    """
    if not places:
        return joined
    spots = [_Spot(place, _rows_at(joined.copper, place, layers)) for place in places]
    copper, doubts = _named(joined, spots, nets, number)
    again = connect_again(copper, joined.holes)
    told = tuple(dict.fromkeys((*joined.remarks, *again.remarks)))
    return replace(again, doubts=(*joined.doubts, *again.doubts, *doubts), remarks=told)


@dataclass(frozen=True, slots=True)
class _Spot:
    """A named place and the copper there, the object that it means most likely first."""

    place: NamedPlace
    rows: Rows


def _named(
    joined: Connected, spots: Sequence[_Spot], nets: Sequence[Net], number: Number
) -> tuple[Conductors, list[Doubt]]:
    """Copper with the names of the spots; objects that have two stand there twice."""
    before, piece = joined.copper, joined.connectivity.piece
    column, doubts = before.net.copy(), []
    hit: dict[int, int] = {}  # object under a place, its net
    again: list[tuple[int, int]] = []  # object, its second net
    for spot in spots:
        own = before.net[spot.rows]
        net = NO_NET if spot.place.net == NOT_CONNECTED else number(spot.place.net)
        if (own >= 0).any():
            doubts += _contradicted(spot.place, nets, own[own >= 0])
            continue
        row = int(spot.rows[0])
        if column[row] < 0:
            column[(before.net < 0) & (piece == piece[row])] = net
        elif hit.get(row, net) != net:
            again.append((row, net))
        column[row] = hit.setdefault(row, net)
    named = replace(before, net=column)
    return (_with_second_names(named, again) if again else named), doubts


def _with_second_names(copper: Conductors, again: Sequence[tuple[int, int]]) -> Conductors:
    rows, second = np.array(again, dtype=np.intp).T
    twins = copper.take(rows)
    return concatenate([copper, replace(twins, net=second.astype(np.int32))])


def _contradicted(place: NamedPlace, nets: Sequence[Net], own: Ints) -> list[Doubt]:
    """A doubt if the data names the copper at a place otherwise."""
    names = sorted({nets[net].name for net in own.tolist()})
    if names == [place.net]:
        return []
    what = f"net.{place.net} names copper of {', '.join(names)}"
    why = (
        f"at {_shown(place)}; a name of the data is never replaced: remove the place, or move it to"
        " nameless copper"
    )
    return [Doubt(what, why)]


def _shown(place: NamedPlace) -> str:
    x, y = place.at
    return f"({x:g}, {y:g}) on {place.layer}"


# ------------------------------------------------------------------------------------------- places


def _rows_at(copper: Conductors, place: NamedPlace, layers: Sequence[Layer]) -> Rows:
    """Objects at a place: pads first, then small before large.

    Raises
    ------
    BoardError : there is no copper at the place, or no such layer
    """
    index = next((i for i, layer in enumerate(layers) if layer.id == place.layer), None)
    if index is None:
        there = ", ".join(layer.id for layer in layers)
        raise BoardError(
            f"net.{place.net}: the board has no copper layer {place.layer}; it has {there}"
        )
    here = np.flatnonzero(copper.layer == index)
    if not len(here):
        raise BoardError(f"net.{place.net}: {place.layer} has no copper at all")
    point, skeletons = shapely.Point(place.at), copper.skeletons(here)
    distance = np.maximum(shapely.distance(skeletons, point) - copper.radius[here], 0.0)
    hit = np.flatnonzero(distance <= TOUCH)
    if not len(hit):
        raise BoardError(_missed(copper, place, int(here[np.argmin(distance)])))
    rows: Rows = here[hit]
    boxes = copper.take(rows).bounds()
    size = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    ordered: Rows = rows[np.lexsort((rows, size, ~copper.pad[rows]))]
    return ordered


def _missed(copper: Conductors, place: NamedPlace, row: int) -> str:
    """What to say of a place beside all copper: how far, and where the nearest copper is."""
    shape = copper.shapes(np.array([row]))[0]
    x, y = shapely.get_coordinates(shapely.shortest_line(shapely.Point(place.at), shape))[-1]
    distance = np.hypot(x - place.at[0], y - place.at[1])
    inside = shapely.point_on_surface(shape)
    nearest = f"the nearest is {distance:.3f} mm away and holds ({inside.x:.3f}, {inside.y:.3f})"
    return f"net.{place.net}: no copper at {_shown(place)}; {nearest}"
