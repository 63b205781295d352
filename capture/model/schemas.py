"""The open JSON Schemas (2020-12) of what is stored and published, generated from the models."""

import json
from typing import Any

from pydantic import BaseModel

from capture.model.comparison import Comparison
from capture.model.job import JobEntry
from capture.model.machine import MachineEntry
from capture.model.names import schema_id
from capture.model.photo import PhotoProposals
from capture.model.reading import Reading
from capture.model.record import Record
from capture.model.result import ResultRecord
from capture.model.tag import Gap, Tag
from capture.model.testset import TestSet
from capture.model.trend import MachineTrends

_DIALECT = "https://json-schema.org/draft/2020-12/schema"

_MODELS: dict[str, type[BaseModel]] = {
    "reading": Reading,
    "tag": Tag,
    "gap": Gap,
    "machine": MachineEntry,
    "job": JobEntry,
    "test-set": TestSet,
    "result": ResultRecord,
    "record": Record,
    "trend": MachineTrends,
    "comparison": Comparison,
    "photo-proposals": PhotoProposals,
}

#: Names that `schema` accepts.
NAMES = tuple(_MODELS)


def schema(name: str) -> dict[str, Any]:
    """Generate the schema called ``name``.

    Raises:
        KeyError: no such schema; see `NAMES`.
    """
    return document(name, _MODELS[name])


def document(name: str, model: type[BaseModel]) -> dict[str, Any]:
    """Generate the schema of any model, to be called ``name``."""
    body = model.model_json_schema()
    _require_constants(body)
    return {"$schema": _DIALECT, "$id": schema_id(name), **body}


def documents() -> dict[str, str]:
    """Generate every schema as the text of its file in ``schemas/``."""
    return {f"{name}.v1.json": text_of(schema(name)) for name in NAMES}


def text_of(made: dict[str, Any]) -> str:
    """Write a schema as the text of its file."""
    return json.dumps(made, indent=2, ensure_ascii=False) + "\n"


def _require_constants(node: Any) -> None:
    """Make discriminating members required: they are always written, and readers rely on them.

    The models give them a default for convenience, from which pydantic concludes otherwise.
    """
    if isinstance(node, list):
        for item in node:
            _require_constants(item)
    elif isinstance(node, dict):
        fixed = [
            name
            for name, member in node.get("properties", {}).items()
            if isinstance(member, dict) and "const" in member and "default" in member
        ]
        if fixed:
            node["required"] = [*fixed, *node.get("required", [])]
        for member in node.values():
            _require_constants(member)
