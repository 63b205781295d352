"""TOML that people write: configurations, profiles, procedures, limits, nameplates."""

import tomllib
from typing import Any


def toml_table(text: str) -> dict[str, Any]:
    """Read TOML.

    Raises:
        tomllib.TOMLDecodeError: it is none, or beyond what the reader can hold, such as a number of
            thousands of digits or brackets nested without end.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except ValueError as error:
        raise tomllib.TOMLDecodeError("a number is too long") from error
    except RecursionError as error:
        raise tomllib.TOMLDecodeError("nested too deeply") from error
