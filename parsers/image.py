"""What one layer draws, object by object, and the copper that remains when clear objects have acted.

Both copper formats draw in order: a dark object adds, a clear one removes whatever lies below it, whatever the net
(The Gerber Layer Format Specification 2023.08, 2.3.2; IPC-2581, order of Sets). `compose` is that rule.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import shapely

from parsers.primitives import Bools, Conductors
from parsers.trouble import Doubt


@dataclass(frozen=True, slots=True)
class Image:
    """Objects of one layer in file order. The columns net, component, pin and function of `objects` index the name
    tables of this image (or are -1 / UNKNOWN_NET); a reader of whole boards translates them to the board's tables.
    """

    objects: Conductors
    dark: Bools  # (n,), False = clears what came before it
    nets: tuple[tuple[str, ...], ...] = ()  # several names: the object falls apart into pieces of these nets
    components: tuple[str, ...] = ()
    pins: tuple[tuple[str, str], ...] = ()  # (number, name)
    functions: tuple[str, ...] = ()
    attributes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # of the file, ".FileFunction" and so on
    doubts: tuple[Doubt, ...] = ()


def compose(image: Image, *, profile: shapely.Geometry | None = None, negative: bool = False) -> Conductors:
    """Copper that remains: dark objects less the clear ones after them.

    Only objects that a later clear object touches change: they become AREA rows (one per connected piece) that keep
    what is left of their centre line. Clear shapes are taken no larger than they are, dark ones no smaller.

    Parameters
    ----------
    profile : board material, needed where `negative`
    negative : the image shows where copper is missing (`.FilePolarity,Negative`): copper is the profile less the image
    """
    raise NotImplementedError
