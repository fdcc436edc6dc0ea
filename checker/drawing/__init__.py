"""Pictures of a checked board: scene (plain shapes with roles), SVG, PNG, and callouts on somebody else's picture."""

from __future__ import annotations

from dataclasses import dataclass

from checker.drawing.scene import Scene, scene_of

__all__ = ["Pictures", "Scene", "scene_of"]


@dataclass(frozen=True, slots=True)
class Pictures:
    """What a report may show beside words."""

    scene: Scene | None = None  # None: nothing is drawn
    files: tuple[str, ...] = ()  # picture files that stand beside the report, in layer order
    colour: bool = False  # whether the stream is a terminal that shows colours
