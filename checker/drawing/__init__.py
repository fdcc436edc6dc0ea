"""Pictures of a checked board: scene (plain shapes with roles), SVG, PNG, and callouts on somebody
else's picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from checker.drawing import fields, scene
from checker.drawing.scene import Scene, layers_of
from checker.findings import Finding
from checker.layout.layout import Layout

__all__ = ["Pictures", "Scene", "layers_of", "scene_of"]


@dataclass(frozen=True, slots=True)
class Pictures:
    """What a report may show beside words."""

    scene: Scene | None = None  # None: nothing is drawn
    files: tuple[str, ...] = ()  # picture files that stand beside the report, in layer order
    colour: bool = False  # whether the stream is a terminal that shows colours


def scene_of(layout: Layout, findings: Sequence[Finding]) -> Scene:
    """All that a picture may show of a layout and its findings, in report order, declared currents
    included.
    """
    return replace(scene.scene_of(layout, findings), fields=fields.fields_of(layout))
