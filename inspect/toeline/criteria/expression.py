"""Limits as checked arithmetic over named quantities: numbers, names, + - * /, min, max, and comparisons.

Read with Python's own parser into a tree of which only the shapes below are let through; nothing is ever executed.
"""

from __future__ import annotations

import ast
import math
import operator
from collections.abc import Callable, Mapping, Set
from dataclasses import dataclass

_BINARY: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}
_COMPARE: dict[type[ast.cmpop], Callable[[float, float], bool]] = {
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
}
_CALLS: dict[str, Callable[..., float]] = {"min": min, "max": max}
_LONGEST = 200
_GREATEST = 1e9


@dataclass(frozen=True, slots=True)
class Expression:
    """A checked arithmetic expression."""

    text: str
    tree: ast.expr
    names: frozenset[str]

    def value(self, values: Mapping[str, float]) -> float:
        """The number it gives with ``values``; ``ValueError`` where that is no finite number."""
        result = _number(self.tree, values)
        if not math.isfinite(result):
            raise ValueError(f"'{self.text}' gives no finite number")
        return result


@dataclass(frozen=True, slots=True)
class Condition:
    """A checked comparison or chain of comparisons, such as ``0.5 <= t <= 3``."""

    text: str
    tree: ast.Compare
    names: frozenset[str]

    def holds(self, values: Mapping[str, float]) -> bool:
        """Whether it is true with ``values``."""
        sides = [_number(side, values) for side in (self.tree.left, *self.tree.comparators)]
        return all(_COMPARE[type(op)](a, b) for op, a, b in zip(self.tree.ops, sides, sides[1:], strict=False))


def expression(text: str, allowed: Set[str]) -> Expression:
    """Read ``text`` as arithmetic over the ``allowed`` names; ``ValueError`` says in words what is wrong."""
    tree = _parse(text)
    return Expression(text, tree, _check(tree, allowed, text))


def condition(text: str, allowed: Set[str]) -> Condition:
    """Read ``text`` as a comparison over the ``allowed`` names; ``ValueError`` says in words what is wrong."""
    tree = _parse(text)
    if not isinstance(tree, ast.Compare):
        raise ValueError(f"'{text}' is not a comparison such as 't > 3'")
    names: frozenset[str] = frozenset()
    for op in tree.ops:
        if type(op) not in _COMPARE:
            raise ValueError(f"'{text}' compares with something other than <, <=, >, >=")
    for side in (tree.left, *tree.comparators):
        names |= _check(side, allowed, text)
    return Condition(text, tree, names)


def _parse(text: str) -> ast.expr:
    if len(text) > _LONGEST:
        raise ValueError(f"an expression is longer than {_LONGEST} characters")
    try:
        return ast.parse(text.strip(), mode="eval").body
    except (SyntaxError, ValueError, MemoryError, RecursionError):
        raise ValueError(f"'{text}' is not arithmetic such as 'min(0.2*t, 1)'") from None


def _check(node: ast.expr, allowed: Set[str], text: str) -> frozenset[str]:
    match node:
        case ast.Constant(value=bool()):
            pass
        case ast.Constant(value=int() | float() as number):
            if not number < _GREATEST:
                raise ValueError(f"'{text}' holds a number beyond {_GREATEST:g}")
            return frozenset()
        case ast.Name(id=name):
            if name not in allowed:
                raise ValueError(f"'{text}' uses '{name}', which is none of {', '.join(sorted(allowed))}")
            return frozenset({name})
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            return _check(operand, allowed, text)
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _BINARY:
            if isinstance(op, ast.Div) and (_check(right, allowed, text) or _number(right, {}) == 0):
                raise ValueError(f"'{text}' divides by something that is or may be zero")
            return _check(left, allowed, text) | _check(right, allowed, text)
        case ast.Call(func=ast.Name(id=name), args=[_, _, *_] as args, keywords=[]) if name in _CALLS:
            return frozenset().union(*(_check(arg, allowed, text) for arg in args))
    raise ValueError(f"'{text}' holds more than numbers, names, + - * /, min(..., ...) and max(..., ...)")


def _number(node: ast.expr, values: Mapping[str, float]) -> float:
    match node:
        case ast.Constant(value=int() | float() as number):
            return float(number)
        case ast.Name(id=name):
            return values[name]
        case ast.UnaryOp(operand=operand):
            return -_number(operand, values)
        case ast.BinOp(left=left, op=op, right=right):
            return _BINARY[type(op)](_number(left, values), _number(right, values))
        case ast.Call(func=ast.Name(id=name), args=args):
            return _CALLS[name](*(_number(arg, values) for arg in args))
    raise AssertionError(f"unchecked node {node!r}")
