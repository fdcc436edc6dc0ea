"""Which file is what: by its own attributes, the job file, the rules, and last by common habits of
naming.

`.FileFunction` values: The Gerber Layer Format Specification 2023.08, 5.6.3, with the older ones
that are still found. Habits of naming: common practice, no source; a file that is taken for copper,
drill or profile by its name alone is a doubt, because a wrong guess would move a whole layer.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePosixPath

from parsers.board import BOTTOM, INNER, PLATED, PLATING_UNKNOWN, TOP, UNPLATED
from parsers.drill import NumberFormat, told_format
from parsers.trouble import BoardError

COPPER, DRILL, PROFILE, NETLIST, COMPONENT, JOB = (
    "copper",
    "drill",
    "profile",
    "netlist",
    "component",
    "job",
)
NOT_NEEDED, UNKNOWN = "not needed", "unknown"
BY_ATTRIBUTE, BY_JOB, BY_RULES, BY_NAME = "its attributes", "the job file", "the rules", "its name"


@dataclass(frozen=True, slots=True)
class Role:
    """What a file is.

    `layer` counts from 1 at the top; None for copper means that only the side is known. `inner` is
    the place among the inner layers where a name tells no more than that.
    """

    function: str
    layer: int | None = None
    side: str | None = None
    inner: int | None = None
    plated: int = PLATING_UNKNOWN
    span: tuple[int, int] | None = None
    negative: bool = False
    source: str = BY_ATTRIBUTE
    numbers: NumberFormat | None = None  # of a drill program, told by the rules
    span_named: bool = False  # the span is from the file's name alone

    def agrees(self, other: Role) -> bool:
        """Whether two sources say the same, as far as both say anything."""
        if self.function != other.function or (
            self.negative != other.negative and other.source != BY_RULES
        ):
            return False
        pairs = ((self.layer, other.layer), (self.side, other.side), (self.span, other.span))
        plating = PLATING_UNKNOWN in (self.plated, other.plated) or self.plated == other.plated
        return plating and all(a is None or b is None or a == b for a, b in pairs)


_SIDES = {"Top": TOP, "Inr": INNER, "Bot": BOTTOM}
_PLATING = {
    "Plated": PLATED,
    "PTH": PLATED,
    "NonPlated": UNPLATED,
    "NPTH": UNPLATED,
    "MixedPlating": PLATING_UNKNOWN,
}


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_NEVER_COPPER = _words("""
    Soldermask SolderMask Legend Carbonmask Goldmask Heatsinkmask Peelablemask Silvermask Tinmask Paste SolderPaste Glue
    Pads Depthrout Vcut Viafill Other Drillmap FabricationDrawing Vcutmap AssemblyDrawing ArrayDrawing OtherDrawing
    Keep-out Peel-off HeatSink Scoring Gluemask Assembly Mechanical Drawing
""")


def by_function(fields: Sequence[str], source: str = BY_ATTRIBUTE) -> Role | None:
    """Role of the fields of a file function; None if it is not known.

    Examples
    --------
    >>> by_function(("Copper", "L2", "Inr")).layer
    2
    >>> by_function(("Plated", "4", "1", "PTH")).span
    (1, 4)
    >>> by_function(("Soldermask", "Top")).function
    'not needed'
    """
    kind, *rest = [f.strip() for f in fields] or [""]
    side = next((_SIDES[f] for f in rest if f in _SIDES), None)
    if kind == "Copper":
        numbers = [int(f[1:]) for f in rest if re.fullmatch(r"L\d{1,4}", f)]
        return Role(COPPER, numbers[0] if numbers else None, side, source=source)
    if kind in _PLATING:
        return Role(DRILL, plated=_PLATING[kind], span=_span(rest[:2]), source=source)
    if kind == "Profile":
        plated = {"P": PLATED, "NP": UNPLATED}.get(rest[0] if rest else "", PLATING_UNKNOWN)
        return Role(PROFILE, plated=plated, source=source)
    if kind == "Component":
        return Role(COMPONENT, side=side, source=source)
    return Role(NOT_NEEDED, source=source) if kind in _NEVER_COPPER else None


def _span(fields: Sequence[str | None]) -> tuple[int, int] | None:
    """The layers that a hole reaches, the upper one first; None where not both are told."""
    ends = sorted(int(f) for f in fields if f and re.fullmatch(r"\d{1,4}", f))
    return (ends[0], ends[1]) if len(ends) == 2 else None


def by_hint(name: str, value: str) -> Role:
    """Role that the rules file gives a file.

    Values: `L3`, `top`, `bottom`, `inner 2` (each also with `negative`), `plated`, `unplated`,
    `drill` (each also with a span such as `plated 1-2`, and with the number format of a program:
    `plated, mm 3.3, leading zeros kept`), `profile`, `profile plated`, `netlist`, `component top`,
    `component bottom`, `not needed`, or a file function in full.

    Raises
    ------
    BoardError : the value is none of these

    Examples
    --------
    >>> by_hint("a.drl", "plated 2-1").span, by_hint("a.gbl", "bottom").side, str(by_hint("a.drl", "inch 2.4").numbers)
    ((1, 2), 'bottom', 'inch 2.4')
    """
    text = " ".join(value.strip().lower().split())
    role = (
        _copper_by_hint(text)
        or _drill_by_hint(text)
        or _PLAIN.get(text)
        or by_function(value.split(","), BY_RULES)
    )
    if role is None:
        raise BoardError(
            f"files: {value!r} for {name!r} is no layer or function; use L1, top, bottom, plated,"
            ' unplated (with "mm 3.3, leading zeros kept" for a program that does not tell),'
            ' profile, netlist, component top or bottom, "not needed", or a file function such as'
            " Copper,L1,Top"
        )
    return role


_PLAIN = {
    "profile": Role(PROFILE, plated=UNPLATED, source=BY_RULES),
    "profile plated": Role(PROFILE, plated=PLATED, source=BY_RULES),
    "netlist": Role(NETLIST, source=BY_RULES),
    "component top": Role(COMPONENT, side=TOP, source=BY_RULES),
    "component bottom": Role(COMPONENT, side=BOTTOM, source=BY_RULES),
    "not needed": Role(NOT_NEEDED, source=BY_RULES),
}


def _copper_by_hint(text: str) -> Role | None:
    plain = text.removesuffix(" negative")
    negative = plain != text
    if re.fullmatch(r"l[1-9]\d{0,2}", plain):
        return Role(COPPER, int(plain[1:]), negative=negative, source=BY_RULES)
    if plain in (TOP, BOTTOM):
        return Role(COPPER, side=plain, negative=negative, source=BY_RULES)
    if (inner := re.fullmatch(r"inner ([1-9]\d{0,2})", plain)) is not None:
        return Role(COPPER, side=INNER, inner=int(inner[1]), negative=negative, source=BY_RULES)
    return None


_HINTED_PLATING = {"plated": PLATED, "unplated": UNPLATED, "drill": PLATING_UNKNOWN}


def _drill_by_hint(text: str) -> Role | None:
    first, *rest = (part.strip() for part in text.split(","))
    drill = re.fullmatch(r"(plated|unplated|drill)(?: (\d{1,3})-(\d{1,3}))?", first)
    numbers = told_format(rest if drill else [first, *rest])
    if drill is None:
        return Role(DRILL, source=BY_RULES, numbers=numbers) if numbers else None
    if rest and numbers is None:
        return None
    plating, *ends = drill.groups()
    plated = _HINTED_PLATING[plating]
    return Role(DRILL, plated=plated, span=_span(ends), source=BY_RULES, numbers=numbers)


def value_of(role: Role) -> str:
    """The value of `[files]` that gives a file this role.

    Examples
    --------
    >>> value_of(Role(COPPER, 3)), value_of(Role(DRILL, plated=PLATED, span=(1, 2))), value_of(Role(PROFILE))
    ('L3', 'plated 1-2', 'profile')
    """
    if role.function == COPPER:
        place = (
            f"L{role.layer}"
            if role.layer
            else (f"inner {role.inner}" if role.inner else role.side or TOP)
        )
        return f"{place} negative" if role.negative else place
    if role.function == DRILL:
        span = f" {role.span[0]}-{role.span[1]}" if role.span else ""
        return f"{'unplated' if role.plated == UNPLATED else 'plated'}{span}"
    if role.function == PROFILE and role.plated == PLATED:
        return "profile plated"
    return f"component {role.side or TOP}" if role.function == COMPONENT else role.function


# --------------------------------------------------------------------------------- habits of naming

_PARTS = re.compile(r"[a-z]+|\d+")
_NO_COPPER_WORDS = _words("""
    mask masks soldermask resist solderresist stop silk silks silkscreen legend overlay paste pastemask stencil cream
    assembly assy courtyard crtyd crtyrd fab fabrication drawing drawings dwg dwgs adhesive adhes glue map notes note
    dimension dimensions pos position positions centroid bom pnp readme report keepout user margin eco cmts comments
    guide
""")
_NO_COPPER_EXTENSIONS = _words("""
    gts gbs gto gbo gtp gbp gpt gpb gdd gd1 gg1 gdl gpi dri rep rpt smt smb sst ssb plc pls crc crs stc sts apr ldp rul
    extrep
""")
_TOP_WORDS, _BOTTOM_WORDS = (
    _words("top front primary prim"),
    _words("bottom bot back secondary sec"),
)
_PROFILE_WORDS = _words("outline profile edge edges contour border boardoutline edgecuts")
_PROFILE_EXTENSIONS = _words("gko gml gm1 gm oln")
# inside longer words too
_NO_COPPER_PARTS = re.compile(r"paste|mask|silk|legend|stencil|resist|courtyard|overlay")
_DRILL_WORDS = _words("drill drills drl pth npth ncdrill holes rout route routing slots thru")
_DRILL_EXTENSIONS = _words("drl xln exc ncd drd nc tap cnc xnc rou")


def by_name(name: str, *, drill: bool = False, common: frozenset[str] = frozenset()) -> Role | None:
    """Role that a file's name suggests; None if it suggests nothing.

    Extensions and the usual abbreviations of copper come before words, so that a board called
    paste-dispenser loses no layer.

    Parameters
    ----------
    drill : the content is a drill program, so that only plating and span are asked
    common : words in the names of all files, which tell the board and not the layer

    Examples
    --------
    >>> by_name("ctrl-In2_Cu.gbr").inner, by_name("l3_vcc.art").layer, by_name("ctrl.gtl").side
    (2, 3, 'top')
    >>> by_name("mask_top.gbr").function, by_name("outline.gbr").function, by_name("board.gbr")
    ('not needed', 'profile', None)
    """
    path = PurePosixPath(name.lower())
    words = frozenset(words_of(name)) - common
    extension = path.suffix[1:]
    if drill or extension in _DRILL_EXTENSIONS:
        return _drill_by_name(words, path.stem)
    if extension in _NO_COPPER_EXTENSIONS:
        return Role(NOT_NEEDED, source=BY_NAME)
    copper = _copper_by_extension(extension) or _copper_by_abbreviation(path.stem)
    return copper or _by_words(words, path.stem, extension)


def _by_words(words: frozenset[str], stem: str, extension: str) -> Role | None:
    if _NO_COPPER_WORDS & words or any(_NO_COPPER_PARTS.search(word) for word in words):
        return Role(NOT_NEEDED, source=BY_NAME)
    if _DRILL_WORDS & words:
        return _drill_by_name(words, stem)
    if extension in _PROFILE_EXTENSIONS or _PROFILE_WORDS & words:
        return Role(PROFILE, plated=UNPLATED, source=BY_NAME)
    return _copper_by_words(words, stem)


def words_of(name: str) -> list[str]:
    """Words and numbers of a file's name, without its extension.

    Examples
    --------
    >>> words_of("L2_GND-rev3.gbr")
    ['l', '2', 'gnd', 'rev', '3']
    """
    return _PARTS.findall(PurePosixPath(name.lower()).stem)


_LAYER = r"(?:l|lay|layer|lyr)(\d{1,2})"
_SPAN = re.compile(
    rf"(?<!\d)(\d{{1,2}})[-_](\d{{1,2}})(?!\d)|(?<![a-z]){_LAYER}[-_]?{_LAYER}(?!\d)", re.ASCII
)


def _drill_by_name(words: frozenset[str], stem: str) -> Role:
    unplated = (
        "npth" in words
        or "nonplated" in words
        or ("non" in words and "plated" in words)
        or "unplated" in words
    )
    plated = not unplated and ("pth" in words or "plated" in words)
    span = _SPAN.search(stem)
    ends = sorted(int(end) for end in span.groups() if end) if span else [0, 0]
    return Role(
        DRILL,
        plated=UNPLATED if unplated else (PLATED if plated else PLATING_UNKNOWN),
        span=(ends[0], ends[1]) if 1 <= ends[0] < ends[1] else None,
        source=BY_NAME,
        span_named=True,
    )


def _copper_by_extension(extension: str) -> Role | None:
    """Extensions of copper: .gtl, .gbl, .g1 (an inner layer), .g2l and .gl2 (a layer of the board)
    and the like.
    """
    if extension in ("gtl", "cmp", "top"):
        return Role(COPPER, side=TOP, source=BY_NAME)
    if extension in ("gbl", "sol", "bot"):
        return Role(COPPER, side=BOTTOM, source=BY_NAME)
    if layer := re.fullmatch(r"g(\d{1,2})l|(?:gl|ly|l|lyr)(\d{1,2})", extension):
        return Role(COPPER, max(int(layer[1] or layer[2]), 1), source=BY_NAME)
    if inner := re.fullmatch(r"(?:g|gi|in|gp)(\d{1,2})", extension):
        return Role(COPPER, side=INNER, inner=max(int(inner[1]), 1), source=BY_NAME)
    return None


def with_settled_numbers(roles: Sequence[Role]) -> list[Role]:
    """Roles of copper by names alone, with layer numbers that fit each other (exporters' habits, no
    source).

    Exporters count layers of the board or inner layers, and write both in the same way. Where a top
    layer is named besides a layer 1, the numbers count inner layers; where several inner numbers
    begin with 2, they count layers of the board.

    Examples
    --------
    >>> named = [by_name(f"a.{end}") for end in ("gtl", "g1l", "g2l", "gbl")]
    >>> [role.inner for role in with_settled_numbers(named)]
    [None, 1, 2, None]
    >>> named = [by_name(f"a.{end}") for end in ("gtl", "g2", "g3", "gbl")]
    >>> [role.layer for role in with_settled_numbers(named)]
    [None, 2, 3, None]
    """
    copper = [role for role in roles if role.function == COPPER and role.source == BY_NAME]
    layers, inner = (
        {r.layer for r in copper if r.layer},
        sorted({r.inner for r in copper if r.inner}),
    )
    shifted = 1 in layers and any(role.side == TOP and role.layer is None for role in copper)
    counted = len(inner) > 1 and inner == list(range(2, len(inner) + 2)) and not layers
    return [_settled_number(role, shifted=shifted, counted=counted) for role in roles]


def _settled_number(role: Role, *, shifted: bool, counted: bool) -> Role:
    if role.source != BY_NAME or role.function != COPPER:
        return role
    if shifted and role.layer:
        return replace(role, layer=None, side=INNER, inner=role.layer)
    if counted and role.inner:
        return replace(role, layer=role.inner, inner=None)
    return role


def _copper_by_abbreviation(stem: str) -> Role | None:
    """F_Cu, B_Cu, In1_Cu and the like."""
    if re.search(r"(?:^|[^a-z])f[-_.]?cu", stem):
        return Role(COPPER, side=TOP, source=BY_NAME)
    if re.search(r"(?:^|[^a-z])b[-_.]?cu", stem):
        return Role(COPPER, side=BOTTOM, source=BY_NAME)
    inner = re.search(r"(?:^|[^a-z])in0?(\d{1,2})[-_.]?cu", stem, re.ASCII)
    return Role(COPPER, side=INNER, inner=int(inner[1]), source=BY_NAME) if inner else None


def _copper_by_words(words: frozenset[str], stem: str) -> Role | None:
    number = re.search(
        r"(?:^|[^a-z])(?:l|layer|lay|lyr|ly|art|copper|cu)[-_ ]?0?([1-9]\d?)(?!\d)", stem, re.ASCII
    )
    if number:
        return Role(COPPER, int(number[1]), source=BY_NAME)
    kinds, things = "in|inner|int|internal|mid|middle", "layer|lay|lyr|plane|cu|copper"
    pattern = rf"(?:^|[^a-z])(?:{kinds})[-_ ]?(?:{things})?[-_ ]?0?([1-9]\d?)(?!\d)"
    inner = re.search(pattern, stem, re.ASCII)
    if inner:
        return Role(COPPER, side=INNER, inner=int(inner[1]), source=BY_NAME)
    if _TOP_WORDS & words:
        return Role(COPPER, side=TOP, source=BY_NAME)
    return Role(COPPER, side=BOTTOM, source=BY_NAME) if _BOTTOM_WORDS & words else None


def may_be_copper(name: str) -> bool:
    """Whether a name sounds like copper or like a layer of unknown meaning; used for files that
    cannot be read.
    """
    role = by_name(name)
    if role is not None:
        return role.function in (COPPER, DRILL, PROFILE)
    return PurePosixPath(name.lower()).suffix in (
        ".gbr",
        ".ger",
        ".gbx",
        ".art",
        ".pho",
        ".gb",
        ".gtl",
        ".gbl",
    )


def may_be_netlist(name: str) -> bool:
    """Whether a name sounds like a test netlist; used for files that cannot be read.

    Examples
    --------
    >>> [may_be_netlist(name) for name in ("a.ipc", "a.d356", "a-ipc356.txt", "readme.txt", "recipe.txt")]
    [True, True, True, False, False]
    """
    path = PurePosixPath(name.lower())
    told = {"ipc", "356"} <= set(words_of(path.name))
    return path.suffix in (".ipc", ".356", ".d356", ".356a", ".ipc356") or told
