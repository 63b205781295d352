"""TOML and JSON that came from outside, read so that whatever is wrong with it is a `ValueError`.

The decoders have two more ways out, which nobody who calls them thinks of: a text nested too deeply
raises RecursionError, and a whole number of thousands of digits raises a ValueError that is no
TOMLDecodeError.
"""

import json
import tomllib
from typing import Any

_TOO_DEEP = "nested too deeply"


def from_toml(text: str) -> dict[str, Any]:
    """Read a TOML document.

    Raises:
        ValueError: it is none; says why, on one line.
    """
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise ValueError(_TOO_DEEP) from error


def from_json_text(text: str | bytes) -> Any:
    """Read a JSON text.

    Raises:
        ValueError: it is none; says why, on one line.
    """
    try:
        return json.loads(text)
    except RecursionError as error:
        raise ValueError(_TOO_DEEP) from error
