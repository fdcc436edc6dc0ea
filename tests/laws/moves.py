"""Moves of a whole board: its sketch, its rules and its findings go along, nothing else may
change.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from checker.config.rules_file import Hardware, Rules
from checker.demo.sketch import XY, Contour, Draw, Hole, Pad, Part, Pour, Sketch
from checker.findings import Finding

SIDES = {"top": "bottom", "bottom": "top", "both": "both"}


@dataclass(frozen=True, slots=True)
class Move:
    """Mirror in the y axis if asked, then quarter turns counterclockwise, then shift; `flip` turns
    the board over.
    """

    quarters: int = 0
    mirror: bool = False
    flip: bool = False  # a mirror with the layers in reverse order: the board seen from below
    shift: XY = (0.0, 0.0)

    @property
    def reversing(self) -> bool:
        """Whether it changes the sense of rotation, seen from the top."""
        return self.mirror != self.flip

    def point(self, at: XY) -> XY:
        """Where a point goes."""
        x, y = (-at[0] if self.reversing else at[0]), at[1]
        for _ in range(self.quarters % 4):
            x, y = -y, x
        return x + self.shift[0], y + self.shift[1]

    def size(self, size: XY) -> XY:
        """What becomes of width and height."""
        return size if self.quarters % 2 == 0 else (size[1], size[0])

    def contour(self, contour: Contour) -> Contour:
        """Where the steps of a contour go."""
        sense = -1.0 if self.reversing else 1.0
        return tuple(
            (
                self.point((s[0], s[1]))
                if len(s) == 2
                else (*self.point((s[0], s[1])), *self.point((s[2], s[3])), s[4] * sense)
            )
            for s in contour
        )

    def layer(self, layer: str, layers: int) -> str:
        """Which layer a layer becomes."""
        return f"L{layers + 1 - int(layer[1:])}" if self.flip else layer

    def sketch(self, sketch: Sketch) -> Sketch:
        """The board after the move."""
        n = sketch.layers
        return replace(
            sketch,
            outline=self.contour(sketch.outline),
            cutouts=tuple(self.contour(c) for c in sketch.cutouts),
            pours=tuple(self._pour(p, n) for p in sketch.pours),
            draws=tuple(self._draw(d, n) for d in sketch.draws),
            pads=tuple(self._pad(p, n) for p in sketch.pads),
            holes=tuple(self._hole(h, n) for h in sketch.holes),
            parts=tuple(self._part(p) for p in sketch.parts),
            dielectric=tuple(reversed(sketch.dielectric)) if self.flip else sketch.dielectric,
        )

    def _pour(self, pour: Pour, layers: int) -> Pour:
        holes = tuple(self.contour(h) for h in pour.holes)
        return replace(
            pour,
            contour=self.contour(pour.contour),
            holes=holes,
            layer=self.layer(pour.layer, layers),
        )

    def _draw(self, draw: Draw, layers: int) -> Draw:
        return replace(draw, points=self.contour(draw.points), layer=self.layer(draw.layer, layers))

    def _pad(self, pad: Pad, layers: int) -> Pad:
        return replace(
            pad,
            at=self.point(pad.at),
            size=self.size(pad.size),
            layer=self.layer(pad.layer, layers),
        )

    def _hole(self, hole: Hole, layers: int) -> Hole:
        span = hole.span
        if span and self.flip:
            span = self.layer(span[1], layers), self.layer(span[0], layers)
        return replace(
            hole, at=self.point(hole.at), to=self.point(hole.to) if hole.to else None, span=span
        )

    def _part(self, part: Part) -> Part:
        return replace(part, side=SIDES[part.side]) if self.flip else part

    def _hardware(self, item: Hardware) -> Hardware:
        at, outline = item.at and self.point(item.at), tuple(self.point(p) for p in item.outline)
        return replace(
            item, at=at, outline=outline, side=SIDES[item.side] if self.flip else item.side
        )

    def rules(self, rules: Rules, layers: int) -> Rules:
        """The rules after the move: areas, hardware and waivers name places, references name
        layers.
        """
        reference = {
            self.layer(layer, layers): tuple(self.layer(other, layers) for other in others)
            for layer, others in rules.stackup.reference.items()
        }
        return replace(
            rules,
            regions=tuple(
                replace(r, area=tuple(self.point(p) for p in r.area)) for r in rules.regions
            ),
            hardware=tuple(self._hardware(h) for h in rules.hardware),
            waivers=tuple(
                replace(w, near=self.point(w.near) if w.near else None) for w in rules.waivers
            ),
            stackup=replace(rules.stackup, reference=reference),
        )

    def expected(self, finding: Finding, layers: int) -> dict[str, Any]:
        """What must be found of a finding after the move."""
        told = told_of(finding)
        # told on the upper one, which now is the lower one
        if self.flip and finding.rule in ON_SEVERAL_LAYERS:
            del told["layer"]
            told["detail"] = {
                "layers": sorted(self.layer(layer, layers) for layer in finding.detail["layers"])
            }
            # of the upper side's pour
            told.pop("regions" if finding.rule == "unreferenced-run" else "", None)
        elif self.flip and finding.rule in ON_ANY_LAYER:
            del told["layer"]
        elif "layer" in told and finding.layer is not None:
            told["layer"] = self.layer(finding.layer, layers)
        if "path" in told:
            told["path"] = [[self.point(p) for p in line] for line in finding.path]
        return told


# Of several equally short ways one is told, which one is not promised; these rules tell a path that
# is unique.
UNIQUE_PATH = ("gap-crossing", "unreferenced-run")
ON_SEVERAL_LAYERS = ("gap-crossing", "unreferenced-run")  # the finding names its uppermost layer
# of several alike it names one
ON_ANY_LAYER = ("pour-overlap", "return-handover", "noisy-neighbour")


def told_of(finding: Finding) -> dict[str, Any]:
    """What a finding says that no way of drawing or placing the board may change, as an
    expectation.
    """
    names = ("rule", "nets", "components", "regions", "layer", "measured", "required", "unit")
    told = {name: getattr(finding, name) for name in names} | {"level": str(finding.level)}
    if finding.rule == "gap-narrow":
        # of pours alike on several layers it names one, by the last digit of their distances
        del told["layer"]
    if finding.rule in UNIQUE_PATH:
        told["path"] = finding.path
    return told


def told_of_all(findings: Iterable[Finding]) -> list[Mapping[str, Any]]:
    """The same for all findings."""
    return [told_of(finding) for finding in findings]
