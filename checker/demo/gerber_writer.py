"""Writes a sketch as a Gerber X2 package: copper with nets and pins, profile, drills, job file.

What is written follows The Gerber Layer Format Specification 2023.08: pads are flashes with an
aperture function (5.6.10), nets and pins are object attributes (5.6.13, 5.6.14), drills name their
layer span (5.6.3), the profile is a closed chain of draws (6.5). Holes of a pour are clear regions
straight after it, larger pours first, so that no pour clears another that lies in its hole. Same
sketch, same bytes: no date, no random identifier.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path

from checker.demo.sketch import (
    COPPER,
    NOT_CONNECTED,
    OVAL,
    RECTANGLE,
    XY,
    Contour,
    Draw,
    Hole,
    Pad,
    Pour,
    Sketch,
    legs,
)

MILLIMETRE, INCH = "MM", "IN"
_FACTOR = {MILLIMETRE: 1.0, INCH: 25.4}
_FORMAT = {MILLIMETRE: "%FSLAX46Y46*%", INCH: "%FSLAX27Y27*%"}
_DIGITS = {MILLIMETRE: 6, INCH: 7}  # decimals of a coordinate
_PROFILE_WIDTH = 0.1


def write_gerber(
    sketch: Sketch, folder: Path, *, unit: str = MILLIMETRE, drills: str = "gerber"
) -> list[Path]:
    """Write the package into a folder; see `gerber_package`."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, text in gerber_package(sketch, unit=unit, drills=drills).items():
        path = folder / name
        path.write_text(text, encoding="utf-8", newline="\n")
        written.append(path)
    return written


def gerber_package(
    sketch: Sketch, *, unit: str = MILLIMETRE, drills: str = "gerber"
) -> dict[str, str]:
    """Texts of all files by name.

    Parameters
    ----------
    unit : MILLIMETRE or INCH, of every file (the job file is always in mm)
    drills : "gerber" (with nets) or "nc" (drill machine files with attributes in comments)
    """
    stem = sketch.title.replace(" ", "-")
    files: dict[str, tuple[str, str]] = {}  # name -> (file function, text)
    for number in range(1, sketch.layers + 1):
        function = f"Copper,L{number},{_side(number, sketch.layers)}"
        files[f"{stem}-L{number}.gbr"] = function, _copper(sketch, f"L{number}", function, unit)
    files[f"{stem}-profile.gbr"] = "Profile,NP", _profile(sketch, unit)
    for name, function, rows in _drill_files(sketch):
        suffix, text = ("gbr", _drill_layer) if drills == "gerber" else ("drl", _drill_tape)
        files[f"{stem}-{name}.{suffix}"] = function, text(rows, function, unit)
    job = _job(sketch, {name: function for name, (function, _) in files.items()})
    return {f"{stem}-job.gbrjob": job, **{name: text for name, (_, text) in files.items()}}


def _side(number: int, layers: int) -> str:
    return "Top" if number == 1 else ("Bot" if number == layers else "Inr")


class _Plot:
    """Lines of one Gerber file, with the apertures and attributes in force."""

    def __init__(self, function: str, unit: str) -> None:
        self.unit = unit
        self._apertures: dict[tuple[str, str], int] = {}
        self._aperture = 0
        self._attributes: dict[str, str] = {}
        self._head = [
            f"%TF.FileFunction,{function}*%",
            "%TF.FilePolarity,Positive*%",
            "%TF.Part,Single*%",
        ]
        self._head += ["%TF.SameCoordinates*%", _FORMAT[unit], f"%MO{unit}*%"]
        self._body: list[str] = []

    def text(self) -> str:
        apertures = []
        for (template, function), number in self._apertures.items():
            apertures += [f"%TA.AperFunction,{function}*%", f"%ADD{number}{template}*%", "%TD*%"]
        return "\n".join(
            [*self._head, *apertures, "%LPD*%", "G01*", "G75*", *self._body, "M02*", ""]
        )

    def attributes(self, **wanted: str) -> None:
        """Set the object attributes of what follows: exactly these."""
        for name in [n for n in self._attributes if n not in wanted]:
            self._body.append(f"%TD.{name}*%")
            del self._attributes[name]
        for name, value in wanted.items():
            if self._attributes.get(name) != value:
                self._body.append(f"%TO.{name},{value}*%")
                self._attributes[name] = value

    def polarity(self, dark: bool) -> None:
        self._body.append("%LPD*%" if dark else "%LPC*%")

    def select(self, template: str, function: str) -> None:
        number = self._apertures.setdefault((template, function), 10 + len(self._apertures))
        if number != self._aperture:
            self._body.append(f"D{number}*")
            self._aperture = number

    def flash(self, at: XY) -> None:
        self._body.append(f"{self._xy(at)}D03*")

    def path(self, contour: Contour, *, closed: bool = False) -> None:
        self._body.append(f"{self._xy(contour[0])}D02*")
        linear = True
        for start, step in legs(contour, closed=closed):
            arc = len(step) > 2
            if arc:
                offset = f"I{self._number(step[2] - start[0])}J{self._number(step[3] - start[1])}"
                self._body.append("G03*" if step[4] > 0 else "G02*")
                self._body.append(f"{self._xy(step)}{offset}D01*")
            else:
                self._body += [] if linear else ["G01*"]
                self._body.append(f"{self._xy(step)}D01*")
            linear = not arc
        self._body += [] if linear else ["G01*"]

    def region(self, contour: Contour, function: str | None = None) -> None:
        """Fill a contour; a region takes its function from the attributes in force, not from an
        aperture.
        """
        self._body += [f"%TA.AperFunction,{function}*%", "G36*"] if function else ["G36*"]
        self.path(contour, closed=True)
        self._body += ["G37*", "%TD.AperFunction*%"] if function else ["G37*"]

    def size(self, *lengths: float) -> str:
        return "X".join(
            f"{length / _FACTOR[self.unit]:.7f}".rstrip("0").rstrip(".") for length in lengths
        )

    def _number(self, length: float) -> int:
        scale: int = 10 ** _DIGITS[self.unit]
        return round(length / _FACTOR[self.unit] * scale)

    def _xy(self, point: Iterable[float]) -> str:
        x, y, *_ = point
        return f"X{self._number(x)}Y{self._number(y)}"


def _copper(sketch: Sketch, layer: str, function: str, unit: str) -> str:
    plot = _Plot(function, unit)
    pours = [p for p in sketch.pours if p.layer == layer]
    for pour in sorted(pours, key=lambda p: -_extent(p.contour)):
        _plot_pour(plot, pour)
    for draw in (d for d in sketch.draws if d.layer == layer):
        _plot_draw(plot, draw)
    for pad in (p for p in sketch.pads if p.layer == layer):
        _plot_pad(plot, pad)
    return plot.text()


def _plot_pour(plot: _Plot, pour: Pour) -> None:
    plot.attributes(**_net(pour.net))
    plot.region(pour.contour, pour.function)
    if pour.holes:
        plot.attributes()
        plot.polarity(dark=False)
        for hole in pour.holes:
            plot.region(hole)
        plot.polarity(dark=True)


def _plot_draw(plot: _Plot, draw: Draw) -> None:
    plot.attributes(**_net(draw.net))
    plot.select(f"C,{plot.size(draw.width)}", draw.function)
    plot.path(draw.points)


def _plot_pad(plot: _Plot, pad: Pad) -> None:
    plot.attributes(**_net(pad.net), **_pin(pad))
    letter = {RECTANGLE: "R", OVAL: "O"}.get(pad.shape)
    template = f"{letter},{plot.size(*pad.size)}" if letter else f"C,{plot.size(pad.size[0])}"
    plot.select(template, pad.function)
    plot.flash(pad.at)


def _net(net: str | None) -> dict[str, str]:
    if net is None:
        return {}
    return {"N": net if net == NOT_CONNECTED else escaped(net)}


def _pin(thing: Pad | Hole) -> dict[str, str]:
    if thing.refdes is None:
        return {}
    if thing.pin is None:
        return {"C": escaped(thing.refdes)}
    named = [thing.pin_name] if isinstance(thing, Pad) and thing.pin_name else []
    return {
        "P": ",".join(escaped(v) for v in (thing.refdes, thing.pin, *named)),
        "C": escaped(thing.refdes),
    }


def escaped(text: str) -> str:
    """A field value: the characters that the syntax needs become \\uXXXX (3.4.3)."""
    return "".join(f"\\u{ord(c):04X}" if c in "%*\\," else c for c in text)


def _extent(contour: Contour) -> float:
    xs, ys = [s[0] for s in contour], [s[1] for s in contour]
    return (max(xs) - min(xs)) * (max(ys) - min(ys))


def _profile(sketch: Sketch, unit: str) -> str:
    plot = _Plot("Profile,NP", unit)
    plot.select(f"C,{plot.size(_PROFILE_WIDTH)}", "Profile")
    for contour in (sketch.outline, *sketch.cutouts):
        plot.path(contour, closed=True)
    return plot.text()


def _drill_files(sketch: Sketch) -> Iterator[tuple[str, str, list[Hole]]]:
    """One file per plating and layer span: (name, file function, holes)."""
    whole = ("L1", f"L{sketch.layers}")
    groups: dict[tuple[bool, tuple[str, str]], list[Hole]] = {}
    for hole in sketch.holes:
        groups.setdefault((hole.plated, hole.span or whole), []).append(hole)
    for (plated, (top, bottom)), rows in sorted(groups.items(), reverse=True):
        through = (top, bottom) == whole
        outer = top == whole[0] or bottom == whole[1]
        kind = ("PTH" if plated else "NPTH") if through else ("Blind" if outer else "Buried")
        span = f"{top[1:]},{bottom[1:]}"
        name = kind.lower() if through else f"{'plated' if plated else 'unplated'}-{top}-{bottom}"
        mixed = "Mixed" if any(h.to for h in rows) else "Drill"
        yield name, f"{'Plated' if plated else 'NonPlated'},{span},{kind},{mixed}", rows


def _drill_layer(rows: list[Hole], function: str, unit: str) -> str:
    plot = _Plot(function, unit)
    for hole in rows:
        plot.attributes(**(_net(hole.net) if hole.plated else {}), **_pin(hole))
        plot.select(f"C,{plot.size(hole.diameter)}", hole.function)
        if hole.to:
            plot.path((hole.at, hole.to))
        else:
            plot.flash(hole.at)
    return plot.text()


def _drill_tape(rows: list[Hole], function: str, unit: str) -> str:
    scale = _FACTOR[unit]
    plated, _, _, kind, _ = function.split(",")
    tools = list(dict.fromkeys((h.diameter, h.function) for h in rows))
    head = ["M48", f"; #@! TF.FileFunction,{function}", "METRIC" if unit == MILLIMETRE else "INCH"]
    for number, (diameter, use) in enumerate(tools, 1):
        head += [
            f"; #@! TA.AperFunction,{plated},{kind},{use}",
            f"T{number}C{diameter / scale:.5f}",
        ]
    body: list[str] = []
    for number, tool in enumerate(tools, 1):
        body.append(f"T{number}")
        body += [_tape_line(h, scale) for h in rows if (h.diameter, h.function) == tool]
    return "\n".join([*head, "%", "G90", "G05", *body, "M30", ""])


def _tape_line(hole: Hole, scale: float) -> str:
    ends = [
        f"X{x / scale:.6f}Y{y / scale:.6f}"
        for x, y in ((hole.at,) if hole.to is None else (hole.at, hole.to))
    ]
    return "G85".join(ends)


def _job(sketch: Sketch, functions: dict[str, str]) -> str:
    xs, ys = [s[0] for s in sketch.outline], [s[1] for s in sketch.outline]
    general = {
        "ProjectId": {"Name": sketch.title, "Revision": "A"},
        "Size": {"X": round(max(xs) - min(xs), 6), "Y": round(max(ys) - min(ys), 6)},
        "LayerNumber": sketch.layers,
    }
    if sketch.thickness is not None:
        general["BoardThickness"] = sketch.thickness
    files = [
        {"Path": name, "FileFunction": function, "FilePolarity": "Positive"}
        for name, function in functions.items()
    ]
    copper = [
        {"Type": "Copper", "Thickness": COPPER, "Name": f"L{n}"}
        for n in range(1, sketch.layers + 1)
    ]
    between = [
        {"Type": "Dielectric", "Thickness": t, "Material": "FR4", "DielectricConstant": 4.5}
        for t in sketch.gaps
    ]
    stack = (
        [copper[0], *chain.from_iterable(zip(between, copper[1:], strict=True))]
        if between
        else copper
    )
    content = {
        "Header": {},
        "GeneralSpecs": general,
        "FilesAttributes": files,
        "MaterialStackup": stack,
    }
    return json.dumps(content, indent=1) + "\n"
