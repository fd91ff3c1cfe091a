"""Every single change of a module: signs, factors, comparisons, functions exchanged for their opposites."""

from __future__ import annotations

import ast
import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass

_BINARY: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
}
_COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}
_FUNCTIONS = {
    "sqrt": "fabs",
    "sin": "cos",
    "cos": "sin",
    "min": "max",
    "max": "min",
    "abs": "float",
    "floor": "ceil",
    "all": "any",
    "any": "all",
}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: the line, what stood there, what stands there now, and the changed module."""

    line: int
    before: str
    after: str
    tree: ast.Module


def mutants_of(source: str) -> list[Mutant]:
    """All single changes of a module's source, in the order of its text."""
    tree = ast.parse(source)
    found = []
    for node in _changeable(tree):
        for change in _changes(node):
            changed = copy.deepcopy(tree)
            # The same walk over the copy meets the same node at the same place.
            place = next(i for i, n in enumerate(ast.walk(tree)) if n is node)
            target = next(n for i, n in enumerate(ast.walk(changed)) if i == place)
            before = ast.unparse(target)
            change(target)
            after = ast.unparse(target)
            if after != before:
                found.append(Mutant(getattr(node, "lineno", 0), before, after, ast.fix_missing_locations(changed)))
    return sorted(found, key=lambda m: m.line)


def _changeable(tree: ast.Module) -> Iterator[ast.AST]:
    """Nodes that decide a figure: no annotations, texts, errors, or classes that only hold data."""
    waiting: list[ast.AST] = [tree]
    while waiting:
        node = waiting.pop()
        if isinstance(node, (ast.Raise, ast.JoinedStr, ast.Import, ast.ImportFrom)):
            continue
        yield node
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list", "keywords") and not isinstance(node, ast.Call):
                continue
            waiting += [v for v in (value if isinstance(value, list) else [value]) if isinstance(v, ast.AST)]


def _changes(node: ast.AST) -> list[Callable[[ast.AST], None]]:
    if isinstance(node, ast.BinOp) and type(node.op) in _BINARY:
        return [_exchange_operator]
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.USub, ast.Not)):
        return [_drop_sign]
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in _COMPARED:
        return [_exchange_comparison]
    if isinstance(node, ast.BoolOp):
        return [_exchange_join]
    if isinstance(node, ast.Constant) and isinstance(node.value, (int, float)) and not isinstance(node.value, bool):
        return [_change_figure]
    if isinstance(node, ast.Name) and node.id in _FUNCTIONS and isinstance(node.ctx, ast.Load):
        return [_exchange_name]
    if isinstance(node, ast.Attribute) and node.attr in _FUNCTIONS:
        return [_exchange_attribute]
    return []


def _exchange_operator(node: ast.AST) -> None:
    assert isinstance(node, ast.BinOp)
    node.op = _BINARY[type(node.op)]()


def _drop_sign(node: ast.AST) -> None:
    assert isinstance(node, ast.UnaryOp)
    node.op = ast.UAdd() if isinstance(node.op, ast.USub) else ast.Not()
    if isinstance(node.op, ast.Not):
        node.operand = ast.UnaryOp(ast.Not(), node.operand)


def _exchange_comparison(node: ast.AST) -> None:
    assert isinstance(node, ast.Compare)
    node.ops = [_COMPARED[type(node.ops[0])]()]


def _exchange_join(node: ast.AST) -> None:
    assert isinstance(node, ast.BoolOp)
    node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()


def _change_figure(node: ast.AST) -> None:
    assert isinstance(node, ast.Constant)
    assert isinstance(node.value, (int, float))
    node.value = 1 if node.value == 0 else node.value + 1 if isinstance(node.value, int) else node.value * 2


def _exchange_name(node: ast.AST) -> None:
    assert isinstance(node, ast.Name)
    node.id = _FUNCTIONS[node.id]


def _exchange_attribute(node: ast.AST) -> None:
    assert isinstance(node, ast.Attribute)
    node.attr = _FUNCTIONS[node.attr]
