"""The text of a drafted rules file: every guess on a line of its own, with its evidence behind
it.
"""

from __future__ import annotations

import glob
import json
from collections.abc import Iterable, Sequence

import numpy as np
import shapely

from checker.app.draft import names
from checker.app.draft.borders import Barrier, Tie
from checker.app.draft.domains import Isolator, Link
from checker.app.draft.families import patterns
from checker.app.draft.parts import Part
from checker.app.draft.regions import BARE, EARTH, MAINS, Region, Survey
from checker.wording import count, printable
from parsers.board import Board

WIDE = 90  # a list longer than this is broken into lines
HEADER = """\
# Proposed from the fabrication data alone; behind each guess stands what it rests on. Check every line.
schema = 1
draft = true  # the check stays incomplete until this line is removed
"""
ASKED = """\
# To fill in; the check stays incomplete until then:
# working_voltage =     # V rms or d.c. across the barrier, for creepage
# clearance_voltage =   # V as the table's clearance column means it (transients)
# insulation =          # "none" (split only), "functional", "basic" or "reinforced"
# pollution_degree =    # 1, 2 or 3
# material_group =      # "I", "II", "IIIa" or "IIIb"
# table =               # your own table of distances, such as "spacing.csv"
"""
SPACING = """
# Earth is a side of its own: what it protects from is held against it by basic insulation or better.
# [[spacing]]
# between = [{nets}, {earth}]
# working_voltage, clearance_voltage, insulation = "basic", table: as above
"""


def header(board: Board) -> str:
    """The first lines."""
    return f"{HEADER}title = {quoted(board.title or 'untitled board')}\n"


def region_text(survey: Survey, region: Region) -> str:
    """The table of a region."""
    lines = [
        f"\n[region.{key(region.name)}]",
        noted(f"reference = {listed(survey, region.reference)}", region.why),
        noted(
            f"nets = {array(nets_of(survey, region))}", _why_nets(survey, region, len(region.nets))
        ),
    ]
    if region.planes:
        where = "; ".join(f"{survey.names[net]}: {survey.where(net)}" for net in region.planes)
        lines.append(
            noted(
                f"planes = {listed(survey, region.planes)}",
                f"over its ground, its parts on it; {where}",
            )
        )
    return "\n".join([*lines, *_quiet(survey, region)]) + "\n"


def nets_of(survey: Survey, region: Region) -> list[str]:
    """Patterns of a region's nets; the home region takes whatever no other claims."""
    if region.home:
        return ["*"]
    own = {survey.names[net] for net in region.nets}
    carriers = [survey.names[net] for net in region.carriers]
    endings = {word for net in carriers for word in names.words(net)}
    guests = {
        survey.names[net] for net in survey.guests(region) if not survey.board.nets[net].single
    }
    return patterns(own, survey.strangers(region) - own, endings, guests)


def _why_nets(survey: Survey, region: Region, number: int) -> str:
    if region.home:
        return f"whatever no other region claims; {count(number, 'net')} of its own"
    if region.kind == EARTH:
        return "earth claims nothing"
    how = "beyond isolators" if region.kind in (BARE, MAINS) else "joined by parts"
    return f"{count(number, 'net')}, {how}{_over(survey, region)}"


def _over(survey: Survey, region: Region) -> str:
    """How many pads of a region's nets lie over its reference."""
    territory = survey.territory(region)
    if shapely.is_empty(territory) or not region.nets:
        return ""
    pads = survey.pads(region.nets)
    over = int(np.count_nonzero(shapely.intersects(territory, pads)))
    return f"; {over} of {len(pads)} pads over {survey.text(region.reference)}" if over else ""


def _quiet(survey: Survey, region: Region) -> list[str]:
    """A region is quiet if its name says so; else it is asked for."""
    if region.kind in (EARTH, MAINS) or len(survey.regions) < 2:
        return []
    told = [
        survey.names[net]
        for net in region.reference
        if names.SMALL_SIGNAL.search(survey.names[net])
    ]
    if told:
        return [noted("quiet = true", f"{told[0]} is a name for small signals")]
    return (
        []
        if region.home
        else ["# quiet = true  # are its signals small? Nothing in the data proves it"]
    )


def barrier_text(survey: Survey, barrier: Barrier, earth: Region | None) -> str:
    """The table of a barrier."""
    mains = [
        i for i, side in enumerate(barrier.sides) if any(region.kind == MAINS for region in side)
    ]
    standing = sorted(barrier.isolators, key=lambda isolator: isolator.part.refdes)
    isolators = [isolator for isolator in standing if not isolator.doubtful]
    lines = [
        "\n[[barrier]]",
        f"between = {between(barrier)}",
        f"isolators = {array(isolator.part.refdes for isolator in isolators)}",
        *(asked(_why_isolator(survey, isolator)) for isolator in standing),
    ]
    if barrier.straddling:
        lines.append(_straddling(barrier))
    lines += [asked(_question(survey, link)) for link in barrier.across]
    if earth is not None:
        lines += _earthed(survey, barrier, earth, mains)
    return "\n".join(lines) + "\n" + ASKED + _spacing(survey, barrier, earth, mains)


def _straddling(barrier: Barrier) -> str:
    """Connectors with pins on both sides; listed if each has a reference of both, else asked
    for.
    """
    line = f"straddling = {array(sorted(part.refdes for part in barrier.straddling))}"
    carriers = [{net for region in side for net in region.carriers} for side in barrier.sides]
    if all(set(part.distinct) & own for part in barrier.straddling for own in carriers):
        return noted(
            line, "connectors with grounds of both sides; they conduct nothing between pins"
        )
    return (
        asked(line.replace("\n", " "))
        + "  # a connector with pins on both sides, or a net on the wrong one?"
    )


def between(barrier: Barrier) -> str:
    """The two sides: names of regions."""
    sides = [[region.name for region in side] for side in barrier.sides]
    return f"[{', '.join(quoted(side[0]) if len(side) == 1 else array(side) for side in sides)}]"


def _why_isolator(survey: Survey, isolator: Isolator) -> str:
    sides = " | ".join(survey.text(side) for side in isolator.sides)
    where = f"{sides}, {isolator.strip:.1f} mm apart, and nothing else joins them"
    if isolator.doubtful:
        return (
            f"{isolator.part.called}: {where}. An isolator (list it), or a choke (then a tie, no"
            " barrier)?"
        )
    return f"{isolator.part.refdes}: {where}"


def _question(survey: Survey, link: Link) -> str:
    ends = " and ".join(survey.names[net] for net in link.ends)
    what = f"{link.text} ({link.gap:.1f} mm) joins {ends}"
    return f"{what}: a capacitor or bleeder across the barrier? No isolator until you list it"


def _earthed(survey: Survey, barrier: Barrier, earth: Region, mains: Sequence[int]) -> list[str]:
    line = f"earthed = {listed(survey, earth.reference)}"
    if not mains:
        why = "if it is protective earth; then name the side that it protects from"
        return [f"{asked(line)}  # {why}: hazardous ="]
    side = barrier.sides[mains[0]]
    names_ = [region.name for region in side]
    hazardous = quoted(names_[0]) if len(side) == 1 else array(names_)
    return [noted(line, earth.why), f"hazardous = {hazardous}  # line and neutral by name"]


def _spacing(survey: Survey, barrier: Barrier, earth: Region | None, mains: Sequence[int]) -> str:
    if earth is None or not mains:
        return ""
    nets = [
        pattern
        for region in barrier.sides[mains[0]]
        for pattern in (*escaped(survey, region.carriers), *nets_of(survey, region))
    ]
    return SPACING.format(
        nets=printable(flat(nets)), earth=printable(flat(escaped(survey, earth.reference)))
    )


def tie_text(survey: Survey, tie: Tie) -> str:
    """The table of a tie, at the first part or place that joins the two; more of them are told."""
    shared = patterns(
        (survey.names[n] for n in tie.nets),
        (n for i, n in enumerate(survey.names) if i not in tie.nets),
    )
    lines = ["\n[[tie]]", f"between = {array(region.name for region in tie.regions)}"]
    joins = [f"copper at ({x:.2f}, {y:.2f})" for x, y in tie.places] + [
        part.called for part in tie.parts
    ]
    if len(tie.parts) > 1 and not tie.places and not tie.are_alike:
        lines.append(
            asked(f"{', '.join(part.called for part in tie.parts)} join {_ends(survey, tie)}:")
        )
        lines.append(
            asked(
                "which of them ties (at =)? Capacitors belong to nets.stitching; two ties are a"
                " loop"
            )
        )
    elif tie.parts and not tie.places:
        lines.append(noted(f"at = {quoted(tie.parts[0].refdes)}", _why_at(survey, tie)))
    elif tie.places:
        lines.append(asked(f"no part: {joins[0]} joins {_ends(survey, tie)}"))
    else:
        lines.append(asked(_loose(tie)))
    if len(joins) > 1 and (tie.places or tie.are_alike):
        lines.append(
            asked(
                f"{', '.join(joins[1:])} too: {len(joins)} connections are a loop, an error until"
                " one is left"
            )
        )
    why = "  # parts on both sides" if shared else ""
    return "\n".join([*lines, f"nets = {array(shared)}{why}"]) + "\n"


def _loose(tie: Tie) -> str:
    caps = ", ".join(part.refdes for part in tie.capacitors)
    told = (
        f"{caps} alone, called a capacitor, joins them"
        if caps
        else "no part and no copper joins the two themselves"
    )
    return f"{told}: where are they tied? Or should it be a barrier?"


def _why_at(survey: Survey, tie: Tie) -> str:
    part = tie.parts[0]
    doubt = (
        "; then it is no tie, where are they tied?"
        if names.called(part.refdes) == "a capacitor"
        else ""
    )
    return f"{part.called}: {_ends(survey, tie)}{doubt}"


def _ends(survey: Survey, tie: Tie) -> str:
    return " and ".join(survey.text(region.reference) for region in tie.regions)


def through_text(survey: Survey) -> str:
    """Parts that are taken for arrays or chokes, as questions."""
    parts = sorted(survey.domains.through, key=lambda part: part.refdes)
    why = (
        "pins face each other, none at a ground or supply: an array or choke? If it isolates, it"
        " needs a barrier"
    )
    return "".join(
        f"{asked(f'{part.called}: {survey.text(part.distinct)}; {why}')}\n" for part in parts
    )


def stitching_text(parts: Sequence[Part]) -> str:
    """Capacitors between references and planes; what is called otherwise is asked for."""
    if not parts:
        return ""
    why = "two near pins, on references or a reference and its plane: capacitors, or strike them"
    line = noted(f"stitching = {array(part.refdes for part in parts)}", why)
    others = [part.refdes for part in parts if names.called(part.refdes) != "a capacitor"]
    doubt = (
        asked(f"{', '.join(others)}: no capacitor by designator; is it one?") + "\n"
        if others
        else ""
    )
    return f"\n[nets]\n{line}\n{doubt}"


def layers_text(board: Board) -> str:
    """Layers as read, and what the data leaves open."""
    lines = ["\n# Layers as read:", *_layers(board)]
    if board.stackup.thickness is None:
        needs = "creepage over edges and distances between layers need it"
        lines += [f"# The data tells no thickness; {needs}:", "# [stackup]", "# thickness = 1.6"]
    if board.outline is None:
        lines += ["# The data has no profile; a barrier needs the board's edges:"]
        lines += ["# [outline]", "# points = [[0, 0], [100, 0], [100, 80], [0, 80]]"]
    return "\n".join(lines) + "\n"


def _layers(board: Board) -> list[str]:
    """Which file each layer is; where one file holds all, what it calls them."""
    files = [
        (file.layer, file.path)
        for layer in board.layers
        for file in board.files
        if file.layer == layer.id
    ]
    told = files or [(layer.id, layer.name) for layer in board.layers]
    return [f"#   {layer} = {printable(name)}" for layer, name in told]


def listed(survey: Survey, nets: Iterable[int]) -> str:
    """A TOML list of net names, taken literally."""
    return array(escaped(survey, nets))


def escaped(survey: Survey, nets: Iterable[int]) -> list[str]:
    """Net names as patterns that match themselves alone."""
    return [glob.escape(survey.names[net]) for net in sorted(nets)]


def quoted(text: str) -> str:
    """A TOML string; what does not print is escaped."""
    plain = json.dumps(text, ensure_ascii=False)
    return "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in plain)


def noted(line: str, why: str) -> str:
    """A line with the evidence behind it; names in it cannot end the comment."""
    return f"{line}  # {printable(why)}"


def asked(question: str) -> str:
    """A line of comment."""
    return f"# {printable(question)}"


def key(name: str) -> str:
    """A TOML key."""
    return (
        name
        if name.replace("-", "").replace("_", "").isalnum() and name.isascii()
        else quoted(name)
    )


def flat(items: Iterable[str]) -> str:
    """A TOML list on one line."""
    return f"[{', '.join(map(quoted, items))}]"


def array(items: Iterable[str]) -> str:
    """A TOML list, broken into lines where it is long."""
    words = list(items)
    line = flat(words)
    return (
        line
        if len(line) <= WIDE
        else "[\n" + "".join(f"    {quoted(word)},\n" for word in words) + "]"
    )


NAMELESS = """
# The data names no nets. The largest pieces of copper, over all layers that plated holes join, stand for references:
# give them their real names, delete those that are none, and say what separates the regions ([[barrier]] or [[tie]]).
"""


def named_net(name: str, place: tuple[float, float, str], why: str) -> str:
    """The table that names a piece of copper."""
    x, y, layer = place
    return f"\n[net.{key(name)}]\nat = [[{x:g}, {y:g}, {quoted(layer)}]]  # {why}\n"


def nothing() -> str:
    """A region to start from, on a board that tells none."""
    return (
        "\n# No net and no copper looks like a reference: name the reference nets, or give the area"
        ' of the region.\n[region.main]\nreference = []\nnets = ["*"]\n'
    )
