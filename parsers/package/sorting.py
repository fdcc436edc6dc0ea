"""Sorts the files of a package: what each one holds, what it is for, and which sources disagree on
that.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from pathlib import PurePosixPath

from parsers.board import PLATING_UNKNOWN, BoardFile, Hints
from parsers.drill import NumberFormat, looks_like_drill, read_parameters
from parsers.gerber import file_attributes, looks_like_gerber
from parsers.netlist import looks_like_netlist
from parsers.package.archive import GZIP_MAGIC, Member, Package, gzip_head, is_nested
from parsers.package.jobfile import JobFile, looks_like_job, read_job
from parsers.package.roles import (
    BY_JOB,
    BY_NAME,
    COMPONENT,
    COPPER,
    DRILL,
    JOB,
    NETLIST,
    NOT_NEEDED,
    PROFILE,
    UNKNOWN,
    Role,
    by_function,
    by_hint,
    by_name,
    may_be_copper,
    may_be_netlist,
    value_of,
    with_settled_numbers,
    words_of,
)
from parsers.trouble import BoardError, Doubt, Place, line_for

Attributes = Mapping[str, tuple[str, ...]]  # of a file, with the fields of each


class Content(Enum):
    """What the bytes of a file are, whatever its name says."""

    GERBER = "Gerber"
    PROGRAM = "drill program"
    TEST_POINTS = "netlist"
    JOB_FILE = "job file"
    IPC2581 = "IPC-2581"
    OTHER = "other"


READABLE = {
    COPPER: (Content.GERBER,),
    PROFILE: (Content.GERBER,),
    COMPONENT: (Content.GERBER,),
    DRILL: (Content.GERBER, Content.PROGRAM),
    NETLIST: (Content.TEST_POINTS,),
}
NEEDED = frozenset(READABLE)


@dataclass(frozen=True, slots=True)
class Item:
    """A file of the package with its number, content and role."""

    number: int
    member: Member
    content: Content
    role: Role
    attributes: Attributes = field(default_factory=dict)
    numbers: NumberFormat | None = None  # of a drill program, told by the rules

    @property
    def name(self) -> str:
        """Path inside the package."""
        return self.member.name


@dataclass(frozen=True, slots=True)
class Sorting:
    """All files, the job file if there is one, number formats beside the drills, and what is
    doubtful.
    """

    items: tuple[Item, ...]
    job: JobFile | None
    parameters: NumberFormat | None
    doubts: tuple[Doubt, ...]
    remarks: tuple[Doubt, ...]

    def of(self, function: str) -> list[Item]:
        """Items of a function, in the order of their names."""
        return [item for item in self.items if item.role.function == function]

    def readable(self, function: str) -> list[Item]:
        """Items of a function whose content can be read as that; the others have their doubt
        already.
        """
        return [item for item in self.of(function) if item.content in READABLE[function]]

    def files(self, layers: Mapping[int, str]) -> tuple[BoardFile, ...]:
        """The table of files; `layers` tells the layer of copper by item number."""
        return tuple(
            BoardFile(i.name, i.member.sha256, layers.get(i.number), i.role.function)
            for i in self.items
        )


@dataclass(frozen=True, slots=True)
class _Found:
    """A file and what its bytes are."""

    member: Member
    content: Content


def content_of(member: Member) -> Content:
    """What the bytes of a file are."""
    data = member.data
    if looks_like_job(member.name, data):
        return Content.JOB_FILE
    if data.startswith(GZIP_MAGIC):
        return (
            Content.IPC2581 if b"IPC-2581" in gzip_head(data).replace(b"\0", b"") else Content.OTHER
        )
    if data.lstrip()[:1] == b"<" or data.startswith(
        (b"\xef\xbb\xbf<", b"\xff\xfe<", b"\xfe\xff\x00<")
    ):
        return Content.IPC2581 if b"IPC-2581" in data[:4096].replace(b"\0", b"") else Content.OTHER
    if looks_like_gerber(data):
        return Content.GERBER
    if looks_like_netlist(data):
        return Content.TEST_POINTS
    return Content.PROGRAM if looks_like_drill(data) else Content.OTHER


def board_in_one_file(package: Package) -> Member | None:
    """The IPC-2581 file of a package that holds no Gerber layers beside it; None if there is none.

    Raises
    ------
    BoardError : there are several
    """
    contents = {member: content_of(member) for member in package.members}
    found = [member for member, content in contents.items() if content is Content.IPC2581]
    if not found or Content.GERBER in contents.values():
        return None
    if len({member.sha256 for member in found}) > 1:
        names = ", ".join(member.name for member in found)
        raise BoardError(f"holds several boards ({names}); give one of them", Place(package.name))
    return found[0]


def sort_files(package: Package, hints: Hints, *, job_name: str | None = None) -> Sorting:
    """Find out what every file of a package is.

    Parameters
    ----------
    job_name : the job file to use where there are several

    Raises
    ------
    BoardError : several boards in one package; the rules name a file that is not there
    """
    found = {m.name: _Found(m, content_of(m)) for m in package.members}
    job, own = _job(package, found, job_name)
    _check_hints(package, hints)
    drawn = [f.member.name for f in own if f.content in (Content.GERBER, Content.PROGRAM)]
    common = _common_words(drawn)
    attributes = [_attributes(file) for file in own]
    told = [_sources(*pair, job, hints, common) for pair in zip(own, attributes, strict=True)]
    told = _with_settled_names(told)
    claimed = [_item(n, *of) for n, of in enumerate(zip(own, told, attributes, strict=True))]
    items, unclear, remarks = _one_of_each(claimed, package.name)
    doubts = [
        *package.doubts,
        *(
            d
            for item, sources in zip(claimed, told, strict=True)
            for d in _doubts_of(item, sources)
        ),
        *(job.doubts if job else ()),
        *(_missing_from_job(job, items) if job else ()),
        *_of_one_project(items),
        *unclear,
    ]
    return Sorting(tuple(items), job, _parameters(own), tuple(doubts), tuple(remarks))


def _attributes(file: _Found) -> Attributes:
    return file_attributes(file.member.data) if file.content is Content.GERBER else {}


def _item(number: int, file: _Found, told: Mapping[str, Role], attributes: Attributes) -> Item:
    role = _role(file.content, told)
    return Item(number, file.member, file.content, role, attributes, _numbers(told))


def _parameters(own: Sequence[_Found]) -> NumberFormat | None:
    """The number format that files beside the drills tell, if they agree."""
    others = (read_parameters(f.member.data) for f in own if f.content is Content.OTHER)
    return _only([told for told in others if told])


def _with_settled_names(told: Sequence[dict[str, Role]]) -> list[dict[str, Role]]:
    """Sources in which the layer numbers that names tell fit each other."""
    named = [number for number, sources in enumerate(told) if "name" in sources]
    roles = with_settled_numbers([told[number]["name"] for number in named])
    settled = dict(zip(named, roles, strict=True))
    return [
        {**t, "name": settled[number]} if number in settled else t for number, t in enumerate(told)
    ]


def _numbers(told: Mapping[str, Role]) -> NumberFormat | None:
    """The number format that the rules tell."""
    return told["rules"].numbers if "rules" in told else None


def _only(formats: Sequence[NumberFormat]) -> NumberFormat | None:
    return formats[0] if len(set(formats)) == 1 else None


def _check_hints(package: Package, hints: Hints) -> None:
    names = {m.name for m in package.members} | {
        PurePosixPath(m.name).name for m in package.members
    }
    for name in hints.files:
        if name not in names and not any(d.place.file.endswith(name) for d in package.doubts):
            raise BoardError(
                f"files: {name!r} is not in {package.name}; name a file of the package"
            )


# ---------------------------------------------------------------------------------------- job files


def _job(
    package: Package, found: Mapping[str, _Found], job_name: str | None
) -> tuple[JobFile | None, tuple[_Found, ...]]:
    """The job file, and the files that belong to its board."""
    job_files = [f.member for f in found.values() if f.content is Content.JOB_FILE]
    jobs = {member.name: read_job(member.data, member.name) for member in job_files}
    if job_name is not None:
        chosen = jobs.pop(job_name)
        others = {file for job in jobs.values() for file in _listed(job)}
        dropped = (others - _listed(chosen)) | set(jobs)
        return chosen, tuple(f for name, f in found.items() if name not in dropped)
    boards = {_listed(job): job for job in jobs.values()}
    if len(boards) > 1:
        several = f"holds several boards ({', '.join(sorted(jobs))})"
        raise BoardError(f"{several}; give one of the job files", Place(package.name))
    return next(iter(boards.values()), None), tuple(found.values())


def _listed(job: JobFile) -> frozenset[str]:
    """The files that a job file names, as paths inside the package."""
    return frozenset(_inside(job, path) for path in job.functions)


def _inside(job: JobFile, path: str) -> str:
    """Path of a file of a job inside the package."""
    return str(PurePosixPath(job.name).parent / path.replace("\\", "/"))


def _missing_from_job(job: JobFile, items: Sequence[Item]) -> list[Doubt]:
    """Doubts on needed files that the job file names and the package has neither by name nor by
    function.
    """
    names = {i.name for i in items}
    others = [item for item in items if item.name not in _listed(job)]
    doubts = []
    for path, fields in sorted(job.functions.items()):
        role = by_function(fields, BY_JOB)
        needed = role is None or role.function in NEEDED
        if _inside(job, path) in names or not needed:
            continue
        renamed = role is not None and any(_is_that(item, role) for item in others)
        if not renamed or _is_outside(job, path):
            why = f"{job.name} lists it as {','.join(fields)}; add the file"
            doubts.append(Doubt(f"{path} is missing", why, Place(job.name)))
    return doubts


def _is_outside(job: JobFile, path: str) -> bool:
    """Whether a path leads out of the package."""
    steps = PurePosixPath(path.replace("\\", "/")).parts
    return _inside(job, path).startswith("..") or ".." in steps


def _is_that(item: Item, role: Role) -> bool:
    """Whether a file is what the job file lists under another name: it says so itself, or its name
    does.
    """
    return item.role.function == role.function and item.role.agrees(
        replace(role, negative=item.role.negative)
    )


# -------------------------------------------------------------------------------------------- roles


def _common_words(names: Sequence[str]) -> frozenset[str]:
    """Words that all names share: the board's own, which tell nothing about a layer."""
    return (
        frozenset.intersection(*(frozenset(words_of(n)) for n in names))
        if len(names) > 1
        else frozenset()
    )


def _sources(
    file: _Found,
    attributes: Attributes,
    job: JobFile | None,
    hints: Hints,
    common: frozenset[str],
) -> dict[str, Role]:
    """What each source says of a file, the one that counts most first."""
    name, base = file.member.name, PurePosixPath(file.member.name).name
    told: dict[str, Role | None] = {"attributes": _by_attributes(file, attributes)}
    if job is not None:
        told["job"] = _by_job(job, name)
    hint = hints.files.get(name, hints.files.get(base))
    told["rules"] = by_hint(base, hint) if hint is not None else None
    if file.content in (Content.GERBER, Content.PROGRAM):
        told["name"] = by_name(base, drill=file.content is Content.PROGRAM, common=common)
    return {source: role for source, role in told.items() if role is not None}


def _by_attributes(file: _Found, attributes: Attributes) -> Role | None:
    """What a file says of itself."""
    if file.content is Content.PROGRAM:
        return by_function(_program_function(file.member.data))
    role = by_function(attributes.get(".FileFunction", ()))
    negative = attributes.get(".FilePolarity", ()) == ("Negative",)
    return replace(role, negative=negative) if role else None


def _by_job(job: JobFile, name: str) -> Role | None:
    """What the job file says of a file."""
    path = next((path for path in job.functions if _inside(job, path) == name), None)
    role = by_function(job.functions[path], BY_JOB) if path is not None else None
    return replace(role, negative=path in job.negative) if role else None


def _program_function(data: bytes) -> tuple[str, ...]:
    found = re.search(rb"^;\s*#@!\s*TF\.FileFunction,([^*\r\n]*)", data[:50_000], re.M)
    return tuple(found[1].decode("latin-1").split(",")) if found else ()


_FIXED = {
    Content.TEST_POINTS: Role(NETLIST),
    Content.JOB_FILE: Role(JOB),
    Content.IPC2581: Role(NOT_NEEDED),
    Content.OTHER: Role(NOT_NEEDED),
}


def _role(content: Content, told: Mapping[str, Role]) -> Role:
    """The role that counts; a drill program may have its layer span from its name."""
    role = next(iter(told.values()), None) or _FIXED.get(content, Role(UNKNOWN))
    if (
        content is Content.PROGRAM
        and role.function == DRILL
        and role.span is None
        and "name" in told
    ):
        return replace(role, span=told["name"].span, span_named=True)
    return role


def _doubts_of(item: Item, told: Mapping[str, Role]) -> list[Doubt]:
    """What is doubtful about the role of one file."""
    doubt = _doubt_of_role(item, told)
    doubts = [*_contradictions(item, told), *([doubt] if doubt else [])]
    part = item.attributes.get(".Part") or ("Single",)
    if part[0] in ("Array", "FabricationPanel", "Coupon") and item.role.function in NEEDED:
        why = f"its part is {part[0]}; export the single board"
        doubts.append(Doubt(f"{item.name} shows a panel", why, Place(item.name)))
    return doubts


def _contradictions(item: Item, told: Mapping[str, Role]) -> Iterator[Doubt]:
    """Doubts on sources that state another role than the first of them."""
    stated = [role for source, role in told.items() if source != "name"]
    for other in stated[1:]:
        first = stated[0]
        if not first.agrees(other):
            why = f"{first.source}: {_shown(first)}; {other.source}: {_shown(other)}"
            yield Doubt(f"{item.name} is two things", why, Place(item.name))


def _doubt_of_role(item: Item, told: Mapping[str, Role]) -> Doubt | None:
    """A doubt on a file whose role its content belies, its name alone tells, or nothing tells."""
    name, role = item.name, item.role
    if role.function in NEEDED and item.content not in READABLE[role.function]:
        what = f"{name} cannot be read"
        belied = f"it is stated to be {_shown(role)}, but its content is {item.content.value}"
        why = f"{belied}; export it again"
    elif role.source == BY_NAME and item.content is Content.GERBER and role.function in NEEDED:
        what = f"{name} is taken for {_shown(role)} by its name"
        right = f"if that is right, {line_for(name, value_of(role))}"
        why = f"no attribute, job file or rule says so; {right}"
    elif role.function == UNKNOWN:
        what = f"{name} is of unknown function"
        why = f'it may be copper; {line_for(name, "L2")}, or what else it is, such as "not needed"'
    elif item.content is Content.OTHER and not told and _may_hold_a_layer(name):
        what = f"{name} is not read"
        remedy = f"add what it holds, or {line_for(name, 'not needed')}"
        why = f"{_unread(name)}, and it may hold a layer; {remedy}"
    else:
        return None
    return Doubt(what, why, Place(name))


def _may_hold_a_layer(name: str) -> bool:
    return is_nested(name) or may_be_copper(name) or may_be_netlist(name)


def _unread(name: str) -> str:
    nested = "an archive inside the package is not opened"
    return nested if is_nested(name) else "its content is no known format"


def _may_matter(name: str) -> bool:
    """Whether a file of no known format may be one that the board needs."""
    return is_nested(name) or may_be_copper(name) or may_be_netlist(name)


def _shown(role: Role) -> str:
    """A role in a few words."""
    if role.function == COPPER:
        number = f"L{role.layer}" if role.layer else (role.side or "")
        inner = f" {role.inner}" if role.inner else ""
        return f"copper {number}{inner}"
    plating = {PLATING_UNKNOWN: ""}.get(role.plated, "plated " if role.plated else "unplated ")
    return f"{plating if role.function == DRILL else ''}{role.function}"


# ----------------------------------------------------------------------------------- one board only


def _one_of_each(items: list[Item], package: str) -> tuple[list[Item], list[Doubt], list[Doubt]]:
    """Leave one file for each layer and one profile; copies are remarks, contradictions doubts, two
    boards an error.
    """
    doubts: list[Doubt] = []
    remarks: list[Doubt] = []
    dropped: set[int] = set()
    for same in _claims(items):
        _check_one_board(same, package)
        dropped.update(item.number for item in same[1:])
        names = ", ".join(item.name for item in same)
        what = f"several files claim {_shown(same[0].role)}: {names}"
        copies = len({item.member.sha256 for item in same}) == 1
        others = f"remove the others, or {line_for(same[1].name, 'not needed')}"
        why = f"only {same[0].name} is read; {'they are copies' if copies else others}"
        (remarks if copies else doubts).append(Doubt(what, why, Place(same[1].name)))
    kept = [
        replace(i, role=replace(i.role, function=NOT_NEEDED)) if i.number in dropped else i
        for i in items
    ]
    return kept, doubts, remarks


def _claims(items: list[Item]) -> list[list[Item]]:
    """Items that claim to be the same layer, the profile or the netlist, several at a time."""
    claims: dict[tuple[str, object], list[Item]] = defaultdict(list)
    for item in items:
        role = item.role
        if role.function == COPPER:
            claims[COPPER, role.layer or (role.side, role.inner)].append(item)
        elif role.function in (PROFILE, NETLIST):
            claims[role.function, None].append(item)
    return [same for same in claims.values() if len(same) > 1]


def _check_one_board(same: Sequence[Item], package: str) -> None:
    """Refuse a package in which the files that claim one place are of different boards."""
    differ = len({item.member.sha256 for item in same}) > 1
    folders = sorted({item.member.folder for item in same})
    if differ and len(folders) > 1:
        shown = ", ".join(folder or "." for folder in folders)
        raise BoardError(f"holds several boards (in {shown}); give one of them", Place(package))
    projects = _projects(same)
    if differ and len(projects) > 1:
        raise BoardError(
            f"holds several boards ({', '.join(projects)}); give one of them", Place(package)
        )


def _projects(items: Iterable[Item]) -> list[str]:
    """Names of the projects that the attributes tell."""
    return sorted(
        {
            " ".join(item.attributes[".ProjectId"])
            for item in items
            if item.attributes.get(".ProjectId")
        }
    )


def _of_one_project(items: Sequence[Item]) -> list[Doubt]:
    """Doubts if the needed files are of different projects, or not aligned with each other."""
    needed = [item for item in items if item.role.function in NEEDED]
    doubts = []
    projects = _projects(needed)
    if len(projects) > 1:
        why = f"their project attributes differ: {'; '.join(projects)}; give the files of one board"
        doubts.append(Doubt("files of several projects", why))
    idents = sorted(
        {
            ",".join(i.attributes[".SameCoordinates"])
            for i in needed
            if ".SameCoordinates" in i.attributes
        }
    )
    if len(idents) > 1:
        why = (
            f".SameCoordinates differ: {'; '.join(idents)}; the layers may not be aligned, export"
            " them together"
        )
        doubts.append(Doubt("files with different coordinates", why))
    return doubts
