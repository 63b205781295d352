"""Descriptions in JSON Schemas, taken from the docstrings below the members of a model.

They are looked up when a schema is made, which few processes ever do. pydantic's own setting for it
(``use_attribute_docstrings``) reads the sources at each start: a sixth of what the daemon needed.
"""

import ast
import functools
import inspect
import itertools
import sys
from typing import Any

from pydantic import GetJsonSchemaHandler
from pydantic_core import CoreSchema


class Described:
    """Mixed into models whose members are to be described in their schema."""

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler, /
    ) -> dict[str, Any]:
        made = handler(core_schema)
        members = handler.resolve_ref_schema(made).get("properties", {})
        for name, text in member_docs(cls).items():
            if name in members:
                members[name].setdefault("description", text)
        return made


def member_docs(model: type) -> dict[str, str]:
    """Give the docstrings of a model's members, by name; a member that is said anew starts anew."""
    found: dict[str, str] = {}
    for each in reversed(model.__mro__):
        if not issubclass(each, Described):
            continue
        body = _classes(each.__module__).get(each.__qualname__, [])
        for line, after in itertools.pairwise([*body, None]):
            if not isinstance(line, ast.AnnAssign) or not isinstance(line.target, ast.Name):
                continue
            found.pop(line.target.id, None)
            match after:
                case ast.Expr(ast.Constant(str(text))):
                    found[line.target.id] = inspect.cleandoc(text)
    return found


@functools.cache
def _classes(module: str) -> dict[str, list[ast.stmt]]:
    """Give the bodies of a module's classes; none where its source is not at hand."""
    try:
        tree = ast.parse(inspect.getsource(sys.modules[module]))
    except (KeyError, OSError, TypeError):
        return {}
    return {each.name: each.body for each in tree.body if isinstance(each, ast.ClassDef)}
