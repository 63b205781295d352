"""The open JSON Schema (2020-12) of procedures.

It describes a procedure's TOML after it was read into tables and lists. What JSON Schema cannot say
(that a test point can be one, that times rise, that no step stands twice) is checked when the
procedure is loaded.
"""

from typing import Any

from capture.jobs.procedure import Procedure
from capture.model.schemas import document, text_of

NAME = "procedure"


def procedure_schema() -> dict[str, Any]:
    """Generate the schema."""
    return document(NAME, Procedure)


def procedure_documents() -> dict[str, str]:
    """Generate the schema as the text of its file in ``schemas/``."""
    return {f"{NAME}.v1.json": text_of(procedure_schema())}
