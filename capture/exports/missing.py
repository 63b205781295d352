"""What is said where the part that writes workbooks and Parquet is not installed."""

from collections.abc import Iterator
from contextlib import contextmanager

from capture.photo.store import MissingExtraError


@contextmanager
def needs_extra() -> Iterator[None]:
    """Let a missing module say what to install.

    Raises:
        MissingExtraError: a module is not there.
    """
    try:
        yield
    except ModuleNotFoundError as error:
        raise MissingExtraError(
            f"XLSX and Parquet need an extra ({error.name} is missing); install it: "
            "pip install 'benchtally[export]'. CSV and JSON lines need none"
        ) from error
