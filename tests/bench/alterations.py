"""Single semantic changes of a Python module: each is what a slip of the hand, or of the mind,
would leave behind.

comparison   < to >=, == to !=, in to not in        boundary   < to <=, > to >=, and back
constant     a number grown, True to False          junction   and to or, union to intersection
negation     a `not` dropped, a condition negated    arithmetic + to -, * to /, a sign dropped
nothing      a function that returns None at once    arguments  the first two of a call swapped
extreme      min to max, any to all

Annotations, decorators and text are left alone: they change no finding. So are options of
dataclasses and of `zip`.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass

OPPOSITE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
BOUNDARY: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
}  # fmt: skip
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult, ast.Pow: ast.Mult,
}  # fmt: skip
SETS: dict[type[ast.operator], type[ast.operator]] = {ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd}
EXTREMES = {
    "min": "max",
    "max": "min",
    "any": "all",
    "all": "any",
    "minimum": "maximum",
    "maximum": "minimum",
}
FIXED = {
    *("isinstance", "issubclass", "getattr", "cast"),
    *(
        "min",
        "max",
        "minimum",
        "maximum",
        "hypot",
        "union",
        "intersection",
        "intersects",
        "distance",
    ),
}
TECHNICAL = {
    "slots",
    "frozen",
    "strict",
    "kw_only",
    "maxsize",
    "eq",
    "order",
    "repr",
    "compare",
    "check_same_thread",
}
CONDITIONS = (ast.If, ast.IfExp, ast.While)
PLAIN = (ast.Name, ast.Attribute, ast.Call, ast.Subscript)


@dataclass(frozen=True, slots=True)
class Alteration:
    """One change of one node: `node` counts nodes as `ast.walk` meets them."""

    node: int
    line: int
    kind: str
    told: str  # before -> after, for people
    make: Callable[[], None]  # changes the tree in place


def altered(source: str, node: int, kind: str) -> ast.Module:
    """The module with one of its alterations made."""
    tree = ast.parse(source)
    _alteration(tree, node, kind).make()
    return ast.fix_missing_locations(tree)


def becomes(source: str, node: int, kind: str) -> str:
    """The innermost statement around an alteration, or the head of a compound one, as altered."""
    tree = ast.parse(source)
    alteration = _alteration(tree, node, kind)
    statement = _statement(tree, list(ast.walk(tree))[node])
    if kind == "nothing":
        return alteration.told
    alteration.make()
    return ast.unparse(ast.fix_missing_locations(_headed(statement)))


def _alteration(tree: ast.Module, node: int, kind: str) -> Alteration:
    return next(a for a in alterations(tree) if (a.node, a.kind) == (node, kind))


def _statement(tree: ast.Module, node: ast.AST) -> ast.stmt:
    """The innermost statement that holds a node."""
    around = {id(inner): outer for outer in ast.walk(tree) for inner in ast.iter_child_nodes(outer)}
    while not isinstance(node, ast.stmt):
        node = around[id(node)]
    return node


def _headed(statement: ast.stmt) -> ast.stmt:
    """A statement without the statements in it."""
    for field in ("body", "orelse", "finalbody", "handlers"):
        if isinstance(getattr(statement, field, None), list):
            setattr(statement, field, [ast.Pass()] if field == "body" else [])
    return statement


def alterations(tree: ast.Module) -> Iterator[Alteration]:
    """All single changes of a module, in the order of its nodes; at most one of a kind for each
    node.
    """
    spared = set(_spared(tree))
    places = _places(tree)
    for number, node in enumerate(ast.walk(tree)):
        if id(node) in spared:
            continue
        for kind, told, make in _changes(node, places):
            yield Alteration(number, getattr(node, "lineno", 0), kind, told, make)


_Change = tuple[str, str, Callable[[], None]]
_Places = dict[int, Callable[[ast.AST], None]]


def _changes(node: ast.AST, places: _Places) -> Iterator[_Change]:
    for change in (
        _compared,
        _joined,
        _computed,
        _unary,
        _constant,
        _emptied,
        _conditioned,
        _called,
    ):
        yield from change(node, places)


def _compared(node: ast.AST, _: _Places) -> Iterator[_Change]:
    if not isinstance(node, ast.Compare):
        return
    last = len(node.ops) - 1  # of a chain, the last comparison
    old = type(node.ops[last])
    for kind, table in (("comparison", OPPOSITE), ("boundary", BOUNDARY)):
        if new := table.get(old):
            yield (
                kind,
                f"{ast.unparse(node)}: {old.__name__} -> {new.__name__}",
                _put(node.ops, last, new()),
            )


def _joined(node: ast.AST, _: _Places) -> Iterator[_Change]:
    if isinstance(node, ast.BoolOp):
        new = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield "junction", f"{ast.unparse(node)} -> {type(new).__name__}", _set(node, "op", new)
    if isinstance(node, ast.BinOp | ast.AugAssign) and (other := SETS.get(type(node.op))):
        yield "junction", f"{ast.unparse(node)} -> {other.__name__}", _set(node, "op", other())


def _computed(node: ast.AST, _: _Places) -> Iterator[_Change]:
    if isinstance(node, ast.BinOp | ast.AugAssign) and (new := ARITHMETIC.get(type(node.op))):
        yield "arithmetic", f"{ast.unparse(node)} -> {new.__name__}", _set(node, "op", new())


def _unary(node: ast.AST, places: _Places) -> Iterator[_Change]:
    if isinstance(node, ast.UnaryOp) and not isinstance(node.op, ast.UAdd):
        kind = "negation" if isinstance(node.op, ast.Not | ast.Invert) else "arithmetic"
        place, inner = places[id(node)], node.operand
        yield kind, f"{ast.unparse(node)} -> {ast.unparse(inner)}", lambda: place(inner)


def _constant(node: ast.AST, _: _Places) -> Iterator[_Change]:
    if isinstance(node, ast.Constant) and isinstance(node.value, bool | int | float):
        old, new = node.value, _other(node.value)
        yield "constant", f"{old} -> {new}", _set(node, "value", new)


def _other(value: bool | int | float) -> bool | int | float:
    """One more, or half as much again; a bound of many twice as high, a tolerance a hundred times
    as wide.
    """
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return 2 * value if value >= 1000 else value + 1
    if value in (0.0, float("inf")):
        return 1.0
    return 100 * value if abs(value) < 1e-4 else 1.5 * value


def _emptied(node: ast.AST, _: _Places) -> Iterator[_Change]:
    if not isinstance(node, ast.FunctionDef) or all(
        isinstance(s, ast.Pass | ast.Expr) for s in node.body
    ):
        return
    inside = {type(inner) for inner in _own(node)}
    body: list[ast.stmt] = [ast.Return(value=None)]
    if inside & {ast.Yield, ast.YieldFrom}:
        body.append(ast.Expr(ast.Yield(value=None)))
    yield "nothing", f"{node.name} returns at once", _set(node, "body", body)


def _own(function: ast.FunctionDef) -> Iterator[ast.AST]:
    """Nodes of a function without those of functions inside it."""
    left: list[ast.AST] = list(function.body)
    while left:
        node = left.pop()
        yield node
        if not isinstance(node, ast.FunctionDef | ast.Lambda):
            left += ast.iter_child_nodes(node)


def _conditioned(node: ast.AST, _: _Places) -> Iterator[_Change]:
    if isinstance(node, CONDITIONS) and isinstance(node.test, PLAIN):
        new = ast.UnaryOp(ast.Not(), node.test)
        yield "negation", f"if {ast.unparse(node.test)} -> if not", _set(node, "test", new)


def _called(node: ast.AST, _: _Places) -> Iterator[_Change]:
    if not isinstance(node, ast.Call):
        return
    name = getattr(node.func, "attr", getattr(node.func, "id", ""))
    if len(node.args) > 1 and not _fixed_order(node, name):
        swapped = [node.args[1], node.args[0], *node.args[2:]]
        yield (
            "arguments",
            f"{ast.unparse(node)} with the first two swapped",
            _set(node, "args", swapped),
        )
    if name in EXTREMES:
        field = "attr" if isinstance(node.func, ast.Attribute) else "id"
        yield (
            "extreme",
            f"{ast.unparse(node)}: {name} -> {EXTREMES[name]}",
            _set(node.func, field, EXTREMES[name]),
        )


def _fixed_order(node: ast.Call, name: str) -> bool:
    """Whether a swap says nothing: types that must stand second, arguments that are the same or
    commute.
    """
    first, second = node.args[:2]
    starred = isinstance(first, ast.Starred) or isinstance(second, ast.Starred)
    return starred or name in FIXED or ast.dump(first) == ast.dump(second)


def _put(items: list[ast.cmpop], at: int, new: ast.cmpop) -> Callable[[], None]:
    return lambda: items.__setitem__(at, new)


def _set(node: ast.AST, field: str, new: object) -> Callable[[], None]:
    return lambda: setattr(node, field, new)


def _places(tree: ast.Module) -> _Places:
    """For each node, what puts another one in its stead."""
    found: _Places = {}
    for parent in ast.walk(tree):
        for field, value in ast.iter_fields(parent):
            if isinstance(value, ast.AST):
                found[id(value)] = lambda new, parent=parent, field=field: setattr(
                    parent, field, new
                )
            elif isinstance(value, list):
                for at, item in enumerate(value):
                    found[id(item)] = lambda new, value=value, at=at: value.__setitem__(at, new)
    return found


def _spared(tree: ast.Module) -> Iterator[int]:
    """Nodes that are left alone."""
    for node in ast.walk(tree):
        for part in _lifeless(node):
            yield from (id(inner) for inner in ast.walk(part))


def _lifeless(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        yield from node.decorator_list
    if isinstance(node, ast.FunctionDef) and node.returns is not None:
        yield node.returns
    if isinstance(node, ast.arg | ast.AnnAssign) and node.annotation is not None:
        yield node.annotation
    if isinstance(node, ast.Assign) and _names_a_type(node):
        yield node.value
    if isinstance(node, ast.keyword) and node.arg in TECHNICAL:
        yield node.value
    if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
        yield node


def _names_a_type(node: ast.Assign) -> bool:
    """Whether an assignment only gives a type a name: `Places = dict[int, float]`, `Step = A |
    B`."""
    (target, *_), value = node.targets, node.value
    named = (
        isinstance(target, ast.Name)
        and target.id.strip("_")[:1].isupper()
        and not target.id.isupper()
    )
    return named and isinstance(value, ast.Subscript | ast.BinOp)
