"""Small wrong changes of a module, one at a time, of the kinds that people make.

A boundary moved, a sign turned, a constant changed (a float by a tenth, an integer by one), a condition or a
truth value negated, a branch swapped, `min` for `max`, a check or an error left out. Sentences, docstrings
and types are left alone: they compute nothing.
"""

import ast
import contextlib
import copy
from dataclasses import dataclass

_COMPARED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
_COMBINED = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.Mod: ast.Div, ast.FloorDiv: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
_NAMES = {
    "min": "max", "max": "min", "any": "all", "all": "any", "sin": "cos", "cos": "sin", "argmin": "argmax",
    "argmax": "argmin", "minimum": "maximum", "maximum": "minimum",
}  # fmt: skip
_FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)
# What stands in these fields of a node is a type, a decorator, a sentence or a pattern.
_LEFT_ALONE = {"annotation", "returns", "decorator_list", "ctx"}

_LONG = 100  # characters of a change that is still read at a glance


@dataclass(frozen=True)
class Mutant:
    """One change: the code, where it is, whether within a function's body, and how it reads."""

    code: object
    line: int
    where: str
    inside: bool
    before: str
    after: str

    @property
    def key(self):
        """What stays the same when lines move."""
        return (self.where, self.before, self.after)


def _constants(node):
    value = node.value
    if isinstance(value, bool):
        yield ast.Constant(not value)
    elif isinstance(value, int):
        yield ast.Constant(value + 1)
    elif isinstance(value, float) and value < float("inf"):
        yield ast.Constant(value * 1.1 if value else 1.0)
    elif isinstance(value, str) and value and " " not in value:
        yield ast.Constant(value + "x")


def _changes(node):  # noqa: C901, PLR0912 - one case a kind of node
    """Give what may stand in place of a node."""
    match node:
        case ast.Compare(ops=[*ops]):
            for place, op in enumerate(ops):
                changed = copy.copy(node)
                changed.ops = [*ops[:place], _COMPARED[type(op)](), *ops[place + 1 :]]
                yield changed
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _COMBINED:
            yield ast.BinOp(left, _COMBINED[type(op)](), right)
        case ast.AugAssign(target=target, op=op, value=value) if type(op) in _COMBINED:
            yield ast.AugAssign(target, _COMBINED[type(op)](), value)
        case ast.BoolOp(op=op, values=values):
            yield ast.BoolOp(ast.Or() if isinstance(op, ast.And) else ast.And(), values)
        case ast.UnaryOp(op=ast.USub() | ast.Not(), operand=operand):
            yield operand
        case ast.IfExp(test=test, body=body, orelse=orelse):
            yield ast.IfExp(test, orelse, body)
        case (
            ast.If(test=test, body=body, orelse=orelse)
            | ast.While(test=test, body=body, orelse=orelse)
        ):
            yield type(node)(ast.UnaryOp(ast.Not(), test), body, orelse)
        case ast.Raise() | ast.Expr(value=ast.Call()):
            yield ast.Pass()
        case ast.Continue():
            yield ast.Break()
        case ast.Break():
            yield ast.Continue()
        case ast.Name(id=name) if name in _NAMES:
            yield ast.Name(_NAMES[name], node.ctx)
        case ast.Attribute(value=value, attr=name) if name in _NAMES:
            yield ast.Attribute(value, _NAMES[name], node.ctx)
        case ast.Constant():
            yield from _constants(node)


def _text(node):
    # The first line says it: the body of an `if` stays what it was.
    return next(line for line in ast.unparse(node).splitlines() if not line.startswith("@"))


def _children(node):
    """Give the nodes below a node that compute something: field, list and place in it (or None), node."""
    literal = isinstance(node, ast.Subscript) and _text(node.value) == "Literal"
    # Of an error only the message is below: that it is raised at all is changed above it.
    if literal or isinstance(node, (ast.JoinedStr, ast.Import, ast.ImportFrom, ast.Raise)):
        return
    for field, old in ast.iter_fields(node):
        if field in _LEFT_ALONE:
            continue
        for place, child in enumerate(old) if isinstance(old, list) else [(None, old)]:
            docstring = isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant)
            # zip's own check of lengths that are equal by construction
            strict = isinstance(child, ast.keyword) and child.arg == "strict"
            if isinstance(child, ast.AST) and not docstring and not strict:
                yield field, old, place, child


@contextlib.contextmanager
def _put(node, field, old, place, changed):
    def into(new):
        if place is None:
            setattr(node, field, new)
        else:
            old[place] = new

    right = old if place is None else old[place]
    into(ast.copy_location(changed, right))
    yield
    into(right)


def mutants(source, path):
    """Give every mutant of a module's source."""
    tree = ast.parse(source)

    def walk(node, where, statement, *, inside):
        for field, old, place, child in _children(node):
            deeper = inside or (isinstance(node, _FUNCTIONS) and field == "body")
            around = child if isinstance(child, ast.stmt) else statement
            for changed in _changes(child):
                # Read as the statement, or as the part of it that is short and shows the change.
                before = [_text(part) for part in (around, node, child)]
                with _put(node, field, old, place, changed):
                    code = compile(ast.fix_missing_locations(tree), path, "exec")
                    after = [_text(changed if part is child else part) for part in (around, node)]
                after.append(_text(changed))
                shown = zip(before, after, strict=True)
                shown = next(
                    (b, a) for b, a in shown if b != a and (len(b) < _LONG or b == before[2])
                )
                yield Mutant(code, child.lineno, where, deeper, *shown)
            named = where
            if isinstance(child, (*_FUNCTIONS, ast.ClassDef)) and not deeper:
                named = f"{where}.{child.name}".lstrip(".")
            yield from walk(child, named, around, inside=deeper)

    yield from walk(tree, "", tree, inside=False)
