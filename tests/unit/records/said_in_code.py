"""What the code that judges a job can say, read off the code itself: no list that anybody keeps."""

import ast
import importlib
import re
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import capture
from capture.winding.errors import WindingError

_FILES = ("judging/*.py", "winding/*.py", "jobs/results.py", "jobs/taken.py")
_BEGIN = ("judging", "jobs")
FILLED = "X7"
"""Stands where a value, a pair or another phrase is put in."""


@dataclass(frozen=True, slots=True)
class Said:
    """One text with a value in every gap; ``error`` where it ends a computation."""

    where: str
    text: str
    error: bool


def said() -> list[Said]:
    """Give every text that judging a job may come to, from whatever it calls, in order."""
    defined = _definitions()
    found = []
    for path, node in _reached(defined):
        where = f"{path.parent.name}/{path.name}"
        module = importlib.import_module(f"capture.{path.parent.name}.{path.stem}")
        passed_over = _docstrings(node) | _annotations(node)
        for raised in [each for each in ast.walk(node) if isinstance(each, ast.Raise)]:
            passed_over |= {id(each) for each in ast.walk(raised)}
            if (text := _message(raised.exc, module)) is not None:
                found.append(Said(where, text, error=True))
        for each in ast.walk(node):
            if id(each) in passed_over:
                continue
            if isinstance(each, ast.JoinedStr):
                passed_over |= _literal_parts(each)
            text = _text(each)
            if text is not None and re.search("[a-z]{2}", text) and " " in text.strip():
                found.append(Said(where, text, error=False))
    return sorted(set(found), key=lambda each: (each.where, each.text))


def _definitions():
    root = Path(capture.__file__).parent
    defined = {}
    for path in sorted(path for pattern in _FILES for path in root.glob(pattern)):
        for node in ast.parse(path.read_text("utf-8")).body:
            names = [node.name] if isinstance(node, ast.FunctionDef | ast.ClassDef) else []
            if isinstance(node, ast.Assign):
                names = [each.id for each in node.targets if isinstance(each, ast.Name)]
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                names = [node.target.id]
            for name in names:
                defined.setdefault(name, []).append((path, node))
    return defined


def _reached(defined):
    """Follow names from the code that judges, whatever they turn out to be: rather too far."""
    seen, found = set(), []
    to_do = [
        name
        for name, places in defined.items()
        if any(path.parent.name in _BEGIN for path, _ in places)
    ]
    while to_do:
        name = to_do.pop()
        if name in seen:
            continue
        seen.add(name)
        for path, node in defined[name]:
            found.append((path, node))
            for each in ast.walk(node):
                named = getattr(each, "id", getattr(each, "attr", None))
                if named in defined:
                    to_do.append(named)
    return found


def _docstrings(node):
    return {
        id(body[0].value)
        for each in ast.walk(node)
        if isinstance(body := getattr(each, "body", None), list)
        and body
        and isinstance(body[0], ast.Expr)
    }


def _annotations(node):
    """Give what stands for types, such as the members of a Literal."""
    found = set()
    for each in ast.walk(node):
        for name in ("annotation", "returns"):
            if (noted := getattr(each, name, None)) is not None:
                found |= {id(part) for part in ast.walk(noted)}
        if isinstance(each, ast.Subscript) and getattr(each.value, "id", "") == "Literal":
            found |= {id(part) for part in ast.walk(each)}
    return found


def _literal_parts(joined):
    parts = {id(each) for each in joined.values if isinstance(each, ast.Constant)}
    for each in joined.values:
        if isinstance(each, ast.FormattedValue) and each.format_spec is not None:
            parts |= {id(part) for part in ast.walk(each.format_spec)}
    return parts


def _text(node):
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        parts = (each.value if isinstance(each, ast.Constant) else FILLED for each in node.values)
        return "".join(map(str, parts))
    return None


def _message(call, module):
    """Give what an error says that is raised like this; None where it is raised once more."""
    if not isinstance(call, ast.Call):
        return None
    kind = getattr(module, call.func.id)
    given = [_argument(each) for each in call.args]
    try:
        error = kind(*given)
    except (TypeError, ValueError):  # a number is written by its digits
        error = kind(*(7.5 if each == FILLED and n else each for n, each in enumerate(given)))
    assert isinstance(error, WindingError | capture.errors.InputError)
    return str(error)


def _argument(node):
    text = _text(node)
    if text is not None:
        return text
    if isinstance(node, ast.Name) and node.id in ("reading", "odd"):
        return SimpleNamespace(id=FILLED, quantity="resistance", test_point=FILLED)
    return FILLED
