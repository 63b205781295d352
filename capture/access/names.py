"""What operators are called, and when two names are the same."""

import unicodedata

from pydantic import TypeAdapter, ValidationError

from capture.errors import InputError
from capture.model.fields import Line

_LINE: TypeAdapter[str] = TypeAdapter(Line)
_LONGEST = 80


def tidy_name(text: str) -> str:
    """Write a name as it is stored: composed, single blanks, nothing that cannot be seen.

    Raises:
        InputError: empty, too long, or with signs that do not print (two names that look the same
            would be two operators).
    """
    name = " ".join(unicodedata.normalize("NFKC", text).split())
    try:
        name = _LINE.validate_python(name)
    except ValidationError as error:
        raise InputError(_EXPECTED) from error
    if not name.isprintable() or len(name) > _LONGEST:
        raise InputError(_EXPECTED)
    return name


_EXPECTED = f"operator: expected a role or a name, 1 to {_LONGEST} characters that print"


def key_of(name: str) -> str:
    """Give what is the same for all ways of writing one name."""
    return name.casefold()
