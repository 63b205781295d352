"""Who acts. The name comes with the request, never in its body."""

from typing import Annotated
from urllib.parse import unquote

from fastapi import Depends, Header
from pydantic import TypeAdapter, ValidationError

from capture.errors import InputError
from capture.model.fields import Line

_LINE: TypeAdapter[str] = TypeAdapter(Line)


def _operator(
    operator: Annotated[
        str,
        Header(
            alias="Benchtally-Operator",
            description="Who acts: a role or a name, percent-encoded UTF-8.",
            max_length=600,
        ),
    ],
) -> str:
    try:
        return _LINE.validate_python(unquote(operator, errors="strict").strip())
    except (ValidationError, UnicodeDecodeError) as error:
        raise InputError(
            "Benchtally-Operator: up to 200 printable characters are taken, percent-encoded"
        ) from error


#: The operator, for every operation that writes.
Operator = Annotated[str, Depends(_operator)]
